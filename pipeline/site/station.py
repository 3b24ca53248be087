"""What the stages know of a station.

`StationContext` holds plain facts (channels, media, dated thatch, where the rain is measured), so that a stage needs no
settings file. Nothing here computes water, or reads a clock, a file or a store.
"""

from __future__ import annotations

import datetime
from collections.abc import Container, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType

import numpy as np

from hardware.probe import Channel
from pipeline.site.settings import SiteConfig
from pipeline.soil.layers import Medium, Place, Range, depth_now_m, medium, place, thatch_thickness_m
from pipeline.soil.quality import QualityBounds
from pipeline.soil.thatch import CoreReading
from pipeline.soil.wetting import Watering
from pipeline.units import FOREVER_MS, HOUR_MS, TimeArray

WEATHER = ("air_temperature", "relative_humidity", "wind_speed", "solar_radiation", "surface_temperature")


@dataclass(frozen=True, slots=True)
class Dated:
    """A length that holds, or was added, from a moment on. [ms since 1970, UTC], [m]"""

    at_ms: int
    length_m: float


@dataclass(frozen=True, slots=True)
class Lifted:
    """A probe, `station/probe`, out of the ground from a moment up to its return; `FOREVER_MS` while it is still out.

    [ms since 1970, UTC]
    """

    probe: str
    out_ms: int
    back_ms: int


@dataclass(frozen=True, slots=True)
class PassDone:
    """A pass over the turf as the diary has it. [ms since 1970, UTC], [m], [kg m-2]; NaN where nobody wrote it.

    `around` names the probes of the station that stood in the way of its blades and had not been lifted.
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
    station : str
        Slug.
    channels : mapping of str to Channel
        Every channel whose rows the stages may meet, by its id `station/probe/channel`: the station's own, and the one
        of `rain_channel` where that stands elsewhere.
    soil, thatch_medium : str
        Names in `pipeline.soil.layers.MEDIA`.
    subsoil, subsoil_from_m : str, float
        Soil from that depth below the leaf base down, as the probes were set. [m] Empty: it is all one soil.
    root_zone_m : float
        Depth of soil, below the thatch, that counts as root zone. [m]
    thatch_dry, thatch_drained, soil_dry, soil_drained : float or None
        Limits of this station in place of those learned and those of the media. [m3 m-3]
    learned : mapping of str to tuple of ChannelLimits
        By channel id, in order of time; a later one does not change what an earlier one said.
    cores : tuple of Dated
        Thatch thickness by date, increasing. Empty: not known.
    dressings : tuple of Dated
        What each dressing laid over the sensors.
    depths : mapping of str to tuple of Dated
        By channel id, depths measured anew, in order of time; before the first the channel's own holds.
    lifted : tuple of Lifted
        In order of time.
    passes : tuple of PassDone
        In order of time.
    core_reads : tuple of CoreReading
        What each core showed, by whichever method, in order of time.
    waterings : tuple of Watering
    rain_channel : str or None
        Id of the channel whose rain counts here.
    quality : QualityBounds
    kind, grass : str
        Of the surface, and what grows there; see `pipeline.site.ground`.
    latitude_deg, longitude_deg : float or None
        North and east positive. [deg] None where nobody said.
    elevation_m : float
        [m]
    weather : mapping of str to str
        Id of the channel whose air temperature, humidity, wind, sun and surface temperature count here, by quantity.
        It may stand at another station.
    root_cores : tuple of Dated
        How deep below the thatch roots went on cores, by a ruler.
    fixtures : tuple of (int, int)
        Begin and end of each. [ms since 1970, UTC]
    """

    station: str
    channels: Mapping[str, Channel]
    soil: str = "loam"
    thatch_medium: str = "decayed_thatch"
    root_zone_m: float = 0.2
    thatch_dry: float | None = None
    thatch_drained: float | None = None
    soil_dry: float | None = None
    soil_drained: float | None = None
    learned: Mapping[str, tuple[ChannelLimits, ...]] = field(default_factory=dict)
    cores: tuple[Dated, ...] = ()
    dressings: tuple[Dated, ...] = ()
    depths: Mapping[str, tuple[Dated, ...]] = field(default_factory=dict)
    lifted: tuple[Lifted, ...] = ()
    passes: tuple[PassDone, ...] = ()
    core_reads: tuple[CoreReading, ...] = ()
    waterings: tuple[Watering, ...] = ()
    rain_channel: str | None = None
    quality: QualityBounds = field(default_factory=QualityBounds)
    kind: str = "outfield"
    grass: str = "cool"
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    elevation_m: float = 0.0
    weather: Mapping[str, str] = field(default_factory=dict)
    root_cores: tuple[Dated, ...] = ()
    fixtures: tuple[tuple[int, int], ...] = ()
    subsoil: str = ""
    subsoil_from_m: float = 0.0

    @classmethod
    def from_config(
        cls,
        config: SiteConfig,
        station: str,
        *,
        dressings: tuple[Dated, ...] = (),
        waterings: tuple[Watering, ...] = (),
        fixtures: tuple[tuple[int, int], ...] = (),
        quality: QualityBounds | None = None,
    ) -> StationContext:
        """Return the context of a configured station; what people write in the diary is given beside it.

        Fixtures from begin to end. [ms since 1970, UTC]
        """
        own = config.stations()[station]
        channels = {c.id: c.channel for c in own.channels}
        rain_channel = config.rain_channel(station)
        weather = {quantity: config.weather_channel(station, quantity) for quantity in WEATHER}
        if rain_channel is not None:
            channels.setdefault(rain_channel, config.channels()[rain_channel].channel)
        return cls(
            station=station,
            channels=MappingProxyType(channels),
            soil=own.soil,
            thatch_medium=own.thatch_medium,
            root_zone_m=own.root_zone_m,
            thatch_dry=own.thatch_dry,
            thatch_drained=own.thatch_drained,
            soil_dry=own.soil_dry,
            soil_drained=own.soil_drained,
            cores=tuple(Dated(core.at_ms, core.thatch_m) for core in own.cores),
            dressings=dressings,
            waterings=waterings,
            rain_channel=rain_channel,
            quality=quality if quality is not None else QualityBounds(),
            kind=config.surface_of(station).kind,
            grass=own.grass,
            latitude_deg=config.site.latitude_deg,
            longitude_deg=config.site.longitude_deg,
            elevation_m=config.site.elevation_m,
            weather=MappingProxyType({quantity: i for quantity, i in weather.items() if i is not None}),
            root_cores=tuple(Dated(core.at_ms, core.root_m) for core in own.cores if core.root_m is not None),
            fixtures=fixtures,
            subsoil=own.subsoil or "",
            subsoil_from_m=own.subsoil_from_m,
        )

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

    @cached_property
    def moisture(self) -> tuple[str, ...]:
        """Ids of the station's own water content channels, shallowest first."""
        own = [i for i, c in self.channels.items() if c.quantity == "water_content" and self.owns(i)]
        return tuple(sorted((i for i in own if self.channels[i].depth_m is not None), key=self._depth_then_id))

    @cached_property
    def temperatures(self) -> tuple[str, ...]:
        """Ids of the station's own soil temperature channels, shallowest first."""
        own = [i for i, c in self.channels.items() if c.quantity == "soil_temperature" and self.owns(i)]
        return tuple(sorted((i for i in own if self.channels[i].depth_m is not None), key=self._depth_then_id))

    @cached_property
    def soil_medium(self) -> Medium:
        return medium(self.soil)

    def is_subsoil(self, channel_id: str) -> bool:
        """Return whether a channel was set into the subsoil; False for one that is not known."""
        known = self.channels.get(channel_id)
        depth = None if known is None else known.depth_m
        return bool(self.subsoil) and depth is not None and depth >= self.subsoil_from_m

    def soil_at(self, channel_id: str) -> Medium:
        """Return the soil about a channel."""
        return medium(self.subsoil) if self.is_subsoil(channel_id) else self.soil_medium

    @cached_property
    def thatch(self) -> Medium:
        return medium(self.thatch_medium)

    def owns(self, channel_id: str) -> bool:
        """Return whether a channel stands at this station."""
        return channel_id.startswith(f"{self.station}/")

    def _depth_then_id(self, channel_id: str) -> tuple[float, str]:
        depth = self.channels[channel_id].depth_m
        return (np.inf if depth is None else depth, channel_id)

    def changes_ms(self) -> TimeArray:
        """Return when thatch or depths change, increasing. [ms]"""
        anew = (one for many in self.depths.values() for one in many)
        return np.unique(np.array([d.at_ms for d in (*self.cores, *self.dressings, *anew)], dtype=np.int64))

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
        for one in reversed(self.lifted):
            until_ms = min(one.back_ms + self.settle_ms, FOREVER_MS)
            if one.probe == probe and one.out_ms < end_ms and start_ms < until_ms:
                name = probe.rsplit("/", 1)[-1]
                if start_ms < one.back_ms:
                    return f"{name} was lifted on {_day(one.out_ms)}"
                days = f"{self.quality.settle_d:g} days"
                return f"{name} was put back on {_day(one.back_ms)}: the ground about it settles for {days}"
        return ""

    @property
    def settle_ms(self) -> int:
        """How long the ground about a probe put back is left to settle. [ms]"""
        return round(self.quality.settle_d * 24 * HOUR_MS)

    def lifted_ms(self) -> TimeArray:
        """Return when a probe is lifted, put back, or has settled, increasing. [ms]"""
        times = [t for one in self.lifted for t in (one.out_ms, one.back_ms, one.back_ms + self.settle_ms)]
        return np.unique(np.array([t for t in times if t < FOREVER_MS], dtype=np.int64))

    def _returns(self, channel_id: str) -> list[tuple[int, int]]:
        """When the channel's probe was put back, and when it had settled. [ms]"""
        probe = channel_id.rsplit("/", 1)[0]
        back = [one.back_ms for one in self.lifted if one.probe == probe and one.back_ms < FOREVER_MS]
        return [(at_ms, at_ms + self.settle_ms) for at_ms in back]

    def learned_ms(self) -> TimeArray:
        """Return from when on other limits hold, increasing. [ms]"""
        return np.unique(np.array([one.from_ms for many in self.learned.values() for one in many], dtype=np.int64))

    def thatch_m(self, at_ms: int) -> float:
        """Return the thatch thickness at a moment. [m] NaN where not known."""
        dates, lengths = [c.at_ms for c in self.cores], [c.length_m for c in self.cores]
        return float(thatch_thickness_m([at_ms], dates, lengths)[0])

    def depth_m(self, channel_id: str, at_ms: int) -> float:
        """Return the depth of a channel below the leaf base at a moment. [m] NaN above ground."""
        depth = self.channels[channel_id].depth_m
        if depth is None:
            return float("nan")
        anew = [one for one in self.depths.get(channel_id, ()) if one.at_ms <= at_ms]
        since_ms = -1
        if anew:
            since_ms, depth = anew[-1].at_ms, anew[-1].length_m
        over = [d for d in self.dressings if d.at_ms > since_ms]
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


def is_southern(latitude_deg: float | None) -> bool:
    """Return whether a site lies south of the equator; False where its latitude [deg] is not known."""
    return latitude_deg is not None and latitude_deg < 0.0


def _day(at_ms: int) -> str:
    at = datetime.datetime.fromtimestamp(at_ms / 1000, datetime.UTC)
    return f"{at.day} {at:%B %Y}"
