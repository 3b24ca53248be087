"""What all pages share: the templates, and the facts that the frame around every page needs."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from starlette.templating import Jinja2Templates

from api.words import tied, upper_first
from pipeline.service import Pipeline

templates = Jinja2Templates(directory=__file__.rpartition("/")[0] + "/templates")
templates.env.filters["tied"] = tied


def note_change(request: Request) -> None:
    """Note the count of changes before anything is read for a page: what comes later is news to whoever has it."""
    request.state.change = request.app.state.pipeline.changes.count


def answer(
    request: Request, template: str, pipeline: Pipeline, facts: dict[str, Any], *, status: int = 200
) -> HTMLResponse:
    """Return a page, or a part of one, made from a template."""
    stations = [(f, s) for f in pipeline.config.surfaces for s in f.stations]
    bokeh = request.app.state.bokeh_address
    notices = [upper_first(one) for one in pipeline.notices()]
    shown = {"notices": notices, "site": pipeline.config.site, "stations": stations, "bokeh": bokeh, **facts}
    return templates.TemplateResponse(request, template, shown, status_code=status)
