"""How long to wait before trying again: longer after every failure, never in step with others.

It only counts and draws; the waiting is done by the caller, with the clock it was given.
"""

from __future__ import annotations

import random


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
