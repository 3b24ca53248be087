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
WORKER, SCRIPT_TEXTS = "worker.js", "/texts.js"
PAPER, INK = "#fbf9f2", "#1f2219"

router = APIRouter(include_in_schema=False)


@router.get("/sw.js")
def worker() -> Response:
    return Response(_worker(), media_type="text/javascript")


@router.get(SCRIPT_TEXTS)
def texts(request: Request) -> Response:
    """What scripts say, in the language of the site; apart, as pages are to stay small."""
    said = {
        "one": say("1 entry waits on this phone"),
        "many": say("{n} entries wait on this phone"),
        "none": say("Of what was sent from this phone"),
        "oneUnsent": say("1 entry is not sent yet. Signed in again it is; press once more to sign out."),
        "manyUnsent": say("{n} entries are not sent yet. Signed in again they are; press once more to sign out."),
        "notBack": say("Not taken back: no connection."),
        "away": say("Sent as soon as the box is reached, in this order."),
        "signIn": say("Nobody is signed in: sign in, and it is sent."),
        "mayNot": say(
            "Whoever is signed in may read and not write. Whoever is head gives roles; or somebody else signs in."
        ),
        "held": say("It is not sent while it is corrected."),
        "failed": say("The box failed over it three times, and it is not written. What was behind it is sent."),
        "asItIs": say("Send it as it is"),
        "another": say("{name} wrote it, and somebody else is signed in."),
        "noWorker": say(
            "Without signal this browser opens no page of the box, but an open one keeps what is written: for more it "
            "needs the encrypted address, and to trust the box."
        ),
        "discard": say("Discard"),
        "sure": say("Discard it: it is written nowhere else"),
        "correct": say("Correct"),
        "noted": say("Noted"),
        "right": say("It is right: write it down"),
        "asItWas": say("as it was, {when}"),
        "cannotTell": say("Cannot tell"),
        "was": say("It was: {what}"),
        "unsent": say("Unsent"),
        "ruler": say("To measure the thatch: touch the ruler at one mark."),
        "rulerTo": say("Touch the ruler at the other mark."),
        "top": say("Touch the top of the thatch."),
        "foot": say("Touch its foot."),
        "found": say("{found} is in the field of the thatch. Look whether it can be."),
        "noThickness": say("That gives no thickness: touch again."),
        "chosen": say("The photograph that was chosen"),
        "between": say("Between the two marks, {unit}", unit=pipeline_of(request).config.site.units.short),
        "touchAgain": say("Touch again"),
        "keepPlace": say("Keep where it was taken, if the camera noted it"),
        "sendNow": say("Send now"),
        "asMine": say("Send it as mine"),
        "signInThere": say("Sign in"),
        "done": say("Noted."),
        "nothingWritten": say("The service does not answer. Nothing is written; what you typed stays."),
        "asAt": say("The service does not answer. What you see is as it was at {clock}."),
        "ended": say("Your sign-in has ended. What you typed is not lost: send it, and sign in then."),
        "less": say("{field}: less"),
        "more": say("{field}: more"),
        "undo": say("Undo"),
        "noAnswer": say("The service does not answer. Nothing was noted."),
        "refused": say("Nothing was noted: {reason}"),
    }
    return Response(f"export default {json.dumps(said)};\n", media_type="text/javascript")


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
    kept = [SCRIPT_TEXTS, *(f"/static/{one.name}" for one in files if one.name != WORKER)]
    text = (STATIC / WORKER).read_text(encoding="utf-8")
    return f'const FILES_AS = "files-{digest.hexdigest()}";\nconst FILES = {json.dumps(kept)};\n{text}'
