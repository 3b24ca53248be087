"""Roots go where they can live. The rates are ours; what is tested is what groundsmen and root studies report."""

import numpy as np
import pytest

from simulator import roots
from simulator.column import Layer, build, graded
from simulator.materials import MATERIALS

COLUMN = build(
    (Layer(MATERIALS["thatch_decayed"], 0.02), Layer(MATERIALS["loam"], 0.5)),
    spacing=(graded(0.02, 0.002), graded(0.5, 0.003, 1.2, 0.04)),
)
COUNT = COLUMN.depth_m.size


def grown(days: int, *, start_m: float = 0.10, traits: roots.RootTraits = roots.COOL, **conditions) -> np.ndarray:
    """Density after days of one kind: drained, airy, 14 degC and soft unless said otherwise."""
    usual = {"head_m": -1.0, "air": 0.20, "temperature_degc": 14.0, "strength_kpa": 500.0} | conditions
    density = roots.rooted_to(COLUMN, start_m)
    for _ in range(days):
        values = {name: np.broadcast_to(np.asarray(value, dtype=float), (COUNT,)) for name, value in usual.items()}
        density = roots.grow(COLUMN, density, traits=traits, **values)
    return density


def depth95(density: np.ndarray) -> float:
    return roots.depth_above_which_m(COLUMN, roots.share(COLUMN, density), 0.95)


def mass(density: np.ndarray) -> float:
    return float((density * np.gradient(COLUMN.depth_m)).sum())


def test_good_months_take_roots_deeper():
    """Two months of good ground carry roots well below where they began, but not past what the grass can do."""
    assert depth95(grown(0)) == pytest.approx(0.10, abs=0.006)  # 95 % above the depth asked for; one node coarse
    assert 0.15 < depth95(grown(60)) < roots.COOL.deepest_m + 0.05


def test_hot_summer_thins_cool_season_roots():
    """At 29 degC for 90 days most cool-season roots go (bent lost some 83 % from spring to autumn in one report)."""
    assert mass(grown(90, start_m=0.2, temperature_degc=29.0)) < 0.3 * mass(grown(0, start_m=0.2))


def test_warm_season_roots_like_that_heat():
    """Warm-season roots grow at 27 degC, where cool-season roots shrink."""
    assert mass(grown(60, temperature_degc=27.0, traits=roots.WARM)) > mass(grown(0))
    assert mass(grown(60, temperature_degc=27.0)) < mass(grown(0))


def test_hard_ground_keeps_roots_high():
    """Over hard ground roots stay shallower than over soft ground."""
    pan = np.where(COLUMN.depth_m > 0.06, 3000.0, 500.0)
    assert depth95(grown(90, strength_kpa=pan)) < 0.75 * depth95(grown(90))


def test_airless_ground_kills_roots_there():
    """Where pores hold no air below 60 mm roots die back, and live above."""
    drowned = grown(60, air=np.where(COLUMN.depth_m > 0.06, 0.0, 0.2))
    assert depth95(drowned) < 0.08
    assert drowned[0] > 0.5


def test_drought_below_and_moist_thatch_make_roots_climb():
    """With dry soil under moist thatch roots climb; deep water brings them down again."""
    high = grown(90, start_m=0.15, head_m=np.where(COLUMN.depth_m > 0.02, -100.0, -1.0))
    assert depth95(high) < 0.6 * depth95(grown(0, start_m=0.15))
    density = high
    for _ in range(90):
        full = np.full(COUNT, 1.0)
        density = roots.grow(
            COLUMN,
            density,
            head_m=-full,
            air=0.2 * full,
            temperature_degc=14.0 * full,
            strength_kpa=500.0 * full,
            traits=roots.COOL,
        )
    assert depth95(density) > 1.5 * depth95(high)


@pytest.mark.parametrize("degc", [-5.0, 0.5, 25.0, 40.0])
def test_no_growth_outside_the_temperatures_of_roots(degc):
    """Cool-season roots stop near 0.5 and 25 degC (university extension figures, at second hand)."""
    quality = roots.quality(
        COLUMN, np.full(COUNT, -1.0), np.full(COUNT, 0.2), np.full(COUNT, degc), np.full(COUNT, 300.0), roots.COOL
    )
    assert (quality == 0.0).all()


def test_density_stays_between_none_and_full():
    """A year of best conditions neither passes 1 nor goes below 0."""
    density = grown(365, temperature_degc=15.0, strength_kpa=100.0)
    assert density.min() >= 0.0
    assert density.max() <= 1.0


def test_blade_takes_its_share_to_its_depth():
    """A cut of 12 % to 20 mm takes 12 % of the roots down to there and none below (algebra)."""
    before = grown(0)
    after = roots.cut(COLUMN, before, area_share=0.12, depth_m=0.020)
    inside = COLUMN.depth_m <= 0.020
    assert after[inside] == pytest.approx(0.88 * before[inside])
    assert np.array_equal(after[~inside], before[~inside])


def test_shares_sum_to_one_or_nothing():
    """Shares of roots sum to 1, and bare ground has none rather than NaN."""
    assert roots.share(COLUMN, grown(0)).sum() == pytest.approx(1.0)
    assert roots.share(COLUMN, np.zeros(COUNT)).sum() == 0.0
    assert np.isnan(roots.depth_above_which_m(COLUMN, np.zeros(COUNT), 0.95))
