"""Days of every year laid on the clock: when a surface is played on, and when it lies closed for renovation.

Spans run from local midnight to local midnight. This module must not know what is forbidden in a season.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence

from pipeline.advice.locks import Span

MonthDay = tuple[int, int]
SEASON_GAP_DAYS = 45  # fixtures further apart belong to two seasons: our own choice
DAY_MS = 86_400_000


def yearly_spans(
    first: MonthDay, last: MonthDay, now_ms: int, zone: datetime.tzinfo, *, years: tuple[int, int] = (-1, 2)
) -> tuple[Span, ...]:
    """Days of every year about now, both ends in them.

    Parameters
    ----------
    first, last : (month, day)
        They may run over the new year.
    now_ms : int
        [ms since 1970, UTC]
    zone : tzinfo
        Of the place.
    years : (int, int)
        From how many years before this one up to, but without, how many after.
    """
    this = datetime.datetime.fromtimestamp(now_ms / 1000, zone).year
    over = 1 if last < first else 0
    return tuple(
        Span(midnight_ms(year, first, zone), midnight_ms(year + over, last, zone, days=1))
        for year in range(this + years[0], this + years[1])
    )


def midnight_ms(year: int, day: MonthDay, zone: datetime.tzinfo, *, days: int = 0) -> int:
    """Local midnight that begins a day, or so many days after it; 29 February is the 28th in other years. [ms]"""
    month, number = day
    if day == (2, 29) and not _is_leap(year):
        number = 28
    date = datetime.date(year, month, number) + datetime.timedelta(days=days)
    return date_ms(date, zone)


def date_ms(date: datetime.date, zone: datetime.tzinfo) -> int:
    """Local midnight that begins a date. [ms since 1970, UTC]"""
    return round(datetime.datetime(date.year, date.month, date.day, tzinfo=zone).timestamp() * 1000)


def _is_leap(year: int) -> bool:
    return year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)


def seasons_of_fixtures(times: Sequence[tuple[int, int]]) -> tuple[Span, ...]:
    """Seasons of play as the fixtures show them: from the first to the last that follow each other closely enough.

    Parameters
    ----------
    times : sequence of (int, int)
        Begin and end of each. [ms since 1970, UTC]
    """
    found: list[Span] = []
    for start_ms, end_ms in sorted(times):
        if found and start_ms - found[-1].end_ms <= SEASON_GAP_DAYS * DAY_MS:
            found[-1] = Span(found[-1].start_ms, max(found[-1].end_ms, end_ms))
        else:
            found.append(Span(start_ms, end_ms))
    return tuple(found)


def renovation_span(play_last: MonthDay, until: MonthDay, now_ms: int, zone: datetime.tzinfo) -> Span | None:
    """The renovation that is on or the next to come: from the day after play until a day, in it."""
    this = datetime.datetime.fromtimestamp(now_ms / 1000, zone).year
    over = 1 if until <= play_last else 0
    spans = (
        Span(midnight_ms(year, play_last, zone, days=1), midnight_ms(year + over, until, zone, days=1))
        for year in (this - 1, this, this + 1)
    )
    return next((span for span in spans if span.end_ms > now_ms), None)
