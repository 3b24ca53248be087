"""Live updates by server-sent events: the page is told that something new is in the store, and asks for it.

Streams are bounded in all and for each address; a page that is refused one asks for news by the minute.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections import Counter
from collections.abc import AsyncIterator

from fastapi import APIRouter, Request
from sse_starlette.sse import EventSourceResponse
from starlette.types import Receive, Scope, Send

from api.data import find_probe, iso, pipeline_of
from api.problems import Problem
from api.who import still_holds
from pipeline.errors import PipelineFault

LOOK_EVERY_S = 0.25
MOST_STREAMS, MOST_STREAMS_OF_AN_ADDRESS = 200, 24
STREAM_AGAIN_S = 60
STREAM_LIMITS = {"pages_live_streams": MOST_STREAMS, "pages_live_streams_of_an_address": MOST_STREAMS_OF_AN_ADDRESS}
WATCH_AGAIN_S = 20.0  # a node reads on for a minute: two of three requests may be lost
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
    return _stream(request, _events(request))


_PROBE_EXAMPLE = (
    'event: reading\ndata: {"at": "2026-05-04T06:15:02Z", "values": {"moisture": [17.9, "ok"]}, "reason": ""}\n\n'
)


@router.get(
    "/live/{station}/{probe}",
    summary="Server-sent events: a probe read every few seconds for as long as somebody looks",
    responses={200: {"content": {"text/event-stream": {"example": _PROBE_EXAMPLE}}}},
)
async def live_probe(request: Request, station: str, probe: str) -> EventSourceResponse:
    """The running agent reads it beside its slots; nothing is kept. `away` says that no node that reads it is up."""
    find_probe(pipeline_of(request), station, probe)
    return _stream(request, _readings(request, station, probe))


def _stream(request: Request, events: AsyncIterator[dict[str, str]]) -> EventSourceResponse:
    """A counted stream of events. Raises Problem 503 where there are too many."""
    metrics, open_now = pipeline_of(request).metrics, request.app.state.streams
    address = request.client.host if request.client else ""
    if open_now.total() >= MOST_STREAMS or open_now[address] >= MOST_STREAMS_OF_AN_ADDRESS:
        metrics.streams_refused.inc()
        detail = f"found {MOST_STREAMS_OF_AN_ADDRESS} open from this address or {MOST_STREAMS} in all, expected fewer"
        raise Problem(503, "Too many streams", detail, retry_after_s=STREAM_AGAIN_S)
    return _CountedStream(request, events, open_now, address)


class _CountedStream(EventSourceResponse):
    """A stream that is counted from its first byte to its end, however it ends."""

    def __init__(
        self, request: Request, events: AsyncIterator[dict[str, str]], open_now: Counter[str], address: str
    ) -> None:
        super().__init__(_while_known(request, events), ping=15)
        self._open_now, self._address = open_now, address
        self._gauge = pipeline_of(request).metrics.streams

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self._count(1)
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._count(-1)

    def _count(self, more: int) -> None:
        self._open_now[self._address] += more
        if not self._open_now[self._address]:
            del self._open_now[self._address]
        self._gauge.set(self._open_now.total())


async def _while_known(request: Request, events: AsyncIterator[dict[str, str]]) -> AsyncIterator[dict[str, str]]:
    """The events, as long as what let their reader in holds: asked anew before each is told."""
    async for event in events:
        if not await asyncio.to_thread(still_holds, request):
            return
        yield event


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


async def _readings(request: Request, station: str, probe: str) -> AsyncIterator[dict[str, str]]:
    pipeline, ending = pipeline_of(request), request.app.state.ending
    seen, asked_s, is_up = pipeline.nodes.live(f"{station}/{probe}")[0], -WATCH_AGAIN_S, True
    while not ending.is_set() and not await request.is_disconnected():
        if pipeline.clock.monotonic() - asked_s >= WATCH_AGAIN_S:
            asked_s, was_up = pipeline.clock.monotonic(), is_up
            is_up = await asyncio.to_thread(pipeline.watch, station, probe)
            if not is_up and was_up:
                yield {"event": "away", "data": "no node that reads this station is connected"}
        number, found = pipeline.nodes.live(f"{station}/{probe}")
        if found is not None and number != seen:
            seen = number
            values = {channel: [value, status] for channel, value, status in found.values}
            data = json.dumps({"at": iso(found.at_ms), "values": values, "reason": found.reason})
            yield {"event": "reading", "id": str(number), "data": data}
        await asyncio.sleep(LOOK_EVERY_S)
