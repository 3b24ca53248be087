"""The hours of a station laid end to end: a week measured, ten days to come, as the judging of passes wants them.

Ahead, wetness is the balance's, weather the forecast's as far as it goes, and past it what the last week and the season
let expect; rain past it is that of the middle member, so that chance and not the hour tells of showers. Nothing
measured is changed, and nothing is judged.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping

import numpy as np

from pipeline.advice.daily import DAY_MS, HOUR_MS, Daily, TimeArray
from pipeline.advice.expected import air_ahead, by_hour_of_day, soil_ahead
from pipeline.advice.measures import LOOK_BACK_H, Hours
from pipeline.advice.verdicts import FloatArray
from pipeline.advisor.inputs import AHEAD_H, StationView, View
from pipeline.advisor.lately import NOTHING, hour_means
from pipeline.soil.humidity import dewpoint_from_humidity_degc
from pipeline.station import StationContext

SOIL_M, SOIL_REACH_M = 0.050, 0.020  # a thermometer so far off may stand for 50 mm, as in the findings of days
TOP_M = 0.030  # one no deeper may stand for the top of the ground: our own choice
CUT_M = 0.150  # down to here ground may be frozen under a thawed top: our own choice
SEEDBED_DAYS = 45
SPREAD_OF = {
    "thatch": ("thatch_wetness", "thatch_wetness_no_water"),
    "root": ("root_zone_wetness", "root_zone_wetness_no_water", "root_zone_wetness_clay"),
}


def hours_of(view: View, station: StationView) -> Hours:
    """The hours of one station, from a week back to ten days ahead.

    Parameters
    ----------
    view : View
    station : StationView
    """
    first_ms = view.hour_ms - LOOK_BACK_H * HOUR_MS
    at_ms = first_ms + HOUR_MS * np.arange(LOOK_BACK_H + AHEAD_H, dtype=np.int64)
    thatch, root, spread = _wetness(view, station)
    weather, forecast_end_ms = _weather(view, station, first_ms, at_ms)
    soil = _soil(view, station, first_ms, weather["air_temperature_degc"])
    series = {"thatch_wetness": thatch, "root_zone_wetness": root, **weather, **soil}
    return Hours(
        at_ms,
        series,
        forecast_end_ms,
        spread,
        soil_temperature_by_day=_seedbed(view, station, at_ms, series["soil_temperature_degc"], weather),
        frost_chance_by_day=station.season.frost_chance
        if np.isfinite(station.season.frost_chance.values).any()
        else None,
    )


def _wetness(view: View, station: StationView) -> tuple[FloatArray, FloatArray, Mapping[str, FloatArray]]:
    """Thatch and root-zone wetness, and the spread of those to come by condition."""
    past = station.past
    end = (view.hour_ms - past.first_ms) // HOUR_MS + 1  # with the hour that is on
    back = slice(end - 1 - LOOK_BACK_H, end)
    means, spreads = station.forecast.mean(), station.forecast.spread()
    found: list[FloatArray] = []
    spread: dict[str, FloatArray] = {}
    for layer, measured, mean, wide in zip(
        ("thatch", "root"), (past.thatch_wetness, past.root_wetness), means, spreads, strict=True
    ):
        ahead = np.full(AHEAD_H, np.nan)
        count = min(mean.size, AHEAD_H)
        ahead[:count] = mean[:count]
        now = measured[end - 1]
        ahead[0] = now if np.isfinite(now) else ahead[0]
        found.append(np.concatenate([measured[back][:-1], ahead]))
        around = np.full(LOOK_BACK_H + AHEAD_H, np.nan)
        around[LOOK_BACK_H : LOOK_BACK_H + count] = wide[:count]
        if np.isfinite(around).any():
            spread |= dict.fromkeys(SPREAD_OF[layer], around)
    return found[0], found[1], spread


def _weather(view: View, station: StationView, first_ms: int, at_ms: TimeArray) -> tuple[dict[str, FloatArray], int]:
    """Air, leaf, dew point and rain; and from when on no temperature is forecast. [ms since 1970, UTC]"""
    context, ahead_ms = station.context, at_ms[LOOK_BACK_H:]
    air, humidity, leaf = (
        hour_means(station.recent.get(context.weather.get(q, ""), NOTHING), first_ms, LOOK_BACK_H)
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
    """Measured hours and those to come; the hour that is on is as the last one measured."""
    found = np.concatenate([back, ahead])
    if np.isfinite(back[-1]):
        found[back.size] = back[-1]
    return found


def _forecast(view: View, name: str) -> FloatArray:
    return np.full(AHEAD_H, np.nan) if view.forecast is None else view.forecast.of(name, view.hour_ms, AHEAD_H)


def _middle_rain(station: StationView) -> FloatArray:
    """Rain of the middle member in each hour: none, but where most members have some; NaN without members. [mm]"""
    if station.weather is None:
        return np.full(AHEAD_H, np.nan)
    return np.asarray(np.median(station.weather.rain_mm, axis=1)[:AHEAD_H], dtype=np.float64)


def _usual(station: StationView, at_ms: TimeArray) -> FloatArray:
    days = [datetime.date(1970, 1, 1) + datetime.timedelta(days=int(d)) for d in np.unique(at_ms // DAY_MS)]
    usual = np.array([station.season.usual_degc(day) for day in days])
    return np.asarray(usual[at_ms // DAY_MS - at_ms[0] // DAY_MS], dtype=np.float64)


def _soil(view: View, station: StationView, first_ms: int, air: FloatArray) -> dict[str, FloatArray]:
    """Soil at 50 mm, the top of the ground, and the coldest down to the cut."""
    context = station.context
    depths = {i: context.depth_m(i, view.now_ms) for i in context.temperatures}
    measured = {i: hour_means(station.recent.get(i, NOTHING), first_ms, LOOK_BACK_H) for i in depths}
    blank = np.full(LOOK_BACK_H, np.nan)
    soil = _at_50_mm(depths, measured)
    if station.carried_since_ms is not None:
        soil = _carried(soil, air)
    top = min((i for i in depths if depths[i] <= TOP_M), key=lambda i: depths[i], default="")
    deep = [measured[i] for i in depths if depths[i] <= CUT_M]
    coldest = np.min(deep, axis=0) if deep else blank
    nothing = np.full(AHEAD_H, np.nan)
    return {
        "soil_temperature_degc": _joined(soil, soil_ahead(soil, air, AHEAD_H)),
        "ground_top_temperature_degc": _joined(measured.get(top, blank), nothing),
        "ground_depth_temperature_degc": _joined(coldest, nothing),
    }


def _carried(soil: FloatArray, air: FloatArray) -> FloatArray:
    """Soil temperature carried by the air since a thermometer, now lifted, was last in the ground. [degC]"""
    known = np.flatnonzero(np.isfinite(soil))
    if known.size == 0:
        return soil
    gap = soil.size - 1 - int(known[-1])
    return np.concatenate([soil[: soil.size - gap], soil_ahead(soil[: soil.size - gap], air[: soil.size], gap)])


def _at_50_mm(depths: Mapping[str, float], measured: Mapping[str, FloatArray]) -> FloatArray:
    """Between the thermometers above and below 50 mm, else the nearest; NaN where none is near. [degC]"""
    heard = sorted((depth, i) for i, depth in depths.items() if np.isfinite(measured[i]).any())
    above, below = [p for p in heard if p[0] <= SOIL_M], [p for p in heard if p[0] > SOIL_M]
    if above and below:
        (upper, i), (lower, j) = above[-1], below[0]
        share = (SOIL_M - upper) / (lower - upper)
        return measured[i] if share <= 0.0 else (1.0 - share) * measured[i] + share * measured[j]
    near = [(abs(depth - SOIL_M), i) for depth, i in heard if abs(depth - SOIL_M) <= SOIL_REACH_M]
    return measured[min(near)[1]] if near else np.full(LOOK_BACK_H, np.nan)


def _seedbed(
    view: View, station: StationView, at_ms: TimeArray, soil: FloatArray, weather: Mapping[str, FloatArray]
) -> Daily | None:
    """Soil temperature at 50 mm expected of each day from today on: of the hours, then as the season has it."""
    day = at_ms // DAY_MS - view.today
    known = np.isfinite(soil) & (day >= 0)
    if not known.any():
        return None
    count = np.bincount(day[known], minlength=SEEDBED_DAYS)[:SEEDBED_DAYS]
    total = np.bincount(day[known], weights=soil[known], minlength=SEEDBED_DAYS)[:SEEDBED_DAYS]
    found = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    over = soil[-DAYS_OVER_H:] - weather["air_temperature_degc"][-DAYS_OVER_H:]
    above = float(np.mean(over[np.isfinite(over)])) if np.isfinite(over).any() else float("nan")
    first = datetime.date(1970, 1, 1) + datetime.timedelta(days=view.today)
    for n in np.flatnonzero(np.isnan(found)).tolist():
        found[n] = station.season.usual_degc(first + datetime.timedelta(days=n)) + above
    return Daily(view.today * DAY_MS, found)


DAYS_OVER_H = 120  # of hours to come, that tell how far the soil lies above the air


def coldest_leaf(view: View, hours: Hours, until_ms: int) -> float | None:
    """Coldest leaf from now until a moment, as far as it is forecast; None when none of it is. [degC]"""
    ahead = (hours.at_ms >= view.hour_ms) & (hours.at_ms < min(until_ms, hours.forecast_end_ms))
    leaf = hours.surface_degc()[ahead]
    return float(leaf.min()) if leaf.size and np.isfinite(leaf).all() else None


def is_clay(context: StationContext) -> bool:
    """Whether the soil of a station gapes when it dries."""
    return "clay" in context.soil
