"""Water that people will give: what they have booked, what is advised for tonight, and the keeper's own habit.

The habit is read from the diary of the last weeks: how many days he leaves between waterings, or on which days of the
week he gives them, how much and at what hour, how often rain makes him leave one out, and how often he gave water on
an evening on which the roots were short of it. Every member of the weather ahead draws its own waterings from it. How
the figures are drawn is our own choice throughout.
"""

from __future__ import annotations

import datetime
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import cycle

import numpy as np
import numpy.typing as npt

from pipeline.forecast.balance import by_hour
from pipeline.soil.wetting import Watering
from pipeline.texts import in_a_row, later, say, say_many, weekday
from pipeline.units import DAY_MS, HOUR_MS, FloatArray

HABIT_MS = 56 * DAY_MS  # whose waterings speak for the keeper, as the weeks of the balance
ONE_WATERING_MS = 12 * HOUR_MS  # goes so near to each other are one watering
LEAST_WATERINGS = 3  # fewer are no habit
FADES = 0.8  # weight of a watering over that of the next: a new habit soon counts for more than the old one
WET_DAY_MM = 5.0  # rain of 24 hours that may make a keeper leave out a watering
LEFT_OUT = 1.25  # times the usual interval: a watering was left out
ON_WEEKDAYS = 3  # waterings on no more days of the week than so many, each of them twice, keep to the week
EVENING_H = 20  # local hour at which water goes on, and by which it is asked of tomorrow
OF_TONIGHT_H = (-4, 14)  # about that hour, in which a watering is that evening's
SALT = 3
NUMBERS_EACH = 256  # of a member, more than ten days take; then they come round again
NEVER_H = -(10**7)  # before any watering
MONDAY = datetime.date(2024, 1, 1)


@dataclass(frozen=True)
class Habit:
    """How a keeper waters.

    Attributes
    ----------
    given : tuple of Watering
        His last waterings, goes of one night in one.
    interval_d : ndarray, shape (n,)
        Days from one to the next where no rain came between. [d]
    weight : ndarray, shape (n,)
        Of each interval, the latest the most. [1]
    weekdays : tuple of float
        Chance of a watering on each local day of the week, Monday first; empty where he keeps to no days. [1]
    skips : float
        Chance that he leaves one out after rain. [1]
    heeds : float
        Chance that he gives water on an evening on which it is advised. [1]
    """

    given: tuple[Watering, ...] = ()
    interval_d: FloatArray = field(default_factory=lambda: np.zeros(0))
    weight: FloatArray = field(default_factory=lambda: np.zeros(0))
    weekdays: tuple[float, ...] = ()
    skips: float = 0.5
    heeds: float = 0.5

    @property
    def is_known(self) -> bool:
        """Whether there are waterings enough to go by."""
        return bool(self.interval_d.size or self.weekdays)


@dataclass(frozen=True)
class WaterToCome:
    """What is known of a station's waterings to come.

    `booked` is given whatever comes; `tonight` is what is advised, None where nothing is. The rain is that of the last
    hours, up to now, shape (hour,). [mm h-1]
    """

    habit: Habit
    rain_mm: FloatArray
    booked: tuple[Watering, ...] = ()
    tonight: Watering | None = None


def habit_of(
    waterings: Sequence[Watering],
    rain_mm: FloatArray,
    short: npt.NDArray[np.bool_],
    now_ms: int,
    zone: datetime.tzinfo,
) -> Habit:
    """Read a keeper's habit from his waterings of the last `HABIT_MS`.

    Parameters
    ----------
    waterings : sequence of Watering
        Of known amount, in order of time.
    rain_mm : ndarray, shape (hour,)
        Of the hours up to now. [mm h-1] NaN counts as none.
    short : ndarray of bool, shape (hour,)
        Whether the roots were short of water, so that it would have been advised.
    now_ms : int
        End of the last hour. [ms since 1970, UTC]
    zone : tzinfo
        Of the site.

    Returns
    -------
    Habit
        Not known with fewer than `LEAST_WATERINGS`.
    """
    given = _nights([w for w in waterings if now_ms - HABIT_MS <= w.start_ms < now_ms and w.water_mm > 0.0])
    heeds = _heeds(given, short, now_ms, zone)
    if len(given) < LEAST_WATERINGS:
        return Habit(given, heeds=heeds)
    starts = np.array([w.start_ms for w in given], dtype=np.int64)
    interval_d = np.diff(starts) / DAY_MS
    wet = _wet_hours(rain_mm)
    first_ms = now_ms - rain_mm.size * HOUR_MS
    rained = np.array([
        wet[slice(*((pair - first_ms) // HOUR_MS).clip(0, wet.size).tolist())].any()
        for pair in np.stack([starts[:-1], starts[1:]], axis=1)
    ])  # fmt: skip
    dry = ~rained if (~rained).sum() >= LEAST_WATERINGS - 1 else np.ones(rained.shape, dtype=np.bool_)
    usual_d = float(np.median(interval_d[dry]))
    left_out = int((interval_d[rained] > LEFT_OUT * usual_d).sum())
    age = np.flatnonzero(dry[::-1])[::-1]  # 0 for the latest interval
    return Habit(
        given, interval_d[dry], FADES ** age.astype(np.float64), _weekdays(given, zone),
        (left_out + 1.0) / (int(rained.sum()) + 2.0), heeds,  # Laplace's rule of succession
    )  # fmt: skip


def _nights(waterings: Sequence[Watering]) -> tuple[Watering, ...]:
    """Return the waterings with goes of one night joined."""
    found: list[Watering] = []
    for one in waterings:
        last = found[-1] if found else None
        if last is not None and one.start_ms - last.start_ms < ONE_WATERING_MS:
            found[-1] = Watering(last.start_ms, max(last.end_ms, one.end_ms), last.water_mm + one.water_mm)
        else:
            found.append(one)
    return tuple(found)


def _heeds(given: Sequence[Watering], short: npt.NDArray[np.bool_], now_ms: int, zone: datetime.tzinfo) -> float:
    """Return the chance that water is given on an evening that wants it, by Laplace's rule of succession. [1]"""
    first_ms = now_ms - HOUR_MS * short.size
    starts = np.array([w.start_ms for w in given], dtype=np.int64)
    wanted = watered = 0
    first, last = (datetime.datetime.fromtimestamp(at / 1000, zone).date() for at in (first_ms, now_ms))
    for day in range((last - first).days + 1):
        evening = datetime.datetime.combine(first + datetime.timedelta(days=day), datetime.time(EVENING_H), zone)
        hour = -(-(round(evening.timestamp() * 1000) - first_ms) // HOUR_MS)
        if not (0 <= hour < short.size and short[hour]):
            continue
        at = first_ms + hour * HOUR_MS
        begin, end = (at + h * HOUR_MS for h in OF_TONIGHT_H)
        if end <= now_ms:
            wanted += 1
            watered += bool(((starts >= begin) & (starts < end)).any())
    return (watered + 1.0) / (wanted + 2.0)


def _weekdays(given: Sequence[Watering], zone: datetime.tzinfo) -> tuple[float, ...]:
    """Return the chance of a watering on each day of the week where a keeper keeps to the week; else nothing. [1]"""
    dates = [datetime.datetime.fromtimestamp(w.start_ms / 1000, zone).date() for w in given]
    on = np.bincount([d.weekday() for d in dates], minlength=7)
    if (on > 0).sum() > ON_WEEKDAYS or (on[on > 0] < 2).any():
        return ()
    span = [dates[0] + datetime.timedelta(days=n) for n in range((dates[-1] - dates[0]).days + 1)]
    there = np.bincount([d.weekday() for d in span], minlength=7)
    return tuple((on / np.maximum(there, 1)).clip(0.0, 1.0).tolist())


def _wet_hours(rain_mm: FloatArray) -> npt.NDArray[np.bool_]:
    """Return the hours up to whose end `WET_DAY_MM` or more fell in 24 hours."""
    return _wet(np.cumsum(np.concatenate([np.zeros(24), np.nan_to_num(rain_mm)])))


def _wet(total_mm: FloatArray) -> npt.NDArray[np.bool_]:
    """Return the same from the rain up to the end of each hour, the first 24 of which only lie before, along axis 0."""
    return np.asarray(total_mm[24:] - total_mm[:-24] >= WET_DAY_MM - 1e-9)


def _latest_wet_h(back_mm: FloatArray, rain_mm: FloatArray) -> npt.NDArray[np.int64]:
    """Return the last wet hour before each of the hours to come and before their end, counted from now.

    Shape (hour + 1, member); `NEVER_H` where none was wet.
    """
    hours, members = rain_mm.shape
    behind = np.flatnonzero(_wet_hours(back_mm))
    total = np.cumsum(np.concatenate([np.zeros(24), np.nan_to_num(back_mm)]))[-24:]
    ahead = np.cumsum(np.vstack([np.full((1, members), total[-1]), np.nan_to_num(rain_mm)]), axis=0)[1:]
    wet = _wet(np.vstack([np.repeat(total[:, np.newaxis], members, axis=1), ahead]))
    found = np.full((hours + 1, members), NEVER_H, dtype=np.int64)
    found[0] = behind[-1] - back_mm.size if behind.size else NEVER_H
    found[1:] = np.where(wet, np.arange(hours)[:, np.newaxis], NEVER_H)
    return np.maximum.accumulate(found, axis=0)


def waterings_ahead(to_come: WaterToCome, rain_mm: FloatArray, now_ms: int, zone: datetime.tzinfo) -> FloatArray:
    """Return the water given in each hour to come, each member drawing its own.

    Parameters
    ----------
    to_come : WaterToCome
    rain_mm : ndarray, shape (hour, member)
        Of the members, from now on. [mm h-1]
    now_ms : int
        Begin of the first hour. [ms since 1970, UTC]
    zone : tzinfo
        Of the site.

    Returns
    -------
    ndarray, shape (hour, member)
        [mm h-1] The same input gives the same members.
    """
    hours, members = rain_mm.shape
    drawing = _Drawing(to_come, _latest_wet_h(to_come.rain_mm, rain_mm), now_ms, zone)
    drawn = [(member, one) for member in range(members) for one in drawing.waterings(member)]
    found = np.zeros((hours, members))
    which, hour, mm = by_hour(now_ms, hours, [one for _, one in drawn])
    np.add.at(found, (hour, np.array([member for member, _ in drawn], dtype=np.int64)[which]), mm)
    return found


@lru_cache(maxsize=4)  # the same at every call
def _numbers(members: int) -> FloatArray:
    """Return what each member draws, one number after the other, shape (member, NUMBERS_EACH). [1]"""
    return np.array([np.random.default_rng([member, SALT]).random(NUMBERS_EACH) for member in range(members)])


class _Drawing:
    """Draws each member's waterings to come; what members have in common is worked out once."""

    def __init__(
        self, to_come: WaterToCome, latest_wet_h: npt.NDArray[np.int64], now_ms: int, zone: datetime.tzinfo
    ) -> None:
        habit = to_come.habit
        self._habit, self._latest_wet_h, self._now_ms, self._zone = habit, latest_wet_h, now_ms, zone
        self._end_ms = now_ms + (latest_wet_h.shape[0] - 1) * HOUR_MS
        self._last_ms = max((w.start_ms for w in habit.given), default=None)
        reach_ms = self._end_ms + ONE_WATERING_MS  # a later one takes the place of none
        self._fixed = _in_order([w for w in to_come.booked if w.end_ms > now_ms and w.start_ms < reach_ms])
        self._tonight = to_come.tonight
        self._with_tonight = _in_order([*self._fixed, *([] if self._tonight is None else [self._tonight])])
        self._his = _shares(FADES ** np.arange(len(habit.given) - 1, -1, -1, dtype=np.float64))
        self._longest_d = float(habit.interval_d.max(initial=0.0))
        self._usual_d = float(np.median(habit.interval_d)) if habit.interval_d.size else 0.0
        self._left: dict[int, list[float]] = {}
        self._numbers = _numbers(latest_wet_h.shape[1])

    def waterings(self, member: int) -> list[Watering]:
        """Return what is given from now on."""
        draw = cycle(self._numbers[member].tolist()).__next__
        heeded = draw() < self._habit.heeds
        last_ms = self._last_ms
        due_ms = self._next(last_ms, draw)
        instead = any(self._is_tonight(at_ms) for at_ms in (due_ms, *(w.start_ms for w in self._fixed)))
        fixed = list(self._with_tonight if heeded and not instead else self._fixed)
        found = list(fixed)
        while due_ms is not None and due_ms < self._end_ms:
            if fixed and fixed[0].start_ms < due_ms + ONE_WATERING_MS:
                last_ms = fixed.pop(0).start_ms
            elif (rained_ms := self._rained_before(due_ms, member)) > (last_ms or 0) and draw() < self._habit.skips:
                last_ms = due_ms if self._habit.weekdays else rained_ms
            else:
                like = self._one_of_his(draw)
                found.append(Watering(due_ms, due_ms + like.end_ms - like.start_ms, like.water_mm))
                last_ms = due_ms
            due_ms = self._next(last_ms, draw)
        return found

    def _is_tonight(self, due_ms: int | None) -> bool:
        if self._tonight is None or due_ms is None:
            return False
        begin, end = (self._tonight.start_ms + h * HOUR_MS for h in OF_TONIGHT_H)
        return begin <= due_ms < end

    def _rained_before(self, due_ms: int, member: int) -> int:
        """Return when the last wet day before a watering ended. [ms]"""
        hour = min((due_ms - self._now_ms) // HOUR_MS, self._latest_wet_h.shape[0] - 1)
        return self._now_ms + int(self._latest_wet_h[hour, member]) * HOUR_MS

    def _next(self, last_ms: int | None, draw: Callable[[], float]) -> int | None:
        """Return when the next watering is due after the last, not before now; None for never. [ms]"""
        if last_ms is None or not self._habit.is_known:
            return None
        return self._next_weekday(last_ms, draw) if self._habit.weekdays else self._next_interval(last_ms, draw)

    def _next_interval(self, last_ms: int, draw: Callable[[], float]) -> int | None:
        habit = self._habit
        if (left := self._left.get(last_ms)) is None:
            still = habit.interval_d > (self._now_ms - last_ms) / DAY_MS
            self._left[last_ms] = left = _shares(np.where(still, habit.weight, 0.0)) if still.any() else []
        if left:
            return last_ms + round(float(habit.interval_d[bisect_right(left, draw())]) * DAY_MS)
        # overdue: of the keepers so late by a whole interval every second has stopped
        passed_d = (self._now_ms - last_ms) / DAY_MS
        if draw() >= 0.5 ** ((passed_d - self._longest_d) / self._usual_d):
            return None
        days = int(draw() * max(self._usual_d, 1.0))
        return self._at_usual_hour(self._now_ms, days, draw)

    def _next_weekday(self, last_ms: int, draw: Callable[[], float]) -> int | None:
        # of the keepers who left out a day of theirs more than one every second has stopped
        if (missed := self._missed(last_ms)) > 1.0 and draw() >= 0.5 ** (missed - 1.0):
            return None
        from_ms = max(last_ms, self._now_ms)
        for days in range(22):
            at_ms = self._at_usual_hour(from_ms, days, draw)
            date = datetime.datetime.fromtimestamp(at_ms / 1000, self._zone)
            if at_ms >= last_ms + ONE_WATERING_MS and draw() < self._habit.weekdays[date.weekday()]:
                return at_ms
        return None

    def _missed(self, last_ms: int) -> float:
        """Return how many of his days of the week, each by its chance, have gone by since the last watering."""
        gone = range(last_ms + DAY_MS, self._now_ms + 1, DAY_MS)
        dates = (datetime.datetime.fromtimestamp(at_ms / 1000, self._zone) for at_ms in gone)
        return sum(self._habit.weekdays[date.weekday()] for date in dates)

    def _at_usual_hour(self, from_ms: int, days: int, draw: Callable[[], float]) -> int:
        """Return so many days on, at the hour of one of his waterings, not before a moment. [ms]"""
        of_day_ms = self._one_of_his(draw).start_ms % DAY_MS
        at_ms = from_ms // DAY_MS * DAY_MS + of_day_ms
        return at_ms + (days if at_ms >= from_ms else days + 1) * DAY_MS

    def _one_of_his(self, draw: Callable[[], float]) -> Watering:
        return self._habit.given[bisect_right(self._his, draw())]


def _in_order(waterings: Sequence[Watering]) -> list[Watering]:
    return sorted(waterings, key=lambda w: w.start_ms)


def _shares(weight: FloatArray) -> list[float]:
    """Return the sums of weights up to each, the last 1: a number drawn falls below the one that it chooses. [1]"""
    if not weight.size:
        return []
    total = (weight / weight.sum()).cumsum()
    return [float(one) for one in total / total[-1]]


def habit_words(habit: Habit) -> str:
    """Return what is counted on, as a clause; empty where no habit is known."""
    if not habit.is_known:
        return ""
    mm = float(np.median([w.water_mm for w in habit.given]))
    if habit.weekdays:
        # Translators: what the forecast of wetness counts on; days are "Monday and Thursday"
        told = later("by the diary water of about {mm:.0f} mm is counted on each {days}")
        days = [weekday(MONDAY + datetime.timedelta(days=n)) for n, chance in enumerate(habit.weekdays) if chance > 0.0]
        return say(told, mm=mm, days=in_a_row(days))
    return say_many(
        "by the diary water of about {mm:.0f} mm is counted on every {n} day",
        "by the diary water of about {mm:.0f} mm is counted on every {n} days",
        max(round(float(np.median(habit.interval_d))), 1), mm=mm,
    )  # fmt: skip
