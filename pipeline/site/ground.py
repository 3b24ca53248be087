"""The tables of the place: site, climate, surfaces, stations, probes and cores.

A model has the keys of its table under their own names, and beside them, as properties, what other parts read in
canonical units. `pipeline.site.fields` says how a field states what it expects.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BeforeValidator, Field, InstanceOf, ValidationInfo, field_validator, model_validator

from hardware.curves import CORRECTION_REACH_M, curve_faults, curves_between
from hardware.probe import MAX_DEPTH_MM, Channel, ProbeDescription, ProbeFault, calibration_of, load_probe
from pipeline.site.context import context_of
from pipeline.site.fields import (
    Setting,
    Share,
    Slug,
    Text,
    as_written,
    expected,
    one_of,
    several,
    sound,
    unknown_key,
    unused,
)
from pipeline.site.local_units import LocalUnits, units_of
from pipeline.site.passes import OwnBounds, PlannedPass, SurfaceKind
from pipeline.site.plan import Metres, Outline, Place, no_crossing
from pipeline.site.plane import Point, oval
from pipeline.soil.radiation import Location
from pipeline.texts import ENGLISH, languages, later, say

BY_HAND = "by-hand"  # stands for the probe in the id of what was measured by hand


def _month_day(value: object) -> object:
    if not isinstance(value, str):
        return value
    day = datetime.date.fromisoformat(f"2024-{value}")
    return day.month, day.day


MonthDay = Annotated[tuple[int, int], BeforeValidator(_month_day), Field(description="month and day as '04-15'")]


class Site(Setting):
    """The place. Latitude and longitude are None when not given; what needs them says so.

    `country` is for the caution on taking water and for the usual units, `currency` of the costs in the diary; empty
    when not given. `length`, `temperature` and `dates` say how people read figures here, where that is not usual;
    `language` is that of all they read.
    """

    name: Slug
    title: Text = Field(default_factory=lambda data: data["name"], validate_default=False)
    timezone: Text = "UTC"
    latitude_deg: float | None = Field(None, ge=-90.0, le=90.0)
    longitude_deg: float | None = Field(None, ge=-180.0, le=180.0)
    elevation_m: float = Field(0.0, ge=-430.0, le=6000.0)
    country: Text = Field("", validate_default=False)
    length: Literal["mm", "inch"] | None = None
    temperature: Literal["degC", "degF"] | None = None
    dates: Literal["day month", "month day"] | None = None
    language: str = ENGLISH
    currency: Annotated[
        str, Field(description="three capital letters as 'EUR' (ISO 4217)"), sound(re.compile("[A-Z]{3}").fullmatch)
    ] = Field("", validate_default=False)

    @field_validator("timezone")
    @classmethod
    def _zone_is_known(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError) as err:
            raise expected("a name of the IANA time zone list that this machine has, as 'UTC'") from err
        return name

    @field_validator("language")
    @classmethod
    def _language_is_there(cls, name: str) -> str:
        if name not in languages():
            raise expected(one_of(name, languages()))
        return name

    @property
    def units(self) -> LocalUnits:
        """How people read figures and dates here."""
        return units_of(self.country, self.length, self.temperature, self.dates)

    @property
    def location(self) -> Location | None:
        """Where it lies, None where latitude or longitude is not given. [deg], [deg], [m]"""
        if self.latitude_deg is None or self.longitude_deg is None:
            return None
        return Location(self.latitude_deg, self.longitude_deg, self.elevation_m)

    @property
    def southern(self) -> bool:
        """Whether it lies south of the equator; False where its latitude is not known."""
        return self.latitude_deg is not None and self.latitude_deg < 0.0


def _twelve(low: float, high: float) -> Any:
    words = f"twelve numbers from {low:g} to {high:g}, January first"
    return Field(min_length=12, max_length=12, strict=False, description=words)


class MonthlyClimate(Setting):
    """Twelve figures each, January first: rain and days with rain of a month [mm], [d]; mean of the days' highest and
    lowest air temperature [degC].
    """

    rain_mm: tuple[Annotated[float, Field(ge=0.0, le=2000.0)], ...] = _twelve(0.0, 2000.0)
    wet_days: tuple[Annotated[float, Field(ge=0.0, le=31.0)], ...] = _twelve(0.0, 31.0)
    highest_degc: tuple[Annotated[float, Field(ge=-50.0, le=60.0)], ...] = _twelve(-50.0, 60.0)
    lowest_degc: tuple[Annotated[float, Field(ge=-50.0, le=60.0)], ...] = _twelve(-50.0, 60.0)

    @model_validator(mode="after")
    def _highest_above_lowest(self) -> Self:
        if not all(high >= low for high, low in zip(self.highest_degc, self.lowest_degc, strict=True)):
            raise several([": highest_degc: found a month below its lowest_degc, expected none"])
        return self


class WorkHours(Setting):
    """When a job is done, by the site's clock: from the first hour up to the second."""

    from_hour: float = Field(7.0, ge=0.0, le=24.0)
    until_hour: float = Field(19.0, ge=0.0, le=24.0)

    @field_validator("until_hour")
    @classmethod
    def _after_the_first(cls, until: float, info: ValidationInfo) -> float:
        first = round(info.data.get("from_hour", -1.0))
        if not first < round(until):
            raise expected(f"an hour after work.from_hour, {first}", found=round(until))
        return until

    @property
    def hours(self) -> tuple[int, int]:
        """Return first and last as whole hours. [h]"""
        return round(self.from_hour), round(self.until_hour)


class WaterConfig(Setting):
    """Whether watering is forbidden or rationed at present."""

    restricted: bool = False


class Core(Setting):
    """Readings of one core: thatch, and by a ruler how deep roots went below it, None where not measured.

    It stands from the site's midnight of that date on.
    """

    midnight: Annotated[
        datetime.datetime, Field(alias="date", description="a date without a time, as 2026-03-01 (no quotes)")
    ]
    thatch_mm: float = Field(ge=0.0, le=150.0)
    root_mm: float | None = Field(None, ge=0.0, le=1000.0)

    @field_validator("midnight", mode="before")
    @classmethod
    def _at_the_site(cls, date: object, info: ValidationInfo) -> datetime.datetime:
        if type(date) is not datetime.date:
            raise ValueError("no date")
        return datetime.datetime(date.year, date.month, date.day, tzinfo=context_of(info).zone)

    @property
    def at_ms(self) -> int:
        """From when on it stands. [ms since 1970, UTC]"""
        return round(self.midnight.timestamp() * 1000)

    @property
    def thatch_m(self) -> float:
        return self.thatch_mm / 1000

    @property
    def root_m(self) -> float | None:
        return None if self.root_mm is None else self.root_mm / 1000


@dataclass(frozen=True, slots=True)
class InstalledChannel:
    """A channel in the ground: `station/probe/channel`, with its depth and calibration there."""

    id: str
    channel: Channel


@dataclass(frozen=True, slots=True)
class InstalledProbe:
    """A probe in the ground."""

    name: str
    description: ProbeDescription
    channels: tuple[InstalledChannel, ...]


class Probe(Setting):
    """A probe of a station: its model, and by channel the depths and calibrations it has here.

    `at_m` is where it stands on the plan, None for where its station does. [m]
    """

    name: Slug
    description: InstanceOf[ProbeDescription] = Field(alias="model", description="text")
    depth_mm: dict[str, Any] = as_written({})
    calibration: dict[str, Any] = as_written({})
    at_m: Place | None = None

    @field_validator("name")
    @classmethod
    def _no_hand(cls, name: str) -> str:
        if name == BY_HAND:
            raise expected("another name: it is kept for what is measured by hand")
        return name

    @field_validator("description", mode="before")
    @classmethod
    def _described(cls, model: object, info: ValidationInfo) -> object:
        if not isinstance(model, str) or not 1 <= len(model) <= 200 or not model.isprintable():
            raise expected("1 to 200 printable characters")
        try:
            return load_probe(model, context_of(info).model_dir)
        except ProbeFault as err:
            raise several([f": {fault}" for fault in err.faults]) from err

    @field_validator("depth_mm", "calibration")
    @classmethod
    def _of_its_channels(cls, table: dict[str, Any], info: ValidationInfo) -> dict[str, Any]:
        if "description" not in info.data:
            return {}
        channels = {c.name: c for c in info.data["description"].channels}
        check = _depth_faults if info.field_name == "depth_mm" else _calibration_faults
        lines = [f".{key}: {unknown_key(key, channels)}" for key in table if key not in channels]
        lines += [line for key in table if key in channels for line in check(channels[key], table[key])]
        if lines:
            raise several(lines)
        return table

    def installed(self, station: str) -> InstalledProbe:
        """Return the probe with its channels as they are in the ground of a station."""
        return InstalledProbe(
            self.name,
            self.description,
            tuple(
                InstalledChannel(f"{station}/{self.name}/{c.name}", self._set_here(c))
                for c in self.description.channels
            ),
        )

    def _set_here(self, channel: Channel) -> Channel:
        if channel.name in self.depth_mm:
            channel = replace(channel, depth_m=self.depth_mm[channel.name] / 1000)
        if channel.name in self.calibration:
            curve, source, written = _calibration_parts(self.calibration[channel.name])
            channel = replace(channel, calibration=calibration_of(curve, written, source))
        return channel


def _depth_faults(channel: Channel, depth_mm: object) -> Iterator[str]:
    if isinstance(depth_mm, bool) or not isinstance(depth_mm, int | float) or not 0.0 <= depth_mm <= MAX_DEPTH_MM:
        yield f".{channel.name}: found {depth_mm!r}, expected a number from 0 to {MAX_DEPTH_MM:g}"
    elif channel.depth_m is None:
        yield f".{channel.name}: found {depth_mm!r}, expected no depth: this channel is above the ground"


def _calibration_parts(table: Mapping[str, Any]) -> tuple[Any, Any, dict[str, Any]]:
    """Curve, source and parameters."""
    parameters = {key: value for key, value in table.items() if key not in ("curve", "source")}
    return table.get("curve"), table.get("source", "set for this site"), parameters


def _calibration_faults(channel: Channel, table: object) -> Iterator[str]:
    if not isinstance(table, dict):
        yield f".{channel.name}: found {table!r}, expected a table of a curve and its parameters"
        return
    curve, source, parameters = _calibration_parts(table)
    if not isinstance(source, str) or not 1 <= len(source) <= 200 or not source.isprintable():
        yield f".{channel.name}.source: found {source!r}, expected 1 to 200 printable characters"
    faults = curve_faults(curve, parameters)
    fitting = curves_between(channel.heard, channel.quantity)
    if not faults and curve not in fitting:
        expected = f"a curve that makes {channel.quantity} of {channel.heard}, one of {', '.join(fitting)}"
        faults = [f"curve: found {curve!r}, expected {expected}"]
    yield from (f".{channel.name}.{fault}" for fault in faults)


def _correction_faults(one: InstalledChannel, every: Sequence[InstalledChannel]) -> Iterator[str]:
    coefficient, depth_m = one.channel.calibration.parameters.get("reading_per_degc", 0.0), one.channel.depth_m
    thermometers = (o.channel.depth_m for o in every if o != one and o.channel.quantity == "soil_temperature")
    if coefficient == 0.0 or (
        depth_m is not None
        and any(there_m and abs(there_m - depth_m) <= CORRECTION_REACH_M for there_m in thermometers)
    ):
        return
    where = "a channel in the ground" if depth_m is None else f"{1000 * depth_m:g} mm"
    reach = f"a soil_temperature channel of this station within {1000 * CORRECTION_REACH_M:g} mm of {where}"
    _, probe, name = one.id.split("/")
    place = f".{probe}.calibration.{name}.reading_per_degc"
    yield f"{place}: found {coefficient!r}, expected {reach} to correct by"


SoilMedium = Literal[
    "sand", "sandy_loam", "loam", "clay_loam", "club_clay_loam", "first_class_clay_loam", "organic_topsoil", "peat"
]


class Station(Setting):
    """A place on a surface with its media, its own limits and its dated thatch, and its probes: none where it is read
    by hand.

    `thatch_dry`, `thatch_drained`, `soil_dry` and `soil_drained` are water contents [m3 m-3] that stand over those of
    the medium; None where they are not given. So do `thatch_porosity` and `soil_porosity` [m3 m-3]. `stone_share` is
    the volume of stones in the root zone, which hold no water and where no probe stands [m3 m-3]. Cores are sorted by
    date. From `subsoil_from_m` below the leaf base down lies `subsoil` [m]; None where it is all one soil. `at_m` is
    where it stands on the plan [m], None where that is not given.
    """

    name: Slug
    title: Text = Field(default_factory=lambda data: data["name"], validate_default=False)
    soil: SoilMedium
    thatch_medium: Literal["raw_thatch", "decayed_thatch", "mat"] = "decayed_thatch"
    root_zone_mm: float = Field(200.0, ge=20.0, le=2000.0)
    thatch_dry: Share | None = None
    thatch_drained: Share | None = None
    soil_dry: Share | None = None
    soil_drained: Share | None = None
    thatch_porosity: float | None = Field(None, ge=0.3, le=0.98)
    soil_porosity: float | None = Field(None, ge=0.2, le=0.95)
    stone_share: float = Field(0.0, ge=0.0, le=0.8)
    subsoil_from_mm: float | None = Field(None, ge=20.0, le=2000.0)
    subsoil: SoilMedium | None = None
    grass: Literal["cool", "warm", "annual_meadow_grass"] = "cool"
    at_m: Place | None = None
    probe: tuple[Probe, ...] = Field((), max_length=64, strict=False)
    cores: tuple[Core, ...] = Field((), alias="core", max_length=1000, strict=False)

    @field_validator("thatch_drained", "soil_drained")
    @classmethod
    def _above_dry(cls, drained: float | None, info: ValidationInfo) -> float | None:
        name = f"{str(info.field_name).removesuffix('_drained')}_dry"
        dry = info.data.get(name)
        if drained is not None and dry is not None and not dry < drained:
            raise expected(f"a water content above {name}, {dry:g} m3/m3")
        return drained

    @field_validator("thatch_porosity", "soil_porosity")
    @classmethod
    def _room_for_drained(cls, porosity: float | None, info: ValidationInfo) -> float | None:
        name = f"{str(info.field_name).removesuffix('_porosity')}_drained"
        drained = info.data.get(name)
        if porosity is not None and drained is not None and not drained < porosity:
            raise expected(f"a share of pores above {name}, {drained:g} m3/m3")
        return porosity

    @field_validator("subsoil")
    @classmethod
    def _with_its_depth(cls, subsoil: str | None, info: ValidationInfo) -> str | None:
        if (info.data.get("subsoil_from_mm", ...) is None) != (subsoil is None):
            raise expected("it beside its fellow", key="subsoil" if subsoil is None else "subsoil_from_mm")
        return subsoil

    @field_validator("probe")
    @classmethod
    def _with_thermometers(cls, probes: tuple[Probe, ...]) -> tuple[Probe, ...]:
        """A channel that is to be corrected for temperature needs a soil thermometer at its depth."""
        every = [one for probe in probes for one in probe.installed("").channels]
        lines = [line for one in every for line in _correction_faults(one, every)]
        if lines:
            raise several(lines)
        return probes

    @field_validator("cores")
    @classmethod
    def _in_order(cls, cores: tuple[Core, ...]) -> tuple[Core, ...]:
        dates = sorted(core.midnight.date() for core in cores)
        if len(set(dates)) < len(dates):
            raise expected("one core a date: write the mean of several", found=[str(d) for d in dates])
        return tuple(sorted(cores, key=lambda core: core.at_ms))

    @property
    def root_zone_m(self) -> float:
        return self.root_zone_mm / 1000

    @property
    def fine_share(self) -> float:
        """What is left for soil and water beside the stones. [m3 m-3]"""
        return 1.0 - self.stone_share

    @property
    def subsoil_from_m(self) -> float:
        return (self.subsoil_from_mm or 0.0) / 1000

    @cached_property
    def probes(self) -> tuple[InstalledProbe, ...]:
        """Its probes as they are in the ground."""
        return tuple(probe.installed(self.name) for probe in self.probe)

    @property
    def channels(self) -> tuple[InstalledChannel, ...]:
        """Every channel of the station, probe by probe."""
        return tuple(c for probe in self.probes for c in probe.channels)


@dataclass(frozen=True, slots=True)
class YearSpan:
    """Days of every year, from the first to the last, both in it, as (month, day). It may run over the new year."""

    first: tuple[int, int]
    last: tuple[int, int]


OVAL_WORDS = "middle, half width and half height of an oval in metres, as [0, 0, 62, 54]"
HalfWidth = Annotated[float, Field(ge=1.0, le=1000.0)]


_PROBE_AT = {
    # Translators: a probe by where it stands: "the long-side probe", here and in the next two
    "soil": later("the {place} probe"),
    "thatch": later("the {place} thatch probe"),
    "weather": later("the {place} weather probe"),
}


def _kind_of(probe: InstalledProbe) -> str:
    """What a probe stands in: soil, thatch, or the weather."""
    if probe.description.model.startswith("thatch"):
        return "thatch"
    return "soil" if any(one.channel.depth_m is not None for one in probe.channels) else "weather"


class Surface(Setting):
    """A square, outfield, green, pitch or lawn, with its stations, and how it is kept.

    Attributes
    ----------
    area_m2 : float or None
        Watered. [m2]
    water_to_hand : bool
        Water can be put on.
    renovation_until : (int, int) or None
        Month and day until which, from the end of play on, it lies closed and sown with ryegrass.
    water_every_days : float or None
        Days between waterings while roots are drawn down.
    fixture_words : tuple of str
        Words by which the calendar's fixtures on it are known.
    passes : tuple of PlannedPass
        Empty: the usual ones of its kind.
    bounds : OwnBounds
        See `SiteConfig.bounds`.
    outline_m, oval_m : tuple or None
        On the plan [m]: corners in order round it; or middle, half width and half height of an oval.
    strips : int or None
        So many lie side by side from the first corner of the outline to the second, each as long as the side between
        the second and the third; numbered from 1.
    """

    name: Slug
    title: Text = Field(default_factory=lambda data: data["name"], validate_default=False)
    kind: SurfaceKind
    stations: tuple[Station, ...] = Field((), alias="station", max_length=64, strict=False)
    area_m2: float | None = Field(None, ge=1.0, le=1e7)
    water_to_hand: bool = True
    play_from: MonthDay | None = None
    play_until: MonthDay | None = None
    renovation_until: MonthDay | None = None
    water_every_days: float | None = Field(None, ge=1, le=30)
    fixture_words: Annotated[
        tuple[Annotated[str, sound(lambda word: bool(word.strip()))], ...],
        Field(max_length=50, strict=False, description="a list of at most 50 words, as ['first eleven', 'square']"),
    ] = ()
    passes: tuple[PlannedPass, ...] = Field((), alias="pass", max_length=40, strict=False)
    bounds: OwnBounds = Field((), alias="bound")
    outline_m: Outline | None = None
    oval_m: Annotated[
        tuple[Metres, Metres, HalfWidth, HalfWidth] | None, Field(strict=False, description=OVAL_WORDS)
    ] = None
    strips: int | None = Field(None, ge=1, le=60)

    @field_validator("outline_m")
    @classmethod
    def _without_crossing(cls, corners: tuple[Point, ...] | None) -> tuple[Point, ...] | None:
        return no_crossing(corners)

    @field_validator("oval_m")
    @classmethod
    def _one_outline(cls, given: tuple[float, ...] | None, info: ValidationInfo) -> tuple[float, ...] | None:
        if given is not None and info.data.get("outline_m") is not None:
            raise unused("outline_m is left out")
        return given

    @field_validator("strips")
    @classmethod
    def _of_four_corners(cls, strips: int | None, info: ValidationInfo) -> int | None:
        if strips is not None and "outline_m" in info.data and len(info.data["outline_m"] or ()) != 4:
            raise unused("outline_m has four corners")
        return strips

    @field_validator("renovation_until")
    @classmethod
    def _after_play(cls, until: tuple[int, int] | None, info: ValidationInfo) -> tuple[int, int] | None:
        if until is not None and info.data.get("play_from", 0) is None and info.data.get("play_until", 0) is None:
            raise expected("the end of play, from which renovation_until counts", key="play_until")
        return until

    @cached_property
    def outline(self) -> tuple[Point, ...]:
        """Corners of its outline on the plan, those that stand for an oval too; empty where none is given. [m]"""
        if self.oval_m is not None:
            x, y, half_width, half_height = self.oval_m
            return tuple(oval((x, y), half_width, half_height))
        return self.outline_m or ()

    def place(self, station: Station) -> str:
        """Return a station by its full name: `Outfield, long side`, without saying the surface twice."""
        return station.title if station.title.startswith(self.title) else f"{self.title}, {station.title}"

    def probe_called(self, station: Station, probe: InstalledProbe) -> str:
        """Return a probe by its place, never by its name in the settings: `the long-side probe`.

        One that stands in the thatch is `the long-side thatch probe`, one above the ground `the long-side weather
        probe`; where two of a station would still be called alike, the name in the settings stands behind.
        """
        where = self.place(station).removeprefix(self.title).strip(", ").lower() or self.title.lower()
        kind = _kind_of(probe)
        alike = [one for one in station.probes if _kind_of(one) == kind]
        called = say(_PROBE_AT[kind], place=where.replace(" ", "-"))
        # Translators: a probe by its place, and by its name in the settings where two would be called alike
        return say("{probe} ({name})", probe=called, name=probe.name) if len(alike) > 1 else called

    @property
    def play(self) -> YearSpan | None:
        """Return the season of play; None when it is not given."""
        if self.play_from is None and self.play_until is None:
            return None
        return YearSpan(self.play_from or (1, 1), self.play_until or (12, 31))

    @property
    def interval_days(self) -> int | None:
        """Whole days between waterings while roots are drawn down."""
        return None if self.water_every_days is None else round(self.water_every_days)
