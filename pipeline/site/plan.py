"""The table of the plan of the ground: marks to measure from, what lies buried, and buildings to know one's way by.

Where surfaces, stations and probes lie stands in their own tables (`ground`). All of it is in metres, to the right and
up on the drawing, from one place of the keeper's choice; `north_deg` says where north is on it.
"""

from __future__ import annotations

import datetime
from typing import Annotated, Literal, get_args

from pydantic import BeforeValidator, Field, ValidationInfo, field_validator

from pipeline.site.fields import Setting, Text, expected, several, sound
from pipeline.site.plane import Point, crosses_itself

FURTHEST_M = 2000.0
POINT_WORDS = f"two numbers of metres, to the right and up, each from {-FURTHEST_M:g} to {FURTHEST_M:g}"
Metres = Annotated[float, Field(ge=-FURTHEST_M, le=FURTHEST_M)]
Place = Annotated[tuple[Metres, Metres], Field(strict=False, description=POINT_WORDS)]
_Corners = Annotated[tuple[Place, ...], Field(strict=False, min_length=3, max_length=200)]
BuriedKind = Literal["cable", "pipe", "drain", "box", "thing"]
BURIED_KINDS: tuple[str, ...] = get_args(BuriedKind)
MOST_COVER_MM = 5000.0


def no_crossing(corners: tuple[Point, ...] | None) -> tuple[Point, ...] | None:
    """Return the corners of an outline [m], for a check of a field: refused where two of its sides cross."""
    if corners is not None and crosses_itself(corners):
        raise expected("corners in their order round the outline, so that no two of its sides cross")
    return corners


CORNER_WORDS = f"3 to 200 corners in their order round it, each {POINT_WORDS}"
Outline = Annotated[_Corners, Field(description=CORNER_WORDS)]


class Mark(Setting):
    """A fixed mark that a tape is drawn from, called by one letter, and where it is in words."""

    letter: Annotated[str, Field(description="one capital letter"), sound(lambda t: len(t) == 1 and "A" <= t <= "Z")]
    title: Text
    at_m: Place


def _date(value: object) -> object:
    if type(value) is not datetime.date:
        raise ValueError("no date")
    return value


class BuriedThing(Setting):
    """Something long or single that lies buried: its kind, its way from bend to bend [m], and its cover there. [mm]

    `cover_mm` has one number for each point of the way, or one for all; None where nobody measured it. Between two
    points it changes evenly. `measured` is the day on which it was.
    """

    title: Text
    kind: BuriedKind
    path_m: Annotated[
        tuple[Place, ...],
        Field(strict=False, min_length=1, max_length=100, description=f"1 to 100 points, each {POINT_WORDS}"),
    ]
    cover_mm: Annotated[
        tuple[Annotated[float, Field(ge=0.0, le=MOST_COVER_MM)], ...] | None,
        Field(
            strict=False,
            description=f"numbers from 0 to {MOST_COVER_MM:g}, one for each point of path_m or one for all",
        ),
    ] = None
    measured: Annotated[
        datetime.date | None,
        BeforeValidator(_date),
        Field(description="a date without a time, as 2026-03-14 (no quotes)"),
    ] = Field(None, validate_default=False)

    @field_validator("cover_mm")
    @classmethod
    def _for_each_point(cls, cover: tuple[float, ...] | None, info: ValidationInfo) -> tuple[float, ...] | None:
        points = info.data.get("path_m")
        if cover is None or points is None:
            return cover
        if len(cover) not in (1, len(points)):
            words = "one number" if len(points) == 1 else f"one number, or {len(points)}: one for each point of path_m"
            raise expected(words, found=list(cover))
        return cover * (len(points) // len(cover))


class Building(Setting):
    """What stands on the ground and is drawn to know one's way by: a shed, a pavilion, nets."""

    title: Text
    corners_m: Outline

    @field_validator("corners_m")
    @classmethod
    def _without_crossing(cls, corners: tuple[Point, ...]) -> tuple[Point, ...] | None:
        return no_crossing(corners)


class Plan(Setting):
    """The plan of the ground. `origin` says in words where the metres are counted from."""

    origin: Text | None = None
    north_deg: float = Field(0.0, ge=0.0, le=360.0)
    marks: tuple[Mark, ...] = Field((), alias="mark", max_length=4, strict=False)
    buried: tuple[BuriedThing, ...] = Field((), max_length=200, strict=False)
    buildings: tuple[Building, ...] = Field((), alias="building", max_length=50, strict=False)

    @field_validator("marks")
    @classmethod
    def _apart(cls, marks: tuple[Mark, ...]) -> tuple[Mark, ...]:
        lines = []
        for number, mark in enumerate(marks):
            for other in marks[:number]:
                if mark.letter == other.letter:
                    lines.append(f"[{number}].letter: found {mark.letter!r}, expected a letter that no other mark has")
                elif mark.at_m == other.at_m:
                    lines.append(f"[{number}].at_m: found the place of mark {other.letter}, expected one of its own")
        if lines:
            raise several(lines)
        return marks
