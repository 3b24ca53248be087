"""What a pass over the turf has changed: a figure before against after, beside a station that was left alone.

The same sum serves hold time, arrival share, infiltration lag and root depth. Seasons and weather change figures too:
with a comparison station their part is taken off (difference in differences); without one the answer says that it
cannot tell the pass from the season. This module must not choose which events to compare, nor call an effect good.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.soil.estimate import SHARE_90, Estimate, resampled, withheld

FEWEST = 4  # events on each side; with fewer a bootstrap of the median has no width to speak of


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
    """Effect of a pass on a figure, by medians.

    Parameters
    ----------
    before, after : array_like, shape (event,)
        The figure at each event before and after the pass. [any one unit] NaN are left out; "at least" figures may be
        handed in, for a median minds only on which side of it they lie.
    comparison : pair of array_like, optional
        The same, at a station where no pass was made.

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
    if least < FEWEST:
        reason = f"{least} events in one of the groups, {FEWEST} needed"
        return Effect(withheld(reason, least), middles[0], middles[1], comparison is not None, False)
    # a seed for each group: groups of like size must not be drawn alike
    drawn = [np.median(g[resampled(g, seed=1 + k)], axis=1) for k, g in enumerate(groups)]
    change, spread = middles[1] - middles[0], drawn[1] - drawn[0]
    reason = "the season's own change is in it: no comparison station"
    if comparison is not None:
        change, spread, reason = change - (middles[3] - middles[2]), spread - (drawn[3] - drawn[2]), ""
    low, high = (float(q) for q in np.quantile(spread, SHARE_90))
    found = Estimate(change, min(low, change), max(high, change), sum(g.size for g in groups), reason)
    return Effect(found, middles[0], middles[1], comparison is not None, low > 0.0 or high < 0.0)


def _finite(values: npt.ArrayLike) -> npt.NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    return array[np.isfinite(array)]
