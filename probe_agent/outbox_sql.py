"""The outbox file as SQL: how it is set up, and every statement that changes or reads it, by name.

Apart from `outbox` so that a test of power failure can replay the same statements. It opens nothing.
"""

from __future__ import annotations

PAGE_BYTES = 4096

SET_UP = (
    f"PRAGMA page_size={PAGE_BYTES}",
    "PRAGMA journal_mode=WAL",
    # FULL: with NORMAL committed rows are lost when power fails (measured on simulated disks)
    "PRAGMA synchronous=FULL",
    "PRAGMA cache_size=-512",  # kB: small, so that damage on the disk is seen soon and the agent stays light
)
CREATE = (
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
BEGIN = "BEGIN IMMEDIATE"
COMMIT = "COMMIT"
SET_FACT = "INSERT INTO fact VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value"
INSERT = (
    "INSERT INTO reading (channel, slot, measured_at_ms, raw, status, attempts, boot_id, uptime_ms, grid_s)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
SET_LAST_SLOT = "INSERT INTO last_slot VALUES (?, ?) ON CONFLICT (probe) DO UPDATE SET slot_s = excluded.slot_s"
INSERT_STROKE = "INSERT OR IGNORE INTO stroke (probe, stroke) VALUES (?, ?)"
FORGET_STROKES = "DELETE FROM stroke WHERE id <= (SELECT max(id) FROM stroke) - ?"
DROP_OLDEST = "DELETE FROM reading WHERE seq <= ?"
REDATE = (
    "UPDATE reading SET boot_id = NULL, uptime_ms = NULL, grid_s = NULL, measured_at_ms = uptime_ms + :offset_ms,"
    " slot = CASE WHEN grid_s IS NULL THEN slot ELSE CAST("
    "(CAST(slot AS INTEGER) * 1000 + (uptime_ms + :offset_ms - measured_at_ms) + grid_s * 500)"
    " / (grid_s * 1000) * grid_s AS TEXT) END"
    " WHERE seq > :received AND boot_id = :boot_id"
)
SET_LINE = (
    "INSERT INTO line VALUES (?, ?, ?) ON CONFLICT (name) DO UPDATE SET state = excluded.state,"
    " since_ms = excluded.since_ms WHERE line.state <> excluded.state"
)
FORGET_LINES = "DELETE FROM line WHERE name NOT IN (SELECT value FROM json_each(?))"

READ = (
    "SELECT seq, channel, slot, measured_at_ms, raw, status, attempts, boot_id, uptime_ms FROM reading"
    " WHERE seq > ? ORDER BY seq LIMIT ?"
)
SEQ_ASSIGNED = "SELECT coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'reading'), 0)"
