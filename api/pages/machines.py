"""The page of the nodes: each in words, then its supply over the last days, lowest to highest a day."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from api import words
from api.data import pipeline_of
from api.nodes import day_name, days_between, nodes_now
from api.pages.frame import page
from api.schema import NodeOut
from pipeline.service import Pipeline

LEAST_SUPPLY_DAYS, MOST_SUPPLY_DAYS = 2, 7  # of a figure: a week fits a phone
DAY_PX, HIGH_PX, TOP_PX = 48, 90, 22
LEAST_SPAN_V = 1.0  # between the top and the foot of the figure

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class SupplyFigure:
    """Supply by day: uprights from lowest to highest, each with its figures, in pixels."""

    width: int
    height: int
    days: list[
        tuple[int, float, float, str, str, tuple[str, str]]
    ]  # x, y of highest and lowest; both in words; the day


@router.get("/nodes", response_class=HTMLResponse)
def machines_page(request: Request) -> Response:
    return page(request, "machines.html", machines_page, lambda: _facts(pipeline_of(request)))


def _facts(pipeline: Pipeline) -> dict[str, Any]:
    shown = [(node, supply_figure(node)) for node in nodes_now(pipeline)]
    now = words.moment(pipeline.clock.now_ms(), pipeline.config.site.timezone)
    return {"page": "nodes", "nodes": shown, "twin": "/api/v1/nodes", "now": now}


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
        rows.append((x, highest, lowest, f"{one.highest_v:.1f}", f"{one.lowest_v:.1f}", day_name(one.day)))
    return SupplyFigure(rows[-1][0] + DAY_PX // 2, TOP_PX + HIGH_PX + 56, rows)
