"""The table of media: consistent with itself and with the arithmetic of porosity."""

from __future__ import annotations

import pytest

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
    ],
)
def test_porosity_follows_from_bulk_density(name, organic, tolerance):
    """1 - bulk density x (organic/1.45 + mineral/2.65) gives the porosities of the table (arithmetic)."""
    m = MEDIA[name]
    for density, porosity in zip(m.bulk_density_g_cm3, reversed(m.porosity), strict=True):
        grains = organic / 1.45 + (1.0 - organic) / 2.65
        assert 1.0 - density * grains == pytest.approx(porosity, abs=tolerance)


def test_unknown_medium_is_named_with_the_nearest():
    """A misspelt medium is answered with those there are and the nearest."""
    with pytest.raises(KeyError, match=r"'sandy_loan'.*Did you mean 'sandy_loam'"):
        medium("sandy_loan")
