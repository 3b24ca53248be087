"""From raw readings to stored observations and findings, for one station and one span.

The worker uses it for what has just arrived, the command for what is to be done again; because both read the same raw
rows with the same lead-in, both store the same bytes. Raw readings are never changed. What is stored is left as it is
when the store fails halfway; doing it again mends it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from pipeline.diary.facts import HAND_KINDS, STATION_KINDS
from pipeline.diary.station import WEATHER, StationContext, is_by_hand
from pipeline.site.settings import SiteConfig
from pipeline.soil.layers import CELL_MS
from pipeline.stages import STAGES
from pipeline.stages.by_hand import hand_layers, with_hand_values
from pipeline.stages.field_limits import learned_limits
from pipeline.stages.stage import (
    FindCells,
    FindingRun,
    FindPeriod,
    Grain,
    Observe,
    Observed,
    Record,
    Series,
    Stage,
    by_name,
    find_each,
    findings_table,
    joined,
    observations_table,
    read_span,
    runs_table,
    series_of,
)
from pipeline.store import Changed, Store
from pipeline.store.diary import Diary
from pipeline.units import DAY_MS, EVER_MS, FOREVER_MS, Flag, TimeArray, TimeSpan

CHUNK_MS = 92 * DAY_MS  # of output at a time, to bound memory: about 10 000 slots of each channel
PERIOD_CHUNK_MS = 4 * CHUNK_MS  # each chunk of periods reads weeks around it: few, long ones read less twice
READING_STAGES: tuple[Stage[Observe], ...] = tuple(s for s in STAGES if s.grain is Grain.READING)
QUARTER_HOUR_STAGES: tuple[Stage[FindCells], ...] = tuple(s for s in STAGES if s.grain is Grain.QUARTER_HOUR)
PERIOD_STAGES: tuple[Stage[FindPeriod], ...] = tuple(s for s in STAGES if s.grain is Grain.PERIOD)
LEAD_IN_MS = max(stage.lead_in_ms for many in (READING_STAGES, QUARTER_HOUR_STAGES) for stage in many)
LOOK_AHEAD_MS = max(stage.look_ahead_ms for many in (READING_STAGES, QUARTER_HOUR_STAGES) for stage in many)


@dataclass(frozen=True, slots=True)
class Redone:
    """How many observations and findings were worked out, and which were not kept just so before or are removed."""

    observations: int = 0
    findings: int = 0
    changed: Changed = field(default_factory=dict)

    def __add__(self, other: Redone) -> Redone:
        count = self.observations + other.observations, self.findings + other.findings
        return Redone(*count, joined_changes((self.changed, other.changed)))

    def span(self, names: Container[str] | None = None) -> tuple[int, int] | None:
        """Return where what is kept under these names, or any, has changed: start <= t < end. [ms since 1970, UTC]"""
        times = [times for name, times in self.changed.items() if names is None or name in names]
        return (min(first for first, _ in times), max(last for _, last in times) + 1) if times else None


def joined_changes(parts: Iterable[Changed]) -> Changed:
    """Return the changes of several writes as those of one."""
    joined: dict[str, tuple[int, int]] = {}
    for name, (first, last) in (item for part in parts for item in part.items()):
        before = joined.get(name, (first, last))
        joined[name] = min(first, before[0]), max(last, before[1])
    return joined


def station_context(config: SiteConfig, station: str, diary: Diary, store: Store | None = None) -> StationContext:
    """Return what the stages must know of a station.

    The settings, what people wrote in the diary since, and the limits its channels have shown, where a store is given.
    """
    struck = diary.entries(HAND_KINDS, *EVER_MS, struck=True)
    context = StationContext.from_config(config, station, diary.entries(STATION_KINDS, *EVER_MS), struck)
    return replace(context, learned={} if store is None else learned_limits(store, context.moisture))


class StationContexts:
    """The context of each station, made anew only when the diary or the limits learned are others. For any thread."""

    def __init__(self, config: SiteConfig, diary: Diary, store: Store) -> None:
        self._config, self.diary, self._store = config, diary, store
        self._learned: Counter[str] = Counter()
        self._kept: dict[str, tuple[object, StationContext]] = {}

    def __call__(self, station: str) -> StationContext:
        """Return a station's context as of now."""
        known = self.diary.revision(), self._learned[station]
        kept = self._kept.get(station)
        if kept is None or kept[0] != known:
            kept = known, station_context(self._config, station, self.diary, self._store)
            self._kept[station] = kept
        return kept[1]

    def has_learned(self, station: str) -> None:
        """Have the limits of a station read again."""
        self._learned[station] += 1


def observed_span(store: Store, context: StationContext, *, shared: bool = False) -> tuple[int, int] | None:
    """Return first and last time of the station's readings and of what was measured by hand. [ms since 1970, UTC]

    With `shared`, those of the weather stations that it rests on count too.
    """
    heard = store.span([c for c in context.channel_ids if (shared or context.owns(c)) and not is_by_hand(c)])
    spans = [span for span in (heard, context.hand_span_ms) if span is not None]
    return (min(first for first, _ in spans), max(last for _, last in spans)) if spans else None


def affected(first_ms: int, last_ms: int) -> TimeSpan:
    """Return the span whose results may change when rows between two times arrive, in whole cells.

    Parameters
    ----------
    first_ms, last_ms : int
        Earliest and latest time among the new rows, both included. [ms since 1970, UTC]
    """
    start = (first_ms - LOOK_AHEAD_MS) // CELL_MS * CELL_MS
    end = -(-(last_ms + 1 + LEAD_IN_MS) // CELL_MS) * CELL_MS
    return TimeSpan(start, end)


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """Observations and findings of quarter hours of a station over a span."""

    station: str
    channels: Observed
    runs: tuple[FindingRun, ...]

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
    observed : Observed
        Of `context.channel_ids` over the span to keep, from `LEAD_IN_MS` before to `LOOK_AHEAD_MS` after it.
    context : StationContext
    start_ms, end_ms : int
        Span to keep, as from `affected`. [ms since 1970, UTC]
    """
    for stage in READING_STAGES:
        observed = stage.run(observed, context)
    observed = with_hand_values(observed, context)
    runs = [run.between(start_ms, end_ms) for stage in QUARTER_HOUR_STAGES for run in stage.run(observed, context)]
    runs += [run.between(start_ms, end_ms) for run in hand_layers(observed, context)]
    own = {i: one.between(start_ms, end_ms) for i, one in observed.items() if context.owns(i)}
    return Drawn(
        context.station,
        {i: one for i, one in own.items() if one.time_ms.size},
        tuple(run for run in runs if run.start_ms.size),
    )


def redo(store: Store, context: StationContext, start_ms: int, end_ms: int) -> tuple[Drawn, Redone]:
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
    observations, findings = drawn.observations, drawn.findings
    changed = [store.upsert_observations(observations), store.upsert_findings(findings)]
    own = [i for i in context.channel_ids if context.owns(i)]
    changed.append(forget_moved(store, own, drawn.channels, start_ms, end_ms))
    times = {quantity: start for quantity, (start, _) in drawn.record.findings.items()}
    for stage in QUARTER_HOUR_STAGES:
        # with one in every cell nothing else can be stored between them
        edges = {"prepend": start_ms - CELL_MS, "append": end_ms}
        gappy = [q for q in stage.findings if q not in times or np.diff(times[q], **edges).max() > CELL_MS]
        changed.append(_forget(store, context.station, gappy, times, [(start_ms, end_ms)]))
    return drawn, Redone(len(observations), len(findings), joined_changes(changed))


def forget_moved(store: Store, channels: Sequence[str], observed: Observed, start_ms: int, end_ms: int) -> Changed:
    """Remove the observations where readings stood before they were dated again, but for those where others stand now.

    `observed` is all that stands now in start <= t < end. [ms since 1970, UTC] Returns what is gone, by channel.
    """
    gone = {}
    for channel, times in store.moved(channels, start_ms, end_ms).items():
        stale = times[~np.isin(times, observed[channel].time_ms)] if channel in observed else times
        if stale.size:
            gone[channel] = stale
    return store.remove_observations(gone) if gone else {}


def _read_windows(
    names_of: Callable[[Stage[FindPeriod]], Iterable[str]], context: StationContext, start_ms: int, end_ms: int
) -> dict[tuple[int, int], list[str]]:
    """Channels or findings that the stages of periods need to redo all that a stretch touches, by from when to when."""
    windows: dict[str, tuple[int, int]] = {}
    for stage in PERIOD_STAGES:
        first, last = read_span((stage,), context, start_ms, end_ms)
        for name in names_of(stage):
            begin, end = windows.get(name, (first, last))
            windows[name] = min(first, begin), max(last, end)
    names: dict[tuple[int, int], list[str]] = {}
    for name, window in windows.items():
        names.setdefault(window, []).append(name)
    return names


def redo_periods(
    store: Store, context: StationContext, start_ms: int, end_ms: int, *, made: Record | None = None
) -> Redone:
    """Redo the findings of periods that may be others when observations of start <= t < end are, and store them.

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

    def unmade(stage: Stage[FindPeriod]) -> list[str]:
        return [i for i in context.channels_of(stage.observes) if made is None or i not in made.channels]

    channels: dict[str, Series] = {}
    for (first, last), ids in _read_windows(unmade, context, start_ms, end_ms).items():
        channels |= store.channel_series(ids, first, last)
    record = Record(channels, _stored_findings(store, context, start_ms, end_ms, of_cells=made is None))
    if made is not None:
        own = made.between(*read_span(PERIOD_STAGES, context, start_ms, end_ms))
        record = Record({**record.channels, **own.channels}, {**record.findings, **own.findings})
    each = list(find_each(PERIOD_STAGES, record, context, start_ms, end_ms))
    found = by_name((one for part in each for one in part.findings), context)
    changed = [store.upsert_findings(findings_table(found, context.station)) if found else {}]
    times: dict[str, dict[str, list[int]]] = {}
    for one in found:
        times.setdefault(one.channel or context.station, {}).setdefault(one.quantity, []).append(one.start_ms)
    for stage, spans, _ in each:
        changed.append(_forget(store, context.station, stage.findings, times.get(context.station, {}), spans))
        for channel in context.moisture if stage.channel_findings else ():
            changed.append(_forget(store, channel, stage.channel_findings, times.get(channel, {}), spans))
    return Redone(0, len(found), joined_changes(changed))


def _stored_findings(
    store: Store, context: StationContext, start_ms: int, end_ms: int, *, of_cells: bool
) -> dict[str, Series]:
    """Stored findings that the stages of periods read, without those of periods that are about to be drawn anew."""
    drawn_by = {quantity: stage for stage in PERIOD_STAGES for quantity in stage.findings}

    def asked(stage: Stage[FindPeriod]) -> list[str]:
        return [quantity for quantity in stage.reads if of_cells or quantity in drawn_by]

    found: dict[str, Series] = {}
    for (first, last), quantities in _read_windows(asked, context, start_ms, end_ms).items():
        found |= store.finding_series(context.station, quantities, first, last)
    for quantity in found.keys() & drawn_by.keys():
        times, values = found[quantity]
        begins = [begin for begin, _ in drawn_by[quantity].touched(context, start_ms, end_ms)]
        stays = ~np.isin(times, begins)
        found[quantity] = times[stays], values[stays]
    return found


def _forget(
    store: Store,
    owner: str,
    quantities: Sequence[str],
    drawn: Mapping[str, Sequence[int] | TimeArray],
    spans: Sequence[tuple[int, int]],
) -> Changed:
    """Remove findings that are stored in some spans, start <= t < end in order, and are not among those drawn now.

    Returns the first and last start of those removed, by quantity. [ms since 1970, UTC]
    """
    removed: dict[str, tuple[int, int]] = {}
    if not (quantities and spans):
        return removed
    stored = store.finding_series(owner, quantities, spans[0][0], spans[-1][1])
    for quantity, (at_ms, _) in stored.items():
        if np.array_equal(at_ms, drawn.get(quantity, ())):
            continue
        inside = np.any([(at_ms >= begin) & (at_ms < end) for begin, end in spans], axis=0)
        stale = inside & ~np.isin(at_ms, np.array(drawn.get(quantity, ()), dtype=np.int64))
        edges = np.flatnonzero(np.diff(np.concatenate([[False], stale, [False]]).astype(np.int8)))
        for first, behind in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            store.delete_findings(owner, [quantity], int(at_ms[first]), int(at_ms[behind - 1]) + 1)
        if stale.any():
            removed[quantity] = int(at_ms[stale][0]), int(at_ms[stale][-1])
    return removed


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
    spans = spans_to_redo(store, context, start_ms, end_ms)
    if not spans:
        return Redone()
    (first, end_of_all), *left = spans
    last = end_of_all - 1
    end = -(-end_of_all // CELL_MS) * CELL_MS
    done, records = Redone(), []
    for left_ms, behind_ms in left:
        done += redo(store, context, left_ms // CELL_MS * CELL_MS, -(-behind_ms // CELL_MS) * CELL_MS)[1]
        done += redo_periods(store, context, left_ms, behind_ms)
    for start in range(first // CELL_MS * CELL_MS, end, CHUNK_MS):
        drawn, redone = redo(store, context, start, min(start + CHUNK_MS, end))
        done += redone
        records.append(drawn.record)
    made = joined(records) if start_ms is None and end_ms is None else None
    for start in range(first, last + 1, PERIOD_CHUNK_MS):
        done += redo_periods(store, context, start, min(start + PERIOD_CHUNK_MS, last + 1), made=made)
    return done


def spans_to_redo(
    store: Store, context: StationContext, start_ms: int | None, end_ms: int | None
) -> list[tuple[int, int]]:
    """Return what a recompute of a station over a span has to redo: from the first to the last reading there, then the
    stretches beside it that readings have left because they were dated again; start <= t < end, none without readings.
    [ms since 1970, UTC]"""
    heard = observed_span(store, context)
    if heard is None:
        return []
    first = heard[0] if start_ms is None else max(start_ms, heard[0])
    last = heard[1] + LEAD_IN_MS if end_ms is None else min(end_ms - 1, heard[1] + LEAD_IN_MS)
    return [(first, last + 1), *_left(store, context, start_ms, end_ms, (first, last))]


def _left(
    store: Store, context: StationContext, start_ms: int | None, end_ms: int | None, redone: tuple[int, int]
) -> list[tuple[int, int]]:
    """Return the stretches, start <= t < end, that readings have left because they were dated again, where a recompute
    of `redone`, both ends included, does not come. [ms since 1970, UTC]"""
    within = EVER_MS[0] if start_ms is None else start_ms, EVER_MS[1] if end_ms is None else end_ms
    times = store.moved([c for c in context.channel_ids if context.owns(c)], *within)
    outside = sorted({t for one in times.values() for t in one.tolist() if not redone[0] <= t <= redone[1]})
    spans: list[tuple[int, int]] = []
    for t in outside:
        if spans and t - spans[-1][1] <= LEAD_IN_MS:
            spans[-1] = spans[-1][0], t + 1
        else:
            spans.append((t, t + 1))
    return [(first, last + LEAD_IN_MS) for first, last in spans]


def in_order(config: SiteConfig, stations: Iterable[str]) -> list[str]:
    """Return stations in an order for `recompute`: those whose weather others share come first."""
    sources = {config.weather_channel(station, quantity) for station in config.stations() for quantity in WEATHER}
    giving = {channel.split("/", 1)[0] for channel in sources if channel is not None}
    return sorted(stations, key=lambda station: station not in giving)


def keep_unknown(store: Store, channels: Iterable[str], start_ms: int, end_ms: int) -> int:
    """Keep observations of channels that the settings do not name, as heard, not evaluated and without a value.

    Returns how many lie in start <= t < end. [ms since 1970, UTC]
    """
    heard = {
        i: replace(one, flag=np.where(one.heard, Flag.NOT_EVALUATED, Flag.MISSING).astype(np.uint8))
        for i, one in series_of(store.raw(sorted(channels), start_ms, end_ms)).items()
    }
    store.upsert_observations(observations_table(heard))
    forget_moved(store, sorted(channels), heard, start_ms, end_ms)
    return sum(one.time_ms.size for one in heard.values())
