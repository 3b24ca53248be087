"""Reference evapotranspiration by FAO-56, hourly, and the sun above the horizon: the simulator's own small copy.

A copy, so that the truth never comes from the sums it is used to check. Arrays in, arrays out.

Source: Allen, Pereira, Raes & Smith 1998, Crop evapotranspiration, FAO Irrigation and Drainage Paper 56, Rome;
equation numbers are those of the paper. The hourly form is FAO's (0.34 in the denominator, day and night), not the
later ASCE one.
"""

import numpy as np

from simulator.units import FloatArray

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820
STEFAN_BOLTZMANN_MJ_M2_H = 2.043e-10  # p. 74
ALBEDO = 0.23
MJ_M2_H_PER_W_M2 = 0.0036


def saturation_vapour_pressure_kpa(temperature_degc: FloatArray) -> FloatArray:
    """Return saturation vapour pressure, eq. 11. [kPa]"""
    return 0.6108 * np.exp(17.27 * temperature_degc / (temperature_degc + 237.3))


def extraterrestrial_w_m2(
    day_of_year: FloatArray, solar_hour: FloatArray, *, latitude_deg: float, length_h: float = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Return radiation above the air over a period, and the height of the sun at its middle.

    Parameters
    ----------
    day_of_year : ndarray
        1 to 366.
    solar_hour : ndarray
        Middle of the period in solar time, 12 at noon. [h]
    latitude_deg : float
        North positive.
    length_h : float
        Length of the period. [h]

    Returns
    -------
    radiation : ndarray
        Mean over the period, >= 0. [W m-2] (eq. 28, limited to the hours of sun)
    sine : ndarray
        Sine of the sun's height at the middle. [-]
    """
    turn = 2.0 * np.pi * day_of_year / 365.0
    distance = 1.0 + 0.033 * np.cos(turn)  # eq. 23
    declination = 0.409 * np.sin(turn - 1.39)  # eq. 24
    phi = np.radians(latitude_deg)
    sunset = np.arccos(np.clip(-np.tan(phi) * np.tan(declination), -1.0, 1.0))  # eq. 25
    middle = np.pi / 12.0 * (solar_hour - 12.0)
    half = np.pi * length_h / 24.0
    first, last = np.clip(middle - half, -sunset, sunset), np.clip(middle + half, -sunset, sunset)
    up = np.sin(phi) * np.sin(declination)
    across = np.cos(phi) * np.cos(declination)
    energy = 12.0 * 60.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * distance
    energy = energy * ((last - first) * up + across * (np.sin(last) - np.sin(first)))
    sine = up + across * np.cos(middle)
    return np.maximum(energy, 0.0) / (MJ_M2_H_PER_W_M2 * length_h), sine


def solar_hour(utc_hour: FloatArray, day_of_year: FloatArray, longitude_deg: float) -> FloatArray:
    """Return solar time from UTC, eq. 31 to 33; east positive. [h]"""
    b = 2.0 * np.pi * (day_of_year - 81.0) / 364.0
    season = 0.1645 * np.sin(2.0 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b)
    return (utc_hour + longitude_deg / 15.0 + season) % 24.0


def reference_et_mm_h(
    temperature_degc: FloatArray,
    vapour_pressure_kpa: FloatArray,
    wind_m_s: FloatArray,
    solar_w_m2: FloatArray,
    extraterrestrial: FloatArray,
    *,
    elevation_m: float,
    night_clearness: FloatArray | float = 0.7,
) -> tuple[FloatArray, FloatArray]:
    """Return hourly reference evapotranspiration of short grass, eq. 53, and the net radiation in it.

    Parameters
    ----------
    temperature_degc, vapour_pressure_kpa, solar_w_m2 : ndarray
        Means of the period.
    wind_m_s : ndarray
        At 2 m.
    extraterrestrial : ndarray
        From `extraterrestrial_w_m2`. [W m-2]
    elevation_m : float
    night_clearness : ndarray or float
        Solar over clear-sky radiation to use while the sun is down (the paper takes that of 2-3 h before sunset).

    Returns
    -------
    demand : ndarray
        [mm h-1] Slightly negative on humid nights, as dew would be.
    net : ndarray
        Net radiation. [W m-2]
    """
    e_s = saturation_vapour_pressure_kpa(temperature_degc)
    slope = 4098.0 * e_s / (temperature_degc + 237.3) ** 2  # eq. 13
    gamma = psychrometric_kpa_degc(elevation_m)
    solar = solar_w_m2 * MJ_M2_H_PER_W_M2
    clear = (0.75 + 2e-5 * elevation_m) * extraterrestrial * MJ_M2_H_PER_W_M2  # eq. 37
    day = clear > 0.05
    clearness = np.where(day, np.clip(solar / np.where(day, clear, 1.0), 0.3, 1.0), night_clearness)
    emitted = STEFAN_BOLTZMANN_MJ_M2_H * (temperature_degc + 273.16) ** 4
    longwave = emitted * (0.34 - 0.14 * np.sqrt(vapour_pressure_kpa)) * (1.35 * clearness - 0.35)  # eq. 39
    net = (1.0 - ALBEDO) * solar - longwave  # eq. 38, 40
    ground = np.where(solar > 0.0, 0.1, 0.5) * net  # eq. 45, 46
    dryness = gamma * 37.0 / (temperature_degc + 273.0) * wind_m_s * np.maximum(e_s - vapour_pressure_kpa, 0.0)
    demand = (0.408 * slope * (net - ground) + dryness) / (slope + gamma * (1.0 + 0.34 * wind_m_s))
    return demand, net / MJ_M2_H_PER_W_M2


def psychrometric_kpa_degc(elevation_m: float) -> float:
    """Return the psychrometric constant, eq. 7 and 8. [kPa degC-1]"""
    return float(0.665e-3 * 101.3 * ((293.0 - 0.0065 * elevation_m) / 293.0) ** 5.26)


OWN_DRAUGHT_M_S = 1.2  # ours, no source: keeps calm sunny turf some 15 degC over the air, not 40


def surface_temperature_degc(
    temperature_degc: FloatArray, wind_m_s: FloatArray, net_w_m2: FloatArray, *, elevation_m: float
) -> FloatArray:
    """Return the temperature at the leaf base under a sward, air temperature plus what net radiation leaves over.

    The sensible part of net radiation in the reference sward, over the aerodynamic resistance 208/u (FAO-56, p. 21);
    half of it, as the leaves take the other half (ours, no source). Under sun warm air rises by itself, which counts as
    `OWN_DRAUGHT_M_S` beside the wind. [degC]
    """
    gamma = psychrometric_kpa_degc(elevation_m)
    slope = 4098.0 * saturation_vapour_pressure_kpa(temperature_degc) / (temperature_degc + 237.3) ** 2
    wind = np.where(net_w_m2 > 0.0, np.hypot(wind_m_s, OWN_DRAUGHT_M_S), np.maximum(wind_m_s, 0.5))
    share = gamma * (1.0 + 0.34 * wind) / (slope + gamma * (1.0 + 0.34 * wind))
    return temperature_degc + 0.5 * share * net_w_m2 * (208.0 / wind) / 1200.0  # 1200 J m-3 K-1: air at 20 degC
