"""The model of an alert rule: what it declares, reads and returns; the state of an alert, and its events.

The life of an alert of one rule, at one place:

| state    | event                                         | next     | said                             |
|----------|-----------------------------------------------|----------|----------------------------------|
| quiet    | its condition holds                           | open     | opened                           |
| quiet    | its condition holds, something holds it back  | quiet    | nothing; it opens when it may    |
| open     | there is news of it                           | open     | repeated                         |
| open     | there is news, something holds it back        | open     | nothing                          |
| open     | its condition has ended                       | quiet    | closed                           |
| open     | its months have ended                         | quiet    | closed                           |
| open     | somebody marks it seen                        | open     | nothing, and no repeats          |
| open     | somebody snoozes it                           | open     | nothing; at the end, repeated    |
| open     | somebody marks it wrong                       | silenced | closed                           |
| silenced | there is news of it                           | silenced | nothing                          |
| silenced | its condition or its months have ended        | quiet    | nothing                          |

What holds an alert back is declared by its rule (`HeldBy`): the night, the season, play, drying for play, fresh water.
Only the night holds its closing back too. States are stored as JSON after each evaluation and read at a restart.
"""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from enum import Enum, Flag, auto
from functools import cached_property
from types import MappingProxyType
from typing import Annotated, Any, Generic, NamedTuple, NewType, Protocol, TypeVar

import numpy as np
import numpy.typing as npt
from pydantic import AfterValidator, BaseModel, Field

from pipeline.advice.phrases import spoken
from pipeline.diary.facts import DiaryFacts
from pipeline.diary.station import StationContext
from pipeline.site.fields import Setting
from pipeline.store.backup import BackupRecord
from pipeline.store.custody import CustodyNotice
from pipeline.texts import say
from pipeline.units import HOUR_MS, QUARTER_HOUR_MS, BoolArray, FloatArray, TimeArray, floats
from pipeline.units import Flag as QualityFlag

OPENED, REPEATED, CLOSED = "opened", "repeated", "closed"
RuleName = NewType("RuleName", str)
T = TypeVar("T", int, TimeArray)
_EMPTY: Mapping[str, Any] = MappingProxyType({})


# --- bounds ----------------------------------------------------------------------------------------------------------

Wetness = Annotated[float, Field(ge=-1.0, le=3.0)]
Millimetres = Annotated[float, Field(ge=0.0, le=1000.0)]
DegreesC = Annotated[float, Field(ge=-20.0, le=20.0)]
Hour = Annotated[float, Field(ge=0.0, le=23.75)]
Hours = Annotated[float, Field(ge=0.0, le=24.0 * 60)]


def _ascending(numbers: tuple[int, ...]) -> tuple[int, ...]:
    if len(set(numbers)) < len(numbers):
        raise ValueError("one number twice")
    return tuple(sorted(numbers))


def _descending(numbers: tuple[int, ...]) -> tuple[int, ...]:
    return _ascending(numbers)[::-1]


Months = Annotated[
    tuple[Annotated[int, Field(ge=1, le=12)], ...],
    Field(max_length=12, strict=False, description="a list of whole numbers from 1 to 12, each once"),
    AfterValidator(_ascending),
]
LeadDays = Annotated[
    tuple[Annotated[int, Field(ge=0, le=60)], ...],
    Field(max_length=10, strict=False, description="a list of whole numbers from 0 to 60, each once"),
    AfterValidator(_descending),
]


class RuleBounds(Setting):
    """Bounds of one rule that a site may set under `[alerts.RULE]`. Every value is common practice, no source.

    Three names mean the same in every rule that has them: `months`, of the northern hemisphere, shifted by six south of
    the equator, none for the usual ones of the rule; `repeat_h`, the least time between an alert and its next repeat
    [h]; `after_water_h`, how long after rain or watering nothing is said, for a rule held by fresh water [h].
    """

    enabled: bool = True


@dataclass(frozen=True)
class Counting:
    """How rules count, which a site cannot set. Every value is common practice, no source.

    Times in hours, wetness relative [1], rain in mm, water content in m3 m-3. Read from the class: `Counting.rain_mm`.
    """

    rain_mm: float = 1.0  # a spell of rain of less counts as no water: dew, a trace, a tick of the gauge
    rain_gap_h: float = 6.0  # without rain for longer a spell has ended, as for wettings
    fresh_wetness: float = 0.15  # a rise of the thatch by so much is water from somewhere, written down or not
    falling_wetness: float = 0.05  # the root zone is drying when it lies so far below its highest of the run
    roots_off_hold_h: float = 2.0
    count_gap_h: float = 2.0  # time between two findings further apart is not counted towards a hold
    forget_gap_h: float = 24.0  # a run interrupted for longer begins again
    day_forget_gap_h: float = 72.0  # the same of findings of a day: two days may be missing
    gauge_silent_h: float = 2.0  # after so long without rain figures nobody knows that it is dry
    settle_h: float = 3.0  # findings younger than this may still change (a spike is known by what follows it)
    late_h: float = 168.0  # findings that come later than a week are kept, but no alert is made of them
    channel_silent_h: float = 24.0  # one channel of a probe whose others answer
    frost_degc: float = 0.5  # at and below it a moisture channel may keep silent
    flat_tolerance: float = 0.0005
    flat_rain_mm: float = 5.0
    flat_deepest_m: float = 0.10
    jump_gap_h: float = 65 / 60  # values further apart are not compared; hourly series still are
    day_from_h: float = 6.0  # by the site's clock: nothing but frost is said before
    day_until_h: float = 20.0  # or after


# --- the declaration of a rule ---------------------------------------------------------------------------------------


class RuleGrain(Enum):
    """The kind of data a rule reads, which decides when it is evaluated.

    QUARTER_HOUR: findings or readings of a quarter hour. DAY: findings of days, fortnights and wettings; the rule waits
    while those of its station are still to be computed. ADVICE: the newest advice.
    """

    QUARTER_HOUR = auto()
    DAY = auto()
    ADVICE = auto()

    @property
    def forget_gap_ms(self) -> float:
        """Return how long a gap in the data may be before a run begins again. [ms]"""
        return (Counting.day_forget_gap_h if self is RuleGrain.DAY else Counting.forget_gap_h) * HOUR_MS


class Scope(Enum):
    """The subject of one alert of a rule.

    STATION; SURFACE: reported once, by its first station with probes, under the title of the surface; SITE: the same of
    the whole site; PROBE; PASS: a kind of pass over a surface; BOOKING: one booked pass.
    """

    STATION = auto()
    SITE = auto()
    SURFACE = auto()
    PROBE = auto()
    PASS = auto()
    BOOKING = auto()


class HeldBy(Flag):
    """Conditions under which a rule opens and repeats nothing, beside people's marks.

    NIGHT: closings wait for the morning too. SEASON: its months. PLAY: a match day. DRYING: while the surface is dried
    for play. WATER: within `after_water_h` of rain or watering, when anybody knows that it is wet.
    """

    NOTHING = 0
    NIGHT = auto()
    SEASON = auto()
    PLAY = auto()
    DRYING = auto()
    WATER = auto()


class Manner(Enum):
    """When people are notified: URGENT at any hour, INTERRUPTING by day, DIGEST with the others the next morning."""

    URGENT = auto()
    INTERRUPTING = auto()
    DIGEST = auto()


Season = Mapping[str, tuple[int, ...]]  # usual months, northern hemisphere, by kind of turf; see `usual_months`
B = TypeVar("B", bound=RuleBounds)


@dataclass(frozen=True, kw_only=True)
class AlertRule(Generic[B]):
    """The declaration of one alert rule; whatever lists rules derives from it.

    Attributes
    ----------
    name : RuleName
    bounds : type of RuleBounds
        What a site may set.
    look : callable
        State, occasion and facts to `RuleOutcome`: what the rule makes of one occasion.
    scope, grain, manner : Scope, RuleGrain, Manner
    held_by : HeldBy
    reads : tuple of str
        Findings it is handed: of the grain DAY, the first is the one whose spans it walks.
    before : mapping of str to float
        Quarter-hour findings that a rule of the grain DAY looks at before each span, and how far back. [h]
    season : mapping of str to tuple of int
        Usual months by `cool`, `warm` and `pitch`; empty for the whole year.
    closes_with_season : bool
        Whether an open alert is closed when its months end.
    settle_h : float
        How long after its end a finding stands and is judged. [h]
    late_h : float or None
        How late a finding may come and still be judged. [h] None: however late.
    ahead : callable, optional
        State, `Ahead` and facts to `RuleOutcome`: what the rule makes of the forecast.
    occasions : callable, optional
        Facts, state and time to occasions in order of time, where they are not the findings it reads.
    """

    name: RuleName
    bounds: type[B]
    look: Callable[[AlertState, Any, Facts[B]], RuleOutcome]
    scope: Scope = Scope.STATION
    grain: RuleGrain = RuleGrain.QUARTER_HOUR
    manner: Manner = Manner.DIGEST
    held_by: HeldBy = HeldBy.NOTHING
    reads: tuple[str, ...] = ()
    before: Mapping[str, float] = field(default_factory=dict)
    season: Season = field(default_factory=dict)
    closes_with_season: bool = True
    settle_h: float = Counting.settle_h
    late_h: float | None = Counting.late_h
    ahead: Callable[[AlertState, Ahead, Facts[B]], RuleOutcome] | None = None
    occasions: Callable[[Facts[B], AlertState, int], Iterator[Any]] | None = None

    def bounds_in(self, alerts: Mapping[str, BaseModel]) -> B:
        """Return the bounds that a site has set of this rule, else the usual ones."""
        own = alerts.get(self.name)
        return own if isinstance(own, self.bounds) else self.bounds()

    @property
    def lag_h(self) -> float:
        """Return how much later than its time a finding of a quarter hour is evaluated. [h]"""
        return self.settle_h + QUARTER_HOUR_MS / HOUR_MS if self.grain is RuleGrain.QUARTER_HOUR else 0.0


class Change(NamedTuple):
    """A change of an alert's state that a rule asks for. It is made unless something holds it back; see `settle`.

    Attributes
    ----------
    kind : str
        `opened`, `repeated` or `closed`.
    text : str
        What, since, so what; the place is put before it. Times in it are marks of `phrases`: it may stand for weeks.
    since_ms : int or None
        Since when the condition holds; None leaves it, and of an opening is its time. [ms since 1970, UTC]
    way : str
        Which of the rule's conditions it is; empty leaves it.
    told : tuple of str
        What is said by it, beside what has been.
    at_ms : int or None
        When it came about, if not at the time of the occasion. [ms since 1970, UTC]
    at_once : bool
        Whether a closing does not wait for the morning.
    runs : mapping of str to Hold, optional
        The runs once it is said.
    """

    kind: str
    text: str
    since_ms: int | None = None
    way: str = ""
    told: tuple[str, ...] = ()
    at_ms: int | None = None
    at_once: bool = False
    runs: Mapping[str, Hold] | None = None


class RuleOutcome(NamedTuple):
    """The outcome of one occasion: the state before `change` is made, and the change, if any.

    `known` is False where the values of the occasion are missing: then not even the end of the season closes the alert.
    """

    state: AlertState
    change: Change | None = None
    known: bool = True


# --- what a rule is handed -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Where:
    """The place as far as season and hour depend on it: kind of surface, grass, hemisphere and time zone.

    Without a `zone` the hour of the day is not known, and months are those of UTC.
    """

    kind: str
    grass: str
    south: bool = False
    zone: datetime.tzinfo | None = None


class Spot(Protocol):
    """The place of an event: a `StationWatch` or a `SurfaceWatch`."""

    @property
    def site(self) -> str: ...
    @property
    def surface(self) -> str: ...
    @property
    def place(self) -> str: ...
    @property
    def where(self) -> Where: ...


class Findings(NamedTuple):
    """Findings of one quantity: starts and ends [ms since 1970, UTC], values, and the upper ends of their intervals.

    NaN where a value is withheld, and where no upper end is told.
    """

    start_ms: TimeArray
    end_ms: TimeArray
    value: FloatArray
    high: FloatArray


class Readings(NamedTuple):
    """Observations of one channel: times [ms since 1970, UTC], values in its unit, and quality flags."""

    at_ms: TimeArray
    value: FloatArray
    flag: npt.NDArray[np.integer]


_NO_TIMES, _NO_VALUES = np.array([], np.int64), np.array([], np.float64)
NO_FINDINGS = Findings(_NO_TIMES, _NO_TIMES, _NO_VALUES, _NO_VALUES)
NO_READINGS = Readings(_NO_TIMES, _NO_VALUES, np.array([], np.uint8))


@dataclass(frozen=True)
class StationWatch:
    """One station with its findings and readings since the rules were last evaluated.

    Attributes
    ----------
    site, surface : str
        Slugs.
    place, surface_title : str
        Surface and station, and the surface alone, in words, as a line begins: `Square, north end`.
    context : StationContext
    found : mapping of str to Findings
        By quantity, each in order of time: at least those after `evaluated_to_ms` of every state.
    readings : mapping of str to Readings
        By channel of the context, each in order of time, over the same time.
    zone : tzinfo or None
        Of the site; None: no hour is too early to say anything.
    backup : BackupRecord or None
        What is known of the backups now; None while the past is evaluated.
    custody : tuple of CustodyNotice or None
        What is wrong now with the custody of the readings of the surface; None while the past is evaluated.
    probes_called : mapping of str to str
        What each probe of the station is called by its place.
    strip : int or None
        Of a square, that the station stands on; None where nobody knows it.
    """

    site: str
    surface: str
    place: str
    context: StationContext
    found: Mapping[str, Findings] = field(default_factory=dict)
    readings: Mapping[str, Readings] = field(default_factory=dict)
    zone: datetime.tzinfo | None = None
    surface_title: str = ""
    backup: BackupRecord | None = None
    custody: tuple[CustodyNotice, ...] | None = None
    probes_called: Mapping[str, str] = field(default_factory=dict)
    strip: int | None = None

    def called(self, probe: str) -> str:
        """Return a probe of the station by its place, as `Surface.probe_called` has it."""
        return self.probes_called.get(probe) or say("probe {name}", name=probe)

    @property
    def where(self) -> Where:
        """Return kind, grass, hemisphere and time zone."""
        context = self.context
        return Where(context.kind, context.ground.grass, context.site.southern, self.zone)

    @cached_property
    def rain(self) -> tuple[TimeArray, FloatArray]:
        """Quarter hours in which rain was read well, increasing, and the rain of each. [ms since 1970, UTC], [mm]"""
        read = self.readings.get(self.context.rain_channel or "", NO_READINGS)
        well = np.isfinite(read.value) & is_usable(read.flag)
        starts_ms, row = np.unique(quarter_hour_of(read.at_ms[well]), return_inverse=True)
        return starts_ms, floats(np.bincount(row, weights=read.value[well], minlength=starts_ms.size))


def quarter_hour_of(at_ms: T) -> T:
    """Return the start of the quarter hour that a moment, or each of several, lies in. [ms since 1970, UTC]"""
    return at_ms // QUARTER_HOUR_MS * QUARTER_HOUR_MS


def is_usable(flag: npt.NDArray[np.integer]) -> BoolArray:
    """Return whether readings with these quality flags may be used: neither MISSING nor FAIL."""
    return np.asarray((flag != QualityFlag.MISSING) & (flag != QualityFlag.FAIL))


class UndeclaredRead(Exception):
    """A rule reads a finding that it does not declare in `reads` or `before`, so the runner would not load it."""


@dataclass(frozen=True)
class Facts(Generic[B]):
    """What a rule may read beside the occasion: its bounds, its place, the diary, and the findings it declares."""

    rule: AlertRule[B]
    bounds: B
    spot: Any  # a StationWatch, or a SurfaceWatch of `alerts.plans`, as the scope of the rule is
    diary: DiaryFacts

    @property
    def where(self) -> Where:
        place: Where = self.spot.where
        return place

    def found(self, quantity: str) -> Findings:
        """Return the findings of a quantity that the rule declares, in order of time.

        Raises
        ------
        UndeclaredRead
        """
        if quantity not in (*self.rule.reads, *self.rule.before):
            known = ", ".join((*self.rule.reads, *self.rule.before)) or "none"
            raise UndeclaredRead(
                f"alert rule {self.rule.name}: reads {quantity!r}, declares {known}. Add it to its `reads`."
            )
        found: Mapping[str, Findings] = self.spot.found
        return found.get(quantity, NO_FINDINGS)


@dataclass(frozen=True, slots=True)
class Moment:
    """Values at one quarter hour: declared findings, NaN where missing, and the rain since the moment before. [mm]

    `rain_heard_ms` is when rain was last read well; `watered` whether the diary has water since the moment before.
    """

    at_ms: int
    values: Mapping[str, float]
    rain_mm: float
    rain_heard_ms: int | None
    watered: bool

    def __getitem__(self, quantity: str) -> float:
        try:
            return self.values[quantity]
        except KeyError:
            known = ", ".join(self.values) or "none"
            raise UndeclaredRead(f"reads {quantity!r}, declares {known}. Add it to `reads` of its AlertRule.") from None

    @property
    def start_ms(self) -> int:
        return self.at_ms

    @property
    def end_ms(self) -> int:
        return self.at_ms

    @property
    def walked_ms(self) -> int:
        return self.at_ms


class Span(NamedTuple):
    """One finding of a day, a fortnight or a wetting. `at_ms` is when it is evaluated: once it no longer changes, by
    day. `high` is NaN where no upper end is told."""

    at_ms: int
    start_ms: int
    end_ms: int
    value: float
    high: float

    @property
    def walked_ms(self) -> int:
        return self.start_ms


class Ahead(NamedTuple):
    """The forecast of a station at the time of the advice. [ms since 1970, UTC], [degC]

    `forecast` is a `forecast.wetness.WetnessForecast`; `dawn_leaf_degc` is None where it is not known.
    """

    at_ms: int
    forecast: Any
    dawn_leaf_degc: float | None = None


class Timed(Protocol):
    """Something with a start and an end, equal for a moment. [ms since 1970, UTC]"""

    @property
    def start_ms(self) -> int: ...
    @property
    def end_ms(self) -> int: ...


# --- state and events ------------------------------------------------------------------------------------------------


class Hold(NamedTuple):
    """A run: how long a condition has held. [ms since 1970, UTC]

    `since_ms` is its first moment, `last_ms` its last, `held_ms` the time between without gaps in the data. `lowest`
    and `highest` are of the values that the rule compares, None before there was one; `rain_mm` is the rain meanwhile.
    """

    since_ms: int
    last_ms: int
    held_ms: int = 0
    lowest: float | None = None
    highest: float | None = None
    rain_mm: float = 0.0

    @classmethod
    def carried(cls, before: Hold | None, seen: Timed, grain: RuleGrain) -> Hold:
        """Return a run extended by one finding, from its start to its end; a new run after a gap of the grain's
        limit."""
        span_ms = seen.end_ms - seen.start_ms
        gap = 0 if before is None else seen.start_ms - before.last_ms
        if before is None or gap > grain.forget_gap_ms:
            return cls(seen.start_ms, seen.end_ms, span_ms)
        counted = gap if gap <= Counting.count_gap_h * HOUR_MS else 0
        return before._replace(last_ms=seen.end_ms, held_ms=before.held_ms + counted + span_ms)


def keep_run(runs: dict[str, Hold], name: str, seen: Timed, grain: RuleGrain, *, holds: bool) -> None:
    """Extend a run in place while its condition holds, remove it when it does not."""
    if holds:
        runs[name] = Hold.carried(runs.get(name), seen, grain)
    else:
        runs.pop(name, None)


class Rained(NamedTuple):
    """Rain of one hour, and when the last of it fell. [ms since 1970, UTC], [mm]"""

    at_ms: int
    rain_mm: float


class LastWater(NamedTuple):
    """The last water that ended a dry run. [ms since 1970, UTC], [mm]

    `at_ms` is when the last of it came: a watering, rain of a spell that counts, a rise of the thatch; None before any.
    `rain_ms` and `spell_mm` are the last rain, and all of its spell, whether it counts or not.
    """

    at_ms: int | None = None
    rain_ms: int | None = None
    spell_mm: float = 0.0


class ChannelMemory(NamedTuple):
    """The last values of one channel of a probe, kept between evaluations. [ms since 1970, UTC], [m3 m-3], [mm]

    Last usable at `usable_ms`; last finite value and its time; since when it has stood still, at which value, and the
    rain that the state had counted by then.
    """

    usable_ms: int
    value: float | None = None
    value_ms: int | None = None
    still_since_ms: int | None = None
    still_value: float | None = None
    still_rain_mm: float = 0.0


class RootEstimate(NamedTuple):
    """Depth of roots below the thatch over one fortnight [m], and the mean soil temperature meanwhile [degC].

    `at_least` where roots go below the deepest probe. `temperature_degc` is None where it is not known.
    """

    start_ms: int
    end_ms: int
    soil_depth_m: float
    at_least: bool
    temperature_degc: float | None


class AlertState(NamedTuple):
    """The state of one rule at one station, at one probe of it, or for one subject of a surface.

    `evaluated_to_ms` is the last occasion evaluated; nothing before it is read again. The alert is open when
    `opened_at_ms` is not None. Marked wrong it stays open without events until its condition ends; otherwise the next
    reading would open it again.
    """

    rule: RuleName
    station: str
    probe: str
    evaluated_to_ms: int
    opened_at_ms: int | None = None
    since_ms: int | None = None
    said_at_ms: int | None = None
    way: str = ""  # which of its conditions opened it
    rain_mm: float = 0.0  # counted since the state was made
    rain_heard_ms: int | None = None
    runs: Mapping[str, Hold] = _EMPTY
    channels: Mapping[str, ChannelMemory] = _EMPTY
    estimates: tuple[RootEstimate, ...] = ()  # of the depth of roots, the last few
    ruler_ratio: float | None = None  # ruler over estimate, once a core has told it
    surface: str = ""  # of a rule about a whole surface; then there is no station
    subject: str = ""  # which pass it is about
    rains: tuple[Rained, ...] = ()  # of the last days
    water: LastWater = LastWater()
    told: tuple[str, ...] = ()  # what has been said since it opened
    text: str = ""  # the words of the last event, with their marks
    wrong_at_ms: int | None = None

    @property
    def key(self) -> str:
        """Return the key of the state, unique at a site."""
        return "/".join(p for p in (self.surface, self.station, self.rule, self.probe, self.subject) if p)

    @property
    def is_open(self) -> bool:
        return self.opened_at_ms is not None

    @property
    def is_shown(self) -> bool:
        """Return whether the alert is open and not marked wrong."""
        return self.is_open and self.wrong_at_ms is None

    def open_for_ms(self, at_ms: int) -> int:
        """Return how long an open alert has been open at a time. [ms]"""
        assert self.opened_at_ms is not None
        return at_ms - self.opened_at_ms

    def said(self, change: Change, at_ms: int) -> AlertState:
        """Return the state after a change at a time; a closing clears its runs."""
        if change.kind == CLOSED:
            fresh: dict[str, Any] = {"opened_at_ms": None, "said_at_ms": None, "since_ms": None, "way": "", "runs": {}}
            fresh |= {"told": (), "text": "", "wrong_at_ms": None}
        else:
            since_ms = at_ms if change.since_ms is None and not self.is_open else change.since_ms
            fresh = {"said_at_ms": at_ms, "since_ms": self.since_ms if since_ms is None else since_ms}
            fresh |= {"way": change.way or self.way, "told": tuple(dict.fromkeys((*self.told, *change.told)))}
            fresh |= {} if self.is_open else {"opened_at_ms": at_ms}
        fresh |= {} if change.runs is None else {"runs": change.runs}
        return self._replace(**fresh)

    def not_after(self, now_ms: int) -> AlertState:
        """Return the state with nothing in it that is later than a time. [ms since 1970, UTC]

        An alert that was opened later than that is left open: whoever calls closes it.
        """
        before_ms = quarter_hour_of(now_ms) - QUARTER_HOUR_MS
        channels = {
            name: ChannelMemory(now_ms)
            if (one.value_ms or 0) > now_ms or (one.still_since_ms or 0) > now_ms
            else one._replace(usable_ms=min(one.usable_ms, now_ms))
            for name, one in self.channels.items()
        }
        return self._replace(
            evaluated_to_ms=min(self.evaluated_to_ms, before_ms),
            since_ms=None if self.since_ms is None else min(self.since_ms, now_ms),
            said_at_ms=None if self.said_at_ms is None else min(self.said_at_ms, now_ms),
            rain_heard_ms=None if self.rain_heard_ms is None else min(self.rain_heard_ms, now_ms),
            runs={name: run for name, run in self.runs.items() if run.last_ms <= now_ms},
            channels=channels,
            estimates=tuple(one for one in self.estimates if one.end_ms <= now_ms),
            rains=tuple(one for one in self.rains if one.at_ms <= now_ms),
            water=self.water if max(self.water.at_ms or 0, self.water.rain_ms or 0) <= now_ms else LastWater(),
        )

    def waited(self, by_ms: int, before_ms: int) -> AlertState:
        """Return the state after the clock has leapt: a silence that had begun lasts no longer for it. [ms]"""
        channels = {
            name: one._replace(usable_ms=one.usable_ms + by_ms) if one.usable_ms <= before_ms else one
            for name, one in self.channels.items()
        }
        return self._replace(channels=channels)

    def to_json(self) -> dict[str, object]:
        """Return the state as plain numbers, texts and dicts."""
        table = self._asdict()
        table["runs"] = {name: run._asdict() for name, run in self.runs.items()}
        table["channels"] = {name: heard._asdict() for name, heard in self.channels.items()}
        table["estimates"] = [estimate._asdict() for estimate in self.estimates]
        table["rains"] = [list(rained) for rained in self.rains]
        table["water"] = list(self.water)
        table["told"] = list(self.told)
        return table

    @classmethod
    def from_json(cls, table: Mapping[str, Any]) -> AlertState:
        """Return the state that `to_json` gave, now or in an earlier version."""
        made: dict[str, Any] = {
            "runs": {k: Hold(**v) for k, v in table["runs"].items()},
            "channels": {k: ChannelMemory(**v) for k, v in table["channels"].items()},
            "estimates": tuple(RootEstimate(**v) for v in table.get("estimates", ())),
            "rains": tuple(Rained(*v) for v in table.get("rains", ())),
            "water": LastWater(*table.get("water", ())),
            "told": tuple(table.get("told", ())),
        }
        return cls(**{**table, **made})


@dataclass(frozen=True, slots=True)
class AlertEvent:
    """The opening, a repeat or the closing of an alert.

    Attributes
    ----------
    id : str
        Of this event: the same whenever it is worked out again.
    alert_id : str
        Of the alert: shared by its opening, repeats and closing; made of site, place, rule, probe or pass, and opening
        time.
    kind : str
        `opened`, `repeated` or `closed`.
    rule, site, station, surface, probe : str
        Probe is empty where the rule is about the whole station, station too where it is about the whole surface.
    at_ms, since_ms : int
        When it was decided, by the data; and since when the condition holds, of a closed one since when it did.
        [ms since 1970, UTC]
    text : str
        One plain line: where, what, since, so what; as it is said at `at_ms`.
    words : str
        The same line with its marks of time not yet filled in, for whoever tells it later; see `phrases.spoken`.
    """

    id: str
    alert_id: str
    kind: str
    rule: RuleName
    site: str
    station: str
    surface: str
    probe: str
    at_ms: int
    since_ms: int
    text: str
    words: str

    def to_json(self) -> dict[str, object]:
        """Return the event as plain numbers and texts."""
        return asdict(self)


def alert_id(site: str, state: AlertState) -> str:
    """Return the id of an open alert."""
    if state.surface:
        return _digest(site, state.surface, state.rule, state.subject, state.opened_at_ms)
    return _digest(site, state.station, state.rule, state.probe, state.opened_at_ms)


def event_of(spot: Spot, state: AlertState, kind: str, at_ms: int, text: str) -> AlertEvent:
    """Return an event of an alert; `state` is that with the alert open, `text` may hold marks of `phrases`."""
    assert state.opened_at_ms is not None
    since_ms = state.opened_at_ms if state.since_ms is None else state.since_ms
    own_id, words = alert_id(spot.site, state), f"{spot.place}: {text}"
    return AlertEvent(
        id=_digest(own_id, kind, at_ms),
        alert_id=own_id,
        kind=kind,
        rule=state.rule,
        site=spot.site,
        station=state.station,
        surface=spot.surface,
        probe=state.probe,
        at_ms=at_ms,
        since_ms=since_ms,
        text=spoken(words, at_ms, spot.where.zone),
        words=words,
    )


def _digest(*parts: object) -> str:
    return hashlib.sha256("|".join(str(p) for p in parts).encode()).hexdigest()[:24]
