"""The six answers of the morning, in order, in words: what a groundsman asks before he sets out.

Can I go on it? What fell? Where did it go? Water tonight? Any window this week? Are the probes alive, and is anything
in the way? Each has one bold word, a clause that fits two lines of a phone however many stations there are, and all
that stands behind it, a line each. The facts are gathered from the pipeline once; what cannot be told is said to be.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
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
from pipeline.advice.phrases import listed
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
from pipeline.alerts.probes import PROBE_FAULT
from pipeline.alerts.runner import OpenAlert
from pipeline.alerts.surface import FROST_AT_DAWN, STAY_OFF
from pipeline.diary.entry import DiaryEntry
from pipeline.plan.booked import Judgement
from pipeline.service import Pipeline
from pipeline.site.ground import Surface
from pipeline.site.settings import SiteConfig
from pipeline.texts import say, say_many
from pipeline.units import DAY_MS, HOUR_MS

router = APIRouter(prefix="/api/v1", tags=["data"])

NO_FROST_AIR_DEGC = 5.0  # air as warm as this has no frost below it: common practice, no source
WINDOWS_SHOWN = 3
NOT_YET = "Cannot tell yet: the first advice is being worked out."


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
NEEDS_HAND = {5: ("Silent", "Lift probe"), 0: ("Do not",), 3: ("Yes",)}


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
    """

    config: SiteConfig
    states: Sequence[StationNow]
    advice: SiteAdvice | None
    alerts: Sequence[OpenAlert]
    given: Sequence[DiaryEntry]
    booked: Sequence[tuple[DiaryEntry, tuple[str, ...], Judgement]]
    now_ms: int

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
    config, now_ms = pipeline.config, pipeline.clock.now_ms()
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
        advice=pipeline.advice(),
        alerts=[a for a in pipeline.alerts() if (a.surface, a.station or None) in shown],
        given=[e for e in given if (e.surface, e.station) in shown],
        booked=booked,
        now_ms=now_ms,
    )


def six_answers(morning: Morning) -> list[Answer]:
    """The answers, in the order in which they are asked."""
    answers = [
        Answer("Can I go on it?", *_going_verdict(morning), tuple(_can_i_go(morning))),
        Answer("What fell?", *_fallen_verdict(morning), tuple(_fallen(morning))),
        Answer("Where did it go?", *_went_verdict(morning), tuple(_went(morning))),
        Answer("Water tonight?", *_water_verdict(morning), tuple(_water(morning))),
        Answer("Any window this week?", *_window_verdict(morning), tuple(_windows(morning))),
        Answer("Probes alive? Anything in the way?", *_probe_verdict(morning), tuple(_in_the_way(morning))),
    ]
    needing = [n for n, those in NEEDS_HAND.items() if answers[n].verdict.rstrip(",.:") in those][:MOST_NEED_A_HAND]
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
    if len(morning.states) > MOST_IN_FULL:
        each = [(place_name(s), s.wetting) for s in morning.states]
        return [f"{place}: {'cannot tell' if w is None else f'roots {_roots_got(w)}'}." for place, w in each]
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


def _shown(morning: Morning, station: str) -> bool:
    return any(s.station.name == station for s in morning.states)


def _windows(morning: Morning) -> list[str]:
    if morning.advice is None:
        return [NOT_YET]
    shown = {s.surface.name for s in morning.states}
    found = []
    for one in morning.advice.surfaces:
        if one.surface in shown:
            found += _windows_of(one, morning)
    return [*stale_line(morning.advice, morning.zone, morning.now_ms), *found]


def _windows_of(one: SurfaceAdvice, morning: Morning) -> list[str]:
    """The first windows of a surface, and why there are no more."""
    if not one.passes:
        return [f"{one.title}: cannot tell, no pass can be judged without a probe in the turf."]
    found = [(coming, each) for each in one.passes if (coming := next_open(each.outlook)) is not None]
    week_ms = morning.now_ms + 7 * DAY_MS
    soon = sorted((f for f in found if f[0].span.start_ms < week_ms), key=lambda f: f[0].span.start_ms)
    zone, surface = ZoneInfo(morning.zone), _surface(morning, one.surface)
    lines = []
    for coming, each in soon[:WINDOWS_SHOWN]:
        lift = coming.first.lift_first
        first = f" {words.lift_first(surface, lift)}".rstrip()
        lines.append(f"{one.title}: {_window(each, coming, zone)}{first}")
    if len(soon) > WINDOWS_SHOWN:
        others = ", ".join(pass_words(each) for _, each in soon[WINDOWS_SHOWN:])
        lines.append(f"{one.title}: this week also {others}.")
    if not soon:
        reasons = ", ".join(dict.fromkeys(_reason(each) for each in one.passes if _reason(each)))
        lines.append(f"{one.title}: none this week" + (f" ({reasons})." if reasons else "."))
    return lines


def _window(one: PassAdvice, coming: Stretch, zone: ZoneInfo) -> str:
    """Which job, from when to when, how sure, what spoils it."""
    outlook, first = one.outlook, coming.first
    begun = coming.span.start_ms <= outlook.windows[0].span.start_ms
    start = "now" if begun else when(coming.span.start_ms, outlook, zone)
    chance = chance_of(coming)
    sure = "" if chance is None or first.override is not None else f", {chance_words(coming, outlook, zone)}"
    perhaps = "may open " if sure and chance is not None and chance < LIKELY else ""
    said = f"{pass_words(one)} {perhaps}{start} to {when(coming.span.end_ms, outlook, zone)}{sure}"
    if first.override is not None:
        said += f", on the word of {first.override.author}"
    after = next((w for w in outlook.windows if w.span.start_ms >= coming.span.end_ms), None)
    if after is not None and after.verdict is Verdict.OPEN and after.override is None:
        return f"{said}; then {'likelier' if is_likely(after) else 'less likely than not'}."
    return said + (f"; then {after.reason}." if after is not None and after.reason else ".")


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
                read = "has not been read yet"
                if last_ms is not None:
                    read = f"was last read {words.moment(last_ms, morning.zone, now_ms=morning.now_ms)}"
                found.append(f"{place}: the penetrometer {read}. It is heard only when somebody docks it.")
    return found


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
        count, docked = sum(len(state.probes) for state in morning.states), _last_docked(morning)
        fixed = "fixed " if docked else ""
        if count:
            found.append(f"All {count} {fixed}probes are heard." if count > 1 else f"The {fixed}probe is heard.")
        found += [
            f"{words.place(s.surface, s.station)}: {words.heard_line(s, morning.zone)}"
            for s in morning.states
            if s.by_hand
        ]
        found += docked
    found += doubts
    for entry, names, judgement in morning.booked:
        lift = f" {words.lift_first(_surface(morning, entry.surface), names)}".rstrip()
        line = words.entry_line(morning.config, entry, morning.now_ms)
        found.append(f"{line} {judgement.word} {judgement.clause}{lift}")
    return found if morning.booked else [*found, "No pass is booked for today."]


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
    come = "imported" if all(s.by_file for s in morning.states) else "heard"
    return f"Nothing {come} yet" if since_ms == 0 else f"Nothing {come} since {_said_when(since_ms, morning)}"


def _said_when(at_ms: int, morning: Morning) -> str:
    return words.soon(at_ms, morning.zone, morning.now_ms)


def _said_day(at_ms: int, morning: Morning) -> str:
    return words.soon(at_ms, morning.zone, morning.now_ms, clock=False)


def _going_verdict(morning: Morning) -> tuple[str, str]:
    if not morning.states:
        return "Cannot tell.", "No station is set up."
    if silence := _silence(morning):
        return "Cannot tell.", f"{silence}. Boot and eye."
    going = {
        surface: _going([s for s in morning.states if s.surface.name == surface], morning)
        for surface in dict.fromkeys(s.surface.name for s in morning.states)
    }
    titles = {s.surface.name: s.surface.title for s in morning.states}
    by_word = {word: [titles[n] for n, found in going.items() if found[0] == word] for word in ("yes", "no", "?")}
    why = words.listed_once([found[1] for found in going.values() if found[0] == "no"])
    if by_word["no"]:
        most = MOST_NAMED if len(going) <= MOST_NAMED + 1 else 1
        where = "" if not by_word["yes"] and not by_word["?"] else f"go on {words.named(by_word['no'], most)}: "
        fit = by_word["yes"]
        others = words.named(fit) if len(fit) <= MOST_NAMED else f"The other {len(fit)}"
        rest = f" {others} may be gone on." if fit else ""
        return "Do not", f"{where}{why}.{rest}"
    untold = f" {words.named(by_word['?'], 1)} cannot be told." if by_word["?"] else ""
    if not by_word["yes"]:
        return "Cannot tell.", "No reading of water that counts. Boot and eye."
    frost = words.listed_once([found[1] for found in going.values() if found[0] == "yes"])
    which = f"{words.named(by_word['yes'])}. " if untold else f"{_all_of(by_word['yes'], alone='')}. ".lstrip(". ")
    return "Yes,", f"{which}{words.upper_first(frost)}.{untold}"


def _all_of(titles: Sequence[str], *, alone: str | None = None) -> str:
    """Several surfaces that are all there are: `both`, `all 5`; one by `alone`, or its title."""
    if len(titles) == 1:
        return titles[0] if alone is None else alone
    return "both" if len(titles) == 2 else f"all {len(titles)}"


def going_of(surface: str, morning: Morning) -> str:
    """Return whether a surface can be gone on: `yes`, `no`, or `?` where nobody can tell."""
    states = [s for s in morning.states if s.surface.name == surface]
    return "?" if silent_since_ms(states) is not None else _going(states, morning)[0]


def _going(states: Sequence[StationNow], morning: Morning) -> tuple[str, str]:
    """`yes`, `no` or `?` for one surface, and why in a few words."""
    told = {a.rule for a in morning.alerts if a.surface == states[0].surface.name}
    frost, frozen = _frost((*states, *morning.states), _frost_degc(morning))
    wettest = max((w for w in map(_wetness, states) if w is not None), default=None)
    if frozen or FROST_AT_DAWN.name in told:
        return "no", "frost on the leaf" if frozen else "frost"
    if wettest is None:
        return "?", ""
    if STAY_OFF.name in told or wettest > STAY_OFF.bounds_in(morning.config.alerts).on_wetness:
        return "no", "wetter than drained"
    return "yes", "frost cannot be told, not wetter than drained" if "cannot" in frost else "no frost, not too wet"


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
    added = f" {where} watered{f', {words.millimetres(watered)}' if watered else ''}." if given else ""
    rains = [s.rain_day_mm for s in morning.states if s.rain_day_mm is not None]
    if not rains:
        gauged = any(s.has_gauge for s in morning.states)
        why = _silence(morning) or ("The gauge was not heard through the day" if gauged else "There is no gauge here")
        return "Not known.", f"{why}.{added}"
    low, high = min(rains), max(rains)
    if round(high, 1) > 0.0:
        span = (
            f"{words.millimetres(high)}" if round(high - low, 1) == 0.0 else f"{low:.1f} to {words.millimetres(high)}"
        )
        return words.tied(span), f"of rain since {since}.{added}"
    last = _last_wetting(morning)
    before = ""
    if last is not None and last.given.value is not None and not given:
        before = f" Last: {words.millimetres(last.given.value)}, {_said_day(last.end_ms, morning)}."
    return (
        "Nothing" if not given else "Watered,",
        f"{'no rain' if given else 'has fallen'} since {since}.{before}{added}",
    )


def _last_wetting(morning: Morning) -> WettingNow | None:
    accounts = [s.wetting for s in morning.states if s.wetting is not None]
    return max(accounts, key=lambda one: one.end_ms, default=None)


# Where the greatest part of a wetting is found again.
WENT_WORDS = {
    "thatch_kept": "Thatch", "root_gain": "Roots", "below_gain": "Deeper", "evaporation": "Air",
    "unaccounted": "Unaccounted",
}  # fmt: skip


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
            return "Cannot tell.", "Readings are still being worked on."
        if not any(s.wetting for s in morning.states):
            if all(s.by_hand for s in morning.states):
                return "Cannot tell.", "No probe stands here."
            gauged = any(s.has_gauge for s in morning.states)
            return ("Nothing", "of 1 mm or more has come in 60 days.") if gauged else ("Cannot tell.", "No gauge here.")
        return "Cannot tell.", "What came could not be followed into the soil."
    newest_ms = max(account.end_ms for _, account, _ in told)
    told = [one for one in told if newest_ms - one[1].end_ms < DAY_MS]  # of the same weather
    counted = Counter(part for _, _, part in told)
    part = max(counted, key=lambda one: (counted[one], one == "thatch_kept"))
    day = _said_day(newest_ms, morning)
    if len(told) > MOST_NAMED:
        rest = ", ".join(f"{WENT_WORDS[p].lower()} at {n}" for p, n in counted.items() if p != part)
        return WENT_WORDS[
            part
        ], f"got most at {counted[part]} of {len(told)} stations, {day}{f'; {rest}' if rest else ''}."
    told.sort(key=lambda one: one[2] != part)
    verb = {"thatch_kept": "kept most", "below_gain": "went most", "unaccounted": "is most"}.get(part, "got most")
    (first, account, _), *others = told
    place = f" at {place_name(first)}" if len(morning.states) > 1 else ""
    said = [
        f"{verb}{place}: roots {_roots_got(account)}",
        *(f"at {place_name(s)} {_roots_got(w)}" for s, w, _ in others),
    ]
    return WENT_WORDS[part], f"{'; '.join(said)}, {day}."


def _roots_got(account: WettingNow) -> str:
    """What the roots got of a wetting: `got 0.4 of 6.8 mm`."""
    given, root = account.given.value, account.root_gain
    of = "" if given is None else f" of {words.millimetres(given)}"
    return f"cannot be told{of}" if root is None or root.value is None else f"got {max(root.value, 0.0):.1f}{of}"


def _water_verdict(morning: Morning) -> tuple[str, str]:
    if morning.advice is None:
        return "Cannot tell", "yet: the first advice is being worked out."
    each = [
        (s, found.water)
        for s in morning.states
        for one in morning.advice.surfaces
        for found in one.stations
        if found.station == s.station.name
    ]
    if not each:
        return "Cannot tell.", "No probe of water stands in the turf."
    wanted = [(s, w) for s, w in each if w.mm]
    said = listed([f"{place_name(s)} {w.mm:.0f} mm{_goes(w.goes)}" for s, w in wanted])
    if is_stale(morning.advice, morning.now_ms):
        it = said if len(said) <= SHORT_SAID else "yes"
        return "Cannot tell", f"yet. It said {it if wanted else 'no'} at {_said_when(morning.advice.at_ms, morning)}."
    if wanted:
        if len(wanted) <= MOST_NAMED:
            return "Yes.", f"{said}."
        most, mm = max(((s, w.mm or 0.0) for s, w in wanted), key=lambda one: one[1])
        return "Yes.", f"{len(wanted)} of {len(each)} stations; most at {place_name(most)}, {mm:.0f} mm."
    told = [w for _, w in each if w.mm is not None]
    if not told:
        return "Cannot tell.", f"{words.upper_first(each[0][1].reason)}."
    reason = Counter(w.reason for w in told).most_common(1)[0][0]
    untold = f" {len(each) - len(told)} cannot be told." if len(told) < len(each) else ""
    return "No.", f"{words.upper_first(reason)}.{untold}"


def _goes(goes: int) -> str:
    return f" in {goes} goes" if goes > 1 else ""


def _window_verdict(morning: Morning) -> tuple[str, str]:
    advice = morning.advice
    if advice is None:
        return "Cannot tell", "yet: the first advice is being worked out."
    if silence := _silence(morning):
        return "Cannot tell.", f"{silence}: nothing is called open on old readings."
    shown = {s.surface.name for s in morning.states}
    surfaces = [one for one in advice.surfaces if one.surface in shown]
    if not any(one.passes for one in surfaces):
        return "Cannot tell.", "No pass can be judged without a probe in the turf."
    found = [(one, window) for one in surfaces if (window := _first_window(one, morning)) is not None]
    if not found:
        reasons = Counter(_reason(each) for one in surfaces for each in one.passes if _reason(each))
        return "None:", f"{reasons.most_common(1)[0][0] if reasons else 'no pass is open in seven days'}."
    likely = [(one, window) for one, window in found if window[2]]
    first, (_, said, _) = min(likely or found, key=lambda each: each[1][0])
    clause = f"{first.title}: {said}." if len(surfaces) > 1 else f"{said}."
    others = [one.title for one, _ in found if one is not first]
    shut = [one.title for one in surfaces if one.title != first.title and one.title not in others]
    if others:
        clause += f" Also {words.named(others, 1)}."
    elif shut:
        clause += f" {words.named(shut, 1)}: none."
    return "Yes," if likely else "May open:", clause


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
    said = f"{outlook.facts.doing} {'till' if begun else when(coming.span.start_ms, outlook, zone) + ' to'} {end}"
    return coming.span.start_ms, said, likely_stretch(coming)


def _probe_verdict(morning: Morning) -> tuple[str, str]:
    if morning.states and all(s.by_file for s in morning.states):
        last_ms = max((s.heard_ms for s in morning.states if s.heard_ms is not None), default=None)
        read = "nothing imported yet" if last_ms is None else f"up to {_said_when(last_ms, morning)}"
        return "By record,", f"{read}; no probe is read by the clock."
    silent = [s for s in morning.states if (s.heard_ms is None or s.is_old or s.is_silent) and not s.by_file]
    some = [s for s in morning.states if s not in silent and s.silent]
    dumb = f" {words.named([place_name(s) for s in silent])} silent." if silent else ""
    dumb += f" One probe silent at {words.named([place_name(s) for s in some])}." if some else ""
    for entry, names, _ in morning.booked:
        if names:
            doing, at = words.pass_title(entry.body), words.clock(entry.at_ms, morning.zone)
            called = words.probes_called(_surface(morning, entry.surface), names)
            return "Lift probe", f"before {doing} at {at}: {called}.{dumb}"
    if morning.states and len(silent) == len(morning.states):
        since_ms = silent_since_ms(morning.states)
        since = (
            "yet: is the agent running?" if not since_ms else f"since {_said_when(since_ms, morning)}: the box first."
        )
        return "Silent,", f"all of them {since}" if since_ms else f"nothing heard {since}"
    if silent:
        older = min((s.heard_ms for s in silent if s.heard_ms is not None), default=None)
        since = "" if older is None else f" since {_said_when(older, morning)}"
        rest = f" One probe silent at {words.named([place_name(s) for s in some])}." if some else ""
        return "Silent:", f"{words.named([place_name(s) for s in silent])}{since}.{rest}"
    if some:
        probe, number = some[0].silent[0], sum(len(s.silent) for s in some)
        since = "" if probe.heard_ms is None else f" since {_said_when(probe.heard_ms, morning)}"
        at = words.named([place_name(s) for s in some])
        return say("Silent:"), say_many(
            "{n} probe at {places}{since}.", "{n} probes at {places}{since}.", number, places=at, since=since
        )
    faults = [a for a in morning.alerts if a.rule == PROBE_FAULT.name]
    if morning.states and all(s.by_hand for s in morning.states):
        last_ms = max(s.heard_ms for s in morning.states if s.heard_ms is not None)
        return "By hand,", f"last read {_said_when(last_ms, morning)}; no probe stands here."
    booked = "" if morning.booked else " No pass is booked today."
    count = sum(len(s.probes) for s in morning.states)
    if faults:
        return "In doubt:", say_many(
            "{n} probe of {all} not to be believed.{booked}", "{n} probes of {all} not to be believed.{booked}",
            len(faults), all=count, booked=booked,
        )  # fmt: skip
    if _last_docked(morning):  # a penetrometer is heard only when it is docked
        probes = say_many("{n} fixed probe", "{n} fixed probes", count)
    else:
        probes = say_many("{n} probe", "{n} probes", count)
    return say("All heard,"), say("{probes}; nothing in the way.{booked}", probes=probes, booked=booked)
