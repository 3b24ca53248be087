"""Published curves from apparent permittivity to water content, each kept inside its calibrated range.

Every curve answers NaN outside the range of permittivity (and of bulk density or porosity) its authors measured,
because several of the cubics turn upward just beyond it and return water contents no soil can hold. Which curve a layer
takes is said by the probe description or the settings. No curve made on turf thatch is known to us; at one permittivity
the mineral curve of Topp (1980) reads 0.10 to 0.25 m3/m3 below the organic ones. A `_formula` is the bare equation of
the curve of its name, which names the paper.
"""

import numpy as np
import numpy.typing as npt

from hardware.curves import SIGNATURES, Limits
from pipeline.units import FloatArray

# Cubic coefficients, constant term first.
TOPP_1980_COEFFICIENTS = (-5.3e-2, 2.92e-2, -5.5e-4, 4.3e-6)
TOPP_ORGANIC_COEFFICIENTS = (-2.52e-2, 4.15e-2, -1.44e-3, 2.2e-5)
ROTH_ORGANIC_COEFFICIENTS = (-0.0233, 0.0285, -4.31e-4, 3.04e-6)
ROTH_MINERAL_COEFFICIENTS = (-0.0728, 0.0448, -1.95e-3, 3.61e-5)
KELLNER_LUNDIN_COEFFICIENTS = (0.039, 0.0317, -4.5e-4, 2.6e-6)
NAGARE_COEFFICIENTS = (-0.0189, 0.0320, -4.59e-4, 2.70e-6)
MYLLYS_SIMOJOKI_COEFFICIENTS = (-0.0733, 0.0417, -8.01e-4, 5.56e-6)

# Calibrated ranges. The papers' figures were not open when these were set: every limit of permittivity
# below is from memory, rounded inwards, except the two upper limits whose reason stands beside them.
TOPP_1980_RANGE: Limits = (2.0, 40.0)
TOPP_ORGANIC_RANGE: Limits = (2.0, 28.0)  # the cubic and its own forward curve part company above 0.5 m3/m3
ROTH_ORGANIC_RANGE: Limits = (2.0, 60.0)
ROTH_MINERAL_RANGE: Limits = (2.0, 30.0)  # above it the cubic turns up: 0.91 m3/m3 at a permittivity of 40
KELLNER_LUNDIN_RANGE: Limits = (3.0, 70.0)
NAGARE_RANGE: Limits = (2.0, 70.0)
MYLLYS_SIMOJOKI_RANGE: Limits = (3.0, 60.0)
SCHAAP_RANGE: Limits = (2.0, 60.0)
MALICKI_RANGE: Limits = (2.0, 70.0)
MALICKI_BULK_DENSITY_RANGE = SIGNATURES["malicki_bulk_density"].required["bulk_density_g_cm3"]
MALICKI_POROSITY_RANGE = SIGNATURES["malicki_porosity"].required["porosity"]


def cubic(x: npt.ArrayLike, coefficients: tuple[float, float, float, float]) -> FloatArray:
    """Evaluate a cubic without any guard of range.

    Parameters
    ----------
    x : array_like, any shape
        [any unit]
    coefficients : tuple of 4 floats
        Constant term first.

    Returns
    -------
    ndarray, shape of `x`
        [unit of the constant term]
    """
    x = np.asarray(x, dtype=np.float64)
    c0, c1, c2, c3 = coefficients
    return np.asarray(c0 + x * (c1 + x * (c2 + x * c3)), dtype=np.float64)


def within(value: npt.ArrayLike, checked: npt.ArrayLike, limits: Limits) -> FloatArray:
    """Keep `value` where `checked` lies inside `limits`, NaN elsewhere.

    Parameters
    ----------
    value, checked : array_like, shapes that broadcast
        What to keep, and what decides. [any unit each] NaN in `checked` refuses.
    limits : (low, high)
        Both ends belong to the range.

    Returns
    -------
    ndarray, broadcast shape
        [unit of `value`]
    """
    checked = np.asarray(checked, dtype=np.float64)
    inside = (checked >= limits[0]) & (checked <= limits[1])
    return np.where(inside, np.asarray(value, dtype=np.float64), np.nan)


def topp_1980(permittivity: npt.ArrayLike) -> FloatArray:
    """Return the water content of mineral soil by the cubic of Topp, Davis and Annan.

    Parameters
    ----------
    permittivity : array_like, any shape
        Apparent relative permittivity. [1] Valid 2 to 40 (from memory), NaN outside.

    Returns
    -------
    ndarray, shape of `permittivity`
        Volumetric water content, 0.00 to 0.51. [m3 m-3] The authors state an error of 0.013 (from memory).

    References
    ----------
    Topp, Davis & Annan 1980, Water Resour. Res. 16(3), 574-582, eq. 7 (number from memory).
    """
    return within(cubic(permittivity, TOPP_1980_COEFFICIENTS), permittivity, TOPP_1980_RANGE)


def topp_organic(permittivity: npt.ArrayLike) -> FloatArray:
    """Return the water content of an organic soil by Topp's organic cubic.

    Parameters
    ----------
    permittivity : array_like, any shape
        Apparent relative permittivity. [1] Valid 2 to 28, NaN outside: unusable above 0.5 m3/m3.

    Returns
    -------
    ndarray, shape of `permittivity`
        Volumetric water content, 0.05 to 0.49. [m3 m-3]

    References
    ----------
    Topp, Davis & Annan 1980, Water Resour. Res. 16(3), 574-582 (equation from memory).
    """
    return within(cubic(permittivity, TOPP_ORGANIC_COEFFICIENTS), permittivity, TOPP_ORGANIC_RANGE)


def roth_organic(permittivity: npt.ArrayLike) -> FloatArray:
    """Return the water content of organic soil, bulk density 0.26 to 0.77 g/cm3.

    Parameters
    ----------
    permittivity : array_like, any shape
        Apparent relative permittivity. [1] Valid 2 to 60 (from memory), NaN outside.

    Returns
    -------
    ndarray, shape of `permittivity`
        Volumetric water content, 0.03 to 0.79. [m3 m-3]

    References
    ----------
    Roth, Malicki & Plagge 1992, J. Soil Sci. 43, 1-13, Table 3c.
    """
    return within(cubic(permittivity, ROTH_ORGANIC_COEFFICIENTS), permittivity, ROTH_ORGANIC_RANGE)


def roth_mineral(permittivity: npt.ArrayLike) -> FloatArray:
    """Return the water content of mineral soil by the cubic of Roth and others.

    Parameters
    ----------
    permittivity : array_like, any shape
        Apparent relative permittivity. [1] Valid 2 to 30 (from memory), NaN outside.

    Returns
    -------
    ndarray, shape of `permittivity`
        Volumetric water content, 0.01 to 0.49. [m3 m-3]

    References
    ----------
    Roth, Malicki & Plagge 1992, J. Soil Sci. 43, 1-13.
    """
    return within(cubic(permittivity, ROTH_MINERAL_COEFFICIENTS), permittivity, ROTH_MINERAL_RANGE)


def kellner_lundin(permittivity: npt.ArrayLike) -> FloatArray:
    """Return the water content of raw moss peat, bulk density 0.029 to 0.066 g/cm3, porosity 0.95 to 0.98.

    Parameters
    ----------
    permittivity : array_like, any shape
        Apparent relative permittivity. [1] Valid 3 to 70 (from memory), NaN outside.

    Returns
    -------
    ndarray, shape of `permittivity`
        Volumetric water content, 0.13 to 0.94. [m3 m-3] Pooled fit of 190 samples, error 0.04.

    References
    ----------
    Kellner & Lundin 2001, Nordic Hydrol. 32(4-5), 315-332, Table 2.
    """
    return within(cubic(permittivity, KELLNER_LUNDIN_COEFFICIENTS), permittivity, KELLNER_LUNDIN_RANGE)


def nagare(permittivity: npt.ArrayLike) -> FloatArray:
    """Return the water content of peat, bulk density 0.053 to 0.183 g/cm3.

    Parameters
    ----------
    permittivity : array_like, any shape
        Apparent relative permittivity. [1] Valid 2 to 70 (from memory), NaN outside.

    Returns
    -------
    ndarray, shape of `permittivity`
        Volumetric water content, 0.04 to 0.90. [m3 m-3]

    References
    ----------
    Nagare et al. 2011, Eur. J. Soil Sci. 62, 505-515, Table 4.
    """
    return within(cubic(permittivity, NAGARE_COEFFICIENTS), permittivity, NAGARE_RANGE)


def myllys_simojoki(permittivity: npt.ArrayLike) -> FloatArray:
    """Return the water content of cultivated peat, bulk density 0.3 to 0.4 g/cm3.

    Parameters
    ----------
    permittivity : array_like, any shape
        Apparent relative permittivity. [1] Valid 3 to 60 (from memory), NaN outside.

    Returns
    -------
    ndarray, shape of `permittivity`
        Volumetric water content, 0.04 to 0.75. [m3 m-3]

    References
    ----------
    Myllys & Simojoki 1996, Table 2, pooled.
    """
    return within(cubic(permittivity, MYLLYS_SIMOJOKI_COEFFICIENTS), permittivity, MYLLYS_SIMOJOKI_RANGE)


def schaap_formula(permittivity: npt.ArrayLike) -> FloatArray:
    """Evaluate the forest-floor curve without a guard; see `schaap`.

    Parameters
    ----------
    permittivity : array_like
        [1]

    Returns
    -------
    ndarray, broadcast shape
        [m3 m-3]
    """
    root = np.sqrt(np.asarray(permittivity, dtype=np.float64))
    return np.asarray(np.maximum(0.133 * root - 0.146, 0.0) ** 0.885, dtype=np.float64)


def schaap(permittivity: npt.ArrayLike) -> FloatArray:
    """Return the water content of a forest floor (litter and humus).

    Parameters
    ----------
    permittivity : array_like, any shape
        Apparent relative permittivity. [1] Valid 2 to 60 (from memory), NaN outside.

    Returns
    -------
    ndarray, shape of `permittivity`
        Volumetric water content, 0.06 to 0.90. [m3 m-3]

    References
    ----------
    Schaap, de Lange & Heimovaara 1996, Soil Technol. 10, 195-206 (citation from memory); as eq. 2b in Vaz
    et al. 2013.
    """
    return within(schaap_formula(permittivity), permittivity, SCHAAP_RANGE)


def malicki_bulk_density_formula(permittivity: npt.ArrayLike, bulk_density_g_cm3: npt.ArrayLike) -> FloatArray:
    """Evaluate Malicki's eq. 10 without a guard; see `malicki_bulk_density`.

    Parameters
    ----------
    permittivity, bulk_density_g_cm3 : array_like
        [1], [g cm-3]

    Returns
    -------
    ndarray, broadcast shape
        [m3 m-3]
    """
    root = np.sqrt(np.asarray(permittivity, dtype=np.float64))
    rho = np.asarray(bulk_density_g_cm3, dtype=np.float64)
    return np.asarray((root - 0.819 - 0.168 * rho - 0.159 * rho**2) / (7.17 + 1.18 * rho), dtype=np.float64)


def malicki_bulk_density(permittivity: npt.ArrayLike, bulk_density_g_cm3: npt.ArrayLike) -> FloatArray:
    """Return the water content of mineral or organic soil from bulk density: the best founded for thatch.

    Parameters
    ----------
    permittivity : array_like
        Apparent relative permittivity. [1] Valid 2 to 70 (from memory), NaN outside.
    bulk_density_g_cm3 : array_like, broadcasts with `permittivity`
        Dry bulk density. [g cm-3] Valid 0.13 to 2.0, NaN outside; the peats of the paper are 0.13 to 0.58.

    Returns
    -------
    ndarray, broadcast shape
        Volumetric water content. [m3 m-3]

    References
    ----------
    Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47, 357-366, eq. 10 (62 soils).
    """
    theta = within(malicki_bulk_density_formula(permittivity, bulk_density_g_cm3), permittivity, MALICKI_RANGE)
    return within(theta, bulk_density_g_cm3, MALICKI_BULK_DENSITY_RANGE)


def malicki_porosity_formula(permittivity: npt.ArrayLike, porosity: npt.ArrayLike) -> FloatArray:
    """Evaluate Malicki's eq. 12 without a guard; see `malicki_porosity`.

    Parameters
    ----------
    permittivity, porosity : array_like
        [1], [m3 m-3]

    Returns
    -------
    ndarray, broadcast shape
        [m3 m-3]
    """
    root = np.sqrt(np.asarray(permittivity, dtype=np.float64))
    p = np.asarray(porosity, dtype=np.float64)
    return np.asarray((root - 3.47 + 6.22 * p - 3.82 * p**2) / (7.01 + 6.89 * p - 7.83 * p**2), dtype=np.float64)


def malicki_porosity(permittivity: npt.ArrayLike, porosity: npt.ArrayLike) -> FloatArray:
    """Return the water content of mineral or organic soil from permittivity and porosity.

    Parameters
    ----------
    permittivity : array_like
        Apparent relative permittivity. [1] Valid 2 to 70 (from memory), NaN outside.
    porosity : array_like, broadcasts with `permittivity`
        Pore volume over total volume. [m3 m-3] Valid 0.33 to 0.95 (from memory), NaN outside.

    Returns
    -------
    ndarray, broadcast shape
        Volumetric water content. [m3 m-3]

    References
    ----------
    Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47, 357-366, eq. 12.
    """
    theta = within(malicki_porosity_formula(permittivity, porosity), permittivity, MALICKI_RANGE)
    return within(theta, porosity, MALICKI_POROSITY_RANGE)


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
    """Return the water content by the complex refractive index mixing law of solid, water and air.

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
    """Return the static permittivity of pure water.

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
