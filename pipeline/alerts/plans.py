"""The rules about plans: a window that opens or closes, the last good date of a pass, probes in its way.

Only passes that the settings plan or the diary has booked are reported, each window once, from the outlook of the
newest advice: a window for brushing that is open all season is not news.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, NamedTuple

from pydantic import BaseModel

from pipeline.advice.conditions import Verdict
from pipeline.advice.phrases import clock_mark, day_words, kind_words, left_mark, lift_first, on_mark, sentence
from pipeline.advice.report import PassAdvice, SurfaceAdvice
from pipeline.advice.treatments import TreatmentTable
from pipeline.advice.windows import Outlook, WorkWindow, dry_hours, verdict_now, work_left_h, work_windows
from pipeline.alerts.model import (
    CLOSED,
    OPENED,
    REPEATED,
    AlertEvent,
    AlertRule,
    AlertState,
    B,
    Change,
    Facts,
    HeldBy,
    Hold,
    Hours,
    LeadDays,
    Manner,
    Months,
    RuleBounds,
    RuleGrain,
    RuleName,
    RuleOutcome,
    Scope,
    Where,
)
from pipeline.alerts.walk import apply_marks, in_months, local, settle
from pipeline.diary.facts import (
    Buried,
    DatedPass,
    DiaryFacts,
    Intent,
    in_the_way,
)
from pipeline.forecast.wetness import WetnessForecast, in_ten
from pipeline.site.fields import Share, apart
from pipeline.texts import later, say
from pipeline.units import DAY_MS, HOUR_MS

FAR_MS = 6 * DAY_MS  # an end further off is too unsure to be named: our own choice
SMALL_WORK = ("light_raking", "rolling")  # done whenever there is an hour for it: booked alone it is no news
SOON_H = 24.0  # a window that opens again within a day goes on: our own choice
LONGER = 2.0  # a closing window that now runs on for so many leads may be told again
MADE_BEFORE_MS = 42 * DAY_MS  # a pass made so short a time ago is not called for again: our own choice
LATER_DAYS = 7  # a safe day so far beyond the longest lead is no longer near: our own choice


@dataclass(frozen=True)
class SurfaceWatch:
    """One surface with what the rules about its passes read.

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
        """Return the time zone of the site, else UTC."""
        return datetime.UTC if self.where.zone is None else self.where.zone


def is_news(intent: Intent, seen: SurfaceWatch, diary: DiaryFacts, now_ms: int) -> bool:
    """Return whether a pass is reported: the settings plan it, or it is booked from now on."""
    if any((p.kind, p.variant) == (intent.kind, intent.variant) for p in seen.planned):
        return True
    booked = any((j.kind, j.variant) == (intent.kind, intent.variant) and j.end_ms >= now_ms for j in diary.booked)
    return booked and intent.kind not in SMALL_WORK


def subject_of(intent: Intent) -> str:
    """Return what tells the alerts of one pass of a surface from those of another."""
    return f"{intent.kind}.{intent.variant}.{intent.depth_m * 1000:.0f}"


class PassAhead(NamedTuple):
    """The newest advice for one pass over a surface.

    Attributes
    ----------
    at_ms : int
        Of the advice. [ms since 1970, UTC]
    advice : PassAdvice
    windows : list of WorkWindow
        With the days on which there is dry work enough in them.
    opening : AlertState
        Where the rule about its opening stands.
    opening_bounds : WindowOpeningBounds
    """

    at_ms: int
    advice: PassAdvice
    windows: list[WorkWindow]
    opening: AlertState
    opening_bounds: WindowOpeningBounds

    @property
    def what(self) -> str:
        """Return the pass in words, with its depth."""
        doing, depth_m = say(self.advice.outlook.facts.doing), self.advice.outlook.intent.depth_m
        # Translators: a pass with its depth: "scarifying to 8 mm"
        return say("{doing} to {depth:.0f} mm", doing=doing, depth=depth_m * 1000) if depth_m > 0.0 else doing


def _play_within_lead(ahead: PassAhead, facts: Facts[B], at_ms: int) -> bool:
    """Return whether there is play within the lead time of the pass after a moment."""
    intent = ahead.advice.outlook.intent
    until_ms = at_ms + round(facts.spot.table.lead_days(intent.kind, intent.variant) * DAY_MS)
    return any(end > at_ms and begin < until_ms for begin, end in facts.diary.plays)


def _in_pass_season(ahead: PassAhead, facts: Facts[B], at_ms: int) -> bool:
    """Return whether a pass is usual at this time of year; True where the site has set months, which are checked
    elsewhere."""
    if ahead.opening_bounds.months:
        return True  # those hold it back already
    grass = "warm" if facts.where.grass == "warm" else "cool"
    return in_months(ahead.advice.outlook.facts.months.get(grass, ()), facts.where, at_ms)


# --- a window opens --------------------------------------------------------------------------------------------------


class WindowOpeningBounds(RuleBounds):
    """Bounds of a reported window: open now, or due between two leads, with `work_h` dry hours of work.

    Due ones only with a chance of `on_chance` or more, where that is known. [1] Over when it was closed, or nothing is
    in sight, for `off_hold_h`. Times in hours.
    """

    lead_least_h: Hours = 48.0
    lead_most_h: Annotated[Hours, apart("more", "lead_least_h")] = 120.0
    work_h: Hours = 6.0
    on_chance: Share = 0.5
    off_hold_h: Hours = 12.0
    months: Months = ()


def window_opening(state: AlertState, ahead: PassAhead, facts: Facts[WindowOpeningBounds]) -> RuleOutcome:
    """A window for a pass that is open, or due to open in some days, for hours enough of dry work.

    Opens once a window. Said again only when a window due within a day has moved by a day or more. Closes when the pass
    has been closed for `off_hold_h` since the window began, or nothing has been in sight for so long.
    """
    if state.is_open:
        return _window_goes_on(state, ahead, facts)
    limits, now_ms = facts.bounds, ahead.at_ms
    window = next((w for w in ahead.windows if w.first_work_ms is not None), None)
    if window is None or window.first_work_ms is None:
        return RuleOutcome(state)
    lead_h = (window.span.start_ms - now_ms) / HOUR_MS
    unsure = window.chance is not None and window.chance < limits.on_chance
    due = limits.lead_least_h <= lead_h <= limits.lead_most_h and not unsure
    begins_ms = max(window.first_work_ms, now_ms)
    if not (lead_h <= 0.0 or due) or _play_within_lead(ahead, facts, begins_ms):
        return RuleOutcome(state)
    if not _in_pass_season(ahead, facts, begins_ms):
        return RuleOutcome(state)
    way, runs = "open" if lead_h <= 0.0 else "due", {"window": Hold(begins_ms, window.span.end_ms)}
    return RuleOutcome(state, Change(OPENED, _window_words(ahead, window), way=way, runs=runs))


_WINDOW_OVER = {
    # Translators: what is a pass with its depth, here and below; why is a clause, as "soil too wet"
    (True, True): later("the window for {what} is over, {why}."),
    (True, False): later("the window for {what} is over."),
    (False, True): later("no window for {what} after all, {why}."),
    (False, False): later("no window for {what} after all."),
}  # by whether it had begun, and whether there is a reason


def _window_goes_on(state: AlertState, ahead: PassAhead, facts: Facts[WindowOpeningBounds]) -> RuleOutcome:
    """Return the outcome for an open alert: its window goes on, has moved, or is over."""
    limits, now_ms, outlook = facts.bounds, ahead.at_ms, ahead.advice.outlook
    verdict, told = verdict_now(outlook), state.runs["window"]
    begun = now_ms >= told.since_ms
    if begun and verdict == Verdict.OPEN:
        state = state._replace(way="open")
    # the last hours of a window are too few to be told of, but it is not over yet
    ahead_h = (ahead.windows[0].span.start_ms - now_ms) / HOUR_MS if ahead.windows else None
    near = ahead_h is not None and ahead_h <= limits.lead_most_h
    soon = ahead_h is not None and ahead_h <= SOON_H
    gone = not near or (begun and not soon and verdict == Verdict.CLOSED)
    state = _note_gone(state, verdict, now_ms, facts, gone=gone)
    if _gone_for(state, limits.off_hold_h):
        reason = outlook.windows[0].reason
        over = say(_WINDOW_OVER[begun, bool(reason)], what=ahead.what, why=reason)
        return RuleOutcome(state, Change(CLOSED, over))
    window = next((w for w in ahead.windows if w.first_work_ms is not None), None)
    if window is None or window.first_work_ms is None or state.way != "due":
        return RuleOutcome(state)
    if now_ms >= told.since_ms - DAY_MS and window.first_work_ms - told.since_ms >= DAY_MS:
        start = clock_mark(window.first_work_ms)
        runs = {**state.runs, "window": Hold(window.first_work_ms, window.span.end_ms)}
        moved = say("the window for {what} has moved to {start}.", what=ahead.what, start=start)
        return RuleOutcome(state, Change(REPEATED, moved, runs=runs))
    return RuleOutcome(state)


def _note_gone(state: AlertState, verdict: Verdict, now_ms: int, facts: Facts[B], *, gone: bool) -> AlertState:
    """Return the state with the run of hours without a window extended.

    An unknown verdict changes nothing, and a night continues as the evening was. Time between two evaluations counts,
    so that a few evaluations a day suffice.
    """
    if verdict == Verdict.UNKNOWN:
        return state
    runs, hours = dict(state.runs), facts.spot.work_hours
    at_work = hours[0] <= local(facts.where, now_ms).hour < hours[1]
    if (gone and at_work) or ("gone" in runs and not at_work):
        before = runs.get("gone")
        fresh = before is None or now_ms - before.last_ms > facts.rule.grain.forget_gap_ms
        runs["gone"] = Hold(now_ms, now_ms) if before is None or fresh else before._replace(last_ms=now_ms)
    elif at_work:
        runs.pop("gone", None)
    return state._replace(runs=runs)


def _gone_for(state: AlertState, hours: float) -> bool:
    gone = state.runs.get("gone")
    return gone is not None and gone.last_ms - gone.since_ms >= hours * HOUR_MS


def _window_words(ahead: PassAhead, window: WorkWindow) -> str:
    outlook = ahead.advice.outlook
    assert window.first_work_ms is not None
    what, start_ms = ahead.what, window.span.start_ms
    far = window.to_the_end or window.span.end_ms - int(outlook.at_ms[0]) > FAR_MS
    end = "" if far else clock_mark(window.span.end_ms)
    if start_ms <= int(outlook.at_ms[0]):
        # that it is open now is known; how sure its later days are, the page tells day by day
        told = later("window for {what} is open now and for days to come.") if far else later(
            "window for {what} is open now, until {end}."
        )  # fmt: skip
        text = say(told, what=what, end=end)
    else:
        # Translators: span is a moment, or as in "Thu 9:00 to Fri 12:00", here and in the next two
        told = later("window for {what} from {span}.")
        if window.chance is not None and window.span.end_ms - start_ms > DAY_MS:
            told = later("window for {what} from {span}, {chance} on its first day.")
        elif window.chance is not None:
            told = later("window for {what} from {span}, {chance}.")
        begin = clock_mark(window.first_work_ms)
        # Translators: two moments, as in "Thu 9:00 to Fri 12:00"
        span = begin if far else say("{start} to {end}", start=begin, end=end)
        text = say(told, what=what, span=span, chance=in_ten(window.chance or 0.0))
    # Translators: what ends a window: "Then rain on the day."
    then = [] if far or not window.after else [say("Then {reason}.", reason=window.after)]
    return " ".join([text, *then, *_lift(window, outlook)])


def _lift(window: WorkWindow, outlook: Outlook) -> list[str]:
    return [sentence(lift_first(window.lift_first, outlook.ground.buried))] if window.lift_first else []


# --- a window closes -------------------------------------------------------------------------------------------------


class WindowClosingBounds(RuleBounds):
    """Bounds of a closing window: how long before its end it is reported, and after how long it is over. Times in
    hours."""

    lead_h: Hours = 48.0
    off_hold_h: Hours = 12.0
    months: Months = ()


def window_closing(state: AlertState, ahead: PassAhead, facts: Facts[WindowClosingBounds]) -> RuleOutcome:
    """An open window that closes soon, while there is work left in it.

    Opens once for each reported window, but not within a day of that report, which names its end too. Closes when the
    window has been shut for `off_hold_h`, or now ends much later.
    """
    limits, now_ms, outlook = facts.bounds, ahead.at_ms, ahead.advice.outlook
    window = ahead.windows[0] if ahead.windows else None
    ahead_h = None if window is None else (window.span.start_ms - now_ms) / HOUR_MS
    left_h = None if window is None else (window.span.end_ms - now_ms) / HOUR_MS
    if state.is_open:
        goes_on = ahead_h is not None and ahead_h <= SOON_H
        state = _note_gone(state, verdict_now(outlook), now_ms, facts, gone=not goes_on)
        if _gone_for(state, limits.off_hold_h):
            return RuleOutcome(state, Change(CLOSED, say("the window for {what} has closed.", what=ahead.what)))
        if goes_on and left_h is not None and left_h > LONGER * limits.lead_h:
            longer = say("the window for {what} stays open for longer.", what=ahead.what)
            return RuleOutcome(state, Change(CLOSED, longer))
        return RuleOutcome(state)
    if window is None or ahead_h is None or ahead_h > 0.0 or left_h is None:
        return RuleOutcome(state)
    if window.to_the_end or left_h > limits.lead_h:
        return RuleOutcome(state)
    # a gap of a few hours that nobody called a window does not close one either
    told_ms = ahead.opening.said_at_ms if ahead.opening.is_shown else None
    if ahead.opening_bounds.enabled and (told_ms is None or now_ms - told_ms < DAY_MS):
        return RuleOutcome(state)
    if work_left_h(window, outlook, facts.spot.zone, facts.spot.work_hours) < 1.0:
        return RuleOutcome(state)
    if _play_within_lead(ahead, facts, now_ms) or not _in_pass_season(ahead, facts, now_ms):
        return RuleOutcome(state)
    # Translators: end is a moment, as "today 16:00"; then is what ends the window, as "rain on the day"
    told = later("the window for {what} closes {end}, then {then}.") if window.after else later(
        "the window for {what} closes {end}."
    )  # fmt: skip
    text = say(told, what=ahead.what, end=clock_mark(window.span.end_ms), then=window.after)
    return RuleOutcome(state, Change(OPENED, " ".join([text, *_lift(window, outlook)]), way="closing"))


# --- the last good date ----------------------------------------------------------------------------------------------


class LastGoodDateBounds(RuleBounds):
    """Days before the last safe date of a pass at which it is reported, the longest first. [d]"""

    lead_days: LeadDays = (21, 14, 7)
    months: Months = ()


def last_good_date(state: AlertState, ahead: PassAhead, facts: Facts[LastGoodDateBounds]) -> RuleOutcome:
    """The last day on which a pass still heals for sure, reported some weeks, and again some days, before it.

    Opens at the longest lead at which it is known, and is said again at each shorter one. What is tied to play alone is
    not reported during a season: with a match every week each week would have its last day. Closes when the day
    has passed, has moved far off, or the pass is made.
    """
    advice, now_ms, leads = ahead.advice, ahead.at_ms, facts.bounds.lead_days
    last = advice.last_good
    if last is None or not leads:
        return RuleOutcome(state)
    intent, doing = advice.outlook.intent, say(advice.outlook.facts.doing)
    today = local(facts.where, now_ms).date()
    left = None if last.safe is None else (last.safe - today).days
    made_ms = [j.start_ms for j in facts.diary.made if (j.kind, j.variant) == (intent.kind, intent.variant)]
    made = any(at_ms > now_ms - MADE_BEFORE_MS for at_ms in made_ms)
    if state.is_open and made:
        return RuleOutcome(state, Change(CLOSED, say("{doing} is done in time.", doing=doing)))
    if state.is_open and (left is None or left < 0):
        text = later("the last safe day for {doing} has passed.")
        if advice.outlook.facts.wounds:
            text = later("the last safe day for {doing} has passed. Go shallower and sow more, or leave it.")
        return RuleOutcome(state, Change(CLOSED, say(text, doing=doing)))
    if left is None or left < 0 or made or last.safe is None:
        return RuleOutcome(state)
    if state.is_open and left > leads[0] + LATER_DAYS:
        more = say("{doing} has more time: it heals if done by {day}.", doing=doing, day=day_words(last.safe))
        return RuleOutcome(state, Change(CLOSED, more))
    if left > leads[0]:
        return RuleOutcome(state)
    lead = min(lead for lead in leads if lead >= left)
    if str(lead) in state.told or (not state.is_open and not _growth_binds(advice, today.toordinal(), leads[0])):
        return RuleOutcome(state)
    if _play_within_lead(ahead, facts, now_ms):
        return RuleOutcome(state)
    noon = datetime.datetime.combine(last.safe, datetime.time(12), facts.spot.zone)
    days = left_mark(round(noon.timestamp() * 1000))
    # Translators: left is how far off the day is: "3 days from now"
    text = later("to come up before the soil is too cold, do the {doing} by {day}, {left}.")
    if advice.needed_on is not None:
        # Translators: end is as "play on 20 Sep", left is how far off the day is: "3 days from now"
        text = later("to heal before {end}, do the {doing} by {day}, {left}.")
    text = say(text, end=_end(advice), doing=doing, day=day_words(last.safe), left=days)
    told = tuple(str(one) for one in leads if one >= lead)
    return RuleOutcome(state, Change(REPEATED if state.is_open else OPENED, text, way="near", told=told))


def _growth_binds(advice: PassAdvice, today: int, longest_days: int) -> bool:
    """Return whether the day is set by the end of growth, or by play that begins after a long rest."""
    if not advice.for_play:
        return True
    by_lead_time = advice.last_good is not None and advice.last_good.by_lead_time
    return not by_lead_time and advice.needed_on is not None and advice.needed_on.toordinal() - today >= longest_days


def _end(advice: PassAdvice) -> str:
    day = "" if advice.needed_on is None else day_words(advice.needed_on)
    # Translators: what a pass has to be healed before, here and below: "to heal before play on 20 Sep"
    return say("play on {day}", day=day) if advice.for_play else say("growth ends about {day}", day=day)


# --- probes in the way of a booked pass ------------------------------------------------------------------------------


class LiftProbesBounds(RuleBounds):
    """Days before a booked pass at which probes in its way are reported, the longest first; 0 is that morning. [d]"""

    lead_days: LeadDays = (3, 1, 0)


class Booking(NamedTuple):
    """A pass that is booked and not begun, looked at with the newest advice; shut where its hour is. [ms since 1970]"""

    at_ms: int
    job: DatedPass
    is_shut: bool = False


def lift_probes(state: AlertState, booking: Booking, facts: Facts[LiftProbesBounds]) -> RuleOutcome:
    """Probes in the way of a booked pass, some days before, the day before and on its morning.

    Closes when they are written down as lifted. While its hour is shut nothing is said before its morning: the plan
    says not to do it.
    """
    job, seen, leads = booking.job, facts.spot, facts.bounds.lead_days
    names = in_the_way(_intent(job, seen), seen.buried)
    day, today = local(seen.where, job.start_ms).date(), local(seen.where, booking.at_ms).date()
    days = (day - today).days
    treatment = seen.table.facts.get(job.kind)
    doing = kind_words(job.kind) if treatment is None else say(treatment.doing)
    if state.is_open and not names:  # what somebody has just written down is answered at once
        free = say("nothing lies in the way of the {doing} now.", doing=doing)
        return RuleOutcome(state, Change(CLOSED, free, at_once=True))
    if state.is_open and days < 0:
        return RuleOutcome(state, Change(CLOSED, say("the day of the {doing} is past.", doing=doing)))
    near = [lead for lead in leads if lead >= days]
    if not names or days < 0 or not near or str(min(near)) in state.told or (booking.is_shut and days > 0):
        return RuleOutcome(state)
    # Translators: "slitting is booked on Thursday. Lift the thatch probe first: it lies in the way of the blades."
    text = later("{doing} is booked {day}. {lift}: it lies in the way of the blades.") if len(names) == 1 else later(
        "{doing} is booked {day}. {lift}: they lie in the way of the blades."
    )  # fmt: skip
    text = say(text, doing=doing, day=on_mark(job.start_ms), lift=lift_first(names, seen.buried))
    if booking.is_shut:
        text = say("{told} That is if it is done all the same: its hour is shut.", told=text)
    told = tuple(str(lead) for lead in leads if lead >= min(near))
    return RuleOutcome(state, Change(REPEATED if state.is_open else OPENED, text, way="booked", told=told))


def _intent(job: DatedPass, seen: SurfaceWatch) -> Intent:
    """Return the booked pass with its depth as written, else as planned, else the deepest usual. [m]"""
    planned = [p.depth_m for p in seen.planned if (p.kind, p.variant) == (job.kind, job.variant)]
    facts = seen.table.facts.get(job.kind)
    usual = 0.0 if facts is None else facts.depth_mm[1] / 1000.0
    return Intent(job.kind, job.variant, job.depth_m if job.depth_m is not None else (planned or [usual])[0])


# --- the declarations and their walk ---------------------------------------------------------------------------------

WINDOW_OPENING = AlertRule(
    name=RuleName("window_opening"),
    bounds=WindowOpeningBounds,
    look=window_opening,
    scope=Scope.PASS,
    grain=RuleGrain.ADVICE,
    held_by=HeldBy.NIGHT | HeldBy.SEASON | HeldBy.PLAY,
    closes_with_season=False,
)
WINDOW_CLOSING = AlertRule(
    name=RuleName("window_closing"),
    bounds=WindowClosingBounds,
    look=window_closing,
    scope=Scope.PASS,
    grain=RuleGrain.ADVICE,
    manner=Manner.INTERRUPTING,
    held_by=HeldBy.NIGHT | HeldBy.SEASON | HeldBy.PLAY,
    closes_with_season=False,
)
LAST_GOOD_DATE = AlertRule(
    name=RuleName("last_good_date"),
    bounds=LastGoodDateBounds,
    look=last_good_date,
    scope=Scope.PASS,
    grain=RuleGrain.ADVICE,
    held_by=HeldBy.NIGHT | HeldBy.SEASON | HeldBy.PLAY,
    # warm-season turf stops growing sooner, and is renovated in summer: common practice, no source
    season={"cool": (5, 8, 9), "warm": (7, 8, 9)},
    closes_with_season=False,  # the day itself closes it
)
LIFT_PROBES = AlertRule(
    name=RuleName("lift_probes"),
    bounds=LiftProbesBounds,
    look=lift_probes,
    scope=Scope.BOOKING,
    grain=RuleGrain.ADVICE,
    manner=Manner.INTERRUPTING,
    held_by=HeldBy.NIGHT,
)
PLAN_RULES: tuple[AlertRule[Any], ...] = (WINDOW_OPENING, WINDOW_CLOSING, LAST_GOOD_DATE, LIFT_PROBES)
PASS_RULES = tuple(rule for rule in PLAN_RULES if rule.scope is Scope.PASS)
PLAN_RULE_OF: Mapping[RuleName, AlertRule[Any]] = {rule.name: rule for rule in PLAN_RULES}


def walk_plans(
    states: Mapping[str, AlertState],
    seen: SurfaceWatch,
    advice: SurfaceAdvice,
    diary: DiaryFacts,
    now_ms: int,
    alerts: Mapping[str, BaseModel],
) -> tuple[dict[str, AlertState], list[AlertEvent]]:
    """Run every rule about plans that is switched on over the newest advice for a surface.

    Parameters
    ----------
    states : mapping of str to AlertState
        Those of this surface, by their key.
    seen : SurfaceWatch
    advice : SurfaceAdvice
    diary : DiaryFacts
        Of the whole surface.
    now_ms : int
        Of the advice. [ms since 1970, UTC]
    alerts : mapping of str to RuleBounds
        What the site has set, by rule.

    Returns
    -------
    (dict of str to AlertState, list of AlertEvent)
        States that hold something, by their key, those of rules switched off untouched; events in the order of rules.
    """
    after: dict[str, AlertState] = {}
    events: list[AlertEvent] = []

    def look(rule: AlertRule[Any], subject: str, occasion: PassAhead | Booking) -> None:
        facts: Facts[Any] = Facts(rule, rule.bounds_in(alerts), seen, diary)
        if facts.bounds.enabled:
            before = state_of(rule.name, subject)
            keep(before, settle(rule.look(before, occasion, facts), facts, now_ms))

    def keep(before: AlertState, result: tuple[AlertState, list[AlertEvent]]) -> None:
        state, said = apply_marks(before, *result, seen, diary, now_ms)
        events.extend(said)
        after[state.key] = state

    def state_of(rule: RuleName, subject: str) -> AlertState:
        fresh = AlertState(rule, "", "", now_ms, surface=seen.surface, subject=subject)
        return after.get(fresh.key, states.get(fresh.key, fresh))

    opening_bounds = WINDOW_OPENING.bounds_in(alerts)
    for each in advice.passes:
        intent = each.outlook.intent
        if not is_news(intent, seen, diary, now_ms):
            continue  # an open one is closed below
        subject = subject_of(intent)
        windows = work_windows(each.outlook, seen.zone, work_hours=seen.work_hours, work_h=opening_bounds.work_h,
                         dry=dry_hours(each.outlook, seen.forecasts))  # fmt: skip
        for rule in PASS_RULES:
            opening = state_of(WINDOW_OPENING.name, subject)
            look(rule, subject, PassAhead(now_ms, each, windows, opening, opening_bounds))
    for job in diary.booked:
        # what tells one booking from another is the pass and its day, not who makes it
        subject = f"{job.kind}.{job.variant}.{local(seen.where, job.start_ms).date()}"
        look(LIFT_PROBES, subject, Booking(now_ms, job, _is_shut(job, advice)))
    for key, state in states.items():
        if key not in after:
            keep(state, _no_longer(state, seen, diary, now_ms, alerts))
    return {key: state for key, state in after.items() if state.is_open or state.runs}, events


def _is_shut(job: DatedPass, advice: SurfaceAdvice) -> bool:
    """Return whether the hour of a booked pass is shut by what is advised of it."""
    outlooks = (each.outlook for each in advice.passes)
    windows = (w for o in outlooks if (o.intent.kind, o.intent.variant) == (job.kind, job.variant) for w in o.windows)
    return any(w.span.start_ms <= job.start_ms < w.span.end_ms and w.verdict is Verdict.CLOSED for w in windows)


def _no_longer(
    state: AlertState, seen: SurfaceWatch, diary: DiaryFacts, now_ms: int, alerts: Mapping[str, BaseModel]
) -> tuple[AlertState, list[AlertEvent]]:
    """Close an alert about a pass that is neither planned nor booked any more."""
    rule = PLAN_RULE_OF[state.rule]
    facts: Facts[Any] = Facts(rule, rule.bounds_in(alerts), seen, diary)
    if not state.is_open or not facts.bounds.enabled:
        return state, []
    told = later("{what} is not booked any more.") if rule.scope is Scope.BOOKING else later(
        "{what} is not planned any more."
    )  # fmt: skip
    what = kind_words(state.subject.partition(".")[0])
    return settle(RuleOutcome(state, Change(CLOSED, say(told, what=what))), facts, now_ms)
