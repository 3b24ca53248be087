"""The one door to SQLite: opens the file, sets it so that a commit survives a power cut, runs transactions.

One connection writes, behind a lock; readers have their own and never wait for it. Every fault of the disk or of a
lock leaves here as a StoreFault; a fault of our own SQL is a bug and is let through.

The tables are made by numbered steps: each is applied once, in order, and committed together with the record of itself.
A step that has been released is never changed; a change is a new step. A file of a later version is refused, because an
old program would write it wrongly without noticing.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.errors import StoreAway, StoreFault, StoreForeign, StoreFull, StoreTooNew
from pipeline.store.packed import KEEP_DAY, NOTE_EDGES, OBSERVED, by_day, channel_edges, day_row, rows_of

Connection = sqlite3.Connection

BUSY_S = 5.0  # how long to wait for another process that writes, for example a recompute
IDLE_READERS = 8  # reading connections kept open; more are opened when needed and closed after
CACHE_KIB = 32 * 1024
READER_CACHE_KIB = 4 * 1024  # what readers ask for again is kept by the system; eight full caches would be 256 MB
WAL_PAGES = 4000  # pages in the write-ahead log before they are carried over; 16 MB spares rewriting busy pages
WAL_KEPT_BYTES = 64 * 1024 * 1024  # the log is cut back to this after a large transaction

_AWAY = {
    sqlite3.SQLITE_BUSY: "another process holds the database",
    sqlite3.SQLITE_LOCKED: "another connection holds a table",
    sqlite3.SQLITE_IOERR: "the disk does not read or write",
    sqlite3.SQLITE_CANTOPEN: "the file cannot be opened",
    sqlite3.SQLITE_READONLY: "the file may not be written",
    sqlite3.SQLITE_PERM: "the file may not be opened",
    sqlite3.SQLITE_CORRUPT: "the file is damaged: restore it from a backup",
    sqlite3.SQLITE_PROTOCOL: "the lock protocol is disturbed: is the file on a network disk?",
}


@dataclass(frozen=True, slots=True)
class Migration:
    """One numbered step. `statements`, SQL or functions of a connection, run in order inside one transaction."""

    number: int
    name: str
    statements: tuple[str | Callable[[Connection], None], ...]


CUSTODY = (
    # One row for each outbox file ever heard. `received` is the receipt: all up to it are on this disk, or known lost.
    """CREATE TABLE outbox (
        id INTEGER PRIMARY KEY, site TEXT NOT NULL, node TEXT NOT NULL, outbox_id TEXT NOT NULL,
        received INTEGER NOT NULL DEFAULT 0, duplicates INTEGER NOT NULL DEFAULT 0,
        conflicts INTEGER NOT NULL DEFAULT 0, holes INTEGER NOT NULL DEFAULT 0, poisoned INTEGER NOT NULL DEFAULT 0,
        heard_at_ms INTEGER NOT NULL DEFAULT 0, UNIQUE (site, node, outbox_id))""",
    "CREATE TABLE channel (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)",
    # The readings of one kept span, packed (see pipeline.store.readings): a batch is one row, so a commit is cheap.
    "CREATE TABLE run (id INTEGER PRIMARY KEY, readings BLOB NOT NULL, named TEXT)",
    # Runs of seq that never overlap: kept (1), poison (2) or hole (3). They carry the contiguity of the receipt, the
    # times by which readings are found again, and for a server store whether the run waits (1) or was read back (2).
    """CREATE TABLE span (
        outbox INTEGER NOT NULL, first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL, kind INTEGER NOT NULL,
        run INTEGER, first_ms INTEGER, last_ms INTEGER, received_at_ms INTEGER NOT NULL,
        feed INTEGER NOT NULL DEFAULT 0, feed_tries INTEGER NOT NULL DEFAULT 0, read_back_ms INTEGER,
        PRIMARY KEY (outbox, first_seq)) WITHOUT ROWID""",
    "CREATE INDEX span_by_time ON span (outbox, last_ms) WHERE kind = 1",
    "CREATE INDEX span_waiting ON span (feed_tries, received_at_ms) WHERE feed = 1",
    "CREATE INDEX span_read_back ON span (read_back_ms) WHERE feed = 2",
    # Which outboxes ever carried a channel, so that a search leaves the others alone.
    "CREATE TABLE carries (channel INTEGER, outbox INTEGER, PRIMARY KEY (channel, outbox)) WITHOUT ROWID",
    """CREATE TABLE quarantine (
        id INTEGER PRIMARY KEY AUTOINCREMENT, at_ms INTEGER NOT NULL, topic TEXT NOT NULL, reason TEXT NOT NULL,
        size_bytes INTEGER NOT NULL, payload BLOB NOT NULL)""",
)

SERIES = (
    # What a stage calls its version, a number or a text, once; rows carry its number.
    "CREATE TABLE stage_version (id INTEGER PRIMARY KEY, label NOT NULL UNIQUE)",
    """CREATE TABLE observation (
        channel INTEGER NOT NULL, measured_at_ms INTEGER NOT NULL, raw REAL, value REAL, flag INTEGER NOT NULL,
        stage_version INTEGER NOT NULL, received_at_ms INTEGER NOT NULL,
        PRIMARY KEY (channel, measured_at_ms)) WITHOUT ROWID""",
    """CREATE TABLE daily (
        channel INTEGER NOT NULL, day INTEGER NOT NULL, low REAL NOT NULL, mean REAL NOT NULL, high REAL NOT NULL,
        n INTEGER NOT NULL, PRIMARY KEY (channel, day)) WITHOUT ROWID""",
    """CREATE TABLE finding_series (
        id INTEGER PRIMARY KEY, station TEXT NOT NULL, quantity TEXT NOT NULL, UNIQUE (station, quantity))""",
    """CREATE TABLE finding (
        series INTEGER NOT NULL, start_ms INTEGER NOT NULL, end_ms INTEGER NOT NULL, value REAL, low REAL, high REAL,
        n INTEGER NOT NULL, reason TEXT, stage_version INTEGER NOT NULL,
        PRIMARY KEY (series, start_ms)) WITHOUT ROWID""",
)

PEOPLE_AND_ALERTS = (
    """CREATE TABLE diary (
        id INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, surface TEXT NOT NULL, station TEXT,
        at_ms INTEGER NOT NULL, end_ms INTEGER, body TEXT NOT NULL, author TEXT NOT NULL,
        written_at_ms INTEGER NOT NULL, struck_at_ms INTEGER)""",
    "CREATE INDEX diary_by_time ON diary (at_ms)",
    "CREATE TABLE alert_state (key TEXT PRIMARY KEY, state TEXT NOT NULL) WITHOUT ROWID",
    """CREATE TABLE event (
        number INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE, at_ms INTEGER NOT NULL,
        body TEXT NOT NULL)""",
    "CREATE INDEX event_by_time ON event (at_ms)",
    """CREATE TABLE event_sent (
        destination TEXT NOT NULL, number INTEGER NOT NULL, sent_at_ms INTEGER NOT NULL,
        PRIMARY KEY (destination, number)) WITHOUT ROWID""",
)

DIARY_KEYS = (
    # Under which key a writer sent an entry, so that what is sent twice is written once.
    "CREATE TABLE diary_key (key TEXT PRIMARY KEY, entry INTEGER NOT NULL) WITHOUT ROWID",
)

MESSAGES = (
    # A recipient of messages: events up to `after` are done with, and the local date of the last digest.
    """CREATE TABLE told_way (
        name TEXT PRIMARY KEY, after INTEGER NOT NULL, last_digest TEXT NOT NULL) WITHOUT ROWID""",
    # Messages are kept before they are sent, so that a repeat has the same id and the same words.
    """CREATE TABLE message (
        number INTEGER PRIMARY KEY AUTOINCREMENT, way TEXT NOT NULL, id TEXT NOT NULL, at_ms INTEGER NOT NULL,
        kind TEXT NOT NULL, urgent INTEGER NOT NULL, body TEXT NOT NULL, sent_at_ms INTEGER, UNIQUE (way, id))""",
    "CREATE INDEX message_waiting ON message (way, urgent DESC, number) WHERE sent_at_ms IS NULL",
    # Events beyond `after` that are in a message, or need none.
    "CREATE TABLE event_told (way TEXT NOT NULL, number INTEGER NOT NULL, PRIMARY KEY (way, number)) WITHOUT ROWID",
)

NOTES = (
    # What a running part notes for its next start; until here the worker's and the notifier's stood among the alerts.
    "CREATE TABLE note (key TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID",
    "INSERT INTO note SELECT key, state FROM alert_state WHERE key IN ('worker/worked', 'notify/refused')",
    "DELETE FROM alert_state WHERE key IN ('worker/worked', 'notify/refused')",
)


def _find_edges(tx: Connection) -> None:
    """Enter when each outbox carried each channel first and last, out of the readings kept."""
    for outbox, packed in tx.execute(
        "SELECT s.outbox, r.readings FROM span s JOIN run r ON r.id = s.run WHERE s.kind = 1"
    ):
        tx.executemany(NOTE_EDGES, [(outbox, *edge) for edge in channel_edges(rows_of(packed))])


def _pack_observations(tx: Connection) -> None:
    """Move observations from rows into days. A channel at a time, so that the file need not hold both."""
    columns = "measured_at_ms, ifnull(raw, 9e999), ifnull(value, 9e999), received_at_ms, stage_version, flag"
    for (number,) in tx.execute("SELECT id FROM channel").fetchall():
        query = f"SELECT {columns} FROM observation WHERE channel = ? ORDER BY measured_at_ms"
        rows = np.fromiter(tx.execute(query, (number,)), dtype=OBSERVED)
        for name in ("raw", "value"):
            rows[name][~np.isfinite(rows[name])] = np.nan
        tx.executemany(KEEP_DAY, [day_row(number, day, part) for day, part in by_day(rows)])
        tx.execute("DELETE FROM observation WHERE channel = ?", (number,))


DAYS_AND_EDGES = (
    # Observations of one channel and day, packed (see pipeline.store.packed), with their roll-up. The id is the channel
    # and the day, so that the days of a channel lie side by side.
    """CREATE TABLE observation_day (
        id INTEGER PRIMARY KEY, size INTEGER NOT NULL, answered INTEGER NOT NULL, low REAL, mean REAL, high REAL,
        n INTEGER NOT NULL, packed BLOB NOT NULL)""",
    _pack_observations,
    "DROP TABLE observation",
    "DROP TABLE daily",
    # When a channel was carried first and last, and how long the longest run of an outbox lasts: by these a span is
    # looked for on both sides.
    "ALTER TABLE carries ADD COLUMN first_ms INTEGER",
    "ALTER TABLE carries ADD COLUMN last_ms INTEGER",
    _find_edges,
    "ALTER TABLE outbox ADD COLUMN longest_ms INTEGER NOT NULL DEFAULT 0",
    "UPDATE outbox SET longest_ms = "
    "(SELECT coalesce(max(last_ms - first_ms), 0) FROM span WHERE outbox = outbox.id AND kind = 1)",
)

MERGED_RUNS = (
    # Whether the run of a span is several, merged and compressed.
    "ALTER TABLE span ADD COLUMN squeezed INTEGER NOT NULL DEFAULT 0",
)

MIGRATIONS = (
    Migration(1, "readings in custody", CUSTODY),
    Migration(2, "observations and findings", SERIES),
    Migration(3, "diary, alert state and events", PEOPLE_AND_ALERTS),
    Migration(4, "keys of diary entries", DIARY_KEYS),
    Migration(5, "messages to people", MESSAGES),
    Migration(6, "notes beside the alerts", NOTES),
    Migration(7, "observations in days, edges of channels", DAYS_AND_EDGES),
    Migration(8, "old runs merged", MERGED_RUNS),
)


class Database:
    """One SQLite file, opened, migrated, and safe to use from several threads.

    Parameters
    ----------
    path : Path
        The file. Its folder must exist; the file is made when it does not.
    max_bytes : int, optional
        Bound of the file. [bytes] Reaching it raises StoreFull and leaves what is kept readable.

    Raises
    ------
    StoreAway, StoreFull
        When the file cannot be opened or brought to this version.
    StoreTooNew, StoreForeign
        When a later version wrote it, or it is another program's.
    """

    def __init__(self, path: Path, *, max_bytes: int | None = None) -> None:
        self.path = path
        self._lock = threading.RLock()
        self._depth = 0
        self._when_undone: list[Callable[[], None]] = []
        self._closed = False
        self._idle: list[sqlite3.Connection] = []
        self._idle_lock = threading.Lock()
        with self._translated():
            self._writer = self._connect()
            try:
                self._writer.execute("PRAGMA journal_mode = WAL")
                self._writer.execute("PRAGMA synchronous = FULL")
                self._writer.execute(f"PRAGMA wal_autocheckpoint = {WAL_PAGES}")
                self._writer.execute(f"PRAGMA journal_size_limit = {WAL_KEPT_BYTES}")
                if max_bytes is not None:
                    page = self._writer.execute("PRAGMA page_size").fetchone()[0]
                    self._writer.execute(f"PRAGMA max_page_count = {max(1, max_bytes // page)}")
                migrate(self._writer, str(path))
            except BaseException:
                self._writer.close()
                raise

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """One atomic, durable change: committed and synced when the block ends, undone when it raises.

        A transaction inside a transaction is a part of it: undone by itself when it raises, committed with the outer.
        """
        with self._lock, self._translated():
            part = f"part_{self._depth}"
            begin, end, undo = "BEGIN IMMEDIATE", "COMMIT", ["ROLLBACK"]
            if self._depth:
                begin, end, undo = f"SAVEPOINT {part}", f"RELEASE {part}", [f"ROLLBACK TO {part}", f"RELEASE {part}"]
            self._writer.execute(begin)
            self._depth += 1
            try:
                yield self._writer
                self._writer.execute(end)
            except BaseException:
                self._undo(undo)
                raise
            finally:
                self._depth -= 1

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection for reading what is committed; it cannot write and never waits for the writer."""
        with self._translated():
            with self._idle_lock:
                connection = self._idle.pop() if self._idle else None
            if connection is None:
                connection = self._connect()
                connection.execute("PRAGMA query_only = ON")
                connection.execute(f"PRAGMA cache_size = -{READER_CACHE_KIB}")
            try:
                yield connection
            except BaseException:
                connection.close()
                raise
            with self._idle_lock:
                if len(self._idle) < IDLE_READERS and not self._closed:
                    self._idle.append(connection)
                    return
            connection.close()

    @contextmanager
    def snapshot(self) -> Iterator[Connection]:
        """A connection for reading, on which several queries see the same state."""
        with self.reading() as connection:
            connection.execute("BEGIN")
            yield connection
            connection.execute("COMMIT")

    def used_bytes(self) -> tuple[int, int]:
        """Return how much of the file is in use, and its size. [bytes]"""
        with self.reading() as connection:
            pages, free, page = (
                int(connection.execute(f"PRAGMA {name}").fetchone()[0])
                for name in ("page_count", "freelist_count", "page_size")
            )
        return (pages - free) * page, pages * page

    def when_undone(self, forget: Callable[[], None]) -> None:
        """Have `forget` called whenever a transaction is undone: for whoever remembers what it learned in one."""
        self._when_undone.append(forget)

    def close(self) -> None:
        """Close every connection. Nothing waits to be written: each transaction was synced by itself."""
        with self._lock, self._idle_lock:
            self._closed = True
            for connection in [*self._idle, self._writer]:
                connection.close()
            self._idle.clear()

    def _connect(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self.path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA temp_store = MEMORY")
        connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
        return connection

    def _undo(self, statements: Iterable[str]) -> None:
        for statement in statements:
            if self._writer.in_transaction:  # SQLite undoes all of it by itself on a full disk; no commit follows then
                self._writer.execute(statement)
        for forget in self._when_undone:
            forget()

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as err:
            fault = _fault(err, self.path)
            if fault is None:
                raise
            raise fault from err


def _fault(err: sqlite3.Error, path: Path) -> StoreFault | None:
    code = getattr(err, "sqlite_errorcode", None)
    if code is None:
        return None
    primary = code & 0xFF
    if primary == sqlite3.SQLITE_FULL:
        return StoreFull(f"{path}: found no room ({err}), expected free space on the disk or under the file's bound")
    if primary == sqlite3.SQLITE_NOTADB:
        return StoreForeign(f"{path}: found a file that is no SQLite database, expected one, or none")
    if primary in _AWAY:
        return StoreAway(f"{path}: {_AWAY[primary]} ({err})")
    return None


def migrate(connection: Connection, file: str, migrations: tuple[Migration, ...] = MIGRATIONS) -> int:
    """Bring a database to the last of `migrations`; returns how many steps were applied.

    Raises
    ------
    StoreTooNew
        When the file records a step this program does not know.
    StoreForeign
        When the file has tables but no record of steps: it is another program's.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
        if tables and "migration" not in tables:
            raise StoreForeign(
                f"{file}: found the tables of another program ({', '.join(sorted(tables)[:3])}), "
                "expected a database of this one. Name another file."
            )
        connection.execute("CREATE TABLE IF NOT EXISTS migration (number INTEGER PRIMARY KEY, name TEXT NOT NULL)")
        connection.execute("COMMIT")
    except BaseException:
        _roll_back(connection)
        raise
    applied = 0
    for migration in migrations:
        applied += _apply(connection, migration, file, last=migrations[-1].number)
    return applied


def _apply(connection: Connection, migration: Migration, file: str, *, last: int) -> int:
    """Apply one step unless it is recorded. Asked inside the transaction, so that two programs cannot both do it."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        found = connection.execute("SELECT coalesce(max(number), 0) FROM migration").fetchone()[0]
        if found > last:
            raise StoreTooNew(
                f"{file}: found a database of version {found}, expected at most {last}. "
                "Install the program that wrote it, or a later one."
            )
        if found < migration.number:
            for statement in migration.statements:
                statement(connection) if callable(statement) else connection.execute(statement)
            connection.execute("INSERT INTO migration VALUES (?, ?)", (migration.number, migration.name))
        connection.execute("COMMIT")
    except BaseException:
        _roll_back(connection)
        raise
    return int(found < migration.number)


def _roll_back(connection: Connection) -> None:
    if connection.in_transaction:
        connection.execute("ROLLBACK")
