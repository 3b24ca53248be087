"""What a reading of a hand meter tells of thatch and root zone: its rods average from the leaf down to their end.

Rods that reach through the thatch read a mixture, which is called so. Of the soil below it something can be said where
most of the rods stand in soil; the thatch's part is then taken to be as wet, relative to its limits, as the soil, and
what it may be instead widens the interval. Of thatch nothing can be said from a mixture.
"""

from __future__ import annotations

import math
from typing import NamedTuple

METER_ERROR_SOIL, METER_ERROR_THATCH = 0.03, 0.05
"""Standard error of a hand meter on its maker's curve. [m3 m-3] Topp, Davis & Annan 1980 (Water Resour. Res. 16,
574-582) found 0.013 for their curve in mineral soil in the laboratory; in the field 0.03 is the usual figure, and
organic stuff lies further off (both from memory)."""
MOST_THATCH = 0.5  # share of the rods in thatch above which nothing is said of the soil: our own choice


class SoilBelow(NamedTuple):
    """Water content of the soil between the thatch and the end of the rods, and its standard error. [m3 m-3]"""

    water_content: float
    error: float


def standard_error(share_in_thatch: float, spread: float, points: int) -> float:
    """Return the standard error of the mean of several points: the meter's own, which they share, and of their scatter.

    Parameters
    ----------
    share_in_thatch : float
        Of the length of the rods. [1]
    spread : float
        Standard deviation of the points. [m3 m-3] NaN where not known: then it is left out.
    points : int
        How many. [1]

    Returns
    -------
    float
        [m3 m-3]

    References
    ----------
    Errors that do not depend on each other add by their squares; the mean of n points errs by their spread over the
    root of n. Algebra.
    """
    meter = share_in_thatch * METER_ERROR_THATCH + (1.0 - share_in_thatch) * METER_ERROR_SOIL
    scatter = spread / math.sqrt(points) if math.isfinite(spread) else 0.0
    return math.hypot(meter, scatter)


def thatch_share(rod_m: float, thatch_m: float) -> float:
    """Return the share of rods that stands in thatch. Arithmetic.

    Parameters
    ----------
    rod_m : float
        Length of the rods. [m]
    thatch_m : float
        Thickness of the thatch. [m] NaN, not known, is taken as none.

    Returns
    -------
    float
        0 to 1. [1]
    """
    return min(thatch_m / rod_m, 1.0) if thatch_m > 0.0 else 0.0


def soil_below(
    water_content: float,
    error: float,
    share: float,
    *,
    thatch: tuple[float, float],
    soil: tuple[float, float],
    thatch_full: float,
) -> SoilBelow:
    """Return what a mixed reading says of the soil below the thatch.

    The reading is the mean by length: theta = s theta_thatch + (1 - s) theta_soil.

    Parameters
    ----------
    water_content, error : float
        Of the whole rods. [m3 m-3]
    share : float
        Of the rods in thatch, less than 1. [1]
    thatch, soil : (float, float)
        Dry and drained limit of each. [m3 m-3]
    thatch_full : float
        Water content of thatch that can hold no more. [m3 m-3] It may hold anything from its dry limit to this, each as
        likely.

    Returns
    -------
    SoilBelow
        [m3 m-3]

    References
    ----------
    A mean by length is the rods' own way of reading, for thin rods (common practice, no source); the rest is algebra. A
    number that may lie anywhere in a range has its width over the root of 12 as standard deviation.
    """
    (dry_t, drained_t), (dry_s, drained_s) = thatch, soil
    dry, drained = share * dry_t + (1.0 - share) * dry_s, share * drained_t + (1.0 - share) * drained_s
    alike = (water_content - dry) / (drained - dry)
    doubt = share / (1.0 - share) * (thatch_full - dry_t) / math.sqrt(12.0)
    return SoilBelow(dry_s + alike * (drained_s - dry_s), math.hypot(error / (1.0 - share), doubt if share else 0.0))
