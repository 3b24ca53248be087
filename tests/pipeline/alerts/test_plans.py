"""The rules about plans over hand-made outlooks: windows that open and close, and marks on them."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from pipeline.advice.report import PassAdvice
from pipeline.alerts.model import (
    Where,
)
from pipeline.alerts.plans import SurfaceWatch, WindowOpeningBounds
from pipeline.diary.facts import (
    AlertMark,
    DiaryFacts,
    Intent,
)
from pipeline.forecast.wetness import WetnessForecast
from pipeline.units import HOUR_MS
from tests.pipeline.alerts.plan_series import (
    CLOSED,
    OPEN,
    SEEN,
    TABLE,
    UNKNOWN,
    WAIT,
    ZONE,
    Weather,
    at,
    job,
    play,
    weather,
    windows,
)

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
    bounds = {"window_opening": WindowOpeningBounds(months=months)}
    told = windows(sky, range(20), seen=seen, bounds=bounds, begin=begin).told("window_opening", begin)
    assert told == [("opened", 10)] * count


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
    diary = DiaryFacts(booked=(job(kind, intent.variant, 3, depth_m=0.0),) if booked else ())
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
    match = DiaryFacts(plays=((at(0, 14), at(0, 18)),))
    assert windows(sky, range(48), diary=match).told("window_opening") == [("opened", 34)]
    lead = TABLE.lead_days("scarifying", "standard")
    assert lead > 1
    soon = DiaryFacts(plays=((at(lead - 1, 14), at(lead - 1, 18)),))
    assert windows(sky, range(24), diary=soon).told("window_opening") == []
    later = DiaryFacts(plays=((at(lead + 1, 14), at(lead + 1, 18)),))
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
        "Green: window for scarifying to 8 mm from Sat 10:00 to Sun 19:00, 7 in 10 on its first day. Then rain. "
        "Lift the p2 probe and the p3 probe first."
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


def marked(sky: Weather, mark: str, hour: float, end_hour: float | None = None) -> Callable[[int], DiaryFacts]:
    """Somebody marks the first alert at an hour."""
    alert = windows(sky, range(40)).events[0].alert_id
    written = AlertMark(mark, at(0, hour), None if end_hour is None else at(0, end_hour))

    def diary(now_ms: int) -> DiaryFacts:
        return DiaryFacts(marks={alert: (written,)} if now_ms >= at(0, hour) else {})

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
    sky, off = (
        weather((0, 3 * 24)),
        {"window_opening": WindowOpeningBounds(enabled=False)},
    )
    assert windows(sky, bounds=off).told("window_opening") == []
