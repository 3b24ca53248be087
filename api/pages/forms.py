"""What a page sends as a plain form, so that it works without a script; with one the same goes out as JSON."""

from __future__ import annotations

import itertools

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse

from api import diary, schema
from api.data import pipeline_of
from api.diary_check import probes_in_the_way
from api.problems import Problem
from api.writing import OwnForm, own_path
from pipeline.diary.entry import DiaryEntry
from pipeline.service import Pipeline

router = APIRouter(include_in_schema=False)


@router.post("/alerts/{alert_id}/mark")
def mark(request: Request, alert_id: str, form: OwnForm) -> RedirectResponse:
    """Write what somebody makes of an alert, and lead back to the page that it was said on."""
    told = schema.MarkIn(
        mark=form.get("mark", ""), until=form.get("until") or None, why=form.get("why", ""), author=""
    )  # fmt: skip
    diary.mark(request, alert_id, told)
    return _back(form)


@router.post("/work/{entry_id}/lifted")
def lifted(request: Request, entry_id: int, form: OwnForm) -> RedirectResponse:
    """Write that the probes in the way of a booked pass have been lifted, now; those that are out already are left."""
    pipeline = pipeline_of(request)
    booked, now_ms = _pass_of(pipeline, entry_id, "booked"), pipeline.clock.now_ms()
    surface = next(one for one in pipeline.config.surfaces if one.name == booked.surface)
    for station, probe in probes_in_the_way(surface, pipeline.diary, booked, now_ms):
        entry = DiaryEntry("lift", surface.name, now_ms, {"probe": probe}, station, None, "", now_ms)
        diary.add(request, entry, [])
    return _back(form)


@router.post("/work/{entry_id}/begun")
def begun(request: Request, entry_id: int, form: OwnForm) -> RedirectResponse:
    """Write that a booked pass has been begun, now; pressed twice it is written once."""
    pipeline = pipeline_of(request)
    _go_on(request, _pass_of(pipeline, entry_id, "booked"), "begun", pipeline.clock.now_ms())
    return _back(form)


@router.post("/work/{entry_id}/done")
def done(request: Request, entry_id: int, form: OwnForm) -> RedirectResponse:
    """Write that a pass that was booked or begun has been made, now; pressed twice it is written once."""
    pipeline = pipeline_of(request)
    _go_on(request, _pass_of(pipeline, entry_id, "booked", "begun"), "done", pipeline.clock.now_ms())
    return _back(form)


@router.post("/work/{entry_id}/done_then")
def done_then(request: Request, entry_id: int, form: OwnForm) -> RedirectResponse:
    """Write that a booked pass was made at the time it was booked for."""
    pipeline = pipeline_of(request)
    booked = _pass_of(pipeline, entry_id, "booked")
    _go_on(request, booked, "done", min(booked.at_ms, pipeline.clock.now_ms()))
    return _back(form)


def _pass_of(pipeline: Pipeline, entry_id: int, *states: str) -> DiaryEntry:
    entry = pipeline.diary.entry(entry_id)
    if entry is None or entry.kind != "pass" or entry.body.get("state") not in states:
        detail = f"found {entry_id}, expected the number of a pass in the diary that is {' or '.join(states)}"
        raise Problem(404, "No such pass", detail)
    return entry


def _go_on(request: Request, before: DiaryEntry, state: str, at_ms: int) -> None:
    """Write a pass with its next state and what was written of it before; one that was taken back is written anew."""
    pipeline = pipeline_of(request)
    body = {**before.body, "state": state, "follows": before.id}
    made = DiaryEntry(
        "pass", before.surface, at_ms, body, before.station, None, "", pipeline.clock.now_ms(),
        sent_as=_identity(pipeline, f"{state}-{before.id}"),
    )  # fmt: skip
    diary.add(request, made, [])


def _identity(pipeline: Pipeline, pressed: str) -> str:
    """An identity of what was pressed, the same until what was written under it is struck."""
    for number in itertools.count(1):
        identity = pressed if number == 1 else f"{pressed}-{number}"
        kept = pipeline.diary.sent_as(identity)
        if kept is None or pipeline.diary.entry(kept.id) is not None:
            break
    return identity


def _back(form: dict[str, str]) -> RedirectResponse:
    """The way back to a page of this server, whatever the form says."""
    return RedirectResponse(own_path(form.get("back", "/")), 303)
