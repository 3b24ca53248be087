"""The embedded broker: it runs, comes back after it was killed, leaves nobody behind, and serves loopback alone."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from pipeline.mqtt.broker import EmbeddedBroker, mosquitto_text
from pipeline.run.metrics import Metrics

ROOT = Path(__file__).parents[3]

Until = Callable[..., None]
Steps = Callable[[Any], Any]
Make = Callable[..., EmbeddedBroker]


def round_trip(port: int, until: Until) -> bytes:
    """What one client hears when another publishes, by the plain MQTT library alone."""
    heard: list[bytes] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="listener")
    client.on_message = lambda c, d, message: heard.append(message.payload)
    client.on_connect = lambda c, d, f, reason, p: c.subscribe("underturf/1/site/node/readings/#", 1)
    client.on_subscribe = lambda c, d, m, reasons, p: c.publish("underturf/1/site/node/readings/x", b"wet", qos=1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        until(lambda: heard, "the message came round")
    finally:
        client.disconnect()
        client.loop_stop()
    return heard[0]


def gone(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


def test_a_message_goes_round(any_broker: EmbeddedBroker, free_port: int, until: Until) -> None:
    """Either broker carries a QoS 1 message from one client to another."""
    assert round_trip(free_port, until) == b"wet"


@pytest.mark.parametrize("kind", ["mosquitto", "amqtt"])
def test_a_stopped_broker_is_gone(
    kind: str, request: pytest.FixtureRequest, embedded: Make, stepping: Steps, free_port: int, until: Until
) -> None:
    """Once it is closed nobody answers on its port."""
    program = request.getfixturevalue("mosquitto") if kind == "mosquitto" else None
    with stepping(embedded(program)) as broker:
        until(lambda: broker.up, "the broker is up")
        assert broker.kind == kind
    with socket.socket() as probe:
        assert probe.connect_ex(("127.0.0.1", free_port)) != 0


def test_a_killed_broker_comes_back(
    mosquitto: Path, embedded: Make, stepping: Steps, free_port: int, until: Until
) -> None:
    """After SIGKILL the keeper starts another one on the same port, and counts it."""
    metrics = Metrics()
    with stepping(embedded(mosquitto, metrics)) as broker:
        until(lambda: broker.up, "the broker is up")
        first = broker.pid
        assert first is not None
        os.kill(first, signal.SIGKILL)
        until(lambda: broker.up and broker.pid != first, "another broker is up")
        assert round_trip(free_port, until) == b"wet"
    assert metrics.registry.get_sample_value("underturf_broker_restarts_total") == 1


def test_a_broker_dies_with_a_parent_that_was_killed(mosquitto: Path, free_port: int, until: Until) -> None:
    """SIGKILL of the service leaves no broker behind to hold the port."""
    script = textwrap.dedent(
        f"""
        import threading
        from pathlib import Path
        from pipeline.mqtt.broker import EmbeddedBroker
        from pipeline.run.clock import SystemClock
        from pipeline.site.server import BrokerConfig
        from pipeline.run.metrics import Metrics
        config, program = BrokerConfig(port={free_port}), Path({str(mosquitto)!r})
        broker = EmbeddedBroker(config, Metrics(), SystemClock(), mosquitto=program)
        stop = threading.Event()
        while not broker.up:
            broker.step(stop)
        print(broker.pid, flush=True)
        while True:
            broker.step(stop)
        """
    )
    parent = subprocess.Popen([sys.executable, "-c", script], cwd=ROOT, stdout=subprocess.PIPE)
    assert parent.stdout is not None
    with parent.stdout:
        child = int(parent.stdout.readline())
    assert not gone(child)
    parent.kill()
    parent.wait()
    until(lambda: gone(child), "the broker is gone too")


@pytest.mark.parametrize("kind", ["mosquitto", "amqtt"])
def test_a_taken_port_is_told_and_waited_for(
    kind: str, request: pytest.FixtureRequest, embedded: Make, stepping: Steps, until: Until
) -> None:
    """A stranger on the port is never taken for our broker; when it leaves, the broker starts."""
    program = request.getfixturevalue("mosquitto") if kind == "mosquitto" else None
    with socket.socket() as stranger:
        stranger.bind(("127.0.0.1", 0))
        stranger.listen()
        with stepping(embedded(program, port=stranger.getsockname()[1])) as broker:
            until(lambda: "in use by another program" in broker.away, "the taken port is told")
            assert not broker.up
            stranger.close()
            until(lambda: broker.up, "the broker is up")


def test_a_broker_that_cannot_start_is_told_in_its_own_words(
    tmp_path: Path, embedded: Make, stepping: Steps, until: Until
) -> None:
    """The reason shown is what the program said, and the fault is counted."""
    program = tmp_path / "broker-that-fails"
    program.write_text("#!/bin/sh\necho '17: out of peat' >&2\nexit 3\n")
    program.chmod(0o755)
    metrics = Metrics()
    with stepping(embedded(program, metrics)) as broker:
        until(lambda: "ended with 3: out of peat" in broker.away, "the reason is told")
        assert not broker.up
    counted = metrics.registry.get_sample_value("underturf_environment_faults_total", {"part": "embedded_broker"})
    assert counted is not None and counted >= 1


def test_the_configuration_opens_loopback_alone_and_keeps_nothing() -> None:
    """One listener, bound to loopback; no persistence; every limit set."""
    lines = [line for line in mosquitto_text("localhost", 1999, None).splitlines() if not line.startswith("#")]
    assert [line for line in lines if line.startswith("listener")] == ["listener 1999 127.0.0.1"]
    assert "persistence false" in lines
    assert {line.split()[0] for line in lines if line.startswith(("max_", "message_size"))} == {
        *("max_inflight_messages", "max_queued_messages", "max_connections", "message_size_limit")
    }
