"""The page of check values is current, and every figure on it agrees within what its source allows."""

from __future__ import annotations

import pytest

from tests.make_checks_page import PAGE, ROOT, page
from tests.published_checks import CHAPTERS
from tests.published_tables import LEFT_OUT, TABLES

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


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.what)
def test_table_is_held_by_tests_that_are_there(table):
    """Every test or chapter named for a table is a function of the file named."""
    assert table.source and table.held_by
    for name in table.held_by:
        file, _, function = name.partition("::")
        assert f"\ndef {function}(" in (ROOT / file).read_text(encoding="utf-8"), name


def test_few_tables_are_left_out_and_each_says_why():
    """At most ten tables have no test, and each has its source and a reason."""
    assert len(LEFT_OUT) <= 10
    assert all(one.what and one.source and len(one.reason.split()) > 5 for one in LEFT_OUT)
