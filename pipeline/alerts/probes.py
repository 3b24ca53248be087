"""The rules about what brings the readings: probe faults, and nodes whose readings contradict each other.

A probe fault is no usable readings, no movement during rain, or impossible values. Its rule evaluates the observations
of one probe quarter hour by quarter hour. Silence is evaluated by the clock, and only up to the time until which the
record is complete: readings still on their way are no silence.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import groupby
from typing import NamedTuple

import numpy as np

from pipeline.advice.phrases import for_how_long, lasting_mark
from pipeline.alerts.model import (
    CLOSED,
    NO_READINGS,
    OPENED,
    REPEATED,
    AlertRule,
    AlertState,
    Change,
    ChannelMemory,
    Counting,
    Facts,
    Hold,
    Hours,
    RuleBounds,
    RuleName,
    RuleOutcome,
    Scope,
    is_usable,
    quarter_hour_of,
)
from pipeline.diary.facts import Lifted
from pipeline.diary.station import StationContext
from pipeline.store.custody import CustodyNotice
from pipeline.texts import later, say
from pipeline.units import HOUR_MS, QUARTER_HOUR_MS

LEAST_PORES = 0.2  # no layer holds less water than this [m3 m-3]: a smaller change needs no look at its layer


class ProbeFaultBounds(RuleBounds):
    """Bounds of a probe fault. Times in hours."""

    silent_h: Hours = 3.0
    flat_h: Hours = 24.0
    good_h: Hours = 2.0


class _Row(NamedTuple):
    cell_ms: int  # begin of the quarter hour
    at_ms: int
    channel: str
    value: float
    usable: bool


class Cell(NamedTuple):
    """Rows of a probe's channels, and of the rain, in one quarter hour; without rows, the clock alone at its begin."""

    at_ms: int
    walked_ms: int
    ids: tuple[str, ...]
    rows: tuple[_Row, ...] = ()

    @property
    def start_ms(self) -> int:
        return self.at_ms

    @property
    def end_ms(self) -> int:
        return self.at_ms


def probe_fault(state: AlertState, cell: Cell, facts: Facts[ProbeFaultBounds]) -> RuleOutcome:
    """A probe whose readings are missing or implausible.

    Opens when no usable reading has come for `silent_h`, or from one of its channels for `channel_silent_h`; when a
    shallow moisture channel that could still take up water has not moved for `flat_h` while it rained; or when water
    content jumps by more than the layer has pores. Closes when all channels have been good for `good_h`. A probe that
    the diary has as lifted is not evaluated until it is back.
    """
    if tuple(state.channels) != cell.ids:
        fresh = ChannelMemory(usable_ms=state.evaluated_to_ms)
        state = state._replace(channels={i: state.channels.get(i, fresh) for i in cell.ids})
    return _take_in(state, cell, facts) if cell.rows else RuleOutcome(state, _silence(state, cell.at_ms, facts))


def _silence(state: AlertState, at_ms: int, facts: Facts[ProbeFaultBounds]) -> Change | None:
    """Return the opening if the probe, or one of its channels, has been silent for too long at a moment."""
    moves = _moves(state, facts)
    if state.is_open or _is_away(moves, at_ms):
        return None
    back_ms = max((one.back_ms for one in moves if one.back_ms <= at_ms), default=0)
    usable_ms = [max(heard.usable_ms, back_ms) for heard in state.channels.values()]
    whole_ms, part_ms = int(facts.bounds.silent_h * HOUR_MS), int(Counting.channel_silent_h * HOUR_MS)
    whole_due_ms, part_due_ms = max(usable_ms) + whole_ms, min(usable_ms) + part_ms
    called = facts.spot.called(state.probe)
    if min(whole_due_ms, part_due_ms) >= at_ms:  # a reading due at this very moment may still come
        return None
    if whole_due_ms <= part_due_ms:
        # Translators: probe is as "the long-side probe", here and below; lasting is a length of time
        told = later("{probe} has said nothing of use for {lasting}. See to its cable and power.")
        text = say(told, probe=called, lasting=lasting_mark(max(usable_ms)))
        return _opening("silent", text, max(usable_ms), whole_due_ms)
    # judged at the end of that quarter hour, whenever it is looked at; channels of one slot are heard seconds apart
    judged_ms = -(-part_due_ms // QUARTER_HOUR_MS) * QUARTER_HOUR_MS + QUARTER_HOUR_MS
    gone = [i for i, heard in state.channels.items() if heard.usable_ms + part_ms <= judged_ms]
    told = later("{probe} has given nothing of use for {lasting} on {n} of its {all} channels. See to its wiring.")
    if len(gone) == 1:
        told = later("{probe} has given nothing of use for {lasting} on {channel}. See to its wiring.")
    lasting, channel = lasting_mark(min(usable_ms)), gone[0].rsplit("/", 1)[1]
    text = say(told, probe=called, lasting=lasting, channel=channel, n=len(gone), all=len(usable_ms))
    return _opening("part silent", text, min(usable_ms), part_due_ms)


def _take_in(state: AlertState, cell: Cell, facts: Facts[ProbeFaultBounds]) -> RuleOutcome:
    """Return the outcome of the rows of one quarter hour."""
    context, moves = facts.spot.context, _moves(state, facts)
    channels, rain_mm, clean, own = dict(state.channels), state.rain_mm, True, False
    faults: list[Change] = []
    quantities = {i: context.channels[i].quantity for i in channels}
    frozen = any(r.value <= Counting.frost_degc and quantities.get(r.channel) == "soil_temperature" for r in cell.rows)
    for _, at_ms, channel, value, usable in cell.rows:
        if channel == context.rain_channel and usable and not math.isnan(value):
            rain_mm += value
        heard = channels.get(channel)
        if heard is None:
            continue
        own = True
        if moves and _is_away(moves, at_ms):
            # what it says on the bench is no fault, and no measure of what it says when it is back
            channels[channel] = ChannelMemory(usable_ms=at_ms)
            continue
        # in frozen ground a moisture channel may have nothing to say
        usable = usable or (frozen and quantities[channel] == "water_content")
        clean = clean and usable
        usable_ms = max(at_ms, heard.usable_ms) if usable else heard.usable_ms  # later where the clock has leapt
        if math.isnan(value) or quantities[channel] != "water_content":
            channels[channel] = heard._replace(usable_ms=usable_ms)
            continue
        channels[channel], fault = _compare(heard, facts, channel, at_ms, value, rain_mm, usable_ms)
        faults += [fault] if fault is not None else []
    state = state._replace(channels=channels, rain_mm=rain_mm)
    if not state.is_open:
        return RuleOutcome(state, faults[0] if faults else None)
    if not own:
        return RuleOutcome(state)
    silent_ms = facts.bounds.silent_h * HOUR_MS
    if not clean or faults or any(cell.at_ms - h.usable_ms >= silent_ms for h in channels.values()):
        return RuleOutcome(state._replace(runs={}))
    run = Hold.carried(state.runs.get("good"), cell, facts.rule.grain)
    if run.held_ms < facts.bounds.good_h * HOUR_MS:
        return RuleOutcome(state._replace(runs={"good": run}))
    return RuleOutcome(state, Change(CLOSED, say("{probe} answers well again.", probe=facts.spot.called(state.probe))))


def _compare(
    heard: ChannelMemory, facts: Facts[ProbeFaultBounds], channel: str, at_ms: int, value: float, rain_mm: float,
    usable_ms: int,
) -> tuple[ChannelMemory, Change | None]:  # fmt: skip
    """Compare one value of water content with those before it; return its memory, and the opening if it is a fault."""
    context, fault = facts.spot.context, None
    called = facts.spot.called(channel.split("/")[1])
    if heard.value is not None and heard.value_ms is not None:
        near = at_ms - heard.value_ms <= Counting.jump_gap_h * HOUR_MS
        change = abs(value - heard.value)
        if near and change > LEAST_PORES and change > max(m.fullest for m in context.media_at(channel, at_ms)):
            told = later("{probe} jumped by more water than the ground can hold. See to its seat and cable.")
            text = say(told, probe=called)
            fault = _opening("jump", text, at_ms, at_ms)
    since_ms, still_value, still_rain_mm = heard.still_since_ms, heard.still_value, heard.still_rain_mm
    if since_ms is None or still_value is None or abs(value - still_value) > Counting.flat_tolerance:
        since_ms, still_value, still_rain_mm = at_ms, value, rain_mm
    depth = context.channels[channel].depth_m
    rained = rain_mm - still_rain_mm
    if (
        fault is None
        and at_ms - since_ms >= facts.bounds.flat_h * HOUR_MS
        and rained >= Counting.flat_rain_mm
        and depth is not None
        and depth <= Counting.flat_deepest_m
        and value < min(m.saturated[0] for m in context.media_at(channel, at_ms))  # not too full to rise
    ):
        long = for_how_long(at_ms - since_ms)
        told = later("{probe} has not moved for {lasting} through {rain:.0f} mm of rain. See that it sits firm.")
        text = say(told, probe=called, lasting=long, rain=rained)
        fault = _opening("flat", text, since_ms, at_ms)
    return ChannelMemory(usable_ms, value, at_ms, since_ms, still_value, still_rain_mm), fault


def _opening(way: str, text: str, since_ms: int, at_ms: int) -> Change:
    return Change(OPENED, text, since_ms, way, at_ms=at_ms, runs={})


def _moves(state: AlertState, facts: Facts[ProbeFaultBounds]) -> list[Lifted]:
    """Return when the probe of an alert was out of the ground."""
    context = facts.spot.context
    return [one for one in context.facts.lifted if one.probe == f"{context.station}/{state.probe}"]


def _is_away(moves: list[Lifted], at_ms: int) -> bool:
    return any(one.out_ms <= at_ms < one.back_ms for one in moves)


def probe_channels(context: StationContext, probe: str) -> tuple[str, ...]:
    """Return the channels of a probe that are read by a schedule: a penetrometer sends only when it is docked."""
    start = f"{context.station}/{probe}/"
    return tuple(i for i, c in context.channels.items() if i.startswith(start) and not c.heard.startswith("cone_"))


def probe_cells(facts: Facts[ProbeFaultBounds], state: AlertState, now_ms: int) -> Iterator[Cell]:
    """Yield the start and the rows of each complete quarter hour not yet evaluated that has any, then the start of
    this one."""
    context, end_ms = facts.spot.context, quarter_hour_of(now_ms)
    ids = probe_channels(context, state.probe)
    if not ids:
        return
    rows: list[_Row] = []
    for channel in sorted({*ids, context.rain_channel or ids[0]}):
        read = facts.spot.readings.get(channel, NO_READINGS)
        new = slice(*np.searchsorted(read.at_ms, [state.evaluated_to_ms + QUARTER_HOUR_MS, end_ms]))
        at_ms = read.at_ms[new]
        columns = (quarter_hour_of(at_ms), at_ms, read.value[new], is_usable(read.flag[new]))
        rows += (_Row(cell, at, channel, *rest) for cell, at, *rest in zip(*(c.tolist() for c in columns), strict=True))
    # rain of a quarter hour is counted before the channels are looked at, then by time
    rows.sort(key=lambda row: (row.cell_ms, row.channel != context.rain_channel, row.at_ms))
    for start_ms, together in groupby(rows, lambda row: row.cell_ms):
        yield Cell(start_ms, start_ms, ids)
        yield Cell(start_ms, start_ms, ids, tuple(together))
    yield Cell(end_ms, end_ms - QUARTER_HOUR_MS, ids)


PROBE_FAULT = AlertRule(
    name=RuleName("probe_fault"),
    bounds=ProbeFaultBounds,
    look=probe_fault,
    scope=Scope.PROBE,
    settle_h=0.0,
    late_h=QUARTER_HOUR_MS / HOUR_MS,
    occasions=probe_cells,
)


class NodeCustodyBounds(RuleBounds):
    """Nothing to set of the rule about the custody of readings but whether it is on."""


class CustodyLook(NamedTuple):
    """What is wrong with the custody of a surface's readings now. [ms since 1970, UTC]"""

    at_ms: int
    notices: tuple[CustodyNotice, ...]

    @property
    def walked_ms(self) -> int:
        return quarter_hour_of(self.at_ms)


def node_custody(state: AlertState, look: CustodyLook, facts: Facts[NodeCustodyBounds]) -> RuleOutcome:
    """A node whose readings contradict those kept.

    Opens while there is a notice of two nodes of one name, a state folder put back or copied, or readings left behind;
    is said again for each further one; closes when none is left.
    """
    names = tuple(f"{one.kind} {one.node}" for one in look.notices)
    if state.is_open and not names:
        return RuleOutcome(state, Change(CLOSED, say("the readings of every node agree again.")))
    news = [one for one, name in zip(look.notices, names, strict=True) if name not in state.told]
    if not news:
        return RuleOutcome(state)
    kind = REPEATED if state.is_open else OPENED
    text = " ".join([one.text for one in news][:3])
    since_ms = None if state.is_open else min(look.at_ms, *(one.since_ms for one in news))
    return RuleOutcome(state, Change(kind, text[:1].lower() + text[1:], since_ms, news[0].kind, names))


def custody_looks(facts: Facts[NodeCustodyBounds], state: AlertState, now_ms: int) -> Iterator[CustodyLook]:
    """Yield this moment, whenever it is evaluated: what is wrong is known of now alone."""
    custody = facts.spot.custody
    if custody is not None:
        yield CustodyLook(now_ms, tuple(one for one in custody if one.is_conflict))


NODE_CUSTODY = AlertRule(
    name=RuleName("node_custody"),
    bounds=NodeCustodyBounds,
    look=node_custody,
    scope=Scope.SURFACE,
    settle_h=0.0,
    occasions=custody_looks,
)
PROBE_RULES = (PROBE_FAULT, NODE_CUSTODY)
