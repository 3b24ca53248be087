"""Water at each depth of a station on its way from dry to drained: just now, and through a span by equal steps.

It puts readings that may be believed between the dry and the drained limit under which the stages work out the layers,
each where the diary and the cores have it. What a page draws and what the data interface tells of depths is from here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from api.known import KnownFigure, newest
from api.slices import Slice, Wet
from api.state import ChannelNow, StationNow
from pipeline.diary.station import StationContext
from pipeline.service import Pipeline
from pipeline.soil.layers import Place, wetness, wetness_bounds
from pipeline.stages.catalogue import CATALOGUE, LOOK_BACK_MS, Of
from pipeline.stages.layers import limits_of
from pipeline.units import BELIEVED, EVER_MS

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
