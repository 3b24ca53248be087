"""The crash bench: its sums by hand, a short run of it, and (soak) the long run and its control.

What is owed and what was paid are compared in `accounts`; the expected outcome is the promise itself: 0 and 0.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults.accounts import Row, settle
from tests.faults.crash_bench import run_bench
from tests.faults.numbered_sensors import number_of, value_of

TALK = ["MC", "D0"]
LOG = [
    "ask north a MC",
    "say north a 1 2",
    "ask north a D0",
    "ask north b MC",
    "say north b 3 4",
    "ask north b D0",
    "killed",
    "ask north a MC",
    "say north a 5 6",
]
KEPT: list[Row] = [("a/x", "60", 1), ("a/y", "60", 2)]


def test_nothing_is_owed_but_what_was_committed():
    """Values of the probe asked last before a kill may be gone: nobody had them in custody."""
    account = settle(2, KEPT, KEPT, LOG, TALK)
    assert (account.lost, account.twice, account.known, account.known_lost) == (0, 0, 2, 0)
    assert (account.invented, account.unlike, account.unclear) == (0, 0, 2)


def test_a_missing_reading_is_seen_by_number_and_by_the_sensors_log():
    """One of two committed readings is not stored: lost by either count."""
    account = settle(2, KEPT[:1], [], LOG, TALK)
    assert (account.lost, account.known_lost, account.twice) == (1, 1, 0)


def test_a_reading_stored_twice_is_seen_even_under_another_slot():
    """The same measurement, or the same value under another slot, counts as stored twice, and hides no loss."""
    assert settle(3, [*KEPT, KEPT[0]], [], LOG, TALK).twice == 1
    account = settle(3, [*KEPT, ("a/x", "61", 1)], [], LOG, TALK)
    assert account.twice == 1
    assert settle(3, [*KEPT, KEPT[0]], [], LOG, TALK).lost == 1


def test_a_value_no_sensor_gave_or_that_the_outbox_has_otherwise_is_seen():
    """A stored value must have been said, and be what the outbox still holds."""
    account = settle(2, [KEPT[0], ("a/y", "60", 9)], KEPT, LOG, TALK)
    assert (account.invented, account.unlike) == (1, 1)


def test_a_talk_with_a_repeat_is_left_out():
    """Of values said again on a retry it is not known which was taken: they are not counted as known."""
    log = ["ask north a MC", "say north a 1 2", "ask north a MC", "say north a 3 4", "ask north a D0", "ask north b MC"]
    account = settle(2, [("a/x", "60", 3), ("a/y", "60", 4)], [], log, TALK)
    assert (account.known, account.lost, account.unclear) == (0, 0, 2)


def test_talks_of_two_lines_are_told_apart_however_they_mix():
    """Two lines are read side by side: another probe asked on the other line neither cuts a talk nor vouches for it,
    and a kill ends the talks of both (by hand: a and x are followed on their own line, b and y are not)."""
    north = [
        "ask north a MC",
        "say north a 1 2",
        "ask north a D0",
        "ask north b MC",
        "say north b 3 4",
        "ask north b D0",
    ]
    south = [entry.replace("north a", "south x").replace("north b", "south y") for entry in north]
    south = [entry.replace("1 2", "5 6").replace("3 4", "7 8") for entry in south]
    mixed = [entry for pair in zip(north, south, strict=True) for entry in pair]
    stored: list[Row] = [(f"{number}", "60", number) for number in (1, 2, 5, 6)]
    account = settle(4, stored, [], [*mixed, "killed"], TALK)
    assert (account.known, account.known_lost, account.unclear) == (4, 0, 2)
    account = settle(4, stored[:3], [], [*mixed, "killed"], TALK)
    assert (account.known, account.known_lost) == (4, 1)
    account = settle(2, stored[:2], [], [*north[:3], "killed", *south[3:]], TALK)
    assert (account.known, account.unclear) == (0, 2)


@pytest.mark.parametrize("number", [1, 17, 899_999])
def test_a_running_number_comes_back_from_its_value(number: int):
    """Seven digits, as SDI-12 sends them, carry it there and back (algebra)."""
    text = value_of(number)
    assert sum(c.isdigit() for c in text) == 7
    assert number_of(float(text)) == number


@pytest.mark.timeout(300)  # it takes 15 s; a crowded machine starts processes slowly
def test_kills_of_agent_broker_and_pipeline_lose_and_double_nothing(need_program: Callable[..., str], tmp_path: Path):
    """Two kills of each while readings flow: every reading that was committed is stored, once, and the sensors' own log
    vouches for more than half of them."""
    outcome = run_bench(tmp_path, kills=2, readings=500, seed=1, receipts=True, mosquitto=need_program("mosquitto"))
    a = outcome.account
    assert a.committed >= 500 and a.known > a.committed / 2
    assert (a.lost, a.twice, a.known_lost, a.invented, a.unlike) == (0, 0, 0, 0, 0), outcome.text()


@pytest.mark.soak
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("seed", [1])
def test_sixty_kills_of_each_lose_and_double_nothing(need_program: Callable[..., str], tmp_path: Path, seed: int):
    """At least 20,000 readings and 60 kills of each: lost 0, stored twice 0."""
    outcome = run_bench(
        tmp_path, kills=60, readings=20_000, seed=seed, receipts=True, mosquitto=need_program("mosquitto")
    )
    print("\n" + outcome.text())
    a = outcome.account
    assert a.committed >= 20_000 and min(outcome.kills.values()) >= 60
    assert (a.lost, a.twice, a.known_lost, a.invented, a.unlike) == (0, 0, 0, 0, 0)


@pytest.mark.soak
@pytest.mark.timeout(600)
def test_without_receipts_readings_are_lost(need_program: Callable[..., str], tmp_path: Path):
    """The control: an agent that takes the broker's acknowledgement for custody loses readings, and the bench sees it
    by both counts."""
    outcome = run_bench(tmp_path, kills=12, readings=2000, seed=1, receipts=False, mosquitto=need_program("mosquitto"))
    print("\ncontrol, receipts switched off: " + outcome.text())
    assert outcome.account.lost > 0 and outcome.account.known_lost > 0
    assert outcome.account.twice == 0
