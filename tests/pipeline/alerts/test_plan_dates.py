"""The rules about plans over hand-made outlooks: last good dates, and probes in the way of what is booked."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import replace

import pytest

from pipeline.advice.conditions import Verdict
from pipeline.advice.healing import LastGoodDate
from pipeline.advice.report import PassAdvice
from pipeline.alerts.plans import SurfaceWatch
from pipeline.diary.facts import (
    AlertMark,
    Buried,
    DatedPass,
    DiaryFacts,
)
from pipeline.units import HOUR_MS
from tests.pipeline.alerts.plan_series import (
    SEEN,
    TABLE,
    ZONE,
    Played,
    at,
    job,
    play,
    weather,
)

# --- last good dates ---------------------------------------------------------------------------------------------

AUGUST = datetime.datetime(2026, 8, 10, tzinfo=ZONE)  # a Monday


def day(month: int, of_month: int) -> datetime.date:
    return datetime.date(2026, month, of_month)


SAFE, GROWTH_ENDS = day(9, 12), day(11, 3)


def last_days(
    safe: datetime.date | Callable[[int], datetime.date | None] | None = SAFE,
    *,
    begin: datetime.datetime = AUGUST,
    days: int = 40,
    for_play: bool = False,
    needed_on: datetime.date | Callable[[datetime.date], datetime.date] = GROWTH_ENDS,
    by_lead: bool = False,
    **more,
) -> list[tuple[str, str]]:
    """What was said of the last good date, asked every three hours: kind and local time."""
    sky = weather(begin=begin, days=days + 15)

    def advice(now_ms: int) -> list[PassAdvice]:
        today = datetime.datetime.fromtimestamp(now_ms / 1000, ZONE).date()
        known = safe(now_ms) if callable(safe) else safe
        still = known if known is not None and known >= today else None
        end = needed_on(today) if callable(needed_on) else needed_on
        good = LastGoodDate(still, still, by_lead)
        return [replace(sky.advice(now_ms), last_good=good, needed_on=end, for_play=for_play)]

    played = play(advice, range(0, days * 24, 3), begin=begin, **more)
    told = [e for e in played.events if e.rule == "last_good_date"]
    return [(e.kind, str(datetime.datetime.fromtimestamp(e.at_ms / 1000, ZONE))[5:16]) for e in told]


MORNING = " 06:00"
LATE = (("opened", "08-10"), ("repeated", "08-14"), ("closed", "08-22"))
THREE = [("opened", "08-22" + MORNING), ("repeated", "08-29" + MORNING), ("repeated", "09-05" + MORNING)]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({}, [*THREE, ("closed", "09-13" + MORNING)]),  # 21, 14 and 7 days before 12 September; the day after
        ({"safe": None}, []),
        ({"safe": day(10, 20), "days": 60}, [("opened", "09-29" + MORNING)]),  # 14 and 7 days before lie in October
        ({"safe": day(8, 21)}, [(k, d + MORNING) for k, d in LATE]),  # known late: at two weeks, then at one
        ({"safe": day(7, 15), "begin": AUGUST - datetime.timedelta(days=60)}, []),  # not in June and July
        ({"by_lead": True, "for_play": True, "needed_on": day(11, 3)}, []),  # the lead time sets it, not growth
        ({"for_play": True, "needed_on": lambda today: today + datetime.timedelta(days=5)}, []),  # a match every week
        ({"for_play": True, "needed_on": day(10, 3)}, [*THREE, ("closed", "09-13" + MORNING)]),
    ],
)  # fmt: skip
def test_the_last_good_date_is_told_three_two_and_one_week_before(change, told):
    """Dates counted back from the safe day by hand; in May, August and September."""
    assert last_days(**change) == told


def test_a_pass_that_is_made_needs_no_last_date():
    """Made in time it is closed; made a month before it is not called for at all."""
    begin = (AUGUST + datetime.timedelta(days=16, hours=9)).timestamp() * 1000
    done = DatedPass("scarifying", "standard", round(begin), round(begin) + HOUR_MS)

    def diary(now_ms: int) -> DiaryFacts:
        return DiaryFacts(made=(done,) if now_ms >= done.start_ms else ())

    assert last_days(diary=diary, days=30) == [("opened", "08-22" + MORNING), ("closed", "08-26 09:00")]
    assert last_days(diary=DiaryFacts(made=(replace_job(done, -10),)), days=30) == []


def replace_job(made: DatedPass, days: float) -> DatedPass:
    return made._replace(start_ms=made.start_ms + round(days * 24 * HOUR_MS))


def test_a_last_date_that_moves_is_not_said_twice():
    """The forecast moves the safe day to and fro by three days: three words all the same. Far off it is closed."""

    def to_and_fro(now_ms: int) -> datetime.date:
        return day(9, 12) if (now_ms // (24 * HOUR_MS)) % 2 else day(9, 9)

    assert [kind for kind, _ in last_days(to_and_fro, days=30)] == ["opened", "repeated", "repeated"]

    def far(now_ms: int) -> datetime.date:
        return day(9, 12) if now_ms < at(15, begin=AUGUST) else day(10, 10)

    assert last_days(far, days=20) == [("opened", "08-22" + MORNING), ("closed", "08-25" + MORNING)]


def test_a_last_date_waits_for_the_day_after_a_match():
    """On the 22nd there is play: it is said on the 23rd."""
    plays = DiaryFacts(plays=((at(12, 12, AUGUST), at(12, 18, AUGUST)),))
    lead = TABLE.lead_days("scarifying", "standard")
    told = last_days(diary=plays, days=18)
    assert told == [("opened", "08-23" + MORNING)] and lead > 0


def test_the_line_of_a_last_date():
    """What, before what, by when, how long that is."""
    sky, safe = weather(begin=AUGUST), LastGoodDate(day(8, 20), day(8, 26), False)

    def advice(now_ms: int) -> list[PassAdvice]:
        return [replace(sky.advice(now_ms), last_good=safe, needed_on=day(11, 3))]

    (said,) = play(advice, range(8), begin=AUGUST).texts("last_good_date")
    assert said == "Green: to heal before growth ends about 3 Nov, do the scarifying by 20 Aug, 10 days from now."


# --- probes in the way -------------------------------------------------------------------------------------------

SHALLOW, DEEP = Buried("t1", 0.010), Buried("p1", 0.034)  # 8 mm of cut and 25 of clearance are 33


def lifting(
    diary: DiaryFacts | Callable[[int], DiaryFacts],
    *,
    buried: Callable[[int], tuple[Buried, ...]] | None = None,
    hours: int = 168,
    nights: bool = False,
    otherwise: Verdict = Verdict.WAIT,
) -> Played:
    def seen(now_ms: int) -> SurfaceWatch:
        return replace(SEEN, buried=(SHALLOW, DEEP) if buried is None else buried(now_ms))

    sky = weather(otherwise=otherwise)
    return play(lambda now_ms: [sky.advice(now_ms)], range(hours), seen=seen, diary=diary, nights=nights)


@pytest.mark.parametrize(
    ("booked", "told"),
    [
        (job("scarifying", "standard", 5), [("opened", 54), ("repeated", 102), ("repeated", 126), ("closed", 150)]),
        (job("scarifying", "standard", 1), [("opened", 6), ("repeated", 30), ("closed", 54)]),  # booked late
        (job("scarifying", "standard", 5, depth_m=0.0), []),  # nothing is cut
        (job("topdressing", "light", 5, depth_m=0.0), []),
    ],
)
def test_probes_in_the_way_are_told_three_days_one_day_and_the_morning_before(booked, told):
    """Booked for 9:00: said at 6:00 three days before, the day before, that morning; over with the day (by hand)."""
    played = lifting(DiaryFacts(booked=(booked,)), nights=True)
    assert played.told("lift_probes") == told
    assert all("Lift the t1 probe first" in text for text in played.texts("lift_probes")[:-1])


def test_of_a_pass_that_is_shut_probes_are_told_on_its_morning_alone():
    """The plan says not to do it; who does it all the same is told on the day."""
    played = lifting(DiaryFacts(booked=(job("scarifying", "standard", 5),)), nights=True, otherwise=Verdict.CLOSED)
    assert played.told("lift_probes") == [("opened", 126), ("closed", 150)]
    assert "if it is done all the same: its hour is shut" in played.texts("lift_probes")[0]


def test_depth_of_the_cut_decides_what_lies_in_the_way():
    """34 mm is clear of an 8 mm cut and in the way of a 10 mm one, which is booked deeper than planned."""
    (first, *_) = lifting(DiaryFacts(booked=(job("scarifying", "standard", 3, depth_m=0.010),))).texts("lift_probes")
    assert (
        first == "Green: scarifying is booked on Saturday. "
        "Lift the t1 probe and the p1 probe first: they lie in the way of the blades."
    )


def test_lifted_probes_close_it_and_one_put_back_opens_it_again():
    """Written down as lifted on day 3; put back on day 4 by mistake, it is told anew the same day."""

    def buried(now_ms: int) -> tuple[Buried, ...]:
        return (replace(SHALLOW, lifted=at(3, 8) <= now_ms < at(4, 8)),)

    told = lifting(DiaryFacts(booked=(job("scarifying", "standard", 5),)), buried=buried).told("lift_probes")
    assert told[:3] == [("opened", 54), ("closed", 80), ("opened", 104)]


def test_a_booking_written_anew_is_the_same_and_one_struck_is_let_go():
    """Another hour of the same day is no news; a booking that is gone closes the alert."""

    def anew(now_ms: int) -> DiaryFacts:
        return DiaryFacts(booked=(job("scarifying", "standard", 5, 9 if now_ms < at(3) else 11),))

    assert lifting(anew, hours=120).told("lift_probes") == [("opened", 54), ("repeated", 102)]

    def struck(now_ms: int) -> DiaryFacts:
        return DiaryFacts(booked=(job("scarifying", "standard", 5),) if now_ms < at(3, 2) else ())

    assert lifting(struck).told("lift_probes") == [("opened", 54), ("closed", 78)]


def test_seen_keeps_the_later_words_back():
    """Whoever has ticked it off is not told again."""
    diary = DiaryFacts(booked=(job("scarifying", "standard", 5),))
    alert = lifting(diary, hours=60).events[0].alert_id
    seen = replace(diary, marks={alert: (AlertMark("seen", at(2, 8)),)})
    assert lifting(seen).told("lift_probes") == [("opened", 54), ("closed", 150)]
