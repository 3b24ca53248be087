"""`underturf pages`: the pages of many sites that workers run elsewhere, each under names of its own.

It holds no site and keeps no state: it reads all, and writes what people write, their marks and sessions. A web server
in front encrypts, and passes the name that was asked for; by that a request comes to its site. So each site has its own
cookies, people and roles. A site that cannot be opened, or of which a part crashes, is tried again; the others are
shown meanwhile. Files of settings that are changed are read by a new start of all of it, on the same port.
"""

from __future__ import annotations

import logging
import random
import socket
import threading
from collections.abc import Collection, Iterable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

from fastapi import FastAPI
from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import Receive, Scope, Send

from api.app import create_app
from api.load import keep_memory_returnable
from api.people import note_settings
from api.serve import START_AGAIN, PagesServer, heed_signals, listen
from api.who import host_name
from pipeline.errors import PipelineFault, StoreAway
from pipeline.many_sites import AGAIN_FIRST_S, AGAIN_MOST_S, read_site, written_in
from pipeline.news import NewsExchange
from pipeline.run.backoff import Backoff
from pipeline.run.clock import Clock, SystemClock
from pipeline.run.metrics import Metrics
from pipeline.run.part import Part
from pipeline.service import Pipeline
from pipeline.site.server import PagesConfig
from pipeline.site.settings import ConfigFault, SiteConfig
from pipeline.store.opening import dsn_of, news_session

SETTINGS_LOOK_S = 2.0
LATER_S = 30.0  # at the latest it is tried again to show what could not be opened
log = logging.getLogger(__name__)


class SitesByName:
    """The applications of several sites as one: a request goes to that of the host it asks for, others get a 421; a
    site that cannot be shown for now answers with 503."""

    def __init__(self) -> None:
        self._apps: dict[str, FastAPI | None] = {}
        self.state = SimpleNamespace(metrics=Metrics(), ending=self)

    def put(self, names: Iterable[str], app: FastAPI | None) -> None:
        """Have an application answer under some names, or none; live updates of the one before end."""
        for name in names:
            if before := self._apps.get(name):
                before.state.ending.set()
            self._apps[name] = app

    def set(self) -> None:
        """End the live updates of all; the server calls it first when it ends."""
        for app in list(self._apps.values()):
            if app is not None:
                app.state.ending.set()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        hosts = Headers(scope=scope).getlist("host")
        name = host_name(hosts[0]) if len(hosts) == 1 else ""
        app = self._apps.get(name)
        if app is None and name in self._apps:
            away = PlainTextResponse("This site cannot be shown just now. It is tried again within a minute.\n", 503)
            await away(scope, receive, send)
            return
        unknown = PlainTextResponse("This is not the name of a site here.\n", 421)
        await (unknown if app is None else app)(scope, receive, send)


def names_of(config: SiteConfig, taken: Collection[str], proxy: str | None) -> frozenset[str]:
    """Return the names under which a site is asked for.

    Raises
    ------
    ConfigFault
        When there is none, or another site has one of them, or no web server is in front, or not that of the others:
        whoever comes through one on this machine would pass for somebody at the machine itself.
    """
    pages = config.pages
    if pages.proxy is None or pages.proxy != (proxy or pages.proxy):
        found = "none" if pages.proxy is None else pages.proxy
        raise ConfigFault([f"pages.proxy: found {found}, expected {proxy or 'the address of the web server in front'}"])
    if not pages.names:
        raise ConfigFault(["pages.allowed_hosts: found none, expected a name under which this site is asked for"])
    if both := sorted(pages.names & set(taken)):
        raise ConfigFault([f"pages.allowed_hosts: found {both[0]!r} at another site too, expected a name of its own"])
    return pages.names


@dataclass
class _SiteOfPages:
    """A site of the folder: its settings once they could be read, its pipeline while it is shown, since when, and else
    why not and when it is tried again. [s, steady]"""

    file: Path
    config: SiteConfig | None = None
    pipeline: Pipeline | None = None
    since_s: float = 0.0
    fault: Exception | None = None
    not_before_s: float = 0.0
    again: Backoff = field(default_factory=lambda: Backoff(AGAIN_FIRST_S, LATER_S, random.Random()))


class ShownSites:
    """The sites of a folder that are shown: each has its pipeline and application, once it could be opened.

    Parameters
    ----------
    folder, own : Path
        Of the settings, and of this process.
    environment : mapping of str to str, optional
        Laid over the settings.
    clock : Clock, optional

    Raises
    ------
    ConfigFault
        When none can be shown.
    StoreAway
        When some could later, for example once a worker has made their tables.
    """

    def __init__(
        self, folder: Path, own: Path, environment: Mapping[str, str] | None = None, clock: Clock | None = None
    ) -> None:
        self.by_name = SitesByName()
        self.written = written_in(folder)
        self._own, self._environment = own, environment
        self._clock = SystemClock() if clock is None else clock
        self._sites = [_SiteOfPages(file) for file in self.written]
        self.look()
        if not self.pipelines():
            faults = [f"{one.file.name}: {one.fault}" for one in self._sites]
            if any(not isinstance(one.fault, ConfigFault) for one in self._sites):
                raise StoreAway("; ".join(faults))
            raise ConfigFault(faults or [f"{folder}: found no file NAME.toml, expected the settings of each site"])

    def pipelines(self) -> dict[str, Pipeline]:
        """Return the pipelines of the sites that are shown, by site."""
        return {one.config.site.name: one for one in [site.pipeline for site in self._sites] if one is not None}

    def look(self) -> None:
        """Take leave of pipelines that have ended, and try once to show what is not and is due."""
        for site in self._sites:
            if site.pipeline is not None and site.pipeline.wait(0.0):
                self._hide(site, site.pipeline)
            if site.pipeline is None and self._clock.monotonic() >= site.not_before_s:
                self._try(site)

    def close(self) -> None:
        """Stop all."""
        for pipeline in self.pipelines().values():
            pipeline.stop()

    def _try(self, site: _SiteOfPages) -> None:
        try:
            self._show(site)
        except (ConfigFault, PipelineFault) as fault:
            self._put_off(site, fault)
        except Exception as bug:  # of one site, which is no reason not to show the others
            log.exception("site_not_shown file=%s", site.file.name)
            self._put_off(site, bug)

    def _show(self, site: _SiteOfPages) -> None:
        others = [one.config for one in self._sites if one.config is not None and one is not site]
        config = site.config
        if config is None:
            config = read_site(site.file, self._own, self._environment, others)
            taken = {name for one in others for name in one.pages.names}
            names_of(config, taken, others[0].pages.proxy if others else None)
            site.config = config
            self.by_name.put(config.pages.names, None)
        pipeline = Pipeline(config, among_many=True, pages_only=True)
        try:
            note_settings(pipeline)
            app = create_app(pipeline)
            pipeline.start()
        except BaseException:
            pipeline.stop()
            raise
        self.by_name.put(config.pages.names, app)
        site.pipeline, site.fault, site.since_s = pipeline, None, self._clock.monotonic()
        log.info("site_shown site=%s", config.site.name)

    def _hide(self, site: _SiteOfPages, pipeline: Pipeline) -> None:
        self.by_name.put(pipeline.config.pages.names, None)
        site.pipeline = None
        pipeline.stop()
        if self._clock.monotonic() - site.since_s > AGAIN_MOST_S:
            site.again.reset()
        self._put_off(site, RuntimeError(pipeline.crash or "ended"))

    def _put_off(self, site: _SiteOfPages, fault: Exception) -> None:
        """Try a site again later, and say why where the reason is new."""
        if str(fault) != str(site.fault):
            log.error("site_not_shown file=%s reason=%s", site.file.name, str(fault).replace("\n", "; "))
        site.fault, site.not_before_s = fault, self._clock.monotonic() + site.again.next_s()


def serve_pages(
    sites: Path, own: Path, host: str, port: int, environment: Mapping[str, str], told_to_stop: threading.Event
) -> int:
    """Run until SIGINT or SIGTERM; return the exit code.

    Raises
    ------
    ConfigFault, StoreAway
        When no site of the folder can be shown.
    OSError
        When the port is not to be had.
    """
    keep_memory_returnable()
    code = START_AGAIN
    with listen(PagesConfig(host=host, port=port)) as listener:  # who asks between two starts waits
        while code == START_AGAIN:
            code = _serve_once(sites, own, listener, PagesConfig(host=host, port=port), environment, told_to_stop)
    return code


def _serve_once(
    sites: Path,
    own: Path,
    listener: socket.socket,
    pages: PagesConfig,
    environment: Mapping[str, str],
    told_to_stop: threading.Event,
) -> int:
    """Serve until told to stop, or until a file of settings is changed: then return `START_AGAIN`."""
    crashed = list[str]()
    with ExitStack() as running:
        shown = ShownSites(sites, own, environment)
        running.callback(shown.close)
        config = next(iter(shown.pipelines().values())).config
        pages = pages.model_copy(update={"proxy": config.pages.proxy})
        server = PagesServer(shown.by_name, pages=pages)  # type: ignore[arg-type]
        heed_signals(server, told_to_stop)

        def crash(name: str, bug: BaseException) -> None:
            crashed.append(f"{name}: {bug!r}")
            log.critical("part_crashed name=%s", name, exc_info=bug)
            server.should_exit = True

        exchange = NewsExchange(news_session(dsn_of(config)), shown.pipelines, SystemClock())
        running.callback(Part("news", exchange, crash).end)
        ended = threading.Event()

        def watch() -> None:
            while not ended.wait(SETTINGS_LOOK_S):
                if written_in(sites) != shown.written:
                    server.should_exit = True
                else:
                    shown.look()

        watching = threading.Thread(target=watch, name="watch", daemon=True)
        watching.start()
        running.callback(watching.join)
        running.callback(ended.set)
        log.info("pages_at host=%s port=%d sites=%d", pages.host, pages.port, len(shown.pipelines()))
        if not told_to_stop.is_set():
            server.run(sockets=[listener.dup()])
    return 1 if crashed else 0 if told_to_stop.is_set() else START_AGAIN
