"""The first page, and the page of a station: alerts in words, water by layer, the profile, moisture by depth over time.

Words and the profile are drawn on the server; the chart is asked for by the page's own script, in the look the reader
has chosen. A part of the page can be asked for alone, for live updates.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from bokeh.core.types import ID
from bokeh.embed import json_item
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, JSONResponse

from api import words
from api.answers import six_answers
from api.charts import DEFAULT_WIDTH_PX, Line, moisture_chart
from api.data import DAY_MS, HOUR_MS, drawn, find_station, pipeline_of
from api.drawing import profile
from api.known import known_line, known_of
from api.morning import morning_of
from api.pages.frame import answer
from api.state import BELIEVED, StationNow, site_now, station_now, thatch_now_m
from pipeline.service import Pipeline
from pipeline.site.models import Station

SPANS = {"3": "3 days", "14": "2 weeks", "90": "3 months", "366": "a year"}
DEFAULT_SPAN = "14"
STEPS_ABOUT = 4  # steps on either side that a step is measured by
WINDOW = 2 * STEPS_ABOUT + 1
GAP_STEPS = 3.5
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
    now_ms = pipeline.clock.now_ms()
    span = (now_ms - days * DAY_MS, now_ms)
    zone = ZoneInfo(pipeline.config.site.timezone)
    thatch_m = thatch_now_m(pipeline, station, now_ms) or 0.0
    step = "raw" if days <= 14 else "hour" if days <= 120 else "day"
    lines = _lines(pipeline, station, span, step, thatch_m, zone)
    rain = _rain(pipeline, name, span, "day" if days > 14 else "hour", zone)
    shown = tuple(int(t) for t in on_site_clock(np.array(span), zone))
    layout = moisture_chart(lines, rain, (shown[0], shown[1]), look, width_px=width)
    return JSONResponse(json_item(layout, ID(CHART_TARGET)))


def on_site_clock(at_ms: np.ndarray, zone: ZoneInfo) -> np.ndarray:
    """Times moved so that an axis that knows no time zones shows the site's clock. [ms]"""
    local = pd.to_datetime(at_ms, unit="ms", utc=True).tz_convert(zone).tz_localize(None)
    return local.to_numpy().astype("datetime64[ms]").astype(np.int64)


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


def _lines(
    pipeline: Pipeline, station: Station, span: tuple[int, int], step: str, thatch_m: float, zone: ZoneInfo
) -> list[Line]:
    moist = [c for c in station.channels if c.channel.quantity == "water_content" and c.channel.depth_m is not None]
    moist.sort(key=lambda c: c.channel.depth_m or 0.0)
    frame = drawn(pipeline, [c.id for c in moist], *span, step)
    lines = []
    for channel in moist:
        own = frame[frame["channel"] == channel.id]
        value = own["value"].to_numpy(float, copy=True)
        if "flag" in own:
            value[~own["flag"].isin(BELIEVED)] = np.nan
        at_ms, value = with_gaps(own["measured_at_ms"].to_numpy(np.int64), value)
        depth_m = channel.channel.depth_m or 0.0
        lines.append(Line(f"{depth_m * 1000:.0f} mm", depth_m < thatch_m, on_site_clock(at_ms, zone), value))
    return lines


def with_gaps(at_ms: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The series with a missing value put into each gap, so that no line is drawn across it.

    A gap is a step much longer than those about it: a probe may be read by the hour at one time and by the quarter hour
    at another.
    """
    if at_ms.size < 3:
        return at_ms, value
    steps = np.diff(at_ms)
    about = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(steps, STEPS_ABOUT, "reflect"), WINDOW), axis=1)
    gaps = np.flatnonzero(steps > GAP_STEPS * about)
    return np.insert(at_ms, gaps + 1, at_ms[gaps] + 1), np.insert(value, gaps + 1, np.nan)


def _rain(pipeline: Pipeline, station: str, span: tuple[int, int], step: str, zone: ZoneInfo) -> pd.DataFrame:
    channel = pipeline.config.rain_channel(station)
    if channel is None:
        return pd.DataFrame({"measured_at_ms": [], "value": []})
    width = DAY_MS if step == "day" else HOUR_MS
    rain = drawn(pipeline, [channel], *span, step)
    # A bar stands on the middle of its hour or day.
    middle = on_site_clock(rain["measured_at_ms"].to_numpy(np.int64) + width // 2, zone)
    return pd.DataFrame({"measured_at_ms": middle, "value": rain["value"].to_numpy(float)})
