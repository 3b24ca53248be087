"""The rules about water and roots: water held in the thatch, lacking in the roots, not arriving, about to be shed, left
running; roots that stay shallow."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Annotated, TypeVar

import numpy as np

from pipeline.advice.phrases import dry_mark, lasting_mark, weekday_mark, with_order
from pipeline.alerts.model import (
    CLOSED,
    OPENED,
    REPEATED,
    Ahead,
    AlertRule,
    AlertState,
    Change,
    Counting,
    Facts,
    HeldBy,
    Hold,
    Hours,
    Manner,
    Millimetres,
    Moment,
    Months,
    RootEstimate,
    RuleBounds,
    RuleGrain,
    RuleName,
    RuleOutcome,
    Span,
    Wetness,
    Where,
    keep_run,
)
from pipeline.alerts.walk import dry_run, in_months, last_water, local
from pipeline.diary.station import StationContext
from pipeline.forecast.wetness import WetnessForecast, in_ten
from pipeline.site.fields import Share, apart
from pipeline.stages.roots import CORE_REACH_MS, RATIOS
from pipeline.texts import later, say, say_many
from pipeline.units import DAY_MS, HOUR_MS, QUARTER_HOUR_MS, BoolArray, FloatArray

DAY_H = 24.0
GROWTH = {  # months; common practice, no source. A pitch is played on, and its thatch matters, in the wet months too
    "cool": tuple(range(3, 11)),
    "warm": tuple(range(4, 11)),
    "pitch": (*range(2, 12),),
}


# --- thatch holding water --------------------------------------------------------------------------------------------


class ThatchHoldingBounds(RuleBounds):
    """Bounds of thatch that holds water. Wetness is relative [1], air a volume fraction [m3 m-3], times in hours."""

    on_wetness: Wetness = 0.9
    root_wetness: Wetness = 0.5
    on_air: Share = 0.10
    hold_h: Hours = 48.0
    after_water_h: Hours = 48.0
    off_wetness: Annotated[Wetness, apart("less", "on_wetness")] = 0.75
    off_hold_h: Hours = 12.0
    repeat_h: Hours = 72.0
    months: Months = ()


_HOLDING = {
    "wet": later("thatch has stayed wet for {lasting} without rain while the roots below go short."),
    "airless": later("thatch has been waterlogged for {lasting}, with hardly any air."),
}
_HOLDING_NEWS = {
    "wet": (later("thatch still holds water."), later("Keep water off, and think of opening it up.")),
    "short": (later("thatch still holds water, and now the roots below go short."), later("Think of opening it up.")),
    "airless": (
        later("thatch still holds water, and now has hardly any air."), later("Open it up as soon as it bears."),
    ),
}  # fmt: skip


def thatch_holding(state: AlertState, moment: Moment, facts: Facts[ThatchHoldingBounds]) -> RuleOutcome:
    """Thatch that stays wet without rain over drying roots, or stays without air.

    Opens when the wetness of the thatch has been above `on_wetness` for `hold_h` without rain or watering, while the
    root zone lies below `root_wetness` or is drying; or when its air-filled porosity has been below `on_air` for
    `hold_h`. Closes when the wetness has been below `off_wetness`, with air, for `off_hold_h`. Said again only with
    news: the roots have come short, or the air has gone. Without a rain gauge only a rise of the thatch itself tells of
    fresh water.
    """
    limits, grain = facts.bounds, facts.rule.grain
    thatch, roots, airless = moment["thatch_wetness"], moment["root_zone_wetness"], moment["thatch_air"] < limits.on_air
    runs, wet = dict(state.runs), state.runs.get("wet")
    water = last_water(state.water, wet, moment)
    if math.isnan(thatch):
        return RuleOutcome(state._replace(water=water), known=False)
    keep_run(runs, "airless", moment, grain, holds=airless)
    if thatch > limits.on_wetness:
        runs["wet"] = dry_run(wet, water, facts, moment, compared=roots)
    else:
        runs.pop("wet", None)
    keep_run(runs, "off", moment, grain, holds=thatch < limits.off_wetness and not airless)
    state = state._replace(water=water, runs=runs)
    ways = _ways_open(runs, roots, limits)
    short = ("short",) if roots < limits.root_wetness else ()
    if not state.is_open:
        if not ways:
            return RuleOutcome(state)
        since_ms = runs[ways[0]].since_ms
        lasting = dry_mark(since_ms) if ways[0] == "wet" else lasting_mark(since_ms)
        # Translators: lasting is a length of time, as "3 days", in what an alert says, here and below
        text = with_order(say(_HOLDING[ways[0]], lasting=lasting), say("Keep water off until it drains."))
        return RuleOutcome(state, Change(OPENED, text, since_ms, ways[0], (ways[0], *short)))
    off = runs.get("off")
    if off is not None and off.held_ms >= limits.off_hold_h * HOUR_MS:
        text = with_order(say("thatch has drained."), say("Water by the roots' need again."))
        return RuleOutcome(state, Change(CLOSED, text))
    still = thatch > limits.on_wetness or airless
    news = next((way for way in (*ways, *short) if still and way not in state.told), "")
    if not news:
        return RuleOutcome(state)
    fact, order = _HOLDING_NEWS[news]
    return RuleOutcome(state, Change(REPEATED, with_order(say(fact), say(order)), told=(news, *short)))


def _ways_open(runs: dict[str, Hold], roots: float, limits: ThatchHoldingBounds) -> list[str]:
    """Return the conditions that would open the alert now."""
    hold_ms = limits.hold_h * HOUR_MS
    airless, wet = runs.get("airless"), runs.get("wet")
    found = []
    if wet is not None and wet.held_ms >= hold_ms and not math.isnan(roots):
        drying = wet.highest is not None and wet.highest - roots >= Counting.falling_wetness
        if drying or roots < limits.root_wetness:
            found.append("wet")
    if airless is not None and airless.held_ms >= hold_ms:
        found.append("airless")
    return found


# --- dryness foretold ------------------------------------------------------------------------------------------------

AHEAD = "ahead"
WITHDRAWN = 0.5  # of the chance that opens it: below this it is withdrawn, so that it does not come and go
LONGER_H = 24.0  # how long it must last, and how much later than the lead it may come: our own choice


class DrynessBounds(RuleBounds):
    """Bounds of a rule that looks ahead: it opens when the forecast, within `lead_h`, has a chance of `on_chance`.

    Wetness is relative [1], times in hours, chance [1].
    """

    on_wetness: Wetness = 0.35
    off_wetness: Annotated[Wetness, apart("more", "on_wetness")] = 0.5
    hold_h: Hours = 24.0
    lead_h: Hours = 48.0
    on_chance: Share = 0.6
    months: Months = ()


D = TypeVar("D", bound=DrynessBounds)


def _foretold(
    layer: Callable[[WetnessForecast, D], FloatArray],
    bound: Callable[[Facts[D]], float],
    coming: str,
    order: str,
    withdrawn: str,
) -> Callable[[AlertState, Ahead, Facts[D]], RuleOutcome]:
    """Return the `ahead` function of a rule about dryness.

    Parameters
    ----------
    layer : callable
        Forecast and bounds to the wetness of the rule's layer, shape (hour, member). [1]
    bound : callable
        The wetness below which the layer is dry there. [1]
    coming, order, withdrawn : str
        What is said when it opens, with the fields `when` and `chance`; what to do then; when it is no longer likely.
    """

    def look(state: AlertState, ahead: Ahead, facts: Facts[D]) -> RuleOutcome:
        limits, at_ms = facts.bounds, ahead.forecast.at_ms
        below = _share_below(layer(ahead.forecast, limits), bound(facts))
        if below is None or at_ms.size != below.size or limits.lead_h <= 0.0:
            return RuleOutcome(state, known=False)
        ahead_h = (at_ms - ahead.at_ms) / HOUR_MS
        if state.is_open:
            near = (ahead_h >= 0.0) & (ahead_h <= limits.lead_h + LONGER_H)
            likely = bool((below[near] >= WITHDRAWN * limits.on_chance).any())
            return RuleOutcome(state, None if state.way != AHEAD or likely else Change(CLOSED, say(withdrawn)))
        lasting = _lasting(below >= limits.on_chance)
        due = np.flatnonzero((ahead_h > 0.0) & (ahead_h <= limits.lead_h) & lasting)
        here = np.flatnonzero(ahead_h <= 0.0)
        dry_now = here.size > 0 and below[here[-1]] >= limits.on_chance
        if not due.size or dry_now:
            return RuleOutcome(state)
        at = local(facts.where, int(at_ms[due[0]]))
        clock = say("{day} {clock}", day=weekday_mark(int(at_ms[due[0]])), clock=f"{at.hour}:{at:%M}")
        fact = say(coming, when=clock, chance=in_ten(float(below[due[0]])))
        return RuleOutcome(state, Change(OPENED, with_order(fact, say(order)), way=AHEAD))

    return look


def _lasting(dry: BoolArray) -> BoolArray:
    """Return the hours from which it stays dry for a day: a shorter dip needs no watering."""
    hours = round(LONGER_H)
    wet = np.concatenate([[0], np.cumsum(~dry)])
    ends = np.minimum(np.arange(dry.size) + hours, dry.size)
    return np.asarray(dry & (wet[ends] == wet[: dry.size]))


def _share_below(wetness: FloatArray, bound: float) -> FloatArray | None:
    """Return the share of members below a bound, by hour. [1] None without members, or where one is not finite."""
    if wetness.shape[1] == 0 or not np.isfinite(wetness).all():
        return None
    return np.asarray((wetness < bound).mean(axis=1), dtype=np.float64)


def _still_foretold(state: AlertState, at_ms: int, lead_h: float) -> bool:
    """Return whether an alert was opened by the forecast no longer ago than its lead and a day. [h]"""
    return state.way == AHEAD and state.open_for_ms(at_ms) <= (lead_h + DAY_H) * HOUR_MS


# --- roots dry -------------------------------------------------------------------------------------------------------


SAND_HOLDS_LOOSELY = 0.55  # of the bound: roots drink sand nearly empty before they miss any; from the simulated column


class RootsDryBounds(DrynessBounds):
    """Bounds of dry roots; see `DrynessBounds`. Thatch wetter than `fed_wetness` still feeds the grass. [1]"""

    fed_wetness: Wetness = 0.2


def _roots_bound(facts: Facts[RootsDryBounds]) -> float:
    """Return the wetness of the root zone below which roots are dry in the soil of a station. [1]"""
    return facts.bounds.on_wetness * (SAND_HOLDS_LOOSELY if facts.spot.context.ground.soil == "sand" else 1.0)


def roots_dry(state: AlertState, moment: Moment, facts: Facts[RootsDryBounds]) -> RuleOutcome:
    """Root zone short of water.

    Opens when its wetness has been below `on_wetness`, in sand below about half of it, for `hold_h`, with thatch, where
    it is read, no wetter than `fed_wetness`: from wetter thatch the grass drinks what it is asked for, however dry the
    soil below. Closes when it has been above `off_wetness` for `roots_off_hold_h`. One that was opened by the forecast
    is repeated when it has come true, and is not closed by a root zone that is still wet.
    """
    limits, roots, grain = facts.bounds, moment["root_zone_wetness"], facts.rule.grain
    if math.isnan(roots):
        return RuleOutcome(state, known=False)
    on_wetness = _roots_bound(facts)
    is_fed = moment["thatch_wetness"] > limits.fed_wetness  # thatch that nobody reads is not
    if not state.runs and not state.is_open and on_wetness <= roots <= limits.off_wetness:
        return RuleOutcome(state)
    runs = dict(state.runs)
    keep_run(runs, "dry", moment, grain, holds=roots < on_wetness and not is_fed)
    keep_run(runs, "off", moment, grain, holds=roots > limits.off_wetness)
    state = state._replace(runs=runs)
    dry, off = runs.get("dry"), runs.get("off")
    if dry is not None and dry.held_ms >= limits.hold_h * HOUR_MS and state.way in ("", AHEAD):
        told = later("as foretold, roots have been dry for {lasting}.") if state.is_open else later(
            "roots have been dry for {lasting}."
        )  # fmt: skip
        strip = facts.spot.strip
        order = (
            say("Give one deep watering, unless you are drying it for play.")
            if strip is None
            else say("Give strip {n} one deep watering, unless you are drying it for play.", n=strip)
        )
        text = with_order(say(told, lasting=lasting_mark(dry.since_ms)), order)
        if state.is_open:
            return RuleOutcome(state, Change(REPEATED, text, dry.since_ms, "dry"))
        return RuleOutcome(state, Change(OPENED, text, dry.since_ms, "dry"))
    wet_again = off is not None and off.held_ms >= Counting.roots_off_hold_h * HOUR_MS
    if state.is_open and wet_again and not _still_foretold(state, moment.at_ms, limits.lead_h):
        return RuleOutcome(state, Change(CLOSED, say("the roots have water again.")))
    return RuleOutcome(state)


def _unfed_roots(forecast: WetnessForecast, limits: RootsDryBounds) -> FloatArray:
    """Return the wetness of the root zone, shape (hour, member), as full where the thatch still feeds the grass. [1]"""
    roots, fed = forecast.root_wetness, forecast.thatch_wetness > limits.fed_wetness
    return np.where(fed & np.isfinite(roots), np.maximum(roots, 1.0), roots)


# --- water not arriving ----------------------------------------------------------------------------------------------


class WaterNotArrivingBounds(RuleBounds):
    """Bounds of water that does not reach the roots: of more than `on_mm` given, less than `on_share` [1].

    A root zone wetter than `full_wetness` before the water has no room for it and is not evaluated. [1]
    """

    on_mm: Millimetres = 5.0
    on_share: Share = 0.2
    off_share: Annotated[Share, apart("more", "on_share")] = 0.5
    full_wetness: Wetness = 0.9
    months: Months = ()


def water_not_arriving(state: AlertState, wetting: Span, facts: Facts[WaterNotArrivingBounds]) -> RuleOutcome:
    """Water that stopped above the roots, wetting by wetting.

    Opens when, of more than `on_mm`, less than `on_share` has reached the roots a day after its end; each such wetting
    after it is repeated. Closes with the next of more than `on_mm` of which more than `off_share` arrived. A root zone
    that was full before changes nothing.
    """
    limits, given_mm = facts.bounds, wetting.value
    shares = facts.found("arrival_share")
    share = next(iter(shares.value[shares.start_ms == wetting.start_ms].tolist()), math.nan)
    if math.isnan(share) or not given_mm > limits.on_mm:
        return RuleOutcome(state)
    day = weekday_mark(wetting.end_ms)
    if state.is_open and share > limits.off_share:
        again = say("of the {mm:.0f} mm of {day} most reached the roots again.", mm=given_mm, day=day)
        return RuleOutcome(state, Change(CLOSED, again))
    if not share < limits.on_share or _wetness_before(facts, wetting.start_ms) >= limits.full_wetness:
        return RuleOutcome(state)
    reached_mm = share * given_mm
    text = say(_STOPPED[state.is_open, reached_mm >= 1.0], mm=given_mm, day=day, reached=reached_mm)
    chances = facts.found("arrival_failed_chance")
    for chance in chances.value[(chances.start_ms == wetting.start_ms) & np.isfinite(chances.value)].tolist():
        text = " ".join([text, say("The chance that it truly did is {chance}.", chance=in_ten(chance))])
    if state.is_open:
        return RuleOutcome(state, Change(REPEATED, with_order(text, say("Spike before you water."))))
    text = with_order(text, say("Water long once, or spike first."))
    return RuleOutcome(state, Change(OPENED, text, wetting.start_ms, "stopped"))


_STOPPED = {
    # Translators: of the water given or fallen on a day, here and in the next three
    (True, True): later("again {mm:.0f} mm on {day} stopped short of the roots; about {reached:.0f} mm got there."),
    (True, False): later("again {mm:.0f} mm on {day} stopped short of the roots; under 1 mm got there."),
    (False, True): later("{mm:.0f} mm on {day} stopped short of the roots; about {reached:.0f} mm got there."),
    (False, False): later("{mm:.0f} mm on {day} stopped short of the roots; under 1 mm got there."),
}  # by whether one before it had stopped, and whether a millimetre got there


def _wetness_before(facts: Facts[WaterNotArrivingBounds], at_ms: int) -> float:
    """Return the last known wetness of the root zone in the hours before a wetting. [1] NaN where not known."""
    found, back_ms = facts.found("root_zone_wetness"), facts.rule.before["root_zone_wetness"] * HOUR_MS
    near = (found.start_ms < at_ms) & (found.start_ms > at_ms - back_ms) & np.isfinite(found.value)
    return float(found.value[near][-1]) if near.any() else math.nan


# --- thatch about to repel -------------------------------------------------------------------------------------------


class ThatchToRepelBounds(DrynessBounds):
    """Bounds of thatch about to repel water, without rain or watering for `hold_h`; see `DrynessBounds`."""

    on_wetness: Wetness = 0.15
    off_wetness: Annotated[Wetness, apart("more", "on_wetness")] = 0.3
    hold_h: Hours = 48.0
    lead_h: Hours = 24.0


def thatch_to_repel(state: AlertState, moment: Moment, facts: Facts[ThatchToRepelBounds]) -> RuleOutcome:
    """Thatch so dry that it may soon shed water.

    Opens when its wetness is below `on_wetness` and has fallen, with no rain or watering for `hold_h`; closes above
    `off_wetness`.
    """
    limits, thatch, run = facts.bounds, moment["thatch_wetness"], state.runs.get("thirst")
    water = last_water(state.water, run, moment)
    if math.isnan(thatch):
        return RuleOutcome(state._replace(water=water), known=False)
    run = dry_run(run, water, facts, moment, compared=thatch)
    state = state._replace(water=water, runs={"thirst": run})
    dry = thatch < limits.on_wetness and run.held_ms >= limits.hold_h * HOUR_MS
    if dry and run.highest is not None and run.highest - thatch >= Counting.falling_wetness:
        without = dry_mark(run.since_ms if state.water.at_ms is None else state.water.at_ms)
        fact = say("thatch is nearly dry after {lasting} without water, and may soon shed it.", lasting=without)
        text = with_order(fact, say("Begin the next water with a light go."))
        if state.is_open and state.way == AHEAD:  # what was foretold has come: no news, but it is shown as it is
            return RuleOutcome(state._replace(way="dry", text=f"{facts.spot.place}: {text}"))
        if state.is_open:
            return RuleOutcome(state)
        return RuleOutcome(state, Change(OPENED, text, run.since_ms, "dry"))
    # opened by the forecast it may be wet still: what was foretold has a day more to come
    wet_again = thatch > limits.off_wetness and state.is_open
    if wet_again and not _still_foretold(state, moment.at_ms, limits.lead_h):
        return RuleOutcome(state, Change(CLOSED, say("thatch has taken up water again."), runs=state.runs))
    return RuleOutcome(state)


# --- water left running ----------------------------------------------------------------------------------------------

# How it counts: from the simulated column, four soils, two heads, three rates (tests), and common practice, no source.
WITHIN_H = 12.0  # so long after its end a watering may be found running
BEGIN_MS = 2 * QUARTER_HOUR_MS  # the first finding must lie so soon after the end, to be compared with
GAUGE_MS = 2 * QUARTER_HOUR_MS  # rain must have been read so lately: an hour's water and an hour's rain look alike
DRY_MM = 0.2
AFTER, OVER = "after", "over"


class WaterRunningBounds(RuleBounds):
    """Bounds of water that runs on after the recorded end of a watering. Wetness is relative [1], times in hours."""

    after_h: Hours = 1.0
    rise_wetness: Wetness = 0.05
    fall_wetness: Wetness = 0.08
    repeat_h: Hours = 1.0


def water_running(state: AlertState, moment: Moment, facts: Facts[WaterRunningBounds]) -> RuleOutcome:
    """A watering that goes on after its end in the diary.

    Opens when, `after_h` after the end or later, the root zone is wetter by `rise_wetness` than at the end and the
    thatch has not drained by `fall_wetness`, with no rain since. Repeated every `repeat_h` while neither changes, by
    day and by night. Closes when the thatch drains, or the next watering begins.
    """
    limits, waterings = facts.bounds, facts.diary.waterings
    begun = [(w.start_ms, w.end_ms) for w in waterings if w.start_ms <= moment.at_ms]
    begin_ms, end_ms = max(begun, default=(0, 0))
    if state.is_open and state.since_ms not in {w.end_ms for w in waterings}:
        return RuleOutcome(state, Change(CLOSED, say("the diary has another end of that watering now.")))
    if end_ms == begin_ms or any(end > moment.at_ms for _, end in begun):  # its end is to come, or was not written
        if not state.is_open:
            return RuleOutcome(state._replace(runs={}))
        text = say("the next watering has begun; whether the last one ran on is not known.")
        return RuleOutcome(state, Change(CLOSED, text))
    if moment.at_ms - end_ms > WITHIN_H * HOUR_MS and not state.is_open:
        return RuleOutcome(state._replace(runs={}))
    run = _since_its_end(state, moment, end_ms)
    if run is None:
        return RuleOutcome(state)
    thatch, heard_ms = moment["thatch_wetness"], moment.rain_heard_ms
    gauge = facts.spot.context.rain_channel is not None and heard_ms is not None
    rainy = run.rain_mm > DRY_MM or not gauge or heard_ms is None or moment.at_ms - heard_ms > GAUGE_MS
    # a finding that is missing says nothing
    drained = run.highest is not None and run.highest - thatch >= limits.fall_wetness
    runs = {OVER: run} if rainy or drained else {AFTER: run}
    state = state._replace(runs=runs)
    hours = round((moment.at_ms - run.since_ms) / HOUR_MS)
    ended = f"{local(facts.where, run.since_ms):%H:%M}"
    if state.is_open:
        if drained:
            return RuleOutcome(state, Change(CLOSED, say("the water has stopped.")))
        if AFTER not in runs or math.isnan(thatch):
            return RuleOutcome(state)
        text = say_many(
            "water still goes in, {n} hour after the watering should have ended at {clock}. "
            "Turn it off, or mark this as seen.",
            "water still goes in, {n} hours after the watering should have ended at {clock}. "
            "Turn it off, or mark this as seen.",
            hours, clock=ended,
        )  # fmt: skip
        return RuleOutcome(state, Change(REPEATED, text))
    due = moment.at_ms - run.since_ms >= limits.after_h * HOUR_MS
    risen = run.lowest is not None and moment["root_zone_wetness"] - run.lowest >= limits.rise_wetness
    if AFTER not in runs or not due or not risen or math.isnan(thatch):
        return RuleOutcome(state)
    text = say_many(
        "water still goes in {n} hour after the watering should have ended at {clock}. "
        "Look whether it was left running.",
        "water still goes in {n} hours after the watering should have ended at {clock}. "
        "Look whether it was left running.",
        hours, clock=ended,
    )  # fmt: skip
    return RuleOutcome(state, Change(OPENED, text, run.since_ms, "running"))


def _since_its_end(state: AlertState, moment: Moment, end_ms: int) -> Hold | None:
    """Return the run since the end: `lowest` of the roots at it, `highest` of the thatch, rain; None to report
    nothing."""
    thatch, roots = moment["thatch_wetness"], moment["root_zone_wetness"]
    before = state.runs.get(AFTER) or state.runs.get(OVER)
    if before is None or before.since_ms != end_ms:
        known = not math.isnan(thatch) and not math.isnan(roots)
        if not known or moment.at_ms - end_ms > BEGIN_MS or state.is_open:
            return None
        return Hold(end_ms, moment.at_ms, 0, roots, thatch)
    if OVER in state.runs and not state.is_open:
        return None
    highest = before.highest if before.highest is not None else -math.inf
    highest = highest if math.isnan(thatch) else max(highest, thatch)
    return before._replace(last_ms=moment.at_ms, highest=highest, rain_mm=before.rain_mm + moment.rain_mm)


# --- roots shallow ---------------------------------------------------------------------------------------------------

# By the estimates of fortnights, in soil depth as a ruler would show it. Probes show where roots take up water, a ruler
# where they end: the first core with a root depth gives the ratio of the two, and before there is one nothing is said.

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
    """Bounds of shallow roots. Lengths in mm, times in hours.

    `on_mm` is soil depth as a ruler shows it; 0 takes the bound of the kind of turf.
    """

    on_mm: Millimetres = 0.0
    off_mm: Millimetres = 15.0
    repeat_h: Hours = 720.0
    months: Months = ()


def roots_shallow(state: AlertState, fortnight: Span, facts: Facts[RootsShallowBounds]) -> RuleOutcome:
    """Roots that end above the bound of their kind of turf.

    Opens when two of the last three estimates lie above the bound; closes when one lies `off_mm` or more below it.
    Repeated every `repeat_h` while estimates stay shallow. In a hot late summer the bound of cool-season turf is 0.7 of
    the usual.
    """
    if math.isnan(fortnight.value):
        return RuleOutcome(state, known=False)
    context: StationContext = facts.spot.context
    estimate = _estimate(fortnight, facts)
    kept = [e for e in state.estimates if estimate.start_ms - e.start_ms < FORGET_MS]
    state = state._replace(estimates=(*kept, estimate)[-LOOKED_AT:])
    if state.ruler_ratio is None:
        state = state._replace(ruler_ratio=_ratio(state, context))
    ratio = state.ruler_ratio
    if ratio is None:
        return RuleOutcome(state, known=False)

    def over_m(one: RootEstimate) -> float:
        """Return how much deeper roots are than the bound, negative when shallow. [m]"""
        return one.soil_depth_m * ratio - shallow_bound_m(one, context, facts.bounds.on_mm)

    shallow = [e for e in state.estimates if over_m(e) < 0.0 and not e.at_least]
    ruler_mm = estimate.soil_depth_m * ratio * 1000.0
    if not state.is_open:
        if estimate not in shallow or len(shallow) < NEEDED:
            return RuleOutcome(state)
        told = later(
            "roots go only about {depth:.0f} mm into the soil. "
            "Look at a core before any deep pass, and ease the mowing."
        )
        return RuleOutcome(state, Change(OPENED, say(told, depth=ruler_mm), shallow[0].start_ms, "shallow"))
    if over_m(estimate) >= facts.bounds.off_mm / 1000.0:
        return RuleOutcome(
            state, Change(CLOSED, say("roots go about {depth:.0f} mm into the soil again.", depth=ruler_mm))
        )
    text = say("roots still go only about {depth:.0f} mm into the soil. Check with a core.", depth=ruler_mm)
    return RuleOutcome(state, Change(REPEATED, text) if estimate in shallow else None)


def _estimate(fortnight: Span, facts: Facts[RootsShallowBounds]) -> RootEstimate:
    warmth = facts.found("soil_temperature_050")
    inside = (warmth.start_ms >= fortnight.start_ms) & (warmth.start_ms < fortnight.end_ms) & np.isfinite(warmth.value)
    top_m = facts.spot.context.soil_top_m((fortnight.start_ms + fortnight.end_ms) // 2)
    return RootEstimate(
        fortnight.start_ms,
        fortnight.end_ms,
        max(fortnight.value - top_m, 0.0),
        math.isnan(fortnight.high),
        float(warmth.value[inside].mean()) if inside.any() else None,
    )


def _ratio(state: AlertState, context: StationContext) -> float | None:
    """Return ruler over estimate, from the first core until now that has an estimate near it in time. [1]"""
    until_ms = state.estimates[-1].end_ms
    for core in (core for core in context.facts.root_cores if core.at_ms < until_ms):
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
    turf = context.ground.grass if context.ground.grass in SHALLOW_ROOTS_M else context.kind
    bound = on_mm / 1000.0 if on_mm > 0.0 else SHALLOW_ROOTS_M[turf]
    where = Where(context.kind, context.ground.grass, context.site.southern)
    late_summer = in_months(HOT_MONTHS, where, (estimate.start_ms + estimate.end_ms) // 2)
    hot = estimate.temperature_degc is not None and estimate.temperature_degc > HOT_DEGC
    return bound * HOT_SHARE if hot and late_summer and context.ground.grass != "warm" else bound


# --- the declarations ------------------------------------------------------------------------------------------------

WHEN_USEFUL = HeldBy.NIGHT | HeldBy.SEASON | HeldBy.PLAY

THATCH_HOLDING = AlertRule(
    name=RuleName("thatch_holding"),
    bounds=ThatchHoldingBounds,
    look=thatch_holding,
    held_by=WHEN_USEFUL | HeldBy.WATER,
    reads=("thatch_wetness", "thatch_air", "root_zone_wetness"),
    season=GROWTH,
)
ROOTS_DRY = AlertRule(
    name=RuleName("roots_dry"),
    bounds=RootsDryBounds,
    look=roots_dry,
    held_by=WHEN_USEFUL | HeldBy.DRYING,
    reads=("root_zone_wetness", "thatch_wetness"),
    season=GROWTH,
    ahead=_foretold(
        _unfed_roots,
        _roots_bound,
        # Translators: when is a moment, as "Thursday 14:00"
        later("roots are likely to be dry by {when}, {chance}."),
        later("Give one deep watering before, unless you are drying it for play."),
        later("roots are not likely to go dry soon, by the forecast of now."),
    ),
)
WATER_NOT_ARRIVING = AlertRule(
    name=RuleName("water_not_arriving"),
    bounds=WaterNotArrivingBounds,
    look=water_not_arriving,
    grain=RuleGrain.DAY,
    held_by=WHEN_USEFUL | HeldBy.DRYING,
    reads=("wetting_given", "arrival_share", "arrival_failed_chance"),
    before={"root_zone_wetness": 3.0},  # one that was full had no room for more
    season=GROWTH,
    settle_h=DAY_H + 1.0,  # the account of a wetting is struck a day after its end
)
THATCH_TO_REPEL = AlertRule(
    name=RuleName("thatch_to_repel"),
    bounds=ThatchToRepelBounds,
    look=thatch_to_repel,
    manner=Manner.INTERRUPTING,
    held_by=WHEN_USEFUL | HeldBy.DRYING,
    reads=("thatch_wetness",),
    season={"cool": (4, 5, 6, 7, 8, 9)},  # common practice, no source
    ahead=_foretold(
        lambda forecast, _: forecast.thatch_wetness,
        lambda facts: facts.bounds.on_wetness,
        # Translators: when is a moment, as "Thursday 14:00"
        later("thatch is likely to be so dry by {when} that it sheds water, {chance}."),
        later("Begin the next water with a light go."),
        later("thatch is not likely to shed water soon, by the forecast of now."),
    ),
)
WATER_RUNNING = AlertRule(
    name=RuleName("water_running"),
    bounds=WaterRunningBounds,
    look=water_running,
    manner=Manner.URGENT,
    reads=("thatch_wetness", "root_zone_wetness"),
    settle_h=0.0,  # waiting until findings stand would cost hours of water
)
ROOTS_SHALLOW = AlertRule(
    name=RuleName("roots_shallow"),
    bounds=RootsShallowBounds,
    look=roots_shallow,
    grain=RuleGrain.DAY,
    held_by=HeldBy.NIGHT | HeldBy.SEASON,
    reads=("root_depth_90", "soil_temperature_050"),
    season=GROWTH,
    settle_h=24.0,  # a fortnight over for so long stands
    late_h=None,  # a fortnight is judged whenever its estimate comes
)
WATER_RULES = (THATCH_HOLDING, ROOTS_DRY, WATER_NOT_ARRIVING, THATCH_TO_REPEL, WATER_RUNNING, ROOTS_SHALLOW)
