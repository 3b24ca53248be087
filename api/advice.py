"""What is advised, over the data interface: windows, last good dates, wetness to come, tonight's water.

The pipeline works it out; here it only gets names. Nothing is advised before the first of it has been worked out, and
that is said as a problem, never as an empty answer.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from typing import Any

from fastapi import APIRouter, Request

from api import advice_schema, words
from api.data import find_station, iso, pipeline_of
from api.problems import Problem
from api.weeks import of_pass, weeks_out, worked_out
from pipeline.advice.conditions import Verdict
from pipeline.advice.report import PassAdvice, SiteAdvice, StationAdvice, SurfaceAdvice, next_open
from pipeline.advice.water import WaterAdvice
from pipeline.advice.weeks_ahead import SurfaceWeeks
from pipeline.advice.windows import Outlook, Window
from pipeline.forecast.wetness import DayChance, WetnessForecast, spread_of
from pipeline.plan.strips import StripState
from pipeline.plan.surface_plan import WorkPlan
from pipeline.service import Pipeline
from pipeline.site.fields import nearest
from pipeline.texts import say
from pipeline.units import HOUR_MS

ASK_AGAIN_S = 60
STALE_ADVICE_MS = 3 * HOUR_MS
VERDICT_NAMES = {
    Verdict.OPEN: "open",
    Verdict.WAIT: "wait",
    Verdict.CLOSED: "closed",
    Verdict.UNKNOWN: "cannot_tell",
}

router = APIRouter(prefix="/api/v1", tags=["advice"])


@router.get("/advice", summary="All that is advised for the site")
def get_advice(request: Request) -> advice_schema.AdviceOut:
    pipeline = pipeline_of(request)
    plan, weeks = pipeline.plan(), pipeline.weeks_ahead()
    advice, plans = _known(plan.advice), plan.surfaces
    return advice_schema.AdviceOut(
        at=iso(advice.at_ms),
        notes=list(advice.notes),
        surfaces=[_surface(advice, one, weeks.get(one.surface), plans.get(one.surface)) for one in advice.surfaces],
    )


@router.get("/surfaces/{name}/windows", summary="Windows of every pass on a surface, hour by hour, with their reasons")
def get_windows(request: Request, name: str) -> advice_schema.SurfaceWindowsOut:
    pipeline = pipeline_of(request)
    known = [s.name for s in pipeline.config.surfaces]
    if name not in known:
        raise Problem(404, "No such surface", f"found {name!r}, expected {nearest(name, known)}")
    advice = advice_of(pipeline)
    surface = of_surface(advice, name)
    return advice_schema.SurfaceWindowsOut(
        surface=name,
        title=surface.title,
        at=iso(advice.at_ms),
        passes=[
            advice_schema.PassWindowsOut(**_named(one.outlook), windows=[_window(w) for w in one.outlook.windows])
            for one in surface.passes
        ],
    )


@router.get(
    "/stations/{name}/forecast", summary="Wetness of a station in the coming days, hour by hour with its spread"
)
def get_forecast(request: Request, name: str) -> advice_schema.ForecastOut:
    advice, station = _station(pipeline_of(request), name)
    forecast = station.forecast
    return advice_schema.ForecastOut(
        station=name,
        at=iso(advice.at_ms),
        source=forecast.source,
        notes=list(forecast.notes),
        reason=forecast.reason,
        courses=forecast.root_wetness.shape[1],
        day_line=station.day_line,
        days=_days(station.days),
        hours=[] if forecast.reason else _hours(forecast),
    )


@router.get("/stations/{name}/water", summary="Tonight's water at a station: how much, in how many goes, or why none")
def get_water(request: Request, name: str) -> advice_schema.WaterOut:
    advice, station = _station(pipeline_of(request), name)
    return _water(advice, station)


def advice_of(pipeline: Pipeline) -> SiteAdvice:
    """The latest advice. Raises Problem 503 while the first of it is not worked out."""
    return _known(pipeline.advice())


def _known(advice: SiteAdvice | None) -> SiteAdvice:
    if advice is None:
        raise Problem(503, "Nothing is advised yet", "the first advice is being worked out", retry_after_s=ASK_AGAIN_S)
    return advice


def is_stale(advice: SiteAdvice, now_ms: int) -> bool:
    """Return whether what is advised was worked out too long ago to go by. [ms since 1970, UTC]"""
    return now_ms - advice.at_ms > STALE_ADVICE_MS


def stale_line(advice: SiteAdvice, zone: str, now_ms: int) -> list[str]:
    """Of when the advice is, where that is long ago."""
    if not is_stale(advice, now_ms):
        return []
    return [say("As it was worked out {when}:", when=words.moment(advice.at_ms, zone, now_ms=now_ms))]


def of_surface(advice: SiteAdvice, name: str) -> SurfaceAdvice:
    """What is advised on a surface. Raises Problem 503 when this advice has nothing on it."""
    found = next((one for one in advice.surfaces if one.surface == name), None)
    if found is None:
        raise Problem(503, "Nothing is advised here yet", f"{name} is being worked out", retry_after_s=ASK_AGAIN_S)
    return found


def _station(pipeline: Pipeline, name: str) -> tuple[SiteAdvice, StationAdvice]:
    surface, _ = find_station(pipeline, name)
    advice = advice_of(pipeline)
    found = next((one for one in of_surface(advice, surface.name).stations if one.station == name), None)
    if found is None:
        raise Problem(404, "No advice on this station", f"found {name!r}, expected one with a probe of water content")
    return advice, found


def _strip(one: StripState) -> advice_schema.StripOut:
    play, last_ms = one.play_ms, one.last_water_ms
    return advice_schema.StripOut(
        number=one.number, state=one.state, play=None if play is None else iso(play),
        last_water=None if last_ms is None else iso(last_ms), line=one.text,
    )  # fmt: skip


def _surface(
    advice: SiteAdvice, one: SurfaceAdvice, weeks: SurfaceWeeks | None, plan: WorkPlan | None
) -> advice_schema.SurfaceAdviceOut:
    weeks_at, weeks_reason = worked_out(weeks)
    return advice_schema.SurfaceAdviceOut(
        surface=one.surface,
        title=one.title,
        kind=one.kind,
        passes=[_pass(each, weeks) for each in one.passes],
        stations=[
            advice_schema.StationAdviceOut(
                station=each.station, day_line=each.day_line, days=_days(each.days), water=_water(advice, each)
            )
            for each in one.stations
        ],
        play=[
            advice_schema.PlayOut(title=p.title, start=iso(p.start_ms), end=iso(p.end_ms), strips=list(p.strips))
            for p in one.play
        ],
        dawn_leaf_degc=_number(one.dawn_leaf_degc),
        cautions=[
            advice_schema.CautionOut(
                what=c.what, station=c.station, place=c.place, line=c.words, chance=round(c.chance, 3)
            )
            for c in one.cautions
        ],
        strips=[] if plan is None else [_strip(each) for each in plan.strips],
        strips_wanted="" if plan is None else plan.strips_wanted,
        weeks_at=weeks_at,
        weeks_reason=weeks_reason,
    )


def _pass(one: PassAdvice, weeks: SurfaceWeeks | None) -> advice_schema.PassAdviceOut:
    its_weeks = of_pass(weeks, one.outlook.intent.kind, one.outlook.intent.variant)
    coming, last, healed = next_open(one.outlook), one.last_good, one.healed
    return advice_schema.PassAdviceOut(
        **_named(one.outlook),
        line=one.line,
        now=VERDICT_NAMES[one.outlook.windows[0].verdict],
        opens_at=None if coming is None else iso(coming.span.start_ms),
        closes_at=None if coming is None else iso(coming.span.end_ms),
        last_good=None
        if last is None
        else advice_schema.LastGoodOut(
            safe=_day(last.safe),
            likely=_day(last.likely),
            needed_on=_day(one.needed_on),
            for_play=one.for_play,
            line=one.last_good_line,
        ),
        healed=None
        if healed is None
        else advice_schema.HealedOut(
            earliest=_day(healed.earliest), likely=_day(healed.likely), latest=_day(healed.latest)
        ),
        weeks=[] if its_weeks is None else weeks_out(its_weeks),
    )


def _named(outlook: Outlook) -> dict[str, Any]:
    return {
        "kind": outlook.intent.kind,
        "variant": outlook.intent.variant,
        "title": outlook.facts.title,
        "depth_mm": round(outlook.intent.depth_m * 1000, 3),
    }


def _window(window: Window) -> advice_schema.WindowOut:
    override = window.override
    return advice_schema.WindowOut(
        start=iso(window.span.start_ms),
        end=iso(window.span.end_ms),
        verdict=VERDICT_NAMES[window.verdict],
        binding=window.binding,
        reason=window.reason,
        detail=window.detail,
        opens=window.opens,
        chance=_number(window.chance),
        check_first=list(window.check_first),
        lift_first=list(window.lift_first),
        warnings=list(window.warnings),
        override=None
        if override is None
        else advice_schema.OverrideOut(
            author=override.author, reason=override.reason, written_at=iso(override.written_at_ms)
        ),
    )


def _hours(forecast: WetnessForecast) -> list[advice_schema.HourOut]:
    thatch, roots = spread_of(forecast.thatch_wetness), spread_of(forecast.root_wetness)
    rain = [*(forecast.rain_mm.mean(axis=1).tolist() if forecast.rain_mm.size else []), None]
    return [
        advice_schema.HourOut(
            at=iso(at_ms),
            **{key: _number(value) for key, value in zip(_COLUMNS, (*thatch[:, i], *roots[:, i]), strict=True)},
            rain_mm=_number(rain[i] if i < len(rain) else None),
        )
        for i, at_ms in enumerate(forecast.at_ms.tolist())
    ]


_COLUMNS = (
    *("thatch_wetness", "thatch_low", "thatch_high"),
    *("root_zone_wetness", "root_zone_low", "root_zone_high"),
)


def _days(days: Sequence[DayChance]) -> list[advice_schema.DayChanceOut]:
    return [advice_schema.DayChanceOut(date=one.date.isoformat(), chance=_number(one.chance)) for one in days]


def _water(advice: SiteAdvice, station: StationAdvice) -> advice_schema.WaterOut:
    water: WaterAdvice = station.water
    return advice_schema.WaterOut(
        station=station.station,
        at=iso(advice.at_ms),
        mm=_number(water.mm),
        range_mm=None if water.range_mm is None else list(water.range_mm),
        goes=water.goes,
        drink_mm=_number(water.drink_mm),
        root_deficit_mm=_number(water.root_deficit_mm),
        volume_m3=_number(water.volume_m3),
        reason=water.reason,
        cautions=list(water.cautions),
        line=water.line,
        further=list(water.further),
    )


def _day(day: datetime.date | None) -> str | None:
    return None if day is None else day.isoformat()


def _number(value: float | None) -> float | None:
    """A number rounded to what it can mean, or None where there is none."""
    return None if value is None or math.isnan(value) else round(float(value), 4)
