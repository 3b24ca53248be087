"""Made-up days of turf for the tests of days and fortnights: roots that drink by day, weather that runs like a clock.

Nothing of the pipeline's sums is used: the truth is an exponential profile of roots by algebra.
"""

from __future__ import annotations

import numpy as np

from hardware.probe import load_probe
from pipeline.diary.facts import Dated
from pipeline.stages.stage import Record
from tests.pipeline.contexts import station_context

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
MONDAY_MS = 1_718_582_400_000  # 2024-06-17 00:00 UTC, a Monday, 1416 fortnights and none over after 1970-01-05
DEPTH_M = {"t1/moisture": 0.008, "p1/moisture_035": 0.035, "p1/moisture_065": 0.065, "p1/moisture_110": 0.110,
           "p1/moisture_160": 0.160}  # fmt: skip
THATCH_M = 0.015
WEATHER = {
    "air_temperature": "w1/air_temperature", "relative_humidity": "w1/humidity", "wind_speed": "w1/wind",
    "solar_radiation": "w1/sun", "surface_temperature": "w1/surface_temperature",
}  # fmt: skip


def _channels() -> dict:
    models = {"t1": "thatch", "p1": "root_zone_profile", "w1": "weather"}
    every = {f"s1/{probe}/{c.name}": c for probe, model in models.items() for c in load_probe(model).channels}
    return {i: c for i, c in every.items() if not i.split("/")[2].startswith("ec_") and "_220" not in i}


CONTEXT = station_context(
    "s1",
    _channels(),
    cores=(Dated(0, THATCH_M),),
    rain_channel="s1/w1/rain",
    kind="green",
    latitude_deg=52.0,
    longitude_deg=0.0,
    elevation_m=50.0,
    weather={quantity: f"s1/{channel}" for quantity, channel in WEATHER.items()},
)


def values(d90_m: float, days: float, *, step_h: float = 0.25, seed: int = 0) -> tuple[np.ndarray, dict]:
    """Times from two days before Monday, and values by channel, under roots with 90 % of uptake above a soil depth."""
    rng = np.random.default_rng(seed)
    hour = np.arange(-48.0, 24.0 * days, step_h)
    at = hour % 24.0
    sun = np.clip(np.sin((at - 4.0) / 16.0 * np.pi), 0.0, None) * ((at > 4.0) & (at < 20.0))
    drunk = np.cumsum(sun) * 0.0035 / 10.2 * step_h  # 10.2 h is the area of the sine: 3.5 mm a day
    rate = np.log(10.0) / d90_m
    table = {}
    for name, depth in DEPTH_M.items():
        density = rate * np.exp(-rate * max(depth - THATCH_M, 0.0))
        theta = 0.32 - drunk * density - 0.0005 * (hour + 48.0) / 24.0
        table[f"s1/{name}"] = np.round(theta + rng.normal(0.0, 0.0004, hour.size), 4)
    for depth in ("035", "065", "110", "160"):
        table[f"s1/p1/temperature_{depth}"] = 15.0 + 2.0 * np.sin((at - 12.0) / 24.0 * 2.0 * np.pi)
    table["s1/t1/temperature"] = table["s1/p1/temperature_035"]
    table["s1/w1/rain"] = np.zeros(hour.size)
    table["s1/w1/air_temperature"] = 17.0 + 6.0 * np.sin((at - 9.0) / 24.0 * 2.0 * np.pi)
    table["s1/w1/humidity"] = 70.0 - 15.0 * np.sin((at - 9.0) / 24.0 * 2.0 * np.pi)
    table["s1/w1/wind"] = np.full(hour.size, 2.0)
    table["s1/w1/sun"] = 800.0 * sun
    table["s1/w1/surface_temperature"] = table["s1/w1/air_temperature"] - 1.0
    return MONDAY_MS + np.round(hour * HOUR_MS).astype(np.int64), table


def record(time_ms: np.ndarray, table: dict) -> Record:
    """As a store would give it: every value good."""
    return Record({name: (time_ms, np.asarray(table[name], dtype=np.float64)) for name in sorted(table)}, {})
