"""The one line of the story, step by step: keep, receipt, acknowledge, whatever comes in and whatever goes away."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from typing import Any

import pytest

from hardware.reading import Batch, encode_batch, readings_topic
from pipeline.errors import StoreAway, StoreFull
from tests.pipeline.hand import (
    OUTBOX,
    Line,
    batches,
    reading,
    record,
)


def test_commit_comes_before_receipt_and_receipt_before_acknowledgement(
    make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The order of the one line: on disk, then receipted, then acknowledged."""
    line = make()
    append = line.stores.journal.append

    def watched(batch: Batch, at_ms: int) -> Any:
        appended = append(batch, at_ms)
        line.source.said.append(("committed", line.stores.journal.received("meadow", "node-1", OUTBOX)))
        return appended

    monkeypatch.setattr(line.stores.journal, "append", watched)
    line.send_batch(record(1))
    line.run(1)
    assert line.source.said == [("committed", 4), ("receipt", 4), ("acknowledged", 1)]


@pytest.mark.parametrize("fault", [StoreAway("the disk is away"), StoreFull("no room")])
def test_a_store_that_is_away_receipts_nothing_and_loses_nothing(
    make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch, fault: Exception, caplog: pytest.LogCaptureFixture
) -> None:
    """While the disk is away nothing is said to anybody; when it is back the held message is kept first."""
    line = make()
    for batch in batches(record(4), 4):
        line.send_batch(batch)
    with monkeypatch.context() as patch:

        def broken(*_: object) -> None:
            raise fault

        patch.setattr(line.stores.journal, "append", broken)
        before_s = line.clock.real_s
        line.run(8)
        assert line.source.said == []
        assert line.source.waiting == 3  # one is held, the others stay where they can be refused
        assert line.clock.real_s - before_s > 5.0  # it backs off
    assert len([r for r in caplog.records if "keeping_waits" in r.getMessage()]) == 1  # said once, not eight times
    assert line.value("environment_faults_total", part="keeping") == 8
    line.run_until_quiet()
    assert line.source.receipts() == [4, 8, 12, 16]
    assert line.worker.keeping.reason == ""


def test_poison_is_quarantined_and_receipted_and_the_queue_moves_on(make: Callable[..., Line]) -> None:
    """Random bytes, foreign JSON, a wrong topic and a topic that is no text each give a reason; good batches pass."""
    line, rng = make(), random.Random(20240301)
    base = f"underturf/1/meadow/node-1/readings/{OUTBOX}"
    first, second = batches(record(2), 4)
    line.send_batch(first)
    line.send(rng.randbytes(300), f"{base}/5/6")
    line.send(json.dumps({"temperature": 21}).encode(), f"{base}/7/8")
    line.send(b"[]", f"{base}/5")
    line.send(b"{}", "underturf/1/meadow/node-1/readings/../../etc")
    line.send(b"{}", None)
    line.send(b"{not json", "underturf/1/meadow/node-1/status")
    line.send_batch([reading(9 + i, r.channel, r.measured_at_ms, r.raw) for i, r in enumerate(second)])
    line.run_until_quiet()
    assert line.source.receipts() == [4, 6, 8, 12]
    assert len([1 for word, _ in line.source.said if word == "acknowledged"]) == 8
    quarantine = line.stores.journal.quarantine()
    assert len(quarantine) == 6
    assert all(q.reason for q in quarantine)
    assert line.value("payloads_quarantined_total") == 6
    assert line.value("readings_kept_total") == 8


def test_random_payloads_never_stop_the_line(make: Callable[..., Line]) -> None:
    """Two hundred damaged copies of a good batch: each is kept or quarantined, and the good one behind arrives."""
    line, rng = make(), random.Random(7)
    good = record(3)
    batch = Batch("meadow", "node-1", OUTBOX, 1, tuple(good))
    payload = encode_batch(batch)
    for _ in range(200):
        damaged = bytearray(payload)
        for _ in range(rng.randint(1, 6)):
            damaged[rng.randrange(len(damaged))] = rng.randrange(256)
        line.send(bytes(damaged[: rng.randint(0, len(damaged))]), readings_topic(batch))
    line.send_batch(record(1, first_seq=13))
    line.run_until_quiet()
    assert line.source.receipts()[-1] == 16
    assert len([1 for word, _ in line.source.said if word == "acknowledged"]) == 201


def test_a_batch_sent_twice_is_kept_once_and_receipted_again(make: Callable[..., Line]) -> None:
    """A repeat changes nothing on disk, and tells the node what it must have missed."""
    line = make()
    line.send_batch(record(2))
    line.send_batch(record(2))
    line.run_until_quiet()
    assert line.source.receipts() == [8, 8]
    assert (line.value("readings_kept_total"), line.value("readings_duplicate_total")) == (8, 8)


def test_node_status_is_kept_and_a_last_will_keeps_what_was_said_before(make: Callable[..., Line]) -> None:
    """Down says nothing but down: lines and backlog stay as last heard."""
    line = make()
    topic = "underturf/1/meadow/node-1/status"
    up = {"state": "up", "version": "0.1", "outbox_id": OUTBOX, "backlog": 12, "dropped": 0, "lines": {"north": "ok"}}
    line.send(json.dumps(up).encode(), topic)
    line.run(1)
    assert line.value("nodes_up") == 1
    line.send(b'{"state": "down"}', topic)
    line.run(1)
    (node,) = line.nodes.all()
    assert (node.state, node.backlog, dict(node.lines)) == ("down", 12, {"north": "ok"})
    assert line.value("nodes_up") == 0


def test_a_full_disk_receipts_nothing_and_recovers_when_there_is_room(make: Callable[..., Line]) -> None:
    """SQLite's own bound of the file stands for the disk: full, nothing is said; with room again, all is kept."""
    line = make()
    line.send_batch(record(1))
    line.run(1)
    with line.stores.database.transaction() as tx:
        (pages,) = tx.execute("PRAGMA page_count").fetchone()
    with line.stores.database.reading() as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    _limit_pages(line, pages)
    for batch in batches(record(100, first_seq=5), 200):
        line.send_batch(batch)
    line.run(6)
    assert "StoreFull" in line.worker.keeping.reason
    assert line.source.receipts() == [4]
    _limit_pages(line, 1_000_000)
    line.run_until_quiet()
    assert line.source.receipts() == [4, 204, 404]
    assert line.worker.keeping.reason == ""


def _limit_pages(line: Line, pages: int) -> None:
    with line.stores.database.transaction() as tx:
        tx.execute(f"PRAGMA max_page_count = {pages}")
