"""Permittivity of a medium of known water content, from truth to what a probe reads.

Forward relations only: the way back, the calibration under test, is the pipeline's. Pure functions of floats.
"""

from __future__ import annotations

import math
from collections.abc import Callable

Relation = Callable[[float], float]

WATER_PERMITTIVITY = 80.2  # pure water, 20 degC: common knowledge, no source
MINERAL_PERMITTIVITY = 5.0  # mineral grains, middle of the usual 3 to 8: from memory, no source
ORGANIC_PERMITTIVITY = 4.0  # plant matter: working value, no source
ORGANIC_DENSITY_G_CM3 = 1.45  # particle density of organic matter: common practice, no source
MINERAL_DENSITY_G_CM3 = 2.65  # of mineral grains: common practice, no source
BOUND_WATER_PERMITTIVITY = 6.0  # water held so tight that it hardly turns: working value, no source
BOUND_WATER_ML_PER_G = 0.35  # of organic matter, about what it holds air-dry: ours, no source
MINERAL_UP_TO = 0.04  # organic share by mass up to which a soil is heard as mineral (ours)


def mineral_soil(water_content: float) -> float:
    """Return the apparent permittivity of a mineral soil.

    Parameters
    ----------
    water_content : float
        [m3 m-3] Measured from 0 to 0.55.

    Returns
    -------
    float
        Apparent permittivity. [1]

    Source: Topp, Davis & Annan 1980, Water Resour. Res. 16, 574-582, the polynomial from water content to
    permittivity (from memory). The paper fitted both directions apart: there and back differ by up to
    0.014 m3 m-3 between 0.05 and 0.45 (computed independently).
    """
    return 3.03 + 9.3 * water_content + 146.0 * water_content**2 - 76.7 * water_content**3


def mixture(water_content: float, *, porosity: float, solid_permittivity: float) -> float:
    """Return the apparent permittivity of solids, water and air side by side, by adding their refractive indices.

    Parameters
    ----------
    water_content : float
        [m3 m-3] 0 to `porosity`; more than that is taken as all pores full.
    porosity : float
        [m3 m-3]
    solid_permittivity : float
        [1]

    Returns
    -------
    float
        Apparent permittivity. [1]

    Source: the complex refractive index model, Roth et al. 1990, Water Resour. Res. 26, 2267-2273 (from memory).
    """
    water = min(max(water_content, 0.0), porosity)
    index = (1.0 - porosity) * math.sqrt(solid_permittivity) + water * math.sqrt(WATER_PERMITTIVITY) + porosity - water
    return index * index


def organic_layer(bulk_density_g_cm3: float) -> Relation:
    """Return the relation of thatch or mat of a known density, for water content in, permittivity out.

    Porosity is 1 - density / 1.45 (particle density of organic matter, common practice).
    """
    porosity = 1.0 - bulk_density_g_cm3 / ORGANIC_DENSITY_G_CM3

    def relation(water_content: float) -> float:
        return mixture(water_content, porosity=porosity, solid_permittivity=ORGANIC_PERMITTIVITY)

    return relation


def turf_layer(*, porosity: float, bulk_density_g_cm3: float, organic_share: float) -> Relation:
    """Return the relation of thatch, mat or soil of a known make: a law for mineral soils, a mixture for the rest.

    In the mixture organic matter binds its first water, `BOUND_WATER_ML_PER_G`, which a probe hardly hears. This is the
    simulator's own way from truth to a probe. The way back by the probe descriptions (Malicki, Plagge & Roth 1996,
    eq. 10, at 0.3 g/cm3) gives raw and decayed thatch within 0.05 m3 m-3 up to 0.75, too wet at the wet end; sanded
    mat is given back within 0.03 only at its own density, and 0.10 too wet at 0.3 (both computed independently).

    Parameters
    ----------
    porosity : float
        [m3 m-3]
    bulk_density_g_cm3 : float
        Dry. [g cm-3]
    organic_share : float
        Of the solids, by mass. 0..1
    """
    if organic_share <= MINERAL_UP_TO:
        return mineral_soil
    organic = organic_share / ORGANIC_DENSITY_G_CM3
    organic = organic / (organic + (1.0 - organic_share) / MINERAL_DENSITY_G_CM3)
    index = organic * math.sqrt(ORGANIC_PERMITTIVITY) + (1.0 - organic) * math.sqrt(MINERAL_PERMITTIVITY)
    most_bound = BOUND_WATER_ML_PER_G * bulk_density_g_cm3 * organic_share
    unheard = math.sqrt(WATER_PERMITTIVITY) - math.sqrt(BOUND_WATER_PERMITTIVITY)

    def relation(water_content: float) -> float:
        whole = mixture(water_content, porosity=porosity, solid_permittivity=index * index)
        return (math.sqrt(whole) - unheard * min(max(water_content, 0.0), most_bound)) ** 2

    return relation
