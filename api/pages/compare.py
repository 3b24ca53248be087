"""Two stations, or two years of one, on one ruler over the same months: slices, wetness by day, rain.

The first side is drawn firm, the second dashed, as a time before is on every page. Nothing is drawn across a day that
is not known, and what is said of both is said of the days that both know.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from api import season_schema, words
from api.compare import (
    FromMonth,
    OtherStation,
    OtherYear,
    Picked,
    Station,
    UntilMonth,
    Year,
    get_compare,
    months_of,
    picked_of,
)
from api.data import pipeline_of
from api.pages.frame import answer, page
from api.plots import bars, day_lines
from api.season import year_of
from api.slices import Pen, Slice, Wet, end_mm, ruler_svg, slice_svg
from api.state import LAYERS
from pipeline.service import Pipeline
from pipeline.site.local_units import LocalUnits
from pipeline.texts import day_words, figure, later, month, say, say_many, short_month

ALIKE = 0.03  # of the way to drained: closer than this is about as wet; our own choice
DRAWN_TO_MM = 400.0  # deeper probes are on the page of their station
CUT_PX, CUT_WIDE_PX, CUT_LEFT_PX, CUT_BETWEEN_PX, CUT_HEAD_PX = 250.0, 96.0, 44.0, 38.0, 34.0
YEARS_BACK = 6  # offered in the form
# By how they differ, then by layer.
_DIFFERENCES = {
    "alike": {
        "thatch": later(
            "The thatch of {first} was about as wet as that of {second}: {one} of the way to drained against {other}, "
            "over {days} known in both."
        ),
        "top_layer": later(
            "The top of {first} was about as wet as that of {second}: {one} of the way to drained against {other}, "
            "over {days} known in both."
        ),
        "root_zone": later(
            "The root zone of {first} was about as wet as that of {second}: {one} of the way to drained against "
            "{other}, over {days} known in both."
        ),
    },
    "wetter": {
        "thatch": later(
            "The thatch of {first} was wetter than that of {second}: {one} of the way to drained against {other}, over "
            "{days} known in both."
        ),
        "top_layer": later(
            "The top of {first} was wetter than that of {second}: {one} of the way to drained against {other}, over "
            "{days} known in both."
        ),
        "root_zone": later(
            "The root zone of {first} was wetter than that of {second}: {one} of the way to drained against {other}, "
            "over {days} known in both."
        ),
    },
    "drier": {
        "thatch": later(
            "The thatch of {first} was drier than that of {second}: {one} of the way to drained against {other}, over "
            "{days} known in both."
        ),
        "top_layer": later(
            "The top of {first} was drier than that of {second}: {one} of the way to drained against {other}, over "
            "{days} known in both."
        ),
        "root_zone": later(
            "The root zone of {first} was drier than that of {second}: {one} of the way to drained against {other}, "
            "over {days} known in both."
        ),
    },
}
_MEANS = {
    "thatch": later("Thatch, mean of the days known in both"),
    "top_layer": later("Top layer, mean of the days known in both"),
    "root_zone": later("Root zone, mean of the days known in both"),
}
_BY_DAY = {
    "thatch": later("Thatch by day, of the way to drained: {sides}."),
    "top_layer": later("Top layer by day, of the way to drained: {sides}."),
    "root_zone": later("Root zone by day, of the way to drained: {sides}."),
}

router = APIRouter(include_in_schema=False)


@router.get("/compare", response_class=HTMLResponse)
def compare_page(
    request: Request,
    station: Station = None,
    year: Year = None,
    other_station: OtherStation = None,
    other_year: OtherYear = None,
    from_month: FromMonth = None,
    until_month: UntilMonth = None,
) -> Response:
    pipeline = pipeline_of(request)
    if not pipeline.config.stations():
        return answer(request, "empty.html", pipeline, {"twin": "/api/v1/site"})
    picked = picked_of(pipeline, station, year, other_station, other_year, from_month, until_month)
    (first, first_year), (second, second_year) = picked.sides
    found = get_compare(request, first, first_year, second, second_year, picked.first_month, picked.last_month)
    return page(request, "compare.html", (compare_page, picked), lambda: _facts(pipeline, picked, found))


def _facts(pipeline: Pipeline, picked: Picked, found: season_schema.CompareOut) -> dict[str, Any]:
    zone, sides = pipeline.config.site.timezone, (found.first, found.second)
    names = _names(sides)
    query = (
        f"station={found.first.station}&year={found.first.year}&other_station={found.second.station}"
        f"&other_year={found.second.year}&from_month={found.first_month}&until_month={found.last_month}"
    )
    this_year = year_of(pipeline, None)
    return {
        "page": "compare",
        "twin": f"/api/v1/compare?{query}",
        "now": words.date_and_clock(pipeline.clock.now_ms(), zone),
        "found": found,
        "names": names,
        "lead": _lead(found, names),
        "cut": _cut(found, names, pipeline.config.site.units),
        "plots": [_plot(found, layer, names) for layer in LAYERS if _told(found, layer)],
        "rain": _rain(found, names),
        "months": [(left, short_month(month)) for month, left in months_of(picked)],
        "rows": _rows(found),
        "stations": [(s.name, words.place(f, s)) for f in pipeline.config.surfaces for s in f.stations],
        "years": list(range(this_year, this_year - YEARS_BACK, -1)),
        "month_names": [(number, month(number)) for number in range(1, 13)],
        "files": [_file(pipeline, side, name) for side, name in zip(sides, names, strict=True)],
    }


def _names(sides: Sequence[season_schema.SideOut]) -> tuple[str, str]:
    """What the two sides are called: by what tells them apart."""
    first, second = sides
    if first.station == second.station and first.year != second.year:
        return str(first.year), str(second.year)
    if first.year == second.year and first.station != second.station:
        return first.title, second.title
    return f"{first.title} {first.year}", f"{second.title} {second.year}"


def _told(found: season_schema.CompareOut, layer: str) -> bool:
    return any(one.layer == layer for one in found.both)


# --- words -----------------------------------------------------------------------------------------------------------


def _lead(found: season_schema.CompareOut, names: tuple[str, str]) -> tuple[str, str]:
    """What the roots' side of it comes to in one bold sentence, and that of the other layers."""
    said = [_difference(one, names) for one in sorted(found.both, key=lambda one: one.layer != "root_zone")]
    told = [line for line in said if line]
    if not told:
        return "", say("These months have no day that is known on both sides, so nothing of them can be compared.")
    return told[0], " ".join(told[1:])


def _difference(one: season_schema.BothOut, names: tuple[str, str]) -> str:
    if one.first is None or one.second is None:
        return ""
    apart = one.first - one.second
    line = _DIFFERENCES["alike" if abs(apart) < ALIKE else "wetter" if apart > 0 else "drier"][one.layer]
    days = say_many("{n} day", "{n} days", one.days)
    wet = {"one": words.way(one.first), "other": words.way(one.second)}
    return words.tied(say(line, first=names[0], second=names[1], days=days, **wet))


def _rows(found: season_schema.CompareOut) -> list[tuple[str, str, str]]:
    """Each figure of both sides; what is not known says so."""
    first, second = found.first, found.second

    def shown(value: float | None, decimals: int = 0, unit: str = " mm") -> str:
        return say("not known") if value is None else words.tied(f"{figure(value, decimals)}{unit}")

    def dry(side: season_schema.SideOut) -> str:
        if side.driest is None or side.driest_day is None:
            return say("not known")
        day = datetime.date.fromisoformat(f"2024-{side.driest_day}")
        return words.tied(say("{wetness} on {day}", wetness=words.way(side.driest), day=day_words(day)))

    def rain(side: season_schema.SideOut) -> str:
        total = shown(side.rain_sum_mm)
        lacks = len(found.days) - side.rain_days
        if side.rain_sum_mm is None or not lacks:
            return total
        return say_many("{rain} in {n} day", "{rain} in {n} days", side.rain_days, rain=total)

    def deep(side: season_schema.SideOut) -> str:
        return shown(side.roots_mm)

    rows = [(say(_MEANS[one.layer]), words.way(one.first), words.way(one.second)) for one in found.both if one.days]
    return [
        *rows,
        (say("Driest day of the root zone"), dry(first), dry(second)),
        (say("Rain"), rain(first), rain(second)),
        (say("Water given"), shown(first.given_mm), shown(second.given_mm)),
        (say("Passes made"), str(first.passes), str(second.passes)),
        (say("Roots drank to, middle fortnight"), deep(first), deep(second)),
    ]


def _file(pipeline: Pipeline, side: season_schema.SideOut, name: str) -> tuple[str, str]:
    """Address and words of the file of all readings of one side."""
    channels = [c.id for c in pipeline.config.stations()[side.station].channels]
    asked = "".join(f"&channel={channel.replace('/', '%2F')}" for channel in channels)
    return f"/api/v1/observations.csv?from={side.start}&to={side.end}{asked}", say(
        "All readings of {side} as a CSV file", side=name
    )


# --- drawings --------------------------------------------------------------------------------------------------------


def _cut(found: season_schema.CompareOut, names: tuple[str, str], units: LocalUnits) -> dict[str, Any] | None:
    """Both slices of one day on one ruler."""
    sides = (found.first, found.second)
    deep = [d.depth_mm for side in sides for d in side.depths if d.depth_mm <= DRAWN_TO_MM]
    if found.depths_on is None or not deep:
        return None
    foot_mm = end_mm(deep)
    scale = round(CUT_PX / foot_mm, 3)
    to_mm = foot_mm - 22.0
    pens = [Pen(CUT_LEFT_PX + n * (CUT_WIDE_PX + CUT_BETWEEN_PX), CUT_WIDE_PX, CUT_HEAD_PX, scale) for n in range(2)]
    drawn = [_slice(side, f"{letter}-{side.station}", foot_mm) for letter, side in zip("ab", sides, strict=True)]
    return {
        "on": day_words(datetime.date.fromisoformat(f"2024-{found.depths_on}"), long=True),
        "wide": round(pens[1].right + 16),
        "high": round(pens[0].y(foot_mm) + 8),
        "head": CUT_HEAD_PX,
        "left": CUT_LEFT_PX,
        "ruler": ruler_svg(pens[0], to_mm, units),
        "figures": [(said, round(pens[0].y(mm) + 4, 1)) for mm, said in units.marks_mm(to_mm)],
        "slices": [
            {
                "drawing": slice_svg(one, pen),
                "middle": round(pen.left + pen.width / 2),
                "roots": None if one.roots is None else round(pen.y(min(one.roots[0], foot_mm)), 1),
                "left": pen.left,
                "right": pen.right,
            }
            for one, pen in zip(drawn, pens, strict=True)
        ],
        "told": " ".join(_slice_told(side, name) for side, name in zip(sides, names, strict=True)),
        "depths": [_depth_words(side) for side in sides],
    }


def _slice(side: season_schema.SideOut, name: str, foot_mm: float) -> Slice:
    """A day's means as a slice; it has no doubt drawn and no week before."""

    def wet(one: season_schema.DayDepthOut) -> Wet:
        value = one.wetness
        return Wet(one.depth_mm, one.top_mm, one.bottom_mm, value, value, value, None, value is not None)

    inside = [one for one in side.depths if one.lies_in == "thatch"]
    known = [one.wetness for one in inside if one.wetness is not None]
    mean = sum(known) / len(known) if known and len(known) == len(inside) else None
    thatch = (
        Wet(inside[0].depth_mm, 0.0, side.thatch_mm or 0.0, mean, mean, mean, None, bool(known)) if inside else None
    )
    roots = side.roots
    ends = None
    if roots is not None and roots.value is not None:
        low, high = (roots.value if bound is None else bound for bound in (roots.low, roots.high))
        ends = (roots.value, low, high)
    return Slice(
        name=name,
        leaf_mm=None,
        thatch_mm=side.thatch_mm,
        thatch=thatch,
        dots_mm=tuple(one.depth_mm for one in inside),
        soil=tuple(wet(one) for one in side.depths if one.lies_in == "soil" and one.depth_mm < foot_mm),
        mixed=tuple(wet(one) for one in side.depths if one.lies_in == "mixed" and one.depth_mm < foot_mm),
        roots=ends,
        is_old=False,
        end_mm=foot_mm,
    )


def _depth_words(side: season_schema.SideOut) -> list[str]:
    return [
        words.tied(
            say("{depth:.0f} mm: {wetness}, mixed", depth=one.depth_mm, wetness=words.way(one.wetness))
            if one.lies_in == "mixed"
            else say("{depth:.0f} mm: {wetness}", depth=one.depth_mm, wetness=words.way(one.wetness))
        )
        for one in side.depths
    ]


def _slice_told(side: season_schema.SideOut, name: str) -> str:
    each = "; ".join(_depth_words(side)) or say("no moisture probe")
    if side.thatch_mm is None:
        return say("{side}: thatch not known; of the way from dry to drained {depths}.", side=name, depths=each)
    return say(
        "{side}: {thatch:.0f} mm of thatch; of the way from dry to drained {depths}.",
        side=name, thatch=side.thatch_mm, depths=each,
    )  # fmt: skip


def _plot(found: season_schema.CompareOut, layer: str, names: tuple[str, str]) -> dict[str, Any]:
    """The wetness of one layer by day, both sides on one scale."""
    values = [getattr(side, f"{layer}_wetness") for side in (found.first, found.second)]
    lines = day_lines(values)
    said = []
    for name, series in zip(names, values, strict=True):
        known = [value for value in series if value is not None]
        if known:
            low, high = words.way(min(known)), words.way(max(known))
            said.append(say("{side} from {low} to {high}", side=name, low=low, high=high))
        else:
            said.append(say("{side} not known", side=name))
    return {
        "title": say(words.LAYER_WORDS[layer]),
        "lines": lines.lines,
        "drained": lines.drained,
        "dry": lines.dry,
        "told": say(_BY_DAY[layer], sides="; ".join(said)),
    }


def _rain(found: season_schema.CompareOut, names: tuple[str, str]) -> list[dict[str, Any]]:
    """Rain by day of each side on one scale; once, where one gauge counts for both in the same year."""
    sides = [
        (name, side) for name, side in zip(names, (found.first, found.second), strict=True) if side.rain_mm is not None
    ]
    if found.same_gauge:
        sides = [(say("both"), found.first)]
    top = max((mm for _, side in sides for mm in side.rain_mm or () if mm is not None), default=0.0)
    rows = []
    for name, side in sides:
        drawn = bars(side.rain_mm or [], top)
        total = say("not known") if side.rain_sum_mm is None else f"{side.rain_sum_mm:.0f} mm"
        rows.append(
            {
                "title": say("Rain, {side}", side=name),
                "bars": drawn,
                "told": say("Rain by day, {side}: {rain} in all.", side=name, rain=total),
                "top": say("{rain:.0f} mm a day", rain=top) if top else say("none fell"),
            }
        )
    return rows
