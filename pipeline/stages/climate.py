"""Findings of each day: what the air asked of the turf, how well it could grow, how warm its soil, whether it froze.

Reference evapotranspiration is the hourly sum of the short reference (ASCE-EWRI 2005) where humidity, wind and sun are
measured. Up to three hours in a row are filled, the sun by its clear-sky course and the rest by a straight line; the
finding's reason names them. A day with longer gaps is worked out by temperature (Hargreaves), and the reason names what
was missing and when; without its temperatures it is withheld. The weather may be measured at another station of the
site; the wind is taken as that at 2 m.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np

from pipeline.diary.station import WEATHER, StationContext
from pipeline.soil import climate, radiation
from pipeline.soil.radiation import sunrise_sunset_ms
from pipeline.stages.stage import (
    Finding,
    FindPeriod,
    Grain,
    Record,
    Series,
    Stage,
    on_grid,
    over_short_gaps,
    solar_offset_ms,
)
from pipeline.texts import in_a_row, later, later_as, listed, say
from pipeline.units import DAY_MS, HOUR_MS, BoolArray, FloatArray, date_of_day

CLIMATE_QUANTITIES = (
    "growth_potential", "leaf_frost", "leaf_temperature_dawn", "reference_et", "soil_temperature_050",
)  # fmt: skip
FILLED_H = 3  # hours in a row that are filled from those beside: our own choice
LOW_SUN_W_M2 = 20.0  # of a clear sky, below which its share says nothing: our own choice
ET_WEATHER = {"air_temperature": later("air temperature"), "relative_humidity": later_as("of the air", "humidity"),
              "wind_speed": later_as("weather", "wind"), "solar_radiation": later_as("weather", "sun")}  # fmt: skip
SOIL_DEPTH_M, SOIL_REACH_M = 0.050, 0.020  # a thermometer so far off may stand for 50 mm: our own choice
HARGREAVES_SPREAD = 0.20  # of a day's value: common practice, no source
LEAF_SPREAD_DEGC = 2.0  # of an estimated leaf: common practice, no source
NO_PLACE = later("the site has no latitude and longitude: the sun's course is not known")


def _find(record: Record, context: StationContext, start_ms: int, end_ms: int) -> Iterator[Finding]:
    number = int(np.isfinite(_measured_weather(record, context, "air_temperature", start_ms)).sum())
    if number:
        yield from _evapotranspiration(record, context, start_ms)
        yield _growth(context, _hours(record, context, "air_temperature", start_ms)[24:], number, start_ms)
    yield from _dawn(record, context, start_ms)
    soil = _soil(record, context, start_ms)
    if soil is not None:
        yield soil


def _day(
    quantity: str, start_ms: int, value: float, n: int, reason: str = "", spread: tuple[float, float] | None = None
) -> Finding:
    low, high = (np.nan, np.nan) if spread is None else spread
    return Finding(quantity, start_ms, start_ms + DAY_MS, float(value), float(low), float(high), n, reason)


def hourly_means(series: Series | None, first_ms: int, hours: int, *, carried_on: bool = False) -> FloatArray:
    """Return the means of consecutive hours of a channel, gaps of at most `FILLED_H` hours filled by a straight line.

    Parameters
    ----------
    series : (times, values) or None
        [ms since 1970, UTC], [unit of the channel]
    first_ms : int
        Begin of the first hour. [ms since 1970, UTC]
    hours : int
    carried_on : bool
        Whether the last known hour stands for the `FILLED_H` hours after it too.

    Returns
    -------
    ndarray, shape (hours,)
        [unit of the channel] NaN in longer gaps, before the first known hour and after the last.
    """
    filled = over_short_gaps(_measured(series, first_ms, hours), FILLED_H)
    return _carried_on(filled) if carried_on else filled


def hourly_weather(
    channels: Mapping[str, Series], context: StationContext, quantity: str, first_ms: int, hours: int
) -> FloatArray:
    """Return the means of consecutive hours of a quantity of the weather, short gaps filled.

    Parameters
    ----------
    channels : mapping of str to (times, values)
        By channel. [ms since 1970, UTC], [unit of the quantity]
    context : StationContext
        Which channel reads the quantity, and where the place is.
    quantity : str
    first_ms : int
        Begin of the first hour. [ms since 1970, UTC]
    hours : int

    Returns
    -------
    ndarray, shape (hours,)
        [unit of the quantity] As `hourly_means`, carried on; the sun is filled by its share of a clear sky.
    """
    series = channels.get(context.weather.get(quantity, ""))
    place = context.site.location
    if quantity != "solar_radiation" or place is None:
        return hourly_means(series, first_ms, hours, carried_on=True)
    _, above, _ = radiation.sun_of_hours(first_ms, hours, place)
    clear = radiation.clear_sky_shortwave(above, place.elevation_m) * 1e6 / 3600.0
    return _sun_filled(_measured(series, first_ms, hours), clear)


def _sun_filled(shine: FloatArray, clear: FloatArray) -> FloatArray:
    """Return hourly sun [W m-2], gaps of at most `FILLED_H` hours filled by the share of a clear sky on either side.

    A side without a sun high enough to tell is left out; a gap in the dark is nought.
    """
    known = np.flatnonzero(np.isfinite(shine))
    if known.size in (0, shine.size):
        return shine
    share = np.where(clear >= LOW_SUN_W_M2, shine / np.maximum(clear, LOW_SUN_W_M2), np.nan)
    filled = shine.copy()
    for before, after in itertools.pairwise([*known.tolist(), min(int(known[-1]) + 1 + FILLED_H, shine.size)]):
        sides = [k for k in (before, after) if k < shine.size and np.isfinite(share[k])]
        gap = np.arange(before + 1, after)
        if gap.size <= FILLED_H and (sides or not clear[gap].any()):
            filled[gap] = clear[gap] * np.interp(gap, sides, share[sides]) if sides else 0.0
    return filled


def _measured(series: Series | None, first_ms: int, hours: int) -> FloatArray:
    return on_grid(series, first_ms + HOUR_MS // 2, HOUR_MS, hours)


def _carried_on(hourly: FloatArray) -> FloatArray:
    """Return hours with the last known value carried on for at most `FILLED_H`."""
    known = np.flatnonzero(np.isfinite(hourly))
    if known.size == 0 or known[-1] == hourly.size - 1:
        return hourly
    carried = hourly.copy()
    carried[known[-1] + 1 : known[-1] + 1 + FILLED_H] = hourly[known[-1]]
    return carried


def _hours(record: Record, context: StationContext, quantity: str, start_ms: int) -> FloatArray:
    """Hourly means of the day before and of the day, short gaps filled. Not to be changed: others are given it too."""
    key = ("hours", context.weather.get(quantity, ""), start_ms)
    if key not in record.worked_out:
        record.worked_out[key] = hourly_weather(record.channels, context, quantity, start_ms - DAY_MS, 48)
    return np.asarray(record.worked_out[key], dtype=np.float64)


def _measured_weather(record: Record, context: StationContext, quantity: str, start_ms: int) -> FloatArray:
    """Hourly means of the day alone, nothing filled."""
    return _measured(record.channels.get(context.weather.get(quantity, "")), start_ms, 24)


def _gap(filled: FloatArray, what: str, number: int) -> str:
    """Return why a day of hours cannot be told, empty where it can; the number is that of the hours measured."""
    if np.isfinite(filled).all():
        return ""
    # Translators: of a day; what is a quantity of the weather, as in "air temperature"
    return say("{what} of only {n} of {hours} hours is known", what=what, n=number, hours=filled.size)


class DayDemand(NamedTuple):
    """Reference evapotranspiration of a day. [mm], NaN where withheld.

    `hours` are those of which all weather was measured, or the air temperature where it is told `by_temperature` alone
    or not at all; `reason` says why it is withheld, which hours were filled, or why Hargreaves was used; else empty.
    """

    water_mm: float
    hours: int
    reason: str
    by_temperature: bool = False


def reference_et(record: Record, context: StationContext, start_ms: int) -> DayDemand:
    """Return the reference evapotranspiration of the day that begins at a time.

    Parameters
    ----------
    record : Record
        From a day before it to its end or on; fortnights ask for what the days have had.
    context : StationContext
    start_ms : int
        Midnight by the sun. [ms since 1970, UTC]

    Returns
    -------
    DayDemand

    References
    ----------
    ASCE-EWRI 2005 short reference summed over the hours; FAO-56 eq. 52 (Hargreaves).
    """
    key = ("reference_et", context.station, start_ms)
    if key not in record.worked_out:
        record.worked_out[key] = _reference_et(record, context, start_ms)
    found: DayDemand = record.worked_out[key]
    return found


def _reference_et(record: Record, context: StationContext, start_ms: int) -> DayDemand:
    measured = {q: np.isfinite(_measured_weather(record, context, q, start_ms)) for q in ET_WEATHER}
    number = int(measured["air_temperature"].sum())
    place = context.site.location
    if place is None:
        return DayDemand(float("nan"), number, say(NO_PLACE))
    all_measured = int(np.logical_and.reduce(list(measured.values())).sum())
    total = float(_hourly_mm(record, context, start_ms, place)[24:].sum())
    if np.isfinite(total):
        missed = _missing(measured, start_ms)
        filled = say("filled from the hours beside: {weather}", weather=missed) if missed else ""
        return DayDemand(total, all_measured, filled)
    air = _hours(record, context, "air_temperature", start_ms)
    reason = _gap(air[24:], say("air temperature"), number)
    if reason:
        return DayDemand(float("nan"), number, reason)
    times, values = record.channels[context.weather["air_temperature"]]
    today = values[(times >= start_ms) & (times < start_ms + DAY_MS)]
    day = float(radiation.day_of_year(start_ms + DAY_MS // 2 + solar_offset_ms(context)))
    above = radiation.extraterrestrial_radiation_daily(place.latitude_deg, day)
    water = climate.hargreaves_et_daily_mm(np.nanmax(today), np.nanmin(today), above)
    longer = {q: np.isfinite(_hours(record, context, q, start_ms)[24:]) for q in ET_WEATHER}
    # all hours of the day there: what the day before lacks is the evening's sun, which tells the cloud of the night
    missed = _missing(longer, start_ms) or say("sun of the evening before")
    reason = say("by temperature alone (Hargreaves): not measured {weather}", weather=missed)
    return DayDemand(float(water), number, reason, by_temperature=True)


def _missing(known: Mapping[str, BoolArray], start_ms: int) -> str:
    """Return in words which weather of a day is not known and when, as "humidity 02-05 h UTC, sun all day"."""
    words = []
    for quantity, there in known.items():
        if not there.any():
            words.append(say("{weather} all day", weather=say(ET_WEATHER[quantity])))
        elif not there.all():
            edges = np.flatnonzero(np.diff(np.concatenate(([0], ~there, [0])))).reshape(-1, 2)
            first = start_ms // HOUR_MS
            hours = listed([f"{(first + a) % 24:02d}-{(first + b - 1) % 24 + 1:02d}" for a, b in edges.tolist()])
            words.append(say("{weather} {hours} h UTC", weather=say(ET_WEATHER[quantity]), hours=hours))
    return in_a_row(words)


def _hourly_mm(record: Record, context: StationContext, start_ms: int, place: radiation.Location) -> FloatArray:
    air, humidity, wind, shine = (_hours(record, context, q, start_ms) for q in ET_WEATHER)
    return climate.weather_reference_et_mm(start_ms - DAY_MS, air, humidity, shine, wind, place)


def _evapotranspiration(record: Record, context: StationContext, start_ms: int) -> Iterator[Finding]:
    water, known, reason, by_temperature = reference_et(record, context, start_ms)
    spread = (water * (1.0 - HARGREAVES_SPREAD), water * (1.0 + HARGREAVES_SPREAD)) if by_temperature else None
    yield _day("reference_et", start_ms, water, known, reason, spread)


def _growth(context: StationContext, air: FloatArray, number: int, start_ms: int) -> Finding:
    share = climate.growth_potential(float(air.mean()), context.ground.grass)
    return _day("growth_potential", start_ms, float(share), number, _gap(air, say("air temperature"), number))


def _soil(record: Record, context: StationContext, start_ms: int) -> Finding | None:
    """Mean soil temperature at 50 mm: between the thermometers above and below, else the nearest."""
    at_ms = start_ms + DAY_MS // 2
    heard = [(context.depth_m(i, at_ms), i) for i in context.temperatures if i in record.channels]
    hours = {i: hourly_means(record.channels[i], start_ms, 24) for _, i in heard}
    heard = [(depth, i) for depth, i in heard if np.isfinite(hours[i]).any()]
    if not heard:
        return None
    above = [p for p in heard if p[0] <= SOIL_DEPTH_M]
    below = [p for p in heard if p[0] > SOIL_DEPTH_M]
    if above and below:
        (upper, i), (lower, j) = above[-1], below[0]
        share = (SOIL_DEPTH_M - upper) / (lower - upper)
        values = (1.0 - share) * hours[i] + share * hours[j] if share > 0.0 else hours[i]
    else:
        depth, i = min(heard, key=lambda p: abs(p[0] - SOIL_DEPTH_M))
        if abs(depth - SOIL_DEPTH_M) > SOIL_REACH_M:
            return _day("soil_temperature_050", start_ms, np.nan, 0, say("no thermometer within 20 mm of 50 mm"))
        values = hours[i]
    known = int(np.isfinite(values).sum())
    reason = _gap(values, say("soil temperature"), known)
    return _day("soil_temperature_050", start_ms, float(values.mean()), known, reason)


def _dawn(record: Record, context: StationContext, start_ms: int) -> Iterator[Finding]:
    """Lowest temperature of the leaf from midnight to an hour after sunrise, and whether it froze."""
    place = context.site.location
    if place is None:
        return
    days = (start_ms + DAY_MS // 2 + solar_offset_ms(context)) // DAY_MS
    date = date_of_day(days)
    rise, _ = sunrise_sunset_ms(place.latitude_deg, place.longitude_deg, date, 1)
    until = 7 if np.isnan(rise[0]) else int(np.clip(-(-(rise[0] - start_ms) // HOUR_MS) + 1, 1, 24))
    span = slice(24, 24 + until)
    leaf = hourly_means(record.channels.get(context.weather.get("surface_temperature", "")), start_ms - DAY_MS, 48)
    reason = ""
    if "surface_temperature" not in context.weather:
        air = _hours(record, context, "air_temperature", start_ms)
        humidity, wind = (_hours(record, context, q, start_ms) for q in ("relative_humidity", "wind_speed"))
        shine = _hours(record, context, "solar_radiation", start_ms)
        vapour = climate.vapour_pressure_kpa(air, humidity)
        ratio = climate.cloud_ratio(start_ms - DAY_MS, shine, place)
        leaf = climate.leaf_temperature_by_night_degc(air, vapour, wind, ratio)
        reason = say("estimated from air, humidity, wind and cloud: nothing measures the leaf")
    known = leaf[span]
    if not np.isfinite(known).any():
        return
    number = int(np.isfinite(known).sum())
    lowest = float(known.min())
    if np.isnan(lowest):
        reason = _gap(known, say("leaf temperature"), number)
    spread = LEAF_SPREAD_DEGC if reason else 0.0
    frozen, low, high = climate.frost_on_leaf([lowest, lowest + spread, lowest - spread])
    bounds = (lowest - spread, lowest + spread)
    yield _day("leaf_temperature_dawn", start_ms, lowest, number, reason, bounds if reason else None)
    yield _day("leaf_frost", start_ms, frozen, number, reason, (low, high) if reason else None)


DAILY_CLIMATE = Stage[FindPeriod](
    name="climate",
    grain=Grain.PERIOD,
    run=_find,
    findings=CLIMATE_QUANTITIES,
    observes=(*WEATHER, "soil_temperature"),
    length_ms=DAY_MS,
    lead_in_ms=DAY_MS,
)
