"""Geometry of the plan against algebra: triangles of known sides, lines through known squares, both ways of a sum."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.site.plane import (
    TAPE_ERROR_M,
    area_m2,
    by_tapes,
    crosses_itself,
    is_inside,
    is_left,
    off_outline_m,
    oval,
    parts_inside,
    tape_reach_m,
)

SQUARE = ((0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0))
NOTCHED = ((0.0, 0.0), (6.0, 0.0), (6.0, 4.0), (4.0, 4.0), (4.0, 2.0), (2.0, 2.0), (2.0, 4.0), (0.0, 4.0))  # a U
A, B = (0.0, 0.0), (10.0, 0.0)
places = st.tuples(st.floats(-80.0, 80.0), st.floats(-80.0, 80.0))


def test_two_tapes_find_the_corner_of_a_triangle() -> None:
    """3, 4, 5: so far from A and B lies (3, 4) to the left of whoever looks from A to B, and (3, -4) to the right."""
    assert by_tapes(A, B, 5.0, math.sqrt(65.0), left=True) == pytest.approx((3.0, 4.0))
    assert by_tapes(A, B, 5.0, math.sqrt(65.0), left=False) == pytest.approx((3.0, -4.0))
    assert is_left(A, B, (3.0, 4.0)) and not is_left(A, B, (3.0, -4.0)) and is_left(B, A, (3.0, -4.0))


@given(places)
def test_a_place_is_found_again_by_its_tapes(place: tuple[float, float]) -> None:
    """Measured from both marks and laid out again: the same place."""
    lengths = math.dist(A, place), math.dist(B, place)
    found = by_tapes(A, B, *lengths, left=is_left(A, B, place))
    assert found == pytest.approx(place, abs=1e-4)


@pytest.mark.parametrize("lengths", [(2.0, 3.0), (20.0, 3.0), (-1.0, 30.0)])
def test_tapes_that_do_not_meet_find_nothing(lengths: tuple[float, float]) -> None:
    """Too short between the marks, or one too long for the other (inequality of the triangle); nor from one mark."""
    assert by_tapes(A, B, *lengths, left=True) is None
    assert by_tapes(A, A, 5.0, 5.0, left=True) is None


@pytest.mark.parametrize("place", [(5.0, 5.0), (3.0, 12.0), (-8.0, 6.0), (5.0, -40.0)])
def test_how_far_off_a_place_may_be_is_what_wrong_tapes_do(place: tuple[float, float]) -> None:
    """The furthest of the four places laid out with both tapes wrong by the error, in any way."""
    lengths, left = (math.dist(A, place), math.dist(B, place)), is_left(A, B, place)
    wrong = [(a, b) for a in (-TAPE_ERROR_M, TAPE_ERROR_M) for b in (-TAPE_ERROR_M, TAPE_ERROR_M)]
    found = [by_tapes(A, B, lengths[0] + a, lengths[1] + b, left=left) for a, b in wrong]
    furthest = max(math.dist(place, one) for one in found if one is not None)
    assert tape_reach_m(A, B, place) == pytest.approx(furthest, rel=0.03)


def test_on_the_line_of_the_marks_a_place_cannot_be_found() -> None:
    """Between them or beyond, an error of the tapes moves it without end."""
    assert tape_reach_m(A, B, (4.0, 0.0)) is None and tape_reach_m(A, B, (24.0, 0.0)) is None


def test_a_line_is_parted_where_it_leaves_an_outline() -> None:
    """Across a square of 2 m from 1 m before it to 1 m behind; across a U, in at each leg; beside it, never."""
    assert parts_inside((-1.0, 1.0), (3.0, 1.0), SQUARE) == [pytest.approx((0.25, 0.75))]
    assert parts_inside((-1.0, 3.0), (7.0, 3.0), NOTCHED) == [
        pytest.approx((1 / 8, 3 / 8)), pytest.approx((5 / 8, 7 / 8)),
    ]  # fmt: skip
    assert parts_inside((0.5, 0.5), (1.5, 1.5), SQUARE) == [(0.0, 1.0)]
    assert parts_inside((-1.0, 3.0), (3.0, 3.0), SQUARE) == []


def test_inside_and_off_an_outline() -> None:
    """The notch of a U is outside; 1 m beside a square is 1 m off, at its corner the diagonal."""
    assert is_inside((3.0, 1.0), NOTCHED) and not is_inside((3.0, 3.0), NOTCHED)
    assert off_outline_m((1.0, 1.0), SQUARE) == 0.0
    assert off_outline_m((3.0, 1.0), SQUARE) == pytest.approx(1.0)
    assert off_outline_m((3.0, 3.0), SQUARE) == pytest.approx(math.sqrt(2.0))


def test_an_outline_that_crosses_itself_is_known() -> None:
    """A bow tie and a line there and back do; a square, a U and an oval do not, whichever way round."""
    assert crosses_itself(((0.0, 0.0), (2.0, 2.0), (2.0, 0.0), (0.0, 2.0)))
    assert crosses_itself(((0.0, 0.0), (2.0, 0.0), (4.0, 0.0)))
    for sound in (SQUARE, SQUARE[::-1], NOTCHED, tuple(oval((3.0, -2.0), 62.0, 54.0))):
        assert not crosses_itself(sound)


def test_an_oval_has_its_area() -> None:
    """pi times its halves, but for what its corners cut off."""
    assert area_m2(oval((0.0, 0.0), 62.0, 54.0)) == pytest.approx(math.pi * 62.0 * 54.0, rel=0.002)
