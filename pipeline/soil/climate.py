"""How much water the air asks of the turf: reference evapotranspiration and the turf's share of it.

Daily and hourly values follow FAO-56 (Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper
56, Rome); equation numbers are its own. The hourly sum used by the project is the FAO-56 one, 0.34 in the
denominator day and night; the ASCE 2005 hourly sum differs by several per cent and stands beside it under
its own name. This module must not fill a gap in the weather: NaN in, NaN out.
"""

import numpy as np
import numpy.typing as npt

from pipeline.soil import radiation
from pipeline.soil import radiation as sun
from pipeline.soil.humidity import (
    air_pressure_kpa,
    mean_saturation_vapour_pressure_kpa,
    psychrometric_constant_kpa_degc,
    saturation_slope_kpa_degc,
    saturation_vapour_pressure_kpa,
)
from pipeline.units import FloatArray

MJ_M2_TO_MM = 0.408  # 1 / latent heat of 2.45 MJ/kg: FAO-56 eq. 6
WIND_FLOOR_M_S = 0.5  # FAO-56 page 63: still air mixes that much over grass
# Reference demand taken by cool-season turf, as a range: Aamlid et al. 2016, J. Agron. Crop Sci.
TURF_COEFFICIENT_WET_DAY = (1.67, 2.85)  # the first day after wetting, when leaf and thatch flash off
TURF_COEFFICIENT_COOL = (0.81, 0.91)  # later days
TURF_COEFFICIENT_WARM = (0.80, 0.85)  # warm-season turf: FAO-56 Table 12, from memory


def _array(value: npt.ArrayLike) -> FloatArray:
    return np.asarray(value, dtype=np.float64)


def wind_at_2m_m_s(wind_m_s: npt.ArrayLike, height_m: npt.ArrayLike) -> FloatArray:
    """Wind at 2 m above grass from wind measured at another height.

    Parameters
    ----------
    wind_m_s : array_like
        [m s-1]
    height_m : array_like
        Of the instrument above the grass. [m] Above 0.1; NaN otherwise.

    Returns
    -------
    ndarray, broadcast shape
        [m s-1] FAO-56 eq. 47.
    """
    height = _array(height_m)
    inner = 67.8 * np.where(height > 0.1, height, np.nan) - 5.42
    return np.asarray(_array(wind_m_s) * 4.87 / np.log(inner), dtype=np.float64)


def soil_heat_flux_monthly_mj_m2_d(
    temperature_month_degc: npt.ArrayLike, temperature_month_before_degc: npt.ArrayLike
) -> FloatArray:
    """Soil heat flux of a month when the month after is unknown.

    Parameters
    ----------
    temperature_month_degc, temperature_month_before_degc : array_like
        Mean air temperature of the month and of the one before. [degC]

    Returns
    -------
    ndarray, broadcast shape
        Positive into the ground. [MJ m-2 d-1] FAO-56 eq. 44.
    """
    rise = _array(temperature_month_degc) - _array(temperature_month_before_degc)
    return np.asarray(0.14 * rise, dtype=np.float64)


def soil_heat_flux_hourly_mj_m2_h(net_radiation_mj_m2_h: npt.ArrayLike) -> FloatArray:
    """Soil heat flux under grass: a tenth of net radiation by day, half by night.

    Parameters
    ----------
    net_radiation_mj_m2_h : array_like, any shape
        [MJ m-2 h-1] Negative by night.

    Returns
    -------
    ndarray, shape of `net_radiation_mj_m2_h`
        Positive into the ground. [MJ m-2 h-1] FAO-56 eq. 45 and 46.
    """
    net = _array(net_radiation_mj_m2_h)
    return np.asarray(np.where(net >= 0.0, 0.1, 0.5) * net, dtype=np.float64)


def penman_monteith_mm(
    temperature_degc: npt.ArrayLike,
    vapour_deficit_kpa: npt.ArrayLike,
    available_energy_mj_m2: npt.ArrayLike,
    wind_2m_m_s: npt.ArrayLike,
    pressure_kpa: npt.ArrayLike,
    *,
    numerator: float = 900.0,
    denominator: npt.ArrayLike = 0.34,
) -> FloatArray:
    """Standardised Penman-Monteith equation for a day or an hour.

    Parameters
    ----------
    temperature_degc : array_like
        Mean air temperature of the span. [degC]
    vapour_deficit_kpa : array_like
        es - ea. [kPa]
    available_energy_mj_m2 : array_like
        Net radiation less soil heat flux. [MJ m-2 per span]
    wind_2m_m_s : array_like
        [m s-1]
    pressure_kpa : array_like
        Of the air. [kPa]
    numerator : float
        900 for a day, 37 for an hour over clipped grass. [K mm s3 Mg-1 per span]
    denominator : array_like
        0.34 in FAO-56. [s m-1]

    Returns
    -------
    ndarray, broadcast shape
        Reference evapotranspiration; negative when dew falls. [mm per span]

    References
    ----------
    FAO-56 eq. 6 (day) and 53 (hour); ASCE-EWRI 2005 eq. 1 for other constants.
    """
    t, wind = _array(temperature_degc), _array(wind_2m_m_s)
    slope, gamma = saturation_slope_kpa_degc(t), psychrometric_constant_kpa_degc(pressure_kpa)
    energy = MJ_M2_TO_MM * slope * _array(available_energy_mj_m2)
    air = gamma * numerator / (t + 273.0) * wind * _array(vapour_deficit_kpa)
    return np.asarray((energy + air) / (slope + gamma * (1.0 + _array(denominator) * wind)), dtype=np.float64)


def reference_et_daily_mm(
    temperature_max_degc: npt.ArrayLike,
    temperature_min_degc: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    solar_radiation_w_m2: npt.ArrayLike,
    wind_2m_m_s: npt.ArrayLike,
    *,
    latitude_deg: float,
    elevation_m: float,
    day_of_year: npt.ArrayLike,
    clear_sky_mj_m2: npt.ArrayLike | None = None,
) -> FloatArray:
    """FAO-56 reference evapotranspiration of a day from measured weather.

    Parameters
    ----------
    temperature_max_degc, temperature_min_degc : array_like, shape (day,)
        [degC]
    vapour_pressure_kpa : array_like, shape (day,)
        Actual, see `humidity.vapour_pressure_kpa`. [kPa]
    solar_radiation_w_m2 : array_like, shape (day,)
        Mean of the 24 hours. [W m-2]
    wind_2m_m_s : array_like, shape (day,)
        Mean at 2 m. [m s-1]
    latitude_deg, elevation_m : float
        North positive. [deg], [m]
    day_of_year : array_like, shape (day,)
        1 to 366.
    clear_sky_mj_m2 : array_like, shape (day,), optional
        Rso from a better source, such as `radiation.clear_sky_shortwave_humid`. [MJ m-2 d-1] FAO-56 eq. 37
        without it.

    Returns
    -------
    ndarray, shape (day,)
        ET0, about 0 to 15. [mm d-1] NaN where any weather is missing.

    References
    ----------
    FAO-56 eq. 6 with the soil heat flux of a day taken as zero (eq. 42).
    """
    shortwave = radiation.energy_mj_m2(solar_radiation_w_m2, 86400.0)
    if clear_sky_mj_m2 is None:
        above = sun.extraterrestrial_radiation_daily(latitude_deg, day_of_year)
        clear_sky_mj_m2 = radiation.clear_sky_shortwave(above, elevation_m)
    clear = _array(clear_sky_mj_m2)
    longwave = radiation.net_longwave_daily(
        temperature_max_degc,
        temperature_min_degc,
        vapour_pressure_kpa,
        shortwave / np.where(clear > 0.0, clear, np.nan),
    )
    deficit = mean_saturation_vapour_pressure_kpa(temperature_max_degc, temperature_min_degc)
    return penman_monteith_mm(
        0.5 * (_array(temperature_max_degc) + _array(temperature_min_degc)),
        deficit - _array(vapour_pressure_kpa),
        radiation.net_shortwave(shortwave) - longwave,
        wind_2m_m_s,
        air_pressure_kpa(elevation_m),
    )


def reference_et_hourly_mm(
    temperature_degc: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    solar_radiation_w_m2: npt.ArrayLike,
    wind_2m_m_s: npt.ArrayLike,
    relative_shortwave_ratio: npt.ArrayLike,
    *,
    elevation_m: float,
) -> FloatArray:
    """FAO-56 reference evapotranspiration of an hour; the hourly sum this project uses.

    Parameters
    ----------
    temperature_degc : array_like, shape (hour,)
        Mean of the hour. [degC]
    vapour_pressure_kpa : array_like, shape (hour,)
        Actual. [kPa]
    solar_radiation_w_m2 : array_like, shape (hour,)
        Mean of the hour. [W m-2]
    wind_2m_m_s : array_like, shape (hour,)
        Mean at 2 m. [m s-1]
    relative_shortwave_ratio : array_like, shape (hour,)
        Rs/Rso, see `radiation.relative_shortwave`. [1]
    elevation_m : float
        [m]

    Returns
    -------
    ndarray, shape (hour,)
        ET0, about -0.1 to 1.5. [mm h-1] Denominator 0.34 day and night.

    References
    ----------
    FAO-56 eq. 53.
    """
    net = _net_radiation_hourly(temperature_degc, vapour_pressure_kpa, solar_radiation_w_m2, relative_shortwave_ratio)
    return penman_monteith_mm(
        temperature_degc,
        saturation_vapour_pressure_kpa(temperature_degc) - _array(vapour_pressure_kpa),
        net - soil_heat_flux_hourly_mj_m2_h(net),
        wind_2m_m_s,
        air_pressure_kpa(elevation_m),
        numerator=37.0,
    )


def reference_et_hourly_asce_mm(
    temperature_degc: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    solar_radiation_w_m2: npt.ArrayLike,
    wind_2m_m_s: npt.ArrayLike,
    relative_shortwave_ratio: npt.ArrayLike,
    *,
    elevation_m: float,
) -> FloatArray:
    """ASCE 2005 short-reference evapotranspiration of an hour, for comparison with other stations only.

    Parameters and result are those of `reference_et_hourly_mm`; the denominator is 0.24 by day and 0.96 by
    night.

    References
    ----------
    ASCE-EWRI 2005, The ASCE Standardized Reference Evapotranspiration Equation, eq. 1 and Table 1.
    """
    net = _net_radiation_hourly(temperature_degc, vapour_pressure_kpa, solar_radiation_w_m2, relative_shortwave_ratio)
    return penman_monteith_mm(
        temperature_degc,
        saturation_vapour_pressure_kpa(temperature_degc) - _array(vapour_pressure_kpa),
        net - soil_heat_flux_hourly_mj_m2_h(net),
        wind_2m_m_s,
        air_pressure_kpa(elevation_m),
        numerator=37.0,
        denominator=np.where(net >= 0.0, 0.24, 0.96),
    )


def _net_radiation_hourly(
    temperature_degc: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    solar_radiation_w_m2: npt.ArrayLike,
    relative_shortwave_ratio: npt.ArrayLike,
) -> FloatArray:
    shortwave = radiation.energy_mj_m2(solar_radiation_w_m2, 3600.0)
    longwave = radiation.net_longwave_hourly(temperature_degc, vapour_pressure_kpa, relative_shortwave_ratio)
    return radiation.net_shortwave(shortwave) - longwave


def hargreaves_et_daily_mm(
    temperature_max_degc: npt.ArrayLike,
    temperature_min_degc: npt.ArrayLike,
    extraterrestrial_mj_m2: npt.ArrayLike,
) -> FloatArray:
    """Reference evapotranspiration of a day when only air temperature is known.

    Parameters
    ----------
    temperature_max_degc, temperature_min_degc : array_like
        [degC]
    extraterrestrial_mj_m2 : array_like
        Ra, see `sun.extraterrestrial_radiation_daily`. [MJ m-2 d-1]

    Returns
    -------
    ndarray, broadcast shape
        ET0, 0 or more. [mm d-1] Best over 5 days or more; NaN where the maximum is below the minimum.

    References
    ----------
    Hargreaves & Samani 1985, Appl. Eng. Agric. 1(2), 96-99; FAO-56 eq. 52.
    """
    high, low = _array(temperature_max_degc), _array(temperature_min_degc)
    root = np.sqrt(np.where(high >= low, high - low, np.nan))
    water = MJ_M2_TO_MM * _array(extraterrestrial_mj_m2)
    return np.asarray(np.maximum(0.0023 * (0.5 * (high + low) + 17.8) * root * water, 0.0), dtype=np.float64)


def makkink_mm(
    shortwave_mj_m2: npt.ArrayLike, temperature_degc: npt.ArrayLike, elevation_m: npt.ArrayLike
) -> FloatArray:
    """Reference evapotranspiration from sun and air temperature alone, where neither wind nor humidity is measured.

    Parameters
    ----------
    shortwave_mj_m2 : array_like
        Rs of an hour or a day, 0 or more. [MJ m-2 per span]
    temperature_degc : array_like
        Mean of the span. [degC]
    elevation_m : array_like
        [m]

    Returns
    -------
    ndarray, broadcast shape
        0 or more. [mm per span] For well watered grass in a humid climate; too low where the wind is dry.

    References
    ----------
    Makkink 1957 with the constant 0.65 of De Bruin 1987 (from memory).
    """
    slope = saturation_slope_kpa_degc(temperature_degc)
    gamma = psychrometric_constant_kpa_degc(air_pressure_kpa(elevation_m))
    water = MJ_M2_TO_MM * np.maximum(_array(shortwave_mj_m2), 0.0)
    return np.asarray(0.65 * slope / (slope + gamma) * water, dtype=np.float64)


def turf_coefficient(
    days_since_wetting: npt.ArrayLike, *, kind: str = "cool"
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Share of the reference demand that mown turf takes, with its range.

    Parameters
    ----------
    days_since_wetting : array_like, any shape
        Whole days since rain or watering wetted the leaf; 0 is the day of wetting. [d]
    kind : str
        "cool" or "warm" season turf.

    Returns
    -------
    middle, low, high : ndarray, shape of `days_since_wetting`
        [1] The first full day after wetting runs at the flash-off rate, later days at the dry-leaf rate.

    Raises
    ------
    ValueError
        `kind` is neither of the two.

    References
    ----------
    Aamlid et al. 2016, J. Agron. Crop Sci. (cool-season turf); warm-season later days FAO-56 Table 12,
    from memory.
    """
    if kind not in ("cool", "warm"):
        raise ValueError(f"kind of turf: found {kind!r}, expected 'cool' or 'warm'. Name its season.")
    days = _array(days_since_wetting)
    dry_low, dry_high = TURF_COEFFICIENT_COOL if kind == "cool" else TURF_COEFFICIENT_WARM
    wet_low, wet_high = TURF_COEFFICIENT_WET_DAY
    low = np.where(np.isnan(days), np.nan, np.where(days <= 1.0, wet_low, dry_low))
    high = np.where(np.isnan(days), np.nan, np.where(days <= 1.0, wet_high, dry_high))
    return 0.5 * (low + high), low, high
