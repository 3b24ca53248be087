"""The state of the ground just now, as facts: what the page, the summary and the JSON all say.

It reads the store through the pipeline and draws together what belongs to one station. It words nothing and draws
nothing: `api.words` and `api.drawing` do.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from numbers import Real
from typing import Any

from hardware.probe import BY_FILE
from pipeline.alerts.probes import PROBE_FAULT
from pipeline.alerts.surface import FROST_AT_DAWN
from pipeline.diary.by_hand import hand_rain_mm
from pipeline.diary.station import StationContext
from pipeline.forecast.by_hand import CARRIED_D
from pipeline.service import Pipeline
from pipeline.site.ground import InstalledChannel, Station, Surface
from pipeline.units import BELIEVED, DAY_MS, HOUR_MS, TIME_SLACK_MS, Flag

LAYERS = ("thatch", "top_layer", "root_zone")
LAYER_IS_FRESH_MS = 6 * HOUR_MS  # a finding older than the last reading by more than this does not belong to it
MOST_OF_DAY = 0.75  # of a day that a gauge read by hand has to tell of: our own choice
LOOK_BACK_FOR_WETTING_MS = 60 * DAY_MS
Row = Mapping[Any, Any]  # of a table of the store


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

    `depth_m` [m] and `lies_in` (thatch, mixed or soil) are as the diary has it now, None above ground.
    `is_silent` says that it gave no answer when it was last read, however lately that was.
    """

    installed: InstalledChannel
    depth_m: float | None
    lies_in: str | None
    at_ms: int | None
    value: float | None
    flag: Flag
    week_ago: float | None
    is_silent: bool


@dataclass(frozen=True, slots=True)
class ProbeNow:
    """A probe that is left in the turf, and when it last said anything. [ms since 1970, UTC]

    `is_silent` says that no channel of it gave an answer when it was last read, `by_file` that its readings come in as
    a record: it is asked by nobody and never silent.
    """

    name: str
    title: str
    heard_ms: int | None
    is_silent: bool
    by_file: bool = False


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
    newest readings are not yet in `wetting`. `core_ms` is when the core was cut that tells the thatch. With the leaf at
    `frost_degc` or below there is frost, as alerts have it.
    Nobody has confirmed the time of its readings since `unconfirmed_since_ms`; None where it is confirmed.
    Where its water is read `by_hand`, `heard_ms` is the last reading, and it is old only after two weeks.
    """

    surface: Surface
    station: Station
    now_ms: int
    heard_ms: int | None
    silent_ms: int
    probes: tuple[ProbeNow, ...]
    thatch_m: float | None
    core_ms: int | None
    layers: tuple[LayerNow, ...]
    channels: tuple[ChannelNow, ...]
    wetting: WettingNow | None
    is_in_work: bool
    has_gauge: bool
    rain_day_mm: float | None
    frost_degc: float
    unconfirmed_since_ms: int | None = None
    by_hand: bool = False

    @property
    def is_old(self) -> bool:
        """Whether the last reading is so old that it says how the ground was, not how it is."""
        return self.heard_ms is not None and self.now_ms - self.heard_ms > self.silent_ms

    @property
    def is_silent(self) -> bool:
        """Whether there was an answer once, and none from any probe when it was last read."""
        return self.heard_ms is not None and not self.by_hand and all(probe.is_silent for probe in self.probes)

    @property
    def by_file(self) -> bool:
        """Whether all that its probes read comes in as records."""
        return bool(self.probes) and all(probe.by_file for probe in self.probes)

    @property
    def silent(self) -> tuple[ProbeNow, ...]:
        """Probes that have said nothing for too long, or nothing yet."""
        asked = (p for p in self.probes if not p.by_file)
        return tuple(p for p in asked if p.heard_ms is None or self.now_ms - p.heard_ms > self.silent_ms)

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
    ids, context = [c.id for c in station.channels], pipeline.context(station.name)
    latest = {str(row["channel"]): row for row in rows_of(pipeline.store.last_answers(ids, now_ms + TIME_SLACK_MS))}
    missed = _missed(pipeline, ids, now_ms)
    probes = tuple(_probes(station, latest, missed))
    heard_ms = max((p.heard_ms for p in probes if p.heard_ms is not None), default=None)
    as_of_ms = _last_moisture(station, latest, now_ms)
    week_ago = _week_ago(pipeline, ids, as_of_ms)
    by_hand = context.reads_by_hand
    if by_hand:
        heard_ms = max((one.at_ms for one in context.facts.moisture if one.at_ms <= now_ms), default=None)
        as_of_ms = now_ms if heard_ms is None else heard_ms
    silent_ms = round(PROBE_FAULT.bounds_in(pipeline.config.alerts).silent_h * HOUR_MS)
    return StationNow(
        surface=surface,
        station=station,
        now_ms=now_ms,
        heard_ms=heard_ms,
        silent_ms=CARRIED_D * DAY_MS if by_hand else silent_ms,
        probes=probes,
        thatch_m=number(context.thatch_m(now_ms)),
        core_ms=max((core.at_ms for core in context.facts.cores if core.at_ms <= now_ms), default=None),
        layers=_layers(pipeline, station.name, as_of_ms, _explained(station, latest, missed)),
        channels=tuple(
            _channel_now(c, context, now_ms, latest.get(c.id), week_ago.get(c.id), is_silent=c.id in missed)
            for c in station.channels
        ),
        wetting=next(iter(wettings(pipeline, station.name, now_ms)), None),
        is_in_work=pipeline.periods_wait_for(station.name),
        has_gauge=pipeline.config.rain_channel(station.name) is not None or bool(context.facts.hand_rain),
        rain_day_mm=_rain_of_day(pipeline, context, now_ms, silent_ms),
        frost_degc=FROST_AT_DAWN.bounds_in(pipeline.config.alerts).on_degc,
        unconfirmed_since_ms=pipeline.nodes.unconfirmed_since_ms(station.name),
        by_hand=by_hand,
    )


def rows_of(table: Any) -> list[Row]:
    """Return the rows of a table of the store as dictionaries by column; eight times as fast as `to_dict`."""
    names = list(table.columns)
    return [dict(zip(names, row, strict=True)) for row in zip(*(table[n].tolist() for n in names), strict=True)]


def number(value: object) -> float | None:
    """A float, or None where a table has NaN or nothing."""
    found = float(value) if isinstance(value, Real) else math.nan
    return None if math.isnan(found) else found


def _missed(pipeline: Pipeline, ids: list[str], now_ms: int) -> frozenset[str]:
    """Channels whose last slot was missed."""
    last = rows_of(pipeline.store.latest(ids, now_ms + TIME_SLACK_MS))
    return frozenset(row["channel"] for row in last if row["flag"] == int(Flag.MISSING))


def _week_ago(pipeline: Pipeline, ids: list[str], as_of_ms: int) -> dict[str, float]:
    """The last value to be believed of each channel within an hour of a week before."""
    then_ms = as_of_ms - 7 * DAY_MS
    rows = rows_of(pipeline.store.observations(ids, then_ms - HOUR_MS, then_ms + HOUR_MS))
    believed = ((str(row["channel"]), number(row["value"])) for row in rows if row["flag"] in BELIEVED)
    return {channel: value for channel, value in believed if value is not None}


def _probes(station: Station, latest: Mapping[str, Row], missed: Collection[str]) -> Iterator[ProbeNow]:
    """The probes that are read by the clock; a penetrometer speaks only when somebody docks it."""
    heard = {channel: int(row["measured_at_ms"]) for channel, row in latest.items()}
    for probe in station.probes:
        if probe.description.protocol != "cone":
            at_ms = max((heard[c.id] for c in probe.channels if c.id in heard), default=None)
            by_file = probe.description.protocol == BY_FILE
            is_silent = not by_file and all(c.id in missed for c in probe.channels)
            yield ProbeNow(probe.name, probe.description.title, at_ms, is_silent, by_file)


def _last_moisture(station: Station, latest: Mapping[str, Row], now_ms: int) -> int:
    """When water content was last heard; now, when it never was. [ms since 1970, UTC]"""
    heard = [int(latest[i]["measured_at_ms"]) for i in _moist(station) if i in latest]
    return min(now_ms, max(heard, default=now_ms))


def _moist(station: Station) -> list[str]:
    return [c.id for c in station.channels if c.channel.quantity == "water_content"]


def _explained(station: Station, latest: Mapping[str, Row], missed: Collection[str]) -> list[int]:
    """When the moisture channels that missed their last slot last answered, the newest first. [ms since 1970, UTC]

    None where an answer is not believed: then silence alone does not explain why a layer is withheld.
    """
    moist = {i: latest[i] for i in _moist(station) if i in latest}
    if any(row["flag"] not in BELIEVED for row in moist.values()):
        return []
    return sorted((int(row["measured_at_ms"]) for i, row in moist.items() if i in missed), reverse=True)


def _channel_now(
    installed: InstalledChannel,
    context: StationContext,
    now_ms: int,
    row: Row | None,
    week_ago: float | None,
    *,
    is_silent: bool,
) -> ChannelNow:
    depth_m = number(context.depth_m(installed.id, now_ms))
    lies_in = None if depth_m is None else context.place(installed.id, now_ms).value
    if row is None:
        return ChannelNow(installed, depth_m, lies_in, None, None, Flag.MISSING, week_ago, is_silent)
    at_ms, value, flag = int(row["measured_at_ms"]), number(row["value"]), Flag(int(row["flag"]))
    return ChannelNow(installed, depth_m, lies_in, at_ms, value, flag, week_ago, is_silent)


def _layers(pipeline: Pipeline, station: str, as_of_ms: int, silent_since_ms: Sequence[int]) -> tuple[LayerNow, ...]:
    """The layers as they were at `as_of_ms`; one withheld for want of a silent channel as it was with its answer."""
    fresh = _by_quantity(pipeline, station, as_of_ms - LAYER_IS_FRESH_MS, as_of_ms + 1)
    then_ms = as_of_ms - 7 * DAY_MS
    week_ago = _by_quantity(pipeline, station, then_ms - HOUR_MS, then_ms + HOUR_MS)
    found = []
    for layer in LAYERS:
        wetness = fresh.get(f"{layer}_wetness", [])
        if not wetness:
            continue
        last, since_ms = wetness[-1], None
        for at_ms in silent_since_ms if number(last["value"]) is None else ():
            then = [row for row in wetness if row["start_ms"] <= at_ms]
            if then and number(then[-1]["value"]) is not None:
                last, since_ms = then[-1], at_ms
                break
        water = [row for row in fresh.get(f"{layer}_water", []) if row["start_ms"] == last["start_ms"]]
        earlier = [number(row["value"]) for row in week_ago.get(f"{layer}_wetness", [])]
        found.append(
            LayerNow(
                layer=layer,
                at_ms=int(last["start_ms"]),
                water_mm=number(water[-1]["value"]) if water else None,
                wetness=number(last["value"]),
                wetness_low=number(last["low"]),
                wetness_high=number(last["high"]),
                wetness_week_ago=next((value for value in reversed(earlier) if value is not None), None),
                reason=str(last["reason"] or ""),
                silent_since_ms=since_ms,
            )
        )
    return tuple(found)


def _by_quantity(pipeline: Pipeline, station: str, start_ms: int, end_ms: int) -> dict[str, list[Row]]:
    """Findings of water and wetness by layer over a span, in the order of time."""
    quantities = [f"{layer}_{what}" for layer in LAYERS for what in ("water", "wetness")]
    found: dict[str, list[Row]] = {}
    for row in rows_of(pipeline.store.findings(station, quantities, start_ms, end_ms)):
        found.setdefault(str(row["quantity"]), []).append(row)
    return found


def _rain_of_day(pipeline: Pipeline, context: StationContext, now_ms: int, silent_ms: int) -> float | None:
    """Rain of the last 24 hours, None when there is no gauge or it was not heard through all of them. [mm]

    Of a gauge read by hand the readings that fall in them, each even over its span, if they tell of most of the hours.
    """
    channel = pipeline.config.rain_channel(context.station)
    if channel is None:
        return hand_rain_mm(context.facts.hand_rain, now_ms - DAY_MS, now_ms, least_share=MOST_OF_DAY)
    rows = rows_of(pipeline.store.observations([channel], now_ms - DAY_MS + 1, now_ms + 1))
    fallen = {int(row["measured_at_ms"]): number(row["value"]) for row in rows if row["flag"] in BELIEVED}
    if max(after - before for before, after in pairwise((now_ms - DAY_MS, *fallen, now_ms))) > silent_ms:
        return None
    return math.fsum(value for value in fallen.values() if value is not None)


WETTING_LINES = {
    "given": "wetting_given",
    "thatch_kept": "wetting_thatch_kept",
    "root_gain": "wetting_root_gain",
    "below_gain": "wetting_below_gain",
    "evaporation": "wetting_evaporation",
    "unaccounted": "wetting_unaccounted",
    "arrival_share": "arrival_share",
}


def wettings(pipeline: Pipeline, station: str, now_ms: int) -> list[WettingNow]:
    """Return the accounts of the wettings of the last 60 days as the findings hold them, the newest first."""
    start_ms = now_ms - LOOK_BACK_FOR_WETTING_MS
    table = rows_of(pipeline.store.findings(station, list(WETTING_LINES.values()), start_ms, now_ms + 1))
    by_start: dict[int, dict[str, Row]] = {}
    for row in table:
        by_start.setdefault(int(row["start_ms"]), {})[str(row["quantity"])] = row
    found = []
    for begin_ms, rows in sorted(by_start.items(), reverse=True):
        if "wetting_given" in rows:
            figures = {name: _figure(rows.get(quantity)) for name, quantity in WETTING_LINES.items()}
            found.append(WettingNow(begin_ms, int(rows["wetting_given"]["end_ms"]), **figures))  # type: ignore[arg-type]
    return found


def _figure(row: Row | None) -> FigureNow | None:
    if row is None:
        return None
    return FigureNow(number(row["value"]), number(row["low"]), number(row["high"]), str(row["reason"] or ""))
