"""Strips of a square: their numbers as people write them, and the one that a point of the plan lies on. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence

from pipeline.site.plane import Point, is_inside

# What is no strip: `2nd`, `14:00`, `2.30`, `12/5`, and a number before what it counts.
_COUNTS = (
    r"am|pm|a\.m|p\.m|noon|o'?clock|h|hrs?|hours?|min|minutes?|overs?|balls|days|innings|wickets|players|teams|"
    r"mm|cm|m|metres?|yards?|yds?|%|a[ -]side|jan\w*|feb\w*|mar|march|apr\w*|may|june?|july?|aug\w*|sep\w*|oct\w*|"
    r"nov\w*|dec\w*"
)
_NUMBER = rf"(?<![\w.:/])\d{{1,2}}(?![\w:/]|\.\d|-[^\W\d]|\s*(?:{_COUNTS})(?!\w))"
_TO = r"\s*(?:-|to\b|\N{EN DASH})\s*"
_RANGE = re.compile(rf"({_NUMBER})(?:{_TO}({_NUMBER}))?", re.IGNORECASE)
_EACH = rf"{_NUMBER}(?:{_TO}{_NUMBER})?"
_NAMED = re.compile(
    rf"\b(?:strips?|pitch(?:es)?)\s*(?:nos?\b\.?|numbers?\b|#)?\s*({_EACH}(?:\s*(?:,?\s*and\b|,|&)\s*{_EACH})*)",
    re.IGNORECASE,
)


def strip_numbers(text: str) -> tuple[int, ...]:
    """Return the strips that a text names by number, in order: `4 to 6` or `2, 5`.

    [1] A number of more than two figures is none, nor one that a letter, a colon or what it counts comes behind: `2nd`,
    `14:00`, `40 overs`.
    """
    named = {number for first, last in _RANGE.findall(text) for number in range(int(first), int(last or first) + 1)}
    return tuple(sorted(number for number in named if number >= 1))


def strips_named(*texts: str) -> tuple[int, ...]:
    """Return the strips [1] that a fixture of a calendar names behind the word, in its title or its place.

    `Cup, strip 4`, `strips 4 to 6`, `pitch no. 4`: each text is read by itself.
    """
    found = (numbers for text in texts for numbers in _NAMED.findall(text))
    return tuple(sorted({number for numbers in found for number in strip_numbers(numbers)}))


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
