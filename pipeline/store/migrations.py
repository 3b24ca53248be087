"""The tables, as numbered steps: each is applied once, in order, and committed together with the record of itself.

A step that has been released is never changed; a change is a new step. A file from a later version is refused, because
an old program would write it wrongly without noticing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.errors import StoreForeign, StoreTooNew

if TYPE_CHECKING:
    from pipeline.store.database import Connection


@dataclass(frozen=True, slots=True)
class Migration:
    """One numbered step. `statements` run in order inside one transaction."""

    number: int
    name: str
    statements: tuple[str, ...]


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
    # Somebody who is told by manners: events up to `after` are done with, and the local date of the last digest.
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

MIGRATIONS = (
    Migration(1, "readings in custody", CUSTODY),
    Migration(2, "observations and findings", SERIES),
    Migration(3, "diary, alert state and events", PEOPLE_AND_ALERTS),
    Migration(4, "keys of diary entries", DIARY_KEYS),
    Migration(5, "messages to people", MESSAGES),
    Migration(6, "notes beside the alerts", NOTES),
)


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
        _undo(connection)
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
                connection.execute(statement)
            connection.execute("INSERT INTO migration VALUES (?, ?)", (migration.number, migration.name))
        connection.execute("COMMIT")
    except BaseException:
        _undo(connection)
        raise
    return int(found < migration.number)


def _undo(connection: Connection) -> None:
    if connection.in_transaction:
        connection.execute("ROLLBACK")
