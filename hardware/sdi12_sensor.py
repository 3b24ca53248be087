"""SDI-12, the sensor's side, for virtual probes: bytes from the recorder in, replies and their times out.

It behaves as the standard asks of a sensor: it stays silent on whatever is not a proper command to it, announces how
long a measurement takes, gives it up when it is interrupted, and hands the values out in as many replies as they need.
It keeps no clock, every call is told the time; it makes no values, the caller's function gives them; and it makes no
faults, those belong on the line.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from hardware.frame import BadFrame
from hardware.sdi12_frame import (
    END,
    MARKING_S,
    MAX_COUNT,
    MAX_COUNT_CONCURRENT,
    MAX_PAGES,
    MAX_READY_S,
    MAX_VALUE_DIGITS,
    MAX_VALUES_CHARS,
    MAX_VALUES_CHARS_LONG,
    STARTS,
    Command,
    CommandKind,
    Identification,
    crc_characters,
    decode_command,
    split_values,
)

MAX_COMMAND_CHARS = 16  # longer than any command here; what grows past it is noise
_ONE_COMMAND = re.compile(rb"[ \"-~]{1,%d}!" % (MAX_COMMAND_CHARS - 1))

ReadValues = Callable[[], Sequence[str]]
"""Gives the values as they are sent, `value_text` makes them so; called once, when a measurement ends."""


@dataclass(frozen=True, slots=True)
class Group:
    """What one measurement command measures.

    Attributes
    ----------
    count : int
        Values it gives, as announced. 1 to 9, or 99 for concurrent ones.
    read : callable
        Gives exactly that many.
    ready_in_s : int
        Announced time. [s] 0 to 999; with 0 the values are there at once.
    takes_s : float or None
        Time it really takes, at most the announced. [s] None for the announced.
    """

    count: int
    read: ReadValues
    ready_in_s: int = 0
    takes_s: float | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.ready_in_s <= MAX_READY_S:
            raise ValueError(f"Group ready_in_s: found {self.ready_in_s}, expected 0 to {MAX_READY_S}")
        if self.takes_s is not None and not 0 <= self.takes_s <= self.ready_in_s:
            raise ValueError(f"Group takes_s: found {self.takes_s}, expected 0 to ready_in_s, {self.ready_in_s}")


@dataclass(frozen=True, slots=True)
class _Running:
    command: Command
    group: Group
    ends_at_s: float


class Sensor:
    """One SDI-12 sensor.

    Parameters
    ----------
    identification : Identification
        Who it is; its address is the first address.
    measurements : mapping of int to Group
        By group: 0 for aM!, 1 to 9 for aM1! to aM9!. A group that is not here has no values.
    concurrent : mapping of int to Group, optional
        The same for aC!. None takes `measurements`.
    continuous : mapping of int to callable, optional
        Values for aR0! to aR9!.
    verification : Group, optional
        For aV!.

    Raises
    ------
    ValueError
        For a group number or count the standard does not have.
    """

    def __init__(
        self,
        identification: Identification,
        measurements: Mapping[int, Group],
        *,
        concurrent: Mapping[int, Group] | None = None,
        continuous: Mapping[int, ReadValues] | None = None,
        verification: Group | None = None,
    ) -> None:
        _ = identification.wire  # refuses what cannot be sent
        self._identification = identification
        self._address = identification.address.encode()
        self._continuous = dict(continuous or {})
        self._groups = {
            CommandKind.MEASURE: dict(measurements),
            CommandKind.CONCURRENT: dict(measurements if concurrent is None else concurrent),
            CommandKind.VERIFY: {} if verification is None else {0: verification},
        }
        for kind, groups in self._groups.items():
            highest = MAX_COUNT_CONCURRENT if kind is CommandKind.CONCURRENT else MAX_COUNT
            for number, group in groups.items():
                if not 0 <= number <= 9 or not 1 <= group.count <= highest:
                    raise ValueError(
                        f"Sensor {kind.name} group: found number {number} with {group.count} values, "
                        f"expected 0 to 9 with 1 to {highest}"
                    )
        self._buffer = bytearray()
        self._outgoing: tuple[float, bytes] | None = None
        self._running: _Running | None = None
        self._pages: list[str] = []
        self._crc = False

    @property
    def address(self) -> str:
        """The address it answers to now."""
        return self._identification.address

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes that were received from the line at `now_s`. [s, any steady clock]

        A proper command to this sensor sets the reply and takes the place of whatever was still to be said. A break is
        not seen as one: a line passes on nothing of it, or a NUL, which like all noise begins the command anew.
        """
        self._advance(now_s)
        if not self._buffer and _ONE_COMMAND.fullmatch(data):
            self._command(data, now_s)
            return
        for byte in data:
            if not 0x20 <= byte <= 0x7E or len(self._buffer) >= MAX_COMMAND_CHARS:
                self._buffer.clear()
            if 0x20 <= byte <= 0x7E:
                self._buffer.append(byte)
            if byte == ord("!"):
                self._command(bytes(self._buffer), now_s)
                self._buffer.clear()

    @property
    def due_s(self) -> float | None:
        """When `send` next has something to do, on the caller's clock. [s] None if nothing is to come."""
        outgoing, running = self._outgoing, self._running
        if running is None:
            return None if outgoing is None else outgoing[0]
        return running.ends_at_s if outgoing is None else min(outgoing[0], running.ends_at_s)

    def send(self, now_s: float) -> bytes:
        """Return the bytes to send by now, often none."""
        self._advance(now_s)
        if self._outgoing is None or self._outgoing[0] > now_s:
            return b""
        data = self._outgoing[1]
        self._outgoing = None
        return data

    def _advance(self, now_s: float) -> None:
        running = self._running
        if running is None or running.ends_at_s > now_s:
            return
        self._finish(running)
        if running.command.kind is not CommandKind.CONCURRENT and running.group.ready_in_s > 0:
            self._outgoing = (running.ends_at_s, self.address.encode() + END)  # the service request

    def _command(self, data: bytes, now_s: float) -> None:
        if data[:1] not in (self._address, b"?"):
            return
        try:
            command = decode_command(data)
        except BadFrame:
            return
        self._running = None  # any proper command aborts
        self._outgoing = (now_s + MARKING_S, self._answer(command, now_s))

    def _answer(self, command: Command, now_s: float) -> bytes:
        if command.kind is CommandKind.IDENTIFY:
            return self._identification.wire
        if command.kind is CommandKind.CHANGE_ADDRESS:
            self._identification = replace(self._identification, address=command.new_address)
            self._address = command.new_address.encode()
        if command.kind in STARTS:
            return self._start(command, now_s)
        if command.kind is CommandKind.DATA:
            page = self._pages[command.index] if command.index < len(self._pages) else ""
            return self._values(page, crc=self._crc)
        if command.kind is CommandKind.CONTINUOUS:
            read = self._continuous.get(command.index)
            pages = _pages([] if read is None else read(), MAX_VALUES_CHARS_LONG)
            if len(pages) > 1:
                raise ValueError(f"Sensor R{command.index}: found {pages}, expected {MAX_VALUES_CHARS_LONG} characters")
            return self._values("".join(pages), crc=command.crc)
        return self.address.encode() + END

    def _start(self, command: Command, now_s: float) -> bytes:
        group = self._groups[command.kind].get(command.index)
        self._pages = []
        self._crc = command.crc
        count, ready_in_s = (0, 0) if group is None else (group.count, group.ready_in_s)
        if group is not None:
            takes_s = ready_in_s if group.takes_s is None else group.takes_s
            running = _Running(command, group, now_s + takes_s)
            if ready_in_s == 0:
                self._finish(running)
            else:
                self._running = running
        digits = 2 if command.kind is CommandKind.CONCURRENT else 1
        return f"{self.address}{ready_in_s:03d}{count:0{digits}d}".encode() + END

    def _finish(self, running: _Running) -> None:
        self._running = None
        texts = running.group.read()
        if len(texts) != running.group.count:
            raise ValueError(f"Sensor group: found {len(texts)} values, expected {running.group.count} as announced")
        concurrent = running.command.kind is CommandKind.CONCURRENT
        self._pages = _pages(texts, MAX_VALUES_CHARS_LONG if concurrent else MAX_VALUES_CHARS)

    def _values(self, text: str, *, crc: bool) -> bytes:
        body = f"{self.address}{text}".encode("ascii")
        return body + (crc_characters(body) if crc else b"") + END


def value_text(number: float, decimals: int) -> str:
    """Return a number as SDI-12 sends it: sign, at most 7 digits, a point.

    Decimals are given up, from the last, until the digits fit.

    Parameters
    ----------
    number : float
        Finite, under 1e7 in size.
    decimals : int
        Most digits after the point, 0 to 6.

    Raises
    ------
    ValueError
        For a number that cannot be sent.
    """
    for places in range(decimals, -1, -1):
        text = f"{number:+.{places}f}"
        if sum(c.isdigit() for c in text) <= MAX_VALUE_DIGITS and text[1:].replace(".", "").isdigit():
            return text
    raise ValueError(f"SDI-12 value: found {number}, expected a finite number of at most {MAX_VALUE_DIGITS} digits")


def _pages(texts: Sequence[str], limit: int) -> list[str]:
    """Pack values into as few replies as their order allows."""
    pages: list[str] = []
    for text in texts:
        try:
            single = split_values(text) == (text,)
        except BadFrame:
            single = False
        if not single:
            raise ValueError(f"Sensor value: found {text!r}, expected a sign and up to {MAX_VALUE_DIGITS} digits")
        if pages and len(pages[-1]) + len(text) <= limit:
            pages[-1] += text
        else:
            pages.append(text)
    if len(pages) > MAX_PAGES:
        raise ValueError(f"Sensor values: found {len(pages)} replies needed, expected at most {MAX_PAGES}")
    return pages
