"""The third stage: water by layer, once every quarter of an hour, as findings.

Only observations that passed their tests count. A layer that rests on a reading which is not there is withheld, and
the finding says which. Where the thatch is not known nothing is said of thatch, and the shallowest channel is the top
layer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.diary.station import StationContext
from pipeline.soil import layers as sums
from pipeline.soil.layers import CELL_MS, Place
from pipeline.stages.quality import QUALITY
from pipeline.stages.stage import FindCells, FindingRun, Grain, Observed, Stage
from pipeline.texts import in_a_row, say
from pipeline.units import HOUR_MS, FloatArray, TimeArray

LAYER_QUANTITIES = (
    "root_zone_water", "root_zone_wetness", "thatch_air", "thatch_water", "thatch_wetness", "top_layer_water",
    "top_layer_wetness",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Limits:
    """Dry and drained limit of channels with the range each may lie in, one entry a channel. [m3 m-3]"""

    dry: FloatArray
    drained: FloatArray
    dry_range: tuple[FloatArray, FloatArray]
    drained_range: tuple[FloatArray, FloatArray]


def layers(observed: Observed, context: StationContext) -> list[FindingRun]:
    """Return findings of water and wetness by layer, by quantity and time."""
    series = {i: observed[i] for i in context.moisture if i in observed}
    if not series:
        return []
    each = [one.time_ms // CELL_MS for one in series.values()]
    each = [cells[sums.first_of_each(cells)] for cells in each]
    alike = all(np.array_equal(each[0], cells) for cells in each[1:])
    cells = each[0] if alike else np.unique(np.concatenate(each))
    theta = {i: sums.on_cells(cells, one.time_ms, one.believed()) for i, one in series.items()}
    for i in context.moisture:
        theta.setdefault(i, np.full(cells.shape, np.nan))
    # a core belongs to the cell it was taken in, so that where a batch begins makes no difference
    changes = np.unique(np.concatenate([context.changes_ms(), context.learned_ms(), context.lifted_ms()]))
    part = np.searchsorted(changes // CELL_MS, cells, side="right")
    found: list[FindingRun] = []
    for k in np.unique(part):
        where = part == k
        at_ms = int((cells[where][0] + 1) * CELL_MS - 1)
        found += _findings_of_part(context, at_ms, cells[where] * CELL_MS, {i: t[where] for i, t in theta.items()})
    return sorted(found, key=lambda f: (f.quantity, int(f.start_ms[0])))


def _findings_of_part(
    context: StationContext, at_ms: int, start_ms: TimeArray, theta: dict[str, FloatArray]
) -> list[FindingRun]:
    """Findings over cells in which neither thatch nor depths nor limits change."""
    thatch_m = context.thatch_m(at_ms)
    places = {i: context.place(i, at_ms) for i in context.moisture}
    soil = sorted((i for i in context.moisture if places[i] is Place.SOIL), key=lambda i: context.depth_m(i, at_ms))
    found = _root_zone(context, at_ms, start_ms, theta, soil)
    thatch_known = thatch_m > 0.0
    if thatch_known:
        found += _thatch(context, at_ms, start_ms, theta, places)
    mixed = [i for i in context.moisture if places[i] is Place.MIXED]
    if not thatch_known and soil:
        found += _top_layer(context, at_ms, start_ms, theta, soil[0], _top_of_soil_m(context, at_ms, soil))
    elif mixed and Place.THATCH not in places.values():
        sensed_to = context.depth_m(mixed[0], at_ms) + context.channels[mixed[0]].sensing_height_m / 2.0
        found += _top_layer(context, at_ms, start_ms, theta, mixed[0], sensed_to)
    return found


def _root_zone(
    context: StationContext, at_ms: int, start_ms: TimeArray, theta: dict[str, FloatArray], soil: list[str]
) -> list[FindingRun]:
    ids, weights = _root_zone_parts(context, at_ms, soil)
    if not ids:
        reason = np.full(start_ms.shape, say("no probe in the root zone"), dtype=object)
        return [_withheld(q, start_ms, reason) for q in ("root_zone_water", "root_zone_wetness")]
    columns = np.stack([_mean([theta[i] for i in joined.split("+")]) for joined in ids], axis=1)
    limits = _limits(context, Place.SOIL, ids, at_ms)
    reason = _missing_reason(context, at_ms, ids, columns)
    wet = sums.mean_wetness(sums.wetness(columns, limits.dry, limits.drained), weights)
    low, high = (
        sums.mean_wetness(w, weights) for w in sums.wetness_bounds(columns, limits.dry_range, limits.drained_range)
    )
    water = sums.storage_mm(columns, weights)
    nothing = np.full(start_ms.shape, np.nan)
    return [
        FindingRun("root_zone_water", start_ms, water, nothing, nothing, len(ids), reason),
        FindingRun("root_zone_wetness", start_ms, wet, low, high, len(ids), reason),
    ]


def _root_zone_parts(context: StationContext, at_ms: int, soil: list[str]) -> tuple[list[str], FloatArray]:
    """Channels of the root zone in order of depth and the soil each stands for [m], stones left out; those of one depth
    are joined.

    Channels joined by `+` are averaged. None when no channel lies in the root zone.
    """
    groups: dict[float, list[str]] = {}
    for i in soil:
        groups.setdefault(round(context.depth_m(i, at_ms), 4), []).append(i)
    top_m, root_zone_m = context.soil_top_m(at_ms), context.ground.root_zone_m
    by_depth = sorted(groups.values(), key=lambda ids: context.depth_m(ids[0], at_ms))
    depths = np.array([context.depth_m(ids[0], at_ms) - top_m for ids in by_depth])
    if not by_depth or depths[0] > root_zone_m:
        return [], np.array([])
    weights = context.ground.fine_share * sums.layer_weights_m(depths, root_zone_m)
    used = ["+".join(ids) for ids, w in zip(by_depth, weights, strict=True) if w > 0.0]
    return used, weights[weights > 0.0]


def dry_water_mm(context: StationContext, where: Place, at_ms: int) -> tuple[float, float, float] | None:
    """Return what the thatch or the root zone holds at the dry limit of its channels, and the range it may lie in. [mm]

    None where no channel lies in it. [ms since 1970, UTC]
    """
    ids = [i for i in context.moisture if context.place(i, at_ms) is where]
    if where is Place.SOIL:
        ids, weights = _root_zone_parts(context, at_ms, ids)
    else:
        ids, weights = (["+".join(ids)] if ids else []), np.array([context.thatch_m(at_ms)])
    if not ids:
        return None
    limits = _limits(context, where, ids, at_ms)
    dry, low, high = (1000.0 * float(one @ weights) for one in (limits.dry, *limits.dry_range))
    return dry, low, high


def _mean(columns: list[FloatArray]) -> FloatArray:
    total = columns[0]
    for more in columns[1:]:
        total = total + more
    return total / len(columns)


def _thatch(
    context: StationContext,
    at_ms: int,
    start_ms: TimeArray,
    theta: dict[str, FloatArray],
    places: dict[str, Place],
) -> list[FindingRun]:
    thatch_m = context.thatch_m(at_ms)
    inside = [i for i in context.moisture if places[i] is Place.THATCH]
    if not inside:
        mixed = [i for i in context.moisture if places[i] is Place.MIXED]
        text = say("no probe in the thatch")
        if mixed:
            height_m = context.channels[mixed[0]].sensing_height_m
            text = say("mixed: {channel} senses {height:.0f} mm, the thatch is {thatch:.0f} mm",
                       channel=_short(mixed[0]), height=height_m * 1000, thatch=thatch_m * 1000)  # fmt: skip
        reason = np.full(start_ms.shape, text, dtype=object)
        return [_withheld(q, start_ms, reason) for q in ("thatch_air", "thatch_water", "thatch_wetness")]
    columns = np.stack([theta[i] for i in inside], axis=1)
    mean = _mean([theta[i] for i in inside])
    reason = _missing_reason(context, at_ms, inside, columns)
    limits, porosity = _limits(context, Place.THATCH, ["+".join(inside)], at_ms), context.thatch.porosity
    wet = sums.wetness(mean, limits.dry, limits.drained)
    low, high = sums.wetness_bounds(mean, limits.dry_range, limits.drained_range)
    nothing = np.full(start_ms.shape, np.nan)
    air, air_low, air_high = (sums.air_filled_porosity(mean, p) for p in (sum(porosity) / 2.0, *porosity))
    return [
        FindingRun("thatch_water", start_ms, mean * thatch_m * 1000.0, nothing, nothing, len(inside), reason),
        FindingRun("thatch_wetness", start_ms, wet, low, high, len(inside), reason),
        FindingRun("thatch_air", start_ms, air, air_low, air_high, len(inside), reason),
    ]


def _top_of_soil_m(context: StationContext, at_ms: int, soil: list[str]) -> float:
    """Lower end of what the shallowest channel stands for: half-way to the next, or as far below it as it lies deep."""
    depths = sorted({round(context.depth_m(i, at_ms), 4) for i in soil})
    bottom = (depths[0] + depths[1]) / 2.0 if len(depths) > 1 else 2.0 * depths[0]
    return min(bottom, context.ground.root_zone_m)


def _top_layer(
    context: StationContext,
    at_ms: int,
    start_ms: TimeArray,
    theta: dict[str, FloatArray],
    channel: str,
    bottom_m: float,
) -> list[FindingRun]:
    value = theta[channel]
    limits = _limits(context, context.place(channel, at_ms), [channel], at_ms)
    reason = _missing_reason(context, at_ms, [channel], value[:, np.newaxis])
    wet = sums.wetness(value, limits.dry, limits.drained)
    low, high = sums.wetness_bounds(value, limits.dry_range, limits.drained_range)
    nothing = np.full(start_ms.shape, np.nan)
    share = context.ground.fine_share if context.place(channel, at_ms) is Place.SOIL else 1.0  # thatch has no stones
    return [
        FindingRun("top_layer_water", start_ms, share * value * bottom_m * 1000.0, nothing, nothing, 1, reason),
        FindingRun("top_layer_wetness", start_ms, wet, low, high, 1, reason),
    ]


def _limits(context: StationContext, where: Place, ids: list[str], at_ms: int) -> _Limits:
    """Limits of channels in one layer; those of channels joined by `+`, which are averaged, are the mean of theirs."""
    each = []
    for joined in ids:
        rows = [limits_of(context, where, i, at_ms) for i in joined.split("+")]
        each.append([sum(column) / len(rows) for column in zip(*rows, strict=True)])
    dry, drained, dry_low, dry_high, drained_low, drained_high = (np.array(c) for c in zip(*each, strict=True))
    return _Limits(dry, drained, (dry_low, dry_high), (drained_low, drained_high))


def limits_of(context: StationContext, where: Place, channel: str, at_ms: int) -> tuple[float, ...]:
    """Return dry and drained limit of a channel at a moment and the ends of their ranges. [m3 m-3], [ms since 1970]

    The site's own stand first, then what the channel has shown, then the middle of the medium's range. Mixed is half
    thatch, half soil.
    """
    if where is Place.MIXED:
        both = (limits_of(context, layer, "", at_ms) for layer in (Place.THATCH, Place.SOIL))
        return tuple((a + b) / 2.0 for a, b in zip(*both, strict=True))
    in_thatch = where is Place.THATCH
    medium = context.thatch if in_thatch else context.soil_at(channel)
    dry, dry_range = medium.dry_prior, medium.wilting
    drained, drained_range = medium.drained_prior, medium.drained
    shown = context.learned_at(channel, at_ms)
    # what was learned while the channel lay in another medium is not this one's
    if shown is not None and medium.drained[0] <= shown.drained <= medium.drained[1]:
        dry, dry_range, drained, drained_range = shown.dry, shown.dry_range, shown.drained, shown.drained_range
    own_dry = context.ground.thatch_dry if in_thatch else context.ground.soil_dry
    own_drained = context.ground.thatch_drained if in_thatch else context.ground.soil_drained
    if not in_thatch and context.is_subsoil(channel):
        own_dry = own_drained = None  # those of the station are of its upper soil
    if own_dry is not None:
        dry, dry_range = own_dry, (own_dry, own_dry)
    if own_drained is not None:
        drained, drained_range = own_drained, (own_drained, own_drained)
    return (dry, drained, *dry_range, *drained_range)


def _withheld(quantity: str, start_ms: TimeArray, reason: np.ndarray) -> FindingRun:
    nothing = np.full(start_ms.shape, np.nan)
    return FindingRun(quantity, start_ms, nothing, nothing, nothing, 0, reason)


def _missing_reason(context: StationContext, at_ms: int, ids: list[str], columns: FloatArray) -> np.ndarray:
    """For each row the channels it lacks, in words, with why where the diary knows; empty where it lacks none."""
    lacks = np.isnan(columns)
    told = np.full(len(columns), "", dtype=object)
    some = np.flatnonzero(lacks.any(axis=1))
    kinds, kind = np.unique(lacks[some], axis=0, return_inverse=True)
    moved = {i: [w for w in (context.unsettled(one, at_ms, at_ms + 1) for one in i.split("+")) if w] for i in ids}
    texts = []
    for row in kinds:
        missing = [i for i, bad in zip(ids, row, strict=True) if bad]
        why = dict.fromkeys(word for i in missing for word in moved[i])
        channels = in_a_row([_short(i) for i in missing])
        texts.append("; ".join([say("no good reading from {channels}", channels=channels), *why]))
    told[some] = np.array(texts, dtype=object)[kind.reshape(-1)]
    return told


def _short(channel_id: str) -> str:
    """Probe and channel, without the station that the finding names already."""
    return ", ".join(i.split("/", 1)[1] for i in channel_id.split("+"))


LAYER_WATER = Stage[FindCells](
    name="layers",
    grain=Grain.QUARTER_HOUR,
    run=layers,
    findings=LAYER_QUANTITIES,
    lead_in_ms=QUALITY.lead_in_ms + HOUR_MS,  # for so long a seldom read channel stands
    look_ahead_ms=QUALITY.look_ahead_ms,
)
