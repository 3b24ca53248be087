"""Locks on a pass: the state of the ground, the season, and missing data, which come before any bound.

A lock holds over a span of time and says what would open it. Something buried in the way of the blades is no lock: the
window stays as it is, with a line of its own, and the pass cannot be begun until it is lifted. A person may override a
lock or a bound with a reason, which is kept with the window.
"""

from __future__ import annotations

import calendar
import datetime
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.advice.conditions import Verdict
from pipeline.advice.phrases import the_probes
from pipeline.diary.facts import CLEARANCE_M, Buried, Intent, Override, in_the_way
from pipeline.site.passes import PassFacts
from pipeline.texts import later, later_as, say
from pipeline.units import DAY_MS, HOUR_MS, WEEK_MS, TimeSpan

PROBES_STALE_H = 6.0  # probe data older than this say nothing about now: common practice, no source
CARRIED_H = 48.0  # after a lift, thatch wetness may be carried for so long: our own choice
UNTIL_FOREVER_MS = 2**62
WINTER_WEEKS = 12  # so long without play is a winter, less a gap within a season: our own choice
HARMS_BARE_SEED = (later("growth regulator still works"), later("pre-emergence herbicide still works"))


@dataclass(frozen=True)
class SurfaceState:
    """What is known of a surface besides its hours.

    Attributes
    ----------
    title, kind, grass : str
        In words; one of `SURFACES`; "cool" or "warm".
    clay, water_to_hand, hosepipe_limit : bool
        Clay soil; water can be put on; use of it is limited.
    seasons : tuple of TimeSpan
        Of play.
    usual_seasons : tuple of TimeSpan
        Of play as a square usually has them, for what comes behind the last that is known.
    renovation : TimeSpan or None
        The surface is closed and sown with ryegrass in autumn.
    sown_ms, regulator_until_ms, pre_emergence_until_ms : int or None
        Latest seed; until when a regulator, or a herbicide against seedlings, works. [ms since 1970, UTC]
    root_depth_m : float or None
        Below the leaf base. [m] None when not known.
    newest_reading_ms : int or None
        Of the probes that the hours rest on. [ms since 1970, UTC]
    doubtful : str
        Why their readings are not to be believed; empty when they are.
    carried_since_ms, carried_from : int or None, str
        Since when thatch wetness is carried in place of a lifted probe, and by what.
    buried : tuple of Buried
    overrides : tuple of Override
    thatch_by_eye : bool
        No probe is set where it could read the thatch alone: a person feels it before the work. A probe that has
        failed is another matter.
    """

    title: str
    kind: str
    grass: str = "cool"
    clay: bool = False
    water_to_hand: bool = True
    hosepipe_limit: bool = False
    seasons: tuple[TimeSpan, ...] = ()
    usual_seasons: tuple[TimeSpan, ...] = ()
    renovation: TimeSpan | None = None
    sown_ms: int | None = None
    regulator_until_ms: int | None = None
    pre_emergence_until_ms: int | None = None
    root_depth_m: float | None = None
    newest_reading_ms: int | None = None
    doubtful: str = ""
    carried_since_ms: int | None = None
    carried_from: str = ""
    buried: tuple[Buried, ...] = ()
    overrides: tuple[Override, ...] = ()
    thatch_by_eye: bool = False


@dataclass(frozen=True, slots=True)
class Lock:
    """One lock: its name, verdict, why, what would open it, over which span, and whether it is for want of data."""

    name: str
    verdict: Verdict
    reason: str
    opens: str
    span: TimeSpan
    is_data: bool = False


def _lock(
    verdict: Verdict, reason: str, opens: str, span: TimeSpan, *, is_data: bool = False, **fields: object
) -> Lock:
    """Return a lock; its reason and what would open it are messages of the same fields, its name is English."""
    return Lock(reason.format(**fields), verdict, say(reason, **fields), say(opens, **fields), span, is_data)


ALWAYS = TimeSpan(-UNTIL_FOREVER_MS, UNTIL_FOREVER_MS)


def locks(intent: Intent, facts: PassFacts, ground: SurfaceState, now_ms: int) -> tuple[Lock, ...]:
    """Return every lock on a pass, the weightiest first.

    Parameters
    ----------
    intent : Intent
    facts : PassFacts
        Of its kind.
    ground : SurfaceState
    now_ms : int
        [ms since 1970, UTC]

    Returns
    -------
    tuple of Lock
    """
    found = [*_of_square(facts, ground), *_of_seed(intent, facts, ground), *_of_roots(intent, facts, ground)]
    if ground.hosepipe_limit and facts.needs_water:
        reason, opens = later("water is limited and it needs water"), later("the limit lifted")
        found.append(_lock(Verdict.WAIT, reason, opens, ALWAYS))
    renovation = ground.renovation
    if renovation is not None and not ground.water_to_hand:
        reason, opens = later("no water to hold the seedbed wet"), later("water to hand")
        found.append(_lock(Verdict.WAIT, reason, opens, renovation))
    return (*found, *_of_data(ground, now_ms))


def _of_square(facts: PassFacts, ground: SurfaceState) -> list[Lock]:
    if ground.kind != "square":
        alone = later("work of a square alone")
        # Translators: what opens a pass that is made on a cricket square alone
        return [_lock(Verdict.CLOSED, alone, later("a square"), ALWAYS)] if facts.before_season_weeks else []
    return [*_in_season(facts, ground), *_before_season(facts, ground)]


def _before_season(facts: PassFacts, ground: SurfaceState) -> list[Lock]:
    """Return the locks on work of the weeks before play, at all other times, those of play among them.

    Behind the last season that is known the usual one comes: the fixtures of a year are written down late.
    """
    if not facts.before_season_weeks or not ground.seasons:
        return []
    known = ground.seasons[-1].end_ms
    starts, play_ends_ms = list[int](), -UNTIL_FOREVER_MS
    for season in (*ground.seasons, *(one for one in ground.usual_seasons if one.start_ms >= known)):
        if season.start_ms - play_ends_ms >= WINTER_WEEKS * WEEK_MS:
            starts.append(season.start_ms)
        play_ends_ms = max(play_ends_ms, season.end_ms)
    begins = [start_ms - round(facts.before_season_weeks * WEEK_MS) for start_ms in starts]
    reason, opens = later("not the weeks before play begins"), later("the last weeks before play begins")
    spans = (TimeSpan(*ends) for ends in zip([-UNTIL_FOREVER_MS, *starts], [*begins, UNTIL_FOREVER_MS], strict=True))
    return [_lock(Verdict.CLOSED, reason, opens, span) for span in spans]


def _in_season(facts: PassFacts, ground: SurfaceState) -> list[Lock]:
    if not facts.closed_on_square_in_season:
        return []
    finished, closed = later("a pitch finished for the year, or the close of season"), later("close of season")
    opens = finished if facts.spikes_a_finished_pitch else closed
    return [_lock(Verdict.CLOSED, later("square in season"), opens, season) for season in ground.seasons]


_WRONG_SEED = {
    "rye": later("rye does not go into {grass}-season grass"),
    "bent_fescue": later("bent and fescue does not go into {grass}-season grass"),
    # Translators: seed of warm-season grass
    "warm": later("warm does not go into {grass}-season grass"),
}
# Translators: warm or cool-season grass, as a part of "does not go into {grass}-season grass"
_SEASONS = {"warm": later_as("season of grass", "warm"), "cool": later_as("season of grass", "cool")}


def _of_seed(intent: Intent, facts: PassFacts, ground: SurfaceState) -> list[Lock]:
    found = []
    if ground.grass not in facts.grass[intent.variant]:
        opens, grass = later("other seed"), say(_SEASONS[ground.grass])
        found.append(_lock(Verdict.CLOSED, _WRONG_SEED[intent.variant], opens, ALWAYS, grass=grass))
    if ground.sown_ms is not None and facts.seedling_weeks > 0.0:
        span = TimeSpan(ground.sown_ms, ground.sown_ms + int(facts.seedling_weeks * WEEK_MS))
        reason, opens = later("seedlings younger than {weeks:g} weeks"), later("time for the seedlings")
        found.append(_lock(Verdict.CLOSED, reason, opens, span, weeks=facts.seedling_weeks))
    if facts.sows:
        for until_ms, reason in zip(
            (ground.regulator_until_ms, ground.pre_emergence_until_ms), HARMS_BARE_SEED, strict=True
        ):
            if until_ms is not None:
                span = TimeSpan(-UNTIL_FOREVER_MS, until_ms)
                # Translators: what opens a pass: of a growth regulator or a herbicide
                found.append(_lock(Verdict.CLOSED, reason, later("the end of its time"), span))
    return found


def _of_roots(intent: Intent, facts: PassFacts, ground: SurfaceState) -> list[Lock]:
    needed_m = intent.depth_m + CLEARANCE_M
    if not facts.needs_roots or ground.root_depth_m is None or ground.root_depth_m >= needed_m - 1e-9:
        return []
    reason = later("roots end at {depth:.0f} mm, the turf would lift")
    opens = later("a shallower cut, or roots to {needed:.0f} mm")
    depth, needed = ground.root_depth_m * 1000, needed_m * 1000
    return [_lock(Verdict.CLOSED, reason, opens, ALWAYS, depth=depth, needed=needed)]


def _of_data(ground: SurfaceState, now_ms: int) -> list[Lock]:
    """Return the locks for want of data. They hold for every hour: without data there is no forecast either."""
    found = []
    if ground.newest_reading_ms is None:
        reason, opens = later("no probe has been heard"), later("a reading")
        found.append(_lock(Verdict.UNKNOWN, reason, opens, ALWAYS, is_data=True))
    elif now_ms - ground.newest_reading_ms > PROBES_STALE_H * HOUR_MS:
        hours = (now_ms - ground.newest_reading_ms) // HOUR_MS
        reason, opens = later("nothing heard from the probes for {hours} hours"), later("fresh readings")
        found.append(_lock(Verdict.UNKNOWN, reason, opens, ALWAYS, is_data=True, hours=hours))
    if ground.doubtful:
        reason, opens = later("readings in doubt: {why}"), later("readings that agree")
        found.append(_lock(Verdict.UNKNOWN, reason, opens, ALWAYS, is_data=True, why=ground.doubtful))
    if ground.carried_since_ms is not None:
        # exactly 48 hours still stands, as every edge does
        span = TimeSpan(ground.carried_since_ms + int(CARRIED_H * HOUR_MS) + 1, UNTIL_FOREVER_MS)
        # Translators: what stands for the readings of a probe that was lifted
        reason, opens = later("thatch carried by {what} for more than {hours:g} hours"), later("the probe put back")
        what = carried_by(ground)
        found.append(_lock(Verdict.UNKNOWN, reason, opens, span, is_data=True, what=what, hours=CARRIED_H))
    return found


def carried_by(ground: SurfaceState) -> str:
    """Return what carries the wetness of the thatch in place of a lifted probe, in words."""
    # Translators: of thatch wetness: "carried by a guess"
    return ground.carried_from or say("a guess")


def fault_of_beginning(intent: Intent, buried: Sequence[Buried]) -> str:
    """Return why a pass cannot be marked begun, in words; empty when it can. No override lifts a probe."""
    names = in_the_way(intent, buried)
    if not names:
        return ""
    told = later("found {probes} still in the ground, expected them logged as lifted. Lift them first.")
    return say(told, probes=the_probes(names, buried))


def overrides_of(intent: Intent, ground: SurfaceState) -> tuple[Override, ...]:
    """Return the overrides that name a pass, in the order in which they were written."""
    named = [o for o in ground.overrides if o.kind == intent.kind and o.variant in ("", intent.variant)]
    return tuple(sorted(named, key=lambda o: o.written_at_ms))


SEASON_GAP_DAYS = 45  # fixtures further apart belong to two seasons: our own choice


def yearly_spans(
    first: tuple[int, int], last: tuple[int, int], now_ms: int, zone: datetime.tzinfo
) -> tuple[TimeSpan, ...]:
    """Return the spans of certain days in last year, this one and the next, both ends in them.

    Parameters
    ----------
    first, last : (month, day)
        They may run over the new year.
    now_ms : int
        [ms since 1970, UTC]
    zone : tzinfo
        Of the place.
    """
    this = datetime.datetime.fromtimestamp(now_ms / 1000, zone).year
    over = 1 if last < first else 0
    return tuple(
        TimeSpan(midnight_ms(year, first, zone), midnight_ms(year + over, last, zone, days=1))
        for year in range(this - 1, this + 2)
    )


def midnight_ms(year: int, day: tuple[int, int], zone: datetime.tzinfo, *, days: int = 0) -> int:
    """Return the local midnight that begins a day, or so many days after it; 29 February is else the 28th. [ms]"""
    month, number = day
    if day == (2, 29) and not calendar.isleap(year):
        number = 28
    date = datetime.date(year, month, number) + datetime.timedelta(days=days)
    return date_ms(date, zone)


def date_ms(date: datetime.date, zone: datetime.tzinfo) -> int:
    """Return the local midnight that begins a date. [ms since 1970, UTC]"""
    return round(datetime.datetime(date.year, date.month, date.day, tzinfo=zone).timestamp() * 1000)


def seasons_of_fixtures(times: Sequence[tuple[int, int]]) -> tuple[TimeSpan, ...]:
    """Return the seasons of play: fixtures no more than `SEASON_GAP_DAYS` apart belong to one.

    Parameters
    ----------
    times : sequence of (int, int)
        Begin and end of each. [ms since 1970, UTC]
    """
    found: list[TimeSpan] = []
    for start_ms, end_ms in sorted(times):
        if found and start_ms - found[-1].end_ms <= SEASON_GAP_DAYS * DAY_MS:
            found[-1] = TimeSpan(found[-1].start_ms, max(found[-1].end_ms, end_ms))
        else:
            found.append(TimeSpan(start_ms, end_ms))
    return tuple(found)


def renovation_span(
    play_last: tuple[int, int], until: tuple[int, int], now_ms: int, zone: datetime.tzinfo
) -> TimeSpan | None:
    """Return the present or next renovation: from the day after play to a day, which it includes. [ms]"""
    this = datetime.datetime.fromtimestamp(now_ms / 1000, zone).year
    over = 1 if until <= play_last else 0
    spans = (
        TimeSpan(midnight_ms(year, play_last, zone, days=1), midnight_ms(year + over, until, zone, days=1))
        for year in (this - 1, this, this + 1)
    )
    return next((span for span in spans if span.end_ms > now_ms), None)
