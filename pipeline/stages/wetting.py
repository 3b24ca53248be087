"""Findings of wettings: for each rain, watering or rise that nobody explains, where its water went.

A finding stands at the first water and ends with the last. It rests on the days about the wetting alone: a spell is
never longer than three days, its account is struck within a day of its end, and the next spell that cuts it short is
known within three days more; so any batching gives the same. Gains and lags by depth stand under the channel's own id
in place of the station's. Nothing here sums water: `pipeline.soil.arrival` does.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from pipeline.diary.station import StationContext
from pipeline.soil.arrival import SETTLE_H, Errors, SoilProfile, account
from pipeline.soil.climate import makkink_mm
from pipeline.soil.drying import (
    DRY_DOWN_H,
    FLASH_OFF_H,
    HELD,
    ROOT_ZONE_TAU_H,
    THATCH_TAU_H,
    flash_off,
    hold_time_h,
    recession,
)
from pipeline.soil.estimate import Estimate, withheld
from pipeline.soil.layers import CARRY_CELLS, CELL_MS, Place, layer_weights_m, on_cells
from pipeline.soil.moving import binned_means
from pipeline.soil.passage import SurfaceWater, ThatchRead
from pipeline.soil.thatch import thickness_from_wetting
from pipeline.soil.wetting import LONGEST_SPELL_MS, Spell, events
from pipeline.stages.layers import dry_water_mm, limits_of
from pipeline.stages.stage import NO_SERIES, Finding, FindPeriod, Grain, Record, Series, Stage
from pipeline.texts import say
from pipeline.units import DAY_MS, HOUR_MS, MINUTE_MS, FloatArray, TimeArray

WETTING_QUANTITIES = (
    "arrival_failed_chance", "arrival_lag", "arrival_seen_share", "arrival_share", "bypass_flow", "capture_share",
    "thatch_thickness_proxy", "wetting_below_gain", "wetting_evaporation", "wetting_given", "wetting_root_gain",
    "wetting_thatch_gain", "wetting_thatch_kept", "wetting_unaccounted",
)  # fmt: skip
DEPTH_QUANTITIES = ("arrival_lag", "wetting_gain")
BEFORE_MS = 3 * DAY_MS
"""A spell begins six dry hours after the last, or at a midnight into a spell a day old; its reading before is at most
half a day old."""
KNOWN_MS = LONGEST_SPELL_MS + DAY_MS
"""From the start of a spell until no later reading says whether it is one, or where it is cut: its last reading may be
what makes it 1 mm, and a day allows for its cut, the foot of a rise and rain that explains one."""
SETTLED_MS = LONGEST_SPELL_MS + int(SETTLE_H * HOUR_MS) + KNOWN_MS
"""The spell itself, its settling, and the spell that cuts it short."""
LAG_DEPTH_M = 0.05  # the station's lag is that of the first soil channel so deep: past it the water has reached roots


@dataclass(frozen=True, slots=True)
class DatedWetting:
    """A wetting and when the next one comes; `next_ms` is far off where none is known. [ms since 1970, UTC]"""

    spell: Spell
    next_ms: int


def wettings_of(record: Record, context: StationContext, start_ms: int, end_ms: int) -> list[DatedWetting]:
    """Return the wettings that begin in start <= t < end, from the days about it. [ms since 1970, UTC]"""
    rain = NO_SERIES if context.rain_channel is None else record.channels.get(context.rain_channel, NO_SERIES)
    top = next((i for i in context.moisture if i in record.channels), None)
    near = tuple(
        w for w in context.facts.waterings if w.end_ms >= start_ms - BEFORE_MS and w.start_ms < end_ms + SETTLED_MS
    )
    probe = None if top is None else record.channels[top]
    # a stage asks twice of the same stretch: from where on it must draw anew, then what there is
    edges = tuple((times.size, *times[:1].tolist(), *times[-1:].tolist()) for times, _ in (rain, probe or NO_SERIES))
    key = ("wettings", context.station, top, near, edges)
    if key not in record.worked_out:
        record.worked_out[key] = events(*rain, waterings=near, probe=probe)
    every: list[Spell] = record.worked_out[key]
    return [
        DatedWetting(spell, 2**62 if following is None else following.start_ms)
        for spell, following in pairwise([*every, None])
        if spell is not None and start_ms <= spell.start_ms < end_ms
    ]


def settling_since(record: Record, context: StationContext, start_ms: int, end_ms: int, changed_ms: int) -> int:
    """Return from which start on accounts of wettings may be others when observations from a moment on are. [ms]"""
    return _since(record, context, start_ms, end_ms, changed_ms, followed_h=SETTLE_H)


def drying_since(record: Record, context: StationContext, start_ms: int, end_ms: int, changed_ms: int) -> int:
    """Return from which start on dry-downs may be others when observations from a moment on are. [ms]"""
    return _since(record, context, start_ms, end_ms, changed_ms, followed_h=DRY_DOWN_H)


def _since(
    record: Record, context: StationContext, start_ms: int, end_ms: int, changed_ms: int, *, followed_h: float
) -> int:
    """Return the start of the first wetting that rests on the changed observations. [ms since 1970, UTC]

    A wetting is followed for some hours, until the next one at most, and the change may be what tells of that one.
    """
    if _first_seen(record, changed_ms):
        return start_ms
    for event in wettings_of(record, context, start_ms, end_ms):
        followed_ms = min(event.next_ms, event.spell.end_ms + int(followed_h * HOUR_MS))
        if followed_ms + KNOWN_MS > changed_ms:
            return max(start_ms, min(event.spell.start_ms, changed_ms - KNOWN_MS))
    return max(start_ms, changed_ms - KNOWN_MS)


def _first_seen(record: Record, changed_ms: int) -> bool:
    """Whether a channel or a layer speaks for the first time in a record: what a wetting is judged by is then another.

    A layer on thatch counts once its wetness is known.
    """
    every = [times for times, _ in (*record.channels.values(), *record.findings.values())]
    wetness = record.findings.get("thatch_wetness")
    if wetness is not None:
        every.append(wetness[0][np.isfinite(wetness[1]) | (wetness[0] >= changed_ms)])
    return any(times[0] >= changed_ms for times in every if times.size)


def wettings(record: Record, context: StationContext, start_ms: int, end_ms: int) -> Iterator[Finding]:
    """Return the findings of the wettings that begin in start <= t < end. [ms since 1970, UTC]"""
    for event in wettings_of(record, context, start_ms, end_ms):
        yield from _findings(record, context, event)


def _findings(record: Record, context: StationContext, event: DatedWetting) -> Iterator[Finding]:
    spell = event.spell
    soil = [i for i in context.moisture if context.place(i, spell.start_ms) is Place.SOIL]
    one, ids = _profile(record, context, spell, soil)
    thatch_m = context.thatch_m(spell.start_ms)
    thatch = ThatchRead(_thatch_mm(record, one.cell_ms), thatch_m, context.thatch) if thatch_m > 0.0 else None
    surface = _surface(record, context, one, event)
    found = account(spell, one, thatch=thatch, surface=surface, until_ms=event.next_ms)

    def finding(quantity: str, what: Estimate, channel: str = "") -> Finding:
        return Finding.of(quantity, spell.start_ms, spell.end_ms, what, channel)

    yield finding("wetting_given", _exactly(spell.given_mm, say("nobody wrote down how much was given")))
    unmeasured = say("no sun or air temperature is measured here")
    yield finding("wetting_evaporation", _exactly(found.evaporation_mm, unmeasured))
    if thatch is not None:
        yield finding("wetting_thatch_gain", found.thatch_peak)
        yield finding("wetting_thatch_kept", found.thatch_kept)
        yield finding("capture_share", found.capture_share)
    if not ids:
        return
    if thatch is not None:
        content = thatch.water_mm / (1000.0 * thatch_m)  # as read: the core's thickness goes out again
        yield finding("thatch_thickness_proxy", thickness_from_wetting(spell, one, content, bypass=found.bypass))
    yield finding("wetting_root_gain", found.root_gain)
    yield finding("wetting_below_gain", found.below_gain)
    yield finding("wetting_unaccounted", found.unaccounted)
    yield finding("arrival_share", found.arrival_share)
    yield finding("arrival_seen_share", found.seen_share)
    yield finding("arrival_failed_chance", found.failed_chance)
    yield finding("bypass_flow", Estimate(float(bool(found.bypass)), 0.0, 1.0, len(ids), found.bypass))
    yield finding("arrival_lag", found.lag_min[_lag_place(one.depth_m)])
    for channel, gain, lag in zip(ids, found.gain, found.lag_min, strict=True):
        yield finding("wetting_gain", gain, channel)
        yield finding("arrival_lag", lag, channel)


def _exactly(value: float, reason: str) -> Estimate:
    return Estimate(value, value, value, int(np.isfinite(value)), "" if np.isfinite(value) else reason)


def _lag_place(depth_m: FloatArray) -> int:
    deep = np.flatnonzero(depth_m >= LAG_DEPTH_M)
    return int(deep[0]) if deep.size else depth_m.size - 1


def _profile(record: Record, context: StationContext, spell: Spell, soil: list[str]) -> tuple[SoilProfile, list[str]]:
    """Soil channels about a spell, one at each depth, the first of those at one depth that was read."""
    start_ms = spell.start_ms - DAY_MS
    end_ms = spell.end_ms + int(SETTLE_H * HOUR_MS) + DAY_MS
    cells = np.arange(start_ms // CELL_MS, end_ms // CELL_MS + 1, dtype=np.int64)
    top_m = context.soil_top_m(spell.start_ms)
    by_depth: dict[float, str] = {}
    for i in soil:
        if i in record.channels:
            depth_m = context.depth_m(i, spell.start_ms) - top_m
            by_depth.setdefault(round(depth_m, 4), i)
    depths = np.array(sorted(by_depth))
    ids = [by_depth[d] for d in sorted(by_depth)]
    theta = np.full((cells.size, len(ids)), np.nan)
    every_min = 15.0
    for k, i in enumerate(ids):
        times, _ = record.channels[i]
        theta[:, k] = _on_cells(cells, record.channels[i])
        every_min = max(every_min, _every_min(times, start_ms, end_ms))
    deepest = float(depths[-1]) if depths.size else 0.0
    root_zone_m = context.ground.root_zone_m
    to_m, fine = (root_zone_m, max(deepest, root_zone_m)), context.ground.fine_share
    roots, whole = (fine * layer_weights_m(depths, bottom_m) for bottom_m in to_m)
    gauge_ms, _ = record.channels.get(context.rain_channel or "", NO_SERIES)
    gauge_min = _every_min(gauge_ms, start_ms, end_ms)
    return SoilProfile(cells * CELL_MS, depths, theta, roots, whole, every_min, gauge_min), ids


def _every_min(times: TimeArray, start_ms: int, end_ms: int) -> float:
    """Usual time between readings. [min]"""
    first, last = np.searchsorted(times, [start_ms, end_ms])
    steps = np.diff(times[first:last])
    return round(float(np.median(steps)) / MINUTE_MS) if steps.size else 15.0


def _thatch_mm(record: Record, cell_ms: TimeArray) -> FloatArray:
    return _on_cells(cell_ms // CELL_MS, record.findings.get("thatch_water", NO_SERIES))


def _on_cells(cells: TimeArray, series: Series) -> FloatArray:
    """As `layers.on_cells`, from the stretch of a long series that it needs: a value stands for four cells at most."""
    times, values = series
    first, last = np.searchsorted(times, [(cells[0] - 2 * CARRY_CELLS) * CELL_MS, (cells[-1] + 1) * CELL_MS])
    return on_cells(cells, times[first:last], values[first:last])


def _surface(record: Record, context: StationContext, profile: SoilProfile, event: DatedWetting) -> SurfaceWater:
    """Water and evaporation on the cells of a profile."""
    read = profile.cell_ms[np.isfinite(profile.theta).any(axis=1)]
    until_ms = min(event.spell.end_ms + int(SETTLE_H * HOUR_MS), event.next_ms, *read[-1:].tolist())
    return SurfaceWater(
        _water_mm(record, context, profile), _evaporation_mm(record, context, profile.cell_ms, event, until_ms)
    )


def _water_mm(record: Record, context: StationContext, profile: SoilProfile) -> FloatArray:
    """Rain and waterings of known amount in each cell, each spread evenly over the time it fell in. [mm]"""
    cells = profile.cell_ms // CELL_MS
    running = np.zeros(cells.size + 1)  # sum of changes, so that a long fall costs no more than a short one
    heard_ms, fallen = record.channels.get(context.rain_channel or "", NO_SERIES)
    near = slice(*np.searchsorted(heard_ms, [profile.cell_ms[0], profile.cell_ms[-1] + DAY_MS]))
    stretch = max(round(profile.gauge_min * MINUTE_MS / CELL_MS), 1)
    falls = [
        (after - stretch, after, mm)
        for after, mm in zip(np.rint(heard_ms[near] / CELL_MS).astype(int).tolist(), fallen[near].tolist(), strict=True)
        if mm > 0.0
    ]
    for w in context.facts.waterings:
        if w.water_mm > 0.0:
            first = w.start_ms // CELL_MS
            falls.append((first, max(round(w.end_ms / CELL_MS), first + 1), w.water_mm))
    for first, after, mm in falls:
        begin, end = np.clip([first - cells[0], after - cells[0]], 0, cells.size).tolist()
        running[begin] += mm / (after - first)
        running[end] -= mm / (after - first)
    # what the sum leaves of nothing by rounding is no water
    return np.round(np.cumsum(running)[:-1], 9) + 0.0


def _evaporation_mm(
    record: Record, context: StationContext, cell_ms: TimeArray, event: DatedWetting, until_ms: int
) -> FloatArray:
    """Reference evapotranspiration in each cell, from the sun and the air. [mm] NaN unless both were read most of the
    time from the first water to a moment; an hour without is like the mean of the rest."""
    series = [
        record.channels.get(context.weather.get(q, ""), NO_SERIES) for q in ("solar_radiation", "air_temperature")
    ]
    hours = np.arange(cell_ms[0] // HOUR_MS, cell_ms[-1] // HOUR_MS + 1, dtype=np.int64)
    sun_w_m2, air_degc = (_hourly(one, hours) for one in series)
    asked = (hours >= event.spell.start_ms // HOUR_MS) & (hours <= until_ms // HOUR_MS)
    if not np.mean(np.isfinite(sun_w_m2 * air_degc)[asked]) >= 0.75:
        return np.full(cell_ms.size, np.nan)
    hourly = makkink_mm(sun_w_m2 * 3600.0 / 1e6, air_degc, context.site.elevation_m)
    hourly = np.where(np.isfinite(hourly), hourly, np.nanmean(hourly))
    return np.asarray(hourly[cell_ms // HOUR_MS - hours[0]] / (HOUR_MS / CELL_MS), dtype=np.float64)


def _hourly(series: Series, hours: TimeArray) -> FloatArray:
    """Mean of each hour, NaN where it has none."""
    times, values = series
    mean, _ = binned_means(times // HOUR_MS - hours[0], values, hours.size)
    return mean


WETTING = Stage[FindPeriod](
    name="wetting",
    grain=Grain.PERIOD,
    run=wettings,
    findings=WETTING_QUANTITIES,
    channel_findings=DEPTH_QUANTITIES,
    observes=("water_content", "rain", "solar_radiation", "air_temperature"),
    reads=("thatch_water",),
    length_ms=7 * DAY_MS,
    lead_in_ms=BEFORE_MS,
    look_ahead_ms=SETTLED_MS,
    of_ground=True,
    since=settling_since,
)


DRYING_QUANTITIES = ("flash_off", "hold_time", "root_zone_recession", "thatch_recession")
DRIED_MS = LONGEST_SPELL_MS + int(DRY_DOWN_H * HOUR_MS) + KNOWN_MS
"""The spell, four weeks after it, and the spell that ends it."""
WETNESS_NOISE = 0.02  # of a good probe in wetness: common practice, no source
NOISE_M3_M3 = 0.003  # of a good probe from reading to reading: common practice, no source


def dry_downs(record: Record, context: StationContext, start_ms: int, end_ms: int) -> Iterator[Finding]:
    """Return the findings of the dry-downs after wettings that begin in start <= t < end. [ms since 1970, UTC]"""
    for event in wettings_of(record, context, start_ms, end_ms):
        for quantity, found in _dry_down_findings(record, context, event):
            yield Finding.of(quantity, event.spell.start_ms, event.spell.end_ms, found)


def _dry_down_findings(record: Record, context: StationContext, event: DatedWetting) -> Iterator[tuple[str, Estimate]]:
    end_ms, next_ms = event.spell.end_ms, event.next_ms
    thatch_m = context.thatch_m(event.spell.start_ms)
    # where the thatch is not sensed the top layer stands for what lies under the foot
    on_thatch = thatch_m > 0.0 and bool(np.isfinite(record.findings.get("thatch_wetness", NO_SERIES)[1]).any())
    layer = "thatch" if on_thatch else "top_layer"
    if f"{layer}_wetness" in record.findings:
        times, wetness = record.findings[f"{layer}_wetness"]
        error = wetness_error(context, Place.THATCH if on_thatch else Place.SOIL, event.spell.start_ms)
        yield "hold_time", hold_time_h(times, wetness, end_ms, until_ms=next_ms, error=error)
        times, water_mm = record.findings.get(f"{layer}_water", NO_SERIES)
        yield "flash_off", flash_off(times, water_mm, end_ms, until_ms=next_ms)
    if on_thatch:
        noise_mm = 1000.0 * NOISE_M3_M3 * thatch_m
        yield "thatch_recession", _recession(record, context, event, Place.THATCH, noise_mm, THATCH_TAU_H)
    if "root_zone_water" in record.findings:
        noise_mm = 1000.0 * NOISE_M3_M3 * context.ground.root_zone_m
        yield "root_zone_recession", _recession(record, context, event, Place.SOIL, noise_mm, ROOT_ZONE_TAU_H)


def wetness_error(context: StationContext, where: Place, at_ms: int, wetness: float = HELD) -> float:
    """Return the standard deviation of a wetness for the probe's sake; by default where hold time is told. [1]

    Limits that the channel has shown, or somebody measured with it, share its calibration's slope, and that goes out of
    wetness; those of the medium do not.
    """
    own = (context.ground.soil_dry, context.ground.soil_drained)
    if where is Place.THATCH:
        own = (context.ground.thatch_dry, context.ground.thatch_drained)
    ids = [i for i in context.moisture if context.place(i, at_ms) is where]
    ids = ids if where is Place.THATCH else ids[:1]
    if None not in own or (ids and all(context.learned_at(i, at_ms) is not None for i in ids)):
        return WETNESS_NOISE
    dry, drained, *_ = limits_of(context, where, ids[0] if ids else "", at_ms)
    return float(np.hypot(WETNESS_NOISE, Errors().slope * (dry + wetness * (drained - dry)) / (drained - dry)))


def _recession(
    record: Record, context: StationContext, event: DatedWetting, where: Place, noise_mm: float, longest_h: float
) -> Estimate:
    """Time constant after the first day, towards what the layer holds at the dry limit of its channels."""
    times, water_mm = record.findings.get(f"{'thatch' if where is Place.THATCH else 'root_zone'}_water", NO_SERIES)
    begin_ms = event.spell.end_ms + int(FLASH_OFF_H * HOUR_MS)
    stop_ms = min(event.next_ms, event.spell.end_ms + int(DRY_DOWN_H * HOUR_MS))
    if stop_ms - begin_ms < DAY_MS:
        return withheld(say("water came again within two days"))
    floor = dry_water_mm(context, where, event.spell.start_ms)
    if floor is None:
        return withheld(say("no probe reads the layer"))
    first, last = np.searchsorted(times, [begin_ms, stop_ms])
    hours = (times[first:last] - begin_ms) / HOUR_MS
    found = recession(hours, water_mm[first:last], noise=noise_mm, floor=floor, longest_h=longest_h).tau_h
    return found if np.isfinite(found.high) else replace(found, high=float("nan"))


DRYING = Stage[FindPeriod](
    name="drying",
    grain=Grain.PERIOD,
    run=dry_downs,
    findings=DRYING_QUANTITIES,
    observes=("water_content", "rain"),
    reads=(*("root_zone_water", "thatch_water", "thatch_wetness", "top_layer_water", "top_layer_wetness"),),
    length_ms=7 * DAY_MS,
    lead_in_ms=BEFORE_MS,
    look_ahead_ms=DRIED_MS,
    of_ground=True,
    since=drying_since,
)
