"""Windows of work: hours of work joined over nights, dew and showers, and where a day of work fits in.

Every expectation is counted by hand on hours from 06:00 of a Wednesday; work is from 7 to 19, so 12 hours a day.
"""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import pytest

from pipeline.advice.conditions import Verdict
from pipeline.advice.windows import Outlook, Window, dry_hours, verdict_now, work_left_h, work_windows
from pipeline.forecast.wetness import WetnessForecast
from pipeline.units import HOUR_MS, TimeSpan
from tests.pipeline.advice.window_series import NOW_MS, look

OPEN, WAIT, CLOSED, UNKNOWN = Verdict
WORK = (7, 19)
REASONS = {OPEN: "", WAIT: "leaf wet", CLOSED: "hard frost forecast", UNKNOWN: "not known"}


def outlook(*runs: tuple[Verdict, int], chance: float = 0.8) -> Outlook:
    """An outlook of runs of hours of one verdict each, from 06:00 on."""
    verdicts = np.array([v for verdict, count in runs for v in [verdict] * count], dtype=np.int8)
    at_ms = NOW_MS + HOUR_MS * np.arange(verdicts.size)
    windows, first = [], 0
    for verdict, count in runs:
        span = TimeSpan(int(at_ms[first]), int(at_ms[first + count - 1]) + HOUR_MS)
        windows.append(Window(span, verdict, reason=REASONS[verdict], lift_first=("t1",)))
        first += count
    return replace(look(), at_ms=at_ms, verdicts=verdicts, chance=np.full(at_ms.size, chance), windows=tuple(windows))


def found(
    one: Outlook, work_h: float = 6.0, dry: np.ndarray | None = None
) -> list[tuple[int, int, int | None, bool, str]]:
    """Begin, end and begin of work in hours from 06:00, whether it lasts to the end, and what ends it."""
    spans = work_windows(one, datetime.UTC, work_hours=WORK, work_h=work_h, dry=dry)
    return [
        (
            (w.span.start_ms - NOW_MS) // HOUR_MS, (w.span.end_ms - NOW_MS) // HOUR_MS,
            None if w.first_work_ms is None else (w.first_work_ms - NOW_MS) // HOUR_MS, w.to_the_end, w.after,
        )
        for w in spans
    ]  # fmt: skip


def test_a_night_does_not_end_a_window() -> None:
    """Open by day and waiting from 18:00 to 09:00: three hours of work lost, one window of two days."""
    days = outlook((OPEN, 12), (WAIT, 15), (OPEN, 9), (WAIT, 24))
    assert found(days) == [(1, 36, 1, False, "leaf wet")]


@pytest.mark.parametrize(("lost", "windows"), [(8, 1), (9, 2)])
def test_eight_hours_of_work_lost_are_joined_and_nine_are_not(lost: int, windows: int) -> None:
    """From 10:00 so many hours of work wait; what follows is the same window up to eight of them."""
    assert len(found(outlook((OPEN, 4), (WAIT, lost if lost < 9 else 21), (OPEN, 30)))) == windows


def test_what_is_not_known_ends_a_window() -> None:
    """One hour of work that nobody can tell divides two windows; the first lasts as long as anything is known."""
    assert found(outlook((OPEN, 4), (UNKNOWN, 1), (OPEN, 8))) == [(1, 4, None, True, "not known"), (5, 13, 5, True, "")]


def test_a_day_of_work_is_dry_open_hours_in_a_row_on_one_day() -> None:
    """Six are wanted: five on Wednesday are too few, the night between does not join them; rain breaks them."""
    two_days = outlook((OPEN, 6), (WAIT, 7), (OPEN, 3), (WAIT, 8), (OPEN, 1), (OPEN, 12))
    assert found(two_days)[0][2] == 25  # 07:00 of Thursday
    over_night = outlook((WAIT, 8), (OPEN, 5), (WAIT, 12), (OPEN, 4))
    assert found(over_night)[0][:3] == (8, 29, None)  # 14:00 to 19:00 and 07:00 to 11:00
    assert found(outlook((OPEN, 40)), work_h=6.0)[0][2] == 1
    dry = np.ones(40, dtype=np.bool_)
    dry[3] = False
    assert found(outlook((OPEN, 40)), dry=dry)[0][2] == 4
    assert found(outlook((OPEN, 6), (CLOSED, 34)))[0][2] is None


def test_what_closes_is_told_sooner_than_the_dew_before_it() -> None:
    """An hour of dew and then hard frost within the next hours of work: the frost ends it."""
    assert found(outlook((OPEN, 8), (WAIT, 1), (CLOSED, 40)))[0][4] == "hard frost forecast"


def test_never_open_is_no_window() -> None:
    """Waiting throughout, and open by night alone, are none."""
    assert found(outlook((WAIT, 48))) == []
    assert found(outlook((WAIT, 14), (OPEN, 8), (WAIT, 20))) == []


def test_its_chance_is_that_of_the_open_hours_of_its_first_day() -> None:
    """0.8 on the first day, 0.2 after: 0.8; without any chance none."""
    one = outlook((OPEN, 40))
    one.chance[18:] = 0.2
    (spell,) = work_windows(one, datetime.UTC, work_hours=WORK, work_h=6.0)
    assert spell.chance == pytest.approx(0.8) and spell.lift_first == ("t1",)
    one.chance[:] = np.nan
    assert work_windows(one, datetime.UTC, work_hours=WORK, work_h=6.0)[0].chance is None


def test_work_left_counts_open_hours_of_work() -> None:
    """12 on Wednesday and 10 on Thursday, the two of dew left out."""
    one = outlook((OPEN, 25), (WAIT, 2), (OPEN, 10), (WAIT, 11))
    (spell,) = work_windows(one, datetime.UTC, work_hours=WORK, work_h=6.0)
    assert work_left_h(spell, one, datetime.UTC, WORK) == 22.0


def test_hours_are_dry_where_every_forecast_says_so() -> None:
    """The mean of the members counts, under 0.2 mm; an hour no forecast tells of is dry."""
    rain = np.zeros((5, 2))
    rain[1], rain[2] = (0.4, 0.0), (0.2, 0.1)
    wetness = WetnessForecast(NOW_MS, np.zeros((6, 2)), np.zeros((6, 2)), rain)
    assert dry_hours(outlook((OPEN, 8)), [wetness]).tolist() == [True, False] + [True] * 6
    assert dry_hours(outlook((OPEN, 3)), []).all()


def test_the_verdict_now_is_that_of_the_hour_that_is_on() -> None:
    """With an override applied; where windows are cut to the hours of work, the hour's own."""
    one = outlook((CLOSED, 5), (OPEN, 5))
    assert verdict_now(one) is CLOSED
    overruled = replace(one, windows=(replace(one.windows[0], verdict=OPEN), one.windows[1]))
    assert verdict_now(overruled) is OPEN
    assert verdict_now(replace(one, windows=one.windows[1:])) is CLOSED
