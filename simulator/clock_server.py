"""The simulated clock over a Unix socket: agents and pipeline ask it the time and wait on it.

One request a line, one answer a line, UTF-8:

    hello NAME      the asker takes part in the lock-step       -> NOW_MS RATE
    now             the time                                    -> NOW_MS RATE
    until DUE_MS    wait; answered once that time has come      -> NOW_MS RATE

RATE is 0 while time stands between two steps of the history. A client that breaks the form is answered `error ...` and
disconnected. A client that is gone is forgotten and has to say hello again. `simulator.clock` decides when time moves.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
from pathlib import Path

from simulator.clock import ClockSteps, SimulatedTime, offset_ms, steady_s

MAX_CLIENTS = 64
MAX_LINE = 200  # bytes
MAX_PATH = 107  # bytes: the kernel's room for the name of a Unix socket
MAX_NAME = 64


class ClockFault(Exception):
    """The clock cannot be served where it was asked to be."""


class _Client:
    """One connection."""

    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.received = bytearray()
        self.due_ms: int | None = None


class ClockServer:
    """Serves one `SimulatedTime` at a path.

    Parameters
    ----------
    path : Path
        Of the socket. One that nobody serves any more is taken over.
    time : SimulatedTime
    steps : sequence of (int, int)
        When the clock that is told jumps, and by how much: a fault of the box that asks. Time itself does not.
    selector : selectors.BaseSelector
        Where its sockets are watched; whoever runs the loop calls `key.data()` for each that is ready, then `work`.

    Raises
    ------
    ClockFault
        When the path is too long, or somebody serves it.
    """

    def __init__(
        self, path: Path, time: SimulatedTime, selector: selectors.BaseSelector, *, steps: ClockSteps = ()
    ) -> None:
        length = len(os.fsencode(path))
        if length > MAX_PATH:
            raise ClockFault(
                f"clock socket {path}: found a path of {length} bytes, expected {MAX_PATH} or fewer. "
                "Choose a shorter folder."
            )
        self.path = path
        self._time = time
        self._steps = steps
        self._selector = selector
        self._clients: set[_Client] = set()
        _remove_stale(path)
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._listener.bind(str(path))
        except OSError as err:
            self._listener.close()
            raise ClockFault(
                f"clock socket {path}: found {err.strerror}, expected a folder that can be written"
            ) from err
        self._listener.listen(MAX_CLIENTS)
        self._listener.setblocking(False)
        selector.register(self._listener, selectors.EVENT_READ, self._accept)

    def work(self) -> bool:
        """Advance time as far as it may go and answer whoever has waited long enough. True if time moved."""
        real_s = steady_s()
        moved = self._time.advance(real_s)
        now_ms = self._time.now_ms(real_s)
        for client in [c for c in self._clients if c.due_ms is not None and c.due_ms <= now_ms]:
            client.due_ms = None
            self._tell_time(client)
        return moved

    def timeout_s(self) -> float | None:
        """Return real seconds until somebody's wait is over. [s] None if that depends on the others."""
        real_s = steady_s()
        waits = [self._time.real_s_until(c.due_ms, real_s) for c in self._clients if c.due_ms is not None]
        return min((wait for wait in waits if wait is not None), default=None)

    def close(self) -> None:
        """Disconnect all clients and remove the socket."""
        for client in list(self._clients):
            self._drop(client)
        self._selector.unregister(self._listener)
        self._listener.close()
        self.path.unlink(missing_ok=True)

    def _accept(self) -> None:
        connection, _ = self._listener.accept()
        connection.setblocking(False)
        client = _Client(connection)
        self._clients.add(client)
        self._selector.register(connection, selectors.EVENT_READ, lambda: self._receive(client))
        if len(self._clients) > MAX_CLIENTS:
            self._refuse(client, f"found {len(self._clients)} clients, expected at most {MAX_CLIENTS}")

    def _receive(self, client: _Client) -> None:
        try:
            data = client.connection.recv(4096)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._drop(client)
            return
        client.received += data
        while client in self._clients and (end := client.received.find(b"\n")) >= 0:
            line = bytes(client.received[:end])
            del client.received[: end + 1]
            self._request(client, line)
        if len(client.received) > MAX_LINE:
            self._refuse(client, f"found a line of more than {MAX_LINE} bytes, expected a request")

    def _request(self, client: _Client, line: bytes) -> None:
        word, _, rest = line.decode("utf-8", "replace").strip().partition(" ")
        if client.due_ms is not None:
            self._refuse(client, f"found {word!r} while waiting, expected no request before the answer")
        elif word == "now" and not rest:
            self._tell_time(client)
        elif word == "hello" and 0 < len(rest) <= MAX_NAME:
            self._time.register(client, rest)
            self._tell_time(client)
        elif word == "until" and rest.isascii() and rest.isdecimal():
            client.due_ms = int(rest) - offset_ms(self._steps, self._time.now_ms(steady_s()))
            self._time.wait(client, client.due_ms)
        else:
            self._refuse(client, f"found {line[:60]!r}, expected now, hello NAME, or until DUE_MS")

    def _tell_time(self, client: _Client) -> None:
        now_ms = self._time.now_ms(steady_s())
        self._say(client, f"{now_ms + offset_ms(self._steps, now_ms)} {self._time.rate_now():g}\n")

    def _say(self, client: _Client, text: str) -> None:
        try:
            client.connection.sendall(text.encode())
        except OSError:  # gone, or so far behind that its answers no longer fit
            self._drop(client)

    def _refuse(self, client: _Client, reason: str) -> None:
        self._say(client, f"error {reason}\n")
        self._drop(client)

    def _drop(self, client: _Client) -> None:
        if client in self._clients:
            self._clients.remove(client)
            self._time.forget(client)
            self._selector.unregister(client.connection)
            client.connection.close()


def _remove_stale(path: Path) -> None:
    """Remove a socket file that nobody serves: what a killed simulator leaves behind."""
    if not path.is_socket():
        return
    with contextlib.closing(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)) as probe:
        try:
            probe.connect(str(path))
        except ConnectionRefusedError:
            path.unlink()
            return
    raise ClockFault(f"clock socket {path}: found a simulator that serves it. Stop it, or choose another folder.")
