"""Visits with the cone: pushes told apart, medians with their wetness, and no verdict where none can stand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hardware.probe import load_probe
from pipeline.diary.station import StationContext
from pipeline.stages.stage import Record
from pipeline.stages.strength import NOTHING_SO_HARD, STRENGTH, pushes_of
from pipeline.units import DAY_MS
from tests.pipeline.contexts import changed, station_context
from tests.pipeline.turf_days import HOUR_MS, MONDAY_MS

IDS = ("s1/cone/depth", "s1/cone/force")
CONTEXT = station_context("s1", {i: load_probe("cone_hard").channel(i.rsplit("/", 1)[1]) for i in IDS}, kind="square")
NOON_MS = MONDAY_MS + 12 * HOUR_MS
DEPTH_M = np.arange(0.0, 0.301, 0.01)


def visit(pushes, *, wetness=0.8, apart_ms=60_000, at_ms=NOON_MS) -> Record:
    """Pushes at each 10 mm, values in kPa, with the root zone as wet as said all day."""
    steps = np.arange(DEPTH_M.size)
    times = np.concatenate([at_ms + k * (apart_ms + DEPTH_M.size) + steps for k in range(len(pushes))])
    cells = MONDAY_MS + 900_000 * np.arange(96)
    return Record(
        {IDS[0]: (times, np.tile(DEPTH_M, len(pushes))), IDS[1]: (times, np.concatenate(pushes))},
        {"root_zone_wetness": (cells, np.full(96, wetness))},
    )


def rising(by: float = 0.0) -> np.ndarray:
    """400 kPa at the surface and 1 MPa more each 100 mm: 2 MPa at 160 mm (algebra)."""
    return 400.0 + 10_000.0 * DEPTH_M + by


FIVE = [rising(by) for by in (-200.0, -100.0, 0.0, 100.0, 200.0)]


def found(record: Record, context: StationContext = CONTEXT):
    return {f.quantity: f for f in STRENGTH.run(record, context, MONDAY_MS, MONDAY_MS + DAY_MS)}


def test_median_of_five_pushes_with_wetness_and_depth_to_two_megapascals():
    """Medians lie on the middle push, the spread is the other pushes', 2 MPa is met at 160 mm (algebra)."""
    one = found(visit(FIVE))
    at_100 = one["cone_resistance_100"]
    assert (at_100.value, at_100.low, at_100.high, at_100.n) == pytest.approx((1400.0, 1200.0, 1600.0, 5))
    assert one["cone_visit_wetness"].value == pytest.approx(0.8)
    limit = one["root_limit_depth"]
    assert limit.reason == "" and limit.value == pytest.approx(0.160)
    assert (limit.low, limit.high) == pytest.approx((0.140, 0.180))


def test_pushes_are_told_apart_by_time_and_by_a_depth_that_begins_again():
    """Minutes apart, or one straight after the other where the probe has no clock: five pushes either way."""
    for apart_ms in (60_000, 0):
        when, profiles = pushes_of(visit(FIVE, apart_ms=apart_ms), *IDS, MONDAY_MS, MONDAY_MS + DAY_MS)
        assert len(when) == len(profiles) == 5
    lifted = DEPTH_M.copy()
    lifted[10] -= 0.015  # a hand that gives way for a moment
    record = visit(FIVE[:1])
    record = replace(record, channels={**record.channels, IDS[0]: (record.channels[IDS[0]][0], lifted)})
    assert len(pushes_of(record, *IDS, MONDAY_MS, MONDAY_MS + DAY_MS)[1]) == 1


def test_a_stone_does_not_move_the_median():
    """9 MPa in one push at 100 mm, 1.4 in the others: the median of what is left is 1.4 MPa less 0.05 (by hand)."""
    pushes = [p.copy() for p in [*FIVE, rising()]]
    pushes[4][10] = 9000.0
    at_100 = found(visit(pushes))["cone_resistance_100"]
    assert (at_100.value, at_100.high, at_100.n) == pytest.approx((1400.0, 1500.0, 5))


@pytest.mark.parametrize(
    ("record", "context", "words"),
    [
        (visit(FIVE[:4]), CONTEXT, "only 4 good pushes of 5"),
        (visit(FIVE, wetness=0.4), CONTEXT, "too dry"),
        (visit(FIVE, wetness=np.nan), CONTEXT, "not known"),
        (visit(FIVE), changed(CONTEXT, plays=((NOON_MS + 13 * DAY_MS, NOON_MS + 14 * DAY_MS),)), "preparation"),
    ],
    ids=["few", "dry", "wetness unknown", "match in 13 days"],
)
def test_no_verdict_where_none_can_stand(record, context, words):
    """The depth to the limit is withheld with the reason; what was measured stands where there are pushes enough."""
    one = found(record, context)
    assert np.isnan(one["root_limit_depth"].value) and words in one["root_limit_depth"].reason
    assert np.isnan(one["cone_resistance_100"].value) == ("pushes" in words)


def test_preparation_is_of_squares_and_of_the_two_weeks_before_play():
    """Fifteen days before, after the match, and on an outfield the verdict stands."""
    match = ((NOON_MS + 15 * DAY_MS, NOON_MS + 16 * DAY_MS), (NOON_MS - 2 * DAY_MS, NOON_MS - DAY_MS))
    assert found(visit(FIVE), changed(CONTEXT, plays=match))["root_limit_depth"].reason == ""
    near = ((NOON_MS + DAY_MS, NOON_MS + 2 * DAY_MS),)
    assert found(visit(FIVE), changed(CONTEXT, plays=near, kind="outfield"))["root_limit_depth"].reason == ""


def test_soft_ground_is_at_least_so_deep():
    """Nowhere 2 MPa: the value is the deepest reading and the reason says at least."""
    limit = found(visit([0.4 * push for push in FIVE]))["root_limit_depth"]
    assert (limit.value, limit.reason) == (pytest.approx(0.300), NOTHING_SO_HARD) and np.isnan(limit.high)


def test_no_visit_no_finding():
    """A day without a push, and a push of the day after, leave nothing."""
    assert found(Record({}, {})) == {}
    assert found(visit(FIVE, at_ms=NOON_MS + DAY_MS)) == {}
