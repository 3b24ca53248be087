"""Published permittivity curves, held against tables worked out from the printed coefficients elsewhere."""

import numpy as np
import pytest
from numpy.polynomial import Polynomial

from hardware.curves import SIGNATURES
from pipeline.soil.calibration import CURVES

PERMITTIVITY = [3.0, 5.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0]
# Computed independently from the equations of the papers named in each curve's source; not printed in the papers.
TABLE = [
    ("topp_1980", {}, [0.0298, 0.0798, 0.1883, 0.3454, 0.4441, 0.5102, 0.5695, 0.6478]),
    ("roth_organic", {}, [0.0584, 0.1088, 0.2216, 0.3986, 0.5259, 0.6217, 0.7042, 0.7917]),
    ("kellner_lundin", {}, [0.1301, 0.1866, 0.3136, 0.5138, 0.6552, 0.7534, 0.8240, 0.8826]),
    ("nagare", {}, [0.0730, 0.1300, 0.2579, 0.4591, 0.6009, 0.6995, 0.7711, 0.8319]),
    ("myllys_simojoki", {}, [0.0447, 0.1159, 0.2692, 0.4848, 0.6069, 0.6689, 0.7042, 0.7461]),
    ("schaap", {}, [0.1121, 0.1881, 0.3186, 0.4921, 0.6198, 0.7249, 0.8158, 0.8968]),
    (
        "malicki_bulk_density",
        {"bulk_density_g_cm3": 0.1},
        [0.1228, 0.1919, 0.3190, 0.4987, 0.6366, 0.7529, 0.8553, 0.9479],
    ),
    (
        "malicki_bulk_density",
        {"bulk_density_g_cm3": 0.3},
        [0.1128, 0.1797, 0.3028, 0.4769, 0.6105, 0.7231, 0.8223, 0.9120],
    ),
    (
        "malicki_bulk_density",
        {"bulk_density_g_cm3": 1.5},
        [0.0339, 0.0903, 0.1939, 0.3404, 0.4528, 0.5476, 0.6311, 0.7066],
    ),
    (
        "crim",
        {"porosity": 0.45, "solid_permittivity": 5.0, "water_permittivity": 80.0},
        [0.0066, 0.0700, 0.1866, 0.3515, 0.4780, 0.5847, 0.6786, 0.7636],
    ),
    (
        "crim",
        {"porosity": 0.90, "solid_permittivity": 4.0, "water_permittivity": 80.0},
        [0.0796, 0.1430, 0.2596, 0.4245, 0.5510, 0.6577, 0.7516, 0.8366],
    ),
]
HALF_A_DIGIT = 0.5001e-4  # the tables are printed to four decimals


@pytest.mark.parametrize(("name", "parameters", "expected"), TABLE)
def test_formula_gives_the_tabulated_water_content(name, parameters, expected):
    """The bare equation of every curve gives the independent table to its last digit, beyond the range too."""
    assert CURVES[name].formula(PERMITTIVITY, **parameters) == pytest.approx(expected, abs=HALF_A_DIGIT)


@pytest.mark.parametrize(("name", "parameters", "expected"), TABLE)
def test_guarded_curve_is_the_formula_inside_its_range_and_nan_outside(name, parameters, expected):
    """A curve answers the table inside its calibrated range and nothing outside it."""
    curve = CURVES[name]
    low, high = curve.reading_range
    inside = (np.array(PERMITTIVITY) >= low) & (np.array(PERMITTIVITY) <= high)
    bulk_density = parameters.get("bulk_density_g_cm3")
    if bulk_density is not None and bulk_density < 0.13:
        inside[:] = False  # the lightest peat of Malicki, Plagge & Roth 1996 is 0.13 g/cm3
    found = curve.guarded(PERMITTIVITY, **parameters)
    assert found[inside] == pytest.approx(np.array(expected)[inside], abs=HALF_A_DIGIT)
    assert np.isnan(found[~inside]).all()


def test_topp_1980_at_every_tabulated_permittivity():
    """Topp's cubic gives the independent table, 25 and 80 included."""
    found = CURVES["topp_1980"].formula([15.0, 25.0, 80.0])
    assert found == pytest.approx([0.2758, 0.4004, 0.9646], abs=HALF_A_DIGIT)  # computed independently


def test_topp_round_trip_stays_within_the_two_fits():
    """There and back differs by 0.015 m3/m3 up to 0.46 and 0.025 to 0.50: the cubics are separate fits."""
    theta, forward = np.linspace(0.05, 0.46, 42), Polynomial([3.03, 9.3, 146.0, -76.7])  # the paper's, from memory
    assert CURVES["topp_1980"].guarded(forward(theta)) == pytest.approx(theta, abs=0.015)
    assert CURVES["topp_1980"].guarded(forward(0.5)) == pytest.approx(0.5, abs=0.025)


def test_topp_organic_pair_agrees_where_it_may_be_used():
    """Topp's two organic equations (both from memory) agree to 0.013 m3/m3 at each tenth (computed apart)."""
    theta, forward = np.array([0.1, 0.2, 0.3, 0.4]), Polynomial([1.74, -0.34, 135.0, -55.3])
    assert CURVES["topp_organic"].guarded(forward(theta)) == pytest.approx(theta, abs=0.0135)
    between = np.linspace(0.1, 0.48, 39)
    assert CURVES["topp_organic"].guarded(forward(between)) == pytest.approx(between, abs=0.016)


@pytest.mark.parametrize("name", ["topp_organic", "roth_mineral"])
def test_cubics_that_blow_up_refuse_above_forty(name):
    """The two cubics that turn up never answer above a permittivity of 40, where they would claim too much."""
    above = np.linspace(40.001, 80.0, 50)
    assert np.isnan(CURVES[name].guarded(above)).all()
    assert CURVES[name].formula(60.0) > 1.0  # algebra of the printed coefficients: more water than room


def test_roth_mineral_lies_near_topp_in_mineral_soil():
    """Two mineral curves of two laboratories differ by less than twice the stated error of 0.013 to 0.02."""
    at = np.array([5.0, 10.0, 15.0, 20.0, 25.0])
    assert CURVES["roth_mineral"].guarded(at) == pytest.approx(
        CURVES["topp_1980"].guarded(at), abs=0.03
    )  # common practice, no source


@pytest.mark.parametrize("name", [n for n, c in SIGNATURES.items() if c.reads == "apparent_permittivity"])
def test_every_curve_rises_through_its_range_and_keeps_nan(name):
    """More permittivity never means less water inside a calibrated range, and a gap stays a gap. Within a tenth of its
    end a reading is given the value at that end; further off it is refused (algebra)."""
    curve = CURVES[name]
    middle = {key: 0.5 * (low + high) for key, (low, high) in curve.signature.required.items()}
    found = curve.guarded(np.linspace(*curve.reading_range, 400), **middle)
    assert np.isfinite(found).all()
    assert (np.diff(found) > 0.0).all()
    assert found.max() <= 1.0
    assert np.isnan(curve.guarded([np.nan], **middle)).all()
    low, high = curve.reading_range
    assert curve.guarded([0.91 * low, 1.09 * high], **middle) == pytest.approx(found[[0, -1]])
    assert np.isnan(curve.guarded([0.89 * low, 1.11 * high], **middle)).all()


def test_topp_reads_a_light_organic_layer_too_dry():
    """At one permittivity Topp under-reads peat-like layers by 0.10 to 0.25 m3/m3 (computed independently)."""
    at = np.array([20.0, 30.0, 40.0])
    gap = CURVES["malicki_bulk_density"].guarded(at, bulk_density_g_cm3=0.2) - CURVES["topp_1980"].guarded(at)
    assert (gap >= 0.10).all()
    assert (gap <= 0.25).all()


def test_malicki_porosity_agrees_with_malicki_bulk_density():
    """The two equations of one paper and one data set agree for a mineral soil of 2.65 g/cm3 grains."""
    at = np.array([5.0, 10.0, 20.0, 30.0])
    by_porosity = CURVES["malicki_porosity"].guarded(at, porosity=1.0 - 1.4 / 2.65)
    assert by_porosity == pytest.approx(
        CURVES["malicki_bulk_density"].guarded(at, bulk_density_g_cm3=1.4), abs=0.03
    )  # two fits; loose on purpose
    assert np.isnan(CURVES["malicki_porosity"].guarded(10.0, porosity=0.99))


def test_mixing_law_at_its_ends():
    """Dry soil holds nothing and a full one its porosity, whatever the grains (algebra of the law)."""
    porosity, solid, water = 0.5, 4.0, 81.0
    dry = ((1.0 - porosity) * np.sqrt(solid) + porosity) ** 2
    full = ((1.0 - porosity) * np.sqrt(solid) + porosity * np.sqrt(water)) ** 2
    found = CURVES["crim"].guarded([dry, full], porosity=porosity, solid_permittivity=solid, water_permittivity=water)
    assert found == pytest.approx([0.0, 0.5], abs=1e-12)
    assert np.isnan(CURVES["crim"].guarded(20.0, porosity=0.99))
