"""Two stations, or two years of one, side by side over the same months: wetness by day, rain, a slice of the same day.

Every figure is a stored finding or a reading between the limits that held on its day. Means are over the days that are
known on both sides, and over no others: a month that one side lacks says nothing of the other.
"""

from __future__ import annotations

import datetime
import math
import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request

from api import schema, season_schema, words
from api.data import find_station, iso, pipeline_of
from api.depths import day_depths, rain_by_day, root_depth, wetness_by_day
from api.load import facts_of, large_reads
from api.problems import Problem
from api.season import year_of
from api.state import LAYERS, number, rows_of
from pipeline.diary.facts import read_diary
from pipeline.service import Pipeline
from pipeline.units import EVER_MS

MONTHS_BACK = 2  # shown before the present month where nobody picks
LEAP_YEAR = 2024

router = APIRouter(prefix="/api/v1", tags=["data"])

Station = Annotated[str | None, Query(description="the first side; the first station of the site")]
OtherStation = Annotated[str | None, Query(description="the second side; the next station, or the same one")]
Year = Annotated[int | None, Query(description="of the first side; this year")]
OtherYear = Annotated[
    int | None, Query(description="of the second side; the same year, or of the same station the year before")
]
FromMonth = Annotated[int | None, Query(description="1 to 12; two months before the last")]
UntilMonth = Annotated[int | None, Query(description="1 to 12, in it; the present month")]


@dataclass(frozen=True, slots=True)
class Picked:
    """What is compared: station and year of both sides, and the months, both in it."""

    sides: tuple[tuple[str, int], tuple[str, int]]
    first_month: int
    last_month: int

    @property
    def days(self) -> list[tuple[int, int]]:
        """Month and day of each day; 29 February where one of the years has it."""
        leap = any(year % 4 == 0 and (year % 100 != 0 or year % 400 == 0) for _, year in self.sides)
        day = datetime.date(LEAP_YEAR if leap else LEAP_YEAR - 1, self.first_month, 1)
        found = []
        while day.month <= self.last_month and day.year == (LEAP_YEAR if leap else LEAP_YEAR - 1):
            found.append((day.month, day.day))
            day += datetime.timedelta(days=1)
        return found


@router.get("/compare", summary="Two stations, or two years of one, over the same months: wetness by day, rain, depths")
def get_compare(
    request: Request,
    station: Station = None,
    year: Year = None,
    other_station: OtherStation = None,
    other_year: OtherYear = None,
    from_month: FromMonth = None,
    until_month: UntilMonth = None,
) -> season_schema.CompareOut:
    pipeline = pipeline_of(request)
    picked = picked_of(pipeline, station, year, other_station, other_year, from_month, until_month)

    def read() -> season_schema.CompareOut:
        with large_reads.turn():
            return compared(pipeline, picked)

    return facts_of(request).get((compared, picked), read)


def picked_of(
    pipeline: Pipeline,
    station: str | None,
    year: int | None,
    other_station: str | None,
    other_year: int | None,
    from_month: int | None,
    until_month: int | None,
) -> Picked:
    """Return what is compared, what nobody picked filled in. Raises Problem 404 and 422."""
    names = list(pipeline.config.stations())
    if not names:
        raise Problem(404, "No such station", "found a site without stations, expected one to compare")
    first = names[0] if station is None else station
    others = [name for name in names if name != first]
    second = other_station if other_station is not None else others[0] if others and other_year is None else first
    for name in (first, second):
        find_station(pipeline, name)
    chosen = year_of(pipeline, year)
    other = year_of(pipeline, other_year if other_year is not None else chosen if second != first else chosen - 1)
    zone = ZoneInfo(pipeline.config.site.timezone)
    now = words.local(pipeline.clock.now_ms(), zone)
    last = _month("until_month", until_month, now.month)
    begin = _month("from_month", from_month, max(1, last - MONTHS_BACK))
    if begin > last:
        detail = f"from_month: found {begin}, expected a month not after until_month, {last}"
        raise Problem(422, "No such months", detail)
    return Picked(((first, chosen), (second, other)), begin, last)


def _month(key: str, found: int | None, usual: int) -> int:
    if found is None:
        return usual
    if not 1 <= found <= 12:
        raise Problem(422, "No such month", f"{key}: found {found}, expected 1 to 12")
    return found


def compared(pipeline: Pipeline, picked: Picked) -> season_schema.CompareOut:
    """Return both sides, day by day, with their means over the days known on both."""
    days = picked.days
    layers = [_layers(pipeline, name, year, days) for name, year in picked.sides]
    shown_day = _last_day(layers, days)
    sides = [
        _side(pipeline, name, year, days, layer, shown_day)
        for (name, year), layer in zip(picked.sides, layers, strict=True)
    ]
    both = []
    for layer in LAYERS:
        pairs = [
            (a, b) for a, b in zip(layers[0][layer], layers[1][layer], strict=True) if a is not None and b is not None
        ]
        if any(value is not None for side in layers for value in side[layer]):
            means = [statistics.fmean(each) for each in zip(*pairs, strict=True)] if pairs else [None, None]
            both.append(season_schema.BothOut(layer=layer, days=len(pairs), first=means[0], second=means[1]))
    return season_schema.CompareOut(
        first_month=picked.first_month,
        last_month=picked.last_month,
        days=[f"{month:02d}-{day:02d}" for month, day in days],
        first=sides[0],
        second=sides[1],
        both=both,
        depths_on=None if shown_day is None else f"{shown_day[0]:02d}-{shown_day[1]:02d}",
        same_gauge=sides[0].gauge is not None and (sides[0].gauge, sides[0].year) == (sides[1].gauge, sides[1].year),
    )


def _edges(zone: ZoneInfo, year: int, days: Sequence[tuple[int, int]]) -> list[tuple[int, int] | None]:
    """Begin and end of each day on the site's clock [ms since 1970, UTC]; None where the year does not have it."""
    found: list[tuple[int, int] | None] = []
    for month, day in days:
        try:
            begin = datetime.datetime(year, month, day, tzinfo=zone)
        except ValueError:
            found.append(None)
            continue
        next_day = datetime.datetime.combine(begin.date() + datetime.timedelta(days=1), datetime.time(), zone)
        found.append((round(begin.timestamp() * 1000), round(next_day.timestamp() * 1000)))
    return found


def _layers(
    pipeline: Pipeline, station: str, year: int, days: Sequence[tuple[int, int]]
) -> dict[str, list[float | None]]:
    edges = _edges(ZoneInfo(pipeline.config.site.timezone), year, days)
    known = wetness_by_day(pipeline, station, [f"{layer}_wetness" for layer in LAYERS], [e for e in edges if e])
    found = {}
    for layer in LAYERS:
        values = iter(known[f"{layer}_wetness"])
        found[layer] = [None if edge is None else number(next(values)) for edge in edges]
    return found


def _last_day(
    layers: Sequence[dict[str, list[float | None]]], days: Sequence[tuple[int, int]]
) -> tuple[int, int] | None:
    """The last day on which something is known on both sides."""
    known = [
        all(any(side[layer][place] is not None for layer in LAYERS) for side in layers) for place in range(len(days))
    ]
    return next((day for day, is_known in zip(reversed(days), reversed(known), strict=True) if is_known), None)


def _side(
    pipeline: Pipeline,
    name: str,
    year: int,
    days: Sequence[tuple[int, int]],
    layers: dict[str, list[float | None]],
    shown_day: tuple[int, int] | None,
) -> season_schema.SideOut:
    config, zone = pipeline.config, ZoneInfo(pipeline.config.site.timezone)
    surface, station = config.surface_of(name), config.stations()[name]
    edges = _edges(zone, year, days)
    whole = [edge for edge in edges if edge is not None]
    start_ms, end_ms = whole[0][0], whole[-1][1]
    gauge = config.rain_channel(name)
    fallen = iter([] if gauge is None else rain_by_day(pipeline, gauge, whole))
    rain = [None if edge is None or gauge is None else number(next(fallen)) for edge in edges]
    entries = pipeline.diary.entries(None, *EVER_MS)
    facts = read_diary(entries, surface.name, config.passes, zone)
    given = [w.water_mm for w in facts.measured_waterings if start_ms <= w.start_ms < end_ms]
    fortnights = rows_of(pipeline.store.findings(name, ["root_depth_90"], start_ms, end_ms))
    roots = [value * 1000.0 for row in fortnights if (value := number(row["value"])) is not None]
    driest = _driest(layers["root_zone"], days)
    return season_schema.SideOut(
        station=name,
        title=words.place(surface, station),
        year=year,
        start=iso(start_ms),
        end=iso(end_ms),
        thatch_wetness=layers["thatch"],
        top_layer_wetness=layers["top_layer"],
        root_zone_wetness=layers["root_zone"],
        gauge=gauge,
        rain_mm=None if gauge is None else rain,
        rain_days=sum(value is not None for value in rain),
        rain_sum_mm=math.fsum(value for value in rain if value is not None)
        if any(v is not None for v in rain)
        else None,
        given_mm=math.fsum(given) if given else None,
        passes=sum(start_ms <= one.start_ms < end_ms for one in facts.made),
        roots_mm=statistics.median(roots) if roots else None,
        driest_day=driest[0],
        driest=driest[1],
        **_on_day(pipeline, name, year, shown_day),
    )


def _driest(values: Sequence[float | None], days: Sequence[tuple[int, int]]) -> tuple[str | None, float | None]:
    known = [(value, day) for value, day in zip(values, days, strict=True) if value is not None]
    if not known:
        return None, None
    value, (month, day) = min(known)
    return f"{month:02d}-{day:02d}", value


def _on_day(pipeline: Pipeline, name: str, year: int, day: tuple[int, int] | None) -> dict[str, Any]:
    """Depths, thatch and roots of one day."""
    if day is None:
        return {"depths": [], "thatch_mm": None, "roots": None}
    (edge,) = _edges(ZoneInfo(pipeline.config.site.timezone), year, [day])
    assert edge is not None
    context = pipeline.context(name)
    thatch_m = number(context.thatch_m(edge[1] - 1))
    roots = root_depth(pipeline, name, edge[1] - 1)
    told = roots is not None and roots.value is not None
    return {
        "depths": [
            season_schema.DayDepthOut(
                channel=one.channel,
                depth_mm=one.depth_mm,
                top_mm=one.top_mm,
                bottom_mm=one.bottom_mm,
                lies_in=one.lies_in,
                wetness=number(one.wetness[0]),
            )
            for one in day_depths(pipeline, name, *edge)
        ],
        "thatch_mm": None if thatch_m is None else thatch_m * 1000.0,
        "roots": schema.FigureOut(
            value=roots.value * 1000.0,
            low=None if roots.low is None else roots.low * 1000.0,
            high=None if roots.high is None else roots.high * 1000.0,
            reason=roots.reason,
        )
        if told and roots is not None and roots.value is not None
        else None,
    }


def months_of(picked: Picked) -> Iterator[tuple[int, float]]:
    """Yield each month and where it begins among the days. [%]"""
    days = picked.days
    months = [month for month, _ in days]
    starts = [0, *(place + 1 for place, (a, b) in enumerate(pairwise(months)) if a != b)]
    yield from ((months[place], 100.0 * place / len(days)) for place in starts)
