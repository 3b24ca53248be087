"""Thatch, cover and healing by the arithmetic of the trade."""

from dataclasses import replace

import pytest

from simulator.sward import COOL_GRASS, PASSES, WARM_GRASS, Pass, Sward, after_day, after_pass, growth_potential


@pytest.mark.parametrize(
    ("degc", "cool", "warm"),
    [(5.0, 0.0243, 0.0010), (12.0, 0.3472, 0.0251), (20.0, 1.0, 0.2909), (28.0, 0.3472, 0.9123)],
)
def test_growth_potential_of_both_grasses(degc, cool, warm):
    """exp(-0.5 ((T - To)/v)^2), Gelernter & Stowell 2005 as restated; four digits computed independently."""
    assert growth_potential(degc, COOL_GRASS) == pytest.approx(cool, abs=5e-5)
    assert growth_potential(degc, WARM_GRASS) == pytest.approx(warm, abs=5e-5)


def test_warm_season_growth_holds_above_its_best():
    """Above 31 degC warm-season growth stays full."""
    assert growth_potential(36.0, WARM_GRASS) == 1.0


def test_pass_thins_thatch_by_area_and_depth():
    """3 mm blades at 25 mm touch 12 %; through 20 mm of thatch that is 2.4 mm, times the share lifted (geometry)."""
    blades = Pass("blades", area_share=3.0 / 25.0, depth_m=0.020, lift_share=1.0)
    assert Sward(0.020).thatch_m - after_pass(Sward(0.020), blades).thatch_m == pytest.approx(2.4e-3)
    half = replace(blades, lift_share=0.7)
    assert Sward(0.020).thatch_m - after_pass(Sward(0.020), half).thatch_m == pytest.approx(0.7 * 2.4e-3)


def test_shallow_pass_takes_no_more_than_its_depth():
    """1 mm blades at 12 mm, 2.5 mm deep take 8 % of 2.5 mm however thick the thatch is: 0.2 mm (geometry)."""
    skim = Pass("skim", area_share=1.0 / 12.0, depth_m=0.0025, lift_share=1.0)
    assert 0.030 - after_pass(Sward(0.030), skim).thatch_m == pytest.approx(0.2e-3, abs=1e-5)


def test_solid_tines_lift_nothing_but_open_the_thatch():
    """Tines take no thatch away and let rain past it for a while."""
    after = after_pass(Sward(0.015), PASSES["solid_tine"])
    assert after.thatch_m == 0.015
    assert after.hole_share > 0.05


def test_wound_is_95_percent_healed_after_its_growth_days():
    """After D95 days of full growth 95 % is healed: 1 - exp(-3) = 0.9502 (definition)."""
    sward = after_pass(Sward(0.020), PASSES["scarify"])
    assert sward.cover == pytest.approx(0.65)
    for _ in range(16):
        sward = after_day(sward, COOL_GRASS, temperature_degc=20.0, water=1.0)
    assert sward.wounds[0].healed == pytest.approx(0.9502, abs=1e-4)
    assert sward.cover > 0.97


def test_cold_and_dry_days_do_not_heal():
    """At 2 degC, or without water, a wound stays open."""
    for degc, water in ((2.0, 1.0), (20.0, 0.0)):
        sward = after_pass(Sward(0.020), PASSES["scarify"])
        for _ in range(20):
            sward = after_day(sward, COOL_GRASS, temperature_degc=degc, water=water)
        assert sward.wounds[0].healed < 0.12


def test_thatch_builds_its_yearly_rate():
    """As many growth days as the grass counts in a year build a year's thatch (definition; 1-3 mm is practice)."""
    sward = Sward(0.010)
    for _ in range(round(COOL_GRASS.growth_days_per_year)):
        sward = after_day(sward, COOL_GRASS, temperature_degc=20.0, water=1.0)
    assert sward.thatch_m == pytest.approx(0.010 + 1e-3 * COOL_GRASS.thatch_mm_per_year)


def test_drought_browns_and_rain_brings_green_back():
    """Four weeks without water cost more than half of the green; growing weeks bring most of it back."""
    sward = Sward(0.010)
    for _ in range(28):
        sward = after_day(sward, COOL_GRASS, temperature_degc=22.0, water=0.0)
    assert sward.cover < 0.5
    for _ in range(40):
        sward = after_day(sward, COOL_GRASS, temperature_degc=18.0, water=1.0)
    assert sward.cover > 0.9


def test_steady_thatch_is_where_growth_meets_removal():
    """T(next) = (T + g)(1 - A): with g 2 mm and A 20 % a year thatch settles at g (1 - A)/A = 8 mm (algebra)."""
    full = Pass("full depth", area_share=0.20, depth_m=0.1, lift_share=1.0)
    sward = Sward(0.020)
    for _ in range(60):
        sward = after_pass(replace(sward, thatch_m=sward.thatch_m + 0.002, wounds=()), full)
    assert sward.thatch_m == pytest.approx(0.008, rel=1e-3)
