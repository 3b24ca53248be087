"""The plan of a surface: what is advised and alerted put into one order, so that no line of it forbids another.

Weight goes by the rules of the trade (common practice, no source): people and machines safe, the turf alive, play, work
that is booked, healing, and only then thatch and roots. What gives way stays in sight, with what it waits for.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pipeline.advice.conditions import RAIN, RAIN_OR_WATER, RAIN_OR_WATERING, Verdict
from pipeline.advice.phrases import clock_words, day_name, lift_first
from pipeline.advice.report import (
    LEAST_OPEN_H,
    PassAdvice,
    StationAdvice,
    Stretch,
    SurfaceAdvice,
    next_open,
    parts_alike,
    stretches,
)
from pipeline.advice.stretches import likely_stretch, pass_words, span_words
from pipeline.advice.water import WaterAdvice, drop_words, withheld
from pipeline.alerts.plans import LAST_GOOD_DATE, WINDOW_CLOSING, WINDOW_OPENING, subject_of
from pipeline.alerts.runner import OpenAlert
from pipeline.alerts.surface import DAWN_UNTIL_HOUR, STAY_OFF
from pipeline.alerts.water import ROOTS_DRY, THATCH_HOLDING, WATER_NOT_ARRIVING
from pipeline.diary.facts import DatedPass
from pipeline.forecast.waterings import EVENING_H
from pipeline.plan.booked import Judgement, judged_by
from pipeline.plan.booked_water import BEGINS_H, TONIGHT_ENDS_H, PlannedWater, judged_watering, worst_of
from pipeline.plan.contradictions import SPIKES
from pipeline.plan.deep_water import SOAKS_H, DeepWater, evening_ms, next_water
from pipeline.plan.held_passes import held, is_held
from pipeline.plan.lines import WATERING, Line, Says
from pipeline.plan.seen import Seen
from pipeline.plan.strips import StripState, strip_lines, strip_states, strips_wanted
from pipeline.soil.wetting import Watering
from pipeline.texts import later, say
from pipeline.units import DAY_MS, HOUR_MS, TimeSpan

DRAINED = 1.0  # wetness of a top that bears again: its drained limit
PUT_OFF = ("wait", "do_not")  # verdicts on a booking
UNTIL_H = 9  # an order about tonight holds until so late the next morning


@dataclass(frozen=True)
class WaterCourse:
    """What is to be done about the water of one station, in order.

    Attributes
    ----------
    station : str
    steps : tuple of str
        Sentences, the first first.
    why : str
        Why no water goes on tonight; empty where it does.
    key : str
        Of its state: the same while nothing has changed that is worth telling again.
    """

    station: str
    steps: tuple[str, ...]
    why: str
    key: str


@dataclass(frozen=True)
class WorkPlan:
    """What is to be done on a surface, from now on.

    Attributes
    ----------
    advice : SurfaceAdvice
        As it stands once everything has its place: passes that give way wait, water has its evening.
    courses : tuple of WaterCourse
        About water, where it takes more than one step.
    booked : tuple of (DatedPass, Judgement, str)
        Every booked pass that is not past, what is made of it, and what to lift first; nothing for one that must not be
        made.
    waterings : tuple of (Watering, Judgement)
        Every booked watering that is not past, and what is made of it.
    strips : tuple of StripState
        Of a square, those that fixtures name.
    strips_wanted : str
        What to write down for the rest of a square to be watered; empty where nothing is wanted.
    texts : mapping of str to str
        Of open alerts, by their ids: what is, and what to do about it by this plan.
    lines : tuple of Line
        All that it tells, to be held against the table of contradictions.
    planned_water : PlannedWater
        What a booking of water has to heed: the next water of each station, and until when nobody may go on it.
    seen : Seen or None
        What it rests on beside the advice.
    """

    advice: SurfaceAdvice
    courses: tuple[WaterCourse, ...] = ()
    booked: tuple[tuple[DatedPass, Judgement, str], ...] = ()
    waterings: tuple[tuple[Watering, Judgement], ...] = ()
    strips: tuple[StripState, ...] = ()
    strips_wanted: str = ""
    texts: Mapping[str, str] = field(default_factory=dict)
    lines: tuple[Line, ...] = ()
    planned_water: PlannedWater = field(default_factory=PlannedWater)
    seen: Seen | None = None

    @property
    def off_until_ms(self) -> int | None:
        """Until when nobody may go on it; None where they may, or nobody can tell. [ms since 1970, UTC]"""
        return self.planned_water.off_until_ms


def plan_of(advice: SurfaceAdvice, seen: Seen) -> WorkPlan:
    """Return the plan of a surface.

    Parameters
    ----------
    advice : SurfaceAdvice
        Each part as worked out by itself.
    seen : Seen

    Returns
    -------
    WorkPlan
        Its lines hold none of the pairs of the table of contradictions.
    """
    off = _kept_off(advice, seen)
    passes = advice.passes
    if off is not None:
        passes = tuple(held(one, off.until_ms, off.why, off.opens, seen) for one in passes)
    advice = replace(advice, passes=passes)
    off_ms = None if off is None else off.until_ms
    waters = {one.station: next_water(advice, one, seen, off_until_ms=off_ms) for one in advice.stations}
    courses = tuple(
        course
        for one in advice.stations
        if (course := _course(advice, one, waters[one.station], off, seen)) is not None
    )
    by_station = {course.station: course for course in courses}
    stations = tuple(
        replace(one, water=_with_booked(one, _told(waters[one.station], by_station.get(one.station)), seen))
        for one in advice.stations
    )
    planned = replace(advice, stations=stations)
    booked = tuple(_booked(planned, seen))
    texts = {alert.alert_id: text for alert in seen.alerts if (text := _alert_text(alert, planned, waters, off, seen))}
    planned_water = PlannedWater(waters, off_ms, "" if off is None else off.why)
    waterings = tuple(_booked_waterings(planned, seen, planned_water))
    strips, wanted = strip_states(planned, seen), strips_wanted(planned, seen)
    lines = (
        *_lines(planned, waters, off, seen),
        *_booked_lines(planned, booked, waterings),
        *strip_lines(planned, strips, seen),
    )
    told = tuple((watering, worst_of(planned, at_stations)) for watering, at_stations in waterings)
    return WorkPlan(planned, courses, booked, told, strips, wanted, texts, lines, planned_water, seen)


# --- whether it may be gone on ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _KeptOff:
    """Until when nobody may go on it [ms since 1970, UTC], why, and what would open it, in words."""

    until_ms: int
    why: str
    opens: str


def _kept_off(advice: SurfaceAdvice, seen: Seen) -> _KeptOff | None:
    """Return why nobody may go on a surface now, and until when; None where it may be gone on."""
    here = datetime.datetime.fromtimestamp(seen.now_ms / 1000, seen.zone)
    if seen.is_wet:
        until_ms = max((_bears_at(one, seen) for one in advice.stations), default=evening_ms(seen, 0))
        why = say("the ground is wetter than drained, boots and wheels would mark")
        return _KeptOff(max(until_ms, seen.now_ms + HOUR_MS), why, say("ground that has drained"))
    if seen.is_frozen and here.hour < DAWN_UNTIL_HOUR:
        thawed = here.replace(hour=int(DAWN_UNTIL_HOUR), minute=0, second=0, microsecond=0)
        return _KeptOff(round(thawed.timestamp() * 1000), say("frost on the leaf"), say("a leaf that has thawed"))
    return None


def _bears_at(one: StationAdvice, seen: Seen) -> int:
    """Return when thatch and roots of a station are forecast to be drained. [ms since 1970, UTC]

    Where that is now, its top alone is wet, and is given until this afternoon; without a forecast, until the evening.
    """
    forecast = one.forecast.if_unwatered()
    if forecast.root_wetness.shape[1] == 0:
        return evening_ms(seen, 0)
    for at_ms, thatch, root in zip(
        forecast.at_ms.tolist(), forecast.thatch_wetness.mean(axis=1), forecast.root_wetness.mean(axis=1), strict=True
    ):
        if (math.isnan(thatch) or thatch <= DRAINED) and root <= DRAINED:
            return max(int(at_ms), _afternoon_ms(seen))
    return int(forecast.at_ms[-1])


def _afternoon_ms(seen: Seen) -> int:
    return evening_ms(seen, 0) - 6 * HOUR_MS


# --- spiking ---------------------------------------------------------------------------------------------------------


def _spike(advice: SurfaceAdvice, from_ms: int) -> tuple[PassAdvice, Stretch] | None:
    """Return the first likely window, from a moment on, of a pass that opens the ground for water; None where none is
    in sight. [ms since 1970, UTC]"""
    each = [
        (one, coming)
        for one in advice.passes
        if one.outlook.intent.kind in SPIKES
        for stretch in stretches(one.outlook.windows)
        if stretch.first.verdict is Verdict.OPEN
        for part in parts_alike(stretch)
        if (coming := _from(part, from_ms)) is not None and coming.hours >= LEAST_OPEN_H and likely_stretch(coming)
    ]
    return min(each, key=lambda pair: pair[1].span.start_ms, default=None)


def _from(stretch: Stretch, from_ms: int) -> Stretch | None:
    """Return what is left of a stretch from a moment on; None for nothing. [ms since 1970, UTC]"""
    windows = tuple(
        replace(window, span=TimeSpan(max(window.span.start_ms, from_ms), window.span.end_ms))
        if window.span.start_ms < from_ms
        else window
        for window in stretch.windows
        if window.span.end_ms > from_ms
    )
    return (
        Stretch(TimeSpan(windows[0].span.start_ms, windows[-1].span.end_ms), windows[0], windows) if windows else None
    )


def _spike_shut(advice: SurfaceAdvice) -> str:
    """Return why no pass opens the ground for water; empty where none is judged here."""
    shut = [one.outlook.windows[0] for one in advice.passes if one.outlook.intent.kind in SPIKES]
    return next((window.reason for window in shut if window.reason), "")


def _spike_words(advice: SurfaceAdvice, seen: Seen) -> str:
    """Return when to spike, as a sentence; else why not now; empty where nothing is known of it."""
    spike = _spike(advice, seen.now_ms // HOUR_MS * HOUR_MS)
    if spike is not None:
        one, window = spike
        when = span_words(window, one.outlook, seen.zone)
        return say("Open it up with {work} in the first window: {when}.", work=pass_words(one), when=when)
    why = _spike_shut(advice)
    return say("Spiking would help, but not now: {why}.", why=why) if why else ""


def _after(water: DeepWater) -> int | None:
    """Return the morning after the water of thatch that holds or sheds it; None without one. [ms since 1970, UTC]"""
    return (
        None
        if not (water.holds or water.repels_water) or water.evening_ms is None
        else water.evening_ms + SOAKS_H * HOUR_MS
    )


def _if_it_did_not(advice: SurfaceAdvice, after_ms: int, seen: Seen) -> str:
    """Return what to do where less than six tenths of the water arrived, from a moment on: common practice, no source.

    [ms since 1970, UTC]
    """
    spike = _spike(advice, after_ms)
    if spike is not None:
        one, window = spike
        when = span_words(window, one.outlook, seen.zone)
        return say("If less than six tenths did, open it up with {work} in the first window: {when}.",
                   work=pass_words(one), when=when)  # fmt: skip
    why = _spike_shut(advice)
    if why:
        told = later("If less than six tenths did, spiking would help, but not now: {why}. Water again in short goes.")
        return say(told, why=why)
    return say("If less than six tenths did, water longer, with more rests.")


# --- water -----------------------------------------------------------------------------------------------------------


def _course(
    advice: SurfaceAdvice,
    one: StationAdvice,
    water: DeepWater,
    off: _KeptOff | None,
    seen: Seen,
) -> WaterCourse | None:
    """Return the course of action about water; None where a line of its own says it all."""
    if not water.waits_for and not water.is_lesser_evil:
        return _of_repellent(advice, one, water, seen)
    if water.is_lesser_evil:
        why, steps = "", [say("The roots suffer: on thatch that is still wet, water is the lesser evil.")]
    else:
        why = _why_not_tonight(water, off, seen)
        steps = [say("No water tonight: {why}.", why=why)]
    if water.evening_ms is not None and water.dose is not None and not water.is_lesser_evil:
        steps.append(_dose_words(water.dose, water.evening_ms, seen, rests=water.holds or water.repels_water))
    elif not water.is_lesser_evil:
        steps.append(say("No evening can be named yet; look again tomorrow."))
    if (after_ms := _after(water)) is not None:
        steps.append(say("The next morning look whether it reached the roots."))
        steps.append(_if_it_did_not(advice, after_ms, seen))
        steps.append(say("Take a core where thatch meets soil before the next deep pass."))
    day = "" if water.evening_ms is None else seen.date(water.evening_ms).isoformat()
    return WaterCourse(one.station, tuple(steps), why, f"{water.waits_for or 'now'} {day}".strip())


def _of_repellent(advice: SurfaceAdvice, one: StationAdvice, water: DeepWater, seen: Seen) -> WaterCourse | None:
    """Return the course of tonight's water on thatch that sheds it; None where it takes water, or gets none."""
    if water.evening_ms is None or not water.repels_water:
        return None
    drop_s = one.turf.drop_s
    told = say(
        "Put a drop on a core where thatch meets soil: 5 s or more to soak in is repellent. Write it with the core."
    )
    if drop_s is not None:
        words = drop_words(drop_s)
        told = say("A drop took {seconds:.0f} s to soak into the last core: {repels}.", seconds=drop_s, repels=words)
    steps = (
        say("Give the first go with a wetting agent if you use one, and let it soak for half an hour to an hour."),
        say("The next morning look whether it reached the roots."),
        _if_it_did_not(advice, water.evening_ms + SOAKS_H * HOUR_MS, seen),
        told,
    )
    return WaterCourse(one.station, steps, "", "repels")


def _why_not_tonight(water: DeepWater, off: _KeptOff | None, seen: Seen) -> str:
    """Return why water waits, as the reason of a line."""
    if water.waits_for == "ground":
        assert off is not None
        return say("{why}; it should be fit to walk on from about {when}", why=off.why, when=_when(off.until_ms, seen))
    if water.waits_for == "tonight":
        return water.advice.reason
    if water.drains_ms is None:
        return say("the thatch is wet over dry roots and light water would feed it; feel when it has drained")
    return say(
        "the thatch is wet over dry roots and light water would feed it; it should have drained about {when}",
        when=_when(water.drains_ms, seen),
    )  # fmt: skip


def _dose_words(dose: WaterAdvice, at_ms: int, seen: Seen, *, rests: bool) -> str:
    evening, mm = _evening_words(at_ms, seen), f"{dose.mm or 0.0:.0f}"
    if not rests:
        return say("Then give {mm} mm {evening}.", mm=mm, evening=evening)
    return say(
        "Then give {mm} mm {evening}, in {goes} goes with rests, with a wetting agent if you use one.",
        mm=mm, evening=evening, goes=max(dose.goes, 2),
    )  # fmt: skip


def _told(water: DeepWater, course: WaterCourse | None) -> WaterAdvice:
    """Return tonight's water as the plan has it, with the steps of its course."""
    if course is None:
        return water.advice
    if course.why:
        return withheld(water.advice, course.why, course.steps[1:])
    return replace(water.advice, goes=max(water.advice.goes, 2), steps=(*water.advice.steps, *course.steps))


def _with_booked(one: StationAdvice, water: WaterAdvice, seen: Seen) -> WaterAdvice:
    """Return tonight's water with a word of what is booked for that night or the next: it is not given twice."""
    coming = [each for each in one.booked if each.start_ms < evening_ms(seen, 1) + SOAKS_H * HOUR_MS]
    if not water.mm or not coming:
        return water
    is_tonight = coming[0].start_ms < evening_ms(seen, 0) + TONIGHT_ENDS_H * HOUR_MS
    told = later("{mm:g} mm is booked for {when}: count it in.") if is_tonight else later(
        "{mm:g} mm is booked for {when}; both may be too much."
    )  # fmt: skip
    said = say(told, mm=coming[0].water_mm, when=_when(coming[0].start_ms, seen))
    return replace(water, steps=(said, *water.steps))


# --- booked work -----------------------------------------------------------------------------------------------------


def _booked(advice: SurfaceAdvice, seen: Seen) -> Iterator[tuple[DatedPass, Judgement, str]]:
    """Yield every booked pass that is not past, what is made of it, and what to lift first."""
    for job in advice.booked:
        if job.end_ms <= seen.now_ms:
            continue
        one = advised(advice, job)
        if one is None:
            yield job, Judgement("cannot_tell", say("this pass is not judged here.")), ""
            continue
        judgement = judged_by(one, job.start_ms, seen.zone)
        names = next((w.lift_first for w in one.outlook.windows if job.start_ms < w.span.end_ms), ())
        yield job, judgement, "" if judgement.is_barred else lift_first(names, one.outlook.ground.buried)


def _booked_waterings(
    advice: SurfaceAdvice, seen: Seen, planned_water: PlannedWater
) -> Iterator[tuple[Watering, dict[str, Judgement]]]:
    """Yield every booked watering in order of time, and what is made of it at each station that it is for."""
    stations: dict[Watering, list[str]] = {}
    for one in advice.stations:
        for watering in one.booked:
            stations.setdefault(watering, []).append(one.station)
    for watering in sorted(stations, key=lambda each: each.start_ms):
        yield (
            watering,
            {
                name: judged_watering(advice, [name], watering.start_ms, watering.water_mm, seen, planned_water)
                for name in stations[watering]
            },
        )


def advised(advice: SurfaceAdvice, job: DatedPass) -> PassAdvice | None:
    """Return what is advised of a booked pass."""
    same = [one for one in advice.passes if one.outlook.intent.kind == job.kind]
    named = [one for one in same if one.outlook.intent.variant == job.variant]
    return next(iter(named if job.variant_written else named or same), None)


# --- alerts ----------------------------------------------------------------------------------------------------------


def _alert_text(
    alert: OpenAlert,
    advice: SurfaceAdvice,
    waters: Mapping[str, DeepWater],
    off: _KeptOff | None,
    seen: Seen,
) -> str:
    """Return what an open alert says by this plan; empty where its own words stand."""
    water = waters.get(alert.station)
    station = next((one for one in advice.stations if one.station == alert.station), None)
    if alert.rule in (THATCH_HOLDING.name, ROOTS_DRY.name) and water is not None and station is not None:
        return f"{alert.fact} {_water_order(alert, station, water)}"
    if alert.rule == WATER_NOT_ARRIVING.name and water is not None:
        share = seen.arrived.get(alert.station)
        if share is not None and share >= seen.arrived_bounds[0]:
            place = alert.fact.partition(": ")[0]
            return say("{place}: the latest water reached the roots in part, after one that did not.", place=place)
        order = say("Give the next water in goes with rests.")
        return f"{alert.fact} {order} {_spike_words(advice, seen)}".rstrip()
    if alert.rule == STAY_OFF.name:
        return f"{alert.fact} {_stay_off_order(off, seen)}"
    if alert.rule in (WINDOW_OPENING.name, WINDOW_CLOSING.name):
        return _window_text(alert, advice, off, seen)
    return ""


def _water_order(alert: OpenAlert, one: StationAdvice, water: DeepWater) -> str:
    """Return what to do about wet thatch or dry roots: the same as tonight's water says."""
    told = one.water
    if told.mm is None:
        return say("Feel it: what water it wants cannot be told.")
    if told.mm > 0.0:
        goes = say("in one go") if told.goes == 1 else say("in {goes} goes", goes=told.goes)
        return say("Water {mm:.0f} mm tonight {goes}.", mm=told.mm, goes=goes)
    none = say("No water tonight: {why}.", why=told.reason)
    return " ".join((none, *told.steps[:1])) if water.waits_for else none


def _stay_off_order(off: _KeptOff | None, seen: Seen) -> str:
    """Return what to do about ground that is too wet for what is booked."""
    if off is None:
        return say("It has all but drained: feel it before you go on.")
    return say("Keep off till about {when}, and put off what will not wait.", when=_when(off.until_ms, seen))


def _window_text(alert: OpenAlert, advice: SurfaceAdvice, off: _KeptOff | None, seen: Seen) -> str:
    """Return what a window alert says where its pass is not open now, though it was told to be."""
    one = next((p for p in advice.passes if subject_of(p.outlook.intent) == alert.subject), None)
    if one is None:
        return ""
    now, title = one.outlook.windows[0], advice.title
    if not is_held(one.outlook) and now.verdict is Verdict.OPEN:
        return ""
    coming, why = next_open(one.outlook), now.reason
    if is_held(one.outlook) and off is not None:
        why = off.why
    if coming is None:
        return say("{title}: the window for {work} is shut for now, {why}.", title=title, work=pass_words(one), why=why)
    when = span_words(coming, one.outlook, seen.zone)
    if likely_stretch(coming):
        text = later("{title}: the window for {work} waits, {why}; open {when}.")
    else:
        text = later("{title}: the window for {work} waits, {why}; perhaps open {when}.")
    return say(text, title=title, work=pass_words(one), why=why, when=when)


# --- words of time ---------------------------------------------------------------------------------------------------


def _when(at_ms: int, seen: Seen) -> str:
    at, now = (datetime.datetime.fromtimestamp(ms / 1000, seen.zone) for ms in (at_ms, seen.now_ms))
    return clock_words(at, now)


def _evening_words(at_ms: int, seen: Seen) -> str:
    day, today = seen.date(at_ms), seen.date(seen.now_ms)
    if day == today:
        return say("tonight")
    if (day - today).days == 1:
        return say("tomorrow evening")
    return say("on {day} evening", day=day_name(day, today))


# --- what it tells, as lines -----------------------------------------------------------------------------------------


def _lines(
    advice: SurfaceAdvice,
    waters: Mapping[str, DeepWater],
    off: _KeptOff | None,
    seen: Seen,
) -> Iterator[Line]:
    now_ms, soon = seen.now_ms, TimeSpan(seen.now_ms, seen.now_ms + 10 * DAY_MS)
    if off is not None:
        yield Line(Says.KEEP_OFF, TimeSpan(now_ms, off.until_ms), text=off.why)
    elif seen.wettest is not None:
        yield Line(Says.GO_ON, TimeSpan(now_ms, max(evening_ms(seen, 0), now_ms + HOUR_MS)))
    restricted = any(one.evening.restricted for one in advice.stations)
    yield Line(Says.HAS_WATER if advice.water_to_hand and not restricted else Says.LACKS_WATER, soon)
    for one in advice.stations:
        station, water = one.station, waters[one.station]
        yield from _water_lines(one, water, seen)
        share = seen.arrived.get(station)
        if share is not None and not seen.arrived_bounds[0] <= share < seen.arrived_bounds[1]:
            says = Says.STOPPED if share < seen.arrived_bounds[0] else Says.ARRIVED
            yield Line(says, TimeSpan(now_ms, now_ms + DAY_MS), station)
        after_ms = _after(water)
        if after_ms is not None and (spike := _spike(advice, after_ms)) is not None:
            kind = spike[0].outlook.intent.kind
            yield Line(Says.SPIKE, spike[1].span, station, kind)
            yield Line(Says.PASS_OPEN, spike[1].span, about=kind)  # which may come behind the first that is told
    for each in advice.passes:
        yield from _pass_lines(each)
    yield from _healing_lines(advice, seen)


def _booked_lines(
    advice: SurfaceAdvice,
    booked: Sequence[tuple[DatedPass, Judgement, str]],
    waterings: Sequence[tuple[Watering, Mapping[str, Judgement]]],
) -> Iterator[Line]:
    for job, judgement, _ in booked:
        span, at = TimeSpan(job.start_ms, job.start_ms + HOUR_MS), TimeSpan(job.start_ms, job.start_ms + 1)
        yield Line(Says.BOOKED, span, about=job.kind)
        yield Line(Says.JUDGED, span, about=job.kind, text=judgement.clause)
        if judgement.verdict == "go":
            yield Line(Says.GO_AHEAD, at, about=job.kind, text=judgement.clause)
    for watering, at_stations in waterings:
        told = worst_of(advice, at_stations)
        span = TimeSpan(watering.start_ms, watering.start_ms + SOAKS_H * HOUR_MS)
        for name, here in at_stations.items():
            for says in (Says.BOOKED, Says.JUDGED, *((Says.GO_AHEAD,) if told.verdict == "go" else ())):
                yield Line(says, span, name, WATERING, watering.water_mm, text=told.clause)
            if here.verdict in PUT_OFF:  # the worst of several stations is told, which may be another
                yield Line(Says.PUT_OFF, span, name, WATERING, watering.water_mm, text=here.clause)


def _water_lines(one: StationAdvice, water: DeepWater, seen: Seen) -> Iterator[Line]:
    if water.evening_ms is not None and water.dose is not None and water.dose.mm:
        span = TimeSpan(water.evening_ms, water.evening_ms + SOAKS_H * HOUR_MS)
        yield Line(Says.SEED_WATER if one.turf.seed else Says.WATER, span, one.station, mm=water.dose.mm)
    tonight_ms, morning_ms = evening_ms(seen, 0), evening_ms(seen, 1) - (EVENING_H - UNTIL_H) * HOUR_MS
    if water.advice.mm is not None and (water.evening_ms is None or water.evening_ms > tonight_ms):
        until_ms = morning_ms if water.evening_ms is None else water.evening_ms + BEGINS_H * HOUR_MS
        yield Line(Says.NO_WATER, TimeSpan(seen.now_ms, until_ms), one.station)


def _pass_lines(one: PassAdvice) -> Iterator[Line]:
    kind, wounds = one.outlook.intent.kind, one.outlook.facts.wounds
    coming = next_open(one.outlook)
    if coming is not None and coming.first.override is None:  # somebody's word is not the plan's
        yield Line(Says.PASS_OPEN, coming.span, about=kind, wounds=wounds)
    for stretch in stretches(one.outlook.windows):
        if stretch.first.verdict is not Verdict.OPEN:
            says = Says.PASS_UNKNOWN if stretch.first.verdict is Verdict.UNKNOWN else Says.PASS_SHUT
            yield Line(says, stretch.span, about=kind, wounds=wounds, text=stretch.first.reason)
            if _is_rain_alone(stretch.first.opens):
                yield Line(Says.WAIT_FOR_RAIN, stretch.span, about=kind, text=stretch.first.opens)


def _is_rain_alone(opens: str) -> bool:
    """Return whether rain alone would open a pass, and no water that somebody gives."""
    for either in (RAIN_OR_WATERING, RAIN_OR_WATER):
        opens = opens.replace(say(either), "")
    return re.search(rf"(?<!\w){re.escape(say(RAIN))}(?!\w)", opens) is not None


def _healing_lines(advice: SurfaceAdvice, seen: Seen) -> Iterator[Line]:
    """Yield by when a pass is to be made, that one comes too late, and that a shallower one is told instead."""
    today = TimeSpan(seen.now_ms, seen.now_ms + DAY_MS)
    late = [one for one in advice.passes if one.is_too_late and one.outlook.facts.wounds]
    in_time = {one.outlook.intent.kind for one in advice.passes if one not in late}
    for one in late if any(one.last_good_words for one in late) else ():
        if one.outlook.intent.kind not in in_time:  # of one kind with two sizes the other may heal
            yield Line(Says.TOO_LATE, today, about=one.outlook.intent.kind, text=one.last_good_words)
        if one.shallower:
            yield Line(Says.SHALLOWER, today, about=one.outlook.intent.kind, text=one.last_good_words)
    due = {alert.subject for alert in seen.alerts if alert.rule == LAST_GOOD_DATE.name}
    for one in advice.passes:
        intent, told = one.outlook.intent, bool(one.last_good_words) and not one.is_too_late
        if subject_of(intent) in due or (told and one.needed_on is not None):
            yield Line(Says.DO_BY, today, about=intent.kind, wounds=one.outlook.facts.wounds, text=one.last_good_words)
