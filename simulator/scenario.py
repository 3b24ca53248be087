"""Scenarios: invented grounds in TOML, with their soils, grass, climate, probes, diary, planted faults and story.

The facts of an invented ground, and the reading of its file with every fault reported in one run. The form of the files
is in `FORMAT.md`; `scenario_run` simulates a scenario, `scenario_site` puts its probes in.
"""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, date, datetime, timedelta
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from hardware.probe import ProbeDescription, ProbeFault, load_probe
from hardware.reading import is_slug
from hardware.table_check import NotToml, parse_toml
from simulator import roots
from simulator.climates import CLIMATES, ClimateType
from simulator.column import BottomBoundary, Interface, Layer, Repellency
from simulator.faults import PROBE_FAULTS, PlantedFault
from simulator.ground import TurfProfile
from simulator.materials import MATERIALS
from simulator.sward import COOL_GRASS, PASSES, WARM_GRASS, Grass
from simulator.units import DAY_S

SURFACE_KINDS = ("square", "outfield", "green", "pitch", "lawn")
WEATHER_CHANGES = ("dry", "storm", "warmer")
DIARY_KINDS = ("watering", "pass", "fixture", "core")
SPREADS = ("thatch_mm", "conductivity", "roots_deepest_mm", "watering")
FAILINGS = ("ordinary", "perfect")
GRASSES: Mapping[str, tuple[Grass, roots.RootTraits]] = {
    "cool": (COOL_GRASS, roots.COOL),
    "warm": (WARM_GRASS, roots.WARM),
}
MOST_DAYS, MOST_STATIONS = 730, 62

Table = Mapping[str, Any]
Optional = TypeVar("Optional", Interface, Repellency)


@dataclass(frozen=True)
class WeatherChange:
    """What is done to the drawn weather. `value` is mm of a storm, degC of a warmer (or colder) spell."""

    kind: str
    first: datetime
    last: datetime
    value: float = 0.0
    hours: float = 0.0


@dataclass(frozen=True)
class ScenarioEntry:
    """One thing a groundsman did, at one moment, to some stations (none named: all)."""

    kind: str
    at: datetime
    stations: tuple[str, ...] = ()
    water_mm: float = 0.0
    hours: float = 0.0
    name: str = ""  # of the pass, or what the fixture was

    def concerns(self, station: str) -> bool:
        """Return whether it was done at that station; `green` names all of `green-1`, `green-2` and so on."""
        return not self.stations or station in self.stations or station.rpartition("-")[0] in self.stations


@dataclass(frozen=True)
class ProbePlan:
    """A probe to be put in. `settings` are further keys of the probe in the server's configuration."""

    name: str
    description: ProbeDescription
    failings: str = "ordinary"
    depth_shift_m: float = 0.0
    settings: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class StationPlan:
    """One station; of several made from one table each has its own `spread` of factors and its own `number`."""

    name: str
    title: str
    facts: Mapping[str, object]
    turf: TurfProfile
    first_head_m: float
    first_temperature_degc: float
    rooted_to_m: float
    probes: tuple[ProbePlan, ...]
    number: int
    spread: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class SurfacePlan:
    """One surface with its stations."""

    name: str
    title: str
    kind: str
    stations: tuple[StationPlan, ...]


@dataclass(frozen=True)
class Scenario:
    """Everything there is to know of an invented ground before time begins.

    Attributes
    ----------
    start, days, lead_days
        The told history begins at `start`, after `lead_days` that settle the ground and are not told.
    faults : mapping of `station/probe` to faults
    clock_steps : tuple of (datetime, float)
        When the node's clock jumps, and by how much. [s]
    digest : str
        Of the text it was read from.
    """

    name: str
    title: str
    story: str
    seed: int
    start: datetime
    days: int
    lead_days: int
    climate: ClimateType
    site_title: str
    timezone: str
    changes: tuple[WeatherChange, ...]
    surfaces: tuple[SurfacePlan, ...]
    diary: tuple[ScenarioEntry, ...]
    faults: Mapping[str, tuple[PlantedFault, ...]]
    clock_steps: tuple[tuple[datetime, float], ...]
    digest: str

    @property
    def stations(self) -> tuple[StationPlan, ...]:
        """All stations, in order."""
        return tuple(station for surface in self.surfaces for station in surface.stations)


class ScenarioFault(ValueError):
    """A scenario that cannot be run. `faults` lists every one as `file: key: found X, expected Y`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


def names() -> tuple[str, ...]:
    """Return the scenarios that come with the project, sorted."""
    folder = resources.files("simulator") / "scenarios"
    return tuple(sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml")))


def load(name: str) -> Scenario:
    """Load a scenario by its name, or by the path of a TOML file.

    Raises
    ------
    ScenarioFault
        With every fault of the file, or that there is none of that name.
    """
    if name.endswith(".toml"):
        path = Path(name)
        try:
            return parse(path.read_text(encoding="utf-8"), path.stem)
        except OSError as err:
            raise ScenarioFault([f"{path}: found no file to read ({err.strerror}), expected a scenario"]) from err
    if name not in names():
        raise ScenarioFault([f"scenario: found {name!r}, expected one of {', '.join(names())}, or a .toml file"])
    return parse((resources.files("simulator") / "scenarios" / f"{name}.toml").read_text(encoding="utf-8"), name)


def parse(text: str, name: str) -> Scenario:
    """Parse a scenario from its TOML text. Raises ScenarioFault with every fault."""
    try:
        table = parse_toml(text)
    except NotToml as err:
        raise ScenarioFault([f"{name}.toml: found text that is not TOML, {err}"]) from err
    check = _TableReader(f"{name}.toml")
    known = ("title", "story", "seed", "start", "days", "lead_days", "climate", "site", "weather", "surface", "diary")
    check.keys(table, "", (*known, "fault", "clock_step"))
    site = check.table(table, "", "site")
    check.keys(site, "site.", ("title", "timezone"))
    surfaces = tuple(
        _surface(check, t, f"surface[{i}].") for i, t in enumerate(check.tables(table, "", "surface", least=1))
    )
    probes = {
        f"{station.name}/{probe.name}": probe.description
        for surface in surfaces for station in surface.stations for probe in station.probes
    }  # fmt: skip
    _check_unique(check, surfaces)
    scenario = Scenario(
        name=name,
        title=check.text(table, "", "title"),
        story=check.text(table, "", "story").strip(),
        seed=check.whole(table, "", "seed", None, 0, 2**31 - 1),
        start=check.day(table, "", "start"),
        days=check.whole(table, "", "days", None, 1, MOST_DAYS),
        lead_days=check.whole(table, "", "lead_days", 30, 0, 365),
        climate=CLIMATES[check.one_of(table, "", "climate", tuple(CLIMATES))],
        site_title=check.text(site, "site.", "title"),
        timezone=check.text(site, "site.", "timezone", "UTC"),
        changes=tuple(
            change
            for i, t in enumerate(check.tables(table, "", "weather"))
            for change in _changes(check, t, f"weather[{i}].")
        ),
        surfaces=surfaces,
        diary=_diary(check, table, {probe.split("/")[0] for probe in probes}),
        faults=_faults(check, table, probes),
        clock_steps=tuple(
            _clock_step(check, t, f"clock_step[{i}].") for i, t in enumerate(check.tables(table, "", "clock_step"))
        ),
        digest=hashlib.sha256(text.encode()).hexdigest()[:16],
    )
    if (scenario.start.hour, scenario.start.minute) != (0, 0):
        check.fault("start", scenario.start.isoformat(), "a date without a time")
    if check.faults:
        raise ScenarioFault(check.faults)
    return scenario


def _check_unique(check: _TableReader, surfaces: tuple[SurfacePlan, ...]) -> None:
    names_of = [s.name for surface in surfaces for s in surface.stations]
    for seen in {name for name in names_of if names_of.count(name) > 1}:
        check.fault("surface.station.name", seen, "a name not used by another station")
    if len(names_of) > MOST_STATIONS:
        check.fault("surface.station", len(names_of), f"at most {MOST_STATIONS} stations")


def _slug(check: _TableReader, table: Table, at: str, key: str) -> str:
    name = check.text(table, at, key)
    if name and not is_slug(name):
        check.fault(f"{at}{key}", name, "small letters, digits, - and _")
    return name


def _changes(check: _TableReader, table: Table, at: str) -> list[WeatherChange]:
    check.keys(table, at, ("kind", "first", "last", "every_days", "rain_mm", "hours", "by_degc"))
    kind = check.one_of(table, at, "kind", WEATHER_CHANGES)
    first = check.day(table, at, "first")
    last = check.day(table, at, "last", first if kind == "storm" else None)
    if last < first or (last == first and kind != "storm"):
        check.fault(f"{at}last", str(last.date()), f"a date after {first.date()}")
        return []
    if kind != "storm":
        return [WeatherChange(kind, first, last, check.number(table, at, "by_degc", 0.0, -30.0, 30.0))]
    hours = check.number(table, at, "hours", None, 0.25, 48.0)
    rain_mm = check.number(table, at, "rain_mm", None, 0.1, 200.0)
    every = timedelta(days=check.whole(table, at, "every_days", 1, 1, 366))
    count = (last - first) // every + 1
    return [
        WeatherChange(kind, first + i * every, first + i * every + timedelta(hours=hours), rain_mm, hours)
        for i in range(count)
    ]


def _surface(check: _TableReader, table: Table, at: str) -> SurfacePlan:
    check.keys(table, at, ("name", "title", "kind", "station"))
    stations: list[StationPlan] = []
    for i, entry in enumerate(check.tables(table, at, "station", least=1)):
        stations += _stations(check, entry, f"{at}station[{i}].")
    return SurfacePlan(
        _slug(check, table, at, "name"), check.text(table, at, "title"),
        check.one_of(table, at, "kind", SURFACE_KINDS), tuple(stations),
    )  # fmt: skip


def _stations(check: _TableReader, table: Table, at: str) -> list[StationPlan]:
    check.keys(table, at, ("name", "title", "count", "keeper", "ground", "spread", "probe"))
    name, title = _slug(check, table, at, "name"), check.text(table, at, "title")
    count = check.whole(table, at, "count", 1, 1, MOST_STATIONS)
    keeper, ground = check.table(table, at, "keeper"), check.table(table, at, "ground")
    check.keys(keeper, f"{at}keeper.", ("soil", "subsoil", "subsoil_from_mm", "thatch_medium", "root_zone_mm", "grass"))
    spread = check.table(table, at, "spread")
    check.keys(spread, f"{at}spread.", SPREADS)
    turf = _turf(check, ground, f"{at}ground.")
    plan = StationPlan(
        name=name, title=title, facts=dict(keeper), turf=turf,
        first_head_m=check.number(ground, f"{at}ground.", "first_head_m", -1.0, -150.0, -0.05),
        first_temperature_degc=check.number(ground, f"{at}ground.", "first_temperature_degc", 8.0, -10.0, 40.0),
        rooted_to_m=check.number(ground, f"{at}ground.", "rooted_to_mm", 120.0, 10.0, 1000.0) / 1000.0,
        probes=tuple(_probe(check, t, f"{at}probe[{i}].") for i, t in enumerate(check.tables(table, at, "probe"))),
        number=0,
        spread={key: check.number(spread, f"{at}spread.", key, None, 0.0, 1.0) for key in spread if key in SPREADS},
    )  # fmt: skip
    if count == 1:
        return [plan]
    return [replace(plan, name=f"{name}-{i}", title=f"{title} {i}", number=i) for i in range(1, count + 1)]


_GROUND_KEYS = (
    *("thatch", "thatch_mm", "soil", "grass", "thatch_mm_per_year", "crop_coefficient", "canopy_mm", "break"),
    *("repellency", "bypass_share", "pond_limit_mm", "roots_deepest_mm", "rooted_to_mm", "first_head_m"),
    *("first_temperature_degc", "bottom"),
)


def _turf(check: _TableReader, table: Table, at: str) -> TurfProfile:
    check.keys(table, at, _GROUND_KEYS)
    layers = []
    for i, entry in enumerate(check.tables(table, at, "soil", least=1)):
        check.keys(entry, f"{at}soil[{i}].", ("material", "thickness_mm"))
        made_of = check.one_of(entry, f"{at}soil[{i}].", "material", tuple(MATERIALS))
        thickness_m = check.number(entry, f"{at}soil[{i}].", "thickness_mm", None, 10.0, 3000.0) / 1000.0
        layers.append(Layer(MATERIALS[made_of], thickness_m))
    grass, traits = GRASSES[check.one_of(table, at, "grass", tuple(GRASSES), "cool")]
    grass = replace(
        grass,
        thatch_mm_per_year=check.number(table, at, "thatch_mm_per_year", grass.thatch_mm_per_year, 0.0, 20.0),
        crop_coefficient=check.number(table, at, "crop_coefficient", grass.crop_coefficient, 0.2, 1.3),
        canopy_mm=check.number(table, at, "canopy_mm", grass.canopy_mm, 0.0, 4.0),
    )
    deepest_m = check.number(table, at, "roots_deepest_mm", traits.deepest_m * 1000.0, 20.0, 1500.0) / 1000.0
    return TurfProfile(
        thatch=MATERIALS[check.one_of(table, at, "thatch", tuple(MATERIALS))],
        soils=tuple(layers),
        thatch_m=check.number(table, at, "thatch_mm", None, 1.0, 80.0) / 1000.0,
        grass=grass,
        traits=replace(traits, deepest_m=deepest_m),
        interface=_optional(check, table, at, "break", Interface),
        repellency=_optional(check, table, at, "repellency", Repellency),
        bottom=BottomBoundary(check.one_of(table, at, "bottom", ("free_drainage", "seepage_face"), "free_drainage")),
        pond_limit_m=check.number(table, at, "pond_limit_mm", 2.0, 0.0, 50.0) / 1000.0,
        bypass_share=check.number(table, at, "bypass_share", 0.0, 0.0, 0.9),
    )


def _optional(check: _TableReader, table: Table, at: str, key: str, kind: type[Optional]) -> Optional | None:
    """None where the key is not there or false, the usual one for true, or a table of its fields."""
    value = table.get(key, False)
    if isinstance(value, bool):
        return kind() if value else None
    own = check.table(table, at, key)
    limits = {f.name: f.default for f in fields(kind)}
    check.keys(own, f"{at}{key}.", tuple(limits))
    return kind(**{k: check.number(own, f"{at}{key}.", k, None, 0.0, 1e6) for k in own if k in limits})


def _probe(check: _TableReader, table: Table, at: str) -> ProbePlan:
    check.keys(table, at, ("name", "model", "failings", "depth_shift_mm", "settings"))
    model = check.text(table, at, "model")
    try:
        description = load_probe(model)
    except ProbeFault as err:
        check.faults.extend(f"{check.file}: {at}model: {fault}" for fault in err.faults)
        description = ProbeDescription(model, "", "sdi12", 1200, "7E1", False, "", None, ())
    return ProbePlan(
        _slug(check, table, at, "name"), description, check.one_of(table, at, "failings", FAILINGS, "ordinary"),
        check.number(table, at, "depth_shift_mm", 0.0, -100.0, 100.0) / 1000.0, check.table(table, at, "settings"),
    )  # fmt: skip


def _diary(check: _TableReader, table: Table, stations: set[str]) -> tuple[ScenarioEntry, ...]:
    entries: list[ScenarioEntry] = []
    for i, entry in enumerate(check.tables(table, "", "diary")):
        at = f"diary[{i}]."
        check.keys(entry, at, ("kind", "first", "last", "every_days", "hour", "stations", "water_mm", "hours", "name"))
        kind = check.one_of(entry, at, "kind", DIARY_KINDS)
        first = check.day(entry, at, "first") + timedelta(hours=check.number(entry, at, "hour", 5.0, 0.0, 23.75))
        last = check.day(entry, at, "last", first) + timedelta(days=1)
        every = timedelta(days=check.whole(entry, at, "every_days", 1, 1, 366))
        wanted = check.words(entry, at, "stations")
        for name in wanted:
            if not any(name in (station, station.rpartition("-")[0]) for station in stations):
                check.fault(f"{at}stations", name, f"one of {', '.join(sorted(stations))}")
        watering = kind == "watering"
        water_mm = check.number(entry, at, "water_mm", None if watering else 0.0, 0.0, 100.0)
        hours = check.number(entry, at, "hours", 1.0 if watering else 0.0, 0.0, 24.0)
        name = check.one_of(entry, at, "name", tuple(PASSES)) if kind == "pass" else check.text(entry, at, "name", "")
        when = first
        while when < last if "last" in entry else when == first:
            entries.append(ScenarioEntry(kind, when, wanted, water_mm, hours, name))
            when += every
    return tuple(sorted(entries, key=lambda entry: entry.at))


def _faults(
    check: _TableReader, table: Table, probes: Mapping[str, ProbeDescription]
) -> dict[str, tuple[PlantedFault, ...]]:
    found: dict[str, tuple[PlantedFault, ...]] = {}
    for i, entry in enumerate(check.tables(table, "", "fault")):
        at = f"fault[{i}]."
        check.keys(entry, at, ("probe", "kind", "channels", "first", "last", "size"))
        probe = check.one_of(entry, at, "probe", tuple(probes) or ("",))
        kind, channels = check.one_of(entry, at, "kind", PROBE_FAULTS), check.words(entry, at, "channels")
        known = [c.name for c in probes[probe].channels] if probe in probes else []
        for channel in channels:
            if channel not in known:
                check.fault(f"{at}channels", channel, f"one of {', '.join(known)}")
        start_ms = _ms(check.day(entry, at, "first"))
        end_ms = _ms(check.day(entry, at, "last")) if "last" in entry else 2**62
        size = check.number(entry, at, "size", None, 0.0, 1.0) if "size" in entry else None
        try:
            found[probe] = (*found.get(probe, ()), PlantedFault(kind, channels, start_ms, end_ms, size))
        except ValueError as err:
            check.faults.append(f"{check.file}: {at.rstrip('.')}: {err}")
    return found


def _clock_step(check: _TableReader, table: Table, at: str) -> tuple[datetime, float]:
    check.keys(table, at, ("at", "by_s"))
    return check.day(table, at, "at"), check.number(table, at, "by_s", None, -DAY_S, DAY_S)


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)


class _TableReader:
    """Collects the faults of one file while its values are read."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.faults: list[str] = []

    def fault(self, key: str, found: object, expected: str) -> None:
        """Note one fault."""
        self.faults.append(f"{self.file}: {key}: found {found!r}, expected {expected}")

    def keys(self, table: Table, at: str, known: Collection[str]) -> None:
        """Note unknown keys as faults, with the nearest known one."""
        for key in table:
            if key not in known:
                near = difflib.get_close_matches(key, known, 1)
                self.fault(
                    f"{at}{key}", "an unknown key", repr(near[0]) if near else f"one of {', '.join(sorted(known))}"
                )

    def table(self, table: Table, at: str, key: str) -> Table:
        """Return a table, empty where there is none."""
        value = table.get(key, {})
        if not isinstance(value, dict):
            self.fault(f"{at}{key}", value, "a table")
            return {}
        return value

    def tables(self, table: Table, at: str, key: str, *, least: int = 0) -> list[Table]:
        """Return a list of tables."""
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value) or len(value) < least:
            self.fault(f"{at}{key}", value, f"{least} or more tables")
            return []
        return value

    def text(self, table: Table, at: str, key: str, default: str | None = None) -> str:
        """Return a text that is not empty; required where there is no default."""
        value = table.get(key, default)
        if not isinstance(value, str) or (default is None and not value.strip()):
            self.fault(f"{at}{key}", value, "text")
            return ""
        return value

    def one_of(self, table: Table, at: str, key: str, allowed: Collection[str], default: str | None = None) -> str:
        """Return one of some words."""
        value = table.get(key, default)
        if value not in allowed:
            near = difflib.get_close_matches(str(value), allowed, 1)
            hint = f", nearest {near[0]!r}" if near else ""
            self.fault(f"{at}{key}", value, f"one of {', '.join(allowed)}{hint}")
            return next(iter(allowed))
        return str(value)

    def number(self, table: Table, at: str, key: str, default: float | None, lowest: float, highest: float) -> float:
        """Return a number within limits, both included; required where there is no default."""
        value = table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not lowest <= value <= highest:
            self.fault(f"{at}{key}", value, f"a number from {lowest:g} to {highest:g}")
            return lowest if default is None else default
        return float(value)

    def whole(self, table: Table, at: str, key: str, default: int | None, lowest: int, highest: int) -> int:
        """Return a whole number within limits."""
        value = table.get(key, default)
        if type(value) is not int or not lowest <= value <= highest:
            self.fault(f"{at}{key}", value, f"a whole number from {lowest} to {highest}")
            return lowest if default is None else default
        return value

    def words(self, table: Table, at: str, key: str) -> tuple[str, ...]:
        """Return a list of texts, empty where there is none."""
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(entry, str) for entry in value):
            self.fault(f"{at}{key}", value, "a list of texts")
            return ()
        return tuple(value)

    def day(self, table: Table, at: str, key: str, default: datetime | None = None) -> datetime:
        """Return midnight UTC of a date, or a moment with its offset."""
        value = table.get(key)
        if value is None and default is not None:
            return default
        if isinstance(value, datetime):
            if value.tzinfo is not None:
                return value.astimezone(UTC)
        elif isinstance(value, date):
            return datetime(value.year, value.month, value.day, tzinfo=UTC)
        self.fault(f"{at}{key}", value, "a date as 2025-06-01, or a moment as 2025-06-01T05:00:00Z (no quotes)")
        return datetime(2000, 1, 1, tzinfo=UTC)
