"""What the nodes say of themselves, as last heard: up or down, their lines, what waits in their outbox.

Kept in memory only: states are retained by the broker and said again by a node that connects. It acts on nothing.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field

from hardware.reading import WIRE_VERSION, is_slug

MAX_NODES = 1000
MAX_STATUS_BYTES = 64 * 1024
MAX_LINES = 256
_TOPIC = re.compile(rf"underturf/{WIRE_VERSION}/(?P<site>[^/]+)/(?P<node>[^/]+)/status")


class BadStatus(ValueError):
    """A status that cannot be read; the text is the reason it is quarantined."""


@dataclass(frozen=True, slots=True)
class NodeStatus:
    """One node. `state` is up or down; `lines` says of each serial line `ok` or why it is away.

    A node that is down says nothing else (it is its last will): then the rest is what it said last.
    """

    node: str
    state: str
    heard_at_ms: int
    version: str = ""
    outbox_id: str = ""
    backlog: int = 0
    dropped: int = 0
    lines: Mapping[str, str] = field(default_factory=dict)


class Nodes:
    """Status of every node heard."""

    def __init__(self) -> None:
        self._nodes: dict[str, NodeStatus] = {}
        self._lock = threading.Lock()

    def hear(self, topic: str, payload: bytes, at_ms: int) -> NodeStatus | None:
        """Take a status in; None when it was withdrawn (an empty retained message).

        Raises
        ------
        BadStatus
            With the first reason found.
        """
        match = _TOPIC.fullmatch(topic)
        if match is None or not is_slug(match["node"]):
            raise BadStatus(f"topic: found {topic[:120]!r}, expected underturf/{WIRE_VERSION}/SITE/NODE/status")
        node = match["node"]
        with self._lock:
            if not payload:
                self._nodes.pop(node, None)
                return None
            if node not in self._nodes and len(self._nodes) >= MAX_NODES:
                raise BadStatus(f"node: found one more than {MAX_NODES}, expected at most that many on a site")
            self._nodes[node] = _parse(node, payload, at_ms, self._nodes.get(node))
            return self._nodes[node]

    def all(self) -> tuple[NodeStatus, ...]:
        """Return every node, by name."""
        with self._lock:
            return tuple(self._nodes[name] for name in sorted(self._nodes))


def _parse(node: str, payload: bytes, at_ms: int, before: NodeStatus | None) -> NodeStatus:
    if len(payload) > MAX_STATUS_BYTES:
        raise BadStatus(f"status: found {len(payload)} bytes, expected at most {MAX_STATUS_BYTES}")
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError) as err:
        raise BadStatus(f"status: found {payload[:40]!r}, expected JSON") from err
    if not isinstance(said, dict) or said.get("state") not in ("up", "down"):
        raise BadStatus(f"status.state: found {payload[:80]!r}, expected 'up' or 'down'")
    lines = said.get("lines", dict(before.lines) if before is not None else {})
    if not isinstance(lines, dict) or len(lines) > MAX_LINES or not all(isinstance(v, str) for v in lines.values()):
        raise BadStatus("status.lines: expected a text for each line")
    return NodeStatus(
        node=node,
        state=said["state"],
        heard_at_ms=at_ms,
        version=_text(said, "version", before.version if before is not None else ""),
        outbox_id=_text(said, "outbox_id", before.outbox_id if before is not None else ""),
        backlog=_count(said, "backlog", before.backlog if before is not None else 0),
        dropped=_count(said, "dropped", before.dropped if before is not None else 0),
        lines={str(name)[:64]: text[:300] for name, text in lines.items()},
    )


def _text(said: Mapping[str, object], key: str, default: str) -> str:
    value = said.get(key, default)
    if not isinstance(value, str) or len(value) > 100:
        raise BadStatus(f"status.{key}: found {value!r:.80}, expected a short text")
    return value


def _count(said: Mapping[str, object], key: str, default: int) -> int:
    value = said.get(key, default)
    if type(value) is not int or value < 0:
        raise BadStatus(f"status.{key}: found {value!r:.80}, expected a whole number from 0 up")
    return value
