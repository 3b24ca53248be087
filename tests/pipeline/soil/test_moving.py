"""Moving windows against the time windows of a data frame library."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.soil.moving import rolling_max, rolling_min


@pytest.mark.parametrize("count", [0, 1, 2, 7, 500])
@pytest.mark.parametrize("window_ms", [1, 60_000, 3_600_000, 86_400_000])
def test_extremes_are_those_of_the_windows_of_time(count, window_ms):
    """At uneven times with gaps and missing values each window (t - window, t] gives the same lowest and highest."""
    rng = np.random.default_rng(count)
    time_ms = np.cumsum(rng.integers(1, 900_000, count) + (rng.random(count) < 0.02) * 200_000_000)
    value = np.where(rng.random(count) < 0.2, np.nan, np.round(rng.standard_normal(count), 1))
    series = pd.Series(value, index=pd.DatetimeIndex(time_ms.astype("datetime64[ms]")))
    windows = series.rolling(pd.Timedelta(milliseconds=window_ms), min_periods=1)
    np.testing.assert_array_equal(rolling_min(time_ms, value, window_ms), windows.min())
    np.testing.assert_array_equal(rolling_max(time_ms, value, window_ms), windows.max())
