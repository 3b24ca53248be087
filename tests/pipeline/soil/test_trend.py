"""Trend tests, held against pymannkendall, scipy and variances checked by hand."""

import numpy as np
import pymannkendall
import pytest

from pipeline.soil import change as trend

RISING = [4.5, 4.7, 5.1, 4.9, 5.6, 5.9, 6.3, 6.1, 6.8, 7.2]
TIED = [8, 8, 9, 7, 10, 10, 10, 12]
THATCH_MM = [11.2, 12.0, 11.5, 12.6, 13.1, 12.9, 14.0, 14.4]
# S, variance, z, p, slope a step, intercept: computed with pymannkendall, variances checked by hand.
WORKED = [
    (RISING, 41, 125.0, 3.577709, 0.000346619, 0.3, 4.4),
    (TIED, 18, 60.6667, 2.182599, 0.0290654, 0.5, 7.75),
    (THATCH_MM, 24, 65.3333, 2.845512, 0.00443401, 0.453571, 11.1625),
]


@pytest.mark.parametrize(("series", "s", "variance", "z", "p", "slope", "intercept"), WORKED)
def test_worked_series(series, s, variance, z, p, slope, intercept):
    """S, its variance, z, p, Sen's slope and intercept come out as worked elsewhere, ties included."""
    found = trend.mann_kendall(series)
    assert found.s == s
    assert found.variance == pytest.approx(variance, abs=5e-5)
    assert found.z == pytest.approx(z, abs=5e-7)
    assert found.p == pytest.approx(p, rel=2e-6)
    line = trend.sen_line(np.arange(len(series)), series)
    assert line.slope == pytest.approx(slope, abs=5e-7)
    assert line.intercept == pytest.approx(intercept, abs=5e-6)


def test_interval_of_the_thatch_series():
    """Sen's 95 % interval of the thatch series is 0.300 to 0.625 mm a step (scipy)."""
    line = trend.sen_line(np.arange(8), THATCH_MM)
    assert (line.low, line.high) == pytest.approx((0.300, 0.625), abs=5e-4)


def test_random_series_agree_with_pymannkendall():
    """Fifty seeded random series, many tied, give the same test as an independent package."""
    rng = np.random.default_rng(15)
    for _ in range(50):
        series = rng.integers(0, 12, size=rng.integers(4, 30)).astype(float)
        other = pymannkendall.original_test(series)
        found = trend.mann_kendall(series)
        assert (found.s, found.z) == pytest.approx((other.s, other.z), abs=1e-9)
        assert found.p == pytest.approx(other.p, abs=1e-9)


def test_slope_is_per_year_at_irregular_dates():
    """A straight line of 2 mm a year read at uneven dates gives 2, not the slope per reading (algebra)."""
    years = np.array([0.0, 0.1, 0.9, 2.4, 2.5, 4.0])
    line = trend.sen_line(years, 10.0 + 2.0 * years)
    assert (line.slope, line.low, line.high) == pytest.approx((2.0, 2.0, 2.0))
    assert line.intercept == pytest.approx(10.0)


def test_one_wild_core_does_not_move_the_slope_much():
    """A mistyped core leaves Sen's slope inside the interval of the honest series."""
    honest = trend.sen_line(np.arange(8), THATCH_MM)
    spoilt = THATCH_MM.copy()
    spoilt[3] = 126.0
    assert honest.low <= trend.sen_line(np.arange(8), spoilt).slope <= honest.high


def test_gaps_are_left_out_and_a_short_record_says_so():
    """NaN does not count; below 8 dates the probability is marked rough; none is invented for a flat series."""
    found = trend.mann_kendall([1.0, np.nan, 2.0, 3.0])
    assert found.count == 3
    assert "only 3 dates" in found.reason
    assert trend.mann_kendall(RISING).reason == ""
    assert trend.mann_kendall([5.0] * 9).p == 1.0


def test_too_little_is_refused():
    """Two values make no trend and one date makes no slope."""
    with pytest.raises(ValueError, match="found 2 values, expected 3"):
        trend.mann_kendall([1.0, 2.0])
    with pytest.raises(ValueError, match="found 1 different times"):
        trend.sen_line([1.0, 1.0, 1.0], [1.0, 2.0, 3.0])
