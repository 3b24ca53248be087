"""The agent's clocks. The simulator's side of the socket is played by the test, by the line protocol's own words."""

from __future__ import annotations

import contextlib
import socket
import threading
import time

import pytest

from probe_agent.clock import PULSE_S, ClockAway, FollowClock, SystemClock


class PlayedSimulator:
    """Answers `hello` and `now` at once, `until` when `let_go` is set; remembers what it heard."""

    def __init__(self, path) -> None:
        self.heard: list[str] = []
        self.now_ms, self.rate = 1_000_000, 0
        self.let_go = threading.Event()
        self._server = socket.socket(socket.AF_UNIX)
        self._server.bind(str(path))
        self._server.listen()
        self._talks: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                talk, _ = self._server.accept()
            except OSError:
                return
            self._talks.append(talk)
            threading.Thread(target=self._serve, args=(talk,), daemon=True).start()

    def _serve(self, talk: socket.socket) -> None:
        with contextlib.suppress(OSError), talk.makefile("r") as lines:
            for line in lines:
                self.heard.append(line.strip())
                if line.startswith("until "):
                    self.let_go.wait(10)
                    self.let_go.clear()
                    self.now_ms = int(line.split()[1])
                talk.sendall(f"{self.now_ms} {self.rate}\n".encode())

    def stop(self) -> None:
        self._server.close()
        while self._talks:
            talk = self._talks.pop()
            talk.shutdown(2)
            talk.close()


@pytest.fixture
def simulator(tmp_path):
    made = PlayedSimulator(tmp_path / "clock.sock")
    yield made
    made.stop()


def test_agent_declares_itself_before_it_asks(simulator, tmp_path):
    """Time must stand until the agent waits, so hello comes before all else."""
    clock = FollowClock(tmp_path / "clock.sock", "hut")
    assert clock.now_ms() == 1_000_000
    assert simulator.heard == ["hello hut", "now"]
    clock.close()


def test_waiting_is_one_request_however_long_it_takes(simulator, tmp_path):
    """`until` is sent once, `now` can be asked meanwhile, and the next wait is a new request."""
    clock = FollowClock(tmp_path / "clock.sock", "hut")
    stop = threading.Event()
    assert clock.wait_until(1_900_000, stop) is False
    assert clock.now_ms() == 1_000_000
    assert clock.wait_until(1_900_000, stop) is False
    simulator.let_go.set()
    assert clock.wait_until(1_900_000, stop) is True
    assert clock.now_ms() == 1_900_000
    simulator.let_go.set()
    assert clock.wait_until(2_800_000, stop) is True
    assert [h for h in simulator.heard if h.startswith("until")] == ["until 1900000", "until 2800000"]
    assert simulator.heard.count("hello hut") == 1
    clock.close()


def test_time_that_stands_is_asked_once_a_step(simulator, tmp_path):
    """Between two steps time cannot move, so it is not asked again; after a wait it is what the wait was answered."""
    clock = FollowClock(tmp_path / "clock.sock", "hut")
    assert not clock.stands
    assert [clock.now_ms() for _ in range(3)] == [1_000_000] * 3
    assert clock.stands
    assert clock.wait_until(1_900_000, threading.Event()) is False
    assert not clock.stands
    simulator.let_go.set()
    assert clock.wait_until(1_900_000, threading.Event()) is True
    assert clock.stands
    assert [clock.now_ms() for _ in range(3)] == [1_900_000] * 3
    assert simulator.heard == ["hello hut", "now", "until 1900000"]
    clock.close()


def test_time_that_runs_is_asked_each_time(simulator, tmp_path):
    """After the history nothing is kept of an answer."""
    simulator.rate = 60
    clock = FollowClock(tmp_path / "clock.sock", "hut")
    assert [clock.now_ms() for _ in range(3)] == [1_000_000] * 3
    assert not clock.stands
    assert simulator.heard == ["hello hut", "now", "now", "now"]
    clock.close()


def test_wait_ends_soon_when_stopped(simulator, tmp_path):
    """A stop does not wait for simulated time."""
    clock = FollowClock(tmp_path / "clock.sock", "hut")
    stop = threading.Event()
    stop.set()
    begin = time.monotonic()
    assert clock.wait_until(1_900_000, stop) is False
    assert time.monotonic() - begin < PULSE_S + 1.0  # a busy machine may be late
    clock.close()


def test_simulator_gone_is_a_fault_and_a_new_one_is_found(simulator, tmp_path):
    """The clock says that it is away, and goes on with a simulator started again."""
    path = tmp_path / "clock.sock"
    clock = FollowClock(path, "hut")
    clock.now_ms()
    simulator.stop()
    path.unlink()
    with pytest.raises(ClockAway, match=r"clock\.sock"):
        clock.wait_until(5, threading.Event())
    with pytest.raises(ClockAway, match=r"clock\.sock"):
        clock.now_ms()
    again = PlayedSimulator(path)
    assert clock.now_ms() == 1_000_000
    assert again.heard == ["hello hut", "now"]
    clock.close()
    again.stop()


def test_system_clock_agrees_with_the_machine():
    """Milliseconds since 1970, within the time the test itself takes."""
    before, now_ms, after = time.time(), SystemClock().now_ms(), time.time()
    assert before * 1000 - 1 <= now_ms <= after * 1000 + 1


def test_system_clock_waits_in_pulses():
    """A wait for a far slot returns after a pulse, so that receipts are seen to; one that is past returns at once."""
    clock, stop = SystemClock(), threading.Event()
    begin = time.monotonic()
    assert clock.wait_until(clock.now_ms() + 3_600_000, stop) is False
    assert PULSE_S * 0.9 <= time.monotonic() - begin < 5
    assert clock.wait_until(clock.now_ms() - 1, stop) is True


def test_hardware_clock_can_be_trusted_by_configuration():
    """Without a time service a node with a battery-backed clock still has a set clock."""
    note = SystemClock(trust_hardware=True).note()
    assert note.ok is True
    assert note.uptime_ms > 0
    assert note.boot_id == SystemClock().note().boot_id
