"""Asking the running agent: a socket in its state folder, over which `read` and `live` get one probe read now.

The agent holds its lines, so that another program cannot read a probe beside it. One request a connection, one line
of JSON each way: `{"read": "STATION/PROBE"}`, answered by samples and reason, or by a fault in words; `{"told": true}`,
answered by the channels that the server has told it does not know. Whoever may enter the folder may ask; nothing can
be set.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hardware.reading import Sample, Status
from probe_agent.config import ProbeConfig
from probe_agent.faults import AgentFault

SOCKET_FILE = "agent.sock"
MOST_REQUESTS = 8  # open at once; more wait in the system's own queue
MAX_REQUEST_BYTES = 1024
REQUEST_WITHIN_S = 1.0  # a connection that has not asked by then is closed
TOLD_WITHIN_S = 10.0  # the agent's own thread is at most in a commit or a connection
READ_WITHIN_S = 1200.0  # a sensor may take 999 s, and the slot under way comes first


class AgentAway(AgentFault):
    """No agent answers in this state folder."""


@dataclass(slots=True)
class ReadRequest:
    """One probe to be read now, beside its slots; `done` is set when samples and reason are there."""

    probe: ProbeConfig
    samples: list[Sample] = field(default_factory=list)
    reason: str | None = None
    done: threading.Event = field(default_factory=threading.Event)


class ControlSocket:
    """The agent's side.

    Parameters
    ----------
    folder : Path
        The state folder, locked by this process: a socket left in it is a dead agent's.
    find : callable
        Gives the probe of an id `STATION/PROBE`, None where there is none.
    ask : callable
        Hands a request to the line of its probe; False where that line takes none.
    unknown : callable
        Gives the channels the server has told it does not know; None where it has told nothing yet.
    """

    def __init__(
        self,
        folder: Path,
        find: Callable[[str], ProbeConfig | None],
        ask: Callable[[ReadRequest], bool],
        unknown: Callable[[], Sequence[str] | None],
    ) -> None:
        self._find, self._ask, self._unknown = find, ask, unknown
        self._open: list[tuple[socket.socket, ReadRequest]] = []
        self._path = folder / SOCKET_FILE
        self._socket: socket.socket | None = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_NONBLOCK)
        try:
            self._path.unlink(missing_ok=True)
            with _short(self._path) as path:
                self._socket.bind(path)
            self._socket.listen(MOST_REQUESTS)
        except OSError as err:  # the agent reads on without it
            logging.getLogger("underturf.agent").warning("no_control_socket reason=%r", str(err))
            self._socket.close()
            self._socket = None

    def step(self) -> None:
        """Answer what is done, and take a request that has come."""
        for connection, request in list(self._open):
            if request.done.is_set():
                self._open.remove((connection, request))
                _answer(connection, {"samples": [_as_json(one) for one in request.samples], "reason": request.reason})
        if self._socket is None or len(self._open) >= MOST_REQUESTS:
            return
        try:
            connection, _ = self._socket.accept()
        except OSError:  # nobody asks
            return
        connection.settimeout(REQUEST_WITHIN_S)
        asked = self._requested(connection)
        if isinstance(asked, ReadRequest):
            self._open.append((connection, asked))
        else:
            _answer(connection, asked)

    def _requested(self, connection: socket.socket) -> ReadRequest | dict[str, object]:
        """Return what is to be read, or the answer."""
        try:
            asked = json.loads(_line(connection, MAX_REQUEST_BYTES))
            if asked == {"told": True}:
                unknown = self._unknown()
                return {"unknown": None if unknown is None else list(unknown)}
            name = asked["read"]
        except (OSError, ValueError, TypeError, KeyError, RecursionError):
            return {"fault": 'request: expected {"read": "STATION/PROBE"} and a line feed'}
        probe = self._find(name) if isinstance(name, str) else None
        if probe is None:
            fault = "the running agent has none of that name. Was it started with these settings?"
        elif counts_rain(probe):
            fault = "counts rain since it was last asked; read beside its slots it would lose rain"
        else:
            request = ReadRequest(probe)
            if self._ask(request):
                return request
            fault = "its line takes no requests, it is a dock's"
        return {"fault": f"probe {name!r}: {fault}"}

    def close(self) -> None:
        """Close the socket and whatever waits."""
        for connection, _ in self._open:
            connection.close()
        if self._socket is not None:
            self._socket.close()
            self._path.unlink(missing_ok=True)


def read_by_agent(folder: Path, probe_id: str) -> tuple[list[Sample], str | None]:
    """Have the agent that runs in a state folder read a probe now; return its samples and the reason.

    Raises
    ------
    AgentAway
        When none runs, or it ended meanwhile.
    AgentFault
        When it cannot; the text says why.
    """
    answer = _answer_of(folder, {"read": probe_id}, READ_WITHIN_S)
    return [_from_json(one) for one in answer["samples"]], answer["reason"]


def unknown_by_server(folder: Path) -> list[str] | None:
    """Return the channels of which the server has told the agent that it does not know them; None before it has.

    Raises
    ------
    AgentAway
        When none runs, or it ended meanwhile.
    AgentFault
        When it does not say, as an earlier version does not.
    """
    unknown: list[str] | None = _answer_of(folder, {"told": True}, TOLD_WITHIN_S)["unknown"]
    return unknown


def _answer_of(folder: Path, request: dict[str, object], within_s: float) -> dict[str, Any]:
    """Ask the agent of a folder. Raises AgentAway, AgentFault."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
        connection.settimeout(within_s)
        try:
            with _short(folder / SOCKET_FILE) as path:
                connection.connect(path)
            connection.sendall(json.dumps(request).encode() + b"\n")
            answer: dict[str, Any] = json.loads(_line(connection, 1 << 20))
        except (OSError, ValueError) as err:
            if isinstance(err, PermissionError):
                raise AgentFault(
                    f"{folder}: found {err.strerror}, expected leave to ask the agent; try as root"
                ) from err
            raise AgentAway(f"{folder}: found no agent that answers ({err})") from err
    if "fault" in answer:
        raise AgentFault(answer["fault"])
    return answer


def counts_rain(probe: ProbeConfig) -> bool:
    """Return whether a probe counts rain since it was last asked: read beside its slots it would lose rain."""
    return any(channel.heard == "rain" for channel in probe.description.channels)


def is_answering(folder: Path) -> bool:
    """Return whether an agent answers in a state folder."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
        with _short(folder / SOCKET_FILE) as path:
            connection.connect(path)
        return True
    return False


@contextlib.contextmanager
def _short(path: Path) -> Iterator[str]:
    """A short name of the socket: the system takes 107 bytes and folders may be deep."""
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)


def _line(connection: socket.socket, most: int) -> bytes:
    received = b""
    while not received.endswith(b"\n"):
        data = connection.recv(65536)
        if not data or len(received) + len(data) > most:
            raise ValueError(f"{len(received) + len(data)} bytes without a line feed")
        received += data
    return received


def _answer(connection: socket.socket, answer: dict[str, object]) -> None:
    with contextlib.suppress(OSError), connection:
        connection.sendall(json.dumps(answer).encode() + b"\n")


def _as_json(one: Sample) -> list[object]:
    return [one.channel, one.slot, one.measured_at_ms, one.raw, one.status.value, one.attempts]


def _from_json(row: list[object]) -> Sample:
    channel, slot, at_ms, raw, status, attempts = row
    return Sample(channel, slot, at_ms, raw, Status(status), attempts)  # type: ignore[arg-type]
