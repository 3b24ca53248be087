"""Media, the place of a probe, water stored in thatch and root zone, and relative wetness between dry and drained.

Depths count from the leaf base; what lies above the thatch's underside is thatch, the rest is soil, whose own depth is
counted from there. A probe that senses more than thatch says nothing of thatch, and is told apart as mixed. A layer is
unknown when any reading it rests on is. Storage and wetness are arithmetic; ranges of media name their status.
"""

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np
import numpy.typing as npt

from pipeline.texts import later
from pipeline.units import QUARTER_HOUR_MS, FloatArray, TimeArray

Range = tuple[float, float]


_WORKING = (
    "working range, common practice or from memory, no source; porosity from bulk density and particle density; "
    "replace by site readings"
)


@dataclass(frozen=True, slots=True)
class Medium:
    """One kind of thatch or soil; every range is (low, high).

    Attributes
    ----------
    name, title : str
        As written in the configuration, and in words.
    bulk_density_g_cm3 : (float, float)
        Dry. [g cm-3]
    porosity : (float, float)
        Pore volume over total volume. [m3 m-3]
    saturated, drained, wilting : (float, float)
        Water content with the pores as full as they get in the field, at -10 kPa (or as the note says), and at
        -1500 kPa. [m3 m-3]
    is_thatch : bool
        Thatch or mat, lying above the soil.
    status : str
        What stands behind the row.
    """

    name: str
    title: str
    bulk_density_g_cm3: Range
    porosity: Range
    saturated: Range
    drained: Range
    wilting: Range
    is_thatch: bool = False
    status: str = _WORKING

    @property
    def dry_prior(self) -> float:
        """Dry limit to start from: the middle of the wilting range. [m3 m-3]"""
        return middle(self.wilting)

    @property
    def drained_prior(self) -> float:
        """Drained limit to start from: the middle of the drained range. [m3 m-3]"""
        return middle(self.drained)

    @property
    def fullest(self) -> float:
        """Most water the medium can hold: the upper end of porosity and of saturation. [m3 m-3]"""
        return max(self.porosity[1], self.saturated[1])


def middle(limits: Range) -> float:
    """Return the middle of a range.

    Parameters
    ----------
    limits : (low, high)
        [any unit]

    Returns
    -------
    float
        [unit of `limits`]
    """
    return (limits[0] + limits[1]) / 2.0


_TABLE = (
    Medium(
        "raw_thatch", later("raw thatch"),
        (0.10, 0.25), (0.87, 0.93), (0.75, 0.88), (0.15, 0.35), (0.05, 0.12),
        is_thatch=True, status=_WORKING + "; drains fast, may repel",
    ),
    Medium(
        "decayed_thatch", later("decayed thatch"),
        (0.25, 0.60), (0.74, 0.87), (0.65, 0.80), (0.35, 0.55), (0.12, 0.22),
        is_thatch=True, status=_WORKING + "; the sponge",
    ),
    Medium(
        "mat", later("mat diluted with sand"),
        (0.9, 1.2), (0.53, 0.63), (0.45, 0.58), (0.25, 0.40), (0.06, 0.12), is_thatch=True,
    ),
    Medium(
        "sand", later("sand root zone"),
        (1.4, 1.6), (0.35, 0.55), (0.35, 0.45), (0.15, 0.25), (0.02, 0.05),
        status="porosity and drained water as in the USGA putting green specification, where drained "
        "means held at 300 mm suction (about 0.08 to 0.15 at -10 kPa, common practice); the rest is a " + _WORKING,
    ),
    Medium(
        "sandy_loam", later("sandy loam"),
        (1.3, 1.5), (0.43, 0.50), (0.40, 0.46), (0.18, 0.28), (0.06, 0.16),
        status="drained and wilting from memory of FAO-56 Table 19; the rest is a " + _WORKING,
    ),
    Medium(
        "loam", later("loam"),
        (1.25, 1.45), (0.45, 0.52), (0.42, 0.48), (0.20, 0.30), (0.07, 0.17),
        status="drained and wilting from memory of FAO-56 Table 19; the rest is a " + _WORKING,
    ),
    Medium(
        "clay_loam", later("cricket clay loam, unrolled"),
        (1.20, 1.20), (0.52, 0.52), (0.48, 0.52), (0.34, 0.40), (0.20, 0.24),
        status=_WORKING + "; cracks",
    ),
    Medium(
        "club_clay_loam", later("cricket clay loam, club pitch"),
        (1.55, 1.55), (0.38, 0.38), (0.36, 0.40), (0.30, 0.36), (0.18, 0.24),
    ),
    Medium(
        "first_class_clay_loam", later("cricket clay loam, first-class pitch"),
        (1.8, 1.9), (0.25, 0.29), (0.25, 0.30), (0.22, 0.28), (0.16, 0.22),
    ),
    Medium(
        "organic_topsoil", later("organic topsoil, a fifth of it organic"),
        (0.57, 0.91), (0.60, 0.75), (0.55, 0.72), (0.34, 0.54), (0.12, 0.24),
    ),
    Medium(
        "peat", later("peaty topsoil"),
        (0.30, 0.50), (0.75, 0.85), (0.70, 0.80), (0.50, 0.68), (0.14, 0.34),
        status="drained and wilting hold the sandy and the clayey peat (B16, B18) of the Staring series 2018; the rest "
        "is a " + _WORKING,
    ),
)  # fmt: skip

MEDIA: Mapping[str, Medium] = {medium.name: medium for medium in _TABLE}


def medium(name: str) -> Medium:
    """Return the medium of that name.

    Parameters
    ----------
    name : str
        A key of `MEDIA`.

    Returns
    -------
    Medium

    Raises
    ------
    KeyError
        With the names there are, and the nearest.
    """
    if name not in MEDIA:
        near = difflib.get_close_matches(name, MEDIA, 1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        raise KeyError(f"medium: found {name!r}, expected one of {', '.join(MEDIA)}.{hint}")
    return MEDIA[name]


def with_porosity(medium: Medium, porosity: float | None) -> Medium:
    """Return a medium whose share of pores was measured.

    Parameters
    ----------
    medium : Medium
    porosity : float or None
        [m3 m-3] None leaves the medium as it is.

    Returns
    -------
    Medium
        As full as it gets in the field keeps its share of the pores; drained and wilting stay where there is room.
        Our own choice.
    """
    if porosity is None:
        return medium
    share = porosity / middle(medium.porosity)
    ranges = (tuple(min(one, porosity) for one in limits) for limits in (medium.drained, medium.wilting))
    drained, wilting = ((low, high) for low, high in ranges)
    saturated = min(medium.saturated[0] * share, porosity), min(medium.saturated[1] * share, porosity)
    return replace(medium, porosity=(porosity, porosity), saturated=saturated, drained=drained, wilting=wilting)


CELL_MS = QUARTER_HOUR_MS  # layers are worked out once in each of these, on the quarter hours
CARRY_CELLS = 4  # a channel read more seldom than the others stands for one hour: common practice, no source
OWN_SHARE = 0.75  # share of the sensing volume that must lie in one layer: common practice, no source


class Place(Enum):
    """What a probe's sensing volume lies in."""

    THATCH = "thatch"
    MIXED = "mixed"
    SOIL = "soil"


def thatch_thickness_m(at_ms: npt.ArrayLike, core_ms: npt.ArrayLike, core_thatch_m: npt.ArrayLike) -> FloatArray:
    """Return the thatch thickness at each time, from dated cores.

    Parameters
    ----------
    at_ms : array_like of int, shape (n,)
        [ms since 1970, UTC]
    core_ms, core_thatch_m : array_like, shape (m,)
        Dates, increasing [ms], and thickness. [m]

    Returns
    -------
    ndarray, shape (n,)
        That of the last core; before the first, that of the first, since thatch grows by millimetres a year. [m] NaN
        without cores.
    """
    at, dates = np.asarray(at_ms, dtype=np.int64), np.asarray(core_ms, dtype=np.int64)
    thickness = np.asarray(core_thatch_m, dtype=np.float64)
    if dates.size == 0:
        return np.full(at.shape, np.nan)
    return np.asarray(thickness[np.maximum(np.searchsorted(dates, at, side="right") - 1, 0)], dtype=np.float64)


def depth_now_m(depth_m: float, at_ms: int, buried_ms: npt.ArrayLike, buried_m: npt.ArrayLike) -> float:
    """Return the depth of a sensor below the leaf base after the dressings laid over it since it was measured.

    Parameters
    ----------
    depth_m : float
        As installed. [m]
    at_ms : int
        [ms since 1970, UTC]
    buried_ms, buried_m : array_like, shape (n,)
        Dates of dressings [ms] and what each added above the sensor. [m]

    Returns
    -------
    float
        [m]
    """
    since = np.asarray(buried_ms, dtype=np.int64) <= at_ms
    return depth_m + float(np.sum(np.asarray(buried_m, dtype=np.float64)[since]))


def place(depth_m: float, sensing_height_m: float, thatch_m: float) -> Place:
    """Say what a sensing volume lies in.

    Parameters
    ----------
    depth_m : float
        Middle of the sensing volume below the leaf base, positive down. [m]
    sensing_height_m : float
        Height of the sensing volume; 0 takes it as a point. [m]
    thatch_m : float
        Thatch thickness. [m] NaN, not known, is taken as no thatch.

    Returns
    -------
    Place
        MIXED when it touches thatch thinner than itself, or less than three quarters of it (common practice, no source)
        lie in the layer of its middle; air above the leaf base counts as foreign.
    """
    if np.isnan(thatch_m) or thatch_m <= 0.0:
        return Place.SOIL
    middle_in_thatch = depth_m < thatch_m
    if sensing_height_m <= 0.0:
        return Place.THATCH if middle_in_thatch else Place.SOIL
    top, bottom = depth_m - sensing_height_m / 2.0, depth_m + sensing_height_m / 2.0
    in_thatch = min(bottom, thatch_m) - max(top, 0.0)
    in_soil = bottom - max(top, thatch_m)
    if in_thatch <= 0.0:
        return Place.SOIL
    own = (in_thatch if middle_in_thatch else in_soil) / sensing_height_m
    # the slack lets a share of exactly three quarters pass whatever the last bit of the division
    if sensing_height_m > thatch_m or own < OWN_SHARE - 1e-9:
        return Place.MIXED
    return Place.THATCH if middle_in_thatch else Place.SOIL


def layer_weights_m(depth_m: npt.ArrayLike, bottom_m: float) -> FloatArray:
    """Return the thickness of soil each sensor stands for: storage is the sum of contents weighted by it.

    Water content runs straight from sensor to sensor, and is that of the end sensor above the first and below the last:
    the trapezoid rule, which between sensors is also the rule of layers cut half-way.

    Parameters
    ----------
    depth_m : array_like, shape (n,)
        Soil depths of the sensors, positive down, increasing. [m]
    bottom_m : float
        Lower end of the layer, which begins at 0. [m]

    Returns
    -------
    ndarray, shape (n,)
        Weights, 0 or more, adding up to `bottom_m`. [m] A sensor below the bottom counts only if it helps to find the
        water content between the last one above and the bottom. Empty without sensors.

    Raises
    ------
    ValueError
        When depths do not increase.
    """
    z = np.asarray(depth_m, dtype=np.float64)
    if z.size == 0:
        return z
    if np.any(np.diff(z) <= 0.0) or z[0] < 0.0:
        raise ValueError(f"sensor depths: found {z.tolist()}, expected soil depths that increase from 0 or more")
    weights = np.zeros(z.size)
    weights[0] += min(z[0], bottom_m)
    for i in range(z.size - 1):
        end = min(z[i + 1], bottom_m)
        if end <= z[i]:
            break
        length = end - z[i]
        far = length**2 / (2.0 * (z[i + 1] - z[i]))
        weights[i] += length - far
        weights[i + 1] += far
    weights[-1] += max(bottom_m - z[-1], 0.0)
    return weights


def storage_mm(theta: FloatArray, weights_m: FloatArray) -> FloatArray:
    """Return the water in a layer.

    Parameters
    ----------
    theta : ndarray, shape (time, sensor)
        Water content. [m3 m-3] NaN where not good.
    weights_m : ndarray, shape (sensor,)
        See `layer_weights_m`. [m]

    Returns
    -------
    ndarray, shape (time,)
        [mm] NaN where any sensor with a weight is NaN, or no sensor has one.
    """
    return _weighted(theta, weights_m) * 1000.0


def wetness(theta: npt.ArrayLike, dry: npt.ArrayLike, drained: npt.ArrayLike) -> FloatArray:
    """Return the relative wetness: 0 at the dry limit, 1 at the drained limit, more when wetter.

    Parameters
    ----------
    theta : array_like
        Water content. [m3 m-3]
    dry, drained : array_like, broadcast with `theta`
        Limits of the channel. [m3 m-3]

    Returns
    -------
    ndarray, broadcast shape
        (theta - dry) / (drained - dry), not clipped. [1] NaN where the drained limit is not above the dry one.
    """
    low, high = np.asarray(dry, dtype=np.float64), np.asarray(drained, dtype=np.float64)
    span = np.where(high > low, high - low, np.nan)
    return np.asarray((np.asarray(theta, dtype=np.float64) - low) / span, dtype=np.float64)


def wetness_bounds(
    theta: npt.ArrayLike, dry: tuple[npt.ArrayLike, npt.ArrayLike], drained: tuple[npt.ArrayLike, npt.ArrayLike]
) -> tuple[FloatArray, FloatArray]:
    """Return the lowest and highest wetness that limits anywhere in their ranges allow.

    Parameters
    ----------
    theta : array_like
        Water content. [m3 m-3]
    dry, drained : pair of array_like
        Low and high end of each limit. [m3 m-3]

    Returns
    -------
    low, high : ndarray
        [1] NaN where the ranges overlap, so that no bound can be given.
    """
    # wetness runs one way in each limit while the other stands, so its extremes are at the corners
    corners = np.stack(np.broadcast_arrays(*(wetness(theta, d, f) for d in dry for f in drained)))
    return corners.min(axis=0), corners.max(axis=0)


def mean_wetness(each: FloatArray, weights_m: FloatArray) -> FloatArray:
    """Return the wetness of a layer from that of its sensors, weighted by the soil each stands for.

    Parameters
    ----------
    each : ndarray, shape (time, sensor)
        [1]
    weights_m : ndarray, shape (sensor,)
        [m]

    Returns
    -------
    ndarray, shape (time,)
        [1] NaN where any sensor with a weight is NaN, or no sensor has one.
    """
    total = float(np.sum(weights_m))
    return _weighted(each, weights_m) / total if total > 0.0 else np.full(each.shape[0], np.nan)


def _weighted(values: FloatArray, weights: FloatArray) -> FloatArray:
    total = np.zeros(values.shape[0])
    used = np.flatnonzero(weights > 0.0)
    # column by column: the order of the sum, and so its last bit, does not depend on how many rows there are
    for i in used:
        total += values[:, i] * weights[i]
    if used.size == 0:
        total[:] = np.nan
    return total


def air_filled_porosity(theta: npt.ArrayLike, porosity: npt.ArrayLike) -> FloatArray:
    """Return the pore space that holds air.

    Parameters
    ----------
    theta : array_like, any shape
        Water content. [m3 m-3]
    porosity : array_like, broadcasts with `theta`
        [m3 m-3]

    Returns
    -------
    ndarray, broadcast shape
        Porosity less water, not below 0. [m3 m-3]
    """
    air = np.asarray(porosity, dtype=np.float64) - np.asarray(theta, dtype=np.float64)
    return np.asarray(np.maximum(air, 0.0), dtype=np.float64)


def first_of_each(numbers: npt.NDArray[np.int64]) -> npt.NDArray[np.intp]:
    """Return where each value of a sorted column stands first. Arithmetic.

    Parameters
    ----------
    numbers : ndarray of int64, shape (n,)
        Not decreasing. [any unit]

    Returns
    -------
    ndarray of int, shape (different values,)
        Index. [1]
    """
    return np.flatnonzero(np.concatenate([numbers[:1] == numbers[:1], numbers[1:] != numbers[:-1]]))


def on_cells(cells: npt.NDArray[np.int64], time_ms: TimeArray, value: FloatArray) -> FloatArray:
    """Return the value of a channel in each cell of time.

    Parameters
    ----------
    cells : ndarray of int64, shape (n,)
        Numbers of the cells wanted, increasing: time // `CELL_MS`. [1]
    time_ms, value : ndarray, shape (m,)
        Times, increasing [ms], and values [any unit], NaN where heard but not good.

    Returns
    -------
    ndarray, shape (n,)
        First good value of the cell. [unit of `value`] NaN where every row of the cell is bad, and until the next
        good one. Without any row the value before stands for `CARRY_CELLS`: the channel is read more seldom.
    """
    if time_ms.size == 0:
        return np.full(cells.shape, np.nan)
    row_cells = time_ms // CELL_MS
    heard = row_cells[first_of_each(row_cells)]
    good = np.isfinite(value)
    good_cells = row_cells[good]
    first = first_of_each(good_cells)
    known = np.full(heard.size, np.nan)
    known[np.searchsorted(heard, good_cells[first])] = value[good][first]
    last = np.searchsorted(heard, cells, side="right") - 1
    taken = known[np.maximum(last, 0)]
    taken[(last < 0) | (cells - heard[np.maximum(last, 0)] > CARRY_CELLS)] = np.nan
    return np.asarray(taken, dtype=np.float64)
