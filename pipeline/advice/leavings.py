"""What booked passes may leave of the thatch, one after the other: the size of their blades, a likely efficiency."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.diary.facts import DatedPass
from pipeline.soil import thatch
from pipeline.soil.estimate import Estimate
from pipeline.texts import later, say

WHY = later("by the size of the blades and a likely efficiency, if none grows before")


def takes_thatch(one: DatedPass) -> bool:
    """Return whether a pass is of a kind that takes thatch out."""
    return one.kind in (*thatch.GROOVES, *thatch.HOLES)


def leavings(passes: Sequence[tuple[DatedPass, float]], thatch_mm: float) -> list[Estimate]:
    """Return the thickness that may be left after each of several passes. [mm]

    Parameters
    ----------
    passes : sequence of (DatedPass, float)
        In order of time, those that take thatch, each with its depth. [mm]
    thatch_mm : float
        Before the first. [mm] NaN where no core tells it.

    Returns
    -------
    list of Estimate
        Withheld for a pass whose blades nobody wrote down; those after it go on from what stood before it.
    """
    low, high = thatch_mm, thatch_mm
    found = list[Estimate]()
    for one, depth_mm in passes:
        share = thatch.touched_share(one.kind, one.variant, 1000.0 * one.width_m, 1000.0 * one.spacing_m)
        from_low, from_high = (thatch.likely_removed(share, each, depth_mm) for each in (low, high))
        if from_low.withheld:
            found.append(from_low)
            continue
        low, high = low - from_low.high, high - from_high.low
        found.append(Estimate((low + high) / 2.0, low, high, 1, say(WHY)))
    return found
