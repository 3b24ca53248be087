"""What the diary says, as the alert rules want it: passes booked and made, play, covers, waterings, marks on alerts.

Pure: it is handed the entries and the play of the calendar, and concludes nothing but that a pass made on a day is no
longer booked for it.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Sequence

from pipeline.advice.treatments import TreatmentTable
from pipeline.advice.watch import Diary, Job, Mark, Times
from pipeline.advisor.diary import MADE, number
from pipeline.store.entry import DiaryEntry

ENTRY_KINDS = ("pass", "fixture", "covers", "mark")  # what must be handed in
BACK_MS, AHEAD_MS = 400 * 86_400_000, 60 * 86_400_000  # how far back a mark or a pass may count, and how far ahead


def diary_of(
    entries: Iterable[DiaryEntry],
    surface: str,
    table: TreatmentTable,
    zone: datetime.tzinfo,
    *,
    station: str | None = None,
    waterings: Times = (),
    plays: Times = (),
) -> Diary:
    """The diary of one surface, or of one station with what holds for its whole surface.

    Parameters
    ----------
    entries : iterable of DiaryEntry
        Of `ENTRY_KINDS`; those of other surfaces and stations are passed over, marks are not: they name their alert.
    surface : str
        Slug.
    table : TreatmentTable
        A pass written down without a variant is of the first that the table has.
    zone : tzinfo
        Of the site. What has no end is over with its day.
    station : str, optional
        Slug; None for the surface alone.
    waterings, plays : tuple of (int, int)
        From elsewhere: waterings as the stages know them, play of the calendar. [ms since 1970, UTC]
    """
    every = sorted(entries, key=lambda e: (e.at_ms, e.id))
    own = [e for e in every if e.surface == surface and (station is None or e.station in (None, station))]
    passes = [e for e in own if e.kind == "pass"]
    made = [_job(e, table, zone) for e in passes if str(e.body.get("state", "done")) in MADE]
    booked = [_job(e, table, zone) for e in passes if e.body.get("state") == "booked"]
    done = {(j.kind, j.variant, _day(j.start_ms, zone)) for j in made}
    fixtures = [(e.at_ms, _end_ms(e, zone)) for e in own if e.kind == "fixture"]
    return Diary(
        waterings=waterings,
        plays=tuple(sorted({*plays, *fixtures})),
        covers=tuple((e.at_ms, 2**62 if e.end_ms is None else e.end_ms) for e in own if e.kind == "covers"),
        booked=tuple(j for j in booked if (j.kind, j.variant, _day(j.start_ms, zone)) not in done),
        made=tuple(made),
        marks=_marks([e for e in every if e.kind == "mark"]),
    )


def _job(entry: DiaryEntry, table: TreatmentTable, zone: datetime.tzinfo) -> Job:
    kind = str(entry.body.get("pass", ""))
    facts, depth_mm = table.facts.get(kind), number(entry, "depth_mm")
    variant = str(entry.body.get("variant") or ("" if facts is None else facts.variants[0]))
    return Job(kind, variant, entry.at_ms, _end_ms(entry, zone), None if depth_mm is None else depth_mm / 1000.0)


def _marks(entries: Sequence[DiaryEntry]) -> dict[str, tuple[Mark, ...]]:
    found: dict[str, tuple[Mark, ...]] = {}
    for e in entries:
        alert = str(e.body["alert"])
        found[alert] = (*found.get(alert, ()), Mark(str(e.body["mark"]), e.at_ms, e.end_ms))
    return found


def _day(at_ms: int, zone: datetime.tzinfo) -> datetime.date:
    return datetime.datetime.fromtimestamp(at_ms / 1000, zone).date()


def _end_ms(entry: DiaryEntry, zone: datetime.tzinfo) -> int:
    """When an entry ended; without an end, the last moment of its day."""
    if entry.end_ms is not None:
        return entry.end_ms
    next_day = _day(entry.at_ms, zone) + datetime.timedelta(days=1)
    return round(datetime.datetime.combine(next_day, datetime.time(), zone).timestamp() * 1000) - 1
