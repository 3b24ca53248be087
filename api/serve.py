"""`underturf serve`: broker, pipeline and pages in one service, until told to stop.

When a part of the pipeline crashes the whole service ends with code 1, so that the service manager starts it anew.
"""

from __future__ import annotations

import ipaddress
import logging
import signal
import socket
import threading

import uvicorn
from fastapi import FastAPI

from api.app import create_app
from api.connections import bounded
from api.damaged import damaged_app, tell_until_taken
from api.load import keep_memory_returnable
from pipeline.errors import StoreDamaged, StoreForeign
from pipeline.service import Pipeline
from pipeline.site.server import PagesConfig
from pipeline.site.settings import SiteConfig

STOP_WITHIN_S = 5  # live updates are cut after that
SERVER_LOOK_S = 1.0
BACKLOG = 100
log = logging.getLogger(__name__)


def serve(config: SiteConfig) -> int:
    """Run until SIGINT or SIGTERM, or until a part crashes. Returns the exit code.

    Raises
    ------
    OSError
        When the pages cannot have their port.
    PipelineFault
        When the pipeline cannot start. A damaged database is no reason: then the pages say so, and nothing else runs.
    """
    keep_memory_returnable()
    with listen(config.pages) as listener:
        try:
            pipeline = Pipeline(config)
        except (StoreDamaged, StoreForeign) as fault:
            return _serve_damaged(config, listener, str(fault))
        server = PagesServer(create_app(pipeline))
        # When it is done the library sends the signal once more to whoever handled it before: with no handler of ours
        # that would end the process before the pipeline has been stopped.
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, server.handle_exit)
        pipeline.start()
        threading.Thread(target=_stop_when_ended, args=(pipeline, server), name="watch", daemon=True).start()
        _say_where(config.pages)
        try:
            server.run(sockets=[listener])
        finally:
            pipeline.stop()
    return 1 if pipeline.crash else 0


def _serve_damaged(config: SiteConfig, listener: socket.socket, reason: str) -> int:
    """Say at every address that the data are damaged, until told to stop."""
    server = PagesServer(damaged_app(config, reason))
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, server.handle_exit)
    ended = threading.Event()
    threading.Thread(target=tell_until_taken, args=(config, reason, ended), name="tell", daemon=True).start()
    _say_where(config.pages)
    try:
        server.run(sockets=[listener])
    finally:
        ended.set()
    return 0


class PagesServer(uvicorn.Server):
    """Serves the application, and ends its live updates first, lest it wait for every page somebody has left open."""

    def __init__(self, app: FastAPI, *, log_level: str = "warning") -> None:
        super().__init__(
            uvicorn.Config(
                app, log_level=log_level, access_log=False, timeout_graceful_shutdown=STOP_WITHIN_S, ws="none",
                http=bounded(app.state.metrics),
            )
        )  # fmt: skip
        self._ending: threading.Event = app.state.ending

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._ending.set()
        await super().shutdown(sockets)


def listen(pages: PagesConfig) -> socket.socket:
    """The socket of the pages, before anything is started. Raises OSError with what to do."""
    family = socket.AF_INET6 if ":" in pages.host else socket.AF_INET
    try:
        listener = socket.create_server((pages.host, pages.port), family=family, backlog=BACKLOG)
    except OSError as err:
        raise OSError(
            f"pages.port: found {pages.host}:{pages.port} not to be had ({err.strerror or err}), expected a free port "
            "of this machine. Choose another, or stop what has it."
        ) from err
    # An answer leaves in two writes, head and body; with Nagle's algorithm (RFC 896) the second waits for the client's
    # delayed acknowledgement, 40 ms on a kept-alive connection. Connections take the option over from their listener.
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return listener


def is_loopback(host: str) -> bool:
    """Whether an address can be reached from this machine only."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _say_where(pages: PagesConfig) -> None:
    log.info("pages_at host=%s port=%d", pages.host, pages.port)
    if warning := open_to_others(pages):
        log.warning("pages_open host=%s: %s", pages.host, warning)


def open_to_others(pages: PagesConfig) -> str:
    """Return a warning that others than this machine reach the pages; empty if they do not."""
    if is_loopback(pages.host):
        return ""
    return (
        "whoever reaches this machine can read them. Put a proxy with a sign-in and TLS in front, or set pages.host to "
        "127.0.0.1."
    )


def _stop_when_ended(pipeline: Pipeline, server: uvicorn.Server) -> None:
    while not pipeline.wait(SERVER_LOOK_S):
        pass
    server.should_exit = True
