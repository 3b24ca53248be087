"""Packed runs: what was packed comes back, and the form on the disk is the one already written.

Expected values are the readings put in; the bytes are written out by hand with Python's struct.
"""

import struct

from hypothesis import given
from hypothesis import strategies as st

from hardware.reading import Reading, Status
from pipeline.store.readings import ROW, STATUS_CODES, STATUSES, pack, unpack

NAMES = {7: "a/b/c", 2_000_000_000: "x/y/z"}
NUMBERS = {name: number for number, name in NAMES.items()}

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
)


@given(st.lists(one, min_size=1, max_size=10), st.integers(1, 2**62))
def test_a_run_comes_back_as_it_was_packed(rows, first):
    """Every field of every reading is the same, to the last bit of its value."""
    readings = tuple(
        Reading("club", "north", "0" * 16, first + i, channel, slot, at_ms, *outcome, attempts, clock_ok)
        for i, (channel, slot, at_ms, outcome, attempts, clock_ok) in enumerate(rows)
    )
    packed, named = pack(readings, NUMBERS)
    again = unpack(packed.tobytes(), named, NAMES, "club", "north", "0" * 16, first)
    assert again == readings
    assert [str(r.raw) for r in again] == [str(r.raw) for r in readings]  # tells -0.0 from 0.0


def test_the_form_on_the_disk_is_the_one_already_written():
    """31 bytes little-endian: channel, time, slot, raw, status, attempts, clock (our own record)."""
    at_ms = 1_704_067_200_123
    readings = [
        Reading("club", "north", "0" * 16, 5, "a/b/c", "1704067200", at_ms, 0.25, Status.OK, 1, True),
        Reading("club", "north", "0" * 16, 6, "a/b/c", "stroke:1:2", at_ms + 1, -1.5, Status.OK, 2, False),
    ]
    packed, named = pack(readings, NUMBERS)
    expected = struct.pack("<iqqdBBB", 7, at_ms, 1_704_067_200, 0.25, 0, 1, 1)
    expected += struct.pack("<iqqdBBB", 7, at_ms + 1, -1, -1.5, 0, 2, 0)
    assert packed.tobytes() == expected and named == '["stroke:1:2"]'
    assert ROW.itemsize == 31


def test_every_status_has_a_code_of_its_own_that_stays():
    """The codes are in files already written: this list may grow and never change (our own record)."""
    first_release = ["ok", "silent", "bad_frame", "bad_check", "wrong_address", "short", "no_value", "line_away"]
    assert [STATUSES[code].value for code in range(8)] == first_release
    assert set(STATUS_CODES) == set(Status)
