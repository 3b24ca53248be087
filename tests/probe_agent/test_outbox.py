"""The outbox: numbers, receipts, bounds and damage. Expected numbers by counting what the test itself put in."""

from __future__ import annotations

import dataclasses
import os
import signal
import sqlite3
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hardware.reading import (
    MAX_REDATED,
    Receipt,
    Sample,
    Status,
    decode_batch,
    digest_of,
    encode_batch,
    parse_readings_topic,
    readings_topic,
)
from probe_agent.clock import ClockNote
from probe_agent.outbox import (
    FILE_NAME,
    KEEP_SET_ASIDE,
    Outbox,
    OutboxDamaged,
    OutboxFull,
    _spans_of,
    doubted_since,
    open_outbox,
    peek,
)

SET = ClockNote(True, "boot-1", 5000, 1_772_323_200_000)
MB = 1024 * 1024


def heard(n: int, *, first: int = 0) -> list[Sample]:
    return [
        Sample(
            "square-1/p1/moisture", str(900 * (first + i)), 1_772_323_200_000 + 1000 * (first + i), 0.25, Status.OK, 1
        )
        for i in range(n)
    ]


def open_at(folder: Path, *, max_bytes: int = 4 * MB) -> Outbox:
    return Outbox(folder, site="home", node="hut", max_bytes=max_bytes)


def all_seqs(outbox: Outbox, after: int = 0) -> list[int]:
    seqs: list[int] = []
    while (batch := outbox.batch(seqs[-1] if seqs else after, 1000)) is not None:
        seqs += [reading.seq for reading in batch.readings]
    return seqs


def test_reading_comes_out_as_it_was_put_in(tmp_path):
    """Value, status, times and slot are what was heard; seq starts at 1."""
    outbox = open_at(tmp_path)
    good = Sample("square-1/p1/moisture", "1772323200", 1_772_323_201_234, 12.5, Status.OK, 1)
    bad = Sample("square-1/p1/temperature", "1772323200", 1_772_323_201_235, None, Status.SILENT, 3)
    outbox.put([good, bad], SET)
    batch = outbox.batch(0, 10)
    assert batch is not None
    assert [(r.seq, r.raw, r.status, r.attempts, r.clock_ok) for r in batch.readings] == [
        (1, 12.5, Status.OK, 1, True),
        (2, None, Status.SILENT, 3, True),
    ]
    assert batch.readings[0].measured_at_ms == 1_772_323_201_234
    assert (batch.lowest_kept, batch.outbox_id, batch.site, batch.node) == (1, outbox.outbox_id, "home", "hut")


def test_receipt_frees_and_repeats_change_nothing(tmp_path):
    """A receipt lowers the backlog once; the same one again, or one for another outbox, changes nothing."""
    outbox = open_at(tmp_path)
    outbox.put(heard(10), SET)
    assert outbox.receive(Receipt(outbox.outbox_id, 7)) is True
    assert outbox.receive(Receipt(outbox.outbox_id, 7)) is False
    assert outbox.receive(Receipt("f" * 32, 9)) is False
    assert (outbox.backlog, all_seqs(outbox, outbox.received)) == (3, [8, 9, 10])


def test_lower_receipt_makes_kept_rows_unreceipted_again(tmp_path):
    """A pipeline restored from a backup gets what it lost: rows with a receipt are still there."""
    outbox = open_at(tmp_path)
    outbox.put(heard(10), SET)
    outbox.receive(Receipt(outbox.outbox_id, 10))
    outbox.receive(Receipt(outbox.outbox_id, 4))
    assert (outbox.backlog, all_seqs(outbox, outbox.received)) == (6, [5, 6, 7, 8, 9, 10])


def test_receipt_above_every_number_makes_a_new_name(tmp_path):
    """An outbox file older than what it once sent must not give its numbers twice under one name."""
    outbox = open_at(tmp_path)
    outbox.put(heard(10), SET)
    outbox.receive(Receipt(outbox.outbox_id, 6))
    name = outbox.outbox_id
    assert outbox.receive(Receipt(name, 5000)) is True
    assert (outbox.outbox_id != name, outbox.follows) == (True, name)
    batch = outbox.batch(0, 100)
    assert batch is not None
    assert [(r.seq, r.slot) for r in batch.readings] == [(1, "5400"), (2, "6300"), (3, "7200"), (4, "8100")]
    assert (batch.lowest_kept, batch.before, batch.follows, outbox.backlog) == (1, "", name, 4)
    outbox.put(heard(1, first=10), SET)
    assert all_seqs(outbox) == [1, 2, 3, 4, 5]
    outbox.close()
    again = open_at(tmp_path)
    assert (again.outbox_id, again.follows, again.assigned, again.received) == (outbox.outbox_id, name, 5, 0)
    again.close()


def test_receipt_for_other_readings_makes_a_new_name(tmp_path):
    """An outbox put back from an image that has given the numbers out again: the receipt covers what it never sent.

    Rows dropped unsent before stay missing numbers under the new name, so that they are counted.
    """
    outbox = open_at(tmp_path)
    outbox.put(heard(10), SET)
    sent = outbox.batch(0, 10)
    assert sent is not None
    image = outbox.batch(0, 10)
    assert image is not None and outbox.receive(Receipt(outbox.outbox_id, 6, digest_of(image.readings[5]), 6))
    outbox._db.execute("DELETE FROM reading WHERE seq <= 8")
    outbox.lowest_kept = 9
    other = replace(sent.readings[9], raw=0.5)
    assert outbox.receive(Receipt(outbox.outbox_id, 10, digest_of(other), 10)) is True
    assert outbox.follows == sent.outbox_id and outbox.outbox_id != sent.outbox_id
    assert (all_seqs(outbox), outbox.lowest_kept, outbox.assigned, outbox.received) == ([3, 4], 3, 4, 0)


@pytest.mark.parametrize("pruned", [False, True])
def test_receipt_with_the_digest_of_its_own_reading_is_taken(tmp_path, pruned):
    """Up or down, and again after its row is gone; one with another digest for the reading last received is not."""
    outbox = open_at(tmp_path)
    outbox.put(heard(10), SET)
    batch = outbox.batch(0, 10)
    assert batch is not None
    digests = [digest_of(reading) for reading in batch.readings]
    assert outbox.receive(Receipt(outbox.outbox_id, 8, digests[7], 8))
    assert outbox.receive(Receipt(outbox.outbox_id, 5, digests[4], 5))
    assert outbox.receive(Receipt(outbox.outbox_id, 7, digests[6], 7))
    if pruned:
        outbox.prune(2**62)
        outbox.close()
        outbox = open_at(tmp_path)
    assert not outbox.receive(Receipt(outbox.outbox_id, 7, digests[6], 7))
    behind = outbox.batch(7, 2)
    assert behind is not None and behind.before == digests[6]
    assert outbox.receive(Receipt(outbox.outbox_id, 9, digests[6], 7))  # 8 and 9 were set aside as unreadable
    assert outbox.follows == "" and outbox.received == 9
    assert outbox.receive(Receipt(outbox.outbox_id, 10, digests[0], 10)) and outbox.follows


def test_an_outbox_of_the_version_before_is_opened_and_proved(tmp_path):
    """Without the facts of this version nothing is known of the reading before: the next receipt settles it. What it
    holds came from no noisy line that it knows of; what is put in now is told apart."""
    outbox = open_at(tmp_path)
    outbox.put(heard(4), SET)
    outbox.receive(Receipt(outbox.outbox_id, 2))
    outbox._db.execute("DELETE FROM fact WHERE name IN ('received_digest', 'follows', 'sent_undated')")
    outbox._db.execute("ALTER TABLE reading DROP COLUMN noisy")
    outbox.prune(2**62)
    outbox.close()
    outbox = open_at(tmp_path)
    outbox.put([dataclasses.replace(one, noisy=True) for one in heard(1)], SET)
    assert [r.noisy for r in outbox.batch(2, 9).readings] == [False, False, True]
    batch = outbox.batch(2, 2)
    assert batch is not None and (batch.before, batch.follows, batch.first) == ("", "", 3)
    assert outbox.receive(Receipt(outbox.outbox_id, 4, digest_of(batch.readings[1]), 4)) and not outbox.follows
    outbox.close()


def test_what_was_sent_undated_stays_as_it_was_sent(tmp_path):
    """The pipeline may have it: dated again it would be another reading under its number. A restart forgets nothing."""
    unset = ClockNote(False, "boot-1", 5000, 1_772_323_200_000)
    outbox = open_at(tmp_path)
    outbox.put(heard(2), unset)
    sent = outbox.batch(0, 10)
    assert sent is not None
    outbox.note_sent(sent)
    outbox.close()
    outbox = open_at(tmp_path)
    outbox.put(heard(1, first=2), unset)
    set_now = ClockNote(True, "boot-1", 9000, 1_772_400_000_000)
    assert outbox.redate(set_now) == (1, 2)
    again = outbox.batch(0, 10)
    assert again is not None
    assert again.readings[:2] == sent.readings and again.readings[2].clock_ok
    outbox.close()


def test_the_pipeline_is_told_when_what_was_sent_undated_was_taken(tmp_path):
    """With the batch that goes on from there, as often as that one is sent, and with no other; a restart forgets none
    and tells none twice. Taken is uptime plus the offset (algebra); a clock of 1970 is counted as it was sent."""
    outbox = open_at(tmp_path)
    unset = ClockNote(False, "boot-1", 60_000, 60_000)  # the machine woke in 1970
    outbox.put([Sample("a/b/c", "0", 60_000 + i, 1.0, Status.OK, 1) for i in range(3)], unset, grid_s=900)
    sent = outbox.batch(0, 10)
    assert sent is not None and not sent.redated
    outbox.note_sent(sent)
    outbox.receive(Receipt(outbox.outbox_id, 2, "", 0))
    began = 1_772_359_200_000
    set_now = ClockNote(True, "boot-1", 90_000, began + 90_000)
    assert outbox.redate(set_now) == (0, 3)
    outbox.close()
    outbox = open_at(tmp_path)
    assert outbox.redate(set_now) == (0, 0)
    late = outbox.batch(2, 10)
    assert late is not None and late.redated == ()  # the third, as it was sent
    outbox.put(heard(2, first=3), set_now)
    for most in (2, 10):
        told = outbox.batch(2, most)
        assert told is not None and told.readings[0] == sent.readings[2]
        (one,) = told.redated
        assert (one.first, one.last, sent.readings[0].measured_at_ms + one.by_ms) == (1, 3, began + 60_000)
        assert decode_batch(encode_batch(told), parse_readings_topic(readings_topic(told))) == told
    after = outbox.batch(4, 10)
    assert after is not None and after.redated == ()
    outbox.close()


def test_a_clock_that_stepped_untrusted_is_dated_in_as_many_spans_as_a_batch_takes(tmp_path):
    """Three rows, a step of an hour, two rows: two spans, each by its own. Of a clock that steps at each row, at most
    MAX_REDATED."""
    outbox = open_at(tmp_path)
    for i, wrong_ms in enumerate([0, 0, 0, 3_600_000, 3_600_000]):
        at_ms = 1_772_323_200_000 + wrong_ms + i * 1000
        outbox.put([Sample("a/b/c", str(i), at_ms, 1.0, Status.OK, 1)], ClockNote(False, "boot-1", i * 1000, at_ms))
    sent = outbox.batch(0, 10)
    assert sent is not None
    outbox.note_sent(sent)
    outbox.redate(ClockNote(True, "boot-1", 9000, 1_772_400_009_000))
    outbox.put(heard(1, first=5), ClockNote(True, "boot-1", 9000, 1_772_400_009_000))
    told = outbox.batch(0, 10)
    assert told is not None
    assert [(one.first, one.last) for one in told.redated] == [(1, 3), (4, 5)]
    assert told.redated[0].by_ms - told.redated[1].by_ms == 3_600_000
    spans = _spans_of([(seq, seq * 60_000) for seq in range(1, 1000)])
    assert 1 < len(spans) <= MAX_REDATED and (spans[0].first, spans[-1].last) == (1, 999)


def test_a_sample_on_its_way_while_the_clock_is_set_leaves_with_the_right_time(tmp_path):
    """Its note is from before, and the clock is known when it is kept: nobody ever sees the time it had."""
    outbox = open_at(tmp_path)
    set_now = ClockNote(True, "boot-1", 9000, 1_772_400_000_000)
    outbox.put(heard(1), ClockNote(False, "boot-1", 5000, 1_772_323_200_000), set_since=lambda: set_now)
    batch = outbox.batch(0, 10)
    assert batch is not None and batch.readings[0].clock_ok
    assert (
        batch.readings[0].measured_at_ms
        == set_now.now_ms - 9000 + 5000 + heard(1)[0].measured_at_ms - 1_772_323_200_000
    )


def test_nobody_else_reads_the_outbox(tmp_path):
    """Owner and group at most, with its log beside it, whatever the process lets others do."""
    before = os.umask(0)
    try:
        outbox = open_at(tmp_path)
        outbox.put(heard(2), SET)
    finally:
        os.umask(before)
    outbox.close()
    (tmp_path / FILE_NAME).chmod(0o666)  # as an earlier version made it
    outbox = open_at(tmp_path)
    outbox.put(heard(2), SET)
    modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in tmp_path.glob("outbox.db*")}
    assert "outbox.db-wal" in modes and not any(mode & 0o027 for mode in modes.values())
    outbox.close()


def test_aged_rows_go_only_with_a_receipt(tmp_path):
    """Pruning takes receipted rows older than the limit and no others."""
    outbox = open_at(tmp_path)
    outbox.put(heard(10), SET)
    outbox.receive(Receipt(outbox.outbox_id, 6))
    assert outbox.prune(1_772_323_200_000 + 3000) == 3
    assert all_seqs(outbox) == [4, 5, 6, 7, 8, 9, 10]
    assert outbox.prune(2_000_000_000_000) == 3
    assert all_seqs(outbox) == [7, 8, 9, 10]
    assert outbox.dropped == 0


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(1, 700), st.floats(0, 1), st.booleans()), min_size=1, max_size=12))
def test_numbers_never_repeat_and_every_loss_is_counted(tmp_path_factory, moves):
    """Over puts, receipts, drops and reopenings: seqs rise by one, and put = kept + receipted + counted as dropped."""
    folder = tmp_path_factory.mktemp("outbox")
    outbox = open_at(folder, max_bytes=32 * 4096)
    put = 0
    for count, receipted, reopen in moves:
        outbox.put(heard(count, first=put), SET)
        put += count
        assert outbox.assigned == put
        seqs = all_seqs(outbox)
        assert seqs == list(range(outbox.lowest_kept, put + 1))
        outbox.receive(Receipt(outbox.outbox_id, int(receipted * put)))
        if reopen:
            outbox.close()
            before = outbox.received, outbox.dropped, outbox.lowest_kept, outbox.assigned
            outbox = open_at(folder, max_bytes=32 * 4096)
            assert (outbox.received, outbox.dropped, outbox.lowest_kept, outbox.assigned) == before
    assert outbox.dropped <= outbox.lowest_kept - 1
    outbox.close()


def test_full_outbox_drops_oldest_receipted_first_and_counts_the_rest(tmp_path):
    """Rows with a receipt make room uncounted; then each lost row is counted; the file stays within its bound."""
    outbox = open_at(tmp_path, max_bytes=MB)
    outbox.put(heard(2000), SET)
    outbox.receive(Receipt(outbox.outbox_id, 1990))
    put = 2000
    while outbox.lowest_kept <= 1990:
        outbox.put(heard(100, first=put), SET)
        put += 100
    assert (outbox.dropped, outbox.lowest_kept) == (0, 1991)  # one drop was enough: no row without a receipt went
    while put < 24_000:
        outbox.put(heard(100, first=put), SET)
        put += 100
    assert outbox.dropped == outbox.lowest_kept - 1 - 1990 > 0
    assert outbox.backlog == put - 1990 - outbox.dropped
    assert (tmp_path / FILE_NAME).stat().st_size <= MB
    assert sum(f.stat().st_size for f in tmp_path.iterdir()) <= 1.5 * MB


def test_batch_tells_the_lowest_number_kept_when_it_was_read(tmp_path, monkeypatch):
    """Another thread that drops the oldest right after does not make it higher than the batch's own first, which the
    pipeline refuses."""
    outbox = open_at(tmp_path)
    outbox.put(heard(10), SET)
    as_reading = outbox._reading

    def drop_meanwhile(row):
        monkeypatch.setattr(outbox, "_reading", as_reading)
        outbox.receive(Receipt(outbox.outbox_id, 5))
        outbox.prune(2**62)
        return as_reading(row)

    monkeypatch.setattr(outbox, "_reading", drop_meanwhile)
    batch = outbox.batch(0, 10)
    assert batch is not None
    assert (outbox.lowest_kept, batch.lowest_kept, batch.readings[0].seq) == (6, 1, 1)


def test_what_is_put_together_is_one_commit(tmp_path):
    """One transaction for three calls; where one of them has no room nothing of any is kept, and numbers go on."""
    outbox = open_at(tmp_path, max_bytes=32 * 4096)
    said: list[str] = []
    outbox._db.set_trace_callback(said.append)
    with outbox.together():
        for slot_s in (900, 1800, 2700):
            outbox.put(heard(2), SET, last_slot=("square-1/p1", slot_s))
    assert [one for one in said if one in ("BEGIN IMMEDIATE", "COMMIT")] == ["BEGIN IMMEDIATE", "COMMIT"]
    assert (all_seqs(outbox), outbox.last_slots()) == ([1, 2, 3, 4, 5, 6], {"square-1/p1": 2700})
    with pytest.raises(OutboxFull), outbox.together():
        outbox.put(heard(2), SET, last_slot=("square-1/p1", 3600))
        outbox.put(heard(5000), SET)
    assert (all_seqs(outbox), outbox.last_slots()) == ([1, 2, 3, 4, 5, 6], {"square-1/p1": 2700})
    assert (outbox.assigned, outbox.dropped, outbox.lowest_kept) == (6, 0, 1)
    outbox.put(heard(1), SET)
    assert all_seqs(outbox) == [1, 2, 3, 4, 5, 6, 7]


def test_full_file_keeps_nothing_of_the_call_and_loses_nothing_before(tmp_path):
    """A put that cannot fit raises, leaves seq and rows as they were, and the next one that fits works."""
    outbox = open_at(tmp_path, max_bytes=32 * 4096)
    outbox.put(heard(5), SET)
    with pytest.raises(OutboxFull):
        outbox.put(heard(5000), SET)
    assert all_seqs(outbox) == [1, 2, 3, 4, 5]
    assert (outbox.assigned, outbox.dropped, outbox.lowest_kept) == (5, 0, 1)
    outbox.put(heard(1), SET)
    assert all_seqs(outbox) == [1, 2, 3, 4, 5, 6]


def test_committed_rows_survive_a_kill(tmp_path):
    """What put returned for is there after SIGKILL, and numbers go on after it."""
    program = (
        "import sys; from pathlib import Path\n"
        "from hardware.reading import Sample, Status; from probe_agent.clock import ClockNote\n"
        "from probe_agent.outbox import Outbox\n"
        "o = Outbox(Path(sys.argv[1]), site='home', node='hut', max_bytes=4 << 20)\n"
        "for i in range(10**6):\n"
        "    o.put([Sample('a/b/c', str(i), 1772323200000 + i, 1.0, Status.OK, 1)], ClockNote(True, 'b', 1, 1))\n"
        "    print(o.assigned, flush=True)\n"
    )
    child = subprocess.Popen([sys.executable, "-c", program, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    said = 0
    for line in child.stdout:
        said = int(line)
        if said == 40:
            os.kill(child.pid, signal.SIGKILL)
            break
    said = max([said, *[int(line) for line in child.stdout.read().split()]])
    child.wait(10)
    outbox = open_at(tmp_path)
    assert outbox.assigned >= said
    assert all_seqs(outbox) == list(range(1, outbox.assigned + 1))


def test_last_slot_is_remembered_with_its_rows(tmp_path):
    """A restart knows which slot was kept, so it is not read again."""
    outbox = open_at(tmp_path)
    outbox.put(heard(2), SET, last_slot=("square-1/p1", 1800))
    outbox.close()
    assert open_at(tmp_path).last_slots() == {"square-1/p1": 1800}


def test_stroke_handed_over_twice_is_kept_once(tmp_path):
    """A device that did not hear the acknowledgement offers its stroke again; nothing is stored twice."""
    outbox = open_at(tmp_path)
    assert outbox.put(heard(5), SET, stroke=("square-1/cone", "17")) == 5
    assert outbox.put(heard(5), SET, stroke=("square-1/cone", "17")) == 0
    assert outbox.put(heard(5), SET, stroke=("square-1/cone", "18")) == 5
    assert outbox.assigned == 10


def test_readings_of_an_unset_clock_are_dated_when_it_is_set(tmp_path):
    """Time is uptime plus the offset found later (algebra); the slot moves to the true grid; other boots do not."""
    outbox = open_at(tmp_path)
    outbox.put(
        [Sample("a/b/c", "0", 60_000, 1.0, Status.OK, 1)], ClockNote(False, "boot-0", 60_000, 60_000), grid_s=900
    )
    for minute in (1, 16):
        at = Sample("a/b/c", str(900 * (minute // 15)), minute * 60_000, 1.0, Status.OK, 1)
        outbox.put([at], ClockNote(False, "boot-1", minute * 60_000, minute * 60_000), grid_s=900)
    held = outbox.batch(1, 10, hold=ClockNote(False, "boot-1", 10**6, 10**6))
    assert held is None
    ten = 1_772_359_200_000  # 2026-03-01 10:00:00 UTC
    set_now = ClockNote(True, "boot-1", 20 * 60_000, ten + 19 * 60_000)
    assert outbox.redate(set_now) == (2, 0)  # so this boot began at 09:59:00
    batch = outbox.batch(0, 10)
    assert batch is not None
    old, first, second = batch.readings
    assert (old.clock_ok, first.clock_ok, second.clock_ok) == (False, True, True)
    assert (first.measured_at_ms, second.measured_at_ms) == (ten, ten + 15 * 60_000)
    assert (first.slot, second.slot) == (str(ten // 1000), str(ten // 1000 + 900))


def test_reading_of_1970_is_sent_within_the_wire_form(tmp_path):
    """A clock that was never set does not make a batch that the pipeline must refuse as poison."""
    from hardware.reading import decode_batch, encode_batch, parse_readings_topic, readings_topic

    outbox = open_at(tmp_path)
    outbox.put(
        [Sample("a/b/c", "0", 60_000, 1.0, Status.OK, 1)], ClockNote(False, "boot-0", 60_000, 60_000), grid_s=900
    )
    batch = outbox.batch(0, 10)
    assert batch is not None
    assert decode_batch(encode_batch(batch), parse_readings_topic(readings_topic(batch))) == batch
    assert batch.readings[0].clock_ok is False


@pytest.mark.parametrize("content", [b"this is no database" * 300, b"SQLite format 3\0" + b"\xff" * 9000])
def test_damaged_file_is_set_aside_and_a_new_outbox_begun(tmp_path, content):
    """A corrupt file stops nothing and is not destroyed; the new outbox has another name."""
    (tmp_path / FILE_NAME).write_bytes(content)
    with pytest.raises(OutboxDamaged):
        open_at(tmp_path)
    outbox, aside = open_outbox(tmp_path, site="home", node="hut", max_bytes=MB)
    assert aside is not None
    assert aside.read_bytes() == content
    outbox.put(heard(1), SET)
    assert all_seqs(outbox) == [1]


def test_foreign_database_is_set_aside(tmp_path):
    """A sound SQLite file that is no outbox is not written into."""
    with sqlite3.connect(tmp_path / FILE_NAME) as db:
        db.execute("CREATE TABLE other (x)")
    outbox, aside = open_outbox(tmp_path, site="home", node="hut", max_bytes=MB)
    assert aside is not None
    assert outbox.assigned == 0


def test_damage_under_way_is_told_apart_from_a_full_disk(tmp_path):
    """Pages overwritten while the file is open come out as damage, not as a disk to wait for."""
    outbox = open_at(tmp_path)
    outbox.put(heard(15_000), SET)  # more than the cache of pages holds
    outbox.close()
    path = tmp_path / FILE_NAME
    outbox = open_at(tmp_path)
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xa5" * (path.stat().st_size - 4096))
    with pytest.raises(OutboxDamaged):
        for _ in range(10):
            all_seqs(outbox)
            outbox.put(heard(100), SET)


def test_damaged_files_kept_are_bounded(tmp_path):
    """Damage again and again does not fill the disk with files set aside."""
    for _ in range(KEEP_SET_ASIDE + 3):
        (tmp_path / FILE_NAME).write_bytes(b"no database" * 500)
        open_outbox(tmp_path, site="home", node="hut", max_bytes=MB)[0].close()
    assert len(list(tmp_path.glob("outbox-damaged-*.db"))) == KEEP_SET_ASIDE


def test_peek_reads_beside_a_running_outbox(tmp_path):
    """Another look at the file sees what is committed while the outbox is open, and after it was closed."""
    outbox = open_at(tmp_path)
    outbox.put(heard(10), SET)
    outbox.receive(Receipt(outbox.outbox_id, 4))
    outbox.set_line("north", "away: unplugged", 123)
    outbox.set_line("north", "away: unplugged", 456)
    for _ in range(2):
        seen = peek(tmp_path)
        assert (seen.kept, seen.backlog, seen.received, seen.assigned, seen.dropped) == (10, 6, 4, 10, 0)
        assert seen.lines == {"north": ("away: unplugged", 123)}
        assert seen.newest_ms == 1_772_323_200_000 + 9000
        outbox.close()


def test_peek_without_an_outbox_says_so(tmp_path):
    """No file is told as such and none is made."""
    with pytest.raises(FileNotFoundError, match=r"outbox\.db"):
        peek(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_clock_that_was_never_set_is_doubted_from_its_own_time():
    """Whatever confirmed readings the outbox has from before; else from the newest of these; a confirmed one never.
    Status, log and doctor go by it alike."""
    kept_ms = 1_772_323_200_000
    assert doubted_since(ClockNote(False, "b", 1, 86_400_000), kept_ms) == 86_400_000
    assert doubted_since(ClockNote(False, "b", 1, kept_ms + 1), kept_ms) == kept_ms
    assert doubted_since(ClockNote(False, "b", 1, kept_ms + 1), None) is None
    assert doubted_since(ClockNote(True, "b", 1, kept_ms + 1), kept_ms) is None
