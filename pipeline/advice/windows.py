"""Whether a pass may be made: now and in each hour to come, open, wait, closed or not to be told, and why.

Locks come first, then every condition of the kind of pass against its bounds. One that closes closes; else one that is
not known leaves it open to nobody; else one that waits waits. What only a person can see is asked for and does not
close while nobody has looked. This module must not decide for the groundsman: it gives reasons, and he may overrule it
with one of his own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from pipeline.advice.condition_values import Hours, Plans, growth_now, measure
from pipeline.advice.conditions import (
    CONDITIONS,
    RENOVATION_LEAVES_OUT,
    RENOVATION_WARNS,
    Condition,
    Known,
    Rule,
    Verdict,
    VerdictArray,
    judge_all,
    worse,
)
from pipeline.advice.healing import GROWTH_ENDS_BELOW
from pipeline.advice.locks import (
    CARRIED_H,
    Lock,
    SurfaceState,
    locks,
    overrides_of,
)
from pipeline.advice.treatments import (
    Row,
    TreatmentTable,
)
from pipeline.diary.facts import (
    CLEARANCE_M,
    Intent,
    Override,
    in_the_way,
)
from pipeline.site.models import (
    Bounds,
    PassFacts,
)
from pipeline.units import (
    HOUR_MS,
    BoolArray,
    FloatArray,
    TimeArray,
    TimeSpan,
)

STRONG_GROWTH = 0.7  # above it verticutting may come round in a week: common practice, no source
# Conditions that rest on probes in the ground, and so on their being heard and believed.
PROBED = frozenset(
    c for c in CONDITIONS if c.startswith(("thatch_", "root_zone_", "soil_temperature_", "ground_"))
)  # fmt: skip


@dataclass(frozen=True)
class Judged:
    """One condition through the hours: its values, its verdicts, and whether nobody has looked."""

    condition: Condition
    row: Row
    values: FloatArray
    verdicts: VerdictArray
    unseen: BoolArray


@dataclass(frozen=True, slots=True)
class Window:
    """A span through which the verdict and what binds it stay the same.

    Attributes
    ----------
    span : Span
    verdict : Verdict
    binding : str
        Condition or lock that binds; empty when it is open.
    reason, detail, opens : str
        Why, in words; with the figures; and what would open it.
    chance : float or None
        That it is open, over the span, when the hours tell their spread. [1]
    check_first, lift_first, warnings : tuple of str
        What only eyes can tell; what lies in the way of the blades; what speaks against it without closing it.
    override : Override or None
        That opened it; `reason` then says what it overrules.
    """

    span: TimeSpan
    verdict: Verdict
    binding: str = ""
    reason: str = ""
    detail: str = ""
    opens: str = ""
    chance: float | None = None
    check_first: tuple[str, ...] = ()
    lift_first: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    override: Override | None = None


@dataclass(frozen=True)
class Outlook:
    """One pass on one surface, hour by hour from now on.

    Attributes
    ----------
    intent : Intent
    ground : Ground
    facts : PassFacts
    at_ms : ndarray of int64, shape (hour,)
    verdicts : ndarray of int8, shape (hour,)
        Numbers of `Verdict`, before any override.
    chance : ndarray, shape (hour,)
        That it is open. [1] NaN where the hours tell no spread.
    windows : tuple of Window
        The same in spans, overrides applied.
    """

    intent: Intent
    ground: SurfaceState
    facts: PassFacts
    at_ms: TimeArray
    verdicts: VerdictArray
    chance: FloatArray
    windows: tuple[Window, ...]


def outlook(
    intent: Intent, table: TreatmentTable, ground: SurfaceState, hours: Hours, plans: Plans, *, now_ms: int
) -> Outlook:
    """Judge a pass on a surface, now and for each hour to come.

    Parameters
    ----------
    intent : Intent
    table : TreatmentTable
        Of this kind of surface, see `TreatmentTable.for_surface`.
    ground : Ground
    hours : Hours
        Reaching back a week, so that what lies behind is known.
    plans : Plans
        Jobs of this kind of pass.
    now_ms : int
        [ms since 1970, UTC] The hour it falls in is the first.

    Raises
    ------
    ValueError
        There is no such pass or variant, or now lies outside the hours.
    """
    facts = table.facts.get(intent.kind)
    if facts is None or intent.variant not in facts.variants:
        known = ", ".join(table.facts) if facts is None else ", ".join(facts.variants)
        raise ValueError(f"pass: found {intent.kind} {intent.variant}, expected one of {known}")
    first = int((now_ms // HOUR_MS * HOUR_MS - hours.at_ms[0]) // HOUR_MS)
    if not 0 <= first < hours.at_ms.size:
        raise ValueError(f"now: found {now_ms}, expected a time within the hours given")
    judged = [_cut(j, first) for j in judge_conditions(intent, table, ground, hours, plans)]
    at_ms = hours.at_ms[first:]
    locked = locks(intent, facts, ground, now_ms)
    stack, names = _stack(judged, locked, at_ms, ground)
    rank = worse(stack)
    binding = np.argmax(rank, axis=0)
    verdicts = stack[binding, np.arange(at_ms.size)]
    binding[verdicts == Verdict.OPEN] = -1
    chance = _chance(judged, hours, stack, first)
    bare = Outlook(intent, ground, facts, at_ms, verdicts, chance, ())
    return replace(bare, windows=_windows(bare, judged, locked, names, binding))


def judge_conditions(
    intent: Intent, table: TreatmentTable, ground: SurfaceState, hours: Hours, plans: Plans
) -> list[Judged]:
    """Every condition that is asked of a pass, over all hours given; those not asked in an hour are open in it."""
    facts = table.facts[intent.kind]
    rows = table.rows_of(intent.kind, intent.variant)
    if ground.renovation is not None and ("overseeding", "rye", "seedbed_temperature") in table.rows:
        rows["seedbed_temperature"] = table.rows[("overseeding", "rye", "seedbed_temperature")]
    growth = growth_now(hours, plans)
    judged = []
    for name, row in rows.items():
        condition = CONDITIONS[name]
        asked = _asked(condition, rows, facts, ground, hours.at_ms, growth)
        if not asked.any():
            continue
        values = measure(name, row, hours, plans)
        verdicts = judge_all(values, row.bounds)
        unseen = np.zeros(values.shape, dtype=np.bool_)
        if condition.known is Known.SEEN or (ground.thatch_by_eye and name.startswith("thatch_")):
            unseen = (verdicts == Verdict.UNKNOWN) & asked
            verdicts[unseen] = Verdict.OPEN
        verdicts[~asked] = Verdict.OPEN
        judged.append(Judged(condition, row, values, verdicts, unseen))
    return judged


def _asked(
    condition: Condition,
    rows: Mapping[str, Row],
    facts: PassFacts,
    ground: SurfaceState,
    at_ms: TimeArray,
    growth: FloatArray,
) -> BoolArray:
    """In which hours a condition is asked at all."""
    strong = growth > STRONG_GROWTH
    held: dict[Rule, BoolArray | bool] = {
        Rule.ALWAYS: True,
        Rule.COOL: ground.grass == "cool",
        Rule.WARM: ground.grass == "warm",
        Rule.CLAY: ground.clay,
        Rule.NO_WATER: not ground.water_to_hand,
        Rule.STRONG_GROWTH: strong,
        Rule.RENOVATION: in_renovation(ground, at_ms),
    }
    asked = np.broadcast_to(np.asarray(held[condition.rule]), at_ms.shape).copy()
    if condition.name == "interval" and "interval_strong_growth" in rows:
        asked &= ~strong
    if condition.name == "growth_to_come" and facts.heals_out_of_growth:
        asked &= ~(growth < GROWTH_ENDS_BELOW)
    if condition.name in RENOVATION_LEAVES_OUT:
        asked &= ~in_renovation(ground, at_ms)
    return asked


def in_renovation(ground: SurfaceState, at_ms: TimeArray) -> BoolArray:
    """In which hours the surface lies closed for its autumn renovation."""
    if ground.renovation is None:
        return np.zeros(at_ms.shape, dtype=np.bool_)
    return np.asarray((at_ms >= ground.renovation.start_ms) & (at_ms < ground.renovation.end_ms))


def _cut(judged: Judged, first: int) -> Judged:
    return replace(judged, values=judged.values[first:], verdicts=judged.verdicts[first:], unseen=judged.unseen[first:])


def _stack(
    judged: Sequence[Judged], locked: Sequence[Lock], at_ms: TimeArray, ground: SurfaceState
) -> tuple[VerdictArray, list[str]]:
    """Verdicts of locks, then of conditions. Shape (lock and condition, hour), with their names."""
    rows, names = [], []
    no_data = np.zeros(at_ms.shape, dtype=np.bool_)
    for lock in locked:
        holds = (at_ms >= lock.span.start_ms) & (at_ms < lock.span.end_ms)
        rows.append(np.where(holds, np.int8(lock.verdict), np.int8(Verdict.OPEN)))
        names.append(lock.reason)
        no_data |= holds & lock.is_data
    renovation = in_renovation(ground, at_ms)
    for each in judged:
        verdicts = each.verdicts.copy()
        if each.condition.name in PROBED:
            verdicts[no_data] = Verdict.OPEN  # what stale probes say counts neither for nor against
        if each.condition.name in RENOVATION_WARNS:
            verdicts[renovation] = Verdict.OPEN
        rows.append(verdicts)
        names.append(each.condition.name)
    return np.asarray(rows, dtype=np.int8), names


def _chance(judged: Sequence[Judged], hours: Hours, stack: VerdictArray, first: int) -> FloatArray:
    """Chance that it is open: of the weakest condition that tells its spread, 0 where another is not open."""
    chance = np.full(stack.shape[1], np.nan)
    firm = stack.copy()
    offset = stack.shape[0] - len(judged)
    for i, each in enumerate(judged):
        spread = hours.spread.get(each.condition.name)
        if spread is None:
            continue
        asked = stack[offset + i] == each.verdicts  # not taken out by renovation or for want of data
        own = open_chance(each.values, spread[first:], each.row.bounds)
        chance = np.where(asked, np.fmin(chance, own), chance)
        firm[offset + i] = np.where(np.isnan(own), firm[offset + i], Verdict.OPEN)
    shut = (firm != Verdict.OPEN).any(axis=0)
    return np.asarray(np.where(np.isnan(chance), np.nan, np.where(shut, 0.0, chance)), dtype=np.float64)


def open_chance(values: FloatArray, spread: FloatArray, bounds: Bounds) -> FloatArray:
    """Chance that a normal value lies within the open bounds. [1] NaN where value or spread is not known."""
    with np.errstate(divide="ignore", invalid="ignore"):
        high = np.asarray((bounds.open_hi - values) / spread)
        low = np.asarray((bounds.open_lo - values) / spread)
    certain = judge_all(values, bounds) == Verdict.OPEN
    chance = np.where(spread > 0.0, ndtr(high) - ndtr(low), np.where(certain, 1.0, 0.0))
    return np.asarray(np.where(np.isnan(values) | np.isnan(spread), np.nan, chance), dtype=np.float64)


def _windows(
    bare: Outlook,
    judged: Sequence[Judged],
    locked: Sequence[Lock],
    names: Sequence[str],
    binding: npt.NDArray[np.intp],
) -> tuple[Window, ...]:
    words = overrides_of(bare.intent, bare.ground)
    by_word = _by_word(words, bare.at_ms)
    keys = np.vstack([bare.verdicts, binding, by_word, *(j.unseen for j in judged)])
    starts = [0, *(np.flatnonzero((keys[:, 1:] != keys[:, :-1]).any(axis=0)) + 1).tolist()]
    found = []
    for start, end in zip(starts, [*starts[1:], bare.at_ms.size], strict=True):
        span = TimeSpan(int(bare.at_ms[start]), int(bare.at_ms[end - 1]) + HOUR_MS)
        window = _bound_by(bare, judged, locked, names, int(binding[start]), start)
        known = bare.chance[start:end][np.isfinite(bare.chance[start:end])]
        window = replace(
            window,
            span=span,
            chance=float(known.mean()) if known.size else None,
            check_first=_checks(bare, judged, start),
            lift_first=in_the_way(bare.intent, bare.ground.buried),
            warnings=_warnings(bare, judged, span, start),
        )
        override = words[by_word[start]] if by_word[start] >= 0 else None
        if override is not None and window.verdict is not Verdict.OPEN:
            window = replace(window, verdict=Verdict.OPEN, override=override)
        found.append(window)
    return tuple(found)


def _by_word(words: Sequence[Override], at_ms: TimeArray) -> npt.NDArray[np.int64]:
    """Which override holds in each hour, the latest written; -1 where none does."""
    found = np.full(at_ms.shape, -1, dtype=np.int64)
    for i, override in enumerate(words):
        found[(at_ms >= override.span.start_ms) & (at_ms < override.span.end_ms)] = i
    return found


def _bound_by(
    bare: Outlook, judged: Sequence[Judged], locked: Sequence[Lock], names: Sequence[str], index: int, hour: int
) -> Window:
    """Verdict and reason of one hour."""
    span, verdict = TimeSpan(0, 0), Verdict(int(bare.verdicts[hour]))
    if index < 0:
        return Window(span, verdict)
    if index < len(locked):
        lock = locked[index]
        return Window(span, verdict, names[index], lock.reason, lock.reason, lock.opens)
    each = judged[index - len(locked)]
    reason, detail, opens = why(each, hour)
    note = bare.facts.wait_notes.get(each.condition.name, "")
    if verdict is Verdict.WAIT and note:
        opens = f"{opens}; meanwhile {note}"
    return Window(span, verdict, names[index], reason, detail, opens)


def why(judged: Judged, hour: int) -> tuple[str, str, str]:
    """Why a condition is not open in an hour: in words, with its figures, and what would open it."""
    condition, bounds, value = judged.condition, judged.row.bounds, float(judged.values[hour])
    if np.isnan(value):
        what = condition.name.replace("_", " ")
        return f"{what} is not known", f"{what} is not known", "a reading or a forecast of it"
    low = value < bounds.open_lo
    words, opens = (condition.low, condition.low_opens) if low else (condition.high, condition.high_opens)
    wanted = f"{bounds.open_lo:.3g} or more" if low else f"{bounds.open_hi:.3g} or less"
    unit = f" {condition.unit}" if condition.unit else ""
    return words, f"{words}: {value:.3g}{unit}, wanted {wanted}", opens


def _checks(bare: Outlook, judged: Sequence[Judged], hour: int) -> tuple[str, ...]:
    checks = [j.condition.check for j in judged if j.unseen[hour]]
    if bare.facts.needs_roots and bare.ground.root_depth_m is None:
        checks.append(f"roots deeper than {(bare.intent.depth_m + CLEARANCE_M) * 1000:.0f} mm")
    return tuple(checks)


def _warnings(bare: Outlook, judged: Sequence[Judged], span: TimeSpan, hour: int) -> tuple[str, ...]:
    ground = bare.ground
    found = []
    if in_renovation(ground, bare.at_ms[hour : hour + 1])[0]:
        against = [j for j in judged if j.condition.name in RENOVATION_WARNS and j.verdicts[hour] != Verdict.OPEN]
        found = [why(j, hour)[1] for j in against] + (["go shallower and sow more"] if against else [])
    if ground.carried_since_ms is not None and span.start_ms <= ground.carried_since_ms + CARRIED_H * HOUR_MS:
        found.append(f"thatch wetness is carried by {ground.carried_from or 'a guess'}, not measured")
    return tuple(found)
