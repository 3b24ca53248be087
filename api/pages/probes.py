"""The probes, what brings their readings, and the time; and one probe as it speaks, for whoever stands beside it.

The first page says of each probe when it spoke last and what it said, its drift, and what was written of it; then of
each node its supply, signal, clock and version; where nothing keeps the time it can be given, on the box itself. The
second has the probe read every few seconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api import signs, words
from api.data import find_probe, find_station, pipeline_of
from api.nodes import day_name, days_between, nodes_now
from api.pages.frame import answer, page
from api.probes import notes_of, probes_now
from api.schema import NodeOut
from hardware.quantities import QUANTITIES
from pipeline.service import Pipeline
from pipeline.texts import figure, say

PRINTED = {"1": "", "degC": "°C", "dS m-1": "dS/m", "m3 m-3": "m³/m³", "m s-1": "m/s", "W m-2": "W/m²"}

LEAST_SUPPLY_DAYS, MOST_SUPPLY_DAYS = 2, 7  # of a figure: a week fits a phone
DAY_PX, HIGH_PX, TOP_PX = 48, 90, 22
LEAST_SPAN_V = 1.0  # between the top and the foot of the figure
MOST_OPEN = 6  # stations; of more, those that all speak are folded
ACTS = 2  # verdicts in reversed ink on one page

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class SupplyFigure:
    """Supply by day: uprights from lowest to highest, each with its figures, in pixels."""

    width: int
    height: int
    days: list[
        tuple[int, float, float, str, str, tuple[str, str]]
    ]  # x, y of highest and lowest; both in words; the day


@router.get("/nodes")
def nodes_page() -> Response:
    """Lead to the nodes on the page of the probes: they had one of their own."""
    return RedirectResponse("/probes#nodes", status_code=308)


@router.get("/probes", response_class=HTMLResponse)
def probes_page(request: Request) -> Response:
    return page(request, "probes.html", probes_page, lambda: _facts(pipeline_of(request)))


@router.get("/probes/{station}/{probe}", response_class=HTMLResponse)
def probe_page(request: Request, station: str, probe: str) -> HTMLResponse:
    """A probe as it speaks; its script asks for the stream."""
    pipeline = pipeline_of(request)
    found, (surface, place) = find_probe(pipeline, station, probe), find_station(pipeline, station)
    facts = {
        "page": "probes",
        "title": say(found.description.title),
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


def _facts(pipeline: Pipeline) -> dict[str, Any]:
    zone, note = pipeline.config.site.timezone, pipeline.clock_note()
    stations, acts = [], 0
    dots: list[tuple[str, list[bool]]] = []
    for state, probes in probes_now(pipeline):
        place = words.place(state.surface, state.station)
        rows = []
        for one in probes:
            asks = one.state == "silent" and acts < ACTS
            acts += asks
            rows.append((say(one.title), f"/probes/{one.station}/{one.name}", asks, one.words))
        quiet = all(one.state == "heard" for one in probes)
        stations.append((f"{state.surface.name}-{state.station.name}", place, rows, notes_of(pipeline, state), quiet))
        dots.append((place[:1].upper(), [one.state == "heard" for one in probes]))
    nodes = [(node, supply_figure(node), node.state == "down" and acts < ACTS) for node in nodes_now(pipeline)]
    doubt, _, meaning = pipeline.clock_doubt().partition(": ")
    return {
        "page": "probes",
        "twin": "/api/v1/probes/now",
        "now": words.moment(pipeline.clock.now_ms(), zone),
        "clock": {
            "confirmed": note.ok,
            "kept": not pipeline.takes_time,
            "time": words.date_and_clock(note.now_ms, zone),
            "doubt": words.upper_first(doubt),
            "meaning": words.upper_first(meaning),
        },
        "picture": signs.probes(dots) if dots else "",
        "stations": stations,
        "folded": len(stations) > MOST_OPEN,
        "nodes": nodes,
    }


def supply_figure(node: NodeOut) -> SupplyFigure | None:
    """Return the supply of the last days as a figure; None for too few. A day not told leaves a gap."""
    days = [one for one in node.supply_days if days_between(one.day, node.supply_days[-1].day) < MOST_SUPPLY_DAYS]
    if len(days) < LEAST_SUPPLY_DAYS:
        return None
    low, high = min(one.lowest_v for one in days), max(one.highest_v for one in days)
    span = max(high - low, LEAST_SPAN_V)
    rows = []
    for one in days:
        x = DAY_PX // 2 + DAY_PX * days_between(days[0].day, one.day)
        highest, lowest = (TOP_PX + HIGH_PX * (high - v) / span for v in (one.highest_v, one.lowest_v))
        rows.append((x, highest, lowest, figure(one.highest_v, 1), figure(one.lowest_v, 1), day_name(one.day)))
    return SupplyFigure(rows[-1][0] + DAY_PX // 2, TOP_PX + HIGH_PX + 56, rows)
