"""How people are told: one digest a day whatever the clocks do, quiet nights, few interruptions, nothing lost.

Times, counts and ids expected here are counted by hand on the wall clock of the place; the bounds themselves (quiet
from 20:00 to 06:00, digest at 06:15, three a week, one a fortnight) are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.advice.phrases import clock_mark
from pipeline.notify.policy import (
    DIGEST,
    INTERRUPTION,
    LOUDER,
    Marks,
    Message,
    News,
    SentMessage,
    digest_date_at_first,
    due,
    grouped,
    in_season,
    may_go,
)
from pipeline.plan.digest import PlanNews
from pipeline.site.ground import Site
from pipeline.site.server import NotificationPolicy

MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000
STEP_MIN = 5
LONDON = "Europe/London"


def at(text: str, timezone: str = LONDON, *, fold: int = 0) -> int:
    """A local time as ms since 1970."""
    return round(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(timezone), fold=fold).timestamp() * 1000)


def news(name: str, rule: str, at_ms: int, *, kind: str = "opened", alert: str = "", text: str = "") -> News:
    return News(name, alert or name, kind, rule, text or f"Square, {name}: something is so. Do this.", at_ms, at_ms)


@dataclass
class Person:
    """Somebody who is told by the manners: keeps what the shell keeps, step by step on a clock of the test's."""

    timezone: str = LONDON
    manners: NotificationPolicy = field(default_factory=NotificationPolicy)
    marks: Marks = field(default_factory=Marks)
    last_digest: str = ""
    untold: list[News] = field(default_factory=list)
    told: list[Message] = field(default_factory=list)
    dropped: list[str] = field(default_factory=list)
    plans: list[PlanNews] = field(default_factory=list)

    def step(self, now_ms: int) -> list[Message]:
        place = Site(name="home", title="Home ground", timezone=self.timezone)
        past = [SentMessage(m.kind, m.at_ms, m.alerts, m.states) for m in self.told]
        found = due(
            place, self.manners, self.untold, past, self.last_digest, now_ms, marks=self.marks, plans=self.plans
        )
        gone = {i for m in found.messages for i in m.news} | set(found.dropped)
        self.untold = [n for n in self.untold if n.id not in gone]
        self.told += found.messages
        self.dropped += found.dropped
        self.last_digest = found.digest_date or self.last_digest
        return list(found.messages)

    def live(
        self, start_ms: int, end_ms: int, arriving: list[News] | None = None, *, step_min: int = STEP_MIN
    ) -> list[Message]:
        """From start to end in equal steps of real time; news arrives at its `seen_ms`."""
        waiting = sorted(arriving or [], key=lambda n: n.seen_ms)
        before = len(self.told)
        for now_ms in range(start_ms, end_ms, step_min * MINUTE_MS):
            while waiting and waiting[0].seen_ms <= now_ms:
                self.untold.append(waiting.pop(0))
            self.step(now_ms)
        return self.told[before:]

    def clock(self, message: Message) -> str:
        return f"{datetime.fromtimestamp(message.at_ms / 1000, ZoneInfo(self.timezone)):%m-%d %H:%M}"


# --- the digest --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("timezone", "first", "change"),
    [
        (LONDON, "2026-03-27", "2026-03-29"),  # 01:00 becomes 02:00
        (LONDON, "2026-10-23", "2026-10-25"),  # 02:00 becomes 01:00
        ("Australia/Lord_Howe", "2026-04-03", "2026-04-05"),  # 02:00 becomes 01:30
        ("Australia/Lord_Howe", "2026-10-02", "2026-10-04"),  # 02:00 becomes 02:30
    ],
)
@pytest.mark.parametrize("digest_at_min", [375, 60, 75, 90, 119, 120, 135])
def test_each_day_about_a_clock_change_has_one_digest(
    timezone: str, first: str, change: str, digest_at_min: int
) -> None:
    """Five days about the change have five digests, one a local date, also where its minute comes twice or never."""
    manners = NotificationPolicy(
        digest_at_min=digest_at_min, digest_when_empty=True, quiet_from_min=0, quiet_until_min=0
    )
    person = Person(timezone, manners)
    start = at(f"{first}T00:00", timezone)
    dates = [(datetime.fromisoformat(first) + timedelta(days=k)).date().isoformat() for k in range(5)]
    end = at(f"{dates[-1]}T23:59", timezone)
    assert change in dates
    told = person.live(start, end)
    assert [m.id for m in told] == [f"digest-home-{day}" for day in dates]
    ordinary = f"{digest_at_min // 60:02d}:{digest_at_min % 60:02d}"
    assert {person.clock(m)[6:] for m, day in zip(told, dates, strict=True) if day != change} <= {
        ordinary,
        f"{-(-digest_at_min // STEP_MIN) * STEP_MIN // 60:02d}:{-(-digest_at_min // STEP_MIN) * STEP_MIN % 60:02d}",
    }


def test_everything_of_a_day_and_night_is_in_the_mornings_digest() -> None:
    """What does not press waits for 06:15 and is told in one message, the pressing first, what is over last."""
    person = Person()
    arriving = [
        news("a", "probe_fault", at("2026-06-02T09:00")),
        news("b", "thatch_holding", at("2026-06-02T15:00")),
        news("c", "window_opening", at("2026-06-02T23:00")),
        news("d", "roots_dry", at("2026-06-03T01:00"), kind="closed"),
        news("e", "window_closing", at("2026-06-03T03:00")),
    ]
    (digest,) = person.live(at("2026-06-02T07:00"), at("2026-06-04T05:00"), arriving)
    assert (person.clock(digest), digest.kind) == ("06-03 06:15", DIGEST)
    assert digest.news == ("a", "b", "c", "d", "e") and digest.id == "digest-home-2026-06-03"
    assert [line[8:9] for line in digest.lines] == ["e", "b", "c", "a", "d"]
    assert digest.subject == "Home ground, Wed 3 Jun: 4 to know, 1 over"


def test_an_empty_digest_is_sent_only_when_asked_for() -> None:
    """A day without news is a day without a message, unless the settings ask."""
    start, end = at("2026-06-02T00:00"), at("2026-06-05T00:00")
    assert Person().live(start, end) == []
    asked = Person(manners=NotificationPolicy(digest_when_empty=True)).live(start, end)
    assert len(asked) == 3 and "nothing new" in asked[0].subject


def test_a_state_of_the_plan_is_told_once_and_again_when_it_changes() -> None:
    """Told on Tuesday, not on Wednesday, again on Thursday when it has changed, and on Friday back as it was."""
    told = []
    person = Person(last_digest="2026-06-01")
    for day, state in ((2, "wait"), (3, "wait"), (4, "go"), (5, "wait")):
        person.plans = [PlanNews("booked/green/slitting/2026-06-06", state, f"Green: slitting is booked. {state}")]
        told += [(day, m.lines) for m in person.live(at(f"2026-06-0{day}T06:00"), at(f"2026-06-0{day}T07:00"))]
    said = [(2, "wait"), (4, "go"), (5, "wait")]
    assert told == [(day, (f"Green: slitting is booked. {state}",)) for day, state in said]


def test_what_is_planned_stands_before_what_is_to_be_known() -> None:
    """The work of the day before what is to be known; all of it counted."""
    arriving = [news("a", "roots_dry", at("2026-06-02T15:00")), news("b", "stay_off", at("2026-06-03T03:00"))]
    person = Person(
        last_digest="2026-06-02",
        plans=[PlanNews("booked/green/slitting/2026-06-03", "go", "Green: slitting is booked.")],
    )
    (digest,) = person.live(at("2026-06-02T07:00"), at("2026-06-03T07:00"), arriving)
    assert [line[:9] for line in digest.lines] == ["Green: sl", "Square, b", "Square, a"]
    assert digest.subject == "Home ground, Wed 3 Jun: 3 to know"


def test_what_is_to_be_done_besides_follows_its_line_and_is_not_counted() -> None:
    """A course about water: its first step is one thing to know, the steps behind it are lines of their own."""
    course = PlanNews("water/g1", "now", "Green: no water.", ("Green: Then give 9 mm.", "Green: Take a core."))
    person = Person(last_digest="2026-06-02", plans=[course])
    arriving = [news("a", "roots_dry", at("2026-06-02T15:00"))]
    (digest,) = person.live(at("2026-06-02T07:00"), at("2026-06-03T07:00"), arriving)
    assert digest.lines[:3] == (course.text, *course.further) and len(digest.lines) == 4
    assert digest.subject == "Home ground, Wed 3 Jun: 2 to know"


def test_a_digest_missed_while_the_service_was_away_comes_late_once() -> None:
    """Started at 11:00 it is sent at 11:00; started in the quiet hours it waits for the next morning."""
    for began, sent in (("11:00", "06-03 11:00"), ("21:00", "06-04 06:15")):
        person = Person(last_digest="2026-06-02", untold=[news("a", "roots_dry", at("2026-06-03T02:00"))])
        told = person.live(at(f"2026-06-03T{began}"), at("2026-06-05T00:00"))
        assert [person.clock(m) for m in told] == [sent]


@pytest.mark.parametrize(("last", "sent"), [("2026-06-03", 0), ("2030-01-01", 1), ("2026-06-02", 1), ("", 1)])
def test_a_clock_that_was_wrong_does_not_stop_the_digests(last: str, sent: int) -> None:
    """A last digest dated years ahead is a slip of the clock: today's is sent all the same, and once."""
    person = Person(last_digest=last, untold=[news("a", "roots_dry", at("2026-06-03T02:00"))])
    assert len(person.live(at("2026-06-03T06:00"), at("2026-06-03T19:00"))) == sent


def test_somebody_new_gets_no_digest_in_the_afternoon() -> None:
    """Whoever is added at 15:00 has his first digest next morning, whoever is added at 05:00 the same."""
    assert digest_date_at_first(NotificationPolicy(), LONDON, at("2026-06-03T15:00")) == "2026-06-03"
    assert digest_date_at_first(NotificationPolicy(), LONDON, at("2026-06-03T05:00")) == ""


# --- nights and interruptions --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rule", "when", "told"),
    [
        ("frost_at_dawn", "2026-04-10T23:00", "04-10 23:05"),
        ("frost_at_dawn", "2026-04-10T04:30", "04-10 04:35"),
        ("frost_at_dawn", "2026-04-10T05:50", "04-10 06:15"),  # the digest is at hand
        ("frost_at_dawn", "2026-04-10T06:40", "04-10 06:45"),
        ("water_running", "2026-04-10T02:00", "04-10 02:05"),
        ("water_running", "2026-04-10T06:05", "04-10 06:10"),
        ("stay_off", "2026-04-10T19:30", "04-10 19:35"),
        ("stay_off", "2026-04-10T20:30", "04-11 06:15"),
        ("stay_off", "2026-04-10T06:05", "04-10 06:15"),
        ("window_closing", "2026-04-10T14:00", "04-10 14:05"),
        ("lift_probes", "2026-04-10T14:00", "04-10 14:05"),
        ("thatch_to_repel", "2026-04-10T14:00", "04-10 14:05"),
        ("thatch_holding", "2026-04-10T14:00", "04-11 06:15"),
        ("probe_fault", "2026-04-10T14:00", "04-11 06:15"),
        ("last_good_date", "2026-04-10T14:00", "04-11 06:15"),
    ],
)
def test_when_each_kind_of_news_is_told(rule: str, when: str, told: str) -> None:
    """By day what presses comes at once, at night only frost and running water, the rest in the morning."""
    person = Person()
    messages = person.live(at("2026-04-09T12:00"), at("2026-04-12T00:00"), [news("a", rule, at(when))])
    assert [person.clock(m) for m in messages] == [told]


@pytest.mark.parametrize("kind", ["repeated", "closed"])
def test_what_is_said_again_or_over_interrupts_nobody(kind: str) -> None:
    """Only news that is new interrupts."""
    person = Person()
    arriving = [news("a", "stay_off", at("2026-06-02T14:00"), kind=kind)]
    told = person.live(at("2026-06-02T12:00"), at("2026-06-03T12:00"), arriving)
    assert [m.kind for m in told] == [DIGEST]


def test_a_week_of_many_events_keeps_to_three_interruptions() -> None:
    """Six pressing events a day for a week: three interrupt, all are told, each once, the others by the digests."""
    person = Person()
    hours = (8, 10, 12, 14, 16, 18)
    arriving = [
        news(f"{day}-{hour}", "window_closing", at(f"2026-06-{day:02d}T{hour:02d}:00"))
        for day in range(1, 8)
        for hour in hours
    ]
    told = person.live(at("2026-06-01T07:00"), at("2026-06-08T07:00"), arriving)
    assert [person.clock(m) for m in told if m.kind == INTERRUPTION] == ["06-01 08:05", "06-01 10:05", "06-01 12:05"]
    assert sum(m.kind == DIGEST for m in told) == 7
    assert sorted(i for m in told for i in m.news) == sorted(n.id for n in arriving)


def test_an_interruption_seven_days_old_to_the_minute_counts_no_more() -> None:
    """A budget of one, used last Tuesday at 12:00: free again this Tuesday at 12:00, not a minute before."""
    for now, said in (("2026-06-09T11:59", 0), ("2026-06-09T12:00", 1)):
        past = [SentMessage(INTERRUPTION, at("2026-06-02T12:00"))]
        manners = NotificationPolicy(interruptions_a_week=1, gather_min=0)
        untold = [news("a", "stay_off", at("2026-06-09T11:00"))]
        found = due(Site(name="home", title="Home", timezone=LONDON), manners, untold, past, "2026-06-09", at(now))
        assert len(found.messages) == said


def test_out_of_season_one_interruption_a_fortnight() -> None:
    """One pressing event a day in December: the first interrupts, and the next one fourteen days later."""
    person = Person()
    arriving = [news(str(day), "stay_off", at(f"2026-12-{day:02d}T12:00")) for day in range(1, 29)]
    told = person.live(at("2026-12-01T07:00"), at("2026-12-28T20:00"), arriving, step_min=30)
    assert [person.clock(m)[:5] for m in told if m.kind == INTERRUPTION] == ["12-01", "12-15"]


def test_a_season_over_the_new_year_is_that_of_the_south() -> None:
    """October to March: December has the budget of the season, June not."""
    manners = NotificationPolicy(season_from_month=10, season_until_month=3)
    assert [m for m in range(1, 13) if in_season(manners, m)] == [1, 2, 3, 10, 11, 12]


def test_frost_beyond_the_budget_is_in_the_mornings_digest_or_comes_at_once() -> None:
    """With the budget used up frost of evening and night leads the digest; after the digest it cannot wait so long."""
    for when, told, kind in (
        ("2026-04-09T17:00", "04-10 06:15", DIGEST),
        ("2026-04-10T04:00", "04-10 06:15", DIGEST),
        ("2026-04-10T07:00", "04-10 07:05", INTERRUPTION),
    ):
        person = Person(
            told=[Message(str(k), at(f"2026-04-0{k}T12:00"), INTERRUPTION, False, "", ()) for k in (5, 6, 7)]
        )
        found = person.live(at("2026-04-09T12:00"), at("2026-04-10T12:00"), [news("a", "frost_at_dawn", at(when))])
        assert [(person.clock(m), m.kind) for m in found] == [(told, kind)]


def test_the_end_of_a_frost_is_not_told() -> None:
    """Nobody can act on it: neither after its opening was told, nor when both wait for the digest."""
    arriving = [
        news("1", "frost_at_dawn", at("2026-04-10T05:00"), alert="a"),
        news("2", "frost_at_dawn", at("2026-04-10T09:30"), alert="a", kind="closed"),
        news("3", "frost_at_dawn", at("2026-04-10T17:00"), alert="b"),
        news("4", "frost_at_dawn", at("2026-04-10T23:00"), alert="b", kind="closed"),
    ]
    spent = [Message(str(k), at(f"2026-04-0{k}T12:00"), INTERRUPTION, False, "", ()) for k in (6, 7)]
    person = Person(told=list(spent))
    told = person.live(at("2026-04-09T12:00"), at("2026-04-12T12:00"), arriving)
    assert [(m.kind, m.news) for m in told] == [(INTERRUPTION, ("1",))]
    assert sorted(person.dropped) == ["2", "3", "4"]


def test_frost_that_comes_with_the_digest_leads_it() -> None:
    """Its words are in the subject: whoever reads no further has read the frost."""
    frost = news("f", "frost_at_dawn", at("2026-04-10T05:55"), text="Green: frost at 06:10. Keep off till about 9.")
    others = [news(str(k), rule, at("2026-04-10T03:00")) for k, rule in enumerate(("roots_dry", "stay_off"))]
    (digest,) = Person().live(at("2026-04-10T00:00"), at("2026-04-10T12:00"), [*others, frost])
    assert digest.subject == "Home ground, Fri 10 Apr: Green: frost at 06:10 (and 2 more)"
    assert digest.lines[0] == "Green: frost at 06:10. Keep off till about 9. Since 05:55."
    assert not digest.urgent  # what could not be sent by 20:00 does not go at night


def test_what_comes_together_is_told_together() -> None:
    """Four places within a minute are one message and one interruption; the same words are one line."""
    start = at("2026-06-02T14:00")
    arriving = [
        news(str(k), "stay_off", start + k * 15_000, text=f"Green, rink {k}: too wet to work. Stay off till noon.")
        for k in range(4)
    ]
    person = Person(last_digest="2026-06-02")
    (message,) = person.live(start, start + 3 * 60 * MINUTE_MS, arriving)
    expected = (
        "Green, rink 0; Green, rink 1; Green, rink 2; Green, rink 3: too wet to work. Stay off till noon. Since 14:00."
    )
    assert message.lines == (expected,)
    assert message.news == ("0", "1", "2", "3")


def test_times_in_a_line_are_those_of_the_moment_it_is_told() -> None:
    """A window until Saturday, of two greens and told on Friday evening, is until tomorrow in the words of the digest;
    the greens, whose windows end an hour apart, share a line with the time of the one that came first."""
    end_ms = at("2026-06-13T18:00")
    told = [
        News(place, place, "opened", "window_opening", f"{place}: open, until {clock_mark(end_ms + later)}.", since, 0)
        for place, later, since in (("South", HOUR_MS, at("2026-06-12T16:00")), ("North", 0, at("2026-06-12T15:00")))
    ]
    read = {"2026-06-12T20:00": "Sat 18:00", "2026-06-13T07:00": "today 18:00", "2026-06-20T07:00": "Sat 13 Jun"}
    for when, said in read.items():
        ((_, line),) = grouped(told, datetime.fromisoformat(when).replace(tzinfo=ZoneInfo(LONDON)))
        assert line.startswith(f"South; North: open, until {said}. Since ")


def test_an_alert_that_came_and_went_is_one_line() -> None:
    """Opened, said again and over since the last digest: told as over, with when it began."""
    arriving = [
        news("1", "roots_dry", at("2026-06-02T14:00"), alert="x", text="Green: roots are dry. Water."),
        news(
            "2", "roots_dry", at("2026-06-02T15:00"), alert="x", text="Green: roots still dry. Water.", kind="repeated"
        ),
        replace(
            news("3", "roots_dry", at("2026-06-02T19:00"), alert="x", text="Green: water has come.", kind="closed"),
            since_ms=at("2026-06-02T14:00"),
        ),
    ]
    (digest,) = Person().live(at("2026-06-02T12:00"), at("2026-06-03T12:00"), arriving)
    assert digest.lines == ("Green: came and went. It began Tue 2 Jun, 14:00. Now: water has come.",)


# --- water left running ------------------------------------------------------------------------------------------


def running_hours(hours: int) -> list[News]:
    start = at("2026-06-02T22:00")
    told = [news(str(k), "water_running", start + k * 3_600_000, alert="w", kind="repeated") for k in range(1, hours)]
    return [news("0", "water_running", start, alert="w"), *told]


def test_water_left_running_is_said_louder_until_it_is_seen() -> None:
    """Each hour again through the night, the subject louder; silent once somebody has marked it seen."""
    person = Person()
    start = at("2026-06-02T21:00")
    told = person.live(start, at("2026-06-03T01:30"), running_hours(4))
    assert [m.kind for m in told] == [INTERRUPTION, LOUDER, LOUDER, LOUDER]
    assert [m.subject.partition(":")[0] for m in told[1:]] == [f"WATER STILL RUNNING, warning {k}" for k in (2, 3, 4)]
    assert told[0].subject.startswith("Water left running?") and all(m.urgent for m in told)
    person.marks = Marks(muted=frozenset({"w"}))
    assert person.live(at("2026-06-03T01:30"), at("2026-06-03T05:30"), running_hours(8)[4:]) == []
    assert person.dropped == ["4", "5", "6", "7"]


def test_that_the_water_has_stopped_wakes_nobody() -> None:
    """The end of it comes with the morning's digest."""
    over = [news("9", "water_running", at("2026-06-03T01:00"), alert="w", kind="closed")]
    person = Person()
    told = person.live(at("2026-06-02T21:00"), at("2026-06-03T12:00"), [*running_hours(2), *over])
    assert [(m.kind, m.news) for m in told] == [(INTERRUPTION, ("0",)), (LOUDER, ("1",)), (DIGEST, ("9",))]


def test_running_water_goes_whatever_the_budget_and_costs_it_once() -> None:
    """It interrupts with the budget used up; its repeats do not use up the budget of others."""
    spent = [Message(str(k), at(f"2026-06-0{k}T12:00"), INTERRUPTION, False, "", ()) for k in (1, 2)]
    person = Person(told=list(spent), last_digest="2026-06-02")
    assert len(person.live(at("2026-06-02T21:00"), at("2026-06-03T01:30"), running_hours(4))) == 4
    assert sum(m.kind == INTERRUPTION for m in person.told) == 3


def test_an_alert_marked_wrong_is_told_no_more_and_one_that_is_seen_only_when_it_is_over() -> None:
    """Wrong: not even its end. Seen: its end."""
    arriving = [
        news("1", "stay_off", at("2026-06-02T14:00"), alert="wrong"),
        news("2", "stay_off", at("2026-06-02T18:00"), alert="wrong", kind="closed"),
        news("3", "roots_dry", at("2026-06-02T14:00"), alert="seen"),
        news("4", "roots_dry", at("2026-06-02T18:00"), alert="seen", kind="closed"),
    ]
    person = Person(marks=Marks(muted=frozenset({"seen"}), wrong=frozenset({"wrong"})))
    (digest,) = person.live(at("2026-06-02T12:00"), at("2026-06-03T12:00"), arriving)
    assert digest.news == ("4",)
    assert sorted(person.dropped) == ["1", "2", "3"]


# --- sending -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("urgent", "made", "now", "goes"),
    [
        (False, "2026-06-02T19:55", "2026-06-02T19:59", True),
        (False, "2026-06-02T19:55", "2026-06-02T20:00", False),
        (False, "2026-06-02T19:55", "2026-06-03T05:59", False),
        (False, "2026-06-02T19:55", "2026-06-03T06:00", True),
        (True, "2026-06-03T02:00", "2026-06-03T02:01", True),
        (True, "2026-06-02T20:00", "2026-06-03T01:59", True),
        (True, "2026-06-02T20:00", "2026-06-03T02:00", False),  # six hours old: it wakes nobody any more
    ],
)
def test_a_message_that_could_not_be_sent_keeps_to_the_quiet_hours(
    urgent: bool, made: str, now: str, goes: bool
) -> None:
    """What was made before the night and not taken waits for the morning, but for what is urgent and fresh."""
    message = Message("m", at(made), INTERRUPTION, urgent, "", ())
    assert may_go(message, NotificationPolicy(), LONDON, at(now)) is goes


def test_while_a_message_waits_the_rest_gathers_behind_it() -> None:
    """To a receiver that is away no more messages are piled up, but for water that runs."""
    now = at("2026-06-02T14:00")
    untold = [news("a", "stay_off", now - DAY_MS), news("w", "water_running", now - DAY_MS)]
    found = due(
        Site(name="home", title="Home", timezone=LONDON), NotificationPolicy(), untold, [], "", now, waiting=True
    )
    assert [m.news for m in found.messages] == [("w",)] and found.digest_date == ""


RULES = st.sampled_from(["frost_at_dawn", "stay_off", "window_closing", "thatch_holding", "probe_fault"])
MOMENTS = st.integers(0, 20 * 24 * 12 - 1)


@settings(max_examples=8, deadline=None)
@given(
    st.lists(st.tuples(RULES, MOMENTS, st.sampled_from(["opened", "repeated", "closed"])), max_size=60),
    st.sampled_from(["2026-03-20", "2026-06-01", "2026-09-25", "2026-10-20"]),
    st.sampled_from([LONDON, "Australia/Lord_Howe"]),
)
def test_nothing_is_lost_or_told_twice_and_the_budget_holds(
    drawn: list[tuple[str, int, str]], first: str, timezone: str
) -> None:
    """Each event is told once, but the end of a frost; a date has one digest, a week three interruptions."""
    start = at(f"{first}T00:00", timezone)
    arriving = [
        news(str(k), rule, start + moment * STEP_MIN * MINUTE_MS, kind=kind)
        for k, (rule, moment, kind) in enumerate(drawn)
    ]
    person = Person(timezone, NotificationPolicy(gather_min=0))
    told = person.live(start, start + 22 * DAY_MS, arriving, step_min=15)
    frost_over = {n.id for n in arriving if n.rule == "frost_at_dawn" and n.kind == "closed"}
    assert sorted(i for m in told for i in m.news) == sorted({n.id for n in arriving} - frost_over)
    assert set(person.dropped) == frost_over
    assert len({m.id for m in told}) == len(told)
    rule_of = {n.id: n.rule for n in arriving}
    common = [m.at_ms for m in told if m.kind == INTERRUPTION and all(rule_of[i] != "frost_at_dawn" for i in m.news)]
    assert all(sum(0 <= other - one < 7 * DAY_MS for other in common) <= 3 for one in common)
    for m in told:
        minute = datetime.fromtimestamp(m.at_ms / 1000, ZoneInfo(timezone)).hour * 60
        assert m.urgent or 360 <= minute < 1200


@pytest.mark.parametrize("rule", ["water_running", "stay_off"])
def test_what_has_ended_before_it_was_told_interrupts_nobody(rule: str) -> None:
    """Opened and closed while the messages could not be made: the digest of the morning says that it came and went."""
    arriving = [
        news("a", rule, at("2026-06-02T12:00"), alert="x"),
        news("b", rule, at("2026-06-02T12:00"), alert="x", kind="closed"),
    ]
    (told,) = Person(last_digest="2026-06-02").live(at("2026-06-02T11:00"), at("2026-06-03T10:00"), arriving)
    assert told.kind == DIGEST and told.news == ("a", "b")
