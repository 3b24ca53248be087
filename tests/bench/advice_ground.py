"""Seasons of simulated ground for the advice bench: what is true hour by hour, and the probes that hear it.

A season is seven weeks of one station of a scenario, begun somewhere in the scenario's told time by the seed, after
eight days in which the water finds its place. The physical truth is what the simulator says and no more: relative
wetness is its water against its own retention curves, at -10 kPa (a sand root zone at 300 mm, as its specification is
written) and at -1500 kPa. Probes, their failings and planted faults are the scenario's own. Nothing here judges.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from hardware.probe import load_probe
from hardware.reading import Sample
from simulator import kernels
from simulator import weather as sky
from simulator.history import WEATHER_SERIES, History
from simulator.materials import Material, table
from simulator.readings import readings
from simulator.scenario import ProbePlan, Scenario, ScenarioEntry, StationPlan, load, names
from simulator.scenario_run import StationRun, turf_of, weather_of
from simulator.scenario_site import run_site
from simulator.site import VirtualSite
from simulator.units import HOUR_S
from simulator.weather import Weather

Array = NDArray[np.float64]
Rows = NDArray[np.int64]

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
SETTLE_DAYS, TOLD_DAYS = 8, 50
FIELD_HEAD_M, WILTING_HEAD_M = -1.02, -153.0
FIELD_HEAD_OF = {"sand_root_zone": -0.30}  # the putting green specification says drained at 300 mm suction
SOIL_DEPTH_M, TOP_DEPTH_M = 0.050, 0.010  # below the leaf base
LEVELS = 24  # at which the root zone is asked, evenly
CUT_DEPTHS_M = tuple(np.arange(0.01, 0.101, 0.03).tolist())


def water_content(history: History, depth_m: float | Array) -> Array:
    """Water content at a depth below the leaf base, one or one a snapshot, at every snapshot. [m3 m-3]

    The same as `History.value`, all snapshots in one sum; for materials with van Genuchten curves.
    """
    rows = np.arange(history.head_m.shape[0])
    material, head = _link_and_head(history, depth_m, rows)
    return retained(history.last.column.parameters[material], head)


def _link_and_head(
    history: History, depth_m: float | Array, rows: NDArray[np.int64]
) -> tuple[NDArray[np.int64], Array]:
    depth = history.node_depth_m
    wanted = np.broadcast_to(np.asarray(depth_m, dtype=float), rows.shape)
    link = np.clip((depth <= wanted[:, np.newaxis]).sum(axis=1) - 1, 0, depth.shape[1] - 2)
    upper, lower = depth[rows, link], depth[rows, link + 1]
    above, below = history.head_m[rows, link], history.head_m[rows, link + 1]
    share = np.maximum(wanted - upper, 0.0) / (lower - upper)
    return history.last.column.link_material[link], np.minimum(above + (below - above) * share, 0.0)


def retained(rows: Array, head_m: Array) -> Array:
    """Water held at heads by rows of the material table, shape (n, column) or (column,). [m3 m-3]

    References
    ----------
    van Genuchten 1980, with the air entry of Vogel, van Genuchten & Cislerova 2001.
    """
    p = np.moveaxis(rows, -1, 0)
    with np.errstate(invalid="ignore"):
        saturation = (1.0 + (p[kernels.ALPHA] * np.maximum(-head_m, 0.0)) ** p[kernels.N]) ** -p[kernels.M]
    content = p[kernels.THETA_R] + (p[kernels.THETA_S] - p[kernels.THETA_R]) / p[kernels.SE_AIR] * saturation
    return np.where((head_m >= p[kernels.H_AIR]) | (head_m > -1e-9), p[kernels.THETA_S], content)


def limits(material: Material) -> tuple[float, float]:
    """Dry and drained water content of a simulated material. [m3 m-3]"""
    row = table((material,))[0]
    dry, drained = retained(row, np.array([WILTING_HEAD_M, FIELD_HEAD_OF.get(material.name, FIELD_HEAD_M)]))
    return float(dry), float(drained)


def thatch_wetness(history: History) -> Array:
    """Relative wetness of the whole thatch at every snapshot. [1]"""
    dry, drained = limits(history.turf.thatch)
    return (history.thatch_water_mm / (1000.0 * history.thatch_m) - dry) / (drained - dry)


def root_zone_wetness(history: History, root_zone_m: float) -> Array:
    """Mean relative wetness of the soil from the base of the thatch down, each part by its own material. [1]"""
    span = np.array([limits(m) for m in history.last.column.materials])
    rows, total = np.arange(history.head_m.shape[0]), np.zeros(history.head_m.shape[0])
    for level in (np.arange(LEVELS) + 0.5) / LEVELS * root_zone_m:
        material, head = _link_and_head(history, history.thatch_m + level, rows)
        content = retained(history.last.column.parameters[material], head)
        dry, drained = span[material].T
        total += (content - dry) / (drained - dry)
    return total / LEVELS


def ground_degc(history: History, depth_m: float) -> Array:
    """Temperature at a depth below the leaf base at every snapshot. [degC]"""
    pairs = zip(history.level_depth_m, history.temperature_degc, strict=True)
    return np.array([np.interp(depth_m, levels, degc) for levels, degc in pairs])


class QuickTruth:
    """What probes ask of a history, answered from whole series at the full hours; else as `History.value`.

    A moment outside the season is answered by its nearest hour: what a probe fault began before it.
    """

    def __init__(self, history: History) -> None:
        self._history, self.weather = history, history.weather
        self.start_ms, self.end_ms, self.thatch_at = history.start_ms, history.end_ms, history.thatch_at
        self._rain_mm = np.concatenate([[0.0], np.cumsum(history.flux["rain_mm"])])
        self._known: dict[tuple[str, float | None], Array | None] = {}

    def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float | None:
        """Physical truth at a full hour."""
        key = (quantity, depth_m)
        if key not in self._known:
            self._known[key] = self._series(quantity, depth_m)
        series = self._known[key]
        if series is None:
            return None
        row = min(max(round((at_ms - self.start_ms) / HOUR_MS), 0), series.size - 1)
        return float(series[row])

    def _series(self, quantity: str, depth_m: float | None) -> Array | None:
        history = self._history
        if quantity == "rain_total":
            return self._rain_mm
        if quantity in WEATHER_SERIES:
            return np.asarray(getattr(history.weather, WEATHER_SERIES[quantity]))
        if depth_m is None or depth_m > history.node_depth_m[:, -1].min():
            return None
        if quantity == "soil_temperature":
            return ground_degc(history, depth_m)
        rows = np.arange(history.head_m.shape[0])
        material, head = _link_and_head(history, depth_m, rows)
        content = retained(history.last.column.parameters[material], head)
        if quantity == "apparent_permittivity":
            relations = history._relations
            return np.array([relations[m](c) for m, c in zip(material.tolist(), content.tolist(), strict=True)])
        return content if quantity == "water_content" else None


@dataclass(frozen=True)
class Truth:
    """Seven weeks of physical truth by the hour; every series has shape (hour,), at the begin of each hour.

    Attributes
    ----------
    scenario, station, seed
        Which.
    start_ms : int
        [ms since 1970, UTC]
    thatch_wetness, root_zone_wetness : ndarray
        [1]
    thatch_air : ndarray
        Pores of the thatch that hold air. [m3 m-3]
    canopy_mm : ndarray
        Water on the leaves. [mm]
    demand_mm, uptake_mm : ndarray
        What the air asked of the roots, and what they took. [mm h-1]
    soil_degc, top_degc, cut_degc : ndarray
        At 50 mm, at 10 mm, and the coldest down to 100 mm. [degC]
    surface_degc, air_degc, dew_degc : ndarray
        [degC] They go on for `weather_hours`, beyond the season, as do the next three.
    rain_mm, watering_mm, reference_et_mm : ndarray
        [mm h-1]
    """

    scenario: str
    station: str
    seed: int
    start_ms: int
    thatch_wetness: Array
    root_zone_wetness: Array
    thatch_air: Array
    canopy_mm: Array
    demand_mm: Array
    uptake_mm: Array
    soil_degc: Array
    top_degc: Array
    cut_degc: Array
    surface_degc: Array
    air_degc: Array
    dew_degc: Array
    rain_mm: Array
    watering_mm: Array
    reference_et_mm: Array

    @property
    def hours(self) -> int:
        """Of the season."""
        return self.thatch_wetness.size

    @cached_property
    def at_ms(self) -> NDArray[np.int64]:
        """[ms since 1970, UTC] Shape (hour,)"""
        return self.start_ms + HOUR_MS * np.arange(self.hours, dtype=np.int64)


@dataclass(frozen=True)
class Season:
    """One station's seven weeks: the scenario cut down to it, its weather from the start on, and its history."""

    scenario: Scenario
    plan: StationPlan
    seed: int
    weather: Weather  # from the season's start to the horizon
    history: History

    def truth(self) -> Truth:
        """Everything that is true of it."""
        history, weather = self.history, self.weather
        root_zone_m = float(str(self.plan.facts["root_zone_mm"])) / 1000.0
        last = slice(0, -1)
        thatch_theta = history.thatch_water_mm / (1000.0 * history.thatch_m)
        watering = np.zeros(weather.count)
        watering[: history.weather.count] = history.flux["watering_mm"]
        return Truth(
            self.scenario.name, self.plan.name, self.seed, history.start_ms,
            thatch_wetness(history)[last], root_zone_wetness(history, root_zone_m)[last],
            (history.turf.thatch.theta_s - thatch_theta)[last], history.canopy_mm[last],
            history.flux["demand_mm"], history.flux["uptake_mm"], ground_degc(history, SOIL_DEPTH_M)[last],
            ground_degc(history, TOP_DEPTH_M)[last],
            np.min([ground_degc(history, d) for d in CUT_DEPTHS_M], axis=0)[last],
            weather.surface_temperature_degc, weather.temperature_degc, dew_point_degc(weather.vapour_pressure_kpa),
            weather.rain_mm, watering, weather.reference_et_mm,
        )  # fmt: skip

    def site(self) -> VirtualSite:
        """The probes in it."""
        truth = QuickTruth(self.history)
        return run_site(self.scenario, {self.plan.name: truth}, seed=self.seed)  # type: ignore[dict-item]

    def heard(self) -> list[Sample]:
        """All readings of the season."""
        return list(readings(self.site()))


def dew_point_degc(vapour_pressure_kpa: Array) -> Array:
    """Temperature at which air of a vapour pressure is saturated (inverse of FAO-56 eq. 11). [degC]"""
    logarithm = np.log(np.maximum(vapour_pressure_kpa, 1e-6) / 0.6108)
    return 237.3 * logarithm / (17.27 - logarithm)


def season(name: str, seed: int, days: int = TOLD_DAYS) -> Season:
    """The season of a scenario and a seed; the seed also chooses the station where a scenario has several. [d]"""
    scenario = load(name)
    plans = [s for s in scenario.stations if any(p.description.model == "thatch" for p in s.probes)]
    plan = plans[seed % len(plans)]
    draw = np.random.default_rng([seed, *name.encode()])
    offset = scenario.lead_days + int(draw.integers(0, max(scenario.days - days, 0) + 1))
    sky_all = weather_of(scenario, seed=seed)
    station = StationRun(scenario, plan, turf_of(plan, seed=seed), seed)
    settled = station.run(station.start(), sky.between(sky_all, offset - SETTLE_DAYS, offset)).last
    history = station.run(settled, sky.between(sky_all, offset, offset + days))
    rest_days = sky_all.count * HOUR_S // 86400
    plan = replace(plan, probes=_probes(plan))
    return Season(
        _cut(scenario, plan, history, days), plan, seed, sky.between(sky_all, offset, rest_days), history,
    )  # fmt: skip


def _probes(plan: StationPlan) -> tuple[ProbePlan, ...]:
    """What advice rests on: no penetrometer and no salt; with the weather, wherever the scenario measures it."""
    kept = tuple(_without_salt(p) for p in plan.probes if p.description.protocol != "cone")
    if any(p.description.model == "weather" for p in kept):
        return kept
    return (*kept, ProbePlan("weather", load_probe("weather")))


def _without_salt(plan: ProbePlan) -> ProbePlan:
    heard = tuple(c for c in plan.description.channels if c.heard != "bulk_ec")
    return replace(plan, description=replace(plan.description, channels=heard))


def _cut(scenario: Scenario, plan: StationPlan, history: History, days: int) -> Scenario:
    """The scenario with this station alone, begun and cored where the season begins."""
    surface = next(s for s in scenario.surfaces if plan.name in [each.name for each in s.stations])
    start = history.weather.start
    core = ScenarioEntry("core", start + timedelta(hours=1), (plan.name,))
    return replace(
        scenario, start=start, days=days, surfaces=(replace(surface, stations=(plan,)),),
        diary=(*(e for e in scenario.diary if e.kind != "core"), core), clock_steps=(),
        faults={probe: faults for probe, faults in scenario.faults.items() if probe.split("/")[0] == plan.name},
    )  # fmt: skip


SCENARIOS = names()
