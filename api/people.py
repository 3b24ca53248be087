"""Changes of people and of what lets them in: invitations, tokens and links are made here, each shown once.

Commands and the page of people call it; whoever calls has checked who may. Every change has its line in the audit log.
"""

from __future__ import annotations

import hashlib
import secrets
import socket

from api.access import (
    INVITATION_MS,
    LINK_SCOPE,
    SCOPES,
    SESSION_IDLE_MS,
    digest_of,
    name_faults,
    password_faults,
    role_faults,
)
from pipeline.errors import PipelineFault
from pipeline.service import Pipeline
from pipeline.site.server import PagesConfig, is_loopback
from pipeline.store.people import Credential, Kind, People, Person
from pipeline.units import DAY_MS, MINUTE_MS

SECRET_BYTES = 32
SETTINGS_NOTE = "audit/settings"


class PeopleRefused(PipelineFault):
    """A change of people, tokens or links that cannot be made as it was asked for."""


def add_person(people: People, name: str, role: str, now_ms: int, *, by: str) -> Person:
    """Add somebody, who has no password yet. Raises PeopleRefused with what is wrong."""
    if wrong := name_faults(name) or role_faults(role):
        raise PeopleRefused(wrong)
    made = people.add(name, role, now_ms, by=by)
    if made is None:
        raise PeopleRefused(f"name: found {name!r}, who is there already, expected another")
    return made


def find_person(people: People, name: str) -> Person:
    """Return somebody by name. Raises PeopleRefused where nobody has it."""
    found = people.person(name)
    if found is None:
        there = ", ".join(one.name for one in people.people()) or "nobody yet"
        raise PeopleRefused(f"name: found {name!r}, expected one of: {there}")
    return found


def change_role(people: People, person: Person, role: str, now_ms: int, *, by: str) -> None:
    """Give somebody another role. Raises PeopleRefused where there is no such."""
    if wrong := role_faults(role):
        raise PeopleRefused(wrong)
    people.set_role(person, role, now_ms, by=by)


def invite(people: People, person: Person, now_ms: int, *, by: str) -> str:
    """Return the path of an invitation, by which its person chooses a password, once; earlier ones end."""
    given = Credential("invitation", "", person.name, "", now_ms, 0, now_ms + INVITATION_MS, person.id)
    return f"/invitation/{_issue(people, given, by=by)}"


def refuse_password(password: str, name: str) -> None:
    """Raise PeopleRefused where a password will not do."""
    if wrong := password_faults(password, name):
        raise PeopleRefused(f"password: {wrong}")


def new_token(people: People, name: str, scope: str, days: int, now_ms: int, *, by: str) -> str:
    """Return a new token for a machine. Raises PeopleRefused with what is wrong."""
    if scope not in SCOPES:
        raise PeopleRefused(f"scope: found {scope!r}, expected one of {', '.join(SCOPES)}")
    return _named(people, "token", name, scope, days, now_ms, by=by)


def new_link(people: People, name: str, days: int, now_ms: int, *, by: str) -> str:
    """Return the path of a new link, which shows season and sheet. Raises PeopleRefused with what is wrong."""
    return f"/link/{_named(people, 'link', name, LINK_SCOPE, days, now_ms, by=by)}"


def new_session(people: People, person: Person, now_ms: int) -> str:
    """Return the secret of a new session of somebody."""
    return _issue(people, Credential("session", "", person.name, "", now_ms, 0, now_ms + SESSION_IDLE_MS, person.id))


def token_for_now(people: People, now_ms: int) -> str:
    """Return a token for one question of a command of this box, where whoever asks from it has to sign in."""
    return _issue(people, Credential("token", "a command", "", "read", now_ms, 0, now_ms + MINUTE_MS))


def outward_address(pages: PagesConfig) -> str:
    """Return what an address of these pages begins with, as others than this machine ask for it."""
    if pages.address is not None:
        return pages.address
    if is_loopback(pages.host):
        return f"http://127.0.0.1:{pages.port}"
    machine = socket.gethostname().lower().partition(".")[0]
    host = f"{machine}.local" if pages.host in ("0.0.0.0", "::", "") else pages.host
    return f"https://{f'[{host}]' if ':' in host else host}:{pages.port}"


def note_settings(pipeline: Pipeline) -> None:
    """Write into the audit log which tables of the settings are others than when the service started last."""
    written = pipeline.config.model_dump(
        exclude_unset=True, warnings="none"
    )  # a later version's defaults are nobody's change
    now = {key: hashlib.sha256(repr(value).encode()).hexdigest() for key, value in written.items()}
    before = pipeline.journal.note(SETTINGS_NOTE)
    changed = sorted(key for key in {*now, *before} if now.get(key) != before.get(key))
    if not changed:
        return
    if before:
        told = f"settings changed: {', '.join(changed)}"
        pipeline.people.note(pipeline.clock.now_ms(), "whoever wrote the file", told)
    pipeline.journal.keep_note(SETTINGS_NOTE, now)


def _named(people: People, kind: Kind, name: str, scope: str, days: int, now_ms: int, *, by: str) -> str:
    wrong = name_faults(name)
    if not wrong and name in [one.name for one in people.credentials(kind, now_ms)]:
        wrong = f"name: found {name!r}, a {kind} there is, expected another, or to revoke that one first"
    if wrong:
        raise PeopleRefused(wrong)
    return _issue(people, Credential(kind, name, "", scope, now_ms, 0, now_ms + days * DAY_MS), by=by)


def _issue(people: People, given: Credential, *, by: str = "") -> str:
    secret = secrets.token_urlsafe(SECRET_BYTES)
    people.issue(given, digest_of(secret), given.made_at_ms, by=by)
    return secret
