"""Slow drift of a channel of moisture, over months: against its neighbours, or against its own drained plateaus.

Drying ground looks like drift in one channel, but not in one channel alone: what remains of it once its neighbours
are accounted for goes on in one direction only when the probe drifts. Each neighbour, another depth or another
station, is laid under the channel by a curve together with a straight line in time; the median slope of the best
counts, and how far they are apart is the doubt. Sizes are our own, settled on simulated records.
"""

from collections.abc import Sequence

import numpy as np

from pipeline.soil.change import sen_line
from pipeline.soil.estimate import Estimate, withheld
from pipeline.texts import say_many
from pipeline.units import DAY_MS, FloatArray, TimeArray

YEAR_MS = 365.25 * DAY_MS
WINDOW_DAYS = 365  # looked back on; a drift that has ended is not told for ever
SHARED_DAYS = 330  # of history that channel and neighbour share: under a year the season looks like drift
LEAST_NEIGHBOURS, BEST_NEIGHBOURS = 2, 4
DRIFTS = 0.03  # m3/m3 a year, by which a channel drifts whatever its doubt
PLATEAUS, PLATEAU_DAYS = 5, 180  # fewest, and over how long
_ROUNDS = 6  # of reweighting: more change the slope by less than 0.001 a year
_HUBER = 1.5  # robust standard deviations, from which on a day counts less (Huber 1964, from memory)
_TO_SD = 1.4826  # of a median absolute deviation, for the normal distribution


def drift_by_neighbours(value: FloatArray, others: Sequence[FloatArray]) -> Estimate:
    """Return how fast a channel drifts against its neighbours.

    Parameters
    ----------
    value : ndarray, shape (day,)
        Daily means of consecutive days, at most `WINDOW_DAYS`. [m3 m-3] NaN where not known.
    others : sequence of ndarray, shape (day,)
        The same of other depths and other stations. [m3 m-3]

    Returns
    -------
    Estimate
        [m3 m-3 yr-1] Median of the `BEST_NEIGHBOURS` that explain it best; low and high are one robust standard
        deviation of them off, and n counts them. Withheld with fewer than `LEAST_NEIGHBOURS`.
    """
    found = [one for other in others if (one := _beside(value, other)) is not None]
    if len(found) < LEAST_NEIGHBOURS:
        return withheld(say_many("{n} neighbour over {days} days, {needed} needed",
                                 "{n} neighbours over {days} days, {needed} needed",
                                 len(found), days=SHARED_DAYS, needed=LEAST_NEIGHBOURS))  # fmt: skip
    slopes = np.array([slope for _, slope in sorted(found)[:BEST_NEIGHBOURS]])
    middle = float(np.median(slopes))
    doubt = _TO_SD * float(np.median(np.abs(slopes - middle)))
    return Estimate(middle, middle - doubt, middle + doubt, slopes.size)


def _beside(value: FloatArray, other: FloatArray) -> tuple[float, float] | None:
    """Robust standard deviation of what a neighbour leaves unexplained, and the slope in time beside it; by iteratively
    reweighted least squares."""
    both = np.isfinite(value) & np.isfinite(other)
    if both.sum() < SHARED_DAYS:
        return None
    x, y = value[both], other[both]
    scaled = (y - np.median(y)) / max(float(y.std()), 1e-3)
    years = np.flatnonzero(both) / 365.25
    design = np.column_stack([np.ones_like(x), scaled, scaled**2, scaled**3, years])
    weight, spread, slope = np.ones_like(x), 0.0, 0.0
    for _ in range(_ROUNDS):
        found, *_ = np.linalg.lstsq(design * weight[:, np.newaxis], x * weight, rcond=None)
        rest = np.abs(x - design @ found)
        spread, slope = _TO_SD * float(np.median(rest)) + 1e-4, float(found[-1])
        weight = np.sqrt(1.0 / np.maximum(1.0, rest / (_HUBER * spread)))
    return spread, slope


def drift_by_plateaus(at_ms: TimeArray, level: FloatArray) -> Estimate:
    """Return how fast the drained plateaus of a channel move: all that a channel without neighbours has.

    Parameters
    ----------
    at_ms : ndarray of int64, shape (plateau,)
        Increasing. [ms since 1970, UTC]
    level : ndarray, shape (plateau,)
        Water content on each. [m3 m-3]

    Returns
    -------
    Estimate
        [m3 m-3 yr-1] Sen's slope with its 90 % interval; n counts plateaus. Withheld with fewer than `PLATEAUS`, or
        over less than `PLATEAU_DAYS`.
    """
    if at_ms.size < PLATEAUS or at_ms[-1] - at_ms[0] < PLATEAU_DAYS * DAY_MS:
        return withheld(say_many("{n} drained plateau, {needed} over {days} days needed",
                                 "{n} drained plateaus, {needed} over {days} days needed",
                                 at_ms.size, needed=PLATEAUS, days=PLATEAU_DAYS))  # fmt: skip
    line = sen_line(at_ms / YEAR_MS, level, confidence=0.90)
    return Estimate(line.slope, line.low, line.high, at_ms.size)


def drifts(value: float, low: float, high: float) -> bool:
    """Return whether an estimate is a drift: its whole interval lies on one side, `DRIFTS` or more from nothing.

    Parameters
    ----------
    value, low, high : float
        [m3 m-3 yr-1] NaN is none.

    Returns
    -------
    bool
    """
    return bool(np.sign(low) == np.sign(high) == np.sign(value) and min(abs(low), abs(high)) >= DRIFTS)
