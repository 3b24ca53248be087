"""The settings that a head may change: a form for each table, or the whole text; looked through, shown as a difference,
then written, and taken back.

All of it works without a script. A fault stands beside its field, or with its line of the text; nothing typed is lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api import settings, words
from api.data import pipeline_of
from api.pages.frame import answer
from api.problems import Problem
from api.settings_edit import LISTS, CannotEdit, TableField, changed, fields_of
from api.writing import OwnForm
from hardware.table_check import NotToml
from pipeline.site.own_settings import OWN_TABLES
from pipeline.texts import later, say

FIELD = "f."  # before the keys of a table in its form
STARTS_S = 8  # after which the page that says so asks again

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class ShownField:
    """A field of a form with what was typed and what is wrong with it."""

    field: TableField
    typed: str
    faults: list[str]


@router.get("/settings", response_class=HTMLResponse)
def settings_page(request: Request, table: str = "") -> HTMLResponse:
    return _page(request, table=table)


@router.post("/settings/look", response_class=HTMLResponse)
def look(request: Request, form: OwnForm) -> HTMLResponse:
    """Show what would be written, and what is wrong with it; nothing is written.

    What somebody else has written since the form was given out is said first, and what was typed stands in it again.
    """
    pipeline = pipeline_of(request)
    source = pipeline.config.source
    present, table = settings.own_text(source), form.get("table", "")
    typed = {key.removeprefix(FIELD): value for key, value in form.items() if key.startswith(FIELD)}
    text, told, status = None if table else settings.as_sent(form.get("text", ""), present), "", 200
    try:
        settings.refuse_changed(present, form.get("digest", ""))
    except Problem as problem:
        told, status = problem.args[0], problem.status
    if not table or told:
        return _page(request, table=table, typed=typed, text=text, fault=told, looked=True, status=status)
    try:
        return _page(
            request, table=table, typed=typed, text=changed(pipeline.config, present, table, typed), looked=True
        )
    except (CannotEdit, NotToml) as err:
        return _page(request, table=table, typed=typed, fault=str(err), status=422)


@router.post("/settings")
def write(request: Request, form: OwnForm) -> Response:
    """Write the text that was shown; what has faults by now, or was changed meanwhile, is shown again."""
    text = settings.as_sent(form.get("text", ""), settings.own_text(pipeline_of(request).config.source))
    try:
        settings.write(request, text, form.get("digest", ""))
    except Problem as problem:
        if problem.status not in (409, 422):
            raise
        return _page(
            request,
            text=text,
            fault="" if problem.status == 422 else problem.args[0],
            looked=True,
            status=problem.status,
        )
    return RedirectResponse("/settings#written", 303)


@router.post("/settings/undo")
def undo(request: Request, form: OwnForm) -> Response:
    """Take the last change back; one that was taken back already, or is not the last any more, stays as it is."""
    try:
        settings.undo(request, form.get("digest", ""))
    except Problem as problem:
        if problem.status != 409:
            raise
        return _page(request, fault=problem.args[0], status=409)
    return RedirectResponse("/settings#written", 303)


@router.post("/settings/start", response_class=HTMLResponse)
def start(request: Request, form: OwnForm) -> HTMLResponse:
    """Have the server start again, and say so."""
    settings.start(request)
    return answer(request, "settings_start.html", pipeline_of(request), {"again_s": STARTS_S}, status=202)


def _page(
    request: Request,
    *,
    table: str = "",
    typed: dict[str, str] | None = None,
    text: str | None = None,
    looked: bool = False,
    fault: str = "",
    status: int = 200,
) -> HTMLResponse:
    pipeline = pipeline_of(request)
    now = settings.settings_now(pipeline)
    proposed = now.text if text is None else text
    faults = settings.faults_in(pipeline.config.source, proposed) if looked else []
    fields, left = list[ShownField](), list(faults)
    try:
        rows = fields_of(pipeline.config, now.text, table) if table else []
    except (CannotEdit, NotToml) as err:
        rows, fault, status = [], fault or str(err), 404 if status == 200 else status
    for row in rows:
        mine = [one for one in faults if _is_of(one.place, table, row.key)]
        left = [one for one in left if one not in mine]
        shown = row.written if typed is None else typed.get(row.key, "")
        fields.append(ShownField(row, shown, [one.text for one in mine]))
    facts: dict[str, Any] = {
        "page": "settings",
        "twin": "/api/v1/settings",
        "now": words.date_and_clock(pipeline.clock.now_ms(), pipeline.config.site.timezone),
        "told": now,
        "table": table,
        "fields": fields,
        "fault": words.upper_first(fault),
        "faults": left,
        "proposed": proposed,
        "typed_text": looked and not table,
        "difference": settings.difference(now.text, proposed) if looked and not faults and not fault else [],
        "looked": looked and not faults and not fault,
        "tables": _tables(now.text),
        "more": _more(pipeline.config.source.own_text if now.file is None else now.text),
        "editable": OWN_TABLES,
    }
    found = 422 if faults and status == 200 else status
    return answer(request, "settings.html", pipeline, facts, status=found)


def _is_of(place: str, table: str, key: str) -> bool:
    """Whether a fault is of a key of the table that the form is of; of a new one, by its key alone."""
    if table.endswith("[+]"):
        parent = table.removesuffix("[+]")
        return place.startswith(parent) and place.rpartition(".")[2] == key
    return place == f"{table}.{key}" or place.startswith((f"{table}.{key}.", f"{table}.{key}["))


def _tables(text: str) -> list[tuple[str, str]]:
    """Every table that is written, with what its place is called."""
    try:
        return [(place, place.replace(".", " › ")) for place, _, _ in settings.tables_in(text)]
    except NotToml:
        return []


ADDED = {
    "surface[+]": later("one surface more"),
    "bound[+]": later("one bound more"),
    "site": later("the site"),
    "notify": later("when people are told"),
    "work": later("hours of work"),
    "water": later("whether water is limited"),
    "plan": later("the plan of the ground"),
}


def _more(text: str) -> list[tuple[str, str]]:
    """Tables that could be begun: the plain ones that are not written, and one more of each list."""
    try:
        written = [place for place, _, _ in settings.tables_in(text)]
    except NotToml:
        return []
    found = [(place, say(title)) for place, title in ADDED.items() if place not in written]
    for place in written:
        last = place.rpartition(".")[0].rpartition(".")[2] or place.partition(".")[0].partition("[")[0]
        for inner in {"surface": ("station",), "station": ("core", "probe")}.get(last, ()):
            if last in LISTS:
                found.append((f"{place}.{inner}[+]", f"{place.replace('.', ' › ')} › {inner}"))
    return found
