"""The profile of a station drawn to scale as SVG: depth down the page, thatch hatched, what each probe reads now.

Pure: facts in, drawing out. It is made on the server, so that it shows before any script runs. Thatch and soil differ
by hatching as well as by colour, and every bar has its number beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

from api.state import ChannelNow, StationNow
from pipeline.units import Flag

PROFILE_WIDTH = 340
PROFILE_LEFT = 58  # room for the depths
BAR_RIGHT = 230  # where a saturated reading would end
ROW_LEAST = 26  # a line of text needs this much height
PROFILE_TOP = 30
HEIGHT_OF_SCALE = 300
MOST_DEPTH_M = 0.30  # deeper probes stand in a list below the scale
FULL_SCALE = 0.6  # m3/m3 at BAR_RIGHT; thatch may go past it and is cut there with its number


@dataclass(frozen=True, slots=True)
class Mark:
    """One probe on the drawing. `y` is where its depth is, `text_y` where its words fit. [px]"""

    y: float
    text_y: float
    depth_mm: float
    bar: float
    earlier: float | None
    text_x: float
    words: str
    in_thatch: bool
    believed: bool


@dataclass(frozen=True, slots=True)
class Profile:
    """All that the template needs."""

    width: int
    height: float
    left: int
    bar_right: int
    top: int
    thatch_bottom: float | None
    root_zone_bottom: float
    bottom: float
    depth_ticks: tuple[tuple[float, int], ...]
    marks: tuple[Mark, ...]
    soil: str
    scale_ticks: tuple[tuple[float, str], ...]
    description: str
    even: bool


def profile(state: StationNow) -> Profile | None:
    """The drawing of a station's moisture probes, or None when it has none."""
    moist = [c for c in state.channels if c.installed.channel.quantity == "water_content"]
    moist = sorted((c for c in moist if c.installed.channel.depth_m is not None), key=_depth_m)
    if not moist:
        return None
    deepest = max(state.station.root_zone_m + (state.thatch_m or 0.0), _depth_m(moist[-1]))
    # To scale where that leaves room to read; a profile of a metre is drawn with the square root of depth.
    scale = _Scale(deepest, HEIGHT_OF_SCALE)
    marks, last = [], PROFILE_TOP - ROW_LEAST / 2
    for channel in moist:
        y = PROFILE_TOP + scale(_depth_m(channel))
        text_y = max(y, last + ROW_LEAST)
        last = text_y
        marks.append(_mark(channel, y, text_y, state.thatch_m or 0.0))
    bottom = max(PROFILE_TOP + HEIGHT_OF_SCALE, last + ROW_LEAST)
    thatch_bottom = PROFILE_TOP + scale(state.thatch_m) if state.thatch_m else None
    ticks = [d for d in (0, 50, 100, 150, 200, 300, 500, 1000, 1500) if d / 1000 <= deepest * 1.02]
    return Profile(
        width=PROFILE_WIDTH,
        height=bottom + 34,
        left=PROFILE_LEFT,
        bar_right=BAR_RIGHT,
        top=PROFILE_TOP,
        thatch_bottom=thatch_bottom,
        root_zone_bottom=PROFILE_TOP + scale(state.station.root_zone_m + (state.thatch_m or 0.0)),
        bottom=bottom,
        depth_ticks=tuple((PROFILE_TOP + scale(d / 1000), d) for d in ticks),
        marks=tuple(marks),
        soil=state.station.soil.replace("_", " "),
        scale_ticks=tuple((_x(v), f"{v:.1f}") for v in (0.0, 0.2, 0.4, 0.6)),
        description="; ".join(f"at {m.depth_mm:.0f} mm {m.words}" for m in marks),
        even=scale.even,
    )


class _Scale:
    """Depth to pixels below the top: in proportion up to 0.3 m, by square root where probes go deeper."""

    def __init__(self, deepest_m: float, height: float) -> None:
        self.even = deepest_m <= MOST_DEPTH_M
        self._deepest_m, self._height = deepest_m, height

    def __call__(self, depth_m: float) -> float:
        share = depth_m / self._deepest_m
        return float(self._height * (share if self.even else share**0.5))


def _mark(channel: ChannelNow, y: float, text_y: float, thatch_m: float) -> Mark:
    believed = channel.value is not None and channel.flag in (Flag.GOOD, Flag.NOT_EVALUATED)
    doubt = " silent" if channel.is_silent else "" if believed else " doubtful"
    words = "no answer" if channel.value is None else f"{channel.value:.3f}{doubt}"
    return Mark(
        y=y,
        text_y=text_y,
        depth_mm=_depth_m(channel) * 1000,
        bar=_x(channel.value or 0.0),
        earlier=None if channel.week_ago is None else _x(channel.week_ago),
        text_x=max(_x(channel.value or 0.0), _x(channel.week_ago or 0.0)) + 8,
        words=words,
        in_thatch=_depth_m(channel) < thatch_m,
        believed=believed,
    )


def _x(water_content: float) -> float:
    return PROFILE_LEFT + (BAR_RIGHT - PROFILE_LEFT) * min(max(water_content, 0.0), FULL_SCALE) / FULL_SCALE


def _depth_m(channel: ChannelNow) -> float:
    depth_m = channel.installed.channel.depth_m
    if depth_m is None:
        raise ValueError(f"{channel.installed.id}: found no depth, expected a channel in the ground")
    return depth_m
