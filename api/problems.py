"""Errors as problem documents (RFC 9457, `application/problem+json`). `api/pages/problem.py` shows them as pages."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fastapi import Request
from fastapi.responses import JSONResponse

from api import schema

PROBLEM_TYPE = "application/problem+json"
MAX_SHOWN = 100  # characters of what was sent, in a fault
Responses = dict[int | str, dict[str, Any]]


def described(*statuses: tuple[int, str]) -> Responses:
    """Return statuses with their meaning as the description of an endpoint has them; each is a problem document."""
    content = {PROBLEM_TYPE: {"schema": schema.ProblemOut.model_json_schema()}}
    return {status: {"description": text, "content": content} for status, text in statuses}


RESPONSES = described(
    (400, "The query has a parameter that this address does not know, or the body is no JSON"),
    (401, "Nobody is signed in, or the token does not hold"),
    (403, "Whoever asks may not; or the request comes from a page of another site"),
    (404, "There is no such thing"),
    (421, "The request names another host than this server"),
    (422, "The request does not have the expected form"),
    (503, "The store cannot answer just now"),
)
WRITE_RESPONSES = described(
    (411, "The length of the body is not told"),
    (413, "The body is too long"),
    (415, "The body is not JSON"),
)


class Problem(Exception):
    """A request that cannot be answered: `title` names the thing, `detail` what was found and what was expected.

    `faults` lists every one where there may be several; `retry_after_s` says when it is worth asking again.
    """

    def __init__(
        self, status: int, title: str, detail: str, *, faults: Sequence[str] = (), retry_after_s: int | None = None
    ) -> None:
        super().__init__(detail)
        self.status, self.title, self.detail = status, title, detail
        self.faults, self.retry_after_s = tuple(faults), retry_after_s


class SignInFirst(Problem):
    """Nobody is known who asks. `sent` is the body of the form that was sent, if it was one: nothing typed is lost."""

    def __init__(self, sent: str = "") -> None:
        super().__init__(401, "Sign in first", "found nobody signed in, expected a session or a token that holds")
        self.sent = sent


class SendAgain(Problem):
    """A form made before the session it came with, as by another window in which somebody signed in meanwhile."""

    def __init__(self, sent: str) -> None:
        super().__init__(403, "Send it again", "csrf: found a form of another session, expected one of this session")
        self.sent = sent


def headers_of(request: Request, problem: Problem) -> dict[str, str]:
    """Return what a problem says beside its body: when to ask again, or how to show who one is."""
    if problem.status == 401:
        # Calendars can be given a password and no token; a browser that is asked so shows a form of its own.
        asks = 'Basic realm="Underturf", Bearer' if request.url.path.startswith("/calendar/") else "Bearer"
        return {"WWW-Authenticate": asks}
    return {} if problem.retry_after_s is None else {"Retry-After": str(problem.retry_after_s)}


def wants_page(request: Request) -> bool:
    """Return whether a page is asked for, and not data."""
    return "text/html" in request.headers.get("accept", "") and not request.url.path.startswith("/api/")


def document(request: Request, problem: Problem) -> JSONResponse:
    """The problem document, for whoever asks."""
    return JSONResponse(body_of(request, problem), status_code=problem.status, media_type=PROBLEM_TYPE)


def body_of(request: Request, problem: Problem) -> dict[str, Any]:
    return schema.ProblemOut(
        type="about:blank", title=problem.title, status=problem.status, detail=problem.detail,
        instance=request.url.path, faults=list(problem.faults) or None,
    ).model_dump(exclude_none=True)  # fmt: skip
