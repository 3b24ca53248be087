"""Dry-downs: how long a layer stays wet after the water stops, and how fast it loses water.

The first day is set apart: a freshly wetted surface loses up to nearly three times what it loses later (Aamlid et al.
2016), and says more about the weather than about the thatch. A dry-down that is cut short by the next rain gives "at
least". Bounds are common practice, no source, unless one is named.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.soil.estimate import NORMAL_90, Estimate, withheld
from pipeline.units import HOUR_MS, FloatArray, TimeArray

HELD = 0.9  # of the way from dry to drained: where the alert on holding thatch looks too
DRY_DOWN_H = 168.0  # a dry-down is followed for a week
FLASH_OFF_H = 24.0  # Aamlid 2016: 1.67-2.85 times reference on the first day after wetting, then 0.81-0.91
GAP_H = 3.0  # readings further apart do not say what happened between them
LEAST_DROP = 5.0  # of a fit, in standard deviations of its noise
LEAST_READINGS_OF_FIT = 12  # readings in a fit
TAU_H = (0.25, 2000.0)  # time constants looked for
CHI_SQUARE_90 = 2.7055434540954146  # one parameter


@dataclass(frozen=True, slots=True)
class Recession:
    """An exponential dry-down, theta = floor + height * exp(-t / tau).

    Attributes
    ----------
    tau_h : Estimate
        Time constant. [h]
    height, floor : float
        At the start of the fit, and in the end. [unit of the values]
    """

    tau_h: Estimate
    height: float
    floor: float


def hold_time_h(
    time_ms: TimeArray, wetness: FloatArray, end_ms: int, *, until_ms: int, error: float = 0.02
) -> Estimate:
    """Return how long a layer stays above `HELD` once the water has stopped.

    Parameters
    ----------
    time_ms, wetness : ndarray, shape (time,)
        Times, increasing [ms], and relative wetness [1], NaN where not known.
    end_ms : int
        When the water stopped. [ms]
    until_ms : int
        Where the dry-down ends: the next water. [ms] It is followed for a week at most.
    error : float
        Standard deviation of a reading in wetness; the interval is where wetness less and more 1.64 of it crosses. [1]

    Returns
    -------
    Estimate
        [h] 0 when it was not above; with `reason` "at least" when it was still above at the end, or when readings
        went missing. n counts readings. Withheld when nothing was read within three hours of the end of the water.
    """
    stop_ms = min(until_ms, end_ms + int(DRY_DOWN_H * HOUR_MS))
    inside = (time_ms >= end_ms) & (time_ms <= stop_ms) & np.isfinite(wetness)
    times, values = time_ms[inside], wetness[inside]
    if times.size < 2 or times[0] - end_ms > GAP_H * HOUR_MS:
        return withheld("no readings after the water", int(times.size))
    gaps = np.flatnonzero(np.diff(np.append(times, stop_ms)) > GAP_H * HOUR_MS)
    if gaps.size:
        # up to the gap it is known; what came after may have been another story
        times, values = times[: gaps[0] + 1], values[: gaps[0] + 1]
        stop_ms = int(times[-1])
    found = [
        _crossing_h(times, values, end_ms, stop_ms, HELD + shift)
        for shift in (0.0, NORMAL_90 * error, -NORMAL_90 * error)
    ]
    value, low, high = (hours for hours, _ in found)
    return Estimate(value, min(low, value), max(high, value), int(times.size), found[0][1])


def _crossing_h(times: TimeArray, values: FloatArray, end_ms: int, stop_ms: int, level: float) -> tuple[float, str]:
    """Hours until values fall below a level for good, and what stands in the way of saying so."""
    below = values < level
    stays = below & np.append(below[1:], True)  # one reading below is noise
    first = int(np.argmax(stays)) if stays.any() else times.size
    if first == times.size:
        return (stop_ms - end_ms) / HOUR_MS, "at least"
    if first == 0:
        return 0.0, ""
    # straight between the two readings about the crossing
    upper, lower = values[first - 1], values[first]
    share = (upper - level) / (upper - lower) if upper > level else 0.0
    at = times[first - 1] + share * (times[first] - times[first - 1])
    return float(at - end_ms) / HOUR_MS, ""


def flash_off(time_ms: TimeArray, water_mm: FloatArray, end_ms: int, *, until_ms: int) -> Estimate:
    """Return what a layer loses in the first day after the water stopped.

    Parameters
    ----------
    time_ms, water_mm : ndarray, shape (time,)
        Times, increasing [ms], and water held [mm], NaN where not known.
    end_ms, until_ms : int
        When the water stopped and the next came. [ms]

    Returns
    -------
    Estimate
        Negative when it gained. [mm] Withheld when the day was not dry, or not read at both its ends.
    """
    day_ms = end_ms + int(FLASH_OFF_H * HOUR_MS)
    if until_ms < day_ms:
        return withheld("water came again within a day")
    around = [np.abs(time_ms - at) <= HOUR_MS for at in (end_ms, day_ms)]
    first, last = (water_mm[a][np.isfinite(water_mm[a])] for a in around)
    if first.size == 0 or last.size == 0:
        return withheld("no readings at both ends of the first day")
    lost = float(np.median(first) - np.median(last))
    spread = float(np.hypot(np.ptp(first), np.ptp(last)))
    return Estimate(lost, lost - spread, lost + spread, int(first.size + last.size))


def recession(time_h: npt.ArrayLike, value: npt.ArrayLike, *, noise: float) -> Recession:
    """Return the time constant of an exponential dry-down.

    Parameters
    ----------
    time_h, value : array_like, shape (n,)
        Hours, increasing [h], and water content or storage; NaN are left out.
    noise : float
        Standard deviation of a reading, above 0. [unit of `value`] The residuals' own counts where it is larger.

    Returns
    -------
    Recession
        Least squares; the interval is where the sum of squares is within 2.71 variances of the best (likelihood
        profile, 90 %), counting for neighbouring residuals that go together. Withheld when the drop drowns in noise,
        readings are few, or no bend is seen.

    References
    ----------
    Form: McColl et al. 2017, Water Resour. Res. (from memory).
    """
    t, v = np.asarray(time_h, dtype=np.float64), np.asarray(value, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(v)
    t, v = t[good], v[good]
    n = int(t.size)
    if n < LEAST_READINGS_OF_FIT:
        return _no_recession(f"{n} readings, {LEAST_READINGS_OF_FIT} needed", n)
    t = t - t[0]
    quarter = max(n // 4, 1)
    if float(np.mean(v[:quarter]) - np.mean(v[-quarter:])) < LEAST_DROP * noise / np.sqrt(quarter):
        return _no_recession("it dried too little to tell", n)
    taus = np.geomspace(*TAU_H, 240)
    first = _likely(t, v, taus, noise)
    if first[-1] == taus.size - 1:
        return _no_recession("it dries in a straight line: no time constant in it", n)
    # once to see where, once more between to see how well
    taus = np.geomspace(taus[max(first[0] - 1, 0)], taus[first[-1] + 1], 240)
    inside = _likely(t, v, taus, noise)
    squares, height, base = _profile(t, v, taus)
    best = int(np.argmin(squares))
    if height[best] <= 0.0:
        return _no_recession("it dried too little to tell", n)
    found = Estimate(float(taus[best]), float(taus[inside[0]]), float(taus[inside[-1]]), n)
    return Recession(found, float(height[best]), float(base[best]))


def _likely(t: FloatArray, v: FloatArray, taus: FloatArray, noise: float) -> npt.NDArray[np.int64]:
    """Places of the time constants that the readings allow, at least the best."""
    squares, height, base = _profile(t, v, taus)
    best = int(np.argmin(squares))
    residual = v - base[best] - height[best] * np.exp(-t / taus[best])
    variance = max(float(squares[best]) / max(t.size - 3, 1), noise**2)
    return np.flatnonzero(squares <= squares[best] + CHI_SQUARE_90 * variance * _together(residual))


def _no_recession(reason: str, n: int) -> Recession:
    return Recession(withheld(reason, n), float("nan"), float("nan"))


def _profile(t: FloatArray, v: FloatArray, taus: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Least sum of squares for each time constant, with the height and floor that give it."""
    shape = np.exp(-t[np.newaxis, :] / taus[:, np.newaxis])
    mean = shape.mean(axis=1, keepdims=True)
    centred = shape - mean
    height = centred @ (v - v.mean()) / np.maximum((centred**2).sum(axis=1), 1e-300)
    base = v.mean() - height * mean[:, 0]
    residual = v[np.newaxis, :] - base[:, np.newaxis] - height[:, np.newaxis] * shape
    return (residual**2).sum(axis=1), height, base


def _together(residual: FloatArray) -> float:
    """By how much fewer independent residuals there are than readings, from the correlation of neighbours."""
    spread = float(residual @ residual)
    if spread <= 0.0:
        return 1.0
    lag_one = min(max(float(residual[1:] @ residual[:-1]) / spread, 0.0), 0.98)
    return (1.0 + lag_one) / (1.0 - lag_one)
