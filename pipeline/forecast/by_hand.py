"""Wetness of a root zone that is read by hand now and then, carried from reading to reading by the water balance.

The balance has the parameters that are usual, for readings so few fit none. At each reading the carried wetness and the
reading are joined, each by how far it may be off (a Kalman filter of one number); between them the doubt grows. Hours
whose rain nobody knows count as dry for two days and no longer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from pipeline.forecast.balance import Boxes, Fit, Parameters, PastHours, run, stores_at, usual_parameters
from pipeline.texts import say
from pipeline.units import HOUR_MS, BoolArray, FloatArray

CARRIED_D = 14  # a reading older than this says nothing of now: our own choice
DRY_UNKNOWN_H = 48  # hours in a row of unknown rain that count as dry: our own choice
GROWTH_PER_ROOT_H = 0.012
"""Doubt of the carried wetness after an hour; it grows with the root of the time: 0.06 after a day, 0.12 after four.
Our own choice. [1]"""
MOST_ERROR = 0.35  # no better than the middle of the range: our own choice
ERROR_AHEAD_H = 240  # as far as weather is drawn


class HandWetness(NamedTuple):
    """One reading: its moment [ms since 1970, UTC], relative wetness of the root zone and its standard error. [1]

    `limits_error` is what the limits that wetness lies between may be off; it is every reading's alike. [1]
    """

    at_ms: int
    wetness: float
    error: float
    limits_error: float = 0.0


@dataclass(frozen=True, slots=True)
class Carried:
    """The past with its root zone carried on to now, and the balance with its doubt from now on.

    `read_ms` is when the root zone was last read [ms since 1970, UTC]; `error` how far the wetness now may be off, as a
    standard error. [1] `dry_h` counts hours since then whose rain is not known. `past` is as it was where nothing could
    be carried, and then `fit` has a reason.
    """

    past: PastHours
    fit: Fit
    read_ms: int | None
    error: float
    dry_h: int = 0


def carry(past: PastHours, readings: Sequence[HandWetness], boxes: Boxes, *, for_days: int = CARRIED_D) -> Carried:
    """Return the root zone of a station carried from its readings by hand up to the end of the past.

    Parameters
    ----------
    past : PastHours
        Weather of the hours up to now; its wetness is not read.
    readings : sequence of HandWetness
        In order of time.
    boxes : Boxes
        By the limits of relative wetness; the thatch, which is not read alone, without capacity.
    for_days : int
        So long after a reading its course is taken for the present. [d]
    """
    hours, blank = past.water_mm.size, np.full(past.water_mm.size, np.nan)
    parameters = usual_parameters(boxes)
    water, assumed = _dry_where_unknown(past.water_mm)
    known = replace(past, water_mm=water, root_wetness=blank, thatch_wetness=blank)
    inside = [r for r in readings if past.first_ms <= r.at_ms < past.first_ms + hours * HOUR_MS]
    if not inside:
        return Carried(known, _refused(say("no reading by hand of the last weeks")), None, np.nan)
    root, variance = blank.copy(), np.nan
    for n, reading in enumerate(inside):
        hour = (reading.at_ms - past.first_ms) // HOUR_MS
        before = root[hour]
        wetness, variance = _joined(reading, before, variance)
        end = hours if n + 1 == len(inside) else (inside[n + 1].at_ms - past.first_ms) // HOUR_MS + 1
        root[hour:end] = _course(known, parameters, wetness, hour, end)
        last = n + 1 == len(inside)
        variance += GROWTH_PER_ROOT_H**2 * ((hours if last else end) - 1 - hour)
    read = inside[-1]
    if np.isnan(root[-1]):
        return Carried(known, _refused(say("rain since the last reading by hand is not known")), read.at_ms, np.nan)
    if past.first_ms + hours * HOUR_MS - read.at_ms > for_days * 24 * HOUR_MS:
        told = say("the last reading by hand is over {days} days old", days=for_days)
        return Carried(known, _refused(told), read.at_ms, np.nan)
    error = min(float(np.hypot(np.sqrt(variance), read.limits_error)), MOST_ERROR)
    first = (read.at_ms - past.first_ms) // HOUR_MS
    fit = Fit(parameters, np.full(ERROR_AHEAD_H + 1, np.nan), error_ahead(error), float(len(inside)))
    return Carried(replace(known, root_wetness=root), fit, read.at_ms, error, int(assumed[first:].sum()))


def error_ahead(error_now: float) -> FloatArray:
    """Return the standard error of the wetness by hour of lead, shape (ERROR_AHEAD_H + 1,). [1]"""
    grown = error_now**2 + GROWTH_PER_ROOT_H**2 * np.arange(ERROR_AHEAD_H + 1)
    return np.asarray(np.minimum(np.sqrt(grown), MOST_ERROR), dtype=np.float64)


def _joined(reading: HandWetness, before: float, variance: float) -> tuple[float, float]:
    """Wetness and its variance of a reading and what was carried up to it, where anything was."""
    own = reading.error**2
    if not np.isfinite(before) or not np.isfinite(variance):
        return reading.wetness, own
    share = variance / (variance + own)
    return before + share * (reading.wetness - before), (1.0 - share) * variance


def _course(past: PastHours, parameters: Parameters, wetness: float, hour: int, end: int) -> FloatArray:
    """Wetness at the begin of the hours from one up to, but without, another."""
    span = slice(hour, end - 1)
    first = stores_at(parameters, np.array([0.0]), np.array([wetness]))
    course = run(parameters, first, past.water_mm[span, np.newaxis], past.reference_et_mm[span, np.newaxis])
    return np.asarray(course.root_wetness[:, 0], dtype=np.float64)


def _dry_where_unknown(water_mm: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Water of hours with gaps of at most `DRY_UNKNOWN_H` counted as dry, and which hours those are."""
    unknown = np.isnan(water_mm)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], unknown, [False]]).astype(np.int8)))
    assumed = np.zeros(water_mm.shape, dtype=np.bool_)
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        assumed[begin:end] = end - begin <= DRY_UNKNOWN_H
    return np.where(assumed, 0.0, water_mm), assumed


def _refused(reason: str) -> Fit:
    return Fit(None, np.zeros(0), np.zeros(0), 0.0, reason)
