"""Spells of work: the hours of work in which a pass is open, joined over nights, dew and showers.

An outlook goes from open to wait with every night's dew. A groundsman plans by days, so only hours of work count, and a
stop of a few of them does not end a spell; what leaves the pass open to nobody does. This module must not judge an
hour: see `windows`.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.advice.conditions import Verdict, VerdictArray
from pipeline.advice.windows import Outlook, Window
from pipeline.forecast.wetness import WetnessForecast
from pipeline.units import (
    HOUR_MS,
    BoolArray,
    TimeSpan,
)

JOINED_H = 8  # so many hours of work lost to dew or a shower do not end a spell: our own choice
DRY_MM_H = 0.2  # less rain in an hour counts as none, as in `forecast.day_chances`


@dataclass(frozen=True, slots=True)
class WorkWindow:
    """Hours of work in which a pass is open, over one or more days.

    Attributes
    ----------
    span : Span
        From the first to the last open hour.
    first_work_ms : int or None
        Begin of the first day's hours of work that are long enough; None when none are. [ms since 1970, UTC]
    chance : float or None
        That it is open, over the open hours of its first day. [1] None where nothing tells.
    to_the_end : bool
        It lasts as long as the outlook does, or as anything is known.
    lift_first : tuple of str
    after : str
        What ends it, in words; empty when not known.
    """

    span: TimeSpan
    first_work_ms: int | None
    chance: float | None
    to_the_end: bool
    lift_first: tuple[str, ...] = ()
    after: str = ""


def verdicts_by_hour(outlook: Outlook) -> VerdictArray:
    """Verdict of each hour, overrides applied. Shape (hour,)"""
    found = outlook.verdicts.copy()
    for window in outlook.windows:
        found[_rows(outlook, window.span)] = np.int8(window.verdict)
    return found


def verdict_now(outlook: Outlook) -> Verdict:
    """Verdict of the first hour, overrides applied."""
    first = outlook.windows[0]
    return first.verdict if first.span.start_ms <= int(outlook.at_ms[0]) else Verdict(int(outlook.verdicts[0]))


def dry_hours(outlook: Outlook, forecasts: Sequence[WetnessForecast]) -> BoolArray:
    """Which hours are dry by every forecast that tells of them; True where none does. Shape (hour,)"""
    dry = np.ones(outlook.at_ms.shape, dtype=np.bool_)
    for forecast in forecasts:
        if forecast.rain_mm.shape[1]:
            rain = dict(zip(forecast.at_ms.tolist(), forecast.rain_mm.mean(axis=1).tolist(), strict=False))
            hours = outlook.at_ms // HOUR_MS * HOUR_MS
            dry &= np.array([rain.get(int(at), 0.0) < DRY_MM_H for at in hours], dtype=np.bool_)
    return dry


def spells(
    outlook: Outlook,
    zone: datetime.tzinfo,
    *,
    work_hours: tuple[int, int],
    work_h: float,
    dry: BoolArray | None = None,
) -> list[WorkWindow]:
    """Spells of a pass, from now on.

    Parameters
    ----------
    outlook : Outlook
    zone : tzinfo
        Of the site.
    work_hours : (int, int)
        Local hours in which a job can be done, from the first up to the second.
    work_h : float
        Dry open hours in a row that make a day of work. [h]
    dry : ndarray of bool, shape (hour,), optional
        See `dry_hours`.
    """
    local = [datetime.datetime.fromtimestamp(int(at) / 1000, zone) for at in outlook.at_ms]
    work = np.flatnonzero([work_hours[0] <= at.hour < work_hours[1] for at in local])
    verdicts = verdicts_by_hour(outlook)[work]
    opened = np.flatnonzero(verdicts == Verdict.OPEN)
    if not opened.size:
        return []
    workable = np.ones(work.shape, dtype=np.bool_) if dry is None else dry[work]
    days = np.array([local[i].date().toordinal() for i in work])
    unknown = np.cumsum(verdicts == Verdict.UNKNOWN)
    breaks = np.flatnonzero((np.diff(opened) > JOINED_H + 1) | (np.diff(unknown[opened]) > 0)) + 1
    found = []
    for part in np.split(opened, breaks):
        first, last = int(part[0]), int(part[-1])
        first_day = outlook.chance[work[part[days[part] == days[first]]]]
        chance = first_day[np.isfinite(first_day)]
        run = _first_run(part, workable, days, work_h)
        found.append(
            WorkWindow(
                TimeSpan(int(outlook.at_ms[work[first]]), int(outlook.at_ms[work[last]]) + HOUR_MS),
                None if run is None else int(outlook.at_ms[work[run]]),
                float(chance.mean()) if chance.size else None,
                work.size - 1 - last <= JOINED_H or bool(verdicts[last + 1] == Verdict.UNKNOWN),
                _window_at(outlook, int(work[first])).lift_first,
                _after(outlook, work[last + 1 :], verdicts[last + 1 :]),
            )
        )
    return found


def _after(outlook: Outlook, work: npt.NDArray[np.intp], verdicts: VerdictArray) -> str:
    """Why the hours of work after a spell are not open: what closes them, sooner than the dew before it."""
    shut = work[:JOINED_H][verdicts[:JOINED_H] == Verdict.CLOSED]
    row = shut[0] if shut.size else (work[0] if work.size else None)
    return "" if row is None else _window_at(outlook, int(row)).reason


def _first_run(
    part: npt.NDArray[np.intp], workable: BoolArray, days: npt.NDArray[np.int64], work_h: float
) -> int | None:
    """Place of the first of enough dry open hours of work in a row, within one day."""
    run: list[int] = []
    for i in part.tolist():
        follows = bool(run) and i == run[-1] + 1 and days[i] == days[run[-1]]
        run = ([*run, i] if follows else [i]) if workable[i] else []
        if run and len(run) >= work_h:
            return run[0]
    return None


def work_left_h(spell: WorkWindow, outlook: Outlook, zone: datetime.tzinfo, work_hours: tuple[int, int]) -> float:
    """Open hours of work left in a spell. [h]"""
    opened = verdicts_by_hour(outlook) == Verdict.OPEN
    opened &= _rows(outlook, spell.span)
    hours = [datetime.datetime.fromtimestamp(int(at) / 1000, zone).hour for at in outlook.at_ms[opened]]
    return float(sum(work_hours[0] <= hour < work_hours[1] for hour in hours))


def _rows(outlook: Outlook, span: TimeSpan) -> BoolArray:
    return np.asarray((outlook.at_ms >= span.start_ms) & (outlook.at_ms < span.end_ms))


def _window_at(outlook: Outlook, row: int) -> Window:
    """The window an hour lies in; where windows are cut to the hours of work, the next one after it."""
    at_ms = int(outlook.at_ms[row])
    return next((w for w in outlook.windows if at_ms < w.span.end_ms), outlook.windows[-1])
