"""The strips of a square by what fixtures name them: in use, in preparation, resting, finished; the last water of each.

A square with a match every week is never all of it in preparation: a strip is kept for the play that names it, or none
(`on_strip`), and the rest is watered by its need. Its last water goes on as `pipeline.advice.water` has it. When
preparation begins is common practice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from pipeline.advice.report import StationAdvice, SurfaceAdvice
from pipeline.advice.water import DEEP_DAYS, DRY_DAYS, USUAL_DRAINS_H, is_dried_for_play, is_too_near
from pipeline.diary.facts import Play, on_strip, to_play_d, to_play_h
from pipeline.forecast.waterings import OF_TONIGHT_H
from pipeline.plan.deep_water import LOOKED_AHEAD_D, SOAKS_H, evening_ms, own_play
from pipeline.plan.lines import Line, Says
from pipeline.plan.seen import Seen
from pipeline.texts import day_words, in_a_row, later, say
from pipeline.units import DAY_MS, HOUR_MS, TimeSpan

State = Literal["in_use", "in_preparation", "resting", "finished"]
PREPARED_D = 14  # before play in which a strip is prepared: 10 to 14 at best, 5 at the least (ECB TS4, from memory)
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
    last_deep_ms : int or None
        The last evening of deep water, likewise; on those behind it what one go gives.
    """

    number: int
    state: State
    text: str
    play_ms: int | None = None
    last_water_ms: int | None = None
    last_deep_ms: int | None = None


def strip_states(advice: SurfaceAdvice, seen: Seen) -> tuple[StripState, ...]:
    """Return the strips that fixtures name, in order of number; none on what is no square.

    One that was last played before this season, and is not played to come, is none of them.
    """
    if advice.kind != "square":
        return ()
    since_ms = 0 if advice.season_ms is None else advice.season_ms
    played = [one for one in advice.played if one.end_ms > since_ms]
    numbers = sorted({number for one in (*played, *advice.play) for number in one.strips})
    return tuple(_state(number, advice, [one for one in played if number in one.strips], seen) for number in numbers)


def strips_wanted(advice: SurfaceAdvice, seen: Seen) -> str:
    """Return what to write down where matches or stations without a strip keep more of a square dry; empty else."""
    if advice.kind != "square":
        return ""
    near = [one for one in advice.play if one.start_ms < seen.now_ms + PREPARED_D * DAY_MS]
    told = [
        say(
            "{title} on {day} names strip {numbers}, and there are strips 1 to {n}: the whole square is dried for it.",
            title=one.title, day=day_words(seen.date(one.start_ms)), n=advice.strips,
            numbers=in_a_row([str(number) for number in one.unknown_strips]),
        )
        for one in near if one.unknown_strips
    ]  # fmt: skip
    unnamed = [day_words(seen.date(one.start_ms)) for one in near if not one.strips and not one.unknown_strips]
    if len(unnamed) >= OFTEN:
        told.append(
            say(
                "Play on {days} names no strip, so the whole square counts as in preparation. Write the strip with the "
                "fixture, and the rest is watered by its need.",
                days=in_a_row(list(dict.fromkeys(unnamed))),
            )
        )
    lost = [one.turf.place for one in advice.stations if one.strip is None]
    if lost and any(one.strips for one in near):
        text = later(
            "{places}: the strip it stands on is not known, so it is dried for every match. Give its place on the plan."
        ) if advice.strips else later(
            "{places}: the strip it stands on is not known, so it is dried for every match. Give the corners of the "
            "square, how many strips it has, and the place of each station."
        )  # fmt: skip
        told.append(say(text, places=in_a_row(lost)))
    return " ".join(told)


def strip_lines(advice: SurfaceAdvice, strips: Sequence[StripState], seen: Seen) -> Iterator[Line]:
    """Yield what is told of the strip of each station, and on which evenings its water is held back for play."""
    by_number = {strip.number: strip for strip in strips}
    for one in advice.stations if advice.kind == "square" else ():
        strip = None if one.strip is None else by_number.get(one.strip)
        if strip is not None:
            yield from _of_strip(strip, one, seen)
        for day in range(LOOKED_AHEAD_D + 1):
            at_ms = evening_ms(seen, day)
            if is_dried_for_play(advice.kind, to_play_d(own_play(advice, one), at_ms)):
                yield Line(Says.DRIED, _night(at_ms), one.station)
            if is_too_near(one.turf, to_play_h(advice.play, at_ms), wilt=day == 0 and one.evening.wilt):
                yield Line(Says.TOO_NEAR, _night(at_ms), one.station)


def _of_strip(strip: StripState, one: StationAdvice, seen: Seen) -> Iterator[Line]:
    about = f"strip {strip.number}"
    if strip.state == "finished":
        yield Line(Says.BY_NEED, _night(evening_ms(seen, 0)), one.station, about, text=strip.text)
    if strip.play_ms is None:
        return
    if strip.last_water_ms is None:
        yield Line(Says.NO_WATER, TimeSpan(seen.now_ms, strip.play_ms), one.station, about, text=strip.text)
        return
    for last_ms in {strip.last_water_ms, strip.last_deep_ms or strip.last_water_ms}:
        yield Line(Says.LAST_WATER, _night(last_ms), one.station, about, text=strip.text)
    from_ms = seen.now_ms
    if strip.last_deep_ms is not None:  # from the evening behind it on
        from_ms = strip.last_deep_ms + DAY_MS + OF_TONIGHT_H[0] * HOUR_MS
    yield Line(Says.LIGHT_ONLY, TimeSpan(from_ms, strip.play_ms), one.station, about, one.turf.go_mm, text=strip.text)


def _night(at_ms: int) -> TimeSpan:
    return TimeSpan(at_ms, at_ms + SOAKS_H * HOUR_MS)


def last_evening_ms(number: int, play_ms: int, days: float, advice: SurfaceAdvice, seen: Seen) -> int | None:
    """Return the last evening more than so many days before play on a strip on which its water drains before any play.

    None where it is past. [d], [ms since 1970, UTC]
    """
    ahead = (seen.date(play_ms) - seen.date(seen.now_ms)).days - int(days)
    for day in range(ahead, -1, -1):
        at_ms = evening_ms(seen, day)
        given_ms = max(at_ms, seen.now_ms)
        if play_ms - given_ms > days * DAY_MS and not _is_too_near(number, given_ms, advice, seen):
            return at_ms
    return None


def _is_too_near(number: int, at_ms: int, advice: SurfaceAdvice, seen: Seen) -> bool:
    """Return whether play on any strip comes before water of an evening has drained, by the stations of a strip, else
    by all. [ms since 1970, UTC]"""
    hours, is_tonight = to_play_h(advice.play, at_ms), at_ms < evening_ms(seen, 1)
    here = [one for one in advice.stations if one.strip == number] or advice.stations
    if not here:
        return hours is not None and hours < USUAL_DRAINS_H
    return any(is_too_near(one.turf, hours, wilt=is_tonight and one.evening.wilt) for one in here)


def _state(number: int, advice: SurfaceAdvice, played: Sequence[Play], seen: Seen) -> StripState:
    today = seen.date(seen.now_ms)
    own = on_strip((*advice.played, *advice.play), number)
    on = [one for one in own if seen.date(one.start_ms) <= today <= seen.date(one.end_ms - 1)]
    if any(one.strips for one in on):
        return StripState(number, "in_use", say("Strip {n} is in use today.", n=number))
    if on:
        told = say("Strip {n} may be in use today: the fixture names no strip.", n=number)
        return StripState(number, "in_use", told)
    last = day_words(seen.date(max(one.end_ms for one in played) - 1)) if played else ""
    play_ms = min((one.start_ms for one in own if one.start_ms > seen.now_ms), default=None)
    if play_ms is None:
        told = say("Strip {n} is finished, last played on {day}: water it by its need.", n=number, day=last)
        return StripState(number, "finished", told)
    day = day_words(seen.date(play_ms))
    water_ms, deep_ms = (last_evening_ms(number, play_ms, days, advice, seen) for days in (DRY_DAYS, DEEP_DAYS))
    if water_ms is None:
        told = say("Strip {n} is in preparation for play on {day}: no more water.", n=number, day=day)
        return StripState(number, "in_preparation", told, play_ms)
    near = play_ms - seen.now_ms <= PREPARED_D * DAY_MS
    if near:
        stands = say("Strip {n} is in preparation for play on {day}", n=number, day=day)
    elif last:
        stands = say("Strip {n}, last played on {last}, has to heal for play on {day}", n=number, last=last, day=day)
    else:
        stands = say("Strip {n} rests, with play on {day}", n=number, day=day)
    evening = day_words(seen.date(water_ms))
    if deep_ms is None:
        # Translators: strip is as "Strip 4 rests, with play on 12 Jul", here and below
        told = say("{strip}: water it lightly, up to the evening of {last}.", strip=stands, last=evening)
    else:
        told = say(
            "{strip}: last deep water on the evening of {deep}, then lightly, up to the evening of {last}.",
            strip=stands, deep=day_words(seen.date(deep_ms)), last=evening,
        )  # fmt: skip
    return StripState(number, "in_preparation" if near else "resting", told, play_ms, water_ms, deep_ms)
