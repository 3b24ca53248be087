"""Rooting depth from uptake by depth over a dry spell, or the reason why it is withheld.

Depth is decided by the soil's channels alone: thatch and the top layer also lose water to the air, so the share drawn
from thatch is only bounded. D90, the depth above which 90 per cent of the soil's uptake seen by these probes lies,
decides; D95 is reported. A layer counts as drinking only when its own uptake differs from nothing. It is withheld when
readings swing with temperature, when days are few, wet or contradictory, when the steps drown in noise, or when the
interval is wide for the gaps between the probes; where roots drink in the layer that the deepest probe stands for, half
a gap above it and below, it is "at least": whether they end just above a probe or at it no probe can tell. Uptake by
Jackisch et al. 2020, Biogeosciences 17, 5787-5808, with the slope of the night after; shares, intervals and refusals
are our own choice.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from pipeline.soil.uptake import DailyUptake, Withheld
from pipeline.texts import later, say, say_many
from pipeline.units import FloatArray, floats

TAIL_GAPS = 3.0  # below the deepest channel uptake thins out over this many gaps at most: our own choice
_HALVINGS = 30  # of a layer, to find a depth within it: to a millionth of a millimetre


def layer_bounds_m(depth_m: npt.ArrayLike, top_m: float) -> FloatArray:
    """Return the bounds of the layers that the channels stand for: half-way between neighbours.

    Parameters
    ----------
    depth_m : array_like, shape (depth,)
        Of the channels, positive down, rising. [m]
    top_m : float
        Upper bound of the first layer: 0, or the base of the thatch. [m]

    Returns
    -------
    ndarray, shape (depth + 1,)
        [m] The last layer reaches as far below its channel as above it.
    """
    depth = np.asarray(depth_m, dtype=np.float64)
    between = 0.5 * (depth[1:] + depth[:-1])
    first_below = between[-1] if between.size else top_m
    return np.concatenate([[top_m], between, [depth[-1] + (depth[-1] - first_below)]])


def smooth_depths_m(uptake_by_layer: npt.ArrayLike, bounds_m: npt.ArrayLike, share: float) -> FloatArray:
    """Return the depth above which a share of the uptake lies, in many profiles, with a continuous density.

    Parameters
    ----------
    uptake_by_layer : array_like, shape (profile, layer)
        At least two layers; negative counts as none. [mm] or any one unit
    bounds_m : array_like, shape (profile, layer + 1)
        [m] Rising.
    share : float
        0 to 1. [1]

    Returns
    -------
    ndarray, shape (profile,)
        [m] NaN when nothing was drawn. Each layer keeps its total; no density is negative.

    References
    ----------
    Monotone cubic of the running sum: Fritsch & Butland 1984, SIAM J. Sci. Stat. Comput. 5, 300-304 (from memory).
    """
    water = np.maximum(np.asarray(uptake_by_layer, dtype=np.float64), 0.0)
    edge = np.asarray(bounds_m, dtype=np.float64)
    height, running = np.diff(edge, axis=1), np.cumsum(water, axis=1)
    total = running[:, -1]
    density = _density_at_bounds(water / height, height)
    row = np.arange(water.shape[0])
    layer = (running < (share * total * (1.0 - 1e-12))[:, np.newaxis]).sum(axis=1).clip(max=water.shape[1] - 1)
    inside, high = water[row, layer], height[row, layer]
    wanted = share * total - (running[row, layer] - inside)
    upper, lower = density[row, layer] * high, density[row, layer + 1] * high
    low, top = np.zeros(row.size), np.ones(row.size)
    for _ in range(_HALVINGS):
        t = 0.5 * (low + top)
        above = inside * t * t * (3.0 - 2.0 * t) + upper * t * (1.0 - t) ** 2 - lower * t * t * (1.0 - t)
        low, top = np.where(above < wanted, t, low), np.where(above < wanted, top, t)
    return np.where(total > 0.0, edge[row, layer] + 0.5 * (low + top) * high, np.nan)


def _density_at_bounds(density: FloatArray, height: FloatArray) -> FloatArray:
    """Density at the bounds of the layers: harmonic between two, run on above the first, none below the last."""
    found = np.zeros((density.shape[0], density.shape[1] + 1))
    above, below = density[:, :-1], density[:, 1:]
    first, second = 2.0 * height[:, 1:] + height[:, :-1], height[:, 1:] + 2.0 * height[:, :-1]
    both = (above > 0.0) & (below > 0.0)
    shared = first / np.where(both, above, 1.0) + second / np.where(both, below, 1.0)
    found[:, 1:-1] = np.where(both, (first + second) / shared, 0.0)
    slope = (density[:, 0] - density[:, 1]) * height[:, 0] / (height[:, 0] + height[:, 1])
    found[:, 0] = np.clip(density[:, 0] + slope, 0.0, 3.0 * density[:, 0])
    return found


def with_tail(
    drawn: FloatArray, edges: FloatArray, depth: FloatArray, *, share: npt.ArrayLike = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Add a layer below the last for the roots no channel sees: the two lowest channels' decline, run on.

    Parameters
    ----------
    drawn : ndarray, shape (profile, layer)
        At least two layers. [mm] or any one unit
    edges : ndarray, shape (profile, layer + 1)
        Their bounds, rising. [m]
    depth : ndarray, shape (layer,)
        Of the channels. [m]
    share : array_like, shape (profile,) or scalar
        Of what the decline would hold: below the deepest channel roots may end at once. [1] 0 to 1.

    Returns
    -------
    drawn, edges : ndarray
        With one layer more. [unit of `drawn`], [m]
    """
    density = np.maximum(drawn, 0.0) / np.diff(edges, axis=1)
    lowest = np.maximum(density[:, -1], 1e-12)
    decline = np.log(np.maximum(density[:, -2] / lowest, np.exp(1.0 / TAIL_GAPS)))
    length = (depth[-1] - depth[-2]) / decline
    beyond = density[:, -1] * length * np.exp(-(edges[:, -1] - depth[-1]) / length) * np.asarray(share)
    deeper = edges[:, -1] + 2.0 * length
    return np.column_stack([drawn, beyond]), np.column_stack([edges, deeper])


LEAST_DRY_DAYS = 3  # dry days behind an estimate: common practice, no source
LEAST_DEMAND_MM = 2.0  # reference evapotranspiration of a day that makes steps worth reading: common practice
CONFIDENCE, BOOTSTRAP_DRAWS = 0.90, 400  # of the intervals, and of the bootstrap over days
NOISE_RATIO = 3.0  # total uptake over its standard error: common practice, no source
FOLLOWED_RATIO = 1.0  # and over what probes that follow their temperature make of nothing: our own choice
TEMPERATURE_SHARE = 0.4  # of the daily swing explained by temperature, above which it is no root: our own choice
TEMPERATURE_PER_DEGC = 0.0009  # and by so much a degree, three times what an ordinary probe may follow: our own choice
WIDEST_GAPS = 1.4  # a 90 % interval wider than so many gaps between the probes about it is no answer: our own choice
DRINKS = 1.645  # uptake of a layer over its error, beyond which it differs from nothing (one-sided, 95 %)
# Share of the draws with roots in the layer of the deepest probe, from which on "at least" is said. Nine in ten are
# meant: the draws do not know all that misleads; of simulated fortnights .95 was right in 87 %, .90 in 82 %.
DRANK_CHANCE = 0.95
GAIN_DOUBT = 0.10  # slopes of two channels' calibrations differ by so much: our own choice
PROBE_PER_DEGC = 0.0003  # a probe's reading may follow its temperature by up to so much, either way: common practice
# Share of a layer's uptake that may have come up by day from the layer below: loam at 1 m of suction conducts some
# 0.01 mm an hour, under a gradient of ten or twenty 1 to 2 mm in a day of three (order of size, our own).
RISEN_SHARE = 0.5
BOUND_DOUBT = (0.0, 1.0)  # where between two channels the roots thin out: anywhere, no probe sees there
# Reasons that leave a day's raw figure fit for averaging: it is noise about a small uptake, and to drop it
# would make every deep layer look thirstier than it is.
_KEPT = (int(Withheld.NOTHING), int(Withheld.NO_STEP), int(Withheld.RISES))


@dataclass(frozen=True)
class RootDepth:
    """How deep the roots drank over a span.

    Attributes
    ----------
    d90_m, d90_low_m, d90_high_m : float
        Depth below the leaf base above which 90 % of the soil's uptake lies that these probes see, and its interval.
        [m] They see half a gap below the deepest. NaN when withheld; the high end infinite with `at_least`.
    d95_m, d95_low_m, d95_high_m : float
        The same for 95 %. [m]
    share, share_low, share_high : ndarray, shape (depth,)
        Of the soil's uptake by channel, thatch channels NaN. [1]
    thatch_share_high : float
        Upper bound of the share of all uptake drawn from the thatch; the lower bound is 0, since
        evaporation cannot be told from roots there. [1] NaN where no channel in the thatch is believed.
    days : int
        Dry days behind it.
    at_least : bool
        The chance that a twentieth or more of all uptake lay in the layer of the deepest probe, from half-way to the
        one above it, or below, is 9 in 10: the roots go at least so deep, and how far nobody sees.
    reason : str
        Why it is withheld; empty when it is not.
    """

    d90_m: float
    d90_low_m: float
    d90_high_m: float
    d95_m: float
    d95_low_m: float
    d95_high_m: float
    share: FloatArray
    share_low: FloatArray
    share_high: FloatArray
    thatch_share_high: float
    days: int
    at_least: bool
    reason: str


def less_running_day_mean(values: npt.ArrayLike, per_day: int) -> FloatArray:
    """Take out of a series its centred mean over one day.

    Parameters
    ----------
    values : array_like, shape (time,)
        Evenly spaced. [any unit] NaN where missing.
    per_day : int
        Values a day, even and 2 or more. [d-1]

    Returns
    -------
    ndarray, shape (time,)
        [unit of `values`] NaN in the first and last half day and wherever a value of the day is missing.
    """
    x = floats(values)
    weights = np.full(per_day + 1, 1.0 / per_day)
    weights[[0, -1]] /= 2.0
    rest = np.full(x.shape, np.nan)
    half = per_day // 2
    if x.size > per_day:
        rest[half : x.size - half] = x[half : x.size - half] - np.convolve(x, weights, "valid")
    return rest


def temperature_share(
    moisture: npt.ArrayLike, temperature_degc: npt.ArrayLike, per_day: int
) -> tuple[FloatArray, FloatArray]:
    """Return how much of the daily swing of moisture merely follows temperature.

    Parameters
    ----------
    moisture : array_like, shape (time, depth)
        [m3 m-3]
    temperature_degc : array_like, shape (time, depth)
        At the same depths. [degC]
    per_day : int
        Readings a day, even. [d-1]

    Returns
    -------
    share : ndarray, shape (depth,)
        Squared correlation of both series less their running day means. [1] NaN with less than two days of
        pairs.
    slope : ndarray, shape (depth,)
        [m3 m-3 degC-1] Positive when moisture seems to rise with warmth, which no root can do.
    """
    theta, warmth = np.asarray(moisture, dtype=np.float64), np.asarray(temperature_degc, dtype=np.float64)
    share, slope = np.full(theta.shape[1], np.nan), np.full(theta.shape[1], np.nan)
    for j in range(theta.shape[1]):
        x, y = less_running_day_mean(warmth[:, j], per_day), less_running_day_mean(theta[:, j], per_day)
        good = np.isfinite(x) & np.isfinite(y)
        x, y = x[good], y[good]
        if x.size < 2 * per_day or not (np.ptp(x) > 0.0 and np.ptp(y) > 0.0):
            continue
        xy, xx, yy = float((x * y).sum()), float((x * x).sum()), float((y * y).sum())
        share[j], slope[j] = xy * xy / (xx * yy), xy / xx
    return share, slope


def root_depth(
    days: DailyUptake,
    depth_m: npt.ArrayLike,
    *,
    thatch_m: float = 0.0,
    demand_mm: npt.ArrayLike | None = None,
    temperature: tuple[FloatArray, FloatArray] | None = None,
    warming_degc: npt.ArrayLike | None = None,
) -> RootDepth:
    """Return the rooting depth from the days of a span, about a fortnight.

    Parameters
    ----------
    days : DailyUptake
        Of the span, from `uptake.daily_uptake`.
    depth_m : array_like, shape (depth,)
        Of the channels below the leaf base, rising. [m]
    thatch_m : float
        Thickness of the thatch. [m] Channels above its base count as thatch.
    demand_mm : array_like, shape (day,), optional
        Reference evapotranspiration. [mm d-1] Days under 2 mm are left out.
    temperature : (share, slope), optional
        From `temperature_share` over the same span.
    warming_degc : array_like, shape (depth,), optional
        Mean step of the day in temperature at each channel, see `uptake.steps_beside`: what its probe may follow.
        [degC] NaN, or none given, counts as none.

    Returns
    -------
    RootDepth

    References
    ----------
    Uptake by Jackisch et al. 2020, Biogeosciences 17, 5787-5808; shares, intervals and refusals for turf
    are our own.
    """
    depth = np.asarray(depth_m, dtype=np.float64)
    soil = depth > thatch_m
    lost = np.where(np.isin(days.withheld, _KEPT), days.between_nights, np.nan)
    usable = np.isfinite(lost[:, soil]).all(axis=1)
    if demand_mm is not None:
        usable &= np.asarray(demand_mm, dtype=np.float64) >= LEAST_DEMAND_MM
    chosen = lost[usable]
    warming = None if warming_degc is None else np.asarray(warming_degc, dtype=np.float64)
    reason = _why_not(days, chosen, soil, temperature, warming)
    if reason:
        return nothing_found(depth.size, int(usable.sum()), reason)
    bounds = layer_bounds_m(depth[soil], thatch_m)
    height_mm = 1000.0 * np.diff(bounds)
    warming = np.zeros(depth.size) if warming is None else np.nan_to_num(warming)
    drawn = _LayerUptake(
        chosen[:, soil] * height_mm,  # mm a day from each layer
        PROBE_PER_DEGC * np.abs(warming[soil]) * height_mm,
        depth[soil],
        bounds,
    )
    total = drawn.by_day_mm[:, drawn.drinks].sum(axis=1)
    noise = float(total.std(ddof=1) / np.sqrt(total.size))
    followed = float(np.linalg.norm(drawn.followed_mm)) / np.sqrt(3.0)
    if drawn.drinks.any() and not drawn.by_day_mm.mean(axis=0).sum() > FOLLOWED_RATIO * followed:
        return nothing_found(depth.size, total.size, say(DOUBTS["temperature"]))
    if not total.mean() > NOISE_RATIO * noise:
        steady = replace(drawn, followed_mm=np.zeros(drawn.depth_m.size))
        why = DOUBTS["temperature"] if steady.drinks.any() else LOST_IN_NOISE
        return nothing_found(depth.size, total.size, say(why))
    return _estimate(drawn, soil, _thatch_mm(chosen, soil, thatch_m))


@dataclass(frozen=True)
class _LayerUptake:
    """What each layer lost by day. Depths of channels, and layer bounds. [m]"""

    by_day_mm: FloatArray  # (day, layer)
    followed_mm: FloatArray  # (layer,) what a probe that follows its temperature may have made of nothing
    depth_m: FloatArray
    bounds_m: FloatArray

    @cached_property
    def drinks(self) -> npt.NDArray[np.bool_]:
        """Whether the uptake of each layer differs from nothing, by its own days and its own probe's doubt."""
        count = self.by_day_mm.shape[0]
        error = np.hypot(self.by_day_mm.std(axis=0, ddof=1) / np.sqrt(count), self.followed_mm / np.sqrt(3.0))
        return np.asarray(self.by_day_mm.mean(axis=0) > DRINKS * error)

    @cached_property
    def rooted(self) -> npt.NDArray[np.bool_]:
        """Whether a layer drinks or lies above one that does: roots come from above."""
        return np.asarray(np.maximum.accumulate(self.drinks[::-1])[::-1])

    @cached_property
    def mean_mm(self) -> FloatArray:
        """Mean uptake by layer, none where it does not differ from nothing. [mm d-1]"""
        return np.where(self.drinks, np.maximum(self.by_day_mm.mean(axis=0), 0.0), 0.0)


LOST_IN_NOISE = later("the steps of day and night are lost in the noise")
DOUBTS = {
    "days": later("too uncertain: the days disagree"),
    "temperature": later("too uncertain: a probe may follow its temperature"),
    "slopes": later("too uncertain: the probes may differ in their calibration"),
    "spacing": later("too uncertain: the probes stand too far apart where the roots end"),
}
"""What makes an interval wide, and how a refusal says it."""


def _draws(drawn: _LayerUptake, without: str = "") -> tuple[FloatArray, FloatArray, FloatArray]:
    """Uptake by layer in many draws of all doubts but one, for the lower end and the upper [mm], and bounds. [m]"""
    (count, layers), draws = drawn.by_day_mm.shape, BOOTSTRAP_DRAWS
    generator = np.random.default_rng(0)  # the same seed gives the same interval
    picks = generator.integers(0, count, (draws, count))
    # With few days resampling them is too sure of itself: n/(n - 1) of the spread is missing.
    mean = drawn.by_day_mm.mean(axis=0)
    spread = (drawn.by_day_mm[picks].mean(axis=1) - mean) * np.sqrt(count / (count - 1.0))
    # A probe may follow its own temperature a little, the same way every day: no number of days tells that from roots.
    followed = drawn.followed_mm * generator.uniform(-1.0, 1.0, (draws, layers))
    # Each channel's calibration and the course of the roots between two channels are unknown too.
    slopes = generator.uniform(1.0 - GAIN_DOUBT, 1.0 + GAIN_DOUBT, (draws, layers))
    edges = _drawn_bounds(generator, drawn.depth_m, drawn.bounds_m, draws)
    means = np.tile(mean, (draws, 1))
    means = means + (0.0 if without == "days" else spread) + (0.0 if without == "temperature" else followed)
    means = np.maximum(means, 0.0) * (1.0 if without == "slopes" else slopes)
    # A layer that cannot be told from nothing holds anything between nothing and what its doubt allows, but where roots
    # drink below it: they come from above, and to halve what little it lost would make them seem to drink deeper.
    means = np.where(drawn.rooted, means, means * generator.uniform(0.0, 1.0, (draws, layers)))
    if without == "spacing":
        edges = np.tile(drawn.bounds_m, (draws, 1))
    means = means * np.diff(edges, axis=1) / np.diff(drawn.bounds_m)
    # What a layer lost by day may have moved up into the one that roots had dried, or not: a lower end only.
    risen = np.minimum(generator.uniform(0.0, RISEN_SHARE, (draws, layers - 1)) * means[:, :-1], means[:, 1:])
    moved = np.pad(risen, ((0, 0), (0, 1))) - np.pad(risen, ((0, 0), (1, 0)))
    return means + moved, means, edges


def _interval(drawn: _LayerUptake, part: float, without: str = "") -> tuple[float, float, float]:
    """Lower end, middle and upper end of the depth above which a part of the uptake lies. [m]

    The middle is by what the layers lost, the ends by the draws.
    """
    less, more, edges = _draws(drawn, without)
    shallow, deep = (smooth_depths_m(each, edges, part) for each in (less, more))
    tail = 50.0 * (1.0 - CONFIDENCE)
    low, high = np.nanpercentile(shallow, tail), np.nanpercentile(deep, 100.0 - tail)
    lost = np.where(drawn.rooted, drawn.by_day_mm.mean(axis=0), 0.0)
    at = float(smooth_depths_m(lost[np.newaxis], drawn.bounds_m[np.newaxis], part)[0])
    return min(float(low), at), at, max(float(high), at)


def _estimate(drawn: _LayerUptake, soil: npt.NDArray[np.bool_], thatch_mm: float) -> RootDepth:
    count = drawn.by_day_mm.shape[0]
    (low_90, at_90, high_90), (low_95, at_95, high_95) = (_interval(drawn, part) for part in (0.90, 0.95))
    if high_90 - low_90 > widest_m(at_90, drawn.depth_m):
        return nothing_found(soil.size, count, say(DOUBTS[_widest_doubt(drawn)]))
    _, means, edges = _draws(drawn)
    parts = np.vstack([drawn.mean_mm, means])
    parts = parts / np.maximum(parts.sum(axis=1, keepdims=True), 1e-12)
    share, share_low, share_high = (np.full(soil.size, np.nan) for _ in range(3))
    tail = 50.0 * (1.0 - CONFIDENCE)
    share[soil] = parts[0]
    share_low[soil], share_high[soil] = np.percentile(parts[1:], [tail, 100.0 - tail], axis=0)
    beyond = np.random.default_rng(1).uniform(0.0, 1.0, BOOTSTRAP_DRAWS)
    lowest_m, bottom = float(drawn.bounds_m[-2]), float(drawn.bounds_m[-1])
    reached = smooth_depths_m(*with_tail(means, edges, drawn.depth_m, share=beyond), 0.95) >= lowest_m
    at_least = bool(drawn.drinks[-1] and reached.mean() >= DRANK_CHANCE)
    return RootDepth(
        d90_m=at_90,
        d90_low_m=low_90,
        d90_high_m=float("inf") if at_least else min(high_90, bottom),
        d95_m=at_95,
        d95_low_m=low_95,
        d95_high_m=float("inf") if at_least else min(high_95, bottom),
        share=share,
        share_low=share_low,
        share_high=share_high,
        thatch_share_high=thatch_mm / (thatch_mm + float(drawn.mean_mm.sum())),
        days=count,
        at_least=at_least,
        reason="",
    )


def widest_m(at_m: float, depth_m: FloatArray) -> float:
    """Return how wide an interval about a depth may be: so many of the widest of its own and the neighbouring gaps.

    Parameters
    ----------
    at_m : float
        [m]
    depth_m : ndarray, shape (depth,)
        Of the soil's channels, at least two, rising. [m]

    Returns
    -------
    float
        [m]
    """
    gaps = np.diff(depth_m)
    after = int(np.searchsorted(depth_m, at_m))
    about = gaps[max(min(after, gaps.size) - 2, 0) : min(after, gaps.size - 1) + 1]
    return WIDEST_GAPS * float(about.max())


def _widest_doubt(drawn: _LayerUptake) -> str:
    """Name the doubt without which the interval would be narrowest."""
    widths = {}
    for doubt in DOUBTS:
        low, _, high = _interval(drawn, 0.90, doubt)
        widths[doubt] = high - low
    return min(widths, key=lambda doubt: widths[doubt])


def _drawn_bounds(generator: np.random.Generator, depth: FloatArray, bounds: FloatArray, draws: int) -> FloatArray:
    """Layer bounds anywhere in the middle of the gap between two channels, for each draw."""
    edges = np.tile(bounds, (draws, 1))
    place = generator.uniform(*BOUND_DOUBT, (draws, depth.size))
    edges[:, 1:-1] = depth[:-1] + place[:, :-1] * np.diff(depth)
    edges[:, -1] = depth[-1] + 2.0 * place[:, -1] * (bounds[-1] - depth[-1])
    return edges


def _thatch_mm(chosen: FloatArray, soil: npt.NDArray[np.bool_], thatch_m: float) -> float:
    """Mean loss of the thatch in a day beyond its night line, evaporation and roots together. [mm]"""
    if not thatch_m > 0.0:
        return 0.0
    if soil.all() or not np.isfinite(chosen[:, ~soil]).any():
        return float("nan")  # nothing measured it: it may be any share
    return max(1000.0 * thatch_m * float(np.nanmean(chosen[:, ~soil])), 0.0)


_FEW_DRY_DAYS = {
    Withheld.GAP: later("only {n} of {needed} dry days needed: mostly readings are missing"),
    Withheld.WET: later("only {n} of {needed} dry days needed: mostly it was wet"),
    Withheld.JUMP: later("only {n} of {needed} dry days needed: mostly the moisture jumped"),
    Withheld.CURVED: later("only {n} of {needed} dry days needed: mostly the nights are curved"),
    Withheld.SHORT: later("only {n} of {needed} dry days needed: mostly no clear turn at evening and morning"),
}
_LITTLE_ASKED = later("only {n} of {needed} dry days needed: mostly little was asked of the turf")


def _why_not(
    days: DailyUptake,
    chosen: FloatArray,
    soil: npt.NDArray[np.bool_],
    temperature: tuple[FloatArray, FloatArray] | None,
    warming: FloatArray | None,
) -> str:
    if soil.sum() < 2:
        return say_many(
            "only {n} channel in the soil: depth needs two",
            "only {n} channels in the soil: depth needs two",
            int(soil.sum()),
        )
    if temperature is not None:
        share, slope = temperature
        swings = soil & (share > TEMPERATURE_SHARE) & (slope > TEMPERATURE_PER_DEGC)
        if swings.any():
            return say("temperature: the readings rise and fall with warmth, not with roots")
    if chosen.shape[0] < LEAST_DRY_DAYS:
        codes = days.withheld[1:, soil]
        most = np.bincount(codes[~np.isin(codes, _KEPT)].ravel(), minlength=9).argmax()
        told = _FEW_DRY_DAYS.get(Withheld(int(most)), _LITTLE_ASKED)
        return say(told, n=chosen.shape[0], needed=LEAST_DRY_DAYS)
    below = chosen[:, soil]
    error = below.std(axis=0, ddof=1) / np.sqrt(below.shape[0])
    # More than three errors below nothing: water cannot come by day and go by night without a false cause.
    may_follow = 0.0 if warming is None else PROBE_PER_DEGC * np.abs(np.nan_to_num(warming[soil]))
    if (below.mean(axis=0) < -may_follow - NOISE_RATIO * np.maximum(error, 2e-4)).any():
        return say("temperature: the readings rise by day, as no root can make them")
    return ""


def nothing_found(depths: int, days: int, reason: str) -> RootDepth:
    """Return a rooting depth that is withheld.

    Parameters
    ----------
    depths, days : int
        Channels, and dry days there were. [1]
    reason : str
        Why it is withheld.

    Returns
    -------
    RootDepth
        Every figure NaN.
    """
    nothing = np.full(depths, np.nan)
    nan = float("nan")
    return RootDepth(nan, nan, nan, nan, nan, nan, nothing, nothing, nothing, nan, days, False, reason)
