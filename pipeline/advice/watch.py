"""What an alert rule is given and what it gives back: bounds, the station watched, its state, its events.

States are small and go to and from JSON, so that a restart finds them as they were. Nothing here decides anything.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import NamedTuple

import pandas as pd

from pipeline.site import AlertsConfig, ProbeFaultConfig, RootsDryConfig, RootsShallowConfig, ThatchHoldingConfig
from pipeline.soil.moving import HOUR_MS
from pipeline.station import StationContext

OPENED, REPEATED, CLOSED = "opened", "repeated", "closed"


@dataclass(frozen=True, slots=True)
class AlertBounds:
    """Thresholds of the rules. Every value is common practice, no source.

    The first four are those a site may set; the rest are how the rules count. Times in hours, wetness relative [1],
    rain in mm, water content in m3 m-3.
    """

    thatch_holding: ThatchHoldingConfig = field(default_factory=ThatchHoldingConfig)
    roots_dry: RootsDryConfig = field(default_factory=RootsDryConfig)
    probe_fault: ProbeFaultConfig = field(default_factory=ProbeFaultConfig)
    roots_shallow: RootsShallowConfig = field(default_factory=RootsShallowConfig)
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

    @classmethod
    def from_config(cls, config: AlertsConfig) -> AlertBounds:
        """The bounds a site has set, the counting as it is."""
        return cls(config.thatch_holding, config.roots_dry, config.probe_fault, config.roots_shallow)


@dataclass(frozen=True, slots=True)
class Diary:
    """What people wrote down that a rule has to know. Waterings are (begin, end). [ms since 1970, UTC]"""

    waterings: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class StationWatch:
    """One station and what has become known of it since the rules last looked.

    Attributes
    ----------
    site, surface : str
        Slugs.
    place : str
        Surface and station in words, as a line begins: `Square, north end`.
    context : StationContext
    findings : DataFrame
        Columns quantity, start_ms, value: at least those after `evaluated_to_ms` of every state. Those of fortnights
        have end_ms, n and reason too.
    observations : DataFrame
        Columns channel, measured_at_ms, value, flag of the channels in the context, over the same time.
    """

    site: str
    surface: str
    place: str
    context: StationContext
    findings: pd.DataFrame
    observations: pd.DataFrame


class Run(NamedTuple):
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

    def on(self, at_ms: int, bounds: AlertBounds) -> Run:
        """The run carried on to a moment; begun anew after too long a gap."""
        gap = at_ms - self.last_ms
        if gap > bounds.forget_gap_h * HOUR_MS:
            return Run(at_ms, at_ms)
        counted = gap if gap <= bounds.count_gap_h * HOUR_MS else 0
        return self._replace(last_ms=at_ms, held_ms=self.held_ms + counted)


def carry_on(run: Run | None, at_ms: int, bounds: AlertBounds) -> Run:
    """A run with one more moment, or its first."""
    return Run(at_ms, at_ms) if run is None else run.on(at_ms, bounds)


class Heard(NamedTuple):
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


class Estimate(NamedTuple):
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
    """Where one rule stands at one station, or at one probe of it.

    `evaluated_to_ms` is the last quarter hour walked; nothing before it is looked at again. The alert is open when
    `opened_at_ms` is not None.
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
    runs: Mapping[str, Run] = field(default_factory=dict)
    channels: Mapping[str, Heard] = field(default_factory=dict)
    estimates: tuple[Estimate, ...] = ()  # of the depth of roots, the last few
    ruler_ratio: float | None = None  # ruler over estimate, once a core has told it

    @property
    def key(self) -> str:
        """Name of the state among all of a site."""
        return "/".join(part for part in (self.station, self.rule, self.probe) if part)

    @property
    def is_open(self) -> bool:
        return self.opened_at_ms is not None

    def to_json(self) -> dict[str, object]:
        """Plain numbers, texts and dicts."""
        table = {f.name: getattr(self, f.name) for f in fields(self)}
        table["runs"] = {name: run._asdict() for name, run in self.runs.items()}
        table["channels"] = {name: heard._asdict() for name, heard in self.channels.items()}
        table["estimates"] = [estimate._asdict() for estimate in self.estimates]
        return table

    @classmethod
    def from_json(cls, table: Mapping[str, object]) -> AlertState:
        """The state that `to_json` gave."""
        runs, channels = table["runs"], table["channels"]
        assert isinstance(runs, Mapping) and isinstance(channels, Mapping)
        plain = {k: v for k, v in table.items() if k not in ("runs", "channels", "estimates")}
        estimates = table.get("estimates", [])
        assert isinstance(estimates, list)
        return cls(
            **plain,  # type: ignore[arg-type]
            runs={k: Run(**v) for k, v in runs.items()},
            channels={k: Heard(**v) for k, v in channels.items()},
            estimates=tuple(Estimate(**v) for v in estimates),
        )


@dataclass(frozen=True, slots=True)
class AlertEvent:
    """An alert opened, said again, or closed.

    Attributes
    ----------
    id : str
        Of this event: the same whenever it is worked out again.
    alert_id : str
        Of the alert: shared by its opening, repeats and closing; made of site, station, rule, probe and opening time.
    kind : str
        `opened`, `repeated` or `closed`.
    rule, site, station, surface, probe : str
        Probe is empty where the rule is about the whole station.
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


def event(watch: StationWatch, state: AlertState, kind: str, at_ms: int, text: str) -> AlertEvent:
    """An event of an open alert; `state` is that with the alert open."""
    opened_at_ms = at_ms if state.opened_at_ms is None else state.opened_at_ms
    since_ms = opened_at_ms if state.since_ms is None else state.since_ms
    alert_id = _digest(watch.site, state.station, state.rule, state.probe, opened_at_ms)
    return AlertEvent(
        id=_digest(alert_id, kind, at_ms),
        alert_id=alert_id,
        kind=kind,
        rule=state.rule,
        site=watch.site,
        station=state.station,
        surface=watch.surface,
        probe=state.probe,
        at_ms=at_ms,
        since_ms=since_ms,
        text=f"{watch.place}: {text}",
    )


def _digest(*parts: object) -> str:
    return hashlib.sha256("|".join(str(p) for p in parts).encode()).hexdigest()[:24]


def for_how_long(span_ms: int) -> str:
    """A length of time as a groundsman says it: `3 hours`, `2 days`."""
    hours = round(span_ms / HOUR_MS)
    if hours < 36:
        return "1 hour" if hours == 1 else f"{hours} hours"
    return f"{round(hours / 24)} days"
