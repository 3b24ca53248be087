"""Readings the stages have not seen are found again by outbox and seq. Expected spans are counted by hand."""

from hardware.reading import Batch, Reading, Status
from pipeline.store.database import Database
from pipeline.store.journal import Journal
from pipeline.store.readings import unworked

T0_MS = 1_704_067_200_000


def test_what_lies_beyond_the_last_worked_seq_is_found(tmp_path):
    """Channel by channel the first and last time after that seq, within a run too; a new outbox is all new."""
    database = Database(tmp_path / "journal.db")
    journal = Journal(database)
    for outbox, first in (("0" * 16, 1), ("0" * 16, 5), ("f" * 16, 1)):
        rows = tuple(
            Reading("c", "n", outbox, s, f"a/b/c{s % 2}", str(s), T0_MS + s, 0.5, Status.OK, 1, True)
            for s in range(first, first + 4)
        )
        journal.append(Batch("c", "n", outbox, 1, rows), T0_MS)
    worked = {f"c/n/{'0' * 16}": 6, f"c/n/{'f' * 16}": 4}
    assert unworked(database, worked) == [("a/b/c0", T0_MS + 8, T0_MS + 8), ("a/b/c1", T0_MS + 7, T0_MS + 7)]
    worked.popitem()
    assert unworked(database, worked)[2:] == [("a/b/c0", T0_MS + 2, T0_MS + 4), ("a/b/c1", T0_MS + 1, T0_MS + 3)]
    assert unworked(database, {f"c/n/{'0' * 16}": 8, f"c/n/{'f' * 16}": 9}) == []
    database.close()
