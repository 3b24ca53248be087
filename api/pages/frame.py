"""What all pages share: templates and styles, the navigation, and the page rendered once for all who ask for it."""

from __future__ import annotations

import gzip
import re
from collections.abc import Callable, Hashable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fastapi import Request
from fastapi.responses import HTMLResponse, Response
from markupsafe import Markup
from starlette.templating import Jinja2Templates

from api.packing import packed_answer
from api.words import tied
from pipeline.service import Pipeline
from pipeline.texts import say, say_as, say_many

if TYPE_CHECKING:
    from api.load import FactCache  # it needs the problems, which are shown in this frame

HERE = Path(__file__).parent
EVERY_S = 5  # an open page asks for itself again at most so often
PAGE_PACKING = 6  # of 9: a page is packed once for all who ask for it

templates = Jinja2Templates(directory=HERE / "templates")


@cache
def style(name: str) -> Markup:
    """Return a sheet of `styles/` for the head of a page, without comments and needless blanks."""
    text = re.sub(r"/\*.*?\*/", "", (HERE / "styles" / f"{name}.css").read_text(encoding="utf-8"), flags=re.S)
    return Markup(re.sub(r"\s*([{};,])\s*|\s+", lambda found: found[1] or " ", text).strip())


def say_html(text: str, /, **fields: object) -> Markup:
    """Return a text with markup of its own in the language of the site; what its fields hold is escaped."""
    return Markup(say(text)).format(**fields) if fields else Markup(say(text))


templates.env.filters["tied"] = tied
templates.env.globals |= {"say": say, "say_as": say_as, "say_many": say_many, "say_html": say_html}
templates.env.globals["style"] = style


def answer(
    request: Request, template: str, pipeline: Pipeline, facts: dict[str, Any], *, status: int = 200
) -> HTMLResponse:
    """Return a page made from a template for this request alone."""
    shown = {
        "notices": pipeline.notices(),
        "site": pipeline.config.site,
        "units": pipeline.config.site.units,
        "language": pipeline.config.site.language,
        "pages": _pages(pipeline),
        **facts,
    }
    made = templates.TemplateResponse(request, template, shown, status_code=status)
    units = pipeline.config.site.units
    return made if units.is_plain else HTMLResponse(units.html(bytes(made.body).decode()), status)


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
        shown = answer(request, template, pipeline, {**make(), "change": change, "every": every_s})
        return gzip.compress(bytes(shown.body), PAGE_PACKING, mtime=0)

    body = facts.get((page, key), rendered)
    return packed_answer(request, body, "text/html")


def _pages(pipeline: Pipeline) -> list[tuple[str, str, str]]:
    """Key, name and address of each page in the navigation; none while there is no station."""
    first = next(iter(pipeline.config.stations()), None)
    if first is None:
        return []
    return [
        ("today", say_as("page", "Today"), "/"),
        ("station", say_as("page", "Slices"), f"/stations/{first}"),
        ("work", say_as("page", "Work"), "/work"),
        ("season", say_as("page", "Season"), "/season"),
        ("probes", say_as("page", "Probes"), "/probes"),
    ]
