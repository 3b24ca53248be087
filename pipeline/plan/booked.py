"""What is made of a booked pass by the window of its hour: go, in doubt, wait, do not, or that nobody can tell.

With the reason, and the nearest better time. It reads what is advised and decides nothing of its own.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from pipeline.advice.conditions import Verdict
from pipeline.advice.report import PassAdvice, Stretch, alike, is_likely, stretches, when
from pipeline.advice.stretches import better_than, better_words, until_words
from pipeline.forecast.wetness import in_ten
from pipeline.texts import later, say
from pipeline.units import TimeSpan

WORDS = {
    "go": later("Go,"),
    "in_doubt": later("In doubt:"),
    "wait": later("Wait:"),
    "do_not": later("Do not:"),
    "cannot_tell": later("Cannot tell:"),
    "too_early": later("Too early to tell:"),
}
_OF_WINDOW = {Verdict.CLOSED: "do_not", Verdict.WAIT: "wait", Verdict.UNKNOWN: "cannot_tell"}


@dataclass(frozen=True)
class Judgement:
    """What is made of a booking.

    Attributes
    ----------
    verdict : str
        One of `WORDS`.
    clause : str
        What follows its word: why, until when, when instead.
    better : TimeSpan or None
        The nearest better time, where it is not good as it is and one is in sight.
    advised : PassAdvice or None
        What it is judged by; None where this pass is not judged here, or nothing recent tells.
    """

    verdict: str
    clause: str
    better: TimeSpan | None = None
    advised: PassAdvice | None = None

    @property
    def word(self) -> str:
        """Return its verdict as a clause begins."""
        return say(WORDS[self.verdict])

    @property
    def is_barred(self) -> bool:
        """Return whether it must not be done then."""
        return self.verdict == "do_not"


def judged_by(one: PassAdvice, at_ms: int, zone: datetime.tzinfo) -> Judgement:
    """Return what is made of a booking of a pass at a moment, by what is advised of it. [ms since 1970, UTC]"""
    windows, outlook = one.outlook.windows, one.outlook
    on = _day(at_ms, zone)
    that_day = [w for w in windows if _day(w.span.start_ms, zone) <= on <= _day(w.span.end_ms - 1, zone)]
    if not that_day:
        if windows and at_ms < windows[0].span.start_ms:
            return Judgement("cannot_tell", say("that time is past."), None, one)
        ends = when(windows[-1].span.end_ms, outlook, zone)
        return Judgement("too_early", say("what is known ends {when}.", when=ends), None, one)
    window = next((w for w in that_day if at_ms < w.span.end_ms), that_day[-1])
    if window.verdict is Verdict.OPEN:
        stretch = next(s for s in stretches(windows) if window in s.windows)
        stretch = alike(Stretch(stretch.span, window, stretch.windows[stretch.windows.index(window) :]))
        if window.override is not None:
            clause = say("on the word of {who}, against: {why}.", who=window.override.author, why=window.reason)
            return Judgement("go", clause, None, one)
        if is_likely(window):
            return Judgement("go", say("{clause}.", clause=until_words(stretch, outlook, zone)), None, one)
        instead = better_words(outlook, zone)
        clause = say("open {chance} only. {instead}", chance=in_ten(window.chance or 0.0), instead=instead)
        return Judgement("in_doubt", clause, _better(one), one)
    clause = " ".join([say("{clause}.", clause=window.every_reason), better_words(outlook, zone)])
    return Judgement(_OF_WINDOW[window.verdict], clause, _better(one), one)


def _day(at_ms: int, zone: datetime.tzinfo) -> datetime.date:
    return datetime.datetime.fromtimestamp(at_ms / 1000, zone).date()


def _better(one: PassAdvice) -> TimeSpan | None:
    better = better_than(one.outlook)
    return None if better is None else better.span
