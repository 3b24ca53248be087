"""The one door to SQLite: opens the file, sets it so that a commit survives a power cut, runs transactions, copies it.

One connection writes, behind a lock; readers have their own and never wait for it. Every fault of the disk or of a
lock leaves here as a StoreFault; a fault of our own SQL is a bug and is let through. Once the file was found damaged
nothing more is written into it: what is receipted then would not be safe.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from pipeline.errors import StoreAway, StoreDamaged, StoreFault, StoreForeign, StoreFull
from pipeline.store.schema import migrate
from pipeline.store.sql import words_of_transaction


class SqliteConnection(sqlite3.Connection):
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
        self._idle: list[SqliteConnection] = []
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
                migrate(self._writer, str(path), lambda: tables_of(self._writer))
            except BaseException:
                self._writer.close()
                raise

    @contextmanager
    def transaction(self) -> Iterator[SqliteConnection]:
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
            begin, end, undo = words_of_transaction(self._depth)
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
    def reading(self) -> Iterator[SqliteConnection]:
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
    def snapshot(self) -> Iterator[SqliteConnection]:
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

    @property
    def place(self) -> str:
        """Return the file."""
        return str(self.path)

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

    @property
    def taken(self) -> str:
        """Return nothing: a file is held by the lock of its folder, which no other process can take."""
        return ""

    def when_taken(self, tell: Callable[[], None]) -> None:
        """Do nothing; see `taken`."""

    def close(self) -> None:
        """Close every connection. Nothing waits to be written: each transaction was synced by itself."""
        with self._lock, self._idle_lock:
            self._closed = True
            for connection in [*self._idle, self._writer]:
                connection.close()
            self._idle.clear()

    def _connect(self) -> SqliteConnection:
        connection = sqlite3.connect(
            self.path, timeout=BUSY_S, isolation_level=None, check_same_thread=False, factory=SqliteConnection
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


def tables_of(connection: sqlite3.Connection) -> set[str]:
    """Return the names of the tables that a program has made."""
    names = {str(name) for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    return {name for name in names if not name.startswith("sqlite_")}


def rows_in(connection: sqlite3.Connection) -> dict[str, int]:
    """Return how many rows each table has, and how many readings are kept."""
    counts = {name: f'SELECT count(*) FROM "{name}"' for name in sorted(tables_of(connection))}
    counts["readings"] = "SELECT ifnull(sum(last_seq - first_seq + 1), 0) FROM span WHERE kind = 1"
    return {name: int(connection.execute(query).fetchone()[0]) for name, query in counts.items()}


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
def reading_copy(path: Path) -> Iterator[SqliteConnection]:
    """Open a copy that nobody writes, to look into it; nothing is made beside it.

    Raises
    ------
    StoreFault
    """
    try:
        uri = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
        with closing(sqlite3.connect(uri, uri=True, isolation_level=None, factory=SqliteConnection)) as connection:
            connection.unreadable = {}
            yield connection
    except sqlite3.Error as err:
        fault = _fault(err, path)
        if fault is None:
            raise
        raise fault from err
