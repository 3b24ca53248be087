"""Carries readings from the journal to a server store, and lets none go before the server has given it back.

A server may answer that it has taken a row and still lose it. So a run of readings leaves the queue when it has been
read back, stays in the journal for seven days after, is read back once more, and only then is let go; a run the server
has lost by then goes back into the queue. One `step` is bounded; the worker calls it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.store.journal import Journal, WaitingRun

if TYPE_CHECKING:
    from pipeline.store.influx import InfluxStore

STAY_MS = 7 * 86_400_000
RUNS_A_STEP = 50  # of at most 1000 readings


@dataclass(frozen=True, slots=True)
class Fed:
    """What one step did, in readings: read back, not given back yet, let go after their stay, queued again."""

    read_back: int = 0
    outstanding: int = 0
    let_go: int = 0
    queued_again: int = 0


class Feeder:
    """Feeds one store from one journal opened with `feeding=True`."""

    def __init__(self, journal: Journal, store: InfluxStore) -> None:
        self._journal = journal
        self._store = store

    def step(self, now_ms: int) -> Fed:
        """Carry a bounded number of runs, the least tried and oldest first, and let go of as many whose stay is over.

        Raises
        ------
        StoreAway, StoreFull
            Then everything is still in the journal.
        """
        waiting = self._journal.waiting(limit=RUNS_A_STEP)
        self._store.append_arrivals([(run.readings, run.received_at_ms) for run in waiting])
        held, lost = self._read_back(waiting)
        if held:
            self._journal.mark_read_back(held, now_ms)
        if lost:
            self._journal.put_back(lost)
        gone, missed = self._read_back(self._journal.stayed(now_ms - STAY_MS, limit=RUNS_A_STEP))
        if gone:
            self._journal.let_go(gone)
        if missed:
            self._journal.queue_again(missed)
        return Fed(_count(held), _count(lost), _count(gone), _count(missed))

    def _read_back(self, runs: Sequence[WaitingRun]) -> tuple[list[WaitingRun], list[WaitingRun]]:
        """Runs the server holds whole, and the others."""
        missing = set(self._store.not_held([reading for run in runs for reading in run.readings]))
        whole = [missing.isdisjoint(run.readings) for run in runs]
        held = [run for run, is_held in zip(runs, whole, strict=True) if is_held]
        return held, [run for run, is_held in zip(runs, whole, strict=True) if not is_held]


def _count(runs: Sequence[WaitingRun]) -> int:
    return sum(len(run.readings) for run in runs)
