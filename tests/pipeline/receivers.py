"""Real receivers on loopback: a mail server and an HTTP server that note all they take, and one that says anything."""

from __future__ import annotations

import asyncio
import email
import random
import socket
import socketserver
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from email.message import Message as Letter
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from pipeline.store.database import Database


@dataclass
class MailServer:
    """A real SMTP server. `answers` are given first, in order, then `250`; `pause` lets an answer take a while."""

    answers: list[str] = field(default_factory=list)
    letters: list[Letter] = field(default_factory=list)
    recipients: list[str] = field(default_factory=list)
    port: int = 0
    pause: random.Random | None = None
    busy: int = 0

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        self.busy += 1
        try:
            if self.answers and not (answer := self.answers.pop(0)).startswith("250"):
                return answer
            assert isinstance(envelope.content, bytes)
            self.letters.append(email.message_from_bytes(envelope.content, policy=default))
            self.recipients += envelope.rcpt_tos
            if self.pause is not None:
                await asyncio.sleep(self.pause.uniform(0.0, 0.02))
            return "250 kept"
        finally:
            self.busy -= 1


@contextmanager
def mail_server(port: int, server: MailServer | None = None) -> Iterator[MailServer]:
    """A mail server on a port of loopback."""
    server = MailServer() if server is None else server
    server.port = port
    control = Controller(server, hostname="127.0.0.1", port=port)
    control.start()
    try:
        yield server
    finally:
        control.stop()


@dataclass
class HttpServer:
    """A real HTTP server. `answers` are given first, in order, then 200."""

    answers: list[int] = field(default_factory=list)
    heard: list[tuple[str, bytes]] = field(default_factory=list)  # key and body of what was answered by 200
    address: str = ""
    pause: random.Random | None = None
    busy: int = 0


@contextmanager
def http_server(server: HttpServer | None = None) -> Iterator[HttpServer]:
    """An HTTP server on a free port of loopback."""
    state = HttpServer() if server is None else server
    lock, never = threading.Lock(), threading.Event()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            with lock:
                state.busy += 1
            try:
                self._answer()
            finally:
                with lock:
                    state.busy -= 1

        def _answer(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            if len(body) < int(self.headers["Content-Length"]):
                return  # killed in the middle of sending
            with lock:
                status = state.answers.pop(0) if state.answers else 200
                if status == 200:
                    state.heard.append((self.headers["Idempotency-Key"] or "", body))
            if state.pause is not None:
                never.wait(state.pause.uniform(0.0, 0.02))
            self.send_response(status)
            self.end_headers()

        def log_message(self, format: str, *args: Any) -> None:
            pass

    class Server(ThreadingHTTPServer):
        daemon_threads = True

        def handle_error(self, request: Any, client_address: Any) -> None:
            pass  # whoever asked was killed

    with Server(("127.0.0.1", 0), Handler) as listening:
        state.address = f"127.0.0.1:{listening.server_address[1]}"
        thread = threading.Thread(target=listening.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield state
        finally:
            listening.shutdown()
            thread.join()


def sent(database: Database, way: str) -> list[str]:
    """Ids of the messages that are recorded as delivered on a way, in the order they were made."""
    with database.reading() as connection:
        rows = connection.execute(
            "SELECT id FROM message WHERE way = ? AND sent_at_ms IS NOT NULL ORDER BY number", (way,)
        ).fetchall()
    return [i for (i,) in rows]


@contextmanager
def raw_server(talk: Callable[[socket.socket, threading.Event], None]) -> Iterator[tuple[int, list[bytes]]]:
    """A TCP server that has `talk` say whatever it likes after the head of a request; gives its port and the heads.

    `talk` gets an event that is set at the end, to wait on.
    """
    ending, heads = threading.Event(), list[bytes]()

    class Handler(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            head = b""
            while b"\r\n\r\n" not in head and (more := self.request.recv(4096)):
                head += more
            heads.append(head)
            with suppress(OSError):
                talk(self.request, ending)

    class Server(socketserver.ThreadingTCPServer):
        daemon_threads, allow_reuse_address = True, True

    with Server(("127.0.0.1", 0), Handler) as listening:
        thread = threading.Thread(target=listening.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield listening.server_address[1], heads
        finally:
            ending.set()
            listening.shutdown()
            thread.join()
