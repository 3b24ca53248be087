"""The work page: what is booked, judged; which pass when, ten days ahead; tonight's water; alerts to be marked.

A drawing, a bold word and a clause for each pass; passes that are shut for one reason share a line, and what the advice
says of every hour is opened by whoever wants it. Drawn on the server. What is missing is said. It decides nothing; what
its buttons send is written by `forms` and by the data interface.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from api import words
from api.answers import pass_words, stale_line
from api.data import pipeline_of, stations_of
from api.diary_check import names_in_the_way
from api.drawing import (
    DAYS,
    KIND_WORDS,
    DayCell,
    first_day,
    is_likely,
    kind_of,
    openings,
    rain_of_days,
    ten_days,
    wetness_chart,
)
from api.pages.frame import answer, page
from api.pages.parts import head, see_to
from pipeline.advice.conditions import Verdict
from pipeline.advice.phrases import listed
from pipeline.advice.report import (
    LIKELY,
    PassAdvice,
    SiteAdvice,
    StationAdvice,
    Stretch,
    SurfaceAdvice,
    chance_of,
    stretches,
    when,
)
from pipeline.advice.windows import Outlook, Window
from pipeline.alerts.probes import PROBE_FAULT
from pipeline.diary.entry import DiaryEntry
from pipeline.forecast.wetness import in_ten
from pipeline.service import Pipeline
from pipeline.site.ground import Surface
from pipeline.units import EVER_MS, HOUR_MS, TIME_SLACK_MS, TimeSpan

LAST_ENTRIES = 10
RAIN_MM_A_PX, MOST_RAIN_PX = 0.5, 26.0  # of the small columns above the days
SHUT_WORDS = {Verdict.CLOSED: "Shut:", Verdict.WAIT: "Wait:", Verdict.UNKNOWN: "Cannot tell:"}
BOOKED_WORDS = {Verdict.CLOSED: "Do not:", Verdict.WAIT: "Wait:", Verdict.UNKNOWN: "Cannot tell:"}

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
    advice, now_ms, zone = pipeline.advice(), pipeline.clock.now_ms(), pipeline.config.site.timezone
    surfaces = () if advice is None else advice.surfaces
    first = first_day([each.outlook for one in surfaces for each in one.passes], ZoneInfo(zone))
    is_old = advice is not None and bool(stale_line(advice, zone, now_ms))
    view = _View(pipeline, ZoneInfo(zone), now_ms, first, is_old)
    entries = [e for e in pipeline.diary.entries(None, *EVER_MS) if e.kind != "mark"][-LAST_ENTRIES:]
    return {
        "page": "work",
        "twin": "/api/v1/advice",
        **head(states, zone),
        "advised": None if advice is None else _advised(advice, zone, now_ms, is_old=is_old),
        "axis": _axis(view, surfaces),
        "booked": _booked(view, surfaces),
        "surfaces": [_surface(view, one) for one in surfaces],
        "water": [_water(view, one, each) for one in surfaces for each in one.stations],
        "to_come": [_to_come(view, one, each) for one in surfaces for each in one.stations],
        "notes": [] if advice is None else [words.tied(_sentence(note)) for note in advice.notes],
        "see": see_to(pipeline, now_ms),
        "heard": _heard(pipeline, now_ms),
        "entries": [words.tied(words.entry_line(pipeline.config, e, now_ms)) for e in reversed(entries)],
    }


def _advised(advice: SiteAdvice, zone: str, now_ms: int, *, is_old: bool) -> dict[str, Any]:
    """When it was worked out, and whether that is long ago."""
    at = words.moment(advice.at_ms, zone, now_ms=now_ms)
    ago = words.age(now_ms - advice.at_ms)
    return {"line": f"Worked out {at}, {ago} ago.", "is_old": is_old}


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
                "weekday": f"{day:%a}"[:2],
                "day": day.day,
                "known": one is not None,
                "middle": round(tall[0], 1),
                "high": round(tall[1], 1),
                "figure": f"{one[0]:.0f}" if one is not None and one[0] >= 0.5 else "",
                "words": f"{day:%a} {day.day}: "
                + ("not known" if one is None else f"{one[0]:.0f} mm, one time in ten {one[1]:.0f} mm or more"),
            }
        )
    return {"days": days, "source": "" if known is None else known.source}


# --- what is booked --------------------------------------------------------------------------------------------------


def _booked(view: _View, surfaces: Sequence[SurfaceAdvice]) -> list[dict[str, Any]]:
    """Passes booked from today on and not begun, each judged by what is advised."""
    midnight = words.local(view.now_ms, view.zone).replace(hour=0, minute=0, second=0, microsecond=0)
    entries = view.pipeline.diary.entries(("pass",), round(midnight.timestamp() * 1000), EVER_MS[1])
    made = {_job(e, view.zone) for e in entries if e.body.get("state", "done") != "booked"}
    advised = {one.surface: one for one in surfaces}
    return [
        _judged(view, entry, advised.get(entry.surface))
        for entry in entries
        if entry.body.get("state") == "booked" and _job(entry, view.zone) not in made
    ]


def _job(entry: DiaryEntry, zone: ZoneInfo) -> tuple[object, ...]:
    """What tells one job from another: where, which pass, on what day."""
    return (
        entry.surface, entry.body.get("pass"), entry.body.get("variant", ""), words.local(entry.at_ms, zone).date(),
    )  # fmt: skip


def _judged(view: _View, entry: DiaryEntry, surface: SurfaceAdvice | None) -> dict[str, Any]:
    kind, variant, config = entry.body.get("pass"), entry.body.get("variant"), view.pipeline.config
    alike = [] if surface is None else [one for one in surface.passes if one.outlook.intent.kind == kind]
    found = next((one for one in alike if variant in (None, one.outlook.intent.variant)), None)
    depth = entry.body.get("depth_mm")
    where = view.surface(entry.surface)
    names = () if where is None else names_in_the_way(where, view.pipeline.diary, entry, view.now_ms)
    verdict, clause, is_barred = _booking_words(view, entry, found)
    if found is not None and isinstance(depth, int | float) and depth != round(found.outlook.intent.depth_m * 1000, 1):
        clause += f" Judged as {pass_words(found)}."
    return {
        "id": entry.id,
        "when": f"{words.place_of(config, entry)}, {words.soon(entry.at_ms, view.timezone, view.now_ms)}",
        "title": words.tied(
            words.upper_first(words.pass_title(entry.body)) + (f" to {depth:g} mm" if depth is not None else "")
        ),
        "verdict": verdict,
        "clause": words.tied(clause),
        "is_barred": is_barred,
        "lift": "" if where is None else words.lift_first(where, names),
        "days": () if found is None or view.is_old else view.days(found.outlook),
        "on": words.local(entry.at_ms, view.zone).date(),
        "is_today": words.local(entry.at_ms, view.zone).date() == words.local(view.now_ms, view.zone).date(),
        "play": _play_days(view, surface),
    }


def _booking_words(view: _View, entry: DiaryEntry, one: PassAdvice | None) -> tuple[str, str, bool]:
    """Verdict on a booking, its reason with the next better date, and whether it must not be made."""
    if view.is_old:
        return "Cannot tell:", "what is advised is too old to judge by.", False
    if one is None:
        return "Cannot tell:", "this pass is not judged here.", False
    windows, outlook = one.outlook.windows, one.outlook
    on = words.local(entry.at_ms, view.zone).date()
    that_day = [w for w in windows if words.local(w.span.start_ms, view.zone).date() == on]
    if not that_day:
        return "Too early to tell:", f"what is known ends {when(windows[-1].span.end_ms, outlook, view.zone)}.", False
    window = next((w for w in that_day if entry.at_ms < w.span.end_ms), that_day[-1])
    if window.verdict is Verdict.OPEN:
        stretch = next(s for s in stretches(windows) if window in s.windows)
        stretch = _alike(Stretch(stretch.span, window, stretch.windows[stretch.windows.index(window) :]))
        if window.override is not None:
            return "Go,", f"on the word of {window.override.author}, against: {window.reason}.", False
        if is_likely(window):
            return "Go,", f"{_until(stretch, outlook, view.zone)}.", False
        return "In doubt:", f"open {in_ten(window.chance or 0.0)} only.{_better(one, view.zone)}", False
    return (
        BOOKED_WORDS[window.verdict], f"{window.reason}.{_better(one, view.zone)}", window.verdict is Verdict.CLOSED,
    )  # fmt: skip


def _better(one: PassAdvice, zone: ZoneInfo) -> str:
    """When to make it instead: the first opening that is likely, else that there is none in sight."""
    likely = next((alike for s in openings(one.outlook) if _is_likely(alike := _alike(s))), None)
    if likely is not None:
        return f" Better: {_span(likely, one.outlook, zone)}."
    opens = one.outlook.windows[0].opens
    return " No better day is in sight." + (f" What would open it: {opens}." if opens else "")


def _is_likely(stretch: Stretch) -> bool:
    chance = chance_of(stretch)
    return chance is None or chance >= LIKELY or stretch.first.override is not None


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
        "play": [f"{p.title}, {words.moment(p.start_ms, view.timezone, now_ms=view.now_ms)}" for p in one.play[:1]],
        "play_days": _play_days(view, one),
        "rows": [
            _row(view, one, each, _alike(found[0]), [c for c in own if c not in common])
            for (each, found), own in zip(open_passes, checks, strict=True)
        ],
        "shut": _shut(one, shut),
        "checks": f"Before any pass: {', '.join(common)}." if common else "",
        "passes": [
            {
                "name": words.upper_first(pass_words(each)),
                "line": words.tied(_without(each.line, one.title)),
                "rows": _windows(each, view.timezone, view.now_ms),
            }
            for each in one.passes
        ],
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
        verdict = f"On the word of {override.author}"
        clause = f"{_span(opening, outlook, view.zone)}: {override.reason}; against: {opening.first.reason}."
    else:
        said = _span(opening, outlook, view.zone)
        verdict = said if _is_likely(opening) else f"May be open {said}" if begun else f"May open {said}"
        verdict += "." if _is_last(opening, outlook) else ","
        after = "" if _is_last(opening, outlook) else f"{_after(opening, outlook)}."
        clause = after + ("" if begun else f" Till then: {outlook.windows[0].reason}.")
    lift = opening.first.lift_first
    more = [f"Look first: {', '.join(checks)}."] if checks else []
    return {
        "title": words.tied(words.upper_first(pass_words(one))),
        "verdict": words.tied(words.upper_first(verdict)),
        "clause": words.tied(clause),
        "lift": "" if where is None else words.lift_first(where, lift),
        "quiet": words.tied(
            " ".join(
                [*more, *(_sentence(w) for w in opening.first.warnings), _without(one.last_good_line, surface.title)]
            )
        ).strip(),
        "days": view.days(outlook),
    }


def _span(stretch: Stretch, outlook: Outlook, zone: ZoneInfo) -> str:
    """A stretch in words: `now to Fri 15:00`, `Fri 8:00 to 19:00`, `now and as far as can be seen`."""
    begun = stretch.first is outlook.windows[0]
    start, end = (words.local(at, zone) for at in (stretch.span.start_ms, stretch.span.end_ms))
    begin = "now" if begun else when(stretch.span.start_ms, outlook, zone)
    if _is_last(stretch, outlook):
        return f"{begin} and as far as can be seen" if begun else f"{begin} on"
    same = start.date() == end.date() and not begun
    return f"{begin} to {f'{end.hour}:{end.minute:02d}' if same else when(stretch.span.end_ms, outlook, zone)}"


def _until(stretch: Stretch, outlook: Outlook, zone: ZoneInfo) -> str:
    if _is_last(stretch, outlook):
        return "as far as can be seen"
    return f"till {when(stretch.span.end_ms, outlook, zone)}, {_after(stretch, outlook)}"


def _alike(stretch: Stretch) -> Stretch:
    """The first windows of a stretch, as long as they are all likely, or all less likely than not."""
    first = is_likely(stretch.first)
    run = tuple(takewhile(lambda one: is_likely(one) == first, stretch.windows))
    return Stretch(TimeSpan(run[0].span.start_ms, run[-1].span.end_ms), run[0], run)


def _next(stretch: Stretch, outlook: Outlook) -> Window | None:
    return next((w for w in outlook.windows if w.span.start_ms >= stretch.span.end_ms), None)


def _is_last(stretch: Stretch, outlook: Outlook) -> bool:
    """Whether it lasts as long as anything is known."""
    following = _next(stretch, outlook)
    return following is None or following.verdict is Verdict.UNKNOWN


def _after(stretch: Stretch, outlook: Outlook) -> str:
    following = _next(stretch, outlook)
    if following is None or following.verdict is Verdict.UNKNOWN:
        return "no more is known"
    if following.verdict is Verdict.OPEN and following.override is None:
        return "then likelier" if is_likely(following) else "then less likely than not"
    return f"then {following.reason}"


def _shut(surface: SurfaceAdvice, passes: Sequence[PassAdvice]) -> list[dict[str, str]]:
    """A line for each reason that passes are shut for, with all that are."""
    groups: dict[tuple[Verdict, str, str], list[PassAdvice]] = {}
    for one in passes:
        now = one.outlook.windows[0]
        groups.setdefault((now.verdict, now.reason, now.opens), []).append(one)
    return [
        {
            "word": SHUT_WORDS.get(verdict, "Not for long enough:"),
            "names": words.tied(listed([pass_words(one) for one in those])),
            "reason": words.tied(reason),
            "opens": words.tied(f"What would open {'it' if len(those) == 1 else 'them'}: {opens}." if opens else ""),
            "quiet": words.tied(" ".join(_without(o.last_good_line, surface.title) for o in those if o.last_good_line)),
        }
        for (verdict, reason, opens), those in groups.items()
    ]


def _windows(one: PassAdvice, zone: str, now_ms: int) -> list[dict[str, str]]:
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
        }
        for run in runs
    ]


def _verdict(run: list[Window]) -> str:
    first = run[0]
    if first.override is not None:
        return f"open on the word of {first.override.author}: {first.override.reason}"
    known = [w.chance for w in run if w.chance is not None]
    sure = f", {in_ten(sum(known) / len(known))}" if known and first.verdict is Verdict.OPEN else ""
    return KIND_WORDS[kind_of(first)].partition(",")[0] + sure


# --- water -----------------------------------------------------------------------------------------------------------


def _place(view: _View, surface: SurfaceAdvice, station: str) -> str:
    found = view.surface(surface.surface)
    if found is None:
        return station
    return next((words.place(found, one) for one in found.stations if one.name == station), station)


def _water(view: _View, surface: SurfaceAdvice, one: StationAdvice) -> dict[str, Any]:
    """Tonight's water: the line of the advice with its verdict first, the goes, and what the water is made of."""
    water, place = one.water, _place(view, surface, one.station)
    line = _without(water.line, place)
    mm = water.mm or 0.0
    verdict = "Cannot tell" if water.mm is None else "No water" if mm <= 0.0 else f"Water {mm:.0f} mm"
    known = mm > 0.0 and water.drink_mm == water.drink_mm and water.root_deficit_mm == water.root_deficit_mm
    rest = max(mm - water.drink_mm - water.root_deficit_mm, 0.0) if known else 0.0
    parts = [("thatch", water.drink_mm), ("roots", water.root_deficit_mm), ("leaf", rest)] if known else []
    whole = sum(amount for _, amount in parts) or 1.0
    return {
        "name": one.station,
        "title": place,
        "verdict": words.tied(verdict),
        "line": words.tied(line.removeprefix(verdict)),
        "is_yes": mm > 0.0,
        "goes": water.goes if mm > 0.0 else 0,
        "go": f"{mm / water.goes:.3g}" if mm > 0.0 and water.goes else "",
        "parts": [
            {
                "name": name,
                "mm": f"{amount:.0f}" if amount >= 1.0 else "under 1",
                "share": round(100 * amount / whole, 2),
            }
            for name, amount in parts
            if amount > 0.05
        ],
        "short": f"{whole:.0f}" if whole > mm + 0.5 else "",
        "tonight": round(100 * min(mm / whole, 1.0), 2),
    }


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


def _without(text: str, title: str) -> str:
    """A line without the place where it stands below the name of that place."""
    return words.upper_first(text.removeprefix(f"{title}: "))


def _sentence(text: str) -> str:
    return words.upper_first(text) + ("" if text.endswith((".", "?", "!")) else ".")
