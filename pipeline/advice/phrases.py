"""Phrases that all texts share: lists of names, probes to be lifted, days, and times that go on after a text is made.

An alert is put into words once and may stand for weeks. A weekday or a length of time in it would grow false, so it
stands there as a mark (`[[weekday 1714521600000]]`, ms since 1970, UTC) that `spoken` fills in whenever the text is
shown or sent. Pure words: nothing is judged here.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Mapping, Sequence

from pipeline.units import HOUR_MS

NEAR_DAYS = 6  # a weekday further off may be taken for another of the same name
_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_MARK = re.compile(r"\[\[(clock|date|dry|lasting|left|on|weekday) (-?\d+)\]\]")
_DRY = re.compile(r"\[\[dry (-?\d+)\]\]")


# --- lists -----------------------------------------------------------------------------------------------------------


def listed(names: Sequence[str]) -> str:
    """Names as a sentence has them: `a`, `a and b`, `a, b and c`; empty for none."""
    if not names:
        return ""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def the_probes(names: Sequence[str]) -> str:
    """Probes by their names: a probe called `thatch` must not read as the thatch itself."""
    return listed([f"the {name} probe" for name in names])


def lift_first(names: Sequence[str]) -> str:
    """What to do with the probes in the way, as a sentence without its stop; empty for none."""
    return f"Lift {the_probes(names)} first" if names else ""


# --- days ------------------------------------------------------------------------------------------------------------


def day_words(day: datetime.date) -> str:
    """A date as `12 Oct`."""
    return f"{day.day} {_MONTHS[day.month - 1]}"


def day_name(day: datetime.date, today: datetime.date, *, letters: int | None = None) -> str:
    """A weekday as `Thursday`, and with its date, `Thursday 12 Oct`, where it is more than six days off.

    Parameters
    ----------
    day, today : date
    letters : int, optional
        How many letters of the weekday; all of them when left out.
    """
    name = _DAYS[day.weekday()][:letters]
    return name if abs((day - today).days) <= NEAR_DAYS else f"{name} {day_words(day)}"


def clock_words(at: datetime.datetime, now: datetime.datetime) -> str:
    """A moment as it is said on the ground: `today 14:00`, `Thu 9:00`, and from a week off `Thu 12 Oct`."""
    clock = f"{at.hour}:{at.minute:02d}"
    if at.date() == now.date():
        return f"today {clock}"
    day = day_name(at.date(), now.date(), letters=3)
    return f"{day} {clock}" if abs((at.date() - now.date()).days) <= NEAR_DAYS else day


def for_how_long(span_ms: int) -> str:
    """A length of time as a groundsman says it: `3 hours`, `2 days`."""
    hours = round(span_ms / HOUR_MS)
    if hours < 36:
        return "1 hour" if hours == 1 else f"{hours} hours"
    return f"{round(hours / 24)} days"


# --- times that go on ------------------------------------------------------------------------------------------------


def weekday_mark(at_ms: int) -> str:
    """Stands for a weekday, by `day_name`."""
    return f"[[weekday {at_ms}]]"


def date_mark(at_ms: int) -> str:
    """Stands for a day: `today`, `tomorrow`, else by `day_name`."""
    return f"[[date {at_ms}]]"


def on_mark(at_ms: int) -> str:
    """Stands for a day: `today`, `tomorrow`, else `on` and by `day_name`."""
    return f"[[on {at_ms}]]"


def clock_mark(at_ms: int) -> str:
    """Stands for a moment, by `clock_words`."""
    return f"[[clock {at_ms}]]"


def left_mark(at_ms: int) -> str:
    """Stands for how far off a day is: `today`, `1 day from now`, `9 days from now`."""
    return f"[[left {at_ms}]]"


def lasting_mark(since_ms: int) -> str:
    """Stands for how long something has lasted, by `for_how_long`."""
    return f"[[lasting {since_ms}]]"


def dry_mark(since_ms: int) -> str:
    """Stands for how long there has been no water, by `for_how_long`; `counted_from` begins it anew."""
    return f"[[dry {since_ms}]]"


def counted_from(text: str, water_ms: int | None) -> str:
    """A text whose time without water is counted from the last water, where that came later. [ms since 1970, UTC]"""
    return text if water_ms is None else _DRY.sub(lambda mark: dry_mark(max(int(mark[1]), water_ms)), text)


def spoken(text: str, now_ms: int, zone: datetime.tzinfo | None) -> str:
    """A text with its marks filled in for a moment.

    Parameters
    ----------
    text : str
    now_ms : int
        When it is read. [ms since 1970, UTC]
    zone : tzinfo or None
        Of the site; None for UTC.
    """
    where = datetime.UTC if zone is None else zone
    now = datetime.datetime.fromtimestamp(now_ms / 1000, where)

    def filled(mark: re.Match[str]) -> str:
        at = datetime.datetime.fromtimestamp(int(mark[2]) / 1000, where)
        return _FILLED[mark[1]](at, now)

    return _MARK.sub(filled, text)


def without_times(text: str) -> str:
    """A text with its marks emptied of their times: two that are alike but for those say the same."""
    return _MARK.sub(r"[[\1]]", text)


def _lasting(at: datetime.datetime, now: datetime.datetime) -> str:
    return for_how_long(round((now - at).total_seconds() * 1000))


def _date(at: datetime.datetime, now: datetime.datetime, before: str = "") -> str:
    days = (at.date() - now.date()).days
    return {0: "today", 1: "tomorrow"}.get(days) or before + day_name(at.date(), now.date())


def _left(at: datetime.datetime, now: datetime.datetime) -> str:
    days = (at.date() - now.date()).days
    if days < 0:
        return "which has passed"
    return "today" if days == 0 else "1 day from now" if days == 1 else f"{days} days from now"


def _on(at: datetime.datetime, now: datetime.datetime) -> str:
    return _date(at, now, "on ")


def _weekday(at: datetime.datetime, now: datetime.datetime) -> str:
    return day_name(at.date(), now.date())


_FILLED: Mapping[str, Callable[[datetime.datetime, datetime.datetime], str]] = {
    "clock": clock_words,
    "date": _date,
    "dry": _lasting,
    "lasting": _lasting,
    "left": _left,
    "on": _on,
    "weekday": _weekday,
}
