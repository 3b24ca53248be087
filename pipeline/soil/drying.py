"""Dry-downs: how long a layer stays wet after the water stops, and how fast it loses water.

The first day is set apart: a freshly wetted surface loses up to nearly three times what it loses later (Aamlid et al.
2016), and says more about the weather than about the thatch. A dry-down that is cut short by the next rain gives "at
least". After the first day a layer dries towards its own dry limit: with the floor known, a straight line has a time
constant too. Bounds are common practice, no source, unless one is named.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.soil.estimate import NORMAL_90, Estimate, withheld
from pipeline.soil.moving import binned_means
from pipeline.texts import later, say, say_many
from pipeline.units import HOUR_MS, FloatArray, TimeArray

HELD = 0.9  # of the way from dry to drained: where the alert on holding thatch looks too
HOLD_H = 168.0  # holding is followed for a week
DRY_DOWN_H = 672.0  # and drying for four weeks, where no water ends it before
FLASH_OFF_H = 24.0  # Aamlid 2016: 1.67-2.85 times reference on the first day after wetting, then 0.81-0.91
GAP_H = 3.0  # readings further apart do not say what happened between them
LEAST_DROP = 5.0  # of a fit, in standard deviations of its noise
LEAST_HOURS_OF_FIT = 12  # hours with readings in a fit
MOST_ALIKE = 0.92  # correlation of neighbouring hours by which the 24 of a day go together; days do not: 1.92 / 0.08
SWING_DAYS = 4  # of a fit, from which on its mean day is known, and is no doubt about how fast the layer dries
SHORTEST_TAU_H = 0.25
THATCH_TAU_H, ROOT_ZONE_TAU_H = 60.0 * 24.0, 250.0 * 24.0  # longest time constants told: working values, no source
AT_LEAST = later("at least")
LONGER_THAN = later("longer than")
OF_RANGE = NORMAL_90 / 3.0  # part of a working range that is its 90 % interval: nearly all of a kind lie in the whole
CHI_SQUARE_90 = 2.7055434540954146  # one parameter


@dataclass(frozen=True, slots=True)
class Recession:
    """An exponential dry-down, theta = floor + height * exp(-t / tau).

    Attributes
    ----------
    tau_h : Estimate
        Time constant. [h] With `reason` "longer than" its value is the low end, and no high end is told.
    height, floor : float
        At the start of the fit above the floor, and the floor itself. [unit of the values]
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
    stop_ms = min(until_ms, end_ms + int(HOLD_H * HOUR_MS))
    inside = (time_ms >= end_ms) & (time_ms <= stop_ms) & np.isfinite(wetness)
    times, values = time_ms[inside], wetness[inside]
    if times.size < 2 or times[0] - end_ms > GAP_H * HOUR_MS:
        return withheld(say("no readings after the water"), int(times.size))
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
        return (stop_ms - end_ms) / HOUR_MS, say(AT_LEAST)
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
        return withheld(say("water came again within a day"))
    around = [np.abs(time_ms - at) <= HOUR_MS for at in (end_ms, day_ms)]
    first, last = (water_mm[a][np.isfinite(water_mm[a])] for a in around)
    if first.size == 0 or last.size == 0:
        return withheld(say("no readings at both ends of the first day"))
    lost = float(np.median(first) - np.median(last))
    spread = float(np.hypot(np.ptp(first), np.ptp(last)))
    return Estimate(lost, lost - spread, lost + spread, int(first.size + last.size))


def recession(
    time_h: npt.ArrayLike,
    value: npt.ArrayLike,
    *,
    noise: float,
    floor: tuple[float, float, float],
    longest_h: float = ROOT_ZONE_TAU_H,
) -> Recession:
    """Return the time constant of an exponential dry-down towards a floor that is known.

    Parameters
    ----------
    time_h, value : array_like, shape (n,)
        Hours, increasing [h], and water content or storage; NaN are left out.
    noise : float
        Standard deviation of a reading, above 0. [unit of `value`] The residuals' own counts where it is larger.
    floor : (value, low, high)
        What the layer holds when dry, and the range it may lie in, taken for three standard deviations to
        either side. [unit of `value`]
    longest_h : float
        Time constants looked for. [h]

    Returns
    -------
    Recession
        Least squares over means of hours. The interval is where the sum of squares is within 2.71 variances of the best
        (likelihood profile, 90 %), the swing of the mean day left out, counting for neighbouring residuals that go
        together, a day's at most, and beside it what the floor's range makes of it. "Longer than" its low end when the
        best lies beyond the longest looked for; the high end is infinite when it may. Withheld when the drop drowns in
        noise, readings are few, or it begins where its floor may be.

    References
    ----------
    Form: McColl et al. 2017, Water Resour. Res. (from memory).
    """
    t, v, noise = _hourly(np.asarray(time_h, dtype=np.float64), np.asarray(value, dtype=np.float64), noise)
    if t.size < LEAST_HOURS_OF_FIT:
        few = say_many(
            "{n} hour with readings, {needed} needed",
            "{n} hours with readings, {needed} needed",
            t.size,
            needed=LEAST_HOURS_OF_FIT,
        )
        return _no_recession(few, int(t.size))
    floors = [floor[0], *(floor[0] + OF_RANGE * (end - floor[0]) for end in floor[1:])]
    near = np.flatnonzero(v < floors[2] + noise)  # from there on what is left may be nothing
    n = int(near[0]) if near.size else int(t.size)
    if n < LEAST_HOURS_OF_FIT:
        return _no_recession(say("it is as dry as its dry limit may be"), n)
    t, v = t[:n], v[:n]
    quarter = n // 4
    if float(np.mean(v[:quarter]) - np.mean(v[-quarter:])) < LEAST_DROP * noise / np.sqrt(quarter):
        return _no_recession(say("it dried too little to tell"), n)
    best, low, high = _fitted(t, v - floors[0], noise, longest_h)
    moved = [_fitted(t, v - other, noise, longest_h)[0] for other in floors[1:]]
    below = np.hypot(np.log(best / low), np.log(best / min(best, *moved)))
    above = (
        np.inf if max(high, *moved) >= longest_h else np.hypot(np.log(high / best), np.log(max(best, *moved) / best))
    )
    found = Estimate(best, float(best * np.exp(-below)), float(best * np.exp(above)), n)
    if best >= longest_h:
        found = Estimate(found.low, found.low, float("inf"), n, say(LONGER_THAN))
    shape = np.exp(-t / best)
    return Recession(found, float((v - floors[0]) @ shape / (shape @ shape)), floors[0])


def _hourly(t: FloatArray, v: FloatArray, noise: float) -> tuple[FloatArray, FloatArray, float]:
    """Means of the hours since the first reading that have any, with the noise of such a mean."""
    good = np.isfinite(t) & np.isfinite(v)
    if not good.any():
        return t[:0], v[:0], noise
    t, v = t[good] - t[good][0], v[good]
    hour = t.astype(np.int64)
    mean, count = binned_means(hour, v, int(hour[-1]) + 1)
    filled = count > 0
    return np.flatnonzero(filled).astype(np.float64), mean[filled], noise / float(np.sqrt(count[filled].mean()))


def _fitted(t: FloatArray, above: FloatArray, noise: float, longest_h: float) -> tuple[float, float, float]:
    """Best time constant and the ends of its interval, for values above the floor."""
    taus = np.geomspace(SHORTEST_TAU_H, longest_h, 160)
    inside = _likely(t, above, taus, noise)
    # once to see where, once more between to see how well
    taus = np.geomspace(taus[max(inside[0] - 1, 0)], taus[min(inside[-1] + 1, taus.size - 1)], 160)
    inside = _likely(t, above, taus, noise)
    best = int(np.argmin(_squares(t, above, taus)))
    return float(taus[best]), float(taus[inside[0]]), float(taus[inside[-1]])


def _likely(t: FloatArray, above: FloatArray, taus: FloatArray, noise: float) -> npt.NDArray[np.int64]:
    """Places of the time constants that the readings allow, at least the best."""
    squares = _squares(t, above, taus)
    best = int(np.argmin(squares))
    shape = np.exp(-t / taus[best])
    residual = above - shape * float(above @ shape) / float(shape @ shape)
    residual = _less_mean_day(t, residual)
    variance = max(float(residual @ residual) / max(t.size - 2, 1), noise**2)
    return np.flatnonzero(squares <= squares[best] + CHI_SQUARE_90 * variance * _together(residual))


def _less_mean_day(t: FloatArray, residual: FloatArray) -> FloatArray:
    """Residuals less the swing of their mean day, where there are days enough to know it."""
    if t[-1] - t[0] < 24.0 * SWING_DAYS - 1.0:
        return residual
    hour = t.astype(np.int64) % 24
    swing, _ = binned_means(hour, residual, 24)
    return residual - swing[hour] + float(residual.mean())


def _no_recession(reason: str, n: int) -> Recession:
    return Recession(withheld(reason, n), float("nan"), float("nan"))


def _squares(t: FloatArray, above: FloatArray, taus: FloatArray) -> FloatArray:
    """Least sum of squares for each time constant, the height left free."""
    shape = np.exp(-t[np.newaxis, :] / taus[:, np.newaxis])
    along = shape @ above
    squares: FloatArray = float(above @ above) - along**2 / np.maximum((shape**2).sum(axis=1), 1e-300)
    return squares


def _together(residual: FloatArray) -> float:
    """By how much fewer independent residuals there are than readings, from the correlation of neighbours."""
    spread = float(residual @ residual)
    if spread <= 0.0:
        return 1.0
    lag_one = min(max(float(residual[1:] @ residual[:-1]) / spread, 0.0), MOST_ALIKE)
    return (1.0 + lag_one) / (1.0 - lag_one)
