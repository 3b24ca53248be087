"""The people of the site, for a head: who may sign in as what, links and tokens, and what was changed by whom.

What lets somebody in is shown once, on the answer to the form that made it; it is kept nowhere that it could be read.
"""

from __future__ import annotations

import secrets
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api import people as room
from api import schema, words
from api.access import LONGEST_NAME, ROLES, SCOPES, USUAL_DAYS, form_token
from api.data import iso, pipeline_of
from api.pages.frame import answer
from api.problems import Problem
from api.who import who
from api.writing import OwnForm
from pipeline.store.people import Credential, Person
from pipeline.texts import later, say
from pipeline.units import DAY_MS

AUDIT_SHOWN = 30
MOST_DAYS = 3650
ROLE_WORDS = {
    "reader": later("reader, who reads"),
    "keeper": later("keeper, who writes too"),
    "head": later("head, who may do all"),
}

router = APIRouter(include_in_schema=False)
data = APIRouter(prefix="/api/v1", tags=["site"])


@data.get("/me", summary="Who asks, and what a form of theirs bears")
def get_me(request: Request) -> schema.MeOut:
    found = who(request)
    token = form_token(found.secret, secrets.token_hex(8)) if found.secret else ""
    return schema.MeOut(name=found.name, may_write=found.may_write, form_token=token)


@data.get("/people", summary="Who may sign in, which links and tokens hold, and what was changed by whom")
def get_people(request: Request) -> schema.PeopleOut:
    """No secret is in it: those are shown once, when they are made."""
    pipeline = pipeline_of(request)
    people, now_ms = pipeline.people, pipeline.clock.now_ms()
    return schema.PeopleOut(
        people=[
            schema.PersonOut(name=one.name, role=one.role, has_password=one.has_password, added_at=iso(one.added_at_ms))
            for one in people.people()
        ],
        links=[_out(one) for one in people.credentials("link", now_ms)],
        tokens=[_out(one) for one in people.credentials("token", now_ms)],
        audit=[schema.AuditLineOut(at=iso(x.at_ms), who=x.who, what=x.what) for x in people.audit(AUDIT_SHOWN)],
    )


def _out(one: Credential) -> schema.CredentialOut:
    return schema.CredentialOut(name=one.name, scope=one.role, made_at=iso(one.made_at_ms), ends_at=iso(one.ends_at_ms))


@router.get("/people", response_class=HTMLResponse)
def people_page(request: Request) -> Response:
    return _page(request)


@router.post("/people")
def add(request: Request, form: OwnForm) -> Response:
    """Add somebody, and show the address of their invitation."""
    pipeline = pipeline_of(request)
    people, now_ms, by = pipeline.people, pipeline.clock.now_ms(), who(request).said
    try:
        person = room.add_person(people, form.get("name", "").strip(), form.get("role", ""), now_ms, by=by)
    except room.PeopleRefused as fault:
        return _page(request, fault=str(fault), typed=form, status=422)
    return _invited(request, person)


@router.post("/people/{person_id}/invite")
def invite(request: Request, person_id: int, form: OwnForm) -> Response:
    """Show the address of another invitation, as for a password that was forgotten."""
    return _invited(request, _person(request, person_id))


@router.post("/people/{person_id}/role")
def change_role(request: Request, person_id: int, form: OwnForm) -> Response:
    pipeline, person = pipeline_of(request), _not_oneself(request, person_id)
    try:
        room.change_role(pipeline.people, person, form.get("role", ""), pipeline.clock.now_ms(), by=who(request).said)
    except room.PeopleRefused as fault:
        return _page(request, fault=str(fault), status=422)
    return RedirectResponse("/people", 303)


@router.post("/people/{person_id}/remove")
def remove(request: Request, person_id: int, form: OwnForm) -> Response:
    pipeline, person = pipeline_of(request), _not_oneself(request, person_id)
    pipeline.people.remove(person, pipeline.clock.now_ms(), by=who(request).said)
    return RedirectResponse("/people", 303)


@router.post("/people/links")
def add_link(request: Request, form: OwnForm) -> Response:
    """Make a link to season and sheet, and show it."""
    pipeline, days = pipeline_of(request), _days(form)
    people, now_ms = pipeline.people, pipeline.clock.now_ms()
    try:
        path = room.new_link(people, form.get("name", "").strip(), days, now_ms, by=who(request).said)
    except room.PeopleRefused as fault:
        return _page(request, fault=str(fault), status=422)
    return _page(
        request,
        made=(say("Whoever has this address sees season and sheet; it is not shown again:"), _here(request, path)),
    )


@router.post("/people/tokens")
def add_token(request: Request, form: OwnForm) -> Response:
    """Make a token for a machine, and show it."""
    pipeline, days = pipeline_of(request), _days(form)
    people, now_ms = pipeline.people, pipeline.clock.now_ms()
    name, scope = form.get("name", "").strip(), form.get("scope", "")
    try:
        token = room.new_token(people, name, scope, days, now_ms, by=who(request).said)
    except room.PeopleRefused as fault:
        return _page(request, fault=str(fault), status=422)
    return _page(request, made=(say("Give the machine this token now; it is not shown again:"), token))


@router.post("/people/links/revoke")
def revoke_link(request: Request, form: OwnForm) -> Response:
    return _revoked(request, "link", form)


@router.post("/people/tokens/revoke")
def revoke_token(request: Request, form: OwnForm) -> Response:
    return _revoked(request, "token", form)


def _revoked(request: Request, kind: Any, form: dict[str, str]) -> Response:
    """Pressed twice it is gone once."""
    pipeline = pipeline_of(request)
    pipeline.people.revoke(kind, form.get("name", ""), pipeline.clock.now_ms(), by=who(request).said)
    return RedirectResponse("/people", 303)


def _days(form: dict[str, str]) -> int:
    text = form.get("days", "")
    if not (text.isdecimal() and len(text) <= len(str(MOST_DAYS)) and 0 < int(text) <= MOST_DAYS):
        detail = f"days: found {text[:20]!r}, expected a whole number from 1 to {MOST_DAYS}"
        raise Problem(422, "Not a number of days", detail)
    return int(text)


def _person(request: Request, person_id: int) -> Person:
    for one in pipeline_of(request).people.people():
        if one.id == person_id:
            return one
    raise Problem(404, "No such person", f"found {person_id}, expected the number of somebody on the page of people")


def _not_oneself(request: Request, person_id: int) -> Person:
    person = _person(request, person_id)
    if person.name == who(request).name:
        detail = "found your own name, expected another: another head does that, or `underturf person` on the box"
        raise Problem(422, "Not by oneself", detail)
    return person


def _invited(request: Request, person: Person) -> Response:
    pipeline = pipeline_of(request)
    path = room.invite(pipeline.people, person, pipeline.clock.now_ms(), by=who(request).said)
    told = say("{name} chooses a password at this address, once, within seven days:", name=person.name)
    return _page(request, made=(told, _here(request, path)))


def _here(request: Request, path: str) -> str:
    """A path as others ask for it: by the address that the head asks by, unless the settings name another."""
    pages = pipeline_of(request).config.pages
    asked_by_name = pages.address is None and who(request).kind != "here"
    return f"{str(request.base_url).rstrip('/') if asked_by_name else room.outward_address(pages)}{path}"


def _page(
    request: Request,
    *,
    made: tuple[str, str] | None = None,
    fault: str = "",
    typed: dict[str, str] | None = None,
    status: int = 200,
) -> HTMLResponse:
    pipeline = pipeline_of(request)
    zone, now_ms = pipeline.config.site.timezone, pipeline.clock.now_ms()
    people = pipeline.people
    facts: dict[str, Any] = {
        "twin": "/api/v1/people",
        "now": words.date_and_clock(now_ms, zone),
        "made": made,
        "fault": words.upper_first(fault),
        "typed": typed or {},
        "people": people.people(),
        "own": who(request).name,
        "roles": {role: say(ROLE_WORDS[role]) for role in ROLES},
        "scopes": list(SCOPES),
        "usual_days": USUAL_DAYS,
        "longest": LONGEST_NAME,
        "held": [
            (kind, [(one, _ends(one, now_ms)) for one in people.credentials(kind, now_ms)])
            for kind in ("link", "token")
        ],
        "audit": [(words.moment(one.at_ms, zone, now_ms=now_ms), one) for one in people.audit(AUDIT_SHOWN)],
    }
    return answer(request, "people.html", pipeline, facts, status=status)


def _ends(one: Credential, now_ms: int) -> int:
    """Days until a credential ends."""
    return -(-(one.ends_at_ms - now_ms) // DAY_MS)
