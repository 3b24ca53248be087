"""The tour of a demo: what to look at, and six steps that each lead to a page; the navigation leads back here."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from api.data import pipeline_of, stations_of
from api.pages.frame import answer, page
from api.pages.parts import head
from api.tour import require_tour, tour_of

router = APIRouter(include_in_schema=False)


@router.get("/tour", response_class=HTMLResponse)
def tour_page(request: Request) -> Response:
    pipeline = pipeline_of(request)
    require_tour(pipeline)
    if not pipeline.config.stations():
        return answer(request, "empty.html", pipeline, {"twin": "/api/v1/site"})
    return page(request, "tour.html", tour_page, lambda: _facts(request))


def _facts(request: Request) -> dict[str, Any]:
    pipeline, states = pipeline_of(request), stations_of(request)
    return {
        "page": "tour",
        "twin": "/api/v1/tour",
        **head(states, pipeline.config.site.timezone),
        "tour": tour_of(pipeline, states),
    }
