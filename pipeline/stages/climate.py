"""Findings of each day: what the air asked of the turf, how well it could grow, how warm its soil, whether it froze.

Reference evapotranspiration is the FAO-56 hourly sum where humidity, wind and sun are measured, else Hargreaves by
temperature, and the finding's reason then says so. A day whose hours are not all known is withheld; up to two hours
are filled by a straight line. The weather may be measured at another station of the site; the wind is taken as that
at 2 m.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator

import numpy as np

from pipeline.site.station import WEATHER, StationContext
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
from pipeline.units import DAY_MS, HOUR_MS, FloatArray

CLIMATE_QUANTITIES = (
    "growth_potential", "leaf_frost", "leaf_temperature_dawn", "reference_et", "soil_temperature_050",
)  # fmt: skip
FILLED_H = 2  # hours in a row that a straight line may fill: our own choice
SOIL_DEPTH_M, SOIL_REACH_M = 0.050, 0.020  # a thermometer so far off may stand for 50 mm: our own choice
HARGREAVES_SPREAD = 0.20  # of a day's value: common practice, no source
LEAF_SPREAD_DEGC = 2.0  # of an estimated leaf: common practice, no source
MEADOW_GRASS_OPTIMUM_DEGC = 18.0  # suggested for annual meadow-grass: common practice, read at second hand
NO_PLACE = "the site has no latitude and longitude: the sun's course is not known"


def _find(record: Record, context: StationContext, start_ms: int, end_ms: int) -> Iterator[Finding]:
    air = _hours(record, context, "air_temperature", start_ms)
    if np.isfinite(air[24:]).any():
        yield from _evapotranspiration(record, context, start_ms)
        yield _growth(context, air[24:], start_ms)
    yield from _dawn(record, context, start_ms)
    soil = _soil(record, context, start_ms)
    if soil is not None:
        yield soil


def _day(
    quantity: str, start_ms: int, value: float, n: int, reason: str = "", spread: tuple[float, float] | None = None
) -> Finding:
    low, high = (np.nan, np.nan) if spread is None else spread
    return Finding(quantity, start_ms, start_ms + DAY_MS, float(value), float(low), float(high), n, reason)


def _series(record: Record, context: StationContext, quantity: str) -> Series | None:
    return record.channels.get(context.weather.get(quantity, ""))


def hourly_means(series: Series | None, first_ms: int, hours: int) -> FloatArray:
    """Return the means of consecutive hours of a weather channel, gaps of at most `FILLED_H` hours filled.

    Parameters
    ----------
    series : (times, values) or None
        [ms since 1970, UTC], [unit of the channel]
    first_ms : int
        Begin of the first hour. [ms since 1970, UTC]
    hours : int

    Returns
    -------
    ndarray, shape (hours,)
        [unit of the channel] NaN in longer gaps, and before the first and after the last known hour.
    """
    return over_short_gaps(on_grid(series, first_ms + HOUR_MS // 2, HOUR_MS, hours), FILLED_H)


def _hours(record: Record, context: StationContext, quantity: str, start_ms: int) -> FloatArray:
    """Hourly means of the day before and of the day, short gaps filled. Not to be changed: others are given it too."""
    key = ("hours", context.weather.get(quantity, ""), start_ms)
    if key not in record.worked_out:
        record.worked_out[key] = hourly_means(_series(record, context, quantity), start_ms - DAY_MS, 48)
    return np.asarray(record.worked_out[key], dtype=np.float64)


def _gap(known: FloatArray, what: str) -> str:
    number = int(np.isfinite(known).sum())
    return "" if number == known.size else f"{what} of only {number} of {known.size} hours is known"


def reference_et(record: Record, context: StationContext, start_ms: int) -> tuple[float, int, str]:
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
    (float, int, str)
        [mm], NaN where withheld; hours behind it; why it is withheld, or that Hargreaves was used; else empty.

    References
    ----------
    FAO-56 eq. 53 summed over the hours; FAO-56 eq. 52 (Hargreaves).
    """
    key = ("reference_et", context.station, start_ms)
    if key not in record.worked_out:
        record.worked_out[key] = _reference_et(record, context, start_ms)
    water_mm, hours, reason = record.worked_out[key]
    return water_mm, hours, reason


def _reference_et(record: Record, context: StationContext, start_ms: int) -> tuple[float, int, str]:
    air = _hours(record, context, "air_temperature", start_ms)
    known = int(np.isfinite(air[24:]).sum())
    if context.latitude_deg is None or context.longitude_deg is None:
        return float("nan"), known, NO_PLACE
    total = float(_hourly_mm(record, context, start_ms)[24:].sum())
    if np.isfinite(total):
        return total, known, ""
    reason = _gap(air[24:], "air temperature")
    if reason:
        return float("nan"), known, reason
    times, values = _series(record, context, "air_temperature") or (np.array([]), np.array([]))
    today = values[(times >= start_ms) & (times < start_ms + DAY_MS)]
    day = float(radiation.day_of_year(start_ms + DAY_MS // 2 + solar_offset_ms(context)))
    above = radiation.extraterrestrial_radiation_daily(context.latitude_deg, day)
    water = climate.hargreaves_et_daily_mm(np.nanmax(today), np.nanmin(today), above)
    lacking = [
        words
        for quantity, words in (("relative_humidity", "humidity"), ("wind_speed", "wind"), ("solar_radiation", "sun"))
        if not np.isfinite(_hours(record, context, quantity, start_ms)[24:]).all()
    ]
    return float(water), known, f"by temperature alone (Hargreaves): no full day of {', '.join(lacking) or 'sun'}"


def _hourly_mm(record: Record, context: StationContext, start_ms: int) -> FloatArray:
    assert context.latitude_deg is not None and context.longitude_deg is not None
    air, humidity, wind, shine = (
        _hours(record, context, q, start_ms)
        for q in ("air_temperature", "relative_humidity", "wind_speed", "solar_radiation")
    )
    return climate.weather_reference_et_mm(
        start_ms - DAY_MS, air, humidity, shine, wind, latitude_deg=context.latitude_deg,
        longitude_deg=context.longitude_deg, elevation_m=context.elevation_m,
    )  # fmt: skip


def _evapotranspiration(record: Record, context: StationContext, start_ms: int) -> Iterator[Finding]:
    water, known, reason = reference_et(record, context, start_ms)
    spread = (water * (1.0 - HARGREAVES_SPREAD), water * (1.0 + HARGREAVES_SPREAD)) if reason else None
    yield _day("reference_et", start_ms, water, known, reason, spread)


def _growth(context: StationContext, air: FloatArray, start_ms: int) -> Finding:
    mean = float(air.mean())
    if context.grass == "annual_meadow_grass":
        share = climate.growth_potential_cool(mean, optimum_degc=MEADOW_GRASS_OPTIMUM_DEGC)
    else:
        share = climate.growth_potential(mean, context.grass)
    return _day("growth_potential", start_ms, float(share), int(np.isfinite(air).sum()), _gap(air, "air temperature"))


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
            return _day("soil_temperature_050", start_ms, np.nan, 0, "no thermometer within 20 mm of 50 mm")
        values = hours[i]
    known = int(np.isfinite(values).sum())
    return _day("soil_temperature_050", start_ms, float(values.mean()), known, _gap(values, "soil temperature"))


def _dawn(record: Record, context: StationContext, start_ms: int) -> Iterator[Finding]:
    """Lowest temperature of the leaf from midnight to an hour after sunrise, and whether it froze."""
    if context.latitude_deg is None or context.longitude_deg is None:
        return
    days = (start_ms + DAY_MS // 2 + solar_offset_ms(context)) // DAY_MS
    date = datetime.date(1970, 1, 1) + datetime.timedelta(days=days)
    rise, _ = sunrise_sunset_ms(context.latitude_deg, context.longitude_deg, date, 1)
    until = 7 if np.isnan(rise[0]) else int(np.clip(-(-(rise[0] - start_ms) // HOUR_MS) + 1, 1, 24))
    span = slice(24, 24 + until)
    leaf = _hours(record, context, "surface_temperature", start_ms)
    reason = ""
    if "surface_temperature" not in context.weather:
        air = _hours(record, context, "air_temperature", start_ms)
        humidity, wind = (_hours(record, context, q, start_ms) for q in ("relative_humidity", "wind_speed"))
        shine = _hours(record, context, "solar_radiation", start_ms)
        place = (context.latitude_deg, context.longitude_deg, context.elevation_m)
        vapour = climate.vapour_pressure_kpa(air, humidity)
        ratio = climate.cloud_ratio(start_ms - DAY_MS, shine, *place)
        leaf = climate.leaf_temperature_by_night_degc(air, vapour, wind, ratio)
        reason = "estimated from air, humidity, wind and cloud: nothing measures the leaf"
    known = leaf[span]
    if not np.isfinite(known).any():
        return
    number = int(np.isfinite(known).sum())
    lowest = float(known.min())
    if np.isnan(lowest):
        reason = _gap(known, "leaf temperature")
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
