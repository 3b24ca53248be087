"""Small parts of keeping readings: what is left of a run, batches made of any readings.

Expected values are set algebra.
"""

import dataclasses

from hypothesis import given
from hypothesis import strategies as st

from hardware.reading import Reading, Status
from pipeline.store.readings import subtract
from tests.pipeline.store.keeping import consecutive

PLAIN = Reading("club", "north", "0" * 16, 1, "a/b/c", "1", 1_704_067_200_000, 0.5, Status.OK, 1, True)


@given(st.integers(0, 30), st.integers(0, 30), st.sets(st.integers(0, 40)))
def test_what_is_left_of_a_run_is_the_difference_of_sets(first, length, taken):
    """Taking runs out of a run leaves, in order, just the numbers that are in none of them."""
    runs = []
    for number in sorted(taken):
        if runs and runs[-1][1] == number - 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    left = subtract((first, first + length), runs)
    assert [n for a, b in left for n in range(a, b + 1)] == sorted(set(range(first, first + length + 1)) - taken)
    assert all(a <= b for a, b in left)


@given(st.lists(st.tuples(st.sampled_from(["north", "south"]), st.integers(1, 12)), max_size=20))
def test_any_readings_become_batches_of_consecutive_seq(keys):
    """Each identity is in one batch once, and every batch counts up by one."""
    readings = [dataclasses.replace(PLAIN, node=node, seq=seq, raw=float(i)) for i, (node, seq) in enumerate(keys)]
    batches = list(consecutive(readings))
    found = [(r.node, r.seq) for batch in batches for r in batch.readings]
    assert found == sorted(set(keys))
    for batch in batches:
        assert [r.seq for r in batch.readings] == list(range(batch.first, batch.last + 1))
        assert {(r.site, r.node, r.outbox_id) for r in batch.readings} == {("club", batch.node, "0" * 16)}
        for r in batch.readings:
            assert r.raw == keys.index((r.node, r.seq))  # the first of two wins
