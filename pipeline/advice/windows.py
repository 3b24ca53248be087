"""Verdicts of a pass now and in each hour ahead, open, wait, closed or not known, with reasons and windows of work.

Locks come first, then every condition of the kind of pass against its bounds. The worst counts: closed before not
known, not known before wait, wait before open. What only a person can see is asked for and does not close while nobody
has looked. A person may overrule a verdict with a reason.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.advice.chances import calibrated, open_in, reach_h
from pipeline.advice.conditions import (
    CONDITIONS,
    DEEP_WATERING,
    RAIN,
    RAIN_OR_WATERING,
    RENOVATION_LEAVES_OUT,
    SEEDBED_WARNS,
    WATER_AHEAD,
    Condition,
    Hours,
    Known,
    Plans,
    Row,
    Rule,
    Verdict,
    VerdictArray,
    growth_now,
    next_play_ms,
    verdicts_of,
    worse,
)
from pipeline.advice.healing import GROWTH_ENDS_BELOW
from pipeline.advice.locks import CARRIED_H, Lock, SurfaceState, carried_by, locks, overrides_of
from pipeline.advice.phrases import listed
from pipeline.advice.treatments import TreatmentTable
from pipeline.diary.facts import CLEARANCE_M, Intent, Override, in_the_way
from pipeline.forecast.wetness import DRY_MM_H, WetnessForecast
from pipeline.site.passes import PassFacts
from pipeline.texts import later, say
from pipeline.units import HOUR_MS, BoolArray, FloatArray, TimeArray, TimeSpan

STRONG_GROWTH = 0.7  # above it verticutting may come round in a week: common practice, no source
# Conditions that rest on probes in the ground, and so on their being heard and believed.
PROBED = frozenset(
    c for c in CONDITIONS if c.startswith(("thatch_", "root_zone_", "soil_temperature_", "ground_"))
)  # fmt: skip


@dataclass(frozen=True)
class Judged:
    """One condition through the hours: values, verdicts, whether it is asked, nobody has looked, or it only warns, and
    whether play comes before growth ends."""

    condition: Condition
    row: Row
    values: FloatArray
    verdicts: VerdictArray
    asked: BoolArray
    unseen: BoolArray
    warns: BoolArray
    before_play: BoolArray


@dataclass(frozen=True, slots=True)
class Window:
    """A span through which the verdict and what binds it stay the same.

    Attributes
    ----------
    span : TimeSpan
    verdict : Verdict
    binding : str
        Condition or lock that binds: of the worst the one that lasts longest; empty when it is open.
    reason : str
        Why, in words.
    also : tuple of str
        Whatever else it is not open for as the span begins, what lasts longest first.
    detail : str
        All of it with the figures.
    opens : str
        What would open it: of everything that lasts as long as the longest does, or as anything is known.
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
    also: tuple[str, ...] = ()
    detail: str = ""
    opens: str = ""
    chance: float | None = None
    check_first: tuple[str, ...] = ()
    lift_first: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    override: Override | None = None

    @property
    def every_reason(self) -> str:
        """Return everything it is not open for: `square in season; also soil too cold and thatch too wet`."""
        # Translators: as in "square in season; also soil too cold and thatch too wet"
        told = later("{reason}; also {others}")
        return say(told, reason=self.reason, others=listed(self.also)) if self.also else self.reason


@dataclass(frozen=True)
class Outlook:
    """One pass on one surface, hour by hour from now on.

    Attributes
    ----------
    intent : Intent
    ground : SurfaceState
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
    """Judge a pass on a surface, now and for each hour ahead.

    Parameters
    ----------
    intent : Intent
    table : TreatmentTable
        Of this kind of surface, see `TreatmentTable.for_surface`.
    ground : SurfaceState
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
    stack, names = _stack(judged, locked, at_ms)
    lasting_h = _lasting_h(stack, locked, at_ms)
    rank = worse(stack)
    binding = np.argmax(np.where(rank == rank.max(axis=0), lasting_h, -1.0), axis=0)
    verdicts = stack[binding, np.arange(at_ms.size)]
    binding[verdicts == Verdict.OPEN] = -1
    chance = _chance(judged, hours, stack, first)
    bare = Outlook(intent, ground, facts, at_ms, verdicts, chance, ())
    return replace(bare, windows=_windows(bare, judged, locked, names, binding, lasting_h))


def judge_conditions(
    intent: Intent, table: TreatmentTable, ground: SurfaceState, hours: Hours, plans: Plans
) -> list[Judged]:
    """Return every condition asked of a pass, over all hours given; open in hours in which it is not asked."""
    facts = table.facts[intent.kind]
    rows = table.rows_of(intent.kind, intent.variant)
    if ground.renovation is not None and ("overseeding", "rye", "seedbed_temperature") in table.rows:
        rows["seedbed_temperature"] = table.rows[("overseeding", "rye", "seedbed_temperature")]
    growth = growth_now(hours, plans)
    seedbed = seedbed_decides(facts, rows, ground, plans, hours.at_ms)
    ends_ms = np.inf if plans.growth_end_ms is None else plans.growth_end_ms
    before_play = np.asarray(next_play_ms(plans, hours.at_ms) <= ends_ms)
    judged = []
    for name, row in rows.items():
        condition = CONDITIONS[name]
        asked = _asked(condition, rows, facts, ground, hours.at_ms, growth)
        if not asked.any():
            continue
        values = condition.value(row, hours, plans)
        verdicts = verdicts_of(values, row.bounds)
        unseen = np.zeros(values.shape, dtype=np.bool_)
        if condition.known is Known.SEEN or (ground.thatch_by_eye and name.startswith("thatch_")):
            unseen = (verdicts == Verdict.UNKNOWN) & asked
            verdicts[unseen] = Verdict.OPEN
        verdicts[~asked] = Verdict.OPEN
        judged.append(
            Judged(condition, row, values, verdicts, asked, unseen, seedbed & (name in SEEDBED_WARNS), before_play)
        )
    return judged


def _asked(
    condition: Condition,
    rows: Mapping[str, Row],
    facts: PassFacts,
    ground: SurfaceState,
    at_ms: TimeArray,
    growth: FloatArray,
) -> BoolArray:
    """Return in which hours a condition is asked."""
    strong = growth > STRONG_GROWTH
    held: dict[Rule, BoolArray | bool] = {
        Rule.ALWAYS: True,
        Rule.COOL: ground.grass == "cool",
        Rule.WARM: ground.grass == "warm",
        Rule.CLAY: ground.clay,
        Rule.NO_WATER: not ground.water_to_hand,
        Rule.STRONG_GROWTH: strong,
        Rule.SEEDBED: in_renovation(ground, at_ms) | facts.sows,
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
    """Return in which hours the surface is closed for its autumn renovation. [ms since 1970, UTC]"""
    if ground.renovation is None:
        return np.zeros(at_ms.shape, dtype=np.bool_)
    return np.asarray((at_ms >= ground.renovation.start_ms) & (at_ms < ground.renovation.end_ms))


def seedbed_decides(
    facts: PassFacts, rows: Mapping[str, Row], ground: SurfaceState, plans: Plans, at_ms: TimeArray
) -> BoolArray:
    """Return in which hours the seedbed decides, and growth and light frost only warn. [ms since 1970, UTC]

    In an autumn renovation; and of seed that nobody plays on before growth ends, which has to come up before winter and
    not to be healed by it (Northern Cricket Union 2010 sows from mid September to early October).
    """
    found = in_renovation(ground, at_ms)
    if not facts.sows or "seedbed_temperature" not in rows or plans.growth_end_ms is None:
        return found
    return np.asarray(found | (next_play_ms(plans, at_ms) > plans.growth_end_ms))


def _cut(judged: Judged, first: int) -> Judged:
    each = ("values", "verdicts", "asked", "unseen", "warns", "before_play")
    return replace(judged, **{name: getattr(judged, name)[first:] for name in each})


def _stack(judged: Sequence[Judged], locked: Sequence[Lock], at_ms: TimeArray) -> tuple[VerdictArray, list[str]]:
    """Return the verdicts of locks, then of conditions, shape (lock and condition, hour), and their names."""
    rows, names = [], []
    no_data = np.zeros(at_ms.shape, dtype=np.bool_)
    for lock in locked:
        holds = (at_ms >= lock.span.start_ms) & (at_ms < lock.span.end_ms)
        rows.append(np.where(holds, np.int8(lock.verdict), np.int8(Verdict.OPEN)))
        names.append(lock.name)
        no_data |= holds & lock.is_data
    for each in judged:
        verdicts = each.verdicts.copy()
        if each.condition.name in PROBED:
            verdicts[no_data] = Verdict.OPEN  # what stale probes say counts neither for nor against
        verdicts[each.warns] = Verdict.OPEN
        rows.append(verdicts)
        names.append(each.condition.name)
    return np.asarray(rows, dtype=np.int8), names


def _lasting_h(stack: VerdictArray, locked: Sequence[Lock], at_ms: TimeArray) -> FloatArray:
    """Return for how long each lock, then condition, stays not open from each hour on; 0 where it is open. [h]

    A lock lasts to its own end, a condition as far as the hours go. Shape (lock and condition, hour)
    """
    count = at_ms.size
    hours = np.arange(count)
    opened = np.where(stack == Verdict.OPEN, hours, count)
    following = np.minimum.accumulate(opened[:, ::-1], axis=1)[:, ::-1]
    found = np.asarray(following - hours, dtype=np.float64)
    for i, lock in enumerate(locked):
        ends_h = (lock.span.end_ms - at_ms) / HOUR_MS
        found[i] = np.where(found[i] > 0.0, np.maximum(found[i], ends_h), 0.0)
    return found


def _chance(judged: Sequence[Judged], hours: Hours, stack: VerdictArray, first: int) -> FloatArray:
    """Return the chance that all that the weather decides is open, 0 where another condition is not open. [1]

    NaN where there are no courses, or none of the conditions is asked of them.
    """
    count = stack.shape[1]
    chance, firm = np.full(count, np.nan), stack.copy()
    courses = hours.courses
    if courses is None:
        return chance
    begin = int((courses.first_ms - hours.at_ms[first]) // HOUR_MS)
    if begin != 0:
        raise ValueError(f"courses: found them to begin {begin} hours from now, expected now")
    offset = stack.shape[0] - len(judged)
    reach = min(courses.rain_mm.shape[0], count)
    good: BoolArray = np.ones((reach, courses.rain_mm.shape[1]), dtype=np.bool_)
    known, decided = np.ones(reach, dtype=np.bool_), np.zeros(reach, dtype=np.bool_)
    for i, each in enumerate(judged):
        name, row = each.condition.name, each.row
        is_open = open_in(name, row, each.values, hours, courses)
        if is_open is None:
            continue
        # not taken out by renovation, for want of data, or because nobody has looked
        asked = each.asked[:reach] & ~each.unseen[:reach] & ~each.warns[:reach]
        asked &= stack[offset + i, :reach] == each.verdicts[:reach]
        known[reach_h(name, row, courses) :] &= ~asked[reach_h(name, row, courses) :]
        known &= ~asked | (each.verdicts[:reach] != Verdict.UNKNOWN)
        good &= is_open | ~asked[:, np.newaxis]
        decided |= asked
        firm[offset + i, :reach] = np.where(asked, Verdict.OPEN, firm[offset + i, :reach])
    shut = (firm[:, :reach] != Verdict.OPEN).any(axis=0)
    share = np.where(shut, 0.0, calibrated(good.mean(axis=1), courses.foretold_h))
    chance[:reach] = np.where(known & decided, share, np.nan)
    return chance


def _windows(
    bare: Outlook, judged: Sequence[Judged], locked: Sequence[Lock], names: Sequence[str],
    binding: npt.NDArray[np.intp], lasting_h: FloatArray,
) -> tuple[Window, ...]:  # fmt: skip
    words = overrides_of(bare.intent, bare.ground)
    by_word = _by_word(words, bare.at_ms)
    keys = np.vstack([bare.verdicts, binding, by_word, *(j.unseen for j in judged)])
    starts = [0, *(np.flatnonzero((keys[:, 1:] != keys[:, :-1]).any(axis=0)) + 1).tolist()]
    found = []
    for start, end in zip(starts, [*starts[1:], bare.at_ms.size], strict=True):
        span = TimeSpan(int(bare.at_ms[start]), int(bare.at_ms[end - 1]) + HOUR_MS)
        window = _bound_by(bare, judged, locked, names, int(binding[start]), start, lasting_h[:, start])
        window = replace(
            window,
            span=span,
            chance=_mean(bare.chance[start:end]),
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
    """Return which override holds in each hour, the latest written; -1 where none does."""
    found = np.full(at_ms.shape, -1, dtype=np.int64)
    for i, override in enumerate(words):
        found[(at_ms >= override.span.start_ms) & (at_ms < override.span.end_ms)] = i
    return found


def _bound_by(
    bare: Outlook, judged: Sequence[Judged], locked: Sequence[Lock], names: Sequence[str], index: int, hour: int,
    lasting_h: FloatArray,
) -> Window:  # fmt: skip
    """Return verdict and reasons of one hour."""
    span, verdict = TimeSpan(0, 0), Verdict(int(bare.verdicts[hour]))
    if index < 0:
        return Window(span, verdict)
    shut = [i for i in np.argsort(-lasting_h, kind="stable").tolist() if lasting_h[i] > 0.0]
    every = {i: _why_shut(bare, judged, locked, i, hour) for i in shut}
    longest_h = min(float(lasting_h.max()), float(bare.at_ms.size - hour))
    opens = listed(list(dict.fromkeys(every[i][2] for i in shut if lasting_h[i] >= longest_h and every[i][2])))
    note = "" if index < len(locked) else bare.facts.wait_notes.get(names[index], "")
    if verdict is Verdict.WAIT and note:
        # Translators: as in "drying days; meanwhile one direction only"
        opens = say("{opens}; meanwhile {note}", opens=opens, note=say(note))
    reason, others = every[index][0], [i for i in shut if i != index]
    also = dict.fromkeys(every[i][0] for i in others if every[i][0] != reason)
    detail, *details = dict.fromkeys(every[i][1] for i in (index, *others))
    for each in details:
        # Translators: one reason after another
        detail = say("{first}; {next}", first=detail, next=each)
    return Window(span, verdict, names[index], reason, tuple(also), detail, opens)


# What a dry ground waits for where no water can be put on.
_WITHOUT_WATER = {WATER_AHEAD: RAIN, DEEP_WATERING: RAIN, RAIN_OR_WATERING: RAIN}


def _why_shut(
    bare: Outlook, judged: Sequence[Judged], locked: Sequence[Lock], index: int, hour: int
) -> tuple[str, str, str]:
    """Return why a lock or a condition is not open in an hour, as `why` does."""
    if index < len(locked):
        lock = locked[index]
        return lock.reason, lock.reason, lock.opens
    ground = bare.ground
    return why(judged[index - len(locked)], hour, has_water=ground.water_to_hand and not ground.hosepipe_limit)


TOO_LITTLE_BEFORE_PLAY = later("not enough growth before play to heal"), later("a longer gap in the fixtures")
_WANTED = {
    # Translators: a condition that does not hold, its value and unit, as in "soil too cold: 6 degC, wanted 10 or more"
    (True, True): later("{words}: {value:.3g} {unit}, wanted {bound:.3g} or more"),
    (False, True): later("{words}: {value:.3g} {unit}, wanted {bound:.3g} or less"),
    (True, False): later("{words}: {value:.3g}, wanted {bound:.3g} or more"),
    (False, False): later("{words}: {value:.3g}, wanted {bound:.3g} or less"),
}  # by whether it is too low, and whether it has a unit


def why(judged: Judged, hour: int, *, has_water: bool = True) -> tuple[str, str, str]:
    """Return why a condition is not open in an hour: in words, with its figures, and what would open it.

    `hour` counts from the first of the hours judged. [h] Where there is no water to put on, rain has to open it.
    """
    condition, bounds, value = judged.condition, judged.row.bounds, float(judged.values[hour])
    if np.isnan(value):
        # Translators: what is a condition of a pass, as "thatch wetness"
        words = say("{what} is not known", what=say(condition.title))
        return words, words, say("a reading or a forecast of it")
    low = value < bounds.open_lo
    words, opens = (condition.low, condition.low_opens) if low else (condition.high, condition.high_opens)
    if condition.name == "growth_to_come" and judged.before_play[hour]:
        words, opens = TOO_LITTLE_BEFORE_PLAY
    opens = opens if has_water else _WITHOUT_WATER.get(opens, opens)
    words, unit, bound = say(words), condition.unit, bounds.open_lo if low else bounds.open_hi
    detail = say(_WANTED[low, bool(unit)], words=words, value=value, unit=say(unit), bound=bound)
    return words, detail, say(opens)


def _checks(bare: Outlook, judged: Sequence[Judged], hour: int) -> tuple[str, ...]:
    checks = [say(j.condition.check) for j in judged if j.unseen[hour]]
    if bare.facts.needs_roots and bare.ground.root_depth_m is None:
        # Translators: what to look for before the work
        checks.append(say("roots deeper than {depth:.0f} mm", depth=(bare.intent.depth_m + CLEARANCE_M) * 1000))
    if bare.facts.look_first:
        checks.append(say(bare.facts.look_first))
    return tuple(checks)


def _warnings(bare: Outlook, judged: Sequence[Judged], span: TimeSpan, hour: int) -> tuple[str, ...]:
    ground = bare.ground
    found: list[str] = []
    against = [j for j in judged if j.warns[hour] and j.verdicts[hour] != Verdict.OPEN]
    if against:
        instead = say("sow more") if bare.facts.sows else say("go shallower and sow more")
        found = [*(why(j, hour)[1] for j in against), instead]
    if ground.kind == "square" and bare.facts.square_caution:
        found.append(say(bare.facts.square_caution))
    if ground.carried_since_ms is not None and span.start_ms <= ground.carried_since_ms + CARRIED_H * HOUR_MS:
        # Translators: what stands for the readings of a probe that was lifted
        found.append(say("thatch wetness is carried by {what}, not measured", what=carried_by(ground)))
    return tuple(found)


def join_outlooks(each: Sequence[tuple[str, Outlook]]) -> Outlook:
    """Return one outlook from those of several stations on the same pass.

    Parameters
    ----------
    each : sequence of (str, Outlook)
        Name of the station in words, and its outlook; all over the same hours, one or more.

    Returns
    -------
    Outlook
        Open only where all are. Of stations that are equally bad the first is told.
    """
    if len(each) == 1:
        return each[0][1]
    outlooks = [one for _, one in each]
    first = outlooks[0]
    hours = first.at_ms.size
    index = np.stack([_window_index(one) for one in outlooks])
    effective = np.stack(
        [
            np.array([one.windows[i].verdict for i in row], dtype=np.int8)
            for one, row in zip(outlooks, index, strict=True)
        ]
    )
    station = np.argmax(worse(effective), axis=0)
    raw = np.stack([one.verdicts for one in outlooks])
    keys = np.stack([station, *index])
    starts = [0, *(np.flatnonzero((keys[:, 1:] != keys[:, :-1]).any(axis=0)) + 1).tolist()]
    chance = np.fmin.reduce([one.chance for one in outlooks])
    windows = []
    for start, end in zip(starts, [*starts[1:], hours], strict=True):
        here = [one.windows[row[start]] for one, row in zip(outlooks, index, strict=True)]
        chosen = int(station[start])
        windows.append(
            _told(
                here,
                chosen,
                each[chosen][0],
                TimeSpan(int(first.at_ms[start]), int(first.at_ms[end - 1]) + HOUR_MS),
                _mean(chance[start:end]),
            )
        )
    verdicts = raw[np.argmax(worse(raw), axis=0), np.arange(hours)]
    return replace(first, verdicts=verdicts, chance=chance, windows=_merged(windows))


def _window_index(outlook: Outlook) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Return which window each hour lies in."""
    starts = np.array([w.span.start_ms for w in outlook.windows], dtype=np.int64)
    return np.asarray(np.searchsorted(starts, outlook.at_ms, side="right") - 1, dtype=np.int64)


def _told(here: Sequence[Window], chosen: int, name: str, span: TimeSpan, chance: float | None) -> Window:
    worst = here[chosen]
    checks = dict.fromkeys(c for w in here for c in w.check_first)
    lifts = dict.fromkeys(n for w in here for n in w.lift_first)
    warnings = dict.fromkeys(t for w in here for t in w.warnings)
    alone = worst.verdict is not Verdict.OPEN and any(w.reason != worst.reason for w in here)
    also = dict.fromkeys((*worst.also, *(r for w in here for r in (w.reason, *w.also) if r and r != worst.reason)))
    reason, detail = (_of_one(t, name) if alone and t else t for t in (worst.reason, worst.detail))
    return replace(
        worst,
        span=span,
        chance=chance,
        reason=reason,
        also=() if worst.verdict is Verdict.OPEN else tuple(also),
        detail=detail,
        check_first=tuple(checks),
        lift_first=tuple(lifts),
        warnings=tuple(warnings),
    )


def _of_one(reason: str, station: str) -> str:
    # Translators: a reason that holds at one station: "thatch too wet (Square, south end)"
    return say("{reason} ({station})", reason=reason, station=station)


def _merged(windows: Sequence[Window]) -> tuple[Window, ...]:
    """Return the windows with equal neighbours made one."""
    found: list[Window] = []
    for window in windows:
        last = found[-1] if found else None
        if last is not None and replace(window, span=last.span, chance=last.chance, also=last.also) == last:
            weights = [w.span.end_ms - w.span.start_ms for w in (last, window)]
            known = [(w.chance, n) for w, n in zip((last, window), weights, strict=True) if w.chance is not None]
            chance = sum(c * n for c, n in known) / sum(n for _, n in known) if known else None
            found[-1] = replace(last, span=TimeSpan(last.span.start_ms, window.span.end_ms), chance=chance)
        else:
            found.append(window)
    return tuple(found)


def _mean(chance: FloatArray) -> float | None:
    known = chance[np.isfinite(chance)]
    return float(known.mean()) if known.size else None


def in_work_hours(outlook: Outlook, zone: datetime.tzinfo, work_hours: tuple[int, int]) -> Outlook:
    """Return an outlook whose windows are cut to the hours of work, from the first up to the second. Local [h]

    Verdicts and chances by the hour stay. Nights fall out between the windows, so that none promises one.
    """
    work, _ = _work_hours(outlook, zone, work_hours)
    index = _window_index(outlook)
    windows = []
    for i, window in enumerate(outlook.windows):
        hours = np.flatnonzero(work & (index == i))
        for run in np.split(hours, np.flatnonzero(np.diff(hours) != 1) + 1):
            if run.size:
                span = TimeSpan(int(outlook.at_ms[run[0]]), int(outlook.at_ms[run[-1]]) + HOUR_MS)
                windows.append(replace(window, span=span, chance=_mean(outlook.chance[run])))
    return replace(outlook, windows=tuple(windows)) if windows else outlook


JOINED_H = 8  # so many hours of work lost to dew or a shower do not end a spell: our own choice


@dataclass(frozen=True, slots=True)
class WorkWindow:
    """Hours of work in which a pass is open, over one or more days.

    Attributes
    ----------
    span : TimeSpan
        From the first to the last open hour.
    first_work_ms : int or None
        Begin of the first day's hours of work that are long enough; None when none are. [ms since 1970, UTC]
    chance : float or None
        That it is open, over the open hours of its first day. [1] None where nothing tells.
    to_the_end : bool
        It lasts as long as the outlook does, or as anything is known.
    lift_first : tuple of str
    after : str
        What ends it, in words; empty when not known.
    """

    span: TimeSpan
    first_work_ms: int | None
    chance: float | None
    to_the_end: bool
    lift_first: tuple[str, ...] = ()
    after: str = ""


def verdicts_by_hour(outlook: Outlook) -> VerdictArray:
    """Return the verdict of each hour, overrides applied. Shape (hour,)"""
    found = outlook.verdicts.copy()
    for window in outlook.windows:
        found[_rows(outlook, window.span)] = np.int8(window.verdict)
    return found


def verdict_now(outlook: Outlook) -> Verdict:
    """Return the verdict of the first hour, overrides applied."""
    first = outlook.windows[0]
    return first.verdict if first.span.start_ms <= int(outlook.at_ms[0]) else Verdict(int(outlook.verdicts[0]))


def dry_hours(outlook: Outlook, forecasts: Sequence[WetnessForecast]) -> BoolArray:
    """Return which hours are dry by every forecast that covers them; True where none does. Shape (hour,)"""
    dry = np.ones(outlook.at_ms.shape, dtype=np.bool_)
    for forecast in forecasts:
        if forecast.rain_mm.shape[1]:
            rain = dict(zip(forecast.at_ms.tolist(), forecast.rain_mm.mean(axis=1).tolist(), strict=False))
            hours = outlook.at_ms // HOUR_MS * HOUR_MS
            dry &= np.array([rain.get(int(at), 0.0) < DRY_MM_H for at in hours], dtype=np.bool_)
    return dry


def work_windows(
    outlook: Outlook, zone: datetime.tzinfo, *, work_hours: tuple[int, int], work_h: float, dry: BoolArray | None = None
) -> list[WorkWindow]:
    """Return the windows of work of a pass, from now on.

    Parameters
    ----------
    outlook : Outlook
    zone : tzinfo
        Of the site.
    work_hours : (int, int)
        Local hours in which a job can be done, from the first up to the second.
    work_h : float
        Dry open hours in a row that make a day of work. [h]
    dry : ndarray of bool, shape (hour,), optional
        See `dry_hours`.
    """
    in_hours, day = _work_hours(outlook, zone, work_hours)
    work = np.flatnonzero(in_hours)
    verdicts = verdicts_by_hour(outlook)[work]
    opened = np.flatnonzero(verdicts == Verdict.OPEN)
    if not opened.size:
        return []
    workable = np.ones(work.shape, dtype=np.bool_) if dry is None else dry[work]
    days = day[work]
    unknown = np.cumsum(verdicts == Verdict.UNKNOWN)
    breaks = np.flatnonzero((np.diff(opened) > JOINED_H + 1) | (np.diff(unknown[opened]) > 0)) + 1
    found = []
    for part in np.split(opened, breaks):
        first, last = int(part[0]), int(part[-1])
        first_day = outlook.chance[work[part[days[part] == days[first]]]]
        run = _first_run(part, workable, days, work_h)
        found.append(
            WorkWindow(
                TimeSpan(int(outlook.at_ms[work[first]]), int(outlook.at_ms[work[last]]) + HOUR_MS),
                None if run is None else int(outlook.at_ms[work[run]]),
                _mean(first_day),
                work.size - 1 - last <= JOINED_H or bool(verdicts[last + 1] == Verdict.UNKNOWN),
                _window_at(outlook, int(work[first])).lift_first,
                _after(outlook, work[last + 1 :], verdicts[last + 1 :]),
            )
        )
    return found


def _after(outlook: Outlook, work: npt.NDArray[np.intp], verdicts: VerdictArray) -> str:
    """Return why the hours of work after a window are not open: what closes them, before what waits."""
    shut = work[:JOINED_H][verdicts[:JOINED_H] == Verdict.CLOSED]
    row = shut[0] if shut.size else (work[0] if work.size else None)
    return "" if row is None else _window_at(outlook, int(row)).reason


def _first_run(
    part: npt.NDArray[np.intp], workable: BoolArray, days: npt.NDArray[np.int64], work_h: float
) -> int | None:
    """Return the place of the first of enough dry open hours of work in a row, within one day."""
    run: list[int] = []
    for i in part.tolist():
        follows = bool(run) and i == run[-1] + 1 and days[i] == days[run[-1]]
        run = ([*run, i] if follows else [i]) if workable[i] else []
        if run and len(run) >= work_h:
            return run[0]
    return None


def work_left_h(spell: WorkWindow, outlook: Outlook, zone: datetime.tzinfo, work_hours: tuple[int, int]) -> float:
    """Return the open hours of work left in a window. [h]"""
    opened = verdicts_by_hour(outlook) == Verdict.OPEN
    work, _ = _work_hours(outlook, zone, work_hours)
    return float((opened & work & _rows(outlook, spell.span)).sum())


def _work_hours(
    outlook: Outlook, zone: datetime.tzinfo, work_hours: tuple[int, int]
) -> tuple[BoolArray, npt.NDArray[np.int64]]:
    """Return which hours are hours of work, from the first up to the second, and the local day of each."""
    local = [datetime.datetime.fromtimestamp(at / 1000, zone) for at in outlook.at_ms.tolist()]
    begin, end = work_hours
    return np.array([begin <= at.hour < end for at in local]), np.array([at.toordinal() for at in local])


def _rows(outlook: Outlook, span: TimeSpan) -> BoolArray:
    return np.asarray((outlook.at_ms >= span.start_ms) & (outlook.at_ms < span.end_ms))


def _window_at(outlook: Outlook, row: int) -> Window:
    """Return the window an hour lies in; where windows are cut to the hours of work, the next one after it."""
    at_ms = int(outlook.at_ms[row])
    return next((w for w in outlook.windows if at_ms < w.span.end_ms), outlook.windows[-1])
