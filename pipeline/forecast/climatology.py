"""Temperatures beyond the weather forecast, of the air, the leaf and the soil, and the chance of a frost.

Air goes from the last days' departure back to the usual of the season, with the daily course of the past week; soil
at 50 mm follows it slowly; frost is counted from the site's own past nights at the season, else worked out from the
usual lowest temperatures of the month. What was measured or forecast stays as it is.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from pipeline.site.ground import MonthlyClimate
from pipeline.soil.moving import binned_means
from pipeline.store import Store
from pipeline.units import DAY_MS, HOUR_MS, FloatArray, TimeArray, date_of_day, day_of_date

DAY_TO_DAY_DEGC = 2.5  # spread of daily means about the mean of the time of year: common practice, no source


HISTORY_REACH_DAYS = 10  # days either side that speak for a time of year


HISTORY_LEAST_DAYS = 42  # fewer than two years of them do not


@dataclass(frozen=True)
class YearClimate:
    """What a day of the year is like: mean air temperature and day-to-day spread. Shape (366,), [degC]"""

    mean_degc: FloatArray
    spread_degc: FloatArray


def monthly_climate(monthly_degc: npt.ArrayLike, *, day_to_day_degc: float = DAY_TO_DAY_DEGC) -> YearClimate:
    """Return the climate of twelve monthly means, linear from mid-month to mid-month, each day taken at its noon.

    Parameters
    ----------
    monthly_degc : array_like, shape (12,)
        January first. [degC]
    day_to_day_degc : float
        Standard deviation of daily means about them; 0 for none. [degC]

    Raises
    ------
    ValueError
        There are not twelve known means.
    """
    months = np.asarray(monthly_degc, dtype=np.float64)
    if months.shape != (12,) or not np.isfinite(months).all():
        raise ValueError(f"monthly means: found {months.tolist()}, expected twelve temperatures, January first")
    starts = np.array([datetime.date(2024, m, 1).timetuple().tm_yday - 1 for m in range(1, 13)] + [366.0])
    middles = 0.5 * (starts[1:] + starts[:-1])
    around = np.concatenate([[middles[-1] - 366.0], middles, [middles[0] + 366.0]])
    wrapped = np.concatenate([months[-1:], months, months[:1]])
    days = np.arange(366) + 0.5
    return YearClimate(np.interp(days, around, wrapped), np.full(366, float(day_to_day_degc)))


def history_climate(
    days: Sequence[datetime.date], temperature_degc: npt.ArrayLike, otherwise: YearClimate
) -> YearClimate:
    """Return the climate of the site's own past, where it has enough of it.

    Parameters
    ----------
    days, temperature_degc : sequences, shape (n,)
        Daily mean air temperature. [degC] NaN where not known.
    otherwise : YearClimate
        Stands where fewer than `HISTORY_LEAST_DAYS` days within `HISTORY_REACH_DAYS` of a time of year are known.

    Returns
    -------
    Climate
        Mean and standard deviation over those days, that from year to year within it.
    """
    given = np.asarray(temperature_degc, dtype=np.float64)
    known = np.isfinite(given)
    values = given[known]
    index = np.array([place_in_year(d) for d in days], dtype=np.int64)[known]
    mean, spread = otherwise.mean_degc.copy(), otherwise.spread_degc.copy()
    for day in range(366):
        away = np.abs(index - day)
        near = values[np.minimum(away, 366 - away) <= HISTORY_REACH_DAYS]
        if near.size >= HISTORY_LEAST_DAYS:
            mean[day], spread[day] = near.mean(), near.std(ddof=1)
    return YearClimate(mean, spread)


DEPARTURE_FADES_H = 96.0  # in which today's departure from the season falls to a third: our own choice
SOIL_FOLLOWS_H = 48.0  # in which soil at 50 mm takes up two thirds of a change of the air's mean: our own choice
NIGHT_LEAF_BELOW_AIR_K = 1.5  # mean of clear and cloudy nights: common practice, no source
NIGHT_TO_NIGHT_DEGC = 3.5  # spread of the nights' lowest about the month's mean: common practice, no source


def by_hour_of_day(values: FloatArray, first_ms: int) -> FloatArray:
    """Return the mean of each UTC hour of the day, shape (24,), over hours from `first_ms` on; NaN where none is known.

    [unit of the values]"""
    hour = ((first_ms // HOUR_MS) + np.arange(values.size)) % 24
    return binned_means(hour, values, 24)[0]


def air_ahead(week_degc: FloatArray, week_first_ms: int, at_ms: TimeArray, usual_degc: FloatArray) -> FloatArray:
    """Return the air temperature expected from the last week and the season.

    Parameters
    ----------
    week_degc : ndarray, shape (hour,)
        Of the hours up to now. [degC] NaN where not known.
    week_first_ms : int
        Begin of the first of them. [ms since 1970, UTC]
    at_ms : ndarray, shape (ahead,)
        [ms since 1970, UTC]
    usual_degc : ndarray, shape (ahead,)
        Daily mean usual at the season. [degC] NaN where not known: then the last three days go on.

    Returns
    -------
    ndarray, shape (ahead,)
        [degC] NaN where a time of day was never measured.
    """
    course = by_hour_of_day(week_degc, week_first_ms)
    shape = course - np.mean(course)
    lately = week_degc[-72:]
    if not np.isfinite(lately).any():
        return np.full(at_ms.shape, np.nan)
    level = float(np.nanmean(lately))
    lead_h = (at_ms - at_ms[0]) / HOUR_MS if at_ms.size else np.zeros(0)
    departure = np.where(np.isnan(usual_degc), 0.0, level - usual_degc[:1]) * np.exp(-lead_h / DEPARTURE_FADES_H)
    mean = np.where(np.isnan(usual_degc), level, usual_degc + departure)
    return np.asarray(mean + shape[(at_ms // HOUR_MS) % 24], dtype=np.float64)


def soil_ahead(soil_degc: FloatArray, air_degc: FloatArray, ahead: int) -> FloatArray:
    """Return the daily mean soil temperature expected at 50 mm.

    Parameters
    ----------
    soil_degc : ndarray, shape (hour,)
        Measured up to now. [degC]
    air_degc : ndarray, shape (hour + ahead,)
        Over the same hours and those to come. [degC]
    ahead : int

    Returns
    -------
    ndarray, shape (ahead,)
        [degC] It follows the air's mean of the day, as far above or below it as in the past week.
    """
    past = soil_degc.size
    both = np.isfinite(soil_degc) & np.isfinite(air_degc[:past])
    lately = soil_degc[-24:]
    if not both.any() or not np.isfinite(lately).any():
        return np.full(ahead, np.nan)
    above = float((soil_degc[both] - air_degc[:past][both]).mean())
    soil = float(np.nanmean(lately))
    keep = float(np.exp(-1.0 / SOIL_FOLLOWS_H))
    found = np.full(ahead, np.nan)
    for hour in range(ahead):
        day = air_degc[past + hour - 23 : past + hour + 1]
        known = day[np.isfinite(day)]
        if known.size < 12:
            break
        soil = keep * soil + (1.0 - keep) * (float(known.mean()) + above)
        found[hour] = soil
    return found


def frost_chances(
    days: Sequence[datetime.date],
    past_days: Sequence[datetime.date],
    past_leaf_degc: npt.ArrayLike,
    lowest_air_degc: npt.ArrayLike,
    frost_degc: float,
) -> FloatArray:
    """Return the chance of a frost on the leaf on each of some days.

    Parameters
    ----------
    days : sequence of date
    past_days, past_leaf_degc : sequences, shape (n,)
        Coldest leaf of nights that have been. [degC]
    lowest_air_degc : array_like, shape (day,)
        Usual lowest air temperature of each of `days`, from the climate. [degC] NaN where there is none.
    frost_degc : float
        A leaf no warmer than this has frost. [degC]

    Returns
    -------
    ndarray, shape (day,)
        [1] The share of nights within ten days of the date where two years or more of them are known, else from the
        climate, else NaN.
    """
    past = np.asarray(past_leaf_degc, dtype=np.float64)
    place = np.array([place_in_year(d) for d in past_days], dtype=np.int64)
    nights, frosts = (_counted_near(place[one]) for one in (np.isfinite(past), past <= frost_degc))
    usual = np.asarray(lowest_air_degc, dtype=np.float64)
    found = ndtr((frost_degc - (usual - NIGHT_LEAF_BELOW_AIR_K)) / NIGHT_TO_NIGHT_DEGC)
    at = np.array([place_in_year(d) for d in days], dtype=np.int64)
    known = nights[at] >= HISTORY_LEAST_DAYS
    return np.asarray(np.where(known, frosts[at] / np.maximum(nights[at], 1), found), dtype=np.float64)


def _counted_near(place: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Return how many of some days lie within `HISTORY_REACH_DAYS` of each place in the year. Shape (366,)"""
    count = np.bincount(place, minlength=366)
    around = np.concatenate([count[-HISTORY_REACH_DAYS:], count, count[:HISTORY_REACH_DAYS]])
    near = np.lib.stride_tricks.sliding_window_view(around, 2 * HISTORY_REACH_DAYS + 1).sum(axis=1)
    return np.asarray(near, dtype=np.int64)


def first_frost(days: Sequence[datetime.date], chance: FloatArray) -> datetime.date | None:
    """Return the first day by which a frost has come with a chance of one half; None without one. Chances in [1]."""
    none = np.cumprod(1.0 - chance)
    reached = np.flatnonzero(none <= 0.5)
    return days[int(reached[0])] if reached.size and np.isfinite(none[reached[0]]) else None


HISTORY_DAYS = 5 * 366
FROST_DAYS = 92
WHOLE_DAY = 0.75  # of the usual number of values, for a day to count: our own choice
SCREEN_OVER_LEAF_K = 3.0  # where no leaf is measured, as in the hours of advice: common practice, no source
NOT_KNOWN = YearClimate(np.full(366, np.nan), np.full(366, np.nan))


@dataclass(frozen=True)
class Season:
    """Climate of a site, its past daily temperatures, and its frosts.

    Attributes
    ----------
    climate : YearClimate
        NaN where not known.
    first_day : date
        Of `daily_degc`.
    daily_degc : ndarray, shape (day,)
        Daily mean air temperatures that have been, up to yesterday. [degC]
    frost_chance : Daily
        Of days from today on. [1]
    first_frost_ms : int or None
        Of the coming autumn, or of the one that is on. [ms since 1970, UTC]
    """

    climate: YearClimate
    first_day: datetime.date
    daily_degc: FloatArray
    frost_chance: Daily
    first_frost_ms: int | None

    def usual_degc(self, day: datetime.date) -> float:
        """Return the daily mean usual on a date. [degC]"""
        return float(self.climate.mean_degc[place_in_year(day)])


def season(
    store: Store, now_ms: int, *, air: str | None, leaf: str | None, climate: MonthlyClimate | None, frost_degc: float
) -> Season:
    """Return the climate, the past daily temperatures and the frosts of a site.

    Parameters
    ----------
    store : Store
    now_ms : int
        [ms since 1970, UTC]
    air, leaf : str or None
        Ids of the channels of air and surface temperature.
    climate : MonthlyClimate or None
        Of the settings.
    frost_degc : float
        A leaf no warmer than this has frost. [degC]

    Raises
    ------
    StoreAway
    """
    today_ms = now_ms // DAY_MS * DAY_MS
    start_ms = today_ms - HISTORY_DAYS * DAY_MS
    days, mean, low = _rolled_up(store, air, start_ms, today_ms)
    leaf_days, _, leaf_low = _rolled_up(store, leaf, start_ms, today_ms)
    if not leaf_days:
        leaf_days, leaf_low = days, low - SCREEN_OVER_LEAF_K
    usual, usual_low = NOT_KNOWN, np.full(366, np.nan)
    if climate is not None:
        highest, lowest = np.asarray(climate.highest_degc), np.asarray(climate.lowest_degc)
        usual, usual_low = monthly_climate((highest + lowest) / 2.0), monthly_climate(lowest).mean_degc
    if days:
        usual = history_climate(days, mean, usual)
    today = date_of_day(today_ms // DAY_MS)
    known = np.full(HISTORY_DAYS, np.nan)
    for day, value in zip(days, mean.tolist(), strict=True):
        known[HISTORY_DAYS - (today - day).days] = value
    ahead = [today + datetime.timedelta(days=n) for n in range(FROST_DAYS)]
    chance = frost_chances(ahead, leaf_days, leaf_low, usual_low[[place_in_year(d) for d in ahead]], frost_degc)
    frost = _first_frost(today, usual, leaf_days, leaf_low, usual_low, frost_degc)
    first = today - datetime.timedelta(days=HISTORY_DAYS)
    return Season(usual, first, known, Daily(today_ms, chance), frost)


def _rolled_up(
    store: Store, channel: str | None, start_ms: int, end_ms: int
) -> tuple[list[datetime.date], FloatArray, FloatArray]:
    """Return the days with enough values of a channel, with their mean and lowest."""
    if channel is None:
        return [], np.zeros(0), np.zeros(0)
    table = store.steps([channel], start_ms, end_ms, DAY_MS)
    count = table["n"].to_numpy(dtype=np.int64)
    whole = count >= WHOLE_DAY * np.median(count) if count.size else np.zeros(0, dtype=np.bool_)
    days = [date_of_day(int(ms) // DAY_MS) for ms in table["start_ms"].to_numpy(dtype=np.int64)[whole]]
    return days, table["mean"].to_numpy(dtype=np.float64)[whole], table["low"].to_numpy(dtype=np.float64)[whole]


def _first_frost(
    today: datetime.date,
    usual: YearClimate,
    days: list[datetime.date],
    leaf_low: FloatArray,
    usual_low: FloatArray,
    frost_degc: float,
) -> int | None:
    """Return the usual first frost after the warmest time of this year, or of the last while its winter lasts. [ms]"""
    if not np.isfinite(usual.mean_degc).all():
        return None
    warmest = int(np.argmax(usual.mean_degc))
    begins = [datetime.date(year, 1, 1) + datetime.timedelta(days=warmest) for year in (today.year - 1, today.year)]
    begin = begins[1] if today >= begins[1] - datetime.timedelta(days=120) else begins[0]
    autumn = [begin + datetime.timedelta(days=n) for n in range(300)]
    found = first_frost(
        autumn, frost_chances(autumn, days, leaf_low, usual_low[[place_in_year(d) for d in autumn]], frost_degc)
    )
    return None if found is None else day_of_date(found) * DAY_MS


_LEAP_YEAR = datetime.date(2024, 1, 1).toordinal()


@lru_cache(maxsize=4096)  # asked of every day of years to come, each hour
def place_in_year(day: datetime.date) -> int:
    """Return the place of a date in the year, 0 to 365, the 29th of February always counted. [d]"""
    return datetime.date(2024, day.month, day.day).toordinal() - _LEAP_YEAR


@dataclass(frozen=True)
class Daily:
    """Values of consecutive days; `first_day_ms` is the UTC midnight that begins the first. [ms since 1970, UTC]"""

    first_day_ms: int
    values: FloatArray

    def between(self, start_ms: npt.ArrayLike, end_ms: npt.ArrayLike) -> FloatArray:
        """Return the sum from `start_ms` to `end_ms`, a part of a day counting for its part.

        Parameters
        ----------
        start_ms, end_ms : array_like of int
            [ms since 1970, UTC]

        Returns
        -------
        ndarray, broadcast shape
            [unit of the values times d] 0 where the end is not after the start, NaN where either end lies
            outside the series or a day between them is NaN.
        """
        start, end = np.broadcast_arrays(np.asarray(start_ms, dtype=np.int64), np.asarray(end_ms, dtype=np.int64))
        known = np.isfinite(self.values)
        total = np.concatenate([[0.0], np.cumsum(np.where(known, self.values, 0.0))])
        gaps = np.concatenate([[0.0], np.cumsum(~known)])
        edges = np.arange(total.size, dtype=np.float64)
        first, last = (self._day(start), self._day(end))
        found = np.interp(last, edges, total) - np.interp(first, edges, total)
        missing = np.interp(last, edges, gaps) - np.interp(first, edges, gaps) > 0.0
        outside = (first < 0.0) | (last > edges[-1]) | missing
        return np.asarray(np.where(end <= start, 0.0, np.where(outside, np.nan, found)), dtype=np.float64)

    def lowest(self, start_ms: TimeArray, days: int) -> FloatArray:
        """Return the lowest of so many days from that of a moment on; NaN if one is not known. [as the values]"""
        lead = np.concatenate([self.values, np.full(days, np.nan)])
        lows = np.lib.stride_tricks.sliding_window_view(lead, days).min(axis=1)
        index = np.floor(self._day(start_ms)).astype(np.int64)
        outside = (index < 0) | (index >= self.values.size)
        return np.asarray(np.where(outside, np.nan, lows[np.clip(index, 0, self.values.size)]), dtype=np.float64)

    def _day(self, at_ms: npt.NDArray[np.int64]) -> FloatArray:
        return np.asarray((at_ms - self.first_day_ms) / DAY_MS, dtype=np.float64)
