"""The web application over one pipeline: JSON, pages, live updates, health.

It only puts the rooms together: routes are in `data`, `live`, `health` and `pages`. Scripts come from this server
alone.
"""

from __future__ import annotations

import hashlib
import threading
from collections import Counter

from fastapi import Depends, FastAPI, Request
from starlette.datastructures import Headers, MutableHeaders
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api import (
    advice,
    alert_history,
    answers,
    booking,
    compare,
    connections,
    data,
    diary,
    feed,
    first,
    ground,
    health,
    jobs,
    live,
    nodes,
    photos,
    probes,
    season,
    settings,
    sign_in,
    tour,
    trust,
)
from api.load import MAX_ANSWERS_KEPT, FactCache
from api.pages import alerts, book, forms, station, today, windows, work, year
from api.pages import compare as compare_page
from api.pages import diary as diary_page
from api.pages import first as first_page
from api.pages import ground as ground_page
from api.pages import jobs as jobs_page
from api.pages import offline as offline_page
from api.pages import people as people_page
from api.pages import probes as probe_pages
from api.pages import problem as problem_page
from api.pages import settings as settings_page
from api.pages import sign_in as sign_in_page
from api.pages import tour as tour_page
from api.pages import trust as trust_page
from api.problems import MAX_SHOWN, RESPONSES, Problem
from api.writing import own_hosts, refuse_host, refuse_long
from pipeline.service import Pipeline
from pipeline.site.fields import nearest

MAX_UNKNOWN = 10  # query parameters named in one refusal
PACKED_FROM_BYTES = 1000  # shorter answers fit into one network packet as they are
PACKING = 1  # of 9: a year by the hour is packed in a third of the time that 6 takes, and is a tenth larger
# Styles stand in the page; scripts come from this server only.
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
    "connect-src 'self'; font-src 'self'; worker-src 'self'; manifest-src 'self'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)


def create_app(pipeline: Pipeline) -> FastAPI:
    """The application that shows `pipeline`. It neither starts nor stops it."""
    app = FastAPI(
        title="Underturf",
        summary="Water in the thatch and in the root zone, from probes left in fine turf",
        version="1",
        docs_url=None,
        redoc_url=None,
        responses=RESPONSES,
        dependencies=[Depends(sign_in.require), Depends(refuse_unknown_query)],
    )
    app.state.pipeline = pipeline
    app.state.metrics = pipeline.metrics
    app.state.ending = threading.Event()  # set when the server ends: live updates end first
    app.state.facts = FactCache(pipeline)
    app.state.answers = FactCache(pipeline, most=MAX_ANSWERS_KEPT)
    app.state.hosts = own_hosts(pipeline.config.pages)
    app.state.sign_ins = sign_in.SignIns(pipeline)
    app.state.streams = Counter()  # of live updates that are open, by address
    pipeline.metrics.limits({**connections.CONNECTION_LIMITS, **live.STREAM_LIMITS})
    problem_page.install(app)
    sign_in_page.install(app)
    for part in (
        data, alert_history, answers, advice, booking, diary, feed, first, first_page, live, nodes, season, ground,
        health, today, station, probes, probe_pages, alerts, book, windows, work, year, ground_page, compare,
        compare_page, tour, tour_page, trust, trust_page, forms, diary_page, sign_in_page, people_page, offline_page,
        settings, settings_page, photos, jobs, jobs_page,
    ):  # fmt: skip
        app.include_router(part.router)
    app.include_router(people_page.data)
    app.mount("/static", StaticFiles(directory=offline_page.STATIC), name="static")

    app.add_middleware(_Conditional)
    app.add_middleware(GZipMiddleware, minimum_size=PACKED_FROM_BYTES, compresslevel=PACKING)
    app.add_middleware(_Guard)
    return app


async def refuse_unknown_query(request: Request) -> None:
    """Refuse a query parameter that the route does not declare: left unread, another question would be answered.

    Raises
    ------
    Problem
        400 with each such parameter and the nearest declared one.
    """
    declared = {p.name: p.alias for p in request.scope["route"].dependant.query_params}
    unknown = [key for key in request.query_params if key not in declared.values()]
    if unknown:
        faults = [
            # by the name of the argument too: who writes `start` means `from`
            f"found {key[:MAX_SHOWN]!r}, expected {nearest(declared.get(key, key[:MAX_SHOWN]), declared.values())}"
            for key in unknown[:MAX_UNKNOWN]
        ]
        raise Problem(400, "No such query parameter", "; ".join(faults), faults=faults if len(faults) > 1 else ())


class _Guard:
    """Puts the headers that keep scripts and frames of others out on every answer, and lets in no request for another
    host and no body too long.

    Streams pass through untouched.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.setdefault("Content-Security-Policy", CONTENT_POLICY)
                headers.setdefault("X-Content-Type-Options", "nosniff")
                headers.setdefault("Referrer-Policy", "same-origin")  # with none a plain form would not tell its origin
                headers.setdefault("Cache-Control", "no-cache")  # it may be kept, and is asked about before it is used
            await send(message)

        if scope["type"] == "http":
            headers = Headers(scope=scope)
            problem = refuse_host(headers, scope["app"].state.hosts)
            problem = problem or refuse_long(scope["method"], scope["path"], headers)
            if problem is not None:
                await problem_page.answer(Request(scope), problem)(scope, receive, guarded)
                return
        await self._app(scope, receive, guarded)


class _Conditional:
    """Tags whole answers to GET by their content, and answers 304 to whoever has that one already (RFC 9110, 13.1.2).

    The tag is weak: packed and unpacked, the bytes differ. An answer that comes in pieces passes through untouched.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        begun: Message | None = None

        async def tagged(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start" and message["status"] == 200:
                begun = message  # held back until it is known whether the body is whole
                return
            if begun is not None and message["type"] == "http.response.body":
                held, begun = begun, None
                if not message.get("more_body", False):
                    held, message = _tagged(held, message, Headers(scope=scope).get("if-none-match", ""))
                await send(held)
            await send(message)

        is_get = scope["type"] == "http" and scope["method"] == "GET"
        await self._app(scope, receive, tagged if is_get else send)


def _tagged(head: Message, body: Message, asked: str) -> tuple[Message, Message]:
    """The answer with its tag; without its body where that is among the tags asked about."""
    headers = MutableHeaders(scope=head)
    tag = headers.setdefault("ETag", f'W/"{hashlib.blake2b(body["body"], digest_size=16).hexdigest()}"')
    if asked.strip() != "*" and tag not in [one.strip() for one in asked.split(",")]:
        return head, body
    for name in ("content-length", "content-type"):
        del headers[name]
    return {**head, "status": 304}, {**body, "body": b""}
