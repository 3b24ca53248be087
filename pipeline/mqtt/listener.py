"""What a process without a worker hears of the nodes: their status and live readings, for pages. It keeps nothing."""

from __future__ import annotations

import threading
from collections.abc import Callable

from hardware.reading import BadBatch, LiveReading
from pipeline.mqtt.ingest import Ingest
from pipeline.mqtt.nodes import BadStatus, Nodes
from pipeline.run.clock import Clock

LISTEN_S = 5.0


class NodeListener:
    """Takes what a listening `Ingest` hears to the nodes, one message a step."""

    def __init__(
        self,
        source: Ingest,
        nodes: Nodes,
        clock: Clock,
        *,
        on_change: Callable[[str], None],
        on_live: Callable[[LiveReading], object],
    ) -> None:
        self._source, self._nodes, self._clock = source, nodes, clock
        self._on_change, self._on_live = on_change, on_live

    def step(self, stop: threading.Event) -> None:
        """Take one message, if there is one. What cannot be read is the worker's to put in quarantine."""
        arrival = self._source.take(LISTEN_S)
        if arrival is None:
            return
        try:
            if arrival.topic is not None and arrival.topic.endswith("/live"):
                self._on_live(self._nodes.hear_live(arrival.payload))
            elif arrival.topic is not None:
                self._nodes.hear(arrival.topic, arrival.payload, self._clock.now_ms())
                self._on_change("nodes")
        except (BadStatus, BadBatch):
            pass
        self._source.acknowledge(arrival)

    def wake(self) -> None:
        """End the wait of a step."""
        self._source.interrupt()

    def close(self) -> None:
        """Do nothing: there is no resource to close."""
