"""The field check of probes on a page: each step ticked by itself from what the probe says while somebody looks at it.

A probe that is new is held in air, stood in water, pushed in where it will stay, and a cup of water is poured over it.
`advance` takes one live reading further and is pure; `FieldChecks` keeps one check a probe. The sums and their bounds
are in `hardware.field_check`; how many readings must agree is our own choice.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Literal, get_args

from hardware.field_check import (
    BEFORE,
    GROUND_SHARE,
    POUR_FOR_S,
    OrderFound,
    answer_rise,
    by_depth,
    order_found,
    ran_down,
    span_in,
    way_to_water,
)
from hardware.probe import Channel
from hardware.reading import LiveReading, Status

CheckStep = Literal["line", "air", "water", "ground", "cup"]
STEPS: tuple[CheckStep, ...] = get_args(CheckStep)
AGREEING = 3  # readings that must be where a step wants them
LEFT_SHARE = 0.9  # of the way from air to water: below it a channel has left the water
RECENT = 24  # readings kept to be drawn
DOUBT_AFTER = 6  # readings in a step after which what stands still elsewhere is named
LATE_S = 60.0  # after a depth has answered the one above it should have
LOOKED_FOR_S, ASK_EVERY_S = 1800.0, 20.0  # a phone in the pocket does not look on by itself

CheckDoubt = Literal["silent", "two_at_one", "line_away", "no_value", "elsewhere", "in_air", "swapped", "dry", "gap"]


@dataclass(frozen=True, slots=True)
class DoubtFound:
    """Something wrong that the last readings show: of the probe, or of one of its channels, and beside another one.

    Of one that stands `elsewhere`, what it reads and what it should read at lowest and highest. [as heard]
    """

    doubt: CheckDoubt
    channel: str = ""
    other: str = ""
    value: float | None = None
    span: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class LivePoint:
    """One live reading: when it came [ms since 1970, UTC] and the value of each channel, None for none. [as heard]"""

    at_ms: int
    values: Mapping[str, float | None]


@dataclass(frozen=True, slots=True)
class ProbeCheck:
    """How far the check of a probe, `station/probe`, is. [ms since 1970, UTC], [values as heard]

    Attributes
    ----------
    done_ms : mapping of step to int
        When each step was ticked.
    in_a_row : mapping of str to int
        How often in a row each channel has read what the step wants.
    air, water : mapping of str to float
        What each channel read there, once it was ticked.
    has_moved : bool
        It has left the water since.
    quiet : mapping of str to pair
        Lowest and highest of each channel pushed in, before the cup, and `quiet_n` how many readings that is.
    rose_ms : mapping of str to int
        When each depth answered the cup.
    recent : tuple of LivePoint
        The last readings, the newest last; `step_n` how many came in this step, at most `RECENT`.
    statuses : mapping of str to str
        Of the last reading.
    taken_ms : int or None
        When the probe was taken as it is: the check is over, whatever was ticked.
    """

    probe: str
    begun_ms: int
    by: str = ""
    done_ms: Mapping[str, int] = field(default_factory=dict)
    in_a_row: Mapping[str, int] = field(default_factory=dict)
    air: Mapping[str, float] = field(default_factory=dict)
    water: Mapping[str, float] = field(default_factory=dict)
    has_moved: bool = False
    quiet: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    quiet_n: int = 0
    rose_ms: Mapping[str, int] = field(default_factory=dict)
    recent: tuple[LivePoint, ...] = ()
    step_n: int = 0
    statuses: Mapping[str, str] = field(default_factory=dict)
    taken_ms: int | None = None

    def step(self, channels: Sequence[Channel]) -> CheckStep | None:
        """Return the step it stands at; None when it is done, or the probe was taken as it is."""
        if self.taken_ms is not None:
            return None
        return next((step for step in steps_of(channels) if step not in self.done_ms), None)


def steps_of(channels: Sequence[Channel]) -> tuple[CheckStep, ...]:
    """Return the steps of a probe: one without a depth that tells water has to answer, and no more."""
    return STEPS if by_depth(channels) else STEPS[:1]


def begun_again(check: ProbeCheck, step: CheckStep) -> ProbeCheck:
    """Return a check that stands at one of its earlier steps again."""
    kept = STEPS[: STEPS.index(step)]
    return ProbeCheck(
        check.probe,
        check.begun_ms,
        check.by,
        {one: at_ms for one, at_ms in check.done_ms.items() if one in kept},
        air=check.air if "air" in kept else {},
        water=check.water if "water" in kept else {},
        has_moved=step in ("ground", "cup"),
        recent=check.recent,
        statuses=check.statuses,
    )


# --- one reading further ---------------------------------------------------------------------------------------------


def advance(check: ProbeCheck, channels: Sequence[Channel], live: LiveReading, at_ms: int) -> ProbeCheck:
    """Return a check after one more live reading, which came at a moment. [ms since 1970, UTC]"""
    step = check.step(channels)
    values = {c.name: None for c in channels} | {
        name: value if status == Status.OK else None for name, value, status in live.values
    }
    check = replace(
        check,
        recent=(*check.recent, LivePoint(at_ms, values))[-RECENT:],
        step_n=min(check.step_n + 1, RECENT),
        statuses={name: status for name, _, status in live.values},
    )
    match step:
        case "line":
            ticked = any(value is not None for value in values.values())
        case "air" | "water":
            check, ticked = _in_medium(check, channels, values, step)
        case "ground":
            check, ticked = _in_ground(check, channels, values)
        case "cup":
            check, ticked = _cup(check, channels, values, at_ms)
        case None:
            return check
    if not ticked:
        return check
    return replace(check, done_ms={**check.done_ms, step: at_ms}, in_a_row={}, step_n=0)


def _in_medium(
    check: ProbeCheck, channels: Sequence[Channel], values: Mapping[str, float | None], step: Literal["air", "water"]
) -> tuple[ProbeCheck, bool]:
    """Each channel is ticked by itself: a long probe goes into a jug one end after the other."""
    row, kept = dict(check.in_a_row), dict(check.air if step == "air" else check.water)
    for channel in channels:
        value, span = values[channel.name], span_in(step, channel.heard)
        if span is None or row.get(channel.name, 0) >= AGREEING:
            continue
        is_in = value is not None and span[0] <= value <= span[1]
        row[channel.name] = row.get(channel.name, 0) + 1 if is_in else 0
        if value is not None and row[channel.name] >= AGREEING:
            kept[channel.name] = value
    wanted = [c.name for c in channels if span_in(step, c.heard) is not None]
    check = replace(check, in_a_row=row, **{step: kept})  # type: ignore[arg-type]
    return check, all(row[name] >= AGREEING for name in wanted)


def _in_ground(
    check: ProbeCheck, channels: Sequence[Channel], values: Mapping[str, float | None]
) -> tuple[ProbeCheck, bool]:
    """All depths have left the water and the air, and stand still together."""
    order = by_depth(channels)
    shares = [way_to_water(values[c.name], check.air.get(c.name), check.water.get(c.name)) for c in order]
    has_moved = check.has_moved or all(share is not None and share < LEFT_SHARE for share in shares)
    still = _stand_still(check, order)
    row = {
        c.name: check.in_a_row.get(c.name, 0) + 1
        if has_moved and share is not None and share >= GROUND_SHARE and c.name in still
        else 0
        for c, share in zip(order, shares, strict=True)
    }
    check = replace(check, in_a_row=row, has_moved=has_moved)
    return check, all(n >= AGREEING for n in row.values())


def _stand_still(check: ProbeCheck, channels: Sequence[Channel]) -> set[str]:
    """Channels whose last three readings are near to one another."""
    found = set()
    for channel in channels:
        last = [point.values.get(channel.name) for point in check.recent[-AGREEING:]]
        known = [value for value in last if value is not None]
        near = answer_rise(channel.heard, 0.0, 0.0, check.air.get(channel.name), check.water.get(channel.name))
        if len(known) == AGREEING and max(known) - min(known) <= near:
            found.add(channel.name)
    return found


def _cup(
    check: ProbeCheck, channels: Sequence[Channel], values: Mapping[str, float | None], at_ms: int
) -> tuple[ProbeCheck, bool]:
    """Before the cup so many quiet readings; then the depths answer, from the top down."""
    order = by_depth(channels)
    if check.quiet_n < BEFORE:
        quiet = dict(check.quiet)
        for channel in order:
            value = values[channel.name]
            if value is not None:
                low, high = quiet.get(channel.name, (value, value))
                quiet[channel.name] = min(low, value), max(high, value)
        return replace(check, quiet=quiet, quiet_n=check.quiet_n + 1), False
    rose = dict(check.rose_ms)
    for channel in order:
        value, before = values[channel.name], check.quiet.get(channel.name)
        if value is None or before is None or channel.name in rose:
            continue
        rise = answer_rise(channel.heard, *before, check.air.get(channel.name), check.water.get(channel.name))
        if value >= before[1] + rise:
            rose[channel.name] = at_ms
    check = replace(check, rose_ms=rose)
    over = len(rose) == len(order) or bool(rose and at_ms - min(rose.values()) >= POUR_FOR_S * 1000)
    return check, over and not _order(check, channels)


def _order(check: ProbeCheck, channels: Sequence[Channel]) -> list[OrderFound]:
    """What is wrong in the answers so far; one that is missing counts once it is late.

    The cup itself is not seen: time counts from the first answer, so that of this one it is not known how soon it was.
    """
    if not check.rose_ms:
        return []
    first_ms, now_ms = min(check.rose_ms.values()), check.recent[-1].at_ms
    times = {c.name: _seconds(check.rose_ms.get(c.name), first_ms) for c in by_depth(channels)}
    found = [
        one
        for one in order_found(channels, times)
        if one.fault != "dry" or one.other is None or now_ms - check.rose_ms[one.other.name] >= LATE_S * 1000
    ]
    later = {name: at_s if at_s else None for name, at_s in times.items()}
    gap = ran_down(channels, later)
    return found or ([] if gap is None else [gap])


def _seconds(at_ms: int | None, since_ms: int) -> float | None:
    return None if at_ms is None else (at_ms - since_ms) / 1000


# --- what is wrong ---------------------------------------------------------------------------------------------------


def doubts(check: ProbeCheck, channels: Sequence[Channel]) -> list[DoubtFound]:
    """Return what the last readings show to be wrong, the whole probe before its channels."""
    step, statuses = check.step(channels), set(check.statuses.values())
    if statuses & {Status.BAD_FRAME, Status.BAD_CHECK, Status.WRONG_ADDRESS}:
        return [DoubtFound("two_at_one")]
    if Status.LINE_AWAY in statuses:
        return [DoubtFound("line_away")]
    if statuses and statuses <= {Status.SILENT}:
        return [DoubtFound("silent")]
    lacking = [name for name, status in check.statuses.items() if status in (Status.NO_VALUE, Status.SHORT)]
    found = [DoubtFound("no_value", name) for name in ([""] if len(lacking) == len(channels) else lacking)]
    if step == "cup":
        return found + [
            DoubtFound(one.fault, one.channel.name, "" if one.other is None else one.other.name)
            for one in _order(check, channels)
        ]
    if step is None or step == "line" or check.step_n < DOUBT_AFTER:
        return found
    still = _stand_still(check, [c for c in channels if c.name not in lacking])
    if step == "ground":
        return found + [DoubtFound("in_air", c.name) for c in by_depth(channels) if _hangs_in_air(check, c, channels)]
    for channel in channels:
        span, value = span_in(step, channel.heard), check.recent[-1].values[channel.name]
        if span is None or value is None or channel.name not in still or span[0] <= value <= span[1]:
            continue
        in_air = span_in("air", channel.heard)
        if check.in_a_row.get(channel.name, 0) >= AGREEING or (step == "water" and in_air and value <= in_air[1]):
            continue  # ticked already, or not in the water yet
        found.append(DoubtFound("elsewhere", channel.name, value=value, span=span))
    return found


def _hangs_in_air(check: ProbeCheck, channel: Channel, channels: Sequence[Channel]) -> bool:
    """Whether a depth stands still in air while another does not."""

    def share(one: Channel) -> float | None:
        return way_to_water(check.recent[-1].values[one.name], check.air.get(one.name), check.water.get(one.name))

    own, others = share(channel), [share(one) for one in by_depth(channels) if one != channel]
    in_ground = any(other is not None and GROUND_SHARE <= other < LEFT_SHARE for other in others)
    return own is not None and own < GROUND_SHARE and in_ground


# --- all of them -----------------------------------------------------------------------------------------------------


class FieldChecks:
    """The checks of a site, one a probe; from any thread.

    Parameters
    ----------
    channels : mapping of str to sequence of Channel
        Of each probe that the settings name, `station/probe`, as it is in the ground.
    known : mapping
        What `as_note` gave before; a check of a probe that is not named any more is left out.
    """

    def __init__(self, channels: Mapping[str, Sequence[Channel]], known: Mapping[str, object]) -> None:
        self._channels = dict(channels)
        self._lock = threading.Lock()
        self._checks: dict[str, ProbeCheck] = {}
        self._looked_s: dict[str, float] = {}
        self._asked_s: dict[str, float] = {}
        for probe, kept in known.items():
            check = _from_note(probe, kept)
            if probe in self._channels and check is not None:
                self._checks[probe] = check

    def get(self, probe: str) -> ProbeCheck | None:
        """Return the check of a probe; None where none was begun."""
        with self._lock:
            return self._checks.get(probe)

    def channels(self, probe: str) -> Sequence[Channel]:
        """Return the channels of a probe by which it is checked."""
        return self._channels[probe]

    def put(self, check: ProbeCheck) -> None:
        """Take a check in place of the one of its probe."""
        with self._lock:
            self._checks[check.probe] = check

    def take(self, live: LiveReading, at_ms: int) -> tuple[ProbeCheck, ProbeCheck] | None:
        """Take a live reading; return the check of its probe before and after, None where none is under way.

        `at_ms` is when it came. [ms since 1970, UTC]
        """
        with self._lock:
            before = self._checks.get(live.probe)
            if before is None or before.step(self._channels[live.probe]) is None:
                return None
            after = self._checks[live.probe] = advance(before, self._channels[live.probe], live, at_ms)
            return before, after

    def read_again(self, known: Mapping[str, object]) -> None:
        """Take the checks as another process has kept them; what was heard of each lately stays."""
        with self._lock:
            for probe, kept in known.items():
                check, before = _from_note(probe, kept), self._checks.get(probe)
                if probe in self._channels and check is not None:
                    recent = {} if before is None else {"recent": before.recent, "statuses": before.statuses}
                    self._checks[probe] = replace(check, **recent)  # type: ignore[arg-type]

    def look(self, probe: str, now_s: float) -> None:
        """Note that somebody looks at a probe, on the steady clock. [s]"""
        with self._lock:
            self._looked_s[probe] = now_s

    def asks_on(self, probe: str, now_s: float) -> bool:
        """Return whether a probe is to be asked for again: somebody looked at it lately, and it was not just asked."""
        with self._lock:
            looked_s, asked_s = self._looked_s.get(probe), self._asked_s.get(probe)
            due = asked_s is None or now_s - asked_s >= ASK_EVERY_S
            if looked_s is None or now_s - looked_s > LOOKED_FOR_S or not due:
                return False
            self._asked_s[probe] = now_s
            return True

    def as_note(self, check: ProbeCheck, known: Mapping[str, object]) -> dict[str, object]:
        """Return every check as a plain table to be kept: those that were, and `check`, without its last readings, in
        place of its own."""
        kept = {probe: one for probe, one in known.items() if probe in self._channels}
        return {**kept, check.probe: asdict(replace(check, recent=(), statuses={}))}


def has_ticked(before: ProbeCheck, after: ProbeCheck) -> bool:
    """Return whether a reading has changed what is to be kept of a check."""
    kept = (before.done_ms, before.air, before.water, before.has_moved, before.rose_ms)
    return kept != (after.done_ms, after.air, after.water, after.has_moved, after.rose_ms)


def _from_note(probe: str, kept: object) -> ProbeCheck | None:
    """A check as it was kept; None where its table is out of form: then it is begun again."""
    try:
        table: dict[str, Any] = dict(kept)  # type: ignore[call-overload]
        quiet = {name: (float(low), float(high)) for name, (low, high) in table["quiet"].items()}
        check = ProbeCheck(**{**table, "quiet": quiet, "recent": (), "probe": probe})
    except (TypeError, ValueError, KeyError, AttributeError):
        return None
    is_taken = check.taken_ms is None or type(check.taken_ms) is int
    return check if is_taken and _in_form(check.done_ms, STEPS) else None


def _in_form(done_ms: object, steps: Collection[str]) -> bool:
    return isinstance(done_ms, dict) and all(key in steps and type(at) is int for key, at in done_ms.items())
