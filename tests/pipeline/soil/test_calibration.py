"""Named curves as a probe description writes them, and the temperature correction."""

import numpy as np
import pytest

from pipeline.soil import calibration


def test_calibrate_applies_the_named_curve():
    """A curve named as in a probe description turns readings into water content."""
    found = calibration.calibrate([5.0, 30.0, 41.0], "topp_1980")
    assert found[:2] == pytest.approx([0.0798, 0.4441], abs=1e-4)  # computed independently from the printed cubic
    assert np.isnan(found[2])


def test_identity_passes_even_impossible_values_and_copies():
    """A probe with its own calibration is believed here, so that the range test sees what it said."""
    raw = np.array([0.25, 1.3, np.nan])
    found = calibration.calibrate(raw, "identity")
    np.testing.assert_array_equal(found, raw)
    found[0] = 9.0
    assert raw[0] == 0.25


def test_linear_refuses_outside_its_sampled_range():
    """A site line answers nothing beyond its wettest and driest sample (algebra)."""
    parameters = {"slope": 0.001, "offset": -0.5, "reading_low": 600.0, "reading_high": 900.0}
    found = calibration.calibrate([599.0, 600.0, 750.0, 900.0, 901.0], "linear", parameters)
    np.testing.assert_allclose(found, [np.nan, 0.1, 0.25, 0.4, np.nan], atol=1e-12)


@pytest.mark.parametrize(
    ("name", "parameters", "words"),
    [
        ("topp_1981", {}, ["found 'topp_1981'", "Did you mean 'topp_1980'?"]),
        ("topp_1980", {"porosity": 0.4}, ["porosity: found 0.4", "expected no parameter"]),
        ("malicki_bulk_density", {}, ["bulk_density_g_cm3: found nothing", "0.13 to 2"]),
        ("malicki_bulk_density", {"bulk_density_g_cm3": 250.0}, ["found 250", "0.13 to 2"]),
        ("crim", {"porosity": True}, ["porosity: found True", "expected a number"]),
        ("linear", {"slope": float("nan"), "offset": 0.0}, ["slope: found nan", "expected a number"]),
    ],
)
def test_a_bad_calibration_is_named_found_and_expected(name, parameters, words):
    """A fault names the key, what stood there and what belongs there, and calibrate refuses to run."""
    faults = calibration.curve_faults(name, parameters)
    assert len(faults) == 1
    for word in words:
        assert word in faults[0]
    with pytest.raises(ValueError, match="calibration"):
        calibration.calibrate([10.0], name, parameters)


def test_all_faults_come_at_once():
    """Two faults in one description are both told."""
    assert len(calibration.curve_faults("malicki_bulk_density", {"bulk_density": 0.2})) == 2


def test_every_curve_accepts_the_middle_of_its_own_parameter_ranges():
    """Each curve in the list can be used as listed."""
    for name, curve in calibration.CURVES.items():
        middle = {key: 0.5 * (low + high) if np.isfinite(low) else 1.0 for key, (low, high) in curve.required.items()}
        assert calibration.curve_faults(name, middle) == []
        assert np.isfinite(calibration.calibrate([12.0], name, middle)).all()
        assert curve.source


def test_temperature_correction_takes_out_a_known_drift():
    """A reading that drifts by 0.002 per degC about a constant 0.30 is brought back to 0.30 (algebra)."""
    temperature = np.array([5.0, 20.0, 31.0])
    reading = 0.30 + 0.002 * (temperature - 20.0)
    np.testing.assert_allclose(calibration.correct_for_temperature(reading, temperature, 0.002), 0.30, atol=1e-12)
    np.testing.assert_allclose(
        calibration.correct_for_temperature(reading, temperature, 0.002, reference_degc=5.0)[0], reading[0]
    )


def test_temperature_correction_needs_no_temperature_when_there_is_no_drift():
    """A zero coefficient keeps the reading although the temperature is missing; any other gives NaN."""
    assert calibration.correct_for_temperature([0.3], [np.nan], 0.0)[0] == 0.3
    assert np.isnan(calibration.correct_for_temperature([0.3], [np.nan], 0.001)[0])


def test_temperature_coefficient_is_the_slope_and_refuses_a_narrow_span():
    """Two readings of one soil, cool and warm, give the coefficient (algebra); 4 degC apart do not."""
    assert calibration.temperature_coefficient([0.30, 0.33], [5.0, 25.0]) == pytest.approx(0.0015)
    with pytest.raises(ValueError, match="expected 2 or more over 5 degC"):
        calibration.temperature_coefficient([0.30, 0.33, 0.31], [5.0, 9.0, 8.0])
