"""Simulated time: lock-step through the history, then a steady multiple of real time.

In lock-step time stands until every registered waiter waits, and then jumps to the earliest moment waited for: no
timeout is scaled, and the history goes as fast as the slowest waiter. When all wait for a moment after the end of the
history, time starts to run. Real time comes in as a number from a steady clock.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field


def steady_s() -> float:
    """Return steady real time, from no particular moment. [s]"""
    return time.monotonic()


ClockSteps = Sequence[tuple[int, int]]
"""When the clock of the node jumps [ms since 1970, UTC, true time], and by how much. [ms]"""


def offset_ms(steps: ClockSteps, true_ms: int) -> int:
    """Return how far the node's clock is ahead of true time. [ms]"""
    return sum(by_ms for at_ms, by_ms in steps if at_ms <= true_ms)


@dataclass(slots=True)
class _Waiter:
    name: str
    drives: bool
    due_ms: int | None = None


@dataclass(slots=True)
class SimulatedTime:
    """The one clock of a simulated site.

    Attributes
    ----------
    start_ms, history_end_ms : int
        [ms since 1970, UTC] Lock-step from the first to the second.
    rate : float
        Simulated seconds in a real second after that. Above 0.
    expected_agents : int
        Lock-step does not begin before so many who drive it have registered at once.
    pause_ms : int or None
        Once all wait for later than this, time stands until somebody who drives it registers anew: the moment to start
        an agent again with other settings. [ms since 1970, UTC] None: no such moment.

    Raises
    ------
    ValueError
        For a history that ends before it starts, or a rate that is not above 0.
    """

    start_ms: int
    history_end_ms: int
    rate: float = 1.0
    expected_agents: int = 1
    pause_ms: int | None = None
    paused: bool = field(init=False, default=False)
    steps: int = 0
    _now_ms: int = field(init=False)
    _live_since_s: float | None = field(init=False, default=None)
    _begun: bool = field(init=False, default=False)
    _news: bool = field(init=False, default=True)  # somebody came, went or began to wait since time last stood
    _waiters: dict[object, _Waiter] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        if self.history_end_ms < self.start_ms:
            raise ValueError(f"history: found an end at {self.history_end_ms} before its start at {self.start_ms}")
        if not self.rate > 0.0:
            raise ValueError(f"rate: found {self.rate}, expected a number above 0")
        self._now_ms = self.start_ms

    @property
    def live(self) -> bool:
        """Whether the history is over and time runs."""
        return self._live_since_s is not None

    @property
    def progress(self) -> float:
        """Share of the history that is done. 0 to 1"""
        span = self.history_end_ms - self.start_ms
        return 1.0 if self.live or span == 0 else (self._now_ms - self.start_ms) / span

    def now_ms(self, real_s: float) -> int:
        """Return simulated time. [ms since 1970, UTC]"""
        if self._live_since_s is None:
            return self._now_ms
        return self.history_end_ms + int((real_s - self._live_since_s) * 1000.0 * self.rate)

    def rate_now(self) -> float:
        """Return the rate, 0 while time stands between steps."""
        return self.rate if self.live else 0.0

    def register(self, who: object, name: str, *, drives: bool = True) -> None:
        """Let `who` take part in the lock-step from now on: time waits for it.

        Time moves only while at least one who `drives` it is there: an agent does, a device that only needs its time
        does not, or it would run the history off while the agent is being restarted.
        """
        self._waiters[who] = _Waiter(name, drives)
        self._news = True
        if self.paused and drives:
            self.paused, self.pause_ms = False, None

    def forget(self, who: object) -> None:
        """Remove `who`; time does not wait for it any more."""
        self._waiters.pop(who, None)
        self._news = True

    def wait(self, who: object, due_ms: int) -> None:
        """Note that `who` has nothing to do before `due_ms`; ignored for one who is not registered."""
        if who in self._waiters:
            self._waiters[who].due_ms = due_ms
            self._news = True

    def waiting(self) -> dict[str, bool]:
        """Return who is registered, by name, and whether it waits."""
        return {waiter.name: waiter.due_ms is not None for waiter in self._waiters.values()}

    def advance(self, real_s: float) -> bool:
        """Advance time as far as it may go now. True if time moved or began to run.

        Whoever is due is no longer taken to be waiting: it must say again when it next is.
        """
        if not (self.live or self._news):
            return False
        self._news = False
        moved = not self.live and self._step(real_s)
        now_ms = self.now_ms(real_s)
        for waiter in self._waiters.values():
            if waiter.due_ms is not None and waiter.due_ms <= now_ms:
                waiter.due_ms = None
        return moved

    def _step(self, real_s: float) -> bool:
        driving = sum(waiter.drives for waiter in self._waiters.values())
        self._begun = self._begun or driving >= self.expected_agents
        if self.start_ms == self.history_end_ms:  # no history: nobody to wait for
            self._live_since_s = real_s
            return True
        dues = [waiter.due_ms for waiter in self._waiters.values()]
        if not self._begun or driving == 0 or None in dues:
            return False
        earliest = min(due for due in dues if due is not None)
        if earliest <= self._now_ms:
            return False
        if self.pause_ms is not None and earliest > self.pause_ms:
            self.paused = True
            return False
        self.steps += 1
        self._now_ms = min(earliest, self.history_end_ms)
        if earliest > self.history_end_ms:  # all have done with the history: only then, lest a talk be cut in two
            self._live_since_s = real_s
        return True

    def real_s_until(self, due_ms: int, real_s: float) -> float | None:
        """Return real seconds until `due_ms`; 0 if it has come; None in lock-step, where nobody can say."""
        now_ms = self.now_ms(real_s)
        if now_ms >= due_ms:
            return 0.0
        return (due_ms - now_ms) / 1000.0 / self.rate if self.live else None
