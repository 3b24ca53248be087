"""Errors as problem documents (RFC 9457, `application/problem+json`), or as a page for a reader who came for one.

Everything below `/api/`, and whoever does not ask for HTML, gets the document. It must not tell what is inside: a bug
is logged, and the answer says only that there was one.
"""

from __future__ import annotations

import logging
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, Response
from starlette.exceptions import HTTPException
from starlette.templating import Jinja2Templates

from api import schema
from pipeline.errors import PipelineFault

MEDIA_TYPE = "application/problem+json"
RETRY_AFTER_S = 10
RESPONSES: dict[int | str, dict[str, Any]] = {
    status: {"description": text, "content": {MEDIA_TYPE: {"schema": schema.ProblemOut.model_json_schema()}}}
    for status, text in (
        (404, "There is no such thing"),
        (422, "The request does not have the expected form"),
        (503, "The store cannot answer just now"),
    )
}
log = logging.getLogger(__name__)
_templates = Jinja2Templates(directory=__file__.rpartition("/")[0] + "/pages/templates")


class Problem(Exception):
    """A request that cannot be answered: `title` names the thing, `detail` what was found and what was expected."""

    def __init__(self, status: int, title: str, detail: str) -> None:
        super().__init__(detail)
        self.status, self.title, self.detail = status, title, detail


def install(app: FastAPI) -> None:
    """Make every error of the application a problem document."""

    @app.exception_handler(Problem)
    async def _problem(request: Request, problem: Problem) -> Response:
        return _answer(request, problem.status, problem.title, problem.detail)

    @app.exception_handler(HTTPException)
    async def _http(request: Request, err: HTTPException) -> Response:
        answer = _answer(request, err.status_code, str(err.detail), f"{request.method} {request.url.path}")
        answer.headers.update(err.headers or {})
        return answer

    @app.exception_handler(RequestValidationError)
    async def _unexpected_form(request: Request, err: RequestValidationError) -> Response:
        detail = "; ".join(
            f"{'.'.join(str(part) for part in fault['loc'])}: found {fault.get('input')!r}, {fault['msg']}"
            for fault in err.errors()
        )
        return _answer(request, 422, "The request does not have the expected form", detail)

    @app.exception_handler(PipelineFault)
    async def _away(request: Request, err: PipelineFault) -> Response:
        answer = _answer(request, 503, "The store cannot answer just now", str(err))
        answer.headers["Retry-After"] = str(RETRY_AFTER_S)
        return answer

    @app.exception_handler(Exception)
    async def _bug(request: Request, err: Exception) -> Response:
        log.error("request_crashed path=%s", request.url.path, exc_info=err)
        return _answer(request, 500, "There is a fault in the program", "Its log on the server says more.")


def _answer(request: Request, status: int, title: str, detail: str) -> Response:
    body = schema.ProblemOut(
        type="about:blank", title=title, status=status, detail=detail, instance=request.url.path
    ).model_dump()
    wants_page = "text/html" in request.headers.get("accept", "") and not request.url.path.startswith("/api/")
    if wants_page:
        site = request.app.state.pipeline.config.site
        page = _templates.get_template("problem.html").render(problem=body, site=site, stations=[], twin=None)
        return HTMLResponse(page, status_code=status)
    return JSONResponse(body, status_code=status, media_type=MEDIA_TYPE)
