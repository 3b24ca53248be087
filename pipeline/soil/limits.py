"""Limits learned from a channel's own history: the water it holds when drained, and when dry.

Relative wetness from a channel's own limits survives a poor calibration. But a site's history can hide a chronic
sponge, which has never been seen drained: so whatever is learned stays inside the range of the medium, and thatch that
stands above the middle of its own teaches nothing, for over sand or a break, or watered every evening, it hangs full
for weeks. With too little history, or where it lies outside, the middle of that range stands, marked provisional. Only
what came before the moment of learning counts. Thresholds are common practice, no source; hours to field capacity:
Jabro 2009; water that hangs over a coarser layer: the putting green specification rests on it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.soil.estimate import NORMAL_90, Estimate, median_of
from pipeline.soil.layers import Medium, Range
from pipeline.soil.wetting import Spell
from pipeline.texts import later, say, say_many
from pipeline.units import DAY_MS, HOUR_MS, FloatArray, TimeArray

CHANNEL_ERROR = 0.01  # m3/m3, standard deviation of a channel's own error, part of each interval: our own choice
SOAKING_MM = 5.0  # less does not fill a layer; common practice, no source
SOAKED_QUANTILE = 0.8  # and it must have brought the channel into the wettest fifth of its history
FEWEST_EVENTS = 3  # under so many plateaus a limit is provisional
FEWEST_READINGS = 8  # in a plateau
LEAST_HISTORY_D = 60  # of history for a dry limit
DRY_QUANTILE = 0.02
STILL_M3_M3_D = 0.002  # night slope of a layer that has done draining; common practice, no source
LEAST_SPAN = 0.03  # between the limits: under it wetness would be noise

PLATEAU_H: dict[str, tuple[float, float]] = {
    # hours after the water in which the layer stands drained
    "raw_thatch": (12.0, 48.0),  # common practice, no source
    "decayed_thatch": (24.0, 72.0),  # time constant 6-48 h, a working range
    "mat": (24.0, 48.0),
    "sand": (24.0, 48.0),
    "sandy_loam": (36.0, 72.0),  # about 50 h to field capacity: Jabro 2009
    "loam": (48.0, 96.0),
    "clay_loam": (120.0, 480.0),  # about 450 h to field capacity: Jabro 2009
    "club_clay_loam": (120.0, 480.0),
    "first_class_clay_loam": (120.0, 480.0),
    "organic_topsoil": (36.0, 72.0),  # common practice, no source, as for peat
    "peat": (48.0, 96.0),
}
BY_NIGHT = ("clay_loam", "club_clay_loam", "first_class_clay_loam")  # so slow that roots drink meanwhile


@dataclass(frozen=True, slots=True)
class Limits:
    """Dry and drained limit of one channel. [m3 m-3]"""

    dry: Estimate
    drained: Estimate


def learn_limits(
    time_ms: TimeArray,
    theta: FloatArray,
    medium: Medium,
    spells: Sequence[Spell],
    *,
    nights_ms: npt.ArrayLike | None = None,
) -> Limits:
    """Learn both limits of a channel, from all of its history up to now.

    Parameters
    ----------
    time_ms, theta : ndarray, shape (time,)
        Times, increasing [ms], and water content [m3 m-3], NaN where not good.
    medium : Medium
        What the channel lies in.
    spells : sequence of Spell
        Every wetting of that time, in order.
    nights_ms : array_like, shape (night, 2), optional
        Begin and end of nights on which next to nothing evaporated. [ms] Only clay asks for them.

    Returns
    -------
    Limits
        Where the two come closer than 0.03 both are the medium's, provisional.
    """
    drained = drained_limit(time_ms, theta, medium, spells, nights_ms=nights_ms)
    dry = dry_limit(time_ms, theta, medium)
    if drained.value - dry.value >= LEAST_SPAN:
        return Limits(dry, drained)
    reason = say("dry and drained were learned too close together: the medium's own stand")
    return Limits(
        _prior(medium.wilting, medium.dry_prior, reason, dry.n),
        _prior(medium.drained, medium.drained_prior, reason, drained.n),
    )


def drained_limit(
    time_ms: TimeArray,
    theta: FloatArray,
    medium: Medium,
    spells: Sequence[Spell],
    *,
    nights_ms: npt.ArrayLike | None = None,
) -> Estimate:
    """Learn the water held once drained: the median of the plateaus after good wettings.

    Parameters
    ----------
    time_ms, theta : ndarray, shape (time,)
        Times, increasing [ms], and water content [m3 m-3], NaN where not good.
    medium : Medium
        What the channel lies in.
    spells : sequence of Spell
        Every wetting of that time, in order.
    nights_ms : array_like, shape (night, 2), optional
        Begin and end of nights on which next to nothing evaporated. [ms] Only clay asks for them.

    Returns
    -------
    Estimate
        [m3 m-3] Within `medium.drained`; n counts plateaus.
    """
    if not np.isfinite(theta).any():
        return _prior(medium.drained, medium.drained_prior, say("no history yet"), 0)
    if medium.name in BY_NIGHT and (nights_ms is None or np.size(nights_ms) == 0):
        clay = say("clay drains for weeks: no still nights to learn from")
        return _prior(medium.drained, medium.drained_prior, clay, 0)
    _, levels = plateaus(time_ms, theta, medium, spells, nights_ms=nights_ms)
    if levels.size == 0:
        return _prior(medium.drained, medium.drained_prior, say("no plateau after a good wetting yet"), 0)
    found = median_of(levels, error=CHANNEL_ERROR)
    if found.n < FEWEST_EVENTS:
        few = say_many("{n} plateau, {needed} needed", "{n} plateaus, {needed} needed", found.n, needed=FEWEST_EVENTS)
        return _prior(medium.drained, medium.drained_prior, few, found.n)
    if medium.is_thatch and medium.drained_prior < found.value <= medium.drained[1]:
        hangs = say(_HANGS, value=found.value, medium=say(medium.title))
        return _prior(medium.drained, medium.drained_prior, hangs, found.n)
    return _inside(found, medium.drained, medium, (_MORE_DRAINED, _LESS_DRAINED))


def plateaus(
    time_ms: TimeArray,
    theta: FloatArray,
    medium: Medium,
    spells: Sequence[Spell],
    *,
    nights_ms: npt.ArrayLike | None = None,
) -> tuple[TimeArray, FloatArray]:
    """Return where a channel stood drained after each good wetting, as `drained_limit` takes it.

    Parameters
    ----------
    time_ms, theta, medium, spells, nights_ms
        As there.

    Returns
    -------
    at_ms : ndarray of int64, shape (plateau,)
        Ends of the wettings. [ms]
    level : ndarray, shape (plateau,)
        [m3 m-3]
    """
    good = np.isfinite(theta)
    times, values = time_ms[good], theta[good]
    nights = np.asarray([] if nights_ms is None else nights_ms, dtype=np.int64).reshape(-1, 2)
    soaked = float(np.quantile(values, SOAKED_QUANTILE)) if values.size else np.inf
    found = list(_plateaus(times, values, medium, spells, nights, soaked)) if values.size else []
    return np.array([at for at, _ in found], dtype=np.int64), np.array([level for _, level in found])


def _plateaus(
    times: TimeArray,
    values: FloatArray,
    medium: Medium,
    spells: Sequence[Spell],
    nights: npt.NDArray[np.int64],
    soaked: float,
) -> Iterator[tuple[int, float]]:
    """End of each wetting that soaked the channel, and where it stood drained after it."""
    for k, spell in enumerate(spells):
        if spell.given_mm < SOAKING_MM:  # one of unknown amount is judged by what the channel did
            continue
        until_ms = int(times[-1]) if k + 1 == len(spells) else spells[k + 1].start_ms
        after = values[_between(times, spell.start_ms, min(spell.end_ms + DAY_MS, until_ms))]
        if not after.size or after.max() < soaked:
            continue
        level = _plateau(times, values, medium.name, spell.end_ms, until_ms, nights)
        if np.isfinite(level):
            yield spell.end_ms, level


def _plateau(
    times: TimeArray, values: FloatArray, name: str, end_ms: int, until_ms: int, nights: npt.NDArray[np.int64]
) -> float:
    """Where a channel stands after one wetting; NaN when the next came too soon."""
    first_h, last_h = PLATEAU_H[name]
    begin_ms, stop_ms = end_ms + int(first_h * HOUR_MS), min(end_ms + int(last_h * HOUR_MS), until_ms)
    if name in BY_NIGHT:
        within = nights[(nights[:, 0] >= begin_ms) & (nights[:, 1] <= stop_ms)]
        still = [level for a, b in within if np.isfinite(level := _still_night(times, values, int(a), int(b)))]
        return float(still[0]) if still else float("nan")
    inside = values[_between(times, begin_ms, stop_ms)]
    whole = stop_ms - begin_ms >= 0.5 * (last_h - first_h) * HOUR_MS
    return float(np.median(inside)) if whole and inside.size >= FEWEST_READINGS else float("nan")


def _between(times: TimeArray, begin_ms: int, end_ms: int) -> slice:
    """Where increasing times lie in begin <= t <= end."""
    return slice(int(times.searchsorted(begin_ms)), int(times.searchsorted(end_ms, side="right")))


def _still_night(times: TimeArray, values: FloatArray, begin_ms: int, end_ms: int) -> float:
    """Level of a night on which the channel neither drained nor filled; NaN of any other."""
    inside = _between(times, begin_ms, end_ms)
    days = (times[inside] - begin_ms) / DAY_MS
    if days.size < FEWEST_READINGS:
        return float("nan")
    slope = np.polynomial.Polynomial.fit(days, values[inside], 1).convert().coef
    slope_per_day = float(slope[1]) if slope.size > 1 else 0.0
    return float(np.median(values[inside])) if abs(slope_per_day) <= STILL_M3_M3_D else float("nan")


def dry_limit(time_ms: TimeArray, theta: FloatArray, medium: Medium) -> Estimate:
    """Learn the water held once dry: the second percentile of the history.

    Parameters
    ----------
    time_ms, theta : ndarray, shape (time,)
        Times, increasing [ms], and water content [m3 m-3], NaN where not good.
    medium : Medium
        What the channel lies in.

    Returns
    -------
    Estimate
        [m3 m-3] Within `medium.wilting`; n counts days. A history that never came down into that range says nothing of
        it, and the middle of it stands.
    """
    good = np.isfinite(theta)
    values = theta[good]
    days = int(np.unique(time_ms[good] // DAY_MS).size)
    if days < LEAST_HISTORY_D:
        few = say_many(
            "{n} day of history, {needed} needed", "{n} days of history, {needed} needed", days, needed=LEAST_HISTORY_D
        )
        return _prior(medium.wilting, medium.dry_prior, few, days)
    driest = float(np.quantile(values, DRY_QUANTILE))
    if driest > medium.wilting[1]:
        reason = say("never dry: the driest was {driest:.2f}, {medium} is dry at {dry:.2f} and less",
                     driest=driest, medium=say(medium.title), dry=medium.wilting[1])  # fmt: skip
        return _prior(medium.wilting, medium.dry_prior, reason, days)
    # readings of a day say the same: the order statistics are taken as of so many days (binomial, normal form)
    spread = NORMAL_90 * float(np.sqrt(DRY_QUANTILE * (1.0 - DRY_QUANTILE) / days))
    low, high = np.quantile(values, [max(DRY_QUANTILE - spread, 0.0), DRY_QUANTILE + spread])
    below = float(np.hypot(driest - low, NORMAL_90 * CHANNEL_ERROR))
    above = float(np.hypot(high - driest, NORMAL_90 * CHANNEL_ERROR))
    found = Estimate(driest, driest - below, driest + above, days)
    return _inside(found, medium.wilting, medium, (_MORE_DRY, _LESS_DRY))


def _prior(within: Range, value: float, reason: str, n: int) -> Estimate:
    return Estimate(value, within[0], within[1], n, reason, provisional=True)


_MORE_DRAINED = later(
    "learned {value:.2f}, more than {medium} holds drained ({low:.2f} to {high:.2f}): its middle stands"
)
_LESS_DRAINED = later(
    "learned {value:.2f}, less than {medium} holds drained ({low:.2f} to {high:.2f}): its middle stands"
)
_HANGS = later(
    "stood at {value:.2f}, but water can hang in {medium} that does not drain: the middle of its range is used; give "
    "thatch_drained if it was measured"
)
_MORE_DRY = later("learned {value:.2f}, more than {medium} holds when dry ({low:.2f} to {high:.2f}): its middle stands")
_LESS_DRY = later("learned {value:.2f}, less than {medium} holds when dry ({low:.2f} to {high:.2f}): its middle stands")


def _inside(found: Estimate, within: Range, medium: Medium, more_and_less: tuple[str, str]) -> Estimate:
    """A limit as it was learned where its medium can have it; else the middle of what the medium can have, and said so.

    What lies outside tells more of the probe than of the ground, and the near end of the range would pass that on.
    """
    if within[0] <= found.value <= within[1]:
        low, high = (float(min(max(end, within[0]), within[1])) for end in (found.low, found.high))
        return Estimate(found.value, low, high, found.n)
    told = more_and_less[0 if found.value > within[1] else 1]
    pushed = say(told, value=found.value, medium=say(medium.title), low=within[0], high=within[1])
    return _prior(within, 0.5 * (within[0] + within[1]), pushed, found.n)
