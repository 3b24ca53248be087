"""The tables of a database, made by numbered steps; they are the same in every kind of database.

Each step is applied once, in order, and committed together with the record of itself. A step that has been released is
never changed; a change is a new step. A database of a later version is refused, because an old program would write it
wrongly without noticing.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.diary.entry import DiaryEntry, counts
from pipeline.errors import StoreAway, StoreForeign, StoreTooNew
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
from pipeline.store.sql import Connection

LONGEST_SCHEMA = 63  # bytes of a name of PostgreSQL; it cuts longer ones off


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
    columns = "measured_at_ms, coalesce(raw, ?1), coalesce(value, ?1), received_at_ms, stage_version, flag"
    for (number,) in tx.execute("SELECT id FROM channel").fetchall():
        query = f"SELECT {columns} FROM observation WHERE channel = ?2 ORDER BY measured_at_ms"
        rows = np.fromiter(tx.execute(query, (float("inf"), number)), dtype=OBSERVED)
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


def _find_digests(tx: Connection) -> None:
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


def _spell_versions(tx: Connection) -> None:
    """Write each version, a number or a text, as JSON."""
    spelt = [(number, json.dumps(label)) for number, label in tx.execute("SELECT id, label FROM stage_version")]
    tx.execute("DELETE FROM stage_version")
    tx.executemany("INSERT INTO stage_version VALUES (?, ?)", spelt)


VERSIONS_SPELT = (_spell_versions,)

DIARY_BEFORE = (
    # The entry that one was written in place of: what was believed before.
    "CREATE TABLE diary_before (entry INTEGER PRIMARY KEY, before INTEGER NOT NULL)",
)


def _confirm_entries(tx: Connection) -> None:
    """Say of each entry that is asked about that it is right: until here it counted as it was."""
    for number, kind, text in tx.execute("SELECT id, kind, body FROM diary").fetchall():
        body = json.loads(text)
        if not counts(DiaryEntry(kind, "", 0, body)):
            confirmed = json.dumps({**body, "confirmed": True}, sort_keys=True, allow_nan=False)
            tx.execute("UPDATE diary SET body = ? WHERE id = ?", (confirmed, number))


ENTRIES_CONFIRMED = (_confirm_entries,)

PHOTOGRAPHS = (
    # Photographs of the diary where its database is reached from several machines; beside a file they are files too.
    "CREATE TABLE photo (name TEXT PRIMARY KEY, size INTEGER NOT NULL, content BLOB NOT NULL)",
)

RECORDS_ON_THEIR_WAY = (
    # Readings of a record from the command that has checked it to the process that holds the site, until they are kept.
    """CREATE TABLE record_piece (
        record TEXT NOT NULL, number INTEGER NOT NULL, content BLOB NOT NULL, PRIMARY KEY (record, number))""",
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
    Migration(14, "versions as JSON", VERSIONS_SPELT),
    Migration(15, "what entries of the diary were written in place of", DIARY_BEFORE),
    Migration(16, "entries of the diary that counted are confirmed", ENTRIES_CONFIRMED),
    Migration(17, "photographs of the diary", PHOTOGRAPHS),
    Migration(18, "records on their way", RECORDS_ON_THEIR_WAY),
)


def schema_of(site: str) -> str:
    """Return the name of a site's schema: `site_` and its name; of a long one the beginning, and a digest of all."""
    name = f"site_{site}"
    if len(name.encode()) <= LONGEST_SCHEMA:
        return name
    return f"{name[:40]}_{hashlib.sha256(site.encode()).hexdigest()[:20]}"


def version_of(connection: Connection) -> int:
    """Return the last step that a database was brought to, 0 for none."""
    return int(connection.execute("SELECT coalesce(max(number), 0) FROM migration").fetchone()[0])


def newest_step() -> int:
    """Return the last step that this program knows."""
    return MIGRATIONS[-1].number


def migrate(
    connection: Connection,
    place: str,
    tables: Callable[[], set[str]],
    migrations: tuple[Migration, ...] = MIGRATIONS,
) -> int:
    """Bring a database to the last of `migrations`; returns how many steps were applied.

    Parameters
    ----------
    connection : Connection
    place : str
        Where it is, for what is said of it.
    tables : callable
        Returns the names of the tables there.
    migrations : tuple of Migration

    Raises
    ------
    StoreTooNew
        When the file records a step this program does not know.
    StoreForeign
        When the file has tables but no record of steps: it is another program's.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        names = tables()
        if names and "migration" not in names:
            raise StoreForeign(
                f"{place}: found the tables of another program ({', '.join(sorted(names)[:3])}), "
                "expected a database of this one. Name another."
            )
        connection.execute("CREATE TABLE IF NOT EXISTS migration (number INTEGER PRIMARY KEY, name TEXT NOT NULL)")
        connection.execute("COMMIT")
    except BaseException:
        _roll_back(connection)
        raise
    applied = 0
    for migration in migrations:
        applied += _apply(connection, migration, place, last=migrations[-1].number)
    return applied


def refuse_older(connection: Connection, place: str, tables: Callable[[], set[str]]) -> None:
    """Refuse tables that lack a step of this program's, for who must not change them under another.

    Raises
    ------
    StoreAway
        When a step is missing.
    StoreTooNew
        When there is one this program does not know.
    """
    found, last = version_of(connection) if "migration" in tables() else 0, MIGRATIONS[-1].number
    if found < last:
        raise StoreAway(
            f"{place}: found a database of version {found}, expected {last}. Start the server or the workers of this "
            "version first, which bring it there."
        )
    _refuse_newer(found, last, place)


def _refuse_newer(found: int, last: int, place: str) -> None:
    if found > last:
        raise StoreTooNew(
            f"{place}: found a database of version {found}, expected at most {last}. "
            "Install the program that wrote it, or a later one."
        )


def _apply(connection: Connection, migration: Migration, place: str, *, last: int) -> int:
    """Apply one step unless it is recorded. Asked inside the transaction, so that two programs cannot both do it."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        found = version_of(connection)
        _refuse_newer(found, last, place)
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
