"""Drift of a channel, on series whose drift is put in."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.soil import drift
from pipeline.units import DAY_MS

DAYS = np.arange(drift.WINDOW_DAYS)


def wetness(seed: int = 0) -> np.ndarray:
    """Daily wetness between dry and drained: wettings and dry-downs of a year."""
    rng = np.random.default_rng(seed)
    level, found = 0.5, []
    for _ in DAYS:
        level = min(1.0, level * 0.95 + (rng.random() < 0.15) * rng.uniform(0.1, 0.6))
        found.append(level)
    return np.array(found)


def neighbours(noise: float = 0.002) -> tuple[np.ndarray, list[np.ndarray]]:
    """A channel, and four that answer to the same water by other laws."""
    wet, rng = wetness(), np.random.default_rng(1)
    laws = (wet, wet**1.3, wet**0.8, 0.2 + 0.7 * wet)
    series = [0.1 + 0.2 * law + rng.normal(0.0, noise, law.size) for law in laws]
    return 0.08 + 0.25 * wet**1.1 + rng.normal(0.0, noise, wet.size), series


@pytest.mark.parametrize("per_year", [0.0, 0.05, -0.10, 0.20])
def test_a_drift_put_in_is_found_against_neighbours(per_year):
    """The slope put in is met to 0.01 a year, and only a drift is called one."""
    own, others = neighbours()
    found = drift.drift_by_neighbours(own + per_year * DAYS / 365.25, others)
    assert found.value == pytest.approx(per_year, abs=0.01) and found.n == 4
    assert drift.drifts(found.value, found.low, found.high) is (per_year != 0.0)


def test_one_neighbour_that_drifts_itself_is_outvoted():
    own, others = neighbours()
    others[0] = others[0] + 0.2 * DAYS / 365.25
    found = drift.drift_by_neighbours(own, others)
    assert found.value == pytest.approx(0.0, abs=0.01)
    assert not drift.drifts(found.value, found.low, found.high)


def test_too_little_to_go_by_is_withheld():
    """One neighbour is none, and half a year is needed."""
    own, others = neighbours()
    assert np.isnan(drift.drift_by_neighbours(own, others[:1]).value)
    own[: drift.WINDOW_DAYS - drift.SHARED_DAYS + 1] = np.nan
    assert np.isnan(drift.drift_by_neighbours(own, others).value)
    assert not drift.drifts(np.nan, np.nan, np.nan)


def test_plateaus_of_a_channel_alone_tell_its_drift():
    """A line of 0.08 a year through plateaus is its slope (algebra); a few weeks of them tell nothing."""
    at_ms = np.array([0, 40, 90, 150, 200, 260, 330], dtype=np.int64) * DAY_MS
    found = drift.drift_by_plateaus(at_ms, 0.25 + 0.08 * at_ms / drift.YEAR_MS)
    assert found.value == pytest.approx(0.08) and drift.drifts(found.value, found.low, found.high)
    assert np.isnan(drift.drift_by_plateaus(at_ms[:4], np.full(4, 0.25)).value)
