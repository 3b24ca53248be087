"""Weather of a station: what the air asked of it, what is usual at its season, and the ways the weather may go.

It reads what is needed of the years before once a day. What to believe of a forecast is decided in `weather_ahead`.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from pipeline.advice.balance_fit import Past
from pipeline.advice.daily import DAY_MS, HOUR_MS
from pipeline.advice.demand import hourly_demand_mm
from pipeline.advice.past_hours import past_hours
from pipeline.advice.verdicts import FloatArray
from pipeline.advice.weather_ahead import PastWeather, WeatherAhead, weather_ahead
from pipeline.advisor.lately import NOTHING, hour_means
from pipeline.advisor.season import Season, season
from pipeline.advisor.view import View
from pipeline.periods import Series, record_of
from pipeline.station import StationContext, no_findings

WEATHER = ("air_temperature", "relative_humidity", "wind_speed", "solar_radiation")
PAST_YEARS = 5  # whose weather of this season may come again
SEASON_BEFORE_D, SEASON_AFTER_D = 21, 32


def season_of(view: View, context: StationContext) -> Season:
    """What is usual where a station's weather is measured."""
    air, leaf = context.weather.get("air_temperature"), context.weather.get("surface_temperature")
    return view.cache.once_a_day(
        ("season", air, leaf), view.today,
        lambda: season(view.store, view.now_ms, air=air, leaf=leaf, climate=view.config.ahead.climate),
    )  # fmt: skip


def demand_mm(context: StationContext, recent: Mapping[str, Series], first_ms: int, hours: int) -> FloatArray:
    """Reference evapotranspiration of consecutive hours. [mm h-1] NaN where it is not known."""
    if context.latitude_deg is None or context.longitude_deg is None:
        return np.full(hours, np.nan)
    air, humidity, wind, shine = (
        hour_means(recent.get(context.weather.get(q, ""), NOTHING), first_ms, hours) for q in WEATHER
    )
    return hourly_demand_mm(
        first_ms, air, humidity, wind, shine, latitude_deg=context.latitude_deg, longitude_deg=context.longitude_deg,
        elevation_m=context.elevation_m,
    )  # fmt: skip


def weather_of(view: View, context: StationContext, past: Past) -> tuple[WeatherAhead | None, tuple[str, ...]]:
    """The weather to come at a station by the best there is, and what had to be left out.

    Raises
    ------
    StoreAway
    """
    if context.latitude_deg is None or context.longitude_deg is None:
        return None, ()
    key = ("weather", context.rain_channel, tuple(sorted(context.weather.items())))
    behind = view.cache.once_a_day(key, view.today, lambda: _past_weather(view, context, past))
    found = weather_ahead(
        view.hour_ms, forecast=view.forecast, past=behind, climate=view.config.ahead.climate,
        latitude_deg=context.latitude_deg, longitude_deg=context.longitude_deg,
    )  # fmt: skip
    return found, () if found is None else found.notes


def _past_weather(view: View, context: StationContext, past: Past) -> PastWeather | None:
    """Rain and demand about this date in the years before, and of the last weeks; what lies between is left out."""
    wanted = [i for i in (context.rain_channel, *(context.weather.get(q) for q in WEATHER)) if i is not None]
    heard = view.store.span(wanted)
    if heard is None:
        return None
    year_ms = 365 * DAY_MS
    parts: list[tuple[int, FloatArray, FloatArray]] = []
    for years in range(PAST_YEARS, 0, -1):
        begin = (view.hour_ms - years * year_ms - SEASON_BEFORE_D * DAY_MS) // DAY_MS * DAY_MS
        end = begin + (SEASON_BEFORE_D + SEASON_AFTER_D) * DAY_MS
        if end > heard[0]:
            parts.append(_weather_between(view, context, begin, (end - begin) // HOUR_MS))
    parts.append(_weather_between(view, context, past.first_ms, past.water_mm.size - 1))
    first_ms = parts[0][0]
    hours = (view.hour_ms - first_ms) // HOUR_MS
    rain, demand = np.full(hours, np.nan), np.full(hours, np.nan)
    for begin, fallen, asked in parts:
        at = (begin - first_ms) // HOUR_MS
        rain[at : at + fallen.size], demand[at : at + asked.size] = fallen, asked
    return PastWeather(first_ms, rain, demand)


def _weather_between(
    view: View, context: StationContext, first_ms: int, hours: int
) -> tuple[int, FloatArray, FloatArray]:
    wanted = [i for i in (context.rain_channel, *context.weather.values()) if i is not None]
    end_ms = min(first_ms + hours * HOUR_MS, view.now_ms + 1)
    recent = record_of(view.store.observations(wanted, first_ms, end_ms), no_findings()).channels
    demand = demand_mm(context, recent, first_ms, hours)
    rain = NOTHING if context.rain_channel is None else recent.get(context.rain_channel, NOTHING)
    water = past_hours(first_ms, hours, thatch=None, roots=NOTHING, rain=rain, reference_et_mm=demand).water_mm
    return first_ms, water, demand
