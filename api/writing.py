"""From where a request may come: to a name of this server, and what writes from its own pages or from no page at all.

What is kept out here is a foreign page in the reader's browser, one whose name its owner makes point to this server
(DNS rebinding) among them, and a body too large to take in. Who asks, and may, is for `sign_in`.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Collection
from typing import Annotated
from urllib.parse import parse_qsl

from fastapi import Depends, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers

from api.access import is_form_token
from api.problems import MAX_SHOWN, Problem, SendAgain
from api.who import host_name, who
from pipeline.site.server import PagesConfig

MAX_BODY_BYTES = 64_000
MAX_FIELDS = 100  # of a form
FORM_TYPE = "application/x-www-form-urlencoded"
OWN_SITES = ("same-origin", "none")  # of Sec-Fetch-Site: our own page, or the reader himself


def may_write(request: Request) -> None:
    """Let a request pass that may change something.

    Raises
    ------
    Problem
        403 from another site's page, or with a session and not said from which; 413 or 411 too long, or of a length not
        told; 415 not JSON.
    """
    _refuse_foreign(request)
    if who(request).secret:
        _refuse_untold(request)
    kind = _kind(request)
    if request.method != "DELETE" and kind != "application/json":
        raise Problem(415, "Not JSON", f"content-type: found {kind or 'none'}, expected application/json")


async def own_form(request: Request) -> dict[str, str]:
    """Return the fields of a plain form that one of this server's own pages has sent.

    Raises
    ------
    Problem
        403 from another site's page, or where the browser does not tell, as any page can send a form; 413 too many
        fields; 415 no form.
    SendAgain
        403 without the token of the session that it comes with.
    """
    _refuse_foreign(request)
    _refuse_untold(request)
    kind = _kind(request)
    if kind != FORM_TYPE:
        raise Problem(415, "Not a form", f"content-type: found {kind or 'none'}, expected {FORM_TYPE}")
    text = (await request.body()).decode("utf-8", "replace")
    try:
        fields = dict(parse_qsl(text, keep_blank_values=True, max_num_fields=MAX_FIELDS))
    except ValueError as err:
        raise Problem(413, "Too many fields", f"body: found more than {MAX_FIELDS}, expected at most that") from err
    token, secret = fields.pop("csrf", ""), (await run_in_threadpool(who, request)).secret
    if secret and not is_form_token(secret, token):
        raise SendAgain(text)
    return fields


OwnForm = Annotated[dict[str, str], Depends(own_form)]


async def sent_form(request: Request) -> str:
    """Return the body of a plain form as it was sent, so that it can be sent once more; empty for other bodies.

    That of a foreign page is not kept: sent again from here it would pass for our own.
    """
    try:
        _refuse_foreign(request)
        _refuse_untold(request)
    except Problem:
        return ""
    return (await request.body()).decode("utf-8", "replace") if _kind(request) == FORM_TYPE else ""


def own_path(text: str, other: str = "/") -> str:
    """Return a path of this server, as a form or a query says it; `other` in place of an address elsewhere."""
    return text if text.startswith("/") and not text.startswith(("//", "/\\")) and text.isprintable() else other


def _refuse_untold(request: Request) -> None:
    if request.headers.get("sec-fetch-site") is None and request.headers.get("origin") is None:
        raise Problem(403, "Not from another site", "origin: found none, expected this server's pages")


def _kind(request: Request) -> str:
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()


def _refuse_foreign(request: Request) -> None:
    fetched, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    foreign = fetched is not None and fetched not in OWN_SITES
    if origin is not None and not foreign:
        at = origin.partition("://")[2]
        # A proxy in front may have told us another host than the page has; then it is one of the settings, by name.
        named = request.app.state.pipeline.config.pages.names
        same = fetched is not None or at == request.headers.get("host") or host_name(at) in named
        foreign = not same or not is_own(at, request.app.state.hosts)
    if foreign:
        raise Problem(403, "Not from another site", f"origin: found {origin or fetched}, expected this server's pages")


def own_hosts(pages: PagesConfig) -> frozenset[str]:
    """Return the names under which the pages may be asked for, beside every address in digits."""
    machine = socket.gethostname().lower()
    return frozenset({"localhost", pages.host.lower(), machine, f"{machine.partition('.')[0]}.local"} | pages.names)


def is_own(host: str, own: Collection[str]) -> bool:
    """Return whether a host is a name of this server, or an address in digits, which nobody can point elsewhere."""
    name = host_name(host)
    if name in own:
        return True
    try:
        return bool(ipaddress.ip_address(name))
    except ValueError:
        return False


def refuse_host(headers: Headers, own: Collection[str]) -> Problem | None:
    """Return the problem of a request for another host than this server; None for others (RFC 9110, 15.5.20)."""
    hosts = headers.getlist("host")
    if len(hosts) == 1 and is_own(hosts[0], own):
        return None
    found = ", ".join(hosts)[:MAX_SHOWN] or "none"
    detail = (
        f"host: found {found}, expected an address in digits or one of {', '.join(sorted(own))}. Write another name of "
        "this server into pages.allowed_hosts of its settings."
    )
    return Problem(421, "Not the name of this server", detail)


def refuse_long(method: str, length: str | None) -> Problem | None:
    """The problem of a body whose length is not told or too great, before any of it is read; None for others."""
    if method not in ("POST", "PUT", "PATCH"):
        return None
    if length is None or not length.isdecimal():
        return Problem(411, "Length not told", f"content-length: found {length}, expected the length of the body")
    if int(length) > MAX_BODY_BYTES:
        return Problem(413, "Too long", f"content-length: found {length} bytes, expected at most {MAX_BODY_BYTES}")
    return None
