"""The bold word and the clause of each answer of the morning.

A verdict is one or two words; its clause fits two lines of a phone however many stations there are.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from zoneinfo import ZoneInfo

from api import words
from api.advice import is_stale
from api.export import observations_at_step
from api.morning import (
    Morning,
    bears_at,
    frost_told,
    last_docked,
    of_place,
    place_name,
    reason_of,
    roots_got,
    silent_since_ms,
    surface_of,
    wetness_of,
)
from api.state import StationNow, WettingNow, number, rows_of
from pipeline.advice.phrases import listed, sentence
from pipeline.advice.report import SurfaceAdvice, next_open, when
from pipeline.advice.stretches import likely_stretch
from pipeline.advice.water import WaterAdvice
from pipeline.alerts.probes import PROBE_FAULT
from pipeline.alerts.surface import FROST_AT_DAWN, STAY_OFF
from pipeline.service import Pipeline
from pipeline.texts import figure, in_a_row, later, later_as, say, say_as, say_many
from pipeline.units import DAY_MS, HOUR_MS

PART_H = 3  # hours of rain that are drawn as one
MOST_NAMED = 2  # stations that a clause has room for
SHORT_SAID = 36  # characters that leave room for more in a clause


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


def going_verdict(morning: Morning) -> tuple[str, str]:
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
    _, frozen = frost_told(states, morning)
    wettest = max((w for w in map(wetness_of, states) if w is not None), default=None)
    if frozen or FROST_AT_DAWN.name in told:
        return "no", say("frost on the leaf") if frozen else say("frost")
    if wettest is None:
        return "?", ""
    if STAY_OFF.name in told or wettest > STAY_OFF.bounds_in(morning.config.alerts).on_wetness:
        till = bears_at(states[0].surface.name, morning)
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


def fallen_verdict(morning: Morning) -> tuple[str, str]:
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


def went_verdict(morning: Morning) -> tuple[str, str]:
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
        say(first_clause, place=place_name(first), got=roots_got(account)),
        *(say("at {place} {got}", place=place_name(s), got=roots_got(w)) for s, w, _ in others),
    ]
    # Translators: behind the word of where the water went, as in "got most at Square: roots got 4.1 of 6 mm, Tue."
    return say(WENT_WORDS[part]), say("{places}, {day}.", places="; ".join(said), day=day)


def water_verdict(morning: Morning) -> tuple[str, str]:
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


def window_verdict(morning: Morning) -> tuple[str, str]:
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
        reasons = Counter(reason_of(each) for one in surfaces for each in one.passes if reason_of(each))
        if reasons:
            return say_as("windows", "None:"), f"{reasons.most_common(1)[0][0]}."
        return say_as("windows", "None:"), say("no pass is open in seven days.")
    likely = [(one, window) for one, window in found if window[2]]
    first, (_, said, _) = min(likely or found, key=lambda each: each[1][0])
    clauses = [of_place(first.title, f"{said}.") if len(surfaces) > 1 else f"{said}."]
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


def probe_verdict(morning: Morning) -> tuple[str, str]:
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
            called = words.probes_called(surface_of(morning, entry.surface), names)
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
    if last_docked(morning):  # a penetrometer is heard only when it is docked
        line = say_many("{n} fixed probe; nothing in the way.", "{n} fixed probes; nothing in the way.", count)
    else:
        line = say_many("{n} probe; nothing in the way.", "{n} probes; nothing in the way.", count)
    return say("All heard,"), " ".join((line, *booked))
