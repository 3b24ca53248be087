"""Weather in which a turf disease comes, by a published index of humidity and warmth.

It says when to look, not what is there, and never what to put on.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from pipeline.units import FloatArray

INDEX_DAYS = 5  # over which both are averaged
LOOK_FROM = 0.20  # from which on the authors call to action; here it is a call to look
VALID_DEGC = (10.0, 35.0)
INTERCEPT, OF_HUMIDITY, OF_WARMTH = -11.4041, 0.0894, 0.1932


def dollar_spot_chance(humidity_percent: npt.ArrayLike, temperature_degc: npt.ArrayLike) -> FloatArray:
    """Return the chance of dollar spot by the weather of the last `INDEX_DAYS`.

    Parameters
    ----------
    humidity_percent, temperature_degc : array_like
        Means of relative humidity [%] and of the temperature of the air [degC] over `INDEX_DAYS`.

    Returns
    -------
    ndarray, broadcast shape
        [1] NaN outside `VALID_DEGC`, where it was not made for, and where a mean is not known.

    References
    ----------
    Smith, D. L., Kerns, J. P., Walker, N. R., et al. 2018. Development and validation of a weather-based warning system
    to advise fungicide applications to control dollar spot on turfgrass. PLoS ONE 13(3), e0194216.
    """
    humidity, warmth = np.asarray(humidity_percent, dtype=np.float64), np.asarray(temperature_degc, dtype=np.float64)
    chance = expit(INTERCEPT + OF_HUMIDITY * humidity + OF_WARMTH * warmth)
    valid = (warmth >= VALID_DEGC[0]) & (warmth <= VALID_DEGC[1])
    return np.asarray(np.where(valid, chance, np.nan), dtype=np.float64)
