"""Hourly forecast of thatch and root-zone wetness for ten days, its chances, and the filling of past gaps.

The station's own balance is run on every member of the weather ahead, with the waterings that member draws. Each member
also gets an error of the size the balance has shown on the station's past weeks, and one of the size that probe and
limits may be off by now, so that chances are neither surer nor vaguer than experience. Hours in which a probe was out
of the ground are filled by the same balance, else from a neighbour.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.forecast.balance import Fit, Parameters, PastHours, WaterStores, run, state_now
from pipeline.forecast.weather_ahead import WeatherAhead, WeatherSource, normal_draws
from pipeline.texts import day_words, later, say, weekday
from pipeline.units import HOUR_MS, FloatArray

QUANTILES = (0.1, 0.9)  # of the members: what one course in ten stays below, and above

EDGE_SLACK = 1e-9  # sums of binary fractions must not push a value over an edge it lies on
WORK_HOURS = (7, 19)  # local hours in which a pass can be made: common practice
LEAST_WORK_H = 6  # dry hours in a row a job wants: common practice, no source
DRY_MM_H = 0.2  # less rain in an hour counts as none: one tip of a usual gauge
SOURCE_WORDS = {
    WeatherSource.FORECAST: later("weather forecast"),
    WeatherSource.PAST: later("no forecast: this site's own weather at this season"),
    WeatherSource.CLIMATE: later("no forecast: the usual weather of the month"),
}


@dataclass(frozen=True)
class WetnessForecast:
    """Relative wetness to come.

    Attributes
    ----------
    first_ms : int
        Time of the first row. [ms since 1970, UTC]
    thatch_wetness, root_wetness : ndarray, shape (hour + 1, member)
        [1] Thatch NaN where there is none.
    rain_mm : ndarray, shape (hour, member)
        [mm h-1]
    source : str
        What it rests on, in words.
    notes : tuple of str
        What was left out and why.
    reason : str
        Why there is none, with no members then; empty otherwise.
    leaf_mm : ndarray, shape (hour + 1, member)
        Water on the leaves. [mm] Without rows where it is not known.
    unwatered : WetnessForecast or None
        The same if nobody gives water; None where none is counted on.
    """

    first_ms: int
    thatch_wetness: FloatArray
    root_wetness: FloatArray
    rain_mm: FloatArray
    source: str = ""
    notes: tuple[str, ...] = ()
    reason: str = ""
    leaf_mm: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    unwatered: WetnessForecast | None = None

    @property
    def at_ms(self) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Times of the rows. [ms since 1970, UTC]"""
        return self.first_ms + HOUR_MS * np.arange(self.root_wetness.shape[0], dtype=np.int64)

    def if_unwatered(self) -> WetnessForecast:
        """Return the forecast if nobody gives water, which a decision on water rests on."""
        return self if self.unwatered is None else self.unwatered

    def middle(self) -> tuple[FloatArray, FloatArray]:
        """Return thatch and root-zone wetness by hour that half of the members stay below. [1]"""
        return _median(self.thatch_wetness), _median(self.root_wetness)


def _median(values: FloatArray) -> FloatArray:
    if values.shape[1] == 0:
        return np.full(values.shape[0], np.nan)
    return np.asarray(np.median(values, axis=1), dtype=np.float64)


def forecast_wetness(
    past: PastHours,
    fitted: Fit,
    weather: WeatherAhead | None,
    *,
    watering_mm: FloatArray | None = None,
    start_error: tuple[float, float] = (0.0, 0.0),
    unwatered: WetnessForecast | None = None,
) -> WetnessForecast:
    """Return the wetness of a station in the weather ahead.

    Parameters
    ----------
    past : PastHours
        Up to the begin of the weather.
    fitted : Fit
        Of the station's own weeks, see `balance.fit`.
    weather : WeatherAhead or None
    watering_mm : ndarray, shape (hour, member), optional
        Water that people give, see `waterings.waterings_ahead`. [mm h-1]
    start_error : (float, float)
        Standard deviation of the present thatch and root-zone wetness about what is true. [1] It stays: probe and
        limits are as far off tomorrow.
    unwatered : WetnessForecast, optional
        The same forecast if nobody gives water, where it is known already.

    Returns
    -------
    WetnessForecast
        With a reason and no members when the fit was refused, the present wetness is not known, or there is no weather.
    """
    now_ms = past.first_ms + past.water_mm.size * HOUR_MS
    if fitted.parameters is None:
        return _withheld(now_ms, fitted.reason)
    if weather is None:
        return _withheld(now_ms, say("no weather forecast, too little past weather, and no climate"))
    if weather.first_ms != now_ms:
        raise ValueError(f"weather: found its first hour at {weather.first_ms}, expected {now_ms}, the end of the past")
    found = state_now(past, fitted.parameters)
    if found is None:
        return _withheld(now_ms, say("no good reading of this station in the last hours"))
    state, dry_for_h = found
    rain, demand = weather.rain_mm, weather.reference_et_mm
    members, watered = rain.shape[1], watering_mm is not None and bool((watering_mm > 0.0).any())
    if unwatered is not None and not watered:
        return unwatered
    parts = [rain + watering_mm] if watering_mm is not None and watered else []
    water = np.hstack(parts if unwatered is not None else [*parts, rain])
    every = water.shape[1]
    first = WaterStores(*(np.full(every, float(s[0])) for s in (state.canopy_mm, state.thatch_mm, state.root_mm)))
    course = run(fitted.parameters, first, water, np.tile(demand, (1, every // members)), dry_for_h=dry_for_h)
    shape = (rain.shape[0] + 1, members)
    thatch_off = _misses(fitted.thatch_error, shape, 1) + start_error[0] * normal_draws(members, 7)
    root_off = _misses(fitted.root_error, shape, 2) + start_error[1] * normal_draws(members, 8)

    def of_members(begin: int) -> WetnessForecast:
        part = slice(begin, begin + members)
        return WetnessForecast(
            now_ms, course.thatch_wetness[:, part] + thatch_off, course.root_wetness[:, part] + root_off, rain,
            say(SOURCE_WORDS[weather.source]), weather.notes, leaf_mm=course.canopy_mm[:, part],
        )  # fmt: skip

    if not watered:
        return of_members(0)
    return replace(of_members(0), unwatered=of_members(members) if unwatered is None else unwatered)


def _withheld(now_ms: int, why: str) -> WetnessForecast:
    reason = say("no forecast of wetness: {why}", why=why)
    nothing = np.zeros((1, 0))
    return WetnessForecast(now_ms, nothing, nothing, np.zeros((0, 0)), reason=reason)


def _misses(error: FloatArray, shape: tuple[int, ...], salt: int) -> FloatArray:
    """Return an error for each member, of one sign at every lead and growing with it; their mean is 0. [1]"""
    hours, members = shape
    if not np.isfinite(error).all():
        return np.zeros(shape)
    size = error[np.minimum(np.arange(hours), error.size - 1)]
    return np.asarray(np.outer(size, normal_draws(members, salt)), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class DayChance:
    """Chance that a local day has working hours enough within bounds; None when the forecast does not cover them."""

    date: datetime.date
    chance: float | None


def day_chances(
    forecast: WetnessForecast,
    timezone: datetime.tzinfo,
    *,
    thatch: tuple[float, float] = (-np.inf, np.inf),
    roots: tuple[float, float] = (-np.inf, np.inf),
    work_hours: tuple[int, int] = WORK_HOURS,
) -> list[DayChance]:
    """Return the chance of each day that the ground is within bounds for long enough to work.

    Parameters
    ----------
    forecast : WetnessForecast
    timezone : tzinfo
        Of the site; days are its days, of 23 or 25 hours when clocks change.
    thatch, roots : (float, float)
        Open range of relative wetness, edges included. [1]
    work_hours : (int, int)
        Local hours, from the first up to the second.

    Returns
    -------
    list of DayChance
        For each local day that the forecast touches; no chance for a day whose working hours it covers only in part.
    """
    if forecast.reason or forecast.root_wetness.shape[1] == 0:
        return []
    good = _within(forecast.root_wetness[:-1], roots) & (forecast.rain_mm < DRY_MM_H)
    if np.isfinite(thatch).any():
        good &= _within(forecast.thatch_wetness[:-1], thatch)
    at = [datetime.datetime.fromtimestamp(t / 1000.0, timezone) for t in forecast.at_ms[:-1].tolist()]
    begin, end = work_hours
    of_day: dict[datetime.date, list[int]] = {}
    for i, t in enumerate(at):
        of_day.setdefault(t.date(), []).extend([i] if begin <= t.hour < end else [])
    out = []
    for date, rows in sorted(of_day.items()):
        whole = len(rows) >= end - begin  # clocks change by night
        out.append(DayChance(date, float(_in_a_row(good[rows]).mean()) if whole else None))
    return out


def _within(values: FloatArray, limits: tuple[float, float]) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    return np.asarray((values >= limits[0] - EDGE_SLACK) & (values <= limits[1] + EDGE_SLACK))


def _in_a_row(good: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Return which members have `LEAST_WORK_H` consecutive good rows."""
    if good.shape[0] < LEAST_WORK_H:
        return np.zeros(good.shape[1], dtype=np.bool_)
    spans = np.lib.stride_tricks.sliding_window_view(good, LEAST_WORK_H, axis=0)
    return np.asarray(spans.all(axis=-1).any(axis=0))


def in_ten(chance: float) -> str:
    """Return a chance [1] in tenths: "7 in 10"; never more sure than 9 in 10, nor less than 1."""
    # Translators: a chance
    return say("{n} in 10", n=tenths(chance))


def tenths(chance: float) -> int:
    """Return a chance [1] in tenths, 1 to 9."""
    return min(max(round(10.0 * chance), 1), 9)


def best_day_line(what: str, chances: Sequence[DayChance], today: datetime.date) -> str:
    """Return a line on the likeliest day: "dry enough to scarify: Thursday 7 in 10".

    Parameters
    ----------
    what : str
        Such as "dry enough to scarify".
    chances : sequence of DayChance
    today : date

    Returns
    -------
    str
        The first day whose chance is within a tenth of the best. "not likely" under 3 in 10, "cannot tell" without any.
    """
    known = [(c.date, c.chance) for c in chances if c.chance is not None]
    if not known:
        # Translators: what is "dry enough to scarify" or "moist enough to scarify", here and below
        return say("{what}: cannot tell", what=what)
    best = max(chance for _, chance in known)
    if best < 0.25:
        day = _day_name(known[-1][0] + datetime.timedelta(days=1), today)
        return say("{what}: not likely before {day}", what=what, day=day)
    date, chance = next((d, c) for d, c in known if c >= best - 0.1)
    # Translators: as in "dry enough to scarify: Thursday 7 in 10"
    return say("{what}: {day} {chance}", what=what, day=_day_name(date, today), chance=in_ten(chance))


def _day_name(date: datetime.date, today: datetime.date) -> str:
    ahead_days = (date - today).days
    if ahead_days == 0:
        return say("today")
    name = weekday(date)
    return name if 0 < ahead_days < 7 else say("{weekday} {date}", weekday=name, date=day_words(date))


def without_readings(past: PastHours, start_ms: int, end_ms: int | None, *, thatch: bool, roots: bool) -> PastHours:
    """Return a past without the readings of a lifted probe between two moments [ms]; an end of None is open."""
    at_ms = past.first_ms + HOUR_MS * np.arange(past.root_wetness.size, dtype=np.int64)
    out = (at_ms >= start_ms) & (at_ms < (2**62 if end_ms is None else end_ms))
    return replace(
        past,
        thatch_wetness=np.where(out & thatch, np.nan, past.thatch_wetness),
        root_wetness=np.where(out & roots, np.nan, past.root_wetness),
    )


def filled_by_balance(past: PastHours, parameters: Parameters, since_ms: int) -> PastHours | None:
    """Return the past with its gaps since a moment filled by the balance, on the weather that came.

    Parameters
    ----------
    past : PastHours
        Blanked since then.
    parameters : Parameters
        Of the station.
    since_ms : int
        [ms since 1970, UTC]

    Returns
    -------
    Past or None
        None where there is no state to start from, or the weather since is not known.
    """
    cut = int(min(max((since_ms - past.first_ms) // HOUR_MS + 1, 1), past.root_wetness.size))
    found = state_now(past.cut(0, cut), parameters)
    if found is None:
        return None
    state, dry_h = found
    course = run(
        parameters, state, past.water_mm[cut:, np.newaxis], past.reference_et_mm[cut:, np.newaxis], dry_for_h=dry_h
    )
    thatch = _filled(past.thatch_wetness, course.thatch_wetness[:, 0], cut)
    root = _filled(past.root_wetness, course.root_wetness[:, 0], cut)
    return None if np.isnan(root[-1]) else replace(past, thatch_wetness=thatch, root_wetness=root)


def _filled(measured: FloatArray, carried: FloatArray, cut: int) -> FloatArray:
    out = measured.copy()
    out[cut:] = np.where(np.isnan(out[cut:]), carried[: out.size - cut], out[cut:])
    return out


def filled_from_neighbour(past: PastHours, neighbour: PastHours, since_ms: int) -> PastHours | None:
    """Return the past with its gaps since a moment [ms] filled from a neighbour; None if that has no late reading."""
    at_ms = past.first_ms + HOUR_MS * np.arange(past.root_wetness.size, dtype=np.int64)
    late = at_ms >= since_ms

    def filled(own: FloatArray, other: FloatArray) -> FloatArray:
        return np.where(late & np.isnan(own), other, own)

    thatch = filled(past.thatch_wetness, neighbour.thatch_wetness)
    root = filled(past.root_wetness, neighbour.root_wetness)
    lately = slice(-6, None)
    if not (np.isfinite(thatch[lately]) & np.isfinite(root[lately])).any():
        return None
    return replace(past, thatch_wetness=thatch, root_wetness=root)


def spread_of(values: FloatArray) -> FloatArray:
    """Return mean and `QUANTILES` of the members by hour, shape (3, hour); NaN without members. [1]"""
    if values.shape[1] == 0 or np.isnan(values).all():
        return np.full((3, values.shape[0]), np.nan)
    return np.vstack([values.mean(axis=1), np.quantile(values, QUANTILES, axis=1)])
