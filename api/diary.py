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

from api import schema, words
from api.data import DEFAULT_PAGE, MAX_PAGE, iso, ms, pipeline_of
from api.diary_check import check, moment_of
from api.problems import WRITE_RESPONSES, Problem, described
from api.who import who
from api.writing import may_write
from pipeline.diary.entry import KINDS, MARKS, MAX_SENT_AS, DiaryEntry, counts, entry_questions
from pipeline.service import Pipeline
from pipeline.site.fields import nearest, words_of
from pipeline.texts import say
from pipeline.units import EVER_MS

ALIKE_WITHIN_MS = 30 * 60_000  # our own choice
ALERTS_BACK_MS = 400 * 86_400_000  # a closed alert may still be marked wrong for so long

router = APIRouter(prefix="/api/v1", tags=["diary"])

EntriesFrom = Annotated[
    datetime.datetime | None, Query(alias="from", description="first moment; default the beginning")
]
EntriesTo = Annotated[
    datetime.datetime | None, Query(alias="to", description="moment after the last; default all to come")
]
Kinds = Annotated[list[str] | None, Query(alias="kind", description="repeat for several; none for all")]
Key = Annotated[str, Header(alias="Idempotency-Key", max_length=MAX_SENT_AS, description="the same as `sent_as`")]
SENT_RESPONSES = {
    **WRITE_RESPONSES,
    **described((409, "Something else was sent under the same identity; it stands as it was written")),
}


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
    entries = [e for e in pipeline.diary.entries(kind, *span, asked=True) if surface in (None, e.surface)]
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
    responses={**SENT_RESPONSES, 200: {"model": schema.DiaryWrittenOut, "description": "It was sent before"}},
)
def write(request: Request, response: Response, entry: schema.DiaryEntryIn, key: Key = "") -> schema.DiaryWrittenOut:
    """What looks like a slip of the pen, or like what somebody has written already, is asked about in `questions`, and
    kept; a slip of the pen counts once it is written anew with `"confirmed": true` in its body. Sent again under the
    same `sent_as` it is written once: then 200 and the entry of then."""
    pipeline, faults = pipeline_of(request), list[str]()
    made = _made(pipeline, entry, faults, key)
    if pipeline.diary.sent_as(made.sent_as) is not None:
        response.status_code = 200
    written = add(request, made, faults)
    response.headers["Location"] = f"/api/v1/diary/{written.id}"
    return _written_out(pipeline, written)


@router.get("/diary/{entry_id}", summary="One entry of the diary")
def get_entry(request: Request, entry_id: int) -> schema.DiaryEntryOut:
    return entry_out(_found(pipeline_of(request), entry_id))


@router.get("/diary/{entry_id}/history", summary="What an entry was written in place of, the newest first")
def get_history(request: Request, entry_id: int) -> list[schema.DiaryEntryOut]:
    pipeline = pipeline_of(request)
    return [entry_out(entry) for entry in (_found(pipeline, entry_id), *pipeline.diary.before(entry_id))]


@router.put(
    "/diary/{entry_id}",
    summary="Write an entry in place of another, which is struck out",
    dependencies=[Depends(may_write)],
    responses=SENT_RESPONSES,
)
def write_anew(
    request: Request, response: Response, entry_id: int, entry: schema.DiaryEntryIn
) -> schema.DiaryWrittenOut:
    """Both or neither. The new entry has a number of its own."""
    pipeline, faults = pipeline_of(request), list[str]()
    written = change(request, entry_id, _made(pipeline, entry, faults), faults)
    response.headers["Content-Location"] = f"/api/v1/diary/{written.id}"
    return _written_out(pipeline, written)


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
    return entry_out(add_mark(request, alert_id, told))


def add_mark(request: Request, alert_id: str, told: schema.MarkIn) -> DiaryEntry:
    """Write what somebody makes of an alert. Raises Problem 404 without the alert; 422 and 409 as `add`."""
    pipeline, faults = pipeline_of(request), list[str]()
    now_ms = pipeline.clock.now_ms()
    surface, station = _place_of_alert(pipeline, alert_id, now_ms)
    until_ms, said_ms = moment_of(told.until, "until", faults), moment_of(told.at, "at", faults)
    at_ms = now_ms if said_ms is None else said_ms
    if told.mark not in MARKS:
        faults.append(f"mark: found {told.mark!r}, expected {nearest(told.mark, MARKS)}")
    if told.mark == "snoozed" and told.until is None:
        faults.append("until: found none, expected the time until which it is to be quiet")
    if until_ms is not None and until_ms <= at_ms:
        faults.append(f"until: found {told.until!r}, expected a time to come")
    body = {"alert": alert_id, "mark": told.mark, **({"why": told.why.strip()} if told.why.strip() else {})}
    author = told.author.strip()
    return add(
        request,
        DiaryEntry("mark", surface, at_ms, body, station, until_ms, author, now_ms, sent_as=told.sent_as),
        faults,
    )


def add(request: Request, entry: DiaryEntry, faults: list[str]) -> DiaryEntry:
    """Write an entry, by whoever is signed in; the worker notices it. What was sent before under its identity is
    returned as it was written.

    Raises
    ------
    Problem
        422 with `faults` and others; 409 where something else was sent under its identity.
    """
    pipeline, entry = pipeline_of(request), _signed(request, entry)
    before = pipeline.diary.sent_as(entry.sent_as)
    if before is not None and _is_same(before, entry):
        return before  # what may have made it a second one is not asked of a repeat
    _refuse_faulty(pipeline, entry, faults)
    written = pipeline.diary.add(entry)
    _refuse_another(pipeline, written, entry)
    pipeline.changes.bump("diary")
    return written


def change(
    request: Request, entry_id: int, entry: DiaryEntry, faults: list[str], *, is_again: bool = False
) -> DiaryEntry:
    """Write an entry in place of another, by whoever is signed in; as `add` where it was sent before.

    With `is_again` it is what somebody wrote once, written once more: it stays by whom it says.

    Raises
    ------
    Problem
        404 without the other; 422 and 409 as `add`.
    """
    pipeline, entry = pipeline_of(request), entry if is_again else _signed(request, entry)
    before = pipeline.diary.sent_as(entry.sent_as)
    if before is not None:
        _refuse_another(pipeline, before, entry)
        return before
    _found(pipeline, entry_id)
    _refuse_faulty(pipeline, entry, faults, instead_of=entry_id)
    written = pipeline.diary.write_anew(entry_id, entry, pipeline.clock.now_ms())
    if written is None:  # struck by somebody else meanwhile
        raise _no_such(entry_id)
    _refuse_another(pipeline, written, entry)
    pipeline.changes.bump("diary")
    return written


def strike(pipeline: Pipeline, entry_id: int) -> None:
    """Strike an entry out. Raises Problem 404 without it."""
    _found(pipeline, entry_id)
    pipeline.diary.strike(entry_id, pipeline.clock.now_ms())
    pipeline.changes.bump("diary")


def restore(pipeline: Pipeline, entry_id: int) -> DiaryEntry | None:
    """Write an entry once more that was struck out; None where it stands, or another took its place."""
    written = pipeline.diary.restore(entry_id, pipeline.clock.now_ms())
    if written is not None:
        pipeline.changes.bump("diary")
    return written


def stands_instead(pipeline: Pipeline, entry_id: int) -> DiaryEntry | None:
    """Return the entry that stands now in place of one that was written anew, perhaps more than once; None for none."""
    after = pipeline.diary.after(entry_id)
    while after is not None and pipeline.diary.entry(after.id) is None:
        after = pipeline.diary.after(after.id)
    return after


def changed_meanwhile() -> Problem:
    """Return what is answered to who goes on with an entry in whose place another stands.

    No 409: to a phone that is another entry under the same identity, to be sent again under a new one.
    """
    told = say("It has been changed meanwhile, and nothing was written now. It stands in the diary as it is now.")
    return Problem(404, "Changed meanwhile", told)


def _signed(request: Request, entry: DiaryEntry) -> DiaryEntry:
    """An entry by whoever is signed in, or by a token's name; else by who it says."""
    return replace(entry, author=who(request).name or entry.author)


def _made(pipeline: Pipeline, entry: schema.DiaryEntryIn, faults: list[str], key: str = "") -> DiaryEntry:
    """The entry that was sent, now where it names no time; what is wrong with its times is added to `faults`."""
    now_ms = pipeline.clock.now_ms()
    if key and entry.sent_as not in ("", key):
        faults.append(f"sent_as: found {entry.sent_as!r} beside Idempotency-Key {key!r}, expected one identity")
    at_ms, end_ms = moment_of(entry.at, "at", faults), moment_of(entry.end, "end", faults)
    return DiaryEntry(
        entry.kind, entry.surface, now_ms if at_ms is None else at_ms, entry.body, entry.station, end_ms,
        entry.author.strip(), now_ms, sent_as=entry.sent_as or key,
    )  # fmt: skip


def _written_out(pipeline: Pipeline, written: DiaryEntry) -> schema.DiaryWrittenOut:
    questions = [*entry_questions(written), *written_already(pipeline, written)]
    return schema.DiaryWrittenOut(entry=entry_out(written), questions=questions)


def _refuse_faulty(pipeline: Pipeline, entry: DiaryEntry, faults: list[str], *, instead_of: int = 0) -> None:
    now_ms = pipeline.clock.now_ms()
    found = check(pipeline.config, pipeline.diary, pipeline.photographs, entry, now_ms, instead_of=instead_of)
    faults += [fault for fault in found if fault not in faults]
    if faults:
        raise Problem(422, "The entry cannot be written", "; ".join(faults), faults=faults)


def _is_same(written: DiaryEntry, sent: DiaryEntry) -> bool:
    """Whether an entry is one that was sent again. A time that was left out is that of the first."""
    same = all(getattr(written, key) == getattr(sent, key) for key in ("kind", "surface", "station", "end_ms"))
    told = all(one.at_ms != one.written_at_ms for one in (written, sent))
    return same and dict(written.body) == dict(sent.body) and not (told and written.at_ms != sent.at_ms)


def _refuse_another(pipeline: Pipeline, written: DiaryEntry, sent: DiaryEntry) -> None:
    """Raise Problem 409 where what is written under an identity is not what was sent under it now."""
    if _is_same(written, sent):
        return
    now_ms, units = pipeline.clock.now_ms(), pipeline.config.site.units
    kept, other = (units.text(words.entry_line(pipeline.config, one, now_ms)) for one in (written, sent))
    detail = say(
        "Two entries have one identity. Written: {kept} Sent now, and not written: {other}", kept=kept, other=other
    )
    raise Problem(409, "Another was sent under this identity", detail)


def written_already(pipeline: Pipeline, entry: DiaryEntry) -> list[str]:
    """Return a question for each entry before it that may be the same one, written on another phone."""
    now_ms, units = pipeline.clock.now_ms(), pipeline.config.site.units
    near = pipeline.diary.entries((entry.kind,), entry.at_ms - ALIKE_WITHIN_MS, entry.at_ms + ALIKE_WITHIN_MS + 1)
    lines = [
        units.text(words.entry_line(pipeline.config, one, now_ms))
        for one in near
        if one.id < entry.id and is_alike(one, entry)
    ]
    return [
        say("Is it the same that is written already? {line} Then take one of them back.", line=one) for one in lines
    ]


def is_alike(one: DiaryEntry, other: DiaryEntry) -> bool:
    """Return whether two entries may be one that two people wrote, or one wrote twice: of one kind and place, near in
    time, with the same words; figures may differ where the writers do."""
    places = [(each.kind, each.surface, each.station) for each in (one, other)]
    texts = [{key: value for key, value in each.body.items() if isinstance(value, str)} for each in (one, other)]
    if places[0] != places[1] or texts[0] != texts[1] or abs(one.at_ms - other.at_ms) > ALIKE_WITHIN_MS:
        return False
    return one.author != other.author or dict(one.body) == dict(other.body)


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
        counts=counts(entry),
    )
