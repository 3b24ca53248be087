"""Virtual probes: what each channel of a described probe would send, given physical truth.

Truth goes through the medium (water to permittivity), the sensing volume (a mean over its height), the probe's own
failings (noise, bias, temperature, drift), any fault planted in it, and the rounding of its numbers. The same probe,
seed and moment always give the same bytes.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Protocol

from hardware.modbus import RegisterTable, encode_number
from hardware.probe import Channel, ProbeDescription
from hardware.quantities import QUANTITIES
from hardware.sdi12_sensor import value_text
from simulator import permittivity
from simulator.faults import PlantedFault, is_silent, planted

NO_VALUE_TEXT = "-9999"  # outside the limits of every quantity: "I have no value for this one"
NO_VALUE_NUMBER = {"u16": 65535, "i16": -32768, "u32": 2**32 - 1, "i32": -(2**31), "f32": math.nan}
"""What a register type has for it where the description names nothing."""
YEAR_MS = 31_557_600_000
REFERENCE_TEMPERATURE_DEGC = 20.0
LEVELS_IN_VOLUME = 5
MINERAL_CURVES = ("topp_1980", "roth_mineral")
DEFAULT_ORGANIC_DENSITY_G_CM3 = 0.3  # thatch between raw and decayed: working value, no source
SENT_DECIMALS = {
    "apparent_permittivity": 2,
    "water_content": 4,
    "bulk_ec": 3,
    "rain_total": 2,
    "relative_humidity": 1,
    "solar_radiation": 1,
}
OTHER_DECIMALS = 2
BOUNDED = (
    "apparent_permittivity",
    "bulk_ec",
    "rain_total",
    "relative_humidity",
    "solar_radiation",
    "water_content",
    "wind_speed",
)
_NOISE = Random()  # seeded for each reading: a new one each time would be seeded twice
READING_IN_AIR = {"apparent_permittivity": 1.0}  # what a channel hears in air; of water, salt and the rest air has none


class Truth(Protocol):
    """Whatever knows the state of a place: a recorded series, or a simulated column."""

    def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float | None:
        """Return physical truth in the quantity's own unit; None where there is none. Depth from the leaf base. [m]"""
        ...


@dataclass(frozen=True, slots=True)
class Failings:
    """How a channel differs from a perfect one, in the unit of what it hears.

    Attributes
    ----------
    noise : float
        Standard deviation of one reading.
    bias : float
        Added always.
    per_degc : float
        Added for each degree of the ground above 20 degC.
    drift_per_year : float
        Added for each year since `VirtualProbe.installed_ms`.
    """

    noise: float = 0.0
    bias: float = 0.0
    per_degc: float = 0.0
    drift_per_year: float = 0.0


PERFECT = Failings()


@dataclass(frozen=True)
class VirtualProbe:
    """One probe in the ground.

    Attributes
    ----------
    name, station : str
        Slugs; with the channel they make the identity `station/probe/channel`.
    description : ProbeDescription
    truth : Truth
        Of the place it stands in.
    failings : mapping of channel name to Failings
        Channels not named are perfect.
    faults : sequence of PlantedFault
    relation : callable, optional
        Water content to permittivity, in place of what the truth itself knows of permittivity, or where it knows none,
        of the relation that suits the channel's calibration.
    depth_shift_m : float
        Added to every depth: a probe that was dressed over lies deeper than its description says. [m]
    installed_ms : int
        When drift began. [ms since 1970, UTC]
    seed : int
    """

    name: str
    station: str
    description: ProbeDescription
    truth: Truth
    failings: Mapping[str, Failings] = field(default_factory=dict)
    faults: Sequence[PlantedFault] = ()
    relation: permittivity.Relation | None = None
    depth_shift_m: float = 0.0
    installed_ms: int = 0
    seed: int = 0

    def alive(self, at_ms: int) -> bool:
        """Return whether it answers: a sliced probe never does again, one that drops replies is silent at times."""
        return not any(is_silent(fault, at_ms, f"{self.seed}/{self.station}/{self.name}") for fault in self.faults)

    def heard(self, channel: Channel, at_ms: int) -> float | None:
        """Return what the channel makes of the truth, before rounding, in the unit of `channel.heard`, or None."""
        air = READING_IN_AIR.get(channel.heard, 0.0)
        return planted(self.faults, channel.name, at_ms, self._sound, seed=self.seed, air=air)

    def text(self, channel: Channel, at_ms: int) -> str:
        """Return the number sent, as text: `scale` and `offset` make the number heard of it."""
        heard = self.heard(channel, at_ms)
        if heard is None or not math.isfinite(heard):
            return NO_VALUE_TEXT
        return value_text((heard - channel.offset) / channel.scale, decimals_sent(channel))

    def answer(self, command: str, at_ms: int) -> tuple[str, ...]:
        """Return all values of one measurement command, by position; a position nobody describes is `+0`."""
        by_position = {c.position: c for c in self.description.channels if c.command == command}
        return tuple(
            self.text(by_position[place], at_ms) if place in by_position else "+0"
            for place in range(1, max(by_position, default=0) + 1)
        )

    def registers(self, table: RegisterTable, at_ms: int) -> dict[int, int]:
        """Return the registers of a Modbus probe's table, by number; there are none but those described."""
        found: dict[int, int] = {}
        for channel in self.description.channels:
            place = channel.place
            if place is not None and place.table is table:
                words = self._words(channel, at_ms)
                found.update({place.register + n: word for n, word in enumerate(words)})
        return found

    def _words(self, channel: Channel, at_ms: int) -> tuple[int, ...]:
        place, heard = channel.place, self.heard(channel, at_ms)
        assert place is not None
        if heard is not None and math.isfinite(heard):
            with contextlib.suppress(ValueError):  # beyond what the type can hold: no value
                return encode_number((heard - channel.offset) / channel.scale, place.type, place.order)
        return encode_number(next(iter(channel.missing), NO_VALUE_NUMBER[place.type]), place.type, place.order)

    def _sound(self, name: str, at_ms: int) -> float | None:
        """Return what the channel of that name would read with no fault planted."""
        channel = self.description.channel(name)
        level = self._mean_over_volume(channel, at_ms)
        if level is None:
            return None
        failings = self.failings.get(name, PERFECT)
        if failings.per_degc != 0.0 and channel.depth_m is not None:
            ground = self.truth.value("soil_temperature", channel.depth_m + self.depth_shift_m, at_ms)
            if ground is not None:
                level += failings.per_degc * (ground - REFERENCE_TEMPERATURE_DEGC)
        level += failings.bias + failings.drift_per_year * (at_ms - self.installed_ms) / YEAR_MS
        if failings.noise != 0.0:
            _NOISE.seed(f"{self.seed}/{self.station}/{self.name}/{name}/{at_ms}")
            level += _NOISE.gauss(0.0, failings.noise)
        return within_reach(channel.heard, level)

    def _mean_over_volume(self, channel: Channel, at_ms: int) -> float | None:
        if channel.depth_m is None:
            return self.truth.value(channel.heard, None, at_ms)
        middle, height = channel.depth_m + self.depth_shift_m, channel.sensing_height_m
        count = LEVELS_IN_VOLUME if height > 0.0 else 1
        total = 0.0
        for i in range(count):
            level = self._level(channel, middle + height * ((i + 0.5) / count - 0.5), at_ms)
            if level is None:
                return None
            total += level
        return total / count

    def _level(self, channel: Channel, depth_m: float, at_ms: int) -> float | None:
        by_water = channel.heard == "apparent_permittivity"
        if not by_water or self.relation is None:
            level = self.truth.value(channel.heard, depth_m, at_ms)
            if level is not None or not by_water:
                return level
        water = self.truth.value("water_content", depth_m, at_ms)
        return None if water is None else (self.relation or relation_for(channel))(water)


def relation_for(channel: Channel) -> permittivity.Relation:
    """Return the forward relation of the medium that a channel's calibration is meant for."""
    if channel.calibration.curve in MINERAL_CURVES:
        return permittivity.mineral_soil
    density = channel.calibration.parameters.get("bulk_density_g_cm3", DEFAULT_ORGANIC_DENSITY_G_CM3)
    return permittivity.organic_layer(density)


def decimals_sent(channel: Channel) -> int:
    """Return the digits after the point of the number sent, as fine as the quantity heard needs."""
    decimals = SENT_DECIMALS.get(channel.heard, OTHER_DECIMALS)
    return min(6, max(0, decimals + math.ceil(math.log10(abs(channel.scale)))))


def within_reach(quantity: str, value: float) -> float:
    """Return the value clipped to what the quantity can be: no negative water, no permittivity under 1."""
    if quantity not in BOUNDED:
        return value
    limits = QUANTITIES[quantity]
    return min(max(value, limits.lowest), limits.highest)
