"""Modbus RTU: frames byte by byte against another implementation, and every way a reply can arrive.

The other implementation is pymodbus, whose framer, messages and conversion of registers share nothing with ours. The
printed frames are those of Application Protocol V1.1b3 (6.3, 6.4) and Serial Line V1.02 (6.2.2), from memory.
"""

from __future__ import annotations

import math
import struct

import pytest
from crccheck.crc import CrcModbus
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadHoldingRegistersResponse,
    ReadInputRegistersRequest,
    ReadInputRegistersResponse,
)

from hardware.frame import BadFrame, crc16
from hardware.modbus import (
    CRC_START,
    EXCEPTIONS,
    MAX_REGISTERS,
    ORDERS,
    TYPE_WORDS,
    ExceptionAnswer,
    RegisterDevice,
    RegisterPlace,
    RegisterReplyParser,
    RegisterRequest,
    RegisterTable,
    decode_number,
    encode_number,
    joined_spans,
    quiet_s,
    read_as_manual_number,
    shown_register,
    with_crc,
)
from hardware.reading import Status

HOLDING, INPUT = RegisterTable.HOLDING, RegisterTable.INPUT
BAUD = 9600
OTHER_REQUEST = {HOLDING: ReadHoldingRegistersRequest, INPUT: ReadInputRegistersRequest}
OTHER_REPLY = {HOLDING: ReadHoldingRegistersResponse, INPUT: ReadInputRegistersResponse}

# Request, registers and reply printed in sections 6.3 and 6.4, as frames of device 17; the CRCs are the other's.
PRINTED = [
    (RegisterRequest(17, HOLDING, 0x6B, 3), (0x022B, 0x0000, 0x0064), "03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
    (RegisterRequest(17, INPUT, 8, 1), (0x000A,), "04 00 08 00 01", "04 02 00 0A"),
]
MOST = RegisterRequest(247, INPUT, 65535 - MAX_REGISTERS + 1, MAX_REGISTERS)
VECTORS = [
    *((request, registers) for request, registers, _, _ in PRINTED),
    (MOST, tuple(n * 523 % 65536 for n in range(MAX_REGISTERS))),
    (RegisterRequest(1, HOLDING, 0x0400, 2), (0x0103, 0x0401)),  # its bytes look like the beginning of frames
]


def other_frame(payload: bytes, address: int) -> bytes:
    return FramerRTU(DecodePDU(False)).encode(payload, address, 0)


def reply_to(request: RegisterRequest, registers: tuple[int, ...]) -> bytes:
    """The reply as the other implementation frames it."""
    message = OTHER_REPLY[request.table](registers=list(registers), dev_id=request.address)
    return FramerRTU(DecodePDU(False)).buildFrame(message)


def exception_to(request: RegisterRequest, code: int) -> bytes:
    message = ExceptionResponse(request.table.function, code, device_id=request.address)
    return FramerRTU(DecodePDU(False)).buildFrame(message)


def parsed(request: RegisterRequest, *pieces: bytes) -> tuple[int, ...]:
    """What a parser makes of bytes that come in pieces, the line then quiet."""
    parser = RegisterReplyParser(request)
    for piece in pieces:
        parser.receive(piece)
        if (reply := parser.next_reply()) is not None:
            return reply
    return parser.finish()


# --- check characters and frames ---------------------------------------------------------------------------------


def test_crc_is_the_published_one() -> None:
    """0x4B37 of "123456789" (CRC catalogues), `02 07` sent with `41 12` (Serial Line, 6.2.2), a printed request."""
    assert crc16(b"123456789", CRC_START) == 0x4B37
    assert with_crc(bytes.fromhex("0207")) == bytes.fromhex("02074112")
    assert with_crc(bytes.fromhex("1103006B0003")) == bytes.fromhex("1103006B00037687")


@given(st.binary(max_size=256))
def test_crc_is_that_of_two_other_implementations(data: bytes) -> None:
    """Any bytes have the CRC that crccheck and pymodbus give them."""
    ours = crc16(data, CRC_START)
    assert ours == CrcModbus.calc(data)
    assert ours.to_bytes(2, "little") == FramerRTU.compute_CRC(data).to_bytes(2, "big")


@pytest.mark.parametrize(("request_", "registers", "asked", "answered"), PRINTED)
def test_frames_are_those_the_standard_prints(
    request_: RegisterRequest, registers: tuple[int, ...], asked: str, answered: str
) -> None:
    """Request and reply of both functions as printed, both roles."""
    question, answer = other_frame(bytes.fromhex(asked), 17), other_frame(bytes.fromhex(answered), 17)
    assert request_.wire == question
    assert parsed(request_, answer) == registers
    device = RegisterDevice(17, lambda _: dict(enumerate(registers, request_.first)), baud=BAUD)
    device.receive(question, 0.0)
    assert device.send(1.0) == answer


requests = st.builds(
    lambda address, table, count, first: RegisterRequest(address, table, min(first, 65536 - count), count),
    st.integers(1, 247), st.sampled_from(RegisterTable), st.integers(1, MAX_REGISTERS), st.integers(0, 65535),
)  # fmt: skip


@given(requests, st.randoms(use_true_random=False))
@settings(max_examples=400)
def test_every_frame_is_byte_by_byte_that_of_the_other_implementation(request: RegisterRequest, random) -> None:
    """Its client asks as we do and reads what our device says; its device says what our client reads."""
    registers = tuple(random.randrange(65536) for _ in range(request.count))
    message = OTHER_REQUEST[request.table](address=request.first, count=request.count, dev_id=request.address)
    assert request.wire == FramerRTU(DecodePDU(False)).buildFrame(message)
    theirs = reply_to(request, registers)
    device = RegisterDevice(request.address, lambda _: dict(enumerate(registers, request.first)), baud=BAUD)
    device.receive(request.wire, 0.0)
    assert device.send(1.0) == theirs
    assert parsed(request, theirs) == registers
    _, read = FramerRTU(DecodePDU(False)).handleFrame(theirs, request.address, 0)
    assert tuple(read.registers) == registers


@pytest.mark.parametrize("code", EXCEPTIONS)
def test_exception_of_the_other_implementation_is_named(code: int) -> None:
    """Each exception ends in words, with its number, its name and the register it was asked about."""
    request = RegisterRequest(3, HOLDING, 40, 2)
    with pytest.raises(ExceptionAnswer) as caught:
        parsed(request, exception_to(request, code))
    assert (caught.value.code, caught.value.status) == (code, Status.NO_VALUE)
    assert f"device 3: answered exception {code}, {EXCEPTIONS[code]}, to 2 from register 40" in caught.value.reason


# --- how a reply can arrive --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("request_", "registers"), VECTORS)
def test_reply_is_found_however_it_arrives(request_: RegisterRequest, registers: tuple[int, ...]) -> None:
    """Whole, byte by byte, after noise, after the echo of the request or another's reply, bytes behind, two joined."""
    whole = reply_to(request_, registers)
    other = RegisterRequest(request_.address % 247 + 1, request_.table, request_.first, request_.count)
    assert parsed(request_, whole) == registers
    assert parsed(request_, *(bytes([byte]) for byte in whole)) == registers
    for noise in (b"\x00", b"\xff\xff", bytes([request_.address]), whole[:2], whole[:3], whole[:-1]):
        assert parsed(request_, noise + whole) == registers, noise
        assert parsed(request_, *(bytes([byte]) for byte in noise + whole)) == registers, noise
        assert parsed(request_, whole + noise) == registers, noise
    assert parsed(request_, request_.wire + whole) == registers
    assert parsed(request_, reply_to(other, registers) + whole) == registers
    parser = RegisterReplyParser(request_)
    parser.receive(whole + whole)
    assert [parser.next_reply(), parser.next_reply(), parser.next_reply()] == [registers, registers, None]


@pytest.mark.parametrize(("request_", "registers"), VECTORS)
def test_no_damage_to_a_reply_gives_registers(request_: RegisterRequest, registers: tuple[int, ...]) -> None:
    """Each bit flipped, each two beside one another, each byte lost or doubled, every part: refused, in words."""
    whole = reply_to(request_, registers)
    flips = [1 << bit for bit in range(8 * len(whole))]
    spoiled = [flip for flip in flips] + [flip | flip << 1 for flip in flips[:-1]]
    as_number = int.from_bytes(whole, "big")
    damaged = [(as_number ^ flip).to_bytes(len(whole), "big") for flip in spoiled]
    damaged += [whole[:place] + whole[place + 1 :] for place in range(len(whole))]
    damaged += [whole[:length] for length in range(len(whole))]
    for data in damaged:
        with pytest.raises(BadFrame) as caught:
            parsed(request_, data)
        assert f"device {request_.address}: " in caught.value.reason
        assert caught.value.status in (Status.SILENT, Status.BAD_FRAME, Status.BAD_CHECK), data
    for place in range(len(whole)):  # a byte said twice is refused, or what it doubled stands beside a whole reply
        try:
            assert parsed(request_, whole[:place] + whole[place : place + 1] + whole[place:]) == registers
        except BadFrame:
            continue


@given(st.binary(max_size=300), requests)
@settings(max_examples=300)
def test_noise_alone_gives_no_registers(noise: bytes, request: RegisterRequest) -> None:
    """Random bytes are refused whatever they are, whole and byte by byte."""
    for pieces in ([noise], [bytes([byte]) for byte in noise]):
        with pytest.raises(BadFrame):
            parsed(request, *pieces)


def test_sound_frame_that_is_another_answer_is_named() -> None:
    """Another count of registers, another function, another device: each with its own words and status."""
    request = RegisterRequest(5, HOLDING, 2, 2)
    cases = {
        reply_to(RegisterRequest(5, HOLDING, 2, 1), (7,)): (Status.SHORT, "found 1 registers, expected 2 from"),
        reply_to(RegisterRequest(5, HOLDING, 2, 3), (7, 8, 9)): (Status.SHORT, "found 3 registers, expected 2"),
        reply_to(RegisterRequest(5, INPUT, 2, 2), (7, 8)): (Status.BAD_FRAME, "an answer to function 4, expected 3"),
        reply_to(RegisterRequest(6, HOLDING, 2, 2), (7, 8)): (Status.WRONG_ADDRESS, "found an answer of device 6"),
        b"": (Status.SILENT, "found silence, expected a reply"),
        b"\xf8\x80\xfe": (Status.BAD_FRAME, "Look at baud and frame"),
        reply_to(request, (7, 8))[:-1] + b"\x00": (Status.BAD_CHECK, "expected a CRC that fits"),
    }  # fmt: skip
    for data, (status, words) in cases.items():
        with pytest.raises(BadFrame) as caught:
            parsed(request, data)
        assert caught.value.status is status and words in caught.value.reason, caught.value.reason


# --- the device's side -------------------------------------------------------------------------------------------


def test_device_refuses_as_the_standard_says() -> None:
    """A register it has not is exception 2, a count of none or too many 3, another function 1 after the silence."""
    device = RegisterDevice(9, lambda table: {0: 1, 1: 2} if table is INPUT else {}, baud=BAUD)
    asked = {
        bytes.fromhex("0904 0000 0002"): bytes.fromhex("0904 04 0001 0002"),
        bytes.fromhex("0904 0001 0002"): bytes.fromhex("0984 02"),
        bytes.fromhex("0903 0000 0001"): bytes.fromhex("0983 02"),
        bytes.fromhex("0904 0000 0000"): bytes.fromhex("0984 03"),
        bytes.fromhex("0904 0000 007E"): bytes.fromhex("0984 03"),
        bytes.fromhex("0906 0000 0007"): bytes.fromhex("0986 01"),
        bytes.fromhex("0804 0000 0002"): b"",
    }
    for n, (question, answer) in enumerate(asked.items()):
        device.receive(with_crc(question), n)
        assert device.send(n + 0.5) == (with_crc(answer) if answer else b""), question.hex()
        assert device.send(n + 0.6) == b"" and device.due_s is None


def test_device_ends_a_frame_with_the_silence_and_begins_anew() -> None:
    """Half a request is forgotten after 3.5 characters; the next is answered, and not before its own silence."""
    device = RegisterDevice(9, lambda _: {0: 1}, baud=BAUD)
    whole = RegisterRequest(9, HOLDING, 0, 1).wire
    device.receive(whole[:5], 0.0)
    assert device.due_s == pytest.approx(3.5 * 11 / 9600)  # Serial Line, 2.5.1.1
    assert device.send(0.01) == b""
    device.receive(whole, 1.0)
    assert device.send(1.001) == b"" and device.send(1.005) != b""
    assert (quiet_s(1200), quiet_s(19200), quiet_s(115200)) == pytest.approx((0.0321, 0.0020, 0.00175), abs=5e-5)


# --- numbers and places ------------------------------------------------------------------------------------------

OTHER_TYPE = {
    "u16": ModbusClientMixin.DATATYPE.UINT16,
    "i16": ModbusClientMixin.DATATYPE.INT16,
    "u32": ModbusClientMixin.DATATYPE.UINT32,
    "i32": ModbusClientMixin.DATATYPE.INT32,
    "f32": ModbusClientMixin.DATATYPE.FLOAT32,
}


@pytest.mark.parametrize("type_", TYPE_WORDS)
@given(data=st.data())
def test_numbers_are_those_of_the_other_implementation(type_: str, data: st.DataObject) -> None:
    """Every type in both orders of words that it knows, there and back; the other two swap bytes within a word."""
    words = data.draw(st.lists(st.integers(0, 65535), min_size=TYPE_WORDS[type_], max_size=TYPE_WORDS[type_]))
    for order, theirs in (("abcd", "big"), ("cdab", "little")):
        ours = decode_number(words, type_, order)
        their = float(ModbusClientMixin.convert_from_registers(words, OTHER_TYPE[type_], word_order=theirs))
        assert ours == their or (math.isnan(ours) and math.isnan(their))
        swapped = [(word & 0xFF) << 8 | word >> 8 for word in words]
        again = decode_number(swapped, type_, {"abcd": "badc", "cdab": "dcba"}[order])
        assert again == ours or math.isnan(ours)
        if not math.isnan(ours):
            number = ours if type_ == "f32" else int(ours)
            back = ModbusClientMixin.convert_to_registers(number, OTHER_TYPE[type_], word_order=theirs)
            assert list(encode_number(ours, type_, order)) == back == words


@pytest.mark.parametrize("order", ORDERS)
def test_orders_are_what_their_letters_say(order: str) -> None:
    """The bytes 1, 2, 3, 4 of 0x01020304 are sent in the order of the letters."""
    sent = struct.pack(">2H", *encode_number(0x01020304, "u32", order))
    assert sent == bytes("abcd".index(letter) + 1 for letter in order)


@pytest.mark.parametrize(
    ("number", "type_"), [(65536, "u16"), (-1, "u16"), (32768, "i16"), (1e39, "f32"), (2**31, "i32")]
)
def test_number_that_a_type_cannot_hold_is_refused(number: float, type_: str) -> None:
    """With the type and the number in words."""
    with pytest.raises(ValueError, match=f"Modbus {type_}: found "):
        encode_number(number, type_)


def test_neighbours_are_read_together_and_nothing_else() -> None:
    """One request a run of registers without a gap, of one table, of at most 125."""
    places = [
        RegisterPlace(INPUT, 4), RegisterPlace(INPUT, 2, "f32"), RegisterPlace(HOLDING, 5), RegisterPlace(INPUT, 6),
        *(RegisterPlace(HOLDING, 100 + 2 * n, "u32") for n in range(70)),
    ]  # fmt: skip
    assert joined_spans(places) == [
        (HOLDING, 5, 1), (HOLDING, 100, 124), (HOLDING, 224, 16), (INPUT, 2, 3), (INPUT, 6, 1),
    ]  # fmt: skip


def test_numbers_of_a_manual_are_explained() -> None:
    """40003 is register 2 of the holding table, 30001 register 0 of the input table, 400010 has six digits."""
    assert read_as_manual_number(40003) == "40003 of a manual is register 2 of the holding table"
    assert read_as_manual_number(30001) == "30001 of a manual is register 0 of the input table"
    assert read_as_manual_number(400010) == "400010 of a manual is register 9 of the holding table"
    assert [read_as_manual_number(n) for n in (2, 9999, 40000, 20001, 50001, 470000)] == [None] * 6
    assert shown_register(HOLDING, 2) == "register 2 of the holding table (40003 where a manual counts so)"
    assert shown_register(INPUT, 9999) == "register 9999 of the input table (310000 where a manual counts so)"


@pytest.mark.parametrize(
    "values", [(0, 0, 1), (248, 0, 1), (1, 65536, 1), (1, 65535, 2), (1, 0, 0), (1, 0, 126), (1, -1, 1)]
)
def test_request_that_there_is_not_is_refused(values: tuple[int, int, int]) -> None:
    """An address, a register or a count the standard has not."""
    with pytest.raises(ValueError, match=r"Modbus (address|registers): found"):
        RegisterRequest(values[0], HOLDING, *values[1:])
