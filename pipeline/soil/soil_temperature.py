"""Heat in the ground and cold on the leaf: the damped wave, its diffusivity, and frost at dawn.

The daily wave of warmth sinks into the soil smaller and later with depth; how fast tells the soil's
diffusivity and shows a swapped or misplaced probe. Frost on the leaf is judged from the surface's own
temperature where there is an instrument, else from an estimate by radiation, which runs some degrees below
the air on a clear still night. This module must not call a leaf frosted on air temperature alone.
"""

import numpy as np
import numpy.typing as npt

from pipeline.soil.humidity import frost_point_degc
from pipeline.soil.radiation import net_longwave_hourly
from pipeline.units import FloatArray

DAY_S = 86400.0
YEAR_S = 365.25 * DAY_S
FROST_ON_LEAF_DEGC = 0.5  # a sensor reads a leaf only so well: common practice, no source
NIGHT_DROP_LIMIT_DEGC = 6.0  # grass minimum seldom lies further below the air: common practice, no source
AIR_HEAT_J_M3_DEGC = 1.25e3  # density times specific heat near 5 degC
GRASS_RESISTANCE_M = 208.0  # aerodynamic resistance of clipped grass is 208/u2 s/m: FAO-56 eq. 4 and page 21


def _array(value: npt.ArrayLike) -> FloatArray:
    return np.asarray(value, dtype=np.float64)


def damping_depth_m(diffusivity_m2_s: npt.ArrayLike, *, period_s: float = DAY_S) -> FloatArray:
    """Depth at which a temperature wave has shrunk to 37 per cent.

    Parameters
    ----------
    diffusivity_m2_s : array_like, any shape
        Thermal diffusivity, 1e-7 to 1e-6 in soil. [m2 s-1]
    period_s : float
        Of the wave: a day or a year. [s]

    Returns
    -------
    ndarray, shape of `diffusivity_m2_s`
        (2 D / omega)^0.5. [m]

    References
    ----------
    van Wijk & de Vries 1963; Hillel, Environmental Soil Physics.
    """
    return np.asarray(np.sqrt(_array(diffusivity_m2_s) * period_s / np.pi), dtype=np.float64)


def damped_wave_degc(
    time_s: npt.ArrayLike,
    depth_m: npt.ArrayLike,
    *,
    mean_degc: float,
    amplitude_degc: float,
    diffusivity_m2_s: float,
    period_s: float = DAY_S,
) -> FloatArray:
    """Temperature in even ground under a sine wave at its surface.

    Parameters
    ----------
    time_s : array_like
        Since the surface passed its mean, warming. [s]
    depth_m : array_like, broadcasts with `time_s`
        Positive down. [m]
    mean_degc, amplitude_degc : float
        Of the surface. [degC]
    diffusivity_m2_s : float
        [m2 s-1]
    period_s : float
        [s]

    Returns
    -------
    ndarray, broadcast shape
        [degC] T = Tm + A exp(-z/d) sin(omega t - z/d).

    References
    ----------
    van Wijk & de Vries 1963; Hillel, Environmental Soil Physics.
    """
    relative = _array(depth_m) / damping_depth_m(diffusivity_m2_s, period_s=period_s)
    angle = 2.0 * np.pi * _array(time_s) / period_s - relative
    return np.asarray(mean_degc + amplitude_degc * np.exp(-relative) * np.sin(angle), dtype=np.float64)


def less_running_day_mean(values: npt.ArrayLike, per_day: int) -> FloatArray:
    """What is left of a series when its centred mean over one day is taken out.

    Parameters
    ----------
    values : array_like, shape (time,)
        Evenly spaced. NaN where missing.
    per_day : int
        Values a day, even and 2 or more.

    Returns
    -------
    ndarray, shape (time,)
        In the unit of `values`. NaN in the first and last half day and wherever a value of the day is missing.
    """
    x = _array(values)
    weights = np.full(per_day + 1, 1.0 / per_day)
    weights[[0, -1]] /= 2.0
    rest = np.full(x.shape, np.nan)
    half = per_day // 2
    if x.size > per_day:
        rest[half : x.size - half] = x[half : x.size - half] - np.convolve(x, weights, "valid")
    return rest


def daily_wave(
    time_s: npt.ArrayLike, temperature_degc: npt.ArrayLike, *, period_s: float = DAY_S
) -> tuple[float, float]:
    """Size and time of the daily wave in a series, by least squares of one sine and cosine.

    Take out a slow trend first, see `less_running_day_mean`.

    Parameters
    ----------
    time_s : array_like, shape (time,)
        From any midnight. [s]
    temperature_degc : array_like, shape (time,)
        [degC] NaN where missing.
    period_s : float
        [s]

    Returns
    -------
    amplitude_degc : float
        Half the height of the wave, 0 or more. [degC]
    time_of_highest_s : float
        After the origin of `time_s`, 0 to the period. [s]

    Raises
    ------
    ValueError
        Fewer than 12 good values, or less than one period of them.
    """
    t, values = _array(time_s), _array(temperature_degc)
    good = np.isfinite(t) & np.isfinite(values)
    t, values = t[good], values[good]
    if t.size < 12 or np.ptp(t) < 0.9 * period_s:
        raise ValueError(
            f"daily wave: found {t.size} good values over {np.ptp(t) if t.size else 0.0:.0f} s, "
            f"expected 12 or more over {period_s:.0f} s. Give a longer span."
        )
    angle = 2.0 * np.pi * t / period_s
    design = np.column_stack([np.ones_like(t), np.cos(angle), np.sin(angle)])
    _, cosine, sine = np.linalg.lstsq(design, values, rcond=None)[0]
    highest = np.arctan2(sine, cosine) % (2.0 * np.pi)
    return float(np.hypot(cosine, sine)), float(highest / (2.0 * np.pi) * period_s)


def diffusivity_from_amplitude_m2_s(
    amplitude_upper_degc: npt.ArrayLike,
    amplitude_lower_degc: npt.ArrayLike,
    distance_m: npt.ArrayLike,
    *,
    period_s: float = DAY_S,
) -> FloatArray:
    """Thermal diffusivity from how much the wave shrinks between two depths.

    Parameters
    ----------
    amplitude_upper_degc, amplitude_lower_degc : array_like
        [degC] The upper the greater; NaN otherwise.
    distance_m : array_like
        Between the depths. [m]
    period_s : float
        [s]

    Returns
    -------
    ndarray, broadcast shape
        [m2 s-1]
    """
    upper, lower = _array(amplitude_upper_degc), _array(amplitude_lower_degc)
    shrinks = (lower > 0.0) & (upper > lower)
    log = np.log(np.where(shrinks, upper, np.nan) / np.where(shrinks, lower, 1.0))
    return np.asarray(np.pi / period_s * (_array(distance_m) / log) ** 2, dtype=np.float64)


def diffusivity_from_lag_m2_s(
    lag_s: npt.ArrayLike, distance_m: npt.ArrayLike, *, period_s: float = DAY_S
) -> FloatArray:
    """Thermal diffusivity from how much later the wave comes at the lower depth.

    Parameters
    ----------
    lag_s : array_like
        Highest temperature below after highest above. [s] Above 0; NaN otherwise.
    distance_m : array_like
        Between the depths. [m]
    period_s : float
        [s]

    Returns
    -------
    ndarray, broadcast shape
        [m2 s-1] Differs from the estimate by amplitude where the soil is layered or the wave is no sine.
    """
    lag = _array(lag_s)
    angle = 2.0 * np.pi * np.where(lag > 0.0, lag, np.nan) / period_s
    return np.asarray(np.pi / period_s * (_array(distance_m) / angle) ** 2, dtype=np.float64)


def leaf_temperature_by_night_degc(
    air_temperature_degc: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    wind_2m_m_s: npt.ArrayLike,
    relative_shortwave_ratio: npt.ArrayLike,
) -> FloatArray:
    """Temperature of short grass on a night, when no instrument looks at the surface.

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
    loss_w_m2 = net_longwave_hourly(air_temperature_degc, vapour_pressure_kpa, relative_shortwave_ratio) * 1e6 / 3600.0
    resistance = GRASS_RESISTANCE_M / np.maximum(_array(wind_2m_m_s), 0.5)
    drop = np.clip(0.5 * loss_w_m2 * resistance / AIR_HEAT_J_M3_DEGC, 0.0, NIGHT_DROP_LIMIT_DEGC)
    return np.asarray(_array(air_temperature_degc) - drop, dtype=np.float64)


def frost_on_leaf(surface_temperature_degc: npt.ArrayLike, *, threshold_degc: float = FROST_ON_LEAF_DEGC) -> FloatArray:
    """Whether the leaf is to be treated as frozen: keep off.

    Parameters
    ----------
    surface_temperature_degc : array_like, any shape
        Of the turf's surface, measured or from `leaf_temperature_by_night_degc`. [degC]
    threshold_degc : float
        [degC]

    Returns
    -------
    ndarray, shape of `surface_temperature_degc`
        1 frozen, 0 not, NaN unknown. A frozen leaf breaks whether white or not.
    """
    surface = _array(surface_temperature_degc)
    return np.where(np.isnan(surface), np.nan, (surface <= threshold_degc).astype(np.float64))


def hoar_forms(surface_temperature_degc: npt.ArrayLike, vapour_pressure_kpa: npt.ArrayLike) -> FloatArray:
    """Whether white frost settles on the surface out of the air.

    Parameters
    ----------
    surface_temperature_degc : array_like
        Of the turf's surface. [degC]
    vapour_pressure_kpa : array_like
        Actual. [kPa]

    Returns
    -------
    ndarray, broadcast shape
        1 when the surface is at or below 0 degC and the frost point (of moist air above it, 0 degC), 0
        otherwise, NaN unknown.
    """
    surface, vapour = np.broadcast_arrays(_array(surface_temperature_degc), _array(vapour_pressure_kpa))
    limit = np.where(vapour > 0.6108, 0.0, np.minimum(frost_point_degc(vapour), 0.0))
    unknown = np.isnan(surface) | np.isnan(vapour)
    return np.where(unknown, np.nan, (surface <= limit).astype(np.float64))
