"""Which stretches of which stations the stages have still to see, and the running of them, one bounded piece at a time.

Marks come from readings just kept and from a diary entry that changes the past. Channels the settings do not name are
kept too, not evaluated. What is worked out depends on the raw readings alone, not on how they were cut into pieces.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial

from hardware.reading import ReadingColumns
from pipeline.diary.facts import HAND_KINDS, changes_the_past
from pipeline.diary.station import WEATHER, StationContext
from pipeline.run.log import log_fields
from pipeline.run.metrics import Metrics
from pipeline.site.settings import SiteConfig
from pipeline.soil.layers import CELL_MS
from pipeline.stages.field_limits import FIELD_LIMITS, due_ms
from pipeline.stages.recompute import (
    LEAD_IN_MS,
    LOOK_AHEAD_MS,
    PERIOD_STAGES,
    Redone,
    StationContexts,
    affected,
    keep_unknown,
    observed_span,
    redo,
    redo_periods,
)
from pipeline.stages.treatments import PASSES, by_likeness
from pipeline.store import Store
from pipeline.store.readings import unworked
from pipeline.store.sql import SqlDatabase
from pipeline.units import FOREVER_MS

MAX_STRETCHES = 64  # more are joined over the smallest gap: a little more work in place of more memory


class DirtyRanges:
    """Stretches of time, sorted, each further from the next than a gap. [ms] 0: none touches another."""

    def __init__(self, gap_ms: int = 0) -> None:
        self._gap_ms = gap_ms
        self._spans: list[tuple[int, int]] = []

    def __bool__(self) -> bool:
        return bool(self._spans)

    def add(self, start_ms: int, end_ms: int) -> None:
        """Add start <= t < end and join it with the stretches near it. [ms since 1970, UTC]"""
        if end_ms <= start_ms:
            return
        near_ms = start_ms - self._gap_ms, end_ms + self._gap_ms
        apart = [(a, b) for a, b in self._spans if b < near_ms[0] or a > near_ms[1]]
        touching = [(a, b) for a, b in self._spans if not (b < near_ms[0] or a > near_ms[1])]
        start_ms = min([start_ms, *(a for a, _ in touching)])
        end_ms = max([end_ms, *(b for _, b in touching)])
        self._spans = sorted([*apart, (start_ms, end_ms)])
        while len(self._spans) > MAX_STRETCHES:
            gaps = [b[0] - a[1] for a, b in zip(self._spans, self._spans[1:], strict=False)]
            i = gaps.index(min(gaps))
            self._spans[i : i + 2] = [(self._spans[i][0], self._spans[i + 1][1])]

    @property
    def start_ms(self) -> int:
        """When the earliest begins. [ms since 1970, UTC]"""
        return self._spans[0][0]

    @property
    def length_ms(self) -> int:
        """How long they are together. [ms]"""
        return sum(end - start for start, end in self._spans)

    def take(self, most_ms: int) -> tuple[int, int]:
        """Remove and return the beginning of the earliest stretch, at most this long. [ms]"""
        start, end = self._spans[0]
        cut = min(end, start + most_ms)
        self._spans[:1] = [(cut, end)] if cut < end else []
        return start, cut


def stretches(times_ms: Iterable[int], gap_ms: int) -> list[tuple[int, int]]:
    """Return first and last of each run of times that are no further apart than `gap_ms`. [ms] Both included."""
    runs: list[tuple[int, int]] = []
    for t in sorted(set(times_ms)):
        if runs and t - runs[-1][1] <= gap_ms:
            runs[-1] = (runs[-1][0], t)
        else:
            runs.append((t, t))
    return runs


STEP_MS = 31 * 86_400_000  # of output in one step: about 3000 slots of each channel
PERIODS_APART_MS = 14 * 86_400_000  # a run over periods costs as much as some twenty days more in another (measured)
MAX_UNKNOWN_CHANNELS = 200
HAND_REACH_MS = 3_600_000  # pushes of one minute are set one after the other; and a margin
PERIODS_REST_ON_MS = max(stage.look_ahead_ms for stage in PERIOD_STAGES)
UNKNOWN = ""  # stands for a station where the channel has none in the settings


class RestageQueue:
    """The work of the stages.

    Parameters
    ----------
    config : SiteConfig
    store : Store
    database : SqlDatabase
        The journal's.
    metrics : Metrics
    contexts : StationContexts
    now_ms : callable
        The time: nothing is learned of one that has not come. [ms since 1970, UTC]
    """

    def __init__(
        self,
        config: SiteConfig,
        store: Store,
        database: SqlDatabase,
        metrics: Metrics,
        contexts: StationContexts,
        *,
        now_ms: Callable[[], int] = lambda: FOREVER_MS,
    ) -> None:
        self._config, self._store, self._database, self._metrics = config, store, database, metrics
        self._contexts, self._now_ms = contexts, now_ms
        metrics.limits({"study_piece_ms": STEP_MS, "unknown_channels": MAX_UNKNOWN_CHANNELS})
        self._spans: dict[str, DirtyRanges] = {}
        self._changed: dict[str, DirtyRanges] = {}  # observations whose days and fortnights are still to be redone
        self._compared: dict[str, DirtyRanges] = {}  # findings beside which passes are still to be looked at again
        self._rewritten: set[str] = set()  # stations of which all passes and cores are to be looked at again
        self._to_learn: dict[str, int | None] = {}  # stations whose limits may be due, and from when other ones hold
        self._learned_ms: dict[str, int] = {}
        self._since_s: dict[str, float] = {}
        self._on_stages, self._on_periods = set[str](), set[str]()  # the station being worked on
        self._lock = threading.Lock()
        self._holders = 0
        self._unknown: dict[str, int] = {}
        self._diary_revision: tuple[int, int] | None = None
        self.diary_note: dict[str, object] = {}  # the entries of the diary, up to the last that was marked here
        self._readers: dict[str, tuple[str, ...]] = {}
        self._sharers: dict[str, set[str]] = {station: {station} for station in config.stations()}
        for station in config.stations():
            own = [c.id for c in config.stations()[station].channels]
            shared = [config.weather_channel(station, quantity) for quantity in ("rain", *WEATHER)]
            for channel in {*own, *shared}:
                if channel is not None:
                    self._readers[channel] = (*self._readers.get(channel, ()), station)
                    self._sharers[channel.split("/", 1)[0]].add(station)

    @property
    def waiting(self) -> int:
        """How many stations wait, the one being worked on among them."""
        with self._lock:
            return len({*self._spans, *self._on_stages})

    @property
    def periods_waiting(self) -> int:
        """How many stations have days, fortnights or passes to be redone, or limits to be learned; as `waiting`."""
        with self._lock:
            return len({*self._changed, *self._compared, *self._rewritten, *self._to_learn, *self._on_periods})

    @contextmanager
    def held_back(self) -> Iterator[None]:
        """Have nothing count as worked on meanwhile: another thread than the worker's keeps readings, and marks them
        before the end."""
        with self._lock:
            self._holders += 1
        try:
            yield
        finally:
            with self._lock:
                self._holders -= 1

    @property
    def is_held_back(self) -> bool:
        """Return whether readings may be kept that are not marked yet."""
        return self._holders > 0

    @property
    def left_ms(self) -> int:
        """How much the next of readings, else of days and fortnights, have still to see, over all stations. [ms]"""
        return sum(span.length_ms for span in (self._spans or self._changed).values())

    @property
    def oldest_s(self) -> float:
        """Since when the longest waiting station waits, on the monotonic clock. [s]"""
        with self._lock:
            return min(self._since_s.values(), default=0.0)

    @property
    def unknown(self) -> Mapping[str, int]:
        """Channels heard that the settings do not name, with the time of their newest reading. [ms since 1970, UTC]"""
        return dict(self._unknown)

    def waits_for(self, station: str) -> bool:
        """Return whether a station has readings the stages have not seen."""
        return station in self._spans

    def seen_until_ms(self, station: str) -> int:
        """Return until when the stages have seen all that a station rests on, shared weather with it. [ms since 1970,
        UTC]"""
        with self._lock:
            waiting = [
                span.start_ms for source, span in self._spans.items() if station in self._sharers.get(source, ())
            ]
        return min((start_ms + LOOK_AHEAD_MS for start_ms in waiting), default=FOREVER_MS)

    def periods_wait_for(self, station: str) -> bool:
        """Return whether days or fortnights of a station are still to be redone, or its limits to be learned."""
        return station in self._changed or station in self._to_learn

    def mark(self, readings: ReadingColumns, now_s: float) -> dict[str, int]:
        """Note new readings. Returns the stations they belong to, with the newest time of each. [ms]"""
        times: dict[str, list[int]] = {}
        for channel, measured_at_ms in zip(readings.channel, readings.measured_at_ms, strict=True):
            times.setdefault(channel, []).append(measured_at_ms)
        newest: dict[str, int] = {}
        by_station: dict[str, list[int]] = {}
        for channel, at_ms in times.items():
            for station in self._stations_of(channel, max(at_ms)):
                by_station.setdefault(station, []).extend(at_ms)
            own = channel.split("/", 1)[0]
            newest[own] = max(max(at_ms), newest.get(own, 0))
        for station, at_ms in by_station.items():
            for first_ms, last_ms in stretches(at_ms, LEAD_IN_MS):
                self._add(station, first_ms, last_ms, now_s)
        return {s: newest[s] for s in by_station if s in newest}

    def mark_diary(self, now_s: float) -> None:
        """Note what entries written in the diary or struck since the last time have changed, as of now. [s, monotonic]

        Raises
        ------
        StoreAway
        """
        revision = self._contexts.diary.revision()
        if revision == self._diary_revision:
            return
        changed, note = self._contexts.diary.changes(self.diary_note)
        for entry in filter(changes_the_past, changed):
            for surface in self._config.surfaces:
                for station in surface.stations if surface.name == entry.surface else ():
                    heard = observed_span(self._store, self._contexts(station.name), shared=True)
                    if heard is not None and entry.station in (None, station.name):
                        start_ms, end_ms = entry.at_ms, min(heard[1], self._now_ms()) + LEAD_IN_MS
                        if entry.kind in HAND_KINDS:  # of its own time alone, and what rests on it
                            start_ms -= HAND_REACH_MS
                            end_ms = max(entry.at_ms, entry.end_ms or 0) + HAND_REACH_MS
                        self.mark_span(station.name, start_ms, end_ms, now_s)
        self._diary_revision, self.diary_note = revision, note

    def mark_span(self, station: str, start_ms: int, end_ms: int, now_s: float) -> None:
        """Note that the diary has changed what is known of a station in start <= t < end. [ms since 1970, UTC]"""
        self._add(station, start_ms, end_ms - 1, now_s)
        self._change(station, start_ms - PERIODS_REST_ON_MS, end_ms)
        self.mark_passes()  # a pass is looked at beside stations where none was made

    def mark_again(self, station: str, start_ms: int, end_ms: int, now_s: float) -> None:
        """Note that a span of a station is to be worked out again from raw, start <= t < end, whatever is stored of it.
        [ms since 1970, UTC; s, monotonic]"""
        if start_ms < end_ms:
            self._put(station, start_ms // CELL_MS * CELL_MS, -(-end_ms // CELL_MS) * CELL_MS, now_s)
            self._change(station, start_ms, end_ms)

    def mark_passes(self) -> None:
        """Note that the passes and cores of every station are to be looked at again."""
        with self._lock:
            self._rewritten.update(self._sharers)

    def is_through(self, station: str) -> bool:
        """Return whether nothing of a station waits, or is being worked on."""
        with self._lock:
            waiting = (self._spans, self._changed, self._compared, self._rewritten, self._to_learn)
            return not any(station in some for some in (*waiting, self._on_stages, self._on_periods))

    def resume(self, worked: Mapping[str, object], now_s: float) -> None:
        """Note what was kept before a kill but not worked on, as of now, a monotonic time. [s]

        A note of a version that kept none of the diary is taken to have had all its entries worked on.
        """
        diary = worked.get("diary", self._contexts.diary.changes({})[1] if worked else {})
        assert isinstance(diary, dict)
        self._diary_revision, self.diary_note = None, diary
        known = {name: seq for name, seq in worked.items() if isinstance(seq, int)}
        self.mark_moved(unworked(self._database, known), now_s)

    def mark_moved(self, spans: Iterable[tuple[str, int, int]], now_s: float) -> set[str]:
        """Note that readings of channels have come or gone between two times, both included, whether or not the stages
        have seen them before. [ms since 1970, UTC; s, monotonic] Returns the stations that read the channels."""
        marked = set()
        for channel, first_ms, last_ms in spans:
            for station in self._stations_of(channel, last_ms):
                self._add(station, first_ms, last_ms, now_s)
                if station != UNKNOWN:  # what of it is stored already has no days and fortnights yet
                    span = affected(first_ms, last_ms)
                    self._change(station, span.start_ms, span.end_ms)
                    self._rewritten.update(self._sharers)
                    marked.add(station)
        return marked

    def step(self) -> str | None:
        """Run the stages over one piece of the station that has waited longest, and return its name."""
        with self._lock:
            if not self._spans:
                return None
            station = min(self._spans, key=lambda s: self._since_s[s])
            since_s = self._since_s[station]
            # Taken off before it is read: what is marked meanwhile by another thread is then worked out once more.
            start_ms, end_ms = self._spans[station].take(STEP_MS)
            if not self._spans[station]:
                del self._spans[station], self._since_s[station]
            self._on_stages.add(station)
        log_fields(station=station)
        try:
            with self._metrics.stage_seconds.time():
                done = self._redo(station, start_ms, end_ms)
            changed = done.span()
            if changed is not None:
                for reader in self._sharers.get(station, ()):
                    self._change(reader, *changed)
        except BaseException:
            self._put(station, start_ms, end_ms, since_s)
            for reader in self._sharers.get(station, ()):
                self._change(reader, start_ms, end_ms)  # some of it may be stored
            raise
        finally:
            self._on_stages.clear()
        self._metrics.dirty_windows.set(len(self._spans))
        self._metrics.observations.inc(done.observations)
        self._metrics.findings.inc(done.findings)
        return station

    def step_periods(self) -> str | None:
        """Redo the days and fortnights, else the passes, else learn the limits, of one station; return its name.

        Only when the stages have seen everything: a station may share the weather of another.
        """
        if self._spans:
            return None
        try:
            return self._next_periods()
        finally:
            self._on_periods.clear()

    def _next_periods(self) -> str | None:
        found = self._take(self._changed)
        if found is not None:
            return self._step_changed(*found)
        if self._rewritten:
            with self._lock:
                station = self._rewritten.pop()
                self._on_periods.add(station)
            self._compared.pop(station, None)
            return self._step_passes(station, None)
        found = self._take(self._compared)
        if found is not None:
            return self._step_passes(found[0], found[1:])
        return self._learn_next()

    def _take(self, many: dict[str, DirtyRanges]) -> tuple[str, int, int] | None:
        """Take the beginning of the first stretch that waits off, with its station."""
        with self._lock:
            station = next(iter(many), None)
            if station is None:
                return None
            start_ms, end_ms = many[station].take(STEP_MS)
            if not many[station]:
                del many[station]
            self._on_periods.add(station)
            return station, start_ms, end_ms

    def _step_changed(self, station: str, start_ms: int, end_ms: int) -> str:
        log_fields(station=station)
        try:
            with self._metrics.period_seconds.time():
                done = redo_periods(self._store, self._contexts(station), start_ms, end_ms)
        except BaseException:
            self._change(station, start_ms, end_ms)
            self._rewritten.update(self._sharers)  # some of it may be stored
            raise
        self._metrics.findings.inc(done.findings)
        compared = done.span(PASSES.reads)
        if compared is not None:
            for other in self._sharers:  # as when one is written down
                self._compared.setdefault(other, DirtyRanges(PERIODS_APART_MS)).add(*compared)
        known_ms = int(self._contexts(station).learned_ms().max(initial=self._learned_ms.get(station, 0)))
        if due_ms(known_ms, min(end_ms, self._now_ms())):
            self._to_learn.setdefault(station, None)
        return station

    def _step_passes(self, station: str, span_ms: tuple[int, int] | None) -> str:
        log_fields(station=station)
        try:
            with self._metrics.period_seconds.time():
                done = PASSES.run(self._store, self._contexts(station), partial(self._beside, station), span_ms=span_ms)
        except BaseException:
            self._rewritten.add(station)
            raise
        self._metrics.findings.inc(done)
        return station

    def _beside(self, station: str) -> Iterator[StationContext]:
        """Stations that may be held beside one, the likest first."""
        return map(self._contexts, by_likeness(self._config, station))

    def _learn_next(self) -> str | None:
        """Learn the limits of one station for one moment that is due; after the last, its layers are marked anew."""
        station = next(iter(self._to_learn), None)
        if station is None:
            return None
        self._on_periods.add(station)
        log_fields(station=station)
        context = self._contexts(station)
        heard = self._store.span(context.moisture)
        heard = None if heard is None else (heard[0], min(heard[1], self._now_ms()))
        first_ms = self._learned_ms.get(station, 0 if heard is None else heard[0])
        known_ms = int(context.learned_ms().max(initial=first_ms))
        due = due_ms(known_ms, known_ms if heard is None else heard[1])
        if due:
            self._metrics.findings.inc(FIELD_LIMITS.run(self._store, context, due[0]))
            self._contexts.has_learned(station)
            self._learned_ms[station] = due[0]
            since_ms = self._to_learn[station]
            self._to_learn[station] = due[0] if since_ms is None else since_ms
        if len(due) <= 1:
            since_ms = self._to_learn.pop(station)
            if since_ms is not None and heard is not None:
                end_ms = (heard[1] // CELL_MS + 1) * CELL_MS
                self._put(station, since_ms, end_ms, 0.0)
                self._change(station, since_ms, end_ms)
        return station

    def _redo(self, station: str, start_ms: int, end_ms: int) -> Redone:
        if station == UNKNOWN:
            return Redone(keep_unknown(self._store, sorted(self._unknown), start_ms, end_ms))
        return redo(self._store, self._contexts(station), start_ms, end_ms)[1]

    def _add(self, station: str, first_ms: int, last_ms: int, now_s: float) -> None:
        if station == UNKNOWN:
            start_ms, end_ms = first_ms // CELL_MS * CELL_MS, (last_ms // CELL_MS + 1) * CELL_MS
        else:
            span = affected(first_ms, last_ms)
            start_ms, end_ms = span.start_ms, span.end_ms
        self._put(station, start_ms, end_ms, now_s)

    def _put(self, station: str, start_ms: int, end_ms: int, since_s: float) -> None:
        with self._lock:
            self._spans.setdefault(station, DirtyRanges()).add(start_ms, end_ms)
            self._since_s[station] = min(since_s, self._since_s.get(station, since_s))
            self._metrics.dirty_windows.set(len(self._spans))

    def _change(self, station: str, start_ms: int, end_ms: int) -> None:
        """Note that days and fortnights of a station rest on something else between two times."""
        with self._lock:
            self._changed.setdefault(station, DirtyRanges(PERIODS_APART_MS)).add(start_ms, end_ms)

    def _stations_of(self, channel: str, newest_ms: int) -> Sequence[str]:
        readers = self._readers.get(channel)
        if readers is not None:
            return readers
        if channel not in self._unknown and len(self._unknown) >= MAX_UNKNOWN_CHANNELS:
            self._metrics.unknown_refused.inc()
            return ()
        self._unknown[channel] = max(newest_ms, self._unknown.get(channel, 0))
        self._metrics.unknown_channels.set(len(self._unknown))
        return (UNKNOWN,)
