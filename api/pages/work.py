"""The work page: which pass when, and why not; tonight's water; wetness to come; alerts to be marked; the last entries.

Words first, then a calendar and a small chart, all drawn on the server. What is missing is said. It decides nothing and
writes nothing: the buttons beside the alerts ask the data interface.
"""

from __future__ import annotations

import datetime
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from api import words
from api.answers import pass_words, stale_line
from api.data import pipeline_of
from api.drawing import KIND_WORDS, LETTERS, DayCell, calendar, first_day, kind_of, wetness_chart
from api.pages.frame import answer, page
from api.pages.parts import see_to
from pipeline.advice.conditions import Verdict
from pipeline.advice.phrases import lift_first, listed
from pipeline.advice.report import PassAdvice, SiteAdvice, StationAdvice, SurfaceAdvice, next_open
from pipeline.advice.windows import Window
from pipeline.alerts.probes import PROBE_FAULT
from pipeline.forecast.wetness import in_ten
from pipeline.service import Pipeline
from pipeline.units import EVER_MS, HOUR_MS, TIME_SLACK_MS

LAST_ENTRIES = 10

router = APIRouter(include_in_schema=False)


@router.get("/work", response_class=HTMLResponse)
def work_page(request: Request) -> Response:
    pipeline = pipeline_of(request)
    if not pipeline.config.stations():
        return answer(request, "empty.html", pipeline, {"twin": "/api/v1/site"})
    return page(request, "work.html", work_page, lambda: _work_facts(pipeline))


def _work_facts(pipeline: Pipeline) -> dict[str, Any]:
    advice, now_ms, zone = pipeline.advice(), pipeline.clock.now_ms(), pipeline.config.site.timezone
    entries = [e for e in pipeline.diary.entries(None, *EVER_MS) if e.kind != "mark"][-LAST_ENTRIES:]
    return {
        "page": "work",
        "twin": "/api/v1/advice",
        "now": words.moment(now_ms, zone),
        "advised": None if advice is None else _advised(advice, zone, now_ms),
        "surfaces": [] if advice is None else [_surface(pipeline, one, now_ms) for one in advice.surfaces],
        "notes": [] if advice is None else [words.tied(_sentence(note)) for note in advice.notes],
        "legend": [(KIND_WORDS[kind], letter, kind) for kind, letter in LETTERS.items()],
        "see": see_to(pipeline, now_ms),
        "heard": _heard(pipeline, now_ms),
        "entries": [words.tied(words.entry_line(pipeline.config, e, now_ms)) for e in reversed(entries)],
    }


def _advised(advice: SiteAdvice, zone: str, now_ms: int) -> dict[str, Any]:
    """When it was worked out, and whether that is long ago."""
    when = words.moment(advice.at_ms, zone, now_ms=now_ms)
    ago = words.age(now_ms - advice.at_ms)
    return {"line": f"Worked out {when}, {ago} ago.", "is_old": bool(stale_line(advice, zone, now_ms))}


def _heard(pipeline: Pipeline, now_ms: int) -> bool:
    """Whether any probe has been heard of late."""
    latest = pipeline.store.last_answers(list(pipeline.config.channels()), now_ms + TIME_SLACK_MS)
    silent_ms = round(PROBE_FAULT.bounds_in(pipeline.config.alerts).silent_h * HOUR_MS)
    return bool((latest["measured_at_ms"] > now_ms - silent_ms).any())


def _surface(pipeline: Pipeline, one: SurfaceAdvice, now_ms: int) -> dict[str, Any]:
    site, hours = pipeline.config.site, pipeline.config.work.hours
    zone = ZoneInfo(site.timezone)
    first = first_day([each.outlook for each in one.passes], zone)
    surface = next((s for s in pipeline.config.surfaces if s.name == one.surface), None)
    titles = {} if surface is None else {s.name: words.place(surface, s) for s in surface.stations}
    return {
        "name": one.surface,
        "title": one.title,
        "play": [f"{p.title}, {words.moment(p.start_ms, site.timezone, now_ms=now_ms)}" for p in one.play[:1]],
        "lines": _lines(one),
        "calendar": [] if first is None else _calendar(one, zone, hours, first),
        "passes": [
            {"name": words.upper_first(pass_words(each)), "rows": _rows(each, site.timezone, now_ms)}
            for each in one.passes
        ],
        "stations": [_station(each, titles.get(each.station, each.station), zone) for each in one.stations],
    }


def _lines(surface: SurfaceAdvice) -> list[dict[str, Any]]:
    """A line for each pass; passes that are shut for one and the same reason share one."""
    groups: dict[object, list[PassAdvice]] = {}
    for one in surface.passes:
        now = one.outlook.windows[0]
        shut = next_open(one.outlook) is None
        key = (now.verdict, now.reason, now.opens) if shut else (one.outlook.intent,)
        groups.setdefault(key, []).append(one)
    return [
        {
            "kind": kind_of(passes[0].outlook.windows[0]),
            "letter": LETTERS[kind_of(passes[0].outlook.windows[0])],
            "line": words.tied(_without(passes[0].line, surface.title) if len(passes) == 1 else _shared(passes)),
            "last_good": [words.tied(_without(p.last_good_line, surface.title)) for p in passes if p.last_good_line],
        }
        for passes in groups.values()
    ]


def _shared(passes: list[PassAdvice]) -> str:
    """Several passes that are shut for the same reason, in one line."""
    now = passes[0].outlook.windows[0]
    state = {Verdict.CLOSED: "are closed", Verdict.WAIT: "must wait"}.get(now.verdict, "cannot be judged")
    opens = f" What would open them: {now.opens}." if now.opens else ""
    return f"{words.upper_first(_and(passes))} {state}, {now.reason}.{opens}"


def _calendar(
    surface: SurfaceAdvice, zone: ZoneInfo, hours: tuple[int, int], first: datetime.date
) -> list[dict[str, Any]]:
    """A row of days for each pass; those that look the same, for the same reason, share one."""
    rows: dict[tuple[tuple[DayCell, ...], str], list[PassAdvice]] = {}
    for one in surface.passes:
        days, now = tuple(calendar(one.outlook, zone, hours, first)), one.outlook.windows[0]
        reason = now.reason if now.override is None else f"on the word of {now.override.author}"
        rows.setdefault((days, reason), []).append(one)
    return [
        {"name": words.upper_first(_and(passes)), "days": days, "reason": reason}
        for (days, reason), passes in rows.items()
    ]


def _and(passes: list[PassAdvice]) -> str:
    return listed([pass_words(one) for one in passes])


def _rows(one: PassAdvice, zone: str, now_ms: int) -> list[dict[str, str]]:
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
            "span": f"{words.moment(run[0].span.start_ms, zone, now_ms=now_ms)} to "
            f"{words.moment(run[-1].span.end_ms, zone, now_ms=now_ms)}",
            "verdict": _verdict(run),
            "why": words.tied(run[0].detail or run[0].reason),
            "opens": run[0].opens,
            "first": _first(run),
        }
        for run in runs
    ]


def _verdict(run: list[Window]) -> str:
    first = run[0]
    if first.override is not None:
        return f"open on the word of {first.override.author}: {first.override.reason}"
    known = [w.chance for w in run if w.chance is not None]
    sure = f", {in_ten(sum(known) / len(known))}" if known and first.verdict.name == "OPEN" else ""
    return KIND_WORDS[kind_of(first)].partition(",")[0] + sure


def _first(run: list[Window]) -> str:
    """What is to be done and looked at before, and what speaks against it."""
    lift = lift_first(run[0].lift_first)
    said = [lift[:1].lower() + lift[1:]] if lift else []
    said += [f"check {check}" for check in dict.fromkeys(c for w in run for c in w.check_first)]
    said += list(run[0].warnings)
    return "; ".join(said)


def _station(one: StationAdvice, title: str, zone: ZoneInfo) -> dict[str, Any]:
    forecast = one.forecast
    return {
        "name": one.station,
        "title": title,
        "water": words.tied(_without(one.water.line, title)),
        "day_line": _sentence(one.day_line),
        "chart": wetness_chart(forecast, zone),
        "reason": _sentence(forecast.reason) if forecast.reason else "",
        "source": _sentence(forecast.source) if forecast.source else "",
    }


def _without(text: str, title: str) -> str:
    """A line without the place where it stands below the name of that place."""
    return words.upper_first(text.removeprefix(f"{title}: "))


def _sentence(text: str) -> str:
    return words.upper_first(text) + ("" if text.endswith((".", "?", "!")) else ".")
