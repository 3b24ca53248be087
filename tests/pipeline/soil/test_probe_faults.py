"""Signs of a faulty channel over weeks, each on a series made for it, and that a recorded series shows none."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.soil import probe_faults
from pipeline.units import HOUR_MS
from tests.pipeline.records.field_records import RECORDS

HOURS = 14 * 24


def noisy(count: int, *, digits: int = 4) -> np.ndarray:
    return np.round(0.25 + np.random.default_rng(1).normal(0.0, 0.001, count), digits)


def test_a_run_longer_than_twice_the_channels_own_stands_still():
    """A channel that has once repeated itself for 12 hours is believed for 24 and no longer (algebra)."""
    times = np.arange(30 * 24, dtype=np.int64) * HOUR_MS
    for hours, found in ((24, False), (25, True)):
        value = noisy(times.size)
        value[100:113] = 0.25  # thirteen hourly readings of one number: twelve hours
        value[600 : 601 + hours] = 0.26
        told = probe_faults.stood_still(times, value, int(times[500]))
        assert (told is not None) is found
        if told is not None:
            assert (told.hours, told.own_h) == (25.0, 12.0) and told.start_ms == times[600]
        # the value of all readings beyond a curve's range is no number that a channel repeats
        assert probe_faults.stood_still(times, value, int(times[500]), ends=(0.05, 0.26)) is None


def test_a_channel_of_long_runs_is_not_judged():
    """Runs of 13 hours are its rounding: a run of 60 then is none of a fault."""
    times = np.arange(30 * 24, dtype=np.int64) * HOUR_MS
    value = noisy(times.size)
    value[100:114], value[600:661] = 0.25, 0.26
    assert probe_faults.stood_still(times, value, 0) is None


def test_a_run_needs_a_history_and_ends_after_the_moment():
    """A run in the first fortnight is told by nobody, nor one that was over before the fortnight."""
    times = np.arange(30 * 24, dtype=np.int64) * HOUR_MS
    value = noisy(times.size)
    value[100:150] = 0.26
    assert probe_faults.stood_still(times, value, 0) is None
    value[100:150], value[400:450] = noisy(50), 0.26
    assert probe_faults.stood_still(times, value, 0) is not None
    assert probe_faults.stood_still(times, value, int(times[500])) is None
    assert probe_faults.stood_still(times[:0], value[:0], 0) is None


@pytest.mark.parametrize(("upper", "lower"), [(0, 1), (0, 3), (1, 2)])
def test_swapped_thermometers_are_told_by_their_daily_range(upper, lower):
    """Range by depth as of a diffusivity of 5e-7 m2/s, amplitude exp(-z/0.117) (van Wijk & de Vries 1963, computed)."""
    depth_m = np.array([0.035, 0.065, 0.110, 0.160])
    hour = np.arange(HOURS)[:, np.newaxis]
    degc = 15.0 + 8.0 * np.exp(-depth_m / 0.1173) * np.sin(2.0 * np.pi * hour / 24.0 - depth_m / 0.1173)
    assert probe_faults.out_of_order(probe_faults.daily_range(degc)) is None
    degc[:, [upper, lower]] = degc[:, [lower, upper]]
    found = probe_faults.out_of_order(probe_faults.daily_range(degc))
    assert found is not None and (upper in found or lower in found)


def test_changes_that_grow_with_depth_are_a_suspicion():
    """Changes halve from depth to depth: the logarithm falls by ln 2 a depth, and rises when all are turned
    (algebra)."""
    rng = np.random.default_rng(2)
    moisture = 0.3 + np.cumsum(rng.normal(0.0, 0.004, (HOURS, 1)), axis=0) * 0.5 ** np.arange(4.0)
    slope, *_ = probe_faults.change_order(moisture)
    assert slope == pytest.approx(-np.log(2.0), abs=0.1)  # the floor of a change bends it a little
    turned, upper, lower = probe_faults.change_order(moisture[:, ::-1])
    assert turned == pytest.approx(-slope) and (upper, lower) == (0, 3)
    assert np.isnan(probe_faults.change_order(moisture[:, :2])[0])
    assert np.isnan(probe_faults.change_order(moisture[:100])[0])


def test_a_year_of_recorded_ground_is_in_order():
    """Dinosaur, the whole of 2018, fortnight by fortnight: five depths, none swapped by warmth (USCRN)."""
    table = pd.read_csv(RECORDS["dinosaur_year"].file)
    degc = table[[c for c in table if c.startswith("temperature_")]].to_numpy()
    for first in range(0, degc.shape[0] - HOURS, HOURS):
        assert probe_faults.out_of_order(probe_faults.daily_range(degc[first : first + HOURS])) is None
