"""A station's findings and rain, quarter hour by quarter hour, as the rules about water walk over them.

What a rule says depends on the findings and not on how often it was asked: it walks from where its state left off, and
only over findings old enough to stand. This module must not judge anything but whether there was fresh water.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from pipeline.alerts.model import (
    AlertBounds,
    AlertState,
    Hold,
    Rained,
    StationWatch,
    carry_on,
)
from pipeline.diary.facts import (
    DiaryFacts,
)
from pipeline.soil.layers import CELL_MS
from pipeline.units import HOUR_MS

QUANTITIES = ("thatch_wetness", "thatch_air", "root_zone_wetness", "top_layer_wetness")


@dataclass(frozen=True, slots=True)
class Moment:
    """What is known at one quarter hour: findings, NaN where not, and the rain since the moment before."""

    at_ms: int
    thatch: float
    air: float
    roots: float
    top: float
    rain_mm: float
    rain_heard_ms: int | None
    watered: bool


def moments(
    state: AlertState,
    watch: StationWatch,
    diary: DiaryFacts,
    now_ms: int,
    bounds: AlertBounds,
    quantities: Sequence[str] = QUANTITIES,
) -> Iterator[Moment]:
    """Quarter hours with findings, after those already walked and old enough to stand.

    Parameters
    ----------
    state : AlertState
        Of the rule that walks.
    watch : StationWatch
    diary : Diary
    now_ms : int
        All that was measured until then is taken as known. [ms since 1970, UTC]
    bounds : AlertBounds
    quantities : sequence of str
        Which findings make a moment, out of `QUANTITIES`; the others are NaN.
    """
    until_ms = now_ms - int(bounds.settle_h * HOUR_MS) - CELL_MS
    named = {q: _by_time(watch, q, state.evaluated_to_ms, until_ms) if q in quantities else {} for q in QUANTITIES}
    times = sorted(set().union(*named.values()))
    rain = _rain_by_cell(watch, state.evaluated_to_ms, until_ms)
    heard_ms, before_ms, k = state.rain_heard_ms, state.evaluated_to_ms, 0
    for at_ms in times:
        fallen = 0.0
        while k < len(rain) and rain[k][0] <= at_ms:
            fallen += rain[k][1]
            heard_ms = rain[k][0]
            k += 1
        thatch, air, roots, top = (named[q].get(at_ms, math.nan) for q in QUANTITIES)
        watered = any(begin < at_ms + CELL_MS and end >= before_ms for begin, end in diary.waterings)
        yield Moment(at_ms, thatch, air, roots, top, fallen, heard_ms, watered)
        before_ms = at_ms


def lag_h(bounds: AlertBounds) -> float:
    """How much later than its time a moment is judged. [h]"""
    return bounds.settle_h + CELL_MS / HOUR_MS


def keep(runs: dict[str, Hold], name: str, at_ms: int, bounds: AlertBounds, *, held: bool) -> None:
    """Carry a run on while its condition holds, drop it when it does not."""
    if held:
        runs[name] = carry_on(runs.get(name), at_ms, bounds)
    else:
        runs.pop(name, None)


def with_rain(rains: tuple[Rained, ...], moment: Moment, back_h: float) -> tuple[Rained, ...]:
    """Rain of the hours up to a moment, remembered for as long as somebody asks. [h]"""
    oldest_ms = moment.at_ms - back_h * HOUR_MS
    if moment.rain_mm <= 0.0 and (not rains or rains[0].at_ms > oldest_ms):
        return rains
    kept = [r for r in rains if r.at_ms > oldest_ms]
    if moment.rain_mm > 0.0:
        same_hour = bool(kept) and kept[-1].at_ms // HOUR_MS == moment.at_ms // HOUR_MS
        here = kept.pop().rain_mm if same_hour else 0.0
        kept.append(Rained(moment.at_ms, here + moment.rain_mm))
    return tuple(kept)


def walked(state: AlertState, last: Moment | None, now_ms: int, bounds: AlertBounds) -> AlertState:
    """The state after a walk: up to where, and no further back than findings may be late."""
    oldest_ms = (now_ms - int(bounds.late_h * HOUR_MS)) // CELL_MS * CELL_MS
    if last is None:
        return replace(state, evaluated_to_ms=max(state.evaluated_to_ms, oldest_ms))
    return replace(state, evaluated_to_ms=max(last.at_ms, oldest_ms), rain_heard_ms=last.rain_heard_ms)


def fresh_water(state: AlertState, diary: DiaryFacts, at_ms: int, back_h: float, bounds: AlertBounds) -> bool:
    """Whether rain fell, as far as `with_rain` remembers, or water was given within hours before a moment. [h]"""
    since_ms = at_ms - back_h * HOUR_MS
    fallen = sum(r.rain_mm for r in state.rains if r.at_ms > since_ms)
    return fallen >= bounds.rain_mm or any(begin <= at_ms and end > since_ms for begin, end in diary.waterings)


def dry_run(before: Hold | None, watch: StationWatch, moment: Moment, bounds: AlertBounds, *, compared: float) -> Hold:
    """A run without fresh water, carried on to a moment or begun anew by water.

    Rain of `rain_mm` over the whole of it, a watering, or a rise of the thatch itself ends the old run. Time without
    rain figures, where there is a gauge, is not counted. `compared` is what its highest is kept of.
    """
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
    if not math.isnan(compared):
        highest = compared if highest is None else max(highest, compared)
    lowest = moment.thatch if run.lowest is None else min(run.lowest, moment.thatch)
    return run._replace(lowest=lowest, highest=highest, rain_mm=rain_mm)


def _by_time(watch: StationWatch, quantity: str, after_ms: int, until_ms: int) -> dict[int, float]:
    if quantity not in watch.found:
        return {}
    start, value = watch.found[quantity]
    rows = (start > after_ms) & (start <= until_ms)
    return dict(zip(start[rows].tolist(), value[rows].tolist(), strict=True))


def _rain_by_cell(watch: StationWatch, after_ms: int, until_ms: int) -> list[tuple[int, float]]:
    """Rain heard well in each quarter hour, in order. [ms, mm]"""
    time_ms, value = watch.rain
    cell = time_ms // CELL_MS * CELL_MS
    rows = (cell > after_ms) & (cell <= until_ms)
    by_cell: dict[int, float] = {}
    for at, rain in zip(cell[rows].tolist(), value[rows].tolist(), strict=True):
        by_cell[at] = by_cell.get(at, 0.0) + rain
    return list(by_cell.items())
