"""The first page, and the page of a station: alerts in words, water by layer, the profile, moisture by depth over time.

Words and the profile are drawn on the server; the chart is asked for by the page's own script, in the look the reader
has chosen. A part of the page can be asked for alone, for live updates.
"""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal

from bokeh.core.types import ID
from bokeh.embed import json_item
from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import HTMLResponse, Response

from api import words
from api.answers import morning_of, six_answers
from api.charts import DEFAULT_WIDTH_PX, station_figure
from api.data import find_station, iso, known_figures, pipeline_of, station_of, stations_of
from api.drawing import profile
from api.known import known_line
from api.load import facts_of
from api.pages.frame import answer, note_change
from api.state import StationNow
from pipeline.service import Pipeline
from pipeline.units import DAY_MS, MINUTE_MS

SPANS = {"3": "3 days", "14": "2 weeks", "90": "3 months", "366": "a year"}
DEFAULT_SPAN = "14"
CHART_TARGET = "moisture-chart"

router = APIRouter(include_in_schema=False, dependencies=[Depends(note_change)])


@router.get("/", response_class=HTMLResponse)
def front(request: Request, days: str = DEFAULT_SPAN) -> HTMLResponse:
    """The morning's answers of every station; of one alone its own page; or what to do when there is none."""
    pipeline = pipeline_of(request)
    stations = list(pipeline.config.stations())
    if not stations:
        return answer(request, "empty.html", pipeline, {"twin": "/api/v1/site"})
    if len(stations) == 1:
        return _page(request, stations[0], days)
    return answer(request, "morning.html", pipeline, {**_morning(request), "twin": "/api/v1/now"})


@router.get("/now", response_class=HTMLResponse)
def front_part(request: Request) -> HTMLResponse:
    """The answers of the first page alone."""
    return answer(request, "morning_now.html", pipeline_of(request), _morning(request))


@router.get("/stations/{name}", response_class=HTMLResponse)
def station_page(request: Request, name: str, days: str = DEFAULT_SPAN) -> HTMLResponse:
    return _page(request, name, days)


@router.get("/stations/{name}/now", response_class=HTMLResponse)
def station_part(request: Request, name: str) -> HTMLResponse:
    """The words and the profile alone."""
    return answer(request, "now.html", pipeline_of(request), _facts(request, name))


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


def _facts(request: Request, name: str) -> dict[str, Any]:
    return facts_of(request).get((station_page, name), lambda: _station_facts(request, name))


def _station_facts(request: Request, name: str) -> dict[str, Any]:
    pipeline, state = pipeline_of(request), station_of(request, name)
    zone = pipeline.config.site.timezone
    alone = len(pipeline.config.stations()) == 1  # then this is the first page, and has its answers
    return {
        **_words(pipeline, state, zone),
        "six": _six(pipeline, [state]) if alone else [],
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


def _morning(request: Request) -> dict[str, Any]:
    return facts_of(request).get(front, lambda: _morning_facts(request))


def _morning_facts(request: Request) -> dict[str, Any]:
    pipeline, states = pipeline_of(request), stations_of(request)
    zone = pipeline.config.site.timezone
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


def _page(request: Request, name: str, days: str) -> HTMLResponse:
    days = days if days in SPANS else DEFAULT_SPAN
    facts = _facts(request, name)
    start_ms = facts["state"].now_ms // MINUTE_MS * MINUTE_MS - int(days) * DAY_MS
    frame = {"spans": SPANS, "days": days, "chart_from": iso(start_ms), "target": CHART_TARGET}
    return answer(request, "ground.html", pipeline_of(request), {**facts, **frame, "twin": f"/api/v1/stations/{name}"})


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
