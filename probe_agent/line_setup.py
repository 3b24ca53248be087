"""`underturf-agent setup`: how the adapter at a port is to be spoken to, found by trying, as a line for agent.toml; and
the probes that `scan` adds to the settings.

Each way (speed, frame, who makes the break) is tried with the address query of SDI-12, which any one sensor answers.
What comes back shows the prompt and the line ends of the adapter; a way counts once a reply was understood twice. Of a
Modbus line speed and frame are tried with the first register of a device, which it has or refuses.
"""

from __future__ import annotations

import itertools
import json
import re
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from hardware.frame import BadFrame, shown
from hardware.probe import OWN_MODELS, load_probe
from hardware.reading import is_slug
from hardware.sdi12 import UNCHANGED, AdapterText
from hardware.sdi12_frame import END, Acknowledge, Command, CommandKind
from hardware.table_check import NotToml, parse_toml
from probe_agent.clock import Clock
from probe_agent.config import DEFAULT_BAUD, DEFAULT_FRAME, LINE_ENDS, AgentConfig, LineConfig
from probe_agent.line import LineAway, SerialLine
from probe_agent.sampler import LATE_REPLY_S, ask
from probe_agent.scan import scan_devices

WAYS = tuple(
    (baud, frame, break_by, settle_s)
    for settle_s in (0.0, 3.0)  # an adapter that starts anew when opened takes a second or two: common practice
    for baud, frame in ((1200, "7E1"), (9600, "8N1"), (1200, "8N1"))
    for break_by in ("host", "adapter")
)
DEVICE_WAYS = (
    (9600, "8N1"), (19200, "8E1"), (9600, "8E1"), (19200, "8N1"), (4800, "8N1"), (4800, "8E1"), (9600, "8N2"),
    (19200, "8N2"), (2400, "8N1"), (38400, "8N1"), (57600, "8N1"), (115200, "8N1"),
)  # fmt: skip
"""Speeds and frames of Modbus devices: the standard's own, 19200 8E1, and what they come with (common practice)."""
LINE_NAMES = ("north", "south", "east", "west")
QUERY = Command("?", CommandKind.ACKNOWLEDGE)
PROVEN = 2  # replies understood in a row
LOOKS = 4  # a prompt that comes after a reply shows before the next

Say = Callable[[str], None]


def find_way(name: str, port: str, clock: Clock, stop: threading.Event, say: Say) -> LineConfig | None:
    """Try each way to speak to an adapter; return the line for the first in which a sensor is understood, else None.

    Parameters
    ----------
    name, port : str
        Of the line.
    say : callable
        Takes what is tried, and the bytes that came and were not understood.
    """
    for baud, frame, break_by, settle_s in WAYS:
        config = LineConfig(name, port, "sdi12", baud, frame, break_by, settle_s)
        settled = f", {settle_s:g} s after opening" if settle_s else ""
        say(f"{port}: {baud} {frame}, break by {break_by}{settled}")
        try:
            found = _understood(config, clock, stop, say)
        except LineAway as away:
            say(f"  {away}")
            continue
        if found is not None:
            return found
    return None


def find_device_way(
    name: str, port: str, address: str, clock: Clock, stop: threading.Event, say: Say
) -> LineConfig | None:
    """Try each speed and frame; return the line for the first in which the Modbus device at an address answers.

    Parameters are as of `find_way`; `address` is a text from 1 to 247.
    """
    for baud, frame in DEVICE_WAYS:
        config = LineConfig(name, port, "modbus", baud, frame)
        say(f"{port}: {baud} {frame}, device {address}")
        line = SerialLine(config, monotonic=clock.monotonic, back_off=False)
        try:
            found = [trouble for _ in range(PROVEN) for _, trouble in scan_devices(line, clock, stop, (address,))]
        except LineAway as away:
            say(f"  {away}")
            continue
        finally:
            line.close()
        for trouble in filter(None, found):
            say(f"  {trouble}")
        if found == [None] * PROVEN:
            return config
    return None


def _understood(config: LineConfig, clock: Clock, stop: threading.Event, say: Say) -> LineConfig | None:
    good = 0
    line = SerialLine(config, monotonic=clock.monotonic, back_off=False)
    try:
        for _ in range(LOOKS):
            try:
                reply = ask(QUERY, line, clock, stop)
            except BadFrame:
                good = 0
                came = _what_comes(line, clock)
                if not came:
                    return None
                say(f"  {len(came)} bytes came: {shown(came)}")
                line.adapter = adapter_of(came) or line.adapter
                continue
            good += isinstance(reply, Acknowledge)
            if good >= PROVEN:
                return replace(config, adapter=line.adapter)
    finally:
        line.close()
    return None


def _what_comes(line: SerialLine, clock: Clock) -> bytes:
    """Return all that comes back to one query."""
    deadline = line.send(QUERY.wire, wake=True) + LATE_REPLY_S
    came = b""
    while clock.monotonic() < deadline:
        came += line.receive(deadline)
    return came


def adapter_of(came: bytes) -> AdapterText | None:
    """Return what an adapter adds to the reply of a query, by the bytes that came; None where they show no reply."""
    text = came.replace(QUERY.wire, b"", 1)
    end = next((end for end in (END, b"\n", b"\r") if end in text), None)
    if end is None:
        return None
    match = re.search(rb"(?:^|[\r\n])[^\x21-\x7e]*([\x21-\x7e]*[^0-9A-Za-z\s])?[ ]*[0-9A-Za-z][\r\n]", text)
    if match is None:
        return None
    return AdapterText(match[1] or b"", end)


def new_settings(host: str, file: Path) -> str:
    """Return the beginning of a new agent.toml: a site, this machine as the node, and where the outbox is kept."""
    node = re.sub(r"[^a-z0-9_-]+", "-", host.lower()).strip("-_")[:64] or "node"
    kept_in = "/var/lib/underturf-agent" if is_of_service(file) else "state"
    return f'[agent]\nsite = "home"\nnode = "{node}"\nstate_dir = "{kept_in}"\n'


def is_of_service(file: Path) -> bool:
    """Return whether a settings file lies where the services have theirs."""
    return file.absolute().is_relative_to("/etc/underturf")


def lines_in(file: Path) -> dict[str, str]:
    """Return port by name of the lines that settings have already; none where there is no file.

    Raises
    ------
    ValueError
        When it is no TOML.
    OSError
    """
    try:
        table = parse_toml(file.read_text(encoding="utf-8")) if file.exists() else {}
    except NotToml as err:
        raise ValueError(f"{file}: found text that is not TOML ({err}), expected the agent's settings") from err
    return {str(one.get("name")): str(one.get("port")) for one in table.get("line", [])}


def name_for(asked: str | None, known: Mapping[str, str]) -> str:
    """Return the name of a new line beside those known, the one asked for or the next that is free.

    Raises ValueError where the one asked for is taken.
    """
    if asked is not None:
        if asked in known:
            raise ValueError(f"--name: found {asked!r}, expected a name not used by another line")
        return asked
    names = itertools.chain(LINE_NAMES, (f"line-{n}" for n in itertools.count(len(LINE_NAMES) + 1)))
    return next(name for name in names if name not in known)


def add_probes(
    config: AgentConfig, file: Path, server: Path | None, model: str, line: str, station: str, addresses: Sequence[str]
) -> list[str]:
    """Add sensors that were found to the agent's settings, and to the server's; return what was done, in words.

    Parameters
    ----------
    config : AgentConfig
        As the agent's settings are now.
    file : Path
        These settings.
    server : Path or None
        The server's, begun where there are none.
    model, line, station : str
        What the sensors are, and where.
    addresses : sequence of str
        On the line.

    Raises
    ------
    ProbeFault
        For a model that there is not.
    ValueError
        For a station that is none, or server settings that are no TOML or have the station above another.
    OSError
    """
    load_probe(model, config.model_dir)
    if not is_slug(station):
        raise ValueError(f"station: found {station!r}, expected small letters, digits, - and _")
    taken = {probe.name for probe in config.probes if probe.station == station}
    names: dict[str, str] = {}
    for a in addresses:
        names[a] = next(n for n in _names(a) if n not in taken)
        taken.add(names[a])
    if not names:
        return ["no sensor is new: nothing was added"]
    ours = [
        f'\n[[probe]]\nname = "{name}"\nstation = "{station}"\nmodel = "{model}"\nline = "{line}"\naddress = "{a}"\n'
        for a, name in names.items()
    ]
    theirs = "".join(f'\n[[surface.station.probe]]\nname = "{name}"\nmodel = "{model}"\n' for name in names.values())
    opening = None if server is None else _server_opening(server, config, station)
    with file.open("a", encoding="utf-8") as out:
        out.write("".join(ours))
    told = [f"{', '.join(names.values())} added to {file}"]
    if server is not None and opening is not None:
        with server.open("a", encoding="utf-8") as out:
            out.write(opening + theirs)
        told.append(f"and to {server}" + (", where kind, soil and titles are yours to set" if opening else ""))
    return told


def _names(address: str) -> Iterator[str]:
    """Names of the sensor at an address, until one is free; of a radio node the end of its name."""
    short = re.sub(r"[^a-z0-9]+", "-", address.lower())[-12:].strip("-")
    name = f"p{short}" if not address.isupper() else f"p-{short}"
    yield name
    yield from (f"{name}-{n}" for n in itertools.count(2))


def _server_opening(file: Path, config: AgentConfig, station: str) -> str:
    """What has to stand in the server's settings before the probes of a station that are added at their end."""
    text = file.read_text(encoding="utf-8") if file.exists() else ""
    try:
        table = parse_toml(text)
    except NotToml as err:
        raise ValueError(f"{file}: found text that is not TOML ({err}), expected the server's settings") from err
    surfaces = table.get("surface", [])
    stations = [one.get("name") for surface in surfaces for one in surface.get("station", [])]
    if stations and stations[-1] == station:
        return ""
    if station in stations:
        raise ValueError(
            f"{file}: found station {station} above others, expected it last: add the probes to it by hand"
        )
    kept_in = "/var/lib/underturf" if is_of_service(file) else "data"
    models = config.model_dir if config.model_dir != OWN_MODELS else None
    begin = "" if "site" in table else f'[site]\nname = "{config.site}"\n'
    begin += "" if "data" in table else f'\n[data]\ndir = "{kept_in}"\n'
    begin += "" if "data" in table or models is None else f"model_dir = {json.dumps(str(models.absolute()))}\n"
    begin += "" if surfaces else '\n[[surface]]\nname = "turf"\ntitle = "Turf"\nkind = "lawn"\n'
    title = station.replace("-", " ").replace("_", " ")
    return f'{begin}\n[[surface.station]]\nname = "{station}"\ntitle = "{title}"\nsoil = "loam"\n'


def uplinks_as_toml(name: str, topic: str, host: str, port: int) -> str:
    """Return a line of radio nodes as a table of agent.toml, with the broker of its network server."""
    line = f'[[line]]\nname = {json.dumps(name)}\nprotocol = "mqtt"\ntopic = {json.dumps(topic)}\n'
    return f"{line}\n[line.broker]\nhost = {json.dumps(host)}\nport = {port}\n"


def as_toml(line: LineConfig) -> str:
    """Return a line as a table of agent.toml: what differs from the defaults, and the frame always."""
    ends = {end: word for word, end in LINE_ENDS.items()}
    keys: dict[str, object] = {
        "name": line.name, "port": line.port, "protocol": line.protocol, "baud": line.baud, "frame": line.frame,
        "break": line.break_by, "settle_s": line.settle_s, "reply_extra_s": line.reply_extra_s,
        "prompt": line.adapter.prompt.decode("ascii"), "line_end": ends[line.adapter.line_end],
    }  # fmt: skip
    usual = {
        "baud": DEFAULT_BAUD[line.protocol], "frame": DEFAULT_FRAME[line.protocol], "break": "host", "settle_s": 0.0,
        "reply_extra_s": 0.0, "prompt": UNCHANGED.prompt.decode("ascii"), "line_end": "crlf",
    }  # fmt: skip
    lines = [f"{key} = {json.dumps(value)}" for key, value in keys.items() if usual.get(key) != value]
    return "\n".join(("[[line]]", *lines)) + "\n"
