"""Geometry of the plan of the ground, in metres: outlines, what of a line lies inside one, and a place by two tapes.

Pure. A point is (metres to the right, metres up). An outline is the corners in order round it, without the first again
at the end.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

Point = tuple[float, float]
NEAR = 1e-9
OVAL_CORNERS = 72  # of the outline that stands for an oval: off by 1 in 1000 of its half width
TAPE_ERROR_M = 0.05  # of one tape laid over turf, sag and reading: our own choice


def crossing(a: Point, b: Point, c: Point, d: Point) -> float | None:
    """Return where the line from a to b meets that from c to d, as a share of the way from a. [1] None: nowhere.

    Lines side by side, or one upon the other, do not meet.
    """
    along, other = (b[0] - a[0], b[1] - a[1]), (d[0] - c[0], d[1] - c[1])
    turn = along[0] * other[1] - along[1] * other[0]
    if abs(turn) < NEAR:
        return None
    to = (c[0] - a[0], c[1] - a[1])
    t, u = (to[0] * other[1] - to[1] * other[0]) / turn, (to[0] * along[1] - to[1] * along[0]) / turn
    return t if -NEAR <= t <= 1 + NEAR and -NEAR <= u <= 1 + NEAR else None


def sides(outline: Sequence[Point]) -> list[tuple[Point, Point]]:
    """Return the sides of an outline, the last one back to its first corner."""
    return list(pairwise([*outline, outline[0]]))


def area_m2(outline: Sequence[Point]) -> float:
    """Return the area of an outline, by the shoelace formula. [m2]"""
    return abs(math.fsum(a[0] * b[1] - b[0] * a[1] for a, b in sides(outline))) / 2


def crosses_itself(outline: Sequence[Point]) -> bool:
    """Return whether two sides of an outline that do not share a corner meet, or it encloses nothing."""
    all_sides = sides(outline)
    count = len(all_sides)
    met = any(
        crossing(*all_sides[i], *all_sides[j]) is not None
        for i in range(count)
        for j in range(i + 2, count)
        if (i, j) != (0, count - 1)
    )
    return met or area_m2(outline) < NEAR


def oval(middle: Point, half_width: float, half_height: float) -> list[Point]:
    """Return an oval as an outline. [m]"""
    turns = [2 * math.pi * corner / OVAL_CORNERS for corner in range(OVAL_CORNERS)]
    return [(middle[0] + half_width * math.cos(t), middle[1] + half_height * math.sin(t)) for t in turns]


def is_inside(point: Point, outline: Sequence[Point]) -> bool:
    """Return whether a point lies inside an outline; on its edge it may be either."""
    x, y = point
    left = [(ay > y) != (by > y) and x < ax + (bx - ax) * (y - ay) / (by - ay) for (ax, ay), (bx, by) in sides(outline)]
    return sum(left) % 2 == 1


def parts_inside(a: Point, b: Point, outline: Sequence[Point]) -> list[tuple[float, float]]:
    """Return begin and end of each part of the line from a to b inside an outline, as shares of the way from a. [1]"""
    met = [t for side in sides(outline) if (t := crossing(a, b, *side)) is not None]
    edges = sorted({0.0, 1.0, *(min(max(t, 0.0), 1.0) for t in met)})
    found: list[tuple[float, float]] = []
    for first, last in pairwise(edges):
        middle = (first + last) / 2
        if last - first < NEAR or not is_inside(_between(a, b, middle), outline):
            continue
        if found and abs(found[-1][1] - first) < NEAR:
            found[-1] = (found[-1][0], last)
        else:
            found.append((first, last))
    return found


def off_outline_m(point: Point, outline: Sequence[Point]) -> float:
    """Return how far a point lies outside an outline; 0 inside. [m]"""
    return 0.0 if is_inside(point, outline) else min(_off_line_m(point, *side) for side in sides(outline))


def _between(a: Point, b: Point, share: float) -> Point:
    return a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share


def _off_line_m(point: Point, a: Point, b: Point) -> float:
    along = (b[0] - a[0], b[1] - a[1])
    length2 = along[0] ** 2 + along[1] ** 2
    share = ((point[0] - a[0]) * along[0] + (point[1] - a[1]) * along[1]) / length2 if length2 else 0.0
    return math.dist(point, _between(a, b, min(max(share, 0.0), 1.0)))


# --- two tapes -------------------------------------------------------------------------------------------------------


def is_left(a: Point, b: Point, point: Point) -> bool:
    """Return whether a point lies to the left of whoever stands at a and looks to b."""
    return (b[0] - a[0]) * (point[1] - a[1]) - (b[1] - a[1]) * (point[0] - a[0]) >= 0.0


def by_tapes(a: Point, b: Point, from_a_m: float, from_b_m: float, *, left: bool) -> Point | None:
    """Return the place that is so far from a and from b; None where the two tapes do not meet. [m]

    Of the two places that are, `left` takes the one to the left of whoever stands at a and looks to b.
    """
    apart = math.dist(a, b)
    if apart < NEAR:
        return None
    along = (from_a_m**2 - from_b_m**2 + apart**2) / (2 * apart)
    aside2 = from_a_m**2 - along**2
    if aside2 < -NEAR * max(from_a_m**2, 1.0):
        return None
    aside = math.sqrt(max(aside2, 0.0)) * (1 if left else -1)
    ahead = ((b[0] - a[0]) / apart, (b[1] - a[1]) / apart)
    return a[0] + along * ahead[0] - aside * ahead[1], a[1] + along * ahead[1] + aside * ahead[0]


def tape_reach_m(a: Point, b: Point, point: Point) -> float | None:
    """Return how far off a place found by tapes from a and b may be; None where they lie in one line. [m]

    Each tape may be out by `TAPE_ERROR_M`. Where they meet at an angle g, the place is then off by at most that over
    the lesser of sin(g/2) and cos(g/2): both tapes too long by it, or one too long and the other too short.
    """
    lengths = math.dist(a, point), math.dist(b, point)
    if min(lengths) < NEAR:
        return TAPE_ERROR_M
    cosine = ((a[0] - point[0]) * (b[0] - point[0]) + (a[1] - point[1]) * (b[1] - point[1])) / (lengths[0] * lengths[1])
    half = math.acos(min(max(cosine, -1.0), 1.0)) / 2
    least = min(math.sin(half), math.cos(half))
    return None if least < 1e-3 else TAPE_ERROR_M / least
