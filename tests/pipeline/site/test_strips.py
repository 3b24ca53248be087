"""Strips by their numbers in words, and the strip that a point lies on. Expected: plain geometry, and reading aloud."""

from __future__ import annotations

import pytest

from pipeline.site.strips import strip_at, strip_numbers, strips_named

SQUARE = ((-15.0, -11.0), (15.0, -11.0), (15.0, 11.0), (-15.0, 11.0))  # ten strips of three metres


@pytest.mark.parametrize(
    ("text", "numbers"),
    [("4", (4,)), ("4 to 6", (4, 5, 6)), ("6-8, 2", (2, 6, 7, 8)), ("strips 4 \N{EN DASH} 5 and 9", (4, 5, 9)),
     ("the long one", ()), ("1872", ()), ("0", ()), ("6 to 4", ()), ("4, 40 overs from 14:00", (4,))],
)  # fmt: skip
def test_numbers_as_people_write_them(text: str, numbers: tuple[int, ...]) -> None:
    """Ranges and lists; years and words are none."""
    assert strip_numbers(text) == numbers


@pytest.mark.parametrize(
    ("text", "numbers"),
    [("Cup, strip 4", (4,)), ("League on Strips 4 to 6, 2 pm", (4, 5, 6)), ("Under 15 v. Under 13", ()),
     ("stripped 4", ()), ("Main square, strip 7 (nets on strip 9)", (7, 9)), ("strip 40", (40,)),
     ("Strip 4, 2nd XI", (4,)), ("strip 4, 40 overs", (4,)), ("strip 4 14:00", (4,)), ("strip 4, 14.30", (4,)),
     ("Strip 4 - 2 pm", (4,)), ("Strip no. 4", (4,)), ("pitch 4 - 2nd XI", (4,)),
     ("strips 2, 5 and 9 for nets", (2, 5, 9)),
     ("strip 4-6, 12/5", (4, 5, 6)), ("strip 4, 2 May", (4,)), ("strip 4, 2-day match", (4,)), ("strip 1872", ())],
)  # fmt: skip
def test_a_calendar_names_strips_behind_the_word(text: str, numbers: tuple[int, ...]) -> None:
    """Other figures of a title are none: hours, overs, days, elevens."""
    assert strips_named(text) == numbers
    assert strips_named("Cup, strip 3", f"12 High Road, {text}") == tuple(sorted({3, *numbers}))
    assert strips_named(text, "12 High Road") == numbers


def test_a_point_lies_on_its_strip() -> None:
    """Strip n of ten runs from -15 + 3 (n - 1) to -15 + 3 n metres across; off the square there is none."""
    found = [strip_at(SQUARE, 10, (-13.5 + 3.0 * n, 4.0)) for n in range(-1, 11)]
    assert found == [None, *range(1, 11), None]
    assert strip_at(SQUARE, 10, (0.5, 11.5)) is None
    turned = tuple((-y, x) for x, y in SQUARE)
    assert strip_at(turned, 10, (-4.0, 9.5)) == strip_at(SQUARE, 10, (9.5, 4.0)) == 9
