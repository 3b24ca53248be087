"""Water at each depth of a station on its way from dry to drained: just now, and through a span by equal steps.

It puts readings that may be believed between the dry and the drained limit under which the stages work out the layers,
each where the diary and the cores have it. What a page draws and what the data interface tells of depths is from here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from api.export import observations_at_step
from api.known import KnownFigure, newest
from api.slices import Slice, Wet
from api.state import ChannelNow, StationNow
from pipeline.diary.station import StationContext
from pipeline.service import Pipeline
from pipeline.soil.layers import Place, wetness, wetness_bounds
from pipeline.stages.catalogue import CATALOGUE, LOOK_BACK_MS, Of
from pipeline.stages.layers import limits_of
from pipeline.units import BELIEVED, DAY_MS, EVER_MS, HOUR_MS, MINUTE_MS, BoolArray, FloatArray, TimeArray

STEP_OF_SPAN_MS: Mapping[int, int] = {1: 15 * MINUTE_MS, 3: 30 * MINUTE_MS, 14: HOUR_MS, 90: 6 * HOUR_MS, 366: DAY_MS}
"""Spans that are drawn [d], each with the step by which it is told: no more steps than a screen has room for."""
RAIN_STEP_OF_SPAN_MS: Mapping[int, int] = {1: HOUR_MS, 3: HOUR_MS, 14: HOUR_MS, 90: DAY_MS, 366: DAY_MS}
TOLD_BY_MS = (15 * MINUTE_MS, 30 * MINUTE_MS, HOUR_MS, 2 * HOUR_MS, 3 * HOUR_MS, 6 * HOUR_MS, 12 * HOUR_MS, DAY_MS)
STEP_SLACK_MS = MINUTE_MS  # readings of one interval come some seconds apart
RAW_UP_TO_DAYS = 14  # beyond, means by the hour and the day are read, which do not tell doubt from silence
ROOT_DEPTH = CATALOGUE["root_depth_90"]


@dataclass(frozen=True, slots=True)
class DepthNow:
    """The last reading of one moisture channel between its limits.

    `depth_mm`, `top_mm` and `bottom_mm` are of its sensing volume below the leaf base [mm], `lies_in` is thatch, mixed
    or soil. `wetness`, its bounds and that of a week before are None where no reading is to be believed. [1]
    """

    channel: ChannelNow
    depth_mm: float
    top_mm: float
    bottom_mm: float
    lies_in: str
    wetness: float | None
    low: float | None
    high: float | None
    week_ago: float | None


def depths_now(context: StationContext, state: StationNow) -> tuple[DepthNow, ...]:
    """Return every moisture channel of a station from the top down, with its last reading."""
    found = []
    for channel in state.channels:
        if channel.installed.channel.quantity != "water_content" or channel.depth_m is None:
            continue
        where = Place(channel.lies_in)
        limits = limits_of(context, where, channel.installed.id, state.now_ms)
        half_mm = channel.installed.channel.sensing_height_m * 500.0
        depth_mm = channel.depth_m * 1000.0
        told = channel.value if channel.flag in BELIEVED else None
        best, low, high = (None, None, None) if told is None else _between(told, limits)
        ago = None if channel.week_ago is None else _between(channel.week_ago, limits)[0]
        found.append(
            DepthNow(channel, depth_mm, depth_mm - half_mm, depth_mm + half_mm, where.value, best, low, high, ago)
        )
    return tuple(sorted(found, key=lambda one: one.depth_mm))


def _between(theta: float, limits: Sequence[float]) -> tuple[float | None, float | None, float | None]:
    """Wetness of a reading [m3 m-3] and its bounds; None where the limits leave no room. [1]"""
    best = wetness(theta, limits[0], limits[1])
    low, high = wetness_bounds(theta, (limits[2], limits[3]), (limits[4], limits[5]))
    return tuple(None if np.isnan(one) else float(one) for one in (best, low, high))  # type: ignore[return-value]


def root_depth(pipeline: Pipeline, station: str, now_ms: int) -> KnownFigure | None:
    """Return how deep the roots of a station drank in the newest fortnight that is told of; None without any."""
    start_ms = max(0, now_ms - LOOK_BACK_MS[Of.FORTNIGHT])
    return next(newest(pipeline, station, None, [ROOT_DEPTH], start_ms, now_ms), None)


def leaf_mm(pipeline: Pipeline, surface: str) -> float | None:
    """Return the height of cut that the diary has for a surface. [mm] None where nobody wrote it."""
    cuts = [e for e in pipeline.diary.entries(("cut",), *EVER_MS) if e.surface == surface]
    height = cuts[-1].body.get("height_mm") if cuts else None
    return float(height) if isinstance(height, int | float) else None


def slice_of(
    state: StationNow, depths: Sequence[DepthNow], roots: KnownFigure | None, leaf_mm: float | None, end_mm: float
) -> Slice:
    """Return what is drawn of a station: its layers and depths as the findings and readings have them.

    Parameters
    ----------
    state : StationNow
    depths : sequence of DepthNow
    roots : KnownFigure or None
        See `root_depth`.
    leaf_mm, end_mm : float or None, float
        Height of cut, and where the foot ends. [mm]
    """
    thatch_mm = None if state.thatch_m is None else state.thatch_m * 1000.0
    layer = next((one for one in state.layers if one.layer == "thatch"), None)
    inside = [one for one in depths if one.lies_in == "thatch"]
    thatch = None
    if inside and layer is not None:
        heard = not any(one.channel.is_silent for one in inside)
        thatch = Wet(
            inside[0].depth_mm, 0.0, thatch_mm or 0.0, layer.wetness, layer.wetness_low, layer.wetness_high,
            layer.wetness_week_ago, heard,
        )  # fmt: skip
    drink = None
    if roots is not None and roots.value is not None:
        ends = (roots.value if bound is None else bound for bound in (roots.low, roots.high))
        drink = (roots.value * 1000.0, *(bound * 1000.0 for bound in ends))
    return Slice(
        name=state.station.name,
        leaf_mm=leaf_mm,
        thatch_mm=thatch_mm,
        thatch=thatch,
        dots_mm=tuple(one.depth_mm for one in inside),
        soil=tuple(_wet(one) for one in depths if one.lies_in == "soil" and one.depth_mm < end_mm),
        mixed=tuple(_wet(one) for one in depths if one.lies_in == "mixed" and one.depth_mm < end_mm),
        roots=drink,  # type: ignore[arg-type]
        is_old=state.is_old,
        end_mm=end_mm,
    )


def _wet(one: DepthNow) -> Wet:
    low, high = (one.wetness if bound is None else bound for bound in (one.low, one.high))
    heard = not one.channel.is_silent
    return Wet(one.depth_mm, one.top_mm, one.bottom_mm, one.wetness, low, high, one.week_ago, heard)


# --- through a span --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class DepthHistory:
    """One moisture channel through a span, a value for each step.

    `depth_mm`, `top_mm`, `bottom_mm` [mm] and `lies_in` are those at its end. `wetness` [1] and `water_content`
    [m3 m-3] are NaN where no reading is to be believed; `is_doubted` marks steps with readings of which none is,
    `is_mixed` those in which it read thatch and soil together.
    """

    channel: str
    depth_mm: float
    top_mm: float
    bottom_mm: float
    lies_in: str
    wetness: FloatArray
    water_content: FloatArray
    is_doubted: BoolArray
    is_mixed: BoolArray


@dataclass(frozen=True, eq=False)
class StationHistory:
    """Water at each depth of a station through a span [ms since 1970, UTC], from the top down, and the rain above it.

    Steps of `step_ms` follow each other from `start_ms`, rain comes in steps of `rain_step_ms` from the same moment.
    [mm] None where no gauge counts here.
    """

    start_ms: int
    end_ms: int
    step_ms: int
    thatch_mm: float | None
    depths: tuple[DepthHistory, ...]
    rain_mm: FloatArray | None
    rain_step_ms: int

    @property
    def step_ends_ms(self) -> TimeArray:
        """End of each step. [ms since 1970, UTC]"""
        return np.arange(self.start_ms + self.step_ms, self.end_ms + 1, self.step_ms, dtype=np.int64)


def station_history(pipeline: Pipeline, station: str, days: int, now_ms: int) -> StationHistory:
    """Return the last days of a station, one of `STEP_OF_SPAN_MS`, up to the step that `now_ms` is in."""
    context, least_ms = pipeline.context(station), STEP_OF_SPAN_MS[days]
    kept = _kept_step(days)
    until_ms = (now_ms // DAY_MS + 1) * DAY_MS  # no step ends later
    seen = observations_at_step(pipeline, list(context.moisture), now_ms - days * DAY_MS, until_ms, kept)
    step_ms = _step_of(seen, least_ms)
    end_ms = (now_ms // step_ms + 1) * step_ms
    start_ms = end_ms - days * DAY_MS // step_ms * step_ms
    depths = _depths(context, seen, start_ms, end_ms, step_ms)
    thatch_m = context.thatch_m(end_ms)
    rain_step_ms = RAIN_STEP_OF_SPAN_MS[days]
    return StationHistory(
        start_ms=start_ms,
        end_ms=end_ms,
        step_ms=step_ms,
        thatch_mm=None if np.isnan(thatch_m) else thatch_m * 1000.0,
        depths=depths,
        rain_mm=_rain(pipeline, station, start_ms, end_ms, rain_step_ms),
        rain_step_ms=rain_step_ms,
    )


def _step_of(frame: pd.DataFrame, least_ms: int) -> int:
    """Return the step that a span is told by: `least_ms`, or more where a probe is read more seldom than that."""
    usual_ms = float(least_ms)
    for _, own in frame.groupby("channel", sort=False):
        between = np.diff(np.sort(own["measured_at_ms"].to_numpy(np.int64)))
        usual_ms = max(usual_ms, float(np.median(between)) if between.size else 0)
    return next((step for step in TOLD_BY_MS if step >= max(usual_ms - STEP_SLACK_MS, least_ms)), DAY_MS)


def _depths(
    context: StationContext, frame: pd.DataFrame, start_ms: int, end_ms: int, step_ms: int
) -> tuple[DepthHistory, ...]:
    """Every moisture channel of a station by steps of a span, from the top down, of what was read of them."""
    steps = (end_ms - start_ms) // step_ms
    channels, times = frame["channel"].to_numpy(str), frame["measured_at_ms"].to_numpy(np.int64)
    values, cells = frame["value"].to_numpy(float), (times - start_ms) // step_ms
    believed = np.isfinite(values)
    if "flag" in frame:
        believed &= np.isin(frame["flag"].to_numpy(), BELIEVED)
    depths = []
    for channel in context.moisture:
        own = (channels == channel) & (cells >= 0) & (cells < steps)
        good, count = own & believed, np.bincount(cells[own & believed], minlength=steps)
        with np.errstate(invalid="ignore", divide="ignore"):
            theta = np.bincount(cells[good], weights=values[good], minlength=steps) / count
        heard = np.bincount(cells[own & np.isfinite(values)], minlength=steps)
        depths.append(_depth_history(context, channel, theta, (heard > 0) & (count == 0), start_ms, step_ms))
    return tuple(sorted(depths, key=lambda one: one.depth_mm))


def _kept_step(days: int) -> str:
    return "raw" if days <= RAW_UP_TO_DAYS else "hour" if STEP_OF_SPAN_MS[days] < DAY_MS else "day"


def _depth_history(
    context: StationContext, channel: str, theta: FloatArray, doubted: BoolArray, start_ms: int, step_ms: int
) -> DepthHistory:
    """A channel between the limits that held at each step, as the stages have them."""
    ends_ms = start_ms + step_ms * np.arange(1, theta.size + 1, dtype=np.int64)
    changes = np.unique(np.concatenate([context.changes_ms(), context.learned_ms(), context.lifted_ms()]))
    part = np.searchsorted(changes, ends_ms - 1, side="right")
    wet, mixed = np.full(theta.shape, np.nan), np.zeros(theta.shape, dtype=bool)
    for one in np.unique(part):
        here = part == one
        at_ms = int(ends_ms[here][-1]) - 1
        where = context.place(channel, at_ms)
        dry, drained, *_ = limits_of(context, where, channel, at_ms)
        wet[here], mixed[here] = wetness(theta[here], dry, drained), where is Place.MIXED
    end_ms = int(ends_ms[-1])
    depth_mm, half_mm = context.depth_m(channel, end_ms) * 1000.0, context.channels[channel].sensing_height_m * 500.0
    lies_in = context.place(channel, end_ms).value
    return DepthHistory(channel, depth_mm, depth_mm - half_mm, depth_mm + half_mm, lies_in, wet, theta, doubted, mixed)


def _rain(pipeline: Pipeline, station: str, start_ms: int, end_ms: int, step_ms: int) -> FloatArray | None:
    """Rain of each step; None without a gauge. [mm]"""
    channel = pipeline.config.rain_channel(station)
    if channel is None:
        return None
    step = "hour" if step_ms == HOUR_MS else "day"
    rain = observations_at_step(pipeline, [channel], start_ms, end_ms, step)
    cells = (rain["measured_at_ms"].to_numpy(np.int64) - start_ms) // step_ms
    fallen, inside = np.nan_to_num(rain["value"].to_numpy(float)), cells >= 0
    total = np.bincount(cells[inside], weights=fallen[inside], minlength=-(-(end_ms - start_ms) // step_ms))
    return np.asarray(total, dtype=np.float64)


# --- by day, for comparing -------------------------------------------------------------------------------------------

LEAST_OF_DAY = 0.5  # of the readings of a usual day, for the day to have a mean: our own choice


def wetness_by_day(
    pipeline: Pipeline, station: str, quantities: Sequence[str], days_ms: Sequence[tuple[int, int]]
) -> dict[str, list[float]]:
    """Return the mean of stored findings of wetness on each day [1]; NaN where too few of the day's are told.

    Parameters
    ----------
    pipeline : Pipeline
    station : str
    quantities : sequence of str
    days_ms : sequence of (int, int)
        Begin and end of each, following each other. [ms since 1970, UTC]
    """
    if not days_ms:
        return {quantity: [] for quantity in quantities}
    series = pipeline.store.finding_series(station, quantities, days_ms[0][0], days_ms[-1][1])
    begins = np.array([begin for begin, _ in days_ms], dtype=np.int64)
    found = {}
    for quantity in quantities:
        at_ms, values = series.get(quantity, (np.zeros(0, dtype=np.int64), np.zeros(0)))
        known = np.isfinite(values)
        cells = np.searchsorted(begins, at_ms[known], side="right") - 1
        count = np.bincount(cells, minlength=begins.size)
        total = np.bincount(cells, weights=values[known], minlength=begins.size)
        usual = np.median(count[count > 0]) if count.any() else 1.0
        enough = count >= LEAST_OF_DAY * usual
        found[quantity] = np.where(enough, total / np.maximum(count, 1), np.nan).tolist()
    return found


def rain_by_day(pipeline: Pipeline, channel: str, days_ms: Sequence[tuple[int, int]]) -> list[float]:
    """Return the rain of each day by a gauge [mm]; NaN for one of which nothing was heard. [ms since 1970, UTC]"""
    hours = pipeline.store.steps([channel], days_ms[0][0] // HOUR_MS * HOUR_MS, days_ms[-1][1], HOUR_MS)
    begins = np.array([begin for begin, _ in days_ms], dtype=np.int64)
    at_ms, fallen = hours["start_ms"].to_numpy(np.int64), (hours["mean"] * hours["n"]).to_numpy(float)
    inside = at_ms >= begins[0]
    cells = np.searchsorted(begins, at_ms[inside], side="right") - 1
    total = np.bincount(cells, weights=fallen[inside], minlength=begins.size)
    heard = np.bincount(cells, minlength=begins.size)
    found: list[float] = np.where(heard > 0, total, np.nan).tolist()
    return found


def day_depths(pipeline: Pipeline, station: str, start_ms: int, end_ms: int) -> tuple[DepthHistory, ...]:
    """Return each moisture channel of a station through one span, which is one step of it, from the top down.

    [ms since 1970, UTC]
    """
    context = pipeline.context(station)
    seen = observations_at_step(pipeline, list(context.moisture), start_ms, end_ms, "hour")
    return _depths(context, seen, start_ms, end_ms, end_ms - start_ms)
