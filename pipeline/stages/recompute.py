"""From raw readings to stored observations and findings, for one station and one span.

The worker uses it for what has just arrived, the command for what is to be done again; because both read the same raw
rows with the same lead-in, both store the same bytes. Raw readings are never changed. What is stored is left as it is
when the store fails halfway; doing it again mends it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pipeline.diary.facts import STATION_KINDS, with_diary
from pipeline.site.models import SiteConfig
from pipeline.site.station import WEATHER, StationContext
from pipeline.soil.layers import CELL_MS
from pipeline.stages import STAGES
from pipeline.stages.field_limits import learned_limits
from pipeline.stages.stage import (
    FindPeriod,
    FramePass,
    Grain,
    Record,
    Stage,
    StationFrame,
    find,
    joined,
    no_findings,
    read_span,
    record_of,
)
from pipeline.store import OBSERVATION_COLUMNS, Store
from pipeline.store.diary import Diary
from pipeline.units import EVER_MS, Flag

CHUNK_MS = 92 * 86_400_000  # of output at a time, to bound memory: about 10 000 slots of each channel
PERIOD_CHUNK_MS = 4 * CHUNK_MS  # each chunk of periods reads weeks around it: few, long ones read less twice
READING_STAGES: tuple[Stage[FramePass], ...] = tuple(
    stage for stage in STAGES if stage.grain in (Grain.READING, Grain.QUARTER_HOUR)
)
PERIOD_STAGES: tuple[Stage[FindPeriod], ...] = tuple(stage for stage in STAGES if stage.grain is Grain.PERIOD)
LEAD_IN_MS = max(stage.lead_in_ms for stage in READING_STAGES)
LOOK_AHEAD_MS = max(stage.look_ahead_ms for stage in READING_STAGES)


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
    context = StationContext.from_config(config, station)
    surface = config.surface_of(station)
    context = with_diary(context, surface, diary.entries(STATION_KINDS, *EVER_MS), config.passes)
    return replace(context, learned={} if store is None else learned_limits(store, context.moisture))


@dataclass(frozen=True, slots=True)
class AffectedSpan:
    """What to read and what to keep. [ms since 1970, UTC] Ends are excluded; all are whole cells."""

    read_start_ms: int
    start_ms: int
    end_ms: int
    read_end_ms: int


def affected(first_ms: int, last_ms: int) -> AffectedSpan:
    """The span whose results may change when rows between two times arrive, and the rows needed to redo it.

    Parameters
    ----------
    first_ms, last_ms : int
        Earliest and latest time among the new rows, both included. [ms since 1970, UTC]
    """
    start = (first_ms - LOOK_AHEAD_MS) // CELL_MS * CELL_MS
    end = -(-(last_ms + 1 + LEAD_IN_MS) // CELL_MS) * CELL_MS
    return AffectedSpan(start - LEAD_IN_MS, start, end, end + LOOK_AHEAD_MS)


def process(
    frame: StationFrame, context: StationContext, *, start_ms: int | None = None, end_ms: int | None = None
) -> StationFrame:
    """Run all stages, and keep what belongs to the station and lies in start <= t < end.

    Parameters
    ----------
    frame : StationFrame
        See `StationFrame.from_raw`: the rows of `context.channel_ids` over the read span of `affected`.
    context : StationContext
    start_ms, end_ms : int, optional
        Span to keep, as from `affected`. [ms since 1970, UTC] None: no bound.

    Returns
    -------
    StationFrame
        Observations of the station's own channels and its findings, channel and names as text.
    """
    for stage in READING_STAGES:
        frame = stage.run(frame, context)
    channel = frame.observations["channel"].array
    own = np.array([context.owns(str(c)) for c in channel.categories], dtype=np.bool_)
    keep = own[channel.codes] if own.size else np.zeros(len(frame.observations), dtype=np.bool_)
    observations = frame.observations[keep & _within(frame.observations["measured_at_ms"], start_ms, end_ms)]
    findings = frame.findings[_within(frame.findings["start_ms"], start_ms, end_ms)]
    observations = observations.assign(
        channel=observations["channel"].astype("str"), status=observations["status"].astype("str")
    )
    return StationFrame(observations.reset_index(drop=True), findings.reset_index(drop=True))


def _within(time_ms: pd.Series, start_ms: int | None, end_ms: int | None) -> np.ndarray:
    times = time_ms.to_numpy(dtype=np.int64)
    keep = np.ones(times.shape, dtype=np.bool_)
    if start_ms is not None:
        keep &= times >= start_ms
    if end_ms is not None:
        keep &= times < end_ms
    return keep


def redo(store: Store, context: StationContext, start_ms: int, end_ms: int) -> StationFrame:
    """Redo observations and findings of quarter hours of start <= t < end from raw, store and return them.

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
    raw = store.raw(context.channel_ids, start_ms - LEAD_IN_MS, end_ms + LOOK_AHEAD_MS)
    frame = process(StationFrame.from_raw(raw), context, start_ms=start_ms, end_ms=end_ms)
    store.upsert_observations(frame.observations[list(OBSERVATION_COLUMNS)])
    store.upsert_findings(frame.findings)
    for stage in READING_STAGES:
        _forget(store, context.station, stage.findings, frame.findings, start_ms, end_ms)
    return frame


def redo_periods(
    store: Store, context: StationContext, start_ms: int, end_ms: int, *, made: Record | None = None
) -> int:
    """Redo every period that holds observations of start <= t < end, and store its findings; returns how many.

    The observations must stand: those of the station, and those of the weather it shares with others. Findings that are
    stored and found no more are removed: late readings join, part or move wettings.

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
    first, last = read_span(PERIOD_STAGES, context, start_ms, end_ms)
    shared = [c for c in context.observed_ids if made is None or c not in made.channels]
    observations = store.observations(shared, first, last)
    if made is None:
        reads = sorted({quantity for stage in PERIOD_STAGES for quantity in stage.reads})
        record = record_of(observations, store.findings(context.station, reads, first, last))
    else:
        own, read = made.between(first, last), record_of(observations, no_findings())
        record = Record({**read.channels, **own.channels}, own.findings)
    table = find(PERIOD_STAGES, record, context, start_ms, end_ms)
    if len(table):
        store.upsert_findings(table)
    for stage in PERIOD_STAGES:
        touched = stage.touched(context, start_ms, end_ms)
        _forget(store, context.station, stage.findings, table, touched[0][0], touched[-1][1])
        for channel in context.moisture if stage.channel_findings else ():
            _forget(store, channel, stage.channel_findings, table, touched[0][0], touched[-1][1])
    return len(table)


def _forget(
    store: Store, owner: str, quantities: Iterable[str], drawn: pd.DataFrame, start_ms: int, end_ms: int
) -> None:
    """Remove findings of start <= t < end that are stored and drawn no more."""
    drawn = drawn[(drawn["station"] == owner).to_numpy(dtype=np.bool_)]
    times = {q: drawn["start_ms"].to_numpy()[(drawn["quantity"] == q).to_numpy(dtype=np.bool_)] for q in quantities}
    # with one in every cell nothing else can be stored between them
    gappy = [q for q, t in times.items() if np.diff(t, prepend=start_ms - CELL_MS, append=end_ms).max() > CELL_MS]
    stored = store.findings(owner, gappy, start_ms, end_ms)
    for quantity in gappy:
        at_ms = stored["start_ms"].to_numpy(dtype=np.int64)[(stored["quantity"] == quantity).to_numpy(dtype=np.bool_)]
        for first, last in _runs(~np.isin(at_ms, times[quantity])):
            store.delete_findings(owner, [quantity], int(at_ms[first]), int(at_ms[last]) + 1)


def _runs(marked: np.ndarray) -> list[tuple[int, int]]:
    """First and last place of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], marked, [False]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), (edges[1::2] - 1).tolist(), strict=True))


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
    end = -(-(last + 1) // CELL_MS) * CELL_MS
    done, records = Redone(), []
    for start in range(first // CELL_MS * CELL_MS, end, CHUNK_MS):
        frame = redo(store, context, start, min(start + CHUNK_MS, end))
        done += Redone(len(frame.observations), len(frame.findings))
        records.append(record_of(frame.observations, frame.findings))
    made = joined(records) if start_ms is None and end_ms is None else None
    for start in range(first, last + 1, PERIOD_CHUNK_MS):
        done += Redone(0, redo_periods(store, context, start, min(start + PERIOD_CHUNK_MS, last + 1), made=made))
    return done


def in_order(config: SiteConfig, stations: Iterable[str]) -> list[str]:
    """Stations in an order for `recompute`: those whose weather others share come first."""
    sources = {config.weather_channel(station, quantity) for station in config.stations() for quantity in WEATHER}
    giving = {channel.split("/", 1)[0] for channel in sources if channel is not None}
    return sorted(stations, key=lambda station: station not in giving)


def keep_unknown(store: Store, channels: Iterable[str], start_ms: int, end_ms: int) -> int:
    """Keep observations of channels that the settings do not name, as heard, not evaluated and without a value.

    Returns how many.
    """
    raw = store.raw(sorted(channels), start_ms, end_ms)
    observations = StationFrame.from_raw(raw).observations
    heard = (observations["status"] == "ok").to_numpy()
    observations = observations.assign(
        channel=observations["channel"].astype("str"),
        flag=np.where(heard, Flag.NOT_EVALUATED, Flag.MISSING).astype(np.uint8),
    )
    store.upsert_observations(observations[list(OBSERVATION_COLUMNS)])
    return len(observations)
