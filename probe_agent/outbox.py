"""Safe custody on the node: samples are committed to disk here and stay until the pipeline's receipt.

The only module that imports SQLite. Threads use an `Outbox` by turns; another process may read the file (`peek`).
The file is bounded: receipted rows go first, then the oldest unreceipted ones, which are counted. Numbers (`seq`) never
repeat, not after drops and not after a restart. A damaged file is set aside for a look by hand and a new one begun. A
file that was put back from an image, or copied to a second node, is found out by the digest of the next receipt: it
goes on as an outbox of another name, and what it held without a receipt is sent again under that one.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from hardware.machine_clock import EARLIEST_SET_MS, ClockNote, shown_time, unconfirmed_time
from hardware.reading import MAX_REDATED, Batch, Reading, Receipt, Redated, Sample, Status, digest_of
from hardware.uplink import DeviceCount
from probe_agent.faults import AgentFault

FILE_NAME = "outbox.db"
FILE_MODE = 0o640  # nobody but owner and group reads it, whatever the umask; SQLite gives its other files the same
PAGE_BYTES = 4096
HIGH_WATER = 0.90  # of the file's bound: above it the oldest rows go, long before a full file refuses even a DELETE
ROW_BYTES = 256  # generous: a row with the longest names is about 230
WIRE_FROM_MS = 946_684_800_000  # 2000-01-01, the earliest time the wire form takes
DROP_ROWS = 500  # rows that go at once
KEEP_STROKES = 5000  # names remembered, so that a stroke or a message handed over twice is kept once
PRUNE_ROWS = 5000  # most aged rows that go in one call
LINE_REASON_CHARS = 200
KEEP_SET_ASIDE = 3  # damaged files kept for a look by hand

SET_UP = (
    f"PRAGMA page_size={PAGE_BYTES}",
    "PRAGMA journal_mode=WAL",
    # FULL: with NORMAL committed rows are lost when power fails (measured on simulated disks)
    "PRAGMA synchronous=FULL",
    "PRAGMA cache_size=-512",  # kB: small, so that damage on the disk is seen soon and the agent stays light
)
_CREATE = (
    "CREATE TABLE fact (name TEXT PRIMARY KEY, value NOT NULL) WITHOUT ROWID",
    # AUTOINCREMENT: a number is not given again even when the rows with the highest numbers are gone
    """CREATE TABLE reading (
        seq INTEGER PRIMARY KEY AUTOINCREMENT,
        channel TEXT NOT NULL, slot TEXT NOT NULL, measured_at_ms INTEGER NOT NULL, raw REAL, status TEXT NOT NULL,
        attempts INTEGER NOT NULL,
        boot_id TEXT, uptime_ms INTEGER, grid_s INTEGER)""",  # the last three only where the clock was not set
    "CREATE TABLE last_slot (probe TEXT PRIMARY KEY, slot_s INTEGER NOT NULL) WITHOUT ROWID",
    "CREATE TABLE stroke (id INTEGER PRIMARY KEY, probe TEXT NOT NULL, stroke TEXT NOT NULL, UNIQUE (probe, stroke))",
    "CREATE TABLE line (name TEXT PRIMARY KEY, state TEXT NOT NULL, since_ms INTEGER NOT NULL) WITHOUT ROWID",
)
# Readings that were sent before the clock was set, by how much they are dated again, and the number after which the
# pipeline is told: with the batch that goes on from there, so that its receipt is one for this too. Later than the
# first version.
_CREATE_REDATED = (
    "CREATE TABLE IF NOT EXISTS redated (first INTEGER PRIMARY KEY, last INTEGER NOT NULL, by_ms INTEGER NOT NULL,"
    " told_after INTEGER NOT NULL)"
)
# Where each radio node is in its count. Later than the first version.
_CREATE_DEVICE = (
    "CREATE TABLE IF NOT EXISTS device (probe TEXT PRIMARY KEY, run INTEGER NOT NULL, counter INTEGER NOT NULL,"
    " at_ms INTEGER NOT NULL, missed INTEGER NOT NULL) WITHOUT ROWID"
)
# Whether the line of a reading without check characters was noisy. Later than the first version.
_ADD_NOISY = "ALTER TABLE reading ADD COLUMN noisy INTEGER NOT NULL DEFAULT 0"
_BEGIN = "BEGIN IMMEDIATE"
_COMMIT = "COMMIT"
_SET_FACT = "INSERT INTO fact VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value"
_INSERT = (
    "INSERT INTO reading (channel, slot, measured_at_ms, raw, status, attempts, noisy, boot_id, uptime_ms, grid_s)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
_SET_LAST_SLOT = "INSERT INTO last_slot VALUES (?, ?) ON CONFLICT (probe) DO UPDATE SET slot_s = excluded.slot_s"
_SET_DEVICE = (
    "INSERT INTO device VALUES (?, ?, ?, ?, ?) ON CONFLICT (probe) DO UPDATE SET run = excluded.run,"
    " counter = excluded.counter, at_ms = excluded.at_ms, missed = excluded.missed"
)
_INSERT_STROKE = "INSERT OR IGNORE INTO stroke (probe, stroke) VALUES (?, ?)"
_FORGET_STROKES = "DELETE FROM stroke WHERE id <= (SELECT max(id) FROM stroke) - ?"
_DROP_OLDEST = "DELETE FROM reading WHERE seq <= ?"
_REDATE = (
    "UPDATE reading SET boot_id = NULL, uptime_ms = NULL, grid_s = NULL, measured_at_ms = uptime_ms + :offset_ms,"
    " slot = CASE WHEN grid_s IS NULL THEN slot ELSE CAST("
    "(CAST(slot AS INTEGER) * 1000 + (uptime_ms + :offset_ms - measured_at_ms) + grid_s * 500)"
    " / (grid_s * 1000) * grid_s AS TEXT) END"
    " WHERE seq > :sent AND boot_id = :boot_id"
)
_SENT_UNSET = (
    "SELECT seq, measured_at_ms, uptime_ms FROM reading AS r WHERE seq <= ? AND boot_id = ?"
    " AND NOT EXISTS (SELECT 1 FROM redated WHERE r.seq BETWEEN first AND last) ORDER BY seq"
)
_REDATED = "SELECT first, last, by_ms FROM redated WHERE told_after >= ? AND told_after < ? ORDER BY first"
_FORGET_REDATED = "DELETE FROM redated WHERE last < ? AND told_after < ?"
_SET_LINE = (
    "INSERT INTO line VALUES (?, ?, ?) ON CONFLICT (name) DO UPDATE SET state = excluded.state,"
    " since_ms = excluded.since_ms WHERE line.state <> excluded.state"
)
_FORGET_LINES = "DELETE FROM line WHERE name NOT IN (SELECT value FROM json_each(?))"

_READ = (
    "SELECT seq, channel, slot, measured_at_ms, raw, status, attempts, boot_id, uptime_ms, noisy FROM reading"
    " WHERE seq >= ? ORDER BY seq LIMIT ?"
)
_DOUBTED_SINCE = "SELECT ifnull(max(measured_at_ms) FILTER (WHERE boot_id IS NULL), min(measured_at_ms)) FROM reading"
_SEQ_ASSIGNED = "SELECT coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'reading'), 0)"
# in the order of the rows, so that each moves to a number that is free already
_RENUMBER = (
    "DELETE FROM redated WHERE min(last, told_after) <= ?1",
    "UPDATE redated SET first = max(1, first - ?1), last = last - ?1, told_after = told_after - ?1",
    "UPDATE reading SET seq = seq - ?1",
    "UPDATE sqlite_sequence SET seq = seq - ?1 WHERE name = 'reading'",
)
_FIRST_FACTS: dict[str, str | int] = {
    "received": 0,
    "dropped": 0,
    "received_digest": "",  # of the reading `received`, which may be gone from the file; empty where it is not known
    "follows": "",  # the outbox whose place this one took
    "sent_undated": 0,  # up to here, readings of an unset clock have been sent and are not dated again
}


REDATE_WITHIN_MS = 100  # readings whose clock was off by so nearly the same are dated again together


_Row = tuple[int, str, str, int, float | None, str, int, str | None, int | None, int]


class OutboxFull(AgentFault):
    """The disk has no room, or refuses to be written; nothing of the call was kept."""


class OutboxDamaged(AgentFault):
    """The file is no sound outbox; set it aside and begin a new one."""


@dataclass(frozen=True, slots=True)
class Peek:
    """What an outbox file says of itself. `lines` is name -> (state, since in ms)."""

    outbox_id: str
    assigned: int
    received: int
    lowest_kept: int
    kept: int
    dropped: int
    bytes_on_disk: int
    newest_ms: int | None
    lines: dict[str, tuple[str, int]]
    follows: str = ""
    doubted_since_ms: int | None = None  # as of `Outbox.doubted_since_ms`
    devices: dict[str, DeviceCount] = field(default_factory=dict)  # as of `Outbox.device_counts`

    @property
    def backlog(self) -> int:
        """Readings without a receipt."""
        return self.assigned - max(self.received, self.lowest_kept - 1)


class Outbox:
    """The file `outbox.db` in a folder, made if there is none.

    Parameters
    ----------
    folder : Path
        Where the file is. Must exist.
    site, node : str
        Put into the readings it gives out.
    max_bytes : int
        Bound of the main file. Its write-ahead log adds at most about an eighth of it or 4 MB.

    Raises
    ------
    OutboxDamaged
        When the file is there and is no sound outbox.
    OutboxFull
        When it cannot be made.
    """

    def __init__(self, folder: Path, *, site: str, node: str, max_bytes: int) -> None:
        self.path = folder / FILE_NAME
        self._lock = threading.RLock()
        self._site = site
        self._node = node
        self._max_pages = max(32, max_bytes // PAGE_BYTES)
        with _told_apart(self.path):
            _make_private(self.path)
            self._db = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False, timeout=5.0)
        try:
            with _told_apart(self.path):
                self._open()
        except BaseException:
            self._db.close()
            raise

    def _open(self) -> None:
        for statement in SET_UP:
            self._db.execute(statement)
        self._db.execute(f"PRAGMA max_page_count={self._max_pages}")
        self._db.execute(f"PRAGMA wal_autocheckpoint={max(8, min(1000, self._max_pages // 8))}")
        if self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
            with self._transaction():
                for statement in _CREATE:
                    self._db.execute(statement)
                for fact in (("outbox_id", secrets.token_hex(16)), *_FIRST_FACTS.items()):
                    self._db.execute(_SET_FACT, fact)
        self._db.execute(_CREATE_REDATED)
        self._db.execute(_CREATE_DEVICE)
        if not any(column[1] == "noisy" for column in self._db.execute("PRAGMA table_info(reading)").fetchall()):
            self._db.execute(_ADD_NOISY)
        sound = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
        if sound != "ok":
            raise sqlite3.DatabaseError(str(sound))
        self.outbox_id = str(self._fact("outbox_id"))
        self.received = int(self._fact("received"))
        self.dropped = int(self._fact("dropped"))
        self._received_digest = str(self._fact("received_digest"))
        self.follows = str(self._fact("follows"))
        self._sent_undated = int(self._fact("sent_undated"))
        self.assigned: int = self._db.execute(_SEQ_ASSIGNED).fetchone()[0]
        lowest = self._db.execute("SELECT min(seq) FROM reading").fetchone()[0]
        self.lowest_kept: int = self.assigned + 1 if lowest is None else lowest

    @property
    def backlog(self) -> int:
        """Readings without a receipt."""
        return self.assigned - max(self.received, self.lowest_kept - 1)

    # --- in ------------------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def together(self) -> Iterator[None]:
        """Commit all that is put inside as one, with one sync: all of it, or where any of it is refused nothing.

        Raises
        ------
        OutboxFull, OutboxDamaged
            Nothing was kept.
        """
        with self._access(), self._transaction():
            yield

    def put(
        self,
        samples: Sequence[Sample],
        note: ClockNote,
        *,
        last_slot: tuple[str, int] | None = None,
        grid_s: int | None = None,
        stroke: tuple[str, str] | None = None,
        device: tuple[str, DeviceCount] | None = None,
        set_since: Callable[[], ClockNote | None] = lambda: None,
    ) -> int:
        """Store samples; committed and synced when it returns, inside `together` when that ends.

        Parameters
        ----------
        samples : sequence of Sample
        note : ClockNote
            What is known of the clock; where it is not set the rows can be dated again.
        last_slot : (str, int), optional
            Probe and slot [s] read, remembered in the same commit, so that a restart does not read it again.
        grid_s : int, optional
            Interval of that slot. [s]
        stroke : (str, str), optional
            Probe and name of the stroke or the message these are; one already kept is not kept again.
        device : (str, DeviceCount), optional
            Probe and where its radio node is in its count after them.
        set_since : callable
            Gives the clock's note where it was set after `note` was taken. It is asked while no other thread reads or
            dates, and the samples are dated with it in the same commit: none leaves with the time it had before.

        Returns
        -------
        int
            How many rows were kept: all of them, or 0 for a stroke or a message kept before.

        Raises
        ------
        OutboxFull, OutboxDamaged
            Nothing was kept.
        """
        rows = [(h.channel, h.slot, h.measured_at_ms, h.raw, h.status.value, h.attempts, h.noisy) for h in samples]
        unset: list[tuple[str | None, int | None, int | None]] = [(None, None, None)] * len(samples)
        if not note.ok:
            started_ms = note.now_ms - note.uptime_ms  # as the wrong clock has it
            unset = [(note.boot_id, h.measured_at_ms - started_ms, grid_s) for h in samples]
        with self._access(), self._transaction():
            if stroke is not None and self._db.execute(_INSERT_STROKE, stroke).rowcount == 0:
                return 0
            self._make_room(2 + len(rows) * ROW_BYTES // PAGE_BYTES)
            self._db.executemany(_INSERT, [(*row, *boot) for row, boot in zip(rows, unset, strict=True)])
            if stroke is not None:
                self._db.execute(_FORGET_STROKES, (KEEP_STROKES,))
            if last_slot is not None:
                self._db.execute(_SET_LAST_SLOT, last_slot)
            if device is not None:
                probe, count = device
                self._db.execute(_SET_DEVICE, (probe, count.run, count.counter, count.at_ms, count.missed))
            self.assigned += len(rows)
            known = None if note.ok else set_since()
            if known is not None and known.ok:
                self._redate(known)
        return len(rows)

    def _make_room(self, pages: int) -> None:
        """Drop the oldest rows while so many more pages would make the file nearly full."""
        high = int(self._max_pages * HIGH_WATER)
        while self._used_pages() + pages > high and self.lowest_kept <= self.assigned:
            last = min(self.lowest_kept + DROP_ROWS - 1, self.assigned)
            if self.received >= self.lowest_kept:
                last = min(last, self.received)
            self._db.execute(_DROP_OLDEST, (last,))
            self._drop_counted(last)

    def _drop_counted(self, last: int) -> None:
        lost = last - max(self.received, self.lowest_kept - 1)
        if lost > 0:
            self.dropped += lost
            self._db.execute(_SET_FACT, ("dropped", self.dropped))
        self.lowest_kept = last + 1

    def _used_pages(self) -> int:
        count: int = self._db.execute("PRAGMA page_count").fetchone()[0]
        free: int = self._db.execute("PRAGMA freelist_count").fetchone()[0]
        return count - free

    def redate(self, note: ClockNote) -> tuple[int, int]:
        """Date again what this boot sampled before its clock was set.

        What has not been sent is dated here, its slot too. What has been sent stays as it was sent, because a number
        stands for one reading: a later batch tells the pipeline by how much to date it again.

        Returns
        -------
        (int, int)
            How many readings were dated here, and how many the pipeline is to date again.
        """
        with self._access(), self._transaction():
            return self._redate(note)

    def _redate(self, note: ClockNote) -> tuple[int, int]:
        offset_ms, sent = note.now_ms - note.uptime_ms, max(self.received, self._sent_undated)
        rows = self._db.execute(_SENT_UNSET, (sent, note.boot_id)).fetchall()
        spans = _spans_of([(seq, offset_ms + uptime_ms - _on_wire(at_ms)) for seq, at_ms, uptime_ms in rows])
        self._db.executemany(
            "INSERT INTO redated VALUES (?, ?, ?, ?)", [(one.first, one.last, one.by_ms, sent) for one in spans]
        )
        values = {"offset_ms": offset_ms, "boot_id": note.boot_id, "sent": sent}
        return self._db.execute(_REDATE, values).rowcount, len(rows)

    def doubted_since_ms(self) -> int | None:
        """Return since when the time is in doubt, where it is. [ms since 1970, UTC]

        When the newest kept reading was taken whose time is confirmed, without one the first kept. None for none.
        """
        with self._access():
            row = self._db.execute(_DOUBTED_SINCE).fetchone()
        since: int | None = row[0]
        return since

    def set_line(self, name: str, state: str, now_ms: int) -> None:
        """Store the state of a line for `peek`; written only when it changes."""
        with self._access():
            self._db.execute(_SET_LINE, (name, state[:LINE_REASON_CHARS], now_ms))

    def forget_lines(self, names_json: str) -> None:
        """Delete all lines but those in a JSON list of names."""
        with self._access():
            self._db.execute(_FORGET_LINES, (names_json,))

    def last_slots(self) -> dict[str, int]:
        """Return the slot last stored, by probe. [s since 1970]"""
        with self._access():
            return dict(self._db.execute("SELECT probe, slot_s FROM last_slot").fetchall())

    def device_counts(self) -> dict[str, DeviceCount]:
        """Return where each radio node is in its count, by probe."""
        with self._access():
            return _device_counts(self._db)

    # --- out -----------------------------------------------------------------------------------------------------

    def batch(self, after_seq: int, most: int, *, hold: ClockNote | None = None) -> Batch | None:
        """Return the oldest readings after a number, at most so many, with consecutive numbers; None if there are none.

        Parameters
        ----------
        hold : ClockNote, optional
            Give out nothing this boot sampled before its clock was set: it may still be dated.
        """
        with self._access():
            rows = self._db.execute(_READ, (max(after_seq, 1), most + 1)).fetchall()
            lowest_kept = self.lowest_kept  # with its rows: another thread may drop the oldest right after
            before = self._reading(rows.pop(0)) if rows and rows[0][0] == after_seq else None
            readings: list[Reading] = []
            for row in rows[:most]:
                if row[0] != rows[0][0] + len(readings) or (hold is not None and row[7] == hold.boot_id):
                    break
                readings.append(self._reading(row))
            if not readings:
                return None
            digest = "" if readings[0].seq != after_seq + 1 else self._digest(after_seq, before)
            outbox_id, follows = self.outbox_id, self.follows if readings[0].seq == 1 else ""
            told = self._db.execute(_REDATED, (min(after_seq, readings[0].seq - 1), readings[-1].seq)).fetchall()
        redated = tuple(Redated(*one) for one in told)
        return Batch(self._site, self._node, outbox_id, lowest_kept, tuple(readings), digest, follows, redated)

    def note_sent(self, batch: Batch) -> None:
        """Note before a batch is sent which of its readings had no clock: they are not dated again."""
        last = max((reading.seq for reading in batch.readings if not reading.clock_ok), default=0)
        if last > self._sent_undated:
            self._sent_undated = last
            with self._access(), contextlib.suppress(sqlite3.OperationalError):  # a full disk: the receipt may free it
                self._db.execute(_SET_FACT, ("sent_undated", last))

    def _digest(self, seq: int, reading: Reading | None) -> str:
        """Digest of a reading as it was received, else as it is kept; empty where it is not known any more."""
        if seq == self.received and self._received_digest:
            return self._received_digest
        return "" if reading is None else digest_of(reading)

    def _reading(self, row: _Row) -> Reading:
        seq, channel, slot, measured_at_ms, raw, status, attempts, boot_id, _, noisy = row
        return Reading(
            self._site,
            self._node,
            self.outbox_id,
            seq,
            channel,
            slot,
            _on_wire(measured_at_ms),
            raw,
            _STATUS[status],
            attempts,
            boot_id is None,
            bool(noisy),
        )

    def receive(self, receipt: Receipt) -> bool:
        """Take a receipt: all up to its seq are on the pipeline's disk. Rows stay until age or space asks.

        A lower one than before is a pipeline restored from a backup: what it lost counts as unreceipted again, as far
        as it is still kept. One for a number not given out yet, or with the digest of another reading than is kept
        here, means that this file was put back from an image or copied: what was received is not what it holds. It
        then takes a new name, and what had no receipt is sent again under that one, with numbers from 1.

        Returns
        -------
        bool
            Whether anything changed. A receipt for another outbox changes nothing.
        """
        if receipt.outbox_id != self.outbox_id:
            return False
        with self._access():
            kept = {row[0]: self._reading(row) for n in {receipt.seq, receipt.digest_seq} for row in self._row(n)}
            own = self._digest(receipt.digest_seq, kept.get(receipt.digest_seq))
            if receipt.seq > self.assigned or (receipt.digest and own and own != receipt.digest):
                self._begin_anew()
                return True
            if receipt.seq == self.received:
                return False
            reading = kept.get(receipt.seq)
            digest = "" if reading is None else digest_of(reading)
            with self._transaction():
                self._db.execute(_SET_FACT, ("received", receipt.seq))
                self._db.execute(_SET_FACT, ("received_digest", digest))
            self.received, self._received_digest = receipt.seq, digest
        return True

    def _row(self, seq: int) -> list[_Row]:
        rows = self._db.execute(_READ, (seq, 1)).fetchall()
        return [row for row in rows if row[0] == seq]

    def _begin_anew(self) -> None:
        """Go on under a new name, with what has no receipt as its readings from 1 on."""
        shift, lowest = self.received, max(self.lowest_kept, self.received + 1)
        facts = {**_FIRST_FACTS, "outbox_id": secrets.token_hex(16), "follows": self.outbox_id, "dropped": self.dropped}
        with self._transaction():
            self._db.execute(_DROP_OLDEST, (shift,))
            for statement in _RENUMBER:
                self._db.execute(statement, (shift,))
            for fact in facts.items():
                self._db.execute(_SET_FACT, fact)
        self.outbox_id, self.follows = str(facts["outbox_id"]), str(facts["follows"])
        self.received, self._received_digest, self._sent_undated = 0, "", 0
        self.assigned, self.lowest_kept = self.assigned - shift, lowest - shift

    def prune(self, oldest_ms: int) -> int:
        """Delete receipted rows measured before `oldest_ms`; return how many went."""
        with self._access(), self._transaction():
            row = self._db.execute(
                "SELECT min(seq) FROM (SELECT seq, measured_at_ms FROM reading WHERE seq <= ? ORDER BY seq LIMIT ?)"
                " WHERE measured_at_ms >= ?",
                (self.received, PRUNE_ROWS, oldest_ms),
            ).fetchone()
            most = min(self.received, self.lowest_kept + PRUNE_ROWS - 1)
            last = most if row[0] is None else row[0] - 1
            if last < self.lowest_kept:
                return 0
            gone = self._db.execute(_DROP_OLDEST, (last,)).rowcount
            self.lowest_kept = last + 1
            self._db.execute(_FORGET_REDATED, (self.lowest_kept, self.received))
            return gone

    def close(self) -> None:
        """Close the file. It is sound whether or not this is called."""
        self._db.close()

    def _fact(self, name: str) -> str | int:
        row = self._db.execute("SELECT value FROM fact WHERE name = ?", (name,)).fetchone()
        if row is None and name not in ("received_digest", "follows", "sent_undated"):  # later than the first version
            raise sqlite3.DatabaseError(f"the fact {name!r} is missing")
        value: str | int = _FIRST_FACTS[name] if row is None else row[0]
        return value

    @contextlib.contextmanager
    def _access(self) -> Iterator[None]:
        """Keep other threads out, and tell SQLite's errors apart."""
        with self._lock, _told_apart(self.path):
            yield

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        """Run one transaction; on any fault nothing of it stays, in the file or in the counters.

        One inside another is a part of it.
        """
        if self._db.in_transaction:
            yield
            return
        counters = getattr(self, "lowest_kept", 1), getattr(self, "dropped", 0), getattr(self, "assigned", 0)
        self._db.execute(_BEGIN)
        try:
            yield
            self._db.execute(_COMMIT)
        except BaseException:
            self.lowest_kept, self.dropped, self.assigned = counters
            with contextlib.suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")
            raise


def _on_wire(measured_at_ms: int) -> int:
    """Return a time as it is sent: one of a clock still in 1970, which the wire form refuses, is shifted."""
    return measured_at_ms + WIRE_FROM_MS if measured_at_ms < WIRE_FROM_MS else measured_at_ms


def _spans_of(moved: Sequence[tuple[int, int]]) -> list[Redated]:
    """Return numbers, in order, each with how much later its reading was taken [ms], as at most MAX_REDATED spans.

    A clock that steps while nobody trusts it makes a span of its own.
    """
    within_ms = REDATE_WITHIN_MS
    while True:
        spans: list[Redated] = []
        for seq, by_ms in moved:
            if spans and abs(by_ms - spans[-1].by_ms) <= within_ms:
                spans[-1] = Redated(spans[-1].first, seq, spans[-1].by_ms)
            else:
                spans.append(Redated(seq, seq, by_ms))
        if len(spans) <= MAX_REDATED:
            return spans
        within_ms *= 2


def _make_private(path: Path) -> None:
    """Make a file that is not there with FILE_MODE, and take away what others may do with one that is."""
    with contextlib.suppress(OSError):  # where it cannot be made, opening it says why
        try:
            os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, FILE_MODE))
        except FileExistsError:  # not opened: closing it would end the locks of another connection to it
            path.chmod(path.stat().st_mode & FILE_MODE)


_PASSING = {
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_LOCKED,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_PERM,
    sqlite3.SQLITE_NOMEM,
    sqlite3.SQLITE_PROTOCOL,
}
_STATUS = {status.value: status for status in Status}


@contextlib.contextmanager
def _told_apart(path: Path) -> Iterator[None]:
    """Translate SQLite's errors: no room now, or a file that is no outbox."""
    try:
        yield
    except sqlite3.DatabaseError as err:
        code = getattr(err, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF
        if code in _PASSING:
            raise OutboxFull(f"{path}: found {err}, expected room and leave to write. Free the disk.") from err
        raise OutboxDamaged(f"{path}: found {err}, expected a sound outbox") from err


def open_outbox(folder: Path, *, site: str, node: str, max_bytes: int) -> tuple[Outbox, Path | None]:
    """Open the outbox; set a damaged file aside and begin a new one. Also returns where it was set aside, or None."""
    folder.mkdir(parents=True, exist_ok=True)
    try:
        return Outbox(folder, site=site, node=node, max_bytes=max_bytes), None
    except OutboxDamaged:
        aside = set_aside(folder)
    return Outbox(folder, site=site, node=node, max_bytes=max_bytes), aside


def set_aside(folder: Path) -> Path:
    """Rename a damaged outbox, for a look by hand. The newest KEEP_SET_ASIDE are kept."""
    numbers = sorted(_numbers(folder.glob("outbox-damaged-*.db")))
    for number in numbers[: max(0, len(numbers) - KEEP_SET_ASIDE + 1)]:
        for suffix in ("", "-wal", "-shm"):
            (folder / f"outbox-damaged-{number}.db{suffix}").unlink(missing_ok=True)
    aside = folder / f"outbox-damaged-{numbers[-1] + 1 if numbers else 1}.db"
    for suffix in ("", "-wal", "-shm"):
        file = folder / f"{FILE_NAME}{suffix}"
        if file.exists():
            file.rename(f"{aside}{suffix}")
    return aside


def _numbers(files: Iterable[Path]) -> Iterator[int]:
    for file in files:
        number = file.stem.rpartition("-")[2]
        if number.isdigit():
            yield int(number)


def peek(folder: Path) -> Peek:
    """Return what the outbox file in a folder says of itself, without disturbing an agent that uses it.

    Raises
    ------
    FileNotFoundError
        When there is no outbox.
    OutboxFull, OutboxDamaged
        When it cannot be read.
    AgentFault
        When this user may not look into the folder.
    """
    path = folder / FILE_NAME
    try:
        is_there = path.is_file()
    except PermissionError as err:
        raise AgentFault(
            f"{folder}: found {err.strerror}, expected leave to look into the outbox; try as root"
        ) from err
    if not is_there:
        raise FileNotFoundError(f"{path}: found none, expected the outbox of an agent that has run")
    with _told_apart(path), contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as db:
        facts = dict(db.execute("SELECT name, value FROM fact").fetchall())
        assigned = db.execute(_SEQ_ASSIGNED).fetchone()[0]
        lowest, kept, newest = db.execute("SELECT min(seq), count(*), max(measured_at_ms) FROM reading").fetchone()
        (since,) = db.execute(_DOUBTED_SINCE).fetchone()
        devices = _device_counts(db)
        lines = {name: (state, since) for name, state, since in db.execute("SELECT name, state, since_ms FROM line")}
    size = sum(f.stat().st_size for f in (path, path.with_name(f"{FILE_NAME}-wal")) if f.exists())
    return Peek(
        str(facts["outbox_id"]),
        assigned,
        int(facts["received"]),
        assigned + 1 if lowest is None else lowest,
        kept,
        int(facts["dropped"]),
        size,
        newest,
        lines,
        str(facts.get("follows", "")),
        since,
        devices,
    )


def doubted_since(note: ClockNote, kept_ms: int | None) -> int | None:
    """Return since when the time of a note is in doubt, None where it is confirmed or where that is not known.

    Parameters
    ----------
    note : ClockNote
    kept_ms : int or None
        What the outbox says, as of `Outbox.doubted_since_ms`; a clock that was never set is older than that. [ms since
        1970, UTC]
    """
    if note.ok:
        return None
    return note.now_ms if note.now_ms < EARLIEST_SET_MS else kept_ms


def _device_counts(db: sqlite3.Connection) -> dict[str, DeviceCount]:
    """Where each radio node is in its count, by probe; none in a file that only an earlier version has opened."""
    if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'device'").fetchone():
        return {}
    rows = db.execute("SELECT probe, run, counter, at_ms, missed FROM device ORDER BY probe").fetchall()
    return {row[0]: DeviceCount(*row[1:]) for row in rows}


def time_doubt(note: ClockNote, seen: Peek | None) -> str:
    """Return what is in doubt of a node's time, in words, with what its outbox says; empty where it is confirmed."""
    if note.ok:
        return ""
    return unconfirmed_time(doubted_since(note, None if seen is None else seen.doubted_since_ms), shown_time)
