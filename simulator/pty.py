"""A virtual serial line: a pseudo-terminal with sensors at its far end, under a name that stays.

The agent opens `FOLDER/line-NAME` as it would open an adapter. A pseudo-terminal keeps no pace, so the line spaces its
bytes itself when time runs; in lock-step they go at once. Unplugging the adapter closes both ends and removes the name.
"""

from __future__ import annotations

import contextlib
import errno
import os
import selectors
import tty
from collections import deque
from pathlib import Path

from simulator.bus import FarEnd
from simulator.clock import steady_s

BITS_PER_CHARACTER = 10  # start, 7 data and parity or 8 data, stop
READ_BYTES = 4096
MAX_QUEUED_BYTES = 16_384  # a far end that talks more than the line can carry loses the rest


class PtyLine:
    """One virtual line.

    Parameters
    ----------
    name : str
    folder : Path
        Where its name is put, as `line-NAME`.
    far_end : FarEnd
    selector : selectors.BaseSelector
        Where it is watched; whoever runs the loop calls `key.data()` for each that is ready, then `work`.
    baud : int
        Pace of the bytes when time runs.
    """

    def __init__(
        self, name: str, folder: Path, far_end: FarEnd, selector: selectors.BaseSelector, *, baud: int = 1200
    ) -> None:
        self.name = name
        self.path = folder / f"line-{name}"
        self.far_end = far_end
        self._selector = selector
        self._character_s = BITS_PER_CHARACTER / baud
        self._paced = False
        self._ends: tuple[int, int] | None = None
        self._queue: deque[tuple[float, bytes]] = deque()
        self._free_at_s = 0.0
        self.dropped_bytes = 0
        self.plug_in()

    @property
    def plugged(self) -> bool:
        """Whether the adapter is in."""
        return self._ends is not None

    def plug_in(self) -> None:
        """Make the pseudo-terminal and put its name in place, whole or not at all."""
        if self._ends is not None:
            return
        ours, theirs = os.openpty()
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        # Their end stays open here too, or our reads would fail each time the agent closes its own.
        self._ends = (ours, theirs)
        self._selector.register(ours, selectors.EVENT_READ, self._receive)
        fresh = self.path.with_name(self.path.name + ".new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(os.ttyname(theirs))
        fresh.replace(self.path)

    def unplug(self) -> None:
        """Close both ends and remove the name: whoever has the line open gets an error."""
        if self._ends is None:
            return
        ours, theirs = self._ends
        self._ends = None
        self._selector.unregister(ours)
        os.close(ours)
        os.close(theirs)
        self.path.unlink(missing_ok=True)
        self._queue.clear()

    close = unplug

    @property
    def pending(self) -> bool:
        """Whether there is anything still to be sent, now or later."""
        return bool(self._queue) or self.far_end.due_s() is not None

    def take_time(self) -> None:
        """End the lock-step: space the bytes as a real line would."""
        self._paced = True
        self.far_end.take_time()

    def work(self) -> None:
        """Take what the far end has to send, and write what is due."""
        now_s = steady_s()
        for sent in self.far_end.send(now_s):
            self._enqueue(sent.data, now_s + sent.after_s)
        while self._queue and self._queue[0][0] <= now_s:
            self._write(self._queue.popleft()[1])

    def timeout_s(self) -> float | None:
        """Return the real seconds until `work` has something to do. [s] None if nothing is to come."""
        dues = [due for due in (self.far_end.due_s(), self._queue[0][0] if self._queue else None) if due is not None]
        return max(0.0, min(dues) - steady_s()) if dues else None

    def _enqueue(self, data: bytes, due_s: float) -> None:
        if self._ends is None or sum(len(piece) for _, piece in self._queue) + len(data) > MAX_QUEUED_BYTES:
            self.dropped_bytes += len(data)
            return
        if not self._paced:
            self._queue.append((due_s, data))
        else:
            start_s = max(due_s, self._free_at_s)
            for place, byte in enumerate(data, start=1):
                self._queue.append((start_s + place * self._character_s, bytes([byte])))
            self._free_at_s = start_s + len(data) * self._character_s
        self._queue = deque(sorted(self._queue, key=lambda piece: piece[0]))

    def _receive(self) -> None:
        assert self._ends is not None
        try:
            data = os.read(self._ends[0], READ_BYTES)
        except BlockingIOError:
            return
        except OSError as err:
            if err.errno != errno.EIO:  # nobody has the other end open; ours is, so this is only a moment's state
                raise
            return
        self.far_end.receive(data, steady_s())
        self.work()

    def _write(self, data: bytes) -> None:
        if self._ends is None:
            return
        with contextlib.suppress(BlockingIOError):
            written = os.write(self._ends[0], data)
            self.dropped_bytes += len(data) - written
            return
        self.dropped_bytes += len(data)  # nobody reads: a real line keeps nothing either
