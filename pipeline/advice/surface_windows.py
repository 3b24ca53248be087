"""Outlooks made of others: several stations of a surface as one, chances from an ensemble, windows cut to work hours.

Stations must agree before a window is open: in each hour the worst verdict stands, and its reason names the station
where the others say otherwise. Nothing is judged here that was not judged before.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipeline.advice.conditions import CONDITIONS, EDGE_SLACK, Rule, Verdict, worse
from pipeline.advice.treatments import Row
from pipeline.advice.windows import Outlook, Window
from pipeline.forecast.wetness import WetnessForecast
from pipeline.units import (
    HOUR_MS,
    BoolArray,
    FloatArray,
    TimeSpan,
)


def join_outlooks(each: Sequence[tuple[str, Outlook]]) -> Outlook:
    """One outlook of several stations' on the same pass.

    Parameters
    ----------
    each : sequence of (str, Outlook)
        Name of the station in words, and its outlook; all over the same hours, one or more.

    Returns
    -------
    Outlook
        Open only where all are. Of stations that are equally bad the first is told.
    """
    if len(each) == 1:
        return each[0][1]
    outlooks = [one for _, one in each]
    first = outlooks[0]
    hours = first.at_ms.size
    index = np.stack([_window_index(one) for one in outlooks])
    effective = np.stack(
        [
            np.array([one.windows[i].verdict for i in row], dtype=np.int8)
            for one, row in zip(outlooks, index, strict=True)
        ]
    )
    station = np.argmax(worse(effective), axis=0)
    raw = np.stack([one.verdicts for one in outlooks])
    keys = np.stack([station, *index])
    starts = [0, *(np.flatnonzero((keys[:, 1:] != keys[:, :-1]).any(axis=0)) + 1).tolist()]
    chance = np.fmin.reduce([one.chance for one in outlooks])
    windows = []
    for start, end in zip(starts, [*starts[1:], hours], strict=True):
        here = [one.windows[row[start]] for one, row in zip(outlooks, index, strict=True)]
        chosen = int(station[start])
        windows.append(
            _told(
                here,
                chosen,
                each[chosen][0],
                TimeSpan(int(first.at_ms[start]), int(first.at_ms[end - 1]) + HOUR_MS),
                _mean(chance[start:end]),
            )
        )
    verdicts = raw[np.argmax(worse(raw), axis=0), np.arange(hours)]
    return replace(first, verdicts=verdicts, chance=chance, windows=_merged(windows))


def _window_index(outlook: Outlook) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Which window each hour lies in."""
    starts = np.array([w.span.start_ms for w in outlook.windows], dtype=np.int64)
    return np.asarray(np.searchsorted(starts, outlook.at_ms, side="right") - 1, dtype=np.int64)


def _told(here: Sequence[Window], chosen: int, name: str, span: TimeSpan, chance: float | None) -> Window:
    worst = here[chosen]
    checks = dict.fromkeys(c for w in here for c in w.check_first)
    lifts = dict.fromkeys(n for w in here for n in w.lift_first)
    warnings = dict.fromkeys(t for w in here for t in w.warnings)
    alone = worst.verdict is not Verdict.OPEN and any(w.reason != worst.reason for w in here)
    reason, detail = (f"{t} ({name})" if alone and t else t for t in (worst.reason, worst.detail))
    return replace(
        worst,
        span=span,
        chance=chance,
        reason=reason,
        detail=detail,
        check_first=tuple(checks),
        lift_first=tuple(lifts),
        warnings=tuple(warnings),
    )


def _merged(windows: Sequence[Window]) -> tuple[Window, ...]:
    """Neighbours that say the same become one."""
    found: list[Window] = []
    for window in windows:
        last = found[-1] if found else None
        if last is not None and replace(window, span=last.span, chance=last.chance) == last:
            weights = [w.span.end_ms - w.span.start_ms for w in (last, window)]
            known = [(w.chance, n) for w, n in zip((last, window), weights, strict=True) if w.chance is not None]
            chance = sum(c * n for c, n in known) / sum(n for _, n in known) if known else None
            found[-1] = replace(last, span=TimeSpan(last.span.start_ms, window.span.end_ms), chance=chance)
        else:
            found.append(window)
    return tuple(found)


def _mean(chance: FloatArray) -> float | None:
    known = chance[np.isfinite(chance)]
    return float(known.mean()) if known.size else None


def with_chance(outlook: Outlook, share: FloatArray) -> Outlook:
    """An outlook that is no surer than an ensemble: `share` of its members is open in each hour. [1] Shape (hour,)"""
    chance = np.fmin(outlook.chance, share)
    index = _window_index(outlook)
    windows = tuple(replace(w, chance=_mean(chance[index == i])) for i, w in enumerate(outlook.windows))
    return replace(outlook, chance=chance, windows=windows)


def ensemble_share(
    rows: Mapping[str, Row], forecast: WetnessForecast, hours: int, *, water_to_hand: bool, clay: bool
) -> FloatArray:
    """Share of the ways the weather may go in which wetness and rain are both within the open bounds of a pass.

    Parameters
    ----------
    rows : mapping of condition to Row
        Of the pass; those of wetness and rain count.
    forecast : WetnessForecast
    hours : int
        From the forecast's first on.
    water_to_hand, clay : bool
        Whether conditions for want of water, and those of clay, are asked.

    Returns
    -------
    ndarray, shape (hours,)
        [1] NaN where the members do not reach, or there are none.
    """
    members = forecast.root_wetness.shape[1]
    if forecast.reason or members == 0:
        return np.full(hours, np.nan)
    count = min(hours, forecast.rain_mm.shape[0])
    good: BoolArray = np.ones((count, members), dtype=np.bool_)
    known = np.ones(count, dtype=np.bool_)
    for name, row in rows.items():
        rule = CONDITIONS[name].rule
        if (rule is Rule.NO_WATER and water_to_hand) or (rule is Rule.CLAY and not clay):
            continue
        values = _members(name, row, forecast, count)
        if values is None:
            continue
        known &= ~np.isnan(values).any(axis=1)
        bounds = row.bounds
        good &= (values >= bounds.open_lo - EDGE_SLACK) & (values <= bounds.open_hi + EDGE_SLACK)
    share = np.full(hours, np.nan)
    share[:count] = np.where(known, good.mean(axis=1), np.nan)
    return share


def _members(name: str, row: Row, forecast: WetnessForecast, count: int) -> FloatArray | None:
    """What a condition is worth in each member, shape (hour, member); None for one that weather does not decide."""
    if name.startswith("thatch_wetness"):
        return forecast.thatch_wetness[:count]
    if name.startswith("root_zone_wetness"):
        return forecast.root_wetness[:count]
    if not name.startswith("rain_"):
        return None
    total = np.vstack([np.zeros((1, forecast.rain_mm.shape[1])), np.cumsum(forecast.rain_mm, axis=0)])
    found = np.full((count, total.shape[1]), np.nan)
    whole = max(min(total.shape[0] - row.window_h, count), 0)
    found[:whole] = total[row.window_h : row.window_h + whole] - total[:whole]
    return found


def in_work_hours(outlook: Outlook, zone: datetime.tzinfo, work_hours: tuple[int, int]) -> Outlook:
    """An outlook whose windows are cut to the hours in which work is done, from the first up to the second.

    Verdicts and chances by the hour stay. Nights fall out between the windows, so that none promises one.
    """
    begin, end = work_hours
    local = [datetime.datetime.fromtimestamp(int(t) / 1000, zone) for t in outlook.at_ms]
    work = np.array([begin <= t.hour < end for t in local])
    index = _window_index(outlook)
    windows = []
    for i, window in enumerate(outlook.windows):
        hours = np.flatnonzero(work & (index == i))
        for run in np.split(hours, np.flatnonzero(np.diff(hours) != 1) + 1):
            if run.size:
                span = TimeSpan(int(outlook.at_ms[run[0]]), int(outlook.at_ms[run[-1]]) + HOUR_MS)
                windows.append(replace(window, span=span, chance=_mean(outlook.chance[run])))
    return replace(outlook, windows=tuple(windows)) if windows else outlook
