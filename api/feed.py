"""Windows and last good dates as a calendar that a phone can subscribe to (iCalendar, RFC 5545).

An entry keeps its uid when it moves. A calendar that has not changed is not sent again. Nothing is judged here: what an
entry says is what the work page says.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response

from api.advice import advice_of, of_surface
from api.data import pipeline_of
from api.problems import Problem
from pipeline.advice.conditions import Verdict
from pipeline.advice.phrases import lift_first
from pipeline.advice.report import (
    LEAST_OPEN_H,
    LIKELY,
    PassAdvice,
    SiteAdvice,
    Stretch,
    SurfaceAdvice,
    chance_of,
    chance_words,
    parts_alike,
    stretches,
)
from pipeline.advice.stretches import pass_words
from pipeline.diary.fixtures import FeedEntry, build_feed
from pipeline.service import Pipeline
from pipeline.site.fields import nearest
from pipeline.site.ground import Site
from pipeline.site.local_units import LocalUnits
from pipeline.texts import in_a_row, say

CALENDAR_TYPE = "text/calendar; charset=utf-8"
LOOK_AGAIN_S = 3600  # advice is worked out by the hour
_ANSWERS = {
    200: {"content": {"text/calendar": {"example": "BEGIN:VCALENDAR\r\nVERSION:2.0\r\n...END:VCALENDAR\r\n"}}},
    304: {"description": "It has not changed"},
}

router = APIRouter(tags=["calendar"])


@router.get(
    "/calendar/work.ics",
    summary="Windows and last good dates of every surface as a calendar",
    response_class=Response,
    responses=_ANSWERS,  # type: ignore[arg-type]
)
def whole(request: Request) -> Response:
    pipeline = pipeline_of(request)
    advice, site = advice_of(pipeline), pipeline.config.site
    zone = ZoneInfo(site.timezone)
    entries = [entry for one in advice.surfaces for entry in entries_of(one, site, zone)]
    return _calendar(pipeline, advice, entries, site.title)


@router.get(
    "/calendar/surfaces/{name}.ics",
    summary="Windows and last good dates of one surface as a calendar",
    response_class=Response,
    responses=_ANSWERS,  # type: ignore[arg-type]
)
def of_one(request: Request, name: str) -> Response:
    pipeline = pipeline_of(request)
    known = [s.name for s in pipeline.config.surfaces]
    if name not in known:
        raise Problem(404, "No such surface", f"found {name!r}, expected {nearest(name, known)}")
    advice, site = advice_of(pipeline), pipeline.config.site
    surface = of_surface(advice, name)
    return _calendar(
        pipeline,
        advice,
        list(entries_of(surface, site, ZoneInfo(site.timezone))),
        f"{site.title}: {surface.title}",
    )


def entries_of(surface: SurfaceAdvice, site: Site, zone: ZoneInfo) -> Iterator[FeedEntry]:
    """Open stretches of six working hours or more that are likelier than not, numbered, and last good dates.

    A stretch ends where it falls below one half, and says how it falls until there.

    Parameters
    ----------
    surface : SurfaceAdvice
    site : Site
        Its name, for the uids, and its units, for what a person wrote.
    zone : ZoneInfo
    """
    for one in surface.passes:
        outlook = one.outlook
        uid = f"{outlook.intent.kind}-{outlook.intent.variant}.{surface.surface}.{site.name}@underturf"
        parts = (part for whole in stretches(outlook.windows) for part in parts_alike(whole))
        for number, stretch in enumerate((part for part in parts if _is_worth(part)), start=1):
            yield FeedEntry(
                f"window-{number}.{uid}",
                _title(surface.title, one, stretch, zone),
                start_ms=stretch.span.start_ms,
                end_ms=stretch.span.end_ms,
                description=_description(one, stretch, site.units),
            )
        last = one.last_good
        day = None if last is None else last.safe or last.likely
        if day is not None:
            title = say("{place}: last good day for {pass_title}", place=surface.title, pass_title=pass_words(one))
            yield FeedEntry(f"last-good.{uid}", title, on_date=day, description=one.last_good_line)


def _is_worth(stretch: Stretch) -> bool:
    """Whether a stretch is open for long enough, and likely enough or on somebody's word, to stand in a calendar."""
    if stretch.first.verdict is not Verdict.OPEN or stretch.hours < LEAST_OPEN_H:
        return False
    chance = chance_of(stretch)
    return chance is None or chance >= LIKELY or stretch.first.override is not None


def _title(place: str, one: PassAdvice, stretch: Stretch, zone: ZoneInfo) -> str:
    told = {"place": place, "pass_title": pass_words(one)}
    chance = "" if stretch.first.override is not None else chance_words(stretch, one.outlook, zone)
    if not chance:
        # Translators: a window of a pass in a calendar
        return say("{place}: {pass_title}", **told)
    return say("{place}: {pass_title}, {chance}", **told, chance=chance)


def _description(one: PassAdvice, stretch: Stretch, units: LocalUnits) -> str:
    first, lines = stretch.first, []
    if first.override is not None:
        why = units.own(first.override.reason)
        told = {"author": first.override.author, "why": why, "reason": first.reason}
        lines.append(say("On the word of {author} ({why}), against: {reason}.", **told))
    if first.lift_first:
        lines.append(f"{lift_first(first.lift_first, one.outlook.ground.buried)}.")
    checks = dict.fromkeys(c for w in stretch.windows for c in w.check_first)
    if checks:
        lines.append(say("Check first: {checks}.", checks=in_a_row(list(checks))))
    lines += [f"{w[:1].upper()}{w[1:]}." for w in first.warnings]
    if one.last_good_line:
        lines.append(one.last_good_line)
    return "\n".join(lines)


def _calendar(pipeline: Pipeline, advice: SiteAdvice, found: list[FeedEntry], title: str) -> Response:
    units, address = pipeline.config.site.units, pipeline.config.pages.address
    url = "" if address is None else f"{address}/work"
    entries = [replace(e, title=units.text(e.title), description=units.text(e.description), url=url) for e in found]
    # By the entries, not the bytes: the time at which it was made changes hourly and says nothing new. So it is weak.
    tag = f'W/"{hashlib.sha256(repr((title, entries)).encode()).hexdigest()[:32]}"'
    headers = {"ETag": tag, "Cache-Control": f"max-age={LOOK_AGAIN_S}"}
    text = build_feed(entries, title=title, now_ms=advice.at_ms)
    return Response(text, media_type=CALENDAR_TYPE, headers=headers)
