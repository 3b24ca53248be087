"""From raw readings to stored observations and findings, for one station and one span.

The worker uses it for what has just arrived, the command for what is to be done again; because both read the same raw
rows with the same lead-in, both store the same bytes. Raw readings are never changed. What is stored is left as it is
when the store fails halfway; doing it again mends it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pipeline.diary.facts import STATION_KINDS, with_diary
from pipeline.site.models import SiteConfig
from pipeline.site.station import WEATHER, StationContext, StationFrame, no_findings
from pipeline.stages import LEAD_IN_MS, LOOK_AHEAD_MS, process
from pipeline.stages import daily as periods
from pipeline.stages.climate import CLIMATE
from pipeline.stages.daily import PeriodStage, Record, Series
from pipeline.stages.field_limits import learned_limits
from pipeline.stages.layers import LAYER_QUANTITIES
from pipeline.stages.roots import ROOTS
from pipeline.stages.strength import STRENGTH
from pipeline.stages.wetting import DEPTH_QUANTITIES, DRYING, WETTING
from pipeline.store import OBSERVATION_COLUMNS, Store
from pipeline.store.diary import Diary
from pipeline.units import Flag

CHUNK_MS = 92 * 86_400_000  # of output at a time, to bound memory: about 10 000 slots of each channel
PERIOD_CHUNK_MS = 4 * CHUNK_MS  # each chunk of periods reads weeks around it: few, long ones read less twice
CELL_MS = 900_000
EVER_MS = (0, 2**62)
EVENT_STAGES: tuple[PeriodStage, ...] = (WETTING, DRYING)  # their findings stand where a wetting began
PERIOD_STAGES: tuple[PeriodStage, ...] = (CLIMATE, STRENGTH, ROOTS, *EVENT_STAGES)


@dataclass(frozen=True, slots=True)
class Redone:
    """How many observations and findings were written."""

    observations: int = 0
    findings: int = 0

    def __add__(self, other: Redone) -> Redone:
        return Redone(self.observations + other.observations, self.findings + other.findings)


def station_context(config: SiteConfig, station: str, diary: Diary, store: Store | None = None) -> StationContext:
    """What the stages must know of a station: the settings, what people wrote in the diary since, and the limits its
    channels have shown, where a store is given."""
    own = config.stations()[station]
    context = StationContext.from_config(config, station)
    surface = next(surface for surface in config.surfaces if surface.name == own.surface)
    context = with_diary(context, surface, diary.entries(STATION_KINDS, *EVER_MS), config.passes)
    return replace(context, learned={} if store is None else learned_limits(store, context.moisture))


def redo(store: Store, context: StationContext, start_ms: int, end_ms: int) -> Redone:
    """Work out start <= t < end from raw and store it.

    Parameters
    ----------
    store : Store
    context : StationContext
    start_ms, end_ms : int
        Whole cells. [ms since 1970, UTC]

    Raises
    ------
    StoreAway, StoreFull
    """
    frame = _redone_frame(store, context, start_ms, end_ms)
    return Redone() if frame is None else Redone(len(frame.observations), len(frame.findings))


def _redone_frame(store: Store, context: StationContext, start_ms: int, end_ms: int) -> StationFrame | None:
    raw = store.raw(context.channel_ids, start_ms - LEAD_IN_MS, end_ms + LOOK_AHEAD_MS)
    if raw.empty:
        return None
    frame = process(StationFrame.from_raw(raw), context, start_ms=start_ms, end_ms=end_ms)
    store.upsert_observations(frame.observations[list(OBSERVATION_COLUMNS)])
    store.upsert_findings(frame.findings)
    return frame


def redo_periods(
    store: Store, context: StationContext, start_ms: int, end_ms: int, *, made: Record | None = None
) -> Redone:
    """Work out every day and fortnight that holds observations of start <= t < end, and store what is found.

    The observations must stand: those of the station, and those of the weather it shares with others.

    Parameters
    ----------
    store : Store
    context : StationContext
    start_ms, end_ms : int
        Where observations have changed. [ms since 1970, UTC]
    made : Record, optional
        All there is of the station's own channels and layers, where it has just been worked out: it is not read back.

    Raises
    ------
    StoreAway, StoreFull
    """
    first, last = periods.read_span(PERIOD_STAGES, context, start_ms, end_ms)
    own: dict[str, Series] = {} if made is None else dict(made.between(first, last).channels)
    shared = [c for c in context.observed_ids if made is None or c not in made.channels]
    observations = store.observations(shared, first, last)
    if observations.empty and not own:
        return Redone()
    if made is None:
        rests_on = sorted({quantity for stage in PERIOD_STAGES for quantity in stage.rests_on})
        record = periods.record_of(observations, store.findings(context.station, rests_on, first, last))
    else:
        read = periods.record_of(observations, no_findings())
        record = Record({**read.channels, **own}, made.between(first, last).findings)
    table = periods.find(PERIOD_STAGES, record, context, start_ms, end_ms)
    if len(table):
        store.upsert_findings(table)
    _forget_moved(store, context, table, start_ms, end_ms)
    return Redone(0, len(table))


def _forget_moved(store: Store, context: StationContext, table: pd.DataFrame, start_ms: int, end_ms: int) -> None:
    """Take away findings of wettings that late readings have joined, parted or moved."""
    found = set(zip(table["station"], table["quantity"], table["start_ms"], strict=True))
    for owner, quantities, begin, end in _event_places(context, start_ms, end_ms):
        stored = store.findings(owner, quantities, begin, end)
        for quantity, at_ms in zip(stored["quantity"], stored["start_ms"].tolist(), strict=True):
            if (owner, quantity, at_ms) not in found:
                store.delete_findings(owner, [quantity], at_ms, at_ms + 1)


def _event_places(
    context: StationContext, start_ms: int, end_ms: int
) -> Iterator[tuple[str, tuple[str, ...], int, int]]:
    """Under whose name, of what and from when to when a stretch may change findings of wettings."""
    for stage in EVENT_STAGES:
        touched = list(stage.touched(context, start_ms, end_ms))
        begin, end = touched[0][0], touched[-1][1]
        yield context.station, stage.quantities, begin, end
        if stage is WETTING:
            yield from ((channel, DEPTH_QUANTITIES, begin, end) for channel in context.moisture)


def recompute(
    store: Store, context: StationContext, *, start_ms: int | None = None, end_ms: int | None = None
) -> Redone:
    """Do a span of a station again from raw, whatever was stored for it, days and fortnights with it.

    A station that shares the weather of another is done after that one.

    Parameters
    ----------
    store : Store
    context : StationContext
    start_ms, end_ms : int, optional
        Widened to whole cells. [ms since 1970, UTC] None: from the first, to the last reading.
    """
    heard = store.span([c for c in context.channel_ids if context.owns(c)])
    if heard is None:
        return Redone()
    first = heard[0] if start_ms is None else max(start_ms, heard[0])
    last = heard[1] + LEAD_IN_MS if end_ms is None else min(end_ms - 1, heard[1] + LEAD_IN_MS)
    start, end = first // CELL_MS * CELL_MS, -(-(last + 1) // CELL_MS) * CELL_MS
    done, frames = Redone(), []
    while start < end:
        stop = min(start + CHUNK_MS, end)
        store.delete_findings(context.station, LAYER_QUANTITIES, start, stop)
        frame = _redone_frame(store, context, start, stop)
        if frame is not None:
            done += Redone(len(frame.observations), len(frame.findings))
            frames.append(periods.record_of(frame.observations, frame.findings))
        start = stop
    made = periods.joined(frames) if start_ms is None and end_ms is None else None
    return done + recompute_periods(store, context, start_ms=first, end_ms=last + 1, made=made)


def in_order(config: SiteConfig, stations: Iterable[str]) -> list[str]:
    """Stations in an order for `recompute`: those whose weather others share come first."""
    sources = {config.weather_channel(station, quantity) for station in config.stations() for quantity in WEATHER}
    giving = {channel.split("/", 1)[0] for channel in sources if channel is not None}
    return sorted(stations, key=lambda station: station not in giving)


def recompute_periods(
    store: Store, context: StationContext, *, start_ms: int, end_ms: int, made: Record | None = None
) -> Redone:
    """Do the days and fortnights of a span again, from the observations as they are stored now."""
    done, start = Redone(), start_ms
    while start < end_ms:
        stop = min(start + PERIOD_CHUNK_MS, end_ms)
        for stage in PERIOD_STAGES:
            touched = list(stage.touched(context, start, stop))
            store.delete_findings(context.station, stage.quantities, touched[0][0], touched[-1][1])
        for owner, quantities, begin, end in _event_places(context, start, stop):
            store.delete_findings(owner, quantities, begin, end)
        done += redo_periods(store, context, start, stop, made=made)
        start = stop
    return done


def keep_unknown(store: Store, channels: Iterable[str], start_ms: int, end_ms: int) -> Redone:
    """Observations of channels that the settings do not name: kept as heard, not evaluated, without a value."""
    raw = store.raw(sorted(channels), start_ms, end_ms)
    if raw.empty:
        return Redone()
    observations: pd.DataFrame = StationFrame.from_raw(raw).observations
    heard = (observations["status"] == "ok").to_numpy()
    observations = observations.assign(
        channel=observations["channel"].astype("str"),
        flag=np.where(heard, Flag.NOT_EVALUATED, Flag.MISSING).astype(np.uint8),
    )
    store.upsert_observations(observations[list(OBSERVATION_COLUMNS)])
    return Redone(len(observations))
