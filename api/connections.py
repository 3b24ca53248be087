"""Connections of the pages, bounded: how many there are, and how long each may keep the server waiting.

A head and a body have a time for the whole of them, so that a client that sends a byte now and then gains nothing, and
an answer is cut off when it is not being read. Where there are too many connections, the one that has waited longest
without a request makes room. uvicorn's own limit of connections would refuse everybody's requests instead, and its
timeout counts from the last byte. The same holds from the first byte of an encrypted connection: a handshake has the
time of a head. Whoever begins one in the clear is told so. Bounds are by address first, so that no one
machine keeps the others out.
"""

from __future__ import annotations

import asyncio
import ipaddress
import ssl
from asyncio import sslproto
from collections.abc import Callable
from functools import partial
from typing import Any, cast

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
ROOM_AFTER_S = 1.0  # a handshake takes two ways there and back, a quarter of that on a bad radio link
SSL_END_WITHIN_S = 5.0  # for the other end's own end of an encrypted connection
TLS_HANDSHAKE = 0x16  # the first byte of whoever encrypts (RFC 8446, 5.1)
_PLAIN_WORD = "HTTP/1.1 {} \r\nConnection: close\r\nContent-Type: text/plain\r\nContent-Length: {}\r\n\r\n{}"
_REFUSAL = b"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 10\r\nConnection: close\r\nContent-Length: 0\r\n\r\n"


class BoundedConnection(H11Protocol):
    """One connection. `counted` is where connections and cuts are counted; see `bounded`."""

    counted: Metrics
    only_from: str | None = None  # beside this machine itself: the address of a proxy
    raw: asyncio.Transport | None = None  # below an encrypted one: it too holds what is not sent yet
    on_made: Callable[[], None] | None = None  # called when it begins: of an encrypted one, after its handshake
    whose = ""
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
        self.whose = _whose(transport)
        if self.on_made is not None:
            self.on_made()
        self.counted.connections.inc()
        self._look()
        if self.only_from is not None and not self._is_allowed(self.only_from):
            self.counted.connections_cut.labels("stranger").inc()
            word = "These pages are asked for through their proxy, pages.proxy of the settings, and by nobody else."
            self.transport.write(_plain_word("403 Forbidden", word))
            self.transport.close()
            return
        self._make_room()

    def data_received(self, data: bytes) -> None:
        if not self.transport.is_closing():  # closing an encrypted one first hands on what came with its handshake
            super().data_received(data)

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
        below = 0 if self.raw is None else self.raw.get_write_buffer_size()
        return self.transport.get_write_buffer_size() + below

    def _is_allowed(self, proxy: str) -> bool:
        """Whether the other end is the proxy, or on this machine."""
        if self.client is None or self.server is None:
            return False
        other, here = (_plain_address(one[0]) for one in (self.client, self.server))
        return other.is_loopback or other in (here, _plain_address(proxy))

    def cut(self, reason: str) -> None:
        """End the connection at once, whatever is still to be sent on it."""
        self.counted.connections_cut.labels(reason).inc()
        self.transport.abort()

    def _make_room(self) -> None:
        """Where there are too many, cut the one that has waited longest for a request; else refuse this one."""
        every = [cast(BoundedConnection, one) for one in self.connections]
        crowd = [one for one in every if one.whose == self.whose]
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


class EncryptedConnection(sslproto.SSLProtocol):
    """The encryption of one connection, from its first byte.

    The library counts a connection, and gives it a deadline of ours, only once the handshake is done: until then it
    has one here. Among too many of an address that have none done the oldest makes room, if it has had its time; else
    the newcomer is ended, and before anything is made for it: a flood costs little. Among too many of all, one of the
    address that has most makes room.
    """

    def __init__(
        self,
        make: Callable[[], BoundedConnection],
        context: ssl.SSLContext,
        metrics: Metrics,
        begun: dict[str, list[EncryptedConnection]],
    ) -> None:
        self._make, self._context, self._metrics, self._begun = make, context, metrics, begun
        self._within: BoundedConnection | None = None
        self._read: memoryview | None = None
        self._first = True
        self._whose, self._since_s = "", 0.0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        loop = asyncio.get_running_loop()
        self._whose, self._since_s = _whose(transport), loop.time()
        if not self._has_room():
            self._metrics.connections_cut.labels("room").inc()
            transport.abort()
            return
        self._begun.setdefault(self._whose, []).append(self)
        self._within = self._make()
        self._within.raw, self._within.on_made = transport, self._forget
        super().__init__(
            loop, self._within, self._context, None, server_side=True,  # type: ignore[arg-type]
            ssl_handshake_timeout=HEAD_WITHIN_S, ssl_shutdown_timeout=SSL_END_WITHIN_S,  # type: ignore[arg-type]
        )  # fmt: skip
        super().connection_made(transport)

    def _has_room(self) -> bool:
        """Whether this one may begin; where it may in place of another, that is cut."""
        own = self._begun.get(self._whose, [])
        if len(own) >= MOST_OF_AN_ADDRESS:
            if self._since_s - own[0]._since_s < ROOM_AFTER_S:
                return False
            own[0].cut()
        elif sum(map(len, self._begun.values())) >= MOST_CONNECTIONS:
            max(self._begun.values(), key=len)[0].cut()
        return True

    def _forget(self) -> None:
        """Count it no longer among those that have begun."""
        some = self._begun.get(self._whose, [])
        if self in some:
            some.remove(self)
            if not some:
                del self._begun[self._whose]

    def cut(self) -> None:
        """End it in the middle of the handshake."""
        self._metrics.connections_cut.labels("room").inc()
        self._forget()
        if self._within is not None and self._within.raw is not None:
            self._within.raw.abort()

    def connection_lost(self, exc: BaseException | None) -> None:
        self._forget()
        if self._within is not None:
            super().connection_lost(exc)

    def get_buffer(self, n: int) -> Any:
        self._read = super().get_buffer(n)
        return self._read

    def buffer_updated(self, nbytes: int) -> None:
        within = self._within
        if within is None or within.raw is None:
            return
        if self._first and self._read is not None:
            self._first = False
            if self._read[0] != TLS_HANDSHAKE:
                self._metrics.connections_cut.labels("clear").inc()
                word = "These pages are encrypted: begin their address with https:// in place of http://."
                within.raw.write(_plain_word("400 Bad Request", word))
                within.raw.close()
        if not within.raw.is_closing():
            super().buffer_updated(nbytes)


def _whose(transport: asyncio.BaseTransport) -> str:
    """Return the address of the other end, by which its connections are counted."""
    peer = transport.get_extra_info("peername")
    return str(peer[0]) if peer else ""


def _plain_word(status: str, word: str) -> bytes:
    return _PLAIN_WORD.format(status, len(word) + 1, word + "\n").encode()


def _plain_address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    """An address; one of IPv4 that came by a socket of IPv6 as it is."""
    address = ipaddress.ip_address(text.partition("%")[0])
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return mapped or address


def bounded(
    metrics: Metrics, *, context: ssl.SSLContext | None = None, proxy: str | None = None
) -> Callable[..., asyncio.BaseProtocol]:
    """Return what makes the connections of one server, which count in its metrics.

    Parameters
    ----------
    metrics : Metrics
    context : ssl.SSLContext, optional
        What they are encrypted with; in the clear without.
    proxy : str, optional
        Address of the only other machine that may connect.
    """

    class Counted(BoundedConnection):
        counted = metrics
        only_from = proxy

    begun: dict[str, list[EncryptedConnection]] = {}

    def encrypted(**more: Any) -> EncryptedConnection:
        return EncryptedConnection(partial(Counted, **more), context, metrics, begun)  # type: ignore[arg-type]

    return Counted if context is None else encrypted
