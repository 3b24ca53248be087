"""The one door to SQLite: opens the file, sets it so that a commit survives a power cut, runs transactions.

One connection writes, behind a lock; readers have their own and never wait for it. Every fault of the disk or of a
lock leaves here as a StoreFault; a fault of our own SQL is a bug and is let through. It knows no table.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import StoreAway, StoreFault, StoreForeign, StoreFull
from pipeline.store.migrations import migrate

Connection = sqlite3.Connection

BUSY_S = 5.0  # how long to wait for another process that writes, for example a recompute
IDLE_READERS = 8  # reading connections kept open; more are opened when needed and closed after
CACHE_KIB = 32 * 1024
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
        self._spoiled = False
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

        A transaction inside a transaction joins the outer one.
        """
        with self._lock, self._translated():
            if self._depth == 0:
                self._writer.execute("BEGIN IMMEDIATE")
                self._spoiled = False
            self._depth += 1
            try:
                yield self._writer
                if self._depth == 1:
                    self._finish()
            except BaseException:
                self._spoiled = True
                if self._depth == 1:
                    self._undo()
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

    def _undo(self) -> None:
        if self._writer.in_transaction:  # SQLite undoes by itself on a full disk
            self._writer.execute("ROLLBACK")
        for forget in self._when_undone:
            forget()

    def _finish(self) -> None:
        if self._spoiled:
            raise RuntimeError(f"{self.path}: a part of this transaction failed and was let pass; nothing is kept")
        self._writer.execute("COMMIT")

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
