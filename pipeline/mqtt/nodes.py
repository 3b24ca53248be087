"""What the nodes say of themselves, as last heard: up or down, their lines, what waits in their outbox.

Kept in memory: states are retained by the broker and said again by a node that connects. Only what is known of their
machines outlasts a restart, for nodes that sleep. It acts on nothing.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from hardware.reading import MAX_SEQ, WIRE_VERSION, LiveReading, decode_live, is_slug
from pipeline.mqtt.node_health import BadHealth, DeviceHealth, NodeHealth, device_health, health_after

MAX_NODES = 1000
MAX_STATUS_BYTES = 64 * 1024
MAX_LINES = 256
MAX_DEVICES = 128
MAX_STATIONS = 128
MAX_STRANGERS = 20
MAX_WATCHED = 50
_TOPIC = re.compile(rf"underturf/{WIRE_VERSION}/(?P<site>[^/]+)/(?P<node>[^/]+)/status")


class BadStatus(ValueError):
    """A status that cannot be read; the text is the reason it is quarantined."""


@dataclass(frozen=True, slots=True)
class NodeStatus:
    """One node. `state` is up or down; `lines` says of each serial line `ok` or why it is away.

    A node that is down says nothing else (it is its last will): then the rest is what it said last. One that `sleeps`
    is down until its timer wakes it. `stations` are those whose probes it reads. Where its time is not `clock_ok`,
    nobody has confirmed it since `unconfirmed_since_ms`. `assigned` is the highest number its outbox has given out;
    `checks_digests` says that it compares the digests of receipts, which an agent of an earlier version does not.
    `devices` are its radio nodes, by `station/probe`.
    """

    node: str
    state: str
    heard_at_ms: int
    version: str = ""
    outbox_id: str = ""
    backlog: int = 0
    dropped: int = 0
    lines: Mapping[str, str] = field(default_factory=dict)
    stations: tuple[str, ...] = ()
    clock_ok: bool = True
    clock_by: str = ""
    unconfirmed_since_ms: int | None = None
    assigned: int = 0
    checks_digests: bool = False
    health: NodeHealth | None = None
    sleeps: bool = False
    devices: Mapping[str, DeviceHealth] = field(default_factory=dict)


class Nodes:
    """Status of every node heard.

    Parameters
    ----------
    site : str, optional
        Whose nodes these are; None takes those of any. Of nodes that name another only that is kept.
    known_health : mapping of str to NodeHealth, optional
        How the machines were when that was last kept, by node.
    """

    def __init__(self, site: str | None = None, *, known_health: Mapping[str, NodeHealth] | None = None) -> None:
        self._site = site
        self._nodes: dict[str, NodeStatus] = {}
        self._strangers: dict[str, int] = {}
        self._health: dict[str, NodeHealth] = dict(known_health or {})
        self._health_is_news = False
        self._live: dict[str, tuple[int, LiveReading]] = {}
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
            if self._site is not None and match["site"] != self._site:
                self._hear_stranger(f"{match['site']}/{node}", payload, at_ms)
                return None
            if not payload:
                self._nodes.pop(node, None)
                self._health_is_news |= self._health.pop(node, None) is not None
                return None
            if node not in self._nodes and len(self._nodes) >= MAX_NODES:
                raise BadStatus(f"node: found one more than {MAX_NODES}, expected at most that many on a site")
            heard = self._nodes[node] = _parse(node, payload, at_ms, self._nodes.get(node), self._health.get(node))
            if heard.health is not None and heard.health != self._health.get(node):
                self._health[node], self._health_is_news = heard.health, True
                while len(self._health) > MAX_NODES:
                    self._health.pop(next(iter(self._health)))
            return heard

    def health(self) -> dict[str, NodeHealth]:
        """Return how the machines of all nodes are, as far as they said, those not heard since the start too."""
        with self._lock:
            return dict(self._health)

    def health_to_keep(self) -> dict[str, NodeHealth] | None:
        """Return `health` where it is another than at the last call, else None."""
        with self._lock:
            news, self._health_is_news = self._health_is_news, False
            return dict(self._health) if news else None

    def hear_live(self, payload: bytes) -> LiveReading:
        """Take in what a probe says to whoever looks at it, and return it. Raises BadBatch."""
        live = decode_live(payload)
        with self._lock:
            number = self._live.pop(live.probe, (0, live))[0]
            while len(self._live) >= MAX_WATCHED:
                self._live.pop(next(iter(self._live)))
            self._live[live.probe] = number + 1, live
        return live

    def live(self, probe: str) -> tuple[int, LiveReading | None]:
        """Return the newest live reading of a probe, counted; 0 and None where there is none."""
        with self._lock:
            return self._live.get(probe, (0, None))

    def _hear_stranger(self, name: str, payload: bytes, at_ms: int) -> None:
        if not _is_up(payload):
            self._strangers.pop(name, None)
        elif name in self._strangers or len(self._strangers) < MAX_STRANGERS:
            self._strangers[name] = at_ms

    def strangers(self) -> Mapping[str, int]:
        """Return nodes of the broker that are up and name another site, as SITE/NODE, with when each was last heard.
        [ms since 1970, UTC]"""
        with self._lock:
            return dict(self._strangers)

    def unconfirmed_since_ms(self, station: str) -> int | None:
        """Return since when the time of a station's readings is not confirmed [ms since 1970]; None where it is.

        0 where the node does not say since when.
        """
        reading = [n for n in self.all() if station in n.stations and not n.clock_ok]
        return min((n.unconfirmed_since_ms or 0 for n in reading), default=None)

    def all(self) -> tuple[NodeStatus, ...]:
        """Return every node, by name."""
        with self._lock:
            return tuple(self._nodes[name] for name in sorted(self._nodes))


def _is_up(payload: bytes) -> bool:
    if len(payload) > MAX_STATUS_BYTES:
        return False
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError):
        return False
    return isinstance(said, dict) and said.get("state") == "up"


def _parse(node: str, payload: bytes, at_ms: int, before: NodeStatus | None, health: NodeHealth | None) -> NodeStatus:
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
    before = NodeStatus(node, "down", at_ms) if before is None else before
    try:
        health = health_after(health, said.get("health"), at_ms)
        devices = _devices(said, before)
    except BadHealth as err:
        raise BadStatus(str(err)) from err
    return replace(
        before,
        state=said["state"],
        heard_at_ms=at_ms,
        version=_text(said, "version", before.version),
        outbox_id=_text(said, "outbox_id", before.outbox_id),
        backlog=_count(said, "backlog", before.backlog),
        dropped=_count(said, "dropped", before.dropped),
        lines={str(name)[:64]: text[:300] for name, text in lines.items()},
        stations=_stations(said, before),
        **_clock(said),
        assigned=_count(said, "assigned", before.assigned),
        checks_digests=said.get("checks_digests", before.checks_digests) is True,
        health=health,
        sleeps=said.get("sleeps") is True,
        devices=devices,
    )


def _devices(said: Mapping[str, Any], before: NodeStatus) -> Mapping[str, DeviceHealth]:
    devices = said.get("devices")
    if devices is None:
        return before.devices
    if not isinstance(devices, dict) or len(devices) > MAX_DEVICES:
        raise BadStatus(f"status.devices: found {str(devices)[:80]}, expected at most {MAX_DEVICES} by name")
    return {name[:200]: device_health(name, one) for name, one in devices.items()}


def _stations(said: Mapping[str, object], before: NodeStatus) -> tuple[str, ...]:
    stations = said.get("stations", before.stations)
    if not isinstance(stations, list | tuple) or len(stations) > MAX_STATIONS or not all(map(_is_name, stations)):
        raise BadStatus(f"status.stations: found {str(stations)[:80]}, expected at most {MAX_STATIONS} names")
    return tuple(stations)


def _is_name(text: object) -> bool:
    return isinstance(text, str) and is_slug(text)


def _clock(said: Mapping[str, object]) -> dict[str, Any]:
    """What is said of the node's time; nothing where it is not mentioned."""
    clock = said.get("clock")
    if not clock:
        return {}
    if not isinstance(clock, dict) or type(clock.get("ok")) is not bool:
        raise BadStatus(f"status.clock: found {str(clock)[:80]}, expected whether it is ok")
    since_ms = clock.get("unconfirmed_since_ms")
    return {
        "clock_ok": clock["ok"],
        "clock_by": _text(clock, "by", ""),
        "unconfirmed_since_ms": None if since_ms is None else _count(clock, "unconfirmed_since_ms", 0),
    }


def _text(said: Mapping[str, object], key: str, default: str) -> str:
    value = said.get(key, default)
    if not isinstance(value, str) or len(value) > 100:
        raise BadStatus(f"status.{key}: found {value!r:.80}, expected a short text")
    return value


def _count(said: Mapping[str, object], key: str, default: int) -> int:
    value = said.get(key, default)
    if type(value) is not int or not 0 <= value <= MAX_SEQ:
        raise BadStatus(f"status.{key}: found {value!r:.80}, expected a whole number from 0 to {MAX_SEQ}")
    return value
