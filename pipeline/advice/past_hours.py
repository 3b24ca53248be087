"""A station's past weeks on whole hours: wetness from its findings, rain of its gauge, waterings of the diary, demand.

This module must not fill a gap: an hour in which the gauge said nothing has no rain figure, and an hour without a
finding has no wetness, so that what is fitted to them knows what was not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.advice.balance import FloatArray
from pipeline.advice.balance_fit import Past

HOUR_MS = 3_600_000
GAUGE_SILENT_H = 2.0  # after so long without a figure nobody knows that it is dry, as in the alerts
TimeArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Watering:
    """Water given from one moment to another. [ms since 1970, UTC], [mm]"""

    start_ms: int
    end_ms: int
    mm: float


@dataclass(frozen=True, slots=True)
class Covered:
    """A span under covers: rain does not reach the turf. [ms since 1970, UTC]"""

    start_ms: int
    end_ms: int


def past_hours(
    first_ms: int,
    hours: int,
    *,
    thatch: tuple[TimeArray, FloatArray] | None,
    roots: tuple[TimeArray, FloatArray],
    rain: tuple[TimeArray, FloatArray],
    reference_et_mm: FloatArray,
    waterings: Sequence[Watering] = (),
    covered: Sequence[Covered] = (),
) -> Past:
    """Put a station's past on whole hours.

    Parameters
    ----------
    first_ms : int
        Begin of the first hour, whole. [ms since 1970, UTC]
    hours : int
    thatch, roots : (times, values)
        Relative wetness and when it was found, times increasing. [ms], [1] None where there is no thatch.
    rain : (times, values)
        Rain since the reading before and when it was read, times increasing. [ms], [mm] Put into the hour of its
        reading; NaN is no reading.
    reference_et_mm : ndarray, shape (hours,)
        See `demand.hourly_demand_mm`. [mm h-1]
    waterings : sequence of Watering
        Spread evenly over their time; one without length falls into its hour.
    covered : sequence of Covered
        Hours that begin under covers get no rain.

    Returns
    -------
    Past

    Raises
    ------
    ValueError
        `first_ms` is no whole hour, or the demand has another length.
    """
    if first_ms % HOUR_MS or reference_et_mm.shape != (hours,):
        raise ValueError(
            f"past: found a begin of {first_ms} and {reference_et_mm.size} hours of demand, expected a whole hour and "
            f"{hours} hours"
        )
    at_ms = first_ms + HOUR_MS * np.arange(hours, dtype=np.int64)
    water = _rain_by_hour(at_ms, *rain)
    for span in covered:
        under = (at_ms >= span.start_ms) & (at_ms < span.end_ms)
        water[under] = 0.0  # known to be none, whatever the gauge says
    for given in waterings:
        water += _shared_mm(at_ms, given)
    blank = np.full(hours, np.nan)
    return Past(
        first_ms, blank if thatch is None else _at_hours(at_ms, *thatch), _at_hours(at_ms, *roots), water,
        np.asarray(reference_et_mm, dtype=np.float64),
    )  # fmt: skip


def _at_hours(at_ms: TimeArray, time_ms: TimeArray, value: FloatArray) -> FloatArray:
    """The last good value within the hour up to each time."""
    good = np.isfinite(value)
    times, values = time_ms[good], value[good]
    if times.size == 0:
        return np.full(at_ms.shape, np.nan)
    last = np.searchsorted(times, at_ms, side="right") - 1
    fresh = (last >= 0) & (at_ms - times[np.maximum(last, 0)] < HOUR_MS)
    return np.asarray(np.where(fresh, values[np.maximum(last, 0)], np.nan), dtype=np.float64)


def _rain_by_hour(at_ms: TimeArray, time_ms: TimeArray, rain_mm: FloatArray) -> FloatArray:
    """Rain read in each hour, ends included; NaN in hours that lie in a silence of the gauge."""
    good = np.isfinite(rain_mm)
    times, fallen = time_ms[good], rain_mm[good]
    # a reading on the full hour tells of the hour before it
    hour = (times - 1 - at_ms[0]) // HOUR_MS if at_ms.size else np.zeros(0, dtype=np.int64)
    inside = (hour >= 0) & (hour < at_ms.size)
    out = np.bincount(hour[inside], weights=fallen[inside], minlength=at_ms.size).astype(np.float64)
    silent = int(GAUGE_SILENT_H * HOUR_MS)
    before = np.searchsorted(times, at_ms, side="right") - 1
    after = np.searchsorted(times, at_ms + HOUR_MS, side="left")
    heard_before = (
        np.where(before >= 0, at_ms - times[np.maximum(before, 0)] if times.size else silent, silent) < silent
    )
    heard_after = after < times.size
    gap = np.full(at_ms.shape, silent, dtype=np.int64)
    if times.size:
        gap = np.where(heard_after & (before >= 0), times[np.minimum(after, times.size - 1)] - times[before], silent)
    # at the end of the series the gauge need only have spoken of late
    known = np.where(heard_after, gap <= silent, heard_before)
    out[~known] = np.nan
    return out


def _shared_mm(at_ms: TimeArray, given: Watering) -> FloatArray:
    length = max(given.end_ms - given.start_ms, 1)
    begin = np.maximum(at_ms, given.start_ms)
    end = np.minimum(at_ms + HOUR_MS, given.start_ms + length)
    return np.asarray(given.mm * np.maximum(end - begin, 0) / length, dtype=np.float64)
