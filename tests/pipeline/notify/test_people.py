"""People told by the notifier: by manners, past outages and refusals, with what the diary marks, and the whole service.

What is expected is what real receivers were handed, and the wall clock of the hand (UTC), counted by hand.
"""

from __future__ import annotations

import json
import random
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from pipeline.advice.phrases import clock_mark
from pipeline.advice.report import SurfaceAdvice
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import DatedPass
from pipeline.notify.channels import HttpWay
from pipeline.notify.outbox import (
    REFUSED_KEY,
    REFUSED_TRIES,
    UNTOLD_MOST,
    MessageOutbox,
    Messages,
    Notifier,
    links_of,
    marks_in,
    no_plan,
)
from pipeline.notify.policy import Marks, Message
from pipeline.plan.booked import Judgement
from pipeline.plan.planner import SitePlan
from pipeline.plan.surface_plan import WorkPlan
from pipeline.run.metrics import Metrics
from pipeline.service import Pipeline
from pipeline.service import load_settings as load
from pipeline.site.ground import Site
from pipeline.site.server import NotificationPolicy
from pipeline.store.diary import Diary
from pipeline.store.journal import Event, Journal
from pipeline.store.sql import SqlDatabase
from tests.pipeline.hand import SETTINGS, HandClock
from tests.pipeline.receivers import HttpServer, http_server, sent

HOUR_MS = 3_600_000
NOON_MS = 1_780_401_600_000  # 2026-06-02 12:00 UTC, in season


@pytest.fixture
def web() -> Iterator[HttpServer]:
    with http_server() as server:
        yield server


class Person:
    """A notifier with one person on it, its clock in the hand: every step takes no time of the wall."""

    def __init__(
        self,
        database: SqlDatabase,
        address: str,
        marks: Callable[[int], Marks] = lambda now_ms: Marks(),
        pages: str | None = None,
    ) -> None:
        self.clock, self.metrics = HandClock(NOON_MS), Metrics()
        self.journal = Journal(database)
        place = Site(name="home", title="Home ground", timezone="UTC")
        self.doubts: list[str] = []
        self.plan = no_plan()
        messages, policy = Messages(database), NotificationPolicy()
        self.outbox = MessageOutbox(
            messages, "web-1", place, policy, marks, doubts=lambda: self.doubts, plan=lambda: self.plan, address=pages
        )
        way = HttpWay("web-1", f"http://{address}/")
        self.notifier = Notifier(self.journal, [(way, self.outbox)], self.metrics, self.clock, rng=random.Random(1))
        self.step()  # known from now on

    def step(self, hours: float = 0.0) -> None:
        """One look, some hours on."""
        self.clock.wall_ms += round(hours * HOUR_MS)
        self.clock.real_s += hours * 3600
        self.notifier.step(threading.Event())

    def tell(self, name: str, rule: str, kind: str = "opened") -> None:
        body = {"kind": kind, "rule": rule, "alert_id": f"alert-{name}", "text": f"Green: {name} is so. Act."}
        self.journal.save_alerts({}, [Event(name, self.clock.wall_ms, body)])


@pytest.fixture
def person(database: SqlDatabase, web: HttpServer) -> Iterator[Person]:
    made = Person(database, web.address)
    yield made
    made.notifier.close()


def heard(web: HttpServer) -> list[list[str]]:
    """Events of each message taken."""
    return [json.loads(body)["events"] for _, body in web.heard]


def test_what_presses_goes_two_minutes_later_the_rest_with_the_digest(person: Person, web: HttpServer) -> None:
    """Told at noon: one interrupts once it has waited for its fellows, the other comes next morning at 06:15."""
    person.tell("a", "stay_off")
    person.tell("b", "roots_dry")
    person.step()
    person.step(1 / 60)
    assert heard(web) == []
    person.tell("c", "stay_off")
    person.step(1 / 60)
    assert heard(web) == [["a", "c"]]
    person.step(18.0)  # 06:02
    assert len(web.heard) == 1
    person.step(0.25)
    assert heard(web)[1:] == [["b"]] and web.heard[1][0] == "digest-home-2026-06-03"


def test_a_digest_names_days_as_they_are_seen_in_the_morning(person: Person, web: HttpServer) -> None:
    """Said at noon of Tuesday 2 June about Wednesday evening; the digest goes on Wednesday at 06:15."""
    text = "Green: open, until {}."
    body = {"kind": "opened", "rule": "window_opening", "alert_id": "a", "text": text.format("Wed 18:00")}
    body["words"] = text.format(clock_mark(NOON_MS + 30 * HOUR_MS))
    person.journal.save_alerts({}, [Event("one", person.clock.wall_ms, body)])
    person.step(18.25)
    ((_, sent),) = web.heard
    assert json.loads(sent)["lines"] == ["Green: open, until today 18:00. Since Tue 2 Jun, 12:00."]


def test_an_alert_is_told_in_the_words_of_the_plan(person: Person, web: HttpServer) -> None:
    """Of two alerts the plan has words for one; its booked work is told with them, and not again the next day."""
    job = DatedPass("slitting", "standard", NOON_MS + 26 * HOUR_MS, NOON_MS + 30 * HOUR_MS)
    advice = SurfaceAdvice("green", "Green", "green", (), ())
    judged = (job, Judgement("wait", "soil too wet."), "Lift the thatch probe first")
    plan = WorkPlan(advice, booked=(judged,), texts={"alert-a": "Green: a is so. No water till Friday."})
    person.plan = SitePlan(None, (), {"green": plan})
    person.tell("a", "roots_dry")
    person.tell("b", "roots_shallow")
    person.step(18.25)
    person.step(24.0)
    ((_, sent),) = web.heard
    assert json.loads(sent)["lines"] == [
        "Green: slitting is booked for today 14:00. Wait: soil too wet. Lift the thatch probe first.",
        "Green: a is so. No water till Friday. Since Tue 2 Jun, 12:00.",
        "Green: b is so. Act. Since Tue 2 Jun, 12:00.",
    ]


def test_a_message_made_while_a_time_is_in_doubt_ends_with_it(person: Person, web: HttpServer) -> None:
    """Whoever reads it away from the pages is told as well; the message after it, made with a time confirmed, is as
    ever."""
    person.doubts = ["time of Green not confirmed: it may be behind"]
    person.tell("a", "roots_dry")
    person.step(18.25)
    person.doubts = []
    person.tell("b", "roots_dry")
    person.step(24.0)
    doubted, sure = (json.loads(sent)["lines"] for _, sent in web.heard)
    assert doubted[-1] == "Time of Green not confirmed: it may be behind." and len(doubted) == 2
    assert len(sure) == 1 and "not confirmed" not in sure[0]


def test_a_message_ends_with_the_addresses_of_what_it_tells(database: SqlDatabase, web: HttpServer) -> None:
    """Where the settings know how a phone reaches the pages: of one alert its own place, of several their page, of
    booked work and of a course about water their parts of the work page."""
    person = Person(database, web.address, pages="https://turf.example.org")
    person.tell("a", "roots_dry")
    person.step(18.25)
    person.tell("b", "roots_dry")
    person.tell("c", "roots_shallow")
    person.step(24.0)
    one, several = (json.loads(sent)["lines"] for _, sent in web.heard)
    assert one[-1] == "https://turf.example.org/alerts#alert-alert-a"
    assert several[-1] == "https://turf.example.org/alerts" and "https" not in several[-2]
    for states, ends in (
        (("booked/green/slitting.standard/x=go",), ["/work#booked"]),
        (("water/s1=dry", "booked/green/slitting.standard/x=go"), ["/work#booked", "/work#water"]),
        ((), ["/"]),
    ):
        message = Message("m", 0, "digest", False, "", (), (), (), states)
        assert list(links_of(message, "")) == ends


def test_after_an_outage_of_days_the_rest_comes_as_one_digest(person: Person, web: HttpServer) -> None:
    """What was tried first comes first, as it was; all that came about meanwhile is one message, not three digests."""
    web.answers = [503] * 400
    person.tell("first", "stay_off")
    for _ in range(3 * 24 * 4):
        person.step(0.25)
        if person.clock.wall_ms % (6 * HOUR_MS) == 0:
            person.tell(f"at-{person.clock.wall_ms}", "roots_dry")
    assert web.heard == [] and person.notifier.away.keys() == {"web-1"}
    web.answers = []
    for _ in range(4 * 24):
        person.step(0.25)
    first, digest = heard(web)
    assert first == ["first"] and len(digest) == 12 and person.notifier.away == {}


def test_a_message_that_waits_through_the_evening_goes_in_the_morning(person: Person, web: HttpServer) -> None:
    """Made at 19:50 for a receiver that was away until 20:30: it is not sent at night."""
    person.step(7.75)  # 19:45
    person.tell("a", "stay_off")
    person.step()
    web.answers = [503]
    person.step(1 / 12)
    for _ in range(4 * 10):
        person.step(0.25)
    assert heard(web) == []  # 05:50
    person.step(0.25)
    assert heard(web) == [["a"]]


def test_a_refusal_is_recorded_and_the_next_message_goes(person: Person, web: HttpServer) -> None:
    """After a few refusals the message is given up, with the words; people's other news still come."""
    web.answers = [404] * REFUSED_TRIES
    person.tell("a", "stay_off")
    person.step()
    for _ in range(REFUSED_TRIES + 1):
        person.step(0.1)
    person.tell("b", "stay_off")
    person.step()
    person.step(0.1)
    assert heard(web) == [["b"]]
    (refused,) = person.notifier.refused()
    assert str(refused["id"]).startswith("news-") and "404" in str(refused["reason"])


def test_water_running_is_told_at_once_whatever_waits_for_the_digest(person: Person, web: HttpServer) -> None:
    """Behind 201 probe faults of the night, more than one look takes: its message goes by itself, and is urgent."""
    for number in range(UNTOLD_MOST + 1):
        person.tell(f"p{number}", "probe_fault")
    person.tell("pipe", "water_running")
    person.step(12)
    person.step(1 / 30)
    assert heard(web) == [["pipe"]]


def test_each_message_has_its_own_tries(person: Person, web: HttpServer) -> None:
    """Refusals of one message are none of the urgent one that overtakes it: refused once, it goes."""
    web.answers = [404] * REFUSED_TRIES
    person.tell("a", "stay_off")
    person.step()
    for _ in range(REFUSED_TRIES - 2):
        person.step(0.1)
    person.tell("pipe", "water_running")
    person.step()
    for _ in range(3):
        person.step(0.1)
    assert heard(web) == [["pipe"], ["a"]] and person.notifier.refused() == []


def test_events_from_before_a_person_was_known_are_not_told(database: SqlDatabase, web: HttpServer) -> None:
    """Somebody new hears what came about in the last 24 hours, with his first digest, and nothing older."""
    for hours, name in ((30, "old"), (20, "young")):
        body = {"kind": "opened", "rule": "roots_dry", "text": "Green: dry. Water."}
        Journal(database).save_alerts({}, [Event(name, NOON_MS - hours * HOUR_MS, body)])
    person = Person(database, web.address)
    person.step(1.0)
    assert heard(web) == []
    person.step(17.5)
    assert heard(web) == [["young"]]
    person.notifier.close()


def test_marks_of_the_diary_are_heeded(database: SqlDatabase, web: HttpServer) -> None:
    """Seen and wrong are dropped, a snooze is until its end; of several marks on an alert the last counts."""
    diary = Diary(database)

    def mark(alert: str, word: str, hours: float, end_h: float | None = None) -> None:
        end_ms = None if end_h is None else NOON_MS + round(end_h * HOUR_MS)
        body = {"alert": alert, "mark": word}
        diary.add(DiaryEntry("mark", "green", NOON_MS + round(hours * HOUR_MS), body, end_ms=end_ms, author="me"))

    mark("a", "seen", 0)
    mark("b", "wrong", 0)
    mark("c", "snoozed", 0, 2)
    mark("d", "wrong", 0)
    mark("d", "seen", 1)
    assert marks_in(diary, NOON_MS - 1) == Marks()
    assert marks_in(diary, NOON_MS) == Marks(frozenset("ac"), frozenset("bd"))
    assert marks_in(diary, NOON_MS + 2 * HOUR_MS) == Marks(frozenset("ad"), frozenset("b"))


def test_a_state_of_a_plan_is_told_again_only_when_it_has_changed(person: Person, web: HttpServer) -> None:
    """A job booked for two months on, judged alike each day: told the first morning, and not again in the 40 after."""
    job = DatedPass("slitting", "standard", NOON_MS + 60 * 24 * HOUR_MS, NOON_MS + 60 * 24 * HOUR_MS + HOUR_MS)
    advice = SurfaceAdvice("green", "Green", "green", (), ())
    judged = (job, Judgement("wait", "soil too wet."), "")
    person.plan = SitePlan(None, (), {"green": WorkPlan(advice, booked=(judged,))})
    person.step(18.25)
    assert len(web.heard) == 1
    for _ in range(40):
        person.step(24.0)
    assert len(web.heard) == 1


def test_a_way_that_is_new_or_comes_back_gets_the_last_day_only(
    tmp_path: Path, web: HttpServer, free_port: int
) -> None:
    """Of events of two days ago and of now, a person and a machine get the new one: when they are first in the
    settings, and when they are again after they were not. A machine that stays gets all it waits for."""
    settings, addresses = tmp_path / "underturf.toml", tmp_path / "addresses"
    addresses.write_text(f"http://{web.address}/hook\n")
    plain = f"{SETTINGS}[broker]\nport = {free_port}\n[notify]\nlog = false\n"
    both = f'{plain}addresses_file = "addresses"\nwebhook = "http://{web.address}/machine"\n'

    def waits(text: str, *events: tuple[str, float]) -> list[list[str]]:
        """Start with these settings, with more events of so many hours ago; what waits for each way."""
        settings.write_text(text)
        pipeline = Pipeline(load(settings), mosquitto=None)
        try:
            now_ms = pipeline.clock.now_ms()
            for name, hours in events:
                pipeline.journal.save_alerts({}, [Event(name, now_ms - round(hours * HOUR_MS), {"kind": "opened"})])
            found = []
            for line in pipeline._notifier._lines:
                queue = line.outbox
                if isinstance(queue, MessageOutbox):
                    queue._messages.begin(queue._way, now_ms - 24 * HOUR_MS, "")
                    found.append([e.id for e in queue._messages.untold(queue._way)])
                else:
                    found.append([e.id for e in queue.waiting(now_ms)])
            return found
        finally:
            pipeline.stop()

    assert waits(plain, ("a", 48.0), ("b", 1.0)) == []
    assert waits(both) == [["b"], ["b"]]
    assert waits(both, ("c", 47.0)) == [["b", "c"], ["b", "c"]]
    assert waits(plain, ("d", 46.0)) == []
    assert waits(both, ("e", 0.0)) == [["e"], ["e"]]


def test_the_whole_service_tells_a_person(
    tmp_path: Path, web: HttpServer, free_port: int, until: Callable[..., None]
) -> None:
    """Settings with an address: water left running, put into the journal, is at the person's receiver at any hour."""
    (tmp_path / "addresses").write_text(f"http://{web.address}/hook\n")
    notify = '[notify]\naddresses_file = "addresses"\ngather_min = 0\n'
    (tmp_path / "underturf.toml").write_text(f"{SETTINGS}{notify}[broker]\nport = {free_port}\n")
    pipeline = Pipeline(load(tmp_path / "underturf.toml"), mosquitto=None)
    pipeline.start()
    try:
        (way,) = [name for name in pipeline._notifier._lines if name.way.name.startswith("web-")]
        body = {"kind": "opened", "rule": "water_running", "alert_id": "w", "text": "Green: water still goes in. Look."}
        pipeline.journal.save_alerts({}, [Event("w-1", pipeline.clock.now_ms(), body)])
        pipeline._changed("alerts")
        until(lambda: web.heard, "it is told")
        until(lambda: sent(pipeline.journal.database, way.way.name), "it is recorded")
        refusal = {"id": "w-0", "way": way.way.name, "at_ms": 1, "reason": "found 404, expected 2xx"}
        pipeline.journal.keep_note(REFUSED_KEY, {"events": [refusal]})
        told_health = json.loads(json.dumps(pipeline.health()))
        assert told_health["notify"] == {"away": {}, "refused": [refusal]}
    finally:
        pipeline.stop()
    told = json.loads(web.heard[0][1])
    assert told["subject"] == "Water left running? Green: water still goes in" and told["events"] == ["w-1"]


def test_a_message_keeps_its_words_through_a_restart(database: SqlDatabase, web: HttpServer) -> None:
    """Made, refused for now, and the process gone: the next one sends the very same, though more has come about."""
    web.answers = [503]
    person = Person(database, web.address)
    person.tell("a", "stay_off")
    person.step()
    person.step(0.1)
    (kept,) = Messages(database).waiting("web-1")
    person.tell("b", "stay_off")
    again = Person(database, web.address)
    again.clock.wall_ms = person.clock.wall_ms
    again.step(0.1)
    key, body = web.heard[0]
    assert key == kept.id and json.loads(body)["lines"] == list(kept.lines) and isinstance(kept, Message)
    for one in (person, again):
        one.notifier.close()
