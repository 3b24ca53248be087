"""The schedule: slots of an hour-aligned grid, finer in rain. Expected slots by algebra and by hand on the calendar."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe_agent.schedule import (
    Cadence,
    Rain,
    due,
    interval_now_s,
    is_grid,
    next_due_ms,
    rain_after_amount,
    rain_after_total,
    slot_at,
)

USUAL = Cadence(900, 300, 3600)
TEN = round(datetime(2026, 3, 1, 10, tzinfo=UTC).timestamp())
GRIDS = st.sampled_from([i for i in range(1, 86401) if is_grid(i)])
TIMES_MS = st.integers(946_684_800_000, 4_102_444_800_000)
DRY = Rain()


def test_quarter_hours_are_due_on_the_quarter():
    """From 10:00 to 11:00 exactly the slots 10:00, :15, :30, :45 and 11:00 are read, each once (by hand)."""
    last, read = None, []
    for now_s in range(TEN, TEN + 3601):
        slot = due(USUAL, DRY, last, now_s * 1000 + 250)
        if slot is not None:
            read.append(slot - TEN)
            last = slot
    assert read == [0, 900, 1800, 2700, 3600]


@given(TIMES_MS, GRIDS)
def test_slot_is_newest_grid_time_not_in_the_future(now_ms, interval_s):
    """A slot lies on the grid of its day, not after now, and the next one would (algebra)."""
    slot = slot_at(now_ms, interval_s)
    assert slot * 1000 <= now_ms < (slot + interval_s) * 1000
    assert (slot % 86400) % interval_s == 0


@given(TIMES_MS, st.integers(1, 4000), GRIDS)
def test_only_newest_slot_is_read_after_a_long_sleep(now_ms, missed, interval_s):
    """However many slots were slept through, one is due, the newest, and then none."""
    cadence = Cadence(interval_s, interval_s, 0)
    last = slot_at(now_ms, interval_s) - missed * interval_s
    slot = due(cadence, DRY, last, now_ms)
    assert slot == slot_at(now_ms, interval_s)
    assert due(cadence, DRY, slot, now_ms) is None


@given(TIMES_MS, GRIDS)
def test_waiting_until_next_due_makes_a_slot_due(now_ms, interval_s):
    """At the time named as next a slot is due, one millisecond before none is."""
    cadence = Cadence(interval_s, interval_s, 0)
    last = due(cadence, DRY, None, now_ms)
    then_ms = next_due_ms(cadence, DRY, last, now_ms)
    assert due(cadence, DRY, last, then_ms) == then_ms // 1000
    assert due(cadence, DRY, last, then_ms - 1) is None


def test_clock_set_back_a_little_repeats_no_slot():
    """A time service's small step back over a slot reads nothing twice."""
    assert due(USUAL, DRY, TEN, TEN * 1000 - 1500) is None


def test_clock_set_back_far_reads_on():
    """A clock that stood in the future does not silence the node until that future comes."""
    assert due(USUAL, DRY, TEN + 10 * 86400, TEN * 1000) == TEN


def test_rain_shortens_the_interval_and_holds():
    """From the first rain to an hour after the last the grid is 5 minutes; then it is 15 again."""
    rain = rain_after_total(rain_after_total(DRY, "s/w/rain", 12.0, TEN * 1000), "s/w/rain", 12.2, (TEN + 900) * 1000)
    assert interval_now_s(USUAL, rain, (TEN + 900) * 1000) == 300
    assert due(USUAL, rain, TEN + 900, (TEN + 1200) * 1000) == TEN + 1200
    assert interval_now_s(USUAL, rain, (TEN + 900 + 3599) * 1000) == 300
    assert interval_now_s(USUAL, rain, (TEN + 900 + 3600) * 1000) == 900
    assert next_due_ms(USUAL, rain, TEN + 900, (TEN + 901) * 1000) == (TEN + 1200) * 1000


@pytest.mark.parametrize(
    ("before", "after", "rains"),
    [(None, 5.0, False), (5.0, 5.0, False), (5.0, 5.2, True), (5.0, 0.0, False), (5.0, 0.4, True)],
)
def test_running_total_tells_rain_by_its_rise(before, after, rains):
    """The first total says nothing; a rise is rain; a sensor started again has seen what it shows."""
    rain = DRY if before is None else rain_after_total(DRY, "s/w/rain", before, 0)
    assert (rain_after_total(rain, "s/w/rain", after, 1000).last_rain_ms is not None) is rains


def test_zero_amount_is_no_rain():
    """0 mm is a number, not a missing one, and does not count as rain."""
    assert rain_after_amount(DRY, 0.0, 1000) == DRY
    assert rain_after_amount(DRY, 0.2, 1000).last_rain_ms == 1000


@pytest.mark.parametrize(
    ("interval_s", "good"), [(1, True), (900, True), (7, False), (0, False), (5400, False), (7200, True)]
)
def test_grid_must_divide_the_hour_or_the_day(interval_s, good):
    """Intervals that would wander over the hour are refused (by division)."""
    assert is_grid(interval_s) is good
