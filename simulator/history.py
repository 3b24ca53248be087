"""A station's ground run through weather, waterings and passes, kept as physical truth for any moment of the run.

`run` makes a `History`: water, heat, roots, grass and every flux, with a closed ledger. It answers a virtual probe by
quantity, depth and time, and gives an account of each rain.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np

from simulator import ground as stations
from simulator import kernels
from simulator.column import ColumnState, node_volume_m, node_water_m, shut_share, storage_m
from simulator.ground import GroundFluxes, GroundState, TurfProfile
from simulator.materials import Material
from simulator.permittivity import Relation, turf_layer
from simulator.strength import cone_resistance_kpa
from simulator.sward import Pass
from simulator.units import DAY_S, HOUR_S, FloatArray
from simulator.weather import Weather

PORE_WATER_EC_DS_M = 1.2  # of watered turf (ours): between rain and slightly salty
WEATHER_SERIES = {
    "air_temperature": "temperature_degc",
    "wind_speed": "wind_m_s",
    "solar_radiation": "solar_w_m2",
    "relative_humidity": "relative_humidity_percent",
    "surface_temperature": "surface_temperature_degc",
}
FLUXES = (
    "rain_mm", "watering_mm", "canopy_evaporation_mm", "throughfall_mm", "evaporation_mm", "demand_mm", "uptake_mm",
    "past_thatch_mm", "bypass_mm", "drainage_mm", "runoff_mm", "thatch_change_mm", "balance_error_mm", "solver_steps",
)  # fmt: skip

PLAIN_STEPS = 200  # a longer run is compiled: by plain Python it takes some 2 s, as one from the compiler's cache does
PROFILES = ("head_m", "node_depth_m", "repelling", "held_theta", "root_density")


def _relation(made_of: Material) -> Relation:
    return turf_layer(
        porosity=made_of.theta_s,
        bulk_density_g_cm3=made_of.bulk_density_kg_m3 / 1000.0,
        organic_share=made_of.organic_share,
    )


@dataclass(frozen=True)
class RainAccount:
    """What became of one rain or watering, from its first step to the end of what followed. [mm]"""

    first_step: int
    last_step: int  # the first after it
    fallen_mm: float
    past_thatch_mm: float
    canopy_mm: float
    runoff_mm: float
    evaporation_mm: float
    thatch_gain_mm: float
    thatch_uptake_mm: float
    pond_gain_mm: float


@dataclass(frozen=True)
class History:
    """Truth of one station. Snapshots (rows of n + 1) stand at the ends of steps, the first at the start.

    Attributes
    ----------
    turf : TurfProfile
    weather : Weather
    flux : dict of str to ndarray, shape (n,)
        By the names of `FLUXES`; totals of the steps. [mm] `solver_steps` is a count.
    head_m, node_depth_m, repelling, held_theta : ndarray, shape (n + 1, node)
        As in `ColumnState`.
    level_depth_m, temperature_degc : ndarray, shape (n + 1, level)
    uptake_mm : ndarray, shape (n, node)
    root_density : ndarray, shape (n + 1, node)
    thatch_m, cover, green, canopy_mm, pond_mm, thatch_water_mm, ground_water_mm : ndarray, shape (n + 1,)
        `ground_water_mm` is all water in the column, thatch included, pond and canopy not.
    healed : dict of str to ndarray, shape (n + 1,)
        Share healed of each pass, by number and name in the order made; NaN before it.
    last : GroundState
        State to go on from.
    """

    turf: TurfProfile
    weather: Weather
    flux: dict[str, FloatArray]
    head_m: FloatArray
    node_depth_m: FloatArray
    repelling: FloatArray
    held_theta: FloatArray
    level_depth_m: FloatArray
    temperature_degc: FloatArray
    uptake_mm: FloatArray
    root_density: FloatArray
    thatch_m: FloatArray
    cover: FloatArray
    green: FloatArray
    canopy_mm: FloatArray
    pond_mm: FloatArray
    thatch_water_mm: FloatArray
    ground_water_mm: FloatArray
    healed: dict[str, FloatArray]
    last: GroundState

    @cached_property
    def start_ms(self) -> int:
        """First moment that has values. [ms since 1970, UTC]"""
        return round(self.weather.start.timestamp() * 1000)

    @cached_property
    def end_ms(self) -> int:
        """Last moment that has values. [ms since 1970, UTC]"""
        return self.start_ms + self.weather.count * self.weather.step_s * 1000

    @property
    def rain_total_mm(self) -> float:
        """Rain of the whole run. [mm]"""
        return float(self.flux["rain_mm"].sum())

    def balance_error_mm(self) -> float:
        """Return the water at the end less the start and all that moved: what the ledger does not explain. [mm]"""
        total = self.ground_water_mm + self.pond_mm + self.canopy_mm
        flux = {name: float(values.sum()) for name, values in self.flux.items()}
        gained = flux["rain_mm"] + flux["watering_mm"] + flux["thatch_change_mm"]
        lost = flux["canopy_evaporation_mm"] + flux["evaporation_mm"] + flux["uptake_mm"]
        lost += flux["drainage_mm"] + flux["runoff_mm"]
        return float(total[-1] - total[0]) - (gained - lost)

    def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float | None:
        """Return physical truth at a moment, straight lines between the ends of steps.

        Parameters
        ----------
        quantity : str
            Name in `hardware.quantities`.
        depth_m : float or None
            Below the leaf base, positive down. [m] None above ground.
        at_ms : int
            [ms since 1970, UTC]

        Returns
        -------
        float or None
            In the quantity's own unit; None outside the run, below the column, or for a quantity there is none of.
        """
        if not self.start_ms <= at_ms <= self.end_ms:
            return None
        position = (at_ms - self.start_ms) / (self.weather.step_s * 1000.0)
        row = min(int(position), self.weather.count - 1)
        share = position - row
        if quantity == "rain_total":
            return float(self.flux["rain_mm"][:row].sum() + share * self.flux["rain_mm"][row])
        if quantity in WEATHER_SERIES:
            return float(getattr(self.weather, WEATHER_SERIES[quantity])[row])
        if depth_m is None or depth_m > self.node_depth_m[row, -1]:
            return None
        before = self._in_ground(quantity, depth_m, row)
        if share == 0.0:
            return before
        after = self._in_ground(quantity, depth_m, row + 1)
        return None if before is None or after is None else before + share * (after - before)

    def _in_ground(self, quantity: str, depth_m: float, row: int) -> float | None:
        if quantity == "soil_temperature":
            return float(np.interp(depth_m, self.level_depth_m[row], self.temperature_degc[row]))
        depth, head = self.node_depth_m[row], self.head_m[row]
        # the link that holds the depth; one of length 0 (a break) never does
        link = min(max(int(depth.searchsorted(depth_m, side="right")) - 1, 0), depth.size - 2)
        length = depth[link + 1] - depth[link]
        here = float(head[link] + (head[link + 1] - head[link]) * max(depth_m - depth[link], 0.0) / length)
        material = int(self.last.column.link_material[link])
        content = float(kernels.hydraulics(self.last.column.parameters[material], min(here, 0.0))[0])
        content = self._as_held(content, row, link, max(depth_m - depth[link], 0.0) / length)
        if quantity == "water_content":
            return content
        if quantity == "apparent_permittivity":
            return self._relations[material](content)
        if quantity == "bulk_ec":
            # Rhoades, Raats & Prather 1976 (Soil Sci. Soc. Am. J. 40, 651-655), loam, constants from memory
            return PORE_WATER_EC_DS_M * content * (1.3 * content + 0.1) + 0.05
        if quantity == "cone_resistance":
            made_of = self.last.column.materials[material]
            wet = np.array([content / made_of.theta_s])
            return float(cone_resistance_kpa(np.array([here]), wet, np.array([made_of.bulk_density_kg_m3]))[0])
        return None

    def _as_held(self, content: float, row: int, link: int, share: float) -> float:
        """Content of ground of which some pores refuse water, a share of the way down a link, by that of the others."""
        ends = self.repelling[row, link : link + 2]
        if ends[1] < 0.0:  # below the ground that can repel, which begins at the surface
            return content
        (shut_above, shut_below), held = shut_share(self.last.column, ends), self.held_theta[row, link : link + 2]
        shut = shut_above + share * (shut_below - shut_above)
        return float(content - shut * max(content - (held[0] + share * (held[1] - held[0])), 0.0))

    def thatch_at(self, at_ms: int) -> float:
        """Return the thickness of the thatch at a moment of the run. [m]"""
        return float(self.thatch_m[round((at_ms - self.start_ms) / (self.weather.step_s * 1000.0))])

    @cached_property
    def _relations(self) -> tuple[Relation, ...]:
        return tuple(_relation(made_of) for made_of in self.last.column.materials)

    def storage_mm(self, top_m: float, base_m: float) -> FloatArray:
        """Return the water between two depths below the leaf base at every snapshot, the pond left out. [mm]"""
        column, found = self.last.column, []
        for row, depth in enumerate(self.node_depth_m):
            then = replace(column, depth_m=depth, length_m=np.diff(depth))
            found.append(1000.0 * storage_m(then, self._water(row), top_m, base_m))
        return np.array(found)

    def storage_below_thatch_mm(self, depth_m: float) -> FloatArray:
        """Return the water from the base of the thatch down to a depth of soil, at every snapshot. [mm]"""
        column, found = self.last.column, []
        for row, (depth, thatch_m) in enumerate(zip(self.node_depth_m, self.thatch_m, strict=True)):
            then = replace(column, depth_m=depth, length_m=np.diff(depth))
            found.append(1000.0 * storage_m(then, self._water(row), thatch_m, thatch_m + depth_m))
        return np.array(found)

    def _water(self, row: int) -> ColumnState:
        return replace(
            self.last.water, head_m=self.head_m[row], repelling=self.repelling[row], held_theta=self.held_theta[row]
        )

    def water_content(self, depth_m: float) -> FloatArray:
        """Return the water content at one depth at every snapshot, as `value` does one by one. [m3 m-3]"""
        column, row = self.last.column, np.arange(self.head_m.shape[0])
        link = np.clip((self.node_depth_m <= depth_m).sum(axis=1) - 1, 0, self.node_depth_m.shape[1] - 2)
        top_m = self.node_depth_m[row, link]
        share = np.maximum(depth_m - top_m, 0.0) / (self.node_depth_m[row, link + 1] - top_m)

        def here(each: FloatArray) -> FloatArray:
            above = each[row, link]
            return np.asarray(above + share * (each[row, link + 1] - above), dtype=np.float64)

        content = kernels.contents(column.parameters, column.link_material[link], np.minimum(here(self.head_m), 0.0))
        refused = here(shut_share(column, self.repelling)) * np.maximum(content - here(self.held_theta), 0.0)
        # below the ground that can repel, which begins at the surface, nothing is refused
        return np.where(self.repelling[row, link + 1] < 0.0, content, content - refused)

    def uptake_depth_m(self, first_step: int, last_step: int, fraction: float = 0.95) -> float:
        """Return the depth above which `fraction` of the uptake of some steps lies. [m] NaN where there was none."""
        depth, amount = self.node_depth_m[last_step], self.uptake_mm[first_step:last_step].sum(axis=0)
        total = amount.sum()
        if not total > 0.0:
            return float("nan")
        edges = np.concatenate([[0.0], 0.5 * (depth[1:] + depth[:-1]), depth[-1:]])
        return float(np.interp(fraction * total, np.concatenate([[0.0], np.cumsum(amount)]), edges))

    def rains(self, *, gap_h: float = 6.0, follow_h: float = 24.0) -> Iterator[RainAccount]:
        """Yield what became of each rain or watering.

        One ends when nothing fell for `gap_h`, and is followed for `follow_h` or until the next begins. [h]
        """
        per_hour = HOUR_S / self.weather.step_s
        wet = np.flatnonzero(self.flux["rain_mm"] + self.flux["watering_mm"] > 0.0)
        if wet.size == 0:
            return
        breaks = np.flatnonzero(np.diff(wet) > gap_h * per_hour)
        firsts = wet[np.concatenate([[0], breaks + 1])]
        lasts = wet[np.concatenate([breaks, [wet.size - 1]])] + 1
        ends = np.minimum(lasts + round(follow_h * per_hour), np.concatenate([firsts[1:], [self.weather.count]]))
        for first, end in zip(firsts.tolist(), ends.tolist(), strict=True):
            yield self._rain(first, end)

    def _rain(self, first: int, end: int) -> RainAccount:
        def total(name: str) -> float:
            return float(self.flux[name][first:end].sum())

        base = stations.thatch_node(self.last.column)
        return RainAccount(
            first, end, total("rain_mm") + total("watering_mm"), total("past_thatch_mm"),
            total("canopy_evaporation_mm") + float(self.canopy_mm[end] - self.canopy_mm[first]), total("runoff_mm"),
            total("evaporation_mm"), float(self.thatch_water_mm[end] - self.thatch_water_mm[first]),
            float(self.uptake_mm[first:end, : base + 1].sum()), float(self.pond_mm[end] - self.pond_mm[first]),
        )  # fmt: skip


class ToldSpan(Protocol):
    """Truth of a station over some days: a `History`, or a record of one."""

    @property
    def start_ms(self) -> int:
        """First moment that has values. [ms since 1970, UTC]"""
        ...

    @property
    def end_ms(self) -> int:
        """Last moment that has values. [ms since 1970, UTC]"""
        ...

    @property
    def rain_total_mm(self) -> float:
        """Rain of all of it. [mm]"""
        ...

    def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float | None:
        """Return the same as `History.value`."""
        ...

    def thatch_at(self, at_ms: int) -> float:
        """Return the thickness of the thatch. [m]"""
        ...


@dataclass(frozen=True)
class JoinedHistory:
    """Histories that follow one another, asked as one: hourly years first, say, then quarter hours, then day by day."""

    parts: tuple[ToldSpan, ...]

    @property
    def start_ms(self) -> int:
        """First moment that has values. [ms since 1970, UTC]"""
        return self.parts[0].start_ms

    @property
    def end_ms(self) -> int:
        """Last moment that has values. [ms since 1970, UTC]"""
        return self.parts[-1].end_ms

    def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float | None:
        """Return the same as `History.value`; the rain total runs on from part to part."""
        before = 0.0
        for part in self.parts:
            if at_ms <= part.end_ms:
                found = part.value(quantity, depth_m, at_ms)
                return None if found is None else found + before
            if quantity == "rain_total":
                before += part.rain_total_mm
        return None

    def thatch_at(self, at_ms: int) -> float:
        """Return the thickness of the thatch at a moment of the run. [m]"""
        return next(part for part in self.parts if at_ms <= part.end_ms).thatch_at(at_ms)


class _Recorder:
    """Rows of a history while it is made."""

    def __init__(self, turf: TurfProfile, weather: Weather, ground: GroundState) -> None:
        count, nodes, levels = weather.count, ground.column.depth_m.size, ground.levels.depth_m.size
        self.turf, self.weather = turf, weather
        self.flux = {name: np.zeros(count) for name in FLUXES}
        self.profiles = {name: np.zeros((count + 1, nodes)) for name in PROFILES}
        self.heat = {name: np.zeros((count + 1, levels)) for name in ("level_depth_m", "temperature_degc")}
        names = ("thatch_m", "cover", "green", "canopy_mm", "pond_mm", "thatch_water_mm", "ground_water_mm")
        self.scalar = {name: np.zeros(count + 1) for name in names}
        self.uptake = np.zeros((count, nodes))
        self.healed: dict[str, FloatArray] = {}

    def state(self, row: int, ground: GroundState) -> None:
        column, sward = ground.column, ground.sward
        self.profiles["head_m"][row], self.profiles["node_depth_m"][row] = ground.water.head_m, column.depth_m
        self.profiles["repelling"][row], self.profiles["held_theta"][row] = (
            ground.water.repelling,
            ground.water.held_theta,
        )
        self.profiles["root_density"][row] = ground.density
        self.heat["level_depth_m"][row], self.heat["temperature_degc"][row] = (
            ground.levels.depth_m,
            ground.temperature_degc,
        )
        self.scalar["thatch_m"][row], self.scalar["cover"][row] = sward.thatch_m, sward.cover
        self.scalar["green"][row], self.scalar["canopy_mm"][row] = sward.green, ground.canopy_mm
        self.scalar["pond_mm"][row] = 1000.0 * max(float(ground.water.head_m[0]), 0.0)
        water = 1000.0 * node_water_m(column, ground.water)
        base = stations.thatch_node(column)
        last_share = 0.5 * column.length_m[base - 1] / node_volume_m(column)[base]
        self.scalar["thatch_water_mm"][row] = water[:base].sum() + last_share * water[base]
        self.scalar["ground_water_mm"][row] = water.sum()
        for number, wound in enumerate(sward.wounds, start=1):
            name = f"{number} {wound.name}"
            if name not in self.healed:
                self.healed[name] = np.full(self.weather.count + 1, np.nan)
            self.healed[name][row] = wound.healed

    def moved(self, index: int, step: GroundFluxes) -> None:
        for name in FLUXES:
            self.flux[name][index] += getattr(step, name)
        self.uptake[index] = step.uptake_by_node_mm

    def history(self, last: GroundState) -> History:
        return History(
            turf=self.turf, weather=self.weather, flux=self.flux, uptake_mm=self.uptake, healed=self.healed,
            last=last, **self.profiles, **self.heat, **self.scalar,
        )  # fmt: skip


def run(
    turf: TurfProfile,
    weather: Weather,
    *,
    first: GroundState | None = None,
    watering_mm: FloatArray | None = None,
    passes: tuple[tuple[int, Pass], ...] = (),
) -> History:
    """Run a station through weather.

    Parameters
    ----------
    turf : TurfProfile
    weather : Weather
    first : GroundState, optional
        State to start from; None means `ground.prepare(turf)`.
    watering_mm : ndarray, shape (step,), optional
        Water given in each step. [mm]
    passes : tuple of (step, Pass)
        Passes made at the beginning of a step.

    Returns
    -------
    History
    """
    if weather.count > PLAIN_STEPS:
        kernels.compile_loops()
    ground = stations.prepare(turf) if first is None else first
    given = np.zeros(weather.count) if watering_mm is None else watering_mm
    rows = _Recorder(turf, weather, ground)
    rows.state(0, ground)
    for index in range(weather.count):
        for done in (entry for when, entry in passes if when == index):
            ground, change = stations.make_pass(ground, done)
            rows.flux["thatch_change_mm"][index] += change
        ground, moved = stations.step(
            turf, ground, step_s=weather.step_s, rain_mm=float(weather.rain_mm[index]),
            reference_et_mm=float(weather.reference_et_mm[index]), watering_mm=float(given[index]),
            surface_temperature_degc=float(weather.surface_temperature_degc[index]),
        )  # fmt: skip
        rows.moved(index, moved)
        if (index + 1) * weather.step_s % DAY_S == 0:
            ground, change = _finish_day(rows, ground, index)
            rows.flux["thatch_change_mm"][index] += change
        rows.state(index + 1, ground)
    return rows.history(ground)


def _finish_day(rows: _Recorder, ground: GroundState, index: int) -> tuple[GroundState, float]:
    span = slice(index + 1 - DAY_S // rows.weather.step_s, index + 1)
    demand, uptake = rows.flux["demand_mm"][span].sum(), rows.flux["uptake_mm"][span].sum()
    met = min(float(uptake / demand), 1.0) if demand > 0.05 else 1.0
    mean_air = float(rows.weather.temperature_degc[span].mean())
    return stations.end_of_day(rows.turf, ground, mean_air_degc=mean_air, met_share=met)
