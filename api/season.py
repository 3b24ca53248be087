"""A year of a surface as facts: play, thatch by cores, roots, passes and what each took, water and growth by month.

Every figure is read from the diary, from stored findings and from the roll-ups of rain; none is estimated here. What a
year does not have is left out, never nought.
"""

from __future__ import annotations

import datetime
import itertools
import math
import statistics
from collections.abc import Iterator, Sequence
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request

from api import advice_schema, schema, season_schema
from api.data import iso, pipeline_of
from api.diary_check import cut_depth_m
from api.problems import Problem
from api.state import Row, number, rows_of
from pipeline.advice.leavings import leavings, takes_thatch
from pipeline.diary.by_hand import Cost, hand_rain_mm
from pipeline.diary.facts import RULER, DatedPass, DiaryFacts, read_diary
from pipeline.service import Pipeline
from pipeline.site.ground import Surface
from pipeline.stages.catalogue import CATALOGUE, Of
from pipeline.texts import say
from pipeline.units import DAY_MS, EVER_MS

PASS_FIGURES = tuple(q for q, entry in CATALOGUE.items() if entry.of is Of.PASS and q != "untreated_island")
WHOLE_MONTH = 0.9  # of the days of a month that has been, for its sum to be told: our own choice
EARLIEST, LATEST = 1990, 2100

router = APIRouter(prefix="/api/v1", tags=["advice"])


@router.get("/surfaces/{name}/season", summary="A year of a surface: thatch, roots, passes, water, growth by month")
def get_season(request: Request, name: str, year: int | None = None) -> season_schema.SeasonOut:
    pipeline = pipeline_of(request)
    return season_of(pipeline, surface_of(pipeline, name), year_of(pipeline, year))


def surface_of(pipeline: Pipeline, name: str) -> Surface:
    """Return a surface by its name. Raises Problem 404."""
    found = next((one for one in pipeline.config.surfaces if one.name == name), None)
    if found is None:
        names = ", ".join(one.name for one in pipeline.config.surfaces) or "no surface at all"
        raise Problem(404, "No such surface", f"found {name!r}, expected one of: {names}")
    return found


def year_of(pipeline: Pipeline, year: int | None) -> int:
    """Return the year asked for, or the present one by the site's clock. Raises Problem 422."""
    zone = ZoneInfo(pipeline.config.site.timezone)
    if year is None:
        return datetime.datetime.fromtimestamp(pipeline.clock.now_ms() / 1000, zone).year
    if not EARLIEST <= year <= LATEST:
        raise Problem(422, "No such year", f"year: found {year}, expected {EARLIEST} to {LATEST}")
    return year


def season_of(pipeline: Pipeline, surface: Surface, year: int) -> season_schema.SeasonOut:
    """Return a year of a surface."""
    zone, now_ms = ZoneInfo(pipeline.config.site.timezone), pipeline.clock.now_ms()
    facts = _facts(pipeline, surface, zone)
    edges = [_ms(datetime.datetime(year + m // 12, m % 12 + 1, 1, tzinfo=zone)) for m in range(13)]
    start, end = edges[0], edges[-1]
    before = _ms(datetime.datetime(year - 1, 1, 1, tzinfo=zone))
    same_day = before + now_ms - start if start <= now_ms < end else start
    months = list(_months(pipeline, surface, facts, edges, now_ms))
    roots = list(_roots(pipeline, surface, start, min(end, now_ms)))
    cores = _cores(pipeline, surface, datetime.date(year, 1, 1), datetime.date(year + 1, 1, 1))
    may_leave = _may_leave(facts, surface, _newest_mm(pipeline, surface, now_ms, zone), now_ms)
    return season_schema.SeasonOut(
        surface=surface.name,
        title=surface.title,
        year=year,
        start=iso(start),
        end=iso(end),
        now=iso(now_ms),
        plays=[advice_schema.SpanOut(start=iso(a), end=iso(b)) for a, b in facts.plays if start <= a < end],
        cores=cores,
        thatch_trend=_trend(pipeline, surface),
        roots=roots,
        passes=[
            _pass(pipeline, surface, one, zone, may_leave.get(one))
            for one in _passes(facts)
            if start <= one.start_ms < end
        ],
        months=months,
        closed=[
            season_schema.ClosedOut(start=iso(one.start_ms), end=iso(one.end_ms), reason=one.reason)
            for one in facts.closed
            if one.start_ms < end and one.end_ms >= start
        ],
        costs=[_cost(one, zone) for one in facts.costs if start <= one.at_ms < end],
        currency=pipeline.config.site.currency,
        so_far=_sums(pipeline, surface, facts, zone, start, min(end, max(now_ms, start))),
        last_year=_sums(pipeline, surface, facts, zone, before, same_day),
    )


def _facts(pipeline: Pipeline, surface: Surface, zone: ZoneInfo) -> DiaryFacts:
    """The diary of the surface, with its coming play of the calendar."""
    advice = pipeline.advice()
    advised = next((one for one in advice.surfaces if one.surface == surface.name), None) if advice else None
    plays = advised.play if advised else ()
    entries = pipeline.diary.entries(None, *EVER_MS)
    return read_diary(entries, surface.name, pipeline.config.passes, zone, plays=plays)


def _ms(at: datetime.datetime) -> int:
    return round(at.timestamp() * 1000)


def _day(at_ms: int, zone: ZoneInfo) -> str:
    return datetime.datetime.fromtimestamp(at_ms / 1000, zone).date().isoformat()


def _passes(facts: DiaryFacts) -> list[DatedPass]:
    return sorted((*facts.made, *facts.booked), key=lambda one: one.start_ms)


def _cores(
    pipeline: Pipeline, surface: Surface, first: datetime.date, past: datetime.date
) -> list[season_schema.CoreDayOut]:
    """The cores of each day on which any was cut, first <= day < past, read relaxed: the middle one, least and most."""
    days: dict[datetime.date, list[float]] = {}
    for station in surface.stations:
        for core in pipeline.context(station.name).facts.core_reads:
            if core.method == RULER and first <= core.taken < past and math.isfinite(core.thickness_mm):
                days.setdefault(core.taken, []).append(core.thickness_mm)
    return [
        season_schema.CoreDayOut(
            day=day.isoformat(), thatch_mm=statistics.median(mm), low_mm=min(mm), high_mm=max(mm), cores=len(mm)
        )
        for day, mm in sorted(days.items())
    ]


def _figure(row: Row, factor: float = 1.0) -> schema.FigureOut:
    value, low, high = (
        None if (known := number(row[key])) is None else known * factor for key in ("value", "low", "high")
    )
    return schema.FigureOut(value=value, low=low, high=high, reason=str(row["reason"] or ""))


def _trend(pipeline: Pipeline, surface: Surface) -> schema.FigureOut | None:
    """The newest stored trend of the thatch at any station of the surface."""
    rows = [
        row
        for station in surface.stations
        for row in rows_of(pipeline.store.findings(station.name, ["thatch_trend"], *EVER_MS))
    ]
    told = [row for row in rows if number(row["value"]) is not None] or rows
    return _figure(max(told, key=lambda row: int(row["end_ms"]))) if told else None


def _roots(pipeline: Pipeline, surface: Surface, start_ms: int, end_ms: int) -> Iterator[season_schema.RootsOut]:
    """Each fortnight of the station with the most of them told."""
    by_station = {
        station.name: rows_of(pipeline.store.findings(station.name, ["root_depth_90"], start_ms, end_ms))
        for station in surface.stations
    }
    if not by_station:
        return
    best = max(by_station, key=lambda name: sum(number(row["value"]) is not None for row in by_station[name]))
    for row in by_station[best]:
        yield season_schema.RootsOut(
            station=best, start=iso(int(row["start_ms"])), end=iso(int(row["end_ms"])), depth_mm=_figure(row, 1000.0)
        )


def _pass(
    pipeline: Pipeline, surface: Surface, one: DatedPass, zone: ZoneInfo, may_leave: schema.FigureOut | None
) -> season_schema.SeasonPassOut:
    kind = pipeline.config.passes.get(one.kind)
    found: dict[str, schema.FigureOut] = {}
    for station in surface.stations if one.state != "booked" else ():
        rows = rows_of(pipeline.store.findings(station.name, list(PASS_FIGURES), one.start_ms, one.start_ms + 1))
        for row in rows:
            quantity = str(row["quantity"])
            if quantity not in found or found[quantity].value is None:
                found[quantity] = _figure(row)
    return season_schema.SeasonPassOut(
        day=_day(one.start_ms, zone),
        kind=one.kind,
        title=one.kind.replace("_", " ") if kind is None else say(kind.title),
        state=one.state,
        depth_mm=None if one.depth_m is None or math.isnan(one.depth_m) else one.depth_m * 1000.0,
        figures=[
            season_schema.PassFigureOut(
                quantity=quantity,
                title=CATALOGUE[quantity].title,
                unit=CATALOGUE[quantity].unit,
                figure=found[quantity],
            )
            for quantity in PASS_FIGURES
            if quantity in found
        ],
        may_leave=may_leave,
    )  # fmt: skip


def _newest_mm(pipeline: Pipeline, surface: Surface, now_ms: int, zone: ZoneInfo) -> float:
    """Thickness by the cores of the newest day that has any. [mm] NaN without one."""
    today = datetime.datetime.fromtimestamp(now_ms / 1000, zone).date()
    cores = _cores(pipeline, surface, datetime.date.min, today + datetime.timedelta(days=1))
    return cores[-1].thatch_mm if cores else math.nan


def _may_leave(facts: DiaryFacts, surface: Surface, thatch_mm: float, now_ms: int) -> dict[DatedPass, schema.FigureOut]:
    """What each booked pass to come may leave of the thatch. [mm]"""
    coming = [one for one in _passes(facts) if one.state == "booked" and one.end_ms > now_ms and takes_thatch(one)]
    depths = [cut_depth_m(surface, one.kind, None if one.depth_m is None else 1000.0 * one.depth_m) for one in coming]
    found = leavings([(one, 1000.0 * depth_m) for one, depth_m in zip(coming, depths, strict=True)], thatch_mm)
    return {
        one: schema.FigureOut(value=None, low=None, high=None, reason=left.reason)
        if left.withheld
        else schema.FigureOut(value=left.value, low=left.low, high=left.high, reason=left.reason)
        for one, left in zip(coming, found, strict=True)
    }


def _cost(one: Cost, zone: ZoneInfo) -> season_schema.CostOut:
    hours = None if math.isnan(one.hours) else one.hours
    return season_schema.CostOut(
        day=_day(one.at_ms, zone), what=one.what, amount=one.amount, hours=hours, **{"pass": one.kind}
    )


def _closed_days(facts: DiaryFacts, zone: ZoneInfo, start_ms: int, end_ms: int) -> int:
    """How many days of the site's calendar in start <= t < end some of which was closed to play."""
    days: set[datetime.date] = set()
    for one in facts.closed:
        first, last = max(one.start_ms, start_ms), min(one.end_ms, end_ms - 1)
        if first <= last:
            begin, until = (datetime.datetime.fromtimestamp(at / 1000, zone).date() for at in (first, last))
            days |= {begin + datetime.timedelta(days=n) for n in range((until - begin).days + 1)}
    return len(days)


def _months(
    pipeline: Pipeline, surface: Surface, facts: DiaryFacts, edges: Sequence[int], now_ms: int
) -> Iterator[season_schema.MonthOut]:
    for month, (start, end) in enumerate(itertools.pairwise(edges), 1):
        until = min(end, now_ms)
        rain = _rain(pipeline, surface, facts, start, until) if until > start else None
        growth = _growth(pipeline, surface, start, until) if until > start else None
        yield season_schema.MonthOut(
            month=month, rain_mm=rain, given_mm=_given(facts, start, min(end, now_ms)), growth_days=growth
        )


def _rain(pipeline: Pipeline, surface: Surface, facts: DiaryFacts, start_ms: int, end_ms: int) -> float | None:
    """Rain of a span by the gauge that counts for the surface; None unless nearly all its days were heard. [mm]

    Where no gauge has a channel, by the one that is read by hand.
    """
    channel = next((i for s in surface.stations if (i := pipeline.config.rain_channel(s.name)) is not None), None)
    first, past = -(-start_ms // DAY_MS) * DAY_MS, end_ms // DAY_MS * DAY_MS
    if channel is None:
        return hand_rain_mm(facts.hand_rain, start_ms, end_ms, least_share=WHOLE_MONTH)
    if past <= first:
        return None
    days = pipeline.store.steps([channel], first, past, DAY_MS)
    if len(days) < WHOLE_MONTH * (past - first) / DAY_MS:
        return None
    return float((days["mean"] * days["n"]).sum())


def _given(facts: DiaryFacts, start_ms: int, end_ms: int) -> float:
    """Water given in a span, as far as its amount was written down. [mm]"""
    return math.fsum(w.water_mm for w in facts.measured_waterings if start_ms <= w.start_ms < end_ms)


def _growth(pipeline: Pipeline, surface: Surface, start_ms: int, end_ms: int) -> float | None:
    """Growth-days of a span: the sum of the daily growth potential; None unless nearly all its days are known. [d]"""
    for station in surface.stations:
        rows = rows_of(pipeline.store.findings(station.name, ["growth_potential"], start_ms, end_ms))
        known = [value for row in rows if int(row["end_ms"]) <= end_ms and (value := number(row["value"])) is not None]
        if known and len(known) >= WHOLE_MONTH * ((end_ms - start_ms) // DAY_MS):
            return math.fsum(known)
    return None


def _sums(
    pipeline: Pipeline, surface: Surface, facts: DiaryFacts, zone: ZoneInfo, start_ms: int, end_ms: int
) -> season_schema.SeasonSumsOut:
    """What a year has come to by a day."""
    first, past = (datetime.datetime.fromtimestamp(at / 1000, zone).date() for at in (start_ms, end_ms))
    cores = _cores(pipeline, surface, first, past + datetime.timedelta(days=1))
    depths = [
        one.depth_mm.value for one in _roots(pipeline, surface, start_ms, end_ms) if one.depth_mm.value is not None
    ]
    costs = [one for one in facts.costs if start_ms <= one.at_ms < end_ms]
    worked = [one.hours for one in costs if math.isfinite(one.hours)]
    return season_schema.SeasonSumsOut(
        until=iso(end_ms),
        rain_mm=_rain(pipeline, surface, facts, start_ms, end_ms),
        given_mm=_given(facts, start_ms, end_ms) or None,
        passes=sum(start_ms <= one.start_ms < end_ms for one in facts.made),
        thatch_mm=cores[-1].thatch_mm if cores else None,
        roots_mm=statistics.median(depths) if depths else None,
        closed_days=_closed_days(facts, zone, start_ms, end_ms),
        cost=math.fsum(one.amount for one in costs) if costs else None,
        hours=math.fsum(worked) if worked else None,
    )
