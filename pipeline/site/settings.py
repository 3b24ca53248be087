"""All tables of the settings file in one model, `SiteConfig`, and its reading from underturf.toml and the environment.

Loading reports every fault of the file in one run, each as `file: key: found X, expected Y`, and nothing of a file
with a fault is used. Secrets are named by path and read only when they are needed (`read_secret`). Relative paths are
counted from the file. `pages.settings` names a second file, of what the pages may change. Environment variables, where
the caller hands them over, stand over the keys of the plain sections: `UNDERTURF_SECTION_KEY`, as in
`UNDERTURF_BROKER_PORT=1884`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from types import MappingProxyType
from typing import Any, Self, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    BaseModel,
    Field,
    PrivateAttr,
    TypeAdapter,
    ValidationError,
    ValidationInfo,
    create_model,
    field_validator,
    model_validator,
)

from hardware.probe import OWN_MODELS
from hardware.service_unit import CREDENTIALS
from hardware.table_check import NotToml, parse_toml
from pipeline.site.context import FileContext, Vocabulary, context_of
from pipeline.site.fields import Setting, Table, as_written, called, faults_of, is_name, keys_of, several
from pipeline.site.ground import InstalledChannel, MonthlyClimate, Site, Station, Surface, WaterConfig, WorkHours
from pipeline.site.own_settings import laid_together, stands_in
from pipeline.site.passes import BoundKey, Bounds, OwnBounds, PassFacts
from pipeline.site.plan import Plan
from pipeline.site.server import (
    BackupConfig,
    BrokerConfig,
    ClockConfig,
    DataConfig,
    NotifyConfig,
    PagesConfig,
    SourceConfig,
    StoreConfig,
)


@dataclass(frozen=True, slots=True)
class SettingsSource:
    """From where settings were read: the main file, the environment, the vocabulary, and the file of what the pages may
    change, None where none is named, with its text; empty where there is no such file yet."""

    file: Path
    environment: Mapping[str, str]
    known: Vocabulary
    own: Path | None
    own_text: str


class SiteConfig(Setting):
    """The settings of the server, validated."""

    site: Site = as_written({})
    data: DataConfig = as_written({})
    clock: ClockConfig = as_written({})
    broker: BrokerConfig = as_written({})
    store: StoreConfig = as_written({})
    backup: BackupConfig = as_written({})
    pages: PagesConfig = as_written({})
    notify: NotifyConfig = as_written({})
    forecast: SourceConfig = as_written({})
    fixtures: SourceConfig = as_written({})
    work: WorkHours = as_written({})
    water: WaterConfig = as_written({})
    climate: MonthlyClimate | None = None
    plan: Plan = as_written({})
    surfaces: tuple[Surface, ...] = Field((), alias="surface", min_length=1, max_length=64, strict=False)
    own_bounds: OwnBounds = Field((), alias="bound")
    alert_rules: Setting = as_written({}, alias="alerts")
    _reading: FileContext = PrivateAttr()
    _source: SettingsSource | None = PrivateAttr(None)

    @field_validator("backup")
    @classmethod
    def _of_a_file(cls, backup: BackupConfig, info: ValidationInfo) -> BackupConfig:
        store = info.data.get("store")
        if store is not None and store.kind == "postgresql" and backup.dir is not None:
            raise several([f".dir: found {str(backup.dir)!r}, expected none: pg_dump makes backups of PostgreSQL"])
        return backup

    @model_validator(mode="after")
    def _keep_what_it_was_read_with(self, info: ValidationInfo) -> Self:
        self._reading = context_of(info)
        return self

    @property
    def source(self) -> SettingsSource:
        """From where it was read."""
        assert self._source is not None
        return self._source

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
        """Return a bound of an alert rule as the site has it. [the unit in its name]"""
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


class ConfigFault(ValueError):
    """Settings that cannot be used. `faults` lists every one as `file: key: found X, expected Y`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


def read_secret(path: Path) -> str:
    """Return the secret in a file, without the line end."""
    return path.read_text(encoding="utf-8").strip()


def load(
    path: Path | str, environment: Mapping[str, str] | None = None, *, known: Vocabulary, own: str | None = None
) -> SiteConfig:
    """Return the settings in a file and in that of what the pages may change, with those of the environment over them.

    Parameters
    ----------
    path : Path or str
        The TOML file.
    environment : mapping of str to str, optional
        The process's environment; none of it counts when it is not handed over.
    known : Vocabulary
    own : str, optional
        In place of what stands in the file of `pages.settings`.

    Raises
    ------
    ConfigFault
        With every fault found.
    """
    file, environment_used = Path(path), {} if environment is None else environment
    main = _table(file)
    own_file = _own_file(_laid_over(main, environment_used), file)
    own_text = own if own is not None else _text_of(own_file)
    own_name = "" if own_file is None else own_file.name
    own_table = _parsed(own_text, own_name)
    written, faults = laid_together(main, own_table, file.name)
    table = _laid_over(written, environment_used)

    def named(fault: str) -> str:
        return f"{own_name if stands_in(fault, own_table) else file.name}: {fault}"

    bounds, more = _bounds_of_surfaces(table, known)
    faults += more
    faults += _repeated_names(table)
    folder = file.absolute().parent
    credentials = None if environment is None else environment.get(CREDENTIALS)
    reading = FileContext(folder, _zone(table), _model_dir(table, folder), known, bounds, credentials)
    model = _with_rules(tuple(known.alerts.items()))
    try:
        config = model.model_validate(table, context=reading, by_alias=True, by_name=False)
    except ValidationError as err:
        raise ConfigFault([named(fault) for fault in (*faults_of(err, model, table), *faults)]) from err
    if faults:
        raise ConfigFault([named(fault) for fault in faults])
    config._source = SettingsSource(file.absolute(), dict(environment_used), known, own_file, own_text)
    return config


def _table(file: Path) -> dict[str, Any]:
    try:
        return _parsed(file.read_bytes().decode(), file.name)
    except OSError as err:
        raise ConfigFault([f"{file}: found no file to read ({err.strerror}), expected the server's TOML"]) from err
    except UnicodeDecodeError as err:
        raise ConfigFault([f"{file.name}: found text that is not TOML ({err}), expected TOML in UTF-8"]) from err


def _parsed(text: str, name: str) -> dict[str, Any]:
    try:
        return parse_toml(text)
    except NotToml as err:
        raise ConfigFault([f"{name}: found text that is not TOML ({err}), expected TOML in UTF-8"]) from err


def _own_file(main: Table, file: Path) -> Path | None:
    """Where what the pages may change is; a path out of form is told with the table that it stands in."""
    written = _section(main, "pages").get("settings")
    if not isinstance(written, str) or not written or "\0" in written:
        return None
    return (file.absolute().parent / written).absolute()


def _text_of(own: Path | None) -> str:
    if own is None:
        return ""
    try:
        return own.read_bytes().decode()
    except FileNotFoundError:
        return ""
    except OSError as err:
        raise ConfigFault([f"{own}: found a file that cannot be read ({err.strerror}), expected TOML"]) from err
    except UnicodeDecodeError as err:
        raise ConfigFault([f"{own.name}: found text that is not TOML ({err}), expected TOML in UTF-8"]) from err


def data_dir_of(path: Path, environment: Mapping[str, str]) -> Path:
    """Return the data folder that a settings file names, though secrets that it names may not be there yet.

    Raises
    ------
    ConfigFault
        When the file does not read, or names no path.
    """
    written = _section(_laid_over(_table(path), environment), "data").get("dir", DataConfig.model_fields["dir"].default)
    if not isinstance(written, str | Path) or "\0" in str(written):
        raise ConfigFault([f"{path.name}: data.dir: found {written!r}, expected a path"])
    return (path.absolute().parent / written).absolute()


def secrets_of(config: SiteConfig) -> Iterator[tuple[str, Path]]:
    """Return the key and the path of each file with a secret that the settings name."""
    for section in ("broker", "store", "pages", "notify"):
        for key, value in getattr(config, section):
            if key.endswith("_file") and isinstance(value, Path):
                yield f"{section}.{key}", value


@cache
def _with_rules(alerts: tuple[tuple[str, type[BaseModel]], ...]) -> type[SiteConfig]:
    """Return the settings model with a table for each alert rule."""
    each: dict[str, Any] = {rule: (model, Field(default_factory=dict)) for rule, model in alerts}
    rules = create_model("AlertRules", __base__=Setting, **each)
    return create_model(
        "SiteConfig", __base__=SiteConfig, alert_rules=(rules, Field(default_factory=dict, alias="alerts"))
    )


def plain_sections() -> dict[str, list[str]]:
    """Return the keys of each section that the environment may set, by section."""
    sections = {name: field.annotation for name, field in SiteConfig.model_fields.items()}
    return {
        name: keys_of(model)
        for name, model in sections.items()
        if isinstance(model, type) and issubclass(model, Setting) and model is not Setting
    }


def _laid_over(written: Table, environment: Mapping[str, str]) -> dict[str, Any]:
    """Return tables with the values of the environment in place of those of the plain sections. A value that is no TOML
    value is taken as text."""
    table = {name: dict(value) if isinstance(value, dict) else value for name, value in written.items()}
    for section, keys in plain_sections().items():
        for key in keys:
            text = environment.get(f"UNDERTURF_{section}_{key}".upper())
            if text is None or not isinstance(table.setdefault(section, {}), dict):
                continue
            try:
                value: Any = parse_toml(f"value = {text}")["value"]
            except NotToml:
                value = text
            table[section][key] = value
    return table


# --- what other tables depend on, read first; faults of its own are told with the table it stands in -----------------


def _section(table: Table, name: str) -> Table:
    section = table.get(name)
    return section if isinstance(section, dict) else {}


def _entries(table: Table, key: str) -> list[Table]:
    """Return the tables of a list; other values are left out."""
    value = table.get(key)
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _zone(table: Table) -> ZoneInfo:
    try:
        return ZoneInfo(_section(table, "site").get("timezone", "UTC"))
    except (ZoneInfoNotFoundError, ValueError, TypeError, OSError):
        return ZoneInfo("UTC")


def _model_dir(table: Table, folder: Path) -> Path | None:
    written = _section(table, "data").get("model_dir", str(OWN_MODELS))
    path = (folder / written).absolute() if isinstance(written, str) and "\0" not in written else None
    return path if path is not None and path.is_dir() else None


def _bounds_of_surfaces(table: Table, known: Vocabulary) -> tuple[Mapping[str, Mapping[BoundKey, Bounds]], list[str]]:
    """Return the site's own bounds by surface, and their faults on that kind of surface."""
    found, faults = {}, []
    kinds = get_args(Surface.model_fields["kind"].annotation)
    for index, surface in enumerate(_entries(table, "surface")):
        if surface.get("kind") in kinds:
            given = {**_edges(table), **_edges(surface)}
            bounds, wrong = known.bounds(surface["kind"], given)
            found[str(surface.get("name"))] = bounds
            faults += [f"surface{called(surface, index)}.bound: {fault}" for fault in wrong]
    return found, faults


def _edges(table: Table) -> dict[BoundKey, Mapping[str, float]]:
    try:
        bounds = TypeAdapter(OwnBounds).validate_python(table.get("bound", []), by_alias=True, by_name=False)
    except ValidationError:
        return {}
    return {bound.key: bound.edges for bound in bounds}


def _repeated_names(table: Table) -> list[str]:
    """Return a fault for each name of a surface, station or probe that another has too."""

    def repeated(entries: list[tuple[str, Table]], what: str) -> Iterator[str]:
        names = [one.get("name") for _, one in entries]
        for i, (place, _) in enumerate(entries):
            if is_name(names[i]) and names[i] in names[:i]:
                yield f"{place}.name: found {names[i]!r}, expected a name no other {what} has"

    def each(table: Table, key: str, at: str = "") -> list[tuple[str, Table]]:
        return [(f"{at}{key}{called(one, i)}", one) for i, one in enumerate(_entries(table, key))]

    surfaces = each(table, "surface")
    stations = [one for place, surface in surfaces for one in each(surface, "station", f"{place}.")]
    probes = [each(station, "probe", f"{place}.") for place, station in stations]
    return [
        *repeated(surfaces, "surface"),
        *repeated(stations, "station"),
        *(line for own in probes for line in repeated(own, "probe of the station")),
    ]
