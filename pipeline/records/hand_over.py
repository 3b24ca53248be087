"""A checked record on its way to the process that holds its site: in pieces in the database, until it is kept."""

from __future__ import annotations

from collections.abc import Sequence
from typing import IO

from pipeline.records.record_intake import KEPT_AT_ONCE, CheckedRecord
from pipeline.store.readings import RECORDED
from pipeline.store.sql import SqlDatabase

PIECE_BYTES = KEPT_AT_ONCE * RECORDED.itemsize


def hand_over(checked: CheckedRecord, database: SqlDatabase) -> None:
    """Write what is in a record's spool into the database, so that others may write between two pieces.

    Once more is the same, and goes on where it was broken off.
    """
    checked.spool.flush()
    checked.spool.seek(0)
    number = 0
    while content := checked.spool.read(PIECE_BYTES):
        with database.transaction() as tx:
            tx.execute(
                "INSERT INTO record_piece VALUES (?, ?, ?) ON CONFLICT (record, number) DO UPDATE SET "
                "content = excluded.content",
                (checked.outbox_id, number, content),
            )
        number += 1


def taken_over(database: SqlDatabase, outbox_id: str, channels: Sequence[str], spool: IO[bytes]) -> CheckedRecord:
    """Return the record that was handed over, its readings in the spool: none of one that was dropped."""
    checked = CheckedRecord(outbox_id, tuple(channels), spool)
    with database.snapshot() as connection:
        query = "SELECT content FROM record_piece WHERE record = ? AND number = ?"
        while row := connection.execute(query, (outbox_id, checked.count // KEPT_AT_ONCE)).fetchone():
            spool.write(row[0])
            checked.count += len(row[0]) // RECORDED.itemsize
            if len(row[0]) < PIECE_BYTES:
                break
    return checked


def drop_handed_over(database: SqlDatabase, outbox_id: str) -> None:
    """Take a record out of the database again."""
    with database.transaction() as tx:
        tx.execute("DELETE FROM record_piece WHERE record = ?", (outbox_id,))
