"""Named curves as a probe description writes them, and the temperature correction."""

import inspect

import numpy as np
import pytest

from hardware.curves import SIGNATURES, curve_faults
from pipeline.soil import calibration


def test_calibrate_applies_the_named_curve():
    """A curve named as in a probe description turns readings into water content."""
    found = calibration.calibrate([5.0, 30.0, 45.0], "topp_1980")
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
    ("name", "parameters"), [("topp_1981", {}), ("malicki_bulk_density", {}), ("crim", {"porosity": True})]
)
def test_calibrate_refuses_what_the_loaders_refuse(name, parameters):
    """A curve that does not exist, or whose parameters do not fit, is a ValueError with the fault in it."""
    (fault,) = curve_faults(name, parameters)
    with pytest.raises(ValueError, match="calibration") as caught:
        calibration.calibrate([10.0], name, parameters)
    assert fault in str(caught.value)


def test_there_is_a_sum_for_every_curve_that_may_be_named():
    """The table of the names and the table of the sums are one; each sum takes the very parameters of its signature."""
    assert list(calibration.CURVES) == list(SIGNATURES)
    for name, curve in calibration.CURVES.items():
        assert curve.signature is SIGNATURES[name]
        taken = dict(list(inspect.signature(curve.formula).parameters.items())[1:])  # the reading comes first
        points = {"points"} if curve.signature.has_points else set()
        assert taken.keys() == {*curve.signature.required, *curve.signature.optional, *points}, name
        needed = {key for key, one in taken.items() if one.default is one.empty}
        assert needed == curve.signature.required.keys() | points, name


def test_every_curve_accepts_the_middle_of_its_own_parameter_ranges():
    """Each curve in the list can be used as listed."""
    for name, curve in calibration.CURVES.items():
        middle: dict[str, object] = {key: 0.5 * (low + high) for key, (low, high) in curve.signature.required.items()}
        middle |= {"points": [[0.0, 0.0], [100.0, 1.0]]} if curve.signature.has_points else {}
        if "reading_high" in middle:  # both ends of a range, of which the middle is nothing
            middle |= {"reading_low": 0.0, "reading_high": 100.0}
        assert curve_faults(name, middle) == []
        assert np.isfinite(calibration.calibrate([12.0], name, middle)).all()
        assert curve.source


@pytest.mark.parametrize("name", [name for name, one in SIGNATURES.items() if one.reads == "apparent_permittivity"])
def test_limits_of_parameters_are_where_the_curve_stops_answering(name):
    """Both ends of a required parameter give water content; beyond them the guarded sum answers NaN."""
    for key, (low, high) in SIGNATURES[name].required.items():
        inside, outside = [low, high], [low * 0.999, high * 1.001]
        assert np.isfinite([calibration.CURVES[name].guarded(12.0, **{key: value}) for value in inside]).all()
        assert np.isnan([calibration.CURVES[name].guarded(12.0, **{key: value}) for value in outside]).all()


def test_cone_resistance_is_force_over_base():
    """100 N on 100 mm2 is 1 MPa (algebra)."""
    assert calibration.calibrate([100.0, np.nan], "cone_base_area", {"base_mm2": 100.0})[0] == 1000.0


def test_temperature_correction_takes_out_a_known_drift():
    """A reading that drifts by 0.002 per degC about a constant 0.30 is brought back to 0.30 (algebra)."""
    temperature = np.array([5.0, 20.0, 31.0])
    reading = 0.30 + 0.002 * (temperature - 20.0)
    np.testing.assert_allclose(calibration.correct_for_temperature(reading, temperature, 0.002), 0.30, atol=1e-12)
    np.testing.assert_allclose(
        calibration.correct_for_temperature(reading, temperature, 0.002, reference_degc=5.0)[0], reading[0]
    )


def test_temperature_is_taken_out_before_the_curve():
    """A permittivity of 10 that rises by 0.05 a degree reads 10.5 at 30 degC: 0.1883 by Topp as at 20 (table)."""
    asked = {"reading_per_degc": 0.05}
    found = calibration.calibrate([10.5, 10.0, 10.5], "topp_1980", asked, temperature_degc=[30.0, 20.0, np.nan])
    np.testing.assert_allclose(found, [0.1883, 0.1883, np.nan], atol=5e-5)
    at_30 = calibration.calibrate([10.5], "topp_1980", {**asked, "reference_degc": 30.0}, temperature_degc=[30.0])
    assert at_30 == pytest.approx(calibration.calibrate([10.5], "topp_1980"))


def test_temperature_correction_needs_no_temperature_when_there_is_no_drift():
    """A zero coefficient keeps the reading although the temperature is missing; any other gives NaN."""
    assert calibration.correct_for_temperature([0.3], [np.nan], 0.0)[0] == 0.3
    assert np.isnan(calibration.correct_for_temperature([0.3], [np.nan], 0.001)[0])
