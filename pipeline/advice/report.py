"""What is advised for a site, as pages, calendar, alerts and digest read it, and the line of text of each window."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile

from pipeline.advice.conditions import CONDITIONS, Verdict
from pipeline.advice.healing import HealedDates, LastGoodDate, LastSowing
from pipeline.advice.phrases import clock_words, day_words, lift_first, listed
from pipeline.advice.water import Evening, Turf, WaterAdvice
from pipeline.advice.windows import Outlook, Window
from pipeline.diary.facts import DatedPass, Play
from pipeline.forecast.wetness import DayChance, WetnessForecast, in_ten
from pipeline.site.passes import PassFacts
from pipeline.units import DAY_MS, HOUR_MS, TimeSpan


@dataclass(frozen=True)
class PassAdvice:
    """One kind of pass on one surface.

    Attributes
    ----------
    outlook : Outlook
        Of all stations that have data, open only where they agree. Its windows are cut to the hours of work, so that
        none promises a night; verdicts and chances stand for every hour.
    line : str
        The window in a line, see `window_line`.
    last_good : LastGoodDate or None
        None when growth is not known, or nothing needs it healed.
    needed_on : date or None
        When it must be healed: the next play, else the end of growth. None for seed that has to come up before the soil
        is too cold.
    for_play : bool
    last_good_line : str
        In words; empty without a last good date.
    healed : HealedDates or None
        If it were done today.
    """

    outlook: Outlook
    line: str
    last_good: LastGoodDate | None = None
    needed_on: datetime.date | None = None
    for_play: bool = False
    last_good_line: str = ""
    healed: HealedDates | None = None


@dataclass(frozen=True)
class StationAdvice:
    """One station: how its wetness will go, the chance of each day to be dry enough to scarify, and tonight's water.

    `day_line` says the likeliest day in words; `turf` and `evening` are what the water was worked out from.
    """

    station: str
    forecast: WetnessForecast
    days: tuple[DayChance, ...]
    day_line: str
    water: WaterAdvice
    turf: Turf
    evening: Evening


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


def _parts(stretch: Stretch) -> Iterator[Stretch]:
    """Yield a stretch as its parts, each all likely or all less likely than not."""
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
    if one_day or ends is None or in_ten(ends) == in_ten(begins):
        return in_ten(begins)
    return f"{in_ten(begins)}, by {when(last[-1].span.end_ms, outlook, zone).rpartition(' ')[0]} {in_ten(ends)}"


def next_open(outlook: Outlook, *, least_h: float = LEAST_OPEN_H) -> Stretch | None:
    """Return the first stretch that is open for `least_h` [h] or more, see `alike`; None when there is none.

    What is less likely than not at its begin counts from where it is likely, if that is long enough.
    """
    opened = [s for s in stretches(outlook.windows) if s.first.verdict is Verdict.OPEN]
    fit = (part for s in opened for part in _parts(s) if part.hours >= least_h)
    return next(fit, None)


def window_line(outlook: Outlook, zone: datetime.tzinfo) -> str:
    """Return the outlook of one pass as a line of text.

    Parameters
    ----------
    outlook : Outlook
        Where its windows are cut to work hours, the first of those to come stand for now, and no night is promised.
    zone : tzinfo
        Of the place.

    Returns
    -------
    str
        One to five short sentences.
    """
    every = _told(outlook)
    now = every[0]
    depth = f" to {outlook.intent.depth_m * 1000:.0f} mm" if outlook.intent.depth_m > 0.0 else ""
    what = f"{outlook.ground.title}: {doing_of(outlook.facts, outlook.intent.variant)}{depth}"
    if now.first.verdict is Verdict.OPEN:
        following = every[1] if len(every) > 1 else None
        return _sentences(f"{what} {_open_words(now, following, outlook, zone)}", *_before_work(now, outlook))
    state = {Verdict.WAIT: "must wait", Verdict.CLOSED: "is closed", Verdict.UNKNOWN: "cannot be judged"}
    shut = f"{what} {state[now.first.verdict]}, {now.first.every_reason}"
    coming = next_open(outlook)
    if coming is None:
        return _sentences(shut, f"What would open it: {now.first.opens}")
    until = "" if coming.span.end_ms >= every[-1].span.end_ms else f" to {when(coming.span.end_ms, outlook, zone)}"
    chance = chance_of(coming)
    word = "May open" if chance is not None and chance < LIKELY else "Due to open"
    due = f"{word} {when(coming.span.start_ms, outlook, zone)}{until}{_sure(coming, outlook, zone)}"
    return _sentences(shut, due, *_before_work(coming, outlook))


def _told(outlook: Outlook) -> list[Stretch]:
    """Return the stretches without the last hours of a long outlook, for which nothing is known yet."""
    every = stretches(outlook.windows)
    last = every[-1]
    ends = last.first.verdict is Verdict.UNKNOWN and all(w.binding in CONDITIONS for w in last.windows)
    ends &= last.span.start_ms >= int(outlook.at_ms[0]) + round(KNOWN_DAYS * DAY_MS)
    return every[:-1] if ends and len(every) > 1 else every


def doing_of(facts: PassFacts, variant: str) -> str:
    """Return a pass as the subject of a sentence, with its variant where it has several."""
    if len(facts.variants) == 1:
        return facts.doing
    if variant in ("light", "heavy"):
        return f"{variant} {facts.doing}"
    if variant.endswith("mm"):
        return f"{variant[:-2]} mm {facts.doing}"
    return f"{facts.doing} with {variant.replace('_', ' and ')}{' tines' if variant == 'needle' else ''}"


def _open_words(now: Stretch, following: Stretch | None, outlook: Outlook, zone: datetime.tzinfo) -> str:
    override = now.first.override
    if override is not None:
        return f"is open on the word of {override.author} ({override.reason}), against: {now.first.reason}"
    whole, now = now, alike(now)
    since = "" if now.span.start_ms <= outlook.at_ms[0] else f" from {when(now.span.start_ms, outlook, zone)}"
    sure = _sure(now, outlook, zone)
    if len(now.windows) < len(whole.windows):
        change = "less likely than not" if is_likely(now.first) else "likelier"
        return f"is open{since} until {when(now.span.end_ms, outlook, zone)}, then {change}{sure}"
    if following is None:
        return f"is open{since} as far as the forecast goes{sure}"
    after = f", then {following.first.reason}" if following.first.reason else ""
    return f"is open{since} until {when(now.span.end_ms, outlook, zone)}{after}{sure}"


def _before_work(open_stretch: Stretch, outlook: Outlook) -> list[str]:
    """Return what has to be lifted and checked before the work, and the warnings."""
    found = []
    if open_stretch.first.lift_first:
        found.append(lift_first(open_stretch.first.lift_first, outlook.ground.buried))
    checks = dict.fromkeys(c for w in open_stretch.windows for c in w.check_first)
    if checks:
        found.append(f"Check first: {', '.join(checks)}")
    warnings = open_stretch.first.warnings
    return found + [w[0].upper() + w[1:] for w in warnings]


def _sure(stretch: Stretch, outlook: Outlook, zone: datetime.tzinfo) -> str:
    """Return the chance as `, 7 in 10`; empty where nothing tells."""
    said = chance_words(stretch, outlook, zone)
    return f", {said}" if said else ""


def when(at_ms: int, outlook: Outlook, zone: datetime.tzinfo) -> str:
    """Return a moment [ms since 1970, UTC] in words, seen from the first hour of an outlook."""
    now_ms = int(outlook.at_ms[0])
    at, now = (datetime.datetime.fromtimestamp(ms / 1000, zone) for ms in (at_ms, now_ms))
    return clock_words(at, now)


def last_good_line(
    title: str, doing: str, last: LastGoodDate, needed_on: datetime.date, *, for_play: bool, shallower: bool = True
) -> str:
    """Return the last good date of a pass as a line of text.

    Parameters
    ----------
    title, doing : str
        Surface, and the pass as the subject of a sentence.
    last : LastGoodDate
    needed_on : date
    for_play : bool
        It must be healed for play; else before growth ends.
    shallower : bool
        Whether a less deep pass would still heal.
    """
    end = f"play on {day_words(needed_on)}" if for_play else f"growth ends about {day_words(needed_on)}"
    if last.likely is None:
        instead = "or leave it for a longer gap" if for_play else "sow more, or leave it"
        instead = f"go shallower, {instead}" if shallower else instead
        return f"{title}: too late for {doing} to heal before {end}. {instead[0].upper()}{instead[1:]}."
    if last.safe is None:
        return f"{title}: {doing} may heal before {end} if done by {day_words(last.likely)}, but do not count on it."
    latest = f", {day_words(last.likely)} at the latest" if last.likely != last.safe else ""
    return f"{title}: to heal before {end}, do the {doing} by {day_words(last.safe)}{latest}."


def last_sowing_line(title: str, doing: str, sowing: LastSowing) -> str:
    """Return the last days of sowing as a line of text; surface, and the pass as the subject of a sentence."""
    last = sowing.last
    if last.likely is None:
        until = "" if sowing.resumes is None else f" until about {day_words(sowing.resumes)}"
        return f"{title}: the soil is too cold for {doing}{until}, seed may not come up."
    if last.safe is None:
        return f"{title}: {doing} may still come up if done by {day_words(last.likely)}, but do not count on it."
    latest = f", {day_words(last.likely)} at the latest" if last.likely != last.safe else ""
    return f"{title}: to come up before the soil is too cold, do the {doing} by {day_words(last.safe)}{latest}."


def too_late_once(title: str, passes: Sequence[PassAdvice]) -> tuple[PassAdvice, ...]:
    """Return the passes of a surface with "too late to heal" said once, by the first, of all that wound.

    A pass that wounds nothing has nothing to heal, and its line is left out. Going shallower is told where a pass that
    is less deep still heals. Where none does before play, nothing is told: each pass is shut for that, and with a match
    every week it would be told all season.
    """
    late = [n for n, one in enumerate(passes) if _is_too_late(one)]
    found = [replace(one, last_good_line="") if n in late else one for n, one in enumerate(passes)]
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
    found[wounding[0]] = replace(
        first,
        last_good_line=last_good_line(
            title, names, first.last_good, first.needed_on, for_play=first.for_play, shallower=shallower
        ),
    )
    return tuple(found)


def _is_too_late(one: PassAdvice) -> bool:
    return one.last_good is not None and one.last_good.likely is None and one.needed_on is not None


def _sentences(*parts: str) -> str:
    return " ".join(f"{p}." for p in parts)
