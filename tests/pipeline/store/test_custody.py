"""What is told of the custody of a node's readings, over made-up tables of outboxes; counts by hand."""

import pytest

from pipeline.store.custody import CustodyNotice, custody_notices
from pipeline.store.journal import OutboxState
from pipeline.units import DAY_MS

NOW_MS = 1_704_067_200_000
OLD, NEW = "a" * 16, "b" * 16


def outbox(outbox_id: str, turn: int, *, received: int = 500, node: str = "hut", **more) -> OutboxState:
    plain = {"turn": turn, "turns": 1, "turned_at_ms": NOW_MS - 1000 + turn, "assigned": received}
    return OutboxState(
        "home", node, outbox_id, received, 0, more.pop("conflicts", 0), 0, 0, NOW_MS, **{**plain, **more}
    )


def told(*outboxes: OutboxState, earlier=(), now_ms: int = NOW_MS) -> list[CustodyNotice]:
    return custody_notices(outboxes, earlier, now_ms, lambda node: ("square",))


@pytest.mark.parametrize(
    ("outboxes", "kind", "lost", "words"),
    [
        ([outbox(OLD, 1)], None, 0, ""),
        (
            [outbox(OLD, 1, assigned=517), outbox(NEW, 2, follows=OLD)],
            "replaced",
            17,
            "17 readings that it had told of",
        ),
        ([outbox(OLD, 1), outbox(NEW, 2, follows=OLD)], "replaced", 0, "Nothing that it still held was lost"),
        ([outbox(OLD, 1, assigned=517), outbox(NEW, 2)], "left_behind", 17, "17 readings of the one before"),
        ([outbox(OLD, 1), outbox(NEW, 2)], None, 0, ""),
        ([outbox(OLD, 3, turns=2), outbox(NEW, 2, follows=OLD)], "two_nodes", 0, "Two nodes call themselves hut"),
        ([outbox(OLD, 1, conflicts=4, conflict_at_ms=NOW_MS - 5)], "conflict", 0, "sent 4 readings that contradict"),
        (
            [outbox(OLD, 1, conflicts=4, conflict_at_ms=NOW_MS), outbox(NEW, 2, follows=OLD)],
            *("replaced", 0, "under a new outbox"),
        ),
    ],
)
def test_each_case_is_told_in_one_line_for_a_day(outboxes, kind, lost, words):
    """Whatever the order of the table, and whichever way the clock was set meanwhile."""
    notices = told(*reversed(outboxes))
    assert [(n.kind, n.lost) for n in notices] == ([] if kind is None else [(kind, lost)])
    assert all(words in n.text and n.node == "hut" and n.stations == ("square",) for n in notices)
    for days in (2, -2, -365):
        assert told(*outboxes, now_ms=NOW_MS + days * DAY_MS) == []


def test_an_agent_of_an_earlier_version_is_named_and_is_no_conflict():
    """It is served as before; somebody should update it."""
    (notice,) = told(outbox(OLD, 1), earlier=["shed"])
    assert (notice.kind, notice.node, notice.is_conflict) == ("earlier_agent", "shed", False)


def test_nodes_are_told_apart():
    """What one node does is no turn of another."""
    assert told(outbox(OLD, 1), outbox(NEW, 2, node="shed")) == []
