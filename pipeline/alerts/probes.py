"""The rule about probes: one that has fallen silent, stands still in the rain, or says what cannot be.

It walks the observations of one probe quarter hour by quarter hour from where its state left off, so what it says does
not depend on how often it was asked. Silence alone is judged by the clock, and only as far as the caller takes the
record for complete.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from pipeline.alerts.model import (
    CLOSED,
    OPENED,
    AlertBounds,
    AlertEvent,
    AlertState,
    ChannelMemory,
    StationWatch,
    carry_on,
    event,
    for_how_long,
)
from pipeline.diary.facts import (
    DiaryFacts,
)
from pipeline.site.station import Lifted
from pipeline.soil.layers import CELL_MS, MEDIA, Place
from pipeline.units import HOUR_MS, Flag

LEAST_POROSITY = min(m.fullest for m in MEDIA.values())  # a smaller change needs no look at its layer

_Row = tuple[int, int, str, float, bool]  # quarter hour, time, channel, value, usable
_Fault = tuple[int, str, int, str]  # when, which kind, since when, in words


def probe_channels(watch: StationWatch, probe: str) -> tuple[str, ...]:
    """Channels of a probe that are read by the clock: a penetrometer speaks only when it is docked."""
    start = f"{watch.context.station}/{probe}/"
    return tuple(
        i for i, c in watch.context.channels.items() if i.startswith(start) and not c.heard.startswith("cone_")
    )


def probe_fault(
    state: AlertState, watch: StationWatch, diary: DiaryFacts, now_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """A probe that cannot be believed.

    Opens when it has said nothing usable for `silent_h`, or one of its channels for `channel_silent_h`; when a shallow
    moisture channel that could still take up water has not moved for `flat_h` while it rained; or when water content
    jumps by more than the layer has pores. Closes when all channels have been good for `good_h`. A probe that the diary
    has as lifted is not judged until it is back.

    Parameters
    ----------
    state, watch, diary : AlertState, StationWatch, Diary
    now_ms : int
        Until when the record is complete. While readings are known to be on their way, hand in the time of the newest
        one received, or a slow line would pass for a silent probe. [ms since 1970, UTC]
    bounds : AlertBounds

    Returns
    -------
    (AlertState, list of AlertEvent)
    """
    events: list[AlertEvent] = []
    ids = probe_channels(watch, state.probe)
    known = {i: state.channels.get(i, ChannelMemory(usable_ms=state.evaluated_to_ms)) for i in ids}
    state = replace(state, channels=known)
    until_ms = now_ms // CELL_MS * CELL_MS - CELL_MS
    for cell_ms, rows in _cells(watch, ids, state.evaluated_to_ms, until_ms):
        state, said = _silence(state, watch, cell_ms, bounds)
        events += said
        state, said = _cell_step(state, watch, cell_ms, rows, bounds)
        events += said
    if until_ms > state.evaluated_to_ms:
        state = replace(state, evaluated_to_ms=until_ms)
    state, said = _silence(state, watch, until_ms + CELL_MS, bounds)
    return state, events + said


def _silence(
    state: AlertState, watch: StationWatch, at_ms: int, bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Open the alert if the time of the probe, or of one channel, ran out before a moment."""
    if state.is_open or not state.channels or _is_away(state, watch, at_ms):
        return state, []
    back_ms = max((one.back_ms for one in _moves(state, watch) if one.back_ms <= at_ms), default=0)
    usable_ms = [max(heard.usable_ms, back_ms) for heard in state.channels.values()]
    whole_ms, part_ms = int(bounds.probe_fault.silent_h * HOUR_MS), int(bounds.channel_silent_h * HOUR_MS)
    whole_due_ms, part_due_ms = max(usable_ms) + whole_ms, min(usable_ms) + part_ms
    if min(whole_due_ms, part_due_ms) >= at_ms:  # a reading due at this very moment may still come
        return state, []
    if whole_due_ms <= part_due_ms:
        long = for_how_long(whole_ms)
        text = f"probe {state.probe} has said nothing of use for {long}. See to its cable and power."
        return _open(state, watch, whole_due_ms, "silent", max(usable_ms), text)
    # judged at the end of that quarter hour, whenever it is looked at; channels of one slot are heard seconds apart
    judged_ms = -(-part_due_ms // CELL_MS) * CELL_MS + CELL_MS
    gone = [i for i, heard in state.channels.items() if heard.usable_ms + part_ms <= judged_ms]
    names = gone[0].rsplit("/", 1)[1] if len(gone) == 1 else f"{len(gone)} of its {len(usable_ms)} channels"
    text = f"probe {state.probe} has given nothing of use for {for_how_long(part_ms)} on {names}. See to its wiring."
    return _open(state, watch, part_due_ms, "part silent", min(usable_ms), text)


def _cell_step(
    state: AlertState, watch: StationWatch, cell_ms: int, rows: list[_Row], bounds: AlertBounds
) -> tuple[AlertState, list[AlertEvent]]:
    """Take in the rows of one quarter hour."""
    channels = dict(state.channels)
    rain_mm, clean = state.rain_mm, True
    faults: list[_Fault] = []
    quantities = {i: watch.context.channels[i].quantity for i in channels}
    frozen = any(quantities.get(i) == "soil_temperature" and value <= bounds.frost_degc for _, _, i, value, _ in rows)
    for _, at_ms, channel, value, usable in rows:
        if channel == watch.context.rain_channel and usable and not math.isnan(value):
            rain_mm += value
        heard = channels.get(channel)
        if heard is None:
            continue
        if _is_away(state, watch, at_ms):
            # what it says on the bench is no fault, and no measure of what it says when it is back
            channels[channel] = ChannelMemory(usable_ms=at_ms)
            continue
        # in frozen ground a moisture channel may have nothing to say
        usable = usable or (frozen and quantities[channel] == "water_content")
        clean = clean and usable
        usable_ms = at_ms if usable else heard.usable_ms
        if not math.isnan(value) and quantities[channel] == "water_content":
            heard, fault = _look(heard, watch, channel, at_ms, value, rain_mm, bounds)
            faults += [fault] if fault is not None else []
        if usable_ms != heard.usable_ms:
            heard = heard._replace(usable_ms=usable_ms)
        channels[channel] = heard
    state = replace(state, channels=channels, rain_mm=rain_mm, evaluated_to_ms=cell_ms)
    silent_ms = bounds.probe_fault.silent_h * HOUR_MS
    own = any(channel in channels for _, _, channel, _, _ in rows)
    good = clean and not faults and all(cell_ms - h.usable_ms < silent_ms for h in channels.values())
    if faults and not state.is_open:
        return _open(state, watch, *faults[0])
    if not state.is_open or not own:
        return state, []
    if not good:
        return replace(state, runs={}), []
    run = carry_on(state.runs.get("good"), cell_ms, bounds)
    if run.held_ms < bounds.probe_fault.good_h * HOUR_MS:
        return replace(state, runs={"good": run}), []
    said = event(watch, state, CLOSED, cell_ms, f"probe {state.probe} answers well again.")
    return state.closed(), [said]


def _moves(state: AlertState, watch: StationWatch) -> list[Lifted]:
    """When the probe of an alert was out of the ground."""
    return [one for one in watch.context.lifted if one.probe == f"{watch.context.station}/{state.probe}"]


def _is_away(state: AlertState, watch: StationWatch, at_ms: int) -> bool:
    return any(one.out_ms <= at_ms < one.back_ms for one in _moves(state, watch))


def _look(
    heard: ChannelMemory,
    watch: StationWatch,
    channel: str,
    at_ms: int,
    value: float,
    rain_mm: float,
    bounds: AlertBounds,
) -> tuple[ChannelMemory, _Fault | None]:
    """Hold one value of water content against those before it: its memory, and the fault if there is one."""
    context, probe = watch.context, channel.split("/")[1]
    fault: _Fault | None = None
    if heard.value is not None and heard.value_ms is not None:
        near = at_ms - heard.value_ms <= bounds.jump_gap_h * HOUR_MS
        change = abs(value - heard.value)
        if near and change > LEAST_POROSITY and change > _limit(watch, channel, at_ms, full=True):
            text = f"probe {probe} jumped by more water than the ground can hold. See to its seat and cable."
            fault = (at_ms, "jump", at_ms, text)
    moved = heard.still_value is None or abs(value - heard.still_value) > bounds.flat_tolerance
    if moved:
        heard = heard._replace(still_since_ms=at_ms, still_value=value, still_rain_mm=rain_mm)
    depth = context.channels[channel].depth_m
    since_ms = at_ms if heard.still_since_ms is None else heard.still_since_ms
    rained = rain_mm - heard.still_rain_mm
    if (
        fault is None
        and at_ms - since_ms >= bounds.probe_fault.flat_h * HOUR_MS
        and rained >= bounds.flat_rain_mm
        and depth is not None
        and depth <= bounds.flat_deepest_m
        and value < _limit(watch, channel, at_ms, full=False)
    ):
        long = for_how_long(at_ms - since_ms)
        text = f"probe {probe} has not moved for {long} through {rained:.0f} mm of rain. See that it sits firm."
        fault = (at_ms, "flat", since_ms, text)
    return heard._replace(value=value, value_ms=at_ms), fault


def _limit(watch: StationWatch, channel: str, at_ms: int, *, full: bool) -> float:
    """Most water the layer of a channel can hold, or that from which it may be too full to rise. [m3 m-3]"""
    context = watch.context
    soil = context.soil_at(channel)
    media = {Place.THATCH: (context.thatch,), Place.SOIL: (soil,)}
    both = media.get(context.place(channel, at_ms), (context.thatch, soil))
    return max(m.fullest for m in both) if full else min(m.saturated[0] for m in both)


def _open(
    state: AlertState, watch: StationWatch, at_ms: int, way: str, since_ms: int, text: str
) -> tuple[AlertState, list[AlertEvent]]:
    state = replace(state.opened(at_ms, since_ms, way), runs={})
    return state, [event(watch, state, OPENED, at_ms, text)]


def _cells(watch: StationWatch, ids: tuple[str, ...], after_ms: int, until_ms: int) -> Iterator[tuple[int, list[_Row]]]:
    """Rows of the probe, and of the rain, by quarter hour, after those walked and in whole quarter hours."""
    seen = watch.observations
    time_ms = seen["measured_at_ms"].to_numpy(dtype=np.int64)
    cell = time_ms // CELL_MS * CELL_MS
    wanted = {*ids, watch.context.rain_channel}
    rows = (
        seen["channel"].isin([i for i in wanted if i is not None]).to_numpy() & (cell > after_ms) & (cell <= until_ms)
    )
    channel = seen["channel"].to_numpy(dtype=object)[rows]
    flag = seen["flag"].to_numpy()[rows]
    usable = (flag != Flag.MISSING) & (flag != Flag.FAIL)
    value = seen["value"].to_numpy(dtype=np.float64)[rows]
    # rain of a quarter hour is counted before the channels are looked at, then by time
    order = np.lexsort((channel.astype(str), time_ms[rows], channel != watch.context.rain_channel, cell[rows]))
    columns = (cell[rows], time_ms[rows], channel, value, usable)
    batch: list[_Row] = []
    for row in zip(*(c[order].tolist() for c in columns), strict=True):
        if batch and row[0] != batch[0][0]:
            yield batch[0][0], batch
            batch = []
        batch.append(row)
    if batch:
        yield batch[0][0], batch
