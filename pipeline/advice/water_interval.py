"""Drawing roots down: the interval between waterings, stepped out one day at a time.

Deep and rare water brought longer roots through the profile than light daily water, with half the water and less
thatch, at the cost of colour in the first year (Fu & Dernoeden 2009, Crop Sci. 49, 1063). This module must not push
turf that cannot bear it: seed, very shallow roots, thatch that repels, a pitch in preparation.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.advice.water import REPEL_WETNESS, Evening, Turf

LONGEST_INTERVAL_D = 10  # our own choice
SHALLOW_M = 0.050  # roots that cannot wait for a drier top: our own choice
HELD_CYCLES = 2  # waterings without wilt before the next step: our own choice


@dataclass(frozen=True, slots=True)
class IntervalStep:
    """Days between waterings from now on, None when the roots are not to be drawn down now, and why."""

    interval_days: int | None
    reason: str


def next_interval(
    turf: Turf, evening: Evening, interval_days: int, *, cycles_held: int, roots_wanted_m: float
) -> IntervalStep:
    """The next step of drawing roots down: deep and rare, one day at a time.

    Parameters
    ----------
    turf : Turf
    evening : Evening
    interval_days : int
        Now. [d]
    cycles_held : int
        Waterings in a row at this interval without wilt.
    roots_wanted_m : float
        Once roots reach so deep, the interval stays. [m]

    Returns
    -------
    IntervalStep
        One day longer after two waterings without wilt, one shorter on wilt; never on seed, very shallow roots, thatch
        that repels, or a pitch in preparation. Steps are common practice; that water every 4 days to depth beats every
        1 to 2 days for bent roots is Jordan et al. 2003, Crop Sci. (from memory).
    """
    if turf.seed:
        return IntervalStep(None, "seed needs its top moist")
    if evening.dried_for_play:
        return IntervalStep(None, "the pitch is being prepared")
    if evening.root_depth_m is not None and evening.root_depth_m < SHALLOW_M:
        return IntervalStep(None, "the roots are too shallow to wait: let them deepen in cool weather first")
    if turf.thatch_capacity_mm > 0.0 and evening.thatch_wetness is not None and evening.thatch_wetness < REPEL_WETNESS:
        return IntervalStep(None, "the thatch repels: wet it through first")
    if evening.wilt:
        return IntervalStep(max(interval_days - 1, 1), "wilt was seen: a day shorter")
    if evening.root_depth_m is not None and evening.root_depth_m >= roots_wanted_m:
        return IntervalStep(interval_days, "the roots are as deep as wanted")
    if cycles_held >= HELD_CYCLES and interval_days < LONGEST_INTERVAL_D:
        return IntervalStep(interval_days + 1, "two waterings without wilt: a day longer")
    return IntervalStep(interval_days, "keep it until two waterings have passed without wilt")
