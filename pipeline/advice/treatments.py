"""Kinds of pass, and the bounds within which each is open, waits or is closed.

Read once from treatments.csv and passes.toml beside it; pure from then on. A row holds four bounds of one condition. A
value from `open_lo` to `open_hi` is open, one below `closed_lo` or above `closed_hi` is closed, and what is in neither
waits; so an edge belongs to the better side. An empty bound does not bind.

Holes of the table of common practice that the rows were made from, and how they are closed:

- Thatch drier than the open range where no lower closing bound was given (brushing, coring, tining, slitting,
  dressing): waits. Dry thatch harms the job, not the turf.
- Soil from 1.05 to 1.1 under slitting waits; below 0.5 it closes on clay only, elsewhere it waits.
- Seedbed: too dry closes only where no water is to hand; with water to hand it waits. Rain is waited for only without
  water to hand: 2 mm in 48 hours open it, less waits. "No rain" is less than 0.2 mm, one tip of a usual gauge.
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
- Roots above 1.05, where the ground is called too wet to go on, close brushing, verticutting and dressing, whose wheels
  mark and smear it; verticutting and dressing wait from 1.0 on. Seed may lie so wet, its machine may not: it waits.
- Heat closes what wounds cool-season turf: air above 30 or a leaf above 35 degC in the last day, now or within three.
  Tines and slits are left to their bounds of wetness and soil temperature. Drought stress is wilt that somebody has
  seen, and roots below their bound.
- Winter loam or sand on pitches: soil below 8 degC waits there instead of closing.
- Seed that nobody plays on before winter has to come up before the soil is cold, not to be healed before growth ends:
  its seedbed decides, and growth and light frost warn, as in an autumn renovation.
- Rolling before the season: soil from 0.7 to 0.95 of drained is near the optimum of its Proctor curve, from 0.5 up and
  to 1.05 it waits; drier it does not give, wetter it smears. Such wetness stands for a week without much rain.
- Warm-season seed has the rows of ryegrass but for soil temperature; winter rye into warm turf opens from 10 to 23 degC
  while the soil is cooling, and closes below 8 and above 25 degC as rye does elsewhere.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import get_args

from pydantic import ValidationError

from hardware.table_check import NotToml, parse_toml
from pipeline.advice.conditions import CONDITIONS, Row
from pipeline.site.fields import faults_of
from pipeline.site.passes import BoundKey, Bounds, PassFacts, SurfaceBound, SurfaceKind

SURFACES = get_args(SurfaceKind)


def parse_facts(text: str) -> tuple[dict[str, PassFacts], dict[str, list[str]]]:
    """Return every kind of pass by name, and the faults of those that cannot be used, as `file: key: found, expected`.

    Parameters
    ----------
    text : str
        Of passes.toml.

    Raises
    ------
    TreatmentFault
        The text is no TOML.
    """
    try:
        tables = parse_toml(text)
    except NotToml as err:
        raise TreatmentFault([f"passes.toml: found no TOML ({err}), expected one table a pass"]) from err
    facts: dict[str, PassFacts] = {}
    faults: dict[str, list[str]] = {}
    for kind, table in tables.items():
        try:
            facts[kind] = PassFacts.model_validate(table)
        except ValidationError as err:
            faults[kind] = [f"passes.toml: {kind}.{fault}" for fault in faults_of(err, PassFacts, table)]
    return facts, faults


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
_DEFAULT_PASSES: Mapping[str, tuple[DefaultPass, ...]] = {
    "square": (
        _BRUSH, _VERTICUT, ("scarifying", "standard", 0.010), ("heavy_dethatching", "standard", 0.020),
        ("solid_tining", "12mm", 0.100), _HEAVY_DRESSING, ("overseeding", "rye", 0.004), ("rolling", "standard", 0.0),
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


def default_passes(surface_kind: str, grass: str) -> tuple[DefaultPass, ...]:
    """Return the passes planned on a surface whose settings name none.

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
    """
    seed = {"cool": None, "warm": "warm"}[grass]
    return tuple(
        (kind, seed if seed and kind == "overseeding" else variant, depth_m)
        for kind, variant, depth_m in _DEFAULT_PASSES[surface_kind]
    )


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

    `rows` is by (pass, variant, condition), each variant written out; the bounds of `PassFacts.surface_bounds` stand
    over them on some kinds of surface.
    """

    facts: Mapping[str, PassFacts]
    rows: Mapping[BoundKey, Row]

    def rows_of(self, kind: str, variant: str) -> dict[str, Row]:
        """Return the rows of one pass by condition, in the order of `CONDITIONS`."""
        found = {c: self.rows.get((kind, variant, c)) for c in CONDITIONS}
        return {c: row for c, row in found.items() if row is not None}

    def lead_days(self, kind: str, variant: str) -> float:
        """Return the days before play from which on the pass is open; 0 where it needs none. [d]"""
        row = self.rows.get((kind, variant, "lead_time"))
        return 0.0 if row is None else row.bounds.open_lo

    def for_surface(self, surface_kind: str, overrides: Mapping[BoundKey, Bounds] | None = None) -> TreatmentTable:
        """Return the table for a kind of surface, with a club's own bounds over it.

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
        for change, keys in self._surface_bounds():
            if surface_kind in change.surfaces:
                rows |= {key: replace(rows[key], bounds=change.over(rows[key].bounds)) for key in keys}
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
            Each edge by its name, as `open_hi`; those left out stay. [unit of the condition] An empty variant
            means every variant.

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

    def _surface_bounds(self) -> Iterator[tuple[SurfaceBound, list[BoundKey]]]:
        """Each change for some kinds of surface, with the keys of the rows it changes."""
        for kind, facts in self.facts.items():
            for change in facts.surface_bounds:
                yield change, self._keys(kind, change.variant, change.condition)

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
    """Return the table of the text of its two files; see `load_treatments`."""
    facts, broken = parse_facts(passes_toml)
    faults = [fault for each in broken.values() for fault in each]
    rows: dict[BoundKey, Row] = {}
    single: dict[BoundKey, bool] = {}
    reader = csv.DictReader(io.StringIO(rows_csv))
    if tuple(reader.fieldnames or ()) != TREATMENT_COLUMNS:
        raise TreatmentFault(
            [*faults, f"treatments.csv: found columns {reader.fieldnames}, expected {', '.join(TREATMENT_COLUMNS)}"]
        )
    for line in reader:
        where, kind, variant = f"treatments.csv:{reader.line_num}", line["pass"], line["variant"]
        if kind in broken:
            continue
        row, found = _parse_row(where, line, facts)
        faults += found
        if row is None:
            continue
        for each in (variant,) if variant else facts[kind].variants:
            key = (kind, each, line["condition"])
            if single.get(key) == bool(variant):
                faults.append(f"{where}: found {kind} {each} {line['condition']} again, expected it once")
            if variant or key not in rows:
                rows[key], single[key] = row, bool(variant)
    table = TreatmentTable(MappingProxyType(facts), MappingProxyType(rows))
    faults += _whole_faults(table)
    if faults:
        raise TreatmentFault(faults)
    return table


def _whole_faults(table: TreatmentTable) -> list[str]:
    """Return rows that are missing, and surface bounds that change no row or make one that cannot be."""
    faults = [
        f"treatments.csv: {kind} {variant}: found no row of {condition}, expected one"
        for kind, fact in table.facts.items()
        for variant in fact.variants
        for condition in NEEDED_CONDITIONS
        if (kind, variant, condition) not in table.rows
    ]
    for change, keys in table._surface_bounds():
        where = f"passes.toml: surface_bounds of {change.condition}"
        if not keys:
            faults.append(f"{where}: found no such row, expected one of treatments.csv")
        faults += [f"{where}: {fault}" for key in keys for fault in change.over(table.rows[key].bounds).faults()]
    return faults


def _parse_row(where: str, line: Mapping[str, str], facts: Mapping[str, PassFacts]) -> tuple[Row | None, list[str]]:
    """Return one row, or None with what is wrong with it."""
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
        text = line[column] or "nan"
        try:
            numbers[column] = float(text)
        except ValueError:
            numbers[column] = math.inf
        if math.isinf(numbers[column]) or line[column] == "nan":
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
    bounds = replace(Bounds(), **{c: numbers[c] for c in TREATMENT_COLUMNS[4:8] if not math.isnan(numbers[c])})
    faults += [f"{where}: {fault}" for fault in bounds.faults()]
    return (None, faults) if faults else (Row(bounds, int(window), line["source"]), [])
