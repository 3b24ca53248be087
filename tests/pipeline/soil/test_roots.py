"""Rooting depth, held against profiles of known roots, published sums and a real temperature artefact."""

import csv
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from pipeline.soil import radiation as daylight
from pipeline.soil import roots, uptake

DINOSAUR = Path(__file__).parents[2] / "data" / "uscrn_dinosaur_2018" / "may_june_hourly.csv"
HOUR_MS = 3_600_000.0
DEPTH_M = np.array([0.008, 0.035, 0.065, 0.110, 0.160])
THATCH_M = 0.015


def fortnight(d90_m, *, noise=0.0005, shape="even", seed=0, days=14, demand_mm=3.5, depth_m=DEPTH_M):
    """Readings of five channels over a dry fortnight under roots whose D90 is known; nothing of our sums is used."""
    rng = np.random.default_rng(seed)
    below = np.maximum(depth_m - THATCH_M, 0.0)
    if shape == "even":  # the same all the way down, then none
        density = np.where(below <= d90_m / 0.9, 0.9 / d90_m, 0.0)
    else:  # exponential: 90 % above d90
        rate = np.log(10.0) / d90_m
        density = rate * np.exp(-rate * below)
    hour = np.arange(0.0, 24.0 * days + 0.25, 0.25)
    sun = np.clip(np.sin((hour % 24.0 - 7.0) / 14.0 * np.pi), 0.0, None) * (hour % 24.0 > 7.0)
    drunk = np.cumsum(sun * rng.uniform(0.7, 1.2, days + 1)[(hour // 24).astype(int)])
    drunk *= demand_mm / 1000.0 * days / drunk[-1]
    moisture = 0.32 - np.outer(drunk, density) - 0.001 * (hour / 24.0)[:, np.newaxis]
    moisture += rng.normal(0.0, noise, moisture.shape)
    moisture = np.round(moisture, 4)
    rise, fall = (np.arange(days) * 24.0 + 6.0) * HOUR_MS, (np.arange(days) * 24.0 + 20.0) * HOUR_MS
    return uptake.daily_uptake(hour * HOUR_MS, moisture, rise, fall)


def seen_m(d90_m):
    """Soil depth above which 90 % of exponential roots down to 170 mm of soil lie, where the probes' layers end."""
    seen = 1.0 - 10.0 ** (-0.170 / d90_m)
    return -d90_m * np.log10(1.0 - 0.9 * seen)


def test_layers_reach_half_way_to_the_neighbours():
    """Bounds lie between the channels, the last layer is as deep below as above (algebra)."""
    assert roots.layer_bounds_m([0.035, 0.065, 0.115], 0.015) == pytest.approx([0.015, 0.05, 0.09, 0.14])
    assert roots.layer_bounds_m([0.05], 0.0) == pytest.approx([0.0, 0.10])


def test_depths_of_the_exponential_convention():
    """Y = 1 - 0.943^d has D50 at 11.8 and D95 at 51.0 cm (Gale & Grigal 1987, Jackson et al. 1996, computed)."""
    bounds = np.linspace(0.0, 2.0, 2001)
    drawn = -np.diff(0.943 ** (100.0 * bounds))
    assert roots.smooth_depths_m([drawn], [bounds], 0.50) == pytest.approx(0.118, abs=0.0005)
    assert roots.smooth_depths_m([drawn], [bounds], 0.95) == pytest.approx(0.510, abs=0.0015)


def test_published_season_sums_give_the_published_depth():
    """Jackisch et al. 2020: 95 % of detected uptake lies above about 170 cm (Sand) and 130 cm (Slate), to one step."""
    sand = [7.8, 17.3, 19.5, 20.3, 13.4, 11.1, 6.2, 6.7, 0.7, 2.2, 1.1, 1.9]
    slate = [8.4, 12.4, 18.7, 26.7, 10.3, 3.4, 1.8, 1.8, 1.9]
    for sums, expected in ((sand, 1.70), (slate, 1.30)):
        depth = 0.1 + 0.2 * np.arange(len(sums))
        bounds = roots.layer_bounds_m(depth, 0.0)
        found = roots.smooth_depths_m([np.array(sums) * np.diff(bounds)], [bounds], 0.95)
        assert found == pytest.approx(expected, abs=0.20)


@pytest.mark.parametrize("shape", ["even", "exponential"])
def test_known_roots_are_found(shape):
    """Over 24 seeded fortnights D90 of what the probes see is met to 15 mm in the median and 30 mm in nine of ten.

    And mostly covered. The probes see to 185 mm, of exponential roots less than all (algebra).
    """
    rng = np.random.default_rng(4)
    error, covered = [], 0
    for seed in range(24):
        truth = rng.uniform(0.05, 0.12)
        found = roots.root_depth(fortnight(truth, shape=shape, seed=seed), DEPTH_M, thatch_m=THATCH_M)
        assert found.reason == ""
        if shape == "exponential":
            truth = seen_m(truth)
        error.append(abs(found.d90_m - truth - THATCH_M))
        covered += found.d90_low_m <= truth + THATCH_M <= found.d90_high_m
        assert found.d90_low_m <= found.d90_m <= found.d90_high_m
        assert found.d90_m <= found.d95_m
        assert np.nansum(found.share) == pytest.approx(1.0)
        assert np.isnan(found.share[0])  # the thatch channel
    assert np.median(error) <= 0.015
    assert np.quantile(error, 0.9) <= 0.030
    assert covered >= 18  # 90 % of 24 is 22; three binomial standard errors below


def test_deeper_than_the_deepest_probe_is_at_least():
    """Even roots to 300 mm: nine tenths of what is seen lie above 168 mm (algebra), at least, with no upper end."""
    found = roots.root_depth(fortnight(0.27), DEPTH_M, thatch_m=THATCH_M)
    assert found.at_least
    assert found.d90_m == pytest.approx(0.168, abs=0.015)
    assert found.d90_high_m == float("inf")


def test_roots_that_thin_out_below_the_probes_are_not_drawn_up():
    """Exponential roots with D90 at 185 mm: 137 mm of what is seen (algebra), and roots drank at the deepest probe."""
    found = roots.root_depth(fortnight(0.17, shape="exponential"), DEPTH_M, thatch_m=THATCH_M)
    assert found.at_least
    assert found.d90_m == pytest.approx(seen_m(0.17) + THATCH_M, abs=0.015)
    assert found.d90_high_m == float("inf")


def test_at_least_speaks_of_the_layer_of_the_deepest_probe():
    """Exponential roots with D90 at 133 mm: an eighth of what they drink lies below 135 mm, half-way to the one above,
    a tenth below 150 mm (algebra): said for each of six fortnights, for the layer is what a probe stands for."""
    for seed in range(6):
        days = fortnight(0.133, shape="exponential", seed=seed)
        assert roots.root_depth(days, DEPTH_M, thatch_m=THATCH_M).at_least


def test_at_least_is_not_said_of_shallow_roots():
    """Even roots that end at 80 mm of soil drink nothing at 160 mm; of exponential ones with D90 at 95 mm an
    eighteenth lies below 135 mm (algebra), and that is not enough to be sure of it."""
    assert not roots.root_depth(fortnight(0.072), DEPTH_M, thatch_m=THATCH_M).at_least
    for seed in range(6):
        days = fortnight(0.095, shape="exponential", seed=seed)
        assert not roots.root_depth(days, DEPTH_M, thatch_m=THATCH_M).at_least


def test_probes_far_apart_tell_too():
    """Even roots to 250 mm of soil under probes at 50, 100, 200 and 400 mm: told, with an interval that has the truth
    and is no wider than the gaps about it allow; the noise of the thick layer at 400 mm is no root."""
    depth_m = np.array([0.05, 0.10, 0.20, 0.40])
    for seed in range(6):
        days = fortnight(0.225, seed=seed, noise=0.001, depth_m=depth_m)
        found = roots.root_depth(days, depth_m, thatch_m=THATCH_M)
        assert found.reason == "" and not found.at_least
        assert found.d90_low_m <= 0.225 + THATCH_M <= found.d90_high_m
        assert found.d90_high_m - found.d90_low_m <= roots.widest_m(found.d90_m, depth_m)


def test_widest_interval_goes_with_the_gaps_about_the_depth():
    """1.4 of the widest of the gap a depth lies in and those next to it (algebra)."""
    depth_m = np.array([0.05, 0.10, 0.20, 0.40])
    for at_m, gap_m in ((0.03, 0.05), (0.07, 0.10), (0.15, 0.20), (0.30, 0.20), (0.50, 0.20)):
        assert roots.widest_m(at_m, depth_m) == pytest.approx(1.4 * gap_m)


def test_refusal_names_its_cause():
    """Uptake of 0.3 mm a day under probes that warm by 3 K by day: a probe may follow its temperature. The same
    without warming is told."""
    days = fortnight(0.08, demand_mm=0.3)
    warm = roots.root_depth(days, DEPTH_M, thatch_m=THATCH_M, warming_degc=np.full(5, 3.0))
    assert warm.reason == "too uncertain: a probe may follow its temperature"
    assert roots.root_depth(days, DEPTH_M, thatch_m=THATCH_M).reason == ""


def test_ground_that_drinks_nothing_has_no_depth_by_the_chance_of_one_probe():
    """Warmth of 9 K makes .003 m3/m3 a day of nothing at one depth and -.001 at three: .12 mm less .11 is no uptake,
    though the one depth by itself differs from nothing (algebra: layers of 37, and of 35, 37 and 50 mm)."""
    days = fortnight(0.08, demand_mm=0.0)
    days.between_nights[1:, 1:] += np.array([-0.001, -0.001, 0.003, -0.001])
    warm = roots.root_depth(days, DEPTH_M, thatch_m=THATCH_M, warming_degc=np.full(5, 9.0))
    assert warm.reason == "too uncertain: a probe may follow its temperature"


def test_thatch_share_is_only_bounded():
    """What the thatch loses by day may be air or roots: only an upper bound is given, 0 without a thatch channel."""
    bounded = roots.root_depth(fortnight(0.08), DEPTH_M, thatch_m=THATCH_M).thatch_share_high
    assert 0.0 < bounded < 0.5
    days = fortnight(0.08)
    assert roots.root_depth(days, DEPTH_M, thatch_m=0.0).thatch_share_high == 0.0


def test_same_seed_same_interval():
    """The bootstrap repeats itself."""
    days = fortnight(0.08)
    first, again = (roots.root_depth(days, DEPTH_M, thatch_m=THATCH_M) for _ in range(2))
    assert (first.d90_low_m, first.d90_high_m) == (again.d90_low_m, again.d90_high_m)


def test_cannot_tell_in_noise_in_cool_days_and_in_few_days():
    """No uptake at all, days that ask under 2 mm, two dry days and a single soil channel are refused by name."""
    lost = roots.root_depth(fortnight(0.08, demand_mm=0.01, noise=0.002), DEPTH_M, thatch_m=THATCH_M)
    assert lost.reason
    assert np.isnan(lost.d90_m)
    days = fortnight(0.08)
    cool = roots.root_depth(days, DEPTH_M, thatch_m=THATCH_M, demand_mm=np.full(14, 1.9))
    assert cool.reason.startswith("only 0 of 3 dry days needed")
    few = roots.root_depth(fortnight(0.08, days=3), DEPTH_M, thatch_m=THATCH_M)
    assert few.reason.startswith("only ")
    single = roots.root_depth(days, DEPTH_M, thatch_m=0.12)
    assert single.reason == "only 1 channel in the soil: depth needs two"


def dinosaur():
    with DINOSAUR.open() as lines:
        rows = list(csv.DictReader(lines))
    names = ("0050", "0100", "0200", "0500", "1000")
    moisture = np.array([[float(row[f"moisture_{name}"] or "nan") for name in names] for row in rows])
    warmth = np.array([[float(row[f"temperature_{name}_degc"] or "nan") for name in names] for row in rows])
    rain = np.array([float(row["rain_mm"] or "nan") for row in rows])
    stamp = np.array([row["hour_end_lst"] for row in rows], dtype="datetime64[ms]")
    time = stamp.astype(np.int64) + 7.0 * HOUR_MS  # local standard time is seven hours behind UTC
    rise, fall = daylight.sunrise_sunset_ms(40.24, -108.97, date(2018, 4, 30), 43)
    return uptake.daily_uptake(time, moisture, rise, fall, water_mm=rain), moisture, warmth


def test_a_real_temperature_artefact_is_refused():
    """USCRN Dinosaur, May and June 2018: moisture at 5 to 20 cm rises by day with the warmth; never a root depth."""
    days, moisture, warmth = dinosaur()
    depth = np.array([0.05, 0.10, 0.20, 0.50, 1.00])
    with_probe = roots.root_depth(days, depth, temperature=roots.temperature_share(moisture, warmth, 24))
    assert with_probe.reason.startswith("temperature: the readings rise and fall with warmth")
    without = roots.root_depth(days, depth)
    assert without.reason.startswith("temperature: the readings rise by day")
    assert np.isnan([with_probe.d90_m, without.d90_m]).all()
    # Day less night, 14 h: -0.027, -0.025, -0.004 m3/m3 a day at 5, 10, 20 cm (computed independently, fixed hours).
    assert np.nanmean(days.raw, axis=0)[:2] == pytest.approx([-0.0274, -0.0247], abs=0.008)


def test_temperature_share_tells_warmth_from_roots():
    """A reading that follows a wave of warmth is all temperature; one that falls in the warmth has no rising slope."""
    hour = np.arange(0.0, 240.0)
    warmth = 15.0 + 8.0 * np.sin((hour - 9.0) / 24.0 * 2.0 * np.pi)
    drinking = 0.3 - 0.01 * (hour // 24 + np.clip((hour % 24 - 6.0) / 14.0, 0.0, 1.0))
    both = np.column_stack([0.3 + 0.002 * (warmth - 15.0), drinking, np.full(240, 0.3)])
    share, slope = roots.temperature_share(both, np.column_stack([warmth] * 3), 24)
    assert (share[0], slope[0]) == pytest.approx((1.0, 0.002))
    assert slope[1] < 0.0
    assert np.isnan(share[2])


def test_running_day_mean_is_exact_on_a_trend_and_honest_on_a_gap():
    """A straight line leaves nothing (algebra); a missing hour hides the day about it."""
    rest = roots.less_running_day_mean(np.arange(100.0), 24)
    assert np.isnan(rest[[0, 11, 88, 99]]).all()
    assert rest[12:88] == pytest.approx(np.zeros(76), abs=1e-9)
    broken = np.arange(100.0)
    broken[50] = np.nan
    assert np.isnan(roots.less_running_day_mean(broken, 24)[38:63]).all()
