"""Passes that give way: while nobody may go on it no pass of a surface is open, and its windows say why."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.advice.conditions import Verdict
from pipeline.advice.report import PassAdvice, window_words
from pipeline.advice.windows import Outlook, Window
from pipeline.plan.seen import Seen
from pipeline.units import TimeSpan

KEPT_OFF = "keep off"  # what binds a window that gives way


def held(one: PassAdvice, until_ms: int, reason: str, opens: str, seen: Seen) -> PassAdvice:
    """Return a pass with nothing open until a moment but on somebody's word. [ms since 1970, UTC]

    Parameters
    ----------
    one : PassAdvice
    until_ms : int
        [ms since 1970, UTC]
    reason, opens : str
        Why it waits, and what would open it.
    seen : Seen
    """
    outlook = one.outlook
    if not any(_gives_way(window, until_ms) for window in outlook.windows):
        return one
    windows = tuple(part for window in outlook.windows for part in _parts(window, until_ms, reason, opens))
    shut = (outlook.at_ms < until_ms) & (outlook.verdicts == Verdict.OPEN)
    changed = replace(
        outlook,
        windows=windows,
        verdicts=np.where(shut, np.int8(Verdict.WAIT), outlook.verdicts).astype(np.int8),
        chance=np.where(shut & np.isfinite(outlook.chance), 0.0, outlook.chance),
    )
    return replace(one, outlook=changed, words=window_words(changed, seen.zone))


def _gives_way(window: Window, until_ms: int) -> bool:
    return window.verdict is Verdict.OPEN and window.override is None and window.span.start_ms < until_ms


def _parts(window: Window, until_ms: int, reason: str, opens: str) -> list[Window]:
    """Return a window with what lies before a moment made to wait."""
    if not _gives_way(window, until_ms):
        return [window]
    start_ms, end_ms = window.span.start_ms, window.span.end_ms
    waits = replace(
        window,
        span=TimeSpan(start_ms, min(until_ms, end_ms)),
        verdict=Verdict.WAIT,
        binding=KEPT_OFF,
        reason=reason,
        detail=reason,
        opens=opens,
        chance=None if window.chance is None else 0.0,
    )
    return [waits] if end_ms <= until_ms else [waits, replace(window, span=TimeSpan(until_ms, end_ms))]


def is_held(outlook: Outlook) -> bool:
    """Return whether a pass waits because nobody may go on the surface."""
    return any(window.binding == KEPT_OFF for window in outlook.windows)
