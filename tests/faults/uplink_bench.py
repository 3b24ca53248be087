"""Messages of radio nodes while agent and broker are killed: nothing lost or twice; then the control, which loses.

    python tests/faults/uplink_bench.py [--messages 10000] [--kills 20] [--seed 1] [--acknowledge-first]

A network server publishes numbered messages of 20 devices to a real mosquitto, and a real agent takes them. In each
round one of the two gets SIGKILL at a random moment while messages are on their way, and is started again. The broker
is asked to put what it has on its own disk before it is killed (SIGUSR1): what it has not kept is not the agent's to
lose. At the end every message is looked for in the outbox. The control acknowledges a message before it is kept.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import json
import random
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

ROOT = Path(__file__).parents[2]
DEVICES = 20
BEGIN_S = 1_772_323_200
CHANNELS = 2  # of the model
SETTLED_S = 20.0  # without a message that is new, what is missing is lost

CONFIG = """
[agent]
site = "home"
node = "hut"
state_dir = "state"
[clock]
trust_hardware = true
[broker]
port = 1
[[line]]
name = "radio"
protocol = "mqtt"
topic = "radio/+/up"
[line.broker]
port = {port}
"""
PROBE = """
[[probe]]
name = "r{n}"
station = "square-1"
model = "radio_flat"
line = "radio"
address = "dev-{n}"
"""


class Ground:
    """A broker, an agent and a network server in a folder."""

    def __init__(self, folder: Path, *, acknowledge_first: bool) -> None:
        self.folder = folder
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port: int = probe.getsockname()[1]
        config = CONFIG.format(port=self.port) + "".join(PROBE.format(n=n) for n in range(DEVICES))
        (folder / "agent.toml").write_text(config)
        (folder / "mosquitto.conf").write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {folder}/\nmax_queued_messages 0\nautosave_interval 0\nuser root\n"
        )
        self._program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        if self._program is None:
            raise RuntimeError("mosquitto: found none on PATH, expected it installed")
        ours = ROOT / "tests" / "faults" / "agent_acknowledging_first.py"
        path = str(folder / "agent.toml")
        self._agent_command = (
            [sys.executable, str(ours), path]
            if acknowledge_first
            else [sys.executable, "-m", "probe_agent", "run", "--config", path]
        )
        self.broker = self._start_broker()
        self.agent = self._start_agent()
        self._await_session()

    def _await_session(self) -> None:
        """Wait until the agent has subscribed for the first time: nobody keeps what is published before."""
        until_s = time.monotonic() + 60
        while time.monotonic() < until_s:
            with contextlib.suppress(sqlite3.Error), contextlib.closing(self._read()) as db:
                if db.execute("SELECT 1 FROM line WHERE name = 'radio' AND state = 'ok'").fetchone():
                    return
            time.sleep(0.05)  # a bounded wait on the condition above
        raise RuntimeError("the agent: found no line that is up after 60 s, expected one")

    def _read(self) -> sqlite3.Connection:
        return sqlite3.connect(f"file:{self.folder / 'state' / 'outbox.db'}?mode=ro", uri=True)

    def _start_broker(self) -> subprocess.Popen[bytes]:
        command = [str(self._program), "-c", str(self.folder / "mosquitto.conf")]
        process = subprocess.Popen(command, stderr=subprocess.DEVNULL, cwd=self.folder)
        until_s = time.monotonic() + 10
        while time.monotonic() < until_s:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.2):
                return process
            time.sleep(0.01)  # a bounded wait on the condition above
        raise RuntimeError("mosquitto: found no listener after 10 s, expected one")

    def _start_agent(self) -> subprocess.Popen[bytes]:
        return subprocess.Popen(self._agent_command, cwd=ROOT, stderr=subprocess.DEVNULL)

    def publish(self, numbers: range) -> None:
        """Publish so many messages, QoS 1, and wait until the broker has them all."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="network-server")
        client.max_inflight_messages_set(500)
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        sent = [client.publish(f"radio/{n % DEVICES}/up", message(n), qos=1) for n in numbers]
        for one in sent:
            one.wait_for_publish(20)
        client.disconnect()
        client.loop_stop()

    def await_work(self, before: int) -> None:
        """Wait until the agent has kept something more: it is under way, and most still waits."""
        until_s = time.monotonic() + 30
        while len(self.kept()) <= before and time.monotonic() < until_s:
            time.sleep(0.01)  # a bounded wait on the condition above

    def kill_agent(self) -> None:
        self.agent.send_signal(signal.SIGKILL)
        self.agent.wait(10)
        self.agent = self._start_agent()

    def kill_broker(self, after_s: float) -> None:
        """Have the broker keep what it has, kill it so much later, and start it again."""
        kept = self.folder / "mosquitto.db"
        before = kept.stat().st_mtime_ns if kept.exists() else 0
        self.broker.send_signal(signal.SIGUSR1)
        until_s = time.monotonic() + 10
        while (not kept.exists() or kept.stat().st_mtime_ns == before) and time.monotonic() < until_s:
            time.sleep(0.002)  # a bounded wait on the condition above
        time.sleep(after_s)  # the moment of the kill
        self.broker.send_signal(signal.SIGKILL)
        self.broker.wait(10)
        self.broker = self._start_broker()

    def kept(self) -> Counter[tuple[str, str]]:
        """How often each channel and slot stands in the outbox."""
        with contextlib.closing(self._read()) as db:
            return Counter(db.execute("SELECT channel, slot FROM reading").fetchall())

    def close(self) -> None:
        for process in (self.agent, self.broker):
            process.kill()
            process.wait(10)


def message(n: int) -> bytes:
    """The n-th message: of device n modulo DEVICES, with a counter and a time of its own."""
    counter = n // DEVICES
    told = {"dev": f"dev-{n % DEVICES}", "n": counter, "ts": BEGIN_S + 60 * counter, "values": [12.5, 8.25]}
    return json.dumps(told).encode()


def expected(messages: int) -> set[tuple[str, str]]:
    names = ("moisture", "temperature")
    return {
        (f"square-1/r{n % DEVICES}/{name}", f"uplink:dev-{n % DEVICES}:0:{n // DEVICES}")
        for n in range(messages)
        for name in names
    }


def killed(messages: int, kills: int, seed: int, *, acknowledge_first: bool) -> tuple[int, int]:
    """Return how many readings were lost and how many are there twice, after so many kills of either."""
    chance = random.Random(seed)
    rounds = 2 * kills
    edges = [messages * n // rounds for n in range(rounds + 1)]
    with tempfile.TemporaryDirectory() as name:
        ground = Ground(Path(name), acknowledge_first=acknowledge_first)
        try:
            for n, (first, last) in enumerate(itertools.pairwise(edges)):
                before = len(ground.kept())
                ground.publish(range(first, last))
                ground.await_work(before)
                if n % 2:
                    ground.kill_broker(chance.uniform(0.0, 0.4))
                else:
                    time.sleep(chance.uniform(0.0, 0.4))  # the moment of the kill
                    ground.kill_agent()
            return _counted(ground, expected(messages))
        finally:
            ground.close()


def _counted(ground: Ground, due: set[tuple[str, str]]) -> tuple[int, int]:
    """Wait until nothing more comes, then count."""
    most, since_s = -1, time.monotonic()
    while True:
        kept = ground.kept()
        if len(kept) > most:
            most, since_s = len(kept), time.monotonic()
        if due <= kept.keys() or time.monotonic() - since_s > SETTLED_S:
            strange = kept.keys() - due
            return len(due - kept.keys()), sum(count - 1 for count in kept.values()) + len(strange)
        time.sleep(0.2)  # a bounded wait on the condition above


def main() -> int:
    """Print what was lost and what is there twice; 0 where that is as it must be."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=10_000)
    parser.add_argument("--kills", type=int, default=20, help="of the agent, and of the broker")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--acknowledge-first", action="store_true", help="the control, which must lose")
    given = parser.parse_args()
    began_s = time.monotonic()
    lost, twice = killed(given.messages, given.kills, given.seed, acknowledge_first=given.acknowledge_first)
    who = "the control, acknowledged before it is kept" if given.acknowledge_first else "acknowledged when it is kept"
    print(
        f"{given.messages} messages of {DEVICES} radio nodes, agent and broker killed {given.kills} times each, "
        f"{who}, seed {given.seed}: {lost} of {CHANNELS * given.messages} readings lost, {twice} twice "
        f"({time.monotonic() - began_s:.0f} s)"
    )
    return int(lost == 0) if given.acknowledge_first else int(lost > 0 or twice > 0)


if __name__ == "__main__":
    sys.exit(main())
