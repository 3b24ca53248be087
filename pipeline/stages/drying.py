"""Findings of dry-downs: how long the ground held the water of each wetting, and how fast it let go of it.

A finding stands at the first water of the wetting it follows, beside the findings of `stages.wetting`. It looks a week
past the last water, or to the next, whichever comes first. Nothing here fits or counts: `pipeline.soil.drying` does.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.periods import DAY_MS, Finding, PeriodStage, Record
from pipeline.soil.drying import FLASH_OFF_H, HELD, LONGEST_H, flash_off, hold_time_h, recession
from pipeline.soil.estimate import Estimate, withheld
from pipeline.soil.layers import Place
from pipeline.soil.moving import HOUR_MS
from pipeline.soil.wetting import LONGEST_SPELL_MS
from pipeline.stages.layers import limits_of
from pipeline.stages.wetting import LEAD_IN_MS, NOTHING, Event, wettings_of
from pipeline.station import StationContext

DRYING_QUANTITIES = ("flash_off", "hold_time", "root_zone_recession", "thatch_recession")
LOOK_AHEAD_MS = 2 * LONGEST_SPELL_MS + int(LONGEST_H * HOUR_MS) + DAY_MS
"""The spell, a week after it, the spell that ends it, and a day for where that one is cut."""
WETNESS_NOISE = 0.02  # of a good probe in wetness: common practice, no source
SLOPE = 0.06  # of a calibration whose slope lies anywhere within a tenth: 0.1 / sqrt(3); working value, no source
NOISE_M3_M3 = 0.003  # of a good probe from reading to reading: common practice, no source


def dry_downs(record: Record, context: StationContext, start_ms: int, end_ms: int) -> Iterator[Finding]:
    """Findings of the dry-downs after wettings that begin in start <= t < end."""
    for event in wettings_of(record, context, start_ms, end_ms):
        for quantity, found in _findings(record, context, event):
            numbers = (found.value, found.low, found.high, found.n)
            yield Finding(quantity, event.spell.start_ms, event.spell.end_ms, *numbers, found.reason)


def _findings(record: Record, context: StationContext, event: Event) -> Iterator[tuple[str, Estimate]]:
    end_ms, next_ms = event.spell.end_ms, event.next_ms
    thatch_m = context.thatch_m(event.spell.start_ms)
    # where the thatch is not sensed the top layer stands for what lies under the foot
    on_thatch = thatch_m > 0.0 and bool(np.isfinite(record.findings.get("thatch_wetness", NOTHING)[1]).any())
    layer = "thatch" if on_thatch else "top_layer"
    if f"{layer}_wetness" in record.findings:
        times, wetness = record.findings[f"{layer}_wetness"]
        error = _wetness_error(context, Place.THATCH if on_thatch else Place.SOIL, event.spell.start_ms)
        yield "hold_time", hold_time_h(times, wetness, end_ms, until_ms=next_ms, error=error)
        times, water_mm = record.findings.get(f"{layer}_water", NOTHING)
        yield "flash_off", flash_off(times, water_mm, end_ms, until_ms=next_ms)
    if on_thatch:
        yield "thatch_recession", _recession(record, "thatch_water", event, 1000.0 * NOISE_M3_M3 * thatch_m)
    if "root_zone_water" in record.findings:
        noise_mm = 1000.0 * NOISE_M3_M3 * context.root_zone_m
        yield "root_zone_recession", _recession(record, "root_zone_water", event, noise_mm)


def _wetness_error(context: StationContext, where: Place, at_ms: int) -> float:
    """Standard deviation of wetness where it is held against the bound. [1]

    Limits that the channel has shown, or somebody measured with it, share its calibration's slope, and that goes out of
    wetness; those of the medium do not.
    """
    own = (context.soil_dry, context.soil_drained)
    if where is Place.THATCH:
        own = (context.thatch_dry, context.thatch_drained)
    ids = [i for i in context.moisture if context.place(i, at_ms) is where]
    ids = ids if where is Place.THATCH else ids[:1]
    if None not in own or (ids and all(context.learned_at(i, at_ms) is not None for i in ids)):
        return WETNESS_NOISE
    dry, drained, *_ = limits_of(context, where, ids[0] if ids else "", at_ms)
    return float(np.hypot(WETNESS_NOISE, SLOPE * (dry + HELD * (drained - dry)) / (drained - dry)))


def _recession(record: Record, quantity: str, event: Event, noise_mm: float) -> Estimate:
    """Time constant after the first day."""
    times, water_mm = record.findings.get(quantity, NOTHING)
    begin_ms = event.spell.end_ms + int(FLASH_OFF_H * HOUR_MS)
    stop_ms = min(event.next_ms, event.spell.end_ms + int(LONGEST_H * HOUR_MS))
    if stop_ms - begin_ms < DAY_MS:
        return withheld("water came again within two days")
    first, last = np.searchsorted(times, [begin_ms, stop_ms])
    hours = (times[first:last] - begin_ms) / HOUR_MS
    return recession(hours, water_mm[first:last], noise=noise_mm).tau_h


DRYING = PeriodStage(
    name="drying",
    quantities=DRYING_QUANTITIES,
    length_ms=7 * DAY_MS,
    lead_in_ms=LEAD_IN_MS,
    look_ahead_ms=LOOK_AHEAD_MS,
    find=dry_downs,
    rests_on=(*("root_zone_water", "thatch_water", "thatch_wetness", "top_layer_water", "top_layer_wetness"),),
    of_ground=True,
)
