"""The rules about windows: one that opens, or is due to, for a pass that is planned; and one that is about to close.

A window that is open all season for brushing is not news. So only passes that the settings plan or the diary has
booked are told, each window once, from the outlook of the newest advice. This module must not judge an hour: see
`windows`; nor join the days: see `spells`.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.advice.forecast import WetnessForecast
from pipeline.advice.locks import Buried, Intent
from pipeline.advice.report import PassAdvice
from pipeline.advice.saying import by_day, in_months, local, may_open
from pipeline.advice.spells import Spell, dry_hours, spells, verdict_now, work_left_h
from pipeline.advice.treatments import TreatmentTable
from pipeline.advice.verdicts import Verdict
from pipeline.advice.watch import (
    CLOSED,
    OPENED,
    REPEATED,
    AlertBounds,
    AlertEvent,
    AlertState,
    Diary,
    Run,
    Where,
    event,
)
from pipeline.advice.window_lines import in_ten, listed, when
from pipeline.soil.moving import HOUR_MS

DAY_MS = 24 * HOUR_MS
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


def is_news(intent: Intent, seen: SurfaceWatch, diary: Diary, now_ms: int) -> bool:
    """Whether somebody thinks of this pass: the settings plan it, or it is booked from now on."""
    if any((p.kind, p.variant) == (intent.kind, intent.variant) for p in seen.planned):
        return True
    booked = any((j.kind, j.variant) == (intent.kind, intent.variant) and j.end_ms >= now_ms for j in diary.booked)
    return booked and intent.kind != BROUGHT_BY_HAND


def play_within_lead(intent: Intent, seen: SurfaceWatch, diary: Diary, at_ms: int) -> bool:
    """Whether there is play within the pass's lead time of a moment: nobody would make it then."""
    until_ms = at_ms + round(seen.table.lead_days(intent.kind, intent.variant) * DAY_MS)
    return any(end > at_ms and begin < until_ms for begin, end in diary.plays)


def spells_of(seen: SurfaceWatch, advice: PassAdvice, bounds: AlertBounds) -> list[Spell]:
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
    found: Sequence[Spell],
    seen: SurfaceWatch,
    advice: PassAdvice,
    diary: Diary,
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
    runs = {"window": Run(begins_ms, spell.span.end_ms)}
    state = replace(state.opened(now_ms, now_ms, "open" if lead_h <= 0.0 else "due"), runs=runs)
    return state, [event(seen, state, OPENED, now_ms, _window_words(advice, spell, seen))]


def _window_goes_on(
    state: AlertState, seen: SurfaceWatch, advice: PassAdvice, found: Sequence[Spell], now_ms: int, bounds: AlertBounds
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
        state = replace(state, runs={**runs, "window": Run(spell.first_work_ms, spell.span.end_ms)}, said_at_ms=now_ms)
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
        runs["gone"] = Run(now_ms, now_ms) if before is None or fresh else before._replace(last_ms=now_ms)
    elif at_work:
        runs.pop("gone", None)
    return replace(state, runs=runs)


def _gone_for(runs: Mapping[str, Run], hours: float) -> bool:
    return "gone" in runs and runs["gone"].last_ms - runs["gone"].since_ms >= hours * HOUR_MS


def window_closing(
    state: AlertState,
    opening: AlertState,
    found: Sequence[Spell],
    seen: SurfaceWatch,
    advice: PassAdvice,
    diary: Diary,
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
    lift = f" Lift {listed(spell.lift_first)} first." if spell.lift_first else ""
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


def _window_words(advice: PassAdvice, spell: Spell, seen: SurfaceWatch) -> str:
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
    lift = f" Lift {listed(spell.lift_first)} first." if spell.lift_first else ""
    return f"{text}{then}{lift}"
