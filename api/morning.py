"""What is known this morning of some stations, gathered from the pipeline once, and facts that several answers tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from api import words
from api.booking import jobs_of, judged
from api.diary_check import names_in_the_way
from api.state import StationNow, WettingNow
from pipeline.advice.phrases import clock_words
from pipeline.advice.report import PassAdvice, SiteAdvice
from pipeline.alerts.runner import OpenAlert
from pipeline.alerts.surface import FROST_AT_DAWN
from pipeline.diary.entry import DiaryEntry
from pipeline.plan.booked import Judgement
from pipeline.plan.surface_plan import WorkPlan
from pipeline.service import Pipeline
from pipeline.site.ground import Surface
from pipeline.site.settings import SiteConfig
from pipeline.texts import say
from pipeline.units import DAY_MS

NO_FROST_AIR_DEGC = 5.0  # air as warm as this has no frost below it: common practice, no source


@dataclass(frozen=True)
class Morning:
    """What is known this morning.

    Attributes
    ----------
    config : SiteConfig
    states : sequence of StationNow
        Of the stations that are asked about.
    advice : SiteAdvice or None
        None while none has been worked out.
    alerts : sequence of OpenAlert
    given : sequence of DiaryEntry
        Waterings, and rain read by hand, of the last day.
    booked : sequence of (DiaryEntry, tuple of str, Judgement)
        Passes of today, each with what lies in the way of its blades, and what the advice makes of it.
    now_ms : int
        [ms since 1970, UTC]
    plans : mapping of str to WorkPlan
        By surface.
    """

    config: SiteConfig
    states: Sequence[StationNow]
    advice: SiteAdvice | None
    alerts: Sequence[OpenAlert]
    given: Sequence[DiaryEntry]
    booked: Sequence[tuple[DiaryEntry, tuple[str, ...], Judgement]]
    now_ms: int
    plans: Mapping[str, WorkPlan]

    @property
    def zone(self) -> str:
        return self.config.site.timezone


def morning_of(pipeline: Pipeline, states: Sequence[StationNow]) -> Morning:
    """What is known this morning of some stations."""
    config, now_ms, plan = pipeline.config, pipeline.clock.now_ms(), pipeline.plan()
    shown = {(s.surface.name, name) for s in states for name in (s.station.name, None)}
    given = pipeline.diary.entries(("watering", "rain"), now_ms - DAY_MS, now_ms + 1)
    zone = ZoneInfo(config.site.timezone)
    today = words.local(now_ms, zone).date()
    surfaces = {s.name: s for s in config.surfaces}
    booked = [
        (
            entry,
            names_in_the_way(surfaces[entry.surface], pipeline.diary, entry, now_ms),
            judged(pipeline, plan, entry, now_ms),
        )
        for entry in jobs_of(pipeline, now_ms).booked
        if words.local(entry.at_ms, zone).date() == today and (entry.surface, entry.station) in shown
    ]
    return Morning(
        config=config,
        states=states,
        advice=plan.advice,
        alerts=[a for a in plan.alerts if (a.surface, a.station or None) in shown],
        given=[e for e in given if (e.surface, e.station) in shown],
        booked=booked,
        now_ms=now_ms,
        plans=plan.surfaces,
    )


def place_name(state: StationNow) -> str:
    """Return a station as it is called in passing: by its surface where it stands there alone."""
    return state.surface.title if len(state.surface.stations) == 1 else words.place(state.surface, state.station)


def silent_since_ms(states: Sequence[StationNow]) -> int | None:
    """Return when the last of some stations was heard, where all of them have said nothing for too long.

    [ms since 1970, UTC] 0 where none was ever heard; None where one is heard.
    """
    if not states or not all(s.heard_ms is None or s.is_old for s in states):
        return None
    return max((s.heard_ms for s in states if s.heard_ms is not None), default=0)


def surface_of(morning: Morning, name: str) -> Surface:
    return next(surface for surface in morning.config.surfaces if surface.name == name)


def of_place(place: str, told: str) -> str:
    # Translators: what is told of a surface or a station, as in "Square: no, frost on the leaf."
    return say("{place}: {told}", place=place, told=told)


def frost_degc(morning: Morning) -> float:
    """Temperature of the leaf at and below which there is frost, as the alert has it. [degC]"""
    return FROST_AT_DAWN.bounds_in(morning.config.alerts).on_degc


def frost_told(states: Sequence[StationNow], morning: Morning) -> tuple[str, bool | None]:
    """Frost in words, and whether there is any, None where nobody can tell: by the first leaf that is told, of some
    stations or else of any, or else by the air."""
    states, frosty_degc = (*states, *morning.states), frost_degc(morning)
    for state in states:
        told = state.last("surface_temperature")
        if told is not None and told.value is not None:
            if told.value <= frosty_degc:
                return say("frost on the leaf (leaf {leaf})", leaf=degc(told.value)), True
            return say("no frost (leaf {leaf})", leaf=degc(told.value)), False
    for state in states:
        told = state.last("air_temperature")
        if told is not None and told.value is not None and told.value > NO_FROST_AIR_DEGC:
            return say("no frost (air {air})", air=degc(told.value)), False
    return say("frost cannot be told: nothing recent from a leaf or warm air"), None


def degc(value: float) -> str:
    """Return a temperature in words. [degC]"""
    return say("{temperature:.1f} °C", temperature=value).replace("-", "−")


def wetness_of(state: StationNow) -> float | None:
    """Of the soil under the leaf, where it is known and not old. [1]"""
    told = [
        layer.wetness
        for layer in state.layers
        if layer.layer in ("top_layer", "root_zone") and state.now_ms - layer.at_ms <= state.silent_ms
    ]
    return max((wetness for wetness in told if wetness is not None), default=None)


def bears_at(surface: str, morning: Morning) -> str:
    """When a surface bears again by its plan, in words; empty where it has no such hour."""
    plan = morning.plans.get(surface)
    if plan is None or plan.off_until_ms is None:
        return ""
    zone = ZoneInfo(morning.zone)
    return clock_words(words.local(plan.off_until_ms, zone), words.local(morning.now_ms, zone))


def last_docked(morning: Morning) -> list[str]:
    """When each penetrometer was last read: it is heard only when somebody docks it."""
    found = []
    for state in morning.states:
        at_ms = {c.installed.id: c.at_ms for c in state.channels if c.at_ms is not None}
        for probe in state.station.probes:
            if probe.description.protocol == "cone":
                last_ms = max((at_ms[c.id] for c in probe.channels if c.id in at_ms), default=None)
                place = words.place(state.surface, state.station)
                if last_ms is None:
                    line = say("{place}: the penetrometer has not been read yet.", place=place)
                else:
                    at = words.moment(last_ms, morning.zone, now_ms=morning.now_ms)
                    line = say("{place}: the penetrometer was last read {when}.", place=place, when=at)
                found.append(" ".join((line, say("It is heard only when somebody docks it."))))
    return found


def roots_got(account: WettingNow) -> str:
    """What the roots got of a wetting: `got 0.4 of 6.8 mm`."""
    given, root = account.given.value, account.root_gain
    if root is None or root.value is None:
        # Translators: what the roots got of a wetting
        return (
            say("cannot be told") if given is None else say("cannot be told of {given}", given=words.millimetres(given))
        )
    got = max(root.value, 0.0)
    if given is None:
        return say("got {water:.1f}", water=got)
    return say("got {water:.1f} of {given}", water=got, given=words.millimetres(given))


def reason_of(one: PassAdvice) -> str:
    return one.outlook.windows[0].reason
