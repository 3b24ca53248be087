"""The rule about roots that stay shallow: by the fortnights' estimates, in soil depth as a ruler would show it.

Probes tell where roots drink, a ruler where they hang: the first core with a root depth ties the two together, and
before there is one the rule says nothing. A withheld estimate neither opens nor closes it.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.alerts.model import (
    CLOSED,
    OPENED,
    REPEATED,
    AlertRule,
    AlertState,
    Change,
    Facts,
    HeldBy,
    Hours,
    Looked,
    Millimetres,
    Months,
    RootEstimate,
    RuleBounds,
    RuleGrain,
    RuleName,
    Scope,
    Span,
)
from pipeline.alerts.water import GROWTH
from pipeline.site.station import StationContext
from pipeline.stages.roots import CORE_REACH_MS, RATIOS
from pipeline.units import DAY_MS

# Soil depth above which roots are shallow, by kind of turf. [m] Common practice, no source.
SHALLOW_ROOTS_M = {
    "square": 0.075,
    "green": 0.060,
    "outfield": 0.075,
    "pitch": 0.075,
    "lawn": 0.075,
    "warm": 0.100,
    "annual_meadow_grass": 0.040,
}
LOOKED_AT, NEEDED = 3, 2  # so many of the last estimates must be shallow: common practice, no source
FORGET_MS = 92 * DAY_MS  # estimates of another season do not count: our own choice
HOT_DEGC = 21.0  # cool-season roots do little above it (university extension figures, read at second hand)
HOT_MONTHS = (7, 8, 9)  # six months off south of the equator
HOT_SHARE = 0.7  # of the bound: cool-season roots thin out in summer heat: common practice, no source


class RootsShallowBounds(RuleBounds):
    """When roots are said to be shallow. Lengths in mm, times in hours.

    `on_mm` is soil depth as a ruler shows it; 0 takes the bound of the kind of turf.
    """

    on_mm: Millimetres = 0.0
    off_mm: Millimetres = 15.0
    repeat_h: Hours = 720.0
    months: Months = ()


def roots_shallow(state: AlertState, fortnight: Span, facts: Facts[RootsShallowBounds]) -> Looked:
    """Roots that end above the bound of their kind of turf.

    Opens when two of the last three estimates lie above the bound; closes when one lies `off_mm` or more below it. Said
    again every `repeat_h` while estimates stay shallow. In a hot late summer cool-season turf is given 0.7 of the
    bound.
    """
    if math.isnan(fortnight.value):
        return Looked(state, known=False)
    context: StationContext = facts.spot.context
    estimate = _estimate(fortnight, facts)
    kept = [e for e in state.estimates if estimate.start_ms - e.start_ms < FORGET_MS]
    state = state._replace(estimates=(*kept, estimate)[-LOOKED_AT:])
    if state.ruler_ratio is None:
        state = state._replace(ruler_ratio=_ratio(state, context))
    ratio = state.ruler_ratio
    if ratio is None:
        return Looked(state, known=False)

    def over_m(one: RootEstimate) -> float:
        """How much deeper than the bound: negative when shallow."""
        return one.soil_depth_m * ratio - shallow_bound_m(one, context, facts.bounds.on_mm)

    shallow = [e for e in state.estimates if over_m(e) < 0.0 and not e.at_least]
    ruler = f"{estimate.soil_depth_m * ratio * 1000.0:.0f} mm"
    if not state.is_open:
        if estimate not in shallow or len(shallow) < NEEDED:
            return Looked(state)
        text = f"roots go only about {ruler} into the soil. Look at a core before any deep pass, and ease the mowing."
        return Looked(state, Change(OPENED, text, shallow[0].start_ms, "shallow"))
    if over_m(estimate) >= facts.bounds.off_mm / 1000.0:
        return Looked(state, Change(CLOSED, f"roots go about {ruler} into the soil again."))
    text = f"roots still go only about {ruler} into the soil. Check with a core."
    return Looked(state, Change(REPEATED, text) if estimate in shallow else None)


def _estimate(fortnight: Span, facts: Facts[RootsShallowBounds]) -> RootEstimate:
    warmth = facts.found("soil_temperature_050")
    inside = (warmth.start_ms >= fortnight.start_ms) & (warmth.start_ms < fortnight.end_ms) & np.isfinite(warmth.value)
    thatch_m = facts.spot.context.thatch_m((fortnight.start_ms + fortnight.end_ms) // 2)
    return RootEstimate(
        fortnight.start_ms,
        fortnight.end_ms,
        max(fortnight.value - (thatch_m if thatch_m > 0.0 else 0.0), 0.0),
        fortnight.reason.startswith("at least"),
        float(warmth.value[inside].mean()) if inside.any() else None,
    )


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


def _apart_ms(estimate: RootEstimate, at_ms: int) -> int:
    return max(estimate.start_ms - at_ms, at_ms - estimate.end_ms, 0)


def shallow_bound_m(estimate: RootEstimate, context: StationContext, on_mm: float) -> float:
    """Return the soil depth above which roots count as shallow over a fortnight. [m]

    Parameters
    ----------
    estimate : RootEstimate
    context : StationContext
        Its grass, else its kind of surface, chooses the bound.
    on_mm : float
        The site's own bound; 0 for that of the kind of turf. [mm]
    """
    turf = context.grass if context.grass in SHALLOW_ROOTS_M else context.kind
    bound = on_mm / 1000.0 if on_mm > 0.0 else SHALLOW_ROOTS_M[turf]
    south = context.latitude_deg is not None and context.latitude_deg < 0.0
    middle = np.datetime64((estimate.start_ms + estimate.end_ms) // 2, "ms")
    month = int(middle.astype("datetime64[M]").astype(np.int64)) % 12 + 1
    summer = (month + 6 - 1) % 12 + 1 if south else month
    hot = estimate.temperature_degc is not None and estimate.temperature_degc > HOT_DEGC
    return bound * HOT_SHARE if hot and summer in HOT_MONTHS and context.grass != "warm" else bound


ROOTS_SHALLOW = AlertRule(
    name=RuleName("roots_shallow"),
    bounds=RootsShallowBounds,
    look=roots_shallow,
    scope=Scope.STATION,
    grain=RuleGrain.DAY,
    held_by=HeldBy.NIGHT | HeldBy.SEASON,
    reads=("root_depth_90", "soil_temperature_050"),
    season=GROWTH,
    settle_h=24.0,  # a fortnight over for so long stands
    late_h=None,  # a fortnight is judged whenever its estimate comes
)
ROOT_RULES = (ROOTS_SHALLOW,)
