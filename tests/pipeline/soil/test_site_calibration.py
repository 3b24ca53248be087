"""The site's own line from ring samples, held against scipy and against algebra."""

import numpy as np
import pytest
from scipy import stats

from pipeline.soil import site_calibration as sc

RNG = np.random.default_rng(20)
READING = np.array([8.0, 11.0, 14.0, 18.0, 23.0, 27.0, 30.0, 34.0, 38.0, 41.0])
OVEN = 0.05 + 0.012 * READING + RNG.normal(0.0, 0.02, READING.size)


def test_ring_water_content_is_water_mass_over_ring_volume():
    """A 100 cm3 ring of 165 g wet and 130 g dry holds 0.35 m3/m3 (algebra); impossible masses give NaN."""
    found = sc.ring_water_content([165.0, 120.0, 165.0], [130.0, 130.0, 130.0], [100.0, 100.0, 0.0])
    np.testing.assert_allclose(found, [0.35, np.nan, np.nan])


def test_fit_agrees_with_an_independent_least_squares():
    """Slope, offset and scatter are those of scipy's linregress."""
    fit = sc.fit_site_calibration(READING, OVEN)
    other = stats.linregress(READING, OVEN)
    assert fit.slope == pytest.approx(other.slope, rel=1e-12)
    assert fit.offset == pytest.approx(other.intercept, rel=1e-10)
    slope_error = fit.residual_sd / np.sqrt(fit.reading_sum_of_squares)
    assert slope_error == pytest.approx(other.stderr, rel=1e-12)
    assert (fit.reading_low, fit.reading_high, fit.count) == (8.0, 41.0, 10)


def test_intervals_agree_with_the_textbook_at_the_mean():
    """At the mean reading the line is known to t s/sqrt(n) and a new ring to t s sqrt(1 + 1/n) (textbook algebra)."""
    fit = sc.fit_site_calibration(READING, OVEN, confidence=0.90)
    t = 1.8595  # Student t, 95th percentile, 8 degrees of freedom: printed tables
    low, high = sc.site_interval(fit, READING.mean(), kind="confidence")
    assert high - low == pytest.approx(2 * t * fit.residual_sd / np.sqrt(10), rel=1e-4)
    low, high = sc.site_interval(fit, READING.mean(), kind="prediction")
    assert high - low == pytest.approx(2 * t * fit.residual_sd * np.sqrt(1.1), rel=1e-4)


def test_prediction_interval_covers_new_rings_as_often_as_it_says():
    """Over 2000 simulated sites the 90 % prediction interval holds a new ring 88 to 92 % of the time."""
    rng = np.random.default_rng(7)
    hits = 0
    for _ in range(2000):
        oven = 0.05 + 0.012 * READING + rng.normal(0.0, 0.02, READING.size)
        fit = sc.fit_site_calibration(READING, oven, confidence=0.90)
        at = rng.uniform(8.0, 41.0)
        low, high = sc.site_interval(fit, at)
        hits += bool(low <= 0.05 + 0.012 * at + rng.normal(0.0, 0.02) <= high)
    assert 0.88 <= hits / 2000 <= 0.92  # three binomial standard errors of 2000 trials


def test_the_line_is_refused_outside_the_sampled_range():
    """Neither value nor interval is given drier or wetter than the rings."""
    fit = sc.fit_site_calibration(READING, OVEN)
    assert np.isnan(sc.site_water_content(fit, [7.9, 41.1])).all()
    assert np.isfinite(sc.site_water_content(fit, [8.0, 41.0])).all()
    assert np.isnan(sc.site_interval(fit, [7.9])[0]).all()


def test_rings_with_a_gap_are_left_out():
    """A pair with a missing figure does not count."""
    reading = np.append(READING, [np.nan, 25.0])
    oven = np.append(OVEN, [0.3, np.nan])
    assert sc.fit_site_calibration(reading, oven) == sc.fit_site_calibration(READING, OVEN)


@pytest.mark.parametrize(
    ("reading", "oven", "words"),
    [
        (READING[:7], OVEN[:7], "found 7 good pairs, expected 8"),
        (READING, OVEN * 100.0, "expected 0 to 1 m3/m3"),
        (READING, 0.3 + 0.0001 * READING, "found a span of 0.003"),
        (READING, 0.6 - 0.012 * READING, "expected a reading that rises"),
        (np.full(10, 20.0), OVEN, "expected a reading that rises"),
        (READING, OVEN[:9], "found shapes"),
    ],
)
def test_rings_that_make_no_line_are_refused_with_a_reason(reading, oven, words):
    """Too few, in percent, of one wetness, upside down or unpaired: each is refused by name."""
    with pytest.raises(ValueError, match=words):
        sc.fit_site_calibration(reading, oven)


def test_an_unknown_interval_is_refused():
    """Only the two kinds of interval exist."""
    fit = sc.fit_site_calibration(READING, OVEN)
    with pytest.raises(ValueError, match="expected 'confidence' or 'prediction'"):
        sc.site_interval(fit, 20.0, kind="tolerance")
