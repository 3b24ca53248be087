"""The server's settings: underturf.toml and the environment made into frozen dataclasses.

Loading reports every fault of the file in one run, each as `file: key: found X, expected Y`, and nothing of a file
with a fault is used. Secrets are named by path and read only when they are needed (`read_secret`). Relative paths are
counted from the file. Environment variables, where the caller hands them over, stand over the keys of the plain
sections: `UNDERTURF_SECTION_KEY`, as in `UNDERTURF_BROKER_PORT=1884`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pipeline.alert_bounds import AlertsConfig
from pipeline.config.ahead import ahead_of
from pipeline.config.alerts import alerts_of
from pipeline.config.ground import surfaces_of
from pipeline.config.notify import NOTIFY_KEYS, notify_of
from pipeline.site import (
    BrokerConfig,
    Core,
    InstalledChannel,
    InstalledProbe,
    NotifyConfig,
    PagesConfig,
    Site,
    SiteConfig,
    Station,
    StoreConfig,
    Surface,
)
from pipeline.toml_check import Check, Table

__all__ = [
    "AlertsConfig",
    "BrokerConfig",
    "ConfigFault",
    "Core",
    "InstalledChannel",
    "InstalledProbe",
    "NotifyConfig",
    "PagesConfig",
    "Site",
    "SiteConfig",
    "Station",
    "StoreConfig",
    "Surface",
    "load",
    "read_secret",
]

PLAIN_SECTIONS: Mapping[str, tuple[str, ...]] = {
    "site": ("name", "title", "timezone", "latitude_deg", "longitude_deg", "elevation_m", "country"),
    "data": ("dir", "model_dir"),
    "clock": ("follow",),
    "broker": ("kind", "host", "port", "username", "password_file", "ca_file", "cert_file", "key_file"),
    "store": ("kind", "url", "org", "bucket", "token_file"),
    "pages": ("host", "port"),
    "notify": NOTIFY_KEYS,
    "forecast": ("source",),
    "fixtures": ("source",),
    "work": ("from_hour", "until_hour"),
    "water": ("restricted",),
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
    check.keys(table, "", (*PLAIN_SECTIONS, "alerts", "surface", "bound", "climate"))
    for section, keys in PLAIN_SECTIONS.items():
        check.keys(check.table(table, "", section), f"{section}.", keys)
    site = _site(check, check.table(table, "", "site"))
    data = check.table(table, "", "data")
    model_dir = check.directory(data, "data.", "model_dir")
    return SiteConfig(
        site=site,
        surfaces=surfaces_of(check, table, ZoneInfo(site.timezone), model_dir),
        data_dir=check.path(data, "data.", "dir", "data") or check.folder,
        broker=_broker(check, check.table(table, "", "broker")),
        store=_store(check, check.table(table, "", "store")),
        pages=PagesConfig(
            check.text(check.table(table, "", "pages"), "pages.", "host", "127.0.0.1"),
            check.port(check.table(table, "", "pages"), "pages.", "port", 8420),
        ),
        notify=notify_of(check, check.table(table, "", "notify")),
        alerts=alerts_of(check, check.table(table, "", "alerts")),
        ahead=ahead_of(check, table),
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
        country=check.text(table, "site.", "country", ""),
    )


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
        check.web_address(table, "store.", "url", None),
        check.text(table, "store.", "org", None),
        check.text(table, "store.", "bucket", None),
        check.secret(table, "store.", "token_file"),
    )
