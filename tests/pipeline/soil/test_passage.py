"""The share that passed the thatch: each way by algebra, and how both are joined where one of them is blind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.soil.layers import medium
from pipeline.soil.passage import (
    CROP,
    FROM_SOIL,
    FROM_THATCH,
    OneWay,
    SurfaceWater,
    ThatchRead,
    air_took,
    course_of,
    deep_flow_mm,
    from_above,
    from_below,
    joined,
    last_good,
    straight,
)
from pipeline.units import FloatArray

NAN = float("nan")
COUNT, WET, DRY_AGAIN = 200, 100, 108  # cells of a quarter hour: water falls in those from 100 to 107
CELLS = np.arange(COUNT)
THATCH_MM = 7.5 + 4.0 * (CELLS >= WET) - 3.0 * (CELLS >= 140)  # of 20 mm: neither dry nor full
SOIL_MM = 40.0 + 5.0 * (CELLS >= 104) + 3.0 * (CELLS >= 140)


def course(
    soil_mm: FloatArray = SOIL_MM,
    thatch_mm: FloatArray | None = THATCH_MM,
    *,
    evaporation_mm: FloatArray | float = 0.0,
    given_mm: float = 10.0,
    deepest: FloatArray | None = None,
):
    """Ten millimetres given in two hours; both layers read every quarter hour, the deepest probe at .20 throughout."""
    water = given_mm * ((CELLS >= WET) & (CELLS < DRY_AGAIN)) / (DRY_AGAIN - WET)
    return course_of(
        soil_mm,
        np.full(COUNT, 0.20) if deepest is None else deepest,
        None if thatch_mm is None else ThatchRead(thatch_mm, 0.020, medium("decayed_thatch")),
        SurfaceWater(water, np.broadcast_to(np.asarray(evaporation_mm, dtype=np.float64), CELLS.shape)),
        before=slice(WET - 40, WET + 1),
        rained=DRY_AGAIN,
        last=COUNT - 1,
    )


def test_leaves_fill_first_and_dry_first():
    """.6 and .8 mm fall on leaves that hold 1; .5, then .5, then .5 is asked: .5 and .5 come from the leaf, then there
    is .0 left and the rest is shared by thatch and soil (algebra)."""
    took = air_took(np.array([0.6, 0.0, 0.8, 0.0, 0.0]), np.array([0.0, 0.5, 0.0, 0.5, 1.0]) / CROP)
    assert took.leaf_mm == pytest.approx([0.0, 0.5, 0.0, 0.5, 0.4])  # .6 - .5 + .8 = .9; .9 - .5 = .4
    assert took.left_on_leaf_mm == pytest.approx([0.6, 0.1, 0.9, 0.4, 0.0])
    assert took.thatch_mm == pytest.approx([0.0, 0.0, 0.0, 0.0, 0.6 * FROM_THATCH])
    assert took.soil_mm == pytest.approx([0.0, 0.0, 0.0, 0.0, 0.6 * FROM_SOIL])


def test_evaporation_that_is_not_known_is_taken_as_usual_with_a_wider_error():
    """Two millimetres a day, give or take as much (stated in the module): wider than the same, known."""
    usual = from_above(10.0, 0.5, course(evaporation_mm=2.0 / 96.0), noise=0.0, slope=0.0)
    guess = from_above(10.0, 0.5, course(evaporation_mm=NAN), noise=0.0, slope=0.0)
    assert guess.value == pytest.approx(usual.value) and guess.deviation > usual.deviation


def test_from_above_is_what_did_not_stay_above():
    """Of 10 mm the leaf holds 1 and the thatch 1 more than before: 8 passed (algebra). Evaporation in the last cells
    takes the millimetre from the leaf and .3 of the rest from the thatch: so much less passed."""
    way = from_above(10.0, 0.5, course(), noise=0.0, slope=0.0)
    assert way.value == pytest.approx(8.0)
    late = np.where(CELLS >= COUNT - 21, 2.4 / 20.0, 0.0)
    way = from_above(10.0, 0.5, course(evaporation_mm=late), noise=0.0, slope=0.0)
    assert way.value == pytest.approx(8.0 - FROM_THATCH * (2.4 * CROP - 1.0))


def test_water_on_the_leaves_counts_up_to_the_last_reading_and_no_further():
    """Ten millimetres more fall in the cell that begins at the last reading, after the air has dried the leaves: what
    they hold of it is no part of the account, which was over (algebra: nothing that was read has changed)."""
    dried = np.where((CELLS >= 150) & (CELLS < 180), 2.4 / 20.0, 0.0)
    one = course(evaporation_mm=dried)
    water = one.water_mm + 10.0 * (CELLS == COUNT - 1)
    later = replace(one, water_mm=water, air=air_took(water, dried))
    assert later.air.left_on_leaf_mm[-1] == 1.0 and one.air.left_on_leaf_mm[-1] == 0.0
    assert [from_above(10.0, 0.5, c, noise=0.0, slope=0.0).value for c in (later, one)] == pytest.approx(
        2 * [8.0 - FROM_THATCH * (30.0 * 0.12 * CROP - 1.0)]
    )


def test_from_below_is_the_same_whenever_it_is_struck():
    """The soil gains 5 mm with the water and 3 later, as the thatch lets go 3: 8 passed, by then or since (algebra)."""
    way = from_below(course(), noise_mm=0.0, slope=0.0, felt=0.01)
    assert way.value == pytest.approx(8.0)
    at_once = from_below(course(SOIL_MM + 3.0 * ((CELLS >= 104) & (CELLS < 140)), None), noise_mm=0, slope=0, felt=0.01)
    assert at_once.value == pytest.approx(8.0)
    late = np.where(CELLS >= COUNT - 21, 2.4 / 20.0, 0.0)  # takes .3 of what the leaf does not give from the thatch
    dried = from_below(course(evaporation_mm=late), noise_mm=0.0, slope=0.0, felt=0.01)
    assert dried.value == pytest.approx(8.0 - FROM_THATCH * (2.4 * CROP - 1.0))


def test_water_past_the_deepest_probe_is_judged_by_what_the_ground_loses_as_wet():
    """Ground at .30 loses .4 mm a quarter hour after the rain, at .20 nothing before it: sixty quarter hours at .30 let
    24 mm by (algebra)."""
    deepest = np.where(CELLS < 90, 0.20, 0.30)
    soil = 40.0 + 5.0 * (CELLS >= 104) - 0.4 * np.maximum(CELLS - DRY_AGAIN, 0)
    one = course(soil, None, deepest=deepest)
    flow = deep_flow_mm(one)
    assert flow[:80] == pytest.approx(0.0) and flow[95:] == pytest.approx(0.4)
    alike = deep_flow_mm(course(soil, None))  # at one content it is the mean of dry and wet stretches alike
    assert np.ptp(alike) == 0.0 and 0.1 < alike[0] < 0.3


def test_both_ways_are_joined_by_their_variances():
    """From above 8 mm with a deviation of 1, from below 6 with 2: (8 + 6 / 4) / (1 + 1 / 4) = 7.6 of 10 mm, deviation
    sqrt(.8) (normal errors, each way sure to see all)."""
    share, chance = joined(10.0, OneWay(6.0, 2.0, 1e-6), OneWay(8.0, 1.0, 0.0))
    assert share.value == pytest.approx(0.76, abs=0.003) and share.n == 2
    assert (share.high - share.low) / 2.0 == pytest.approx(1.645 * np.sqrt(0.8) / 10.0, abs=0.003)
    assert chance.value == pytest.approx(0.0368, abs=0.004)  # normal: 1.789 deviations above .6


def test_thatch_that_stood_full_leaves_the_soil_to_tell():
    """40 mm given, 38 by what was not kept, 12 by what the soil gained: 26 ran off where the thatch stood full; where
    it did not and the deepest probe felt the water, they went by unseen (signs by algebra)."""
    soil = OneWay(12.0, 1.0, 1.0)
    shed, chance = joined(40.0, soil, OneWay(38.0, 2.0, 0.9))
    assert shed.value < 0.4 and shed.low == pytest.approx(0.28, abs=0.03) and chance.value > 0.9
    through, chance = joined(40.0, soil, OneWay(38.0, 2.0, 0.0))
    assert through.value > 0.85 and chance.value < 0.01


def test_run_off_is_likely_where_the_thatch_stood_full_or_was_dry():
    """Decayed thatch of 20 mm holds 13 mm when saturated and 7 when drained (the medium's low ends, .65 and .35)."""
    drier, fuller = course(thatch_mm=THATCH_MM - 1.0), course(thatch_mm=THATCH_MM + 0.5)
    chance = [from_above(10.0, 0.5, one, noise=0.0, slope=0.0).unseen for one in (course(), drier, fuller)]
    assert chance[0] < chance[1] < chance[2]
    assert [one.stood_full for one in (course(), drier, fuller)] == [False, False, True]
    assert fuller.settled == 140 and drier.settled == DRY_AGAIN  # full thatch may have water on it until it falls


def test_neither_way_sees_and_nothing_is_told():
    """Water ran along the probes while the thatch stood full: no share, with both reasons; thatch that was not full
    still tells from above."""
    blind = OneWay(NAN, NAN, 0.0, "water was at all depths at once")
    share, chance = joined(10.0, blind, OneWay(8.0, 1.0, 0.9))
    assert share.withheld and chance.withheld and share.reason.startswith(blind.reason) and "full" in share.reason
    share, _ = joined(10.0, blind, OneWay(8.0, 1.0, 0.05))
    assert share.value == pytest.approx(0.8, abs=0.02) and share.n == 1


def test_two_ways_that_contradict_each_other_are_less_sure():
    """The soil gained 9 mm and 4 came down to it: between both, and wider than each alone says (sign by algebra)."""
    share, _ = joined(10.0, OneWay(9.0, 0.5, 1e-6), OneWay(4.0, 0.5, 0.0))
    assert share.value == pytest.approx(0.65, abs=0.01) and share.high - share.low > 3.29 * 0.05


@pytest.mark.parametrize(("way", "end"), [(OneWay(-6.0, 0.5, 0.05), 0.0), (OneWay(16.0, 0.5, 0.05), 1.0)])
def test_share_stays_between_nothing_and_all(way, end):
    """Thatch that gained more than was given, or gave up its own water: nothing or all, whatever the sum says."""
    share, chance = joined(10.0, OneWay(NAN, NAN, 0.0, "not read"), way)
    assert 0.0 <= share.low <= share.value <= share.high <= 1.0
    assert share.value == end and chance.value == pytest.approx(1.0 - end, abs=0.05)  # the chance that some ran off


def test_probes_read_every_four_hours_tell_the_same():
    """Readings at every sixteenth cell stand for an hour and are joined by lines: within a millimetre of all (the lines
    lag the steps by two hours at most)."""
    seldom = np.where(CELLS % 16 < 4, 1.0, NAN)
    every, few = (from_below(course(SOIL_MM * k, THATCH_MM * k), noise_mm=0, slope=0, felt=0.01) for k in (1.0, seldom))
    assert few.value == pytest.approx(every.value, abs=1.0)


def test_gaps_of_more_than_six_hours_stay_open():
    """A line over five hours, none over seven, none before the first value; the last stands for six (algebra)."""
    values = np.array([NAN] * 4 + [1.0] * 4 + [NAN] * 20 + [2.0] * 4 + [NAN] * 28 + [3.0] * 4 + [NAN] * 30)
    found = straight(values)
    assert np.isnan(found[:4]).all() and found[18] == pytest.approx(1.0 + 11.0 / 21.0)
    assert np.isnan(found[33:59]).all() and found[64] == 3.0 and np.isnan(found[-1])


def test_last_good_is_the_middle_of_three():
    """Of 1, 9, 2 and a gap the middle is 2; of one or two the mean; of none NaN."""
    assert last_good(np.array([5.0, 1.0, 9.0, 2.0, NAN])) == 2.0
    assert last_good(np.array([1.0, NAN, 2.0])) == 1.5 and np.isnan(last_good(np.array([NAN])))
