"""The machine's clock and the time taken in its place; times are worked out by hand from the one that was given."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from hardware.machine_clock import BY_SYSTEM, EARLIEST_SET_MS, KEPT_FILE, LATEST_SET_MS, MachineClock

WOKE_MS = 1_777_870_800_000  # what the system's clock says at the start: where it stood when power went
TRUE_MS = WOKE_MS + 47 * 60_000


class HandMachine(MachineClock):
    """A machine whose clock, uptime and time service are in the hand."""

    def __init__(self, **keys) -> None:
        self.system, self.uptime, self.service = WOKE_MS, 20_000, False
        super().__init__(**keys)

    def system_ms(self) -> int:
        return self.system

    def uptime_ms(self) -> int:
        return self.uptime

    def is_kept(self) -> bool:
        return self.service

    def pass_s(self, seconds: int) -> None:
        self.system += seconds * 1000
        self.uptime += seconds * 1000


def test_without_a_service_the_time_is_used_and_not_confirmed():
    """It runs on from where the system's clock stood."""
    clock = HandMachine()
    clock.pass_s(60)
    note = clock.note()
    assert (note.ok, note.by, note.now_ms, note.uptime_ms) == (False, "", WOKE_MS + 60_000, 80_000)
    assert clock.now_ms() == note.now_ms


def test_a_given_time_counts_from_the_start_of_the_machine():
    """It is confirmed by who gave it, runs on with the uptime, and a step of the system's clock does not move it."""
    clock = HandMachine()
    assert clock.take(TRUE_MS, "hand").ok
    clock.pass_s(600)
    clock.system -= 3_600_000
    note = clock.note()
    assert (note.ok, note.by, note.now_ms) == (True, "hand", TRUE_MS + 600_000)


def test_a_time_service_or_a_battery_undoes_what_was_given(tmp_path: Path):
    """Once the system's clock is right it counts, and nothing of the given one is left."""
    clock = HandMachine(kept=tmp_path)
    clock.take(TRUE_MS, "hand")
    assert (tmp_path / KEPT_FILE).exists()
    clock.system, clock.service = TRUE_MS + 5_000, True
    assert (clock.note().now_ms, clock.note().by) == (TRUE_MS + 5_000, BY_SYSTEM)
    assert not (tmp_path / KEPT_FILE).exists()
    clock.take(TRUE_MS + 999_000, "hand")
    assert (clock.now_ms(), clock.note().by) == (TRUE_MS + 5_000, BY_SYSTEM)
    trusted = HandMachine(trust_hardware=True)
    trusted.take(TRUE_MS, "hand")
    assert (trusted.now_ms(), trusted.note().by) == (WOKE_MS, BY_SYSTEM)


def test_a_restart_of_the_program_keeps_it_and_one_of_the_machine_does_not(tmp_path: Path):
    """It is tied to the run of the machine by the kernel's name of it (proc(5), boot_id)."""
    HandMachine(kept=tmp_path).take(TRUE_MS, "hand")
    assert HandMachine(kept=tmp_path).note().now_ms == TRUE_MS
    said = json.loads((tmp_path / KEPT_FILE).read_text())
    (tmp_path / KEPT_FILE).write_text(json.dumps({**said, "boot_id": "another"}))
    assert HandMachine(kept=tmp_path).note().now_ms == WOKE_MS


@pytest.mark.parametrize("text", ["", "{", "[]", '{"boot_id": 3}', "\x00\xff"])
def test_a_damaged_file_is_no_time(tmp_path: Path, text: str):
    """Then the system's clock counts, as without one."""
    (tmp_path / KEPT_FILE).write_text(text, encoding="latin-1")
    assert HandMachine(kept=tmp_path).note().now_ms == WOKE_MS


@pytest.mark.parametrize("now_ms", [EARLIEST_SET_MS - 1, LATEST_SET_MS + 1, 0, -5])
def test_no_time_of_our_days_is_refused_in_words(now_ms: int):
    """1970, and 2199, are nobody's time; what counted before still does."""
    clock = HandMachine()
    with pytest.raises(ValueError, match="expected one between 2025 and 2100"):
        clock.take(now_ms, "hand")
    assert clock.now_ms() == WOKE_MS


def test_it_goes_on_from_a_time_that_has_been_already():
    """A clock that stood still is moved to the last slot, unconfirmed; a later one, or a right one, is left."""
    clock = HandMachine()
    clock.not_before(WOKE_MS + 900_000)
    assert (clock.now_ms(), clock.note().ok) == (WOKE_MS + 900_000, False)
    clock.not_before(WOKE_MS)
    assert clock.now_ms() == WOKE_MS + 900_000
    clock.take(TRUE_MS, "hand")
    clock.not_before(TRUE_MS + 1_000_000)
    assert clock.now_ms() == TRUE_MS


def test_a_disk_without_room_forgets_it_at_the_next_start_only(tmp_path: Path):
    """The time is taken all the same."""
    clock = HandMachine(kept=tmp_path / "gone")
    assert clock.take(TRUE_MS, "hand").now_ms == TRUE_MS
    assert HandMachine(kept=tmp_path / "gone").now_ms() == WOKE_MS
