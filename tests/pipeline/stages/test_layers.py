"""What the layers stage says of a station, in millimetres worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from hardware.probe import Channel, load_probe
from pipeline.diary.facts import Dated
from pipeline.diary.station import StationContext
from pipeline.stages.recompute import process
from pipeline.stages.stage import series_of
from pipeline.units import Flag
from tests.pipeline.contexts import changed, station_context

START_MS = 1_714_521_600_000
SLOT_MS = 900_000
PROFILE = load_probe("root_zone_profile")
DEEP = load_probe("deep_soil_profile")


def plain(channel: Channel) -> Channel:
    """The channel, with water content heard as such."""
    return replace(channel, heard="water_content", calibration=DEEP.channels[0].calibration)


CHANNELS = {f"green-1/p1/{c.name}": plain(c) for c in PROFILE.channels if c.quantity == "water_content"}
CHANNELS["green-1/t1/moisture"] = plain(load_probe("thatch").channel("moisture"))
CONTEXT = station_context("green-1", CHANNELS, soil="loam", cores=(Dated(0, 0.015),))
LEVELS = {
    "green-1/t1/moisture": 0.40, "green-1/p1/moisture_035": 0.30, "green-1/p1/moisture_065": 0.25,
    "green-1/p1/moisture_110": 0.20, "green-1/p1/moisture_160": 0.20, "green-1/p1/moisture_220": 0.20,
}  # fmt: skip


def found(context: StationContext = CONTEXT, levels: dict[str, float] = LEVELS, slots: int = 1) -> pd.DataFrame:
    """Findings, one row a quantity and time, of channels that stand at these water contents; NaN is silence."""
    rows = [
        {
            "channel": i, "measured_at_ms": START_MS + k * SLOT_MS + 2000, "raw": v,
            "status": "silent" if np.isnan(v) else "ok", "clock_ok": True,
            "received_at_ms": START_MS + k * SLOT_MS + 3000,
        }
        for i, v in levels.items()
        for k in range(slots)
    ]  # fmt: skip
    frame = process(series_of(pd.DataFrame(rows)), context)
    return frame.findings.set_index("quantity")


def test_thatch_and_root_zone_in_millimetres():
    """15 mm of thatch at 0.40 hold 6 mm; soil depths are 20, 50, 95, 145, 205 mm and the integral to 200 mm is by hand.

    Trapezoids: 20 x .30 + 30 x .275 + 45 x .225 + 50 x .20 + 55 x .20 = 45.375 mm.
    """
    result = found()
    assert result.loc["thatch_water", "value"] == pytest.approx(6.0)
    assert result.loc["root_zone_water", "value"] == pytest.approx(45.375)
    assert result.loc["root_zone_water", "n"] == 5
    assert set(result.index) == {
        "thatch_water", "thatch_wetness", "thatch_air", "root_zone_water", "root_zone_wetness",
    }  # fmt: skip
    assert (result["start_ms"] == START_MS).all() and (result["reason"] == "").all()


def test_wetness_from_the_middle_of_the_working_ranges():
    """Decayed thatch: dry 0.17, drained 0.45; loam: 0.12 and 0.25, the middles (algebra)."""
    result = found()
    assert result.loc["thatch_wetness", "value"] == pytest.approx((0.40 - 0.17) / (0.45 - 0.17))
    assert result.loc["root_zone_wetness", "value"] == pytest.approx((45.375 / 200 - 0.12) / (0.25 - 0.12))
    assert result.loc["thatch_air", "value"] == pytest.approx(0.805 - 0.40)
    low, high = result.loc["thatch_wetness", ["low", "high"]]
    # wetter than the low end of drained, so the highest wetness is at the dry limit's high end
    assert low == pytest.approx((0.40 - 0.22) / (0.55 - 0.22)) and high == pytest.approx((0.40 - 0.22) / (0.35 - 0.22))


def test_site_limits_stand_over_those_of_the_medium():
    """Limits of the site are used as they are, zero too, and leave no width to the bounds."""
    own = changed(CONTEXT, thatch_dry=0.0, thatch_drained=0.50, soil_dry=0.1, soil_drained=0.3)
    row = found(own).loc["thatch_wetness"]
    assert [row["value"], row["low"], row["high"]] == pytest.approx([0.8, 0.8, 0.8])


def test_without_cores_nothing_is_said_of_thatch():
    """No thickness, no thatch: the shallowest channel, at 8 mm, is the top layer, half-way to the next at 35 mm."""
    result = found(changed(CONTEXT, cores=()))
    assert not any(q.startswith("thatch") for q in result.index)
    assert result.loc["top_layer_water", "value"] == pytest.approx(0.40 * 21.5)
    assert result.loc["top_layer_wetness", "value"] == pytest.approx((0.40 - 0.12) / (0.25 - 0.12))


def test_probe_thicker_than_the_thatch_is_told_apart_as_mixed():
    """In 8 mm of thatch a probe that senses 12 mm says nothing of thatch; it is the top layer, of 14 mm."""
    result = found(changed(CONTEXT, cores=(Dated(0, 0.008),)))
    assert np.isnan(result.loc["thatch_water", "value"])
    assert result.loc["thatch_wetness", "reason"] == "mixed: t1/moisture senses 12 mm, the thatch is 8 mm"
    assert result.loc["top_layer_water", "value"] == pytest.approx(0.40 * 14)


def test_core_changes_the_layers_from_its_date_on():
    """A core of 15 mm, then one of 13 mm two quarter hours later: water by the thickness of the time."""
    dated = changed(CONTEXT, cores=(Dated(0, 0.015), Dated(START_MS + 2 * SLOT_MS, 0.013)))
    water = found(dated, slots=4).loc["thatch_water", "value"]
    assert water.tolist() == pytest.approx([6.0, 6.0, 5.2, 5.2])


def test_two_probes_side_by_side_are_averaged_depth_by_depth():
    """A second profile at the same depths, wetter by 0.02: 45.375 mm and half of 200 mm x 0.02 more (algebra)."""
    channels = {**CHANNELS, **{i.replace("/p1/", "/p2/"): c for i, c in CHANNELS.items() if "/p1/" in i}}
    second = {i.replace("/p1/", "/p2/"): v + 0.02 for i, v in LEVELS.items() if "/p1/" in i}
    both = changed(CONTEXT, channels=channels)
    result = found(both, {**LEVELS, **second})
    assert result.loc["root_zone_water", "value"] == pytest.approx(45.375 + 2.0)
    assert result.loc["root_zone_water", "n"] == 5


def test_a_silent_channel_withholds_its_layer_only_and_is_named():
    """Without 65 mm the root zone is not known; the thatch is."""
    result = found(levels={**LEVELS, "green-1/p1/moisture_065": float("nan")})
    assert np.isnan(result.loc["root_zone_water", "value"])
    assert result.loc["root_zone_wetness", "reason"] == "no good reading from p1/moisture_065"
    assert result.loc["thatch_water", "value"] == pytest.approx(6.0)


def test_suspect_readings_do_not_count():
    """Water content above the pores of the soil is suspect, and its layer is withheld."""
    result = found(levels={**LEVELS, "green-1/p1/moisture_065": 0.55})
    assert np.isnan(result.loc["root_zone_water", "value"])


def test_wet_thatch_counts():
    """0.80 in decayed thatch is sponge, not a fault (a general limit of 0.60 would lose it)."""
    assert found(levels={**LEVELS, "green-1/t1/moisture": 0.80}).loc["thatch_water", "value"] == pytest.approx(12.0)


def test_root_zone_without_a_probe_is_withheld_with_the_reason():
    """A station with a thatch probe alone has no root zone to speak of."""
    only = changed(CONTEXT, channels={"green-1/t1/moisture": CHANNELS["green-1/t1/moisture"]})
    result = found(only, levels={"green-1/t1/moisture": 0.4})
    assert result.loc["root_zone_water", "reason"] == "no probe in the root zone"


def test_dressing_moves_the_sensors_down():
    """5 mm of dressing: soil depths 25, 55, 100, 150, 210 and 25 x .30 + 30 x .275 + 45 x .225 + 50 x .2 + 50 x .2."""
    dressed = changed(CONTEXT, dressings=(Dated(0, 0.005),))
    assert found(dressed).loc["root_zone_water", "value"] == pytest.approx(45.875)


def test_thatch_that_wets_in_one_quarter_hour_of_rain_is_good():
    """From 0.15 to 0.75 within a slot of rain and half back within the next: every reading good."""
    rain = load_probe("weather").channel("rain")
    context = changed(CONTEXT, channels={**CHANNELS, "green-1/w1/rain": rain}, rain_channel="green-1/w1/rain")
    wet = [0.15, 0.15, 0.15, 0.75, 0.45, 0.40, 0.38]
    total = [9.0, 9.0, 9.0, 21.0, 21.0, 21.0, 21.0]
    rows = [
        {
            "channel": i, "measured_at_ms": START_MS + k * SLOT_MS + 2000, "raw": v, "status": "ok",
            "clock_ok": True, "received_at_ms": START_MS + k * SLOT_MS + 3000,
        }
        for i, series in (("green-1/t1/moisture", wet), ("green-1/w1/rain", total))
        for k, v in enumerate(series)
    ]  # fmt: skip
    seen = process(series_of(pd.DataFrame(rows)), context).observations
    assert (seen[seen["channel"] == "green-1/t1/moisture"]["flag"] == Flag.GOOD).all()


def test_stones_hold_no_water_and_leave_wetness_as_it_is() -> None:
    """With a fifth of stones the root zone holds four fifths of the water (algebra); how wet its soil is stays."""
    of_stones = replace(CONTEXT, ground=CONTEXT.ground.model_copy(update={"stone_share": 0.2}))
    assert found(changed(of_stones, cores=())).loc["top_layer_water", "value"] == pytest.approx(0.8 * 0.40 * 21.5)
    stony = found(of_stones)
    assert stony.loc["root_zone_water", "value"] == pytest.approx(0.8 * 45.375)
    assert stony.loc["root_zone_wetness", "value"] == found().loc["root_zone_wetness", "value"]
