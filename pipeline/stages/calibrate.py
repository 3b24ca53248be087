"""The first stage: from the number heard to the observation, by the curve named for each channel.

Raw is read, never changed, so that a better calibration can be laid over old readings. A number outside the range in
which its curve was calibrated is refused, not stretched. A running total of rain becomes the rain since the reading
before.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from hardware.probe import Channel
from pipeline.site.station import StationContext
from pipeline.soil.calibration import calibrate as curve_value
from pipeline.soil.quality import FlagArray
from pipeline.stages.stage import STAGE_VERSION, FramePass, Grain, Stage, StationFrame
from pipeline.units import HOUR_MS, BoolArray, Flag, FloatArray, TimeArray

RAIN_GAP_MS = 48 * HOUR_MS  # a total not heard for longer tells rain, but no longer when
RAIN_TOTAL_ROLLS_OVER_MM = 10_000.0  # as the description of the weather sensor promises
_NEAR_ROLLOVER_MM = 100.0  # a fall of the total from within this of the end is a rollover, any other a reset
_ROUNDING_MM = 0.011  # a total printed to 0.01 mm may step back by its last digit

_NOTHING_HEARD = ("silent", "line_away", "no_value", "short")


def calibrate(frame: StationFrame, context: StationContext) -> StationFrame:
    """Observation values by each channel's curve, and the flag the value alone deserves.

    A channel not in the context keeps its raw and has no value. Flags: MISSING where nothing was heard, FAIL where what
    was heard was garbled or outside the calibrated range, else NOT_EVALUATED.
    """
    observations = frame.observations
    raw = observations["raw"].to_numpy()
    time_ms = observations["measured_at_ms"].to_numpy()
    trusted = observations["clock_ok"].to_numpy()
    heard = heard_rows(observations)
    value = np.full(raw.shape, np.nan)
    for channel_id, rows in frame.spans().items():
        channel = context.channels.get(channel_id)
        if channel is None:
            continue
        numbers = np.where(heard[rows], raw[rows], np.nan)
        if is_running_total(channel):
            value[rows] = rain_from_total(time_ms[rows], np.where(trusted[rows], numbers, np.nan))
        else:
            value[rows] = observed(channel, numbers)
    flag = first_flags(frame, context, value)
    version = np.full(raw.shape, STAGE_VERSION, dtype=np.int64)
    return frame.with_columns(value=value, flag=flag, stage_version=version)


def heard_rows(observations: pd.DataFrame) -> BoolArray:
    """Rows that carry a number."""
    ok = (observations["status"] == "ok").to_numpy(dtype=np.bool_)
    return np.asarray(ok & np.isfinite(observations["raw"].to_numpy()), dtype=np.bool_)


def first_flags(frame: StationFrame, context: StationContext, value: npt.NDArray[np.float64]) -> FlagArray:
    """What is known of each row before any test: missing, garbled or refused, else not evaluated."""
    observations = frame.observations
    status = observations["status"]
    heard = heard_rows(observations)
    flag = np.full(value.shape, Flag.NOT_EVALUATED, dtype=np.uint8)
    flag[~heard] = Flag.FAIL
    flag[~heard & (status.isin(_NOTHING_HEARD) | (status == "ok")).to_numpy(dtype=np.bool_)] = Flag.MISSING
    refused = heard & np.isnan(value)
    for channel_id, rows in frame.spans().items():
        channel = context.channels.get(channel_id)
        if channel is not None and not is_running_total(channel):
            flag[rows][refused[rows]] = Flag.FAIL
    return flag


def is_running_total(channel: Channel) -> bool:
    """Whether a channel tells a running total of rain of which the differences are wanted."""
    return channel.heard == "rain_total" and channel.quantity == "rain"


def observed(channel: Channel, raw: FloatArray) -> FloatArray:
    """Values of a channel in the canonical unit of its quantity, NaN where its curve refuses.

    Parameters
    ----------
    channel : Channel
        Its calibration names one of `pipeline.soil.calibration.CURVES`.
    raw : ndarray, shape (time,)
        [unit of `channel.heard`]

    Raises
    ------
    ValueError
        When the curve is not known, or its parameters do not fit it. The loaders refuse both.
    """
    return curve_value(raw, channel.calibration.curve, channel.calibration.parameters)


def rain_from_total(time_ms: TimeArray, total_mm: FloatArray) -> FloatArray:
    """Rain since the reading before, from a running total.

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
        reset it is what fell since: at least so much.
    """
    rain = np.full(total_mm.shape, np.nan)
    at = np.flatnonzero(np.isfinite(total_mm))
    total = total_mm[at]
    before, now = total[:-1], total[1:]
    change = now - before
    rolled = (change < -_ROUNDING_MM) & (before >= RAIN_TOTAL_ROLLS_OVER_MM - _NEAR_ROLLOVER_MM)
    rolled &= now <= _NEAR_ROLLOVER_MM
    fallen = np.where(change >= -_ROUNDING_MM, np.maximum(change, 0.0), now)
    fallen = np.where(rolled, change + RAIN_TOTAL_ROLLS_OVER_MM, fallen)
    fallen[np.diff(time_ms[at]) > RAIN_GAP_MS] = np.nan
    rain[at[1:]] = fallen
    return rain


CALIBRATE = Stage[FramePass](name="calibrate", grain=Grain.READING, run=calibrate, lead_in_ms=RAIN_GAP_MS)
