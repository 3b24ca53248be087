"""The two rules about water: thatch that holds it, and roots that lack it.

Each walks the findings in the order of time, quarter hour by quarter hour, from where its state left off; so what it
says depends on the findings and not on how often it was asked. A finding that is missing or withheld neither opens nor
closes an alert.
"""

from __future__ import annotations

import math
from dataclasses import replace

from pipeline.advice.moments import Moment, dry_run, fresh_water, keep, lag_h, moments, walked, with_rain
from pipeline.advice.saying import by_day, may_open, season_over
from pipeline.advice.watch import (
    CLOSED,
    OPENED,
    REPEATED,
    AlertBounds,
    AlertEvent,
    AlertState,
    Diary,
    Run,
    StationWatch,
    event,
    for_how_long,
)
from pipeline.soil.moving import HOUR_MS

DAY_H = 24.0
HOLDING = ("thatch_wetness", "thatch_air", "root_zone_wetness")


def thatch_holding(
    state: AlertState, watch: StationWatch, diary: Diary, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Thatch that stays wet without rain over drying roots, or stays without air.

    Opens when the wetness of the thatch has been above `on_wetness` for `hold_h` without rain or watering, while the
    root zone lies below `root_wetness` or is drying; or when its air-filled porosity has been below `on_air` for
    `hold_h`; but never within `after_water_h` of rain or watering, when anybody knows that it is wet. Closes when the
    wetness has been below `off_wetness`, with air, for `off_hold_h`. Said again only with news: the roots have come
    short, or the air has gone, and `repeat_h` after the last word. Without a rain gauge only a rise of the thatch
    itself tells of fresh water.

    Parameters
    ----------
    state, watch, diary : AlertState, StationWatch, Diary
    now_ms : int
        All that was measured until then is taken as known. [ms since 1970, UTC]
    bounds : AlertBounds

    Returns
    -------
    (AlertState, list of AlertEvent)
    """
    events: list[AlertEvent] = []
    last = None
    for last in moments(state, watch, diary, now_ms, bounds, HOLDING):
        state, said = _hold_step(state, watch, diary, last, bounds)
        events += said
    return walked(state, last, now_ms, bounds), events


def _hold_step(
    state: AlertState, watch: StationWatch, diary: Diary, moment: Moment, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    limits, at_ms = bounds.thatch_holding, moment.at_ms
    runs, wet = dict(state.runs), state.runs.get("wet")
    rains = with_rain(state.rains, moment, limits.after_water_h)
    if math.isnan(moment.thatch):
        if wet is not None:  # rain that fell in a moment whose thatch is not known still belongs to the run
            runs["wet"] = wet._replace(rain_mm=wet.rain_mm + moment.rain_mm)
        return replace(state, runs=runs, rains=rains), []
    airless = moment.air < limits.on_air
    keep(runs, "airless", at_ms, bounds, held=airless)
    if moment.thatch > limits.on_wetness:
        runs["wet"] = dry_run(wet, watch, moment, bounds, compared=moment.roots)
    else:
        runs.pop("wet", None)
    keep(runs, "off", at_ms, bounds, held=moment.thatch < limits.off_wetness and not airless)
    state, over = season_over(replace(state, runs=runs, rains=rains), watch, at_ms, bounds)
    if over:
        return state, over
    off = runs.get("off")
    if state.is_open and off is not None and off.held_ms >= limits.off_hold_h * HOUR_MS:
        text = "thatch has drained. Water by the roots' need again."
        return _close(state, watch, at_ms, text, bounds)
    news = _holding_news(state, runs, moment, bounds)
    if not news or fresh_water(state, diary, at_ms, limits.after_water_h, bounds):
        return state, []
    if not may_open("thatch_holding", watch.where, diary, at_ms, bounds, lag_h=lag_h(bounds)):
        return state, []
    short = ("short",) if moment.roots < limits.root_wetness else ()
    if not state.is_open:
        return _open(state, watch, at_ms, news, runs[news].since_ms, *dict.fromkeys((news, *short)))
    said_at_ms = state.said_at_ms
    assert said_at_ms is not None  # set with opened_at_ms
    if at_ms - said_at_ms < limits.repeat_h * HOUR_MS:
        return state, []
    state = replace(state, said_at_ms=at_ms, told=tuple(dict.fromkeys((*state.told, news, *short))))
    return state, [event(watch, state, REPEATED, at_ms, _NEWS[news])]


_NEWS = {
    "wet": "thatch still holds water. Keep water off, and think of opening it up.",
    "short": "thatch still holds water, and now the roots below go short. Think of opening it up.",
    "airless": "thatch still holds water, and now has hardly any air. Open it up as soon as it bears.",
}


def _holding_news(state: AlertState, runs: dict[str, Run], moment: Moment, bounds: AlertBounds) -> str:
    """What there is to say that has not been said since it opened; empty when nothing is."""
    ways = _ways_open(runs, moment, bounds)
    if not state.is_open:
        return ways[0] if ways else ""
    if not (moment.thatch > bounds.thatch_holding.on_wetness or moment.air < bounds.thatch_holding.on_air):
        return ""
    if moment.roots < bounds.thatch_holding.root_wetness:
        ways.append("short")
    return next((way for way in ways if way not in state.told), "")


def _ways_open(runs: dict[str, Run], moment: Moment, bounds: AlertBounds) -> list[str]:
    """Which conditions would open the alert now."""
    hold_ms = bounds.thatch_holding.hold_h * HOUR_MS
    airless, wet = runs.get("airless"), runs.get("wet")
    found = []
    if wet is not None and wet.held_ms >= hold_ms and not math.isnan(moment.roots):
        drying = wet.highest is not None and wet.highest - moment.roots >= bounds.falling_wetness
        if drying or moment.roots < bounds.thatch_holding.root_wetness:
            found.append("wet")
    if airless is not None and airless.held_ms >= hold_ms:
        found.append("airless")
    return found


def _open(
    state: AlertState, watch: StationWatch, at_ms: int, way: str, since_ms: int, *told: str
) -> tuple[AlertState, list[AlertEvent]]:
    long = for_how_long(at_ms - since_ms)
    text = {
        "wet": f"thatch has stayed wet for {long} without rain while the roots below go short. "
        "Keep water off until it drains.",
        "airless": f"thatch has been waterlogged for {long}, with hardly any air. Keep water off until it drains.",
        "dry": f"roots have been dry for {long}. Give one deep watering, unless you are drying it for play.",
    }[way]
    state = state.opened(at_ms, since_ms, way, *told)
    return state, [event(watch, state, OPENED, at_ms, text)]


def _close(
    state: AlertState, watch: StationWatch, at_ms: int, text: str, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Close an alert, by day: at night it waits for the morning, and stays open if it gets worse before."""
    if not by_day(watch.where, at_ms, bounds, lag_h=lag_h(bounds)):
        return state, []
    return state.closed(), [event(watch, state, CLOSED, at_ms, text)]


def roots_dry(
    state: AlertState, watch: StationWatch, diary: Diary, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Root zone short of water.

    Opens when its wetness has been below `on_wetness` for `hold_h`, closes when it has been above `off_wetness` for
    `roots_off_hold_h`. Quiet while the surface is dried for play. One that was opened by the forecast (see
    `ahead_alerts`) is said again when it has come true, and is not closed by a root zone that is wet still. Arguments
    and results as of `thatch_holding`.
    """
    events: list[AlertEvent] = []
    last = None
    for last in moments(state, watch, diary, now_ms, bounds, ("root_zone_wetness",)):
        if not math.isnan(last.roots):
            state, said = _dry_step(state, watch, diary, last, bounds)
            events += said
    return walked(state, last, now_ms, bounds), events


def _dry_step(
    state: AlertState, watch: StationWatch, diary: Diary, moment: Moment, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    limits, at_ms = bounds.roots_dry, moment.at_ms
    if not state.runs and not state.is_open and limits.on_wetness <= moment.roots <= limits.off_wetness:
        return state, []
    runs = dict(state.runs)
    keep(runs, "dry", at_ms, bounds, held=moment.roots < limits.on_wetness)
    keep(runs, "off", at_ms, bounds, held=moment.roots > limits.off_wetness)
    state, over = season_over(replace(state, runs=runs), watch, at_ms, bounds)
    if over:
        return state, over
    dry, off = runs.get("dry"), runs.get("off")
    if dry is not None and dry.held_ms >= limits.hold_h * HOUR_MS and state.way in ("", "ahead"):
        if not may_open("roots_dry", watch.where, diary, at_ms, bounds, lag_h=lag_h(bounds)):
            return state, []
        if not state.is_open:
            return _open(state, watch, at_ms, "dry", dry.since_ms)
        state = replace(state, way="dry", said_at_ms=at_ms, since_ms=dry.since_ms)
        long = for_how_long(at_ms - dry.since_ms)
        text = (
            f"as foretold, roots have been dry for {long}. Give one deep watering, unless you are drying it for play."
        )
        return state, [event(watch, state, REPEATED, at_ms, text)]
    if state.is_open and off is not None and off.held_ms >= bounds.roots_off_hold_h * HOUR_MS:
        if state.way == "ahead" and not _foretold_is_past(state, at_ms, bounds):
            return state, []
        return _close(state, watch, at_ms, "water has reached the roots.", bounds)
    return state, []


def _foretold_is_past(state: AlertState, at_ms: int, bounds: AlertBounds) -> bool:
    """Whether what was foretold should have come by now, and a day more."""
    assert state.opened_at_ms is not None
    return at_ms - state.opened_at_ms > (bounds.roots_dry.lead_h + DAY_H) * HOUR_MS
