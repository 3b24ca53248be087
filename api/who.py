"""Who asks: whoever a session, a link or a token stands for, or who sits at this machine.

A credential that is shown counts as it is. Without one a request from this machine itself may do all, as long as
nothing says that it came through a web server in front; one from elsewhere is nobody's.
"""

from __future__ import annotations

import base64
import binascii
import ipaddress
import re
from contextlib import suppress
from dataclasses import dataclass

from fastapi import Request
from starlette.datastructures import Headers

from api.access import GRANTED, SESSION_IDLE_MS, SESSION_MOST_MS, Access, digest_of
from pipeline.errors import StoreFault
from pipeline.service import Pipeline
from pipeline.site.server import PagesConfig, is_loopback
from pipeline.store.people import Credential
from pipeline.units import HOUR_MS

SESSION_COOKIE = "__Host-underturf"  # bound to this host, and encrypted (RFC 6265bis, 4.1.3.2)
LOOPBACK_COOKIE = "underturf"
FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")
_HOST = re.compile(r"(\[[0-9a-fA-F:.]+\]|[a-zA-Z0-9._-]+)(?::\d{1,5})?")  # RFC 9110, 7.2; names as DNS has them
TOUCH_MS = HOUR_MS  # a session's last use is written so often


@dataclass(frozen=True, slots=True)
class Who:
    """Somebody who asks.

    Attributes
    ----------
    access : Access
    name : str
        Of a person or a token; empty for others.
    kind : str
        "session", "token", "link", "here" or "stranger".
    secret : str
        Of the session or link; forms are bound to it. Empty for others.
    """

    access: Access
    name: str = ""
    kind: str = "stranger"
    secret: str = ""

    @property
    def said(self) -> str:
        """Who it is, as the audit log has it."""
        return self.name or "whoever sits at this machine"

    @property
    def may_write(self) -> bool:
        return self.access >= Access.WRITE

    @property
    def may_read(self) -> bool:
        return self.access >= Access.READ

    @property
    def may_manage(self) -> bool:
        return self.access >= Access.MANAGE


STRANGER = Who(Access.ANYONE)


def who(request: Request) -> Who:
    """Return who asks, found out once a request.

    Raises
    ------
    StoreFault
        When the people cannot be read.
    """
    if not hasattr(request.state, "who"):
        request.state.who = _who(request)
    found: Who = request.state.who
    return found


def still_holds(request: Request) -> bool:
    """Return whether who asked at the beginning of a long answer is the same now; nobody where that cannot be found."""
    try:
        return _who(request) == who(request)
    except StoreFault:
        return False


def _who(request: Request) -> Who:
    pipeline: Pipeline = request.app.state.pipeline
    now_ms = pipeline.clock.now_ms()
    if "authorization" in request.headers:
        token = _token(request.headers["authorization"])
        found = pipeline.people.credential(digest_of(token), now_ms) if token else None
        if found is None or found.kind != "token":
            return STRANGER
        return Who(GRANTED.get(found.role, Access.ANYONE), found.name, "token")
    secret = secret_of(request)
    found = pipeline.people.credential(digest_of(secret), now_ms) if secret else None
    if found is not None and found.kind in ("session", "link"):
        if found.kind == "session":
            _touch(pipeline, found, digest_of(secret), now_ms)
        return Who(GRANTED.get(found.role, Access.ANYONE), found.person, found.kind, secret)
    return Who(Access.MANAGE, kind="here") if is_here(request) else STRANGER


def secret_of(request: Request) -> str:
    """Return the secret of the cookie that a request has, empty for none."""
    return request.cookies.get(LOOPBACK_COOKIE if is_here(request) else SESSION_COOKIE, "")


def is_here(request: Request) -> bool:
    """Return whether a request comes from this machine itself, and through no web server in front.

    One in front that is named in the settings and runs on this machine makes all requests alike: then none does.
    """
    pages: PagesConfig = request.app.state.pipeline.config.pages
    return _comes_from_here(request.client and request.client.host, request.headers, pages)


def _comes_from_here(peer: str | None, headers: Headers, pages: PagesConfig) -> bool:
    if not peer or any(name in headers for name in FORWARDED):
        return False
    if pages.all_by_proxy_here:
        return False
    if not is_loopback(host_name(headers.get("host", ""))):  # by another name it may be somebody in front who asks
        return False
    try:
        address = ipaddress.ip_address(peer)
    except ValueError:
        return False
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return (mapped or address).is_loopback


def host_name(host: str) -> str:
    """Return the name in a host with or without a port, in small letters; empty where it is no host."""
    parts = _HOST.fullmatch(host)
    return "" if parts is None else parts[1].strip("[]").removesuffix(".").lower()


def _token(header: str) -> str:
    """The token of a header: a bearer's (RFC 6750), or the password of whoever can send no other (RFC 7617)."""
    scheme, _, value = header.strip().partition(" ")
    if scheme.lower() == "bearer":
        return value.strip()
    if scheme.lower() == "basic":
        try:
            return base64.b64decode(value.strip(), validate=True).decode().partition(":")[2]
        except (binascii.Error, UnicodeDecodeError):
            return ""
    return ""


def _touch(pipeline: Pipeline, found: Credential, digest: str, now_ms: int) -> None:
    """Let a session that is used go on."""
    if now_ms - (found.used_at_ms or found.made_at_ms) >= TOUCH_MS:
        with suppress(StoreFault):  # then at the next request
            pipeline.people.keep_alive(
                digest, now_ms, min(now_ms + SESSION_IDLE_MS, found.made_at_ms + SESSION_MOST_MS)
            )
