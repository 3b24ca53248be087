"""Thickness of thatch from the water a wetting left in it: algebra, and simulated ground whose thatch is known."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from pipeline.soil.arrival import SoilProfile
from pipeline.soil.layers import CELL_MS, layer_weights_m
from pipeline.soil.thatch import AT_MOST, thickness_from_wetting
from pipeline.soil.wetting import Spell, events
from simulator.climates import CLIMATES
from simulator.column import Layer
from simulator.ground import TurfProfile
from simulator.history import run
from simulator.materials import MATERIALS
from simulator.weather import generate

DEPTHS_M = np.array([0.02, 0.05, 0.10, 0.15, 0.20])
CELLS_MS = CELL_MS * np.arange(0, 96)


def profile(theta: np.ndarray, cells_ms: np.ndarray = CELLS_MS) -> SoilProfile:
    weights = layer_weights_m(DEPTHS_M, 0.20)
    return SoilProfile(cells_ms, DEPTHS_M, theta, weights, weights)


def wetted(rise: float = 0.40, soil: float = 0.0) -> tuple[Spell, SoilProfile, np.ndarray]:
    """8 mm in the two hours to cell 40; the thatch rises by so much, and all soil to 200 mm by so much."""
    wet = np.clip((np.arange(96) - 32) / 8.0, 0.0, 1.0)
    theta = np.full((96, 5), 0.25) + soil * wet[:, np.newaxis]
    spell = Spell(int(CELLS_MS[32]) + 1000, int(CELLS_MS[40]), 8.0)
    return spell, profile(theta), 0.30 + rise * wet


def test_thickness_by_hand() -> None:
    """8 mm in a rise of .40 are 20 mm; with .01 m3/m3 over 200 mm of soil, 2 mm, the 6 mm left are 15 mm (algebra)."""
    assert thickness_from_wetting(*wetted()).value == pytest.approx(0.020)
    found = thickness_from_wetting(*wetted(soil=0.01))
    assert found.value == pytest.approx(0.015) and found.low < 0.015 < found.high and found.reason == AT_MOST


@pytest.mark.parametrize(
    ("rise", "soil", "bypass", "rain_mm", "word"),
    [
        (0.05, 0.0, "", 8.0, "rose by less"),
        (0.40, 0.05, "", 8.0, "gained all"),
        (0.40, 0.0, "all depths at once", 8.0, "at once"),
        (0.40, 0.0, "", 3.0, "less than 5 mm"),
        (0.40, 0.0, "", float("nan"), "nobody knows"),
    ],
)
def test_wettings_that_tell_nothing(rise: float, soil: float, bypass: str, rain_mm: float, word: str) -> None:
    """Each is withheld with its own reason."""
    spell, soil_profile, thatch = wetted(rise, soil)
    spell = Spell(spell.start_ms, spell.end_ms, rain_mm)
    found = thickness_from_wetting(spell, soil_profile, thatch, bypass=bypass)
    assert found.withheld and word in found.reason


def test_thick_thatch_is_told_from_thin_in_simulated_ground() -> None:
    """Over a wet summer the median of all wettings puts 30 mm of simulated thatch above 15 mm, and neither by more than
    half of itself from the truth: the sum reads no core, so the order of the two is the show."""
    found_m = {}
    for thickness_m in (0.015, 0.030):
        place = TurfProfile(MATERIALS["thatch_decayed"], (Layer(MATERIALS["loam"], 0.5),), thickness_m)
        history = run(place, generate(CLIMATES["warm humid"], datetime(2025, 5, 1, tzinfo=UTC), 60, seed=4))
        hours_ms = history.start_ms + 3_600_000 * np.arange(history.weather.count + 1)
        theta = np.stack([history.water_content(thickness_m + depth) for depth in DEPTHS_M], axis=1)
        thatch = history.water_content(thickness_m / 2.0)
        told = [
            thickness_from_wetting(spell, profile(theta, hours_ms // CELL_MS * CELL_MS), thatch).value
            for spell in events(hours_ms[1:], history.weather.rain_mm)
        ]
        found_m[thickness_m] = float(np.nanmedian(told))
        assert np.isfinite(told).sum() >= 4
    assert found_m[0.030] > 1.3 * found_m[0.015]
    for thickness_m, value in found_m.items():
        assert value == pytest.approx(thickness_m, rel=0.5)
