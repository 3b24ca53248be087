"""A week of virtual time of everything one agent can have: Modbus and SDI-12 lines, a dock, and radio nodes.

The far ends are emulators written from the standards' texts; what they were given is what must come of them.
"""

from __future__ import annotations

import json
import struct
import threading
from collections import Counter
from pathlib import Path
from random import Random

from hardware.cone_dock import DockDevice
from hardware.probe import load_probe
from hardware.reading import Status
from probe_agent.config import AgentBroker, ProbeConfig, UplinkLineConfig
from probe_agent.line_worker import PendingCommit
from probe_agent.mqtt import ReceivedMessage
from probe_agent.outbox import Outbox
from probe_agent.schedule import Cadence
from probe_agent.uplinks import UplinkLine
from tests.probe_agent.modbus_emulator import EmulatedBus, EmulatedDevice
from tests.probe_agent.sdi12_emulator import EmulatedAdapter, EmulatedSensor
from tests.probe_agent.test_line_worker import (
    BEGIN_MS,
    INTERVAL_S,
    WEEK_S,
    HangsAtTimes,
    SharedTime,
    VirtualLine,
    probe,
    worker,
)

RADIO_NODES, EVERY_S = 20, 7200
LOST_ON_AIR = 0.02  # share of messages that nobody received
HURT, SILENT = 1 / 50, 1 / 100  # shares of Modbus replies
STROKE = [(0.01 * n, 100.0 + n) for n in range(20)]


class VirtualWires(VirtualLine):
    """A Modbus line in virtual time, at its own pace."""

    protocol, baud = "modbus", 9600

    def __init__(self, name: str, far: EmulatedBus, time: SharedTime) -> None:
        super().__init__(name, far, time)  # type: ignore[arg-type]

    def send(self, data: bytes, *, wake: bool = False) -> float:
        self.touched_at_s = self.time.now_s
        self.time.sleep_until(self.time.now_s + (3.5 + len(data)) * 11 / self.baud)
        replies = self.far._answered(data, self.time.now_s)
        self.coming = [(at_s + len(piece) * 11 / self.baud, piece) for at_s, piece in replies]
        return self.time.now_s


class VirtualDock(VirtualLine):
    """A penetrometer in its dock that has made one stroke more each day."""

    protocol = "cone"

    def __init__(self, name: str, time: SharedTime) -> None:
        super().__init__(name, EmulatedAdapter([]), time)
        self.device, self.days = DockDevice("C1"), 0

    def send(self, data: bytes, *, wake: bool = False, keep_input: bool = False) -> float:
        self.touched_at_s = self.time.now_s
        if self.time.now_s >= self.days * 86_400 + 43_200:
            self.days += 1
            self.device.push(STROKE, self.time.now_s - 60)
        self.device.receive(data)
        return self.time.now_s

    def receive(self, deadline: float) -> bytes:
        self.touched_at_s = self.time.now_s
        data = self.device.send(self.time.now_s)
        self.time.sleep_until(self.time.now_s + len(data) * 10 / 9600 if data else deadline)
        return data


def modbus_device(address: int) -> tuple[EmulatedDevice, dict[str, float]]:
    """A point of three numbers of its own, and what they are by channel."""
    values = {"moisture": 10.0 + address, "temperature": address + 0.25, "ec": address / 8}
    words: list[int] = []
    for value in values.values():
        high, low = struct.unpack(">HH", struct.pack(">f", value))
        words += [low, high]
    return EmulatedDevice(address=address, holding=dict(enumerate(words))), values


def bad_wires(devices: list[EmulatedDevice], seed: int) -> EmulatedBus:
    """A bus on which one reply in fifty is hurt and one in a hundred never comes."""
    chance = Random(seed)

    def spoil(reply: bytes, n: int) -> bytes:
        drawn = chance.random()
        if drawn < SILENT:
            return b""
        if drawn < SILENT + HURT:
            place = chance.randrange(len(reply))
            return reply[:place] + bytes([reply[place] ^ 1 << chance.randrange(8)]) + reply[place + 1 :]
        return reply

    return EmulatedBus(devices, spoil=spoil)


class Air(threading.Thread):
    """Radio nodes that send every two hours; some messages get lost, and one node starts its counter again."""

    def __init__(self, line: UplinkLine, time: SharedTime, stop: threading.Event) -> None:
        super().__init__()
        self.line, self.time, self.stop_event = line, time, stop
        self.lost: Counter[str] = Counter()
        self.sent: dict[tuple[str, int], tuple[float, float]] = {}
        self._chance = Random(7)

    def run(self) -> None:
        slot, counters, heard = 0, [0] * RADIO_NODES, [False] * RADIO_NODES
        while not self.stop_event.is_set():
            for n in range(RADIO_NODES):
                if n == 3 and slot == 40:
                    counters[n], heard[n] = 0, False  # what is lost from a new beginning on cannot be counted
                at_s = BEGIN_MS // 1000 + slot * EVERY_S + n
                values = (10.0 + n, slot / 10)
                told = {"dev": f"d{n}", "n": counters[n], "ts": at_s, "values": values, "bat_v": 3.5, "rssi": -100}
                counters[n] += 1
                if heard[n] and self._chance.random() < LOST_ON_AIR and slot < WEEK_S // EVERY_S - 2:
                    self.lost[f"s/d{n}"] += 1
                    continue
                heard[n] = True
                payload = json.dumps(told).encode()
                self.sent[f"s/d{n}", at_s * 1000] = values
                for _ in range(1 + (self._chance.random() < 0.05)):  # one in twenty comes twice
                    self.line._take(ReceivedMessage(payload, False, 1, 1))
            slot += 1
            self.time.sleep_until(slot * EVERY_S)


def test_week_of_every_kind_of_line_on_one_agent(tmp_path: Path) -> None:
    """5 Modbus probes on 2 lines, 3 SDI-12 lines, a dock, 20 radio nodes: each slot there or said lost, none wrong."""
    stop, kept = threading.Event(), list[PendingCommit]()
    time = SharedTime(7, WEEK_S, stop)
    outbox = Outbox(tmp_path, site="home", node="hut", max_bytes=64 << 20)
    point = load_probe("register_point")
    given: dict[str, dict[str, float]] = {}
    workers = []
    for name, addresses in (("m1", (1, 2, 3)), ("m2", (17, 18))):
        devices = []
        for address in addresses:
            device, given[f"m{address}"] = modbus_device(address)
            devices.append(device)
        probes = [
            ProbeConfig(f"m{address}", "s", name, str(address), Cadence(INTERVAL_S, INTERVAL_S, 0), point)
            for address in addresses
        ]
        workers.append(worker(VirtualWires(name, bad_wires(devices, len(name + "x")), time), probes, kept.append))
    for name, far, probes in (
        ("a", EmulatedAdapter([EmulatedSensor("1"), EmulatedSensor("2")]), [probe("1"), probe("2")]),
        ("b", HangsAtTimes([EmulatedSensor("3", ttt=40)]), [probe("3")]),
        ("c", EmulatedAdapter([EmulatedSensor("4", ttt=3, done_after_s=2.0)]), [probe("4")]),
    ):
        given.update({one.name: {"moisture": 12.5, "temperature": 8.25} for one in probes})
        workers.append(worker(VirtualLine(name, far, time), probes, kept.append))
    cone = ProbeConfig("cone", "s", "dock", "0", Cadence(60, 60, 0), load_probe("cone_hard"))
    dock_line = VirtualDock("dock", time)
    docked = worker(dock_line, [cone], kept.append)
    docked.outbox = lambda: outbox
    workers.append(docked)
    nowhere = AgentBroker("x", 1, None, None, None, None, None, 30.0, 8, False)
    radio = UplinkLine(
        UplinkLineConfig("radio", "radio/#", nowhere), "session",
        [
            ProbeConfig(f"d{n}", "s", "radio", f"d{n}", Cadence(INTERVAL_S, INTERVAL_S, 0), load_probe("radio_flat"))
            for n in range(RADIO_NODES)
        ],
        time, lambda: outbox, lambda *_: None, lambda samples: None, chance=lambda: 0.5,
    )  # fmt: skip
    air = Air(radio, time, stop)
    threads = [*(threading.Thread(target=one.run, args=(stop,)) for one in workers), air]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(110)
        assert not thread.is_alive()
    counted = told_of_lines(kept, given)
    counted.update(told_of_messages(outbox, air, radio))
    strokes = {r.slot.split(":")[1] for r in outbox.batch(0, 100_000).readings if r.slot.startswith("stroke")}
    print(f"a week of 5 Modbus probes, 4 SDI-12 probes, a dock and {RADIO_NODES} radio nodes: {dict(counted)}")
    assert strokes == {f"C1-{n}" for n in range(1, 8)} and dock_line.device.held == ()
    outbox.close()


def told_of_lines(kept: list[PendingCommit], given: dict[str, dict[str, float]]) -> Counter[str]:
    """Statuses of all slots of serial lines, each there once; a good value is what its device was given."""
    slots: dict[str, dict[int, Status]] = {}
    for pending in kept:
        for one in pending.samples:
            _, name, channel = one.channel.split("/")
            expected = next(value for key, value in given[name].items() if channel.startswith(key))
            assert one.raw == (expected if one.status is Status.OK else None), one
            seconds = slots.setdefault(one.channel, {})
            assert int(one.slot) not in seconds
            seconds[int(one.slot)] = one.status
    counted: Counter[str] = Counter()
    grid = set(range(BEGIN_MS // 1000, BEGIN_MS // 1000 + WEEK_S, INTERVAL_S))
    assert len(slots) == sum(map(len, given.values()))
    for channel, seconds in slots.items():
        assert grid - set(seconds) <= {max(grid)}, channel  # the last may still be under way
        kind = "modbus" if channel.startswith("s/m") else "sdi12"
        counted.update(f"{kind} {status.value}" for status in seconds.values())
    assert counted["modbus ok"] > 0.99 * sum(n for what, n in counted.items() if what.startswith("modbus"))
    return counted


def told_of_messages(outbox: Outbox, air: Air, radio: UplinkLine) -> Counter[str]:
    """Readings of radio nodes: each message that was received is there once, each that was not is counted as missed."""
    readings = [r for r in outbox.batch(0, 100_000).readings if r.slot.startswith("uplink")]
    found = Counter((r.channel.rsplit("/", 1)[0], r.measured_at_ms) for r in readings)
    assert found == Counter({key: 2 for key in air.sent})
    assert len({(r.channel, r.slot) for r in readings}) == len(readings)
    for reading in readings:
        probe_id, channel = reading.channel.rsplit("/", 1)
        moisture, temperature = air.sent[probe_id, reading.measured_at_ms]
        assert reading.raw == (moisture if channel == "moisture" else temperature)
    missed = {name: device.missed for name, device in radio.devices.items()}
    assert {name: n for name, n in missed.items() if n} == dict(air.lost)
    assert radio.repeated > 0
    return Counter({"radio ok": len(readings), "radio messages missed": sum(missed.values())})
