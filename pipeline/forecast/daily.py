"""A figure a day, and its sum between two moments. Days are of UTC; what lies outside the series is not known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.units import DAY_MS, FloatArray, TimeArray


@dataclass(frozen=True)
class Daily:
    """Values of consecutive days; `first_day_ms` is the UTC midnight that begins the first. [ms since 1970, UTC]"""

    first_day_ms: int
    values: FloatArray

    def between(self, start_ms: npt.ArrayLike, end_ms: npt.ArrayLike) -> FloatArray:
        """Sum from `start_ms` to `end_ms`, a part of a day counting for its part.

        Parameters
        ----------
        start_ms, end_ms : array_like of int
            [ms since 1970, UTC]

        Returns
        -------
        ndarray, broadcast shape
            In the unit of the values times days; 0 where the end is not after the start, NaN where either end lies
            outside the series or a day between them is NaN.
        """
        start, end = np.broadcast_arrays(np.asarray(start_ms, dtype=np.int64), np.asarray(end_ms, dtype=np.int64))
        known = np.isfinite(self.values)
        total = np.concatenate([[0.0], np.cumsum(np.where(known, self.values, 0.0))])
        gaps = np.concatenate([[0.0], np.cumsum(~known)])
        edges = np.arange(total.size, dtype=np.float64)
        first, last = (self._day(start), self._day(end))
        found = np.interp(last, edges, total) - np.interp(first, edges, total)
        missing = np.interp(last, edges, gaps) - np.interp(first, edges, gaps) > 0.0
        outside = (first < 0.0) | (last > edges[-1]) | missing
        return np.asarray(np.where(end <= start, 0.0, np.where(outside, np.nan, found)), dtype=np.float64)

    def lowest(self, start_ms: TimeArray, days: int) -> FloatArray:
        """Lowest of so many days from the one a moment falls in; NaN where one of them is not known."""
        lead = np.concatenate([self.values, np.full(days, np.nan)])
        lows = np.lib.stride_tricks.sliding_window_view(lead, days).min(axis=1)
        index = np.floor(self._day(start_ms)).astype(np.int64)
        outside = (index < 0) | (index >= self.values.size)
        return np.asarray(np.where(outside, np.nan, lows[np.clip(index, 0, self.values.size)]), dtype=np.float64)

    def _day(self, at_ms: npt.NDArray[np.int64]) -> FloatArray:
        return np.asarray((at_ms - self.first_day_ms) / DAY_MS, dtype=np.float64)
