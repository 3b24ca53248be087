"""Moving windows over a series in time, by its own stamps: what the quality tests look back with.

Every result depends on the values inside its window alone, to the last bit: sums run in whole numbers and extremes are
values themselves. So a series worked in pieces, each with enough of what went before, gives what the whole gives.
Nothing is interpolated or filled; all of it is arithmetic.
"""

import numpy as np
import numpy.typing as npt

from pipeline.units import HOUR_MS, MINUTE_MS, BoolArray, FloatArray, TimeArray

RAIN_TICKS_PER_MM = 1000.0  # rain is summed in whole micrometres
RAIN_SILENT_MS = 2 * HOUR_MS  # how old the last value of rain may be
_LONG_AGO_MS = np.iinfo(np.int64).min // 2


def binned_means(
    place: npt.NDArray[np.int64], value: FloatArray, size: int
) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """Return the mean of the known values of each bin, and how many there are.

    Parameters
    ----------
    place, value : ndarray, shape (n,)
        Number of the bin of each value [1], those from 0 to `size` - 1 count; and values [any unit], NaN where unknown.
    size : int
        How many bins there are. [1]

    Returns
    -------
    mean, count : ndarray, shape (size,)
        [unit of `value`] NaN in a bin without a value; [1]
    """
    good = (place >= 0) & (place < size) & np.isfinite(value)
    count = np.bincount(place[good], minlength=size)
    total = np.bincount(place[good], weights=value[good], minlength=size)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan), dtype=np.float64), count


def rolling_min(time_ms: TimeArray, value: FloatArray, window_ms: int) -> FloatArray:
    """Return the lowest value in the window (t - window, t] of each time.

    Parameters
    ----------
    time_ms, value : ndarray, shape (time,)
        Times, increasing [ms], and values. [any unit] NaN is stepped over.
    window_ms : int
        [ms]

    Returns
    -------
    ndarray, shape (time,)
        [unit of `value`] NaN where the window holds none.
    """
    return _extreme(np.fmin, value, *_windows(time_ms, window_ms))


def rolling_max(time_ms: TimeArray, value: FloatArray, window_ms: int) -> FloatArray:
    """Return the highest value in the window (t - window, t] of each time.

    Parameters
    ----------
    time_ms, value : ndarray, shape (time,)
        Times, increasing [ms], and values. [any unit] NaN is stepped over.
    window_ms : int
        [ms]

    Returns
    -------
    ndarray, shape (time,)
        [unit of `value`] NaN where the window holds none.
    """
    return _extreme(np.fmax, value, *_windows(time_ms, window_ms))


def rolling_range(time_ms: TimeArray, value: FloatArray, window_ms: int) -> FloatArray:
    """Return the highest less the lowest value in the window (t - window, t] of each time.

    Parameters
    ----------
    time_ms, value : ndarray, shape (time,)
        Times, increasing [ms], and values. [any unit] NaN is stepped over.
    window_ms : int
        [ms]

    Returns
    -------
    ndarray, shape (time,)
        [unit of `value`] NaN where the window holds none.
    """
    windows = _windows(time_ms, window_ms)
    return _extreme(np.fmax, value, *windows) - _extreme(np.fmin, value, *windows)


def _windows(time_ms: TimeArray, window_ms: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """First index of each window, and the power of two of the longest stretch that fits it."""
    first = np.searchsorted(time_ms, time_ms - window_ms, side="right")
    return first, np.frexp(np.arange(1, time_ms.size + 1) - first)[1] - 1


def _extreme(pick: np.ufunc, value: FloatArray, first: npt.NDArray[np.intp], power: npt.NDArray[np.intp]) -> FloatArray:
    """Lowest or highest value of each window, of two overlapping stretches of a power of two values that fill it."""
    stretches = np.empty((int(power.max(initial=0)) + 1, value.size))  # by power, each at its last index
    stretches[0] = value
    for k in range(1, len(stretches)):
        half = 2 ** (k - 1)
        stretches[k, :half] = np.nan
        pick(stretches[k - 1, half:], stretches[k - 1, :-half], out=stretches[k, half:])
    return np.asarray(pick(stretches[power, np.arange(value.size)], stretches[power, first + (1 << power) - 1]))


def count_in_window(present: BoolArray, first: npt.NDArray[np.intp]) -> npt.NDArray[np.int64]:
    """Count those present from an index to each place, both included.

    Parameters
    ----------
    present : ndarray of bool, shape (n,)
    first : ndarray of int, shape (n,)
        Index from which each counts, at most its own. [1]

    Returns
    -------
    ndarray of int64, shape (n,)
        [1]
    """
    total = np.concatenate([[0], np.cumsum(present, dtype=np.int64)])
    return np.asarray(total[1:] - total[first], dtype=np.int64)


def rain_before(at_ms: TimeArray, rain_time_ms: TimeArray, rain_mm: FloatArray, *, window_ms: int) -> FloatArray:
    """Return the rain in the window (t - window, t] before each time.

    Parameters
    ----------
    at_ms : ndarray of int64, shape (n,)
        [ms]
    rain_time_ms, rain_mm : ndarray, shape (m,)
        Times, increasing [ms], and rain since the value before. [mm]
    window_ms : int
        Length of the window. [ms]

    Returns
    -------
    ndarray, shape (n,)
        [mm] NaN where the gauge was silent for longer than `RAIN_SILENT_MS`, or a value in the window is NaN.
    """
    ticks = np.rint(np.nan_to_num(rain_mm) * RAIN_TICKS_PER_MM).astype(np.int64)
    total = np.concatenate([[0], np.cumsum(ticks)])
    unknown = np.concatenate([[0], np.cumsum(np.isnan(rain_mm), dtype=np.int64)])
    last = np.searchsorted(rain_time_ms, at_ms, side="right")
    first = np.searchsorted(rain_time_ms, at_ms - window_ms, side="right")
    rain = (total[last] - total[first]) / RAIN_TICKS_PER_MM
    heard = np.concatenate([[_LONG_AGO_MS], rain_time_ms])[last]
    rain[(unknown[last] > unknown[first]) | (at_ms - heard > RAIN_SILENT_MS)] = np.nan
    return np.asarray(rain, dtype=np.float64)


def beside(
    at_ms: TimeArray,
    other_time_ms: TimeArray,
    other: FloatArray,
) -> FloatArray:
    """Return the last value of another channel at each time.

    Parameters
    ----------
    at_ms : ndarray of int64, shape (n,)
        [ms]
    other_time_ms, other : ndarray, shape (m,)
        Times, increasing [ms], and values. [any unit]

    Returns
    -------
    ndarray, shape (n,)
        [unit of `other`] NaN where the last value is older than an hour. One may be up to a minute later: channels of a
        slot are heard seconds apart, in any order.
    """
    last = np.searchsorted(other_time_ms, at_ms + MINUTE_MS, side="right")
    times = np.concatenate([[_LONG_AGO_MS], other_time_ms])[last]
    values = np.concatenate([[np.nan], other])[last]
    values[at_ms - times > HOUR_MS] = np.nan
    return np.asarray(values, dtype=np.float64)
