"""What is kept: the journal, the series, the diary. Rows only; nothing here knows what an alert or a message is.

Where readings, observations and findings are kept: the Store protocol, the journal, the diary.

`sqlite.SqliteStore` is the embedded series store and shares its table of readings with the journal;
`influx.InfluxStore` is the server store, fed from the journal. One conformance suite runs over both.

- `database`: The one door to SQLite: opens the file, sets it so that a commit survives a power cut, runs
  transactions.
- `diary`: The diary: what people did and saw, dated, in their own words where words serve better than fields.
- `journal`: The worker's journal: what must be on this machine's disk before anything is promised to anybody.
- `migrations`: The tables, as numbered steps: each is applied once, in order, and committed together with the record
  of itself.
- `readings`: The readings in safe keeping: each is stored once, in the run it came in, and counted into its outbox's
  receipt.
- `sqlite`: Rows of SQLite as columns of numbers and back, fast enough for a year of a station in less than a second.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

from hardware.reading import Reading

if TYPE_CHECKING:
    import pandas as pd

RAW_COLUMNS = ("channel", "slot", "measured_at_ms", "raw", "status", "clock_ok", "received_at_ms")
OBSERVATION_COLUMNS = ("channel", "measured_at_ms", "raw", "value", "flag", "stage_version", "received_at_ms")
FINDING_COLUMNS = (
    *("station", "quantity", "start_ms", "end_ms", "value", "low", "high", "n", "reason", "stage_version"),
)
DAILY_COLUMNS = ("channel", "day_ms", "low", "mean", "high", "n")


class Store(Protocol):
    """A series store of one site. Times are ms since 1970 UTC; a span is start <= t < end; NaN is a missing number.

    Every method raises StoreAway or StoreFull when the store cannot do it just now; then nothing of it was kept.
    Methods may be called from any thread.
    """

    @property
    def is_journal(self) -> bool:
        """Whether the journal's readings are this store's own: then what the journal has kept is here already, and
        neither `append` nor a feeder is needed."""
        ...

    def append(self, readings: Sequence[Reading], received_at_ms: int) -> int:
        """Keep readings, each identity (site, node, outbox_id, seq) once; the first one stays.

        Returns
        -------
        int
            How many were new. A server store, which cannot know, returns how many it was given.
        """
        ...

    def raw(self, channels: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """Readings as heard, with the columns `RAW_COLUMNS`, sorted by channel and measured_at_ms."""
        ...

    def upsert_observations(self, frame: pd.DataFrame) -> None:
        """Keep observations with the columns `OBSERVATION_COLUMNS`; one of the same (channel, measured_at_ms) is
        replaced. `flag` is a Flag as a number."""
        ...

    def observations(
        self,
        channels: Sequence[str],
        start_ms: int,
        end_ms: int,
        *,
        after: tuple[str, int] | None = None,
        limit: int | None = None,
    ) -> pd.DataFrame:
        """Observations with the columns `OBSERVATION_COLUMNS`, sorted by channel and measured_at_ms.

        With a `limit` at most so many, the first in that order, and no more are read; with `after`, a channel and a
        time, only those that come after that place in it. The last row of a page is the place the next one begins at.
        """
        ...

    def upsert_findings(self, frame: pd.DataFrame) -> None:
        """Keep findings with the columns `FINDING_COLUMNS`; one of the same (station, quantity, start_ms) is
        replaced."""
        ...

    def findings(self, station: str, quantities: Sequence[str] | None, start_ms: int, end_ms: int) -> pd.DataFrame:
        """Findings of a station (None: of every quantity) with start <= start_ms < end, sorted by quantity and
        start_ms."""
        ...

    def delete_findings(self, station: str, quantities: Sequence[str], start_ms: int, end_ms: int) -> None:
        """Remove findings with start <= start_ms < end, before a recompute draws them anew."""
        ...

    def latest(self, channels: Sequence[str]) -> pd.DataFrame:
        """The last observation of each channel that has one, with the columns `OBSERVATION_COLUMNS`."""
        ...

    def last_answers(self, channels: Sequence[str]) -> pd.DataFrame:
        """The last observation of each channel that is not `Flag.MISSING`, however many missed slots came after it.

        Columns `OBSERVATION_COLUMNS`; a channel that never answered is left out.
        """
        ...

    def span(self, channels: Sequence[str]) -> tuple[int, int] | None:
        """First and last measured_at_ms of the readings of these channels; None when there are none."""
        ...

    def daily(self, channels: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """Day by day (UTC) the least, mean and greatest value and their number, with the columns `DAILY_COLUMNS`.

        Values flagged good or not evaluated count. A day is `day_ms`, its first instant; days with
        start <= day_ms < end are given, those without a value left out.
        """
        ...

    def close(self) -> None:
        """Let go of the store."""
        ...
