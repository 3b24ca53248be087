"""What is advised for a site, as pages, calendar, alerts and digest read it, and the line of text of each window."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile

from pipeline.advice.cautions import Caution
from pipeline.advice.conditions import CONDITIONS, Verdict
from pipeline.advice.healing import HealedDates, LastGoodDate, LastSowing
from pipeline.advice.phrases import clock_words, day_name, day_words, lift_first, listed
from pipeline.advice.water import Evening, Turf, WaterAdvice
from pipeline.advice.windows import Outlook, Window
from pipeline.diary.facts import DatedPass, Intent, Play
from pipeline.forecast.wetness import DayChance, WetnessForecast, in_ten, tenths
from pipeline.site.passes import PassFacts
from pipeline.soil.wetting import Watering
from pipeline.texts import in_a_row, later, say
from pipeline.units import DAY_MS, HOUR_MS, TimeSpan


@dataclass(frozen=True)
class PassAdvice:
    """One kind of pass on one surface.

    Attributes
    ----------
    outlook : Outlook
        Of all stations that have data, open only where they agree. Its windows are cut to the hours of work, so that
        none promises a night; verdicts and chances stand for every hour.
    words : str
        The window in words, see `window_words`.
    last_good : LastGoodDate or None
        None when growth is not known, or nothing needs it healed.
    needed_on : date or None
        When it must be healed: the next play, else the end of growth. None for seed that has to come up before the soil
        is too cold.
    for_play : bool
    last_good_words : str
        Empty without a last good date.
    healed : HealedDates or None
        If it were done today.
    shallower : bool
        Its words on healing tell to go shallower.
    """

    outlook: Outlook
    words: str
    last_good: LastGoodDate | None = None
    needed_on: datetime.date | None = None
    for_play: bool = False
    last_good_words: str = ""
    healed: HealedDates | None = None
    shallower: bool = False

    @property
    def is_too_late(self) -> bool:
        """Whether it would not heal in time."""
        return self.last_good is not None and self.last_good.likely is None and self.needed_on is not None

    @property
    def line(self) -> str:
        """The window in a line that begins with the surface."""
        return of_place(self.outlook.ground.title, self.words)

    @property
    def last_good_line(self) -> str:
        """The last good date in a line that begins with the surface; empty without one."""
        return of_place(self.outlook.ground.title, self.last_good_words) if self.last_good_words else ""


@dataclass(frozen=True)
class StationAdvice:
    """One station: how its wetness will go, the chance of each day to be dry enough to scarify, and tonight's water.

    `day_line` says the likeliest day in words; `turf` and `evening` are what the water was worked out from; `booked`
    are the waterings booked and not past; `strip` is the one it stands on, None where that is not known.
    """

    station: str
    forecast: WetnessForecast
    days: tuple[DayChance, ...]
    day_line: str
    water: WaterAdvice
    turf: Turf
    evening: Evening
    booked: tuple[Watering, ...] = ()
    strip: int | None = None


@dataclass(frozen=True)
class SurfaceAdvice:
    """One surface.

    Attributes
    ----------
    surface, title, kind : str
    passes : tuple of PassAdvice
        In the order of the settings, else of the table.
    stations : tuple of StationAdvice
    play : tuple of Play
        That is on or to come, in order.
    dawn_leaf_degc : float or None
        Coldest leaf of the coming night as far as it is forecast; None when nobody knows. [degC]
    booked : tuple of DatedPass
        Passes that are booked and not begun, in order.
    water_to_hand : bool
    cautions : tuple of Caution
    played : tuple of Play
        That is over, in order, as far back as fixtures are known.
    strips : int or None
        How many it has on the plan; None where nobody says.
    season_ms : int or None
        Begin of the season of play that is on, or was last; None where none has begun. [ms since 1970, UTC]
    """

    surface: str
    title: str
    kind: str
    passes: tuple[PassAdvice, ...]
    stations: tuple[StationAdvice, ...]
    play: tuple[Play, ...] = ()
    dawn_leaf_degc: float | None = None
    booked: tuple[DatedPass, ...] = ()
    water_to_hand: bool = True
    cautions: tuple[Caution, ...] = ()
    played: tuple[Play, ...] = ()
    strips: int | None = None
    season_ms: int | None = None


@dataclass(frozen=True)
class SiteAdvice:
    """Everything that is advised, worked out at one moment. [ms since 1970, UTC]

    `notes` say in words what was missing, stale or broken (a forecast, the fixtures, the weather of the past).
    """

    at_ms: int
    surfaces: tuple[SurfaceAdvice, ...]
    notes: tuple[str, ...] = ()


LEAST_OPEN_H = 6.0  # a shorter window is not worth sending a machine for: common practice, no source
KNOWN_DAYS = 5.0  # an outlook that ends sooner is said to: our own choice
LIKELY = 0.5  # a window less likely may open and is not due: our own choice


@dataclass(frozen=True, slots=True)
class Stretch:
    """Windows of one verdict that follow each other: their span, and the first of them."""

    span: TimeSpan
    first: Window
    windows: tuple[Window, ...]

    @property
    def hours(self) -> float:
        """Length of its windows, without what was cut out between them. [h]"""
        return sum(w.span.end_ms - w.span.start_ms for w in self.windows) / HOUR_MS


def stretches(windows: Sequence[Window]) -> list[Stretch]:
    """Return the windows joined while the verdict and the override stay the same."""
    found: list[Stretch] = []
    for window in windows:
        last = found[-1] if found else None
        if last is not None and (last.first.verdict, last.first.override) == (window.verdict, window.override):
            span = TimeSpan(last.span.start_ms, window.span.end_ms)
            found[-1] = Stretch(span, last.first, (*last.windows, window))
        else:
            found.append(Stretch(window.span, window, (window,)))
    return found


def chance_of(stretch: Stretch) -> float | None:
    """Return the chance that a stretch is open, over its first day; None where nothing tells. [1]"""
    begins = stretch.span.start_ms
    first = [w for w in stretch.windows if w.span.start_ms < begins + DAY_MS]
    weights = [(w.chance, min(w.span.end_ms, begins + DAY_MS) - w.span.start_ms) for w in first if w.chance is not None]
    return sum(c * n for c, n in weights) / sum(n for _, n in weights) if weights else None


def is_likely(window: Window) -> bool:
    """Return whether an open window is not less likely than not; on somebody's word the chance does not count."""
    return window.chance is None or window.chance >= LIKELY or window.override is not None


def alike(stretch: Stretch) -> Stretch:
    """Return the first windows of a stretch, as long as they are all likely, or all less likely than not.

    A span is spoken of so far: a chance belongs to the hours it was worked out for.
    """
    first = is_likely(stretch.first)
    run = tuple(takewhile(lambda one: is_likely(one) == first, stretch.windows))
    return Stretch(TimeSpan(run[0].span.start_ms, run[-1].span.end_ms), run[0], run)


def parts_alike(stretch: Stretch) -> Iterator[Stretch]:
    """Return a stretch in parts, each all likely or all less likely than not."""
    while stretch.windows:
        part = alike(stretch)
        yield part
        rest = stretch.windows[len(part.windows) :]
        if not rest:
            return
        stretch = Stretch(TimeSpan(rest[0].span.start_ms, stretch.span.end_ms), rest[0], rest)


def chance_words(stretch: Stretch, outlook: Outlook, zone: datetime.tzinfo) -> str:
    """Return how likely a stretch is to be open, and how that changes by its last day; empty where nothing tells.

    As `8 in 10`, or `8 in 10, by Sun 6 in 10`: of its first day, then of its last.
    """
    begins = chance_of(stretch)
    last = [w for w in stretch.windows if w.span.start_ms >= stretch.span.end_ms - DAY_MS] or [stretch.windows[-1]]
    ends = chance_of(Stretch(TimeSpan(last[0].span.start_ms, stretch.span.end_ms), last[0], tuple(last)))
    if begins is None:
        return ""
    one_day = stretch.span.end_ms - stretch.span.start_ms <= DAY_MS
    if one_day or ends is None or tenths(ends) == tenths(begins):
        return in_ten(begins)
    at, now = _local(last[-1].span.end_ms, outlook, zone)
    day = say("today") if at.date() == now.date() else day_name(at.date(), now.date(), short=True)
    # Translators: two chances: of the first day of a span, and of its last, as in "8 in 10, by Sun 6 in 10"
    return say("{first}, by {day} {last}", first=in_ten(begins), day=day, last=in_ten(ends))


def next_open(outlook: Outlook, *, least_h: float = LEAST_OPEN_H) -> Stretch | None:
    """Return the first stretch that is open for `least_h` [h] or more, see `alike`; None when there is none.

    What is less likely than not at its begin counts from where it is likely, if that is long enough.
    """
    opened = [s for s in stretches(outlook.windows) if s.first.verdict is Verdict.OPEN]
    fit = (part for s in opened for part in parts_alike(s) if part.hours >= least_h)
    return next(fit, None)


_SHUT = {
    # Translators: what is a pass, as in "scarifying to 8 mm"; why is a row of clauses
    Verdict.WAIT: later("{what} must wait, {why}"),
    # Translators: what is a pass, as in "scarifying to 8 mm"; why is a row of clauses
    Verdict.CLOSED: later("{what} is closed, {why}"),
    # Translators: what is a pass, as in "scarifying to 8 mm"; why is a row of clauses
    Verdict.UNKNOWN: later("{what} cannot be judged, {why}"),
}


def of_place(place: str, words: str) -> str:
    """Return what is said of a place as a line that begins with it."""
    # Translators: a line that begins with the place it is about
    return say("{place}: {words}", place=place, words=words)


def window_words(outlook: Outlook, zone: datetime.tzinfo) -> str:
    """Return the outlook of one pass in words.

    Parameters
    ----------
    outlook : Outlook
        Where its windows are cut to work hours, the first of those to come stand for now, and no night is promised.
    zone : tzinfo
        Of the place.

    Returns
    -------
    str
        One to five short sentences, the first without a capital.
    """
    every = _told(outlook)
    now = every[0]
    what = pass_of(outlook)
    if now.first.verdict is Verdict.OPEN:
        following = every[1] if len(every) > 1 else None
        return _sentences(_open_words(what, now, following, outlook, zone), *_before_work(now, outlook))
    shut = say(_SHUT[now.first.verdict], what=what, why=now.first.every_reason)
    coming = next_open(outlook)
    if coming is None:
        return _sentences(shut, say("What would open it: {opens}", opens=now.first.opens))
    span = when(coming.span.start_ms, outlook, zone)
    if coming.span.end_ms < every[-1].span.end_ms:
        # Translators: two moments, as in "Thu 9:00 to Fri 12:00"
        span = say("{start} to {end}", start=span, end=when(coming.span.end_ms, outlook, zone))
    chance = chance_of(coming)
    may = chance is not None and chance < LIKELY
    # Translators: span is a moment, or as in "Thu 9:00 to Fri 12:00"
    due = say("May open {span}", span=span) if may else say("Due to open {span}", span=span)
    return _sentences(shut, _with_chance(due, coming, outlook, zone), *_before_work(coming, outlook))


def _told(outlook: Outlook) -> list[Stretch]:
    """Return the stretches without the last hours of a long outlook, for which nothing is known yet."""
    every = stretches(outlook.windows)
    last = every[-1]
    ends = last.first.verdict is Verdict.UNKNOWN and all(w.binding in CONDITIONS for w in last.windows)
    ends &= last.span.start_ms >= int(outlook.at_ms[0]) + round(KNOWN_DAYS * DAY_MS)
    return every[:-1] if ends and len(every) > 1 else every


_DOING = {
    "light": later("light {doing}"),
    "heavy": later("heavy {doing}"),
    # Translators: doing is "solid tining"
    "needle": later("{doing} with needle tines"),
    # Translators: doing is "overseeding", here and in the next two; the seed is ryegrass
    "rye": later("{doing} with rye"),
    "bent_fescue": later("{doing} with bent and fescue"),
    # Translators: the seed is of warm-season grass
    "warm": later("{doing} with warm"),
}


def doing_of(facts: PassFacts, variant: str) -> str:
    """Return a pass as the subject of a sentence, with its variant where it has several."""
    doing = say(facts.doing)
    if len(facts.variants) == 1:
        return doing
    if variant.endswith("mm"):
        # Translators: the size of its tines: "12 mm solid tining"
        return say("{size} mm {doing}", size=variant.removesuffix("mm"), doing=doing)
    return say(_DOING[variant], doing=doing)


def pass_of(outlook: Outlook) -> str:
    """Return a pass by its name and depth: `scarifying to 8 mm`."""
    return pass_named(outlook.intent, outlook.facts)


def pass_named(intent: Intent, facts: PassFacts) -> str:
    """Return a pass that is thought of by its name and depth."""
    doing, depth_m = doing_of(facts, intent.variant), intent.depth_m
    # Translators: a pass with its depth: "scarifying to 8 mm"
    return say("{doing} to {depth:.0f} mm", doing=doing, depth=depth_m * 1000) if depth_m > 0.0 else doing


def _open_words(what: str, now: Stretch, following: Stretch | None, outlook: Outlook, zone: datetime.tzinfo) -> str:
    override = now.first.override
    if override is not None:
        # Translators: why is what somebody wrote, against the reason that is overruled
        told = later("{what} is open on the word of {author} ({why}), against: {reason}")
        return say(told, what=what, author=override.author, why=override.reason, reason=now.first.reason)
    whole, now = now, alike(now)
    change = None if following is None else following.first.reason
    if len(now.windows) < len(whole.windows):
        # Translators: a window "is open until Fri 7:00, then less likely than not"
        change = say("less likely than not") if is_likely(now.first) else say("likelier")
    span = _open_span(now, outlook, zone, ends=change is not None)
    # Translators: span is as "until today 16:00", then is what ends the window
    told = later("{what} is open {span}, then {then}") if change else later("{what} is open {span}")
    return _with_chance(say(told, what=what, span=span, then=change), now, outlook, zone)


def _open_span(now: Stretch, outlook: Outlook, zone: datetime.tzinfo, *, ends: bool) -> str:
    """Return from when, where that is not now, and until when a stretch is open."""
    start, end = (when(at_ms, outlook, zone) for at_ms in (now.span.start_ms, now.span.end_ms))
    if now.span.start_ms <= outlook.at_ms[0]:
        # Translators: of a window that is open
        return say("until {end}", end=end) if ends else say("as far as the forecast goes")
    # Translators: of a window that is open
    told = later("from {start} until {end}") if ends else later("from {start} as far as the forecast goes")
    return say(told, start=start, end=end)


def _before_work(open_stretch: Stretch, outlook: Outlook) -> list[str]:
    """Return what has to be lifted and checked before the work, and the warnings."""
    found = []
    if open_stretch.first.lift_first:
        found.append(lift_first(open_stretch.first.lift_first, outlook.ground.buried))
    checks = dict.fromkeys(c for w in open_stretch.windows for c in w.check_first)
    if checks:
        found.append(say("Check first: {checks}", checks=in_a_row(list(checks))))
    warnings = open_stretch.first.warnings
    return found + [w[0].upper() + w[1:] for w in warnings]


def _with_chance(said: str, stretch: Stretch, outlook: Outlook, zone: datetime.tzinfo) -> str:
    """Return what is said of a stretch with its chance behind it, where anything tells one."""
    chance = chance_words(stretch, outlook, zone)
    # Translators: a clause with its chance: "Due to open Thu 9:00, 8 in 10"
    return say("{clause}, {chance}", clause=said, chance=chance) if chance else said


def when(at_ms: int, outlook: Outlook, zone: datetime.tzinfo) -> str:
    """Return a moment [ms since 1970, UTC] in words, seen from the first hour of an outlook."""
    return clock_words(*_local(at_ms, outlook, zone))


def _local(at_ms: int, outlook: Outlook, zone: datetime.tzinfo) -> tuple[datetime.datetime, datetime.datetime]:
    """Return a moment [ms since 1970, UTC] and the first hour of an outlook, on the clock of the place."""
    at, now = (datetime.datetime.fromtimestamp(ms / 1000, zone) for ms in (at_ms, int(outlook.at_ms[0])))
    return at, now


_TOO_LATE = {
    (True, True): later("too late for {doing} to heal before {end}. Go shallower, or leave it for a longer gap."),
    (True, False): later("too late for {doing} to heal before {end}. Leave it for a longer gap."),
    (False, True): later("too late for {doing} to heal before {end}. Go shallower, sow more, or leave it."),
    (False, False): later("too late for {doing} to heal before {end}. Sow more, or leave it."),
}  # by whether it has to heal for play, and whether a less deep pass would


def last_good_words(
    doing: str, last: LastGoodDate, needed_on: datetime.date, *, for_play: bool, shallower: bool = True
) -> str:
    """Return the last good date of a pass as a sentence without a capital.

    Parameters
    ----------
    doing : str
        The pass as the subject of a sentence.
    last : LastGoodDate
    needed_on : date
    for_play : bool
        It must be healed for play; else before growth ends.
    shallower : bool
        Whether a less deep pass would still heal.
    """
    # Translators: what a pass has to be healed before: "too late for scarifying to heal before play on 20 Sep"
    until = later("play on {day}") if for_play else later("growth ends about {day}")
    end = say(until, day=day_words(needed_on))
    if last.likely is None:
        told = _TOO_LATE[for_play, shallower]
    elif last.safe is None:
        told = later("{doing} may heal before {end} if done by {likely}, but do not count on it.")
    elif last.likely != last.safe:
        told = later("to heal before {end}, do the {doing} by {safe}, {likely} at the latest.")
    else:
        told = later("to heal before {end}, do the {doing} by {safe}.")
    return say(told, doing=doing, end=end, **_dates(last))


def last_sowing_words(doing: str, sowing: LastSowing) -> str:
    """Return the last days of sowing as a sentence without a capital; the pass as the subject of a sentence."""
    last = sowing.last
    if last.likely is None and sowing.resumes is None:
        return say("the soil is too cold for {doing}, seed may not come up.", doing=doing)
    if last.likely is None and sowing.resumes is not None:
        told = later("the soil is too cold for {doing} until about {day}, seed may not come up.")
        return say(told, doing=doing, day=day_words(sowing.resumes))
    if last.safe is None:
        told = later("{doing} may still come up if done by {likely}, but do not count on it.")
    elif last.likely != last.safe:
        told = later("to come up before the soil is too cold, do the {doing} by {safe}, {likely} at the latest.")
    else:
        told = later("to come up before the soil is too cold, do the {doing} by {safe}.")
    return say(told, doing=doing, **_dates(last))


def _dates(last: LastGoodDate) -> dict[str, str]:
    each = {"safe": last.safe, "likely": last.likely}
    return {name: "" if day is None else day_words(day) for name, day in each.items()}


def too_late_once(passes: Sequence[PassAdvice]) -> tuple[PassAdvice, ...]:
    """Return the passes of a surface with "too late to heal" said once, by the first, of all that wound.

    A pass that wounds nothing has nothing to heal, and nothing is said of it. Going shallower is told where a pass that
    is less deep still heals. Where none does before play, nothing is told: each pass is shut for that, and with a match
    every week it would be told all season.
    """
    late = [n for n, one in enumerate(passes) if one.is_too_late]
    found = [replace(one, last_good_words="") if n in late else one for n, one in enumerate(passes)]
    wounding = [n for n in late if passes[n].outlook.facts.wounds]
    if not wounding:
        return tuple(found)
    deepest_m = max(passes[n].outlook.intent.depth_m for n in wounding)
    heals = [n for n, one in enumerate(passes) if one.outlook.facts.wounds and n not in late]
    shallower = any(passes[n].outlook.intent.depth_m < deepest_m for n in heals)
    first = passes[wounding[0]]
    if not shallower and first.for_play:
        return tuple(found)
    assert first.last_good is not None and first.needed_on is not None
    names = listed([doing_of(passes[n].outlook.facts, passes[n].outlook.intent.variant) for n in wounding])
    words = last_good_words(names, first.last_good, first.needed_on, for_play=first.for_play, shallower=shallower)
    found[wounding[0]] = replace(first, last_good_words=words, shallower=shallower)
    return tuple(found)


def _sentences(*parts: str) -> str:
    return " ".join(say("{clause}.", clause=part) for part in parts)
