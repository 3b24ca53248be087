"""What a page sends as a plain form, so that it works without a script; with one the same goes out as JSON."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import RedirectResponse

from api import diary, schema
from api.data import pipeline_of
from api.problems import Problem
from api.writing import own_form
from pipeline.diary.entry import DiaryEntry

router = APIRouter(include_in_schema=False)


@router.post("/alerts/{alert_id}/mark")
def mark(request: Request, alert_id: str, form: Annotated[dict[str, str], Depends(own_form)]) -> RedirectResponse:
    """Write what somebody makes of an alert, and lead back to the page that it was said on."""
    told = schema.MarkIn(
        mark=form.get("mark", ""), until=form.get("until") or None, why=form.get("why", ""), author=""
    )  # fmt: skip
    diary.mark(request, alert_id, told)
    return _back(form)


@router.post("/work/{entry_id}/done")
def done(request: Request, entry_id: int, form: Annotated[dict[str, str], Depends(own_form)]) -> RedirectResponse:
    """Write that a booked pass has been made, now; pressed twice it is written once."""
    pipeline = pipeline_of(request)
    booked, now_ms = pipeline.diary.entry(entry_id), pipeline.clock.now_ms()
    if booked is None or booked.kind != "pass" or booked.body.get("state") != "booked":
        raise Problem(404, "No such booking", f"found {entry_id}, expected the number of a booked pass in the diary")
    body = {**booked.body, "state": "done"}
    made = DiaryEntry("pass", booked.surface, now_ms, body, booked.station, None, "", now_ms)
    diary.add(pipeline, made, [], key=f"done-{entry_id}")
    return _back(form)


def _back(form: dict[str, str]) -> RedirectResponse:
    """The way back to a page of this server, whatever the form says."""
    back = form.get("back", "/")
    return RedirectResponse(back if back.startswith("/") and not back.startswith(("//", "/\\")) else "/", 303)
