"""Times, arrays and the flag of an observation: what every folder of the pipeline shares."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from enum import IntEnum
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class TimeSpan:
    """From a moment up to, but without, another. [ms since 1970, UTC]"""

    start_ms: int
    end_ms: int


MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000
WEEK_MS = 7 * DAY_MS
QUARTER_HOUR_MS = 15 * MINUTE_MS
TIME_SLACK_MS = 15 * MINUTE_MS  # a time further after now is not to be trusted: common practice, no source
FOREVER_MS = 2**62
EVER_MS = (0, FOREVER_MS)
"""A span that holds every reading, finding and entry. [ms since 1970, UTC]"""

LAST_TOLD_MS = 253_402_300_799_000  # the end of the year 9999, which is as far as a date is written


def utc_text(at_ms: int) -> str:
    """Return a time as `2026-05-01 06:15 UTC`. [ms since 1970, UTC]"""
    at = datetime.datetime.fromtimestamp(min(at_ms, LAST_TOLD_MS) / 1000, datetime.UTC)
    return f"{at:%Y-%m-%d %H:%M} UTC"


FloatArray = npt.NDArray[np.float64]
TimeArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


def floats(value: npt.ArrayLike) -> FloatArray:
    """Return numbers as an array of float64, in their own unit and shape; not copied where they are one already."""
    return np.asarray(value, dtype=np.float64)


_EPOCH = datetime.date(1970, 1, 1)


def date_of_day(day: int) -> datetime.date:
    """Return the date of a number of days since 1970. [d]"""
    return _EPOCH + datetime.timedelta(days=day)


def day_of_date(date: datetime.date) -> int:
    """Return the days since 1970 of a date. [d]"""
    return (date - _EPOCH).days


def whole_days_ms(
    first: datetime.date | None, last: datetime.date | None, timezone: str
) -> tuple[int | None, int | None]:
    """Return when a day begins by a zone's clock, and when another ends; None for no day. [ms since 1970, UTC]"""

    def midnight_ms(day: datetime.date) -> int:
        at = datetime.datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(timezone))
        return round(at.timestamp() * 1000)

    after = None if last is None else last + datetime.timedelta(days=1)
    return None if first is None else midnight_ms(first), None if after is None else midnight_ms(after)


class Flag(IntEnum):
    """How far an observation may be believed.

    Source: IOC Manuals and Guides 54, volume 3 (2013), "Ocean Data Standards: quality flag scheme", primary level;
    the same five are used by the QARTOD manuals (cited from memory).
    """

    GOOD = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


BELIEVED = (int(Flag.GOOD), int(Flag.NOT_EVALUATED))
"""The flags whose values are used: a value that nobody could test stands until a test speaks against it."""


def is_believed(flag: npt.NDArray[np.integer]) -> BoolArray:
    """Return which observations with these quality flags are believed."""
    good, not_evaluated = BELIEVED
    return np.asarray((flag == good) | (flag == not_evaluated))
