"""Outlooks of several stations as one, no surer than an ensemble, cut to the hours of work."""

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from pipeline.advice.conditions import (
    Verdict,
)
from pipeline.advice.windows import in_work_hours, join_outlooks
from pipeline.diary.facts import (
    Buried,
)
from pipeline.units import HOUR_MS
from tests.pipeline.advice.window_series import NOW_MS, good_hours, ground, hour, look, series, with_courses

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
    sure, unsure = (look(hours=with_courses(good_hours(), thatch=miss)) for miss in (0.01, 0.1))
    both = join_outlooks([("a", sure), ("b", unsure)])
    assert both.chance == pytest.approx(unsure.chance, nan_ok=True)  # the end's rain is not known
    assert both.windows[0].chance == pytest.approx(float(unsure.chance[: hours_of(both.windows[0])].mean()))


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
