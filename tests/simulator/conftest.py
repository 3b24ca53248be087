"""What the simulator's tests share: truth made by a formula, and two ways to talk to virtual probes without waiting."""

import contextlib
import os
import select
import selectors
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hardware.modbus import RegisterReplyParser, RegisterRequest
from hardware.sdi12 import UNCHANGED, Done, Fail, Measurement, Send
from simulator import kernels
from simulator.bus import FarEnd, ModbusBus, Sdi12Bus
from simulator.pty import PtyLine


@pytest.fixture(scope="session", autouse=True)
def loops() -> None:
    """The loops of the ground compiled, as for a long run."""
    kernels.compile_loops()


SPAN = {
    "water_content": (0.12, 0.31),
    "soil_temperature": (-4.5, 19.0),
    "bulk_ec": (0.1, 1.9),
    "rain_total": (3.0, 900.0),
    "rain": (0.2, 19.0),
    "air_temperature": (-11.0, 25.0),
    "relative_humidity": (20.0, 95.0),
    "wind_speed": (0.0, 12.0),
    "solar_radiation": (0.0, 900.0),
    "surface_temperature": (-12.0, 41.0),
}


class FormulaTruth:
    """Ground whose every value hangs on quantity, depth and hour, so that no two can be taken for each other."""

    def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float | None:
        if quantity not in SPAN:
            return None
        lowest, highest = SPAN[quantity]
        share = 0.15 + 0.6 * (depth_m or 0.0) + 0.001 * ((at_ms // 3_600_000) % 97)
        return lowest + (highest - lowest) * share


class Terminal:
    """The agent's side of a line: a talk over a real pseudo-terminal, the line's loop turned in between.

    A pseudo-terminal hands bytes over when the kernel gets round to it, so `listen` waits for them; on a sound line it
    never waits for its whole time.
    """

    def __init__(self, folder: Path, far_end: FarEnd, *, baud: int = 1200) -> None:
        self.selector = selectors.DefaultSelector()
        self.line = PtyLine("bench", folder, far_end, self.selector, baud=baud)
        self.port = self.open()

    def open(self) -> int:
        return os.open(self.line.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    def run(self, measurement: Measurement, *, within_s: float = 5.0) -> Done | Fail:
        """The outcome of the whole talk; a reply may take `within_s` real seconds."""
        action = measurement.start()
        while not isinstance(action, Done | Fail):
            if isinstance(action, Send):
                os.write(self.port, action.wire)
            following = None
            while following is None and (data := self.listen(within_s)):
                following = measurement.receive(data)
            action = measurement.elapsed() if following is None else following
        return action

    def far_end_only(self) -> None:
        """Leave the near end to somebody else."""
        os.close(self.port)
        self.port = -1

    def registers(self, request: RegisterRequest, *, within_s: float = 5.0) -> tuple[int, ...]:
        """The registers of a reply. Raises BadFrame."""
        parser = RegisterReplyParser(request)
        os.write(self.port, request.wire)
        while data := self.listen(within_s):
            parser.receive(data)
            if (reply := parser.next_reply()) is not None:
                return reply
        return parser.finish()

    def listen(self, within_s: float = 5.0) -> bytes:
        """Turn the loop until something comes, at most so long; what has come."""
        end_s = time.monotonic() + within_s
        while (left_s := end_s - time.monotonic()) > 0.0:
            timeout_s = self.line.timeout_s()
            left_s = left_s if timeout_s is None else min(left_s, timeout_s)
            select.select([self.port, self.selector], [], [], left_s)
            self.turn()
            with contextlib.suppress(BlockingIOError):
                return os.read(self.port, 4096)
        return b""

    def turn(self) -> None:
        """Once round the simulator's loop, without waiting."""
        for key, _ in self.selector.select(0.0):
            key.data()
        self.line.work()

    def close(self) -> None:
        if self.port >= 0:
            os.close(self.port)
        self.line.unplug()
        self.selector.close()


class MemoryLine:
    """A talk with a bus in memory, in time of its own: late bytes fall into whatever is asked next.

    Check characters cannot tell a late reply to the last question from one to this, so a reply is waited for `quiet_s`
    past its time before anything else is asked.
    """

    def __init__(self, bus: Sdi12Bus | ModbusBus, *, quiet_s: float = 1.0) -> None:
        self.bus = bus
        self.quiet_s = quiet_s
        self.now_s = 0.0
        self.on_the_way: list[tuple[float, bytes]] = []

    def run(self, measurement: Measurement) -> Done | Fail:
        """The outcome of the whole talk."""
        action = measurement.start()
        while not isinstance(action, Done | Fail):
            until_s = self.now_s
            if isinstance(action, Send):
                self.now_s += action.quiet_s
                self.on_the_way = [piece for piece in self.on_the_way if piece[0] > self.now_s]  # input is flushed
                self.bus.receive(action.wire, self.now_s)
                until_s = self.now_s + action.reply_within_s + self.quiet_s
            else:
                until_s = self.now_s + action.seconds
            following = None
            while following is None and (data := self._next_by(until_s)) is not None:
                following = measurement.receive(data)
            action = measurement.elapsed() if following is None else following
        return action

    def _next_by(self, until_s: float) -> bytes | None:
        """The next bytes that arrive, if they do before `until_s`; time moves to then."""
        while True:
            self.on_the_way += [(self.now_s + sent.after_s, sent.data) for sent in self.bus.send(self.now_s)]
            self.on_the_way.sort(key=lambda piece: piece[0])
            arrives = [piece[0] for piece in self.on_the_way[:1]]
            speaks = [due for due in [self.bus.due_s()] if due is not None]
            following_s = min(arrives + speaks, default=until_s)
            if following_s >= until_s:
                self.now_s = until_s
                return None
            self.now_s = max(self.now_s, following_s)
            if arrives and arrives[0] <= self.now_s:
                return self.on_the_way.pop(0)[1]


class AgentLine(MemoryLine):
    """The same for the agent's own sampler: what it asks of a serial line and of a clock, in that time of its own."""

    adapter = UNCHANGED
    reply_extra_s = 0.0
    baud = 9600

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        yield

    def send(self, data: bytes, *, wake: bool = False) -> float:
        self.on_the_way = [piece for piece in self.on_the_way if piece[0] > self.now_s]  # input is flushed
        self.bus.receive(data, self.now_s)
        return self.now_s

    def receive(self, deadline: float) -> bytes:
        return self._next_by(deadline) or b""

    def discard(self, seconds: float) -> None:
        until_s = self.now_s + seconds
        while self._next_by(until_s) is not None:
            pass

    def monotonic(self) -> float:
        return self.now_s

    def now_ms(self) -> int:
        return round(self.now_s * 1000)


@pytest.fixture
def truth() -> FormulaTruth:
    """Ground whose values are known by a formula."""
    return FormulaTruth()


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Callable[..., Terminal]]:
    """Makes an opened line over a far end; all are closed afterwards."""
    opened: list[Terminal] = []

    def make(far_end: FarEnd, *, baud: int = 1200) -> Terminal:
        opened.append(Terminal(tmp_path, far_end, baud=baud))
        return opened[-1]

    yield make
    for each in opened:
        each.close()


@pytest.fixture
def memory_line() -> type[MemoryLine]:
    """A line in memory with time of its own."""
    return MemoryLine


@pytest.fixture
def agent_line() -> type[AgentLine]:
    """The same line as the agent's sampler sees it."""
    return AgentLine
