"""Hourly water balance of the thatch and the root zone, two boxes under a canopy, and its fit to one station.

Rain fills the canopy, then thatch, whose excess over its drained water leaves downward with a time constant; holes and
cracks let a share past it. Demand is met by the canopy, the thatch and the roots, in that order. Water is counted from
the dry limit, so that what a box holds over its capacity is its relative wetness. The boxes follow common practice for
two-layer bookkeeping, the stress of the roots FAO-56. The slow first wetting of repellent thatch is not described.

The fit is made as the balance is used: from each day of a station's past weeks the boxes are started at the readings
and run five days on the weather that came, and the errors at each lead are made small. Parameters stay within ranges,
drawn to the middle where the readings say nothing. A history too short is refused.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from pipeline.soil.drying import FLASH_OFF_H
from pipeline.soil.wetting import Watering
from pipeline.texts import later_as, say, say_many
from pipeline.units import HOUR_MS, FloatArray, TimeArray

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
    """Return the stores at a relative wetness.

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
    first : WaterStores
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


# --- the fit to one station ------------------------------------------------------------------------------------------

LEAST_DAYS = 14  # of readings and weather together: our own choice
WEEKS = 8  # that speak for a station: longer ones mix seasons, our own choice
LEAD_H = 120  # run from each start
SAMPLE_H = 6  # a miss is counted every so many hours of lead
START_EVERY_H = 24
STARTS_REACH_H = 6  # a start may use readings so old
THATCH_ERROR, ROOT_ERROR = 0.08, 0.04  # misses that count as one: our own choice
PRIOR_SPREAD = 0.35  # of the range, how far a parameter may lie from its middle at the cost of one such miss
IN_SAMPLE = 1.2  # errors of weeks to come over those of the weeks fitted: our own choice, see the forecast bench
LEAST_ERROR = 0.01


@dataclass(frozen=True, slots=True)
class Range:
    """Range of a parameter and where it starts; `log` when ratios count."""

    low: float
    start: float
    high: float
    log: bool = False

    def value(self, share: FloatArray) -> FloatArray:
        """Return the parameter at a share of the range, 0 to 1. [unit of the range]"""
        if self.log:
            return np.asarray(self.low * (self.high / self.low) ** share, dtype=np.float64)
        return np.asarray(self.low + (self.high - self.low) * share, dtype=np.float64)

    @property
    def start_share(self) -> float:
        """Share of the range at which the start lies. [1]"""
        if self.log:
            return math.log(self.start / self.low) / math.log(self.high / self.low)
        return (self.start - self.low) / (self.high - self.low)


# Ranges: canopy, bypass and drainage times common practice; demand FAO-56 and Aamlid et al. 2016 (1.67-2.85 on the
# wet first day over 0.81-0.91 later is 1.9-3.3; the low end is let down to none, for the canopy takes its part);
# stress from FAO-56's p of 0.2 to 0.8. Starts are our own choice.
RANGES: dict[str, Range] = {
    "canopy_mm": Range(0.5, 1.0, 2.0),
    "crop_coefficient": Range(0.5, 0.85, 1.05),
    "flash_factor": Range(1.0, 1.4, 3.3, log=True),
    "thatch_share": Range(0.05, 0.25, 0.7),
    "thatch_drained_wetness": Range(0.6, 1.1, 1.6),
    "tau_h": Range(0.5, 6.0, 48.0, log=True),
    "bypass_share": Range(0.0, 0.15, 0.5),
    "root_drain_mm_h": Range(0.001, 0.03, 1.0, log=True),
    "root_drain_power": Range(3.0, 8.0, 25.0, log=True),
    "stress_wetness": Range(0.2, 0.5, 0.8),
}
CAPACITY_FACTOR = Range(0.5, 1.0, 2.0, log=True)  # a probe's patch and its limits against the layer as written down


@dataclass(frozen=True, slots=True)
class Boxes:
    """The two boxes as written down: water between dry and drained limit [mm], and how wet each can get [1]."""

    thatch_capacity_mm: float
    thatch_full_wetness: float
    root_capacity_mm: float
    root_full_wetness: float


@dataclass(frozen=True)
class PastHours:
    """Hours that have been, shape (hour,).

    Attributes
    ----------
    first_ms : int
        Begin of the first hour. [ms since 1970, UTC]
    thatch_wetness, root_wetness : ndarray
        At the begin of each hour. [1] NaN where not good; thatch all NaN where there is none.
    water_mm, reference_et_mm : ndarray
        Rain and watering, and reference evapotranspiration, of each hour. [mm h-1] NaN where not known.
    """

    first_ms: int
    thatch_wetness: FloatArray
    root_wetness: FloatArray
    water_mm: FloatArray
    reference_et_mm: FloatArray

    def cut(self, first: int, end: int) -> PastHours:
        """Return the hours from one place up to, but without, another. [h from the first]"""
        part = slice(first, end)
        return PastHours(
            self.first_ms + first * HOUR_MS, self.thatch_wetness[part], self.root_wetness[part], self.water_mm[part],
            self.reference_et_mm[part],
        )  # fmt: skip


@dataclass(frozen=True)
class Fit:
    """The balance of one station.

    Attributes
    ----------
    parameters : Parameters or None
        Numbers; None when refused.
    thatch_error, root_error : ndarray, shape (lead hour,)
        Standard deviation of the miss in wetness from 0 h of lead on. [1] It does not fall, and stands beyond its end.
    days : float
        Of readings and weather it rests on. [d]
    reason : str
        Why it is refused; empty otherwise.
    """

    parameters: Parameters | None
    thatch_error: FloatArray
    root_error: FloatArray
    days: float
    reason: str = ""


def _too_few(past: PastHours, days: float) -> str:
    """Why there are too few days to fit, with what is lacking named."""
    lacks = [
        name
        for name, values in (
            # Translators: what nothing is known of, each in "nothing is known of {what} in 6 weeks"
            (later_as("known of", "readings of the roots"), past.root_wetness),
            (later_as("known of", "rain"), past.water_mm),
            (later_as("known of", "weather for the water use"), past.reference_et_mm),
        )
        if not np.isfinite(values).any()
    ]  # fmt: skip
    what = ""
    for lack in lacks:
        # Translators: one of two or more things that are not known
        what = say("{first} or {next}", first=what, next=say(lack)) if what else say(lack)
    if what:
        return say("nothing is known of {what} in {weeks} weeks", what=what, weeks=WEEKS)
    return say_many(
        "only {n} day of readings and weather, {least} needed",
        "only {n} days of readings and weather, {least} needed", round(days), least=LEAST_DAYS,
    )  # fmt: skip


def fit(past: PastHours, boxes: Boxes) -> Fit:
    """Fit the balance to the last `WEEKS` weeks of a station.

    Parameters
    ----------
    past : PastHours
        Up to now.
    boxes : Boxes

    Returns
    -------
    Fit
        Refused with fewer than `LEAST_DAYS` days on which root-zone readings, rain and demand are all known, or when
        no start has a day of weather after it.
    """
    past = past.cut(max(past.water_mm.size - WEEKS * 7 * 24, 0), past.water_mm.size)
    known = np.isfinite(past.root_wetness) & np.isfinite(past.water_mm) & np.isfinite(past.reference_et_mm)
    days = float(known.sum()) / 24.0
    nothing = np.zeros(0)
    if days < LEAST_DAYS:
        return Fit(None, nothing, nothing, days, _too_few(past, days))

    from scipy.optimize import least_squares  # 25 MB: only loaded once there are readings to fit

    problem = _Problem.of(past, boxes)
    if problem.starts.size < LEAST_DAYS // 2:
        return Fit(None, nothing, nothing, days, say("readings and weather have too many gaps to start from"))
    start = np.array([r.start_share for r in problem.ranges])
    at: dict[bytes, tuple[FloatArray, FloatArray]] = {}

    def evaluated(shares: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return misses and slopes; the solver asks for both at the same shares, one after the other."""
        key = shares.tobytes()
        if key not in at:
            at.clear()
            at[key] = problem.misses_and_slopes(shares)
        return at[key]

    found = least_squares(
        lambda x: evaluated(x)[0], start, jac=lambda x: evaluated(x)[1], bounds=(0.0, 1.0), loss="soft_l1", max_nfev=25,
        xtol=1e-4, ftol=1e-4,
    )  # fmt: skip
    shares = np.asarray(found.x, dtype=np.float64)
    thatch, root = problem.residuals(shares[np.newaxis])
    return Fit(problem.parameters(shares), _by_lead(thatch[0]), _by_lead(root[0]), days)


def usual_parameters(boxes: Boxes) -> Parameters:
    """Return the balance of a station of which nothing is learned: every parameter where its range starts."""
    values = {name: each.start for name, each in RANGES.items()}
    return Parameters(
        **values,
        thatch_capacity_mm=boxes.thatch_capacity_mm,
        thatch_full_wetness=boxes.thatch_full_wetness,
        root_capacity_mm=boxes.root_capacity_mm,
        root_full_wetness=boxes.root_full_wetness,
    )


def state_now(past: PastHours, parameters: Parameters) -> tuple[WaterStores, float] | None:
    """Return the stores that a forecast starts from, and the hours since water reached the thatch. [mm], [h]

    Readings of the last `STARTS_REACH_H` hours are carried to now by the weather since; None when there is none of
    them, or the weather since is not known.
    """
    found = _latest(past, past.root_wetness.size - 1, float(np.max(parameters.thatch_capacity_mm)) > 0.0)
    if found is None:
        return None
    dry_h, canopy = _wet_before(past, found, float(np.max(parameters.canopy_mm)))
    stores = stores_at(parameters, past.thatch_wetness[[found]], past.root_wetness[[found]], canopy)
    span = slice(found, past.water_mm.size)
    course = run(
        parameters, stores, past.water_mm[span, np.newaxis], past.reference_et_mm[span, np.newaxis], dry_for_h=dry_h
    )
    after_h, _ = _wet_before(past, past.water_mm.size, float(np.max(parameters.canopy_mm)))
    now = WaterStores(course.canopy_mm[-1], course.thatch_mm[-1], course.root_mm[-1])
    return (now, after_h) if np.isfinite(now.root_mm + now.thatch_mm).all() else None


def _latest(past: PastHours, hour: int, with_thatch: bool) -> int | None:
    """Return the last hour up to `hour`, at most `STARTS_REACH_H` before it, that has every reading."""
    for back in range(min(STARTS_REACH_H, hour) + 1):
        at = hour - back
        if np.isfinite(past.root_wetness[at]) and (not with_thatch or np.isfinite(past.thatch_wetness[at])):
            return at
    return None


def _wet_before(past: PastHours, hour: int, canopy_mm: float) -> tuple[float, float]:
    """Return the hours since the last wetting before an hour, and the water that the leaves may hold. [h], [mm]"""
    lead = np.nan_to_num(past.water_mm[max(hour - 24, 0) : hour])
    demand = np.nan_to_num(past.reference_et_mm[max(hour - 24, 0) : hour])
    canopy, dry_h = 0.0, 48.0
    for water, asked in zip(lead.tolist(), demand.tolist(), strict=True):
        through = max(canopy + water - canopy_mm, 0.0)
        canopy = max(min(canopy + water, canopy_mm) - max(asked, 0.0), 0.0)
        dry_h = 1.0 if through >= WET_MM_H else dry_h + 1.0
    return dry_h, canopy


def _by_lead(residual: FloatArray) -> FloatArray:
    """Return the error by hour of lead from misses (sample, start), not falling, linear between samples. [1]"""
    known = np.isfinite(residual).sum(axis=1) >= 3
    leads = SAMPLE_H * (1 + np.flatnonzero(known))
    if leads.size == 0:
        return np.full(LEAD_H + 1, np.nan)
    spread = np.sqrt(np.nanmean(residual[known] ** 2, axis=1)) * IN_SAMPLE
    rising = np.maximum.accumulate(np.maximum(spread, LEAST_ERROR))
    found = np.interp(np.arange(LEAD_H + 1), np.concatenate([[0], leads]), np.concatenate([[LEAST_ERROR], rising]))
    return np.asarray(found, dtype=np.float64)


@dataclass(frozen=True)
class _Problem:
    """The errors of every start as a function of the shares of the ranges."""

    boxes: Boxes
    names: tuple[str, ...]
    ranges: tuple[Range, ...]
    starts: FloatArray  # thatch and root wetness, canopy and dry hours: shape (4, start)
    water_mm: FloatArray  # (LEAD_H, start)
    reference_et_mm: FloatArray
    seen_thatch: FloatArray  # (sample, start)
    seen_root: FloatArray

    @classmethod
    def of(cls, past: PastHours, boxes: Boxes) -> _Problem:
        with_thatch = boxes.thatch_capacity_mm > 0.0
        hours = past.water_mm.size
        at: list[int] = []
        for hour in range(0, hours - START_EVERY_H, START_EVERY_H):
            found = _latest(past, hour, with_thatch)
            if found is not None and np.isfinite(past.water_mm[found : found + 24]).all():
                at.append(found)
        before = [_wet_before(past, hour, RANGES["canopy_mm"].start) for hour in at]
        starts = np.array([past.thatch_wetness[at], past.root_wetness[at], [b[1] for b in before],
                           [b[0] for b in before]])  # fmt: skip
        lead = np.add.outer(np.arange(LEAD_H), np.array(at, dtype=np.int64))
        seen = np.add.outer(SAMPLE_H * (1 + np.arange(LEAD_H // SAMPLE_H)), np.array(at, dtype=np.int64))
        names = tuple(RANGES) + (("thatch_capacity_mm",) if with_thatch else ()) + ("root_capacity_mm",)
        ranges = tuple(RANGES.get(name, CAPACITY_FACTOR) for name in names)
        return cls(
            boxes, names, ranges, starts, _padded(past.water_mm, lead), _padded(past.reference_et_mm, lead),
            _padded(past.thatch_wetness, seen) if with_thatch else np.full(seen.shape, np.nan),
            _padded(past.root_wetness, seen),
        )  # fmt: skip

    def parameters(self, shares: FloatArray, repeat: int = 0) -> Parameters:
        """Return parameters at shares of shape (parameter,), or (set, parameter), each set then for each start."""
        pairs = zip(self.names, self.ranges, strict=True)
        values = {name: each.value(shares[..., i]) for i, (name, each) in enumerate(pairs)}
        values["root_capacity_mm"] = values["root_capacity_mm"] * self.boxes.root_capacity_mm
        thatch = values.get("thatch_capacity_mm", np.zeros(shares.shape[:-1]))
        values["thatch_capacity_mm"] = thatch * self.boxes.thatch_capacity_mm
        values["thatch_full_wetness"] = np.full(shares.shape[:-1], self.boxes.thatch_full_wetness)
        values["root_full_wetness"] = np.full(shares.shape[:-1], self.boxes.root_full_wetness)
        if repeat:
            return Parameters(**{f.name: np.repeat(values[f.name], repeat) for f in fields(Parameters)})
        return Parameters(**{f.name: float(values[f.name]) for f in fields(Parameters)})

    def residuals(self, shares: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return errors of thatch and root-zone wetness, (set, sample, start), for shares (set, parameter). [1]"""
        sets, count = shares.shape[0], self.starts.shape[1]
        parameters = self.parameters(shares, count)
        thatch, root, canopy, dry_h = np.tile(self.starts, (1, sets))
        course = run(
            parameters, stores_at(parameters, thatch, root, canopy), np.tile(self.water_mm, (1, sets)),
            np.tile(self.reference_et_mm, (1, sets)), dry_for_h=dry_h,
        )  # fmt: skip
        rows = slice(SAMPLE_H, LEAD_H + 1, SAMPLE_H)
        shape = (LEAD_H // SAMPLE_H, sets, count)
        return (
            course.thatch_wetness[rows].reshape(shape).swapaxes(0, 1) - self.seen_thatch,
            course.root_wetness[rows].reshape(shape).swapaxes(0, 1) - self.seen_root,
        )

    def weighed(self, sets: FloatArray) -> FloatArray:
        """Return what is minimised, shape (set, miss): errors, and distances of parameters from their starts. [1]"""
        thatch, root = self.residuals(sets)
        # neighbours in lead and start miss together: a quarter of a day's samples counts as one
        parts: Sequence[FloatArray] = (thatch / (THATCH_ERROR * 2.0), root / (ROOT_ERROR * 2.0))
        flat = np.concatenate([np.nan_to_num(part).reshape(sets.shape[0], -1) for part in parts], axis=1)
        prior = (sets - np.array([r.start_share for r in self.ranges])) / PRIOR_SPREAD
        return np.concatenate([flat, prior], axis=1)

    def misses_and_slopes(self, shares: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the misses, shape (miss,), and their slopes by differences, (miss, parameter), all in one run."""
        step = np.where(shares > 0.5, -1e-4, 1e-4)
        found = self.weighed(np.vstack([shares, shares + np.diag(step)]))
        return found[0], np.asarray(((found[1:] - found[0]) / step[:, np.newaxis]).T, dtype=np.float64)


def _padded(series: FloatArray, index: np.ndarray[tuple[int, ...], np.dtype[np.int64]]) -> FloatArray:
    return np.asarray(np.where(index < series.size, series[np.minimum(index, series.size - 1)], np.nan))


GAUGE_SILENT_H = 2.0  # after so long without a figure nobody knows that it is dry, as in the alerts


def past_hours(
    first_ms: int,
    hours: int,
    *,
    thatch: tuple[TimeArray, FloatArray] | None,
    roots: tuple[TimeArray, FloatArray],
    rain: tuple[TimeArray, FloatArray],
    reference_et_mm: FloatArray,
    waterings: Sequence[Watering] = (),
    covered: Sequence[tuple[int, int]] = (),
    rain_by_hand: Sequence[Watering] = (),
) -> PastHours:
    """Put a station's past on whole hours.

    Parameters
    ----------
    first_ms : int
        Begin of the first hour, whole. [ms since 1970, UTC]
    hours : int
    thatch, roots : (times, values)
        Relative wetness and when it was found, times increasing. [ms], [1] None where there is no thatch.
    rain : (times, values)
        Rain since the reading before and when it was read, times increasing. [ms], [mm] Put into the hour of its
        reading; NaN is no reading.
    reference_et_mm : ndarray, shape (hours,)
        See `demand.hourly_demand_mm`. [mm h-1]
    waterings : sequence of Watering
        Of known amount. Spread evenly over their time; one without length falls into its hour.
    covered : sequence of (int, int)
        Begin and end of spans under covers: hours that begin in one get no rain. [ms since 1970, UTC]
    rain_by_hand : sequence of Watering
        Rain of a gauge read by hand, even over its span, for hours of which no other gauge tells.

    Returns
    -------
    PastHours

    Raises
    ------
    ValueError
        `first_ms` is no whole hour, or the demand has another length.
    """
    if first_ms % HOUR_MS or reference_et_mm.shape != (hours,):
        raise ValueError(
            f"past: found a begin of {first_ms} and {reference_et_mm.size} hours of demand, expected a whole hour and "
            f"{hours} hours"
        )
    at_ms = first_ms + HOUR_MS * np.arange(hours, dtype=np.int64)
    water = _rain_by_hour(at_ms, *rain)
    silent = np.isnan(water)
    for fallen in rain_by_hand:
        inside = silent & (at_ms + HOUR_MS > fallen.start_ms) & (at_ms < fallen.end_ms)
        water[inside] = np.nan_to_num(water[inside]) + shared_mm(at_ms, fallen)[inside]
    for begin_ms, end_ms in covered:
        water[(at_ms >= begin_ms) & (at_ms < end_ms)] = 0.0  # known to be none, whatever the gauge says
    _, hour, mm = by_hour(first_ms, hours, waterings)
    np.add.at(water, hour, mm)
    blank = np.full(hours, np.nan)
    return PastHours(
        first_ms, blank if thatch is None else _at_hours(at_ms, *thatch), _at_hours(at_ms, *roots), water,
        np.asarray(reference_et_mm, dtype=np.float64),
    )  # fmt: skip


def _at_hours(at_ms: TimeArray, time_ms: TimeArray, value: FloatArray) -> FloatArray:
    """Return the last good value within the hour up to each time."""
    good = np.isfinite(value)
    times, values = time_ms[good], value[good]
    if times.size == 0:
        return np.full(at_ms.shape, np.nan)
    last = np.searchsorted(times, at_ms, side="right") - 1
    fresh = (last >= 0) & (at_ms - times[np.maximum(last, 0)] < HOUR_MS)
    return np.asarray(np.where(fresh, values[np.maximum(last, 0)], np.nan), dtype=np.float64)


def _rain_by_hour(at_ms: TimeArray, time_ms: TimeArray, rain_mm: FloatArray) -> FloatArray:
    """Return the rain read in each hour, ends included; NaN in hours in which the gauge was silent. [mm]"""
    good = np.isfinite(rain_mm)
    times, fallen = time_ms[good], rain_mm[good]
    # a reading on the full hour tells of the hour before it
    hour = (times - 1 - at_ms[0]) // HOUR_MS if at_ms.size else np.zeros(0, dtype=np.int64)
    inside = (hour >= 0) & (hour < at_ms.size)
    out = np.bincount(hour[inside], weights=fallen[inside], minlength=at_ms.size).astype(np.float64)
    silent = int(GAUGE_SILENT_H * HOUR_MS)
    before = np.searchsorted(times, at_ms, side="right") - 1
    after = np.searchsorted(times, at_ms + HOUR_MS, side="left")
    heard_before = (
        np.where(before >= 0, at_ms - times[np.maximum(before, 0)] if times.size else silent, silent) < silent
    )
    heard_after = after < times.size
    gap = np.full(at_ms.shape, silent, dtype=np.int64)
    if times.size:
        gap = np.where(heard_after & (before >= 0), times[np.minimum(after, times.size - 1)] - times[before], silent)
    # at the end of the series the gauge need only have spoken of late
    known = np.where(heard_after, gap <= silent, heard_before)
    out[~known] = np.nan
    return out


def shared_mm(at_ms: TimeArray, given: Watering) -> FloatArray:
    """Return what a watering gives in each of the hours that begin at some times, evenly over its span. [mm]"""
    return _evenly_mm(at_ms, given.start_ms, given.end_ms, given.water_mm)


def by_hour(
    first_ms: int, hours: int, waterings: Sequence[Watering]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], FloatArray]:
    """Return what waterings give in consecutive hours, evenly over their spans.

    Parameters
    ----------
    first_ms : int
        Begin of the first hour. [ms since 1970, UTC]
    hours : int
    waterings : sequence of Watering

    Returns
    -------
    (ndarray of int64, ndarray of int64, ndarray), each of shape (share,)
        The place of the watering, that of the hour, and what it gives there [mm]; watering by watering.
    """
    if not waterings:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0)
    start_ms = np.array([[one.start_ms] for one in waterings], dtype=np.int64)
    end_ms = np.array([[one.end_ms] for one in waterings], dtype=np.int64)
    first = (start_ms - first_ms) // HOUR_MS
    hour = first + np.arange(int(((end_ms - first_ms) // HOUR_MS - first).max()) + 1)
    mm = _evenly_mm(first_ms + HOUR_MS * hour, start_ms, end_ms, np.array([[one.water_mm] for one in waterings]))
    which, at = np.nonzero((hour >= 0) & (hour < hours))
    return which, hour[which, at], mm[which, at]


def _evenly_mm(
    at_ms: TimeArray, start_ms: int | TimeArray, end_ms: int | TimeArray, water_mm: float | FloatArray
) -> FloatArray:
    length = np.maximum(np.asarray(end_ms) - start_ms, 1)
    begin = np.maximum(at_ms, start_ms)
    end = np.minimum(at_ms + HOUR_MS, start_ms + length)
    return np.asarray(water_mm * np.maximum(end - begin, 0) / length, dtype=np.float64)
