"""What may be written for a calibration, and how a slip in it is told."""

import pytest

from hardware.curves import SIGNATURES, curve_faults
from hardware.quantities import QUANTITIES


@pytest.mark.parametrize(
    ("name", "parameters", "words"),
    [
        ("topp_1981", {}, ["curve: found 'topp_1981', expected one of identity, ", ", nearest 'topp_1980'"]),
        (None, {}, ["curve: found nothing, expected one of identity, "]),
        (3, {"slope": 1.0}, ["curve: found 3, expected one of identity, "]),
        ("topp_1980", {"porosity": 0.4}, ["porosity: found 0.4", "expected no parameter"]),
        ("malicki_bulk_density", {}, ["bulk_density_g_cm3: found nothing", "0.13 to 2"]),
        ("malicki_bulk_density", {"bulk_density_g_cm3": 250.0}, ["found 250", "0.13 to 2"]),
        ("crim", {"porosity": True}, ["porosity: found True", "expected a number"]),
        ("malicki_bulk_density", {"bulk_density_g_cm3": True}, ["bulk_density_g_cm3: found True", "expected a number"]),
        ("linear", {"slope": float("nan"), "offset": 0.0}, ["slope: found nan", "expected a number"]),
        ("linear", {"slope": 10**400, "offset": 0.0}, ["slope: found 1000", "expected a number"]),
        ("linear", {"slope": "steep", "offset": 0.0}, ["slope: found 'steep'", "expected a number"]),
        ("topp_1980", {"reading_per_degc": 2000.0}, ["reading_per_degc: found 2000", "-1000 to 1000"]),
        ("identity", {"reading_per_degc": 0.01, "reference_degc": 90}, ["reference_degc: found 90", "-10 to 50"]),
        ("identity", {"reference_degc": 15.0}, ["reading_per_degc: found nothing", "beside reference_degc"]),
        ("identity", {"reading_per_deg": 0.01}, ["nearest 'reading_per_degc'"]),
        ("cone_base_area", {"base_mm2": 0}, ["base_mm2: found 0, expected a number from 10 to 1000"]),
        ("cone_base_area", {}, ["base_mm2: found nothing, expected a number from 10 to 1000"]),
    ],
)
def test_a_bad_calibration_is_named_found_and_expected(name, parameters, words):
    """A fault names the key, what stood there and what belongs there."""
    faults = curve_faults(name, parameters)
    assert len(faults) == 1
    for word in words:
        assert word in faults[0]


def test_all_faults_come_at_once():
    """A parameter that is missing and one that is misspelt are both told, with the nearest name."""
    missing, misspelt = curve_faults("malicki_bulk_density", {"bulk_density": 0.2})
    assert missing.startswith("bulk_density_g_cm3: found nothing")
    assert misspelt.endswith("nearest 'bulk_density_g_cm3'")


@pytest.mark.parametrize("name", SIGNATURES)
def test_limits_are_within_the_curve(name):
    """Both ends of each parameter are taken, and what lies beyond is not."""
    known = {**SIGNATURES[name].required, **SIGNATURES[name].optional}
    points = {"points": [[0.4, 0.05], [1.1, 0.38]]} if SIGNATURES[name].has_points else {}
    for end in (0, 1):
        assert curve_faults(name, {**points, **{key: limits[end] for key, limits in known.items()}}) == []
    for key, (low, high) in known.items():
        ends = {other: limits[0] for other, limits in known.items()}
        for beyond in (low - max(0.01 * abs(low), 0.01), high + 0.01 * abs(high)):
            assert len(curve_faults(name, {**ends, key: beyond})) == 1


def test_curves_speak_of_quantities_that_are_known():
    """What a curve reads and gives is a quantity, or says in words that it is any."""
    for signature in SIGNATURES.values():
        assert signature.reads in QUANTITIES or " " in signature.reads
        assert signature.gives in QUANTITIES or " " in signature.gives
