"""Modbus RTU: registers read over a serial line, the client's side and the device's; bytes in, bytes and numbers out.

Functions 3 (holding registers) and 4 (input registers) alone: nothing is ever written to a device. A reply is found by
its length and its CRC wherever it stands in what came; what is no reply ends with the silence behind it. A reply does
not say which registers it holds, so the caller must not ask anew while an answer to an earlier question may still come.

Modbus is an open standard (Modbus Organization): Application Protocol V1.1b3 (functions in 6.3 and 6.4, exceptions in
7) and Serial Line V1.02 (RTU frame in 2.5.1, CRC in 6.2.2). Both from memory; the tests hold every frame against
another implementation.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from hardware.frame import BadFrame, crc16, shown
from hardware.reading import Status

# Line and timing, Serial Line 2.5.1.1: a frame ends with a silence of 3.5 characters of 11 bits; 1.75 ms above 19200.
CHARACTER_BITS = 11
QUIET_CHARACTERS = 3.5
QUIET_FAST_S, FAST_BAUD = 0.00175, 19200
RESPONSE_S = 1.0  # Serial Line 2.4.1: a response time-out is typically from one to several seconds at 9600

MAX_ADDRESS = 247  # Serial Line 2.2; 0 is a broadcast, which nobody answers
MAX_REGISTERS = 125  # registers in one request, Application Protocol 6.3
REGISTERS = 65536
REQUEST_BYTES = 8
EXCEPTION_BYTES = 5
REPLY_FRAME_BYTES = 5  # address, function, count of bytes, and the CRC: what a reply has beside its registers
MAX_FRAME_BYTES = 256
CRC_START = 0xFFFF
EXCEPTION_BIT = 0x80

TYPE_WORDS = {"u16": 1, "i16": 1, "u32": 2, "i32": 2, "f32": 2}
"""Registers of each type of number: unsigned, signed, and IEEE 754 single precision."""
_PACKED = {"u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "f32": ">f"}
ORDERS = ("abcd", "cdab", "badc", "dcba")
"""Order in which the bytes of a number of two registers are sent, `a` the highest. The standard has `abcd` within a
register and leaves the order of registers open."""

EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge, it needs more time",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""Application Protocol, section 7."""
OF_GATEWAY = (10, 11)  # it answers for a device that is not there
PASSING_EXCEPTIONS = (5, 6, 11)  # the same question may be answered a moment later
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3


class RegisterTable(StrEnum):
    """One of the two tables of registers a device may have."""

    HOLDING = "holding"
    INPUT = "input"

    @property
    def function(self) -> int:
        """Number of the function that reads it."""
        return 3 if self is RegisterTable.HOLDING else 4


_TABLES = {table.function: table for table in RegisterTable}
_FIRST_NUMBERS = {RegisterTable.HOLDING: "4", RegisterTable.INPUT: "3"}  # 40001 and 30001 of the older manuals


@dataclass(frozen=True, slots=True)
class RegisterPlace:
    """Where a number stands: from `register` on, counted from 0; `type` is of TYPE_WORDS, `order` of ORDERS."""

    table: RegisterTable
    register: int
    type: str = "u16"
    order: str = "abcd"

    @property
    def words(self) -> int:
        """Registers it takes."""
        return TYPE_WORDS[self.type]


class ExceptionAnswer(BadFrame):
    """The device answered with an exception; `code` is its number."""

    def __init__(self, reason: str, code: int) -> None:
        super().__init__(reason, Status.NO_VALUE)
        self.code = code


@dataclass(frozen=True, slots=True)
class RegisterRequest:
    """One question: `count` registers from `first` on, of one device.

    Raises
    ------
    ValueError
        For an address outside 1 to 247, more than 125 registers, or registers beyond 65535.
    """

    address: int
    table: RegisterTable
    first: int
    count: int

    def __post_init__(self) -> None:
        if not 1 <= self.address <= MAX_ADDRESS:
            raise ValueError(f"Modbus address: found {self.address}, expected 1 to {MAX_ADDRESS}")
        if not 1 <= self.count <= MAX_REGISTERS or not 0 <= self.first <= REGISTERS - self.count:
            found = f"{self.count} from {self.first} on"
            raise ValueError(f"Modbus registers: found {found}, expected 1 to {MAX_REGISTERS} of 0 to {REGISTERS - 1}")

    @property
    def wire(self) -> bytes:
        """The bytes to send."""
        return with_crc(struct.pack(">BBHH", self.address, self.table.function, self.first, self.count))

    def reply_within_s(self, baud: int) -> float:
        """Return the longest time from the end of the request to the end of its reply. [s]"""
        return RESPONSE_S + (REPLY_FRAME_BYTES + 2 * self.count) * CHARACTER_BITS / baud + quiet_s(baud)


def with_crc(body: bytes) -> bytes:
    """Return a frame: the body and its CRC, low byte first."""
    return body + crc16(body, CRC_START).to_bytes(2, "little")


def has_crc(frame: bytes) -> bool:
    """Return whether the last two bytes are the CRC of those before."""
    return len(frame) > 2 and crc16(frame[:-2], CRC_START) == int.from_bytes(frame[-2:], "little")


def quiet_s(baud: int) -> float:
    """Return the silence that ends a frame, and that goes before the next. [s]"""
    return QUIET_FAST_S if baud > FAST_BAUD else QUIET_CHARACTERS * CHARACTER_BITS / baud


def decode_number(registers: Sequence[int], type_: str, order: str = "abcd") -> float:
    """Return the number that registers hold; NaN and infinities of `f32` as they are.

    Parameters
    ----------
    registers : sequence of int, length TYPE_WORDS[type_]
    type_ : str
        Of TYPE_WORDS.
    order : str
        Of ORDERS.
    """
    data = _ordered(struct.pack(f">{len(registers)}H", *registers), order)
    return float(struct.unpack(_PACKED[type_], data)[0])


def encode_number(number: float, type_: str, order: str = "abcd") -> tuple[int, ...]:
    """Return the registers that hold a number, rounded to a whole one for the whole types.

    Raises
    ------
    ValueError
        When the type cannot hold it.
    """
    try:
        data = struct.pack(_PACKED[type_], number if type_ == "f32" else round(number))
    except (struct.error, OverflowError, ValueError) as err:
        raise ValueError(f"Modbus {type_}: found {number}, expected a number that it can hold") from err
    return struct.unpack(f">{TYPE_WORDS[type_]}H", _ordered(data, order))


def _ordered(data: bytes, order: str) -> bytes:
    """Put bytes as they are sent into the order `abcd`, or back: each order undoes itself."""
    if order in ("badc", "dcba"):
        data = b"".join(data[n : n + 2][::-1] for n in range(0, len(data), 2))
    if order in ("cdab", "dcba"):
        data = b"".join(data[n : n + 2] for n in range(len(data) - 2, -1, -2))
    return data


def joined_spans(places: Iterable[RegisterPlace]) -> list[tuple[RegisterTable, int, int]]:
    """Return table, first register and count of the fewest requests that read all places.

    Neighbours are read together. Registers nobody asks for are not read: a device may refuse them.
    """
    spans: list[tuple[RegisterTable, int, int]] = []
    for place in sorted(places, key=lambda one: (one.table, one.register)):
        end = place.register + place.words
        if spans:
            table, first, count = spans[-1]
            if table is place.table and place.register <= first + count and end - first <= MAX_REGISTERS:
                spans[-1] = table, first, max(count, end - first)
                continue
        spans.append((place.table, place.register, place.words))
    return spans


def shown_register(table: RegisterTable, register: int) -> str:
    """Return a register in words, with the number it has where a manual counts from 40001 or 30001."""
    number = _manual_number(table, register)
    return f"register {register} of the {table.value} table ({number} where a manual counts so)"


def _manual_number(table: RegisterTable, register: int) -> str:
    number = register + 1
    return f"{_FIRST_NUMBERS[table]}{number:0{4 if number <= 9999 else 5}d}"


def read_as_manual_number(number: int) -> str | None:
    """Return what a number such as 40003 is as a register, in words; None where no manual would write it so."""
    text = str(number)
    tables = {digit: table for table, digit in _FIRST_NUMBERS.items()}
    if len(text) not in (5, 6) or text[0] not in tables or not 1 <= int(text[1:]) <= REGISTERS:
        return None
    table = tables[text[0]]
    return f"{number} of a manual is register {int(text[1:]) - 1} of the {table.value} table"


# --- the client's side -------------------------------------------------------------------------------------------


class RegisterReplyParser:
    """Finds the reply to one request in what comes back.

    An echo of the request, noise before the reply and bytes behind it do no harm: a reply is taken only whole, from the
    device that was asked, with as many registers as were asked for and a CRC that fits.
    """

    def __init__(self, request: RegisterRequest) -> None:
        self._request = request
        self._buffer = b""
        self._came = b""
        self._passed_over: BadFrame | None = None

    def receive(self, data: bytes) -> None:
        """Take bytes from the line."""
        self._buffer += data
        self._came = (self._came + data)[:MAX_FRAME_BYTES]

    def next_reply(self) -> tuple[int, ...] | None:
        """Return the registers of the next reply; None where it has not come yet.

        Raises
        ------
        BadFrame
            For a frame of this device that is another answer: an exception, or another count of registers.
        """
        return self._search(at_end=False)

    def finish(self) -> tuple[int, ...]:
        """Return the registers after the silence that ends a reply, with no byte more to come. Raises BadFrame."""
        reply = self._search(at_end=True)
        if reply is not None:
            return reply
        if self._passed_over is not None:
            raise self._passed_over
        asked = f"device {self._request.address}"
        if not self._came:
            raise BadFrame(
                f"{asked}: found silence, expected a reply. Is it there, powered, A to A and B to B?", Status.SILENT
            )
        begin = bytes((self._request.address, self._request.table.function))
        length = REPLY_FRAME_BYTES + 2 * self._request.count
        if begin in self._came and len(self._came) - self._came.index(begin) >= length:
            text = "expected a CRC that fits. Noise, or two devices at one address?"
            raise BadFrame(f"{asked}: found {len(self._came)} bytes, {shown(self._came)}, {text}", Status.BAD_CHECK)
        raise BadFrame(
            f"{asked}: found {len(self._came)} bytes, {shown(self._came)}, expected a reply of {length}. "
            "Look at baud and frame of the line, at A and B, and for a second device at this address."
        )

    def _search(self, *, at_end: bool) -> tuple[int, ...] | None:
        place = 0
        while place < len(self._buffer):
            length = _reply_length(self._buffer[place:])
            if length is None or place + length > len(self._buffer):
                if not at_end and (length is not None or len(self._buffer) - place < EXCEPTION_BYTES):
                    break  # the rest may still come
                place += 1
                continue
            frame = self._buffer[place : place + length]
            if not has_crc(frame):
                place += 1
                continue
            self._buffer, place = self._buffer[place + length :], 0
            registers = self._judged(frame)
            if registers is not None:
                return registers
        self._buffer = self._buffer[place:]
        return None

    def _judged(self, frame: bytes) -> tuple[int, ...] | None:
        """Return the registers of a sound frame; None where it is passed over. Raises BadFrame."""
        asked = self._request
        address, function = frame[0], frame[1]
        if address != asked.address:
            reason = f"device {asked.address}: found an answer of device {address}, expected its own"
            self._passed_over = BadFrame(reason, Status.WRONG_ADDRESS)
            return None
        if function & ~EXCEPTION_BIT != asked.table.function:
            reason = f"device {address}: found an answer to function {function}, expected {asked.table.function}"
            self._passed_over = BadFrame(reason)
            return None
        where = shown_register(asked.table, asked.first)
        if function & EXCEPTION_BIT:
            code = frame[2]
            name = EXCEPTIONS.get(code, "not in the standard")
            told = f"device {address}: answered exception {code}, {name}, to {asked.count} from {where}"
            manual = read_as_manual_number(asked.first) if code == ILLEGAL_ADDRESS else None
            raise ExceptionAnswer(told if manual is None else f"{told}; {manual}", code)
        registers: tuple[int, ...] = struct.unpack(f">{frame[2] // 2}H", frame[3:-2])
        if len(registers) != asked.count:
            text = f"device {address}: found {len(registers)} registers, expected {asked.count} from {where}"
            raise BadFrame(text, Status.SHORT)
        return registers


def _reply_length(data: bytes) -> int | None:
    """Return how long a reply is that begins so; None where none begins so, or its length has not come yet."""
    if len(data) < 3 or not 1 <= data[0] <= MAX_ADDRESS:
        return None
    if data[1] & ~EXCEPTION_BIT in _TABLES and data[1] & EXCEPTION_BIT:
        return EXCEPTION_BYTES
    if data[1] in _TABLES and data[2] and data[2] % 2 == 0 and data[2] <= 2 * MAX_REGISTERS:
        return REPLY_FRAME_BYTES + data[2]
    return None


# --- the device's side -------------------------------------------------------------------------------------------

ReadRegisters = Callable[[RegisterTable], Mapping[int, int]]
"""Gives all registers there are in a table, by number."""


class RegisterDevice:
    """One device, for virtual probes: answers requests for its registers, each from its own table.

    Parameters
    ----------
    address : int
        1 to 247.
    read : callable
        Gives the registers of a table, at the time of the request.
    baud : int
        Of the line: sets the silence that ends a frame.
    """

    def __init__(self, address: int, read: ReadRegisters, *, baud: int) -> None:
        if not 1 <= address <= MAX_ADDRESS:
            raise ValueError(f"Modbus address: found {address}, expected 1 to {MAX_ADDRESS}")
        self.address = address
        self._read = read
        self._quiet_s = quiet_s(baud)
        self._buffer = b""
        self._last_s = 0.0
        self._outgoing: tuple[float, bytes] | None = None

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes that came at `now_s`. [s, any steady clock]"""
        self._buffer = (self._buffer + data)[-MAX_FRAME_BYTES:]
        self._last_s = now_s
        for place in range(len(self._buffer) - REQUEST_BYTES + 1):  # a request has one length: it may stand after noise
            frame = self._buffer[place : place + REQUEST_BYTES]
            if frame[0] == self.address and frame[1] in _TABLES and has_crc(frame):
                self._buffer = b""
                self._outgoing = now_s + self._quiet_s, self._answer(frame)
                return

    @property
    def due_s(self) -> float | None:
        """When `send` next has something to do, on the caller's clock. [s] None if nothing is to come."""
        if self._outgoing is not None:
            return self._outgoing[0]
        return self._last_s + self._quiet_s if self._buffer else None

    def send(self, now_s: float) -> bytes:
        """Return the bytes to send by now, often none. A frame ends here when the line has been quiet behind it."""
        if self._buffer and now_s >= self._last_s + self._quiet_s:
            frame, self._buffer = self._buffer, b""
            if frame[0] == self.address and len(frame) > 3 and has_crc(frame) and self._outgoing is None:
                self._outgoing = now_s, _exception(self.address, frame[1], ILLEGAL_FUNCTION)
        if self._outgoing is None or self._outgoing[0] > now_s:
            return b""
        data = self._outgoing[1]
        self._outgoing = None
        return data

    def _answer(self, frame: bytes) -> bytes:
        function, first, count = struct.unpack(">BHH", frame[1:-2])
        if not 1 <= count <= MAX_REGISTERS:
            return _exception(self.address, function, ILLEGAL_VALUE)
        registers = self._read(_TABLES[function])
        if not all(number in registers for number in range(first, first + count)):
            return _exception(self.address, function, ILLEGAL_ADDRESS)
        values = [registers[number] for number in range(first, first + count)]
        return with_crc(struct.pack(f">BBB{count}H", self.address, function, 2 * count, *values))


def _exception(address: int, function: int, code: int) -> bytes:
    return with_crc(bytes((address, function | EXCEPTION_BIT, code)))
