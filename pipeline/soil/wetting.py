"""Wettings: when water came, from rain, from a watering of the diary, or as the probes alone show it.

A spell ends when no water has come for some hours. One that goes on for days is cut at midnights (UTC), so that every
spell can be told from the few days about it and a record worked in pieces gives what the whole gives. Bounds:
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.soil.moving import RAIN_TICKS_PER_MM, rolling_min
from pipeline.units import DAY_MS, HOUR_MS

Times = NDArray[np.int64]
Numbers = NDArray[np.float64]

DRY_GAP_H = 6.0  # hours without rain that end a spell; common practice, no source
LEAST_SPELL_MM = 1.0  # less than this seldom gets past the leaf; common practice, no source
LONGEST_SPELL_MS = 3 * DAY_MS  # a spell is shorter: one without a midnight a day from both its ends is
RISE = 0.03  # m3/m3 in the rise window that only water can do; as the quality test of a rise, common practice
RISE_WINDOW_H = 3.0
EXPLAINED_BEFORE_H = 12.0  # a rise so long after water that is known is that water still going down
EXPLAINED_AFTER_H = 3.0  # and a gauge may tell so much later


@dataclass(frozen=True, slots=True)
class Spell:
    """Water with no long gap. Times in ms since 1970 UTC, of the first and last reading that has water.

    `rain_mm` is what the gauge caught, `watering_mm` what was given by hand or pipe: NaN when nobody wrote how much.
    """

    start_ms: int
    end_ms: int
    rain_mm: float
    watering_mm: float = 0.0

    @property
    def given_mm(self) -> float:
        """Rain and watering together. [mm] NaN when not known."""
        return self.rain_mm + self.watering_mm


@dataclass(frozen=True, slots=True)
class Watering:
    """A watering somebody wrote down. [ms since 1970, UTC], [mm] NaN when the amount was not written."""

    start_ms: int
    end_ms: int
    water_mm: float = float("nan")


def events(
    rain_time_ms: Times,
    rain_mm: Numbers,
    *,
    waterings: Sequence[Watering] = (),
    probe: tuple[Times, Numbers] | None = None,
    least_mm: float = LEAST_SPELL_MM,
) -> list[Spell]:
    """List every wetting that rain, the diary or the probes tell of.

    Parameters
    ----------
    rain_time_ms, rain_mm : ndarray, shape (time,)
        End of each interval, increasing [ms], and its rain. [mm] NaN counts as none known.
    waterings : sequence of Watering
        In any order.
    probe : (ndarray of int, ndarray), optional
        Times, increasing [ms], and water content of the shallowest channel [m3 m-3], NaN where not good. A rise of
        0.03 within three hours is a wetting of its own, of unknown amount, unless water that is known explains it.
    least_mm : float
        Spells of known amount with less are left out. [mm]

    Returns
    -------
    list of Spell
        In order of time, not overlapping.
    """
    known = _known(rain_time_ms, rain_mm, waterings)
    known = [s for s in known if np.isnan(s.given_mm) or s.given_mm >= least_mm]
    if probe is None:
        return known
    before, after = int(EXPLAINED_BEFORE_H * HOUR_MS), int(EXPLAINED_AFTER_H * HOUR_MS)
    alone = []
    for rise in _rises(*probe):
        since, until = rise.start_ms - before, rise.end_ms + after
        watered = any(w.start_ms <= until and w.end_ms >= since for w in waterings)
        # the gauge's own sum, not its spells: what is known of the hours about the rise is enough
        if not watered and _sum_mm(rain_time_ms, rain_mm, since, until) < least_mm:
            alone.append(replace(rise, rain_mm=_sum_mm(rain_time_ms, rain_mm, rise.start_ms, rise.end_ms)))
    return sorted(known + [s for s in alone if not _overlap(s, known)], key=lambda s: s.start_ms)


def _known(rain_time_ms: Times, rain_mm: Numbers, waterings: Sequence[Watering]) -> list[Spell]:
    wet = rain_time_ms[np.nan_to_num(rain_mm) > 0.0]
    # a watering is wet at its ends, and every hour between them
    poured = [np.append(np.arange(w.start_ms, w.end_ms, HOUR_MS, dtype=np.int64), w.end_ms) for w in waterings]
    instants = np.unique(np.concatenate([wet, *poured]).astype(np.int64))
    found = []
    for run in _runs(instants):
        for piece in _cut(run):
            start, end = int(piece[0]), int(piece[-1])
            rain = _sum_mm(rain_time_ms, rain_mm, start, end)
            within = [w for w in waterings if w.start_ms <= end and w.end_ms >= start]
            given = [w.water_mm * _part(w, start, end) for w in within]
            found.append(Spell(start, end, rain, float(sum(given))))
    return found


def _part(watering: Watering, start_ms: int, end_ms: int) -> float:
    """Share of a watering that lies in a span; all of it when it took no time."""
    length = watering.end_ms - watering.start_ms
    inside = min(watering.end_ms, end_ms) - max(watering.start_ms, start_ms)
    return inside / length if length > 0 else 1.0


def _runs(instants: Times) -> list[Times]:
    if instants.size == 0:
        return []
    return np.split(instants, np.flatnonzero(np.diff(instants) > DRY_GAP_H * HOUR_MS) + 1)


def _cut(run: Times) -> list[Times]:
    """A run cut at every midnight that lies a day or more from both its ends: known from the days about it alone."""
    if run[-1] - run[0] < 2 * DAY_MS:
        return [run]
    first = -(-(int(run[0]) + DAY_MS) // DAY_MS)
    midnights = np.arange(first, (int(run[-1]) - DAY_MS) // DAY_MS + 1, dtype=np.int64) * DAY_MS
    return [piece for piece in np.split(run, np.searchsorted(run, midnights)) if piece.size]


def _sum_mm(time_ms: Times, rain_mm: Numbers, start_ms: int, end_ms: int) -> float:
    """Rain of start <= t <= end, summed in whole micrometres so that the order does not matter."""
    inside = slice(time_ms.searchsorted(start_ms), time_ms.searchsorted(end_ms, side="right"))
    ticks = np.rint(np.nan_to_num(rain_mm[inside]) * RAIN_TICKS_PER_MM).astype(np.int64)
    return float(ticks.sum() / RAIN_TICKS_PER_MM)


def _rises(time_ms: Times, theta: Numbers) -> list[Spell]:
    """Spells in which the shallowest channel rises as only water can make it."""
    good = np.isfinite(theta)
    time_ms, theta = time_ms[good], theta[good]
    if time_ms.size == 0:
        return []
    window_ms = int(RISE_WINDOW_H * HOUR_MS)
    up = theta - rolling_min(time_ms, theta, window_ms) >= RISE
    up &= np.diff(theta, prepend=theta[0]) > 0.0
    found = []
    for run in _runs(time_ms[up]):
        for piece in _cut(run):
            inside = (time_ms > piece[0] - window_ms) & (time_ms <= piece[0])
            times, values = time_ms[inside], theta[inside]
            foot = int(times[np.flatnonzero(values == values.min())[-1]])
            following = int(times[times > foot][0])  # the first reading of the rise, as a gauge's first is
            found.append(Spell(following, int(piece[-1]), 0.0, float("nan")))
    return found


def _overlap(rise: Spell, known: Sequence[Spell]) -> bool:
    return any(s.start_ms <= rise.end_ms and rise.start_ms <= s.end_ms for s in known)
