"""Where the sun stands over a place, what it sends, and what of it a grass surface keeps, after FAO-56."""

from datetime import UTC, date, timedelta
from functools import lru_cache

import astral.sun
import numpy as np
import numpy.typing as npt
from astral import Observer

from pipeline.units import FloatArray

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


def sunrise_sunset_ms(
    latitude_deg: float, longitude_deg: float, first_day: date, days: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Sunrise and the sunset that follows it, for a run of days.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        North and east positive. [deg]
    first_day : date
        Day of the first solar noon, in local solar reckoning.
    days : int
        How many.

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


STEFAN_BOLTZMANN_MJ_K4_M2_D = 4.903e-9  # FAO-56 eq. 39
GRASS_ALBEDO = 0.23  # FAO-56 eq. 38
ANGSTROM_A, ANGSTROM_B = 0.25, 0.50  # FAO-56 eq. 35, where no local fit exists
HARGREAVES_INTERIOR, HARGREAVES_COAST = 0.16, 0.19  # FAO-56 eq. 50
RELATIVE_SHORTWAVE_LIMITS = (0.3, 1.0)  # ASCE-EWRI 2005; FAO-56 page 75 says about 0.33 to 1
LOWEST_SUN_RAD = 0.3  # below it Rs/Rso says nothing of cloud: ASCE-EWRI 2005
KELVIN = 273.16  # as printed in FAO-56


def energy_mj_m2(flux_w_m2: npt.ArrayLike, seconds: float) -> FloatArray:
    """Energy over a span from its mean flux.

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
    return np.asarray(_array(flux_w_m2) * seconds * 1e-6, dtype=np.float64)


def shortwave_from_sunshine(
    sunshine_h: npt.ArrayLike, daylight_h: npt.ArrayLike, extraterrestrial_mj_m2: npt.ArrayLike
) -> FloatArray:
    """Solar radiation of a day from hours of sunshine.

    Parameters
    ----------
    sunshine_h, daylight_h : array_like
        Measured and longest possible sunshine. [h]
    extraterrestrial_mj_m2 : array_like
        Ra of the day. [MJ m-2 d-1]

    Returns
    -------
    ndarray, broadcast shape
        Rs. [MJ m-2 d-1] FAO-56 eq. 35 with 0.25 and 0.50.
    """
    share = _array(sunshine_h) / _array(daylight_h)
    return np.asarray((ANGSTROM_A + ANGSTROM_B * share) * _array(extraterrestrial_mj_m2), dtype=np.float64)


def shortwave_from_temperature(
    temperature_max_degc: npt.ArrayLike,
    temperature_min_degc: npt.ArrayLike,
    extraterrestrial_mj_m2: npt.ArrayLike,
    *,
    coefficient: float = HARGREAVES_INTERIOR,
) -> FloatArray:
    """Solar radiation of a day from the span of air temperature, when nothing better is known.

    Parameters
    ----------
    temperature_max_degc, temperature_min_degc : array_like
        [degC]
    extraterrestrial_mj_m2 : array_like
        Ra of the day. [MJ m-2 d-1]
    coefficient : float
        0.16 inland, 0.19 near a coast. [degC^-0.5]

    Returns
    -------
    ndarray, broadcast shape
        Rs, never above Ra. [MJ m-2 d-1] NaN where the maximum is below the minimum. FAO-56 eq. 50.
    """
    span = _array(temperature_max_degc) - _array(temperature_min_degc)
    root = np.sqrt(np.where(span >= 0.0, span, np.nan))
    return np.asarray(np.minimum(coefficient * root, 1.0) * _array(extraterrestrial_mj_m2), dtype=np.float64)


def clear_sky_shortwave(extraterrestrial_mj_m2: npt.ArrayLike, elevation_m: npt.ArrayLike) -> FloatArray:
    """Solar radiation under a clear sky.

    Parameters
    ----------
    extraterrestrial_mj_m2 : array_like
        Ra of a day or an hour. [MJ m-2 per span]
    elevation_m : array_like
        Above sea level. [m]

    Returns
    -------
    ndarray, broadcast shape
        Rso, in the unit of Ra. FAO-56 eq. 37.
    """
    return np.asarray((0.75 + 2e-5 * _array(elevation_m)) * _array(extraterrestrial_mj_m2), dtype=np.float64)


def clear_sky_shortwave_humid(
    extraterrestrial_mj_m2: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    pressure_kpa: npt.ArrayLike,
    sun_elevation_rad: npt.ArrayLike,
) -> FloatArray:
    """Solar radiation under a clear sky of known moisture, clean air.

    Parameters
    ----------
    extraterrestrial_mj_m2 : array_like
        Ra of a day or an hour. [MJ m-2 per span]
    vapour_pressure_kpa, pressure_kpa : array_like
        Actual vapour pressure, air pressure. [kPa]
    sun_elevation_rad : array_like
        `sun.midday_weighted_elevation_rad` for a day, `sun.solar_elevation_rad` for an hour. [rad]

    Returns
    -------
    ndarray, broadcast shape
        Rso, in the unit of Ra; 0 with the sun down. ASCE-EWRI 2005, eq. D.1 to D.4, turbidity 1.0.
    """
    pressure = _array(pressure_kpa)
    sine = np.sin(np.maximum(_array(sun_elevation_rad), 0.01))  # keeps the optical path finite
    water_mm = 0.14 * _array(vapour_pressure_kpa) * pressure + 2.1
    beam = 0.98 * np.exp(-0.00146 * pressure / sine - 0.075 * (water_mm / sine) ** 0.4)
    diffuse = np.where(beam >= 0.15, 0.35 - 0.36 * beam, 0.18 + 0.82 * beam)
    return np.asarray((beam + diffuse) * _array(extraterrestrial_mj_m2), dtype=np.float64)


def relative_shortwave(
    shortwave_mj_m2: npt.ArrayLike, clear_sky_mj_m2: npt.ArrayLike, sun_elevation_rad: npt.ArrayLike
) -> FloatArray:
    """Rs/Rso of an hourly series, with the last good value of the day carried through the night.

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
    short, clear = np.atleast_1d(_array(shortwave_mj_m2)), np.atleast_1d(_array(clear_sky_mj_m2))
    high = np.atleast_1d(_array(sun_elevation_rad)) >= LOWEST_SUN_RAD
    ratio = np.clip(short / np.where(clear > 0.0, clear, np.nan), *RELATIVE_SHORTWAVE_LIMITS)
    last = np.maximum.accumulate(np.where(high, np.arange(ratio.size), -1))
    return np.where(last >= 0, ratio[np.maximum(last, 0)], np.nan)


def net_shortwave(shortwave_mj_m2: npt.ArrayLike, *, albedo: float = GRASS_ALBEDO) -> FloatArray:
    """Solar radiation kept by the surface.

    Parameters
    ----------
    shortwave_mj_m2 : array_like, any shape
        Rs. [MJ m-2 per span]
    albedo : float
        Share sent back, 0 to 1; 0.23 for the grass reference. [1]

    Returns
    -------
    ndarray, shape of `shortwave_mj_m2`
        Rns, in the unit of Rs. FAO-56 eq. 38.
    """
    return np.asarray((1.0 - albedo) * _array(shortwave_mj_m2), dtype=np.float64)


def net_longwave_daily(
    temperature_max_degc: npt.ArrayLike,
    temperature_min_degc: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    relative_shortwave_ratio: npt.ArrayLike,
) -> FloatArray:
    """Heat radiation lost by the surface in a day.

    Parameters
    ----------
    temperature_max_degc, temperature_min_degc : array_like
        Of the air. [degC]
    vapour_pressure_kpa : array_like
        Actual vapour pressure. [kPa]
    relative_shortwave_ratio : array_like
        Rs/Rso; held between 0.3 and 1.0. [1]

    Returns
    -------
    ndarray, broadcast shape
        Rnl, positive away from the surface. [MJ m-2 d-1] FAO-56 eq. 39.
    """
    high, low = _array(temperature_max_degc) + KELVIN, _array(temperature_min_degc) + KELVIN
    fourth = 0.5 * (high**4 + low**4)
    return _net_longwave(STEFAN_BOLTZMANN_MJ_K4_M2_D * fourth, vapour_pressure_kpa, relative_shortwave_ratio)


def net_longwave_hourly(
    temperature_degc: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    relative_shortwave_ratio: npt.ArrayLike,
) -> FloatArray:
    """Heat radiation lost by the surface in an hour.

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
    fourth = (_array(temperature_degc) + KELVIN) ** 4
    emitted = STEFAN_BOLTZMANN_MJ_K4_M2_D / 24.0 * fourth
    return _net_longwave(emitted, vapour_pressure_kpa, relative_shortwave_ratio)


def _net_longwave(
    emitted_mj_m2: npt.ArrayLike, vapour_pressure_kpa: npt.ArrayLike, relative_shortwave_ratio: npt.ArrayLike
) -> FloatArray:
    humidity = 0.34 - 0.14 * np.sqrt(_array(vapour_pressure_kpa))
    cloud = 1.35 * np.clip(_array(relative_shortwave_ratio), *RELATIVE_SHORTWAVE_LIMITS) - 0.35
    return np.asarray(_array(emitted_mj_m2) * humidity * cloud, dtype=np.float64)
