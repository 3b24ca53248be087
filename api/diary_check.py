"""Whether an entry of the diary makes sense on this site: names that are there, times that can be, nothing in the way.

What each kind must say is `pipeline.diary.entry`'s. This module must not write anything.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence

from pipeline.advice.locks import (
    fault_of_beginning,
)
from pipeline.advice.treatments import treatments
from pipeline.diary.entry import KINDS, DiaryEntry, entry_faults, is_photo
from pipeline.diary.facts import (
    PROBE_KINDS,
    Buried,
    Intent,
    in_the_way,
    probes_in_ground,
    read_diary,
)
from pipeline.site.fields import nearest
from pipeline.site.ground import Surface
from pipeline.site.settings import SiteConfig
from pipeline.store.diary import Diary
from pipeline.store.photos import Photographs
from pipeline.units import EVER_MS

SLACK_MS = 3_600_000  # a phone's clock may be fast
FIRST_MS = 0
# Kinds that tell what has been: they cannot lie ahead.
BEEN = (
    *(
        "core",
        "cut",
        "depth",
        "dressing",
        "healed",
        "lift",
        "mark",
        "moisture",
        "push",
        "rain",
        "return",
        "sight",
        "sown",
    ),
    "watering",
)
UNDER_WAY = ("begun", "done")


def moment_of(value: str | None, key: str, faults: list[str]) -> int | None:
    """A time in ISO 8601 [ms since 1970, UTC]; None where there is none, or its fault is noted."""
    if value is None:
        return None
    try:
        at = datetime.datetime.fromisoformat(value)
        at = at if at.tzinfo is not None else at.replace(tzinfo=datetime.UTC)
        at_ms = round(at.timestamp() * 1000)
    except (ValueError, OverflowError):
        faults.append(f"{key}: found {value!r}, expected a time as 2026-05-04T06:15:00Z")
        return None
    if at_ms < FIRST_MS:
        faults.append(f"{key}: found {value!r}, expected a time after 1970")
        return None
    return at_ms


def check(
    config: SiteConfig, diary: Diary, photographs: Photographs, entry: DiaryEntry, now_ms: int, *, instead_of: int = 0
) -> list[str]:
    """Everything that is wrong with an entry, its form and its sense, as `key: found, expected`.

    The entry that it is written in place of, 0 for none, is no other that it could contradict.
    """
    surface = next((s for s in config.surfaces if s.name == entry.surface), None)
    faults = _place_faults(config, surface, entry) + _body_faults(config, surface, entry) + entry_faults(entry)
    been = entry.kind in BEEN or (entry.kind == "pass" and _state(entry) in UNDER_WAY)
    if been and entry.at_ms > now_ms + SLACK_MS:
        faults.append("at: found a time to come, expected one that has been")
    number = entry.body.get("entry")
    if entry.kind == "healed" and isinstance(number, int) and not isinstance(number, bool):
        meant = diary.entry(number)
        if meant is None or meant.kind != "pass":
            faults.append(f"entry: found {number}, expected the number of a pass in the diary")
    faults += _photo_faults(photographs, entry) + _follows_faults(diary, entry, instead_of)
    if surface is not None and not faults:
        faults += _in_the_way(surface, diary, entry)
    return list(dict.fromkeys(faults))


def _place_faults(config: SiteConfig, surface: Surface | None, entry: DiaryEntry) -> list[str]:
    faults = []
    if surface is None and entry.surface:
        faults.append(f"surface: found {entry.surface!r}, expected {nearest(entry.surface, _names(config.surfaces))}")
    if entry.station is not None:
        known = list(config.stations()) if surface is None else _names(surface.stations)
        if entry.station not in known:
            faults.append(f"station: found {entry.station!r}, expected {nearest(entry.station, known)}")
    return faults


def _body_faults(config: SiteConfig, surface: Surface | None, entry: DiaryEntry) -> list[str]:
    """Names in the body that nothing has; what is no text is no name, which `entry_faults` tells."""
    kind = KINDS.get(entry.kind)
    if kind is None:
        return []
    body = {key: value for key, value in entry.body.items() if isinstance(value, str)}
    fields, faults = kind.model_fields, list[str]()
    if "pass" in fields and "pass" in body:
        facts = treatments().facts
        if body["pass"] not in facts:
            faults.append(f"pass: found {body['pass']!r}, expected {nearest(body['pass'], facts)}")
        elif "variant" in body and body["variant"] not in facts[body["pass"]].variants:
            variants = facts[body["pass"]].variants
            faults.append(f"variant: found {body['variant']!r}, expected {nearest(body['variant'], variants)}")
    station = config.stations().get(entry.station or "")
    if "probe" in fields and "probe" in body and station is not None:
        probes = _names(station.probes)
        if body["probe"] not in probes:
            faults.append(f"probe: found {body['probe']!r}, expected {nearest(body['probe'], probes)}")
    if "channel" in fields and "channel" in body:
        stations = [] if surface is None else surface.stations
        here = [c.id for s in stations if entry.station in (None, s.name) for c in s.channels]
        buried_here = [i for i in here if config.channels()[i].channel.depth_m is not None]
        if body["channel"] not in buried_here:
            faults.append(f"channel: found {body['channel']!r}, expected {nearest(body['channel'], buried_here)}")
    return faults


def _photo_faults(photographs: Photographs, entry: DiaryEntry) -> list[str]:
    found = entry.body.get("photos")
    named = found if isinstance(found, list | tuple) else []
    likely = [one for one in named if isinstance(one, str) and is_photo(one)]  # others may be no name of a file at all
    kept = photographs.kept(likely)
    lacking = [one for one in named if one not in kept]
    return [f"photos: found {str(one)[:40]!r}, expected the name of a photograph that is kept here" for one in lacking]


def _follows_faults(diary: Diary, entry: DiaryEntry, instead_of: int) -> list[str]:
    """A pass goes on with a booking or a beginning of its kind on its surface that no other goes on with."""
    number, state = entry.body.get("follows"), _state(entry)
    if entry.kind != "pass" or not isinstance(number, int) or isinstance(number, bool) or number <= 0:
        return []
    meant = diary.entry(number)
    of_it = meant is not None and meant.kind == "pass" and meant.surface == entry.surface
    if meant is None or not of_it or meant.body.get("pass") != entry.body.get("pass") or _state(meant) == "done":
        return [f"follows: found {number}, expected the number of this pass as it was booked or begun on this surface"]
    if state == "booked" or (state == "begun" and _state(meant) == "begun"):
        return [f"follows: found {number} on a pass {state}, expected it on one begun after its booking, or done"]
    others = (e for e in diary.entries(("pass",), *EVER_MS) if e.body.get("follows") == number and _state(e) == state)
    other = next((e for e in others if e.id != instead_of), None)
    if other is None:
        return []
    return [f"follows: found {number}, which entry {other.id} goes on with, expected one that is not {state} yet"]


def _in_the_way(surface: Surface, diary: Diary, entry: DiaryEntry) -> list[str]:
    """Probes that the blades of a pass under way would meet, unless it is said to go around them."""
    if entry.kind != "pass" or _state(entry) not in UNDER_WAY or entry.body.get("around") is True:
        return []
    fault = fault_of_beginning(_intent(surface, entry), _buried(surface, diary, entry, entry.at_ms))
    return [f"pass: {fault}"] if fault else []


def names_in_the_way(surface: Surface, diary: Diary, entry: DiaryEntry, now_ms: int) -> tuple[str, ...]:
    """What is to be lifted before a pass of the diary, as things are now. [ms since 1970, UTC]"""
    if entry.body.get("around") is True:
        return ()
    return in_the_way(_intent(surface, entry), _buried(surface, diary, entry, now_ms))


def probes_in_the_way(surface: Surface, diary: Diary, entry: DiaryEntry, now_ms: int) -> list[tuple[str, str]]:
    """The same as station and probe of each. [ms since 1970, UTC]"""
    named = [name.rpartition("/") for name in names_in_the_way(surface, diary, entry, now_ms)]
    return [
        (station.name, probe)
        for of_station, _, probe in named
        for station in surface.stations
        if of_station in ("", station.name) and any(one.name == probe for one in station.probes)
    ]


def _intent(surface: Surface, entry: DiaryEntry) -> Intent:
    kind, variant = str(entry.body["pass"]), str(entry.body.get("variant", ""))
    return Intent(kind, variant, cut_depth_m(surface, kind, entry.body.get("depth_mm")))


def _buried(surface: Surface, diary: Diary, entry: DiaryEntry, at_ms: int) -> tuple[Buried, ...]:
    facts = read_diary(diary.entries(PROBE_KINDS, *EVER_MS), surface.name, {})
    return probes_in_ground(surface, facts, at_ms, station=entry.station)


def cut_depth_m(surface: Surface, kind: str, depth_mm: object) -> float:
    """How deep a pass cuts: as it is written, else as deep as it is planned here, else as deep as is usual. [m]"""
    if isinstance(depth_mm, int | float):
        return depth_mm / 1000
    planned = [p.depth_m for p in surface.passes if p.kind == kind]
    return max(planned) if planned else treatments().facts[kind].depth_mm[1] / 1000


def _state(entry: DiaryEntry) -> object:
    """Of a pass: one that does not say is done."""
    return entry.body.get("state", "done")


def _names(things: Sequence[object]) -> list[str]:
    return [thing.name for thing in things]  # type: ignore[attr-defined]
