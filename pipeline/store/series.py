"""The series in a database: readings by channel and time, observations by channel and day, findings.

Readings are those of the journal, which lie in runs. Observations lie in blocks of a channel and a day, which are
written whole. Findings are rows, and are fetched as one flat run of doubles, which is twice as fast: times in ms are
far below 2**53, and a missing number is asked for as infinity, which no finding can be.
"""

from __future__ import annotations

import itertools
import json
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from pipeline.store import (
    FINDING_COLUMNS,
    OBSERVATION_COLUMNS,
    RAW_COLUMNS,
    STEP_COLUMNS,
    Changed,
    check_frame,
    frame_of,
)
from pipeline.store.packed import (
    DAY_IDS,
    KEEP_DAY,
    NOISY,
    OBSERVED,
    ROW,
    STATUSES,
    DamagedBlock,
    dated,
    day_row,
    rolled_up,
    unpack_believed,
    unpack_days,
)
from pipeline.store.readings import KEPT, RUNS_AT_ONCE, Channels, readable_rows, readable_runs, runs_between
from pipeline.store.redating import unset_rows
from pipeline.store.sql import Connection, SqlDatabase
from pipeline.units import DAY_MS, FOREVER_MS, Flag, FloatArray, TimeArray, utc_text

MISSING = float("inf")  # what a missing number is asked for as


def numbers_of(rows: Iterable[Sequence[float]], width: int) -> np.ndarray:
    """Return rows of numbers as an array of shape (width, rows)."""
    return np.fromiter(itertools.chain.from_iterable(rows), dtype=np.float64).reshape(-1, width).T


def joined(parts: Sequence[np.ndarray], width: int) -> np.ndarray:
    """Return arrays of shape (width, rows) one after the other; none gives no rows."""
    return np.hstack(parts) if parts else np.empty((width, 0))


def whole(column: np.ndarray | pd.Series) -> np.ndarray:
    """Return a column as whole numbers."""
    return np.asarray(column).astype(np.int64)


def real(column: np.ndarray | pd.Series) -> np.ndarray:
    """Return a column as floats, NaN wherever there is none, or none that is finite."""
    values = np.asarray(column, dtype=np.float64)
    return np.where(np.isfinite(values), values, np.nan)


def listed(found: Iterable[int]) -> str:
    """Return our own whole numbers as text for an IN (...): there may be more than SQLite takes as parameters.

    Without any, a number no row has: an empty list can leave SQLite without a plan for an index it was told to use.
    """
    return ", ".join(str(int(n)) for n in found) or "-1"


_STATUS_TEXT = np.array([STATUSES[code].value for code in sorted(STATUSES)], dtype=object)

_Span = tuple[int, int, int, int, int, bool]  # outbox, first and last seq, time of receipt, run, whether squeezed
_DAYS_WITHIN = "FROM observation_day WHERE id BETWEEN ? AND ?"
# Takes `MISSING` first.
_FINDING_NUMBERS = "end_ms, coalesce(value, ?1), coalesce(low, ?1), coalesce(high, ?1), n, stage_version"
DAYS_AT_ONCE = 8  # days read first for a page, and then twice as many
_FINDING = f"SELECT start_ms, {_FINDING_NUMBERS} FROM finding"


class SqlStore:
    """A Store in a database.

    Parameters
    ----------
    database : SqlDatabase
        Usually the journal's.
    channels : Channels, optional
        The journal's, when it shares the database.
    """

    def __init__(self, database: SqlDatabase, *, channels: Channels | None = None) -> None:
        self._database = database
        self._channels = Channels() if channels is None else channels
        database.when_undone(self._channels.forget)

    def raw(self, channels: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """Return readings as heard, sorted by channel and measured_at_ms. See Store."""
        with self._database.snapshot() as connection:
            numbers = self._channels.find(connection, channels)
            spans = _spans_within(connection, numbers, start_ms, end_ms)
            wanted = np.array(list(numbers.values()), dtype=np.int32)
            parts, spans = _redated_apart(connection, spans, wanted, (start_ms, end_ms))
            for at in range(0, len(spans), RUNS_AT_ONCE):
                some = spans[at : at + RUNS_AT_ONCE]
                query = f"SELECT id, readings, named FROM run WHERE id IN ({listed(run for *_, run, _ in some)})"
                stored = {run: (packed, named) for run, packed, named in connection.execute(query)}
                runs = readable_runs(
                    connection,
                    (
                        (run, last - first + 1, *stored[run], squeezed, received_ms)
                        for _, first, last, received_ms, run, squeezed in some
                    ),
                )
                if runs:
                    parts.append(_chosen(runs, wanted, start_ms, end_ms))
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
            rows["attempts"] & ~np.uint8(NOISY),
            rows["clock_ok"] == 1,
            (rows["attempts"] & NOISY) != 0,
            received,
        )
        return frame_of(RAW_COLUMNS, [column[order] for column in columns])

    def moved(self, channels: Sequence[str], start_ms: int, end_ms: int) -> dict[str, TimeArray]:
        """Return at which times readings of each channel stood before they were dated again. See Store."""
        found: dict[str, TimeArray] = {}
        with self._database.snapshot() as connection:
            query = "SELECT outbox, first_seq, last_seq FROM redated WHERE first_ms < ? AND last_ms >= ?"
            asked = connection.execute(query, (end_ms, start_ms)).fetchall()
            if not asked:
                return found
            numbers = self._channels.find(connection, channels)
            rows = np.concatenate([unset_rows(runs_between(connection, *one), *one[1:]) for one in asked])
        rows = rows[(rows["measured_at_ms"] >= start_ms) & (rows["measured_at_ms"] < end_ms)]
        for name, number in sorted(numbers.items()):
            times = np.unique(rows["measured_at_ms"][rows["channel"] == number])
            if times.size:
                found[name] = times
        return found

    def upsert_observations(self, frame: pd.DataFrame) -> Changed:
        """Keep or replace observations. See Store. A day that is stored just so is not written again."""
        check_frame(frame, OBSERVATION_COLUMNS, "observations")
        if frame.empty:
            return {}
        names, codes = _factors(frame["channel"])
        new = np.empty(len(frame), dtype=OBSERVED)
        for name in ("raw", "value"):
            new[name] = real(frame[name])
        for name in ("measured_at_ms", "received_at_ms", "flag"):
            new[name] = whole(frame[name])
        with self._database.transaction() as tx:
            numbers = self._channels.numbers(tx, names)
            new["version"] = _version_numbers(tx, frame["stage_version"])
            return _replace_observations(tx, {name: numbers[name] for name in names}, codes, new)

    def remove_observations(self, times_ms: Mapping[str, TimeArray]) -> Changed:
        """Remove observations of some times. See Store. A day that does not read stays as it is."""
        removed: dict[str, tuple[int, int]] = {}
        with self._database.transaction() as tx:
            numbers = self._channels.find(tx, list(times_ms))
            for name, number in numbers.items():
                for day in np.unique(times_ms[name] // DAY_MS).tolist():
                    gone = _remove_from_day(tx, number, day, times_ms[name])
                    if gone.size:
                        first, last = removed.get(name, (int(gone[0]), 0))
                        removed[name] = first, max(last, int(gone[-1]))
        return removed

    def observations(
        self,
        channels: Sequence[str],
        start_ms: int,
        end_ms: int,
        *,
        after: tuple[str, int] | None = None,
        limit: int | None = None,
    ) -> pd.DataFrame:
        """Return observations, sorted by channel and measured_at_ms. See Store. A page reads the days it needs."""
        behind, behind_ms = ("", 0) if after is None else after
        left = sys.maxsize if limit is None else limit
        found: list[tuple[str, np.ndarray]] = []
        with self._database.snapshot() as connection:
            numbers = self._channels.find(connection, channels)
            for name in sorted(n for n in numbers if n >= behind):
                first_ms = max(start_ms, behind_ms + 1) if name == behind else start_ms
                found.append((name, _observed(connection, numbers[name], first_ms, end_ms, left)))
                left -= len(found[-1][1])
                if left == 0:
                    break
            return _observations(connection, found)

    def channel_series(
        self, channels: Sequence[str], start_ms: int, end_ms: int
    ) -> dict[str, tuple[TimeArray, FloatArray]]:
        """Return times and believed values of each channel. See Store."""
        found = {}
        with self._database.snapshot() as connection:
            days: list[tuple[int, bytes]] = []
            edges = [0]
            numbers = self._channels.find(connection, channels)
            for name in sorted(numbers):
                query = f"SELECT id, packed {_DAYS_WITHIN} ORDER BY id"
                days += connection.execute(query, _days_within(numbers[name], start_ms, end_ms))
                edges.append(len(days))
            times, values, sizes = _believed_days(connection, days)
        begins = np.concatenate([[0], np.cumsum(sizes)])[edges].tolist()
        for name, (first, last) in zip(sorted(numbers), itertools.pairwise(begins), strict=True):
            a, b = (first + np.searchsorted(times[first:last], (start_ms, end_ms))).tolist()
            if b > a:
                found[name] = times[a:b], values[a:b]
        return found

    def latest(self, channels: Sequence[str], until_ms: int = FOREVER_MS) -> pd.DataFrame:
        """Return the last observation of each channel. See Store. The last day is one step down the primary key."""
        return self._last(channels, "", until_ms)

    def last_answers(self, channels: Sequence[str], until_ms: int = FOREVER_MS) -> pd.DataFrame:
        """Return the last observation of each channel that is not missing. See Store. Days without one are skipped."""
        return self._last(channels, "AND answered = 1", until_ms)

    def upsert_findings(self, frame: pd.DataFrame) -> Changed:
        """Keep or replace findings. See Store. Rows that are stored just so are not written again."""
        check_frame(frame, FINDING_COLUMNS, "findings")
        if frame.empty:
            return {}
        stations, station = _factors(frame["station"])
        quantities, quantity = _factors(frame["quantity"])
        pairs, pair = _factors(station * len(quantities) + quantity)
        reasons = frame["reason"].astype(object).to_numpy(copy=True)
        reasons[pd.isna(reasons)] = None
        with self._database.transaction() as tx:
            known = {name: _series_numbers(tx, name) for name in stations}
            series = []
            for name, of in ((stations[code // len(quantities)], quantities[code % len(quantities)]) for code in pairs):
                series.append(known[name].get(of) or _series(tx, name, of))
            new = np.vstack(
                [
                    np.array(series, dtype=np.int64)[pair],
                    whole(frame["start_ms"]),
                    whole(frame["end_ms"]),
                    real(frame["value"]),
                    real(frame["low"]),
                    real(frame["high"]),
                    whole(frame["n"]),
                    _version_numbers(tx, frame["stage_version"]),
                ]
            )
            write = _replace_findings(tx, new, reasons)
        quantity, start = quantity[write], whole(new[1, write])
        of_each = {k: start[quantity == k] for k in np.unique(quantity).tolist()}
        return {quantities[k]: (int(times.min()), int(times.max())) for k, times in of_each.items()}

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
        """Read the rows of a page and no more. See Store."""
        where = "WHERE series = ?2 AND start_ms >= ?3 AND start_ms < ?4"
        behind, behind_ms = ("", 0) if after is None else after
        left = sys.maxsize if limit is None else limit
        parts, reasons, names = [], [], []
        with self._database.snapshot() as connection:
            known = _series_numbers(connection, station)
            for quantity in sorted(
                q for q in (known if quantities is None else set(quantities) & set(known)) if q >= behind
            ):
                first_ms = max(start_ms, behind_ms + 1) if quantity == behind else start_ms
                within = (MISSING, known[quantity], first_ms, end_ms)
                query = f"{_FINDING} {where} ORDER BY start_ms LIMIT ?5"
                part = numbers_of(connection.execute(query, (*within, left)), 7)
                last_ms = int(part[0, -1]) if part.shape[1] else first_ms - 1
                withheld = connection.execute(
                    "SELECT start_ms, reason FROM finding WHERE series = ? AND start_ms BETWEEN ? AND ? "
                    "AND reason IS NOT NULL",
                    (known[quantity], first_ms, last_ms),
                ).fetchall()
                reason = np.full(part.shape[1], None, dtype=object)
                at_ms, texts = zip(*withheld, strict=True) if withheld else ((), ())
                reason[np.searchsorted(part[0], at_ms)] = texts
                parts.append(part)
                reasons.append(reason)
                names.append(np.full(part.shape[1], quantity, dtype=object))
                left -= part.shape[1]
                if left == 0:
                    break
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

    def finding_series(
        self, station: str, quantities: Sequence[str], start_ms: int, end_ms: int
    ) -> dict[str, tuple[TimeArray, FloatArray]]:
        """Return starts and values of each quantity. See Store."""
        query = (
            "SELECT start_ms, coalesce(value, ?) FROM finding "
            "WHERE series = ? AND start_ms >= ? AND start_ms < ? ORDER BY start_ms"
        )
        found = {}
        with self._database.snapshot() as connection:
            known = _series_numbers(connection, station)
            for quantity in sorted(set(quantities) & set(known)):
                times, values = numbers_of(connection.execute(query, (MISSING, known[quantity], start_ms, end_ms)), 2)
                if times.size:
                    found[quantity] = whole(times), real(values)
        return found

    def delete_findings(self, station: str, quantities: Sequence[str], start_ms: int, end_ms: int) -> None:
        """Remove findings of a span. See Store."""
        with self._database.transaction() as tx:
            tx.executemany(
                "DELETE FROM finding WHERE series = (SELECT id FROM finding_series WHERE station = ? AND quantity = ?) "
                "AND start_ms >= ? AND start_ms < ?",
                [(station, quantity, start_ms, end_ms) for quantity in quantities],
            )

    def span(self, channels: Sequence[str]) -> tuple[int, int] | None:
        """Return first and last measured_at_ms of the readings of these channels. See Store."""
        with self._database.snapshot() as connection:
            numbers = self._channels.find(connection, channels)
            query = f"SELECT min(first_ms), max(last_ms) FROM carries WHERE channel IN ({listed(numbers.values())})"
            first_ms, last_ms = connection.execute(query).fetchone()
        return None if first_ms is None else (first_ms, last_ms)

    def steps(self, channels: Sequence[str], start_ms: int, end_ms: int, step_ms: int) -> pd.DataFrame:
        """Return the least, mean and greatest value of each step: of days as they were rolled up. See Store."""
        first_ms, last_ms = (-(-ms // step_ms) * step_ms for ms in (start_ms, end_ms))
        parts: list[tuple[str, np.ndarray]] = []
        with self._database.snapshot() as connection:
            numbers = self._channels.find(connection, channels)
            for name in sorted(numbers):
                if step_ms == DAY_MS:
                    query = f"SELECT id % {DAY_IDS} * {DAY_MS}, low, mean, high, n {_DAYS_WITHIN} AND n > 0 ORDER BY id"
                    days = connection.execute(query, _days_within(numbers[name], first_ms, last_ms))
                    parts.append((name, numbers_of(days, 5)))
                else:
                    query = f"SELECT id, packed {_DAYS_WITHIN} ORDER BY id"
                    within = connection.execute(query, _days_within(numbers[name], first_ms, last_ms))
                    times, values, _ = _believed_days(connection, within)
                    first, last = np.searchsorted(times, (first_ms, last_ms))
                    parts.append((name, rolled_up(times[first:last], values[first:last], step_ms)))
        start, low, mean, high, n = joined([part for _, part in parts], 5)
        return frame_of(
            STEP_COLUMNS, [_named((i, p.shape[1]) for i, p in parts), whole(start), low, mean, high, whole(n)]
        )

    def close(self) -> None:
        """Nothing to let go of: the database belongs to whoever opened it."""

    def _last(self, channels: Sequence[str], which: str, until_ms: int) -> pd.DataFrame:
        found = []
        with self._database.snapshot() as connection:
            for name, number in sorted(self._channels.find(connection, channels).items()):
                query = f"SELECT id, packed {_DAYS_WITHIN} {which} ORDER BY id DESC LIMIT 1"
                first, last = _days_within(number, 0, until_ms)
                while (day := connection.execute(query, (first, last)).fetchone()) is not None:
                    rows, _ = readable_days(connection, [day])
                    rows = rows[(rows["measured_at_ms"] <= until_ms) & ((rows["flag"] != Flag.MISSING) | (not which))]
                    if rows.size:
                        found.append((name, rows[-1:]))
                        break
                    last = day[0] - 1
            return _observations(connection, found)


def _days_within(number: int, start_ms: int, end_ms: int) -> tuple[int, int]:
    """Return first and last id of the days of a channel that touch start <= t < end. An id is channel and day."""
    first, last = max(start_ms // DAY_MS, 0), min(max((end_ms - 1) // DAY_MS, -1), DAY_IDS - 1)
    return number * DAY_IDS + min(first, DAY_IDS), number * DAY_IDS + last


def _observed(connection: Connection, number: int, start_ms: int, end_ms: int, most: int) -> np.ndarray:
    """Return the first `most` observations of a channel with start <= t < end. No more days are read than they need."""
    days: list[tuple[int, bytes]] = []
    have, some = 0, sys.maxsize if most == sys.maxsize else DAYS_AT_ONCE
    begin, end = _days_within(number, start_ms, end_ms)
    query = f"SELECT id, size, packed {_DAYS_WITHIN} ORDER BY id LIMIT ?"
    while have < most:
        before = len(days)
        for day, size, packed in connection.execute(query, (begin, end, some)):
            have += size if days else 0  # of the first day nothing may be left
            days.append((day, packed))
            if have >= most:
                break
        if len(days) - before < some:
            break
        begin, some = days[-1][0] + 1, 2 * some
    rows, _ = readable_days(connection, days)
    first, last = np.searchsorted(rows["measured_at_ms"], (start_ms, end_ms))
    return rows[first:last][:most]


def readable_days(connection: Connection, days: Iterable[tuple[int, bytes]]) -> tuple[np.ndarray, np.ndarray]:
    """Return the observations of days, each given with its id, and how many each day has; those that do not read have
    none and are noted."""
    rows, sizes = _readable(connection, list(days), unpack_days)
    return rows, sizes


def _believed_days(
    connection: Connection, days: Iterable[tuple[int, bytes]]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return times and believed values of days, each given with its id, and how many each has; see `readable_days`."""
    times, values, sizes = _readable(connection, list(days), unpack_believed)
    return times, values, sizes


def _readable(
    connection: Connection, days: list[tuple[int, bytes]], unpack: Callable[[list[bytes]], tuple[np.ndarray, ...]]
) -> tuple[np.ndarray, ...]:
    try:
        return unpack([packed for _, packed in days])
    except DamagedBlock as err:
        if len(days) > 1:
            parts = [_readable(connection, [day], unpack) for day in days]
            return tuple(np.concatenate(columns) for columns in zip(*parts, strict=True))
        number, day = divmod(days[0][0], DAY_IDS)
        name = connection.execute("SELECT name FROM channel WHERE id = ?", (number,)).fetchone()
        at = utc_text(day * DAY_MS)[:10]
        told = f"observations of {at} of {name[0] if name else f'channel {number}'}: {err}. They are not lost: "
        connection.unreadable[_day_name(days[0][0])] = f"{told}`underturf recompute --from {at} --to {at}`"
        *columns, _ = unpack([])
        return (*columns, np.zeros(1, dtype=np.int64))


def _day_name(day_id: int) -> str:
    return f"day {day_id}"


def unreadable_blocks(connection: Connection) -> dict[str, str]:
    """Read every block of readings and observations; return those that do not read, each with what it held."""
    outbox, seq, day_id = -1, -1, -1
    while runs := connection.execute(
        "SELECT s.outbox, s.first_seq, r.id, s.last_seq - s.first_seq + 1, r.readings, r.named, s.squeezed, 0 "
        "FROM span s JOIN run r ON r.id = s.run WHERE (s.outbox, s.first_seq) > (?, ?) "
        "ORDER BY s.outbox, s.first_seq LIMIT ?",
        (outbox, seq, RUNS_AT_ONCE),
    ).fetchall():
        for _, _, *run in runs:
            readable_rows(connection, *run)
        outbox, seq, *_ = runs[-1]
    while days := connection.execute(
        "SELECT id, packed FROM observation_day WHERE id > ? ORDER BY id LIMIT ?", (day_id, RUNS_AT_ONCE)
    ).fetchall():
        for day in days:
            readable_days(connection, [day])
        day_id = days[-1][0]
    return connection.unreadable


def _observations(connection: Connection, found: Sequence[tuple[str, np.ndarray]]) -> pd.DataFrame:
    """Return rows of channels as a frame of observations."""
    rows = np.concatenate([np.empty(0, dtype=OBSERVED), *(part for _, part in found)])
    made = {
        "channel": _named((name, len(part)) for name, part in found),
        "stage_version": _version_labels(connection, rows["version"]),
    }
    return frame_of(OBSERVATION_COLUMNS, [made[n] if n in made else rows[n] for n in OBSERVATION_COLUMNS])


def _named(counts: Iterable[tuple[str, int]]) -> np.ndarray:
    """Return each name as often as it is counted."""
    names, n = zip(*counts, strict=True) if (counts := list(counts)) else ((), ())
    return np.repeat(np.array(names, dtype=object), np.array(n, dtype=np.int64))


def _replace_observations(tx: Connection, numbers: Mapping[str, int], code: np.ndarray, new: np.ndarray) -> Changed:
    """Lay rows over those stored, the later of one channel and time over the earlier; write the days that differ.

    Parameters
    ----------
    tx : Connection
    numbers : mapping of str to int
        Of the channels, by name.
    code : ndarray of int, shape (rows,)
        Which of `numbers` each row is of.
    new : ndarray of OBSERVED, shape (rows,)

    Returns
    -------
    Changed
        Of the rows that were not stored just so.
    """
    number_of = np.array(list(numbers.values()), dtype=np.int64)
    day = new["measured_at_ms"] // DAY_MS
    ids = number_of[code] * DAY_IDS + day
    place = code * _CHANNEL_MS + new["measured_at_ms"]  # one number for channel and time
    if not np.all(np.diff(place) > 0):
        order = np.argsort(place, kind="stable")
        order = order[np.diff(place[order], append=-1) != 0]
        code, new, day, ids, place = code[order], new[order], day[order], ids[order], place[order]
    begins = np.flatnonzero(np.diff(code, prepend=-1))
    stored: list[tuple[int, bytes]] = []
    for first, last in itertools.pairwise([*begins.tolist(), len(new)]):
        touched = set(ids[first:last].tolist())
        within = tx.execute(f"SELECT id, packed {_DAYS_WITHIN} ORDER BY id", (min(touched), max(touched)))
        stored += [one for one in within if one[0] in touched]
    before, sizes = readable_days(tx, stored)
    code_of = {number: k for k, number in enumerate(numbers.values())}
    before_code = np.repeat(np.array([code_of[i // DAY_IDS] for i, _ in stored], dtype=np.int64), sizes)
    before_place = before_code * _CHANNEL_MS + before["measured_at_ms"]
    same = np.zeros(len(new), dtype=np.bool_)
    if len(before):
        at = np.minimum(np.searchsorted(before_place, place), len(before) - 1)
        same = (_bytes_of(before[at]) == _bytes_of(new)).all(axis=1) & (before_place[at] == place)
    code, new, day, ids, place = (column[~same] for column in (code, new, day, ids, place))
    rows = []
    begins = np.flatnonzero(np.diff(ids, prepend=-1))
    for first, last in itertools.pairwise([*begins.tolist(), len(new)]):
        midnight = int(code[first] * _CHANNEL_MS + day[first] * DAY_MS)
        there = slice(*np.searchsorted(before_place, (midnight, midnight + DAY_MS)).tolist())
        whole_day = np.frombuffer(before[there].tobytes() + new[first:last].tobytes(), dtype=OBSERVED)
        if there.stop > there.start and before_place[there.stop - 1] >= place[first]:
            whole_day = whole_day[np.argsort(whole_day["measured_at_ms"], kind="stable")]
            whole_day = whole_day[np.diff(whole_day["measured_at_ms"], append=-1) != 0]
        rows.append(day_row(int(number_of[code[first]]), int(day[first]), whole_day))
        tx.unreadable.pop(_day_name(int(ids[first])), None)
    tx.executemany(KEEP_DAY, rows)
    names, times = list(numbers), new["measured_at_ms"]
    edges = itertools.pairwise([*np.flatnonzero(np.diff(code, prepend=-1)).tolist(), len(new)])
    return {names[code[first]]: (int(times[first]), int(times[behind - 1])) for first, behind in edges}


def _remove_from_day(tx: Connection, number: int, day: int, times_ms: TimeArray) -> TimeArray:
    """Remove the observations of a channel's day at some times; return the times of those that were there."""
    where = (number * DAY_IDS + day,)
    stored = tx.execute("SELECT id, packed FROM observation_day WHERE id = ?", where).fetchall()
    rows, _ = readable_days(tx, stored)
    gone = np.isin(rows["measured_at_ms"], times_ms)
    if gone.all() and gone.size:
        tx.execute("DELETE FROM observation_day WHERE id = ?", where)
    elif gone.any():
        tx.execute(KEEP_DAY, day_row(number, day, rows[~gone]))
    return np.asarray(rows["measured_at_ms"][gone], dtype=np.int64)


_CHANNEL_MS = DAY_IDS * DAY_MS  # further than a channel's days reach


def _bytes_of(rows: np.ndarray) -> np.ndarray:
    """Return rows as bytes, so that NaN equals NaN."""
    return np.ascontiguousarray(rows).view(np.uint8).reshape(len(rows), -1)


def _replace_findings(tx: Connection, new: np.ndarray, reasons: np.ndarray) -> np.ndarray:
    """Write what is new or different.

    Parameters
    ----------
    tx : Connection
    new : ndarray, shape (8, rows)
        Series, start, end, value, low, high, n, version.
    reasons : ndarray of object, shape (rows,)

    Returns
    -------
    ndarray of bool, shape (rows,)
        Which rows were written.
    """
    series, start = whole(new[0]), whole(new[1])
    place = (series << _START_BITS) + start  # one number for series and start
    stays = np.zeros(len(place), dtype=np.bool_)  # of two of one place the later
    stays[len(place) - 1 - np.unique(place[::-1], return_index=True)[1]] = True
    spans = [(k, int(start[series == k].min()), int(start[series == k].max())) for k in np.unique(series).tolist()]

    def stored_rows(columns: str, *first: float) -> Iterator[Sequence[Any]]:
        query = f"SELECT series, start_ms, {columns} ORDER BY start_ms"
        return itertools.chain.from_iterable(tx.execute(query, (*first, *span)) for span in spans)

    within = "series = ?2 AND start_ms BETWEEN ?3 AND ?4"
    stored = numbers_of(stored_rows(f"{_FINDING_NUMBERS} FROM finding WHERE {within}", MISSING), 8)
    write = np.ones(len(start), dtype=np.bool_)
    if stored.shape[1]:
        stored[~np.isfinite(stored)] = np.nan
        stored_place = (whole(stored[0]) << _START_BITS) + whole(stored[1])
        at = np.minimum(np.searchsorted(stored_place, place), len(stored_place) - 1)
        there = stored[:, at]
        write = (stored_place[at] != place) | ~((there == new) | (np.isnan(there) & np.isnan(new))).all(axis=0)
        texts = np.full(len(stored_place), None, dtype=object)
        if not write.all():
            for number, at_ms, text in stored_rows(
                "reason FROM finding WHERE series = ? AND start_ms BETWEEN ? AND ? AND reason IS NOT NULL"
            ):
                texts[np.searchsorted(stored_place, (number << _START_BITS) + at_ms)] = text
            write |= texts[at] != reasons
    write &= stays
    new = new[:, write]
    tx.executemany(
        "INSERT INTO finding VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (series, start_ms) DO UPDATE SET "
        "end_ms = excluded.end_ms, value = excluded.value, low = excluded.low, high = excluded.high, n = excluded.n, "
        "reason = excluded.reason, stage_version = excluded.stage_version",
        zip(
            *(whole(column).tolist() for column in new[:3]),
            *(column.tolist() for column in new[3:6]),
            whole(new[6]).tolist(),
            reasons[write].tolist(),
            whole(new[7]).tolist(),
            strict=True,
        ),
    )
    return write


_START_BITS = 43  # of a start in ms since 1970, until the year 2248


def _redated_apart(
    connection: Connection, spans: list[_Span], wanted: np.ndarray, within_ms: tuple[int, int]
) -> tuple[list[tuple[np.ndarray, np.ndarray, np.ndarray]], list[_Span]]:
    """Return `_chosen` of the runs of which readings were dated again, and the other spans."""
    dating: dict[int, list[tuple[int, int, int]]] = {}
    for outbox, *one in connection.execute("SELECT outbox, first_seq, last_seq, by_ms FROM redated ORDER BY first_seq"):
        dating.setdefault(outbox, []).append((one[0], one[1], one[2]))
    parts, others = [], []
    for span in spans:
        outbox, first, last, received_ms, run, squeezed = span
        touching = [one for one in dating.get(outbox, ()) if one[0] <= last and one[1] >= first]
        if not touching:
            others.append(span)
            continue
        packed, named = connection.execute("SELECT readings, named FROM run WHERE id = ?", (run,)).fetchone()
        read = readable_rows(connection, run, last - first + 1, packed, named, squeezed, received_ms)
        if read is not None:
            parts.append(_chosen([(dated(read[0], first, touching), read[1], named)], wanted, *within_ms))
    return parts, others


def _chosen(
    runs: list[tuple[np.ndarray, np.ndarray, str | None]], wanted: np.ndarray, start_ms: int, end_ms: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return rows of these channels and times out of some runs, with their slots as text and times of receipt."""
    rows = np.concatenate([rows for rows, _, _ in runs])
    received = np.concatenate([received for _, received, _ in runs])
    sizes = [len(rows) for rows, _, _ in runs]
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


def _spans_within(connection: Connection, numbers: dict[str, int], start_ms: int, end_ms: int) -> list[_Span]:
    """Return the spans that touch start <= t < end: outbox, first and last seq, time of receipt, run, whether squeezed.

    They are those of the outboxes that carried one of the channels then, in order. The index is left on both sides: a
    run that begins before the end of the span is over within the longest run of its outbox.
    """
    return sorted(
        connection.execute(
            "SELECT s.outbox, s.first_seq, s.last_seq, s.received_at_ms, s.run, s.squeezed "
            "FROM outbox o CROSS JOIN span s WHERE s.outbox = o.id "
            f"AND s.kind = {KEPT} AND s.last_ms >= ?1 AND s.last_ms < ?2 + o.longest_ms "
            "AND o.id IN (SELECT outbox FROM carries "
            f"WHERE channel IN ({listed(numbers.values())}) AND last_ms >= ?1 AND first_ms < ?2) "
            "AND s.first_ms < ?2 AND s.run IS NOT NULL",
            (start_ms, end_ms),
        ).fetchall()
    )


def _series_numbers(connection: Connection, station: str) -> dict[str, int]:
    """Return the number of each series of findings of a station or channel, by quantity."""
    query = "SELECT quantity, id FROM finding_series WHERE station = ?"
    return dict(connection.execute(query, (station,)).fetchall())


def _series(tx: Connection, station: str, quantity: str) -> int:
    tx.execute(
        "INSERT INTO finding_series (station, quantity) VALUES (?, ?) ON CONFLICT DO NOTHING", (station, quantity)
    )
    query = "SELECT id FROM finding_series WHERE station = ? AND quantity = ?"
    (number,) = tx.execute(query, (station, quantity)).fetchone()
    return int(number)


def _factors(column: pd.Series | np.ndarray) -> tuple[list[Any], np.ndarray]:
    """Return the different values of a column as plain objects, and which of them stands in each row."""
    codes, values = pd.factorize(column)
    return list(values.tolist()), codes


def _version_numbers(tx: Connection, versions: pd.Series) -> np.ndarray:
    labels, codes = _factors(versions)
    spelt = [json.dumps(label) for label in labels]
    known = _version_ids(tx)
    if not known.keys() >= set(spelt):
        tx.executemany(
            "INSERT INTO stage_version (label) VALUES (?) ON CONFLICT DO NOTHING", [(label,) for label in spelt]
        )
        known = _version_ids(tx)
    return np.asarray(np.array([known[label] for label in spelt], dtype=np.int64)[codes], dtype=np.int64)


def _version_ids(connection: Connection) -> dict[str, int]:
    """Return the number of each version, a number or a text, as JSON."""
    return dict(connection.execute("SELECT label, id FROM stage_version").fetchall())


def _version_labels(connection: Connection, numbers: np.ndarray) -> list[object] | np.ndarray:
    codes, used = pd.factorize(numbers)
    known = {number: label for label, number in _version_ids(connection).items()}
    labels = [json.loads(known[number]) for number in used.tolist()]
    whole = all(isinstance(label, int) for label in labels)
    return np.array(labels, dtype=np.int64 if whole else object)[codes]


def _places(number: np.ndarray, numbers: dict[str, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return where each row's channel stands among the sorted names, and those names."""
    names = sorted(numbers)
    place_of = np.zeros(max(numbers.values(), default=0) + 1, dtype=np.int64)
    place_of[[numbers[name] for name in names]] = np.arange(len(names))
    return place_of[whole(number)], np.array(names, dtype=object)
