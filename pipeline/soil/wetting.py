"""Wettings: what a spell of rain or a watering gave, and where the water went.

A spell ends when no rain has fallen for some hours. What a layer gained is the highest storage soon after the spell
less the last storage before it, so evaporation and drainage meanwhile are not in it: that is what the *unaccounted*
line is for, and it is always given. Pure: arrays in, facts out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]
Numbers = NDArray[np.float64]

HOUR_MS = 3_600_000
DRY_GAP_H = 6.0  # hours without rain that end a spell; common practice, no source
LEAST_SPELL_MM = 1.0  # less than this seldom gets past the leaf; common practice, no source
SETTLE_H = 12.0  # hours after the spell in which the highest storage is looked for; common practice, no source


@dataclass(frozen=True, slots=True)
class Spell:
    """Rain with no long gap. Times in ms since 1970 UTC, of the first and last reading that has rain."""

    start_ms: int
    end_ms: int
    rain_mm: float


@dataclass(frozen=True, slots=True)
class Wetting:
    """A spell and what each layer gained by it.

    `gain_mm` has a layer's gain [mm], at least 0, or NaN where its storage is not known before or after.
    `unaccounted_mm` is the rain less all gains that are known: evaporated, drained past the deepest probe, run off,
    missed by the gauge, or simply not under these probes. It is negative when the layers gained more than the gauge
    caught. [mm]
    """

    spell: Spell
    gain_mm: Mapping[str, float]
    unaccounted_mm: float


def spells(
    time_ms: Times, rain_mm: Numbers, *, dry_gap_h: float = DRY_GAP_H, least_mm: float = LEAST_SPELL_MM
) -> list[Spell]:
    """Spells of rain in a series of interval totals.

    Parameters
    ----------
    time_ms : ndarray of int, shape (time,)
        End of each interval, increasing. [ms]
    rain_mm : ndarray, shape (time,)
        Rain of each interval. [mm] NaN counts as none known.
    dry_gap_h : float
        A longer time without rain ends a spell. [h]
    least_mm : float
        Spells with less are left out. [mm]

    Returns
    -------
    list of Spell
        In order of time.
    """
    wet = np.flatnonzero(np.nan_to_num(rain_mm) > 0.0)
    if wet.size == 0:
        return []
    breaks = np.flatnonzero(np.diff(time_ms[wet]) > dry_gap_h * HOUR_MS) + 1
    runs = np.split(wet, breaks)
    found = [Spell(int(time_ms[r[0]]), int(time_ms[r[-1]]), float(rain_mm[r].sum())) for r in runs]
    return [spell for spell in found if spell.rain_mm >= least_mm]


def wetting(spell: Spell, storages: Mapping[str, tuple[Times, Numbers]], *, settle_h: float = SETTLE_H) -> Wetting:
    """What each layer gained by one spell.

    Parameters
    ----------
    spell : Spell
    storages : mapping of str to (ndarray of int, ndarray)
        For each layer, times [ms], increasing, and water held [mm], NaN where not known.
    settle_h : float
        How long after the spell the highest storage is looked for. [h]

    Returns
    -------
    Wetting
    """
    gains = {name: _gain_mm(spell, time, water, settle_h) for name, (time, water) in storages.items()}
    known = [gain for gain in gains.values() if not np.isnan(gain)]
    return Wetting(spell, gains, spell.rain_mm - sum(known))


def _gain_mm(spell: Spell, time_ms: Times, water_mm: Numbers, settle_h: float) -> float:
    good = ~np.isnan(water_mm)
    time_ms, water_mm = time_ms[good], water_mm[good]
    # The interval that ends at start_ms already holds the first rain.
    before = water_mm[(time_ms < spell.start_ms) & (time_ms >= spell.start_ms - settle_h * HOUR_MS)]
    after = water_mm[(time_ms >= spell.start_ms) & (time_ms <= spell.end_ms + settle_h * HOUR_MS)]
    if before.size == 0 or after.size == 0:
        return float("nan")
    return max(0.0, float(after.max() - before[-1]))
