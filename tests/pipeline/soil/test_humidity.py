"""Humidity sums, held against the printed examples of FAO-56 and against textbook points."""

import numpy as np
import pytest

from pipeline.soil import humidity


def test_fao56_example_2_pressure_and_psychrometric_constant():
    """At 1800 m 81.8 kPa and 0.054 kPa/degC (FAO-56 example 2); at 1200 m 87.9 kPa (its Table 2.1)."""
    assert humidity.air_pressure_kpa([1800.0, 1200.0]) == pytest.approx([81.8, 87.9], abs=0.05)
    assert humidity.psychrometric_constant_kpa_degc(81.8) == pytest.approx(0.054, abs=0.0005)


def test_fao56_example_3_saturation():
    """3.075 and 1.705 kPa at 24.5 and 15 degC, 2.39 kPa as their mean (FAO-56 example 3)."""
    assert humidity.saturation_vapour_pressure_kpa([24.5, 15.0]) == pytest.approx([3.075, 1.705], abs=0.0005)
    assert humidity.mean_saturation_vapour_pressure_kpa(24.5, 15.0) == pytest.approx(2.39, abs=0.005)


def test_fao56_example_5_vapour_pressure():
    """25 and 18 degC with 54 and 82 % hold 1.70 kPa (FAO-56 example 5)."""
    assert humidity.vapour_pressure_kpa(25.0, 18.0, 82.0, 54.0) == pytest.approx(1.70, abs=0.005)


def test_fao56_example_18_steps():
    """Uccle, 6 July, 100 m, 21.5 and 12.3 degC: gamma 0.066556, Delta 0.122113, deficit 0.588862 kPa (a public R
    package's test of the example; it takes 0.66474e-3 where the paper prints 0.665e-3: 3e-5)."""
    pressure = humidity.air_pressure_kpa(100.0)
    assert humidity.psychrometric_constant_kpa_degc(pressure) == pytest.approx(0.066556, abs=3e-5)
    assert humidity.saturation_slope_kpa_degc(16.9) == pytest.approx(0.122113, abs=1e-5)
    deficit = humidity.mean_saturation_vapour_pressure_kpa(21.5, 12.3) - 1.408624
    assert deficit == pytest.approx(0.588862, abs=1e-5)


def test_fao56_example_19_steps():
    """N'Diaye, 14 to 15 h, 8 m, 38 degC: Delta 0.35820, gamma 0.067302 (recomputed independently)."""
    assert humidity.saturation_slope_kpa_degc(38.0) == pytest.approx(0.35820, abs=1e-5)
    pressure = humidity.air_pressure_kpa(8.0)
    assert humidity.psychrometric_constant_kpa_degc(pressure) == pytest.approx(0.067302, abs=1e-6)


def test_slope_is_the_derivative_of_saturation():
    """The slope agrees with a central difference of the saturation curve (algebra)."""
    t = np.linspace(-10.0, 40.0, 26)
    step = 1e-4
    rise = humidity.saturation_vapour_pressure_kpa(t + step) - humidity.saturation_vapour_pressure_kpa(t - step)
    # 4098 is 17.27 x 237.3 rounded: 5 in 1e5.
    assert humidity.saturation_slope_kpa_degc(t) == pytest.approx(rise / (2 * step), rel=1e-4)


def test_dewpoint_undoes_saturation():
    """The dewpoint of saturated air is its temperature (algebra); no vapour has no dewpoint."""
    t = np.linspace(-20.0, 40.0, 31)
    assert humidity.dewpoint_degc(humidity.saturation_vapour_pressure_kpa(t)) == pytest.approx(t, abs=1e-9)
    assert humidity.dewpoint_from_humidity_degc(20.0, 50.0) == pytest.approx(9.3, abs=0.1)  # psychrometric tables
    assert np.isnan(humidity.dewpoint_degc([0.0, -1.0])).all()


def test_frost_point_lies_between_dewpoint_and_freezing():
    """Ice takes up vapour before water does: at a dewpoint of -10 degC frost forms from about -8.9 degC."""
    vapour = humidity.saturation_vapour_pressure_kpa([-10.0, -1.0])
    frost = humidity.frost_point_degc(vapour)
    assert frost[0] == pytest.approx(-8.9, abs=0.1)  # meteorological tables, from memory
    assert (frost > humidity.dewpoint_degc(vapour)).all()
    assert (frost < 0.0).all()
    assert np.isnan(humidity.frost_point_degc(0.62))
