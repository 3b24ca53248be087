"""The rules about water that does not arrive, thatch about to shed it, and ground too wet for what is booked.

Walked like those of `water_alerts`, in the order of time from where the state left off. A finding that is missing or
withheld neither opens nor closes an alert. This module must not foretell: see `ahead_alerts`.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from pipeline.advice.moments import Moment, dry_run, fresh_water, lag_h, moments, walked, with_rain
from pipeline.advice.saying import by_day, hour_of, local, may_open, next_day_ms, season_over
from pipeline.advice.watch import (
    CLOSED,
    OPENED,
    REPEATED,
    AlertBounds,
    AlertEvent,
    AlertState,
    Diary,
    StationWatch,
    event,
    for_how_long,
)
from pipeline.soil.arrival import SETTLE_H
from pipeline.soil.moving import HOUR_MS

ACCOUNT_H = SETTLE_H + 1.0  # so long after the last of it the account of a wetting is struck


# --- water not arriving ------------------------------------------------------------------------------------------


class _Wetting(NamedTuple):
    start_ms: int
    end_ms: int
    given_mm: float
    share: float


def water_not_arriving(
    state: AlertState, watch: StationWatch, diary: Diary, now_ms: int, bounds: AlertBounds
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
    state: AlertState, watch: StationWatch, diary: Diary, wetting: _Wetting, at_ms: int, bounds: AlertBounds
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
    state: AlertState, watch: StationWatch, diary: Diary, now_ms: int, bounds: AlertBounds
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
    state: AlertState, watch: StationWatch, diary: Diary, moment: Moment, bounds: AlertBounds
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
    state: AlertState, watch: StationWatch, diary: Diary, now_ms: int, bounds: AlertBounds
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
    state: AlertState, watch: StationWatch, diary: Diary, moment: Moment, bounds: AlertBounds
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


def _work(watch: StationWatch, diary: Diary, known_ms: int) -> list[_Work]:
    """Passes booked and play, not over, of today and tomorrow."""
    every = [_Work(job.start_ms, job.end_ms, job.kind.replace("_", " ")) for job in diary.booked]
    every += [_Work(begin, end, "play") for begin, end in diary.plays]
    last = local(watch.where, known_ms).date() + datetime.timedelta(days=1)
    return [w for w in every if w.end_ms > known_ms and local(watch.where, w.start_ms).date() <= last]


def _date(watch: StationWatch, work: _Work) -> str:
    return local(watch.where, work.start_ms).date().isoformat()
