"""Behaviours of Modbus devices and lines, each over a real pseudo-terminal: read rightly, or refused in words.

One far end is `modbus_emulator`, written from the standard's text alone; another is the server of pymodbus. The values
they are given are the expected ones.
"""

from __future__ import annotations

import asyncio
import os
import struct
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from hardware.probe import ProbeDescription, load_probe, parse_probe
from hardware.reading import Sample, Status
from probe_agent.clock import SystemClock
from probe_agent.config import LineConfig, ProbeConfig
from probe_agent.line import SerialLine
from probe_agent.modbus_sampler import sample_registers
from probe_agent.sampler import AnswerTally
from probe_agent.scan import scan_devices
from probe_agent.schedule import Cadence
from tests.probe_agent.modbus_emulator import EmulatedBus, EmulatedDevice

POINT = load_probe("register_point")
VALUES = (12.5, 8.25, 0.75)


def words_of(*values: float, order: str = "cdab") -> dict[int, int]:
    """Registers of single-precision numbers from 0 on: IEEE 754 by the standard library, in that order of words."""
    registers: list[int] = []
    for value in values:
        high, low = struct.unpack(">HH", struct.pack(">f", value))
        registers += [high, low] if order == "abcd" else [low, high]
    return dict(enumerate(registers))


def device(*values: float, order: str = "cdab", **more: object) -> EmulatedDevice:
    return EmulatedDevice(holding=words_of(*(values or VALUES), order=order), **more)


@dataclass
class Behaviour:
    """What stands at the far end, what the line is told of it, and what must come of it: values, or words."""

    far: EmulatedBus
    line: dict[str, object] = field(default_factory=dict)
    values: tuple[float | None, ...] | None = VALUES
    status: Status = Status.OK
    words: str = ""
    probe: ProbeDescription = POINT


def right(one: EmulatedDevice | None = None, line: dict[str, object] | None = None, **far: object) -> Behaviour:
    return Behaviour(EmulatedBus([one or device()], **far), line or {})


def refused(status: Status, words: str, *devices: EmulatedDevice, **far: object) -> Behaviour:
    return Behaviour(EmulatedBus([*devices] or [device()], **far), {}, None, status, words)


def at(*registers: int) -> ProbeDescription:
    """The three channels of the point, each at a register of its own."""
    places = zip(POINT.channels, registers, strict=True)
    return replace(
        POINT, channels=tuple(replace(c, place=replace(c.place, register=register)) for c, register in places)
    )


def alone(place: int) -> ProbeDescription:
    """One channel of the point, at register 0."""
    one = POINT.channels[place]
    return replace(POINT, channels=(replace(one, place=replace(one.place, register=0)),))


def apart(*values: float) -> dict[int, int]:
    """Registers of three numbers at 0, 20 and 40."""
    return dict(zip((0, 1, 20, 21, 40, 41), words_of(*values).values(), strict=True))


def once(change: Callable[[bytes], bytes], at: int = 0) -> Callable[[bytes, int], bytes]:
    return lambda reply, n: change(reply) if n == at else reply


def flipped(reply: bytes) -> bytes:
    return reply[:4] + bytes([reply[4] ^ 4]) + reply[5:]


BAD_FRAME, BAD_CHECK, NO_VALUE = Status.BAD_FRAME, Status.BAD_CHECK, Status.NO_VALUE
MATRIX: dict[str, Behaviour] = {
    "at once": right(),
    "in its own time": right(device(after_s=0.9)),
    "echo of the adapter": right(echo=True),
    "noise before each reply": right(before=b"\x00\xff"),
    "noise behind each reply": right(after=b"\x00"),
    "noise that begins like a reply": right(before=b"\x01\x03\x0c"),
    "every reply 1.5 s late": right(late_s=1.5),
    "every reply 3 s late": right(line={"reply_extra_s": 2.0}, late_s=3.0),
    "reply lost once": right(spoil=once(lambda reply: b"")),
    "wrong bit once": right(spoil=once(flipped)),
    "half a reply once": right(spoil=once(lambda reply: reply[:7])),
    "busy once": right(device(exception=6, exception_times=1)),
    "three requests": replace(right(EmulatedDevice(holding=apart(*VALUES))), probe=at(0, 20, 40)),
    "nobody there": refused(Status.SILENT, "found silence", device(address=2)),
    "a register it has not": replace(
        refused(NO_VALUE, "answered exception 2, illegal data address, to 6 from register 500"), probe=at(500, 502, 504)
    ),
    "a number of the manual": replace(
        refused(NO_VALUE, "40001 of a manual is register 0 of the holding table"), probe=at(40001, 40003, 40005)
    ),
    "a function it has not": refused(NO_VALUE, "exception 1, illegal function", device(exception=1)),
    "fails inside": refused(NO_VALUE, "exception 4, server device failure", device(exception=4)),
    "busy for ever": refused(NO_VALUE, "exception 6, server device busy", device(exception=6)),
    "one register at a time": refused(NO_VALUE, "exception 3, illegal data value", device(one_at_a_time=True)),
    "one register short": refused(Status.SHORT, "found 5 registers, expected 6", device(one_short=True)),
    "one register more": refused(Status.SHORT, "found 7 registers, expected 6", device(one_more=True)),
    "two devices at one address, at once": refused(
        BAD_CHECK, "two devices at one address", device(), device(20.0, 9.0, 1.0)
    ),
    "two devices at one address, one after the other": refused(
        BAD_FRAME, "found two answers to one question", device(), device(20.0, 9.0, 1.0, after_s=0.04)
    ),
    "another device answers": refused(
        BAD_FRAME, "Look at baud and frame", spoil=lambda reply, n: b"\x02" + reply[1:]
    ),
    "wrong bits in every reply": refused(BAD_CHECK, "expected a CRC that fits", spoil=lambda reply, n: flipped(reply)),
    "speed that does not fit": refused(BAD_FRAME, "Look at baud and frame", spoil=lambda reply, n: b"\xf8\x80\xfe"),
    "swapped words": refused(NO_VALUE, "As order abcd it is 12.3", device(12.3, 8.7, 0.77, order="abcd")),
    "swapped words of round numbers": refused(NO_VALUE, "look at `order`", device(order="abcd")),
    "swapped words of a round number alone": replace(
        refused(NO_VALUE, "As order abcd it is 0.75", device(0.75, order="abcd")), probe=alone(2)
    ),
    "sentinels and no number": refused(NO_VALUE, "", device(-9999.0, float("nan"), -9999.0)),
    "one beyond physics": replace(
        right(device(12.5, 99.0, 0.75)), values=(12.5, None, 0.75), words="found 99, expected soil_temperature from"
    ),
}  # fmt: skip
SEEN: Counter[str] = Counter()


@pytest.fixture
def serial_line(pty_plug) -> Iterator[Callable[..., SerialLine]]:
    opened: list[SerialLine] = []

    def make(serve: Callable[[int, threading.Event], None], told: dict[str, object] | None = None) -> SerialLine:
        pty_plug.plug_in(serve)
        pty_plug.leave_to_the_agent()
        config = replace(LineConfig("north", str(pty_plug.link), "modbus", 9600, "8N1"), **(told or {}))
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
        print(f"\nModbus behaviours: {SEEN.total()} of {len(MATRIX)} tried: {counted}")


def read(description: ProbeDescription, line: SerialLine, address: str = "1") -> tuple[list[Sample], str | None]:
    probe = ProbeConfig("p1", "square-1", "north", address, Cadence(900, 900, 0), description)
    return sample_registers(probe, 900, line, SystemClock(), threading.Event())


@pytest.mark.parametrize("name", MATRIX)
def test_behaviour_is_read_rightly_or_refused_in_words(name: str, serial_line: Callable) -> None:
    """Values as the device was given them, or none and the reason."""
    this = MATRIX[name]
    samples, reason = read(this.probe, serial_line(this.far.serve, this.line))
    assert [one.channel for one in samples] == [f"square-1/p1/{c.name}" for c in this.probe.channels]
    if this.values is None:
        assert {(one.raw, one.status) for one in samples} == {(None, this.status)}, (samples, reason)
        assert this.words in (reason or ""), reason
        SEEN["refused in words"] += 1
    else:
        assert tuple(one.raw for one in samples) == this.values, (samples, reason)
        assert (this.words in (reason or "")) if this.words else reason is None, reason
        SEEN["right"] += 1


def test_neighbours_are_one_request(serial_line: Callable) -> None:
    """A profile of eight channels side by side is one question and one answer."""
    profile = load_probe("register_profile")
    far = EmulatedDevice(address=17, input=dict(enumerate([2100, 2400, 2700, 3000, 1150, 1100, 65086, 900])))
    samples, reason = read(profile, serial_line(EmulatedBus([far]).serve), "17")
    assert reason is None and far.asked == [(4, 0, 8)]
    expected = [0.21, 0.24, 0.27, 0.30, 11.5, 11.0, -4.5, 9.0]
    assert [one.raw for one in samples] == pytest.approx(expected, rel=1e-12)  # scaled in double precision


def test_line_that_damages_answers_is_called_noisy_without_doubt_of_its_values(serial_line: Callable) -> None:
    """The words name plugs and earth; no value is in doubt, each had a CRC."""
    tally = AnswerTally(checked=True)
    for n in range(100):
        tally.add(1, int(n % 20 == 0))
    assert tally.noise.startswith("noisy: ") and "doubt" not in tally.noise


def test_scan_finds_every_device_and_names_two_at_one_address(serial_line: Callable) -> None:
    """A device with registers, one that refuses register 0, one of input registers alone, and two that collide."""
    bus = EmulatedBus([
        device(address=3), EmulatedDevice(address=9, holding={7: 1}), EmulatedDevice(address=12, input={0: 5}),
        device(address=15), device(20.0, 9.0, 1.0, address=15, after_s=0.04),
    ])  # fmt: skip
    asked = [str(n) for n in range(1, 17)]
    found = dict(scan_devices(serial_line(bus.serve), SystemClock(), threading.Event(), asked))
    assert {address for address, wrong in found.items() if wrong is None} == {"3", "9", "12"}
    assert found.keys() == {"3", "9", "12", "15"} and "two answers to one question" in (found["15"] or "")


def test_scan_does_not_take_a_gateway_for_the_devices_behind_it(serial_line: Callable) -> None:
    """With exceptions 10 and 11 a gateway says that nobody answers there (Application Protocol, section 7)."""
    behind = [EmulatedDevice(address=n, exception=code) for n, code in ((4, 10), (5, 11), (6, 4))]
    asked = [str(n) for n in range(3, 8)]
    found = scan_devices(serial_line(EmulatedBus(behind).serve), SystemClock(), threading.Event(), asked)
    assert dict(found) == {"6": None}


# --- the server of another implementation ------------------------------------------------------------------------


class OtherServer:
    """The serial server of pymodbus at the far end of a pseudo-terminal, in a thread of its own."""

    def __init__(self, link: Path, devices: list[SimDevice]) -> None:
        self.master, self.slave = os.openpty()
        near, self.near_slave = os.openpty()
        self._near = near
        link.symlink_to(os.ttyname(self.near_slave))
        self._devices = devices
        self._stop = threading.Event()
        self._loop = asyncio.new_event_loop()
        self.ready = threading.Event()
        self._threads = [
            threading.Thread(target=self._run, daemon=True),
            threading.Thread(target=self._wire, daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def _wire(self) -> None:
        """Carry bytes between the two pseudo-terminals: each end is opened by one program."""
        import select

        while not self._stop.is_set():
            for end in select.select([self.master, self._near], [], [], 0.01)[0]:
                data = os.read(end, 1024)
                os.write(self._near if end == self.master else self.master, data)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)

        async def serve() -> None:
            server = ModbusSerialServer(
                self._devices, port=os.ttyname(self.slave), baudrate=9600, ignore_missing_devices=True
            )
            self._server = server
            await server.serve_forever(background=True)
            self.ready.set()

        self._loop.run_until_complete(serve())
        self._loop.run_forever()

    def close(self) -> None:
        asyncio.run_coroutine_threadsafe(self._server.shutdown(), self._loop).result(5)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._stop.set()
        for thread in self._threads:
            thread.join(5)
        for fd in (self.master, self.slave, self._near, self.near_slave):
            os.close(fd)


@pytest.fixture
def other_server(tmp_path: Path) -> Iterator[Path]:
    """Two devices: the point at address 4 and the profile at 17."""

    def rows(words: dict[int, int]) -> list[SimData]:
        return [SimData(n, values=word, datatype=DataType.REGISTERS) for n, word in words.items()]

    profile = [2100, 2400, 2700, 3000, 1150, 1100, 65086, 900]
    none, bits = rows({60000: 0}), [SimData(0, values=False, datatype=DataType.BITS)]
    server = OtherServer(
        tmp_path / "line-other",
        [
            SimDevice(4, (bits, bits, rows(words_of(*VALUES)), none)),
            SimDevice(17, (bits, bits, none, rows(dict(enumerate(profile))))),
        ],
    )
    assert server.ready.wait(10)
    yield tmp_path / "line-other"
    server.close()


def test_server_of_the_other_implementation_is_read_rightly(other_server: Path) -> None:
    """Both models of ours from its registers, a register it has not; and its devices are found."""
    line = SerialLine(LineConfig("north", str(other_server), "modbus", 9600, "8N1"), monotonic=SystemClock().monotonic)
    try:
        samples, reason = read(POINT, line, "4")
        assert [one.raw for one in samples] == list(VALUES) and reason is None
        samples, reason = read(load_probe("register_profile"), line, "17")
        assert samples[6].raw == pytest.approx(-4.5) and samples[3].raw == pytest.approx(0.30) and reason is None
        samples, reason = read(at(40001, 40003, 40005), line, "4")
        assert {one.status for one in samples} == {NO_VALUE}
        assert "exception 2" in (reason or "") and "40001 of a manual is register 0" in (reason or "")
        found = list(scan_devices(line, SystemClock(), threading.Event(), ["4", "17"]))
        assert found == [("4", None), ("17", None)]
    finally:
        line.close()


def test_description_without_a_table_is_of_the_holding_registers() -> None:
    """Only `register` has to be written: `u16` of the holding table."""
    text = 'protocol = "modbus"\n[[channel]]\nname = "a"\nheard = "water_content"\nregister = 7\n'
    (channel,) = parse_probe(text, "own", file="own.toml").channels
    assert channel.place is not None
    assert (channel.place.table.value, channel.place.register, channel.place.type) == ("holding", 7, "u16")
