"""The worker's journal: what must be on this machine's disk before anything is promised to anybody.

It keeps readings and their receipts, payloads that could not be read, the state of the alerts with the events they
gave rise to, and the queue of rows that wait for a server store. Every method is one durable transaction. It reads no
clock, logs nothing and decides nothing.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from hardware.reading import BadBatch, Batch, BatchSpan, Reading, Receipt
from pipeline.store.readings import (
    IMPORTER,
    KEPT,
    LET_GO,
    NOT_FED,
    READ_BACK,
    WAITING,
    Appended,
    Channels,
    RecordedOutbox,
    Run,
    find_outbox,
    keep_batch,
    keep_poison,
    keep_recorded,
    merge_runs,
    readable_rows,
    readings_of_run,
    split_runs,
)
from pipeline.store.redating import RedatedSpan, keep_redated, redated_spans
from pipeline.store.sql import SqlDatabase

QUARANTINE_ENTRIES = 1000  # the oldest is dropped after that; the count of each outbox goes on
QUARANTINE_BYTES = 16 * 1024 * 1024  # of payload in all: the oldest are dropped beyond it
QUARANTINE_PAYLOAD_BYTES = 64 * 1024  # of a longer payload the beginning is kept
QUARANTINE_TEXT = 1000  # characters of topic and reason


_DROP_BEYOND = (
    "DELETE FROM quarantine WHERE id < ?1 AND id <= (SELECT max(id) FROM "
    "(SELECT id, sum(length(payload)) OVER (ORDER BY id DESC) AS bytes FROM quarantine) AS q WHERE bytes > ?2)"
)


@dataclass(frozen=True, slots=True)
class OutboxState:
    """One outbox as the journal knows it.

    Attributes
    ----------
    site, node, outbox_id : str
    received : int
        Its receipt.
    duplicates, conflicts, holes, poisoned : int
        Counts of readings.
    heard_at_ms, conflict_at_ms : int
        When something came of it last, and when something came last that contradicts what is kept, 0 for never.
        [ms since 1970, UTC]
    assigned : int
        The highest number it is known to have given out.
    follows : str
        The outbox whose place it took because a receipt did not agree with that one; else empty.
    turn, turns, turned_at_ms : int
        Outboxes of a node take turns: its last turn, how many it has had, and since when it has the last one.
    digest, digest_seq : str, int
        As in its receipt.
    """

    site: str
    node: str
    outbox_id: str
    received: int
    duplicates: int
    conflicts: int
    holes: int
    poisoned: int
    heard_at_ms: int
    conflict_at_ms: int = 0
    assigned: int = 0
    follows: str = ""
    turn: int = 0
    turns: int = 0
    turned_at_ms: int = 0
    digest: str = ""
    digest_seq: int = 0

    @property
    def receipt(self) -> Receipt:
        return Receipt(self.outbox_id, self.received, self.digest, self.digest_seq if self.digest else 0)


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
class QuarantineSize:
    """How much is in quarantine: entries, bytes of payload, first and last time. [ms since 1970, UTC], 0 for none"""

    entries: int
    payload_bytes: int
    first_ms: int
    last_ms: int


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
    database : SqlDatabase
    feeding : bool
        Whether readings must go on to a server store. When a database that was not fed before is opened so, all it
        holds is queued too.
    channels : Channels, optional
        Shared with a SqlStore on the same database.
    """

    def __init__(self, database: SqlDatabase, *, feeding: bool = False, channels: Channels | None = None) -> None:
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
            kept = keep_batch(tx, self.channels, batch, received_at_ms, feed=self._feed)
            if kept.refused or not batch.redated:
                return kept
            outbox = find_outbox(tx, batch.site, batch.node, batch.outbox_id).id
            return replace(kept, moved=keep_redated(tx, outbox, batch.redated, received_at_ms))

    def redated(self) -> list[RedatedSpan]:
        """Return the readings that were dated again, the first told at the beginning."""
        with self.database.reading() as connection:
            return redated_spans(connection)

    def keep_recorded(
        self, outbox: RecordedOutbox, channels: Sequence[str], first_seq: int, recorded: np.ndarray, at_ms: int
    ) -> int:
        """Store readings of a file that come next in its outbox, of `RECORDED`. Returns the receipt.

        Parameters
        ----------
        outbox : RecordedOutbox
        channels : sequence of str
            Of the record.
        first_seq : int
            One more than the receipt.
        recorded : ndarray of RECORDED
        at_ms : int
            Now. [ms since 1970, UTC]

        Raises
        ------
        StoreFull, StoreAway
            Then nothing of them is kept.
        """
        with self.database.transaction() as tx:
            return keep_recorded(tx, self.channels, outbox, channels, first_seq, recorded, at_ms, feed=self._feed)

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
            (newest,) = tx.execute(
                "INSERT INTO quarantine (at_ms, topic, reason, size_bytes, payload) VALUES (?, ?, ?, ?, ?) "
                "RETURNING id",
                (
                    at_ms,
                    _storable(topic[:QUARANTINE_TEXT]),
                    _storable(reason[:QUARANTINE_TEXT]),
                    len(payload),
                    payload[:QUARANTINE_PAYLOAD_BYTES],
                ),
            ).fetchone()
            tx.execute("DELETE FROM quarantine WHERE id <= ?", (newest - QUARANTINE_ENTRIES,))
            tx.execute(_DROP_BEYOND, (newest, QUARANTINE_BYTES))
            try:
                return 0 if span is None else keep_poison(tx, span, at_ms)
            except BadBatch:  # an outbox too many: there is no room to count it
                return 0

    def last_run(self) -> int:
        """Return the number of the run kept last, 0 for none."""
        with self.database.reading() as connection:
            (number,) = connection.execute("SELECT coalesce(max(id), 0) FROM run").fetchone()
        return int(number)

    def correct_received(self, after_run: int, by_ms: int) -> None:
        """Date the arrival of the runs kept after one otherwise: the clock was off by so much. [ms]

        What a server store was given is given to it again.
        """
        with self.database.transaction() as tx:
            tx.execute(
                "UPDATE span SET received_at_ms = received_at_ms + ?1, feed = CASE feed WHEN ?2 THEN ?3 ELSE feed END "
                "WHERE kind = ?4 AND squeezed = 0 AND run > ?5",
                (by_ms, READ_BACK, WAITING, KEPT, after_run),
            )

    def receipt(self, site: str, node: str, outbox_id: str) -> Receipt:
        """Return the receipt of an outbox, with the highest seq up to which nothing is outstanding, 0 for an unknown
        one."""
        with self.database.reading() as connection:
            row = connection.execute(
                "SELECT received, digest, digest_seq FROM outbox WHERE site = ? AND node = ? AND outbox_id = ?",
                (site, node, outbox_id),
            ).fetchone()
        received, digest, digest_seq = (0, "", 0) if row is None else row
        return Receipt(outbox_id, received, digest, digest_seq if digest else 0)

    def receipts(self) -> list[tuple[str, str, Receipt]]:
        """Return site, node and receipt of the outbox each node last used: what to publish again after a start."""
        nodes = (state for state in self.outboxes() if state.node != IMPORTER)
        newest = {(state.site, state.node): state for state in sorted(nodes, key=lambda o: o.turn)}
        return [(s.site, s.node, s.receipt) for s in newest.values()]

    def note_assigned(self, site: str, node: str, outbox_id: str, assigned: int) -> None:
        """Note the highest number that a known outbox says it has given out."""
        with self.database.transaction() as tx:
            tx.execute(
                "UPDATE outbox SET assigned = ?1 WHERE site = ?2 AND node = ?3 AND outbox_id = ?4 AND assigned < ?1",
                (assigned, site, node, outbox_id),
            )

    def outboxes(self) -> list[OutboxState]:
        """Return every outbox ever heard, the one heard last at the end."""
        with self.database.reading() as connection:
            rows = connection.execute(
                "SELECT site, node, outbox_id, received, duplicates, conflicts, holes, poisoned, heard_at_ms, "
                "conflict_at_ms, assigned, follows, turn, turns, turned_at_ms, digest, digest_seq "
                "FROM outbox ORDER BY heard_at_ms, id"
            ).fetchall()
        return [OutboxState(*row) for row in rows]

    def quarantine(self, *, limit: int = 100) -> list[Quarantined]:
        """Return what was quarantined, the newest first."""
        return self._quarantined("ORDER BY id DESC LIMIT ?", limit)

    def quarantine_size(self) -> QuarantineSize:
        """Return how much is in quarantine, and since when and until when it came."""
        with self.database.reading() as connection:
            row = connection.execute(
                "SELECT count(*), coalesce(sum(length(payload)), 0), coalesce(min(at_ms), 0), coalesce(max(at_ms), 0) "
                "FROM quarantine"
            ).fetchone()
        return QuarantineSize(*row)

    def stations_of(self, node: str) -> tuple[str, ...]:
        """Return the stations whose channels a node has ever sent, by name."""
        with self.database.reading() as connection:
            rows = connection.execute(
                "SELECT name FROM channel WHERE id IN "
                "(SELECT channel FROM carries WHERE outbox IN (SELECT id FROM outbox WHERE node = ?))",
                (node,),
            ).fetchall()
        return tuple(sorted({name.partition("/")[0] for (name,) in rows}))

    def quarantined(self, number: int) -> Quarantined | None:
        """Return one entry of the quarantine, None when there is none of that number."""
        return next(iter(self._quarantined("WHERE id = ?", number)), None)

    def _quarantined(self, which: str, number: int) -> list[Quarantined]:
        query = f"SELECT id, at_ms, topic, reason, size_bytes, payload FROM quarantine {which}"
        with self.database.reading() as connection:
            return [Quarantined(*row) for row in connection.execute(query, (number,))]

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
                "INSERT INTO alert_state VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET state = excluded.state",
                [(key, _json(state)) for key, state in states.items()],
            )
            return sum(
                tx.execute(
                    "INSERT INTO event (id, at_ms, body) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
                    (event.id, event.at_ms, _json(event.body)),
                ).rowcount
                for event in events
            )

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
            tx.execute(
                "INSERT INTO note VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET body = excluded.body",
                (key, _json(body)),
            )

    # --- events ------------------------------------------------------------------------------------------------

    def events(self, start_ms: int, end_ms: int) -> list[Event]:
        """Return events with start <= time < end, in the order they came about."""
        return self._events("at_ms >= ? AND at_ms < ? ORDER BY number", (start_ms, end_ms))

    def unsent(self, destination: str, *, limit: int = 100) -> list[Event]:
        """Return events not marked as sent to a destination, from its beginning on, the oldest first."""
        unsent = (
            "number > coalesce((SELECT after FROM told_way WHERE name = ?), 0) AND "
            "NOT EXISTS (SELECT 1 FROM event_sent s WHERE s.destination = ? AND s.number = e.number)"
        )
        return self._events(f"{unsent} ORDER BY number LIMIT ?", (destination, destination, limit))

    def _events(self, which: str, parameters: tuple[object, ...]) -> list[Event]:
        query = f"SELECT id, at_ms, body FROM event e WHERE {which}"
        with self.database.reading() as connection:
            return [Event(i, at_ms, json.loads(body)) for i, at_ms, body in connection.execute(query, parameters)]

    def mark_sent(self, event_id: str, destination: str, at_ms: int) -> None:
        """Note that a destination has taken an event; a kill before this makes it come again with the same id."""
        with self.database.transaction() as tx:
            tx.execute(
                "INSERT INTO event_sent SELECT ?, number, ? FROM event WHERE id = ? ON CONFLICT DO NOTHING",
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
                "SELECT coalesce(sum(last_seq - first_seq + 1), 0) FROM span WHERE feed = ?", (WAITING,)
            ).fetchone()
        return int(count)

    def mark_read_back(self, runs: Sequence[WaitingRun], at_ms: int) -> None:
        """Note that the server store has given these runs back; they leave the queue and stay as rows."""
        self._mark(runs, f"feed = {READ_BACK}, read_back_ms = ?", at_ms)

    def put_back(self, runs: Sequence[WaitingRun]) -> None:
        """Send runs the server did not give back to the end of the queue, so that they hold up no other."""
        self._mark(runs, "feed_tries = feed_tries + ?", 1)

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
        self._mark(runs, "feed = ?, read_back_ms = NULL", WAITING)

    def _mark(self, runs: Sequence[WaitingRun], change: str, value: int) -> None:
        with self.database.transaction() as tx:
            tx.executemany(
                f"UPDATE span SET {change} WHERE outbox = ? AND first_seq = ?",
                [(value, run.outbox, run.first) for run in runs],
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
    """Return a text without NULs and halves of surrogate pairs, which JSON can spell and a database refuses."""
    return text.encode("utf-8", "backslashreplace").decode().replace("\0", "\\x00")


def _json(body: Mapping[str, object]) -> str:
    return json.dumps(dict(body), sort_keys=True, separators=(",", ":"), allow_nan=False)
