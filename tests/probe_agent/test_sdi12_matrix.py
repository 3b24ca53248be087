"""Behaviours of sensors and adapters, each over a real pseudo-terminal: read rightly, or refused in words.

The far end is `sdi12_emulator`, written from the standard's text alone; the values it is given are the expected ones.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import pytest

from hardware.probe import ProbeDescription, load_probe
from hardware.reading import Status
from hardware.sdi12 import AdapterText
from hardware.sdi12_frame import Acknowledge, Command, CommandKind, Identification
from probe_agent.clock import SystemClock
from probe_agent.config import LineConfig, ProbeConfig
from probe_agent.line import SerialLine
from probe_agent.sampler import ask, sample
from probe_agent.schedule import Cadence
from tests.probe_agent.sdi12_emulator import EmulatedAdapter, EmulatedSensor

FIVE = ["+0.31125+0.32225+0.33325", "+0.34425+0.35525"]


def thatch(*, crc: bool = True, command: str = "M") -> ProbeDescription:
    shipped = load_probe("thatch")
    channels = tuple(replace(channel, command=command) for channel in shipped.channels)
    return replace(shipped, crc=crc, channels=channels)


def five(pages: list[str]) -> EmulatedSensor:
    return EmulatedSensor(pages=pages, count=5)


def profile() -> ProbeDescription:
    """The five water contents of the deep profile alone."""
    shipped = load_probe("deep_soil_profile")
    return replace(shipped, channels=tuple(c for c in shipped.channels if c.command == "M"))


def once(change: Callable[[bytes], bytes], at: int = 0) -> Callable[[bytes, int], bytes]:
    return lambda reply, n: change(reply) if n == at else reply


def flipped(reply: bytes) -> bytes:
    return reply[:3] + bytes([reply[3] ^ 4]) + reply[4:]


@dataclass
class Behaviour:
    """What stands at the far end, what the line is told of it, and what must come of it: values, or words."""

    far: EmulatedAdapter
    line: dict[str, object] = field(default_factory=dict)
    values: tuple[float, ...] | None = (12.5, 8.25)
    status: Status = Status.OK
    words: str = ""
    probe: ProbeDescription = field(default_factory=thatch)


def right(sensor: EmulatedSensor | None = None, line: dict[str, object] | None = None, **far: object) -> Behaviour:
    return Behaviour(EmulatedAdapter([sensor or EmulatedSensor()], **far), line or {})


def refused(status: Status, words: str, sensor: EmulatedSensor | None = None, **far: object) -> Behaviour:
    return Behaviour(EmulatedAdapter([sensor or EmulatedSensor()], **far), {}, None, status, words)


def text(prompt: bytes = b"", line_end: bytes = b"\r\n") -> dict[str, object]:
    return {"adapter": AdapterText(prompt, line_end)}


BAD_FRAME, BAD_CHECK = Status.BAD_FRAME, Status.BAD_CHECK
MATRIX: dict[str, Behaviour] = {
    "at once": right(),
    "service request": right(EmulatedSensor(ttt=5, done_after_s=0.1)),
    "service request with the timing": right(EmulatedSensor(ttt=5, done_after_s=0.0)),
    "ttt 120": right(EmulatedSensor(ttt=120, done_after_s=0.1)),
    "ttt 999": right(EmulatedSensor(ttt=999, done_after_s=0.1)),
    "ttt without service request": right(EmulatedSensor(ttt=1)),
    "silent to CRC commands": replace(right(EmulatedSensor(crc="silent")), words="gives no check characters"),
    "CRC commands without CRC": replace(right(EmulatedSensor(crc="plain")), words="gives no check characters"),
    "CRC commands without values": replace(right(EmulatedSensor(crc="zero")), words="gives no check characters"),
    "CRC never fits": refused(BAD_CHECK, "expected a CRC that fits", EmulatedSensor(crc="wrong")),
    "no CRC asked": replace(right(), probe=thatch(crc=False)),
    "clears after D0": right(EmulatedSensor(clears=True)),
    "clears after D0 without CRC": replace(right(EmulatedSensor(clears=True)), probe=thatch(crc=False)),
    "no CRC and clears": replace(right(EmulatedSensor(crc="plain", clears=True)), words="gives no check characters"),
    "echo": right(echo=""),
    "echo with a blank": right(echo=" "),
    "echo on a line of its own": right(echo="\r\n"),
    "prompt before": right(line=text(b">"), before=b"> "),
    "prompt after": right(line=text(b">"), after=b"> "),
    "prompt on a line of its own": right(line=text(b"SDI>"), before=b"SDI>\r\n"),
    "prompt and echo": right(line=text(b"SDI>"), before=b"\r\nSDI> ", echo=""),
    "prompt not told": refused(Status.WRONG_ADDRESS, "set prompt", before=b"> "),
    "LF only": right(line=text(line_end=b"\n"), line_end=b"\n"),
    "CR only": right(line=text(line_end=b"\r"), line_end=b"\r"),
    "LF only not told": refused(BAD_FRAME, 'line_end = "lf"', line_end=b"\n"),
    "CR only not told": refused(BAD_FRAME, 'line_end = "cr"', line_end=b"\r"),
    "empty line before": right(before=b"\r\n"),
    "starts anew when opened": right(line={"settle_s": 0.9}, starts_for_s=0.6, banner=b"ready 1.2\r\n"),
    "starts anew not told": right(starts_for_s=0.5, banner=b"ready 1.2\r\n"),
    "every reply 0.6 s late": right(late_s=0.6),
    "every reply 2 s late": right(line={"reply_extra_s": 2.0}, late_s=2.0),
    "break by the adapter": right(line={"break_by": "adapter", "baud": 9600, "frame": "8N1"}, late_s=0.05),
    "no break": right(line={"break_by": "none"}),
    "noise before each reply": right(before=b"\x00\xff\xfe"),
    "printable noise before each reply": refused(Status.WRONG_ADDRESS, "bytes came: '~~1", before=b"~~"),
    "noise once": right(spoil=once(lambda reply: b"~" + reply)),
    "wrong bit once": right(spoil=once(flipped, 1)),
    "reply lost once": right(spoil=once(lambda reply: b"")),
    "baud wrong": refused(BAD_FRAME, "none printable", spoil=lambda reply, n: b"\xf8\x80\xfe\x80"),
    "parity left on": refused(BAD_FRAME, "", parity_left_on=True),
    "nobody there": replace(
        refused(Status.SILENT, "found silence", EmulatedSensor("7")), far=EmulatedAdapter([EmulatedSensor("7")])
    ),
    "two at one address": Behaviour(
        EmulatedAdapter([EmulatedSensor(), EmulatedSensor(pages=["+33.5-7.75"], ttt=3)]),
        values=None, status=BAD_FRAME, words="found byte 0x00",
    ),
    "another address answers": refused(
        Status.WRONG_ADDRESS, "expected address '1'", spoil=lambda reply, n: b"2" + reply[1:]
    ),
    "pages of values": replace(
        right(five(FIVE)), values=(0.31125, 0.32225, 0.33325, 0.34425, 0.35525), probe=profile()
    ),
    "a page for each value": replace(
        right(five(["+0.1", "+.2", "+0.3", "+.4", "+0.50000"])), values=(0.1, 0.2, 0.3, 0.4, 0.5), probe=profile()
    ),
    "fewer values than announced": replace(refused(Status.SHORT, "found 3 of 5", five(FIVE[:1])), probe=profile()),
    "more values than announced": replace(
        refused(Status.SHORT, "found 3, expected 2", EmulatedSensor(pages=["+1+2+3"])), probe=thatch()
    ),
    "measurement aborted once": right(EmulatedSensor(aborted=1)),
    "sentinels": refused(Status.NO_VALUE, "", EmulatedSensor(pages=["-9999+9999"])),
    "concurrent": replace(right(EmulatedSensor(ttt=1)), probe=thatch(command="C")),
    "values in every form": replace(right(EmulatedSensor(pages=["+7.-.5"])), values=(7.0, -0.5)),
}  # fmt: skip
SEEN: Counter[str] = Counter()


@pytest.fixture
def serial_line(pty_plug) -> Callable[..., SerialLine]:
    opened: list[SerialLine] = []

    def make(far: EmulatedAdapter, told: dict[str, object]) -> SerialLine:
        pty_plug.plug_in(far.serve)
        pty_plug.leave_to_the_agent()
        config = replace(LineConfig("north", str(pty_plug.link), "sdi12", 1200, "7E1"), **told)
        opened.append(SerialLine(config, monotonic=SystemClock().monotonic))
        return opened[-1]

    yield make
    for line in opened:
        line.close()


@pytest.fixture(scope="module", autouse=True)
def figure():
    yield
    if SEEN:
        counted = ", ".join(f"{count} {what}" for what, count in sorted(SEEN.items()))
        print(f"\nSDI-12 behaviours: {SEEN.total()} of {len(MATRIX)} tried: {counted}")


@pytest.mark.parametrize("name", MATRIX)
def test_behaviour_is_read_rightly_or_refused_in_words(name: str, serial_line: Callable) -> None:
    """Values as the sensor was given them, or none and the reason."""
    this = MATRIX[name]
    probe = ProbeConfig("p1", "square-1", "north", "1", Cadence(900, 900, 0), this.probe)
    samples, reason = sample(probe, 0, serial_line(this.far, this.line), SystemClock(), threading.Event())
    values = tuple(one.raw for one in samples)
    if this.line.get("settle_s"):
        assert {one.attempts for one in samples} == {1}
    if this.values is None:
        assert {(one.raw, one.status) for one in samples} == {(None, this.status)}, (samples, reason)
        assert (this.words in reason) if this.words else True, reason
        SEEN["refused in words"] += 1
    else:
        assert values == this.values, (samples, reason)
        assert (this.words in (reason or "")) if this.words else reason is None, reason
        SEEN["right"] += 1


def test_sensor_says_who_it_is_and_takes_another_address(serial_line: Callable) -> None:
    """`?!`, `aI!` and `aAb!` by the standard's own formats; afterwards it answers to the new address alone."""
    line, clock, stop = serial_line(EmulatedAdapter([EmulatedSensor()]), {}), SystemClock(), threading.Event()
    assert ask(Command("?", CommandKind.ACKNOWLEDGE), line, clock, stop) == Acknowledge("1")
    expected = Identification("1", "14", "NEUTRAL", "SENSOR", "1.0", "007")
    assert ask(Command("1", CommandKind.IDENTIFY), line, clock, stop) == expected
    assert ask(Command("1", CommandKind.CHANGE_ADDRESS, new_address="b"), line, clock, stop) == Acknowledge("b")
    assert ask(Command("b", CommandKind.ACKNOWLEDGE), line, clock, stop) == Acknowledge("b")
