"""Figures with their doubt: medians and their intervals, held against algebra and the normal law."""

import numpy as np
import pytest

from pipeline.soil.estimate import about, median_of, resampled, withheld


def test_interval_of_a_normal_error_holds_nine_in_ten():
    """10 with a deviation of 2 lies between 6.71 and 13.29: 1.645 deviations either way (normal table)."""
    found = about(10.0, 2.0, 3)
    assert (found.low, found.high) == pytest.approx((6.710, 13.290), abs=5e-4)


def test_withheld_has_a_reason_and_no_figure():
    """A figure that is not given says why, and is NaN in all three places."""
    found = withheld("too few", 2)
    assert found.withheld and found.reason == "too few" and np.isnan([found.low, found.high]).all()


def test_median_of_one_value_is_as_wide_as_the_probe_errs():
    """One value of 5 with a common error of 1: 5 -+ 1.645 (normal table); sampling adds nothing it cannot know."""
    found = median_of([5.0, np.nan], error=1.0)
    assert (found.value, found.low, found.high, found.n) == pytest.approx((5.0, 3.355, 6.645, 1), abs=5e-4)


def test_no_value_gives_no_median():
    """None known: withheld, and the reason says so."""
    found = median_of([np.nan])
    assert found.withheld and found.n == 0 and found.reason == "0 events, 1 needed"


def test_interval_of_the_median_covers_the_truth_about_nine_times_in_ten():
    """Of 150 samples of 15 from a normal law around 0 the interval holds 0 in 82 to 97 %.

    The bootstrap of a median is a little narrow or wide in small samples (Efron 1979); three binomial deviations of
    90 % in 150 are 7 points.
    """
    rng = np.random.default_rng(3)
    held = [e.low <= 0.0 <= e.high for e in (median_of(rng.normal(size=15)) for _ in range(150))]
    assert 0.82 <= np.mean(held) <= 0.97


def test_resampling_is_the_same_each_time():
    """The draws of a size are fixed, so that a result worked out again is the same to the last bit."""
    assert np.array_equal(resampled(np.zeros(7)), resampled(np.ones(7)))
    assert not np.array_equal(resampled(np.zeros(7), seed=1), resampled(np.zeros(7), seed=2))
