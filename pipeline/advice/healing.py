"""Healing of the turf after a pass: the date by which it is done, and the last day on which a pass may be made.

Growth-days are summed over days measured, forecast and, past the forecast, expected from the site's own history or from
monthly means; there the growth of a day is averaged over the ordinary spread of days, because growth bends and a mean
day alone makes autumn end too sharply. The recovery clock and what it costs each kind of pass are start values, learned
from the diary's "healed" marks.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.forecast.climatology import Daily, YearClimate, place_in_year
from pipeline.soil.climate import growth_potential
from pipeline.units import DAY_MS, FloatArray, day_of_date

YEAR_TO_YEAR_DEGC = 1.0  # how far weeks to come may lie from the mean year: our own choice
GROWTH_ENDS_BELOW = 0.1  # 7-day mean growth potential at which the growing season is over: our own choice
GROWTH_MEAN_DAYS = 7
GROWTH_RESTS_DAYS = 28  # it must stay so low for so long: a cold week in April ends no season; our own choice
FACTOR_LIMITS = (0.5, 2.0)
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)


@dataclass(frozen=True)
class Growth:
    """Growth a day, from `first_day` on.

    Attributes
    ----------
    first_day : date
    potential : ndarray, shape (day,)
        Growth potential, averaged over the spread of days where expected. [1]
    recovery, recovery_low, recovery_high : ndarray, shape (day,)
        What counts for healing: potential times moisture, feed and light; and the same with the days that are expected
        colder or warmer than usual. [1]
    potential_low : ndarray, shape (day,)
        Potential with those days the less good of both. [1]
    """

    first_day: datetime.date
    potential: FloatArray
    recovery: FloatArray
    recovery_low: FloatArray
    recovery_high: FloatArray
    potential_low: FloatArray

    def daily(self, which: str = "recovery") -> Daily:
        """Return one of the series by day. [1]"""
        return Daily(day_of_date(self.first_day) * DAY_MS, getattr(self, which))


def growth_ahead(
    first_day: datetime.date,
    known_degc: npt.ArrayLike,
    climate: YearClimate,
    grass: str,
    *,
    days: int = 730,
    factors: npt.ArrayLike = 1.0,
    year_to_year_degc: float = YEAR_TO_YEAR_DEGC,
) -> Growth:
    """Return the growth of days measured, forecast and expected.

    Parameters
    ----------
    first_day : date
    known_degc : array_like, shape (known,)
        Daily mean air temperature measured and forecast, from `first_day` on. [degC] NaN, and what lies beyond, is
        taken from the climate.
    climate : YearClimate
    grass : str
        "cool" or "warm": of the grass that has to heal or to come up.
    days : int
        How many in all.
    factors : array_like, scalar or shape (days,)
        Product of `moisture_factor`, feed and `light_factor`. [1]
    year_to_year_degc : float
        Standard deviation of weeks to come about the climate. [degC]
    """
    known = np.full(days, np.nan)
    given = np.asarray(known_degc, dtype=np.float64)[:days]
    known[: given.size] = given
    place = np.array([place_in_year(first_day + datetime.timedelta(days=n)) for n in range(days)])
    expected = np.isnan(known)
    mean = np.where(expected, climate.mean_degc[place], known)
    spread = np.where(expected, climate.spread_degc[place], 0.0)
    share = np.broadcast_to(np.asarray(factors, dtype=np.float64), (days,))

    def potential(shift_degc: float) -> FloatArray:
        return spread_potential(mean + np.where(expected, shift_degc, 0.0), spread, grass)

    usual, cold, warm = (potential(s * year_to_year_degc) for s in (0.0, -1.0, 1.0))
    low, high = np.minimum(np.minimum(cold, warm), usual), np.maximum(np.maximum(cold, warm), usual)
    return Growth(first_day, usual, usual * share, low * share, high * share, low)


def spread_potential(temperature_degc: npt.ArrayLike, spread_degc: npt.ArrayLike, grass: str) -> FloatArray:
    """Return the growth potential averaged over a normal spread of days, each day with its own.

    Gauss-Hermite quadrature of 21 points; with no spread it is the growth potential of the mean. [1]
    """
    mean, spread = np.broadcast_arrays(
        np.asarray(temperature_degc, dtype=np.float64), np.asarray(spread_degc, dtype=np.float64)
    )
    each = growth_potential(mean[..., np.newaxis] + spread[..., np.newaxis] * _NODES, grass)
    return np.asarray(each @ _WEIGHTS / _WEIGHTS.sum(), dtype=np.float64)


def moisture_factor(root_zone_wetness: npt.ArrayLike) -> FloatArray:
    """Return the factor of healing by the wetness of the root zone. [1]

    1 from 0.5 to 1.0, straight to 0 at 0.1, straight to 0.5 at 1.1 and so above; 1 where it is not known (common
    practice, no source; from 1.0 to 1.1 joined by a straight line).
    """
    wetness = np.asarray(root_zone_wetness, dtype=np.float64)
    factor = np.interp(wetness, [0.1, 0.5, 1.0, 1.1], [0.0, 1.0, 1.0, 0.5])
    return np.asarray(np.where(np.isnan(wetness), 1.0, factor), dtype=np.float64)


def light_factor(days: Sequence[datetime.date], *, southern: bool = False) -> FloatArray:
    """Return the factor of healing by light: 0.8 in the three darkest months, else 1 (common practice). [1]"""
    dark = (5, 6, 7) if southern else (11, 12, 1)
    return np.array([0.8 if d.month in dark else 1.0 for d in days])


@dataclass(frozen=True, slots=True)
class HealedDates:
    """First day by whose end a wound is 95 % healed; None when not within the days given."""

    earliest: datetime.date | None
    likely: datetime.date | None
    latest: datetime.date | None


def healed_dates(
    growth: Growth, made_on: datetime.date, heal_growth_days: tuple[float, float], *, factor: float = 1.0
) -> HealedDates:
    """Return the dates by which a pass will have healed.

    Parameters
    ----------
    growth : Growth
    made_on : date
        Day of the pass; the day after is the first to count.
    heal_growth_days : (float, float)
        Range of growth-days to 95 % healed. [d]
    factor : float
        Of this ground, see `learned_factor`. [1]

    Returns
    -------
    HealedDates
        Earliest by the low need and warm weeks, latest by the high need and cold ones, likely by the middle of both.

    Raises
    ------
    ValueError
        The day lies before the growth given.
    """
    start = (made_on - growth.first_day).days + 1
    if start < 0:
        raise ValueError(f"day of the pass: found {made_on}, expected {growth.first_day} or later")
    low, high = heal_growth_days

    def date(series: FloatArray, need: float) -> datetime.date | None:
        if need <= 0.0:
            return made_on
        reached = np.flatnonzero(np.cumsum(series[start:]) >= need * factor * (1.0 - 1e-12))
        return made_on + datetime.timedelta(days=int(reached[0]) + 1) if reached.size else None

    middle = 0.5 * (low + high)
    return HealedDates(date(growth.recovery_high, low), date(growth.recovery, middle), date(growth.recovery_low, high))


def end_of_growth(growth: Growth, after: datetime.date) -> datetime.date | None:
    """Return the first day from `after` on at which growth, once under way, has ended for the season.

    The mean potential of the 7 days up to it has fallen below `GROWTH_ENDS_BELOW`, and stays there for
    `GROWTH_RESTS_DAYS`, as far as days are given. None when it does not within the days given.
    """
    return _end_of(growth.potential, growth, after)


def early_end_of_growth(growth: Growth, after: datetime.date, usual: datetime.date | None) -> datetime.date | None:
    """Return the end of growth by weeks less good than usual; `after` where by them it lies behind, as after a week of
    cold just before the usual end. None when it does not end within the days given."""
    early = _end_of(growth.potential_low, growth, after)
    return after if usual is not None and (early is None or early > usual) else early


def _end_of(potential: FloatArray, growth: Growth, after: datetime.date) -> datetime.date | None:
    total = np.concatenate([[0.0], np.cumsum(potential)])
    mean = (total[GROWTH_MEAN_DAYS:] - total[:-GROWTH_MEAN_DAYS]) / GROWTH_MEAN_DAYS
    first = max((after - growth.first_day).days - GROWTH_MEAN_DAYS + 1, 1)
    low = mean < GROWTH_ENDS_BELOW
    ends = first + np.flatnonzero(low[first:] & ~low[first - 1 : -1])
    end = next((int(i) for i in ends if low[i : i + GROWTH_RESTS_DAYS].all()), None)
    return None if end is None else growth.first_day + datetime.timedelta(days=end + GROWTH_MEAN_DAYS - 1)


@dataclass(frozen=True, slots=True)
class LastGoodDate:
    """Last day of a pass that is healed before it must be.

    Attributes
    ----------
    safe, likely : date or None
        By the high need and cold weeks; by the middle of both. None when it is too late already.
    by_lead_time : bool
        The lead time before play binds the likely date, not growth.
    """

    safe: datetime.date | None
    likely: datetime.date | None
    by_lead_time: bool


def last_good_date(
    growth: Growth,
    heal_growth_days: tuple[float, float],
    needed_on: datetime.date,
    *,
    from_day: datetime.date,
    safe_needed_on: datetime.date | None = None,
    lead_days: float = 0.0,
    factor: float = 1.0,
) -> LastGoodDate:
    """Return the last day on which a pass can be made and heal before play begins or growth ends.

    Parameters
    ----------
    growth : Growth
    heal_growth_days : (float, float)
        [d]
    needed_on : date
        Of the next fixture, or of the end of growth; it must be healed by the end of the day before.
    from_day : date
        Today: earlier days are of no use.
    safe_needed_on : date, optional
        What the safe date must be healed by where growth ends it: its end in cold weeks. None: as the likely one.
    lead_days : float
        See `TreatmentTable.lead_days`; 0 when no play is meant. [d]
    factor : float
        Of this ground. [1]

    Raises
    ------
    ValueError
        A day lies outside the growth given.
    """
    last, first = (needed_on - growth.first_day).days, (from_day - growth.first_day).days
    if first < 0 or last > growth.recovery.size:
        raise ValueError(f"days: found {from_day} to {needed_on}, expected days within the growth given")
    lead_last = needed_on - datetime.timedelta(days=math.ceil(lead_days))

    safe_last = last if safe_needed_on is None else min((safe_needed_on - growth.first_day).days, last)

    def latest(series: FloatArray, need: float, end: int) -> datetime.date | None:
        # growth of the days after each day s, up to the day before play
        after = np.cumsum(series[first + 1 : end][::-1])[::-1]
        left = np.concatenate([after, [0.0]]) if end > first else np.zeros(0)
        good = np.flatnonzero(left >= need * factor * (1.0 - 1e-12))
        return from_day + datetime.timedelta(days=int(good[-1])) if good.size else None

    def bounded(day: datetime.date | None) -> datetime.date | None:
        return None if day is None or lead_last < from_day else min(day, lead_last)

    low, high = heal_growth_days
    likely, safe = latest(growth.recovery, 0.5 * (low + high), last), latest(growth.recovery_low, high, safe_last)
    return LastGoodDate(bounded(safe), bounded(likely), likely is not None and lead_last < likely)


@dataclass(frozen=True, slots=True)
class LastSowing:
    """Last days on which seed still comes up before the soil is too cold.

    Attributes
    ----------
    last : LastGoodDate
        Likely while the soil is expected to stay as warm as sowing asks for, safe while it does so in weeks colder by
        `YEAR_TO_YEAR_DEGC`; None when it is too cold already.
    resumes : date or None
        When it will be warm enough again; None when it still is, or nobody can tell.
    """

    last: LastGoodDate
    resumes: datetime.date | None


def last_sowing(
    soil_temperature_by_day: Daily, from_day: datetime.date, *, days: int, open_degc: float
) -> LastSowing | None:
    """Return the last days of sowing before the soil is too cold for seed to come up.

    Parameters
    ----------
    soil_temperature_by_day : Daily
        Expected at 50 mm. [degC]
    from_day : date
        Today.
    days : int
        For so many days from sowing on the soil must stay warm.
    open_degc : float
        How warm it must stay. [degC]

    Returns
    -------
    LastSowing or None
        None where the soil of a year is not known, or never grows too cold.
    """
    first = day_of_date(from_day)
    lows = soil_temperature_by_day.lowest((first + np.arange(365)) * DAY_MS, days)
    if not np.isfinite(lows).all() or (lows >= open_degc).all():
        return None

    def last(bound_degc: float) -> datetime.date | None:
        cold = np.flatnonzero(lows < bound_degc)
        end = int(cold[0]) if cold.size else lows.size
        return None if end == 0 else from_day + datetime.timedelta(days=end - 1)

    safe = last(open_degc + YEAR_TO_YEAR_DEGC)
    likely = last(open_degc)
    warm = np.flatnonzero(lows >= open_degc)
    resumes = from_day + datetime.timedelta(days=int(warm[0])) if likely is None and warm.size else None
    return LastSowing(LastGoodDate(safe, likely, False), resumes)


@dataclass(frozen=True, slots=True)
class HealedMark:
    """A "healed" mark of the diary: growth-days from the pass to it, and those the table gave (middle). [d]"""

    growth_days: float
    expected_growth_days: float


def learned_factor(marks: Sequence[HealedMark]) -> float:
    """Return by how much more growth a ground needs than the table says, from its "healed" marks. [1]

    The logarithm of the factor starts at 0 with a certain spread, and each mark, as uncertain, draws it: the mean of n
    marks counts n / (n + 1). Marks without growth are left out; the factor stays within `FACTOR_LIMITS`. A mark says
    when somebody looked, so it comes late rather than early.
    """
    each = [
        math.log(m.growth_days / m.expected_growth_days)
        for m in marks
        if m.growth_days > 0.0 and m.expected_growth_days > 0.0
    ]
    return min(max(math.exp(sum(each) / (len(each) + 1.0)), FACTOR_LIMITS[0]), FACTOR_LIMITS[1])
