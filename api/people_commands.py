"""The sub-commands of `underturf` for people and what lets them in: `person`, `token`, `link` and `audit`."""

from __future__ import annotations

import argparse
import sys
from contextlib import suppress
from typing import TYPE_CHECKING

from api.command_arguments import site_config, unfit

if TYPE_CHECKING:
    from pipeline.site.settings import SiteConfig


def person(parsed: argparse.Namespace) -> int:
    """Run `person`, beside a running service too, which asks anew at each request."""
    from api import people as room
    from pipeline.run.clock import SystemClock
    from pipeline.store.opening import open_people

    action, name = parsed.action, parsed.name
    if wrong := unfit("NAME", name, action, "a name"):
        print(wrong, file=sys.stderr)
        return 2
    config, by, now_ms = site_config(parsed), _here(parsed), SystemClock().now_ms()
    try:
        with open_people(config) as people:
            if action == "list":
                lines = [f"{one.name}: {one.role}{'' if one.has_password else ', invited'}" for one in people.people()]
                print(*lines or ["nobody can sign in"], sep="\n")
                return 0
            if action == "add":
                person = room.add_person(people, name, parsed.role or "", now_ms, by=by)
            else:
                person = room.find_person(people, name)
            if action in ("add", "invite"):
                path = room.invite(people, person, now_ms, by=by)
                print(f"{person.name} chooses a password at this address, once, within seven days:")
                print(f"{room.outward_address(config.pages)}{path}")
            elif action == "role":
                room.change_role(people, person, parsed.role or "", now_ms, by=by)
            elif action == "remove":
                people.remove(person, now_ms, by=by)
            else:
                from api.passwords import hashed

                password = _new_password()
                room.refuse_password(password, person.name)
                people.set_password(person, hashed(password), now_ms, by=by)
    except room.PeopleRefused as fault:
        print(fault, file=sys.stderr)
        return 2
    said = {"role": f"is {parsed.role} now", "remove": "is out, sessions too", "password": "signs in with it now"}
    if action in said:
        print(f"{person.name} {said[action]}")
    return 0


def credential(parsed: argparse.Namespace) -> int:
    """Run `token` or `link`, beside a running service too."""
    from api import people as room
    from pipeline.run.clock import SystemClock
    from pipeline.store.opening import open_people
    from pipeline.units import utc_text

    action, kind, name = parsed.action, parsed.kind, parsed.name
    if wrong := unfit("NAME", name, action, "a name"):
        print(wrong, file=sys.stderr)
        return 2
    config, by, now_ms = site_config(parsed), _here(parsed), SystemClock().now_ms()
    try:
        with open_people(config) as people:
            if action == "list":
                there = people.credentials(kind, now_ms)
                print(*[f"{one.name}: {one.role}, until {utc_text(one.ends_at_ms)}" for one in there] or ["none"],
                      sep="\n")  # fmt: skip
            elif action == "revoke" and not people.revoke(kind, name, now_ms, by=by):
                raise room.PeopleRefused(f"NAME: found {name!r}, expected one that `underturf {kind} list` names")
            elif action == "revoke":
                print(f"{name}: no longer holds")
            elif kind == "token":
                print(room.new_token(people, name, parsed.scope, parsed.days, now_ms, by=by))
            else:
                path = room.new_link(people, name, parsed.days, now_ms, by=by)
                print(f"{room.outward_address(config.pages)}{path}")
    except room.PeopleRefused as fault:
        print(fault, file=sys.stderr)
        return 2
    return 0


def audit(parsed: argparse.Namespace) -> int:
    """Print the audit log."""
    from pipeline.store.opening import open_people
    from pipeline.units import utc_text

    with open_people(site_config(parsed)) as people:
        lines = [f"{utc_text(one.at_ms)}  {one.who}: {one.what}" for one in reversed(people.audit(parsed.last))]
    print(*lines or ["nothing was changed"], sep="\n")
    return 0


def note_change(parsed: argparse.Namespace, config: SiteConfig, what: str) -> None:
    """Write into the audit log of the site where its data are here; a broker may be on another machine."""
    from pipeline.errors import StoreAway
    from pipeline.run.clock import SystemClock
    from pipeline.store.opening import open_people

    with suppress(StoreAway), open_people(config) as people:
        people.note(SystemClock().now_ms(), _here(parsed), what)


def _new_password() -> str:
    """Return a password typed twice at a terminal, or one line of what is fed in."""
    from getpass import getpass

    from api.people import PeopleRefused

    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    password = getpass("password: ")
    if getpass("the same again: ") != password:
        raise PeopleRefused("password: found two that differ, expected the same twice")
    return password


def _here(parsed: argparse.Namespace) -> str:
    """Who runs a command, for the audit log."""
    from getpass import getuser

    return f"{parsed.environment.get('SUDO_USER') or getuser()} on the box"
