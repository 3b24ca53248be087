"""The simulated clock and its socket: lock-step, the running time after it, and clients that come and go."""

import selectors
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from simulator import clock_server
from simulator.clock import ClockSteps, SimulatedTime
from simulator.clock_server import ClockFault, ClockServer

START_MS = 1_700_000_000_000
HOUR_MS = 3_600_000
END_MS = START_MS + 10 * HOUR_MS


class Bench:
    """A server and its loop, with real time in the test's own hands."""

    def __init__(
        self, path: Path, monkeypatch: pytest.MonkeyPatch, *, steps: ClockSteps = (), **options: float
    ) -> None:
        self.real_s = 100.0
        monkeypatch.setattr(clock_server, "steady_s", lambda: self.real_s)
        self.selector = selectors.DefaultSelector()
        self.time = SimulatedTime(START_MS, END_MS, **options)  # type: ignore[arg-type]
        self.server = ClockServer(path, self.time, self.selector, steps=steps)
        self.path = path

    def turn(self, longest_s: float = 0.0) -> None:
        """Go round the loop until nothing more happens."""
        while True:
            ready = self.selector.select(longest_s)
            for key, _ in ready:
                key.data()
            if not self.server.work() and not ready:
                return

    def client(self, name: str | None = None) -> "Client":
        return Client(self, name)


class Client:
    """One end that talks to the server and reads what has come back, without waiting."""

    def __init__(self, bench: Bench, name: str | None) -> None:
        self.bench = bench
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.socket.connect(str(bench.path))
        self.socket.setblocking(False)
        if name is not None:
            assert self.ask(f"hello {name}") == f"{bench.time.now_ms(bench.real_s)} {bench.time.rate_now():g}\n"

    def ask(self, line: str) -> str | None:
        self.socket.sendall(line.encode() + b"\n")
        self.bench.turn()
        return self.answer()

    def answer(self) -> str | None:
        """What has come; None if nothing has; empty when the server has hung up."""
        try:
            return self.socket.recv(4096).decode()
        except BlockingIOError:
            return None


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    made = Bench(tmp_path / "clock.sock", monkeypatch, rate=60.0)
    yield made
    made.server.close()


def hours(number: float) -> int:
    return START_MS + round(number * HOUR_MS)


def test_time_stands_while_nobody_waits(bench: Bench) -> None:
    """In lock-step the time is the start of the history, at rate 0, however long it really takes."""
    asker = bench.client()
    assert asker.ask("now") == f"{START_MS} 0\n"
    bench.real_s += 1e6
    assert asker.ask("now") == f"{START_MS} 0\n"


def test_lock_step_moves_to_the_earliest_of_two_waiters_when_both_wait(bench: Bench) -> None:
    """Time moves only when both wait, to the earlier moment, and only that one is answered."""
    one, two = bench.client("one"), bench.client("two")
    assert one.ask(f"until {hours(2)}") is None
    assert two.ask(f"until {hours(1)}") == f"{hours(1)} 0\n"
    assert one.answer() is None
    assert two.ask(f"until {hours(3)}") is None
    assert one.answer() == f"{hours(2)} 0\n"
    assert one.ask(f"until {hours(3)}") == f"{hours(3)} 0\n"
    assert two.answer() == f"{hours(3)} 0\n"


def test_one_who_has_not_said_hello_is_answered_but_moves_nothing(bench: Bench) -> None:
    """`until` without `hello` waits for the others' time and does not hold it."""
    watcher, agent = bench.client(), bench.client("agent")
    assert watcher.ask(f"until {hours(0.5)}") is None
    assert agent.ask(f"until {hours(1)}") == f"{hours(1)} 0\n"
    assert watcher.answer() == f"{hours(1)} 0\n"


def test_lock_step_waits_for_the_agents_expected(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With two agents expected the first one cannot run the history off alone."""
    bench = Bench(tmp_path / "clock.sock", monkeypatch, expected_agents=2)
    first = bench.client("first")
    assert first.ask(f"until {hours(1)}") is None
    second = bench.client("second")
    assert first.answer() is None
    assert second.ask(f"until {hours(1)}") == f"{hours(1)} 0\n"
    bench.server.close()


def test_device_that_only_needs_its_time_does_not_drive_the_history(bench: Bench) -> None:
    """A waiter that does not drive holds time while it is busy, but alone moves nothing."""
    bench.time.register("dock", "dock", drives=False)
    bench.time.wait("dock", hours(1))
    bench.turn()
    assert bench.time.now_ms(bench.real_s) == START_MS
    agent = bench.client("agent")
    assert agent.ask(f"until {hours(2)}") is None  # the dock was due first and is busy now
    assert bench.time.now_ms(bench.real_s) == hours(1)
    bench.time.wait("dock", hours(5))
    bench.turn()
    assert agent.answer() == f"{hours(2)} 0\n"


def test_killed_client_does_not_stall_the_time(bench: Bench) -> None:
    """A process killed while it is registered is forgotten: the others go on; back again, it must say hello."""
    program = (
        "import socket,sys\ns = socket.socket(socket.AF_UNIX)\ns.connect(sys.argv[1])\ns.sendall(b'hello doomed\\n')\n"
        f"s.recv(99)\ns.sendall(b'until {hours(1)}\\n')\nprint('waits', flush=True)\ns.recv(99)\n"
    )
    agent = bench.client("agent")
    with subprocess.Popen([sys.executable, "-c", program, str(bench.path)], stdout=subprocess.PIPE) as doomed:
        while "doomed" not in bench.time.waiting():
            bench.turn(longest_s=0.05)
        assert doomed.stdout is not None
        assert doomed.stdout.readline() == b"waits\n"
        bench.turn()
        assert bench.time.waiting() == {"agent": False, "doomed": True}
        doomed.send_signal(signal.SIGKILL)
    bench.turn(longest_s=0.05)
    assert bench.time.waiting() == {"agent": False}
    assert agent.ask(f"until {hours(2)}") == f"{hours(2)} 0\n"
    back = bench.client()
    assert back.ask(f"until {hours(3)}") is None
    assert agent.ask(f"until {hours(4)}") == f"{hours(4)} 0\n"  # who has not said hello again holds nobody


def test_time_runs_at_its_rate_after_the_history(bench: Bench) -> None:
    """The history ends on its last moment; from there 60 simulated seconds pass in a real one."""
    agent = bench.client("agent")
    assert agent.ask(f"until {END_MS}") == f"{END_MS} 0\n"
    bench.real_s += 1000.0  # the last hour of the history may take as long as it likes
    assert bench.client().ask("now") == f"{END_MS} 0\n"
    assert agent.ask(f"until {END_MS + HOUR_MS}") is None
    assert bench.server.timeout_s() == pytest.approx(60.0)  # an hour at 60 times real time
    bench.real_s += 30.0
    assert bench.client().ask("now") == f"{END_MS + HOUR_MS // 2} 60\n"
    bench.real_s += 29.5
    bench.turn()
    assert agent.answer() is None
    bench.real_s += 1.0
    bench.turn()
    assert agent.answer() == f"{END_MS + HOUR_MS + 30_000} 60\n"


def test_history_of_no_length_runs_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With no history time runs from the start and waits for no agent."""
    bench = Bench(tmp_path / "clock.sock", monkeypatch, rate=2.0)
    bench.time.history_end_ms = START_MS
    bench.turn()
    bench.real_s += 5.0
    assert bench.client().ask("now") == f"{START_MS + 10_000} 2\n"
    bench.server.close()


def test_close_hangs_up_and_takes_the_socket_away(bench: Bench) -> None:
    """Stopping cuts off whoever waits, and the name is gone."""
    agent = bench.client("agent")
    other = bench.client("other")
    assert agent.ask(f"until {hours(1)}") is None
    bench.server.close()
    assert agent.answer() == other.answer() == ""
    assert not bench.path.exists()
    bench.server = ClockServer(bench.path, bench.time, bench.selector)


@pytest.mark.parametrize("line", ["", "until", "until -5", "until soon", "hello", "now or never", "x" * 300])
def test_request_out_of_form_is_told_and_cut_off(bench: Bench, line: str) -> None:
    """Nonsense is answered with what was expected, the connection ends, and others are served."""
    asker = bench.client("odd")
    answer = asker.ask(line)
    assert answer is not None and answer.startswith("error found") and "expected" in answer
    assert asker.answer() == ""
    assert bench.time.waiting() == {}
    assert bench.client().ask("now") == f"{START_MS} 0\n"


def test_requests_in_pieces_and_together_are_understood(bench: Bench) -> None:
    """A request may come byte by byte, and several at once."""
    asker = bench.client()
    for byte in b"now\n":
        assert asker.answer() is None
        asker.socket.sendall(bytes([byte]))
        bench.turn()
    assert asker.answer() == f"{START_MS} 0\n"
    assert asker.ask("now\nnow") == f"{START_MS} 0\n" * 2


def test_socket_left_by_a_dead_simulator_is_taken_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stale socket file is no obstacle; one that is served is, and the message says so."""
    path = tmp_path / "clock.sock"
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(path))
    bench = Bench(path, monkeypatch)
    with pytest.raises(ClockFault, match="found a simulator that serves it"):
        ClockServer(path, bench.time, bench.selector)
    bench.server.close()


def test_path_too_long_for_a_socket_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel's limit is told in words before it is hit."""
    with pytest.raises(ClockFault, match="expected 107 or fewer"):
        Bench(tmp_path / ("x" * 120), monkeypatch)


@pytest.mark.parametrize("options", [{"rate": 0.0}, {"rate": float("nan")}, {"history_end_ms": START_MS - 1}])
def test_time_that_cannot_pass_is_refused(options: dict[str, float]) -> None:
    """A rate that is not above 0, or an end before the start, is refused."""
    with pytest.raises(ValueError, match="found"):
        SimulatedTime(**{"start_ms": START_MS, "history_end_ms": END_MS, **options})  # type: ignore[arg-type]


def test_time_pauses_until_an_agent_comes_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At the pause the slot itself is still read; then time stands, whoever leaves, until somebody says hello again."""
    site = Bench(tmp_path / "clock.sock", monkeypatch, pause_ms=hours(2))
    agent = site.client("node-1")
    for hour in (1, 2):
        assert agent.ask(f"until {hours(hour)}") == f"{hours(hour)} 0\n"
    assert agent.ask(f"until {hours(3)}") is None
    assert site.time.paused
    agent.socket.close()
    site.turn()
    assert site.time.now_ms(site.real_s) == hours(2)
    anew = site.client("node-1")
    assert not site.time.paused
    assert anew.ask(f"until {hours(2.25)}") == f"{hours(2.25)} 0\n"
    assert anew.ask(f"until {hours(9)}") == f"{hours(9)} 0\n"
    site.server.close()


def test_stepped_clock_tells_another_time_than_it_keeps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From 1:30 the clock told is two hours behind: a wait until 1:00 told is over at 3:00 true (arithmetic)."""
    site = Bench(tmp_path / "clock.sock", monkeypatch, steps=[(hours(1.5), -2 * HOUR_MS)])
    agent = site.client("node-1")
    assert agent.ask(f"until {hours(1)}") == f"{hours(1)} 0\n"
    assert agent.ask(f"until {hours(2)}") == f"{hours(0)} 0\n"
    assert site.time.now_ms(site.real_s) == hours(2)
    assert agent.ask(f"until {hours(1)}") == f"{hours(1)} 0\n"
    assert site.time.now_ms(site.real_s) == hours(3)
    site.server.close()
