"""The state of the ground just now, as facts: what the page, the summary and the JSON all say.

It reads the store through the pipeline and draws together what belongs to one station. It words nothing and draws
nothing: `api.words` and `api.drawing` do.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.alerts.probes import PROBE_FAULT
from pipeline.service import Pipeline
from pipeline.site.models import InstalledChannel, Station, Surface
from pipeline.units import DAY_MS, HOUR_MS, Flag

LAYERS = ("thatch", "top_layer", "root_zone")
LAYER_IS_FRESH_MS = 6 * HOUR_MS  # a finding older than the last reading by more than this does not belong to it
LOOK_BACK_FOR_WETTING_MS = 60 * DAY_MS
BELIEVED = (int(Flag.GOOD), int(Flag.NOT_EVALUATED))


@dataclass(frozen=True, slots=True)
class LayerNow:
    """Water in one layer. `water_mm` and `wetness` are None when withheld, and then `reason` says why.

    `wetness_low` and `wetness_high` bound the wetness by what the limits of the layer may be; None where not known.
    `silent_since_ms` is set where a channel they rest on has missed slots since: then they are of its last answer.
    """

    layer: str
    at_ms: int
    water_mm: float | None
    wetness: float | None
    wetness_low: float | None
    wetness_high: float | None
    wetness_week_ago: float | None
    reason: str
    silent_since_ms: int | None


@dataclass(frozen=True, slots=True)
class ChannelNow:
    """Last answer of a channel. `value` is None when there is none; `flag` is a `pipeline.units.Flag`.

    `is_silent` says that it gave no answer when it was last read, however lately that was.
    """

    installed: InstalledChannel
    at_ms: int | None
    value: float | None
    flag: Flag
    week_ago: float | None
    is_silent: bool


@dataclass(frozen=True, slots=True)
class ProbeNow:
    """A probe that is left in the turf, and when it last said anything. [ms since 1970, UTC]

    `is_silent` says that no channel of it gave an answer when it was last read.
    """

    name: str
    title: str
    heard_ms: int | None
    is_silent: bool


@dataclass(frozen=True, slots=True)
class FigureNow:
    """A stored figure and its 90 % interval. `value` is None when it is withheld.

    `reason` says why it is withheld, or why it must be taken with care; empty when neither.
    """

    value: float | None
    low: float | None
    high: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class WettingNow:
    """The stored account of one wetting, by rain, by a watering of the diary, or as the probes alone tell it.

    Figures are in mm, but for `arrival_share`: gain of all soil over what was given. [1] One is None where the station
    has nothing to tell it by: no thatch, or no probe in the soil. `unaccounted` is negative when the ground gained more
    than was given. The times are those of the first and the last water. [ms since 1970, UTC]
    """

    start_ms: int
    end_ms: int
    given: FigureNow
    thatch_kept: FigureNow | None
    root_gain: FigureNow | None
    below_gain: FigureNow | None
    evaporation: FigureNow | None
    unaccounted: FigureNow | None
    arrival_share: FigureNow | None


@dataclass(frozen=True, slots=True)
class StationNow:
    """Everything known of one station at one moment.

    The layers are those of the last reading of moisture, however old that is. `heard_ms` is the time of the last
    reading of any probe, `silent_ms` how long a probe may say nothing before it counts as silent. `rain_day_mm` is None
    when the gauge cannot tell the last 24 hours, `has_gauge` whether there is one. While the station `is_in_work` its
    newest readings are not yet in `wetting`.
    """

    surface: Surface
    station: Station
    now_ms: int
    heard_ms: int | None
    silent_ms: int
    probes: tuple[ProbeNow, ...]
    thatch_m: float | None
    layers: tuple[LayerNow, ...]
    channels: tuple[ChannelNow, ...]
    wetting: WettingNow | None
    is_in_work: bool
    has_gauge: bool
    rain_day_mm: float | None

    @property
    def is_old(self) -> bool:
        """Whether the last reading is so old that it says how the ground was, not how it is."""
        return self.heard_ms is not None and self.now_ms - self.heard_ms > self.silent_ms

    @property
    def is_silent(self) -> bool:
        """Whether there was an answer once, and none from any probe when it was last read."""
        return self.heard_ms is not None and all(probe.is_silent for probe in self.probes)

    @property
    def silent(self) -> tuple[ProbeNow, ...]:
        """Probes that have said nothing for too long, or nothing yet."""
        return tuple(p for p in self.probes if p.heard_ms is None or self.now_ms - p.heard_ms > self.silent_ms)

    def last(self, quantity: str) -> ChannelNow | None:
        """The first channel of a quantity whose last value may be believed and is not old."""
        return next(
            (
                c
                for c in self.channels
                if c.installed.channel.quantity == quantity
                and c.value is not None
                and c.at_ms is not None
                and c.flag in BELIEVED
                and self.now_ms - c.at_ms <= self.silent_ms
            ),
            None,
        )


def station_now(pipeline: Pipeline, surface: Surface, station: Station, now_ms: int) -> StationNow:
    """The state of a station at `now_ms`, from what is in the store."""
    ids = [c.id for c in station.channels]
    latest = pipeline.store.last_answers(ids).set_index("channel")
    missed = _missed(pipeline, ids)
    probes = tuple(_probes(station, latest, missed))
    heard_ms = max((p.heard_ms for p in probes if p.heard_ms is not None), default=None)
    as_of_ms = _last_moisture(station, latest, now_ms)
    week_ago = pipeline.store.observations(ids, as_of_ms - 7 * DAY_MS - HOUR_MS, as_of_ms - 7 * DAY_MS + HOUR_MS)
    rain = _rain(pipeline, station.name, now_ms)
    silent_ms = round(PROBE_FAULT.bounds_in(pipeline.config.alerts).silent_h * HOUR_MS)
    return StationNow(
        surface=surface,
        station=station,
        now_ms=now_ms,
        heard_ms=heard_ms,
        silent_ms=silent_ms,
        probes=probes,
        thatch_m=thatch_now_m(pipeline, station, now_ms),
        layers=_layers(pipeline, station.name, as_of_ms, _explained(station, latest, missed)),
        channels=tuple(_channel_now(c, latest, week_ago, is_silent=c.id in missed) for c in station.channels),
        wetting=_last_wetting(pipeline, station.name, now_ms),
        is_in_work=pipeline.periods_wait_for(station.name),
        has_gauge=pipeline.config.rain_channel(station.name) is not None,
        rain_day_mm=_rain_of_day(rain, now_ms, silent_ms),
    )


def thatch_now_m(pipeline: Pipeline, station: Station, now_ms: int) -> float | None:
    """Thatch thickness of the latest core, of the settings or the diary; None when no core is known. [m]"""
    cores = {core.at_ms: core.thatch_m for core in station.cores}
    for entry in pipeline.diary.entries(("core",), 0, now_ms + 1):
        if entry.station == station.name:
            cores[entry.at_ms] = float(str(entry.body["thatch_mm"])) / 1000
    return next((cores[at_ms] for at_ms in sorted(cores, reverse=True) if at_ms <= now_ms), None)


def site_now(pipeline: Pipeline) -> list[StationNow]:
    """The state of every station, in the order of the configuration."""
    now_ms = pipeline.clock.now_ms()
    return [station_now(pipeline, f, s, now_ms) for f in pipeline.config.surfaces for s in f.stations]


def number(value: object) -> float | None:
    """A float, or None where a frame has NaN or nothing."""
    found = float(value) if isinstance(value, int | float | np.number) else math.nan
    return None if math.isnan(found) else found


def _missed(pipeline: Pipeline, ids: list[str]) -> frozenset[str]:
    """Channels whose last slot was missed."""
    newest = pipeline.store.latest(ids)
    return frozenset(newest[newest["flag"] == int(Flag.MISSING)]["channel"])


def _probes(station: Station, latest: pd.DataFrame, missed: Collection[str]) -> Iterator[ProbeNow]:
    """The probes that are read by the clock; a penetrometer speaks only when somebody docks it."""
    heard = latest["measured_at_ms"].to_dict()
    for probe in station.probes:
        if probe.description.protocol != "cone":
            at_ms = max((int(heard[c.id]) for c in probe.channels if c.id in heard), default=None)
            is_silent = all(c.id in missed for c in probe.channels)
            yield ProbeNow(probe.name, probe.description.title, at_ms, is_silent)


def _last_moisture(station: Station, latest: pd.DataFrame, now_ms: int) -> int:
    """When water content was last heard; now, when it never was. [ms since 1970, UTC]"""
    heard = latest[latest.index.isin(_moist(station))]["measured_at_ms"].to_list()
    return min([now_ms, max(map(int, heard))]) if heard else now_ms


def _moist(station: Station) -> list[str]:
    return [c.id for c in station.channels if c.channel.quantity == "water_content"]


def _explained(station: Station, latest: pd.DataFrame, missed: Collection[str]) -> list[int]:
    """When the moisture channels that missed their last slot last answered, the newest first. [ms since 1970, UTC]

    None where an answer is not believed: then silence alone does not explain why a layer is withheld.
    """
    moist = latest[latest.index.isin(_moist(station))]
    if not moist["flag"].isin(BELIEVED).all():
        return []
    return sorted(moist["measured_at_ms"][moist.index.isin(list(missed))].astype(int).tolist(), reverse=True)


def _channel_now(
    installed: InstalledChannel, latest: pd.DataFrame, week_ago: pd.DataFrame, *, is_silent: bool
) -> ChannelNow:
    before = week_ago[(week_ago["channel"] == installed.id) & week_ago["flag"].isin(BELIEVED)]["value"].dropna()
    earlier = None if before.empty else float(before.iloc[-1])
    if installed.id not in latest.index:
        return ChannelNow(installed, None, None, Flag.MISSING, earlier, is_silent)
    row = latest.loc[[installed.id]].to_dict("records")[0]
    at_ms, value, flag = int(row["measured_at_ms"]), number(row["value"]), Flag(int(row["flag"]))
    return ChannelNow(installed, at_ms, value, flag, earlier, is_silent)


def _layers(pipeline: Pipeline, station: str, as_of_ms: int, silent_since_ms: Sequence[int]) -> tuple[LayerNow, ...]:
    """The layers as they were at `as_of_ms`; one withheld for want of a silent channel as it was with its answer."""
    quantities = [f"{layer}_{what}" for layer in LAYERS for what in ("water", "wetness")]
    fresh = pipeline.store.findings(station, quantities, as_of_ms - LAYER_IS_FRESH_MS, as_of_ms + 1)
    week_ago = pipeline.store.findings(
        station, quantities, as_of_ms - 7 * DAY_MS - HOUR_MS, as_of_ms - 7 * DAY_MS + HOUR_MS
    )
    found = []
    for layer in LAYERS:
        water = fresh[fresh["quantity"] == f"{layer}_water"]
        wetness = fresh[fresh["quantity"] == f"{layer}_wetness"]
        if wetness.empty:
            continue
        earlier = week_ago[week_ago["quantity"] == f"{layer}_wetness"]["value"].dropna()
        last, since_ms = wetness.iloc[-1], None
        for at_ms in silent_since_ms if number(last["value"]) is None else ():
            then = wetness[wetness["start_ms"] <= at_ms]
            if not then.empty and number(then.iloc[-1]["value"]) is not None:
                last, since_ms = then.iloc[-1], at_ms
                break
        water = water[water["start_ms"] == last["start_ms"]]
        found.append(
            LayerNow(
                layer=layer,
                at_ms=int(last["start_ms"]),
                water_mm=None if water.empty else number(water.iloc[-1]["value"]),
                wetness=number(last["value"]),
                wetness_low=number(last["low"]),
                wetness_high=number(last["high"]),
                wetness_week_ago=None if earlier.empty else float(earlier.iloc[-1]),
                reason=str(last["reason"] or ""),
                silent_since_ms=since_ms,
            )
        )
    return tuple(found)


def _rain(pipeline: Pipeline, station: str, now_ms: int) -> pd.DataFrame:
    channel = pipeline.config.rain_channel(station)
    if channel is None:
        return pd.DataFrame({"measured_at_ms": np.array([], dtype=np.int64), "value": np.array([], dtype=float)})
    rain = pipeline.store.observations([channel], now_ms - DAY_MS, now_ms + 1)
    return rain[rain["flag"].isin(BELIEVED)]


def _rain_of_day(rain: pd.DataFrame, now_ms: int, silent_ms: int) -> float | None:
    """Rain of the last 24 hours, None when the gauge was not heard through all of them. [mm]"""
    at_ms = rain["measured_at_ms"].to_numpy(np.int64)
    day = at_ms > now_ms - DAY_MS
    heard = np.concatenate(([now_ms - DAY_MS], at_ms[day], [now_ms]))
    if np.diff(heard).max() > silent_ms:
        return None
    return float(np.nansum(rain["value"].to_numpy(float)[day]))


WETTING_LINES = {
    "given": "wetting_given",
    "thatch_kept": "wetting_thatch_kept",
    "root_gain": "wetting_root_gain",
    "below_gain": "wetting_below_gain",
    "evaporation": "wetting_evaporation",
    "unaccounted": "wetting_unaccounted",
    "arrival_share": "arrival_share",
}


def _last_wetting(pipeline: Pipeline, station: str, now_ms: int) -> WettingNow | None:
    """The account of the last wetting as the findings hold it; None when there was none."""
    frame = pipeline.store.findings(
        station, list(WETTING_LINES.values()), now_ms - LOOK_BACK_FOR_WETTING_MS, now_ms + 1
    )
    given = frame[frame["quantity"] == "wetting_given"]
    if given.empty:
        return None
    last = given.iloc[-1]
    rows = {row["quantity"]: row for row in frame[frame["start_ms"] == last["start_ms"]].to_dict("records")}
    figures = {name: _figure(rows.get(quantity)) for name, quantity in WETTING_LINES.items()}
    return WettingNow(int(last["start_ms"]), int(last["end_ms"]), **figures)  # type: ignore[arg-type]


def _figure(row: Mapping[Hashable, object] | None) -> FigureNow | None:
    if row is None:
        return None
    return FigureNow(number(row["value"]), number(row["low"]), number(row["high"]), str(row["reason"] or ""))
