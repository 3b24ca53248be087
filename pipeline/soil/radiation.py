"""Where the sun stands over a place, what it sends, and what of it a grass surface keeps, after FAO-56."""

from datetime import UTC, date, timedelta
from functools import lru_cache
from typing import NamedTuple

import astral.sun
import numpy as np
import numpy.typing as npt
from astral import Observer

from pipeline.units import DAY_MS, HOUR_MS, FloatArray, floats

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820  # FAO-56 eq. 21
STEFAN_BOLTZMANN_MJ_K4_M2_D = 4.903e-9  # FAO-56 eq. 39
GRASS_ALBEDO = 0.23  # FAO-56 eq. 38
RELATIVE_SHORTWAVE_LIMITS = (0.3, 1.0)  # ASCE-EWRI 2005; FAO-56 page 75 says about 0.33 to 1
LOWEST_SUN_RAD = 0.3  # below it Rs/Rso says nothing of cloud: ASCE-EWRI 2005
KELVIN = 273.16  # as printed in FAO-56


def inverse_relative_distance(day_of_year: npt.ArrayLike) -> FloatArray:
    """Return the inverse relative distance of earth and sun.

    Parameters
    ----------
    day_of_year : array_like, any shape
        1 to 366. [1]

    Returns
    -------
    ndarray, shape of `day_of_year`
        0.967 to 1.033. [1] FAO-56 eq. 23.
    """
    return np.asarray(1.0 + 0.033 * np.cos(2.0 * np.pi * floats(day_of_year) / 365.0), dtype=np.float64)


class Location(NamedTuple):
    """A place: latitude and longitude, north and east positive, and height above the sea. [deg], [deg], [m]"""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0


def solar_declination_rad(day_of_year: npt.ArrayLike) -> FloatArray:
    """Return the declination of the sun.

    Parameters
    ----------
    day_of_year : array_like, any shape
        1 to 366. [1]

    Returns
    -------
    ndarray, shape of `day_of_year`
        -0.409 to 0.409, north positive. [rad] FAO-56 eq. 24.
    """
    return np.asarray(0.409 * np.sin(2.0 * np.pi * floats(day_of_year) / 365.0 - 1.39), dtype=np.float64)


def sunset_hour_angle_rad(latitude_rad: npt.ArrayLike, declination_rad: npt.ArrayLike) -> FloatArray:
    """Return the hour angle of sunset.

    Parameters
    ----------
    latitude_rad, declination_rad : array_like
        North positive. [rad]

    Returns
    -------
    ndarray, broadcast shape
        0 (polar night) to pi (polar day). [rad] FAO-56 eq. 25.
    """
    cosine = -np.tan(floats(latitude_rad)) * np.tan(floats(declination_rad))
    return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)), dtype=np.float64)


def extraterrestrial_radiation_daily(latitude_deg: npt.ArrayLike, day_of_year: npt.ArrayLike) -> FloatArray:
    """Return the radiation above the air in a day.

    Parameters
    ----------
    latitude_deg : array_like
        North positive. [deg] -90 to 90.
    day_of_year : array_like, broadcasts
        1 to 366. [1]

    Returns
    -------
    ndarray, broadcast shape
        Ra, 0 to 46. [MJ m-2 d-1] FAO-56 eq. 21.
    """
    latitude, declination = np.radians(floats(latitude_deg)), solar_declination_rad(day_of_year)
    sunset = sunset_hour_angle_rad(latitude, declination)
    bracket = sunset * np.sin(latitude) * np.sin(declination)
    bracket = bracket + np.cos(latitude) * np.cos(declination) * np.sin(sunset)
    scale = 24.0 * 60.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN
    return np.asarray(scale * inverse_relative_distance(day_of_year) * bracket, dtype=np.float64)


def seasonal_correction_h(day_of_year: npt.ArrayLike) -> FloatArray:
    """Return the equation of time.

    Parameters
    ----------
    day_of_year : array_like, any shape
        1 to 366. [1]

    Returns
    -------
    ndarray, shape of `day_of_year`
        -0.24 to 0.27. [h] FAO-56 eq. 32 and 33.
    """
    b = 2.0 * np.pi * (floats(day_of_year) - 81.0) / 364.0
    return np.asarray(0.1645 * np.sin(2.0 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b), dtype=np.float64)


def solar_hour_angle_rad(
    hour_utc: npt.ArrayLike, longitude_deg: npt.ArrayLike, day_of_year: npt.ArrayLike
) -> FloatArray:
    """Return the hour angle of the sun, zero at solar noon.

    Parameters
    ----------
    hour_utc : array_like
        Time in UTC, at the middle of the hour meant. [h] 0 to 24.
    longitude_deg : array_like
        East positive. [deg] -180 to 180. (FAO-56 counts west; the sign is turned here once.)
    day_of_year : array_like
        1 to 366. [1]

    Returns
    -------
    ndarray, broadcast shape
        [rad] -pi to pi. FAO-56 eq. 31.
    """
    solar_time = floats(hour_utc) + floats(longitude_deg) / 15.0 + seasonal_correction_h(day_of_year)
    return np.asarray(np.pi / 12.0 * ((solar_time - 12.0 + 12.0) % 24.0 - 12.0), dtype=np.float64)


def solar_elevation_rad(
    hour_angle_rad: npt.ArrayLike, latitude_deg: npt.ArrayLike, day_of_year: npt.ArrayLike
) -> FloatArray:
    """Return the height of the sun above the horizon.

    Parameters
    ----------
    hour_angle_rad : array_like
        Zero at solar noon. [rad]
    latitude_deg : array_like
        North positive. [deg]
    day_of_year : array_like
        1 to 366. [1]

    Returns
    -------
    ndarray, broadcast shape
        Negative by night. [rad] Spherical trigonometry.
    """
    latitude, declination = np.radians(floats(latitude_deg)), solar_declination_rad(day_of_year)
    sine = np.sin(latitude) * np.sin(declination)
    sine = sine + np.cos(latitude) * np.cos(declination) * np.cos(floats(hour_angle_rad))
    return np.asarray(np.arcsin(np.clip(sine, -1.0, 1.0)), dtype=np.float64)


def extraterrestrial_radiation_hourly(
    hour_angle_rad: npt.ArrayLike,
    latitude_deg: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
) -> FloatArray:
    """Return the radiation above the air in an hour.

    Parameters
    ----------
    hour_angle_rad : array_like
        Hour angle at the middle of the hour, see `solar_hour_angle_rad`. [rad]
    latitude_deg : array_like
        North positive. [deg]
    day_of_year : array_like
        1 to 366. [1]

    Returns
    -------
    ndarray, broadcast shape
        Ra, 0 to 5.1. [MJ m-2 h-1] FAO-56 eq. 28 to 30; the hour is cut at sunrise and
        sunset.
    """
    latitude, declination = np.radians(floats(latitude_deg)), solar_declination_rad(day_of_year)
    sunset = sunset_hour_angle_rad(latitude, declination)
    half = np.pi / 24.0
    first = np.clip(floats(hour_angle_rad) - half, -sunset, sunset)
    last = np.clip(floats(hour_angle_rad) + half, -sunset, sunset)
    bracket = (last - first) * np.sin(latitude) * np.sin(declination)
    bracket = bracket + np.cos(latitude) * np.cos(declination) * (np.sin(last) - np.sin(first))
    scale = 12.0 * 60.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN
    above = scale * inverse_relative_distance(day_of_year) * bracket
    return np.asarray(np.maximum(above, 0.0), dtype=np.float64)


def sunrise_sunset_ms(
    latitude_deg: float, longitude_deg: float, first_day: date, days: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the sunrise and the sunset that follows it, for a run of days.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        North and east positive. [deg]
    first_day : date
        Day of the first solar noon, in local solar reckoning.
    days : int
        How many. [1]

    Returns
    -------
    sunrise_ms, sunset_ms : ndarray, shape (day,)
        [ms since 1970-01-01 UTC] To the minute; NaN on days without one.
    """
    each = [_day(latitude_deg, longitude_deg, first_day + timedelta(days=i)) for i in range(days)]
    rise, fall = np.array(each, dtype=np.float64).reshape(days, 2).T
    return rise.copy(), fall.copy()


@lru_cache(maxsize=4096)  # eleven years of one place: days, fortnights and stations ask for the same ones
def _day(latitude_deg: float, longitude_deg: float, day: date) -> tuple[float, float]:
    observer, whole = Observer(latitude_deg, longitude_deg), timedelta(days=1)
    try:
        noon = astral.sun.noon(observer, day, tzinfo=UTC)
        up = astral.sun.sunrise(observer, day, tzinfo=UTC)
        down = astral.sun.sunset(observer, day, tzinfo=UTC)
    except ValueError:  # the sun does not cross the horizon that day
        return float("nan"), float("nan")
    # Far from Greenwich the almanac may return the event of the neighbouring day: bring both round to noon.
    up += whole * round((noon - timedelta(hours=6) - up) / whole)
    down += whole * round((noon + timedelta(hours=6) - down) / whole)
    return up.timestamp() * 1000.0, down.timestamp() * 1000.0


def solar_offset_ms(longitude_deg: float) -> int:
    """Return how far the sun's day at a place is ahead of that of UTC, to the whole hour.

    Parameters
    ----------
    longitude_deg : float
        East positive. [deg] -180 to 180.

    Returns
    -------
    int
        -12 to 12 hours. [ms] 15 degrees an hour (definition of longitude).
    """
    return round(longitude_deg / 15.0) * HOUR_MS


def day_of_year(at_ms: npt.ArrayLike) -> FloatArray:
    """Return the day of the year of moments.

    Parameters
    ----------
    at_ms : array_like of int, any shape
        [ms since 1970, UTC] Add `solar_offset_ms` for the date by the sun.

    Returns
    -------
    ndarray, shape of `at_ms`
        1 to 366. [1] Gregorian calendar.
    """
    days = (np.asarray(at_ms, dtype=np.int64) // DAY_MS).astype("datetime64[D]")
    return np.asarray((days - days.astype("datetime64[Y]")).astype(np.float64) + 1.0, dtype=np.float64)


def sun_of_hours(first_ms: int, hours: int, place: Location) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the sun at the middle of consecutive hours.

    Parameters
    ----------
    first_ms : int
        Begin of the first hour. [ms since 1970, UTC]
    hours : int
        How many. [1]
    place : Location
        [deg], [deg], [m]

    Returns
    -------
    day_of_year : ndarray, shape (hours,)
        Of the date by the sun, 1 to 366. [1]
    extraterrestrial_mj_m2 : ndarray, shape (hours,)
        Ra. [MJ m-2 h-1] FAO-56 eq. 28.
    elevation_rad : ndarray, shape (hours,)
        Height above the horizon, negative by night. [rad]
    """
    middle_ms = first_ms + HOUR_MS * np.arange(hours, dtype=np.int64) + HOUR_MS // 2
    day = day_of_year(middle_ms + solar_offset_ms(place.longitude_deg))
    angle = solar_hour_angle_rad(middle_ms % DAY_MS / HOUR_MS, place.longitude_deg, day)
    above = extraterrestrial_radiation_hourly(angle, place.latitude_deg, day)
    return day, above, solar_elevation_rad(angle, place.latitude_deg, day)


def energy_mj_m2(flux_w_m2: npt.ArrayLike, seconds: float) -> FloatArray:
    """Return the energy over a span from its mean flux.

    Parameters
    ----------
    flux_w_m2 : array_like, any shape
        Mean flux. [W m-2]
    seconds : float
        Length of the span. [s] 86400 for a day, 3600 for an hour.

    Returns
    -------
    ndarray, shape of `flux_w_m2`
        [MJ m-2 per span]
    """
    return np.asarray(floats(flux_w_m2) * seconds * 1e-6, dtype=np.float64)


def clear_sky_shortwave(extraterrestrial_mj_m2: npt.ArrayLike, elevation_m: npt.ArrayLike) -> FloatArray:
    """Return the solar radiation under a clear sky.

    Parameters
    ----------
    extraterrestrial_mj_m2 : array_like
        Ra of a day or an hour. [MJ m-2 per span]
    elevation_m : array_like
        Above sea level. [m]

    Returns
    -------
    ndarray, broadcast shape
        Rso. [unit of Ra] FAO-56 eq. 37.
    """
    return np.asarray((0.75 + 2e-5 * floats(elevation_m)) * floats(extraterrestrial_mj_m2), dtype=np.float64)


def relative_shortwave(
    shortwave_mj_m2: npt.ArrayLike, clear_sky_mj_m2: npt.ArrayLike, sun_elevation_rad: npt.ArrayLike
) -> FloatArray:
    """Return Rs/Rso of an hourly series, with the last good value of the day carried through the night.

    Parameters
    ----------
    shortwave_mj_m2, clear_sky_mj_m2 : array_like, shape (time,)
        Rs and Rso. [MJ m-2 per span]
    sun_elevation_rad : array_like, shape (time,)
        At the middle of each span. [rad] Under 0.3 the ratio says nothing of the cloud and the last one
        stands.

    Returns
    -------
    ndarray, shape (time,)
        0.3 to 1.0. [1] NaN before the first good hour, and after a missing one until the next.

    References
    ----------
    FAO-56 page 75 (the hours before sunset serve the night); the limit of 0.3 rad is that of ASCE-EWRI 2005.
    """
    short, clear = np.atleast_1d(floats(shortwave_mj_m2)), np.atleast_1d(floats(clear_sky_mj_m2))
    high = np.atleast_1d(floats(sun_elevation_rad)) >= LOWEST_SUN_RAD
    ratio = np.clip(short / np.where(clear > 0.0, clear, np.nan), *RELATIVE_SHORTWAVE_LIMITS)
    last = np.maximum.accumulate(np.where(high, np.arange(ratio.size), -1))
    return np.where(last >= 0, ratio[np.maximum(last, 0)], np.nan)


def net_shortwave(shortwave_mj_m2: npt.ArrayLike) -> FloatArray:
    """Return the solar radiation kept by the surface.

    Parameters
    ----------
    shortwave_mj_m2 : array_like, any shape
        Rs. [MJ m-2 per span]

    Returns
    -------
    ndarray, shape of `shortwave_mj_m2`
        Rns. [unit of Rs] FAO-56 eq. 38.
    """
    return np.asarray((1.0 - GRASS_ALBEDO) * floats(shortwave_mj_m2), dtype=np.float64)


def net_longwave_hourly(
    temperature_degc: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    relative_shortwave_ratio: npt.ArrayLike,
) -> FloatArray:
    """Return the heat radiation lost by the surface in an hour.

    Parameters
    ----------
    temperature_degc : array_like
        Mean air temperature of the hour. [degC]
    vapour_pressure_kpa : array_like
        Actual vapour pressure. [kPa]
    relative_shortwave_ratio : array_like
        Rs/Rso, by night that of the evening before; held between 0.3 and 1.0. [1]

    Returns
    -------
    ndarray, broadcast shape
        Rnl, positive away from the surface. [MJ m-2 h-1] FAO-56 eq. 39 with the constant over 24.
    """
    fourth = (floats(temperature_degc) + KELVIN) ** 4
    emitted = STEFAN_BOLTZMANN_MJ_K4_M2_D / 24.0 * fourth
    return _net_longwave(emitted, vapour_pressure_kpa, relative_shortwave_ratio)


def _net_longwave(
    emitted_mj_m2: npt.ArrayLike, vapour_pressure_kpa: npt.ArrayLike, relative_shortwave_ratio: npt.ArrayLike
) -> FloatArray:
    humidity = 0.34 - 0.14 * np.sqrt(floats(vapour_pressure_kpa))
    cloud = 1.35 * np.clip(floats(relative_shortwave_ratio), *RELATIVE_SHORTWAVE_LIMITS) - 0.35
    return np.asarray(floats(emitted_mj_m2) * humidity * cloud, dtype=np.float64)
