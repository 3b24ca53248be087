"""Members of the weather ahead: round a forecast, from the site's own past at the same season, or from its climate.

A forecast is not believed whole: with each day of lead a larger share of the members takes that day from the past
instead, and the rest get the forecast's rain made more or less. Where there is no forecast every member is the site's
own past of the same season, whole spans of days in a row; where there is not enough past, days are drawn from monthly
means, wet and dry by a chain of two states. The same input gives the same members. `source` and `notes` say what was
used instead of a forecast.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from pipeline.forecast.weather_file import WeatherForecast, usable_faults
from pipeline.site.ground import MonthlyClimate
from pipeline.soil import climate as air
from pipeline.soil import radiation as sun
from pipeline.soil.climate import shared_over_days
from pipeline.soil.radiation import Location, day_of_year
from pipeline.texts import say
from pipeline.units import DAY_MS, HOUR_MS, FloatArray

DAYS_AHEAD = 10
MEMBERS = 60
SEASON_DAYS = 20  # either side of today's date speak for the season: our own choice
LEAST_PASTS = 20  # distinct days to start from; fewer are no ensemble: our own choice
WET_PERSISTENCE = 0.3  # correlation of wet today with wet tomorrow: 0.2-0.4 is usual (Richardson 1981)
STORM_H = 4  # hours that a drawn day's rain falls in: our own choice
WET_DAY_DEMAND = 0.7  # demand of a wet day over that of a dry one: our own choice


class WeatherSource(StrEnum):
    """What the members of the weather to come are drawn from."""

    FORECAST = "forecast"
    PAST = "past"
    CLIMATE = "climate"


@dataclass(frozen=True, slots=True)
class Trust:
    """How far a forecast is believed.

    Attributes
    ----------
    right, fades : float
        Share of members that take the first day as forecast, and by how much less on each day after; at least
        `least`. [1]
    spread : float
        Standard deviation of ln(rain over rain forecast) on the first day, growing by a tenth a day. [1]
    shift_h : float
        Standard deviation of the hours by which rain comes early or late on the first day, likewise. [h]
    """

    right: float = 0.95
    fades: float = 0.07
    least: float = 0.2
    spread: float = 0.3
    shift_h: float = 2.0


# Our own choice; a daily forecast of a week is usually said to be right about seven times in ten.
TRUST = Trust()


@dataclass(frozen=True)
class PastWeather:
    """Rain and demand of consecutive hours that have been, from `first_ms` on. [mm h-1] NaN where not known."""

    first_ms: int
    rain_mm: FloatArray
    reference_et_mm: FloatArray


@dataclass(frozen=True)
class WeatherAhead:
    """Members of the weather to come.

    Attributes
    ----------
    first_ms : int
        Begin of the first hour. [ms since 1970, UTC]
    rain_mm, reference_et_mm : ndarray, shape (hour, member)
        [mm h-1]
    source : WeatherSource
    notes : tuple of str
        What had to be left out and why.
    foretold_h : int
        For so many hours the rain goes round a forecast; 0 without one. [h]
    """

    first_ms: int
    rain_mm: FloatArray
    reference_et_mm: FloatArray
    source: WeatherSource
    notes: tuple[str, ...] = ()
    foretold_h: int = 0

    def rain_within(self, hours: int) -> FloatArray:
        """Return the rain of the first so many hours, shape (member,). [mm]"""
        return np.asarray(self.rain_mm[:hours].sum(axis=0), dtype=np.float64)


def air_misses_k(hours: int, members: int, *, foretold: bool) -> FloatArray:
    """Return how much warmer than expected each member's air is, shape (hour, member). [K]

    Of one sign all through, for warm days follow warm ones; its size grows from day to day.
    """
    first, more, most = AIR_MISS_K[foretold]
    size = np.minimum(first + more * np.arange(hours) / 24.0, most)
    return np.asarray(np.outer(size, normal_draws(members, 4)), dtype=np.float64)


# Standard deviation of the miss of the air's temperature: on the first day, how much more on each day after, at most;
# with a forecast, and without one. From memory of how forecasts do, no source. [K]
AIR_MISS_K = {True: (1.0, 0.3, 3.0), False: (1.5, 0.5, 3.0)}


@lru_cache(maxsize=64)  # asked of the same members every hour
def normal_draws(members: int, salt: int) -> FloatArray:
    """Return one standard normal number a member, evenly over the curve; shuffled, each salt in its own way. [1]"""
    even = np.asarray(ndtri((np.arange(members) + 0.5) / members), dtype=np.float64)
    found = np.random.default_rng(salt).permutation(even)
    found.flags.writeable = False
    return found


def weather_ahead(
    now_ms: int,
    *,
    forecast: WeatherForecast | None,
    past: PastWeather | None,
    climate: MonthlyClimate | None,
    place: Location,
    days: int = DAYS_AHEAD,
    members: int = MEMBERS,
    trust: Trust = TRUST,
) -> WeatherAhead | None:
    """Return the weather ahead from the best source there is.

    Parameters
    ----------
    now_ms : int
        A whole hour. [ms since 1970, UTC]
    forecast : WeatherForecast or None
        Doubted again here: one that is stale or does not cover now is left out, and the notes say so.
    past : PastWeather or None
        Of the site, up to now.
    climate : MonthlyClimate or None
        Of the site's configuration.
    place : Location
        [deg], [deg], [m]
    days, members : int
    trust : Trust

    Returns
    -------
    WeatherAhead or None
        None when there is no forecast, too little past and no climate.

    Raises
    ------
    ValueError
        `now_ms` is no whole hour.
    """
    if now_ms % HOUR_MS:
        raise ValueError(f"now_ms: found {now_ms}, expected a whole hour")
    notes: list[str] = []
    behind = None if past is None else from_past(past, now_ms, days=days, members=members)
    if behind is None and climate is not None:
        behind = from_climate(climate, now_ms, place=place, days=days,
                              members=members)  # fmt: skip
        if past is not None:
            notes.append(say("too little past weather of this season here; days are drawn from the monthly climate"))
    if forecast is not None:
        doubts = usable_faults(forecast, now_ms)
        if not doubts:
            found = from_forecast(forecast, now_ms, behind, days=days, members=members, trust=trust)
            return None if found is None else replace(found, notes=tuple(notes) + found.notes)
        notes += doubts
    return None if behind is None else replace(behind, notes=tuple(notes))


def from_past(past: PastWeather, now_ms: int, *, days: int = DAYS_AHEAD, members: int = MEMBERS) -> WeatherAhead | None:
    """Return spans of the site's past that began at the same hour and within `SEASON_DAYS` of the date. [mm h-1]

    Spread evenly over those there are, each taken more than once if need be. None with fewer than `LEAST_PASTS`.
    """
    hours = 24 * days
    if past.rain_mm.size < hours:
        return None
    first = (now_ms - past.first_ms) // HOUR_MS
    starts = np.arange(first % 24, min(past.rain_mm.size, first) - hours + 1, 24)
    away = np.abs(day_of_year(past.first_ms + starts * HOUR_MS) - day_of_year(now_ms))
    starts = starts[np.minimum(away, 366.0 - away) <= SEASON_DAYS]
    index = np.add.outer(np.arange(hours), starts)
    rain, demand = past.rain_mm[index], past.reference_et_mm[index]
    whole = np.isfinite(rain).all(axis=0) & np.isfinite(demand).all(axis=0)
    if int(whole.sum()) < LEAST_PASTS:
        return None
    chosen = np.flatnonzero(whole)[np.floor(np.linspace(0, whole.sum(), members, endpoint=False)).astype(np.int64)]
    return WeatherAhead(now_ms, rain[:, chosen], demand[:, chosen], WeatherSource.PAST)


def from_climate(
    climate: MonthlyClimate,
    now_ms: int,
    *,
    place: Location,
    days: int = DAYS_AHEAD,
    members: int = MEMBERS,
) -> WeatherAhead:
    """Return days drawn from monthly means. [mm h-1]

    Wet follows wet as Richardson 1981 (Water Resour. Res. 17, 182-190) has it; amounts are exponential about the mean
    of a wet day, and fall in a few hours anywhere in the day. Demand by Hargreaves from the mean temperatures, less on
    wet days and more on dry ones, so that its mean stays.
    """
    rng = np.random.default_rng(now_ms // HOUR_MS)
    date = day_of_year(now_ms + DAY_MS * np.arange(days, dtype=np.int64) + DAY_MS // 2)
    month_d = 365.25 / 12.0
    wet_share = np.clip(_season(climate.wet_days, date) / month_d, 0.0, 0.97)
    amount = _season(climate.rain_mm, date) / np.maximum(wet_share * month_d, 1e-6)
    wet = np.zeros((days, members), dtype=bool)
    chance = np.broadcast_to(wet_share[0], members)
    for day in range(days):
        wet[day] = rng.random(members) < chance
        if day + 1 < days:
            chance = wet_share[day + 1] + WET_PERSISTENCE * (wet[day] - wet_share[day + 1])
    fallen = np.where(wet, rng.exponential(1.0, (days, members)) * amount[:, np.newaxis], 0.0)
    begin = rng.integers(0, 24 - STORM_H + 1, (days, members))
    hour = np.arange(24)[np.newaxis, :, np.newaxis]
    falling = (hour >= begin[:, np.newaxis]) & (hour < begin[:, np.newaxis] + STORM_H)
    rain = (falling * fallen[:, np.newaxis] / STORM_H).reshape(24 * days, members)
    demand = _usual_et_daily_mm(climate, date, place)
    dry = 1.0 / (1.0 - wet_share * (1.0 - WET_DAY_DEMAND))
    factor = np.where(wet, WET_DAY_DEMAND, 1.0) * dry[:, np.newaxis]
    hourly = shared_over_days(now_ms, demand[:, np.newaxis] * factor, place)
    return WeatherAhead(now_ms, rain, hourly, WeatherSource.CLIMATE)


def usual_demand_mm(climate: MonthlyClimate, first_ms: int, days: int, place: Location) -> FloatArray:
    """Return the reference evapotranspiration usual at the date, by the hour, shape (24 * day,). [mm h-1]"""
    date = day_of_year(first_ms + DAY_MS * np.arange(days, dtype=np.int64) + DAY_MS // 2)
    daily = _usual_et_daily_mm(climate, date, place)
    return np.asarray(shared_over_days(first_ms, daily[:, np.newaxis], place)[:, 0], dtype=np.float64)


def _usual_et_daily_mm(climate: MonthlyClimate, date: FloatArray, place: Location) -> FloatArray:
    """By Hargreaves from the mean temperatures."""
    return air.hargreaves_et_daily_mm(
        _season(climate.highest_degc, date), _season(climate.lowest_degc, date),
        sun.extraterrestrial_radiation_daily(place.latitude_deg, date),
    )  # fmt: skip


def _season(months: npt.ArrayLike, date: FloatArray) -> FloatArray:
    """Return monthly figures drawn out to days, linear from mid-month to mid-month, round the year."""
    middle = (np.arange(-1, 13) + 0.5) * 365.25 / 12.0
    wrapped = np.asarray(months, dtype=np.float64)[np.arange(-1, 13) % 12]
    return np.asarray(np.interp(date, middle, wrapped), dtype=np.float64)


def from_forecast(
    forecast: WeatherForecast,
    now_ms: int,
    behind: WeatherAhead | None,
    *,
    days: int = DAYS_AHEAD,
    members: int = MEMBERS,
    trust: Trust = TRUST,
) -> WeatherAhead | None:
    """Return members round a forecast.

    Parameters
    ----------
    forecast : WeatherForecast
        Usable at `now_ms`.
    now_ms : int
        [ms since 1970, UTC]
    behind : WeatherAhead or None
        Past or climate, for what the forecast does not say and for the days a member does not believe it.
    days, members : int
    trust : Trust

    Returns
    -------
    WeatherAhead or None
        None when the forecast leaves something open and there is nothing behind it. With nothing behind it a forecast
        that covers every hour is believed whole but for the amount of its rain, and the notes say so.
    """
    hours = 24 * days
    rain, demand = forecast.of("rain_mm", now_ms, hours), forecast.of("reference_et_mm", now_ms, hours)
    notes: tuple[str, ...] = ()
    if behind is None:
        if not (np.isfinite(rain).all() and np.isfinite(demand).all()):
            return None
        notes = (say("no past weather of this season and no climate: the forecast is believed day by day"),)
    rng = np.random.default_rng(forecast.issued_ms // HOUR_MS)
    lead = np.arange(days)
    right = np.clip(trust.right - trust.fades * lead, trust.least, 1.0)
    believed = np.repeat(rng.random((days, members)) < right[:, np.newaxis], 24, axis=0)
    spread = trust.spread * (1.0 + 0.1 * lead)[:, np.newaxis]
    factor = np.exp(spread * rng.standard_normal((days, members)) - 0.5 * spread**2)  # its mean is one
    chance = _chance_by_day(forecast, now_ms, days)
    wet = rng.random((days, members)) < chance[:, np.newaxis]
    factor = np.where(wet, factor / np.maximum(chance, 0.1)[:, np.newaxis], 0.0)
    late = np.rint(trust.shift_h * (1.0 + 0.1 * lead)[:, np.newaxis] * rng.standard_normal((days, members)))
    fallen = np.nan_to_num(rain)[:, np.newaxis] * np.repeat(factor, 24, axis=0)  # each hour by its own day's
    known = np.broadcast_to(np.isfinite(rain)[:, np.newaxis], fallen.shape)
    reach = int(np.flatnonzero(known[:, 0]).max(initial=-1)) + 1
    asked = np.broadcast_to(demand[:, np.newaxis], (hours, members))
    if behind is None:
        drawn = _moved(fallen, late, reach)
    else:
        told = believed & known
        drawn = _moved(np.where(told, fallen, 0.0), late, reach) + np.where(told, 0.0, behind.rain_mm)
        asked = np.where(believed & np.isfinite(asked), asked, behind.reference_et_mm)
    return WeatherAhead(now_ms, drawn, np.asarray(asked, dtype=np.float64), WeatherSource.FORECAST, notes, reach)


def _moved(rain_mm: FloatArray, late_h: FloatArray, reach: int) -> FloatArray:
    """Return rain that comes late by so many hours, by the day for which it was forecast; none is lost. [mm h-1]

    What would come before now, or after the hours that the forecast reaches, comes as much on this side of the end: so
    rain that is as likely early as late stays as much in every hour, in the mean.
    """
    hours, members = rain_mm.shape
    if reach == 0:
        return np.zeros_like(rain_mm)
    to = np.arange(hours)[:, np.newaxis] + np.repeat(late_h, 24, axis=0).astype(np.int64)
    to = np.where(to < 0, -1 - to, to)
    to = np.clip(np.where(to >= reach, 2 * reach - 1 - to, to), 0, reach - 1)
    into = to * members + np.arange(members)
    found = np.bincount(into.ravel(), rain_mm.ravel(), hours * members)
    return np.asarray(found.reshape(hours, members), dtype=np.float64)


def _chance_by_day(forecast: WeatherForecast, now_ms: int, days: int) -> FloatArray:
    """Return the chance of any rain on each day: the greatest of its steps; 1 where the forecast gives none. [1]"""
    each = forecast.of("rain_chance", now_ms, 24 * days).reshape(days, 24)
    rain = forecast.of("rain_mm", now_ms, 24 * days).reshape(days, 24)
    known = np.isfinite(each).any(axis=1) & (np.nansum(rain, axis=1) > 0.0)
    greatest = np.max(np.where(np.isfinite(each), each, 0.0), axis=1)
    return np.asarray(np.where(known, np.maximum(greatest, 0.1), 1.0), dtype=np.float64)
