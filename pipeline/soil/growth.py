"""How fast turf can grow at a temperature, and how long a wound needs to close.

Growth potential looks at temperature alone; light, water and feed are left out, and it understates
ryegrass in mild winters. This module must not decide on a date: it sums growth-days, and the advice weighs
them.
"""

import numpy as np
import numpy.typing as npt

from pipeline.units import FloatArray

# Gelernter & Stowell 2005, Golf Course Management 73(3), 108-113, as restated by others in degrees Celsius.
COOL_OPTIMUM_DEGC, COOL_SPREAD_DEGC = 20.0, 5.5
WARM_OPTIMUM_DEGC, WARM_SPREAD_DEGC = 31.0, 7.0
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)  # average over a normal spread of days


def growth_potential_cool(
    temperature_degc: npt.ArrayLike,
    *,
    optimum_degc: float = COOL_OPTIMUM_DEGC,
    spread_degc: float = COOL_SPREAD_DEGC,
) -> FloatArray:
    """Growth of cool-season turf as a share of its best.

    Parameters
    ----------
    temperature_degc : array_like, any shape
        Daily mean air temperature. [degC]
    optimum_degc, spread_degc : float
        20 and 5.5; an optimum of 18 has been suggested for annual meadow-grass. [degC]

    Returns
    -------
    ndarray, shape of `temperature_degc`
        0 to 1. [1]

    References
    ----------
    Gelernter & Stowell 2005, Golf Course Management 73(3), 108-113 (constants as restated, not read in the
    paper).
    """
    departure = (np.asarray(temperature_degc, dtype=np.float64) - optimum_degc) / spread_degc
    return np.asarray(np.exp(-0.5 * departure**2), dtype=np.float64)


def growth_potential_warm(
    temperature_degc: npt.ArrayLike,
    *,
    optimum_degc: float = WARM_OPTIMUM_DEGC,
    spread_degc: float = WARM_SPREAD_DEGC,
    hold_above_optimum: bool = True,
) -> FloatArray:
    """Growth of warm-season turf as a share of its best.

    Parameters
    ----------
    temperature_degc : array_like, any shape
        Daily mean air temperature. [degC]
    optimum_degc, spread_degc : float
        31 and 7. [degC]
    hold_above_optimum : bool
        Keep 1 above the optimum, as the authors later did; False falls again as first published.

    Returns
    -------
    ndarray, shape of `temperature_degc`
        0 to 1. [1]

    References
    ----------
    Gelernter & Stowell 2005, Golf Course Management 73(3), 108-113 (constants as restated, not read in the
    paper).
    """
    departure = (np.asarray(temperature_degc, dtype=np.float64) - optimum_degc) / spread_degc
    if hold_above_optimum:
        departure = np.minimum(departure, 0.0)
    return np.asarray(np.exp(-0.5 * departure**2), dtype=np.float64)


def growth_potential(temperature_degc: npt.ArrayLike, kind: str) -> FloatArray:
    """Growth potential by kind of turf, with the standing constants.

    Parameters
    ----------
    temperature_degc : array_like, any shape
        Daily mean air temperature, or soil temperature at 50 mm as a second vote. [degC]
    kind : str
        "cool" or "warm".

    Returns
    -------
    ndarray, shape of `temperature_degc`
        0 to 1. [1]

    Raises
    ------
    ValueError
        `kind` is neither of the two.
    """
    if kind == "cool":
        return growth_potential_cool(temperature_degc)
    if kind == "warm":
        return growth_potential_warm(temperature_degc)
    raise ValueError(f"kind of turf: found {kind!r}, expected 'cool' or 'warm'. Name the season it grows in.")


def mean_growth_potential(temperature_degc: npt.ArrayLike, kind: str, *, day_to_day_degc: float = 2.5) -> FloatArray:
    """Growth potential averaged over the ordinary spread of days about a mean, as for a month to come.

    Parameters
    ----------
    temperature_degc : array_like, any shape
        Mean air temperature of the span. [degC]
    kind : str
        "cool" or "warm".
    day_to_day_degc : float
        Standard deviation of daily means about it; 2.5 in a maritime autumn (common practice, no source).
        [degC]

    Returns
    -------
    ndarray, shape of `temperature_degc`
        0 to 1. [1] By Gauss-Hermite quadrature of 21 points; a monthly mean alone makes autumn end too
        sharply.
    """
    days = np.asarray(temperature_degc, dtype=np.float64)[..., np.newaxis] + day_to_day_degc * _NODES
    weighted = growth_potential(days, kind) @ _WEIGHTS
    return np.asarray(weighted / _WEIGHTS.sum(), dtype=np.float64)


def growth_days(potential: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Days of perfect growth, summed.

    Parameters
    ----------
    potential : array_like, shape (day,)
        Growth potential of consecutive days. [1] NaN where unknown.

    Returns
    -------
    growth_days : ndarray, shape (day,)
        Sum up to and with each day, unknown days counting nothing: a lower bound when any is unknown. [d]
    known_days : ndarray, shape (day,)
        How many days the sum rests on. [d]
    """
    values = np.asarray(potential, dtype=np.float64)
    known = np.isfinite(values)
    total = np.cumsum(np.where(known, values, 0.0))
    return np.asarray(total, dtype=np.float64), np.asarray(np.cumsum(known), dtype=np.float64)


def days_to_heal(potential: npt.ArrayLike, growth_days_needed: float) -> float:
    """Days until a wound has had the growth it needs.

    Parameters
    ----------
    potential : array_like, shape (day,)
        Growth potential of the days to come, the first being the day after the pass. [1] No NaN.
    growth_days_needed : float
        From the kind of pass. [d] 0 or more.

    Returns
    -------
    float
        Whole days, at least 1 unless nothing is needed; infinity when the days given do not suffice. [d]

    Raises
    ------
    ValueError
        A day is unknown: fill it from the climate of the place first.
    """
    values = np.asarray(potential, dtype=np.float64)
    if growth_days_needed <= 0.0:
        return 0.0
    if not np.isfinite(values).all():
        raise ValueError(
            f"days to heal: found {int((~np.isfinite(values)).sum())} unknown days, expected none. "
            "Fill days beyond the forecast with the climate of the place."
        )
    total = np.cumsum(values)
    # A hair of slack: twenty days of 0.7 must count as fourteen although 0.7 has no exact binary form.
    reached = np.flatnonzero(total >= growth_days_needed * (1.0 - 1e-12))
    return float(reached[0] + 1) if reached.size else float("inf")


def growing_degree_days(
    temperature_max_degc: npt.ArrayLike,
    temperature_min_degc: npt.ArrayLike,
    base_degc: float,
    *,
    ceiling_degc: float = np.inf,
) -> FloatArray:
    """Warmth of a day above a base.

    Parameters
    ----------
    temperature_max_degc, temperature_min_degc : array_like
        Of the air. [degC]
    base_degc : float
        No growth at or below. [degC]
    ceiling_degc : float
        Warmth above it does not count; both ends are cut to it. [degC]

    Returns
    -------
    ndarray, broadcast shape
        Mean of both ends (cut at the ceiling) less the base, 0 or more. [degC d]

    References
    ----------
    The averaging method, common practice, no source.
    """
    high = np.minimum(np.asarray(temperature_max_degc, dtype=np.float64), ceiling_degc)
    low = np.minimum(np.asarray(temperature_min_degc, dtype=np.float64), ceiling_degc)
    return np.asarray(np.maximum(0.5 * (high + low) - base_degc, 0.0), dtype=np.float64)
