"""Packed runs: what was packed comes back, and the form on the disk is the one already written.

Expected values are the readings put in; the bytes are written out by hand with Python's struct.
"""

import math
import struct
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardware.reading import Batch, Reading, Status
from pipeline.store.packed import (
    OBSERVED,
    ROW,
    STATUS_CODES,
    STATUSES,
    channel_edges,
    day_row,
    pack,
    pack_day,
    squeeze,
    stored_rows,
    unpack,
    unpack_believed,
    unpack_days,
)

NAMES = {7: "a/b/c", 2_000_000_000: "x/y/z"}
NUMBERS = {name: number for number, name in NAMES.items()}


def columns(readings):
    return Batch("club", "north", "0" * 16, 1, readings).columns


outcomes = st.one_of(
    st.tuples(st.floats(allow_nan=False, allow_infinity=False), st.just(Status.OK)),
    st.tuples(st.none(), st.sampled_from([s for s in Status if s is not Status.OK])),
)
slots = st.sampled_from(["1704067200", "stroke:1:2", "stroke:1:3", "0", "0123", "9" * 15, "9" * 16, "1e5", "A"])
one = st.tuples(
    st.sampled_from(sorted(NUMBERS)),
    slots,
    st.integers(946_684_800_000, 7_258_118_400_000),
    outcomes,
    st.integers(0, 99),
    st.booleans(),
    st.booleans(),
)


@given(st.lists(one, min_size=1, max_size=10), st.integers(1, 2**62))
def test_a_run_comes_back_as_it_was_packed(rows, first):
    """Every field of every reading is the same, to the last bit of its value."""
    readings = tuple(
        Reading("club", "north", "0" * 16, first + i, channel, slot, at_ms, *outcome, attempts, clock_ok, noisy)
        for i, (channel, slot, at_ms, outcome, attempts, clock_ok, noisy) in enumerate(rows)
    )
    packed, named = pack(columns(readings), NUMBERS)
    again = unpack(packed.tobytes(), named, NAMES, "club", "north", "0" * 16, first)
    assert again == readings and [r.noisy for r in again] == [r.noisy for r in readings]
    assert [str(r.raw) for r in again] == [str(r.raw) for r in readings]  # tells -0.0 from 0.0


@given(st.lists(st.tuples(one, st.integers(946_684_800_000, 7_258_118_400_000)), min_size=1, max_size=20))
def test_squeezed_readings_come_back_to_the_last_bit(rows):
    """Readings of many arrivals, compressed together, are the same bytes again, each with its time of receipt."""
    readings = tuple(
        Reading("club", "north", "0" * 16, 1 + i, channel, slot, at_ms, *outcome, attempts, clock_ok, noisy)
        for i, ((channel, slot, at_ms, outcome, attempts, clock_ok, noisy), _) in enumerate(rows)
    )
    packed, texts = pack(columns(readings), NUMBERS)
    received = np.array([at_ms for _, at_ms in rows])
    again, received_again = stored_rows(squeeze(packed, received), texts, True, 0)
    assert again.tobytes() == packed.tobytes() and received_again.tolist() == received.tolist()
    plain, once = stored_rows(packed.tobytes(), texts, False, 7)
    assert plain.tobytes() == packed.tobytes() and once.tolist() == [7] * len(rows)


def test_the_form_on_the_disk_is_the_one_already_written():
    """31 bytes little-endian: channel, time, slot, raw, status, attempts and mark of noise, clock (our own record)."""
    at_ms = 1_704_067_200_123
    readings = [
        Reading("club", "north", "0" * 16, 5, "a/b/c", "1704067200", at_ms, 0.25, Status.OK, 1, True),
        Reading("club", "north", "0" * 16, 6, "a/b/c", "stroke:1:2", at_ms + 1, -1.5, Status.OK, 2, False),
        Reading("club", "north", "0" * 16, 7, "a/b/c", "1704067200", at_ms, 0.25, Status.OK, 3, True, noisy=True),
    ]
    packed, named = pack(columns(readings), NUMBERS)
    expected = struct.pack("<iqqdBBB", 7, at_ms, 1_704_067_200, 0.25, 0, 1, 1)
    expected += struct.pack("<iqqdBBB", 7, at_ms + 1, -1, -1.5, 0, 2, 0)
    expected += struct.pack("<iqqdBBB", 7, at_ms, 1_704_067_200, 0.25, 0, 0x80 | 3, 1)
    assert packed.tobytes() == expected and named == '["stroke:1:2"]'
    assert ROW.itemsize == 31


def test_every_status_has_a_code_of_its_own_that_stays():
    """The codes are in files already written: this list may grow and never change (our own record)."""
    first_release = ["ok", "silent", "bad_frame", "bad_check", "wrong_address", "short", "no_value", "line_away"]
    assert [STATUSES[code].value for code in range(8)] == first_release
    assert set(STATUS_CODES) == set(Status)


number = st.one_of(st.floats(allow_infinity=False, allow_nan=False), st.just(float("nan")))
observation = st.tuples(
    st.integers(946_684_800_000, 7_258_118_400_000), number, number, st.integers(946_684_800_000, 7_258_118_400_000),
    st.integers(1, 2**31 - 1), st.sampled_from([1, 2, 3, 4, 9]),
)  # fmt: skip


@given(st.lists(st.lists(observation, min_size=1, max_size=8, unique_by=lambda row: row[0]), max_size=4))
def test_blocks_of_observations_come_back_to_the_last_bit(blocks):
    """Several blocks unpacked together are their rows one after the other, bit for bit, and their sizes."""
    rows = [np.array(sorted(block), dtype=OBSERVED) for block in blocks]
    again, sizes = unpack_days([pack_day(part) for part in rows])
    assert again.tobytes() == b"".join(part.tobytes() for part in rows)
    assert sizes.tolist() == [len(part) for part in rows]


@given(st.lists(st.lists(observation, min_size=1, max_size=8, unique_by=lambda row: row[0]), max_size=4))
def test_believed_values_of_blocks_are_those_of_their_rows(blocks):
    """Times and values come bit for bit; a value flagged suspect, fail or missing is none."""
    rows = [np.array(sorted(block), dtype=OBSERVED) for block in blocks]
    times, values, sizes = unpack_believed([pack_day(part) for part in rows])
    expected = [(row[0], row[2] if row[5] in (1, 2) else math.nan) for part in rows for row in part.tolist()]
    assert times.tolist() == [at_ms for at_ms, _ in expected]
    assert values.tobytes() == np.array([value for _, value in expected]).tobytes() and sizes.sum() == len(expected)


def test_the_form_of_a_day_is_the_one_already_written():
    """37 bytes little-endian, time as difference and receipt as delay, byte columns one after the other (our own
    record); zlib's own stream around it."""
    at_ms = 1_704_067_200_123
    rows = np.array([(at_ms, 0.25, 0.5, at_ms + 9, 7, 1), (at_ms + 900_000, 2.5, -1.0, at_ms, 7, 9)], dtype=OBSERVED)
    one = struct.pack("<qddqiB", at_ms, 0.25, 0.5, 9, 7, 1)
    two = struct.pack("<qddqiB", 900_000, 2.5, -1.0, -900_000, 7, 9)
    assert zlib.decompress(pack_day(rows)) == bytes(b for pair in zip(one, two, strict=True) for b in pair)


def test_edges_of_channels_are_their_first_and_last_times():
    """Whatever the order of the rows (counted by hand)."""
    readings = [
        Reading("club", "north", "0" * 16, 5 + i, channel, "1", at_ms, 0.5, Status.OK, 1, True)
        for i, (channel, at_ms) in enumerate([("a/b/c", 30), ("x/y/z", 7), ("a/b/c", 10), ("a/b/c", 20)])
    ]
    assert channel_edges(pack(columns(readings), NUMBERS)[0]) == [(7, 10, 30), (2_000_000_000, 7, 7)]


@pytest.mark.parametrize("day", [-1, 2**17])
def test_a_day_that_would_be_another_channels_is_refused(day):
    """An id holds the channel and the day: a day outside its range would overwrite the neighbour's."""
    rows = np.array([(day * 86_400_000, 0.25, 0.5, 0, 7, 1)], dtype=OBSERVED)
    with pytest.raises(ValueError, match=f"found day {day} since 1970"):
        day_row(3, day, rows)


def test_the_form_of_merged_runs_is_the_one_already_written():
    """39 bytes little-endian, time and slot as differences and receipt as delay, byte columns one after the other (our
    own record); zlib's own stream around it."""
    at_ms = 1_704_067_200_123
    readings = [
        Reading("club", "north", "0" * 16, 5, "a/b/c", "1704067200", at_ms, 0.25, Status.OK, 1, True),
        Reading("club", "north", "0" * 16, 6, "x/y/z", "stroke:1:2", at_ms + 7, -1.5, Status.OK, 2, False),
    ]
    one = struct.pack("<iqqdBBBq", 7, at_ms, 1_704_067_200, 0.25, 0, 1, 1, 9)
    two = struct.pack("<iqqdBBBq", 2_000_000_000, 7, -1 - 1_704_067_200, -1.5, 0, 2, 0, -7)
    packed = squeeze(pack(columns(readings), NUMBERS)[0], np.array([at_ms + 9, at_ms]))
    assert zlib.decompress(packed) == bytes(b for pair in zip(one, two, strict=True) for b in pair)
