"""The server's clock set wrong, and right again: alerts as without it, none stuck, none lost.

What must come out is a run of the same readings whose clock was never touched.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from hardware.reading import Reading
from pipeline.units import DAY_MS
from tests.pipeline.hand import HOUR_MS, SETTINGS, SLOT_MS, START_MS, HandSystemClock, Line, reading, small_record

YEAR_MS = 365 * DAY_MS
SLOTS = 96  # a day
SILENT = range(40, 64)  # slots in which the profile probe says nothing: from 10:00 to 16:00
BEGIN_MS = START_MS - 60_000
SITE = SETTINGS.replace("deep_soil_profile", "thatch").replace('model = "weather"', 'model = "rain_total"')


def slots(first_seq: int = 1) -> list[list[Reading]]:
    """A day of readings, slot by slot, numbered on: the probe silent for six hours, the weather station never."""
    found, seq = [], first_seq
    for k in range(SLOTS):
        kept = [r for r in DAY[k] if k not in SILENT or r.channel.startswith("s1/w1/")]
        found.append([reading(seq + i, r.channel, r.measured_at_ms, r.raw) for i, r in enumerate(kept)])
        seq += len(kept)
    return found


def _day() -> list[list[Reading]]:
    days: list[list[Reading]] = [[] for _ in range(SLOTS)]
    rain = [reading(1, "s1/w1/rain", START_MS + k * SLOT_MS + 1000, 10.0) for k in range(SLOTS)]
    for r in [*small_record(SLOTS), *rain]:
        days[(r.measured_at_ms - START_MS) // SLOT_MS].append(r)
    return days


DAY = _day()


def live(
    line: Line, clock: HandSystemClock, step: dict[int, int], *, shift_ms: Callable[[int], int] = lambda k: 0
) -> None:
    """Live through the day slot by slot; `step` is by how much the clock is set at the beginning of a slot."""
    for k, here in enumerate(slots()):
        clock.wall_ms += step.get(k, 0)
        line.send_batch([reading(r.seq, r.channel, r.measured_at_ms + shift_ms(k), r.raw) for r in here])
        line.run_until_quiet()
        clock.go_on(SLOT_MS)
    line.run_until_quiet()


def events(line: Line) -> list[tuple[str, str, int]]:
    return [(e.body["rule"], e.body["kind"], e.at_ms) for e in line.stores.journal.events(0, 2**61)]


def clock_at(now_ms: int) -> HandSystemClock:
    return HandSystemClock(now_ms)


LONGER = [pytest.param(step_ms, marks=pytest.mark.soak) for step_ms in (-DAY_MS, YEAR_MS)]


@pytest.mark.parametrize("step_ms", [DAY_MS, -YEAR_MS, *LONGER])
def test_a_clock_set_wrong_for_three_hours_changes_no_alert(make: Callable[..., Line], step_ms: int) -> None:
    """A day or a year ahead or back from 11:00 to 14:00, while a probe is silent: opened and closed at the same times
    as without it, and every reading is flagged the same."""
    lines = []
    for name, step in (("control", {}), ("stepped", {44: step_ms, 56: -step_ms})):
        clock = clock_at(BEGIN_MS)
        lines.append(make(SITE, name, clock=clock))
        live(lines[-1], clock, step)
    control, stepped = lines
    assert [kind for rule, kind, _ in events(control) if rule == "probe_fault"] == ["opened", "closed"]
    assert events(stepped) == events(control)
    flags = [one.stores.store.observations(list(one.config.channels()), 0, 2**61)["flag"].tolist() for one in lines]
    assert flags[0] == flags[1] and len(flags[0]) > 200


@pytest.mark.parametrize("step_ms", [DAY_MS, YEAR_MS])
def test_a_step_that_all_share_leaves_no_alert_stuck_and_none_lost(make: Callable[..., Line], step_ms: int) -> None:
    """Server and node on one box, whose clock is ahead for three hours: the step is taken, and taken back. The silence
    after it is told at its time, and its end; nothing stays open, and what was dated ahead is no last answer."""
    clock = clock_at(BEGIN_MS)
    line = make(SITE, clock=clock)
    live(line, clock, {4: step_ms, 16: -step_ms}, shift_ms=lambda k: step_ms if 4 <= k < 16 else 0)
    mine = [
        (kind, at_ms) for rule, kind, at_ms in events(line) if rule == "probe_fault" and at_ms > START_MS + 9 * HOUR_MS
    ]
    kinds = [kind for kind, at_ms in mine if at_ms < START_MS + 2 * DAY_MS]
    assert kinds[:2] == ["opened", "closed"] and line.open_alerts() == []
    opened_ms = mine[0][1]
    assert START_MS + 13 * HOUR_MS - SLOT_MS <= opened_ms <= START_MS + 13 * HOUR_MS + SLOT_MS
    channel = "s1/p1/moisture"
    last = line.stores.store.last_answers([channel], clock.now_ms())
    assert last["measured_at_ms"].tolist()[0] < START_MS + DAY_MS
    ahead = line.stores.store.observations([channel], START_MS + DAY_MS, 2**61)
    assert len(ahead) == 12 and set(ahead["flag"]) <= {3, 4}


def test_states_of_the_future_are_taken_back_at_the_start(make: Callable[..., Line]) -> None:
    """A program that followed its clock a year ahead has judged until then. Started anew with the clock right, a probe
    that falls silent is told within its three hours, and the alert opened in the future is closed."""
    ahead = make(SITE, "kept", now_ms=START_MS + YEAR_MS)
    ahead.send_batch(small_record(2))
    ahead.run_until_quiet()
    assert any(
        state["evaluated_to_ms"] > START_MS + 300 * DAY_MS for state in ahead.stores.journal.alert_states().values()
    )
    opened = [kind for rule, kind, _ in events(ahead) if rule == "probe_fault"]
    assert opened and set(opened) == {"opened"}
    clock = clock_at(START_MS + HOUR_MS)
    line = make(SITE, "kept", clock=clock)
    for _ in range(20):
        clock.go_on(SLOT_MS)
        line.run_until_quiet()
    assert all(state["evaluated_to_ms"] <= clock.now_ms() for state in line.stores.journal.alert_states().values())
    assert {a.rule for a in line.open_alerts()} >= {"probe_fault"}
    assert all(a.opened_at_ms <= clock.now_ms() for a in line.open_alerts())


def test_a_server_that_was_behind_finds_readings_good_once_its_clock_is_right(make: Callable[..., Line]) -> None:
    """Eight hours behind after a power cut, as a board without a clock of its own starts: what comes is dated ahead and
    suspect. Two readings agree with the clock once it is set, and all of it is looked at again."""
    clock = clock_at(BEGIN_MS - 8 * HOUR_MS)
    line = make(SITE, clock=clock)
    live(line, clock, {20: 8 * HOUR_MS})
    seen = line.stores.store.observations(["s1/w1/rain"], 0, 2**61)
    assert len(seen) == SLOTS and 3 not in set(seen["flag"])
    assert (seen["received_at_ms"] >= seen["measured_at_ms"] - SLOT_MS).all()


def test_one_reading_of_2199_makes_no_probe_heard(make: Callable[..., Line]) -> None:
    """It is kept and suspect; the last answer is the one before it, nothing is learned of centuries, and the silence of
    its probe is told."""
    clock = clock_at(BEGIN_MS)
    line = make(SITE, clock=clock)
    far_ms = 7_226_582_400_000  # 2199-01-01
    first = small_record(8)
    line.send_batch(first)
    line.send_batch([reading(len(first) + 1, "s1/p1/moisture", far_ms, 18.0)])
    clock.go_on(8 * SLOT_MS)
    line.run_until_quiet()
    for _ in range(16):
        clock.go_on(SLOT_MS)
        line.run_until_quiet()
    store = line.stores.store
    far = store.observations(["s1/p1/moisture"], far_ms, far_ms + 1)
    assert far["flag"].tolist() == [3] and far["raw"].tolist() == [18.0]
    last = store.last_answers(["s1/p1/moisture"], clock.now_ms() + SLOT_MS)
    assert last["measured_at_ms"].tolist() == [START_MS + 7 * SLOT_MS]
    assert sorted(a.probe for a in line.open_alerts() if a.rule == "probe_fault") == ["p1", "w1"]
    assert store.findings("s1/p1/moisture", None, START_MS + 40 * DAY_MS, 2**61).empty
