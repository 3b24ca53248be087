"""The rules about water: held in the thatch, lacking in the roots, not arriving, left running, and forecast."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from pipeline.alerts.gating import by_day, hour_of, local, may_open, next_day_ms, season_over
from pipeline.alerts.model import (
    CLOSED,
    OPENED,
    REPEATED,
    AlertBounds,
    AlertEvent,
    AlertState,
    Hold,
    Spot,
    StationWatch,
    event,
    for_how_long,
)
from pipeline.alerts.quarter_hours import Moment, dry_run, fresh_water, keep, lag_h, moments, walked, with_rain
from pipeline.diary.facts import (
    DiaryFacts,
)
from pipeline.forecast.wetness import WetnessForecast, in_ten
from pipeline.soil.arrival import SETTLE_H
from pipeline.soil.layers import CELL_MS
from pipeline.units import HOUR_MS, BoolArray, FloatArray

DAY_H = 24.0
HOLDING = ("thatch_wetness", "thatch_air", "root_zone_wetness")


def thatch_holding(
    state: AlertState, watch: StationWatch, diary: DiaryFacts, now_ms: int, bounds: AlertBounds
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
    state: AlertState, watch: StationWatch, diary: DiaryFacts, moment: Moment, bounds: AlertBounds
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


def _holding_news(state: AlertState, runs: dict[str, Hold], moment: Moment, bounds: AlertBounds) -> str:
    """What there is to say that has not been said since it opened; empty when nothing is."""
    ways = _ways_open(runs, moment, bounds)
    if not state.is_open:
        return ways[0] if ways else ""
    if not (moment.thatch > bounds.thatch_holding.on_wetness or moment.air < bounds.thatch_holding.on_air):
        return ""
    if moment.roots < bounds.thatch_holding.root_wetness:
        ways.append("short")
    return next((way for way in ways if way not in state.told), "")


def _ways_open(runs: dict[str, Hold], moment: Moment, bounds: AlertBounds) -> list[str]:
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
    state: AlertState, watch: StationWatch, diary: DiaryFacts, now_ms: int, bounds: AlertBounds
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
    state: AlertState, watch: StationWatch, diary: DiaryFacts, moment: Moment, bounds: AlertBounds
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


ACCOUNT_H = SETTLE_H + 1.0  # so long after the last of it the account of a wetting is struck


# --- water not arriving ------------------------------------------------------------------------------------------


class _Wetting(NamedTuple):
    start_ms: int
    end_ms: int
    given_mm: float
    share: float


def water_not_arriving(
    state: AlertState, watch: StationWatch, diary: DiaryFacts, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Water that stopped above the roots, wetting by wetting.

    Opens when, of more than `on_mm`, less than `on_share` has reached the roots a day after its end; each such wetting
    after it is said again. Closes with the next of more than `on_mm` of which more than `off_share` arrived. A root
    zone that was full before says nothing: it had no room.

    Parameters
    ----------
    state, watch, diary : AlertState, StationWatch, Diary
        The watch has findings `wetting_given` and `arrival_share` from `evaluated_to_ms` on, and `root_zone_wetness` of
        the hours before them.
    now_ms : int
        Wettings over for a day and an hour before are judged. [ms since 1970, UTC]
    bounds : AlertBounds

    Returns
    -------
    (AlertState, list of AlertEvent)
    """
    events: list[AlertEvent] = []
    for wetting in _wettings(state, watch):
        at_ms = next_day_ms(watch.where, wetting.end_ms + round(ACCOUNT_H * HOUR_MS), bounds)
        if at_ms > now_ms:
            break
        state = replace(state, evaluated_to_ms=wetting.start_ms)
        state, said = _arrival_step(state, watch, diary, wetting, at_ms, bounds)
        events += said
    return walked(state, None, now_ms, bounds), events


def _arrival_step(
    state: AlertState, watch: StationWatch, diary: DiaryFacts, wetting: _Wetting, at_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    limits = bounds.water_not_arriving
    state, over = season_over(state, watch, at_ms, bounds)
    if over or math.isnan(wetting.share) or not wetting.given_mm > limits.on_mm:
        return state, over
    if state.is_open and wetting.share > limits.off_share:
        text = f"of the {wetting.given_mm:.0f} mm of {_day(watch, wetting)} most reached the roots again."
        return state.closed(), [event(watch, state, CLOSED, at_ms, text)]
    full = _wetness_before(watch, wetting.start_ms) >= limits.full_wetness
    if not wetting.share < limits.on_share or full:
        return state, []
    if not may_open("water_not_arriving", watch.where, diary, at_ms, bounds):
        return state, []
    again = state.is_open
    arrived_mm = wetting.share * wetting.given_mm
    reached = f"about {arrived_mm:.0f} mm" if arrived_mm >= 1.0 else "under 1 mm"
    what = f"{wetting.given_mm:.0f} mm on {_day(watch, wetting)}"
    if again:
        state = replace(state, said_at_ms=at_ms)
        text = f"again {what} stopped short of the roots; {reached} got there. Spike before you water."
        return state, [event(watch, state, REPEATED, at_ms, text)]
    state = state.opened(at_ms, wetting.start_ms, "stopped")
    text = f"{what} stopped short of the roots; {reached} got there. Water long once, or spike first."
    return state, [event(watch, state, OPENED, at_ms, text)]


def _wettings(state: AlertState, watch: StationWatch) -> Iterator[_Wetting]:
    """Wettings not yet walked, in the order of time."""
    table = watch.findings
    if "end_ms" not in table or not len(table):
        return
    start, end = table["start_ms"].to_numpy(dtype=np.int64), table["end_ms"].to_numpy(dtype=np.float64)
    value, quantity = table["value"].to_numpy(dtype=np.float64), table["quantity"].to_numpy(dtype=object)
    shares = {int(t): float(v) for t, v in zip(start[quantity == "arrival_share"], value[quantity == "arrival_share"],
                                               strict=True)}  # fmt: skip
    rows = np.flatnonzero((quantity == "wetting_given") & (start > state.evaluated_to_ms))
    for row in rows[np.argsort(start[rows], kind="stable")]:
        at_ms = int(start[row])
        yield _Wetting(at_ms, int(end[row]), float(value[row]), shares.get(at_ms, math.nan))


def _wetness_before(watch: StationWatch, at_ms: int) -> float:
    """Last known wetness of the root zone before a wetting. [1] NaN where not known."""
    table = watch.findings
    start, value = table["start_ms"].to_numpy(dtype=np.int64), table["value"].to_numpy(dtype=np.float64)
    rows = np.flatnonzero((table["quantity"] == "root_zone_wetness").to_numpy() & (start < at_ms) & np.isfinite(value))
    near = rows[start[rows] > at_ms - 3 * HOUR_MS]
    return float(value[near[np.argmax(start[near])]]) if near.size else math.nan


def _day(watch: StationWatch, wetting: _Wetting) -> str:
    return f"{local(watch.where, wetting.end_ms):%A}"


# --- thatch about to repel ---------------------------------------------------------------------------------------


def thatch_to_repel(
    state: AlertState, watch: StationWatch, diary: DiaryFacts, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Thatch so dry that it may soon shed water.

    Opens when its wetness is below `on_wetness` and has fallen, with no rain or watering for `hold_h`; closes above
    `off_wetness`. Quiet while the surface is dried for play. Arguments and results as of `water_alerts.thatch_holding`.
    """
    events: list[AlertEvent] = []
    limits, run, last = bounds.thatch_to_repel, state.runs.get("thirst"), None
    for last in moments(state, watch, diary, now_ms, bounds, ("thatch_wetness",)):
        if math.isnan(last.thatch):
            if run is not None:  # what fell meanwhile belongs to the run
                run = run._replace(rain_mm=run.rain_mm + last.rain_mm)
            continue
        run = dry_run(run, watch, last, bounds, compared=last.thatch)
        dry = last.thatch < limits.on_wetness and run.held_ms >= limits.hold_h * HOUR_MS
        if not dry and not state.is_open:
            continue
        state, said = season_over(replace(state, runs={"thirst": run}), watch, last.at_ms, bounds)
        fallen = run.highest is not None and run.highest - last.thatch >= bounds.falling_wetness
        if dry and fallen and not state.is_open and not said:
            state, said = _repel_opens(state, watch, diary, last, bounds)
        elif dry and fallen and state.is_open:
            state = replace(state, way="dry")  # what was foretold has come: no news
        elif state.is_open and last.thatch > limits.off_wetness:
            state, said = _repel_closes(state, watch, last, bounds)
        events += said
    runs = {} if run is None else {"thirst": run}
    return walked(replace(state, runs=runs), last, now_ms, bounds), events


def _repel_opens(
    state: AlertState, watch: StationWatch, diary: DiaryFacts, moment: Moment, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    at_ms, run = moment.at_ms, state.runs["thirst"]
    if not may_open("thatch_to_repel", watch.where, diary, at_ms, bounds, lag_h=lag_h(bounds)):
        return state, []
    long = for_how_long(at_ms - run.since_ms)
    text = (
        f"thatch is nearly dry after {long} without water, and may soon shed it. Begin the next water with a light go."
    )
    state = state.opened(at_ms, run.since_ms, "dry")
    return state, [event(watch, state, OPENED, at_ms, text)]


def _repel_closes(
    state: AlertState, watch: StationWatch, moment: Moment, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    # opened by the forecast it may be wet still: what was foretold has a day more to come
    assert state.opened_at_ms is not None
    due_ms = state.opened_at_ms + round((bounds.thatch_to_repel.lead_h + 24.0) * HOUR_MS)
    foretold = state.way == "ahead" and moment.at_ms <= due_ms
    if foretold or not by_day(watch.where, moment.at_ms, bounds, lag_h=lag_h(bounds)):
        return state, []
    said = event(watch, state, CLOSED, moment.at_ms, "thatch has taken up water again.")
    return state.closed(), [said]


# --- stay off ----------------------------------------------------------------------------------------------------


class _Work(NamedTuple):
    start_ms: int
    end_ms: int
    words: str


def stay_off(
    state: AlertState, watch: StationWatch, diary: DiaryFacts, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Ground too wet for the work or the play that is booked on it.

    Opens when the top is wetter than `on_wetness` and something is booked for today, or from `evening_hour` on for
    tomorrow; but not within `after_water_h` of rain or watering, when anybody knows. Said again for another day's work.
    Closes below `off_wetness`, or when nothing is booked any more. Arguments and results as of
    `water_alerts.thatch_holding`.
    """
    events: list[AlertEvent] = []
    rains, last = state.rains, None
    for last in moments(state, watch, diary, now_ms, bounds, ("top_layer_wetness",)):
        rains = with_rain(rains, last, bounds.stay_off.after_water_h)
        if last.top > bounds.stay_off.on_wetness or (state.is_open and not math.isnan(last.top)):
            state, said = _stay_step(replace(state, rains=rains), watch, diary, last, bounds)
            events += said
    return walked(replace(state, rains=rains), last, now_ms, bounds), events


def _stay_step(
    state: AlertState, watch: StationWatch, diary: DiaryFacts, moment: Moment, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    limits, at_ms = bounds.stay_off, moment.at_ms
    known_ms = at_ms + round(lag_h(bounds) * HOUR_MS)  # when somebody hears of it
    if not by_day(watch.where, at_ms, bounds, lag_h=lag_h(bounds)):
        return state, []
    if state.is_open and moment.top < limits.off_wetness:
        return state.closed(), [event(watch, state, CLOSED, at_ms, "the top has drained, and bears work again.")]
    work = _work(watch, diary, known_ms)
    if state.is_open and not work:
        return state.closed(), [event(watch, state, CLOSED, at_ms, "nothing is booked on the wet ground any more.")]
    today = local(watch.where, known_ms).date()
    evening = hour_of(watch.where, known_ms) >= limits.evening_hour
    due = [w for w in work if known_ms < w.start_ms and (evening or local(watch.where, w.start_ms).date() == today)]
    new = [w for w in due if _date(watch, w) not in state.told]
    if not new or not moment.top > limits.on_wetness:
        return state, []
    if fresh_water(state, diary, at_ms, limits.after_water_h, bounds):
        return state, []
    if not may_open("stay_off", watch.where, diary, at_ms, bounds, lag_h=lag_h(bounds)):
        return state, []
    first = min(new)
    day = "today" if local(watch.where, first.start_ms).date() == today else "tomorrow"
    text = f"the top is too wet for the {first.words} of {day}. Stay off, or put it off, until it drains."
    told = tuple(dict.fromkeys((*state.told, *(_date(watch, w) for w in due))))
    if state.is_open:
        state = replace(state, said_at_ms=at_ms, told=told)
        return state, [event(watch, state, REPEATED, at_ms, text)]
    state = state.opened(at_ms, at_ms, "wet", *told)
    return state, [event(watch, state, OPENED, at_ms, text)]


def _work(watch: StationWatch, diary: DiaryFacts, known_ms: int) -> list[_Work]:
    """Passes booked and play, not over, of today and tomorrow."""
    every = [_Work(job.start_ms, job.end_ms, job.kind.replace("_", " ")) for job in diary.booked]
    every += [_Work(begin, end, "play") for begin, end in diary.plays]
    last = local(watch.where, known_ms).date() + datetime.timedelta(days=1)
    return [w for w in every if w.end_ms > known_ms and local(watch.where, w.start_ms).date() <= last]


def _date(watch: StationWatch, work: _Work) -> str:
    return local(watch.where, work.start_ms).date().isoformat()


# How it counts: from the simulated column, four soils, two heads, three rates (tests), and common practice, no source.
WITHIN_H = 12.0  # so long after its end a watering may be found running
BEGIN_MS = 2 * CELL_MS  # the first finding must lie so soon after the end, to be compared with
GAUGE_MS = 2 * CELL_MS  # rain must have been read so lately: an hour's water and an hour's rain look alike
DRY_MM = 0.2
QUANTITIES = ("thatch_wetness", "root_zone_wetness")
AFTER, OVER = "after", "over"


def water_running(
    state: AlertState, watch: StationWatch, diary: DiaryFacts, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """A watering that goes on beyond the end somebody wrote down.

    Opens when, `after_h` after the end or later, the root zone is wetter by `rise_wetness` than at the end and the
    thatch has not drained by `fall_wetness`, with no rain since. It is said again every `repeat_h` while neither
    changes, by day and by night. Closes when the thatch drains, or the next watering begins. Findings are judged as
    soon as they are there: waiting until they stand would cost hours of water.

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
    last: Moment | None = None
    for last in moments(state, watch, diary, now_ms, replace(bounds, settle_h=0.0), QUANTITIES):
        state, said = _step(state, watch, diary, last, bounds)
        events += said
    return walked(state, last, now_ms, bounds), events


def _step(
    state: AlertState, watch: StationWatch, diary: DiaryFacts, moment: Moment, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    begun = [(begin, end) for begin, end in diary.waterings if begin <= moment.at_ms]
    begin_ms, end_ms = max(begun, default=(0, 0))
    if state.is_open and state.since_ms not in {end for _, end in diary.waterings}:
        return _close_running(state, watch, moment.at_ms, "the diary has another end of that watering now.")
    if end_ms == begin_ms or any(end > moment.at_ms for _, end in begun):  # its end is to come, or was not written
        again = "the next watering has begun; whether the last one ran on is not known."
        return _close_running(state, watch, moment.at_ms, again) if state.is_open else (replace(state, runs={}), [])
    if moment.at_ms - end_ms > WITHIN_H * HOUR_MS and not state.is_open:
        return replace(state, runs={}), []
    run = _run(state, moment, end_ms)
    if run is None:
        return state, []
    rainy = run.rain_mm > DRY_MM or not _gauge_heard(watch, moment)
    runs = {OVER: run} if rainy or _drained(run, moment, bounds) else {AFTER: run}
    state = replace(state, runs=runs)
    if state.is_open:
        if _drained(run, moment, bounds):
            return _close_running(state, watch, moment.at_ms, "the water has stopped.")
        return _repeat(state, watch, moment, run, bounds)
    limits = bounds.water_running
    late = moment.at_ms - run.since_ms >= limits.after_h * HOUR_MS
    risen = run.lowest is not None and moment.roots - run.lowest >= limits.rise_wetness
    if AFTER not in runs or not late or not risen or math.isnan(moment.thatch):
        return state, []
    state = replace(state.opened(moment.at_ms, run.since_ms, "running"), runs=runs)
    text = (
        f"water still goes in {_how_late(run, moment)} after the watering should have ended at "
        f"{_clock(watch, run)}. Look whether it was left running."
    )
    return state, [event(watch, state, OPENED, moment.at_ms, text)]


def _run(state: AlertState, moment: Moment, end_ms: int) -> Hold | None:
    """What is known since the end: `lowest` of the roots at it, `highest` of the thatch, rain. None: not to be told."""
    before = state.runs.get(AFTER) or state.runs.get(OVER)
    if before is None or before.since_ms != end_ms:
        known = not math.isnan(moment.thatch) and not math.isnan(moment.roots)
        if not known or moment.at_ms - end_ms > BEGIN_MS or state.is_open:
            return None
        return Hold(end_ms, moment.at_ms, 0, moment.roots, moment.thatch)
    if OVER in state.runs and not state.is_open:
        return None
    highest = before.highest if before.highest is not None else -math.inf
    highest = highest if math.isnan(moment.thatch) else max(highest, moment.thatch)
    return before._replace(last_ms=moment.at_ms, highest=highest, rain_mm=before.rain_mm + moment.rain_mm)


def _drained(run: Hold, moment: Moment, bounds: AlertBounds) -> bool:
    """Whether the thatch has let go of water since the end; a finding that is missing says nothing."""
    return run.highest is not None and run.highest - moment.thatch >= bounds.water_running.fall_wetness


def _gauge_heard(watch: StationWatch, moment: Moment) -> bool:
    heard_ms = moment.rain_heard_ms
    return watch.context.rain_channel is not None and heard_ms is not None and moment.at_ms - heard_ms <= GAUGE_MS


def _repeat(
    state: AlertState, watch: StationWatch, moment: Moment, run: Hold, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    said_ms = state.said_at_ms
    if AFTER not in state.runs or math.isnan(moment.thatch) or said_ms is None:
        return state, []
    if moment.at_ms - said_ms < bounds.water_running.repeat_h * HOUR_MS:
        return state, []
    state = replace(state, said_at_ms=moment.at_ms)
    text = (
        f"water still goes in, {_how_late(run, moment)} after the watering should have ended at "
        f"{_clock(watch, run)}. Turn it off, or mark this as seen."
    )
    return state, [event(watch, state, REPEATED, moment.at_ms, text)]


def _close_running(
    state: AlertState, watch: StationWatch, at_ms: int, text: str
) -> tuple[AlertState, list[AlertEvent]]:
    return state.closed(), [event(watch, state, CLOSED, at_ms, text)]


def _how_late(run: Hold, moment: Moment) -> str:
    hours = (moment.at_ms - run.since_ms) / HOUR_MS
    return "1 hour" if round(hours) == 1 else f"{round(hours)} hours"


def _clock(watch: StationWatch, run: Hold) -> str:
    return f"{local(watch.where, run.since_ms):%H:%M}"


AHEAD = "ahead"
WITHDRAWN = 0.5  # of the chance that opens it: below this it is withdrawn, so that it does not come and go
LONGER_H = 24.0  # how long it must last, and how much later than the lead it may come: our own choice


@dataclass(frozen=True, slots=True)
class _Words:
    coming: str
    withdrawn: str


WORDS: Mapping[str, _Words] = {
    "roots_dry": _Words(
        "roots are likely to be dry by {when}, {chance}. "
        "Give one deep watering before, unless you are drying it for play.",
        "roots are not likely to go dry soon, by the forecast of now.",
    ),
    "thatch_to_repel": _Words(
        "thatch is likely to be so dry by {when} that it sheds water, {chance}. Begin the next water with a light go.",
        "thatch is not likely to shed water soon, by the forecast of now.",
    ),
}


def foretold(
    state: AlertState, spot: Spot, forecast: WetnessForecast, diary: DiaryFacts, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Open, keep or withdraw an alert of dryness by the forecast.

    Parameters
    ----------
    state : AlertState
        Of `roots_dry` or `thatch_to_repel`.
    spot : Spot
    forecast : WetnessForecast
    diary : Diary
    now_ms : int
        [ms since 1970, UTC]
    bounds : AlertBounds

    Returns
    -------
    (AlertState, list of AlertEvent)
        Nothing changes where the forecast is withheld.
    """
    limits = getattr(bounds, state.rule)
    wetness = forecast.root_wetness if state.rule == "roots_dry" else forecast.thatch_wetness
    below = _share_below(wetness, limits.on_wetness)
    at_ms = forecast.at_ms
    if below is None or at_ms.size != below.size or limits.lead_h <= 0.0:
        return state, []
    state, over = season_over(state, spot, now_ms, bounds)
    if over:
        return state, over
    ahead_h = (at_ms - now_ms) / HOUR_MS
    if not state.is_open:
        lasting = _lasting(below >= limits.on_chance)
        due = np.flatnonzero((ahead_h > 0.0) & (ahead_h <= limits.lead_h) & lasting)
        here = np.flatnonzero(ahead_h <= 0.0)
        dry_now = here.size > 0 and below[here[-1]] >= limits.on_chance
        if not due.size or dry_now:
            return state, []
        if not may_open(state.rule, spot.where, diary, now_ms, bounds):
            return state, []
        state = state.opened(now_ms, now_ms, AHEAD)
        at = local(spot.where, int(at_ms[due[0]]))
        text = WORDS[state.rule].coming.format(when=f"{at:%A} {at.hour}:{at:%M}", chance=in_ten(float(below[due[0]])))
        return state, [event(spot, state, OPENED, now_ms, text)]
    near = (ahead_h >= 0.0) & (ahead_h <= limits.lead_h + LONGER_H)
    likely = bool((below[near] >= WITHDRAWN * limits.on_chance).any())
    if state.way != AHEAD or likely or not by_day(spot.where, now_ms, bounds):
        return state, []
    return state.closed(), [event(spot, state, CLOSED, now_ms, WORDS[state.rule].withdrawn)]


def _lasting(dry: BoolArray) -> BoolArray:
    """Hours from which it stays dry for a day: a dip before the next rain is nothing to water for."""
    hours = round(LONGER_H)
    wet = np.concatenate([[0], np.cumsum(~dry)])
    ends = np.minimum(np.arange(dry.size) + hours, dry.size)
    return np.asarray(dry & (wet[ends] == wet[: dry.size]))


def _share_below(wetness: FloatArray, bound: float) -> FloatArray | None:
    """Share of the members below a bound, by hour. [1] None where there are none, or they are not known."""
    if wetness.shape[1] == 0 or not np.isfinite(wetness).all():
        return None
    return np.asarray((wetness < bound).mean(axis=1), dtype=np.float64)
