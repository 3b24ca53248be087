"""The first stage: from the number heard to the observation, by the curve named for each channel.

Raw is read, never changed, so that a better calibration can be laid over old readings. A number outside the range in
which its curve was calibrated is refused, not stretched; within a tenth of its end it counts as that end. Where a
calibration says how its probe follows warmth, the reading is corrected by the soil thermometer at its depth first. A
running total of rain becomes the rain since the reading before. Sun a little below nought, or a little above it by
night, is nought, and humidity a little above 100 per cent is 100: such are the offsets of sound sensors.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from hardware.curves import CORRECTION_REACH_M
from hardware.probe import Channel
from hardware.quantities import QUANTITIES
from pipeline.diary.station import StationContext
from pipeline.soil import climate
from pipeline.soil.calibration import calibrate as curve_value
from pipeline.soil.moving import beside
from pipeline.soil.quality import FlagArray
from pipeline.stages.stage import Grain, Observe, Observed, Stage
from pipeline.units import HOUR_MS, Flag, FloatArray, TimeArray

RAIN_GAP_MS = 48 * HOUR_MS  # a total not heard for longer tells rain, but no longer when
RAIN_TOTAL_ROLLS_OVER_MM = 10_000.0  # as the description of the weather sensor promises
_NEAR_ROLLOVER_MM = 100.0  # a fall of the total from within this of the end is a rollover, any other a reset
MOST_STRAYS = 8  # readings in a row that a gauge may stray and still be held against where it was
_ROUNDING_MM = 0.011  # a total printed to 0.01 mm may step back by its last digit


def calibrate(observed: Observed, context: StationContext) -> Observed:
    """Return observed values by each channel's curve, and the flag the value alone deserves.

    A channel not in the context keeps its raw and has no value. Flags: MISSING where nothing was heard, or not the
    temperature that a correction needs, FAIL where what was heard was garbled or outside the calibrated range, else
    NOT_EVALUATED.
    """
    valued = {i: replace(one, value=_value(observed, context, i)) for i, one in observed.items()}
    return {i: replace(one, flag=first_flags(valued, context, i)) for i, one in valued.items()}


def _value(observed: Observed, context: StationContext, channel_id: str) -> FloatArray:
    one, channel = observed[channel_id], context.channels.get(channel_id)
    if channel is None:
        return np.full(one.time_ms.shape, np.nan)
    numbers = np.where(one.heard, one.raw, np.nan)
    if is_running_total(channel):
        return rain_from_total(one.time_ms, numbers)
    value = calibrated(channel, numbers, _temperature_beside(observed, context, channel_id))
    if channel.quantity == "solar_radiation":
        return climate.sun_without_offset_w_m2(one.time_ms, value, context.site.location)
    if channel.quantity == "relative_humidity":
        return climate.humidity_at_saturation_percent(value)
    return value


def first_flags(observed: Observed, context: StationContext, channel_id: str) -> FlagArray:
    """Return what is known of each reading before any test: missing, garbled or refused, else not evaluated."""
    one, channel = observed[channel_id], context.channels.get(channel_id)
    flag = np.full(one.time_ms.shape, Flag.NOT_EVALUATED, dtype=np.uint8)
    flag[~one.heard] = Flag.FAIL
    flag[one.silent] = Flag.MISSING
    if channel is not None and not is_running_total(channel):
        refused = one.heard & np.isnan(one.value)
        flag[refused] = Flag.FAIL
        if is_corrected(channel):
            flag[refused & np.isnan(_temperature_beside(observed, context, channel_id))] = Flag.MISSING
    return flag


def is_corrected(channel: Channel) -> bool:
    """Return whether a channel's calibration takes out what temperature puts into its reading."""
    return channel.calibration.parameters.get("reading_per_degc", 0.0) != 0.0


def thermometer_of(context: StationContext, channel_id: str, heard: Container[str], *, reach_m: float) -> str | None:
    """Return the soil thermometer nearest in depth to a channel, at one distance its own probe's first.

    Parameters
    ----------
    context : StationContext
    channel_id : str
    heard : container of str
        Ids to choose from.
    reach_m : float
        Furthest off in depth. [m]

    Returns
    -------
    str or None
        Id; None where there is none in reach.
    """
    depth, probe = context.channels[channel_id].depth_m, channel_id.rsplit("/", 1)[0]
    near = []
    for other in context.temperatures:
        other_depth = context.channels[other].depth_m
        if other in heard and other != channel_id and depth is not None and other_depth is not None:
            apart = abs(other_depth - depth)
            if apart <= reach_m:
                near.append((apart, not other.startswith(f"{probe}/"), other))
    return min(near)[2] if near else None


def _temperature_beside(observed: Observed, context: StationContext, channel_id: str) -> FloatArray:
    """Possible soil temperature at a channel whose calibration asks for it, NaN where not known or not asked for."""
    at_ms, other = observed[channel_id].time_ms, None
    if is_corrected(context.channels[channel_id]):
        # of all there are, heard in this stretch or not: so that any batching gives the same
        other = thermometer_of(context, channel_id, context.channels, reach_m=CORRECTION_REACH_M)
    if other is None or other not in observed:
        return np.full(at_ms.shape, np.nan)
    thermometer, limits = observed[other], QUANTITIES["soil_temperature"]
    degc = calibrated(context.channels[other], np.where(thermometer.heard, thermometer.raw, np.nan))
    possible = (degc >= limits.lowest) & (degc <= limits.highest)
    return beside(at_ms, thermometer.time_ms, np.where(possible, degc, np.nan))


def is_running_total(channel: Channel) -> bool:
    """Return whether a channel gives a running total of rain of which the differences are wanted."""
    return channel.heard == "rain_total" and channel.quantity == "rain"


def calibrated(channel: Channel, raw: FloatArray, temperature_degc: npt.ArrayLike = np.nan) -> FloatArray:
    """Return values of a channel in the canonical unit of its quantity, NaN where its curve refuses.

    Parameters
    ----------
    channel : Channel
        Its calibration names one of `pipeline.soil.calibration.CURVES`.
    raw : ndarray, shape (time,)
        [unit of `channel.heard`]
    temperature_degc : array_like, shape (time,)
        Of the soil at the channel. [degC] Asked for by a calibration that corrects for it.

    Raises
    ------
    ValueError
        When the curve is not known, or its parameters do not fit it. The loaders refuse both.
    """
    calibration = channel.calibration
    return curve_value(
        raw, calibration.curve, calibration.parameters, points=calibration.points, temperature_degc=temperature_degc
    )


def rain_from_total(time_ms: TimeArray, total_mm: FloatArray) -> FloatArray:
    """Return the rain since the reading before, from a running total.

    Parameters
    ----------
    time_ms : ndarray of int64, shape (time,)
        Increasing. [ms]
    total_mm : ndarray, shape (time,)
        Running total. [mm] NaN where not heard: the next reading brings the rain of the gap.

    Returns
    -------
    ndarray, shape (time,)
        [mm] NaN where not heard, and where the total was last heard more than `RAIN_GAP_MS` before, or never. After a
        reset it is what fell since: at least so much. NaN too for a total that does not go on from the one before,
        until the next shows whether it was a reset or a stray.
    """
    rain = np.full(total_mm.shape, np.nan)
    at = np.flatnonzero(np.isfinite(total_mm))
    total = total_mm[at]
    fallen = _fallen(total[:-1], total[1:])
    if np.isnan(fallen).any():
        fallen = _over_strays(total)
    fallen[np.diff(time_ms[at]) > RAIN_GAP_MS] = np.nan
    rain[at[1:]] = fallen
    return rain


def _fallen(before: npt.ArrayLike, now: npt.ArrayLike) -> FloatArray:
    """Rain between two totals, over the end of the counter too; NaN where the second does not go on. [mm]"""
    before, now = np.asarray(before, dtype=np.float64), np.asarray(now, dtype=np.float64)
    rolled = (before >= RAIN_TOTAL_ROLLS_OVER_MM - _NEAR_ROLLOVER_MM) & (now <= _NEAR_ROLLOVER_MM)
    change = now - before + np.where(rolled, RAIN_TOTAL_ROLLS_OVER_MM, 0.0)
    goes_on = (change >= -_ROUNDING_MM) & (change <= QUANTITIES["rain"].highest)
    return np.where(goes_on, np.maximum(change, 0.0), np.nan)


def _over_strays(total: FloatArray) -> FloatArray:
    """Rain before each total but the first, where some do not go on from the one before.

    Such a one counts from then on only when the next goes on from it: a fall is a reset then, and what it shows has
    fallen since. Else it is a stray, and the next is held against the total before it. So it is for MOST_STRAYS
    readings after a jump or a reset, if that tells less rain: a sensor that says 9999 or 0 twice and then goes on where
    it was has told none.
    """
    fallen = np.full(total.size - 1, np.nan)
    last, before_jump, left = float(total[0]), np.nan, 0
    for i, now in enumerate(total[1:].tolist()):
        rain, back = float(_fallen(last, now)), float(_fallen(before_jump, now)) if left else np.nan
        left = max(0, left - 1)
        if not np.isnan(back) and (now < last or np.isnan(rain) or back < rain):
            rain, left = back, 0
        elif np.isnan(rain):
            if i + 2 == total.size or np.isnan(_fallen(now, total[i + 2])):
                continue
            before_jump, left = last, MOST_STRAYS
            rain = now if last > now <= QUANTITIES["rain"].highest else np.nan
        fallen[i], last = rain, now
    return fallen


CALIBRATE = Stage[Observe](
    name="calibrate", grain=Grain.READING, run=calibrate, lead_in_ms=RAIN_GAP_MS, look_ahead_ms=3 * HOUR_MS
)
