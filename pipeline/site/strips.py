"""Strips of a square: their numbers as people write them, and the one that a point of the plan lies on. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence

from pipeline.site.plane import Point, is_inside

_NAMED = re.compile(r"\bstrips?\s+((?:\d+|to|and|[-,&\s\N{EN DASH}])+)", re.IGNORECASE)
_RANGE = re.compile(r"(\d+)(?:\s*(?:-|to|\N{EN DASH})\s*(\d+))?")


def strip_numbers(text: str) -> tuple[int, ...]:
    """Return the strips that a text names by number, in order: `4 to 6` or `2, 5`.

    [1] A number of more than two figures is none.
    """
    named = {
        number
        for first, last in _RANGE.findall(text)
        if len(first) <= 2 and len(last) <= 2
        for number in range(int(first), int(last or first) + 1)
    }
    return tuple(sorted(number for number in named if number >= 1))


def strips_named(text: str) -> tuple[int, ...]:
    """Return the strips [1] that a fixture of a calendar names behind the word: `Cup, strip 4` or `strips 4 to 6`."""
    return tuple(sorted({number for found in _NAMED.findall(text) for number in strip_numbers(found)}))


def strip_edge(corners: Sequence[Sequence[float]], strips: int, number: int) -> list[Point]:
    """Return the edge between a strip and the next, from the side of the first two corners to the other. [m]

    Parameters
    ----------
    corners : sequence of (float, float)
        The four of the outline: strips lie side by side from the first to the second. [m]
    strips, number : int
        How many there are, and the strip, from 1; 0 for the edge before the first.
    """
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners
    share = number / strips
    return [(ax + (bx - ax) * share, ay + (by - ay) * share), (dx + (cx - dx) * share, dy + (cy - dy) * share)]


def strip_at(corners: Sequence[Sequence[float]], strips: int, point: Point) -> int | None:
    """Return the strip that a point lies on, from 1; None where it lies on none. Parameters as of `strip_edge`. [m]"""
    for number in range(1, strips + 1):
        here = [*strip_edge(corners, strips, number - 1), *reversed(strip_edge(corners, strips, number))]
        if is_inside(point, here):
            return number
    return None
