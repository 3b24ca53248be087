"""The settings of the server: one model for each table of the settings file, with the limits of its keys.

A model has the keys of its table under their own names, and beside them, as properties, what other parts read in
canonical units. `pipeline.site.fields` says how a field states what it expects, `pipeline.site.settings` fills the
models from a file. Nothing here reads a clock or the environment, and of files only whether they are there.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal, Self, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Field,
    InstanceOf,
    PrivateAttr,
    ValidationInfo,
    field_validator,
    model_validator,
)

from hardware.curves import CORRECTION_REACH_M, curve_faults, curves_between
from hardware.probe import MAX_DEPTH_MM, Calibration, Channel, ProbeDescription, ProbeFault, load_probe
from pipeline.site.fields import (
    Month,
    Port,
    Setting,
    Share,
    Slug,
    Text,
    WebAddress,
    as_written,
    expected,
    one_of,
    several,
    sound,
    unknown_key,
    unused,
)


@dataclass(frozen=True, slots=True)
class Bounds:
    """Four bounds of one condition, in its unit; infinite where they do not bind."""

    open_lo: float = -math.inf
    open_hi: float = math.inf
    closed_lo: float = -math.inf
    closed_hi: float = math.inf

    def faults(self) -> list[str]:
        """Return the faults of the bounds, as `found, expected`."""
        named = (self.closed_lo, self.open_lo, self.open_hi, self.closed_hi)
        if any(math.isnan(b) for b in named):
            return [f"found {named}, expected numbers"]
        found = []
        if not self.open_lo <= self.open_hi:
            found.append(f"found open from {self.open_lo:g} to {self.open_hi:g}, expected a range that rises")
        if self.closed_lo > self.open_lo or self.closed_hi < self.open_hi:
            found.append(
                f"found closed outside {self.closed_lo:g} to {self.closed_hi:g}, expected no part of "
                f"{self.open_lo:g} to {self.open_hi:g} to be closed"
            )
        return found


SurfaceKind = Literal["square", "outfield", "green", "pitch", "lawn"]
GrassSeason = Literal["cool", "warm"]
Edge = Annotated[float | None, Field(allow_inf_nan=True)]


class SurfaceBound(Setting):
    """Bounds of one condition of a pass that are others on some kinds of surface; an edge left out stays.

    `variant` is empty for every variant.
    """

    surfaces: tuple[SurfaceKind, ...] = Field(
        strict=False, description=f"surfaces out of {', '.join(get_args(SurfaceKind))}"
    )
    condition: str = Field(description="the name of a condition")
    variant: str = Field("", description="the name of a variant")
    open_lo: Edge = None
    open_hi: Edge = None
    closed_lo: Edge = None
    closed_hi: Edge = None

    def over(self, bounds: Bounds) -> Bounds:
        """Return the bounds with the changes made."""
        given = {name: getattr(self, name) for name in ("open_lo", "open_hi", "closed_lo", "closed_hi")}
        return replace(bounds, **{name: edge for name, edge in given.items() if edge is not None})


def _span(value: object) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2 or not all(type(v) in (int, float) for v in value):
        raise ValueError("not what the description says")
    if not 0.0 <= value[0] <= value[1]:
        raise ValueError("not what the description says")
    return float(value[0]), float(value[1])


Span = Annotated[
    tuple[float, float], BeforeValidator(_span), Field(description="two numbers, 0 or more, that do not fall")
]
UsualMonths = Annotated[tuple[Month, ...], Field(strict=False, description="a list of months, 1 to 12")]


class PassFacts(Setting):
    """What one kind of pass asks of the turf: a table of passes.toml.

    Attributes
    ----------
    title, doing : str
        In words; and as the subject of a sentence.
    depth_mm : (float, float)
        Usual range. [mm]
    months_cool, months_warm : tuple of int
        Usual months of the northern hemisphere, by kind of grass. They are told, and decide nothing.
    heal_growth_days : mapping
        By variant, range of growth-days to 95 % healed. [d]
    grass : mapping
        By variant, the grass it can be done on; both where nothing is said.
    seedling_weeks : float
        Closed on seedlings younger than this; 0 when they do not matter. [weeks]
    needs_water, needs_roots, never_on_square, closed_on_square_in_season, spikes_a_finished_pitch, heals_out_of_growth,
    sows : bool
        See `locks` and `windows`.
    wait_notes : mapping
        By condition, what may still be done while it waits.
    surface_bounds : tuple of SurfaceBound
    """

    title: Text
    doing: Text
    depth_mm: Span
    months_cool: UsualMonths
    months_warm: UsualMonths
    heal_growth_days: dict[str, Span] = Field(min_length=1, description="at least one variant, with two numbers")
    grass: dict[str, Annotated[tuple[GrassSeason, ...], Field(strict=False)]] = Field(
        {}, description="by variant, a list with some of cool, warm"
    )
    seedling_weeks: float = Field(0.0, ge=0.0)
    needs_water: bool = False
    needs_roots: bool = False
    never_on_square: bool = False
    closed_on_square_in_season: bool = False
    spikes_a_finished_pitch: bool = False
    heals_out_of_growth: bool = False
    sows: bool = False
    wait_notes: dict[str, str] = Field({}, description="by condition, a text")
    surface_bounds: tuple[SurfaceBound, ...] = Field((), max_length=100, strict=False)

    @field_validator("grass")
    @classmethod
    def _of_variants(
        cls, grass: dict[str, tuple[GrassSeason, ...]], info: ValidationInfo
    ) -> dict[str, tuple[GrassSeason, ...]]:
        variants = info.data.get("heal_growth_days", grass)
        if not set(grass) <= set(variants):
            raise ValueError("not what the description says")
        return {name: grass.get(name, get_args(GrassSeason)) for name in variants}

    @property
    def variants(self) -> tuple[str, ...]:
        """Its variants; `standard` where there is but one."""
        return tuple(self.heal_growth_days)

    @property
    def months(self) -> Mapping[str, tuple[int, ...]]:
        """Usual months by kind of grass."""
        return {"cool": self.months_cool, "warm": self.months_warm}


BoundKey = tuple[str, str, str]  # pass, variant, condition; an empty variant means every variant


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """Names that the settings may use and other parts define.

    Attributes
    ----------
    passes : mapping of str to PassFacts
        The kinds of pass.
    bounds : callable
        From a kind of surface and the edges written for it, by pass, variant and condition, to the four bounds of each
        and what is wrong with them.
    alerts : mapping of str to pydantic model
        The bounds of each alert rule, by its name.
    """

    passes: Mapping[str, PassFacts]
    bounds: Callable[[str, Mapping[BoundKey, Mapping[str, float]]], tuple[Mapping[BoundKey, Bounds], list[str]]]
    alerts: Mapping[str, type[BaseModel]]


@dataclass(frozen=True, slots=True)
class FileContext:
    """The context in which the tables of a settings file are validated.

    Attributes
    ----------
    folder : Path
        Relative paths are counted from here.
    zone : ZoneInfo
        Of the site.
    model_dir : Path or None
        Where probe models are looked for first.
    known : Vocabulary
    bounds : mapping of str to mapping of BoundKey to Bounds
        By surface, in place of those of treatments.csv, the site's with the surface's over them.
    """

    folder: Path
    zone: ZoneInfo
    model_dir: Path | None
    known: Vocabulary
    bounds: Mapping[str, Mapping[BoundKey, Bounds]]


def _context(info: ValidationInfo) -> FileContext:
    assert isinstance(info.context, FileContext)
    return info.context


def _path(value: object, info: ValidationInfo) -> object:
    """Return a path, relative ones counted from the folder of the file."""
    if not isinstance(value, str):
        return value
    if not value or "\0" in value:
        raise ValueError("no path")
    reading: FileContext | None = info.context
    return Path(value) if reading is None else (reading.folder / value).absolute()


def _there(path: Path) -> Path:
    if not path.is_dir():
        raise expected("a folder that is there", found=str(path))
    return path


def _secret(path: Path) -> Path:
    if not path.is_file():
        raise expected("a file that is there and holds the secret alone", found=str(path))
    return path


def _source(text: str, info: ValidationInfo) -> str:
    """Return an address as it is, a path counted from the folder of the file."""
    return text if text.startswith(("http://", "https://")) else str(_path(text, info))


def _month_day(value: object) -> object:
    if not isinstance(value, str):
        return value
    day = datetime.date.fromisoformat(f"2024-{value}")
    return day.month, day.day


def _minute_of_day(value: object, info: ValidationInfo) -> object:
    if info.context is None and isinstance(value, int):
        return value
    if isinstance(value, datetime.time) and not value.second:
        return value.hour * 60 + value.minute
    if isinstance(value, str) and (clock := re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)", value)):
        return int(clock[1]) * 60 + int(clock[2])
    raise ValueError("no time of day")


ServerVersion = Annotated[
    Text,
    Field(description="a version of InfluxDB as '1.8', '2.7' or '3.0'"),
    sound(lambda text: re.fullmatch(r"[123]\.\d+", text) is not None),
]
PathFromFile = Annotated[Path, BeforeValidator(_path), Field(description="a path")]
Folder = Annotated[PathFromFile, AfterValidator(_there)]
SecretFile = Annotated[PathFromFile, AfterValidator(_secret)]
MonthDay = Annotated[tuple[int, int], BeforeValidator(_month_day), Field(description="month and day as '04-15'")]
MinuteOfDay = Annotated[
    int, BeforeValidator(_minute_of_day), Field(description='a time of day from "00:00" to "23:59"')
]


class Site(Setting):
    """The place. Latitude and longitude are None when not given; what needs them says so.

    `country` is for the caution on taking water; empty when not given.
    """

    name: Slug
    title: Text = Field(default_factory=lambda data: data["name"], validate_default=False)
    timezone: Text = "UTC"
    latitude_deg: float | None = Field(None, ge=-90.0, le=90.0)
    longitude_deg: float | None = Field(None, ge=-180.0, le=180.0)
    elevation_m: float = Field(0.0, ge=-430.0, le=6000.0)
    country: Text = Field("", validate_default=False)

    @field_validator("timezone")
    @classmethod
    def _zone_is_known(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError) as err:
            raise expected("a name of the IANA time zone list that this machine has, as 'UTC'") from err
        return name


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
        return datetime.datetime(date.year, date.month, date.day, tzinfo=_context(info).zone)

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
    """A probe of a station: its model, and by channel the depths and calibrations it has here."""

    name: Slug
    description: InstanceOf[ProbeDescription] = Field(alias="model", description="text")
    depth_mm: dict[str, Any] = as_written({})
    calibration: dict[str, Any] = as_written({})

    @field_validator("description", mode="before")
    @classmethod
    def _described(cls, model: object, info: ValidationInfo) -> object:
        if not isinstance(model, str) or not 1 <= len(model) <= 200 or not model.isprintable():
            raise expected("1 to 200 printable characters")
        try:
            return load_probe(model, _context(info).model_dir)
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
            curve, source, numbers = _calibration_parts(self.calibration[channel.name])
            parameters = MappingProxyType({key: float(value) for key, value in numbers.items()})
            channel = replace(channel, calibration=Calibration(curve, parameters, source))
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


SoilMedium = Literal["sand", "sandy_loam", "loam", "clay_loam", "club_clay_loam", "first_class_clay_loam"]


class Station(Setting):
    """A place on a surface where probes are, with its media, its own limits and its dated thatch.

    `thatch_dry`, `thatch_drained`, `soil_dry` and `soil_drained` are water contents [m3 m-3] that stand over those of
    the medium; None where they are not given. Cores are sorted by date. From `subsoil_from_m` below the leaf base down
    lies `subsoil` [m]; None where it is all one soil.
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
    subsoil_from_mm: float | None = Field(None, ge=20.0, le=2000.0)
    subsoil: SoilMedium | None = None
    grass: Literal["cool", "warm", "annual_meadow_grass"] = "cool"
    probe: tuple[Probe, ...] = Field((), min_length=1, max_length=64, strict=False)
    cores: tuple[Core, ...] = Field((), alias="core", max_length=1000, strict=False)

    @field_validator("thatch_drained", "soil_drained")
    @classmethod
    def _above_dry(cls, drained: float | None, info: ValidationInfo) -> float | None:
        name = f"{str(info.field_name).removesuffix('_drained')}_dry"
        dry = info.data.get(name)
        if drained is not None and dry is not None and not dry < drained:
            raise expected(f"a water content above {name}, {dry:g} m3/m3")
        return drained

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


class PlannedPass(Setting):
    """An intended pass on a surface: kind, variant, and depth of the cut below the leaf base.

    Left out, the variant is the first of the kind, and the depth the deepest that is usual.
    """

    kind: str = as_written(None)
    variant: str = as_written(None)
    depth_mm: float = as_written(None, ge=0.0, le=400.0)

    @field_validator("kind", mode="before")
    @classmethod
    def _kind_is_known(cls, kind: object, info: ValidationInfo) -> object:
        if info.context is not None and (not isinstance(kind, str) or kind not in info.context.known.passes):
            raise expected(one_of(kind, info.context.known.passes))
        return kind

    @field_validator("variant", mode="before")
    @classmethod
    def _variant_is_known(cls, variant: object, info: ValidationInfo) -> object:
        if info.context is None or "kind" not in info.data:
            return variant or ""
        variants = info.context.known.passes[info.data["kind"]].variants
        if variant is not None and variant not in variants:
            raise expected(one_of(variant, variants))
        return variants[0] if variant is None else variant

    @field_validator("depth_mm", mode="before")
    @classmethod
    def _usual_depth(cls, depth_mm: object, info: ValidationInfo) -> object:
        if depth_mm is not None or info.context is None:
            return depth_mm
        return info.context.known.passes[info.data["kind"]].depth_mm[1] if "kind" in info.data else 0.0

    @property
    def depth_m(self) -> float:
        return self.depth_mm / 1000


class OwnBound(Setting):
    """Edges of one condition of a pass that stand in place of those of treatments.csv; an edge left out stays."""

    kind: Text = Field(alias="pass")
    variant: Text = Field("", validate_default=False)
    condition: Text
    why: Text = Field("", validate_default=False)
    open_lo: float | None = Field(None, ge=-math.inf, le=math.inf, allow_inf_nan=True)
    open_hi: float | None = Field(None, ge=-math.inf, le=math.inf, allow_inf_nan=True)
    closed_lo: float | None = Field(None, ge=-math.inf, le=math.inf, allow_inf_nan=True)
    closed_hi: float | None = Field(None, ge=-math.inf, le=math.inf, allow_inf_nan=True)

    @property
    def key(self) -> BoundKey:
        return self.kind, self.variant, self.condition

    @property
    def edges(self) -> Mapping[str, float]:
        """Return the edges that are written, by name."""
        return self.model_dump(include={"open_lo", "open_hi", "closed_lo", "closed_hi"}, exclude_none=True)


def _one_of_each(bounds: tuple[OwnBound, ...]) -> tuple[OwnBound, ...]:
    keys = [bound.key for bound in bounds]
    words = "expected one bound for each pass, variant and condition"
    lines = [f"[{i}].condition: found {key[2]!r}, {words}" for i, key in enumerate(keys) if key in keys[:i]]
    if lines:
        raise several(lines)
    return bounds


OwnBounds = Annotated[tuple[OwnBound, ...], Field(max_length=500, strict=False), AfterValidator(_one_of_each)]


@dataclass(frozen=True, slots=True)
class YearSpan:
    """Days of every year, from the first to the last, both in it, as (month, day). It may run over the new year."""

    first: tuple[int, int]
    last: tuple[int, int]


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
    bounds : tuple of OwnBound
        See `SiteConfig.bounds`.
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

    @field_validator("renovation_until")
    @classmethod
    def _after_play(cls, until: tuple[int, int] | None, info: ValidationInfo) -> tuple[int, int] | None:
        if until is not None and info.data.get("play_from", 0) is None and info.data.get("play_until", 0) is None:
            raise expected("the end of play, from which renovation_until counts", key="play_until")
        return until

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


class SourceConfig(Setting):
    """Where days to come are read from: an address, or a path counted from the file; empty for none."""

    source: Annotated[Text, AfterValidator(_source)] = Field("", validate_default=False)


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


class DataConfig(Setting):
    """Where data is kept, and where probe models are looked for first."""

    dir: PathFromFile = as_written("data")
    model_dir: Folder | None = None


class ClockConfig(Setting):
    """The socket of a clock to follow, for the demo; None: the system's own clock."""

    follow: PathFromFile | None = None


_LOOPBACK = ("127.0.0.1", "localhost", "::1")


class BrokerConfig(Setting):
    """Where the broker is: our own child on loopback, or one that is run elsewhere."""

    kind: Literal["embedded", "external"] = "embedded"
    host: Text = "127.0.0.1"
    port: Port = 1883
    password_file: SecretFile | None = None
    username: Text | None = None
    ca_file: SecretFile | None = None
    cert_file: SecretFile | None = None
    key_file: SecretFile | None = None

    @field_validator("host")
    @classmethod
    def _on_loopback(cls, host: str, info: ValidationInfo) -> str:
        if info.data.get("kind") == "embedded" and host not in _LOOPBACK:
            raise expected('127.0.0.1: nodes on other machines need a broker of their own and broker.kind = "external"')
        return host

    @field_validator("username", "password_file", "ca_file", "cert_file", "key_file", mode="before")
    @classmethod
    def _of_an_external_one(cls, value: object, info: ValidationInfo) -> object:
        if info.data.get("kind") == "embedded" and value is not None:
            raise unused('broker.kind is "external": the embedded one is on loopback only')
        return value

    @field_validator("username")
    @classmethod
    def _for_the_password(cls, username: str | None, info: ValidationInfo) -> str | None:
        if username is None and info.data.get("password_file", ...) is not None:
            raise expected("a name to go with broker.password_file")
        return username

    @field_validator("key_file")
    @classmethod
    def _with_certificate(cls, path: Path | None, info: ValidationInfo) -> Path | None:
        if (info.data.get("cert_file", ...) is None) != (path is None):
            raise expected("it beside its fellow", key="key_file" if path is None else "cert_file")
        return path


class StoreConfig(Setting):
    """Which series store is used."""

    kind: Literal["sqlite", "influx"] = "sqlite"
    url: WebAddress | None = None
    bucket: Text | None = None
    org: Text | None = None
    token_file: SecretFile | None = None
    server_version: ServerVersion | None = None
    keep_days: int | None = Field(None, ge=400, le=36_500)

    @field_validator("url", "bucket", "org", "token_file", "server_version", "keep_days")
    @classmethod
    def _of_a_server(cls, value: object, info: ValidationInfo) -> object:
        kind = info.data.get("kind")
        if kind == "sqlite" and value is not None:
            raise unused('store.kind is "influx"')
        if kind == "influx" and value is None and info.field_name in ("url", "bucket"):
            raise expected("text")
        return value


class PagesConfig(Setting):
    """Where the pages are served."""

    host: Text = "127.0.0.1"
    port: Port = 8420


class NotificationPolicy(Setting):
    """When people may be told. Times of the site's clock, as minutes after midnight.

    Attributes
    ----------
    digest_at_min, quiet_from_min, quiet_until_min : int
        The end of the quiet hours is not in them. Both alike: none.
    season_from_month, season_until_month : int
        First and last month, both in it. It may run over the new year.
    gather_min : float
        News that comes about together is told together: the first waits so long for its fellows. [min]
    """

    quiet_from_min: MinuteOfDay = as_written("20:00", alias="quiet_from")
    quiet_until_min: MinuteOfDay = as_written("06:00", alias="quiet_until")
    digest_at_min: MinuteOfDay = as_written("06:15", alias="digest_at")
    digest_when_empty: bool = False
    interruptions_a_week: int = Field(3, ge=0, le=100)
    off_season_interruptions_a_fortnight: int = Field(1, ge=0, le=100)
    season_from_month: Month = 4
    season_until_month: Month = 9
    gather_min: float = Field(2.0, ge=0.0, le=60.0)

    @field_validator("digest_at_min")
    @classmethod
    def _outside_the_quiet_hours(cls, digest: int, info: ValidationInfo) -> int:
        begin, end = info.data.get("quiet_from_min", 0), info.data.get("quiet_until_min", 0)
        if begin <= digest < end if begin <= end else digest >= begin or digest < end:
            raise expected("a time outside the quiet hours")
        return digest

    @property
    def season(self) -> tuple[int, int]:
        return self.season_from_month, self.season_until_month


class NotifyConfig(NotificationPolicy):
    """Where alert events go: all of them to machines, messages by the policy to the people in `addresses_file`."""

    log: bool = True
    webhook_secret_file: SecretFile | None = None
    webhook: WebAddress | None = None
    mqtt: bool = False
    addresses_file: SecretFile | None = None

    @field_validator("webhook")
    @classmethod
    def _for_the_secret(cls, address: str | None, info: ValidationInfo) -> str | None:
        if address is None and info.data.get("webhook_secret_file", ...) is not None:
            raise expected("an address to go with notify.webhook_secret_file")
        return address


class SiteConfig(Setting):
    """The settings of the server, validated."""

    site: Site = as_written({})
    data: DataConfig = as_written({})
    clock: ClockConfig = as_written({})
    broker: BrokerConfig = as_written({})
    store: StoreConfig = as_written({})
    pages: PagesConfig = as_written({})
    notify: NotifyConfig = as_written({})
    forecast: SourceConfig = as_written({})
    fixtures: SourceConfig = as_written({})
    work: WorkHours = as_written({})
    water: WaterConfig = as_written({})
    climate: MonthlyClimate | None = None
    surfaces: tuple[Surface, ...] = Field((), alias="surface", min_length=1, max_length=64, strict=False)
    own_bounds: OwnBounds = Field((), alias="bound")
    alert_rules: Setting = as_written({}, alias="alerts")
    _reading: FileContext = PrivateAttr()

    @model_validator(mode="after")
    def _keep_what_it_was_read_with(self, info: ValidationInfo) -> Self:
        self._reading = _context(info)
        return self

    @cached_property
    def alerts(self) -> Mapping[str, BaseModel]:
        """The bounds of each alert rule, by its name."""
        return dict(self.alert_rules)

    @property
    def passes(self) -> Mapping[str, PassFacts]:
        """The kinds of pass."""
        return self._reading.known.passes

    @property
    def bounds(self) -> Mapping[str, Mapping[BoundKey, Bounds]]:
        """By surface, what stands in place of the bounds of treatments.csv: the site's with the surface's over them."""
        return self._reading.bounds

    @cached_property
    def _channels(self) -> Mapping[str, InstalledChannel]:
        return MappingProxyType({c.id: c for station in self.stations().values() for c in station.channels})

    @cached_property
    def _surface_of(self) -> Mapping[str, Surface]:
        return {station.name: surface for surface in self.surfaces for station in surface.stations}

    @cached_property
    def _stations(self) -> Mapping[str, Station]:
        return MappingProxyType({s.name: s for surface in self.surfaces for s in surface.stations})

    def alert_bound(self, rule: str, bound: str) -> float:
        """Return a bound of an alert rule as the site has it, for advice and pages that speak of the same thing."""
        return float(getattr(self.alerts[rule], bound))

    def channels(self) -> Mapping[str, InstalledChannel]:
        """Return every channel of the site by its id, in the order of the file."""
        return self._channels

    def stations(self) -> Mapping[str, Station]:
        """Return every station of the site by its name, in the order of the file."""
        return self._stations

    def surface_of(self, station: str) -> Surface:
        """Return the surface on which a station stands."""
        return self._surface_of[station]

    def rain_channel(self, station: str) -> str | None:
        """Return the id of the channel whose rain counts for a station: its own, else the first of the site, else
        None."""
        return self.weather_channel(station, "rain")

    def weather_channel(self, station: str, quantity: str) -> str | None:
        """Return the id of the channel whose weather counts for a station: its own, else the first of the site, else
        None."""
        every = [*self.stations()[station].channels, *self.channels().values()]
        return next((c.id for c in every if c.channel.quantity == quantity), None)
