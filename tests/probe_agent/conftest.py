"""Real surroundings for the agent's tests: sensors on pseudo-terminals, a real mosquitto, a configuration on disk."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from hardware.sdi12_frame import Identification
from hardware.sdi12_sensor import Group, Sensor
from probe_agent.clock import ClockNote
from tests.ports import unused_port

Mangle = Callable[[bytes, int], list[tuple[float, bytes]]]


class PtyPlug:
    """A pseudo-terminal behind a symbolic link, which stays when the adapter is unplugged and plugged in again."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.master = -1
        self._slave = -1
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()

    def plug_in(self, serve: Callable[[int, threading.Event], None]) -> None:
        self.master, self._slave = os.openpty()
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self._slave))
        self._stop = threading.Event()
        self._thread = threading.Thread(target=serve, args=(self.master, self._stop), daemon=True)
        self._thread.start()

    def leave_to_the_agent(self) -> None:
        """Close our own handle of the near end, so that each opening is the first, as with an adapter."""
        os.close(self._slave)
        self._slave = -1

    def unplug(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join(5)
        for fd in (self._slave, self.master):
            with contextlib.suppress(OSError):
                os.close(fd)
        self.link.unlink(missing_ok=True)
        self._thread = None


class SensorOnPty:
    """SDI-12 sensors at the far end of a pseudo-terminal; `mangle` is what the wire does to their n-th reply."""

    def __init__(self, link: Path) -> None:
        self.plug = PtyPlug(link)
        self.sensors: list[Sensor] = []
        self.mangle: Mangle = lambda reply, n: [(0.0, reply)]
        self.replies = 0
        self.commands: list[bytes] = []

    def add(self, address: str, groups: dict[int, list[str]], *, ready_in_s: int = 0, takes_s: float = 0.0) -> None:
        made = {
            n: Group(len(values), lambda values=values: values, ready_in_s, takes_s if ready_in_s else None)
            for n, values in groups.items()
        }
        who = Identification(address, "13", "NEUTRAL", "PROBE", "001")
        self.sensors.append(Sensor(who, made))

    def serve(self, master: int, stop: threading.Event) -> None:
        queue: list[tuple[float, bytes]] = []
        while not stop.is_set():
            if select.select([master], [], [], 0.002)[0]:
                try:
                    data = os.read(master, 1024)
                except OSError:
                    return
                self.commands.append(data)
                for sensor in self.sensors:
                    sensor.receive(data, time.monotonic())
            now = time.monotonic()
            for sensor in self.sensors:
                reply = sensor.send(now)
                if reply:
                    queue += [(now + delay_s, part) for delay_s, part in self.mangle(reply, self.replies)]
                    self.replies += 1
            for item in [item for item in queue if item[0] <= now]:
                queue.remove(item)
                with contextlib.suppress(OSError):
                    os.write(master, item[1])

    def plug_in(self) -> None:
        self.plug.plug_in(self.serve)


@pytest.fixture
def sensor_line(tmp_path: Path) -> Iterator[SensorOnPty]:
    """A plugged-in line without sensors yet."""
    line = SensorOnPty(tmp_path / "line-north")
    line.plug_in()
    yield line
    line.plug.unplug()


@pytest.fixture
def pty_plug(tmp_path: Path) -> Iterator[PtyPlug]:
    """A pseudo-terminal with nothing at its far end yet."""
    plug = PtyPlug(tmp_path / "line-plug")
    yield plug
    plug.unplug()


AGENT_TOML = """
[agent]
site = "home"
node = "hut"
state_dir = "state"
[broker]
port = {port}
receipt_timeout_s = 0.3
[schedule]
interval_s = 1
rain_interval_s = 1
[[line]]
name = "north"
port = "{line}"
protocol = "sdi12"
[[probe]]
name = "p1"
station = "square-1"
model = "thatch"
line = "north"
address = "1"
"""

TRUSTED = "\n[clock]\ntrust_hardware = true\n"  # else one just begun, without a time service, waits


@pytest.fixture
def write_config(tmp_path: Path) -> Callable[..., Path]:
    """Writes an agent.toml; `more` is added at the end."""

    def write(*, port: int = 1, more: str = "", line: str = "line-north") -> Path:
        path = tmp_path / "agent.toml"
        path.write_text(AGENT_TOML.format(port=port, line=tmp_path / line) + more, encoding="utf-8")
        return path

    return write


class HandClock:
    """A clock that the test moves: waiting moves it on at once."""

    follows = stands = False

    def __init__(self, now_ms: int = 1_772_323_200_000) -> None:  # 2026-03-01 00:00:00 UTC
        self.at_ms = now_ms
        self.steady_s = 1000.0
        self.clock_ok = True

    def now_ms(self) -> int:
        return self.at_ms

    def monotonic(self) -> float:
        return self.steady_s

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        self.move(seconds)
        return stop.is_set()

    def wait_until(self, due_ms: int, stop: threading.Event) -> bool:
        self.move(max(0.0, (due_ms - self.at_ms) / 1000))
        return True

    def note(self) -> ClockNote:
        return ClockNote(self.clock_ok, "boot-1", round(self.steady_s * 1000), self.at_ms)

    def move(self, seconds: float) -> None:
        self.at_ms += round(seconds * 1000)
        self.steady_s += seconds


@pytest.fixture
def hand_clock() -> HandClock:
    """A clock moved by hand."""
    return HandClock()


@dataclass
class Broker:
    """A mosquitto of this test's own."""

    port: int
    process: subprocess.Popen[bytes]
    restart: Callable[[], None]


def wait_for(
    condition: Callable[[], bool], *, within_s: float = 10.0, step: Callable[[], object] | None = None
) -> None:
    """Until the condition holds, doing `step` meanwhile; an assertion fails after the deadline."""
    pause = threading.Event()
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, f"not within {within_s} s"
        if step is not None:
            step()
        pause.wait(0.005)


@pytest.fixture
def until() -> Callable[..., None]:
    """`wait_for`."""
    return wait_for


@pytest.fixture
def start_broker(tmp_path: Path, need_program: Callable[[str], str]) -> Iterator[Callable[..., Broker]]:
    """Starts a real mosquitto on a free loopback port, with the lines of configuration given."""
    program = need_program("mosquitto")
    running: list[subprocess.Popen[bytes]] = []

    def start(*lines: str, port: int | None = None) -> Broker:
        port = unused_port() if port is None else port
        config = tmp_path / f"mosquitto-{port}.conf"
        own = lines or ("allow_anonymous true",)
        config.write_text("\n".join((f"listener {port} 127.0.0.1", *own)) + "\n", encoding="utf-8")

        def launch() -> subprocess.Popen[bytes]:
            process = subprocess.Popen([program, "-c", str(config)], stderr=subprocess.DEVNULL, cwd=tmp_path)
            running.append(process)

            def listens() -> bool:
                assert process.poll() is None, f"mosquitto ended with {process.poll()}"
                with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.2):
                    return True
                return False

            wait_for(listens)
            return process

        def restart() -> None:
            broker.process.kill()
            broker.process.wait(5)
            broker.process = launch()

        broker = Broker(port, launch(), restart)
        return broker

    yield start
    for process in running:
        process.kill()
        process.wait(5)
