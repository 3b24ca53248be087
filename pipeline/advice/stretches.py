"""The outlook of a pass in words: the pass itself, a stretch that is open, what ends it, when to make it instead.

Pure. A stretch is spoken of as far as it is all likely, or all less likely than not.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence

from pipeline.advice.conditions import Verdict
from pipeline.advice.report import (
    LEAST_OPEN_H,
    LIKELY,
    PassAdvice,
    Stretch,
    alike,
    chance_of,
    is_likely,
    pass_of,
    stretches,
    when,
)
from pipeline.advice.windows import Outlook, Window
from pipeline.texts import later, say


def pass_words(one: PassAdvice) -> str:
    """Return a pass by its name and depth: `scarifying to 8 mm`."""
    return pass_of(one.outlook)


def likely_stretch(stretch: Stretch) -> bool:
    """Return whether a stretch is not less likely than not; on somebody's word the chance does not count."""
    chance = chance_of(stretch)
    return chance is None or chance >= LIKELY or stretch.first.override is not None


def openings(outlook: Outlook) -> list[Stretch]:
    """Return what is open now, what is open on somebody's word, and what is open long enough to send a machine for."""
    return [
        one
        for number, one in enumerate(stretches(outlook.windows))
        if one.first.verdict is Verdict.OPEN
        and (number == 0 or one.first.override is not None or one.hours >= LEAST_OPEN_H)
    ]


def better_than(outlook: Outlook) -> Stretch | None:
    """Return the first opening that is likely; None where none is in sight."""
    return next((one for each in openings(outlook) if likely_stretch(one := alike(each))), None)


def better_words(outlook: Outlook, zone: datetime.tzinfo) -> str:
    """Return when to make a pass instead, as a sentence: the first likely opening, else what would open it."""
    better = better_than(outlook)
    if better is not None:
        # Translators: span is a stretch of hours: "Fri 8:00 to 19:00"
        return say("Better: {span}.", span=span_words(better, outlook, zone))
    opens = outlook.windows[0].opens
    told = later("No better day is in sight. What would open it: {opens}.") if opens else later(
        "No better day is in sight."
    )  # fmt: skip
    return say(told, opens=opens)


def span_words(stretch: Stretch, outlook: Outlook, zone: datetime.tzinfo) -> str:
    """Return a stretch in words: `now to Fri 15:00`, `Fri 8:00 to 19:00`, `now and as far as can be seen`."""
    begun = stretch.first is outlook.windows[0]
    start, end = (
        datetime.datetime.fromtimestamp(at / 1000, zone) for at in (stretch.span.start_ms, stretch.span.end_ms)
    )
    begin = say("now") if begun else when(stretch.span.start_ms, outlook, zone)
    if is_last(stretch, outlook):
        # Translators: from Fri 8:00 on
        return say("now and as far as can be seen") if begun else say("{moment} on", moment=begin)
    same = start.date() == end.date() and not begun
    until = f"{end.hour}:{end.minute:02d}" if same else when(stretch.span.end_ms, outlook, zone)
    # Translators: two moments, as in "Thu 9:00 to Fri 12:00"
    return say("{start} to {end}", start=begin, end=until)


def until_words(stretch: Stretch, outlook: Outlook, zone: datetime.tzinfo) -> str:
    """Return until when a stretch lasts, and what ends it: `till Fri 15:00, then soil too dry`."""
    if is_last(stretch, outlook):
        return say("as far as can be seen")
    # Translators: until when a pass is open, and what ends it: "till Fri 15:00, then soil too dry"
    return say("till {end}, {then}", end=when(stretch.span.end_ms, outlook, zone), then=after_words(stretch, outlook))


def is_last(stretch: Stretch, outlook: Outlook) -> bool:
    """Return whether a stretch lasts as long as anything is known."""
    following = _next(stretch, outlook.windows)
    return following is None or following.verdict is Verdict.UNKNOWN


def after_words(stretch: Stretch, outlook: Outlook) -> str:
    """Return what ends a stretch: `then soil too dry`."""
    following = _next(stretch, outlook.windows)
    if following is None or following.verdict is Verdict.UNKNOWN:
        return say("no more is known")
    if following.verdict is Verdict.OPEN and following.override is None:
        return say("then likelier") if is_likely(following) else say("then less likely than not")
    return say("then {reason}", reason=following.reason)


def _next(stretch: Stretch, windows: Sequence[Window]) -> Window | None:
    return next((w for w in windows if w.span.start_ms >= stretch.span.end_ms), None)
