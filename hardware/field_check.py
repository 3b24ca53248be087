"""The field check of a probe as sums: what its channels read in air and in water, whether they have left the air once
the probe is pushed in, and in which order its depths answer a cup of water.

The agent walks somebody through it at a terminal, the server on a page; each words what is found here. Bounds are
common practice without a source where none is named.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from hardware.probe import Channel

MOISTURE = ("apparent_permittivity", "water_content")
GROUND_SHARE = 0.06  # of the way from air to water: moisture below it still stands in air; dry sand is at about a tenth
ANSWER_SHARE = 0.03  # of the way from air to water: a rise by so much is an answer to the cup
ANSWER_NOISES = 4.0  # and by so many times the spread before it
TEMPERATURE_DEGC = (-5.0, 40.0)  # what a hand-held probe can read
DEEP_M, AT_ONCE_S = 0.10, 20.0  # a cup does not reach this depth so soon through soil, but along a gap it does
TOGETHER_S = 2.5  # answers so near to one another may be of one moment: a probe is read every few seconds
POUR_FOR_S = 600.0
BEFORE = 4  # readings before the cup

OrderFault = Literal["swapped", "dry", "gap"]


@dataclass(frozen=True, slots=True)
class NumberKind:
    """What a number can be: the quantity heard, its scale to that, and what air and tap water read. [as sent]

    Permittivity is 1 in air and 80 in water at 20 degC; 1 is a water content of -2.4 % by Topp et al. 1980, so that per
    cent in air are 0 or less and no permittivity; tap water conducts 0.05 to 2 dS/m. From memory.
    """

    heard: str
    scale: float
    air: tuple[float, float]
    water: tuple[float, float]


NUMBER_KINDS = (
    NumberKind("apparent_permittivity", 1.0, (0.8, 2.0), (60.0, 90.0)),
    NumberKind("water_content", 1.0, (-0.1, 0.12), (0.4, 1.1)),
    NumberKind("water_content", 0.01, (-10.0, 0.6), (40.0, 110.0)),
    NumberKind("bulk_ec", 1.0, (-0.01, 0.02), (0.05, 2.0)),
    NumberKind("bulk_ec", 0.001, (-10.0, 20.0), (50.0, 2000.0)),
)


@dataclass(frozen=True, slots=True)
class OrderFound:
    """Something wrong in the order of the answers to a cup, at a channel: it answered before the one above it, and the
    two may be swapped; it did not and a deeper one did; or it answered at once, along a gap. `other` is the other one.
    """

    fault: OrderFault
    channel: Channel
    other: Channel | None = None


def by_depth(channels: Sequence[Channel]) -> list[Channel]:
    """Return the moisture channels of one probe, the shallowest first."""
    return sorted(
        (c for c in channels if c.heard in MOISTURE and c.depth_m is not None), key=lambda c: c.depth_m or 0.0
    )


def span_in(medium: Literal["air", "water"], heard: str) -> tuple[float, float] | None:
    """Return what a quantity reads at lowest and highest in air or in tap water [its unit]; None where that is open."""
    if heard == "soil_temperature":
        return TEMPERATURE_DEGC
    kind = next((kind for kind in NUMBER_KINDS if kind.heard == heard and kind.scale == 1.0), None)
    return None if kind is None else kind.air if medium == "air" else kind.water


def way_to_water(value: float | None, air: float | None, water: float | None) -> float | None:
    """Return how far a reading is on the way from the channel's own in air to that in water [1]; None where one of them
    is missing or they do not differ. [all in one unit]"""
    if value is None or air is None or water is None or water <= air:
        return None
    return (value - air) / (water - air)


def answer_rise(heard: str, lowest: float, highest: float, air: float | None, water: float | None) -> float:
    """Return by how much a channel must rise above the highest before the cup to have answered it. [its unit]

    `lowest` and `highest` are of the readings before it. Where air and water were not tried the usual way between them
    counts: 80 of permittivity, 1 of water content.
    """
    usual = 80.0 if heard == "apparent_permittivity" else 1.0
    span = usual if air is None or water is None or water <= air else water - air
    return max(ANSWER_SHARE * span, ANSWER_NOISES * (highest - lowest))


def order_found(channels: Sequence[Channel], times_s: Mapping[str, float | None]) -> Iterator[OrderFound]:
    """Yield what is wrong in the order in which depths answered a cup; nothing where it is from the top down.

    Parameters
    ----------
    channels : sequence of Channel
        Of one probe, in any order.
    times_s : mapping of str to float or None
        When each moisture channel answered, by name, on any steady clock; None where it did not. [s]
    """
    order = by_depth(channels)
    answered = [(c, at_s) for c in order if (at_s := times_s[c.name]) is not None]
    for (upper, before_s), (lower, after_s) in pairwise(answered):
        if after_s < before_s - TOGETHER_S:
            yield OrderFound("swapped", lower, upper)
    if answered:
        deepest = answered[-1][0]
        above = order[: order.index(deepest)]
        yield from (OrderFound("dry", channel, deepest) for channel in above if times_s[channel.name] is None)


def ran_down(channels: Sequence[Channel], times_s: Mapping[str, float | None]) -> OrderFound | None:
    """Return the depth that answered so soon after the cup that water must have run down a gap to it; None for none.

    `times_s` as in `order_found`, counted from the cup. [s]
    """
    for channel in by_depth(channels):
        at_s = times_s[channel.name]
        if at_s is not None and (channel.depth_m or 0.0) >= DEEP_M and at_s <= AT_ONCE_S:
            return OrderFound("gap", channel)
    return None
