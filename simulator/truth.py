"""Writes a scenario down: the readings as the probes would report them and, apart, the physical truth behind them.

Truth is water by layer, flux past the thatch, uptake by depth, healing, cover, thickness and strength; it holds no
advice. The form of every file is in `FORMAT.md`; the same scenario, seed, days and step give the same bytes.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from simulator import roots
from simulator.column import node_volume_m
from simulator.ground import thatch_node
from simulator.history import FLUXES, History
from simulator.readings import readings
from simulator.scenario import Scenario, StationPlan
from simulator.scenario_run import entries_at, run_station, steps_in_a_day, weather_of
from simulator.scenario_site import run_site
from simulator.site import VirtualSite, describe
from simulator.units import HOUR_S, FloatArray

FORMAT_VERSION = 1
UPTAKE_EDGES_M = (0.0, *np.round(np.arange(0.01, 0.101, 0.01), 3).tolist(), 0.15, 0.2, 0.3, 0.5, 1.0)
STRENGTH_DEPTHS_M = tuple(np.round(np.arange(0.01, 0.301, 0.01), 3).tolist())
STATES = ("thatch_m", "cover", "green", "canopy_mm", "pond_mm", "thatch_water_mm", "ground_water_mm")
ROOT_SHARES = (0.5, 0.8, 0.95)

Tell = Callable[[str], None]


def write_run(
    scenario: Scenario, folder: Path, *, days: int, seed: int, step_s: int = HOUR_S, tell: Tell = lambda _: None
) -> None:
    """Run a scenario and write all of it down.

    Parameters
    ----------
    folder : Path
        Made if it is not there; files of an earlier run are written over.
    days : int
        From the scenario's start.
    step_s : int
        Of weather, truth and readings: 3600 or 900. [s]
    tell : callable, optional
        Told in a line what is being done.
    """
    weather = weather_of(scenario, seed=seed, step_s=step_s)
    histories = {}
    for plan in scenario.stations:
        tell(f"{plan.name}: living {days} days")
        histories[plan.name] = run_station(scenario, plan, weather, seed=seed, days=days)
        write_truth(scenario, plan, histories[plan.name], folder / "truth" / plan.name)
    site = run_site(scenario, histories, seed=seed)
    tell("reading the probes")
    rows = (
        (h.channel, h.slot, h.measured_at_ms, "" if h.raw is None else repr(h.raw), h.status.value)
        for h in readings(site)
    )
    _write_csv(folder / "readings.csv", ("channel", "slot", "measured_at_ms", "raw", "status"), rows)
    _write_csv(folder / "diary.csv", ("at", "kind", "station", "name", "water_mm", "hours"), _diary(scenario, site))
    about = _about(scenario, site, days=days, seed=seed, step_s=step_s)
    (folder / "scenario.json").write_text(json.dumps(about, indent=1, sort_keys=True) + "\n", encoding="utf-8")


def _about(scenario: Scenario, site: VirtualSite, *, days: int, seed: int, step_s: int) -> dict[str, object]:
    description = describe(site, Path(), rate=1.0)
    return {
        "format": FORMAT_VERSION,
        "scenario": scenario.name,
        "title": scenario.title,
        "story": scenario.story,
        "climate": scenario.climate.name,
        "seed": seed,
        "days": days,
        "step_s": step_s,
        "clock_steps": [[_time(at), by_s] for at, by_s in scenario.clock_steps],
        "faults": {name: [_fault(f) for f in faults] for name, faults in scenario.faults.items()},
        "site": {
            key: description[key] for key in ("site", "node", "interval_s", "start_ms", "end_ms", "surfaces", "probes")
        },
    }


def _fault(fault: object) -> dict[str, object]:
    names = ("kind", "channels", "start_ms", "end_ms", "size")
    return {name: getattr(fault, name) for name in names}


def _diary(scenario: Scenario, site: VirtualSite) -> Iterable[Sequence[object]]:
    start, end = (datetime.fromtimestamp(ms / 1000, UTC) for ms in (site.start_ms, site.history_end_ms))
    for plan in scenario.stations:
        for entry in entries_at(scenario, plan):
            if start <= entry.at < end:
                yield _time(entry.at), entry.kind, plan.name, entry.name, _text(entry.water_mm), _text(entry.hours)


def write_truth(scenario: Scenario, plan: StationPlan, history: History, folder: Path) -> None:
    """Write the truth of one station: steps, days, rains, uptake, strength and healing, a CSV file each."""
    _write_steps(plan, history, folder / "steps.csv")
    _write_days(history, folder / "days.csv")
    _write_rains(history, folder / "rains.csv")
    _write_uptake(history, folder / "uptake.csv")
    _write_strength(history, folder / "strength.csv")
    _write_healing(history, folder / "healing.csv")


def _write_steps(plan: StationPlan, history: History, path: Path) -> None:
    fluxes = [name for name in FLUXES if name != "solver_steps"]
    layers = {f"layer_{i + 1}_{layer.material.name}_mm": i for i, layer in enumerate(plan.turf.soils)}
    storage = _layer_storage_mm(history)
    weather = history.weather
    rows = (
        (
            _step_time(history, row + 1),
            *(_text(history.flux[name][row]) for name in fluxes),
            *(_text(getattr(history, name)[row + 1]) for name in STATES),
            *(_text(storage[row + 1, i]) for i in layers.values()),
            _text(weather.temperature_degc[row]),
            _text(weather.surface_temperature_degc[row]),
            _text(weather.reference_et_mm[row]),
        )
        for row in range(weather.count)
    )
    sky = ("air_temperature_degc", "surface_temperature_degc", "reference_et_mm")
    _write_csv(path, ("until", *fluxes, *STATES, *layers, *sky), rows)


def _layer_storage_mm(history: History) -> FloatArray:
    """Water in each soil layer at every snapshot, shape (snapshot, layer); the thatch is another column. [mm]"""
    bottoms = np.cumsum([layer.thickness_m for layer in history.turf.soils])
    down_to = [history.storage_below_thatch_mm(bottom) for bottom in bottoms]
    return np.diff(np.column_stack([np.zeros_like(down_to[0]), *down_to]), axis=1)


def _write_days(history: History, path: Path) -> None:
    per_day = steps_in_a_day(history.weather)
    heading = (
        "day", "rain_mm", "watering_mm", "reference_et_mm", "demand_mm", "uptake_mm", "uptake_in_thatch_mm",
        "past_thatch_mm", "uptake_95_depth_m", *(f"roots_{100 * share:.0f}_depth_m" for share in ROOT_SHARES),
        "thatch_m", "cover", "green", "lowest_surface_degc", "mean_air_degc", "soil_50_mm_degc",
    )  # fmt: skip
    _write_csv(path, heading, (_day(history, slice(i, i + per_day)) for i in _days(history)))


def _day(history: History, span: slice) -> Sequence[object]:
    weather, last = history.weather, span.stop
    total = {name: history.flux[name][span].sum() for name in FLUXES}
    base = thatch_node(history.last.column)
    depth = 0.05 + history.thatch_m[span]
    rows = zip(depth, history.level_depth_m[span], history.temperature_degc[span], strict=True)
    soil = np.mean([np.interp(d, levels, degc) for d, levels, degc in rows])
    values = (
        total["rain_mm"], total["watering_mm"], weather.reference_et_mm[span].sum(), total["demand_mm"],
        total["uptake_mm"], history.uptake_mm[span, : base + 1].sum(), total["past_thatch_mm"],
        history.uptake_depth_m(span.start, last), *(root_depth_m(history, last, share) for share in ROOT_SHARES),
        history.thatch_m[last], history.cover[last], history.green[last], weather.surface_temperature_degc[span].min(),
        weather.temperature_degc[span].mean(), soil,
    )  # fmt: skip
    return _step_time(history, span.start)[:10], *map(_text, values)


def root_depth_m(history: History, row: int, share: float) -> float:
    """Return the depth above which that share of all roots lies at a snapshot. [m]"""
    depth = history.node_depth_m[row]
    column = replace(history.last.column, depth_m=depth, length_m=np.diff(depth))
    return roots.depth_above_which_m(column, history.root_density[row] * node_volume_m(column), share)


def _write_rains(history: History, path: Path) -> None:
    names = (
        "fallen_mm", "past_thatch_mm", "canopy_mm", "runoff_mm", "evaporation_mm", "thatch_gain_mm",
        "thatch_uptake_mm", "pond_gain_mm",
    )  # fmt: skip
    rows = (
        (
            _step_time(history, rain.first_step),
            _step_time(history, rain.last_step),
            *(_text(getattr(rain, name)) for name in names),
        )
        for rain in history.rains()
    )
    _write_csv(path, ("begin", "followed_until", *names), rows)


def _write_uptake(history: History, path: Path) -> None:
    per_day = steps_in_a_day(history.weather)
    edges = np.array(UPTAKE_EDGES_M)
    heading = [f"from_{1000 * a:.0f}_to_{1000 * b:.0f}_mm" for a, b in pairwise(UPTAKE_EDGES_M)]
    rows = []
    for first in _days(history):
        depth, drunk = history.node_depth_m[first], history.uptake_mm[first : first + per_day].sum(axis=0)
        bounds = np.concatenate([[0.0], 0.5 * (depth[1:] + depth[:-1]), depth[-1:]])
        down_to = np.interp(edges, bounds, np.concatenate([[0.0], np.cumsum(drunk)]))
        rows.append((_step_time(history, first)[:10], *map(_text, np.diff(down_to))))
    _write_csv(path, ("day", *heading), rows)


def _write_strength(history: History, path: Path) -> None:
    noon = steps_in_a_day(history.weather) // 2
    rows = []
    for first in _days(history):
        at_ms = history.start_ms + (first + noon) * history.weather.step_s * 1000
        values = (history.value("cone_resistance", depth_m, at_ms) for depth_m in STRENGTH_DEPTHS_M)
        rows.append((_step_time(history, first + noon), *(_text(v if v is not None else np.nan) for v in values)))
    _write_csv(path, ("at", *(f"at_{1000 * depth:.0f}_mm_kpa" for depth in STRENGTH_DEPTHS_M)), rows)


def _write_healing(history: History, path: Path) -> None:
    per_day = steps_in_a_day(history.weather)
    rows = [
        (_step_time(history, first + per_day)[:10], name, _text(healed[first + per_day]))
        for name, healed in history.healed.items()
        for first in _days(history)
        if np.isfinite(healed[first + per_day])
    ]
    _write_csv(path, ("day_end", "pass", "healed"), rows)


def _days(history: History) -> range:
    """First step of each whole day."""
    per_day = steps_in_a_day(history.weather)
    return range(0, history.weather.count // per_day * per_day, per_day)


def _step_time(history: History, row: int) -> str:
    return _time(datetime.fromtimestamp(history.start_ms / 1000 + row * history.weather.step_s, UTC))


def _time(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def _text(value: float) -> str:
    """Seven digits, nothing where there is no number: as fine as anybody can use, and no last bit to argue about."""
    return "" if np.isnan(value) else f"{value:.7g}"


def _write_csv(path: Path, heading: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with open(path, "w", encoding="utf-8", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(heading)
        out.writerows(rows)
