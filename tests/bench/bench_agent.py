"""How light the agent is: import time and resident memory, printed and held against their limits.

    python tests/bench/bench_agent.py

Import time is the best of several fresh interpreters (the noise of a busy machine only adds). Memory is the highest of
a real agent process with an unreceipted backlog, six probes on two SDI-12 lines and one on a Modbus line that answer,
four radio nodes that send ten times a second, and a broker that acknowledges but gives no receipts, so that all batches
in flight are held.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from hardware.modbus import RegisterDevice  # noqa: E402
from hardware.reading import Sample, Status  # noqa: E402
from hardware.sdi12_frame import Identification  # noqa: E402
from hardware.sdi12_sensor import Group, Sensor  # noqa: E402
from probe_agent.clock import ClockNote  # noqa: E402
from probe_agent.outbox import Outbox  # noqa: E402
from tests.bench.table import measured  # noqa: E402

IMPORT_LIMIT_S = 0.5
MEMORY_LIMIT_MB = 45.0
IMPORTS = 7
BACKLOG = 100_000
RUN_S = 8.0

CONFIG = """
[agent]
site = "home"
node = "hut"
state_dir = "state"
[clock]
trust_hardware = true
[broker]
port = {port}
receipt_timeout_s = 1
[schedule]
interval_s = 1
rain_interval_s = 1
[[line]]
name = "north"
port = "{north}"
protocol = "sdi12"
[[line]]
name = "south"
port = "{south}"
protocol = "sdi12"
[[line]]
name = "field"
port = "{field}"
protocol = "modbus"
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
line = "{line}"
address = "{address}"
"""
RADIO_NODES = 4


def import_time_s() -> float:
    """Best time of importing everything `run` needs, in fresh interpreters. [s]"""
    program = "import time; t = time.perf_counter(); import probe_agent.__main__, probe_agent.service; "
    program += "print(time.perf_counter() - t)"
    times = [
        float(
            subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True).stdout
        )
        for _ in range(IMPORTS)
    ]
    return min(times)


def memory_mb(pid: int) -> float:
    """Highest resident memory of a process so far. [MB]"""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024
    raise RuntimeError(f"/proc/{pid}/status: found no VmHWM, expected a Linux kernel")


def serve_sensors(master: int, stop: threading.Event) -> None:
    """Three profile probes at the far end of the line."""
    values = ["+12.5", "+11.25", "+10.125", "+9.5", "+8.75"]
    sensors = [
        Sensor(Identification(str(n), "13", "NEUTRAL", "PROBE", "001"), {g: Group(5, lambda: values) for g in range(3)})
        for n in (1, 2, 3)
    ]
    while not stop.is_set():
        if select.select([master], [], [], 0.005)[0]:
            data = os.read(master, 1024)
            for sensor in sensors:
                sensor.receive(data, time.monotonic())
        for sensor in sensors:
            reply = sensor.send(time.monotonic())
            if reply:
                os.write(master, reply)


def serve_device(master: int, stop: threading.Event) -> None:
    """One register profile at address 1 at the far end of the line."""
    device = RegisterDevice(1, lambda table: dict.fromkeys(range(8), 2100), baud=9600)
    while not stop.is_set():
        if select.select([master], [], [], 0.002)[0]:
            device.receive(os.read(master, 1024), time.monotonic())
        reply = device.send(time.monotonic())
        if reply:
            os.write(master, reply)


def send_messages(port: int, stop: threading.Event) -> None:
    """What a network server publishes of the radio nodes, where a broker is there."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    counter = 0
    while not stop.wait(0.1):
        if not client.is_connected():
            with contextlib.suppress(OSError):
                client.connect("127.0.0.1", port)
                client.loop_start()
            continue
        told = {"n": counter, "ts": time.time(), "values": [12.5, 8.25], "bat_v": 3.4, "rssi": -100}
        client.publish("radio/x/up", json.dumps({"dev": f"d{counter % RADIO_NODES}", **told}), qos=1)
        counter += 1
    client.loop_stop()


def run_agent(folder: Path, port: int) -> float:
    """Highest memory of an agent that runs for a while. [MB]"""
    stop, ports = threading.Event(), {}
    for name, serve in (("north", serve_sensors), ("south", serve_sensors), ("field", serve_device)):
        master, slave = os.openpty()
        ports[name] = os.ttyname(slave)
        threading.Thread(target=serve, args=(master, stop), daemon=True).start()
    threading.Thread(target=send_messages, args=(port, stop), daemon=True).start()
    state = folder / "state"
    state.mkdir()
    outbox = Outbox(state, site="home", node="hut", max_bytes=64 << 20)
    for start in range(0, BACKLOG, 1000):
        heard = [
            Sample("square-1/p1/moisture_035", str(i), 1_772_323_200_000 + i, 12.5, Status.OK, 1)
            for i in range(start, start + 1000)
        ]
        outbox.put(heard, ClockNote(True, "boot", 1, 1))
    outbox.close()
    config = folder / "agent.toml"
    rows = [(f"{line}-{n}", "root_zone_profile", line, str(n)) for line in ("north", "south") for n in (1, 2, 3)]
    rows += [("m1", "register_profile", "field", "1")]
    rows += [(f"r{n}", "radio_flat", "radio", f"d{n}") for n in range(RADIO_NODES)]
    probes = "".join(PROBE.format(name=name, model=model, line=line, address=a) for name, model, line, a in rows)
    config.write_text(CONFIG.format(port=port, **ports) + probes)
    command = [sys.executable, "-m", "probe_agent", "run", "--config", str(config)]
    agent = subprocess.Popen(command, env={**os.environ, "PYTHONPATH": str(ROOT)}, stderr=subprocess.DEVNULL)
    threading.Event().wait(RUN_S)
    used = memory_mb(agent.pid)
    agent.terminate()
    agent.wait(10)
    stop.set()
    outbox = Outbox(state, site="home", node="hut", max_bytes=64 << 20)
    print(f"agent: {outbox.assigned - BACKLOG} readings taken in {RUN_S:.0f} s beside a backlog of {BACKLOG}")
    batch = outbox.batch(BACKLOG, 100_000)
    names = {reading.channel.split("/")[1] for reading in batch.readings} if batch is not None else set()
    print(f"agent: {len(names)} of {len(rows)} probes and radio nodes among them")
    outbox.close()
    return used


def main() -> int:
    """Print both figures; 1 when a limit is passed."""
    imported_s = import_time_s()
    ratio = imported_s / IMPORT_LIMIT_S
    light = measured(
        f"import of the agent, best of {IMPORTS}", f"{imported_s:.3f} s", ratio, 1.0, of=f"{IMPORT_LIMIT_S} s"
    )
    broker = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    with tempfile.TemporaryDirectory() as name, socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
        probe.close()
        mosquitto = None if broker is None else subprocess.Popen([broker, "-p", str(port)], stderr=subprocess.DEVNULL)
        if mosquitto is None:
            print("mosquitto is not on PATH: measured without a broker, so nothing is in flight")
        used_mb = run_agent(Path(name), port)
        if mosquitto is not None:
            mosquitto.kill()
            mosquitto.wait(5)
    ratio = used_mb / MEMORY_LIMIT_MB
    small = measured("memory of the agent at most", f"{used_mb:.1f} MB", ratio, 1.0, of=f"{MEMORY_LIMIT_MB:g} MB")
    return int(not (light and small))


if __name__ == "__main__":
    sys.exit(main())
