"""Healing days, last good dates and what marks teach, against a table computed apart from the code, and algebra."""

import datetime
import math

import numpy as np
import pytest

from pipeline.advice.healing import (
    Growth,
    HealedMark,
    early_end_of_growth,
    end_of_growth,
    growth_ahead,
    healed_dates,
    last_good_date,
    last_sowing,
    learned_factor,
    light_factor,
    moisture_factor,
    spread_potential,
)
from pipeline.forecast.climatology import (
    Daily,
    history_climate,
    monthly_climate,
)
from pipeline.units import DAY_MS, day_of_date

# Monthly means of southern England, January first, from memory. [degC]
MONTHS = (5.0, 5.2, 7.2, 9.4, 12.5, 15.4, 17.6, 17.4, 14.9, 11.5, 7.8, 5.4)
SOIL_OVER_AIR_K = 1.0  # soil at 50 mm under turf in autumn, from memory
STARTS = ((4, 1), (5, 1), (6, 1), (8, 15), (9, 1), (9, 10), (9, 20), (10, 1))
NEEDS = (6.0, 12.0, 20.0, 30.0)
# Days to reach each need from those means, without spread, computed independently beforehand.
WITHOUT_SPREAD = (
    (34, 50, 66, 80), (18, 31, 44, 57), (10, 19, 29, 41), (7, 15, 25, 41),
    (9, 18, 33, 77), (10, 21, 44, 210), (12, 28, 148, 231), (17, 60, 204, 235),
)  # fmt: skip


def date(month: int, day: int, year: int = 2026) -> datetime.date:
    return datetime.date(year, month, day)


def mean_of(day: datetime.date) -> float:
    """Mean of a day: linear between mid-months, a month's middle being half its length, the day taken at noon."""

    def middle(year: int, month: int) -> float:
        first = datetime.date(year, month, 1)
        following = datetime.date(year + month // 12, month % 12 + 1, 1)
        return (first.toordinal() + following.toordinal()) / 2.0

    at = day.toordinal() + 0.5
    this = middle(day.year, day.month)
    step = 1 if at >= this else -1
    other_month = (day.month - 1 + step) % 12 + 1
    other_year = day.year + (day.month - 1 + step) // 12
    share = (at - this) / (middle(other_year, other_month) - this)
    return MONTHS[day.month - 1] + share * (MONTHS[other_month - 1] - MONTHS[day.month - 1])


def growth_of(mean_degc: float, spread_degc: float) -> float:
    """Growth potential of a cool-season day, averaged over a normal spread by the trapezoid rule on 401 points."""

    def potential(degc: float) -> float:
        return math.exp(-0.5 * ((degc - 20.0) / 5.5) ** 2)

    if spread_degc == 0.0:
        return potential(mean_degc)
    points = [-6.0 + 12.0 * k / 400 for k in range(401)]
    weights = [math.exp(-0.5 * z * z) for z in points]
    total = sum(w * potential(mean_degc + spread_degc * z) for w, z in zip(weights, points, strict=True))
    return total / sum(weights)


def days_by_hand(start: datetime.date, need: float, spread_degc: float) -> int:
    grown, days = 0.0, 0
    while grown < need:
        days += 1
        grown += growth_of(mean_of(start + datetime.timedelta(days=days)), spread_degc)
    return days


def days_found(start: datetime.date, need: float, spread_degc: float) -> int:
    climate = monthly_climate(MONTHS, day_to_day_degc=spread_degc)
    growth = growth_ahead(start, [], climate, "cool", year_to_year_degc=0.0)
    found = healed_dates(growth, start, (need, need))
    assert found.earliest == found.likely == found.latest  # nothing is uncertain here
    assert found.likely is not None
    return (found.likely - start).days


@pytest.mark.parametrize("start", STARTS, ids=lambda s: f"{s[1]}-{s[0]}")
@pytest.mark.parametrize("spread_degc", [0.0, 2.5])
def test_healing_days_are_those_of_an_independent_table(start, spread_degc):
    """From each start, with and without spread, days to heal lie within 3 days or 10 % of a sum done in this file.

    Interpolation here and there: linear between mid-months. The code's year is always a leap year, which shifts a date
    by a day at most; 3 days or 10 % is what a groundsman would not notice.
    """
    for need, published in zip(NEEDS, WITHOUT_SPREAD[STARTS.index(start)], strict=True):
        by_hand, found = days_by_hand(date(*start), need, spread_degc), days_found(date(*start), need, spread_degc)
        assert abs(found - by_hand) <= max(3.0, 0.1 * by_hand)
        if spread_degc == 0.0:
            assert abs(found - published) <= max(3.0, 0.1 * published)


def test_spread_softens_the_cliff_of_september():
    """Waiting from 10 to 20 September costs 107 days without spread and far fewer with it (computed independently)."""
    hard = days_found(date(9, 20), 20.0, 0.0) - days_found(date(9, 10), 20.0, 0.0)
    soft = days_found(date(9, 20), 20.0, 2.5) - days_found(date(9, 10), 20.0, 2.5)
    assert hard > 90
    assert 20 < soft < 50


def test_known_days_stand_before_the_climate():
    """Forty forecast days at the optimum heal forty growth-days in forty days in the depth of winter (algebra)."""
    growth = growth_ahead(date(1, 1), [20.0] * 41, monthly_climate(MONTHS), "cool")
    assert healed_dates(growth, date(1, 1), (40.0, 40.0)).latest == date(2, 10)
    assert growth.potential[:41] == pytest.approx(np.ones(41))
    assert growth.potential[41] < 0.1
    gap = growth_ahead(date(1, 1), [20.0, math.nan, 20.0], monthly_climate(MONTHS), "cool", days=3)
    assert gap.potential[1] < 0.1  # an unknown day is taken from the climate


def test_earliest_and_latest_enclose_the_likely_day():
    """A range of need and of years to come gives three dates in order; the pass day itself when nothing is to heal."""
    growth = growth_ahead(date(9, 1), [], monthly_climate(MONTHS), "cool")
    found = healed_dates(growth, date(9, 1), (12.0, 20.0))
    assert found.earliest < found.likely < found.latest
    assert healed_dates(growth, date(9, 1), (0.0, 0.0)).latest == date(9, 1)
    assert healed_dates(growth, date(9, 1), (1e6, 1e6)).likely is None
    with pytest.raises(ValueError, match="expected 2026-09-01 or later"):
        healed_dates(growth, date(8, 30), (1.0, 1.0))


def flat(per_day: float, days: int = 200) -> Growth:
    series = np.full(days, per_day)
    return Growth(date(3, 1), series, series, series * 0.8, series * 1.25, series * 0.8)


def test_last_good_date_by_algebra():
    """At half a growth-day a day, 10 growth-days before play on 1 May need the 20 days to 30 April: 10 April."""
    found = last_good_date(flat(0.5), (10.0, 10.0), date(5, 1), from_day=date(3, 1))
    assert found.likely == date(4, 10)
    assert found.safe == date(4, 5)  # at 0.4 a day it takes 25
    assert not found.by_lead_time
    assert last_good_date(flat(0.5), (10.0, 10.0), date(5, 1), from_day=date(3, 1), factor=2.0).likely == date(3, 21)


def test_last_good_date_moves_with_the_fixture_and_is_bound_by_lead_time():
    """A fixture a day later moves it a day; 28 days of lead bind before 20 days of growth; too late is None."""
    later = last_good_date(flat(0.5), (10.0, 10.0), date(5, 2), from_day=date(3, 1))
    assert later.likely == date(4, 11)
    bound = last_good_date(flat(0.5), (10.0, 10.0), date(5, 1), from_day=date(3, 1), lead_days=28.0)
    assert bound.likely == bound.safe == date(4, 3)
    assert bound.by_lead_time
    same = last_good_date(flat(0.5), (10.0, 10.0), date(5, 1), from_day=date(3, 1), lead_days=21.0)
    assert (same.likely, same.by_lead_time) == (date(4, 10), False)  # both bind on one day: growth is told
    late = last_good_date(flat(0.5), (10.0, 10.0), date(5, 1), from_day=date(4, 11))
    assert late.likely is late.safe is None
    last_day = last_good_date(flat(0.5), (10.0, 10.0), date(5, 1), from_day=date(4, 10))
    assert last_day.likely == date(4, 10)
    assert last_good_date(flat(0.5), (0.0, 0.0), date(5, 1), from_day=date(3, 1)).likely == date(4, 30)
    with pytest.raises(ValueError, match="within the growth given"):
        last_good_date(flat(0.5), (1.0, 1.0), date(12, 1), from_day=date(3, 1))


def test_last_good_date_and_healed_date_agree():
    """A pass on the last good date is healed by the eve of play, one a day later is not (one law, two ways)."""
    growth = growth_ahead(date(8, 1), [], monthly_climate(MONTHS), "cool")
    for need in NEEDS:
        last = last_good_date(growth, (need, need), date(11, 1), from_day=date(8, 1)).likely
        assert last is not None
        assert healed_dates(growth, last, (need, need)).likely <= date(10, 31)
        assert healed_dates(growth, last + datetime.timedelta(days=1), (need, need)).likely > date(10, 31)


def test_growth_ends_when_its_week_falls_below_a_tenth():
    """Growth of 1 for 100 days, then none: the mean of 7 days is 1/7 on the 6th day without, 0 on the 7th (algebra)."""
    series = np.concatenate([np.ones(100), np.zeros(100)])
    growth = Growth(date(3, 1), series, series, series, series, series)
    end = end_of_growth(growth, date(3, 1))
    assert end == date(3, 1) + datetime.timedelta(days=106)
    assert end_of_growth(growth, end) == end
    assert end_of_growth(growth, end + datetime.timedelta(days=1)) is None
    assert end_of_growth(flat(0.5), date(3, 1)) is None


def test_a_cold_week_in_spring_ends_no_season():
    """Growth of 0.3, eight days of 0.02, then 0.3 again for 100 days, then none: only the last is the end (algebra).

    The mean of the week falls below a tenth on the 5th cold day; in autumn on the 5th day without growth.
    """
    series = np.concatenate([np.full(30, 0.3), np.full(8, 0.02), np.full(100, 0.3), np.zeros(60)])
    growth = Growth(date(3, 1), series, series, series, series, series)
    assert end_of_growth(growth, date(3, 10)) == date(3, 1) + datetime.timedelta(days=138 + 4)


def test_safe_date_is_healed_by_the_end_of_growth_of_cold_weeks():
    """Growth of 0.5 a day for 60 days, in cold weeks for 40; then 0.05, which is growth no more: it has ended on the
    7th day so low, the mean of a week having fallen to 0.05 (to 0.11 on the 6th). What grows after that does not count:
    6 days of 0.05 and 4 of 0.5 make 2.3 growth-days in cold weeks, those after day 35 (algebra)."""
    usual = np.concatenate([np.full(60, 0.5), np.full(60, 0.05)])
    cold = np.concatenate([np.full(40, 0.5), np.full(80, 0.05)])
    growth = Growth(date(3, 1), usual, usual, cold, usual, cold)
    first = date(3, 1)
    end = end_of_growth(growth, first)
    early = early_end_of_growth(growth, first, end)
    assert [(one - first).days for one in (end, early)] == [66, 46]
    found = last_good_date(
        growth, (2.3, 2.3), first + datetime.timedelta(days=66), from_day=first,
        safe_needed_on=first + datetime.timedelta(days=46),
    )  # fmt: skip
    assert [(d - first).days for d in (found.safe, found.likely)] == [35, 55]


def test_after_a_cold_week_the_early_end_of_growth_is_now_and_not_in_a_year():
    """Growth of 0.5 to day 60, in cold weeks to day 40, and both again a year later: on day 55 the cold end lies
    behind, and the next is that of the year after (algebra). In winter it is the end to come."""
    year = [np.concatenate([np.full(days, 0.5), np.full(365 - days, 0.05)]) for days in (60, 40)]
    usual, cold = (np.concatenate([one, one]) for one in year)
    growth, first = Growth(date(3, 1), usual, usual, cold, usual, cold), date(3, 1)
    on = {day: first + datetime.timedelta(days=day) for day in (55, 200)}
    early = {day: early_end_of_growth(growth, at, end_of_growth(growth, at)) for day, at in on.items()}
    assert early[55] == on[55] and (early[200] - first).days == 365 + 46


def test_history_stands_where_there_is_enough_of_it():
    """Ten Junes of 14 and 16 degC in turn give 15 and a spread of 1 (algebra); other months keep the monthly means."""
    days = [datetime.date(2015 + y, 6, d) for y in range(10) for d in range(1, 31)]
    values = [14.0 if d.day % 2 else 16.0 for d in days]
    other = monthly_climate(MONTHS)
    climate = history_climate(days, values, other)
    middle = datetime.date(2024, 6, 15).timetuple().tm_yday - 1
    assert climate.mean_degc[middle] == pytest.approx(15.0, abs=0.06)  # 21 days are not quite even
    assert climate.spread_degc[middle] == pytest.approx(1.0, abs=0.01)
    assert climate.mean_degc[0] == other.mean_degc[0]
    thin = history_climate(days[:30], values[:30], other)
    assert thin.mean_degc.tolist() == other.mean_degc.tolist()


def test_monthly_means_must_be_twelve():
    """Eleven means, or one unknown, are refused by name."""
    with pytest.raises(ValueError, match="expected twelve temperatures"):
        monthly_climate(MONTHS[:11])
    with pytest.raises(ValueError, match="expected twelve temperatures"):
        monthly_climate([*MONTHS[:11], math.nan])


def test_mid_months_carry_the_monthly_means():
    """At noon nearest to mid-July the mean is July's, within what half a day moves it (algebra)."""
    climate = monthly_climate(MONTHS)
    july = datetime.date(2024, 7, 16).timetuple().tm_yday - 1
    assert climate.mean_degc[july] == pytest.approx(17.6, abs=1e-9)
    assert climate.mean_degc[365] == pytest.approx(climate.mean_degc[0], abs=0.05)  # no jump at New Year


def test_spread_average_has_a_closed_form():
    """A bell averaged over a normal spread is a wider, lower bell (algebra of two normal curves)."""
    means, spreads = np.meshgrid(np.linspace(0.0, 30.0, 16), [0.0, 1.0, 2.5, 4.0])
    wide = 5.5**2 + spreads**2
    exact = 5.5 / np.sqrt(wide) * np.exp(-0.5 * (means - 20.0) ** 2 / wide)
    assert spread_potential(means, spreads, "cool") == pytest.approx(exact, abs=1e-6)


@pytest.mark.parametrize(
    ("wetness", "factor"),
    [(-1, 0), (0.1, 0), (0.3, 0.5), (0.5, 1), (0.8, 1), (1.0, 1), (1.05, 0.75), (1.1, 0.5), (2, 0.5), (math.nan, 1)],
)
def test_moisture_factor(wetness, factor):
    """1 from 0.5 to 1, straight to 0 at 0.1, half above 1.1 (common practice, no source); 1 where not known."""
    assert moisture_factor(wetness) == pytest.approx(factor)


def test_light_factor_by_season_and_hemisphere():
    """0.8 to 1.0 (common practice, no source); the dark months are the others in the south."""
    days = [date(12, 1), date(6, 1)]
    assert light_factor(days) == pytest.approx([0.8, 1.0])
    assert light_factor(days, southern=True) == pytest.approx([1.0, 0.8])


def test_factors_slow_the_clock():
    """Half the moisture, half the healing: twice the days (algebra)."""
    growth = growth_ahead(date(7, 1), [20.0] * 100, monthly_climate(MONTHS), "cool", factors=0.5)
    assert healed_dates(growth, date(7, 1), (10.0, 10.0)).likely == date(7, 21)


def test_marks_draw_the_factor_of_a_ground():
    """One mark at 1.5 times the need counts half, nine count nine tenths (algebra of equal spreads); none is 1."""
    mark = HealedMark(24.0, 16.0)
    assert learned_factor([]) == 1.0
    assert learned_factor([mark]) == pytest.approx(1.5**0.5)
    assert learned_factor([mark] * 9) == pytest.approx(1.5**0.9)
    assert learned_factor([HealedMark(0.0, 16.0)]) == 1.0
    assert learned_factor([HealedMark(1600.0, 16.0)] * 9) == 2.0


def test_sum_between_moments_counts_parts_of_days_and_knows_its_gaps():
    """From noon to noon over days of 1, 2, 3: 0.5 + 2 + 1.5 (algebra); a gap or an end is not known."""
    series = Daily(0, np.array([1.0, 2.0, 3.0, math.nan, 5.0]))
    noon = DAY_MS // 2
    assert series.between(noon, noon + 2 * DAY_MS) == pytest.approx(4.0)
    assert series.between(noon, noon) == 0.0
    assert math.isnan(series.between(noon, 4 * DAY_MS))
    assert series.between(4 * DAY_MS, 5 * DAY_MS) == pytest.approx(5.0)
    assert math.isnan(series.between(-1, noon))
    assert math.isnan(series.between(4 * DAY_MS, 5 * DAY_MS + 1))
    low = Daily(0, np.array([3.0, 1.0, 2.0])).lowest(np.array([0, DAY_MS, 2 * DAY_MS, 3 * DAY_MS]), 2)
    assert low[:2] == pytest.approx([1.0, 1.0])
    assert np.isnan(low[2:]).all()


def falling(first: datetime.date, degc: float, a_day: float, count: int = 400) -> Daily:
    return Daily(day_of_date(first) * DAY_MS, degc - a_day * np.arange(count))


def test_seed_comes_up_while_the_soil_of_its_weeks_stays_warm():
    """Soil of 15 degC that falls by 0.1 a day is at 10 after 50 days, at 11 after 40; 21 days before that (algebra)."""
    found = last_sowing(falling(date(9, 1), 15.0, 0.1), date(9, 1), days=21, open_degc=10.0)
    assert (found.last.safe, found.last.likely, found.resumes) == (date(9, 21), date(10, 1), None)
    late = last_sowing(falling(date(9, 1), 12.5, 0.1), date(9, 1), days=21, open_degc=10.0)
    assert (late.last.safe, late.last.likely) == (None, date(9, 6))
    warm = Daily(day_of_date(date(9, 1)) * DAY_MS, np.full(400, 12.0))
    assert last_sowing(warm, date(9, 1), days=21, open_degc=10.0) is None
    cool = Daily(day_of_date(date(9, 1)) * DAY_MS, np.full(400, 10.5))  # never too cold, in a year like this
    assert last_sowing(cool, date(9, 1), days=21, open_degc=10.0) is None
    short = falling(date(9, 1), 15.0, 0.1, 60)
    assert last_sowing(short, date(9, 1), days=21, open_degc=10.0) is None


def test_ryegrass_of_southern_england_is_sown_into_early_october():
    """Asked from 1 September, the last days lie about the end of what the county guide calls ideal, mid September to
    early October (Northern Cricket Union 2010), and not in August; in December it waits for spring."""
    soil = Daily(
        day_of_date(date(9, 1)) * DAY_MS,
        np.array([mean_of(date(9, 1) + datetime.timedelta(days=n)) + SOIL_OVER_AIR_K for n in range(500)]),
    )
    found = last_sowing(soil, date(9, 1), days=21, open_degc=10.0)
    assert date(9, 25) <= found.last.safe <= date(10, 10) < found.last.likely <= date(10, 21)
    winter = last_sowing(soil, date(12, 1), days=21, open_degc=10.0)
    assert winter.last.likely is None
    assert date(4, 1, 2027) <= winter.resumes <= date(5, 1, 2027)
