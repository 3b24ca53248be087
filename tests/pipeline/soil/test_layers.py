"""Water by layer against algebra: integrals of straight profiles, hand sums in millimetres, and honest gaps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.soil import layers
from pipeline.soil.layers import CELL_MS, MEDIA, Place

NAN = float("nan")


@pytest.mark.parametrize(
    ("depth", "bottom", "weights"),
    [
        ([0.1], 0.2, [0.2]),  # one sensor stands for the whole layer
        ([0.05, 0.15], 0.2, [0.1, 0.1]),  # cut half-way
        ([0.05, 0.10, 0.20], 0.20, [0.075, 0.075, 0.05]),  # by hand
        ([0.05, 0.10, 0.20, 0.50], 0.20, [0.075, 0.075, 0.05, 0.0]),  # a sensor below the layer counts for nothing
        # bottom between sensors: the strip from 0.1 to 0.2 of a segment of 0.4, 0.1 less 0.1^2/0.8, and 0.1^2/0.8
        ([0.10, 0.50], 0.20, [0.1 + 0.0875, 0.0125]),
        ([], 0.2, []),
    ],
)
def test_weights_by_hand(depth, bottom, weights):
    """Each sensor's share of the layer (algebra)."""
    np.testing.assert_allclose(layers.layer_weights_m(depth, bottom), weights, atol=1e-12)


@given(
    st.lists(st.floats(0.0, 0.5), min_size=1, max_size=6, unique_by=lambda x: round(x, 3)), st.floats(0.05, 0.6),
    st.floats(0.1, 0.4), st.floats(-0.2, 0.2),
)  # fmt: skip
def test_storage_is_the_integral_of_the_straight_profile(depths, bottom, a, b):
    """Storage of theta = a + b z read at sensors is the integral of the line through them (numpy trapezoid)."""
    z = np.array(sorted(depths))
    theta = a + b * z
    weights = layers.layer_weights_m(z, bottom)
    fine = np.unique(np.concatenate([np.linspace(0.0, bottom, 201), z[z < bottom]]))
    expected = np.trapezoid(np.interp(fine, z, theta), fine) * 1000.0
    # tolerance: rounding of 200 additions
    assert layers.storage_mm(theta[np.newaxis, :], weights)[0] == pytest.approx(expected, abs=1e-9)
    assert weights.sum() == pytest.approx(bottom)


def test_depths_out_of_order_are_refused():
    """Swapped depths are an error, not a negative layer."""
    with pytest.raises(ValueError, match="expected soil depths that increase"):
        layers.layer_weights_m([0.1, 0.05], 0.2)


@pytest.mark.parametrize(
    ("thatch_mm", "theta", "water_mm"),
    [(3, 0.40, 1.2), (6, 0.75, 4.5), (12, 0.40, 4.8), (12, 0.75, 9.0), (20, 0.40, 8.0), (30, 0.75, 22.5)],
)
def test_water_in_thatch_by_hand(thatch_mm, theta, water_mm):
    """Thickness times water content: 12 mm of thatch drained at 0.40 hold 4.8 mm (arithmetic)."""
    weights = layers.layer_weights_m([thatch_mm / 2000], thatch_mm / 1000)
    assert layers.storage_mm(np.array([[theta]]), weights)[0] == pytest.approx(water_mm)


def test_a_missing_sensor_makes_the_layer_unknown():
    """NaN in a sensor that counts is NaN in the layer; in one that does not it is not."""
    theta = np.array([[0.3, 0.3, NAN], [NAN, 0.3, 0.3], [0.3, 0.3, 0.3]])
    stored = layers.storage_mm(theta, np.array([0.1, 0.1, 0.0]))
    np.testing.assert_allclose(stored, [60.0, NAN, 60.0])
    assert np.isnan(layers.storage_mm(theta[:, :0], np.array([]))).all()


def test_wetness_runs_from_dry_to_drained():
    """0 at the dry limit, 1 at the drained limit, straight between and beyond (definition)."""
    np.testing.assert_allclose(layers.wetness([0.1, 0.2, 0.3, 0.4, NAN], 0.1, 0.3), [0.0, 0.5, 1.0, 1.5, NAN])
    assert np.isnan(layers.wetness(0.2, 0.3, 0.3))


def test_wetness_bounds_hold_every_limit_in_the_ranges():
    """The bounds are reached by limits at the ends of their ranges and left by none inside (grid search)."""
    medium = MEDIA["decayed_thatch"]
    theta = np.linspace(0.05, 0.8, 16)
    low, high = layers.wetness_bounds(theta, medium.wilting, medium.drained)
    grid = [
        layers.wetness(theta, d, f) for d in np.linspace(*medium.wilting, 9) for f in np.linspace(*medium.drained, 9)
    ]
    np.testing.assert_allclose(low, np.min(grid, axis=0))
    np.testing.assert_allclose(high, np.max(grid, axis=0))


def test_mean_wetness_is_weighted_by_soil():
    """Two sensors, three quarters and one quarter of the layer (hand sum)."""
    assert layers.mean_wetness(np.array([[1.0, 0.0]]), np.array([0.15, 0.05]))[0] == pytest.approx(0.75)


def test_air_is_what_the_water_leaves():
    """Porosity less water, never below none."""
    np.testing.assert_allclose(layers.air_filled_porosity([0.7, 0.85, NAN], 0.8), [0.1, 0.0, NAN])


@pytest.mark.parametrize(
    ("depth_mm", "height_mm", "thatch_mm", "expected"),
    [
        (8, 12, 16, Place.THATCH),  # 2 to 14 mm
        (8, 12, 12, Place.THATCH),  # ten of its twelve millimetres
        (8, 12, 11, Place.MIXED),  # thatch thinner than the sensing height
        (8, 12, 6, Place.MIXED),
        (8, 12, 3, Place.MIXED),  # still touches it
        (8, 12, 2, Place.SOIL),  # touches it no more
        (8, 12, 0, Place.SOIL),
        (8, 12, NAN, Place.SOIL),  # thickness not known
        (12, 12, 14, Place.MIXED),  # 6 to 18 mm: only eight of twelve in the thatch
        (35, 20, 16, Place.SOIL),  # 25 to 45 mm
        (35, 20, 30, Place.SOIL),  # 15 of 20 mm in soil, three quarters
        (35, 20, 31, Place.MIXED),
        (3, 12, 20, Place.THATCH),  # 0 to 9 mm of thatch and 3 mm of air: three quarters
        (2, 12, 20, Place.MIXED),  # a third of it in the air
        (10, 0, 16, Place.THATCH),
        (20, 0, 16, Place.SOIL),
    ],
)
def test_place_of_a_probe(depth_mm, height_mm, thatch_mm, expected):
    """What a sensing volume lies in (hand geometry; the bound of three quarters is common practice, no source)."""
    assert layers.place(depth_mm / 1000, height_mm / 1000, thatch_mm / 1000) is expected


def test_thatch_thickness_by_date():
    """That of the last core; before the first, the first; none without cores."""
    dates, thickness = [1000, 2000], [0.020, 0.014]
    np.testing.assert_array_equal(
        layers.thatch_thickness_m([0, 1000, 1999, 2000, 9999], dates, thickness), [0.020, 0.020, 0.020, 0.014, 0.014]
    )
    assert np.isnan(layers.thatch_thickness_m([5], [], [])).all()


def test_dressing_buries_a_sensor():
    """Two dressings of 3 and 2 mm put a sensor from 35 to 38 to 40 mm."""
    dressed = ([1000, 2000], [0.003, 0.002])
    depths = [layers.depth_now_m(0.035, t, *dressed) for t in (999, 1000, 2000)]
    assert depths == pytest.approx([0.035, 0.038, 0.040])


def test_a_cell_takes_its_first_good_value():
    """Bad rows are stepped over inside a quarter hour, not across it."""
    times = np.array([0, 300_000, 600_000, CELL_MS, 2 * CELL_MS + 5], dtype=np.int64)
    value = np.array([NAN, 0.2, 0.3, NAN, 0.4])
    np.testing.assert_array_equal(layers.on_cells(np.arange(3), times, value), [0.2, NAN, 0.4])


def test_a_seldom_read_channel_stands_for_an_hour():
    """Read once, a value stands for four more quarter hours; after a failed reading it stands no more."""
    once = np.array([0], dtype=np.int64)
    np.testing.assert_array_equal(layers.on_cells(np.arange(-1, 6), once, np.array([0.3])), [NAN, *[0.3] * 5, NAN])
    failed = np.array([0, 2 * CELL_MS], dtype=np.int64)
    np.testing.assert_array_equal(layers.on_cells(np.arange(4), failed, np.array([0.3, NAN])), [0.3, 0.3, NAN, NAN])
    assert np.isnan(layers.on_cells(np.arange(2), once[:0], np.array([]))).all()
