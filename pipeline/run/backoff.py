"""How long to wait before trying again: longer after every failure, never in step with others.

It only counts and draws; the waiting is done by the caller, with the clock it was given.
"""

from __future__ import annotations

import logging
import random

from pipeline.errors import PipelineFault
from pipeline.run.metrics import Metrics

OUTAGE_FIRST_S, OUTAGE_MOST_S = 0.2, 30.0

log = logging.getLogger(__name__)


class Outage:
    """One thing that can go wrong outside: said once, counted, waited out."""

    def __init__(self, part: str, metrics: Metrics, rng: random.Random) -> None:
        self.part, self.reason = part, ""
        self._metrics = metrics
        self._backoff = Backoff(OUTAGE_FIRST_S, OUTAGE_MOST_S, rng)

    def begins(self, fault: PipelineFault) -> float:
        """Note a fault; returns how long to wait. [s]"""
        kind = type(fault).__name__
        if kind != self.reason.partition(":")[0]:
            log.error("%s_waits reason=%s: %s", self.part, kind, fault)
        self.reason = f"{kind}: {fault}"
        wait_s = self._backoff.next_s()
        self._metrics.faults.labels(self.part).inc()
        self._metrics.backoff_s.labels(self.part).set(wait_s)
        return wait_s

    def ends(self) -> None:
        """Note that it went well."""
        if self.reason:
            log.warning("%s_well_again after=%s", self.part, self.reason)
            self._metrics.backoff_s.labels(self.part).set(0.0)
        self.reason = ""
        self._backoff.reset()


class Backoff:
    """Doubling delays with jitter.

    Parameters
    ----------
    first_s, most_s : float
        Bounds of the delay before jitter. [s]
    rng : random.Random
        Where the jitter comes from.
    """

    def __init__(self, first_s: float, most_s: float, rng: random.Random) -> None:
        self.first_s = first_s
        self.most_s = most_s
        self.failures = 0
        self._rng = rng

    def next_s(self) -> float:
        """Count one more failure and say how long to wait: half to all of the doubled delay. [s]"""
        delay = min(self.most_s, self.first_s * 2.0 ** min(self.failures, 60))
        self.failures += 1
        return delay * self._rng.uniform(0.5, 1.0)

    def reset(self) -> None:
        """Forget the failures: something has gone well."""
        self.failures = 0
