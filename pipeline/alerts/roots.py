"""The rule about roots that stay shallow: by the fortnights' estimates, in soil depth as a ruler would show it.

Probes tell where roots drink, a ruler where they hang: the first core with a root depth ties the two together, and
before there is one the rule says nothing. It walks fortnights that are over, in their order, so what it says does not
depend on how often it was asked. A withheld estimate neither opens nor closes it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from pipeline.alerts.gating import in_season, next_day_ms, season_over
from pipeline.alerts.model import (
    CLOSED,
    OPENED,
    REPEATED,
    AlertBounds,
    AlertEvent,
    AlertState,
    RootEstimate,
    StationWatch,
    event,
)
from pipeline.diary.facts import (
    DiaryFacts,
)
from pipeline.site.station import StationContext
from pipeline.soil.roots import DEPTH_BOUNDS_M, HOT_SEASON
from pipeline.stages.roots import CORE_REACH_MS, RATIOS
from pipeline.units import DAY_MS, HOUR_MS

LOOKED_AT, NEEDED = 3, 2  # so many of the last estimates must be shallow: common practice, no source
SETTLE_MS = 24 * HOUR_MS  # a fortnight over for so long stands
FORGET_MS = 92 * DAY_MS  # estimates of another season do not count: our own choice
HOT_DEGC = 21.0  # cool-season roots do little above it (university extension figures, read at second hand)
HOT_MONTHS = (7, 8, 9)  # six months off south of the equator


def roots_shallow(
    state: AlertState, watch: StationWatch, diary: DiaryFacts, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Roots that end above the bound of their kind of turf.

    Opens when two of the last three estimates lie above the bound; closes when one lies `off_mm` or more below it. Said
    again every `repeat_h` while estimates stay shallow. In a hot late summer cool-season turf is given 0.7 of the
    bound.

    Parameters
    ----------
    state, watch, diary : AlertState, StationWatch, Diary
        The watch has findings `root_depth_90` and `soil_temperature_050` from `evaluated_to_ms` on.
    now_ms : int
        Fortnights over a day before are walked. [ms since 1970, UTC]
    bounds : AlertBounds

    Returns
    -------
    (AlertState, list of AlertEvent)
    """
    events: list[AlertEvent] = []
    for estimate in _estimates(state, watch, now_ms):
        if _told_ms(estimate, watch, bounds) > now_ms:
            break  # at night: it waits for the morning
        state = replace(state, evaluated_to_ms=estimate.start_ms)
        if math.isnan(estimate.soil_depth_m):
            continue
        kept = [e for e in state.estimates if estimate.start_ms - e.start_ms < FORGET_MS]
        state = replace(state, estimates=(*kept, estimate)[-LOOKED_AT:])
        if state.ruler_ratio is None:
            state = replace(state, ruler_ratio=_ratio(state, watch.context))
        if state.ruler_ratio is not None:
            state, said = _step(state, watch, estimate, bounds)
            events += said
    return state, events


def _estimates(state: AlertState, watch: StationWatch, now_ms: int) -> Iterator[RootEstimate]:
    table = watch.findings
    if "end_ms" not in table or not len(table):
        return
    start, end = table["start_ms"].to_numpy(dtype=np.int64), table["end_ms"].to_numpy(dtype=np.int64)
    value = table["value"].to_numpy(dtype=np.float64)
    warmth = (table["quantity"] == "soil_temperature_050").to_numpy() & np.isfinite(value)
    wanted = (table["quantity"] == "root_depth_90").to_numpy() & (start > state.evaluated_to_ms)
    wanted &= end + SETTLE_MS <= now_ms
    for row in np.flatnonzero(wanted)[np.argsort(start[wanted], kind="stable")]:
        days = value[warmth & (start >= start[row]) & (start < end[row])]
        thatch_m = watch.context.thatch_m(int(start[row] + end[row]) // 2)
        depth = float(value[row]) - (thatch_m if thatch_m > 0.0 else 0.0)
        deeper = str(table["reason"].iloc[row]).startswith("at least")
        mean = float(days.mean()) if days.size else None
        yield RootEstimate(int(start[row]), int(end[row]), max(depth, 0.0) if depth == depth else depth, deeper, mean)


def _ratio(state: AlertState, context: StationContext) -> float | None:
    """Ruler over estimate, from the first core until now that has an estimate near it in time."""
    until_ms = state.estimates[-1].end_ms
    for core in (core for core in context.root_cores if core.at_ms < until_ms):
        near = [(_apart_ms(e, core.at_ms), e.start_ms, e) for e in state.estimates if e.soil_depth_m > 0.0]
        near = [n for n in near if n[0] <= CORE_REACH_MS and not n[2].at_least]
        if near:
            ratio = core.length_m / min(near, key=lambda n: n[:2])[2].soil_depth_m
            if RATIOS[0] <= ratio <= RATIOS[1]:
                return ratio
    return None


def _told_ms(estimate: RootEstimate, watch: StationWatch, bounds: AlertBounds) -> int:
    """When an estimate is judged: once it stands, by day."""
    return next_day_ms(watch.where, estimate.end_ms + SETTLE_MS, bounds)


def _apart_ms(estimate: RootEstimate, at_ms: int) -> int:
    return max(estimate.start_ms - at_ms, at_ms - estimate.end_ms, 0)


def shallow_bound_m(estimate: RootEstimate, context: StationContext, on_mm: float) -> float:
    """Soil depth above which roots count as shallow over a fortnight. [m]

    Parameters
    ----------
    estimate : Estimate
    context : StationContext
        Its grass, else its kind of surface, chooses the bound.
    on_mm : float
        The site's own bound; 0 for that of the kind of turf. [mm]
    """
    turf = {"warm": "warm", "annual_meadow_grass": "annual meadow-grass"}.get(context.grass, context.kind)
    bound = on_mm / 1000.0 if on_mm > 0.0 else DEPTH_BOUNDS_M[turf][1]
    south = context.latitude_deg is not None and context.latitude_deg < 0.0
    middle = np.datetime64((estimate.start_ms + estimate.end_ms) // 2, "ms")
    month = int(middle.astype("datetime64[M]").astype(np.int64)) % 12 + 1
    summer = (month + 6 - 1) % 12 + 1 if south else month
    hot = estimate.temperature_degc is not None and estimate.temperature_degc > HOT_DEGC
    return bound * HOT_SEASON if hot and summer in HOT_MONTHS and context.grass != "warm" else bound


def _step(
    state: AlertState, watch: StationWatch, estimate: RootEstimate, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    limits, ratio = bounds.roots_shallow, state.ruler_ratio
    assert ratio is not None

    def over_m(one: RootEstimate) -> float:
        """How much deeper than the bound: negative when shallow."""
        return one.soil_depth_m * ratio - shallow_bound_m(one, watch.context, limits.on_mm)

    shallow = [e for e in state.estimates if over_m(e) < 0.0 and not e.at_least]
    at_ms = _told_ms(estimate, watch, bounds)
    state, over = season_over(state, watch, at_ms, bounds)
    if over or not (state.is_open or in_season("roots_shallow", watch.where, at_ms, bounds)):
        return state, over
    ruler = f"{estimate.soil_depth_m * ratio * 1000.0:.0f} mm"
    if not state.is_open:
        if estimate not in shallow or len(shallow) < NEEDED:
            return state, []
        state = state.opened(at_ms, shallow[0].start_ms, "shallow")
        text = f"roots go only about {ruler} into the soil. Look at a core before any deep pass, and ease the mowing."
        return state, [event(watch, state, OPENED, at_ms, text)]
    if over_m(estimate) >= limits.off_mm / 1000.0:
        said = event(watch, state, CLOSED, at_ms, f"roots go about {ruler} into the soil again.")
        return state.closed(), [said]
    said_at_ms = state.said_at_ms
    assert said_at_ms is not None  # set with opened_at_ms
    if estimate in shallow and at_ms - said_at_ms >= limits.repeat_h * HOUR_MS:
        state = replace(state, said_at_ms=at_ms)
        text = f"roots still go only about {ruler} into the soil. Check with a core."
        return state, [event(watch, state, REPEATED, at_ms, text)]
    return state, []
