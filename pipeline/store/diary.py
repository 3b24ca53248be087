"""The diary: what people did and saw, dated, in their own words where words serve better than fields.

An entry is never changed; it is struck out and written anew, so that what was believed at a time can still be read. It
keeps entries and checks their form; it draws no conclusion from them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from hardware.reading import is_channel
from pipeline.store.database import Database

KINDS = ("core", "depth", "dressing", "watering", "pass", "fixture", "lift", "return", "covers", "note")
MAX_BODY_CHARACTERS = 20_000
MAX_THATCH_MM = 200.0
MAX_DEPTH_MM = 3000.0
MAX_WATER_MM = 500.0


class DiaryFault(ValueError):
    """An entry that cannot be written. `faults` lists every one as `key: found, expected`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


@dataclass(frozen=True, slots=True)
class DiaryEntry:
    """One entry.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    surface : str
        Where, as named in the site's description.
    at_ms : int
        When it was, or began. [ms since 1970, UTC]
    body : mapping
        What is said, as JSON. `core` has `thatch_mm` and may have `root_mm`, by a ruler below the thatch; `depth` has
        `channel` and `depth_mm` below the leaf base; `watering` may have `water_mm`.
    station : str or None
        None when it concerns the whole surface.
    end_ms : int or None
        When it ended, for what lasts. [ms since 1970, UTC]
    author : str
        Who wrote it; empty when not known.
    written_at_ms : int
        When it was written. [ms since 1970, UTC]
    id : int
        0 until it is in the diary.
    """

    kind: str
    surface: str
    at_ms: int
    body: Mapping[str, object] = field(default_factory=dict)
    station: str | None = None
    end_ms: int | None = None
    author: str = ""
    written_at_ms: int = 0
    id: int = 0


class Diary:
    """The diary in one database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(self, entry: DiaryEntry) -> DiaryEntry:
        """Write an entry. Returns it with its id.

        Raises
        ------
        DiaryFault
            With everything that is wrong with it.
        """
        faults = entry_faults(entry)
        if faults:
            raise DiaryFault(faults)
        body = json.dumps(dict(entry.body), sort_keys=True, allow_nan=False)
        with self._database.transaction() as tx:
            (number,) = tx.execute(
                "INSERT INTO diary (kind, surface, station, at_ms, end_ms, body, author, written_at_ms) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?) RETURNING id",
                (
                    entry.kind,
                    entry.surface,
                    entry.station,
                    entry.at_ms,
                    entry.end_ms,
                    body,
                    entry.author,
                    entry.written_at_ms,
                ),
            ).fetchone()
        return replace(entry, id=number)

    def entries(self, kinds: Sequence[str] | None, start_ms: int, end_ms: int) -> list[DiaryEntry]:
        """Entries of these kinds (None: all) with start <= time < end that are not struck, in order of time."""
        wanted = KINDS if kinds is None else tuple(kinds)
        places = ", ".join("?" * len(wanted))
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT kind, surface, at_ms, body, station, end_ms, author, written_at_ms, id FROM diary "
                f"WHERE at_ms >= ? AND at_ms < ? AND struck_at_ms IS NULL AND kind IN ({places}) ORDER BY at_ms, id",
                (start_ms, end_ms, *wanted),
            ).fetchall()
        return [DiaryEntry(*row[:3], json.loads(row[3]), *row[4:]) for row in rows]

    def strike(self, entry_id: int, at_ms: int) -> bool:
        """Strike an entry out. Returns whether there was one to strike."""
        with self._database.transaction() as tx:
            found = tx.execute(
                "UPDATE diary SET struck_at_ms = ? WHERE id = ? AND struck_at_ms IS NULL RETURNING id",
                (at_ms, entry_id),
            ).fetchall()
        return bool(found)


def entry_faults(entry: DiaryEntry) -> list[str]:
    """Everything that is wrong with an entry, as `key: found, expected`; empty when it may be written."""
    faults = []
    if entry.kind not in KINDS:
        faults.append(f"kind: found {entry.kind!r}, expected one of {', '.join(KINDS)}")
    if not entry.surface:
        faults.append("surface: found none, expected the name of a surface")
    if entry.end_ms is not None and entry.end_ms < entry.at_ms:
        faults.append(f"end: found {entry.end_ms}, expected a time not before the start {entry.at_ms}")
    faults += _body_faults(entry)
    if entry.kind == "core":
        faults += _number_fault(entry.body, "thatch_mm", MAX_THATCH_MM)
        if "root_mm" in entry.body:
            faults += _number_fault(entry.body, "root_mm", MAX_DEPTH_MM)
        if entry.station is None:
            faults.append("station: found none, expected the station where the core was cut")
    if entry.kind == "watering" and "water_mm" in entry.body:
        faults += _number_fault(entry.body, "water_mm", MAX_WATER_MM)
    if entry.kind == "depth":
        faults += _number_fault(entry.body, "depth_mm", MAX_DEPTH_MM)
        channel = entry.body.get("channel")
        if not isinstance(channel, str) or not is_channel(channel):
            faults.append(f"channel: found {channel!r}, expected station/probe/channel")
    return faults


def _body_faults(entry: DiaryEntry) -> list[str]:
    try:
        text = json.dumps(dict(entry.body), allow_nan=False)
    except (TypeError, ValueError) as err:
        return [f"body: found what JSON cannot carry ({err}), expected texts, numbers, lists and tables"]
    if len(text) > MAX_BODY_CHARACTERS:
        return [f"body: found {len(text)} characters, expected at most {MAX_BODY_CHARACTERS}"]
    return []


def _number_fault(body: Mapping[str, object], key: str, highest: float) -> list[str]:
    value = body.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return [f"{key}: found {value!r}, expected a number of mm from 0 to {highest:g}"]
    if not 0.0 <= value <= highest:
        return [f"{key}: found {value!r}, expected 0 to {highest:g} mm"]
    return []
