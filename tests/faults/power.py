"""A model of power failure for SQLite files: what a disk may hold when the power goes at any moment.

A VFS shim records every write, sync, truncation and removal SQLite asks for. From that record a disk is made for a cut
at any point: what was synced is there; each unsynced write of a file is cut into sectors, and of those any may be
missing, in any order, or torn in the middle; a grown file may have zeros where its data should be. Entries of the
folder that were not followed by a sync may be as before. This is harsher than most real disks, which keep some order.
The shim holds no shared memory, so a connection works in `locking_mode=EXCLUSIVE`: the index of the write-ahead log is
then in memory, and the order of writes and syncs to the files is the same.
"""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import apsw

SECTOR = 512
# With the first sync of a journal or log it has made, SQLite's own VFS for Unix syncs the folder (os_unix.c, DIRSYNC).
SYNC_THE_FOLDER = ("-journal", "-wal")
Files = dict[str, bytes]


@dataclass(frozen=True, slots=True)
class Event:
    """One thing asked of the disk, or a mark set by the test (`kind` "mark"). `node` is a file, whatever its name."""

    kind: str
    node: int = -1
    offset: int = 0
    data: bytes = b""
    name: str = ""


class Recorder(apsw.VFS):
    """The machine's own VFS, with a record of what goes through it."""

    def __init__(self, name: str) -> None:
        self.events: list[Event] = []
        self._nodes: dict[str, int] = {}
        self._count = 0
        super().__init__(name, "")
        self.vfs_name = name

    def node(self, path: str) -> int:
        """Number of the file of that name; a new one when there is none."""
        name = Path(path).name
        if name not in self._nodes:
            self._nodes[name] = self._count
            self.events.append(Event("make", self._count, name=name))
            self._count += 1
        return self._nodes[name]

    def xOpen(self, name: Any, flags: list[int]) -> apsw.VFSFile:
        return _RecordedFile(self, name, flags)

    def xDelete(self, filename: str, syncdir: bool) -> None:
        super().xDelete(filename, syncdir)
        node = self._nodes.pop(Path(filename).name, None)
        if node is not None:
            self.events.append(Event("remove", node, name=Path(filename).name))

    def mark(self, name: str) -> None:
        """Set a mark between what is asked of the disk."""
        self.events.append(Event("mark", name=name))


class _RecordedFile(apsw.VFSFile):
    def __init__(self, recorder: Recorder, name: Any, flags: list[int]) -> None:
        path = name.filename() if isinstance(name, apsw.URIFilename) else name
        self._events = recorder.events
        self._node = recorder.node(path) if path is not None else -1
        super().__init__("", name, flags)

    def xWrite(self, data: bytes, offset: int) -> None:
        super().xWrite(data, offset)
        self._events.append(Event("write", self._node, offset, bytes(data)))

    def xTruncate(self, newsize: int) -> None:
        super().xTruncate(newsize)
        self._events.append(Event("truncate", self._node, newsize))

    def xSync(self, flags: int) -> None:
        # The real sync is left out: nothing here rests on the real disk.
        self._events.append(Event("sync", self._node))


class Connection:
    """An apsw connection that looks like one of the standard library, as far as the outbox goes."""

    def __init__(self, path: Path, vfs: str, replaced: dict[str, str]) -> None:
        self._db = apsw.Connection(str(path), vfs=vfs)
        self._replaced = replaced
        self._db.execute("PRAGMA locking_mode=EXCLUSIVE")

    def execute(self, statement: str, values: Any = ()) -> SimpleNamespace:
        rows = list(self._db.execute(self._replaced.get(statement, statement), values))
        return SimpleNamespace(
            fetchone=lambda: rows[0] if rows else None, fetchall=lambda: rows, rowcount=self._db.changes()
        )

    def executemany(self, statement: str, values: Sequence[Any]) -> None:
        self._db.executemany(statement, values)

    @property
    def in_transaction(self) -> bool:
        return self._db.in_transaction

    def close(self) -> None:
        self._db.close()


def standard_library(vfs: str, replaced: dict[str, str] | None = None) -> SimpleNamespace:
    """What the outbox needs of the module `sqlite3`, over a recorder. `replaced` gives other statements for some."""

    def connect(path: Path, **_: object) -> Connection:
        return Connection(path, vfs, replaced or {})

    return SimpleNamespace(connect=connect, DatabaseError=sqlite3.DatabaseError, Error=sqlite3.Error)


@dataclass
class _Node:
    """A file: what is safely on the disk, and what was asked of it since its last sync."""

    safe: bytes = b""
    asked: list[Event] = field(default_factory=list)
    was_synced: bool = False


class Disk:
    """The disk as it is after some events: what is safe, and what is under way."""

    def __init__(self) -> None:
        self._nodes: dict[int, _Node] = {}
        # What may stand under each name: the entry at the folder's last sync, then every one since. None is no file.
        self._entries: dict[str, list[int | None]] = {}

    def take(self, event: Event) -> None:
        """One event more."""
        if event.kind == "make":
            self._nodes[event.node] = _Node()
            self._entries.setdefault(event.name, [None]).append(event.node)
        elif event.kind == "remove":
            self._entries[event.name].append(None)
        elif event.kind in ("write", "truncate"):
            self._nodes[event.node].asked.append(event)
        elif event.kind == "sync":
            self._sync(event.node)

    def _sync(self, number: int) -> None:
        node = self._nodes[number]
        node.safe, node.asked = _applied(node.safe, node.asked), []
        name = next(name for name, nodes in self._entries.items() if number in nodes)
        if not node.was_synced and name.endswith(SYNC_THE_FOLDER):
            self._entries = {name: nodes[-1:] for name, nodes in self._entries.items()}
        node.was_synced = True

    def after_power_failure(self, rng: random.Random, *, torn: Event | None = None) -> Files:
        """Files one may find. `torn` is a write that was just being done."""
        mood = rng.choice(("nothing", "everything", "prefix", "any", "any", "any"))
        found: Files = {}
        for name, nodes in self._entries.items():
            chosen = rng.choice(nodes)
            if chosen is not None:
                node = self._nodes[chosen]
                asked = [*node.asked, torn] if torn is not None and torn.node == chosen else node.asked
                found[name] = _after_failure(node.safe, asked, mood, rng)
        return found


def _applied(content: bytes, asked: Sequence[Event]) -> bytes:
    buffer = bytearray(content)
    for event in asked:
        if event.kind == "truncate":
            del buffer[event.offset :]
        else:
            _put(buffer, event.offset, event.data)
    return bytes(buffer)


def _put(buffer: bytearray, offset: int, data: bytes) -> None:
    if len(buffer) < offset:
        buffer.extend(bytes(offset - len(buffer)))
    buffer[offset : offset + len(data)] = data


def _after_failure(content: bytes, asked: Sequence[Event], mood: str, rng: random.Random) -> bytes:
    """Content of one file when only some of what was asked since the last sync was done."""
    pieces = [piece for event in asked for piece in _sectors(event)]
    if mood == "nothing":
        pieces = []
    elif mood == "prefix":
        pieces = pieces[: rng.randint(0, len(pieces))]
        if pieces and pieces[-1].kind == "write":
            pieces[-1] = _cut(pieces[-1], rng)
    elif mood == "any":
        share = rng.random()
        pieces = [_cut(p, rng) if rng.random() < 0.05 else p for p in pieces if rng.random() < share]
        rng.shuffle(pieces)
    buffer = bytearray(_applied(content, pieces))
    if mood == "any" and rng.random() < 0.3:  # the new size was noted before the data
        ends = [event.offset + len(event.data) for event in asked if event.kind == "write"]
        buffer.extend(bytes(max(0, max(ends, default=0) - len(buffer))))
    return bytes(buffer)


def _sectors(event: Event) -> list[Event]:
    """A write as one write for each sector it touches."""
    if event.kind != "write":
        return [event]
    pieces, start, end = [], event.offset, event.offset + len(event.data)
    while start < end:
        stop = min(end, (start // SECTOR + 1) * SECTOR)
        pieces.append(Event("write", event.node, start, event.data[start - event.offset : stop - event.offset]))
        start = stop
    return pieces


def _cut(piece: Event, rng: random.Random) -> Event:
    if piece.kind != "write":
        return piece
    return Event("write", piece.node, piece.offset, piece.data[: rng.randint(0, len(piece.data))])
