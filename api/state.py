"""The state of the ground just now, as facts: what the page, the summary and the JSON all say.

It reads the store through the pipeline and draws together what belongs to one station. It words nothing and draws
nothing: `api.words` and `api.drawing` do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from pipeline.service import Pipeline

from pipeline.flags import Flag
from pipeline.site import InstalledChannel, Station, Surface
from pipeline.soil.wetting import Wetting, spells, wetting

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
LAYERS = ("thatch", "top_layer", "root_zone")
LAYER_IS_FRESH_MS = 6 * HOUR_MS  # an older finding is not "now"
LOOK_BACK_FOR_RAIN_MS = 60 * DAY_MS
BELIEVED = (int(Flag.GOOD), int(Flag.NOT_EVALUATED))


@dataclass(frozen=True, slots=True)
class LayerNow:
    """Water in one layer. `water_mm` and `wetness` are None when withheld, and then `reason` says why."""

    layer: str
    at_ms: int
    water_mm: float | None
    wetness: float | None
    wetness_week_ago: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class ChannelNow:
    """Last observation of a channel. `value` is None when there is none; `flag` is a `pipeline.flags.Flag`."""

    installed: InstalledChannel
    at_ms: int | None
    value: float | None
    flag: Flag
    week_ago: float | None


@dataclass(frozen=True, slots=True)
class StationNow:
    """Everything known of one station at one moment."""

    surface: Surface
    station: Station
    now_ms: int
    heard_ms: int | None
    thatch_m: float | None
    layers: tuple[LayerNow, ...]
    channels: tuple[ChannelNow, ...]
    wetting: Wetting | None
    rain_day_mm: float | None


def station_now(pipeline: Pipeline, surface: Surface, station: Station, now_ms: int) -> StationNow:
    """The state of a station at `now_ms`, from what is in the store."""
    ids = [c.id for c in station.channels]
    latest = pipeline.store.latest(ids).set_index("channel")
    week_ago = pipeline.store.observations(ids, now_ms - 7 * DAY_MS - HOUR_MS, now_ms - 7 * DAY_MS + HOUR_MS)
    rain = _rain(pipeline, station.name, now_ms)
    return StationNow(
        surface=surface,
        station=station,
        now_ms=now_ms,
        heard_ms=_last_heard(latest),
        thatch_m=max((core for core in station.cores if core.at_ms <= now_ms), key=lambda c: c.at_ms).thatch_m
        if any(core.at_ms <= now_ms for core in station.cores)
        else None,
        layers=_layers(pipeline, station.name, now_ms),
        channels=tuple(_channel_now(c, latest, week_ago) for c in station.channels),
        wetting=_last_wetting(pipeline, station.name, rain),
        rain_day_mm=_rain_since(rain, now_ms - DAY_MS),
    )


def site_now(pipeline: Pipeline) -> list[StationNow]:
    """The state of every station, in the order of the configuration."""
    now_ms = pipeline.clock.now_ms()
    return [station_now(pipeline, f, s, now_ms) for f in pipeline.config.surfaces for s in f.stations]


def number(value: object) -> float | None:
    """A float, or None where a frame has NaN or nothing."""
    found = float(value) if isinstance(value, int | float | np.number) else math.nan
    return None if math.isnan(found) else found


def _last_heard(latest: pd.DataFrame) -> int | None:
    heard = latest[latest["flag"] != int(Flag.MISSING)]["measured_at_ms"]
    return None if heard.empty else int(heard.max())


def _channel_now(installed: InstalledChannel, latest: pd.DataFrame, week_ago: pd.DataFrame) -> ChannelNow:
    before = week_ago[(week_ago["channel"] == installed.id) & week_ago["flag"].isin(BELIEVED)]["value"].dropna()
    earlier = None if before.empty else float(before.iloc[-1])
    if installed.id not in latest.index:
        return ChannelNow(installed, None, None, Flag.MISSING, earlier)
    row = latest.loc[installed.id]
    return ChannelNow(installed, int(row["measured_at_ms"]), number(row["value"]), Flag(int(row["flag"])), earlier)


def _layers(pipeline: Pipeline, station: str, now_ms: int) -> tuple[LayerNow, ...]:
    quantities = [f"{layer}_{what}" for layer in LAYERS for what in ("water", "wetness")]
    fresh = pipeline.store.findings(station, quantities, now_ms - LAYER_IS_FRESH_MS, now_ms + 1)
    week_ago = pipeline.store.findings(
        station, quantities, now_ms - 7 * DAY_MS - HOUR_MS, now_ms - 7 * DAY_MS + HOUR_MS
    )
    found = []
    for layer in LAYERS:
        water = fresh[fresh["quantity"] == f"{layer}_water"]
        wetness = fresh[fresh["quantity"] == f"{layer}_wetness"]
        if wetness.empty:
            continue
        earlier = week_ago[week_ago["quantity"] == f"{layer}_wetness"]["value"].dropna()
        last = wetness.iloc[-1]
        found.append(
            LayerNow(
                layer=layer,
                at_ms=int(last["start_ms"]),
                water_mm=None if water.empty else number(water.iloc[-1]["value"]),
                wetness=number(last["value"]),
                wetness_week_ago=None if earlier.empty else float(earlier.iloc[-1]),
                reason=str(last["reason"] or ""),
            )
        )
    return tuple(found)


def _rain(pipeline: Pipeline, station: str, now_ms: int) -> pd.DataFrame:
    channel = pipeline.config.rain_channel(station)
    if channel is None:
        return pd.DataFrame({"measured_at_ms": np.array([], dtype=np.int64), "value": np.array([], dtype=float)})
    rain = pipeline.store.observations([channel], now_ms - LOOK_BACK_FOR_RAIN_MS, now_ms + 1)
    return rain[rain["flag"].isin(BELIEVED)]


def _rain_since(rain: pd.DataFrame, start_ms: int) -> float | None:
    recent = rain[rain["measured_at_ms"] > start_ms]
    return None if recent.empty else float(np.nansum(recent["value"].to_numpy()))


def _last_wetting(pipeline: Pipeline, station: str, rain: pd.DataFrame) -> Wetting | None:
    """The last spell of rain and what the layers that do not overlap gained by it."""
    found = spells(rain["measured_at_ms"].to_numpy(np.int64), rain["value"].to_numpy(float))
    if not found:
        return None
    spell = found[-1]
    frame = pipeline.store.findings(
        station, ["thatch_water", "root_zone_water"], spell.start_ms - DAY_MS, spell.end_ms + DAY_MS
    )
    storages = {
        str(quantity).removesuffix("_water"): (
            group["start_ms"].to_numpy(np.int64),
            group["value"].to_numpy(float),
        )
        for quantity, group in frame.groupby("quantity")
    }
    return wetting(spell, storages)
