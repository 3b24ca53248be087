"""The embedded series store: readings, observations and findings in the journal's own SQLite file.

The table of readings is the journal's, so a reading is on the disk once. Frames go in and come out column by column;
nothing here calculates but the daily roll-up, which is kept beside the observations it is drawn from.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from hardware.reading import Reading
from pipeline.flags import Flag
from pipeline.store import DAILY_COLUMNS, DAY_MS, FINDING_COLUMNS, OBSERVATION_COLUMNS, RAW_COLUMNS
from pipeline.store.channels import Channels
from pipeline.store.database import Connection, Database, Row
from pipeline.store.frames import built, checked, whole_list
from pipeline.store.readings import KEPT, STATUSES, keep_readings

_STATUS_TEXT = np.array([STATUSES[code].value for code in sorted(STATUSES)], dtype=object)


class SqliteStore:
    """A Store in a Database.

    Parameters
    ----------
    database : Database
        Usually the journal's.
    channels : Channels, optional
        The journal's, when it shares the database.
    """

    is_journal = True

    def __init__(self, database: Database, *, channels: Channels | None = None) -> None:
        self._database = database
        self._channels = Channels() if channels is None else channels

    def append(self, readings: Sequence[Reading], received_at_ms: int) -> int:
        """Keep readings, each identity once. What the journal of the same database kept is not new."""
        try:
            with self._database.transaction() as tx:
                return keep_readings(tx, self._channels, readings, received_at_ms)
        except BaseException:
            self._channels.forget()
            raise

    def raw(self, channels: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """Readings as heard, sorted by channel and measured_at_ms. See Store."""
        with self._database.reading() as connection:
            numbers = self._channels.find(connection, channels)
            outboxes = connection.execute(
                f"SELECT DISTINCT outbox FROM carries WHERE channel IN ({_list(numbers.values())})"
            ).fetchall()
            # CROSS JOIN: the spans first, then the rows of each as one sweep over neighbouring pages.
            rows = connection.execute(
                "SELECT r.channel, r.outbox, r.seq, r.slot, r.measured_at_ms, r.raw, r.status, r.clock_ok, "
                "s.received_at_ms FROM span s CROSS JOIN reading r "
                "ON r.outbox = s.outbox AND r.seq BETWEEN s.first_seq AND s.last_seq "
                f"WHERE s.kind = {KEPT} AND s.outbox IN ({_list(o for (o,) in outboxes)}) "
                "AND s.last_ms >= ?1 AND s.first_ms < ?2 AND r.measured_at_ms >= ?1 AND r.measured_at_ms < ?2 "
                f"AND r.channel IN ({_list(numbers.values())})",
                (start_ms, end_ms),
            ).fetchall()
        number, outbox, seq, slot, measured, raw, status, clock_ok, received = _columns(rows, 9)
        place, names = _places(number, numbers)
        measured_at_ms = np.array(measured, dtype=np.int64)
        order = np.lexsort((np.array(seq, dtype=np.int64), np.array(outbox, dtype=np.int64), measured_at_ms, place))
        columns = (
            names[place],
            np.array(slot, dtype=object),
            measured_at_ms,
            np.array(raw, dtype=np.float64),
            _STATUS_TEXT[np.array(status, dtype=np.int64)],
            np.array(clock_ok, dtype=bool),
            np.array(received, dtype=np.int64),
        )
        return built(RAW_COLUMNS, [column[order] for column in columns])

    def upsert_observations(self, frame: pd.DataFrame) -> None:
        """Keep or replace observations, and redo the daily roll-up of the days they touch. See Store."""
        checked(frame, OBSERVATION_COLUMNS, "observations")
        if frame.empty:
            return
        codes, names = pd.factorize(frame["channel"])
        measured_at_ms = frame["measured_at_ms"].to_numpy(np.int64)
        try:
            with self._database.transaction() as tx:
                found = self._channels.numbers(tx, set(names))
                numbers = np.array([found[name] for name in names], dtype=np.int64)[codes]
                tx.executemany(
                    "INSERT OR REPLACE INTO observation VALUES (?, ?, ?, ?, ?, ?, ?)",
                    zip(
                        numbers.tolist(),
                        measured_at_ms.tolist(),
                        frame["raw"].to_numpy(np.float64).tolist(),
                        frame["value"].to_numpy(np.float64).tolist(),
                        whole_list(frame["flag"]),
                        frame["stage_version"].tolist(),
                        whole_list(frame["received_at_ms"]),
                        strict=True,
                    ),
                )
                _roll_up(tx, numbers, measured_at_ms)
        except BaseException:
            self._channels.forget()
            raise

    def observations(self, channels: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """Observations, sorted by channel and measured_at_ms. See Store."""
        with self._database.reading() as connection:
            numbers = self._channels.find(connection, channels)
            rows: list[Row] = []
            for name in sorted(numbers):
                rows += connection.execute(
                    "SELECT channel, measured_at_ms, raw, value, flag, stage_version, received_at_ms FROM observation "
                    "WHERE channel = ? AND measured_at_ms >= ? AND measured_at_ms < ? ORDER BY measured_at_ms",
                    (numbers[name], start_ms, end_ms),
                ).fetchall()
        return _observation_frame(rows, numbers)

    def upsert_findings(self, frame: pd.DataFrame) -> None:
        """Keep or replace findings. See Store."""
        checked(frame, FINDING_COLUMNS, "findings")
        if frame.empty:
            return
        codes, pairs = pd.factorize(pd.MultiIndex.from_frame(frame[["station", "quantity"]]))
        reasons = frame["reason"].astype(object).where(frame["reason"].notna(), None)
        with self._database.transaction() as tx:
            series = np.array([_series(tx, *pair) for pair in pairs], dtype=np.int64)[codes]
            tx.executemany(
                "INSERT OR REPLACE INTO finding VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                zip(
                    series.tolist(),
                    whole_list(frame["start_ms"]),
                    whole_list(frame["end_ms"]),
                    frame["value"].to_numpy(np.float64).tolist(),
                    frame["low"].to_numpy(np.float64).tolist(),
                    frame["high"].to_numpy(np.float64).tolist(),
                    whole_list(frame["n"]),
                    reasons.tolist(),
                    frame["stage_version"].tolist(),
                    strict=True,
                ),
            )

    def findings(self, station: str, quantities: Sequence[str] | None, start_ms: int, end_ms: int) -> pd.DataFrame:
        """Findings, sorted by quantity and start_ms. See Store."""
        with self._database.reading() as connection:
            known = dict(
                connection.execute("SELECT quantity, id FROM finding_series WHERE station = ?", (station,)).fetchall()
            )
            wanted = sorted(known if quantities is None else set(quantities) & set(known))
            rows: list[Row] = []
            lengths = []
            for quantity in wanted:
                found = connection.execute(
                    "SELECT start_ms, end_ms, value, low, high, n, reason, stage_version FROM finding "
                    "WHERE series = ? AND start_ms >= ? AND start_ms < ? ORDER BY start_ms",
                    (known[quantity], start_ms, end_ms),
                ).fetchall()
                lengths.append(len(found))
                rows += found
        start, end, value, low, high, n, reason, version = _columns(rows, 8)
        return built(
            FINDING_COLUMNS,
            [
                np.full(len(rows), station, dtype=object),
                np.repeat(np.array(wanted, dtype=object), lengths),
                np.array(start, dtype=np.int64),
                np.array(end, dtype=np.int64),
                *(np.array(column, dtype=np.float64) for column in (value, low, high)),
                np.array(n, dtype=np.int64),
                np.array(reason, dtype=object),
                list(version),
            ],
        )

    def delete_findings(self, station: str, quantities: Sequence[str], start_ms: int, end_ms: int) -> None:
        """Remove findings of a span. See Store."""
        with self._database.transaction() as tx:
            tx.executemany(
                "DELETE FROM finding WHERE series = (SELECT id FROM finding_series WHERE station = ? AND quantity = ?) "
                "AND start_ms >= ? AND start_ms < ?",
                [(station, quantity, start_ms, end_ms) for quantity in quantities],
            )

    def latest(self, channels: Sequence[str]) -> pd.DataFrame:
        """The last observation of each channel: one step down the primary key each, so no table of its own."""
        with self._database.reading() as connection:
            numbers = self._channels.find(connection, channels)
            rows: list[Row] = []
            for name in sorted(numbers):
                rows += connection.execute(
                    "SELECT channel, measured_at_ms, raw, value, flag, stage_version, received_at_ms FROM observation "
                    "WHERE channel = ? ORDER BY measured_at_ms DESC LIMIT 1",
                    (numbers[name],),
                ).fetchall()
        return _observation_frame(rows, numbers)

    def span(self, channels: Sequence[str]) -> tuple[int, int] | None:
        """First and last measured_at_ms of the readings of these channels. See Store."""
        with self._database.reading() as connection:
            numbers = self._channels.find(connection, channels)
            # The spans say between which times to look; only the outermost runs are then searched row by row.
            first = self._edge(connection, numbers.values(), "min", "s.first_ms, s.outbox, s.first_seq")
            last = self._edge(connection, numbers.values(), "max", "s.last_ms DESC, s.outbox, s.first_seq")
        return None if first is None or last is None else (first, last)

    def daily(self, channels: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """Least, mean and greatest value of each day. See Store."""
        with self._database.reading() as connection:
            numbers = self._channels.find(connection, channels)
            rows: list[Row] = []
            for name in sorted(numbers):
                rows += connection.execute(
                    f"SELECT channel, day * {DAY_MS}, low, mean, high, n FROM daily "
                    f"WHERE channel = ? AND day * {DAY_MS} >= ? AND day * {DAY_MS} < ? ORDER BY day",
                    (numbers[name], start_ms, end_ms),
                ).fetchall()
        number, day, low, mean, high, n = _columns(rows, 6)
        place, names = _places(number, numbers)
        return built(
            DAILY_COLUMNS,
            [
                names[place],
                np.array(day, dtype=np.int64),
                *(np.array(column, dtype=np.float64) for column in (low, mean, high)),
                np.array(n, dtype=np.int64),
            ],
        )

    def close(self) -> None:
        """Nothing to let go of: the database belongs to whoever opened it."""

    def _edge(self, connection: Connection, numbers: Iterable[int], extreme: str, order: str) -> int | None:
        best: int | None = None
        wanted = _list(numbers)
        outboxes = connection.execute(f"SELECT DISTINCT outbox FROM carries WHERE channel IN ({wanted})").fetchall()
        spans = connection.execute(
            f"SELECT s.outbox, s.first_seq, s.last_seq, s.first_ms, s.last_ms FROM span s WHERE s.kind = {KEPT} "
            f"AND s.outbox IN ({_list(o for (o,) in outboxes)}) ORDER BY {order}"
        )
        for outbox, first_seq, last_seq, first_ms, last_ms in spans:
            if best is not None and (first_ms > best if extreme == "min" else last_ms < best):
                break
            (found,) = connection.execute(
                f"SELECT {extreme}(measured_at_ms) FROM reading WHERE outbox = ? AND seq BETWEEN ? AND ? "
                f"AND channel IN ({wanted})",
                (outbox, first_seq, last_seq),
            ).fetchone()
            if found is not None:
                best = found if best is None else (min if extreme == "min" else max)(best, found)
        return best


def _roll_up(tx: Connection, numbers: np.ndarray, measured_at_ms: np.ndarray) -> None:
    """Redo the days between the first and the last that changed, channel by channel."""
    days = measured_at_ms // DAY_MS
    for number in np.unique(numbers).tolist():
        touched = days[numbers == number]
        first, last = int(touched.min()), int(touched.max())
        tx.execute("DELETE FROM daily WHERE channel = ? AND day BETWEEN ? AND ?", (number, first, last))
        tx.execute(
            f"INSERT INTO daily SELECT channel, measured_at_ms / {DAY_MS} AS day, min(value), avg(value), max(value), "
            "count(*) FROM observation WHERE channel = ? AND measured_at_ms >= ? AND measured_at_ms < ? "
            f"AND value IS NOT NULL AND flag IN ({Flag.GOOD:d}, {Flag.NOT_EVALUATED:d}) GROUP BY day",
            (number, first * DAY_MS, (last + 1) * DAY_MS),
        )


def _series(tx: Connection, station: str, quantity: str) -> int:
    tx.execute("INSERT OR IGNORE INTO finding_series (station, quantity) VALUES (?, ?)", (station, quantity))
    query = "SELECT id FROM finding_series WHERE station = ? AND quantity = ?"
    return tx.execute(query, (station, quantity)).fetchone()[0]


def _observation_frame(rows: list[Row], numbers: dict[str, int]) -> pd.DataFrame:
    number, measured, raw, value, flag, version, received = _columns(rows, 7)
    place, names = _places(number, numbers)
    return built(
        OBSERVATION_COLUMNS,
        [
            names[place],
            np.array(measured, dtype=np.int64),
            np.array(raw, dtype=np.float64),
            np.array(value, dtype=np.float64),
            np.array(flag, dtype=np.int64),
            list(version),
            np.array(received, dtype=np.int64),
        ],
    )


def _places(number: Sequence[object], numbers: dict[str, int]) -> tuple[np.ndarray, np.ndarray]:
    """Where each row's channel stands among the sorted names, and those names."""
    names = sorted(numbers)
    place_of = np.zeros(max(numbers.values(), default=0) + 1, dtype=np.int64)
    place_of[[numbers[name] for name in names]] = np.arange(len(names))
    return place_of[np.array(number, dtype=np.int64)], np.array(names, dtype=object)


def _columns(rows: list[Row], width: int) -> list[tuple[object, ...]]:
    return list(zip(*rows, strict=True)) if rows else [()] * width


def _list(numbers: Iterable[int]) -> str:
    """Our own whole numbers, for an IN (...): there may be more than SQLite takes as parameters."""
    return ", ".join(str(int(n)) for n in numbers)
