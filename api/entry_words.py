"""Entries of the diary in words for a reader: when, where, what, and who says so.

Pure. A field that only a program needs is left out.
"""

from __future__ import annotations

from collections.abc import Mapping

from api import words
from pipeline.advice.treatments import treatments
from pipeline.diary.entry import KINDS, DiaryEntry
from pipeline.site.models import SiteConfig

_UNITS = {"mm": "mm", "percent": "%", "kg_m2": "kg/m²"}
_LEFT_OUT = ("pass", "variant", "state", "alert", "entry", "mark", "what", "value", "channel", "probe", "text")
# The scales of `pipeline.advice.conditions`.
_SIGHT_WORDS = {
    "firmness": ("no mark", "a faint mark", "marks", "water at the boot", "the turf rolls underfoot"),
    "tug": ("it holds", "it lifts"),
    "disease": ("none", "old scars", "active"),
    "wilt": ("none", "seen"),
}
# The field a kind is about: its name goes without saying.
_MAIN = {"watering": "water_mm", "rain": "rain_mm", "dressing": "dressing_mm", "cut": "height_mm", "depth": "depth_mm"}


def entry_line(config: SiteConfig, entry: DiaryEntry, now_ms: int) -> str:
    """One entry in a line."""
    zone = config.site.timezone
    where = place(config, entry)
    said = _said(entry)
    until = "" if entry.end_ms is None else f", until {words.moment(entry.end_ms, zone, now_ms=now_ms)}"
    author = f" ({entry.author})" if entry.author else ""
    when = words.moment(entry.at_ms, zone, now_ms=now_ms)
    return f"{when[:1].upper()}{when[1:]}, {where}: {_what(entry)}{said}{until}{author}."


def place(config: SiteConfig, entry: DiaryEntry) -> str:
    """Where an entry belongs, by the titles of the settings; by its names where they are no longer there."""
    surface = next((s for s in config.surfaces if s.name == entry.surface), None)
    if surface is None:
        return entry.surface
    station = next((s for s in surface.stations if s.name == entry.station), None)
    return surface.title if station is None else words.place(surface, station)


def mark_line(entry: DiaryEntry, zone: str, now_ms: int) -> str:
    """What somebody made of an alert."""
    when = words.moment(entry.at_ms, zone, now_ms=now_ms)
    by = f" by {entry.author}" if entry.author else ""
    why = f": {entry.body['why']}" if entry.body.get("why") else ""
    if entry.body.get("mark") == "snoozed" and entry.end_ms is not None:
        return f"Snoozed until {words.moment(entry.end_ms, zone, now_ms=now_ms)}{by}."
    return {"seen": f"Seen {when}{by}.", "wrong": f"Called wrong {when}{by}{why}."}.get(str(entry.body.get("mark")), "")


def _what(entry: DiaryEntry) -> str:
    body = entry.body
    if entry.kind == "pass":
        return f"{_pass_title(body)}, {body.get('state', 'done')}"
    if entry.kind == "healed":
        return f"{_pass_title(body)} has healed" if "pass" in body else KINDS["healed"].kind_title
    if entry.kind == "override":
        return f"{_pass_title(body)} against advice"
    if entry.kind == "mark":
        return {"seen": "an alert seen", "snoozed": "an alert snoozed"}.get(
            str(body.get("mark")), "an alert called wrong"
        )
    if entry.kind in ("lift", "return"):
        probe = f"the {body['probe']} probe" if "probe" in body else "a probe"
        return f"{probe} {'lifted' if entry.kind == 'lift' else 'put back'}"
    if entry.kind == "sight":
        return f"{body.get('what')}: {_seen(body)}"
    if entry.kind == "note":
        return str(body.get("text", "a note"))
    return {"depth": f"depth of {body.get('channel')} measured anew"}.get(entry.kind, KINDS[entry.kind].kind_title)


def _pass_title(body: Mapping[str, object]) -> str:
    facts = treatments().facts.get(str(body.get("pass")))
    return str(body.get("pass")) if facts is None else facts.doing


def _seen(body: Mapping[str, object]) -> str:
    told, value = _SIGHT_WORDS.get(str(body.get("what")), ()), body.get("value")
    whole = isinstance(value, int | float) and value == int(value) and 0 <= value < len(told)
    return told[int(float(str(value)))] if whole else str(value)


def _said(entry: DiaryEntry) -> str:
    """The fields of the body, each with its unit."""
    parts = []
    for key, value in entry.body.items():
        if key in _LEFT_OUT:
            continue
        ending = next((e for e in _UNITS if key.endswith(f"_{e}")), "")
        name = "" if key == _MAIN.get(entry.kind) else key.removesuffix(f"_{ending}").replace("_", " ")
        if isinstance(value, bool):
            parts += ["around the probes" if key == "around" else name] if value else []
        elif isinstance(value, int | float):
            parts.append(" ".join(part for part in (name, f"{value:g}", _UNITS.get(ending, "")) if part))
        else:
            parts.append(str(value) if key in ("reason", "why", "title", "seed") else f"{name} {value}")
    return ": " + ", ".join(parts) if parts else ""
