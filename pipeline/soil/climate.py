"""What the weather asks of the turf and does to it: reference evapotranspiration, vapour, the leaf by night, growth.

Equation numbers are those of Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56, Rome. The hourly
reference evapotranspiration is the short reference of ASCE-EWRI 2005: 0.24 in the denominator by day and 0.96 by night
where FAO-56 has 0.34. A gap in the weather stays a gap: NaN in, NaN out; only
`hourly_demand_mm` takes Hargreaves from the temperatures of the day where other weather is missing.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.soil import radiation
from pipeline.soil.radiation import Location
from pipeline.units import DAY_MS, HOUR_MS, FloatArray, floats

MJ_M2_TO_MM = 0.408  # 1 / latent heat of 2.45 MJ/kg: FAO-56 eq. 6
WIND_FLOOR_M_S = 0.5  # FAO-56 page 63: still air mixes that much over grass
FROST_ON_LEAF_DEGC = 0.5  # a sensor reads a leaf only so well: common practice, no source
NIGHT_DROP_LIMIT_DEGC = 6.0  # grass minimum seldom lies further below the air: common practice, no source
DAY_SURFACE, NIGHT_SURFACE = 0.24, 0.96  # Cd of the short reference, hourly: ASCE-EWRI 2005, table 1
SUN_OFFSET_W_M2 = 10.0  # a thermopile's zero by night: about 7 W m-2 at 200 W m-2 of net radiation, ISO 9060 class A
HUMIDITY_EXCESS_PERCENT = 5.0  # capacitive sensors near saturation read a few per cent high: common practice, no source
AIR_HEAT_J_M3_DEGC = 1.25e3  # density times specific heat near 5 degC
GRASS_RESISTANCE_M = 208.0  # aerodynamic resistance of clipped grass is 208/u2 s/m: FAO-56 eq. 4 and page 21
# Gelernter & Stowell 2005, Golf Course Management 73(3), 108-113, as restated by others in degrees Celsius.
# optimum and spread of growth by kind of grass
GROWTH_DEGC = {"cool": (20.0, 5.5), "warm": (31.0, 7.0), "annual_meadow_grass": (18.0, 5.5)}


def air_pressure_kpa(elevation_m: npt.ArrayLike) -> FloatArray:
    """Return the mean air pressure at an elevation.

    Parameters
    ----------
    elevation_m : array_like, any shape
        Above sea level. [m] -400 to 5000.

    Returns
    -------
    ndarray, shape of `elevation_m`
        [kPa] FAO-56 eq. 7.
    """
    return np.asarray(101.3 * ((293.0 - 0.0065 * floats(elevation_m)) / 293.0) ** 5.26, dtype=np.float64)


def psychrometric_constant_kpa_degc(pressure_kpa: npt.ArrayLike) -> FloatArray:
    """Return the psychrometric constant at an air pressure.

    Parameters
    ----------
    pressure_kpa : array_like, any shape
        Of the air. [kPa]

    Returns
    -------
    ndarray, shape of `pressure_kpa`
        [kPa degC-1] FAO-56 eq. 8 as printed, 0.665e-3 P; unrounded constants give 0.1 % less.
    """
    return np.asarray(0.665e-3 * floats(pressure_kpa), dtype=np.float64)


def saturation_vapour_pressure_kpa(temperature_degc: npt.ArrayLike) -> FloatArray:
    """Return the saturation vapour pressure over water.

    Parameters
    ----------
    temperature_degc : array_like, any shape
        Of the air. [degC] -40 to 60.

    Returns
    -------
    ndarray, shape of `temperature_degc`
        [kPa] 0.02 to 20. FAO-56 eq. 11.
    """
    t = floats(temperature_degc)
    return np.asarray(0.6108 * np.exp(17.27 * t / (t + 237.3)), dtype=np.float64)


def vapour_pressure_kpa(temperature_degc: npt.ArrayLike, humidity_percent: npt.ArrayLike) -> FloatArray:
    """Return the actual vapour pressure of air from its temperature and relative humidity.

    Parameters
    ----------
    temperature_degc : array_like
        Of the air. [degC] -40 to 60.
    humidity_percent : array_like, broadcasts
        Over water. [%]

    Returns
    -------
    ndarray, broadcast shape
        [kPa] FAO-56 eq. 10 and 11.
    """
    return np.asarray(saturation_vapour_pressure_kpa(temperature_degc) * floats(humidity_percent) / 100.0)


def saturation_slope_kpa_degc(temperature_degc: npt.ArrayLike) -> FloatArray:
    """Return the slope of saturation vapour pressure against temperature.

    Parameters
    ----------
    temperature_degc : array_like, any shape
        Of the air. [degC] -40 to 60.

    Returns
    -------
    ndarray, shape of `temperature_degc`
        [kPa degC-1] FAO-56 eq. 13.
    """
    t = floats(temperature_degc)
    return np.asarray(4098.0 * saturation_vapour_pressure_kpa(t) / (t + 237.3) ** 2, dtype=np.float64)


def dewpoint_degc(vapour_pressure_kpa: npt.ArrayLike) -> FloatArray:
    """Return the temperature at which air of this vapour pressure is saturated over water.

    Parameters
    ----------
    vapour_pressure_kpa : array_like, any shape
        [kPa] Above 0; NaN otherwise.

    Returns
    -------
    ndarray, shape of `vapour_pressure_kpa`
        [degC] The inverse of FAO-56 eq. 11.
    """
    pressure = floats(vapour_pressure_kpa)
    log = np.log(np.where(pressure > 0.0, pressure, np.nan) / 0.6108)
    return np.asarray(237.3 * log / (17.27 - log), dtype=np.float64)


def dewpoint_from_humidity_degc(temperature_degc: npt.ArrayLike, humidity_percent: npt.ArrayLike) -> FloatArray:
    """Return the dewpoint of air from its temperature and relative humidity.

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
    return dewpoint_degc(vapour_pressure_kpa(temperature_degc, humidity_percent))


def soil_heat_flux_hourly_mj_m2_h(net_radiation_mj_m2_h: npt.ArrayLike) -> FloatArray:
    """Return the soil heat flux under grass: a tenth of net radiation by day, half by night.

    Parameters
    ----------
    net_radiation_mj_m2_h : array_like, any shape
        [MJ m-2 h-1] Negative by night.

    Returns
    -------
    ndarray, shape of `net_radiation_mj_m2_h`
        Positive into the ground. [MJ m-2 h-1] FAO-56 eq. 45 and 46.
    """
    net = floats(net_radiation_mj_m2_h)
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
    """Evaluate the standardised Penman-Monteith equation for a day or an hour.

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
    t, wind = floats(temperature_degc), floats(wind_2m_m_s)
    slope, gamma = saturation_slope_kpa_degc(t), psychrometric_constant_kpa_degc(pressure_kpa)
    energy = MJ_M2_TO_MM * slope * floats(available_energy_mj_m2)
    air = gamma * numerator / (t + 273.0) * wind * floats(vapour_deficit_kpa)
    return np.asarray((energy + air) / (slope + gamma * (1.0 + floats(denominator) * wind)), dtype=np.float64)


def reference_et_hourly_mm(
    temperature_degc: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    solar_radiation_w_m2: npt.ArrayLike,
    wind_2m_m_s: npt.ArrayLike,
    relative_shortwave_ratio: npt.ArrayLike,
    *,
    elevation_m: float,
) -> FloatArray:
    """Return the short reference evapotranspiration of an hour, by the standardised equation.

    Parameters
    ----------
    temperature_degc : array_like, shape (hour,)
        Mean of the hour. [degC]
    vapour_pressure_kpa : array_like, shape (hour,)
        Actual. [kPa]
    solar_radiation_w_m2 : array_like, shape (hour,)
        Mean of the hour. [W m-2]
    wind_2m_m_s : array_like, shape (hour,)
        Mean at 2 m, held at 0.5 or more (FAO-56 page 63). [m s-1]
    relative_shortwave_ratio : array_like, shape (hour,)
        Rs/Rso, see `radiation.relative_shortwave`. [1]
    elevation_m : float
        [m]

    Returns
    -------
    ndarray, shape (hour,)
        About -0.1 to 1.5. [mm h-1] It is day where net radiation is 0 or more.

    References
    ----------
    ASCE-EWRI 2005, eq. 1 and table 1; Allen et al. 2006, Agric. Water Manage. 81, 1-22.
    """
    net = _net_radiation_hourly(temperature_degc, vapour_pressure_kpa, solar_radiation_w_m2, relative_shortwave_ratio)
    return penman_monteith_mm(
        temperature_degc,
        saturation_vapour_pressure_kpa(temperature_degc) - floats(vapour_pressure_kpa),
        net - soil_heat_flux_hourly_mj_m2_h(net),
        np.maximum(floats(wind_2m_m_s), WIND_FLOOR_M_S),
        air_pressure_kpa(elevation_m),
        numerator=37.0,
        denominator=np.where(net >= 0.0, DAY_SURFACE, NIGHT_SURFACE),
    )


def weather_reference_et_mm(
    first_ms: int,
    temperature_degc: FloatArray,
    humidity_percent: FloatArray,
    solar_radiation_w_m2: FloatArray,
    wind_2m_m_s: FloatArray,
    place: Location,
) -> FloatArray:
    """Return the short reference evapotranspiration of consecutive hours from measured or forecast weather.

    Parameters
    ----------
    first_ms : int
        Begin of the first hour. [ms since 1970, UTC] Give the evening before the hours wanted too: by night its cloud
        is taken.
    temperature_degc, humidity_percent, solar_radiation_w_m2, wind_2m_m_s : ndarray, shape (hour,)
        Means of the hours. [degC], [%], [W m-2], [m s-1] NaN where not known.
    place : Location
        [deg], [deg], [m]

    Returns
    -------
    ndarray, shape (hour,)
        [mm h-1] NaN where any weather of the hour is missing.

    References
    ----------
    ASCE-EWRI 2005, see `reference_et_hourly_mm`.
    """
    vapour = vapour_pressure_kpa(temperature_degc, humidity_percent)
    ratio = cloud_ratio(first_ms, solar_radiation_w_m2, place)
    return reference_et_hourly_mm(
        temperature_degc, vapour, solar_radiation_w_m2, wind_2m_m_s, ratio, elevation_m=place.elevation_m
    )


def humidity_at_saturation_percent(humidity_percent: npt.ArrayLike) -> FloatArray:
    """Return relative humidity with a sensor's excess over saturation taken off.

    Parameters
    ----------
    humidity_percent : array_like, any shape
        As calibrated. [%]

    Returns
    -------
    ndarray, shape of `humidity_percent`
        [%] Above 100 and up to 105 made 100; the rest as it was.
    """
    humidity = floats(humidity_percent)
    return np.where((humidity > 100.0) & (humidity <= 100.0 + HUMIDITY_EXCESS_PERCENT), 100.0, humidity)


def sun_without_offset_w_m2(
    at_ms: npt.ArrayLike, solar_radiation_w_m2: npt.ArrayLike, place: Location | None
) -> FloatArray:
    """Return solar radiation with the zero offset of its sensor taken off.

    Parameters
    ----------
    at_ms : array_like of int, shape (time,)
        [ms since 1970, UTC]
    solar_radiation_w_m2 : array_like, shape (time,)
        As calibrated. [W m-2]
    place : Location or None
        [deg], [deg], [m] None: the horizon is not known, and only the negative offset is taken off.

    Returns
    -------
    ndarray, shape (time,)
        [W m-2] What lies within 10 W m-2 of nought is 0 where it is negative or the sun below the horizon; the rest as
        it was.
    """
    sun = floats(solar_radiation_w_m2)
    dark = sun < 0.0
    if place is not None:
        at = np.asarray(at_ms, dtype=np.int64)
        day = radiation.day_of_year(at + radiation.solar_offset_ms(place.longitude_deg))
        angle = radiation.solar_hour_angle_rad(at % DAY_MS / HOUR_MS, place.longitude_deg, day)
        dark |= radiation.solar_elevation_rad(angle, place.latitude_deg, day) < 0.0
    return np.where(dark & (np.abs(sun) <= SUN_OFFSET_W_M2), 0.0, sun)


def cloud_ratio(first_ms: int, solar_radiation_w_m2: FloatArray, place: Location) -> FloatArray:
    """Return Rs/Rso of consecutive hours, by night the last good one of the day.

    Parameters
    ----------
    first_ms : int
        Begin of the first hour. [ms since 1970, UTC]
    solar_radiation_w_m2 : ndarray, shape (hour,)
        Means of the hours. [W m-2]
    place : Location
        [deg], [deg], [m]

    Returns
    -------
    ndarray, shape (hour,)
        0.3 to 1.0. [1] See `radiation.relative_shortwave` (FAO-56 page 75).
    """
    _, above, elevation = radiation.sun_of_hours(first_ms, solar_radiation_w_m2.size, place)
    clear = radiation.clear_sky_shortwave(above, place.elevation_m)
    return radiation.relative_shortwave(radiation.energy_mj_m2(solar_radiation_w_m2, 3600.0), clear, elevation)


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
    """Return the reference evapotranspiration of a day when only air temperature is known.

    Parameters
    ----------
    temperature_max_degc, temperature_min_degc : array_like
        [degC]
    extraterrestrial_mj_m2 : array_like
        Ra, see `radiation.extraterrestrial_radiation_daily`. [MJ m-2 d-1]

    Returns
    -------
    ndarray, broadcast shape
        ET0, 0 or more. [mm d-1] Best over 5 days or more; NaN where the maximum is below the minimum.

    References
    ----------
    Hargreaves & Samani 1985, Appl. Eng. Agric. 1(2), 96-99; FAO-56 eq. 52.
    """
    high, low = floats(temperature_max_degc), floats(temperature_min_degc)
    root = np.sqrt(np.where(high >= low, high - low, np.nan))
    water = MJ_M2_TO_MM * floats(extraterrestrial_mj_m2)
    return np.asarray(np.maximum(0.0023 * (0.5 * (high + low) + 17.8) * root * water, 0.0), dtype=np.float64)


def makkink_mm(
    shortwave_mj_m2: npt.ArrayLike, temperature_degc: npt.ArrayLike, elevation_m: npt.ArrayLike
) -> FloatArray:
    """Return the reference evapotranspiration from sun and air temperature alone.

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
    water = MJ_M2_TO_MM * np.maximum(floats(shortwave_mj_m2), 0.0)
    return np.asarray(0.65 * slope / (slope + gamma) * water, dtype=np.float64)


def leaf_temperature_by_night_degc(
    air_temperature_degc: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    wind_2m_m_s: npt.ArrayLike,
    relative_shortwave_ratio: npt.ArrayLike,
) -> FloatArray:
    """Return the temperature of short grass on a night, when no instrument looks at the surface.

    Parameters
    ----------
    air_temperature_degc : array_like
        At 2 m. [degC]
    vapour_pressure_kpa : array_like
        Actual. [kPa]
    wind_2m_m_s : array_like
        [m s-1] Held at 0.5 or more.
    relative_shortwave_ratio : array_like
        Rs/Rso of the evening before, for the cloud. [1]

    Returns
    -------
    ndarray, broadcast shape
        [degC] Air less what radiation takes, at most 6 degC below it. Good to about 2 degC (common practice).

    Notes
    -----
    Half of the net long-wave loss comes out of the soil (FAO-56 eq. 46), the rest out of the air through the
    resistance 208/u2 of the grass reference. Our own derivation from those two; dewfall is left out.
    """
    loss_w_m2 = (
        radiation.net_longwave_hourly(air_temperature_degc, vapour_pressure_kpa, relative_shortwave_ratio)
        * 1e6
        / 3600.0
    )
    resistance = GRASS_RESISTANCE_M / np.maximum(floats(wind_2m_m_s), WIND_FLOOR_M_S)
    drop = np.clip(0.5 * loss_w_m2 * resistance / AIR_HEAT_J_M3_DEGC, 0.0, NIGHT_DROP_LIMIT_DEGC)
    return np.asarray(floats(air_temperature_degc) - drop, dtype=np.float64)


def frost_on_leaf(surface_temperature_degc: npt.ArrayLike) -> FloatArray:
    """Say whether the leaf is to be treated as frozen: keep off.

    Parameters
    ----------
    surface_temperature_degc : array_like, any shape
        Of the turf's surface, measured or from `leaf_temperature_by_night_degc`. [degC]

    Returns
    -------
    ndarray, shape of `surface_temperature_degc`
        1 frozen, 0 not, NaN unknown. [1] A frozen leaf breaks whether white or not.
    """
    surface = floats(surface_temperature_degc)
    return np.where(np.isnan(surface), np.nan, (surface <= FROST_ON_LEAF_DEGC).astype(np.float64))


def growth_potential(temperature_degc: npt.ArrayLike, kind: str) -> FloatArray:
    """Return the growth of turf as a share of its best.

    Parameters
    ----------
    temperature_degc : array_like, any shape
        Daily mean air temperature, or soil temperature at 50 mm as a second vote. [degC]
    kind : str
        "cool", "warm" or "annual_meadow_grass".

    Returns
    -------
    ndarray, shape of `temperature_degc`
        0 to 1. [1] Warm-season turf keeps 1 above its optimum, as the authors later had it; first published, it fell
        again.

    Raises
    ------
    ValueError
        `kind` is none of these.

    References
    ----------
    Gelernter & Stowell 2005, Golf Course Management 73(3), 108-113 (constants as restated, not read in the
    paper); annual meadow-grass: common practice, read at second hand.
    """
    if kind not in GROWTH_DEGC:
        known = " or ".join(map(repr, GROWTH_DEGC))
        raise ValueError(f"kind of turf: found {kind!r}, expected {known}. Name the season it grows in.")
    optimum, spread = GROWTH_DEGC[kind]
    departure = (np.asarray(temperature_degc, dtype=np.float64) - optimum) / spread
    if kind == "warm":
        departure = np.minimum(departure, 0.0)
    return np.asarray(np.exp(-0.5 * departure**2), dtype=np.float64)


# --- the demand of an hour, from as much of the weather as is known --------------------------------------------

LEAST_HOURS_OF_DAY = 18  # with a temperature, for the highest and lowest of a day to be known: our own choice


def hourly_demand_mm(
    first_ms: int,
    temperature_degc: FloatArray,
    relative_humidity_percent: FloatArray,
    wind_m_s: FloatArray,
    solar_w_m2: FloatArray,
    place: Location,
) -> FloatArray:
    """Return the reference evapotranspiration of consecutive hours.

    Parameters
    ----------
    first_ms : int
        Begin of the first hour. [ms since 1970, UTC]
    temperature_degc, relative_humidity_percent, wind_m_s, solar_w_m2 : ndarray, shape (hour,)
        Means of the hours, wind at 2 m. [degC], [%], [m s-1], [W m-2] NaN where not known.
    place : Location
        [deg], [deg], [m]

    Returns
    -------
    ndarray, shape (hour,)
        [mm h-1] ASCE-EWRI 2005; Hargreaves (FAO-56 eq. 52) where that is not known; NaN where neither is.
    """
    full = weather_reference_et_mm(first_ms, temperature_degc, relative_humidity_percent, solar_w_m2, wind_m_s, place)
    simple = _hargreaves_hourly_mm(first_ms, temperature_degc, place)
    return np.asarray(np.where(np.isfinite(full), full, simple), dtype=np.float64)


def daylight_share(first_ms: int, count: int, step_h: int, place: Location) -> FloatArray:
    """Return the share of a step's demand in each of its hours, by the sun above the air.

    Parameters
    ----------
    first_ms : int
        Begin of the first hour. [ms since 1970, UTC]
    count, step_h : int
        Hours in all, and in a step, whole steps. [h]
    place : Location
        [deg], [deg], [m]

    Returns
    -------
    ndarray, shape (count,)
        1 in all for a step. [1] Even over a step without sun; our own choice.
    """
    _, sunlight, _ = radiation.sun_of_hours(first_ms, count, place)
    above = sunlight.reshape(-1, step_h)
    total = above.sum(axis=1, keepdims=True)
    share = np.where(total > 0.0, above / np.where(total > 0.0, total, 1.0), 1.0 / step_h)
    return np.asarray(share.reshape(-1), dtype=np.float64)


def shared_over_days(first_ms: int, daily_mm: npt.ArrayLike, place: Location) -> FloatArray:
    """Return daily demand shared out over the daylight of each 24 hours.

    Parameters
    ----------
    first_ms : int
        Begin of the first day. [ms since 1970, UTC]
    daily_mm : array_like, shape (day, ...)
        [mm d-1]
    place : Location
        [deg], [deg], [m]

    Returns
    -------
    ndarray, shape (24 x day, ...)
        [mm h-1] By `daylight_share`; our own choice.
    """
    daily = np.asarray(daily_mm, dtype=np.float64)
    share = daylight_share(first_ms, 24 * daily.shape[0], 24, place)
    each = np.repeat(daily, 24, axis=0)
    return np.asarray(each * share.reshape(-1, *([1] * (daily.ndim - 1))), dtype=np.float64)


def _hargreaves_hourly_mm(first_ms: int, temperature_degc: FloatArray, place: Location) -> FloatArray:
    """Return the daily Hargreaves of solar days shared over their light, NaN with too few temperatures. [mm h-1]"""
    day, above, _ = radiation.sun_of_hours(first_ms, temperature_degc.size, place)
    at_ms = first_ms + HOUR_MS * np.arange(temperature_degc.size, dtype=np.int64)
    days = (at_ms + radiation.solar_offset_ms(place.longitude_deg)) // DAY_MS
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
    whole_day = radiation.extraterrestrial_radiation_daily(place.latitude_deg, day[first])
    total = hargreaves_et_daily_mm(
        np.where(good, highest, np.nan), np.where(good, lowest, np.nan), whole_day
    )  # fmt: skip
    lit = whole_day > 0.0
    hourly = total[of_day] * above / np.where(lit, whole_day, 1.0)[of_day]
    return np.asarray(np.where(good[of_day], np.where(lit[of_day], hourly, 0.0), np.nan), dtype=np.float64)


def _three_days(daily: npt.NDArray[Any], beyond: float) -> npt.NDArray[Any]:
    """Return each day's figure with those of the day before and after, shape (3, day); `beyond` past the ends."""
    padded = np.pad(daily, 1, constant_values=beyond)
    return np.stack([padded[:-2], daily, padded[2:]])
