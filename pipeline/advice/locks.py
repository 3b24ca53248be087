"""What closes a pass before any bound is asked: the state of the ground, the season, and what is not known.

A lock holds over a span of time and says what would open it. Something buried in the way of the blades is no lock: the
window stays as it is, with a line of its own, and the pass cannot be begun until it is lifted. A person may override a
lock or a bound with a reason, which is kept with the window. This module must not look at the value of a probe.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.advice.daily import DAY_MS, HOUR_MS
from pipeline.advice.treatments import PassFacts
from pipeline.advice.verdicts import Verdict

CLEARANCE_M = 0.025  # below the blades, for roots to hold and for buried things to be safe: common practice, no source
STALE_H = 6.0  # probe data older than this say nothing about now: common practice, no source
CARRIED_H = 48.0  # after a lift, thatch wetness may be carried for so long: our own choice
WEEK_MS = 7 * DAY_MS
UNTIL_FOREVER_MS = 2**62
HARMS_BARE_SEED = ("growth regulator still works", "pre-emergence herbicide still works")


@dataclass(frozen=True, slots=True)
class Span:
    """From a moment up to, but without, another. [ms since 1970, UTC]"""

    start_ms: int
    end_ms: int


@dataclass(frozen=True, slots=True)
class Buried:
    """Something in the ground: its name, the depth of its top below the leaf base [m], and whether it is lifted."""

    name: str
    depth_m: float
    lifted: bool = False


@dataclass(frozen=True, slots=True)
class Override:
    """A person's word that a pass may be made over a span, and why.

    Raises
    ------
    ValueError
        There is no reason, or nobody gives it.
    """

    kind: str
    variant: str
    span: Span
    reason: str
    author: str
    written_at_ms: int

    def __post_init__(self) -> None:
        if not self.reason.strip():
            raise ValueError("override: found no reason, expected one in a few words. It is kept for next year.")
        if not self.author.strip():
            raise ValueError("override: found no name, expected that of the person who decides.")


@dataclass(frozen=True, slots=True)
class Intent:
    """The pass that is thought of: kind, variant, and depth of the cut below the leaf base. [m]"""

    kind: str
    variant: str
    depth_m: float


@dataclass(frozen=True)
class Ground:
    """What is known of a surface besides its hours.

    Attributes
    ----------
    title, kind, grass : str
        In words; one of `SURFACES`; "cool" or "warm".
    clay, water_to_hand, hosepipe_limit, finished_for_year : bool
        Clay soil; water can be put on; use of it is limited; the strips meant are not to be played on again this year.
    seasons : tuple of Span
        Of play.
    renovation : Span or None
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
    finished_for_year: bool = False
    seasons: tuple[Span, ...] = ()
    renovation: Span | None = None
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
    """One lock: its verdict, why, what would open it, over which span, and whether it is for want of data."""

    verdict: Verdict
    reason: str
    opens: str
    span: Span
    is_data: bool = False


ALWAYS = Span(-UNTIL_FOREVER_MS, UNTIL_FOREVER_MS)


def locks(intent: Intent, facts: PassFacts, ground: Ground, now_ms: int) -> tuple[Lock, ...]:
    """Every lock on a pass, the weightiest first.

    Parameters
    ----------
    intent : Intent
    facts : PassFacts
        Of its kind.
    ground : Ground
    now_ms : int
        [ms since 1970, UTC]

    Returns
    -------
    tuple of Lock
    """
    found = [*_of_square(facts, ground), *_of_seed(intent, facts, ground), *_of_roots(intent, facts, ground)]
    if ground.hosepipe_limit and facts.needs_water:
        found.append(
            Lock(Verdict.WAIT, "water is limited and it needs water", "the limit lifted, or steady rain", ALWAYS)
        )
    renovation = ground.renovation
    if renovation is not None and not ground.water_to_hand:
        found.append(Lock(Verdict.WAIT, "no water to hold the seedbed wet", "water to hand", renovation))
    return (*found, *_of_data(ground, now_ms))


def _of_square(facts: PassFacts, ground: Ground) -> list[Lock]:
    if ground.kind != "square":
        return []
    if facts.never_on_square:
        return [Lock(Verdict.CLOSED, "never on a square", "nothing will: scarify for thatch, tine for air", ALWAYS)]
    if not facts.closed_on_square_in_season or (facts.spikes_a_finished_pitch and ground.finished_for_year):
        return []
    opens = (
        "a pitch finished for the year, or the close of season" if facts.spikes_a_finished_pitch else "close of season"
    )
    return [Lock(Verdict.CLOSED, "square in season", opens, season) for season in ground.seasons]


def _of_seed(intent: Intent, facts: PassFacts, ground: Ground) -> list[Lock]:
    found = []
    if ground.grass not in facts.grass[intent.variant]:
        seed = intent.variant.replace("_", " and ")
        found.append(Lock(Verdict.CLOSED, f"{seed} does not go into {ground.grass}-season grass", "other seed", ALWAYS))
    if ground.sown_ms is not None and facts.seedling_weeks > 0.0:
        until = ground.sown_ms + int(facts.seedling_weeks * WEEK_MS)
        reason = f"seedlings younger than {facts.seedling_weeks:g} weeks"
        found.append(Lock(Verdict.CLOSED, reason, "time for the seedlings", Span(ground.sown_ms, until)))
    if facts.sows:
        for until_ms, reason in zip(
            (ground.regulator_until_ms, ground.pre_emergence_until_ms), HARMS_BARE_SEED, strict=True
        ):
            if until_ms is not None:
                span = Span(-UNTIL_FOREVER_MS, until_ms)
                found.append(Lock(Verdict.CLOSED, reason, "the end of its time", span))
    return found


def _of_roots(intent: Intent, facts: PassFacts, ground: Ground) -> list[Lock]:
    needed_m = intent.depth_m + CLEARANCE_M
    if not facts.needs_roots or ground.root_depth_m is None or ground.root_depth_m >= needed_m - 1e-9:
        return []
    reason = f"roots end at {ground.root_depth_m * 1000:.0f} mm, the turf would lift"
    return [Lock(Verdict.CLOSED, reason, f"a shallower cut, or roots to {needed_m * 1000:.0f} mm", ALWAYS)]


def _of_data(ground: Ground, now_ms: int) -> list[Lock]:
    """Locks for want of data. They hold for every hour: a forecast that starts from nothing tells nothing."""
    found = []
    if ground.newest_reading_ms is None:
        found.append(Lock(Verdict.UNKNOWN, "no probe has been heard", "a reading", ALWAYS, is_data=True))
    elif now_ms - ground.newest_reading_ms > STALE_H * HOUR_MS:
        hours = (now_ms - ground.newest_reading_ms) // HOUR_MS
        reason = f"nothing heard from the probes for {hours} hours"
        found.append(Lock(Verdict.UNKNOWN, reason, "fresh readings", ALWAYS, is_data=True))
    if ground.doubtful:
        found.append(
            Lock(Verdict.UNKNOWN, f"readings in doubt: {ground.doubtful}", "readings that agree", ALWAYS, is_data=True)
        )
    if ground.carried_since_ms is not None:
        # exactly 48 hours still stands, as every edge does
        span = Span(ground.carried_since_ms + int(CARRIED_H * HOUR_MS) + 1, UNTIL_FOREVER_MS)
        reason = f"thatch carried by {ground.carried_from or 'a guess'} for more than {CARRIED_H:g} hours"
        found.append(Lock(Verdict.UNKNOWN, reason, "the probe put back", span, is_data=True))
    return found


def in_the_way(intent: Intent, buried: Sequence[Buried]) -> tuple[str, ...]:
    """Names of what must be lifted first: anything less than 25 mm below the blades, and not lifted.

    Nothing is in the way of a pass that does not cut, such as dressing (depth 0).
    """
    if intent.depth_m <= 0.0:
        return ()
    return tuple(b.name for b in buried if not b.lifted and b.depth_m < intent.depth_m + CLEARANCE_M - 1e-9)


def fault_of_beginning(intent: Intent, buried: Sequence[Buried]) -> str:
    """Why a pass cannot be marked begun, in words; empty when it can. No override lifts a probe."""
    names = in_the_way(intent, buried)
    if not names:
        return ""
    return f"found {' and '.join(names)} still in the ground, expected them logged as lifted. Lift them first."


def overrides_of(intent: Intent, ground: Ground) -> tuple[Override, ...]:
    """Overrides that name a pass, in the order in which they were written."""
    named = [o for o in ground.overrides if o.kind == intent.kind and o.variant in ("", intent.variant)]
    return tuple(sorted(named, key=lambda o: o.written_at_ms))
