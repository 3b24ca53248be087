"""Cone resistance of the ground from its density and its water, by a regression."""

import numpy as np

from simulator.units import FloatArray

KPA_PER_M = 9.81
GREATEST_KPA = 15000.0  # beyond this a hand-pushed cone stands still (ours)


def cone_resistance_kpa(head_m: FloatArray, saturation: FloatArray, bulk_density_kg_m3: FloatArray) -> FloatArray:
    """Return the resistance to a 30 degree cone.

    Parameters
    ----------
    head_m : ndarray
        Water head, negative when unsaturated. [m]
    saturation : ndarray
        Water content over porosity. 0..1
    bulk_density_kg_m3 : ndarray
        100 to 2000.

    Returns
    -------
    ndarray
        [kPa] Rises with drying and with density; at least that of suction 1 kPa.

    Source: log10 Q = 0.35 log10(suction * saturation) + 0.93 density + 1.262 after Whalley et al. 2007 (Soil and
    Tillage Research 95, 18-26), Q and suction in kPa, density in g/cm3; form and constants from memory. It was fitted
    to mineral soils; for thatch (density under 0.6) it is an extrapolation and a working value.
    """
    effective = np.maximum(-head_m, 0.0) * KPA_PER_M * saturation
    power = 0.35 * np.log10(np.maximum(effective, 1.0)) + 0.93e-3 * bulk_density_kg_m3 + 1.262
    return np.minimum(10.0**power, GREATEST_KPA)
