"""Signs of a faulty channel that show over days and weeks: one that stands still, and depths in the wrong order.

A channel is held against itself: how long it has ever repeated one number before. Depths are held against each other:
the daily range of temperature falls with depth (Hillel, Environmental Soil Physics; van Wijk & de Vries 1963), and
so, as a rule, do the changes of moisture from one day to the next; the first is physics, the second a suspicion only,
since layers may differ. Thresholds are our own, settled on simulated seasons.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.units import HOUR_MS, FloatArray, TimeArray

STILL_RATIO = 2.0  # of a channel's own longest run, beyond which it stands still
STILL_LEAST_H = 24.0  # and at least so long
STILL_HABIT_H = 12.0  # a channel whose own runs are longer shows its rounding, not its water: open records have such
STILL_LEAST_COUNT = 6  # readings in a row
STILL_HISTORY_H = 14 * 24.0  # of readings before the run
RUN_GAP_H = 24.0  # a longer silence ends a run
RANGE_RATIO = 1.1  # of the daily ranges of a thermometer and one above it, from which they look swapped
RANGE_LEAST_K = 0.5  # a daily range below it is a matter of rounding
RANGE_LEAST_DAYS = 5
CHANGE_DEPTHS, CHANGE_LEAST_H = 3, 10 * 24  # depths, and hours of which changes of 24 h are known
CHANGE_FLOOR_M3_M3 = 2e-4  # of a change: rounding
CHANGE_SLOPE = 0.3  # of the logarithm of the changes, a depth: 1 sound season in 60 has more


@dataclass(frozen=True, slots=True)
class StandStill:
    """A run of one number. Times [ms since 1970, UTC]; how long it was, and the longest before. [h]"""

    start_ms: int
    end_ms: int
    hours: float
    own_h: float


def stood_still(
    time_ms: TimeArray, value: FloatArray, start_ms: int, *, ends: tuple[float, ...] = ()
) -> StandStill | None:
    """Return the longest run of identical values that ends after a moment, if it is no habit of the channel.

    Parameters
    ----------
    time_ms, value : ndarray, shape (time,)
        Times [ms since 1970, UTC], increasing, and values in any unit, with some weeks before `start_ms`. NaN are
        stepped over.
    start_ms : int
        [ms since 1970, UTC]
    ends : tuple of float
        Values given to all readings just beyond the range of a curve: no run of them counts. [unit of `value`]

    Returns
    -------
    StandStill or None
        None where no run is longer than `STILL_RATIO` times the longest before it, the habit of the channel is longer
        than `STILL_HABIT_H`, or too little came before.
    """
    known = np.isfinite(value)
    times, values = time_ms[known], value[known]
    if times.size < STILL_LEAST_COUNT:
        return None
    moved = (np.diff(values) != 0.0) | (np.diff(times) > RUN_GAP_H * HOUR_MS)
    for end in ends:
        moved |= np.isclose(values[1:], end, rtol=0.0, atol=1e-9)
    first = np.concatenate([[0], np.flatnonzero(moved) + 1])
    last = np.concatenate([first[1:] - 1, [times.size - 1]])
    hours = (times[last] - times[first]) / HOUR_MS
    longest_before = np.concatenate([[0.0], np.maximum.accumulate(hours)[:-1]])
    told = (times[last] >= start_ms) & (hours >= STILL_LEAST_H) & (last - first + 1 >= STILL_LEAST_COUNT)
    told &= (hours > STILL_RATIO * longest_before) & (longest_before <= STILL_HABIT_H)
    told &= times[first] - times[0] >= STILL_HISTORY_H * HOUR_MS
    if not told.any():
        return None
    at = int(np.flatnonzero(told)[np.argmax(hours[told])])
    return StandStill(int(times[first[at]]), int(times[last[at]]), float(hours[at]), float(longest_before[at]))


def daily_range(hourly: FloatArray) -> FloatArray:
    """Return the median range of the days of each series.

    Parameters
    ----------
    hourly : ndarray, shape (hour, depth)
        Whole days. [any unit] NaN where not known: such a day does not count.

    Returns
    -------
    ndarray, shape (depth,)
        [unit of `hourly`] NaN with fewer than `RANGE_LEAST_DAYS` days.
    """
    by_day = hourly.reshape(-1, 24, hourly.shape[1])
    ranges = by_day.max(axis=1) - by_day.min(axis=1)  # NaN where an hour is
    days = np.isfinite(ranges).sum(axis=0)
    found = np.full(hourly.shape[1], np.nan)
    for j in np.flatnonzero(days >= RANGE_LEAST_DAYS).tolist():
        found[j] = np.nanmedian(ranges[:, j])
    return found


def out_of_order(range_k: FloatArray) -> tuple[int, int] | None:
    """Return the pair of depths whose daily ranges of temperature are most in the wrong order.

    Parameters
    ----------
    range_k : ndarray, shape (depth,)
        Of the thermometers from the top, see `daily_range`. [K] NaN where not known.

    Returns
    -------
    (int, int) or None
        Places of the upper and the lower; None where every range falls with depth as it must.
    """
    pairs = [
        (range_k[lower] / max(range_k[upper], 1e-9), upper, lower)
        for lower in range(range_k.size)
        for upper in range(lower)
        if range_k[lower] >= RANGE_LEAST_K and range_k[lower] > RANGE_RATIO * range_k[upper]
    ]
    return max(pairs)[1:] if pairs else None


def change_order(hourly: FloatArray) -> tuple[float, int, int]:
    """Return how the changes of moisture over 24 hours go with depth, and which two depths disagree most.

    Parameters
    ----------
    hourly : ndarray, shape (hour, depth)
        Water content of the soil's channels from the top. [m3 m-3] NaN where not known.

    Returns
    -------
    slope : float
        Of the logarithm of their standard deviation, a depth. [1] Falls (below 0) as a rule; NaN with fewer than
        `CHANGE_DEPTHS` depths or `CHANGE_LEAST_H` hours.
    upper, lower : int
        The two between which it rises most.
    """
    change = hourly[24:] - hourly[:-24]
    if hourly.shape[1] < CHANGE_DEPTHS or (np.isfinite(change).sum(axis=0) < CHANGE_LEAST_H).any():
        return float("nan"), 0, 0
    size = np.log(np.nanstd(change, axis=0) + CHANGE_FLOOR_M3_M3)
    places = np.arange(size.size) - 0.5 * (size.size - 1)
    apart = np.triu(size[np.newaxis, :] - size[:, np.newaxis], k=1)
    upper, lower = np.unravel_index(int(np.argmax(apart)), apart.shape)
    return float((places * size).sum() / (places**2).sum()), int(upper), int(lower)
