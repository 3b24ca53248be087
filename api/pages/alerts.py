"""The alerts: those that are open, with their marks, then the year behind, each as a span over its months.

A bold word says how each stands, a strip when it was; then what it said, what people made of it, and what ended it.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from api import words
from api.alert_history import PastAlert, alerts_of
from api.data import pipeline_of, stations_of
from api.pages.frame import answer, page
from api.pages.parts import head, see_to
from api.season import year_of
from pipeline.service import Pipeline
from pipeline.texts import month_letter, say

MOST_ENDED = 60  # ended alerts on one page; the data interface has all
LEAST_WIDE = 0.8  # per cent of a strip, so that an hour is seen
YEARS_OFFERED = 3
MONTHS_A_YEAR = 12

router = APIRouter(include_in_schema=False)


@router.get("/alerts", response_class=HTMLResponse)
def alerts_page(request: Request, year: int | None = None) -> Response:
    pipeline = pipeline_of(request)
    if not pipeline.config.stations():
        return answer(request, "empty.html", pipeline, {"twin": "/api/v1/alerts"})
    chosen = None if year is None else year_of(pipeline, year)
    return page(request, "alerts.html", (alerts_page, chosen), lambda: _facts(request, chosen))


def _facts(request: Request, year: int | None) -> dict[str, Any]:
    pipeline = pipeline_of(request)
    zone, now_ms = ZoneInfo(pipeline.config.site.timezone), pipeline.clock.now_ms()
    edges = _months(zone, now_ms, year)
    found = alerts_of(pipeline, _ms(edges[0]), min(_ms(edges[-1]), now_ms + 1))
    ended = [one for one in found if one.closed_ms is not None]
    states = stations_of(request)
    now, this_year = words.local(now_ms, zone), words.local(now_ms, zone).year
    return {
        "page": "alerts",
        "twin": f"/api/v1/alerts/history?from={edges[0]:%Y-%m-%d}T00:00:00Z&to={edges[-1]:%Y-%m-%d}T00:00:00Z",
        **head(states, pipeline.config.site.timezone),
        "see": [
            {**one, "strip": _strip(found, one["id"], edges, now_ms)}
            for one in see_to(pipeline, pipeline.alerts(), states)
        ],
        "heard": any(state.heard_ms is not None and not state.is_old for state in states),
        "past": [_told(pipeline, one, edges, now_ms) for one in ended[:MOST_ENDED]],
        "more": len(ended) - MOST_ENDED,
        "letters": [month_letter(edge.month) for edge in edges[:-1]],
        "ended_title": say("Ended in the last twelve months") if year is None else say("Ended in {year}", year=year),
        "none_ended": say("None ended in the last twelve months.")
        if year is None
        else say("None ended in {year}.", year=year),
        "today": _place(now_ms, edges) if edges[0] <= now <= edges[-1] else None,
        "years": [this_year - back for back in range(YEARS_OFFERED)],
        "shown_year": year,
    }


def _months(zone: ZoneInfo, now_ms: int, year: int | None) -> list[datetime.datetime]:
    """The first moments of twelve months, and the end of the last: those up to now, or of a year."""
    now = words.local(now_ms, zone)
    first = year * MONTHS_A_YEAR if year is not None else now.year * MONTHS_A_YEAR + now.month - MONTHS_A_YEAR
    return [
        datetime.datetime(m // MONTHS_A_YEAR, m % MONTHS_A_YEAR + 1, 1, tzinfo=zone)
        for m in range(first, first + MONTHS_A_YEAR + 1)
    ]


def _ms(at: datetime.datetime) -> int:
    return round(at.timestamp() * 1000)


def _place(at_ms: int, edges: Sequence[datetime.datetime]) -> float:
    """Where a moment lies in the strip, by equal months. [%]"""
    for number, (a, b) in enumerate(pairwise(edges)):
        if at_ms < _ms(b):
            return max(0.0, 100.0 * (number + (at_ms - _ms(a)) / (_ms(b) - _ms(a))) / MONTHS_A_YEAR)
    return 100.0


def _strip(
    found: Sequence[PastAlert], alert_id: str, edges: Sequence[datetime.datetime], now_ms: int
) -> dict[str, float] | None:
    one = next((one for one in found if one.alert_id == alert_id), None)
    return None if one is None else _span(one, edges, now_ms)


def _span(one: PastAlert, edges: Sequence[datetime.datetime], now_ms: int) -> dict[str, float]:
    """Where an alert lies in its strip. [%]"""
    left = _place(one.since_ms, edges)
    wide = max(LEAST_WIDE, _place(now_ms if one.closed_ms is None else one.closed_ms, edges) - left)
    return {"left": round(min(left, 100.0 - wide), 2), "wide": round(wide, 2)}


def _told(pipeline: Pipeline, one: PastAlert, edges: Sequence[datetime.datetime], now_ms: int) -> dict[str, Any]:
    zone = pipeline.config.site.timezone
    assert one.closed_ms is not None
    was_wrong = any(mark.body.get("mark") == "wrong" for mark in one.marks)
    start, end = (words.moment(at_ms, zone, now_ms=now_ms) for at_ms in (one.since_ms, one.closed_ms))
    times = "" if one.said < 2 else say("Said {n} times.", n=one.said)
    return {
        "id": one.alert_id,
        "word": say("Wrong:") if was_wrong else say("Ended:"),
        "kind": "wrong" if was_wrong else "ended",
        "text": words.tied(one.text),
        "span": say("From {start} to {end}, {age}.", start=start, end=end, age=words.age(one.closed_ms - one.since_ms)),
        "strip": _span(one, edges, now_ms),
        "ended": words.tied(" ".join(part for part in (one.ended, one.closed_by) if part)),
        "marks": " ".join(
            part
            for part in (
                *(
                    words.mark_line(pipeline.config, mark, now_ms)
                    for mark in one.marks
                    if mark.body.get("mark") != "wrong"
                ),
                times,
            )
            if part
        ),
    }
