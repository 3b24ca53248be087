"""The hours of a station that its passes are judged by, a week measured and ten days ahead.

Ahead, wetness is the balance's, weather the forecast's as far as it goes, and past it what the last week and the season
let expect; rain past it is that of the middle member, so that chance and not the hour tells of showers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from pipeline.advice.chances import courses_of
from pipeline.advice.conditions import LOOK_BACK_H, Hours
from pipeline.advice.station_inputs import AHEAD_H, StationView, View
from pipeline.forecast.climatology import Daily, air_ahead, by_hour_of_day, soil_ahead
from pipeline.soil.climate import dewpoint_from_humidity_degc
from pipeline.soil.moving import binned_means
from pipeline.stages.climate import SOIL_DEPTH_M, SOIL_REACH_M, hourly_means
from pipeline.stages.stage import NO_SERIES
from pipeline.units import DAY_MS, HOUR_MS, FloatArray, TimeArray, date_of_day

TOP_M = 0.030  # one no deeper may stand for the top of the ground: our own choice
CUT_M = 0.150  # down to here ground may be frozen under a thawed top: our own choice
SEEDBED_DAYS = 400  # a year, and the weeks after its last day in which seed comes up


def hours_of(view: View, station: StationView) -> Hours:
    """Return the hours of one station, from a week back to ten days ahead.

    Parameters
    ----------
    view : View
    station : StationView
    """
    first_ms = view.hour_ms - LOOK_BACK_H * HOUR_MS
    at_ms = first_ms + HOUR_MS * np.arange(LOOK_BACK_H + AHEAD_H, dtype=np.int64)
    thatch, root = _wetness(view, station)
    weather, forecast_end_ms = _weather(view, station, first_ms, at_ms)
    soil = _soil(view, station, first_ms, weather["air_temperature_degc"])
    series = {"thatch_wetness": thatch, "root_zone_wetness": root, **weather, **soil}
    return Hours(
        at_ms,
        series,
        forecast_end_ms,
        courses_of(station.forecast, station.weather),
        soil_temperature_by_day=_seedbed(view, station, at_ms, series["soil_temperature_degc"], weather),
        frost_chance_by_day=station.season.frost_chance
        if np.isfinite(station.season.frost_chance.values).any()
        else None,
    )


def with_wetness_of(view: View, station: StationView, hours: Hours) -> Hours:
    """Return the hours of one station with the wetness to come of another forecast; its weather is the same."""
    thatch, root = _wetness(view, station)
    series = {**hours.series, "thatch_wetness": thatch, "root_zone_wetness": root}
    return replace(hours, series=series, courses=courses_of(station.forecast, station.weather))


def _wetness(view: View, station: StationView) -> tuple[FloatArray, FloatArray]:
    """Return thatch and root-zone wetness, measured and to come. [1]"""
    past = station.past
    end = (view.hour_ms - past.first_ms) // HOUR_MS + 1  # with the hour that is on
    back = slice(end - 1 - LOOK_BACK_H, end)
    found: list[FloatArray] = []
    for measured, middle in zip((past.thatch_wetness, past.root_wetness), station.forecast.middle(), strict=True):
        ahead = np.full(AHEAD_H, np.nan)
        count = min(middle.size, AHEAD_H)
        ahead[:count] = middle[:count]
        now = measured[end - 1]
        ahead[0] = now if np.isfinite(now) else ahead[0]
        found.append(np.concatenate([measured[back][:-1], ahead]))
    return found[0], found[1]


def _weather(view: View, station: StationView, first_ms: int, at_ms: TimeArray) -> tuple[dict[str, FloatArray], int]:
    """Return air, leaf, dew point and rain, and from when on no temperature is forecast. [degC], [mm], [ms]"""
    context, ahead_ms = station.context, at_ms[LOOK_BACK_H:]
    air, humidity, leaf = (
        hourly_means(station.recent.get(context.weather.get(q, ""), NO_SERIES), first_ms, LOOK_BACK_H, carried_on=True)
        for q in ("air_temperature", "relative_humidity", "surface_temperature")
    )
    dew = np.asarray(dewpoint_from_humidity_degc(air, np.maximum(humidity, 1.0)), dtype=np.float64)
    told = {name: _forecast(view, name) for name in ("temperature_degc", "dew_point_degc", "rain_mm")}
    usual = _usual(station, ahead_ms)
    expected = air_ahead(air, first_ms, ahead_ms, usual)
    air_to_come = np.where(np.isnan(told["temperature_degc"]), expected, told["temperature_degc"])
    below = by_hour_of_day(air - dew, first_ms)[(ahead_ms // HOUR_MS) % 24]
    dew_to_come = np.where(np.isnan(told["dew_point_degc"]), air_to_come - below, told["dew_point_degc"])
    over = by_hour_of_day(leaf - air, first_ms)[(ahead_ms // HOUR_MS) % 24]
    rain = np.where(np.isnan(told["rain_mm"]), _middle_rain(station), told["rain_mm"])
    ends = np.flatnonzero(np.isnan(told["temperature_degc"]))
    known_h = int(ends[0]) if ends.size else AHEAD_H
    past_rain = station.past.water_mm[-1 - LOOK_BACK_H : -1]
    return {
        "air_temperature_degc": _joined(air, air_to_come),
        "surface_temperature_degc": _joined(leaf, air_to_come + over),
        "dew_point_degc": _joined(dew, dew_to_come),
        "rain_mm": np.concatenate([past_rain, rain]),
    }, int(view.hour_ms + known_h * HOUR_MS)


def _joined(back: FloatArray, ahead: FloatArray) -> FloatArray:
    """Return measured hours and those ahead; the hour that is on is as the last one measured."""
    found = np.concatenate([back, ahead])
    if np.isfinite(back[-1]):
        found[back.size] = back[-1]
    return found


def _forecast(view: View, name: str) -> FloatArray:
    return np.full(AHEAD_H, np.nan) if view.forecast is None else view.forecast.of(name, view.hour_ms, AHEAD_H)


def _middle_rain(station: StationView) -> FloatArray:
    """Return the median rain of the members in each hour; NaN without members. [mm]"""
    if station.weather is None:
        return np.full(AHEAD_H, np.nan)
    return np.asarray(np.median(station.weather.rain_mm, axis=1)[:AHEAD_H], dtype=np.float64)


def _usual(station: StationView, at_ms: TimeArray) -> FloatArray:
    days = [date_of_day(int(d)) for d in np.unique(at_ms // DAY_MS)]
    usual = np.array([station.season.usual_degc(day) for day in days])
    return np.asarray(usual[at_ms // DAY_MS - at_ms[0] // DAY_MS], dtype=np.float64)


def _soil(view: View, station: StationView, first_ms: int, air: FloatArray) -> dict[str, FloatArray]:
    """Return the temperature of the soil at 50 mm, of the top of the ground, and the coldest down to the cut. [degC]"""
    context = station.context
    depths = {i: context.depth_m(i, view.now_ms) for i in context.temperatures}
    measured = {
        i: hourly_means(station.recent.get(i, NO_SERIES), first_ms, LOOK_BACK_H, carried_on=True) for i in depths
    }
    blank = np.full(LOOK_BACK_H, np.nan)
    soil = _at_50_mm(depths, measured)
    if station.by_hand_ms is not None and not depths:
        soil = _as_warm_as_the_air(station, first_ms, air)
    if station.carried_since_ms is not None:
        soil = _carried_hours(soil, air)
    top = min((i for i in depths if depths[i] <= TOP_M), key=lambda i: depths[i], default="")
    deep = [measured[i] for i in depths if depths[i] <= CUT_M]
    coldest = np.min(deep, axis=0) if deep else blank
    nothing = np.full(AHEAD_H, np.nan)
    return {
        "soil_temperature_degc": _joined(soil, soil_ahead(soil, air, AHEAD_H)),
        "ground_top_temperature_degc": _joined(measured.get(top, blank), nothing),
        "ground_depth_temperature_degc": _joined(coldest, nothing),
    }


def _as_warm_as_the_air(station: StationView, first_ms: int, air: FloatArray) -> FloatArray:
    """Return the soil of a week where no thermometer is in it: the mean of the air, else the usual. [degC]"""
    at_ms = first_ms + HOUR_MS * np.arange(LOOK_BACK_H, dtype=np.int64)
    known = air[:LOOK_BACK_H][np.isfinite(air[:LOOK_BACK_H])]
    usual = _usual(station, at_ms)
    return np.full(LOOK_BACK_H, known.mean()) if known.size >= 24 else usual


def _carried_hours(soil: FloatArray, air: FloatArray) -> FloatArray:
    """Return the soil temperature carried on by the air since a lifted thermometer was last in the ground. [degC]"""
    known = np.flatnonzero(np.isfinite(soil))
    if known.size == 0:
        return soil
    gap = soil.size - 1 - int(known[-1])
    return np.concatenate([soil[: soil.size - gap], soil_ahead(soil[: soil.size - gap], air[: soil.size], gap)])


def _at_50_mm(depths: Mapping[str, float], measured: Mapping[str, FloatArray]) -> FloatArray:
    """Return the temperature between the thermometers about 50 mm, else of the nearest; NaN if none is near. [degC]"""
    heard = sorted((depth, i) for i, depth in depths.items() if np.isfinite(measured[i]).any())
    above, below = [p for p in heard if p[0] <= SOIL_DEPTH_M], [p for p in heard if p[0] > SOIL_DEPTH_M]
    if above and below:
        (upper, i), (lower, j) = above[-1], below[0]
        share = (SOIL_DEPTH_M - upper) / (lower - upper)
        return measured[i] if share <= 0.0 else (1.0 - share) * measured[i] + share * measured[j]
    near = [(abs(depth - SOIL_DEPTH_M), i) for depth, i in heard if abs(depth - SOIL_DEPTH_M) <= SOIL_REACH_M]
    return measured[min(near)[1]] if near else np.full(LOOK_BACK_H, np.nan)


def _seedbed(
    view: View, station: StationView, at_ms: TimeArray, soil: FloatArray, weather: Mapping[str, FloatArray]
) -> Daily | None:
    """Return the soil temperature at 50 mm expected of each day from today on, by hours, then by season. [degC]"""
    day = at_ms // DAY_MS - view.today
    if not (np.isfinite(soil) & (day >= 0)).any():
        return None
    found, _ = binned_means(day, soil, SEEDBED_DAYS)
    over = soil[-DAYS_OVER_H:] - weather["air_temperature_degc"][-DAYS_OVER_H:]
    above = float(np.mean(over[np.isfinite(over)])) if np.isfinite(over).any() else float("nan")
    for n in np.flatnonzero(np.isnan(found)).tolist():
        found[n] = station.season.usual_degc(date_of_day(view.today + n)) + above
    return Daily(view.today * DAY_MS, found)


DAYS_OVER_H = 120  # of hours to come, that tell how far the soil lies above the air


def coldest_leaf(view: View, hours: Hours, until_ms: int) -> float | None:
    """Return the coldest leaf from now until a moment, as far as it is forecast; None when none of it is. [degC]"""
    ahead = (hours.at_ms >= view.hour_ms) & (hours.at_ms < min(until_ms, hours.forecast_end_ms))
    leaf = hours.surface_degc()[ahead]
    return float(leaf.min()) if leaf.size and np.isfinite(leaf).all() else None
