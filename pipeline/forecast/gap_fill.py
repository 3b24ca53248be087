"""Wetness of a station whose probe is out of the ground: carried on by its own balance, or lent by a neighbour.

This module must not say how long that may go on: `locks` does.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.forecast.balance import Parameters, run
from pipeline.forecast.balance_fit import PastHours, state_now
from pipeline.units import HOUR_MS, FloatArray


def blanked(past: PastHours, start_ms: int, end_ms: int | None, *, thatch: bool, roots: bool) -> PastHours:
    """A past without what a lifted probe said from one moment up to another, None for the end. [ms since 1970, UTC]"""
    at_ms = past.first_ms + HOUR_MS * np.arange(past.root_wetness.size, dtype=np.int64)
    out = (at_ms >= start_ms) & (at_ms < (2**62 if end_ms is None else end_ms))
    return replace(
        past,
        thatch_wetness=np.where(out & thatch, np.nan, past.thatch_wetness),
        root_wetness=np.where(out & roots, np.nan, past.root_wetness),
    )


def carried_by_balance(past: PastHours, parameters: Parameters, since_ms: int) -> PastHours | None:
    """The past with its gaps since a moment filled by the balance, on the weather that came.

    Parameters
    ----------
    past : Past
        Blanked since then.
    parameters : Parameters
        Of the station.
    since_ms : int
        [ms since 1970, UTC]

    Returns
    -------
    Past or None
        None where there is no state to start from, or the weather since is not known.
    """
    cut = int(min(max((since_ms - past.first_ms) // HOUR_MS + 1, 1), past.root_wetness.size))
    before = PastHours(
        past.first_ms,
        past.thatch_wetness[:cut],
        past.root_wetness[:cut],
        past.water_mm[:cut],
        past.reference_et_mm[:cut],
    )
    found = state_now(before, parameters)
    if found is None:
        return None
    state, dry_h = found
    course = run(
        parameters, state, past.water_mm[cut:, np.newaxis], past.reference_et_mm[cut:, np.newaxis], dry_for_h=dry_h
    )
    thatch = _filled(past.thatch_wetness, course.thatch_wetness[:, 0], cut)
    root = _filled(past.root_wetness, course.root_wetness[:, 0], cut)
    return None if np.isnan(root[-1]) else replace(past, thatch_wetness=thatch, root_wetness=root)


def _filled(measured: FloatArray, carried: FloatArray, cut: int) -> FloatArray:
    out = measured.copy()
    out[cut:] = np.where(np.isnan(out[cut:]), carried[: out.size - cut], out[cut:])
    return out


def lent(past: PastHours, neighbour: PastHours, since_ms: int) -> PastHours | None:
    """The past with its gaps since a moment filled from a neighbour over the same hours; None where that is silent."""
    at_ms = past.first_ms + HOUR_MS * np.arange(past.root_wetness.size, dtype=np.int64)
    late = at_ms >= since_ms

    def filled(own: FloatArray, other: FloatArray) -> FloatArray:
        return np.where(late & np.isnan(own), other, own)

    thatch = filled(past.thatch_wetness, neighbour.thatch_wetness)
    root = filled(past.root_wetness, neighbour.root_wetness)
    lately = slice(-6, None)
    if not (np.isfinite(thatch[lately]) & np.isfinite(root[lately])).any():
        return None
    return replace(past, thatch_wetness=thatch, root_wetness=root)
