"""Outlooks of several stations as one, no surer than an ensemble, cut to the hours of work."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from pipeline.advice.conditions import (
    Row,
    Verdict,
)
from pipeline.advice.windows import ensemble_share, in_work_hours, join_outlooks, with_chance
from pipeline.diary.facts import (
    Buried,
)
from pipeline.forecast.wetness import WetnessForecast
from pipeline.site.passes import Bounds
from pipeline.units import HOUR_MS
from tests.pipeline.advice.window_series import NOW_MS, good_hours, ground, hour, look, series

UTC, LONDON = ZoneInfo("UTC"), ZoneInfo("Europe/London")
OPEN, WAIT, CLOSED, UNKNOWN = Verdict


def thatch(before: float, turn: int, after: float) -> np.ndarray:
    values = series(before)
    values[hour(turn) :] = after
    return values


def verdict_at(outlook, hours: int) -> Verdict:
    at_ms = NOW_MS + hours * HOUR_MS
    return next(w.verdict for w in outlook.windows if w.span.start_ms <= at_ms < w.span.end_ms)


def hours_of(window) -> int:
    return (window.span.end_ms - window.span.start_ms) // HOUR_MS


def test_one_station_stands_as_it_is():
    """A surface with one station is told as that station is."""
    one = look()
    assert join_outlooks([("north end", one)]) is one


def test_a_window_is_open_only_where_every_station_is():
    """North open up to hour 10, south from hour 4: the surface from 4 to 10, and the reason names who binds."""
    north = look(hours=good_hours(thatch_wetness=thatch(0.6, 10, 0.9)))
    south = look(hours=good_hours(thatch_wetness=thatch(1.5, 4, 0.6)))
    both = join_outlooks([("north end", north), ("south end", south)])
    assert [verdict_at(both, h) for h in (0, 3, 4, 9, 10, 40)] == [CLOSED, CLOSED, OPEN, OPEN, WAIT, WAIT]
    assert both.windows[0].reason == "thatch too wet (south end)"
    assert next(w for w in both.windows if w.verdict is WAIT).reason == "thatch too wet (north end)"
    assert both.windows[0].span.start_ms == north.windows[0].span.start_ms
    assert all(a.span.end_ms == b.span.start_ms for a, b in zip(both.windows, both.windows[1:], strict=False))
    assert both.verdicts.tolist() == [int(verdict_at(both, h)) for h in range(both.verdicts.size)]


def test_silence_of_one_station_is_not_overheard():
    """One that cannot tell keeps the surface from being open, and one that is closed closes it all the same."""
    silent = look(ground=ground(newest_reading_ms=NOW_MS - 9 * HOUR_MS))
    wet = look(hours=good_hours(thatch_wetness=series(1.5)))
    assert verdict_at(join_outlooks([("a", look()), ("b", silent)]), 0) is UNKNOWN
    assert verdict_at(join_outlooks([("a", wet), ("b", silent)]), 0) is CLOSED


def test_stations_that_agree_are_not_named():
    """The same reason everywhere is told once, without a name."""
    wet = look(hours=good_hours(thatch_wetness=series(1.5)))
    both = join_outlooks([("north end", wet), ("south end", wet)])
    assert both.windows[0].reason == "thatch too wet"


def test_what_lies_in_the_way_anywhere_is_lifted_everywhere():
    """Probes of both stations are named."""
    pair = [look(ground=ground(buried=(Buried(name, 0.01),))) for name in ("t1", "t2")]
    assert join_outlooks([("a", pair[0]), ("b", pair[1])]).windows[0].lift_first == ("t1", "t2")


def test_the_surface_is_as_sure_as_its_weakest_station():
    """The lower chance of each hour stands."""
    sure, unsure = (
        look(hours=replace(good_hours(), spread={"thatch_wetness": series(spread)})) for spread in (0.01, 0.1)
    )
    both = join_outlooks([("a", sure), ("b", unsure)])
    assert both.chance == pytest.approx(unsure.chance)
    assert both.windows[0].chance == pytest.approx(float(unsure.chance[: hours_of(both.windows[0])].mean()))


def test_chance_is_no_surer_than_the_ensemble():
    """In each hour the lower of both; where the ensemble does not reach, the outlook's own."""
    own = look(hours=replace(good_hours(), spread={"thatch_wetness": series(0.02)}))
    share = np.full(own.at_ms.size, 0.4)
    share[10:] = np.nan
    found = with_chance(own, share)
    assert found.chance[:10] == pytest.approx(np.full(10, 0.4))
    assert found.chance[10:] == pytest.approx(own.chance[10:])
    assert found.windows[0].chance == pytest.approx(float(found.chance[: hours_of(found.windows[0])].mean()))


def forecast(thatch_by_member, rain_by_member, hours=48) -> WetnessForecast:
    members = len(thatch_by_member)
    return WetnessForecast(
        NOW_MS,
        np.tile(np.array(thatch_by_member), (hours + 1, 1)),
        np.full((hours + 1, members), 0.8),
        np.tile(np.array(rain_by_member), (hours, 1)),
    )


ROWS = {
    "thatch_wetness": Row(Bounds(open_lo=0.3, open_hi=0.7), 0, "made up"),
    "root_zone_wetness": Row(Bounds(open_lo=0.5), 0, "made up"),
    "rain_ahead": Row(Bounds(open_hi=2.0), 12, "made up"),
    "root_zone_wetness_clay": Row(Bounds(open_lo=0.9), 0, "made up"),
    "rain_ahead_no_water": Row(Bounds(open_lo=1.0), 12, "made up"),
    "lead_time": Row(Bounds(open_lo=5.0), 0, "made up"),
}


def test_share_counts_members_in_which_wetness_and_rain_are_both_good():
    """Of four members one is too wet, one has 3 mm in twelve hours, two are good: a half."""
    made = forecast([0.5, 0.9, 0.5, 0.6], [0.0, 0.0, 0.25, 0.1])
    share = ensemble_share(ROWS, made, 48, water_to_hand=True, clay=False)
    assert share[:37] == pytest.approx(np.full(37, 0.5))
    assert np.isnan(share[37:]).all()  # twelve hours of rain are not known there


def test_share_asks_what_the_ground_asks():
    """On clay 0.8 in the roots is too dry for all; without water to hand the dry members wait for rain."""
    made = forecast([0.5, 0.5], [0.0, 0.1])
    assert ensemble_share(ROWS, made, 20, water_to_hand=True, clay=True)[0] == 0.0
    assert ensemble_share(ROWS, made, 20, water_to_hand=False, clay=False)[0] == pytest.approx(0.5)


def test_share_is_not_known_without_members():
    """A forecast that was withheld tells no chance, and hours beyond its end neither."""
    none = WetnessForecast(NOW_MS, np.zeros((1, 0)), np.zeros((1, 0)), np.zeros((0, 0)), reason="no weather")
    assert np.isnan(ensemble_share(ROWS, none, 5, water_to_hand=True, clay=False)).all()
    assert np.isnan(ensemble_share(ROWS, forecast([0.5], [0.0]), 60, water_to_hand=True, clay=False)[48:]).all()


def test_windows_are_cut_to_the_hours_of_work():
    """From seven to seven of the place's clock, day by day; verdicts by the hour stay."""
    bare = look()
    cut = in_work_hours(bare, LONDON, (7, 19))  # now is Wednesday 7:00 in London
    assert cut.windows[0].span.start_ms == NOW_MS
    assert [(w.span.end_ms - w.span.start_ms) // HOUR_MS for w in cut.windows[:3]] == [12, 12, 12]
    assert cut.windows[1].span.start_ms == NOW_MS + 24 * HOUR_MS
    assert (cut.verdicts == bare.verdicts).all()


def test_night_falls_out_of_the_windows():
    """What opens at night only is no window; what opens in the night begins in the morning."""
    by_night = series(1.5)
    by_night[hour(14) : hour(22)] = 0.6  # 21:00 to 5:00 in London
    cut = in_work_hours(look(hours=good_hours(thatch_wetness=by_night)), LONDON, (7, 19))
    assert {w.verdict for w in cut.windows} == {CLOSED}
    late = series(1.5)
    late[hour(20) :] = 0.6  # from 3:00 on
    cut = in_work_hours(look(hours=good_hours(thatch_wetness=late)), LONDON, (7, 19))
    first = next(w for w in cut.windows if w.verdict is OPEN)
    assert first.span.start_ms == NOW_MS + 24 * HOUR_MS
