"""SDI-12, the recorder's side: published check values, every way a reply can arrive, and what is done about it."""

from __future__ import annotations

import itertools

import pytest
from crccheck.crc import Crc16Arc
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware import sdi12
from hardware.frame import BadFrame
from hardware.reading import Status
from hardware.sdi12 import Done, Fail, Measurement, ReplyParser, Send, Wait
from hardware.sdi12_frame import (
    Acknowledge,
    Command,
    CommandKind,
    Identification,
    MeasurementTiming,
    Reply,
    ServiceRequest,
    Values,
    crc16,
    crc_characters,
)

# The six examples of the SDI-12 specification, sections 4.4.12.3 a-d and 4.4.8.1, as quoted by public test suites.
PUBLISHED_CRC = [
    (b"0+3.14", b"OqZ", 0xFC5A),
    (b"0+3.14+2.718+1.414", b"Ipz", 0x9C3A),
    (b"0+1.11+2.22+3.33+4.44+5.55+6.66", b"I]q", 0x9771),
    (b"0+7.77+8.88+9.99", b"IvW", 0x9D97),
    (b"0+3.14+2.718", b"IWO", 0x95CF),
    (b"0", b"AP@", 0x1400),
]
# Responses printed in the specification (sections 4.4.5, 4.4.7, 4.4.8.4; Tables 9 and 10), quoted by the same suites.
PUBLISHED_TIMING = [
    (b"00001\r\n", "M", 0, 1),
    (b"00053\r\n", "M", 5, 3),
    (b"00359\r\n", "M", 35, 9),
    (b"00012\r\n", "M", 1, 2),
    (b"00101\r\n", "M", 10, 1),
    (b"001320\r\n", "C", 13, 20),
]

DATA = sdi12.send_data("0", 0)
DATA_CRC = sdi12.send_data("0", 0, crc=True)


def _texts(body: bytes) -> tuple[str, ...]:
    return tuple("+" + part for part in body[1:].decode().split("+")[1:])


# Every kind of reply: bytes on the wire, the command it answers, what it says.
CRC_VECTORS: list[tuple[bytes, Command, Reply]] = [
    (body + check + b"\r\n", DATA_CRC, Values("0", _texts(body), True)) for body, check, _ in PUBLISHED_CRC
] + [(b"0+3.14OqZ\r\n", Command("0", CommandKind.CONTINUOUS, 3, crc=True), Values("0", ("+3.14",), True))]
PLAIN_VECTORS: list[tuple[bytes, Command, Reply]] = [
    *((line, sdi12.measurement("0", name), MeasurementTiming("0", s, n)) for line, name, s, n in PUBLISHED_TIMING),
    (b"00053\r\n", Command("0", CommandKind.VERIFY), MeasurementTiming("0", 5, 3)),
    *((body + b"\r\n", DATA, Values("0", _texts(body), False)) for body, _, _ in PUBLISHED_CRC),
    (
        b"z-0.5+12-.25+7.\r\n",
        Command("z", CommandKind.CONTINUOUS, 0),
        Values("z", ("-0.5", "+12", "-.25", "+7."), False),
    ),
    (b"0\r\n", Command("0", CommandKind.ACKNOWLEDGE), Acknowledge("0")),
    (b"J\r\n", Command("J", CommandKind.ACKNOWLEDGE), Acknowledge("J")),
    (b"7\r\n", Command("0", CommandKind.CHANGE_ADDRESS, new_address="7"), Acknowledge("7")),
    # Field widths 2, 8, 6, 3 and up to 13 from Table 7, "13" for version 1.3
    (
        b"013NEUTRAL THATCH1.0JK-42\r\n",
        Command("0", CommandKind.IDENTIFY),
        Identification("0", "13", "NEUTRAL", "THATCH", "1.0", "JK-42"),
    ),
    (
        b"114VENDOR  ROOT  2.5\r\n",
        Command("1", CommandKind.IDENTIFY),
        Identification("1", "14", "VENDOR", "ROOT", "2.5"),
    ),
]
VECTORS = CRC_VECTORS + PLAIN_VECTORS
QUERY = (b"5\r\n", Command("?", CommandKind.ACKNOWLEDGE), Acknowledge("5"))


def _ids(vectors: list[tuple[bytes, Command, Reply]]) -> list[str]:
    return [f"{command.wire.decode()}{line.decode().strip()}" for line, command, _ in vectors]


each_vector = pytest.mark.parametrize(("line", "command", "reply"), VECTORS, ids=_ids(VECTORS))


def _outcomes(command: Command, *chunks: bytes) -> list[Reply | Status]:
    """All that a parser makes of the chunks and then the end of the time, refusals as their status."""
    parser = ReplyParser(command)
    outcomes: list[Reply | Status] = []
    for chunk in chunks:
        parser.receive(chunk)
        try:
            while (reply := parser.next_reply()) is not None:
                outcomes.append(reply)
        except BadFrame as bad:
            outcomes.append(bad.status)
    try:
        parser.finish()
    except BadFrame as bad:
        outcomes.append(bad.status)
    return outcomes


def _flips(line: bytes) -> list[tuple[int, bytes]]:
    return [(i, line[:i] + bytes((line[i] ^ 1 << bit,)) + line[i + 1 :]) for i in range(len(line)) for bit in range(8)]


@pytest.mark.parametrize(("body", "characters", "number"), PUBLISHED_CRC)
def test_crc_agrees_with_the_specification(body: bytes, characters: bytes, number: int) -> None:
    """The six printed examples come out, as number and as characters."""
    assert crc16(body) == number
    assert crc_characters(body) == characters


def test_crc_agrees_with_the_catalogue_check_value() -> None:
    """CRC-16/ARC of "123456789" is 0xBB3D in the public CRC catalogues, in SDI-12 characters `Kl}` by 4.4.12.2."""
    assert crc16(b"123456789") == 0xBB3D
    assert crc_characters(b"123456789") == b"Kl}"


@settings(deadline=None)
@given(st.binary(max_size=80))
def test_crc_agrees_with_another_implementation(data: bytes) -> None:
    """Any bytes give what crccheck's Crc16Arc gives, taken apart as 4.4.12.2 says."""
    number = Crc16Arc.calc(data)
    assert crc16(data) == number
    assert crc_characters(data) == bytes(0x40 | part for part in (number >> 12, number >> 6 & 63, number & 63))


@each_vector
def test_reply_is_read_whole(line: bytes, command: Command, reply: Reply) -> None:
    """A reply that comes in one piece is one reply."""
    assert _outcomes(command, line) == [reply]


@each_vector
def test_reply_is_read_byte_by_byte(line: bytes, command: Command, reply: Reply) -> None:
    """A reply that comes a byte at a time is the same reply, and not before its last byte."""
    parser = ReplyParser(command)
    for byte in line[:-1]:
        parser.receive(bytes((byte,)))
        assert parser.next_reply() is None
    parser.receive(line[-1:])
    assert parser.next_reply() == reply


@pytest.mark.parametrize("noise", [b"\0", b"\0\0\xff", b"\xfe\x80\xe0", b"\x01\x7f\0", b"\t\0"])
@each_vector
def test_reply_is_read_after_noise(line: bytes, command: Command, reply: Reply, noise: bytes) -> None:
    """Bytes that no address can turn into by one wrong bit, such as a break heard as NUL, are passed over."""
    assert _outcomes(command, noise + line) == [reply]
    assert _outcomes(command, noise, *(bytes((b,)) for b in line)) == [reply]


@each_vector
def test_reply_is_read_after_the_rest_of_a_line_end(line: bytes, command: Command, reply: Reply) -> None:
    """A stray CR LF before the reply is passed over, but for the address one bit away from it, which is refused."""
    expected = [Status.BAD_FRAME] if command.address == "J" else [reply]
    assert _outcomes(command, b"\r\n" + line) == expected


@each_vector
def test_reply_is_read_after_our_own_echo(line: bytes, command: Command, reply: Reply) -> None:
    """An adapter that hears itself hands over our own command first; it is passed over, whole or in pieces."""
    assert _outcomes(command, command.wire + line) == [reply]
    assert _outcomes(command, b"\0" + command.wire + b"\0" + line) == [reply]
    assert _outcomes(command, *(bytes((b,)) for b in command.wire + line)) == [reply]


@pytest.mark.parametrize("noise", [b"?", b"4", b"+", b" ", b"4+1"])
@each_vector
def test_printable_noise_is_refused(line: bytes, command: Command, reply: Reply, noise: bytes) -> None:
    """Nothing printable is cut off in front: the cut could make another reply of it."""
    outcomes = _outcomes(command, noise + line)
    assert len(outcomes) == 1
    assert isinstance(outcomes[0], Status)


def test_a_cut_reply_of_another_sensor_is_not_ours() -> None:
    """Sensor 4 saying `4+10+3` is never sensor 0 saying `0+3`."""
    assert _outcomes(DATA, b"4+10+3\r\n") == [Status.WRONG_ADDRESS]


@pytest.mark.parametrize("trailing", [b"\0", b"x", b"0+9", b"\xff\xff", b"\r"])
@each_vector
def test_trailing_bytes_do_not_touch_the_reply(line: bytes, command: Command, reply: Reply, trailing: bytes) -> None:
    """What follows the reply without a line end is left over."""
    assert _outcomes(command, line + trailing) == [reply]


@each_vector
def test_two_joined_replies_are_two(line: bytes, command: Command, reply: Reply) -> None:
    """Two replies in one piece come out one after the other."""
    assert _outcomes(command, line + line) == [reply, reply]


def test_service_request_joined_to_the_timing_is_told_apart() -> None:
    """A sensor that is done at once sends its request in the same breath."""
    expected = [MeasurementTiming("0", 5, 3), ServiceRequest("0")]
    assert _outcomes(sdi12.measurement("0", "M"), b"00053\r\n0\r\n") == expected


@each_vector
def test_reply_without_its_line_end_is_refused(line: bytes, command: Command, reply: Reply) -> None:
    """A reply cut anywhere, its CR LF missing or half there, is refused when the time is over."""
    for end in range(1, len(line)):
        assert _outcomes(command, line[:end]) == [Status.BAD_FRAME]
    assert _outcomes(command, line[:-2] + b"\n") in ([Status.BAD_FRAME], [Status.BAD_CHECK])


def test_silence_and_noise_are_told_apart() -> None:
    """Nothing at all is silence; noise without a reply is a bad frame."""
    assert _outcomes(DATA) == [Status.SILENT]
    assert _outcomes(DATA, b"\0\xff") == [Status.BAD_FRAME]


@pytest.mark.parametrize(("line", "command", "reply"), CRC_VECTORS, ids=_ids(CRC_VECTORS))
def test_every_single_wrong_bit_is_refused_with_crc(line: bytes, command: Command, reply: Reply) -> None:
    """With check characters no reply with one wrong bit, CR LF included, gives a reply, nor raises anything else."""
    for _, damaged in _flips(line):
        outcomes = _outcomes(command, damaged)
        assert len(outcomes) == 1
        assert isinstance(outcomes[0], Status)


@pytest.mark.parametrize(("line", "command", "reply"), PLAIN_VECTORS, ids=_ids(PLAIN_VECTORS))
def test_only_digits_and_names_can_change_unseen_without_crc(line: bytes, command: Command, reply: Reply) -> None:
    """Without check characters one wrong bit is refused, but for digit to digit, or a character of a name."""
    for place, damaged in _flips(line):
        outcomes = _outcomes(command, damaged)
        assert len(outcomes) == 1
        was, now = chr(line[place]), chr(damaged[place])
        if isinstance(reply, Identification) and place >= 3:
            may_pass = was not in "\r\n" and " " <= now <= "~"
        else:
            may_pass = was.isdigit() and now in "0123456789" and place > 0
        assert isinstance(outcomes[0], Status) is not may_pass, damaged


def test_address_query_takes_any_one_address() -> None:
    """`?!` is answered by an address, whole or in pieces, and by nothing else."""
    line, command, reply = QUERY
    assert _outcomes(command, line) == [reply]
    assert _outcomes(command, command.wire + line) == [reply]
    assert _outcomes(command, b"?\r\n") == [Status.WRONG_ADDRESS]
    assert _outcomes(command, b"55\r\n") == [Status.BAD_FRAME]


def test_check_characters_may_be_0x7f_but_text_may_not() -> None:
    """0x40 | 0x3F is DEL: a proper last CRC character, found here by crccheck, and never part of the text."""
    body = next(b for n in range(10000) if Crc16Arc.calc(b := b"0+%d" % n) & 0x3F == 0x3F)
    line = body + crc_characters(body) + b"\r\n"
    assert line.endswith(b"\x7f\r\n")
    assert _outcomes(DATA_CRC, line) == [Values("0", (body[1:].decode(),), True)]
    assert _outcomes(DATA, b"0+1\x7f\r\n") == [Status.BAD_FRAME]
    assert _outcomes(Command("0", CommandKind.IDENTIFY), b"013NEUTRAL\x7fTHATCH1.0\r\n") == [Status.BAD_FRAME]


def test_timing_with_the_other_command_s_count_is_refused() -> None:
    """aM! has one digit of count and aC! two: 13 s and 20 values are not 13 s and 2."""
    assert _outcomes(sdi12.measurement("0", "M"), b"001320\r\n") == [Status.BAD_FRAME]
    assert _outcomes(sdi12.measurement("0", "C"), b"00132\r\n") == [Status.BAD_FRAME]


def test_parity_left_on_the_bytes_is_refused() -> None:
    """7E1 heard as eight bits sets the top bit of every odd character; none of it is taken."""
    heard = bytes(b | (b.bit_count() % 2) << 7 for b in b"0+3.14\r\n")
    assert _outcomes(DATA, heard) == [Status.BAD_FRAME]


def test_values_have_at_most_35_characters_after_m_and_75_after_c() -> None:
    """Limits of the D reply as published instrument manuals restate them; one more is refused."""
    exact = b"+12.345" * 5
    assert len(exact) == 35
    assert _outcomes(DATA, b"0" + exact + b"\r\n") == [Values("0", ("+12.345",) * 5, False)]
    assert _outcomes(DATA, b"0" + exact[:-7] + b"+123.456\r\n") == [Status.BAD_FRAME]
    long = sdi12.send_data("0", 0, concurrent=True)
    assert _outcomes(long, b"0" + b"+1.23" * 15 + b"\r\n") == [Values("0", ("+1.23",) * 15, False)]
    assert _outcomes(long, b"0" + b"+1.23" * 14 + b"+12.34\r\n") == [Status.BAD_FRAME]
    command = Command("0", CommandKind.CONTINUOUS, 0)
    assert _outcomes(command, b"0" + b"+1.23" * 15 + b"\r\n") == [Values("0", ("+1.23",) * 15, False)]


def test_a_stream_without_line_end_is_cut_off() -> None:
    """However long the sensor talks, the parser stops keeping it."""
    parser = ReplyParser(DATA)
    with pytest.raises(BadFrame, match="at most"):
        for _ in range(1000):
            parser.receive(b"+1.5" * 10)
            parser.next_reply()
    parser.receive(b"+1.5" * 1000)
    assert len(parser._buffer) < 100


@pytest.mark.parametrize("text", ["3.14", "+", "+-3", "+3.1.4", "+3,1", "+1e5", "+12345678", "+.", "+3 +4", "+nan"])
def test_what_is_no_value_is_refused(text: str) -> None:
    """A value is a sign, one to seven digits, and at most one point."""
    assert _outcomes(DATA, b"0" + text.encode() + b"\r\n") == [Status.BAD_FRAME]


def test_values_are_given_as_text_and_number() -> None:
    """The text is kept as sent, the number is its meaning."""
    reply = Values("0", ("+3.140", "-.5", "+7."), False)
    assert _outcomes(DATA, b"0+3.140-.5+7.\r\n") == [reply]
    assert reply.numbers == (3.14, -0.5, 7.0)


SOME_COMMANDS = [c for _, c, _ in VECTORS] + [QUERY[1], sdi12.send_data("0", 1, crc=True, concurrent=True)]
line_noise = st.lists(st.sampled_from([*b"0+-.123456789\r\n!MC\0\xff J"]) | st.integers(0, 255), max_size=60).map(bytes)


@settings(deadline=None)
@given(data=line_noise, command=st.sampled_from(SOME_COMMANDS), cuts=st.lists(st.integers(0, 60), max_size=5))
def test_any_bytes_in_any_pieces_give_replies_or_bad_frame(data: bytes, command: Command, cuts: list[int]) -> None:
    """Nothing but BadFrame is ever raised, and how the bytes were cut up does not matter."""
    places = [0, *sorted(min(c, len(data)) for c in cuts), len(data)]
    pieces = [data[a:b] for a, b in itertools.pairwise(places)]
    assert _outcomes(command, *pieces) == _outcomes(command, data)


# Section 4.4.12.3: the printed conversations, the sensor's lines as bytes and the recorder's as expected.
@pytest.mark.parametrize(
    ("name", "crc", "lines", "values"),
    [
        ("M", True, [b"00001\r\n", b"0+3.14OqZ\r\n"], ("+3.14",)),
        ("M", True, [b"00053\r\n", b"0\r\n", b"0+3.14+2.718+1.414Ipz\r\n"], ("+3.14", "+2.718", "+1.414")),
        (
            "M",
            True,
            [b"00359\r\n", b"0\r\n", b"0+1.11+2.22+3.33+4.44+5.55+6.66I]q\r\n", b"0+7.77+8.88+9.99IvW\r\n"],
            ("+1.11", "+2.22", "+3.33", "+4.44", "+5.55", "+6.66", "+7.77", "+8.88", "+9.99"),
        ),
        ("M1", True, [b"00012\r\n", b"0\r\n", b"0+3.14+2.718IWO\r\n"], ("+3.14", "+2.718")),
    ],
)
def test_printed_conversations_end_in_the_printed_values(
    name: str, crc: bool, lines: list[bytes], values: tuple[str, ...]
) -> None:
    """Fed the sensor's half of each printed conversation, the recorder asks as printed and has the values."""
    talk = Measurement(sdi12.measurement("0", name, crc=crc))
    action = talk.start()
    assert action == Send(b"0M" + b"C" * crc + name[1:].encode() + b"!", True, 0.0, pytest.approx(0.085, abs=0.01))
    pages = 0
    for line in lines:
        if isinstance(action, Send) and action.wire[1:2] == b"D":
            assert action.wire == b"0D%d!" % pages
            pages += 1
        following = talk.receive(line)
        assert following is not None
        action = following
    assert action == Done(values, 1)


def test_timing_and_service_request_in_one_piece_go_straight_on() -> None:
    """The request that comes joined to the timing is not waited for."""
    talk = Measurement(sdi12.measurement("0", "M"))
    talk.start()
    action = talk.receive(b"00053\r\n0\r\n")
    assert isinstance(action, Send)
    assert action.wire == b"0D0!"


def test_concurrent_measurement_waits_its_time_and_no_request_wakes_it() -> None:
    """After aC! the line is free for others and the sensor says nothing by itself."""
    talk = Measurement(sdi12.measurement("0", "C"))
    talk.start()
    action = talk.receive(b"001320\r\n")
    assert isinstance(action, Wait)
    assert not action.wake_on_service_request
    assert 13 <= action.seconds <= 14
    assert talk.receive(b"0\r\n") is None
    fetch = talk.elapsed()
    assert isinstance(fetch, Send)
    assert fetch.wire == b"0D0!"


def test_silent_sensor_fails_after_three_breaks() -> None:
    """Nobody there: the command goes out three times, with a break each time, and then it is silence."""
    talk = Measurement(sdi12.measurement("5", "M"))
    actions = [talk.start(), talk.elapsed(), talk.elapsed()]
    assert all(isinstance(a, Send) and a.wire == b"5M!" and a.needs_break for a in actions)
    assert all(isinstance(a, Send) and a.quiet_s > 0.01667 for a in actions[1:])  # SDI-12 1.4 retry gap, from memory
    failed = talk.elapsed()
    assert isinstance(failed, Fail)
    assert (failed.status, failed.attempts) == (Status.SILENT, 3)
    with pytest.raises(ValueError, match="under way"):
        talk.elapsed()


def test_two_replies_to_one_command_are_not_chosen_between() -> None:
    """A late page joined to the page asked for is refused, and the page asked for again."""
    talk = Measurement(sdi12.measurement("0", "M"))
    talk.start()
    talk.receive(b"00002\r\n")
    assert talk.receive(b"0+1\r\n0+2\r\n") is None
    assert talk.receive(b"0+3\r\n") is None
    again = talk.elapsed()
    assert isinstance(again, Send)
    assert again.wire == b"0D0!"


def test_start_is_once() -> None:
    """A talk is for one measurement."""
    talk = Measurement(sdi12.measurement("0", "M"))
    with pytest.raises(ValueError, match="under way"):
        talk.receive(b"")
    talk.start()
    with pytest.raises(ValueError, match="once"):
        talk.start()
