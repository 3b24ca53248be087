"""The nodes and the time: what each node says of itself, what the settings do not name, whether the time is confirmed.

Where nothing keeps the machine's clock, the time of whoever has the page open can be taken. There is no sign-in yet, so
that is for this machine alone: from elsewhere it is refused in words.
"""

from __future__ import annotations

import ipaddress

from fastapi import APIRouter, Depends, Request

from api import schema
from api.data import iso, pipeline_of
from api.diary_check import moment_of
from api.problems import Problem
from api.writing import may_write
from hardware.machine_clock import BY_SYSTEM, ClockNote

FORWARDED = ("forwarded", "x-forwarded-for", "x-real-ip")  # whoever asks through a proxy is not here

router = APIRouter(prefix="/api/v1", tags=["nodes"])


@router.get("/nodes", summary="Every node, the time, and what is heard that the settings do not name")
def get_nodes(request: Request) -> schema.NodesOut:
    pipeline = pipeline_of(request)
    health = pipeline.health()
    return schema.NodesOut(
        clock=_clock(pipeline.clock_note()),
        nodes=[
            schema.NodeOut(
                node=node.node,
                state="up" if node.state == "up" else "down",
                heard_at=iso(node.heard_at_ms),
                version=node.version,
                backlog=node.backlog,
                dropped=node.dropped,
                lines=dict(node.lines),
                stations=list(node.stations),
                clock_confirmed=node.clock_ok,
                clock_by=node.clock_by,
                time_unconfirmed_since=None if node.unconfirmed_since_ms is None else iso(node.unconfirmed_since_ms),
            )
            for node in pipeline.nodes.all()
        ],
        unknown_channels={name: iso(at_ms) for name, at_ms in dict(health["unknown_channels"]).items()},  # type: ignore[call-overload]
        other_sites={name: iso(at_ms) for name, at_ms in pipeline.nodes.strangers().items()},
    )


@router.post("/clock", summary="Take the time of whoever asks, where nothing keeps the machine's clock",
             dependencies=[Depends(may_write)])  # fmt: skip
def take_time(request: Request, given: schema.TimeIn) -> schema.ClockOut:
    pipeline = pipeline_of(request)
    if not is_from_here(request):
        raise Problem(403, "Only from this machine",
                      "time: found a request from elsewhere, expected one from this machine. Without a sign-in nobody "
                      "else may set the time: open the page on the box itself, or through a tunnel to it.")  # fmt: skip
    if pipeline.clock_note().by == BY_SYSTEM:
        raise Problem(409, "The time is kept", "time: found a clock that is kept already, which stays")
    faults: list[str] = []
    now_ms = moment_of(given.now, "now", faults)
    try:
        if now_ms is None:
            raise ValueError("; ".join(faults))
        return _clock(pipeline.take_time(now_ms, schema.GIVEN_BY))
    except ValueError as bad:
        raise Problem(422, "Not a time of our days", str(bad)) from bad


def is_from_here(request: Request) -> bool:
    """Return whether a request comes from this machine, and through no proxy."""
    if request.client is None or any(name in request.headers for name in FORWARDED):
        return False
    try:
        address = ipaddress.ip_address(request.client.host)
    except ValueError:
        return False
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return (mapped or address).is_loopback


def _clock(note: ClockNote) -> schema.ClockOut:
    return schema.ClockOut(now=iso(note.now_ms), confirmed=note.ok, by=note.by)
