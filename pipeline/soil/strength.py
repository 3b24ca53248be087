"""How hard the ground is to roots: pushes of a cone made into a profile, stones left out.

Cone index is in kPa: force over the base area of a 30 degree cone (ASAE S313.3). The same soil reads several times
harder dry than drained, so a profile is stored with the wetness of its day, and dry ground gets no verdict.
"""

import numpy as np
import numpy.typing as npt

from pipeline.texts import say
from pipeline.units import BoolArray, FloatArray

ROOT_LIMIT_KPA = 2000.0  # the usual line; 2500 in others: Taylor, Roberson & Parker 1966, Soil Sci. 102, from memory
FEWEST_PUSHES = 5  # per spot: common practice, no source
STONE_RATIO = 3.0  # common practice, no source
STONE_FLOOR_KPA = 500.0  # below it a ratio means little: common practice, no source
LEAST_WETNESS = 0.5  # relative wetness of the root zone below which no verdict stands: common practice, no source


def on_depths(depth_m: npt.ArrayLike, cone_index_kpa: npt.ArrayLike, grid_m: npt.ArrayLike) -> FloatArray:
    """Bring one stroke onto common depths.

    Parameters
    ----------
    depth_m, cone_index_kpa : array_like, shape (step,)
        As pushed: depth positive down, not necessarily rising, and cone index. [m], [kPa]
    grid_m : array_like, shape (depth,)
        Depths wanted, rising: every 5 mm to 40 mm, every 10 mm below (common practice). [m]

    Returns
    -------
    ndarray, shape (depth,)
        [kPa] Linear between steps; NaN above the first and below the last.
    """
    depth, value = np.asarray(depth_m, dtype=np.float64), np.asarray(cone_index_kpa, dtype=np.float64)
    grid = np.asarray(grid_m, dtype=np.float64)
    good = np.isfinite(depth) & np.isfinite(value)
    if not good.any():
        return np.full(grid.shape, np.nan)
    # The hand lifts a little now and then: the hardest reading at a depth is the one made going down.
    order = np.lexsort((-value[good], depth[good]))
    depth, value = depth[good][order], value[good][order]
    first = np.concatenate([[True], np.diff(depth) > 0.0])
    found = np.interp(grid, depth[first], value[first], left=np.nan, right=np.nan)
    return np.asarray(found, dtype=np.float64)


def stones(cone_index_kpa: npt.ArrayLike) -> BoolArray:
    """Mark readings that met a stone.

    Parameters
    ----------
    cone_index_kpa : array_like, shape (push, depth)
        Pushes of one spot on common depths. [kPa]

    Returns
    -------
    ndarray of bool, shape (push, depth)
        True above 500 kPa and more than 3 times its neighbours: the median of the other pushes at that
        depth when there are two or more, else the harder of the depths above and below. A pan shows in
        every push and is kept.
    """
    value = np.asarray(cone_index_kpa, dtype=np.float64)
    by_push = np.full(value.shape, np.nan)
    for i in range(value.shape[0]):
        others = np.delete(value, i, axis=0)
        enough = np.isfinite(others).sum(axis=0) >= 2
        if enough.any():
            by_push[i, enough] = np.nanmedian(others[:, enough], axis=0)
    padded = np.pad(np.where(np.isfinite(value), value, -np.inf), ((0, 0), (1, 1)), constant_values=-np.inf)
    by_depth = np.maximum(padded[:, :-2], padded[:, 2:])
    neighbour = np.where(np.isfinite(by_push), by_push, np.where(np.isfinite(by_depth), by_depth, np.nan))
    return (value > STONE_RATIO * neighbour) & (value > STONE_FLOOR_KPA)


def median_profile(
    cone_index_kpa: npt.ArrayLike, *, fewest_pushes: int = FEWEST_PUSHES
) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """Return the profile of a spot: the median over pushes, stones left out.

    Parameters
    ----------
    cone_index_kpa : array_like, shape (push, depth)
        [kPa] NaN where a push did not reach.
    fewest_pushes : int
        Good readings needed at a depth.

    Returns
    -------
    median : ndarray, shape (depth,)
        [kPa] NaN where too few pushes count.
    count : ndarray of int, shape (depth,)
        Pushes behind each depth. [1]
    """
    value = np.asarray(cone_index_kpa, dtype=np.float64)
    kept = np.where(stones(value), np.nan, value)
    count = np.isfinite(kept).sum(axis=0)
    median = np.full(value.shape[1], np.nan)
    enough = count >= max(fewest_pushes, 1)
    if enough.any():
        median[enough] = np.nanmedian(kept[:, enough], axis=0)
    return median, np.asarray(count, dtype=np.int64)


def depth_to_limit_m(depth_m: npt.ArrayLike, cone_index_kpa: npt.ArrayLike) -> float:
    """Return the depth at which a profile first reaches the strength that stops roots.

    Parameters
    ----------
    depth_m, cone_index_kpa : array_like, shape (depth,)
        A profile, depth rising. [m], [kPa]

    Returns
    -------
    float
        [m] Linear between depths; infinity when the profile never reaches it ("deeper than the deepest
        reading"); NaN when the profile holds no reading.
    """
    depth, value = np.asarray(depth_m, dtype=np.float64), np.asarray(cone_index_kpa, dtype=np.float64)
    good = np.isfinite(depth) & np.isfinite(value)
    depth, value = depth[good], value[good]
    if value.size == 0:
        return float("nan")
    over = np.flatnonzero(value >= ROOT_LIMIT_KPA)
    if over.size == 0:
        return float("inf")
    i = int(over[0])
    if i == 0:
        return float(depth[0])
    share = (ROOT_LIMIT_KPA - value[i - 1]) / (value[i] - value[i - 1])
    return float(depth[i - 1] + share * (depth[i] - depth[i - 1]))


def why_no_verdict(cone_index_kpa: float, root_zone_wetness: float, *, in_preparation: bool = False) -> str:
    """Return why a cone index says nothing of roots.

    Parameters
    ----------
    cone_index_kpa : float
        Median of the pushes. [kPa] NaN where too few were good.
    root_zone_wetness : float
        Relative wetness when pushed: 0 at the driest trusted reading, 1 at the drained limit. [1] NaN: not known.
    in_preparation : bool
        The square is being prepared: from 14 days before play to the end of the match.

    Returns
    -------
    str
        Empty when it speaks of roots. Common practice, no source.
    """
    if in_preparation:
        return say("the pitch is in preparation: strength is wanted there")
    if not np.isfinite(cone_index_kpa):
        return say("too few good pushes")
    if not np.isfinite(root_zone_wetness):
        return say("the wetness at the time of the pushes is not known")
    if root_zone_wetness < LEAST_WETNESS:
        return say("the ground was too dry: dry soil is hard without being dense")
    return ""
