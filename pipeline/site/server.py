"""The tables of the server: data, clock, broker, store, pages, notification, and sources of days to come.

Nothing here reads a clock or the environment, and of files only whether they are there.
"""

from __future__ import annotations

import datetime
import ipaddress
import re
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, field_validator

from hardware.service_unit import secret_file
from pipeline.site.context import FileContext
from pipeline.site.fields import Month, Port, Setting, Text, WebAddress, as_written, expected, sound, unused


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


def _secret(path: Path, info: ValidationInfo) -> Path:
    reading: FileContext | None = info.context
    path = path if reading is None else secret_file(path, reading.credentials)
    if not path.is_file():
        raise expected("a file that is there and holds the secret alone", found=str(path))
    return path


def _source(text: str, info: ValidationInfo) -> str:
    """Return an address as it is, a path counted from the folder of the file."""
    return text if text.startswith(("http://", "https://")) else str(_path(text, info))


def _is_address(text: str) -> bool:
    try:
        return bool(ipaddress.ip_address(text))
    except ValueError:
        return False


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
MinuteOfDay = Annotated[
    int, BeforeValidator(_minute_of_day), Field(description='a time of day from "00:00" to "23:59"')
]


HostNames = Annotated[
    tuple[Annotated[str, sound(lambda name: re.fullmatch(r"[a-z0-9_-]+(\.[a-z0-9_-]+)*", name) is not None)], ...],
    Field(max_length=20, strict=False, description="a list of at most 20 names of hosts, as ['turf.example.org']"),
]


BaseAddress = Annotated[
    Text,
    Field(description="an address without a path, as https://turf.example.org or http://127.0.0.1:8420"),
    sound(lambda text: re.fullmatch(r"https?://([a-z0-9._-]+|\[[0-9a-f:]+\])(:\d{1,5})?", text) is not None),
]
IpAddress = Annotated[
    Text, Field(description="an address in digits, as 192.168.1.5"), sound(lambda text: _is_address(text))
]


class SourceConfig(Setting):
    """Where days to come are read from: an address, or a path counted from the file; empty for none.

    `redirect_hosts` are the hosts beside its own that the address may refer to.
    """

    source: Annotated[Text, AfterValidator(_source)] = Field("", validate_default=False)
    redirect_hosts: HostNames = ()


class DataConfig(Setting):
    """Where data is kept, and where probe models are looked for first."""

    dir: PathFromFile = as_written("data")
    model_dir: Folder | None = None

    @property
    def certificate_dir(self) -> Path:
        """Where `underturf certificate` keeps its keys."""
        return self.dir / "certificate"


class ClockConfig(Setting):
    """The system's own clock, or the socket of one to follow, for the demo; whether the machine has one with a battery
    and no time service."""

    follow: PathFromFile | None = None
    trust_hardware: bool = False


_LOOPBACK = ("127.0.0.1", "localhost", "::1")


def is_loopback(host: str) -> bool:
    """Return whether an address can be reached from this machine only."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class BrokerConfig(Setting):
    """Where the broker is: our own child on loopback, or one that is run elsewhere.

    `plain_password` says that the password may go to another machine unencrypted.
    """

    kind: Literal["embedded", "external"] = "embedded"
    host: Text = "127.0.0.1"
    port: Port = 1883
    password_file: SecretFile | None = None
    username: Text | None = None
    ca_file: SecretFile | None = None
    cert_file: SecretFile | None = None
    key_file: SecretFile | None = None
    plain_password: bool = False

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
    """Where it is kept: all in a file, all on a PostgreSQL server, or the series of a file on an InfluxDB server."""

    kind: Literal["sqlite", "postgresql", "influx"] = "sqlite"
    dsn_file: SecretFile | None = None
    url: WebAddress | None = None
    bucket: Text | None = None
    org: Text | None = None
    token_file: SecretFile | None = None
    server_version: ServerVersion | None = None
    keep_days: int | None = Field(None, ge=400, le=36_500)

    @field_validator("url")
    @classmethod
    def _shown_in_faults(cls, url: str | None) -> str | None:
        if url is not None and "@" in url.partition("://")[2].partition("/")[0]:
            raise expected("an address without a user: user:password goes into the file of store.token_file")
        return url

    @field_validator("dsn_file")
    @classmethod
    def _of_postgresql(cls, value: Path | None, info: ValidationInfo) -> Path | None:
        kind = info.data.get("kind")
        if kind in ("sqlite", "influx") and value is not None:
            raise unused('store.kind is "postgresql"')
        if kind == "postgresql" and value is None:
            raise expected("a file with the connection string")
        return value

    @field_validator("url", "bucket", "org", "token_file", "server_version", "keep_days")
    @classmethod
    def _of_a_server(cls, value: object, info: ValidationInfo) -> object:
        kind = info.data.get("kind")
        if kind in ("sqlite", "postgresql") and value is not None:
            raise unused('store.kind is "influx"')
        if kind == "influx" and value is None and info.field_name in ("url", "bucket"):
            raise expected("text")
        return value


class BackupConfig(Setting):
    """Where backups of the site go, and how many stay. The folder may be away: a stick, a disk of another machine."""

    dir: PathFromFile | None = None
    keep: int = Field(14, ge=1, le=1000)


class PagesConfig(Setting):
    """Where the pages are served, by which names they may be asked for beside the machine's own, and who encrypts them.

    `address` is what links in messages and calendars begin with; `proxy` the one web server in front, if any, whose
    word on who asks is taken. Without `cert_file` the certificate is one made here. `settings` is the file of what the
    pages may change; it need not be there yet. `tour` is for a demo, whose pages have one.
    """

    host: Text = "127.0.0.1"
    port: Port = 8420
    allowed_hosts: HostNames = ()
    address: BaseAddress | None = None
    proxy: IpAddress | None = None
    cert_file: SecretFile | None = None
    key_file: SecretFile | None = None
    settings: PathFromFile | None = None
    tour: bool = False

    @field_validator("key_file")
    @classmethod
    def _with_its_certificate(cls, path: Path | None, info: ValidationInfo) -> Path | None:
        if (info.data.get("cert_file", ...) is None) != (path is None):
            raise expected("it beside its fellow", key="key_file" if path is None else "cert_file")
        return path

    @property
    def is_encrypted(self) -> bool:
        """Whether they are served encrypted: where others than this machine, or a proxy, reach them."""
        return self.cert_file is not None or (not is_loopback(self.host) and self.proxy is None)

    @property
    def all_by_proxy_here(self) -> bool:
        """Whether a web server in front runs on this machine: then nobody can be told from who comes through it."""
        return self.proxy is not None and is_loopback(self.proxy)

    @property
    def names(self) -> frozenset[str]:
        """Names of the settings by which the pages may be asked for."""
        told = None if self.address is None else urlsplit(self.address).hostname
        return frozenset(self.allowed_hosts) | (frozenset() if told is None else {told})


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
    """Where alert events go: all of them to machines, messages by the policy to the people in `addresses_file`.

    To the address `heartbeat` goes a sign of life each `heartbeat_min` minutes.
    """

    log: bool = True
    webhook_secret_file: SecretFile | None = None
    webhook: WebAddress | None = None
    mqtt: bool = False
    heartbeat: WebAddress | None = None
    heartbeat_min: float = Field(5.0, ge=1.0, le=1440.0)
    addresses_file: SecretFile | None = None

    @field_validator("webhook")
    @classmethod
    def _for_the_secret(cls, address: str | None, info: ValidationInfo) -> str | None:
        if address is None and info.data.get("webhook_secret_file", ...) is not None:
            raise expected("an address to go with notify.webhook_secret_file")
        return address
