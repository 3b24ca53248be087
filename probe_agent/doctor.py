"""`underturf-agent doctor`: what around the agent keeps readings from being taken or sent, each with what to do."""

from __future__ import annotations

import contextlib
import glob
import grp
import ipaddress
import os
import shutil
import socket
import subprocess
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from hardware.service_unit import ONCE_TIMER
from probe_agent.clock import Clock
from probe_agent.config import AgentBroker, AgentConfig, LineConfig
from probe_agent.control import is_answering, unknown_by_server
from probe_agent.faults import AgentFault
from probe_agent.mqtt import try_broker
from probe_agent.outbox import FILE_NAME, Peek, peek, time_doubt

PORTS = ("/dev/serial/by-id/*", "/dev/ttyUSB*", "/dev/ttyACM*", "/dev/ttyAMA*")
BROKER_WITHIN_S = 5.0
SET_ASIDE = "outbox-damaged-*"
LOG_SHARE = 1.25  # the outbox's write-ahead log adds an eighth, a copy set aside the rest
SYSTEMCTL_WITHIN_S = 10.0
AGENT_UNITS = ("underturf-agent.service", ONCE_TIMER)
UNIT_FOLDERS = ("/etc", "/run", "/usr/local/lib", "/usr/lib", "/lib")  # systemd.unit(5): systemd/system below each
UNIT_PROPERTIES = "LoadState,ActiveState,SubState,UnitFileState,FragmentPath"


@dataclass(frozen=True, slots=True)
class Examined:
    """One thing looked at; `good` is None for what is only to be known."""

    subject: str
    good: bool | None
    text: str


def examine(config: AgentConfig, clock: Clock) -> Iterator[Examined]:
    """Look at agent, ports, clock, broker, names, disk and unit. Nothing is changed but one connection made."""
    runs = is_answering(config.state_dir)
    yield Examined("agent", None, "runs" if runs else "does not run")
    for line in config.lines:
        yield _port(line)
    yield _clock(config, clock)
    yield from map(examined_password, config.brokers)
    yield from examined_users(config)
    yield from examined_supply(config)
    refused = try_broker(config, within_s=BROKER_WITHIN_S)
    where = f"{config.broker.host}:{config.broker.port}"
    yield Examined("broker", refused is None, f"{where} takes this node" if refused is None else f"{where}: {refused}")
    for uplink in config.uplink_lines:
        own = uplink.broker
        refused = try_broker(config, within_s=BROKER_WITHIN_S, broker=own)
        where = f"{own.host}:{own.port}"
        told = f"{where} takes this node" if refused is None else f"{where}: {refused}"
        yield Examined(f"line {uplink.name}", refused is None, told)
    if runs:
        yield _names(config)
    yield _disk(config)
    yield from _units()


def ports() -> list[str]:
    """Return the serial ports of this machine, steady names first."""
    return [name for pattern in PORTS for name in sorted(glob.glob(pattern))]


def _port(line: LineConfig) -> Examined:
    subject = f"line {line.name}"
    if not os.path.exists(line.port):
        others = ", ".join(ports()) or "none"
        return Examined(subject, False, f"{line.port}: no such port. Is the adapter plugged in? Ports here: {others}")
    if not os.access(line.port, os.R_OK | os.W_OK):
        number = os.stat(line.port).st_gid
        try:
            group = grp.getgrgid(number).gr_name
        except KeyError:
            group = str(number)
        return Examined(subject, False, f"{line.port}: no leave to open it; add this user to the group {group}")
    return Examined(subject, True, f"{line.port} can be opened")


def _clock(config: AgentConfig, clock: Clock) -> Examined:
    note = clock.note()
    if note.ok:
        return Examined("clock", True, f"set by {note.by}" if note.by else "set")
    seen: Peek | None = None
    with contextlib.suppress(FileNotFoundError, AgentFault):
        seen = peek(config.state_dir)
    hint = "" if config.trust_hardware_clock else ", or with a battery-backed clock set [clock] trust_hardware = true"
    return Examined("clock", False, f"{time_doubt(note, seen)}. Give the time on the page of the probes{hint}")


def _names(config: AgentConfig) -> Examined:
    """Whether the server knows the channels that this node sends, as it told the agent."""
    try:
        unknown = unknown_by_server(config.state_dir)
    except AgentFault as fault:
        return Examined("channels", None, f"the running agent does not say what the server knows ({fault})")
    if unknown is None:
        return Examined(
            "channels",
            None,
            f"the server has told the agent nothing yet: does it run on this broker, with the site {config.site}?",
        )
    if not unknown:
        return Examined("channels", True, "the server knows all that it has received")
    names = ", ".join(unknown)
    return Examined(
        "channels", False, f"the server does not know {names}: name their station and probe alike in both files"
    )


def examined_password(broker: AgentBroker) -> Examined:
    """Look whether the password goes out as plain text."""
    if broker.username is None:
        return Examined("password", None, "none is used")
    if not broker.is_encrypted and not _is_here(broker.host):
        goes = f"goes to {broker.host} unencrypted"
        if broker.plain_password:
            return Examined("password", None, f"{goes}, as plain_password has it")
        return Examined("password", False, f"{goes}: give its ca_file, or plain_password = true on your own wire")
    return Examined("password", True, "stays on this machine or is encrypted")


def examined_users(config: AgentConfig) -> Iterator[Examined]:
    """Name each line of radio nodes that connects to a broker as the same user as another connection of this node.

    The broker that `underturf broker` sets up lets a user connect once at a time: the two would push each other off.
    """
    taken = {(config.broker.host, config.broker.port, config.broker.username): "[broker]"}
    for line in config.uplink_lines:
        own = line.broker
        other = taken.setdefault((own.host, own.port, own.username), f"line {line.name}")
        if own.username is not None and other != f"line {line.name}":
            text = (
                f"is user {own.username} at {own.host}:{own.port}, as {other} is; a broker that takes a user once, as "
                "that of `underturf broker` does, lets them push each other off: give the line a user of its own in "
                "[line.broker]; on its server it is made by "
                f"`underturf node add {config.node}-{line.name} --reads '{line.topic}'`"
            )
            yield Examined(f"line {line.name}", None, text)


def examined_supply(config: AgentConfig) -> Iterator[Examined]:
    """Name the file of the supply where it cannot be read; the supply is not told meanwhile."""
    file = config.supply.file
    if file is None:
        return
    try:
        with file.open("rb"):
            pass
    except OSError as err:
        yield Examined("supply", False, f"[supply] file {file}: {err.strerror}; the supply is not told meanwhile")


def _is_here(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost" or host == socket.gethostname()


def _disk(config: AgentConfig) -> Examined:
    folder = config.state_dir
    try:
        while not folder.is_dir() and folder != folder.parent:
            folder = folder.parent
    except PermissionError as err:
        told = f"{config.state_dir}: found {err.strerror}, expected leave to look into it; try as root"
        return Examined("disk", None, told)
    if not os.access(folder, os.W_OK):
        return Examined("disk", False, f"{folder}: this user may not write there; the outbox needs it")
    free_mb = shutil.disk_usage(folder).free / 2**20
    held_mb, aside_mb = _held_mb(config.state_dir, f"{FILE_NAME}*"), _held_mb(config.state_dir, SET_ASIDE)
    needed_mb = max(0.0, LOG_SHARE * config.outbox.max_mb - held_mb)
    good = free_mb >= needed_mb
    told = "" if good else "; free some, or make [outbox] max_mb smaller"
    told += f"; {SET_ASIDE} take {aside_mb:.0f} MB: look at them, then remove them" if aside_mb else ""
    return Examined("disk", good, f"{folder}: {free_mb:.0f} MB free, a full outbox takes {needed_mb:.0f} MB more{told}")


def _held_mb(folder: Path, pattern: str) -> float:
    """Room that files of a folder take. [MB]"""
    held = 0
    for file in folder.glob(pattern):
        with contextlib.suppress(OSError):  # gone meanwhile
            held += file.stat().st_size
    return held / 2**20


def _units() -> Iterator[Examined]:
    """Whether the agent is a service, where its unit is, and whether that runs."""
    found = [(unit, state) for unit in AGENT_UNITS if (state := unit_state(unit)) is not None]
    if not found:
        text = "none is installed; `underturf-agent install-service` prints what it would do, to start with the machine"
        yield Examined("unit", None, text)
    for unit, state in found:
        # service and timer exclude each other: where one is switched on the other is not advised
        others = [other for name, other in found if name != unit]
        advise = all(other.get("UnitFileState") != "enabled" for other in others)
        yield Examined("unit", *told_of_unit(unit, state, advise=advise))


def unit_state(unit: str, *, root: Path = Path("/")) -> dict[str, str] | None:
    """Return what systemd says of a unit, by `UNIT_PROPERTIES`; None where there is no such unit.

    Where systemd is not the init, only the path is known.
    """
    command = ("systemctl", "show", "--no-pager", f"--property={UNIT_PROPERTIES}", unit)
    with contextlib.suppress(OSError, subprocess.SubprocessError):
        done = subprocess.run(command, capture_output=True, text=True, timeout=SYSTEMCTL_WITHIN_S, check=True)
        state = dict(line.split("=", 1) for line in done.stdout.splitlines() if "=" in line)
        if state.get("LoadState") == "not-found":
            return None
        if state.get("FragmentPath"):
            return state
    paths = (root / folder.lstrip("/") / "systemd/system" / unit for folder in UNIT_FOLDERS)
    path = next((path for path in paths if path.exists()), None)
    return None if path is None else {"FragmentPath": str(path)}


def told_of_unit(unit: str, state: Mapping[str, str], *, advise: bool = True) -> tuple[bool | None, str]:
    """Return whether a unit does its work, and that in words."""
    path = state["FragmentPath"]
    if "ActiveState" not in state:
        return None, f"{path} is installed; whether it runs is not known: systemd does not answer here"
    how = f"{path}: {state['ActiveState']} ({state.get('SubState', '')}), {state.get('UnitFileState') or 'not enabled'}"
    if state.get("LoadState") != "loaded":
        return False, f"{how}: systemd says {state.get('LoadState')}; `systemd-analyze verify {path}` says why"
    if state["ActiveState"] == "failed" or state.get("SubState") == "auto-restart":
        return False, f"{how}; `journalctl -u {unit}` says why"
    if state["ActiveState"] == "active" and state.get("UnitFileState") == "enabled":
        return True, how
    if not advise:
        return None, how
    return None, f"{how}; `systemctl enable --now {unit}` starts it, now and with the machine"
