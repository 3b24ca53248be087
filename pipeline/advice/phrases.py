"""Phrases that all texts share: lists of names, probes to be lifted, days, and times filled in when a text is read.

An alert is put into words once and may stand for weeks. A weekday or a length of time in it would become wrong, so it
is a mark (`[[weekday 1714521600000]]`, ms since 1970, UTC) that `spoken` fills in whenever the text is shown or sent.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Mapping, Sequence
from zoneinfo import ZoneInfo

from hardware.machine_clock import EARLIEST_SET_MS, time_in_doubt
from pipeline.diary.facts import Buried
from pipeline.texts import day_words as day_words
from pipeline.texts import listed as listed
from pipeline.texts import say, say_many, short_weekday, weekday
from pipeline.units import HOUR_MS

NEAR_DAYS = 6  # a weekday further off may be taken for another of the same name
_MARK = re.compile(r"\[\[(clock|date|dry|lasting|left|on|weekday) (-?\d+)\]\]")
SO = "[[so]]"  # parts a fact from what to do about it, which whoever tells it may put in other words
_DRY = re.compile(r"\[\[dry (-?\d+)\]\]")


# --- lists -----------------------------------------------------------------------------------------------------------


def the_probes(names: Sequence[str], buried: Sequence[Buried] = ()) -> str:
    """Return probes by their places as `buried` has them, each once; one that is not in it by its name."""
    places = {one.name: one.called for one in buried}
    return listed(list(dict.fromkeys(places.get(name) or say("the {name} probe", name=name) for name in names)))


def kind_words(kind: str) -> str:
    """Return a kind of pass by its name in the settings and the diary, in words."""
    words = kind.replace("_", " ")
    return say(words)


def lift_first(names: Sequence[str], buried: Sequence[Buried] = ()) -> str:
    """Return what to do with the probes in the way, as a sentence without its stop; empty for none."""
    return lift_called_first(the_probes(names, buried)) if names else ""


def lift_called_first(called: str) -> str:
    """Return the same of probes that are put into words already."""
    # Translators: a clause: "Lift the long-side probe and the thatch probe first"
    return say("Lift {probes} first", probes=called)


# --- days ------------------------------------------------------------------------------------------------------------


def day_name(day: datetime.date, today: datetime.date, *, short: bool = False) -> str:
    """Return a weekday as `Thursday`, and with its date, `Thursday 12 Oct`, where it is more than six days off.

    Parameters
    ----------
    day, today : date
    short : bool, optional
        Whether the weekday has its short name.
    """
    name = short_weekday(day) if short else weekday(day)
    if abs((day - today).days) <= NEAR_DAYS:
        return name
    return say("{weekday} {date}", weekday=name, date=day_words(day))


def clock_words(at: datetime.datetime, now: datetime.datetime) -> str:
    """Return a moment in words: `today 14:00`, `Thu 9:00`, and from a week off `Thu 12 Oct`."""
    clock = f"{at.hour}:{at.minute:02d}"
    if at.date() == now.date():
        return say("today {clock}", clock=clock)
    day = day_name(at.date(), now.date(), short=True)
    if abs((at.date() - now.date()).days) > NEAR_DAYS:
        return day
    # Translators: a moment, as in "Thu 9:00"
    return say("{day} {clock}", day=day, clock=clock)


def moment(at_ms: int, timezone: str, *, now_ms: int | None = None) -> str:
    """Return a time [ms since 1970, UTC] on the site's clock: `14:15 today`, `Tue 9 Jan 14:15`, else with its year."""
    zone = ZoneInfo(timezone)
    at = datetime.datetime.fromtimestamp(at_ms / 1000, zone)
    now = None if now_ms is None else datetime.datetime.fromtimestamp(now_ms / 1000, zone)
    if now is not None and at.date() == now.date():
        return say("{clock} today", clock=f"{at:%H:%M}")
    day = day_words(at, year=now is None or at.year != now.year)
    # Translators: a moment, as in "Tue 9 Jan 14:15"
    return say("{weekday} {date} {clock}", weekday=short_weekday(at), date=day, clock=f"{at:%H:%M}")


def time_doubt(since_ms: int | None, timezone: str, *, now_ms: int) -> str:
    """Return what `unconfirmed` says of a time that is doubted since a moment. [ms since 1970, UTC] 0 as None."""
    since_ms = None if since_ms == 0 else since_ms
    return unconfirmed(since_ms, lambda at_ms: moment(at_ms, timezone, now_ms=now_ms))


def unconfirmed(since_ms: int | None, moment: Callable[[int], str], *, whose: str = "") -> str:
    """Return what `hardware.machine_clock.unconfirmed_time` says of a moment [ms since 1970, UTC], in the language of
    the site."""
    told = time_in_doubt(since_ms, whose=whose)
    said = "" if since_ms is None or since_ms < EARLIEST_SET_MS else moment(since_ms)
    return say(told, whose=whose, moment=said)


def sentence(phrase: str) -> str:
    """Return a phrase as a sentence."""
    # Translators: a clause that is made a sentence
    return say("{clause}.", clause=f"{phrase[:1].upper()}{phrase[1:]}")


def with_order(fact: str, order: str) -> str:
    """Return a fact with what to do about it, each a sentence; whoever tells it may take another order."""
    return f"{fact} {SO}{order}"


def fact_of(text: str) -> str:
    """Return a text without what to do about it."""
    return text.partition(SO)[0].rstrip()


def for_how_long(span_ms: int) -> str:
    """Return a length of time [ms] in words: `3 hours`, `2 days`."""
    hours = round(span_ms / HOUR_MS)
    if hours < 36:
        return say_many("{n} hour", "{n} hours", hours)
    return say_many("{n} day", "{n} days", round(hours / 24))


# --- times that go on ------------------------------------------------------------------------------------------------


def weekday_mark(at_ms: int) -> str:
    """Return the mark of a weekday, by `day_name`. [ms since 1970, UTC]"""
    return f"[[weekday {at_ms}]]"


def date_mark(at_ms: int) -> str:
    """Return the mark of a day: `today`, `tomorrow`, else by `day_name`. [ms since 1970, UTC]"""
    return f"[[date {at_ms}]]"


def on_mark(at_ms: int) -> str:
    """Return the mark of a day: `today`, `tomorrow`, else `on` and by `day_name`. [ms since 1970, UTC]"""
    return f"[[on {at_ms}]]"


def clock_mark(at_ms: int) -> str:
    """Return the mark of a moment, by `clock_words`. [ms since 1970, UTC]"""
    return f"[[clock {at_ms}]]"


def left_mark(at_ms: int) -> str:
    """Return the mark of how far off a day is: `today`, `1 day from now`, `9 days from now`. [ms since 1970, UTC]"""
    return f"[[left {at_ms}]]"


def lasting_mark(since_ms: int) -> str:
    """Return the mark of how long something has lasted, by `for_how_long`. [ms since 1970, UTC]"""
    return f"[[lasting {since_ms}]]"


def dry_mark(since_ms: int) -> str:
    """Return the mark of how long there has been no water; `counted_from` moves its begin. [ms since 1970, UTC]"""
    return f"[[dry {since_ms}]]"


def counted_from(text: str, water_ms: int | None) -> str:
    """Return a text whose time without water counts from the last water, where that is later. [ms since 1970, UTC]"""
    return text if water_ms is None else _DRY.sub(lambda mark: dry_mark(max(int(mark[1]), water_ms)), text)


def spoken(text: str, now_ms: int, zone: datetime.tzinfo | None) -> str:
    """Return a text with its marks filled in for a moment.

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

    return _MARK.sub(filled, text.replace(SO, ""))


def without_times(text: str) -> str:
    """Return a text with its marks emptied of their times, to compare two that differ in those only."""
    return _MARK.sub(r"[[\1]]", text)


def _lasting(at: datetime.datetime, now: datetime.datetime) -> str:
    return for_how_long(round((now - at).total_seconds() * 1000))


def _date(at: datetime.datetime, now: datetime.datetime) -> str:
    return _near(at, now) or day_name(at.date(), now.date())


def _near(at: datetime.datetime, now: datetime.datetime) -> str:
    days = (at.date() - now.date()).days
    return say("today") if days == 0 else say("tomorrow") if days == 1 else ""


def _left(at: datetime.datetime, now: datetime.datetime) -> str:
    days = (at.date() - now.date()).days
    if days < 0:
        # Translators: of a day: "by 12 Oct, which has passed"
        return say("which has passed")
    # Translators: of a day: "by 12 Oct, 3 days from now"
    return say("today") if days == 0 else say_many("{n} day from now", "{n} days from now", days)


def _on(at: datetime.datetime, now: datetime.datetime) -> str:
    # Translators: of a day: "is booked on Thursday 12 Oct"
    return _near(at, now) or say("on {day}", day=day_name(at.date(), now.date()))


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
