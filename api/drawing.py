"""What is drawn on the server, so that it shows before any script runs: ten days of a pass, wetness to come.

Pure: facts in, shapes and places for a template out. Nothing differs by colour alone: open, may open, wait, shut and
cannot tell differ by height and filling. A day is its working hours; nights are left out, as nobody works in them.
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
from pipeline.advice.report import LIKELY, is_likely
from pipeline.advice.stretches import openings
from pipeline.advice.windows import Outlook, Window
from pipeline.forecast.wetness import WetnessForecast, in_ten, spread_of, tenths
from pipeline.texts import later_as, say, say_as, weekday_and_day, weekday_letters
from pipeline.units import FloatArray

# --- ten days of a pass -----------------------------------------------------------------------------------------------

DAYS = 10
MAY_OPEN = "may_open"  # open by its mean, but less likely than not
KIND_WORDS = {
    "open": later_as("a day of a pass", "open"), MAY_OPEN: later_as("a day of a pass", "may open"),
    "wait": later_as("a day of a pass", "wait"), "closed": later_as("a day of a pass", "shut"),
    "cannot_tell": later_as("a day of a pass", "cannot tell"),
}  # fmt: skip
LEAST_HEIGHT = 8.0  # percent; a lower column would look shut


@dataclass(frozen=True, slots=True)
class DayCell:
    """One day of a pass.

    Attributes
    ----------
    day : date
    kind : str
        One of `KIND_WORDS`; empty where nothing is known of the day.
    chance : float or None
        That it is open, over the hours in which it is called open. [1] None where it is not, or nothing tells.
    words : str
        The same in words: `Fri 22: 8 in 10`.
    """

    day: datetime.date
    kind: str
    chance: float | None
    words: str

    @property
    def figure(self) -> str:
        """The chance in ten; empty without one."""
        return "" if self.chance is None else f"{tenths(self.chance)}"

    @property
    def height(self) -> float:
        """Of an open day, as high as it is likely. [%]"""
        return 100.0 if self.chance is None else max(100.0 * self.chance, LEAST_HEIGHT)


def kind_of(window: Window) -> str:
    """The verdict on a window as it is drawn: one of `KIND_WORDS`."""
    return MAY_OPEN if window.verdict is Verdict.OPEN and not is_likely(window) else VERDICT_NAMES[window.verdict]


def first_day(outlooks: Sequence[Outlook], zone: ZoneInfo) -> datetime.date | None:
    """Day of the first working hour that any of them knows; None without any."""
    starts = [o.windows[0].span.start_ms for o in outlooks if o.windows]
    return _local(min(starts), zone).date() if starts else None


def ten_days(outlook: Outlook, zone: ZoneInfo, first: datetime.date) -> tuple[DayCell, ...]:
    """Ten days of a pass from a day on, by its windows in working hours. `zone` is that of the place."""
    by_day: dict[datetime.date, list[Window]] = {}
    for window in outlook.windows:
        by_day.setdefault(_local(window.span.start_ms, zone).date(), []).append(window)
    fit = [window for one in openings(outlook) for window in one.windows]
    days = [first + datetime.timedelta(days=number) for number in range(DAYS)]
    return tuple(_day_cell(day, by_day.get(day, []), fit) for day in days)


def _day_cell(day: datetime.date, windows: Sequence[Window], fit: Sequence[Window]) -> DayCell:
    if not windows:
        return DayCell(day, "", None, _of_day(day, say("nothing known")))
    opened = [window for window in windows if window in fit]
    if not opened:
        hours: dict[str, int] = {}
        for window in windows:
            kind = "wait" if window.verdict is Verdict.OPEN else kind_of(window)  # too short a time to begin
            hours[kind] = hours.get(kind, 0) + window.span.end_ms - window.span.start_ms
        kind = max(hours, key=lambda one: hours[one])
        return DayCell(day, kind, None, _of_day(day, _kind_in_full(kind)))
    by_word = next((window.override for window in opened if window.override is not None), None)
    if by_word is not None:
        return DayCell(day, "open", None, _of_day(day, say("open on the word of {author}", author=by_word.author)))
    known = [(w.chance, w.span.end_ms - w.span.start_ms) for w in opened if w.chance is not None]
    if not known:
        return DayCell(day, "open", None, _of_day(day, _kind_in_full("open")))
    chance = sum(c * length for c, length in known) / sum(length for _, length in known)
    return DayCell(day, MAY_OPEN if chance < LIKELY else "open", chance, _of_day(day, in_ten(chance)))


def _of_day(day: datetime.date, told: str) -> str:
    # Translators: what is told of a day, as in "Fri 22: 8 in 10"
    return say("{day}: {told}", day=weekday_and_day(day), told=told)


def _kind_in_full(kind: str) -> str:
    return say("may open, less likely than not") if kind == MAY_OPEN else say(KIND_WORDS[kind])


def rain_of_days(forecast: WetnessForecast, zone: ZoneInfo, first: datetime.date) -> list[tuple[float, float] | None]:
    """Rain of each of ten days, the middle and what one way of the weather in ten exceeds. [mm] None where not known.

    What is left of the day that it is counts; a last day that is known in part does not.
    """
    if forecast.reason or not forecast.rain_mm.size:
        return [None] * DAYS
    dates = np.array([_local(at_ms, zone).date().toordinal() for at_ms in forecast.at_ms[:-1].tolist()])
    found: list[tuple[float, float] | None] = []
    for number in range(DAYS):
        rows = dates == first.toordinal() + number
        whole = rows.sum() >= 23 or (number == 0 and rows.any())  # clocks change
        middle, high = np.quantile(forecast.rain_mm[rows].sum(axis=0), (0.5, 0.9)) if whole else (0.0, 0.0)
        found.append((float(middle), float(high)) if whole else None)
    return found


def _local(at_ms: int, zone: datetime.tzinfo | None) -> datetime.datetime:
    return datetime.datetime.fromtimestamp(at_ms / 1000, zone)


# --- wetness to come -------------------------------------------------------------------------------------------------

WIDTH, HEIGHT = 360, 176
LEFT, RIGHT, TOP, BOTTOM = 56, 64, 12, 24  # margins for the words at the edges
LOWEST, HIGHEST = -0.1, 1.3
STEP_H = 4  # about as far apart as the eye tells them: four pixels
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
        (say("thatch"), "of-thatch", forecast.thatch_wetness),
        (say("roots"), "of-roots", forecast.root_wetness),
    ):
        if np.isfinite(values).all():
            mean, low, high = (_y(row[rows]) for row in spread_of(values))
            band = _path(np.concatenate([x, x[::-1]]), np.concatenate([high, low[::-1]])) + "Z"
            curves.append(Curve(name, kind, _path(x, mean), band, float(mean[-1]) + 4))
    return WetnessChart(
        WIDTH, HEIGHT, LEFT, WIDTH - RIGHT, TOP, HEIGHT - BOTTOM, _apart(curves), tuple(_midnights(forecast, zone)),
        (
            (float(_y(np.array([1.0]))[0]), say_as("how wet", "drained")),
            (float(_y(np.array([0.0]))[0]), say_as("how wet", "dry")),
        ),
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
        yield LEFT + (WIDTH - LEFT - RIGHT) * (midnight_ms - first) / (last - first), weekday_letters(day)
        day += datetime.timedelta(days=1)


def _y(wetness: FloatArray) -> FloatArray:
    share = (np.clip(wetness, LOWEST, HIGHEST) - LOWEST) / (HIGHEST - LOWEST)
    return np.asarray(HEIGHT - BOTTOM - (HEIGHT - BOTTOM - TOP) * share)


def _path(x: FloatArray, y: FloatArray) -> str:
    return "M" + "L".join(f"{a:.0f} {b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True) if math.isfinite(b))
