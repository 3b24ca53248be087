"""The chance that a pass is open in an hour to come: the share of the courses of weather and water in which it is.

Every course has its own wetness, rain, water on the leaf and its own misses of temperature, so that what comes together
counts together. What weather does not decide, such as locks and fixtures, is asked of the middle course alone.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import expit, logit

from pipeline.advice.conditions import (
    DEW,
    DRY,
    LEAF_DRIES_H,
    RAIN_LEAST_MM,
    RAIN_WETS_LEAF_MM,
    WET,
    Courses,
    Hours,
    Row,
)
from pipeline.forecast.climatology import SOIL_FOLLOWS_H
from pipeline.forecast.weather_ahead import MEMBERS, WeatherAhead, WeatherSource, air_misses_k, normal_draws
from pipeline.forecast.wetness import EDGE_SLACK, WetnessForecast
from pipeline.units import HOUR_MS, BoolArray, FloatArray

WET_LEAF_MM = 0.05  # more water on the leaves is a wet leaf: our own choice
DEW_MISS_K = 1.0  # of the leaf's temperature over the dew point, standard deviation: our own choice
SOIL_MISS_K = 0.3  # of the soil's temperature as measured: our own choice
OF_AIR = frozenset(
    {"surface_temperature", "surface_minimum_back", "surface_minimum_ahead", "hard_frost_ahead", "air_heat_ahead_cool",
     "leaf_heat_ahead_cool"}
)  # fmt: skip
OF_SOIL = frozenset({"soil_temperature_cool", "soil_temperature_warm"})


def courses_of(forecast: WetnessForecast, weather: WeatherAhead | None) -> Courses | None:
    """Return the courses that a station's chances are worked out from; None where its wetness is not forecast."""
    hours, members = forecast.rain_mm.shape
    if weather is None or forecast.reason or members == 0:
        return None
    foretold = weather.source is WeatherSource.FORECAST
    air, soil = _temperature_misses(*weather.rain_mm.shape, foretold=foretold)
    return Courses(
        forecast.first_ms,
        forecast.thatch_wetness[:hours],
        forecast.root_wetness[:hours],
        forecast.rain_mm,
        forecast.leaf_mm[1 : hours + 1] if forecast.leaf_mm.size else np.zeros((hours, members)),
        air[:hours],
        soil[:hours],
        np.broadcast_to(DEW_MISS_K * normal_draws(members, 6), (hours, members)),
        weather.foretold_h,
    )


@lru_cache(maxsize=4)  # the same every hour
def _temperature_misses(hours: int, members: int, *, foretold: bool) -> tuple[FloatArray, FloatArray]:
    """Return how much warmer than expected the air and the soil of each member are, shape (hour, member). [K]"""
    air = air_misses_k(hours, members, foretold=foretold)
    keep = float(np.exp(-1.0 / SOIL_FOLLOWS_H))
    soil = np.empty_like(air)
    follows = np.zeros(members)
    for hour in range(hours):
        follows = keep * follows + (1.0 - keep) * air[hour]
        soil[hour] = follows
    soil += SOIL_MISS_K * normal_draws(members, 5)
    air.flags.writeable = soil.flags.writeable = False
    return air, soil


# Intercept and slope of a logistic curve through the shares of courses round a weather forecast, by the bounds as they
# are: settled on 1953 hours one, three and five days ahead of 16 simulated seasons (seeds 0 and 1), and on the tenths
# of 6808 of 80 (seeds 1100 to 1109). Courses lie further apart than they need, and wetness is told rather too low.
CALIBRATION = (0.54, 1.02)


def calibrated(share: FloatArray, foretold_h: int) -> FloatArray:
    """Return the chance that a share of the courses stands for, hour by hour. [1] None stays none.

    Only the first `foretold_h` hours go round a weather forecast.
    """
    within = np.clip(share[:foretold_h], 0.5 / MEMBERS, 1.0 - 0.5 / MEMBERS)
    first, slope = CALIBRATION
    curved = np.where(share[:foretold_h] > 0.0, expit(first + slope * logit(within)), 0.0)
    return np.concatenate([curved, share[foretold_h:]])


def open_in(name: str, row: Row, values: FloatArray, hours: Hours, courses: Courses) -> BoolArray | None:
    """Return in which hours and courses one condition is open.

    Parameters
    ----------
    name : str
        Of the condition.
    row : Row
    values : ndarray, shape (hour,)
        Of the middle course, from the courses' first hour on; what temperatures are told from. [unit of the condition]
    hours : Hours
    courses : Courses

    Returns
    -------
    ndarray of bool, shape (hour, course), or None
        None where the weather does not decide it. What is not known is not open.
    """
    count = min(courses.rain_mm.shape[0], values.size)
    if name.startswith("thatch_wetness"):
        found = courses.thatch_wetness
    elif name.startswith("root_zone_wetness"):
        found = courses.root_wetness
    elif name.startswith("rain_"):
        found = _rain(courses.rain_mm, row.window_h)
    elif name == "leaf_wetness":
        found = _leaf(hours, courses)
    elif name in OF_AIR:
        found = values[:count, np.newaxis] + courses.air_miss_k[:count]
    elif name in OF_SOIL:
        found = values[:count, np.newaxis] + courses.soil_miss_k[:count]
    else:
        return None
    bounds = row.bounds
    return np.asarray((found[:count] >= bounds.open_lo - EDGE_SLACK) & (found[:count] <= bounds.open_hi + EDGE_SLACK))


def reach_h(name: str, row: Row, courses: Courses) -> int:
    """Return for how many hours the courses tell a condition: rain ahead is not known at their end. [h]"""
    hours = int(courses.rain_mm.shape[0])
    return max(hours - row.window_h + 1, 0) if name.startswith("rain_") else hours


def _rain(rain_mm: FloatArray, window_h: int) -> FloatArray:
    """Return the rain of the hours from each on, less where they end. [mm] Shape (hour, course)"""
    fallen = np.where(rain_mm < RAIN_LEAST_MM, 0.0, rain_mm)
    total = np.vstack([np.zeros((1, fallen.shape[1])), np.cumsum(fallen, axis=0)])
    ends = np.minimum(np.arange(fallen.shape[0]) + window_h, fallen.shape[0])
    return np.asarray(total[ends] - total[:-1])


def _leaf(hours: Hours, courses: Courses) -> FloatArray:
    """Return the wetness of the leaf, 0 dry, 1 dew, 2 wet: by the water on it, by rain and dew of the hours before."""
    count = courses.rain_mm.shape[0]
    first = int((courses.first_ms - hours.at_ms[0]) // HOUR_MS)
    over = (hours.surface_degc() - hours.of("dew_point_degc"))[first : first + count, np.newaxis]
    over = np.pad(over, ((0, count - over.shape[0]), (0, 0)), constant_values=np.nan)
    dew = over + courses.dew_miss_k <= 0.0
    wet = (courses.leaf_mm > WET_LEAF_MM) | (courses.rain_mm >= RAIN_WETS_LEAF_MM)
    now = np.where(wet, WET, np.where(dew, DEW, DRY))
    longer = np.vstack([np.zeros((LEAF_DRIES_H - 1, now.shape[1])), now])
    windows = np.lib.stride_tricks.sliding_window_view(longer, LEAF_DRIES_H, axis=0)
    found = windows.max(axis=-1)
    return np.asarray(np.where(np.isnan(over), np.nan, found), dtype=np.float64)
