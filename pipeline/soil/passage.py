"""Share of a wetting that passed the thatch, told from below and from above, and the chance that it failed to.

From below: what the soil gained until the rain was over and nothing stood on the thatch, what left it meanwhile, and
what the thatch let go from then on until the account ends. It does not see water past the deepest probe; how much
that was is judged by how fast ground as wet as this loses water when none comes. From above: what was given less what
leaf and thatch kept and lost to the air. It does not see run-off, which is likely where the thatch stood full or was
dry enough to repel. Each is a likelihood of the depth that passed, open on the side on which it is blind, and their
product is the answer. Bounds and errors: common practice, no source, or our own choice.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from pipeline.soil.estimate import Estimate, withheld
from pipeline.soil.layers import CELL_MS, Medium
from pipeline.texts import later, say
from pipeline.units import DAY_MS, HOUR_MS, FloatArray

NO_READING_BEFORE = later("no good reading before the water")
NO_READING_AFTER = later("no good reading after the water")

FAILED = 0.6  # a wetting of which less passed the thatch failed to reach the roots: our own choice
LEAF_MM, LEAF_ERROR_MM = 1.0, 0.3  # what the leaves hold: 0.5 to 2 mm, common practice, no source
CROP = 0.85  # evapotranspiration of turf over the reference: 0.8 to 0.95, common practice
FROM_THATCH, FROM_SOIL = 0.3, 0.6  # shares of what the leaves do not give: our own choice; the rest is from deeper
EVAPORATION_ERROR, GUESS_ERROR = 0.3, 1.0  # standard deviation of either, of its own: our own choice
USUAL_MM_D = 2.0  # reference evapotranspiration of a day with rain where it is not known: 1 to 3, common practice
ONE_PROBE_MM = 0.3  # one probe stands for thatch that is not equally wet from top to base: our own choice
FULL = 0.9  # thatch stands full from this share of the least it holds saturated: a probe's slope is a tenth off
POND_GONE = 0.02  # m3/m3 under its fullest, twice what a good probe wavers: nothing stands on it any more
RUN_OFF_FULL, RUN_OFF_DRY, RUN_OFF = 0.9, 0.3, 0.05  # chance that some ran off, by the thatch: our own choice
FLOW_CELLS = 8  # two hours, in which a good probe's storage falls by more than its noise where water moves
SETTLING_CELLS = 24  # six hours, in which a front reaches the next probe: common practice, no source
SEEPS_MM, FELT_MM = 0.2, 1.0  # water past the deepest probe that nothing shows, and where it felt it: our own choice
FLOW_ERROR = 1.5  # scale of what passed it over what was worked out: our own choice
LONGEST_GAP = round(6 * HOUR_MS / CELL_MS)  # cells over which a straight line may run: common practice, no source
GRID, REACH = 401, 4.0  # depths at which both likelihoods are held together, so many deviations beyond either


@dataclass(frozen=True)
class ThatchRead:
    """The thatch as its probe tells it.

    Attributes
    ----------
    water_mm : ndarray, shape (time,)
        Its water on the cells of the profile. [mm] NaN where not good.
    thickness_m : float
        [m] Above 0.
    made_of : Medium
    """

    water_mm: FloatArray
    thickness_m: float
    made_of: Medium


@dataclass(frozen=True)
class SurfaceWater:
    """What came down and what the air asked for, in each cell of the profile.

    Attributes
    ----------
    water_mm : ndarray, shape (time,)
        Rain and watering. [mm]
    evaporation_mm : ndarray, shape (time,)
        Reference evapotranspiration. [mm] NaN where not known.
    """

    water_mm: FloatArray
    evaporation_mm: FloatArray


@dataclass(frozen=True)
class _Air:
    """What the air took in each cell, and what was left on the leaves at its end. [mm]"""

    leaf_mm: FloatArray
    thatch_mm: FloatArray
    soil_mm: FloatArray
    left_on_leaf_mm: FloatArray
    known: bool

    def error_mm(self, taken_mm: float) -> float:
        return (EVAPORATION_ERROR if self.known else GUESS_ERROR) * taken_mm


@dataclass(frozen=True)
class WettingCourse:
    """A wetting from the day before it to the end of its account, on the cells of the profile.

    Attributes
    ----------
    soil_mm, deepest : ndarray, shape (time,)
        Water down to the deepest probe [mm], and content there. [m3 m-3] Straight lines over short gaps.
    thatch_mm : ndarray, shape (time,), or None
        None where it is not read. [mm]
    thatch : ThatchRead or None
    water_mm : ndarray, shape (time,)
        Rain and watering in each cell. [mm]
    air : _Air
    before, rained : int
        Cell of the last reading before the water, and first after the last water. [1]
    soil_before_mm, thatch_before_mm : float
        [mm] NaN where not read.
    """

    soil_mm: FloatArray
    deepest: FloatArray
    thatch_mm: FloatArray | None
    thatch: ThatchRead | None
    water_mm: FloatArray
    air: _Air
    before: int
    rained: int
    soil_before_mm: float
    thatch_before_mm: float

    @cached_property
    def thatch_after_mm(self) -> float:
        """What the thatch holds in the end. [mm] NaN where not read."""
        return np.nan if self.thatch_mm is None else last_good(self.thatch_mm[self.rained :])

    @cached_property
    def content(self) -> FloatArray:
        """Content of the thatch from the last reading before on. [m3 m-3] Empty where it is not read."""
        if self.thatch_mm is None or self.thatch is None:
            return np.empty(0)
        return self.thatch_mm[self.before :] / (1000.0 * self.thatch.thickness_m)

    @cached_property
    def stood_full(self) -> bool:
        """Whether the thatch stood so full that water may have stood on it and run off."""
        return self.thatch is not None and bool((self.content >= FULL * self.thatch.made_of.saturated[0]).any())

    @cached_property
    def settled(self) -> int:
        """First cell after the last water in which none stands on the thatch; where nobody reads the thatch, that in
        which the soil holds most. [1]"""
        if self.thatch_mm is None:
            after = self.soil_mm[self.rained :]
            return self.rained + (int(np.nanargmax(after)) if np.isfinite(after).any() else 0)
        if not self.stood_full:
            return self.rained
        gone = np.flatnonzero(self.content[self.rained - self.before :] <= np.nanmax(self.content) - POND_GONE)
        return self.rained + int(gone[0]) if gone.size else self.soil_mm.size - 1


@dataclass(frozen=True, slots=True)
class OneWay:
    """What passed, told from one side.

    Attributes
    ----------
    value, deviation : float
        [mm] NaN where withheld.
    unseen : float
        From below the scale of what may have passed beside it [mm], from above the chance that some ran off. [1]
    reason : str
        Why it is withheld.
    """

    value: float
    deviation: float
    unseen: float
    reason: str = ""


def course_of(
    soil_mm: FloatArray,
    deepest: FloatArray,
    thatch: ThatchRead | None,
    surface: SurfaceWater,
    *,
    before: slice,
    rained: int,
    last: int,
) -> WettingCourse:
    """Return the course of a wetting.

    Parameters
    ----------
    soil_mm, deepest : ndarray, shape (time,)
        Water in the soil down to the deepest probe [mm], and content there. [m3 m-3] NaN where not good.
    thatch : ThatchRead, optional
        None where there is no thatch.
    surface : SurfaceWater
    before : slice
        Cells whose last good readings are those before the water. [1]
    rained, last : int
        First cell after the last water, and the last of the account. [1]

    Returns
    -------
    WettingCourse
    """
    upto = slice(0, last + 1)
    read = thatch is not None and bool(np.isfinite(thatch.water_mm[before.start : last + 1]).any())
    return WettingCourse(
        soil_mm=straight(soil_mm[upto]),
        deepest=straight(deepest[upto]),
        thatch_mm=straight(thatch.water_mm[upto]) if thatch is not None and read else None,
        thatch=thatch,
        water_mm=surface.water_mm[upto],
        air=air_took(surface.water_mm[upto], surface.evaporation_mm[upto]),
        before=max(before.stop - 1, 0),
        rained=min(rained, last),
        soil_before_mm=last_good(soil_mm[before]),
        thatch_before_mm=last_good(thatch.water_mm[before]) if thatch is not None else np.nan,
    )


def last_good(values: FloatArray) -> float:
    """Return the middle of the last three good values.

    Parameters
    ----------
    values : ndarray, shape (time,)
        [any unit] NaN where not good.

    Returns
    -------
    float
        [unit of `values`] The mean of one or two; NaN without any.
    """
    last = sorted(values[np.isfinite(values)][-3:].tolist())
    if not last:
        return float("nan")
    return float(last[1] if len(last) == 3 else sum(last) / len(last))


def straight(values: FloatArray) -> FloatArray:
    """Return a series with straight lines over its short gaps, each value the median of itself and its neighbours.

    Parameters
    ----------
    values : ndarray, shape (time,)
        Evenly spaced. [any unit] NaN where missing.

    Returns
    -------
    ndarray, shape (time,)
        [unit of `values`] NaN before the first value and in gaps of more than six hours; the last value stands for as
        long.
    """
    good = np.flatnonzero(np.isfinite(values))
    if good.size == 0:
        return values
    place = np.arange(values.size)
    filled = np.interp(place, good, values[good], left=np.nan)
    after = np.searchsorted(good, place)
    known = np.maximum(after - 1, 0)
    beyond = np.where(after < good.size, good[np.minimum(after, good.size - 1)] - 1, place)
    filled[~np.isfinite(values) & (beyond - good[known] > LONGEST_GAP)] = np.nan
    return smooth(filled)


def smooth(values: FloatArray) -> FloatArray:
    """Return the median of each row and its neighbours, so that one reading's noise is not the peak.

    Parameters
    ----------
    values : ndarray, shape (time, ...)
        [any unit]

    Returns
    -------
    ndarray, same shape
        [unit of `values`] NaN where any of the three is; fewer than three rows stay as they are.
    """
    if values.shape[0] < 3:
        return values
    ends = np.concatenate([values[:1], values, values[-1:]])
    before, here, after = ends[:-2], ends[1:-1], ends[2:]
    # the median of three, eight times as fast as numpy's; NaN stays NaN
    middle = np.maximum(np.minimum(before, here), np.minimum(np.maximum(before, here), after))
    return np.asarray(middle, dtype=np.float64)


def air_took(water_mm: FloatArray, evaporation_mm: FloatArray) -> _Air:
    """Return what leaf, thatch and soil lost to the air in each cell.

    Parameters
    ----------
    water_mm, evaporation_mm : ndarray, shape (time,)
        As of `SurfaceWater`. [mm]

    Returns
    -------
    _Air
        The leaves fill first and dry first (a running account as of Rutter et al. 1971, Agric. Meteorol. 9, 367-384,
        from memory); what they do not give comes from thatch and soil in fixed shares.
    """
    asked = CROP * np.nan_to_num(evaporation_mm, nan=USUAL_MM_D * CELL_MS / DAY_MS)
    taken, left = np.zeros(asked.size), np.zeros(asked.size)
    held = 0.0
    for cell, (water, wish) in enumerate(zip(water_mm.tolist(), asked.tolist(), strict=True)):
        held = min(held + water, LEAF_MM)
        taken[cell] = min(held, wish)
        held -= float(taken[cell])
        left[cell] = held
    rest = asked - taken
    return _Air(taken, FROM_THATCH * rest, FROM_SOIL * rest, left, bool(np.isfinite(evaporation_mm).all()))


def from_above(given_mm: float, given_error_mm: float, course: WettingCourse, *, noise: float, slope: float) -> OneWay:
    """Return what passed the thatch by what was given and did not stay above. [mm]

    Parameters
    ----------
    given_mm, given_error_mm : float
        With its standard deviation. [mm]
    course : WettingCourse
    noise, slope : float
        Of the probe in the thatch, as in `arrival.Errors`. [m3 m-3], [1]

    Returns
    -------
    OneWay
    """
    if course.thatch is None:
        return OneWay(np.nan, np.nan, 0.0, say("no thatch"))
    kept = course.thatch_after_mm - course.thatch_before_mm
    if np.isnan(kept):
        return OneWay(np.nan, np.nan, 0.0, say("the thatch was not read before and after the water"))
    air, cells = course.air, slice(course.before, course.water_mm.size - 1)
    left = air.left_on_leaf_mm
    on_leaf = float(air.leaf_mm[cells].sum() + left[max(left.size - 2, 0)] - left[max(course.before - 1, 0)])
    lost = float(air.thatch_mm[cells].sum())
    height_mm = 1000.0 * course.thatch.thickness_m
    parts = (
        given_error_mm, slope * kept, noise * height_mm, ONE_PROBE_MM, LEAF_ERROR_MM, air.error_mm(lost),
    )  # fmt: skip
    dry = course.thatch_before_mm < course.thatch.made_of.drained[0] * height_mm
    ran_off = RUN_OFF_FULL if course.stood_full else RUN_OFF_DRY if dry else RUN_OFF
    return OneWay(given_mm - on_leaf - kept - lost, float(np.linalg.norm(parts)), ran_off)


def from_below(course: WettingCourse, *, noise_mm: float, slope: float, felt: float) -> OneWay:
    """Return what passed the thatch by what the soil gained and lost, and what the thatch let go in the end. [mm]

    Parameters
    ----------
    course : WettingCourse
    noise_mm, slope : float
        Of the water down to the deepest probe [mm], and as in `arrival.Errors`. [1]
    felt : float
        Rise at the deepest probe from which on it felt the water. [m3 m-3]

    Returns
    -------
    OneWay
        The sum should be the same whenever it is struck: the middle of some hours is taken, for a front between two
        probes is not seen.
    """
    before, air, read = course.before, course.air, course.thatch_mm
    gain = course.soil_mm - course.soil_before_mm
    drunk, passed = (_running(mm, before) for mm in (air.soil_mm, deep_flow_mm(course)))
    let_go = np.zeros(gain.size)
    if read is not None:
        dried = _running(air.thatch_mm, before)
        let_go = np.nan_to_num(read - course.thatch_after_mm - (dried[-1] - dried))
    struck = slice(course.settled, course.settled + SETTLING_CELLS)
    every = (gain + drunk + passed + let_go)[struck]
    if not np.isfinite(every).any():
        why = NO_READING_BEFORE if np.isnan(course.soil_before_mm) else NO_READING_AFTER
        return OneWay(np.nan, np.nan, 0.0, say(why))
    lines = [float(np.median(line[struck][np.isfinite(every)])) for line in (gain, drunk, passed, let_go)]
    parts = (
        slope * lines[0], noise_mm, slope * lines[3], 0.0 if read is None else ONE_PROBE_MM, air.error_mm(lines[1]),
    )  # fmt: skip
    rise = np.fmax.reduce(course.deepest[before : struck.stop]) - last_good(course.deepest[: before + 1])
    unseen = SEEPS_MM + FLOW_ERROR * lines[2] + (FELT_MM if rise > felt else 0.0)
    return OneWay(float(np.nanmedian(every)), float(np.linalg.norm(parts)), unseen)


def _running(flow_mm: FloatArray, first: int) -> FloatArray:
    """Sum of what flowed from a cell on until each reading. [mm]"""
    return np.asarray(np.cumsum(flow_mm) - flow_mm - np.sum(flow_mm[:first]), dtype=np.float64)


def deep_flow_mm(course: WettingCourse) -> FloatArray:
    """Return what passes the deepest probe in each cell, by what the ground loses when no water comes. [mm]

    Parameters
    ----------
    course : WettingCourse

    Returns
    -------
    ndarray, shape (time,)
        [mm] 0 or more; 0 where there is no dry stretch to learn from. Flow under gravity rises with the content where
        it passes: what was lost in dry stretches before and after, less what the air took, is made to rise with it
        (isotonic least squares), and read off at the content of each cell.
    """
    lost_from, taken = course.soil_mm, course.air.soil_mm
    if course.thatch_mm is not None:
        lost_from, taken = lost_from + course.thatch_mm, taken + course.air.thatch_mm
    edges = (0, course.before), (course.settled, course.water_mm.size - 1)
    starts = np.concatenate([np.arange(first, last - FLOW_CELLS + 1, FLOW_CELLS) for first, last in edges])
    dry = [slice(k, k + FLOW_CELLS) for k in starts.tolist() if not course.water_mm[k : k + FLOW_CELLS].any()]
    flow = np.array([lost_from[b.start] - lost_from[b.stop] - taken[b].sum() for b in dry]) / FLOW_CELLS
    content = np.array([course.deepest[b].mean() for b in dry])
    known = np.isfinite(flow) & np.isfinite(content)
    if not known.any():
        return np.zeros(course.water_mm.size)
    from scipy.optimize import isotonic_regression  # 25 MB: only loaded once there is a wetting to account for

    levels, which, count = np.unique(content[known], return_inverse=True, return_counts=True)
    mean = np.bincount(which, weights=flow[known]) / count
    rising = np.maximum(isotonic_regression(mean, weights=count).x, 0.0)
    return np.asarray(np.nan_to_num(np.interp(course.deepest, levels, rising)), dtype=np.float64)


def joined(given_mm: float, below: OneWay, above: OneWay) -> tuple[Estimate, Estimate]:
    """Return the share that passed by both ways, and the chance that it was less than `FAILED`. [1]

    Parameters
    ----------
    given_mm : float
        [mm] Above 0.
    below, above : OneWay
        See `from_below` and `from_above`.

    Returns
    -------
    share, chance : Estimate
        [1] Share by its median and 90 % interval, 0 to 1. Withheld where neither way sees: the soil does not tell and
        thatch that stood full may have shed any part of it.
    """
    ways = [way for way in (below, above) if not way.reason]
    if below.reason and (above.reason or above.unseen >= RUN_OFF_FULL):
        full = [] if above.reason else [say("the thatch stood full, and nobody saw how much ran off")]
        why = "; ".join([below.reason, *full])
        return withheld(why), withheld(why)
    if len(ways) == 2:
        # the soil cannot have had more than came down to it: two that say so are both surer than they should be
        apart = max((below.value - above.value) / float(np.hypot(below.deviation, above.deviation)), 1.0)
        below, above = (replace(way, deviation=apart * way.deviation) for way in (below, above))
    ends = [
        way.value + side * REACH * way.deviation for way in (below, above) if not way.reason for side in (-1.0, 1.0)
    ]
    depth = np.linspace(min(0.0, *ends), max(given_mm, *ends), GRID)
    chance = np.ones(GRID)
    if not below.reason:
        chance = chance * _seen_from_below(depth, below)
    if not above.reason:
        chance = chance * _seen_from_above(depth, above)
    running = np.cumsum(chance) / chance.sum()
    found = np.interp((0.05, 0.5, 0.95), running, depth) / given_mm
    low, middle, high = np.clip(found, 0.0, 1.0).tolist()
    failed = float(np.interp(FAILED * given_mm, depth, running))
    return Estimate(low=low, value=middle, high=high, n=len(ways)), Estimate(failed, failed, failed, len(ways))


def _normal(apart: npt.ArrayLike) -> FloatArray:
    return np.asarray(np.exp(-0.5 * np.square(apart)), dtype=np.float64)


def _seen_from_below(depth: FloatArray, way: OneWay) -> FloatArray:
    """Likelihood of each depth: what was seen, and beside it what may have passed unseen, with a long tail (Cauchy)."""
    beside = np.linspace(0.0, 1.5 * depth[-1], 301)
    weight = 1.0 / (1.0 + np.square(beside / way.unseen))
    weight[0] /= 2.0
    apart = (depth[:, np.newaxis] - way.value - beside[np.newaxis, :]) / way.deviation
    return np.asarray(_above_nothing(_normal(apart) @ (weight / weight.sum())))


def _seen_from_above(depth: FloatArray, way: OneWay) -> FloatArray:
    """Likelihood of each depth: what was not kept above, or by the chance of run-off anything less than it."""
    apart = (depth - way.value) / way.deviation
    width = way.deviation * np.sqrt(2.0 * np.pi)
    return np.asarray(
        _above_nothing((1.0 - way.unseen) * _normal(apart) / width + way.unseen * ndtr(-apart) / depth[-1])
    )


def _above_nothing(likelihood: FloatArray) -> FloatArray:
    """A likelihood of which something is left everywhere, so that two that contradict each other have a product."""
    return likelihood + 1e-12 * max(float(likelihood.max()), 1e-300)
