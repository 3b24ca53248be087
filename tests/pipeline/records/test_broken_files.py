"""Each kind of broken file is found, named with line and cause, and nothing of it is taken."""

from __future__ import annotations

import pytest

from pipeline.records.record_file import ImportFault
from tests.pipeline.records.broken_files import BROKEN, GOOD, MAP, BrokenFile
from tests.pipeline.records.conftest import Check


def test_the_good_file_is_taken(check: Check) -> None:
    """The file that the broken ones are made of has nothing wrong in it."""
    assert check(GOOD.encode(), MAP).count == 3 * 72


@pytest.mark.parametrize("broken", BROKEN, ids=lambda one: one.what.replace(" ", "_"))
def test_what_is_wrong_is_named(broken: BrokenFile, check: Check) -> None:
    """The fault is told with its line, what was found, and what to do; there is nothing to keep."""
    with pytest.raises(ImportFault) as caught:
        check(broken.data, broken.map)
    told = "\n".join(caught.value.faults)
    assert [part for part in broken.told if part not in told] == [], told


def test_every_fault_of_a_file_is_told_at_once(check: Check) -> None:
    """Three faults on three lines are three lines, in their order."""
    lines = GOOD.splitlines()
    lines[10], lines[20], lines[30] = "2023-06-01 09:00,x,1,1", "2023-06-01 19:00,1,1", "yesterday,0.3,1,1"
    with pytest.raises(ImportFault) as caught:
        check("\n".join(lines).encode(), MAP)
    assert [line.split(":")[0].split(",")[0] for line in caught.value.faults] == ["line 21", "line 11", "line 31"]
