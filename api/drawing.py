"""What is drawn on the server, so that it shows before any script runs: calendar of a pass, wetness to come.

Pure: facts in, shapes and places for a template out. Nothing differs by colour alone: open, may open, wait, closed and
cannot tell differ by height, filling and letter. A calendar has the working hours of each day; nights are left out, as
nobody works in them.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from api.advice import VERDICT_NAMES
from pipeline.advice.conditions import Verdict
from pipeline.advice.report import LIKELY
from pipeline.advice.windows import Outlook, Window
from pipeline.forecast.wetness import WetnessForecast, spread_of
from pipeline.units import FloatArray

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
