"""Permittivity of soil as a mixture of solid, water and air, and of free water by temperature.

A law of mixing has no calibrated range, only sense: what it says above the porosity is left for the range test of the
layer. This module must not guess a porosity.
"""

import numpy as np
import numpy.typing as npt

from hardware.curves import SIGNATURES, Limits
from pipeline.soil.permittivity import FloatArray, cubic, within

CRIM_RANGE: Limits = (2.0, 80.0)  # a mixing law, no calibration: solid grains to free water
CRIM_POROSITY_RANGE = SIGNATURES["crim"].required["porosity"]
WATER_PERMITTIVITY_RANGE: Limits = (0.0, 50.0)  # degC


def crim_formula(
    permittivity: npt.ArrayLike,
    porosity: npt.ArrayLike,
    solid_permittivity: npt.ArrayLike,
    water_permittivity_at_soil: npt.ArrayLike,
) -> FloatArray:
    """Evaluate the refractive mixing law without a guard; see `crim`.

    Parameters
    ----------
    permittivity, porosity, solid_permittivity, water_permittivity_at_soil : array_like
        [1], [m3 m-3], [1], [1]

    Returns
    -------
    ndarray, broadcast shape
        [m3 m-3]
    """
    root, p, solid, water = (
        np.asarray(v, dtype=np.float64)
        for v in (permittivity, porosity, solid_permittivity, water_permittivity_at_soil)
    )
    return np.asarray((np.sqrt(root) - (1.0 - p) * np.sqrt(solid) - p) / (np.sqrt(water) - 1.0), dtype=np.float64)


def crim(
    permittivity: npt.ArrayLike,
    porosity: npt.ArrayLike,
    *,
    solid_permittivity: npt.ArrayLike = 5.0,
    water_permittivity: npt.ArrayLike = 80.0,
) -> FloatArray:
    """Water content by the complex refractive index mixing law of solid, water and air.

    Parameters
    ----------
    permittivity : array_like
        Apparent relative permittivity. [1] Valid 2 to 80, NaN outside.
    porosity : array_like
        Pore volume over total volume. [m3 m-3] Valid 0.2 to 0.97, NaN outside.
    solid_permittivity : array_like
        Of the grains or fibres: about 5 for minerals, 4 for organic matter (common practice, no source). [1]
    water_permittivity : array_like
        Of free water at the soil's temperature, see `water_permittivity`. [1]

    Returns
    -------
    ndarray, broadcast shape
        Volumetric water content. [m3 m-3] May exceed the porosity: the range test of the layer decides then.

    References
    ----------
    Roth et al. 1990, Water Resour. Res. 26, 2267 (citation from memory).
    """
    theta = crim_formula(permittivity, porosity, solid_permittivity, water_permittivity)
    return within(within(theta, permittivity, CRIM_RANGE), porosity, CRIM_POROSITY_RANGE)


def water_permittivity(temperature_degc: npt.ArrayLike) -> FloatArray:
    """Static permittivity of pure water.

    Parameters
    ----------
    temperature_degc : array_like, any shape
        [degC] Valid 0 to 50, NaN outside.

    Returns
    -------
    ndarray, shape of `temperature_degc`
        Relative permittivity, 88 down to 70. [1]

    References
    ----------
    78.54 [1 - 4.579e-3 (T-25) + 1.19e-5 (T-25)^2 - 2.8e-8 (T-25)^3], a handbook formula from memory.
    """
    above = np.asarray(temperature_degc, dtype=np.float64) - 25.0
    relative = cubic(above, (1.0, -4.579e-3, 1.19e-5, -2.8e-8))
    return within(78.54 * relative, temperature_degc, WATER_PERMITTIVITY_RANGE)
