"""The work page: what is booked, judged; which pass when, ten days and sixteen weeks ahead; tonight's water; alerts.

A drawing, a bold word and a clause for each pass; passes that are shut for one reason share a line. Drawn on the
server. What is missing is said. It decides nothing; what its buttons send is written by `forms` and the data interface.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from api import words
from api.advice import is_stale
from api.booking import cautions, jobs_of, judged, lift_line, waterings_of
from api.data import pipeline_of, stations_of
from api.drawing import (
    DAYS,
    DayCell,
    first_day,
    rain_of_days,
    ten_days,
    wetness_chart,
)
from api.pages.frame import answer, page
from api.pages.parts import MOST_SEEN, cautions_told, head, just_written, see_to
from api.weeks import weeks_rows
from pipeline.advice.conditions import Verdict
from pipeline.advice.phrases import listed
from pipeline.advice.report import (
    PassAdvice,
    SiteAdvice,
    StationAdvice,
    Stretch,
    SurfaceAdvice,
    alike,
)
from pipeline.advice.stretches import after_words, is_last, likely_stretch, openings, pass_words, span_words
from pipeline.advice.windows import Outlook
from pipeline.alerts.probes import PROBE_FAULT
from pipeline.diary.entry import DiaryEntry
from pipeline.plan.planner import SitePlan
from pipeline.service import Pipeline
from pipeline.site.ground import Surface
from pipeline.texts import in_a_row, later, say, weekday_and_day, weekday_letters
from pipeline.units import EVER_MS, HOUR_MS, TIME_SLACK_MS

LAST_ENTRIES = 10
MOST_PLACES = 5  # places in a heading
RAIN_MM_A_PX, MOST_RAIN_PX = 0.5, 26.0  # of the small columns above the days
SHUT_WORDS = {Verdict.CLOSED: later("Shut:"), Verdict.WAIT: later("Wait:"), Verdict.UNKNOWN: later("Cannot tell:")}

router = APIRouter(include_in_schema=False)


@router.get("/work", response_class=HTMLResponse)
def work_page(request: Request) -> Response:
    pipeline = pipeline_of(request)
    if not pipeline.config.stations():
        return answer(request, "empty.html", pipeline, {"twin": "/api/v1/site"})
    return page(request, "work.html", work_page, lambda: _work_facts(request))


@dataclass(frozen=True)
class _View:
    """What every part of the page looks at."""

    pipeline: Pipeline
    plan: SitePlan
    zone: ZoneInfo
    now_ms: int
    first: datetime.date | None
    is_old: bool  # what is advised

    @property
    def timezone(self) -> str:
        return self.pipeline.config.site.timezone

    def surface(self, name: str) -> Surface | None:
        return next((s for s in self.pipeline.config.surfaces if s.name == name), None)

    def days(self, outlook: Outlook) -> tuple[DayCell, ...]:
        return () if self.first is None else ten_days(outlook, self.zone, self.first)


def _work_facts(request: Request) -> dict[str, Any]:
    pipeline, states = pipeline_of(request), stations_of(request)
    plan, now_ms, zone = pipeline.plan(), pipeline.clock.now_ms(), pipeline.config.site.timezone
    advice = plan.advice
    surfaces = () if advice is None else advice.surfaces
    first = first_day([each.outlook for one in surfaces for each in one.passes], ZoneInfo(zone))
    is_old = advice is not None and is_stale(advice, now_ms)
    view = _View(pipeline, plan, ZoneInfo(zone), now_ms, first, is_old)
    entries = [e for e in pipeline.diary.entries(None, *EVER_MS) if e.kind != "mark"][-LAST_ENTRIES:]
    return {
        "page": "work",
        "twin": "/api/v1/advice",
        **head(states, zone),
        "advised": None if advice is None else _advised(advice, zone, now_ms, is_old=is_old),
        "axis": _axis(view, surfaces),
        "booked": _booked(view, surfaces),
        "surfaces": _alike([_surface(view, one) for one in surfaces]),
        "cautions": cautions_told(surfaces),
        "weeks": _alike([_weeks(view, one) for one in surfaces if one.passes]),
        "water": _alike([_water(view, one, each) for one in surfaces for each in one.stations]),
        "to_come": _alike([_to_come(view, one, each) for one in surfaces for each in one.stations]),
        "strips": [strips for one in surfaces if (strips := _strips(view, one))],
        "stations": len(states),
        "notes": [] if advice is None else [words.tied(_sentence(note)) for note in advice.notes],
        "see": see_to(pipeline, plan.alerts, states),
        "written": just_written(pipeline, now_ms),
        "most_seen": MOST_SEEN,
        "most_named": MOST_PLACES,
        "heard": _heard(pipeline, now_ms),
        "entries": [words.tied(words.entry_line(pipeline.config, e, now_ms)) for e in reversed(entries)],
    }


def _alike(parts: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Parts of the page as they are; of many, those that say the same as one, under all names: `Green 1 and Green 2`.

    Each gets `titles`, shortened where they are many, and `places` with the name and title of every one.
    """
    groups: list[list[dict[str, Any]]] = []
    for part in parts:
        said = {key: value for key, value in part.items() if key not in ("name", "title")}
        same = (g for g in groups if all(g[0][key] == value for key, value in said.items()))
        found = next(same, None) if len(parts) > MOST_PLACES else None
        if found is None:
            groups.append([part])
        else:
            found.append(part)
    return [
        {**those[0], "titles": words.named([one["title"] for one in those], MOST_PLACES),
         "places": [(one["name"], one["title"]) for one in those]}
        for those in groups
    ]  # fmt: skip


def _advised(advice: SiteAdvice, zone: str, now_ms: int, *, is_old: bool) -> dict[str, Any]:
    """When it was worked out, and whether that is long ago."""
    at = words.moment(advice.at_ms, zone, now_ms=now_ms)
    ago = words.age(now_ms - advice.at_ms)
    return {"line": say("Worked out {when}, {age} ago.", when=at, age=ago), "is_old": is_old}


def _heard(pipeline: Pipeline, now_ms: int) -> bool:
    """Whether any probe has been heard of late."""
    latest = pipeline.store.last_answers(list(pipeline.config.channels()), now_ms + TIME_SLACK_MS)
    silent_ms = round(PROBE_FAULT.bounds_in(pipeline.config.alerts).silent_h * HOUR_MS)
    return bool((latest["measured_at_ms"] > now_ms - silent_ms).any())


def _axis(view: _View, surfaces: Sequence[SurfaceAdvice]) -> dict[str, Any] | None:
    """The ten days with the rain of each; None where no pass is judged at all."""
    if view.first is None:
        return None
    known = next((s.forecast for one in surfaces for s in one.stations if s.forecast.rain_mm.size), None)
    rain = [None] * DAYS if known is None else rain_of_days(known, view.zone, view.first)
    days = []
    for number, one in enumerate(rain):
        day = view.first + datetime.timedelta(days=number)
        tall = [0.0, 0.0] if one is None else [min(mm / RAIN_MM_A_PX, MOST_RAIN_PX) for mm in one]
        days.append(
            {
                "weekday": weekday_letters(day),
                "day": day.day,
                "known": one is not None,
                "middle": round(tall[0], 1),
                "high": round(tall[1], 1),
                "figure": view.pipeline.config.site.units.depth(one[0]) if one is not None and one[0] >= 0.5 else "",
                "words": _rain_words(day, one),
            }
        )
    return {"days": days, "source": "" if known is None else words.upper_first(known.source)}


def _rain_words(day: datetime.date, rain: tuple[float, float] | None) -> str:
    name = weekday_and_day(day)
    if rain is None:
        return say("{day}: not known", day=name)
    return say("{day}: {middle:.0f} mm, one time in ten {high:.0f} mm or more", day=name, middle=rain[0], high=rain[1])


# --- what is booked --------------------------------------------------------------------------------------------------


def _booked(view: _View, surfaces: Sequence[SurfaceAdvice]) -> dict[str, Any]:
    """What is under way, what was booked and never begun, and what is booked from today on, judged."""
    jobs, advised = jobs_of(view.pipeline, view.now_ms), {one.surface: one for one in surfaces}
    waterings = waterings_of(view.pipeline, view.now_ms)
    return {
        "rows": [
            *(_watering(view, entry, is_past=True) for entry in waterings.missed),
            *(_watering(view, entry, is_past=False) for entry in waterings.booked),
            *(_under_way(view, entry) for entry in jobs.under_way),
            *(_missed(view, entry) for entry in jobs.missed),
            *(_judged(view, entry, advised.get(entry.surface)) for entry in jobs.booked),
        ],
        "cautions": list(dict.fromkeys(line for entry in jobs.booked for line in _cautions(view, entry))),
        "surfaces": [(one.name, one.title) for one in view.pipeline.config.surfaces],
    }


def _cautions(view: _View, entry: DiaryEntry) -> tuple[str, ...]:
    where = view.surface(entry.surface)
    return () if where is None else cautions(where, str(entry.body["pass"]), entry.body.get("depth_mm"))


def _named(view: _View, entry: DiaryEntry) -> dict[str, Any]:
    """A pass of the diary: which, where and when."""
    depth, title = entry.body.get("depth_mm"), words.upper_first(words.pass_title(entry.body))
    return {
        "id": entry.id,
        # Translators: where and when a pass is booked
        "when": say(
            "{where}, {when}",
            where=words.place_of(view.pipeline.config, entry),
            when=words.soon(entry.at_ms, view.timezone, view.now_ms),
        ),
        "title": words.tied(
            title if depth is None else say("{pass_title} to {depth:g} mm", pass_title=title, depth=depth)
        ),
        "lift": "",
        "days": (),
        "is_barred": False,
    }


def _watering(view: _View, entry: DiaryEntry, *, is_past: bool) -> dict[str, Any]:
    """A booked watering, judged; one that is past is asked about."""
    mm = view.pipeline.config.site.units.entered(entry.number("water_mm"))
    row = {
        "id": entry.id,
        "when": say(
            "{where}, {when}",
            where=words.place_of(view.pipeline.config, entry),
            when=words.soon(entry.at_ms, view.timezone, view.now_ms),
        ),
        "title": words.tied(say("Water, {amount} {unit}", amount=mm, unit=view.pipeline.config.site.units.short)),
        "lift": "",
        "days": (),
    }
    if is_past:
        clause = say("its time is past, and nothing says that it was given.")
        return {
            **row,
            "verdict": say("Was it given?"),
            "clause": clause,
            "is_barred": False,
            "may": ("given", "change"),
        }
    found = judged(view.pipeline, view.plan, entry, view.now_ms)
    told = words.tied(found.clause)
    return {**row, "verdict": found.word, "clause": told, "is_barred": found.is_barred, "may": ("change",)}


def _under_way(view: _View, entry: DiaryEntry) -> dict[str, Any]:
    since = words.soon(entry.at_ms, view.timezone, view.now_ms)
    return {
        **_named(view, entry),
        "verdict": say("Under way,"),
        "clause": say("begun {when}.", when=since),
        "may": ("done",),
    }


def _missed(view: _View, entry: DiaryEntry) -> dict[str, Any]:
    clause = say("its day is past, and nothing says that it was begun.")
    return {**_named(view, entry), "verdict": say("Was it done?"), "clause": clause, "may": ("done_then", "change")}


def _judged(view: _View, entry: DiaryEntry, surface: SurfaceAdvice | None) -> dict[str, Any]:
    found, on = judged(view.pipeline, view.plan, entry, view.now_ms), words.local(entry.at_ms, view.zone).date()
    is_today = on == words.local(view.now_ms, view.zone).date()
    lift = lift_line(view.pipeline, entry, view.now_ms)
    return {
        **_named(view, entry),
        "verdict": found.word,
        "clause": words.tied(found.clause),
        "is_barred": found.is_barred,
        "lift": lift,
        "days": () if found.advised is None else view.days(found.advised.outlook),
        "on": on,
        "play": _play_days(view, surface),
        "may": (*(("lifted",) if lift and is_today else ()), *(("begun", "done") if is_today else ()), "change"),
    }


# --- which pass, and when --------------------------------------------------------------------------------------------


def _surface(view: _View, one: SurfaceAdvice) -> dict[str, Any]:
    open_passes = [(each, found) for each in one.passes if (found := openings(each.outlook))]
    shut = [each for each in one.passes if not openings(each.outlook)]
    checks = [
        list(dict.fromkeys(c for s in found for w in s.windows for c in w.check_first)) for _, found in open_passes
    ]
    common = [c for c in checks[0] if all(c in each for each in checks)] if checks else []
    return {
        "name": one.surface,
        "title": one.title,
        "play": [
            say(
                "Next play: {title}, {when}.",
                title=p.title,
                when=words.moment(p.start_ms, view.timezone, now_ms=view.now_ms),
            )
            for p in one.play[:1]
        ],
        "play_days": _play_days(view, one),
        "rows": [
            _row(view, one, each, alike(found[0]), [c for c in own if c not in common])
            for (each, found), own in zip(open_passes, checks, strict=True)
        ],
        "shut": _shut(one, shut),
        "is_judged": bool(one.passes),
        "checks": say("Before any pass: {checks}.", checks=in_a_row(common)) if common else "",
    }


def _play_days(view: _View, one: SurfaceAdvice | None) -> set[datetime.date]:
    return set() if one is None else {words.local(p.start_ms, view.zone).date() for p in one.play}


def _row(
    view: _View, surface: SurfaceAdvice, one: PassAdvice, opening: Stretch, checks: Sequence[str]
) -> dict[str, Any]:
    """A pass that opens in the days to come: when, what ends it, what stands before it."""
    outlook, where, override = one.outlook, view.surface(surface.surface), opening.first.override
    begun = opening.first is outlook.windows[0]
    if override is not None:
        verdict = say("On the word of {author}", author=override.author)
        clause = say(
            "{span}: {why}; against: {reason}.",
            span=span_words(opening, outlook, view.zone),
            why=view.pipeline.config.site.units.own(override.reason),
            reason=opening.first.reason,
        )  # fmt: skip
    else:
        said = span_words(opening, outlook, view.zone)
        if likely_stretch(opening):
            verdict = said
        elif begun:
            verdict = say("May be open {span}", span=said)
        else:
            verdict = say("May open {span}", span=said)
        verdict += "." if is_last(opening, outlook) else ","
        after = "" if is_last(opening, outlook) else f"{after_words(opening, outlook)}."
        before = "" if begun else say("Till then: {reason}.", reason=outlook.windows[0].reason)
        clause = " ".join(part for part in (after, before) if part)
    lift = opening.first.lift_first
    more = [say("Look first: {checks}.", checks=in_a_row(checks))] if checks else []
    return {
        "title": words.tied(words.upper_first(pass_words(one))),
        "verdict": words.tied(words.upper_first(verdict)),
        "clause": words.tied(clause),
        "lift": "" if where is None else words.lift_first(where, lift),
        "quiet": words.tied(
            " ".join([*more, *(_sentence(w) for w in opening.first.warnings), words.upper_first(one.last_good_words)])
        ).strip(),
        "days": view.days(outlook),
    }


def _shut(surface: SurfaceAdvice, passes: Sequence[PassAdvice]) -> list[dict[str, str]]:
    """A line for each reason that passes are shut for, with all that are."""
    groups: dict[tuple[Verdict, str, str], list[PassAdvice]] = {}
    for one in passes:
        now = one.outlook.windows[0]
        groups.setdefault((now.verdict, now.reason, now.opens), []).append(one)
    return [
        {
            "word": say(SHUT_WORDS[verdict]) if verdict in SHUT_WORDS else say("Not for long enough:"),
            "names": words.tied(listed([pass_words(one) for one in those])),
            "reason": words.tied(replace(those[0].outlook.windows[0], reason=reason, also=_shared(those)).every_reason),
            "opens": words.tied(_would_open(opens, len(those))),
            "quiet": words.tied(" ".join(words.upper_first(o.last_good_words) for o in those if o.last_good_words)),
        }
        for (verdict, reason, opens), those in groups.items()
    ]


def _would_open(opens: str, passes: int) -> str:
    if not opens:
        return ""
    if passes == 1:
        return say("What would open it: {opens}.", opens=opens)
    return say("What would open them: {opens}.", opens=opens)


def _shared(passes: Sequence[PassAdvice]) -> tuple[str, ...]:
    """What else all of these passes are shut for."""
    also = [one.outlook.windows[0].also for one in passes]
    return tuple(reason for reason in also[0] if all(reason in one for one in also))


# --- the weeks ahead -------------------------------------------------------------------------------------------------


def _weeks(view: _View, surface: SurfaceAdvice) -> dict[str, Any]:
    found = view.pipeline.weeks_ahead().get(surface.surface)
    named = {"name": surface.surface, "title": surface.title}
    if found is None:
        return {**named, "heads": [], "rows": [], "reason": say("they are not worked out yet")}
    booked = {(job.kind, job.variant) for job in surface.booked if job.start_ms > view.now_ms}
    today = words.local(view.now_ms, view.zone).date()
    return {**named, **weeks_rows(found, today, _play_days(view, surface), booked)}


# --- water -----------------------------------------------------------------------------------------------------------


def _place(view: _View, surface: SurfaceAdvice, station: str) -> str:
    found = view.surface(surface.surface)
    if found is None:
        return station
    return next((words.place(found, one) for one in found.stations if one.name == station), station)


def _water(view: _View, surface: SurfaceAdvice, one: StationAdvice) -> dict[str, Any]:
    """Tonight's water: verdict and clause of the advice, the goes, what it is made of, and what to do besides."""
    water, place = one.water, _place(view, surface, one.station)
    mm = water.mm or 0.0
    known = mm > 0.0 and water.drink_mm == water.drink_mm and water.root_deficit_mm == water.root_deficit_mm
    rest = max(mm - water.drink_mm - water.root_deficit_mm, 0.0) if known else 0.0
    parts = [("thatch", water.drink_mm), ("roots", water.root_deficit_mm), ("leaf", rest)] if known else []
    whole = sum(amount for _, amount in parts) or 1.0
    go = round(mm / water.goes, 1) if mm > 0.0 and water.goes else None
    return {
        "name": one.station,
        "title": place,
        "verdict": words.tied(words.upper_first(water.verdict)),
        "line": words.tied(f" {water.clause}"),
        "further": [words.tied(one) for one in water.further],
        "is_yes": mm > 0.0,
        "goes": water.goes if mm > 0.0 else 0,
        "go": "" if go is None else f"{go:g}",
        "go_said": "" if go is None else view.pipeline.config.site.units.entered(go),
        "parts": [
            {
                "name": name,
                "mm": f"{amount:.0f}" if amount >= 1.0 else "",
                "share": round(100 * amount / whole, 2),
            }
            for name, amount in parts
            if amount > 0.05
        ],
        "short": f"{whole:.0f}" if whole > mm + 0.5 else "",
        "tonight": round(100 * min(mm / whole, 1.0), 2),
    }


def _strips(view: _View, surface: SurfaceAdvice) -> dict[str, Any] | None:
    """How the strips of a square stand, in lines; None where no fixture tells."""
    plan = view.plan.surfaces.get(surface.surface)
    if plan is None or not (plan.strips or plan.strips_wanted):
        return None
    lines = [*(one.text for one in plan.strips), *((plan.strips_wanted,) if plan.strips_wanted else ())]
    return {"title": surface.title, "lines": [words.tied(line) for line in lines]}


def _to_come(view: _View, surface: SurfaceAdvice, one: StationAdvice) -> dict[str, Any]:
    forecast = one.forecast
    return {
        "name": one.station,
        "title": _place(view, surface, one.station),
        "day_line": _sentence(one.day_line),
        "chart": wetness_chart(forecast, view.zone),
        "reason": _sentence(forecast.reason) if forecast.reason else "",
        "source": _sentence(forecast.source) if forecast.source else "",
    }


def _sentence(text: str) -> str:
    return words.upper_first(text) + ("" if text.endswith((".", "?", "!")) else ".")
