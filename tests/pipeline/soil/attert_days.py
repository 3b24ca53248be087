"""Which days and turns the authors of the published uptake took, after the rule their code had when it was made.

Jackisch et al. 2020, Biogeosciences 17, 5787-5808: the package of the authors as it stood when the table was computed
(repository cojacoo/rootwater, commit f2956f3). A later version of it has another rule. Written anew from that rule, in
vol.% and half-hours, and used by tests alone: our own days are chosen otherwise, for turf.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from pipeline.soil.uptake import night_line_uptake

HOUR_MS = 3_600_000.0
BEFORE_SUNSET_H, AFTER_SUNSET_H = (
    5.0,
    2.0,
)  # turns are looked for from so long before one sunset to so long after the next
FALLING = -0.02  # change over three half-hours from which roots are said to drink [vol.%]
WET = 0.25  # change over three half-hours above which other water moved [vol.%]
SHORTEST_H = 3.5
BY_THE_SUN_H = 1.0  # where no turns are found: so long after sunset, sunrise and sunset

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Turns:
    """Indices of the evening turn before, the morning turn and the evening turn."""

    before: int
    morning: int
    evening: int


def smoothed_change(moisture: Array) -> Array:
    """Change over three half-hours, smoothed by a normal curve of one half-hour. [vol.%]"""
    change = np.full(moisture.size, np.nan)
    change[3:] = moisture[3:] - moisture[:-3]
    return np.asarray(gaussian_filter1d(change, 1))


def turns_of(time_ms: Array, change: Array, sunset_before_ms: float, sunrise_ms: float, sunset_ms: float) -> Turns:
    """Turns of one day by the moisture itself, or by the sun where it shows none."""
    first = int(np.searchsorted(time_ms, sunset_before_ms - BEFORE_SUNSET_H * HOUR_MS))
    last = int(np.searchsorted(time_ms, sunset_ms + AFTER_SUNSET_H * HOUR_MS, side="right"))
    within = change[first:last]
    still = np.flatnonzero(within >= 0.0)
    falling = np.flatnonzero(within <= FALLING)
    falling = falling[falling > still[0]] if still.size else falling[:0]
    rising = np.flatnonzero(within > 0.0)
    rising = rising[rising > falling[0]] if falling.size else rising[:0]
    if rising.size:
        return Turns(first + int(still[0]), first + int(falling[0]) - 1, first + int(rising[0]))
    by_sun = (at + BY_THE_SUN_H * HOUR_MS for at in (sunset_before_ms, sunrise_ms, sunset_ms))
    return Turns(*(int(np.argmin(np.abs(time_ms - at))) for at in by_sun))


def uptake_on_their_days(time_ms: Array, moisture: Array, sunrise_ms: Array, sunset_ms: Array) -> Array:
    """Uptake by our night line on the days and between the turns of that rule.

    Parameters
    ----------
    time_ms : ndarray, shape (time,)
        Half-hours. [ms since 1970, UTC]
    moisture : ndarray, shape (time,)
        [vol.%]
    sunrise_ms, sunset_ms : ndarray, shape (day,)
        The first day is the one before the table begins. [ms since 1970, UTC]

    Returns
    -------
    ndarray, shape (day - 1,)
        [vol.% d-1] NaN on days that the rule refuses.
    """
    hour, change = np.arange(time_ms.size) * 0.5, smoothed_change(moisture)
    found = np.full(sunrise_ms.size - 1, np.nan)
    for day in range(found.size):
        turns = turns_of(time_ms, change, sunset_ms[day], sunrise_ms[day + 1], sunset_ms[day + 1])
        night_h, day_h = hour[turns.morning] - hour[turns.before], hour[turns.evening] - hour[turns.morning]
        wet = bool((change[turns.before : turns.evening + 1] > WET).any())
        whole = np.isfinite(moisture[turns.before : turns.evening + 1]).all()
        if night_h < SHORTEST_H or day_h < SHORTEST_H or wet or not whole:
            continue
        uptake, _, _, slope = night_line_uptake(
            hour, moisture, night=(turns.before, turns.morning - 2), morning=turns.morning, evening=turns.evening
        )
        if uptake >= 0.0 and slope < 0.0:
            found[day] = uptake
    return found
