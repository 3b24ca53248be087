"""From the outbox to people and machines: what is due on each way is delivered, at least once, with a stable id.

Every way has its own outbox, oldest first, and its own backoff. A repeat comes only from a kill between a delivery and
its record. A receiver that is away is tried for as long as it takes; one that refuses is left after a few tries and its
answer is recorded. It runs in a thread of its own, so that a dead receiver never holds up the readings. Machines get
every alert event at once; what people get, and when, is decided by `pipeline.notify.policy`. A message to people is
stored together with the events it reports before it is first sent: a kill at any moment leaves it with the same id and
text, and no event is in two messages to one person. `try_ways` sends a test message, outside the outboxes.
"""

from __future__ import annotations

import json
import logging
import random
import threading
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from typing import Any, NamedTuple, Protocol
from zoneinfo import ZoneInfo

from pipeline.advice.phrases import sentence
from pipeline.alerts.model import CLOSED
from pipeline.errors import PipelineFault, StoreFault
from pipeline.mqtt.ingest import Ingest
from pipeline.notify.channels import (
    Address,
    LogWay,
    MqttWay,
    NotifyAway,
    NotifyRefused,
    Teller,
    Way,
    people_ways,
    webhook_way,
)
from pipeline.notify.policy import (
    INTERRUPTING,
    Due,
    Marks,
    Message,
    News,
    SentMessage,
    asks_plans,
    digest_date_at_first,
    due,
    may_go,
)
from pipeline.plan.digest import plan_news
from pipeline.plan.planner import SitePlan
from pipeline.run.backoff import Backoff
from pipeline.run.clock import Clock
from pipeline.run.metrics import Metrics
from pipeline.site.ground import Site
from pipeline.site.server import NotificationPolicy
from pipeline.site.settings import SiteConfig
from pipeline.store.diary import Diary
from pipeline.store.journal import Event, Journal
from pipeline.store.sql import Connection, SqlDatabase
from pipeline.texts import later, say, use
from pipeline.units import DAY_MS

log = logging.getLogger(__name__)

DELIVERY_RETRY_FIRST_S, DELIVERY_RETRY_MOST_S = 1.0, 300.0
REFUSED_TRIES = 5  # a receiver may be set up while we try; after that its refusal stands
REFUSED_KEPT = 50
REFUSED_KEY = "notify/refused"
EVENTS_A_STEP = 20
NOTIFY_POLL_S = 15.0  # events wake it; this is for messages that wait for a time, such as the digest
PAST_MS = 62 * DAY_MS  # of the messages before: what was told of a plan holds through two months
NEW_WAY_MS = DAY_MS  # a new recipient, person or machine, gets the events of the last day
MARKS_MS = 400 * DAY_MS
UNTOLD_MOST = 200  # events looked at for one message; in a storm the rest comes with the next one, if it can wait
KEPT_MS = 400 * DAY_MS  # messages sent longer ago are deleted
_UNTOLD = (
    "FROM event e WHERE e.number > (SELECT after FROM told_way WHERE name = ?) AND NOT EXISTS "
    "(SELECT 1 FROM event_told t WHERE t.way = ? AND t.number = e.number)"
)
CONNECT_S, LOOK_S = 10.0, 0.05  # how long a test waits for the broker, and how often it looks
TEXT = later("This is a test from Underturf. Nothing is to be done.")


def no_plan() -> SitePlan:
    """Return what is planned where nothing is advised."""
    return SitePlan(None, (), {})


class DeliveryQueue(Protocol):
    """A queue of what is to be delivered on one way."""

    def waiting(self, now_ms: int) -> Sequence[Any]:
        """Return what may be delivered now, in order; each has an `id`."""

    def taken(self, handed: Any, now_ms: int) -> None:
        """Record that the way has taken one thing, or has refused it for good."""


class EventOutbox:
    """The queue of a machine: every alert event."""

    def __init__(self, journal: Journal, way: str) -> None:
        self._journal, self._way = journal, way

    def waiting(self, now_ms: int) -> list[Event]:
        return self._journal.unsent(self._way, limit=EVENTS_A_STEP)

    def taken(self, handed: Event, now_ms: int) -> None:
        self._journal.mark_sent(handed.id, self._way, now_ms)


class Messages:
    """The stored messages of a database, beside the events they report."""

    def __init__(self, database: SqlDatabase) -> None:
        self._database = database

    def begin(self, way: str, since_ms: int, last_digest: str) -> str:
        """Return the local date of a way's last digest; a new way begins with the events since a time.

        Parameters
        ----------
        way : str
        since_ms : int
            Events before it are not reported on a new way. [ms since 1970, UTC]
        last_digest : str
            Local date of the digest a new way is taken to have had; empty for none.
        """
        with self._database.reading() as connection:
            row = connection.execute("SELECT last_digest FROM told_way WHERE name = ?", (way,)).fetchone()
        if row is not None:
            return str(row[0])
        with self._database.transaction() as tx:
            tx.execute(
                "INSERT INTO told_way SELECT ?, coalesce(max(number), 0), ? FROM event WHERE at_ms < ? "
                "ON CONFLICT DO NOTHING",
                (way, last_digest, since_ms),
            )
        return last_digest

    def begin_machine(self, way: str, since_ms: int) -> None:
        """Let a new way of a machine begin with the events since a time; one that had events before goes on.

        Parameters
        ----------
        way : str
        since_ms : int
            [ms since 1970, UTC]
        """
        with self._database.reading() as connection:
            had_some = connection.execute("SELECT 1 FROM event_sent WHERE destination = ? LIMIT 1", (way,)).fetchone()
        # one from before ways had a beginning still gets all it waits for
        self.begin(way, 0 if had_some else since_ms, "")

    def forget_others(self, ways: Sequence[str]) -> None:
        """Forget what ways have had that are in the settings no longer, and what waits for them.

        One that comes back begins as a new one does.
        """
        with self._database.transaction() as tx:
            for query in (
                "DELETE FROM told_way WHERE name",
                "DELETE FROM event_told WHERE way",
                "DELETE FROM event_sent WHERE destination",
                "DELETE FROM message WHERE sent_at_ms IS NULL AND way",
            ):
                tx.execute(f"{query} NOT IN ({', '.join('?' * (len(ways) + 1))})", ("", *ways))

    def untold(self, way: str) -> list[Event]:
        """Return events in no message to a way, and not dropped, in order of time.

        At most `UNTOLD_MOST` of all rules, and as many beyond them of those that may interrupt: what is to be done
        before the morning does not wait behind what is for the digest.
        """
        with self._database.reading() as connection:
            rows = connection.execute(
                f"SELECT e.number, e.id, e.at_ms, e.body {_UNTOLD} ORDER BY e.number LIMIT ?", (way, way, UNTOLD_MOST)
            ).fetchall()
            if len(rows) == UNTOLD_MOST:
                named = [f'%"{rule}"%' for rule in sorted(INTERRUPTING)]  # may find a few more: they are untold as well
                pressing = " OR ".join(["e.body LIKE ?"] * len(named))
                rows += connection.execute(
                    f"SELECT e.number, e.id, e.at_ms, e.body {_UNTOLD} AND e.number > ? AND ({pressing}) "
                    "ORDER BY e.number LIMIT ?",
                    (way, way, rows[-1][0], *named, UNTOLD_MOST),
                ).fetchall()
        return [Event(i, at_ms, json.loads(body)) for _, i, at_ms, body in rows]

    def past(self, way: str, since_ms: int, now_ms: int) -> list[SentMessage]:
        """Return the messages made for a way since a time until now, sent or not, the oldest first.

        Those dated later were made while the clock was ahead.
        """
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT kind, at_ms, body FROM message WHERE way = ? AND at_ms BETWEEN ? AND ? ORDER BY number",
                (way, since_ms, now_ms),
            ).fetchall()
        told = ((kind, at_ms, json.loads(body)) for kind, at_ms, body in rows)
        return [
            SentMessage(kind, at_ms, tuple(body["alerts"]), tuple(body.get("states", ()))) for kind, at_ms, body in told
        ]

    def keep(self, way: str, due: Due, now_ms: int) -> None:
        """Store what is due to a way with the events it covers, in one transaction."""
        with self._database.transaction() as tx:
            for message in due.messages:
                words = {"subject": message.subject, "lines": message.lines, "news": message.news}
                about = {"alerts": message.alerts, "states": message.states}
                body = json.dumps({**words, **about}, ensure_ascii=False)
                tx.execute(
                    "INSERT INTO message (way, id, at_ms, kind, urgent, body) VALUES (?, ?, ?, ?, ?, ?)",
                    (way, _free_id(tx, way, message.id), message.at_ms, message.kind, int(message.urgent), body),
                )
            done = [*due.dropped, *(event for message in due.messages for event in message.news)]
            tx.executemany(
                "INSERT INTO event_told SELECT ?, number FROM event WHERE id = ? ON CONFLICT DO NOTHING",
                [(way, i) for i in done],
            )
            if due.digest_date:
                tx.execute("UPDATE told_way SET last_digest = ? WHERE name = ?", (due.digest_date, way))
                _tidy(tx, way, now_ms)

    def waiting(self, way: str) -> list[Message]:
        """Return the messages to a way that are not delivered: urgent ones first, then the oldest."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT id, at_ms, kind, urgent, body FROM message "
                "WHERE way = ? AND sent_at_ms IS NULL ORDER BY urgent DESC, number",
                (way,),
            ).fetchall()
        return [_message(*row) for row in rows]

    def mark_sent(self, message_id: str, way: str, at_ms: int) -> None:
        """Record that a message is delivered; after a kill before this it is sent again unchanged."""
        with self._database.transaction() as tx:
            tx.execute(
                "UPDATE message SET sent_at_ms = ? WHERE way = ? AND id = ? AND sent_at_ms IS NULL",
                (at_ms, way, message_id),
            )


def _free_id(tx: Connection, way: str, wanted: str) -> str:
    """Return the id, with a number behind it where a clock set back has repeated the day."""
    query = "SELECT id FROM message WHERE way = ? AND id >= ? AND id < ?"
    taken = {i for (i,) in tx.execute(query, (way, wanted, f"{wanted}."))}  # a dot comes next after -
    return next(i for i in (wanted, *(f"{wanted}-{k}" for k in range(2, len(taken) + 3))) if i not in taken)


def _tidy(tx: Connection, way: str, now_ms: int) -> None:
    """Move `after` to the first event still to be reported, so that no query reads all past events."""
    tx.execute(
        f"UPDATE told_way SET after = coalesce((SELECT min(e.number) - 1 {_UNTOLD}), "
        "(SELECT max(number) FROM event), after) WHERE name = ?",
        (way, way, way),
    )
    tx.execute(
        "DELETE FROM event_told WHERE way = ? AND number <= (SELECT after FROM told_way WHERE name = ?)", (way, way)
    )
    tx.execute("DELETE FROM message WHERE way = ? AND sent_at_ms < ?", (way, now_ms - KEPT_MS))


def _message(message_id: str, at_ms: int, kind: str, urgent: int, body: str) -> Message:
    told = json.loads(body)
    words = (told["subject"], tuple(told["lines"]), tuple(told["news"]), tuple(told["alerts"]))
    return Message(message_id, at_ms, kind, bool(urgent), *words, tuple(told.get("states", ())))


class MessageOutbox:
    """The queue of a person: messages by the policy, each stored before it is first tried.

    Parameters
    ----------
    messages : Messages
    way : str
    site : Site
    policy : NotificationPolicy
    marks : callable
        Return people's marks as of a time. [ms since 1970, UTC]
    doubts : callable
        Return phrases for the end of each message: what is in doubt of the time.
    plan : callable
        Return the plan of the site: the words of its open alerts, and what a digest tells of it.
    address : str, optional
        Where the pages are: each message ends with the addresses of what it tells there.
    """

    def __init__(
        self,
        messages: Messages,
        way: str,
        site: Site,
        policy: NotificationPolicy,
        marks: Callable[[int], Marks],
        *,
        doubts: Callable[[], Sequence[str]] = tuple,
        plan: Callable[[], SitePlan] = no_plan,
        address: str | None = None,
    ) -> None:
        self._messages, self._way, self._site, self._plan = messages, way, site, plan
        self._address = address
        self._policy, self._marks, self._doubts = policy, marks, doubts
        self._seen_ms: dict[str, int] = {}

    def waiting(self, now_ms: int) -> list[Message]:
        before = self._messages.waiting(self._way)
        if self._compose(now_ms, waiting=any(not m.urgent for m in before)):
            before = self._messages.waiting(self._way)
        return [m for m in before if may_go(m, self._policy, self._site.timezone, now_ms)]

    def taken(self, handed: Message, now_ms: int) -> None:
        self._messages.mark_sent(handed.id, self._way, now_ms)

    def _compose(self, now_ms: int, *, waiting: bool) -> bool:
        """Store the messages that are due; return whether there were any."""
        first = digest_date_at_first(self._policy, self._site.timezone, now_ms)
        last_digest = self._messages.begin(self._way, now_ms - NEW_WAY_MS, first)
        untold = self._messages.untold(self._way)
        self._seen_ms = {e.id: self._seen_ms.get(e.id, now_ms) for e in untold}
        is_due = asks_plans(self._policy, self._site.timezone, last_digest, now_ms)
        plan = no_plan()
        if untold or is_due:
            with suppress(StoreFault):  # the series are away: events are told in their own words
                plan = self._plan()
        texts = {alert: text for each in plan.surfaces.values() for alert, text in each.texts.items()}
        news = [_news(event, self._seen_ms[event.id], texts) for event in untold]
        zone = ZoneInfo(self._site.timezone)
        states = [one for each in plan.surfaces.values() for one in plan_news(each, now_ms, zone)]
        past = self._messages.past(self._way, now_ms - PAST_MS, now_ms)
        found = due(
            self._site,
            self._policy,
            news,
            past,
            last_digest,
            now_ms,
            marks=self._marks(now_ms),
            plans=states,
            waiting=waiting,
        )
        doubts = [*map(sentence, self._doubts())] if found.messages else []
        found = replace(found, messages=tuple(replace(m, lines=(*m.lines, *doubts)) for m in found.messages))
        if found.messages or found.dropped or found.digest_date:
            self._messages.keep(self._way, replace(found, messages=tuple(map(self._as_read, found.messages))), now_ms)
        return bool(found.messages)

    def _as_read(self, message: Message) -> Message:
        """The message with units and dates as people at the site read them."""
        text = self._site.units.text
        links = () if self._address is None else links_of(message, self._address)
        return replace(message, subject=text(message.subject), lines=(*map(text, message.lines), *links))


PLACES = (("booked/", "/work#booked"), ("water/", "/work#water"))  # of the states of plans, by how their subjects begin


def links_of(message: Message, address: str) -> tuple[str, ...]:
    """Return where the pages have what a message tells: its alert, or all of them, the booked work, tonight's water.

    Parameters
    ----------
    message : Message
    address : str
        Of the pages, without a path.
    """
    alerts = [f"/alerts#alert-{message.alerts[0]}" if len(message.alerts) == 1 else "/alerts"] if message.alerts else []
    plans = [path for subject, path in PLACES if any(state.startswith(subject) for state in message.states)]
    return tuple(f"{address}{path}" for path in (*alerts, *plans) or ("/",))


def marks_in(diary: Diary, now_ms: int) -> Marks:
    """Return people's marks: of each alert the last one, a snooze until its end."""
    last = {
        str(e.body["alert"]): (e.body["mark"], e.end_ms)
        for e in diary.entries(("mark",), now_ms - MARKS_MS, now_ms + 1)
    }
    muted = {a for a, (mark, end_ms) in last.items() if mark == "seen" or _snoozed(mark, end_ms, now_ms)}
    return Marks(frozenset(muted), frozenset(a for a, (mark, _) in last.items() if mark == "wrong"))


def _snoozed(mark: object, end_ms: int | None, now_ms: int) -> bool:
    return mark == "snoozed" and end_ms is not None and now_ms < end_ms


def _news(event: Event, seen_ms: int, texts: Mapping[str, str]) -> News:
    """Return an event as it is reported: of an alert that is open, in the words of the plan."""
    body = event.body
    since_ms, alert, kind = body.get("since_ms"), str(body.get("alert_id") or event.id), str(body.get("kind", ""))
    own = str(body.get("words") or body.get("text", ""))
    return News(
        id=event.id,
        alert_id=alert,
        kind=kind,
        rule=str(body.get("rule", "")),
        text=own if kind == CLOSED else texts.get(alert, own),
        since_ms=since_ms if isinstance(since_ms, int) else event.at_ms,
        seen_ms=seen_ms,
    )


class _DeliveryLine:
    """One way with a backoff of its own, so that a dead webhook does not hold up the log."""

    def __init__(self, way: Way[Any], outbox: DeliveryQueue, rng: random.Random) -> None:
        self.way, self.outbox = way, outbox
        self.backoff = Backoff(DELIVERY_RETRY_FIRST_S, DELIVERY_RETRY_MOST_S, rng)
        self.not_before = 0.0
        self.refusals: Counter[str] = Counter()  # by the id of what was refused
        self.away = ""


class Notifier:
    """Delivers what the queues hold.

    Parameters
    ----------
    journal : Journal
        Where refusals are recorded.
    ways : sequence of (Way, DeliveryQueue)
    metrics : Metrics
    clock : Clock
    rng : random.Random
        Jitter of the waits.
    """

    def __init__(
        self,
        journal: Journal,
        ways: Sequence[tuple[Way[Any], DeliveryQueue]],
        metrics: Metrics,
        clock: Clock,
        *,
        rng: random.Random | None = None,
    ) -> None:
        rng = random.Random() if rng is None else rng
        self._journal, self._metrics, self._clock = journal, metrics, clock
        self._lines = [_DeliveryLine(way, outbox, rng) for way, outbox in ways]
        self._news = threading.Event()
        self._away = ""
        metrics.limits({"notify_refused_tries": REFUSED_TRIES, "notify_retry_seconds": DELIVERY_RETRY_MOST_S})

    @classmethod
    def from_config(
        cls,
        config: SiteConfig,
        journal: Journal,
        diary: Diary,
        teller: Teller,
        metrics: Metrics,
        clock: Clock,
        *,
        doubts: Callable[[], Sequence[str]] = tuple,
        plan: Callable[[], SitePlan] = no_plan,
    ) -> Notifier:
        """Return the notifier of the ways that are switched on, with what its messages say at their end, and the plan.

        Raises
        ------
        ConfigFault
            With every line of the addresses file that is no address.
        """
        ways: list[tuple[Way[Any], DeliveryQueue]] = [
            (way, EventOutbox(journal, way.name)) for way in machine_ways(config, teller, clock)
        ]
        messages = Messages(journal.database)
        for _, way in people_of(config):
            outbox = MessageOutbox(
                messages, way.name, config.site, config.notify, lambda now_ms: marks_in(diary, now_ms), doubts=doubts,
                plan=plan, address=config.pages.address,
            )  # fmt: skip
            ways.append((way, outbox))
        messages.forget_others([way.name for way, _ in ways])
        for way, queue in ways:
            if isinstance(queue, EventOutbox):
                messages.begin_machine(way.name, clock.now_ms() - NEW_WAY_MS)
        return cls(journal, ways, metrics, clock)

    @property
    def away(self) -> dict[str, str]:
        """Return why each way that is away is away, by its name."""
        return {line.way.name: line.away for line in self._lines if line.away}

    def wake(self) -> None:
        """Wake the waiting step: there are new events, or it is time to stop."""
        self._news.set()

    def step(self, stop: threading.Event) -> None:
        """Deliver a few events on each way that is due, then wait for news or for the next try."""
        self._news.clear()
        try:
            busy = [line for line in self._lines if self._deliver(line, stop)]
            self._away = ""
        except PipelineFault as err:  # the journal, not a receiver
            if str(err) != self._away:
                log.warning("notify_waits reason=%s", err)
            self._away, busy = str(err), []
            self._metrics.faults.labels("notify").inc()
        if not busy and not stop.is_set():
            self._clock.wait(self._pause_s(), self._news)

    def close(self) -> None:
        """Close the receivers. What is not delivered is delivered after the next start."""
        for line in self._lines:
            line.way.close()

    def _pause_s(self) -> float:
        now = self._clock.monotonic()
        return min([NOTIFY_POLL_S, *(max(0.05, line.not_before - now) for line in self._lines if line.away)])

    def _deliver(self, line: _DeliveryLine, stop: threading.Event) -> bool:
        """Deliver what waits on one way; return whether there may be more at once."""
        if self._clock.monotonic() < line.not_before:
            return False
        waiting = line.outbox.waiting(self._clock.now_ms())
        self._metrics.outbox.labels(line.way.name).set(len(waiting))
        for handed in waiting:
            if stop.is_set() or not self._deliver_one(line, handed):
                return False
        return len(waiting) == EVENTS_A_STEP

    def _deliver_one(self, line: _DeliveryLine, handed: Event | Message) -> bool:
        name = line.way.name
        try:
            line.way.deliver(handed)
        except NotifyAway as err:
            self._put_off(line, str(err))
            return False
        except NotifyRefused as err:
            line.refusals[handed.id] += 1
            if line.refusals[handed.id] < REFUSED_TRIES:
                self._put_off(line, str(err))
                return False
            self._record_refusal(handed.id, name, str(err))
        else:
            self._metrics.delivered.labels(name).inc()
        line.outbox.taken(handed, self._clock.now_ms())
        del line.refusals[handed.id]
        line.not_before, line.away = 0.0, ""
        line.backoff.reset()
        return True

    def _put_off(self, line: _DeliveryLine, reason: str) -> None:
        if not line.away:
            log.warning("notify_away way=%s reason=%s", line.way.name, reason)
        line.away = reason
        line.not_before = self._clock.monotonic() + line.backoff.next_s()
        self._metrics.attempts_failed.labels(line.way.name).inc()

    def _record_refusal(self, handed_id: str, way: str, reason: str) -> None:
        log.error("notify_given_up way=%s id=%s reason=%s", way, handed_id, reason)
        self._metrics.given_up.labels(way).inc()
        entry = {"id": handed_id, "way": way, "at_ms": self._clock.now_ms(), "reason": reason}
        self._journal.keep_note(REFUSED_KEY, {"events": [*self.refused(), entry][-REFUSED_KEPT:]})

    def refused(self) -> list[dict[str, object]]:
        """Return the last events and messages that a receiver refused for good, with its answer."""
        kept = self._journal.note(REFUSED_KEY).get("events", [])
        return list(kept) if isinstance(kept, list) else []


def machine_ways(config: SiteConfig, teller: Teller, clock: Clock) -> list[Way[Event]]:
    """Return the ways of machines that are switched on."""
    told = config.notify
    ways: list[Way[Event]] = [LogWay()] if told.log else []
    ways += [webhook_way(told)] if told.webhook else []
    return [*ways, MqttWay(teller, clock)] if told.mqtt else ways


def people_of(config: SiteConfig) -> list[Address]:
    """Return a way for each of the people's addresses.

    Raises
    ------
    ConfigFault
        With every line that is no address.
    """
    file = config.notify.addresses_file
    return [] if file is None else people_ways(file)


# --- a message on every way at once: a test, or what cannot be kept first --------------------------------------------


class Fared(NamedTuple):
    """The result of a test on one way; `fault` is empty when the test message was taken."""

    way: str
    fault: str


def try_ways(config: SiteConfig, clock: Clock) -> list[Fared]:
    """Send a test message on every way of the settings, one after the other.

    Raises
    ------
    ConfigFault
        With every line of the addresses file that is no address.
    """
    use(config.site.language)  # the service may not run
    # Translators: the subject of a message that tries whether messages arrive
    return send_at_once(config, clock, "test", say("test message"), say(TEXT))


def send_at_once(config: SiteConfig, clock: Clock, rule: str, subject: str, text: str) -> list[Fared]:
    """Send a message on every way of the settings, one after the other, kept in no outbox.

    Parameters
    ----------
    config : SiteConfig
    clock : Clock
    rule : str
        What it is about, in the id that all repeats of one day share.
    subject, text : str

    Raises
    ------
    ConfigFault
        With every line of the addresses file that is no address.
    """
    now_ms = clock.now_ms()
    kind = "test" if rule == "test" else "opened"
    name = f"{rule}-{config.site.name}-{now_ms if rule == 'test' else now_ms // DAY_MS}"
    event = Event(name, now_ms, {"kind": kind, "rule": rule, "site": config.site.name, "text": text})
    # Translators: the subject of a message: "Meadow: test message"
    subject = say("{site}: {words}", site=config.site.title, words=subject)
    message = Message(name, now_ms, kind, rule != "test", subject, (text,))
    file, people = config.notify.addresses_file, people_of(config)
    with _guest(config, clock) as guest:
        fared = [_try(way, way.name, event) for way in machine_ways(config, guest, clock)]
    return fared + [_try(way, f"{way.name} ({file and file.name}, line {line})", message) for line, way in people]


def _try(way: Way[Any], called: str, handed: Event | Message) -> Fared:
    try:
        way.deliver(handed)
    except (NotifyAway, NotifyRefused) as err:
        return Fared(called, str(err))
    finally:
        way.close()
    return Fared(called, "")


@contextmanager
def _guest(config: SiteConfig, clock: Clock) -> Iterator[Ingest]:
    """Open a connection to the site's broker beside that of the service, where one is needed."""
    guest = Ingest(config.broker, config.site.name, Metrics(), clock, guest=True)
    if not config.notify.mqtt:
        yield guest
        guest.close()
        return
    stop = threading.Event()

    def run() -> None:
        while not stop.is_set():
            guest.step(stop)
        guest.close()

    thread = threading.Thread(target=run, name="notify-test")
    thread.start()
    try:
        end = clock.monotonic() + CONNECT_S
        while not guest.connected and clock.monotonic() < end:
            clock.wait(LOOK_S, stop)
        yield guest
    finally:
        stop.set()
        guest.wake()
        thread.join()
