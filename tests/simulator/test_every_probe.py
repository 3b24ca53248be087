"""A probe: every description that comes with the project is served, read back over a real line, and held against truth.

Adding a description adds it to this suite: nothing here names one.
"""

import json
import math
import os
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from threading import Event

import pytest

from hardware.modbus import RegisterRequest, decode_number, joined_spans
from hardware.probe import Channel, load_probe, models
from hardware.quantities import QUANTITIES
from hardware.reading import Reading, Status
from hardware.sdi12 import Done, Fail, measurement
from hardware.sdi12 import Measurement as Talk
from hardware.sdi12_frame import Command, CommandKind, Identification, decode_reply
from probe_agent.clock import SystemClock
from probe_agent.config import AgentBroker, ProbeConfig, UplinkLineConfig
from probe_agent.modbus_sampler import sample_registers
from probe_agent.mqtt import ReceivedMessage
from probe_agent.outbox import Outbox
from probe_agent.sampler import decode, sample
from probe_agent.schedule import Cadence
from probe_agent.uplinks import UplinkLine
from simulator.bus import ModbusBus, Sdi12Bus
from simulator.faults import LINE_FAULTS, Sent, with_line_faults
from simulator.probes import VirtualProbe, decimals_sent, relation_for

SDI12 = [model for model in models() if load_probe(model).protocol == "sdi12"]
RADIO = [model for model in models() if load_probe(model).protocol == "mqtt"]
MODBUS = [model for model in models() if load_probe(model).protocol == "modbus"]
NOON_MS = 1_748_779_200_000  # 2025-06-01 12:00
HOUR_MS = 3_600_000
ROUNDS = 120
LEVELS = 5  # of a sensing volume


def expected(channel: Channel, truth) -> float:
    """What a perfect channel hears at noon: the mean of the formula over its sensing volume, through the medium."""
    if channel.depth_m is None:
        return truth.value(channel.heard, None, NOON_MS)
    height = channel.sensing_height_m
    depths = [channel.depth_m + height * ((i + 0.5) / LEVELS - 0.5) for i in range(LEVELS)]
    if channel.heard == "apparent_permittivity":
        heard = [relation_for(channel)(truth.value("water_content", depth, NOON_MS)) for depth in depths]
    else:
        heard = [truth.value(channel.heard, depth, NOON_MS) for depth in depths]
    return math.fsum(heard) / LEVELS


def by_channel(probe: VirtualProbe, command: str, outcome: Done) -> dict[str, float]:
    """Numbers heard, by channel: scale x value sent + offset, as `hardware.probe.Channel` defines it."""
    return {
        channel.name: channel.scale * float(outcome.values[channel.position - 1]) + channel.offset
        for channel in probe.description.channels
        if channel.command == command
    }


def talk(probe: VirtualProbe, command: str) -> Talk:
    count = max(c.position for c in probe.description.channels if c.command == command)
    return Talk(measurement("3", command, crc=probe.description.crc), expected_count=count, longest_wait_s=5)


@pytest.mark.parametrize("model", SDI12)
def test_values_over_a_terminal_equal_the_truth(model: str, truth, terminal: Callable) -> None:
    """Each channel, asked over a real pseudo-terminal, says the truth to half its last digit."""
    probe = VirtualProbe("p1", "square-1", load_probe(model), truth)
    line = terminal(Sdi12Bus({"3": probe}, lambda: NOON_MS))
    for command in probe.description.commands:
        outcome = line.run(talk(probe, command))
        assert isinstance(outcome, Done), outcome
        assert outcome.attempts == 1
        for name, number in by_channel(probe, command, outcome).items():
            channel = probe.description.channel(name)
            half_digit = 0.5 * abs(channel.scale) * 10.0 ** -decimals_sent(channel)
            # and 1e-9 of the number for the arithmetic of doubles
            assert number == pytest.approx(expected(channel, truth), abs=half_digit, rel=1e-9), name


@pytest.mark.parametrize("model", SDI12)
def test_probe_says_who_it_is(model: str, truth, terminal: Callable) -> None:
    """`aI!` is answered by an identification with the probe's own address, and no other address is answered."""
    probe = VirtualProbe("p1", "square-1", load_probe(model), truth)
    line = terminal(Sdi12Bus({"3": probe}, lambda: NOON_MS))
    os.write(line.port, b"4I!")  # for somebody else: were it answered, this would be what is heard first
    os.write(line.port, b"3I!")
    who = decode_reply(line.listen(), Command("3", CommandKind.IDENTIFY))
    assert isinstance(who, Identification) and who.address == "3" and who.serial == "p1"


@pytest.mark.parametrize("model", SDI12)
def test_truth_that_is_missing_is_sent_as_no_value(model: str, memory_line: Callable) -> None:
    """Where there is no truth each channel sends a number outside the limits of every quantity, never a made-up one."""

    class Nothing:
        def value(self, quantity: str, depth_m: float | None, at_ms: int) -> None:
            return None

    probe = VirtualProbe("p1", "square-1", load_probe(model), Nothing())
    line = memory_line(Sdi12Bus({"3": probe}, lambda: NOON_MS))
    for command in probe.description.commands:
        outcome = line.run(talk(probe, command))
        assert isinstance(outcome, Done)
        for name, number in by_channel(probe, command, outcome).items():
            limits = QUANTITIES[probe.description.channel(name).heard]
            assert not limits.lowest <= number <= limits.highest


@pytest.mark.parametrize("kind", [kind for kind in LINE_FAULTS if kind != "unplugged"])
@pytest.mark.parametrize("model", SDI12)
def test_no_line_fault_makes_a_wrong_value_good(model: str, kind: str, truth, memory_line: Callable) -> None:
    """With check characters each outcome is the whole truth or a refusal, and the line serves on between faults.

    Every model is asked with them here, whether its own have any; without them the next test asks.
    """
    probe = VirtualProbe("p1", "square-1", replace(load_probe(model), crc=True), truth, seed=11)
    now_ms = [NOON_MS]
    line = memory_line(Sdi12Bus({"3": probe}, lambda: now_ms[0], shares={kind: 0.4}, seed=f"{model}/{kind}"))
    seen: Counter[str] = Counter()
    for hour in range(ROUNDS):
        now_ms[0] = NOON_MS + hour * HOUR_MS
        for command in probe.description.commands:
            outcome = line.run(talk(probe, command))
            seen["refused" if isinstance(outcome, Fail) else "good" if outcome.attempts == 1 else "repeated"] += 1
            if isinstance(outcome, Done):
                assert outcome.values == probe.answer(command, now_ms[0]), (command, hour)
    if kind == "late":  # what comes while nothing else was asked is the answer
        assert seen["good"] == seen.total()
        return
    # 40 % of replies hurt: a talk has at least two, so most need a repeat, and one in fifteen replies fails thrice.
    assert seen["repeated"] > 0.1 * ROUNDS and seen["good"] > 0.1 * ROUNDS
    assert seen["refused"] > 0 or kind == "noise"


class OneHurt:
    """A far end on a line that hurts one reply and lets all others through.

    Parameters
    ----------
    bus : Sdi12Bus or ModbusBus
    kind : str
        One of `LINE_FAULTS`.
    """

    def __init__(self, bus: Sdi12Bus | ModbusBus, kind: str, random: Random) -> None:
        self.left = -1  # sound replies before the one that is hurt
        self.receive, self.due_s = bus.receive, bus.due_s
        self._bus, self._kind, self._random = bus, kind, random

    def send(self, now_s: float) -> list[Sent]:
        out: list[Sent] = []
        for sent in self._bus.send(now_s):
            hurt = self.left == 0
            self.left -= 1
            out += with_line_faults(sent.data, {self._kind: 1.0}, self._random) if hurt else [sent]
        return out


@pytest.mark.parametrize("kind", [kind for kind in LINE_FAULTS if kind != "unplugged"])
@pytest.mark.parametrize("crc", [True, False], ids=["checked", "unchecked"])
@pytest.mark.parametrize("model", SDI12)
def test_reply_that_is_hurt_never_makes_a_wrong_value_good(
    model: str, crc: bool, kind: str, truth, agent_line: Callable
) -> None:
    """By the agent's own sampler, which asks a probe without check characters twice: each value is the truth or none.

    One reply of a slot is hurt, any of them. Two hurt alike would pass where nothing checks them: nobody could tell.
    """
    described = replace(load_probe(model), crc=crc)
    probe = VirtualProbe("p1", "square-1", described, truth, seed=11)
    config = ProbeConfig("p1", "square-1", "bench", "3", Cadence(900, 900, 0), described)
    random, now_ms = Random(f"{model}/{crc}/{kind}"), [NOON_MS]
    far_end = OneHurt(Sdi12Bus({"3": probe}, lambda: now_ms[0]), kind, random)
    line = agent_line(far_end)
    replies = len(described.commands) * (2 if crc else 3)  # time and count, the values, the values again; at the least
    seen: Counter[str] = Counter()
    for hour in range(ROUNDS):
        now_ms[0] = NOON_MS + hour * HOUR_MS
        line.now_s += HOUR_MS / 1000.0
        far_end.left = random.randrange(replies)
        for channel, one in zip(described.channels, sample(config, hour, line, line, Event())[0], strict=True):
            sent = float(probe.answer(channel.command, now_ms[0])[channel.position - 1])
            assert one.raw in (None, decode(channel, sent)), (channel.name, hour)
            assert (one.raw is None) == (one.status is not Status.OK)
            seen["refused" if one.raw is None else "good" if one.attempts == 1 else "repeated"] += 1
    # one hurt reply is waited out and asked for again: a value is hardly ever lost by it
    assert seen["good"] + seen["repeated"] > 0.9 * seen.total()
    if kind == "late":  # one that comes while nothing else was asked is the answer
        assert seen["good"] == seen.total()
    else:
        assert seen["repeated"] > 0


@pytest.mark.parametrize("crc", [True, False], ids=["checked", "unchecked"])
def test_late_reply_is_never_taken_for_the_next(crc: bool, truth, agent_line: Callable) -> None:
    """Two of five replies 0.3 to 0.9 s late, one question after the other: no value is another's, hardly one is lost.

    Check characters cannot tell a late reply to the last question from one to this.
    """
    described = replace(load_probe("root_zone_profile"), crc=crc)
    probe = VirtualProbe("p1", "square-1", described, truth, seed=11)
    config = ProbeConfig("p1", "square-1", "bench", "3", Cadence(900, 900, 0), described)
    now_ms = [NOON_MS]
    line = agent_line(Sdi12Bus({"3": probe}, lambda: now_ms[0], shares={"late": 0.4}, seed=f"late/{crc}"))
    seen: Counter[str] = Counter()
    for hour in range(10 * ROUNDS):
        now_ms[0] = NOON_MS + hour * HOUR_MS
        for channel, one in zip(described.channels, sample(config, hour, line, line, Event())[0], strict=True):
            sent = decode(channel, float(probe.answer(channel.command, now_ms[0])[channel.position - 1]))
            seen["lost" if one.raw is None else "right" if one.raw == sent else "wrong as good"] += 1
    print(f"late replies, {'with' if crc else 'without'} check characters: {dict(seen)} of {seen.total()}")
    assert seen["wrong as good"] == 0
    assert seen["lost"] < 0.001 * seen.total()


@pytest.mark.parametrize("model", SDI12)
def test_probe_that_takes_its_time_asks_to_be_heard(model: str, truth, memory_line: Callable) -> None:
    """When time runs, values come after the announced second, fetched on the probe's own service request."""
    probe = VirtualProbe("p1", "square-1", load_probe(model), truth)
    bus = Sdi12Bus({"3": probe}, lambda: NOON_MS)
    bus.take_time()
    line = memory_line(bus)
    outcome = line.run(talk(probe, probe.description.commands[0]))
    assert isinstance(outcome, Done)
    assert outcome.values == probe.answer(probe.description.commands[0], NOON_MS)
    assert 0.5 <= line.now_s < 1.5  # it announces 1 s, is done after half, and the recorder would give it 1.5


# --- over Modbus -------------------------------------------------------------------------------------------------


def numbers_sent(probe: VirtualProbe, at_ms: int) -> dict[str, float]:
    """What a virtual probe has in its registers, as numbers, by channel."""
    sent = {}
    for channel in probe.description.channels:
        place = channel.place
        registers = probe.registers(place.table, at_ms)
        words = [registers[place.register + n] for n in range(place.words)]
        sent[channel.name] = decode_number(words, place.type, place.order)
    return sent


@pytest.mark.parametrize("model", MODBUS)
def test_registers_over_a_terminal_equal_the_truth(model: str, truth, terminal: Callable) -> None:
    """Each channel, its registers asked for over a real pseudo-terminal, says the truth to half its last digit."""
    probe = VirtualProbe("p1", "square-1", load_probe(model), truth)
    line = terminal(ModbusBus({"17": probe}, lambda: NOON_MS))
    heard = {}
    for table, first, count in joined_spans(channel.place for channel in probe.description.channels):
        registers = line.registers(RegisterRequest(17, table, first, count))
        for channel in probe.description.channels:
            place = channel.place
            if place.table is table and first <= place.register < first + count:
                words = registers[place.register - first :][: place.words]
                number = decode_number(words, place.type, place.order)
                heard[channel.name] = channel.scale * number + channel.offset
    assert heard.keys() == {channel.name for channel in probe.description.channels}
    for channel in probe.description.channels:
        # half a unit of a whole number; of a single-precision one half its last of 24 bits
        half_digit = 0.5 * abs(channel.scale) if channel.place.type != "f32" else 0.0
        rel = 2.0**-24 if channel.place.type == "f32" else 1e-9
        assert heard[channel.name] == pytest.approx(expected(channel, truth), abs=half_digit, rel=rel), channel.name


@pytest.mark.parametrize("model", MODBUS)
def test_agent_reads_the_truth_and_no_other_address_answers(model: str, truth, agent_line: Callable) -> None:
    """By the agent's own sampler every channel is good at its address, and silent at any other."""
    described = load_probe(model)
    probe = VirtualProbe("p1", "square-1", described, truth)
    for address in ("17", "18"):
        config = ProbeConfig("p1", "square-1", "bench", address, Cadence(900, 900, 0), described)
        line = agent_line(ModbusBus({"17": probe}, lambda: NOON_MS))
        samples, _ = sample_registers(config, 900, line, line, Event())
        if address == "17":
            sent = numbers_sent(probe, NOON_MS)
            assert [one.raw for one in samples] == [decode(c, sent[c.name]) for c in described.channels]
        assert {one.status for one in samples} == {Status.OK if address == "17" else Status.SILENT}


@pytest.mark.parametrize("model", MODBUS)
def test_truth_that_is_missing_is_no_value_over_modbus(model: str, agent_line: Callable) -> None:
    """Where there is no truth each channel has a number that is none, never a made-up one."""

    class Nothing:
        def value(self, quantity: str, depth_m: float | None, at_ms: int) -> None:
            return None

    described = load_probe(model)
    line = agent_line(ModbusBus({"3": VirtualProbe("p1", "square-1", described, Nothing())}, lambda: NOON_MS))
    config = ProbeConfig("p1", "square-1", "bench", "3", Cadence(900, 900, 0), described)
    samples, _ = sample_registers(config, 900, line, line, Event())
    assert {(one.raw, one.status) for one in samples} == {(None, Status.NO_VALUE)}


@pytest.mark.parametrize("share", [0.4, None], ids=["many hurt", "one hurt"])
@pytest.mark.parametrize("kind", [kind for kind in LINE_FAULTS if kind != "unplugged"])
@pytest.mark.parametrize("model", MODBUS)
def test_no_line_fault_makes_a_wrong_register_good(
    model: str, kind: str, share: float | None, truth, agent_line: Callable
) -> None:
    """Two of five replies hurt, or one of each slot: each value is the truth or none, and the line serves on."""
    described = load_probe(model)
    probe = VirtualProbe("p1", "square-1", described, truth, seed=11)
    config = ProbeConfig("p1", "square-1", "bench", "3", Cadence(900, 900, 0), described)
    random, now_ms = Random(f"{model}/{kind}"), [NOON_MS]
    shares = {} if share is None else {kind: share}
    bus = ModbusBus({"3": probe}, lambda: now_ms[0], shares=shares, seed=f"{model}/{kind}")
    far_end = bus if share is not None else OneHurt(bus, kind, random)
    line = agent_line(far_end)
    seen: Counter[str] = Counter()
    for hour in range(ROUNDS):
        now_ms[0] = NOON_MS + hour * HOUR_MS
        line.now_s += HOUR_MS / 1000.0
        if isinstance(far_end, OneHurt):
            far_end.left = 0
        sent = numbers_sent(probe, now_ms[0])
        samples, _ = sample_registers(config, hour, line, line, Event())
        for channel, one in zip(described.channels, samples, strict=True):
            assert one.raw in (None, decode(channel, sent[channel.name])), (channel.name, hour)
            assert (one.raw is None) == (one.status is not Status.OK)
            seen["refused" if one.raw is None else "good" if one.attempts == 1 else "repeated"] += 1
    if kind == "late":  # what comes while nothing else was asked is the answer
        assert seen["good"] == seen.total()
    elif share is None:  # waited out, and asked for again: no value is lost by it
        assert seen["refused"] == 0 and seen["repeated"] > 0
    else:
        assert seen["repeated"] > 0.1 * seen.total() and seen["good"] > 0.1 * seen.total()


class Behindhand:
    """A far end whose every reply comes so many seconds late."""

    def __init__(self, bus: ModbusBus, late_s: float) -> None:
        self.receive, self.due_s = bus.receive, bus.due_s
        self._bus, self._late_s = bus, late_s

    def send(self, now_s: float) -> list[Sent]:
        return [Sent(sent.after_s + self._late_s, sent.data) for sent in self._bus.send(now_s)]


@pytest.mark.parametrize("tenths", range(0, 40))
def test_late_register_is_never_taken_for_the_next(tenths: int, truth, agent_line: Callable) -> None:
    """Three questions of one size, every reply up to 4 s late: no number stands in another's place.

    A reply does not say which registers it holds.
    """
    shipped = load_probe("register_point")
    apart = [
        replace(channel, place=replace(channel.place, register=20 * n)) for n, channel in enumerate(shipped.channels)
    ]
    described = replace(shipped, channels=tuple(apart))
    probe = VirtualProbe("p1", "square-1", described, truth)
    config = ProbeConfig("p1", "square-1", "bench", "3", Cadence(900, 900, 0), described)
    line = agent_line(Behindhand(ModbusBus({"3": probe}, lambda: NOON_MS), tenths / 10))
    sent = numbers_sent(probe, NOON_MS)
    for slot in range(20):
        samples, _ = sample_registers(config, slot, line, line, Event())
        for channel, one in zip(described.channels, samples, strict=True):
            assert one.raw in (None, decode(channel, sent[channel.name])), (channel.name, slot)
        assert (tenths > 20) or {one.status for one in samples} == {Status.OK}


# --- by radio ----------------------------------------------------------------------------------------------------


def message_of(probe: VirtualProbe, device: str, counter: int, at_ms: int, heard: dict[str, float | None]) -> bytes:
    """What a network server would publish of a radio node, in the shape of its description."""
    shape = probe.description.message
    told: dict[str, object] = {shape.device: device, shape.counter: counter, shape.signal: -99}
    moment = {"s": at_ms / 1000, "ms": at_ms, "rfc3339": datetime.fromtimestamp(at_ms / 1000, UTC).isoformat()}
    told |= {shape.time: moment[shape.time_form], shape.battery: 3.5 / shape.battery_scale}
    for channel in probe.description.channels:
        number = heard[channel.name]
        told[channel.path] = None if number is None else (number - channel.offset) / channel.scale
    message: dict = {}
    for path, value in told.items():
        *outer, last = path.split(".")
        place = message
        for name in outer:
            place = place.setdefault(name, {})
        place[last] = value
    return json.dumps(lists_for_numbers(message)).encode()


def lists_for_numbers(value: object) -> object:
    """The same with a list wherever all names are its places."""
    if not isinstance(value, dict):
        return value
    inside = {name: lists_for_numbers(one) for name, one in value.items()}
    places = sorted(inside, key=lambda name: (len(name), name))
    return [inside[name] for name in places] if places == [str(n) for n in range(len(places))] else inside


class RadioNode:
    """A line of one radio node over a real outbox; messages are handed to it as the broker would."""

    def __init__(self, model: str, folder: Path) -> None:
        self.outbox = Outbox(folder, site="home", node="hut", max_bytes=8 << 20)
        self.described = load_probe(model)
        config = ProbeConfig("p1", "square-1", "radio", "n7", Cadence(900, 900, 0), self.described)
        nowhere = AgentBroker("x", 1, None, None, None, None, None, 30.0, 8, False)
        self.said: list[str] = []
        self.line = UplinkLine(
            UplinkLineConfig("radio", "#", nowhere), "session", [config], SystemClock(), lambda: self.outbox,
            lambda what, state, reason: self.said.append(f"{what} {state} {reason}"), lambda samples: None,
            chance=lambda: 0.5,
        )  # fmt: skip

    def take(self, payload: bytes) -> None:
        self.line._take(ReceivedMessage(payload, False, 1, 1))

    def readings(self) -> list[Reading]:
        batch = self.outbox.batch(0, 10_000)
        return [] if batch is None else list(batch.readings)


@pytest.mark.parametrize("model", RADIO)
def test_message_of_a_virtual_radio_node_is_kept_as_the_truth(model: str, truth, tmp_path: Path) -> None:
    """Each channel says the truth; identity, time, battery and signal are those of the message."""
    node = RadioNode(model, tmp_path)
    probe = VirtualProbe("p1", "square-1", node.described, truth)
    heard = {channel.name: expected(channel, truth) for channel in node.described.channels}
    node.take(message_of(probe, "n7", 5, NOON_MS, heard))
    readings = node.readings()
    assert [r.channel for r in readings] == [f"square-1/p1/{channel.name}" for channel in node.described.channels]
    assert {(r.slot, r.measured_at_ms, r.status) for r in readings} == {("uplink:n7:0:5", NOON_MS, Status.OK)}
    for channel, reading in zip(node.described.channels, readings, strict=True):
        assert reading.raw == pytest.approx(heard[channel.name], rel=1e-12)
    told = node.line.devices["square-1/p1"]
    assert (told.battery_v, told.signal_dbm) == (pytest.approx(3.5), -99.0)


@pytest.mark.parametrize("model", RADIO)
def test_damaged_message_of_a_radio_node_makes_no_wrong_value_good(model: str, truth, tmp_path: Path) -> None:
    """Each number as text, each taken away, null, another device, each byte cut off: the truth, or none in words."""
    node = RadioNode(model, tmp_path)
    probe = VirtualProbe("p1", "square-1", node.described, truth)
    heard: dict[str, float | None] = {c.name: expected(c, truth) for c in node.described.channels}
    whole = message_of(probe, "n7", 0, NOON_MS, heard)
    for end in range(len(whole)):
        node.take(whole[:end])
    assert node.readings() == [] and any("expected JSON" in said for said in node.said)
    node.take(message_of(probe, "n8", 0, NOON_MS, heard))
    assert node.readings() == [] and any("has the address of a device that sends: n8" in said for said in node.said)
    for n, channel in enumerate(node.described.channels):
        node.take(message_of(probe, "n7", 2 * n, NOON_MS + n, heard | {channel.name: None}))
        text = json.dumps(heard[channel.name] / channel.scale).encode()  # type: ignore[operator]
        payload = message_of(probe, "n7", 2 * n + 1, NOON_MS + n, heard)
        assert text in payload
        node.take(payload.replace(text, b'"' + text + b'"', 1))
    readings = node.readings()
    assert len(readings) == 2 * len(heard) ** 2
    lost = Counter(reading.status for reading in readings if reading.raw is None)
    assert lost == {Status.NO_VALUE: len(heard), Status.BAD_FRAME: len(heard)}
    for reading in readings:
        name = reading.channel.rsplit("/", 1)[1]
        assert reading.raw is None or reading.raw == pytest.approx(heard[name], rel=1e-12)
