"""The notification policy: one digest each morning, quiet at night, and few interruptions.

Pure functions from the events not yet reported to a person, the messages before, people's marks and the time to the
messages due. The caller stores them before sending, so that a message has one id and one text however often it is
tried. Machines get every event at once and do not pass through here.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from pipeline.advice.phrases import spoken, without_times
from pipeline.alerts.model import CLOSED, OPENED, Manner
from pipeline.alerts.runner import RULES
from pipeline.alerts.surface import FROST_AT_DAWN
from pipeline.alerts.water import WATER_RUNNING
from pipeline.plan.digest import PlanNews
from pipeline.site.ground import Site
from pipeline.site.server import NotificationPolicy
from pipeline.texts import day_words, in_a_row, later, say, say_many, short_weekday
from pipeline.units import DAY_MS, HOUR_MS, MINUTE_MS

SUBJECT_CHARACTERS = 100


@dataclass(frozen=True, slots=True)
class News:
    """An alert event as it is reported to people.

    Attributes
    ----------
    id, alert_id : str
        Of the event and of its alert.
    kind : str
        `opened`, `repeated` or `closed`.
    rule : str
    text : str
        One plain line that begins with the place and a colon; it may hold marks of `phrases`.
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
    """Return the lines of some events, each with the last event it stands for.

    Of one alert the last event counts: an alert that opened and closed is reported as over, with its start. Places with
    the same text share a line.

    Parameters
    ----------
    news : iterable of News
        In the order of the lines; events of one alert in order of time.
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
        words = without_times(last.text.partition(": ")[2] or last.text)
        alike.setdefault((last.rule, last.kind, words, last.kind == CLOSED and len(told) > 1), []).append(last)
    return [(lasts[0], _line(lasts, here, whole=several)) for (*_, several), lasts in alike.items()]


def opening_words(line: str) -> str:
    """Return the first sentence of a line, cut at a word where it is too long for a subject."""
    sentence = line.partition(". ")[0].rstrip(".")
    if len(sentence) <= SUBJECT_CHARACTERS:
        return sentence
    return sentence[:SUBJECT_CHARACTERS].rpartition(" ")[0].rstrip(",;:") + " ..."


def when_words(here: datetime) -> str:
    """Return a date as `Tue 24 Nov`."""
    return say("{weekday} {date}", weekday=short_weekday(here), date=day_words(here))


def _line(alike: list[News], here: datetime, *, whole: bool) -> str:
    """Return one line for events of the same text at one place or several; `whole` when more than the last is new."""
    split = [n.text.partition(": ") for n in alike]
    places = dict.fromkeys(place for place, colon, _ in split if colon)
    first = min(alike, key=lambda n: n.since_ms)
    words = spoken(first.text.partition(": ")[2] or first.text, round(here.timestamp() * 1000), here.tzinfo)
    began = _moment(first.since_ms, here)
    if alike[0].kind != CLOSED:
        # Translators: since when an alert holds: a moment, as in "Tue 24 Nov, 06:30"
        words = " ".join([words, say("Since {moment}.", moment=began)])
    elif whole:
        # Translators: of an alert that has opened and closed; words are what is said of its closing
        words = say("came and went. It began {moment}. Now: {words}", moment=began, words=words)
    return f"{'; '.join(places)}: {words}" if places else words


def _moment(at_ms: int, here: datetime) -> str:
    at = datetime.fromtimestamp(at_ms / 1000, here.tzinfo)
    clock = f"{at:%H:%M}"
    # Translators: a moment of another day, as in "Tue 24 Nov, 06:30"
    return clock if at.date() == here.date() else say("{day}, {clock}", day=when_words(at), clock=clock)


RUNNING, FROST = WATER_RUNNING.name, FROST_AT_DAWN.name
URGENT = {rule.name for rule in RULES if rule.manner is Manner.URGENT}  # may wake somebody up
# What is to be done before the next morning; everything else loses nothing by waiting for the digest.
INTERRUPTING = {rule.name for rule in RULES if rule.manner is not Manner.DIGEST}

# How long things wait: common practice, no source.
SOON_MS = 2 * HOUR_MS  # an interruption so shortly before the digest waits for it
FROST_SOON_MS = 30 * MINUTE_MS
FROST_WAIT_MS = 14 * HOUR_MS  # frost beyond the budget waits for a digest so near (from the evening on), else it goes
STALE_MS = 6 * HOUR_MS  # an urgent message that could not be sent for so long wakes nobody up any more
DIGEST, INTERRUPTION, LOUDER = "digest", "interruption", "louder"


@dataclass(frozen=True, slots=True)
class SentMessage:
    """A message made before: kind, time [ms since 1970, UTC], the alerts and the states of plans it was about."""

    kind: str
    at_ms: int
    alerts: tuple[str, ...] = ()
    states: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Marks:
    """Alerts by id that somebody has seen or snoozed for now, and those marked wrong."""

    muted: frozenset[str] = frozenset()
    wrong: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Message:
    """A message to a person.

    Attributes
    ----------
    id : str
        Of a digest made of site and local date, of others of their events: the same however often it is sent.
    at_ms : int
        When it was made. [ms since 1970, UTC]
    kind : str
        `digest`, `interruption`, or `louder`: water that is still running, said again.
    urgent : bool
        May go in quiet hours.
    subject : str
        One plain line.
    lines : tuple of str
        Where, what, since, so what, by when.
    news, alerts : tuple of str
        Ids of the events it tells, and of their alerts.
    states : tuple of str
        Keys of the states of plans it tells.
    """

    id: str
    at_ms: int
    kind: str
    urgent: bool
    subject: str
    lines: tuple[str, ...]
    news: tuple[str, ...] = ()
    alerts: tuple[str, ...] = ()
    states: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Due:
    """The messages to send now, and the events that need none.

    Attributes
    ----------
    messages : tuple of Message
        To be sent, in this order.
    dropped : tuple of str
        Ids of events that need no message: their alert is marked, or the frost is over.
    digest_date : str
        Local date whose digest is done with, sent or empty; no text while it is not.
    """

    messages: tuple[Message, ...] = ()
    dropped: tuple[str, ...] = ()
    digest_date: str = ""


def due(
    site: Site,
    policy: NotificationPolicy,
    news: Sequence[News],
    past: Iterable[SentMessage],
    last_digest: str,
    now_ms: int,
    *,
    marks: Marks | None = None,
    plans: Sequence[PlanNews] = (),
    waiting: bool = False,
) -> Due:
    """Return the messages due to one person.

    Parameters
    ----------
    site : Site
    policy : NotificationPolicy
    news : sequence of News
        Not yet reported to this person, in order of time.
    past : iterable of SentMessage
        Messages made for this person in the last two months, at least: a state of a plan is told again only when it
        has changed, a caution of its month once in it.
    last_digest : str
        Local date of the last digest, empty before the first.
    now_ms : int
        [ms since 1970, UTC]
    marks : Marks, optional
    plans : sequence of PlanNews
        States that the plans are in: a digest tells those that it has not told of their subject before.
    waiting : bool
        Whether a message to this person is still waiting to be sent: then only running water is reported, and the rest
        together later.

    Returns
    -------
    Due
    """
    marks = Marks() if marks is None else marks
    here = datetime.fromtimestamp(now_ms / 1000, ZoneInfo(site.timezone))
    sent = list(past)
    thawed = {n.alert_id for n in news if n.rule == FROST and n.kind == CLOSED}  # nobody can act on it any more
    dropped = tuple(n.id for n in news if n.alert_id in thawed or _unwanted(n, marks))
    kept = [n for n in news if n.alert_id not in thawed and not _unwanted(n, marks)]
    over = {n.alert_id for n in kept if n.kind == CLOSED}  # interrupts nobody: the digest tells that it came and went
    running = [n for n in kept if n.rule == RUNNING and n.alert_id not in over]
    rest = [n for n in kept if n not in running]
    messages: list[Message] = []
    if _gathered(running, policy, now_ms):
        messages.append(_running(running, sent, here, now_ms))
    digest_date = ""
    if not waiting and _digest_due(here, policy, last_digest):
        digest_date = here.date().isoformat()
        fresh = _untold(plans, sent)
        if rest or fresh or policy.digest_when_empty:
            messages.append(_digest(site, rest, fresh, here, now_ms))
    elif not waiting:
        lasting = [n for n in rest if n.alert_id not in over]
        pressing = _interrupting(lasting, sent, here, policy, last_digest, now_ms)
        if _gathered(pressing, policy, now_ms):
            messages.append(_interruption(pressing, here, now_ms))
    return Due(tuple(messages), dropped, digest_date)


def _untold(plans: Sequence[PlanNews], past: Sequence[SentMessage]) -> list[PlanNews]:
    """Return the states of plans that were not the last told of their subject."""
    told = dict(key.split("=", 1) for message in past for key in message.states)
    return [one for one in plans if told.get(one.subject) != one.state]


def may_go(message: Message, policy: NotificationPolicy, timezone: str, now_ms: int) -> bool:
    """Return whether a message may be sent now: not in quiet hours, unless it is urgent and recent."""
    if message.urgent and now_ms - message.at_ms < STALE_MS:
        return True
    return not _quiet(policy, _minute(datetime.fromtimestamp(now_ms / 1000, ZoneInfo(timezone))))


def digest_date_at_first(policy: NotificationPolicy, timezone: str, now_ms: int) -> str:
    """Return the last digest of a new recipient: today's if its time is past, else none."""
    here = datetime.fromtimestamp(now_ms / 1000, ZoneInfo(timezone))
    return here.date().isoformat() if _minute(here) >= policy.digest_at_min else ""


def in_season(policy: NotificationPolicy, month: int) -> bool:
    """Return whether a month, January 1, is in the season."""
    first, last = policy.season
    return first <= month <= last if first <= last else month >= first or month <= last


def _quiet(policy: NotificationPolicy, minute: int) -> bool:
    """Return whether a minute after midnight is in the quiet hours."""
    if policy.quiet_from_min <= policy.quiet_until_min:
        return policy.quiet_from_min <= minute < policy.quiet_until_min
    return minute >= policy.quiet_from_min or minute < policy.quiet_until_min


def _unwanted(news: News, marks: Marks) -> bool:
    return news.alert_id in marks.wrong or (news.alert_id in marks.muted and news.kind != CLOSED)


def _minute(here: datetime) -> int:
    return here.hour * 60 + here.minute


def _gathered(news: Sequence[News], policy: NotificationPolicy, now_ms: int) -> bool:
    """Return whether the oldest event has waited `gather_min` for others."""
    return bool(news) and now_ms - min(n.seen_ms for n in news) >= policy.gather_min * MINUTE_MS


def asks_plans(policy: NotificationPolicy, timezone: str, last_digest: str, now_ms: int) -> bool:
    """Return whether a digest is due, which tells what the plans are. [ms since 1970, UTC]"""
    return _digest_due(datetime.fromtimestamp(now_ms / 1000, ZoneInfo(timezone)), policy, last_digest)


def _digest_due(here: datetime, policy: NotificationPolicy, last_digest: str) -> bool:
    """Return whether the digest is due: once a local date, also where the clock skips or repeats its hour."""
    minute = _minute(here)
    return not _quiet(policy, minute) and minute >= policy.digest_at_min and _owed(here.date(), last_digest)


def _owed(today: date, last_digest: str) -> bool:
    """Return whether the digest of a date is not made yet. A date beyond tomorrow came from a wrong clock and is
    ignored."""
    tomorrow = (today + timedelta(days=1)).isoformat()
    return not today.isoformat() <= last_digest <= tomorrow


def _next_digest_ms(here: datetime, policy: NotificationPolicy, last_digest: str, now_ms: int) -> int:
    """Return the time until the next digest. [ms]"""
    at = divmod(policy.digest_at_min, 60)
    today = here.date()
    later = _minute(here) >= policy.digest_at_min or not _owed(today, last_digest)
    day = today + timedelta(days=1) if later else today
    then = datetime(day.year, day.month, day.day, *at, tzinfo=here.tzinfo)
    return round(then.timestamp() * 1000) - now_ms


def _interrupting(
    news: Sequence[News],
    past: Sequence[SentMessage],
    here: datetime,
    policy: NotificationPolicy,
    last_digest: str,
    now_ms: int,
) -> list[News]:
    """Return the events that cannot wait for the digest, as far as the policy allows."""
    digest_ms = _next_digest_ms(here, policy, last_digest, now_ms)
    quiet, budget = _quiet(policy, _minute(here)), _budget_left(past, here, policy, now_ms)
    found = []
    for one in news:
        if one.kind != OPENED or one.rule not in INTERRUPTING:
            continue
        if one.rule == FROST:
            goes = digest_ms > FROST_SOON_MS and (budget or digest_ms > FROST_WAIT_MS)
        else:
            goes = budget and not quiet and digest_ms > SOON_MS
        if goes:
            found.append(one)
    return found


def _budget_left(past: Sequence[SentMessage], here: datetime, policy: NotificationPolicy, now_ms: int) -> bool:
    if in_season(policy, here.month):
        most, span_ms = policy.interruptions_a_week, 7 * DAY_MS
    else:
        most, span_ms = policy.off_season_interruptions_a_fortnight, 14 * DAY_MS
    return sum(p.kind == INTERRUPTION and p.at_ms > now_ms - span_ms for p in past) < most


def _message(kind: str, news: Sequence[News], subject: str, lines: Sequence[str], at_ms: int, *, name: str) -> Message:
    alerts = tuple(dict.fromkeys(n.alert_id for n in news))
    urgent = kind != DIGEST and any(n.rule in URGENT for n in news)
    return Message(name, at_ms, kind, urgent, subject, tuple(lines), tuple(n.id for n in news), alerts)


def _name(news: Sequence[News]) -> str:
    return "news-" + hashlib.sha256("|".join(sorted(n.id for n in news)).encode()).hexdigest()[:24]


def _running(news: Sequence[News], past: Sequence[SentMessage], here: datetime, now_ms: int) -> Message:
    """Return the message about water left running: plain the first time, numbered warnings after it."""
    alerts = {n.alert_id for n in news}
    before = sum(p.kind in (INTERRUPTION, LOUDER) and bool(alerts & set(p.alerts)) for p in past)
    lines = [line for _, line in grouped(news, here)]
    first = opening_words(lines[0])
    # Translators: subjects of a mail, here and below; line is the first of it
    told = later("WATER STILL RUNNING, warning {n}: {line}") if before else later("Water left running? {line}")
    subject = say(told, n=before + 1, line=first)
    return _message(LOUDER if before else INTERRUPTION, news, subject, lines, now_ms, name=_name(news))


def _interruption(news: Sequence[News], here: datetime, now_ms: int) -> Message:
    lines = [line for _, line in _in_order(news, here)]
    return _message(INTERRUPTION, news, _first_and_more(lines), lines, now_ms, name=_name(news))


def _first_and_more(lines: Sequence[str]) -> str:
    """Return the first of some lines in short, and how many there are beside it."""
    first, more = opening_words(lines[0]), len(lines) - 1
    return say_many("{line} (and {n} more)", "{line} (and {n} more)", more, line=first) if more else first


def _digest(site: Site, news: Sequence[News], plans: Sequence[PlanNews], here: datetime, now_ms: int) -> Message:
    told = _in_order(news, here)
    over = sum(last.kind == CLOSED for last, _ in told)
    urgent = sum(last.rule in URGENT and last.kind != CLOSED for last, _ in told)
    lines = [line for _, line in told]
    lines[urgent:urgent] = [one.text for one in plans]
    if not lines:
        lines = [say("No alert has come, gone or changed since the last digest.")]
        what = say("nothing new")
    elif len(lines) == 1 or urgent:
        what = _first_and_more(lines)
    else:
        known = len(lines) - over
        # Translators: in the subject of a digest: alerts that are news, and alerts that have ended
        counts = [say_many("{n} to know", "{n} to know", known)] * (known > 0)
        counts += [say_many("{n} over", "{n} over", over)] * (over > 0)
        what = in_a_row(counts)
    # Translators: the subject of a digest: "Meadow, Tue 24 Nov: nothing new"
    subject = say("{site}, {day}: {what}", site=site.title, day=when_words(here), what=what)
    name = f"digest-{site.name}-{here.date().isoformat()}"
    further = {one.text: one.further for one in plans}
    lines = [each for line in lines for each in (line, *further.get(line, ()))]
    return replace(_message(DIGEST, news, subject, lines, now_ms, name=name), states=tuple(one.key for one in plans))


def _in_order(news: Sequence[News], here: datetime) -> list[tuple[News, str]]:
    """Return the lines, urgent ones first, then interrupting ones, then the rest; probe faults and closings last."""

    def rank(told: tuple[News, str]) -> int:
        last = told[0]
        if last.kind == CLOSED:
            return 4
        if last.rule in URGENT:
            return 0
        return 1 if last.rule in INTERRUPTING else 3 if last.rule == "probe_fault" else 2

    return sorted(grouped(news, here), key=rank)
