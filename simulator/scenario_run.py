"""A scenario lived through: its weather, its stations' ground, its diary, as physical truth.

Everything follows from the scenario, the seed, the step and the day: the same four give the same bytes, and a longer
run begins with the shorter one. It writes nothing and knows no probe.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from simulator import weather as sky
from simulator.ground import GroundState, TurfProfile, prepare
from simulator.history import History, JoinedHistory, run
from simulator.scenario import Scenario, ScenarioEntry, StationPlan, WeatherChange
from simulator.sward import PASSES, Pass
from simulator.units import DAY_S, HOUR_S, QUARTER_S, FloatArray
from simulator.weather import Weather

HORIZON_DAYS = 1100  # weather is drawn for so long whatever part of it is used, so that a longer run changes no day
CORE_ERROR_MM = 0.7  # standard deviation of the mean of some cores, read to a whole millimetre (ours)


def weather_of(scenario: Scenario, *, seed: int, step_s: int = HOUR_S) -> Weather:
    """Weather from the first day of the lead, with all that the scenario changes in it."""
    first = scenario.start - timedelta(days=scenario.lead_days)
    drawn = sky.generate(scenario.climate, first, HORIZON_DAYS, seed=seed, step_s=step_s)
    for change in scenario.changes:
        drawn = _changed(drawn, change)
    return drawn


def _changed(weather: Weather, change: WeatherChange) -> Weather:
    first, last = ((moment - weather.start) / timedelta(days=1) for moment in (change.first, change.last))
    if change.kind == "dry":
        return sky.without_rain(weather, first, last)
    if change.kind == "storm":
        return sky.with_storm(weather, first, change.value, change.hours)
    return sky.warmer(weather, first, last, change.value)


def _factors(plan: StationPlan, seed: int) -> dict[str, float]:
    """What a station is times its neighbours, drawn for its number: lognormal about 1."""
    draw = np.random.default_rng([seed, plan.number, *plan.name.encode()])
    return {key: float(np.exp(spread * draw.standard_normal())) for key, spread in sorted(plan.spread.items())}


def turf_of(plan: StationPlan, *, seed: int) -> TurfProfile:
    """The station's ground, spread from its neighbours' where the scenario says so."""
    factors, turf = _factors(plan, seed), plan.turf
    faster = factors.get("conductivity", 1.0)
    soils = tuple(
        replace(layer, material=replace(layer.material, k_s_m_s=layer.material.k_s_m_s * faster))
        for layer in turf.soils
    )
    deepest_m = turf.traits.deepest_m * factors.get("roots_deepest_mm", 1.0)
    return replace(
        turf,
        soils=soils,
        thatch_m=max(turf.thatch_m * factors.get("thatch_mm", 1.0), 0.002),
        traits=replace(turf.traits, deepest_m=deepest_m),
    )


@dataclass(frozen=True)
class StationRun:
    """One station to be lived: where it is, under which weather, with which diary."""

    scenario: Scenario
    plan: StationPlan
    turf: TurfProfile
    seed: int

    def start(self) -> GroundState:
        """The ground on the first day of the lead."""
        plan = self.plan
        return prepare(
            self.turf,
            head_m=plan.first_head_m,
            temperature_degc=plan.first_temperature_degc,
            rooted_to_m=plan.rooted_to_m,
        )

    def go(self, ground: GroundState, weather: Weather) -> History:
        """The history of the ground under a weather, with what the diary did in that time."""
        watering_mm, passes = self._done(weather)
        return run(self.turf, weather, first=ground, watering_mm=watering_mm, passes=passes)

    def _done(self, weather: Weather) -> tuple[FloatArray, tuple[tuple[int, Pass], ...]]:
        watering_mm, passes = np.zeros(weather.count), []
        uneven = _factors(self.plan, self.seed).get("watering", 1.0)
        for entry in entries_at(self.scenario, self.plan):
            at = (entry.at - weather.start).total_seconds() / weather.step_s
            if entry.kind == "watering":
                _pour(watering_mm, at, entry, uneven, weather.step_s)
            elif entry.kind == "pass" and 0 <= math.floor(at) < weather.count:
                passes.append((math.floor(at), PASSES[entry.name]))
        return watering_mm, tuple(passes)


def _pour(watering_mm: FloatArray, at: float, entry: ScenarioEntry, uneven: float, step_s: int) -> None:
    """Share a watering out over the steps it falls into, by time."""
    length = entry.hours * HOUR_S / step_s
    for step in range(max(math.floor(at), 0), min(math.ceil(at + length), watering_mm.size)):
        inside = min(at + length, step + 1) - max(at, step)
        watering_mm[step] += uneven * entry.water_mm * inside / length


def entries_at(scenario: Scenario, plan: StationPlan) -> Iterator[ScenarioEntry]:
    """What the diary says of one station, in order."""
    return (entry for entry in scenario.diary if entry.concerns(plan.name))


def run_station(scenario: Scenario, plan: StationPlan, weather: Weather, *, seed: int, days: int) -> History:
    """The told history of one station: `days` from the scenario's start, the lead lived through before and left out.

    Parameters
    ----------
    weather : Weather
        From `weather_of`, at the step that is wanted.
    """
    life = StationRun(scenario, plan, turf_of(plan, seed=seed), seed)
    ground = life.start()
    if scenario.lead_days:
        ground = life.go(ground, sky.between(weather, 0, scenario.lead_days)).last
    return life.go(ground, sky.between(weather, scenario.lead_days, scenario.lead_days + days))


def cores(
    scenario: Scenario, plan: StationPlan, truth: History | JoinedHistory, *, seed: int
) -> list[tuple[datetime, float]]:
    """Cores the diary took in the told time: when, and the thickness as a ruler told it. [mm]"""
    draw = np.random.default_rng([seed, plan.number, 1, *plan.name.encode()])
    found = []
    for entry in entries_at(scenario, plan):
        at_ms = round(entry.at.timestamp() * 1000)
        if entry.kind == "core":
            error_mm = CORE_ERROR_MM * float(draw.standard_normal())
            if truth.start_ms <= at_ms <= truth.end_ms:
                found.append((entry.at, max(float(round(1000.0 * truth.thatch_at(at_ms) + error_mm)), 0.0)))
    return found


class OpenEndedTruth:
    """Truth of a station without an end in sight: hours first, quarter hours from a day on, then as it is asked for.

    What has happened by `history_days` is lived through at once; each day after it when somebody first asks for it.

    Parameters
    ----------
    fine_from_days : float
        Told day from which the steps are quarter hours.
    history_days : float
        Told days lived through at once; not less than `fine_from_days`.
    """

    def __init__(
        self, scenario: Scenario, plan: StationPlan, *, seed: int, fine_from_days: int, history_days: int
    ) -> None:
        self._life = StationRun(scenario, plan, turf_of(plan, seed=seed), seed)
        self._weather = weather_of(scenario, seed=seed, step_s=QUARTER_S)
        self._lived_days = scenario.lead_days + history_days
        hourly = run_station(scenario, plan, weather_of(scenario, seed=seed), seed=seed, days=fine_from_days)
        self.told = JoinedHistory((hourly,))
        if history_days > fine_from_days:
            self._go_on(scenario.lead_days + fine_from_days, self._lived_days)

    @property
    def start_ms(self) -> int:
        """First moment that has values. [ms since 1970, UTC]"""
        return self.told.start_ms

    @property
    def end_ms(self) -> int:
        """Last moment for which weather was drawn. [ms since 1970, UTC]"""
        return round((self._weather.start + timedelta(days=HORIZON_DAYS)).timestamp() * 1000)

    def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float | None:
        """As `History.value`; lives on to the moment asked for."""
        while self.told.end_ms < at_ms <= self.end_ms:
            self._go_on(self._lived_days, self._lived_days + 1)
            self._lived_days += 1
        return self.told.value(quantity, depth_m, at_ms)

    def _go_on(self, first_day: int, last_day: int) -> None:
        part = self._life.go(self.told.parts[-1].last, sky.between(self._weather, first_day, last_day))
        self.told = JoinedHistory((*self.told.parts, part))


def steps_in_a_day(weather: Weather) -> int:
    """How many steps of a weather make a day."""
    return DAY_S // weather.step_s
