"""Connections of the pages, bounded: how many there are, and how long each may keep the server waiting.

A head and a body have a time for the whole of them, so that a client that sends a byte now and then gains nothing, and
an answer is cut off when it is not being read. Where there are too many connections, the one that has waited longest
without a request makes room. uvicorn's own limit of connections would refuse everybody's requests instead, and its
timeout counts from the last byte.
"""

from __future__ import annotations

import asyncio
from typing import cast

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from pipeline.run.metrics import Metrics

MOST_CONNECTIONS = 400
MOST_OF_AN_ADDRESS = 100  # a browser opens six; all that come through a proxy have its address
HEAD_WITHIN_S = 10.0  # from the connection, or from the answer before, to the end of the head
BODY_WITHIN_S = 20.0
READ_WITHIN_S = 60.0  # in this time an answer that waits to be sent has to shrink by
LEAST_READ_BYTES = 60_000  # a tenth of what the slowest usable telephone line takes
CONNECTION_LIMITS = {
    "pages_connections": MOST_CONNECTIONS,
    "pages_connections_of_an_address": MOST_OF_AN_ADDRESS,
    "pages_head_seconds": HEAD_WITHIN_S,
    "pages_body_seconds": BODY_WITHIN_S,
    "pages_read_seconds": READ_WITHIN_S,
}
_REFUSAL = b"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 10\r\nConnection: close\r\nContent-Length: 0\r\n\r\n"


class BoundedConnection(H11Protocol):
    """One connection. `counted` is where connections and cuts are counted; see `bounded`."""

    counted: Metrics
    _awaited: object = None
    _since_s = 0.0
    _deadline: asyncio.TimerHandle | None = None
    _reading: asyncio.TimerHandle | None = None
    _unsent = 0

    @property
    def waits(self) -> bool:
        """Whether it has no request at work and nothing of an answer to send."""
        return self._awaited is h11.IDLE and not self.transport.is_closing() and not self._unsent_bytes()

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.counted.connections.inc()
        self._look()
        self._make_room()

    def connection_lost(self, exc: Exception | None) -> None:
        self.counted.connections.dec()
        for timer in (self._deadline, self._reading):
            if timer is not None:
                timer.cancel()
        super().connection_lost(exc)

    def handle_events(self) -> None:
        super().handle_events()
        self._look()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._look()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._watch_reader()

    def _look(self) -> None:
        """Begin another deadline where something else is awaited than before. The same one is never begun anew."""
        awaited: object = h11.CLOSED if self.transport.is_closing() else self.conn.their_state
        if awaited is self._awaited:
            return
        self._awaited, self._since_s = awaited, self.loop.time()
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None
        if awaited is h11.IDLE:
            self._deadline = self.loop.call_later(HEAD_WITHIN_S, self._head_is_late)
        elif awaited is h11.SEND_BODY:
            self._deadline = self.loop.call_later(BODY_WITHIN_S, self.cut, "body")
        elif awaited is h11.CLOSED:
            self._watch_reader()

    def _head_is_late(self) -> None:
        """End the connection, unless it is the answer before that takes so long to be read."""
        if not self._unsent_bytes():
            self.cut("head")
            return
        self._watch_reader()
        self._deadline = self.loop.call_later(HEAD_WITHIN_S, self._head_is_late)

    def _watch_reader(self) -> None:
        if self._reading is None:
            self._unsent = self._unsent_bytes()
            self._reading = self.loop.call_later(READ_WITHIN_S, self._look_at_reader)

    def _look_at_reader(self) -> None:
        self._reading = None
        unsent = self._unsent_bytes()
        if unsent and unsent > self._unsent - LEAST_READ_BYTES:
            self.cut("reader")
        elif unsent:
            self._watch_reader()

    def _unsent_bytes(self) -> int:
        return self.transport.get_write_buffer_size()

    def cut(self, reason: str) -> None:
        """End the connection at once, whatever is still to be sent on it."""
        self.counted.connections_cut.labels(reason).inc()
        self.transport.abort()

    def _make_room(self) -> None:
        """Where there are too many, cut the one that has waited longest for a request; else refuse this one."""
        every = [cast(BoundedConnection, one) for one in self.connections]
        own = self.client and self.client[0]
        crowd = [one for one in every if (one.client and one.client[0]) == own]
        if len(crowd) <= MOST_OF_AN_ADDRESS:
            if len(every) <= MOST_CONNECTIONS:
                return
            crowd = every
        waiting = [one for one in crowd if one.waits and one is not self]
        if waiting:
            min(waiting, key=lambda one: one._since_s).cut("room")
            return
        self.counted.connections_cut.labels("refused").inc()
        self.transport.write(_REFUSAL)
        self.transport.close()


def bounded(metrics: Metrics) -> type[BoundedConnection]:
    """Return the class of the connections of one server, which count in its metrics."""

    class Counted(BoundedConnection):
        counted = metrics

    return Counted
