"""The table of media: consistent with itself and with the arithmetic of porosity."""

from __future__ import annotations

import pytest

from pipeline.soil.calibration import CURVES
from pipeline.soil.layers import MEDIA, medium


@pytest.mark.parametrize("name", MEDIA)
def test_ranges_are_in_order(name):
    """Each range runs upwards, and wilting, drained, saturated and porosity follow each other (definitions)."""
    m = MEDIA[name]
    for low, high in (m.bulk_density_g_cm3, m.porosity, m.saturated, m.drained, m.wilting):
        assert 0.0 <= low <= high
    assert m.wilting[1] < m.drained[1] <= m.saturated[1]
    assert m.dry_prior < m.drained_prior < m.saturated[0] + 0.01
    assert m.drained[1] <= m.porosity[1]
    assert m.status


@pytest.mark.parametrize(
    ("name", "organic", "tolerance"),
    [
        # organic matter by mass: working values, common practice, no source; tolerance: the table has two digits and
        # each medium a range of organic matter
        ("raw_thatch", 0.8, 0.03),
        ("decayed_thatch", 0.4, 0.06),
        ("sandy_loam", 0.03, 0.03),
        ("loam", 0.04, 0.04),
        ("clay_loam", 0.07, 0.02),
        ("club_clay_loam", 0.07, 0.02),
        ("first_class_clay_loam", 0.07, 0.03),
        ("organic_topsoil", 0.20, 0.02),
        ("peat", 0.40, 0.02),
    ],
)
def test_porosity_follows_from_bulk_density(name, organic, tolerance):
    """1 - bulk density x (organic/1.45 + mineral/2.65) gives the porosities of the table (arithmetic)."""
    m = MEDIA[name]
    for density, porosity in zip(m.bulk_density_g_cm3, reversed(m.porosity), strict=True):
        grains = organic / 1.45 + (1.0 - organic) / 2.65
        assert 1.0 - density * grains == pytest.approx(porosity, abs=tolerance)


@pytest.mark.parametrize(
    ("theta_r", "theta_s", "alpha_per_cm", "n"),
    [(0.01, 0.786, 0.0211, 1.28), (0.0, 0.765, 0.0205, 1.15)],
    ids=["sandy peat B16", "clayey peat B18"],
)
def test_peat_holds_what_published_peats_hold(theta_r, theta_s, alpha_per_cm, n):
    """van Genuchten's curve with the parameters of the Staring series 2018 (read in a public table of them): content at
    100 cm and 15,000 cm of suction, and saturated, lie in the ranges of the medium."""
    peat = MEDIA["peat"]
    for suction_cm, (low, high) in ((0.0, peat.saturated), (100.0, peat.drained), (15_000.0, peat.wilting)):
        full = (1.0 + (alpha_per_cm * suction_cm) ** n) ** (1.0 / n - 1.0)
        assert low <= theta_r + (theta_s - theta_r) * full <= high, suction_cm


@pytest.mark.parametrize("curve", ["nagare", "myllys_simojoki", "roth_organic", "kellner_lundin"])
def test_organic_curves_reach_what_peat_holds(curve):
    """At permittivities of 20 to 50 the published organic curves give water that peat can hold, and 0.10 to 0.33 more
    than Topp's mineral one (values computed independently from the printed cubics)."""
    published = {
        "nagare": (0.4591, 0.6009, 0.6995, 0.7711), "myllys_simojoki": (0.4848, 0.6069, 0.6689, 0.7042),
        "roth_organic": (0.3986, 0.5259, 0.6217, 0.7042), "kellner_lundin": (0.5138, 0.6552, 0.7534, 0.8240),
    }[curve]  # fmt: skip
    found = CURVES[curve].guarded([20.0, 30.0, 40.0, 50.0])
    assert found == pytest.approx(published, abs=1e-4)
    assert (found <= MEDIA["peat"].fullest).all() and found[1] > MEDIA["peat"].drained[0]


def test_unknown_medium_is_named_with_the_nearest():
    """A misspelt medium is answered with those there are and the nearest."""
    with pytest.raises(KeyError, match=r"'sandy_loan'.*Did you mean 'sandy_loam'"):
        medium("sandy_loan")
