"""The virtual probes of a scenario, and the site they make, for a run and for the demo.

Probes get failings of an ordinary kind, drawn for each channel by the seed, and the faults the scenario plants in them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from hardware.probe import Channel
from simulator.ground_record import Asked, RecordedStation, record
from simulator.history import History
from simulator.penetrometer import VirtualPenetrometer
from simulator.probes import Failings, Truth, VirtualProbe
from simulator.scenario import ProbePlan, Scenario, StationPlan
from simulator.scenario_run import OpenEndedTruth, cores
from simulator.site import Installed, VirtualLine, VirtualSite, VirtualStation, VirtualSurface, with_register_probe
from simulator.units import HOUR_S, QUARTER_S

SENSOR_LINES = 8
ADDRESSES = "0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
WALK_AT_H = 8  # of the day the penetrometer is first taken out, UTC
HISTORY_DAYS = 100
DOCK_S = 6 * HOUR_S  # how often a dock is asked whether anything is in it

# Noise of a reading, spread of the bias between channels, answer to a degree, drift in a year, in the unit heard. What
# ordinary probes show: working values, no source. A gauge counts what it caught.
ORDINARY: Mapping[str, tuple[float, float, float, float]] = {
    "apparent_permittivity": (0.08, 0.35, 0.02, 0.15),
    "water_content": (0.001, 0.01, 0.0003, 0.002),
    "soil_temperature": (0.03, 0.15, 0.0, 0.02),
    "bulk_ec": (0.005, 0.02, 0.0, 0.005),
    "air_temperature": (0.05, 0.15, 0.0, 0.02),
    "relative_humidity": (0.5, 1.5, 0.0, 0.5),
    "wind_speed": (0.05, 0.05, 0.0, 0.02),
    "solar_radiation": (1.0, 4.0, 0.0, 2.0),
    "surface_temperature": (0.1, 0.3, 0.0, 0.05),
}


def virtual_probe(
    scenario: Scenario, station: StationPlan, plan: ProbePlan, truth: Truth, *, seed: int
) -> VirtualProbe | VirtualPenetrometer:
    """Return one probe of a scenario in the ground `truth`."""
    if plan.description.protocol == "cone":
        first = scenario.start + timedelta(hours=WALK_AT_H, minutes=5)
        return VirtualPenetrometer(
            plan.name, station.name, plan.description,
            lambda depth_m, at_ms: truth.value("cone_resistance", depth_m, at_ms),
            first_walk_ms=round(first.timestamp() * 1000), seed=seed,
        )  # fmt: skip
    failings = {}
    if plan.failings == "ordinary":
        draw = np.random.default_rng([seed, 2, *f"{station.name}/{plan.name}".encode()])
        failings = {channel.name: _ordinary(channel, draw) for channel in plan.description.channels}
    return VirtualProbe(
        plan.name, station.name, plan.description, truth,
        failings=failings, faults=scenario.faults.get(f"{station.name}/{plan.name}", ()),
        depth_shift_m=plan.depth_shift_m, installed_ms=round(scenario.start.timestamp() * 1000), seed=seed,
    )  # fmt: skip


def _ordinary(channel: Channel, draw: np.random.Generator) -> Failings:
    noise, bias, per_degc, drift = ORDINARY.get(channel.heard, (0.0, 0.0, 0.0, 0.0))
    return Failings(noise, bias * float(draw.standard_normal()), per_degc, drift * float(draw.standard_normal()))


def lines_of(scenario: Scenario) -> list[VirtualLine]:
    """Return a line for each sensor, up to `SENSOR_LINES` that share them, and one for each dock: an agent reads lines
    side by side, and takes no more than some dozens."""
    probes = [(station, plan) for station in scenario.stations for plan in station.probes]
    docks = [(station, plan) for station, plan in probes if plan.description.protocol == "cone"]
    sensors = min(len(probes) - len(docks), SENSOR_LINES)
    return [
        *(VirtualLine(sensor_line(number)) for number in range(sensors)),
        *(VirtualLine(dock_line(station), "cone", plan.description.baud) for station, plan in docks),
    ]


def sensor_line(number: int) -> str:
    """Return the name of the line of the site's sensor `number`, from 0."""
    return f"turf-{number % SENSOR_LINES + 1}"


def dock_line(station: StationPlan) -> str:
    """Return the name of the line a station's penetrometer docks on."""
    return f"dock-{station.name}"


def site_of(
    scenario: Scenario,
    truths: Mapping[str, Truth],
    dated_cores: Mapping[str, list[tuple[datetime, float]]],
    *,
    seed: int,
    history_end_ms: int,
    end_ms: int | None,
    interval_s: int,
    fine_from_ms: int | None = None,
) -> VirtualSite:
    """Return the whole site of a scenario, given the truth of each station by its name."""
    installed: list[Installed] = []
    sensors = enumerate(ADDRESSES)
    for station in scenario.stations:
        for plan in station.probes:
            probe = virtual_probe(scenario, station, plan, truths[station.name], seed=seed)
            if isinstance(probe, VirtualPenetrometer):
                installed.append(Installed(probe, dock_line(station), interval_s=DOCK_S, settings=plan.settings))
            else:
                number, address = next(sensors)
                installed.append(Installed(probe, sensor_line(number), address, settings=plan.settings))
    surfaces = [
        VirtualSurface(
            surface.name, surface.title, surface.kind,
            [_virtual_station(station, dated_cores[station.name]) for station in surface.stations],
        )
        for surface in scenario.surfaces
    ]  # fmt: skip
    climate = scenario.climate
    return VirtualSite(
        name=scenario.name.replace("_", "-"), title=scenario.site_title, timezone=scenario.timezone,
        latitude_deg=climate.latitude_deg, longitude_deg=climate.longitude_deg, elevation_m=climate.elevation_m,
        surfaces=surfaces, lines=lines_of(scenario), installed=installed,
        start_ms=round(scenario.start.timestamp() * 1000), history_end_ms=history_end_ms, end_ms=end_ms,
        interval_s=interval_s, rain_interval_s=interval_s, fine_from_ms=fine_from_ms,
        fine_interval_s=QUARTER_S if fine_from_ms is not None else None,
        clock_steps=[(round(at.timestamp() * 1000), round(by_s * 1000)) for at, by_s in scenario.clock_steps],
        origin=f"Simulated ground: {scenario.title[0].lower()}{scenario.title[1:]}. Invented place, invented weather.",
    )  # fmt: skip


def _virtual_station(plan: StationPlan, dated_cores: list[tuple[datetime, float]]) -> VirtualStation:
    core = [{"date": at.date().isoformat(), "thatch_mm": thickness_mm} for at, thickness_mm in dated_cores]
    return VirtualStation(plan.name, plan.title, {**plan.facts, "core": core})


def played_site(
    scenario: Scenario,
    *,
    seed: int,
    history_days: int = HISTORY_DAYS,
    fine_days: int = 0,
    recorded: Mapping[str, RecordedStation] | None = None,
) -> VirtualSite:
    """Return a scenario to be played: its history run at once, hourly and at last by quarter hours, then as it goes.

    Parameters
    ----------
    history_days : int
        Before the clock begins to run.
    fine_days : int
        The last of them, to be read every quarter of an hour: there time stands until an agent comes anew. 0: none.
    recorded : mapping of station to RecordedStation, optional
        This history, recorded, in place of running it.
    """
    if not 0 <= fine_days < history_days:
        raise ValueError(f"history: found {history_days} days with {fine_days} fine ones, expected 0 to all but one")
    truths = {
        station.name: OpenEndedTruth(
            scenario, station, seed=seed, fine_from_days=history_days - fine_days, history_days=history_days,
            recorded=None if recorded is None else recorded[station.name],
        )
        for station in scenario.stations
    }  # fmt: skip
    end = scenario.start + timedelta(days=history_days)
    end_ms = round(end.timestamp() * 1000)
    return site_of(
        scenario, truths, {s.name: cores(scenario, s, truths[s.name].history, seed=seed) for s in scenario.stations},
        seed=seed, history_end_ms=end_ms, end_ms=next(iter(truths.values())).end_ms, interval_s=HOUR_S,
        fine_from_ms=round((end - timedelta(days=fine_days)).timestamp() * 1000) if fine_days else None,
    )  # fmt: skip


def recorded_stations(
    scenario: Scenario, *, seed: int, history_days: int, fine_days: int
) -> dict[str, RecordedStation]:
    """Return the told history of each station, run and recorded for all that its probes ask."""
    asked, found = _asked(scenario, seed=seed), {}
    for plan in scenario.stations:
        truth = OpenEndedTruth(
            scenario, plan, seed=seed, fine_from_days=history_days - fine_days, history_days=history_days
        )
        parts = tuple(record(part, asked[plan.name]) for part in truth.history.parts if isinstance(part, History))
        found[plan.name] = RecordedStation(parts, truth.last)
    return found


class _NotingTruth:
    """A truth that notes what it is asked."""

    def __init__(self) -> None:
        self.asked: dict[Asked, None] = {("rain_total", None): None}

    def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float:
        self.asked[quantity, depth_m] = None
        return 1.0


def _asked(scenario: Scenario, *, seed: int) -> dict[str, tuple[Asked, ...]]:
    """Return what each station's probes ask of the ground, the probe that `--modbus` adds among them."""
    truths = {plan.name: _NotingTruth() for plan in scenario.stations}
    start_ms = round(scenario.start.timestamp() * 1000)
    site = site_of(
        scenario, truths, {name: [] for name in truths}, seed=seed, history_end_ms=start_ms, end_ms=None,
        interval_s=HOUR_S,
    )  # fmt: skip
    for probe in (one.probe for one in with_register_probe(site).installed):
        if isinstance(probe, VirtualPenetrometer):
            probe.stroke(0)
        else:
            sound = replace(probe, faults=())
            for channel in sound.description.channels:
                sound.heard(channel, start_ms)
    return {name: tuple(truth.asked) for name, truth in truths.items()}


def run_site(scenario: Scenario, histories: Mapping[str, History], *, seed: int) -> VirtualSite:
    """Return a scenario that has been run to its end, to be read and written down."""
    first = next(iter(histories.values()))
    found = {s.name: cores(scenario, s, histories[s.name], seed=seed) for s in scenario.stations}
    step_s = first.weather.step_s
    site = site_of(
        scenario, histories, found, seed=seed, history_end_ms=first.end_ms, end_ms=first.end_ms, interval_s=step_s
    )
    return replace(site, rain_interval_s=step_s)
