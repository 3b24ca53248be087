"""How surfaces are kept, in the server's settings: area, water, play, the passes thought of, and a club's own bounds.

Part of `pipeline.config`, which opens the file; here its tables become frozen dataclasses, every fault noted.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import replace
from functools import cache

from pipeline.advice.treatments import Key, TreatmentFault, TreatmentTable, load_treatments
from pipeline.advice.verdicts import Bounds
from pipeline.site import Care, PlannedPass, YearSpan
from pipeline.toml_check import Check, Table

CARE_KEYS = (
    *("area_m2", "water_to_hand", "play_from", "play_until", "renovation_until", "water_every_days"),
    *("fixture_words", "pass", "bound"),
)
MAX_PASSES, MAX_BOUNDS, MAX_WORDS = 40, 500, 50
MOST_CUT_MM = 400.0
_EDGES = ("open_lo", "open_hi", "closed_lo", "closed_hi")


Given = dict[str, float]  # edges of a bound that are written down


@cache
def treatments() -> TreatmentTable:
    """The table that comes with the package, read once."""
    return load_treatments()


def care_of(check: Check, table: Table, at: str, kind: str, site_bounds: Mapping[Key, Given]) -> Care:
    """How one surface is kept.

    Parameters
    ----------
    check : Check
    table : mapping
        Of the surface.
    at : str
        Where it stands in the file.
    kind : str
        Of the surface.
    site_bounds : mapping of Key to edges
        Of the whole site, under those of the surface.
    """
    first, last = _month_day(check, table, at, "play_from"), _month_day(check, table, at, "play_until")
    if first is not None or last is not None:
        first, last = first or (1, 1), last or (12, 31)
    renovation = _month_day(check, table, at, "renovation_until")
    if renovation is not None and last is None:
        check.missing(f"{at}play_until", f"the end of play, from which {at}renovation_until counts")
    interval = check.optional_number(table, at, "water_every_days", 1, 30)
    return Care(
        area_m2=check.optional_number(table, at, "area_m2", 1.0, 1e7),
        water_to_hand=check.flag(table, at, "water_to_hand", default=True),
        play=None if first is None or last is None else YearSpan(first, last),
        renovation_until=renovation,
        interval_days=None if interval is None else round(interval),
        fixture_words=_words(check, table, at),
        passes=_passes(check, table, at),
        bounds=_merged(check, at, kind, {**site_bounds, **bounds_of(check, table, at)}),
    )


def bounds_of(check: Check, table: Table, at: str) -> dict[Key, Given]:
    """The bounds under `bound`, `[[bound]]` in the file, each with the edges that are given."""
    found: dict[Key, Given] = {}
    for i, entry in enumerate(check.tables(table, at, "bound", least=0, most=MAX_BOUNDS)):
        place = f"{at}bound[{i}]."
        check.keys(entry, place, ("pass", "variant", "condition", "why", *_EDGES))
        check.text(entry, place, "why", "")
        edges = {edge: check.number(entry, place, edge, None, -math.inf, math.inf) for edge in _EDGES if edge in entry}
        key = (
            check.text(entry, place, "pass", None),
            check.text(entry, place, "variant", ""),
            check.text(entry, place, "condition", None),
        )
        if key in found:
            check.fault(f"{place}condition", key[2], "one bound for each pass, variant and condition")
        found[key] = edges
    return found


def _merged(check: Check, at: str, kind: str, given: Mapping[Key, Given]) -> Mapping[Key, Bounds]:
    """The given edges over the bounds as they are on this kind of surface; those left out stay."""
    known = treatments().for_surface(kind).rows
    bounds: dict[Key, Bounds] = {}
    # those for every variant first, so that one for a variant stands whatever the order
    for (name, variant, condition), edges in sorted(given.items(), key=lambda item: item[0][1] != ""):
        hit = [k for k in known if (k[0], k[2]) == (name, condition) and variant in ("", k[1])]
        bounds |= {key: replace(bounds.get(key, known[key].bounds), **edges) for key in hit}
        if not hit:
            bounds[(name, variant, condition)] = Bounds()
    try:
        treatments().for_surface(kind, bounds)
    except TreatmentFault as err:
        check.faults.extend(f"{check.file}: {at}bound: {fault}" for fault in err.faults)
        return {}
    return bounds


def _passes(check: Check, table: Table, at: str) -> tuple[PlannedPass, ...]:
    facts = treatments().facts
    found = []
    for i, entry in enumerate(check.tables(table, at, "pass", least=0, most=MAX_PASSES)):
        place = f"{at}pass[{i}]."
        check.keys(entry, place, ("kind", "variant", "depth_mm"))
        kind = check.one_of(entry, place, "kind", facts, None)
        variants = facts[kind].variants
        variant = check.one_of(entry, place, "variant", variants, variants[0])
        depth_mm = check.number(entry, place, "depth_mm", facts[kind].depth_mm[1], 0.0, MOST_CUT_MM)
        found.append(PlannedPass(kind, variant, depth_mm / 1000))
    return tuple(found)


def _words(check: Check, table: Table, at: str) -> tuple[str, ...]:
    words = table.get("fixture_words", [])
    fit = isinstance(words, list) and len(words) <= MAX_WORDS and all(isinstance(w, str) and w.strip() for w in words)
    if not fit:
        check.fault(f"{at}fixture_words", words, f"a list of at most {MAX_WORDS} words, as ['first eleven', 'square']")
        return ()
    return tuple(words)


def _month_day(check: Check, table: Table, at: str, key: str) -> tuple[int, int] | None:
    """A day of every year, as '04-15'; None when the key is not there."""
    if key not in table:
        return None
    try:
        day = datetime.date.fromisoformat(f"2024-{table[key]}")
    except ValueError:
        check.fault(f"{at}{key}", table[key], "month and day as '04-15'")
        return None
    return day.month, day.day
