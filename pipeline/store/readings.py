"""The readings in safe keeping: each is stored once, in the run it came in, and counted into its outbox's receipt.

Works on a connection it is given, inside the caller's transaction, so that rows, receipt and counters are one change.
Spans of seq that never overlap say what was kept, quarantined or lost. The journal keeps them and the embedded series
store reads them: there is one copy. It never changes a reading that is kept.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import threading
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from hardware.reading import MAX_SEQ, BadBatch, Batch, BatchSpan, Reading, ReadingColumns, digest_of
from pipeline.store.packed import (
    LAST_RUN,
    NOTE_EDGES,
    ROW,
    DamagedBlock,
    channel_edges,
    dated,
    digest_in_run,
    pack,
    rows_of,
    squeeze,
    stored_rows,
    unpack,
)
from pipeline.store.sql import Connection, SqlDatabase
from pipeline.units import utc_text

MAX_OUTBOXES = 10_000
MAX_STORED_CHANNELS = 20_000
MAX_HOLE = 100_000_000  # readings of a hole: more than the largest outbox holds


class Channels:
    """Numbers of channel names."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._numbers: dict[str, int] = {}

    def forget(self) -> None:
        """Forget everything learned: the database calls it when a transaction was undone."""
        with self._lock:
            self._numbers.clear()

    def numbers(self, tx: Connection, names: Collection[str]) -> dict[str, int]:
        """Return the number of each name, entering those not met before. `tx` has a transaction open.

        Raises
        ------
        BadBatch
            When they would be more than `MAX_STORED_CHANNELS`.
        """
        known = self._numbers
        if not all(name in known for name in names):
            for name in sorted(names):
                tx.execute("INSERT INTO channel (name) VALUES (?) ON CONFLICT DO NOTHING", (name,))
            (count,) = tx.execute("SELECT count(*) FROM channel").fetchone()
            if count > MAX_STORED_CHANNELS:
                raise BadBatch(
                    f"n: found more than {MAX_STORED_CHANNELS} different channels, expected at most that many"
                )
            with self._lock:
                known.update(tx.execute("SELECT name, id FROM channel").fetchall())
        return {name: known[name] for name in names}

    def find(self, connection: Connection, names: Iterable[str]) -> dict[str, int]:
        """Return the number of each name that has one. The others have no rows."""
        wanted = list(names)
        known = self._numbers
        found = {name: number for name in wanted if (number := known.get(name)) is not None}
        if missing := [name for name in wanted if name not in found]:
            # A station may have channels that were never heard. By name they cost the same at any size of a site.
            query = f"SELECT name, id FROM channel WHERE name IN ({', '.join('?' * len(missing))})"
            found |= connection.execute(query, missing).fetchall()
        return found


KEPT, POISON, HOLE = 1, 2, 3
NOT_FED, WAITING, READ_BACK, LET_GO = 0, 1, 2, 3
RUNS_AT_ONCE = 200  # runs read together: at most 16 MB
SPANS_AT_ONCE = 100
MERGE_MOST_RUNS, MERGE_MOST_READINGS = 500, 2000  # at most so many are merged into one
IMPORTER = "import"  # stands for the node of readings that came in from a file; no line, no broker, no receipt to send
RECORDED_RUN = 1000  # readings of a file in one run, as in a batch of a node


@dataclass(frozen=True, slots=True)
class Appended:
    """What became of a batch.

    Attributes
    ----------
    new : int
        Readings stored now.
    duplicates : int
        Readings that were stored before, and ignored.
    conflicts : int
        Readings that say something else than the stored one of the same identity; the stored one was kept. Of an agent
        that compares digests the whole batch is refused: it sends all of it again, under another outbox.
    moved : tuple of (str, int, int)
        Channels of which the batch told that earlier readings are dated again, and between which times they stood and
        stand. [ms since 1970, UTC]
    refused : bool
        Whether nothing of it was kept: it contradicts what is kept, or comes before readings that it follows.
    hole : int
        Sequence numbers now known to be lost by the agent for good, and not waited for any longer.
    received : int
        The receipt: highest seq up to which nothing is outstanding.
    """

    new: int
    duplicates: int
    conflicts: int
    hole: int
    received: int
    refused: bool = False
    moved: tuple[tuple[str, int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """An outbox as it is stored: its number, receipt, the last reading kept up to it, and its turns.

    `last_turn` is the last turn that any outbox of its node has had; see `CUSTODY_PROVED`.
    """

    id: int
    received: int
    digest_seq: int
    digest: str
    turn: int
    last_turn: int


@dataclass(frozen=True, slots=True)
class Run:
    """Consecutive readings of an outbox as stored: see pipeline.store.packed."""

    outbox: int
    first: int
    last: int
    received_at_ms: int
    packed: bytes
    named: str | None


def keep_batch(
    tx: Connection, channels: Channels, batch: Batch, received_at_ms: int, *, feed: int = NOT_FED
) -> Appended:
    """Store what is new in a batch and move the receipt as far as it will go.

    Parameters
    ----------
    tx : Connection
        With a transaction open.
    channels : Channels
        Names to numbers.
    batch : Batch
    received_at_ms : int
        [ms since 1970, UTC]
    feed : int
        `WAITING` when the rows must go on to a server store, else `NOT_FED`.

    Raises
    ------
    BadBatch
        When a limit of the store is exceeded: outboxes, channels, length of a hole. Nothing may be committed.
    """
    place = find_outbox(tx, batch.site, batch.node, batch.outbox_id)
    outbox = place.id
    missing = batch.lowest_kept - 1 - place.received
    if missing > MAX_HOLE:
        raise BadBatch(f"lowest_kept: found {missing} readings missing before it, expected at most {MAX_HOLE}")
    overlapping = _spans(tx, outbox, batch.first, batch.last)
    duplicates = conflicts = 0
    runs = [(batch.first, batch.last)]
    if overlapping:
        kept = [(first, last) for first, last, kind in overlapping if kind == KEPT]
        runs = subtract(runs[0], kept)
        duplicates, conflicts = _compare(tx, outbox, [r for r in batch.readings if not _inside(r.seq, runs)])
    proves = batch.before is not None  # an agent that compares digests: in agreement and in order, or not at all
    refused = proves and (conflicts > 0 or _breaks_off(tx, place, batch))
    hole = 0
    if refused:
        conflicts = len(batch.readings)
    else:
        hole = _note_hole(tx, outbox, place.received + 1, batch.lowest_kept - 1, received_at_ms)
        refused = proves and batch.first > place.received + 1 and _advance(tx, outbox, place.received) < batch.first - 1
    if refused:
        runs, duplicates = [], 0
    else:
        _give_way(tx, outbox, runs, [span for span in overlapping if span[2] != KEPT])
        _insert(tx, channels, outbox, batch.columns, runs, received_at_ms, feed)
    received = _advance(tx, outbox, place.received)
    _note_receipt(tx, place, received, batch if runs else None, received_at_ms)
    tx.execute(
        "UPDATE outbox SET duplicates = duplicates + ?1, conflicts = conflicts + ?2, holes = holes + ?3, "
        "heard_at_ms = ?4, conflict_at_ms = CASE WHEN ?2 > 0 THEN ?4 ELSE conflict_at_ms END, "
        "follows = CASE WHEN ?5 = '' THEN follows ELSE ?5 END WHERE id = ?6",
        (duplicates, conflicts, hole, received_at_ms, batch.follows, outbox),
    )
    new = sum(last - first + 1 for first, last in runs)
    return Appended(new, duplicates, conflicts, hole, received, refused)


RECORDED = np.dtype(
    [
        ("place", "<i2"),  # of its channel among those of the record
        ("measured_at_ms", "<i8"),
        ("raw", "<f8"),  # NaN where there is none
        ("status", "u1"),
        ("received_at_ms", "<i8"),
    ]
)
"""A reading of a file, on its way into the journal."""


@dataclass(frozen=True, slots=True)
class RecordedOutbox:
    """The outbox of a file's readings: site, node and identifier."""

    site: str
    node: str
    outbox_id: str


def keep_recorded(
    tx: Connection,
    channels: Channels,
    outbox: RecordedOutbox,
    names: Sequence[str],
    first_seq: int,
    recorded: np.ndarray,
    at_ms: int,
    *,
    feed: int = NOT_FED,
) -> int:
    """Store readings of a file that come next in its outbox, and move its receipt. Returns the receipt.

    Parameters
    ----------
    tx : Connection
        With a transaction open.
    channels : Channels
        Names to numbers.
    outbox : RecordedOutbox
        Named by what is in the file, so that a number of it is always the same reading.
    names : sequence of str
        Channels of the record.
    first_seq : int
        One more than the receipt.
    recorded : ndarray of RECORDED, shape (n,)
    at_ms : int
        Now. [ms since 1970, UTC]
    feed : int
        As of `keep_batch`.

    Raises
    ------
    BadBatch
        When a limit of the store is exceeded, or these are not the next. Nothing may be committed.
    """
    place = find_outbox(tx, outbox.site, outbox.node, outbox.outbox_id)
    if place.received != first_seq - 1:
        raise BadBatch(f"seq: found {first_seq}, expected {place.received + 1}: the next of {outbox.outbox_id}")
    numbers = channels.numbers(tx, names)
    rows = np.zeros(len(recorded), dtype=ROW)
    rows["channel"] = np.array([numbers[name] for name in names], dtype=np.int32)[recorded["place"]]
    for name in ("measured_at_ms", "raw", "status"):
        rows[name] = recorded[name]
    rows["slot"] = np.maximum(recorded["measured_at_ms"] // 1000, 1)
    rows["attempts"], rows["clock_ok"] = 1, 1
    for a, b in _recorded_runs(rows, recorded["received_at_ms"], whole=feed == NOT_FED):
        run, received = rows[a:b], recorded["received_at_ms"][a:b]
        one = bool((received == received[0]).all())
        packed = run.tobytes() if one else squeeze(run, received)
        _keep_run(tx, (place.id, first_seq + a, first_seq + b - 1), run, packed, None, int(received[-1]), feed=feed,
                  squeezed=int(not one))  # fmt: skip
    tx.executemany(NOTE_EDGES, [(place.id, *edge) for edge in channel_edges(rows)])
    last = first_seq + len(rows) - 1
    _note_receipt(tx, place, last, None, at_ms)
    tx.execute("UPDATE outbox SET heard_at_ms = ? WHERE id = ?", (at_ms, place.id))
    return last


def _recorded_runs(rows: np.ndarray, received_ms: np.ndarray, *, whole: bool) -> Iterable[tuple[int, int]]:
    """From where to where each run of a record goes: not back in time, since a run is looked up by its first and last,
    and of one time of receipt unless the `whole` may be squeezed."""
    ends = np.diff(rows["measured_at_ms"]) < 0
    if not whole:
        ends |= np.diff(received_ms) != 0
    edges = [0, *(np.flatnonzero(ends) + 1).tolist(), len(rows)]
    for a, b in itertools.pairwise(edges):
        for first in range(a, b, RECORDED_RUN):
            yield first, min(first + RECORDED_RUN, b)


def _breaks_off(tx: Connection, place: OutboxRow, batch: Batch) -> bool:
    """Whether the reading kept before a batch is another than the one that the batch says comes before it."""
    seq = batch.first - 1
    if not batch.before or seq < 1:
        return False
    if seq == place.digest_seq:
        return place.digest != batch.before
    stored = [r for run in runs_between(tx, place.id, seq, seq) for r in readings_of_run(tx, run) if r.seq == seq]
    return any(digest_of(reading) != batch.before for reading in stored)


def _note_receipt(tx: Connection, place: OutboxRow, received: int, batch: Batch | None, at_ms: int) -> None:
    """Store a receipt that has moved, with the digest of the last reading kept up to it, and whose turn it is.

    `batch` is what has just been kept, None for none.
    """
    moved = received != place.received
    if not moved and (batch is None or batch.first > received or batch.last <= place.digest_seq):
        return
    if batch is not None and batch.last == received:
        last: tuple[int, str] = (received, digest_of(batch.readings[-1]))
    else:
        found = tx.execute(LAST_RUN, (place.id, received)).fetchone()
        names = dict(tx.execute("SELECT id, name FROM channel").fetchall()) if found is not None else {}
        last = (place.digest_seq, place.digest) if found is None else digest_in_run(found, names, received)
    tx.execute(
        "UPDATE outbox SET received = ?1, digest_seq = ?2, digest = ?3, "
        "assigned = CASE WHEN assigned < ?1 THEN ?1 ELSE assigned END WHERE id = ?4",
        (received, *last, place.id),
    )
    if moved and batch is not None and (place.turn == 0 or place.turn < place.last_turn):
        tx.execute(
            "UPDATE outbox SET turn = ?, turns = turns + 1, turned_at_ms = ? WHERE id = ?",
            (place.last_turn + 1, at_ms, place.id),
        )


def keep_poison(tx: Connection, span: BatchSpan, at_ms: int) -> int:
    """Count a span whose payload could not be decoded as received. Returns the receipt."""
    place = find_outbox(tx, span.site, span.node, span.outbox_id)
    taken = [(first, last) for first, last, _ in _spans(tx, place.id, span.first, span.last)]
    runs = subtract((span.first, span.last), taken)
    _insert_spans(tx, place.id, runs, POISON, at_ms)
    received = _advance(tx, place.id, place.received)
    _note_receipt(tx, place, received, None, at_ms)
    tx.execute(
        "UPDATE outbox SET poisoned = poisoned + ?, heard_at_ms = ? WHERE id = ?",
        (sum(last - first + 1 for first, last in runs), at_ms, place.id),
    )
    return received


def find_outbox(tx: Connection, site: str, node: str, outbox_id: str) -> OutboxRow:
    """Return an outbox, entered when it is first heard of.

    Raises
    ------
    BadBatch
        When there are `MAX_OUTBOXES` already.
    """
    where = (site, node, outbox_id)
    query = (
        "SELECT id, received, digest_seq, digest, turn, "
        "(SELECT max(turn) FROM outbox WHERE site = ?1 AND node = ?2) FROM outbox "
        "WHERE site = ?1 AND node = ?2 AND outbox_id = ?3"
    )
    found = tx.execute(query, where).fetchone()
    if found is None:
        (count,) = tx.execute("SELECT count(*) FROM outbox").fetchone()
        if count >= MAX_OUTBOXES:
            raise BadBatch(f"outbox_id: found one more than {MAX_OUTBOXES}, expected at most that many on a site")
        tx.execute("INSERT INTO outbox (site, node, outbox_id) VALUES (?, ?, ?)", where)
        found = tx.execute(query, where).fetchone()
    return OutboxRow(*found)


def runs_between(connection: Connection, outbox: int, first: int, last: int) -> Iterator[Run]:
    """Yield the stored runs of an outbox that touch `first` to `last` and can be read, in order."""
    since = first
    while True:  # some at a time: all of them may be megabytes
        found = connection.execute(
            "SELECT s.first_seq, s.last_seq, s.received_at_ms, r.id, r.readings, r.named, s.squeezed FROM span s "
            "JOIN run r ON r.id = s.run WHERE s.outbox = ?1 AND s.last_seq >= ?2 AND s.first_seq <= ?3 "
            "AND s.first_seq >= coalesce((SELECT max(first_seq) FROM span WHERE outbox = ?1 AND first_seq <= ?2), 0) "
            "ORDER BY s.first_seq LIMIT ?4",
            (outbox, since, last, RUNS_AT_ONCE),
        ).fetchall()
        for begin, end, received_ms, run, packed, named, squeezed in found:
            rows = readable_rows(connection, run, end - begin + 1, packed, named, squeezed, received_ms)
            if rows is not None:
                yield Run(outbox, begin, end, received_ms, rows[0].tobytes(), named)
        if len(found) < RUNS_AT_ONCE or found[-1][1] >= last:
            return
        since = found[-1][1] + 1


def dating_of(connection: Connection, outbox: int, first: int, last: int) -> list[tuple[int, int, int]]:
    """Return what is dated again of an outbox between two numbers: first and last number, and by how much. [ms]"""
    return connection.execute(
        "SELECT first_seq, last_seq, by_ms FROM redated WHERE outbox = ? AND last_seq >= ? AND first_seq <= ? "
        "ORDER BY first_seq",
        (outbox, first, last),
    ).fetchall()


def timed_rows(connection: Connection, outbox: int, first: int, rows: np.ndarray) -> np.ndarray:
    """Return consecutive readings of an outbox, from a number on, at the times at which they were taken."""
    if rows["clock_ok"].all():
        return rows
    dating = dating_of(connection, outbox, first, first + len(rows) - 1)
    return dated(rows, first, dating) if dating else rows


def readable_rows(
    connection: Connection, run: int, count: int, packed: bytes, named: str | None, squeezed: bool, received_ms: int
) -> tuple[np.ndarray, np.ndarray] | None:
    """Return the `stored_rows` of a run of so many readings; None where they do not read, noted with what they were."""
    try:
        rows, received = stored_rows(packed, named, squeezed, received_ms)
        if not 0 < len(rows) <= count:
            raise DamagedBlock(f"found {len(rows)} readings, expected {count}")
        return rows, received
    except DamagedBlock as err:
        name = f"run {run}"
        if name not in connection.unreadable:
            connection.unreadable[name] = f"{_lost_with(connection, run)}: {err}"
        return None


def readable_runs(
    connection: Connection, runs: Iterable[tuple[int, int, bytes, str | None, bool, int]]
) -> list[tuple[np.ndarray, np.ndarray, str | None]]:
    """Return rows, times of receipt and slots that are texts of many runs, in order.

    Plain runs that follow on one another are read as one: a call for each would cost more than their rows. Those that
    do not read are left out, as of `readable_rows`, whose arguments each run gives.
    """
    parts: list[tuple[np.ndarray, np.ndarray, str | None]] = []
    for are_plain, group in itertools.groupby(runs, lambda run: run[3] is None and not run[4]):
        some = list(group)
        if are_plain and all(len(packed) == count * ROW.itemsize for _, count, packed, *_ in some):
            with contextlib.suppress(DamagedBlock):
                rows, _ = stored_rows(b"".join([packed for _, _, packed, *_ in some]), None, False, 0)
                received = np.repeat([received_ms for *_, received_ms in some], [count for _, count, *_ in some])
                parts.append((rows, received, None))
                continue
        each = [(readable_rows(connection, *run), run[3]) for run in some]
        parts += [(*read, named) for read, named in each if read is not None]
    return parts


def _lost_with(connection: Connection, run: int) -> str:
    """Return in words which readings a run held."""
    held = connection.execute(
        "SELECT o.node, s.first_seq, s.last_seq, s.first_ms, s.last_ms FROM span s JOIN outbox o ON o.id = s.outbox "
        "WHERE s.run = ?",
        (run,),
    ).fetchone()
    if held is None:
        return "readings that no span names"
    node, first, last, first_ms, last_ms = held
    return f"readings {first} to {last} of node {node}, {utc_text(first_ms)} to {utc_text(last_ms)}"


def readings_of_run(connection: Connection, run: Run) -> tuple[Reading, ...]:
    """Return the readings of a stored run."""
    names = dict(connection.execute("SELECT id, name FROM channel").fetchall())
    site, node, outbox_id = connection.execute(
        "SELECT site, node, outbox_id FROM outbox WHERE id = ?", (run.outbox,)
    ).fetchone()
    return unpack(run.packed, run.named, names, site, node, outbox_id, run.first)


def merge_runs(tx: Connection, before_ms: int) -> int:
    """Merge the first runs of consecutive readings received before a time into one, compressed. It loses nothing.

    Only runs that no server store waits for or was given; one that does not read stays as it is.

    Returns
    -------
    int
        How many runs became one; 0 when there is none left to merge.

    Raises
    ------
    ValueError
        When what was compressed does not read as what was stored: then nothing may be committed.
    """
    found = tx.execute(
        "SELECT s.outbox, s.first_seq, s.last_seq, s.received_at_ms, s.run, r.readings, r.named FROM span s "
        "JOIN run r ON r.id = s.run WHERE s.kind = ? AND s.feed = ? AND s.squeezed = 0 AND s.received_at_ms < ? "
        "ORDER BY s.outbox, s.first_seq LIMIT ?",
        (KEPT, NOT_FED, before_ms, MERGE_MOST_RUNS),
    )
    some: list[tuple[Any, ...]] = []
    for one in found:  # no more are read than are merged: all of them may be megabytes
        outbox, first, last, _, run, packed, named = one
        follows = some and outbox == some[-1][0] and first == some[-1][2] + 1
        if some and (not follows or last - some[0][1] >= MERGE_MOST_READINGS):
            break
        if readable_rows(tx, run, last - first + 1, packed, named, False, 0) is not None:
            some.append(one)
    if not some:
        return 0
    texts: list[str] = []
    parts = [rows_of(packed).copy() for *_, packed, _ in some]
    for rows, (*_, named) in zip(parts, some, strict=True):
        rows["slot"][rows["slot"] < 0] -= len(texts)  # texts are counted on
        texts += json.loads(named) if named else []
    rows = np.concatenate(parts)
    received = np.repeat([at_ms for _, _, _, at_ms, *_ in some], [len(part) for part in parts])
    packed = squeeze(rows, received)
    again, received_again = stored_rows(packed, json.dumps(texts), True, 0)
    if again.tobytes() != rows.tobytes() or received_again.tolist() != received.tolist():
        raise ValueError(f"run {some[0][4]}: found other readings after compressing, expected the same")
    outbox, first, last, at_ms = some[0][0], some[0][1], some[-1][2], int(received[-1])
    tx.execute("DELETE FROM span WHERE outbox = ? AND first_seq BETWEEN ? AND ?", (outbox, first, last))
    tx.executemany("DELETE FROM run WHERE id = ?", [(run,) for _, _, _, _, run, *_ in some])
    _keep_run(tx, (outbox, first, last), rows, packed, json.dumps(texts) if texts else None, at_ms, squeezed=1)
    return len(some)


def split_runs(tx: Connection) -> None:
    """Undo `merge_runs`: a server store is given each reading with the time at which it was received."""
    for outbox, first, last, run, packed, named in tx.execute(
        "SELECT s.outbox, s.first_seq, s.last_seq, s.run, r.readings, r.named FROM span s JOIN run r ON r.id = s.run "
        "WHERE s.squeezed = 1"
    ).fetchall():
        read = readable_rows(tx, run, last - first + 1, packed, named, True, 0)
        if read is None:
            continue
        rows, received = read
        tx.execute("DELETE FROM span WHERE outbox = ? AND first_seq = ?", (outbox, first))
        tx.execute("DELETE FROM run WHERE id = ?", (run,))
        begins = np.flatnonzero(np.diff(received, prepend=received[0] - 1)).tolist()
        for a, b in itertools.pairwise([*begins, len(rows)]):
            place = (outbox, first + a, first + b - 1)
            _keep_run(tx, place, rows[a:b], rows[a:b].tobytes(), named, int(received[a]))


def subtract(run: tuple[int, int], taken: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return what is left of a run of whole numbers, both ends included, without the sorted runs in `taken`."""
    first, last = run
    left = []
    for taken_first, taken_last in taken:
        if taken_first > last:
            break
        if taken_first > first:
            left.append((first, taken_first - 1))
        first = max(first, taken_last + 1)
    if first <= last:
        left.append((first, last))
    return left


def _insert(
    tx: Connection,
    channels: Channels,
    outbox: int,
    readings: ReadingColumns,
    runs: list[tuple[int, int]],
    received_at_ms: int,
    feed: int,
) -> None:
    """Write the runs of seq out of some readings."""
    for first, last in runs:
        fresh = readings[first - readings.first : last - readings.first + 1]
        rows, named = pack(fresh, channels.numbers(tx, set(fresh.channel)))
        _keep_run(tx, (outbox, first, last), rows, rows.tobytes(), named, received_at_ms, feed=feed)
        tx.executemany(NOTE_EDGES, [(outbox, *e) for e in channel_edges(timed_rows(tx, outbox, first, rows))])


def _keep_run(
    tx: Connection,
    place: tuple[int, int, int],
    rows: np.ndarray,
    packed: bytes,
    named: str | None,
    received_at_ms: int,
    *,
    feed: int = NOT_FED,
    squeezed: int = 0,
) -> None:
    """Write a run, its span (outbox, first and last seq), and how long the longest run of the outbox lasts."""
    (run,) = tx.execute("INSERT INTO run (readings, named) VALUES (?, ?) RETURNING id", (packed, named)).fetchone()
    times = timed_rows(tx, place[0], place[1], rows)["measured_at_ms"]
    first_ms, last_ms = int(times.min()), int(times.max())
    tx.execute(
        "INSERT INTO span VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 0, NULL, ?)",
        (*place, KEPT, run, first_ms, last_ms, received_at_ms, feed, squeezed),
    )
    tx.execute("UPDATE outbox SET longest_ms = ?1 WHERE id = ?2 AND longest_ms < ?1", (last_ms - first_ms, place[0]))


def _insert_spans(tx: Connection, outbox: int, runs: list[tuple[int, int]], kind: int, at_ms: int) -> None:
    tx.executemany(
        "INSERT INTO span VALUES (?, ?, ?, ?, NULL, NULL, NULL, ?, 0, 0, NULL, 0)",
        [(outbox, first, last, kind, at_ms) for first, last in runs],
    )


def _spans(tx: Connection, outbox: int, first: int, last: int) -> list[tuple[int, int, int]]:
    """Return spans that touch `first` to `last`, in order: (first, last, kind)."""
    rows = tx.execute(
        "SELECT first_seq, last_seq, kind FROM span WHERE outbox = ?1 AND first_seq <= ?3 AND first_seq >= coalesce("
        "(SELECT max(first_seq) FROM span WHERE outbox = ?1 AND first_seq <= ?2), ?2) ORDER BY first_seq",
        (outbox, first, last),
    )
    return [row for row in rows if row[1] >= first]


def _compare(tx: Connection, outbox: int, again: list[Reading]) -> tuple[int, int]:
    """Count readings heard before: those that agree with what is stored, and those that do not."""
    if not again:
        return 0, 0
    stored = {
        r.seq: r for run in runs_between(tx, outbox, again[0].seq, again[-1].seq) for r in readings_of_run(tx, run)
    }
    # A reading that has moved on to a server store cannot be compared, and counts as the same.
    conflicts = sum(stored.get(r.seq, r) != r for r in again)
    return len(again) - conflicts, conflicts


def _give_way(tx: Connection, outbox: int, runs: list[tuple[int, int]], lost: list[tuple[int, int, int]]) -> None:
    """Cut out of holes and poison what has arrived after all."""
    counter = {POISON: "poisoned", HOLE: "holes"}
    for first, last, kind in lost:
        left = subtract((first, last), [run for run in runs if run[1] >= first and run[0] <= last])
        found = (last - first + 1) - sum(b - a + 1 for a, b in left)
        if found == 0:
            continue
        (at_ms,) = tx.execute(
            "SELECT received_at_ms FROM span WHERE outbox = ? AND first_seq = ?", (outbox, first)
        ).fetchone()
        tx.execute("DELETE FROM span WHERE outbox = ? AND first_seq = ?", (outbox, first))
        _insert_spans(tx, outbox, left, kind, at_ms)
        tx.execute(f"UPDATE outbox SET {counter[kind]} = {counter[kind]} - ? WHERE id = ?", (found, outbox))


def _note_hole(tx: Connection, outbox: int, first: int, last: int, at_ms: int) -> int:
    """Enter what is missing from `first` to `last`, which the agent no longer holds. Returns how many are lost."""
    if last < first:
        return 0
    taken = [(a, b) for a, b, _ in _spans(tx, outbox, first, last)]
    runs = subtract((first, last), taken)
    _insert_spans(tx, outbox, runs, HOLE, at_ms)
    return sum(b - a + 1 for a, b in runs)


def _advance(tx: Connection, outbox: int, received: int) -> int:
    """Return the receipt moved over every span that follows on without a gap."""
    if received >= MAX_SEQ:  # an earlier version let it as far as SQLite goes, where adding one fails
        return received
    while True:
        found = tx.execute(
            "SELECT first_seq, last_seq FROM span WHERE outbox = ?1 AND first_seq >= coalesce("
            "(SELECT max(first_seq) FROM span WHERE outbox = ?1 AND first_seq <= ?2), ?2) ORDER BY first_seq LIMIT ?3",
            (outbox, received + 1, SPANS_AT_ONCE),
        ).fetchall()
        before = received
        for first, last in found:
            if first > received + 1:
                return received
            received = max(received, last)
        if len(found) < SPANS_AT_ONCE or received == before:
            return received


def _inside(seq: int, runs: list[tuple[int, int]]) -> bool:
    return any(first <= seq <= last for first, last in runs)


def unworked(database: SqlDatabase, worked: Mapping[str, int]) -> list[tuple[str, int, int]]:
    """Return channel, first and last time of the readings beyond what was worked on.

    Where some were dated again there is a span more: one from before, another from after.

    Parameters
    ----------
    database : SqlDatabase
        The journal's.
    worked : mapping of str to int
        Receipt of each outbox, by `site/node/outbox_id`, up to which the stages have seen everything. An outbox that
        is not named was never worked on.

    Returns
    -------
    list of (str, int, int)
        Channel id, first and last measured_at_ms, both included. [ms since 1970, UTC]
    """
    found = []
    with database.reading() as connection:
        outboxes = connection.execute(
            "SELECT id, site || '/' || node || '/' || outbox_id FROM outbox ORDER BY id"
        ).fetchall()
        names = dict(connection.execute("SELECT id, name FROM channel").fetchall())
        for number, name in outboxes:
            since = min(worked.get(name, 0), MAX_SEQ)
            before: dict[int, tuple[int, int]] = {}  # as they were sent, and
            after: dict[int, tuple[int, int]] = {}  # as they are dated now
            for run in runs_between(connection, number, since + 1, MAX_SEQ):
                sent, behind = rows_of(run.packed), max(0, since + 1 - run.first)
                for spans, rows in ((before, sent), (after, timed_rows(connection, number, run.first, sent))):
                    for channel, first_ms, last_ms in channel_edges(rows[behind:]):
                        known = spans.get(channel, (first_ms, last_ms))
                        spans[channel] = min(first_ms, known[0]), max(last_ms, known[1])
            for channel in sorted(before.keys() & names.keys()):
                found += [(names[channel], *span) for span in dict.fromkeys((before[channel], after[channel]))]
    return found
