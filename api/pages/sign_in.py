"""Signing in and out, by password, invitation or link; and a form that came too late, kept until somebody is signed in.

Wherever somebody has to sign in first the sign-in stands in place of the page that was asked for, and leads there. What
was typed into a form is in it, hidden, and shown again to be sent after all. None of it needs a script.
"""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, parse_qsl

from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api import words
from api.access import LONGEST_NAME, LONGEST_PASSWORD, SHORTEST_PASSWORD, Access, digest_of
from api.data import pipeline_of
from api.pages.frame import answer
from api.passwords import TooMany, hashed
from api.people import PeopleRefused, refuse_password
from api.photos import PHOTOGRAPHED
from api.problems import Problem, SendAgain, SignInFirst, document, headers_of, wants_page
from api.sign_in import BUSY_AGAIN_S, SignIns, Slow, begin_session, end_session, refuse_in_the_clear, set_cookie
from api.who import who
from api.writing import MAX_FIELDS, OwnForm, own_path
from pipeline.store.people import Person
from pipeline.texts import say, say_many

UNSHOWN = ("csrf", "back", "sent_as")  # of a form that is sent once more: not typed by anybody
SHARED_PHONE = {"Clear-Site-Data": '"cache"'}  # what was read is not left for whoever has the phone next

router = APIRouter(include_in_schema=False)


def install(app: FastAPI) -> None:
    """Have the sign-in answer in place of what nobody known may ask for."""

    @app.exception_handler(SignInFirst)
    def _first(request: Request, problem: SignInFirst) -> Response:
        if not wants_page(request):
            return _as_data(request, problem)
        asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        fields = {"back": asked if request.method == "GET" else "/"}
        if problem.sent:
            fields = {"to": request.url.path, "sent": problem.sent}
        return _sign_in(request, fields, status=401)

    @app.exception_handler(SendAgain)
    def _again(request: Request, problem: SendAgain) -> Response:
        if not wants_page(request):
            return _as_data(request, problem)
        if "password" in parse_qs(problem.sent):  # typed in another tab; it is not shown
            return RedirectResponse(request.url.path, 303)
        return _send_again(request, request.url.path, problem.sent, status=403)


def _as_data(request: Request, problem: Problem) -> Response:
    told = document(request, problem)
    told.headers.update(headers_of(request, problem))
    return told


# --- by password -----------------------------------------------------------------------------------------------------


@router.get("/sign-in", response_class=HTMLResponse)
def sign_in_page(request: Request, back: str = "/") -> Response:
    return _sign_in(request, {"back": back})


@router.post("/sign-in")
def sign_in(request: Request, form: OwnForm) -> Response:
    """Begin a session; then to where somebody was about to go, or to the form that came too late."""
    refuse_in_the_clear(request)
    signs: SignIns = request.app.state.sign_ins
    address = request.client.host if request.client else ""
    try:
        person = signs.attempt(address, form.get("name", "").strip(), form.get("password", ""))
    except Slow as slow:
        wait = say_many("{n} second", "{n} seconds", slow.wait_s)
        told = say("Too many tries. Wait {wait}, then try again. The owner is told.", wait=wait)
        return _sign_in(request, form, told=told, status=429, headers={"Retry-After": str(slow.wait_s)})
    if person is None:
        told = say("Name and password do not belong together. Look at both, capitals too.")
        return _sign_in(request, form, told=told, status=401)
    to, back = own_path(form.get("to", ""), ""), own_path(form.get("back", ""))
    return begin_session(
        request, person,
        lambda: _send_again(request, to, form.get("sent", "")) if to else RedirectResponse(back, 303),
    )  # fmt: skip


@router.post("/sign-out")
def sign_out(request: Request, form: OwnForm) -> Response:
    """End the session, here and wherever its secret may have got to."""
    end_session(request)
    response = RedirectResponse("/sign-in", 303, headers=SHARED_PHONE)
    set_cookie(request, response, "", 0)
    return response


def _sign_in(
    request: Request,
    form: dict[str, str],
    *,
    told: str = "",
    status: int = 200,
    headers: dict[str, str] | None = None,
) -> HTMLResponse:
    pipeline = pipeline_of(request)
    facts: dict[str, Any] = {
        "told": told,
        "name": form.get("name", "")[:LONGEST_NAME],
        "hidden": {key: form[key] for key in ("back", "to", "sent") if form.get(key)},
        "kept": bool(form.get("to")),
        "nobody": not pipeline.people.people(),
        "longest": (LONGEST_NAME, LONGEST_PASSWORD),
    }
    made = answer(request, "sign_in.html", pipeline, facts, status=status)
    made.headers.update(headers or {})
    if status == 401:
        made.headers["WWW-Authenticate"] = "Bearer"
    return made


def _send_again(request: Request, to: str, sent: str, *, status: int = 200) -> HTMLResponse:
    """A form as it was sent, to be sent once more by whoever is signed in now; a photograph is chosen once more."""
    fields = dict(parse_qsl(sent, keep_blank_values=True)[:MAX_FIELDS])  # with more it is refused when it is sent
    fields.pop("csrf", None)
    shown = [(key.replace("_", " "), value) for key, value in fields.items() if value and key not in UNSHOWN]
    takes_photo = to == "/diary" and fields.get("kind") in PHOTOGRAPHED
    facts = {"to": to, "fields": fields, "shown": shown, "takes_photo": takes_photo}
    return answer(request, "send_again.html", pipeline_of(request), facts, status=status)


# --- by invitation and link ------------------------------------------------------------------------------------------


@router.get("/invitation/{secret}", response_class=HTMLResponse)
def invitation_page(request: Request, secret: str) -> Response:
    return _invitation(request, _invited(request, secret))


@router.post("/invitation/{secret}")
def take_invitation(request: Request, secret: str, form: OwnForm) -> Response:
    """Choose a password, once, and begin a session with it."""
    refuse_in_the_clear(request)
    pipeline, person = pipeline_of(request), _invited(request, secret)
    password, again = form.get("password", ""), form.get("again", "")
    try:
        refuse_password(password, person.name)
        if password != again:
            return _invitation(request, person, told=say("The two are not the same. Type it twice."), status=422)
        made = hashed(password)
    except PeopleRefused as fault:
        return _invitation(request, person, told=words.upper_first(str(fault)), status=422)
    except TooMany as err:
        detail = "found several passwords being looked at, expected fewer"
        raise Problem(503, "Too many at once", detail, retry_after_s=BUSY_AGAIN_S) from err
    taken = pipeline.people.use_invitation(digest_of(secret), made, pipeline.clock.now_ms())
    if taken is None:
        raise _no_invitation()
    return begin_session(request, taken, lambda: RedirectResponse("/", 303))


@router.get("/link/{secret}")
def open_link(request: Request, secret: str) -> RedirectResponse:
    """Let whoever has the link see season and sheet; who may see more already keeps that."""
    pipeline = pipeline_of(request)
    now_ms = pipeline.clock.now_ms()
    found = pipeline.people.credential(digest_of(secret), now_ms)
    if found is None or found.kind != "link":
        detail = "found one that was withdrawn or has ended, expected one that holds. Ask whoever gave it for another."
        raise Problem(404, "No such link", detail)
    response = RedirectResponse("/season", 303)
    if who(request).access < Access.SEASON:
        set_cookie(request, response, secret, (found.ends_at_ms - now_ms) // 1000)
    return response


def _invited(request: Request, secret: str) -> Person:
    pipeline = pipeline_of(request)
    found = pipeline.people.credential(digest_of(secret), pipeline.clock.now_ms())
    person = None if found is None or found.kind != "invitation" else pipeline.people.person(found.person)
    if person is None:
        raise _no_invitation()
    return person


def _no_invitation() -> Problem:
    detail = "found one that was used, has ended or was replaced, expected one that holds. Ask a head for another."
    return Problem(404, "No such invitation", detail)


def _invitation(request: Request, person: Person, *, told: str = "", status: int = 200) -> HTMLResponse:
    facts = {"told": told, "person": person.name, "shortest": SHORTEST_PASSWORD, "longest": LONGEST_PASSWORD}
    return answer(request, "invitation.html", pipeline_of(request), facts, status=status)
