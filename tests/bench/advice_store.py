"""A season's observations and findings held in memory and handed out as a store would at a moment, nothing later.

For benches that ask the advice a few thousand times: reading is all it can do. That a store on disk hands out the same
is the conformance suite's business.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.diary.station import ChannelLimits
from pipeline.stages.stage import Series
from pipeline.store import FINDING_COLUMNS, OBSERVATION_COLUMNS, STEP_COLUMNS
from pipeline.units import Flag
from tests.bench.advice_heard import Known

DAY_MS = 86_400_000


class SeasonStore:
    """What was known at `now_ms`, which may be moved on. [ms since 1970, UTC]"""

    def __init__(self, known: Known, station: str) -> None:
        self.now_ms = 2**62
        self._station = station
        believed = known.observations["flag"].isin([Flag.GOOD, Flag.NOT_EVALUATED])
        observed = known.observations.assign(believed=known.observations["value"].where(believed))
        self._observations = _Sorted(observed, OBSERVATION_COLUMNS, "channel", "measured_at_ms", "believed")
        self._findings = _Sorted(known.findings, FINDING_COLUMNS, "quantity", "start_ms", "value")
        self._no_limits = _learned("", ())
        self._limits = {channel: _learned(channel, limits) for channel, limits in known.context.learned.items()}
        self._daily = {
            str(channel): _by_day(rows) for channel, rows in known.observations.groupby("channel", observed=True)
        }

    def observations(self, channels: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """As a store's."""
        return self._observations.between(sorted(set(channels)), start_ms, min(end_ms, self.now_ms + 1))

    def channel_series(self, channels: Sequence[str], start_ms: int, end_ms: int) -> dict[str, Series]:
        """As a store's."""
        return self._observations.series(channels, start_ms, min(end_ms, self.now_ms + 1))

    def finding_series(self, station: str, quantities: Sequence[str], start_ms: int, end_ms: int) -> dict[str, Series]:
        """As a store's, of the station alone."""
        assert station == self._station
        return self._findings.series(quantities, start_ms, min(end_ms, self.now_ms + 1))

    def findings(self, station: str, quantities: Sequence[str] | None, start_ms: int, end_ms: int) -> pd.DataFrame:
        """As a store's; limits learned of a channel are findings under its name."""
        if station != self._station:
            limits = self._limits.get(station, self._no_limits)
            begun_ms = limits["start_ms"].to_numpy()
            return limits[(begun_ms >= start_ms) & (begun_ms < min(end_ms, self.now_ms + 1))]
        names = sorted(set(self._findings.names if quantities is None else quantities))
        return self._findings.between(names, start_ms, min(end_ms, self.now_ms + 1))

    def span(self, channels: Sequence[str]) -> tuple[int, int] | None:
        """As a store's."""
        table = self.observations(channels, 0, 2**62)
        if table.empty:
            return None
        times = table["measured_at_ms"]
        return int(times.min()), int(times.max())

    def steps(self, channels: Sequence[str], start_ms: int, end_ms: int, step_ms: int) -> pd.DataFrame:
        """As a store's, of whole days that are over."""
        assert step_ms == DAY_MS
        over_ms = min(end_ms, self.now_ms // DAY_MS * DAY_MS)
        parts = []
        for channel in channels:
            table = self._daily.get(channel)
            if table is not None:
                parts.append(table[(table["start_ms"] >= start_ms) & (table["start_ms"] < over_ms)])
        return _joined(parts, STEP_COLUMNS)


def _learned(channel: str, limits: Sequence[ChannelLimits]) -> pd.DataFrame:
    """The findings that the limits learned of a channel are kept as."""
    rows = [
        (channel, quantity, one.from_ms, one.from_ms, value, low, high, 0, "", 1)
        for one in limits
        for quantity, value, (low, high) in (
            ("drained_limit", one.drained, one.drained_range), ("dry_limit", one.dry, one.dry_range),
        )
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(FINDING_COLUMNS)).sort_values(["quantity", "start_ms"])


class _Sorted:
    """Rows by name and time, of which a few names' spans are taken at once."""

    def __init__(self, table: pd.DataFrame, columns: Sequence[str], name: str, time: str, value: str) -> None:
        told = table.assign(**{name: table[name].astype("str")})
        told = told.sort_values([name, time], kind="stable", ignore_index=True)
        self._table, self._values = told[list(columns)], told[value].to_numpy(dtype=np.float64)
        self._times = self._table[time].to_numpy(dtype=np.int64)
        codes, found = pd.factorize(self._table[name])
        edges = np.concatenate([[0], np.flatnonzero(np.diff(codes)) + 1, [codes.size]])
        self.names = {str(one): (int(edges[i]), int(edges[i + 1])) for i, one in enumerate(found)}

    def series(self, names: Sequence[str], start_ms: int, end_ms: int) -> dict[str, Series]:
        """Times and values of each name that has any with start <= time < end."""
        found = {}
        for one in sorted(set(names) & set(self.names)):
            begin, end = self.names[one]
            first, last = begin + np.searchsorted(self._times[begin:end], [start_ms, end_ms])
            if first < last:
                found[one] = self._times[first:last], self._values[first:last]
        return found

    def between(self, names: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """Rows of the names with start <= time < end, in order."""
        rows = [np.zeros(0, dtype=np.int64)]
        for begin, end in (self.names[one] for one in names if one in self.names):
            first, last = begin + np.searchsorted(self._times[begin:end], [start_ms, end_ms])
            rows.append(np.arange(first, max(first, last)))
        found = self._table.take(np.concatenate(rows))
        found.index = pd.RangeIndex(len(found))
        return found


def _by_day(rows: pd.DataFrame) -> pd.DataFrame:
    good = rows[rows["flag"].isin([Flag.GOOD, Flag.NOT_EVALUATED]) & rows["value"].notna()]
    day = good["measured_at_ms"].to_numpy(dtype=np.int64) // DAY_MS * DAY_MS
    table = good.groupby(day)["value"].agg(["min", "mean", "max", "size"]).reset_index()
    table.columns = list(STEP_COLUMNS[1:])
    channel = str(rows["channel"].iloc[0]) if len(rows) else ""
    return table.assign(channel=channel)[list(STEP_COLUMNS)]


def _joined(parts: Sequence[pd.DataFrame | None], columns: Sequence[str]) -> pd.DataFrame:
    found = [p for p in parts if p is not None and len(p)]
    if len(found) == 1:
        return found[0].reset_index(drop=True)
    return pd.concat(found, ignore_index=True) if found else pd.DataFrame(columns=list(columns))
