"""Daily uptake by roots at each depth, from the step that a day cuts into soil moisture.

By night moisture holds a straight line (drainage falls, redistribution rises); by day roots bend it down. The night's
line is run on to the evening, and what the reading then lacks is the day's uptake (Jackisch et al. 2020, Biogeosciences
17, 5787-5808). A wet, curved or broken day is withheld with its reason. Drainage that slackens from night to night is
followed beside it: there the line bends towards the slope of the night after.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from pipeline.units import HOUR_MS, FloatArray, floats

SMOOTHING_H = 1.5  # three half-hours, as in the paper's code


class Withheld(IntEnum):
    """Why a day and depth has no uptake."""

    NOTHING = 0  # not withheld
    GAP = 1  # readings missing
    WET = 2  # rain or water that day or the evening before
    SHORT = 3  # night or day too short between the turns
    JUMP = 4  # moisture moved too fast for roots
    CURVED = 5  # the night is no straight line
    NO_STEP = 6  # the day falls no steeper than the night
    RISES = 7  # more water in the evening than the night promised
    TOO_MUCH = 8  # more than a plant could take


# Reasons for which a day's night has no slope to go by.
_NO_NIGHT = (int(Withheld.GAP), int(Withheld.WET), int(Withheld.SHORT), int(Withheld.JUMP))


@dataclass(frozen=True)
class UptakeLimits:
    """When a day is believed.

    Attributes
    ----------
    shortest_h : float
        Of a night or a day between its turns. [h]
    fastest_change : float
        Over 1.5 h. [m3 m-3]
    slope_ratio : float
        How much steeper than the night (downward) the day must be. [1]
    largest_uptake : float
        [m3 m-3 d-1]
    curve_share : float
        Bow of the night over the uptake above which the night is called curved. [1] Infinity never refuses.
    wet_mm : float
        Rain and watering from 12 h before the evening turn to the next that make a day wet. [mm]
    """

    shortest_h: float = 3.5
    fastest_change: float = 0.015
    slope_ratio: float = 3.0
    largest_uptake: float = 0.15
    curve_share: float = 0.5
    wet_mm: float = 0.2


TURF_LIMITS = UptakeLimits()  # shallow layers lose ten times what deep ones do: common practice, no source
# Trees, deep layers: Jackisch et al. 2020, as in the authors' code.


@dataclass(frozen=True)
class DailyUptake:
    """Uptake by day and depth.

    Attributes
    ----------
    raw : ndarray, shape (day, depth)
        Night line less reading at the evening turn, whatever it came to; NaN without readings. [m3 m-3 d-1]
    between_nights : ndarray, shape (day, depth)
        The same with a slope that goes on evenly from the middle of the night before to that of the night after (our
        own); `raw` where the night after was wet or not read. [m3 m-3 d-1]
    uptake : ndarray, shape (day, depth)
        `raw` where believed, NaN where withheld. [m3 m-3 d-1]
    without_night : ndarray, shape (day, depth)
        Fall from the morning turn to the evening turn. [m3 m-3 d-1]
    night_slope, day_slope : ndarray, shape (day, depth)
        [m3 m-3 h-1] Negative when falling.
    withheld : ndarray of int, shape (day, depth)
        A `Withheld` each.
    turns_ms : ndarray, shape (day, depth, 3)
        Evening before, morning, evening. [ms since 1970-01-01 UTC]
    """

    raw: FloatArray
    between_nights: FloatArray
    uptake: FloatArray
    without_night: FloatArray
    night_slope: FloatArray
    day_slope: FloatArray
    withheld: npt.NDArray[np.int64]
    turns_ms: FloatArray


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope and intercept of `y` on `x` by least squares; at least two different x."""
    total = np.add.reduce  # a method costs more than the sum of so few
    middle, level = total(x) / x.size, total(y) / y.size
    apart = x - middle
    slope = float(total(apart * (y - level)) / total(apart**2))
    return slope, float(level - slope * middle)


def night_line_uptake(
    hour: npt.ArrayLike, moisture: npt.ArrayLike, *, night: tuple[int, int], morning: int, evening: int
) -> tuple[float, float, float, float]:
    """Return the uptake of one day and depth when the turns are known.

    Parameters
    ----------
    hour : array_like, shape (time,)
        [h] From any origin.
    moisture : array_like, shape (time,)
        [m3 m-3]
    night : (first, last)
        Indices of the night's first and last reading, both used.
    morning, evening : int
        Indices of the turns that bound the day. [1]

    Returns
    -------
    uptake, without_night : float
        [m3 m-3 d-1]
    night_slope, day_slope : float
        [m3 m-3 h-1]

    References
    ----------
    Jackisch et al. 2020, Biogeosciences 17, 5787-5808, as done in the authors' code.
    """
    x, y = np.asarray(hour, dtype=np.float64), np.asarray(moisture, dtype=np.float64)
    by_night, by_day = slice(night[0], night[1] + 1), slice(morning, evening + 1)
    slope, offset = _line(x[by_night], y[by_night])
    day_slope, _ = _line(x[by_day], y[by_day])
    return float(slope * x[evening] + offset - y[evening]), float(y[morning] - y[evening]), slope, day_slope


def steps_beside(days: DailyUptake, time_ms: npt.ArrayLike, other: npt.ArrayLike) -> FloatArray:
    """Return the step of the day in another series, by the same turns as the uptake: evening less its night line.

    Parameters
    ----------
    days : DailyUptake
    time_ms : array_like, shape (time,)
        As given to `daily_uptake`. [ms]
    other : array_like, shape (time, depth)
        Such as the temperature at each channel. [any unit] NaN where not known.

    Returns
    -------
    ndarray, shape (depth,)
        Mean over the days that have one; NaN without any. [unit of `other`]
    """
    time, values = np.asarray(time_ms, dtype=np.float64), np.asarray(other, dtype=np.float64)
    mean = np.full(values.shape[1], np.nan)
    for depth in range(values.shape[1]):
        turns = days.turns_ms[:, depth][np.isfinite(days.turns_ms[:, depth]).all(axis=1)]
        at = np.searchsorted(time, turns).clip(max=time.size - 1)
        y = values[:, depth]
        steps = [
            float(y[after] - (slope * time[after] + offset))
            for before, morning, after in at
            if morning - before > 1 and np.isfinite(y[before : after + 1]).all()
            for slope, offset in [_line(time[before : morning + 1], y[before : morning + 1])]
        ]
        mean[depth] = np.mean(steps) if steps else np.nan
    return mean


def _smoothed_change(moisture: FloatArray, steps: int) -> FloatArray:
    """Change over `steps`, averaged over as many about each time: the mean ahead less the mean behind."""
    change = np.full(moisture.shape, np.nan)
    change[steps:] = moisture[steps:] - moisture[:-steps]
    kernel = np.ones(steps) / steps
    smooth = np.convolve(change, kernel, mode="same")
    # Readings come in steps of the sensor's resolution: sums that are nil but for rounding must count as nil.
    return np.where(np.abs(smooth) < 1e-9, 0.0, smooth)


def _evening(change: FloatArray, sunset: float, per_hour: float) -> int:
    """First turn from falling to rising between 4 h before sunset and 1 h after, else 1 h after."""
    first, last = round(sunset - 4.0 * per_hour), round(sunset + per_hour)
    if first < 1 or last >= change.size:
        return -1
    turns = np.flatnonzero((change[first : last + 1] > 0.0) & (change[first - 1 : last] <= 0.0))
    return first + int(turns[0]) if turns.size else last


def _morning(change: FloatArray, sunrise: float, evening: int, per_hour: float) -> tuple[int, int]:
    """Last reading of the night, first of the day: the last turn to falling in 10 h after sunrise."""
    first = round(sunrise + 0.5 * per_hour)
    last = min(round(sunrise + 10.0 * per_hour), evening - round(4.0 * per_hour))
    turns = np.flatnonzero((change[first : last + 1] < 0.0) & (change[first - 1 : last] >= 0.0))
    turn = first + int(turns[-1]) if turns.size else round(sunrise) + 1
    gap = max(round(0.5 * per_hour), 1)
    return turn - gap, turn + gap


def _bow(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Bow of a night off its straight line at mid-night, and how many standard errors it is."""
    z = (x - x.mean()) / max(float(np.ptp(x)) / 2.0, 1e-12)
    design = np.column_stack([np.ones_like(z), z, z**2 - (z**2).mean()])
    coefficients, *_ = np.linalg.lstsq(design, y, rcond=None)
    rest = y - design @ coefficients
    error = np.sqrt((rest**2).sum() / max(x.size - 3, 1) / (design[:, 2] ** 2).sum())
    return float(abs(coefficients[2])), float(abs(coefficients[2]) / max(error, 1e-12))


def daily_uptake(
    time_ms: npt.ArrayLike,
    moisture: npt.ArrayLike,
    sunrise_ms: npt.ArrayLike,
    sunset_ms: npt.ArrayLike,
    *,
    water_mm: npt.ArrayLike | None = None,
    limits: UptakeLimits = TURF_LIMITS,
) -> DailyUptake:
    """Return the uptake of every day and depth by the night-line method.

    Parameters
    ----------
    time_ms : array_like, shape (time,)
        Evenly spaced, 5 to 60 min. [ms since 1970-01-01 UTC] Gaps stand as NaN readings.
    moisture : array_like, shape (time, depth)
        Corrected for temperature, good readings only. [m3 m-3] NaN elsewhere.
    sunrise_ms, sunset_ms : array_like, shape (day,)
        Of consecutive days, see `daylight`. [ms since 1970-01-01 UTC] The first day has no evening before
        it and stays withheld.
    water_mm : array_like, shape (time,), optional
        Rain and watering of each step. [mm] NaN counts as wet.
    limits : UptakeLimits
        Of shallow turf unless others are given.

    Returns
    -------
    DailyUptake

    Raises
    ------
    ValueError
        Times are not even, or the shapes do not match.

    References
    ----------
    Jackisch et al. 2020, Biogeosciences 17, 5787-5808.
    """
    time, theta = np.asarray(time_ms, dtype=np.float64), np.asarray(moisture, dtype=np.float64)
    rise, fall = np.asarray(sunrise_ms, dtype=np.float64), np.asarray(sunset_ms, dtype=np.float64)
    step = _even_step_ms(time, theta)
    per_hour = HOUR_MS / step
    water = None if water_mm is None else np.asarray(water_mm, dtype=np.float64)
    shape = (rise.size, theta.shape[1])
    empty = [np.full(shape, np.nan) for _ in range(6)]
    out = DailyUptake(
        raw=empty[0],
        between_nights=empty[1],
        uptake=empty[2],
        without_night=empty[3],
        night_slope=empty[4],
        day_slope=empty[5],
        withheld=np.full(shape, int(Withheld.GAP), dtype=np.int64),
        turns_ms=np.full((*shape, 3), np.nan),
    )
    hour = (time - time[0]) / HOUR_MS
    at_rise, at_fall = (rise - time[0]) / step, (fall - time[0]) / step
    for depth in range(shape[1]):
        y = theta[:, depth]
        change = _smoothed_change(y, max(round(SMOOTHING_H * per_hour), 1))
        evenings = [_evening(change, at, per_hour) if np.isfinite(at) else -1 for at in at_fall]
        for day in range(1, rise.size):
            before, after = evenings[day - 1], evenings[day]
            if before < 0 or after < 0 or not np.isfinite(at_rise[day]):
                continue
            night_end, morning = _morning(change, at_rise[day], after, per_hour)
            out.turns_ms[day, depth] = time[before], time[morning], time[after]
            _one_day(out, (day, depth), hour, y, (before, night_end, morning, after), water, per_hour, limits)
    out.between_nights[:] = out.raw + _bent(out, max(round(0.5 * per_hour), 1) * step)
    return out


def _bent(days: DailyUptake, gap_ms: float) -> FloatArray:
    """What the night line would lose by the evening if its slope went on to that of the night after. [m3 m-3]"""
    evening_before, morning, evening = np.moveaxis(days.turns_ms, -1, 0) / HOUR_MS
    middle = 0.5 * (evening_before + morning - 2.0 * gap_ms / HOUR_MS)  # the night ends two gaps before the day begins
    next_middle, next_slope = np.full(middle.shape, np.nan), np.full(middle.shape, np.nan)
    known = ~np.isin(days.withheld[1:], _NO_NIGHT)
    next_middle[:-1], next_slope[:-1] = middle[1:], np.where(known, days.night_slope[1:], np.nan)
    bend = (next_slope - days.night_slope) * (evening - middle) ** 2 / (2.0 * (next_middle - middle))
    return floats(np.nan_to_num(bend))


def _one_day(
    out: DailyUptake,
    cell: tuple[int, int],
    hour: FloatArray,
    y: FloatArray,
    turns: tuple[int, int, int, int],
    water: FloatArray | None,
    per_hour: float,
    limits: UptakeLimits,
) -> None:
    before, night_end, morning, after = turns
    shortest = round(limits.shortest_h * per_hour)
    if morning - before < shortest or after - morning < shortest:
        out.withheld[cell] = Withheld.SHORT
        return
    if not np.isfinite(y[before : after + 1]).all():
        return
    raw, plain, night_slope, day_slope = night_line_uptake(
        hour, y, night=(before, night_end), morning=morning, evening=after
    )
    out.raw[cell], out.without_night[cell] = raw, plain
    out.night_slope[cell], out.day_slope[cell] = night_slope, day_slope
    reach = max(round(SMOOTHING_H * per_hour), 1)
    fastest = np.abs(y[before + reach : after + 1] - y[before : after + 1 - reach]).max()
    # `not (sum <= limit)` so that a missing rain reading counts as wet.
    start = max(before - round(12.0 * per_hour), 0)
    if water is not None and not water[start : after + 1].sum() <= limits.wet_mm:
        reason = Withheld.WET
    elif fastest > limits.fastest_change:
        reason = Withheld.JUMP
    elif raw <= 0.0 or day_slope >= 0.0:
        reason = Withheld.RISES
    elif raw > limits.largest_uptake:
        reason = Withheld.TOO_MUCH
    elif not (day_slope < night_slope and -day_slope > limits.slope_ratio * -night_slope):
        reason = Withheld.NO_STEP
    elif _is_curved(hour[before : night_end + 1], y[before : night_end + 1], raw, limits.curve_share):
        reason = Withheld.CURVED
    else:
        reason = Withheld.NOTHING
        out.uptake[cell] = raw
    out.withheld[cell] = reason


def _is_curved(x: FloatArray, y: FloatArray, uptake: float, share: float) -> bool:
    if not np.isfinite(share) or x.size < 6:
        return False
    bow, errors = _bow(x, y)
    return bow > share * uptake and errors > 4.0


def _even_step_ms(time: FloatArray, theta: FloatArray) -> float:
    if theta.ndim != 2 or theta.shape[0] != time.size or time.size < 2:
        raise ValueError(f"uptake: found {time.size} times and moisture {theta.shape}, expected (time, depth).")
    steps = np.diff(time)
    if steps.min() <= 0.0 or steps.max() - steps.min() > 1.0:
        raise ValueError(
            f"uptake: found steps of {steps.min() / 60000:g} to {steps.max() / 60000:g} min, expected one even step. "
            "Put the readings on their grid, gaps as NaN."
        )
    return float(steps[0])
