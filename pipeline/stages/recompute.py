"""From raw readings to stored observations and findings, for one station and one span.

The worker uses it for what has just arrived, the command for what is to be done again; because both read the same raw
rows with the same lead-in, both store the same bytes. Raw readings are never changed. What is stored is left as it is
when the store fails halfway; doing it again mends it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
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
    FindCells,
    FindingRun,
    FindPeriod,
    Grain,
    Observe,
    Observed,
    Record,
    Stage,
    find,
    joined,
    read_span,
)
from pipeline.stages.tables import (
    channels_of,
    findings_of,
    findings_table,
    observations_table,
    runs_table,
    series_of,
)
from pipeline.store import Store
from pipeline.store.diary import Diary
from pipeline.units import DAY_MS, EVER_MS, FOREVER_MS, Flag, TimeArray

CHUNK_MS = 92 * DAY_MS  # of output at a time, to bound memory: about 10 000 slots of each channel
PERIOD_CHUNK_MS = 4 * CHUNK_MS  # each chunk of periods reads weeks around it: few, long ones read less twice
READING_STAGES: tuple[Stage[Observe], ...] = tuple(s for s in STAGES if s.grain is Grain.READING)
QUARTER_HOUR_STAGES: tuple[Stage[FindCells], ...] = tuple(s for s in STAGES if s.grain is Grain.QUARTER_HOUR)
PERIOD_STAGES: tuple[Stage[FindPeriod], ...] = tuple(s for s in STAGES if s.grain is Grain.PERIOD)
LEAD_IN_MS = max(stage.lead_in_ms for many in (READING_STAGES, QUARTER_HOUR_STAGES) for stage in many)
LOOK_AHEAD_MS = max(stage.look_ahead_ms for many in (READING_STAGES, QUARTER_HOUR_STAGES) for stage in many)


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


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """Observations and findings of quarter hours of a station over a span."""

    station: str
    channels: Observed
    runs: tuple[FindingRun, ...]

    @property
    def count(self) -> Redone:
        """How many there are."""
        observations = sum(one.time_ms.size for one in self.channels.values())
        return Redone(observations, sum(run.start_ms.size for run in self.runs))

    @property
    def observations(self) -> pd.DataFrame:
        """The observations as a table for the store."""
        return observations_table(self.channels)

    @property
    def findings(self) -> pd.DataFrame:
        """The findings as a table for the store."""
        return runs_table(self.runs, self.station)

    @property
    def record(self) -> Record:
        """What the stages of periods are handed of it."""
        channels = {i: (one.time_ms, one.believed()) for i, one in self.channels.items()}
        parts = [Record({}, {run.quantity: (run.start_ms, run.value)}) for run in self.runs]
        return Record(channels, joined(parts).findings)


def process(
    observed: Observed, context: StationContext, *, start_ms: int = -FOREVER_MS, end_ms: int = FOREVER_MS
) -> Drawn:
    """Run the stages of readings and quarter hours, and keep what belongs to the station and lies in start <= t < end.

    Parameters
    ----------
    observed : mapping of str to ChannelSeries
        Of `context.channel_ids` over the read span of `affected`.
    context : StationContext
    start_ms, end_ms : int
        Span to keep, as from `affected`. [ms since 1970, UTC]
    """
    for stage in READING_STAGES:
        observed = stage.run(observed, context)
    runs = [run.between(start_ms, end_ms) for stage in QUARTER_HOUR_STAGES for run in stage.run(observed, context)]
    own = {i: one.between(start_ms, end_ms) for i, one in observed.items() if context.owns(i)}
    return Drawn(
        context.station,
        {i: one for i, one in own.items() if one.time_ms.size},
        tuple(run for run in runs if run.start_ms.size),
    )


def redo(store: Store, context: StationContext, start_ms: int, end_ms: int) -> Drawn:
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
    drawn = process(series_of(raw), context, start_ms=start_ms, end_ms=end_ms)
    store.upsert_observations(drawn.observations)
    store.upsert_findings(drawn.findings)
    times = {quantity: start for quantity, (start, _) in drawn.record.findings.items()}
    for stage in QUARTER_HOUR_STAGES:
        _forget(store, context.station, stage.findings, times, start_ms, end_ms)
    return drawn


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
        All there is of the station's own channels and layers, where it has just been drawn: it is not read back.

    Raises
    ------
    StoreAway, StoreFull
    """
    first, last = read_span(PERIOD_STAGES, context, start_ms, end_ms)
    shared = [c for c in context.observed_ids if made is None or c not in made.channels]
    channels = channels_of(store.observations(shared, first, last))
    if made is None:
        reads = sorted({quantity for stage in PERIOD_STAGES for quantity in stage.reads})
        record = Record(channels, findings_of(store.findings(context.station, reads, first, last)))
    else:
        own = made.between(first, last)
        record = Record({**channels, **own.channels}, own.findings)
    found = find(PERIOD_STAGES, record, context, start_ms, end_ms)
    if found:
        store.upsert_findings(findings_table(found, context.station))
    times: dict[str, dict[str, list[int]]] = {}
    for one in found:
        times.setdefault(one.channel or context.station, {}).setdefault(one.quantity, []).append(one.start_ms)
    for stage in PERIOD_STAGES:
        touched = stage.touched(context, start_ms, end_ms)
        begin, end = touched[0][0], touched[-1][1]
        _forget(store, context.station, stage.findings, times.get(context.station, {}), begin, end)
        for channel in context.moisture if stage.channel_findings else ():
            _forget(store, channel, stage.channel_findings, times.get(channel, {}), begin, end)
    return len(found)


def _forget(
    store: Store,
    owner: str,
    quantities: Iterable[str],
    drawn: Mapping[str, Sequence[int] | TimeArray],
    start_ms: int,
    end_ms: int,
) -> None:
    """Remove findings of start <= t < end that are stored and not at the times drawn now, increasing by quantity."""
    times = {quantity: np.array(drawn.get(quantity, ()), dtype=np.int64) for quantity in quantities}
    # with one in every cell nothing else can be stored between them
    gappy = [q for q, t in times.items() if np.diff(t, prepend=start_ms - CELL_MS, append=end_ms).max() > CELL_MS]
    stored = findings_of(store.findings(owner, gappy, start_ms, end_ms))
    for quantity, (at_ms, _) in stored.items():
        stale = np.concatenate([[False], ~np.isin(at_ms, times[quantity]), [False]])
        edges = np.flatnonzero(np.diff(stale.astype(np.int8)))
        for first, behind in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            store.delete_findings(owner, [quantity], int(at_ms[first]), int(at_ms[behind - 1]) + 1)


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
        drawn = redo(store, context, start, min(start + CHUNK_MS, end))
        done += drawn.count
        records.append(drawn.record)
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
    heard = {
        i: replace(one, flag=np.where(one.heard, Flag.NOT_EVALUATED, Flag.MISSING).astype(np.uint8))
        for i, one in series_of(store.raw(sorted(channels), start_ms, end_ms)).items()
    }
    store.upsert_observations(observations_table(heard))
    return sum(one.time_ms.size for one in heard.values())
