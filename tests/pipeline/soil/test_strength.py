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


def test_no_verdict_when_dry_unknown_or_in_preparation():
    """Dry ground, unknown wetness, too few pushes and a pitch in preparation get a reason; wet enough ground none."""
    assert "too dry" in strength.why_no_verdict(2500.0, 0.49)
    assert "not known" in strength.why_no_verdict(2500.0, float("nan"))
    assert "too few" in strength.why_no_verdict(float("nan"), 0.9)
    assert "preparation" in strength.why_no_verdict(2500.0, 0.9, in_preparation=True)
    assert strength.why_no_verdict(2500.0, 0.5) == ""
