"""SDI-12 on the wire: commands, replies, check characters, limits and timings, shared by recorder and sensor.

It turns one command or one reply into bytes and back, whole. Finding a reply in a stream is `sdi12`; answering as a
sensor is `sdi12_sensor`. Nothing here waits, reads a clock or touches a port.

SDI-12 is an open standard (SDI-12 Support Group, versions 1.3 and 1.4). The standard itself was not open while this
was written: section and table numbers follow public test suites that quote it, and the timings follow its restatement
in published instrument manuals. What had neither is marked "from memory".
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property, lru_cache

from hardware.frame import BadFrame, crc16, shown
from hardware.reading import Status

# Line and timing, SDI-12 sections 4.1 and 7. [s] unless named otherwise. All but the character gap are +-0.40 ms.
BAUD = 1200
CHARACTER_S = 10 / BAUD  # start bit, 7 data bits, parity, stop bit
BREAK_S = 0.012  # the recorder's break: continuous spacing for at least this long
MARKING_S = 0.00833  # marking between a break and a command, and between a command and its reply
REPLY_START_S = 0.015  # the sensor begins its reply within this time after the command's last stop bit
CHARACTER_GAP_S = 0.00166  # longest marking between two characters; no tolerance
BREAK_AFTER_IDLE_S = 0.087  # a line that has been marking longer needs a break before the next command

# Sizes, SDI-12 section 4.4.
MAX_VALUES_CHARS = 35  # in one reply to aDn! after aM!, aMC! or aV!, address, check and CR LF not counted
MAX_VALUES_CHARS_LONG = 75  # after aC! or aCC!, and in a reply to aRn!
MAX_PAGES = 10  # aD0! to aD9!
MAX_READY_S = 999
MAX_VALUE_DIGITS = 7  # from memory; with sign and point 9 characters
MAX_COUNT = 9  # values after aM! or aV!
MAX_COUNT_CONCURRENT = 99  # from memory for 1.4; 1.3 stops at 20
MAX_SERIAL_CHARS = 13
CRC_CHARS = 3
END = b"\r\n"

_PRINTABLE = re.compile(rb"[ -~]*")
_VALUE = re.compile(r"[+-](?:\d+\.?\d*|\.\d+)", re.ASCII)
_TIMING = re.compile(r"(\d{3})(\d{1,2})", re.ASCII)
_IDENTIFICATION = re.compile(rf"(\d\d)(.{{8}})(.{{6}})(.{{3}})(.{{0,{MAX_SERIAL_CHARS}}})", re.ASCII)
_COMMAND = re.compile(
    r"(?P<address>[0-9A-Za-z])"
    r"(?:(?P<plain>[IV]?)|A(?P<new>[0-9A-Za-z])|(?P<start>[MC])(?P<start_crc>C?)(?P<group>[1-9]?)"
    r"|D(?P<page>\d)|R(?P<crc>C?)(?P<index>\d))!",
    re.ASCII,
)


class NoCheckCharacters(BadFrame):
    """Values that came without the check characters asked for.

    No reply with check characters looks so by fewer than three wrong bits: each of the three is 0x40 or more, and no
    character of a value is.
    """


class CommandKind(StrEnum):
    """What a command asks for. The value is its letter."""

    ACKNOWLEDGE = ""
    IDENTIFY = "I"
    CHANGE_ADDRESS = "A"
    MEASURE = "M"
    CONCURRENT = "C"
    DATA = "D"
    CONTINUOUS = "R"
    VERIFY = "V"


STARTS = (CommandKind.MEASURE, CommandKind.CONCURRENT, CommandKind.VERIFY)
"""Commands answered by a time and a count, whose values are fetched with aD0! and on."""


@dataclass(frozen=True)
class Command:
    """One command, and all that is needed to judge the reply to it, worked out once.

    Attributes
    ----------
    address : str
        One of 0-9, A-Z, a-z; `?` with ACKNOWLEDGE is the address query.
    kind : CommandKind
    index : int
        Measurement group (M, C: 0 is the bare letter), page (D) or continuous set (R), 0 to 9.
    crc : bool
        M, C, R: asks for check characters. D: they were asked for when the measurement was started.
    new_address : str
        For CHANGE_ADDRESS.
    long : bool
        D: the measurement was concurrent, so that a reply may have 75 characters of values, not 35.

    Raises
    ------
    ValueError
        For an address, index or option the command does not have.
    """

    address: str
    kind: CommandKind
    index: int = 0
    crc: bool = False
    new_address: str = ""
    long: bool = False

    def __post_init__(self) -> None:
        if not is_address(self.address) and not (self.address == "?" and self.kind is CommandKind.ACKNOWLEDGE):
            raise ValueError(f"SDI-12 address: found {self.address!r}, expected one of 0-9, A-Z, a-z")
        if is_address(self.new_address) != (self.kind is CommandKind.CHANGE_ADDRESS):
            raise ValueError(f"SDI-12 new address: found {self.new_address!r}, expected one with change_address only")
        indexed = self.kind in (CommandKind.MEASURE, CommandKind.CONCURRENT, CommandKind.DATA, CommandKind.CONTINUOUS)
        if not 0 <= self.index <= (9 if indexed else 0):
            raise ValueError(f"SDI-12 {self.kind.name} index: found {self.index}, expected 0 to {9 if indexed else 0}")
        if self.crc and not indexed:
            raise ValueError(f"SDI-12 {self.kind.name}: found a CRC asked for, expected it with M, C, D or R only")

    @cached_property
    def wire(self) -> bytes:
        """The bytes to send, `!` included."""
        letter = self.kind.value + ("C" if self.crc and self.kind is not CommandKind.DATA else "")
        digit = str(self.index) if self.index or self.kind in (CommandKind.DATA, CommandKind.CONTINUOUS) else ""
        return f"{self.address}{letter}{self.new_address}{digit}!".encode("ascii")

    @property
    def values_limit(self) -> int:
        """Longest run of value characters in a reply, check characters not counted."""
        return MAX_VALUES_CHARS_LONG if self.long or self.kind is CommandKind.CONTINUOUS else MAX_VALUES_CHARS

    @cached_property
    def longest_reply(self) -> int:
        """Length of the longest proper reply, CR LF included."""
        body = {
            CommandKind.ACKNOWLEDGE: 0,
            CommandKind.CHANGE_ADDRESS: 0,
            CommandKind.IDENTIFY: 2 + 8 + 6 + 3 + MAX_SERIAL_CHARS,
            CommandKind.MEASURE: 4,
            CommandKind.VERIFY: 4,
            CommandKind.CONCURRENT: 5,
        }.get(self.kind, self.values_limit + (CRC_CHARS if self.crc else 0))
        return 1 + body + len(END)

    @cached_property
    def reply_within_s(self) -> float:
        """Longest time from the end of the command to the end of the longest proper reply. [s]

        What the adapter and the operating system add is not in it.
        """
        return REPLY_START_S + 0.0004 + self.longest_reply * (CHARACTER_S + CHARACTER_GAP_S)


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """`a`: a sensor is there; also the reply to an address query and, with the new address, to a change of address."""

    address: str


@dataclass(frozen=True, slots=True)
class Identification:
    """`allccccccccmmmmmmvvv[xxx]` (Table 7); `sdi12_version` is the two digits, "13" for 1.3."""

    address: str
    sdi12_version: str
    vendor: str
    model: str
    sensor_version: str
    serial: str = ""

    @property
    def wire(self) -> bytes:
        """The reply, CR LF included. Raises ValueError when a field does not fit its place."""
        body = f"{self.sdi12_version}{self.vendor:<8}{self.model:<6}{self.sensor_version:<3}{self.serial}"
        match = _IDENTIFICATION.fullmatch(body)
        ours = (self.sdi12_version, self.vendor, self.model, self.sensor_version, self.serial)
        printable = body.isascii() and body.isprintable()
        if match is None or _fields(match) != ours or not printable or not is_address(self.address):
            raise ValueError(f"SDI-12: found {self}, expected ASCII fields of 2, 8, 6, 3 and up to 13 characters")
        return f"{self.address}{body}".encode("ascii") + END


@dataclass(frozen=True, slots=True)
class MeasurementTiming:
    """`atttn` or `atttnn` (Tables 9 and 10): `count` values will be ready within `ready_in_s` seconds."""

    address: str
    ready_in_s: int
    count: int


@dataclass(frozen=True, slots=True)
class Values:
    """`a<values>[crc]` (Table 11). `crc_checked` says that check characters were asked for, and fitted.

    Values whose check did not fit are never given out. None at all is a proper reply: no data, or a measurement that
    was aborted.
    """

    address: str
    texts: tuple[str, ...]
    crc_checked: bool

    @property
    def numbers(self) -> tuple[float, ...]:
        """The values as numbers, in the probe's own units."""
        return tuple(float(text) for text in self.texts)


@dataclass(frozen=True, slots=True)
class ServiceRequest:
    """`a`, unasked: the measurement started with aM! or aV! is done."""

    address: str


Reply = Acknowledge | Identification | MeasurementTiming | Values | ServiceRequest


def is_address(text: str) -> bool:
    """Return whether the text is one SDI-12 sensor address."""
    return len(text) == 1 and text.isascii() and text.isalnum()


def crc_characters(data: bytes) -> bytes:
    """Return the CRC of 4.4.12.1 as the three characters of section 4.4.12.2, each from 0x40 to 0x7F."""
    crc = crc16(data)
    return bytes((0x40 | crc >> 12, 0x40 | crc >> 6 & 0x3F, 0x40 | crc & 0x3F))


@lru_cache(maxsize=1024)
def decode_command(data: bytes) -> Command:
    """Decode a command, `!` included, for the sensor's side. Raises BadFrame for anything else."""
    if data == b"?!":
        return Command("?", CommandKind.ACKNOWLEDGE)
    match = _COMMAND.fullmatch(data.decode("ascii", "replace"))
    if match is None:
        raise BadFrame(f"command: found {shown(data)}, expected an SDI-12 command")
    part = match.groupdict()
    address = part["address"]
    if part["new"]:
        return Command(address, CommandKind.CHANGE_ADDRESS, new_address=part["new"])
    if part["start"]:
        return Command(address, CommandKind(part["start"]), int(part["group"] or 0), crc=bool(part["start_crc"]))
    if part["page"]:
        return Command(address, CommandKind.DATA, int(part["page"]))
    if part["index"]:
        return Command(address, CommandKind.CONTINUOUS, int(part["index"]), crc=bool(part["crc"]))
    return Command(address, CommandKind(part["plain"]))


def decode_reply(line: bytes, command: Command, *, may_be_service_request: bool = False) -> Reply:
    """Decode a reply, CR LF included.

    Parameters
    ----------
    line : bytes
        From the address to the line feed.
    command : Command
        What it should answer.
    may_be_service_request : bool
        The time and count have been told already, so that a bare address is a service request.

    Raises
    ------
    BadFrame
        For every other sequence of bytes.
    """
    _check_characters(line, command)
    body = line[: -len(END)].decode("ascii")
    address = body[0]
    expected = command.new_address or command.address
    if not is_address(address) or expected not in (address, "?"):
        hint = "Look for two sensors with one address, or a reply come late."
        if not is_address(address):
            hint = "If the adapter prints this before each reply, set prompt."
        raise BadFrame(
            f"sensor {expected}: {len(line)} bytes came: {shown(line)}, expected address {expected!r} first. {hint}",
            Status.WRONG_ADDRESS,
        )
    rest = body[1:]
    if command.kind in (CommandKind.DATA, CommandKind.CONTINUOUS):
        return _decode_values(line, command)
    if command.kind in STARTS:
        if not rest and may_be_service_request:
            return ServiceRequest(address)
        match = _TIMING.fullmatch(rest)
        if match and len(rest) == command.longest_reply - 1 - len(END):
            return MeasurementTiming(address, int(match[1]), int(match[2]))
    elif command.kind is CommandKind.IDENTIFY:
        match = _IDENTIFICATION.fullmatch(rest)
        if match:
            return Identification(address, *_fields(match))
    elif not rest:
        return Acknowledge(address)
    raise BadFrame(f"sensor {expected}: found {shown(line)}, expected the reply to {shown(command.wire)}")


def split_values(text: str) -> tuple[str, ...]:
    """Split values `pd.d` run together: sign, up to 7 digits, a point anywhere or nowhere. Raises BadFrame."""
    texts = tuple(_VALUE.findall(text))
    if "".join(texts) != text:
        raise BadFrame(f"values: found {text!r}, expected a sign and digits, again and again")
    for value in texts:
        if len(value) - len("+") - value.count(".") > MAX_VALUE_DIGITS:
            raise BadFrame(f"values: found {value!r}, expected at most {MAX_VALUE_DIGITS} digits")
    return texts


def _decode_values(line: bytes, command: Command) -> Values:
    body = line[: -len(END)]
    if command.crc:
        text = body[1:].decode("ascii")
        if text and "".join(_VALUE.findall(text)) == text:
            raise NoCheckCharacters(
                f"sensor {command.address}: found {shown(line)}, expected a CRC at its end. "
                "A sensor without check characters needs crc = false.",
                Status.BAD_CHECK,
            )
        body, found = body[:-CRC_CHARS], body[-CRC_CHARS:]
        if not body or found != crc_characters(body):
            raise BadFrame(f"sensor {command.address}: found {shown(line)}, expected a CRC that fits", Status.BAD_CHECK)
    if len(body) - 1 > command.values_limit:
        raise BadFrame(f"values: found {len(body) - 1} characters, expected at most {command.values_limit}")
    return Values(command.address, split_values(body[1:].decode("ascii")), command.crc)


def _check_characters(line: bytes, command: Command) -> None:
    """Refuse what cannot be a reply by its characters alone.

    A byte above 0x7E is a parity bit that was not taken off, or noise; but the CRC's own three characters reach 0x7F.
    """
    if len(line) <= len(END) or not line.endswith(END):
        hint = ' Set line_end = "lf" if the adapter leaves out the CR.' if line[-2:-1] not in (b"\r", b"") else ""
        raise BadFrame(f"reply: {len(line)} bytes came: {shown(line)}, expected an address first, CR LF last.{hint}")
    has_crc = command.crc and command.kind in (CommandKind.DATA, CommandKind.CONTINUOUS)
    text_end = len(line) - len(END) - (CRC_CHARS if has_crc else 0)
    if _PRINTABLE.fullmatch(line, 0, len(line) - len(END)):
        return
    for place, byte in enumerate(line[: -len(END)]):
        if not 0x20 <= byte <= (0x7E if place < text_end else 0x7F):
            hint = ' Set frame = "7E1" if the parity bit is left on.' if byte >= 0x80 else ""
            raise BadFrame(f"reply: found byte 0x{byte:02X} in {shown(line)}, expected printable ASCII.{hint}")


def _fields(match: re.Match[str]) -> tuple[str, str, str, str, str]:
    version, vendor, model, sensor_version, serial = match.groups()
    return version, vendor.rstrip(), model.rstrip(), sensor_version.rstrip(), serial.rstrip()
