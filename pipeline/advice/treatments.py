"""Kinds of pass, what each is for, and the bounds within which each is open, waits or is closed.

Read once from treatments.csv and passes.toml beside it; pure from then on. A row holds four bounds of one condition. A
value from `open_lo` to `open_hi` is open, one below `closed_lo` or above `closed_hi` is closed, and what is in neither
waits; so an edge belongs to the better side. An empty bound does not bind. This module must not know where a value
comes from, nor say when: see `measures` and `windows`.

Holes of the table of common practice that the rows were made from, and how they are closed:

- Thatch drier than the open range where no lower closing bound was given (brushing, coring, tining, slitting,
  dressing): waits. Dry thatch harms the job, not the turf.
- Soil from 1.05 to 1.1 under slitting waits; below 0.5 it closes on clay only, elsewhere it waits.
- Seedbed: too dry closes only where no water is to hand; with water to hand it waits. Between the bounds without water
  it waits for rain. "No rain" is less than 0.2 mm in 48 hours, one tip of a usual gauge.
- Seedbed rain of 8 mm and more in 48 hours waits without an upper end; only 15 mm within 24 hours washes out and
  closes.
- "Frozen" is a daily mean below 0 degC at 50 mm, or ground below 0 degC at the moment; from 0 to 0.5 degC ground may
  still hold ice and waits. "Frost" is a surface below 0.5 degC, "hard frost" one below -4 degC (from memory); it closes
  passes that ask for a week or more without frost. Brushing waits for 2 degC, when the leaf has thawed.
- Dressing above its open temperature, up to 24 degC: waits. Heavy dressing in growth from 0.2 to 0.5: waits.
- Dressing with 1 mm or more on the day: closed (the table stops at "less than 1 waits").
- Growth to come below 1 for tining and slitting waits; out of growth (7-day mean below 0.1) neither is asked for it.
- Lead times between whole days (verticutting 2 to 3, slitting 0 to 1 and so on): below the last whole day that waits is
  closed, above it waits.
- Active disease under tining or slitting closes in the wet and waits in the dry. Scars before heavy dethatching wait.
- "On the day" is the 12 hours from the start of the job. A wheel mark between a faint print and water at the boot waits
  for brushing.
- Winter loam or sand on pitches: soil below 8 degC waits there instead of closing.
- Warm-season seed has the rows of ryegrass but for soil temperature; winter rye into warm turf opens from 10 to 23 degC
  while the soil is cooling, and closes below 8 and above 25 degC as rye does elsewhere.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Any

from pipeline.advice.conditions import CONDITIONS, Row
from pipeline.site.models import (
    BoundKey,
    Bounds,
    PassFacts,
)

GRASS_SEASONS = ("cool", "warm")
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
        if name not in heal or not set(kinds) <= set(GRASS_SEASONS):
            reader.fault(f"grass.{name}", list(kinds), f"a variant with some of {', '.join(GRASS_SEASONS)}")
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
        season={g: reader.text(f"season_{g}") for g in GRASS_SEASONS},
        months={g: reader.months(f"months_{g}") for g in GRASS_SEASONS},
        aftercare=reader.text("aftercare"),
        failed=reader.text("failed"),
        heal_growth_days=MappingProxyType(heal),
        grass=MappingProxyType({name: grass.get(name, GRASS_SEASONS) for name in heal}),
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


DefaultPass = tuple[str, str, float]  # kind, variant, depth of the cut below the leaf base [m]

_BRUSH: DefaultPass = ("light_raking", "standard", 0.0)
_LIGHT_DRESSING: DefaultPass = ("topdressing", "light", 0.0)
_HEAVY_DRESSING: DefaultPass = ("topdressing", "heavy", 0.0)
_SLIT: DefaultPass = ("slitting", "standard", 0.100)
_CORE: DefaultPass = ("hollow_coring", "13mm", 0.080)
_VERTICUT: DefaultPass = ("verticutting", "standard", 0.0015)

# Depths: verticutting 1.5 mm is typical and a square is scarified 8 to 13 mm and tined to 100 or 125 mm, greens,
# outfields and lawns 5 to 10 mm for a season's thatch (trade press, the Northern Cricket Union's notes of 2010, the
# Grounds Management Association); the rest common practice, no source.
_COOL: Mapping[str, tuple[DefaultPass, ...]] = {
    "square": (
        _BRUSH, _VERTICUT, ("scarifying", "standard", 0.010), ("heavy_dethatching", "standard", 0.020),
        ("solid_tining", "12mm", 0.100), _HEAVY_DRESSING, ("overseeding", "rye", 0.004),
    ),
    "outfield": (
        _BRUSH, ("scarifying", "standard", 0.008), ("solid_tining", "12mm", 0.100), _CORE, _SLIT,
        ("overseeding", "rye", 0.004),
    ),
    "green": (
        _BRUSH, _VERTICUT, ("scarifying", "standard", 0.006), ("hollow_coring", "13mm", 0.075),
        ("solid_tining", "needle", 0.100), _SLIT, _LIGHT_DRESSING, _HEAVY_DRESSING,
        ("overseeding", "bent_fescue", 0.003),
    ),
    "pitch": (
        _BRUSH, ("scarifying", "standard", 0.008), _CORE, ("solid_tining", "12mm", 0.150), _SLIT, _HEAVY_DRESSING,
        ("overseeding", "rye", 0.005),
    ),
    "lawn": (
        _BRUSH, ("scarifying", "standard", 0.008), ("hollow_coring", "13mm", 0.075), ("solid_tining", "12mm", 0.075),
        _LIGHT_DRESSING, ("overseeding", "rye", 0.004),
    ),
}  # fmt: skip


def _for_warm(passes: tuple[DefaultPass, ...]) -> tuple[DefaultPass, ...]:
    return tuple(("overseeding", "warm", depth) if kind == "overseeding" else (kind, variant, depth)
                 for kind, variant, depth in passes)  # fmt: skip


_DEFAULT_PASSES: Mapping[tuple[str, str], tuple[DefaultPass, ...]] = MappingProxyType(
    {(kind, "cool"): passes for kind, passes in _COOL.items()}
    | {(kind, "warm"): _for_warm(passes) for kind, passes in _COOL.items()}
)


def default_passes(surface_kind: str, grass: str) -> tuple[DefaultPass, ...]:
    """The passes planned on a surface whose settings name none.

    Parameters
    ----------
    surface_kind : str
        One of `SURFACES`.
    grass : str
        "cool" or "warm".

    Returns
    -------
    tuple of (str, str, float)
        Kind and variant as in passes.toml, and depth of the cut. [m]

    Raises
    ------
    ValueError
        There is no such kind of surface or of grass.
    """
    if surface_kind not in SURFACES:
        raise ValueError(f"surface: found {surface_kind!r}, expected one of {', '.join(SURFACES)}")
    if grass not in GRASS_SEASONS:
        raise ValueError(f"grass: found {grass!r}, expected one of {', '.join(GRASS_SEASONS)}")
    return _DEFAULT_PASSES[surface_kind, grass]


TREATMENT_COLUMNS = (
    "pass", "variant", "condition", "window_h", "open_lo", "open_hi", "closed_lo", "closed_hi", "source",
)  # fmt: skip
LONGEST_WINDOW_H = 24 * 60
NEEDED_CONDITIONS = ("thatch_wetness", "root_zone_wetness", "interval", "firmness", "disease")


class TreatmentFault(ValueError):
    """Data of treatments that cannot be used. `faults` lists every one as `where: found, expected`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


@dataclass(frozen=True)
class TreatmentTable:
    """Every kind of pass with its bounds.

    `rows` is by (pass, variant, condition), each variant written out; `surface_bounds` stand over them on some kinds of
    surface.
    """

    facts: Mapping[str, PassFacts]
    rows: Mapping[BoundKey, Row]
    surface_bounds: tuple[SurfaceBound, ...] = ()

    def rows_of(self, kind: str, variant: str) -> dict[str, Row]:
        """Rows of one pass by condition, in the order in which conditions are told."""
        found = {c: self.rows.get((kind, variant, c)) for c in CONDITIONS}
        return {c: row for c, row in found.items() if row is not None}

    def lead_days(self, kind: str, variant: str) -> float:
        """Days before play at which the pass is open without doubt; 0 where it needs none. [d]"""
        row = self.rows.get((kind, variant, "lead_time"))
        return 0.0 if row is None else row.bounds.open_lo

    def for_surface(self, surface_kind: str, overrides: Mapping[BoundKey, Bounds] | None = None) -> TreatmentTable:
        """The table as it stands on a kind of surface, with a club's own bounds over it.

        Parameters
        ----------
        surface_kind : str
            One of `SURFACES`.
        overrides : mapping of (pass, variant, condition) to Bounds, optional
            An empty variant means every variant of the pass. Those of the site and of the surface are merged by the
            caller, the surface's last.

        Raises
        ------
        TreatmentFault
            With every key that names nothing and every range that cannot be.
        """
        if surface_kind not in SURFACES:
            raise TreatmentFault([f"surface: found {surface_kind!r}, expected one of {', '.join(SURFACES)}"])
        rows, faults = dict(self.rows), []
        for change in self.surface_bounds:
            if surface_kind in change.surfaces:
                for key in self._keys(change.kind, change.variant, change.condition):
                    rows[key] = replace(rows[key], bounds=change.over(rows[key].bounds))
        # those for every variant first, so that one for a variant stands whatever the order
        for (kind, variant, condition), bounds in sorted((overrides or {}).items(), key=lambda item: item[0][1] != ""):
            where = f"override {kind} / {variant or 'every variant'} / {condition}"
            hit = self._keys(kind, variant, condition)
            faults += [f"{where}: {fault}" for fault in bounds.faults()]
            if not hit:
                faults.append(f"{where}: found no such row, expected {self._nearest(kind, condition)}")
            for key in hit:
                rows[key] = replace(rows[key], bounds=bounds, source="set by the club")
        if faults:
            raise TreatmentFault(faults)
        return replace(self, rows=MappingProxyType(rows))

    def bounds_from_edges(
        self, surface_kind: str, given: Mapping[BoundKey, Mapping[str, float]]
    ) -> tuple[Mapping[BoundKey, Bounds], list[str]]:
        """Return the bounds of a kind of surface with some edges changed.

        Parameters
        ----------
        surface_kind : str
            One of `SURFACES`.
        given : mapping of (pass, variant, condition) to edges
            Each edge by its name, as `open_hi`; those left out stay. An empty variant means every variant.

        Returns
        -------
        (mapping of BoundKey to Bounds, list of str)
            Bounds of the rows that are changed, and each key that names nothing and each range that cannot be, as
            `where: found, expected`; no bounds when there are faults.
        """
        known = self.for_surface(surface_kind)
        bounds: dict[BoundKey, Bounds] = {}
        # those for every variant first, so that one for a variant stands whatever the order
        for key, edges in sorted(given.items(), key=lambda item: item[0][1] != ""):
            hit = known._keys(*key)
            bounds |= {one: replace(bounds.get(one, known.rows[one].bounds), **edges) for one in hit}
            if not hit:
                bounds[key] = Bounds()
        try:
            self.for_surface(surface_kind, bounds)
        except TreatmentFault as err:
            return {}, err.faults
        return bounds, []

    def _keys(self, kind: str, variant: str, condition: str) -> list[BoundKey]:
        return [k for k in self.rows if k[0] == kind and k[2] == condition and variant in ("", k[1])]

    def _nearest(self, kind: str, condition: str) -> str:
        if kind not in self.facts:
            return f"a pass out of {', '.join(self.facts)}"
        known = sorted({k[2] for k in self.rows if k[0] == kind})
        near = difflib.get_close_matches(condition, known, 1)
        return f"{near[0]!r}" if near else f"a condition out of {', '.join(known)}"


@cache
def treatments() -> TreatmentTable:
    """Return the table that comes with the package, read once."""
    return load_treatments()


def load_treatments() -> TreatmentTable:
    """Read the two data files that come with the package.

    Raises
    ------
    TreatmentFault
        With every fault of both.
    """
    folder = resources.files("pipeline") / "advice"
    return parse_treatments(
        (folder / "treatments.csv").read_text(encoding="utf-8"), (folder / "passes.toml").read_text(encoding="utf-8")
    )


def parse_treatments(rows_csv: str, passes_toml: str) -> TreatmentTable:
    """A table from the text of its two files; see `load_treatments`."""
    facts, surface_bounds, faults = parse_facts(passes_toml)
    rows: dict[BoundKey, Row] = {}
    single: dict[BoundKey, bool] = {}
    reader = csv.DictReader(io.StringIO(rows_csv))
    if tuple(reader.fieldnames or ()) != TREATMENT_COLUMNS:
        raise TreatmentFault(
            [*faults, f"treatments.csv: found columns {reader.fieldnames}, expected {', '.join(TREATMENT_COLUMNS)}"]
        )
    for line in reader:
        where = f"treatments.csv:{reader.line_num}"
        row, found = _parse_row(where, line, facts)
        faults += found
        if row is None:
            continue
        kind, variant, condition = line["pass"], line["variant"], line["condition"]
        for each in (variant,) if variant else facts[kind].variants:
            key = (kind, each, condition)
            if single.get(key) == bool(variant):
                faults.append(f"{where}: found {kind} {each} {condition} again, expected it once")
            if variant or key not in rows:
                rows[key], single[key] = row, bool(variant)
    table = TreatmentTable(MappingProxyType(facts), MappingProxyType(rows), tuple(surface_bounds))
    faults += _whole_faults(table)
    if faults:
        raise TreatmentFault(faults)
    return table


def _whole_faults(table: TreatmentTable) -> list[str]:
    """What is missing, and what changes a row that is not there or into one that cannot be."""
    faults = [
        f"treatments.csv: {kind} {variant}: found no row of {condition}, expected one"
        for kind, fact in table.facts.items()
        for variant in fact.variants
        for condition in NEEDED_CONDITIONS
        if (kind, variant, condition) not in table.rows
    ]
    for change in table.surface_bounds:
        where = f"passes.toml: {change.kind}.surface_bounds {change.condition}"
        keys = table._keys(change.kind, change.variant, change.condition)
        if not keys:
            faults.append(f"{where}: found no such row, expected one of treatments.csv")
        faults += [f"{where}: {fault}" for key in keys for fault in change.over(table.rows[key].bounds).faults()]
    return faults


def _parse_row(where: str, line: Mapping[str, str], facts: Mapping[str, PassFacts]) -> tuple[Row | None, list[str]]:
    """One row, or None with what is wrong with it."""
    faults = []
    kind, variant, condition = line["pass"], line["variant"], line["condition"]
    if kind not in facts:
        faults.append(f"{where}: pass: found {kind!r}, expected one of {', '.join(facts)}")
    elif variant and variant not in facts[kind].variants:
        faults.append(f"{where}: variant: found {variant!r}, expected one of {', '.join(facts[kind].variants)}")
    if condition not in CONDITIONS:
        near = difflib.get_close_matches(condition or "", list(CONDITIONS), 1)
        faults.append(f"{where}: condition: found {condition!r}, expected {near[0] if near else 'one that is known'}")
    numbers = {}
    for column in TREATMENT_COLUMNS[3:8]:
        text = line[column] or ""
        try:
            numbers[column] = float(text) if text else math.nan
            if text and not math.isfinite(numbers[column]):
                raise ValueError("not finite")
        except ValueError:
            faults.append(f"{where}: {column}: found {text!r}, expected a number or nothing")
    if not (line["source"] or "").strip() or None in line:
        faults.append(f"{where}: source: found nothing, or too many columns, expected where the bounds come from")
    if faults:
        return None, faults
    window = numbers["window_h"]
    if math.isnan(window) or window != int(window) or not 0 <= window <= LONGEST_WINDOW_H:
        faults.append(f"{where}: window_h: found {line['window_h']!r}, expected whole hours, 0 to {LONGEST_WINDOW_H}")
    if all(math.isnan(numbers[c]) for c in TREATMENT_COLUMNS[4:8]):
        faults.append(f"{where}: found no bound, expected at least one")
    bounds = Bounds(*(_or(numbers[c], -math.inf if c.endswith("lo") else math.inf) for c in TREATMENT_COLUMNS[4:8]))
    faults += [f"{where}: {fault}" for fault in bounds.faults()]
    return (None, faults) if faults else (Row(bounds, int(window), line["source"]), [])


def _or(number: float, otherwise: float) -> float:
    return otherwise if math.isnan(number) else number
