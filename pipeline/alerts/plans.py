"""The rules about windows: one that opens, or is due to, for a pass that is planned; and one that is about to close.

A window that is open all season for brushing is not news. So only passes that the settings plan or the diary has
booked are told, each window once, from the outlook of the newest advice. This module must not judge an hour: see
`windows`; nor join the days: see `spells`.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.advice.conditions import Verdict
from pipeline.advice.phrases import lift_first
from pipeline.advice.report import PassAdvice, SurfaceAdvice, day_words, in_ten, when
from pipeline.advice.treatments import TreatmentTable
from pipeline.advice.windows import WorkWindow, dry_hours, spells, verdict_now, work_left_h
from pipeline.alerts.gating import by_day, heed, in_months, local, may_open
from pipeline.alerts.model import (
    CLOSED,
    OPENED,
    REPEATED,
    AlertBounds,
    AlertEvent,
    AlertState,
    Hold,
    Where,
    event,
)
from pipeline.diary.facts import (
    Buried,
    DatedPass,
    DiaryFacts,
    Intent,
    in_the_way,
)
from pipeline.forecast.wetness import WetnessForecast
from pipeline.units import DAY_MS, HOUR_MS

FAR_MS = 6 * DAY_MS  # an end further off is too unsure to be named: our own choice
BROUGHT_BY_HAND = "light_raking"  # done whenever there is an hour for it: booked alone it is no news
SOON_H = 24.0  # a window that opens again within a day goes on: our own choice
LONGER = 2.0  # a closing window that now runs on for so many leads may be told again
Said = tuple[AlertState, list[AlertEvent]]


@dataclass(frozen=True)
class SurfaceWatch:
    """One surface, as the rules about its passes need to know it.

    Attributes
    ----------
    site, surface, place : str
        Slugs, and the surface in words.
    where : Where
        With the site's clock.
    table : TreatmentTable
        As it stands on this surface.
    planned : tuple of Intent
        Of the settings.
    work_hours : (int, int)
        Local hours, from the first up to the second.
    buried : tuple of Buried
        What lies in the ground.
    forecasts : tuple of WetnessForecast
        Of its stations, for the rain of hours to come.
    """

    site: str
    surface: str
    place: str
    where: Where
    table: TreatmentTable
    planned: tuple[Intent, ...] = ()
    work_hours: tuple[int, int] = (7, 19)
    buried: tuple[Buried, ...] = ()
    forecasts: Sequence[WetnessForecast] = ()

    @property
    def zone(self) -> datetime.tzinfo:
        """Of the site, else UTC."""
        return datetime.UTC if self.where.zone is None else self.where.zone


def is_news(intent: Intent, seen: SurfaceWatch, diary: DiaryFacts, now_ms: int) -> bool:
    """Whether somebody thinks of this pass: the settings plan it, or it is booked from now on."""
    if any((p.kind, p.variant) == (intent.kind, intent.variant) for p in seen.planned):
        return True
    booked = any((j.kind, j.variant) == (intent.kind, intent.variant) and j.end_ms >= now_ms for j in diary.booked)
    return booked and intent.kind != BROUGHT_BY_HAND


def play_within_lead(intent: Intent, seen: SurfaceWatch, diary: DiaryFacts, at_ms: int) -> bool:
    """Whether there is play within the pass's lead time of a moment: nobody would make it then."""
    until_ms = at_ms + round(seen.table.lead_days(intent.kind, intent.variant) * DAY_MS)
    return any(end > at_ms and begin < until_ms for begin, end in diary.plays)


def spells_of(seen: SurfaceWatch, advice: PassAdvice, bounds: AlertBounds) -> list[WorkWindow]:
    """Spells of a pass, with the days on which there is dry work enough in them."""
    return spells(
        advice.outlook,
        seen.zone,
        work_hours=seen.work_hours,
        work_h=bounds.window_opening.work_h,
        dry=dry_hours(advice.outlook, seen.forecasts),
    )


def window_opening(
    state: AlertState,
    found: Sequence[WorkWindow],
    seen: SurfaceWatch,
    advice: PassAdvice,
    diary: DiaryFacts,
    now_ms: int,
    bounds: AlertBounds,
) -> Said:
    """A window for a pass that is open, or due to open in some days, for hours enough of dry work.

    Opens once a window. Said again only when a window due within a day has moved by a day or more. Closes when the pass
    has been closed for `off_hold_h` since the window began, or nothing has been in sight for so long.

    Parameters
    ----------
    state : AlertState
    found : sequence of Spell
        See `spells_of`.
    seen : SurfaceWatch
    advice : PassAdvice
    diary : Diary
    now_ms : int
        Of the advice. [ms since 1970, UTC]
    bounds : AlertBounds

    Returns
    -------
    (AlertState, list of AlertEvent)
    """
    limits, outlook = bounds.window_opening, advice.outlook
    spell = next((s for s in found if s.first_work_ms is not None), None)
    if state.is_open:
        return _window_goes_on(state, seen, advice, found, now_ms, bounds)
    if spell is None or spell.first_work_ms is None:
        return state, []
    lead_h = (spell.span.start_ms - now_ms) / HOUR_MS
    unsure = spell.chance is not None and spell.chance < limits.on_chance
    due = limits.lead_least_h <= lead_h <= limits.lead_most_h and not unsure
    begins_ms = max(spell.first_work_ms, now_ms)
    if not (lead_h <= 0.0 or due) or play_within_lead(outlook.intent, seen, diary, begins_ms):
        return state, []
    if not _in_pass_season(advice, seen, bounds, begins_ms):
        return state, []
    if not may_open("window_opening", seen.where, diary, now_ms, bounds):
        return state, []
    runs = {"window": Hold(begins_ms, spell.span.end_ms)}
    state = replace(state.opened(now_ms, now_ms, "open" if lead_h <= 0.0 else "due"), runs=runs)
    return state, [event(seen, state, OPENED, now_ms, _window_words(advice, spell, seen))]


def _window_goes_on(
    state: AlertState,
    seen: SurfaceWatch,
    advice: PassAdvice,
    found: Sequence[WorkWindow],
    now_ms: int,
    bounds: AlertBounds,
) -> Said:
    """An open alert: is its window still there, has it moved, or is it over?"""
    limits = bounds.window_opening
    verdict = verdict_now(advice.outlook)
    told = state.runs["window"]
    begun = now_ms >= told.since_ms
    if begun and verdict == Verdict.OPEN:
        state = replace(state, way="open")
    # the last hours of a window are too few to be told of, but it is not over yet
    ahead_h = (found[0].span.start_ms - now_ms) / HOUR_MS if found else None
    near = ahead_h is not None and ahead_h <= limits.lead_most_h
    soon = ahead_h is not None and ahead_h <= SOON_H
    gone = not near or (begun and not soon and verdict == Verdict.CLOSED)
    state = _note_gone(state, seen, verdict, now_ms, bounds, gone=gone)
    runs = state.runs
    if not by_day(seen.where, now_ms, bounds):
        return state, []
    what, now = _what(advice), advice.outlook.windows[0]
    if _gone_for(runs, limits.off_hold_h):
        why = f", {now.reason}" if now.reason else ""
        text = f"the window for {what} is over{why}." if begun else f"no window for {what} after all{why}."
        return state.closed(), [event(seen, state, CLOSED, now_ms, text)]
    spell = next((s for s in found if s.first_work_ms is not None), None)
    if spell is None or spell.first_work_ms is None or state.way != "due":
        return state, []
    if now_ms >= told.since_ms - DAY_MS and spell.first_work_ms - told.since_ms >= DAY_MS:
        state = replace(state, runs={**runs, "window": Hold(spell.first_work_ms, spell.span.end_ms)}, said_at_ms=now_ms)
        start = when(spell.first_work_ms, advice.outlook, seen.zone)
        return state, [event(seen, state, REPEATED, now_ms, f"the window for {what} has moved to {start}.")]
    return state, []


def _note_gone(
    state: AlertState, seen: SurfaceWatch, verdict: Verdict, now_ms: int, bounds: AlertBounds, *, gone: bool
) -> AlertState:
    """Count for how long a window has been out of sight.

    What is not known counts neither way, and a night goes on as the evening was.
    """
    runs = dict(state.runs)
    if verdict == Verdict.UNKNOWN:
        return state
    at_work = seen.work_hours[0] <= local(seen.where, now_ms).hour < seen.work_hours[1]
    if (gone and at_work) or ("gone" in runs and not at_work):
        before = runs.get("gone")
        # whoever asks for advice a few times a day must hear of its end too, so time not asked about counts
        fresh = before is None or now_ms - before.last_ms > bounds.forget_gap_h * HOUR_MS
        runs["gone"] = Hold(now_ms, now_ms) if before is None or fresh else before._replace(last_ms=now_ms)
    elif at_work:
        runs.pop("gone", None)
    return replace(state, runs=runs)


def _gone_for(runs: Mapping[str, Hold], hours: float) -> bool:
    return "gone" in runs and runs["gone"].last_ms - runs["gone"].since_ms >= hours * HOUR_MS


def window_closing(
    state: AlertState,
    opening: AlertState,
    found: Sequence[WorkWindow],
    seen: SurfaceWatch,
    advice: PassAdvice,
    diary: DiaryFacts,
    now_ms: int,
    bounds: AlertBounds,
) -> Said:
    """An open window that closes soon, while there is work left in it.

    Opens once for each window that was told, but not within a day of that word, which told its end too. Closes when the
    window has been shut for `off_hold_h`, or when it now runs on for long. Arguments and results as of
    `window_opening`; `opening` is where that rule stands.
    """
    limits, outlook = bounds.window_closing, advice.outlook
    spell = found[0] if found else None
    ahead_h = None if spell is None else (spell.span.start_ms - now_ms) / HOUR_MS
    left_h = None if spell is None else (spell.span.end_ms - now_ms) / HOUR_MS
    if state.is_open:
        goes_on = ahead_h is not None and ahead_h <= SOON_H
        return _closing_goes_on(state, seen, advice, left_h if goes_on else None, now_ms, bounds)
    if spell is None or ahead_h is None or ahead_h > 0.0 or left_h is None:
        return state, []
    if spell.to_the_end or left_h > limits.lead_h:
        return state, []
    # a gap of a few hours that nobody called a window does not close one either
    told_ms = opening.said_at_ms if opening.is_shown else None
    if bounds.window_opening.enabled and (told_ms is None or now_ms - told_ms < DAY_MS):
        return state, []
    if work_left_h(spell, outlook, seen.zone, seen.work_hours) < 1.0:
        return state, []
    if play_within_lead(outlook.intent, seen, diary, now_ms) or not _in_pass_season(advice, seen, bounds, now_ms):
        return state, []
    if not may_open("window_closing", seen.where, diary, now_ms, bounds):
        return state, []
    after = f", then {spell.after}" if spell.after else ""
    lift = f" {lift_first(spell.lift_first)}." if spell.lift_first else ""
    state = state.opened(now_ms, now_ms, "closing")
    text = f"the window for {_what(advice)} closes {when(spell.span.end_ms, outlook, seen.zone)}{after}.{lift}"
    return state, [event(seen, state, OPENED, now_ms, text)]


def _closing_goes_on(
    state: AlertState, seen: SurfaceWatch, advice: PassAdvice, left_h: float | None, now_ms: int, bounds: AlertBounds
) -> Said:
    limits = bounds.window_closing
    verdict = verdict_now(advice.outlook)
    state = _note_gone(state, seen, verdict, now_ms, bounds, gone=left_h is None)
    runs = state.runs
    if not by_day(seen.where, now_ms, bounds):
        return state, []
    if _gone_for(runs, limits.off_hold_h):
        return state.closed(), [event(seen, state, CLOSED, now_ms, f"the window for {_what(advice)} has closed.")]
    if left_h is not None and left_h > LONGER * limits.lead_h:
        text = f"the window for {_what(advice)} stays open for longer."
        return state.closed(), [event(seen, state, CLOSED, now_ms, text)]
    return state, []


def _in_pass_season(advice: PassAdvice, seen: SurfaceWatch, bounds: AlertBounds, at_ms: int) -> bool:
    """Whether a pass is usual at this time of year, where a site has set no months."""
    if bounds.window_opening.months:
        return True  # `may_open` holds those
    grass = "warm" if seen.where.grass == "warm" else "cool"
    return in_months(advice.outlook.facts.months.get(grass, ()), seen.where, at_ms)


def _what(advice: PassAdvice) -> str:
    intent = advice.outlook.intent
    depth = f" to {intent.depth_m * 1000:.0f} mm" if intent.depth_m > 0.0 else ""
    return f"{advice.outlook.facts.doing}{depth}"


def _window_words(advice: PassAdvice, spell: WorkWindow, seen: SurfaceWatch) -> str:
    outlook = advice.outlook
    assert spell.first_work_ms is not None
    what, start_ms = _what(advice), spell.span.start_ms
    far = spell.to_the_end or spell.span.end_ms - int(outlook.at_ms[0]) > FAR_MS
    end = "" if far else when(spell.span.end_ms, outlook, seen.zone)
    then = "" if far or not spell.after else f" Then {spell.after}."
    if start_ms <= int(outlook.at_ms[0]):
        # that it is open now is known; how sure its later days are, the page tells day by day
        text = f"window for {what} is open now" + (" and for days to come." if far else f", until {end}.")
    else:
        sure = f", {in_ten(spell.chance)}" if spell.chance is not None else ""
        until = "" if far else f" to {end}"
        text = f"window for {what} from {when(spell.first_work_ms, outlook, seen.zone)}{until}{sure}."
    lift = f" {lift_first(spell.lift_first)}." if spell.lift_first else ""
    return f"{text}{then}{lift}"


PLAN_RULES = ("window_opening", "window_closing", "last_good_date", "lift_probes")
MADE_BEFORE_MS = 42 * DAY_MS  # a pass made so short a time ago is not called for again: our own choice
LATER_DAYS = 7  # a safe day so far beyond the longest lead is no longer near: our own choice
States = dict[str, AlertState]


def plan(
    states: Mapping[str, AlertState],
    seen: SurfaceWatch,
    advice: SurfaceAdvice,
    diary: DiaryFacts,
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
    state: AlertState, seen: SurfaceWatch, advice: PassAdvice, diary: DiaryFacts, now_ms: int, bounds: AlertBounds
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


def _booking(job: DatedPass, seen: SurfaceWatch) -> str:
    """What tells one booking from another: the pass and its day, not who makes it."""
    return f"{job.kind}.{job.variant}.{local(seen.where, job.start_ms).date()}"


def lift_probes(state: AlertState, seen: SurfaceWatch, job: DatedPass, now_ms: int, bounds: AlertBounds) -> Said:
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
    text = f"{doing} is booked {on}. {lift_first(names)}: {lie} in the way of the blades."
    told = tuple(str(lead) for lead in leads if lead >= min(near))
    if state.is_open:
        state = replace(state, told=told, said_at_ms=now_ms)
        return state, [event(seen, state, REPEATED, now_ms, text)]
    state = state.opened(now_ms, now_ms, "booked", *told)
    return state, [event(seen, state, OPENED, now_ms, text)]


def _intent(job: DatedPass, seen: SurfaceWatch) -> Intent:
    """What is booked, its depth as written, else as planned, else the deepest usual."""
    planned = [p.depth_m for p in seen.planned if (p.kind, p.variant) == (job.kind, job.variant)]
    facts = seen.table.facts.get(job.kind)
    usual = 0.0 if facts is None else facts.depth_mm[1] / 1000.0
    return Intent(job.kind, job.variant, job.depth_m if job.depth_m is not None else (planned or [usual])[0])
