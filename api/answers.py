"""The six answers of the morning, in order, in words: what a groundsman asks before he sets out.

Can I go on it? What fell? Where did it go? Water tonight? Any window this week? Are the probes alive, and is anything
in the way? Each has one bold word, a clause that fits two lines of a phone however many stations there are, and all
that stands behind it, a line each. The facts are gathered from the pipeline once; what cannot be told is said to be.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request

from api import schema, words
from api.advice import is_stale, stale_line
from api.booking import jobs_of, judged
from api.data import pipeline_of, stations_of
from api.diary_check import names_in_the_way
from api.export import observations_at_step
from api.state import StationNow, WettingNow, number, rows_of
from pipeline.advice.conditions import Verdict
from pipeline.advice.phrases import clock_words, listed, sentence
from pipeline.advice.report import (
    LIKELY,
    PassAdvice,
    SiteAdvice,
    Stretch,
    SurfaceAdvice,
    chance_of,
    chance_words,
    is_likely,
    next_open,
    when,
)
from pipeline.advice.stretches import likely_stretch, pass_words
from pipeline.advice.water import WaterAdvice
from pipeline.alerts.probes import PROBE_FAULT
from pipeline.alerts.runner import OpenAlert
from pipeline.alerts.surface import FROST_AT_DAWN, STAY_OFF
from pipeline.diary.entry import DiaryEntry
from pipeline.plan.booked import Judgement
from pipeline.plan.surface_plan import WorkPlan
from pipeline.service import Pipeline
from pipeline.site.ground import Surface
from pipeline.site.settings import SiteConfig
from pipeline.texts import figure, in_a_row, later, later_as, say, say_as, say_many
from pipeline.units import DAY_MS, HOUR_MS

router = APIRouter(prefix="/api/v1", tags=["data"])

NO_FROST_AIR_DEGC = 5.0  # air as warm as this has no frost below it: common practice, no source
WINDOWS_SHOWN = 3


@dataclass(frozen=True, slots=True)
class Answer:
    """One question and what can be said to it.

    Attributes
    ----------
    question : str
    verdict : str
        One or two words: `Yes,`, `Cannot tell.`
    clause : str
        What the verdict rests on, in one sentence or two.
    lines : tuple of str
        All that stands behind it.
    needs_hand : bool
        Something is to be done about it now.
    """

    question: str
    verdict: str
    clause: str
    lines: tuple[str, ...]
    needs_hand: bool = False


PART_H = 3  # hours of rain that are drawn as one
MOST_IN_FULL = 6  # stations whose last wetting is told with every line of its account
SHORT_SAID = 36  # characters that leave room for more in a clause
MOST_NAMED = 2  # stations that a clause has room for
MOST_NEED_A_HAND = 2  # more shouting than this is not heard
# Verdicts that ask for a hand, by the place of their question, the most pressing first.
NEEDS_HAND = {
    5: (later("Silent,"), later("Silent:"), later("Lift probe")), 0: (later("Do not"),), 3: (later("Yes."),)
}  # fmt: skip


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


@router.get("/answers", summary="The six answers of the morning, in words")
def get_answers(request: Request) -> list[schema.AnswerOut]:
    pipeline = pipeline_of(request)
    answers = six_answers(morning_of(pipeline, stations_of(request)))
    return [schema.AnswerOut(**asdict(one)) for one in answers]


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
            judged(pipeline, entry, now_ms),
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


def six_answers(morning: Morning) -> list[Answer]:
    """The answers, in the order in which they are asked."""
    answers = [
        Answer(say("Can I go on it?"), *_going_verdict(morning), tuple(_can_i_go(morning))),
        Answer(say("What fell?"), *_fallen_verdict(morning), tuple(_fallen(morning))),
        Answer(say("Where did it go?"), *_went_verdict(morning), tuple(_went(morning))),
        Answer(say("Water tonight?"), *_water_verdict(morning), tuple(_water(morning))),
        Answer(say("Any window this week?"), *_window_verdict(morning), tuple(_windows(morning))),
        Answer(say("Probes alive? Anything in the way?"), *_probe_verdict(morning), tuple(_in_the_way(morning))),
    ]
    needing = [n for n, those in NEEDS_HAND.items() if answers[n].verdict in map(say, those)][:MOST_NEED_A_HAND]
    return [replace(one, needs_hand=number in needing) for number, one in enumerate(answers)]


def _of_surface(advice: SiteAdvice | None, name: str) -> SurfaceAdvice | None:
    return None if advice is None else next((one for one in advice.surfaces if one.surface == name), None)


def _can_i_go(morning: Morning) -> list[str]:
    found = []
    for surface in dict.fromkeys(state.surface.name for state in morning.states):
        states = [s for s in morning.states if s.surface.name == surface]
        told = [
            a.text for a in morning.alerts if a.surface == surface and a.rule in (STAY_OFF.name, FROST_AT_DAWN.name)
        ]
        found += told or [_of_place(states[0].surface.title, _go(states, morning))]
        advice = _of_surface(morning.advice, surface)
        if advice is not None and advice.dawn_leaf_degc is not None and advice.dawn_leaf_degc <= _frost_degc(morning):
            leaf = _degc(advice.dawn_leaf_degc)
            found.append(say("{place}: frost is likely by next dawn, leaf {leaf}.", place=advice.title, leaf=leaf))
    return found


def _of_place(place: str, told: str) -> str:
    # Translators: what is told of a surface or a station, as in "Square: no, frost on the leaf."
    return say("{place}: {told}", place=place, told=told)


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
        # Translators: whether a surface can be gone on; {frost} is "frost on the leaf (leaf -1.0 °C)" and the like
        return say("no, {frost}. Wait until it has gone.", frost=frost)
    frost_line = sentence(frost)
    if wettest is None:
        return say("cannot tell how wet it is. {frost}", frost=frost_line)
    if wettest > STAY_OFF.bounds_in(morning.config.alerts).on_wetness:
        till = _bears_at(states[0].surface.name, morning)
        bears = say("It should bear from about {when}.", when=till) if till else ""
        line = say(
            "better not, it is wetter than drained ({where}): boots and wheels would mark. {frost}",
            where=where.station.title, frost=frost_line,
        )  # fmt: skip
        if len(states) == 1:
            line = say("better not, it is wetter than drained: boots and wheels would mark. {frost}", frost=frost_line)
        return f"{line} {bears}".rstrip()
    wet = words.per_cent(wettest)
    if frozen is None:
        return say("not too wet, not wetter than drained ({wetness}). {frost}", wetness=wet, frost=frost_line)
    return say("yes, not wetter than drained ({wetness}); {frost}.", wetness=wet, frost=frost)


def _bears_at(surface: str, morning: Morning) -> str:
    """When a surface bears again by its plan, in words; empty where it has no such hour."""
    plan = morning.plans.get(surface)
    if plan is None or plan.off_until_ms is None:
        return ""
    zone = ZoneInfo(morning.zone)
    return clock_words(words.local(plan.off_until_ms, zone), words.local(morning.now_ms, zone))


def _frost(states: Sequence[StationNow], frost_degc: float) -> tuple[str, bool | None]:
    """Frost in words, and whether there is any, None where nobody can tell: by the first leaf that is told, else by
    the air."""
    for state in states:
        told = state.last("surface_temperature")
        if told is not None and told.value is not None:
            if told.value <= frost_degc:
                return say("frost on the leaf (leaf {leaf})", leaf=_degc(told.value)), True
            return say("no frost (leaf {leaf})", leaf=_degc(told.value)), False
    for state in states:
        told = state.last("air_temperature")
        if told is not None and told.value is not None and told.value > NO_FROST_AIR_DEGC:
            return say("no frost (air {air})", air=_degc(told.value)), False
    return say("frost cannot be told: nothing recent from a leaf or warm air"), None


def _degc(value: float) -> str:
    return say("{temperature:.1f} °C", temperature=value).replace("-", "−")


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
    if len(morning.states) > MOST_IN_FULL:
        each = [(place_name(s), s.wetting) for s in morning.states]
        return [
            say("{place}: cannot tell.", place=place)
            if account is None
            else say("{place}: roots {got}.", place=place, got=_roots_got(account))
            for place, account in each
        ]
    lines = [words.wetting_told(s, morning.zone) for s in morning.states]
    return _once(morning, [words.upper_first(line) for line in lines])


def _once(morning: Morning, lines: Sequence[str]) -> list[str]:
    """A line that all stations share once, else each with its place."""
    if len(set(lines)) == 1:
        return [lines[0]]
    places = [words.place(s.surface, s.station) for s in morning.states]
    return [_of_place(place, _lower_first(line)) for place, line in zip(places, lines, strict=True)]


def _lower_first(line: str) -> str:
    return line[:1].lower() + line[1:]


def _not_yet() -> str:
    return say("Cannot tell yet: the first advice is being worked out.")


def _water(morning: Morning) -> list[str]:
    if morning.advice is None:
        return [_not_yet()]
    stations = [each for one in morning.advice.surfaces for each in one.stations if _shown(morning, each.station)]
    lines = [each.water.line for each in stations] or [say("Cannot tell: no probe of water stands in the turf.")]
    return [*stale_line(morning.advice, morning.zone, morning.now_ms), *lines]


def _shown(morning: Morning, station: str) -> bool:
    return any(s.station.name == station for s in morning.states)


def _windows(morning: Morning) -> list[str]:
    if morning.advice is None:
        return [_not_yet()]
    shown = {s.surface.name for s in morning.states}
    found = []
    for one in morning.advice.surfaces:
        if one.surface in shown:
            found += _windows_of(one, morning)
    return [*stale_line(morning.advice, morning.zone, morning.now_ms), *found]


def _windows_of(one: SurfaceAdvice, morning: Morning) -> list[str]:
    """The first windows of a surface, and why there are no more."""
    if not one.passes:
        return [say("{place}: cannot tell, no pass can be judged without a probe in the turf.", place=one.title)]
    found = [(coming, each) for each in one.passes if (coming := next_open(each.outlook)) is not None]
    week_ms = morning.now_ms + 7 * DAY_MS
    soon = sorted((f for f in found if f[0].span.start_ms < week_ms), key=lambda f: f[0].span.start_ms)
    zone, surface = ZoneInfo(morning.zone), _surface(morning, one.surface)
    lines = []
    for coming, each in soon[:WINDOWS_SHOWN]:
        lift = coming.first.lift_first
        lines.append(
            " ".join((_of_place(one.title, _window(each, coming, zone)), words.lift_first(surface, lift))).rstrip()
        )
    if len(soon) > WINDOWS_SHOWN:
        others = in_a_row([pass_words(each) for _, each in soon[WINDOWS_SHOWN:]])
        lines.append(say("{place}: this week also {passes}.", place=one.title, passes=others))
    if not soon:
        reasons = in_a_row(list(dict.fromkeys(_reason(each) for each in one.passes if _reason(each))))
        if reasons:
            lines.append(say("{place}: none this week ({reasons}).", place=one.title, reasons=reasons))
        else:
            lines.append(say("{place}: none this week.", place=one.title))
    return lines


def _window(one: PassAdvice, coming: Stretch, zone: ZoneInfo) -> str:
    """Which job, from when to when, how sure, what spoils it."""
    outlook, first = one.outlook, coming.first
    begun = coming.span.start_ms <= outlook.windows[0].span.start_ms
    start = say("now") if begun else when(coming.span.start_ms, outlook, zone)
    times = {"pass_title": pass_words(one), "start": start, "end": when(coming.span.end_ms, outlook, zone)}
    chance = chance_of(coming)
    if first.override is not None:
        said = say("{pass_title} {start} to {end}, on the word of {author}", **times, author=first.override.author)
    elif chance is None:
        said = say("{pass_title} {start} to {end}", **times)
    elif chance < LIKELY:
        # Translators: {chance} is as in "3 in 10"
        said = say(
            "{pass_title} may open {start} to {end}, {chance}", **times, chance=chance_words(coming, outlook, zone)
        )
    else:
        said = say("{pass_title} {start} to {end}, {chance}", **times, chance=chance_words(coming, outlook, zone))
    after = next((w for w in outlook.windows if w.span.start_ms >= coming.span.end_ms), None)
    if after is not None and after.verdict is Verdict.OPEN and after.override is None:
        if is_likely(after):
            return say("{window}; then likelier.", window=said)
        return say("{window}; then less likely than not.", window=said)
    if after is not None and after.reason:
        return say("{window}; then {reason}.", window=said, reason=after.reason)
    return f"{said}."


def _surface(morning: Morning, name: str) -> Surface:
    return next(surface for surface in morning.config.surfaces if surface.name == name)


def _reason(one: PassAdvice) -> str:
    return one.outlook.windows[0].reason


def _last_docked(morning: Morning) -> list[str]:
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


def _in_the_way(morning: Morning) -> list[str]:
    found, doubts = list[str](), list[str]()
    for state in morning.states:
        place = words.place(state.surface, state.station)
        if state.heard_ms is None or state.is_old or state.is_silent:
            found.append(_of_place(place, _lower_first(words.heard_lines(state, morning.zone)[0])))
        found += [_of_place(place, line) for line in words.silent_lines(state, morning.zone)]
        doubts += [_of_place(place, _lower_first(line)) for line in words.time_lines(state, morning.zone)]
    found += [a.text for a in morning.alerts if a.rule == PROBE_FAULT.name and a.text not in found]
    if not found:
        count, docked = sum(len(state.probes) for state in morning.states), _last_docked(morning)
        if count and docked:
            found.append(say_many("The fixed probe is heard.", "All {n} fixed probes are heard.", count))
        elif count:
            found.append(say_many("The probe is heard.", "All {n} probes are heard.", count))
        found += [
            _of_place(words.place(s.surface, s.station), words.heard_line(s, morning.zone))
            for s in morning.states
            if s.by_hand
        ]
        found += docked
    found += doubts
    for entry, names, judgement in morning.booked:
        lift = words.lift_first(_surface(morning, entry.surface), names)
        line = words.entry_line(morning.config, entry, morning.now_ms)
        found.append(" ".join((line, judgement.word, judgement.clause, lift)).rstrip())
    return found if morning.booked else [*found, say("No pass is booked for today.")]


# --- the verdicts ----------------------------------------------------------------------------------------------------


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


def _silence(morning: Morning) -> str:
    """Since when nothing has been heard of any station, as the end of a clause; empty where something is."""
    since_ms = silent_since_ms(morning.states)
    if since_ms is None:
        return ""
    if all(s.by_file for s in morning.states):
        if since_ms == 0:
            return say("Nothing imported yet")
        return say("Nothing imported since {when}", when=_said_when(since_ms, morning))
    return (
        say("Nothing heard yet")
        if since_ms == 0
        else say("Nothing heard since {when}", when=_said_when(since_ms, morning))
    )


def _said_when(at_ms: int, morning: Morning) -> str:
    return words.soon(at_ms, morning.zone, morning.now_ms)


def _said_day(at_ms: int, morning: Morning) -> str:
    return words.soon(at_ms, morning.zone, morning.now_ms, clock=False)


def _going_verdict(morning: Morning) -> tuple[str, str]:
    if not morning.states:
        return say("Cannot tell."), say("No station is set up.")
    if silence := _silence(morning):
        # Translators: {silence} is as in "Nothing heard since Tue 14:10"; then go by boot and eye
        return say("Cannot tell."), say("{silence}. Boot and eye.", silence=silence)
    going = {
        surface: _going([s for s in morning.states if s.surface.name == surface], morning)
        for surface in dict.fromkeys(s.surface.name for s in morning.states)
    }
    titles = {s.surface.name: s.surface.title for s in morning.states}
    by_word = {word: [titles[n] for n, found in going.items() if found[0] == word] for word in ("yes", "no", "?")}
    why = words.listed_once([found[1] for found in going.values() if found[0] == "no"])
    if by_word["no"]:
        most = MOST_NAMED if len(going) <= MOST_NAMED + 1 else 1
        clauses = [f"{why}."]
        if by_word["yes"] or by_word["?"]:
            # Translators: behind "Do not"; {why} is "wetter than drained" and the like
            clauses = [say("go on {places}: {why}.", places=words.named(by_word["no"], most), why=why)]
        fit = by_word["yes"]
        if len(fit) > MOST_NAMED:
            clauses.append(say_many("The other may be gone on.", "The other {n} may be gone on.", len(fit)))
        elif fit:
            clauses.append(say("{places} may be gone on.", places=words.named(fit)))
        return say("Do not"), " ".join(clauses)
    if not by_word["yes"]:
        return say("Cannot tell."), say("No reading of water that counts. Boot and eye.")
    frost = words.listed_once([found[1] for found in going.values() if found[0] == "yes"])
    clauses = [sentence(frost)]
    if by_word["?"]:
        untold = say("{places} cannot be told.", places=words.named(by_word["?"], 1))
        clauses = [f"{words.named(by_word['yes'])}.", *clauses, untold]
    elif len(by_word["yes"]) > 1:
        clauses.insert(0, f"{_all_of(by_word['yes'])}.")
    return say("Yes,"), " ".join(clauses)


def _all_of(titles: Sequence[str]) -> str:
    """Several surfaces that are all there are: `both`, `all 5`."""
    # Translators: the surfaces, behind "Yes,"
    return say("both") if len(titles) == 2 else say("all {n}", n=len(titles))


def going_of(surface: str, morning: Morning) -> str:
    """Return whether a surface can be gone on: `yes`, `no`, or `?` where nobody can tell."""
    states = [s for s in morning.states if s.surface.name == surface]
    return "?" if silent_since_ms(states) is not None else _going(states, morning)[0]


def _going(states: Sequence[StationNow], morning: Morning) -> tuple[str, str]:
    """`yes`, `no` or `?` for one surface, and why in a few words."""
    told = {a.rule for a in morning.alerts if a.surface == states[0].surface.name}
    _, frozen = _frost((*states, *morning.states), _frost_degc(morning))
    wettest = max((w for w in map(_wetness, states) if w is not None), default=None)
    if frozen or FROST_AT_DAWN.name in told:
        return "no", say("frost on the leaf") if frozen else say("frost")
    if wettest is None:
        return "?", ""
    if STAY_OFF.name in told or wettest > STAY_OFF.bounds_in(morning.config.alerts).on_wetness:
        till = _bears_at(states[0].surface.name, morning)
        wet = say("wetter than drained till about {when}", when=till)
        return "no", wet if till else say_as("how wet", "wetter than drained")
    if frozen is None:
        return "yes", say("frost cannot be told, not wetter than drained")
    return "yes", say("no frost, not too wet")


def rain_of_day(pipeline: Pipeline, states: Sequence[StationNow]) -> list[float] | None:
    """Return the rain of the last 24 hours in parts of three hours, of the gauge that caught most; None without one.

    [mm]
    """
    told = [s for s in states if s.rain_day_mm is not None]
    if not told:
        return None
    wettest = max(told, key=lambda s: s.rain_day_mm or 0.0)
    channel = pipeline.config.rain_channel(wettest.station.name)
    if channel is None:  # read by hand: nobody knows in which hours it fell
        return None
    end_ms = wettest.now_ms // HOUR_MS * HOUR_MS + HOUR_MS
    start_ms, parts = end_ms - DAY_MS, [0.0] * (24 // PART_H)
    for row in rows_of(observations_at_step(pipeline, [channel], start_ms, end_ms, "hour")):
        parts[(int(row["measured_at_ms"]) - start_ms) // (PART_H * HOUR_MS)] += number(row["value"]) or 0.0
    return parts


def _fallen_verdict(morning: Morning) -> tuple[str, str]:
    since = _said_when(morning.now_ms - DAY_MS, morning)
    given = [(e, float(str(e.body.get("water_mm") or 0.0))) for e in morning.given if e.kind == "watering"]
    watered = max((mm for _, mm in given), default=0.0)
    where = words.named(list(dict.fromkeys(words.place_of(morning.config, e) for e, _ in given)))
    added = []
    if given and watered:
        added = [say("{places} watered, {water}.", places=where, water=words.millimetres(watered))]
    elif given:
        added = [say("{places} watered.", places=where)]
    rains = [s.rain_day_mm for s in morning.states if s.rain_day_mm is not None]
    if not rains:
        gauged = any(s.has_gauge for s in morning.states)
        if silence := _silence(morning):
            why = f"{silence}."
        elif gauged:
            why = say("The gauge was not heard through the day.")
        else:
            why = say("There is no gauge here.")
        return say("Not known."), " ".join((why, *added))
    low, high = min(rains), max(rains)
    if round(high, 1) > 0.0:
        span = words.millimetres(high)
        if round(high - low, 1) != 0.0:
            span = say("{low} to {high}", low=figure(low, 1), high=span)
        # Translators: behind an amount, as in "4.2 mm"
        return words.tied(span), " ".join((say("of rain since {when}.", when=since), *added))
    if given:
        # Translators: behind "Watered,"
        return say("Watered,"), " ".join((say("no rain since {when}.", when=since), *added))
    last = _last_wetting(morning)
    # Translators: behind "Nothing"
    lines = [say("has fallen since {when}.", when=since)]
    if last is not None and last.given.value is not None:
        water, day = words.millimetres(last.given.value), _said_day(last.end_ms, morning)
        lines.append(say("Last: {water}, {day}.", water=water, day=day))
    return say_as("what fell", "Nothing"), " ".join(lines)


def _last_wetting(morning: Morning) -> WettingNow | None:
    accounts = [s.wetting for s in morning.states if s.wetting is not None]
    return max(accounts, key=lambda one: one.end_ms, default=None)


# Where the greatest part of a wetting is found again.
WENT_WORDS = {
    "thatch_kept": later_as("where water went", "Thatch"), "root_gain": later_as("where water went", "Roots"),
    "below_gain": later_as("where water went", "Deeper"), "evaporation": later_as("where water went", "Air"),
    "unaccounted": later_as("where water went", "Unaccounted"),
}  # fmt: skip
_WENT_AT = {
    "thatch_kept": later("thatch at {n}"), "root_gain": later("roots at {n}"), "below_gain": later("deeper at {n}"),
    "evaporation": later("air at {n}"), "unaccounted": later("unaccounted at {n}"),
}  # fmt: skip
# How the clause goes on behind the word: at a place, and where there is one place only.
_WENT_MOST = {
    "thatch_kept": (later("kept most at {place}: roots {got}"), later("kept most: roots {got}")),
    "below_gain": (later("went most at {place}: roots {got}"), later("went most: roots {got}")),
    "unaccounted": (later("is most at {place}: roots {got}"), later("is most: roots {got}")),
}
_GOT_MOST = (later("got most at {place}: roots {got}"), later("got most: roots {got}"))


def greatest_part(account: WettingNow) -> str | None:
    """Return the line of an account with most of the water, a key of `WENT_WORDS`; None where none is told."""
    parts = {name: found.value for name in WENT_WORDS if (found := getattr(account, name)) and found.value is not None}
    return max(parts, key=lambda name: parts[name]) if parts else None


def _went_verdict(morning: Morning) -> tuple[str, str]:
    told = [
        (s, s.wetting, part) for s in morning.states if s.wetting is not None and (part := greatest_part(s.wetting))
    ]
    if not told:
        if any(s.is_in_work for s in morning.states):
            return say("Cannot tell."), say("Readings are still being worked on.")
        if not any(s.wetting for s in morning.states):
            if all(s.by_hand for s in morning.states):
                return say("Cannot tell."), say("No probe stands here.")
            if not any(s.has_gauge for s in morning.states):
                return say("Cannot tell."), say("No gauge here.")
            # Translators: behind "Nothing"
            return say_as("what fell", "Nothing"), say("of 1 mm or more has come in 60 days.")
        return say("Cannot tell."), say("What came could not be followed into the soil.")
    newest_ms = max(account.end_ms for _, account, _ in told)
    told = [one for one in told if newest_ms - one[1].end_ms < DAY_MS]  # of the same weather
    counted = Counter(part for _, _, part in told)
    part = max(counted, key=lambda one: (counted[one], one == "thatch_kept"))
    day = _said_day(newest_ms, morning)
    if len(told) > MOST_NAMED:
        rest = in_a_row([say(_WENT_AT[p], n=n) for p, n in counted.items() if p != part])
        counts = {"n": counted[part], "all": len(told), "day": day}
        if rest:
            # Translators: behind the word of where the water went; {others} is as in "thatch at 2, air at 1"
            return say(WENT_WORDS[part]), say(
                "got most at {n} of {all} stations, {day}; {others}.", **counts, others=rest
            )
        return say(WENT_WORDS[part]), say("got most at {n} of {all} stations, {day}.", **counts)
    told.sort(key=lambda one: one[2] != part)
    (first, account, _), *others = told
    at_place, alone = _WENT_MOST.get(part, _GOT_MOST)
    first_clause = at_place if len(morning.states) > 1 else alone
    said = [
        say(first_clause, place=place_name(first), got=_roots_got(account)),
        *(say("at {place} {got}", place=place_name(s), got=_roots_got(w)) for s, w, _ in others),
    ]
    # Translators: behind the word of where the water went, as in "got most at Square: roots got 4.1 of 6 mm, Tue."
    return say(WENT_WORDS[part]), say("{places}, {day}.", places="; ".join(said), day=day)


def _roots_got(account: WettingNow) -> str:
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


def _water_verdict(morning: Morning) -> tuple[str, str]:
    if morning.advice is None:
        # Translators: behind "Cannot tell"
        return say("Cannot tell"), say("yet: the first advice is being worked out.")
    each = [
        (s, found.water)
        for s in morning.states
        for one in morning.advice.surfaces
        for found in one.stations
        if found.station == s.station.name
    ]
    if not each:
        return say("Cannot tell."), say("No probe of water stands in the turf.")
    wanted = [(s, w) for s, w in each if w.mm]
    said = listed([_dose(s, w) for s, w in wanted])
    if is_stale(morning.advice, morning.now_ms):
        at = _said_when(morning.advice.at_ms, morning)
        # Translators: what was advised of tonight's water before, behind "Cannot tell"
        if not wanted:
            return say("Cannot tell"), say("yet. It said no at {when}.", when=at)
        if len(said) > SHORT_SAID:
            return say("Cannot tell"), say("yet. It said yes at {when}.", when=at)
        return say("Cannot tell"), say("yet. It said {doses} at {when}.", doses=said, when=at)
    if wanted:
        if len(wanted) <= MOST_NAMED:
            return say("Yes."), f"{said}."
        most, mm = max(((s, w.mm or 0.0) for s, w in wanted), key=lambda one: one[1])
        return say("Yes."), say(
            "{n} of {all} stations; most at {place}, {water:.0f} mm.",
            n=len(wanted), all=len(each), place=place_name(most), water=mm,
        )  # fmt: skip
    told = [w for _, w in each if w.mm is not None]
    if not told:
        return say("Cannot tell."), sentence(each[0][1].reason)
    lines = [sentence(Counter(w.reason for w in told).most_common(1)[0][0])]
    if len(told) < len(each):
        lines.append(say("{n} cannot be told.", n=len(each) - len(told)))
    return say("No."), " ".join(lines)


def _dose(state: StationNow, water: WaterAdvice) -> str:
    """The water of a station tonight: `Square 12 mm in 2 goes`."""
    told = {"place": place_name(state), "water": water.mm or 0.0}
    if water.goes > 1:
        return say("{place} {water:.0f} mm in {goes} goes", **told, goes=water.goes)
    return say("{place} {water:.0f} mm", **told)


def _window_verdict(morning: Morning) -> tuple[str, str]:
    advice = morning.advice
    if advice is None:
        return say("Cannot tell"), say("yet: the first advice is being worked out.")
    if silence := _silence(morning):
        return say("Cannot tell."), say("{silence}: nothing is called open on old readings.", silence=silence)
    shown = {s.surface.name for s in morning.states}
    surfaces = [one for one in advice.surfaces if one.surface in shown]
    if not any(one.passes for one in surfaces):
        return say("Cannot tell."), say("No pass can be judged without a probe in the turf.")
    found = [(one, window) for one in surfaces if (window := _first_window(one, morning)) is not None]
    if not found:
        reasons = Counter(_reason(each) for one in surfaces for each in one.passes if _reason(each))
        if reasons:
            return say_as("windows", "None:"), f"{reasons.most_common(1)[0][0]}."
        return say_as("windows", "None:"), say("no pass is open in seven days.")
    likely = [(one, window) for one, window in found if window[2]]
    first, (_, said, _) = min(likely or found, key=lambda each: each[1][0])
    clauses = [_of_place(first.title, f"{said}.") if len(surfaces) > 1 else f"{said}."]
    others = [one.title for one, _ in found if one is not first]
    shut = [one.title for one in surfaces if one.title != first.title and one.title not in others]
    if others:
        # Translators: other surfaces that have a window too
        clauses.append(say("Also {places}.", places=words.named(others, 1)))
    elif shut:
        # Translators: surfaces that have no window
        clauses.append(say("{places}: none.", places=words.named(shut, 1)))
    return say("Yes,") if likely else say("May open:"), " ".join(clauses)


def _first_window(one: SurfaceAdvice, morning: Morning) -> tuple[int, str, bool] | None:
    """Begin of the first window of a surface this week, its pass and time in words, and whether it is likely."""
    found = [(coming, each) for each in one.passes if (coming := next_open(each.outlook)) is not None]
    soon = [f for f in found if f[0].span.start_ms < morning.now_ms + 7 * DAY_MS]
    if not soon:
        return None

    coming, each = min(soon, key=lambda f: (not likely_stretch(f[0]), f[0].span.start_ms))
    zone, outlook = ZoneInfo(morning.zone), each.outlook
    begun = coming.span.start_ms <= outlook.windows[0].span.start_ms
    end = when(coming.span.end_ms, outlook, zone)
    doing = say(outlook.facts.doing)
    if begun:
        # Translators: a window that is open now, as in "scarifying till Fri 15:00"
        said = say("{doing} till {end}", doing=doing, end=end)
    else:
        said = say("{doing} {start} to {end}", doing=doing, start=when(coming.span.start_ms, outlook, zone), end=end)
    return coming.span.start_ms, said, likely_stretch(coming)


def _probe_verdict(morning: Morning) -> tuple[str, str]:
    if morning.states and all(s.by_file for s in morning.states):
        last_ms = max((s.heard_ms for s in morning.states if s.heard_ms is not None), default=None)
        # Translators: behind "By record,"
        if last_ms is None:
            return say("By record,"), say("nothing imported yet; no probe is read by the clock.")
        return say("By record,"), say("up to {when}; no probe is read by the clock.", when=_said_when(last_ms, morning))
    silent = [s for s in morning.states if (s.heard_ms is None or s.is_old or s.is_silent) and not s.by_file]
    some = [s for s in morning.states if s not in silent and s.silent]
    dumb = [say("{places} silent.", places=words.named([place_name(s) for s in silent]))] if silent else []
    dumb += [say("One probe silent at {places}.", places=words.named([place_name(s) for s in some]))] if some else []
    for entry, names, _ in morning.booked:
        if names:
            doing, at = words.pass_title(entry.body), words.clock(entry.at_ms, morning.zone)
            called = words.probes_called(_surface(morning, entry.surface), names)
            # Translators: behind "Lift probe"
            lift = say("before {doing} at {clock}: {probes}.", doing=doing, clock=at, probes=called)
            return say("Lift probe"), " ".join((lift, *dumb))
    if morning.states and len(silent) == len(morning.states):
        since_ms = silent_since_ms(morning.states)
        # Translators: behind "Silent,"
        if not since_ms:
            return say("Silent,"), say("nothing heard yet: is the agent running?")
        return say("Silent,"), say("all of them since {when}: the box first.", when=_said_when(since_ms, morning))
    if silent:
        older = min((s.heard_ms for s in silent if s.heard_ms is not None), default=None)
        line = f"{words.named([place_name(s) for s in silent])}."
        if older is not None:
            # Translators: behind "Silent:"
            since = _said_when(older, morning)
            line = say("{places} since {when}.", places=words.named([place_name(s) for s in silent]), when=since)
        return say("Silent:"), " ".join((line, *dumb[1:]))
    if some:
        probe, number = some[0].silent[0], sum(len(s.silent) for s in some)
        at = words.named([place_name(s) for s in some])
        if probe.heard_ms is None:
            return say("Silent:"), say_many("{n} probe at {places}.", "{n} probes at {places}.", number, places=at)
        return say("Silent:"), say_many(
            "{n} probe at {places} since {when}.", "{n} probes at {places} since {when}.", number,
            places=at, when=_said_when(probe.heard_ms, morning),
        )  # fmt: skip
    faults = [a for a in morning.alerts if a.rule == PROBE_FAULT.name]
    if morning.states and all(s.by_hand for s in morning.states):
        last_ms = max(s.heard_ms for s in morning.states if s.heard_ms is not None)
        # Translators: behind "By hand,"
        return say("By hand,"), say("last read {when}; no probe stands here.", when=_said_when(last_ms, morning))
    booked = [] if morning.booked else [say("No pass is booked today.")]
    count = sum(len(s.probes) for s in morning.states)
    if faults:
        line = say_many(
            "{n} probe of {all} not to be believed.", "{n} probes of {all} not to be believed.", len(faults), all=count
        )
        return say("In doubt:"), " ".join((line, *booked))
    if _last_docked(morning):  # a penetrometer is heard only when it is docked
        line = say_many("{n} fixed probe; nothing in the way.", "{n} fixed probes; nothing in the way.", count)
    else:
        line = say_many("{n} probe; nothing in the way.", "{n} probes; nothing in the way.", count)
    return say("All heard,"), " ".join((line, *booked))
