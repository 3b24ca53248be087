"""Account of the water of one wetting: what the thatch kept, what reached the roots and when, what is missing.

The account is closed at one moment, when the soil under the thatch holds most, so that water on its way is not counted
in two layers. Whatever the lines do not explain is the *unaccounted* line, always given and never shared out: wet
leaves, run-off, water past the deepest probe, the gauge's misses, the oddity of the spot. Water in holes or cracks, or
along a probe's side, is recognised, and then the soil's gain tells nothing of the share that passed the thatch (see
`passage`). Bounds and errors: common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from pipeline.soil.estimate import Estimate, about, withheld
from pipeline.soil.layers import CELL_MS, storage_mm
from pipeline.soil.passage import (
    NO_READING_AFTER,
    NO_READING_BEFORE,
    OneWay,
    SurfaceWater,
    ThatchRead,
    course_of,
    from_above,
    from_below,
    joined,
    last_good,
    smooth,
)
from pipeline.soil.wetting import Spell
from pipeline.texts import say
from pipeline.units import HOUR_MS, MINUTE_MS, FloatArray, TimeArray

SETTLE_H = 24.0  # decayed thatch lets go of its water for a day and more (working range of its time constant: 6-48 h)
BEFORE_H = 12.0  # how old the reading before the water may be
ARRIVED = 0.01  # m3/m3 above the reading before: the water is here; twice what a good probe wavers
SETTLED_SLACK_MS = 2 * HOUR_MS  # readings that end so shortly before the settling does have seen it
AT_ONCE_MIN = 15.0  # all depths within so much: common practice, no source
AT_ONCE_DEPTH_M = 0.05  # least distance between highest and lowest of them


@dataclass(frozen=True, slots=True)
class Errors:
    """What the instruments may be wrong by, as standard deviations; working values, common practice, no source.

    `noise` is that of one reading [m3 m-3]; `slope` the calibration's, common to a layer and anywhere within a tenth:
    0.1 / sqrt(3) [1]; `gauge` the gauge's [1] beside half a tick of 0.2 mm.
    """

    noise: float = 0.003
    slope: float = 0.06
    gauge: float = 0.05
    gauge_mm: float = 0.1


@dataclass(frozen=True)
class SoilProfile:
    """Soil channels of a station, from the top.

    Attributes
    ----------
    cell_ms : ndarray of int64, shape (time,)
        Cells of a quarter hour, increasing. [ms since 1970, UTC]
    depth_m : ndarray, shape (sensor,)
        Soil depths, increasing. [m]
    theta : ndarray, shape (time, sensor)
        Water content. [m3 m-3] NaN where not good.
    root_weights_m, all_weights_m : ndarray, shape (sensor,)
        Soil each sensor stands for in the root zone, and down to the deepest. [m] See `layers.layer_weights_m`.
    every_min, gauge_min : float
        Minutes between readings, and that a reading of the gauge stands for: rain told at a moment fell in so long
        before it. [min]
    """

    cell_ms: TimeArray
    depth_m: FloatArray
    theta: FloatArray
    root_weights_m: FloatArray
    all_weights_m: FloatArray
    every_min: float = 15.0
    gauge_min: float = 15.0


@dataclass(frozen=True)
class Account:
    """The account of one wetting.

    Attributes
    ----------
    spell : Spell
    closed_ms : int
        When it was struck. [ms since 1970, UTC]
    thatch_peak, thatch_kept, root_gain, below_gain : Estimate
        Most the thatch held above what it had before; what of it was still there at the close; gain of the root zone,
        and of the soil below it that probes see. [mm] Without thatch both of its lines are 0 with n = 0.
    evaporation_mm : float
        Until the close; NaN when not known, and then inside the unaccounted line. [mm]
    unaccounted : Estimate
        Given less every line that is known. [mm] Negative when the ground gained more than was given.
    gain : tuple of Estimate
        By depth. [m3 m-3]
    lag_min, thatch_lag_min : tuple of Estimate, Estimate
        From the first water to its arrival. [min]
    bypass : str
        How water went around the soil; empty when it did not.
    capture_share, seen_share : Estimate
        Thatch peak, and gain of all soil, over what was given. [1] Above 1 the gauge missed water.
    arrival_share : Estimate
        What passed the thatch over what was given, from below and from above, and its interval: 0 to 1. [1]
    failed_chance : Estimate
        That less than `passage.FAILED` of it passed. [1]
    """

    spell: Spell
    closed_ms: int
    thatch_peak: Estimate
    thatch_kept: Estimate
    root_gain: Estimate
    below_gain: Estimate
    evaporation_mm: float
    unaccounted: Estimate
    gain: tuple[Estimate, ...]
    lag_min: tuple[Estimate, ...]
    thatch_lag_min: Estimate
    bypass: str
    capture_share: Estimate
    seen_share: Estimate
    arrival_share: Estimate
    failed_chance: Estimate


@dataclass(frozen=True)
class _Window:
    """Rows before the water, and from it to the end of the settling."""

    before: slice
    after: slice
    start_ms: int
    cell_ms: TimeArray = field(repr=False)


def account(
    spell: Spell,
    profile: SoilProfile,
    *,
    thatch: ThatchRead | None = None,
    surface: SurfaceWater | None = None,
    until_ms: int | None = None,
    errors: Errors | None = None,
) -> Account:
    """Account for the water of one spell.

    Parameters
    ----------
    spell : Spell
    profile : SoilProfile
    thatch : ThatchRead, optional
        None: there is no thatch.
    surface : SurfaceWater, optional
        None: the water fell evenly over the spell, and evaporation is not known.
    until_ms : int, optional
        When the next water comes. [ms since 1970, UTC]
    errors : Errors, optional

    Returns
    -------
    Account
        A line is withheld, with its reason, where a reading before or after the water is missing.
    """
    errors = Errors() if errors is None else errors
    surface = _evenly(spell, profile) if surface is None else surface
    rows = _window(spell, profile.cell_ms, until_ms, gauge_ms=round(profile.gauge_min * MINUTE_MS))
    soil = storage_mm(smooth(profile.theta[rows.after]), profile.all_weights_m)
    known = np.flatnonzero(np.isfinite(soil))
    close = int(known[np.argmax(soil[known])]) if known.size else 0
    gains = tuple(_gain_of(profile.theta[:, i], rows, close, errors) for i in range(profile.depth_m.size))
    root = _layer_gain(gains, profile.root_weights_m, errors)
    whole = _layer_gain(gains, profile.all_weights_m, errors)
    below = _layer_gain(gains, np.maximum(profile.all_weights_m - profile.root_weights_m, 0.0), errors)
    peak, kept = _thatch_gains(thatch, rows, close, errors)
    lags = tuple(_lag(profile.theta[:, i], rows, profile.every_min) for i in range(profile.depth_m.size))
    thatch_lag = withheld(say("no thatch"))
    if thatch is not None:
        thatch_lag = _lag(thatch.water_mm / (1000.0 * thatch.thickness_m), rows, profile.every_min)
    given = about(spell.given_mm, float(np.hypot(errors.gauge * spell.given_mm, errors.gauge_mm)), 1)
    bypass = bypass_flow(profile.depth_m, lags, every_min=profile.every_min, gained=_sum((kept, whole)), given=given)
    early = _early(spell, rows, known, until_ms)
    evaporated_mm = float(surface.evaporation_mm[max(rows.before.stop - 1, 0) : rows.after.start + close].sum())
    remainder = _unaccounted(given, (kept, whole), evaporated_mm)
    arrival, failed = _passed(spell, profile, rows, thatch, surface, given, bypass, errors)
    return Account(
        spell=spell,
        closed_ms=int(rows.cell_ms[rows.after][close]) if rows.cell_ms[rows.after].size else spell.end_ms,
        thatch_peak=peak,
        thatch_kept=kept,
        root_gain=_with_reason(root, early),
        below_gain=below,
        evaporation_mm=evaporated_mm,
        unaccounted=_with_reason(remainder, early),
        gain=gains,
        lag_min=lags,
        thatch_lag_min=thatch_lag,
        bypass=bypass,
        capture_share=_share(peak, given, "") if thatch is not None else withheld(say("no thatch")),
        seen_share=_with_reason(_share(whole, given, bypass), early),
        arrival_share=_with_reason(arrival, early),
        failed_chance=_with_reason(failed, early),
    )


def _evenly(spell: Spell, profile: SoilProfile) -> SurfaceWater:
    """The water of a spell spread over its cells; evaporation is not known."""
    fell_ms = profile.cell_ms + CELL_MS > spell.start_ms - round(profile.gauge_min * MINUTE_MS)
    fell_ms &= profile.cell_ms < max(spell.end_ms, spell.start_ms + 1)
    water_mm = np.nan_to_num(spell.given_mm) * fell_ms / max(int(fell_ms.sum()), 1)
    return SurfaceWater(water_mm, np.full(profile.cell_ms.size, np.nan))


def _passed(
    spell: Spell,
    profile: SoilProfile,
    rows: _Window,
    thatch: ThatchRead | None,
    surface: SurfaceWater,
    given: Estimate,
    bypass: str,
    errors: Errors,
) -> tuple[Estimate, Estimate]:
    """Share that passed the thatch, and the chance that it failed to."""
    why = "" if given.value > 0.0 else say("nobody wrote down how much was given")
    if not why and (profile.depth_m.size == 0 or rows.after.stop <= rows.after.start):
        why = say(NO_READING_AFTER)
    if why:
        return withheld(why), withheld(why)
    course = course_of(
        storage_mm(profile.theta, profile.all_weights_m),
        profile.theta[:, -1],
        thatch,
        surface,
        before=rows.before,
        rained=int(np.searchsorted(profile.cell_ms, spell.end_ms)),
        last=rows.after.stop - 1,
    )
    noise_mm = 1000.0 * errors.noise * float(np.linalg.norm(profile.all_weights_m))
    under = from_below(course, noise_mm=noise_mm, slope=errors.slope, felt=ARRIVED)
    if bypass:
        under = OneWay(np.nan, np.nan, 0.0, bypass)
    given_error_mm = float(np.hypot(errors.gauge * given.value, errors.gauge_mm))
    return joined(
        given.value, under, from_above(given.value, given_error_mm, course, noise=errors.noise, slope=errors.slope)
    )


def _early(spell: Spell, rows: _Window, known: npt.NDArray[np.int64], until_ms: int | None) -> str:
    """Said of an account struck before the water has settled, because readings end."""
    settled_ms = spell.end_ms + int(SETTLE_H * HOUR_MS)
    settled_ms = settled_ms if until_ms is None else min(settled_ms, until_ms)
    last_ms = int(rows.cell_ms[rows.after][known[-1]]) if known.size else spell.end_ms
    if last_ms >= settled_ms - SETTLED_SLACK_MS:
        return ""
    return say("read only until {hours:.0f} h after the water", hours=max(last_ms - spell.end_ms, 0) / HOUR_MS)


def _with_reason(what: Estimate, reason: str) -> Estimate:
    if not reason or what.withheld:
        return what
    return replace(what, reason=f"{what.reason}; {reason}" if what.reason else reason)


def _window(spell: Spell, cell_ms: TimeArray, until_ms: int | None, *, gauge_ms: int) -> _Window:
    # what is read in the cell of the first water already has some of it, and rain that a gauge tells by the hour began
    # up to an hour before
    start_ms, early_ms = spell.start_ms // CELL_MS * CELL_MS, max(gauge_ms - CELL_MS, 0) // CELL_MS * CELL_MS
    end_ms = spell.end_ms + int(SETTLE_H * HOUR_MS) + 1
    end_ms = end_ms if until_ms is None else min(end_ms, until_ms // CELL_MS * CELL_MS - early_ms)
    dry_ms = start_ms - early_ms
    edges = np.searchsorted(cell_ms, [dry_ms - int(BEFORE_H * HOUR_MS), dry_ms, start_ms, max(end_ms, start_ms)])
    first, dry, wet, last = edges.tolist()
    return _Window(slice(first, dry), slice(wet, last), start_ms, cell_ms)


def _gain_of(theta: FloatArray, rows: _Window, close: int, errors: Errors) -> Estimate:
    before = last_good(theta[rows.before])
    after = smooth(theta[rows.after])
    if np.isnan(before) or after.size == 0 or np.isnan(after[close]):
        missing = NO_READING_BEFORE if np.isnan(before) else NO_READING_AFTER
        return withheld(say(missing))
    gain = float(after[close] - before)
    return about(gain, float(np.hypot(errors.noise, errors.slope * gain)), 1)


def _layer_gain(gains: Sequence[Estimate], weights_m: FloatArray, errors: Errors) -> Estimate:
    """Gain of a layer; noise of its sensors is their own, the slope is common. [mm]"""
    used = [(g, float(w)) for g, w in zip(gains, weights_m, strict=True) if w > 0.0]
    if not used:
        return Estimate(0.0, 0.0, 0.0, 0)
    missing = [g.reason for g, _ in used if g.withheld]
    if missing:
        return withheld(missing[0], len(used) - len(missing))
    gain = 1000.0 * sum(g.value * w for g, w in used)
    noise = 1000.0 * errors.noise * float(np.sqrt(sum(w * w for _, w in used)))
    return about(gain, float(np.hypot(noise, errors.slope * gain)), len(used))


def _thatch_gains(thatch: ThatchRead | None, rows: _Window, close: int, errors: Errors) -> tuple[Estimate, Estimate]:
    if thatch is None:
        return Estimate(0.0, 0.0, 0.0, 0), Estimate(0.0, 0.0, 0.0, 0)
    before, after = last_good(thatch.water_mm[rows.before]), thatch.water_mm[rows.after]
    if np.isnan(before) or not np.isfinite(after).any():
        gap = withheld(say("the thatch was not read before and after the water"))
        return gap, gap
    peak, noise = max(float(np.nanmax(after)) - before, 0.0), 1000.0 * errors.noise * thatch.thickness_m
    kept = after[close] - before
    left = withheld(say("the thatch was not read at the close"))
    if np.isfinite(kept):
        left = about(float(kept), float(np.hypot(noise, errors.slope * kept)), 1)
    return about(peak, float(np.hypot(noise, errors.slope * peak)), 1), left


def _lag(theta: FloatArray, rows: _Window, every_min: float) -> Estimate:
    """Minutes until a channel stands above its reading before, and stays there. The interval is the readings' own."""
    before, after = last_good(theta[rows.before]), theta[rows.after]
    good = np.isfinite(after)
    if np.isnan(before) or not good.any():
        missing = NO_READING_BEFORE if np.isnan(before) else NO_READING_AFTER
        return withheld(say(missing))
    up = after[good] >= before + ARRIVED
    stays = up & np.append(up[1:], True)
    if not stays.any():
        return withheld(say("no arrival within a day"))
    at_ms = int(rows.cell_ms[rows.after][good][np.argmax(stays)])
    lag = (at_ms - rows.start_ms) / MINUTE_MS
    # the first water fell in the interval before `start`, the arrival came in the interval before the reading
    return Estimate(lag, max(lag - every_min, 0.0), lag + every_min, 1)


def _sum(parts: Sequence[Estimate]) -> Estimate:
    """Sum of independent lines."""
    missing = [p.reason for p in parts if p.withheld]
    if missing:
        return withheld(missing[0])
    value = sum(p.value for p in parts)
    half = float(np.sqrt(sum(((p.high - p.low) / 2.0) ** 2 for p in parts)))
    return Estimate(value, value - half, value + half, max(p.n for p in parts))


def _unaccounted(given: Estimate, gains: Sequence[Estimate], evaporation_mm: float) -> Estimate:
    if given.withheld:
        return withheld(say("nobody wrote down how much was given"))
    total = _sum((given, *(Estimate(-g.value, -g.high, -g.low, g.n, g.reason) for g in gains)))
    if total.withheld:
        return total
    if np.isnan(evaporation_mm):
        return replace(total, reason=say("evaporation is in it, not known apart"))
    return Estimate(total.value - evaporation_mm, total.low - evaporation_mm, total.high - evaporation_mm, total.n)


def _share(gain: Estimate, given: Estimate, bypass: str) -> Estimate:
    """Gain over given, with the error of a quotient to first order."""
    if given.withheld or given.value <= 0.0:
        return withheld(say("nobody wrote down how much was given"))
    if gain.withheld or bypass:
        return withheld(gain.reason if gain.withheld else bypass)
    share = gain.value / given.value
    half = float(np.hypot((gain.high - gain.low) / 2.0, share * (given.high - given.low) / 2.0)) / given.value
    return Estimate(share, share - half, share + half, 1)


def bypass_flow(
    depth_m: FloatArray, lag_min: Sequence[Estimate], *, every_min: float, gained: Estimate, given: Estimate
) -> str:
    """Say whether water went around the soil: by holes, cracks, or along the side of the probe.

    Parameters
    ----------
    depth_m : ndarray, shape (sensor,)
        Soil depths, increasing. [m]
    lag_min : sequence of Estimate
        Arrival by depth. [min]
    every_min : float
        Between readings: what lies closer together cannot be told apart. [min]
    gained, given : Estimate
        All the ground gained and what was given. [mm]

    Returns
    -------
    str
        What gives it away; empty when nothing does. It is the signs that are judged (common practice, no source):
        more gained than given, beyond all doubt of both; a deep channel before the ones above it; or all depths within
        a quarter of an hour, where readings are close enough to see it.
    """
    if not gained.withheld and not given.withheld and gained.low > given.high:
        return say("the ground gained {gained:.1f} mm of {given:.1f} mm given", gained=gained.value, given=given.value)
    arrived = [(float(d), e.value) for d, e in zip(depth_m, lag_min, strict=True) if not e.withheld]
    if len(arrived) < 3 or arrived[-1][0] - arrived[0][0] < AT_ONCE_DEPTH_M:
        return ""
    depths, lags = np.array([d for d, _ in arrived]), np.array([t for _, t in arrived])
    late = np.maximum.accumulate(lags) - lags > max(every_min, AT_ONCE_MIN)
    if late.any():
        return say("water was at {depth:.0f} mm before it was above", depth=1000 * depths[np.argmax(late)])
    if every_min <= AT_ONCE_MIN and np.ptp(lags) <= AT_ONCE_MIN:
        return say("water was at all depths to {depth:.0f} mm at once", depth=1000 * depths[-1])
    return ""
