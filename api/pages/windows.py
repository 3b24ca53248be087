"""Every window of the passes on a surface, each with its verdict, its reason and what would open it.

What the work page says in one line, hour by hour: a table a pass, nights passed over.
"""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from api import words
from api.advice import advice_of, of_surface
from api.data import pipeline_of, stations_of
from api.drawing import KIND_WORDS, kind_of
from api.pages.frame import page
from api.pages.parts import head
from api.season import surface_of
from pipeline.advice.conditions import Verdict
from pipeline.advice.report import PassAdvice
from pipeline.advice.stretches import pass_words
from pipeline.advice.windows import Window
from pipeline.forecast.wetness import in_ten
from pipeline.site.local_units import LocalUnits
from pipeline.texts import say

router = APIRouter(include_in_schema=False)


@router.get("/work/{surface}/windows", response_class=HTMLResponse)
def windows_page(request: Request, surface: str) -> Response:
    surface_of(pipeline_of(request), surface)
    return page(request, "windows.html", (windows_page, surface), lambda: _facts(request, surface))


def _facts(request: Request, surface: str) -> dict[str, Any]:
    pipeline = pipeline_of(request)
    zone, now_ms = pipeline.config.site.timezone, pipeline.clock.now_ms()
    advice = advice_of(pipeline)
    advised = of_surface(advice, surface)
    return {
        "page": "work",
        "twin": f"/api/v1/surfaces/{surface}/windows",
        **head(stations_of(request), zone),
        "title": advised.title,
        "advised": words.moment(advice.at_ms, zone, now_ms=now_ms),
        "passes": [
            {
                "name": words.upper_first(pass_words(one)),
                "line": words.tied(words.upper_first(one.words)),
                "rows": _windows(one, zone, now_ms, pipeline.config.site.units),
            }
            for one in advised.passes
        ],
    }


def _windows(one: PassAdvice, zone: str, now_ms: int, units: LocalUnits) -> list[dict[str, str]]:
    """Spans of one verdict and one reason, nights passed over, each with all that is known of it."""
    runs: list[list[Window]] = []
    for window in one.outlook.windows:
        same = runs and (kind_of(runs[-1][0]), runs[-1][0].reason, runs[-1][0].override) == (
            kind_of(window), window.reason, window.override
        )  # fmt: skip
        if same:
            runs[-1].append(window)
        else:
            runs.append([window])
    return [
        {
            "span": say(
                "{start} to {end}",
                start=words.moment(run[0].span.start_ms, zone, now_ms=now_ms),
                end=words.moment(run[-1].span.end_ms, zone, now_ms=now_ms),
            ),
            "verdict": _verdict(run, units),
            "why": words.tied(run[0].detail or run[0].reason),
            "opens": run[0].opens,
        }
        for run in runs
    ]


def _verdict(run: list[Window], units: LocalUnits) -> str:
    first = run[0]
    if first.override is not None:
        why = units.own(first.override.reason)
        return say("open on the word of {author}: {why}", author=first.override.author, why=why)
    known, kind = [w.chance for w in run if w.chance is not None], say(KIND_WORDS[kind_of(first)])
    if not known or first.verdict is not Verdict.OPEN:
        return kind
    # Translators: as in "open, 8 in 10"
    return say("{verdict}, {chance}", verdict=kind, chance=in_ten(sum(known) / len(known)))
