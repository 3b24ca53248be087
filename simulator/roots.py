"""Roots as a state by depth: they follow water, air, warmth and soft ground, and die of heat, drought, wet and blades.

Density is relative, 0 to 1, on the nodes of the water column; the share of uptake is density times the ground each
node stands for. A day's means come in, a new density goes out.

The rates are ours, no source, set so that the seasons look as they are told in practice: cool-season roots grow in
spring and autumn, thin out in hot summers, stay in wet thatch, and go deep only where water, air and soft ground are.
"""

from dataclasses import dataclass

import numpy as np

from simulator.column import Column, Feddes, node_volume_m
from simulator.units import FloatArray

CROWN_M, CROWN_DENSITY = 0.01, 0.03  # ours, no source


@dataclass(frozen=True)
class RootTraits:
    """How a grass roots.

    Temperatures of soil between which roots grow best and outside which they stop: cool-season 10-18, stop 25 and
    0.5; warm-season 24-29 (university extension figures, read at second hand).
    """

    deepest_m: float = 0.35  # below the leaf base; what mowing height and kind of grass allow
    least_degc: float = 0.5
    best_low_degc: float = 10.0
    best_high_degc: float = 18.0
    greatest_degc: float = 25.0
    growth_per_day: float = 0.08
    turnover_per_day: float = 0.010
    advance_m_per_day: float = 0.004
    heat_death_per_day_degc: float = 0.008  # for each degree above `greatest_degc`
    drought_death_per_day: float = 0.020  # at wilting; from nothing at a tenth of that suction
    wet_death_per_day: float = 0.020  # where the pores hold no air; from nothing at 10 % air
    half_strength_kpa: float = 1000.0  # elongation is halved near 0.8-1 MPa (Bengough et al. 2011, from memory)


COOL = RootTraits()
WARM = RootTraits(deepest_m=0.50, least_degc=10.0, best_low_degc=24.0, best_high_degc=29.0, greatest_degc=36.0)


def ceiling(column: Column, traits: RootTraits) -> FloatArray:
    """Return the greatest density by depth: one at the leaf base, falling as exp(-3 z / deepest), none below."""
    falling = np.exp(-3.0 * column.depth_m / traits.deepest_m)
    greatest: FloatArray = np.maximum(falling - np.exp(-3.0), 0.0) / (1.0 - np.exp(-3.0))
    return greatest


def rooted_to(column: Column, depth95_m: float) -> FloatArray:
    """Return a density with 95 % of the roots above a depth, exponential (form of Gale & Grigal 1987)."""
    density = np.exp(-np.log(20.0) * column.depth_m / depth95_m)
    return np.where(density < 1e-3, 0.0, density)


def share(column: Column, density: FloatArray) -> FloatArray:
    """Return the share of all roots each node has; sums to 1, or is 0 everywhere where there are none."""
    amount = density * node_volume_m(column)
    total = amount.sum()
    return amount / total if total > 0.0 else amount


def depth_above_which_m(column: Column, amount: FloatArray, fraction: float) -> float:
    """Return the depth above which `fraction` of an amount by node lies, spread evenly over half links. [m]

    NaN where there is nothing.
    """
    total = float(amount.sum())
    if not total > 0.0:
        return float("nan")
    edges = np.concatenate([[0.0], 0.5 * (column.depth_m[1:] + column.depth_m[:-1]), column.depth_m[-1:]])
    return float(np.interp(fraction * total, np.concatenate([[0.0], np.cumsum(amount)]), edges))


def quality(
    column: Column,
    head_m: FloatArray,
    air: FloatArray,
    temperature_degc: FloatArray,
    strength_kpa: FloatArray,
    traits: RootTraits,
) -> FloatArray:
    """Return how well roots can grow at each node, 0 to 1: the product of warmth, water, air and softness."""
    marks = [traits.least_degc, traits.best_low_degc, traits.best_high_degc, traits.greatest_degc]
    warmth = np.interp(temperature_degc, marks, [0.0, 1.0, 1.0, 0.0])
    limits: Feddes = column.feddes
    suction = np.maximum(-head_m, 1e-3)
    water = np.interp(np.log(suction), np.log([-limits.dry_limit_m, -limits.wilting_m]), [1.0, 0.0])
    breath = np.interp(air, [0.02, 0.12], [0.0, 1.0])
    softness = 1.0 / (1.0 + (strength_kpa / traits.half_strength_kpa) ** 2)
    return warmth * water * breath * softness


def grow(
    column: Column,
    density: FloatArray,
    *,
    head_m: FloatArray,
    air: FloatArray,
    temperature_degc: FloatArray,
    strength_kpa: FloatArray,
    traits: RootTraits,
    vigour: float = 1.0,
) -> FloatArray:
    """Return the density a day later.

    Parameters
    ----------
    column : Column
    density : ndarray, shape (node,)
        0..1
    head_m, air, temperature_degc, strength_kpa : ndarray, shape (node,)
        Means of the day. [m], [m3 m-3], [degC], [kPa]
    traits : RootTraits
    vigour : float
        What the leaves can spare for roots, 0..1.

    Returns
    -------
    ndarray, shape (node,)
        0..1
    """
    good = quality(column, head_m, air, temperature_degc, strength_kpa, traits)
    above = np.concatenate([density[:1], density[:-1]])
    size = np.concatenate([[1.0], np.maximum(column.length_m, 1e-3)])
    arriving = np.minimum(traits.advance_m_per_day * good / size, 0.5) * np.maximum(above - density, 0.0)
    top = ceiling(column, traits)
    room = np.maximum(1.0 - density / np.maximum(top, 1e-6), 0.0)
    gain = (traits.growth_per_day * vigour * density * good + arriving) * room
    limits = column.feddes
    suction = np.maximum(-head_m, 1e-3)
    marks = np.log([-0.1 * limits.wilting_m, -limits.wilting_m])
    loss = traits.turnover_per_day * np.interp(temperature_degc, [0.0, 20.0], [0.2, 1.0])
    loss = loss + traits.heat_death_per_day_degc * np.maximum(temperature_degc - traits.greatest_degc, 0.0)
    loss = loss + traits.drought_death_per_day * np.interp(np.log(suction), marks, [0.0, 1.0])
    loss = loss + traits.wet_death_per_day * np.interp(air, [0.02, 0.10], [1.0, 0.0])
    # crowns outlive a drought and keep a few roots at the leaf base to start again from
    least = np.where(column.depth_m <= CROWN_M, CROWN_DENSITY, 0.0)
    after: FloatArray = np.clip(np.maximum(density * np.exp(-loss) + gain, least), 0.0, 1.0)
    return after


def cut(column: Column, density: FloatArray, *, area_share: float, depth_m: float) -> FloatArray:
    """Return the density after blades or tines took `area_share` of the ground down to `depth_m`. [m]"""
    return np.where(column.depth_m <= depth_m, density * (1.0 - area_share), density)
