"""Waterings to come: a keeper's habit read from what he wrote down, and drawn for each member.

Expected figures are counted by hand from the timetables below; chances are Laplace's rule of succession,
(k + 1) / (n + 2).
"""

import datetime

import numpy as np
import pytest

from pipeline.forecast.waterings import Habit, WaterToCome, habit_of, habit_words, waterings_ahead
from pipeline.soil.wetting import Watering

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
NOW_MS = round(datetime.datetime(2026, 6, 15, 12, tzinfo=datetime.UTC).timestamp() * 1000)  # a Monday
BACK_H = 56 * 24
DRY = np.zeros(BACK_H)
ENOUGH = np.zeros(BACK_H, dtype=bool)
AHEAD = np.zeros((240, 60))


def watering(days_ago: float, water_mm: float = 12.0, hours: float = 1.0) -> Watering:
    start_ms = NOW_MS - round(days_ago * DAY_MS)
    return Watering(start_ms, start_ms + round(hours * HOUR_MS), water_mm)


def habit(*days_ago: float, rain_mm=DRY, short=ENOUGH, water_mm: float = 12.0) -> Habit:
    given = [watering(d, water_mm) for d in sorted(days_ago, reverse=True)]
    return habit_of(given, rain_mm, short, NOW_MS, datetime.UTC)


def drawn(one: Habit, rain_mm=AHEAD, **more) -> np.ndarray:
    back = more.pop("back", DRY)
    return waterings_ahead(WaterToCome(one, back, **more), rain_mm, NOW_MS, datetime.UTC)


def begins(water_mm: np.ndarray) -> list[list[int]]:
    """The hours in which water begins, by member."""
    on = water_mm > 0.0
    first = on & ~np.vstack([np.zeros((1, on.shape[1]), dtype=bool), on[:-1]])
    return [np.flatnonzero(column).tolist() for column in first.T]


EVERY_FOUR = tuple(1.375 + 4.0 * n for n in range(12))  # at 3:00, the last yesterday


def test_a_timetable_goes_on_to_the_hour():
    """Every fourth night at 3:00, last yesterday: next in 63 hours, then every 96, 12 mm each, in every member."""
    found = drawn(habit(*EVERY_FOUR))
    assert begins(found) == [[63, 159]] * 60
    assert found.sum(axis=0) == pytest.approx(np.full(60, 24.0))


def test_members_differ_as_the_keeper_does():
    """One who leaves three, four or five days is drawn with each of them."""
    ago = np.cumsum([1.375, 3.0, 5.0, 4.0, 5.0, 3.0, 4.0, 3.0, 5.0, 4.0])
    first = {hours[0] for hours in begins(drawn(habit(*ago)))}
    assert first == {39, 63, 87}


def test_a_new_habit_outweighs_the_old_one():
    """Ten days of deep water every third day after weeks of every day: about half of the members keep to the third.

    Weights fall by 0.8: 1 + 0.8 + 0.64 against 0.8^3 / 0.2 of the old; unweighted it were 3 of 22.
    """
    ago = [0.5, 3.5, 6.5, 9.5, *(10.5 + n for n in range(19))]
    gaps = [hours[0] for hours in begins(drawn(habit(*ago)))]
    assert np.mean([g == 60 for g in gaps]) == pytest.approx(0.49, abs=0.15)


def test_days_of_the_week_are_kept_to():
    """Mondays and Thursdays at 6:00, for six weeks: the next on Thursday and on Monday."""
    mondays = [0.25 + 7.0 * n for n in range(6)]
    one = habit(*mondays, *(d + 4.0 for d in mondays))
    assert np.flatnonzero(one.weekdays).tolist() == [0, 3]
    assert begins(drawn(one)) == [[66, 162, 234]] * 60
    assert habit_words(one) == "by the diary water of about 12 mm is counted on each Monday, Thursday"


def test_rain_makes_those_skip_who_have_skipped():
    """Twice it rained when water was due: one waited both times, one gave it both times: 3/4 and 1/4 (Laplace)."""
    rain = DRY.copy()
    for days_ago in (10.5, 30.5):
        rain[BACK_H - round(days_ago * 24) :][:4] = 5.0
    waits = [2.0, 5.0, 8.0, 13.0, 16.0, 19.0, 22.0, 25.0, 28.0, 33.0, 36.0]
    clock = [2.0 + 3.0 * n for n in range(13)]
    kinds = habit(*waits, rain_mm=rain), habit(*clock, rain_mm=rain)
    assert [one.skips for one in kinds] == pytest.approx([0.75, 0.25])
    wet = AHEAD.copy()
    wet[2:6] = 5.0
    due = [np.mean([24 in hours for hours in begins(drawn(one, wet))]) for one in kinds]
    assert due == pytest.approx([0.25, 0.75], abs=0.15)  # of 60 members


def test_who_is_long_overdue_has_stopped():
    """Every second day until a month ago: no member waters; a day late, about three in four still do."""
    assert drawn(habit(*(30.0 + 2.0 * n for n in range(10)))).sum() == 0.0
    late = drawn(habit(*(3.0 + 2.0 * n for n in range(10))))
    assert (late.sum(axis=0) > 0.0).mean() == pytest.approx(0.5**0.5, abs=0.15)


def test_who_left_out_his_days_of_the_week_has_stopped():
    """Mondays and Thursdays until five weeks ago: nobody waters; two of them left out: every second has stopped."""
    weeks = [7.25 + 7.0 * n for n in range(6)]
    both = [*weeks, *(d + 4.0 for d in weeks)]
    assert drawn(habit(*(d + 28.0 for d in both if d < 25.0))).sum() == 0.0
    late = drawn(habit(*both))
    assert (late.sum(axis=0) > 0.0).mean() == pytest.approx(0.5, abs=0.15)


def test_rain_makes_those_skip_who_keep_to_the_week():
    """Mondays only, and no rain so far: one in two skips (Laplace) after rain two days before, and waters a week on."""
    one = habit(*(0.25 + 7.0 * n for n in range(6)))
    wet = AHEAD.copy()
    wet[114:118] = 5.0  # on Saturday morning; due 162 hours from now
    given = begins(drawn(one, wet))
    assert {tuple(hours) for hours in given} == {(162,), ()}
    assert np.mean([162 in hours for hours in given]) == pytest.approx(0.5, abs=0.15)


def test_water_booked_about_tonight_takes_its_place():
    """15 mm advised for tonight at 20:00 and 5 booked at 21:00: the 5 alone, however often he heeds."""
    found = drawn(habit(3.0, 10.0), booked=(watering(-9.0 / 24.0, 5.0),), tonight=watering(-8.0 / 24.0, 15.0))
    assert found.sum(axis=0) == pytest.approx(np.full(60, 5.0))


def test_two_waterings_are_no_habit():
    """Two say nothing of what comes; what is booked comes all the same."""
    one = habit(3.0, 10.0)
    assert not one.is_known and habit_words(one) == ""
    assert drawn(one).sum() == 0.0
    booked = (watering(-2.0, 8.0),)
    assert drawn(one, booked=booked).sum(axis=0) == pytest.approx(np.full(60, 8.0))
    assert begins(drawn(one, booked=booked))[0] == [48]


def test_water_that_is_booked_takes_the_place_of_the_next():
    """Booked for tomorrow: the timetable counts on from there, four days later."""
    assert begins(drawn(habit(*EVERY_FOUR), booked=(watering(-1.0),))) == [[24, 120, 216]] * 60


def test_tonight_is_heeded_as_often_as_it_was():
    """Of ten evenings on which the roots were short he gave water on none: 1/12; on eight of ten: 9/12 (Laplace)."""
    short = ENOUGH.copy()
    evenings = [5.0 + n - 8.0 / 24.0 for n in range(10)]  # 20:00
    for days_ago in evenings:
        short[BACK_H - round(days_ago * 24)] = True
    never, often = habit(short=short), habit(*evenings[:8], short=short)
    assert [never.heeds, often.heeds] == pytest.approx([1 / 12, 9 / 12])
    tonight = watering(-8.0 / 24.0, 15.0)
    share = (drawn(never, tonight=tonight)[8] > 0.0).mean()
    assert share == pytest.approx(1 / 12, abs=0.1)


def test_goes_of_one_night_are_one_watering():
    """Three goes an hour apart, every third night: 12 mm every three days, and not one every hour."""
    goes = [Watering(w.start_ms + n * HOUR_MS, w.end_ms + n * HOUR_MS, 4.0)
            for w in (watering(1.0 + 3.0 * k) for k in range(8, -1, -1)) for n in range(3)]  # fmt: skip
    one = habit_of(goes, DRY, ENOUGH, NOW_MS, datetime.UTC)
    assert habit_words(one) == "by the diary water of about 12 mm is counted on every 3 days"


def test_the_same_night_is_drawn_the_same_way():
    """Nothing changes between two calls."""
    one = habit(*np.cumsum([1.4, 3.0, 5.0, 4.0, 5.0]))
    assert np.array_equal(drawn(one), drawn(one))
