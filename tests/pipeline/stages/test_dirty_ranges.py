"""Stretches of time that wait for work: joined where they touch, never lost, never more than the limit."""

from __future__ import annotations

import itertools

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stages.runner import MAX_STRETCHES, DirtyRanges, stretches

pieces = st.lists(st.tuples(st.integers(0, 300), st.integers(1, 40)), max_size=40)


def drained(spans: DirtyRanges, most: int) -> list[tuple[int, int]]:
    """Every piece, the earliest first."""
    found = []
    while spans:
        found.append(spans.take(most))
    return found


@settings(max_examples=60)
@given(pieces, pieces, st.integers(1, 50))
def test_what_is_added_is_taken_off_once_and_nothing_else(
    before: list[tuple[int, int]], after: list[tuple[int, int]], most: int
) -> None:
    """The same instants as a plain set of whole numbers holds, some added between two pieces."""
    spans, instants = DirtyRanges(), set[int]()
    for many in (before, after):
        for start, length in many:
            spans.add(start, start + length)
            instants |= set(range(start, start + length))
        if spans:
            piece = set(range(*spans.take(most)))
            assert 0 < len(piece) <= most and min(piece) == min(instants)
            instants -= piece
    assert [t for a, b in drained(spans, most) for t in range(a, b)] == sorted(instants)
    assert not spans


@settings(max_examples=15)
@given(st.lists(st.integers(0, 10_000), min_size=100, max_size=300, unique=True))
def test_the_number_of_stretches_is_bounded_and_covers_all(starts: list[int]) -> None:
    """Beyond the limit stretches are joined, so that more is worked on, never less."""
    spans = DirtyRanges()
    for start in starts:
        spans.add(start * 10, start * 10 + 1)
    kept = drained(spans, 10**6)
    assert len(kept) <= MAX_STRETCHES
    assert all(any(a <= start * 10 < b for a, b in kept) for start in starts)


def test_a_long_stretch_is_taken_off_piece_by_piece() -> None:
    """Each piece is the earliest that is left and no longer than asked for."""
    spans = DirtyRanges()
    spans.add(0, 25)
    assert drained(spans, 10) == [(0, 10), (10, 20), (20, 25)]


def test_times_far_apart_make_stretches_of_their_own() -> None:
    """A reading from years ago does not drag the years between along."""
    assert stretches([5, 1, 100, 3, 101], gap_ms=10) == [(1, 5), (100, 101)]
    assert stretches([], gap_ms=10) == []


@settings(max_examples=60)
@given(pieces, st.integers(0, 60))
def test_stretches_nearer_than_the_gap_are_one(added: list[tuple[int, int]], gap: int) -> None:
    """All that was added is covered, and no two stretches are as near as the gap."""
    spans = DirtyRanges(gap)
    for start, length in added:
        spans.add(start, start + length)
    kept = drained(spans, 10**6)
    assert all(any(a <= start and start + length <= b for a, b in kept) for start, length in added)
    assert all(second[0] - first[1] > gap for first, second in itertools.pairwise(kept))
