"""What was measured by hand, as observations beside those of probes; and the layers of a station that has no probe.

Values come from the diary each time the stages run, so an entry written, changed or struck changes them as far as it
reaches. One that was struck stays as an observation that is missing. Where probes read the water, a meter's readings
stand beside them and draw no findings.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.diary.by_hand import HandMoisture, HandValue, by_channel, mean_of, rod_channel
from pipeline.diary.station import StationContext
from pipeline.soil import hand_meter
from pipeline.soil import layers as sums
from pipeline.soil.estimate import NORMAL_90
from pipeline.soil.layers import CELL_MS, Place, middle
from pipeline.stages.layers import limits_of
from pipeline.stages.stage import ChannelSeries, FindingRun, Observed
from pipeline.texts import later, say
from pipeline.units import Flag, is_believed


def with_hand_values(observed: Observed, context: StationContext) -> Observed:
    """Return observations with those by hand among them. What is wetter than its layers can be is suspect."""
    hand = {i: _series(context, i, values) for i, values in by_channel((*context.by_hand, *context.withdrawn)).items()}
    return dict(sorted({**observed, **hand}.items())) if hand else observed


def _series(context: StationContext, channel_id: str, values: list[HandValue]) -> ChannelSeries:
    gone = {(value.channel, value.at_ms) for value in context.withdrawn}
    stands = np.array([(value.channel, value.at_ms) not in gone for value in values], dtype=np.bool_)
    raw = np.where(stands, np.array([value.raw for value in values]), np.nan)
    flag = np.where(stands, np.uint8(Flag.GOOD), np.uint8(Flag.MISSING))
    if context.channels[channel_id].quantity == "water_content":
        full = np.array([_fullest(context, channel_id, value.at_ms) for value in values])
        flag = np.where(stands & (raw > full), np.uint8(Flag.SUSPECT), flag)
    return ChannelSeries(
        np.array([value.at_ms for value in values], dtype=np.int64),
        np.array([value.written_at_ms for value in values], dtype=np.int64),
        raw,
        stands,
        ~stands,
        np.zeros(stands.shape, dtype=np.bool_),
        raw,
        flag.astype(np.uint8),
    )


def _fullest(context: StationContext, channel_id: str, at_ms: int) -> float:
    return max(medium.fullest for medium in context.media_at(channel_id, at_ms))


_ENDS_IN_THATCH = later("the rods of {rods:.0f} mm end in the thatch")
_MORE_IN_THATCH = later("the rods of {rods:.0f} mm stand in thatch more than in soil: mixed")


def hand_layers(observed: Observed, context: StationContext) -> list[FindingRun]:
    """Return findings of water and wetness by layer in each quarter hour in which a meter was read.

    Of several lengths of rods in one quarter hour the shortest speaks for thatch, the longest for the root zone. None
    where probes read the water.
    """
    if not context.reads_by_hand:
        return []
    cells: dict[int, list[HandMoisture]] = {}
    for one in context.facts.moisture:
        cells.setdefault(one.at_ms // CELL_MS, []).append(one)
    doubted = {
        (i, int(at_ms))
        for i, series in observed.items()
        for at_ms in series.time_ms[~is_believed(series.flag)].tolist()
    }
    found: list[FindingRun] = []
    for cell, readings in sorted(cells.items()):
        rods = sorted({one.rod_m for one in readings})
        at_ms = (cell + 1) * CELL_MS - 1
        thatch_m = context.thatch_m(at_ms)
        short, long = ([one for one in readings if one.rod_m == rod] for rod in (rods[0], rods[-1]))
        if thatch_m > 0.0:
            found += _Visit(context, cell, thatch_m, short, doubted).thatch()
        if not rods[0] <= thatch_m:
            found += _Visit(context, cell, thatch_m, short, doubted).top_layer()
        found += _Visit(context, cell, thatch_m, long, doubted).root_zone()
    return sorted(found, key=lambda run: (run.quantity, int(run.start_ms[0])))


class _Visit:
    """The readings of one length of rods in one quarter hour."""

    def __init__(
        self,
        context: StationContext,
        cell: int,
        thatch_m: float,
        readings: list[HandMoisture],
        doubted: set[tuple[str, int]],
    ) -> None:
        self.context, self.cell, self.at_ms = context, cell, (cell + 1) * CELL_MS - 1
        self.thatch_m, self.rod_m = thatch_m, readings[0].rod_m
        self.share = hand_meter.thatch_share(self.rod_m, thatch_m)
        self.points = sum(one.points for one in readings)
        self.theta = mean_of(readings)
        spreads = [one.spread for one in readings if math.isfinite(one.spread)]
        self.error = hand_meter.standard_error(self.share, max(spreads, default=math.nan), self.points)
        channel = rod_channel(context.station, self.rod_m)
        too_wet = any((channel, one.at_ms) in doubted for one in readings)
        self.reason = say("the meter read more water than this ground can hold") if too_wet else ""

    def limits(self, where: Place) -> tuple[float, ...]:
        return limits_of(self.context, where, "", self.at_ms)

    def run(self, quantity: str, value: float, low: float, high: float, reason: str = "") -> FindingRun:
        told = self.reason or reason
        numbers = (math.nan,) * 3 if told else (value, low, high)
        start_ms = np.array([self.cell * CELL_MS], dtype=np.int64)
        found, least, most = (np.array([number]) for number in numbers)
        return FindingRun(quantity, start_ms, found, least, most, self.points, np.array([told], dtype=object))

    def withheld(self, quantity: str, reason: str) -> FindingRun:
        return self.run(quantity, math.nan, math.nan, math.nan, reason)

    def layer(
        self, layer: str, theta: float, error: float, limits: tuple[float, ...], depth_m: float
    ) -> list[FindingRun]:
        """Water and wetness of a layer, each with its 90 % interval and, for wetness, the range of its limits."""
        dry, drained, *ranges = limits
        half = NORMAL_90 * error
        ends = [
            sums.wetness_bounds(np.array([end]), (ranges[0], ranges[1]), (ranges[2], ranges[3]))
            for end in (theta - half, theta + half)
        ]
        wet = float(sums.wetness(np.array([theta]), dry, drained)[0])
        water = [max(1000.0 * depth_m * end, 0.0) for end in (theta, theta - half, theta + half)]
        return [
            self.run(f"{layer}_water", water[0], water[1], water[2]),
            self.run(f"{layer}_wetness", wet, float(ends[0][0][0]), float(ends[1][1][0])),
        ]

    def thatch(self) -> list[FindingRun]:
        """Thatch, where the rods end in it."""
        if self.share < 1.0:
            told = say("mixed: rods of {rods:.0f} mm reach through {thatch:.0f} mm of thatch",
                       rods=1000 * self.rod_m, thatch=1000 * self.thatch_m)  # fmt: skip
            return [self.withheld(f"thatch_{what}", told) for what in ("air", "water", "wetness")]
        half, (least, most) = NORMAL_90 * self.error, self.context.thatch.porosity
        air, low, high = (
            float(sums.air_filled_porosity(np.array([theta]), porosity)[0])
            for theta, porosity in (
                (self.theta, (least + most) / 2.0), (self.theta + half, least), (self.theta - half, most)
            )
        )  # fmt: skip
        found = self.layer("thatch", self.theta, self.error, self.limits(Place.THATCH), self.thatch_m)
        return [*found, self.run("thatch_air", air, low, high)]

    def top_layer(self) -> list[FindingRun]:
        """What the rods read, mixed or not, down to their end; where they stand in soil, stones hold none of it."""
        thatch, soil = self.limits(Place.THATCH), self.limits(Place.SOIL)
        mixed = tuple(self.share * t + (1.0 - self.share) * s for t, s in zip(thatch, soil, strict=True))
        free = self.share + (1.0 - self.share) * self.context.ground.fine_share  # thatch has no stones
        return self.layer("top_layer", self.theta, self.error, mixed, free * self.rod_m)

    def root_zone(self) -> list[FindingRun]:
        """The soil below the thatch, taken for all of the root zone."""
        if self.share > hand_meter.MOST_THATCH:
            where = _ENDS_IN_THATCH if self.share >= 1.0 else _MORE_IN_THATCH
            told = say(where, rods=1000 * self.rod_m)
            return [self.withheld(f"root_zone_{what}", told) for what in ("water", "wetness")]
        soil, thatch = self.limits(Place.SOIL), self.limits(Place.THATCH)
        below = hand_meter.soil_below(
            self.theta, self.error, self.share, thatch=(thatch[0], thatch[1]), soil=(soil[0], soil[1]),
            thatch_full=middle(self.context.thatch.saturated),
        )  # fmt: skip
        ground = self.context.ground
        return self.layer("root_zone", below.water_content, below.error, soil, ground.fine_share * ground.root_zone_m)
