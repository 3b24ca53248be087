"""The agent as it must not be: the broker's acknowledgement frees its readings, the receipts are not heard.

    python tests/faults/agent_without_receipts.py AGENT_TOML

The control of the crash bench. Nothing else differs: it is the agent's own service with another publisher. It waits
for no retained receipt before it sends, as it hears none, and every acknowledgement that came counts, also one that
came just before the connection was lost.
"""

from __future__ import annotations

import logging
import sys
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from hardware.machine_clock import ClockNote  # noqa: E402
from hardware.reading import Batch, Receipt  # noqa: E402
from probe_agent.config import load  # noqa: E402
from probe_agent.mqtt import PublisherConnection  # noqa: E402
from probe_agent.publisher import Publisher  # noqa: E402
from probe_agent.service import run  # noqa: E402


class TakesTheBrokersWord(Publisher):
    """What the broker has acknowledged counts as kept."""

    def acknowledged(self, first: int, last: int) -> None:
        if last > self._outbox.received:
            self._outbox.receive(Receipt(self._outbox.outbox_id, last))
        while self._in_flight and self._in_flight[0].last <= self._outbox.received:
            self._in_flight.popleft()

    def _lost(self, reason: str, now: float) -> None:
        connection = self._connection
        while connection is not None and connection.acknowledged:
            self._note_acknowledged(connection.acknowledged.popleft())
        super()._lost(reason, now)

    def _take_receipts(self, connection: PublisherConnection, now: float) -> None:
        connection.receipts.clear()
        connection.deflates = False

    def _send(self, connection: PublisherConnection, now: float, hold: ClockNote | None) -> None:
        """Send without digests: an agent that compares them would be asked for what was lost."""
        given = self._outbox.batch
        self._outbox.batch = lambda *args, **more: _without_digest(given(*args, **more))  # type: ignore[method-assign]
        try:
            super()._send(connection, now, hold)
        finally:
            del self._outbox.batch


def _without_digest(batch: Batch | None) -> Batch | None:
    return None if batch is None else replace(batch, before=None)


if __name__ == "__main__":
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(levelname)s %(message)s")
    run(load(Path(sys.argv[1])), publisher_type=TakesTheBrokersWord)
