"""Cone resistance rises the way it is known to rise."""

import numpy as np
import pytest

from simulator.strength import cone_resistance_kpa


def at(head_m: float, saturation: float, density: float) -> float:
    return float(cone_resistance_kpa(np.array([head_m]), np.array([saturation]), np.array([density]))[0])


def test_value_of_the_regression():
    """log10 Q = 0.35 log10(10 kPa * 0.8) + 0.93 * 1.4 + 1.262 = 2.880, so 759 kPa (formula from memory, by hand)."""
    assert at(-10.0 / 9.81, 0.8, 1400.0) == pytest.approx(759.0, rel=0.01)


def test_same_soil_is_several_times_stronger_dry_than_drained():
    """From drained to wilted the same soil reads 2-10 times more (3-10 is common practice, no source)."""
    assert 2.0 < at(-150.0, 0.35, 1500.0) / at(-1.0, 0.75, 1500.0) < 10.0


def test_dense_ground_passes_the_root_limit_when_it_dries():
    """Rolled clay passes 2.5 MPa once dry (Gao et al. 2016, Plant Cell Environ. 39: growth is inhibited above it)."""
    assert at(-1.0, 0.9, 1200.0) < 1000.0
    assert at(-50.0, 0.6, 1850.0) > 2500.0


def test_flooded_ground_has_a_least_resistance():
    """With no suction the resistance is that of 1 kPa, never zero and never NaN (algebra)."""
    assert at(0.02, 1.0, 1400.0) == pytest.approx(10.0 ** (0.93 * 1.4 + 1.262))
