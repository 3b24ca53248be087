"""`underturf-agent doctor`: what around the agent keeps readings from being taken or sent, each with what to do."""

from __future__ import annotations

import glob
import grp
import ipaddress
import os
import shutil
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from hardware.machine_clock import EARLIEST_SET_MS
from probe_agent.clock import Clock
from probe_agent.config import AgentConfig, LineConfig
from probe_agent.control import is_answering
from probe_agent.publisher import try_broker

PORTS = ("/dev/serial/by-id/*", "/dev/ttyUSB*", "/dev/ttyACM*", "/dev/ttyAMA*")
BROKER_WITHIN_S = 5.0
LOG_SHARE = 1.25  # the outbox's write-ahead log adds an eighth, a copy set aside the rest
UNIT = Path("/etc/systemd/system/underturf-agent.service")


@dataclass(frozen=True, slots=True)
class Examined:
    """One thing looked at; `good` is None for what is only to be known."""

    subject: str
    good: bool | None
    text: str


def examine(config: AgentConfig, clock: Clock) -> Iterator[Examined]:
    """Look at ports, clock, broker, password, disk, agent and unit. Nothing is changed but one connection made."""
    runs = is_answering(config.state_dir)
    yield Examined("agent", None, "runs" if runs else "does not run")
    for line in config.lines:
        yield _port(line)
    yield _clock(config, clock)
    yield _password(config)
    refused = try_broker(config, within_s=BROKER_WITHIN_S)
    where = f"{config.broker.host}:{config.broker.port}"
    yield Examined("broker", refused is None, f"{where} takes this node" if refused is None else f"{where}: {refused}")
    yield _disk(config)
    told = (
        f"{UNIT} is there" if UNIT.exists() else f"{UNIT}: none; hardware/systemd has one, to start it with the machine"
    )
    yield Examined("unit", None, told)


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
    if note.now_ms < EARLIEST_SET_MS:
        return Examined("clock", False, "never set since power came; readings are marked until the time is known")
    hint = "" if config.trust_hardware_clock else "; with a battery-backed clock set [clock] trust_hardware = true"
    told = "no time service keeps it, and nobody has given the time: readings are used and marked as not confirmed"
    return Examined("clock", False, f"{told}{hint}")


def _password(config: AgentConfig) -> Examined:
    broker = config.broker
    if broker.username is None:
        return Examined("password", None, "none is used")
    if broker.ca_file is None and not _is_here(broker.host):
        return Examined("password", False, f"goes to {broker.host} unencrypted: give [broker] ca_file")
    return Examined("password", True, "stays on this machine or is encrypted")


def _is_here(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost" or host == socket.gethostname()


def _disk(config: AgentConfig) -> Examined:
    folder = config.state_dir
    while not folder.is_dir() and folder != folder.parent:
        folder = folder.parent
    if not os.access(folder, os.W_OK):
        return Examined("disk", False, f"{folder}: this user may not write there; the outbox needs it")
    free_mb = shutil.disk_usage(folder).free / 2**20
    needed_mb = LOG_SHARE * config.outbox.max_mb
    good = free_mb >= needed_mb
    told = "" if good else "; free some, or make [outbox] max_mb smaller"
    return Examined("disk", good, f"{folder}: {free_mb:.0f} MB free, a full outbox takes {needed_mb:.0f} MB{told}")
