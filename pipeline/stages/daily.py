"""Findings of whole days and fortnights, drawn from the observations once those stand.

The quarter-hour stages rest on four days; a rooting depth rests on two weeks. Periods lie on a fixed calendar, so a
period holds the same observations however they came, and its findings are worked out from all of them each time any
of them changes: in the end they do not depend on the batches. Days begin at the site's midnight by the sun, to the
whole hour; fortnights on a Monday. Pure: what is read and when is up to `pipeline.stages.recompute` and
`pipeline.stages.runner`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from pipeline.site.station import FINDING_COLUMNS, STAGE_VERSION, StationContext, no_findings
from pipeline.units import DAY_MS, HOUR_MS, Flag, FloatArray, TimeArray

FORTNIGHT_MS = 14 * DAY_MS
FIRST_MONDAY_MS = 4 * DAY_MS  # 1970-01-05

Series = tuple[TimeArray, FloatArray]


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
        cut = (_cut(many, start_ms, end_ms) for many in (self.channels, self.findings))
        return Record(*cut, self.worked_out)


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


@dataclass(frozen=True, slots=True)
class PeriodStage:
    """Sums over one period.

    Attributes
    ----------
    name : str
    quantities : tuple of str
        Every quantity it may find.
    length_ms, lead_in_ms, look_ahead_ms : int
        Of the period, and how far before and after it observations count.
    rests_on : tuple of str
        Findings of the quarter-hour stages it reads.
    of_ground : bool
        Whether it rests on moisture, so that a probe lifted or newly put back is why something is withheld.
    find : callable
        (record from lead-in to look-ahead, context, start_ms, end_ms) -> findings. It must draw on nothing else.
    """

    name: str
    quantities: tuple[str, ...]
    length_ms: int
    lead_in_ms: int
    look_ahead_ms: int
    find: Callable[[Record, StationContext, int, int], Iterable[Finding]]
    rests_on: tuple[str, ...] = ()
    of_ground: bool = False

    def touched(self, context: StationContext, start_ms: int, end_ms: int) -> Iterator[tuple[int, int]]:
        """Periods whose findings may change when observations of start <= t < end do, in order."""
        origin = FIRST_MONDAY_MS - solar_offset_ms(context)
        first = (start_ms - self.look_ahead_ms - origin) // self.length_ms
        last = (end_ms + self.lead_in_ms - 1 - origin) // self.length_ms
        for number in range(first, last + 1):
            begin = origin + number * self.length_ms
            yield begin, begin + self.length_ms


def solar_offset_ms(context: StationContext) -> int:
    """How far the sun's day at the site is ahead of that of UTC, to the whole hour. [ms] 0 where nobody said where."""
    return 0 if context.longitude_deg is None else round(context.longitude_deg / 15.0) * HOUR_MS


def read_span(stages: Iterable[PeriodStage], context: StationContext, start_ms: int, end_ms: int) -> tuple[int, int]:
    """From when to when records are needed to redo all that a stretch touches. [ms]"""
    spans = [
        (begin - stage.lead_in_ms, end + stage.look_ahead_ms)
        for stage in stages
        for begin, end in stage.touched(context, start_ms, end_ms)
    ]
    return min(begin for begin, _ in spans), max(end for _, end in spans)


def find(
    stages: Iterable[PeriodStage], record: Record, context: StationContext, start_ms: int, end_ms: int
) -> pd.DataFrame:
    """Findings of every period that a stretch touches, as a table for the store.

    Parameters
    ----------
    stages : iterable of PeriodStage
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
            drawn = stage.find(part, context, begin, end)
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
