"""The last weeks of a station's channels and findings, kept from one asking to the next, and their hourly means."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.stages.stage import NO_SERIES, Series
from pipeline.store import Store
from pipeline.units import DAY_MS, HOUR_MS, FloatArray, TimeArray

REACH_MS = 63 * DAY_MS
AGAIN_MS, AGAIN_DAILY_MS = 2 * DAY_MS, 8 * DAY_MS
LONGEST_GAP_H = 3  # hours in a row that a straight line may fill: our own choice


@dataclass
class _Cached:
    """Series by name, and until when and on which day they were read."""

    until_ms: int
    read_on: int
    key: object
    series: dict[str, Series] = field(default_factory=dict)


class RecentSeries:
    """The last nine weeks of channels and findings; only what is newer than the last asking is read again.

    Parameters
    ----------
    store : Store
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._kept: dict[tuple[str, ...], _Cached] = {}

    def forget(self) -> None:
        """Read everything anew at the next asking: the past has changed."""
        self._kept.clear()

    def channels(self, names: Sequence[str], now_ms: int) -> Mapping[str, Series]:
        """Time [ms] and value of channels up to and with now; one that has none is left out.

        Raises
        ------
        StoreAway
        """
        wanted = tuple(sorted(set(names)))

        def read(start_ms: int) -> Mapping[str, Series]:
            return self._store.channel_series(list(wanted), start_ms, now_ms + 1)

        return self._up_to_date(("channel", *wanted), now_ms, None, read)

    def findings(self, station: str, quantities: Sequence[str], now_ms: int, *, key: object) -> Mapping[str, Series]:
        """Time [ms] and value of findings of a station up to and with now.

        Parameters
        ----------
        station : str
        quantities : sequence of str
        now_ms : int
            [ms since 1970, UTC]
        key : object
            What they rest on: when it is another than before, all of it is read anew.

        Raises
        ------
        StoreAway
        """

        def read(start_ms: int) -> Mapping[str, Series]:
            return self._store.finding_series(station, list(quantities), start_ms, now_ms + 1)

        return self._up_to_date(("finding", station, *quantities), now_ms, key, read)

    def _up_to_date(
        self, name: tuple[str, ...], now_ms: int, key: object, read: Callable[[int], Mapping[str, Series]]
    ) -> Mapping[str, Series]:
        kept, day = self._kept.get(name), now_ms // DAY_MS
        if kept is None or kept.key != key or now_ms < kept.until_ms:
            self._kept[name] = kept = _Cached(now_ms, day, key, dict(read(now_ms - REACH_MS)))
            return kept.series
        if now_ms == kept.until_ms:
            return kept.series
        again_ms = kept.until_ms - (AGAIN_MS if day == kept.read_on else AGAIN_DAILY_MS)
        fresh = read(again_ms)
        for channel in {*kept.series, *fresh}:
            time_ms, value = kept.series.get(channel, NO_SERIES)
            first, last = np.searchsorted(time_ms, [now_ms - REACH_MS, again_ms])
            new_ms, new_value = fresh.get(channel, NO_SERIES)
            kept.series[channel] = (
                np.concatenate([time_ms[first:last], new_ms]), np.concatenate([value[first:last], new_value])
            )  # fmt: skip
        kept.until_ms, kept.read_on = now_ms, day
        return kept.series


def hour_means(series: Series, first_ms: int, hours: int) -> FloatArray:
    """Mean of the good values of each hour, short gaps filled by a straight line, a late value carried to the end.

    Parameters
    ----------
    series : (times, values)
        [ms since 1970, UTC]
    first_ms : int
        Begin of the first hour.
    hours : int

    Returns
    -------
    ndarray, shape (hours,)
        NaN where nothing good was heard for longer than `LONGEST_GAP_H` hours.
    """
    time_ms, value = series
    place = (time_ms - first_ms) // HOUR_MS
    good = (place >= 0) & (place < hours) & np.isfinite(value)
    count = np.bincount(place[good], minlength=hours)
    total = np.bincount(place[good], weights=value[good], minlength=hours)
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return fill_short_gaps(mean)


def fill_short_gaps(mean: FloatArray) -> FloatArray:
    """Gaps of at most `LONGEST_GAP_H` hours filled, between known hours by a straight line, at the end by the last."""
    known = np.flatnonzero(np.isfinite(mean))
    if known.size == 0:
        return mean
    hours = np.arange(mean.size)
    before = known[np.maximum(np.searchsorted(known, hours, side="right") - 1, 0)]
    after = known[np.minimum(np.searchsorted(known, hours, side="left"), known.size - 1)]
    last = hours > known[-1]
    gap = np.where(last, hours - before, after - before - 1)
    inside = (hours >= known[0]) & (gap <= LONGEST_GAP_H)
    line = np.interp(hours, known, mean[known])
    return np.asarray(np.where(inside, line, np.nan), dtype=np.float64)


def newest_ms(series: Sequence[Series]) -> int | None:
    """Time of the newest value of several series; None when there is none. [ms since 1970, UTC]"""
    times: list[TimeArray] = [time_ms[-1:] for time_ms, _ in series]
    newest = np.concatenate(times) if times else np.array([], dtype=np.int64)
    return int(newest.max()) if newest.size else None
