"""From uptake by layer to the depth above which a share of it lies.

A layer's total says nothing of where in the layer the roots drank. For a rooting depth the density is taken as
continuous from layer to layer, each layer keeping its total: roots thin out with depth, they do not stop at the line
half-way between two probes. This module knows no days and no doubt; `roots` does.
"""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

TAIL_GAPS = 3.0  # below the deepest channel uptake thins out over this many gaps at most: our own choice
_HALVINGS = 30  # of a layer, to find a depth within it: to a millionth of a millimetre


def layer_bounds_m(depth_m: npt.ArrayLike, top_m: float) -> FloatArray:
    """Bounds of the layers that the channels stand for: half-way between neighbours.

    Parameters
    ----------
    depth_m : array_like, shape (depth,)
        Of the channels, positive down, rising. [m]
    top_m : float
        Upper bound of the first layer: 0, or the base of the thatch. [m]

    Returns
    -------
    ndarray, shape (depth + 1,)
        [m] The last layer reaches as far below its channel as above it.
    """
    depth = np.asarray(depth_m, dtype=np.float64)
    between = 0.5 * (depth[1:] + depth[:-1])
    first_below = between[-1] if between.size else top_m
    return np.concatenate([[top_m], between, [depth[-1] + (depth[-1] - first_below)]])


def depth_above_which_m(uptake_by_layer: npt.ArrayLike, bounds_m: npt.ArrayLike, share: float) -> float:
    """Depth above which a share of the uptake lies.

    Parameters
    ----------
    uptake_by_layer : array_like, shape (layer,)
        Water drawn from each layer; negative counts as none. [mm] or any one unit
    bounds_m : array_like, shape (layer + 1,)
        [m] Rising.
    share : float
        0 to 1. [1]

    Returns
    -------
    float
        [m] The running sum is taken as straight within a layer. NaN when nothing was drawn.
    """
    water = np.maximum(np.asarray(uptake_by_layer, dtype=np.float64), 0.0)
    running = np.concatenate([[0.0], np.cumsum(water)])
    if not running[-1] > 0.0:
        return float("nan")
    layer = min(int((running[1:] < share * running[-1] * (1.0 - 1e-12)).sum()), water.size - 1)
    into = (share * running[-1] - running[layer]) / water[layer] if water[layer] > 0.0 else 0.0
    edge = np.asarray(bounds_m, dtype=np.float64)
    return float(edge[layer] + into * (edge[layer + 1] - edge[layer]))


def smooth_depths_m(uptake_by_layer: npt.ArrayLike, bounds_m: npt.ArrayLike, share: float) -> FloatArray:
    """Depth above which a share of the uptake lies, in many profiles, with a density that is continuous.

    Parameters
    ----------
    uptake_by_layer : array_like, shape (profile, layer)
        At least two layers; negative counts as none. [mm] or any one unit
    bounds_m : array_like, shape (profile, layer + 1)
        [m] Rising.
    share : float
        0 to 1. [1]

    Returns
    -------
    ndarray, shape (profile,)
        [m] NaN when nothing was drawn. Each layer keeps its total; no density is negative.

    References
    ----------
    Monotone cubic of the running sum: Fritsch & Butland 1984, SIAM J. Sci. Stat. Comput. 5, 300-304 (from memory).
    """
    water = np.maximum(np.asarray(uptake_by_layer, dtype=np.float64), 0.0)
    edge = np.asarray(bounds_m, dtype=np.float64)
    height, running = np.diff(edge, axis=1), np.cumsum(water, axis=1)
    total = running[:, -1]
    density = _density_at_bounds(water / height, height)
    row = np.arange(water.shape[0])
    layer = (running < (share * total * (1.0 - 1e-12))[:, np.newaxis]).sum(axis=1).clip(max=water.shape[1] - 1)
    inside, high = water[row, layer], height[row, layer]
    wanted = share * total - (running[row, layer] - inside)
    upper, lower = density[row, layer] * high, density[row, layer + 1] * high
    low, top = np.zeros(row.size), np.ones(row.size)
    for _ in range(_HALVINGS):
        t = 0.5 * (low + top)
        above = inside * t * t * (3.0 - 2.0 * t) + upper * t * (1.0 - t) ** 2 - lower * t * t * (1.0 - t)
        low, top = np.where(above < wanted, t, low), np.where(above < wanted, top, t)
    return np.where(total > 0.0, edge[row, layer] + 0.5 * (low + top) * high, np.nan)


def _density_at_bounds(density: FloatArray, height: FloatArray) -> FloatArray:
    """Density at the bounds of the layers: harmonic between two, run on above the first, none below the last."""
    found = np.zeros((density.shape[0], density.shape[1] + 1))
    above, below = density[:, :-1], density[:, 1:]
    first, second = 2.0 * height[:, 1:] + height[:, :-1], height[:, 1:] + 2.0 * height[:, :-1]
    both = (above > 0.0) & (below > 0.0)
    shared = first / np.where(both, above, 1.0) + second / np.where(both, below, 1.0)
    found[:, 1:-1] = np.where(both, (first + second) / shared, 0.0)
    slope = (density[:, 0] - density[:, 1]) * height[:, 0] / (height[:, 0] + height[:, 1])
    found[:, 0] = np.clip(density[:, 0] + slope, 0.0, 3.0 * density[:, 0])
    return found


def with_tail(
    drawn: FloatArray, edges: FloatArray, depth: FloatArray, *, share: npt.ArrayLike = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Add a layer below the last for the roots no channel sees: the two lowest channels' decline, run on.

    Parameters
    ----------
    drawn : ndarray, shape (profile, layer)
        At least two layers. [mm] or any one unit
    edges : ndarray, shape (profile, layer + 1)
        Their bounds, rising. [m]
    depth : ndarray, shape (layer,)
        Of the channels. [m]
    share : array_like, shape (profile,) or scalar
        Of what the decline would hold: below the deepest channel roots may end at once. [1] 0 to 1.

    Returns
    -------
    drawn, edges : ndarray
        With one layer more.
    """
    density = np.maximum(drawn, 0.0) / np.diff(edges, axis=1)
    lowest = np.maximum(density[:, -1], 1e-12)
    decline = np.log(np.maximum(density[:, -2] / lowest, np.exp(1.0 / TAIL_GAPS)))
    length = (depth[-1] - depth[-2]) / decline
    beyond = density[:, -1] * length * np.exp(-(edges[:, -1] - depth[-1]) / length) * np.asarray(share)
    deeper = edges[:, -1] + 2.0 * length
    return np.column_stack([drawn, beyond]), np.column_stack([edges, deeper])
