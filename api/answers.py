"""The six answers of the morning, in order, in words: what a groundsman asks before he sets out.

Can I go on it? What fell? Where did it go? Water tonight? Any window this week? Are the probes alive, and is anything
in the way? Each has one bold word, a clause that fits two lines of a phone however many stations there are, and all
that stands behind it, a line each. The facts are gathered from the pipeline once; what cannot be told is said to be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request

from api import schema, words
from api.advice import stale_line
from api.data import pipeline_of, stations_of
from api.morning import (
    Morning,
    bears_at,
    degc,
    frost_degc,
    frost_told,
    last_docked,
    morning_of,
    of_place,
    place_name,
    reason_of,
    roots_got,
    surface_of,
    wetness_of,
)
from api.state import StationNow
from api.verdicts import fallen_verdict, going_verdict, probe_verdict, water_verdict, went_verdict, window_verdict
from pipeline.advice.conditions import Verdict
from pipeline.advice.phrases import sentence
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
from pipeline.advice.stretches import pass_words
from pipeline.alerts.probes import PROBE_FAULT
from pipeline.alerts.surface import FROST_AT_DAWN, STAY_OFF
from pipeline.texts import in_a_row, later, say, say_many
from pipeline.units import DAY_MS

router = APIRouter(prefix="/api/v1", tags=["data"])

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


MOST_IN_FULL = 6  # stations whose last wetting is told with every line of its account
MOST_NEED_A_HAND = 2  # more shouting than this is not heard
# Verdicts that ask for a hand, by the place of their question, the most pressing first.
NEEDS_HAND = {
    5: (later("Silent,"), later("Silent:"), later("Lift probe")), 0: (later("Do not"),), 3: (later("Yes."),)
}  # fmt: skip


@router.get("/answers", summary="The six answers of the morning, in words")
def get_answers(request: Request) -> list[schema.AnswerOut]:
    pipeline = pipeline_of(request)
    answers = six_answers(morning_of(pipeline, stations_of(request)))
    return [schema.AnswerOut(**asdict(one)) for one in answers]


def six_answers(morning: Morning) -> list[Answer]:
    """The answers, in the order in which they are asked."""
    answers = [
        Answer(say("Can I go on it?"), *going_verdict(morning), tuple(_can_i_go(morning))),
        Answer(say("What fell?"), *fallen_verdict(morning), tuple(_fallen(morning))),
        Answer(say("Where did it go?"), *went_verdict(morning), tuple(_went(morning))),
        Answer(say("Water tonight?"), *water_verdict(morning), tuple(_water(morning))),
        Answer(say("Any window this week?"), *window_verdict(morning), tuple(_windows(morning))),
        Answer(say("Probes alive? Anything in the way?"), *probe_verdict(morning), tuple(_in_the_way(morning))),
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
        found += told or [of_place(states[0].surface.title, _go(states, morning))]
        advice = _of_surface(morning.advice, surface)
        if advice is not None and advice.dawn_leaf_degc is not None and advice.dawn_leaf_degc <= frost_degc(morning):
            leaf = degc(advice.dawn_leaf_degc)
            found.append(say("{place}: frost is likely by next dawn, leaf {leaf}.", place=advice.title, leaf=leaf))
    return found


def _go(states: Sequence[StationNow], morning: Morning) -> str:
    """Whether a surface can be gone on, by the leaf and by the wettest of its stations."""
    frost, frozen = frost_told(states, morning)
    wettest, where = max(
        ((wetness_of(s), s) for s in states), key=lambda found: found[0] if found[0] is not None else -9.0
    )
    if frozen:
        # Translators: whether a surface can be gone on; {frost} is "frost on the leaf (leaf -1.0 °C)" and the like
        return say("no, {frost}. Wait until it has gone.", frost=frost)
    frost_line = sentence(frost)
    if wettest is None:
        return say("cannot tell how wet it is. {frost}", frost=frost_line)
    if wettest > STAY_OFF.bounds_in(morning.config.alerts).on_wetness:
        till = bears_at(states[0].surface.name, morning)
        bears = say("It should be fit to walk on from about {when}.", when=till) if till else ""
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


def _fallen(morning: Morning) -> list[str]:
    found = _once(morning, [words.rain_line(s) for s in morning.states])
    return found + [words.entry_line(morning.config, e, morning.now_ms) for e in morning.given]


def _went(morning: Morning) -> list[str]:
    if len(morning.states) > MOST_IN_FULL:
        each = [(place_name(s), s.wetting) for s in morning.states]
        return [
            say("{place}: cannot tell.", place=place)
            if account is None
            else say("{place}: roots {got}.", place=place, got=roots_got(account))
            for place, account in each
        ]
    lines = [words.wetting_told(s, morning.zone) for s in morning.states]
    return _once(morning, [words.upper_first(line) for line in lines])


def _once(morning: Morning, lines: Sequence[str]) -> list[str]:
    """A line that all stations share once, else each with its place."""
    if len(set(lines)) == 1:
        return [lines[0]]
    places = [words.place(s.surface, s.station) for s in morning.states]
    return [of_place(place, _lower_first(line)) for place, line in zip(places, lines, strict=True)]


def _lower_first(line: str) -> str:
    return line[:1].lower() + line[1:]


def _not_yet() -> str:
    return say("Cannot tell yet: the first advice is being worked out.")


def _water(morning: Morning) -> list[str]:
    if morning.advice is None:
        return [_not_yet()]
    stations = [each for one in morning.advice.surfaces for each in one.stations if _shown(morning, each.station)]
    lines = [line for each in stations for line in each.water.lines] or [
        say("Cannot tell: no probe of water stands in the turf.")
    ]
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
    zone, surface = ZoneInfo(morning.zone), surface_of(morning, one.surface)
    lines = []
    for coming, each in soon[:WINDOWS_SHOWN]:
        lift = coming.first.lift_first
        lines.append(
            " ".join((of_place(one.title, _window(each, coming, zone)), words.lift_first(surface, lift))).rstrip()
        )
    if len(soon) > WINDOWS_SHOWN:
        others = in_a_row([pass_words(each) for _, each in soon[WINDOWS_SHOWN:]])
        lines.append(say("{place}: this week also {passes}.", place=one.title, passes=others))
    if not soon:
        reasons = in_a_row(list(dict.fromkeys(reason_of(each) for each in one.passes if reason_of(each))))
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


def _in_the_way(morning: Morning) -> list[str]:
    found, doubts = list[str](), list[str]()
    for state in morning.states:
        place = words.place(state.surface, state.station)
        if state.heard_ms is None or state.is_old or state.is_silent:
            found.append(of_place(place, _lower_first(words.heard_lines(state, morning.zone)[0])))
        found += [of_place(place, line) for line in words.silent_lines(state, morning.zone)]
        doubts += [of_place(place, _lower_first(line)) for line in words.time_lines(state, morning.zone)]
    found += [a.text for a in morning.alerts if a.rule == PROBE_FAULT.name and a.text not in found]
    if not found:
        count, docked = sum(len(state.probes) for state in morning.states), last_docked(morning)
        if count and docked:
            found.append(say_many("The fixed probe is heard.", "All {n} fixed probes are heard.", count))
        elif count:
            found.append(say_many("The probe is heard.", "All {n} probes are heard.", count))
        found += [
            of_place(words.place(s.surface, s.station), words.heard_line(s, morning.zone))
            for s in morning.states
            if s.by_hand
        ]
        found += docked
    found += doubts
    for entry, names, judgement in morning.booked:
        lift = words.lift_first(surface_of(morning, entry.surface), names)
        line = words.entry_line(morning.config, entry, morning.now_ms)
        found.append(" ".join((line, judgement.word, judgement.clause, lift)).rstrip())
    return found if morning.booked else [*found, say("No pass is booked for today.")]
