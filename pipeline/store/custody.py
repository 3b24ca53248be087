"""What is wrong with the custody of a node's readings, in words, from what the journal knows of its outboxes. Pure.

An outbox that was put back from an image, or copied to a second node, is found out by digests: the node goes on under a
new outbox, so readings of both are kept apart. Here is told what that means for whoever looks after the ground.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass

from pipeline.store.journal import OutboxState
from pipeline.texts import say, say_many
from pipeline.units import DAY_MS

TOLD_MS = DAY_MS  # how long something that is over is told

TWO_NODES, CONFLICT, REPLACED, LEFT_BEHIND, EARLIER_AGENT = (
    "two_nodes", "conflict", "replaced", "left_behind", "earlier_agent",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class CustodyNotice:
    """Something about a node that its owner must know.

    Attributes
    ----------
    kind : str
        `two_nodes` of one name, `conflict` between a reading and the one kept under its number, an outbox that was
        `replaced` because its file was put back or copied, readings `left_behind` by a lost outbox, `earlier_agent`.
    node : str
    text : str
        One plain line.
    since_ms : int
        [ms since 1970, UTC] 0 where that is not known.
    lost : int
        Readings that the node has said it had, and that never came.
    stations : tuple of str
        Whose readings the node sends.
    """

    kind: str
    node: str
    text: str
    since_ms: int
    lost: int = 0
    stations: tuple[str, ...] = ()

    @property
    def is_conflict(self) -> bool:
        """Return whether readings contradict each other, so that somebody must act."""
        return self.kind != EARLIER_AGENT


def custody_notices(
    outboxes: Sequence[OutboxState],
    earlier_agents: Collection[str],
    now_ms: int,
    stations_of: Callable[[str], tuple[str, ...]] = lambda node: (),
) -> list[CustodyNotice]:
    """Return what is to be told of every node, by name.

    Parameters
    ----------
    outboxes : sequence of OutboxState
        Of all nodes.
    earlier_agents : collection of str
        Nodes that run an agent which does not compare digests.
    now_ms : int
        [ms since 1970, UTC]
    stations_of : callable
        The stations whose readings a node sends.
    """
    of_node: dict[str, list[OutboxState]] = {}
    for one in sorted(outboxes, key=lambda o: o.turn):
        of_node.setdefault(one.node, []).append(one)
    found = [n for node, own in sorted(of_node.items()) for n in _of_node(node, own, now_ms)]
    found += [
        CustodyNotice(
            EARLIER_AGENT, node,
            say(
                "Node {node} runs an agent of an earlier version: a copied or restored state folder would go "
                "unnoticed. Update it.",
                node=node,
            ),
            0,
        )
        for node in sorted(earlier_agents)
    ]  # fmt: skip
    told = {notice.node: stations_of(notice.node) for notice in found}
    return [CustodyNotice(n.kind, n.node, n.text, n.since_ms, n.lost, told[n.node]) for n in found]


def _of_node(node: str, own: Sequence[OutboxState], now_ms: int) -> Iterator[CustodyNotice]:
    """Notices of one node; its outboxes in the order of their last turns."""
    newest = own[-1]
    returned = [one for one in own if one.turns > 1 and _is_recent(one.turned_at_ms, now_ms)]
    if returned:
        yield CustodyNotice(
            TWO_NODES, node,
            say(
                "Two nodes call themselves {node}: their readings come by turns from two outboxes, and are kept apart. "
                "Give one of them a name of its own.",
                node=node,
            ),
            min(one.turned_at_ms for one in returned),
        )  # fmt: skip
        return
    gone = [one for one in own[:-1] if one.assigned > one.received]
    if newest.follows and _is_recent(newest.turned_at_ms, now_ms):
        lost = sum(one.assigned - one.received for one in gone if one.outbox_id == newest.follows)
        rest = say("Nothing that it still held was lost.") if not lost else say_many(
            "{n} reading that it had told of never came.", "{n} readings that it had told of never came.", lost
        )  # fmt: skip
        yield CustodyNotice(
            REPLACED, node,
            say(
                "Node {node} goes on under a new outbox: its state folder was put back from an image, or copied from "
                "another node. {rest}",
                node=node, rest=rest,
            ),
            newest.turned_at_ms, lost,
        )  # fmt: skip
    elif gone and _is_recent(newest.turned_at_ms, now_ms):
        lost = sum(one.assigned - one.received for one in gone)
        yield CustodyNotice(
            LEFT_BEHIND, node,
            say_many(
                "Node {node} began a new outbox: {n} reading of the one before never came. Its state folder was lost, "
                "or set aside as damaged.",
                "Node {node} began a new outbox: {n} readings of the one before never came. Its state folder was lost, "
                "or set aside as damaged.",
                lost, node=node,
            ),
            newest.turned_at_ms, lost,
        )  # fmt: skip
    contradicted = [one for one in own if one.conflict_at_ms and _is_recent(one.conflict_at_ms, now_ms)]
    if contradicted and not newest.follows:
        yield CustodyNotice(
            CONFLICT, node,
            say_many(
                "Node {node} sent {n} reading that contradicts the one kept under its number; that kept first stands. "
                "Look whether its state folder was copied to another node.",
                "Node {node} sent {n} readings that contradict those kept under their numbers; those kept first stand. "
                "Look whether its state folder was copied to another node.",
                sum(one.conflicts for one in contradicted), node=node,
            ),
            min(one.conflict_at_ms for one in contradicted),
        )  # fmt: skip


def _is_recent(at_ms: int, now_ms: int) -> bool:
    """Whether a time is within `TOLD_MS` of now, on either side: the clock may have been set meanwhile."""
    return abs(now_ms - at_ms) <= TOLD_MS
