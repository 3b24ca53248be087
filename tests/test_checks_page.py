"""The page of check values is current, and every figure on it agrees within what its source allows."""

from __future__ import annotations

import pytest

from tests.make_checks_page import PAGE, page
from tests.published_checks import CHAPTERS

EVERY = [(one, value) for sums in CHAPTERS.values() for one in sums() for value in one.values]


def test_page_is_current():
    """The page says what the sums give today."""
    assert PAGE.read_text(encoding="utf-8") == page(), "run python tests/make_checks_page.py"


@pytest.mark.parametrize(("one", "value"), EVERY, ids=lambda v: getattr(v, "title", getattr(v, "what", "")))
def test_figure_agrees(one, value):
    """Ours lies within half the last printed digit, or within the tolerance the list gives with its reason."""
    assert abs(value.ours - float(value.printed)) <= value.tolerance


def test_every_figure_has_a_source_and_a_known_mark():
    """No figure stands without where it comes from and what it is worth."""
    assert len(EVERY) > 200
    assert all(one.source and value.mark in ("printed", "computed", "memory") for one, value in EVERY)
