"""The one door to SQLite: opens the file, sets it so that a commit survives a power cut, runs transactions, copies it.

One connection writes, behind a lock; readers have their own and never wait for it. Every fault of the disk or of a
lock leaves here as a StoreFault; a fault of our own SQL is a bug and is let through. Once the file was found damaged
nothing more is written into it: what is receipted then would not be safe.

The tables are made by numbered steps: each is applied once, in order, and committed together with the record of itself.
A step that has been released is never changed; a change is a new step. A file of a later version is refused, because an
old program would write it wrongly without noticing.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.errors import StoreAway, StoreDamaged, StoreFault, StoreForeign, StoreFull, StoreTooNew
from pipeline.store.packed import (
    KEEP_DAY,
    LAST_RUN,
    NOTE_EDGES,
    OBSERVED,
    by_day,
    channel_edges,
    day_row,
    digest_in_run,
    rows_of,
)


class Connection(sqlite3.Connection):
    """A connection of a Database, with that one's `unreadable`."""

    unreadable: dict[str, str]


BUSY_S = 5.0  # how long to wait for another process that writes, for example a recompute
IDLE_READERS = 8  # reading connections kept open; more are opened when needed and closed after
CACHE_KIB = 32 * 1024
READER_CACHE_KIB = 4 * 1024  # what readers ask for again is kept by the system; eight full caches would be 256 MB
WAL_PAGES = 4000  # pages in the write-ahead log before they are carried over; 16 MB spares rewriting busy pages
WAL_KEPT_BYTES = 64 * 1024 * 1024  # the log is cut back to this after a large transaction
FILE_MODE = 0o640  # nobody but owner and group reads it, whatever the umask; SQLite gives its other files the same
FAULTS_SHOWN = 5  # of a damaged file
LOOK_OPS = 100_000  # steps of SQLite's machine between two looks at whether to go on: some milliseconds
COPY_PAGES = 256  # copied at once: 1 MB
TO_RESTORE = "Nothing more is kept in it; the nodes keep their readings. Stop the service and restore the last backup."

_AWAY = {
    sqlite3.SQLITE_BUSY: "another process holds the database",
    sqlite3.SQLITE_LOCKED: "another connection holds a table",
    sqlite3.SQLITE_IOERR: "the disk does not read or write",
    sqlite3.SQLITE_CANTOPEN: "the file cannot be opened",
    sqlite3.SQLITE_READONLY: "the file may not be written",
    sqlite3.SQLITE_PERM: "the file may not be opened",
    sqlite3.SQLITE_PROTOCOL: "the lock protocol is disturbed: is the file on a network disk?",
}


@dataclass(frozen=True, slots=True)
class Migration:
    """One numbered step. `statements`, SQL or functions of a connection, run in order inside one transaction."""

    number: int
    name: str
    statements: tuple[str | Callable[[sqlite3.Connection], None], ...]


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


def _find_edges(tx: sqlite3.Connection) -> None:
    """Enter when each outbox carried each channel first and last, out of the readings kept."""
    for outbox, packed in tx.execute(
        "SELECT s.outbox, r.readings FROM span s JOIN run r ON r.id = s.run WHERE s.kind = 1"
    ):
        tx.executemany(NOTE_EDGES, [(outbox, *edge) for edge in channel_edges(rows_of(packed))])


def _pack_observations(tx: sqlite3.Connection) -> None:
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


def _find_digests(tx: sqlite3.Connection) -> None:
    """Enter the digest of the last reading kept up to each receipt; those that a server store took over have none."""
    names = dict(tx.execute("SELECT id, name FROM channel").fetchall())
    for number, received in tx.execute("SELECT id, received FROM outbox").fetchall():
        last = tx.execute(LAST_RUN, (number, received)).fetchone()
        if last is not None:
            tx.execute(
                "UPDATE outbox SET digest_seq = ?, digest = ? WHERE id = ?",
                (*digest_in_run(last, names, received), number),
            )


CUSTODY_PROVED = (
    # The last reading kept up to the receipt: its number and digest. When readings of this outbox last contradicted
    # those kept, the outbox it took the place of, and the highest number it is known to have given out.
    "ALTER TABLE outbox ADD COLUMN digest_seq INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE outbox ADD COLUMN digest TEXT NOT NULL DEFAULT ''",
    _find_digests,
    "ALTER TABLE outbox ADD COLUMN conflict_at_ms INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE outbox ADD COLUMN follows TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE outbox ADD COLUMN assigned INTEGER NOT NULL DEFAULT 0",
    "UPDATE outbox SET assigned = received",
    # Outboxes of a node take turns: which turn this one had last, how many it has had, and since when it has this one.
    # A node that begins a new outbox never goes back to the old one; two nodes of one name do.
    "ALTER TABLE outbox ADD COLUMN turn INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE outbox ADD COLUMN turns INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE outbox ADD COLUMN turned_at_ms INTEGER NOT NULL DEFAULT 0",
    "UPDATE outbox SET turns = 1, turned_at_ms = heard_at_ms, turn = (SELECT count(*) FROM outbox AS o WHERE "
    "o.site = outbox.site AND o.node = outbox.node AND (o.heard_at_ms, o.id) <= (outbox.heard_at_ms, outbox.id))",
)

REDATED = (
    # By how much readings were taken later than they say, because their node's clock was set only after they were sent.
    # The times are those they say; `readings` is how many they are, 0 where none of them is kept as a reading.
    """CREATE TABLE redated (
        outbox INTEGER NOT NULL, first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL, by_ms INTEGER NOT NULL,
        first_ms INTEGER, last_ms INTEGER, readings INTEGER NOT NULL, at_ms INTEGER NOT NULL,
        PRIMARY KEY (outbox, first_seq)) WITHOUT ROWID""",
)

# Nothing is rewritten: from here on a reading's row may carry `packed.NOISY`, which an earlier program took for tries.
NOISY_ROWS: tuple[str, ...] = ()

PEOPLE = (
    # Of secrets only what cannot be turned back stands here: Argon2 of a password, SHA-256 of a random token.
    """CREATE TABLE person (
        id INTEGER PRIMARY KEY AUTOINCREMENT, name TEXT NOT NULL, folded TEXT NOT NULL UNIQUE,
        password TEXT NOT NULL DEFAULT '', added_at_ms INTEGER NOT NULL)""",
    """CREATE TABLE person_role (
        person INTEGER NOT NULL REFERENCES person ON DELETE CASCADE, site TEXT NOT NULL, role TEXT NOT NULL,
        PRIMARY KEY (person, site)) WITHOUT ROWID""",
    # Sessions and invitations belong to a person, whose role holds; tokens and links have a name and a role.
    """CREATE TABLE credential (
        digest TEXT PRIMARY KEY, kind TEXT NOT NULL, site TEXT NOT NULL,
        person INTEGER REFERENCES person ON DELETE CASCADE, name TEXT NOT NULL, role TEXT NOT NULL,
        made_at_ms INTEGER NOT NULL, used_at_ms INTEGER, ends_at_ms INTEGER NOT NULL) WITHOUT ROWID""",
    "CREATE INDEX credential_of_person ON credential (person)",
    """CREATE TABLE audit (
        id INTEGER PRIMARY KEY AUTOINCREMENT, at_ms INTEGER NOT NULL, site TEXT NOT NULL, who TEXT NOT NULL,
        what TEXT NOT NULL)""",
)

SENT_AS = (
    # The identity that a writer gave an entry stands with it; until here in a table beside.
    "ALTER TABLE diary ADD COLUMN sent_as TEXT",
    "UPDATE diary SET sent_as = (SELECT key FROM diary_key WHERE entry = diary.id)",
    "DROP TABLE diary_key",
    "CREATE UNIQUE INDEX diary_sent_as ON diary (sent_as) WHERE sent_as IS NOT NULL",
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
    Migration(9, "digests of receipts, turns of outboxes", CUSTODY_PROVED),
    Migration(10, "readings dated again", REDATED),
    Migration(11, "readings of noisy lines", NOISY_ROWS),
    Migration(12, "people, sessions, audit", PEOPLE),
    Migration(13, "identities of diary entries", SENT_AS),
)


class Database:
    """One SQLite file, opened, migrated, and safe to use from several threads.

    Parameters
    ----------
    path : Path
        The file. Its folder must exist; the file is made when it does not.
    max_bytes : int, optional
        Bound of the file. [bytes] Reaching it raises StoreFull and leaves what is kept readable.

    Attributes
    ----------
    damage : str
        Why nothing more is written: what was found damaged, and what to do. Empty while nothing was.
    unreadable : dict of str to str
        Blocks of readings or observations that do not read, each with what it held. They are left out of answers.

    Raises
    ------
    StoreAway, StoreFull
        When the file cannot be opened or brought to this version.
    StoreDamaged
        When it does not read.
    StoreTooNew, StoreForeign
        When a later version wrote it, or it is another program's.
    """

    def __init__(self, path: Path, *, max_bytes: int | None = None) -> None:
        self.path = path
        self.damage = ""
        self.unreadable: dict[str, str] = {}
        self._lock = threading.RLock()
        self._depth = 0
        self._when_undone: list[Callable[[], None]] = []
        self._closed = False
        self._idle: list[Connection] = []
        self._idle_lock = threading.Lock()
        with self._translated():
            _close_to_others(path)
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

        Raises
        ------
        StoreDamaged
            Once the file was found damaged, before anything is tried.
        """
        with self._lock, self._translated():
            if self.damage:
                raise StoreDamaged(self.damage)
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

    def check(self, *, whole: bool, go_on: Callable[[], bool]) -> bool:
        """Look for damage, beside everything else, and remember it in `damage`.

        Parameters
        ----------
        whole : bool
            Whether indexes are held against their tables too, which takes several times as long.
        go_on : callable
            Asked every few milliseconds; the check is given up once it says no.

        Returns
        -------
        bool
            Whether it was finished.

        Raises
        ------
        StoreDamaged
            With what was found.
        StoreAway
        """
        if self.damage:
            raise StoreDamaged(self.damage)
        with self.reading() as connection:
            connection.set_progress_handler(lambda: not go_on(), LOOK_OPS)
            try:
                faults = faults_of(connection, whole=whole)
            except sqlite3.OperationalError as err:
                if err.sqlite_errorcode != sqlite3.SQLITE_INTERRUPT:
                    raise
                return False
            finally:
                connection.set_progress_handler(None, 0)
        if faults:
            self.damage = _damaged(self.path, "; ".join(faults))
            raise StoreDamaged(self.damage)
        return True

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

    def _connect(self) -> Connection:
        connection = sqlite3.connect(
            self.path, timeout=BUSY_S, isolation_level=None, check_same_thread=False, factory=Connection
        )
        connection.unreadable = self.unreadable
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
            if isinstance(fault, StoreDamaged):
                self.damage = self.damage or str(fault)
            raise fault from err


def _close_to_others(path: Path) -> None:
    """Make the file if there is none, and take away what others than its owner and group may do with it.

    One that is there is not opened: to close it again would end the locks of every connection of this process to it
    (SQLite, "How To Corrupt An SQLite Database File", 2.2).
    """
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, FILE_MODE))
    except FileExistsError:
        if (mode := path.stat().st_mode) & ~FILE_MODE & 0o777:
            with suppress(PermissionError):  # another user's, who decides who reads it
                path.chmod(mode & FILE_MODE)
    except OSError:
        return  # SQLite says it in its own words


def _damaged(path: Path, found: str) -> str:
    return f"{path}: found it damaged ({found}), expected a whole database. {TO_RESTORE}"


def _fault(err: sqlite3.Error, path: Path) -> StoreFault | None:
    code = getattr(err, "sqlite_errorcode", None)
    if code is None:
        return None
    primary = code & 0xFF
    if primary == sqlite3.SQLITE_FULL:
        return StoreFull(f"{path}: found no room ({err}), expected free space on the disk or under the file's bound")
    if primary == sqlite3.SQLITE_CORRUPT:
        return StoreDamaged(_damaged(path, str(err)))
    if primary == sqlite3.SQLITE_NOTADB:
        return StoreForeign(f"{path}: found a file that is no SQLite database, expected one, or none")
    if primary in _AWAY:
        return StoreAway(f"{path}: {_AWAY[primary]} ({err})")
    return None


# --- copies, and what is in them -------------------------------------------------------------------------------------


def faults_of(connection: sqlite3.Connection, *, whole: bool) -> list[str]:
    """Return what SQLite finds wrong with a database, a few faults at most; `whole` as of `Database.check`."""
    query = f"PRAGMA {'integrity' if whole else 'quick'}_check({FAULTS_SHOWN})"
    found = [str(text) for (text,) in connection.execute(query)]
    return [] if found == ["ok"] else [" ".join(text.split()) for text in found]


def rows_in(connection: sqlite3.Connection) -> dict[str, int]:
    """Return how many rows each table has, and how many readings are kept."""
    tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
    counts = {name: f'SELECT count(*) FROM "{name}"' for name in sorted(tables) if not name.startswith("sqlite_")}
    counts["readings"] = "SELECT ifnull(sum(last_seq - first_seq + 1), 0) FROM span WHERE kind = 1"
    return {name: int(connection.execute(query).fetchone()[0]) for name, query in counts.items()}


def version_of(connection: sqlite3.Connection) -> int:
    """Return the last step that a database was brought to, 0 for none."""
    return int(connection.execute("SELECT coalesce(max(number), 0) FROM migration").fetchone()[0])


def newest_step() -> int:
    """Return the last step that this program knows."""
    return MIGRATIONS[-1].number


def copy_database(path: Path, to: Path, progress: Callable[[int, int], None]) -> Mapping[str, int]:
    """Copy a database as it is at one moment into a new file, while others go on writing into it.

    The file is never brought to this program's version: an older one is copied as it is. The copy is not synced.

    Parameters
    ----------
    path, to : Path
    progress : callable
        Called with how much is copied and how much there is. [bytes] What it raises ends the copy.

    Returns
    -------
    mapping of str to int
        `rows_in` the database at that moment.

    Raises
    ------
    StoreFault
    """
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=BUSY_S)) as source:
            source.isolation_level = None
            source.execute("PRAGMA query_only = ON")
            size = source.execute("PRAGMA page_size").fetchone()[0]
            source.execute("BEGIN")  # held, so that what others commit meanwhile does not begin the copy anew
            rows = rows_in(source)
            _copy_pages(source, to, lambda _, left, all_: progress((all_ - left) * size, all_ * size))
            source.execute("COMMIT")
        return rows
    except sqlite3.Error as err:
        fault = _fault(err, path)
        if fault is None:
            raise
        raise fault from err


def _copy_pages(source: sqlite3.Connection, to: Path, progress: Callable[[int, int, int], None]) -> None:
    with closing(sqlite3.connect(to, isolation_level=None)) as copy:
        for setting in ("journal_mode = OFF", "synchronous = OFF"):  # a copy that is cut short is thrown away
            copy.execute(f"PRAGMA {setting}")
        try:
            source.backup(copy, pages=COPY_PAGES, progress=progress)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, that can be read where nothing may be written
        except sqlite3.Error as err:
            fault = _fault(err, to)
            if fault is None or isinstance(fault, StoreDamaged):
                raise
            raise fault from err


@contextmanager
def reading_copy(path: Path) -> Iterator[Connection]:
    """Open a copy that nobody writes, to look into it; nothing is made beside it.

    Raises
    ------
    StoreFault
    """
    try:
        uri = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
        with closing(sqlite3.connect(uri, uri=True, isolation_level=None, factory=Connection)) as connection:
            connection.unreadable = {}
            yield connection
    except sqlite3.Error as err:
        fault = _fault(err, path)
        if fault is None:
            raise
        raise fault from err


# --- the steps -------------------------------------------------------------------------------------------------------


def migrate(connection: sqlite3.Connection, file: str, migrations: tuple[Migration, ...] = MIGRATIONS) -> int:
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


def _apply(connection: sqlite3.Connection, migration: Migration, file: str, *, last: int) -> int:
    """Apply one step unless it is recorded. Asked inside the transaction, so that two programs cannot both do it."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        found = version_of(connection)
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


def _roll_back(connection: sqlite3.Connection) -> None:
    if connection.in_transaction:
        connection.execute("ROLLBACK")
