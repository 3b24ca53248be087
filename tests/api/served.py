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
from api.people import add_person, new_session
from api.serve import PagesServer, listen
from api.who import SESSION_COOKIE
from pipeline.service import Pipeline
from pipeline.site.server import PagesConfig
from tests.pipeline.conftest import wait_until


class TestClient(AnyClient):
    """A client of the application on its own machine, under a name that the server has."""

    __test__ = False

    def __init__(self, app: Any, base_url: str = "http://localhost", **more: Any) -> None:
        super().__init__(app, base_url, **{"client": ("127.0.0.1", 50_000), **more})


def from_afar(app: Any, address: str = "192.0.2.7") -> TestClient:
    """A client on another machine, by an encrypted address of the server, that nobody has signed in on."""
    return TestClient(
        app, "https://192.0.2.10", client=(address, 50_000), raise_server_exceptions=False, follow_redirects=False
    )


def signed_in(app: Any, role: str, name: str = "") -> TestClient:
    """The same with a session of somebody of a role, who is made for it and named like the role."""
    pipeline: Pipeline = app.state.pipeline
    now_ms, name = pipeline.clock.now_ms(), name or role.title()
    person = pipeline.people.person(name) or add_person(pipeline.people, name, role, now_ms, by="a test")
    client = from_afar(app)
    client.cookies.set(SESSION_COOKIE, new_session(pipeline.people, person, now_ms))
    return client


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


def plain_form(client: TestClient, path: str, form: dict[str, str], status: int = 303) -> str:
    """Send a form as a browser without a script does; gives where it leads, or what was said."""
    headers = {"Origin": "http://localhost", "Accept": "text/html"}
    answer = client.post(path, data=form, headers=headers, follow_redirects=False)
    assert answer.status_code == status, answer.text
    return answer.headers["location"] if status == 303 else answer.text
