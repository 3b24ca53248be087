"""The second stage: how far each observation may be believed, by the tests of `pipeline.soil.quality`.

Flags are worked out anew from values and statuses, not from the flags before, so that the stage may run twice. It
changes no value. Values that fail or are suspect stay in the record; it is the next stage that does without them.
A plateau at saturation is not flagged: it is what thatch that holds water looks like. Nor is a time that is not
confirmed: it says when, not how wet. But what arrived before the time it is dated by is suspect: nobody knows when
it was. Suspect, too, is what came without check characters on a line of which more than one answer in fifty is damaged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from hardware.quantities import QUANTITIES
from pipeline.diary.station import StationContext
from pipeline.soil import quality as tests
from pipeline.soil.layers import Place
from pipeline.soil.moving import beside, rain_before, rolling_max, rolling_min
from pipeline.soil.quality import FlagArray
from pipeline.stages.calibrate import RAIN_GAP_MS, first_flags, thermometer_of
from pipeline.stages.stage import ChannelSeries, Grain, Observe, Observed, Stage
from pipeline.units import DAY_MS, HOUR_MS, TIME_SLACK_MS, BoolArray, Flag, FloatArray, TimeArray, is_believed

# Nothing in nature reads just the end of its range, but for these: a sensor that does stands at its stop.
NATURAL_LOWEST = frozenset(
    (
        "apparent_permittivity",
        "bulk_ec",
        "rain",
        "rain_total",
        "wind_speed",
        "solar_radiation",
        "cone_depth",
        "cone_force",
    )
)
DIP_BEFORE_MS, DIP_AFTER_MS = 12 * HOUR_MS, 7 * HOUR_MS  # a dip goes down within, and is over after, so long: ours
NATURAL_HIGHEST = frozenset(("relative_humidity",))


def quality(observed: Observed, context: StationContext) -> Observed:
    """Return observed values with their flags; those of a channel that is not in the context stay not evaluated."""
    series: dict[str, ChannelSeries] = {}
    for channel_id, one in observed.items():
        channel = context.channels.get(channel_id)
        if channel is not None:
            flag = _moved(context, channel_id, one.time_ms, first_flags(observed, context, channel_id))
            value = np.where(_is_ahead(one), np.nan, one.value)
            series[channel_id] = replace(one, value=value, flag=flag)
    places = {i: _places(context, i, series[i].time_ms) for i in context.moisture if i in series}
    for channel_id, one in series.items():
        series[channel_id] = _range(context, channel_id, one, places)
    for channel_id in context.temperatures:
        if channel_id in series:
            series[channel_id] = _temperature(context, channel_id, series[channel_id])
    for channel_id in series:
        series[channel_id] = _change(context, channel_id, series[channel_id])
    rain = _Rain(series.get(context.rain_channel) if context.rain_channel is not None else None)
    for channel_id in places:
        series[channel_id] = _moisture(context, channel_id, series, places[channel_id], rain)
    # neighbours are looked at once all channels have had their own tests
    among = {i: _among_neighbours(context, i, series, where, rain) for i, where in places.items()}
    flagged = {}
    for channel_id, one in observed.items():
        known = channel_id in series
        flag = among.get(channel_id, series[channel_id].flag) if known else first_flags(observed, context, channel_id)
        flagged[channel_id] = replace(
            one, flag=np.where((_is_ahead(one) | one.noisy) & is_believed(flag), np.uint8(Flag.SUSPECT), flag)
        )
    return flagged


def _is_ahead(one: ChannelSeries) -> BoolArray:
    """Whether each reading is dated after its arrival, by more than clocks differ."""
    return np.asarray(one.time_ms > one.received_ms + TIME_SLACK_MS, dtype=np.bool_)


def _moved(context: StationContext, channel_id: str, time_ms: TimeArray, flag: FlagArray) -> FlagArray:
    """Flags of a channel with what its probe said out of the ground failed, and while the ground settles suspect.

    Warmth comes back within hours; it is the water about a hole that takes weeks.
    """
    channel, probe = context.channels[channel_id], channel_id.rsplit("/", 1)[0]
    if channel.depth_m is None:
        return flag
    told = flag.copy()
    for one in context.facts.lifted:
        if one.probe == probe:
            out = (time_ms >= one.out_ms) & (time_ms < one.back_ms)
            settles = (time_ms >= one.back_ms) & (time_ms < one.settled_ms(context.settle_ms))
            heard = told != Flag.MISSING
            told[out & heard] = Flag.FAIL
            if channel.quantity in ("water_content", "bulk_ec"):
                told[settles & is_believed(told)] = Flag.SUSPECT
    return told


def _range(
    context: StationContext, channel_id: str, one: ChannelSeries, places: Mapping[str, PlaceArray]
) -> ChannelSeries:
    """What the quantity, and the layer, can be."""
    channel = context.channels[channel_id]
    limits = QUANTITIES[channel.quantity]
    bounds = context.quality
    if channel.quantity == "water_content" and channel.depth_m is not None:
        full = _by_place(places[channel_id], thatch=context.thatch.fullest, soil=context.soil_at(channel_id).fullest)
        found = tests.gross_range(
            one.value, fail_low=limits.lowest, fail_high=full + bounds.full_margin, suspect_high=full
        )
    elif channel.quantity == "soil_temperature":
        low, high = bounds.temperature_likely_degc
        found = tests.gross_range(
            one.value, fail_low=limits.lowest, fail_high=limits.highest, suspect_low=low, suspect_high=high
        )
    else:
        found = tests.gross_range(one.value, fail_low=limits.lowest, fail_high=limits.highest)
    heard = QUANTITIES[channel.heard]
    at_stop = (one.raw == heard.lowest) & (channel.heard not in NATURAL_LOWEST)
    at_stop |= (one.raw == heard.highest) & (channel.heard not in NATURAL_HIGHEST)
    return _also(one, tests.worst(found, np.where(at_stop, Flag.SUSPECT, Flag.GOOD).astype(np.uint8)))


def _also(one: ChannelSeries, found: FlagArray) -> ChannelSeries:
    """A series with the outcome of one more test; where there was no value the flag stays as it was."""
    return replace(one, flag=np.where(np.isnan(one.value), one.flag, tests.worst(one.flag, found)))


_PLACES = (Place.THATCH, Place.SOIL, Place.MIXED)
_IN_SOIL = _PLACES.index(Place.SOIL)
PlaceArray = npt.NDArray[np.uint8]
"""What a channel lies in at each time, as an index of `_PLACES`."""


def _places(context: StationContext, channel_id: str, time_ms: TimeArray) -> PlaceArray:
    part = np.searchsorted(context.changes_ms(), time_ms, side="right")
    begins = np.flatnonzero(np.diff(part, prepend=-1))
    codes = [_PLACES.index(context.place(channel_id, at_ms)) for at_ms in time_ms[begins].tolist()]
    return np.repeat(np.array(codes, dtype=np.uint8), np.diff(begins, append=time_ms.size))


def _by_place(places: PlaceArray, *, thatch: float, soil: float) -> FloatArray:
    """A limit of thatch, of soil, or the larger of both where a channel is mixed, at each time."""
    return np.array([thatch, soil, max(thatch, soil)])[places]


def _temperature(context: StationContext, channel_id: str, one: ChannelSeries) -> ChannelSeries:
    bounds = context.quality
    depth = context.channels[channel_id].depth_m
    shallow = depth is not None and depth <= bounds.temperature_flat_deepest_m
    value = one.believed()
    spikes = tests.spike(one.time_ms, value, height=bounds.temperature_spike_degc)
    steps = tests.step(
        one.time_ms, value,
        rise=bounds.temperature_step_degc, fall=bounds.temperature_step_degc, ignore=spikes == Flag.SUSPECT,
    )  # fmt: skip
    flat = tests.flat_line(
        one.time_ms, value,
        window_ms=int(bounds.temperature_flat_h * HOUR_MS), tolerance=bounds.temperature_flat_tolerance_degc,
        # ground that is freezing or thawing stands still at zero for days
        should_move=(np.abs(value) > 1.0) & shallow,
    )  # fmt: skip
    return _also(one, _without_missing(value, spikes, steps, flat))


def _change(context: StationContext, channel_id: str, one: ChannelSeries) -> ChannelSeries:
    """How fast air, light, rain and salt can change; water and soil temperature have tests of their own.

    A cone's force changes at once where it meets a stone, and a supply when a load is switched.
    """
    bounds, quantity, value = context.quality, context.channels[channel_id].quantity, one.believed()
    if quantity == "rain":
        return _also(one, _without_missing(value, tests.intensity(one.time_ms, value, most_mm_h=bounds.rain_most_mm_h)))
    most = {
        "air_temperature": bounds.air_temperature_step_degc,
        "surface_temperature": bounds.surface_temperature_step_degc,
        "relative_humidity": bounds.humidity_step_percent,
        "wind_speed": bounds.wind_step_m_s,
        "solar_radiation": bounds.solar_step_w_m2,
        "bulk_ec": bounds.ec_step_ds_m,
    }.get(quantity)
    if most is None:
        return one
    return _also(one, _without_missing(value, tests.step(one.time_ms, value, rise=most, fall=most)))


def _without_missing(value: FloatArray, *flags: FlagArray) -> FlagArray:
    """The worst of several flags, good where the tests had no value to look at."""
    return np.where(np.isnan(value), np.uint8(Flag.GOOD), tests.worst(*flags))


def _moisture(
    context: StationContext,
    channel_id: str,
    series: Mapping[str, ChannelSeries],
    places: PlaceArray,
    rain: _Rain,
) -> ChannelSeries:
    bounds, one = context.quality, series[channel_id]
    value = one.believed()
    in_soil = places == _IN_SOIL
    about = _water_about(context, one.time_ms, rain)
    spikes = tests.spike(
        one.time_ms, value, height=bounds.moisture_spike, max_gap_ms=tests.SELDOM_GAP_MS, water_about=about
    )
    ignore = spikes == Flag.SUSPECT
    soil_steps = tests.step(
        one.time_ms, value, rise=bounds.soil_rise, fall=bounds.soil_fall, water_about=about, ignore=ignore
    )
    thatch_steps = tests.step(one.time_ms, value, fall=bounds.thatch_fall, ignore=ignore)
    steps = np.where(in_soil, soil_steps, thatch_steps)
    if _is_seldom(one.time_ms).any():
        # of hours ground that has just had water may lose or take up as much: only without any for a day
        rained_day = ~(rain.before(one.time_ms, DAY_MS) < bounds.water_about_mm)
        wet = rained_day | _watered(context, one.time_ms, DAY_MS)
        apart = tests.step(
            one.time_ms, value, rise=bounds.soil_rise, fall=bounds.soil_fall, max_gap_ms=tests.SELDOM_GAP_MS,
            water_about=wet, ignore=ignore | wet,
        )  # fmt: skip
        steps = tests.worst(steps, np.where(in_soil & ~wet, apart, np.uint8(Flag.GOOD)))
    could_rise = value < _by_place(
        places, thatch=context.thatch.saturated[0], soil=context.soil_at(channel_id).saturated[0]
    )
    depth = context.channels[channel_id].depth_m
    shallow = depth is not None and depth <= bounds.flat_deepest_m
    rained = rain.before(one.time_ms, int(bounds.flat_h * HOUR_MS)) >= bounds.flat_rain_mm
    flat = tests.flat_line(
        one.time_ms, value,
        window_ms=int(bounds.flat_h * HOUR_MS), tolerance=bounds.flat_tolerance,
        should_move=rained & could_rise & shallow,
    )  # fmt: skip
    frozen = tests.frost(
        value, _temperature_beside(context, channel_id, one.time_ms, series), threshold_degc=bounds.frost_degc
    )
    judged = _also(one, _without_missing(value, spikes, steps, flat, frozen))
    unseen = (tests.alone_in_time(one.time_ms, value) == Flag.NOT_EVALUATED) & (judged.flag == Flag.GOOD)
    return replace(judged, flag=np.where(unseen, np.uint8(Flag.NOT_EVALUATED), judged.flag))


def _is_seldom(time_ms: TimeArray) -> BoolArray:
    """Whether each reading comes so long after the one before that hourly series are not meant."""
    return np.asarray(np.diff(time_ms, prepend=time_ms[:1]) > tests.MAX_STEP_GAP_MS, dtype=np.bool_)


def _among_neighbours(
    context: StationContext, channel_id: str, series: Mapping[str, ChannelSeries], places: PlaceArray, rain: _Rain
) -> FlagArray:
    """Flags of a moisture channel after it has been held against rain, watering and the channels above and below."""
    bounds, one = context.quality, series[channel_id]
    value = one.believed()
    order = [i for i in context.moisture if i in series]
    at = order.index(channel_id)
    in_soil = places == _IN_SOIL
    if at == 0:
        # nothing above it to bear witness: a rise may be water that nobody wrote down, but not after a fall of its own
        return _dipped(context, one, series[order[1]] if len(order) > 1 else None, rain)
    if not in_soil.any():
        return one.flag
    rain_day = rain.before(one.time_ms, DAY_MS)
    above, below = series[order[at - 1]], series[order[at + 1]] if at + 1 < len(order) else None
    dry_below = context.soil_at(channel_id).wilting[0]
    rise = tests.rise_without_water(
        one.time_ms, value,
        rain_mm=rain_day, rise=bounds.rise, enough_rain_mm=bounds.rise_rain_mm,
        wetted_above=_risen(above, one.time_ms) >= bounds.wetted_above,
        watered=_watered(context, one.time_ms, DAY_MS),
    )  # fmt: skip
    gap = tests.air_gap(
        one.time_ms, value,
        rain_mm=rain_day, dry_below=dry_below, excursion=bounds.air_gap_excursion,
        enough_rain_mm=bounds.air_gap_rain_mm,
    )  # fmt: skip
    neighbours = tuple(beside(one.time_ms, o.time_ms, o.believed()) for o in (above, below) if o is not None)
    alone = tests.disagrees(
        one.time_ms, value, neighbours, move=bounds.fall_alone, neighbour_still=bounds.neighbour_still
    )
    found = _without_missing(value, rise, gap, alone)
    return _also(one, np.where(in_soil, found, np.uint8(Flag.GOOD))).flag


def _dipped(context: StationContext, one: ChannelSeries, below: ChannelSeries | None, rain: _Rain) -> FlagArray:
    """Flags of the shallowest channel with its dips, held against rain, watering and the channel below."""
    if below is None:
        return one.flag
    bounds, value = context.quality, one.believed()
    told_ms = DIP_AFTER_MS + HOUR_MS  # rain of an hour may be told at its end
    water = rain.before(one.time_ms + told_ms, DIP_BEFORE_MS + told_ms)
    water = np.where(_watered(context, one.time_ms + told_ms, DIP_BEFORE_MS + told_ms), np.inf, water)
    found = tests.dip(
        one.time_ms, value,
        depth=bounds.dip, water_mm=water, enough_mm=bounds.water_about_mm,
        neighbour=beside(one.time_ms, below.time_ms, below.believed()), neighbour_still=bounds.neighbour_still,
        before_ms=DIP_BEFORE_MS, after_ms=DIP_AFTER_MS,
    )  # fmt: skip
    return _also(one, _without_missing(value, found)).flag


def _risen(other: ChannelSeries, at_ms: TimeArray) -> FloatArray:
    """The largest rise of a channel within the last day, at other times; NaN where it was not read."""
    value = other.believed()
    rise = value - rolling_min(other.time_ms, value, DAY_MS)
    return beside(at_ms, other.time_ms, rolling_max(other.time_ms, rise, DAY_MS))


class _Rain:
    """Rain in a window before each time, summed once for channels that are read at the same times; NaN without a
    gauge. [mm]"""

    def __init__(self, gauge: ChannelSeries | None) -> None:
        self._gauge = gauge
        self._known: dict[tuple[int, bytes], FloatArray] = {}

    def before(self, at_ms: TimeArray, window_ms: int) -> FloatArray:
        if self._gauge is None:
            return np.full(at_ms.shape, np.nan)
        key = window_ms, at_ms.tobytes()
        if key not in self._known:
            gauge = self._gauge
            self._known[key] = rain_before(at_ms, gauge.time_ms, gauge.believed(), window_ms=window_ms)
        return self._known[key]


def _watered(context: StationContext, at_ms: TimeArray, within_ms: int) -> BoolArray:
    """Whether somebody watered at each time or in the time before it."""
    watered = np.zeros(at_ms.shape, dtype=np.bool_)
    for given in context.facts.waterings:
        watered |= (at_ms >= given.start_ms) & (at_ms <= given.end_ms + within_ms)
    return watered


def _water_about(context: StationContext, at_ms: TimeArray, rain: _Rain) -> BoolArray:
    """Where rain or watering may explain a quick rise; unknown rain explains nothing."""
    window_ms = int(context.quality.water_about_h * HOUR_MS)
    rained = rain.before(at_ms, window_ms) >= context.quality.water_about_mm
    return np.asarray(rained | _watered(context, at_ms, window_ms), dtype=np.bool_)


def _temperature_beside(
    context: StationContext, channel_id: str, at_ms: TimeArray, series: Mapping[str, ChannelSeries]
) -> FloatArray:
    """Soil temperature at a moisture channel: of the nearest thermometer in depth, its own probe's first."""
    other = thermometer_of(context, channel_id, series, reach_m=context.quality.frost_reach_m)
    if other is None:
        return np.full(at_ms.shape, np.nan)
    thermometer = series[other]
    return beside(at_ms, thermometer.time_ms, thermometer.believed())


QUALITY = Stage[Observe](
    name="quality",
    grain=Grain.READING,
    run=quality,
    lead_in_ms=RAIN_GAP_MS + 47 * HOUR_MS,  # rain of a day and more before, or a thermometer that stood still for three
    look_ahead_ms=9 * HOUR_MS,  # a spike is known by the value after it, a dip by its end
)
