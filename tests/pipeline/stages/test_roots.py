"""Root depths as findings of a fortnight: found where roots are known, withheld with a reason where they are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.soil.wetting import Watering
from pipeline.stages.roots import ROOTS, ROOTS_AT_LEAST
from pipeline.stages.stage import FORTNIGHT_MS
from pipeline.units import DAY_MS
from tests.pipeline.contexts import changed
from tests.pipeline.turf_days import CONTEXT, HOUR_MS, MONDAY_MS, THATCH_M, record, values


def found(time_ms, table, context=CONTEXT):
    """Findings of the fortnight from Monday by quantity."""
    end_ms = MONDAY_MS + FORTNIGHT_MS
    part = record(time_ms, table).between(MONDAY_MS - ROOTS.lead_in_ms, end_ms + ROOTS.look_ahead_ms)
    return {f.quantity: f for f in ROOTS.run(part, context, MONDAY_MS, end_ms)}


@pytest.mark.parametrize("step_h", [0.25, 0.5, 1.0])
@pytest.mark.parametrize("d90_m", [0.06, 0.09])
def test_known_roots_are_found_at_any_rhythm_of_reading(d90_m, step_h):
    """Exponential roots with 90 % above a soil depth (algebra): within 15 mm, a third of the probes' spacing.

    Of the uptake down to 170 mm of soil, which is what the probes see.
    """
    one = found(*values(d90_m, 14.2, step_h=step_h))
    depth = one["root_depth_90"]
    assert depth.reason == "" and depth.n >= 10
    seen_m = -d90_m * np.log10(1.0 - 0.9 * (1.0 - 10.0 ** (-0.170 / d90_m)))
    assert depth.value == pytest.approx(seen_m + THATCH_M, abs=0.015)
    assert depth.low <= d90_m + THATCH_M <= depth.high
    assert one["root_depth_95"].value > depth.value


def test_share_of_the_thatch_has_bounds_only_and_none_where_it_moves_too_fast():
    """Roots to 120 mm leave the thatch slow enough to be bounded; roots to 60 mm empty it faster than is believed."""
    share = found(*values(0.12, 14.2))["thatch_uptake_share"]
    assert np.isnan(share.value) and share.reason.startswith("bounds only") and 0.0 == share.low < share.high < 1.0
    fast = found(*values(0.06, 14.2))["thatch_uptake_share"]
    assert np.isnan([fast.value, fast.low, fast.high]).all() and "steady" in fast.reason


def test_a_running_fortnight_rests_on_the_days_so_far():
    """After two days there are too few, after six there is a depth from at most six."""
    assert "of 3 dry days needed" in found(*values(0.08, 2.0))["root_depth_90"].reason
    so_far = found(*values(0.08, 6.0))["root_depth_90"]
    assert so_far.reason == "" and 3 <= so_far.n <= 6


def test_single_lost_readings_cost_no_day_and_a_lost_half_day_does():
    """A reading in fifty lost leaves the days as they are; six hours lost every day leave none."""
    time_ms, table = values(0.08, 14.2)
    whole = found(time_ms, table)["root_depth_90"]
    rng = np.random.default_rng(2)
    sparse = {k: np.where(rng.random(v.size) < 0.02, np.nan, v) for k, v in table.items() if not k.endswith("rain")}
    few = found(time_ms, {**table, **sparse})["root_depth_90"]
    assert (few.reason, few.n) == ("", whole.n)
    hour = (time_ms % DAY_MS) / HOUR_MS
    holes = {k: np.where((hour > 9) & (hour < 15), np.nan, v) for k, v in table.items() if "moisture" in k}
    assert "readings are missing" in found(time_ms, {**table, **holes})["root_depth_90"].reason


def test_wet_days_and_waterings_are_left_out():
    """Rain on all days but two, or a watering a day in the diary, leaves too few dry days, and the reason says wet."""
    time_ms, table = values(0.08, 14.2)
    rain = np.where((time_ms - MONDAY_MS) % DAY_MS == 6 * HOUR_MS, 2.0, 0.0) * (time_ms > MONDAY_MS + 2 * DAY_MS)
    assert "mostly it was wet" in found(time_ms, {**table, "s1/w1/rain": rain})["root_depth_90"].reason
    daily = tuple(Watering(MONDAY_MS + d * DAY_MS, MONDAY_MS + d * DAY_MS + HOUR_MS) for d in range(14))
    assert "mostly it was wet" in found(time_ms, table, changed(CONTEXT, waterings=daily))["root_depth_90"].reason


def test_rain_of_a_lost_answer_is_not_lost():
    """A gauge heard every other hour still tells that a day was dry, and a gauge silent all day does not."""
    time_ms, table = values(0.08, 14.2)
    seldom = record(time_ms, table)
    keep = (time_ms // HOUR_MS) % 2 == 0
    gauge = (time_ms[keep], table["s1/w1/rain"][keep])
    end_ms = MONDAY_MS + FORTNIGHT_MS
    with_seldom = replace(seldom, channels={**seldom.channels, "s1/w1/rain": gauge})
    (depth, *_) = ROOTS.run(with_seldom.between(MONDAY_MS - ROOTS.lead_in_ms, end_ms + ROOTS.look_ahead_ms), CONTEXT,
                             MONDAY_MS, end_ms)  # fmt: skip
    assert depth.reason == ""
    silent = {k: v for k, v in table.items() if not k.endswith("rain")}
    assert "wet" in found(time_ms, silent)["root_depth_90"].reason


def test_roots_below_the_deepest_probe_are_at_least():
    """90 % above 250 mm of soil, probes that see to 170: 150 mm of what is seen (algebra), and no upper end."""
    depth = found(*values(0.25, 14.2))["root_depth_90"]
    assert depth.value == pytest.approx(0.150, abs=0.015) and depth.reason == ROOTS_AT_LEAST
    assert np.isnan(depth.high)


def test_readings_that_follow_warmth_are_refused():
    """Moisture that rises 0.001 a degree with its own thermometer is refused as temperature."""
    time_ms, table = values(0.08, 14.2)
    warm = {f"s1/p1/moisture_{d}": table[f"s1/p1/moisture_{d}"] + 0.004 * table[f"s1/p1/temperature_{d}"]
            for d in ("035", "065", "110", "160")}  # fmt: skip
    assert found(time_ms, {**table, **warm})["root_depth_90"].reason.startswith("temperature")


def test_what_is_needed_and_not_there_is_named():
    """No place on earth, readings every two hours, no reading at all: a reason, a reason, no finding."""
    nowhere = found(*values(0.08, 14.2), changed(CONTEXT, latitude_deg=None))["root_depth_90"]
    assert "no latitude and longitude" in nowhere.reason and np.isnan(nowhere.value)
    seldom = found(*values(0.08, 14.2, step_h=2.0))["root_depth_90"]
    assert "less than once an hour" in seldom.reason
    time_ms, table = values(0.08, 14.2)
    assert found(time_ms, {k: v for k, v in table.items() if "moisture" not in k}) == {}


def test_days_of_little_demand_do_not_count():
    """In cold still air under a weak sun the reference demand is under 2 mm, and the days are left out by name."""
    time_ms, table = values(0.08, 14.2)
    cold = {"s1/w1/air_temperature": np.full(time_ms.size, 4.0), "s1/w1/sun": 0.15 * table["s1/w1/sun"]}
    assert "little was asked" in found(time_ms, {**table, **cold})["root_depth_90"].reason
