"""Readings that were received before their node's clock was set, dated again once it is.

What is kept of such a reading stays as it was sent. Beside it stands by how much later it was taken, and whoever reads
readings is given them at that time (`pipeline.store.readings.timed_rows`). Works on a connection it is given, inside
the transaction that keeps the batch which told of it, so that one receipt stands for both.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from hardware.reading import EPOCH_2000_MS, EPOCH_2200_MS, MAX_SEQ, Redated
from pipeline.store.packed import NOTE_EDGES, ROW, channel_edges, rows_of
from pipeline.store.readings import KEPT, Run, dating_of, runs_between, subtract, timed_rows
from pipeline.store.sql import Connection

MovedSpan = tuple[str, int, int]
"""A channel with the first and last time between which readings of it have come or gone. [ms since 1970, UTC]"""


@dataclass(frozen=True, slots=True)
class RedatedSpan:
    """Readings of one outbox that were dated again by the same amount.

    Attributes
    ----------
    node, outbox_id : str
    first, last : int
        Their numbers; those of them whose clock was set are left as they are.
    by_ms : int
        By how much later than they say they were taken. [ms]
    first_ms, last_ms : int
        First and last of the times they say. [ms since 1970, UTC]
    readings : int
        How many they are.
    at_ms : int
        When the node told it. [ms since 1970, UTC]
    """

    node: str
    outbox_id: str
    first: int
    last: int
    by_ms: int
    first_ms: int
    last_ms: int
    readings: int
    at_ms: int


def redated_spans(connection: Connection) -> list[RedatedSpan]:
    """Return everything that was dated again, the first told at the beginning."""
    rows = connection.execute(
        "SELECT o.node, o.outbox_id, r.first_seq, r.last_seq, r.by_ms, r.first_ms, r.last_ms, r.readings, r.at_ms "
        "FROM redated r JOIN outbox o ON o.id = r.outbox WHERE r.readings > 0 ORDER BY r.at_ms, r.outbox, r.first_seq"
    )
    return [RedatedSpan(*row) for row in rows]


def keep_redated(tx: Connection, outbox: int, told: Iterable[Redated], at_ms: int) -> tuple[MovedSpan, ...]:
    """Keep by how much readings of an outbox are dated again; what was told before stands.

    Parameters
    ----------
    tx : Connection
        With a transaction open.
    outbox : int
    told : iterable of Redated
    at_ms : int
        [ms since 1970, UTC]

    Returns
    -------
    tuple of MovedSpan
        From where and to where readings have moved.
    """
    moved: list[MovedSpan] = []
    for one in told:
        taken = [(first, last) for first, last, _ in dating_of(tx, outbox, one.first, one.last)]
        for first, last in subtract((one.first, one.last), taken):
            moved += _keep_span(tx, outbox, Redated(first, last, one.by_ms), at_ms)
    if moved:
        tx.execute(
            "UPDATE outbox SET longest_ms = (SELECT coalesce(max(last_ms - first_ms), 0) FROM span "
            "WHERE outbox = outbox.id AND kind = ?) WHERE id = ?",
            (KEPT, outbox),
        )
    return tuple(moved)


def _keep_span(tx: Connection, outbox: int, one: Redated, at_ms: int) -> list[MovedSpan]:
    runs = list(runs_between(tx, outbox, one.first, one.last))
    before = unset_rows(runs, one.first, one.last)
    if before.size:
        names = dict(tx.execute("SELECT id, name FROM channel").fetchall())
        edges = [(names[number], *times) for number, *times in channel_edges(before)]
        first_ms, last_ms, readings = (
            int(before["measured_at_ms"].min()),
            int(before["measured_at_ms"].max()),
            len(before),
        )
    else:  # a server store has taken them over; or none was kept
        first_ms, last_ms, readings = tx.execute(
            "SELECT min(first_ms), max(last_ms), coalesce(sum(CASE WHEN last_seq < ?3 THEN last_seq ELSE ?3 END - "
            "CASE WHEN first_seq > ?2 THEN first_seq ELSE ?2 END + 1), 0) FROM span "
            f"WHERE outbox = ?1 AND last_seq >= ?2 AND first_seq <= ?3 AND kind = {KEPT} AND run IS NULL",
            (outbox, one.first, one.last),
        ).fetchone()
        query = "SELECT c.name FROM carries JOIN channel c ON c.id = channel WHERE outbox = ? ORDER BY c.name"
        edges = [(name, first_ms, last_ms) for (name,) in tx.execute(query, (outbox,))] if readings else []
    if readings and not EPOCH_2000_MS <= first_ms + one.by_ms <= last_ms + one.by_ms <= EPOCH_2200_MS:
        return []  # no time of a reading: they stay as they were sent
    tx.execute(
        "INSERT INTO redated VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (outbox, one.first, one.last, one.by_ms, first_ms, last_ms, readings, at_ms),
    )
    for run in runs:
        times = timed_rows(tx, outbox, run.first, rows_of(run.packed))["measured_at_ms"]
        tx.execute(
            "UPDATE span SET first_ms = ?, last_ms = ? WHERE outbox = ? AND first_seq = ?",
            (int(times.min()), int(times.max()), outbox, run.first),
        )
    _note_edges(tx, outbox, before, one.by_ms)
    return [span for name, first, last in edges for span in
            ((name, first, last), (name, first + one.by_ms, last + one.by_ms))]  # fmt: skip


def _note_edges(tx: Connection, outbox: int, before: np.ndarray, by_ms: int) -> None:
    """Enter when an outbox carried the channels of readings that were dated again, first and last."""
    after = before.copy()
    after["measured_at_ms"] += by_ms
    tx.executemany(NOTE_EDGES, [(outbox, *edge) for edge in channel_edges(after)])
    carried = {
        number: times
        for number, *times in tx.execute("SELECT channel, first_ms, last_ms FROM carries WHERE outbox = ?", (outbox,))
    }
    stale = {number for number, *times in channel_edges(before) if set(times) & set(carried[number])}
    (let_go,) = tx.execute(
        "SELECT count(*) FROM span WHERE outbox = ? AND kind = ? AND run IS NULL", (outbox, KEPT)
    ).fetchone()
    if not stale or let_go:  # a server store knows by itself when a channel begins
        return
    parts = [timed_rows(tx, outbox, run.first, rows_of(run.packed)) for run in runs_between(tx, outbox, 1, MAX_SEQ)]
    rows = np.concatenate(parts)
    tx.executemany(
        "UPDATE carries SET first_ms = ?, last_ms = ? WHERE outbox = ? AND channel = ?",
        [(*times, outbox, number) for number, *times in channel_edges(rows[np.isin(rows["channel"], list(stale))])],
    )


def unset_rows(runs: Iterable[Run], first: int, last: int) -> np.ndarray:
    """Return the readings of runs, numbered `first` to `last`, that were sent before their clock was set, as sent."""
    parts = [np.empty(0, dtype=ROW)]
    for run in runs:
        rows = rows_of(run.packed)
        seq = run.first + np.arange(len(rows))
        parts.append(rows[(rows["clock_ok"] == 0) & (seq >= first) & (seq <= last)])
    return np.concatenate(parts)
