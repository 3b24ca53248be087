"""The plan of the ground and the section along a buried line, drawn: facts in, strokes and places of words out.

Pure. The plan keeps its shape whatever the page is wide; its strokes are in metres, with up turned down, and words and
numbers are laid over it in per cent, so that neither scales. The section stretches, and hangs from the leaf line.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from api import plan_schema
from api.slices import figure
from pipeline.site.local_units import LocalUnits
from pipeline.site.strips import strip_edge
from pipeline.texts import later_as, say

ENOUGH_COVER_MM = 150.0  # a cable with less is drawn broken: our own choice
EDGE_SHARE = 0.06  # of the larger side, left free round what is drawn
LEAST_EDGE_M = 2.0
OPEN_KINDS = ("outfield",)  # drawn by a dotted edge: other surfaces lie in it
BURIED_CALLED = {
    "cable": later_as("something buried", "cable"), "pipe": later_as("something buried", "pipe"),
    "drain": later_as("something buried", "drain"), "box": later_as("something buried", "box"),
    "thing": later_as("something buried", "thing"),
}  # fmt: skip
DASHES = {"cable": "", "pipe": "9 3 2 3", "drain": "2 4", "box": "", "thing": "6 3"}
TICKS = (0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)
MOST_TICKS = 8
FOOT_SHARE = 1.06  # of the deepest thing that a section shows
LEAST_SECTION_MM = 200.0
TINES = 25
WIDE_SHARE = 0.15  # of the drawing: a building so wide has its name inside


@dataclass(frozen=True, slots=True)
class Word:
    """Words over the plan: from the left and the top [%], and classes."""

    left: float
    top: float
    text: str
    classes: str = ""


@dataclass(frozen=True, slots=True)
class PlanDrawing:
    """The plan: `view` is its viewBox [m], `strokes` SVG, `words` and `dots` (stations, by number) lie over it.

    `left_m`, `top_m`, `wide_m` and `high_m` say where a place on the drawing lies. `told` is the whole in a sentence.
    """

    view: str
    left_m: float
    top_m: float
    wide_m: float
    high_m: float
    strokes: str
    words: list[Word]
    dots: list[Word]
    told: str

    def at(self, x_m: float, y_m: float) -> tuple[float, float]:
        return _at(self.left_m, self.top_m, self.wide_m, self.high_m, x_m, y_m)


def _at(left: float, top: float, wide: float, high: float, x_m: float, y_m: float) -> tuple[float, float]:
    return round(100 * (x_m - left) / wide, 2), round(100 * (top - y_m) / high, 2)


def plan_drawing(found: plan_schema.GroundOut, units: LocalUnits) -> PlanDrawing | None:
    """Return the drawing; None while nothing has a place."""
    points = list(_every_point(found))
    if not points:
        return None
    xs, ys = [x for x, _ in points], [y for _, y in points]
    edge = max(LEAST_EDGE_M, EDGE_SHARE * max(max(xs) - min(xs), max(ys) - min(ys)))
    left, top = min(xs) - edge, max(ys) + edge
    wide, high = max(xs) + edge - left, top - (min(ys) - edge)
    high = max(high, wide / 3)  # so that a single row of things is not a strip
    drawn = PlanDrawing(
        f"{figure(left)} {figure(-top)} {figure(wide)} {figure(high)}", left, top, wide, high, "", [], [], ""
    )
    strokes = [*_surfaces(found), *_buildings(found), *_lines(found)]
    labels = [*_surface_words(found, drawn), *_building_words(found, drawn), *_line_words(found, drawn, units)]
    labels += [Word(*drawn.at(m.x_m, m.y_m), m.letter, "peg") for m in found.marks]
    dots = [
        Word(*drawn.at(s.place.x_m, s.place.y_m), str(s.number), "st" if s.is_heard else "st open")
        for s in found.stations
        if s.place is not None
    ]
    return PlanDrawing(drawn.view, left, top, wide, high, "".join(strokes), labels, dots, _told(found))


def scale_ticks(drawing: PlanDrawing, unit_m: float) -> list[tuple[float, str]]:
    """Return marks of the scale under the plan: from the left [%], and the metres, or what `unit_m` is long. [m]"""
    left, wide = drawing.left_m / unit_m, drawing.wide_m / unit_m
    step = next((one for one in TICKS if wide / one <= MOST_TICKS), TICKS[-1])
    marks = range(math.ceil(left / step), math.floor((left + wide) / step) + 1)
    return [(drawing.at(n * step * unit_m, 0.0)[0], f"{n * step:g}") for n in marks]


def _every_point(found: plan_schema.GroundOut) -> Iterator[tuple[float, float]]:
    for corners in (*(s.corners_m for s in found.surfaces), *(b.corners_m for b in found.buildings)):
        yield from ((x, y) for x, y in corners)
    yield from ((m.x_m, m.y_m) for m in found.marks)
    places = [s.place for s in found.stations] + [p.place for p in found.probes]
    places += [p.place for line in found.buried for p in line.points]
    yield from ((p.x_m, p.y_m) for p in places if p is not None)


def _path(points: Sequence[Sequence[float]], *, closed: bool = False) -> str:
    return "M" + "L".join(f"{x:.2f} {-y:.2f}" for x, y in points) + ("Z" if closed else "")


def _surfaces(found: plan_schema.GroundOut) -> Iterator[str]:
    kinds = sorted((s for s in found.surfaces if s.corners_m), key=lambda s: s.kind not in OPEN_KINDS)
    for surface in kinds:
        d = _path(surface.corners_m, closed=True)
        if surface.kind in OPEN_KINDS:
            dots = 'stroke-width="2" stroke-dasharray="1 4" stroke-linecap="round"'
            yield f'<path class="ns" d="{d}" stroke="var(--ink)" {dots}/>'
            continue
        yield f'<path class="ns" d="{d}" stroke="var(--ink)" stroke-width="2" style="fill:var(--soil)"/>'
        for number in range(1, surface.strips or 0):
            edge = _strip_edge(surface, number)
            yield f'<path class="ns" d="{_path(edge)}" stroke="var(--quiet)" stroke-width=".8"/>'
        for number in surface.strips_booked:
            box = [*_strip_edge(surface, number - 1), *reversed(_strip_edge(surface, number))]
            yield (
                f'<path class="ns" d="{_path(box, closed=True)}" stroke="var(--hatch)" stroke-width="1.8" '
                'stroke-dasharray="4 2"/>'
            )


def _strip_edge(surface: plan_schema.PlanSurfaceOut, number: int) -> list[tuple[float, float]]:
    """The edge between strips `number` and the next, from the side of the first two corners to the other."""
    return strip_edge(surface.corners_m, surface.strips or 1, number)


def _buildings(found: plan_schema.GroundOut) -> Iterator[str]:
    for one in found.buildings:
        yield f'<path class="ns" d="{_path(one.corners_m, closed=True)}" stroke="var(--ink)" stroke-width="1.6"/>'


def _lines(found: plan_schema.GroundOut) -> Iterator[str]:
    """What lies buried: a cable in its own ink, whole where it has cover enough and broken where not."""
    for line in found.buried:
        ink, wide = ("root", 2.6) if line.kind == "cable" else ("ink", 1.8)
        for one, other in pairwise(line.points):
            for a, b, enough in _by_cover(one, other):
                dash = "5 3" if line.kind == "cable" and not enough else DASHES[line.kind]
                dashes = f' stroke-dasharray="{dash}"' if dash else ""
                yield f'<path class="ns" d="{_path((a, b))}" stroke="var(--{ink})" stroke-width="{wide}"{dashes}/>'


def _by_cover(
    one: plan_schema.BuriedPointOut, other: plan_schema.BuriedPointOut
) -> Iterator[tuple[tuple[float, float], tuple[float, float], bool]]:
    """A stretch in parts with enough cover and without."""
    a, b = (one.place.x_m, one.place.y_m), (other.place.x_m, other.place.y_m)
    first, last = one.cover_mm, other.cover_mm
    if first is None or last is None:
        yield a, b, False
        return
    if (first >= ENOUGH_COVER_MM) == (last >= ENOUGH_COVER_MM):
        yield a, b, first >= ENOUGH_COVER_MM
        return
    share = (ENOUGH_COVER_MM - first) / (last - first)
    middle = (a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share)
    yield a, middle, first >= ENOUGH_COVER_MM
    yield middle, b, last >= ENOUGH_COVER_MM


# --- words over the plan ---------------------------------------------------------------------------------------------


def _middle(corners: Sequence[Sequence[float]]) -> tuple[float, float]:
    return sum(x for x, _ in corners) / len(corners), sum(y for _, y in corners) / len(corners)


def _surface_words(found: plan_schema.GroundOut, drawn: PlanDrawing) -> Iterator[Word]:
    for surface in found.surfaces:
        if not surface.corners_m:
            continue
        x, _ = _middle(surface.corners_m)
        foot = min(y for _, y in surface.corners_m)
        yield Word(*drawn.at(x, foot), surface.title, "i under")
        strips = surface.strips or 0
        ends = {
            n for n in surface.strips_booked if n - 1 not in surface.strips_booked or n + 1 not in surface.strips_booked
        }
        for number in sorted({1, strips, *ends} if strips else set()):
            box = [*_strip_edge(surface, number - 1), *_strip_edge(surface, number)]
            yield Word(*drawn.at(*_middle(box)), str(number), "n sm")


def _building_words(found: plan_schema.GroundOut, drawn: PlanDrawing) -> Iterator[Word]:
    for one in found.buildings:
        xs, (x, y) = [x for x, _ in one.corners_m], _middle(one.corners_m)
        if max(xs) - min(xs) > WIDE_SHARE * drawn.wide_m:
            yield Word(*drawn.at(x, y), one.title, "i")
        else:
            yield Word(*drawn.at(min(xs), y), one.title, "i aside")


def _line_words(found: plan_schema.GroundOut, drawn: PlanDrawing, units: LocalUnits) -> Iterator[Word]:
    """The least cover of each stretch beside it, and of what is no cable its kind."""
    for line in found.buried:
        for one, other in pairwise(line.points):
            known = [p.cover_mm for p in (one, other) if p.cover_mm is not None]
            x, y = (one.place.x_m + other.place.x_m) / 2, (one.place.y_m + other.place.y_m) / 2
            steep = abs(other.place.y_m - one.place.y_m) > abs(other.place.x_m - one.place.x_m)
            text = _kind_and_cover(line.kind, units.depth(min(known)) if len(known) == 2 else "?")
            ink = "n cov" if line.kind == "cable" else "n"
            yield Word(*drawn.at(x, y), text, f"{ink} {'beside' if steep else 'over'}")
        if len(line.points) == 1:
            point = line.points[0]
            cover = "?" if point.cover_mm is None else units.depth(point.cover_mm)
            text = _kind_and_cover(line.kind, cover, of_cable=True)
            yield Word(*drawn.at(point.place.x_m, point.place.y_m), text, "n box")


def _kind_and_cover(kind: str, cover: str, *, of_cable: bool = False) -> str:
    """The cover of something buried, as a drawing has it; a line without its kind is a cable."""
    if kind == "cable" and not of_cable:
        return cover
    # Translators: something buried and its cover, as in "pipe 150"
    return say("{kind} {cover}", kind=say(BURIED_CALLED[kind]), cover=cover)


def _told(found: plan_schema.GroundOut) -> str:
    placed = [s for s in found.stations if s.place is not None]
    where = [
        say(
            "{number}, {place}: {right:.1f} m right, {up:.1f} m up",
            number=s.number, place=s.title, right=s.place.x_m, up=s.place.y_m,
        )
        for s in placed
        if s.place
    ]  # fmt: skip
    told = say(
        "Plan of the ground with {n} of {all} stations, {marks} marks, {buried} buried lines or boxes.",
        n=len(placed), all=len(found.stations), marks=len(found.marks), buried=len(found.buried),
    )  # fmt: skip
    return f"{told} {'; '.join(where)}"


# --- the section -----------------------------------------------------------------------------------------------------


def section(
    line: plan_schema.BuriedOut, near: plan_schema.TooNearOut, depth_mm: float, spare_mm: float
) -> dict[str, object]:
    """Return the section along a buried line under a pass, in per cent of its length and its depth.

    Returns
    -------
    dict
        `cable`, `tines` as paths, `blade`, `spare` from the top [%], `parts` begin and end of what is too near [%],
        `deep_mm` what its height stands for.
    """
    covers = [p.cover_mm or 0.0 for p in line.points]
    deep = FOOT_SHARE * max(LEAST_SECTION_MM, depth_mm + spare_mm, *covers)
    along = [0.0]
    for one, other in pairwise(line.points):
        along.append(along[-1] + math.dist((one.place.x_m, one.place.y_m), (other.place.x_m, other.place.y_m)))
    whole = along[-1] or 1.0
    path = "M" + "L".join(
        f"{figure(100 * m / whole)} {figure(100 * c / deep)}" for m, c in zip(along, covers, strict=True)
    )
    blade = 100 * depth_mm / deep
    tines = "".join(f"M{figure(2 + 100 * n / TINES)} 0V{figure(blade)}" for n in range(TINES))
    return {
        "cable": path,
        "tines": tines,
        "blade": blade,
        "spare": 100 * (depth_mm + spare_mm) / deep,
        "parts": [(100 * first / whole, 100 * last / whole) for first, last in near.parts_m],
        "deep_mm": round(deep),
    }
