"""The worker's journal: what must be on this machine's disk before anything is promised to anybody.

It keeps readings and their receipts, payloads that could not be read, the state of the alerts with the events they
gave rise to, and the queue of rows that wait for a server store. Every method is one durable transaction. It reads no
clock, logs nothing and decides nothing.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from hardware.reading import Batch, BatchSpan, Reading, Receipt
from pipeline.store.database import Database
from pipeline.store.readings import (
    KEPT,
    LET_GO,
    NOT_FED,
    READ_BACK,
    WAITING,
    Appended,
    Channels,
    Run,
    keep_batch,
    keep_poison,
    merge_runs,
    readable_rows,
    readings_of_run,
    split_runs,
)

QUARANTINE_ENTRIES = 1000  # the oldest is dropped after that; the count of each outbox goes on
QUARANTINE_PAYLOAD_BYTES = 64 * 1024  # of a longer payload the beginning is kept
QUARANTINE_TEXT = 1000  # characters of topic and reason


@dataclass(frozen=True, slots=True)
class OutboxState:
    """One outbox as the journal knows it. `received` is its receipt; the rest are counts of readings."""

    site: str
    node: str
    outbox_id: str
    received: int
    duplicates: int
    conflicts: int
    holes: int
    poisoned: int
    heard_at_ms: int


@dataclass(frozen=True, slots=True)
class Quarantined:
    """A payload that is no batch, with the reason. `size_bytes` is its full size; `payload` may be its beginning."""

    id: int
    at_ms: int
    topic: str
    reason: str
    size_bytes: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class Event:
    """Something to tell people, with an id that is the same however often it is told. `body` is JSON."""

    id: str
    at_ms: int
    body: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class WaitingRun:
    """Readings of one arrival that a server store has not been seen to hold, or whose stay is over."""

    outbox: int
    first: int
    last: int
    received_at_ms: int
    readings: tuple[Reading, ...]


class Journal:
    """The journal in one database.

    Parameters
    ----------
    database : Database
    feeding : bool
        Whether readings must go on to a server store. When a database that was not fed before is opened so, all it
        holds is queued too.
    channels : Channels, optional
        Shared with a SqliteStore on the same database.
    """

    def __init__(self, database: Database, *, feeding: bool = False, channels: Channels | None = None) -> None:
        self.database = database
        self.channels = Channels() if channels is None else channels
        database.when_undone(self.channels.forget)
        self._feed = WAITING if feeding else NOT_FED
        if feeding:
            with database.transaction() as tx:
                split_runs(tx)
                tx.execute("UPDATE span SET feed = ? WHERE kind = ? AND feed = ?", (WAITING, KEPT, NOT_FED))

    # --- readings ----------------------------------------------------------------------------------------------

    def append(self, batch: Batch, received_at_ms: int) -> Appended:
        """Store a batch and move the receipt. When this returns, it is on the disk.

        Raises
        ------
        StoreFull, StoreAway
            Then nothing of the batch is kept and nothing may be receipted.
        """
        with self.database.transaction() as tx:
            return keep_batch(tx, self.channels, batch, received_at_ms, feed=self._feed)

    def merge_runs(self, before_ms: int) -> bool:
        """Merge and compress some runs of readings received before a time. [ms since 1970, UTC]

        Returns
        -------
        bool
            Whether there may be more to merge.
        """
        with self.database.transaction() as tx:
            return merge_runs(tx, before_ms) > 0

    def receive_poison(self, span: BatchSpan | None, topic: str, payload: bytes, reason: str, at_ms: int) -> int:
        """Quarantine a payload that is no batch, or could not be handled, and count its span as received.

        Parameters
        ----------
        span : BatchSpan or None
            What its topic said; None when even the topic could not be read.

        Returns
        -------
        int
            The receipt of that outbox, 0 without a span.
        """
        with self.database.transaction() as tx:
            tx.execute(
                "INSERT INTO quarantine (at_ms, topic, reason, size_bytes, payload) VALUES (?, ?, ?, ?, ?)",
                (
                    at_ms,
                    _storable(topic[:QUARANTINE_TEXT]),
                    _storable(reason[:QUARANTINE_TEXT]),
                    len(payload),
                    payload[:QUARANTINE_PAYLOAD_BYTES],
                ),
            )
            tx.execute("DELETE FROM quarantine WHERE id <= last_insert_rowid() - ?", (QUARANTINE_ENTRIES,))
            return 0 if span is None else keep_poison(tx, span, at_ms)

    def received(self, site: str, node: str, outbox_id: str) -> int:
        """Return the receipt of an outbox: highest seq up to which nothing is outstanding. 0 for an unknown one."""
        with self.database.reading() as connection:
            row = connection.execute(
                "SELECT received FROM outbox WHERE site = ? AND node = ? AND outbox_id = ?", (site, node, outbox_id)
            ).fetchone()
        return 0 if row is None else row[0]

    def receipts(self) -> list[tuple[str, str, Receipt]]:
        """Return site, node and receipt of the outbox each node last used: what to publish again after a start."""
        newest = {(state.site, state.node): state for state in self.outboxes()}
        return [(s.site, s.node, Receipt(s.outbox_id, s.received)) for s in newest.values()]

    def outboxes(self) -> list[OutboxState]:
        """Return every outbox ever heard, the one heard last at the end."""
        with self.database.reading() as connection:
            rows = connection.execute(
                "SELECT site, node, outbox_id, received, duplicates, conflicts, holes, poisoned, heard_at_ms "
                "FROM outbox ORDER BY heard_at_ms, id"
            ).fetchall()
        return [OutboxState(*row) for row in rows]

    def quarantine(self, *, limit: int = 100) -> list[Quarantined]:
        """Return what was quarantined, the newest first."""
        with self.database.reading() as connection:
            rows = connection.execute(
                "SELECT id, at_ms, topic, reason, size_bytes, payload FROM quarantine ORDER BY id DESC LIMIT ?",
                (limit,),
            ).fetchall()
        return [Quarantined(*row) for row in rows]

    def quarantined(self, number: int) -> Quarantined | None:
        """Return one entry of the quarantine, None when there is none of that number."""
        with self.database.reading() as connection:
            row = connection.execute(
                "SELECT id, at_ms, topic, reason, size_bytes, payload FROM quarantine WHERE id = ?", (number,)
            ).fetchone()
        return None if row is None else Quarantined(*row)

    def drop_quarantined(self, number: int) -> None:
        """Remove one entry of the quarantine; its span stays counted as received."""
        with self.database.transaction() as tx:
            tx.execute("DELETE FROM quarantine WHERE id = ?", (number,))

    # --- alerts and the events they gave rise to ---------------------------------------------------------------

    def alert_states(self) -> dict[str, dict[str, object]]:
        """Return the state of every rule at every place, by the key it was saved under."""
        with self.database.reading() as connection:
            rows = connection.execute("SELECT key, state FROM alert_state ORDER BY key").fetchall()
        return {key: json.loads(state) for key, state in rows}

    def save_alerts(self, states: Mapping[str, Mapping[str, object]], events: Iterable[Event] = ()) -> int:
        """Save states together with the events that led to them: a kill keeps both or neither.

        An event whose id is known already is left as it is. States of other keys stay.

        Returns
        -------
        int
            How many events were new.
        """
        with self.database.transaction() as tx:
            tx.executemany(
                "INSERT OR REPLACE INTO alert_state VALUES (?, ?)",
                [(key, _json(state)) for key, state in states.items()],
            )
            before = tx.total_changes
            tx.executemany(
                "INSERT OR IGNORE INTO event (id, at_ms, body) VALUES (?, ?, ?)",
                [(event.id, event.at_ms, _json(event.body)) for event in events],
            )
            return tx.total_changes - before

    def forget_alert(self, key: str) -> None:
        """Remove one state: its rule or its place is no longer there."""
        with self.database.transaction() as tx:
            tx.execute("DELETE FROM alert_state WHERE key = ?", (key,))

    # --- notes of the running parts ----------------------------------------------------------------------------

    def note(self, key: str) -> dict[str, object]:
        """Return what a running part noted under a key; empty when nothing."""
        with self.database.reading() as connection:
            row = connection.execute("SELECT body FROM note WHERE key = ?", (key,)).fetchone()
        return {} if row is None else dict(json.loads(row[0]))

    def keep_note(self, key: str, body: Mapping[str, object]) -> None:
        """Keep a note under a key, in place of the one before."""
        with self.database.transaction() as tx:
            tx.execute("INSERT OR REPLACE INTO note VALUES (?, ?)", (key, _json(body)))

    # --- events ------------------------------------------------------------------------------------------------

    def events(self, start_ms: int, end_ms: int) -> list[Event]:
        """Return events with start <= time < end, in the order they came about."""
        with self.database.reading() as connection:
            rows = connection.execute(
                "SELECT id, at_ms, body FROM event WHERE at_ms >= ? AND at_ms < ? ORDER BY number", (start_ms, end_ms)
            ).fetchall()
        return [Event(i, at_ms, json.loads(body)) for i, at_ms, body in rows]

    def unsent(self, destination: str, *, limit: int = 100) -> list[Event]:
        """Return events not marked as sent to a destination, the oldest first."""
        with self.database.reading() as connection:
            rows = connection.execute(
                "SELECT id, at_ms, body FROM event e WHERE NOT EXISTS "
                "(SELECT 1 FROM event_sent s WHERE s.destination = ? AND s.number = e.number) ORDER BY number LIMIT ?",
                (destination, limit),
            ).fetchall()
        return [Event(i, at_ms, json.loads(body)) for i, at_ms, body in rows]

    def mark_sent(self, event_id: str, destination: str, at_ms: int) -> None:
        """Note that a destination has taken an event; a kill before this makes it come again with the same id."""
        with self.database.transaction() as tx:
            tx.execute(
                "INSERT OR IGNORE INTO event_sent SELECT ?, number, ? FROM event WHERE id = ?",
                (destination, at_ms, event_id),
            )

    # --- the queue of a server store ---------------------------------------------------------------------------

    def waiting(self, *, limit: int = 10) -> list[WaitingRun]:
        """Return runs a server store has not been seen to hold: the least tried first, then the oldest arrival."""
        return self._runs("feed = ? ORDER BY feed_tries, received_at_ms, outbox, first_seq LIMIT ?", (WAITING, limit))

    def waiting_readings(self) -> int:
        """Return how many readings a server store has not been seen to hold."""
        with self.database.reading() as connection:
            (count,) = connection.execute(
                "SELECT ifnull(sum(last_seq - first_seq + 1), 0) FROM span WHERE feed = ?", (WAITING,)
            ).fetchone()
        return int(count)

    def mark_read_back(self, runs: Sequence[WaitingRun], at_ms: int) -> None:
        """Note that the server store has given these runs back; they leave the queue and stay as rows."""
        with self.database.transaction() as tx:
            tx.executemany(
                "UPDATE span SET feed = ?, read_back_ms = ? WHERE outbox = ? AND first_seq = ?",
                [(READ_BACK, at_ms, run.outbox, run.first) for run in runs],
            )

    def put_back(self, runs: Sequence[WaitingRun]) -> None:
        """Send runs the server did not give back to the end of the queue, so that they hold up no other."""
        with self.database.transaction() as tx:
            tx.executemany(
                "UPDATE span SET feed_tries = feed_tries + 1 WHERE outbox = ? AND first_seq = ?",
                [(run.outbox, run.first) for run in runs],
            )

    def stayed(self, before_ms: int, *, limit: int = 10) -> list[WaitingRun]:
        """Return runs read back before a time, the oldest first: those whose stay is over."""
        return self._runs(
            "feed = ? AND read_back_ms < ? ORDER BY read_back_ms, outbox, first_seq LIMIT ?",
            (READ_BACK, before_ms, limit),
        )

    def let_go(self, runs: Sequence[WaitingRun]) -> None:
        """Remove the rows of runs the server store holds. Their spans stay, so a repeat is still known as one."""
        with self.database.transaction() as tx:
            for run in runs:
                where = (run.outbox, run.first)
                tx.execute(
                    "DELETE FROM run WHERE id = (SELECT run FROM span WHERE outbox = ? AND first_seq = ?)", where
                )
                tx.execute("UPDATE span SET feed = ?, run = NULL WHERE outbox = ? AND first_seq = ?", (LET_GO, *where))

    def queue_again(self, runs: Sequence[WaitingRun]) -> None:
        """Put runs back into the queue: the server store was found without them."""
        with self.database.transaction() as tx:
            tx.executemany(
                "UPDATE span SET feed = ?, read_back_ms = NULL WHERE outbox = ? AND first_seq = ?",
                [(WAITING, run.outbox, run.first) for run in runs],
            )

    def _runs(self, where: str, parameters: tuple[int, ...]) -> list[WaitingRun]:
        with self.database.snapshot() as connection:
            runs = [
                Run(outbox, first, last, received_ms, packed, named)
                for outbox, first, last, received_ms, run, packed, named in connection.execute(
                    "SELECT s.outbox, s.first_seq, s.last_seq, s.received_at_ms, r.id, r.readings, r.named "
                    f"FROM span s JOIN run r ON r.id = s.run WHERE {where}",
                    parameters,
                )
                if readable_rows(connection, run, last - first + 1, packed, named, False, 0) is not None
            ]
            return [
                WaitingRun(run.outbox, run.first, run.last, run.received_at_ms, readings_of_run(connection, run))
                for run in runs
            ]


def _storable(text: str) -> str:
    """Return a text without halves of surrogate pairs, which JSON can spell and SQLite refuses."""
    return text.encode("utf-8", "backslashreplace").decode()


def _json(body: Mapping[str, object]) -> str:
    return json.dumps(dict(body), sort_keys=True, separators=(",", ":"), allow_nan=False)
