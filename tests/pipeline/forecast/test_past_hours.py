"""A station's past is put on whole hours without a gap being filled."""

import numpy as np
import pytest

from pipeline.forecast.balance import (
    past_hours,
)
from pipeline.soil.wetting import Watering

HOUR_MS = 3_600_000
QUARTER_MS = HOUR_MS // 4
NO_DEMAND = np.zeros(6)
STEADY = (np.arange(0, 7) * HOUR_MS, np.zeros(7))


def times(*hours):
    return np.array([round(h * HOUR_MS) for h in hours], dtype=np.int64)


def past(rain=STEADY, thatch=None, roots=None, **more):
    roots = (times(), np.zeros(0)) if roots is None else roots
    return past_hours(0, 6, thatch=thatch, roots=roots, rain=rain, reference_et_mm=NO_DEMAND, **more)


def test_rain_is_counted_in_the_hour_it_fell_in():
    """Quarter-hour readings of 1 mm, the one on the full hour telling of the hour before: 4 mm an hour (algebra)."""
    quarters = np.arange(0, 25, dtype=np.int64) * QUARTER_MS
    assert past(rain=(quarters, np.ones(25))).water_mm == pytest.approx(4.0)


def test_silence_of_the_gauge_is_not_dryness():
    """With nothing heard between 1 h and 4 h those hours are unknown, those around them known."""
    found = past(rain=(times(0, 1, 4, 5, 6), np.zeros(5))).water_mm
    assert np.isnan(found).tolist() == [False, True, True, True, False, False]


def test_gauge_that_never_spoke_says_nothing():
    """Without a single reading every hour is unknown."""
    assert np.isnan(past(rain=(times(), np.zeros(0))).water_mm).all()


def test_hours_after_the_last_word_are_known_for_two_hours():
    """A gauge last heard at 3 h leaves the hours from 3 and 4 known, not that from 5."""
    found = past(rain=(times(0, 1, 2, 3), np.zeros(4))).water_mm
    assert np.isnan(found).tolist() == [False] * 5 + [True]


def test_watering_is_spread_over_its_time():
    """6 mm from half past one to half past three: 1.5, 3 and 1.5 mm (algebra); one without length in its hour."""
    half = HOUR_MS // 2
    found = past(waterings=(Watering(3 * half, 7 * half, 6.0), Watering(5 * HOUR_MS, 5 * HOUR_MS, 2.0))).water_mm
    assert found == pytest.approx([0.0, 1.5, 3.0, 1.5, 0.0, 2.0])


def test_no_rain_falls_under_covers():
    """Covered from 2 h to 4 h: the gauge's rain counts before and after only; water given there still does."""
    found = past(
        rain=(STEADY[0], np.ones(7)), covered=((2 * HOUR_MS, 4 * HOUR_MS),),
        waterings=(Watering(2 * HOUR_MS, 3 * HOUR_MS, 5.0),),
    ).water_mm  # fmt: skip
    assert found == pytest.approx([1.0, 1.0, 5.0, 0.0, 1.0, 1.0])


def test_wetness_is_the_last_good_value_of_the_hour():
    """A reading a quarter before the hour stands for it; one an hour old, or a bad one, does not."""
    found = past(roots=(times(0, 0.75, 1.5, 1.75, 2), np.array([0.1, 0.2, 0.3, np.nan, np.nan]))).root_wetness
    assert found[:3] == pytest.approx([0.1, 0.2, 0.3])
    assert np.isnan(found[3:]).all()


def test_no_thatch_is_unknown_throughout():
    """Where there is no thatch its wetness is NaN."""
    assert np.isnan(past().thatch_wetness).all()
    assert past(thatch=(times(1), np.array([0.5]))).thatch_wetness[1] == 0.5


def test_part_of_an_hour_or_another_length_is_refused():
    """The begin must be a whole hour and the demand as long as the past."""
    for first, demand in ((1, NO_DEMAND), (0, np.zeros(5))):
        with pytest.raises(ValueError, match="expected a whole hour and 6 hours"):
            past_hours(first, 6, thatch=None, roots=(times(), np.zeros(0)), rain=STEADY, reference_et_mm=demand)
