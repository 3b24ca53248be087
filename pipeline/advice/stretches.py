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
    doing_of,
    is_likely,
    stretches,
    when,
)
from pipeline.advice.windows import Outlook, Window


def pass_words(one: PassAdvice) -> str:
    """Return a pass by its name and depth: `scarifying to 8 mm`."""
    intent = one.outlook.intent
    return doing_of(one.outlook.facts, intent.variant) + (
        f" to {intent.depth_m * 1000:.0f} mm" if intent.depth_m > 0.0 else ""
    )


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
        return f"Better: {span_words(better, outlook, zone)}."
    opens = outlook.windows[0].opens
    return f"No better day is in sight. What would open it: {opens}." if opens else "No better day is in sight."


def span_words(stretch: Stretch, outlook: Outlook, zone: datetime.tzinfo) -> str:
    """Return a stretch in words: `now to Fri 15:00`, `Fri 8:00 to 19:00`, `now and as far as can be seen`."""
    begun = stretch.first is outlook.windows[0]
    start, end = (
        datetime.datetime.fromtimestamp(at / 1000, zone) for at in (stretch.span.start_ms, stretch.span.end_ms)
    )
    begin = "now" if begun else when(stretch.span.start_ms, outlook, zone)
    if is_last(stretch, outlook):
        return f"{begin} and as far as can be seen" if begun else f"{begin} on"
    same = start.date() == end.date() and not begun
    return f"{begin} to {f'{end.hour}:{end.minute:02d}' if same else when(stretch.span.end_ms, outlook, zone)}"


def until_words(stretch: Stretch, outlook: Outlook, zone: datetime.tzinfo) -> str:
    """Return until when a stretch lasts, and what ends it: `till Fri 15:00, then soil too dry`."""
    if is_last(stretch, outlook):
        return "as far as can be seen"
    return f"till {when(stretch.span.end_ms, outlook, zone)}, {after_words(stretch, outlook)}"


def is_last(stretch: Stretch, outlook: Outlook) -> bool:
    """Return whether a stretch lasts as long as anything is known."""
    following = _next(stretch, outlook.windows)
    return following is None or following.verdict is Verdict.UNKNOWN


def after_words(stretch: Stretch, outlook: Outlook) -> str:
    """Return what ends a stretch: `then soil too dry`."""
    following = _next(stretch, outlook.windows)
    if following is None or following.verdict is Verdict.UNKNOWN:
        return "no more is known"
    if following.verdict is Verdict.OPEN and following.override is None:
        return "then likelier" if is_likely(following) else "then less likely than not"
    return f"then {following.reason}"


def _next(stretch: Stretch, windows: Sequence[Window]) -> Window | None:
    return next((w for w in windows if w.span.start_ms >= stretch.span.end_ms), None)
