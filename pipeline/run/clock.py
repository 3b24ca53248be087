"""The pipeline's clock: wall time for labels, monotonic time for every wait.

`SystemClock` is the machine's own, see `hardware.machine_clock`; what a step of it does is settled by `StepGuard`.
`FollowClock` follows the time of a demonstration over a Unix socket, where history passes faster than life. Waits and
timeouts are real seconds in both, never scaled.
"""

from __future__ import annotations

import socket
import threading
import time
from collections import deque
from pathlib import Path
from typing import Protocol

from hardware.machine_clock import MachineClock
from pipeline.errors import ClockAway
from pipeline.units import DAY_MS, MINUTE_MS

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


LEAP_MS = 10 * MINUTE_MS  # a smaller step is taken as it comes
AGREES_MS = 5 * MINUTE_MS  # of a reading heard just now and the time
WITNESSES_APART_MS = 1 * MINUTE_MS  # a backlog passes through any time, but does not stay with it
UNDISPUTED_MS = 30 * MINUTE_MS  # a step that no reading speaks against is taken after so long
LONGEST_REST_MS = 30 * DAY_MS  # a server that was off for longer asks whether its clock is right


class StepGuard:
    """Time that does not follow a step of a clock before something confirms it. Pure: it is told every time.

    A clock set wrong by a day or a year would silence every probe, or none ever again. A step is taken once the clock
    is confirmed, once two readings heard a minute apart or more agree with it, or when for half an hour no reading has
    agreed with the time before it. All bounds are common practice, no source.

    Parameters
    ----------
    clock_ms, steady_ms : int
        What the clock says [ms since 1970, UTC], and a time that is never set. [ms]
    """

    def __init__(self, clock_ms: int, steady_ms: int) -> None:
        self._offset_ms = clock_ms - steady_ms
        self._disputed_ms: int | None = None  # steady time of the step, or of the last reading that spoke against it
        self._agreed_ms: int | None = None  # steady time of a reading that agreed with it
        self.taken: deque[tuple[int, int]] = deque(maxlen=16)
        """Steps taken: the time before each, and after it. [ms since 1970, UTC]"""

    def now_ms(self, clock_ms: int, steady_ms: int, *, confirmed: bool) -> int:
        """Return the time. [ms since 1970, UTC]"""
        step_ms = self.step_ms(clock_ms, steady_ms)
        if abs(step_ms) <= LEAP_MS:
            self._offset_ms += step_ms
            self._disputed_ms = self._agreed_ms = None
        else:
            self._disputed_ms = steady_ms if self._disputed_ms is None else self._disputed_ms
            if confirmed or steady_ms - self._disputed_ms >= UNDISPUTED_MS:
                self._take(step_ms, steady_ms)
        return steady_ms + self._offset_ms

    def step_ms(self, clock_ms: int, steady_ms: int) -> int:
        """Return by how much the clock is ahead of the time. [ms]"""
        return clock_ms - steady_ms - self._offset_ms

    def witness(self, heard_ms: int, clock_ms: int, steady_ms: int) -> None:
        """Note a reading that has just come, and what its own clock said. [ms since 1970, UTC]"""
        if self._disputed_ms is None:
            return
        if abs(heard_ms - steady_ms - self._offset_ms) <= AGREES_MS:
            self._disputed_ms, self._agreed_ms = steady_ms, None
        elif abs(heard_ms - clock_ms) <= AGREES_MS:
            self._agreed_ms = steady_ms if self._agreed_ms is None else self._agreed_ms
            if steady_ms - self._agreed_ms >= WITNESSES_APART_MS:
                self._take(self.step_ms(clock_ms, steady_ms), steady_ms)

    def _take(self, step_ms: int, steady_ms: int) -> None:
        before_ms = steady_ms + self._offset_ms
        self._offset_ms += step_ms
        self._disputed_ms = self._agreed_ms = None
        self.taken.append((before_ms, before_ms + step_ms))


class SystemClock(MachineClock):
    """The machine's clock, followed through a step once something confirms it."""

    def __init__(self, *, trust_hardware: bool = False, kept: Path | None = None) -> None:
        super().__init__(trust_hardware=trust_hardware, kept=kept)
        self._guard_lock = threading.Lock()
        self._guard = StepGuard(super().now_ms(), self.uptime_ms())

    def now_ms(self) -> int:
        """Return the time: the clock's, but for a step of it that nothing has confirmed. [ms since 1970, UTC]"""
        clock_ms, steady_ms = super().now_ms(), self.uptime_ms()
        with self._guard_lock:
            stepped = abs(self._guard.step_ms(clock_ms, steady_ms)) > LEAP_MS
            return self._guard.now_ms(clock_ms, steady_ms, confirmed=stepped and self.note().ok)

    def resume(self, last_ms: int) -> None:
        """Go on from when it was last, where the clock is far ahead of that or behind, and nothing confirms it. [ms]"""
        if not last_ms or self.note().ok:
            return
        is_far_ahead = super().now_ms() - last_ms > LONGEST_REST_MS
        self.not_before(last_ms)  # the nodes of this machine go on from their last slot as well
        with self._guard_lock:
            self._guard = StepGuard(last_ms if is_far_ahead else super().now_ms(), self.uptime_ms())

    def witness(self, heard_ms: int) -> None:
        """Note a reading that has just come, dated by a clock that is set. [ms since 1970, UTC]"""
        with self._guard_lock:
            self._guard.witness(heard_ms, super().now_ms(), self.uptime_ms())

    def doubt_ms(self) -> int:
        """Return by how much the clock is ahead of the time that is gone by; 0 where they agree. [ms]"""
        with self._guard_lock:
            step_ms = self._guard.step_ms(super().now_ms(), self.uptime_ms())
        return step_ms if abs(step_ms) > LEAP_MS else 0

    def taken_step(self) -> tuple[int, int] | None:
        """Return a step that was taken, the time before and after it, once each. [ms since 1970, UTC]"""
        with self._guard_lock:
            return self._guard.taken.popleft() if self._guard.taken else None

    def monotonic(self) -> float:
        return time.monotonic()

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        return stop.wait(seconds)


class FollowClock:
    """Wall time asked of a Unix stream socket: `now` is answered by `NOW_MS RATE`.

    In stepped history the time stands and then leaps: it cannot be extrapolated, and every call asks. An earlier answer
    would date what has just come before it was measured.

    Parameters
    ----------
    path : Path
        The socket.

    Attributes
    ----------
    in_history : bool
        Whether time stood between two steps of a history when it was last asked: RATE was 0.
    rate : float
        How many times faster than life time went when it was last asked.

    Raises
    ------
    ClockAway
        From `now_ms`, when the socket cannot be reached or its answer is not of that form.
    """

    def __init__(self, path: Path) -> None:
        self.in_history, self.rate = False, 1.0
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
        try:
            now, rate = answer.decode("ascii").split()
            if not now.isdigit():
                raise ValueError(now)
            now_ms, self.rate = int(now), float(rate)
        except ValueError as err:
            self._drop()
            raise ClockAway(f"clock {self._path}: found {answer[:40]!r}, expected NOW_MS RATE") from err
        self.in_history = self.rate == 0.0
        return now_ms

    def _drop(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None
