"""Penetrometer profiles, held against algebra and simulated pushes of known truth."""

import numpy as np
import pytest

from pipeline.soil import strength

GRID = np.array([0.01, 0.02, 0.03, 0.04, 0.05])
EVEN = np.array([[400.0, 800.0, 1200.0, 1600.0, 2000.0]]) * np.array([[0.9], [0.95], [1.0], [1.05], [1.1]])


def test_a_stroke_is_read_at_common_depths_without_extrapolation():
    """Between steps the reading is linear, outside the stroke there is none, a lifted hand does not fool it."""
    found = strength.on_depths([0.012, 0.010, 0.020, 0.040], [100.0, 500.0, 1000.0, 2000.0], GRID)
    assert found[:4] == pytest.approx([500.0, 1000.0, 1500.0, 2000.0])
    assert np.isnan(found[4])
    assert np.isnan(strength.on_depths([], [], GRID)).all()
    lifted = strength.on_depths([0.01, 0.02, 0.02, 0.03], [500.0, 1000.0, 10.0, 1500.0], GRID)
    assert lifted[1] == 1000.0


def test_a_stone_is_flagged_and_left_out():
    """One push in five hits a stone at 30 mm: it is marked and the median does not move."""
    pushes = EVEN.copy()
    pushes[1, 2] = 5000.0
    marked = strength.stones(pushes)
    assert marked[1, 2]
    assert marked.sum() == 1
    median, count = strength.median_profile(pushes, fewest_pushes=4)
    assert median[2] == pytest.approx(1200.0 * 1.025)  # median of 0.9, 1.0, 1.05, 1.1
    assert count.tolist() == [5, 5, 4, 5, 5]
    assert np.isnan(strength.median_profile(pushes)[0][2])  # four pushes are too few by default


def test_a_pan_is_no_stone():
    """A hard layer met by every push is kept."""
    pan = EVEN.copy()
    pan[:, 2] *= 4.0
    assert not strength.stones(pan).any()
    assert strength.median_profile(pan)[0][2] == pytest.approx(4800.0)


def test_a_single_push_is_judged_by_its_own_neighbours():
    """With one push a spike over three times the depths beside it is a stone; the rise at the surface is not."""
    single = np.array([[30.0, 600.0, 700.0, 2500.0, 800.0]])
    assert strength.stones(single).tolist() == [[False, False, False, True, False]]


def test_depth_to_two_megapascal():
    """1600 kPa at 40 mm and 2400 at 50 mm reach 2000 at 45 mm (algebra); never reached is infinite."""
    profile = [400.0, 800.0, 1200.0, 1600.0, 2400.0]
    assert strength.depth_to_limit_m(GRID, profile) == pytest.approx(0.045)
    assert strength.depth_to_limit_m(GRID, np.array(profile) / 2) == float("inf")
    assert strength.depth_to_limit_m(GRID, [2500.0] * 5) == 0.01
    assert strength.depth_to_limit_m(GRID, [400.0, np.nan, np.nan, 1600.0, 2400.0]) == pytest.approx(0.045)
    assert np.isnan(strength.depth_to_limit_m(GRID, [np.nan] * 5))


def test_the_site_line_is_recovered_and_corrects_to_like_wetness():
    """A soil made with ln Q = 5 - 1.5 ln theta gives that line, and every visit corrected to 0.25 agrees (algebra)."""
    theta = np.array([0.18, 0.21, 0.25, 0.30, 0.34])
    q = np.exp(5.0 - 1.5 * np.log(theta))
    line = strength.fit_strength_line(theta, q)
    assert (line.a, line.b, line.count) == pytest.approx((5.0, -1.5, 5))
    value, low, high = strength.at_like_wetness_kpa(line, q, theta, 0.25)
    assert value == pytest.approx(np.full(5, np.exp(5.0 - 1.5 * np.log(0.25))))
    assert (low <= value + 1e-9).all()
    assert (high >= value - 1e-9).all()


def test_the_correction_is_refused_outside_the_dates_and_its_doubt_grows_with_distance():
    """No correction from or to a wetness never visited; the interval is nil at the reference, wide far from it."""
    rng = np.random.default_rng(3)
    theta = np.linspace(0.18, 0.34, 8)
    line = strength.fit_strength_line(theta, np.exp(5.0 - 1.5 * np.log(theta) + rng.normal(0, 0.1, 8)))
    value, low, high = strength.at_like_wetness_kpa(line, 1000.0, [0.17, 0.25, 0.30, 0.34, 0.35], 0.25)
    assert np.isnan(value[[0, 4]]).all()
    assert (high - low)[1] == pytest.approx(0.0)
    assert (high / low)[3] > (high / low)[2] > 1.0
    assert np.isnan(strength.at_like_wetness_kpa(line, 1000.0, 0.25, 0.40)[0])


def test_the_interval_of_the_correction_covers_the_truth():
    """Over 400 seeded sites the 90 % interval of a correction holds the true factor 86 to 94 % of the time."""
    rng = np.random.default_rng(11)
    theta, hits = np.linspace(0.18, 0.34, 7), 0
    for _ in range(400):
        line = strength.fit_strength_line(theta, np.exp(5.0 - 2.5 * np.log(theta) + rng.normal(0, 0.1, 7)))
        _, low, high = strength.at_like_wetness_kpa(line, 1000.0, 0.20, 0.30)
        hits += bool(low <= 1000.0 * (0.30 / 0.20) ** -2.5 <= high)
    assert 0.86 <= hits / 400 <= 0.94  # three binomial standard errors


@pytest.mark.parametrize(
    ("theta", "q", "words"),
    [
        ([0.2, 0.25, 0.3, 0.35], [4.0, 3.0, 2.0, 1.0], "found 4 dates, expected 5"),
        ([0.25] * 5, [1.0, 2.0, 3.0, 4.0, 5.0], "expected a span of 15 %"),
        ([0.2, 0.25, 0.3, 0.33, 0.35], [1.0, 2.0, 3.0, 4.0, 5.0], "expected a negative one"),
    ],
)
def test_a_line_is_refused_with_a_reason(theta, q, words):
    """Too few dates, one wetness, or strength that rises with water make no line."""
    with pytest.raises(ValueError, match=words):
        strength.fit_strength_line(theta, q)


def test_change_between_visits_holds_the_truth():
    """Ground softened to 0.7 shows 0.7 inside its interval, at every depth, and 1.0 outside it."""
    rng = np.random.default_rng(5)
    before = 1500.0 * np.exp(rng.normal(0.0, 0.08, (12, 4)))
    after = 1050.0 * np.exp(rng.normal(0.0, 0.08, (12, 4)))
    ratio, low, high = strength.change(before, after)
    assert ratio == pytest.approx(np.full(4, 0.7), abs=0.08)
    assert low.max() <= 0.7
    assert high.min() >= 0.7
    assert high.max() < 1.0
    again = strength.change(before, after)
    np.testing.assert_array_equal(low, again[1])
    assert np.isnan(strength.change(before[:4], after)[0]).all()


@pytest.mark.parametrize(
    ("kpa", "band"),
    [
        (999.0, "free"),
        (1000.0, "slowing"),
        (2400.0, "limited"),
        (3000.0, "only cracks and holes"),
        (9e3, "only cracks and holes"),
    ],
)
def test_bands(kpa, band):
    """Under 1 MPa free, 1 to 2 slowing, 2 to 3 limited, above only cracks and holes (common practice)."""
    assert strength.verdict(kpa, 0.9) == strength.StrengthVerdict(kpa, band, "")


def test_no_verdict_when_dry_unknown_or_in_preparation():
    """Dry ground, unknown wetness, too few pushes and a pitch in preparation get a reason, not a band."""
    assert "too dry" in strength.verdict(2500.0, 0.49).reason
    assert "not known" in strength.verdict(2500.0, float("nan")).reason
    assert "too few" in strength.verdict(float("nan"), 0.9).reason
    withheld = strength.verdict(2500.0, 0.9, in_preparation=True)
    assert "preparation" in withheld.reason
    assert withheld.band == ""
    assert strength.verdict(2500.0, 0.5).band == "limited"
