"""The probes and the time, and one probe as it speaks: for whoever stands beside it with a telephone.

Where nothing keeps the time it can be given on the first page, on the box itself. The second has the probe read every
few seconds.
"""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from api import words
from api.data import find_probe, find_station, pipeline_of
from api.nodes import is_from_here
from api.pages.frame import answer, page
from hardware.machine_clock import BY_SYSTEM
from hardware.quantities import QUANTITIES
from pipeline.service import Pipeline

PRINTED = {"1": "", "degC": "°C", "dS m-1": "dS/m", "m3 m-3": "m³/m³", "m s-1": "m/s", "W m-2": "W/m²"}

router = APIRouter(include_in_schema=False)


@router.get("/probes", response_class=HTMLResponse)
def probes_page(request: Request) -> Response:
    pipeline, here = pipeline_of(request), is_from_here(request)
    return page(request, "probes.html", (probes_page, here), lambda: _facts(pipeline, from_here=here))


@router.get("/probes/{station}/{probe}", response_class=HTMLResponse)
def probe_page(request: Request, station: str, probe: str) -> HTMLResponse:
    """A probe as it speaks; its script asks for the stream."""
    pipeline = pipeline_of(request)
    found, (surface, place) = find_probe(pipeline, station, probe), find_station(pipeline, station)
    facts = {
        "title": found.description.title,
        "place": words.place(surface, place),
        "stream": f"/api/v1/live/{station}/{probe}",
        "channels": [
            (c.name, words.quantity(c.heard), "" if c.depth_m is None else f"{c.depth_m * 1000:g} mm", _unit(c.heard))
            for c in found.description.channels
        ],
    }
    return answer(request, "probe.html", pipeline, facts)


def _unit(heard: str) -> str:
    return PRINTED.get(QUANTITIES[heard].unit, QUANTITIES[heard].unit)


def _facts(pipeline: Pipeline, *, from_here: bool) -> dict[str, Any]:
    zone, note = pipeline.config.site.timezone, pipeline.clock_note()
    return {
        "twin": "/api/v1/nodes",
        "clock": {"confirmed": note.ok, "kept": note.by == BY_SYSTEM, "time": words.date_and_clock(note.now_ms, zone)},
        "from_here": from_here,
        "stations": [
            (
                words.place(surface, station),
                [
                    (p.name, p.description.title, f"/probes/{station.name}/{p.name}")
                    for p in station.probes
                    if p.description.protocol != "cone"
                ],
            )
            for surface in pipeline.config.surfaces
            for station in surface.stations
        ],
    }
