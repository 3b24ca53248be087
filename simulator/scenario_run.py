"""The run of a scenario: its weather, its stations' ground and its diary, as physical truth.

All follows from the scenario, the seed, the step and the day: the same four give the same bytes, and a longer run
begins with the shorter one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property

import numpy as np

from simulator import kernels
from simulator import weather as sky
from simulator.ground import GroundState, TurfProfile, prepare
from simulator.ground_record import RecordedStation
from simulator.history import History, JoinedHistory
from simulator.history import run as run_history
from simulator.scenario import Scenario, ScenarioEntry, StationPlan, WeatherChange
from simulator.sward import PASSES, Pass
from simulator.units import DAY_S, HOUR_S, QUARTER_S, FloatArray
from simulator.weather import Weather

HORIZON_DAYS = 1100  # weather is drawn for so long whatever part of it is used, so that a longer run changes no day
PLAIN_STEP_S = 0.01  # a step of one station where nothing is compiled; time that runs 60 times faster gives it 15
LONGEST_PLAIN_S = 150.0  # the demo waits 180 for its ground
AHEAD_MS = QUARTER_S * 1000  # a day to come is begun so long before: sooner, it would slow the end of a history
CORE_ERROR_MM = 0.7  # standard deviation of the mean of some cores, read to a whole millimetre (ours)


def check_compiler(scenario: Scenario, *, days: int, fine_days: int = 0, step_s: int = HOUR_S) -> None:
    """Check that a run of all stations is not too long for a machine without a compiler of the loops.

    Parameters
    ----------
    days : int
        From the scenario's start; the last `fine_days` of them by the quarter hour, the rest and the lead by `step_s`.

    Raises
    ------
    ValueError
        Where numba is missing and the run would take more than `LONGEST_PLAIN_S`; says what to install.
    """
    steps = (scenario.lead_days + days - fine_days) * (DAY_S // step_s) + fine_days * (DAY_S // QUARTER_S)
    seconds = len(scenario.stations) * steps * PLAIN_STEP_S
    if seconds > LONGEST_PLAIN_S and not kernels.HAS_NUMBA:
        raise ValueError(
            f"numba: not installed, and {scenario.name} over {days} days takes some {math.ceil(seconds / 60.0)} minutes"
            f" without it, expected at most {LONGEST_PLAIN_S / 60.0:g}. Install it (pip install '.[simulator]'), or ask"
            " for fewer days."
        )


def weather_of(scenario: Scenario, *, seed: int, step_s: int = HOUR_S) -> Weather:
    """Return weather from the first day of the lead, with all that the scenario changes in it."""
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
    """Return the station's turf, spread from its neighbours' where the scenario says so."""
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
    """One station of a scenario, ready to be run: its turf and its diary."""

    scenario: Scenario
    plan: StationPlan
    turf: TurfProfile
    seed: int

    def start(self) -> GroundState:
        """Return the ground on the first day of the lead."""
        plan = self.plan
        return prepare(
            self.turf,
            head_m=plan.first_head_m,
            temperature_degc=plan.first_temperature_degc,
            rooted_to_m=plan.rooted_to_m,
        )

    def run(self, ground: GroundState, weather: Weather) -> History:
        """Run the ground through a weather, with what the diary did in that time."""
        watering_mm, passes = self._done(weather)
        return run_history(self.turf, weather, first=ground, watering_mm=watering_mm, passes=passes)

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
    """Return what the diary says of one station, in order."""
    return (entry for entry in scenario.diary if entry.concerns(plan.name))


def run_station(scenario: Scenario, plan: StationPlan, weather: Weather, *, seed: int, days: int) -> History:
    """Return the history of one station over `days` from the scenario's start; the lead is run before it and left out.

    Parameters
    ----------
    weather : Weather
        From `weather_of`, at the step that is wanted.
    """
    station = StationRun(scenario, plan, turf_of(plan, seed=seed), seed)
    ground = station.start()
    if scenario.lead_days:
        ground = station.run(ground, sky.between(weather, 0, scenario.lead_days)).last
    return station.run(ground, sky.between(weather, scenario.lead_days, scenario.lead_days + days))


def cores(
    scenario: Scenario, plan: StationPlan, truth: History | JoinedHistory, *, seed: int
) -> list[tuple[datetime, float]]:
    """Return the cores that the diary took within the history: when, and the thickness as a ruler showed it. [mm]"""
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

    The first `history_days` are run at once, or taken from a record. Each day after them is run beside, on a thread of
    its own, a quarter of an hour before it is asked for, so that nobody waits on the line meanwhile.

    Parameters
    ----------
    fine_from_days : float
        Told day from which the steps are quarter hours.
    history_days : float
        Days run at once; not less than `fine_from_days`.
    recorded : RecordedStation, optional
        Those days, recorded.
    """

    def __init__(
        self,
        scenario: Scenario,
        plan: StationPlan,
        *,
        seed: int,
        fine_from_days: int,
        history_days: int,
        recorded: RecordedStation | None = None,
    ) -> None:
        self._station = StationRun(scenario, plan, turf_of(plan, seed=seed), seed)
        self._days_run = scenario.lead_days + history_days
        self._first = scenario.start - timedelta(days=scenario.lead_days)
        self._beside = ThreadPoolExecutor(1, thread_name_prefix=f"ground of {plan.name}")
        self._to_come: Future[History] | None = None
        if recorded is not None:
            self.history, self.last = JoinedHistory(recorded.parts), recorded.last
            return
        parts = [run_station(scenario, plan, weather_of(scenario, seed=seed), seed=seed, days=fine_from_days)]
        self.last = parts[-1].last
        if history_days > fine_from_days:
            parts.append(self._run(scenario.lead_days + fine_from_days, self._days_run))
            self.last = parts[-1].last
        self.history = JoinedHistory(tuple(parts))

    @property
    def start_ms(self) -> int:
        """First moment that has values. [ms since 1970, UTC]"""
        return self.history.start_ms

    @property
    def end_ms(self) -> int:
        """Last moment for which weather was drawn. [ms since 1970, UTC]"""
        return round((self._first + timedelta(days=HORIZON_DAYS)).timestamp() * 1000)

    def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float | None:
        """Return the same as `History.value`; runs on to the moment asked for."""
        while self.history.end_ms - AHEAD_MS < at_ms <= self.end_ms:
            coming = self._next_day()
            if at_ms <= self.history.end_ms and not coming.done():
                break
            self._take(coming.result())
        return self.history.value(quantity, depth_m, at_ms)

    def _next_day(self) -> Future[History]:
        if self._to_come is None:
            self._to_come = self._beside.submit(self._run, self._days_run, self._days_run + 1)
        return self._to_come

    def _take(self, part: History) -> None:
        self.history = JoinedHistory((*self.history.parts, part))
        self.last, self._to_come = part.last, None
        self._days_run += 1

    def _run(self, first_day: int, last_day: int) -> History:
        return self._station.run(self.last, sky.between(self._weather, first_day, last_day))

    @cached_property
    def _weather(self) -> Weather:
        return weather_of(self._station.scenario, seed=self._station.seed, step_s=QUARTER_S)


def steps_in_a_day(weather: Weather) -> int:
    """Return how many steps of a weather make a day."""
    return DAY_S // weather.step_s
