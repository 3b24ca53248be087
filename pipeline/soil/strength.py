"""How hard the ground is to roots: pushes of a cone made into a profile, freed of stones and wetness.

Cone index comes in as kPa (force over the base area of a 30 degree cone; see the penetrometer's module).
The same soil reads several times harder dry than drained, so visits are compared only at like wetness or
through a line fitted on the site. This module must not give a verdict on dry ground or on a square in
preparation, where strength is the aim.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from pipeline.units import BoolArray, FloatArray

ROOT_LIMIT_KPA = 2000.0  # the usual line; 2500 in others: Taylor, Roberson & Parker 1966, Soil Sci. 102, from memory
FEWEST_PUSHES = 5  # per spot: common practice, no source
STONE_RATIO = 3.0  # common practice, no source
STONE_FLOOR_KPA = 500.0  # below it a ratio means little: common practice, no source
FEWEST_DATES = 5  # for the site's line: common practice, no source
LEAST_WETNESS = 0.5  # relative wetness of the root zone below which no verdict stands: common practice, no source
# Upper ends of the bands, kPa: common practice, no source. Elongation already halves near 800 to 1000
# (from memory).
BANDS = ((1000.0, "free"), (2000.0, "slowing"), (3000.0, "limited"), (np.inf, "only cracks and holes"))


@dataclass(frozen=True)
class StrengthLine:
    """Strength against water on one site and depth: ln(CI) = a + b ln(theta).

    Attributes
    ----------
    a, b : float
        Of the line, CI in kPa and theta in m3/m3; b is negative.
    b_error : float
        Standard error of b. [1]
    theta_low, theta_high : float
        Range of water content over the dates. [m3 m-3]
    count : int
        Dates.
    """

    a: float
    b: float
    b_error: float
    theta_low: float
    theta_high: float
    count: int


@dataclass(frozen=True)
class StrengthVerdict:
    """What a cone index means for roots, or why nothing is said.

    Attributes
    ----------
    cone_index_kpa : float
        As judged. [kPa]
    band : str
        "free", "slowing", "limited", "only cracks and holes"; empty when withheld.
    reason : str
        Why it is withheld; empty when it is not.
    """

    cone_index_kpa: float
    band: str
    reason: str


def on_depths(depth_m: npt.ArrayLike, cone_index_kpa: npt.ArrayLike, grid_m: npt.ArrayLike) -> FloatArray:
    """Bring one stroke onto common depths.

    Parameters
    ----------
    depth_m, cone_index_kpa : array_like, shape (step,)
        As pushed: depth positive down, not necessarily rising, and cone index. [m], [kPa]
    grid_m : array_like, shape (depth,)
        Depths wanted, rising: every 5 mm to 40 mm, every 10 mm below (common practice). [m]

    Returns
    -------
    ndarray, shape (depth,)
        [kPa] Linear between steps; NaN above the first and below the last.
    """
    depth, value = np.asarray(depth_m, dtype=np.float64), np.asarray(cone_index_kpa, dtype=np.float64)
    grid = np.asarray(grid_m, dtype=np.float64)
    good = np.isfinite(depth) & np.isfinite(value)
    if not good.any():
        return np.full(grid.shape, np.nan)
    # The hand lifts a little now and then: the hardest reading at a depth is the one made going down.
    order = np.lexsort((-value[good], depth[good]))
    depth, value = depth[good][order], value[good][order]
    first = np.concatenate([[True], np.diff(depth) > 0.0])
    found = np.interp(grid, depth[first], value[first], left=np.nan, right=np.nan)
    return np.asarray(found, dtype=np.float64)


def stones(cone_index_kpa: npt.ArrayLike) -> BoolArray:
    """Mark readings that met a stone.

    Parameters
    ----------
    cone_index_kpa : array_like, shape (push, depth)
        Pushes of one spot on common depths. [kPa]

    Returns
    -------
    ndarray of bool, shape (push, depth)
        True above 500 kPa and more than 3 times its neighbours: the median of the other pushes at that
        depth when there are two or more, else the harder of the depths above and below. A pan shows in
        every push and is kept.
    """
    value = np.asarray(cone_index_kpa, dtype=np.float64)
    by_push = np.full(value.shape, np.nan)
    for i in range(value.shape[0]):
        others = np.delete(value, i, axis=0)
        enough = np.isfinite(others).sum(axis=0) >= 2
        if enough.any():
            by_push[i, enough] = np.nanmedian(others[:, enough], axis=0)
    padded = np.pad(np.where(np.isfinite(value), value, -np.inf), ((0, 0), (1, 1)), constant_values=-np.inf)
    by_depth = np.maximum(padded[:, :-2], padded[:, 2:])
    neighbour = np.where(np.isfinite(by_push), by_push, np.where(np.isfinite(by_depth), by_depth, np.nan))
    return (value > STONE_RATIO * neighbour) & (value > STONE_FLOOR_KPA)


def median_profile(
    cone_index_kpa: npt.ArrayLike, *, fewest_pushes: int = FEWEST_PUSHES
) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """Profile of a spot: the median over pushes, stones left out.

    Parameters
    ----------
    cone_index_kpa : array_like, shape (push, depth)
        [kPa] NaN where a push did not reach.
    fewest_pushes : int
        Good readings needed at a depth.

    Returns
    -------
    median : ndarray, shape (depth,)
        [kPa] NaN where too few pushes count.
    count : ndarray of int, shape (depth,)
        Pushes behind each depth.
    """
    value = np.asarray(cone_index_kpa, dtype=np.float64)
    kept = np.where(stones(value), np.nan, value)
    count = np.isfinite(kept).sum(axis=0)
    median = np.full(value.shape[1], np.nan)
    enough = count >= max(fewest_pushes, 1)
    if enough.any():
        median[enough] = np.nanmedian(kept[:, enough], axis=0)
    return median, np.asarray(count, dtype=np.int64)


def depth_to_limit_m(
    depth_m: npt.ArrayLike, cone_index_kpa: npt.ArrayLike, *, limit_kpa: float = ROOT_LIMIT_KPA
) -> float:
    """Depth at which a profile first reaches the strength that stops roots.

    Parameters
    ----------
    depth_m, cone_index_kpa : array_like, shape (depth,)
        A profile, depth rising. [m], [kPa]
    limit_kpa : float
        [kPa]

    Returns
    -------
    float
        [m] Linear between depths; infinity when the profile never reaches it ("deeper than the deepest
        reading"); NaN when the profile holds no reading.
    """
    depth, value = np.asarray(depth_m, dtype=np.float64), np.asarray(cone_index_kpa, dtype=np.float64)
    good = np.isfinite(depth) & np.isfinite(value)
    depth, value = depth[good], value[good]
    if value.size == 0:
        return float("nan")
    over = np.flatnonzero(value >= limit_kpa)
    if over.size == 0:
        return float("inf")
    i = int(over[0])
    if i == 0:
        return float(depth[0])
    share = (limit_kpa - value[i - 1]) / (value[i] - value[i - 1])
    return float(depth[i - 1] + share * (depth[i] - depth[i - 1]))


def fit_strength_line(
    water_content: npt.ArrayLike, cone_index_kpa: npt.ArrayLike, *, fewest_dates: int = FEWEST_DATES
) -> StrengthLine:
    """Fit how strength falls with water on one site and depth.

    Parameters
    ----------
    water_content : array_like, shape (date,)
        At the depth meant, one for each visit. [m3 m-3]
    cone_index_kpa : array_like, shape (date,)
        Median of the pushes. [kPa]
    fewest_dates : int
        Visits needed, 3 or more.

    Returns
    -------
    StrengthLine

    Raises
    ------
    ValueError
        Too few dates, dates of one wetness, or strength that does not fall with water.

    References
    ----------
    The power form of Busscher 1990, Trans. ASAE 33 (from memory), by least squares of the logarithms.
    """
    theta, value = np.asarray(water_content, dtype=np.float64), np.asarray(cone_index_kpa, dtype=np.float64)
    good = (theta > 0.0) & (value > 0.0)
    theta, value = theta[good], value[good]
    if theta.size < max(fewest_dates, 3):
        raise ValueError(
            f"strength line: found {theta.size} dates, expected {max(fewest_dates, 3)} or more. "
            "Push again on a wetter or drier day."
        )
    if theta.max() < 1.15 * theta.min():
        raise ValueError(
            f"strength line: found water contents {theta.min():.3f} to {theta.max():.3f}, expected a span of 15 %. "
            "Push again on a wetter or drier day."
        )
    fit = stats.linregress(np.log(theta), np.log(value))
    if not fit.slope < 0.0:
        raise ValueError(
            f"strength line: found an exponent of {fit.slope:.2f}, expected a negative one. "
            "Check that depths and water contents belong together."
        )
    return StrengthLine(
        a=float(fit.intercept),
        b=float(fit.slope),
        b_error=float(fit.stderr),
        theta_low=float(theta.min()),
        theta_high=float(theta.max()),
        count=int(theta.size),
    )


def at_like_wetness_kpa(
    line: StrengthLine,
    cone_index_kpa: npt.ArrayLike,
    water_content: npt.ArrayLike,
    reference_water_content: float,
    *,
    confidence: float = 0.90,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What a reading would have been at a reference wetness.

    Parameters
    ----------
    line : StrengthLine
    cone_index_kpa, water_content : array_like
        Reading and the water content at its depth. [kPa], [m3 m-3]
    reference_water_content : float
        Such as the drained limit. [m3 m-3]
    confidence : float
        Of the interval, which holds only the doubt of the exponent. [1]

    Returns
    -------
    value, low, high : ndarray, broadcast shape
        CI (theta_ref/theta)^b. [kPa] NaN where either water content lies outside the dates of the line.
    """
    theta = np.asarray(water_content, dtype=np.float64)
    inside = (theta >= line.theta_low) & (theta <= line.theta_high)
    inside = inside & (line.theta_low <= reference_water_content <= line.theta_high)
    log_ratio = np.log(reference_water_content / np.where(inside, theta, np.nan))
    value = np.asarray(cone_index_kpa, dtype=np.float64) * np.exp(line.b * log_ratio)
    doubt = float(stats.t.ppf(0.5 + confidence / 2.0, line.count - 2)) * line.b_error * np.abs(log_ratio)
    return value, value * np.exp(-doubt), value * np.exp(doubt)


def change(
    before_kpa: npt.ArrayLike, after_kpa: npt.ArrayLike, *, confidence: float = 0.90, draws: int = 1000, seed: int = 0
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Ratio of strength after to before at each depth, with a bootstrap interval over the pushes.

    Parameters
    ----------
    before_kpa, after_kpa : array_like, shape (push, depth)
        Pushes of the two visits at like wetness on the same depths. [kPa] The numbers of pushes may differ.
    confidence : float
        Of the interval. [1]
    draws, seed : int
        Of the bootstrap; the same seed gives the same interval.

    Returns
    -------
    ratio, low, high : ndarray, shape (depth,)
        [1] Below 1 when the ground has softened. NaN where either visit has fewer than 5 good pushes.
    """
    first, second = np.asarray(before_kpa, dtype=np.float64), np.asarray(after_kpa, dtype=np.float64)
    ratio = median_profile(second)[0] / median_profile(first)[0]
    first = np.where(stones(first), np.nan, first)
    second = np.where(stones(second), np.nan, second)
    low, high = np.full(ratio.shape, np.nan), np.full(ratio.shape, np.nan)
    generator = np.random.default_rng(seed)
    for j in np.flatnonzero(np.isfinite(ratio)):
        x, y = first[np.isfinite(first[:, j]), j], second[np.isfinite(second[:, j]), j]
        drawn_x = np.median(generator.choice(x, (draws, x.size)), axis=1)
        drawn_y = np.median(generator.choice(y, (draws, y.size)), axis=1)
        tail = 50.0 * (1.0 - confidence)
        low[j], high[j] = np.percentile(drawn_y / drawn_x, [tail, 100.0 - tail])
    return np.asarray(ratio, dtype=np.float64), low, high


def verdict(cone_index_kpa: float, root_zone_wetness: float, *, in_preparation: bool = False) -> StrengthVerdict:
    """Say what a cone index means for roots, or why it cannot be said.

    Parameters
    ----------
    cone_index_kpa : float
        Median of the pushes. [kPa]
    root_zone_wetness : float
        Relative wetness when pushed: 0 at the driest trusted reading, 1 at the drained limit. [1]
    in_preparation : bool
        The square is being prepared: from 14 days before play to the end of the match.

    Returns
    -------
    StrengthVerdict
    """
    reason = ""
    if in_preparation:
        reason = "the pitch is in preparation: strength is wanted there"
    elif not np.isfinite(cone_index_kpa):
        reason = "too few good pushes"
    elif not np.isfinite(root_zone_wetness):
        reason = "the wetness at the time of the pushes is not known"
    elif root_zone_wetness < LEAST_WETNESS:
        reason = "the ground was too dry: dry soil is hard without being dense"
    if reason:
        return StrengthVerdict(cone_index_kpa, "", reason)
    band = next(name for upper, name in BANDS if cone_index_kpa < upper or upper == np.inf)
    return StrengthVerdict(cone_index_kpa, band, "")
