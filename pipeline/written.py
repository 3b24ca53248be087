"""What people wrote in the diary, as facts of a station: waterings, cores, dressings, depths, lifts and passes.

Pure: it is handed entries and the station's context from the settings. It must not judge what an entry does to a sum;
the stages do, from the facts.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipeline.advice.locks import Buried, Intent, in_the_way
from pipeline.advice.pass_facts import PassFacts
from pipeline.buried import buried
from pipeline.site import Surface
from pipeline.soil.thatch import Core, OrganicSlice
from pipeline.station import FOREVER_MS, Dated, Lifted, PassDone, StationContext
from pipeline.store.entry import DiaryEntry

ENTRY_KINDS = ("core", "depth", "dressing", "fixture", "lift", "pass", "return", "watering")
"""What must be handed in."""

RULER = "a ruler"
CUTS_FROM_M = 0.002  # a pass less deep goes over a probe: our own choice, where the shallowest lies


def changes_the_past(entry: DiaryEntry) -> bool:
    """Whether an entry changes what was worked out from its time on; a pass does once it is done."""
    if entry.kind == "pass":
        return _is_done(entry)
    return entry.kind in ENTRY_KINDS and entry.kind != "fixture"


def _is_done(entry: DiaryEntry) -> bool:
    return entry.body.get("state", "done") == "done"


def with_diary(
    context: StationContext, surface: Surface, entries: Sequence[DiaryEntry], passes: Mapping[str, PassFacts]
) -> StationContext:
    """A station's context with what the diary says of it.

    Parameters
    ----------
    context : StationContext
        From the settings.
    surface : Surface
        On which the station stands.
    entries : sequence of DiaryEntry
        Of `ENTRY_KINDS`, in order of time; those of other surfaces and stations are passed over.
    passes : mapping of str to PassFacts
        Every kind of pass, for its title and usual depth.
    """
    here = [e for e in entries if e.surface == surface.name and e.station in (None, context.station)]
    measured = [e for e in here if e.kind == "core" and e.station == context.station]
    cores = {core.at_ms: core for core in context.cores}
    cores |= {e.at_ms: Dated(e.at_ms, _metres(e, "thatch_mm")) for e in measured}
    roots = {core.at_ms: core for core in context.root_cores}
    roots |= {e.at_ms: Dated(e.at_ms, _metres(e, "root_mm")) for e in measured if "root_mm" in e.body}
    return replace(
        context,
        waterings=_spans(here, "watering"),
        waterings_mm=tuple(_number(e, "water_mm") for e in here if e.kind == "watering"),
        fixtures=_spans(here, "fixture"),
        cores=tuple(cores[at_ms] for at_ms in sorted(cores)),
        root_cores=tuple(roots[at_ms] for at_ms in sorted(roots)),
        dressings=tuple(Dated(e.at_ms, _metres(e, "dressing_mm")) for e in here if e.kind == "dressing"),
        depths=_depths(context, here),
        lifted=lifted_of(context.station, here),
        core_reads=tuple(sorted(_core_reads(context, measured), key=lambda core: core.taken)),
        passes=tuple(_passes(context.station, surface, entries, here, passes)),
    )


def _depths(context: StationContext, here: Iterable[DiaryEntry]) -> dict[str, tuple[Dated, ...]]:
    found: dict[str, tuple[Dated, ...]] = {}
    for entry in here:
        channel = str(entry.body.get("channel"))
        if entry.kind == "depth" and context.owns(channel) and channel in context.channels:
            found[channel] = (*found.get(channel, ()), Dated(entry.at_ms, _metres(entry, "depth_mm")))
    return found


def _core_reads(context: StationContext, measured: Iterable[DiaryEntry]) -> Iterator[Core]:
    """Cores of the settings, read with a ruler, and those of the diary by the method each names."""
    for one in context.cores:
        yield Core(_date(one.at_ms), RULER, 1000.0 * one.length_m)
    for entry in measured:
        method = str(entry.body.get("method", "")).strip()
        span, percent = (
            (_number(entry, "organic_from_mm"), _number(entry, "organic_to_mm")),
            _number(entry, "organic_percent"),
        )
        slices = (OrganicSlice(*span, percent, method),) if np.isfinite([*span, percent]).all() else ()
        yield Core(_date(entry.at_ms), RULER, _number(entry, "thatch_mm"), slices=slices)
        if "thatch_pressed_mm" in entry.body:
            yield Core(_date(entry.at_ms), f"{RULER}, pressed", _number(entry, "thatch_pressed_mm"))


def _date(at_ms: int) -> datetime.date:
    return datetime.datetime.fromtimestamp(at_ms / 1000, datetime.UTC).date()


def lifted_of(station: str, entries: Iterable[DiaryEntry]) -> tuple[Lifted, ...]:
    """When each probe of a station was out of the ground, from its entries in order of time.

    A second lift before the return says nothing new; a return without a lift is a moment at which it was moved.
    """
    out: dict[str, int] = {}
    found = []
    for entry in entries:
        probe = f"{station}/{entry.body.get('probe')}"
        if entry.station != station:
            continue
        if entry.kind == "lift":
            out.setdefault(probe, entry.at_ms)
        elif entry.kind == "return":
            found.append(Lifted(probe, out.pop(probe, entry.at_ms), entry.at_ms))
    found += [Lifted(probe, at_ms, FOREVER_MS) for probe, at_ms in out.items()]
    return tuple(sorted(found, key=lambda one: (one.out_ms, one.probe)))


def _passes(
    station: str,
    surface: Surface,
    entries: Sequence[DiaryEntry],
    here: Iterable[DiaryEntry],
    kinds: Mapping[str, PassFacts],
) -> Iterable[PassDone]:
    for entry in here:
        if entry.kind != "pass" or not _is_done(entry):
            continue
        kind, variant = str(entry.body["pass"]), str(entry.body.get("variant", "standard"))
        facts = kinds.get(kind)
        planned = [p.depth_m for p in surface.care.passes if p.kind == kind]
        usual_m = max(planned, default=0.0 if facts is None else facts.depth_mm[1] / 1000.0)
        depth_m = _metres(entry, "depth_mm") if "depth_mm" in entry.body else usual_m
        in_ground: tuple[Buried, ...] = buried(surface, entries, entry.at_ms, station=station)
        yield PassDone(
            at_ms=entry.at_ms,
            kind=kind,
            variant=variant,
            title=kind.replace("_", " ") if facts is None else facts.title,
            depth_m=depth_m,
            spacing_m=_number(entry, "spacing_mm") / 1000.0,
            width_m=_number(entry, "width_mm") / 1000.0,
            removed_kg_m2=_number(entry, "removed_kg_m2"),
            around=_around(Intent(kind, variant, depth_m), in_ground),
        )


def _around(intent: Intent, in_ground: tuple[Buried, ...]) -> tuple[str, ...]:
    """Names of probes a pass went around; a brush or a dressing goes over them."""
    return tuple(n.rsplit("/", 1)[-1] for n in in_the_way(intent, in_ground)) if intent.depth_m >= CUTS_FROM_M else ()


def _spans(entries: Iterable[DiaryEntry], kind: str) -> tuple[tuple[int, int], ...]:
    return tuple((e.at_ms, e.at_ms if e.end_ms is None else e.end_ms) for e in entries if e.kind == kind)


def _number(entry: DiaryEntry, key: str) -> float:
    value = entry.body.get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else float("nan")


def _metres(entry: DiaryEntry, key: str) -> float:
    value = entry.body[key]
    assert isinstance(value, int | float)  # the diary takes no entry without it
    return value / 1000.0
