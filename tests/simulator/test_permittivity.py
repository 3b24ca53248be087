"""Forward relations: from water to the permittivity a probe hears."""

import math

import pytest

from simulator.materials import MATERIALS
from simulator.permittivity import mineral_soil, mixture, organic_layer, turf_layer

# Topp, Davis & Annan 1980, Water Resour. Res. 16, 574-582: water content from permittivity (from memory), the other
# direction of the paper. It fitted both apart and gives 0.013 m3 m-3 as the error of a fit (from memory): two such
# errors together are 0.013 x sqrt(2) = 0.018.
TOPP_BACK = (-5.3e-2, 2.92e-2, -5.5e-4, 4.3e-6)


@pytest.mark.parametrize("water", [0.05, 0.10, 0.15, 0.20, 0.25, 0.30, 0.35, 0.40, 0.45])
def test_mineral_soil_agrees_with_the_papers_other_direction(water: float) -> None:
    """There by ours and back by the paper's other polynomial returns the water, within the errors of both fits."""
    back = sum(c * mineral_soil(water) ** power for power, c in enumerate(TOPP_BACK))
    assert back == pytest.approx(water, abs=0.018)


def test_mixture_is_the_sum_of_refractive_indices() -> None:
    """Solids alone, water alone and air alone have their own permittivity (algebra: the index is linear in shares)."""
    assert mixture(0.0, porosity=0.0, solid_permittivity=4.0) == pytest.approx(4.0)
    assert mixture(1.0, porosity=1.0, solid_permittivity=4.0) == pytest.approx(80.2)
    assert mixture(0.0, porosity=1.0, solid_permittivity=4.0) == pytest.approx(1.0)
    half = mixture(0.25, porosity=0.5, solid_permittivity=4.0)
    assert math.sqrt(half) == pytest.approx(0.5 * 2.0 + 0.25 * math.sqrt(80.2) + 0.25)


def test_mixture_holds_no_more_than_its_pores() -> None:
    """Water beyond the porosity, or below nothing, changes nothing more."""
    full = mixture(0.5, porosity=0.5, solid_permittivity=4.0)
    assert mixture(0.7, porosity=0.5, solid_permittivity=4.0) == full
    assert mixture(-0.1, porosity=0.5, solid_permittivity=4.0) == mixture(0.0, porosity=0.5, solid_permittivity=4.0)


@pytest.mark.parametrize("density", [0.1, 0.3, 0.6])
def test_organic_layer_rises_with_water_up_to_its_porosity(density: float) -> None:
    """Permittivity rises all the way to 1 - density / 1.45 and no further."""
    relation, porosity = organic_layer(density), 1.0 - density / 1.45
    heard = [relation(porosity * i / 10) for i in range(11)]
    assert heard == sorted(heard) and len(set(heard)) == 11
    assert relation(1.0) == pytest.approx(heard[-1])


def malicki(permittivity: float, density: float) -> float:
    """Water content, Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47, 357-366, eq. 10 (from memory)."""
    return (math.sqrt(permittivity) - 0.819 - 0.168 * density - 0.159 * density**2) / (7.17 + 1.18 * density)


@pytest.mark.parametrize(("name", "density"), [("thatch_raw", 0.3), ("thatch_decayed", 0.3), ("mat_sanded", 1.05)])
def test_turf_layer_is_given_back_roughly_by_a_published_calibration(name: str, density: float) -> None:
    """A calibration from peats and soils returns the water within 0.05 m3 m-3, as a real one would without cores."""
    made_of = MATERIALS[name]
    relation = turf_layer(
        porosity=made_of.theta_s,
        bulk_density_g_cm3=made_of.bulk_density_kg_m3 / 1000.0,
        organic_share=made_of.organic_share,
    )
    for water in (0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75):
        if water <= made_of.theta_s:
            assert malicki(relation(water), density) == pytest.approx(water, abs=0.05)


def test_turf_layer_of_little_organic_matter_is_a_mineral_soil() -> None:
    """Loam of 2 % organic matter is heard as the mineral soils are."""
    assert turf_layer(porosity=0.45, bulk_density_g_cm3=1.35, organic_share=0.02) is mineral_soil
