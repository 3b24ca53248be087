"""What is kept: the journal, the series, the diary. Rows only; nothing here knows what an alert or a message is.

Where readings, observations and findings are kept: the Store protocol, the journal, the diary.

`series.SqlStore` keeps the series in a database and shares its table of readings with the journal;
`influx.InfluxStore` is the server store, fed from the journal. One conformance suite runs over both, and over
the first in each kind of database.

- `backup`: Backups of a whole site: made while it runs, proved, and brought back.
- `custody`: What is wrong with the custody of a node's readings, in words. Pure.
- `database`: The one door to SQLite: opens the file, sets it so that a commit survives a power cut, runs transactions,
  copies it.
- `diary`: The diary: what people did and saw, dated, in their own words where words serve better than fields.
- `influx`: The series on an InfluxDB server, of version 1, 2 or 3: written in its line protocol, read by InfluxQL.
- `integrity`: Looks for damage in the database each night, and has people told of it, whoever finds it.
- `job_queue`: The queue of long jobs on a PostgreSQL server, kept by the library procrastinate in a schema of its own.
- `journal`: The worker's journal: what must be on this machine's disk before anything is promised to anybody.
- `opening`: Opens the stores that the settings name, takes the data folder for one process, and feeds a server store.
- `packed`: The forms in which rows lie on the disk: readings of a run, observations of a channel's day. Pure.
- `people`: People and what lets them in, by digests alone; and the audit log of what was changed.
- `photos`: The photographs of the diary, each named by the digest of what is in it: files of a data folder, or rows in
  PostgreSQL.
- `postgres`: The one door to PostgreSQL: a site's tables in a schema of their own, transactions, the lock of the site.
- `readings`: The readings in safe keeping: each is stored once, in the run it came in, and counted into its outbox's
  receipt.
- `redating`: Readings that were received before their node's clock was set, dated again once it is.
- `schema`: The tables of a database, made by numbered steps; they are the same in every kind of database.
- `series`: The series in a database: readings by channel and time, days of observations, findings.
- `sql`: What a database of rows is to those who keep them in it, whichever it is.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import Any, Protocol

import numpy as np
import pandas as pd

from pipeline.units import FOREVER_MS, FloatArray, TimeArray, is_believed

RAW_COLUMNS = ("channel", "slot", "measured_at_ms", "raw", "status", "attempts", "clock_ok", "noisy", "received_at_ms")
OBSERVATION_COLUMNS = ("channel", "measured_at_ms", "raw", "value", "flag", "stage_version", "received_at_ms")
FINDING_COLUMNS = (
    *("station", "quantity", "start_ms", "end_ms", "value", "low", "high", "n", "reason", "stage_version"),
)
STEP_COLUMNS = ("channel", "start_ms", "low", "mean", "high", "n")

_TEXT = {"channel", "slot", "status", "station", "quantity", "reason"}
_WHOLE = {"attempts", "measured_at_ms", "received_at_ms", "start_ms", "end_ms", "n", "flag"}
_REAL = {"raw", "value", "low", "mean", "high"}
_YES_NO = {"clock_ok"}


def frame_of(names: Sequence[str], columns: Sequence[Any]) -> pd.DataFrame:
    """Return a frame of these columns, each with the type its name has in every store. Arrays are not copied."""
    typed = {name: _typed(name, column) for name, column in zip(names, columns, strict=True)}
    return pd.DataFrame(typed, copy=False)


def check_frame(frame: pd.DataFrame, names: Sequence[str], what: str) -> None:
    """Refuse a frame that lacks a column, or a whole number in one that needs it.

    Raises
    ------
    ValueError
        A fault of the caller: names the column.
    """
    missing = [name for name in names if name not in frame.columns]
    if missing:
        raise ValueError(f"{what}: found no column {', '.join(missing)}, expected {', '.join(names)}")
    for name in names:
        if name not in _REAL | {"reason"} and frame[name].dtype.kind not in "biu" and frame[name].isna().any():
            raise ValueError(f"{what}: found a missing {name}, expected one in every row")


def _typed(name: str, column: Any) -> Any:
    """Return a column as an array of its type: a series of each would cost more than the rows of a short one."""
    if name in _TEXT:
        return pd.array(column, dtype="str")
    if name in _WHOLE:
        return np.asarray(column, dtype=np.int64)
    if name in _REAL:
        return np.asarray(column, dtype=np.float64)
    if name in _YES_NO:
        return np.asarray(column, dtype=np.bool_)
    return np.asarray(column, dtype=None if len(column) else np.int64)  # a version is a number or a text


Changed = Mapping[str, tuple[int, int]]
"""First and last time of the rows that a write changed, by channel or quantity; none where it changed nothing. [ms]

A store that cannot tell gives those of all rows written."""


def extent(frame: pd.DataFrame, name: str, time: str) -> Changed:
    """Return the first and last time of the rows of each name, as if all had changed."""
    times = frame.groupby(name, observed=True)[time].agg(["min", "max"])
    return {str(one): (int(first), int(last)) for one, first, last in times.itertuples()}


def series_of_channels(observations: pd.DataFrame) -> dict[str, tuple[TimeArray, FloatArray]]:
    """Return times and believed values of each channel from rows sorted by channel and time; see `Store`."""
    flag = observations["flag"].to_numpy()
    value = np.where(is_believed(flag), observations["value"].to_numpy(dtype=np.float64), np.nan)
    return _by_name(observations["channel"], observations["measured_at_ms"], value)


def series_of_findings(findings: pd.DataFrame) -> dict[str, tuple[TimeArray, FloatArray]]:
    """Return starts and values of each quantity from rows sorted by quantity and time; see `Store`."""
    return _by_name(findings["quantity"], findings["start_ms"], findings["value"].to_numpy(dtype=np.float64))


def _by_name(name: pd.Series, time_ms: pd.Series, value: FloatArray) -> dict[str, tuple[TimeArray, FloatArray]]:
    codes, names = pd.factorize(name)
    times = time_ms.to_numpy(dtype=np.int64)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(codes)) + 1, [codes.size]])
    return {str(names[codes[a]]): (times[a:b], value[a:b]) for a, b in itertools.pairwise(edges.tolist()) if b > a}


class Store(Protocol):
    """A series store of one site. Times are ms since 1970 UTC; a span is start <= t < end; NaN is a missing number.

    Every method raises StoreAway or StoreFull when the store cannot do it just now; then nothing of it was kept.
    Methods may be called from any thread.
    """

    def raw(self, channels: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """Return readings as heard, with the columns `RAW_COLUMNS`, sorted by channel and measured_at_ms.

        One that was dated again stands at the time at which it was taken, and its `clock_ok` is true.
        """

    def moved(self, channels: Sequence[str], start_ms: int, end_ms: int) -> dict[str, TimeArray]:
        """Return at which times readings of each channel that has any stood before they were dated again, in order."""

    def upsert_observations(self, frame: pd.DataFrame) -> Changed:
        """Keep observations with the columns `OBSERVATION_COLUMNS`; one of the same (channel, measured_at_ms) is
        replaced. `flag` is a Flag as a number. Returns what was not kept just so before, by channel."""

    def remove_observations(self, times_ms: Mapping[str, TimeArray]) -> Changed:
        """Remove the observations of channels at some times, in order, where readings stand no more. Returns what was
        removed, by channel; a store that cannot tell gives all."""

    def observations(
        self,
        channels: Sequence[str],
        start_ms: int,
        end_ms: int,
        *,
        after: tuple[str, int] | None = None,
        limit: int | None = None,
    ) -> pd.DataFrame:
        """Return observations with the columns `OBSERVATION_COLUMNS`, sorted by channel and measured_at_ms.

        With a `limit` at most so many, the first in that order, and no more are read; with `after`, a channel and a
        time, only those that come after that place in it. The last row of a page is the place the next one begins at.
        """

    def channel_series(
        self, channels: Sequence[str], start_ms: int, end_ms: int
    ) -> dict[str, tuple[TimeArray, FloatArray]]:
        """Return times and values of the observations of each channel that has any, NaN where the flag refuses them."""

    def upsert_findings(self, frame: pd.DataFrame) -> Changed:
        """Keep findings with the columns `FINDING_COLUMNS`; one of the same (station, quantity, start_ms) is
        replaced. Returns what was not kept just so before, by quantity."""

    def findings(
        self,
        station: str,
        quantities: Sequence[str] | None,
        start_ms: int,
        end_ms: int,
        *,
        after: tuple[str, int] | None = None,
        limit: int | None = None,
    ) -> pd.DataFrame:
        """Return findings of a station (None: of every quantity) with start <= start_ms < end, sorted by quantity and
        start_ms.

        `after`, a quantity and a start, and `limit` cut out a page as in `observations`.
        """

    def finding_series(
        self, station: str, quantities: Sequence[str], start_ms: int, end_ms: int
    ) -> dict[str, tuple[TimeArray, FloatArray]]:
        """Return starts and values of the findings of each quantity that has any; NaN where one is withheld."""

    def delete_findings(self, station: str, quantities: Sequence[str], start_ms: int, end_ms: int) -> None:
        """Remove findings with start <= start_ms < end, before a recompute draws them anew."""

    def latest(self, channels: Sequence[str], until_ms: int = FOREVER_MS) -> pd.DataFrame:
        """Return the last observation of each channel that has one, with the columns `OBSERVATION_COLUMNS`.

        One measured after `until_ms` counts no more than one that is not there. [ms since 1970, UTC]
        """

    def last_answers(self, channels: Sequence[str], until_ms: int = FOREVER_MS) -> pd.DataFrame:
        """Return the last observation of each channel that is not `Flag.MISSING`, whatever was missed after it.

        `until_ms` as of `latest`. Columns `OBSERVATION_COLUMNS`; a channel that never answered is left out.
        """

    def span(self, channels: Sequence[str]) -> tuple[int, int] | None:
        """Return first and last measured_at_ms of the readings of these channels; None when there are none."""

    def steps(self, channels: Sequence[str], start_ms: int, end_ms: int, step_ms: int) -> pd.DataFrame:
        """Return the least, mean and greatest value of each step and their number, by channel and time.

        Values flagged good or not evaluated count; a step without one is left out.

        Parameters
        ----------
        channels : sequence of str
        start_ms, end_ms : int
            Steps with start <= start_ms < end are given, each whole. [ms since 1970, UTC]
        step_ms : int
            Length of a step, > 0, for example `HOUR_MS` or `DAY_MS`. Steps are counted from 1970, so days are UTC. [ms]

        Returns
        -------
        DataFrame
            With the columns `STEP_COLUMNS`; `start_ms` is the first instant of a step.
        """

    def close(self) -> None:
        """Let go of the store."""
