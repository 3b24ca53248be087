"""Messages of radio nodes from a real broker into the outbox: kept before they are acknowledged, each bad one named.

The network server is a paho client of the test's own; expected values are those it published.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from hardware.reading import Reading, Status
from probe_agent.__main__ import main
from probe_agent.config import AgentConfig, AgentConfigFault, load
from probe_agent.mqtt import MOST_WAITING
from probe_agent.outbox import Outbox, OutboxFull
from probe_agent.service import once
from probe_agent.uplinks import UplinkLine, session_of

MARCH_MS = 1_772_323_200_000  # the hand clock's beginning, 2026-03-01 00:00:00 UTC
RADIO = """
[[line]]
name = "radio"
protocol = "mqtt"
topic = "radio/+/up"
"""
PROBE = """
[[probe]]
name = "{name}"
station = "square-1"
model = "{model}"
line = "radio"
address = "{device}"
"""


def flat(device: str, n: int, *, at_s: float | None = None, **more: object) -> dict[str, object]:
    at_s = MARCH_MS / 1000 + 60 * n if at_s is None else at_s
    return {"dev": device, "n": n, "ts": at_s, "values": [12.5 + n, 8.25], "bat_v": 3.4, "rssi": -101, **more}


class NetworkServer:
    """Publishes as a network server does: JSON, QoS 1."""

    def __init__(self, port: int) -> None:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="network-server")
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def publish(self, message: object, *, retain: bool = False, topic: str = "radio/x/up", qos: int = 1) -> None:
        payload = message if isinstance(message, bytes) else json.dumps(message).encode()
        self._client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(10)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Node:
    """An uplink line with an outbox, opened anew as after a kill."""

    def __init__(self, config: AgentConfig, clock, folder: Path) -> None:
        self.config, self._clock, self._folder = config, clock, folder
        self.changes: list[tuple[str, str, str | None]] = []
        self.open()

    def open(self) -> None:
        self._folder.mkdir(exist_ok=True)
        self.outbox = Outbox(self._folder, site="home", node="hut", max_bytes=64 << 20)
        (line,) = self.config.uplink_lines
        probes = [probe for probe in self.config.probes if probe.line == line.name]
        self.line = UplinkLine(
            line, session_of(self.config, line), probes, self._clock, lambda: self.outbox,
            lambda what, state, reason: self.changes.append((what, state, reason)), lambda samples: None,
            chance=lambda: 0.0,
        )  # fmt: skip

    def close(self) -> None:
        self.line.close()
        self.outbox.close()

    def readings(self) -> list[Reading]:
        batch = self.outbox.batch(0, 10_000)
        return [] if batch is None else list(batch.readings)


@pytest.fixture
def radio(
    tmp_path: Path, start_broker: Callable, write_config: Callable, hand_clock, until: Callable
) -> Iterator[Callable]:
    """Gives a connected node with two radio nodes of different shapes, and the network server."""
    opened: list[Node | NetworkServer] = []

    def make(*lines: str) -> tuple[Node, NetworkServer]:
        broker = start_broker("allow_anonymous true", "max_queued_messages 0", *lines)
        more = RADIO + PROBE.format(name="r1", model="radio_flat", device="a1")
        more += PROBE.format(name="r2", model="radio_nested", device="b2")
        node = Node(load(write_config(port=broker.port, more=more)), hand_clock, tmp_path / "node")
        server = NetworkServer(broker.port)
        opened.extend((node, server))
        until(lambda: node.line.state == "ok", step=node.line.step)
        return node, server

    yield make
    for one in opened:
        one.close()


def received(node: Node, until: Callable, count: int) -> None:
    until(lambda: node.line.received >= count, step=node.line.step)


def test_messages_of_both_shapes_are_kept_with_their_identity(radio: Callable, until: Callable) -> None:
    """Device, run and counter are the slot, the message's own time the time; battery and signal are health."""
    node, server = radio()
    server.publish(flat("a1", 7))
    server.publish({
        "device": {"id": "b2"},
        "uplink": {"counter": 3, "received_at": "2026-03-01T00:05:00Z", "rssi_dbm": -88},
        "status": {"battery_mv": 3600},
        "decoded": {"upper": {"water_percent": 21, "temperature_c": 8}, "lower": {"water_percent": 30, "temperature_c": 9}},  # noqa: E501
    })  # fmt: skip
    received(node, until, 2)
    told = [(r.channel, r.slot, r.measured_at_ms, r.raw, r.status) for r in node.readings()]
    assert told == [
        ("square-1/r1/moisture", "uplink:a1:0:7", MARCH_MS + 420_000, 19.5, Status.OK),
        ("square-1/r1/temperature", "uplink:a1:0:7", MARCH_MS + 420_000, 8.25, Status.OK),
        ("square-1/r2/moisture_050", "uplink:b2:0:3", MARCH_MS + 300_000, 0.21, Status.OK),
        ("square-1/r2/moisture_150", "uplink:b2:0:3", MARCH_MS + 300_000, 0.3, Status.OK),
        ("square-1/r2/temperature_050", "uplink:b2:0:3", MARCH_MS + 300_000, 8.0, Status.OK),
        ("square-1/r2/temperature_150", "uplink:b2:0:3", MARCH_MS + 300_000, 9.0, Status.OK),
    ]
    assert node.line.devices["square-1/r1"].as_numbers() == {
        "at_ms": float(MARCH_MS), "missed": 0.0, "battery_v": 3.4, "signal_dbm": -101.0,
    }  # fmt: skip
    assert node.line.devices["square-1/r2"].battery_v == pytest.approx(3.6)
    assert all(reading.clock_ok for reading in node.readings())


BAD: dict[str, tuple[object, str]] = {
    "a device nobody described": (flat("c3", 1), "has the address of a device that sends: c3"),
    "JSON of another shape": ({"id": "a1", "value": 3}, "no device found in a message at dev, device.id"),
    "no JSON": (b"\x01\x02", "message: found b'\\x01\\x02', expected JSON"),
    "a counter as text": (flat("a1", 1) | {"n": "1"}, "a1: counter n: found the text '1', expected a whole number"),
    "a time in milliseconds": (flat("a1", 1, at_s=MARCH_MS), "a1: time ts: found int 1772323200000, expected s since"),
    "a time of next year": (flat("a1", 1, at_s=1_804_000_000), "a1: time ts: found one "),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_bad_message_is_named_acknowledged_and_kept_nowhere(name: str, radio: Callable, until: Callable) -> None:
    """The line says in words what came; what follows is kept, and the bad one never comes again."""
    message, words = BAD[name]
    node, server = radio()
    server.publish(message)
    server.publish(flat("a1", 2))
    received(node, until, 2)
    assert words in node.line.state and node.outbox.assigned == 2
    node.close()
    node.open()
    server.publish(flat("a1", 3))
    received(node, until, 1)
    assert node.outbox.assigned == 4


def test_numbers_as_text_and_beyond_physics_are_no_values(radio: Callable, until: Callable) -> None:
    """The channel fails with its reason, the one beside it is kept."""
    node, server = radio()
    server.publish(flat("a1", 1) | {"values": ["12.5", 8.25]})
    server.publish(flat("a1", 2) | {"values": [12.5]})
    server.publish(flat("a1", 3) | {"values": [1250, None]})
    server.publish(flat("a1", 4) | {"values": [-9999, -9999]})
    received(node, until, 4)
    assert [(r.raw, r.status) for r in node.readings()] == [
        (None, Status.BAD_FRAME), (8.25, Status.OK), (12.5, Status.OK), (None, Status.SHORT),
        *[(None, Status.NO_VALUE)] * 4,
    ]  # fmt: skip
    reasons = [reason for what, _, reason in node.changes if what == "probe square-1/r1"]
    assert reasons[0] == "values.0: found the text '12.5', expected a number"
    assert reasons[1] == "values.1: found nothing, expected a number. Has the message another shape?"
    assert reasons[2] == "moisture: found 1250, beyond apparent_permittivity" and reasons[3] is None


def test_retained_message_of_last_year_is_passed_over(radio: Callable, until: Callable) -> None:
    """What a broker retains comes with each subscription; it is counted, and nothing is kept of it."""
    node, server = radio()
    node.close()
    server.publish(flat("a1", 9, at_s=MARCH_MS / 1000 - 365 * 86_400), retain=True, topic="radio/old/up")
    server.publish(flat("a1", 10))
    node.open()
    until(lambda: node.line.retained == 1, step=node.line.step)
    assert [reading.slot for reading in node.readings()][::2] == ["uplink:a1:0:9", "uplink:a1:0:10"]  # as they came
    assert node.line.kept_messages == 2
    node.close()
    node.open()  # and again with the next subscription
    until(lambda: node.line.retained == 1, step=node.line.step)
    assert node.line.kept_messages == 0


def test_counter_that_starts_again_repeats_no_identity(radio: Callable, until: Callable) -> None:
    """5, 6, then 0 and 5 again later in time: four readings of four identities, told as started again."""
    node, server = radio()
    for n, at_min in ((5, 0), (6, 1), (0, 2), (5, 3)):
        server.publish(flat("a1", n, at_s=MARCH_MS / 1000 + 60 * at_min))
    received(node, until, 4)
    slots = [reading.slot for reading in node.readings()][::2]
    assert slots == ["uplink:a1:0:5", "uplink:a1:0:6", "uplink:a1:1:0", "uplink:a1:1:5"]
    assert ("counter square-1/r1", "started again, 1 times", "it was at 6, and is at 0") in node.changes


def test_gap_in_a_counter_is_counted_and_shown(
    radio: Callable, until: Callable, write_config: Callable, capsys, tmp_path: Path
) -> None:
    """1, 2, 6: three missed; 4 comes late and fills one. It outlasts a restart, and `show` tells it."""
    node, server = radio()
    for n in (1, 2, 6):
        server.publish(flat("a1", n))
    received(node, until, 3)
    assert node.line.devices["square-1/r1"].missed == 3
    node.close()
    node.open()
    server.publish(flat("a1", 4))
    received(node, until, 1)
    assert node.line.devices["square-1/r1"].missed == 2
    assert ("missed square-1/r1", "2", "messages that never came, by its counter") in node.changes
    path = tmp_path / "agent.toml"
    path.write_text(path.read_text().replace('state_dir = "state"', 'state_dir = "node"'))
    assert main(["show", "--config", str(path)]) == 0
    assert "radio node square-1/r1: at 6, 2 messages missed" in capsys.readouterr().out


@pytest.mark.parametrize("unanswered", [20, 0], ids=["20 at once", "all at once"])
def test_messages_wait_while_the_agent_is_away(radio: Callable, until: Callable, unanswered: int) -> None:
    """The session has a fixed name: what came without the agent comes when it is back, each once.

    More than are held in memory at once: the rest is left in the socket. A broker without a bound on what is not
    acknowledged sends all of it before it answers the subscription.
    """
    node, server = radio(f"max_inflight_messages {unanswered}")
    node.close()
    count = 3 * MOST_WAITING
    for n in range(count):
        server.publish(flat("a1", n))
    node.open()
    most = [0]

    def step() -> None:
        if node.line._connection is not None:
            most[0] = max(most[0], len(node.line._connection.messages))
        node.line.step()

    until(lambda: node.line.received >= count, step=step, within_s=60)
    assert most[0] <= MOST_WAITING
    assert [reading.slot for reading in node.readings()][::2] == [f"uplink:a1:0:{n}" for n in range(count)]
    assert node.line.repeated == 0


def test_message_is_acknowledged_only_when_it_is_on_disk(radio: Callable, until: Callable, monkeypatch) -> None:
    """While the disk refuses, the message waits; killed then, it comes again; killed behind the commit, it is known."""
    node, server = radio()
    refusing = [True]
    put = Outbox.put

    def full(self: Outbox, *arguments: object, **named: object) -> int:
        if refusing[0]:
            raise OutboxFull("no room")
        return put(self, *arguments, **named)

    monkeypatch.setattr(Outbox, "put", full)
    server.publish(flat("a1", 1))

    def refused() -> bool:
        with pytest.raises(OutboxFull):
            while True:
                node.line.step()
        return True

    assert refused() and node.line.received == 0
    node.close()
    refusing[0] = False
    node.open()
    monkeypatch.setattr("probe_agent.mqtt.InboxConnection.acknowledge", lambda self, message: None)
    received(node, until, 1)
    assert node.outbox.assigned == 2
    node.close()  # kept, and the broker was not told
    monkeypatch.undo()
    node.open()
    received(node, until, 1)
    assert (node.line.repeated, node.outbox.assigned) == (1, 2)


def test_without_counter_the_slot_is_the_time_on_the_grid(
    tmp_path: Path, start_broker: Callable, write_config: Callable, hand_clock, until: Callable
) -> None:
    """Of two messages in one quarter of an hour the first is kept; the other is told of, a repetition is not."""
    (tmp_path / "models").mkdir()
    (tmp_path / "models" / "own.toml").write_text(
        'protocol = "mqtt"\n[message]\ndevice = "d"\n[[channel]]\nname = "t"\nheard = "soil_temperature"\npath = "v"\n'
    )
    broker = start_broker()
    probe = PROBE.format(name="r1", model="own", device="a1") + "interval_s = 900\n"
    path = write_config(port=broker.port, more=RADIO + probe)
    path.write_text(path.read_text().replace("[agent]", '[agent]\nmodel_dir = "models"'))
    node, server = Node(load(path), hand_clock, tmp_path / "node"), NetworkServer(broker.port)
    states = list[str]()
    try:
        until(lambda: node.line.state == "ok", step=node.line.step)
        for n, minutes in enumerate((0, 1, 15)):
            hand_clock.move(60 * minutes)
            server.publish({"d": "a1", "v": 10 + n})
            received(node, until, n + 1)
            states.append(node.line.state)
        server.publish({"d": "a1", "v": 12})  # again, as after an acknowledgement that was lost
        received(node, until, 4)
        lost = "a1: 1 messages in one slot not kept: set counter or a shorter interval_s"
        assert states == ["ok", lost, lost] and node.line.state == lost
        assert [change for change in node.changes if change[0] == "message radio"] == [("message radio", lost, None)]
        told = [(reading.slot, reading.raw) for reading in node.readings()]
        assert told == [(str(MARCH_MS // 1000), 10.0), (str(MARCH_MS // 1000 + 900), 12.0)]
    finally:
        node.close()
        server.close()


def test_line_of_radio_nodes_is_checked(write_config: Callable, capsys) -> None:
    """A topic that cannot be, keys of a serial line, a device without a name, a key of the broker nobody knows."""
    cases = {
        RADIO.replace("radio/+/up", "radio/#/up"): "line.radio.topic: found 'radio/#/up', expected a topic",
        RADIO + 'port = "x"\n': "line.radio.port: found 'x', expected it on a serial line only",
        RADIO.replace('topic = "radio/+/up"', ""): "line.radio.topic: found nothing, expected text",
        RADIO + "[line.broker]\nbatch = 1\n": "line.radio.broker.batch: found 'an unknown key'",
        RADIO + PROBE.format(name="r", model="radio_flat", device="a b"): "probe.r.address: found 'a b', expected the",
        RADIO + PROBE.format(name="r", model="thatch", device="a"): "which speaks mqtt', expected a line with sdi12",
    }
    for more, words in cases.items():
        with pytest.raises(AgentConfigFault) as caught:
            load(write_config(more=more))
        assert any(words in fault for fault in caught.value.faults), (words, caught.value.faults)
    path = write_config(more=RADIO + PROBE.format(name="r", model="radio_flat", device="a1"))
    assert main(["check", "--config", str(path)]) == 0
    assert "line radio: mqtt radio/+/up at 127.0.0.1:1\n    square-1/r: Radio node, flat" in capsys.readouterr().out
    for command in ("read", "live", "field-check"):
        assert main([command, "r", "--config", str(path)]) == 1
        assert "found a radio node, which sends when it will" in capsys.readouterr().err
    assert threading.active_count() < 50


def test_node_that_a_timer_wakes_takes_what_waits(
    tmp_path: Path, start_broker: Callable, write_config: Callable, until: Callable, hand_clock
) -> None:
    """`once` gives its radio nodes time: what came since the last wake is kept before it sleeps again."""
    broker = start_broker("allow_anonymous true", "max_queued_messages 0")
    path = write_config(port=broker.port, more=RADIO + PROBE.format(name="r1", model="radio_flat", device="a1"))
    node = Node(load(path), hand_clock, tmp_path / "other")
    until(lambda: node.line.state == "ok", step=node.line.step)  # begins the session
    node.close()
    server = NetworkServer(broker.port)
    for n in range(30):
        server.publish(flat("a1", n))
    server.close()
    once(load(path), within_s=0.2)
    outbox = Outbox(tmp_path / "state", site="home", node="hut", max_bytes=64 << 20)
    slots = {reading.slot for reading in outbox.batch(0, 1000).readings}
    outbox.close()
    assert {f"uplink:a1:0:{n}" for n in range(30)} <= slots


def test_a_slow_sensor_takes_no_time_from_the_radio_nodes(
    tmp_path: Path,
    start_broker: Callable,
    write_config: Callable,
    until: Callable,
    hand_clock,
    sensor_line,
    monkeypatch,
) -> None:
    """A line that takes longer than the time of the radio nodes leaves them all of it."""
    monkeypatch.setattr("probe_agent.service.UPLINKS_WITHIN_S", 1.0)
    sensor_line.add("1", {0: ["+12.5", "+8.25"]}, ready_in_s=2, takes_s=1.5)
    broker = start_broker("allow_anonymous true", "max_queued_messages 0")
    path = write_config(port=broker.port, more=RADIO + PROBE.format(name="r1", model="radio_flat", device="a1"))
    node = Node(load(path), hand_clock, tmp_path / "other")
    until(lambda: node.line.state == "ok", step=node.line.step)  # begins the session
    node.close()
    server = NetworkServer(broker.port)
    server.publish(flat("a1", 1))
    server.close()
    once(load(path), within_s=0.0)
    outbox = Outbox(tmp_path / "state", site="home", node="hut", max_bytes=64 << 20)
    kept = {(reading.channel.split("/")[1], reading.status) for reading in outbox.batch(0, 1000).readings}
    outbox.close()
    assert {("p1", Status.OK), ("r1", Status.OK)} <= kept


def test_scan_names_who_sends_and_adds_them(
    tmp_path: Path, start_broker: Callable, write_config: Callable, capsys
) -> None:
    """Each device once, whether it is described, and a message without one as it is; a new one is added."""
    broker = start_broker()
    path = write_config(port=broker.port, more=RADIO + PROBE.format(name="r1", model="radio_flat", device="a1"))
    server, stop = NetworkServer(broker.port), threading.Event()

    def send() -> None:
        n = 0
        while not stop.wait(0.1):
            server.publish(flat("a1" if n % 2 else "c3", n))
            server.publish({"other": 1})
            n += 1

    sender = threading.Thread(target=send, daemon=True)
    sender.start()
    try:
        assert main(["scan", "radio", "--config", str(path), "--listen", "3", "--model", "radio_flat"]) == 0
    finally:
        stop.set()
        sender.join(5)
        server.close()
    told = capsys.readouterr().out
    assert told.count("  a1  (square-1/r1)\n") == 1 and told.count("  c3  (not in these settings)\n") == 1
    assert 'a message whose device is not found: {"other": 1}' in told and "  2 heard" in told
    assert [probe.address for probe in load(path).probes if probe.line == "radio"] == ["a1", "c3"]


def test_what_came_before_the_connection_ended_is_kept(radio: Callable, until: Callable) -> None:
    """The last ones may have no acknowledgement to come again by, as of a server that publishes with QoS 0."""
    node, server = radio()
    for n in range(3):
        server.publish(flat("a1", n), qos=0)
    until(lambda: len(node.line._connection.messages) == 3, step=lambda: None)
    node.line._connection.closed = "the connection ended"
    received(node, until, 3)
    assert [reading.slot for reading in node.readings()][::2] == [f"uplink:a1:0:{n}" for n in range(3)]
