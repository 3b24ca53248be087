"""Answers packed once for all who ask: gzip (RFC 1952), by ISA-L where it is installed.

ISA-L packs a year of hours in a third of the time that zlib takes at its quickest, and smaller. There are builds of it
for the usual processors of 64 bits; elsewhere zlib does the same.
"""

from __future__ import annotations

import gzip

from fastapi import Request
from fastapi.responses import Response

try:
    from isal.igzip import compress
except ImportError:
    from gzip import compress

QUICKEST = 1  # of either


def packed(body: bytes) -> bytes:
    """Return a body packed as quickly as it goes."""
    found: bytes = compress(body, QUICKEST)
    return found


def packed_answer(request: Request, body: bytes, media_type: str) -> Response:
    """Return a packed body as it is to whoever takes it so, unpacked to all others."""
    headers = {"Vary": "Accept-Encoding"}
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(body, media_type=media_type, headers={**headers, "Content-Encoding": "gzip"})
    return Response(gzip.decompress(body), media_type=media_type, headers=headers)
