"""A plan in lines of text: what it adds to the morning's digest, and all of it for a screen without pages.

In a digest, booked work with what is made of it and a course about water are states of a subject: told once, and again
only when they have changed; meanwhile they stand on the pages.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.advice.phrases import clock_words
from pipeline.advice.report import doing_of
from pipeline.diary.facts import DatedPass
from pipeline.plan.booked import Judgement
from pipeline.plan.surface_plan import WorkPlan, advised
from pipeline.soil.wetting import Watering
from pipeline.texts import say
from pipeline.units import DAY_MS, utc_text

GO_DAYS = 2  # work that can be done as booked is told on its eve and its day, what cannot as soon as it shows
QUIET = ("too_early", "cannot_tell")  # told on the eve and the day alone


@dataclass(frozen=True, slots=True)
class PlanNews:
    """One state that a plan is in.

    Attributes
    ----------
    subject, state : str
        What it is about, and how that stands: keys, not words.
    text : str
        One line, the place first.
    further : tuple of str
        What is to be done besides, as lines.
    """

    subject: str
    state: str
    text: str
    further: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """Return both as one key."""
        return f"{self.subject}={self.state}"


def plan_news(plan: WorkPlan, now_ms: int, zone: datetime.tzinfo) -> Iterator[PlanNews]:
    """Yield the states of a plan that a digest tells.

    Parameters
    ----------
    plan : WorkPlan
    now_ms : int
        [ms since 1970, UTC]
    zone : tzinfo
        Of the site.
    """
    surface = plan.advice.surface
    for job, judgement, lift in plan.booked:
        near = job.start_ms - now_ms < GO_DAYS * DAY_MS
        if near or judgement.verdict not in ("go", *QUIET):
            better = "" if judgement.better is None else f" {judgement.better.start_ms // DAY_MS}"
            subject = f"booked/{surface}/{job.kind}.{job.variant}/{utc_text(job.start_ms)}"
            text = _booked(plan, job, judgement, lift, now_ms, zone)
            yield PlanNews(subject, f"{judgement.verdict}{better}{' lift' if lift else ''}", text)
    for watering, judgement in plan.waterings:
        near = watering.start_ms - now_ms < GO_DAYS * DAY_MS
        if near or judgement.verdict not in ("go", *QUIET):
            text = _booked_water(plan, watering, judgement, now_ms, zone)
            subject = f"booked/{surface}/water/{utc_text(watering.start_ms)}/{watering.water_mm:g}"
            yield PlanNews(subject, judgement.verdict, text)
    for strip in plan.strips:
        play = "" if strip.play_ms is None else f" {utc_text(strip.play_ms)}"
        last = "" if strip.last_water_ms is None else " to water"
        text = say("{place}: {told}", place=plan.advice.title, told=strip.text)
        yield PlanNews(f"strip/{surface}/{strip.number}", f"{strip.state}{play}{last}", text)
    month = datetime.datetime.fromtimestamp(now_ms / 1000, zone).strftime("%Y-%m")
    for caution in plan.advice.cautions:  # told once a month, for they come and go
        text = say("{place}: {told}", place=caution.place, told=caution.words)
        yield PlanNews(f"{caution.what}/{surface}/{caution.station}", month, text)
    places = {one.station: one.turf.place for one in plan.advice.stations}
    for course in plan.courses:
        text, *further = (say("{place}: {told}", place=places[course.station], told=step) for step in course.steps)
        yield PlanNews(f"water/{course.station}", course.key, text, tuple(further))


def plan_lines(plan: WorkPlan, now_ms: int, zone: datetime.tzinfo) -> list[str]:
    """Return a plan as text: tonight's water of each station and what to do besides, how strips stand, and every
    booking with what is made of it.

    Parameters
    ----------
    plan : WorkPlan
    now_ms : int
        [ms since 1970, UTC]
    zone : tzinfo
        Of the site.
    """
    booked = [_booked(plan, job, judgement, lift, now_ms, zone) for job, judgement, lift in plan.booked]
    waterings = [_booked_water(plan, one, judgement, now_ms, zone) for one, judgement in plan.waterings]
    strips = [say("{place}: {told}", place=plan.advice.title, told=one.text) for one in plan.strips]
    waters = [line for one in plan.advice.stations for line in one.water.lines]
    return [*waters, *strips, *booked, *waterings]


def _booked_water(plan: WorkPlan, watering: Watering, judgement: Judgement, now_ms: int, zone: datetime.tzinfo) -> str:
    """Return a booked watering and what is made of it as a line."""
    at, now = (datetime.datetime.fromtimestamp(ms / 1000, zone) for ms in (watering.start_ms, now_ms))
    return say(
        "{place}: water of {mm:g} mm is booked for {when}. {verdict} {clause}",
        place=plan.advice.title, mm=watering.water_mm, when=clock_words(at, now), verdict=judgement.word,
        clause=judgement.clause,
    )  # fmt: skip


def _booked(plan: WorkPlan, job: DatedPass, judgement: Judgement, lift: str, now_ms: int, zone: datetime.tzinfo) -> str:
    """Return a booking and what is made of it as a line."""
    one = advised(plan.advice, job)
    work = job.kind.replace("_", " ") if one is None else doing_of(one.outlook.facts, job.variant)
    at, now = (datetime.datetime.fromtimestamp(ms / 1000, zone) for ms in (job.start_ms, now_ms))
    line = say(
        "{place}: {work} is booked for {when}. {verdict} {clause}",
        place=plan.advice.title, work=work, when=clock_words(at, now), verdict=judgement.word, clause=judgement.clause,
    )  # fmt: skip
    return f"{line} {lift}." if lift else line
