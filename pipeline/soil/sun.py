"""Where the sun stands over a place, and what it sends above the air.

Equation numbers are those of Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56,
Rome, whose rounded constants are kept so that the printed examples come out. Good to about a quarter of an
hour in the time of sunset: enough for radiation sums. This module must not be used to name sunrise and
sunset to the minute.
"""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820  # FAO-56 eq. 21


def _array(value: npt.ArrayLike) -> FloatArray:
    return np.asarray(value, dtype=np.float64)


def inverse_relative_distance(day_of_year: npt.ArrayLike) -> FloatArray:
    """Inverse relative distance of earth and sun.

    Parameters
    ----------
    day_of_year : array_like, any shape
        1 to 366.

    Returns
    -------
    ndarray, shape of `day_of_year`
        0.967 to 1.033. [1] FAO-56 eq. 23.
    """
    return np.asarray(1.0 + 0.033 * np.cos(2.0 * np.pi * _array(day_of_year) / 365.0), dtype=np.float64)


def solar_declination_rad(day_of_year: npt.ArrayLike) -> FloatArray:
    """Declination of the sun.

    Parameters
    ----------
    day_of_year : array_like, any shape
        1 to 366.

    Returns
    -------
    ndarray, shape of `day_of_year`
        -0.409 to 0.409, north positive. [rad] FAO-56 eq. 24.
    """
    return np.asarray(0.409 * np.sin(2.0 * np.pi * _array(day_of_year) / 365.0 - 1.39), dtype=np.float64)


def sunset_hour_angle_rad(latitude_rad: npt.ArrayLike, declination_rad: npt.ArrayLike) -> FloatArray:
    """Hour angle of sunset.

    Parameters
    ----------
    latitude_rad, declination_rad : array_like
        North positive. [rad]

    Returns
    -------
    ndarray, broadcast shape
        0 (polar night) to pi (polar day). [rad] FAO-56 eq. 25.
    """
    cosine = -np.tan(_array(latitude_rad)) * np.tan(_array(declination_rad))
    return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)), dtype=np.float64)


def daylight_hours(latitude_deg: npt.ArrayLike, day_of_year: npt.ArrayLike) -> FloatArray:
    """Longest possible sunshine of a day.

    Parameters
    ----------
    latitude_deg : array_like
        North positive. [deg] -90 to 90.
    day_of_year : array_like, broadcasts
        1 to 366.

    Returns
    -------
    ndarray, broadcast shape
        [h] 0 to 24. FAO-56 eq. 34.
    """
    angle = sunset_hour_angle_rad(np.radians(_array(latitude_deg)), solar_declination_rad(day_of_year))
    return np.asarray(24.0 / np.pi * angle, dtype=np.float64)


def extraterrestrial_radiation_daily(latitude_deg: npt.ArrayLike, day_of_year: npt.ArrayLike) -> FloatArray:
    """Radiation above the air in a day.

    Parameters
    ----------
    latitude_deg : array_like
        North positive. [deg] -90 to 90.
    day_of_year : array_like, broadcasts
        1 to 366.

    Returns
    -------
    ndarray, broadcast shape
        Ra, 0 to 46. [MJ m-2 d-1] FAO-56 eq. 21.
    """
    latitude, declination = np.radians(_array(latitude_deg)), solar_declination_rad(day_of_year)
    sunset = sunset_hour_angle_rad(latitude, declination)
    bracket = sunset * np.sin(latitude) * np.sin(declination)
    bracket = bracket + np.cos(latitude) * np.cos(declination) * np.sin(sunset)
    scale = 24.0 * 60.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN
    return np.asarray(scale * inverse_relative_distance(day_of_year) * bracket, dtype=np.float64)


def seasonal_correction_h(day_of_year: npt.ArrayLike) -> FloatArray:
    """Equation of time.

    Parameters
    ----------
    day_of_year : array_like, any shape
        1 to 366.

    Returns
    -------
    ndarray, shape of `day_of_year`
        -0.24 to 0.27. [h] FAO-56 eq. 32 and 33.
    """
    b = 2.0 * np.pi * (_array(day_of_year) - 81.0) / 364.0
    return np.asarray(0.1645 * np.sin(2.0 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b), dtype=np.float64)


def solar_hour_angle_rad(
    hour_utc: npt.ArrayLike, longitude_deg: npt.ArrayLike, day_of_year: npt.ArrayLike
) -> FloatArray:
    """Hour angle of the sun, zero at solar noon.

    Parameters
    ----------
    hour_utc : array_like
        Time in UTC, at the middle of the hour meant. [h] 0 to 24.
    longitude_deg : array_like
        East positive. [deg] -180 to 180. (FAO-56 counts west; the sign is turned here once.)
    day_of_year : array_like
        1 to 366.

    Returns
    -------
    ndarray, broadcast shape
        [rad] -pi to pi. FAO-56 eq. 31.
    """
    solar_time = _array(hour_utc) + _array(longitude_deg) / 15.0 + seasonal_correction_h(day_of_year)
    return np.asarray(np.pi / 12.0 * ((solar_time - 12.0 + 12.0) % 24.0 - 12.0), dtype=np.float64)


def solar_elevation_rad(
    hour_angle_rad: npt.ArrayLike, latitude_deg: npt.ArrayLike, day_of_year: npt.ArrayLike
) -> FloatArray:
    """Height of the sun above the horizon.

    Parameters
    ----------
    hour_angle_rad : array_like
        Zero at solar noon. [rad]
    latitude_deg : array_like
        North positive. [deg]
    day_of_year : array_like
        1 to 366.

    Returns
    -------
    ndarray, broadcast shape
        Negative by night. [rad] Spherical trigonometry.
    """
    latitude, declination = np.radians(_array(latitude_deg)), solar_declination_rad(day_of_year)
    sine = np.sin(latitude) * np.sin(declination)
    sine = sine + np.cos(latitude) * np.cos(declination) * np.cos(_array(hour_angle_rad))
    return np.asarray(np.arcsin(np.clip(sine, -1.0, 1.0)), dtype=np.float64)


def extraterrestrial_radiation_hourly(
    hour_angle_rad: npt.ArrayLike,
    latitude_deg: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
    *,
    span_h: float = 1.0,
) -> FloatArray:
    """Radiation above the air in an hour or a shorter span.

    Parameters
    ----------
    hour_angle_rad : array_like
        Hour angle at the middle of the span, see `solar_hour_angle_rad`. [rad]
    latitude_deg : array_like
        North positive. [deg]
    day_of_year : array_like
        1 to 366.
    span_h : float
        Length of the span. [h] 0 to 1.

    Returns
    -------
    ndarray, broadcast shape
        Ra, 0 to 5.1 for an hour. [MJ m-2 per span] FAO-56 eq. 28 to 30; the span is cut at sunrise and
        sunset.
    """
    latitude, declination = np.radians(_array(latitude_deg)), solar_declination_rad(day_of_year)
    sunset = sunset_hour_angle_rad(latitude, declination)
    half = np.pi * span_h / 24.0
    first = np.clip(_array(hour_angle_rad) - half, -sunset, sunset)
    last = np.clip(_array(hour_angle_rad) + half, -sunset, sunset)
    bracket = (last - first) * np.sin(latitude) * np.sin(declination)
    bracket = bracket + np.cos(latitude) * np.cos(declination) * (np.sin(last) - np.sin(first))
    scale = 12.0 * 60.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN
    above = scale * inverse_relative_distance(day_of_year) * bracket
    return np.asarray(np.maximum(above, 0.0), dtype=np.float64)


def midday_weighted_elevation_rad(latitude_deg: npt.ArrayLike, day_of_year: npt.ArrayLike) -> FloatArray:
    """Height of the sun that stands for a whole day when clear-sky radiation is sought.

    Parameters
    ----------
    latitude_deg : array_like
        North positive. [deg]
    day_of_year : array_like
        1 to 366.

    Returns
    -------
    ndarray, broadcast shape
        0 or more. [rad] ASCE-EWRI 2005, eq. D.5.
    """
    latitude = np.radians(_array(latitude_deg))
    season = np.sin(2.0 * np.pi * _array(day_of_year) / 365.0 - 1.39)
    return np.asarray(np.maximum(0.85 + 0.3 * latitude * season - 0.42 * latitude**2, 0.0), dtype=np.float64)
