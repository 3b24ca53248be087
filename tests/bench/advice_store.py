"""A season's observations and findings held in memory and handed out as a store would at a moment, nothing later.

For benches that ask the advice a few thousand times: reading is all it can do. That a store on disk hands out the same
is the conformance suite's business.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.flags import Flag
from pipeline.store import DAILY_COLUMNS, FINDING_COLUMNS, OBSERVATION_COLUMNS
from tests.bench.advice_heard import Known

DAY_MS = 86_400_000


class SeasonStore:
    """What was known at `now_ms`, which may be moved on. [ms since 1970, UTC]"""

    def __init__(self, known: Known, station: str) -> None:
        self.now_ms = 2**62
        self._station = station
        self._observations = {
            str(channel): rows[list(OBSERVATION_COLUMNS)].sort_values("measured_at_ms", ignore_index=True)
            for channel, rows in known.observations.groupby("channel", observed=True)
        }
        self._findings = {
            str(quantity): rows[list(FINDING_COLUMNS)].sort_values("start_ms", ignore_index=True)
            for quantity, rows in known.findings.groupby("quantity")
        }
        self._limits = known.context.learned
        self._daily = {channel: _by_day(rows) for channel, rows in self._observations.items()}

    def observations(self, channels: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """As a store's."""
        parts = [self._cut(self._observations.get(c), "measured_at_ms", start_ms, end_ms) for c in sorted(channels)]
        return _joined(parts, OBSERVATION_COLUMNS)

    def findings(self, station: str, quantities: Sequence[str] | None, start_ms: int, end_ms: int) -> pd.DataFrame:
        """As a store's; limits learned of a channel are findings under its name."""
        if station != self._station:
            return self._learned(station, start_ms, end_ms)
        names = sorted(self._findings if quantities is None else quantities)
        parts = [self._cut(self._findings.get(q), "start_ms", start_ms, end_ms) for q in names]
        return _joined(parts, FINDING_COLUMNS)

    def span(self, channels: Sequence[str]) -> tuple[int, int] | None:
        """As a store's."""
        table = self.observations(channels, 0, 2**62)
        if table.empty:
            return None
        times = table["measured_at_ms"]
        return int(times.min()), int(times.max())

    def daily(self, channels: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """As a store's, of whole days that are over."""
        over_ms = min(end_ms, self.now_ms // DAY_MS * DAY_MS)
        parts = []
        for channel in channels:
            table = self._daily.get(channel)
            if table is not None:
                parts.append(table[(table["day_ms"] >= start_ms) & (table["day_ms"] < over_ms)])
        return _joined(parts, DAILY_COLUMNS)

    def _cut(self, table: pd.DataFrame | None, column: str, start_ms: int, end_ms: int) -> pd.DataFrame | None:
        if table is None:
            return None
        first, last = np.searchsorted(table[column].to_numpy(), [start_ms, min(end_ms, self.now_ms + 1)])
        return table.iloc[first:last]

    def _learned(self, channel: str, start_ms: int, end_ms: int) -> pd.DataFrame:
        rows = []
        for one in self._limits.get(channel, ()):
            if start_ms <= one.from_ms < min(end_ms, self.now_ms + 1):
                for quantity, value, (low, high) in (
                    ("drained_limit", one.drained, one.drained_range), ("dry_limit", one.dry, one.dry_range),
                ):  # fmt: skip
                    rows.append((channel, quantity, one.from_ms, one.from_ms, value, low, high, 0, "", 1))
        return pd.DataFrame(rows, columns=list(FINDING_COLUMNS)).sort_values(["quantity", "start_ms"])


def _by_day(rows: pd.DataFrame) -> pd.DataFrame:
    good = rows[rows["flag"].isin([Flag.GOOD, Flag.NOT_EVALUATED]) & rows["value"].notna()]
    day = good["measured_at_ms"].to_numpy(dtype=np.int64) // DAY_MS * DAY_MS
    table = good.groupby(day)["value"].agg(["min", "mean", "max", "size"]).reset_index()
    table.columns = list(DAILY_COLUMNS[1:])
    channel = str(rows["channel"].iloc[0]) if len(rows) else ""
    return table.assign(channel=channel)[list(DAILY_COLUMNS)]


def _joined(parts: Sequence[pd.DataFrame | None], columns: Sequence[str]) -> pd.DataFrame:
    found = [p for p in parts if p is not None and len(p)]
    if len(found) == 1:
        return found[0].reset_index(drop=True)
    return pd.concat(found, ignore_index=True) if found else pd.DataFrame(columns=list(columns))
