"""The first run: what to do next on an empty site, and the field check of a probe, which ticks by itself.

The page of a probe has the agent read it for as long as it is looked at: a script keeps asking, and without one each
look does. It is made anew for whoever asks, as it changes with every reading.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api import first, first_schema, words
from api.data import find_probe, pipeline_of
from api.pages.frame import answer, page
from api.problems import Problem
from api.writing import OwnForm
from hardware.field_check import GROUND_SHARE, answer_rise, by_depth, span_in, way_to_water
from hardware.probe import Channel
from pipeline.mqtt.field_checks import LEFT_SHARE, RECENT, STEPS, CheckStep, ProbeCheck
from pipeline.texts import say

FRESH_EVERY_S = 1  # an open page asks for itself again at most so often: a probe is read every two seconds
ANSWERS_SHOWN = 4.0  # the drawing of the cup ends at so many times a rise that is an answer

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class Trace:
    """The last readings of a probe as dots, and where the step wants them. [%, from the left and the top]"""

    dots: list[tuple[float, float, bool]]
    band: tuple[float, float]
    band_words: str


@router.get("/first", response_class=HTMLResponse)
def first_page(request: Request) -> Response:
    pipeline = pipeline_of(request)

    def facts() -> dict[str, Any]:
        zone, now_ms = pipeline.config.site.timezone, pipeline.clock.now_ms()
        return {
            "page": "first",
            "twin": "/api/v1/first",
            "now": words.date_and_clock(now_ms, zone),
            "said_below": pipeline.unnamed(),
            "first": first.first_of(pipeline),
        }

    return page(request, "first.html", first_page, facts)


@router.get("/first/{station}/{probe}", response_class=HTMLResponse)
def check_page(request: Request, station: str, probe: str) -> HTMLResponse:
    """The field check of one probe, read while somebody looks."""
    pipeline = pipeline_of(request)
    find_probe(pipeline, station, probe)
    change, name = pipeline.changes.count, f"{station}/{probe}"
    told, check, channels = (
        first.check_of(pipeline, station, probe),
        pipeline.checks.get(name),
        pipeline.checks.channels(name),
    )
    step = None if check is None else check.step(channels)
    if step is not None:
        pipeline.look_at(station, probe)
    facts = {
        "page": "first",
        "twin": f"/api/v1/first/{station}/{probe}",
        "now": words.date_and_clock(pipeline.clock.now_ms(), pipeline.config.site.timezone),
        "change": change,
        "every": FRESH_EVERY_S,
        "told": told,
        "open": step is not None,
        "stream": f"/api/v1/live/{station}/{probe}",
        "trace": None if check is None or step is None else trace_of(check, channels, step),
        "earlier": [one for one in told.steps if one.done_at is not None and one.step != "line"],
    }
    return answer(request, "first_probe.html", pipeline, facts)


@router.post("/first/{station}/{probe}")
def check_form(request: Request, station: str, probe: str, form: OwnForm) -> RedirectResponse:
    """Begin the check, go back to a step, or take the probe as it is; and lead back to its page."""
    do, step = form.get("do", ""), form.get("step", "air")
    if do not in ("begin", "again", "taken") or step not in STEPS:
        raise Problem(
            422, "No such step", f"do: found {do[:20]!r} with the step {step[:20]!r}, expected one of the page"
        )
    first.act(request, station, probe, first_schema.CheckIn(do=do, step=step))  # type: ignore[arg-type]
    return RedirectResponse(f"/first/{station}/{probe}", 303)


def trace_of(check: ProbeCheck, channels: Sequence[Channel], step: CheckStep) -> Trace | None:
    """Return the last readings as dots; None where the step wants no figure.

    Each depth has its own way from air to water, in the cup from its highest before it; all stand in one drawing.
    """
    if step == "line" or not by_depth(channels):
        return None
    low, high, band = _scale(by_depth(channels)[0].heard, step)
    dots = []
    for number, point in enumerate(check.recent):
        for channel in by_depth(channels):
            value = _placed(check, channel, point.values, step)
            if value is not None:
                share = min(max((value - low) / (high - low), 0.0), 1.0)
                x = 100.0 * (number + RECENT - len(check.recent) + 0.5) / RECENT
                dots.append((round(x, 1), round(100.0 * (1.0 - share), 1), band[0] <= value <= band[1]))
    top, foot = (100.0 * (1.0 - min(max((edge - low) / (high - low), 0.0), 1.0)) for edge in reversed(band))
    told = {
        "air": say("what air reads"),
        "water": say("what water reads"),
        "ground": say("between air and water"),
        "cup": say("an answer"),
    }[step]
    return Trace(dots, (round(top, 1), round(foot, 1)), told)


def _scale(heard: str, step: CheckStep) -> tuple[float, float, tuple[float, float]]:
    """Foot and top of the drawing and the band in it, in the unit of `_placed`."""
    if step == "ground":
        return 0.0, 1.0, (GROUND_SHARE, LEFT_SHARE)
    if step == "cup":
        return -1.0, ANSWERS_SHOWN, (1.0, ANSWERS_SHOWN)
    air, water = span_in("air", heard) or (0.0, 1.0), span_in("water", heard) or (0.0, 1.0)
    return air[0], water[1], air if step == "air" else water


def _placed(check: ProbeCheck, channel: Channel, values: Mapping[str, float | None], step: CheckStep) -> float | None:
    value, air, water = values.get(channel.name), check.air.get(channel.name), check.water.get(channel.name)
    if step in ("air", "water") or value is None:
        return value
    if step == "ground":
        return way_to_water(value, air, water)
    quiet = check.quiet.get(channel.name)
    if quiet is None:
        return 0.0
    return (value - quiet[1]) / answer_rise(channel.heard, *quiet, air, water)
