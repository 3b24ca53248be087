"""What is drawn on the server, so that it shows before any script runs: profile, calendar of a pass, wetness to come.

Pure: facts in, shapes and places for a template out. Nothing differs by colour alone: thatch and soil differ by
hatching and every bar has its number; open, may open, wait, closed and cannot tell differ by height, filling and
letter. A calendar has the working hours of each day; nights are left out, as nobody works in them.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from api.advice import VERDICT_NAMES
from api.state import ChannelNow, StationNow
from pipeline.advice.conditions import Verdict
from pipeline.advice.report import LIKELY
from pipeline.advice.windows import Outlook, Window
from pipeline.forecast.wetness import WetnessForecast, spread_of
from pipeline.units import BELIEVED, FloatArray

# --- profile ---------------------------------------------------------------------------------------------------------

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
    """One probe on the drawing. `y` is where its depth is, `text_y` where its words fit. [px]

    `lies_in` is `thatch`, `mixed` or `soil`.
    """

    y: float
    text_y: float
    depth_mm: float
    bar: float
    earlier: float | None
    text_x: float
    words: str
    lies_in: str
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
    is_mixed: bool


def profile(state: StationNow) -> Profile | None:
    """The drawing of a station's moisture probes, or None when it has none."""
    moist = [c for c in state.channels if c.installed.channel.quantity == "water_content"]
    moist = sorted((c for c in moist if c.depth_m is not None), key=_depth_m)
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
        marks.append(_mark(channel, y, text_y))
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
        is_mixed=any(m.lies_in == "mixed" for m in marks),
    )


class _Scale:
    """Depth to pixels below the top: in proportion up to 0.3 m, by square root where probes go deeper."""

    def __init__(self, deepest_m: float, height: float) -> None:
        self.even = deepest_m <= MOST_DEPTH_M
        self._deepest_m, self._height = deepest_m, height

    def __call__(self, depth_m: float) -> float:
        share = depth_m / self._deepest_m
        return float(self._height * (share if self.even else share**0.5))


def _mark(channel: ChannelNow, y: float, text_y: float) -> Mark:
    believed = channel.value is not None and channel.flag in BELIEVED
    doubt = " silent" if channel.is_silent else "" if believed else " doubtful"
    mixed = " mixed" if channel.lies_in == "mixed" else ""
    words = "no answer" if channel.value is None else f"{channel.value:.3f}{mixed}{doubt}"
    return Mark(
        y=y,
        text_y=text_y,
        depth_mm=_depth_m(channel) * 1000,
        bar=_x(channel.value or 0.0),
        earlier=None if channel.week_ago is None else _x(channel.week_ago),
        text_x=max(_x(channel.value or 0.0), _x(channel.week_ago or 0.0)) + 8,
        words=words,
        lies_in=channel.lies_in or "soil",
        believed=believed,
    )


def _x(water_content: float) -> float:
    return PROFILE_LEFT + (BAR_RIGHT - PROFILE_LEFT) * min(max(water_content, 0.0), FULL_SCALE) / FULL_SCALE


def _depth_m(channel: ChannelNow) -> float:
    if channel.depth_m is None:
        raise ValueError(f"{channel.installed.id}: found no depth, expected a channel in the ground")
    return channel.depth_m


# --- calendar of a pass ----------------------------------------------------------------------------------------------

DAYS = 10
MAY_OPEN = "may_open"  # open by its mean, but less likely than not
KIND_WORDS = {
    "open": "open", MAY_OPEN: "may open, less likely than not", "wait": "wait", "closed": "closed",
    "cannot_tell": "cannot tell",
}  # fmt: skip
LETTERS = {"open": "O", MAY_OPEN: "M", "wait": "W", "closed": "C", "cannot_tell": "?"}
LETTER_FROM = 33.0  # percent of a day's width that a letter needs


@dataclass(frozen=True, slots=True)
class Segment:
    """Hours of one kind in a day. `left` and `width` are in percent of its working hours."""

    left: float
    width: float
    kind: str
    letter: str


@dataclass(frozen=True, slots=True)
class DayCell:
    """One day of a pass's calendar: weekday and day of the month, what it looks like, and the same in words."""

    weekday: str
    day: int
    segments: tuple[Segment, ...]
    words: str


def kind_of(window: Window) -> str:
    """The verdict on a window as it is drawn: one of `KIND_WORDS`."""
    unlikely = window.chance is not None and window.chance < LIKELY and window.override is None
    return MAY_OPEN if window.verdict is Verdict.OPEN and unlikely else VERDICT_NAMES[window.verdict]


def first_day(outlooks: Sequence[Outlook], zone: ZoneInfo) -> datetime.date | None:
    """Day of the first working hour that any of them knows; None without any."""
    starts = [o.windows[0].span.start_ms for o in outlooks if o.windows]
    return _local(min(starts), zone).date() if starts else None


def calendar(outlook: Outlook, zone: ZoneInfo, work_hours: tuple[int, int], first: datetime.date) -> list[DayCell]:
    """Ten days of a pass from a day on.

    Parameters
    ----------
    outlook : Outlook
    zone : ZoneInfo
        Of the place.
    work_hours : (int, int)
        Local hours in which work is done, from the first up to the second.
    first : date
    """
    cells = []
    for number in range(DAYS):
        day = first + datetime.timedelta(days=number)
        parts = list(_parts(outlook.windows, zone, work_hours, day))
        length = work_hours[1] - work_hours[0]
        segments = tuple(
            Segment(
                100 * (begin - work_hours[0]) / length,
                100 * (end - begin) / length,
                kind,
                LETTERS[kind] if 100 * (end - begin) / length >= LETTER_FROM else "",
            )
            for begin, end, kind in parts
        )
        said = ", ".join(
            f"{KIND_WORDS[kind].partition(',')[0]} {_clock(begin)} to {_clock(end)}" for begin, end, kind in parts
        )
        cells.append(DayCell(f"{day:%a}", day.day, segments, f"{day:%a} {day.day}: {said or 'nothing known'}"))
    return cells


def _parts(
    windows: Sequence[Window], zone: ZoneInfo, work_hours: tuple[int, int], day: datetime.date
) -> Iterator[tuple[float, float, str]]:
    """Begin, end and kind within a day's working hours, neighbours of one kind joined. Local hours."""
    midnight = datetime.datetime(day.year, day.month, day.day, tzinfo=zone)
    last: tuple[float, float, str] | None = None
    for window in windows:
        begin = max(_hour_of(window.span.start_ms, midnight), float(work_hours[0]))
        end = min(_hour_of(window.span.end_ms, midnight), float(work_hours[1]))
        if end <= begin:
            continue
        if last is not None and last[2] == kind_of(window) and abs(last[1] - begin) < 1e-6:
            last = (last[0], end, last[2])
        else:
            if last is not None:
                yield last
            last = (begin, end, kind_of(window))
    if last is not None:
        yield last


def _hour_of(at_ms: int, midnight: datetime.datetime) -> float:
    """Hours by the wall's clock since a local midnight, also on a day when clocks change."""
    at = _local(at_ms, midnight.tzinfo)
    return (at.replace(tzinfo=None) - midnight.replace(tzinfo=None)).total_seconds() / 3600


def _local(at_ms: int, zone: datetime.tzinfo | None) -> datetime.datetime:
    return datetime.datetime.fromtimestamp(at_ms / 1000, zone)


def _clock(hour: float) -> str:
    return f"{int(hour)}:{round(hour % 1 * 60):02d}"


# --- wetness to come -------------------------------------------------------------------------------------------------

WIDTH, HEIGHT = 360, 176
LEFT, RIGHT, TOP, BOTTOM = 56, 64, 12, 24  # margins for the words at the edges
LOWEST, HIGHEST = -0.1, 1.3
STEP_H = 3
LABEL_APART = 15


@dataclass(frozen=True, slots=True)
class Curve:
    """One layer: its mean as a path, its tenths as a closed one, and where its name stands. [px]"""

    name: str
    kind: str
    mean: str
    band: str
    label_y: float


@dataclass(frozen=True, slots=True)
class WetnessChart:
    """All that the template needs. `ticks` are x and weekday, `levels` y and word."""

    width: int
    height: int
    left: int
    right: int
    top: int
    bottom: int
    curves: tuple[Curve, ...]
    ticks: tuple[tuple[float, str], ...]
    levels: tuple[tuple[float, str], ...]


def wetness_chart(forecast: WetnessForecast, zone: ZoneInfo) -> WetnessChart | None:
    """The wetness to come with its spread; None where there is none."""
    if forecast.reason or forecast.root_wetness.shape[1] == 0:
        return None
    hours = forecast.root_wetness.shape[0]
    rows = np.unique(np.append(np.arange(0, hours, STEP_H), hours - 1))
    x = LEFT + (WIDTH - LEFT - RIGHT) * rows / max(hours - 1, 1)
    curves = []
    for name, kind, values in (
        ("thatch", "of-thatch", forecast.thatch_wetness),
        ("roots", "of-roots", forecast.root_wetness),
    ):
        if np.isfinite(values).all():
            mean, low, high = (_y(row[rows]) for row in spread_of(values))
            band = _path(np.concatenate([x, x[::-1]]), np.concatenate([high, low[::-1]])) + "Z"
            curves.append(Curve(name, kind, _path(x, mean), band, float(mean[-1]) + 4))
    return WetnessChart(
        WIDTH, HEIGHT, LEFT, WIDTH - RIGHT, TOP, HEIGHT - BOTTOM, _apart(curves), tuple(_midnights(forecast, zone)),
        ((float(_y(np.array([1.0]))[0]), "drained"), (float(_y(np.array([0.0]))[0]), "dry")),
    )  # fmt: skip


def _apart(curves: list[Curve]) -> tuple[Curve, ...]:
    """The curves with names that do not stand on each other."""
    if len(curves) == 2 and abs(curves[0].label_y - curves[1].label_y) < LABEL_APART:
        upper, lower = sorted(curves, key=lambda c: c.label_y)
        middle = min((upper.label_y + lower.label_y) / 2, HEIGHT - BOTTOM - LABEL_APART)
        places = {upper.name: middle - LABEL_APART / 2, lower.name: middle + LABEL_APART / 2}
        return tuple(Curve(c.name, c.kind, c.mean, c.band, places[c.name]) for c in curves)
    return tuple(curves)


def _midnights(forecast: WetnessForecast, zone: ZoneInfo) -> Iterator[tuple[float, str]]:
    at_ms = forecast.at_ms
    first, last = int(at_ms[0]), int(at_ms[-1])
    day = _local(first, zone).date() + datetime.timedelta(days=1)
    while True:
        midnight_ms = datetime.datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000
        if midnight_ms > last:
            return
        yield LEFT + (WIDTH - LEFT - RIGHT) * (midnight_ms - first) / (last - first), f"{day:%a}"[:2]
        day += datetime.timedelta(days=1)


def _y(wetness: FloatArray) -> FloatArray:
    share = (np.clip(wetness, LOWEST, HIGHEST) - LOWEST) / (HIGHEST - LOWEST)
    return np.asarray(HEIGHT - BOTTOM - (HEIGHT - BOTTOM - TOP) * share)


def _path(x: FloatArray, y: FloatArray) -> str:
    return "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True) if math.isfinite(b))
