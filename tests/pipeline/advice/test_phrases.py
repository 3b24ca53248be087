"""Phrases that all texts share: names, days, and times that go on after a text is made. Dates are looked up in a
calendar: 9 July 2024 was a Tuesday."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from hardware.machine_clock import unconfirmed_time
from pipeline.advice.phrases import (
    SO,
    clock_mark,
    clock_words,
    counted_from,
    date_mark,
    day_name,
    dry_mark,
    fact_of,
    lasting_mark,
    left_mark,
    lift_first,
    listed,
    on_mark,
    spoken,
    unconfirmed,
    weekday_mark,
    with_order,
    without_times,
)

ROOT = Path(__file__).parents[3]


@pytest.mark.parametrize(
    ("names", "said"),
    [((), ""), (("a",), "a"), (("a", "b"), "a and b"), (("a", "b", "c"), "a, b and c")],
)
def test_names_are_listed_as_a_sentence_has_them(names: tuple[str, ...], said: str) -> None:
    """Commas but for the last (plain English)."""
    assert listed(names) == said


def test_a_probe_called_thatch_does_not_read_as_the_thatch() -> None:
    """Nobody is told to lift the thatch and the profile of his square."""
    assert lift_first(("thatch", "profile")) == "Lift the thatch probe and the profile probe first"
    assert lift_first(("thatch",)) == "Lift the thatch probe first"
    assert lift_first(()) == ""


def test_no_other_text_tells_to_lift() -> None:
    """What is to be lifted is put into words in one place."""
    own = re.compile(r"""["'{ ]Lift \{|["' ]lift \{|Lift first""")
    sources = [p for room in ("pipeline", "api") for p in sorted((ROOT / room).rglob("*.py"))]
    found = [str(p.relative_to(ROOT)) for p in sources if own.search(p.read_text(encoding="utf-8"))]
    assert found == ["pipeline/advice/phrases.py"]


# --- days ------------------------------------------------------------------------------------------------------------

TUESDAY = date(2024, 7, 9)


@pytest.mark.parametrize(
    ("away", "said"),
    [
        (0, "Tuesday"), (1, "Wednesday"), (6, "Monday"), (7, "Tuesday 16 Jul"), (30, "Thursday 8 Aug"),
        (-1, "Monday"), (-6, "Wednesday"), (-7, "Tuesday 2 Jul"), (-21, "Tuesday 18 Jun"),
    ],
)  # fmt: skip
def test_a_weekday_stands_alone_within_six_days_only(away: int, said: str) -> None:
    """Seven days off it has the name of today, and needs its date; before now as after."""
    assert day_name(TUESDAY + timedelta(days=away), TUESDAY) == said


@pytest.mark.parametrize(
    ("away_h", "said"),
    [(0, "today 10:05"), (13, "today 23:05"), (14, "Wed 0:05"), (6 * 24, "Mon 10:05"), (7 * 24, "Tue 16 Jul"),
     (-24, "Mon 10:05"), (-7 * 24, "Tue 2 Jul")],
)  # fmt: skip
def test_a_moment_has_its_clock_while_its_day_needs_no_date(away_h: int, said: str) -> None:
    """Who is told a week ahead wants the day; the hour is for the days about now."""
    now = datetime(2024, 7, 9, 10, 5, tzinfo=UTC)
    assert clock_words(now + timedelta(hours=away_h), now) == said


# --- times that go on ------------------------------------------------------------------------------------------------

NOW = datetime(2024, 7, 9, 10, 0, tzinfo=UTC)
NOW_MS = round(NOW.timestamp() * 1000)
DAY_MS = 86_400_000


@pytest.mark.parametrize(
    ("mark", "by_day"),
    [
        (weekday_mark, {-8: "Wednesday 17 Jul", -1: "Wednesday", 0: "Tuesday", 6: "Wednesday", 21: "Tuesday 18 Jun"}),
        (date_mark, {-8: "Wednesday 17 Jul", -2: "Thursday", -1: "tomorrow", 0: "today", 1: "Monday"}),
        (on_mark, {-8: "on Wednesday 17 Jul", -2: "on Thursday", -1: "tomorrow", 0: "today"}),
        (clock_mark, {-8: "Wed 17 Jul", -6: "Mon 10:00", 0: "today 10:00", 1: "Mon 10:00", 9: "Sun 30 Jun"}),
        (left_mark, {-14: "14 days from now", -1: "1 day from now", 0: "today", 1: "which has passed"}),
    ],
    ids=["weekday", "date", "on", "clock", "left"],
)
def test_a_mark_is_filled_in_when_it_is_read(mark, by_day) -> None:
    """By how many days after its time it is read; the words about it stay."""
    for days, said in by_day.items():
        assert spoken(f"rain {mark(NOW_MS - days * DAY_MS)}, then dry.", NOW_MS, UTC) == f"rain {said}, then dry."


@pytest.mark.parametrize("mark", [lasting_mark, dry_mark], ids=["lasting", "dry"])
def test_a_length_of_time_is_that_until_it_is_read(mark) -> None:
    """Hours to a day and a half, then days, rounded."""
    since = f"dry for {mark(NOW_MS)}."
    for hours, said in ((1, "1 hour"), (35, "35 hours"), (36, "2 days"), (21 * 24, "21 days")):
        assert spoken(since, NOW_MS + hours * 3_600_000, UTC) == f"dry for {said}."


def test_time_without_water_is_counted_from_later_water_alone() -> None:
    """Water before, or none, changes nothing; what has lasted in the rain goes on."""
    text = f"{dry_mark(NOW_MS)}, wet {lasting_mark(NOW_MS)}"
    assert counted_from(text, None) == counted_from(text, NOW_MS - DAY_MS) == text
    assert counted_from(text, NOW_MS + DAY_MS) == f"{dry_mark(NOW_MS + DAY_MS)}, wet {lasting_mark(NOW_MS)}"


def test_marks_are_read_by_the_clock_of_the_site() -> None:
    """23:30 UTC on Tuesday is Wednesday in London in July. Words without marks, and without a zone, are as they are."""
    late_ms = NOW_MS + round(13.5 * 3_600_000)
    assert spoken(weekday_mark(late_ms), NOW_MS, ZoneInfo("Europe/London")) == "Wednesday"
    assert spoken(weekday_mark(late_ms), NOW_MS, None) == "Tuesday"
    assert (
        spoken("Square [[north]]: dry since [[weekday]].", NOW_MS, None) == "Square [[north]]: dry since [[weekday]]."
    )


@pytest.mark.parametrize("since_ms", [None, 0, NOW_MS])
@pytest.mark.parametrize("whose", ["", "Square"])
def test_a_time_in_doubt_is_told_in_the_words_of_the_node(since_ms: int | None, whose: str) -> None:
    """Pages and the commands of a node say the same."""
    assert unconfirmed(since_ms, str, whose=whose) == unconfirmed_time(since_ms, str, whose=whose)


def test_texts_that_differ_in_their_times_alone_say_the_same() -> None:
    """So that two stations are told in one line."""
    one, other = (f"6 mm on {weekday_mark(NOW_MS + ms)} stopped short." for ms in (0, 60_000))
    assert one != other and without_times(one) == without_times(other)
    assert without_times(one) != without_times(f"7 mm on {weekday_mark(NOW_MS)} stopped short.")


def test_no_other_text_of_alerts_and_advice_names_a_weekday() -> None:
    """Whether a weekday may stand alone is decided in one place; the wetness ahead is named from the day it is made."""
    own = re.compile(r"%[aA]\b|weekday\(")
    sources = [p for room in ("pipeline/advice", "pipeline/alerts") for p in sorted((ROOT / room).glob("*.py"))]
    found = [str(p.relative_to(ROOT)) for p in sources if own.search(p.read_text(encoding="utf-8"))]
    assert found == ["pipeline/advice/phrases.py"]


def test_what_parts_a_fact_from_its_order_is_not_read() -> None:
    """The mark between what is and what to do about it is gone from a text that is shown."""
    assert spoken(f"Green: thatch has drained. {SO}Water again.", 0, None) == "Green: thatch has drained. Water again."


def test_a_fact_is_had_without_its_order() -> None:
    """What stands before the mark; a text without one is all fact."""
    assert fact_of(with_order("Green: thatch holds.", "Keep water off.")) == "Green: thatch holds."
    assert fact_of("Green: roots are moist.") == "Green: roots are moist."
