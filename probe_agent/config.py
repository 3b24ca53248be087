"""The agent's configuration: one TOML file into frozen dataclasses, with every fault in one run.

It reads the TOML and the probe descriptions it names, and looks whether secret files can be read; it opens no port and
no connection, and it never holds a secret: those are read by path when they are used.
"""

from __future__ import annotations

import os.path
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from hardware.modbus import MAX_ADDRESS
from hardware.probe import (
    BY_MESSAGE,
    FRAMES,
    MAX_MISSING,
    MISSING_BOUND,
    OWN_MODELS,
    PROTOCOLS,
    ProbeDescription,
    ProbeFault,
    as_sent,
    load_probe,
)
from hardware.reading import MAX_BATCH, is_slug
from hardware.sdi12 import UNCHANGED, AdapterText
from hardware.service_unit import CREDENTIALS, secret_file
from hardware.table_check import NotToml, TableCheck, parse_toml
from hardware.uplink import is_device, is_topic_pattern
from probe_agent.clock import environment
from probe_agent.schedule import Cadence, is_grid

BAUDS = (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
DEFAULT_BAUD = {"sdi12": 1200, "modbus": 9600, "cone": 9600}
BREAKS = ("host", "adapter", "none")
LINE_ENDS = {"crlf": b"\r\n", "lf": b"\n", "cr": b"\r"}
MAX_SETTLE_S = 10.0
MAX_REPLY_EXTRA_S = 10.0
MAX_PROMPT_CHARS = 16
_REPLY_TEXT = re.compile(r"[0-9A-Za-z+.-]+")
SPOKEN_WITH = {
    "break": ("sdi12",), "reply_extra_s": ("sdi12", "modbus"), "prompt": ("sdi12",), "line_end": ("sdi12",),
}  # fmt: skip
"""Keys of a line that only some protocols have."""
DEFAULT_FRAME = {"sdi12": "7E1", "modbus": "8N1", "cone": "8N1"}
BROKER_KEYS = "host port username password_file ca_file cert_file key_file plain_password"
UPLINK_KEYS = ("topic", "broker")
DEFAULT_ADDRESS = {
    "modbus": "1",
    BY_MESSAGE: None,
}  # "0" elsewhere, as most devices of either come: common practice, no source
CONE_INTERVAL_S = 60  # how often a cone's dock is asked for strokes where the probe does not say
MAX_LINES = 32
MAX_PROBES = 128


class AgentConfigFault(ValueError):
    """A configuration that cannot be used. `faults` lists every one as `file: key: found X, expected Y`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


@dataclass(frozen=True, slots=True)
class AgentBroker:
    """Where readings go. Files are read each time a connection is made, so that they can be changed under way."""

    host: str
    port: int
    username: str | None
    password_file: Path | None
    ca_file: Path | None
    cert_file: Path | None
    key_file: Path | None
    receipt_timeout_s: float
    batches_in_flight: int
    plain_password: bool  # may go to another machine unencrypted

    @property
    def is_encrypted(self) -> bool:
        """Whether the connection is: an authority or a certificate of one's own turns it on."""
        return self.ca_file is not None or self.cert_file is not None

    @property
    def secrets(self) -> tuple[Path, ...]:
        """The files that nobody else may read."""
        return tuple(file for file in (self.password_file, self.key_file) if file is not None)


@dataclass(frozen=True, slots=True)
class OutboxConfig:
    """How much is kept and sent at once."""

    max_mb: float
    keep_days: float
    batch: int


@dataclass(frozen=True, slots=True)
class SupplyConfig:
    """Where the supply of the node is told: a file with a number, and the volts for each unit of it."""

    file: Path | None
    scale: float


@dataclass(frozen=True, slots=True)
class LineConfig:
    """One serial line, and what its adapter does to what is spoken on it.

    Attributes
    ----------
    name, port, protocol : str
    baud : int
    frame : str
        Data bits, parity, stop bits.
    break_by : str
        Who holds the line for a break: `host`, through the port; `adapter`, by itself before each command, and then it
        sends at SDI-12's own pace; `none`, nobody, for adapters and sensors that need none.
    settle_s : float
        Wait after opening, for an adapter that starts anew then. [s]
    reply_extra_s : float
        What the adapter adds to the time of a reply. [s]
    adapter : AdapterText
    """

    name: str
    port: str
    protocol: str
    baud: int
    frame: str
    break_by: str = "host"
    settle_s: float = 0.0
    reply_extra_s: float = 0.0
    adapter: AdapterText = UNCHANGED


@dataclass(frozen=True, slots=True)
class UplinkLineConfig:
    """One line of radio nodes: what is subscribed to at which broker."""

    name: str
    topic: str
    broker: AgentBroker


@dataclass(frozen=True, slots=True)
class ProbeConfig:
    """One probe on a line."""

    name: str
    station: str
    line: str
    address: str
    cadence: Cadence
    description: ProbeDescription

    @property
    def id(self) -> str:
        """`station/probe`, unique in a site."""
        return f"{self.station}/{self.name}"


@dataclass(frozen=True, slots=True)
class AgentConfig:
    """Everything the agent is told."""

    site: str
    node: str
    state_dir: Path
    clock_follow: Path | None
    trust_hardware_clock: bool
    lockstep_backlog: int
    broker: AgentBroker
    outbox: OutboxConfig
    supply: SupplyConfig
    lines: tuple[LineConfig, ...]
    probes: tuple[ProbeConfig, ...]
    model_dir: Path | None = None  # of the owner's own descriptions
    uplink_lines: tuple[UplinkLineConfig, ...] = ()

    @property
    def brokers(self) -> tuple[AgentBroker, ...]:
        """That of the pipeline, and those of lines that have another."""
        return tuple(dict.fromkeys((self.broker, *(line.broker for line in self.uplink_lines))))


def load(path: Path, *, least_probes: int = 1) -> AgentConfig:
    """The configuration in a TOML file; relative paths in it are relative to the file.

    Parameters
    ----------
    least_probes : int
        Fewest probes it must have; 0 while a node is set up and its sensors are still looked for.

    Raises
    ------
    AgentConfigFault
        With every fault found.
    """
    try:
        table = parse_toml(path.read_text(encoding="utf-8"))
    except OSError as err:
        raise AgentConfigFault([f"{path}: found {err.strerror or err}, expected a TOML file that can be read"]) from err
    except (NotToml, UnicodeDecodeError) as err:
        raise AgentConfigFault([f"{path}: found text that is not TOML ({err}), expected TOML"]) from err
    check = _AgentCheck(path)
    config = _parse(
        check,
        check.keys(table, "", ["agent", "clock", "broker", "schedule", "outbox", "supply", "line", "probe"]),
        least_probes,
    )
    if check.faults:
        raise AgentConfigFault(check.faults)
    return config


def _parse(check: _AgentCheck, table: Mapping[str, object], least_probes: int) -> AgentConfig:
    agent = check.table(table, "agent", "site node state_dir model_dir")
    clock = check.table(table, "clock", "follow trust_hardware lockstep_backlog")
    outbox = check.table(table, "outbox", "max_mb keep_days batch")
    supply = check.table(table, "supply", "file scale")
    model_dir = check.directory(agent, "agent.", "model_dir")
    if "model_dir" not in agent and OWN_MODELS.is_dir():
        model_dir = OWN_MODELS
    cadence = _cadence(check, check.table(table, "schedule", "interval_s rain_interval_s rain_hold_s"))
    broker = _broker(check, table)
    lines, uplink_lines = _lines(check, table, broker)
    return AgentConfig(
        site=check.slug(agent, "agent.", "site"),
        node=check.slug(agent, "agent.", "node"),
        state_dir=check.path(agent, "agent.", "state_dir", required=True) or Path(),
        clock_follow=check.path(clock, "clock.", "follow"),
        trust_hardware_clock=check.flag(clock, "clock.", "trust_hardware"),
        lockstep_backlog=check.whole(clock, "clock.", "lockstep_backlog", 2000, 1, 1_000_000),
        broker=broker,
        outbox=OutboxConfig(
            check.number(outbox, "outbox.", "max_mb", 64.0, 4.0, 4096.0),
            check.number(outbox, "outbox.", "keep_days", 14.0, 0.0, 3650.0),
            check.whole(outbox, "outbox.", "batch", 500, 1, MAX_BATCH),
        ),
        supply=SupplyConfig(
            check.path(supply, "supply.", "file"), check.number(supply, "supply.", "scale", 1e-6, 1e-9, 1000.0)
        ),
        lines=lines,
        probes=_probes(check, table, (*lines, *uplink_lines), cadence, model_dir, least_probes),
        model_dir=model_dir,
        uplink_lines=uplink_lines,
    )


def _broker(check: _AgentCheck, table: Mapping[str, object]) -> AgentBroker:
    known = f"{BROKER_KEYS} receipt_timeout_s batches_in_flight"
    return _broker_of(check, check.table(table, "broker", known), "broker.")


def _broker_of(check: _AgentCheck, broker: Mapping[str, object], at: str) -> AgentBroker:
    files = {key: check.readable(broker, at, key) for key in ("password_file", "ca_file", "cert_file", "key_file")}
    if "password_file" in broker and "username" not in broker:
        check.fault(f"{at}username", "none", "a user name beside password_file")
    if ("cert_file" in broker) != ("key_file" in broker):
        check.fault(f"{at}cert_file, {at}key_file", "one of them", "both or neither")
    return AgentBroker(
        host=check.text(broker, at, "host", "127.0.0.1"),
        port=check.whole(broker, at, "port", 8883 if "ca_file" in broker else 1883, 1, 65535),
        username=check.text(broker, at, "username", "") or None,
        receipt_timeout_s=check.number(broker, at, "receipt_timeout_s", 30.0, 0.1, 3600.0),
        batches_in_flight=check.whole(broker, at, "batches_in_flight", 8, 1, 64),
        plain_password=check.flag(broker, at, "plain_password"),
        **files,
    )


def _cadence(check: _AgentCheck, schedule: Mapping[str, object]) -> Cadence:
    interval_s = check.grid(schedule, "schedule.", "interval_s", 900)
    return Cadence(
        interval_s,
        check.grid(schedule, "schedule.", "rain_interval_s", min(300, interval_s)),
        check.whole(schedule, "schedule.", "rain_hold_s", 3600, 0, 86400),
    )


def _lines(
    check: _AgentCheck, table: Mapping[str, object], broker: AgentBroker
) -> tuple[tuple[LineConfig, ...], tuple[UplinkLineConfig, ...]]:
    lines: list[LineConfig] = []
    uplinks: list[UplinkLineConfig] = []
    known = f"name port protocol baud frame settle_s {' '.join(SPOKEN_WITH)} {' '.join(UPLINK_KEYS)}"
    for at, entry in check.tables(table, "line", known, MAX_LINES):
        protocol = check.one_of(entry, at, "protocol", PROTOCOLS)
        for key in UPLINK_KEYS if protocol in PROTOCOLS and protocol != BY_MESSAGE else ():
            if key in entry:
                check.fault(f"{at}{key}", entry[key], f"it on a line with {BY_MESSAGE} only")
        if entry.get("name") in {*(one.name for one in lines), *(one.name for one in uplinks)}:
            check.fault(f"{at}name", entry["name"], "a name not used by another line")
        if protocol == BY_MESSAGE:
            uplinks.append(_uplink_line(check, entry, at, broker))
            continue
        line = LineConfig(
            check.slug(entry, at, "name"),
            check.text(entry, at, "port", None),
            protocol,
            check.whole(entry, at, "baud", DEFAULT_BAUD.get(protocol, 9600), 1, 10**6),
            check.one_of(entry, at, "frame", FRAMES, DEFAULT_FRAME.get(protocol, "8N1")),
            check.one_of(entry, at, "break", BREAKS, "host"),
            check.number(entry, at, "settle_s", 0.0, 0.0, MAX_SETTLE_S),
            check.number(entry, at, "reply_extra_s", 0.0, 0.0, MAX_REPLY_EXTRA_S),
            AdapterText(
                _prompt(check, entry, at),
                LINE_ENDS.get(check.one_of(entry, at, "line_end", tuple(LINE_ENDS), "crlf"), b"\r\n"),
            ),
        )
        for key, protocols in SPOKEN_WITH.items():
            if protocol in PROTOCOLS and protocol not in protocols and key in entry:
                check.fault(f"{at}{key}", entry[key], f"it on a line with {' or '.join(protocols)} only")
        if line.baud not in BAUDS:
            hint = " SDI-12 uses 1200." if protocol == "sdi12" else ""
            check.fault(f"{at}baud", line.baud, f"one of {', '.join(map(str, BAUDS))}.{hint}")
        if any(other.port == line.port for other in lines):
            check.fault(f"{at}port", line.port, "a port not used by another line")
        lines.append(line)
    return tuple(lines), tuple(uplinks)


def _uplink_line(check: _AgentCheck, entry: Mapping[str, object], at: str, usual: AgentBroker) -> UplinkLineConfig:
    for key in ("port", "baud", "frame", "settle_s", *SPOKEN_WITH):
        if key in entry:
            check.fault(f"{at}{key}", entry[key], "it on a serial line only; the broker is [line.broker]")
    topic = check.text(entry, at, "topic", None)
    if topic and not is_topic_pattern(topic):
        check.fault(f"{at}topic", topic, "a topic, in which + is a whole level and # the last one")
    broker = entry.get("broker")
    if broker is not None and not isinstance(broker, dict):
        check.fault(f"{at}broker", broker, "a table, [line.broker]")
    known = check.keys(broker, f"{at}broker.", BROKER_KEYS.split()) if isinstance(broker, dict) else None
    own = usual if known is None else _broker_of(check, known, f"{at}broker.")
    return UplinkLineConfig(check.slug(entry, at, "name"), topic, own)


def _prompt(check: _AgentCheck, entry: Mapping[str, object], at: str) -> bytes:
    """The adapter's prompt. One of characters that replies are made of could be the beginning of a reply."""
    prompt = check.text(entry, at, "prompt", "").strip()
    if not prompt:
        return b""
    if (
        len(prompt) > MAX_PROMPT_CHARS
        or not prompt.isascii()
        or not prompt.isprintable()
        or _REPLY_TEXT.fullmatch(prompt)
    ):
        expected = f"1 to {MAX_PROMPT_CHARS} printable characters, one at least beside letters, digits and + - ."
        check.fault(f"{at}prompt", prompt, expected)
        return b""
    return prompt.encode("ascii")


def _probes(
    check: _AgentCheck,
    table: Mapping[str, object],
    lines: tuple[LineConfig | UplinkLineConfig, ...],
    cadence: Cadence,
    model_dir: Path | None,
    least: int,
) -> tuple[ProbeConfig, ...]:
    probes: list[ProbeConfig] = []
    known = "name station model line address interval_s rain_interval_s missing"
    for at, entry in check.tables(table, "probe", known, MAX_PROBES, least):
        description = _description(check, check.text(entry, at, "model", None), f"{at}model", model_dir)
        line_name = check.one_of(entry, at, "line", tuple(line.name for line in lines))
        line = next((line for line in lines if line.name == line_name), None)
        protocol = "sdi12" if line is None else _spoken(line)
        cone = protocol == "cone"
        usual = Cadence(CONE_INTERVAL_S, CONE_INTERVAL_S, 0) if cone else cadence
        interval_s = check.grid(entry, at, "interval_s", usual.interval_s)
        address = _address(check, entry, at, protocol)
        rain_interval_s = check.grid(entry, at, "rain_interval_s", min(usual.rain_interval_s, interval_s))
        name, station = check.slug(entry, at, "name"), check.slug(entry, at, "station")
        missing = check.numbers(entry, at, "missing", -MISSING_BOUND, MISSING_BOUND, MAX_MISSING)
        if description is None or line is None:
            continue
        if description.protocol != protocol:
            check.fault(f"{at}line", f"{line.name}, which speaks {protocol}", f"a line with {description.protocol}")
        try:
            channels = (
                replace(one, missing=(*one.missing, *(as_sent(number, one.place) for number in missing)))
                for one in description.channels
            )
            description = replace(description, channels=tuple(channels))
        except ValueError as err:
            check.fault(f"{at}missing", list(missing), f"numbers that its registers can hold ({err})")
        probe = ProbeConfig(
            name, station, line.name, address, Cadence(interval_s, rain_interval_s, usual.rain_hold_s), description
        )
        if any(other.id == probe.id for other in probes):
            check.fault(f"{at}name", probe.id, "a name not used by another probe of the station")
        if any((other.line, other.address) == (probe.line, probe.address) for other in probes):
            check.fault(f"{at}address", probe.address, f"an address not used by another probe on line {probe.line}")
        probes.append(probe)
    return tuple(probes)


def _spoken(line: LineConfig | UplinkLineConfig) -> str:
    return BY_MESSAGE if isinstance(line, UplinkLineConfig) else line.protocol


def _address(check: _AgentCheck, entry: Mapping[str, object], at: str, protocol: str) -> str:
    """The address of a probe on its line, as that protocol has them; of a radio node the device its messages name."""
    address = check.text(entry, at, "address", DEFAULT_ADDRESS.get(protocol, "0"))
    if protocol == BY_MESSAGE:
        if address and not is_device(address):
            check.fault(f"{at}address", address, "the device as its messages name it: 1 to 36 letters, digits, : . _ -")
        return address
    if protocol == "modbus":
        if re.fullmatch(r"[1-9][0-9]{0,2}", address) is None or int(address) > MAX_ADDRESS:
            check.fault(f"{at}address", address, f'the text of a number from 1 to {MAX_ADDRESS}, such as "17"')
    elif re.fullmatch(r"[0-9A-Za-z]", address) is None:
        check.fault(f"{at}address", address, "one of 0-9, A-Z, a-z")
    return address


def _description(check: _AgentCheck, model: str, key: str, folder: Path | None) -> ProbeDescription | None:
    try:
        return load_probe(model, folder) if model else None
    except ProbeFault as fault:
        check.faults += [f"{check.file}: {key}: {text}" for text in fault.faults]
        return None


class _AgentCheck(TableCheck):
    """What the agent's settings have beside plain values: tables, names, grids and paths."""

    def __init__(self, file: Path) -> None:
        super().__init__(file)
        self._folder = file.absolute().parent

    def table(self, table: Mapping[str, object], name: str, known: str) -> Mapping[str, object]:
        value = table.get(name, {})
        if not isinstance(value, dict):
            self.fault(name, value, f"a table, [{name}]")
            return {}
        return self.keys(value, f"{name}.", known.split())

    def tables(
        self, table: Mapping[str, object], name: str, known: str, most: int, least: int = 1
    ) -> list[tuple[str, Mapping[str, object]]]:
        value = table.get(name, [])
        if (
            not isinstance(value, list)
            or not all(isinstance(v, dict) for v in value)
            or not least <= len(value) <= most
        ):
            found = len(value) if isinstance(value, list) else value
            self.fault(name, found, f"{least} to {most} [[{name}]] tables")
            return []
        entries = [(f"{name}.{v.get('name', i)}.", v) for i, v in enumerate(value)]
        return [(at, self.keys(v, at, known.split())) for at, v in entries]

    def slug(self, table: Mapping[str, object], at: str, key: str) -> str:
        value = self.text(table, at, key, None)
        if value and not is_slug(value):
            self.fault(f"{at}{key}", value, "small letters, digits, - and _, at most 64, a letter or digit first")
        return value

    def grid(self, table: Mapping[str, object], at: str, key: str, default: int) -> int:
        value = table.get(key, default)
        if type(value) is not int or not is_grid(value):
            self.fault(f"{at}{key}", value, "whole seconds that divide the hour, or whole hours that divide the day")
            return default
        return value

    def path(self, table: Mapping[str, object], at: str, key: str, *, required: bool = False) -> Path | None:
        if key not in table and not required:
            return None
        value = self.text(table, at, key, None)
        return Path(os.path.normpath(self._folder / value)) if value else None

    def directory(self, table: Mapping[str, object], at: str, key: str) -> Path | None:
        path = self.path(table, at, key)
        if path is not None and not path.is_dir():
            self.fault(f"{at}{key}", str(path), "a folder that is there")
            return None
        return path

    def readable(self, table: Mapping[str, object], at: str, key: str) -> Path | None:
        path = self.path(table, at, key)
        if path is not None:
            path = secret_file(path, environment(CREDENTIALS))
            try:
                with path.open("rb"):
                    pass
            except OSError as err:
                self.fault(f"{at}{key}", f"{path}: {err.strerror}", "a file this user can read")
        return path
