"""What the stages know of a station.

`StationContext` is composed of the settings of a station, what people wrote of it, and what its probes have shown.
Nothing here computes water, or reads a clock, a file or a store.
"""

from __future__ import annotations

import datetime
from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from types import MappingProxyType

import numpy as np

from hardware.probe import Channel
from pipeline.diary.by_hand import HandValue, hand_channels, hand_values, push_values
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import (
    RULER,
    Dated,
    DatedPass,
    DiaryFacts,
    Intent,
    in_the_way,
    probes_in_ground,
    read_diary,
)
from pipeline.site.ground import BY_HAND, Site, Station, Surface
from pipeline.site.passes import PassFacts, SurfaceKind
from pipeline.site.settings import SiteConfig
from pipeline.soil.layers import Medium, Place, Range, depth_now_m, medium, place, thatch_thickness_m, with_porosity
from pipeline.soil.quality import QualityBounds
from pipeline.soil.thatch import CoreReading
from pipeline.texts import day_words, say, say_many
from pipeline.units import FOREVER_MS, HOUR_MS, TimeArray

WEATHER = ("air_temperature", "relative_humidity", "wind_speed", "solar_radiation", "surface_temperature")

NEIGHBOUR_STATIONS = 3  # whose moisture a station is held against: our own choice


@dataclass(frozen=True, slots=True)
class PassDone:
    """A pass over the turf as the diary has it. [ms since 1970, UTC], [m], [kg m-2]; NaN where nobody wrote it.

    `around` has the probes of the station that stood in the way of its blades and had not been lifted, by their place.
    """

    at_ms: int
    kind: str
    variant: str
    title: str
    depth_m: float
    spacing_m: float
    width_m: float
    removed_kg_m2: float
    around: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ChannelLimits:
    """Dry and drained limit of one channel as learned, from a moment on, each with the range it may lie in.

    [ms since 1970, UTC], [m3 m-3]
    """

    from_ms: int
    dry: float
    drained: float
    dry_range: Range
    drained_range: Range


@dataclass(frozen=True)
class StationContext:
    """One station, as the stages need to know it.

    Attributes
    ----------
    ground : Station
        Its settings: soil and thatch, the limits of its own, the grass.
    channels : mapping of str to Channel
        Every channel whose rows the stages may meet, by its id `station/probe/channel`: the station's own, and the one
        of `rain_channel` where that stands elsewhere.
    site : Site
        Where it lies.
    kind : str
        Of the surface; see `pipeline.site.passes`.
    rain_channel : str or None
        Id of the channel whose rain counts here.
    weather : mapping of str to str
        Id of the channel whose air temperature, humidity, wind, sun and surface temperature count here, by quantity.
        It may stand at another station.
    facts : DiaryFacts
        What people wrote, of the station and its whole surface, with the cores of the settings.
    passes : tuple of PassDone
        In order of time.
    learned : mapping of str to tuple of ChannelLimits
        By channel id, in order of time; a later one does not change what an earlier one said.
    quality : QualityBounds
    neighbours : tuple of str
        Ids of moisture channels of other stations, those of its own surface first: what its channels are held against.
    by_hand, withdrawn : tuple of HandValue
        What was measured by hand, and what had been until its entry was struck.
    """

    ground: Station
    channels: Mapping[str, Channel]
    site: Site
    kind: SurfaceKind
    rain_channel: str | None = None
    weather: Mapping[str, str] = field(default_factory=dict)
    facts: DiaryFacts = field(default_factory=DiaryFacts)
    passes: tuple[PassDone, ...] = ()
    learned: Mapping[str, tuple[ChannelLimits, ...]] = field(default_factory=dict)
    quality: QualityBounds = field(default_factory=QualityBounds)
    neighbours: tuple[str, ...] = ()
    by_hand: tuple[HandValue, ...] = ()
    withdrawn: tuple[HandValue, ...] = ()

    @classmethod
    def from_config(
        cls, config: SiteConfig, station: str, entries: Iterable[DiaryEntry] = (), struck: Iterable[DiaryEntry] = ()
    ) -> StationContext:
        """Return the context of a configured station.

        Parameters
        ----------
        config : SiteConfig
        station : str
            Slug.
        entries : iterable of DiaryEntry
            Of `STATION_KINDS`; those of other surfaces and stations are passed over.
        struck : iterable of DiaryEntry
            Those of `HAND_KINDS` that were struck out.
        """
        ground, surface = config.stations()[station], config.surface_of(station)
        channels = {c.id: c.channel for c in ground.channels}
        rain_channel = config.rain_channel(station)
        weather = {quantity: config.weather_channel(station, quantity) for quantity in WEATHER}
        if rain_channel is not None:
            channels.setdefault(rain_channel, config.channels()[rain_channel].channel)
        facts = read_diary(entries, surface.name, config.passes, station=station)
        made = [p for p in facts.made if p.state == "done"]
        by_hand, withdrawn = _hand_values(station, facts, read_diary(struck, surface.name, {}, station=station))
        channels |= hand_channels((*by_hand, *withdrawn))
        return cls(
            ground,
            MappingProxyType(channels),
            config.site,
            surface.kind,
            rain_channel,
            MappingProxyType({quantity: i for quantity, i in weather.items() if i is not None}),
            _with_configured_cores(facts, ground),
            tuple(_pass_done(p, surface, facts, station, config.passes.get(p.kind)) for p in made),
            neighbours=_neighbours(config, station),
            by_hand=by_hand,
            withdrawn=withdrawn,
        )

    @property
    def station(self) -> str:
        """Slug."""
        return self.ground.name

    @property
    def channel_ids(self) -> tuple[str, ...]:
        """Ids to read for this station, the rain channel with them."""
        return tuple(self.channels)

    @property
    def observed_ids(self) -> tuple[str, ...]:
        """Ids whose observations count here: those to read, and the weather's wherever it stands."""
        return tuple(dict.fromkeys((*self.channels, *self.weather.values())))

    def channels_of(self, quantities: Container[str]) -> tuple[str, ...]:
        """Return the ids whose observations of these quantities count here: the station's, and the weather's."""
        own = (i for i, c in self.channels.items() if c.quantity in quantities)
        return tuple(dict.fromkeys((*own, *(i for q, i in self.weather.items() if q in quantities))))

    @property
    def hand_span_ms(self) -> tuple[int, int] | None:
        """First and last time of what was measured by hand, struck or not; None where nothing was. [ms since 1970]"""
        times = [value.at_ms for value in (*self.by_hand, *self.withdrawn)]
        return (min(times), max(times)) if times else None

    @property
    def reads_by_hand(self) -> bool:
        """Whether its water is read by a hand meter alone: it has no moisture channel in the ground."""
        return not self.moisture and bool(self.facts.moisture)

    @cached_property
    def moisture(self) -> tuple[str, ...]:
        """Ids of the water content channels of the station's own probes, shallowest first."""
        own = [i for i, c in self.channels.items() if c.quantity == "water_content" and self.owns(i)]
        own = [i for i in own if not is_by_hand(i)]
        return tuple(sorted((i for i in own if self.channels[i].depth_m is not None), key=self._depth_then_id))

    @cached_property
    def temperatures(self) -> tuple[str, ...]:
        """Ids of the station's own soil temperature channels, shallowest first."""
        own = [i for i, c in self.channels.items() if c.quantity == "soil_temperature" and self.owns(i)]
        return tuple(sorted((i for i in own if self.channels[i].depth_m is not None), key=self._depth_then_id))

    @cached_property
    def soil_medium(self) -> Medium:
        return with_porosity(medium(self.ground.soil), self.ground.soil_porosity)

    def is_subsoil(self, channel_id: str) -> bool:
        """Return whether a channel was set into the subsoil; False for one that is not known."""
        known = self.channels.get(channel_id)
        depth = None if known is None else known.depth_m
        return bool(self.ground.subsoil) and depth is not None and depth >= self.ground.subsoil_from_m

    def soil_at(self, channel_id: str) -> Medium:
        """Return the soil about a channel."""
        return medium(self.ground.subsoil) if self.ground.subsoil and self.is_subsoil(channel_id) else self.soil_medium

    @cached_property
    def thatch(self) -> Medium:
        return with_porosity(medium(self.ground.thatch_medium), self.ground.thatch_porosity)

    def owns(self, channel_id: str) -> bool:
        """Return whether a channel stands at this station."""
        return channel_id.startswith(f"{self.station}/")

    def _depth_then_id(self, channel_id: str) -> tuple[float, str]:
        depth = self.channels[channel_id].depth_m
        return (np.inf if depth is None else depth, channel_id)

    def changes_ms(self) -> TimeArray:
        """Return when thatch or depths change, increasing. [ms]"""
        anew = (one for many in self.facts.depths.values() for one in many)
        return np.unique(np.array([d.at_ms for d in (*self.facts.cores, *self.facts.dressings, *anew)], dtype=np.int64))

    def learned_at(self, channel_id: str, at_ms: int) -> ChannelLimits | None:
        """Return the limits of a channel that were known at a moment. [ms since 1970, UTC]

        None before any were, and after its probe is put back until it has shown new ones.
        """
        anew_ms = self.restarted_ms(channel_id, at_ms)
        known = (one for one in reversed(self.learned.get(channel_id, ())) if one.from_ms <= at_ms)
        return next((one for one in known if one.from_ms >= anew_ms), None)

    def restarted_ms(self, channel_id: str, at_ms: int) -> int:
        """Return when a channel's probe had last been put back and had settled, or 0. [ms since 1970, UTC]"""
        return max((settled for back, settled in self._returns(channel_id) if back <= at_ms), default=0)

    def unsettled(self, channel_id: str, start_ms: int, end_ms: int) -> str:
        """Return why a channel's readings do not stand for undisturbed ground in start <= t < end; empty when they do.

        [ms since 1970, UTC]
        """
        probe = channel_id.rsplit("/", 1)[0]
        for one in reversed(self.facts.lifted):
            until_ms = min(one.settled_ms(self.settle_ms), FOREVER_MS)
            if one.probe == probe and one.out_ms < end_ms and start_ms < until_ms:
                name = probe.rsplit("/", 1)[-1]
                if start_ms < one.back_ms and one.is_new:
                    return say("{probe} is new, and its field check is not done", probe=name)
                if start_ms < one.back_ms:
                    return say("{probe} was lifted on {day}", probe=name, day=_day(one.out_ms))
                return say_many(
                    "{probe} was put back on {day}: the ground about it settles for {n:g} day",
                    "{probe} was put back on {day}: the ground about it settles for {n:g} days",
                    self.quality.settle_d, probe=name, day=_day(one.back_ms),
                )  # fmt: skip
        return ""

    @property
    def settle_ms(self) -> int:
        """How long the ground about a probe put back is left to settle. [ms]"""
        return round(self.quality.settle_d * 24 * HOUR_MS)

    def lifted_ms(self) -> TimeArray:
        """Return when a probe is lifted, put back, or has settled, increasing. [ms]"""
        times = [t for one in self.facts.lifted for t in (one.out_ms, one.back_ms, one.settled_ms(self.settle_ms))]
        return np.unique(np.array([t for t in times if t < FOREVER_MS], dtype=np.int64))

    def _returns(self, channel_id: str) -> list[tuple[int, int]]:
        """When the channel's probe was put back, and when it had settled. [ms]"""
        probe = channel_id.rsplit("/", 1)[0]
        back = [one for one in self.facts.lifted if one.probe == probe and one.back_ms < FOREVER_MS]
        return [(one.back_ms, one.settled_ms(self.settle_ms)) for one in back]

    def learned_ms(self) -> TimeArray:
        """Return from when on other limits hold, increasing. [ms]"""
        return np.unique(np.array([one.from_ms for many in self.learned.values() for one in many], dtype=np.int64))

    def thatch_m(self, at_ms: int) -> float:
        """Return the thatch thickness at a moment. [m] NaN where not known."""
        dates, lengths = [c.at_ms for c in self.facts.cores], [c.length_m for c in self.facts.cores]
        return float(thatch_thickness_m([at_ms], dates, lengths)[0])

    def soil_top_m(self, at_ms: int) -> float:
        """Return where the soil begins at a moment [ms since 1970, UTC], 0 where no thatch is known. [m]"""
        return max(float(np.nan_to_num(self.thatch_m(at_ms))), 0.0)

    def depth_m(self, channel_id: str, at_ms: int) -> float:
        """Return the depth of a channel below the leaf base at a moment. [m] NaN above ground."""
        depth = self.channels[channel_id].depth_m
        if depth is None:
            return float("nan")
        anew = [one for one in self.facts.depths.get(channel_id, ()) if one.at_ms <= at_ms]
        since_ms = -1
        if anew:
            since_ms, depth = anew[-1].at_ms, anew[-1].length_m
        over = [d for d in self.facts.dressings if d.at_ms > since_ms]
        if not over:
            return depth
        return depth_now_m(depth, at_ms, [d.at_ms for d in over], [d.length_m for d in over])

    def place(self, channel_id: str, at_ms: int) -> Place:
        """Return what a channel's sensing volume lies in at a moment. [ms since 1970, UTC]"""
        height = self.channels[channel_id].sensing_height_m
        return place(self.depth_m(channel_id, at_ms), height, self.thatch_m(at_ms))

    def media_at(self, channel_id: str, at_ms: int) -> tuple[Medium, ...]:
        """Return the media in which a channel's sensing volume lies or may lie at a moment. [ms since 1970, UTC]"""
        soil, where = self.soil_at(channel_id), self.place(channel_id, at_ms)
        return {Place.THATCH: (self.thatch,), Place.SOIL: (soil,)}.get(where, (self.thatch, soil))


def is_by_hand(channel_id: str) -> bool:
    """Return whether a channel holds what was measured by hand."""
    return channel_id.split("/")[1:2] == [BY_HAND]


def _neighbours(config: SiteConfig, station: str) -> tuple[str, ...]:
    """Moisture channels of the nearest stations by the order of the file, those of the station's own surface first."""
    own = config.surface_of(station).name
    others = sorted((s for s in config.stations() if s != station), key=lambda s: config.surface_of(s).name != own)
    every = [c for s in others[:NEIGHBOUR_STATIONS] for c in config.stations()[s].channels]
    return tuple(c.id for c in every if c.channel.quantity == "water_content" and c.channel.depth_m is not None)


def _hand_values(
    station: str, facts: DiaryFacts, struck: DiaryFacts
) -> tuple[tuple[HandValue, ...], tuple[HandValue, ...]]:
    """Values by hand that stand, and those of struck entries in whose place none stands."""
    pushed = push_values(station, (*facts.pushes, *struck.pushes))
    out = {push.id for push in struck.pushes}
    stand = [*hand_values(station, facts.moisture, facts.hand_rain), *(v for v in pushed if v.entry not in out)]
    gone = [*hand_values(station, struck.moisture, struck.hand_rain), *(v for v in pushed if v.entry in out)]
    kept = {(value.channel, value.at_ms) for value in stand}
    return tuple(stand), tuple(value for value in gone if (value.channel, value.at_ms) not in kept)


def _day(at_ms: int) -> str:
    return day_words(_day_of(at_ms), year=True, long=True)


def _day_of(at_ms: int) -> datetime.date:
    return datetime.datetime.fromtimestamp(at_ms / 1000, datetime.UTC).date()


def _with_configured_cores(facts: DiaryFacts, ground: Station) -> DiaryFacts:
    """Return facts with the cores of the settings among them; one of the diary at the same moment stands over it.

    Depths measured anew are kept for the station's own channels.
    """
    cores = {c.at_ms: Dated(c.at_ms, c.thatch_m) for c in ground.cores} | {c.at_ms: c for c in facts.cores}
    roots = {c.at_ms: Dated(c.at_ms, c.root_m) for c in ground.cores if c.root_m is not None}
    roots |= {c.at_ms: c for c in facts.root_cores}
    by_ruler = [CoreReading(c.midnight.date(), RULER, 1000.0 * c.thatch_m) for c in ground.cores]
    own = {c.id for c in ground.channels}
    return replace(
        facts,
        cores=tuple(cores[at_ms] for at_ms in sorted(cores)),
        root_cores=tuple(roots[at_ms] for at_ms in sorted(roots)),
        core_reads=tuple(sorted((*by_ruler, *facts.core_reads), key=lambda core: core.taken)),
        depths={c: d for c, d in facts.depths.items() if c in own},
    )


def _pass_done(one: DatedPass, surface: Surface, facts: DiaryFacts, station: str, kind: PassFacts | None) -> PassDone:
    """Return a pass for the stages: its depth as written, else as planned, else as usual, and the probes it went
    around."""
    planned = [p.depth_m for p in surface.passes if p.kind == one.kind]
    usual_m = max(planned, default=0.0 if kind is None else kind.depth_mm[1] / 1000.0)
    depth_m = usual_m if one.depth_m is None else one.depth_m
    in_ground = probes_in_ground(surface, facts, one.start_ms, station=station)
    names = in_the_way(Intent(one.kind, one.variant, depth_m), in_ground)
    return PassDone(
        at_ms=one.start_ms,
        kind=one.kind,
        variant=one.variant if one.variant_written else "standard",
        title=one.kind.replace("_", " ") if kind is None else kind.title,
        depth_m=depth_m,
        spacing_m=one.spacing_m,
        width_m=one.width_m,
        removed_kg_m2=one.removed_kg_m2,
        around=tuple(buried.called for buried in in_ground if buried.name in names),
    )
