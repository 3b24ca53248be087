"""The plan of the ground: drawn from what was entered, with two tapes to each buried thing and what a pass would meet.

Places are entered in the settings, or here: tapped on the drawing, or typed as metres or as two tapes. What is entered
here goes into the diary, which stands over the settings; no file of settings is written.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Sequence
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api import diary, plan_schema, words
from api.data import pipeline_of
from api.ground import get_ground
from api.pages.frame import answer, page
from api.plan_drawing import BURIED_CALLED, plan_drawing, scale_ticks, section
from api.problems import Problem
from api.writing import own_form
from pipeline.advice.phrases import day_name, lift_called_first
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import CLEARANCE_M
from pipeline.service import Pipeline
from pipeline.site.local_units import LocalUnits
from pipeline.site.plan import BURIED_KINDS, FURTHEST_M
from pipeline.site.plane import TAPE_ERROR_M, by_tapes, is_inside
from pipeline.texts import say, say_as

MOST_WHOLE = 12  # places that a sheet has room for with each of their probes
COLUMN_ROWS = 22  # of the short table that it has of more
KEEP_OFF_M = 2.0  # from what lies too near a blade: common practice, no source
SPARE_MM = CLEARANCE_M * 1000.0
CALLED = {
    "x_m": "to the right", "y_m": "up", "tape_1": "the first tape", "tape_2": "the second tape", "cover_mm": "cover",
}  # fmt: skip

router = APIRouter(include_in_schema=False)


@router.get("/ground", response_class=HTMLResponse)
def ground_page(request: Request) -> Response:
    pipeline = pipeline_of(request)
    if not pipeline.config.stations():
        return answer(request, "empty.html", pipeline, {"twin": "/api/v1/ground"})
    return page(request, "ground.html", ground_page, lambda: _facts(request))


def _facts(request: Request) -> dict[str, Any]:
    pipeline, found = pipeline_of(request), get_ground(request)
    zone, now_ms = pipeline.config.site.timezone, pipeline.clock.now_ms()
    today = words.local(now_ms, ZoneInfo(zone)).date()
    units = pipeline.config.site.units
    drawing, groups = plan_drawing(found, units), _groups(found, units)
    longest = max(
        (
            (near.metres, -place, one, near)
            for place, one in enumerate(found.passes)
            for near in one.too_near
            if near.least_cover_mm is not None
        ),
        key=lambda each: each[:2],
        default=None,
    )
    return {
        "page": "ground",
        "twin": "/api/v1/ground",
        "now": words.date_and_clock(now_ms, zone),
        "found": found,
        "drawing": drawing,
        "ticks": [] if drawing is None else scale_ticks(drawing, units.metre),
        "letters": [mark.letter for mark in found.marks] if len(found.marks) > 1 else [],
        "marks": "; ".join(f"{mark.letter}: {mark.title}" for mark in found.marks),
        "groups": groups,
        "brief": _brief(groups) if len(groups) > MOST_WHOLE else [],
        "sides": _sides(found),
        "tape_mm": round(TAPE_ERROR_M * 1000),
        "spare_mm": round(SPARE_MM),
        "passes": [_pass_words(one, today) for one in found.passes],
        "section": None if longest is None or not longest[0] else _section(longest[2], longest[3], found, today),
        "keep_off_m": round(KEEP_OFF_M),
        "places": _choices(pipeline),
        "kinds": [(kind, say(BURIED_CALLED[kind])) for kind in BURIED_KINDS],
        "written": [one for one in found.buried if one.entry is not None],
    }


# --- words -----------------------------------------------------------------------------------------------------------


def _tapes(point: plan_schema.PlanPointOut | None, units: LocalUnits) -> list[str]:
    return [] if point is None else [units.reach(tape.metres) for tape in point.tapes]


def _within(point: plan_schema.PlanPointOut | None, units: LocalUnits) -> str:
    if point is None or not point.tapes:
        return say("not entered") if point is None else ""
    return say("cannot tell") if point.within_m is None else units.reach(point.within_m)


def _deeper_than(too_deep_from_mm: float, units: LocalUnits) -> str:
    return units.depth(too_deep_from_mm) if too_deep_from_mm > 0.0 else say("any cut")


def _groups(found: plan_schema.GroundOut, units: LocalUnits) -> list[dict[str, Any]]:
    """The rows of the table: the probes of each station, then the ends and bends of each line."""
    groups = []
    for station in found.stations:
        rows = [
            {
                "called": words.upper_first(one.called.removeprefix("the ")),  # where it is English
                "tapes": _tapes(one.place, units),
                "within": _within(one.place, units),
                "cover_mm": one.cover_mm,
                "cover": units.depth(one.cover_mm),
                "deeper": say("lifted") if one.is_lifted else _deeper_than(one.too_deep_from_mm, units),
            }
            for one in found.probes
            if one.station == station.station
        ]
        if rows:
            groups.append(
                {"id": f"of-{station.station}", "number": station.number, "title": station.title, "rows": rows}
            )
    for number, line in enumerate(found.buried):
        rows = [
            {
                "called": _bend(place, len(line.points)),
                "tapes": _tapes(point.place, units),
                "within": _within(point.place, units),
                "cover_mm": point.cover_mm,
                "cover": say("not known") if point.cover_mm is None else units.depth(point.cover_mm),
                "deeper": _deeper_than(point.too_deep_from_mm, units),
            }
            for place, point in enumerate(line.points)
        ]
        groups.append({"id": f"line-{number}", "number": "", "title": words.upper_first(line.title), "rows": rows})
    return groups


def _brief(groups: Sequence[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """A row for each place in which probes stand or a line bends, with what lies shallowest there, in columns."""
    rows = []
    for group in groups:
        for tapes in dict.fromkeys(tuple(row["tapes"]) for row in group["rows"]):
            here = [row for row in group["rows"] if tuple(row["tapes"]) == tapes]
            shallowest = min(here, key=lambda row: -1.0 if row["cover_mm"] is None else row["cover_mm"])
            alone = len(here) == len(group["rows"]) and group["number"]
            title = group["title"]
            if not alone:
                # Translators: a place and what lies there, as in "Square, north end: root-zone probe"
                title = say("{place}: {what}", place=title, what=shallowest["called"].lower())
            rows.append({**shallowest, "number": group["number"], "title": title})
    return [rows[first : first + COLUMN_ROWS] for first in range(0, len(rows), COLUMN_ROWS)]


def _bend(place: int, points: int) -> str:
    if points == 1:
        return say("here")
    if place == 0:
        return say("one end")
    return say("other end") if place == points - 1 else say("bend {n}", n=place)


def _sides(found: plan_schema.GroundOut) -> str:
    """On which side of the line between the first two marks things lie, in one sentence."""
    if len(found.marks) < 2:
        return ""
    from_, to = found.marks[0].letter, found.marks[1].letter
    points = {one.called: one.place for one in found.probes if one.place}
    points |= {one.title: one.points[0].place for one in found.buried}
    left = [name for name, place in points.items() if place.is_left]
    right = [name for name, place in points.items() if not place.is_left]
    stand = {"one": from_, "other": to}
    if left and right:
        if len(left) <= len(right):
            return say(
                "Stand at {one} and look to {other}: on your left lie {things}; the others on your right.",
                **stand, things=words.named(left, 6),
            )  # fmt: skip
        return say(
            "Stand at {one} and look to {other}: on your right lie {things}; the others on your left.",
            **stand, things=words.named(right, 6),
        )  # fmt: skip
    if left:
        return say("Stand at {one} and look to {other}: all of it lies on your left.", **stand)
    return say("Stand at {one} and look to {other}: all of it lies on your right.", **stand) if points else ""


def _pass_words(one: plan_schema.PlanPassOut, today: datetime.date) -> dict[str, Any]:
    """A pass and what its blades would meet: verdict, and the sentences after it."""
    where, lines = _where_words(one, today), []
    if one.called:
        lines.append(f"{lift_called_first(one.called)}.")
    for line in one.too_near:
        if line.least_cover_mm is None:
            told = say(
                "The cover of {line} is not known: keep {metres:.0f} m off it, or find it by hand first.",
                line=line.title, metres=KEEP_OFF_M,
            )  # fmt: skip
        elif line.parts_m:
            told = say(
                "Over {length:.0f} m of {line} the cover is down to {cover:.0f} mm: draw it there, or keep "
                "{metres:.0f} m off it.",
                length=line.metres, line=line.title, cover=line.least_cover_mm, metres=KEEP_OFF_M,
            )  # fmt: skip
        else:
            told = say(
                "{line} lies at {cover:.0f} mm: keep {metres:.0f} m off it.",
                line=words.upper_first(line.title), cover=line.least_cover_mm, metres=KEEP_OFF_M,
            )  # fmt: skip
        lines.append(told)
    verdict = say("Lift probe") if one.called else say("Too near") if one.too_near else say_as("in the way", "Nothing")
    if not lines:
        # Translators: behind "Nothing"
        lines.append(say("that is entered lies less than {spare:.0f} mm below its blades.", spare=SPARE_MM))
    if one.whole_site and one.too_near:
        lines.append(say("The outline of this surface is not entered, so all that lies buried anywhere is counted."))
    title = say("{pass_title} to {depth:.0f} mm", pass_title=words.upper_first(one.title), depth=one.depth_mm)
    return {
        "title": words.tied(title),
        "where": where,
        "verdict": verdict,
        "needs_hand": bool(one.called or one.too_near),
        "lines": [words.tied(line) for line in lines],
    }


def _where_words(one: plan_schema.PlanPassOut, today: datetime.date) -> str:
    """Where and when a pass is made."""
    place, strips = one.surface_title, one.strips
    if one.day is None:
        if strips:
            return say("{place}, planned, strips {strips}", place=place, strips=strips)
        return say("{place}, planned", place=place)
    day = _day(one.day, today)
    if strips:
        return say("{place}, booked for {day}, strips {strips}", place=place, day=day, strips=strips)
    return say("{place}, booked for {day}", place=place, day=day)


def _day(iso: str, today: datetime.date) -> str:
    return day_name(datetime.date.fromisoformat(iso), today)


def _section(
    one: plan_schema.PlanPassOut, near: plan_schema.TooNearOut, found: plan_schema.GroundOut, today: datetime.date
) -> dict[str, Any]:
    line = found.buried[near.line]
    drawn = section(line, near, one.depth_mm, SPARE_MM)
    named = {"pass_title": words.upper_first(one.title), "line": line.title}
    if one.day is None:
        heading = say("{pass_title} planned over {line}", **named)
    else:
        heading = say("{pass_title} on {day} over {line}", **named, day=_day(one.day, today))
    said = say(
        "Section along {line}, {length:.0f} m: the blades go to {depth:.0f} mm, with {spare:.0f} mm to spare; over "
        "{metres:.0f} m the cover is less, down to {least:.0f} mm.",
        line=line.title, length=line.length_m, depth=one.depth_mm, spare=SPARE_MM, metres=near.metres,
        least=near.least_cover_mm or 0.0,
    )  # fmt: skip
    length = say("{metres:.0f} m along it", metres=line.length_m)
    return {"heading": heading, "said": said, "length": length, **drawn}


# --- what is entered here --------------------------------------------------------------------------------------------


def _choices(pipeline: Pipeline) -> list[tuple[str, str]]:
    """What can be placed: each station, and each probe of one that has several."""
    found = []
    for surface in pipeline.config.surfaces:
        for station in surface.stations:
            title = words.place(surface, station)
            found.append((station.name, title))
            if len(station.probe) > 1:
                called = ((one.name, surface.probe_called(station, one)) for one in station.probes)
                found += [(f"{station.name}/{name}", words.upper_first(said)) for name, said in called]
    return found


@router.post("/ground/place")
def place(request: Request, form: Annotated[dict[str, str], Depends(own_form)]) -> RedirectResponse:
    """Write where a station or probe stands: by metres, or by two tapes."""
    pipeline, faults = pipeline_of(request), list[str]()
    station, _, probe = form.get("what", "").partition("/")
    if station not in pipeline.config.stations():
        raise Problem(422, "The place cannot be written", f"what: found {station!r}, expected a station of the list")
    metre = pipeline.config.site.units.metre
    at_m = _tape_place(pipeline, form, faults) if form.get("tape_1") or form.get("tape_2") else None
    if at_m is None and not faults:
        at_m = (_number(form, "x_m", faults) * metre, _number(form, "y_m", faults) * metre)
    if faults or at_m is None:
        raise Problem(422, "The place cannot be written", "; ".join(faults), faults=faults)
    body = {"x_m": round(at_m[0], 2), "y_m": round(at_m[1], 2), **({"probe": probe} if probe else {})}
    now_ms = pipeline.clock.now_ms()
    surface = pipeline.config.surface_of(station).name
    diary.add(request, DiaryEntry("place", surface, now_ms, body, station, None, "", now_ms), [])
    return RedirectResponse("/ground", 303)


def _number(form: dict[str, str], key: str, faults: list[str]) -> float:
    text = form.get(key, "").strip().replace(",", ".")
    try:
        return float(text)
    except ValueError:
        faults.append(f"{CALLED[key]}: found {text or 'nothing'}, expected a number")
        return 0.0


def _tape_place(pipeline: Pipeline, form: dict[str, str], faults: list[str]) -> tuple[float, float] | None:
    marks = pipeline.config.plan.marks
    metre = pipeline.config.site.units.metre
    lengths = _number(form, "tape_1", faults) * metre, _number(form, "tape_2", faults) * metre
    if len(marks) < 2:
        faults.append("tapes: found a length, expected two marks in the settings that tapes are drawn from")
    if not faults and not all(0.0 <= length <= FURTHEST_M for length in lengths):
        found_m = " and ".join(f"{length:g} m" for length in lengths)
        faults.append(f"tapes: found {found_m}, expected each from 0 to {FURTHEST_M:g} m")
    if faults:
        return None
    found = by_tapes(marks[0].at_m, marks[1].at_m, *lengths, left=form.get("side") != "right")
    if found is None:
        faults.append(
            f"tapes: found {lengths[0]:g} m and {lengths[1]:g} m, expected two lengths that meet from marks "
            f"{marks[0].letter} and {marks[1].letter}"
        )
    return found


@router.post("/ground/buried")
def buried(request: Request, form: Annotated[dict[str, str], Depends(own_form)]) -> RedirectResponse:
    """Write down something buried that was found or laid: its way, a point a line, and its cover."""
    pipeline, faults = pipeline_of(request), list[str]()
    units = pipeline.config.site.units
    path = [[x * units.metre, y * units.metre] for x, y in _path(form.get("path", ""), faults)]
    body: dict[str, object] = {"title": form.get("title", "").strip(), "what": form.get("what", ""), "path_m": path}
    if form.get("cover_mm", "").strip():
        body["cover_mm"] = units.mm_of(_number(form, "cover_mm", faults))
    if not path and not faults:
        faults.append("its way: found nothing, expected at least one point")
    now_ms, surfaces = pipeline.clock.now_ms(), pipeline.config.surfaces
    here = (s.name for s in surfaces if path and s.outline and is_inside((path[0][0], path[0][1]), s.outline))
    surface = next(here, surfaces[0].name if surfaces else "")
    diary.add(request, DiaryEntry("buried", surface, now_ms, body, None, None, "", now_ms), faults)
    return RedirectResponse("/ground", 303)


def _path(text: str, faults: list[str]) -> list[list[float]]:
    """Points, one a line, each two numbers of metres parted by blanks or a semicolon."""
    found = []
    for line in filter(None, (each.strip() for each in text.splitlines())):
        parts = re.split(r"[;\s]+", line)
        try:
            x, y = (float(part.replace(",", ".")) for part in parts)
        except ValueError:
            faults.append(f"its way: found {line[:40]!r}, expected two numbers of metres a line, as 12.5 -3")
            continue
        found.append([x, y])
    return found


@router.post("/ground/buried/{entry_id}/strike")
def strike(request: Request, entry_id: int, form: Annotated[dict[str, str], Depends(own_form)]) -> RedirectResponse:
    """Strike out something buried that was written down here."""
    del form
    entry = pipeline_of(request).diary.entry(entry_id)
    if entry is None or entry.kind != "buried":
        raise Problem(404, "No such entry", f"found {entry_id}, expected the number of something buried in the diary")
    diary.strike_entry(request, entry_id)
    return RedirectResponse("/ground", 303)
