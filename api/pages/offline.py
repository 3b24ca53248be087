"""What the pages need to be installed on a phone and to open without signal: worker, manifest, the page for no link.

The worker keeps the files of one version: its text names them, so that another version is another worker.
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from pathlib import Path

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, JSONResponse, Response

from api.data import pipeline_of
from api.pages.frame import answer
from pipeline.texts import say

STATIC = Path(__file__).parents[1] / "static"
WORKER = "worker.js"
PAPER, INK = "#fbf9f2", "#1f2219"

router = APIRouter(include_in_schema=False)


@router.get("/sw.js")
def worker() -> Response:
    return Response(_worker(), media_type="text/javascript")


@router.get("/manifest.webmanifest")
def manifest(request: Request) -> JSONResponse:
    site = pipeline_of(request).config.site
    told = {
        "id": "/",
        "name": site.title,
        "short_name": site.title[:30],
        "description": say("Water in the thatch and at the roots, and the diary of the turf"),
        "lang": site.language,
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": PAPER,
        "theme_color": PAPER,
        "icons": [
            {"src": "/static/icon.svg", "sizes": "any", "type": "image/svg+xml"},
            *(
                {"src": f"/static/icon-{size}.png", "sizes": f"{size}x{size}", "type": "image/png", "purpose": purpose}
                for size in (192, 512)
                for purpose in ("any", "maskable")
            ),
        ],
    }
    return JSONResponse(told, media_type="application/manifest+json")


@router.get("/offline", response_class=HTMLResponse)
def offline_page(request: Request) -> Response:
    return answer(request, "offline.html", pipeline_of(request), {})


@cache
def _worker() -> str:
    """The worker, after the names of the files that it keeps and of the version that they are of."""
    files = sorted(one for one in STATIC.iterdir() if one.is_file())
    digest = hashlib.blake2b(b"".join(one.name.encode() + one.read_bytes() for one in files), digest_size=8)
    kept = [f"/static/{one.name}" for one in files if one.name != WORKER]
    text = (STATIC / WORKER).read_text(encoding="utf-8")
    return f'const FILES_AS = "files-{digest.hexdigest()}";\nconst FILES = {json.dumps(kept)};\n{text}'
