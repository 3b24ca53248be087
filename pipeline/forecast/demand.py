"""Reference evapotranspiration of an hour, from as much of the weather as is known.

By the short reference of ASCE-EWRI 2005 where temperature, humidity, wind and sun are known, else by Hargreaves from
the day's temperatures shared out over the daylight; NaN where not even temperatures are known.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.soil import climate, radiation
from pipeline.units import DAY_MS, HOUR_MS, FloatArray

LEAST_HOURS_OF_DAY = 18  # with a temperature, for the highest and lowest of a day to be known: our own choice


def hourly_demand_mm(
    first_ms: int,
    temperature_degc: FloatArray,
    relative_humidity_percent: FloatArray,
    wind_m_s: FloatArray,
    solar_w_m2: FloatArray,
    *,
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float,
) -> FloatArray:
    """Return the reference evapotranspiration of consecutive hours.

    Parameters
    ----------
    first_ms : int
        Begin of the first hour. [ms since 1970, UTC]
    temperature_degc, relative_humidity_percent, wind_m_s, solar_w_m2 : ndarray, shape (hour,)
        Means of the hours, wind at 2 m. NaN where not known.
    latitude_deg, longitude_deg, elevation_m : float
        [deg], east positive [deg], [m]

    Returns
    -------
    ndarray, shape (hour,)
        [mm h-1] ASCE-EWRI 2005; Hargreaves (FAO-56 eq. 52) where that is not known; NaN where neither is.
    """
    full = climate.weather_reference_et_mm(
        first_ms, temperature_degc, relative_humidity_percent, solar_w_m2, wind_m_s, latitude_deg=latitude_deg,
        longitude_deg=longitude_deg, elevation_m=elevation_m,
    )  # fmt: skip
    simple = _hargreaves_hourly_mm(first_ms, temperature_degc, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    return np.asarray(np.where(np.isfinite(full), full, simple), dtype=np.float64)


def daylight_share(first_ms: int, count: int, step_h: int, *, latitude_deg: float, longitude_deg: float) -> FloatArray:
    """Return the share of a step's demand in each of its hours, by the sun above the air; 1 in all for a step. [1]"""
    _, sunlight, _ = radiation.sun_of_hours(first_ms, count, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    above = sunlight.reshape(-1, step_h)
    total = above.sum(axis=1, keepdims=True)
    share = np.where(total > 0.0, above / np.where(total > 0.0, total, 1.0), 1.0 / step_h)
    return np.asarray(share.reshape(-1), dtype=np.float64)


def shared_over_days(
    first_ms: int, daily_mm: npt.ArrayLike, *, latitude_deg: float, longitude_deg: float
) -> FloatArray:
    """Return daily demand [mm] shared out over the daylight of each 24 hours. [mm h-1], shape (24 x day, ...)"""
    daily = np.asarray(daily_mm, dtype=np.float64)
    share = daylight_share(first_ms, 24 * daily.shape[0], 24, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    each = np.repeat(daily, 24, axis=0)
    return np.asarray(each * share.reshape(-1, *([1] * (daily.ndim - 1))), dtype=np.float64)


def _hargreaves_hourly_mm(
    first_ms: int, temperature_degc: FloatArray, *, latitude_deg: float, longitude_deg: float
) -> FloatArray:
    """Return the daily Hargreaves of solar days shared over their light, NaN with too few temperatures. [mm h-1]"""
    day, above, _ = radiation.sun_of_hours(
        first_ms, temperature_degc.size, latitude_deg=latitude_deg, longitude_deg=longitude_deg
    )
    at_ms = first_ms + HOUR_MS * np.arange(temperature_degc.size, dtype=np.int64)
    days = (at_ms + radiation.solar_offset_ms(longitude_deg)) // DAY_MS
    _, first, of_day, hours = np.unique(days, return_index=True, return_inverse=True, return_counts=True)
    known = np.isfinite(temperature_degc)
    count = np.bincount(of_day[known], minlength=hours.size)
    highest, lowest = np.full(hours.size, -np.inf), np.full(hours.size, np.inf)
    np.maximum.at(highest, of_day[known], temperature_degc[known])
    np.minimum.at(lowest, of_day[known], temperature_degc[known])
    # a day cut off by the end of the series borrows its range from its neighbours
    cut = hours < LEAST_HOURS_OF_DAY
    highest = np.where(cut, np.maximum.reduce(_three_days(highest, -np.inf)), highest)
    lowest = np.where(cut, np.minimum.reduce(_three_days(lowest, np.inf)), lowest)
    near = np.sum(_three_days(count, 0), axis=0)
    good = (count >= np.minimum(LEAST_HOURS_OF_DAY, hours)) & (near >= LEAST_HOURS_OF_DAY)
    whole_day = radiation.extraterrestrial_radiation_daily(latitude_deg, day[first])
    total = climate.hargreaves_et_daily_mm(
        np.where(good, highest, np.nan), np.where(good, lowest, np.nan), whole_day
    )  # fmt: skip
    lit = whole_day > 0.0
    hourly = total[of_day] * above / np.where(lit, whole_day, 1.0)[of_day]
    return np.asarray(np.where(good[of_day], np.where(lit[of_day], hourly, 0.0), np.nan), dtype=np.float64)


def _three_days(daily: npt.NDArray[Any], beyond: float) -> npt.NDArray[Any]:
    """Return each day's figure with those of the day before and after, shape (3, day); `beyond` past the ends."""
    padded = np.pad(daily, 1, constant_values=beyond)
    return np.stack([padded[:-2], daily, padded[2:]])
