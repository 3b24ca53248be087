"""What is served when the database does not open: what is damaged, and how to restore it, at every address.

Nothing else runs: no broker, so the nodes keep their readings, and nothing that would write. The page names folders of
this machine, so it too is for this server's own hosts only.
"""

from __future__ import annotations

import html
import logging
import threading
from collections.abc import Awaitable, Callable

from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse, Response

from api.problems import Problem, document
from api.writing import own_hosts, refuse_host
from pipeline.run.clock import SystemClock
from pipeline.run.metrics import Metrics
from pipeline.service import tell_of_damage
from pipeline.site.settings import SiteConfig
from pipeline.store.backup import read_record

PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark"><title>{title}: the data are damaged</title></head>
<body style="font:1.1rem/1.5 system-ui,sans-serif;max-width:40rem;margin:2rem auto;padding:0 1rem;
overflow-wrap:anywhere">
<h1>{title}: the data are damaged</h1><p><strong>{reason}</strong></p>
<p>No reading is lost by that: the nodes keep theirs until the data are back, as far as their room reaches.</p>
<ol><li>Stop the service: <code>sudo systemctl stop underturf</code></li>
<li>Restore the last good backup: <code>sudo underturf restore {backup} --config
/etc/underturf/underturf.toml --replace</code>.
What is there now is set aside, not removed.</li><li>Start the service.</li></ol></body></html>
"""

DAMAGED_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
RETRY_S = 300.0
log = logging.getLogger(__name__)


def damaged_app(config: SiteConfig, reason: str) -> FastAPI:
    """The application that answers 503 with what is damaged, everywhere but at `/healthz`; 421 to another host."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    app.state.ending = threading.Event()
    app.state.metrics = Metrics()
    backup = read_record(config.data.dir).folder or "BACKUP"
    told = {"title": config.site.title, "reason": reason, "backup": backup}
    page = PAGE.format(**{name: html.escape(text) for name, text in told.items()})
    hosts = own_hosts(config.pages)

    @app.middleware("http")
    async def guard(request: Request, go_on: Callable[[Request], Awaitable[Response]]) -> Response:
        foreign = refuse_host(request.headers, hosts)
        response = await go_on(request) if foreign is None else document(request, foreign)
        response.headers["Content-Security-Policy"] = DAMAGED_POLICY
        response.headers["X-Content-Type-Options"] = "nosniff"
        return response

    @app.get("/healthz")
    def healthz() -> dict[str, object]:
        return {"state": "degraded", "reasons": [f"store: {reason}"], "caught_up": False}

    @app.api_route("/{path:path}", methods=["GET", "HEAD", "POST", "DELETE"])
    def anything(request: Request, path: str) -> Response:
        if "text/html" in request.headers.get("accept", "") and not path.startswith("api/"):
            return HTMLResponse(page, status_code=503)
        return document(request, Problem(503, "The data are damaged", reason))

    return app


def tell_until_taken(config: SiteConfig, reason: str, ended: threading.Event) -> None:
    """Have people and machines told, each few minutes until all have taken it."""
    log.critical("store_damaged reason=%s", reason)
    while not tell_of_damage(config, SystemClock(), reason) and not ended.wait(RETRY_S):
        pass
