"""The strips of a square by what fixtures name them: in use, in preparation, resting, finished; the last water of each.

A square with a match every week is never all of it in preparation: only the strip that will be played on is dried
(ECB TS4, see `is_dried_for_play`), and the rest is watered by its need. When preparation begins is common practice.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from pipeline.advice.report import SurfaceAdvice
from pipeline.advice.water import DRY_DAYS
from pipeline.diary.facts import Play
from pipeline.forecast.waterings import EVENING_H
from pipeline.plan.seen import Seen
from pipeline.texts import day_words, later, say
from pipeline.units import DAY_MS

State = Literal["in_use", "in_preparation", "resting", "finished"]
PREPARED_D = 14  # before play in which a strip is prepared: 10 to 14 at best (ECB TS4, from memory)
OFTEN = 2  # matches ahead within `PREPARED_D` that name no strip, for the whole square never to be watered


@dataclass(frozen=True, slots=True)
class StripState:
    """How one strip stands.

    Attributes
    ----------
    number : int
        From 1.
    state : str
        See `State`.
    text : str
        A sentence.
    play_ms : int or None
        Begin of its next play. [ms since 1970, UTC]
    last_water_ms : int or None
        The last evening on which it may get water before that play; None without one, or where it is past.
    """

    number: int
    state: State
    text: str
    play_ms: int | None = None
    last_water_ms: int | None = None


def strip_states(advice: SurfaceAdvice, seen: Seen) -> tuple[StripState, ...]:
    """Return the strips that fixtures name, in order of number; none on what is no square."""
    if advice.kind != "square":
        return ()
    every = (*advice.played, *advice.play)
    return tuple(
        _state(number, [one for one in every if number in one.strips], seen)
        for number in sorted({number for one in every for number in one.strips})
    )


def strips_wanted(advice: SurfaceAdvice, seen: Seen) -> str:
    """Return what to write down where matches name no strip and so keep the whole square dry; empty else."""
    near = [one for one in advice.play if one.start_ms < seen.now_ms + PREPARED_D * DAY_MS and not one.strips]
    if advice.kind != "square" or len(near) < OFTEN:
        return ""
    return say(
        "No fixture says which strip it is on, so the whole square counts as in preparation. Write the strip with the "
        "fixture, and the rest is watered by its need."
    )


def last_water_ms(play_ms: int, zone: datetime.tzinfo) -> int:
    """Return the last evening that lies more than `DRY_DAYS` before play. [ms since 1970, UTC]"""
    day = datetime.datetime.fromtimestamp(play_ms / 1000, zone).date() - datetime.timedelta(days=int(DRY_DAYS))
    while True:
        at = datetime.datetime.combine(day, datetime.time(EVENING_H), zone)
        if play_ms - at.timestamp() * 1000 > DRY_DAYS * DAY_MS:
            return round(at.timestamp() * 1000)
        day -= datetime.timedelta(days=1)


def _state(number: int, every: Sequence[Play], seen: Seen) -> StripState:
    today = _date(seen.now_ms, seen)
    if any(_date(one.start_ms, seen) <= today <= _date(one.end_ms - 1, seen) for one in every):
        return StripState(number, "in_use", say("Strip {n} is in use today.", n=number))
    coming = min((one.start_ms for one in every if one.start_ms > seen.now_ms), default=None)
    if coming is None:
        last = day_words(_date(max(one.end_ms for one in every) - 1, seen))
        told = say("Strip {n} is finished, last played on {day}: repair it, water it by its need.", n=number, day=last)
        return StripState(number, "finished", told)
    day, last_ms = day_words(_date(coming, seen)), last_water_ms(coming, seen.zone)
    if last_ms < seen.now_ms:
        told = say("Strip {n} is in preparation for play on {day}: no more water.", n=number, day=day)
        return StripState(number, "in_preparation", told, coming)
    near = coming - seen.now_ms <= PREPARED_D * DAY_MS
    text = later(
        "Strip {n} is in preparation for play on {day}: last water on the evening of {last}."
    ) if near else later("Strip {n} rests, with play on {day}: last water on the evening of {last}.")  # fmt: skip
    told = say(text, n=number, day=day, last=day_words(_date(last_ms, seen)))
    return StripState(number, "in_preparation" if near else "resting", told, coming, last_ms)


def _date(at_ms: int, seen: Seen) -> datetime.date:
    return datetime.datetime.fromtimestamp(at_ms / 1000, seen.zone).date()
