"""Booking a pass or water: what, how much, when, judged at once as it would stand in the diary, before it is written.

A plain form that asks for its own address with what is in it, so that it works without a script; with one the page asks
as soon as something is changed, and what is being typed is not touched. A booking is changed and withdrawn here too.
"""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from api import diary, words
from api.booking import cautions, judged, kinds_of, lift_line
from api.data import pipeline_of, stations_of
from api.diary_check import check
from api.diary_form import confirmed_by, figures_asked
from api.drawing import first_day, ten_days
from api.pages.frame import answer, page
from api.pages.parts import head, written_answer
from api.problems import PROBLEM_TYPE, Problem, wants_page
from api.season import surface_of
from api.writing import OwnForm
from pipeline.advice.report import Stretch, alike
from pipeline.advice.stretches import likely_stretch, openings
from pipeline.diary.entry import DiaryEntry, counts, questions_of
from pipeline.forecast.waterings import EVENING_H
from pipeline.plan.booked import Judgement
from pipeline.service import Pipeline
from pipeline.site.ground import Surface
from pipeline.site.local_units import LocalUnits
from pipeline.texts import say, say_as
from pipeline.units import DAY_MS, HOUR_MS

MOST_LINKS = 8  # surfaces that are linked to side by side; of more, the work page has the links
WATER = "water"  # in place of a pass
LENGTHS = ("depth_mm", "spacing_mm", "width_mm")
TEXTS = ("strips", "contractor")
LONGEST_WATERING_H = 24.0
FORM_FIELDS = (
    "surface",
    "entry",
    "what",
    "day",
    "time",
    "around",
    "author",
    "confirmed",
    "water_mm",
    "hours",
    *LENGTHS,
    *TEXTS,
)

router = APIRouter(include_in_schema=False)


@router.get("/work/book", response_class=HTMLResponse)
def book_page(
    request: Request,
    surface: str = "",
    entry: str = "",
    what: str = "",
    day: str = "",
    time: str = "",
    depth_mm: str = "",
    spacing_mm: str = "",
    width_mm: str = "",
    strips: str = "",
    contractor: str = "",
    around: str = "",
    author: str = "",
    confirmed: str = "",
    water_mm: str = "",
    hours: str = "",
) -> Response:
    pipeline = pipeline_of(request)
    if not pipeline.config.stations():
        return answer(request, "empty.html", pipeline, {"twin": "/api/v1/site"})
    asked = {key: request.query_params.get(key, "") for key in FORM_FIELDS}
    before = _booking(pipeline, asked["entry"])
    found = surface_of(pipeline, surface or (before.surface if before else pipeline.config.surfaces[0].name))
    return page(request, "book.html", (book_page, *asked.values()), lambda: _facts(request, found, before, asked))


@router.post("/work/book")
def book(request: Request, form: OwnForm) -> Response:
    """Write the booking, or write it anew in place of the one that it changes, and lead to where it stands judged;
    the same `sent_as` again writes nothing more."""
    pipeline, sent_as = pipeline_of(request), form.get("sent_as", "")
    before, surface = _booking(pipeline, form.get("entry", "")), surface_of(pipeline, form.get("surface", ""))
    if form.get("entry") and before is None and pipeline.diary.sent_as(sent_as) is None:
        raise _no_such(form["entry"][:20])  # somebody has withdrawn or changed it meanwhile
    made, faults = _entry(pipeline, surface, form)
    made = replace(made, station=_station(before or pipeline.diary.sent_as(sent_as), surface), sent_as=sent_as)
    if not faults and not counts(made):  # what it looks like is said, and it is asked for once more
        if wants_page(request):
            return RedirectResponse(f"/work/book?{urlencode({k: form[k] for k in FORM_FIELDS if form.get(k)})}", 303)
        return JSONResponse(_asked(request, made), 422, media_type=PROBLEM_TYPE)
    written = diary.add(request, made, faults) if before is None else diary.change(request, before.id, made, faults)
    return written_answer(request, [written], f"/work#booked-{written.id}")


@router.post("/work/{entry_id}/withdrawn")
def withdraw(request: Request, entry_id: int, form: OwnForm) -> Response:
    """Strike a booking out; pressed twice it is gone once."""
    pipeline = pipeline_of(request)
    entry = pipeline.diary.entry(entry_id)
    if entry is not None:
        if not _is_booked(entry):
            raise _no_such(entry_id)
        diary.strike(pipeline, entry_id)
    elif diary.stands_instead(pipeline, entry_id) is not None:
        raise diary.changed_meanwhile()
    return written_answer(request, [], "/work")


def _asked(request: Request, made: DiaryEntry) -> dict[str, object]:
    """A booking that is not written yet: what is asked of it, and what `confirmed` has to be."""
    units = pipeline_of(request).config.site.units
    lines = [one.said(in_inches=units.in_inches) for one in questions_of(made)]
    return {
        "type": "about:blank", "title": say("The entry is not written yet"), "status": 422,
        "detail": words.upper_first(" ".join(lines)), "instance": request.url.path, "confirms": figures_asked(made),
    }  # fmt: skip


def _booking(pipeline: Pipeline, number: str) -> DiaryEntry | None:
    """The booking of a number; None where none is named, or it is booked no more."""
    entry = pipeline.diary.entry(int(number)) if number.isdecimal() and len(number) < 19 else None
    return entry if entry is not None and _is_booked(entry) else None


def _is_booked(entry: DiaryEntry) -> bool:
    return entry.kind == "booked_watering" or (entry.kind == "pass" and entry.body.get("state") == "booked")


def _station(former: DiaryEntry | None, surface: Surface) -> str | None:
    """The station of the booking that is changed: the form names the surface alone."""
    return former.station if former is not None and former.surface == surface.name else None


def _no_such(number: object) -> Problem:
    return Problem(404, "No such booking", f"found {number}, expected the number of a booking in the diary")


# --- from the form to an entry ---------------------------------------------------------------------------------------


def _entry(pipeline: Pipeline, surface: Surface, form: dict[str, str]) -> tuple[DiaryEntry, list[str]]:
    """The entry that a form amounts to, and what is wrong with it beside what the diary finds."""
    if form.get("what") == WATER:
        return _watering(pipeline, surface, form)
    faults, body, units = list[str](), dict[str, object](), pipeline.config.site.units
    kind, _, variant = form.get("what", "").partition(".")
    body["pass"] = kind
    if variant:
        body["variant"] = variant
    body["state"] = "booked"
    for key in LENGTHS:
        number = _number(form.get(key, "").strip(), key, units, faults)
        if number is not None:
            body[key] = units.mm_of(number)
    for key in TEXTS:
        if form.get(key, "").strip():
            body[key] = form[key].strip()
    if form.get("around"):
        body["around"] = True
    at_ms, now_ms = _time_ms(pipeline, form, faults), pipeline.clock.now_ms()
    author = form.get("author", "").strip()
    made = DiaryEntry("pass", surface.name, at_ms or now_ms, body, None, None, author, now_ms)
    return (confirmed_by(made, form.get("confirmed", "")) or made), faults


def _watering(pipeline: Pipeline, surface: Surface, form: dict[str, str]) -> tuple[DiaryEntry, list[str]]:
    """The watering that a form books, and what is wrong with it."""
    faults, units = list[str](), pipeline.config.site.units
    amount = _number(form.get("water_mm", "").strip(), "water_mm", units, faults)
    hours = _number(form.get("hours", "").strip(), "hours", units, faults, of_time=True)
    if hours is not None and not 0.0 < hours <= LONGEST_WATERING_H:
        told = say(
            "hours: found {found:g}, expected more than 0, at most {most:g}", found=hours, most=LONGEST_WATERING_H
        )
        faults.append(told)
        hours = None
    at_ms, now_ms = _time_ms(pipeline, form, faults), pipeline.clock.now_ms()
    begin_ms = at_ms or now_ms
    body: dict[str, object] = {} if amount is None else {"water_mm": units.mm_of(amount)}
    end_ms = None if hours is None else begin_ms + round(hours * HOUR_MS)
    author = form.get("author", "").strip()
    made = DiaryEntry("booked_watering", surface.name, begin_ms, body, None, end_ms, author, now_ms)
    return (confirmed_by(made, form.get("confirmed", "")) or made), faults


def _number(text: str, key: str, units: LocalUnits, faults: list[str], *, of_time: bool = False) -> float | None:
    if not text:
        return None
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        number = float("nan")
    if number != number or abs(number) == float("inf"):
        if of_time:
            faults.append(say("{field}: found {found}, expected a number of hours", field=key, found=repr(text[:20])))
        elif units.in_inches:
            faults.append(say("{field}: found {found}, expected a number of inches", field=key, found=repr(text[:20])))
        else:
            faults.append(say("{field}: found {found}, expected a number of mm", field=key, found=repr(text[:20])))
        return None
    return number


def _time_ms(pipeline: Pipeline, form: dict[str, str], faults: list[str]) -> int | None:
    day, time = form.get("day", ""), form.get("time", "")
    try:
        at = datetime.datetime.fromisoformat(f"{day}T{time}").replace(tzinfo=ZoneInfo(pipeline.config.site.timezone))
        at_ms = round(at.timestamp() * 1000)
    except (ValueError, OverflowError):
        found = f"{day[:20]} {time[:20]}".strip() or say_as("a field of a form", "none")
        faults.append(say("day and time: found {found}, expected a day as 2026-05-04 and a time as 09:00", found=found))
        return None
    if at_ms < pipeline.clock.now_ms() - DAY_MS:
        faults.append(say("day: found one that is past, expected today or one to come"))
    return at_ms


# --- what the page shows ---------------------------------------------------------------------------------------------


def _facts(request: Request, surface: Surface, before: DiaryEntry | None, asked: dict[str, str]) -> dict[str, Any]:
    pipeline = pipeline_of(request)
    zone, now_ms = pipeline.config.site.timezone, pipeline.clock.now_ms()
    here, others = kinds_of(pipeline, surface)
    form = _filled(pipeline, surface, before, asked, [value for value, _ in (*here, *others)])
    entry, faults = _entry(pipeline, surface, form)
    entry = replace(entry, station=_station(before, surface))
    is_water = form["what"] == WATER
    faults += [
        f for f in check(pipeline.config, pipeline.diary, pipeline.photographs, entry, now_ms) if f not in faults
    ]
    many = len(pipeline.config.surfaces) > MOST_LINKS
    return {
        "page": "work",
        "twin": "/api/v1/bookings",
        **head(stations_of(request), zone),
        "surface": surface,
        "surfaces": [] if many or before else [(one.name, one.title) for one in pipeline.config.surfaces],
        "form": form,
        "changes": before,
        "is_water": is_water,
        "is_gone": bool(asked["entry"]) and before is None,
        "here": [(value, words.upper_first(words.tied(name))) for value, name in here],
        "others": [(value, words.upper_first(name)) for value, name in others],
        "today": words.local(now_ms, ZoneInfo(zone)).date().isoformat(),
        "faults": [words.upper_first(fault) for fault in faults],
        "judged": None if faults else _judged(pipeline, surface, entry, now_ms, before),
        "cautions": ()
        if faults or is_water
        else cautions(surface, str(entry.body["pass"]), entry.body.get("depth_mm")),
    }


def _judged(
    pipeline: Pipeline, surface: Surface, entry: DiaryEntry, now_ms: int, before: DiaryEntry | None
) -> dict[str, Any]:
    zone = ZoneInfo(pipeline.config.site.timezone)
    plan, units = pipeline.plan(), pipeline.config.site.units
    found = judged(pipeline, plan, entry, now_ms, before=before)
    depth = entry.body.get("depth_mm")
    if entry.kind == "pass":
        title = words.pass_title(entry.body)
    else:
        amount = units.entered(entry.number("water_mm"))
        title = say("Water, {amount} {unit}", amount=amount, unit=units.short)
    play = (
        []
        if plan.advice is None
        else [p for one in plan.advice.surfaces if one.surface == surface.name for p in one.play]
    )
    return {
        "title": words.tied(
            words.upper_first(
                title if depth is None else say("{pass_title} to {depth:g} mm", pass_title=title, depth=depth)
            )
        ),
        "when": words.moment(entry.at_ms, pipeline.config.site.timezone, now_ms=now_ms),
        "verdict": found.word,
        "clause": words.tied(found.clause),
        "is_barred": found.is_barred,
        "lift": lift_line(pipeline, entry, now_ms) if entry.kind == "pass" else "",
        "questions": [one.said(in_inches=pipeline.config.site.units.in_inches) for one in questions_of(entry)],
        "confirms": figures_asked(entry),
        "days": _days(found, zone),
        "on": words.local(entry.at_ms, zone).date(),
        "play": {words.local(p.start_ms, zone).date() for p in play},
    }


def _days(found: Judgement, zone: ZoneInfo) -> Any:
    if found.advised is None:
        return ()
    first = first_day([found.advised.outlook], zone)
    return () if first is None else ten_days(found.advised.outlook, zone, first)


def _filled(
    pipeline: Pipeline, surface: Surface, before: DiaryEntry | None, asked: dict[str, str], values: list[str]
) -> dict[str, str]:
    """What stands in the form: what was asked with, else the booking that is changed, else the likeliest first time."""
    form = {**asked, "surface": surface.name}
    if before is not None and before.kind == "booked_watering":
        return _filled_again(pipeline, before, form)
    if form["what"] == WATER:
        at = words.local(pipeline.clock.now_ms(), ZoneInfo(pipeline.config.site.timezone)) + datetime.timedelta(days=1)
        return form | {"day": asked["day"] or at.date().isoformat(), "time": asked["time"] or f"{EVENING_H}:00"}
    if before is not None and not asked["what"]:
        body, at = before.body, words.local(before.at_ms, ZoneInfo(pipeline.config.site.timezone))
        named = f"{body['pass']}.{body.get('variant', '')}"
        form["what"] = next((value for value in values if value.startswith(named)), named.rstrip("."))
        form |= {key: pipeline.config.site.units.entered(float(str(body[key]))) for key in LENGTHS if key in body}
        form |= {key: str(body[key]) for key in TEXTS if key in body}
        form |= {"around": "on" if body.get("around") else "", "author": before.author}
        form |= {"day": at.date().isoformat(), "time": f"{at:%H:%M}"}
        return form
    # an address may name the kind alone: its first variant then
    same_kind = (value for value in values if asked["what"] in (value, value.partition(".")[0]))
    form["what"] = next(same_kind, asked["what"] or (values[0] if values else ""))
    if not asked["day"] or not asked["time"]:
        at = _first_time(pipeline, surface, form["what"])
        form |= {"day": asked["day"] or at.date().isoformat(), "time": asked["time"] or f"{at:%H:%M}"}
    return form


def _filled_again(pipeline: Pipeline, before: DiaryEntry, form: dict[str, str]) -> dict[str, str]:
    """The form of a booked watering that is changed: what was asked with, else the booking."""
    if form["what"]:
        return form
    at = words.local(before.at_ms, ZoneInfo(pipeline.config.site.timezone))
    hours = "" if before.end_ms is None else f"{(before.end_ms - before.at_ms) / HOUR_MS:g}"
    amount = pipeline.config.site.units.entered(before.number("water_mm"))
    return form | {
        "what": WATER, "water_mm": amount, "hours": hours, "author": before.author,
        "day": at.date().isoformat(), "time": f"{at:%H:%M}",
    }  # fmt: skip


def _first_time(pipeline: Pipeline, surface: Surface, what: str) -> datetime.datetime:
    """The first hour of the first likely opening; without one tomorrow when work begins."""
    zone, now_ms = ZoneInfo(pipeline.config.site.timezone), pipeline.clock.now_ms()
    advice = pipeline.advice()
    passes = [] if advice is None else [p for one in advice.surfaces if one.surface == surface.name for p in one.passes]
    one = next((p for p in passes if f"{p.outlook.intent.kind}.{p.outlook.intent.variant}" == what), None)
    found: list[Stretch] = [] if one is None else [alike(each) for each in openings(one.outlook)]
    likely = next((each for each in found if likely_stretch(each)), None)
    if likely is not None:
        next_hour = -(-now_ms // HOUR_MS) * HOUR_MS
        return words.local(max(likely.span.start_ms, next_hour), zone)
    tomorrow = words.local(now_ms, zone) + datetime.timedelta(days=1)
    return tomorrow.replace(hour=pipeline.config.work.hours[0], minute=0, second=0, microsecond=0)
