"""Finding who is on a line: at which address an SDI-12 sensor or a Modbus device answers, and another address for one
of two SDI-12 sensors alike."""

from __future__ import annotations

import string
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from hardware.frame import BadFrame
from hardware.modbus import MAX_ADDRESS, OF_GATEWAY, ExceptionAnswer, RegisterRequest, RegisterTable
from hardware.reading import Status
from hardware.sdi12_frame import Acknowledge, Command, CommandKind, Identification
from probe_agent.clock import Clock
from probe_agent.line import SerialLine
from probe_agent.modbus_sampler import ask_registers
from probe_agent.sampler import ask

ADDRESSES = string.digits + string.ascii_lowercase + string.ascii_uppercase
DEVICE_ADDRESSES = tuple(str(address) for address in range(1, MAX_ADDRESS + 1))
DEVICE_LATE_S = -0.75  # a device that is there answers in a quarter of its time (common practice, no source)
SCAN_LATE_S = 0.25  # an answer names its address: a late one is not taken for another sensor's


class AddressFault(Exception):
    """An address that cannot be changed; the text says why."""


@dataclass(frozen=True, slots=True)
class ScannedAddress:
    """What answered at an address: who it says it is, or what came that no single sensor says."""

    address: str
    who: Identification | None
    trouble: str | None


def scan(line: SerialLine, clock: Clock, stop: threading.Event, addresses: str) -> Iterator[ScannedAddress]:
    """Ask each address whether somebody is there, and who. Raises LineAway, Stopped."""
    for address in addresses:
        try:
            ask(Command(address, CommandKind.ACKNOWLEDGE), line, clock, stop, late_s=SCAN_LATE_S)
        except BadFrame as bad:
            if bad.status is not Status.SILENT:
                yield ScannedAddress(address, None, bad.reason)
            continue
        try:
            who = ask(Command(address, CommandKind.IDENTIFY), line, clock, stop)
        except BadFrame as bad:
            yield ScannedAddress(address, None, bad.reason)
        else:
            yield ScannedAddress(address, who if isinstance(who, Identification) else None, None)


def change_address(old: str, new: str, line: SerialLine, clock: Clock, stop: threading.Event) -> None:
    """Give a sensor another address, and see that it answers there.

    Raises
    ------
    AddressFault
        When the new one is taken, nobody is at the old one, or the sensor does not answer at the new one.
    LineAway, Stopped
    """
    for address, free in ((new, True), (old, False)):
        try:
            ask(Command(address, CommandKind.ACKNOWLEDGE), line, clock, stop)
            there = True
        except BadFrame as bad:
            there = bad.status is not Status.SILENT
        if there is free:
            found = "somebody" if there else "nobody"
            raise AddressFault(f"address {address}: found {found} there, expected {'it free' if free else 'a sensor'}")
    try:
        ask(Command(old, CommandKind.CHANGE_ADDRESS, new_address=new), line, clock, stop)
        reply = ask(Command(new, CommandKind.ACKNOWLEDGE), line, clock, stop)
    except BadFrame as bad:
        raise AddressFault(f"address {old} to {new}: {bad.reason}") from bad
    assert isinstance(reply, Acknowledge)


def scan_devices(
    line: SerialLine, clock: Clock, stop: threading.Event, addresses: Iterable[str]
) -> Iterator[tuple[str, str | None]]:
    """Ask each Modbus address for its first register, of either table; any answer in a sound frame shows a device.

    Yields the address, and what is wrong where no single device answers so. Raises LineAway, Stopped.
    """
    for address in addresses:
        for table in RegisterTable:
            try:
                ask_registers(RegisterRequest(int(address), table, 0, 1), line, clock, stop, late_s=DEVICE_LATE_S)
            except ExceptionAnswer as answer:
                if answer.code in OF_GATEWAY:
                    continue
            except BadFrame as bad:
                if bad.status is Status.SILENT:
                    continue
                yield address, bad.reason
                break
            yield address, None
            break
