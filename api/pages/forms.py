"""The buttons of alerts and of the work page as plain forms, so that they work without a script.

With one they come from the phone, perhaps late: `at` is then when the button was pressed, and `sent_as` an identity
under which it is written once. Who asks for JSON is told what was written.
"""

from __future__ import annotations

import itertools

from fastapi import APIRouter, Request
from fastapi.responses import Response

from api import diary, schema, words
from api.data import pipeline_of
from api.diary_check import moment_of, probes_in_the_way
from api.pages.parts import written_answer
from api.problems import Problem
from api.writing import OwnForm, own_path
from pipeline.diary.entry import MAX_SENT_AS, DiaryEntry
from pipeline.service import Pipeline
from pipeline.texts import say
from pipeline.units import EVER_MS

router = APIRouter(include_in_schema=False)


@router.post("/alerts/{alert_id}/mark")
def mark(request: Request, alert_id: str, form: OwnForm) -> Response:
    """Write what somebody makes of an alert, and lead back to the page that it was said on."""
    told = schema.MarkIn(
        mark=form.get("mark", ""), until=form.get("until") or None, why=form.get("why", ""), author="",
        at=form.get("at") or None, sent_as=form.get("sent_as", ""),
    )  # fmt: skip
    return _back(request, form, diary.add_mark(request, alert_id, told))


@router.post("/work/{entry_id}/lifted")
def lifted(request: Request, entry_id: int, form: OwnForm) -> Response:
    """Write that the probes in the way of a booked pass have been lifted; those that are out already are left."""
    pipeline, faults = pipeline_of(request), list[str]()
    booked, now_ms = _pass_of(pipeline, entry_id, "booked"), pipeline.clock.now_ms()
    at_ms, sent_as = _pressed_ms(form, now_ms, faults), form.get("sent_as", "")
    surface = next(one for one in pipeline.config.surfaces if one.name == booked.surface)
    written = []
    for station, probe in probes_in_the_way(surface, pipeline.diary, booked, now_ms):
        named = sent_as and f"{sent_as}-{station}-{probe}"[-MAX_SENT_AS:]
        entry = DiaryEntry("lift", surface.name, at_ms, {"probe": probe}, station, None, "", now_ms, sent_as=named)
        written.append(diary.add(request, entry, faults))
    return _back(request, form, *written)


@router.post("/work/{entry_id}/begun")
def begun(request: Request, entry_id: int, form: OwnForm) -> Response:
    """Write that a booked pass has been begun; pressed twice it is written once."""
    booked = _pass_of(pipeline_of(request), entry_id, "booked")
    return _go_on(request, form, booked, "begun")


@router.post("/work/{entry_id}/done")
def done(request: Request, entry_id: int, form: OwnForm) -> Response:
    """Write that a pass that was booked or begun has been made; pressed twice it is written once."""
    under_way = _pass_of(pipeline_of(request), entry_id, "booked", "begun")
    return _go_on(request, form, under_way, "done")


@router.post("/work/{entry_id}/done_then")
def done_then(request: Request, entry_id: int, form: OwnForm) -> Response:
    """Write that a booked pass was made at the time it was booked for."""
    booked = _pass_of(pipeline_of(request), entry_id, "booked")
    return _go_on(request, form, booked, "done", most_ms=booked.at_ms)


@router.post("/work/{entry_id}/given")
def given(request: Request, entry_id: int, form: OwnForm) -> Response:
    """Write that a booked watering was given as it was booked, in place of the booking; pressed twice, once."""
    pipeline = pipeline_of(request)
    booked, sent_as = pipeline.diary.entry(entry_id), form.get("sent_as", "") or f"given-{entry_id}"
    known = pipeline.diary.sent_as(sent_as)
    if booked is None and known is None:
        known = diary.stands_instead(pipeline, entry_id)
        if known is not None and known.kind == "booked_watering":
            raise diary.changed_meanwhile()
    if known is not None:
        return _back(request, form, known)
    if booked is None or booked.kind != "booked_watering":
        detail = f"found {entry_id}, expected the number of a booked watering in the diary"
        raise Problem(404, "No such booking", detail)
    body = {"water_mm": booked.body["water_mm"], "confirmed": True}
    made = DiaryEntry(
        "watering", booked.surface, booked.at_ms, body, booked.station, booked.end_ms, "", pipeline.clock.now_ms(),
        sent_as=sent_as,
    )  # fmt: skip
    return _back(request, form, diary.change(request, booked.id, made, []))


def _pass_of(pipeline: Pipeline, entry_id: int, *states: str) -> DiaryEntry:
    entry = pipeline.diary.entry(entry_id)
    if entry is None or entry.kind != "pass" or entry.body.get("state") not in states:
        detail = f"found {entry_id}, expected the number of a pass in the diary that is {' or '.join(states)}"
        raise Problem(404, "No such pass", detail)
    return entry


def _pressed_ms(form: dict[str, str], now_ms: int, faults: list[str]) -> int:
    """When a button was pressed. [ms since 1970, UTC]"""
    at_ms = moment_of(form.get("at") or None, "at", faults)
    return now_ms if at_ms is None else at_ms


def _go_on(
    request: Request, form: dict[str, str], before: DiaryEntry, state: str, *, most_ms: int = EVER_MS[1]
) -> Response:
    """Write a pass with its next state and what was written of it before; one that was taken back is written anew.

    Where it goes on already, as another phone has said, that stands, and is told.
    """
    pipeline, faults = pipeline_of(request), list[str]()
    now_ms, sent_as = pipeline.clock.now_ms(), form.get("sent_as", "")
    others = pipeline.diary.entries(("pass",), *EVER_MS, asked=True)
    known = next((e for e in others if e.body.get("follows") == before.id and e.body.get("state") == state), None)
    if known is not None:
        line = pipeline.config.site.units.text(words.entry_line(pipeline.config, known, now_ms))
        told = (
            [] if known.sent_as == sent_as else [say("It was written already, and stands as it was: {line}", line=line)]
        )
        return _back(request, form, known, questions=told)
    made = DiaryEntry(
        "pass", before.surface, min(_pressed_ms(form, now_ms, faults), most_ms),
        {**before.body, "state": state, "follows": before.id}, before.station, None, "", now_ms,
        sent_as=sent_as or _identity(pipeline, f"{state}-{before.id}"),
    )  # fmt: skip
    return _back(request, form, diary.add(request, made, faults))


def _identity(pipeline: Pipeline, pressed: str) -> str:
    """An identity of what was pressed, the same until what was written under it is struck."""
    for number in itertools.count(1):
        identity = pressed if number == 1 else f"{pressed}-{number}"
        kept = pipeline.diary.sent_as(identity)
        if kept is None or pipeline.diary.entry(kept.id) is not None:
            break
    return identity


def _back(request: Request, form: dict[str, str], *written: DiaryEntry, questions: list[str] | None = None) -> Response:
    """The way back to a page of this server, whatever the form says."""
    return written_answer(request, written, own_path(form.get("back", "/")), questions or [])
