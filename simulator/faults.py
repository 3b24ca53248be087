"""Faults that can be planted: in a probe, and on the line between it and the agent.

A probe fault changes what a channel reads over a span of time. A line fault changes the bytes of one reply, or delays
them by a number of seconds that the line keeps. Both are functions of seed, moment and input: the same seed gives the
same faults.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from random import Random

from simulator.units import HOUR_MS

# --- in the probe ------------------------------------------------------------------------------------------------

PROBE_FAULTS = ("air_gap", "stuck", "spikes", "swapped_depths", "dropped_replies", "sliced")
DEFAULT_SIZE = {
    "air_gap": 0.7, "spikes": 0.02, "stuck": 0.0, "swapped_depths": 0.0, "dropped_replies": 0.1, "sliced": 0.0,
}  # fmt: skip
SILENT_FOR_MS = 600_000  # a probe that drops replies keeps silent so long, or asking again would get the reply
SPIKE_FACTORS = (0.2, 2.5)  # a spike is the sound value times one of these

Sound = Callable[[str, int], float | None]
"""What the channel of that name would hear at that moment with no fault planted."""


@dataclass(frozen=True, slots=True)
class PlantedFault:
    """A fault of one probe over a span of time.

    Attributes
    ----------
    kind : str
        `air_gap`: the channel sees that share of air beside the ground (`size`, 0 to 1).
        `stuck`: it repeats what it heard when the fault began.
        `spikes`: that share of its readings is far off (`size`, 0 to 1).
        `swapped_depths`: the channels named answer in each other's place, the first with the last.
        `dropped_replies`: that share of the time it does not answer at all (`size`, 0 to 1).
        `sliced`: a blade went through it; it never answers again, whatever `end_ms` says.
    channels : tuple of str
        Which; empty means every channel that hears water.
    start_ms, end_ms : int
        [ms since 1970, UTC] start <= t < end.
    size : float or None
        None takes `DEFAULT_SIZE`.

    Raises
    ------
    ValueError
        For a kind that is not there, or an end before its start.
    """

    kind: str
    channels: tuple[str, ...] = ()
    start_ms: int = 0
    end_ms: int = 2**62
    size: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in PROBE_FAULTS:
            raise ValueError(f"probe fault: found {self.kind!r}, expected one of {', '.join(PROBE_FAULTS)}")
        if self.end_ms < self.start_ms:
            raise ValueError(f"probe fault {self.kind}: found an end at {self.end_ms} before its start {self.start_ms}")
        if self.kind == "swapped_depths" and len(self.channels) < 2:
            raise ValueError(f"probe fault swapped_depths: found channels {self.channels}, expected two or more")

    def touches(self, channel: str, at_ms: int) -> bool:
        """Return whether the fault applies to that channel now."""
        named = channel in self.channels if self.channels else channel.startswith("moisture")
        return named and self.start_ms <= at_ms < self.end_ms


def is_silent(fault: PlantedFault, at_ms: int, seed: str) -> bool:
    """Return whether the fault keeps the whole probe from answering now."""
    if fault.kind == "sliced":
        return fault.start_ms <= at_ms
    if fault.kind != "dropped_replies" or not fault.start_ms <= at_ms < fault.end_ms:
        return False
    share = DEFAULT_SIZE[fault.kind] if fault.size is None else fault.size
    return Random(f"dropped/{seed}/{at_ms // SILENT_FOR_MS}").random() < share


def planted(
    faults: Sequence[PlantedFault], channel: str, at_ms: int, sound: Sound, *, seed: int = 0, air: float = 0.0
) -> float | None:
    """Return what a channel reads with its faults, each applied over those before it. `air` is its reading in air."""
    for number, fault in enumerate(faults):
        if fault.touches(channel, at_ms):
            sound = _with_fault(fault, sound, f"{seed}/{number}", air)
    return sound(channel, at_ms)


def _with_fault(fault: PlantedFault, sound: Sound, seed: str, air: float) -> Sound:
    size = DEFAULT_SIZE[fault.kind] if fault.size is None else fault.size

    def faulty(channel: str, at_ms: int) -> float | None:
        if fault.kind == "swapped_depths":
            there = fault.channels[len(fault.channels) - 1 - fault.channels.index(channel)]
            return sound(there, at_ms)
        value = sound(channel, fault.start_ms if fault.kind == "stuck" else at_ms)
        if value is None:
            return None
        if fault.kind == "air_gap":
            return value + (air - value) * size
        if fault.kind == "spikes":
            random = Random(f"spikes/{seed}/{channel}/{at_ms}")
            return value * random.choice(SPIKE_FACTORS) if random.random() < size else value
        return value

    return faulty


# --- on the line -------------------------------------------------------------------------------------------------

LINE_FAULTS = ("silence", "noise", "late", "wrong_address", "bit_flip", "half", "unplugged")
LATE_BY_S = 0.6  # past the end of the longest reply after a data command, and inside the next exchange
UNPLUGGED_FOR_MS = 2 * HOUR_MS
MOST_NOISE_BYTES = 12


@dataclass(frozen=True, slots=True)
class Sent:
    """Bytes that go out on the line `after_s` seconds from when they were due."""

    after_s: float
    data: bytes


def parse_line_faults(text: str) -> dict[str, float]:
    """Parse shares by kind from text such as `silence=0.01,bit_flip=0.05`; `all=0.01` means each kind.

    Raises
    ------
    ValueError
        Naming what was found and the kinds there are.
    """
    shares: dict[str, float] = {}
    for part in filter(None, (piece.strip() for piece in text.split(","))):
        kind, _, number = part.partition("=")
        try:
            share = float(number)
        except ValueError:
            share = -1.0
        if kind not in (*LINE_FAULTS, "all") or not 0.0 <= share <= 1.0:
            raise ValueError(f"line faults: found {part!r}, expected KIND=SHARE, 0 to 1, of {', '.join(LINE_FAULTS)}")
        shares.update(dict.fromkeys(LINE_FAULTS, share) if kind == "all" else {kind: share})
    return shares


def with_line_faults(reply: bytes, shares: Mapping[str, float], random: Random, *, data_bits: int = 7) -> list[Sent]:
    """Return one reply as it comes out of a bad line.

    Parameters
    ----------
    reply : bytes
        What the sensor said, whole.
    shares : mapping of kind to share
        Of `LINE_FAULTS`, 0 to 1; kinds not named do not happen. At most one of them bears on one reply.
    random : random.Random
        Drawn from once to choose, and again for what is chosen.
    data_bits : int
        Of a character on this line: a bit that flips is one of them.

    Returns
    -------
    list of Sent
        In order; empty for silence.
    """
    chance = random.random()
    for kind, fault in _LINE.items():
        chance -= shares.get(kind, 0.0)
        if chance < 0.0:
            return fault(reply, random) if kind != "bit_flip" else _bit_flip(reply, random, data_bits)
    return [Sent(0.0, reply)]


def unplugged(shares: Mapping[str, float], seed: int, line: str, at_ms: int) -> bool:
    """Return whether the adapter is out at that moment: whole spans of two hours, the given share of them."""
    share = shares.get("unplugged", 0.0)
    return share > 0.0 and Random(f"unplugged/{seed}/{line}/{at_ms // UNPLUGGED_FOR_MS}").random() < share


def _silence(reply: bytes, random: Random) -> list[Sent]:
    return []


def _noise(reply: bytes, random: Random) -> list[Sent]:
    """Garbage before, inside or after the reply, or in place of it."""
    garbage = random.randbytes(random.randint(1, MOST_NOISE_BYTES))
    place = random.randint(0, len(reply) + 1)
    return [Sent(0.0, garbage if place > len(reply) else reply[:place] + garbage + reply[place:])]


def _late(reply: bytes, random: Random) -> list[Sent]:
    return [Sent(LATE_BY_S * random.uniform(0.5, 1.5), reply)]


def _wrong_address(reply: bytes, random: Random) -> list[Sent]:
    others = [a for a in b"0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ" if a != reply[0]]
    return [Sent(0.0, bytes([random.choice(others)]) + reply[1:])]


def _bit_flip(reply: bytes, random: Random, data_bits: int = 7) -> list[Sent]:
    place, bit = random.randrange(len(reply)), random.randrange(data_bits)
    return [Sent(0.0, reply[:place] + bytes([reply[place] ^ 1 << bit]) + reply[place + 1 :])]


def _half(reply: bytes, random: Random) -> list[Sent]:
    return [Sent(0.0, reply[: random.randint(1, len(reply) - 1)])]


_LINE: dict[str, Callable[[bytes, Random], list[Sent]]] = {
    "silence": _silence,
    "noise": _noise,
    "late": _late,
    "wrong_address": _wrong_address,
    "bit_flip": _bit_flip,
    "half": _half,
}
