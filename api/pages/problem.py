"""Every error of a request as an answer: the problem document, or a page for a reader who came for one.

Everything below `/api/`, and whoever does not ask for HTML, gets the document. It must not tell what is inside: a bug
is logged, and the answer says only that there was one.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from api.pages.frame import answer as page
from api.problems import MAX_SHOWN, Problem, body_of, document, headers_of, wants_page
from pipeline.errors import PipelineFault

RETRY_AFTER_S = 10
log = logging.getLogger(__name__)


def install(app: FastAPI) -> None:
    """Make every error of the application a problem document."""

    @app.exception_handler(Problem)
    def _problem(request: Request, problem: Problem) -> Response:
        return answer(request, problem)

    @app.exception_handler(HTTPException)
    def _http(request: Request, err: HTTPException) -> Response:
        told = _answer(request, err.status_code, str(err.detail), f"{request.method} {request.url.path}")
        told.headers.update(err.headers or {})
        return told

    @app.exception_handler(RequestValidationError)
    def _unexpected_form(request: Request, err: RequestValidationError) -> Response:
        faults = [
            f"{'.'.join(str(part) for part in fault['loc'])}: found {_shown(fault.get('input'))}, {fault['msg']}"
            for fault in err.errors()
        ]
        more = faults if len(faults) > 1 else ()
        return _answer(request, 422, "The request does not have the expected form", "; ".join(faults), more)

    @app.exception_handler(PipelineFault)
    def _away(request: Request, err: PipelineFault) -> Response:
        problem = Problem(503, "The store cannot answer just now", str(err), retry_after_s=RETRY_AFTER_S)
        return answer(request, problem)

    @app.exception_handler(Exception)
    def _bug(request: Request, err: Exception) -> Response:
        log.error("request_crashed path=%s", request.url.path, exc_info=err)
        return _answer(request, 500, "There is a fault in the program", "Its log on the server says more.")


def answer(request: Request, problem: Problem) -> Response:
    """The answer that tells of a problem."""
    told = _answer(request, problem.status, problem.title, problem.detail, problem.faults)
    told.headers.update(headers_of(request, problem))
    return told


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= MAX_SHOWN else f"{text[:MAX_SHOWN]}..."


def _answer(request: Request, status: int, title: str, detail: str, faults: Sequence[str] = ()) -> Response:
    problem = Problem(status, title, detail, faults=faults)
    if wants_page(request):
        told = {"problem": body_of(request, problem)}
        return page(request, "problem.html", request.app.state.pipeline, told, status=status)
    return document(request, problem)
