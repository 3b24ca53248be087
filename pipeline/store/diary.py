"""The diary: what people did and saw, dated, in their own words where words serve better than fields.

An entry is never changed; it is struck out and written anew, so that what was believed at a time can still be read. It
keeps entries and draws no conclusion from them; their form is `entry`'s.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from pipeline.diary.entry import KINDS, DiaryEntry, DiaryFault, counts, entry_faults
from pipeline.store.sql import Connection, SqlDatabase

NAMES = ("follows", "entry")  # keys of a body that hold the number of another entry
_LARGEST_ID = 2**63 - 1  # of a row
_COLUMNS = "kind, surface, at_ms, body, station, end_ms, author, written_at_ms, id, coalesce(sent_as, '')"


class Diary:
    """The diary in one database."""

    def __init__(self, database: SqlDatabase) -> None:
        self._database = database

    def add(self, entry: DiaryEntry) -> DiaryEntry:
        """Write an entry. Returns it with its id.

        What was sent under the same identity before is returned instead, struck or not, and nothing is written.

        Raises
        ------
        DiaryFault
            With everything that is wrong with it.
        """
        _refuse_faulty(entry)
        with self._database.transaction() as tx:
            kept = _sent_as(tx, entry.sent_as)
            return replace(entry, id=_insert(tx, entry)) if kept is None else kept

    def sent_as(self, identity: str) -> DiaryEntry | None:
        """Return what was sent under an identity, struck or not; None for nothing, or without one."""
        with self._database.reading() as connection:
            return _sent_as(connection, identity)

    def write_anew(self, entry_id: int, entry: DiaryEntry, at_ms: int) -> DiaryEntry | None:
        """Write an entry in place of another, which is struck out: both or neither. [ms since 1970, UTC]

        Entries that name the other by its number are written anew with that of this one.

        Returns it with its id, or what was sent under the same identity before; None when there was none to strike.

        Raises
        ------
        DiaryFault
            With everything that is wrong with it.
        """
        _refuse_faulty(entry)
        with self._database.transaction() as tx:
            kept = _sent_as(tx, entry.sent_as)
            if kept is not None:
                return kept
            if not _strike(tx, entry_id, at_ms):
                return None
            return _anew(tx, entry, entry_id, at_ms)

    def before(self, entry_id: int) -> list[DiaryEntry]:
        """Return the entries that one was written in place of, the newest first; they are struck."""
        if not 0 < entry_id <= _LARGEST_ID:
            return []
        with self._database.reading() as connection:
            rows = connection.execute(
                "WITH RECURSIVE chain (number, place) AS ("
                "SELECT before, 1 FROM diary_before WHERE entry = ? UNION ALL "
                "SELECT before, place + 1 FROM diary_before JOIN chain ON entry = number) "
                f"SELECT {_COLUMNS} FROM chain JOIN diary ON id = number ORDER BY place",
                (entry_id,),
            ).fetchall()
        return [_entry(row) for row in rows]

    def after(self, entry_id: int) -> DiaryEntry | None:
        """Return the entry that was written in place of one, struck or not; None for none."""
        if not 0 < entry_id <= _LARGEST_ID:
            return None
        with self._database.reading() as connection:
            row = connection.execute(
                f"SELECT {_COLUMNS} FROM diary_before JOIN diary ON id = entry WHERE before = ?", (entry_id,)
            ).fetchone()
        return None if row is None else _entry(row)

    def restore(self, entry_id: int, at_ms: int) -> DiaryEntry | None:
        """Write an entry once more that was struck out, with nothing in its place. [ms since 1970, UTC]

        Returns it with its new id; None when there is none, it stands, or another took its place.
        """
        if not 0 < entry_id <= _LARGEST_ID:
            return None
        with self._database.transaction() as tx:
            row = tx.execute(
                f"SELECT {_COLUMNS} FROM diary WHERE id = ? AND struck_at_ms IS NOT NULL "
                "AND NOT EXISTS (SELECT 1 FROM diary_before WHERE before = diary.id)",
                (entry_id,),
            ).fetchone()
            if row is None:
                return None
            return _anew(tx, replace(_entry(row), written_at_ms=at_ms, sent_as=""), entry_id, at_ms)

    def is_restored(self, entry_id: int) -> bool:
        """Return whether an entry is one that was struck out and later written once more by `restore`."""
        if not 0 < entry_id <= _LARGEST_ID:
            return False
        with self._database.reading() as connection:
            row = connection.execute(
                "SELECT 1 FROM diary_before JOIN diary AS now ON now.id = entry JOIN diary AS old ON old.id = before "
                "WHERE entry = ? AND old.struck_at_ms < now.written_at_ms",  # what is written anew is struck by that
                (entry_id,),
            ).fetchone()
        return row is not None

    def entry(self, entry_id: int) -> DiaryEntry | None:
        """Return the entry with an id; None when there is none, or it is struck."""
        if not 0 < entry_id <= _LARGEST_ID:
            return None
        with self._database.reading() as connection:
            row = connection.execute(
                f"SELECT {_COLUMNS} FROM diary WHERE id = ? AND struck_at_ms IS NULL", (entry_id,)
            ).fetchone()
        return None if row is None else _entry(row)

    def entries(
        self, kinds: Sequence[str] | None, start_ms: int, end_ms: int, *, struck: bool = False, asked: bool = False
    ) -> list[DiaryEntry]:
        """Return entries of these kinds (None: all) with start <= time < end that are not struck, in order of time.

        With `struck` those that are; with `asked` those too that do not count, as a question about them stands.
        """
        wanted = tuple(KINDS if kinds is None else kinds)
        if not wanted:
            return []
        places = ", ".join("?" * len(wanted))
        with self._database.reading() as connection:
            rows = connection.execute(
                f"SELECT {_COLUMNS} FROM diary "
                "WHERE at_ms >= ? AND at_ms < ? AND (struck_at_ms IS NOT NULL) = (? = 1) "
                f"AND kind IN ({places}) ORDER BY at_ms, id",
                (start_ms, end_ms, int(struck), *wanted),
            ).fetchall()
        found = [_entry(row) for row in rows]
        return found if struck or asked else [entry for entry in found if counts(entry)]

    def revision(self) -> tuple[int, int]:
        """Return what is another whenever an entry is written or struck: the last id, and how many are struck."""
        with self._database.reading() as connection:
            row = connection.execute("SELECT coalesce(max(id), 0), count(struck_at_ms) FROM diary").fetchone()
        return int(row[0]), int(row[1])

    def changes(self, known: Mapping[str, object]) -> tuple[list[DiaryEntry], dict[str, object]]:
        """Return the entries written or struck since a note was made, in order of writing, and the note of now.

        A note has the last id and the ids of all that are struck, as JSON; an empty one was made before any entry.
        """
        last, struck = known.get("last", 0), known.get("struck", [])
        with self._database.reading() as connection:
            rows = connection.execute(
                f"SELECT struck_at_ms IS NOT NULL, {_COLUMNS} FROM diary WHERE id > ? OR struck_at_ms IS NOT NULL "
                "ORDER BY id",
                (last,),
            ).fetchall()
        assert isinstance(last, int) and isinstance(struck, list)
        entries = [_entry(row) for _, *row in rows]
        now = {"last": max([last, *(e.id for e in entries)]), "struck": [row[-1] for row in rows if row[0]]}
        return [entry for entry in entries if entry.id > last or entry.id not in struck], now

    def strike(self, entry_id: int, at_ms: int) -> bool:
        """Strike an entry out. Returns whether there was one to strike."""
        with self._database.transaction() as tx:
            return _strike(tx, entry_id, at_ms)


def _anew(tx: Connection, entry: DiaryEntry, before: int, at_ms: int) -> DiaryEntry:
    """Write an entry in place of one that is struck; what goes on with that, or says that it has healed, names it."""
    number = _insert(tx, entry)
    tx.execute("INSERT INTO diary_before VALUES (?, ?)", (number, before))
    for one in _naming(tx, before):
        _strike(tx, one.id, at_ms)
        names = {key: number for key in NAMES if one.body.get(key) == before}
        _anew(tx, replace(one, body={**one.body, **names}, sent_as=""), one.id, at_ms)
    return replace(entry, id=number)


def _naming(connection: Connection, entry_id: int) -> list[DiaryEntry]:
    """Return the entries that name one by its number."""
    rows = connection.execute(
        f"SELECT {_COLUMNS} FROM diary "
        "WHERE kind IN ('pass', 'healed') AND id > ? AND struck_at_ms IS NULL ORDER BY id",
        (entry_id,),
    ).fetchall()
    return [one for one in map(_entry, rows) if any(one.body.get(key) == entry_id for key in NAMES)]


def _sent_as(connection: Connection, identity: str) -> DiaryEntry | None:
    if not identity:
        return None
    kept = connection.execute(f"SELECT {_COLUMNS} FROM diary WHERE sent_as = ?", (identity,)).fetchone()
    return None if kept is None else _entry(kept)


def _refuse_faulty(entry: DiaryEntry) -> None:
    faults = entry_faults(entry)
    if faults:
        raise DiaryFault(faults)


def _insert(tx: Connection, entry: DiaryEntry) -> int:
    body = json.dumps(dict(entry.body), sort_keys=True, allow_nan=False)
    (number,) = tx.execute(
        "INSERT INTO diary (kind, surface, station, at_ms, end_ms, body, author, written_at_ms, sent_as) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) RETURNING id",
        (
            entry.kind,
            entry.surface,
            entry.station,
            entry.at_ms,
            entry.end_ms,
            body,
            entry.author,
            entry.written_at_ms,
            entry.sent_as or None,
        ),
    ).fetchone()
    return int(number)


def _strike(tx: Connection, entry_id: int, at_ms: int) -> bool:
    found = tx.execute(
        "UPDATE diary SET struck_at_ms = ? WHERE id = ? AND struck_at_ms IS NULL RETURNING id",
        (at_ms, entry_id),
    ).fetchall()
    return bool(found)


def _entry(row: Any) -> DiaryEntry:
    kind, surface, at_ms, body, *rest = row
    return DiaryEntry(kind, surface, at_ms, json.loads(body), *rest)
