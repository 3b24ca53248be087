"""The one line of the story, step by step: keep, receipt, acknowledge, whatever comes in and whatever goes away."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from hardware.reading import Batch, LiveReading, Receipt, Status, encode_batch, encode_live, readings_topic
from pipeline.errors import StoreAway, StoreFull
from pipeline.store.packed import STATUS_CODES
from pipeline.store.readings import IMPORTER, RECORDED, RecordedOutbox
from pipeline.units import DAY_MS, EVER_MS
from pipeline.worker import TAKE_BUSY_S, TAKE_REST_S, TAKE_S, WORKED_KEY
from tests.pipeline.hand import (
    OUTBOX,
    SLOT_MS,
    START_MS,
    HandSystemClock,
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
    publish = line.source.publish_receipt

    def watched(site: str, node: str, receipt: Receipt) -> None:
        line.source.said.append(("committed", line.stores.journal.receipt(site, node, OUTBOX).seq))  # as others read it
        publish(site, node, receipt)

    monkeypatch.setattr(line.source, "publish_receipt", watched)
    line.send_batch(record(1))
    line.run(1)
    assert line.source.said == [("committed", 4), ("receipt", 4), ("acknowledged", 1)]


def test_messages_that_wait_together_share_one_commit_and_one_receipt(make: Callable[..., Line]) -> None:
    """Twelve batches and a status are on the disk with one change of its log (SQLite's own counter), as one run, since
    each follows on the one before, receipted once and acknowledged in order."""
    line = make()
    line.source.together = True
    for batch in batches(record(12), 4):
        line.send_batch(batch)
    line.send(b'{"state": "up"}', "underturf/1/meadow/node-1/status")
    with line.stores.database.reading() as connection:
        before = connection.execute("PRAGMA data_version").fetchone()[0]
        line.run(1)
        assert connection.execute("PRAGMA data_version").fetchone()[0] == before + 1
        assert connection.execute("SELECT first_seq, last_seq FROM span").fetchall() == [(1, 48)]
    assert line.source.said == [("receipt", 48), *[("acknowledged", 1)] * 13]
    assert line.value("readings_kept_total") == 48 and line.nodes.all()[0].state == "up"


def test_batches_by_turns_with_gap_and_repeat_are_kept_once_each_in_its_place(make: Callable[..., Line]) -> None:
    """Two outboxes by turns, each with a gap and a repeat, and three batches of 400 behind them: a run ends at the gap
    and before it has more readings than a batch may have (1000), and no reading is lost or kept twice."""
    line = make()
    line.source.together = True
    first, second, _, fourth = batches(record(4), 4)
    for part in (first, second, fourth, second):
        line.send_batch(part)
        others = [replace(r, node="node-2", outbox_id="f" * 16) for r in part]
        batch = Batch("meadow", "node-2", "f" * 16, 1, tuple(others))
        line.send(encode_batch(batch), readings_topic(batch))
    for part in batches(record(300, first_seq=17), 400):
        line.send_batch(part)
    line.run(1)
    with line.stores.database.reading() as connection:
        spans = connection.execute("SELECT outbox, first_seq, last_seq FROM span ORDER BY outbox, first_seq").fetchall()
    assert spans == [(1, 1, 8), (1, 13, 16), (1, 17, 816), (1, 817, 1216), (2, 1, 8), (2, 13, 16)]
    assert (line.value("readings_kept_total"), line.value("readings_duplicate_total")) == (1224, 8)
    assert line.source.said == [("receipt", 8), ("receipt", 8), *[("acknowledged", 1)] * 11]


def test_a_commit_is_bounded_however_much_waits(make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch) -> None:
    """Messages behind the bound of their number or of their size wait for the next commit."""
    line = make()
    line.source.together = True
    monkeypatch.setattr("pipeline.worker.TOGETHER_MESSAGES", 3)
    for batch in batches(record(8), 4):
        line.send_batch(batch)
    line.run(1)
    assert line.source.receipts() == [12]
    monkeypatch.setattr("pipeline.worker.TOGETHER_BYTES", 1)
    line.run(2)
    assert line.source.receipts() == [12, 16, 20]


@pytest.mark.parametrize("foreseen", [False, True])
def test_one_bad_message_among_those_of_a_commit_takes_no_other_with_it(
    make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch, *, foreseen: bool
) -> None:
    """It is tried with those it follows on, then alone, set aside and receipted with the others; what it changed before
    it failed is undone."""
    line, tries = make(), list[object]()
    append = line.stores.journal.append

    def breaks_on_5(batch: Batch, at_ms: int) -> Any:
        with line.stores.database.transaction():
            done = append(batch, at_ms)
            if batch.first <= 5 <= batch.last:
                tries.append((batch.first, batch.last))
                raise RuntimeError("a fault of ours")
            return done

    line.source.together = True
    first, second, third = batches(record(3), 4)
    line.send_batch(first)
    if foreseen:
        line.send(b"{}", readings_topic(Batch("meadow", "node-1", OUTBOX, 1, tuple(second))))
    else:
        monkeypatch.setattr(line.stores.journal, "append", breaks_on_5)
        line.send_batch(second)
    line.send_batch(third)
    line.run_until_quiet()
    assert tries == ([] if foreseen else [(1, 12), (5, 8)])
    assert line.source.said == [("receipt", 12), *[("acknowledged", 1)] * 3]
    assert len(line.stores.journal.quarantine()) == 1 and line.value("readings_kept_total") == 8
    assert len(line.stores.store.raw(sorted({r.channel for r in second}), *EVER_MS)) == 8


def test_a_store_that_is_away_amid_a_commit_keeps_nothing_of_it_and_all_of_it_later(
    make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The third of four batches meets the fault: none is receipted or kept; when it is back each is kept once."""
    line = make()
    line.source.together = True
    append = line.stores.journal.append

    def away_on_9(batch: Batch, at_ms: int) -> Any:
        if batch.first <= 9 <= batch.last:
            raise StoreAway("the disk is away")
        return append(batch, at_ms)

    for batch in batches(record(4), 4):
        line.send_batch(batch)
    with monkeypatch.context() as patch:
        patch.setattr(line.stores.journal, "append", away_on_9)
        line.run(3)
    assert line.source.said == [] and line.stores.journal.outboxes() == []
    line.run_until_quiet()
    assert line.source.said == [("receipt", 16), *[("acknowledged", 1)] * 4]
    assert line.value("readings_kept_total") == 16 and line.value("readings_duplicate_total") == 0


def live(probe: str) -> bytes:
    return encode_live(LiveReading(probe, START_MS, (("s1/p1/vwc_050", 0.3, "ok"),), ""))


def test_a_fault_in_a_live_reading_takes_no_acknowledgement_and_no_other_reading_with_it(
    make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The first of three live readings meets it: readings behind it are acknowledged, so that the broker sends on."""
    line, heard = make(), list[str]()

    def away(reading: LiveReading) -> None:
        heard.append(reading.probe)
        if len(heard) == 1:
            raise StoreAway("the server is away")

    monkeypatch.setattr(line.worker, "_on_live", away)
    line.source.together = True
    for number in (1, 2, 3):
        line.send(live(f"s1/p{number}"), "underturf/1/meadow/node-1/live")
    line.send_batch(record(1))
    line.run(1)
    assert line.source.said == [("receipt", 4), *[("acknowledged", 1)] * 4]
    assert heard == ["s1/p1", "s1/p2", "s1/p3"] and not line.worker.keeping.reason
    assert "live_reading_not_taken probe=s1/p1 reason=StoreAway: the server is away" in caplog.text


def test_a_store_that_goes_away_between_commit_and_receipt_has_it_said_later(
    make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The receipt cannot be read: nothing is acknowledged before it is, and nothing is counted or kept twice."""
    line = make()
    receipt, faults = line.stores.journal.receipt, [StoreAway("the server is away")]

    def away_once(*outbox: str) -> Receipt:
        if faults:
            raise faults.pop()
        return receipt(*outbox)

    monkeypatch.setattr(line.stores.journal, "receipt", away_once)
    line.send_batch(record(1))
    line.run(1)
    assert line.source.said == []
    line.run_until_quiet()
    assert line.source.said == [("receipt", 4), ("acknowledged", 1)]
    assert line.value("readings_kept_total") == 4 and line.value("readings_duplicate_total") == 0


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


def test_a_seq_that_no_integer_of_sql_holds_is_quarantined(make: Callable[..., Line]) -> None:
    """Two batches at 2^63 - 1, the second of which no receipt could pass: both are refused with a reason that says so,
    and the readings of honest seq before and behind them are kept and receipted."""
    line, beyond = make(), 2**63 - 1
    line.send_batch(record(1))
    for _ in range(2):
        line.send_batch([reading(beyond, "s1/p1/moisture_0050", START_MS, 0.3)], lowest_kept=beyond)
    line.send_batch(record(1, first_seq=5))
    line.run_until_quiet()
    assert line.source.receipts() == [4, 8]
    assert [v for word, v in line.source.said if word == "acknowledged"] == [1, 1, 1, 1]
    reasons = [q.reason for q in line.stores.journal.quarantine()]
    assert reasons == [f"topic: found seq {beyond}, expected at most 9007199254740991 (2^53 - 1)"] * 2
    assert (line.value("payloads_quarantined_total"), line.value("messages_set_aside_total")) == (2, 0)


def test_a_receipt_that_an_earlier_version_let_go_to_the_end_of_sql_stops_nothing(make: Callable[..., Line]) -> None:
    """An outbox kept with the receipt 2^63 - 1: the next batch of it, and the next start, are lived through."""
    beyond = 2**63 - 1
    for _ in range(2):
        line = make()
        with line.stores.database.transaction() as tx:
            tx.execute(
                "INSERT OR REPLACE INTO outbox (id, site, node, outbox_id, received) "
                "VALUES (1, 'meadow', 'node-1', ?, ?)",
                (OUTBOX, beyond),
            )
        line.send_batch(record(1))
        line.run_until_quiet()
        assert line.source.receipts()[-1] == beyond
        line.worker.close()  # notes how far the stages are: the next start begins there
    assert line.stores.journal.quarantine() == []


@pytest.mark.parametrize("status", [False, True])
def test_a_message_that_raises_something_unforeseen_is_set_aside_after_one_try(
    make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, *, status: bool
) -> None:
    """It is tried once, quarantined with what it raised, receipted where its topic names a span, acknowledged, counted
    and logged with its trace; what comes behind it is kept."""
    line, tries = make(), list[object]()
    append, hear = line.stores.journal.append, line.nodes.hear

    def breaks_on_5(batch: Batch, at_ms: int) -> Any:
        if batch.first != 5:
            return append(batch, at_ms)
        tries.append(batch)
        with line.stores.database.transaction() as tx:
            tx.execute("INSERT INTO channel (name) VALUES ('half/a/change')")
            raise RuntimeError("a fault of ours \ud800")  # half a surrogate pair, as a payload may spell it

    def breaks_on_status(topic: str, payload: bytes, at_ms: int) -> Any:
        tries.append(payload)
        raise RuntimeError("a fault of ours \ud800")

    monkeypatch.setattr(line.stores.journal, "append", breaks_on_5)
    monkeypatch.setattr(line.nodes, "hear", breaks_on_status if status else hear)
    line.send_batch(record(1))
    if status:
        line.send(b"{}", "underturf/1/meadow/node-1/status")
    else:
        line.send_batch(record(1, first_seq=5))
    line.send_batch(record(1, first_seq=9))
    line.run_until_quiet()
    assert len(tries) == 1
    assert line.source.receipts() == ([4, 4] if status else [4, 8, 12])
    assert len([1 for word, _ in line.source.said if word == "acknowledged"]) == 3
    (aside,) = line.stores.journal.quarantine()
    assert aside.reason == "RuntimeError: a fault of ours \\ud800"
    assert (line.value("payloads_quarantined_total"), line.value("messages_set_aside_total")) == (1, 1)
    assert line.value("readings_kept_total") == 8
    (said,) = [r for r in caplog.records if "message_set_aside" in r.getMessage()]
    assert said.exc_info is not None and said.exc_info[0] is RuntimeError
    with line.stores.database.reading() as connection:
        assert not connection.execute("SELECT * FROM channel WHERE name = 'half/a/change'").fetchall()


def test_a_bug_behind_the_commit_still_crashes(make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch) -> None:
    """What fails once the readings are on the disk is no fault of the message: nothing is quarantined for it."""
    line = make()

    def bug(*_: object) -> None:
        raise RuntimeError("a bug")

    monkeypatch.setattr(line.study, "mark", bug)
    line.send_batch(record(1))
    with pytest.raises(RuntimeError, match="a bug"):
        line.run(1)
    assert line.stores.journal.quarantine() == [] and line.source.said == []


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
    for batch in batches(record(250, first_seq=5), 500):
        line.send_batch(batch)
    line.run(6)
    assert "StoreFull" in line.worker.keeping.reason
    assert line.source.receipts() == [4]
    _limit_pages(line, 1_000_000)
    line.run_until_quiet()
    assert line.source.receipts() == [4, 504, 1004]
    assert line.worker.keeping.reason == ""


def _limit_pages(line: Line, pages: int) -> None:
    with line.stores.database.transaction() as tx:
        tx.execute(f"PRAGMA max_page_count = {pages}")


def test_runs_received_before_yesterday_are_merged_when_there_is_nothing_else_to_do(make: Callable[..., Line]) -> None:
    """Once a day and not earlier; what is read is the same."""
    line = make()
    for batch in batches(record(12), 4):
        line.send_batch(batch)
    line.run_until_quiet()

    def spans() -> int:
        with line.stores.database.reading() as connection:
            return int(connection.execute("SELECT count(*) FROM span").fetchone()[0])

    channels = sorted(line.config.channels())
    before = line.stores.store.raw(channels, *EVER_MS)
    assert spans() == 12 and len(before) == 48
    line.clock.wall_ms += DAY_MS
    line.clock.real_s += 10.0
    line.run(3)
    assert spans() == 12
    for _ in range(2):
        line.clock.wall_ms += DAY_MS
        line.clock.real_s += 10.0
        line.run(3)
    assert spans() == 1
    assert line.stores.store.raw(channels, *EVER_MS).equals(before)


def test_runs_that_cannot_be_merged_are_left_and_readings_are_kept(
    make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Old readings that do not read back after compressing are tried once a day; what arrives is kept and receipted."""
    line, tries = make(), list[int]()

    def refuse(before_ms: int) -> bool:
        tries.append(before_ms)
        raise ValueError("run 1: found other readings after compressing, expected the same")

    monkeypatch.setattr(line.stores.journal, "merge_runs", refuse)
    line.send_batch(record(1))
    line.run_until_quiet()
    for _ in range(3):
        line.clock.real_s += 10.0
        line.run(3)
    line.send_batch(record(1, first_seq=5))
    line.run_until_quiet()
    assert len(tries) == 1
    assert line.source.receipts()[-1] == 8


@pytest.mark.parametrize("coming", [False, True], ids=["readings have ended", "readings keep coming"])
def test_days_rest_only_while_readings_come(
    make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch, *, coming: bool
) -> None:
    """Each piece of days costs a second here: they follow each other once nothing has come for two seconds; while
    readings keep coming they get a tenth of the time (algebra)."""
    line = make()
    ended_s: list[float] = []
    step_periods = line.study.step_periods

    def slow() -> str | None:
        line.clock.real_s += 1.0
        station = step_periods()
        ended_s.append(line.clock.real_s)
        return station

    monkeypatch.setattr(line.study, "step_periods", slow)
    sent = record(3300)
    for readings in batches(sent, 1000):
        line.send_batch(readings)
    for step in range(6000):
        if coming and not line.source.messages and step % 4 == 0:
            sent.append(reading(len(sent) + 1, "s1/w1/rain", sent[-1].measured_at_ms + 1000, 100.0))
            line.send_batch(sent[-1:])
        line.run(1)
        if len(ended_s) >= 3 or (step > 500 and not line.study.periods_waiting):
            break
    assert len(ended_s) >= 3
    pauses = np.diff(ended_s)[:2] - 1.0
    assert (pauses >= 9.0).all() if coming else (pauses <= 2.0 + 2 * 0.25).all()


def test_a_worker_waits_the_longer_the_less_there_is_to_do(
    make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Hardly while stages wait, long once all is done, no longer than until a rule is due, which is once a minute; at
    rest it does not ask the journal how far it is."""
    clock = HandSystemClock(START_MS + 8 * SLOT_MS)
    line = make(clock=clock)
    line.send_batch(record(8))
    line.run(1)
    assert line.source.waits == [TAKE_S] and line.study.waiting
    line.run(1)
    assert line.source.waits[-1] == TAKE_BUSY_S
    line.run_until_quiet()
    line.run(2)  # the last of it is noted
    monkeypatch.delattr(line.stores.journal.__class__, "outboxes")
    line.source.waits.clear()
    line.run(3)
    assert line.source.waits == [TAKE_REST_S] * 3
    clock.wall_ms, clock.steady_ms = clock.wall_ms + 58_000, clock.steady_ms + 58_000
    line.run(1)
    assert TAKE_S <= line.source.waits[-1] <= 2.0


def test_a_node_may_hand_over_a_backlog_before_the_rules_are_walked(make: Callable[..., Line]) -> None:
    """A server begun two days after its node watches from the node's first reading on: it is not judged before that can
    be here. One that hears nothing watches from now on, two seconds later."""
    line = make(now_ms=START_MS + 200 * SLOT_MS + 60_000)
    line.run(5)
    assert line.stores.journal.alert_states() == {}
    line.send_batch(record(20))
    line.run_until_quiet()
    assert min(state["evaluated_to_ms"] for state in line.stores.journal.alert_states().values()) < START_MS
    silent = make(now_ms=START_MS + 200 * SLOT_MS + 60_000, folder="b")
    silent.clock.real_s += 2.0
    silent.run(2)
    assert silent.stores.journal.alert_states()


def test_no_probe_is_silent_in_a_history(make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch) -> None:
    """While hours fly the node is days ahead of what has come: rules are walked as far as that, however long nothing
    comes, and not before the first reading. Once time runs they are walked until now."""
    line = make(now_ms=START_MS + 200 * SLOT_MS + 60_000)
    monkeypatch.setattr("pipeline.worker.FollowClock", type(line.clock))
    line.clock.in_history = True  # type: ignore[attr-defined]
    line.clock.real_s += 10.0
    line.run(5)
    assert line.stores.journal.alert_states() == {}
    line.send_batch(record(20))
    for _ in range(20):
        line.clock.real_s += 1.0
        line.run(1)
    walked = [state["evaluated_to_ms"] for state in line.stores.journal.alert_states().values()]
    assert walked and max(walked) <= START_MS + 20 * SLOT_MS
    line.clock.in_history = False  # type: ignore[attr-defined]
    for _ in range(20):
        line.clock.real_s += 1.0
        line.run(1)
    assert max(s["evaluated_to_ms"] for s in line.stores.journal.alert_states().values()) > START_MS + 199 * SLOT_MS


def test_what_a_long_job_keeps_is_noted_as_worked_on_once_the_stages_have_seen_it(make: Callable[..., Line]) -> None:
    """A record beside the worker, kept and marked by another thread: woken, the worker notes its outbox without a
    further message, and a restart has nothing to work out again."""
    line = make()
    line.send_batch(record(4))
    line.run_until_quiet()
    recorded = np.zeros(3, dtype=RECORDED)
    recorded["measured_at_ms"], recorded["status"] = START_MS + SLOT_MS * np.arange(3), STATUS_CODES[Status.OK]
    recorded["raw"], channel = 0.2, record(1)[0].channel
    outbox = RecordedOutbox("meadow", IMPORTER, "e" * 32)
    line.stores.journal.keep_recorded(outbox, [channel], 1, recorded, START_MS)
    line.study.mark_moved([(channel, START_MS, START_MS + 2 * SLOT_MS)], line.clock.monotonic())
    line.worker.wake()
    line.run_until_quiet()
    line.clock.real_s += 10.0
    line.run(40)
    assert line.stores.journal.note(WORKED_KEY)[f"meadow/{IMPORTER}/{'e' * 32}"] == 3
    again = make()
    again.run(1)
    assert again.study.waiting == 0
