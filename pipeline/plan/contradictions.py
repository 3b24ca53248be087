"""The table of contradictions: what may not be told of one surface on one morning together.

A pair has a name and a predicate over all lines of a morning. It is asked of every plan that is made, and of every
morning of the benches. Each pair is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from pipeline.forecast.waterings import OF_TONIGHT_H
from pipeline.plan.lines import WATERING, Line, Says
from pipeline.units import HOUR_MS, TimeSpan

OF_PASSES = (Says.PASS_OPEN, Says.PASS_SHUT, Says.PASS_UNKNOWN)
SPIKES = ("solid_tining", "slitting")  # what opens the ground for water
NO_WATERING = (Says.NO_WATER, Says.LACKS_WATER, Says.KEEP_OFF)
MUCH, SLACK_MM = 1.25, 1.0  # times what is wanted, and above it: more drains away; our own choice


class Contradiction(NamedTuple):
    """Two things that do not go together, by name, and whether some lines hold both."""

    name: str
    holds: Callable[[Sequence[Line]], bool]


def contradictions(lines: Sequence[Line]) -> tuple[str, ...]:
    """Return the names of the pairs that some lines of one surface hold, in the order of the table."""
    return tuple(one.name for one in CONTRADICTIONS if one.holds(lines))


def _meet(one: Says, *others: Says) -> Callable[[Sequence[Line]], bool]:
    """Return whether a line that says one thing meets a line that says one of others, at its place and time."""

    def holds(lines: Sequence[Line]) -> bool:
        return any(a.meets(b) for a in _of(lines, one) for other in others for b in _of(lines, other))

    return holds


def _of(lines: Sequence[Line], *says: Says) -> Iterator[Line]:
    return (line for line in lines if line.says in says)


def _of_one_pass(one: Says, other: Says) -> Callable[[Sequence[Line]], bool]:
    """Return whether a line that says one thing of a pass meets one that says another of the same pass."""

    def holds(lines: Sequence[Line]) -> bool:
        return any(a.about == b.about and a.meets(b) for a in _of(lines, one) for b in _of(lines, other))

    return holds


def _spiking_locked(lines: Sequence[Line]) -> bool:
    """Whether spiking is told at a time in which no pass that spikes is open, and one is shut."""
    for told in _of(lines, Says.SPIKE):
        near = [line for line in lines if line.about in SPIKES and line.meets(told)]
        if any(line.says is Says.PASS_SHUT for line in near) and not any(line.says is Says.PASS_OPEN for line in near):
            return True
    return False


def _shuts(line: Line, booked: Line) -> bool:
    """Return whether a line forbids what is booked, at its place and time."""
    if booked.about == WATERING:
        return line.says in NO_WATERING and line.meets(booked)
    return line.says is Says.PASS_SHUT and line.about == booked.about and line.meets(booked)


def _booked_without_a_word(lines: Sequence[Line]) -> bool:
    """Whether a pass or a watering is booked for a time in which it is shut, and nothing is said of the booking."""
    judged = [(line.about, line.place, line.span) for line in _of(lines, Says.JUDGED)]
    return any(
        (booked.about, booked.place, booked.span) not in judged and any(_shuts(line, booked) for line in lines)
        for booked in _of(lines, Says.BOOKED)
    )


def _go_ahead_though_shut(lines: Sequence[Line]) -> bool:
    """Whether a booking is told to be made in a time in which it is shut."""
    return any(_shuts(line, told) for told in _of(lines, Says.GO_AHEAD) for line in lines)


def _more_booked_than_told(lines: Sequence[Line]) -> bool:
    """Whether bookings of one night are told to be given that come to much more than the plan gives that night."""
    said = {(line.place, line.span, line.mm): line for line in _of(lines, Says.GO_AHEAD)}
    return any(  # a booking that is told of twice is one
        sum(each.mm or 0.0 for each in said.values() if each.meets(told)) > MUCH * told.mm + SLACK_MM
        for told in _of(lines, Says.WATER, Says.SEED_WATER)
        if told.mm is not None and told.place
    )


def _all_booked_waits(lines: Sequence[Line]) -> bool:
    """Whether water is told for a night, and every booking up to its end that nothing else shuts is told to wait."""
    put_off = [(line.place, line.span, line.mm) for line in _of(lines, Says.PUT_OFF)]
    for told in _of(lines, Says.WATER, Says.SEED_WATER):
        ends_ms = told.span.start_ms + OF_TONIGHT_H[1] * HOUR_MS
        due = [
            (one.place, one.span, one.mm)
            for one in _of(lines, Says.BOOKED)
            if one.about == WATERING and one.place == told.place and one.span.start_ms < ends_ms
            and not any(_shuts(line, replace(one, span=_begin(one.span))) for line in lines)
        ]  # fmt: skip
        if due and all(one in put_off for one in due):
            return True
    return False


def _begin(span: TimeSpan) -> TimeSpan:
    return TimeSpan(span.start_ms, span.start_ms + 1)


def _too_late_go_shallower(lines: Sequence[Line]) -> bool:
    """Whether a shallower cut is told for a pass that cuts nothing, or where every cut there is comes too late."""
    late = {line.about for line in _of(lines, Says.TOO_LATE)}
    cuts = {line.about for line in _of(lines, *OF_PASSES) if line.wounds}
    return any(not told.wounds or (bool(cuts) and cuts <= late) for told in _of(lines, Says.SHALLOWER))


def _two_doses(lines: Sequence[Line]) -> bool:
    """Whether two amounts of water are told for one place and time."""
    given = [line for line in _of(lines, Says.WATER, Says.SEED_WATER) if line.mm is not None]
    return any(a.mm != b.mm and a.place == b.place and a.meets(b) for a in given for b in given)


def _deep_though_light(lines: Sequence[Line]) -> bool:
    """Whether more water is told for a strip than the little that it may have before play."""
    given = [line for line in _of(lines, Says.WATER) if line.mm is not None and line.place]
    most = list(_of(lines, Says.LIGHT_ONLY))
    return any((a.mm or 0.0) > (b.mm or 0.0) + SLACK_MM and a.meets(b) for a in given for b in most)


CONTRADICTIONS = (
    Contradiction("keep water off / deep water", _meet(Says.NO_WATER, Says.WATER)),
    Contradiction("two amounts of water", _two_doses),
    Contradiction("no water to hand / give water", _meet(Says.LACKS_WATER, Says.WATER, Says.SEED_WATER)),
    Contradiction("wait for rain / water to hand", _meet(Says.WAIT_FOR_RAIN, Says.HAS_WATER)),
    Contradiction("spike first / spiking locked", _spiking_locked),
    Contradiction("better not go on / work or water", _meet(Says.KEEP_OFF, Says.PASS_OPEN, Says.WATER, Says.SEED_WATER,
                                                            Says.SPIKE, Says.GO_ON)),
    Contradiction("open / shut", _of_one_pass(Says.PASS_OPEN, Says.PASS_SHUT)),
    Contradiction("reached the roots / stopped short", _meet(Says.ARRIVED, Says.STOPPED)),
    Contradiction("shut / booked without a word", _booked_without_a_word),
    Contradiction("go as booked / shut, no water", _go_ahead_though_shut),
    Contradiction("water / more of it booked", _more_booked_than_told),
    Contradiction("water / every booking of it told to wait", _all_booked_waits),
    Contradiction("too late / go shallower", _too_late_go_shallower),
    Contradiction("do it by / too late", _of_one_pass(Says.DO_BY, Says.TOO_LATE)),
    Contradiction("a strip by its need / dried for play", _meet(Says.BY_NEED, Says.DRIED)),
    Contradiction("last water of a strip / none for play", _meet(Says.LAST_WATER, Says.DRIED, Says.TOO_NEAR)),
    Contradiction("a strip lightly / deep water", _deep_though_light),
)  # fmt: skip
