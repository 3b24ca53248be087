"""What has changed: a figure before and after a pass, and the trend of short, irregular records."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from pipeline.soil.estimate import SHARE_90, Estimate, resampled, withheld
from pipeline.texts import say, say_many
from pipeline.units import FloatArray

LEAST_EVENTS_A_SIDE = 4  # events on each side; with fewer a bootstrap of the median has no width to speak of


@dataclass(frozen=True, slots=True)
class Effect:
    """The effect of one pass on one figure.

    Attributes
    ----------
    change : Estimate
        After less before, less the comparison's change where there is one. [unit of the figure]
    before, after : float
        Medians at the station itself. [unit of the figure]
    compared : bool
        Whether a comparison station stands behind it.
    clear : bool
        Whether the interval leaves out no change.
    """

    change: Estimate
    before: float
    after: float
    compared: bool
    clear: bool


def effect(
    before: npt.ArrayLike,
    after: npt.ArrayLike,
    *,
    comparison: tuple[npt.ArrayLike, npt.ArrayLike] | None = None,
) -> Effect:
    """Estimate the effect of a pass on a figure, by medians.

    Parameters
    ----------
    before, after : array_like, shape (event,)
        The figure at each event before and after the pass. [any one unit] NaN are left out; "at least" figures may be
        handed in, for a median minds only on which side of it they lie.
    comparison : pair of array_like, optional
        The same, at a station where no pass was made. [any one unit]

    Returns
    -------
    Effect
        The interval is the 90 % percentile bootstrap's, each group drawn for itself. Withheld with fewer than four
        events in any group.

    References
    ----------
    Bootstrap: Efron 1979, Ann. Statist. 7, 1-26.
    """
    groups = [_finite(before), _finite(after)]
    if comparison is not None:
        groups += [_finite(c) for c in comparison]
    least = min(g.size for g in groups)
    middles = [float(np.median(g)) if g.size else float("nan") for g in groups]
    if least < LEAST_EVENTS_A_SIDE:
        reason = say_many(
            "{n} event in one of the groups, {needed} needed",
            "{n} events in one of the groups, {needed} needed",
            least,
            needed=LEAST_EVENTS_A_SIDE,
        )
        return Effect(withheld(reason, least), middles[0], middles[1], comparison is not None, False)
    # a seed for each group: groups of like size must not be drawn alike
    drawn = [np.median(g[resampled(g, seed=1 + k)], axis=1) for k, g in enumerate(groups)]
    change, spread = middles[1] - middles[0], drawn[1] - drawn[0]
    reason = say("the season's own change is in it: no comparison station")
    if comparison is not None:
        change, spread, reason = change - (middles[3] - middles[2]), spread - (drawn[3] - drawn[2]), ""
    low, high = (float(q) for q in np.quantile(spread, SHARE_90))
    found = Estimate(change, min(low, change), max(high, change), sum(g.size for g in groups), reason)
    return Effect(found, middles[0], middles[1], comparison is not None, low > 0.0 or high < 0.0)


def _finite(values: npt.ArrayLike) -> npt.NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    return array[np.isfinite(array)]


FEWEST_FOR_NORMAL = 8  # with fewer dates the normal approximation of S is poor: 8 to 10, from memory


@dataclass(frozen=True)
class TrendTest:
    """Result of a Mann-Kendall test.

    Attributes
    ----------
    s : float
        Rises less falls over all pairs. [1]
    variance : float
        Of S when there is no trend, corrected for ties. [1]
    z : float
        Standard score with continuity correction; positive for a rise. [1]
    p : float
        Two-sided probability of a score at least as far out when there is no trend. [1]
    count : int
        Values used.
    reason : str
        Why the probability must be taken with care; empty when it need not be.
    """

    s: float
    variance: float
    z: float
    p: float
    count: int
    reason: str


@dataclass(frozen=True)
class SenLine:
    """Sen's slope with its interval.

    Attributes
    ----------
    slope, low, high : float
        Median of the slopes of all pairs and its interval. [unit of the values per unit of time]
    intercept : float
        Median value less slope times median time. [unit of the values]
    count : int
        Values used.
    confidence : float
        Of the interval, 0 to 1.
    """

    slope: float
    low: float
    high: float
    intercept: float
    count: int
    confidence: float


def _s_and_variance(values: FloatArray) -> tuple[float, float]:
    n = values.size
    first, second = np.triu_indices(n, k=1)
    s = float(np.sign(values[second] - values[first]).sum())
    _, ties = np.unique(values, return_counts=True)
    tied = float((ties * (ties - 1) * (2 * ties + 5)).sum())
    return s, (n * (n - 1) * (2 * n + 5) - tied) / 18.0


def _test(s: float, variance: float, count: int, effective: int) -> TrendTest:
    z = 0.0 if s == 0.0 or variance <= 0.0 else (s - np.sign(s)) / np.sqrt(variance)
    reason = ""
    if effective < FEWEST_FOR_NORMAL:
        reason = say_many(
            "only {n} date: the probability is rough below {few}",
            "only {n} dates: the probability is rough below {few}",
            effective,
            few=FEWEST_FOR_NORMAL,
        )
    return TrendTest(s, variance, float(z), float(2.0 * ndtr(-abs(z))), count, reason)


def mann_kendall(values: npt.ArrayLike) -> TrendTest:
    """Test a series in order of time for a steady rise or fall.

    Parameters
    ----------
    values : array_like, shape (time,)
        In order of time, evenly or not. [any unit] NaN is left out. At least 3.

    Returns
    -------
    TrendTest

    Raises
    ------
    ValueError
        Fewer than 3 values.

    References
    ----------
    Mann 1945, Econometrica 13; Kendall 1975, Rank Correlation Methods.
    """
    x = np.asarray(values, dtype=np.float64)
    x = x[np.isfinite(x)]
    _need(x.size, 3, "values")
    s, variance = _s_and_variance(x)
    return _test(s, variance, int(x.size), int(x.size))


def sen_line(time: npt.ArrayLike, values: npt.ArrayLike, *, confidence: float = 0.95) -> SenLine:
    """Return the slope of a series by the median over all pairs, at its true dates.

    Parameters
    ----------
    time : array_like, shape (time,)
        Dates as numbers, such as years. [any unit] Uneven spacing and repeats are welcome.
    values : array_like, shape (time,)
        [any unit] NaN is left out.
    confidence : float
        Of the interval, 0 to 1. [1]

    Returns
    -------
    SenLine

    Raises
    ------
    ValueError
        Fewer than 3 values, or fewer than 2 different times.

    References
    ----------
    Sen 1968, J. Am. Stat. Assoc. 63, 1379-1389; computed by scipy's `theilslopes`.
    """
    t, x = np.asarray(time, dtype=np.float64), np.asarray(values, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(x)
    t, x = t[good], x[good]
    _need(x.size, 3, "values")
    _need(np.unique(t).size, 2, "different times")
    from scipy.stats import theilslopes  # 23 MB: only loaded once there are cores enough for a trend

    slope, intercept, low, high = theilslopes(x, t, alpha=confidence)
    return SenLine(float(slope), float(low), float(high), float(intercept), int(x.size), confidence)


def _need(found: int, expected: int, what: str) -> None:
    if found < expected:
        raise ValueError(f"trend: found {found} {what}, expected {expected} or more. Wait for more dates.")
