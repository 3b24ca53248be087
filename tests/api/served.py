"""The application behind a real uvicorn on a free port of loopback, and its routes."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from fastapi import FastAPI
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient as AnyClient

from api.app import create_app
from api.serve import PagesServer, listen
from pipeline.service import Pipeline
from pipeline.site.server import PagesConfig
from tests.pipeline.conftest import wait_until


class TestClient(AnyClient):
    """A client of the application under a name that the server has."""

    __test__ = False

    def __init__(self, app: Any, base_url: str = "http://localhost", **more: Any) -> None:
        super().__init__(app, base_url, **more)


@contextmanager
def serving(
    pipeline: Pipeline, port: int = 0, app: FastAPI | None = None, *, context: ssl.SSLContext | None = None
) -> Iterator[str]:
    """Serve a pipeline, or an application over one, from a thread; gives its address. It ends with the block, live
    updates cut. With a context it is encrypted."""
    listener = listen(PagesConfig.model_construct(host="127.0.0.1", port=port))  # 0: any that is free
    pages = pipeline.config.pages
    server = PagesServer(app or create_app(pipeline), pages=pages, context=context, log_level="error")
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        wait_until(lambda: server.started, "the server answers")
        yield f"http{'' if context is None else 's'}://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(20)
        listener.close()
        assert not thread.is_alive()


def api_routes(routes: Iterable[Any]) -> Iterator[APIRoute]:
    """Routes of an application, those of its routers among them whichever way they are kept."""
    for route in routes:
        if isinstance(route, APIRoute):
            yield route
        elif hasattr(route, "original_router"):
            yield from api_routes(route.original_router.routes)
