"""Water left running: thatch that does not drain after a watering's written end, while more goes into the roots.

When water stops, thatch lets go of what it cannot hold within half an hour; while it runs, thatch stays as wet as it
was. So the written end, the gauge and the probes together tell. Of water in pipes this module knows nothing, and it
must not judge a watering whose end nobody wrote down, nor one with rain in it.
"""

from __future__ import annotations

import math
from dataclasses import replace

from pipeline.advice.moments import Moment, moments, walked
from pipeline.advice.saying import local
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
)
from pipeline.soil.layers import CELL_MS
from pipeline.soil.moving import HOUR_MS

# How it counts: from the simulated column, four soils, two heads, three rates (tests), and common practice, no source.
WITHIN_H = 12.0  # so long after its end a watering may be found running
BEGIN_MS = 2 * CELL_MS  # the first finding must lie so soon after the end, to be compared with
GAUGE_MS = 2 * CELL_MS  # rain must have been read so lately: an hour's water and an hour's rain look alike
DRY_MM = 0.2
QUANTITIES = ("thatch_wetness", "root_zone_wetness")
AFTER, OVER = "after", "over"


def water_running(
    state: AlertState, watch: StationWatch, diary: Diary, now_ms: int, bounds: AlertBounds
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
    state: AlertState, watch: StationWatch, diary: Diary, moment: Moment, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    begun = [(begin, end) for begin, end in diary.waterings if begin <= moment.at_ms]
    begin_ms, end_ms = max(begun, default=(0, 0))
    if state.is_open and state.since_ms not in {end for _, end in diary.waterings}:
        return _close(state, watch, moment.at_ms, "the diary has another end of that watering now.")
    if end_ms == begin_ms or any(end > moment.at_ms for _, end in begun):  # its end is to come, or was not written
        again = "the next watering has begun; whether the last one ran on is not known."
        return _close(state, watch, moment.at_ms, again) if state.is_open else (replace(state, runs={}), [])
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
            return _close(state, watch, moment.at_ms, "the water has stopped.")
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


def _run(state: AlertState, moment: Moment, end_ms: int) -> Run | None:
    """What is known since the end: `lowest` of the roots at it, `highest` of the thatch, rain. None: not to be told."""
    before = state.runs.get(AFTER) or state.runs.get(OVER)
    if before is None or before.since_ms != end_ms:
        known = not math.isnan(moment.thatch) and not math.isnan(moment.roots)
        if not known or moment.at_ms - end_ms > BEGIN_MS or state.is_open:
            return None
        return Run(end_ms, moment.at_ms, 0, moment.roots, moment.thatch)
    if OVER in state.runs and not state.is_open:
        return None
    highest = before.highest if before.highest is not None else -math.inf
    highest = highest if math.isnan(moment.thatch) else max(highest, moment.thatch)
    return before._replace(last_ms=moment.at_ms, highest=highest, rain_mm=before.rain_mm + moment.rain_mm)


def _drained(run: Run, moment: Moment, bounds: AlertBounds) -> bool:
    """Whether the thatch has let go of water since the end; a finding that is missing says nothing."""
    return run.highest is not None and run.highest - moment.thatch >= bounds.water_running.fall_wetness


def _gauge_heard(watch: StationWatch, moment: Moment) -> bool:
    heard_ms = moment.rain_heard_ms
    return watch.context.rain_channel is not None and heard_ms is not None and moment.at_ms - heard_ms <= GAUGE_MS


def _repeat(
    state: AlertState, watch: StationWatch, moment: Moment, run: Run, bounds: AlertBounds
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


def _close(state: AlertState, watch: StationWatch, at_ms: int, text: str) -> tuple[AlertState, list[AlertEvent]]:
    return state.closed(), [event(watch, state, CLOSED, at_ms, text)]


def _how_late(run: Run, moment: Moment) -> str:
    hours = (moment.at_ms - run.since_ms) / HOUR_MS
    return "1 hour" if round(hours) == 1 else f"{round(hours)} hours"


def _clock(watch: StationWatch, run: Run) -> str:
    return f"{local(watch.where, run.since_ms):%H:%M}"
