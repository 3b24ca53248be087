"""From an empty folder and a virtual line to the first good reading on the page, by the commands the guide prints."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.ports import unused_port
from tests.probe_agent.conftest import PtyPlug, SensorOnPty, start_broker
from tests.probe_agent.modbus_emulator import EmulatedBus, EmulatedDevice
from tests.reference import ROOT, blocks

__all__ = ["start_broker"]
GUIDE = ROOT / "hardware" / "docs" / "first-reading.md"
MOST_COMMANDS = 6
WATER = (0.21, 0.24, 0.27, 0.30)


@pytest.fixture
def line(tmp_path: Path) -> Iterator[SensorOnPty]:
    """One sensor of four depths alone on a virtual line."""
    made = SensorOnPty(tmp_path / "port")
    made.add("0", {0: [f"+{v:.3f}" for v in WATER], 1: ["+11.5"] * 4})
    made.plug_in()
    yield made
    made.plug.unplug()


@pytest.fixture
def modbus_line(tmp_path: Path) -> Iterator[PtyPlug]:
    """One Modbus device of four depths at address 1 alone on a virtual line: raw registers of its table of numbers."""
    registers = [*(round(v * 10_000) for v in WATER), *[1150] * 4]
    plug = PtyPlug(tmp_path / "port")
    plug.plug_in(EmulatedBus([EmulatedDevice(input=dict(enumerate(registers)))]).serve)
    yield plug
    plug.unplug()


@pytest.mark.timeout(300)
def test_guide_leads_from_an_empty_folder_to_the_first_good_reading(tmp_path: Path, line: SensorOnPty) -> None:
    """At most six commands. The test gives both files free ports, for others run beside it, and types nothing else."""
    walk_the_guide("sh first reading", MOST_COMMANDS, tmp_path, line.plug.link, "profile_4", "p0", 8)


@pytest.mark.soak
@pytest.mark.timeout(300)
def test_guide_leads_from_an_empty_folder_to_the_first_good_modbus_reading(
    tmp_path: Path, modbus_line: PtyPlug
) -> None:
    """The same over Modbus, by at most five commands."""
    walk_the_guide("sh first modbus reading", 5, tmp_path, modbus_line.link, "register_profile", "p1", 8)


@pytest.fixture
def network_server(start_broker) -> Iterator[int]:
    """A network server of one radio node that sends twice a second; gives the port of its broker."""
    port = start_broker().port
    stop = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()

    def send() -> None:
        counter = 0
        while not stop.wait(0.5):
            told = datetime.now(UTC).isoformat()
            decoded = {
                name: {"water_percent": 100 * water, "temperature_c": 11.5}
                for name, water in zip(("upper", "lower"), WATER, strict=False)
            }
            message = {"device": {"id": "n7"}, "uplink": {"counter": counter, "received_at": told}, "decoded": decoded}
            client.publish("radio/n7/up", json.dumps(message), qos=1)
            counter += 1

    sender = threading.Thread(target=send, daemon=True)
    sender.start()
    yield port
    stop.set()
    sender.join(5)
    client.disconnect()
    client.loop_stop()


@pytest.mark.soak
@pytest.mark.timeout(300)
def test_guide_leads_from_an_empty_folder_to_the_first_good_radio_reading(tmp_path: Path, network_server: int) -> None:
    """By at most five commands, from messages that a network server publishes."""
    more = {"TOPIC": "radio/+/up", "BROKER": f"127.0.0.1:{network_server}"}
    walk_the_guide("sh first radio reading", 5, tmp_path, tmp_path, "radio_nested", None, 4, heard_as=WATER[:2], **more)


def walk_the_guide(
    block: str,
    most: int,
    tmp_path: Path,
    port: Path,
    model: str,
    probe: str | None,
    channels: int,
    *,
    heard_as: tuple[float, ...] = WATER,
    **more: str,
) -> None:
    """Run the commands of a block of the guide in an empty folder, and look at the page and the live reading."""
    (script,) = blocks(GUIDE.read_text(encoding="utf-8"), block)
    commands = [one for one in script.splitlines() if one.strip()]
    assert len(commands) <= most
    folder, pages, broker = tmp_path / "empty", unused_port(), unused_port()
    folder.mkdir()
    environment = {
        **os.environ, "PORT": str(port), "MODEL": model, **more, "UNDERTURF_PAGES_PORT": str(pages),
        "UNDERTURF_BROKER_PORT": str(broker), "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
    }  # fmt: skip
    began_s, running = time.monotonic(), list[subprocess.Popen[str]]()
    try:
        for command in commands:
            if command.startswith("underturf-agent run"):
                with (folder / "agent.toml").open("a") as file:  # its machine may have just begun
                    file.write(
                        f"\n[broker]\nport = {broker}\n[clock]\ntrust_hardware = true\n"
                    )  # it may have just begun
            words = ["bash", "-c", f"exec {command.removesuffix('&')}"]
            if command.endswith("&"):
                running.append(subprocess.Popen(words, cwd=folder, env=environment, text=True))
                continue
            done = subprocess.run(words, cwd=folder, env=environment, capture_output=True, text=True, timeout=200)
            assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
            if " live " in command:
                assert done.stdout.count("0.21  0.24  0.27  0.3") == 3
        heard = first_good(pages, running)
        page = httpx.get(f"http://127.0.0.1:{pages}/").text
        live = None if probe is None else spoken_live(f"http://127.0.0.1:{pages}/api/v1/live/square-1/{probe}")
    finally:
        for process in running:
            process.send_signal(signal.SIGTERM)
        for process in running:
            process.wait(60)
    assert heard == pytest.approx(heard_as)
    assert re.search(r"50 mm \d+ %", page) and "All heard" in page
    if live is not None:
        value, status = live["values"]["moisture_050"]
        assert (value, status) == (pytest.approx(0.21), "ok")
        assert len(live["values"]) == channels and live["reason"] == ""
    typed = sum(len(one) + 1 for one in commands)
    print(f"{len(commands)} commands, {typed} keystrokes, {time.monotonic() - began_s:.0f} s to the first good reading")


def spoken_live(address: str) -> dict[str, Any]:
    """The second reading that the running agent sends while somebody looks, as the page's script gets it."""
    with httpx.stream("GET", address, timeout=60) as stream:
        said = (line.removeprefix("data: ") for line in stream.iter_lines() if line.startswith("data: {"))
        first, second = next(said), next(said)
    assert first != second
    return dict(json.loads(second))


def first_good(port: int, running: list[subprocess.Popen[str]]) -> list[float]:
    """The water contents of the station, once all are there and good."""
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline:
        assert all(process.poll() is None for process in running)
        try:
            answer = httpx.get(f"http://127.0.0.1:{port}/api/v1/stations/square-1", timeout=5).json()
            moist = [c for c in answer.get("channels", []) if "moisture" in c["id"]]
            if moist and all(c["flag"] == 1 for c in moist):
                return [c["value"] for c in moist]
        except httpx.HTTPError:
            pass
        time.sleep(0.2)  # a bounded wait on the condition above
    raise AssertionError("no good reading within two minutes")
