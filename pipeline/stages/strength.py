"""Findings of each day the cone was pushed: resistance by depth, and how deep roots can go before it stops them.

A visit is the pushes of one day at one station. Resistance is what was measured and stands with the wetness of the
root zone beside it; the depth to the root limit is a verdict, and is withheld when the ground was too dry, its wetness
is not known, or a square is in preparation. The sums are those of `soil.strength`.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from pipeline.diary.station import StationContext
from pipeline.soil import strength
from pipeline.stages.stage import NO_SERIES, Finding, FindPeriod, Grain, Record, Stage
from pipeline.texts import later, say, say_many
from pipeline.units import DAY_MS, HOUR_MS, FloatArray, TimeArray

GRID_M = np.concatenate([np.arange(0, 40, 5), np.arange(40, 301, 10)]) / 1000.0
REPORTED_MM = (50, 100, 150, 200, 250, 300)
STRENGTH_QUANTITIES = (
    *(f"cone_resistance_{depth:03d}" for depth in REPORTED_MM), "cone_visit_wetness", "root_limit_depth",
)  # fmt: skip
WETNESS_REACH_MS = 6 * HOUR_MS  # the root zone changes little in so long: our own choice
PREPARATION_MS = 14 * DAY_MS  # before play: common practice, no source
NEW_PUSH_MS = 1000  # steps of one push come a millisecond apart
NEW_PUSH_M = 0.030  # a hand lifts less than this within a push: our own choice
NOTHING_SO_HARD = later("at least: nothing so hard was met down to here")


def _find(record: Record, context: StationContext, start_ms: int, end_ms: int) -> Iterator[Finding]:
    pushes, times = [], []
    for depth_id, force_id in _cones(record, context):
        at_ms, profiles = pushes_of(record, depth_id, force_id, start_ms, end_ms)
        pushes += profiles
        times.append(at_ms)
    if not pushes:
        return
    at_ms = np.concatenate(times)
    wetness, cells = _wetness(record, int(at_ms.min()), int(at_ms.max()))
    stack = np.stack(pushes)
    profile, count = strength.median_profile(stack)
    kept = np.where(strength.stones(stack), np.nan, stack)

    def finding(quantity: str, value: float, spread: tuple[float, float], n: int, reason: str) -> Finding:
        low, high = spread
        return Finding(quantity, start_ms, end_ms, float(value), float(low), float(high), n, reason)

    for depth_mm in REPORTED_MM:
        column = int(np.argmin(np.abs(GRID_M - depth_mm / 1000.0)))
        if count[column]:
            few = "" if np.isfinite(profile[column]) else _few(int(count[column]))
            spread = (np.nan, np.nan) if few else (np.nanmin(kept[:, column]), np.nanmax(kept[:, column]))
            yield finding(f"cone_resistance_{depth_mm:03d}", profile[column], spread, int(count[column]), few)
    unknown = "" if np.isfinite(wetness) else say("the wetness of the root zone was not known")
    yield finding("cone_visit_wetness", wetness, (np.nan, np.nan), cells, unknown)
    yield finding("root_limit_depth", *_limit(profile, kept, wetness, _in_preparation(context, at_ms)))


def _few(count: int) -> str:
    return say_many(
        "only {n} good push of {needed}", "only {n} good pushes of {needed}", count, needed=strength.FEWEST_PUSHES
    )


def _cones(record: Record, context: StationContext) -> Iterator[tuple[str, str]]:
    """Channel of depth and channel of resistance of each penetrometer that was heard."""
    for i, channel in context.channels.items():
        if context.owns(i) and channel.heard == "cone_depth" and i in record.channels:
            probe = i.rsplit("/", 1)[0]
            for j, other in context.channels.items():
                if j.rsplit("/", 1)[0] == probe and other.quantity == "cone_resistance" and j in record.channels:
                    yield i, j


def pushes_of(
    record: Record, depth_id: str, resistance_id: str, start_ms: int, end_ms: int
) -> tuple[TimeArray, list[FloatArray]]:
    """Return the pushes of a penetrometer that begin in start <= t < end.

    Parameters
    ----------
    record : Record
    depth_id, resistance_id : str
        Its channels; both speak of one step at the same millisecond. [m], [kPa]
    start_ms, end_ms : int
        [ms since 1970, UTC]

    Returns
    -------
    (ndarray of int64, list of ndarray)
        When each began [ms], and its resistance on `GRID_M`. [kPa] NaN where it did not reach.
    """
    when, rows, others = np.intersect1d(
        record.channels[depth_id][0], record.channels[resistance_id][0], assume_unique=True, return_indices=True
    )
    depth, value = record.channels[depth_id][1][rows], record.channels[resistance_id][1][others]
    inside = (when >= start_ms) & (when < end_ms)
    when, depth, value = when[inside], depth[inside], value[inside]
    if when.size == 0:
        return when, []
    new = (np.diff(when) > NEW_PUSH_MS) | (np.diff(depth) < -NEW_PUSH_M)
    edges = [0, *(np.flatnonzero(new) + 1).tolist(), when.size]
    profiles = [strength.on_depths(depth[a:b], value[a:b], GRID_M) for a, b in pairwise(edges)]
    return when[edges[:-1]], profiles


def _wetness(record: Record, first_ms: int, last_ms: int) -> tuple[float, int]:
    """Mean wetness of the root zone about a visit, and from how many quarter hours."""
    times, values = record.findings.get("root_zone_wetness", NO_SERIES)
    near = (times >= first_ms - WETNESS_REACH_MS) & (times <= last_ms + WETNESS_REACH_MS) & np.isfinite(values)
    return (float(values[near].mean()), int(near.sum())) if near.any() else (float("nan"), 0)


def _in_preparation(context: StationContext, at_ms: TimeArray) -> bool:
    """Whether the visit fell between two weeks before a match on a square and its end."""
    first, last = int(at_ms.min()), int(at_ms.max())
    return context.kind == "square" and any(
        last >= begin - PREPARATION_MS and first <= end for begin, end in context.facts.plays
    )


def _limit(
    profile: FloatArray, kept: FloatArray, wetness: float, in_preparation: bool
) -> tuple[float, tuple[float, float], int, str]:
    """Depth to the root limit with the spread of the pushes, how many there were, and why it is withheld. [m]"""
    number, nothing = kept.shape[0], float("nan")
    known = np.isfinite(profile)
    hardest = float(profile[known].max()) if known.any() else nothing
    reason = strength.why_no_verdict(hardest, wetness, in_preparation=in_preparation)
    if reason:
        return nothing, (nothing, nothing), number, reason if known.any() else _few(number)
    depth = strength.depth_to_limit_m(GRID_M, profile)
    each = np.array([strength.depth_to_limit_m(GRID_M, push) for push in kept])
    each = np.sort(each[~np.isnan(each)])
    low, high = each[int(0.05 * (each.size - 1))], each[-1 - int(0.05 * (each.size - 1))]
    deepest = float(GRID_M[known][-1])
    if np.isinf(depth):
        return deepest, (min(low, deepest), nothing), number, say(NOTHING_SO_HARD)
    return depth, (low, high if np.isfinite(high) else nothing), number, ""


STRENGTH = Stage[FindPeriod](
    name="strength",
    grain=Grain.PERIOD,
    run=_find,
    findings=STRENGTH_QUANTITIES,
    observes=("cone_depth", "cone_resistance"),
    reads=("root_zone_wetness",),
    length_ms=DAY_MS,
    lead_in_ms=WETNESS_REACH_MS,
    look_ahead_ms=WETNESS_REACH_MS,
)
