"""Live updates by server-sent events: the page is told that something new is in the store, and asks for it."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator

from fastapi import APIRouter, Request
from sse_starlette.sse import EventSourceResponse

from api.data import iso, pipeline_of
from pipeline.errors import PipelineFault

LOOK_EVERY_S = 0.25
LEAST_BETWEEN_S = 2.0  # in the demo's history there is news many times a second

_EXAMPLE = 'event: change\ndata: {"change": 12, "now": "2026-05-04T06:15:00Z"}\n\n'

router = APIRouter(prefix="/api/v1", tags=["live"])


@router.get(
    "/live",
    summary="Server-sent events: `change` when there is news",
    responses={200: {"content": {"text/event-stream": {"example": _EXAMPLE}}}},
)
async def live(request: Request) -> EventSourceResponse:
    """`change` counts up whenever something new has been written; the first event says where it stands."""
    return EventSourceResponse(_events(request), ping=15)


async def _events(request: Request) -> AsyncIterator[dict[str, str]]:
    pipeline, ending = pipeline_of(request), request.app.state.ending
    told, waited_s = -1, LEAST_BETWEEN_S
    while not ending.is_set() and not await request.is_disconnected():
        change = pipeline.changes.count
        if change != told and waited_s >= LEAST_BETWEEN_S:
            with contextlib.suppress(PipelineFault):  # the clock of the demo may be away: then there is news later
                now_ms = await asyncio.to_thread(pipeline.clock.now_ms)
                told, waited_s = change, 0.0
                data = json.dumps({"change": change, "now": iso(now_ms)})
                yield {"event": "change", "id": str(change), "data": data}
        await asyncio.sleep(LOOK_EVERY_S)
        waited_s += LOOK_EVERY_S
