"""Facts read from the entries of the diary, for stages, advice and alerts alike.

`read_diary` returns the facts of a surface, or of one station with those of its whole surface. A pass without a state
is done; the length of an entry without an end is that of `_end_ms`.
"""

from __future__ import annotations

import datetime
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from pipeline.diary.by_hand import (
    Closed,
    Cost,
    HandMoisture,
    HandPush,
    HandRain,
    cost_of,
    moisture_of,
    push_of,
    rain_of,
)
from pipeline.diary.entry import DiaryEntry
from pipeline.site.ground import InstalledProbe, Surface
from pipeline.site.passes import PassFacts
from pipeline.site.strips import strip_numbers
from pipeline.soil.thatch import CoreReading, OrganicSlice
from pipeline.soil.wetting import Watering
from pipeline.units import DAY_MS, FOREVER_MS, HOUR_MS, TimeSpan

NAN = float("nan")
MADE = ("begun", "done")
PLAY_LENGTH_H = 3.0  # of a fixture whose end is not given: our own choice
LIGHT_DRESSING_MM = 1.0  # up to so much a dressing is a light one: between 0.6 and 2, our own choice
SAME_JOB_H = 48.0  # passes less than so long after the one before are one job in several directions: our own choice
RULER = "a ruler"
CUTS_FROM_M = 0.0015  # a brush reaches 1 mm, shallow verticutting 1.5 (trade press): less deep goes over a probe
NO_BLADES = ("light_raking",)  # goes over a probe, where blades as shallow might catch it: our own choice
CLEARANCE_M = 0.025  # below the blades, for roots to hold and for buried things to be safe: common practice, no source

# The kinds of entries that stages, probes in the ground and alerts rest on; advice rests on all.
HAND_KINDS = ("moisture", "push", "rain")
STATION_KINDS = (*HAND_KINDS, "core", "depth", "dressing", "fixture", "lift", "pass", "return", "watering")
PROBE_KINDS = ("lift", "return", "depth")
ALERT_KINDS = ("pass", "fixture", "covers", "mark", "watering")
BACK_MS, AHEAD_MS = 400 * DAY_MS, 60 * DAY_MS  # how far back a mark or a pass may count for an alert, and how far ahead


@dataclass(frozen=True, slots=True)
class Dated:
    """A length that holds, or was added, from a moment on. [ms since 1970, UTC], [m]"""

    at_ms: int
    length_m: float


@dataclass(frozen=True, slots=True)
class Lifted:
    """A probe, `station/probe`, out of the ground from a moment up to its return; `FOREVER_MS` while it is still out.

    One that `is_new` was not in the ground before: it is believed once its field check is done. [ms since 1970, UTC]
    """

    probe: str
    out_ms: int
    back_ms: int
    is_new: bool = False

    def settled_ms(self, settle_ms: int) -> int:
        """Return when its readings stand for undisturbed ground again; a new one's have been checked in the ground.

        [ms since 1970, UTC] `settle_ms` is how long the ground about a probe put back settles. [ms]
        """
        return self.back_ms if self.is_new else self.back_ms + settle_ms


class DatedPass(NamedTuple):
    """A pass that is booked, begun or done. [ms since 1970, UTC], [m], [kg m-2]; None or NaN where nobody wrote it.

    `variant` is the first of its kind where `variant_written` is False. One that was written down as begun and then as
    done is a single pass: `id` is the entry by which it was done, `begun_id` that by which it was begun, else 0.
    `follows` is the entry that the entry names as the one it goes on with, else 0.
    """

    kind: str
    variant: str
    start_ms: int
    end_ms: int
    depth_m: float | None = None
    state: str = "done"
    variant_written: bool = True
    spacing_m: float = NAN
    width_m: float = NAN
    removed_kg_m2: float = NAN
    id: int = 0
    begun_id: int = 0
    follows: int = 0
    end_written: bool = False


class Play(NamedTuple):
    """One time of play on a surface, and on which strips of it, by number; none where nobody says. [ms since 1970]

    `unknown_strips` are the numbers it names where the surface has no such strip: then it names none.
    """

    title: str
    start_ms: int
    end_ms: int
    strips: tuple[int, ...] = ()
    unknown_strips: tuple[int, ...] = ()


def on_strip(plays: Sequence[Play], strip: int | None) -> list[Play]:
    """Return the play that a strip is kept for: what names it, or none; all where the strip is not known."""
    return [one for one in plays if strip is None or not one.strips or strip in one.strips]


def to_play_h(plays: Sequence[Play], at_ms: int) -> float | None:
    """Return how long after a moment the next play begins, 0 while it goes on; None without any. [ms since 1970, UTC],
    [h]"""
    ahead = [one.start_ms for one in plays if one.end_ms > at_ms]
    return max(min(ahead) - at_ms, 0) / HOUR_MS if ahead else None


def to_play_d(plays: Sequence[Play], at_ms: int) -> float | None:
    """Return the same as `to_play_h` in days. [ms since 1970, UTC], [d]"""
    hours = to_play_h(plays, at_ms)
    return None if hours is None else hours / 24.0


class DropTest(NamedTuple):
    """When a drop was timed on a core [ms since 1970, UTC], and how long it took to soak in [s]."""

    at_ms: int
    seconds: float


class AlertMark(NamedTuple):
    """A mark on an alert: seen, snoozed (until `end_ms`, None for good), or wrong. [ms since 1970, UTC]"""

    mark: str
    at_ms: int
    end_ms: int | None = None


class SeenHealed(NamedTuple):
    """When a pass was seen healed [ms since 1970, UTC], and its entry or kind, where written."""

    at_ms: int
    entry: int | None
    kind: str | None


@dataclass(frozen=True, slots=True)
class Sight:
    """One observation by eye. [ms since 1970, UTC]

    `firmness` 0 no mark, 1 faint, 2 marks, 3 water at the boot, 4 turf rolls underfoot; `tug` 0 holds, 1 lifts;
    `disease` 0 none, 1 old scars, 2 active; `wilt` 0 none, 1 seen;
    `thatch`, as a hand feels it, 0 dry, 1 moist, 2 soaked.
    """

    what: str
    value: float
    at_ms: int


@dataclass(frozen=True, slots=True)
class Override:
    """A person's decision that a pass may be made over a span, and the reason.

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


TimeSpans = tuple[tuple[int, int], ...]  # begin and end of each [ms since 1970, UTC]


@dataclass(frozen=True, slots=True)
class DiaryFacts:
    """The facts of one surface, or of one station with those of its whole surface.

    Everything is in order of time.

    Attributes
    ----------
    waterings, booked_waterings : tuple of Watering
        Given, and booked: what is booked was not given for that.
    plays : tuple of (int, int)
        Begin and end of each play, those of the calendar too. [ms since 1970, UTC]
    on_other_strips : tuple of (int, int)
        Those of them that are on another strip than that of the station. [ms since 1970, UTC]
    covers : tuple of (int, int)
        Begin and end of each span under covers, `FOREVER_MS` while they are on. [ms since 1970, UTC]
    booked, made : tuple of DatedPass
        Passes booked that no entry goes on with, and of which none is made on the same day; and those begun or done,
        each once.
    marks : mapping of str to tuple of AlertMark
        By the alert's id.
    fixtures : tuple of Play
        Those of the diary, with their titles.
    cores, root_cores, dressings : tuple of Dated
        Thatch thickness and root depth of each core, and what each dressing laid. [m]
    drops : tuple of DropTest
        Of the cores on which a drop was timed, in order.
    core_reads : tuple of CoreReading
        The same cores, by the method each names.
    depths : mapping of str to tuple of Dated
        Depths measured anew by channel id. [m]
    lifted : tuple of Lifted
    sown_ms : tuple of int
        When seed was sown, by an entry of its own. [ms since 1970, UTC]
    spans : mapping of str to tuple of TimeSpan
        Of "regulator", "pre_emergence" and "renovation".
    sights : tuple of Sight
    overrides : tuple of Override
    healed : tuple of SeenHealed
    moisture : tuple of HandMoisture
    pushes : tuple of HandPush
    hand_rain : tuple of HandRain
    closed : tuple of Closed
    costs : tuple of Cost
    """

    waterings: tuple[Watering, ...] = ()
    booked_waterings: tuple[Watering, ...] = ()
    plays: TimeSpans = ()
    on_other_strips: TimeSpans = ()
    covers: TimeSpans = ()
    booked: tuple[DatedPass, ...] = ()
    made: tuple[DatedPass, ...] = ()
    marks: Mapping[str, tuple[AlertMark, ...]] = field(default_factory=dict)
    fixtures: tuple[Play, ...] = ()
    cores: tuple[Dated, ...] = ()
    root_cores: tuple[Dated, ...] = ()
    dressings: tuple[Dated, ...] = ()
    core_reads: tuple[CoreReading, ...] = ()
    drops: tuple[DropTest, ...] = ()
    depths: Mapping[str, tuple[Dated, ...]] = field(default_factory=dict)
    lifted: tuple[Lifted, ...] = ()
    sown_ms: tuple[int, ...] = ()
    spans: Mapping[str, tuple[TimeSpan, ...]] = field(default_factory=dict)
    sights: tuple[Sight, ...] = ()
    overrides: tuple[Override, ...] = ()
    healed: tuple[SeenHealed, ...] = ()
    moisture: tuple[HandMoisture, ...] = ()
    pushes: tuple[HandPush, ...] = ()
    hand_rain: tuple[HandRain, ...] = ()
    closed: tuple[Closed, ...] = ()
    costs: tuple[Cost, ...] = ()

    @property
    def own_plays(self) -> TimeSpans:
        """Return begin and end of each play that the ground of the facts is kept for. [ms since 1970, UTC]"""
        return tuple(one for one in self.plays if one not in self.on_other_strips)

    @property
    def measured_waterings(self) -> tuple[Watering, ...]:
        """Return the waterings whose amount was written down."""
        return tuple(w for w in self.waterings if math.isfinite(w.water_mm))

    def jobs_ms(self, kind: str, variant: str, now_ms: int) -> tuple[int, ...]:
        """Return when a pass was made, one job in several directions once, at its last. [ms since 1970, UTC]

        A pass written down without a variant counts for each; dressings laid count as top-dressing, seed sown as
        seeding.
        """
        times = [p.start_ms for p in self.made if p.kind == kind and (p.variant == variant or not p.variant_written)]
        if kind == "topdressing":
            light = variant == "light"
            times += [d.at_ms for d in self.dressings if (1000.0 * d.length_m <= LIGHT_DRESSING_MM) == light]
        if kind == "overseeding":
            times += self.sown_ms
        found: list[int] = []
        for at_ms in sorted(t for t in times if t <= now_ms):
            if found and at_ms - found[-1] < SAME_JOB_H * HOUR_MS:
                found[-1] = at_ms
            else:
                found.append(at_ms)
        return tuple(found)

    def latest_sown_ms(self, now_ms: int) -> int | None:
        """Return when seed was last sown, as a pass or as seed. [ms since 1970, UTC]"""
        seeded = (p.start_ms for p in self.made if p.kind == "overseeding")
        return max((t for t in (*self.sown_ms, *seeded) if t <= now_ms), default=None)

    def until_ms(self, kind: str, now_ms: int) -> int | None:
        """Return until when a regulator or herbicide works, where it does now or will. [ms since 1970, UTC]"""
        return max((s.end_ms for s in self.spans.get(kind, ()) if s.end_ms > now_ms), default=None)

    def renovation(self, now_ms: int) -> TimeSpan | None:
        """Return the renovation that is on or next; one that ends now is over."""
        return min(
            (s for s in self.spans.get("renovation", ()) if s.end_ms > now_ms), key=lambda s: s.start_ms, default=None
        )


def read_diary(
    entries: Iterable[DiaryEntry],
    surface: str,
    kinds: Mapping[str, PassFacts],
    zone: datetime.tzinfo = datetime.UTC,
    *,
    station: str | None = None,
    plays: Sequence[Play] = (),
    strip: int | None = None,
) -> DiaryFacts:
    """Read entries of the diary into facts.

    Parameters
    ----------
    entries : iterable of DiaryEntry
        In any order; those of other surfaces and stations are passed over, but marks, which name their alert.
    surface : str
        Slug.
    kinds : mapping of str to PassFacts
        A pass written down without a variant is of the first variant of its kind.
    zone : tzinfo
        Of the site: a pass without an end is over with its day.
    station : str, optional
        Slug: what concerns another station is left out. None for the surface with all its stations.
    plays : sequence of Play
        Of the calendar.
    strip : int, optional
        On which the station stands; None where nobody knows it: it is kept for play on every strip.

    Returns
    -------
    DiaryFacts
    """
    by_kind: dict[str, list[DiaryEntry]] = {}
    for e in sorted(entries, key=lambda e: (e.at_ms, e.id)):
        if e.kind == "mark" or (e.surface == surface and (station is None or e.station in (None, station))):
            by_kind.setdefault(e.kind, []).append(e)

    def each(kind: str) -> list[DiaryEntry]:
        return by_kind.get(kind, [])

    passes = [_pass(e, kinds, zone) for e in each("pass")]
    made = tuple(_each_once([p for p in passes if p.state in MADE]))
    done = {(p.kind, p.variant, _day(p.start_ms, zone)) for p in made}
    gone_on_with = {p.follows for p in passes if p.follows}
    fixtures = tuple(
        Play(str(e.body.get("title", "play")), e.at_ms, _end_ms(e, zone), strip_numbers(str(e.body.get("strips", ""))))
        for e in each("fixture")
    )
    every = {(one.start_ms, one.end_ms) for one in (*plays, *fixtures)}
    own = {(one.start_ms, one.end_ms) for one in on_strip((*plays, *fixtures), strip)}
    cores = [e for e in each("core") if station is None or e.station == station]
    depths: dict[str, tuple[Dated, ...]] = {}
    for e in each("depth"):
        channel = str(e.body.get("channel"))
        depths[channel] = (*depths.get(channel, ()), _dated(e, "depth_mm"))
    marks: dict[str, tuple[AlertMark, ...]] = {}
    for e in each("mark"):
        alert = str(e.body["alert"])
        marks[alert] = (*marks.get(alert, ()), AlertMark(str(e.body["mark"]), e.at_ms, e.end_ms))
    return DiaryFacts(
        waterings=tuple(Watering(e.at_ms, _end_ms(e, zone), e.number("water_mm")) for e in each("watering")),
        booked_waterings=tuple(
            Watering(e.at_ms, _end_ms(e, zone), e.number("water_mm")) for e in each("booked_watering")
        ),
        plays=tuple(sorted(every)),
        on_other_strips=tuple(sorted(every - own)),
        covers=tuple((e.at_ms, _end_ms(e, zone)) for e in each("covers")),
        booked=tuple(
            p
            for p in passes
            if p.state == "booked"
            and p.id not in gone_on_with
            and (p.kind, p.variant, _day(p.start_ms, zone)) not in done
        ),
        made=made,
        marks=marks,
        fixtures=fixtures,
        cores=tuple(_dated(e, "thatch_mm") for e in cores),
        root_cores=tuple(_dated(e, "root_mm") for e in cores if "root_mm" in e.body),
        dressings=tuple(_dated(e, "dressing_mm") for e in each("dressing")),
        core_reads=tuple(read for e in cores for read in _core_reads(e)),
        drops=tuple(DropTest(e.at_ms, e.number("drop_s")) for e in cores if "drop_s" in e.body),
        depths=depths,
        lifted=_lifted([e for kind in ("lift", "return") for e in each(kind)]),
        sown_ms=tuple(e.at_ms for e in each("sown")),
        spans={
            kind: tuple(TimeSpan(e.at_ms, e.end_ms) for e in each(kind) if e.end_ms is not None)
            for kind in ("regulator", "pre_emergence", "renovation")
        },
        sights=tuple(
            Sight(str(e.body["what"]), value, e.at_ms)
            for e in each("sight")
            if math.isfinite(value := e.number("value"))
        ),
        overrides=tuple(_override(e, e.end_ms) for e in each("override") if e.end_ms is not None),
        healed=tuple(_healed(e) for e in each("healed")),
        moisture=tuple(moisture_of(e) for e in each("moisture")),
        pushes=tuple(push_of(e) for e in each("push")),
        hand_rain=rain_of(each("rain")),
        closed=tuple(Closed(e.at_ms, _end_ms(e, zone), str(e.body["reason"])) for e in each("closed")),
        costs=tuple(cost_of(e) for e in each("cost")),
    )


def _dated(entry: DiaryEntry, key: str) -> Dated:
    return Dated(entry.at_ms, entry.number(key) / 1000.0)


def _day(at_ms: int, zone: datetime.tzinfo) -> datetime.date:
    return datetime.datetime.fromtimestamp(at_ms / 1000, zone).date()


def _end_ms(entry: DiaryEntry, zone: datetime.tzinfo) -> int:
    """Return when an entry ended.

    Without an end a watering is a moment, one that is booked an hour, play lasts `PLAY_LENGTH_H`, covers are still on,
    and a pass ends with the last moment of its day.
    """
    if entry.end_ms is not None:
        return entry.end_ms
    if entry.kind == "watering":
        return entry.at_ms
    if entry.kind == "booked_watering":
        return entry.at_ms + HOUR_MS
    if entry.kind == "covers":
        return FOREVER_MS
    if entry.kind == "fixture":
        return entry.at_ms + round(PLAY_LENGTH_H * HOUR_MS)
    next_day = _day(entry.at_ms, zone) + datetime.timedelta(days=1)
    return round(datetime.datetime.combine(next_day, datetime.time(), zone).timestamp() * 1000) - 1


def _each_once(passes: Iterable[DatedPass]) -> list[DatedPass]:
    """Return passes begun or done, in order of time, with each that was begun and then done as one.

    A pass done goes on with the one begun that its entry names, or that goes on with the same booking; without a name,
    with the last one begun of its kind in the `SAME_JOB_H` before it that no other goes on with.
    """
    found: list[DatedPass] = []
    for one in passes:
        begun = None if one.state == "begun" else next((b for b in reversed(found) if _goes_on(one, b)), None)
        if begun is None:
            found.append(one)
        else:
            found[found.index(begun)] = _joined(begun, one)
    return sorted(found, key=lambda p: (p.start_ms, p.id))


def _goes_on(done: DatedPass, begun: DatedPass) -> bool:
    if begun.state != "begun" or begun.kind != done.kind:
        return False
    if done.follows:
        return done.follows in (begun.id, begun.follows)
    alike = begun.variant == done.variant or not (begun.variant_written and done.variant_written)
    return alike and done.start_ms - begun.start_ms < SAME_JOB_H * HOUR_MS


def _joined(begun: DatedPass, done: DatedPass) -> DatedPass:
    """Return a pass from its beginning to its end, with what was written of it last."""
    lengths = {
        key: mine if math.isfinite(mine := getattr(done, key)) else getattr(begun, key)
        for key in ("spacing_m", "width_m", "removed_kg_m2")
    }
    named = done if done.variant_written else begun
    return done._replace(
        variant=named.variant,
        variant_written=named.variant_written,
        start_ms=min(begun.start_ms, done.start_ms),
        end_ms=done.end_ms if done.end_written else done.start_ms,
        depth_m=begun.depth_m if done.depth_m is None else done.depth_m,
        begun_id=begun.id,
        **lengths,
    )


def _pass(entry: DiaryEntry, kinds: Mapping[str, PassFacts], zone: datetime.tzinfo) -> DatedPass:
    kind, variant = str(entry.body.get("pass", "")), str(entry.body.get("variant") or "")
    facts, depth_mm = kinds.get(kind), entry.number("depth_mm")
    return DatedPass(
        kind,
        variant or ("" if facts is None else facts.variants[0]),
        entry.at_ms,
        _end_ms(entry, zone),
        None if math.isnan(depth_mm) else depth_mm / 1000.0,
        str(entry.body.get("state", "done")),
        bool(variant),
        entry.number("spacing_mm") / 1000.0,
        entry.number("width_mm") / 1000.0,
        entry.number("removed_kg_m2"),
        entry.id,
        follows=number if isinstance(number := entry.body.get("follows"), int) else 0,
        end_written=entry.end_ms is not None,
    )


def _core_reads(entry: DiaryEntry) -> Iterator[CoreReading]:
    """Return the readings of a core, by the method it names."""
    taken, percent = _day(entry.at_ms, datetime.UTC), entry.number("organic_percent")
    top_mm, bottom_mm = entry.number("organic_from_mm"), entry.number("organic_to_mm")
    known = math.isfinite(top_mm + bottom_mm + percent)
    method = str(entry.body.get("method", "")).strip()
    slices = (OrganicSlice(top_mm, bottom_mm, percent, method),) if known else ()
    yield CoreReading(taken, RULER, entry.number("thatch_mm"), slices=slices)
    if "thatch_pressed_mm" in entry.body:
        yield CoreReading(taken, f"{RULER}, pressed", entry.number("thatch_pressed_mm"))


def _lifted(entries: Iterable[DiaryEntry]) -> tuple[Lifted, ...]:
    """Return when each probe was out of the ground.

    A second lift before the return is ignored; a return without a lift is a moment at which the probe was moved.
    """
    out: dict[str, tuple[int, bool]] = {}
    found = []
    for entry in sorted(entries, key=lambda e: (e.at_ms, e.id)):
        probe = f"{entry.station}/{entry.body.get('probe')}"
        if entry.kind == "lift":
            out.setdefault(probe, (entry.at_ms, entry.body.get("new") is True))
        else:
            out_ms, is_new = out.pop(probe, (entry.at_ms, False))
            found.append(Lifted(probe, out_ms, entry.at_ms, is_new))
    found += [Lifted(probe, out_ms, FOREVER_MS, is_new) for probe, (out_ms, is_new) in out.items()]
    return tuple(sorted(found, key=lambda one: (one.out_ms, one.probe)))


def _healed(entry: DiaryEntry) -> SeenHealed:
    number, kind = entry.body.get("entry"), entry.body.get("pass")
    return SeenHealed(entry.at_ms, number if isinstance(number, int) else None, kind if isinstance(kind, str) else None)


def _override(entry: DiaryEntry, end_ms: int) -> Override:
    body, span = entry.body, TimeSpan(entry.at_ms, end_ms)
    variant = str(body.get("variant", ""))
    return Override(str(body["pass"]), variant, span, str(body["reason"]), entry.author, entry.written_at_ms)


def changes_the_past(entry: DiaryEntry) -> bool:
    """Return whether an entry changes results from its time on; a pass does once it is done."""
    if entry.kind == "pass":
        return entry.body.get("state", "done") == "done"
    return entry.kind in STATION_KINDS and entry.kind != "fixture"


@dataclass(frozen=True, slots=True)
class Buried:
    """Something in the ground: its name, the depth of its top below the leaf base [m], and whether it is lifted.

    `called` is what it is called by its place (`the long-side probe`); empty where it is called by its name.
    """

    name: str
    depth_m: float
    lifted: bool = False
    called: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Intent:
    """An intended pass: kind, variant, and depth of the cut below the leaf base. [m]"""

    kind: str
    variant: str
    depth_m: float


def in_the_way(intent: Intent, buried: Sequence[Buried]) -> tuple[str, ...]:
    """Return the names of what must be lifted first: anything less than 25 mm below the blades, and not lifted.

    Nothing is in the way of a pass that goes over what lies there: a dressing (depth 0), a brush or a light rake.
    """
    if intent.depth_m <= 0.0 or (intent.kind in NO_BLADES and intent.depth_m < CUTS_FROM_M):
        return ()
    return tuple(b.name for b in buried if not b.lifted and b.depth_m < intent.depth_m + CLEARANCE_M - 1e-9)


def probes_in_ground(
    surface: Surface, facts: DiaryFacts, at_ms: int, *, station: str | None = None
) -> tuple[Buried, ...]:
    """Return every probe with something in the ground.

    Parameters
    ----------
    surface : Surface
    facts : DiaryFacts
        Of the surface, or of that station.
    at_ms : int
        The moment. [ms since 1970, UTC]
    station : str, optional
        Only what lies at this station.

    Returns
    -------
    tuple of Buried
        In the order of the settings. A name that two stations share has its station before it.
    """
    out = {one.probe for one in facts.lifted if one.out_ms <= at_ms < one.back_ms}
    names = Counter(probe.name for s in surface.stations for probe in s.probes)
    found = []
    for each in surface.stations:
        for probe in each.probes if station in (None, each.name) else ():
            top_m = _top_m(probe, facts, at_ms)
            if top_m is not None:
                name = probe.name if names[probe.name] == 1 else f"{each.name}/{probe.name}"
                called = surface.probe_called(each, probe)
                found.append(Buried(name, top_m, lifted=f"{each.name}/{probe.name}" in out, called=called))
    return tuple(found)


def _top_m(probe: InstalledProbe, facts: DiaryFacts, at_ms: int) -> float | None:
    """Return the depth of a probe's shallowest channel; None for a probe that is not left in the ground. [m]"""
    if probe.description.protocol == "cone":
        return None
    tops = []
    for installed in probe.channels:
        depth_m = installed.channel.depth_m
        if depth_m is not None:
            anew = [one.length_m for one in facts.depths.get(installed.id, ()) if one.at_ms <= at_ms]
            tops.append(max((anew[-1] if anew else depth_m) - installed.channel.sensing_height_m / 2, 0.0))
    return min(tops, default=None)
