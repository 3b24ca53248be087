"""`underturf pages`: the pages of many sites that workers run elsewhere, each under names of its own.

It holds no site and keeps no state: it reads all, and writes what people write, their marks and sessions. A web server
in front encrypts, and passes the name that was asked for; by that a request comes to its site. So each site has its own
cookies, people and roles. Settings that are changed, in a file or on a page, are read by a new start of all of it.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Collection, Mapping
from contextlib import ExitStack
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
from pipeline.many_sites import read_site, written_in
from pipeline.news import NewsExchange
from pipeline.run.clock import SystemClock
from pipeline.run.metrics import Metrics
from pipeline.run.part import Part
from pipeline.service import Pipeline
from pipeline.site.server import PagesConfig
from pipeline.site.settings import ConfigFault, SiteConfig
from pipeline.store.opening import dsn_of, news_session

SETTINGS_LOOK_S = 2.0
LATER_S = 30.0  # then it is tried again to show what could not be opened
log = logging.getLogger(__name__)


class SitesByName:
    """The applications of several sites as one: a request goes to that of the host it asks for, others get a 421."""

    def __init__(self, apps: Mapping[str, FastAPI]) -> None:
        self._apps = dict(apps)
        self.state = SimpleNamespace(metrics=Metrics(), ending=threading.Event())
        for app in self._apps.values():
            app.state.ending = self.state.ending

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        hosts = Headers(scope=scope).getlist("host")
        app = self._apps.get(host_name(hosts[0])) if len(hosts) == 1 else None
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


def serve_pages(
    sites: Path, own: Path, host: str, port: int, environment: Mapping[str, str], told_to_stop: threading.Event
) -> int:
    """Run until SIGINT or SIGTERM, or until settings are changed; return the exit code, `START_AGAIN` for the latter.

    Raises
    ------
    ConfigFault
        When no site of the folder can be shown.
    OSError
        When the port is not to be had.
    """
    keep_memory_returnable()
    before, crashed = written_in(sites), list[str]()
    with ExitStack() as running:
        shown, some_later = open_pages(sites, own, environment)
        for pipeline in shown.values():
            running.callback(pipeline.stop)
        proxy = next(iter(shown.values())).config.pages.proxy
        pages = PagesConfig(host=host, port=port, proxy=proxy)
        listener = running.enter_context(listen(pages))
        apps = {name: create_app(one) for one in shown.values() for name in one.config.pages.names}
        server = PagesServer(SitesByName(apps), pages=pages)  # type: ignore[arg-type]
        heed_signals(server, told_to_stop)

        def crash(name: str, bug: BaseException) -> None:
            crashed.append(f"{name}: {bug!r}")
            server.should_exit = True

        for pipeline in shown.values():
            pipeline.start()
            note_settings(pipeline)
        config = next(iter(shown.values())).config
        exchange = NewsExchange(news_session(dsn_of(config)), lambda: shown, SystemClock())
        running.callback(Part("news", exchange, crash).end)
        ended = threading.Event()
        running.callback(ended.set)

        def watch() -> None:
            looks = 0
            while not ended.wait(SETTINGS_LOOK_S):
                looks += 1
                later = some_later and looks * SETTINGS_LOOK_S >= LATER_S
                if later or written_in(sites) != before or any(one.wait(0.0) for one in shown.values()):
                    server.should_exit = True

        threading.Thread(target=watch, name="watch", daemon=True).start()
        log.info("pages_at host=%s port=%d sites=%d", host, port, len(shown))
        if not told_to_stop.is_set():
            server.run(sockets=[listener])
        crashed += [one.crash for one in shown.values() if one.crash]
    return 1 if crashed else 0 if told_to_stop.is_set() else START_AGAIN


def open_pages(
    sites: Path, own: Path, environment: Mapping[str, str] | None = None
) -> tuple[dict[str, Pipeline], bool]:
    """Open every site of a folder that can be shown, by its name; what is wrong with others goes to the log.

    Returns
    -------
    (dict of str to Pipeline, bool)
        And whether some may be shown later, for example once a worker has made their tables.

    Raises
    ------
    ConfigFault
        When none can be shown.
    StoreAway
        When some could later.
    """
    shown: dict[str, Pipeline] = {}
    read = list[SiteConfig]()
    faults, missing, taken = list[str](), list[str](), set[str]()
    for file in written_in(sites):
        try:
            config = read_site(file, own, environment, read)
            read.append(config)
            proxy = next((one.config.pages.proxy for one in shown.values()), None)
            names = names_of(config, taken, proxy)
            shown[config.site.name] = Pipeline(config, among_many=True, pages_only=True)
            taken |= names
        except ConfigFault as fault:
            faults.append(f"{file.name}: {fault}")
        except PipelineFault as fault:
            missing.append(f"{file.name}: {fault}")
    for reason in (*faults, *missing):
        log.error("site_not_shown reason=%s", reason.replace("\n", "; "))
    if not shown and missing:
        raise StoreAway("; ".join(missing))
    if not shown:
        raise ConfigFault(faults or [f"{sites}: found no file NAME.toml, expected the settings of each site"])
    return shown, bool(missing)
