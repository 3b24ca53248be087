"""From where a request may come: to a name of this server, and what writes from its own pages or from no page at all.

What is kept out here is a foreign page in the reader's browser, one whose name its owner makes point to this server
(DNS rebinding) among them, and a body too large to take in. Who asks, and may, is for `sign_in`.
"""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Collection
from typing import Annotated
from urllib.parse import parse_qsl, urlencode

from fastapi import Depends, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, Headers, UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException, MultiPartParser

from api.access import is_form_token
from api.problems import MAX_SHOWN, Problem, SendAgain
from api.who import host_name, who
from pipeline.site.server import PagesConfig

MAX_BODY_BYTES = 64_000
MAX_PHOTO_BODY_BYTES = 25_000_000  # a form with photographs
TAKES_PHOTOS = re.compile(r"/diary(/\d{1,18})?")
MAX_FIELDS = 100  # of a form
FORM_TYPE = "application/x-www-form-urlencoded"
MULTIPART_TYPE = "multipart/form-data"  # RFC 7578
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
    """Return the fields of a plain form that one of this server's own pages has sent; its files are `sent_files`.

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
    if kind != FORM_TYPE and not _takes_files(request):
        raise Problem(415, "Not a form", f"content-type: found {kind or 'none'}, expected {FORM_TYPE}")
    text = await _form_text(request)
    try:
        fields = dict(parse_qsl(text, keep_blank_values=True, max_num_fields=MAX_FIELDS))
    except ValueError as err:
        raise Problem(413, "Too many fields", f"body: found more than {MAX_FIELDS}, expected at most that") from err
    token, secret = fields.pop("csrf", ""), (await run_in_threadpool(who, request)).secret
    if secret and not is_form_token(secret, token):
        raise SendAgain(text)
    return fields


OwnForm = Annotated[dict[str, str], Depends(own_form)]


async def sent_files(request: Request) -> list[UploadFile]:
    """Return the files of a form, where the address takes any."""
    if not _takes_files(request):
        return []
    form = await _read_parts(request)
    return [value for _, value in form.multi_items() if isinstance(value, UploadFile) and value.size]


SentFiles = Annotated[list[UploadFile], Depends(sent_files)]


def _takes_files(request: Request) -> bool:
    return _kind(request) == MULTIPART_TYPE and TAKES_PHOTOS.fullmatch(request.url.path) is not None


async def _read_parts(request: Request) -> FormData:
    """Fields and files of a form, read once a request: the files wait on the disk (RFC 7578).

    Raises
    ------
    Problem
        400 for one that is cut off or has too much in it.
    """
    try:
        return await request.form(max_files=MAX_FIELDS, max_fields=MAX_FIELDS, max_part_size=MAX_BODY_BYTES)
    except HTTPException as err:
        raise Problem(400, "Not a whole form", f"body: found one that does not read ({err.detail})") from err


async def _form_text(request: Request) -> str:
    """The fields of a form as a plain one would have sent them."""
    if not _takes_files(request):
        return (await request.body()).decode("utf-8", "replace")
    return _as_plain(await _read_parts(request))


def _as_plain(form: FormData) -> str:
    return urlencode([(key, value) for key, value in form.multi_items() if isinstance(value, str)])


class _FieldsAlone(MultiPartParser):
    """The fields of a form, all of them within the bound of a plain one; what its files hold goes by unkept."""

    def on_part_data(self, data: bytes, start: int, end: int) -> None:
        if self._current_part.file is None:
            super().on_part_data(data, start, end)

    def on_part_end(self) -> None:
        self.max_part_size -= len(self._current_part.data)
        super().on_part_end()


async def _read_fields(request: Request) -> FormData:
    """The fields of a form with files. Raises Problem 400 for one that is cut off or has too much in it."""
    most = {"max_files": MAX_FIELDS, "max_fields": MAX_FIELDS, "max_part_size": MAX_BODY_BYTES}
    try:
        return await _FieldsAlone(request.headers, request.stream(), **most).parse()
    except MultiPartException as err:
        raise Problem(400, "Not a whole form", f"body: found one that does not read ({err.message})") from err


async def sent_form(request: Request) -> str:
    """Return the body of a plain form as it was sent, so that it can be sent once more; empty for other bodies.

    Of one with files it is the fields: whoever sent it may not write here yet, and nothing of a file is taken in.
    That of a foreign page is not kept: sent again from here it would pass for our own.
    """
    try:
        _refuse_foreign(request)
        _refuse_untold(request)
    except Problem:
        return ""
    if _takes_files(request):
        return _as_plain(await _read_fields(request))
    return await _form_text(request) if _kind(request) == FORM_TYPE else ""


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


def refuse_long(method: str, path: str, headers: Headers) -> Problem | None:
    """The problem of a body whose length is not told or too great, before any of it is read; None for others."""
    length = headers.get("content-length")
    if method not in ("POST", "PUT", "PATCH"):
        return None
    if length is None or not length.isdecimal():
        return Problem(411, "Length not told", f"content-length: found {length}, expected the length of the body")
    is_roomy = headers.get("content-type", "").lower().startswith(MULTIPART_TYPE) and TAKES_PHOTOS.fullmatch(path)
    most = MAX_PHOTO_BODY_BYTES if is_roomy else MAX_BODY_BYTES
    if int(length) > most:
        return Problem(413, "Too long", f"content-length: found {length} bytes, expected at most {most}")
    return None
