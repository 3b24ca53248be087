"""The pipeline's clock: wall time for labels, monotonic time for every wait.

`SystemClock` is the machine's own, see `hardware.machine_clock`. `FollowClock` follows the time of a demonstration over
a Unix socket, where history passes faster than life. Waits and timeouts are real seconds in both, never scaled.
"""

from __future__ import annotations

import socket
import threading
import time
from pathlib import Path
from typing import Protocol

from hardware.machine_clock import MachineClock
from pipeline.errors import ClockAway

ANSWER_TIMEOUT_S = 5.0
MAX_ANSWER_BYTES = 128


class Clock(Protocol):
    """What the pipeline asks of a clock."""

    def now_ms(self) -> int:
        """Return wall time. [ms since 1970, UTC]"""

    def monotonic(self) -> float:
        """Return real seconds that never go back, from an arbitrary start. [s]"""

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        """Wait real seconds, or less if `stop` is set. Returns whether it is set."""


class SystemClock(MachineClock):
    """The machine's clock."""

    def monotonic(self) -> float:
        return time.monotonic()

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        return stop.wait(seconds)


class FollowClock:
    """Wall time asked of a Unix stream socket: `now` is answered by `NOW_MS RATE`.

    Every call asks, because in stepped history the time stands and then leaps: it cannot be extrapolated.

    Parameters
    ----------
    path : Path
        The socket.

    Raises
    ------
    ClockAway
        From `now_ms`, when the socket cannot be reached or its answer is not of that form.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None

    def now_ms(self) -> int:
        with self._lock:
            try:
                return self._ask()
            except OSError:
                self._drop()  # the other end may have been started anew: one fresh try
            try:
                return self._ask()
            except OSError as err:
                self._drop()
                raise ClockAway(
                    f"clock {self._path}: found no answer ({err}), expected the clock socket; is it running?"
                ) from err

    def monotonic(self) -> float:
        return time.monotonic()

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        return stop.wait(seconds)

    def close(self) -> None:
        """Let go of the socket."""
        with self._lock:
            self._drop()

    def _ask(self) -> int:
        if self._socket is None:
            fresh = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            fresh.settimeout(ANSWER_TIMEOUT_S)
            try:
                fresh.connect(str(self._path))
            except OSError:
                fresh.close()
                raise
            self._socket = fresh
        self._socket.sendall(b"now\n")
        answer = b""
        while not answer.endswith(b"\n"):
            more = self._socket.recv(MAX_ANSWER_BYTES)
            if not more or len(answer) > MAX_ANSWER_BYTES:
                raise ConnectionError("the other end hung up")
            answer += more
        words = answer.split()
        if len(words) != 2 or not words[0].isdigit():
            self._drop()
            raise ClockAway(f"clock {self._path}: found {answer[:40]!r}, expected NOW_MS RATE")
        return int(words[0])

    def _drop(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None
