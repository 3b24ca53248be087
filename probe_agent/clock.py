"""Time of the agent; the only module that reads the process environment.

`SystemClock` is the machine's own, see `hardware.machine_clock`. `FollowClock` asks a simulator for the time over a
Unix socket, for the demo only; its timeouts in real seconds are never scaled. Labels and slots use wall time, every
timeout uses `monotonic`.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
from pathlib import Path
from typing import Protocol

from hardware.machine_clock import ClockNote, MachineClock, boot_id
from probe_agent.faults import AgentFault

PULSE_S = 0.2  # longest one wait_until lasts, so that the broker's messages are seen to meanwhile
ANSWER_WITHIN_S = 10.0  # a simulator that takes longer to say the time is taken for gone


class ClockAway(AgentFault):
    """The simulator that gives the time does not answer."""


class Clock(Protocol):
    """Where the agent gets its time."""

    follows: bool

    @property
    def stands(self) -> bool:
        """Whether time stands until whoever asks waits: the history of a simulator."""

    def now_ms(self) -> int:
        """Return wall time. [ms since 1970, UTC]"""

    def monotonic(self) -> float:
        """Return steady real time. [s]"""

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        """Wait so many real seconds or until `stop` is set; return whether it is."""

    def wait_until(self, due_ms: int, stop: threading.Event) -> bool:
        """Wait until wall time `due_ms`, at most PULSE_S; return whether it is reached. Call it again if it is not."""

    def note(self) -> ClockNote:
        """Return whether the wall clock is set, and how long this machine has been up."""


class SystemClock(MachineClock):
    """The machine's own clock."""

    follows = False
    stands = False

    def monotonic(self) -> float:
        return time.monotonic()

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        return stop.wait(max(0.0, seconds))

    def wait_until(self, due_ms: int, stop: threading.Event) -> bool:
        left_s = (due_ms - self.now_ms()) / 1000
        stop.wait(max(0.0, min(left_s, PULSE_S)))
        return left_s <= PULSE_S


class FollowClock:
    """A simulator's clock, asked over a Unix stream socket: `now`, `until DUE_MS`, `hello NAME`, one line each.

    Two connections are held: one is declared and waits with `until`, the other asks `now` meanwhile. Time that stands
    between two steps of a history stands until this agent waits: it is asked once a step.

    Parameters
    ----------
    path : Path
        The simulator's socket.
    name : str
        How this agent declares itself.
    """

    follows = True

    def __init__(self, path: Path, name: str) -> None:
        self._path = path
        self._name = name
        self._boot_id = boot_id()
        self._asking: _ClockConnection | None = None
        self._waiting: _ClockConnection | None = None
        self._pending_ms: int | None = None
        self._stands_ms: int | None = None  # the time, where it cannot move before this agent waits

    @property
    def stands(self) -> bool:
        """Whether time stands until this agent waits."""
        return self._stands_ms is not None

    def now_ms(self) -> int:
        self.declare()
        if self._stands_ms is not None:
            return self._stands_ms
        try:
            if self._asking is None:
                self._asking = _ClockConnection(self._path)
            now_ms, stands = self._asking.ask("now")
        except OSError as err:
            self.close()
            raise ClockAway(f"clock {self._path}: found {err}, expected the simulator to say the time") from err
        if stands and self._pending_ms is None:
            self._stands_ms = now_ms
        return now_ms

    def monotonic(self) -> float:
        return time.monotonic()

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        return stop.wait(max(0.0, seconds))

    def declare(self) -> None:
        """Tell the simulator that this agent takes part, so that time stands until it waits. Raises ClockAway."""
        try:
            if self._waiting is None:
                self._waiting = _ClockConnection(self._path)
                self._waiting.ask(f"hello {self._name}")
        except OSError as err:
            self.close()
            raise ClockAway(f"clock {self._path}: found {err}, expected the simulator to answer hello") from err

    def wait_until(self, due_ms: int, stop: threading.Event) -> bool:
        self.declare()
        assert self._waiting is not None
        try:
            if self._pending_ms is None:
                self._pending_ms, self._stands_ms = due_ms, None
                self._waiting.say(f"until {due_ms}")
            if not self._waiting.answered(0.0 if stop.is_set() else PULSE_S):
                return False
            now_ms, stands = self._waiting.answer()
        except OSError as err:
            self.close()
            raise ClockAway(f"clock {self._path}: found {err}, expected the simulator to answer until") from err
        self._stands_ms = now_ms if stands else None
        reached = self._pending_ms >= due_ms
        self._pending_ms = None
        return reached

    def note(self) -> ClockNote:
        return ClockNote(True, self._boot_id, time.monotonic_ns() // 1_000_000, self.now_ms())

    def close(self) -> None:
        """Disconnect from the simulator."""
        for talk in (self._asking, self._waiting):
            if talk is not None:
                talk.close()
        self._asking = self._waiting = self._pending_ms = self._stands_ms = None


class _ClockConnection:
    """One connection to the simulator."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(ANSWER_WITHIN_S)
        self._received = b""
        try:
            self._socket.connect(str(path))
        except OSError:
            self._socket.close()
            raise

    def say(self, line: str) -> None:
        self._socket.sendall(line.encode() + b"\n")

    def answered(self, within_s: float) -> bool:
        return b"\n" in self._received or bool(select.select([self._socket], [], [], within_s)[0])

    def answer(self) -> tuple[int, bool]:
        """Return the time in the next answer [ms], and whether it stands."""
        while b"\n" not in self._received:
            data = self._socket.recv(256)
            if not data:
                raise ConnectionResetError("the simulator hung up")
            self._received += data
        line, _, self._received = self._received.partition(b"\n")
        now_ms, _, rate = line.partition(b" ")
        if not now_ms.isdigit():
            raise ConnectionAbortedError(f"the answer {line[:40]!r} where NOW_MS RATE was expected")
        return int(now_ms), rate == b"0"

    def ask(self, line: str) -> tuple[int, bool]:
        self.say(line)
        return self.answer()

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._socket.close()


def environment(name: str) -> str | None:
    """Return a variable of the process environment, None where it is not set."""
    return os.environ.get(name)
