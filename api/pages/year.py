"""The season: a year of a surface as tracks over its months, what each pass did, this year beside the last.

Thatch and roots hang from the leaf line, as on every page. Thatch is drawn from core to core and ends at the last one;
what is not known stays bare paper. The committee sheet is the same year on one page of paper.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api import schema, season_schema, words
from api.data import pipeline_of
from api.known import amount_between
from api.pages.frame import answer, page
from api.photos import ShownPhoto, shown_photos
from api.plots import bars
from api.season import season_of, surface_of, year_of
from api.slices import figure
from pipeline.service import Pipeline
from pipeline.site.ground import Surface
from pipeline.site.local_units import LocalUnits
from pipeline.stages.catalogue import CATALOGUE
from pipeline.texts import day_words, later_as, month, month_letter, say, say_as
from pipeline.texts import figure as decimal

MOST_SHOWN_PHOTOS = 12
CORE_HALF = 0.6  # per cent of the year on either side of a core's stroke
ROOM = 1.25  # of the deepest figure of a track
LEAST_THATCH_MM, LEAST_ROOTS_MM, LEAST_CUT_MM = 20.0, 120.0, 40.0  # depth of a track that holds little
UNTOLD_CUT = 12.0  # per cent of its track that a pass of unknown depth is drawn to
HAIRS = 5  # roots of a fortnight
BAR = 0.4  # of a month

_STATES = {
    "booked": later_as("a pass", "booked"), "begun": later_as("a pass", "begun"), "done": later_as("a pass", "done"),
}  # fmt: skip

router = APIRouter(include_in_schema=False)


@dataclass(slots=True)
class Track:
    """One drawing over the year: strokes in per cent of its field, words over it, its height [px], and a sentence."""

    key: str
    title: str
    note: str
    height: int
    said: str
    strokes: str = ""
    hatched: list[str] = field(default_factory=list)  # polygons in per cent, hatched
    words: list[tuple[float, float, str, str]] = field(default_factory=list)  # left, top [%], classes, text


@router.get("/season", response_class=HTMLResponse)
def first_season(request: Request) -> Response:
    pipeline = pipeline_of(request)
    if not pipeline.config.stations():
        return answer(request, "empty.html", pipeline, {"twin": "/api/v1/site"})
    return RedirectResponse(f"/season/{pipeline.config.surfaces[0].name}", status_code=307)


@router.get("/season/{surface}", response_class=HTMLResponse)
def season_page(request: Request, surface: str, year: int | None = None) -> Response:
    pipeline = pipeline_of(request)
    found, chosen = surface_of(pipeline, surface), year_of(pipeline, year)
    return page(request, "season.html", (season_page, surface, chosen), lambda: _facts(pipeline, found, chosen))


@router.get("/sheet/{surface}", response_class=HTMLResponse)
def sheet_page(request: Request, surface: str, year: int | None = None) -> Response:
    """One page of paper for the committee, whole in itself."""
    pipeline = pipeline_of(request)
    found, chosen = surface_of(pipeline, surface), year_of(pipeline, year)
    return page(request, "sheet.html", (sheet_page, surface, chosen), lambda: _facts(pipeline, found, chosen))


def _facts(pipeline: Pipeline, surface: Surface, year: int) -> dict[str, Any]:
    found, zone = season_of(pipeline, surface, year), pipeline.config.site.timezone
    this_year = year_of(pipeline, None)
    return {
        "page": "season",
        "twin": f"/api/v1/surfaces/{surface.name}/season?year={year}",
        "now": words.date_and_clock(pipeline.clock.now_ms(), zone),
        "found": found,
        "lead": _lead(found),
        "tracks": _tracks(found, pipeline.config.site.units),
        "months": [month_letter(number) for number in range(1, 13)],
        "edges": [100.0 * m / 12 for m in range(1, 12)],
        "today": _today(found),
        "passes": [_pass_words(one) for one in reversed(found.passes)],
        "beside": _beside(found),
        "rows": [_month_row(one) for one in found.months],
        "closed": [_closed_words(one, zone, pipeline.config.site.units) for one in found.closed],
        "costs": [_cost_words(one, found.currency, pipeline.config.site.units) for one in found.costs],
        "cost_in_all": _money(math.fsum(one.amount for one in found.costs), found.currency),
        "surfaces": [(one.name, one.title) for one in pipeline.config.surfaces],
        "years": [y for y in (year - 1, year, year + 1) if y <= this_year],
        "shown_year": year,
        "photos": _photos(pipeline, surface, year),
        "date": _long(pipeline.clock.now_ms(), zone),
    }


def _photos(pipeline: Pipeline, surface: Surface, year: int) -> list[ShownPhoto]:
    """Photographs of the cores of a year, beside the track of the thatch."""
    zone = ZoneInfo(pipeline.config.site.timezone)
    edges = [datetime.datetime(one, 1, 1, tzinfo=zone).timestamp() * 1000 for one in (year, year + 1)]
    cores = pipeline.diary.entries(("core",), round(edges[0]), round(edges[1]))
    return shown_photos(pipeline, [one for one in cores if one.surface == surface.name], MOST_SHOWN_PHOTOS)


def _long(at_ms: int, zone: str) -> str:
    return day_words(words.local(at_ms, ZoneInfo(zone)), year=True, long=True)


# --- words -----------------------------------------------------------------------------------------------------------


def _lead(found: season_schema.SeasonOut) -> tuple[str, str]:
    """The year in one bold sentence, and what is to be said beside it."""
    bold, beside = [], []
    if found.cores:
        bold.append(_thatch_words(found.cores[-1].thatch_mm, found.thatch_trend))
    else:
        beside.append(say("No core of {year} is in the diary: cut one, and thatch has a figure.", year=found.year))
    told = [one for one in found.roots if one.depth_mm.value is not None]
    if told:
        bold.append(say("roots drink to {depth:.0f} mm", depth=told[-1].depth_mm.value))
    elif found.roots:
        beside.append(say("How deep the roots drank could not be told in any fortnight."))
    sums = found.so_far
    if sums.given_mm:
        beside.append(say("{water:.0f} mm of water given.", water=sums.given_mm))
    line = "; ".join(bold)
    return (words.upper_first(line) + "." if line else "", " ".join(beside))


def _thatch_words(thatch_mm: float, trend: schema.FigureOut | None) -> str:
    if trend is None or trend.low is None or trend.high is None:
        return say("Thatch {thatch:.0f} mm", thatch=thatch_mm)
    if trend.low > 0.0:
        return say("Thatch {thatch:.0f} mm and growing", thatch=thatch_mm)
    if trend.high < 0.0:
        return say("Thatch {thatch:.0f} mm and shrinking", thatch=thatch_mm)
    return say("Thatch {thatch:.0f} mm, with no clear trend", thatch=thatch_mm)


def _pass_words(one: season_schema.SeasonPassOut) -> dict[str, Any]:
    """A pass: its day, what it took, and what it changed."""
    day = datetime.date.fromisoformat(one.day)
    detail = say(_STATES[one.state])
    if one.depth_mm is not None:
        detail = say("{state}, {depth:.0f} mm deep", state=detail, depth=one.depth_mm)
    lines = [
        say(
            "{figure_title}: {amount}.",
            figure_title=say(CATALOGUE[each.quantity].title),
            amount=amount_between(each.figure.value, each.figure.low, each.figure.high, CATALOGUE[each.quantity]),
        )
        for each in one.figures
        if each.figure.value is not None
    ]
    left = one.may_leave
    if left is not None and left.value is not None:
        lines.append(say("It may leave {thatch} of thatch, {reason}.", thatch=_of(left), reason=left.reason))
    elif left is not None:
        lines.append(say("What it may leave of the thatch cannot be told: {reason}.", reason=left.reason))
    reasons = dict.fromkeys(each.figure.reason for each in one.figures if each.figure.value is None)
    untold = say("Not told: {reasons}.", reasons="; ".join(reasons)) if reasons else ""
    if not lines and one.state == "done":
        untold = untold or say("What it changed is not known yet.")
    return {
        "title": words.upper_first(one.title),
        "day": day_words(day),
        "state": one.state,
        "detail": detail,
        "lines": [words.tied(line) for line in lines],
        "untold": words.tied(untold),
    }


def _of(figure: schema.FigureOut) -> str:
    """A thickness with its ends, to a tenth, as what passes leave differs by little: `12.6 mm (12.4 to 12.8)`."""
    return say("{best:.1f} mm ({low:.1f} to {high:.1f} mm)", best=figure.value, low=figure.low, high=figure.high)


def _beside(found: season_schema.SeasonOut) -> list[tuple[str, str, str]]:
    """Each sum of this year and of the last to the same day. A figure that is not known is a dash."""

    def shown(value: float | None, unit: str) -> str:
        return say("not known") if value is None else f"{value:.0f}{unit}"

    rows = (
        (say("Thatch, last cores"), "thatch_mm", " mm"),
        (say("Roots drank to, middle fortnight"), "roots_mm", " mm"),
        (say("Rain"), "rain_mm", " mm"),
        (say("Water given"), "given_mm", " mm"),
        (say("Passes made"), "passes", ""),
        (say("Days closed to play"), "closed_days", ""),
        (say("Hours worked, as written"), "hours", " h"),
    )
    told = [
        (name, shown(getattr(found.last_year, key), unit), shown(getattr(found.so_far, key), unit))
        for name, key, unit in rows
    ]
    spent = (found.last_year.cost, found.so_far.cost)
    if any(one is not None for one in spent):
        before, this = (say("not known") if one is None else _money(one, found.currency) for one in spent)
        told.append((say("Spent"), before, this))
    return told


def _money(amount: float, currency: str) -> str:
    """An amount to the whole, as `1,550 EUR`; without a currency where the settings name none."""
    # Translators: what parts thousands, as in 1,550
    return f"{amount:,.0f} {currency}".rstrip().replace(",", say_as("thousands sign", ","))


def _closed_words(one: season_schema.ClosedOut, zone: str, units: LocalUnits) -> tuple[str, str]:
    """The day or days closed to play, and why."""
    first, last = (words.local(round(_ms(edge)), ZoneInfo(zone)).date() for edge in (one.start, one.end))
    if first == last:
        return day_words(first), units.own(one.reason)
    return say("{first} to {last}", first=day_words(first), last=day_words(last)), units.own(one.reason)


def _cost_words(one: season_schema.CostOut, currency: str, units: LocalUnits) -> tuple[str, str]:
    """What was paid for, and how much."""
    day = datetime.date.fromisoformat(one.day)
    told = {"what": units.own(words.upper_first(one.what)), "day": day_words(day)}
    if one.hours is None:
        return say("{what}, {day}", **told), _money(one.amount, currency)
    return say("{what}, {day}, {hours:g} h", **told, hours=one.hours), _money(one.amount, currency)


def _month_row(one: season_schema.MonthOut) -> tuple[str, str, str, str]:
    rain = say("not known") if one.rain_mm is None else f"{one.rain_mm:.0f} mm"
    growth = say("not known") if one.growth_days is None else decimal(one.growth_days, 1)
    return month(one.month), rain, f"{one.given_mm:.0f} mm", growth


# --- drawings --------------------------------------------------------------------------------------------------------


def _ms(iso: str) -> float:
    return datetime.datetime.fromisoformat(iso).timestamp() * 1000.0


def _place(found: season_schema.SeasonOut, at_ms: float) -> float:
    """Where a moment lies in the year. [%]"""
    start, end = _ms(found.start), _ms(found.end)
    return 100.0 * (at_ms - start) / (end - start)


def _noon(found: season_schema.SeasonOut, day: str) -> float:
    """Where the middle of a day of the year lies. [%]"""
    date = datetime.date.fromisoformat(day)
    return 100.0 * ((date - datetime.date(found.year, 1, 1)).days + 0.5) / (366 if _leap(found.year) else 365)


def _leap(year: int) -> bool:
    return year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)


def _today(found: season_schema.SeasonOut) -> float | None:
    at = _place(found, _ms(found.now))
    return at if 0.0 <= at <= 100.0 else None


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{figure(x)} {figure(y)}" for x, y in points)


def _stroke(d: str, ink: str, width: float, dash: str = "", fill: str = "") -> str:
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    filled = f' style="fill:var(--{fill})"' if fill else ""
    return f'<path class="ns" d="{d}" stroke="var(--{ink})" stroke-width="{width}"{dashes}{filled}/>'


def _tracks(found: season_schema.SeasonOut, units: LocalUnits) -> list[Track]:
    made = [_thatch(found, units), _roots(found, units), _cuts(found), _water(found, units), _growth(found)]
    return [_play(found), *made] if found.plays else made


def _play(found: season_schema.SeasonOut) -> Track:
    places = [_place(found, _ms(one.start)) for one in found.plays]
    strokes = "".join(_stroke(_path([(x, 20.0), (x, 100.0)]), "ink", 1.6) for x in places)
    return Track("play", say("Play"), "", 22, say("{n} times of play.", n=len(places)), strokes)


def _thatch(found: season_schema.SeasonOut, units: LocalUnits) -> Track:
    cores = found.cores
    said = "; ".join(
        say(
            "{day}: {thatch:.0f} mm, {low:.0f} to {high:.0f}",
            day=one.day, thatch=one.thatch_mm, low=one.low_mm, high=one.high_mm,
        )
        for one in cores
    )  # fmt: skip
    told = say("Thatch by cores. {cores}.", cores=said or say("No core"))
    track = Track("thatch", say("Thatch"), say("{unit}, by cores", unit=units.short), 120, told)
    if not cores:
        track.words.append((1.0, 34.0, "quiet", say("no core this year")))
        return track
    left = [(_noon(found, one.day), one.may_leave) for one in found.passes if one.may_leave is not None]
    deep = ROOM * max(LEAST_THATCH_MM, *(one.high_mm for one in cores))
    at = [(_noon(found, one.day), one) for one in cores]
    if len(at) == 1:
        (x, one), half = at[0], 2 * CORE_HALF
        ends = [(x - half, one), (x + half, one)]
    else:
        ends = at
    foot = [(x, 100.0 * one.thatch_mm / deep) for x, one in ends]
    track.hatched.append(
        ", ".join(f"{figure(x)}% {figure(y)}%" for x, y in ((ends[0][0], 0.0), *foot, (ends[-1][0], 0.0)))
    )
    band = [(x, 100.0 * one.high_mm / deep) for x, one in ends] + [
        (x, 100.0 * one.low_mm / deep) for x, one in reversed(ends)
    ]
    strokes = [f'<path d="{_path(band)}Z" fill="var(--hatch)" opacity=".25"/>', _stroke(_path(foot), "hatch", 2)]
    for x, one in at:
        for mm in {one.low_mm, one.thatch_mm, one.high_mm}:
            y = 100.0 * mm / deep
            strokes.append(_stroke(_path([(x - CORE_HALF, y), (x + CORE_HALF, y)]), "ink", 1.4))
    for x, figures in left:  # what passes to come may leave stands apart, with a pale foot
        if figures.low is not None and figures.high is not None:
            low, high = 100.0 * figures.low / deep, 100.0 * figures.high / deep
            sides = ((x - CORE_HALF, 0.0), (x + CORE_HALF, 0.0), (x + CORE_HALF, low), (x - CORE_HALF, low))
            track.hatched.append(", ".join(f"{figure(a)}% {figure(b)}%" for a, b in sides))
            foot = [(x - CORE_HALF, low), (x + CORE_HALF, low), (x + CORE_HALF, high), (x - CORE_HALF, high)]
            strokes.append(f'<path d="{_path(foot)}Z" fill="var(--hatch)" opacity=".25"/>')
            may = say("A pass may leave {low:.1f} to {high:.1f} mm.", low=figures.low, high=figures.high)
            track.said = f"{track.said} {may}"
    track.strokes = "".join(strokes)
    last_x, last = at[-1]
    low_mm, high_mm = (None, None) if last.low_mm == last.high_mm else (last.low_mm, last.high_mm)
    track.words.append(
        (*_beside_point(last_x, 100.0 * last.thatch_mm / deep), _with_ends(last.thatch_mm, low_mm, high_mm, units))
    )
    return track


def _with_ends(best_mm: float, low_mm: float | None, high_mm: float | None, units: LocalUnits) -> str:
    """A depth without its unit, with its ends where there are any: `60 (48 to 72)`."""
    if low_mm is None or high_mm is None:
        return units.depth(best_mm)
    return say(
        "{best} ({low} to {high})", best=units.depth(best_mm), low=units.depth(low_mm), high=units.depth(high_mm)
    )


def _beside_point(x: float, y: float) -> tuple[float, float, str]:
    """Left, top and classes of words beside a point: to its right, or to its left late in the year."""
    return (x + 1.2, y, "mid b") if x < 78.0 else (100.0 - x + 1.2, y, "mid b left")


def _roots(found: season_schema.SeasonOut, units: LocalUnits) -> Track:
    told = [one for one in found.roots if one.depth_mm.value is not None]
    said = "; ".join(
        say(
            "{start} to {end}: {depth}",
            start=one.start[:10],
            end=one.end[:10],
            depth=say("cannot tell") if one.depth_mm.value is None else f"{one.depth_mm.value:.0f} mm",
        )
        for one in found.roots
    )
    course = say("How deep the roots drank. {fortnights}.", fortnights=said or say("Nothing is known"))
    track = Track("roots", say("Roots"), say("drank to, {unit}", unit=units.short), 120, course)
    if not told:
        why = say("not told in any fortnight") if found.roots else say("nothing known")
        track.words.append((1.0, 34.0, "quiet", why))
    deep = ROOM * max([LEAST_ROOTS_MM, *(one.depth_mm.high or one.depth_mm.value or 0.0 for one in told)])
    strokes = []
    for one in found.roots:
        a, b = (_place(found, _ms(edge)) for edge in (one.start, one.end))
        a, b = max(a, 0.0), min(b, 100.0)
        if one.depth_mm.value is None:
            middle = (a + b) / 2
            strokes.append(_stroke(_path([(middle - 0.5, 8.0), (middle + 0.5, 8.0)]), "ink", 1.4))
            continue
        best = 100.0 * one.depth_mm.value / deep
        low = best if one.depth_mm.low is None else 100.0 * one.depth_mm.low / deep
        high = best if one.depth_mm.high is None else 100.0 * one.depth_mm.high / deep
        for k in range(HAIRS):
            x = a + (b - a) * (k + 0.5) / HAIRS
            strokes.append(_stroke(_path([(x, 0.0), (x, low)]), "root", 1.1))
            strokes.append(_stroke(_path([(x, low), (x, high)]), "root", 1.1, "1.5 3"))
        strokes.append(_stroke(_path([(a + 0.2, best), (b - 0.2, best)]), "root", 3))
    track.strokes = "".join(strokes)
    if told:
        last = told[-1]
        x, y = min(100.0, _place(found, _ms(last.end))), 100.0 * (last.depth_mm.value or 0.0) / deep
        ends = _with_ends(last.depth_mm.value or 0.0, last.depth_mm.low, last.depth_mm.high, units)
        track.words.append((*_beside_point(x, y), ends))
    return track


def _cuts(found: season_schema.SeasonOut) -> Track:
    deep = ROOM * max([LEAST_CUT_MM, *(one.depth_mm or 0.0 for one in found.passes)])
    said = "; ".join(
        say("{day}: {pass_title}, {state}", day=one.day, pass_title=one.title, state=say(_STATES[one.state]))
        for one in found.passes
    )
    told = say("Passes. {passes}.", passes=said or say("None is in the diary"))
    track = Track("cuts", say("Passes"), say("cut to depth"), 84, told)
    strokes = []
    for one in found.passes:
        x = _noon(found, one.day)
        y = UNTOLD_CUT if one.depth_mm is None else max(6.0, 100.0 * one.depth_mm / deep)
        if one.state == "booked":
            strokes.append(
                _stroke(_path([(x - 0.5, 0.0), (x - 0.5, y), (x + 0.5, y), (x + 0.5, 0.0)]), "hatch", 1.4, "2 2")
            )
        else:
            strokes.append(_stroke(_path([(x, 0.0), (x, y)]), "hatch", 4))
    track.strokes = "".join(strokes)
    if not found.passes:
        track.words.append((1.0, 34.0, "quiet", say("none in the diary")))
    return track


def _water(found: season_schema.SeasonOut, units: LocalUnits) -> Track:
    rain, given = [m.rain_mm for m in found.months], [m.given_mm or None for m in found.months]
    top = ROOM * max([20.0, *(v for v in (*rain, *given) if v is not None)])
    known = math.fsum(v for v in rain if v is not None)
    track = Track(
        "water",
        say("Water"),
        say("{unit} a month", unit=units.short),
        70,
        say("Rain {rain:.0f} mm in the months known; water given by month.", rain=known),
    )
    fallen, poured = (bars(v, top, begin=at, wide=BAR, across=100.0) for v, at in ((rain, 0.06), (given, 0.52)))
    track.strokes = _stroke(fallen, "water", 1.6) + _stroke(poured, "water", 1.6, fill="water")
    for number, value in enumerate(rain):
        if value is None and found.months[number].growth_days is not None:
            track.words.append((100.0 * (number + 0.1) / 12, 78.0, "quiet", "?"))
    return track


def _growth(found: season_schema.SeasonOut) -> Track:
    days = [m.growth_days for m in found.months]
    known = [v for v in days if v is not None]
    told = say("Growth-days of the months known: {days:.0f}.", days=math.fsum(known))
    track = Track("growth", say("Growth"), say("growth-days"), 56, told)
    track.strokes = _stroke(bars(days, 31.0, begin=0.3, wide=BAR, across=100.0), "quiet", 1.6, fill="quiet")
    if not known:
        track.words.append((1.0, 34.0, "quiet", say("not known: it needs air temperature")))
    return track
