"""Passes that are booked or under way, each judged by what is advised; and one judged before it is booked.

How a booking is judged says `pipeline.plan.booked`.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request

from api import advice_schema, words
from api.advice import is_stale
from api.data import iso, ms, pipeline_of
from api.diary import entry_out
from api.diary_check import check, cut_depth_m, names_in_the_way
from api.problems import Problem
from api.season import surface_of
from pipeline.advice.report import PassAdvice, SiteAdvice, doing_of
from pipeline.advice.stretches import pass_words
from pipeline.advice.treatments import treatments
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import CUTS_FROM_M, DiaryFacts, read_diary
from pipeline.plan.booked import Judgement, judged_by
from pipeline.plan.booked_water import judged_watering
from pipeline.plan.planner import SitePlan
from pipeline.plan.surface_plan import WorkPlan
from pipeline.service import Pipeline
from pipeline.site.ground import Surface
from pipeline.texts import later, say
from pipeline.units import DAY_MS, EVER_MS, HOUR_MS

MISSED_MS = 7 * DAY_MS  # a booking so long past is asked about: our own choice
BEGUN_BACK_MS = 14 * DAY_MS  # a pass begun longer ago is no longer taken to be under way: our own choice
# Guidance of the UK HSE on buried services, machines with blades, and silica in dry loam and sand, from memory.
BURIED = later(
    "Before blades or tines go in, know what lies buried: ask for the plans, sweep with a locator and dig a trial hole "
    "by hand for power, irrigation wire and pipe, drains and gas. Local rules and whoever is licensed come first."
)
BLADES = later(
    "Guards on and nobody near while it runs; machine stopped and key out before a hand goes to blades, tines or a "
    "clogged chute."
)
DUST = later("Dust of dry loam and sand harms lungs: work it moist, and wear a mask that is made for it.")
ROLLER = later(
    "A roller crushes: nobody near while it moves, mind slopes and edges, and go by its maker's rules and your own."
)
OF_KIND = {"topdressing": DUST, "rolling": ROLLER}

router = APIRouter(prefix="/api/v1", tags=["advice"])


# --- what is booked --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Jobs:
    """Entries of passes begun and not done, booked from today on, and booked for a day past and never begun."""

    under_way: tuple[DiaryEntry, ...]
    booked: tuple[DiaryEntry, ...]
    missed: tuple[DiaryEntry, ...]


def jobs_of(pipeline: Pipeline, now_ms: int) -> Jobs:
    """Return the passes of all surfaces that are booked or under way, in order of time. [ms since 1970, UTC]"""
    zone = ZoneInfo(pipeline.config.site.timezone)
    entries = pipeline.diary.entries(("pass",), now_ms - BEGUN_BACK_MS, EVER_MS[1])
    numbered = {entry.id: entry for entry in entries}
    facts: list[DiaryFacts] = [
        read_diary(entries, surface.name, pipeline.config.passes, zone) for surface in pipeline.config.surfaces
    ]
    booked = sorted((one for each in facts for one in each.booked), key=lambda one: (one.start_ms, one.id))
    today = words.local(now_ms, zone).replace(hour=0, minute=0, second=0, microsecond=0).timestamp() * 1000
    begun = sorted((one for each in facts for one in each.made if one.state == "begun"), key=lambda one: one.start_ms)
    return Jobs(
        under_way=tuple(numbered[one.id] for one in begun),
        booked=tuple(numbered[one.id] for one in booked if one.start_ms >= today),
        missed=tuple(numbered[one.id] for one in booked if now_ms - MISSED_MS <= one.start_ms < today),
    )


# --- judged ----------------------------------------------------------------------------------------------------------


def judged(
    pipeline: Pipeline, plan: SitePlan, entry: DiaryEntry, now_ms: int, *, before: DiaryEntry | None = None
) -> Judgement:
    """Judge a booking, written or not, by the plan of now; `before` is the one that it changes. [ms since 1970]"""
    advice = plan.advice
    if advice is None:
        return Judgement("cannot_tell", say("nothing is advised yet."))
    if is_stale(advice, now_ms):
        return Judgement("cannot_tell", say("what is advised is too old to judge by."))
    if entry.kind == "booked_watering":
        return _judged_watering(plan.surfaces.get(entry.surface), entry, before)
    found = _advised(advice, entry)
    if found is None:
        return Judgement("cannot_tell", say("this pass is not judged here."))
    judgement = judged_by(found, entry.at_ms, ZoneInfo(pipeline.config.site.timezone))
    depth = entry.body.get("depth_mm")
    if isinstance(depth, int | float) and depth != round(found.outlook.intent.depth_m * 1000, 1):
        clause = " ".join((judgement.clause, say("Judged as {pass_title}.", pass_title=pass_words(found))))
        return Judgement(judgement.verdict, clause, judgement.better, judgement.advised)
    return judgement


def _judged_watering(plan: WorkPlan | None, entry: DiaryEntry, before: DiaryEntry | None) -> Judgement:
    if plan is None or plan.seen is None:
        return Judgement("cannot_tell", say("nothing is advised on its water."))
    stations = [entry.station] if entry.station else []
    stands_as = None if before is None else (before.at_ms, before.number("water_mm"))
    water_mm = entry.number("water_mm")
    return judged_watering(
        plan.advice, stations, entry.at_ms, water_mm, plan.seen, plan.planned_water, stands_as=stands_as
    )


def waterings_of(pipeline: Pipeline, now_ms: int) -> Jobs:
    """Return the waterings of all surfaces that are booked: to come, and past and neither given nor struck. [ms]"""
    entries = sorted(
        pipeline.diary.entries(("booked_watering",), now_ms - MISSED_MS, EVER_MS[1]), key=lambda e: (e.at_ms, e.id)
    )
    ends = {e.id: e.at_ms + HOUR_MS if e.end_ms is None else e.end_ms for e in entries}
    return Jobs((), tuple(e for e in entries if ends[e.id] > now_ms), tuple(e for e in entries if ends[e.id] <= now_ms))


def _advised(advice: SiteAdvice, entry: DiaryEntry) -> PassAdvice | None:
    """What is advised of this pass on its surface."""
    kind, variant = entry.body.get("pass"), entry.body.get("variant")
    surface = next((one for one in advice.surfaces if one.surface == entry.surface), None)
    same = [] if surface is None else [one for one in surface.passes if one.outlook.intent.kind == kind]
    return next((one for one in same if variant in (None, one.outlook.intent.variant)), None)


def lift_line(pipeline: Pipeline, entry: DiaryEntry, now_ms: int) -> str:
    """Return which probes are to be lifted before a pass of the diary, as a sentence; empty for none."""
    surface = next((one for one in pipeline.config.surfaces if one.name == entry.surface), None)
    if surface is None:
        return ""
    return words.lift_first(surface, names_in_the_way(surface, pipeline.diary, entry, now_ms))


def cautions(surface: Surface, kind: str, depth_mm: object) -> tuple[str, ...]:
    """Return what may hurt somebody about a pass of a kind: what lies buried, blades, dust, a roller."""
    cuts = cut_depth_m(surface, kind, depth_mm) >= CUTS_FROM_M and kind != "topdressing"
    told = (*((BURIED, BLADES) if cuts else ()), *(line for line in (OF_KIND.get(kind),) if line))
    return tuple(say(line) for line in told)


# --- over the data interface -----------------------------------------------------------------------------------------


@router.get("/bookings", summary="Passes and waterings that are booked or under way, each judged as of now")
def get_bookings(request: Request) -> advice_schema.BookingsOut:
    pipeline = pipeline_of(request)
    return advice_schema.BookingsOut(bookings=list(_bookings(pipeline, pipeline.clock.now_ms())))


def _bookings(pipeline: Pipeline, now_ms: int) -> Iterator[advice_schema.BookingOut]:
    jobs, waterings, plan = jobs_of(pipeline, now_ms), waterings_of(pipeline, now_ms), pipeline.plan()
    for entry in waterings.missed:
        yield advice_schema.BookingOut(state="missed", entry=entry_out(entry), judgement=None)
    for entry in waterings.booked:
        told = _judgement_out(pipeline, plan, entry, now_ms)
        yield advice_schema.BookingOut(state="booked", entry=entry_out(entry), judgement=told)
    for state, entries in (("under_way", jobs.under_way), ("missed", jobs.missed), ("booked", jobs.booked)):
        for entry in entries:
            judgement = _judgement_out(pipeline, plan, entry, now_ms) if state == "booked" else None
            yield advice_schema.BookingOut(state=state, entry=entry_out(entry), judgement=judgement)


@router.get("/surfaces/{name}/judgement", summary="A pass on a surface judged before it is booked")
def get_judgement(
    request: Request,
    name: str,
    at: datetime.datetime,
    kind: Annotated[str, Query(alias="pass", examples=["scarifying"])],
    variant: str | None = None,
    depth_mm: float | None = None,
) -> advice_schema.JudgementOut:
    pipeline = pipeline_of(request)
    surface, now_ms = surface_of(pipeline, name), pipeline.clock.now_ms()
    named = {"pass": kind, "variant": variant, "depth_mm": depth_mm, "state": "booked"}
    body = {key: value for key, value in named.items() if value is not None}
    entry = DiaryEntry("pass", surface.name, ms(at), body, written_at_ms=now_ms)
    faults = check(pipeline.config, pipeline.diary, pipeline.photographs, entry, now_ms)
    if faults:
        raise Problem(422, "Such a pass cannot be booked", "; ".join(faults), faults=faults)
    return _judgement_out(pipeline, pipeline.plan(), entry, now_ms)


def _judgement_out(pipeline: Pipeline, plan: SitePlan, entry: DiaryEntry, now_ms: int) -> advice_schema.JudgementOut:
    found = judged(pipeline, plan, entry, now_ms)
    surface = surface_of(pipeline, entry.surface)
    return advice_schema.JudgementOut(
        verdict=found.verdict,
        line=f"{found.word} {found.clause}",
        better=None
        if found.better is None
        else advice_schema.SpanOut(start=iso(found.better.start_ms), end=iso(found.better.end_ms)),
        judged_as=None if found.advised is None else pass_words(found.advised),
        lift_first=list(names_in_the_way(surface, pipeline.diary, entry, now_ms)) if entry.kind == "pass" else [],
        lift=lift_line(pipeline, entry, now_ms) if entry.kind == "pass" else "",
        cautions=list(cautions(surface, str(entry.body["pass"]), entry.body.get("depth_mm")))
        if entry.kind == "pass"
        else [],
    )


def kinds_of(pipeline: Pipeline, surface: Surface) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Return the passes to be booked on a surface, `kind.variant` and in words: those judged, and the others."""
    advice = pipeline.advice()
    of_it = None if advice is None else next((one for one in advice.surfaces if one.surface == surface.name), None)
    here = [] if of_it is None else of_it.passes
    told = [(f"{one.outlook.intent.kind}.{one.outlook.intent.variant}", pass_words(one)) for one in here]
    known = {value for value, _ in told}
    others = [
        (value, doing_of(facts, variant))
        for kind, facts in treatments().facts.items()
        for variant in facts.variants
        if (value := f"{kind}.{variant}") not in known
    ]
    return told, others
