"""Findings of each fortnight about channels of moisture that are not to be believed as a whole.

One that stands still, one of which more than a fifth of the readings failed, and depths that look swapped. Nothing is
found where nothing is wrong. What a single reading can show is flagged by `quality`; the sums are in
`pipeline.soil.probe_faults`.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.diary.station import StationContext
from pipeline.soil import probe_faults
from pipeline.soil.calibration import range_ends
from pipeline.soil.layers import Place
from pipeline.soil.moving import beside
from pipeline.stages.calibrate import thermometer_of
from pipeline.stages.roots import THERMOMETER_REACH_M
from pipeline.stages.stage import FORTNIGHT_MS, NO_SERIES, Finding, FindPeriod, Grain, Record, Stage, on_grid
from pipeline.texts import later, say
from pipeline.units import DAY_MS, HOUR_MS, BoolArray, FloatArray, TimeArray

FAILED_SHARE = 0.2  # of a fortnight's readings, above which a channel is doubtful as a whole: our own choice
FAILED_LEAST = 24  # readings, of which a share can be told


def _still(record: Record, context: StationContext, start_ms: int, end_ms: int) -> Iterator[Finding]:
    for channel in context.moisture:
        times, values = record.channels.get(channel, NO_SERIES)
        if not times.size or times[-1] < start_ms:
            continue
        curve = context.channels[channel].calibration
        ends = range_ends(curve.curve, curve.parameters)
        found = probe_faults.stood_still(times, values, start_ms, ends=ends)
        if found is not None and not _is_away(context, channel, np.array([found.start_ms]))[0]:
            told = later("one number from reading to reading; never before for more than {hours:.0f} h")
            why = say(told, hours=found.own_h)
            yield _told("stood_still", start_ms, found.hours, channel, why)


def _told(quantity: str, start_ms: int, value: float, channel: str, reason: str, n: int = 1) -> Finding:
    return Finding(quantity, start_ms, start_ms + FORTNIGHT_MS, value, np.nan, np.nan, n, reason, channel)


def _is_away(context: StationContext, channel: str, time_ms: TimeArray) -> BoolArray:
    """Whether the probe of a channel was out of the ground, or had just been put back, at each time."""
    away, probe = np.zeros(time_ms.shape, dtype=np.bool_), channel.rsplit("/", 1)[0]
    for one in context.facts.lifted:
        if one.probe == probe:
            away |= (time_ms >= one.out_ms) & (time_ms < one.settled_ms(context.settle_ms))
    return away


def _fortnight(record: Record, context: StationContext, start_ms: int, end_ms: int) -> Iterator[Finding]:
    ids = [i for i in context.moisture if i in record.channels]
    if not ids:
        return
    for channel in ids:
        yield from _failed(record, context, channel, start_ms)
    depths = [context.depth_m(i, start_ms) for i in ids]
    hours = FORTNIGHT_MS // HOUR_MS
    warm = [i for i in context.temperatures if i in record.channels]
    if len(warm) > 1:
        degc = np.stack([on_grid(record.channels[i], start_ms + HOUR_MS // 2, HOUR_MS, hours) for i in warm], axis=1)
        pair = probe_faults.out_of_order(_by_depth(probe_faults.daily_range(degc), warm, context, start_ms))
        if pair is not None:
            at_m = sorted({context.depth_m(i, start_ms) for i in warm})
            yield from _swapped(dict(zip(ids, depths, strict=True)), at_m[pair[0]], at_m[pair[1]], start_ms)
    soil = sorted(
        (i for i in ids if context.place(i, start_ms) is Place.SOIL), key=lambda i: context.depth_m(i, start_ms)
    )
    if len(soil) >= probe_faults.CHANGE_DEPTHS:
        grid = [on_grid(record.channels[i], start_ms + HOUR_MS // 2, HOUR_MS, hours) for i in soil]
        slope, upper, lower = probe_faults.change_order(np.stack(grid, axis=1))
        if slope > probe_faults.CHANGE_SLOPE:
            for channel, other in ((soil[upper], soil[lower]), (soil[lower], soil[upper])):
                told = later("a suspicion only: moisture changes more with depth, most between here and {depth:.0f} mm")
                why = say(told, depth=1000.0 * context.depth_m(other, start_ms))
                yield _told("changes_out_of_order", start_ms, slope, channel, why)


def _by_depth(range_k: FloatArray, warm: list[str], context: StationContext, at_ms: int) -> FloatArray:
    """The largest range at each depth, from the top. [K]"""
    at_m = np.array([context.depth_m(i, at_ms) for i in warm])
    return np.array([np.nan if np.isnan(range_k[at_m == m]).all() else np.nanmax(range_k[at_m == m])
                     for m in np.unique(at_m)])  # fmt: skip


def _swapped(depths_m: dict[str, float], upper_m: float, lower_m: float, start_ms: int) -> Iterator[Finding]:
    """The moisture channels that stand by two thermometers in the wrong order."""
    for own_m, other_m in ((upper_m, lower_m), (lower_m, upper_m)):
        near = min(depths_m, key=lambda i: abs(depths_m[i] - own_m))
        if abs(depths_m[near] - own_m) <= THERMOMETER_REACH_M:
            told = later("the day warms {lower:.0f} mm more than {upper:.0f} mm: depths look swapped")
            why = say(told, lower=1000.0 * lower_m, upper=1000.0 * upper_m)
            yield _told("warmth_out_of_order", start_ms, other_m, near, why)


def _failed(record: Record, context: StationContext, channel: str, start_ms: int) -> Iterator[Finding]:
    """The share of a channel's readings that are not believed, where it is large and the ground was not frozen."""
    times, values = record.channels[channel]
    asked = ~_is_away(context, channel, times) & ~_is_frozen(record, context, channel, times)
    count = int(asked.sum())
    if count < FAILED_LEAST:
        return
    share = float(np.isnan(values[asked]).mean())
    if share > FAILED_SHARE:
        yield _told("failed_readings", start_ms, share, channel, say("the rest is not to be trusted either"), count)


def _is_frozen(record: Record, context: StationContext, channel: str, time_ms: TimeArray) -> BoolArray:
    other = thermometer_of(context, channel, record.channels, reach_m=context.quality.frost_reach_m)
    if other is None:
        return np.zeros(time_ms.shape, dtype=np.bool_)
    degc = beside(time_ms, *record.channels[other])
    return np.asarray(degc <= context.quality.frost_degc, dtype=np.bool_)


STANDSTILL = Stage[FindPeriod](
    name="standstill",
    grain=Grain.PERIOD,
    run=_still,
    channel_findings=("stood_still",),
    observes=("water_content",),
    length_ms=FORTNIGHT_MS,
    lead_in_ms=28 * DAY_MS,
)
CHANNEL_CHECKS = Stage[FindPeriod](
    name="channel checks",
    grain=Grain.PERIOD,
    run=_fortnight,
    channel_findings=("changes_out_of_order", "failed_readings", "warmth_out_of_order"),
    observes=("soil_temperature", "water_content"),
    length_ms=FORTNIGHT_MS,
)
PROBE_FAULT_QUANTITIES = (*STANDSTILL.channel_findings, *CHANNEL_CHECKS.channel_findings)
