"""The six answers of the morning, in order, in words: what a groundsman asks before he sets out.

Can I go on it? What fell since yesterday? Where did it go? Water tonight? Any window this week? Are the probes alive,
and is anything in the way? The facts are gathered from the pipeline once; what cannot be told is said to be so.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request

from api import schema, words
from api.data import pipeline_of, stations_of
from api.diary_check import names_in_the_way
from api.state import StationNow
from pipeline.advice.phrases import lift_first
from pipeline.advice.report import (
    LIKELY,
    PassAdvice,
    SiteAdvice,
    Stretch,
    SurfaceAdvice,
    chance_of,
    doing_of,
    in_ten,
    next_open,
    when,
)
from pipeline.alerts.probes import PROBE_FAULT
from pipeline.alerts.runner import OpenAlert
from pipeline.alerts.surface import FROST_AT_DAWN, STAY_OFF
from pipeline.diary.entry import DiaryEntry
from pipeline.service import Pipeline
from pipeline.site.settings import SiteConfig
from pipeline.units import DAY_MS, HOUR_MS

router = APIRouter(prefix="/api/v1", tags=["data"])

NO_FROST_AIR_DEGC = 5.0  # air as warm as this has no frost below it: common practice, no source
STALE_ADVICE_MS = 3 * HOUR_MS
WINDOWS_SHOWN = 3
NOT_YET = "Cannot tell yet: the first advice is being worked out."


@dataclass(frozen=True, slots=True)
class Answer:
    """One question and what can be said to it, a line each."""

    question: str
    lines: tuple[str, ...]


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
    booked : sequence of (DiaryEntry, tuple of str)
        Passes of today, each with what lies in the way of its blades.
    now_ms : int
        [ms since 1970, UTC]
    """

    config: SiteConfig
    states: Sequence[StationNow]
    advice: SiteAdvice | None
    alerts: Sequence[OpenAlert]
    given: Sequence[DiaryEntry]
    booked: Sequence[tuple[DiaryEntry, tuple[str, ...]]]
    now_ms: int

    @property
    def zone(self) -> str:
        return self.config.site.timezone


@router.get("/answers", summary="The six answers of the morning, in words")
def get_answers(request: Request) -> list[schema.AnswerOut]:
    pipeline = pipeline_of(request)
    answers = six_answers(morning_of(pipeline, stations_of(request)))
    return [schema.AnswerOut(question=one.question, lines=list(one.lines)) for one in answers]


def morning_of(pipeline: Pipeline, states: Sequence[StationNow]) -> Morning:
    """What is known this morning of some stations."""
    config, now_ms = pipeline.config, pipeline.clock.now_ms()
    shown = {(s.surface.name, name) for s in states for name in (s.station.name, None)}
    given = pipeline.diary.entries(("watering", "rain"), now_ms - DAY_MS, now_ms + 1)
    zone = ZoneInfo(config.site.timezone)
    midnight = datetime.datetime.fromtimestamp(now_ms / 1000, zone).replace(hour=0, minute=0, second=0, microsecond=0)
    start_ms = round(midnight.timestamp() * 1000)
    end_ms = round((midnight + datetime.timedelta(days=1)).timestamp() * 1000)
    surfaces = {s.name: s for s in config.surfaces}
    booked = [
        (entry, names_in_the_way(surfaces[entry.surface], pipeline.diary, entry, now_ms))
        for entry in pipeline.diary.entries(("pass",), start_ms, end_ms)
        if entry.body.get("state") == "booked" and (entry.surface, entry.station) in shown
    ]
    return Morning(
        config=config,
        states=states,
        advice=pipeline.advice(),
        alerts=[a for a in pipeline.alerts() if (a.surface, a.station or None) in shown],
        given=[e for e in given if (e.surface, e.station) in shown],
        booked=booked,
        now_ms=now_ms,
    )


def six_answers(morning: Morning) -> list[Answer]:
    """The answers, in the order in which they are asked."""
    return [
        Answer("Can I go on it?", tuple(_can_i_go(morning))),
        Answer("Rain and water since yesterday?", tuple(_fallen(morning))),
        Answer("Where did it go?", tuple(_went(morning))),
        Answer("Water tonight?", tuple(_water(morning))),
        Answer("Any window this week?", tuple(_windows(morning))),
        Answer("Are the probes alive, is anything in the way?", tuple(_in_the_way(morning))),
    ]


def _of_surface(advice: SiteAdvice | None, name: str) -> SurfaceAdvice | None:
    return None if advice is None else next((one for one in advice.surfaces if one.surface == name), None)


def _can_i_go(morning: Morning) -> list[str]:
    found = []
    for surface in dict.fromkeys(state.surface.name for state in morning.states):
        states = [s for s in morning.states if s.surface.name == surface]
        told = [
            a.text for a in morning.alerts if a.surface == surface and a.rule in (STAY_OFF.name, FROST_AT_DAWN.name)
        ]
        found += told or [f"{states[0].surface.title}: {_go(states, morning)}"]
        advice = _of_surface(morning.advice, surface)
        if advice is not None and advice.dawn_leaf_degc is not None and advice.dawn_leaf_degc <= _frost_degc(morning):
            found.append(f"{advice.title}: frost is likely by next dawn, leaf {_degc(advice.dawn_leaf_degc)}.")
    return found


def _frost_degc(morning: Morning) -> float:
    """Temperature of the leaf at and below which there is frost, as the alert has it. [degC]"""
    return FROST_AT_DAWN.bounds_in(morning.config.alerts).on_degc


def _go(states: Sequence[StationNow], morning: Morning) -> str:
    """Whether a surface can be gone on, by the leaf and by the wettest of its stations."""
    frost, frozen = _frost((*states, *morning.states), _frost_degc(morning))
    wettest, where = max(
        ((_wetness(s), s) for s in states), key=lambda found: found[0] if found[0] is not None else -9.0
    )
    if frozen:
        return f"no, {frost}. Wait until it has gone."
    if wettest is None:
        return f"cannot tell how wet it is. {words.upper_first(frost)}."
    if wettest > STAY_OFF.bounds_in(morning.config.alerts).on_wetness:
        which = f" ({where.station.title})" if len(states) > 1 else ""
        return f"better not, it is wetter than drained{which}: boots and wheels would mark. {words.upper_first(frost)}."
    fit = f"not wetter than drained ({wettest * 100:.0f} %)"
    return f"yes, {fit}; {frost}." if "cannot" not in frost else f"not too wet, {fit}. {words.upper_first(frost)}."


def _frost(states: Sequence[StationNow], frost_degc: float) -> tuple[str, bool]:
    """Frost in words, and whether there is any: by the first leaf that is told, else by the air."""
    for quantity, name, bound in (
        ("surface_temperature", "leaf", frost_degc),
        ("air_temperature", "air", NO_FROST_AIR_DEGC),
    ):
        for state in states:
            told = state.last(quantity)
            if told is not None and told.value is not None and (name == "leaf" or told.value > bound):
                frozen = told.value <= bound
                return f"{'frost on the leaf' if frozen else 'no frost'} ({name} {_degc(told.value)})", frozen
    return "frost cannot be told: nothing recent from a leaf or warm air", False


def _degc(value: float) -> str:
    return f"{value:.1f} °C".replace("-", "−")


def _wetness(state: StationNow) -> float | None:
    """Of the soil under the leaf, where it is known and not old. [1]"""
    told = [
        layer.wetness
        for layer in state.layers
        if layer.layer in ("top_layer", "root_zone") and state.now_ms - layer.at_ms <= state.silent_ms
    ]
    return max((wetness for wetness in told if wetness is not None), default=None)


def _fallen(morning: Morning) -> list[str]:
    found = _once(morning, [words.rain_line(s) for s in morning.states])
    return found + [words.entry_line(morning.config, e, morning.now_ms) for e in morning.given]


def _went(morning: Morning) -> list[str]:
    lines = [words.wetting_line(s, morning.zone).removeprefix("Last wetting: ") for s in morning.states]
    return _once(morning, [words.upper_first(line) for line in lines])


def _once(morning: Morning, lines: Sequence[str]) -> list[str]:
    """A line that all stations share once, else each with its place."""
    if len(set(lines)) == 1:
        return [lines[0]]
    places = [words.place(s.surface, s.station) for s in morning.states]
    return [f"{place}: {line[:1].lower()}{line[1:]}" for place, line in zip(places, lines, strict=True)]


def _water(morning: Morning) -> list[str]:
    if morning.advice is None:
        return [NOT_YET]
    stations = [each for one in morning.advice.surfaces for each in one.stations if _shown(morning, each.station)]
    lines = [each.water.line for each in stations] or ["Cannot tell: no probe of water stands in the turf."]
    return [*stale_line(morning.advice, morning.zone, morning.now_ms), *lines]


def stale_line(advice: SiteAdvice, zone: str, now_ms: int) -> list[str]:
    """Of when the advice is, where that is long ago."""
    if now_ms - advice.at_ms <= STALE_ADVICE_MS:
        return []
    return [f"As it was worked out {words.moment(advice.at_ms, zone, now_ms=now_ms)}:"]


def _shown(morning: Morning, station: str) -> bool:
    return any(s.station.name == station for s in morning.states)


def _windows(morning: Morning) -> list[str]:
    if morning.advice is None:
        return [NOT_YET]
    shown = {s.surface.name for s in morning.states}
    found = []
    for one in morning.advice.surfaces:
        if one.surface in shown:
            found += _windows_of(one, morning.zone, morning.now_ms)
    return [*stale_line(morning.advice, morning.zone, morning.now_ms), *found]


def _windows_of(one: SurfaceAdvice, zone: str, now_ms: int) -> list[str]:
    """The first windows of a surface, and why there are no more."""
    if not one.passes:
        return [f"{one.title}: cannot tell, no pass can be judged without a probe in the turf."]
    found = [(coming, each) for each in one.passes if (coming := next_open(each.outlook)) is not None]
    soon = sorted((f for f in found if f[0].span.start_ms < now_ms + 7 * DAY_MS), key=lambda f: f[0].span.start_ms)
    lines = [f"{one.title}: {_window(each, coming, ZoneInfo(zone))}" for coming, each in soon[:WINDOWS_SHOWN]]
    if len(soon) > WINDOWS_SHOWN:
        others = ", ".join(pass_words(each) for _, each in soon[WINDOWS_SHOWN:])
        lines.append(f"{one.title}: this week also {others}.")
    if not soon:
        reasons = ", ".join(dict.fromkeys(_reason(each) for each in one.passes if _reason(each)))
        lines.append(f"{one.title}: none this week" + (f" ({reasons})." if reasons else "."))
    return lines


def _window(one: PassAdvice, coming: Stretch, zone: ZoneInfo) -> str:
    """Which job, from when to when, how sure, what spoils it, what lies in its way."""
    outlook, first = one.outlook, coming.first
    begun = coming.span.start_ms <= outlook.windows[0].span.start_ms
    start = "now" if begun else when(coming.span.start_ms, outlook, zone)
    chance = chance_of(coming)
    sure = "" if chance is None or first.override is not None else f", {in_ten(chance)}"
    perhaps = "may open " if sure and chance is not None and chance < LIKELY else ""
    said = f"{pass_words(one)} {perhaps}{start} to {when(coming.span.end_ms, outlook, zone)}{sure}"
    if first.override is not None:
        said += f", on the word of {first.override.author}"
    after = next((w for w in outlook.windows if w.span.start_ms >= coming.span.end_ms), None)
    said += f"; then {after.reason}." if after is not None and after.reason else "."
    return said + (f" {lift_first(first.lift_first)}." if first.lift_first else "")


def _reason(one: PassAdvice) -> str:
    return one.outlook.windows[0].reason


def pass_words(one: PassAdvice) -> str:
    """A pass by its name and depth: `scarifying to 8 mm`."""
    intent = one.outlook.intent
    return doing_of(one.outlook.facts, intent.variant) + (
        f" to {intent.depth_m * 1000:.0f} mm" if intent.depth_m > 0.0 else ""
    )


def _in_the_way(morning: Morning) -> list[str]:
    found, doubts = list[str](), list[str]()
    for state in morning.states:
        place = words.place(state.surface, state.station)
        if state.heard_ms is None or state.is_old or state.is_silent:
            said = words.heard_line(state, morning.zone).partition(". ")[0].rstrip(".")
            found.append(f"{place}: {said[:1].lower()}{said[1:]}.")
        found += [f"{place}: {line}" for line in words.silent_lines(state, morning.zone)]
        doubts += [f"{place}: {line[:1].lower()}{line[1:]}" for line in words.time_lines(state, morning.zone)]
    found += [a.text for a in morning.alerts if a.rule == PROBE_FAULT.name and a.text not in found]
    if not found:
        count = sum(len(state.probes) for state in morning.states)
        found.append(f"All {count} probes are heard." if count > 1 else "The probe is heard.")
        if any(len(state.probes) < len(state.station.probes) for state in morning.states):
            found.append("The penetrometer is heard only when somebody docks it.")
    found += doubts
    for entry, names in morning.booked:
        lift = f" {lift_first(names)}." if names else ""
        found.append(words.entry_line(morning.config, entry, morning.now_ms) + lift)
    return found if morning.booked else [*found, "No pass is booked for today."]
