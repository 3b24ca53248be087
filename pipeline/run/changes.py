"""What has changed: counted, and told to who listens."""

from __future__ import annotations

import threading
from collections.abc import Callable


class Changes:
    """A counter of changes, for pages and streams that show what is new."""

    def __init__(self) -> None:
        self._count = 0
        self._condition = threading.Condition()
        self._listeners: list[Callable[[str], None]] = []

    @property
    def count(self) -> int:
        """Return how many changes there were since the start."""
        return self._count

    def listen(self, listener: Callable[[str], None]) -> Callable[[], None]:
        """Call `listener` with the kind of each change (`readings`, `findings`, `alerts`, `nodes`, `advice`, `weeks`,
        `diary`), from the thread that made it.

        It returns at once and raises nothing. Return a function that ends it.
        """
        with self._condition:
            self._listeners.append(listener)

        def leave() -> None:
            with self._condition:
                if listener in self._listeners:
                    self._listeners.remove(listener)

        return leave

    def wait(self, seen: int, timeout_s: float) -> int:
        """Wait until the count is beyond `seen`, at most `timeout_s`; return the count. [s]"""
        with self._condition:
            self._condition.wait_for(lambda: self._count > seen, timeout_s)
            return self._count

    def bump(self, word: str) -> None:
        """Count a change of this kind and call the listeners."""
        with self._condition:
            self._count += 1
            self._condition.notify_all()
            listeners = tuple(self._listeners)
        for listener in listeners:
            listener(word)
