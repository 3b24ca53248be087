"""What a keeper takes from the texts of one morning: each sentence that orders or states something, as lines of a plan.

The words decide, not what the program meant: a table of phrases of the texts. What is told of windows, of the ground
this morning and of bookings is taken from the advice as pages show it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from pipeline.advice.conditions import Verdict
from pipeline.advice.report import PassAdvice, SurfaceAdvice, alike, doing_of, next_open, stretches
from pipeline.alerts.runner import OpenAlert
from pipeline.plan.booked_water import PlannedWater, judged_watering
from pipeline.plan.deep_water import SOAKS_H
from pipeline.plan.lines import WATERING, Line, Says
from pipeline.plan.surface_plan import WorkPlan
from pipeline.soil.wetting import Watering
from pipeline.units import DAY_MS, FOREVER_MS, HOUR_MS, TimeSpan
from tests.bench.plan_mornings import Morning

# Hours from six in the morning: of an order without a date, of tonight's water, of frost.
THIS_DAY_H, EVENING_H, TONIGHT_H, SOON_H, THAWED_H = 16, 14, 27, 48, 4
PHRASES = (
    ("keep water off", Says.NO_WATER, None),
    ("no water tonight", Says.NO_WATER, TONIGHT_H),
    ("give one deep watering", Says.WATER, TONIGHT_H),
    ("water long once", Says.WATER, TONIGHT_H),
    ("spike first", Says.SPIKE, SOON_H),
    ("spike before you water", Says.SPIKE, SOON_H),
    ("no water to hand", Says.LACKS_WATER, TONIGHT_H),
    ("stay off, or put it off", Says.KEEP_OFF, THIS_DAY_H),
    ("keep feet and machines off", Says.KEEP_OFF, THAWED_H),
    ("stopped short of the roots", Says.STOPPED, TONIGHT_H),
    ("stopped in the thatch", Says.STOPPED, TONIGHT_H),
    ("water has reached the roots", Says.ARRIVED, TONIGHT_H),
    ("go shallower", Says.SHALLOWER, TONIGHT_H),
)
DOSE = re.compile(r"water (\d+) mm .*tonight")
LIGHT = "little and often"
OF_RAIN = re.compile(r"(^|[^a-z])rain($|,? and|;)")  # "rain" and not "rain, or water to hand"


def heard(text: str, now_ms: int, place: str = "") -> Iterator[Line]:
    """Return what one text tells."""
    said = text.lower()
    for phrase, says, hours in PHRASES:
        if phrase in said:
            end_ms = FOREVER_MS if hours is None else now_ms + hours * HOUR_MS
            yield Line(says, TimeSpan(now_ms, end_ms), place, text=text)
    dose = DOSE.search(said)
    if dose and "no water" not in said:
        says = Says.SEED_WATER if LIGHT in said else Says.WATER
        night = TimeSpan(now_ms + EVENING_H * HOUR_MS, now_ms + TONIGHT_H * HOUR_MS)
        yield Line(says, night, place, mm=float(dose[1]), text=text)


def each_by_itself(morning: Morning) -> list[Line]:
    """Return every line of a morning as its own part says it: answers, advice and open alerts, put side by side."""
    one, seen = morning.surface, morning.seen
    waterings = [
        (watering, judged_watering(one, (), watering.start_ms, watering.water_mm, seen, PlannedWater()).word)
        for watering in dict.fromkeys(w for station in one.stations for w in station.booked)
    ]
    return [*_ground(morning), *_told(one, morning.alerts, morning.now_ms), *_booked_water(one, waterings)]


def by_the_plan(morning: Morning, plan: WorkPlan) -> list[Line]:
    """Return every line of a morning as the plan has it: its own, and what a keeper takes from its texts."""
    alerts = [replace(alert, text=plan.texts.get(alert.alert_id, alert.text)) for alert in morning.alerts]
    waterings = [(watering, judgement.word) for watering, judgement in plan.waterings]
    return [*plan.lines, *_told(plan.advice, alerts, morning.now_ms), *_booked_water(plan.advice, waterings)]


def _told(one: SurfaceAdvice, alerts: Sequence[OpenAlert], now_ms: int) -> list[Line]:
    found = [*_facts(one, now_ms)]
    for station in one.stations:
        found += heard(" ".join(station.water.lines), now_ms, station.station)
    for each in one.passes:
        found += _pass_lines(each, now_ms)
    found += _of_healing(one, now_ms)
    for alert in alerts:
        found += [*heard(alert.text, now_ms, alert.station), *_of_window(alert, one, now_ms)]
    return found


def _ground(morning: Morning) -> Iterator[Line]:
    now_ms = morning.now_ms
    today, dawn = TimeSpan(now_ms, now_ms + THIS_DAY_H * HOUR_MS), TimeSpan(now_ms, now_ms + THAWED_H * HOUR_MS)
    if morning.seen.is_frozen:
        yield Line(Says.KEEP_OFF, dawn, text="frost on the leaf")
    if morning.seen.wettest is not None:
        yield Line(Says.KEEP_OFF if morning.seen.is_wet else Says.GO_ON, today, text=f"{morning.seen.wettest:.2f}")
    share = next(iter(morning.seen.arrived.values()), None)
    if share is not None and not 0.2 <= share < 0.5:
        yield Line(Says.ARRIVED if share >= 0.5 else Says.STOPPED, today, text=f"{share:.2f} of the last water")


def _facts(one: SurfaceAdvice, now_ms: int) -> Iterator[Line]:
    """Bookings of the days to come, which a page judges each, and whether there is water."""
    soon = TimeSpan(now_ms, now_ms + 10 * DAY_MS)
    yield Line(Says.HAS_WATER if one.water_to_hand else Says.LACKS_WATER, soon)
    for job in one.booked:
        if job.start_ms >= now_ms:
            span = TimeSpan(job.start_ms, job.start_ms + HOUR_MS)
            yield Line(Says.BOOKED, span, about=job.kind)
            yield Line(Says.JUDGED, span, about=job.kind)


def _booked_water(one: SurfaceAdvice, told: Sequence[tuple[Watering, str]]) -> Iterator[Line]:
    """Waterings booked, each with the word that begins what is made of it."""
    for watering, word in told:
        span = TimeSpan(watering.start_ms, watering.start_ms + SOAKS_H * HOUR_MS)
        for station in one.stations:
            if watering in station.booked:
                for says in (Says.BOOKED, Says.JUDGED, *((Says.GO_AHEAD,) if word == "Go," else ())):
                    yield Line(says, span, station.station, WATERING, watering.water_mm, text=word)


def _pass_lines(each: PassAdvice, now_ms: int) -> Iterator[Line]:
    """What is told of a pass: its next window, what it is shut for until then."""
    kind, wounds = each.outlook.intent.kind, each.outlook.facts.wounds
    coming = next_open(each.outlook)
    if coming is not None:
        yield Line(Says.PASS_OPEN, alike(coming).span, about=kind, wounds=wounds, text=each.line)
    for stretch in stretches(each.outlook.windows):
        if stretch.first.verdict is not Verdict.OPEN:
            says = Says.PASS_UNKNOWN if stretch.first.verdict is Verdict.UNKNOWN else Says.PASS_SHUT
            yield Line(says, stretch.span, about=kind, wounds=wounds, text=stretch.first.reason)
            if OF_RAIN.search(stretch.first.opens):
                yield Line(Says.WAIT_FOR_RAIN, stretch.span, about=kind, text=stretch.first.opens)


def _of_healing(one: SurfaceAdvice, now_ms: int) -> Iterator[Line]:
    """What is told of healing: each pass that a line calls too late, and whether a shallower one is told instead."""
    tonight = TimeSpan(now_ms, now_ms + TONIGHT_H * HOUR_MS)
    for text in (each.last_good_line for each in one.passes):
        late = text.partition("too late for ")[2].partition(" to heal")[0]
        for each in one.passes if late else ():
            facts = each.outlook.facts
            if doing_of(facts, each.outlook.intent.variant) in late:
                yield Line(Says.TOO_LATE, tonight, about=each.outlook.intent.kind, wounds=facts.wounds, text=text)
                if "go shallower" in text.lower():
                    yield Line(Says.SHALLOWER, tonight, about=each.outlook.intent.kind, wounds=facts.wounds, text=text)


def _of_window(alert: OpenAlert, one: SurfaceAdvice, now_ms: int) -> Iterator[Line]:
    """What an open alert tells of a pass."""
    each = next((p for p in one.passes if p.outlook.facts.doing in alert.text), None)
    if each is None:
        return
    kind, wounds = each.outlook.intent.kind, each.outlook.facts.wounds
    if "is open now" in alert.text:
        yield Line(Says.PASS_OPEN, TimeSpan(now_ms, now_ms + THIS_DAY_H * HOUR_MS), about=kind, wounds=wounds,
                   text=alert.text)  # fmt: skip
    if alert.rule == "last_good_date":
        yield Line(Says.DO_BY, TimeSpan(now_ms, FOREVER_MS), about=kind, wounds=wounds, text=alert.text)
