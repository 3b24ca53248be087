"""The plan of the ground as facts: what lies where and how deep, how it is found with tapes, what a pass would meet.

It has what people entered, in the settings and the diary, and no more. Depths and lifted probes are those by which a
pass is refused or allowed (`pipeline.diary.facts`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate, combinations, pairwise
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request

from api import plan_schema, words
from api.data import pipeline_of, stations_of
from api.diary_check import cut_depth_m
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import CLEARANCE_M, DatedPass, Intent, in_the_way, probes_in_ground, read_diary
from pipeline.service import Pipeline
from pipeline.site.ground import Surface
from pipeline.site.plan import Mark
from pipeline.site.plane import Point, is_left, off_outline_m, parts_inside, tape_reach_m
from pipeline.site.settings import SiteConfig
from pipeline.site.strips import strip_numbers
from pipeline.texts import say
from pipeline.units import EVER_MS

OFF_OUTLINE_M = 5.0  # a station further off its surface's outline is doubted: our own choice
LEAST_APART_M = 5.0  # between marks, for two tapes to meet well: our own choice
POOR_REACH_M = 0.3  # a place that tapes may miss by more is doubted: a spade and a half, our own choice
PLAN_KINDS = ("place", "buried", "pass", "lift", "return", "depth", "dressing")

router = APIRouter(prefix="/api/v1", tags=["data"])


@dataclass(frozen=True, slots=True)
class Placed:
    """Where something stands on the plan [m], and whether the diary or the settings say so."""

    at_m: Point
    entered: str


@router.get(
    "/ground", summary="The plan of the ground: what lies where and how deep, and how to find it with two tapes"
)
def get_ground(request: Request) -> plan_schema.GroundOut:
    pipeline = pipeline_of(request)
    heard = {
        s.station.name for s in stations_of(request) if s.heard_ms is not None and not s.is_old and not s.is_silent
    }
    return ground_of(pipeline, heard)


def ground_of(pipeline: Pipeline, heard: set[str]) -> plan_schema.GroundOut:
    """Return the plan; `heard` are the stations that answered when they were last read."""
    config, plan = pipeline.config, pipeline.config.plan
    entries = pipeline.diary.entries(PLAN_KINDS, *EVER_MS)
    places = _places(config, entries)
    lines = _buried(config, entries)
    numbers = {name: number for number, name in enumerate(config.stations(), 1)}
    passes = sorted(
        (one for surface in config.surfaces for one in _passes(pipeline, surface, entries, lines)),
        key=lambda one: (one.day is None, one.day or ""),
    )
    found = plan_schema.GroundOut(
        title=config.site.title,
        origin=plan.origin or "",
        north_deg=plan.north_deg,
        marks=[
            plan_schema.PlanMarkOut(letter=m.letter, title=m.title, x_m=m.at_m[0], y_m=m.at_m[1]) for m in plan.marks
        ],
        surfaces=[
            plan_schema.PlanSurfaceOut(
                surface=surface.name,
                title=surface.title,
                kind=surface.kind,
                corners_m=[list(corner) for corner in surface.outline],
                strips=surface.strips,
                strips_booked=_strips_booked(surface, passes),
            )
            for surface in config.surfaces
        ],
        buildings=[
            plan_schema.PlanBuildingOut(title=one.title, corners_m=[list(corner) for corner in one.corners_m])
            for one in plan.buildings
        ],
        stations=[
            plan_schema.PlanStationOut(
                number=numbers[station.name],
                station=station.name,
                surface=surface.name,
                title=words.place(surface, station),
                is_heard=station.name in heard,
                place=_place(plan.marks, places.get(station.name)),
                entered=places[station.name].entered if station.name in places else "",
            )
            for surface in config.surfaces
            for station in surface.stations
        ],
        probes=[one for surface in config.surfaces for one in _probes(pipeline, surface, entries, places, numbers)],
        buried=lines,
        passes=passes,
        doubts=[],
    )
    return found.model_copy(update={"doubts": [*_lacking(found), *_doubts_of_places(config, places)]})


# --- where things are ------------------------------------------------------------------------------------------------


def _places(config: SiteConfig, entries: Sequence[DiaryEntry]) -> dict[str, Placed]:
    """Places by station, and by station/probe; what the diary has last stands over the settings."""
    found = {}
    for station in config.stations().values():
        if station.at_m is not None:
            found[station.name] = Placed(station.at_m, "settings")
        for probe in station.probe:
            if probe.at_m is not None:
                found[f"{station.name}/{probe.name}"] = Placed(probe.at_m, "settings")
    for entry in entries:
        if entry.kind == "place":
            key = "/".join(str(part) for part in (entry.station, entry.body.get("probe")) if part is not None)
            found[key] = Placed((_number(entry, "x_m"), _number(entry, "y_m")), "diary")
    return found


def _number(entry: DiaryEntry, key: str) -> float:
    value = entry.body[key]
    assert isinstance(value, int | float)
    return float(value)


def _place(marks: Sequence[Mark], placed: Placed | None) -> plan_schema.PlanPointOut | None:
    return None if placed is None else _point(marks, placed.at_m)


def _point(marks: Sequence[Mark], at_m: Point) -> plan_schema.PlanPointOut:
    pairs = list(combinations([mark.at_m for mark in marks], 2))
    reaches = [reach for a, b in pairs if (reach := tape_reach_m(a, b, at_m)) is not None]
    return plan_schema.PlanPointOut(
        x_m=at_m[0],
        y_m=at_m[1],
        tapes=[plan_schema.TapeOut(mark=m.letter, metres=math.dist(m.at_m, at_m)) for m in marks] if pairs else [],
        is_left=is_left(*pairs[0], at_m) if pairs else None,
        within_m=min(reaches, default=None),
    )


def _too_deep_from_mm(cover_mm: float | None) -> float:
    """Depth of a pass from which it is too near something with this cover; 0 where any cut is, or it is not known."""
    return 0.0 if cover_mm is None else max(cover_mm - CLEARANCE_M * 1000.0, 0.0)


def _probes(
    pipeline: Pipeline,
    surface: Surface,
    entries: Sequence[DiaryEntry],
    places: Mapping[str, Placed],
    numbers: Mapping[str, int],
) -> Iterator[plan_schema.PlanProbeOut]:
    """The probes left in the ground of a surface, each with what may not come over it."""
    config, now_ms = pipeline.config, pipeline.clock.now_ms()
    for station in surface.stations:
        facts = read_diary(entries, surface.name, config.passes, station=station.name)
        for one in probes_in_ground(surface, facts, now_ms, station=station.name):
            name = one.name.rpartition("/")[2]
            placed = places.get(f"{station.name}/{name}", places.get(station.name))
            yield plan_schema.PlanProbeOut(
                number=numbers[station.name],
                station=station.name,
                probe=name,
                called=words.probes_called(surface, [f"{station.name}/{name}"]),
                place=_place(config.plan.marks, placed),
                cover_mm=one.depth_m * 1000.0,
                too_deep_from_mm=_too_deep_from_mm(one.depth_m * 1000.0),
                is_lifted=one.lifted,
            )


def _buried(config: SiteConfig, entries: Sequence[DiaryEntry]) -> list[plan_schema.BuriedOut]:
    """What lies buried beside the probes: of the settings, then of the diary."""
    marks = config.plan.marks

    def line(
        title: str,
        kind: str,
        path: Sequence[Point],
        covers: Sequence[float] | None,
        measured: str | None,
        entry: int | None,
    ) -> plan_schema.BuriedOut:
        points = [
            plan_schema.BuriedPointOut(
                place=_point(marks, at_m), cover_mm=cover, too_deep_from_mm=_too_deep_from_mm(cover)
            )
            for at_m, cover in zip(path, [None] * len(path) if covers is None else covers, strict=True)
        ]
        return plan_schema.BuriedOut(
            title=title,
            kind=kind,
            points=points,
            length_m=math.fsum(math.dist(a, b) for a, b in pairwise(path)),
            measured=measured,
            entered="settings" if entry is None else "diary",
            entry=entry,
        )

    found = [
        line(one.title, one.kind, one.path_m, one.cover_mm, None if one.measured is None else f"{one.measured}", None)
        for one in config.plan.buried
    ]
    for entry in entries:
        if entry.kind == "buried":
            path, cover = entry.body["path_m"], entry.body.get("cover_mm")
            assert isinstance(path, list)
            points = [(float(x), float(y)) for x, y in path]
            covers = [float(cover)] * len(points) if isinstance(cover, int | float) else None
            found.append(line(str(entry.body["title"]), str(entry.body["what"]), points, covers, None, entry.id))
    return found


# --- what a pass would meet ------------------------------------------------------------------------------------------


def _passes(
    pipeline: Pipeline, surface: Surface, entries: Sequence[DiaryEntry], lines: Sequence[plan_schema.BuriedOut]
) -> Iterator[plan_schema.PlanPassOut]:
    """The passes booked on a surface, and the deepest of those that its settings plan, with what they would meet."""
    zone, now_ms = ZoneInfo(pipeline.config.site.timezone), pipeline.clock.now_ms()
    facts = read_diary(entries, surface.name, pipeline.config.passes, zone)
    written = {entry.id: entry for entry in entries}
    in_ground = probes_in_ground(surface, facts, now_ms)

    def judged(kind: str, variant: str, depth_m: float, booked: DatedPass | None) -> plan_schema.PlanPassOut:
        body = {} if booked is None else written[booked.id].body
        around = body.get("around") is True
        met = () if around else in_the_way(Intent(kind, variant, depth_m), in_ground)
        return plan_schema.PlanPassOut(
            surface=surface.name,
            surface_title=surface.title,
            title=words.pass_title({"pass": kind}),
            day=None if booked is None else words.local(booked.start_ms, zone).date().isoformat(),
            depth_mm=depth_m * 1000.0,
            strips=str(body.get("strips", "")),
            probes=[_with_station(surface, name) for name in met],
            called=words.probes_called(surface, met),
            too_near=list(_too_near(lines, surface.outline, depth_m)) if depth_m > 0.0 else [],
            whole_site=not surface.outline,
        )

    for booked in sorted(facts.booked, key=lambda one: one.start_ms):
        if booked.end_ms >= now_ms:
            body = written[booked.id].body
            depth_m = cut_depth_m(surface, booked.kind, body.get("depth_mm"))
            yield judged(booked.kind, booked.variant, depth_m, booked)
    if surface.passes:
        deepest = max(surface.passes, key=lambda one: one.depth_m)
        yield judged(deepest.kind, deepest.variant, deepest.depth_m, None)


def _with_station(surface: Surface, name: str) -> str:
    """A probe as station/probe, whichever way `probes_in_ground` names it."""
    if "/" in name:
        return name
    return next(f"{station.name}/{name}" for station in surface.stations if any(p.name == name for p in station.probes))


def _too_near(
    lines: Sequence[plan_schema.BuriedOut], outline: Sequence[Point], depth_m: float
) -> Iterator[plan_schema.TooNearOut]:
    """What of the buried lies under an outline, or anywhere where that is empty, less than 25 mm below the blades."""
    bound_mm = (depth_m + CLEARANCE_M) * 1000.0
    for number, line in enumerate(lines):
        parts = _merged(_near_parts(line, outline, bound_mm))
        if parts or (len(line.points) == 1 and _point_is_near(line.points[0], outline, bound_mm)):
            ends = [end for part in parts for end in part] or [0.0]
            known = line.points[0].cover_mm is not None
            yield plan_schema.TooNearOut(
                line=number,
                title=line.title,
                kind=line.kind,
                parts_m=[[first, last] for first, last in parts],
                metres=math.fsum(last - first for first, last in parts),
                least_cover_mm=min(_cover_at(line, end) for end in _with_bends(line, ends)) if known else None,
            )


def _with_bends(line: plan_schema.BuriedOut, ends: Sequence[float]) -> list[float]:
    """Ends of the parts of a line and the bends between them: the least cover is at one of them. [m]"""
    bends = [*accumulate((_length(a, b) for a, b in pairwise(line.points)), initial=0.0)]
    inside = [at for at in bends if any(a <= at <= b for a, b in zip(ends[::2], ends[1::2], strict=False))]
    return [*ends, *inside]


def _length(one: plan_schema.BuriedPointOut, other: plan_schema.BuriedPointOut) -> float:
    return math.dist((one.place.x_m, one.place.y_m), (other.place.x_m, other.place.y_m))


def _point_is_near(point: plan_schema.BuriedPointOut, outline: Sequence[Point], bound_mm: float) -> bool:
    here = not outline or off_outline_m((point.place.x_m, point.place.y_m), outline) == 0.0
    return here and (point.cover_mm is None or point.cover_mm < bound_mm)


def _near_parts(
    line: plan_schema.BuriedOut, outline: Sequence[Point], bound_mm: float
) -> Iterator[tuple[float, float]]:
    """Parts along a line under an outline whose cover is less than a bound, or not known. [m]"""
    gone = 0.0
    for one, other in pairwise(line.points):
        a, b, length = (one.place.x_m, one.place.y_m), (other.place.x_m, other.place.y_m), _length(one, other)
        inside = parts_inside(a, b, outline) if outline else [(0.0, 1.0)]
        low, high = _shallow_part(one.cover_mm, other.cover_mm, bound_mm)
        for first, last in inside:
            begin, end = max(first, low), min(last, high)
            if end > begin:
                yield gone + begin * length, gone + end * length
        gone += length


def _shallow_part(one_mm: float | None, other_mm: float | None, bound_mm: float) -> tuple[float, float]:
    """Where between two points, as shares of the way, the cover is less than a bound; everywhere if it is not known."""
    if one_mm is None or other_mm is None:
        return 0.0, 1.0
    if (one_mm < bound_mm) == (other_mm < bound_mm):
        return (0.0, 1.0) if one_mm < bound_mm else (1.0, 0.0)
    share = (bound_mm - one_mm) / (other_mm - one_mm)
    return (0.0, share) if one_mm < bound_mm else (share, 1.0)


def _merged(parts: Iterator[tuple[float, float]]) -> list[tuple[float, float]]:
    found: list[tuple[float, float]] = []
    for first, last in parts:
        if found and first - found[-1][1] < 1e-6:
            found[-1] = (found[-1][0], last)
        else:
            found.append((first, last))
    return found


def _cover_at(line: plan_schema.BuriedOut, along_m: float) -> float:
    """Cover of a line whose cover is known, so far along it. [mm]"""
    gone = 0.0
    for one, other in pairwise(line.points):
        length = _length(one, other)
        if along_m <= gone + length + 1e-6 and length > 0.0:
            share = min(max((along_m - gone) / length, 0.0), 1.0)
            return (one.cover_mm or 0.0) * (1 - share) + (other.cover_mm or 0.0) * share
        gone += length
    return line.points[-1].cover_mm or 0.0


def _strips_booked(surface: Surface, passes: Sequence[plan_schema.PlanPassOut]) -> list[int]:
    """Strips that booked passes name by number, as `4 to 6` or `2, 5`."""
    texts = [one.strips for one in passes if one.surface == surface.name and one.day is not None]
    return sorted({number for text in texts for number in strip_numbers(text) if number <= (surface.strips or 0)})


# --- what is not known, or doubted -----------------------------------------------------------------------------------


def doubts_of_settings(config: SiteConfig) -> list[str]:
    """Return what of the plan in the settings is to be doubted, each as a sentence."""
    return _doubts_of_places(config, _places(config, ()))


def _doubts_of_places(config: SiteConfig, places: Mapping[str, Placed]) -> list[str]:
    marks, said = config.plan.marks, list[str]()
    for one, other in combinations(marks, 2):
        if math.dist(one.at_m, other.at_m) < LEAST_APART_M:
            said.append(
                say(
                    "Marks {one} and {other} are less than {apart:g} m apart: tapes from them meet badly.",
                    one=one.letter, other=other.letter, apart=LEAST_APART_M,
                )
            )  # fmt: skip
    for surface in config.surfaces:
        for station in surface.stations:
            if station.name not in places:
                continue
            at_m, title = places[station.name].at_m, words.place(surface, station)
            off_m = off_outline_m(at_m, surface.outline) if surface.outline else 0.0
            if off_m > OFF_OUTLINE_M:
                said.append(
                    say(
                        "{place} lies {off:.0f} m outside the outline of its surface: one of the two is wrong.",
                        place=title, off=off_m,
                    )
                )  # fmt: skip
            point = _point(marks, at_m)
            if point.tapes and (point.within_m is None or point.within_m > POOR_REACH_M):
                said.append(
                    say(
                        "{place} lies where the tapes meet at too flat an angle to find it well: add another mark.",
                        place=title,
                    )
                )
    return said


def _lacking(found: plan_schema.GroundOut) -> list[str]:
    """What nobody has entered, each kind in one sentence."""
    said = []
    if not found.marks:
        said.append(say("No mark to measure from is entered: nothing can be found with tapes."))
    elif len(found.marks) == 1:
        said.append(say("Only one mark is entered: it takes two to find anything with tapes."))
    shapeless = [one.title for one in found.surfaces if not one.corners_m]
    if shapeless:
        said.append(say("Whose outline is not entered: {places}.", places=words.named(shapeless)))
    placeless = [one.title for one in found.stations if one.place is None]
    if placeless:
        said.append(say("Whose place is not entered: {places}.", places=words.named(placeless)))
    bare = [one.title for one in found.buried if one.points[0].cover_mm is None]
    if bare:
        said.append(
            say("Whose cover is not known, so take it to lie at the surface: {lines}.", lines=words.named(bare))
        )
    if not found.buried:
        said.append(say("No cable or pipe is entered. That does not say that none is there."))
    return said
