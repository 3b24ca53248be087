"""What a stage is: its declaration, what it is handed and what it gives, and the tables of a store made of both.

The quarter-hour stages rest on four days; a rooting depth rests on two weeks. Periods lie on a fixed calendar, so a
period holds the same observations however they came, and its findings are drawn from all of them each time any of
them changes: in the end they do not depend on the batches. Days begin at the site's midnight by the sun, to the whole
hour; fortnights on a Monday.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, Generic, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from hardware.reading import TOLD_NOISY
from pipeline.diary.station import StationContext
from pipeline.soil import radiation
from pipeline.soil.estimate import Estimate
from pipeline.soil.layers import CELL_MS
from pipeline.soil.moving import binned_means
from pipeline.soil.quality import FlagArray
from pipeline.store import FINDING_COLUMNS, OBSERVATION_COLUMNS, frame_of
from pipeline.units import DAY_MS, BoolArray, Flag, FloatArray, TimeArray, is_believed

STAGE_VERSION = 26
"""Raised with each change that gives other results from the same raw readings and diary; kept with every observation
and finding, so that what an older program worked out can be told apart and done again.

2: limits are learned. 3: dressings, depths measured anew, and probes lifted and put back count. 4: what passes
changed and took out, how thatch grows, and how thick it must be to have held a wetting. 5: the intervals of arrival
share and hold time allow for water nobody saw, and for a probe's slope. 7: a reading whose time is not confirmed is
believed. 8: hourly reference evapotranspiration by ASCE-EWRI 2005, hours filled, and offsets of sun and humidity
sensors taken off. 9: a fall of a rain gauge's total is a reset when the next reading goes on from it; the end of a
sensor's range is suspect, and so is a reading dated after its arrival. 10: a pass begun and then done is one pass.
11: time constants go towards the dry limit, over four weeks. 12: roots are judged layer by layer, and by the gaps
between the probes. 14: the share that passed the thatch is told from below and from above, and what an hourly gauge
tells fell in the hour before. 15: "at least" of roots is of a layer. 16: an untreated island names
its probe by place. 17: readings just beyond a curve's range count as its end, steps of hours and dips are judged, and
whole channels are. 18: a channel of long runs is not said to stand still, and drift asks for a year.
21: the leaves' water is counted to the end of a wetting's account, and reasons agree with their number.
22: what roots drank in a day is read against the nights on both sides of it."""

FORTNIGHT_MS = 14 * DAY_MS
FIRST_MONDAY_MS = 4 * DAY_MS  # 1970-01-05

Series = tuple[TimeArray, FloatArray]
"""Time [ms since 1970, UTC], increasing, and believed value: NaN where it was heard, but failed a test."""
NO_SERIES: Series = (np.array([], dtype=np.int64), np.array([], dtype=np.float64))


@dataclass(frozen=True, slots=True, eq=False)
class ChannelSeries:
    """Readings of one channel, increasing in time, and what the stages make of them.

    Attributes
    ----------
    time_ms, received_ms : ndarray of int64, shape (time,)
        When each was measured, and when it arrived. [ms since 1970, UTC]
    raw : ndarray, shape (time,)
        The number heard. [unit of the channel's `heard`] NaN where none was.
    heard, silent, noisy : ndarray of bool, shape (time,)
        Whether there is a number, and whether nothing came at all; where neither, what came was garbled. Whether its
        line damages answers and nothing guards this one.
    value : ndarray, shape (time,)
        [canonical unit of the quantity] NaN where there is none.
    flag : ndarray of uint8, shape (time,)
        See `pipeline.units.Flag`.
    """

    time_ms: TimeArray
    received_ms: TimeArray
    raw: FloatArray
    heard: BoolArray
    silent: BoolArray
    noisy: BoolArray
    value: FloatArray
    flag: FlagArray

    def believed(self) -> FloatArray:
        """Return the values that are good or not evaluated, the rest NaN. [canonical unit of the quantity]"""
        return np.where(is_believed(self.flag), self.value, np.nan)

    def between(self, start_ms: int, end_ms: int) -> ChannelSeries:
        """Return the part with start <= time < end. [ms since 1970, UTC]"""
        return self.part(slice(*np.searchsorted(self.time_ms, [start_ms, end_ms]).tolist()))

    def part(self, rows: slice) -> ChannelSeries:
        """Return these rows; nothing is copied."""
        return ChannelSeries(*(getattr(self, name)[rows] for name in self.__slots__))


Observed = Mapping[str, ChannelSeries]
"""Channels by id, in the order of ids."""


@dataclass(frozen=True, slots=True, eq=False)
class FindingRun:
    """One quantity over a run of quarter hours, each array of shape (cell,). [ms since 1970, UTC], [unit of quantity]

    `value` is NaN where it is withheld, and then `reason` says why; `n` is of all of them.
    """

    quantity: str
    start_ms: TimeArray
    value: FloatArray
    low: FloatArray
    high: FloatArray
    n: int
    reason: npt.NDArray[np.object_]

    def between(self, start_ms: int, end_ms: int) -> FindingRun:
        """Return the part with start <= time < end. [ms since 1970, UTC]"""
        part = slice(*np.searchsorted(self.start_ms, [start_ms, end_ms]).tolist())
        value, low, high = (column[part] for column in (self.value, self.low, self.high))
        return FindingRun(self.quantity, self.start_ms[part], value, low, high, self.n, self.reason[part])


class Finding(NamedTuple):
    """What a span of observations means. `value` is NaN where it is withheld, and then `reason` says why.

    What holds for one depth alone names its `channel`, and is kept under that id in place of the station's.
    """

    quantity: str
    start_ms: int
    end_ms: int
    value: float
    low: float
    high: float
    n: int
    reason: str
    channel: str = ""

    @classmethod
    def of(cls, quantity: str, start_ms: int, end_ms: int, found: Estimate, channel: str = "") -> Finding:
        """Return an estimate [unit of the quantity] as the finding of a span. [ms since 1970, UTC]"""
        return cls(quantity, start_ms, end_ms, found.value, found.low, found.high, found.n, found.reason, channel)


@dataclass(frozen=True, slots=True)
class Record:
    """What is known of a station over a stretch: a series by channel, and by quantity of a finding.

    A finding stands at its start. `worked_out` is shared by
    the parts of a record: what one stage has summed of a stretch that lies in both, the next need not sum again.
    """

    channels: Mapping[str, Series]
    findings: Mapping[str, Series]
    worked_out: dict[Hashable, Any] = field(default_factory=dict, compare=False, repr=False)

    def between(self, start_ms: int, end_ms: int) -> Record:
        """Return the part with start <= time < end; series without any are left out. [ms since 1970, UTC]"""
        channels, findings = (_cut(many, start_ms, end_ms) for many in (self.channels, self.findings))
        return Record(channels, findings, self.worked_out)


def _cut(many: Mapping[str, Series], start_ms: int, end_ms: int) -> dict[str, Series]:
    cut, edges = {}, np.array([start_ms, end_ms], dtype=np.int64)
    for name, (time_ms, value) in many.items():
        first, last = time_ms.searchsorted(edges)
        if last > first:
            cut[name] = (time_ms[first:last], value[first:last])
    return cut


def joined(records: Iterable[Record]) -> Record:
    """Return one record of several that follow each other in time."""
    channels: dict[str, list[Series]] = {}
    findings: dict[str, list[Series]] = {}
    for record in records:
        for many, into in ((record.channels, channels), (record.findings, findings)):
            for name, series in many.items():
                into.setdefault(name, []).append(series)
    return Record(_end_to_end(channels), _end_to_end(findings))


def _end_to_end(parts: Mapping[str, list[Series]]) -> dict[str, Series]:
    return {
        name: (np.concatenate([time_ms for time_ms, _ in series]), np.concatenate([value for _, value in series]))
        for name, series in parts.items()
    }


class Grain(Enum):
    """What a stage is run over, and with it the form of its `run`."""

    READING = "each reading"
    """(observed, context) -> observed, with other values or flags."""
    QUARTER_HOUR = "each quarter of an hour"
    """(observed, context) -> runs of findings."""
    PERIOD = "each period of a fixed calendar"
    """(record from lead-in to look-ahead, context, start_ms, end_ms) -> findings that start in start <= t < end."""
    DIARY = "each pass and the cores of the diary"
    """See `pipeline.stages.treatments.redo_passes`."""
    ONCE = "each fourth Monday, once"
    """(store, context, at_ms) -> number of findings kept. They are never drawn again by themselves."""


Run = TypeVar("Run", bound=Callable[..., Any])
Since = Callable[[Record, StationContext, int, int, int], int]


@dataclass(frozen=True, kw_only=True)
class Stage(Generic[Run]):
    """Declaration of a stage: the runner, the recompute and the catalogue of findings derive from it.

    Attributes
    ----------
    name : str
    grain : Grain
    run : callable
        Pure but for `Grain.DIARY` and `Grain.ONCE`, which read and write the store.
    findings, channel_findings : tuple of str
        Every quantity it may find for a station, and for one of its channels.
    observes : tuple of str
        Quantities of the channels that a stage of periods draws on.
    reads : tuple of str
        Findings of earlier stages it draws on.
    length_ms : int
        Of a period. [ms]
    lead_in_ms, look_ahead_ms : int
        How far before and after a reading, a quarter of an hour or a period the observations count that its result
        rests on; of the readings themselves for the stages before the periods. [ms]
    of_ground : bool
        Whether it rests on moisture, so that a probe lifted or newly put back is why something is withheld.
    since : callable, optional
        (record, context, start_ms, end_ms, changed_ms) -> from which start on findings of the period may be others when
        observations from `changed_ms` on are. [ms since 1970, UTC] Without one all of them may be.
    """

    name: str
    grain: Grain
    run: Run
    findings: tuple[str, ...] = ()
    channel_findings: tuple[str, ...] = ()
    observes: tuple[str, ...] = ()
    reads: tuple[str, ...] = ()
    length_ms: int = CELL_MS
    lead_in_ms: int = 0
    look_ahead_ms: int = 0
    of_ground: bool = False
    since: Since | None = None

    def touched(self, context: StationContext, start_ms: int, end_ms: int) -> list[tuple[int, int]]:
        """Return the periods whose findings may change when observations of start <= t < end do, in order. [ms]"""
        origin = FIRST_MONDAY_MS - solar_offset_ms(context)
        first = (start_ms - self.look_ahead_ms - origin) // self.length_ms
        last = (end_ms + self.lead_in_ms - 1 - origin) // self.length_ms
        begins = range(origin + first * self.length_ms, origin + (last + 1) * self.length_ms, self.length_ms)
        return [(begin, begin + self.length_ms) for begin in begins]


Observe = Callable[[Observed, StationContext], Observed]
FindCells = Callable[[Observed, StationContext], list[FindingRun]]
FindPeriod = Callable[[Record, StationContext, int, int], Iterable[Finding]]


def solar_offset_ms(context: StationContext) -> int:
    """Return how far the sun's day at the site is ahead of UTC's, in whole hours; 0 where no place is set. [ms]"""
    return 0 if context.site.longitude_deg is None else radiation.solar_offset_ms(context.site.longitude_deg)


def read_span(
    stages: Iterable[Stage[FindPeriod]], context: StationContext, start_ms: int, end_ms: int
) -> tuple[int, int]:
    """Return from when to when records are needed to redo all that a stretch touches. [ms]"""
    spans = [
        (begin - stage.lead_in_ms, end + stage.look_ahead_ms)
        for stage in stages
        for begin, end in stage.touched(context, start_ms, end_ms)
    ]
    return min(begin for begin, _ in spans), max(end for _, end in spans)


class Found(NamedTuple):
    """What one stage finds: its findings, and between which starts all of them have been drawn. [ms since 1970, UTC]"""

    stage: Stage[FindPeriod]
    spans: list[tuple[int, int]]
    findings: list[Finding]


def find_each(
    stages: Iterable[Stage[FindPeriod]], record: Record, context: StationContext, start_ms: int, end_ms: int
) -> Iterator[Found]:
    """Return for each stage the findings that may be others when observations of a stretch are.

    Parameters
    ----------
    stages : iterable of Stage
        Of `Grain.PERIOD`.
    record : Record
        Over `read_span` of the same stretch.
    context : StationContext
    start_ms, end_ms : int
        Where observations have changed. [ms since 1970, UTC]
    """
    for stage in stages:
        found, spans = Found(stage, [], []), stage.touched(context, start_ms, end_ms)
        for begin, end in spans:
            part = record.between(begin - stage.lead_in_ms, end + stage.look_ahead_ms)
            since = begin if stage.since is None else stage.since(part, context, begin, end, start_ms)
            if since < end:
                found.spans.append((since, end))
                drawn = stage.run(part, context, since, end)
                moved = stage.of_ground and context.facts.lifted
                found.findings.extend((_with_moves(one, context) for one in drawn) if moved else drawn)
        yield found


def find(
    stages: Iterable[Stage[FindPeriod]], record: Record, context: StationContext, start_ms: int, end_ms: int
) -> list[Finding]:
    """Return the findings of `find_each` for start <= t < end by channel, quantity and time. [ms since 1970, UTC]"""
    each = find_each(stages, record, context, start_ms, end_ms)
    return by_name((one for found in each for one in found.findings), context)


def by_name(findings: Iterable[Finding], context: StationContext) -> list[Finding]:
    """Return findings by channel, quantity and time, as a store keeps them."""
    return sorted(findings, key=lambda one: (one.channel or context.station, one.quantity, one.start_ms))


def _with_moves(one: Finding, context: StationContext) -> Finding:
    """A finding that is withheld says so first where a probe it may rest on was lifted or had just been put back."""
    if np.isfinite(one.value):
        return one
    channels = [one.channel] if one.channel else context.moisture
    words = dict.fromkeys(context.unsettled(i, one.start_ms, one.end_ms + 1) for i in channels)
    return one._replace(reason="; ".join(word for word in (*words, one.reason) if word))


def on_grid(series: Series | None, start_ms: int, step_ms: int, count: int) -> FloatArray:
    """Return the mean, or total, of the values nearest each time of an even grid.

    Parameters
    ----------
    series : (times, values) or None
        [ms], [any unit]
    start_ms, step_ms, count : int
        The grid. [ms] A value belongs to the time that is at most half a step off.

    Returns
    -------
    ndarray, shape (count,)
        NaN where there is none.
    """
    if series is None:
        return np.full(count, np.nan)
    time_ms, value = series
    return binned_means((time_ms - start_ms + step_ms // 2) // step_ms, value, count)[0]


def over_short_gaps(value: FloatArray, most: int) -> FloatArray:
    """Return a series of even steps with its gaps of at most `most` steps filled by straight lines. [any unit]

    Longer gaps, and the ends, stay NaN.
    """
    known = np.flatnonzero(np.isfinite(value))
    if known.size in (0, value.size):
        return value
    filled = value.copy()
    steps = np.diff(known)
    for gap in np.flatnonzero((steps > 1) & (steps <= most + 1)):
        before, after = known[gap], known[gap + 1]
        share = np.arange(1, after - before) / (after - before)
        filled[before + 1 : after] = value[before] + share * (value[after] - value[before])
    return filled


# --- tables of the store -------------------------------------------------------------------------------------

_SILENT = ("silent", "line_away", "no_value", "short", "not_read", "ok")  # of a reading without a number: nothing came


def series_of(raw: pd.DataFrame) -> Observed:
    """Return readings as series that are not yet calibrated.

    Parameters
    ----------
    raw : DataFrame
        Columns channel, measured_at_ms, raw, status, received_at_ms, and slot, attempts and noisy where known; others
        are left out. Of two rows of one channel and time the one that was heard stands, then the one received first.
        Two slots of the grid that were heard at one time, because a clock was set between them, are kept a
        millisecond apart.
    """
    codes, names = pd.factorize(raw["channel"], sort=True)
    time_ms = raw["measured_at_ms"].to_numpy(dtype=np.int64)
    received_ms = raw["received_at_ms"].to_numpy(dtype=np.int64)
    number = raw["raw"].to_numpy(dtype=np.float64, na_value=np.nan)
    ok = (raw["status"] == "ok").to_numpy(dtype=np.bool_)
    heard = ok & np.isfinite(number)
    noisy = np.zeros(codes.size, dtype=np.bool_)
    for name, least in (("noisy", 1), ("attempts", TOLD_NOISY)):
        if name in raw:
            noisy |= np.asarray(raw[name].to_numpy() >= least)
    silent = ~heard & raw["status"].isin(_SILENT).to_numpy(dtype=np.bool_)
    step = np.diff(codes)
    order: np.ndarray | slice = slice(None)
    if not np.all((step > 0) | ((step == 0) & (np.diff(time_ms) > 0))):
        time_ms = _slots_apart(raw["slot"], codes, time_ms, heard, received_ms) if "slot" in raw else time_ms
        order = np.lexsort((received_ms, ~ok, time_ms, codes))
        first = (np.diff(codes[order], prepend=-1) != 0) | (np.diff(time_ms[order], prepend=0) != 0)
        order = order[first]
        codes = codes[order]
    every = ChannelSeries(
        time_ms[order],
        received_ms[order],
        number[order],
        heard[order],
        silent[order],
        noisy[order],
        value=np.full(codes.size, np.nan),
        flag=np.full(codes.size, Flag.NOT_EVALUATED, dtype=np.uint8),
    )
    edges = np.searchsorted(codes, np.arange(len(names) + 1)).tolist()
    return {str(name): every.part(slice(a, b)) for name, (a, b) in zip(names, itertools.pairwise(edges), strict=True)}


def _slots_apart(
    slots: pd.Series, codes: np.ndarray, time_ms: TimeArray, heard: np.ndarray, received_ms: np.ndarray
) -> TimeArray:
    """Return times in which slots of the grid that were heard on one channel at one time follow on one another."""
    slot = pd.factorize(slots, sort=True)[0]
    order = np.lexsort((slot, received_ms, time_ms, codes))
    order = order[heard[order] & slots.iloc[order].str.isdecimal().to_numpy(dtype=np.bool_)]
    apart = time_ms.copy()
    same = (np.diff(codes[order]) == 0) & (np.diff(time_ms[order]) == 0) & (np.diff(slot[order]) != 0)
    for place in np.flatnonzero(same).tolist():
        apart[order[place + 1]] = apart[order[place]] + 1
    return apart


def observations_table(channels: Observed) -> pd.DataFrame:
    """Return observations with the columns `OBSERVATION_COLUMNS`, by channel and time."""
    sizes = [one.time_ms.size for one in channels.values()]
    columns = {
        "channel": np.repeat(np.array(list(channels), dtype=object), sizes),
        "measured_at_ms": _stacked([one.time_ms for one in channels.values()]),
        "raw": _stacked([one.raw for one in channels.values()]),
        "value": _stacked([one.value for one in channels.values()]),
        "flag": _stacked([one.flag for one in channels.values()]),
        "stage_version": np.full(sum(sizes), STAGE_VERSION),
        "received_at_ms": _stacked([one.received_ms for one in channels.values()]),
    }
    return frame_of(OBSERVATION_COLUMNS, [columns[name] for name in OBSERVATION_COLUMNS])


def runs_table(runs: Sequence[FindingRun], station: str) -> pd.DataFrame:
    """Return runs of findings of a station with the columns `FINDING_COLUMNS`, in their order."""
    sizes = [run.start_ms.size for run in runs]
    start_ms = _stacked([run.start_ms for run in runs])
    columns = {
        "station": np.full(sum(sizes), station, dtype=object),
        "quantity": np.repeat(np.array([run.quantity for run in runs], dtype=object), sizes),
        "start_ms": start_ms,
        "end_ms": start_ms,
        "value": _stacked([run.value for run in runs]),
        "low": _stacked([run.low for run in runs]),
        "high": _stacked([run.high for run in runs]),
        "n": np.repeat(np.array([run.n for run in runs], dtype=np.int64), sizes),
        "reason": _stacked([run.reason for run in runs]),
        "stage_version": np.full(sum(sizes), STAGE_VERSION),
    }
    return frame_of(FINDING_COLUMNS, [columns[name] for name in FINDING_COLUMNS])


def _stacked(parts: Sequence[np.ndarray]) -> np.ndarray:
    return np.concatenate(parts) if parts else np.array([])


def findings_table(found: Sequence[Finding], station: str) -> pd.DataFrame:
    """Return findings of a station and its channels with the columns `FINDING_COLUMNS`, in their order."""
    columns = dict(zip(Finding._fields, zip(*found, strict=True), strict=True)) if found else {}
    columns["station"] = tuple(one.channel or station for one in found)
    columns["stage_version"] = (STAGE_VERSION,) * len(found)
    return frame_of(FINDING_COLUMNS, [columns.get(name, ()) for name in FINDING_COLUMNS])
