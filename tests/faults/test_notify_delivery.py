"""The notify bench: its sums by hand, a short run of it, and (soak) the long run and its control.

What is owed is the promise itself: every event on every way, and a repeat only where a kill came between a delivery and
its record, under the same Message-ID or Idempotency-Key and with the same words.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from tests.faults.notify_bench import Outcome, run_bench


def outcome(taken: list[str], owed: list[str], words: dict[str, set[str]] | None = None, texts: int = 2) -> Outcome:
    return Outcome(
        seed=1, kills=1, events=2,
        taken={"mail": Counter(taken)},
        owed={"mail": Counter(owed)},
        texts={"mail": {f"number {k} of" for k in range(texts)}},
        words={"mail": words or {}},
    )  # fmt: skip


def test_a_repeat_that_a_kill_explains_is_good() -> None:
    """Taken twice, once not recorded before the kill: one repeat, owed."""
    told = outcome(["a", "a", "b"], ["a"])
    assert (told.repeats, told.owed_repeats, told.not_owed, told.lost, told.good) == (1, 1, 0, 0, True)


@pytest.mark.parametrize(
    ("told", "why"),
    [
        (outcome(["a", "b", "b"], []), "a repeat nobody owed"),
        (outcome(["a", "a", "b"], ["b"]), "a repeat of another than was owed"),
        (outcome(["a", "b"], ["a"]), "a repeat that was owed and did not come"),
        (outcome(["a", "b"], [], texts=1), "an event that never came"),
        (outcome(["a", "b"], [], {"a": {"one", "two"}}), "an id with two wordings"),
    ],
)
def test_each_kind_of_fault_is_seen(told: Outcome, why: str) -> None:
    """Each breach of the promise makes the outcome bad (by hand)."""
    assert not told.good, why


def test_kills_of_the_notifier_lose_nothing_and_repeat_only_what_they_owe(tmp_path: Path) -> None:
    """Four kills while two dozen events go out by webhook, mail and web: counted, and printed on failure."""
    told = run_bench(tmp_path, kills=4, events=24, seed=1)
    print(told.text())
    assert told.good, told.text()
    assert all(told.taken.values()), told.text()


@pytest.mark.soak
@pytest.mark.timeout(900)
@pytest.mark.parametrize("seed", [1, 2])
def test_two_hundred_kills_lose_nothing_and_repeat_only_what_they_owe(tmp_path: Path, seed: int) -> None:
    """Six hundred events and two hundred kills: lost 0, not owed 0, and kills did hit between delivery and record."""
    told = run_bench(tmp_path, kills=200, events=600, seed=seed)
    print(told.text())
    assert told.good and told.owed_repeats > 20, told.text()


@pytest.mark.soak
@pytest.mark.timeout(600)
def test_the_control_that_records_before_it_delivers_loses_events(tmp_path: Path) -> None:
    """The bench can see a loss: with the record made first, kills cost events."""
    told = run_bench(tmp_path, kills=40, events=200, seed=1, record_first=True)
    print(told.text())
    assert told.lost > 0
