"""Heat in the ground by conduction, the surface temperature as its upper boundary.

The grid is that of the water column, carried on to a depth that the yearly wave hardly reaches. Conduction only: no
freezing, no heat carried by water.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator import kernels
from simulator.column import Column, node_volume_m
from simulator.units import FloatArray

BELOW_COLUMN_M = 3.5  # the yearly wave (2.2 m damping depth at 0.5e-6 m2/s) is under a fifth of itself there
HEAT_OF_WATER_J_M3_K = 4.18e6
HEAT_OF_MINERAL_J_M3_K = 2.0e6  # de Vries 1963, from memory: 1.9-2.1
HEAT_OF_ORGANIC_J_M3_K = 2.5e6  # the same


@dataclass(frozen=True)
class HeatGrid:
    """Depths of the temperatures, the node of the water column that lends each its water, and what never changes."""

    depth_m: FloatArray  # (level,)
    node: NDArray[np.int64]  # (level,)
    porosity: FloatArray  # (level,)
    solid_capacity_j_m3_k: FloatArray  # (level,)
    dry_w_m_k: FloatArray  # (level,)
    wet_w_m_k: FloatArray  # (level,)


def grid(column: Column) -> HeatGrid:
    """Return levels at the column's depths (a break counted once), then below it, each step half as long again."""
    keep = np.concatenate([[True], column.length_m > 0.0])
    nodes = np.flatnonzero(keep)
    depths = column.depth_m[nodes].tolist()
    step = max(depths[-1] - depths[-2], 0.05)
    bottom = depths[-1]
    while depths[-1] - bottom < BELOW_COLUMN_M:
        step *= 1.5
        depths.append(depths[-1] + step)
    nodes = np.concatenate([nodes, np.full(len(depths) - nodes.size, nodes[-1])])
    porosity, organic, dry, wet = _mean_over_node(column)[:, nodes]
    # organic matter is about half as dense as mineral, so its share by volume is larger than by mass
    organic = organic / 1.45 / (organic / 1.45 + (1.0 - organic) / 2.65)
    solid = (1.0 - porosity) * (organic * HEAT_OF_ORGANIC_J_M3_K + (1.0 - organic) * HEAT_OF_MINERAL_J_M3_K)
    return HeatGrid(np.array(depths), nodes, porosity, solid, dry, wet)


def _mean_over_node(column: Column) -> FloatArray:
    """Porosity, organic share and dry and wet conductivity of the ground each node stands for, shape (4, node)."""
    values = np.array(
        [
            (m.theta_s, m.organic_share, m.heat_conductivity_dry_w_m_k, m.heat_conductivity_wet_w_m_k)
            for m in column.materials
        ]
    )
    half = 0.5 * column.length_m * values[column.link_material].T  # a break has length 0
    total = np.zeros((values.shape[1], column.depth_m.size))
    total[:, :-1] += half
    total[:, 1:] += half
    return total / node_volume_m(column)


def properties(content: FloatArray, levels: HeatGrid) -> tuple[FloatArray, FloatArray]:
    """Return the heat capacity at the levels and conductivity of the links between them.

    Parameters
    ----------
    content : ndarray, shape (node,)
        Water content at the nodes of the column. [m3 m-3]

    Returns
    -------
    capacity : ndarray, shape (level,)
        [J m-3 K-1]
    conductivity : ndarray, shape (level - 1,)
        [W m-1 K-1] From dry to wet with the square root of saturation (ours; the shape is near Johansen's).
    """
    at = content[levels.node]
    capacity = at * HEAT_OF_WATER_J_M3_K + levels.solid_capacity_j_m3_k
    saturation = np.minimum(at / levels.porosity, 1.0)
    here = levels.dry_w_m_k + (levels.wet_w_m_k - levels.dry_w_m_k) * np.sqrt(saturation)
    return capacity, 2.0 * here[:-1] * here[1:] / (here[:-1] + here[1:])


def conduct(
    levels: HeatGrid,
    temperature_degc: FloatArray,
    capacity: FloatArray,
    conductivity: FloatArray,
    *,
    surface_first_degc: float,
    surface_last_degc: float,
    duration_s: float,
) -> FloatArray:
    """Return temperatures after `duration_s`, the surface going in a straight line from first to last value.

    Parameters
    ----------
    levels : HeatGrid
    temperature_degc, capacity : ndarray, shape (level,)
        [degC], [J m-3 K-1]
    conductivity : ndarray, shape (level - 1,)
        [W m-1 K-1]

    Returns
    -------
    ndarray, shape (level,)
        [degC]
    """
    steps = max(1, math.ceil(duration_s / 900.0))  # a quarter hour: a hundredth of a day's wave
    return kernels.conduct_heat(
        temperature_degc.copy(), levels.depth_m, capacity, conductivity,
        float(surface_first_degc), float(surface_last_degc), float(duration_s), steps,
    )  # fmt: skip
