"""What the server is told, as frozen dataclasses: the site, what is in its ground, and how each part is set.

`pipeline.site.settings` reads them from a file and checks them; everything else is handed them. Nothing here reads a
file, a clock or the environment.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, ValidationInfo
from pydantic_core import PydanticCustomError

from hardware.probe import Channel, ProbeDescription


class Setting(BaseModel):
    """A table of the settings file. Unknown keys are refused, and no value is converted to another type."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False, validate_default=True)


def expected(words: str) -> PydanticCustomError:
    """Return the fault of a value in place of which `words` was expected."""
    return PydanticCustomError("expected", "{words}", {"words": words})


def apart(side: Literal["less", "more"], other: str) -> AfterValidator:
    """Return a check that a number is less or more than another one, which stands before it in the table.

    It is for the bounds that close an alert: on the near side of the bound that opens it, the alert would open and
    close with every reading.
    """

    def check(value: float, info: ValidationInfo) -> float:
        bound = info.data.get(other)
        if bound is not None and not (value < bound if side == "less" else value > bound):
            raise expected(f"{side} than {other}")
        return value

    return AfterValidator(check)


@dataclass(frozen=True, slots=True)
class MonthlyClimate:
    """Twelve figures each, January first: rain and days with rain of a month [mm], [d]; mean of the days' highest and
    lowest air temperature [degC].

    Raises
    ------
    ValueError
        With every fault.
    """

    rain_mm: tuple[float, ...]
    wet_days: tuple[float, ...]
    highest_degc: tuple[float, ...]
    lowest_degc: tuple[float, ...]

    def __post_init__(self) -> None:
        faults = []
        limits = {"rain_mm": (0.0, 2000.0), "wet_days": (0.0, 31.0), "highest_degc": (-50.0, 60.0),
                  "lowest_degc": (-50.0, 60.0)}  # fmt: skip
        for name, (low, high) in limits.items():
            values = getattr(self, name)
            if len(values) != 12:
                faults.append(f"climate: {name}: found {len(values)} figures, expected 12, January first")
            elif not all(low <= v <= high for v in values):
                faults.append(f"climate: {name}: found {list(values)}, expected figures from {low:g} to {high:g}")
        if not faults and not all(h >= c for h, c in zip(self.highest_degc, self.lowest_degc, strict=True)):
            faults.append("climate: highest_degc: found a month below its lowest_degc, expected none")
        if faults:
            raise ValueError("; ".join(faults))


@dataclass(frozen=True, slots=True)
class Bounds:
    """Four bounds of one condition, in its unit; infinite where they do not bind."""

    open_lo: float = -math.inf
    open_hi: float = math.inf
    closed_lo: float = -math.inf
    closed_hi: float = math.inf

    def faults(self) -> list[str]:
        """What is wrong with them, as `found, expected`."""
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


@dataclass(frozen=True, slots=True)
class PassFacts:
    """What one kind of pass is for and asks of the turf.

    Attributes
    ----------
    name, title, doing : str
        Slug; in words; and as the subject of a sentence.
    aims : tuple of str
    depth_mm, spacing_mm : (float, float)
        Usual range. [mm]
    season : mapping
        In words, by kind of grass, "cool" and "warm".
    months : mapping
        Usual months of the northern hemisphere, by kind of grass. They are told, and decide nothing.
    aftercare, failed : str
    heal_growth_days : mapping
        By variant, range of growth-days to 95 % healed. [d]
    grass : mapping
        By variant, the grass it can be done on.
    seedling_weeks : float
        Closed on seedlings younger than this; 0 when they do not matter. [weeks]
    needs_water, needs_roots, never_on_square, closed_on_square_in_season, spikes_a_finished_pitch, heals_out_of_growth,
    sows : bool
        See `locks` and `windows`.
    wait_notes : mapping
        By condition, what may still be done while it waits.
    """

    name: str
    title: str
    doing: str
    aims: tuple[str, ...]
    depth_mm: tuple[float, float]
    spacing_mm: tuple[float, float]
    season: Mapping[str, str]
    months: Mapping[str, tuple[int, ...]]
    aftercare: str
    failed: str
    heal_growth_days: Mapping[str, tuple[float, float]]
    grass: Mapping[str, tuple[str, ...]]
    seedling_weeks: float = 0.0
    needs_water: bool = False
    needs_roots: bool = False
    never_on_square: bool = False
    closed_on_square_in_season: bool = False
    spikes_a_finished_pitch: bool = False
    heals_out_of_growth: bool = False
    sows: bool = False
    wait_notes: Mapping[str, str] = field(default_factory=dict)

    @property
    def variants(self) -> tuple[str, ...]:
        """Its variants; `standard` where there is but one."""
        return tuple(self.heal_growth_days)


BoundKey = tuple[str, str, str]  # pass, variant, condition; an empty variant means every variant


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """What the settings may name that parts behind them define.

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
class Site:
    """The place. Latitude and longitude are None when not given; what needs them says so.

    `country` is for the caution on taking water; empty when not given.
    """

    name: str
    title: str
    timezone: str
    latitude_deg: float | None
    longitude_deg: float | None
    elevation_m: float
    country: str = ""


@dataclass(frozen=True, slots=True)
class Core:
    """What a core showed: thatch, and by a ruler how deep roots went below it, None where nobody looked.

    It stands from the site's midnight of that date on. [m], [ms since 1970, UTC]
    """

    date: datetime.date
    at_ms: int
    thatch_m: float
    root_m: float | None = None


@dataclass(frozen=True, slots=True)
class InstalledChannel:
    """A channel in the ground: `station/probe/channel`, with the depth and calibration it has there."""

    id: str
    channel: Channel


@dataclass(frozen=True, slots=True)
class InstalledProbe:
    """A probe in the ground."""

    name: str
    description: ProbeDescription
    channels: tuple[InstalledChannel, ...]


@dataclass(frozen=True, slots=True)
class Station:
    """A place on a surface where probes are, with its media, its own limits and its dated thatch.

    `thatch_dry`, `thatch_drained`, `soil_dry` and `soil_drained` are water contents [m3 m-3] that stand over those of
    the medium; None where they are not given. Cores are sorted by date. `grass` is cool, warm or annual_meadow_grass.
    From `subsoil_from_m` below the leaf base down lies `subsoil` [m]; empty where it is all one soil.
    """

    name: str
    title: str
    surface: str
    soil: str
    thatch_medium: str
    root_zone_m: float
    thatch_dry: float | None
    thatch_drained: float | None
    soil_dry: float | None
    soil_drained: float | None
    probes: tuple[InstalledProbe, ...]
    cores: tuple[Core, ...]
    grass: str = "cool"
    subsoil: str = ""
    subsoil_from_m: float = 0.0

    @property
    def channels(self) -> tuple[InstalledChannel, ...]:
        """Every channel of the station, probe by probe."""
        return tuple(c for probe in self.probes for c in probe.channels)


@dataclass(frozen=True, slots=True)
class PlannedPass:
    """A pass that is thought of on a surface: kind, variant, and depth of the cut below the leaf base. [m]"""

    kind: str
    variant: str
    depth_m: float


@dataclass(frozen=True, slots=True)
class YearSpan:
    """Days of every year, from the first to the last, both in it, as (month, day). It may run over the new year."""

    first: tuple[int, int]
    last: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Care:
    """How a surface is kept.

    Attributes
    ----------
    area_m2 : float or None
        Watered. [m2]
    water_to_hand : bool
        Water can be put on.
    play : YearSpan or None
        When it is played on.
    renovation_until : (int, int) or None
        Month and day until which, from the end of play on, it lies closed and sown with ryegrass.
    interval_days : int or None
        Days between waterings while roots are drawn down.
    fixture_words : tuple of str
        Words by which the calendar's fixtures on it are known.
    passes : tuple of PlannedPass
        Empty: the usual ones of its kind.
    bounds : mapping of BoundKey to Bounds
        In place of those of treatments.csv, the site's with the surface's over them.
    """

    area_m2: float | None = None
    water_to_hand: bool = True
    play: YearSpan | None = None
    renovation_until: tuple[int, int] | None = None
    interval_days: int | None = None
    fixture_words: tuple[str, ...] = ()
    passes: tuple[PlannedPass, ...] = ()
    bounds: Mapping[BoundKey, Bounds] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Surface:
    """A square, outfield, green, pitch or lawn."""

    name: str
    title: str
    kind: str
    stations: tuple[Station, ...]
    care: Care = Care()


@dataclass(frozen=True, slots=True)
class AheadConfig:
    """What is known of days to come.

    `forecast` and `fixtures` are each a path or an address, empty for none. `restricted`: watering is forbidden or
    rationed just now. A job is done within `work_hours` of the site's clock, from the first up to the second.
    """

    forecast: str = ""
    fixtures: str = ""
    climate: MonthlyClimate | None = None
    restricted: bool = False
    work_hours: tuple[int, int] = (7, 19)


@dataclass(frozen=True, slots=True)
class BrokerConfig:
    """Where the broker is: our own child on loopback, or one that is run elsewhere."""

    kind: str = "embedded"
    host: str = "127.0.0.1"
    port: int = 1883
    username: str = ""
    password_file: Path | None = None
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None


@dataclass(frozen=True, slots=True)
class StoreConfig:
    """Which series store is used."""

    kind: str = "sqlite"
    url: str = ""
    org: str = ""
    bucket: str = ""
    token_file: Path | None = None


@dataclass(frozen=True, slots=True)
class PagesConfig:
    """Where the pages are served."""

    host: str = "127.0.0.1"
    port: int = 8420


@dataclass(frozen=True, slots=True)
class NotificationPolicy:
    """When people may be told. Times of the site's clock, as minutes after midnight.

    Attributes
    ----------
    digest_at_min, quiet_from_min, quiet_until_min : int
        The end of the quiet hours is not in them. Both alike: none.
    interruptions_a_week, off_season_interruptions_a_fortnight : int
    season : (int, int)
        First and last month, both in it. It may run over the new year.
    digest_when_empty : bool
    gather_min : float
        News that comes about together is told together: the first waits so long for its fellows. [min]
    """

    digest_at_min: int = 375
    quiet_from_min: int = 1200
    quiet_until_min: int = 360
    interruptions_a_week: int = 3
    off_season_interruptions_a_fortnight: int = 1
    season: tuple[int, int] = (4, 9)
    digest_when_empty: bool = False
    gather_min: float = 2.0


@dataclass(frozen=True, slots=True)
class NotifyConfig:
    """Where alert events go: all of them to machines, messages by the manners to the people in `addresses_file`."""

    log: bool = True
    webhook: str = ""
    webhook_secret_file: Path | None = None
    mqtt: bool = False
    addresses_file: Path | None = None
    manners: NotificationPolicy = NotificationPolicy()


@dataclass(frozen=True)
class SiteConfig:
    """Everything the server is told, checked."""

    site: Site
    surfaces: tuple[Surface, ...]
    data_dir: Path
    broker: BrokerConfig = field(default_factory=BrokerConfig)
    store: StoreConfig = field(default_factory=StoreConfig)
    pages: PagesConfig = field(default_factory=PagesConfig)
    notify: NotifyConfig = field(default_factory=NotifyConfig)
    alerts: Mapping[str, BaseModel] = field(default_factory=dict)
    passes: Mapping[str, PassFacts] = field(default_factory=dict)
    ahead: AheadConfig = field(default_factory=AheadConfig)
    clock_follow: Path | None = None

    @cached_property
    def _channels(self) -> Mapping[str, InstalledChannel]:
        return MappingProxyType({c.id: c for station in self.stations().values() for c in station.channels})

    @cached_property
    def _stations(self) -> Mapping[str, Station]:
        return MappingProxyType({s.name: s for surface in self.surfaces for s in surface.stations})

    def channels(self) -> Mapping[str, InstalledChannel]:
        """Every channel of the site by its id, in the order of the file."""
        return self._channels

    def stations(self) -> Mapping[str, Station]:
        """Every station of the site by its name, in the order of the file."""
        return self._stations

    def rain_channel(self, station: str) -> str | None:
        """Id of the channel whose rain counts for a station: its own, else the first of the site, else None."""
        return self.weather_channel(station, "rain")

    def weather_channel(self, station: str, quantity: str) -> str | None:
        """Id of the channel whose weather counts for a station: its own, else the first of the site, else None."""
        every = [*self.stations()[station].channels, *self.channels().values()]
        return next((c.id for c in every if c.channel.quantity == quantity), None)
