"""Errors of the JSON interface as problem documents (RFC 9457, `application/problem+json`)."""

from __future__ import annotations

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from pipeline.errors import PipelineFault

MEDIA_TYPE = "application/problem+json"


class Problem(Exception):
    """A request that cannot be answered: `title` names the thing, `detail` what was found and what was expected."""

    def __init__(self, status: int, title: str, detail: str) -> None:
        super().__init__(detail)
        self.status, self.title, self.detail = status, title, detail


def install(app: FastAPI) -> None:
    """Make every error of the application a problem document."""

    @app.exception_handler(Problem)
    async def _problem(request: Request, problem: Problem) -> JSONResponse:
        return _answer(request, problem.status, problem.title, problem.detail)

    @app.exception_handler(HTTPException)
    async def _http(request: Request, err: HTTPException) -> JSONResponse:
        return _answer(request, err.status_code, str(err.detail), f"{request.method} {request.url.path}")

    @app.exception_handler(RequestValidationError)
    async def _invalid(request: Request, err: RequestValidationError) -> JSONResponse:
        detail = "; ".join(
            f"{'.'.join(str(part) for part in fault['loc'])}: found {fault.get('input')!r}, {fault['msg']}"
            for fault in err.errors()
        )
        return _answer(request, 422, "The request does not have the expected form", detail)

    @app.exception_handler(PipelineFault)
    async def _away(request: Request, err: PipelineFault) -> JSONResponse:
        return _answer(request, 503, "The store cannot answer just now", str(err))


def _answer(request: Request, status: int, title: str, detail: str) -> JSONResponse:
    body = {"type": "about:blank", "title": title, "status": status, "detail": detail, "instance": request.url.path}
    return JSONResponse(body, status_code=status, media_type=MEDIA_TYPE)
