"""The kinds of pass, planned passes, and the bounds that a site or surface sets in place of the usual ones.

`PassFacts` is a table of passes.toml; `PlannedPass` and `OwnBound` are tables of the settings file that name its kinds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Annotated, Literal, get_args

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, field_validator

from pipeline.site.fields import Month, Setting, Text, as_written, expected, one_of, several

SurfaceKind = Literal["square", "outfield", "green", "pitch", "lawn"]
GrassSeason = Literal["cool", "warm"]
BoundKey = tuple[str, str, str]  # pass, variant, condition; an empty variant means every variant


@dataclass(frozen=True, slots=True)
class Bounds:
    """Four bounds of one condition, in its unit; infinite where they do not bind."""

    open_lo: float = -math.inf
    open_hi: float = math.inf
    closed_lo: float = -math.inf
    closed_hi: float = math.inf

    def faults(self) -> list[str]:
        """Return the faults of the bounds, as `found, expected`."""
        named = (self.closed_lo, self.open_lo, self.open_hi, self.closed_hi)
        if any(math.isnan(b) for b in named):
            return [f"found {named}, expected numbers"]
        found = []
        if not self.open_lo <= self.open_hi:
            found.append(f"found open from {self.open_lo:g} to {self.open_hi:g}, expected a range that rises")
        if self.closed_lo > self.open_lo or self.closed_hi < self.open_hi:
            found.append(
                f"found closed outside {self.closed_lo:g} to {self.closed_hi:g}, expected no part of "
                f"{self.open_lo:g} to {self.open_hi:g} to be closed"
            )
        return found


BRUSHED_MM = 1.0  # a pass no deeper goes over the turf
EDGES = {one.name for one in fields(Bounds)}
Edge = Annotated[float | None, Field(allow_inf_nan=True)]


class Edges(Setting):
    """The edges of a condition that are written; one left out stays."""

    open_lo: Edge = None
    open_hi: Edge = None
    closed_lo: Edge = None
    closed_hi: Edge = None

    @property
    def edges(self) -> Mapping[str, float]:
        """Return the edges that are written, by name."""
        return self.model_dump(include=EDGES, exclude_none=True)


class SurfaceBound(Edges):
    """Bounds of one condition of a pass that are others on some kinds of surface; an edge left out stays.

    `variant` is empty for every variant.
    """

    surfaces: tuple[SurfaceKind, ...] = Field(
        strict=False, description=f"surfaces out of {', '.join(get_args(SurfaceKind))}"
    )
    condition: str = Field(description="the name of a condition")
    variant: str = Field("", description="the name of a variant")

    def over(self, bounds: Bounds) -> Bounds:
        """Return the bounds with the changes made."""
        return replace(bounds, **self.edges)


def _span(value: object) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2 or not all(type(v) in (int, float) for v in value):
        raise ValueError("not what the description says")
    if not 0.0 <= value[0] <= value[1]:
        raise ValueError("not what the description says")
    return float(value[0]), float(value[1])


Span = Annotated[
    tuple[float, float], BeforeValidator(_span), Field(description="two numbers, 0 or more, that do not fall")
]
UsualMonths = Annotated[tuple[Month, ...], Field(strict=False, description="a list of months, 1 to 12")]


class PassFacts(Setting):
    """What one kind of pass asks of the turf: a table of passes.toml.

    Attributes
    ----------
    title, doing : str
        In words; and as the subject of a sentence.
    depth_mm : (float, float)
        Usual range. [mm]
    months_cool, months_warm : tuple of int
        Usual months of the northern hemisphere, by kind of grass. They are told, and decide nothing.
    heal_growth_days : mapping
        By variant, range of growth-days to 95 % healed. [d]
    grass : mapping
        By variant, the grass it can be done on; both where nothing is said.
    seedling_weeks : float
        Closed on seedlings younger than this; 0 when they do not matter. [weeks]
    needs_water, needs_roots, closed_on_square_in_season, spikes_a_finished_pitch, heals_out_of_growth, sows : bool
        See `locks` and `windows`.
    before_season_weeks : float
        Work of a square alone, in so many weeks before its play begins; 0 for work of any time and surface. [weeks]
    look_first : str
        What a person looks for before it, beside what the conditions ask; empty for nothing.
    square_caution : str
        What speaks against it on a square, where it is not closed; empty for nothing.
    wait_notes : mapping
        By condition, what may still be done while it waits.
    surface_bounds : tuple of SurfaceBound
    """

    title: Text
    doing: Text
    depth_mm: Span
    months_cool: UsualMonths
    months_warm: UsualMonths
    heal_growth_days: dict[str, Span] = Field(min_length=1, description="at least one variant, with two numbers")
    grass: dict[str, Annotated[tuple[GrassSeason, ...], Field(strict=False)]] = Field(
        {}, description="by variant, a list with some of cool, warm"
    )
    seedling_weeks: float = Field(0.0, ge=0.0)
    needs_water: bool = False
    needs_roots: bool = False
    closed_on_square_in_season: bool = False
    spikes_a_finished_pitch: bool = False
    heals_out_of_growth: bool = False
    sows: bool = False
    before_season_weeks: float = Field(0.0, ge=0.0)
    look_first: str = ""
    square_caution: str = ""
    wait_notes: dict[str, str] = Field({}, description="by condition, a text")
    surface_bounds: tuple[SurfaceBound, ...] = Field((), max_length=100, strict=False)

    @field_validator("grass")
    @classmethod
    def _of_variants(
        cls, grass: dict[str, tuple[GrassSeason, ...]], info: ValidationInfo
    ) -> dict[str, tuple[GrassSeason, ...]]:
        variants = info.data.get("heal_growth_days", grass)
        if not set(grass) <= set(variants):
            raise ValueError("not what the description says")
        return {name: grass.get(name, get_args(GrassSeason)) for name in variants}

    @property
    def variants(self) -> tuple[str, ...]:
        """Its variants; `standard` where there is but one."""
        return tuple(self.heal_growth_days)

    @property
    def wounds(self) -> bool:
        """Whether it cuts or pierces the turf, which then has to heal; a brush, a dressing and seed do not."""
        return self.depth_mm[1] > BRUSHED_MM and not self.sows

    @property
    def months(self) -> Mapping[str, tuple[int, ...]]:
        """Usual months by kind of grass."""
        return {"cool": self.months_cool, "warm": self.months_warm}


class PlannedPass(Setting):
    """An intended pass on a surface: kind, variant, and depth of the cut below the leaf base.

    Left out, the variant is the first of the kind, and the depth the deepest that is usual.
    """

    kind: str = as_written(None)
    variant: str = as_written(None)
    depth_mm: float = as_written(None, ge=0.0, le=400.0)

    @field_validator("kind", mode="before")
    @classmethod
    def _kind_is_known(cls, kind: object, info: ValidationInfo) -> object:
        if info.context is not None and (not isinstance(kind, str) or kind not in info.context.known.passes):
            raise expected(one_of(kind, info.context.known.passes))
        return kind

    @field_validator("variant", mode="before")
    @classmethod
    def _variant_is_known(cls, variant: object, info: ValidationInfo) -> object:
        if info.context is None or "kind" not in info.data:
            return variant or ""
        variants = info.context.known.passes[info.data["kind"]].variants
        if variant is not None and variant not in variants:
            raise expected(one_of(variant, variants))
        return variants[0] if variant is None else variant

    @field_validator("depth_mm", mode="before")
    @classmethod
    def _usual_depth(cls, depth_mm: object, info: ValidationInfo) -> object:
        if depth_mm is not None or info.context is None:
            return depth_mm
        return info.context.known.passes[info.data["kind"]].depth_mm[1] if "kind" in info.data else 0.0

    @property
    def depth_m(self) -> float:
        return self.depth_mm / 1000


class OwnBound(Setting):
    """Edges of one condition of a pass that stand in place of those of treatments.csv; an edge left out stays."""

    kind: Text = Field(alias="pass")
    variant: Text = Field("", validate_default=False)
    condition: Text
    why: Text = Field("", validate_default=False)
    open_lo: float | None = Field(None, ge=-math.inf, le=math.inf, allow_inf_nan=True)
    open_hi: float | None = Field(None, ge=-math.inf, le=math.inf, allow_inf_nan=True)
    closed_lo: float | None = Field(None, ge=-math.inf, le=math.inf, allow_inf_nan=True)
    closed_hi: float | None = Field(None, ge=-math.inf, le=math.inf, allow_inf_nan=True)

    @property
    def key(self) -> BoundKey:
        return self.kind, self.variant, self.condition

    @property
    def edges(self) -> Mapping[str, float]:
        """Return the edges that are written, by name."""
        return self.model_dump(include=EDGES, exclude_none=True)


def _one_of_each(bounds: tuple[OwnBound, ...]) -> tuple[OwnBound, ...]:
    keys = [bound.key for bound in bounds]
    words = "expected one bound for each pass, variant and condition"
    lines = [f"[{i}].condition: found {key[2]!r}, {words}" for i, key in enumerate(keys) if key in keys[:i]]
    if lines:
        raise several(lines)
    return bounds


OwnBounds = Annotated[tuple[OwnBound, ...], Field(max_length=500, strict=False), AfterValidator(_one_of_each)]
