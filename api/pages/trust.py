"""How a phone comes to trust these pages: four steps, digits to compare, and what a browser means when it refuses."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from api import words
from api.data import pipeline_of
from api.pages.frame import answer
from api.trust import certificate_now
from pipeline.site.server import is_loopback

router = APIRouter(include_in_schema=False)


@router.get("/trust", response_class=HTMLResponse)
def trust_page(request: Request) -> HTMLResponse:
    pipeline = pipeline_of(request)
    site, held = pipeline.config.site, certificate_now(pipeline)
    facts: dict[str, Any] = {
        "page": "trust",
        "twin": "/api/v1/certificate",
        "now": words.date_and_clock(pipeline.clock.now_ms(), site.timezone),
        "held": held,
        "addresses": [_address(name, pipeline.config.pages.port) for name in held.names if not is_loopback(name)],
        "begins": held.begins and held.begins[:10],
        "until": held.until and held.until[:10],
    }
    return answer(request, "trust.html", pipeline, facts)


def _address(name: str, port: int) -> str:
    return f"https://{f'[{name}]' if ':' in name else name}:{port}"
