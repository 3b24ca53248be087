"""Who may write: whoever asks from this server's own pages or from no page at all, in JSON, and not too much of it.

The pages have no sign-in. What is kept out here is a foreign page that makes the reader's browser write, and a body too
large to take in; it must not be taken for a sign-in.
"""

from __future__ import annotations

from urllib.parse import urlsplit

from fastapi import Request

from api.problems import Problem

MAX_BODY_BYTES = 64_000
OWN_SITES = ("same-origin", "none")  # of Sec-Fetch-Site: our own page, or the reader himself


def may_write(request: Request) -> None:
    """Let a request pass that may change something.

    Raises
    ------
    Problem
        403 from another site's page; 413 or 411 too long, or of a length not told; 415 not JSON.
    """
    fetched, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    if fetched is not None:
        foreign = fetched not in OWN_SITES
    else:
        foreign = origin is not None and urlsplit(origin).netloc != request.headers.get("host")
    if foreign:
        raise Problem(403, "Not from another site", f"origin: found {origin or fetched}, expected this server's pages")
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if request.method != "DELETE" and kind != "application/json":
        raise Problem(415, "Not JSON", f"content-type: found {kind or 'none'}, expected application/json")


def refuse_long(method: str, length: str | None) -> Problem | None:
    """The problem of a body whose length is not told or too great, before any of it is read; None for others."""
    if method not in ("POST", "PUT", "PATCH"):
        return None
    if length is None or not length.isdecimal():
        return Problem(411, "Length not told", f"content-length: found {length}, expected the length of the body")
    if int(length) > MAX_BODY_BYTES:
        return Problem(413, "Too long", f"content-length: found {length} bytes, expected at most {MAX_BODY_BYTES}")
    return None
