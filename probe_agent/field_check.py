"""`underturf-agent field-check`: whether a probe is what the settings say, in air, in water, pushed in, a cup poured.

In air and in water each channel must read what its quantity can; in the ground moisture must have left the air; and
when a cup is poured over it the depths must answer from the top down. What else comes is named: channels the wrong way
round, or air beside the probe. Bounds are common practice without a source where none is named. Pure but for the
reading, which is handed in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from itertools import pairwise

from hardware.probe import Channel
from hardware.reading import Sample, Status
from probe_agent.learn import KINDS

MOISTURE = ("apparent_permittivity", "water_content")
GROUND_SHARE = 0.06  # of the way from air to water: moisture below it still stands in air; dry sand is at about a tenth
ANSWER_SHARE = 0.03  # of the way from air to water: a rise by so much is an answer to the cup
ANSWER_NOISES = 4.0  # and by so many times the spread before it
TEMPERATURE_DEGC = (-5.0, 40.0)  # what a hand-held probe can read
DEEP_M, AT_ONCE_S = 0.10, 20.0  # a cup does not reach this depth so soon through soil, but along a gap it does
POUR_EVERY_S, POUR_FOR_S = 5.0, 600.0
BEFORE = 4  # readings before the cup

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
        value, span = values[channel.name], _expected(step, channel.heard)
        if value is None:
            yield Checked(step, channel.name, False, f"{channel.name}: no value. See to its wiring, or to `position`")
        elif span is not None:
            low, high = span
            good = low <= value <= high
            text = f"{channel.name}: {value:g}, expected {low:g} to {high:g} for {channel.heard} {step}"
            yield Checked(step, channel.name, good, text if good else f"{text}. Is it this quantity, in this unit?")


def _expected(step: str, heard: str) -> tuple[float, float] | None:
    if heard == "soil_temperature":
        return TEMPERATURE_DEGC
    kind = next((kind for kind in KINDS if kind.heard == heard and kind.scale == 1.0), None)
    return None if kind is None else kind.air if step == "in air" else kind.water


def in_ground(channels: Sequence[Channel], readings: Mapping[str, Mapping[str, float | None]]) -> Iterator[Checked]:
    """Yield for each moisture channel whether it has left the air."""
    for channel in _by_depth(channels):
        air, water, ground = (readings[step].get(channel.name) for step in ("in air", "in water", "in the ground"))
        if air is None or water is None or ground is None or water <= air:
            yield Checked("in the ground", channel.name, None, f"{channel.name}: cannot tell without air and water")
            continue
        share = (ground - air) / (water - air)
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
    for channel in _by_depth(channels):
        name = channel.name
        quiet = [v for values in before if (v := values[name]) is not None]
        air, water = (readings.get(step, {}).get(name) for step in ("in air", "in water"))
        span = _usual_span(channel.heard) if air is None or water is None or water <= air else water - air
        times[name] = None
        if quiet:
            rise = max(ANSWER_SHARE * span, ANSWER_NOISES * (max(quiet) - min(quiet)))
            risen = (at for at, values in after if (v := values[name]) is not None and v >= max(quiet) + rise)
            times[name] = next(risen, None)
    return times


def _usual_span(heard: str) -> float:
    """Return how far water is from air where that was not tried. [unit of the quantity]"""
    return 80.0 if heard == "apparent_permittivity" else 1.0


def from_the_top(channels: Sequence[Channel], times: Mapping[str, float | None]) -> Iterator[Checked]:
    """Yield what the order of the answers says: from the top down, or which depths are swapped or lie beside a gap."""
    order = _by_depth(channels)
    if not order:
        return
    for channel in order:
        at_s = times[channel.name]
        text = f"{channel.name}, {_mm(channel)}: " + ("no answer" if at_s is None else f"answered after {at_s:.0f} s")
        yield Checked("a cup poured", channel.name, None, text)
    answered = [(c, at_s) for c in order if (at_s := times[c.name]) is not None]
    if not answered:
        yield Checked("a cup poured", "", False, "no depth answered: pour closer to the probe, or more, and again")
        return
    good = True
    for (upper, before_s), (lower, after_s) in pairwise(answered):
        if after_s < before_s - POUR_EVERY_S / 2:
            good = False
            told = f"{_mm(lower)} answered before {_mm(upper)}: {lower.name} and {upper.name} may be swapped in the"
            told += " settings, or water ran down a gap beside the probe"
            yield Checked("a cup poured", lower.name, False, told)
    dry = [c for c in order[: order.index(answered[-1][0])] if times[c.name] is None]
    for channel in dry:
        good = False
        told = f"{_mm(channel)} did not answer and {_mm(answered[-1][0])} did: air beside the probe at {_mm(channel)}"
        yield Checked("a cup poured", channel.name, False, f"{told}, or {channel.name} is another depth")
    deep = next((c for c, at_s in answered if (c.depth_m or 0.0) >= DEEP_M and at_s <= AT_ONCE_S), None)
    if good and deep is not None:
        good = False
        told = f"{_mm(deep)} answered at once: water ran down a gap beside the probe. Firm it in"
        yield Checked("a cup poured", deep.name, False, told)
    if good:
        yield Checked("a cup poured", "", True, f"{len(answered)} of {len(order)} depths answered, from the top down")


def _by_depth(channels: Sequence[Channel]) -> list[Channel]:
    """Return the moisture channels of one probe, the shallowest first."""
    return sorted(
        (c for c in channels if c.heard in MOISTURE and c.depth_m is not None), key=lambda c: c.depth_m or 0.0
    )


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
    if not _by_depth(channels):
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
