"""Open, wait, closed or not known: four bounds of one condition, and the verdict on a value.

An edge belongs to the better side; what is neither open nor closed waits. This module must not know what the value is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
VerdictArray = npt.NDArray[np.int8]
BoolArray = npt.NDArray[np.bool_]

EDGE_SLACK = 1e-9  # sums of binary fractions must not push a value over an edge it lies on


class Verdict(IntEnum):
    """Whether the work may be done. The numbers are names, not an order; see `worse`."""

    OPEN = 0
    WAIT = 1
    CLOSED = 2
    UNKNOWN = 3


_RANK = np.array([0, 1, 3, 2], dtype=np.int8)  # what is not known stands between waiting and closed


@dataclass(frozen=True, slots=True)
class Bounds:
    """Four bounds of one condition, in its unit; infinite where they do not bind."""

    open_lo: float = -math.inf
    open_hi: float = math.inf
    closed_lo: float = -math.inf
    closed_hi: float = math.inf

    def faults(self) -> list[str]:
        """What is wrong with them, as `found, expected`."""
        named = (self.closed_lo, self.open_lo, self.open_hi, self.closed_hi)
        if any(math.isnan(b) for b in named):
            return [f"found {named}, expected numbers"]
        found = []
        if not self.open_lo <= self.open_hi:
            found.append(f"found open from {self.open_lo:g} to {self.open_hi:g}, expected a range that rises")
        if self.closed_lo > self.open_lo or self.closed_hi < self.open_hi:
            found.append(
                f"found closed outside {self.closed_lo:g} to {self.closed_hi:g}, expected no part of "
                f"{self.open_lo:g} to {self.open_hi:g} to be closed"
            )
        return found


def judge(value: float | None, bounds: Bounds) -> Verdict:
    """Verdict on one value.

    Parameters
    ----------
    value : float or None
        In the unit of the condition; None or NaN when not known.
    bounds : Bounds

    Returns
    -------
    Verdict
    """
    return Verdict(int(judge_all(np.array([math.nan if value is None else value]), bounds)[0]))


def judge_all(values: FloatArray, bounds: Bounds) -> VerdictArray:
    """`judge` over an array of any shape; the numbers of `Verdict`."""
    slack = EDGE_SLACK * np.maximum(1.0, np.abs(np.where(np.isfinite(values), values, 0.0)))
    found = np.full(values.shape, Verdict.WAIT, dtype=np.int8)
    found[(values >= bounds.open_lo - slack) & (values <= bounds.open_hi + slack)] = Verdict.OPEN
    found[(values < bounds.closed_lo - slack) | (values > bounds.closed_hi + slack)] = Verdict.CLOSED
    found[np.isnan(values)] = Verdict.UNKNOWN
    return found


def worse(verdicts: VerdictArray) -> npt.NDArray[np.int8]:
    """Rank of verdicts, higher for worse: open, wait, cannot tell, closed."""
    return np.asarray(_RANK[verdicts], dtype=np.int8)
