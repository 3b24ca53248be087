"""What the diary says, as the sums of advice want it: jobs, sights, overrides, spans of seed, play and covers.

Pure: it is handed the entries of one surface. An entry that lacks what is asked for is passed over, and nothing is
concluded here.
"""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.advice.locks import Override, Span
from pipeline.advice.measures import Job, Sight, merge_jobs
from pipeline.advice.past_hours import Covered, Watering
from pipeline.store.entry import DiaryEntry

LIGHT_DRESSING_MM = 1.0  # up to so much a dressing is a light one: between 0.6 and 2, our own choice
MADE = ("begun", "done")
HOUR_MS = 3_600_000


def of_surface(entries: Iterable[DiaryEntry], surface: str) -> list[DiaryEntry]:
    """Entries of one surface, in order of time."""
    return sorted((e for e in entries if e.surface == surface), key=lambda e: (e.at_ms, e.id))


def number(entry: DiaryEntry, key: str) -> float | None:
    """A number of the body; None where there is none."""
    value = entry.body.get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def jobs(entries: Iterable[DiaryEntry], kind: str, variant: str, now_ms: int) -> tuple[Job, ...]:
    """Passes of a kind that have been made, one job in several directions once.

    A pass written down without a variant counts for each; dressings laid count as top-dressing, seed sown as seeding.
    """
    found = [
        Job(e.at_ms, _area(e))
        for e in entries
        if e.at_ms <= now_ms and _is(e, kind, variant) and str(e.body.get("state", "done")) in MADE
    ]
    return merge_jobs(tuple(found))


def _is(entry: DiaryEntry, kind: str, variant: str) -> bool:
    if entry.kind == "pass":
        return entry.body.get("pass") == kind and entry.body.get("variant") in (None, "", variant)
    if entry.kind == "dressing":
        laid = number(entry, "dressing_mm") or 0.0
        return kind == "topdressing" and variant == ("light" if laid <= LIGHT_DRESSING_MM else "heavy")
    return entry.kind == "sown" and kind == "overseeding"


def _area(entry: DiaryEntry) -> float:
    spacing, width = number(entry, "spacing_mm"), number(entry, "width_mm")
    return 0.0 if not spacing or width is None else min(width / spacing, 1.0)


def sights(entries: Iterable[DiaryEntry]) -> tuple[Sight, ...]:
    """What eyes saw."""
    return tuple(
        Sight(str(e.body["what"]), value, e.at_ms)
        for e in entries
        if e.kind == "sight" and (value := number(e, "value")) is not None
    )


def overrides(entries: Iterable[DiaryEntry]) -> tuple[Override, ...]:
    """Words of people that a pass may be made."""
    return tuple(
        Override(
            str(e.body["pass"]),
            str(e.body.get("variant", "")),
            Span(e.at_ms, e.end_ms),
            str(e.body["reason"]),
            e.author,
            e.written_at_ms,
        )
        for e in entries
        if e.kind == "override" and e.end_ms is not None
    )


def latest_sown_ms(entries: Iterable[DiaryEntry], now_ms: int) -> int | None:
    """When seed was last sown. [ms since 1970, UTC]"""
    return max((e.at_ms for e in entries if _sows(e) and e.at_ms <= now_ms), default=None)


def _sows(entry: DiaryEntry) -> bool:
    made = entry.kind == "pass" and str(entry.body.get("state", "done")) in MADE
    return entry.kind == "sown" or (made and entry.body.get("pass") == "overseeding")


def until_ms(entries: Iterable[DiaryEntry], kind: str, now_ms: int) -> int | None:
    """Until when something laid on works, where it does now or will. [ms since 1970, UTC]"""
    ends = [e.end_ms for e in entries if e.kind == kind and e.end_ms is not None and e.end_ms > now_ms]
    return max(ends, default=None)


def renovation(entries: Iterable[DiaryEntry], now_ms: int) -> Span | None:
    """The renovation that is on or next, as the diary has it."""
    spans = [Span(e.at_ms, e.end_ms) for e in entries if e.kind == "renovation" and e.end_ms is not None]
    return min((s for s in spans if s.end_ms > now_ms), key=lambda s: s.start_ms, default=None)


def waterings(entries: Iterable[DiaryEntry], station: str) -> tuple[Watering, ...]:
    """Waterings of a station whose amount is known, and rain read by hand is not among them."""
    return tuple(
        Watering(e.at_ms, e.at_ms if e.end_ms is None else e.end_ms, mm)
        for e in entries
        if e.kind == "watering" and e.station in (None, station) and (mm := number(e, "water_mm")) is not None
    )


def covers(entries: Iterable[DiaryEntry], station: str, now_ms: int) -> tuple[Covered, ...]:
    """Spans under covers; without an end they are on still."""
    return tuple(
        Covered(e.at_ms, now_ms if e.end_ms is None else e.end_ms)
        for e in entries
        if e.kind == "covers" and e.station in (None, station)
    )
