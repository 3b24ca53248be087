"""Carrying readings by hand on with the water balance: against algebra and the balance's own books."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.forecast.balance import Boxes, PastHours
from pipeline.forecast.by_hand import DRY_UNKNOWN_H, GROWTH_PER_ROOT_H, HandWetness, carry
from pipeline.units import HOUR_MS

BOXES = Boxes(0.0, 1.4, 40.0, 1.5)
HOURS = 240


def past(water: np.ndarray | None = None, demand: float = 0.0) -> PastHours:
    blank = np.full(HOURS, np.nan)
    rain = np.zeros(HOURS) if water is None else water
    return PastHours(0, blank, blank, rain, np.full(HOURS, demand))


def at(hour: int, wetness: float, error: float = 0.1) -> HandWetness:
    return HandWetness(hour * HOUR_MS, wetness, error)


def test_without_rain_or_demand_a_dry_reading_stands_and_its_doubt_grows() -> None:
    """Nothing drains from so dry a box (power 8): the same wetness; variances add by the hour (algebra)."""
    found = carry(past(), [at(100, 0.2)], BOXES)
    assert found.past.root_wetness[-1] == pytest.approx(0.2, abs=0.002) and np.isnan(found.past.root_wetness[99])
    assert found.error == pytest.approx(np.sqrt(0.1**2 + GROWTH_PER_ROOT_H**2 * (HOURS - 1 - 100)))
    assert found.read_ms == 100 * HOUR_MS and found.fit.root_error[0] == pytest.approx(found.error)


def test_two_readings_of_one_weight_are_joined_at_their_mean() -> None:
    """A second an hour later, as sure as the first: half-way, and the error falls by the root of two (algebra)."""
    found = carry(past(), [at(HOURS - 2, 0.2), at(HOURS - 1, 0.3)], BOXES)
    assert found.past.root_wetness[-1] == pytest.approx(0.25, abs=0.001)
    assert found.error == pytest.approx(0.1 / np.sqrt(2), rel=0.01)


def test_the_doubt_of_the_limits_is_not_read_away() -> None:
    """Ten readings an hour apart: their own error falls, that of the limits stays whole (algebra)."""
    readings = [HandWetness((HOURS - 10 + n) * HOUR_MS, 0.3, 0.1, 0.2) for n in range(10)]
    found = carry(past(), readings, BOXES)
    assert 0.2 < found.error < np.hypot(0.2, 0.1 / np.sqrt(3))


def test_rain_wets_and_demand_dries_by_what_the_box_holds() -> None:
    """4 mm through a canopy of 1 mm are 3 of 40 mm: 0.075 wetter."""
    rain = np.zeros(HOURS)
    rain[150] = 4.0
    wet, dry = carry(past(rain), [at(100, 0.2)], BOXES), carry(past(demand=0.1), [at(100, 0.2)], BOXES)
    assert wet.past.root_wetness[-1] == pytest.approx(0.275, abs=0.003)
    assert dry.past.root_wetness[-1] < 0.2


@pytest.mark.parametrize(("unknown_h", "told"), [(DRY_UNKNOWN_H, ""), (DRY_UNKNOWN_H + 1, "rain since")])
def test_unknown_rain_counts_as_none_for_two_days(unknown_h: int, told: str) -> None:
    """And is counted; an hour more, and nothing is known of now."""
    rain = np.zeros(HOURS)
    rain[HOURS - unknown_h :] = np.nan
    found = carry(past(rain), [at(100, 0.4)], BOXES)
    assert found.fit.reason.startswith(told) and (found.fit.parameters is None) == bool(told)
    assert told or found.dry_h == unknown_h


def test_no_reading_is_no_state() -> None:
    """Refused, with the reason."""
    assert carry(past(), [], BOXES).fit.reason == "no reading by hand of the last weeks"
