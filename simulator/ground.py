"""One station's ground: weather, grass, roots, water and heat stepped together, as physical truth.

A `TurfProfile` holds what does not change, a `GroundState` the state at a moment; `step` moves water and heat through
one step of weather, `end_of_day` lets roots and grass live a day. `history` runs many steps.
"""

from dataclasses import dataclass, replace

import numpy as np

from simulator import heat, roots
from simulator.column import (
    BottomBoundary,
    Column,
    ColumnState,
    Feddes,
    Flow,
    Interface,
    Layer,
    Repellency,
    Stepping,
    TopBoundary,
    advance,
    build,
    graded,
    node_volume_m,
    node_water_m,
    porosity,
    start,
    theta,
)
from simulator.materials import Material
from simulator.strength import cone_resistance_kpa
from simulator.sward import COOL_GRASS, Grass, Pass, Sward, after_day, after_pass
from simulator.units import FloatArray

FREE_DRAINING, GRASS_FEDDES, STEPPING = BottomBoundary(), Feddes(), Stepping()
STRESS_LEAST = 0.5  # roots make up elsewhere for what dry roots miss, down to this share (Jarvis 1989, his omega_c)


@dataclass(frozen=True)
class TurfProfile:
    """What stays the same at a station: soils, grass, how water gets in and out."""

    thatch: Material
    soils: tuple[Layer, ...]
    thatch_m: float
    grass: Grass = COOL_GRASS
    traits: roots.RootTraits = roots.COOL
    interface: Interface | None = None
    repellency: Repellency | None = None
    bottom: BottomBoundary = FREE_DRAINING
    feddes: Feddes = GRASS_FEDDES
    stepping: Stepping = STEPPING
    pond_limit_m: float = 0.002
    bypass_share: float = 0.0  # cracks and worm holes that are always there


@dataclass(frozen=True)
class GroundState:
    """State of a station at a moment."""

    column: Column
    water: ColumnState
    levels: heat.HeatGrid
    temperature_degc: FloatArray  # of the levels
    density: FloatArray  # of roots, by node
    sward: Sward
    canopy_mm: float = 0.0
    surface_degc: float = 10.0


@dataclass(frozen=True)
class GroundFluxes:
    """What moved in one step. All depths of water in mm.

    `past_thatch_mm` crossed the base of the thatch, up negative, holes included; `thatch_change_mm` is the water that
    came with grown thatch or left with lifted thatch; `balance_error_mm` is what does not add up in the ground.
    """

    rain_mm: float
    watering_mm: float
    canopy_evaporation_mm: float
    throughfall_mm: float
    evaporation_mm: float
    demand_mm: float
    uptake_mm: float
    uptake_by_node_mm: FloatArray
    past_thatch_mm: float
    bypass_mm: float
    drainage_mm: float
    runoff_mm: float
    thatch_change_mm: float
    balance_error_mm: float
    solver_steps: int


def thatch_node(column: Column) -> int:
    """Return the node at the base of the thatch, the upper one where there is a break."""
    return int(np.argmax(column.link_material != column.link_material[0]))


def column_of(turf: TurfProfile) -> Column:
    """Return the grid of a turf: under 2 mm in the thatch (it may grow), 2 mm below it, growing to 40 mm."""
    count = max(4, int(np.ceil(turf.thatch_m / 0.0017)))
    spacing = [np.full(count, turf.thatch_m / count)]
    first = 0.002
    for layer in turf.soils:
        sizes = graded(layer.thickness_m, first, 1.22, 0.04)
        spacing.append(sizes)
        first = min(float(sizes[-1]), 0.02)
    return build(
        (Layer(turf.thatch, turf.thatch_m), *turf.soils),
        spacing=tuple(spacing),
        break_below=0 if turf.interface is not None else None,
        bottom=turf.bottom,
        interface=turf.interface,
        repellency=turf.repellency,
        repellent_depth_m=turf.thatch_m,
        feddes=turf.feddes,
        stepping=turf.stepping,
    )


def prepare(
    turf: TurfProfile,
    *,
    head_m: float = -1.0,
    temperature_degc: float = 10.0,
    rooted_to_m: float = 0.12,
    green: float = 1.0,
) -> GroundState:
    """Return a station at rest: one head and one temperature throughout, 95 % of its roots above a depth.

    Raises
    ------
    ValueError
        Where the thatch is thinner than 1 mm, or of the same material as the soil under it.
    """
    if turf.thatch_m < 0.001:
        raise ValueError(f"thatch_m: found {turf.thatch_m}, expected at least 0.001")
    if turf.soils[0].material == turf.thatch:
        raise ValueError(f"soils: found {turf.thatch.name} under thatch of the same material, expected a soil")
    column = column_of(turf)
    levels = heat.grid(column)
    return GroundState(
        column=column,
        water=start(column, head_m),
        levels=levels,
        temperature_degc=np.full(levels.depth_m.size, temperature_degc),
        density=roots.rooted_to(column, rooted_to_m),
        sward=Sward(turf.thatch_m, green=green),
        surface_degc=temperature_degc,
    )


def _surface(
    turf: TurfProfile, ground: GroundState, rate_m_s: float, evaporation_mm: float, demand_mm: float, step_s: int
) -> TopBoundary:
    holes = 1.0 - (1.0 - turf.bypass_share) * (1.0 - ground.sward.hole_share)
    below = ground.column.depth_m[thatch_node(ground.column)] + 0.01
    return TopBoundary(
        supply_m_s=rate_m_s,
        evaporation_m_s=evaporation_mm / 1000.0 / step_s,
        transpiration_m_s=demand_mm / 1000.0 / step_s,
        pond_limit_m=turf.pond_limit_m,
        bypass_share=holes,
        bypass_depth_m=below,
    )


def _stress(head: FloatArray, limits: Feddes) -> FloatArray:
    marks = [limits.wilting_m, limits.dry_limit_m, limits.wet_limit_m, limits.too_wet_m]
    return np.interp(head, marks, [0.0, 1.0, 1.0, 0.0])


def step(
    turf: TurfProfile,
    ground: GroundState,
    *,
    step_s: int,
    rain_mm: float,
    reference_et_mm: float,
    surface_temperature_degc: float,
    watering_mm: float = 0.0,
) -> tuple[GroundState, GroundFluxes]:
    """Move water and heat by one step of weather; grass and roots move at the end of a day, by `end_of_day`.

    Parameters
    ----------
    turf : TurfProfile
    ground : GroundState
    step_s : int
        [s]
    rain_mm, watering_mm, reference_et_mm : float
        Totals of the step.
    surface_temperature_degc : float
        At the end of the step.

    Returns
    -------
    GroundState, GroundFluxes
    """
    grass, cover = turf.grass, ground.sward.cover
    falling = rain_mm + watering_mm
    held = min(ground.canopy_mm + falling, grass.canopy_mm * cover)
    held = max(held, min(ground.canopy_mm, grass.canopy_mm))  # a canopy that shrank keeps its drops till they dry
    through = ground.canopy_mm + falling - held
    asked = max(grass.crop_coefficient * reference_et_mm, 0.0)
    from_leaves = min(held, asked)
    asked -= from_leaves
    demand = asked * grass.shade * cover
    evaporation = asked * (1.0 - grass.shade * cover) * grass.mulch
    root_share = roots.share(ground.column, ground.density)
    met = float(root_share @ _stress(ground.water.head_m, ground.column.feddes))
    root_share = root_share / max(met, STRESS_LEAST)
    surface = _surface(turf, ground, through / 1000.0 / step_s, evaporation, demand, step_s)
    water, flow = advance(ground.column, ground.water, surface, step_s, root_share=root_share)
    content = water.water_m / node_volume_m(ground.column)
    content[0] = min(content[0], 1.0)  # the first node's ledger has the pond in it
    capacity, conductivity = heat.properties(content, ground.levels)
    temperature = heat.conduct(
        ground.levels, ground.temperature_degc, capacity, conductivity,
        surface_first_degc=ground.surface_degc, surface_last_degc=surface_temperature_degc, duration_s=step_s,
    )  # fmt: skip
    after = replace(
        ground, water=water, temperature_degc=temperature, canopy_mm=held - from_leaves,
        surface_degc=surface_temperature_degc,
    )  # fmt: skip
    return after, _moved(ground, flow, surface, rain_mm, watering_mm, from_leaves, through, demand)


def _moved(
    ground: GroundState,
    flow: Flow,
    surface: TopBoundary,
    rain: float,
    watering: float,
    leaves: float,
    through: float,
    demand: float,
) -> GroundFluxes:
    base = thatch_node(ground.column)
    bypass = through * surface.bypass_share
    return GroundFluxes(
        rain_mm=rain,
        watering_mm=watering,
        canopy_evaporation_mm=leaves,
        throughfall_mm=through,
        evaporation_mm=1000.0 * flow.evaporation_m,
        demand_mm=demand,
        uptake_mm=1000.0 * float(flow.uptake_m.sum()),
        uptake_by_node_mm=1000.0 * flow.uptake_m,
        past_thatch_mm=1000.0 * float(flow.link_m[base]) + bypass,
        bypass_mm=bypass,
        drainage_mm=1000.0 * flow.drainage_m,
        runoff_mm=1000.0 * flow.runoff_m,
        thatch_change_mm=0.0,
        balance_error_mm=1000.0 * flow.balance_error_m,
        solver_steps=flow.steps,
    )


def bulk_density_kg_m3(column: Column) -> FloatArray:
    """Return the bulk density of the ground each node stands for, averaged over a layer boundary. [kg m-3]"""
    density = np.where(
        column.link_material >= 0, [column.materials[m].bulk_density_kg_m3 for m in column.link_material], 0.0
    )
    half = 0.5 * density * column.length_m
    weight_m: FloatArray = np.concatenate([[0.0], half]) + np.concatenate([half, [0.0]])
    return weight_m / node_volume_m(column)


def strength_kpa(ground: GroundState) -> FloatArray:
    """Return the cone resistance at the nodes now. [kPa]"""
    full = porosity(ground.column)
    content = theta(ground.column, ground.water)
    return cone_resistance_kpa(ground.water.head_m, content / full, bulk_density_kg_m3(ground.column))


def node_temperature_degc(ground: GroundState) -> FloatArray:
    """Return the temperature at the nodes of the water column. [degC]"""
    return np.interp(ground.column.depth_m, ground.levels.depth_m, ground.temperature_degc)


def end_of_day(
    turf: TurfProfile, ground: GroundState, *, mean_air_degc: float, met_share: float
) -> tuple[GroundState, float]:
    """Let roots and sward live a day; return the ground and the water that came with grown thatch. [mm]

    `met_share` is the day's uptake over its demand, 1 where there was none.
    """
    content = theta(ground.column, ground.water)
    density = roots.grow(
        ground.column, ground.density, head_m=ground.water.head_m, air=porosity(ground.column) - content,
        temperature_degc=node_temperature_degc(ground), strength_kpa=strength_kpa(ground), traits=turf.traits,
        vigour=ground.sward.cover,
    )  # fmt: skip
    sward = after_day(ground.sward, turf.grass, temperature_degc=mean_air_degc, water=met_share)
    return _with_thatch(replace(ground, density=density), sward)


def make_pass(ground: GroundState, done: Pass) -> tuple[GroundState, float]:
    """Make a pass over the turf; return the ground and the water that left with the thatch, negative. [mm]"""
    density = roots.cut(ground.column, ground.density, area_share=done.area_share, depth_m=done.depth_m)
    return _with_thatch(replace(ground, density=density), after_pass(ground.sward, done))


def _with_thatch(ground: GroundState, sward: Sward) -> tuple[GroundState, float]:
    """Stretch or shrink the thatch to the sward's, heads kept: new thatch comes as wet as old, lifted takes its own."""
    column, base = ground.column, thatch_node(ground.column)
    length = column.length_m.copy()
    length[:base] *= sward.thatch_m / column.depth_m[base]
    depth = np.concatenate([[0.0], np.cumsum(length)])
    grown = replace(column, length_m=length, depth_m=depth)
    gain = node_water_m(grown, ground.water) - node_water_m(column, ground.water)
    levels = heat.grid(grown)
    water = replace(ground.water, water_m=ground.water.water_m + gain)
    return replace(ground, column=grown, water=water, levels=levels, sward=sward), 1000.0 * float(gain.sum())
