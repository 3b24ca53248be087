"""Rolling before the season: of a square alone, in the weeks before play, while the soil is neither wet nor dry.

Wet soil smears and cannot be pressed, dry soil does not give, and it is like plasticine to 75-100 mm in between: the
governing body's best-practice page; Shipton & James 2009, Guidelines for Rolling in Cricket, Cranfield University.
Weeks and bounds are common practice, no source.
"""

from dataclasses import replace

import numpy as np
import pytest

from api.booking import cautions
from pipeline.advice.conditions import Verdict
from pipeline.site.ground import Surface
from pipeline.units import DAY_MS, HOUR_MS, TimeSpan
from tests.pipeline.advice.window_series import (
    NOW_MS,
    PLANS,
    TABLE,
    days,
    good_hours,
    ground,
    look,
    now_of,
    series,
)

OPEN, WAIT, CLOSED, UNKNOWN = Verdict
SQUARE = TABLE.for_surface("square")
WEEK_MS = 7 * DAY_MS


def rolled(first_in_ms: int = 3 * WEEK_MS, **changed):
    """A square whose season of play begins so much later and lasts five months; last year's is over."""
    begin = NOW_MS + first_in_ms
    last = TimeSpan(begin - 52 * WEEK_MS, begin - 30 * WEEK_MS)
    turf = ground(kind="square", seasons=(last, TimeSpan(begin, begin + 22 * WEEK_MS)))
    return look("rolling", ground=turf, table=SQUARE, hours=good_hours("rolling", **changed))


@pytest.mark.parametrize(
    ("first_in_ms", "told"),
    [(6 * WEEK_MS, OPEN), (6 * WEEK_MS + HOUR_MS, CLOSED), (HOUR_MS, OPEN), (0, CLOSED), (-WEEK_MS, CLOSED),
     (20 * WEEK_MS, CLOSED)],
)  # fmt: skip
def test_it_is_work_of_the_six_weeks_before_play(first_in_ms, told):
    """Open from six weeks before play to its first hour; in season and in the winter before it is shut."""
    found = rolled(first_in_ms)
    assert now_of(found) is told and (told is OPEN or found.windows[0].reason == "not the weeks before play begins")


def seen(*seasons, usual=()):
    """A square with these seasons of play, as weeks from now."""
    spans = [tuple(TimeSpan(NOW_MS + a * WEEK_MS, NOW_MS + b * WEEK_MS) for a, b in each) for each in (seasons, usual)]
    turf = ground(kind="square", seasons=spans[0], usual_seasons=spans[1])
    return look("rolling", ground=turf, table=SQUARE, hours=good_hours("rolling"))


USUAL = ((-48, -22), (4, 30), (56, 82))


@pytest.mark.parametrize(
    ("seasons", "told"),
    [([(-46, -24)], OPEN), ([(-10, -1)], CLOSED), ([(-10, -1), (3, 12)], CLOSED), ([(-46, -24), (9, 20)], CLOSED)],
    ids=["last year's matches alone", "this summer's, over", "a gap in mid-season", "a late first match"],
)
def test_where_no_play_to_come_is_written_down_the_usual_season_counts(seasons, told):
    """Matches of last year alone do not shut it for ever; a gap among this year's does not open it."""
    usual = ((-36, -10), (16, 42)) if told is CLOSED else USUAL
    found = seen(*seasons, usual=usual)
    assert now_of(found) is told
    assert told is OPEN or found.windows[0].reason == "not the weeks before play begins"


def test_the_weeks_before_play_open_at_their_first_hour():
    """Of a season in six weeks and three hours, three hours are shut, for that reason."""
    found = rolled(6 * WEEK_MS + 3 * HOUR_MS)
    assert found.verdicts[:4].tolist() == [CLOSED] * 3 + [OPEN]
    assert found.windows[0].reason == "not the weeks before play begins"


@pytest.mark.parametrize(
    ("root", "told", "reason"),
    [(0.45, CLOSED, "soil too dry"), (0.6, WAIT, "soil too dry"), (0.7, OPEN, ""), (0.95, OPEN, ""),
     (1.0, WAIT, "soil too wet"), (1.1, CLOSED, "soil too wet"), (np.nan, UNKNOWN, "root zone wetness is not known")],
)  # fmt: skip
def test_too_wet_smears_and_too_dry_does_nothing(root, told, reason):
    """A little drier than drained is the optimum; wetter and drier wait, then close."""
    found = rolled(root_zone_wetness=series(root))
    assert (now_of(found), found.windows[0].reason) == (told, reason)


def test_grass_that_does_not_grow_yet_makes_it_wait():
    """Growth has begun before the roller comes out (common practice)."""
    turf = ground(kind="square", seasons=(TimeSpan(NOW_MS + WEEK_MS, NOW_MS + 20 * WEEK_MS),))
    still = replace(PLANS, potential=days(0.02))
    found = look("rolling", ground=turf, table=SQUARE, hours=good_hours("rolling"), plans=still)
    assert (now_of(found), found.windows[0].reason) == (WAIT, "growth too slow")


def test_no_other_surface_is_rolled_before_its_season():
    """It is shut for good on a green, and says whose work it is."""
    found = look("rolling")
    assert (now_of(found), found.windows[0].reason) == (CLOSED, "work of a square alone")


def test_a_person_looks_at_the_soil_and_is_warned_of_the_roller():
    """Plasticine down to 100 mm, by screwdriver and thumb; a roller crushes."""
    assert any("plasticine down to 100 mm" in check for check in rolled().windows[0].check_first)
    assert [line for line in cautions(Surface(name="s", kind="square"), "rolling", None) if "crushes" in line]
