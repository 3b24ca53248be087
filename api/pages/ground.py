"""The first page, and the page of a station: alerts in words, water by layer, the profile, moisture by depth over time.

Words and the profile are drawn on the server; the chart is asked for by the page's own script, in the look the reader
has chosen. A part of the page can be asked for alone, for live updates.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from bokeh.core.types import ID
from bokeh.embed import json_item
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, JSONResponse

from api import words
from api.answers import six_answers
from api.charts import DEFAULT_WIDTH_PX, station_figure
from api.data import find_station, pipeline_of
from api.drawing import profile
from api.known import known_line, known_of
from api.morning import morning_of
from api.pages.frame import answer
from api.state import StationNow, site_now, station_now
from pipeline.service import Pipeline

SPANS = {"3": "3 days", "14": "2 weeks", "90": "3 months", "366": "a year"}
DEFAULT_SPAN = "14"
CHART_TARGET = "moisture-chart"

router = APIRouter(include_in_schema=False)


@router.get("/", response_class=HTMLResponse)
def front(request: Request, days: str = DEFAULT_SPAN) -> HTMLResponse:
    """The morning's answers of every station; of one alone its own page; or what to do when there is none."""
    pipeline = pipeline_of(request)
    stations = list(pipeline.config.stations())
    if not stations:
        return answer(request, "empty.html", pipeline, {"twin": "/api/v1/site"})
    if len(stations) == 1:
        return _page(request, pipeline, stations[0], days)
    return answer(request, "morning.html", pipeline, {**_morning(pipeline), "twin": "/api/v1/now"})


@router.get("/now", response_class=HTMLResponse)
def front_part(request: Request) -> HTMLResponse:
    """The answers of the first page alone."""
    pipeline = pipeline_of(request)
    return answer(request, "morning_now.html", pipeline, _morning(pipeline))


@router.get("/stations/{name}", response_class=HTMLResponse)
def station_page(request: Request, name: str, days: str = DEFAULT_SPAN) -> HTMLResponse:
    return _page(request, pipeline_of(request), name, days)


@router.get("/stations/{name}/now", response_class=HTMLResponse)
def station_part(request: Request, name: str) -> HTMLResponse:
    """The words and the profile alone."""
    pipeline = pipeline_of(request)
    return answer(request, "now.html", pipeline, _facts(pipeline, name))


@router.get("/stations/{name}/chart.json")
def station_chart(
    request: Request,
    name: str,
    days: Annotated[int, Query(ge=1, le=3660)] = int(DEFAULT_SPAN),
    look: Literal["light", "dark"] = "light",
    width: Annotated[int, Query(ge=0, le=20_000)] = DEFAULT_WIDTH_PX,
) -> JSONResponse:
    """The chart as Bokeh's own JSON."""
    pipeline = pipeline_of(request)
    _, station = find_station(pipeline, name)
    layout = station_figure(pipeline, station, days, look, width_px=width)
    return JSONResponse(json_item(layout, ID(CHART_TARGET)))


def _facts(pipeline: Pipeline, name: str) -> dict[str, Any]:
    state = station_now(pipeline, *find_station(pipeline, name), pipeline.clock.now_ms())
    zone = pipeline.config.site.timezone
    alone = len(pipeline.config.stations()) == 1  # then this is the first page, and has its answers
    return {
        **_words(pipeline, state, zone),
        "six": _six(pipeline, [state]) if alone else [],
        "now": words.moment(state.now_ms, zone),
        "profile": profile(state),
        "rows": _rows(state, zone),
        "known": [known_line(one, zone) for one in known_of(pipeline, state.station, state.now_ms)],
    }


def _words(pipeline: Pipeline, state: StationNow, zone: str) -> dict[str, Any]:
    """What both pages say of a station."""
    return {
        "state": state,
        "place": words.place(state.surface, state.station),
        "text": words.station_text(state, zone),
        "alerts": _alert_lines(pipeline, state, zone),
    }


def _morning(pipeline: Pipeline) -> dict[str, Any]:
    zone = pipeline.config.site.timezone
    states = site_now(pipeline)
    now_ms = states[0].now_ms if states else pipeline.clock.now_ms()
    return {
        "page": "morning",
        "now": words.moment(now_ms, zone),
        "six": _six(pipeline, states),
        "news": [
            (words.tied(alert.text), f"Since {words.moment(alert.since_ms, zone, now_ms=now_ms)}.")
            for alert in pipeline.alerts()
            if not alert.station
        ],
        "answers": [_words(pipeline, state, zone) for state in states],
    }


def _six(pipeline: Pipeline, states: list[StationNow]) -> list[tuple[str, list[str]]]:
    answers = six_answers(morning_of(pipeline, states))
    return [(one.question, [words.tied(line) for line in one.lines]) for one in answers]


def _page(request: Request, pipeline: Pipeline, name: str, days: str) -> HTMLResponse:
    facts = _facts(pipeline, name)
    days = days if days in SPANS else DEFAULT_SPAN
    facts |= {"spans": SPANS, "days": days, "target": CHART_TARGET, "twin": f"/api/v1/stations/{name}"}
    return answer(request, "ground.html", pipeline, facts)


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
        depth = "" if installed.depth_m is None else f", {installed.depth_m * 1000:.0f} mm"
        value = "no answer" if channel.value is None else words.amount(channel.value, installed.quantity)
        when = words.answered(channel, state.now_ms, zone)
        rows.append((words.quantity(installed.quantity) + depth, value, words.FLAG_WORDS[channel.flag], when))
    return rows
