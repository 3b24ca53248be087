"""Days of every year on the clock; expected times from the calendar."""

import datetime
from zoneinfo import ZoneInfo

import pytest

from pipeline.advice.locks import renovation_span, seasons_of_fixtures, yearly_spans
from pipeline.units import (
    TimeSpan,
)

LONDON = ZoneInfo("Europe/London")
DAY_MS = 86_400_000


def at(*when: int, zone=LONDON) -> int:
    return round(datetime.datetime(*when, tzinfo=zone).timestamp() * 1000)


def test_season_runs_from_local_midnight_to_local_midnight():
    """Both days are in it; it begins in summer time and ends in winter time."""
    spans = yearly_spans((4, 20), (11, 14), at(2024, 6, 1), LONDON)
    assert TimeSpan(at(2024, 4, 20), at(2024, 11, 15)) in spans
    assert at(2024, 4, 20) == round(datetime.datetime(2024, 4, 19, 23, tzinfo=datetime.UTC).timestamp() * 1000)
    assert [datetime.datetime.fromtimestamp(s.start_ms / 1000, LONDON).year for s in spans] == [2023, 2024, 2025]


def test_season_may_run_over_the_new_year():
    """A winter pitch is played on from August to April."""
    spans = yearly_spans((8, 20), (4, 30), at(2024, 1, 15), LONDON)
    assert any(s.start_ms <= at(2024, 1, 15) < s.end_ms for s in spans)
    assert not any(s.start_ms <= at(2024, 6, 15) < s.end_ms for s in spans)


@pytest.mark.parametrize(("year", "day"), [(2024, 29), (2025, 28)])
def test_leap_day_is_the_last_of_february_in_other_years(year, day):
    """A season that begins on 29 February begins every year."""
    spans = yearly_spans((2, 29), (10, 1), at(year, 6, 1), LONDON)
    assert any(s.start_ms == at(year, 2, day) for s in spans)


def test_renovation_is_from_the_day_after_play():
    """The one that is on, else the next; over the new year where it has to be."""
    on = renovation_span((9, 14), (11, 15), at(2024, 10, 1), LONDON)
    assert on == TimeSpan(at(2024, 9, 15), at(2024, 11, 16))
    assert renovation_span((9, 14), (11, 15), at(2024, 12, 1), LONDON) == TimeSpan(at(2025, 9, 15), at(2025, 11, 16))
    assert renovation_span((10, 31), (2, 1), at(2025, 1, 5), LONDON) == TimeSpan(at(2024, 11, 1), at(2025, 2, 2))


def test_fixtures_show_the_season():
    """Fixtures a few weeks apart are one season; the winter between two is none."""
    april, june, august, next_year = (at(2024, 4, 20), at(2024, 6, 1), at(2024, 7, 10), at(2025, 4, 19))
    times = [(t, t + DAY_MS) for t in (august, april, next_year, june)]
    assert seasons_of_fixtures(times) == (TimeSpan(april, august + DAY_MS), TimeSpan(next_year, next_year + DAY_MS))
    assert seasons_of_fixtures([]) == ()
