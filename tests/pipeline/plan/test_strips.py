"""Strips of a square: how each stands by the fixtures that name it, and its last water.

Expected: the last deep water ten to twelve days before play on the strip (the governing body's page on squares, from
memory), none in five days (common practice, no source), preparation of a fortnight (ECB TS4, from memory).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.advice.water import DRY_DAYS, is_dried_for_play
from pipeline.diary.facts import Play, on_strip
from pipeline.plan.contradictions import contradictions
from pipeline.plan.deep_water import dose_on
from pipeline.plan.digest import plan_news
from pipeline.plan.strips import last_evening_ms, strip_states
from pipeline.plan.surface_plan import plan_of
from pipeline.units import DAY_MS, HOUR_MS
from tests.pipeline.plan.test_surface_plan import EVENING_MS, LONDON, SEEN, station, surface

NOON_MS = SEEN.now_ms + 6 * HOUR_MS  # of a Wednesday, thirteen in London


def match(days: float, *strips: int) -> Play:
    """A match of seven hours from noon, so many days on."""
    start_ms = NOON_MS + round(days * DAY_MS)
    return Play("match", start_ms, start_ms + 7 * HOUR_MS, strips)


def square(*plays: Play, strip: int | None = None):
    """A square with one dry station on a strip."""
    one = replace(station(0.6, 0.4), strip=strip)
    ahead = tuple(p for p in plays if p.end_ms > SEEN.now_ms)
    played = tuple(p for p in plays if p.end_ms <= SEEN.now_ms)
    on = replace(surface(one, play=ahead, played=played, strips=10), kind="square")
    return replace(on, stations=(replace(one, water=dose_on(on, one, SEEN, EVENING_MS)),))


@pytest.mark.parametrize(
    ("plays", "state", "said"),
    [
        ([match(0, 4)], "in_use", "Strip 4 is in use today."),
        ([match(-1, 4), match(30, 4)], "resting",
         "last played on 19 May, has to heal for play on 19 Jun: last deep water on the evening of 8 Jun, then "
         "lightly, up to the evening of 13 Jun."),
        ([match(12, 4)], "in_preparation", "for play on 1 Jun: last deep water on the evening of 21 May, then lightly"),
        ([match(10, 4)], "in_preparation", "for play on 30 May: water it lightly, up to the evening of 24 May."),
        ([match(10, 4), match(5, 7)], "in_preparation", "water it lightly, up to the evening of 23 May."),
        ([match(-7, 4), match(3)], "in_preparation", "for play on 23 May: no more water."),
        ([match(-7, 4), match(0)], "in_use", "Strip 4 may be in use today: the fixture names no strip."),
        ([match(4, 4)], "in_preparation", "for play on 24 May: no more water."),
        ([match(-7, 4), match(1, 5)], "finished", "is finished, last played on 13 May: water it"),
    ],
)  # fmt: skip
def test_a_strip_stands_as_its_fixtures_say(plays: list[Play], state: str, said: str) -> None:
    """By the next play that names it or none, else by the last; no evening is named that other play forbids."""
    on = square(*plays, strip=4)
    found = strip_states(on, SEEN)[0]
    assert (found.number, found.state) == (4, state) and said in found.text
    assert contradictions(plan_of(on, SEEN).lines) == ()
    assert strip_states(replace(on, season_ms=SEEN.now_ms, play=()), SEEN) == ()  # played before this season


def test_the_last_water_is_the_evening_before_the_dry_days() -> None:
    """On it a strip is not dried for play yet, the next evening it is; whatever the hour of play."""
    for hour in (-11, 0, 7, 8, 9):
        play_ms = NOON_MS + 8 * DAY_MS + hour * HOUR_MS
        last_ms = last_evening_ms(4, play_ms, DRY_DAYS, square(), SEEN)
        dried = [is_dried_for_play("square", (play_ms - at_ms) / DAY_MS) for at_ms in (last_ms, last_ms + DAY_MS)]
        assert dried == [False, True] and (last_ms - EVENING_MS) % DAY_MS == 0


def test_strip_in_preparation_gets_one_go_a_night() -> None:
    """Between the last deep water and the dry days: 8 mm on loam for a match in eight days, 25 for one in fourteen."""
    doses = [dose_on(on, on.stations[0], SEEN, EVENING_MS).mm for on in (square(match(d, 4), strip=4) for d in (8, 14))]
    assert doses == [8.0, 25.0]


def test_the_rest_of_a_square_is_watered_while_a_strip_is_dried() -> None:
    """Weekly matches on strip 4 keep that one dry, and a station whose strip is not known; not one on strip 7."""
    weekly = [match(3, 4), match(10, 4), match(17, 4)]
    evening = EVENING_MS + DAY_MS
    on = {strip: square(*weekly, strip=strip) for strip in (4, 7, None)}
    doses = {strip: dose_on(one, one.stations[0], SEEN, evening) for strip, one in on.items()}
    assert doses[7].mm > 0.0
    assert [doses[strip].reason for strip in (4, None)] == ["it is being dried for play"] * 2
    assert [len(on_strip(weekly, strip)) for strip in (4, 7, None)] == [3, 0, 3]


def test_matches_without_a_strip_ask_for_it_and_states_are_news() -> None:
    """Two within a fortnight that name none, a strip that is not there, a station without a place; with their strips
    nothing is asked, and the digest tells each once."""
    asked = plan_of(square(match(3), match(10), strip=4), SEEN)
    assert asked.strips_wanted.startswith("Play on 23 May, 30 May names no strip") and asked.strips == ()
    unknown = plan_of(square(match(3)._replace(unknown_strips=(40,)), strip=4), SEEN)
    assert (
        unknown.strips_wanted
        == "match on 23 May names strip 40, and there are strips 1 to 10: the whole square is dried for it."
    )
    assert "Green: the strip it stands on is not known" in plan_of(square(match(3, 4)), SEEN).strips_wanted
    told = plan_of(square(match(3, 4), match(10, 5), strip=4), SEEN)
    keys = [news.key for news in plan_news(told, SEEN.now_ms, LONDON) if news.subject.startswith("strip/")]
    assert told.strips_wanted == "" and [key.partition("=")[0] for key in keys] == ["strip/green/4", "strip/green/5"]
    assert plan_of(replace(square(match(3, 4)), kind="green"), SEEN).strips == ()
