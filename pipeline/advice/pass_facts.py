"""What each kind of pass is for and what it asks of the turf, read from the text of passes.toml.

Bounds stand in treatments.csv, not here. This module must not open a file: it is handed the text.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from pipeline.advice.verdicts import Bounds

GRASSES = ("cool", "warm")
SURFACES = ("square", "outfield", "green", "pitch", "lawn")
_FILE = "passes.toml"
_FLAGS = (
    "needs_water", "needs_roots", "never_on_square", "closed_on_square_in_season", "spikes_a_finished_pitch",
    "heals_out_of_growth", "sows",
)  # fmt: skip
_TEXTS = ("title", "doing", "season_cool", "season_warm", "aftercare", "failed")
_LISTS = ("aims", "depth_mm", "spacing_mm", "months_cool", "months_warm")
_TABLES = ("heal_growth_days", "grass", "wait_notes", "surface_bounds")
_BOUNDS = ("open_lo", "open_hi", "closed_lo", "closed_hi")


@dataclass(frozen=True, slots=True)
class PassFacts:
    """What one kind of pass is for and asks of the turf.

    Attributes
    ----------
    name, title, doing : str
        Slug; in words; and as the subject of a sentence.
    aims : tuple of str
    depth_mm, spacing_mm : (float, float)
        Usual range. [mm]
    season : mapping
        In words, by kind of grass, "cool" and "warm".
    months : mapping
        Usual months of the northern hemisphere, by kind of grass. They are told, and decide nothing.
    aftercare, failed : str
    heal_growth_days : mapping
        By variant, range of growth-days to 95 % healed. [d]
    grass : mapping
        By variant, the grass it can be done on.
    seedling_weeks : float
        Closed on seedlings younger than this; 0 when they do not matter. [weeks]
    needs_water, needs_roots, never_on_square, closed_on_square_in_season, spikes_a_finished_pitch, heals_out_of_growth,
    sows : bool
        See `locks` and `windows`.
    wait_notes : mapping
        By condition, what may still be done while it waits.
    """

    name: str
    title: str
    doing: str
    aims: tuple[str, ...]
    depth_mm: tuple[float, float]
    spacing_mm: tuple[float, float]
    season: Mapping[str, str]
    months: Mapping[str, tuple[int, ...]]
    aftercare: str
    failed: str
    heal_growth_days: Mapping[str, tuple[float, float]]
    grass: Mapping[str, tuple[str, ...]]
    seedling_weeks: float = 0.0
    needs_water: bool = False
    needs_roots: bool = False
    never_on_square: bool = False
    closed_on_square_in_season: bool = False
    spikes_a_finished_pitch: bool = False
    heals_out_of_growth: bool = False
    sows: bool = False
    wait_notes: Mapping[str, str] = field(default_factory=dict)

    @property
    def variants(self) -> tuple[str, ...]:
        """Its variants; `standard` where there is but one."""
        return tuple(self.heal_growth_days)


@dataclass(frozen=True, slots=True)
class SurfaceBound:
    """Bounds to be changed on some kinds of surface; bounds not named stay. `variant` is empty for every one."""

    surfaces: tuple[str, ...]
    kind: str
    variant: str
    condition: str
    changed: Mapping[str, float]

    def over(self, bounds: Bounds) -> Bounds:
        """The bounds with the changes made."""
        return Bounds(*(self.changed.get(name, getattr(bounds, name)) for name in _BOUNDS))


class _Reader:
    """Takes values out of one pass's table and notes what is wrong."""

    def __init__(self, kind: str, table: Mapping[str, Any], faults: list[str]) -> None:
        self.kind, self.table, self.faults = kind, table, faults
        known = (*_FLAGS, *_TEXTS, *_LISTS, *_TABLES, "seedling_weeks")
        for key in table:
            if key not in known:
                near = difflib.get_close_matches(key, known, 1)
                self.fault(key, "an unknown key", repr(near[0]) if near else f"one of {', '.join(known)}")

    def fault(self, key: str, found: object, expected: str) -> None:
        self.faults.append(f"{_FILE}: {self.kind}.{key}: found {found}, expected {expected}")

    def text(self, key: str) -> str:
        value = self.table.get(key)
        if not isinstance(value, str):
            self.fault(key, repr(value), "text")
            return ""
        return value

    def flag(self, key: str) -> bool:
        value = self.table.get(key, False)
        if not isinstance(value, bool):
            self.fault(key, repr(value), "true or false")
        return value is True

    def texts(self, key: str, value: object) -> tuple[str, ...]:
        if not isinstance(value, list) or not value or not all(isinstance(v, str) for v in value):
            self.fault(key, repr(value), "a list of texts")
            return ()
        return tuple(value)

    def span(self, key: str, value: object) -> tuple[float, float]:
        numbers = [v for v in value if _is_number(v)] if isinstance(value, list) else []
        if not isinstance(value, list) or len(value) != 2 or len(numbers) != 2 or not 0.0 <= numbers[0] <= numbers[1]:
            self.fault(key, repr(value), "two numbers, 0 or more, that do not fall")
            return (0.0, 0.0)
        return float(numbers[0]), float(numbers[1])

    def months(self, key: str) -> tuple[int, ...]:
        value = self.table.get(key)
        if not isinstance(value, list) or not all(isinstance(v, int) and 1 <= v <= 12 for v in value):
            self.fault(key, repr(value), "a list of months, 1 to 12")
            return ()
        return tuple(value)

    def named(self, key: str) -> Mapping[str, Any]:
        value = self.table.get(key, {})
        if not isinstance(value, dict):
            self.fault(key, repr(value), "a table")
            return {}
        return value


def parse_facts(text: str) -> tuple[dict[str, PassFacts], list[SurfaceBound], list[str]]:
    """Every kind of pass, what changes on some surfaces, and every fault as `file: key: found, expected`.

    Parameters
    ----------
    text : str
        Of passes.toml.

    Returns
    -------
    facts, surface_bounds, faults
        To be used only when there are no faults.
    """
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as err:
        return {}, [], [f"{_FILE}: found no TOML ({err}), expected one table a pass"]
    facts: dict[str, PassFacts] = {}
    bounds: list[SurfaceBound] = []
    faults: list[str] = []
    for kind, table in tables.items():
        if not isinstance(table, dict):
            faults.append(f"{_FILE}: {kind}: found {table!r}, expected a table")
            continue
        reader = _Reader(kind, table, faults)
        facts[kind] = _facts(reader)
        bounds += _surface_bounds(reader)
    return facts, bounds, faults


def _facts(reader: _Reader) -> PassFacts:
    kind, table = reader.kind, reader.table
    heal = {name: reader.span(f"heal_growth_days.{name}", v) for name, v in reader.named("heal_growth_days").items()}
    if not heal:
        reader.fault("heal_growth_days", "no variant", "at least one, such as standard")
    grass = {name: reader.texts(f"grass.{name}", v) for name, v in reader.named("grass").items()}
    for name, kinds in grass.items():
        if name not in heal or not set(kinds) <= set(GRASSES):
            reader.fault(f"grass.{name}", list(kinds), f"a variant with some of {', '.join(GRASSES)}")
    weeks = table.get("seedling_weeks", 0)
    if not _is_number(weeks) or weeks < 0:
        reader.fault("seedling_weeks", repr(weeks), "a number of weeks, 0 or more")
        weeks = 0
    notes = {c: str(note) for c, note in reader.named("wait_notes").items()}
    return PassFacts(
        name=kind,
        title=reader.text("title"),
        doing=reader.text("doing"),
        aims=reader.texts("aims", table.get("aims")),
        depth_mm=reader.span("depth_mm", table.get("depth_mm")),
        spacing_mm=reader.span("spacing_mm", table.get("spacing_mm")),
        season={g: reader.text(f"season_{g}") for g in GRASSES},
        months={g: reader.months(f"months_{g}") for g in GRASSES},
        aftercare=reader.text("aftercare"),
        failed=reader.text("failed"),
        heal_growth_days=MappingProxyType(heal),
        grass=MappingProxyType({name: grass.get(name, GRASSES) for name in heal}),
        seedling_weeks=float(weeks),
        wait_notes=MappingProxyType(notes),
        **{flag: reader.flag(flag) for flag in _FLAGS},
    )


def _surface_bounds(reader: _Reader) -> list[SurfaceBound]:
    found: list[SurfaceBound] = []
    listed = reader.table.get("surface_bounds", [])
    for number, table in enumerate(listed if isinstance(listed, list) else [listed]):
        key = f"surface_bounds.{number}"
        if not isinstance(table, dict):
            reader.fault(key, repr(table), "a table")
            continue
        unknown = set(table) - {"surfaces", "condition", "variant", *_BOUNDS}
        changed = {name: float(table[name]) for name in _BOUNDS if _is_number(table.get(name))}
        surfaces = reader.texts(f"{key}.surfaces", table.get("surfaces"))
        if unknown or not set(surfaces) <= set(SURFACES) or len(changed) != len(set(table) & set(_BOUNDS)):
            reader.fault(key, table, f"surfaces out of {', '.join(SURFACES)}, condition and bounds as numbers")
            continue
        variant, condition = str(table.get("variant", "")), str(table.get("condition", ""))
        found.append(SurfaceBound(surfaces, reader.kind, variant, condition, MappingProxyType(changed)))
    return found


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and not math.isnan(value)
