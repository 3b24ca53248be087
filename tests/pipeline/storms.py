"""Storms made by hand over a station with thatch, a profile and a gauge, for the stages that judge wettings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from hardware.probe import Channel, load_probe
from pipeline.diary.facts import Dated
from pipeline.diary.station import StationContext
from pipeline.stages.recompute import process
from pipeline.stages.stage import Record, find, findings_table, series_of
from pipeline.stages.wetting import DRYING, WETTING
from tests.pipeline.contexts import station_context

START_MS = 1_709_251_200_000  # 2024-03-01 00:00 UTC
SLOT_MS = 900_000
HOUR_MS = 3_600_000
DAY = 96  # slots
STAGES = (WETTING, DRYING)
DEEP = load_probe("deep_soil_profile")


def plain(channel: Channel) -> Channel:
    """The channel, with water content heard as such."""
    return replace(channel, heard="water_content", calibration=DEEP.channels[0].calibration)


CHANNELS = {
    f"green-1/p1/{c.name}": plain(c) for c in load_probe("root_zone_profile").channels if c.quantity == "water_content"
}
CHANNELS["green-1/t1/moisture"] = plain(load_probe("thatch").channel("moisture"))
CHANNELS |= {
    f"green-1/w1/{c.name}": c for c in load_probe("weather").channels if c.name in ("rain", "air_temperature", "sun")
}
WEATHER = {c.quantity: i for i, c in CHANNELS.items() if "/w1/" in i and c.quantity != "rain"}
CONTEXT = station_context(
    "green-1", CHANNELS, soil="loam", cores=(Dated(0, 0.015),), rain_channel="green-1/w1/rain", weather=WEATHER
)
SOIL = sorted(i for i in CHANNELS if "/p1/" in i)  # soil depths 20, 50, 95, 145, 205 mm


def raw(series: dict[str, np.ndarray]) -> pd.DataFrame:
    """Raw rows, one a slot; NaN is silence."""
    tables = [
        pd.DataFrame(
            {
                "channel": i, "measured_at_ms": START_MS + SLOT_MS * np.arange(v.size) + 1000 + 100 * k, "raw": v,
                "status": np.where(np.isnan(v), "silent", "ok"), "clock_ok": True,
                "received_at_ms": START_MS + SLOT_MS * np.arange(v.size) + 5000,
            }
        )
        for k, (i, v) in enumerate(series.items())
    ]  # fmt: skip
    return pd.concat(tables, ignore_index=True)


def storm(slots: int = 12 * DAY) -> dict[str, np.ndarray]:
    """8 mm of rain in the hour to slot 400; thatch .30 to .60 and back by hours, then soil in steps; nothing else.

    Steps of .05 .04 .03 at 20, 50, 95 mm, an hour, three and eight hours after the first rain. At the close the thatch
    still holds .10 more than before.
    """
    n = np.arange(slots)
    series = {i: np.full(slots, 0.25) for i in SOIL}
    for i, (late, rise) in zip(SOIL, ((4, 0.05), (12, 0.04), (32, 0.03)), strict=False):
        series[i] = series[i] + rise * (n >= 397 + late)
    wet = np.where(n >= 397, 0.10 + 0.20 * np.exp(-(n - 397) / 40.0), 0.0)
    series["green-1/t1/moisture"] = np.where(n > 600, 0.30 + 0.10 * np.exp(-(n - 600) / 200.0), 0.30 + wet)
    fallen = np.where((n >= 397) & (n <= 400), 2.0, 0.0)
    series["green-1/w1/rain"] = 5.0 + np.cumsum(fallen)
    return series


def record(rows: pd.DataFrame, context: StationContext = CONTEXT) -> Record:
    """What the quarter-hour stages make of raw rows."""
    done = process(series_of(rows), context)
    return done.record


def found(series: dict[str, np.ndarray], context: StationContext = CONTEXT) -> pd.DataFrame:
    rows = raw(series)
    first, last = int(rows["measured_at_ms"].min()), int(rows["measured_at_ms"].max())
    table = findings_table(find(STAGES, record(rows, context), context, first, last + 1), context.station)
    return table.set_index(["station", "quantity"])


def long_record(days: int = 45, seed: int = 3) -> pd.DataFrame:
    """Weeks with many rains, long and short, gaps, noise and waterings that nobody wrote down."""
    rng = np.random.default_rng(seed)
    slots = days * DAY
    chance = np.where(np.arange(slots) // (6 * DAY) % 3 == 1, 0.12, 0.004)  # some weeks it rains for days
    rain = np.where(rng.random(slots) < chance, rng.exponential(1.5, slots), 0.0).round(1)
    hidden = np.zeros(slots)
    hidden[[5 * DAY, 21 * DAY + 30, 40 * DAY]] = 9.0
    series = {"green-1/w1/rain": 5.0 + np.cumsum(rain)}
    for k, i in enumerate(["green-1/t1/moisture", *SOIL]):
        memory = np.exp(-np.arange(5 * DAY) / (40.0 * (k + 1)))
        wet = np.convolve(rain + hidden, memory)[:slots]
        late = np.concatenate([np.zeros(6 * k), wet])[:slots]
        value = 0.15 + 0.02 * k + 0.25 * (1 - np.exp(-late / (12.0 * (1 + k)))) + rng.normal(0, 0.002, slots)
        value[rng.random(slots) < 0.02] = np.nan
        series[i] = value.round(4)
    series[SOIL[1]][20 * DAY : 21 * DAY] = np.nan
    rows = raw(series)
    return rows[rng.random(len(rows)) > 0.01].reset_index(drop=True)
