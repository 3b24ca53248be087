"""`underturf-agent field-check`: whether a probe is what the settings say, in air, in water, pushed in, a cup poured.

In air and in water each channel must read what its quantity can; in the ground moisture must have left the air; and
when a cup is poured over it the depths must answer from the top down. What else comes is named: channels the wrong way
round, or air beside the probe. The sums are in `hardware.field_check`. Pure but for the reading, which is handed in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field

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
from hardware.reading import Sample, Status

POUR_EVERY_S = 5.0

Read = Callable[[], tuple[list[Sample], str | None]]


@dataclass(frozen=True, slots=True)
class Checked:
    """One thing found. `good` is None where it cannot be told; `channel` is empty where it is of the probe."""

    step: str
    channel: str
    good: bool | None
    text: str


@dataclass(slots=True)
class FieldCheck:
    """The outcome: what was read at each step [canonical unit, by channel], and what that means."""

    probe: str
    readings: dict[str, dict[str, float | None]] = field(default_factory=dict)
    answered_s: dict[str, float | None] = field(default_factory=dict)
    found: list[Checked] = field(default_factory=list)

    @property
    def good(self) -> bool:
        """Whether nothing wrong was found."""
        return all(one.good is not False for one in self.found)

    def as_json(self) -> dict[str, object]:
        """Return it as plain tables; a missing number is null."""
        return {**asdict(self), "good": self.good}


def values_of(channels: Sequence[Channel], samples: Sequence[Sample]) -> dict[str, float | None]:
    """Return the value of each channel by name, None where it gave none."""
    return {c.name: one.raw if one.status is Status.OK else None for c, one in zip(channels, samples, strict=True)}


def in_place(step: str, channels: Sequence[Channel], values: Mapping[str, float | None]) -> Iterator[Checked]:
    """Yield for each channel whether it reads in air or in water (the step) what its quantity can."""
    for channel in channels:
        value, span = values[channel.name], span_in("air" if step == "in air" else "water", channel.heard)
        if value is None:
            yield Checked(step, channel.name, False, f"{channel.name}: no value. See to its wiring, or to `position`")
        elif span is not None:
            low, high = span
            good = low <= value <= high
            text = f"{channel.name}: {value:g}, expected {low:g} to {high:g} for {channel.heard} {step}"
            yield Checked(step, channel.name, good, text if good else f"{text}. Is it this quantity, in this unit?")


def in_ground(channels: Sequence[Channel], readings: Mapping[str, Mapping[str, float | None]]) -> Iterator[Checked]:
    """Yield for each moisture channel whether it has left the air."""
    for channel in by_depth(channels):
        air, water, ground = (readings[step].get(channel.name) for step in ("in air", "in water", "in the ground"))
        share = way_to_water(ground, air, water)
        if share is None:
            yield Checked("in the ground", channel.name, None, f"{channel.name}: cannot tell without air and water")
            continue
        text = f"{channel.name}, {_mm(channel)}: {share:.0%} of the way from air to water"
        if share < GROUND_SHARE:
            text += ". It still stands in air: push the probe in, or there is a gap beside it at this depth"
        yield Checked("in the ground", channel.name, share >= GROUND_SHARE, text)


def answer_times(
    channels: Sequence[Channel],
    before: Sequence[Mapping[str, float | None]],
    after: Sequence[tuple[float, Mapping[str, float | None]]],
    readings: Mapping[str, Mapping[str, float | None]],
) -> dict[str, float | None]:
    """Return how long after the cup each moisture channel rose, by depth; None where it did not. [s]

    Parameters
    ----------
    before : sequence of mapping
        Values before the cup.
    after : sequence of (float, mapping)
        Seconds since the cup, and values.
    readings : mapping
        Of the steps before: air and water set how much is an answer.
    """
    times: dict[str, float | None] = {}
    for channel in by_depth(channels):
        name = channel.name
        quiet = [v for values in before if (v := values[name]) is not None]
        air, water = (readings.get(step, {}).get(name) for step in ("in air", "in water"))
        times[name] = None
        if quiet:
            rise = answer_rise(channel.heard, min(quiet), max(quiet), air, water)
            risen = (at for at, values in after if (v := values[name]) is not None and v >= max(quiet) + rise)
            times[name] = next(risen, None)
    return times


def from_the_top(channels: Sequence[Channel], times: Mapping[str, float | None]) -> Iterator[Checked]:
    """Yield what the order of the answers says: from the top down, or which depths are swapped or lie beside a gap."""
    order = by_depth(channels)
    if not order:
        return
    for channel in order:
        at_s = times[channel.name]
        text = f"{channel.name}, {_mm(channel)}: " + ("no answer" if at_s is None else f"answered after {at_s:.0f} s")
        yield Checked("a cup poured", channel.name, None, text)
    answered = sum(times[c.name] is not None for c in order)
    if not answered:
        yield Checked("a cup poured", "", False, "no depth answered: pour closer to the probe, or more, and again")
        return
    found = list(order_found(channels, times)) or [one for one in (ran_down(channels, times),) if one is not None]
    yield from (Checked("a cup poured", one.channel.name, False, _worded(one)) for one in found)
    if not found:
        yield Checked("a cup poured", "", True, f"{answered} of {len(order)} depths answered, from the top down")


def _worded(found: OrderFound) -> str:
    channel, other = found.channel, found.other
    if found.fault == "gap" or other is None:
        return f"{_mm(channel)} answered at once: water ran down a gap beside the probe. Firm it in"
    if found.fault == "swapped":
        told = f"{_mm(channel)} answered before {_mm(other)}: {channel.name} and {other.name} may be swapped in the"
        return told + " settings, or water ran down a gap beside the probe"
    told = f"{_mm(channel)} did not answer and {_mm(other)} did: air beside the probe at {_mm(channel)}"
    return f"{told}, or {channel.name} is another depth"


def _mm(channel: Channel) -> str:
    return f"{(channel.depth_m or 0.0) * 1000:g} mm"


def walk(
    probe: str,
    channels: Sequence[Channel],
    read: Read,
    ask: Callable[[str], object],
    say: Callable[[str], None],
    wait: Callable[[float], object],
    monotonic: Callable[[], float],
    *,
    pour_for_s: float = POUR_FOR_S,
) -> FieldCheck:
    """Walk a probe through the check.

    Parameters
    ----------
    probe, channels
        What is checked.
    read : callable
        Reads it now; may raise AgentFault.
    ask : callable
        Has the person do something, and returns when it is done.
    say : callable
        Takes each line that is found, as it is found.
    wait, monotonic : callable
        Waits some seconds; gives steady time. [s]
    pour_for_s : float
        How long depths are waited for after the cup. [s]
    """
    check = FieldCheck(probe)

    def tell(found: Iterator[Checked]) -> None:
        for one in found:
            check.found.append(one)
            say(f"  {'FAULT' if one.good is False else '-' if one.good is None else 'good':<6}{one.text}")

    places = (
        ("in air", "Hold the probe in air, clean and dry"),
        ("in water", "Put it in a bucket of tap water, all sensing parts, away from the wall"),
        ("in the ground", "Wipe it, push it in where it will stay, firm the soil about it"),
    )
    for step, asked in places:
        ask(f"{asked}, then press Enter. ")
        check.readings[step] = values_of(channels, read()[0])
        tell(
            in_ground(channels, check.readings)
            if step == "in the ground"
            else in_place(step, channels, check.readings[step])
        )
    if not by_depth(channels):
        return check
    before = [values_of(channels, read()[0]) for _ in range(BEFORE)]
    ask("Pour a cup of water slowly on the leaf over the probe, and press Enter as you begin. ")
    began_s, after = monotonic(), list[tuple[float, dict[str, float | None]]]()
    while True:
        values = values_of(channels, read()[0])
        after.append((monotonic() - began_s, values))
        times = answer_times(channels, before, after, check.readings)
        if None not in times.values() or after[-1][0] >= pour_for_s:
            break
        wait(POUR_EVERY_S)
    check.readings["a cup poured"], check.answered_s = values, times
    tell(from_the_top(channels, times))
    return check
