"""The evaluation of a rule over new data: occasions, season, hold-backs, rain and people's marks.

A rule states only its condition at a time. What every rule shares stands here: the occasions it is evaluated at, its
season, what holds it back, the sum of rain, the change of its state. Events depend on the findings alone and not on how
often a rule is evaluated: it starts where its state ends, and reads only findings that no longer change. An opening
that is held back is made as soon as nothing holds it back any more.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import numpy as np

from pipeline.advice.phrases import counted_from
from pipeline.advice.water import is_dried_for_play
from pipeline.alerts.model import (
    CLOSED,
    REPEATED,
    AlertEvent,
    AlertState,
    B,
    Change,
    Counting,
    Facts,
    HeldBy,
    Hold,
    LastWater,
    Moment,
    Rained,
    RuleGrain,
    RuleOutcome,
    Season,
    Span,
    Spot,
    StationWatch,
    Where,
    alert_id,
    event_of,
    quarter_hour_of,
)
from pipeline.diary.facts import AlertMark, DiaryFacts, Play, to_play_d
from pipeline.texts import say
from pipeline.units import HOUR_MS, QUARTER_HOUR_MS, FloatArray, TimeArray, floats

Said = tuple[AlertState, list[AlertEvent]]


# --- the clock and the season ----------------------------------------------------------------------------------------


def local(where: Where, at_ms: int) -> datetime.datetime:
    """Return a moment by the site's clock; by UTC where it has none."""
    return datetime.datetime.fromtimestamp(at_ms / 1000, datetime.UTC if where.zone is None else where.zone)


def hour_of(where: Where, at_ms: int) -> float:
    """Return the hour of the day by the site's clock. [h]"""
    at = local(where, at_ms)
    return at.hour + at.minute / 60 + at.second / 3600


def in_months(months: tuple[int, ...], where: Where, at_ms: int) -> bool:
    """Return whether a moment lies in months, given for the northern hemisphere; True where none are given."""
    month = local(where, at_ms).month
    return not months or ((month + 5) % 12 + 1 if where.south else month) in months


def usual_months(season: Season, where: Where) -> tuple[int, ...]:
    """Return the months of a season on a kind of surface and grass; empty for the whole year.

    `pitch` is for pitches without warm-season grass, `warm` for warm-season grass, `cool` for the rest.
    """
    if where.grass == "warm":
        return season.get("warm", season.get("cool", ()))
    return season.get(where.kind, season.get("cool", ()))


def in_season(facts: Facts[Any], at_ms: int) -> bool:
    """Return whether a moment is in the season of a rule: in the months a site has set, else in the usual ones."""
    own: tuple[int, ...] = getattr(facts.bounds, "months", ())
    return in_months(own or usual_months(facts.rule.season, facts.where), facts.where, at_ms)


def by_day(where: Where, at_ms: int, *, lag_h: float = 0.0) -> bool:
    """Return whether a moment and the time at which it is reported both lie in the day; True without a time zone.

    Findings are evaluated some hours after their time, so one of the late afternoon would be reported at night.
    """
    if where.zone is None:
        return True
    hours = [hour_of(where, at_ms + round(h * HOUR_MS)) for h in (0.0, lag_h)]
    return all(Counting.day_from_h <= hour < Counting.day_until_h for hour in hours) and hours[0] <= hours[1]


def next_day_ms(where: Where, at_ms: int) -> int:
    """Return a moment itself if it lies in the day, else the next morning. [ms since 1970, UTC]"""
    if by_day(where, at_ms):
        return at_ms
    at = local(where, at_ms)
    day = at.date() if at.hour < Counting.day_from_h else at.date() + datetime.timedelta(days=1)
    minutes = round(Counting.day_from_h * 60)
    morning = datetime.datetime.combine(day, datetime.time(minutes // 60, minutes % 60), at.tzinfo)
    return round(morning.timestamp() * 1000)


# --- what holds an alert back ----------------------------------------------------------------------------------------


def match_day(where: Where, diary: DiaryFacts, at_ms: int) -> bool:
    """Return whether there is play on the day of a moment."""
    day = local(where, at_ms).date()
    return any(local(where, begin).date() <= day <= local(where, end).date() for begin, end in diary.plays)


def covered(diary: DiaryFacts, at_ms: int) -> bool:
    """Return whether the covers are on at a moment."""
    return any(begin <= at_ms < end for begin, end in diary.covers)


def drying(where: Where, diary: DiaryFacts, at_ms: int) -> bool:
    """Return whether a surface, or the strip of a station, is being dried for play: its covers are on, or play on it is
    days away."""
    if covered(diary, at_ms):
        return True
    return is_dried_for_play(where.kind, to_play_d([Play("", *span) for span in diary.own_plays], at_ms))


def fresh_water(state: AlertState, diary: DiaryFacts, at_ms: int, back_h: float) -> bool:
    """Return whether rain (of the state's record) or watering fell within `back_h` before a moment. [h]"""
    since_ms = at_ms - back_h * HOUR_MS
    fallen = sum(r.rain_mm for r in state.rains if r.at_ms > since_ms)
    return fallen >= Counting.rain_mm or any(w.start_ms <= at_ms and w.end_ms > since_ms for w in diary.waterings)


def may_report(state: AlertState, facts: Facts[Any], at_ms: int, *, lag_h: float = 0.0) -> bool:
    """Return whether nothing that a rule declares holds an opening or a repeat back; `lag_h` as of `by_day`."""
    held, where, diary = facts.rule.held_by, facts.where, facts.diary
    return not (
        (HeldBy.NIGHT in held and not by_day(where, at_ms, lag_h=lag_h))
        or (HeldBy.SEASON in held and not in_season(facts, at_ms))
        or (HeldBy.PLAY in held and match_day(where, diary, at_ms))
        or (HeldBy.DRYING in held and drying(where, diary, at_ms))
        or (HeldBy.WATER in held and fresh_water(state, diary, at_ms, facts.bounds.after_water_h))
    )


def settle(outcome: RuleOutcome, facts: Facts[Any], at_ms: int, *, lag_h: float = 0.0) -> Said:
    """Make the change that a rule asks for, unless something holds it back.

    An open alert whose months have ended is closed instead.

    Parameters
    ----------
    outcome : RuleOutcome
    facts : Facts
    at_ms : int
        Time of the occasion. [ms since 1970, UTC]
    lag_h : float
        How much later it becomes known. [h]

    Returns
    -------
    (AlertState, list of AlertEvent)
    """
    state, change, known = outcome
    rule = facts.rule
    ends = known and state.is_open and rule.closes_with_season
    if ends and not in_season(facts, at_ms) and by_day(facts.where, at_ms):
        change = Change(CLOSED, say("the season for this is over. It is left alone until the next."), at_once=True)
    if change is None:
        return state, []
    at_ms = at_ms if change.at_ms is None else change.at_ms
    if change.kind == CLOSED:
        waits = HeldBy.NIGHT in rule.held_by and not change.at_once and not by_day(facts.where, at_ms, lag_h=lag_h)
        if waits:  # it stays open if it gets worse before the morning
            return state, []
        return state.said(change, at_ms), [event_of(facts.spot, state, CLOSED, at_ms, change.text)]
    if not may_report(state, facts, at_ms, lag_h=lag_h):
        return state, []
    if change.kind == REPEATED and state.said_at_ms is not None:
        repeat_h: float = getattr(facts.bounds, "repeat_h", 0.0)
        if at_ms - state.said_at_ms < repeat_h * HOUR_MS:
            return state, []
    state = state.said(change, at_ms)
    return state, [event_of(facts.spot, state, change.kind, at_ms, change.text)]


# --- what a rule walks over ------------------------------------------------------------------------------------------


def quarter_hours(facts: Facts[Any], state: AlertState, now_ms: int) -> Iterator[Moment]:
    """Yield the quarter hours with a declared finding that are not yet evaluated and no longer change.

    Parameters
    ----------
    facts : Facts
        Of a StationWatch.
    state : AlertState
    now_ms : int
        All that was measured until then is taken as known. [ms since 1970, UTC]
    """
    reads, after_ms = facts.rule.reads, state.evaluated_to_ms
    until_ms = now_ms - int(facts.rule.settle_h * HOUR_MS) - QUARTER_HOUR_MS
    named = []
    for found in map(facts.found, reads):
        new = slice(*np.searchsorted(found.start_ms, [after_ms, until_ms], side="right"))
        named.append((found.start_ms[new], found.value[new]))
    at_ms = np.unique(np.concatenate([start_ms for start_ms, _ in named]))
    columns = np.full((len(reads), at_ms.size), np.nan)
    for column, (start_ms, value) in zip(columns, named, strict=True):
        column[np.searchsorted(at_ms, start_ms)] = value
    heard_ms, rain_mm = _rain_until(facts.spot, at_ms, after_ms)
    before_ms = np.concatenate([[after_ms], at_ms[:-1]])
    watered = np.zeros(at_ms.size, dtype=np.bool_)
    for one in facts.diary.waterings:
        watered |= (one.start_ms < at_ms + QUARTER_HOUR_MS) & (one.end_ms >= before_ms)
    rows = zip(at_ms.tolist(), columns.T.tolist(), rain_mm.tolist(), heard_ms.tolist(), watered.tolist(), strict=True)
    for at, values, rain, heard, given in rows:
        yield Moment(at, dict(zip(reads, values, strict=True)), rain, heard if heard else state.rain_heard_ms, given)


def _rain_until(watch: StationWatch, at_ms: TimeArray, after_ms: int) -> tuple[TimeArray, FloatArray]:
    """When rain was last read well until each of some moments, 0 for never since `after_ms`, and the rain since the
    moment before. [ms since 1970, UTC], [mm]"""
    starts_ms, rain_mm = watch.rain
    new = slice(*np.searchsorted(starts_ms, [after_ms, at_ms[-1] if at_ms.size else after_ms], side="right"))
    starts_ms, rain_mm = starts_ms[new], rain_mm[new]
    last = np.searchsorted(starts_ms, at_ms, side="right") - 1
    heard_ms = np.where(last >= 0, starts_ms[last], 0) if starts_ms.size else np.zeros_like(at_ms)
    fallen_mm = np.bincount(np.searchsorted(at_ms, starts_ms), weights=rain_mm, minlength=at_ms.size)
    return heard_ms, floats(fallen_mm)


def finished_spans(facts: Facts[Any], state: AlertState, now_ms: int) -> Iterator[Span]:
    """Yield the findings of the first quantity of a rule that are not yet evaluated and no longer change."""
    found = facts.found(facts.rule.reads[0])
    for k in np.flatnonzero(found.start_ms > state.evaluated_to_ms).tolist():
        end_ms = int(found.end_ms[k])
        at_ms = end_ms + round(facts.rule.settle_h * HOUR_MS)
        if HeldBy.NIGHT in facts.rule.held_by:
            at_ms = next_day_ms(facts.where, at_ms)
        if at_ms > now_ms:
            return
        yield Span(at_ms, int(found.start_ms[k]), end_ms, float(found.value[k]), float(found.high[k]))


def remember_rain(rains: tuple[Rained, ...], moment: Moment, back_h: float) -> tuple[Rained, ...]:
    """Return the rain of each hour up to a moment, as far back as a rule looks. [h]"""
    oldest_ms = moment.at_ms - back_h * HOUR_MS
    if moment.rain_mm <= 0.0 and (not rains or rains[0].at_ms > oldest_ms):
        return rains
    kept = [r for r in rains if r.at_ms > oldest_ms]
    if moment.rain_mm > 0.0:
        same_hour = bool(kept) and kept[-1].at_ms // HOUR_MS == moment.at_ms // HOUR_MS
        here = kept.pop().rain_mm if same_hour else 0.0
        kept.append(Rained(moment.at_ms, here + moment.rain_mm))
    return tuple(kept)


def last_water(water: LastWater, run: Hold | None, moment: Moment) -> LastWater:
    """Return the last water as of a moment, at which the wetness of the thatch may be missing.

    Rain counts once its spell has `rain_mm`: traces of several days do not add up to water. A watering counts, and so
    does a rise of the thatch above the lowest of its dry run.
    """
    at_ms, spell_mm, rain_ms = moment.at_ms, water.spell_mm, water.rain_ms
    if moment.rain_mm > 0.0:
        goes_on = rain_ms is not None and at_ms - rain_ms <= Counting.rain_gap_h * HOUR_MS
        spell_mm, rain_ms = moment.rain_mm + (spell_mm if goes_on else 0.0), at_ms
    low = None if run is None else run.lowest
    risen = low is not None and moment["thatch_wetness"] - low > Counting.fresh_wetness
    rained = moment.rain_mm > 0.0 and spell_mm >= Counting.rain_mm
    return LastWater(at_ms if rained or risen or moment.watered else water.at_ms, rain_ms, spell_mm)


def dry_run(before: Hold | None, water: LastWater, facts: Facts[Any], moment: Moment, *, compared: float) -> Hold:
    """Return the dry run of the thatch, extended to a moment or begun anew by water.

    Time without rain figures, where there is a gauge, is not counted. `water` is that of `last_water` at the moment,
    `compared` what the highest of the run is kept of.
    """
    thatch = moment["thatch_wetness"]
    if before is not None and water.at_ms is not None and water.at_ms > before.last_ms:
        before = None
    heard = moment.rain_heard_ms
    dry_known = facts.spot.context.rain_channel is None or (
        heard is not None and moment.at_ms - heard <= Counting.gauge_silent_h * HOUR_MS
    )
    run = Hold.carried(before, moment, facts.rule.grain)
    if before is not None and not dry_known:
        # nobody knows that no rain fell: the run goes on, the time is not counted
        run = before._replace(last_ms=moment.at_ms)
    highest = run.highest
    if not math.isnan(compared):
        highest = compared if highest is None else max(highest, compared)
    lowest = thatch if run.lowest is None else min(run.lowest, thatch)
    return run._replace(lowest=lowest, highest=highest)


# --- the walk --------------------------------------------------------------------------------------------------------


def walk(state: AlertState, facts: Facts[Any], now_ms: int) -> Said:
    """Evaluate one rule over what is new.

    Parameters
    ----------
    state : AlertState
    facts : Facts
    now_ms : int
        Until when the record is complete. [ms since 1970, UTC]

    Returns
    -------
    (AlertState, list of AlertEvent)
    """
    rule, last = facts.rule, None
    said: list[AlertEvent] = []
    usual: Callable[..., Iterator[Any]] = finished_spans if rule.grain is RuleGrain.DAY else quarter_hours
    occasions = rule.occasions or usual
    remembers = HeldBy.WATER in rule.held_by
    for last in occasions(facts, state, now_ms):
        if remembers:
            rains = remember_rain(state.rains, last, facts.bounds.after_water_h)
            state = state if rains is state.rains else state._replace(rains=rains)
        state, events = settle(rule.look(state, last, facts), facts, last.at_ms, lag_h=rule.lag_h)
        said += events
    return _walked(state, facts, last, now_ms), said


def _walked(state: AlertState, facts: Facts[Any], last: Any, now_ms: int) -> AlertState:
    """Return the state evaluated to its last occasion, and at least to the oldest data that may still come."""
    reached = [state.evaluated_to_ms] if last is None else [state.evaluated_to_ms, last.walked_ms]
    if facts.rule.late_h is not None:
        reached.append(quarter_hour_of(now_ms - round(facts.rule.late_h * HOUR_MS)))
    heard_ms = last.rain_heard_ms if isinstance(last, Moment) else state.rain_heard_ms
    return state._replace(evaluated_to_ms=max(reached), rain_heard_ms=heard_ms)


def look_ahead(state: AlertState, facts: Facts[B], ahead: Any) -> Said:
    """Evaluate a rule that looks ahead on the forecast of a station; arguments and results as of `walk`."""
    assert facts.rule.ahead is not None
    return settle(facts.rule.ahead(state, ahead, facts), facts, ahead.at_ms)


# --- people's marks --------------------------------------------------------------------------------------------------


def apply_marks(before: AlertState, after: AlertState, said: Iterable[AlertEvent], spot: Spot, diary: DiaryFacts,
               now_ms: int) -> Said:  # fmt: skip
    """Apply people's marks: wrong closes an alert, seen and snoozed suppress its repeats.

    An alert marked wrong keeps its state open, without events, until its rule closes it: otherwise the next reading
    would open it again. When a snooze ends and the alert is still open, it is repeated once.

    Parameters
    ----------
    before, after : AlertState
        As the rule found it and left it.
    said : iterable of AlertEvent
        What the rule said.
    spot : Spot
    diary : DiaryFacts
    now_ms : int
        [ms since 1970, UTC]
    """
    kept = [e for e in said if not _held_back(e, diary.marks.get(e.alert_id, ()), before)]
    if not after.is_open:
        return after, kept
    words = kept[-1].words if kept else after.text
    after = after._replace(text=counted_from(words, after.water.at_ms))
    marks = diary.marks.get(alert_id(spot.site, after), ())
    wrong_ms = [mark.at_ms for mark in marks if mark.mark == "wrong" and mark.at_ms <= now_ms]
    assert after.opened_at_ms is not None and after.said_at_ms is not None  # they are set when it opens
    if wrong_ms:
        if after.wrong_at_ms is not None:
            return after, kept
        at_ms = max(min(wrong_ms), after.opened_at_ms)
        told = say("marked wrong. Nothing more is said of it until it is over.")
        closing = event_of(spot, after, CLOSED, at_ms, told)
        return after._replace(wrong_at_ms=at_ms), [*kept, closing]
    if any(mark.mark == "seen" for mark in marks):
        return after, kept
    ends_ms = [mark.end_ms for mark in marks if mark.mark == "snoozed" and mark.end_ms is not None]
    again_ms = next_day_ms(spot.where, max(ends_ms)) if ends_ms else now_ms + 1
    if after.said_at_ms < again_ms <= now_ms:
        words = after.text.removeprefix(f"{spot.place}: ")
        # Translators: words are what the alert said before
        repeat = event_of(spot, after, REPEATED, again_ms, say("after the snooze, still: {words}", words=words))
        return after._replace(said_at_ms=again_ms), [*kept, repeat]
    return after, kept


def _held_back(said: AlertEvent, marks: tuple[AlertMark, ...], before: AlertState) -> bool:
    """Return whether a mark on its alert suppresses an event."""
    for mark in marks:
        if mark.mark == "wrong" and (mark.at_ms <= said.at_ms or before.wrong_at_ms is not None):
            return True
        if said.kind != REPEATED or mark.at_ms > said.at_ms:
            continue
        if mark.mark == "seen" or (mark.mark == "snoozed" and (mark.end_ms is None or said.at_ms < mark.end_ms)):
            return True
    return False
