"""Channel names to the small numbers the tables carry in their place, remembered between calls.

A name once entered keeps its number. What was learned inside a transaction that was undone is forgotten with it. A
database serves one site, in which a channel name is unique.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Iterable

from pipeline.store.database import Connection


class Channels:
    """Numbers of channel names, and which outboxes carried which channel."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._numbers: dict[str, int] = {}
        self._carriers: set[tuple[int, int]] = set()

    def forget(self) -> None:
        """Forget everything learned: the database calls it when a transaction was undone."""
        with self._lock:
            self._numbers.clear()
            self._carriers.clear()

    def numbers(self, tx: Connection, names: Collection[str]) -> dict[str, int]:
        """Number of each name, entering those not met before. `tx` has a transaction open."""
        known = self._numbers
        if not all(name in known for name in names):
            for name in sorted(names):
                tx.execute("INSERT OR IGNORE INTO channel (name) VALUES (?)", (name,))
            with self._lock:
                known.update(tx.execute("SELECT name, id FROM channel").fetchall())
        return {name: known[name] for name in names}

    def find(self, connection: Connection, names: Iterable[str]) -> dict[str, int]:
        """Number of each name that has one. The others have no rows."""
        wanted = list(names)
        if all(name in self._numbers for name in wanted):
            return {name: self._numbers[name] for name in wanted}
        stored: dict[str, int] = dict(connection.execute("SELECT name, id FROM channel").fetchall())
        return {name: stored[name] for name in wanted if name in stored}

    def note_carrier(self, tx: Connection, outbox: int, channels: Iterable[int]) -> None:
        """Enter that an outbox carries these channels."""
        pairs = {(channel, outbox) for channel in channels}
        if not pairs <= self._carriers:
            tx.executemany("INSERT OR IGNORE INTO carries VALUES (?, ?)", sorted(pairs))
            with self._lock:
                self._carriers |= pairs
