"""Who the broker turned away, from its own log, which mosquitto gives to those who may read `$SYS/broker/log/`.

What is turned away never reaches the server: of a node with a wrong password or without the authority of the
certificate nothing else is heard here. The log names the address when a connection begins and not when it is refused,
so an address is told only where no other connection was on its way. The wording is that of mosquitto 2.0 and 2.1.
"""

from __future__ import annotations

import re
import threading
from dataclasses import dataclass, replace
from typing import Literal

Cause = Literal["password", "authority", "clear", "encryption"]
MOST_KEPT, MOST_ON_THEIR_WAY = 32, 64  # the oldest goes
REFUSAL_TOLD_FOR_MS = 15 * 60_000  # an agent tries again every 30 s or sooner: what is older is mended, or off

_BEGUN = re.compile(r"New connection from (\S+):\d+ on port")
_IN = re.compile(r"New client connected from (\S+):\d+ as ")
_TURNED_AWAY: dict[Cause, re.Pattern[str]] = {
    "password": re.compile(r"Client .*?(?:\[(\S+):\d+\] )?disconnected[,:] not authorised"),
    "authority": re.compile(r"OpenSSL Error.* alert (?:unknown ca|bad certificate|certificate (?:expired|unknown))()"),
    "clear": re.compile(
        r"(?:Client connection from (\S+) failed|OpenSSL Error).*(?:wrong version number|http request)"
    ),
    "encryption": re.compile(r"Client connection from (\S+) failed: "),
}
_ENDED = re.compile(r"Client <unknown> (?:closed|disconnected|has )")


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why connections from an address were refused, how many of them, and the last. [ms since 1970, UTC] The address is
    empty where it cannot be told."""

    address: str
    cause: Cause
    count: int
    at_ms: int


class Refusals:
    """What the log of the broker says of connections, line by line, from any thread."""

    def __init__(self) -> None:
        self._on_their_way: list[str] = []
        self._kept: dict[tuple[str, Cause], Refusal] = {}
        self._lock = threading.Lock()

    def hear(self, line: str, now_ms: int) -> None:
        """Take in one line of the log, heard now. [ms since 1970, UTC]"""
        with self._lock:
            if begun := _BEGUN.search(line):
                self._on_their_way = [*self._on_their_way, begun[1]][-MOST_ON_THEIR_WAY:]
            elif came_in := _IN.search(line):
                self._arrived(came_in[1])
                self._kept = {key: one for key, one in self._kept.items() if key[0] != came_in[1]}
            else:
                self._hear_refusal(line, now_ms)

    def recent(self, now_ms: int) -> list[Refusal]:
        """Return what was refused in the last quarter of an hour, the newest first. [ms since 1970, UTC]"""
        with self._lock:
            found = [one for one in self._kept.values() if now_ms - one.at_ms < REFUSAL_TOLD_FOR_MS]
        return sorted(found, key=lambda one: -one.at_ms)

    def _hear_refusal(self, line: str, now_ms: int) -> None:
        for cause, words in _TURNED_AWAY.items():
            found = words.search(line)
            if found is None:
                continue
            address = found[1] or (self._on_their_way[0] if len(self._on_their_way) == 1 else "")
            before = self._kept.pop((address, cause), Refusal(address, cause, 0, 0))
            self._kept[address, cause] = replace(before, count=before.count + 1, at_ms=now_ms)
            if len(self._kept) > MOST_KEPT:
                self._kept.pop(next(iter(self._kept)))
            if "OpenSSL Error" not in line:  # whose end follows in a line of its own
                self._arrived(address)
            return
        if _ENDED.search(line):
            self._arrived(self._on_their_way[0] if len(self._on_their_way) == 1 else "")

    def _arrived(self, address: str) -> None:
        """One that was on its way is so no more; where it cannot be told which, none is known to be."""
        if address in self._on_their_way:
            self._on_their_way.remove(address)
        else:
            self._on_their_way.clear()
