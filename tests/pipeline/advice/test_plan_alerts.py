"""The rules about plans over hand-made outlooks: windows that open and close, last good dates, probes in the way."""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from pipeline.advice.alerts import AlertBounds, AlertState
from pipeline.advice.daily import HOUR_MS
from pipeline.advice.forecast import WetnessForecast
from pipeline.advice.healing import LastGoodDate
from pipeline.advice.locks import Buried, Intent
from pipeline.advice.plan_alerts import plan
from pipeline.advice.report import PassAdvice, SurfaceAdvice
from pipeline.advice.watch import AlertEvent, Diary, Job, Mark, Where
from pipeline.advice.window_alerts import SurfaceWatch
from pipeline.alert_bounds import AlertsConfig, WindowOpeningConfig
from tests.pipeline.advice.plan_series import (
    CLOSED,
    MAY,
    OPEN,
    SCARIFY,
    TABLE,
    UNKNOWN,
    WAIT,
    ZONE,
    Weather,
    at,
    weather,
)

SEEN = SurfaceWatch("club", "green", "Green", Where("green", "cool", False, ZONE), TABLE, (SCARIFY,))
BOUNDS = AlertBounds()


@dataclass
class Played:
    """What was said while the hours went by, and the states at the end."""

    events: list[AlertEvent] = field(default_factory=list)
    states: dict[str, AlertState] = field(default_factory=dict)

    def told(self, rule: str, begin: datetime.datetime = MAY) -> list[tuple[str, float]]:
        """Kind and hour since the begin of what a rule said."""
        return [(e.kind, (e.at_ms - at(0, begin=begin)) / HOUR_MS) for e in self.events if e.rule == rule]

    def texts(self, rule: str) -> list[str]:
        return [e.text for e in self.events if e.rule == rule]


def play(
    advice_at: Callable[[int], Sequence[PassAdvice]],
    hours: Sequence[int],
    *,
    seen: SurfaceWatch | Callable[[int], SurfaceWatch] = SEEN,
    diary: Diary | Callable[[int], Diary] | None = None,
    bounds: AlertBounds = BOUNDS,
    begin: datetime.datetime = MAY,
    restart_every: int = 5,
    nights: bool = False,
) -> Played:
    """Run the rules hour by hour, with a restart through JSON now and then."""
    played = Played()
    for hour in hours:
        if not nights and not 6 <= hour % 24 <= 20:
            continue  # nothing may be said then, as one of the tests shows
        now_ms = at(0, begin=begin) + hour * HOUR_MS
        advice = SurfaceAdvice("green", "Green", "green", tuple(advice_at(now_ms)), ())
        watched = seen(now_ms) if callable(seen) else seen
        known = diary(now_ms) if callable(diary) else Diary() if diary is None else diary
        played.states, said = plan(played.states, watched, advice, known, now_ms, bounds)
        played.events += said
        if restart_every and hour % restart_every == 0:
            kept = json.loads(json.dumps({k: s.to_json() for k, s in played.states.items()}))
            played.states = {k: AlertState.from_json(s) for k, s in kept.items()}
    return played


def windows(sky: Weather, hours: int | Sequence[int] = 10 * 24, **more) -> Played:
    steps = range(hours) if isinstance(hours, int) else hours
    return play(lambda now_ms: [sky.advice(now_ms)], steps, **more)


# --- windows that open -------------------------------------------------------------------------------------------
# Hours are counted from Wednesday 20 May, 0:00; work is done from 7:00 to 19:00. A window from day n on has its first
# open hour of work at 24 n + 10. One that ended last evening is found closed at 7:00 and is over at 19:00.


@pytest.mark.parametrize(
    ("sky", "told"),
    [
        (weather((6 * 24, 9 * 24)), [("opened", 154 - 120), ("closed", 9 * 24 + 19)]),  # five days ahead
        (weather((0, 3 * 24)), [("opened", 10), ("closed", 3 * 24 + 19)]),  # open now
        (weather((0, 30 * 24)), [("opened", 10)]),  # open all season: once
        (weather(), []),
        (weather(otherwise=WAIT), []),
        (weather(otherwise=UNKNOWN), []),
        (weather((24 + 10, 24 + 15)), []),  # five hours of work are not enough
        (weather((24 + 10, 24 + 16)), [("opened", 34), ("closed", 48 + 6)]),  # 12 h after 16:00, but not at night
        (weather((0, 48), (53, 30 * 24)), [("opened", 10)]),  # a night and a shower do not end it
        (weather((0, 48), (96, 120)), [("opened", 10), ("closed", 67), ("opened", 106), ("closed", 139)]),
        (weather((6 * 24, 9 * 24), chance=0.49), [("opened", 154), ("closed", 235)]),  # too unsure to foretell
        (weather((6 * 24, 9 * 24), chance=0.5), [("opened", 34), ("closed", 235)]),
    ],
)
def test_a_window_opens_once(sky, told):
    """Open, or due in 2 to 5 days, for 6 dry hours of work; over when closed for 12 hours (counted by hand)."""
    assert windows(sky).told("window_opening") == told


@pytest.mark.parametrize(("seen_from", "told"), [(154 - 48, 154 - 48), (154 - 47, 154), (154 - 120, 34), (0, 34)])
def test_a_window_due_sooner_than_two_days_is_told_when_it_opens(seen_from, told):
    """The forecast sees the window of day 6 from an hour on; the lead of the table is 2 to 5 days."""
    closed, sky = weather(), weather((6 * 24, 9 * 24))

    def advice(now_ms: int) -> list[PassAdvice]:
        return [(sky if now_ms >= at(0, seen_from) else closed).advice(now_ms)]

    assert play(advice, range(200)).told("window_opening")[0] == ("opened", told)


def test_rain_forecast_at_a_station_cuts_the_hours_of_work():
    """Open from 10:00 to 19:00, but rain at 13:00 and 16:00: never six dry hours in a row (by hand)."""
    sky = weather((24, 48))

    def rained(*hours: int) -> Callable[[int], SurfaceWatch]:
        def seen(now_ms: int) -> SurfaceWatch:
            rain = np.zeros((72, 2))
            for hour in hours:
                place = (at(1, hour) - now_ms) // HOUR_MS
                if 0 <= place < 72:
                    rain[place] = 1.0
            wetness = np.zeros((73, 2))
            return replace(SEEN, forecasts=(WetnessForecast(now_ms, wetness, wetness, rain),))

        return seen

    assert windows(sky, range(48), seen=rained(13, 16)).events == []
    assert windows(sky, range(48), seen=rained(12)).told("window_opening") == [("opened", 34)]  # 13:00 to 19:00


@pytest.mark.parametrize(
    ("month", "south", "grass", "months", "count"),
    [
        (5, False, "cool", (), 1),
        (7, False, "cool", (), 0),  # scarifying is for April, May, August, September
        (11, False, "cool", (), 0),
        (11, True, "cool", (), 1),  # half a year off
        (5, True, "cool", (), 0),
        (7, False, "warm", (), 1),  # May to July on warm-season turf
        (8, False, "warm", (), 0),
        (7, False, "cool", (7,), 1),  # months of the site's own
        (5, False, "cool", (7,), 0),
    ],
)
def test_windows_are_told_in_the_season_of_the_pass(month, south, grass, months, count):
    """Usual months of the pass by grass, shifted by six south of the equator; the site's months stand over them."""
    begin = datetime.datetime(2026, month, 6, tzinfo=ZONE)
    sky, seen = weather((0, 3 * 24), begin=begin), replace(SEEN, where=Where("green", grass, south, ZONE))
    bounds = AlertBounds.from_config(AlertsConfig(window_opening=WindowOpeningConfig(months=months)))
    told = windows(sky, range(20), seen=seen, bounds=bounds, begin=begin).told("window_opening", begin)
    assert told == [("opened", 10)] * count


def job(kind: str, variant: str, day: float, hour: float = 9.0, depth_m: float | None = None) -> Job:
    return Job(kind, variant, at(day, hour), at(day, hour + 6), depth_m)


@pytest.mark.parametrize(
    ("kind", "variant", "planned", "booked", "count"),
    [
        ("scarifying", "standard", False, False, 0),
        ("scarifying", "standard", True, False, 1),
        ("scarifying", "standard", False, True, 1),
        ("light_raking", "standard", False, True, 0),  # brushed whenever there is an hour
        ("light_raking", "standard", True, False, 1),
    ],
)
def test_only_passes_somebody_thinks_of_are_news(kind, variant, planned, booked, count):
    """Planned in the settings or booked in the diary; light raking only where it is planned."""
    intent = Intent(kind, TABLE.facts[kind].variants[0], 0.0)
    seen = replace(SEEN, planned=(intent,) if planned else ())
    diary = Diary(booked=(job(kind, intent.variant, 3, depth_m=0.0),) if booked else ())
    played = windows(weather((0, 10 * 24), intent=intent), range(30), seen=seen, diary=diary)
    assert len(played.told("window_opening")) == count


def test_a_pass_no_longer_planned_is_let_go():
    """Its alert is closed with a word, and its state is not kept."""
    sky = weather((0, 10 * 24))

    def seen(now_ms: int) -> SurfaceWatch:
        return SEEN if now_ms < at(1) else replace(SEEN, planned=())

    played = windows(sky, range(40), seen=seen)
    assert played.told("window_opening") == [("opened", 10), ("closed", 30)]
    assert "not planned any more" in played.texts("window_opening")[1] and played.states == {}


def test_nothing_is_told_when_nobody_can_act():
    """On a match day it waits for the next; with play within the lead time of the pass nothing is told at all."""
    sky = weather((0, 12 * 24))
    match = Diary(plays=((at(0, 14), at(0, 18)),))
    assert windows(sky, range(48), diary=match).told("window_opening") == [("opened", 34)]
    lead = TABLE.lead_days("scarifying", "standard")
    assert lead > 1
    soon = Diary(plays=((at(lead - 1, 14), at(lead - 1, 18)),))
    assert windows(sky, range(24), diary=soon).told("window_opening") == []
    later = Diary(plays=((at(lead + 1, 14), at(lead + 1, 18)),))
    assert windows(sky, range(24), diary=later).told("window_opening") == [("opened", 10)]


def test_nothing_about_plans_is_told_at_night():
    """A pass that is open day and night is told at 7:00, when there is work in it, and let go in the morning."""
    verdicts = np.full(30 * 24, OPEN)
    verdicts[3 * 24 + 10 :] = CLOSED
    played = windows(Weather(verdicts), 8 * 24, nights=True)
    assert played.told("window_opening") == [("opened", 7), ("closed", 4 * 24 + 6)]
    assert all(6 <= ((e.at_ms - at(0)) // HOUR_MS) % 24 < 20 for e in played.events)


def test_what_is_not_known_neither_opens_nor_closes_a_window():
    """Two days without a reading in the middle of a window, with nothing known ahead, leave its alert as it is."""
    sky, silent = weather((0, 8 * 24)), weather(otherwise=UNKNOWN)

    def advice(now_ms: int) -> list[PassAdvice]:
        return [(silent if at(0, 30) <= now_ms < at(0, 78) else sky).advice(now_ms)]

    assert play(advice, range(6 * 24)).told("window_opening") == [("opened", 10)]


def test_a_window_open_now_says_nothing_it_does_not_know():
    """Open now is sure, whatever the chance of later days; an end after which nothing is known is no end."""
    long = weather((0, 9 * 24), chance=0.2)
    assert windows(long, range(12)).texts("window_opening") == [
        "Green: window for scarifying to 8 mm is open now and for days to come."
    ]
    short = weather((0, 3 * 24), chance=0.2)
    assert windows(short, range(12)).texts("window_opening") == [
        "Green: window for scarifying to 8 mm is open now, until Fri 19:00. Then rain."
    ]
    dark = weather((0, 3 * 24), otherwise=UNKNOWN)
    played = windows(dark, range(60))
    assert played.texts("window_opening") == ["Green: window for scarifying to 8 mm is open now and for days to come."]
    assert played.told("window_closing") == []


def test_an_outlook_that_ends_is_no_window_that_closes():
    """Four days are known and all are open: that nothing is known of the fifth closes nothing."""
    assert windows(weather((0, 4 * 24), days=4), range(80)).told("window_closing") == []


def test_a_window_that_moves_by_a_day_is_told_again_when_it_was_near():
    """Due Tuesday 10:00; on Monday the forecast moves it to Thursday: said once, from a day before on (by hand)."""
    before, after = weather((6 * 24, 9 * 24)), weather((8 * 24, 11 * 24))

    def advice(now_ms: int) -> list[PassAdvice]:
        return [(before if now_ms < at(4) else after).advice(now_ms)]

    played = play(advice, range(180))
    assert played.told("window_opening") == [("opened", 34), ("repeated", 154 - 24)]
    assert played.texts("window_opening")[1] == "Green: the window for scarifying to 8 mm has moved to Thu 10:00."


def test_a_window_that_fails_to_come_is_called_off():
    """Due Tuesday; on Friday it has gone from the forecast: called off when it has been out of sight for 12 hours."""
    before, after = weather((6 * 24, 9 * 24)), weather()

    def advice(now_ms: int) -> list[PassAdvice]:
        return [(before if now_ms < at(2, 7) else after).advice(now_ms)]

    played = play(advice, range(100))
    assert played.told("window_opening") == [("opened", 34), ("closed", 48 + 19)]
    assert played.texts("window_opening")[1] == "Green: no window for scarifying to 8 mm after all, rain."


def test_the_line_of_a_window_says_when_how_sure_and_what_first():
    """As a groundsman says it: the pass, from when to when, how sure, what then, and which probes to lift."""
    sky = weather((3 * 24, 5 * 24), chance=0.72)

    def advice(now_ms: int) -> list[PassAdvice]:
        one = sky.advice(now_ms)
        lifted = tuple(replace(w, lift_first=("p2", "p3")) for w in one.outlook.windows)
        return [replace(one, outlook=replace(one.outlook, windows=lifted))]

    assert play(advice, range(12)).texts("window_opening") == [
        "Green: window for scarifying to 8 mm from Sat 10:00 to Sun 19:00, 7 in 10. Then rain. Lift p2 and p3 first."
    ]


# --- windows that close ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sky", "told"),
    [
        # six days of work, the last until 19:00 on day 5: 48 h before is the evening of day 3, so at 10:00 on day 4
        (weather((0, 6 * 24)), [("opened", 4 * 24 + 10), ("closed", 6 * 24 + 19)]),
        (weather((0, 30 * 24)), []),  # no end in sight
        (weather((0, 24)), []),  # its end was told when it opened
        (weather((24 + 10, 24 + 13)), []),  # three hours: nobody called that a window
    ],
)
def test_a_window_that_closes_is_told_once(sky, told):
    """Open now and closed within 48 h, once, not within a day of its opening (counted by hand)."""
    assert windows(sky).told("window_closing") == told


def test_a_closing_window_says_until_when():
    """The line has the end, what ends it, and no more."""
    assert windows(weather((0, 3 * 24))).texts("window_closing")[0] == (
        "Green: the window for scarifying to 8 mm closes Fri 19:00, then rain."
    )


def test_a_closing_window_that_runs_on_for_long_may_be_told_again():
    """On Friday it closes Saturday; on Saturday the forecast has it open for a week: told so, and again at that end."""
    short, long = weather((0, 4 * 24)), weather((0, 12 * 24))

    def advice(now_ms: int) -> list[PassAdvice]:
        return [(short if now_ms < at(3) else long).advice(now_ms)]

    told = play(advice, range(13 * 24)).told("window_closing")
    assert told == [("opened", 58), ("closed", 78), ("opened", 10 * 24 + 10), ("closed", 12 * 24 + 19)]


# --- marks -------------------------------------------------------------------------------------------------------


def marked(sky: Weather, mark: str, hour: float, end_hour: float | None = None) -> Callable[[int], Diary]:
    """Somebody marks the first alert at an hour."""
    alert = windows(sky, range(40)).events[0].alert_id
    written = Mark(mark, at(0, hour), None if end_hour is None else at(0, end_hour))

    def diary(now_ms: int) -> Diary:
        return Diary(marks={alert: (written,)} if now_ms >= at(0, hour) else {})

    return diary


def test_an_alert_marked_wrong_is_closed_and_stays_shut_until_it_is_over():
    """Nothing more is said of that window, neither that it closes nor its end at 139 h; the next one is told."""
    sky = weather((3 * 24, 5 * 24), (10 * 24, 12 * 24))
    played = windows(sky, range(152), diary=marked(sky, "wrong", 20))
    assert [(e.kind, e.rule) for e in played.events] == [(k, "window_opening") for k in ("opened", "closed", "opened")]
    assert played.told("window_opening") == [("opened", 6), ("closed", 20), ("opened", 6 * 24 + 6)]
    assert "marked wrong" in played.texts("window_opening")[1]


@pytest.mark.parametrize(
    ("mark", "end_hour", "told"),
    [
        ("seen", None, [("opened", 34)]),
        ("snoozed", None, [("opened", 34)]),
        ("snoozed", 160, [("opened", 34), ("repeated", 160)]),  # it was said, still open, at the end of the snooze
        ("snoozed", 146, [("opened", 34), ("repeated", 150)]),  # which was 2:00: in the morning
        ("snoozed", 100, [("opened", 34), ("repeated", 102), ("repeated", 130)]),  # 4:00; and the news that it moved
    ],
)
def test_seen_and_snoozed_hold_repeats_back(mark, end_hour, told):
    """The window moves on Monday, which would be said at 130 h; a mark at 60 h keeps it back (by hand)."""
    before, after = weather((6 * 24, 9 * 24)), weather((8 * 24, 11 * 24))

    def advice(now_ms: int) -> list[PassAdvice]:
        return [(before if now_ms < at(4) else after).advice(now_ms)]

    assert play(advice, range(180), diary=marked(before, mark, 60, end_hour)).told("window_opening") == told


def test_restarts_change_nothing():
    """A restart through JSON at every hour leads to the same events, with the same ids, as none at all."""
    sky = weather((0, 2 * 24), (6 * 24, 8 * 24))
    often, never = windows(sky, restart_every=1, nights=True), windows(sky, restart_every=0, nights=True)
    assert often.events == never.events and len({e.id for e in often.events}) == len(often.events) >= 6


def test_a_rule_switched_off_says_nothing():
    """Its open alert stays as it was until somebody switches it on again."""
    sky, off = weather((0, 3 * 24)), AlertBounds.from_config(AlertsConfig(window_opening=WindowOpeningConfig(False)))
    assert windows(sky, bounds=off).told("window_opening") == []


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
    done = Job("scarifying", "standard", round(begin), round(begin) + HOUR_MS)

    def diary(now_ms: int) -> Diary:
        return Diary(made=(done,) if now_ms >= done.start_ms else ())

    assert last_days(diary=diary, days=30) == [("opened", "08-22" + MORNING), ("closed", "08-26 09:00")]
    assert last_days(diary=Diary(made=(replace_job(done, -10),)), days=30) == []


def replace_job(made: Job, days: float) -> Job:
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
    plays = Diary(plays=((at(12, 12, AUGUST), at(12, 18, AUGUST)),))
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
    diary: Diary | Callable[[int], Diary],
    *,
    buried: Callable[[int], tuple[Buried, ...]] | None = None,
    hours: int = 168,
    nights: bool = False,
) -> Played:
    def seen(now_ms: int) -> SurfaceWatch:
        return replace(SEEN, buried=(SHALLOW, DEEP) if buried is None else buried(now_ms))

    return play(lambda now_ms: [weather().advice(now_ms)], range(hours), seen=seen, diary=diary, nights=nights)


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
    played = lifting(Diary(booked=(booked,)), nights=True)
    assert played.told("lift_probes") == told
    assert all("Lift t1 before" in text for text in played.texts("lift_probes")[:-1])


def test_depth_of_the_cut_decides_what_lies_in_the_way():
    """34 mm is clear of an 8 mm cut and in the way of a 10 mm one, which is booked deeper than planned."""
    (first, *_) = lifting(Diary(booked=(job("scarifying", "standard", 3, depth_m=0.010),))).texts("lift_probes")
    assert first == "Green: scarifying is booked on Saturday. Lift t1 and p1 before: they lie in the way of the blades."


def test_lifted_probes_close_it_and_one_put_back_opens_it_again():
    """Written down as lifted on day 3; put back on day 4 by mistake, it is told anew the same day."""

    def buried(now_ms: int) -> tuple[Buried, ...]:
        return (replace(SHALLOW, lifted=at(3, 8) <= now_ms < at(4, 8)),)

    told = lifting(Diary(booked=(job("scarifying", "standard", 5),)), buried=buried).told("lift_probes")
    assert told[:3] == [("opened", 54), ("closed", 80), ("opened", 104)]


def test_a_booking_written_anew_is_the_same_and_one_struck_is_let_go():
    """Another hour of the same day is no news; a booking that is gone closes the alert."""

    def anew(now_ms: int) -> Diary:
        return Diary(booked=(job("scarifying", "standard", 5, 9 if now_ms < at(3) else 11),))

    assert lifting(anew, hours=120).told("lift_probes") == [("opened", 54), ("repeated", 102)]

    def struck(now_ms: int) -> Diary:
        return Diary(booked=(job("scarifying", "standard", 5),) if now_ms < at(3, 2) else ())

    assert lifting(struck).told("lift_probes") == [("opened", 54), ("closed", 78)]


def test_seen_keeps_the_later_words_back():
    """Whoever has ticked it off is not told again."""
    diary = Diary(booked=(job("scarifying", "standard", 5),))
    alert = lifting(diary, hours=60).events[0].alert_id
    seen = replace(diary, marks={alert: (Mark("seen", at(2, 8)),)})
    assert lifting(seen).told("lift_probes") == [("opened", 54), ("closed", 150)]
