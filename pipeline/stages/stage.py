"""Findings of whole days and fortnights, drawn from the observations once those stand.

The quarter-hour stages rest on four days; a rooting depth rests on two weeks. Periods lie on a fixed calendar, so a
period holds the same observations however they came, and its findings are worked out from all of them each time any
of them changes: in the end they do not depend on the batches. Days begin at the site's midnight by the sun, to the
whole hour; fortnights on a Monday. Pure: what is read and when is up to `pipeline.stages.recompute` and
`pipeline.stages.runner`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from functools import cache
from typing import Any, Generic, NamedTuple, TypeVar

import numpy as np
import pandas as pd

from pipeline.site.station import StationContext
from pipeline.soil import radiation
from pipeline.soil.layers import CELL_MS
from pipeline.store import FINDING_COLUMNS, OBSERVATION_COLUMNS
from pipeline.units import DAY_MS, Flag, FloatArray, TimeArray

STAGE_VERSION = 6
"""Raised with each change that gives other results from the same raw readings and diary; kept with every observation
and finding, so that what an older program worked out can be told apart and done again.

2: limits are learned. 3: dressings, depths measured anew, and probes lifted and put back count. 4: what
passes changed and took out, how thatch grows, and how thick it must be to have held a wetting. 5: the
intervals of arrival share and hold time allow for water nobody saw, and for a probe's slope."""

FORTNIGHT_MS = 14 * DAY_MS
FIRST_MONDAY_MS = 4 * DAY_MS  # 1970-01-05

Series = tuple[TimeArray, FloatArray]
NOTHING: Series = (np.array([], dtype=np.int64), np.array([], dtype=np.float64))


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


@dataclass(frozen=True, slots=True)
class Record:
    """What is known of a station over a stretch: time [ms] and value by channel, and by quantity of a finding.

    Values that failed a test are NaN: heard, but not believed. A finding stands at its start. `worked_out` is shared by
    the parts of a record: what one stage has summed of a stretch that lies in both, the next need not sum again.
    """

    channels: Mapping[str, Series]
    findings: Mapping[str, Series]
    worked_out: dict[Hashable, Any] = field(default_factory=dict, compare=False, repr=False)

    def between(self, start_ms: int, end_ms: int) -> Record:
        """The part with start <= time < end; series without any are left out."""
        channels, findings = (_cut(many, start_ms, end_ms) for many in (self.channels, self.findings))
        return Record(channels, findings, self.worked_out)


def _cut(many: Mapping[str, Series], start_ms: int, end_ms: int) -> dict[str, Series]:
    cut = {}
    for name, (time_ms, value) in many.items():
        first, last = np.searchsorted(time_ms, [start_ms, end_ms])
        if last > first:
            cut[name] = (time_ms[first:last], value[first:last])
    return cut


def record_of(observations: pd.DataFrame, findings: pd.DataFrame) -> Record:
    """A record from the tables of a store, each sorted by name and time."""
    flag = observations["flag"].to_numpy()
    believed = (flag == Flag.GOOD) | (flag == Flag.NOT_EVALUATED)
    value = np.where(believed, observations["value"].to_numpy(dtype=np.float64), np.nan)
    heard = _by_name(observations["channel"], observations["measured_at_ms"], value)
    drawn = _by_name(findings["quantity"], findings["start_ms"], findings["value"].to_numpy(dtype=np.float64))
    return Record(heard, drawn)


def joined(records: Iterable[Record]) -> Record:
    """One record of several that follow each other in time."""
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


def _by_name(name: pd.Series, time_ms: pd.Series, value: FloatArray) -> dict[str, Series]:
    codes, names = pd.factorize(name)
    times = time_ms.to_numpy(dtype=np.int64)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(codes)) + 1, [codes.size]])
    return {str(names[codes[a]]): (times[a:b], value[a:b]) for a, b in itertools.pairwise(edges.tolist()) if b > a}


class Grain(Enum):
    """What a stage is run over, and with it the form of its `run`."""

    READING = "each reading"
    """(frame, context) -> frame, with other values or flags."""
    QUARTER_HOUR = "each quarter of an hour"
    """(frame, context) -> frame, with its findings added."""
    PERIOD = "each period of a fixed calendar"
    """(record from lead-in to look-ahead, context, start_ms, end_ms) -> findings. It draws on nothing else."""
    DIARY = "each pass and the cores of the diary"
    """See `pipeline.stages.treatments.redo_passes`."""
    ONCE = "each fourth Monday, once"
    """(store, context, at_ms) -> number of findings kept. They are never drawn again by themselves."""


Run = TypeVar("Run", bound=Callable[..., Any])


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
    reads : tuple of str
        Findings of earlier stages it draws on.
    length_ms : int
        Of a period. [ms]
    lead_in_ms, look_ahead_ms : int
        How far before and after a reading, a quarter of an hour or a period the observations count that its result
        rests on; of the readings themselves for the stages before the periods. [ms]
    of_ground : bool
        Whether it rests on moisture, so that a probe lifted or newly put back is why something is withheld.
    """

    name: str
    grain: Grain
    run: Run
    findings: tuple[str, ...] = ()
    channel_findings: tuple[str, ...] = ()
    reads: tuple[str, ...] = ()
    length_ms: int = CELL_MS
    lead_in_ms: int = 0
    look_ahead_ms: int = 0
    of_ground: bool = False

    def touched(self, context: StationContext, start_ms: int, end_ms: int) -> list[tuple[int, int]]:
        """Return the periods whose findings may change when observations of start <= t < end do, in order. [ms]"""
        origin = FIRST_MONDAY_MS - solar_offset_ms(context)
        first = (start_ms - self.look_ahead_ms - origin) // self.length_ms
        last = (end_ms + self.lead_in_ms - 1 - origin) // self.length_ms
        begins = range(origin + first * self.length_ms, origin + (last + 1) * self.length_ms, self.length_ms)
        return [(begin, begin + self.length_ms) for begin in begins]


FramePass = Callable[["StationFrame", StationContext], "StationFrame"]
FindPeriod = Callable[[Record, StationContext, int, int], Iterable[Finding]]


def solar_offset_ms(context: StationContext) -> int:
    """How far the sun's day at the site is ahead of that of UTC, to the whole hour. [ms] 0 where nobody said where."""
    return 0 if context.longitude_deg is None else radiation.solar_offset_ms(context.longitude_deg)


def read_span(
    stages: Iterable[Stage[FindPeriod]], context: StationContext, start_ms: int, end_ms: int
) -> tuple[int, int]:
    """From when to when records are needed to redo all that a stretch touches. [ms]"""
    spans = [
        (begin - stage.lead_in_ms, end + stage.look_ahead_ms)
        for stage in stages
        for begin, end in stage.touched(context, start_ms, end_ms)
    ]
    return min(begin for begin, _ in spans), max(end for _, end in spans)


def find(
    stages: Iterable[Stage[FindPeriod]], record: Record, context: StationContext, start_ms: int, end_ms: int
) -> pd.DataFrame:
    """Findings of every period that a stretch touches, as a table for the store.

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
    found: list[Finding] = []
    for stage in stages:
        for begin, end in stage.touched(context, start_ms, end_ms):
            part = record.between(begin - stage.lead_in_ms, end + stage.look_ahead_ms)
            drawn = stage.run(part, context, begin, end)
            found += (_with_moves(one, context) for one in drawn) if stage.of_ground and context.lifted else drawn
    if not found:
        return no_findings()
    table = pd.DataFrame(found, columns=list(Finding._fields))
    table = table.assign(station=table["channel"].where(table["channel"] != "", context.station))
    table = table.assign(stage_version=STAGE_VERSION)
    in_order = table.sort_values(["station", "quantity", "start_ms"], kind="stable", ignore_index=True)
    return in_order[list(FINDING_COLUMNS)]


def _with_moves(one: Finding, context: StationContext) -> Finding:
    """A finding that is withheld says so first where a probe it may rest on was lifted or had just been put back."""
    if np.isfinite(one.value):
        return one
    channels = [one.channel] if one.channel else context.moisture
    words = dict.fromkeys(context.unsettled(i, one.start_ms, one.end_ms + 1) for i in channels)
    return one._replace(reason="; ".join(word for word in (*words, one.reason) if word))


_FRAME_COLUMNS = (*OBSERVATION_COLUMNS, "status", "clock_ok")


@dataclass(frozen=True)
class StationFrame:
    """Observations and findings of one span, as long tables sorted by channel and time, and by quantity and time."""

    observations: pd.DataFrame
    findings: pd.DataFrame

    @classmethod
    def from_raw(cls, raw: pd.DataFrame) -> StationFrame:
        """The frame to begin with: every raw row an observation not yet calibrated.

        Parameters
        ----------
        raw : DataFrame
            Columns channel, measured_at_ms, raw, status, clock_ok, received_at_ms; others are left out. Of two rows of
            one channel and time the one that was heard stands, then the one received first.
        """
        table = pd.DataFrame(
            {
                "channel": pd.Categorical(raw["channel"]),
                "measured_at_ms": raw["measured_at_ms"].to_numpy(dtype=np.int64),
                "raw": raw["raw"].to_numpy(dtype=np.float64, na_value=np.nan),
                "value": np.nan,
                "flag": np.uint8(Flag.NOT_EVALUATED),
                "stage_version": STAGE_VERSION,
                "received_at_ms": raw["received_at_ms"].to_numpy(dtype=np.int64),
                "status": pd.Categorical(raw["status"]),
                "clock_ok": raw["clock_ok"].to_numpy(dtype=np.bool_),
            },
            columns=list(_FRAME_COLUMNS),
        )
        return cls(_in_order(table), no_findings())

    def spans(self) -> dict[str, slice]:
        """Rows of each channel in `observations`, by its id."""
        channel = self.observations["channel"].array
        codes = channel.codes.astype(np.int64)
        if codes.size == 0:
            return {}
        starts = np.concatenate([[0], np.flatnonzero(np.diff(codes)) + 1])
        ends = np.concatenate([starts[1:], [codes.size]])
        return {str(channel.categories[codes[a]]): slice(int(a), int(b)) for a, b in zip(starts, ends, strict=True)}

    def with_columns(self, **columns: np.ndarray) -> StationFrame:
        """A frame with these columns of the observations replaced; the rest is shared, nothing is changed in place."""
        return replace(self, observations=self.observations.assign(**columns))


def _in_order(table: pd.DataFrame) -> pd.DataFrame:
    codes = table["channel"].array.codes.astype(np.int64)
    times = table["measured_at_ms"].to_numpy()
    step = np.diff(codes)
    if np.all((step > 0) | ((step == 0) & (np.diff(times) > 0))):
        return table
    unheard = (table["status"] != "ok").to_numpy()
    order = np.lexsort((table["received_at_ms"].to_numpy(), unheard, times, codes))
    codes, times = codes[order], times[order]
    first = np.concatenate([[True], (np.diff(codes) != 0) | (np.diff(times) != 0)])
    return table.take(order[first]).reset_index(drop=True)


def no_findings() -> pd.DataFrame:
    """An empty table of findings with its columns and types."""
    return _no_findings().copy(deep=False)


@cache
def _no_findings() -> pd.DataFrame:
    types = {"start_ms": "int64", "end_ms": "int64", "value": "float64", "low": "float64", "high": "float64"}
    types |= {"n": "int64", "stage_version": "int64"}
    return pd.DataFrame({name: pd.Series(dtype=types.get(name, "str")) for name in FINDING_COLUMNS})


def on_grid(series: Series | None, start_ms: int, step_ms: int, count: int, *, total: bool = False) -> FloatArray:
    """Mean, or total, of the values nearest each time of an even grid.

    Parameters
    ----------
    series : (times, values) or None
        [ms], [any unit]
    start_ms, step_ms, count : int
        The grid. [ms] A value belongs to the time that is at most half a step off.
    total : bool
        Add up in place of averaging.

    Returns
    -------
    ndarray, shape (count,)
        NaN where there is none; a total is NaN too where one of its values is not believed.
    """
    if series is None:
        return np.full(count, np.nan)
    time_ms, value = series
    place = (time_ms - start_ms + step_ms // 2) // step_ms
    inside = (place >= 0) & (place < count)
    if not total:
        inside &= np.isfinite(value)
    place, value = place[inside], value[inside]
    number = np.bincount(place, minlength=count)
    added = np.bincount(place, weights=value, minlength=count)
    return np.where(number > 0, added if total else added / np.maximum(number, 1), np.nan)


def over_short_gaps(value: FloatArray, most: int) -> FloatArray:
    """A series with gaps of at most `most` steps filled by straight lines; longer ones, and the ends, stay NaN."""
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
