"""The first page, and the page of a station: alerts in words, water by layer, the profile, moisture by depth over time.

Words and the profile are drawn on the server; the chart is asked for by the page's own script, in the look the reader
has chosen. A part of the page can be asked for alone, for live updates.
"""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal

from bokeh.core.types import ID
from bokeh.embed import json_item
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, Response

from api import words
from api.charts import DEFAULT_WIDTH_PX, station_figure
from api.data import find_station, iso, known_figures, pipeline_of, station_of
from api.drawing import profile
from api.known import known_line
from api.load import facts_of
from api.pages.frame import page
from api.state import StationNow
from pipeline.service import Pipeline
from pipeline.units import DAY_MS, MINUTE_MS

SPANS = {"3": "3 days", "14": "2 weeks", "90": "3 months", "366": "a year"}
DEFAULT_SPAN = "14"
CHART_TARGET = "moisture-chart"

router = APIRouter(include_in_schema=False)


@router.get("/stations/{name}", response_class=HTMLResponse)
def station_page(request: Request, name: str, days: str = DEFAULT_SPAN) -> Response:
    return _page(request, name, days)


@router.get("/stations/{name}/chart.json")
def station_chart(
    request: Request,
    name: str,
    days: Annotated[int, Query(ge=1, le=3660)] = int(DEFAULT_SPAN),
    look: Literal["light", "dark"] = "light",
    width: Annotated[int, Query(ge=0, le=20_000)] = DEFAULT_WIDTH_PX,
) -> Response:
    """The chart as Bokeh's own JSON."""
    pipeline = pipeline_of(request)
    _, station = find_station(pipeline, name)

    def drawn() -> bytes:
        layout = station_figure(pipeline, station, days, look, width_px=width)
        return json.dumps(json_item(layout, ID(CHART_TARGET)), separators=(",", ":")).encode()

    chart = facts_of(request).get((station_chart, name, days, look, width), drawn)
    return Response(chart, media_type="application/json")


def _station_facts(request: Request, name: str, days: str) -> dict[str, Any]:
    pipeline, state = pipeline_of(request), station_of(request, name)
    zone = pipeline.config.site.timezone
    return {
        **_words(pipeline, state, zone),
        "page": "station",
        "twin": f"/api/v1/stations/{name}",
        "spans": SPANS,
        "days": days,
        "chart_from": iso(state.now_ms // MINUTE_MS * MINUTE_MS - int(days) * DAY_MS),
        "target": CHART_TARGET,
        "bokeh": request.app.state.bokeh_address,
        "now": words.moment(state.now_ms, zone),
        "profile": profile(state),
        "rows": _rows(state, zone),
        "known": [known_line(one, zone) for one in known_figures(request, name)],
    }


def _words(pipeline: Pipeline, state: StationNow, zone: str) -> dict[str, Any]:
    """What both pages say of a station."""
    return {
        "state": state,
        "place": words.place(state.surface, state.station),
        "text": words.station_text(state, zone),
        "alerts": _alert_lines(pipeline, state, zone),
    }


def _page(request: Request, name: str, days: str) -> Response:
    days = days if days in SPANS else DEFAULT_SPAN
    find_station(pipeline_of(request), name)
    return page(request, "ground.html", (station_page, name, days), lambda: _station_facts(request, name, days))


def _alert_lines(pipeline: Pipeline, state: StationNow, zone: str) -> list[tuple[str, str]]:
    return [
        (words.without_place(alert.text, state), f"Since {words.moment(alert.since_ms, zone, now_ms=state.now_ms)}.")
        for alert in pipeline.alerts()
        if alert.station == state.station.name
    ]


def _rows(state: StationNow, zone: str) -> list[tuple[str, str, str, str]]:
    """Every channel as a row of the table: what, value with unit, how good, when."""
    rows = []
    for channel in state.channels:
        installed = channel.installed.channel
        depth = "" if channel.depth_m is None else f", {channel.depth_m * 1000:.0f} mm"
        value = "no answer" if channel.value is None else words.amount(channel.value, installed.quantity)
        when = words.answered(channel, state.now_ms, zone)
        rows.append((words.quantity(installed.quantity) + depth, value, words.FLAG_WORDS[channel.flag], when))
    return rows
