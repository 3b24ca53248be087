"""The server's settings: underturf.toml and the environment made into frozen dataclasses.

Loading reports every fault of the file in one run, each as `file: key: found X, expected Y`, and nothing of a file
with a fault is used. Secrets are named by path and read only when they are needed (`read_secret`). Relative paths are
counted from the file. Environment variables, where the caller hands them over, stand over the keys of the plain
sections: `UNDERTURF_SECTION_KEY`, as in `UNDERTURF_BROKER_PORT=1884`.
"""

from __future__ import annotations

import datetime
import tomllib
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from hardware.probe import MAX_DEPTH_MM, Calibration, Channel, ProbeDescription, ProbeFault, load_probe
from hardware.reading import is_slug
from pipeline.site import (
    AlertsConfig,
    BrokerConfig,
    Core,
    InstalledChannel,
    InstalledProbe,
    NotifyConfig,
    PagesConfig,
    ProbeFaultConfig,
    RootsDryConfig,
    RootsShallowConfig,
    Site,
    SiteConfig,
    Station,
    StoreConfig,
    Surface,
    ThatchHoldingConfig,
)
from pipeline.soil.calibration import CURVES, curve_faults
from pipeline.toml_check import Check, Table, finite

__all__ = [
    "AlertsConfig",
    "BrokerConfig",
    "ConfigFault",
    "Core",
    "InstalledChannel",
    "InstalledProbe",
    "NotifyConfig",
    "PagesConfig",
    "ProbeFaultConfig",
    "RootsDryConfig",
    "RootsShallowConfig",
    "Site",
    "SiteConfig",
    "Station",
    "StoreConfig",
    "Surface",
    "ThatchHoldingConfig",
    "load",
    "read_secret",
]

SURFACE_KINDS = ("square", "outfield", "green", "pitch", "lawn")
GRASSES = ("cool", "warm", "annual_meadow_grass")
THATCH_MEDIA = ("raw_thatch", "decayed_thatch", "mat")
SOIL_MEDIA = ("sand", "sandy_loam", "loam", "clay_loam", "club_clay_loam", "first_class_clay_loam")
OTHER_CURVES = ("cone_base_area",)  # curves that do not lead to water content
MAX_SURFACES, MAX_STATIONS, MAX_PROBES, MAX_CORES = 64, 64, 64, 1000
PLAIN_SECTIONS: Mapping[str, tuple[str, ...]] = {
    "site": ("name", "title", "timezone", "latitude_deg", "longitude_deg", "elevation_m"),
    "data": ("dir",),
    "clock": ("follow",),
    "broker": ("kind", "host", "port", "username", "password_file", "ca_file", "cert_file", "key_file"),
    "store": ("kind", "url", "org", "bucket", "token_file"),
    "pages": ("host", "port"),
    "notify": ("log", "webhook", "webhook_secret_file"),
}


class ConfigFault(ValueError):
    """Settings that cannot be used. `faults` lists every one as `file: key: found X, expected Y`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


def read_secret(path: Path) -> str:
    """The secret in a file, without the line end."""
    return path.read_text(encoding="utf-8").strip()


def load(path: Path | str, environment: Mapping[str, str] | None = None) -> SiteConfig:
    """The settings in a file, with those of the environment over them.

    Parameters
    ----------
    path : Path or str
        The TOML file.
    environment : mapping of str to str, optional
        The process's environment; none of it counts when it is not handed over.

    Raises
    ------
    ConfigFault
        With every fault found.
    """
    file = Path(path)
    try:
        table: dict[str, Any] = tomllib.loads(file.read_bytes().decode())
    except OSError as err:
        raise ConfigFault([f"{file}: found no file to read ({err.strerror}), expected the server's TOML"]) from err
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as err:
        raise ConfigFault([f"{file.name}: found text that is not TOML ({err}), expected TOML in UTF-8"]) from err
    check = Check(file.name, file.absolute().parent)
    _lay_over(table, {} if environment is None else environment)
    config = _site_config(check, table)
    if check.faults:
        raise ConfigFault(check.faults)
    return config


def _lay_over(table: dict[str, Any], environment: Mapping[str, str]) -> None:
    """Put the environment's values over the plain sections. A value that is no TOML value is taken as text."""
    for section, keys in PLAIN_SECTIONS.items():
        for key in keys:
            text = environment.get(f"UNDERTURF_{section}_{key}".upper())
            if text is None or not isinstance(table.setdefault(section, {}), dict):
                continue
            try:
                value: Any = tomllib.loads(f"value = {text}")["value"]
            except tomllib.TOMLDecodeError:
                value = text
            table[section][key] = value


def _site_config(check: Check, table: Table) -> SiteConfig:
    check.keys(table, "", (*PLAIN_SECTIONS, "alerts", "surface"))
    for section, keys in PLAIN_SECTIONS.items():
        check.keys(check.table(table, "", section), f"{section}.", keys)
    site = _site(check, check.table(table, "", "site"))
    return SiteConfig(
        site=site,
        surfaces=_surfaces(check, table, ZoneInfo(site.timezone)),
        data_dir=check.path(check.table(table, "", "data"), "data.", "dir", "data") or check.folder,
        broker=_broker(check, check.table(table, "", "broker")),
        store=_store(check, check.table(table, "", "store")),
        pages=PagesConfig(
            check.text(check.table(table, "", "pages"), "pages.", "host", "127.0.0.1"),
            check.port(check.table(table, "", "pages"), "pages.", "port", 8420),
        ),
        notify=_notify(check, check.table(table, "", "notify")),
        alerts=_alerts(check, check.table(table, "", "alerts")),
        clock_follow=check.path(check.table(table, "", "clock"), "clock.", "follow", None),
    )


def _site(check: Check, table: Table) -> Site:
    timezone = check.text(table, "site.", "timezone", "UTC")
    try:
        ZoneInfo(timezone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        check.fault("site.timezone", timezone, "a name of the IANA time zone list that this machine has, as 'UTC'")
        timezone = "UTC"
    name = check.slug(table, "site.", "name")
    return Site(
        name=name,
        title=check.text(table, "site.", "title", name),
        timezone=timezone,
        latitude_deg=check.optional_number(table, "site.", "latitude_deg", -90.0, 90.0),
        longitude_deg=check.optional_number(table, "site.", "longitude_deg", -180.0, 180.0),
        elevation_m=check.number(table, "site.", "elevation_m", 0.0, -430.0, 6000.0),
    )


def _surfaces(check: Check, table: Table, zone: ZoneInfo) -> tuple[Surface, ...]:
    surfaces = []
    stations_seen: set[str] = set()
    seen: set[str] = set()
    for i, entry in enumerate(check.tables(table, "", "surface", least=1, most=MAX_SURFACES)):
        at = _place(entry, "", "surface", i)
        check.keys(entry, at, ("name", "title", "kind", "station"))
        name = check.slug(entry, at, "name")
        _once(check, f"{at}name", name, seen, "surface")
        stations = [
            _station(check, station, _place(station, at, "station", j), name, stations_seen, zone)
            for j, station in enumerate(check.tables(entry, at, "station", least=0, most=MAX_STATIONS))
        ]
        kind = check.one_of(entry, at, "kind", SURFACE_KINDS, None)
        surfaces.append(Surface(name, check.text(entry, at, "title", name), kind, tuple(stations)))
    return tuple(surfaces)


_STATION_KEYS = (
    *("name", "title", "soil", "thatch_medium", "root_zone_mm", "thatch_dry", "thatch_drained"),
    *("soil_dry", "soil_drained", "grass", "probe", "core"),
)


def _station(check: Check, table: Table, at: str, surface: str, seen: set[str], zone: ZoneInfo) -> Station:
    check.keys(table, at, _STATION_KEYS)
    name = check.slug(table, at, "name")
    _once(check, f"{at}name", name, seen, "station")
    limits = {}
    for layer in ("thatch", "soil"):
        dry = check.optional_number(table, at, f"{layer}_dry", 0.0, 1.0)
        drained = check.optional_number(table, at, f"{layer}_drained", 0.0, 1.0)
        if dry is not None and drained is not None and not dry < drained:
            check.fault(f"{at}{layer}_drained", drained, f"a water content above {layer}_dry, {dry:g} m3/m3")
        limits[layer] = (dry, drained)
    probes_seen: set[str] = set()
    return Station(
        name=name,
        title=check.text(table, at, "title", name),
        surface=surface,
        soil=check.one_of(table, at, "soil", SOIL_MEDIA, None),
        thatch_medium=check.one_of(table, at, "thatch_medium", THATCH_MEDIA, "decayed_thatch"),
        root_zone_m=check.number(table, at, "root_zone_mm", 200.0, 20.0, 2000.0) / 1000,
        thatch_dry=limits["thatch"][0],
        thatch_drained=limits["thatch"][1],
        soil_dry=limits["soil"][0],
        soil_drained=limits["soil"][1],
        probes=tuple(
            _probe(check, probe, _place(probe, at, "probe", i), name, probes_seen)
            for i, probe in enumerate(check.tables(table, at, "probe", least=1, most=MAX_PROBES))
        ),
        cores=_cores(check, table, at, zone),
        grass=check.one_of(table, at, "grass", GRASSES, "cool"),
    )


def _probe(check: Check, table: Table, at: str, station: str, seen: set[str]) -> InstalledProbe:
    check.keys(table, at, ("name", "model", "depth_mm", "calibration"))
    name = check.slug(table, at, "name")
    _once(check, f"{at}name", name, seen, "probe of the station")
    model = check.text(table, at, "model", None)
    try:
        description = load_probe(model)
    except ProbeFault as err:
        if model:
            check.faults.extend(f"{check.file}: {at}model: {fault}" for fault in err.faults)
        return InstalledProbe(name, ProbeDescription(model, "", "sdi12", 1200, "7E1", False, "", None, ()), ())
    depths, calibrations = check.table(table, at, "depth_mm"), check.table(table, at, "calibration")
    known = [c.name for c in description.channels]
    check.keys(depths, f"{at}depth_mm.", known)
    check.keys(calibrations, f"{at}calibration.", known)
    installed = []
    for channel in description.channels:
        if channel.name in depths:
            depth_mm = check.number(depths, f"{at}depth_mm.", channel.name, None, 0.0, MAX_DEPTH_MM)
            if channel.depth_m is None:
                check.fault(f"{at}depth_mm.{channel.name}", depth_mm, "no depth: this channel is above the ground")
            channel = replace(channel, depth_m=depth_mm / 1000)
        calibration = _calibration(check, calibrations, at, channel)
        installed.append(
            InstalledChannel(f"{station}/{name}/{channel.name}", replace(channel, calibration=calibration))
        )
    return InstalledProbe(name, description, tuple(installed))


def _calibration(check: Check, calibrations: Table, at: str, channel: Channel) -> Calibration:
    """The channel's calibration, or that of the file over it; either is checked against its curve."""
    if channel.name not in calibrations:
        return channel.calibration
    place = f"{at}calibration.{channel.name}"
    entry = check.table(calibrations, f"{at}calibration.", channel.name)
    curve = check.one_of(entry, f"{place}.", "curve", (*CURVES, *OTHER_CURVES), None)
    source = check.text(entry, f"{place}.", "source", "set for this site")
    written = {key: value for key, value in entry.items() if key not in ("curve", "source")}
    parameters = {key: float(value) for key, value in written.items() if finite(value)}
    for key in written.keys() - parameters.keys():
        check.fault(f"{place}.{key}", written[key], "a number")
    if "curve" in entry and entry["curve"] in CURVES and len(written) == len(parameters):
        check.faults.extend(f"{check.file}: {place}.{fault}" for fault in curve_faults(curve, parameters))
    return Calibration(curve, MappingProxyType(parameters), source)


def _cores(check: Check, table: Table, at: str, zone: ZoneInfo) -> tuple[Core, ...]:
    cores = []
    for i, entry in enumerate(check.tables(table, at, "core", least=0, most=MAX_CORES)):
        place = f"{at}core[{i}]."
        check.keys(entry, place, ("date", "thatch_mm", "root_mm"))
        date = entry.get("date")
        thatch_m = check.number(entry, place, "thatch_mm", None, 0.0, 150.0) / 1000
        root_mm = check.optional_number(entry, place, "root_mm", 0.0, 1000.0)
        if type(date) is not datetime.date:
            check.fault(f"{place}date", date, "a date without a time, as 2026-03-01 (no quotes)")
            continue
        midnight = datetime.datetime(date.year, date.month, date.day, tzinfo=zone)
        root_m = None if root_mm is None else root_mm / 1000
        cores.append(Core(date, round(midnight.timestamp() * 1000), thatch_m, root_m))
    dates = [c.date for c in cores]
    if len(set(dates)) < len(dates):
        check.fault(f"{at}core", [str(d) for d in sorted(dates)], "one core a date: write the mean of several")
    return tuple(sorted(cores, key=lambda c: c.at_ms))


def _broker(check: Check, table: Table) -> BrokerConfig:
    kind = check.one_of(table, "broker.", "kind", ("embedded", "external"), "embedded")
    host = check.text(table, "broker.", "host", "127.0.0.1")
    if kind == "embedded":
        foreign = ("username", "password_file", "ca_file", "cert_file", "key_file")
        check.only_with(table, "broker.", foreign, 'broker.kind is "external": the embedded one is on loopback only')
        if host not in ("127.0.0.1", "localhost", "::1"):
            expected = '127.0.0.1: nodes on other machines need a broker of their own and broker.kind = "external"'
            check.fault("broker.host", host, expected)
    if ("cert_file" in table) != ("key_file" in table):
        check.missing("broker." + ("key_file" if "cert_file" in table else "cert_file"), "it beside its fellow")
    if "password_file" in table and "username" not in table:
        check.missing("broker.username", "a name to go with broker.password_file")
    return BrokerConfig(
        kind,
        host,
        check.port(table, "broker.", "port", 1883),
        check.text(table, "broker.", "username", ""),
        *(check.secret(table, "broker.", key) for key in ("password_file", "ca_file", "cert_file", "key_file")),
    )


def _store(check: Check, table: Table) -> StoreConfig:
    kind = check.one_of(table, "store.", "kind", ("sqlite", "influx"), "sqlite")
    if kind == "sqlite":
        check.only_with(table, "store.", ("url", "org", "bucket", "token_file"), 'store.kind is "influx"')
        return StoreConfig()
    if "token_file" not in table:
        check.missing("store.token_file", "a path to the file that holds the store's token")
    return StoreConfig(
        kind,
        _web_address(check, table, "store.", "url", None),
        check.text(table, "store.", "org", None),
        check.text(table, "store.", "bucket", None),
        check.secret(table, "store.", "token_file"),
    )


def _notify(check: Check, table: Table) -> NotifyConfig:
    webhook = _web_address(check, table, "notify.", "webhook", "")
    if "webhook_secret_file" in table and not webhook:
        check.missing("notify.webhook", "an address to go with notify.webhook_secret_file")
    log = check.flag(table, "notify.", "log", default=True)
    return NotifyConfig(log, webhook, check.secret(table, "notify.", "webhook_secret_file"))


def _web_address(check: Check, table: Table, at: str, key: str, default: str | None) -> str:
    text = check.text(table, at, key, default)
    if text and not text.startswith(("http://", "https://")):
        check.fault(f"{at}{key}", text, "an address that begins with http:// or https://")
    return text


_ALERT_LIMITS = {  # lowest and highest by the end of the name
    "wetness": (-1.0, 3.0),
    "air": (0.0, 1.0),
    "mm": (0.0, 1000.0),
    "h": (0.0, 24.0 * 60),
}
_Rule = TypeVar("_Rule", ThatchHoldingConfig, RootsDryConfig, ProbeFaultConfig, RootsShallowConfig)


def _alerts(check: Check, table: Table) -> AlertsConfig:
    check.keys(table, "alerts.", [f.name for f in fields(AlertsConfig)])
    config = AlertsConfig(
        _rule(check, table, "thatch_holding", ThatchHoldingConfig()),
        _rule(check, table, "roots_dry", RootsDryConfig()),
        _rule(check, table, "probe_fault", ProbeFaultConfig()),
        _rule(check, table, "roots_shallow", RootsShallowConfig()),
    )
    if not config.thatch_holding.off_wetness < config.thatch_holding.on_wetness:
        check.fault("alerts.thatch_holding.off_wetness", config.thatch_holding.off_wetness, "less than on_wetness")
    if not config.roots_dry.off_wetness > config.roots_dry.on_wetness:
        check.fault("alerts.roots_dry.off_wetness", config.roots_dry.off_wetness, "more than on_wetness")
    return config


def _rule(check: Check, table: Table, name: str, default: _Rule) -> _Rule:
    at = f"alerts.{name}."
    entry = check.table(table, "alerts.", name)
    check.keys(entry, at, [f.name for f in fields(default)])
    values: dict[str, Any] = {}
    for key in (f.name for f in fields(default)):
        if key == "enabled":
            values[key] = check.flag(entry, at, key, default=True)
        else:
            values[key] = check.number(entry, at, key, getattr(default, key), *_ALERT_LIMITS[key.rpartition("_")[2]])
    return replace(default, **values)


def _place(entry: Table, at: str, word: str, index: int) -> str:
    """How an entry of a list is called in a fault: by its name where it has one, else by its place from 0."""
    name = entry.get("name")
    return f"{at}{word}.{name}." if isinstance(name, str) and is_slug(name) else f"{at}{word}[{index}]."


def _once(check: Check, key: str, name: str, seen: set[str], what: str) -> None:
    if name and name in seen:
        check.fault(key, name, f"a name no other {what} has")
    seen.add(name)
