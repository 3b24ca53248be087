"""What all pages share: templates and styles, the navigation, a page rendered once for all who may see as much."""

from __future__ import annotations

import gzip
import re
import secrets
from collections.abc import Callable, Hashable
from functools import cache
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse, Response
from markupsafe import Markup, escape
from starlette.templating import Jinja2Templates

from api.access import Access, form_token
from api.jobs import has_queue
from api.load import FactCache
from api.packing import packed, packed_answer
from api.sign_in import SignIns
from api.who import STRANGER, Who, who
from api.words import moment, tied, upper_first
from pipeline.errors import StoreFault
from pipeline.service import Pipeline
from pipeline.texts import listed, say, say_as, say_many, weekday_letters

HERE = Path(__file__).parent
EVERY_S = 5  # an open page asks for itself again at most so often
PAGE_PACKING = 6  # of 9: a page is packed once for all who ask for it

templates = Jinja2Templates(directory=HERE / "templates")


@cache
def style(name: str) -> Markup:
    """Return a sheet of `styles/` for the head of a page, without comments and needless blanks."""
    text = re.sub(r"/\*.*?\*/", "", (HERE / "styles" / f"{name}.css").read_text(encoding="utf-8"), flags=re.S)
    text = re.sub(r"\s*([{};,>])\s*|\s+", lambda found: found[1] or " ", text)
    return Markup(text.replace(": ", ":").replace(";}", "}").strip())


def say_html(text: str, /, **fields: object) -> Markup:
    """Return a text with markup of its own in the language of the site; what its fields hold is escaped."""
    return Markup(say(text)).format(**fields) if fields else Markup(say(text))


templates.env.filters |= {"tied": tied, "upper_first": upper_first}
templates.env.globals |= {
    "say": say,
    "say_as": say_as,
    "say_many": say_many,
    "say_html": say_html,
    "listed": listed,
    "weekday_letters": weekday_letters,
}
templates.env.globals["style"] = style

# Stand in a page that is kept for all who may see as much, until it is one reader's own.
_SLOT = secrets.token_hex(16)
_STARTED = secrets.token_hex(4)
TOKEN_SLOT, NAME_SLOT = f"token-{_SLOT}", f"name-{_SLOT}"


def answer(
    request: Request, template: str, pipeline: Pipeline, facts: dict[str, Any], *, status: int = 200
) -> HTMLResponse:
    """Return a page made from a template for this request alone."""
    reader = reader_of(request)
    units, made = pipeline.config.site.units, _rendered(request, template, pipeline, facts, reader)
    text = _owned(made if units.is_plain else units.html(made), reader)
    return HTMLResponse(text, status, headers=_private(reader))


def _rendered(request: Request, template: str, pipeline: Pipeline, facts: dict[str, Any], reader: Who) -> str:
    """A page for all who may see as much, with slots for what is one reader's own."""
    csrf_field = Markup(f'<input type="hidden" name="csrf" value="{TOKEN_SLOT}">') if reader.secret else ""
    shown = {
        "notices": [line for line in _notices(request, pipeline, reader) if line not in facts.get("said_below", ())],
        "site": pipeline.config.site,
        "units": pipeline.config.site.units,
        "language": pipeline.config.site.language,
        "pages": _pages(pipeline, reader),
        "has_jobs": has_queue(pipeline.config),
        "reader": reader,
        "reader_name": NAME_SLOT if reader.name else "",
        "csrf_token": TOKEN_SLOT if reader.secret else "",
        "csrf_field": csrf_field,
        # what tells this state of the page from any later one
        "shown": f"{_STARTED}-{facts.get('change', pipeline.changes.count)}",
        **facts,
    }
    return bytes(templates.TemplateResponse(request, template, shown).body).decode()


def _owned(text: str, reader: Who) -> str:
    """A page with the name and the form token of whoever reads it."""
    token = form_token(reader.secret, secrets.token_hex(8)) if reader.secret else ""
    return text.replace(NAME_SLOT, escape(reader.name)).replace(TOKEN_SLOT, token)


def _private(reader: Who) -> dict[str, str]:
    return {"Cache-Control": "private, no-cache"} if reader.secret else {}


def reader_of(request: Request) -> Who:
    """Return who reads a page; nobody known where that cannot be found out just now."""
    try:
        return who(request)
    except StoreFault:
        return STRANGER


def _notices(request: Request, pipeline: Pipeline, reader: Who) -> list[str]:
    """What an owner must know; that somebody guesses at passwords is for the head."""
    if not reader.may_read:
        return []
    signs: SignIns = request.app.state.sign_ins
    since = moment(signs.since_ms, pipeline.config.site.timezone, now_ms=pipeline.clock.now_ms())
    guessed = signs.line(since) if reader.may_manage else ""
    return [*pipeline.notices(), *([guessed] if guessed else [])]


def page(
    request: Request, template: str, key: Hashable, make: Callable[[], dict[str, Any]], *, every_s: int = EVERY_S
) -> Response:
    """Return a page that keeps itself up to date, rendered once until the next change or minute.

    Parameters
    ----------
    request : Request
    template : str
    key : hashable
        What tells this page from all others.
    make : callable
        Gathers its facts; called when the page is not kept.
    every_s : int
        An open page asks for itself again at most so often. [s]
    """
    facts: FactCache = request.app.state.facts
    pipeline: Pipeline = request.app.state.pipeline

    def rendered() -> bytes:
        change = pipeline.changes.count  # before anything is read: what comes later is news to whoever has the page
        made, units = {**make(), "change": change, "every": every_s}, pipeline.config.site.units
        text = _rendered(request, template, pipeline, made, reader)
        return gzip.compress((text if units.is_plain else units.html(text)).encode(), PAGE_PACKING, mtime=0)

    reader = reader_of(request)
    body = facts.get((page, key, reader.access, reader.kind), rendered)
    if reader.secret:
        body = packed(_owned(gzip.decompress(body).decode(), reader).encode())
    told = packed_answer(request, body, "text/html")
    told.headers.update(_private(reader))
    return told


def _pages(pipeline: Pipeline, reader: Who) -> list[tuple[str, str, str]]:
    """Key, name and address of each page in the navigation; none while there is no station."""
    first = next(iter(pipeline.config.stations()), None)
    if first is None or reader.access < Access.SEASON:
        return []
    if not reader.may_read:
        return [("season", say_as("page", "Season"), "/season")]
    tour = [("tour", say_as("page", "Tour"), "/tour")] if pipeline.config.pages.tour else []
    return [
        *tour,
        ("today", say_as("page", "Today"), "/"),
        ("station", say_as("page", "Slices"), f"/stations/{first}"),
        ("work", say_as("page", "Work"), "/work"),
        ("diary", say_as("page", "Diary"), "/diary"),
        ("season", say_as("page", "Season"), "/season"),
    ]
