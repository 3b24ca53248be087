"""The rules about plans: windows, the last good date of a pass, and probes in the way of one that is booked.

They rest on the newest advice and the diary, not on a walk over findings; what has been said is in their states, so a
restart neither loses nor repeats it. Nothing here is said at night. This module must not work out a date or a window:
see `healing` and `windows`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from pipeline.advice.locks import Intent, in_the_way
from pipeline.advice.report import PassAdvice, SurfaceAdvice
from pipeline.advice.saying import by_day, heed, local, may_open
from pipeline.advice.watch import (
    CLOSED,
    OPENED,
    REPEATED,
    AlertBounds,
    AlertEvent,
    AlertState,
    Diary,
    Job,
    event,
)
from pipeline.advice.window_alerts import (
    DAY_MS,
    Said,
    SurfaceWatch,
    is_news,
    play_within_lead,
    spells_of,
    window_closing,
    window_opening,
)
from pipeline.advice.window_lines import day_words, listed

__all__ = ["PLAN_RULES", "SurfaceWatch", "plan"]

PLAN_RULES = ("window_opening", "window_closing", "last_good_date", "lift_probes")
MADE_BEFORE_MS = 42 * DAY_MS  # a pass made so short a time ago is not called for again: our own choice
LATER_DAYS = 7  # a safe day so far beyond the longest lead is no longer near: our own choice
States = dict[str, AlertState]


def plan(
    states: Mapping[str, AlertState],
    seen: SurfaceWatch,
    advice: SurfaceAdvice,
    diary: Diary,
    now_ms: int,
    bounds: AlertBounds,
) -> tuple[States, list[AlertEvent]]:
    """Run every rule about plans that is switched on over the newest advice for a surface.

    Parameters
    ----------
    states : mapping of str to AlertState
        Those of this surface, by their key.
    seen : SurfaceWatch
    advice : SurfaceAdvice
    diary : Diary
        Of the whole surface.
    now_ms : int
        Of the advice. [ms since 1970, UTC]
    bounds : AlertBounds

    Returns
    -------
    (dict of str to AlertState, list of AlertEvent)
        States that hold something, by their key, those of rules switched off untouched; events in the order of rules.
    """
    after: States = {}
    events: list[AlertEvent] = []

    def settle(before: AlertState, result: Said) -> AlertState:
        state, said = heed(before, *result, seen, diary, now_ms, bounds)
        events.extend(said)
        after[state.key] = state
        return state

    def state_of(rule: str, subject: str) -> AlertState:
        fresh = AlertState(rule, "", "", now_ms, surface=seen.surface, subject=subject)
        return states.get(fresh.key, fresh)

    for each in advice.passes:
        intent = each.outlook.intent
        subject = f"{intent.kind}.{intent.variant}.{intent.depth_m * 1000:.0f}"
        opening, closing, last = (state_of(rule, subject) for rule in PLAN_RULES[:3])
        if not is_news(intent, seen, diary, now_ms):
            continue  # an open one is closed below
        found = spells_of(seen, each, bounds)
        if bounds.window_opening.enabled:
            opening = settle(opening, window_opening(opening, found, seen, each, diary, now_ms, bounds))
        if bounds.window_closing.enabled:
            settle(closing, window_closing(closing, opening, found, seen, each, diary, now_ms, bounds))
        if bounds.last_good_date.enabled:
            settle(last, last_good_date(last, seen, each, diary, now_ms, bounds))
    if bounds.lift_probes.enabled:
        for job in diary.booked:
            state = state_of("lift_probes", _booking(job, seen))
            settle(state, lift_probes(state, seen, job, now_ms, bounds))
    for key, state in states.items():
        if key not in after:
            enabled = getattr(bounds, state.rule).enabled
            settle(state, _no_longer(state, seen, now_ms, bounds) if enabled else (state, []))
    return {key: state for key, state in after.items() if state.is_open or state.runs}, events


def _no_longer(state: AlertState, seen: SurfaceWatch, now_ms: int, bounds: AlertBounds) -> Said:
    """Close an alert about a pass that nobody thinks of any more."""
    if not state.is_open or not by_day(seen.where, now_ms, bounds):
        return state, []
    what = state.subject.partition(".")[0].replace("_", " ")
    text = f"{what} is not booked any more." if state.rule == "lift_probes" else f"{what} is not planned any more."
    return state.closed(), [event(seen, state, CLOSED, now_ms, text)]


def last_good_date(
    state: AlertState, seen: SurfaceWatch, advice: PassAdvice, diary: Diary, now_ms: int, bounds: AlertBounds
) -> Said:
    """The last day on which a pass still heals for sure, some weeks, and again some days, before it passes.

    Opens at the longest lead at which it is known, and is said again at each shorter one. What is tied to play alone is
    not told in the middle of a season: with a match every week each week would have its last day. Closes when the day
    has passed, has moved far off, or the pass is made. Arguments and results as of `window_alerts.window_opening`.
    """
    last, leads = advice.last_good, bounds.last_good_date.lead_days
    if last is None or not leads or not by_day(seen.where, now_ms, bounds):
        return state, []
    intent, doing = advice.outlook.intent, advice.outlook.facts.doing
    today = local(seen.where, now_ms).date()
    left = None if last.safe is None else (last.safe - today).days
    made_ms = [j.start_ms for j in diary.made if (j.kind, j.variant) == (intent.kind, intent.variant)]
    made = any(at_ms > now_ms - MADE_BEFORE_MS for at_ms in made_ms)
    if state.is_open:
        closing = ""
        if made:
            closing = f"{doing} is done in time."
        elif left is None or left < 0:
            closing = f"the last safe day for {doing} has passed. Go shallower and sow more, or leave it."
        elif left > leads[0] + LATER_DAYS:
            closing = (
                f"{doing} has more time: it heals if done by {day_words(today.fromordinal(today.toordinal() + left))}."
            )
        if closing:
            return state.closed(), [event(seen, state, CLOSED, now_ms, closing)]
    if left is None or left < 0 or left > leads[0] or made or last.safe is None:
        return state, []
    lead = min(lead for lead in leads if lead >= left)
    if str(lead) in state.told or (not state.is_open and not _growth_binds(advice, today.toordinal(), leads[0])):
        return state, []
    if play_within_lead(intent, seen, diary, now_ms):
        return state, []
    if not may_open("last_good_date", seen.where, diary, now_ms, bounds):
        return state, []
    end = f" before {_end(advice)}" if advice.needed_on is not None else ""
    days = "today" if left == 0 else "1 day from now" if left == 1 else f"{left} days from now"
    text = f"to heal{end}, do the {doing} by {day_words(last.safe)}, {days}."
    told = tuple(str(one) for one in leads if one >= lead)
    if state.is_open:
        state = replace(state, told=told, said_at_ms=now_ms)
        return state, [event(seen, state, REPEATED, now_ms, text)]
    state = state.opened(now_ms, now_ms, "near", *told)
    return state, [event(seen, state, OPENED, now_ms, text)]


def _growth_binds(advice: PassAdvice, today: int, longest_days: int) -> bool:
    """Whether growth that ends sets the day, or play that begins after a long rest; not the next match of many."""
    if not advice.for_play:
        return True
    by_lead_time = advice.last_good is not None and advice.last_good.by_lead_time
    return not by_lead_time and advice.needed_on is not None and advice.needed_on.toordinal() - today >= longest_days


def _end(advice: PassAdvice) -> str:
    assert advice.needed_on is not None
    day = day_words(advice.needed_on)
    return f"play on {day}" if advice.for_play else f"growth ends about {day}"


def _booking(job: Job, seen: SurfaceWatch) -> str:
    """What tells one booking from another: the pass and its day, not who makes it."""
    return f"{job.kind}.{job.variant}.{local(seen.where, job.start_ms).date()}"


def lift_probes(state: AlertState, seen: SurfaceWatch, job: Job, now_ms: int, bounds: AlertBounds) -> Said:
    """Probes in the way of a booked pass, some days before, the day before and on its morning.

    Closes when they are written down as lifted.

    Parameters
    ----------
    state : AlertState
        Of this booking.
    seen : SurfaceWatch
        With what lies in the ground.
    job : Job
        Booked, not begun.
    now_ms : int
        [ms since 1970, UTC]
    bounds : AlertBounds
    """
    names = in_the_way(_intent(job, seen), seen.buried)
    day, today = local(seen.where, job.start_ms).date(), local(seen.where, now_ms).date()
    days, leads = (day - today).days, bounds.lift_probes.lead_days
    facts = seen.table.facts.get(job.kind)
    doing = job.kind.replace("_", " ") if facts is None else facts.doing
    # what somebody has just written down is answered at once, the end of a day in the morning
    if state.is_open and (not names or (days < 0 and by_day(seen.where, now_ms, bounds))):
        text = f"nothing lies in the way of the {doing} now." if not names else f"the day of the {doing} is past."
        return state.closed(), [event(seen, state, CLOSED, now_ms, text)]
    near = [lead for lead in leads if lead >= days]
    if not names or days < 0 or not near or str(min(near)) in state.told or not by_day(seen.where, now_ms, bounds):
        return state, []
    on = {0: "today", 1: "tomorrow"}.get(days, f"on {day:%A}")
    lie = "it lies" if len(names) == 1 else "they lie"
    text = f"{doing} is booked {on}. Lift {listed(names)} before: {lie} in the way of the blades."
    told = tuple(str(lead) for lead in leads if lead >= min(near))
    if state.is_open:
        state = replace(state, told=told, said_at_ms=now_ms)
        return state, [event(seen, state, REPEATED, now_ms, text)]
    state = state.opened(now_ms, now_ms, "booked", *told)
    return state, [event(seen, state, OPENED, now_ms, text)]


def _intent(job: Job, seen: SurfaceWatch) -> Intent:
    """What is booked, its depth as written, else as planned, else the deepest usual."""
    planned = [p.depth_m for p in seen.planned if (p.kind, p.variant) == (job.kind, job.variant)]
    facts = seen.table.facts.get(job.kind)
    usual = 0.0 if facts is None else facts.depth_mm[1] / 1000.0
    return Intent(job.kind, job.variant, job.depth_m if job.depth_m is not None else (planned or [usual])[0])
