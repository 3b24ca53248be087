"""Thatch that no probe reads: wet after rain, dry after weeks without, moved by what the roots did and a hand felt."""

import numpy as np
import pytest

from pipeline.diary.facts import Sight
from pipeline.forecast.balance import Boxes, PastHours, run, stores_at, usual_parameters
from pipeline.forecast.unread_thatch import BACK_H, chance_it_holds, felt_since_water, with_felt
from pipeline.units import DAY_MS, HOUR_MS

BOXES = Boxes(thatch_capacity_mm=8.0, thatch_full_wetness=1.6, root_capacity_mm=30.0, root_full_wetness=1.3)
HOURS = BACK_H + 24


def past(rain_mm: dict[int, float], asked_mm: float = 0.12) -> PastHours:
    """Hours with so much rain so many hours before the end, and a root zone as the usual balance has it."""
    water = np.zeros(HOURS)
    for before_h, mm in rain_mm.items():
        water[HOURS - before_h] = mm
    asked = np.full(HOURS, asked_mm)
    usual = usual_parameters(BOXES)
    course = run(usual, stores_at(usual, [0.6], [0.8]), water[:, np.newaxis], asked[:, np.newaxis])
    return PastHours(0, np.full(HOURS, np.nan), course.root_wetness[:-1, 0], water, asked)


def test_a_day_after_much_rain_it_is_likely_wet_and_after_three_dry_weeks_it_is_not():
    """25 mm on 8 mm of thatch fill it whatever its figures are; three weeks at 2.9 mm a day empty it."""
    assert chance_it_holds(past({26: 25.0}, 0.02), BOXES, 0.9) > 0.7
    assert chance_it_holds(past({}), BOXES, 0.9) < 0.05


def test_it_is_not_told_without_weather_or_roots_or_thatch():
    """Any of the three missing is no guess."""
    known = past({26: 25.0})
    dark = PastHours(0, known.thatch_wetness, known.root_wetness, np.full(HOURS, np.nan), known.reference_et_mm)
    deaf = PastHours(0, known.thatch_wetness, np.full(HOURS, np.nan), known.water_mm, known.reference_et_mm)
    bare = Boxes(0.0, 1.6, 30.0, 1.3)
    assert chance_it_holds(dark, BOXES, 0.9) is None
    assert chance_it_holds(deaf, BOXES, 0.9) is None
    assert chance_it_holds(known, bare, 0.9) is None


@pytest.mark.parametrize(("value", "moves"), [(2.0, 1), (1.0, -1), (0.0, -1)])
def test_what_a_hand_felt_shifts_it_and_fades(value, moves):
    """Soaked makes it likelier, dry and moist less likely; a fortnight later hardly at all."""
    felt = (Sight("wilt", 1.0, 9 * DAY_MS), Sight("thatch", value, 10 * DAY_MS))
    now, then = with_felt(0.5, felt, 10 * DAY_MS), with_felt(0.5, felt, 24 * DAY_MS)
    assert (now - 0.5) * moves > 0.2 and abs(then - 0.5) < 0.01
    assert with_felt(0.5, felt, 9 * DAY_MS) == 0.5  # not yet felt
    assert with_felt(0.5, (Sight("thatch", 0.0, 1), Sight("thatch", 2.0, 2)), 3) > 0.9  # the latest counts


def test_what_was_felt_before_the_last_rain_is_told_no_more():
    """25 mm fell 26 hours before the end, half a millimetre 5 hours before it, which is no rain."""
    known = past({26: 25.0, 5: 0.5})
    before, after = (Sight("thatch", 0.0, round((HOURS - hours) * HOUR_MS)) for hours in (27.5, 24.5))
    assert felt_since_water((before, after), known, 1.0) == (after,)
