"""What an alert rule is given and what it gives back: bounds, the place watched, the diary, its state, its events.

States are small and go to and from JSON, so that a restart finds them as they were. Nothing here decides anything.
"""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from functools import cached_property
from typing import NamedTuple, Protocol

import numpy as np
import pandas as pd

from pipeline.alerts.bounds import AlertsConfig
from pipeline.site.station import StationContext
from pipeline.units import HOUR_MS, Flag, FloatArray, TimeArray

OPENED, REPEATED, CLOSED = "opened", "repeated", "closed"


@dataclass(frozen=True, slots=True)
class AlertBounds(AlertsConfig):
    """What a site may set of the rules, and beside it how they count. Every value is common practice, no source.

    Times in hours, wetness relative [1], rain in mm, water content in m3 m-3.
    """

    rain_mm: float = 1.0  # less than this over the whole of a run counts as no rain: dew, a tick of the gauge
    fresh_wetness: float = 0.15  # a rise of the thatch by so much is water from somewhere, written down or not
    falling_wetness: float = 0.05  # the root zone is drying when it lies so far below its highest of the run
    roots_off_hold_h: float = 2.0
    count_gap_h: float = 2.0  # time between two findings further apart is not counted towards a hold
    forget_gap_h: float = 24.0  # a run interrupted for longer begins again
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

    @classmethod
    def from_config(cls, config: AlertsConfig) -> AlertBounds:
        """The bounds a site has set, the counting as it is."""
        return cls(**{f.name: getattr(config, f.name) for f in fields(config)})


@dataclass(frozen=True, slots=True)
class Where:
    """What season and hour depend on: kind of surface, grass, side of the equator, and the site's clock.

    Without a `zone` no hour of the day is known, and months are those of UTC.
    """

    kind: str
    grass: str
    south: bool = False
    zone: datetime.tzinfo | None = None


class Spot(Protocol):
    """What an event says of its place."""

    @property
    def site(self) -> str: ...
    @property
    def surface(self) -> str: ...
    @property
    def place(self) -> str: ...
    @property
    def where(self) -> Where: ...


@dataclass(frozen=True)
class StationWatch:
    """One station and what has become known of it since the rules last looked.

    Attributes
    ----------
    site, surface : str
        Slugs.
    place, surface_title : str
        Surface and station, and the surface alone, in words, as a line begins: `Square, north end`.
    context : StationContext
    findings : DataFrame
        Columns quantity, start_ms, value: at least those after `evaluated_to_ms` of every state. Those of fortnights
        have end_ms, n and reason too.
    observations : DataFrame
        Columns channel, measured_at_ms, value, flag of the channels in the context, over the same time.
    zone : tzinfo or None
        Of the site; None: no hour is too early to say anything.
    """

    site: str
    surface: str
    place: str
    context: StationContext
    findings: pd.DataFrame
    observations: pd.DataFrame
    zone: datetime.tzinfo | None = None
    surface_title: str = ""

    @property
    def where(self) -> Where:
        """Kind, grass, hemisphere and clock."""
        latitude_deg = self.context.latitude_deg
        south = latitude_deg is not None and latitude_deg < 0.0
        return Where(self.context.kind, self.context.grass, south, self.zone)

    @cached_property
    def found(self) -> Mapping[str, tuple[TimeArray, FloatArray]]:
        """Starts [ms since 1970, UTC] and values of the findings, by quantity: several rules ask for the same."""
        quantity = self.findings["quantity"].to_numpy(dtype=object)
        start = self.findings["start_ms"].to_numpy(dtype=np.int64)
        value = self.findings["value"].to_numpy(dtype=np.float64)
        return {str(q): (start[quantity == q], value[quantity == q]) for q in dict.fromkeys(quantity.tolist())}

    @cached_property
    def rain(self) -> tuple[TimeArray, FloatArray]:
        """Times and amounts of the rain heard well, in order. [ms since 1970, UTC], [mm]"""
        seen, channel = self.observations, self.context.rain_channel
        time_ms, value = seen["measured_at_ms"].to_numpy(dtype=np.int64), seen["value"].to_numpy(dtype=np.float64)
        flag = seen["flag"].to_numpy()
        well = np.isfinite(value) & (flag != Flag.FAIL) & (flag != Flag.MISSING)
        own = (seen["channel"] == channel).to_numpy() if channel is not None else np.zeros(well.shape, dtype=np.bool_)
        rows = np.flatnonzero(well & own)
        order = np.argsort(time_ms[rows], kind="stable")
        return time_ms[rows][order], value[rows][order]


class Hold(NamedTuple):
    """How long a condition has held.

    `since_ms` is its first moment, `last_ms` its last, `held_ms` the time between that was really seen. `lowest` and
    `highest` are of what the rule compares with, None before there was any; `rain_mm` fell meanwhile.
    """

    since_ms: int
    last_ms: int
    held_ms: int = 0
    lowest: float | None = None
    highest: float | None = None
    rain_mm: float = 0.0

    def on(self, at_ms: int, bounds: AlertBounds) -> Hold:
        """The run carried on to a moment; begun anew after too long a gap."""
        gap = at_ms - self.last_ms
        if gap > bounds.forget_gap_h * HOUR_MS:
            return Hold(at_ms, at_ms)
        counted = gap if gap <= bounds.count_gap_h * HOUR_MS else 0
        return self._replace(last_ms=at_ms, held_ms=self.held_ms + counted)


def carry_on(run: Hold | None, at_ms: int, bounds: AlertBounds) -> Hold:
    """A run with one more moment, or its first."""
    return Hold(at_ms, at_ms) if run is None else run.on(at_ms, bounds)


class Rained(NamedTuple):
    """Rain of one hour, and when the last of it fell. [ms since 1970, UTC], [mm]"""

    at_ms: int
    rain_mm: float


class ChannelMemory(NamedTuple):
    """What is remembered of one channel of a probe.

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


@dataclass(frozen=True, slots=True)
class AlertState:
    """Where one rule stands at one station, at one probe of it, or with one subject of a surface.

    `evaluated_to_ms` is the last quarter hour walked; nothing before it is looked at again. The alert is open when
    `opened_at_ms` is not None. Marked wrong it stays so, and silent, until its own condition closes it; else a wrong
    alert would be opened again by the next reading.
    """

    rule: str
    station: str
    probe: str
    evaluated_to_ms: int
    opened_at_ms: int | None = None
    since_ms: int | None = None
    said_at_ms: int | None = None
    way: str = ""  # which of its conditions opened it
    rain_mm: float = 0.0  # counted since the state was made
    rain_heard_ms: int | None = None
    runs: Mapping[str, Hold] = field(default_factory=dict)
    channels: Mapping[str, ChannelMemory] = field(default_factory=dict)
    estimates: tuple[RootEstimate, ...] = ()  # of the depth of roots, the last few
    ruler_ratio: float | None = None  # ruler over estimate, once a core has told it
    surface: str = ""  # of a rule about a whole surface; then there is no station
    subject: str = ""  # which pass it is about
    rains: tuple[Rained, ...] = ()  # of the last days
    told: tuple[str, ...] = ()  # what has been said since it opened
    text: str = ""  # the words of the last event
    wrong_at_ms: int | None = None

    @property
    def key(self) -> str:
        """Name of the state among all of a site."""
        return "/".join(p for p in (self.surface, self.station, self.rule, self.probe, self.subject) if p)

    @property
    def is_open(self) -> bool:
        return self.opened_at_ms is not None

    @property
    def is_shown(self) -> bool:
        """Open, and nobody has called it wrong."""
        return self.is_open and self.wrong_at_ms is None

    def opened(self, at_ms: int, since_ms: int, way: str, *told: str) -> AlertState:
        """The state with the alert opened."""
        return replace(self, opened_at_ms=at_ms, said_at_ms=at_ms, since_ms=since_ms, way=way, told=told)

    def closed(self) -> AlertState:
        """The state with the alert closed and what was counted forgotten."""
        return replace(
            self, opened_at_ms=None, said_at_ms=None, since_ms=None, way="", runs={}, told=(), text="", wrong_at_ms=None
        )

    def to_json(self) -> dict[str, object]:
        """Plain numbers, texts and dicts."""
        table = {f.name: getattr(self, f.name) for f in fields(self)}
        table["runs"] = {name: run._asdict() for name, run in self.runs.items()}
        table["channels"] = {name: heard._asdict() for name, heard in self.channels.items()}
        table["estimates"] = [estimate._asdict() for estimate in self.estimates]
        table["rains"] = [list(rained) for rained in self.rains]
        table["told"] = list(self.told)
        return table

    @classmethod
    def from_json(cls, table: Mapping[str, object]) -> AlertState:
        """The state that `to_json` gave, now or in an earlier version."""
        runs, channels = table["runs"], table["channels"]
        assert isinstance(runs, Mapping) and isinstance(channels, Mapping)
        made = ("runs", "channels", "estimates", "rains", "told")
        lists = {name: table.get(name, []) for name in made[2:]}
        estimates, rains, told = lists["estimates"], lists["rains"], lists["told"]
        assert isinstance(estimates, list) and isinstance(rains, list) and isinstance(told, list)
        return cls(
            **{k: v for k, v in table.items() if k not in made},  # type: ignore[arg-type]
            runs={k: Hold(**v) for k, v in runs.items()},
            channels={k: ChannelMemory(**v) for k, v in channels.items()},
            estimates=tuple(RootEstimate(**v) for v in estimates),
            rains=tuple(Rained(*v) for v in rains),
            told=tuple(told),
        )


@dataclass(frozen=True, slots=True)
class AlertEvent:
    """An alert opened, said again, or closed.

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
        One plain line: where, what, since, so what.
    """

    id: str
    alert_id: str
    kind: str
    rule: str
    site: str
    station: str
    surface: str
    probe: str
    at_ms: int
    since_ms: int
    text: str

    def to_json(self) -> dict[str, object]:
        """Plain numbers and texts."""
        return asdict(self)


def alert_id(site: str, state: AlertState) -> str:
    """Id of an open alert."""
    if state.surface:
        return _digest(site, state.surface, state.rule, state.subject, state.opened_at_ms)
    return _digest(site, state.station, state.rule, state.probe, state.opened_at_ms)


def event(spot: Spot, state: AlertState, kind: str, at_ms: int, text: str) -> AlertEvent:
    """An event of an open alert; `state` is that with the alert open."""
    if state.opened_at_ms is None:
        state = replace(state, opened_at_ms=at_ms)
    assert state.opened_at_ms is not None
    since_ms = state.opened_at_ms if state.since_ms is None else state.since_ms
    own_id = alert_id(spot.site, state)
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
        text=f"{spot.place}: {text}",
    )


def _digest(*parts: object) -> str:
    return hashlib.sha256("|".join(str(p) for p in parts).encode()).hexdigest()[:24]


def for_how_long(span_ms: int) -> str:
    """A length of time as a groundsman says it: `3 hours`, `2 days`."""
    hours = round(span_ms / HOUR_MS)
    if hours < 36:
        return "1 hour" if hours == 1 else f"{hours} hours"
    return f"{round(hours / 24)} days"
