"""When an alert may be said at all: the season of its rule, the hour of the day, play, drying, and people's marks.

An alert that nobody can act on is noise. What is not said for such a reason is not lost: its rule opens when it may.
Night keeps the closing of an alert back too, season and play do not. Pure: this module must not judge the ground.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import replace

from pipeline.advice.water import is_dried_for_play
from pipeline.alerts.model import (
    CLOSED,
    REPEATED,
    AlertBounds,
    AlertEvent,
    AlertState,
    Spot,
    Where,
    alert_id,
    event,
)
from pipeline.diary.facts import (
    AlertMark,
    DiaryFacts,
)
from pipeline.units import HOUR_MS

# Usual months of a rule, northern hemisphere; a rule left out is for the whole year. Common practice, no source.
GROWING: Mapping[str, tuple[int, ...]] = {"cool": tuple(range(3, 11)), "warm": tuple(range(4, 11))}
PITCH_MONTHS = (2, 11)  # beside those of growth: a pitch is played on, and its thatch matters, in the wet months too
IN_GROWTH = ("thatch_holding", "water_not_arriving", "roots_dry", "roots_shallow")
MONTHS: Mapping[str, tuple[int, ...]] = {
    "thatch_to_repel": (4, 5, 6, 7, 8, 9),
    "frost_at_dawn": (10, 11, 12, 1, 2, 3, 4, 5),
    "last_good_date": (5, 8, 9),
}
LATE_MONTHS_WARM = (7, 8, 9)  # warm-season turf stops growing sooner, and is renovated in summer
HELD_BY_PLAY = ("thatch_holding", "water_not_arriving", "thatch_to_repel", "roots_dry", "window_opening",
                "window_closing", "last_good_date")  # fmt: skip
HELD_BY_DRYING = ("water_not_arriving", "thatch_to_repel", "roots_dry")


def local(where: Where, at_ms: int) -> datetime.datetime:
    """A moment by the site's clock; by UTC where it has none."""
    return datetime.datetime.fromtimestamp(at_ms / 1000, datetime.UTC if where.zone is None else where.zone)


def usual_months(rule: str, where: Where) -> tuple[int, ...]:
    """Months of a rule on a kind of surface and grass, northern hemisphere; empty for the whole year."""
    if rule in IN_GROWTH:
        growing = GROWING["warm" if where.grass == "warm" else "cool"]
        return (*growing, *PITCH_MONTHS) if where.kind == "pitch" and where.grass != "warm" else growing
    if rule == "last_good_date" and where.grass == "warm":
        return LATE_MONTHS_WARM
    return MONTHS.get(rule, ())


def in_months(months: tuple[int, ...], where: Where, at_ms: int) -> bool:
    """Whether a moment lies in months of the northern hemisphere, half a year off in the south; none are all."""
    month = local(where, at_ms).month
    return not months or ((month + 5) % 12 + 1 if where.south else month) in months


def in_season(rule: str, where: Where, at_ms: int, bounds: AlertBounds) -> bool:
    """Whether a rule speaks at this time of year: in the months a site has set, else in the usual ones."""
    months: tuple[int, ...] = getattr(getattr(bounds, rule), "months", ())
    return in_months(months or usual_months(rule, where), where, at_ms)


def by_day(where: Where, at_ms: int, bounds: AlertBounds, *, lag_h: float = 0.0) -> bool:
    """Whether a moment lies in the day, and the later one at which it becomes known too; always without a clock.

    Findings are judged some hours after their time, so a moment of the late afternoon would be told at night.
    """
    if where.zone is None:
        return True
    hours = [_hour(where, at_ms + round(h * HOUR_MS)) for h in (0.0, lag_h)]
    return all(bounds.day_from_h <= hour < bounds.day_until_h for hour in hours) and hours[0] <= hours[1]


def next_day_ms(where: Where, at_ms: int, bounds: AlertBounds) -> int:
    """A moment itself if it lies in the day, else the next morning. [ms since 1970, UTC]"""
    if by_day(where, at_ms, bounds):
        return at_ms
    at = local(where, at_ms)
    day = at.date() if at.hour < bounds.day_from_h else at.date() + datetime.timedelta(days=1)
    minutes = round(bounds.day_from_h * 60)
    morning = datetime.datetime.combine(day, datetime.time(minutes // 60, minutes % 60), at.tzinfo)
    return round(morning.timestamp() * 1000)


def hour_of(where: Where, at_ms: int) -> float:
    """Hour of the day by the site's clock. [h]"""
    return _hour(where, at_ms)


def _hour(where: Where, at_ms: int) -> float:
    at = local(where, at_ms)
    return at.hour + at.minute / 60 + at.second / 3600


def match_day(where: Where, diary: DiaryFacts, at_ms: int) -> bool:
    """Whether there is play on the day of a moment."""
    day = local(where, at_ms).date()
    return any(local(where, begin).date() <= day <= local(where, end).date() for begin, end in diary.plays)


def drying(where: Where, diary: DiaryFacts, at_ms: int) -> bool:
    """Whether a surface is being dried for play: its covers are on, or play on a square is days away."""
    if any(begin <= at_ms < end for begin, end in diary.covers):
        return True
    days = [(begin - at_ms) / (24 * HOUR_MS) for begin, end in diary.plays if end > at_ms]
    return is_dried_for_play(where.kind, max(min(days), 0.0) if days else None)


def may_open(
    rule: str, where: Where, diary: DiaryFacts, at_ms: int, bounds: AlertBounds, *, lag_h: float = 0.0
) -> bool:
    """Whether a rule may open an alert, or say it again, at a moment.

    Parameters
    ----------
    rule : str
    where : Where
    diary : Diary
    at_ms : int
        [ms since 1970, UTC]
    bounds : AlertBounds
    lag_h : float
        How much later it becomes known, see `by_day`. [h]
    """
    return (
        by_day(where, at_ms, bounds, lag_h=lag_h)
        and in_season(rule, where, at_ms, bounds)
        and not (rule in HELD_BY_PLAY and match_day(where, diary, at_ms))
        and not (rule in HELD_BY_DRYING and drying(where, diary, at_ms))
    )


def season_over(state: AlertState, spot: Spot, at_ms: int, bounds: AlertBounds) -> tuple[AlertState, list[AlertEvent]]:
    """Close an open alert whose season has ended: it would stand all winter, and nobody would act on it."""
    if not state.is_open or not by_day(spot.where, at_ms, bounds) or in_season(state.rule, spot.where, at_ms, bounds):
        return state, []
    said = event(spot, state, CLOSED, at_ms, "the season for this is over. It is left alone until the next.")
    return state.closed(), [said]


def heed(
    before: AlertState,
    after: AlertState,
    said: list[AlertEvent],
    spot: Spot,
    diary: DiaryFacts,
    now_ms: int,
    bounds: AlertBounds,
) -> tuple[AlertState, list[AlertEvent]]:
    """What is left to say after people's marks: wrong closes, seen and snoozed keep repeats back.

    An alert marked wrong stays open inside, silent, until its rule closes it: else the next reading would open it
    again. When a snooze ends and the alert is still open, it is said once more.

    Parameters
    ----------
    before, after : AlertState
        As the rule found it and left it.
    said : list of AlertEvent
        What the rule said.
    spot : Spot
    diary : Diary
    now_ms : int
        [ms since 1970, UTC]
    bounds : AlertBounds
    """
    kept = [e for e in said if not _held_back(e, diary.marks.get(e.alert_id, ()), before)]
    if not after.is_open:
        return after, kept
    if kept:
        after = replace(after, text=kept[-1].text)
    marks = diary.marks.get(alert_id(spot.site, after), ())
    wrong_ms = [mark.at_ms for mark in marks if mark.mark == "wrong" and mark.at_ms <= now_ms]
    assert after.opened_at_ms is not None and after.said_at_ms is not None  # they are set when it opens
    if wrong_ms:
        if after.wrong_at_ms is not None:
            return after, kept
        at_ms = max(min(wrong_ms), after.opened_at_ms)
        closing = event(spot, after, CLOSED, at_ms, "marked wrong. Nothing more is said of it until it is over.")
        return replace(after, wrong_at_ms=at_ms), [*kept, closing]
    if any(mark.mark == "seen" for mark in marks):
        return after, kept
    ends_ms = [mark.end_ms for mark in marks if mark.mark == "snoozed" and mark.end_ms is not None]
    again_ms = next_day_ms(spot.where, max(ends_ms), bounds) if ends_ms else now_ms + 1
    if after.said_at_ms < again_ms <= now_ms:
        words = after.text.removeprefix(f"{spot.place}: ")
        repeat = event(spot, after, REPEATED, again_ms, f"after the snooze, still: {words}")
        return replace(after, said_at_ms=again_ms), [*kept, repeat]
    return after, kept


def _held_back(said: AlertEvent, marks: tuple[AlertMark, ...], before: AlertState) -> bool:
    """Whether an event is not passed on because of what people wrote on its alert."""
    for mark in marks:
        if mark.mark == "wrong" and (mark.at_ms <= said.at_ms or before.wrong_at_ms is not None):
            return True
        if said.kind != REPEATED or mark.at_ms > said.at_ms:
            continue
        if mark.mark == "seen" or (mark.mark == "snoozed" and (mark.end_ms is None or said.at_ms < mark.end_ms)):
            return True
    return False
