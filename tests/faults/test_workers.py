"""Workers that are killed and stopped: a short run, and (soak) the long one and its control.

The expected outcome is the promise itself: nothing lost, nothing twice, no alert doubled, taken over within 30 s.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.store.journal import Event
from tests.faults.workers_bench import opened_and_doubled, run_bench
from tests.postgres_server import PostgresServer


def test_an_alert_opened_again_before_it_was_closed_is_seen():
    """Opened, closed and opened again are two alerts; opened twice in a row is one and its double."""

    def event(kind: str, at_ms: int) -> Event:
        return Event(f"{kind}{at_ms}", at_ms, {"rule": "r", "station": "s", "probe": "", "alert_id": "", "kind": kind})

    once = [event("opened", 1), event("repeated", 2), event("closed", 3), event("opened", 4)]
    assert opened_and_doubled(once) == (2, 0)
    assert opened_and_doubled([*once, event("opened", 5)]) == (3, 1)


def test_nothing_is_lost_or_doubled_when_a_worker_is_killed(
    tmp_path: Path, need_program: Callable[[str], str], postgres: PostgresServer
) -> None:
    """One kill of one of two workers."""
    mosquitto = need_program("mosquitto")
    outcome = run_bench(tmp_path, sites=2, kills=1, stops=0, stopped_s=0.0, seed=1, mosquitto=mosquitto)
    assert outcome.is_good and outcome.kills == 1 and outcome.sent > 100, outcome.text()


@pytest.mark.soak
@pytest.mark.timeout(7200)
def test_nothing_is_lost_or_doubled_in_sixty_kills_and_ten_stops(
    tmp_path: Path, need_program: Callable[[str], str], postgres: PostgresServer
) -> None:
    """Sixty kills, and ten stops of a minute each."""
    mosquitto = need_program("mosquitto")
    outcome = run_bench(tmp_path, sites=4, kills=60, stops=10, stopped_s=60.0, seed=2, mosquitto=mosquitto)
    print(outcome.text())
    assert outcome.is_good and (outcome.kills, outcome.stops) == (60, 10), outcome.text()


@pytest.mark.soak
@pytest.mark.timeout(1200)
def test_control_without_the_lock_fails(
    tmp_path: Path, need_program: Callable[[str], str], postgres: PostgresServer
) -> None:
    """Workers that take no lock both go on in the same sites."""
    mosquitto = need_program("mosquitto")
    outcome = run_bench(tmp_path, sites=2, kills=2, stops=2, stopped_s=30.0, seed=3, mosquitto=mosquitto, lock=False)
    print(outcome.text())
    assert not outcome.is_good
