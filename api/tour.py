"""The tour of a demo: five lines on what to look at in its ground, six steps through the pages, what else it can play.

The lines are taken from what the pages themselves say of the ground, so they hold whatever ground is played: of the
station whose thatch holds water over roots that go short, else of the first. Only a demo has a tour: `[pages] tour`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field

from api import words
from api.alert_history import PastAlert, alerts_of
from api.answers import six_answers
from api.data import pipeline_of, stations_of
from api.morning import morning_of
from api.pages.parts import layers_said
from api.problems import Problem
from api.state import StationNow
from pipeline.alerts.water import THATCH_HOLDING
from pipeline.plan.digest import plan_lines
from pipeline.service import Pipeline
from pipeline.texts import listed, say
from pipeline.units import DAY_MS

TOLD_BACK_MS = 366 * DAY_MS
WENT = 2  # place of "Where did it go?" among the six answers

router = APIRouter(prefix="/api/v1", tags=["site"])

StepKey = Literal["today", "slice", "alert", "work", "diary", "season"]


class TourStepOut(BaseModel):
    """A step through the pages."""

    step: StepKey
    title: str = Field(examples=["The slice"])
    words: str = Field(examples=["A cut through the turf, to scale."], description="what to look at there")
    address: str = Field(examples=["/stations/square-1"])


class OtherPlayOut(BaseModel):
    """Something else that the demo can play."""

    command: str = Field(examples=["underturf demo --record dinosaur"])
    words: str = Field(
        examples=["120 days of a dry summer."], description="what it is, what it needs, how long it takes"
    )


class TourOut(BaseModel):
    """What to look at in the demo's ground, and where."""

    lines: list[str] = Field(examples=[["Square, middle strips: thatch drained, roots nearly dry."]])
    steps: list[TourStepOut]
    others: list[OtherPlayOut]


@router.get("/tour", summary="The tour of the demo: what to look at, step by step; 404 where this is no demo")
def get_tour(request: Request) -> TourOut:
    pipeline = pipeline_of(request)
    require_tour(pipeline)
    return tour_of(pipeline, stations_of(request))


def require_tour(pipeline: Pipeline) -> None:
    """Raise Problem 404 where this is no demo."""
    if not pipeline.config.pages.tour:
        raise Problem(404, "No tour", "found the pages of a ground, expected those of a demo: only that has a tour")


def tour_of(pipeline: Pipeline, states: Sequence[StationNow]) -> TourOut:
    """Return the tour as the ground stands now; of no station there is nothing to see."""
    if not states:
        return TourOut(lines=[], steps=[], others=_others())
    held = _held(pipeline)
    shown = next((state for state in states if held is not None and state.station.name == held.station), states[0])
    return TourOut(lines=_lines(pipeline, states, shown, held), steps=_steps(shown, held), others=_others())


def _held(pipeline: Pipeline) -> PastAlert | None:
    """The alert that thatch holds water over roots that go short: the one that is open, else the last."""
    now_ms = pipeline.clock.now_ms()
    found = alerts_of(pipeline, now_ms - TOLD_BACK_MS, now_ms + 1)
    return next((one for one in found if one.rule == THATCH_HOLDING.name), None)


def _lines(pipeline: Pipeline, states: Sequence[StationNow], shown: StationNow, held: PastAlert | None) -> list[str]:
    zone, now_ms = pipeline.config.site.timezone, states[0].now_ms
    lines = [_layers(state) for state in (shown, *(one for one in states if one is not shown))][:2]
    if held is not None and held.closed_ms is None:
        since = words.soon(held.since_ms, zone, now_ms, clock=False)
        lines.insert(1, say("Why it matters: {what} Since {day}.", what=words.upper_first(held.text), day=since))
    elif held is not None:
        first, last = (words.soon(at_ms, zone, now_ms, clock=False) for at_ms in (held.since_ms, held.closed_ms or 0))
        told = say("It held water, and that has passed: {what} From {day} to {last}.",
                   what=words.upper_first(held.text), day=first, last=last)  # fmt: skip
        lines.insert(1, told)
    went = six_answers(morning_of(pipeline, list(states)))[WENT]
    lines.append(say("Where the last water went: {verdict} {clause}", verdict=went.verdict, clause=went.clause))
    plan = pipeline.plan().surfaces.get(shown.surface.name)
    planned = [] if plan is None else plan_lines(plan, now_ms, ZoneInfo(zone))
    lines.append(say("What is advised: {what}", what=planned[0]) if planned else say("What is advised: nothing yet."))
    return [words.tied(line) for line in lines]


def _layers(state: StationNow) -> str:
    place = words.place(state.surface, state.station)
    told = layers_said(state)
    return (
        say("{place}: {layers}.", place=place, layers=listed(told))
        if told
        else say("{place}: not heard yet.", place=place)
    )


def _steps(shown: StationNow, held: PastAlert | None) -> list[TourStepOut]:
    place, station, surface = words.place(shown.surface, shown.station), shown.station.name, shown.surface.name
    row = "" if held is None else f"#{'alert' if held.closed_ms is None else 'past'}-{held.alert_id}"
    steps: tuple[tuple[StepKey, str, str, str], ...] = (
        ("today", "/", say("The morning"),
         say("Six questions, each with one bold word. Tap one, and all that stands behind it opens.")),
        ("slice", f"/stations/{station}", say("The slice"),
         say("{place}, cut through to scale: thatch hatched, water a wash, roots lines. Turn back the time below it.",
             place=place)),
        ("alert", f"/alerts{row}", say("The alert"),
         say("What was said, since when, and what ended it. Whoever has seen it says so; who knows better says why.")),
        ("work", "/work", say("The work"),
         say("Which pass may be made on which day, how sure that is, and in one line why not. And tonight's water.")),
        ("diary", f"/diary?on={surface}", say("Your own entry"),
         say("Write down that you watered: tonight's water is worked out anew at once. The entry is kept with the demo "
             "alone, and can be withdrawn.")),
        ("season", f"/season/{surface}", say("The season"),
         say("Thatch, roots and water of the whole history, and what the work has done to them.")),
    )  # fmt: skip
    return [TourStepOut(step=key, address=address, title=title, words=told) for key, address, title, told in steps]


def _others() -> list[OtherPlayOut]:
    played = (
        ("--record dinosaur",
         say("A recorded field series: 120 days of a dry summer. It needs nothing more, and comes in as fast.")),
        ("--record ithaca", say("Another: 50 days of a wet winter. It needs nothing more either.")),
        ("--scenario sand_green",
         say("Another simulated ground, run before it is shown: under a minute, or a few seconds with the extra of pip "
             "that is called simulator.")),
        ("--scenario twelve_stations", say("Twelve stations. It needs that extra, and some minutes for its history.")),
    )  # fmt: skip
    return [OtherPlayOut(command=f"underturf demo {option}", words=told) for option, told in played]
