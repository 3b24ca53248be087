"""The two rules about water: thatch that holds it, and roots that lack it.

Each walks the findings in the order of time, quarter hour by quarter hour, from where its state left off; so what it
says depends on the findings and not on how often it was asked. A finding that is missing or withheld neither opens nor
closes an alert.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

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
    carry_on,
    event,
    for_how_long,
)
from pipeline.flags import Flag
from pipeline.soil.layers import CELL_MS
from pipeline.soil.moving import HOUR_MS


@dataclass(frozen=True, slots=True)
class _Moment:
    """What is known at one quarter hour: findings, NaN where not, and the rain since the moment before."""

    at_ms: int
    thatch: float
    air: float
    roots: float
    rain_mm: float
    rain_heard_ms: int | None
    watered: bool


def thatch_holding(
    state: AlertState, watch: StationWatch, diary: Diary, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Thatch that stays wet without rain over drying roots, or stays without air.

    Opens when the wetness of the thatch has been above `on_wetness` for `hold_h` without rain or watering, while the
    root zone lies below `root_wetness` or is drying; or when its air-filled porosity has been below `on_air` for
    `hold_h`. Closes when the wetness has been below `off_wetness`, with air, for `off_hold_h`. Said again every
    `repeat_h` while it lasts. Without a rain gauge only a rise of the thatch itself tells of fresh water.

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
    for moment in _moments(state, watch, diary, now_ms, bounds):
        state = _count_rain(state, moment)
        if not math.isnan(moment.thatch):
            state, said = _hold_step(state, watch, moment, bounds)
            events += said
    return _not_too_far_back(state, now_ms, bounds), events


def _hold_step(
    state: AlertState, watch: StationWatch, moment: _Moment, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    limits = bounds.thatch_holding
    runs = dict(state.runs)
    airless = moment.air < limits.on_air
    _keep(runs, "airless", moment.at_ms, bounds, held=airless)
    wet = _wet_run(state, watch, moment, bounds)
    if wet is None:
        runs.pop("wet", None)
    else:
        runs["wet"] = wet
    _keep(runs, "off", moment.at_ms, bounds, held=moment.thatch < limits.off_wetness and not airless)
    state = replace(state, runs=runs)
    if not state.is_open:
        way = _way_open(runs, moment, bounds)
        return (state, []) if not way else _open(state, watch, moment.at_ms, way, runs[way].since_ms)
    off = runs.get("off")
    if off is not None and off.held_ms >= limits.off_hold_h * HOUR_MS:
        return _close(state, watch, moment.at_ms, "thatch has drained. Water by the roots' need again.")
    still = airless or moment.thatch > limits.on_wetness
    since_ms, said_at_ms = state.since_ms, state.said_at_ms
    assert since_ms is not None and said_at_ms is not None  # they are set with opened_at_ms
    if still and moment.at_ms - said_at_ms >= limits.repeat_h * HOUR_MS:
        state = replace(state, said_at_ms=moment.at_ms)
        long = for_how_long(moment.at_ms - since_ms)
        text = f"thatch still holds water, {long} now. Keep water off, and think of opening it up."
        return state, [event(watch, state, REPEATED, moment.at_ms, text)]
    return state, []


def _wet_run(state: AlertState, watch: StationWatch, moment: _Moment, bounds: AlertBounds) -> Run | None:
    """The run of wet thatch without fresh water, or None where the thatch is not wet."""
    if not moment.thatch > bounds.thatch_holding.on_wetness:
        return None
    before = state.runs.get("wet")
    rain_mm = moment.rain_mm + (0.0 if before is None else before.rain_mm)
    low = None if before is None else before.lowest
    risen = low is not None and moment.thatch - low > bounds.fresh_wetness
    if moment.watered or risen or rain_mm >= bounds.rain_mm:
        before, rain_mm = None, 0.0
    heard = moment.rain_heard_ms
    dry_known = watch.context.rain_channel is None or (
        heard is not None and moment.at_ms - heard <= bounds.gauge_silent_h * HOUR_MS
    )
    run = carry_on(before, moment.at_ms, bounds)
    if before is not None and not dry_known:
        # nobody knows that no rain fell: the run goes on, the time is not counted
        run = before._replace(last_ms=moment.at_ms)
    highest = run.highest
    if not math.isnan(moment.roots):
        highest = moment.roots if highest is None else max(highest, moment.roots)
    lowest = moment.thatch if run.lowest is None else min(run.lowest, moment.thatch)
    return run._replace(lowest=lowest, highest=highest, rain_mm=rain_mm)


def _way_open(runs: dict[str, Run], moment: _Moment, bounds: AlertBounds) -> str:
    """Which condition opens the alert now; empty when none does."""
    hold_ms = bounds.thatch_holding.hold_h * HOUR_MS
    airless, wet = runs.get("airless"), runs.get("wet")
    if wet is not None and wet.held_ms >= hold_ms and not math.isnan(moment.roots):
        drying = wet.highest is not None and wet.highest - moment.roots >= bounds.falling_wetness
        if drying or moment.roots < bounds.thatch_holding.root_wetness:
            return "wet"
    if airless is not None and airless.held_ms >= hold_ms:
        return "airless"
    return ""


def _open(
    state: AlertState, watch: StationWatch, at_ms: int, way: str, since_ms: int
) -> tuple[AlertState, list[AlertEvent]]:
    state = replace(state, opened_at_ms=at_ms, said_at_ms=at_ms, since_ms=since_ms, way=way)
    long = for_how_long(at_ms - since_ms)
    text = {
        "wet": f"thatch has stayed wet for {long} without rain while the roots below go short. "
        "Keep water off until it drains.",
        "airless": f"thatch has been waterlogged for {long}, with hardly any air. Keep water off until it drains.",
        "dry": f"roots have been dry for {long}. Give one deep watering, unless you are drying it for play.",
    }[way]
    return state, [event(watch, state, OPENED, at_ms, text)]


def _close(state: AlertState, watch: StationWatch, at_ms: int, text: str) -> tuple[AlertState, list[AlertEvent]]:
    said = event(watch, state, CLOSED, at_ms, text)
    return replace(state, opened_at_ms=None, said_at_ms=None, since_ms=None, way="", runs={}), [said]


def roots_dry(
    state: AlertState, watch: StationWatch, diary: Diary, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Root zone short of water.

    Opens when its wetness has been below `on_wetness` for `hold_h`, closes when it has been above `off_wetness` for
    `roots_off_hold_h`. Arguments and results as of `thatch_holding`.
    """
    events: list[AlertEvent] = []
    limits = bounds.roots_dry
    for moment in _moments(state, watch, diary, now_ms, bounds):
        if not math.isnan(moment.roots):
            runs = dict(state.runs)
            _keep(runs, "dry", moment.at_ms, bounds, held=moment.roots < limits.on_wetness)
            _keep(runs, "off", moment.at_ms, bounds, held=moment.roots > limits.off_wetness)
            state = replace(state, runs=runs, evaluated_to_ms=moment.at_ms)
            said: list[AlertEvent] = []
            dry, off = runs.get("dry"), runs.get("off")
            if not state.is_open and dry is not None and dry.held_ms >= limits.hold_h * HOUR_MS:
                state, said = _open(state, watch, moment.at_ms, "dry", dry.since_ms)
            elif state.is_open and off is not None and off.held_ms >= bounds.roots_off_hold_h * HOUR_MS:
                state, said = _close(state, watch, moment.at_ms, "water has reached the roots.")
            events += said
        else:
            state = replace(state, evaluated_to_ms=moment.at_ms)
    return _not_too_far_back(state, now_ms, bounds), events


def _not_too_far_back(state: AlertState, now_ms: int, bounds: AlertBounds) -> AlertState:
    """A state that waits no longer for findings that are later than they may be."""
    oldest_ms = (now_ms - int(bounds.late_h * HOUR_MS)) // CELL_MS * CELL_MS
    return replace(state, evaluated_to_ms=max(state.evaluated_to_ms, oldest_ms))


def _keep(runs: dict[str, Run], name: str, at_ms: int, bounds: AlertBounds, *, held: bool) -> None:
    """Carry a run on while its condition holds, drop it when it does not."""
    if held:
        runs[name] = carry_on(runs.get(name), at_ms, bounds)
    else:
        runs.pop(name, None)


def _count_rain(state: AlertState, moment: _Moment) -> AlertState:
    """Rain that fell in a moment whose thatch is not known still belongs to the run."""
    wet = state.runs.get("wet")
    runs = state.runs
    if wet is not None and math.isnan(moment.thatch):
        runs = {**runs, "wet": wet._replace(rain_mm=wet.rain_mm + moment.rain_mm)}
    return replace(state, runs=runs, rain_heard_ms=moment.rain_heard_ms, evaluated_to_ms=moment.at_ms)


def _moments(
    state: AlertState, watch: StationWatch, diary: Diary, now_ms: int, bounds: AlertBounds
) -> Iterator[_Moment]:
    """Quarter hours with findings, after those already walked and old enough to stand."""
    until_ms = now_ms - int(bounds.settle_h * HOUR_MS) - CELL_MS
    named = {
        q: _by_time(watch, q, state.evaluated_to_ms, until_ms)
        for q in ("thatch_wetness", "thatch_air", "root_zone_wetness")
    }
    times = sorted(set().union(*named.values()))
    rain = _rain_by_cell(watch, state.evaluated_to_ms, until_ms)
    heard_ms, before_ms, k = state.rain_heard_ms, state.evaluated_to_ms, 0
    for at_ms in times:
        fallen = 0.0
        while k < len(rain) and rain[k][0] <= at_ms:
            fallen += rain[k][1]
            heard_ms = rain[k][0]
            k += 1
        thatch, air, roots = (named[q].get(at_ms, math.nan) for q in named)
        watered = any(begin < at_ms + CELL_MS and end >= before_ms for begin, end in diary.waterings)
        yield _Moment(at_ms, thatch, air, roots, fallen, heard_ms, watered)
        before_ms = at_ms


def _by_time(watch: StationWatch, quantity: str, after_ms: int, until_ms: int) -> dict[int, float]:
    findings = watch.findings
    start = findings["start_ms"].to_numpy(dtype=np.int64)
    rows = (findings["quantity"] == quantity).to_numpy() & (start > after_ms) & (start <= until_ms)
    return dict(zip(start[rows].tolist(), findings["value"].to_numpy(dtype=np.float64)[rows].tolist(), strict=True))


def _rain_by_cell(watch: StationWatch, after_ms: int, until_ms: int) -> list[tuple[int, float]]:
    """Rain heard well in each quarter hour, in order. [ms, mm]"""
    seen = watch.observations
    if watch.context.rain_channel is None:
        return []
    cell = seen["measured_at_ms"].to_numpy(dtype=np.int64) // CELL_MS * CELL_MS
    value, flag = seen["value"].to_numpy(dtype=np.float64), seen["flag"].to_numpy()
    rows = (seen["channel"] == watch.context.rain_channel).to_numpy() & (cell > after_ms) & (cell <= until_ms)
    rows &= np.isfinite(value) & (flag != Flag.FAIL) & (flag != Flag.MISSING)
    order = np.argsort(seen["measured_at_ms"].to_numpy(dtype=np.int64)[rows], kind="stable")
    by_cell: dict[int, float] = {}
    for at, rain in zip(cell[rows][order].tolist(), value[rows][order].tolist(), strict=True):
        by_cell[at] = by_cell.get(at, 0.0) + rain
    return list(by_cell.items())
