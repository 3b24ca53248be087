"""A file read again and again: the last good one stands in, across restarts, and what is wrong is told."""

from __future__ import annotations

import logging
from pathlib import Path

import pytest

from pipeline.run.cached_fetch import MAX_FAULTS, ContentFault, Kept, KeptSource
from tests.pipeline.hand import HandClock


def number(data: bytes) -> int:
    """A reader that wants a number."""
    if not data.isdigit():
        raise ContentFault([f"number: found {data!r}, expected digits"])
    return int(data)


class Shelf:
    """A file to be read, and the source that reads it; each reading as after a restart, a second later."""

    def __init__(self, folder: Path) -> None:
        self.file, self.kept, self.clock = folder / "number.txt", folder / "kept", HandClock(1_000)

    def read(self, content: bytes | None, reader=number, **more: int) -> Kept[int]:
        if content is None:
            self.file.unlink()
        else:
            self.file.write_bytes(content)
        self.clock.wall_ms += 1_000
        return KeptSource("number", str(self.file), self.kept, reader=reader, clock=self.clock, **more).refresh()


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path)


def test_the_newest_good_one_is_given_with_its_time(shelf: Shelf) -> None:
    """Two good ones: each is the value when it is read, taken at that moment, without a fault."""
    assert shelf.read(b"7") == Kept(7, 2_000, ())
    assert shelf.read(b"8") == Kept(8, 3_000, ())


@pytest.mark.parametrize(("bad", "said"), [(b"seven", "expected digits"), (None, "found no file"), (b"1" * 9, "bytes")])
def test_the_last_good_one_stands_in_with_its_own_time(shelf: Shelf, bad: bytes | None, said: str) -> None:
    """What cannot be used, is gone or is too long is named and not kept; the good one keeps the time it was read."""
    shelf.read(b"7")
    for _ in range(2):
        shelf.file.touch()
        found = shelf.read(bad, max_bytes=8)
        assert (found.value, found.taken_ms, len(found.faults)) == (7, 2_000, 1)
        assert said in found.faults[0]


def test_what_its_reader_did_not_foresee_leaves_the_last_good_one(
    shelf: Shelf, caplog: pytest.LogCaptureFixture
) -> None:
    """A reader that breaks, on what is new or on what was kept, is named with what it raised, and nothing ends."""

    def breaks(data: bytes) -> int:
        return 1 // (number(data) - 8)

    shelf.read(b"7")
    with caplog.at_level(logging.ERROR):
        found = shelf.read(b"8", reader=breaks)
    assert found == Kept(-1, 2_000, ("number: found content that its reader breaks on (ZeroDivisionError), "
                                     "expected some that it can read",))  # fmt: skip
    assert "source_breaks_reader name=number" in caplog.text and "1 // (number(data) - 8)" in caplog.text
    shelf.read(b"8")
    found = shelf.read(b"8", reader=breaks)
    assert found.value is None and len(found.faults) == 2 and "damaged" in found.faults[1]


def test_nothing_good_yet_is_no_value(shelf: Shelf) -> None:
    """Without a good one there is none, and the fault of this reading alone is told."""
    found = shelf.read(b"seven")
    assert (found.value, found.taken_ms, len(found.faults)) == (None, None, 1)


@pytest.mark.parametrize("damage", [b"", b"{}\n7", b'{"taken_ms": 2000}\nseven', b"\x00"])
def test_a_kept_one_that_cannot_be_read_is_a_second_fault(shelf: Shelf, damage: bytes) -> None:
    """Cut off, without its time, or not to be understood: it is told to be damaged and not used."""
    shelf.read(b"7")
    (shelf.kept / "number.kept").write_bytes(damage)
    found = shelf.read(b"seven")
    assert found.value is None
    assert len(found.faults) == 2 and "damaged" in found.faults[1]


def test_faults_beyond_the_limit_are_counted() -> None:
    """Of 25 faults 20 are told and the other 5 counted."""
    found = ContentFault([f"line {n}: found nothing" for n in range(25)]).faults
    assert len(found) == MAX_FAULTS + 1 and found[-1] == "and 5 more"
