"""The slice: a cut through the turf to scale, with its water now against a week ago, and roots as deep as they drink.

Pure: facts in, SVG out. Depth hangs from the leaf line. From the left cut to the dotted plumb line water goes from the
dry limit to the drained one; past the line it is wetter than drained. Thatch is hatched, water is a wash with a firm
edge, roots are fine lines, a probe is a dot. What is not known stays bare paper: nothing is drawn across a gap.
"""

from __future__ import annotations

import math
import random
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

from markupsafe import Markup

from pipeline.site.local_units import LocalUnits

PLUMB_SHARE = 0.74  # of the width, where drained is
MOST_WETNESS = 1.0 / PLUMB_SHARE  # what reaches the right cut; wetter is drawn there
FADE_MM = 26.0  # so far below the deepest probe the wash fades out
AROUND_MM = 8.0  # what a probe stands for beside a gap
FOOT_MM = 42.0  # of bare ground below the deepest probe, for the foot, which carries no data
LEAST_END_MM = 150.0
UNTOLD_LEAF_MM = 8.0
SMALL_PX = 60.0  # a slice no wider than this has fewer strokes, and shares the shape of its foot and leaf
SURE, DOUBTFUL, OLD = 0.34, 0.20, 0.5  # strength of the wash; what is old at half of it


@dataclass(frozen=True, slots=True)
class Wet:
    """How wet it is at one probe: depth and sensing volume [mm below the leaf base], wetness [1].

    `now` is None where nothing is to be believed, `low` and `high` bound it; `ago` is of a week before. `is_heard` says
    that the probe answered when it was last read.
    """

    depth_mm: float
    top_mm: float
    bottom_mm: float
    now: float | None
    low: float | None = None
    high: float | None = None
    ago: float | None = None
    is_heard: bool = True


@dataclass(frozen=True, slots=True)
class Slice:
    """What is drawn of one station.

    Attributes
    ----------
    name : str
        Slug, from which roots and leaf get their chance shape.
    leaf_mm : float or None
        Height of cut. [mm] None where nobody wrote it: then the leaf is drawn faint.
    thatch_mm : float or None
        [mm] None where it is not known, 0 where there is none.
    thatch : Wet or None
        The thatch as a whole; None where no probe reads it alone.
    dots_mm : tuple of float
        Depths of the probes in the thatch. [mm]
    soil, mixed : tuple of Wet
        By depth. What is mixed reads thatch and soil, or air, together.
    roots : (float, float, float) or None
        Depth to which they drink, and the ends of its interval. [mm]
    is_old : bool
        Drawn as it was, not as it is.
    end_mm : float
        Where the foot ends. [mm]
    """

    name: str
    leaf_mm: float | None
    thatch_mm: float | None
    thatch: Wet | None
    dots_mm: tuple[float, ...]
    soil: tuple[Wet, ...]
    mixed: tuple[Wet, ...]
    roots: tuple[float, float, float] | None
    is_old: bool
    end_mm: float


def end_mm(deepest_mm: Sequence[float]) -> float:
    """Return where the foot of slices in one row ends, for the depths of their deepest probes. [mm]"""
    return max([LEAST_END_MM, *deepest_mm]) + FOOT_MM


def figure(value: float) -> str:
    """Return a coordinate to a tenth, as short as it can be written."""
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


@dataclass(frozen=True, slots=True)
class Pen:
    """Where a slice stands: left cut, width, head above the leaf line [px], and its scale. [px/mm]"""

    left: float
    width: float
    head: float
    scale: float
    large: bool = False

    @property
    def plumb(self) -> float:
        """Where drained is. [px]"""
        return self.left + self.width * PLUMB_SHARE

    @property
    def right(self) -> float:
        return self.left + self.width

    def x(self, wetness: float) -> float:
        """Return where a wetness [1] lies. [px]"""
        return self.left + min(max(wetness, 0.0), MOST_WETNESS) * self.width * PLUMB_SHARE

    def y(self, depth_mm: float) -> float:
        """Return where a depth lies. [px]"""
        return self.head + depth_mm * self.scale

    def at(self, wetness: float, depth_mm: float) -> str:
        return f"{figure(self.x(wetness))} {figure(self.y(depth_mm))}"


def slice_svg(one: Slice, pen: Pen) -> Markup:
    """Return the slice as the inside of an SVG element, to be drawn where `pen` says."""
    key = one.name
    parts = [
        f'<clipPath id="{key}-c"><path id="{key}-b" d="{_body(one, pen)}"/></clipPath>',
        f'<use href="#{key}-b" fill="var(--soil)"/><use href="#{key}-b" fill="url(#grains)"/>',
        f'<g clip-path="url(#{key}-c)">',
        *_thatch_ground(one, pen),
        *_soil_water(one, pen),
        *_mixed_water(one, pen),
        *_thatch_water(one, pen),
        *_roots(one, pen),
        "</g>",
        *_week_ago(one, pen),
        *_outline(one, pen),
        *_leaf(one, pen),
        *_dots(one, pen),
    ]
    return Markup("".join(parts))


def _body(one: Slice, pen: Pen) -> str:
    """The cut: straight sides, and the round and slightly torn foot that a half-moon spade leaves."""
    chance, bottom = _chance(one.name if pen.width > SMALL_PX else "", "foot"), pen.y(one.end_mm)
    foot = min(24.0 * pen.scale, pen.width / 2)
    points = []
    steps = 14 if pen.width > SMALL_PX else 7
    for step in range(1, steps):
        turn = math.pi * step / steps
        x = pen.left + pen.width / 2 * (1 + math.cos(turn))
        points.append(f"{figure(x)} {figure(bottom - foot + foot * math.sin(turn) + chance.uniform(-0.8, 0.8))}")
    side = figure(bottom - foot)
    left, top = figure(pen.left), figure(pen.y(0))
    return f"M{left} {top}H{figure(pen.right)}V{side}L{' '.join(points)} {left} {side}Z"


def _chance(name: str, part: str) -> random.Random:
    """Chance that is the same each time a part of a station is drawn."""
    return random.Random(zlib.crc32(f"{name}/{part}".encode()))


def _thatch_ground(one: Slice, pen: Pen) -> Iterator[str]:
    if one.thatch_mm:
        yield f'<path {_block(pen, 0.0, one.thatch_mm)} fill="var(--thatch)"/>'


def _block(pen: Pen, top_mm: float, bottom_mm: float, wetness: float = MOST_WETNESS) -> str:
    """The `d` of a block from the left cut to a wetness."""
    width = pen.x(wetness) - pen.left
    return (
        f'd="M{figure(pen.left)} {figure(pen.y(top_mm))}h{figure(width)}V{figure(pen.y(bottom_mm))}h{figure(-width)}Z"'
    )


def _strength(one: Slice, strength: float) -> str:
    return f'fill="var(--water)" opacity="{strength * (OLD if one.is_old else 1.0):.2f}"'


def runs(soil: Sequence[Wet], top_mm: float, attribute: str) -> list[list[tuple[float, float]]]:
    """Return depth and wetness along each unbroken run of probes, drawn out to what the run stands for. [mm], [1]

    The first run reaches up to `top_mm`, the last one fades out below the deepest probe; at a gap a run ends close by.
    """
    found = []
    places = [(place, getattr(wet, attribute), wet.depth_mm) for place, wet in enumerate(soil)]
    for known, group in groupby(places, key=lambda one: one[1] is not None):
        if not known:
            continue
        run = list(group)
        (first, first_wetness, begin_mm), (last, last_wetness, finish_mm) = run[0], run[-1]
        above = top_mm if first == 0 else max(top_mm, begin_mm - AROUND_MM)
        below = finish_mm + (FADE_MM if last == len(soil) - 1 else AROUND_MM)
        found.append([(above, first_wetness), *((mm, wetness) for _, wetness, mm in run), (below, last_wetness)])
    return found


def _line(pen: Pen, run: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(pen.at(wetness, depth_mm) for depth_mm, wetness in run)


def _area(pen: Pen, run: Sequence[tuple[float, float]]) -> str:
    left = figure(pen.left)
    return f"M{left} {figure(pen.y(run[0][0]))}L{_line(pen, run)[1:]}L{left} {figure(pen.y(run[-1][0]))}Z"


def _soil_water(one: Slice, pen: Pen) -> Iterator[str]:
    soil = one.soil
    if not any(wet.now is not None for wet in soil):
        return
    key, deep = one.name, soil[-1].depth_mm
    if pen.width > SMALL_PX:  # the wash fades out below the deepest probe; in a small slice it is cut there
        fade = f'y1="{figure(pen.y(deep))}" x2="0" y2="{figure(pen.y(deep + FADE_MM))}"'
        yield (
            f'<linearGradient id="{key}-f" x1="0" {fade} gradientUnits="userSpaceOnUse"><stop stop-color="#fff"/>'
            '<stop offset="1" stop-color="#000"/></linearGradient>'
            f'<mask id="{key}-m" maskUnits="userSpaceOnUse" x="{figure(pen.left)}" y="0" width="{figure(pen.width)}" '
            f'height="{figure(pen.y(one.end_mm))}"><path fill="url(#{key}-f)" {_block(pen, -9.0, one.end_mm)}/></mask>'
            f'<g mask="url(#{key}-m)">'
        )
    else:
        yield "<g>"
    top_mm = one.thatch_mm or 0.0
    for attribute, strength, role in (("high", DOUBTFUL, "high"), ("low", SURE, "low")):
        d = "".join(_area(pen, run) for run in runs(soil, top_mm, attribute))
        yield f'<path data-draw="{role}" d="{d}" {_strength(one, strength)}/>'
    dash = ' stroke-dasharray="2 3"' if one.is_old else ""
    edge = "".join(_line(pen, run) for run in runs(soil, top_mm, "now"))
    thick = 2.2 if pen.large else 1.8
    yield f'<path data-draw="edge" d="{edge}" fill="none" stroke="var(--water)" stroke-width="{thick}"{dash}/></g>'


def _mixed_water(one: Slice, pen: Pen) -> Iterator[str]:
    """What a probe reads of thatch and soil together: a wash of its sensing volume alone, its edges dotted."""
    for wet in one.mixed:
        top_mm, bottom_mm = max(0.0, wet.top_mm), wet.bottom_mm
        if wet.now is not None:
            yield f"<path {_block(pen, top_mm, bottom_mm, wet.now)} {_strength(one, SURE)}/>"
        yield (f'<path {_block(pen, top_mm, bottom_mm)} fill="none" stroke="var(--quiet)" stroke-dasharray="1 3"/>')


def _thatch_water(one: Slice, pen: Pen) -> Iterator[str]:
    if not one.thatch_mm:
        return
    wet = one.thatch
    known = wet is not None and wet.now is not None
    if wet is not None and wet.now is not None:
        for role, bound, strength in (("thatch-high", wet.high, DOUBTFUL), ("thatch-low", wet.low, SURE)):
            reach = wet.now if bound is None else bound
            block = _block(pen, 0.0, one.thatch_mm, reach)
            yield f'<path data-draw="{role}" {block} {_strength(one, strength * 1.4)}/>'
    yield f'<path {_block(pen, 0.0, one.thatch_mm)} fill="url(#hatch)" opacity=".75"/>'
    if known and wet is not None and wet.now is not None:
        x = figure(max(pen.x(wet.now), pen.left + 0.8))
        dash = ' stroke-dasharray="2 3"' if one.is_old else ""
        d = f"M{x} {figure(pen.y(0))}V{figure(pen.y(one.thatch_mm))}"
        thick = 2.8 if pen.large else 2.4
        yield f'<path data-draw="thatch" d="{d}" stroke="var(--water)" stroke-width="{thick}"{dash}/>'


def _roots(one: Slice, pen: Pen) -> Iterator[str]:
    """Fine lines as deep as the roots drink: firm to the low bound, fading to the high one."""
    if one.roots is None:
        return
    _, low_mm, high_mm = one.roots
    chance, key = _chance(one.name, "roots"), one.name
    yield (
        f'<linearGradient id="{key}-r" x1="0" y1="{figure(pen.y(low_mm * 0.9))}" x2="0" '
        f'y2="{figure(pen.y(max(high_mm, low_mm * 0.9 + 1.0)))}" gradientUnits="userSpaceOnUse">'
        '<stop stop-color="var(--root)"/><stop offset="1" stop-color="var(--root)" stop-opacity="0"/></linearGradient>'
    )
    count, d = (13 if pen.large else 9 if pen.width > SMALL_PX else 4), ""
    for number in range(count):
        x = pen.left + pen.width * (number + 0.5 + chance.uniform(-0.25, 0.25)) / count
        d += _root(pen, chance, x, chance.choice((0.4, 0.6, 0.8, 0.9, 1.0, 1.0)) * high_mm)
    yield (
        f'<path d="{d}" fill="none" stroke="url(#{key}-r)" stroke-width="{1.2 if pen.large else 0.95}" '
        'stroke-linecap="round" stroke-linejoin="round"/>'
    )


def _root(pen: Pen, chance: random.Random, x: float, length_mm: float) -> str:
    """One root, swaying as it goes down, with a few side roots."""
    step_mm = max(12.0, length_mm / 9)
    d, depth_mm, sway = f"M{figure(x)} {figure(pen.y(1.0))}", 1.0, chance.uniform(-1.0, 1.0)
    wide = 1.4 if pen.large else 1.0
    while depth_mm < length_mm:
        down_mm = min(step_mm * chance.uniform(0.8, 1.2), length_mm - depth_mm + 0.1)
        sway = -sway * chance.uniform(0.4, 1.1)
        down = down_mm * pen.scale
        d += f"q{figure(sway * 2.4)} {figure(down * 0.4)} {figure(sway * 3.0 * wide)} {figure(down)}"
        depth_mm += down_mm
        if chance.random() < 0.28 and depth_mm < length_mm * 0.75:
            side, far = chance.choice((-1.0, 1.0)), chance.uniform(3.0, 6.0)
            run = chance.uniform(9.0, 14.0) * pen.scale
            d += f"q{figure(side * 1.5)} {figure(run * 0.4)} {figure(side * far)} {figure(run)}"
            d += f"m{figure(-side * far)} {figure(-run)}"
    return d


def _week_ago(one: Slice, pen: Pen) -> Iterator[str]:
    top_mm = one.thatch_mm or 0.0
    d = "".join(_line(pen, run[:-1]) for run in runs(one.soil, top_mm, "ago"))
    if one.thatch_mm and one.thatch is not None and one.thatch.ago is not None:
        d += f"M{pen.at(one.thatch.ago, 0.0)}V{figure(pen.y(one.thatch_mm))}"
    if d:
        yield (
            f'<path data-draw="ago" d="{d}" fill="none" stroke="var(--ink)" stroke-width="1.2" stroke-dasharray="5 3" '
            f'clip-path="url(#{one.name}-c)"/>'
        )


def _outline(one: Slice, pen: Pen) -> Iterator[str]:
    yield (
        f'<path d="M{figure(pen.plumb)} {figure(pen.y(0))}V{figure(pen.y(one.end_mm) - 3)}" stroke="var(--ink)" '
        'stroke-width="1.1" stroke-dasharray="1 3"/>'
        f'<use href="#{one.name}-b" fill="none" stroke="var(--ink)" stroke-width="1.3"/>'
    )
    if one.thatch_mm:
        y = figure(pen.y(one.thatch_mm))
        yield f'<path d="M{figure(pen.left)} {y}h{figure(pen.width)}" stroke="var(--hatch)" stroke-width="1.4"/>'


def _leaf(one: Slice, pen: Pen) -> Iterator[str]:
    """The leaf, cut to its height, over the leaf line."""
    chance = _chance(one.name if pen.width > SMALL_PX else "", "leaf")
    count = max(2, round(pen.width / (3.6 if pen.large else 3.2)))
    height = (UNTOLD_LEAF_MM if one.leaf_mm is None else one.leaf_mm) * pen.scale
    d = ""
    for number in range(count):
        x = pen.left + 1.5 + (pen.width - 3.0) * number / (count - 1)
        lean, tall = chance.uniform(-2.6, 2.6), height * chance.uniform(0.82, 1.04)
        d += (
            f"M{figure(x)} {figure(pen.y(0))}q{figure(lean * 0.2)} {figure(-tall * 0.6)} {figure(lean)} {figure(-tall)}"
        )
    strength = ".3" if one.leaf_mm is None else ".85"
    yield (
        f'<path d="{d}" fill="none" stroke="var(--ink)" stroke-width="1.1" opacity="{strength}"/>'
        f'<path d="M{figure(pen.left - 3)} {figure(pen.y(0))}h{figure(pen.width + 6)}" stroke="var(--ink)" '
        'stroke-width="2"/>'
    )


def _dots(one: Slice, pen: Pen) -> Iterator[str]:
    """Each probe as a tick through the right cut and a dot: filled when heard, hollow when silent or not believed."""
    thatch_heard = one.thatch is not None and one.thatch.is_heard and one.thatch.now is not None
    depths = [(mm, thatch_heard) for mm in one.dots_mm]
    depths += [(wet.depth_mm, wet.is_heard and wet.now is not None) for wet in (*one.mixed, *one.soil)]
    shown = [(figure(pen.y(mm)), heard and not one.is_old) for mm, heard in depths if mm <= one.end_mm]
    if not shown:
        return
    radius, x = (3.4 if pen.large else 3.0 if pen.width > SMALL_PX else 2.2), figure(pen.right + 4)
    ticks = "".join(f"M{figure(pen.right - 5)} {y}h9" for y, _ in shown)
    yield f'<path d="{ticks}" stroke="var(--ink)" stroke-width="1.4"/>'
    # a stroke of no length with round ends is a dot
    for ink, those, wide in (
        ("--ink", [y for y, _ in shown], 2 * radius + 1.3),
        ("--paper", [y for y, heard in shown if not heard], 2 * radius - 1.3),
    ):
        if those:
            d = "".join(f"M{x} {y}h0" for y in those)
            yield f'<path d="{d}" stroke="var({ink})" stroke-width="{figure(wide)}" stroke-linecap="round"/>'


def ruler_svg(pen: Pen, to_mm: float, units: LocalUnits) -> Markup:
    """Return the ticks of the ruler of a row of slices, left of `pen.left`: long, middling and short ones."""
    x = figure(pen.left)
    at = [
        (round(pen.y(mm), 1), (3, 5, 9)[rank]) for mm, rank in units.ticks_mm(to_mm, fine=pen.large and pen.scale > 1.2)
    ]
    steps = pairwise((0.0, *(y for y, _ in at)))  # as they are alike, they pack better than places
    ticks = f"M{x} 0" + "".join(
        f"m0 {figure(y - above)}h-{n}h{n}" for (above, y), (_, n) in zip(steps, at, strict=True)
    )
    return Markup(
        f'<path d="M{x} {figure(pen.y(0))}V{figure(pen.y(int(to_mm)))}" stroke="var(--ink)" stroke-width="1.2"/>'
        f'<path d="{ticks}" stroke="var(--ink)"/>'
    )
