"""The door: each request held against the table of access, passwords tried a few at a time, sessions begun, ended."""

from __future__ import annotations

import ipaddress
import logging
import math
import threading
from collections.abc import Callable
from contextlib import suppress

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from api.access import GRANTED, LONGEST_NAME, LONGEST_PASSWORD, NEEDS, SESSION_MOST_MS, Access, Guesses, digest_of
from api.passwords import TooMany, hashed, is_outdated, is_right
from api.people import new_session
from api.problems import Problem, SignInFirst
from api.who import LOOPBACK_COOKIE, SESSION_COOKIE, Who, is_here, who
from api.writing import sent_form
from pipeline.service import Pipeline
from pipeline.store.people import Person

BUSY_AGAIN_S = 5
log = logging.getLogger(__name__)


async def require(request: Request) -> None:
    """Let a request pass whose sender may ask for this address, as `NEEDS` has it; one that it has not, a head alone.

    Raises
    ------
    SignInFirst
        401 where nobody is known who asks.
    Problem
        403 where it is known and may not.
    """
    need = NEEDS.get(f"{request.method} {request.scope['route'].path}", Access.MANAGE)
    if need is Access.ANYONE:
        return
    found = await run_in_threadpool(who, request)
    if found.access >= need:
        return
    if found.kind == "stranger":
        raise SignInFirst(await sent_form(request))
    has, wants = _AS[found.access], _AS[need]
    raise Problem(403, "Not for you", f"found {has}, expected {wants}. Whoever is head gives roles.")


_AS = {
    Access.ANYONE: "somebody without a role here",
    Access.SEASON: "a link to season and sheet",
    Access.READ: "a reader",
    Access.WRITE: "a keeper",
    Access.MANAGE: "a head",
}


class Slow(Exception):
    """A try that has to wait and was not looked at. [s]"""

    def __init__(self, wait_s: float) -> None:
        super().__init__(f"wait {wait_s:.0f} s")
        self.wait_s = max(1, math.ceil(wait_s))


class SignIns:
    """Tries to sign in: each is counted before it is looked at, and those that guess are slowed and told of."""

    def __init__(self, pipeline: Pipeline) -> None:
        self._pipeline = pipeline
        self._guesses, self._lock = Guesses(), threading.Lock()

    def attempt(self, address: str, name: str, password: str) -> Person | None:
        """Return whoever has a name and a password; None where nobody has. Raises Slow."""
        people, clock, metrics = self._pipeline.people, self._pipeline.clock, self._pipeline.metrics
        address, folded = _network(address), name[: LONGEST_NAME + 1].casefold()
        person = people.person(name)
        with self._lock:
            wait_s = self._guesses.begin(address, folded, clock.monotonic())
        if wait_s > 0.0:
            self._tell(address, person, refused=True)
            raise Slow(wait_s)
        known = "" if person is None else people.password_of(person)
        try:
            good = is_right(password[: LONGEST_PASSWORD + 1], known)
            if person is not None and good and is_outdated(known):
                with suppress(TooMany):  # then at the next sign-in
                    people.hash_anew(person, hashed(password))
        except TooMany as err:
            self._tell(address, person, refused=True)
            raise Slow(BUSY_AGAIN_S) from err
        if person is None or not good:
            self._tell(address, person, refused=False)
            metrics.sign_ins.labels("wrong").inc()
            return None
        with self._lock:
            self._guesses.right(address, folded)
        metrics.sign_ins.labels("right").inc()
        return person

    def line(self, since: str) -> str:
        """Return what the owner is told on the pages; empty for nothing."""
        with self._lock:
            return self._guesses.line(self._pipeline.clock.now_ms(), since)

    @property
    def since_ms(self) -> int:
        """Since when somebody guesses. [ms since 1970, UTC]"""
        return self._guesses.since_ms

    def _tell(self, address: str, person: Person | None, *, refused: bool) -> None:
        now_ms, name = self._pipeline.clock.now_ms(), "" if person is None else person.name
        with self._lock:
            first = self._guesses.tell(address, name, now_ms, refused=refused)
        if refused:
            self._pipeline.metrics.sign_ins.labels("refused").inc()
        if first:  # a name that nobody has may be a password in the wrong field: it is not repeated
            log.warning("passwords_guessed address=%s name=%s: further tries are slowed", address, name or "of nobody")
            told = f"passwords guessed from {address} for {name or 'names nobody has'}; slowed"
            self._pipeline.people.note(now_ms, "nobody known", told)


def begin_session(request: Request, person: Person, answer: Callable[[], Response]) -> Response:
    """Begin a session of somebody who has just shown a password, with its first answer; the one before ends."""
    pipeline: Pipeline = request.app.state.pipeline
    end_session(request)
    secret = new_session(pipeline.people, person, pipeline.clock.now_ms())
    request.state.who = Who(GRANTED.get(person.role, Access.ANYONE), person.name, "session", secret)
    response = answer()
    set_cookie(request, response, secret, SESSION_MOST_MS // 1000)
    return response


def end_session(request: Request) -> None:
    """End the session of a request's cookie, wherever else that secret may be."""
    found = who(request)
    if found.kind == "session":
        request.app.state.pipeline.people.end(digest_of(found.secret))


def set_cookie(request: Request, response: Response, secret: str, for_s: int) -> None:
    """Give the browser the secret of a session or link, or take it away with 0. [s]"""
    here = is_here(request)
    response.set_cookie(
        LOOPBACK_COOKIE if here else SESSION_COOKIE, secret, max_age=for_s, secure=not here, httponly=True,
        samesite="lax",
    )  # fmt: skip


def refuse_in_the_clear(request: Request) -> None:
    """Raise Problem 403 where a password would go, or has gone, over a network in the clear."""
    if request.url.scheme != "https" and not is_here(request):
        detail = (
            "found a request in the clear, expected an encrypted one. Where a web server in front encrypts, let it say "
            "so: X-Forwarded-Proto, and its address as pages.proxy of the settings."
        )
        raise Problem(403, "Not encrypted", detail)


def _network(address: str) -> str:
    """An address by which guesses are counted: of IPv6 its network of 64 bits, which one machine has to itself."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv4Address):
        return str(found)
    return str(found.ipv4_mapped or ipaddress.ip_network((found, 64), strict=False))
