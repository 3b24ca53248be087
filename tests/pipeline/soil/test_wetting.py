"""Spells of rain and where the water went, held against algebra and a recorded storm."""

import numpy as np
import pytest

from pipeline.soil.wetting import HOUR_MS, spells, wetting

NAN = float("nan")


def hours(n: int) -> np.ndarray:
    return np.arange(n, dtype=np.int64) * HOUR_MS


def test_gap_of_more_than_six_hours_parts_two_spells() -> None:
    """Six dry hours belong to a spell, seven end it (algebra)."""
    rain = np.zeros(30)
    rain[[2, 3, 9, 17]] = [1.0, 2.0, 0.5, 4.0]
    found = spells(hours(30), rain)
    assert [(s.start_ms // HOUR_MS, s.end_ms // HOUR_MS, s.rain_mm) for s in found] == [(2, 9, 3.5), (17, 17, 4.0)]


def test_small_and_missing_rain_is_no_spell() -> None:
    """A shower under the least amount is left out, and a missing total adds nothing."""
    rain = np.array([0.0, 0.4, NAN, 0.5, 0.0])
    assert spells(hours(5), rain) == []
    assert [s.rain_mm for s in spells(hours(5), rain, least_mm=0.9)] == [pytest.approx(0.9)]
    assert spells(hours(0), np.array([])) == []


def test_rain_is_shared_between_layers_and_the_unaccounted_line() -> None:
    """10 mm: 3 stay in the thatch, 5 reach the roots, 2 are unaccounted (algebra)."""
    time = hours(12)
    rain = np.zeros(12)
    rain[4] = 10.0
    thatch = np.array([2.0] * 4 + [5.0] + [3.0] * 7)
    roots = np.array([20.0] * 5 + [23.0, 25.0] + [24.5] * 5)
    (spell,) = spells(time, rain)
    found = wetting(spell, {"thatch": (time, thatch), "root zone": (time, roots)})
    assert found.gain_mm == {"thatch": 3.0, "root zone": 5.0}
    assert found.unaccounted_mm == pytest.approx(2.0)


def test_layer_not_known_before_the_rain_gains_nothing_known() -> None:
    """A gap before the spell gives NaN for that layer, and all of the rain stays unaccounted."""
    time = hours(10)
    rain = np.zeros(10)
    rain[5] = 6.0
    water = np.array([NAN] * 5 + [30.0] * 5)
    found = wetting(spells(time, rain)[0], {"root zone": (time, water)})
    assert np.isnan(found.gain_mm["root zone"])
    assert found.unaccounted_mm == 6.0
