"""`underturf work`: a worker over many sites, and on this machine alone how it fares: `/healthz` and `/metrics`."""

from __future__ import annotations

import signal
import threading
from collections.abc import Mapping
from pathlib import Path
from types import FrameType

import uvicorn
from fastapi import FastAPI, Response

from api.serve import listen
from pipeline.many_sites import SiteWorker
from pipeline.run.clock import SystemClock
from pipeline.run.metrics import CONTENT_TYPE, text_of_sites
from pipeline.run.part import Part
from pipeline.site.server import PagesConfig


def worker_app(worker: SiteWorker) -> FastAPI:
    """The application that tells how a worker fares. It neither starts nor stops it."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)

    @app.get("/healthz")
    def healthz() -> dict[str, object]:
        return worker.health()

    @app.get("/metrics")
    def metrics() -> Response:
        held = {name: pipeline.metrics for name, pipeline in worker.pipelines().items()}
        return Response(text_of_sites(held), media_type=CONTENT_TYPE)

    return app


def work(sites: Path, own: Path, port: int, environment: Mapping[str, str]) -> int:
    """Run until SIGINT or SIGTERM, or until the worker itself crashes; return the exit code.

    Raises
    ------
    ConfigFault
        When no site of the folder can be used.
    OSError
        When the port is not to be had.
    """
    ended, crashed = threading.Event(), list[BaseException]()

    def heed(number: int, frame: FrameType | None) -> None:
        ended.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, heed)
    with listen(PagesConfig(host="127.0.0.1", port=port)) as listener:
        worker = SiteWorker(sites, own, SystemClock(), environment=environment)
        server = uvicorn.Server(uvicorn.Config(worker_app(worker), log_level="warning", access_log=False))

        def crash(name: str, bug: BaseException) -> None:
            crashed.append(bug)
            ended.set()

        parts = [
            Part("sites", worker, crash), Part("news", worker.exchange, crash), Part("jobs", worker.jobs, crash),
        ]  # fmt: skip
        pages = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, name="pages", daemon=True)
        pages.start()
        ended.wait()
        server.should_exit = True
        for part in parts:
            part.end()
        pages.join()
    if crashed:
        raise crashed[0]
    return 0
