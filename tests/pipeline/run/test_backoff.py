"""Waits between tries grow, are bounded, and are never in step."""

from __future__ import annotations

import random

from pipeline.run.backoff import Backoff


def test_waits_double_up_to_the_limit_with_jitter_below() -> None:
    """The nth wait lies between half and all of first x 2^n, never above the limit; after success it begins anew."""
    backoff = Backoff(0.5, 30.0, random.Random(5))
    waits = [backoff.next_s() for _ in range(200)]
    for n, wait in enumerate(waits):
        whole = min(30.0, 0.5 * 2.0 ** min(n, 60))  # algebra
        assert whole / 2 <= wait <= whole
    assert len(set(waits)) == len(waits)
    backoff.reset()
    assert backoff.next_s() <= 0.5
