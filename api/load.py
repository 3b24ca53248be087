"""What many readers at once cost: facts kept while nothing has changed, and large reads a few at a time.

A page is asked for again by every open browser at each change, so what is read for it is kept until the next change or
minute. A large read is months of series: it takes its turn, and the memory it took is given back to the system.
"""

from __future__ import annotations

import ctypes
import threading
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

from fastapi import Request

from api.problems import Problem
from pipeline.service import Pipeline
from pipeline.units import MINUTE_MS

MAX_KEPT = 300  # facts kept at once; the history of a station is the largest, at about 0.1 MB
MAX_ANSWERS_KEPT = 16  # packed pages of series kept at once; each has at most about 0.5 MB
READS_AT_ONCE, READS_WAITING, WAIT_S = 2, 8, 5.0  # large reads that run, that wait, and for how long
DOWNLOADS_AT_ONCE = 8  # downloads in progress; each takes a turn of the large reads for every piece
T = TypeVar("T")


class _Fact:
    """A place for one fact, which is made by whoever asks first while the others wait."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.made: list[Any] = []


class FactCache:
    """Keeps what was read for a page until the pipeline reports a change or the clock shows another minute.

    Parameters
    ----------
    pipeline : Pipeline
        Its counter of changes and its clock say how long a fact stands.
    most : int
        How many facts are kept at once.
    """

    def __init__(self, pipeline: Pipeline, *, most: int = MAX_KEPT) -> None:
        self._most = most
        self._changes, self._clock = pipeline.changes, pipeline.clock
        self._lock = threading.Lock()
        self._moment: tuple[int, int] = (-1, -1)
        self._facts: dict[Hashable, _Fact] = {}

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return the fact of this key, made by `make` unless it is kept. What `make` raises is raised and not kept."""
        # The count is read before the store, so a change in between makes the fact old, never the other way round.
        moment = (self._changes.count, self._clock.now_ms() // MINUTE_MS)
        with self._lock:
            if moment != self._moment or (key not in self._facts and len(self._facts) >= self._most):
                self._moment, self._facts = moment, {}
            fact = self._facts.setdefault(key, _Fact())
        with fact.lock:
            if not fact.made:
                fact.made.append(make())
            found: T = fact.made[0]
            return found


def facts_of(request: Request) -> FactCache:
    """Return the cache of the application."""
    found: FactCache = request.app.state.facts
    return found


def answers_of(request: Request) -> FactCache:
    """Return the cache of packed pages of series, of the application."""
    found: FactCache = request.app.state.answers
    return found


class Turns:
    """Lets a few threads in at once, lets a few more wait for a while, and refuses the rest.

    Parameters
    ----------
    running, waiting : int
        How many may be inside, and wait.
    wait_s : float
        For how long. [s]
    after_last : callable
        Called when the last one has left.
    """

    def __init__(self, running: int, waiting: int, wait_s: float, after_last: Callable[[], object]) -> None:
        self._slots, self._lock, self._after_last = threading.Semaphore(running), threading.Lock(), after_last
        self._most, self._wait_s = running + waiting, wait_s
        self._present = self._admitted = 0

    @contextmanager
    def turn(self, *, admitted: bool = False) -> Iterator[None]:
        """Hold a slot for the block. Who is `admitted` already, by turns of another kind, waits as long as it takes.

        Raises
        ------
        Problem
            503 with Retry-After, when too many wait already or the wait was too long.
        """
        with self._lock:
            if not admitted and self._present - self._admitted >= self._most:
                raise _refusal()
            self._present += 1
            self._admitted += admitted
        try:
            if not self._slots.acquire(timeout=None if admitted else self._wait_s):
                raise _refusal()
            try:
                yield
            finally:
                self._slots.release()
        finally:
            with self._lock:
                self._present -= 1
                self._admitted -= admitted
                is_last = not self._present
            if is_last:
                self._after_last()


def _refusal() -> Problem:
    detail = "found more than can be read at once, expected fewer. Ask again in a moment, or for a shorter span."
    return Problem(503, "Too many large reads", detail, retry_after_s=round(WAIT_S))


M_MMAP_THRESHOLD = -3  # of malloc.h
MAPPED_FROM_BYTES = 512 * 1024


def keep_memory_returnable() -> None:
    """Have the C library (glibc) map large blocks by themselves, so that each goes back to the system when it is freed.

    Left alone it raises that size with the largest block ever freed, up to 32 MB, and a burst of large reads stays.
    """
    library = ctypes.CDLL(None)
    if hasattr(library, "mallopt"):
        library.mallopt(M_MMAP_THRESHOLD, MAPPED_FROM_BYTES)


def give_back_memory() -> None:
    """Return freed small blocks to the system, where the C library can (glibc)."""
    library = ctypes.CDLL(None)
    if hasattr(library, "malloc_trim"):
        library.malloc_trim(0)


large_reads = Turns(READS_AT_ONCE, READS_WAITING, WAIT_S, give_back_memory)
downloads = Turns(DOWNLOADS_AT_ONCE, 0, 0.0, give_back_memory)
