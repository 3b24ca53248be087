"""The far end of a line: SDI-12 sensors or Modbus devices that share a bus, and the faults of their wire.

Bytes from the agent and the time go in; bytes to send, each with a delay, come out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from random import Random
from typing import Protocol

from hardware.modbus import RegisterDevice
from hardware.sdi12_frame import Identification
from hardware.sdi12_sensor import Group, Sensor
from simulator.faults import Sent, with_line_faults
from simulator.probes import VirtualProbe

SDI12_VERSION = "13"
VENDOR = "VIRTUAL"
SENSOR_VERSION = "1"
LIVE_READY_S = 1  # announced time to measure when time runs; none in lock-step, where only the history's length counts


class FarEnd(Protocol):
    """What hangs on a line: SDI-12 sensors, Modbus devices, or a penetrometer in its dock."""

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes from the agent. `now_s`: any steady clock. [s]"""
        ...

    def take_time(self) -> None:
        """From now on answer no faster than a real device; until then, in lock-step, at once."""
        ...

    def due_s(self) -> float | None:
        """Return when `send` next has something, on that clock. [s]"""
        ...

    def send(self, now_s: float) -> list[Sent]:
        """Return what is to go out by now."""
        ...


class Sdi12Bus:
    """Sensors on one bus.

    Parameters
    ----------
    probes : mapping of address to VirtualProbe
    now_ms : callable
        Simulated time, at which the probes are read. [ms since 1970, UTC]
    shares : mapping of kind to share
        Line faults, see `simulator.faults`.
    seed : int or str
        Of the line's faults.
    """

    def __init__(
        self,
        probes: Mapping[str, VirtualProbe],
        now_ms: Callable[[], int],
        *,
        shares: Mapping[str, float] | None = None,
        seed: int | str = 0,
    ) -> None:
        self._probes = dict(probes)
        self._now_ms = now_ms
        self._shares = dict(shares or {})
        self._random = Random(f"line/{seed}")
        self._at_once = True
        self._sensors = [(probe, _sensor(a, probe, now_ms, 0)) for a, probe in self._probes.items()]

    def take_time(self) -> None:
        """End the lock-step: from now on sensors start their replies and measure as slowly as real ones."""
        self._at_once = False
        self._sensors = [(p, _sensor(a, p, self._now_ms, LIVE_READY_S)) for a, p in self._probes.items()]

    def receive(self, data: bytes, now_s: float) -> None:
        """Pass bytes from the agent to every sensor that still answers."""
        at_ms = self._now_ms()
        for probe, sensor in self._sensors:
            if probe.alive(at_ms):
                sensor.receive(data, now_s)

    def due_s(self) -> float | None:
        """Return when the next sensor replies. [s]"""
        return min((due for _, sensor in self._sensors if (due := sensor.due_s) is not None), default=None)

    def send(self, now_s: float) -> list[Sent]:
        """Return replies that are due, with the faults of the line."""
        out: list[Sent] = []
        for _, sensor in self._sensors:
            due = sensor.due_s
            if due is None or (due > now_s and not self._at_once):
                continue
            reply = sensor.send(max(now_s, due))
            if reply:
                out += with_line_faults(reply, self._shares, self._random)
        return out


class ModbusBus:
    """Modbus devices on one bus.

    Parameters
    ----------
    probes : mapping of address to VirtualProbe
        The address as text, 1 to 247.
    now_ms : callable
        Simulated time, at which the probes are read. [ms since 1970, UTC]
    baud : int
    shares : mapping of kind to share
        Line faults, see `simulator.faults`.
    seed : int or str
        Of the line's faults.
    """

    def __init__(
        self,
        probes: Mapping[str, VirtualProbe],
        now_ms: Callable[[], int],
        *,
        baud: int = 9600,
        shares: Mapping[str, float] | None = None,
        seed: int | str = 0,
    ) -> None:
        self._now_ms = now_ms
        self._shares = dict(shares or {})
        self._random = Random(f"line/{seed}")
        self._at_once = True
        self._devices = [(probe, _device(a, probe, now_ms, baud)) for a, probe in probes.items()]

    def take_time(self) -> None:
        """End the lock-step: from now on a device answers after the silence that ends a request."""
        self._at_once = False

    def receive(self, data: bytes, now_s: float) -> None:
        """Pass bytes from the agent to every device that still answers."""
        at_ms = self._now_ms()
        for probe, device in self._devices:
            if probe.alive(at_ms):
                device.receive(data, now_s)

    def due_s(self) -> float | None:
        """Return when the next device replies. [s]"""
        return min((due for _, device in self._devices if (due := device.due_s) is not None), default=None)

    def send(self, now_s: float) -> list[Sent]:
        """Return replies that are due, with the faults of the line."""
        out: list[Sent] = []
        for _, device in self._devices:
            due = device.due_s
            if due is None or (due > now_s and not self._at_once):
                continue
            reply = device.send(max(now_s, due))
            if reply:
                out += with_line_faults(reply, self._shares, self._random, data_bits=8)
        return out


def _device(address: str, probe: VirtualProbe, now_ms: Callable[[], int], baud: int) -> RegisterDevice:
    """The device role for one probe."""
    return RegisterDevice(int(address), lambda table: probe.registers(table, now_ms()), baud=baud)


def _sensor(address: str, probe: VirtualProbe, now_ms: Callable[[], int], ready_in_s: int) -> Sensor:
    """The sensor role for one probe; M and C groups as its description has them."""

    def group(command: str) -> Group:
        count = len(probe.answer(command, now_ms()))
        return Group(count, lambda: probe.answer(command, now_ms()), ready_in_s, takes_s=ready_in_s / 2)

    commands = probe.description.commands
    model = probe.description.model.replace("_", "")[:6].upper()
    return Sensor(
        Identification(address, SDI12_VERSION, VENDOR, model, SENSOR_VERSION, probe.name[:13]),
        {int(c[1:] or 0): group(c) for c in commands if c[0] == "M"},
        concurrent={int(c[1:] or 0): group(c) for c in commands if c[0] == "C"},
    )
