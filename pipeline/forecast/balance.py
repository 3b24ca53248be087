"""Water of the thatch and of the root zone, hour by hour: two boxes under a canopy, for many members at once.

Rain fills the canopy, then thatch, whose excess over its drained water runs off downward within a time that tells how
it holds water; holes and cracks let a share past it. Demand is met by the canopy, the thatch and the roots, in that
order. Water is counted from the dry limit, so that what a box holds over its capacity is its relative wetness. The
boxes follow common practice for two-layer bookkeeping, the stress of the roots FAO-56. Minutes are not told apart:
the slow first wetting of repellent thatch lies outside. This module must not know where weather comes from, and must
lose no water: every millimetre is in a store or in a named flux.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

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
    # one array a parameter: numpy is slower on numbers than on arrays of this size
    p = Parameters(*(np.array(np.broadcast_to(getattr(parameters, f.name), members), dtype=np.float64)
                     for f in fields(Parameters)))  # fmt: skip
    canopy, thatch, root = stores = np.empty((3, hours + 1, *members))
    stores[:, 0] = [np.broadcast_to(s, members) for s in (first.canopy_mm, first.thatch_mm, first.root_mm)]
    fluxes = np.empty((8, hours, *members))  # in one piece, which the allocator keeps from run to run
    through, asked, from_canopy, past, from_thatch, uptake, drained, runoff = fluxes
    water = np.broadcast_to(water_mm, (hours, *members))
    demand = np.maximum(reference_et_mm, 0.0) * p.crop_coefficient
    _leaves(p, canopy, water, demand, dry_for_h, (through, asked, from_canopy))
    owed = asked * p.thatch_share
    _thatch(p, thatch, through, owed, (past, from_thatch))
    asked -= owed
    owed -= from_thatch
    owed *= MULCH_SHARE
    asked += owed
    _roots(p, root, past, asked, (uptake, drained, runoff))
    capacity = np.where(p.thatch_capacity_mm > 0.0, p.thatch_capacity_mm, np.nan)
    return Course(
        canopy, thatch, root, from_canopy, from_thatch, uptake, past, drained, runoff, thatch / capacity,
        root / p.root_capacity_mm,
    )  # fmt: skip


def _leaves(
    p: Parameters, canopy: FloatArray, water: FloatArray, demand: FloatArray, dry_for_h: npt.ArrayLike,
    fluxes: tuple[FloatArray, FloatArray, FloatArray],
) -> None:  # fmt: skip
    """Fill in the canopy store and its fluxes: what drips through, the demand that is left, evaporation. [mm]

    Demand is higher for `FLASH_OFF_H` hours from the one on in which water reaches the thatch.
    """
    through, asked, evaporated = fluxes
    dry_h = np.array(np.broadcast_to(dry_for_h, canopy.shape[1:]), dtype=np.float64)
    zero, one, wet, flash = np.zeros_like(dry_h), np.ones_like(dry_h), np.array(WET_MM_H), np.array(FLASH_OFF_H)
    for hour in range(water.shape[0]):
        held = canopy[hour] + water[hour]
        kept = np.minimum(held, np.maximum(p.canopy_mm, canopy[hour]))
        np.subtract(held, kept, out=through[hour])
        np.putmask(dry_h, through[hour] >= wet, zero)
        wanted = demand[hour] * np.where(dry_h < flash, p.flash_factor, one)
        np.minimum(kept, wanted, out=evaporated[hour])
        np.subtract(wanted, evaporated[hour], out=asked[hour])
        np.subtract(kept, evaporated[hour], out=canopy[hour + 1])
        dry_h += one


def _thatch(
    p: Parameters, thatch: FloatArray, through: FloatArray, owed: FloatArray, fluxes: tuple[FloatArray, FloatArray]
) -> None:
    """Fill in the thatch store and its fluxes: water that goes past it or drains out of it, evaporation. [mm]"""
    past, evaporated = fluxes
    full = p.thatch_full_wetness * p.thatch_capacity_mm
    drained = p.thatch_drained_wetness * p.thatch_capacity_mm
    easy = np.maximum(THATCH_EASY_WETNESS * p.thatch_capacity_mm, 1e-9)
    leaving = 1.0 - np.exp(-1.0 / p.tau_h)
    zero, one = np.zeros_like(full), np.ones_like(full)
    for hour in range(through.shape[0]):
        bypass = p.bypass_share * through[hour]
        water = thatch[hour] + through[hour]
        water -= bypass
        over = np.maximum(water - full, zero)
        water -= over
        seep = np.maximum(water - drained, zero)
        seep *= leaving
        water -= seep
        over += bypass
        np.add(over, seep, out=past[hour])
        there = np.maximum(water, zero)
        given = np.minimum(there / easy, one)
        given *= owed[hour]
        np.minimum(given, there, out=evaporated[hour])
        np.subtract(water, evaporated[hour], out=thatch[hour + 1])


def _roots(
    p: Parameters, root: FloatArray, past: FloatArray, wanted: FloatArray,
    fluxes: tuple[FloatArray, FloatArray, FloatArray],
) -> None:  # fmt: skip
    """Fill in the root-zone store and its fluxes: uptake, drainage, run-off. [mm]

    Drainage is dS/dt = -rate (S / capacity)^power, solved exactly for the hour, so that it is never more than there is.
    """
    uptake, drained, runoff = fluxes
    capacity, full = p.root_capacity_mm, p.root_full_wetness * p.root_capacity_mm
    power = p.root_drain_power - 1.0
    rate, inverse = power * p.root_drain_mm_h / capacity, -1.0 / power
    zero, one = np.zeros_like(full), np.ones_like(full)
    for hour in range(past.shape[0]):
        water = root[hour] + past[hour]
        np.maximum(water - full, zero, out=runoff[hour])
        water -= runoff[hour]
        there = np.maximum(water, zero)
        taken = there / capacity
        taken /= p.stress_wetness
        taken = np.minimum(taken, one)
        taken *= wanted[hour]
        np.minimum(taken, there, out=uptake[hour])
        water -= uptake[hour]
        there = np.maximum(water, zero)
        left = (there / capacity) ** power
        left *= rate
        left += one
        left **= inverse
        np.subtract(one, left, out=left)
        np.multiply(there, left, out=drained[hour])
        np.subtract(water, drained[hour], out=root[hour + 1])
