"""The diary over the data interface: read it, write an entry, strike one out, and say what you make of an alert.

An entry is refused with every fault at once; what only looks like a slip of the pen is asked about and kept. What an
entry means for the ground is worked out anew by the pipeline, which is told here.
"""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Header, Query, Request, Response

from api import schema
from api.data import DEFAULT_PAGE, MAX_PAGE, iso, ms, pipeline_of
from api.diary_check import check, moment_of
from api.problems import WRITE_RESPONSES, Problem
from api.who import who
from api.writing import may_write
from pipeline.diary.entry import KINDS, MARKS, DiaryEntry, entry_questions
from pipeline.service import Pipeline
from pipeline.site.fields import nearest, words_of
from pipeline.units import EVER_MS

MAX_KEY = 200
ALERTS_BACK_MS = 400 * 86_400_000  # a closed alert may still be marked wrong for so long

router = APIRouter(prefix="/api/v1", tags=["diary"])

EntriesFrom = Annotated[
    datetime.datetime | None, Query(alias="from", description="first moment; default the beginning")
]
EntriesTo = Annotated[
    datetime.datetime | None, Query(alias="to", description="moment after the last; default all to come")
]
Kinds = Annotated[list[str] | None, Query(alias="kind", description="repeat for several; none for all")]
Key = Annotated[str, Header(alias="Idempotency-Key", max_length=MAX_KEY, description="the same key, the same entry")]


@router.get("/diary", summary="Entries of the diary, a page at a time")
def get_diary(
    request: Request,
    kind: Kinds = None,
    surface: str | None = None,
    start: EntriesFrom = None,
    end: EntriesTo = None,
    limit: Annotated[int, Query(ge=1, le=MAX_PAGE)] = DEFAULT_PAGE,
    after: Annotated[int, Query(ge=0, description="entries to pass over; `next` has it filled in")] = 0,
) -> schema.DiaryOut:
    pipeline = pipeline_of(request)
    for one in kind or []:
        if one not in KINDS:
            raise Problem(422, "No such kind", f"kind: found {one!r}, expected {nearest(one, KINDS)}")
    surfaces = [s.name for s in pipeline.config.surfaces]
    if surface is not None and surface not in surfaces:
        raise Problem(404, "No such surface", f"surface: found {surface!r}, expected {nearest(surface, surfaces)}")
    span = (EVER_MS[0] if start is None else ms(start), EVER_MS[1] if end is None else ms(end))
    entries = [e for e in pipeline.diary.entries(kind, *span) if surface in (None, e.surface)]
    query = [(key, str(value)) for key, value in request.query_params.multi_items() if key not in ("limit", "after")]
    query += [("limit", str(limit)), ("after", str(after + limit))]
    more = after + limit < len(entries)
    return schema.DiaryOut(
        entries=[entry_out(e) for e in entries[after : after + limit]],
        next=f"{request.url.path}?{urlencode(query)}" if more else None,
    )


@router.get("/diary/kinds", summary="Kinds of entry, and what each must say")
def get_kinds() -> list[schema.DiaryKindOut]:
    return [
        schema.DiaryKindOut(
            kind=name,
            title=kind.kind_title,
            needs_station="station" in kind.needs,
            needs_end="end" in kind.needs,
            needs_author="author" in kind.needs,
            fields=[
                schema.DiaryFieldOut(name=key, needed=field.is_required(), expects=words_of(field, key, None))
                for key, field in kind.model_fields.items()
            ],
        )
        for name, kind in KINDS.items()
    ]


@router.post(
    "/diary",
    status_code=201,
    summary="Write an entry",
    dependencies=[Depends(may_write)],
    responses=WRITE_RESPONSES,
)
def write(request: Request, response: Response, entry: schema.DiaryEntryIn, key: Key = "") -> schema.DiaryWrittenOut:
    """What looks like a length in inches is asked about in `questions`, and kept as it is."""
    pipeline, faults = pipeline_of(request), list[str]()
    written = add(request, _made(pipeline, entry, faults), faults, key=key)
    response.headers["Location"] = f"/api/v1/diary/{written.id}"
    return schema.DiaryWrittenOut(entry=entry_out(written), questions=entry_questions(written))


@router.get("/diary/{entry_id}", summary="One entry of the diary")
def get_entry(request: Request, entry_id: int) -> schema.DiaryEntryOut:
    return entry_out(_found(pipeline_of(request), entry_id))


@router.put(
    "/diary/{entry_id}",
    summary="Write an entry in place of another, which is struck out",
    dependencies=[Depends(may_write)],
    responses=WRITE_RESPONSES,
)
def write_anew(
    request: Request, response: Response, entry_id: int, entry: schema.DiaryEntryIn
) -> schema.DiaryWrittenOut:
    """Both or neither. The new entry has a number of its own."""
    pipeline, faults = pipeline_of(request), list[str]()
    written = change(request, entry_id, _made(pipeline, entry, faults), faults)
    response.headers["Content-Location"] = f"/api/v1/diary/{written.id}"
    return schema.DiaryWrittenOut(entry=entry_out(written), questions=entry_questions(written))


@router.delete(
    "/diary/{entry_id}",
    status_code=204,
    summary="Strike an entry out; it stays on the disk and is told no more",
    dependencies=[Depends(may_write)],
    responses=WRITE_RESPONSES,
)
def strike_entry(request: Request, entry_id: int) -> None:
    strike(pipeline_of(request), entry_id)


@router.post(
    "/alerts/{alert_id}/mark",
    status_code=201,
    summary="Say of an alert that it was seen, is to be quiet until a time, or is wrong",
    dependencies=[Depends(may_write)],
    responses=WRITE_RESPONSES,
)
def mark(request: Request, alert_id: str, told: schema.MarkIn) -> schema.DiaryEntryOut:
    """It is written in the diary, and kept for tuning."""
    pipeline, faults = pipeline_of(request), list[str]()
    now_ms = pipeline.clock.now_ms()
    surface, station = _place_of_alert(pipeline, alert_id, now_ms)
    until_ms = moment_of(told.until, "until", faults)
    if told.mark not in MARKS:
        faults.append(f"mark: found {told.mark!r}, expected {nearest(told.mark, MARKS)}")
    if told.mark == "snoozed" and told.until is None:
        faults.append("until: found none, expected the time until which it is to be quiet")
    if until_ms is not None and until_ms <= now_ms:
        faults.append(f"until: found {told.until!r}, expected a time to come")
    body = {"alert": alert_id, "mark": told.mark, **({"why": told.why.strip()} if told.why.strip() else {})}
    made = DiaryEntry("mark", surface, now_ms, body, station, until_ms, told.author.strip(), now_ms)
    return entry_out(add(request, made, faults))


def add(request: Request, entry: DiaryEntry, faults: list[str], *, key: str = "") -> DiaryEntry:
    """Write an entry, by whoever is signed in; the worker notices it. Raises Problem 422 with `faults` and others."""
    pipeline, entry = pipeline_of(request), _signed(request, entry)
    before = pipeline.diary.under(key)
    if before is not None and _gist(before) == _gist(entry):
        return before  # what may have made it a second one is not asked of a repeat
    faults += [f for f in check(pipeline.config, pipeline.diary, entry, pipeline.clock.now_ms()) if f not in faults]
    if faults:
        raise Problem(422, "The entry cannot be written", "; ".join(faults), faults=faults)
    written = pipeline.diary.add(entry, key=key)
    if _gist(written) != _gist(entry):
        detail = f"Idempotency-Key: found {key!r} on another entry, expected a key of its own for each"
        raise Problem(422, "The key has been used", detail, faults=[detail])
    pipeline.changes.bump("diary")
    return written


def change(request: Request, entry_id: int, entry: DiaryEntry, faults: list[str]) -> DiaryEntry:
    """Write an entry in place of another, by whoever is signed in. Raises Problem 404 without that, 422 with `faults`
    and all others."""
    pipeline, entry = pipeline_of(request), _signed(request, entry)
    _found(pipeline, entry_id)
    faults += [f for f in check(pipeline.config, pipeline.diary, entry, pipeline.clock.now_ms()) if f not in faults]
    if faults:
        raise Problem(422, "The entry cannot be written", "; ".join(faults), faults=faults)
    written = pipeline.diary.write_anew(entry_id, entry, pipeline.clock.now_ms())
    if written is None:  # struck by somebody else meanwhile
        raise _no_such(entry_id)
    pipeline.changes.bump("diary")
    return written


def strike(pipeline: Pipeline, entry_id: int) -> None:
    """Strike an entry out. Raises Problem 404 without it."""
    _found(pipeline, entry_id)
    pipeline.diary.strike(entry_id, pipeline.clock.now_ms())
    pipeline.changes.bump("diary")


def _signed(request: Request, entry: DiaryEntry) -> DiaryEntry:
    """An entry by whoever is signed in, or by a token's name; else by who it says."""
    return replace(entry, author=who(request).name or entry.author)


def _made(pipeline: Pipeline, entry: schema.DiaryEntryIn, faults: list[str]) -> DiaryEntry:
    """The entry that was sent, now where it names no time; what is wrong with its times is added to `faults`."""
    now_ms = pipeline.clock.now_ms()
    at_ms, end_ms = moment_of(entry.at, "at", faults), moment_of(entry.end, "end", faults)
    return DiaryEntry(
        entry.kind, entry.surface, now_ms if at_ms is None else at_ms, entry.body, entry.station, end_ms,
        entry.author.strip(), now_ms,
    )  # fmt: skip


def _gist(entry: DiaryEntry) -> tuple[object, ...]:
    """What must be the same in a repeat; the time may be left out, and is then that of the first."""
    return entry.kind, entry.surface, entry.station, dict(entry.body)


def _found(pipeline: Pipeline, entry_id: int) -> DiaryEntry:
    entry = pipeline.diary.entry(entry_id)
    if entry is None:
        raise _no_such(entry_id)
    return entry


def _no_such(entry_id: int) -> Problem:
    return Problem(404, "No such entry", f"found {entry_id}, expected the number of an entry that is not struck")


def _place_of_alert(pipeline: Pipeline, alert_id: str, now_ms: int) -> tuple[str, str | None]:
    """Surface and station of an alert that is open, or was in the last year. Raises Problem 404."""
    for alert in pipeline.alerts():
        if alert.alert_id == alert_id:
            return alert.surface, alert.station or None
    for event in reversed(pipeline.journal.events(now_ms - ALERTS_BACK_MS, now_ms + 1)):
        if event.body.get("alert_id") == alert_id:
            return str(event.body.get("surface")), str(event.body.get("station") or "") or None
    raise Problem(404, "No such alert", f"found {alert_id!r}, expected the id of one that /api/v1/alerts lists")


def entry_out(entry: DiaryEntry) -> schema.DiaryEntryOut:
    """An entry as the interface gives it."""
    return schema.DiaryEntryOut(
        id=entry.id,
        kind=entry.kind,
        title=KINDS[entry.kind].kind_title,
        surface=entry.surface,
        station=entry.station,
        at=iso(entry.at_ms),
        end=None if entry.end_ms is None else iso(entry.end_ms),
        author=entry.author,
        written_at=iso(entry.written_at_ms),
        body=dict(entry.body),
    )
