"""The journal: nothing is receipted that is not kept, nothing kept is lost or doubled, and no gap is passed in silence.

Expected receipts come from a model of the rules in plain sets, and from counting by hand.
"""

import dataclasses
import sqlite3
from contextlib import closing

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hardware.reading import BadBatch, Batch, BatchSpan, Reading, Receipt, Status, digest_of
from pipeline.errors import StoreFull
from pipeline.store import journal as module
from pipeline.store.database import Database
from pipeline.store.journal import Event, Journal, OutboxState
from pipeline.store.packed import squeeze
from pipeline.store.readings import RECORDED, RecordedOutbox, unworked
from pipeline.store.series import SqlStore

OUTBOX = "0123456789abcdef"
T0_MS = 1_704_067_200_000
FOREVER = (0, 7_000_000_000_000)
CHANNELS = [f"square-1/p1/c{i}" for i in range(3)]


def readings_waiting(journal: Journal) -> int:
    return sum(len(run.readings) for run in journal.waiting(limit=1000))


def rows(first, last, **changes):
    return tuple(
        Reading(
            **{
                **{"site": "club", "node": "north", "outbox_id": OUTBOX, "seq": seq, "channel": CHANNELS[seq % 3]},
                **{"slot": str(T0_MS // 1000 + seq), "measured_at_ms": T0_MS + seq * 1000, "raw": seq / 8},
                **{"status": Status.OK, "attempts": 1, "clock_ok": True, **changes},
            }
        )
        for seq in range(first, last + 1)
    )


def batch(first, last, lowest_kept=1, **changes):
    readings = rows(first, last, **changes)
    return Batch(readings[0].site, readings[0].node, readings[0].outbox_id, lowest_kept, readings)


def span(first, last):
    return BatchSpan("club", "north", OUTBOX, first, last)


@pytest.fixture
def journal(database):
    return Journal(database)


def kept(database):
    """Seq of every reading kept, by its value, sorted: a doubled one would be there twice."""
    return sorted((SqlStore(database).raw(CHANNELS, *FOREVER)["raw"] * 8).astype(int).tolist())


def state(journal):
    (only,) = journal.outboxes()
    return only


def test_batches_in_order_move_the_receipt(journal, database):
    """Each batch that follows on moves the receipt to its last seq."""
    assert journal.append(batch(1, 5), T0_MS).received == 5
    assert journal.append(batch(6, 8), T0_MS).received == 8
    assert journal.receipt("club", "north", OUTBOX).seq == 8
    assert kept(database) == list(range(1, 9))


def test_a_batch_beyond_a_gap_is_kept_and_the_receipt_waits(journal, database):
    """Rows after a gap are stored, the receipt stays before it, and moves over all of them when the gap is filled."""
    journal.append(batch(1, 2), T0_MS)
    assert journal.append(batch(5, 6), T0_MS) == module.Appended(2, 0, 0, 0, 2)
    assert kept(database) == [1, 2, 5, 6]
    assert journal.append(batch(3, 4), T0_MS).received == 6


def test_a_gap_the_agent_no_longer_holds_is_a_hole(journal):
    """What lies below the lowest seq the agent keeps is counted as lost, and not waited for."""
    journal.append(batch(1, 2), T0_MS)
    assert journal.append(batch(6, 7, lowest_kept=5), T0_MS) == module.Appended(2, 0, 0, 2, 4)
    assert journal.append(batch(5, 5, lowest_kept=5), T0_MS).received == 7
    assert state(journal).holes == 2


def test_an_outbox_first_heard_in_its_middle_starts_with_a_hole(journal):
    """A new journal that hears seq 1001 of an agent that keeps from 1001 receipts it: the rest is not coming."""
    assert journal.append(batch(1001, 1002, lowest_kept=1001), T0_MS) == module.Appended(2, 0, 0, 1000, 1002)


def test_rows_said_to_be_lost_that_come_after_all_are_kept(journal, database):
    """A reading that arrives where a hole was noted is stored, and the hole shrinks by it."""
    journal.append(batch(5, 6, lowest_kept=5), T0_MS)
    assert journal.append(batch(2, 3), T0_MS) == module.Appended(2, 0, 0, 0, 6)
    assert kept(database) == [2, 3, 5, 6]
    assert state(journal).holes == 2


def test_poison_counts_as_received_and_is_kept_with_its_reason(journal):
    """A payload that cannot be read does not hold up the receipt; it can be looked at, newest first."""
    journal.append(batch(1, 2), T0_MS)
    assert journal.receive_poison(span(3, 5), "the/topic", b"\x00\xff", "payload: found noise", T0_MS) == 5
    assert journal.append(batch(6, 6), T0_MS).received == 6
    journal.receive_poison(None, "other", b"", "topic: found 'other'", T0_MS + 1)
    newest, oldest = journal.quarantine()
    assert (newest.topic, newest.reason, newest.size_bytes) == ("other", "topic: found 'other'", 0)
    assert (oldest.topic, oldest.payload, oldest.at_ms) == ("the/topic", b"\x00\xff", T0_MS)
    assert state(journal).poisoned == 3


def test_poison_beyond_a_gap_waits_with_the_rest(journal):
    """A quarantined span after a gap does not carry the receipt over the gap."""
    journal.append(batch(1, 2), T0_MS)
    assert journal.receive_poison(span(5, 6), "t", b"x", "r", T0_MS) == 2
    assert journal.append(batch(3, 4), T0_MS).received == 6


def test_a_good_copy_of_poison_is_kept(journal, database):
    """Readings whose payload was once broken on the way are stored when a good copy comes."""
    journal.receive_poison(span(1, 3), "t", b"x", "r", T0_MS)
    assert journal.append(batch(1, 3), T0_MS) == module.Appended(3, 0, 0, 0, 3)
    assert kept(database) == [1, 2, 3]
    assert state(journal).poisoned == 0


def test_poison_where_readings_are_kept_takes_nothing_away(journal, database):
    """A broken copy of a batch that is stored is quarantined, and the stored rows stay."""
    journal.append(batch(2, 3), T0_MS)
    assert journal.receive_poison(span(1, 4), "t", b"x", "r", T0_MS) == 4
    assert kept(database) == [2, 3]
    assert state(journal).poisoned == 2


def test_a_batch_sent_again_is_counted_and_ignored(journal, database):
    """Duplicates, whole or in part, are counted; only what is new is stored."""
    journal.append(batch(1, 4), T0_MS)
    assert journal.append(batch(1, 4), T0_MS) == module.Appended(0, 4, 0, 0, 4)
    assert journal.append(batch(3, 7), T0_MS) == module.Appended(3, 2, 0, 0, 7)
    assert kept(database) == list(range(1, 8))
    assert state(journal).duplicates == 6


@pytest.mark.parametrize(
    "change",
    [
        {"raw": 99.0},
        {"raw": None, "status": Status.SILENT},
        {"measured_at_ms": T0_MS + 5},
        {"slot": "stroke:1:1"},
        {"channel": "square-1/p1/other"},
        {"attempts": 2},
        {"clock_ok": False},
    ],
    ids=lambda change: next(iter(change)),
)
def test_a_contradiction_is_counted_and_the_first_is_kept(journal, database, change):
    """A reading that says something else under a stored identity is a conflict, and changes nothing."""
    journal.append(batch(1, 3), T0_MS)
    before = SqlStore(database).raw([*CHANNELS, "square-1/p1/other"], *FOREVER)
    changed = dataclasses.replace(rows(2, 2)[0], **change)
    again = Batch("club", "north", OUTBOX, 1, (*rows(1, 1), changed, *rows(3, 4)))
    assert journal.append(again, T0_MS) == module.Appended(1, 2, 1, 0, 4)
    after = SqlStore(database).raw([*CHANNELS, "square-1/p1/other"], *FOREVER)
    assert after[after["measured_at_ms"] != T0_MS + 4000].reset_index(drop=True).equals(before)
    assert state(journal).conflicts == 1


def test_outboxes_are_counted_apart(journal):
    """Site, node and outbox together name a sequence; another outbox of the same node starts anew."""
    journal.append(batch(1, 3), T0_MS)
    journal.append(batch(1, 1, outbox_id="f" * 16), T0_MS + 1)
    journal.append(batch(1, 2, node="south"), T0_MS + 2)
    assert journal.receipt("club", "north", "f" * 16).seq == 1
    assert journal.receipt("club", "north", "e" * 16).seq == 0
    proofs = [(digest_of(batch(n, n).readings[0]), n) for n in (1, 2)]
    receipts = [("club", "north", Receipt("f" * 16, 1, *proofs[0])), ("club", "south", Receipt(OUTBOX, 2, *proofs[1]))]
    assert sorted(journal.receipts()) == sorted(receipts)


def proving(first, last, *, before=None, lowest_kept=1, **changes):
    """A batch of an agent that compares digests; `before` is the reading that it says comes before the first."""
    own = rows(first - 1, first - 1)[0] if before is None and first > 1 else before
    return dataclasses.replace(batch(first, last, lowest_kept, **changes), before="" if own is None else digest_of(own))


def test_a_batch_that_contradicts_what_is_kept_is_refused_whole(journal, database):
    """Of a copied outbox nothing is kept under the other's name, and the receipt says whose readings are: by overlap,
    and by the reading before it where nothing overlaps. The agent sends all of it again under a name of its own."""
    journal.append(proving(1, 5), T0_MS)
    assert journal.append(proving(4, 8, raw=9.0), T0_MS + 1) == module.Appended(0, 0, 5, 0, 5, True)
    assert journal.append(proving(6, 8, before=rows(5, 5, raw=9.0)[0]), T0_MS + 2).refused
    assert kept(database) == [1, 2, 3, 4, 5] and state(journal).conflict_at_ms == T0_MS + 2
    assert journal.receipt("club", "north", OUTBOX) == Receipt(OUTBOX, 5, digest_of(rows(5, 5)[0]), 5)
    assert journal.append(proving(4, 8), T0_MS + 3) == module.Appended(3, 2, 0, 0, 8)


def test_a_batch_that_contradicts_declares_no_hole(journal):
    """What a copy no longer holds, the other may: its receipt must not pass over it."""
    journal.append(proving(1, 5), T0_MS)
    assert journal.append(proving(10, 12, lowest_kept=9, before=rows(8, 8)[0]), T0_MS).hole == 3
    journal.append(proving(4, 6, raw=9.0, lowest_kept=4), T0_MS)
    assert state(journal).holes == 3


def test_a_batch_before_its_time_is_left_to_come_again(journal, database):
    """Without the readings before it nobody knows whose it is; an agent of an earlier version is served as before."""
    journal.append(proving(1, 2), T0_MS)
    assert journal.append(proving(5, 6), T0_MS) == module.Appended(0, 0, 0, 0, 2, True)
    assert kept(database) == [1, 2]
    assert journal.append(batch(5, 6), T0_MS).new == 2
    assert journal.append(proving(3, 8), T0_MS) == module.Appended(4, 2, 0, 0, 8)


def test_the_digest_of_a_receipt_outlives_merging_and_poison(journal, database):
    """It is that of the last reading kept up to the receipt, whatever the run lies in."""
    journal.append(proving(1, 3), T0_MS)
    journal.receive_poison(span(4, 5), "t", b"x", "r", T0_MS)
    assert journal.receipt("club", "north", OUTBOX) == Receipt(OUTBOX, 5, digest_of(rows(3, 3)[0]), 3)
    journal.append(batch(7, 9), T0_MS)
    while journal.merge_runs(T0_MS + 1):
        pass
    journal.receive_poison(span(6, 6), "t", b"x", "r", T0_MS)
    assert journal.receipt("club", "north", OUTBOX) == Receipt(OUTBOX, 9, digest_of(rows(9, 9)[0]), 9)


def test_a_file_of_the_version_before_learns_its_digests(tmp_path):
    """The step that brings the table up to date works them out of the readings kept, merged or not."""
    with closing(Database(tmp_path / "journal.db")) as database:
        journal = Journal(database)
        journal.append(batch(1, 4), T0_MS)
        journal.append(batch(5, 6), T0_MS)
        while journal.merge_runs(T0_MS + 1):
            pass
        journal.append(batch(1, 2, node="south"), T0_MS)
        expected = sorted(journal.receipts())
    with closing(sqlite3.connect(tmp_path / "journal.db")) as file:
        for column in (
            "digest",
            "digest_seq",
            "conflict_at_ms",
            "follows",
            "assigned",
            "turn",
            "turns",
            "turned_at_ms",
        ):
            file.execute(f"ALTER TABLE outbox DROP COLUMN {column}")
        people = "person", "person_role", "credential", "audit"
        for table in ("redated", *people, "diary_before", "photo", "record_piece"):
            file.execute(f"DROP TABLE {table}")
        file.execute("DROP INDEX diary_sent_as")
        file.execute("ALTER TABLE diary DROP COLUMN sent_as")
        file.execute("CREATE TABLE diary_key (key TEXT PRIMARY KEY, entry INTEGER NOT NULL)")
        file.execute("DELETE FROM migration WHERE number >= 9")
        file.commit()
    with closing(Database(tmp_path / "journal.db")) as database:
        journal = Journal(database)
        assert sorted(journal.receipts()) == expected
        assert {(o.turn, o.turns) for o in journal.outboxes()} == {(1, 1)}


def test_outboxes_that_take_turns_are_told_from_one_that_follows_another(journal):
    """A node that begins a new outbox never goes back; an old batch that comes twice is no return."""
    other = {"outbox_id": "f" * 16}
    for one in (batch(1, 2), batch(1, 2, **other), batch(1, 2), batch(3, 4, **other)):
        journal.append(one, T0_MS)
    turns = {o.outbox_id: (o.turn, o.turns) for o in journal.outboxes()}
    assert turns == {OUTBOX: (1, 1), "f" * 16: (2, 1)}
    journal.append(batch(3, 4), T0_MS + 5)
    assert [(o.turn, o.turns, o.turned_at_ms) for o in journal.outboxes() if o.outbox_id == OUTBOX] == [
        (3, 2, T0_MS + 5)
    ]


@pytest.mark.parametrize(
    ("limit", "more", "said"),
    [
        ("MAX_OUTBOXES", {"outbox_id": "f" * 16}, "outbox_id: found one more than 1,"),
        ("MAX_STORED_CHANNELS", {"channel": "square-1/p1/new"}, "n: found more than 1 different channels"),
        ("MAX_HOLE", {"lowest_kept": 9}, "lowest_kept: found 5 readings missing"),
    ],
)
def test_limits_of_the_store_are_named(journal, monkeypatch, limit, more, said):
    """More outboxes, channels or missing readings than any site has are refused, and nothing of the batch is kept."""
    journal.append(batch(1, 3, channel="square-1/p1/c0"), T0_MS)
    monkeypatch.setattr(f"pipeline.store.readings.{limit}", 1)
    with pytest.raises(BadBatch, match=said):
        journal.append(batch(9, 9, **{"channel": "square-1/p1/c0", **more}), T0_MS)
    assert state(journal).received == 3
    assert journal.receive_poison(span(9, 9), "t", b"x", "r", T0_MS) == 3
    stranger = BatchSpan("club", "north", "e" * 16, 1, 1)
    assert journal.receive_poison(stranger, "t", b"x", "r", T0_MS) == (0 if limit == "MAX_OUTBOXES" else 1)


def test_the_quarantine_is_bounded_by_its_bytes(journal, monkeypatch):
    """The oldest go when all payloads together pass the limit; the newest stays, however large."""
    monkeypatch.setattr(module, "QUARANTINE_BYTES", 250)
    for n in range(5):
        journal.receive_poison(None, f"t{n}", b"x" * 100, "r", T0_MS + n)
    size = journal.quarantine_size()
    assert (size.entries, size.payload_bytes, size.first_ms, size.last_ms) == (2, 200, T0_MS + 3, T0_MS + 4)
    journal.receive_poison(None, "t", b"x" * 1000, "r", T0_MS + 9)
    assert [len(one.payload) for one in journal.quarantine()] == [1000]


events = st.lists(
    st.tuples(
        st.sampled_from(["batch", "batch", "batch", "poison"]),
        st.integers(1, 25),
        st.integers(1, 6),
        st.integers(1, 25),
    ),
    max_size=14,
)


@given(events)
@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_receipt_follows_the_rules_for_any_order_of_arrival(new_database, arrivals):
    """Receipt, rows and counters agree with a model in plain sets for any mixture of batches, gaps and poison."""
    database = new_database()
    journal = Journal(database)
    stored, poison, lost = set(), set(), set()
    received = duplicates = 0
    for kind, first, length, lowest in arrivals:
        numbers = set(range(first, first + length))
        if kind == "poison":
            found = journal.receive_poison(span(first, first + length - 1), "t", b"x", "r", T0_MS)
            poison |= numbers - stored - lost
        else:
            lowest = min(lowest, first)
            found = journal.append(batch(first, first + length - 1, lowest), T0_MS).received
            duplicates += len(numbers & stored)
            stored |= numbers
            poison -= numbers
            lost -= numbers
            lost |= set(range(received + 1, lowest)) - stored - poison
        while received + 1 in stored | poison | lost:
            received += 1
        assert found == received
    if arrivals:
        expected = OutboxState("club", "north", OUTBOX, received, duplicates, 0, len(lost), len(poison), T0_MS)
        told = {"turn", "turns", "turned_at_ms", "assigned", "digest", "digest_seq"}
        assert dataclasses.replace(expected, **{name: getattr(state(journal), name) for name in told}) == state(journal)
        last = max((n for n in stored if n <= received), default=0)
        assert state(journal).receipt == Receipt(OUTBOX, received, digest_of(rows(last, last)[0]) if last else "", last)
    assert kept(database) == sorted(stored)
    database.close()


def test_a_kill_while_appending_loses_nothing_receipted(tmp_path, kill_while_appending, killed_script):
    """After SIGKILL every receipted row is there, none twice, and the rest sent again lands once."""
    path = tmp_path / "journal.db"
    said = kill_while_appending("journal", str(path), wanted=10)
    database = Database(path)
    journal = Journal(database)
    receipt = journal.receipt("club", "north", OUTBOX).seq
    channels = [f"square-1/p1/c{i}" for i in range(4)]

    def seqs():
        return sorted((SqlStore(database).raw(channels, *FOREVER)["raw"] * 8).astype(int).tolist())

    assert receipt >= said
    assert seqs() == list(range(1, receipt + 1))
    journal.append(Batch("club", "north", OUTBOX, 1, killed_script["readings"](receipt - 9, 40)), T0_MS)
    assert seqs() == list(range(1, receipt + 31))
    database.close()


def test_a_full_disk_receipts_nothing_and_loses_nothing(tmp_path):
    """When the file may not grow, the batch is refused whole, the receipt stays, and all before it can be read."""
    database = Database(tmp_path / "journal.db", max_bytes=400_000)
    journal = Journal(database)
    first = 1
    with pytest.raises(StoreFull, match="found no room"):
        for first in range(1, 100_000, 100):
            journal.append(batch(first, first + 99, channel=f"square-1/p1/n{first}"), T0_MS)
    assert journal.receipt("club", "north", OUTBOX).seq == first - 1 > 100
    names = [f"square-1/p1/n{i}" for i in range(1, first + 1, 100)]
    assert len(SqlStore(database).raw(names, *FOREVER)) == first - 1
    with pytest.raises(StoreFull):
        journal.append(batch(first, first + 99, channel=f"square-1/p1/n{first}"), T0_MS)
    database.close()


def test_a_full_disk_that_is_freed_takes_the_same_batch(tmp_path):
    """After the bound is lifted the refused batch is kept, with the channels it was the first to name."""
    path = tmp_path / "journal.db"
    database = Database(path, max_bytes=300_000)
    journal = Journal(database)
    first = 1
    with pytest.raises(StoreFull):
        for first in range(1, 100_000, 100):
            journal.append(batch(first, first + 99, channel=f"square-1/p1/n{first}"), T0_MS)
    with database.transaction() as tx:
        tx.execute("PRAGMA max_page_count = 100000")
    journal.append(batch(first, first + 99, channel=f"square-1/p1/n{first}"), T0_MS)
    assert len(SqlStore(database).raw([f"square-1/p1/n{first}"], *FOREVER)) == 100
    database.close()


def test_a_journal_restored_from_a_backup_takes_the_rest_again(tmp_path):
    """The receipt goes back with the backup, and what the agent sends again lands once."""
    database = Database(tmp_path / "journal.db")
    Journal(database).append(batch(1, 10), T0_MS)
    with closing(sqlite3.connect(tmp_path / "journal.db")) as source:
        source.execute("VACUUM INTO ?", (str(tmp_path / "backup.db"),))
    Journal(database).append(batch(11, 30), T0_MS)
    database.close()
    restored = Database(tmp_path / "backup.db")
    journal = Journal(restored)
    assert journal.receipt("club", "north", OUTBOX).seq == 10
    assert journal.append(batch(6, 30), T0_MS) == module.Appended(20, 5, 0, 0, 30)
    assert kept(restored) == list(range(1, 31))
    restored.close()


def test_the_quarantine_is_bounded(journal, monkeypatch):
    """Only the last entries stay, and of a long payload the beginning with its full size."""
    monkeypatch.setattr(module, "QUARANTINE_ENTRIES", 3)
    for i in range(5):
        journal.receive_poison(None, f"t{i}", b"x" * 100_000, "r" * 5000, T0_MS)
    found = journal.quarantine()
    assert [q.topic for q in found] == ["t4", "t3", "t2"]
    assert (found[0].size_bytes, len(found[0].payload), len(found[0].reason)) == (100_000, 64 * 1024, 1000)


def test_alert_state_and_its_events_are_saved_together(journal, database):
    """States come back as saved; a known event is not doubled; both are there after opening anew."""
    opened = Event("e1", T0_MS, {"text": "Square 1: roots dry"})
    assert journal.save_alerts({"square-1/roots_dry": {"open": True, "since_ms": 5}}, [opened]) == 1
    assert journal.save_alerts({"square-1/roots_dry": {"open": False}}, [opened, Event("e2", T0_MS + 1, {})]) == 1
    again = Journal(database)
    assert again.alert_states() == {"square-1/roots_dry": {"open": False}}
    assert again.events(*FOREVER) == [opened, Event("e2", T0_MS + 1, {})]
    assert again.events(T0_MS + 1, T0_MS + 2) == [Event("e2", T0_MS + 1, {})]
    journal.forget_alert("square-1/roots_dry")
    assert journal.alert_states() == {}


def test_an_event_that_cannot_be_written_saves_no_state(journal):
    """State and events are one change: if one cannot be kept, neither is."""
    with pytest.raises(ValueError, match="JSON"):
        journal.save_alerts({"a": {"open": True}}, [Event("e1", T0_MS, {"value": float("nan")})])
    assert journal.alert_states() == {} and journal.unsent("log") == []


def test_an_event_comes_again_until_it_is_marked_as_sent(journal):
    """Each destination is told by itself, in order, under a stable id, until it is marked."""
    journal.save_alerts({}, [Event(f"e{i}", T0_MS + i, {"i": i}) for i in range(3)])
    journal.mark_sent("e0", "log", T0_MS)
    journal.mark_sent("e0", "log", T0_MS + 9)
    journal.mark_sent("unknown", "log", T0_MS)
    assert [e.id for e in journal.unsent("log")] == ["e1", "e2"]
    assert [e.id for e in journal.unsent("webhook", limit=2)] == ["e0", "e1"]


def test_the_queue_of_a_server_store_holds_what_came_in(database):
    """A journal that feeds queues each arrival; one that did not before queues all it holds."""
    Journal(database).append(batch(1, 4), T0_MS)
    journal = Journal(database, feeding=True)
    journal.append(batch(3, 6), T0_MS + 1)
    journal.receive_poison(span(7, 9), "t", b"x", "r", T0_MS + 2)
    first, second = journal.waiting()
    assert (first.readings, second.readings) == (rows(1, 4), rows(5, 6))
    assert readings_waiting(journal) == 6
    journal.mark_read_back([first], T0_MS + 5)
    assert journal.waiting() == [second] and readings_waiting(journal) == 2
    assert journal.stayed(T0_MS + 5) == [] and journal.stayed(T0_MS + 6) == [first]
    journal.let_go([first])
    assert kept(database) == [5, 6]
    assert journal.append(batch(1, 6), T0_MS) == module.Appended(0, 6, 0, 0, 9)
    assert readings_waiting(Journal(database, feeding=True)) == 2


def arrivals(journal):
    """Twenty runs of three channels over two outboxes, received a second apart, with texts for slots, and a gap."""
    for outbox in (OUTBOX, "f" * 16):
        for n in range(10):
            first = 1 + 6 * n + (6 if n >= 7 else 0)
            rows = tuple(
                Reading(
                    *("club", "north", outbox, first + i, f"square-1/p1/c{i % 3}"),
                    *(f"stroke:{n}:{i}" if i == 4 else str(T0_MS // 1000 + 900 * n), T0_MS + n * 900_000 + i * 37),
                    *((None, Status.SILENT) if i == 2 else (i / 3, Status.OK)),
                    *(1 + i % 2, n % 2 == 0),
                )
                for i in range(6)
            )
            journal.append(Batch("club", "north", outbox, 1, rows), T0_MS + n * 1000)


def merged(journal, before_ms):
    count = 0
    while journal.merge_runs(before_ms):
        count += 1
    return count


def test_merged_runs_give_back_every_reading(database):
    """What is read, receipted, unworked and known as a repeat is the same before and after, to the last bit."""
    journal, store = Journal(database), SqlStore(database)
    arrivals(journal)
    before, at_worked = store.raw(CHANNELS, *FOREVER), {f"club/north/{OUTBOX}": 9}
    some = store.raw(CHANNELS[:1], T0_MS + 900_000, T0_MS + 4 * 900_000)
    unseen, outboxes = unworked(database, at_worked), journal.outboxes()
    assert merged(journal, T0_MS + 3_600_000) == 4  # either side of the gap, in two outboxes
    pd.testing.assert_frame_equal(store.raw(CHANNELS, *FOREVER), before, check_exact=True)
    pd.testing.assert_frame_equal(store.raw(CHANNELS[:1], T0_MS + 900_000, T0_MS + 4 * 900_000), some)
    assert unworked(database, at_worked) == unseen and journal.outboxes() == outboxes
    with database.reading() as connection:
        assert connection.execute("SELECT count(*), sum(squeezed) FROM span WHERE kind = 1").fetchone() == (4, 4)
        assert connection.execute("SELECT count(*) FROM run").fetchone() == (4,)
    again = journal.append(batch(7, 9), T0_MS)
    assert (again.new, again.duplicates + again.conflicts) == (0, 3)
    journal.append(batch(43, 48), T0_MS)  # the gap
    assert journal.receipt("club", "north", OUTBOX).seq == 66


def test_recent_runs_and_those_of_a_server_store_are_left_alone(database, tmp_path):
    """Nothing received after the moment is merged, and nothing that waits for a server store or lies there."""
    journal = Journal(database)
    arrivals(journal)
    assert not journal.merge_runs(T0_MS)
    assert merged(journal, T0_MS + 2001) == 2
    with database.reading() as connection:
        assert connection.execute("SELECT sum(last_seq) FROM span WHERE squeezed = 1").fetchone() == (2 * 18,)
    other = Database(tmp_path / "fed.db")
    fed = Journal(other, feeding=True)
    arrivals(fed)
    assert not fed.merge_runs(T0_MS + 3_600_000)
    other.close()


def test_runs_are_split_again_for_a_server_store(database):
    """Opened to be fed, each arrival waits with its own time of receipt, as if it had never been merged."""
    journal = Journal(database)
    arrivals(journal)
    feeding = Journal(database, feeding=True)
    expected = feeding.waiting(limit=99)
    with database.transaction() as tx:
        tx.execute("UPDATE span SET feed = 0")
    assert merged(journal, T0_MS + 3_600_000) == 4
    found = Journal(database, feeding=True).waiting(limit=99)
    assert len(found) == 20 and found == expected


def test_a_merge_that_would_not_read_back_keeps_the_runs(database, monkeypatch):
    """What was compressed is read again before the runs go; where it differs, nothing is changed."""
    journal = Journal(database)
    arrivals(journal)
    before = SqlStore(database).raw(CHANNELS, *FOREVER)
    monkeypatch.setattr("pipeline.store.readings.squeeze", lambda rows, received: squeeze(rows[::-1], received))
    with pytest.raises(ValueError, match="found other readings after compressing"):
        journal.merge_runs(T0_MS + 3_600_000)
    pd.testing.assert_frame_equal(SqlStore(database).raw(CHANNELS, *FOREVER), before)
    with database.reading() as connection:
        assert connection.execute("SELECT count(*) FROM run").fetchone() == (20,)


@pytest.mark.parametrize("received_ms", [(7, 7, 7), (7, 8, 9)], ids=["at once", "one by one"])
def test_a_record_is_kept_and_read_back_in_every_kind_of_database(journal, received_ms):
    """Readings of a file, of one time of receipt or several, which a run of its own form holds."""
    recorded = np.zeros(3, dtype=RECORDED)
    recorded["measured_at_ms"], recorded["raw"], recorded["received_at_ms"] = [1, 2, 3], [0.5, 1.5, np.nan], received_ms
    assert journal.keep_recorded(RecordedOutbox("club", "file", OUTBOX), CHANNELS[:1], 1, recorded, 9) == 3
    found = SqlStore(journal.database).raw(CHANNELS[:1], *FOREVER)
    assert found["measured_at_ms"].tolist() == [1, 2, 3] and found["received_at_ms"].tolist() == list(received_ms)
    assert found["raw"].tolist()[:2] == [0.5, 1.5] and np.isnan(found["raw"].iloc[2])
