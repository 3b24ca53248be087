"""Rows of SQLite as columns of numbers and back, fast enough for a year of a station in less than a second.

Numbers are fetched as one flat run of doubles, which is twice as fast as rows: times in ms and packed codes are far
below 2**53, and a missing number is asked for as infinity, which no reading or observation can be. Nothing here knows
a table.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from hardware.reading import Reading
from pipeline.store import FINDING_COLUMNS, OBSERVATION_COLUMNS, RAW_COLUMNS, STEP_COLUMNS, check_frame, frame_of
from pipeline.store.database import Connection, Database
from pipeline.store.readings import KEPT, ROW, STATUSES, Channels, keep_readings, rows_of
from pipeline.units import DAY_MS, Flag

MISSING = "9e999"  # how infinity is written in SQLite


def numbers_of(rows: Iterable[Sequence[float]], width: int) -> np.ndarray:
    """Rows of numbers as an array of shape (width, rows)."""
    return np.fromiter(itertools.chain.from_iterable(rows), dtype=np.float64).reshape(-1, width).T


def joined(parts: Sequence[np.ndarray], width: int) -> np.ndarray:
    """Arrays of shape (width, rows) one after the other; none gives no rows."""
    return np.hstack(parts) if parts else np.empty((width, 0))


def whole(column: np.ndarray | pd.Series) -> np.ndarray:
    """Whole numbers."""
    return np.asarray(column).astype(np.int64)


def real(column: np.ndarray | pd.Series) -> np.ndarray:
    """Numbers with NaN wherever there is none, or none that is finite."""
    values = np.asarray(column, dtype=np.float64)
    return np.where(np.isfinite(values), values, np.nan)


def changed(new: np.ndarray, stored: np.ndarray) -> np.ndarray:
    """Which columns of `new` are not in `stored` just so.

    Parameters
    ----------
    new, stored : ndarray, shape (width, rows)
        Row 0 is the key; `stored` is sorted by it and has it once. NaN equals NaN.

    Returns
    -------
    ndarray of bool, shape (rows of new,)
    """
    if stored.shape[1] == 0:
        return np.ones(new.shape[1], dtype=bool)
    place = np.minimum(np.searchsorted(stored[0], new[0]), stored.shape[1] - 1)
    there = stored[:, place]
    same = (there == new) | (np.isnan(there) & np.isnan(new))
    return np.asarray(~same.all(axis=0), dtype=np.bool_)


def listed(found: Iterable[int]) -> str:
    """Our own whole numbers, for an IN (...): there may be more than SQLite takes as parameters.

    Without any, a number no row has: an empty list can leave SQLite without a plan for an index it was told to use.
    """
    return ", ".join(str(int(n)) for n in found) or "-1"


_STATUS_TEXT = np.array([STATUSES[code].value for code in sorted(STATUSES)], dtype=object)

_CODES = 16  # room for a flag in a packed number
RUNS_AT_ONCE = 2000  # runs unpacked together: at most 31 MB at the default batch

_OBSERVATION = (
    f"SELECT channel, measured_at_ms, ifnull(raw, {MISSING}), ifnull(value, {MISSING}), "
    f"stage_version * {_CODES} + flag, received_at_ms FROM observation WHERE channel = ? "
)
_ROLLED = (
    "SELECT channel, measured_at_ms / {} AS step, min(value), avg(value), max(value), count(*) FROM observation "
    "WHERE channel = ? AND measured_at_ms >= ? AND measured_at_ms < ? AND value IS NOT NULL "
    f"AND flag IN ({Flag.GOOD:d}, {Flag.NOT_EVALUATED:d})"
)
_FINDING = (
    f"SELECT start_ms, end_ms, ifnull(value, {MISSING}), ifnull(low, {MISSING}), ifnull(high, {MISSING}), n, "
    "stage_version FROM finding"
)


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
        database.when_undone(self._channels.forget)

    def append(self, readings: Sequence[Reading], received_at_ms: int) -> int:
        """Keep readings, each identity once. What the journal of the same database kept is not new."""
        with self._database.transaction() as tx:
            return keep_readings(tx, self._channels, readings, received_at_ms)

    def raw(self, channels: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """Readings as heard, sorted by channel and measured_at_ms. See Store."""
        with self._database.snapshot() as connection:
            numbers = self._channels.find(connection, channels)
            runs = connection.execute(
                "SELECT s.received_at_ms, r.readings, r.named FROM span s JOIN run r ON r.id = s.run "
                f"WHERE s.kind = {KEPT} AND s.outbox IN ({_carriers(connection, numbers)}) "
                "AND s.last_ms >= ? AND s.first_ms < ? ORDER BY s.outbox, s.last_ms, s.first_seq",
                (start_ms, end_ms),
            )
            wanted = np.array(list(numbers.values()), dtype=np.int32)
            parts = [_chosen(some, wanted, start_ms, end_ms) for some in iter(lambda: runs.fetchmany(RUNS_AT_ONCE), [])]
        rows = np.concatenate([part[0] for part in parts]) if parts else np.empty(0, dtype=ROW)
        slots, received = (np.concatenate([part[i] for part in parts]) if parts else np.empty(0) for i in (1, 2))
        place, names = _places(rows["channel"], numbers)
        order = np.lexsort((rows["measured_at_ms"], place))
        columns = (
            names[place],
            slots,
            rows["measured_at_ms"],
            rows["raw"],
            _STATUS_TEXT[rows["status"]],
            rows["clock_ok"] == 1,
            received,
        )
        return frame_of(RAW_COLUMNS, [column[order] for column in columns])

    def upsert_observations(self, frame: pd.DataFrame) -> None:
        """Keep or replace observations, and redo the daily roll-up of the days they change. See Store.

        Rows that are stored just so are not written again: a recompute that changes one channel writes one channel.
        """
        check_frame(frame, OBSERVATION_COLUMNS, "observations")
        if frame.empty:
            return
        with self._database.transaction() as tx:
            names, codes = _factors(frame["channel"])
            found = self._channels.numbers(tx, set(names))
            number = np.array([found[name] for name in names], dtype=np.int64)[codes]
            packed = _version_numbers(tx, frame["stage_version"]) * _CODES + whole(frame["flag"])
            new = np.vstack(
                [
                    whole(frame["measured_at_ms"]),
                    real(frame["raw"]),
                    real(frame["value"]),
                    packed,
                    whole(frame["received_at_ms"]),
                ]
            )
            for one in found.values():
                _replace_observations(tx, one, new[:, number == one])

    def observations(
        self,
        channels: Sequence[str],
        start_ms: int,
        end_ms: int,
        *,
        after: tuple[str, int] | None = None,
        limit: int | None = None,
    ) -> pd.DataFrame:
        """Observations, sorted by channel and measured_at_ms. See Store."""
        query = f"{_OBSERVATION}AND measured_at_ms >= ? AND measured_at_ms < ? ORDER BY measured_at_ms LIMIT ?"
        behind, behind_ms = ("", 0) if after is None else after
        left = -1 if limit is None else limit  # SQLite takes a negative limit for none
        parts = []
        with self._database.snapshot() as connection:
            numbers = self._channels.find(connection, channels)
            for name in sorted(n for n in numbers if n >= behind):
                first_ms = max(start_ms, behind_ms + 1) if name == behind else start_ms
                parts.append(numbers_of(connection.execute(query, (numbers[name], first_ms, end_ms, left)), 6))
                if limit is not None:
                    left -= parts[-1].shape[1]
                    if left == 0:
                        break
            return _observed(connection, numbers, parts)

    def latest(self, channels: Sequence[str]) -> pd.DataFrame:
        """The last observation of each channel: one step down the primary key each, so no table of its own."""
        return self._last(channels, "")

    def last_answers(self, channels: Sequence[str]) -> pd.DataFrame:
        """The last observation of each channel that is not missing: down the primary key over the missed slots."""
        return self._last(channels, f"AND flag <> {Flag.MISSING:d} ")

    def upsert_findings(self, frame: pd.DataFrame) -> None:
        """Keep or replace findings. See Store. Rows that are stored just so are not written again."""
        check_frame(frame, FINDING_COLUMNS, "findings")
        if frame.empty:
            return
        stations, station = _factors(frame["station"])
        quantities, quantity = _factors(frame["quantity"])
        pairs, pair = _factors(station * len(quantities) + quantity)
        reasons = frame["reason"].astype(object).where(frame["reason"].notna(), None).to_numpy()
        with self._database.transaction() as tx:
            new = np.vstack(
                [
                    whole(frame["start_ms"]),
                    whole(frame["end_ms"]),
                    real(frame["value"]),
                    real(frame["low"]),
                    real(frame["high"]),
                    whole(frame["n"]),
                    _version_numbers(tx, frame["stage_version"]),
                ]
            )
            for place, code in enumerate(pairs):
                rows = pair == place
                series = _series(tx, stations[code // len(quantities)], quantities[code % len(quantities)])
                _replace_findings(tx, series, new[:, rows], reasons[rows])

    def findings(self, station: str, quantities: Sequence[str] | None, start_ms: int, end_ms: int) -> pd.DataFrame:
        """Findings, sorted by quantity and start_ms. See Store."""
        where = "WHERE series = ? AND start_ms >= ? AND start_ms < ?"
        parts, reasons, names = [], [], []
        with self._database.snapshot() as connection:
            known = dict(
                connection.execute("SELECT quantity, id FROM finding_series WHERE station = ?", (station,)).fetchall()
            )
            for quantity in sorted(known if quantities is None else set(quantities) & set(known)):
                within = (known[quantity], start_ms, end_ms)
                part = numbers_of(
                    connection.execute(
                        f"{_FINDING} {where} ORDER BY start_ms",
                        within,
                    ),
                    7,
                )
                withheld = connection.execute(
                    f"SELECT start_ms, reason FROM finding {where} AND reason IS NOT NULL", within
                ).fetchall()
                reason = np.full(part.shape[1], None, dtype=object)
                at_ms, texts = zip(*withheld, strict=True) if withheld else ((), ())
                reason[np.searchsorted(part[0], at_ms)] = texts
                parts.append(part)
                reasons.append(reason)
                names.append(np.full(part.shape[1], quantity, dtype=object))
            start, end, value, low, high, n, version = joined(parts, 7)
            labels = _version_labels(connection, whole(version))
        return frame_of(
            FINDING_COLUMNS,
            [
                np.full(len(start), station, dtype=object),
                np.concatenate(names) if names else [],
                whole(start),
                whole(end),
                *(real(column) for column in (value, low, high)),
                whole(n),
                np.concatenate(reasons) if reasons else [],
                labels,
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

    def span(self, channels: Sequence[str]) -> tuple[int, int] | None:
        """First and last measured_at_ms of the readings of these channels. See Store."""
        with self._database.snapshot() as connection:
            numbers = self._channels.find(connection, channels)
            first = _edge(connection, numbers, "min", "s.first_ms")
            last = _edge(connection, numbers, "max", "s.last_ms DESC")
        return None if first is None or last is None else (first, last)

    def steps(self, channels: Sequence[str], start_ms: int, end_ms: int, step_ms: int) -> pd.DataFrame:
        """Return the least, mean and greatest value of each step: of days from their roll-ups. See Store."""
        first, last = (-(-ms // step_ms) for ms in (start_ms, end_ms))
        query = (
            "SELECT channel, day, low, mean, high, n FROM daily WHERE channel = ? AND day >= ? AND day < ? ORDER BY day"
        )
        if step_ms != DAY_MS:
            first, last = first * step_ms, last * step_ms
            query = f"{_ROLLED.format(step_ms)} GROUP BY step ORDER BY step"
        with self._database.snapshot() as connection:
            numbers = self._channels.find(connection, channels)
            parts = [numbers_of(connection.execute(query, (numbers[name], first, last)), 6) for name in sorted(numbers)]
        number, step, low, mean, high, n = joined(parts, 6)
        place, names = _places(number, numbers)
        return frame_of(STEP_COLUMNS, [names[place], whole(step) * step_ms, low, mean, high, whole(n)])

    def close(self) -> None:
        """Nothing to let go of: the database belongs to whoever opened it."""

    def _last(self, channels: Sequence[str], which: str) -> pd.DataFrame:
        query = f"{_OBSERVATION}{which}ORDER BY measured_at_ms DESC LIMIT 1"
        with self._database.snapshot() as connection:
            numbers = self._channels.find(connection, channels)
            parts = [numbers_of(connection.execute(query, (numbers[name],)), 6) for name in sorted(numbers)]
            return _observed(connection, numbers, parts)


def _observed(connection: Connection, numbers: dict[str, int], parts: Sequence[np.ndarray]) -> pd.DataFrame:
    """Rows of `_OBSERVATION` as a frame of observations."""
    number, measured, raw, value, code, received = joined(parts, 6)
    codes = whole(code)
    labels = _version_labels(connection, codes // _CODES)
    place, names = _places(number, numbers)
    return frame_of(
        OBSERVATION_COLUMNS,
        [names[place], whole(measured), real(raw), real(value), codes % _CODES, labels, whole(received)],
    )


def _replace_observations(tx: Connection, number: int, new: np.ndarray) -> None:
    """Write what is new or different of one channel: rows of time, raw, value, version and flag, time of receipt."""
    times = new[0]
    within = (number, int(times.min()), int(times.max()))
    stored = numbers_of(
        tx.execute(_OBSERVATION + "AND measured_at_ms BETWEEN ? AND ? ORDER BY measured_at_ms", within), 6
    )
    stored[~np.isfinite(stored)] = np.nan
    new = new[:, changed(new, stored[1:])]
    if not new.shape[1]:
        return
    code = whole(new[3])
    tx.executemany(
        f"INSERT OR REPLACE INTO observation VALUES ({number}, ?, ?, ?, ?, ?, ?)",
        zip(
            whole(new[0]).tolist(),
            new[1].tolist(),
            new[2].tolist(),
            (code % _CODES).tolist(),
            (code // _CODES).tolist(),
            whole(new[4]).tolist(),
            strict=True,
        ),
    )
    _roll_up(tx, number, int(new[0].min()) // DAY_MS, int(new[0].max()) // DAY_MS)


def _replace_findings(tx: Connection, series: int, new: np.ndarray, reasons: np.ndarray) -> None:
    """Write what is new or different of one series: rows of start, end, value, low, high, n, version."""
    within = (series, int(new[0].min()), int(new[0].max()))
    where = "WHERE series = ? AND start_ms BETWEEN ? AND ? AND reason IS NULL ORDER BY start_ms"
    stored = numbers_of(tx.execute(f"{_FINDING} {where}", within), 7)
    stored[~np.isfinite(stored)] = np.nan
    write = changed(new, stored) | (reasons != None)  # noqa: E711 - element by element
    new = new[:, write]
    tx.executemany(
        f"INSERT OR REPLACE INTO finding VALUES ({series}, ?, ?, ?, ?, ?, ?, ?, ?)",
        zip(
            whole(new[0]).tolist(),
            whole(new[1]).tolist(),
            *(column.tolist() for column in new[2:5]),
            whole(new[5]).tolist(),
            reasons[write].tolist(),
            whole(new[6]).tolist(),
            strict=True,
        ),
    )


def _roll_up(tx: Connection, number: int, first: int, last: int) -> None:
    """Redo the days from first to last of a channel."""
    tx.execute("DELETE FROM daily WHERE channel = ? AND day BETWEEN ? AND ?", (number, first, last))
    tx.execute(
        f"INSERT INTO daily {_ROLLED.format(DAY_MS)} GROUP BY step",
        (number, first * DAY_MS, (last + 1) * DAY_MS),
    )


def _chosen(
    runs: list[tuple[int, bytes, str | None]], wanted: np.ndarray, start_ms: int, end_ms: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows of these channels and times out of some runs, with their slots as text and times of receipt."""
    rows = rows_of(b"".join(packed for _, packed, _ in runs))
    sizes = [len(packed) // ROW.itemsize for _, packed, _ in runs]
    received = np.repeat(np.array([at_ms for at_ms, _, _ in runs], dtype=np.int64), sizes)
    times, slots = rows["measured_at_ms"], rows["slot"].copy()
    texts: list[str] = []
    for (_, _, named), begin, size in zip(runs, np.cumsum([0, *sizes[:-1]]).tolist(), sizes, strict=True):
        if named is not None:  # texts are counted within their run: count them on through all runs
            within = slots[begin : begin + size]
            within[within < 0] -= len(texts)
            texts += json.loads(named)
    chosen = np.isin(rows["channel"], wanted) & (times >= start_ms) & (times < end_ms)
    codes, values = pd.factorize(slots[chosen])
    spelt = np.array([str(v) if v > 0 else texts[-v - 1] for v in values.tolist()], dtype=object)
    return rows[chosen], spelt[codes], received[chosen]


def _edge(connection: Connection, numbers: dict[str, int], extreme: str, order: str) -> int | None:
    """Least or greatest time of these channels. The spans say where to look, so only the outermost are searched."""
    outermost = min if extreme == "min" else max
    wanted = np.array(list(numbers.values()), dtype=np.int32)
    best: int | None = None
    spans = connection.execute(
        f"SELECT s.run, s.first_ms, s.last_ms FROM span s WHERE s.kind = {KEPT} AND s.run IS NOT NULL "
        f"AND s.outbox IN ({_carriers(connection, numbers)}) ORDER BY {order}"
    )
    for run, first_ms, last_ms in spans:
        if best is not None and (first_ms > best if extreme == "min" else last_ms < best):
            break
        (packed,) = connection.execute("SELECT readings FROM run WHERE id = ?", (run,)).fetchone()
        rows = rows_of(packed)
        times = rows["measured_at_ms"][np.isin(rows["channel"], wanted)]
        if len(times):
            found = int(times.min() if extreme == "min" else times.max())
            best = found if best is None else outermost(best, found)
    return best


def _carriers(connection: Connection, numbers: dict[str, int]) -> str:
    """Outboxes that ever carried one of these channels."""
    rows = connection.execute(f"SELECT DISTINCT outbox FROM carries WHERE channel IN ({listed(numbers.values())})")
    return listed(outbox for (outbox,) in rows)


def _series(tx: Connection, station: str, quantity: str) -> int:
    tx.execute("INSERT OR IGNORE INTO finding_series (station, quantity) VALUES (?, ?)", (station, quantity))
    query = "SELECT id FROM finding_series WHERE station = ? AND quantity = ?"
    (number,) = tx.execute(query, (station, quantity)).fetchone()
    return int(number)


def _factors(column: pd.Series | np.ndarray) -> tuple[list[Any], np.ndarray]:
    """The different values of a column as plain objects, and which of them stands in each row."""
    codes, values = pd.factorize(column)
    return list(values.tolist()), codes


def _version_numbers(tx: Connection, versions: pd.Series) -> np.ndarray:
    labels, codes = _factors(versions)
    tx.executemany("INSERT OR IGNORE INTO stage_version (label) VALUES (?)", [(label,) for label in labels])
    known = dict(tx.execute("SELECT label, id FROM stage_version").fetchall())
    return np.asarray(np.array([known[label] for label in labels], dtype=np.int64)[codes], dtype=np.int64)


def _version_labels(connection: Connection, numbers: np.ndarray) -> list[object] | np.ndarray:
    codes, used = pd.factorize(numbers)
    known = dict(connection.execute("SELECT id, label FROM stage_version").fetchall())
    labels = [known[number] for number in used.tolist()]
    whole = all(isinstance(label, int) for label in labels)
    return np.array(labels, dtype=np.int64 if whole else object)[codes]


def _places(number: np.ndarray, numbers: dict[str, int]) -> tuple[np.ndarray, np.ndarray]:
    """Where each row's channel stands among the sorted names, and those names."""
    names = sorted(numbers)
    place_of = np.zeros(max(numbers.values(), default=0) + 1, dtype=np.int64)
    place_of[[numbers[name] for name in names]] = np.arange(len(names))
    return place_of[whole(number)], np.array(names, dtype=object)
