"""What each condition is worth in each hour, worked out from probes, weather, diary and fixtures."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from pipeline.advice.conditions import (
    CONDITIONS,
    Hours,
    Row,
    Verdict,
    growth_now,
)
from pipeline.diary.facts import (
    DatedPass,
    DiaryFacts,
    Sight,
)
from pipeline.site.passes import Bounds
from pipeline.units import DAY_MS, HOUR_MS
from tests.pipeline.advice.window_series import (
    AT_MS,
    FIRST_DAY_MS,
    NOW_MS,
    PLANS,
    SIGHTS,
    days,
    good_hours,
    hour,
    look,
    now_of,
    series,
)

NAN = float("nan")
LONDON = ZoneInfo("Europe/London")
OPEN, WAIT, CLOSED, UNKNOWN = Verdict
FREE = Bounds()


@pytest.mark.parametrize(
    ("condition", "window_h", "event_h", "seen"),
    [
        ("rain_ahead", 48, 47, True),
        ("rain_ahead", 48, 48, False),
        ("rain_ahead", 48, 0, True),
        ("rain_ahead", 48, -1, False),
        ("surface_minimum_ahead", 168, 167, True),
        ("surface_minimum_ahead", 168, 168, False),
        ("surface_minimum_back", 48, -47, True),
        ("surface_minimum_back", 48, -48, False),
        ("surface_minimum_back", 48, 0, True),
        ("soil_temperature_cool", 24, -23, True),
        ("soil_temperature_cool", 24, -24, False),
    ],
)
def test_a_window_sees_its_first_and_last_hour_and_no_more(condition, window_h, event_h, seen):
    """An event in the outermost hour counts, one an hour further does not (definition of the window)."""
    changed = {f"{'h' if event_h >= 0 else 'b'}{abs(event_h)}": 99.0 if condition[0] == "r" else -99.0}
    name = {"r": "rain_mm", "s": "surface_temperature_degc"}[condition[0]]
    name = "soil_temperature_degc" if condition.startswith("soil") else name
    still, spoilt = good_hours(), good_hours(**{name: series(good_hours().of(name)[0], **changed)})
    row = Row(FREE, window_h, "typed")
    before, after = (CONDITIONS[condition].value(row, h, PLANS)[hour(0)] for h in (still, spoilt))
    assert (before != after) == seen


def test_sums_and_means_are_those_of_their_hours():
    """Rain of 48 hours is summed, soil temperature of 24 averaged, its change is over a week (algebra)."""
    rain = good_hours(rain_mm=series(0.5))
    assert CONDITIONS["rain_ahead"].value(Row(FREE, 48, ""), rain, PLANS)[hour(0)] == pytest.approx(24.0)
    drizzle = good_hours(rain_mm=series(0.049))
    assert CONDITIONS["rain_on_day"].value(Row(FREE, 12, ""), drizzle, PLANS)[hour(0)] == 0.0
    rising = good_hours(soil_temperature_degc=10.0 + np.arange(AT_MS.size) / 24.0)
    mean = CONDITIONS["soil_temperature_cool"].value(Row(FREE, 24, ""), rising, PLANS)[hour(0)]
    assert mean == pytest.approx(10.0 + (hour(0) - 11.5) / 24.0)
    change = CONDITIONS["soil_temperature_change_warm"].value(Row(FREE, 168, ""), rising, PLANS)[hour(0)]
    assert change == pytest.approx(7.0)


def test_leaf_temperature_is_guarded_by_that_of_the_air():
    """Where no leaf is measured it is taken 3 K below the air: 3.4 degC in the night may be frost (common practice)."""
    air = good_hours(surface_temperature_degc=None, air_temperature_degc=series(12.0, b5=3.4))
    assert look(hours=air).windows[0].reason == "frost too short a time ago"
    mild = good_hours(surface_temperature_degc=None, air_temperature_degc=series(12.0, b5=3.5))
    assert now_of(look(hours=mild)) is OPEN


@pytest.mark.parametrize(
    ("leaf_degc", "dew_point_degc", "rain_mm", "hours_ago", "wet"),
    [
        (12.0, 5.0, 0.0, 0, 0),
        (5.0, 5.0, 0.0, 0, 1),
        (5.0, 5.0, 0.0, 2, 1),
        (5.0, 5.0, 0.0, 3, 0),
        (12.0, 5.0, 0.2, 0, 2),
        (12.0, 5.0, 0.19, 0, 0),
        (12.0, 5.0, 0.2, 2, 2),
        (12.0, 5.0, 0.2, 3, 0),
        (NAN, 5.0, 0.2, 0, 2),
        (NAN, 5.0, 0.0, 0, NAN),
        (12.0, NAN, 0.0, 1, NAN),
        (12.0, 5.0, NAN, 2, NAN),
    ],
)
def test_leaf_wetness_from_leaf_dew_point_and_rain(leaf_degc, dew_point_degc, rain_mm, hours_ago, wet):
    """Dew lies at or below the dew point (physics), rain wets the leaf, both stay 3 hours (our own choice)."""
    key = f"b{hours_ago}"
    hours = good_hours(
        surface_temperature_degc=series(12.0, **{key: leaf_degc}),
        dew_point_degc=series(5.0, **{key: dew_point_degc}),
        rain_mm=series(0.0, **{key: rain_mm}),
    )
    assert CONDITIONS["leaf_wetness"].value(Row(FREE, 0, ""), hours, PLANS)[hour(0)] == pytest.approx(wet, nan_ok=True)


def test_what_was_seen_decides_while_it_is_young():
    """Wheel marks close today and not tomorrow; the later of two looks counts."""
    marks = replace(PLANS, sights=(*SIGHTS, Sight("firmness", 2.0, NOW_MS + 1)))
    found = look(plans=marks)
    assert (found.windows[0].verdict, found.windows[0].reason) == (CLOSED, "the surface marks")
    assert found.verdicts[24] == CLOSED  # less than 24 hours old when the hour begins
    assert found.verdicts[25] == OPEN
    firm = replace(marks, sights=(*marks.sights, Sight("firmness", 0.0, NOW_MS + 2)))
    assert now_of(look(plans=firm)) is OPEN


def test_fixtures_set_lead_time_and_growth_to_come():
    """At 0.6 growth-days a day 21 days of lead give 12.6, short of 16: wait; 27 days give 16.2: open (algebra)."""
    near = look(plans=replace(PLANS, fixtures_ms=(NOW_MS + 21 * DAY_MS,))).windows[0]
    assert near.detail == "not enough growth before play to heal: 12.6 growth-days, wanted 16 or more"
    assert near.opens == "a longer gap in the fixtures; meanwhile one direction only"
    growth_ends = replace(PLANS, growth_end_ms=NOW_MS + 20 * DAY_MS, fixtures_ms=(NOW_MS + 40 * DAY_MS,))
    late = look(plans=growth_ends).windows[0]
    assert late.detail == "not enough growth left before it ends: 12 growth-days, wanted 16 or more"
    assert late.opens == "the next season of growth; meanwhile one direction only"
    assert now_of(look(plans=replace(PLANS, fixtures_ms=(NOW_MS + 27 * DAY_MS,)))) is OPEN
    early = look(plans=replace(PLANS, fixtures_ms=(NOW_MS + 13 * DAY_MS,))).windows[0]
    assert early.verdict is CLOSED
    past = replace(PLANS, fixtures_ms=(NOW_MS - HOUR_MS, NOW_MS + 27 * DAY_MS))
    assert now_of(look(plans=past)) is OPEN  # a match that has begun is not to come


def test_end_of_growth_and_the_ground_itself_bound_growth_to_come():
    """Growth that ends in 20 days leaves 12; a ground that needs 1.5 times as much has 10.7 of 16 (algebra)."""
    row = Row(FREE, 0, "")
    ending = replace(PLANS, growth_end_ms=NOW_MS + 20 * DAY_MS)
    assert CONDITIONS["growth_to_come"].value(row, good_hours(), ending)[hour(0)] == pytest.approx(12.0)
    slow = replace(PLANS, fixtures_ms=(NOW_MS + int(26.67 * DAY_MS),), heal_factor=1.5)
    assert CONDITIONS["growth_to_come"].value(row, good_hours(), slow)[hour(0)] == pytest.approx(10.67, abs=0.01)
    assert CONDITIONS["growth_to_come"].value(row, good_hours(), PLANS)[hour(0)] == pytest.approx(365 * 0.6)


def test_growth_now_is_the_mean_of_a_week():
    """Growth of 1 that began 3.5 days ago is 0.5 over 7 (algebra)."""
    half = days(0.0)
    half.values[(NOW_MS - FIRST_DAY_MS) // DAY_MS - 3 :] = 1.0
    found = growth_now(good_hours(), replace(PLANS, potential=half))
    # the day of now began 6 hours ago, and three whole days before it
    assert found[hour(0)] == pytest.approx((3.0 + 6.0 / 24.0) / 7.0)


def test_interval_and_strong_growth():
    """Verticutting comes round in 14 days, in 7 where growth is above 0.7 (common practice)."""
    week_ago = replace(PLANS, jobs_ms=(NOW_MS - 8 * DAY_MS,))
    assert now_of(look("verticutting", plans=week_ago)) is WAIT
    strong = replace(week_ago, potential=days(0.71))
    assert now_of(look("verticutting", plans=strong)) is OPEN
    at_edge = replace(week_ago, potential=days(0.7))
    assert now_of(look("verticutting", plans=at_edge)) is WAIT
    too_soon = replace(strong, jobs_ms=(NOW_MS - 6 * DAY_MS,))
    assert now_of(look("verticutting", plans=too_soon)) is CLOSED


def test_two_scarifyings_a_year_are_enough():
    """Two done within 365 days close a third (common practice); one of them a day older does not count."""
    for first_ago, verdict in ((364, CLOSED), (366, OPEN)):
        jobs = (NOW_MS - first_ago * DAY_MS, NOW_MS - 60 * DAY_MS)
        assert now_of(look(plans=replace(PLANS, jobs_ms=jobs))) is verdict


def test_one_job_in_several_directions_counts_once():
    """Three directions within two days are one job as old as the last; a week later is another."""
    day = DAY_MS
    passes = tuple(DatedPass("slitting", "standard", at_ms, at_ms) for at_ms in (9 * day, 2 * day - 1, day, 0))
    assert DiaryFacts(made=passes).jobs_ms("slitting", "standard", NOW_MS) == (2 * day - 1, 9 * day)
    assert DiaryFacts().jobs_ms("slitting", "standard", NOW_MS) == ()


def test_hours_that_are_none_are_refused():
    """Gaps, unknown names, wrong lengths and a now outside are named."""
    with pytest.raises(ValueError, match="consecutive whole hours"):
        Hours(AT_MS[::2], {}, 0)
    with pytest.raises(ValueError, match="found a series 'thatch'"):
        Hours(AT_MS, {"thatch": series(0.0)}, 0)
    with pytest.raises(ValueError, match=r"expected \(840,\)"):
        Hours(AT_MS, {"rain_mm": np.zeros(3)}, 0)
    with pytest.raises(ValueError, match="within the hours given"):
        look(now_ms=int(AT_MS[-1]) + HOUR_MS)
    with pytest.raises(ValueError, match="found scarifying 6mm"):
        look("scarifying", "6mm")
