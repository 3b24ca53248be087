"""Water vapour in the air: pressures, dewpoint and frost point.

Equation numbers are those of Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56,
Rome. This module must not smooth or limit what a humidity probe says: a relative humidity over 100 per
cent passes through, and the range test of the quantity deals with it.
"""

import numpy as np
import numpy.typing as npt

from pipeline.units import FloatArray


def _array(value: npt.ArrayLike) -> FloatArray:
    return np.asarray(value, dtype=np.float64)


def air_pressure_kpa(elevation_m: npt.ArrayLike) -> FloatArray:
    """Mean air pressure at an elevation.

    Parameters
    ----------
    elevation_m : array_like, any shape
        Above sea level. [m] -400 to 5000.

    Returns
    -------
    ndarray, shape of `elevation_m`
        [kPa] FAO-56 eq. 7.
    """
    return np.asarray(101.3 * ((293.0 - 0.0065 * _array(elevation_m)) / 293.0) ** 5.26, dtype=np.float64)


def psychrometric_constant_kpa_degc(pressure_kpa: npt.ArrayLike) -> FloatArray:
    """Psychrometric constant at an air pressure.

    Parameters
    ----------
    pressure_kpa : array_like, any shape
        Of the air. [kPa]

    Returns
    -------
    ndarray, shape of `pressure_kpa`
        [kPa degC-1] FAO-56 eq. 8 as printed, 0.665e-3 P; unrounded constants give 0.1 % less.
    """
    return np.asarray(0.665e-3 * _array(pressure_kpa), dtype=np.float64)


def saturation_vapour_pressure_kpa(temperature_degc: npt.ArrayLike) -> FloatArray:
    """Saturation vapour pressure over water.

    Parameters
    ----------
    temperature_degc : array_like, any shape
        Of the air. [degC] -40 to 60.

    Returns
    -------
    ndarray, shape of `temperature_degc`
        [kPa] 0.02 to 20. FAO-56 eq. 11.
    """
    t = _array(temperature_degc)
    return np.asarray(0.6108 * np.exp(17.27 * t / (t + 237.3)), dtype=np.float64)


def mean_saturation_vapour_pressure_kpa(
    temperature_max_degc: npt.ArrayLike, temperature_min_degc: npt.ArrayLike
) -> FloatArray:
    """Mean saturation vapour pressure of a day, from both ends of its temperature.

    Parameters
    ----------
    temperature_max_degc, temperature_min_degc : array_like
        [degC]

    Returns
    -------
    ndarray, broadcast shape
        [kPa] FAO-56 eq. 12.
    """
    high, low = map(saturation_vapour_pressure_kpa, (temperature_max_degc, temperature_min_degc))
    return np.asarray(0.5 * (high + low), dtype=np.float64)


def saturation_slope_kpa_degc(temperature_degc: npt.ArrayLike) -> FloatArray:
    """Slope of saturation vapour pressure against temperature.

    Parameters
    ----------
    temperature_degc : array_like, any shape
        Of the air. [degC] -40 to 60.

    Returns
    -------
    ndarray, shape of `temperature_degc`
        [kPa degC-1] FAO-56 eq. 13.
    """
    t = _array(temperature_degc)
    return np.asarray(4098.0 * saturation_vapour_pressure_kpa(t) / (t + 237.3) ** 2, dtype=np.float64)


def vapour_pressure_kpa(
    temperature_max_degc: npt.ArrayLike,
    temperature_min_degc: npt.ArrayLike,
    humidity_max_percent: npt.ArrayLike,
    humidity_min_percent: npt.ArrayLike,
) -> FloatArray:
    """Actual vapour pressure of a day from the extremes of temperature and relative humidity.

    Parameters
    ----------
    temperature_max_degc, temperature_min_degc : array_like
        [degC]
    humidity_max_percent, humidity_min_percent : array_like
        [%] 0 to 100. The highest goes with the lowest temperature.

    Returns
    -------
    ndarray, broadcast shape
        [kPa] FAO-56 eq. 17.
    """
    by_night = saturation_vapour_pressure_kpa(temperature_min_degc) * _array(humidity_max_percent)
    by_day = saturation_vapour_pressure_kpa(temperature_max_degc) * _array(humidity_min_percent)
    return np.asarray((by_night + by_day) / 200.0, dtype=np.float64)


def dewpoint_degc(vapour_pressure_kpa: npt.ArrayLike) -> FloatArray:
    """Temperature at which air of this vapour pressure is saturated over water.

    Parameters
    ----------
    vapour_pressure_kpa : array_like, any shape
        [kPa] Above 0; NaN otherwise.

    Returns
    -------
    ndarray, shape of `vapour_pressure_kpa`
        [degC] The inverse of FAO-56 eq. 11.
    """
    pressure = _array(vapour_pressure_kpa)
    log = np.log(np.where(pressure > 0.0, pressure, np.nan) / 0.6108)
    return np.asarray(237.3 * log / (17.27 - log), dtype=np.float64)


def dewpoint_from_humidity_degc(temperature_degc: npt.ArrayLike, humidity_percent: npt.ArrayLike) -> FloatArray:
    """Dewpoint of air from its temperature and relative humidity.

    Parameters
    ----------
    temperature_degc : array_like
        [degC]
    humidity_percent : array_like, broadcasts
        Over water. [%] Above 0; NaN otherwise.

    Returns
    -------
    ndarray, broadcast shape
        [degC]
    """
    vapour = saturation_vapour_pressure_kpa(temperature_degc) * _array(humidity_percent) / 100.0
    return dewpoint_degc(vapour)


def frost_point_degc(vapour_pressure_kpa: npt.ArrayLike) -> FloatArray:
    """Temperature at which air of this vapour pressure is saturated over ice.

    Parameters
    ----------
    vapour_pressure_kpa : array_like, any shape
        [kPa] 0 (left out) to 0.6108; NaN otherwise, since above it ice cannot form.

    Returns
    -------
    ndarray, shape of `vapour_pressure_kpa`
        [degC] 0 or below, and never below the dewpoint.

    References
    ----------
    Magnus formula over ice, 0.6108 exp(21.875 T / (T + 265.5)): Murray 1967, J. Appl. Meteorol. 6, from
    memory.
    """
    pressure = _array(vapour_pressure_kpa)
    log = np.log(np.where((pressure > 0.0) & (pressure <= 0.6108), pressure, np.nan) / 0.6108)
    return np.asarray(265.5 * log / (21.875 - log), dtype=np.float64)
