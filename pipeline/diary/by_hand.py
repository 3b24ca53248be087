"""Facts of the diary that come from a hand: meter, penetrometer, gauge; and days closed to play and costs.

The length of an entry without an end is that of `facts.read_diary`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from pipeline.diary.entry import DiaryEntry
from pipeline.units import DAY_MS, HOUR_MS

SINCE_READ_H = 8 * 24.0  # a gauge not read for longer was emptied a day before it was read: our own choice


class HandMoisture(NamedTuple):
    """Water content a hand meter read between the leaf and the end of its rods, the mean of `points` points.

    [ms since 1970, UTC], [m3 m-3], [m]; `spread` is the standard deviation of the points, NaN where not written.
    """

    station: str
    at_ms: int
    water_content: float
    rod_m: float
    points: int
    spread: float
    written_at_ms: int
    id: int = 0


class HandPush(NamedTuple):
    """One push of a penetrometer by hand: depths, increasing, and the resistance at each. [ms], [m], [kPa]"""

    station: str
    at_ms: int
    depth_m: tuple[float, ...]
    resistance_kpa: tuple[float, ...]
    written_at_ms: int
    id: int = 0


class HandRain(NamedTuple):
    """Rain that a gauge read by hand had caught between two moments. [ms since 1970, UTC], [mm]"""

    start_ms: int
    end_ms: int
    rain_mm: float


class Closed(NamedTuple):
    """A span without play, and why. [ms since 1970, UTC]"""

    start_ms: int
    end_ms: int
    reason: str


class Cost(NamedTuple):
    """What something cost [currency of the site], the hours worked [h], NaN where not written, and the kind of pass."""

    at_ms: int
    amount: float
    what: str
    hours: float
    kind: str | None


def moisture_of(entry: DiaryEntry) -> HandMoisture:
    """Return what a `moisture` entry says."""
    points = entry.body.get("points", 1)
    return HandMoisture(
        str(entry.station),
        entry.at_ms,
        entry.number("moisture_percent") / 100.0,
        entry.number("rod_mm") / 1000.0,
        points if isinstance(points, int) else 1,
        entry.number("spread_percent") / 100.0,
        entry.written_at_ms,
        entry.id,
    )


def push_of(entry: DiaryEntry) -> HandPush:
    """Return what a `push` entry says."""
    depth_mm, kpa = (_numbers(entry, key) for key in ("depth_mm", "resistance_kpa"))
    depth_m = tuple(mm / 1000.0 for mm in depth_mm)
    return HandPush(str(entry.station), entry.at_ms, depth_m, kpa, entry.written_at_ms, entry.id)


def _numbers(entry: DiaryEntry, key: str) -> tuple[float, ...]:
    values = entry.body.get(key)
    assert isinstance(values, list | tuple)
    return tuple(float(value) for value in values)


def rain_of(entries: Sequence[DiaryEntry]) -> tuple[HandRain, ...]:
    """Return the rain of `rain` entries, in order of time.

    Without an end it fell since the reading before, when that was at most `SINCE_READ_H` hours ago, else in a day.
    """
    found: list[HandRain] = []
    for e in entries:
        start_ms, end_ms = (e.at_ms, e.end_ms) if e.end_ms is not None else (e.at_ms - DAY_MS, e.at_ms)
        if e.end_ms is None and found and found[-1].end_ms <= e.at_ms <= found[-1].end_ms + SINCE_READ_H * HOUR_MS:
            start_ms = found[-1].end_ms
        found.append(HandRain(start_ms, end_ms, e.number("rain_mm")))
    return tuple(found)


def cost_of(entry: DiaryEntry) -> Cost:
    """Return what a `cost` entry says."""
    kind = entry.body.get("pass")
    return Cost(
        entry.at_ms,
        entry.number("amount"),
        str(entry.body["what"]),
        entry.number("hours"),
        kind if isinstance(kind, str) else None,
    )
