"""Facts of the diary that come from a hand: meter, penetrometer, gauge; and days closed to play and costs.

What was measured becomes observations of channels of its own, `STATION/by-hand/..`, when the stages run; it is never
among the readings. The length of an entry without an end is that of `facts.read_diary`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from hardware.probe import Calibration, Channel
from pipeline.diary.entry import DiaryEntry
from pipeline.site.ground import BY_HAND
from pipeline.units import DAY_MS, HOUR_MS, MINUTE_MS

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
    written_at_ms: int = 0

    def overlap_ms(self, start_ms: int, end_ms: int) -> int:
        """Return how much of its span lies in start <= t < end. [ms]"""
        return max(min(self.end_ms, end_ms) - max(self.start_ms, start_ms), 0)


def hand_rain_mm(read: Iterable[HandRain], start_ms: int, end_ms: int, *, least_share: float) -> float | None:
    """Return the rain of start <= t < end by a gauge read by hand, each reading even over its span. [mm]

    None unless readings tell of at least `least_share` of the time.
    """
    inside = [(one, one.overlap_ms(start_ms, end_ms)) for one in read]
    if end_ms <= start_ms or sum(ms for _, ms in inside) < least_share * (end_ms - start_ms):
        return None
    return math.fsum(one.rain_mm * ms / max(one.end_ms - one.start_ms, 1) for one, ms in inside)


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
        found.append(HandRain(start_ms, end_ms, e.number("rain_mm"), e.written_at_ms))
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


# --- as observations -------------------------------------------------------------------------------------------------

PUSH_MS = 1500  # between pushes written down for one minute: more than the stages join into one
PUSH_STEP_MS = 1  # between the depths of a push, as a dock counts them


class HandValue(NamedTuple):
    """One value of an observation by hand. [unit of the channel's `heard`], [ms since 1970, UTC]

    `entry` is the number of the entry of a push; 0 for others.
    """

    channel: str
    at_ms: int
    raw: float
    written_at_ms: int
    entry: int = 0


def hand_channels(values: Iterable[HandValue]) -> dict[str, Channel]:
    """Return the channel of each kind of value by its id: the rods of a meter sense from the leaf to their end."""
    found: dict[str, Channel] = {}
    for channel_id in sorted({value.channel for value in values}):
        name = channel_id.rsplit("/", 1)[1]
        if name.startswith("moisture_"):
            rod_m = int(name.removeprefix("moisture_")) / 1000.0
            found[channel_id] = _channel(name, "water_content", rod_m / 2.0, rod_m)
        else:
            found[channel_id] = _channel(name, name, None, 0.0)
    return found


def _channel(name: str, quantity: str, depth_m: float | None, height_m: float) -> Channel:
    return Channel(name, quantity, quantity, depth_m, height_m, "", 1, 1.0, 0.0, Calibration(source="written by hand"))


def rod_channel(station: str, rod_m: float) -> str:
    """Return the id of the channel of rods of a length [m], to the whole millimetre."""
    return f"{station}/{BY_HAND}/moisture_{round(1000.0 * rod_m):03d}"


def hand_values(station: str, moisture: Iterable[HandMoisture], rain: Iterable[HandRain]) -> list[HandValue]:
    """Return moisture [m3 m-3] and rain [mm, at the end of its span] measured by hand as values of channels.

    Moisture of one moment and one length of rods becomes one value, each point counting as much.
    """
    found = [HandValue(f"{station}/{BY_HAND}/rain", r.end_ms, r.rain_mm, r.written_at_ms) for r in rain]
    points: dict[tuple[str, int], list[HandMoisture]] = {}
    for one in moisture:
        points.setdefault((rod_channel(station, one.rod_m), one.at_ms), []).append(one)
    for (channel, at_ms), those in points.items():
        found.append(HandValue(channel, at_ms, mean_of(those), max(one.written_at_ms for one in those)))
    return found


def push_values(station: str, pushes: Iterable[HandPush]) -> list[HandValue]:
    """Return pushes as values of depth [m] and resistance [kPa], step by step.

    Those written for one minute follow each other in the order in which they were written, so that one written later
    moves none; for that struck ones must be among them.
    """
    found = []
    minutes: dict[int, int] = {}
    for push in sorted(pushes, key=lambda push: push.id):
        minute = push.at_ms // MINUTE_MS
        first_ms = minute * MINUTE_MS + PUSH_MS * minutes.setdefault(minute, 0)
        minutes[minute] += 1
        for step, (depth_m, kpa) in enumerate(zip(push.depth_m, push.resistance_kpa, strict=True)):
            for name, raw in (("cone_depth", depth_m), ("cone_resistance", kpa)):
                at_ms = first_ms + step * PUSH_STEP_MS
                found.append(HandValue(f"{station}/{BY_HAND}/{name}", at_ms, raw, push.written_at_ms, push.id))
    return found


def mean_of(readings: Sequence[HandMoisture]) -> float:
    """Return the mean water content of readings, each of their points counting as much. [m3 m-3]"""
    return sum(one.points * one.water_content for one in readings) / sum(one.points for one in readings)


def by_channel(values: Iterable[HandValue]) -> Mapping[str, list[HandValue]]:
    """Return values by channel, in order of channel and time."""
    found: dict[str, list[HandValue]] = {}
    for value in sorted(values, key=lambda value: (value.channel, value.at_ms)):
        found.setdefault(value.channel, []).append(value)
    return found
