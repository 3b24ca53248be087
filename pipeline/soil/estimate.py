"""A figure with its 90 % interval, the count behind it, and why it is withheld or to be taken with care.

Shared by limits, wettings, drying and the effect of a pass. Intervals of samples are percentiles of a bootstrap (Efron
1979, Ann. Statist. 7, 1-26), others those of a normal error.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.texts import say
from pipeline.units import FloatArray

NORMAL_90 = 1.6448536269514722  # standard score that leaves 5 % on either side
SHARE_90 = (0.05, 0.95)
DRAWS = 2000
SEED = 20240109  # fixed, so that a result worked out again is the same to the last bit


@dataclass(frozen=True, slots=True)
class Estimate:
    """One figure.

    Attributes
    ----------
    value, low, high : float
        In the unit its maker states; NaN when withheld. The interval is the 90 % one.
    n : int
        Days, events or readings behind it.
    reason : str
        Why it is withheld, or why it must be taken with care; empty when neither.
    provisional : bool
        Stands until the site has shown its own.
    """

    value: float
    low: float
    high: float
    n: int
    reason: str = ""
    provisional: bool = False

    @property
    def withheld(self) -> bool:
        """Whether there is no figure."""
        return bool(np.isnan(self.value))


def withheld(reason: str, n: int = 0) -> Estimate:
    """Return an estimate without a figure.

    Parameters
    ----------
    reason : str
        Why there is none.
    n : int
        Days, events or readings there were. [1]

    Returns
    -------
    Estimate
        Value, low and high NaN. [any unit]
    """
    return Estimate(float("nan"), float("nan"), float("nan"), n, reason)


def about(value: float, deviation: float, n: int) -> Estimate:
    """Return a figure with the 90 % interval of a normal error.

    Parameters
    ----------
    value, deviation : float
        Figure and its standard deviation, 0 or more. [any one unit]
    n : int
        Days, events or readings behind it. [1]

    Returns
    -------
    Estimate
        [unit of `value`]
    """
    return Estimate(value, value - NORMAL_90 * deviation, value + NORMAL_90 * deviation, n)


def resampled(sample: FloatArray, *, seed: int = SEED) -> npt.NDArray[np.int64]:
    """Draw bootstrap samples of a sample.

    Parameters
    ----------
    sample : ndarray, shape (n, ...)
        At least one. [any unit]
    seed : int

    Returns
    -------
    ndarray of int64, shape (`DRAWS`, n)
        Places in `sample` [1], drawn with replacement (Efron 1979, Ann. Statist. 7, 1-26).
    """
    n = sample.shape[0]
    return np.random.default_rng(seed).integers(0, n, (DRAWS, n))


def median_of(sample: npt.ArrayLike, *, error: float = 0.0) -> Estimate:
    """Return the median with the 90 % percentile interval of its bootstrap.

    Parameters
    ----------
    sample : array_like, shape (n,)
        [any unit] NaN are left out.
    error : float
        Standard deviation common to all of the sample, as of a probe. [unit of `sample`] It widens
        the interval on both sides.

    Returns
    -------
    Estimate
        [unit of `sample`] With one value the interval has the width of `error` alone.
    """
    values = np.asarray(sample, dtype=np.float64)
    values = values[np.isfinite(values)]
    n = int(values.size)
    if n == 0:
        return withheld(say("0 events, 1 needed"))
    middle = float(np.median(values))
    low, high = np.quantile(np.median(values[resampled(values)], axis=1), SHARE_90)
    # the sampling error and the probe's own are independent: their half widths add as squares
    below = float(np.hypot(middle - low, NORMAL_90 * error))
    above = float(np.hypot(high - middle, NORMAL_90 * error))
    return Estimate(middle, middle - below, middle + above, n)
