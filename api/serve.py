"""`underturf serve`: broker, pipeline and pages in one service, until told to stop.

When a part of the pipeline crashes the whole service ends with code 1, so that the service manager starts it anew.
"""

from __future__ import annotations

import logging
import signal
import socket
import ssl
import threading
from contextlib import suppress
from types import FrameType

import uvicorn
from fastapi import FastAPI

from api.app import create_app
from api.connections import bounded
from api.damaged import damaged_app, tell_until_taken
from api.load import keep_memory_returnable
from api.people import note_settings
from pipeline.errors import PipelineFault, StoreDamaged, StoreForeign
from pipeline.service import Pipeline
from pipeline.site.server import PagesConfig, is_loopback
from pipeline.site.settings import SiteConfig
from pipeline.store.people import People

START_AGAIN = -1  # no exit code: the settings are read anew
STOP_WITHIN_S = 5  # live updates are cut after that
SERVER_LOOK_S = 1.0
CERTIFICATE_LOOK_S = 60.0
BACKLOG = 100
log = logging.getLogger(__name__)


def serve(config: SiteConfig, told_to_stop: threading.Event) -> int:
    """Run until SIGINT or SIGTERM, or until a part crashes, or until somebody asks for another start. Returns the exit
    code, `START_AGAIN` in that last case.

    Parameters
    ----------
    config : SiteConfig
    told_to_stop : threading.Event
        Set by either signal, and looked at before anything runs: where one server follows another it is the same one,
        so that a signal between them is not lost.

    Raises
    ------
    OSError
        When the pages cannot have their port.
    PipelineFault
        When the pipeline cannot start, or the pages would be in the clear where others reach them. A damaged
        database is no reason: then the pages say so, and nothing else runs.
    """
    keep_memory_returnable()
    context = encryption(config)
    with listen(config.pages) as listener:
        try:
            pipeline = Pipeline(config)
        except (StoreDamaged, StoreForeign) as fault:
            return _serve_damaged(config, listener, context, str(fault), told_to_stop)
        server = PagesServer(create_app(pipeline), pages=config.pages, context=context)
        heed_signals(server, told_to_stop)
        if told_to_stop.is_set():
            pipeline.stop()
            return 0
        pipeline.start()
        note_settings(pipeline)
        if warning := nobody_can_sign_in(config.pages, pipeline.people):
            log.warning("nobody_can_sign_in host=%s: %s", config.pages.host, warning)
        threading.Thread(target=_stop_when_ended, args=(pipeline, server), name="watch", daemon=True).start()
        ended = _keep_certificate(pipeline, context)
        _say_where(config.pages)
        try:
            server.run(sockets=[listener])
        finally:
            ended.set()
            pipeline.stop()
    return 1 if pipeline.crash else START_AGAIN if pipeline.starts_again and not told_to_stop.is_set() else 0


def heed_signals(server: PagesServer, told_to_stop: threading.Event) -> None:
    """Have SIGINT and SIGTERM end a server, before it runs as well, and be remembered.

    While it runs the library handles them, and sends each once more to whoever handled it before: with no handler of
    ours that would end the process before the pipeline has been stopped.
    """

    def heed(number: int, frame: FrameType | None) -> None:
        told_to_stop.set()
        server.handle_exit(number, frame)

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, heed)


def _serve_damaged(
    config: SiteConfig,
    listener: socket.socket,
    context: ssl.SSLContext | None,
    reason: str,
    told_to_stop: threading.Event,
) -> int:
    """Say at every address that the data are damaged, until told to stop."""
    server = PagesServer(damaged_app(config, reason), pages=config.pages, context=context)
    heed_signals(server, told_to_stop)
    if told_to_stop.is_set():
        return 0
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

    def __init__(
        self,
        app: FastAPI,
        *,
        pages: PagesConfig | None = None,
        context: ssl.SSLContext | None = None,
        log_level: str = "warning",
    ) -> None:
        proxy = None if pages is None else pages.proxy
        alone = None if pages is None or is_loopback(pages.host) else proxy
        super().__init__(
            uvicorn.Config(
                app, log_level=log_level, access_log=False, timeout_graceful_shutdown=STOP_WITHIN_S, ws="none",
                http=bounded(app.state.metrics, context=context, proxy=alone),  # type: ignore[arg-type]
                proxy_headers=proxy is not None, forwarded_allow_ips=proxy and [proxy],
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


def encryption(config: SiteConfig) -> ssl.SSLContext | None:
    """Return what the pages are encrypted with; None where they are not.

    Raises
    ------
    PipelineFault
        Where they would have to be and there is no certificate.
    """
    if not config.pages.is_encrypted:
        return None
    from api.certificate import NoCertificate, server_context

    try:
        return server_context(config)
    except NoCertificate as err:
        raise NoCertificate(
            f"pages.host: found {config.pages.host}, which others reach, and no encryption. {err}. Or name the one web "
            "server in front as pages.proxy, or set pages.host to 127.0.0.1."
        ) from err


def _keep_certificate(pipeline: Pipeline, context: ssl.SSLContext | None) -> threading.Event:
    """Renew the certificate in time from a thread, and use whatever another has made; return what ends it."""
    ended = threading.Event()
    if context is not None:
        threading.Thread(target=_look_after, args=(pipeline, context, ended), name="certificate", daemon=True).start()
    return ended


def _look_after(pipeline: Pipeline, context: ssl.SSLContext, ended: threading.Event) -> None:
    """Keep the certificate; what is wrong with it goes to the log once, and stands on the pages while it lasts."""
    told, held = list[str](), 0
    while not ended.is_set():
        held, doubts = look_after_certificate(pipeline, context, held)
        for doubt in doubts:
            if doubt not in told:
                log.warning("certificate_doubt %s", doubt)
        told = doubts
        ended.wait(CERTIFICATE_LOOK_S)


def look_after_certificate(pipeline: Pipeline, context: ssl.SSLContext, held: int) -> tuple[int, list[str]]:
    """Renew the certificate when it is due, use it, and tell the pipeline what is wrong; return that too.

    `held` is what was returned before, 0 at first: it tells the certificate in use from another.
    """
    from api.certificate import doubts_of_time, keep_certificate

    config, now_ms, doubts = pipeline.config, pipeline.clock.now_ms(), list[str]()
    try:
        held = keep_certificate(config, context, now_ms, held)
    except (OSError, PipelineFault) as err:
        doubts.append(f"The certificate of the pages could not be looked after ({err}).")
    with suppress(PipelineFault):  # which the line before has told
        doubts += doubts_of_time(config, now_ms)
    pipeline.outside_notices = tuple(doubts)
    return held, doubts


def _say_where(pages: PagesConfig) -> None:
    log.info("pages_at host=%s port=%d encrypted=%s", pages.host, pages.port, "yes" if pages.is_encrypted else "no")


def nobody_can_sign_in(pages: PagesConfig, people: People | None) -> str:
    """Return a warning that others than this machine reach the pages, and nobody may see them; empty if not so."""
    if (is_loopback(pages.host) and pages.proxy is None) or (people is not None and people.people()):
        return ""
    return "nobody can sign in yet: `underturf person add NAME --role head`"


def _stop_when_ended(pipeline: Pipeline, server: uvicorn.Server) -> None:
    while not pipeline.wait(SERVER_LOOK_S):
        pass
    server.should_exit = True
