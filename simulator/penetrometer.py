"""A virtual penetrometer: it is taken over the ground from time to time, and hands its strokes over in its dock.

Its strokes look like a person's pushes and come from a simple law of strength by depth and water; they are no field
record. Time is the simulation's, so that a stroke's age is in simulated seconds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from random import Random

from hardware.cone import PUSH_SPEED_M_S
from hardware.cone_dock import DockDevice
from hardware.probe import ProbeDescription
from simulator.faults import Sent, with_line_faults
from simulator.probes import Truth
from simulator.units import DAY_MS

STROKES_IN_A_WALK = 6  # five good ones make a visit; a stone may spoil one
FIRST_STROKE_AFTER_MS = 10 * 60_000  # from leaving the dock
BETWEEN_STROKES_MS = 7 * 60_000
WALK_MS = 50 * 60_000  # then it is back in its dock
STEP_M = 0.01
DEEPEST_M = 0.30
SHAKE = 0.08  # standard deviation of a reading around the law, share of it: working value, no source
SENTENCES_AT_ONCE = 40

Strength = Callable[[float, int], float | None]
"""Cone resistance [kPa] at a depth [m] and moment [ms since 1970, UTC]; None where it is not known."""


def strength_by_water(truth: Truth) -> Strength:
    """Return a law of strength for a ground of which only the water is known.

    Resistance falls by a factor e for each 0.12 m3 m-3 of water, is 2,000 kPa at 0.20 m3 m-3 well below the surface,
    and builds up over the first 40 mm. Working values of ours, no source: they make strokes to carry, not to judge.
    """

    def resistance_kpa(depth_m: float, at_ms: int) -> float | None:
        water = truth.value("water_content", depth_m, at_ms)
        if water is None:
            return None
        return 2000.0 * math.exp((0.20 - water) / 0.12) * (1.0 - math.exp(-(depth_m + 0.005) / 0.04))

    return resistance_kpa


@dataclass(frozen=True)
class VirtualPenetrometer:
    """One instrument and its habits.

    Attributes
    ----------
    name, station : str
        Slugs.
    description : ProbeDescription
        Of protocol `cone`.
    strength : callable
        See `Strength`.
    first_walk_ms : int
        When it is first taken out. [ms since 1970, UTC]
    every_days : float
        Between walks. [d]
    seed : int
    """

    name: str
    station: str
    description: ProbeDescription
    strength: Strength
    first_walk_ms: int
    every_days: float = 14.0
    seed: int = 0

    def walk(self, number: int) -> int:
        """Return when walk `number`, from 0, begins. [ms since 1970, UTC]"""
        return self.first_walk_ms + round(number * self.every_days * DAY_MS)

    def docked(self, at_ms: int) -> bool:
        """Return whether it is in its dock."""
        number = (at_ms - self.first_walk_ms) // round(self.every_days * DAY_MS)
        return number < 0 or not self.walk(number) <= at_ms < self.walk(number) + WALK_MS

    def stroke_ms(self, number: int) -> int:
        """Return when stroke `number`, from 0, is made. [ms since 1970, UTC]"""
        walk, place = divmod(number, STROKES_IN_A_WALK)
        return self.walk(walk) + FIRST_STROKE_AFTER_MS + place * BETWEEN_STROKES_MS

    def stroke(self, number: int) -> list[tuple[float, float]]:
        """Return depth [m] and force [N] at each step of stroke `number`. Empty where the strength is not known.

        The cone goes down at 30 mm/s (ASAE S313.3); a hand shakes, so that neighbours wander together.
        """
        random = Random(f"stroke/{self.seed}/{self.station}/{self.name}/{number}")
        base_m2 = self.description.cone_base_m2 or 0.0
        begun_ms, wander, steps = self.stroke_ms(number), 0.0, []
        for place in range(round(DEEPEST_M / STEP_M) + 1):
            depth_m = place * STEP_M
            resistance_kpa = self.strength(depth_m, begun_ms + round(depth_m / PUSH_SPEED_M_S * 1000))
            if resistance_kpa is None:
                return []
            wander = 0.6 * wander + 0.8 * random.gauss(0.0, SHAKE)  # unit variance kept: 0.36 + 0.64
            steps.append((depth_m, max(0.0, resistance_kpa * 1000.0 * base_m2 * (1.0 + wander))))
        return steps


class VirtualDock:
    """The far end of a docking line: the instrument when it is in, nobody when it is out.

    Parameters
    ----------
    penetrometer : VirtualPenetrometer
    now_ms : callable
        Simulated time. [ms since 1970, UTC]
    start_ms : int
        Strokes made before it are not handed over. [ms since 1970, UTC]
    shares : mapping of kind to share
        Line faults, see `simulator.faults`.
    seed : int or str
        Of the line's faults.
    """

    def __init__(
        self,
        penetrometer: VirtualPenetrometer,
        now_ms: Callable[[], int],
        *,
        start_ms: int,
        shares: Mapping[str, float] | None = None,
        seed: int | str = 0,
    ) -> None:
        self._penetrometer = penetrometer
        self._now_ms = now_ms
        self._shares = dict(shares or {})
        self._random = Random(f"line/{seed}")
        self._made = 0
        while penetrometer.stroke_ms(self._made) < start_ms:
            self._made += 1
        self.device = DockDevice(penetrometer.name[:16], last_id=self._made)

    def take_time(self) -> None:
        """Do nothing: the line keeps the pace; the instrument has none of its own."""

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes from the agent; out of its dock the instrument receives nothing."""
        at_ms = self._now_ms()
        if not self._penetrometer.docked(at_ms):
            return
        while self._penetrometer.stroke_ms(self._made) <= at_ms:
            steps = self._penetrometer.stroke(self._made)
            if steps:
                self.device.push(steps, self._penetrometer.stroke_ms(self._made) / 1000)
            self._made += 1
        self.device.receive(data)

    def due_s(self) -> float | None:
        """Return 0, at once, if there is anything to send. [s]"""
        return 0.0 if self.device.has_more else None

    def send(self, now_s: float) -> list[Sent]:
        """Return some sentences, with the faults of the line."""
        out: list[Sent] = []
        for _ in range(SENTENCES_AT_ONCE):
            sentence = self.device.send(self._now_ms() / 1000)
            if not sentence:
                break
            out += with_line_faults(sentence, self._shares, self._random)
        return out
