"""News put into the lines of a message: what belongs to one alert in one line, the same words of several places in one.

Pure words and times; when a message goes, and to whom, is not decided here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from pipeline.advice.watch import CLOSED

SUBJECT_CHARACTERS = 100


@dataclass(frozen=True, slots=True)
class News:
    """An alert event as people are told it.

    Attributes
    ----------
    id, alert_id : str
        Of the event and of its alert.
    kind : str
        `opened`, `repeated` or `closed`.
    rule : str
    text : str
        One plain line that begins with the place and a colon.
    since_ms : int
        Since when its condition holds. [ms since 1970, UTC]
    seen_ms : int
        When whoever sends it saw it first. [ms since 1970, UTC]
    """

    id: str
    alert_id: str
    kind: str
    rule: str
    text: str
    since_ms: int
    seen_ms: int


def grouped(news: Iterable[News], here: datetime) -> list[tuple[News, str]]:
    """The lines of some news, each with the last event it stands for.

    Of one alert the last word counts: an alert that came and went is told as over, with when it began. Places that say
    the very same are named in one line.

    Parameters
    ----------
    news : iterable of News
        In the order it is to be told, that of one alert in the order it came about.
    here : datetime
        Now, on the site's clock.

    Returns
    -------
    list of (News, str)
    """
    by_alert: dict[str, list[News]] = {}
    for one in news:
        by_alert.setdefault(one.alert_id, []).append(one)
    alike: dict[tuple[str, str, str, bool], list[News]] = {}
    for told in by_alert.values():
        last = next((n for n in told if n.kind == CLOSED), told[-1])
        words = last.text.partition(": ")[2] or last.text
        alike.setdefault((last.rule, last.kind, words, last.kind == CLOSED and len(told) > 1), []).append(last)
    return [(lasts[0], _line(lasts, here, whole=several)) for (*_, several), lasts in alike.items()]


def opening_words(line: str) -> str:
    """The first sentence of a line, cut at a word where it is too long for a subject."""
    sentence = line.partition(". ")[0].rstrip(".")
    if len(sentence) <= SUBJECT_CHARACTERS:
        return sentence
    return sentence[:SUBJECT_CHARACTERS].rpartition(" ")[0].rstrip(",;:") + " ..."


def when_words(here: datetime) -> str:
    """A date as people say it: `Tue 24 Nov`."""
    return f"{here:%a} {here.day} {here:%b}"


def _line(alike: list[News], here: datetime, *, whole: bool) -> str:
    """One line for news that says the same of one place or of several. `whole`: more than its last word is new."""
    split = [n.text.partition(": ") for n in alike]
    places = dict.fromkeys(place for place, colon, _ in split if colon)
    words = split[0][2] or split[0][0]
    began = _moment(min(n.since_ms for n in alike), here)
    if alike[0].kind != CLOSED:
        words = f"{words} Since {began}."
    elif whole:
        words = f"came and went. It began {began}. Now: {words}"
    return f"{'; '.join(places)}: {words}" if places else words


def _moment(at_ms: int, here: datetime) -> str:
    at = datetime.fromtimestamp(at_ms / 1000, here.tzinfo)
    return f"{at:%H:%M}" if at.date() == here.date() else f"{when_words(at)}, {at:%H:%M}"
