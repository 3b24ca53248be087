"""Depths of a share of uptake with a continuous density, held against profiles known in closed form."""

import numpy as np
import pytest

from pipeline.soil import roots as root_profile

BOUNDS_M = np.array([0.015, 0.050, 0.0875, 0.135, 0.185])  # of probes at 35, 65, 110 and 160 mm under 15 mm of thatch


def layers(running) -> np.ndarray:
    """Uptake by layer of a profile whose running sum over soil depth is known."""
    return np.diff(running(BOUNDS_M - 0.015))


def test_each_layer_keeps_its_total():
    """The share that lies above a bound is found at that bound, whatever the layers hold (algebra)."""
    rng = np.random.default_rng(1)
    water = rng.uniform(0.0, 1.0, (50, 4)) * (rng.random((50, 4)) > 0.2)
    water[:, 0] += 0.1
    running = np.cumsum(water, axis=1) / water.sum(axis=1, keepdims=True)
    for row in range(50):
        for k in range(3):
            if water[row, k + 1 :].sum() > 0.0 and water[row, k] > 0.0:
                (found,) = root_profile.smooth_depths_m(water[row : row + 1], BOUNDS_M[np.newaxis], running[row, k])
                assert found == pytest.approx(BOUNDS_M[k + 1], abs=1e-6)


@pytest.mark.parametrize("d90_m", [0.05, 0.07, 0.09, 0.11])
def test_exponential_roots_are_found_closer_than_by_straight_lines(d90_m):
    """90 % above a soil depth in closed form: within 8 mm from four exact layers, half the error of straight lines."""
    water = layers(lambda z: 1.0 - 0.1 ** (z / d90_m))
    (found,) = root_profile.smooth_depths_m([water], [BOUNDS_M], 0.9 * (1.0 - 0.1 ** (0.17 / d90_m)) / water.sum())
    straight = np.interp(0.9 * (1.0 - 0.1 ** (0.17 / d90_m)), np.append(0.0, np.cumsum(water)), BOUNDS_M)
    truth = 0.015 - np.log10(1.0 - 0.9 * (1.0 - 0.1 ** (0.17 / d90_m))) * d90_m
    assert abs(found - truth) <= 0.008
    assert abs(found - truth) <= abs(straight - truth) + 0.001


def test_an_even_profile_is_even():
    """The same density all the way down: any share lies above the same share of the depth (algebra), within a layer
    too, but for the last, where it thins out."""
    bounds = np.linspace(0.0, 0.4, 9)
    for share in (0.03, 0.42, 0.5, 0.71, 0.86):
        (found,) = root_profile.smooth_depths_m([np.ones(8)], [bounds], share)
        assert found == pytest.approx(0.4 * share, abs=1e-6)


def test_running_sum_never_falls():
    """Depth rises with the share, in random profiles, from the first bound to the last."""
    rng = np.random.default_rng(2)
    water = rng.exponential(1.0, (30, 4)) * (rng.random((30, 4)) > 0.3)
    water = water[water.sum(axis=1) > 0.0]
    bounds = np.tile(BOUNDS_M, (water.shape[0], 1))
    found = np.stack([root_profile.smooth_depths_m(water, bounds, share) for share in np.linspace(0.01, 0.99, 40)])
    assert (np.diff(found, axis=0) >= -1e-9).all()
    assert found.min() >= BOUNDS_M[0] and found.max() <= BOUNDS_M[-1]


def test_nothing_drawn_has_no_depth():
    """Layers without uptake, or with less than none, give NaN."""
    assert np.isnan(root_profile.smooth_depths_m([[0.0, -1.0, 0.0]], [[0.0, 0.1, 0.2, 0.3]], 0.9)).all()


def test_tail_runs_the_decline_on_and_may_be_cut():
    """Density halving from 110 to 160 mm halves every 50 mm more (closed form); a share of 0 leaves none."""
    depth, edges = np.array([0.110, 0.160]), np.array([[0.085, 0.135, 0.185]])
    drawn = np.array([[2.0, 1.0]])
    more, deeper = root_profile.with_tail(drawn, edges, depth)
    length = 0.05 / np.log(2.0)
    assert more[0, 2] == pytest.approx(1.0 / 0.05 * length * 0.5 ** (0.025 / 0.05))
    assert deeper[0, 3] == pytest.approx(0.185 + 2.0 * length)
    assert root_profile.with_tail(drawn, edges, depth, share=0.0)[0][0, 2] == 0.0
