"""Long jobs of a site in PostgreSQL, for a head: what runs and how far it is, and a form to ask for more."""

from __future__ import annotations

import datetime
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api import jobs, words
from api.data import pipeline_of
from api.pages.frame import answer, page
from api.who import who
from api.writing import OwnForm
from pipeline.jobs import JobRefused, recompute_faults
from pipeline.service import Pipeline
from pipeline.store.opening import dsn_of, job_queue
from pipeline.texts import day_words, later, say

JOB_WORDS = {
    "recompute": later("Worked out anew: {place}, {span}"),
    "import": later("Taken in: {file}"),
}
STATE_WORDS = {
    "waits": later("Waits"), "runs": later("Runs, {percent} %"), "stops": later("Stops, {percent} %"),
    "done": later("Done"), "failed": later("Failed"), "cancelled": later("Cancelled"),
}  # fmt: skip

router = APIRouter(include_in_schema=False)


@router.get("/jobs", response_class=HTMLResponse)
def jobs_page(request: Request) -> Response:
    return page(request, "jobs.html", (jobs_page,), lambda: _facts(pipeline_of(request)))


@router.post("/jobs")
def ask(request: Request, form: OwnForm) -> Response:
    """Ask for days to be worked out anew; the same that waits already is asked for once."""
    pipeline = pipeline_of(request)
    config, now_ms = pipeline.config, pipeline.clock.now_ms()
    station, faults = form.get("station") or None, list[str]()
    first, last = (_day(form.get(key, ""), key, faults) for key in ("from", "to"))
    if not jobs.has_queue(config):
        faults.append("store.kind: found a file, expected 'postgresql': run `underturf recompute`")
    elif not faults and (wrong := recompute_faults(config, station, first, last)):
        faults.append(wrong)
    if faults:
        facts = _facts(pipeline, fault=words.upper_first("; ".join(faults)), typed=form)
        return answer(request, "jobs.html", pipeline, facts, status=422)
    by = who(request).said
    jobs.ask_recompute(job_queue(dsn_of(config)), config, station, first, last, by=by, now_ms=now_ms)
    pipeline.tell_jobs()
    return RedirectResponse("/jobs", 303)


@router.post("/jobs/{number}/cancel")
def cancel(request: Request, form: OwnForm, number: int) -> Response:
    """Cancel a job of this site that waits or runs."""
    pipeline = pipeline_of(request)
    config, now_ms = pipeline.config, pipeline.clock.now_ms()
    try:
        if not jobs.has_queue(config):
            raise JobRefused(f"job {number}: found a site in a file, expected one with a queue")
        jobs.cancel_job(
            job_queue(dsn_of(config)), [config.site.name], number, lambda _: pipeline.journal.database,
            by=who(request).said, now_ms=now_ms,
        )  # fmt: skip
    except JobRefused as fault:
        facts = _facts(pipeline, fault=words.upper_first(str(fault)))
        return answer(request, "jobs.html", pipeline, facts, status=422)
    pipeline.tell_jobs()
    return RedirectResponse("/jobs", 303)


def _day(text: str, key: str, faults: list[str]) -> datetime.date | None:
    try:
        return datetime.date.fromisoformat(text.strip()) if text.strip() else None
    except ValueError:
        faults.append(f"{key}: found {text[:20]!r}, expected a day as 2026-05-01")
        return None


def _facts(pipeline: Pipeline, *, fault: str = "", typed: dict[str, str] | None = None) -> dict[str, Any]:
    config, now_ms = pipeline.config, pipeline.clock.now_ms()
    zone, shown, most = config.site.timezone, [], 0
    if jobs.has_queue(config):
        from pipeline.store.job_queue import JOBS_SHOWN as most
    for one in jobs.jobs_of(pipeline):
        state_told, told = STATE_WORDS.get(one.state), JOB_WORDS.get(one.kind)  # a later version may have more
        state = one.state if state_told is None else say(state_told, percent=round(100 * one.share))
        place, span = _place(pipeline, one.arguments.get("station")), _span(one.arguments, zone)
        what = one.kind if told is None else say(told, place=place, span=span, file=one.arguments.get("file"))
        asked = words.moment(one.arguments["asked_ms"], zone, now_ms=now_ms)
        shown.append((one, state, what, say("asked for by {name}, {moment}", name=one.arguments["by"], moment=asked)))
    return {
        "twin": "/api/v1/jobs",
        "now": words.date_and_clock(now_ms, zone),
        "stations": [(name, _place(pipeline, name)) for name in config.stations()],
        "jobs": shown,
        "most": most if len(shown) >= most else 0,
        "fault": fault,
        "typed": typed or {},
    }


def _place(pipeline: Pipeline, station: str | None) -> str:
    known = pipeline.config.stations()
    if station is None:
        return say("all stations")
    return words.place(pipeline.config.surface_of(station), known[station]) if station in known else station


def _span(asked: Any, zone: str) -> str:
    """The days of a job in words."""
    start_ms, end_ms = asked.get("start_ms"), asked.get("end_ms")
    first = None if start_ms is None else _day_words(start_ms, zone)
    last = None if end_ms is None else _day_words(end_ms - 1, zone)
    if first and last:
        return say("{first} to {last}", first=first, last=last)
    if first:
        return say("from {first} on", first=first)
    return say("until {last}", last=last) if last else say("all days")


def _day_words(at_ms: int, zone: str) -> str:
    return day_words(words.local(at_ms, ZoneInfo(zone)).date(), year=True)
