"""Sums of a hand meter, against algebra."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.soil.hand_meter import soil_below, standard_error, thatch_share


def test_errors_add_by_their_squares() -> None:
    """0.03 of the meter in soil and a spread of 0.08 over four points are 0.05; without a spread the meter's alone."""
    assert standard_error(0.0, 0.08, 4) == pytest.approx(0.05)
    assert standard_error(0.5, math.nan, 1) == pytest.approx(0.04)
    assert thatch_share(0.06, 0.015) == 0.25 and thatch_share(0.06, math.nan) == 0.0 == thatch_share(0.06, 0.0)


def test_the_soil_of_a_mixture_is_found_again() -> None:
    """Thatch and soil equally wet, mixed by length: the soil comes back, its error that of the rods over its share."""
    thatch, soil = (0.10, 0.50), (0.14, 0.38)
    for share, wetness in ((0.0, 0.3), (0.125, 0.6), (0.4, 1.1)):
        held = [dry + wetness * (drained - dry) for dry, drained in (thatch, soil)]
        mixed = share * held[0] + (1 - share) * held[1]
        found = soil_below(mixed, 0.03, share, thatch=thatch, soil=soil, thatch_full=0.10)
        assert found.water_content == pytest.approx(held[1]) and found.error == pytest.approx(0.03 / (1 - share))


def test_what_the_thatch_may_hold_widens_the_error() -> None:
    """Thatch drawn anywhere between 0.1 and 0.7 under a fixed reading: the spread of the soil is the error said."""
    held = np.linspace(0.1, 0.7, 10_001)
    soils = (0.30 - 0.25 * held) / 0.75
    found = soil_below(0.30, 0.0, 0.25, thatch=(0.1, 0.5), soil=(0.14, 0.38), thatch_full=0.7)
    assert found.error == pytest.approx(float(soils.std()), rel=1e-3)
