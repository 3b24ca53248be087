"""What people wrote in the diary, as facts: of a station, of a surface, of what lies in the ground."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from pipeline.diary.entry import DiaryEntry
from pipeline.site.models import (
    InstalledProbe,
    PassFacts,
    Surface,
)
from pipeline.site.station import Dated, Lifted, PassDone, StationContext
from pipeline.soil.thatch import CoreReading, OrganicSlice
from pipeline.units import (
    FOREVER_MS,
    HOUR_MS,
    TimeSpan,
)


class DatedPass(NamedTuple):
    """A pass that is booked, begun or done, with the depth of its cut [m] where that is told. [ms since 1970, UTC]"""

    kind: str
    variant: str
    start_ms: int
    end_ms: int
    depth_m: float | None = None


class AlertMark(NamedTuple):
    """What somebody wrote on an alert: seen, snoozed (until `end_ms`, None for good), or wrong. [ms since 1970, UTC]"""

    mark: str
    at_ms: int
    end_ms: int | None = None


TimeSpans = tuple[tuple[int, int], ...]  # begin and end of each [ms since 1970, UTC]


@dataclass(frozen=True, slots=True)
class DiaryFacts:
    """What people wrote down that a rule has to know, of one surface, or of one station with its surface's.

    Attributes
    ----------
    waterings, plays, covers : tuple of (int, int)
        Begin and end of each. Play is that of the calendar too. [ms since 1970, UTC]
    booked, made : tuple of Job
        Passes that are booked and not begun; and those begun or done.
    marks : mapping of str to tuple of Mark
        By the alert's id, in the order of time.
    """

    waterings: TimeSpans = ()
    plays: TimeSpans = ()
    covers: TimeSpans = ()
    booked: tuple[DatedPass, ...] = ()
    made: tuple[DatedPass, ...] = ()
    marks: Mapping[str, tuple[AlertMark, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class WaterGiven:
    """Water given from one moment to another. [ms since 1970, UTC], [mm]"""

    start_ms: int
    end_ms: int
    mm: float


@dataclass(frozen=True, slots=True)
class Covered:
    """A span under covers: rain does not reach the turf. [ms since 1970, UTC]"""

    start_ms: int
    end_ms: int


@dataclass(frozen=True, slots=True)
class Sight:
    """What eyes saw, and when. [ms since 1970, UTC]

    `firmness` 0 no mark, 1 faint, 2 marks, 3 water at the boot, 4 turf rolls underfoot; `tug` 0 holds, 1 lifts;
    `disease` 0 none, 1 old scars, 2 active; `wilt` 0 none, 1 seen.
    """

    what: str
    value: float
    at_ms: int


@dataclass(frozen=True, slots=True)
class PassMade:
    """A pass made: when, and the share of the surface it cut. [ms since 1970, UTC], [1]"""

    at_ms: int
    area: float = 0.0


def merge_jobs(jobs: tuple[PassMade, ...], *, apart_h: float = 48.0) -> tuple[PassMade, ...]:
    """One job in several directions counts as one, its areas summed.

    Passes less than `apart_h` after the one before belong together; the job is as old as its last pass.
    """
    merged: list[PassMade] = []
    for job in sorted(jobs, key=lambda j: j.at_ms):
        if merged and job.at_ms - merged[-1].at_ms < apart_h * HOUR_MS:
            merged[-1] = PassMade(job.at_ms, merged[-1].area + job.area)
        else:
            merged.append(job)
    return tuple(merged)


CLEARANCE_M = 0.025  # below the blades, for roots to hold and for buried things to be safe: common practice, no source


@dataclass(frozen=True, slots=True)
class Buried:
    """Something in the ground: its name, the depth of its top below the leaf base [m], and whether it is lifted."""

    name: str
    depth_m: float
    lifted: bool = False


@dataclass(frozen=True, slots=True)
class Override:
    """A person's word that a pass may be made over a span, and why.

    Raises
    ------
    ValueError
        There is no reason, or nobody gives it.
    """

    kind: str
    variant: str
    span: TimeSpan
    reason: str
    author: str
    written_at_ms: int

    def __post_init__(self) -> None:
        if not self.reason.strip():
            raise ValueError("override: found no reason, expected one in a few words. It is kept for next year.")
        if not self.author.strip():
            raise ValueError("override: found no name, expected that of the person who decides.")


@dataclass(frozen=True, slots=True)
class Intent:
    """The pass that is thought of: kind, variant, and depth of the cut below the leaf base. [m]"""

    kind: str
    variant: str
    depth_m: float


def in_the_way(intent: Intent, buried: Sequence[Buried]) -> tuple[str, ...]:
    """Names of what must be lifted first: anything less than 25 mm below the blades, and not lifted.

    Nothing is in the way of a pass that does not cut, such as dressing (depth 0).
    """
    if intent.depth_m <= 0.0:
        return ()
    return tuple(b.name for b in buried if not b.lifted and b.depth_m < intent.depth_m + CLEARANCE_M - 1e-9)


STATION_KINDS = ("core", "depth", "dressing", "fixture", "lift", "pass", "return", "watering")
"""What must be handed in."""

RULER = "a ruler"
CUTS_FROM_M = 0.002  # a pass less deep goes over a probe: our own choice, where the shallowest lies


def changes_the_past(entry: DiaryEntry) -> bool:
    """Whether an entry changes what was worked out from its time on; a pass does once it is done."""
    if entry.kind == "pass":
        return _is_done(entry)
    return entry.kind in STATION_KINDS and entry.kind != "fixture"


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


def _core_reads(context: StationContext, measured: Iterable[DiaryEntry]) -> Iterator[CoreReading]:
    """Cores of the settings, read with a ruler, and those of the diary by the method each names."""
    for one in context.cores:
        yield CoreReading(_date(one.at_ms), RULER, 1000.0 * one.length_m)
    for entry in measured:
        method = str(entry.body.get("method", "")).strip()
        span, percent = (
            (_number(entry, "organic_from_mm"), _number(entry, "organic_to_mm")),
            _number(entry, "organic_percent"),
        )
        slices = (OrganicSlice(*span, percent, method),) if np.isfinite([*span, percent]).all() else ()
        yield CoreReading(_date(entry.at_ms), RULER, _number(entry, "thatch_mm"), slices=slices)
        if "thatch_pressed_mm" in entry.body:
            yield CoreReading(_date(entry.at_ms), f"{RULER}, pressed", _number(entry, "thatch_pressed_mm"))


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
        planned = [p.depth_m for p in surface.passes if p.kind == kind]
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


PROBE_KINDS = ("lift", "return", "depth")  # what must be handed in


def buried(
    surface: Surface, entries: Iterable[DiaryEntry], at_ms: int, *, station: str | None = None
) -> tuple[Buried, ...]:
    """Every probe with something in the ground.

    Parameters
    ----------
    surface : Surface
    entries : iterable of DiaryEntry
        Of `ENTRY_KINDS`; those of other surfaces or after the moment are passed over.
    at_ms : int
        The moment. [ms since 1970, UTC]
    station : str, optional
        Only what lies at this station.

    Returns
    -------
    tuple of Buried
        In the order of the settings. A name that two stations share has its station before it.
    """
    before = sorted((e for e in entries if e.surface == surface.name and e.at_ms <= at_ms), key=lambda e: e.at_ms)
    moved = {(e.station, e.body.get("probe")): e.kind for e in before if e.kind in ("lift", "return")}
    measured_mm = {str(e.body.get("channel")): e.body.get("depth_mm") for e in before if e.kind == "depth"}
    names = Counter(probe.name for s in surface.stations for probe in s.probes)
    found = []
    for each in surface.stations:
        for probe in each.probes if station in (None, each.name) else ():
            top_m = _top_m(probe, measured_mm)
            if top_m is not None:
                name = probe.name if names[probe.name] == 1 else f"{each.name}/{probe.name}"
                found.append(Buried(name, top_m, lifted=moved.get((each.name, probe.name)) == "lift"))
    return tuple(found)


def _top_m(probe: InstalledProbe, measured_mm: dict[str, object]) -> float | None:
    """Depth of the top of what it senses with, its shallowest channel; None for what is not left in the ground. [m]"""
    if probe.description.protocol == "cone":
        return None
    tops = []
    for installed in probe.channels:
        depth_m, measured = installed.channel.depth_m, measured_mm.get(installed.id)
        if depth_m is not None:
            depth_m = measured / 1000 if isinstance(measured, int | float) else depth_m
            tops.append(max(depth_m - installed.channel.sensing_height_m / 2, 0.0))
    return min(tops, default=None)


ALERT_KINDS = ("pass", "fixture", "covers", "mark")  # what must be handed in
BACK_MS, AHEAD_MS = 400 * 86_400_000, 60 * 86_400_000  # how far back a mark or a pass may count, and how far ahead


def diary_of(
    entries: Iterable[DiaryEntry],
    surface: str,
    kinds: Mapping[str, PassFacts],
    zone: datetime.tzinfo,
    *,
    station: str | None = None,
    waterings: TimeSpans = (),
    plays: TimeSpans = (),
) -> DiaryFacts:
    """The diary of one surface, or of one station with what holds for its whole surface.

    Parameters
    ----------
    entries : iterable of DiaryEntry
        Of `ENTRY_KINDS`; those of other surfaces and stations are passed over, marks are not: they name their alert.
    surface : str
        Slug.
    kinds : mapping of str to PassFacts
        A pass written down without a variant is of the first variant of its kind.
    zone : tzinfo
        Of the site. What has no end is over with its day.
    station : str, optional
        Slug; None for the surface alone.
    waterings, plays : tuple of (int, int)
        From elsewhere: waterings as the stages know them, play of the calendar. [ms since 1970, UTC]
    """
    every = sorted(entries, key=lambda e: (e.at_ms, e.id))
    own = [e for e in every if e.surface == surface and (station is None or e.station in (None, station))]
    passes = [e for e in own if e.kind == "pass"]
    made = [_job(e, kinds, zone) for e in passes if str(e.body.get("state", "done")) in MADE]
    booked = [_job(e, kinds, zone) for e in passes if e.body.get("state") == "booked"]
    done = {(j.kind, j.variant, _day(j.start_ms, zone)) for j in made}
    fixtures = [(e.at_ms, _end_ms(e, zone)) for e in own if e.kind == "fixture"]
    return DiaryFacts(
        waterings=waterings,
        plays=tuple(sorted({*plays, *fixtures})),
        covers=tuple((e.at_ms, 2**62 if e.end_ms is None else e.end_ms) for e in own if e.kind == "covers"),
        booked=tuple(j for j in booked if (j.kind, j.variant, _day(j.start_ms, zone)) not in done),
        made=tuple(made),
        marks=_marks([e for e in every if e.kind == "mark"]),
    )


def _job(entry: DiaryEntry, kinds: Mapping[str, PassFacts], zone: datetime.tzinfo) -> DatedPass:
    kind = str(entry.body.get("pass", ""))
    facts, depth_mm = kinds.get(kind), number(entry, "depth_mm")
    variant = str(entry.body.get("variant") or ("" if facts is None else facts.variants[0]))
    return DatedPass(kind, variant, entry.at_ms, _end_ms(entry, zone), None if depth_mm is None else depth_mm / 1000.0)


def _marks(entries: Sequence[DiaryEntry]) -> dict[str, tuple[AlertMark, ...]]:
    found: dict[str, tuple[AlertMark, ...]] = {}
    for e in entries:
        alert = str(e.body["alert"])
        found[alert] = (*found.get(alert, ()), AlertMark(str(e.body["mark"]), e.at_ms, e.end_ms))
    return found


def _day(at_ms: int, zone: datetime.tzinfo) -> datetime.date:
    return datetime.datetime.fromtimestamp(at_ms / 1000, zone).date()


def _end_ms(entry: DiaryEntry, zone: datetime.tzinfo) -> int:
    """When an entry ended; without an end, the last moment of its day."""
    if entry.end_ms is not None:
        return entry.end_ms
    next_day = _day(entry.at_ms, zone) + datetime.timedelta(days=1)
    return round(datetime.datetime.combine(next_day, datetime.time(), zone).timestamp() * 1000) - 1


LIGHT_DRESSING_MM = 1.0  # up to so much a dressing is a light one: between 0.6 and 2, our own choice
MADE = ("begun", "done")


def of_surface(entries: Iterable[DiaryEntry], surface: str) -> list[DiaryEntry]:
    """Entries of one surface, in order of time."""
    return sorted((e for e in entries if e.surface == surface), key=lambda e: (e.at_ms, e.id))


def number(entry: DiaryEntry, key: str) -> float | None:
    """A number of the body; None where there is none."""
    value = entry.body.get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def jobs(entries: Iterable[DiaryEntry], kind: str, variant: str, now_ms: int) -> tuple[PassMade, ...]:
    """Passes of a kind that have been made, one job in several directions once.

    A pass written down without a variant counts for each; dressings laid count as top-dressing, seed sown as seeding.
    """
    found = [
        PassMade(e.at_ms, _area(e))
        for e in entries
        if e.at_ms <= now_ms and _is(e, kind, variant) and str(e.body.get("state", "done")) in MADE
    ]
    return merge_jobs(tuple(found))


def _is(entry: DiaryEntry, kind: str, variant: str) -> bool:
    if entry.kind == "pass":
        return entry.body.get("pass") == kind and entry.body.get("variant") in (None, "", variant)
    if entry.kind == "dressing":
        laid = number(entry, "dressing_mm") or 0.0
        return kind == "topdressing" and variant == ("light" if laid <= LIGHT_DRESSING_MM else "heavy")
    return entry.kind == "sown" and kind == "overseeding"


def _area(entry: DiaryEntry) -> float:
    spacing, width = number(entry, "spacing_mm"), number(entry, "width_mm")
    return 0.0 if not spacing or width is None else min(width / spacing, 1.0)


def sights(entries: Iterable[DiaryEntry]) -> tuple[Sight, ...]:
    """What eyes saw."""
    return tuple(
        Sight(str(e.body["what"]), value, e.at_ms)
        for e in entries
        if e.kind == "sight" and (value := number(e, "value")) is not None
    )


def overrides(entries: Iterable[DiaryEntry]) -> tuple[Override, ...]:
    """Words of people that a pass may be made."""
    return tuple(
        Override(
            str(e.body["pass"]),
            str(e.body.get("variant", "")),
            TimeSpan(e.at_ms, e.end_ms),
            str(e.body["reason"]),
            e.author,
            e.written_at_ms,
        )
        for e in entries
        if e.kind == "override" and e.end_ms is not None
    )


def latest_sown_ms(entries: Iterable[DiaryEntry], now_ms: int) -> int | None:
    """When seed was last sown. [ms since 1970, UTC]"""
    return max((e.at_ms for e in entries if _sows(e) and e.at_ms <= now_ms), default=None)


def _sows(entry: DiaryEntry) -> bool:
    made = entry.kind == "pass" and str(entry.body.get("state", "done")) in MADE
    return entry.kind == "sown" or (made and entry.body.get("pass") == "overseeding")


def until_ms(entries: Iterable[DiaryEntry], kind: str, now_ms: int) -> int | None:
    """Until when something laid on works, where it does now or will. [ms since 1970, UTC]"""
    ends = [e.end_ms for e in entries if e.kind == kind and e.end_ms is not None and e.end_ms > now_ms]
    return max(ends, default=None)


def renovation(entries: Iterable[DiaryEntry], now_ms: int) -> TimeSpan | None:
    """The renovation that is on or next, as the diary has it."""
    spans = [TimeSpan(e.at_ms, e.end_ms) for e in entries if e.kind == "renovation" and e.end_ms is not None]
    return min((s for s in spans if s.end_ms > now_ms), key=lambda s: s.start_ms, default=None)


def waterings(entries: Iterable[DiaryEntry], station: str) -> tuple[WaterGiven, ...]:
    """Waterings of a station whose amount is known, and rain read by hand is not among them."""
    return tuple(
        WaterGiven(e.at_ms, e.at_ms if e.end_ms is None else e.end_ms, mm)
        for e in entries
        if e.kind == "watering" and e.station in (None, station) and (mm := number(e, "water_mm")) is not None
    )


def covers(entries: Iterable[DiaryEntry], station: str, now_ms: int) -> tuple[Covered, ...]:
    """Spans under covers; without an end they are on still."""
    return tuple(
        Covered(e.at_ms, now_ms if e.end_ms is None else e.end_ms)
        for e in entries
        if e.kind == "covers" and e.station in (None, station)
    )
