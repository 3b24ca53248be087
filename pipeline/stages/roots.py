"""Findings of each fortnight: how deep the roots drank, and how much of it they may have drawn from the thatch.

The sums are those of `soil.uptake` and `soil.roots`; here readings are put on an even grid, wet days are marked, and
what cannot be told is withheld with its reason. While a fortnight runs its finding rests on the days so far.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.diary.station import StationContext
from pipeline.soil import roots
from pipeline.soil.radiation import sunrise_sunset_ms
from pipeline.soil.roots import RootDepth
from pipeline.soil.uptake import daily_uptake, steps_beside
from pipeline.stages.climate import NO_PLACE, reference_et
from pipeline.stages.stage import (
    FORTNIGHT_MS,
    NO_SERIES,
    Finding,
    FindPeriod,
    Grain,
    Record,
    Stage,
    on_grid,
    over_short_gaps,
    solar_offset_ms,
)
from pipeline.texts import later, say
from pipeline.units import DAY_MS, HOUR_MS, FloatArray, date_of_day

CORE_REACH_MS = 28 * DAY_MS  # a core may tie an estimate no further off in time: our own choice


RATIOS = (0.5, 3.0)  # a core and an estimate further apart do not speak of the same roots: our own choice


ROOT_QUANTITIES = ("root_depth_90", "root_depth_95", "thatch_uptake_share")
ROOTS_AT_LEAST = later(
    "at least the lower end: roots drink about the deepest probe, and how far below it cannot be told"
)
BOUNDS_ONLY = later("bounds only: what the thatch loses by day may be air or roots")
UNSTEADY = later("no probe in the thatch is steady enough to tell")
STEPS_MS = (HOUR_MS // 4, HOUR_MS // 2, HOUR_MS)
FILLED_MS = 2 * HOUR_MS  # a gap that a straight line may fill: our own choice
THERMOMETER_REACH_M = 0.025  # a thermometer so far off may stand for a moisture channel: our own choice
WATERED_MM = 99.0  # a watering of unknown amount makes its days wet


def _find(record: Record, context: StationContext, start_ms: int, end_ms: int) -> Iterator[Finding]:
    ids = [i for i in context.moisture if i in record.channels]
    if not any(((t >= start_ms) & (t < end_ms)).any() for t, _ in (record.channels[i] for i in ids)):
        return
    found, thatch_m = fortnight(record, context, start_ms, end_ms), context.thatch_m(start_ms + FORTNIGHT_MS // 2)
    if isinstance(found, str):
        found = roots.nothing_found(0, 0, found)
    reason = found.reason or (say(ROOTS_AT_LEAST) if found.at_least else "")

    def finding(quantity: str, value: float, low: float, high: float, reason: str) -> Finding:
        high = high if np.isfinite(high) else np.nan
        return Finding(quantity, start_ms, end_ms, value, low, high, found.days, reason)

    yield finding("root_depth_90", found.d90_m, found.d90_low_m, found.d90_high_m, reason)
    yield finding("root_depth_95", found.d95_m, found.d95_low_m, found.d95_high_m, reason)
    if thatch_m > 0.0:
        high = found.thatch_share_high
        untold = BOUNDS_ONLY if np.isfinite(high) else UNSTEADY
        why = found.reason or say(untold)
        yield finding("thatch_uptake_share", np.nan, 0.0 if np.isfinite(high) else np.nan, high, why)


def fortnight(record: Record, context: StationContext, start_ms: int, end_ms: int) -> RootDepth | str:
    """Return the rooting depth over a span of whole days by the sun, or why the sum cannot be begun.

    Parameters
    ----------
    record : Record
        From the lead-in of `ROOTS` before to its look-ahead after it.
    context : StationContext
    start_ms, end_ms : int
        Midnights by the sun. [ms since 1970, UTC]
    """
    place = context.site.location
    if place is None:
        return say(NO_PLACE)
    at_ms = (start_ms + end_ms) // 2
    step_ms = _step_ms(record, context)
    if step_ms is None:
        return say("the probes are read less than once an hour: day and night cannot be told apart")
    count = (end_ms + ROOTS.look_ahead_ms - start_ms + ROOTS.lead_in_ms) // step_ms
    grid = (start_ms - ROOTS.lead_in_ms, step_ms, count)
    depths, moisture = _moisture(record, context, at_ms, grid)
    days = (end_ms - start_ms) // DAY_MS
    first = date_of_day((start_ms + solar_offset_ms(context)) // DAY_MS - 1)
    rise, fall = sunrise_sunset_ms(place.latitude_deg, place.longitude_deg, first, days + 1)
    times = grid[0] + step_ms * np.arange(count)
    found = daily_uptake(times, moisture, rise, fall, water_mm=_water(record, context, grid))
    asked = np.array([_demand_mm(record, context, start_ms + day * DAY_MS) for day in range(days)])
    demand = np.concatenate([[np.nan], asked]) if np.isfinite(asked).any() else None
    degc = _warmth(record, context, at_ms, depths, grid)
    return roots.root_depth(
        found,
        depths,
        thatch_m=context.soil_top_m(at_ms),
        demand_mm=demand,
        temperature=roots.temperature_share(moisture, degc, DAY_MS // step_ms),
        warming_degc=steps_beside(found, times, degc),
    )


def _demand_mm(record: Record, context: StationContext, start_ms: int) -> float:
    """Reference evapotranspiration of the day that begins at a time: as found before, else from the weather. [mm]"""
    times, values = record.findings.get("reference_et", NO_SERIES)
    at = int(np.searchsorted(times, start_ms))
    if at < times.size and times[at] == start_ms:
        return float(values[at])
    return reference_et(record, context, start_ms).water_mm


def _step_ms(record: Record, context: StationContext) -> int | None:
    """The grid that suits how often the probes are read; None when an hour is too fine."""
    spacings = [
        float(np.median(np.diff(record.channels[i][0])))
        for i in context.moisture
        if i in record.channels and record.channels[i][0].size > 1
    ]
    widest = max(spacings, default=np.inf)
    return next((step for step in STEPS_MS if widest <= 1.5 * step), None)


def _moisture(
    record: Record, context: StationContext, at_ms: int, grid: tuple[int, int, int]
) -> tuple[FloatArray, FloatArray]:
    """Depths, increasing [m], and water content on the grid; channels at one depth are averaged. [m3 m-3]"""
    by_depth: dict[float, list[FloatArray]] = {}
    for i in context.moisture:
        if i in record.channels:
            column = over_short_gaps(on_grid(record.channels[i], *grid), FILLED_MS // grid[1])
            by_depth.setdefault(round(context.depth_m(i, at_ms), 4), []).append(column)
    depths = sorted(by_depth)
    return np.array(depths), np.stack([np.mean(by_depth[depth], axis=0) for depth in depths], axis=1)


def _warmth(
    record: Record, context: StationContext, at_ms: int, depths: FloatArray, grid: tuple[int, int, int]
) -> FloatArray:
    """Temperature beside each moisture channel. [degC] NaN where no thermometer is near."""
    near = [(context.depth_m(i, at_ms), i) for i in context.temperatures if i in record.channels]
    columns = []
    for depth in depths:
        gap, i = min(((abs(d - depth), i) for d, i in near), default=(np.inf, ""))
        columns.append(on_grid(record.channels[i] if gap <= THERMOMETER_REACH_M else None, *grid))
    return np.stack(columns, axis=1)


def _water(record: Record, context: StationContext, grid: tuple[int, int, int]) -> FloatArray | None:
    """Rain and waterings of each step; None where nobody measures rain and nobody wrote one down. [mm]

    Rain of a missing reading is told by the next; where that is more than two hours off nobody knows, and it is NaN.
    """
    start_ms, step_ms, count = grid
    times = start_ms + step_ms * np.arange(count)
    if context.rain_channel is None and not context.facts.waterings:
        return None
    water = np.zeros(count)
    if context.rain_channel is not None:
        heard_ms, fallen = record.channels.get(context.rain_channel, NO_SERIES)
        if heard_ms.size == 0:
            return np.full(count, np.nan)
        following = heard_ms[np.minimum(np.searchsorted(heard_ms, times), heard_ms.size - 1)]
        water[np.abs(following - times) > FILLED_MS] = np.nan
        place = np.searchsorted(times, heard_ms)
        inside = place < count
        np.add.at(water, place[inside], fallen[inside])
    for given in context.facts.waterings:
        water[(times + step_ms >= given.start_ms) & (times <= given.end_ms)] = WATERED_MM
    return water


ROOTS = Stage[FindPeriod](
    name="roots",
    grain=Grain.PERIOD,
    run=_find,
    findings=ROOT_QUANTITIES,
    observes=("water_content", "soil_temperature", "rain"),
    reads=("reference_et",),
    length_ms=FORTNIGHT_MS,
    lead_in_ms=36 * HOUR_MS,  # the evening before the first day, and twelve hours without rain before that
    look_ahead_ms=3 * HOUR_MS,  # a sunset near midnight, and the smoothing about it
    of_ground=True,
)
