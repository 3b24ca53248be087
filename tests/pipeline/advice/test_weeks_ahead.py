"""The weeks ahead: which weeks there are, and what shuts or opens them for certain.

Expected weeks follow from the calendar and from the rows of treatments.csv; how good the chances are is the business
of tests/bench/bench_weeks.py.
"""

import datetime

import numpy as np
import pytest

from pipeline.advice.advisor import surface_weeks
from pipeline.advice.weeks_ahead import WEEKS_AHEAD, Week, _has_work, best_week
from pipeline.units import DAY_MS
from tests.pipeline.advice.told_site import MONTHS_OF_15, calendar
from tests.pipeline.kept_site import NOW_MS, SITE, SURFACE, station


def _months(lowest: int, highest: int) -> str:
    """A climate of alike months, of which the air asks for water."""
    rain = MONTHS_OF_15.split("highest")[0]
    return f"{rain}highest_degc = {[highest] * 12}\nlowest_degc = {[lowest] * 12}\n"


MILD, COLD = _months(10, 20), _months(-2, 4)
SATURDAY_MS = NOW_MS - datetime.datetime.fromtimestamp(NOW_MS / 1000, datetime.UTC).weekday() * DAY_MS + 5 * DAY_MS


def weeks(site, fixtures=None):
    """The weeks of every pass of the site's surface, by kind and variant."""
    found = surface_weeks(
        site.config, site.stores.store, site.stores.diary, NOW_MS, site.config.surfaces[0], fixtures=fixtures
    )
    return {one.intent.kind: one.weeks for one in found.passes}, found


@pytest.fixture(scope="module")
def mild(fair):
    """Every month between 10 and 20 degC."""
    return fair.told(SITE, MILD, SURFACE, station())


@pytest.fixture(scope="module")
def free(mild):
    """Its weeks with no play in sight."""
    return weeks(mild)


def test_sixteen_weeks_begin_with_the_monday_before_the_tenth_day(free):
    """No gap to the ten days that the windows reach, and Mondays from there on."""
    tenth = datetime.datetime.fromtimestamp(NOW_MS / 1000, datetime.UTC).date() + datetime.timedelta(days=10)
    for each in free[0].values():
        days = [week.first for week in each]
        assert len(days) == WEEKS_AHEAD and days[0] <= tenth < days[1]
        assert all(day.weekday() == 0 for day in days) and days[-1] - days[0] == datetime.timedelta(
            weeks=WEEKS_AHEAD - 1
        )


def test_mild_weather_without_play_leaves_scarifying_open(free):
    """15 degC is within its 10 to 20: wetness alone shuts a week; a chance is never more than the days expected."""
    each = free[0]["scarifying"]
    assert max(week.chance for week in each) > 0.0
    assert all(week.chance <= week.days + 1e-9 and week.days <= 7.0 for week in each)
    assert {week.binding for week in each} <= {"thatch_wetness", "root_zone_wetness"}
    assert free[1].reason == ""


def test_play_every_saturday_shuts_what_needs_three_weeks_and_not_the_brush(mild):
    """Scarifying asks for 21 days before play (14 at the least), verticutting for three, brushing for none."""
    every = calendar(*(SATURDAY_MS + n * 7 * DAY_MS for n in range(30)))
    found, _ = weeks(mild, every)
    assert {(week.chance, week.binding) for week in found["scarifying"]} == {(0.0, "lead_time")}
    assert all(week.reason == "too near the next fixture" for week in found["scarifying"])
    assert max(week.chance for week in found["light_raking"]) > 0.5


def test_cold_months_shut_seed_and_say_so(fair):
    """At 1 degC seed waits for soil of 10 degC all through, however wet the thatch is beside."""
    found, _ = weeks(fair.told(SITE, COLD, SURFACE, station()))
    last = found["overseeding"][-1]
    assert (last.chance, last.days, last.reason) == (0.0, 0.0, "soil too cold")


def test_without_a_climate_no_week_is_told(fair):
    """Why is said instead."""
    found, whole = weeks(fair.told(SITE, SURFACE, station()))
    assert found == {} and "[climate]" in whole.reason


@pytest.mark.parametrize(("hours", "fit"), [([6], True), ([5, 5], False), ([3, 6], True), ([], False)])
def test_day_of_work_has_six_open_hours_in_a_row(hours, fit):
    """Six in a row of a dozen, as of the days ahead: by hand."""
    row = np.zeros(12, dtype=np.bool_)
    at = 0
    for run in hours:
        row[at : at + run] = True
        at += run + 1
    assert _has_work(row[:, np.newaxis]).tolist() == [fit]


def test_best_week_is_the_first_within_a_tenth_of_the_best():
    """By hand; under three in ten none is named."""
    day = datetime.date(2026, 9, 7)
    each = [Week(day + datetime.timedelta(weeks=n), c, c) for n, c in enumerate((0.2, 0.75, 0.8, 0.1))]
    assert best_week(each) is each[1]
    assert best_week([each[0], each[3]]) is None
    assert best_week([Week(day, 0.25, 0.25)]) is None  # told as 2 in 10
    low = [Week(day, 0.2, 0.2), Week(day, 0.27, 0.27)]
    assert best_week(low) is low[1]  # 2 in 10 is not named beside it
    assert best_week([]) is None


def test_a_lock_of_the_season_shuts_its_weeks_by_name(fair):
    """A square counts as in use from April to September: it is not tined then, from May on for sixteen weeks."""
    square = SURFACE.replace('kind = "green"', 'kind = "square"')
    found, _ = weeks(fair.told(SITE, MILD, square, station()))
    assert {(week.chance, week.reason) for week in found["solid_tining"]} == {(0.0, "square in season")}
