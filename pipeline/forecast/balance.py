"""Water of the thatch and of the root zone, hour by hour: two boxes under a canopy, for many members at once.

Rain fills the canopy, then thatch, whose excess over its drained water runs off downward within a time that tells how
it holds water; holes and cracks let a share past it. Demand is met by the canopy, the thatch and the roots, in that
order. Water is counted from the dry limit, so that what a box holds over its capacity is its relative wetness. The
boxes follow common practice for two-layer bookkeeping, the stress of the roots FAO-56. Minutes are not told apart:
the slow first wetting of repellent thatch lies outside. This module must not know where weather comes from, and must
lose no water: every millimetre is in a store or in a named flux.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.soil.drying import FLASH_OFF_H
from pipeline.units import FloatArray

Value = float | FloatArray

MULCH_SHARE = 0.5  # of what dry thatch owes the air, the ground below pays: 30-60 % is held back, common practice
THATCH_EASY_WETNESS = 0.3  # below it thatch gives up its water less and less: our own choice
WET_MM_H = 0.2  # reaching the thatch in an hour, counts as wetting: one tip of a usual gauge


@dataclass(frozen=True, slots=True)
class Parameters:
    """What makes one station's balance its own. Each is a number or an array of shape (member,).

    Attributes
    ----------
    canopy_mm : water the leaves hold. [mm]
    crop_coefficient : demand over reference evapotranspiration on dry days. [1]
    flash_factor : by how much more on the first day after wetting. [1]
    thatch_share : of the demand left by the canopy, what is asked of thatch. [1]
    thatch_capacity_mm : thatch water between its dry and drained limit; 0 where there is no thatch. [mm]
    thatch_full_wetness : relative wetness at which thatch can hold no more. [1]
    thatch_drained_wetness : relative wetness down to which it drains. [1]
    tau_h : time constant of that drainage: what "holding water" means. [h]
    bypass_share : of the water reaching thatch, what goes past it by holes and cracks. [1]
    root_capacity_mm : root-zone water between its dry and drained limit. [mm]
    root_full_wetness : relative wetness at which the root zone can hold no more. [1]
    root_drain_mm_h, root_drain_power : drainage out of the root zone is rate times wetness to the power. [mm h-1], [1]
    stress_wetness : relative wetness below which roots take less than is asked. [1] One less FAO-56's p.
    """

    canopy_mm: Value
    crop_coefficient: Value
    flash_factor: Value
    thatch_share: Value
    thatch_capacity_mm: Value
    thatch_full_wetness: Value
    thatch_drained_wetness: Value
    tau_h: Value
    bypass_share: Value
    root_capacity_mm: Value
    root_full_wetness: Value
    root_drain_mm_h: Value
    root_drain_power: Value
    stress_wetness: Value


@dataclass(frozen=True, slots=True)
class WaterStores:
    """Water in the three stores, each of shape (member,). [mm] Thatch and roots from their dry limits on, which may be
    undercut."""

    canopy_mm: FloatArray
    thatch_mm: FloatArray
    root_mm: FloatArray


@dataclass(frozen=True)
class Course:
    """Stores and fluxes of a run. Stores stand at the turns of hours, the first at the start: shape (hour + 1, member).
    Fluxes are totals of hours, shape (hour, member). All in mm; the run-off is what found no room."""

    canopy_mm: FloatArray
    thatch_mm: FloatArray
    root_mm: FloatArray
    canopy_evaporation_mm: FloatArray
    thatch_evaporation_mm: FloatArray
    uptake_mm: FloatArray
    past_thatch_mm: FloatArray
    drained_mm: FloatArray
    runoff_mm: FloatArray
    thatch_wetness: FloatArray
    root_wetness: FloatArray


def stores_at(
    parameters: Parameters, thatch_wetness: npt.ArrayLike, root_wetness: npt.ArrayLike, canopy_mm: npt.ArrayLike = 0.0
) -> WaterStores:
    """Stores from relative wetness.

    Parameters
    ----------
    parameters : Parameters
    thatch_wetness, root_wetness : array_like, shape (member,)
        [1] NaN thatch is taken as an empty store where there is no thatch.
    canopy_mm : array_like
        [mm]
    """
    capacity = np.asarray(parameters.thatch_capacity_mm, dtype=np.float64)
    thatch = np.where(capacity > 0.0, capacity * np.asarray(thatch_wetness, dtype=np.float64), 0.0)
    root = np.asarray(root_wetness, dtype=np.float64) * parameters.root_capacity_mm
    canopy, thatch, root = np.broadcast_arrays(np.asarray(canopy_mm, dtype=np.float64), thatch, root)
    return WaterStores(*(np.atleast_1d(np.asarray(s, dtype=np.float64)) for s in (canopy, thatch, root)))


def hours_since_wetting(through_mm: npt.ArrayLike, before_h: npt.ArrayLike) -> FloatArray:
    """Hours since water last reached the thatch, at the beginning of an hour in which `through_mm` does; 0 then. [h]"""
    wet = np.asarray(through_mm, dtype=np.float64) >= WET_MM_H
    return np.asarray(np.where(wet, 0.0, np.asarray(before_h, dtype=np.float64)), dtype=np.float64)


def run(
    parameters: Parameters,
    first: WaterStores,
    water_mm: FloatArray,
    reference_et_mm: FloatArray,
    *,
    dry_for_h: npt.ArrayLike = FLASH_OFF_H,
) -> Course:
    """Carry the stores through the hours.

    Parameters
    ----------
    parameters : Parameters
        Each a number, or one for each member.
    first : Stores
        At the start.
    water_mm, reference_et_mm : ndarray, shape (hour, member)
        Rain and watering, and reference evapotranspiration, of each hour. [mm h-1] Dew, below 0, counts as no demand.
    dry_for_h : array_like
        Hours since water last reached the thatch before the start. [h]

    Returns
    -------
    Course
        NaN from the first hour whose weather is NaN.
    """
    hours = water_mm.shape[0]
    members = np.broadcast_shapes(water_mm.shape[1:], reference_et_mm.shape[1:], first.root_mm.shape)
    stores = np.zeros((3, hours + 1, *members))
    flux = np.zeros((6, hours, *members))
    p = parameters
    canopy, thatch, root = (np.broadcast_to(s, members) for s in (first.canopy_mm, first.thatch_mm, first.root_mm))
    stores[:, 0] = canopy, thatch, root
    full = np.asarray(p.thatch_full_wetness) * np.asarray(p.thatch_capacity_mm)
    drained_level = np.asarray(p.thatch_drained_wetness) * np.asarray(p.thatch_capacity_mm)
    easy = np.maximum(THATCH_EASY_WETNESS * np.asarray(p.thatch_capacity_mm), 1e-9)
    leaving = 1.0 - np.exp(-1.0 / np.asarray(p.tau_h, dtype=np.float64))
    root_full = np.asarray(p.root_full_wetness) * np.asarray(p.root_capacity_mm)
    dry_h = np.broadcast_to(np.asarray(dry_for_h, dtype=np.float64), members)
    for hour in range(hours):
        water = water_mm[hour]
        held = np.minimum(canopy + water, np.maximum(p.canopy_mm, canopy))
        through = canopy + water - held
        dry_h = hours_since_wetting(through, dry_h)
        factor = np.where(dry_h < FLASH_OFF_H, p.flash_factor, 1.0)
        demand = np.maximum(reference_et_mm[hour], 0.0) * p.crop_coefficient * factor
        from_canopy = np.minimum(held, demand)
        asked = demand - from_canopy
        # into the thatch, past it, and out of it
        past = p.bypass_share * through
        thatch = thatch + through - past
        over = np.maximum(thatch - full, 0.0)
        seep = np.maximum(thatch - over - drained_level, 0.0) * leaving
        thatch = thatch - over - seep
        past = past + over + seep
        owed = asked * p.thatch_share
        from_thatch = np.minimum(owed * np.clip(thatch / easy, 0.0, 1.0), np.maximum(thatch, 0.0))
        thatch = thatch - from_thatch
        # into the roots, and out of them
        root = root + past
        runoff = np.maximum(root - root_full, 0.0)
        wetness = (root - runoff) / p.root_capacity_mm
        stress = np.clip(wetness / p.stress_wetness, 0.0, 1.0)
        uptake = (asked - owed + MULCH_SHARE * (owed - from_thatch)) * stress
        uptake = np.minimum(uptake, np.maximum(root - runoff, 0.0))
        root = root - runoff - uptake
        drained = _drained_mm(p, root)
        root = root - drained
        canopy = held - from_canopy
        dry_h = dry_h + 1.0
        stores[:, hour + 1] = canopy, thatch, root
        flux[:, hour] = from_canopy, from_thatch, uptake, past, drained, runoff
    capacity = np.asarray(p.thatch_capacity_mm, dtype=np.float64)
    known = np.where(capacity > 0.0, capacity, np.nan)
    return Course(*[*stores, *flux, stores[1] / known, stores[2] / p.root_capacity_mm])


def _drained_mm(p: Parameters, root_mm: FloatArray) -> FloatArray:
    """Water leaving the root zone in an hour: dS/dt = -rate (S / capacity)^power, solved exactly, so never too much."""
    power = np.asarray(p.root_drain_power, dtype=np.float64) - 1.0
    wetness = np.maximum(root_mm / p.root_capacity_mm, 0.0)
    speed = power * np.asarray(p.root_drain_mm_h, dtype=np.float64) / p.root_capacity_mm * wetness**power
    left = (1.0 + speed) ** (-1.0 / power)
    return np.asarray(np.maximum(root_mm, 0.0) * (1.0 - left), dtype=np.float64)
