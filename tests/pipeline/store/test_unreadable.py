"""Blocks that do not read: left out of answers and named, and nothing stops for them.

The damage is planted here; what is left is what was kept, less what the damaged block held (set algebra).
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from hardware.reading import Batch
from pipeline.store.database import Database
from pipeline.store.journal import Journal
from pipeline.store.readings import merge_runs
from pipeline.store.series import SqlStore, unreadable_blocks
from pipeline.units import DAY_MS, EVER_MS
from tests.pipeline.hand import OUTBOX, START_MS, Line, batches, record

LONG_AFTER_MS = START_MS + 400 * DAY_MS
NOISE = {
    "cut": "UPDATE run SET readings = substr(readings, 1, 100) WHERE id = 2",
    "noise": "UPDATE run SET readings = randomblob(length(readings)) WHERE id = 2",
    "empty": "UPDATE run SET readings = x'' WHERE id = 2",
    "slots gone": "UPDATE run SET named = '[' WHERE id = 2",
}


def kept_with(make: Callable[..., Line], damage: str = "", *, merged: bool = False) -> Line:
    """A worker that has kept 96 slots in 8 batches and worked them out; then the second run, or what became of it by
    merging, is damaged."""
    line = make()
    for batch in batches(record(96), 48):
        line.send_batch(batch)
    line.run_until_quiet()
    if merged:
        assert line.stores.journal.merge_runs(LONG_AFTER_MS) is True
    if damage:
        with line.stores.database.transaction() as tx:
            tx.execute(damage)
    return line


def raw_of(line: Line) -> int:
    return len(line.stores.store.raw(list(line.config.channels()), *EVER_MS))


@pytest.mark.parametrize("damage", NOISE)
def test_a_run_that_does_not_read_is_left_out_and_named(make: Callable[..., Line], damage: str) -> None:
    """The other seven of eight runs are read; the damaged one is told with its readings and their times."""
    line = kept_with(make, NOISE[damage])
    assert raw_of(line) == 7 * 48
    (told,) = line.stores.database.unreadable.values()
    assert told.startswith("readings 49 to 96 of node node-1, 2024-03-01 03:00 UTC to 2024-03-01 05:45 UTC: found")


def test_a_merged_run_that_does_not_read_is_left_out_and_named(make: Callable[..., Line]) -> None:
    """Of one that was compressed every changed bit is seen (its own check sum, RFC 1950)."""
    line = kept_with(make, merged=True)
    with line.stores.database.transaction() as tx:
        (number, packed) = tx.execute("SELECT id, readings FROM run").fetchone()
        spoiled = bytearray(packed)
        spoiled[len(spoiled) // 2] ^= 1
        tx.execute("UPDATE run SET readings = ? WHERE id = ?", (bytes(spoiled), number))
    assert raw_of(line) == 0
    assert list(line.stores.database.unreadable) == [f"run {number}"]


@pytest.mark.parametrize("damage", NOISE)
def test_the_worker_goes_on_over_a_run_that_does_not_read(make: Callable[..., Line], damage: str) -> None:
    """What came before a kill is worked out again without it, what comes after is kept, receipted and worked out, and
    the same batch sent again is no conflict."""
    line = kept_with(make, NOISE[damage])
    line.worker._worked = {}
    line.stores.journal.keep_note("worker/worked", {})
    again = make()  # on the same folder: the next start
    for batch in (record(96)[48:96], *batches(record(24, first_seq=385, start_ms=START_MS + DAY_MS), 48)):
        again.send_batch(batch)
    again.run_until_quiet()
    assert again.source.receipts()[-1] == 480
    assert "run 2" in again.stores.database.unreadable
    (outbox,) = again.stores.journal.outboxes()
    assert (outbox.received, outbox.conflicts) == (480, 0)
    found = again.stores.store.observations(["s1/p1/moisture_0050"], *EVER_MS)
    assert found["measured_at_ms"].max() > START_MS + DAY_MS


def test_merging_goes_around_a_run_that_does_not_read(make: Callable[..., Line]) -> None:
    """The runs before and behind it are merged, it stays as it is, and merging comes to its end."""
    line = kept_with(make, NOISE["cut"])
    with line.stores.database.transaction() as tx:
        counts = [merge_runs(tx, LONG_AFTER_MS) for _ in range(4)]
    assert counts == [1, 6, 0, 0]
    assert raw_of(line) == 7 * 48


def test_a_day_that_does_not_read_is_named_and_comes_back_when_it_is_worked_out(make: Callable[..., Line]) -> None:
    """Observations can be had again from the readings: the text says how, and then nothing is missing."""
    line = kept_with(make)
    channel = "s1/p1/moisture_0050"
    before = line.stores.store.observations([channel], *EVER_MS)
    with line.stores.database.transaction() as tx:
        tx.execute("UPDATE observation_day SET packed = substr(packed, 1, 40)")
    assert line.stores.store.observations([channel], *EVER_MS).empty
    assert line.stores.store.latest([channel]).empty
    (told,) = [held for held in line.stores.database.unreadable.values() if channel in held]
    assert "--from 2024-03-01 --to 2024-03-01" in told
    line.study.mark_span("s1", START_MS, START_MS + DAY_MS, line.clock.real_s)
    line.run_until_quiet()
    after = line.stores.store.observations([channel], *EVER_MS)
    assert after.drop(columns="received_at_ms").equals(before.drop(columns="received_at_ms"))
    assert line.stores.database.unreadable == {}


def test_every_block_is_read_by_the_check(make: Callable[..., Line]) -> None:
    """It names the damaged run and the damaged day, and nothing of a database that is whole."""
    line = kept_with(make)
    with line.stores.database.snapshot() as connection:
        assert unreadable_blocks(connection) == {}
    with line.stores.database.transaction() as tx:
        tx.execute(NOISE["cut"])
        (day,) = tx.execute("SELECT max(id) FROM observation_day").fetchone()
        tx.execute("UPDATE observation_day SET packed = zeroblob(30) WHERE id = ?", (day,))
    with line.stores.database.snapshot() as connection:
        assert sorted(unreadable_blocks(connection)) == [f"day {day}", "run 2"]


def test_a_server_store_is_fed_around_a_run_that_does_not_read(tmp_path: Path) -> None:
    """The runs that read are handed out; the other waits and is named."""
    with closing(Database(tmp_path / "journal.db")) as database:
        journal = Journal(database, feeding=True)
        store = SqlStore(database)
        heard = record(4)
        for batch in batches(heard, 4):
            journal.append(Batch("meadow", "node-1", OUTBOX, 1, tuple(batch)), START_MS)
        with database.transaction() as tx:
            tx.execute(NOISE["cut"].replace("100", "10"))
        assert [run.first for run in journal.waiting()] == [1, 9, 13]
        assert list(database.unreadable) == ["run 2"]
        assert np.isfinite(store.raw(["s1/w1/rain"], *EVER_MS)["raw"]).all()
