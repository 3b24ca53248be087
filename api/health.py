"""Whether it works: `/healthz` for people and the demo, `/readyz` for a load balancer, `/metrics` for Prometheus."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request, Response
from fastapi.responses import PlainTextResponse

from api import schema
from api.data import pipeline_of
from api.who import who
from pipeline.run.metrics import CONTENT_TYPE

router = APIRouter(tags=["health"])


@router.get("/healthz", summary="Whether all is well; 200 as long as the service answers")
def healthz(request: Request) -> dict[str, Any]:
    """`state` is for everybody; the state of every part for whoever may read."""
    health = pipeline_of(request).health()
    return {**health, "caught_up": caught_up(health)} if who(request).may_read else {"state": health["state"]}


@router.get(
    "/readyz",
    summary="200 when readings can be taken and kept, else 503",
    response_model=schema.ReadyOut,
    responses={503: {"model": schema.ReadyOut, "description": "Readings cannot be taken and kept just now"}},
)
def readyz(request: Request, response: Response) -> schema.ReadyOut:
    pipeline = pipeline_of(request)
    ready = pipeline.ready
    response.status_code = 200 if ready else 503
    reasons = pipeline.health()["reasons"] if who(request).may_read else []
    return schema.ReadyOut.model_validate({"ready": ready, "reasons": reasons})


def caught_up(health: dict[str, Any]) -> bool:
    """Whether every reading that the nodes have is kept, worked on, and judged by the rules."""
    waiting = (
        health["ingest"]["waiting_messages"],
        health["studying"]["stations_waiting"],
        health["studying"]["periods_waiting"],
        health["judging"]["stations_waiting"],
    )
    nothing_waits = not any(waiting)
    return nothing_waits and bool(health["nodes"]) and all(node["backlog"] == 0 for node in health["nodes"])


@router.get("/metrics", summary="Counters and gauges in the text form of Prometheus", response_class=PlainTextResponse)
def metrics(request: Request) -> Response:
    return Response(pipeline_of(request).metrics.text(), media_type=CONTENT_TYPE)
