"""A column of turf and soil and the water in it: grid, state, boundaries, and the step that closes its balance.

The Richards solver with names and units; its loops are in `kernels`. Depth is counted from the leaf base, positive
down. A column and its state are values: `advance` returns a new state and the flows, and changes neither.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulator import kernels
from simulator.materials import Material, table
from simulator.units import FloatArray


class ColumnError(Exception):
    """The water equation could not be advanced within its limits."""


@dataclass(frozen=True)
class Layer:
    """A layer of one material, from the layer above down `thickness_m`."""

    material: Material
    thickness_m: float


@dataclass(frozen=True)
class Interface:
    """A break between two layers: a gap, a root break, or a skin of repellent grains.

    Its conductance is least + open * exp(steepness * h) for heads h < 0 of the side the water comes from, so water
    crosses when that side is nearly full and hardly when it is drained; a drop in head counts up to `reach_m`, as the
    far side is touched at few points. The shape follows Gardner's exponential conductivity; the numbers are working
    values (ours, no source).
    """

    open_per_s: float = 2e-3
    steepness_per_m: float = 25.0
    least_per_s: float = 1e-11
    reach_m: float = 0.1


@dataclass(frozen=True)
class Repellency:
    """Water repellency of the thatch: dried below a critical content, its pores come to refuse water; contact mends it.

    A share of the pores, `least_share` to the power of the state (0 wettable, 1 fully repellent), takes water by the
    retention curve and conducts in proportion; the rest gives water off but takes none in. So rain on repellent thatch
    goes down by few paths while the body stays dry, and what these cannot carry stands and runs off. The pores that
    refuse are mended by the wet ones beside them, in proportion to their share, and all of them at once by water that
    stands (entry pressure, as in Bauters et al. 2000, J. Hydrol. 231-232, 233-243, from memory).

    Critical content after Dekker & Ritsema 1994, Water Resour. Res. 30, 2507-2517; 15 % is a starting value, no
    published one for thatch was found. Share, gradient and contact time are set so that the rate through dry thatch is
    very low at first and near the sustained one after 10 minutes under water (Taylor & Blake 1982). Drops that stand
    for 60-600 s count as strong (Dekker & Jungerius 1990, from memory). Gradient and entry are ours, without source.

    Made for thatch, of 20 mm/h and more: in ground that conducts a few mm/h its front takes very many steps.
    """

    critical_theta: float = 0.15  # [m3 m-3]
    least_share: float = 0.01  # of the pores that takes water and conducts it when fully repellent
    greatest_gradient: float = 5.0  # of head, by which fully repellent thatch can draw water in [m m-1]
    entry_m: float = 0.01  # suction from which up to 0 water is pressed into more and more of the pores
    contact_s: float = 300.0  # e-folding time of recovery under water
    drying_s: float = 86400.0  # e-folding time of turning repellent once below the critical content


@dataclass(frozen=True)
class Feddes:
    """Heads between which roots drink (Feddes, Kowalik & Zaradny 1978). Grass, from memory of Wesseling 1991."""

    too_wet_m: float = -0.10
    wet_limit_m: float = -0.25
    dry_limit_m: float = -5.0
    wilting_m: float = -80.0


@dataclass(frozen=True)
class Stepping:
    """Limits and tolerances of the time stepping."""

    theta_tolerance: float = 1e-3  # change of content by which the two stages may differ in a step [m3 m-3]
    water_tolerance_m: float = 1e-11  # residual of any node's water at which iterations stop
    dt_min_s: float = 1e-6
    dt_max_s: float = 3600.0
    max_iterations: int = 40
    max_steps: int = 50_000  # for one call of `advance`


@dataclass(frozen=True)
class TopBoundary:
    """What the sky and the grass ask of the column during one call of `advance`.

    Give `head_m` to hold the head at the surface (a benchmark, a flooded ring); otherwise water arrives at
    `supply_m_s`, ponds up to `pond_limit_m` and runs off above it at `runoff_per_s` times the excess. Evaporation
    goes at its potential rate down to the head `evaporation_wet_m` and falls with the logarithm of suction to nothing
    at `evaporation_dry_m`. A `bypass_share` of the supply goes down holes or cracks to `bypass_depth_m`.
    """

    supply_m_s: float = 0.0
    evaporation_m_s: float = 0.0
    transpiration_m_s: float = 0.0
    head_m: float | None = None
    pond_limit_m: float = 0.002
    runoff_per_s: float = 1.0 / 60.0
    evaporation_wet_m: float = -1.0
    evaporation_dry_m: float = -1000.0
    bypass_share: float = 0.0
    bypass_depth_m: float = 0.0


@dataclass(frozen=True)
class BottomBoundary:
    """Lower boundary: kind "free_drainage", "head" (value in m), "flux" (m s-1, down positive) or "seepage_face"."""

    kind: str = "free_drainage"
    value: float = 0.0


BOTTOMS = {
    "free_drainage": kernels.FREE_DRAINAGE,
    "head": kernels.BOTTOM_HEAD,
    "flux": kernels.BOTTOM_FLUX,
    "seepage_face": kernels.SEEPAGE_FACE,
}


@dataclass(frozen=True)
class Column:
    """A grid over layers. Nodes lie on layer boundaries; a break has two nodes at one depth and a link of length 0."""

    depth_m: FloatArray  # (node,)
    length_m: FloatArray  # (link,) 0 at a break
    link_material: NDArray[np.int64]  # (link,) row of `parameters`, -1 at a break
    materials: tuple[Material, ...]
    parameters: FloatArray
    bottom: BottomBoundary = BottomBoundary()
    interface: Interface | None = None
    repellency: Repellency | None = None
    repellent_depth_m: float = 0.0
    feddes: Feddes = Feddes()
    stepping: Stepping = Stepping()


@dataclass(frozen=True)
class ColumnState:
    """Water in a column.

    `head_m` is that of the pores that take water; `water_m` is the ledger of each node's water, a pond in the first;
    `repelling` runs from 0 wettable to 1 fully repellent and is negative where the ground cannot turn so; `held_theta`
    is the content of the pores that refuse water; `dt_s` is the step to try next.
    """

    head_m: FloatArray
    water_m: FloatArray
    repelling: FloatArray
    held_theta: FloatArray
    dt_s: float = 1.0


@dataclass(frozen=True)
class Flow:
    """Depths of water [m] that moved in one call of `advance`, and how the solver fared. `balance_error_m` is
    storage by heads against the start plus all fluxes."""

    link_m: FloatArray
    uptake_m: FloatArray
    supply_m: float
    evaporation_m: float
    runoff_m: float
    drainage_m: float
    balance_error_m: float
    steps: int
    rejected: int
    iterations: int


def graded(thickness_m: float, first_m: float, growth: float = 1.0, largest_m: float = 0.05) -> FloatArray:
    """Return the link lengths that fill a layer, starting near `first_m` and growing by `growth` up to `largest_m`."""
    lengths, total, size = [], 0.0, first_m
    while total + 0.5 * size < thickness_m:
        lengths.append(size)
        total += size
        size = min(size * growth, largest_m)
    if not lengths:
        return np.array([thickness_m])
    return np.array(lengths) * (thickness_m / total)


def build(
    layers: tuple[Layer, ...], *, spacing: tuple[FloatArray, ...], break_below: int | None = None, **more: object
) -> Column:
    """Lay a grid over layers.

    Parameters
    ----------
    layers : tuple of Layer
        From the surface down.
    spacing : tuple of ndarray
        Link lengths of each layer, see `graded`. [m]
    break_below : int, optional
        Index of the layer under which `interface` lies.
    **more
        Fields of `Column`: bottom, interface, repellency, repellent_depth_m, feddes, stepping.

    Returns
    -------
    Column

    Raises
    ------
    ValueError
        Where spacing and layers do not fit, the lower boundary has no known kind, or more than one material may repel.
    """
    if len(spacing) != len(layers):
        raise ValueError(f"spacing: found {len(spacing)} entries for {len(layers)} layers, expected one for each")
    used = tuple(dict.fromkeys(layer.material for layer in layers))
    lengths: list[float] = []
    links: list[int] = []
    for index, (layer, sizes) in enumerate(zip(layers, spacing, strict=True)):
        if not np.isclose(sizes.sum(), layer.thickness_m) or np.any(sizes <= 0.0):
            raise ValueError(f"layer {index}: spacing sums to {sizes.sum():.6g} m, expected {layer.thickness_m:.6g} m")
        lengths += sizes.tolist()
        links += [used.index(layer.material)] * sizes.size
        if break_below == index and index + 1 < len(layers):
            lengths.append(0.0)
            links.append(-1)
    length = np.array(lengths)
    column = Column(
        depth_m=np.concatenate([[0.0], np.cumsum(length)]),
        length_m=length,
        link_material=np.array(links, dtype=np.int64),
        materials=used,
        parameters=table(used),
        **more,  # type: ignore[arg-type]
    )
    if column.bottom.kind not in BOTTOMS:
        raise ValueError(f"bottom.kind: found {column.bottom.kind!r}, expected one of {', '.join(BOTTOMS)}")
    if len({column.link_material[i] for i in range(_links_that_repel(column))}) > 1:
        raise ValueError(
            f"repellent_depth_m: found {column.repellent_depth_m} through more than one material, expected within one"
        )
    if break_below is not None and column.interface is None:
        raise ValueError("interface: found none, expected an Interface where break_below is given")
    return column


def start(column: Column, head_m: FloatArray | float) -> ColumnState:
    """Return the state at the given heads. [m] A scalar holds for every node; above 0 at the surface is a pond."""
    head = np.array(np.broadcast_to(np.asarray(head_m, dtype=float), column.depth_m.shape))
    repelling = np.full(head.size, -1.0)
    if column.repellency is not None:
        repelling[: _links_that_repel(column) + 1] = 0.0  # of the two nodes at a break, the upper one
    state = ColumnState(head, np.zeros(head.size), repelling, np.zeros(head.size))
    water = node_water_m(column, state)
    water[0] += max(head[0], 0.0)
    return replace(state, water_m=water)


def _links_that_repel(column: Column) -> int:
    return int(np.sum((column.depth_m[1:] <= column.repellent_depth_m + 1e-9) & (column.length_m > 0.0)))


def node_volume_m(column: Column) -> FloatArray:
    """Return the thickness of ground each node stands for. [m]"""
    volume = np.zeros(column.depth_m.size)
    volume[:-1] += 0.5 * column.length_m
    volume[1:] += 0.5 * column.length_m
    return volume


def shut_share(column: Column, repelling: FloatArray) -> FloatArray:
    """Return the share of each node's pores that refuses water, negative where the ground cannot. [-]"""
    if column.repellency is None:
        return np.full(repelling.shape, -1.0)
    return np.where(repelling >= 0.0, 1.0 - column.repellency.least_share ** np.maximum(repelling, 0.0), -1.0)


def node_water_m(column: Column, state: ColumnState) -> FloatArray:
    """Return the water each node holds by its head and its pores that refuse water, the pond not counted. [m]"""
    count = state.head_m.size
    forcing = np.zeros(kernels.FORCING_ENTRIES)
    forcing[kernels.TOP] = kernels.TOP_HEAD
    forcing[kernels.BOTTOM] = kernels.BOTTOM_HEAD
    forcing[kernels.H_EVAP_WET], forcing[kernels.H_EVAP_DRY] = -1.0, -2.0
    forcing[kernels.POND_MAX] = np.inf
    forcing[kernels.FEDDES_1 : kernels.FEDDES_4 + 1] = (0.0, -1.0, -2.0, -3.0)
    pores, work = np.zeros((kernels.PORE_ROWS, count)), np.zeros((kernels.WORK_ROWS, count))
    pores[kernels.FACTOR] = 1.0
    pores[kernels.SHUT], pores[kernels.HELD] = shut_share(column, state.repelling), state.held_theta
    demand = (forcing, np.zeros(count), np.zeros(count))
    kernels.evaluate(state.head_m, _ground(column), pores, demand, work, np.zeros(5))
    water: FloatArray = work[kernels.WATER]
    return water


def porosity(column: Column) -> FloatArray:
    """Return the pore space of the ground of each node, averaged over a layer boundary by thickness. [m3 m-3]"""
    full = np.where(column.link_material >= 0, column.parameters[column.link_material, kernels.THETA_S], 0.0)
    half = 0.5 * full * column.length_m
    total = np.zeros(column.depth_m.size)
    total[:-1] += half
    total[1:] += half
    return total / node_volume_m(column)


def theta(column: Column, state: ColumnState) -> FloatArray:
    """Return the water content of the ground of each node, averaged over a layer boundary by thickness. [m3 m-3]

    At most the porosity: the least compression of full ground that the solver counts is left out.
    """
    return np.minimum(node_water_m(column, state) / node_volume_m(column), porosity(column))


def pond_m(state: ColumnState) -> float:
    """Return the depth of water standing on the surface. [m]"""
    return max(float(state.head_m[0]), 0.0)


def storage_m(column: Column, state: ColumnState, top_m: float = 0.0, base_m: float = np.inf) -> float:
    """Return the water in the ground between two depths, each node's water spread evenly over its half links. [m]"""
    water = node_water_m(column, state)
    volume = node_volume_m(column)
    upper = np.concatenate([[0.0], column.depth_m[1:] - 0.5 * column.length_m])
    lower = np.concatenate([column.depth_m[:-1] + 0.5 * column.length_m, [column.depth_m[-1]]])
    share = np.clip((np.minimum(lower, base_m) - np.maximum(upper, top_m)) / volume, 0.0, 1.0)
    return float(share @ water)


def _ground(column: Column) -> tuple[FloatArray, NDArray[np.int64], FloatArray, FloatArray]:
    gap = column.interface
    constants = np.array([0.0, 0.0, 0.0, 1.0])
    if gap is not None:
        constants = np.array([gap.open_per_s, gap.steepness_per_m, gap.least_per_s, gap.reach_m])
    return column.length_m, column.link_material, column.parameters, constants


def _forcing(column: Column, surface: TopBoundary, state: ColumnState) -> FloatArray:
    forcing = np.zeros(kernels.FORCING_ENTRIES)
    held = surface.head_m is not None
    forcing[kernels.TOP] = kernels.TOP_HEAD if held else kernels.TOP_FLUX
    forcing[kernels.TOP_VALUE] = surface.head_m if held else surface.supply_m_s * (1.0 - surface.bypass_share)
    forcing[kernels.BOTTOM], forcing[kernels.BOTTOM_VALUE] = BOTTOMS[column.bottom.kind], column.bottom.value
    forcing[kernels.EVAPORATION] = surface.evaporation_m_s
    forcing[kernels.H_EVAP_WET], forcing[kernels.H_EVAP_DRY] = surface.evaporation_wet_m, surface.evaporation_dry_m
    forcing[kernels.POND_MAX] = np.inf if held else surface.pond_limit_m
    forcing[kernels.RUNOFF_RATE] = surface.runoff_per_s
    forcing[kernels.TRANSPIRATION] = surface.transpiration_m_s
    limits = column.feddes
    forcing[kernels.FEDDES_1 : kernels.FEDDES_4 + 1] = (
        limits.too_wet_m, limits.wet_limit_m, limits.dry_limit_m, limits.wilting_m,
    )  # fmt: skip
    # nothing dries the ground past this; a head below it would be rounding where coarse ground holds no water at all
    driest = min(surface.evaporation_dry_m, limits.wilting_m, column.bottom.value)
    forcing[kernels.H_LEAST] = min(2.0 * driest, 1.01 * float(state.head_m.min()))
    return forcing


def advance(
    column: Column, state: ColumnState, surface: TopBoundary, duration_s: float, *, root_share: FloatArray | None = None
) -> tuple[ColumnState, Flow]:
    """Move the water for `duration_s` seconds under constant demands of the surface.

    Parameters
    ----------
    column, state, surface
        The ground, its water, and the sky's demands.
    duration_s : float
        Above 0. [s]
    root_share : ndarray, shape (node,), optional
        Share of the transpiration each node is asked for, before stress; more than 1 in all where roots make up for
        stressed ones, though what they drink is kept to the demand. None means no roots. [-]

    Returns
    -------
    ColumnState, Flow

    Raises
    ------
    ColumnError
        Where `stepping.max_steps` or `stepping.dt_min_s` is passed; a bug or absurd parameters, never waited out.
    """
    count = column.depth_m.size
    limits = column.stepping
    share = np.zeros(count) if root_share is None else np.asarray(root_share, dtype=float)
    source = np.zeros(count)
    if surface.bypass_share > 0.0:
        node = min(int(np.searchsorted(column.depth_m, surface.bypass_depth_m)), count - 1)
        source[node] = surface.bypass_share * surface.supply_m_s
    repel = column.repellency
    repellency = np.ones(6)
    if repel is not None:
        repellency = np.array(
            (
                *(repel.critical_theta, repel.least_share, repel.contact_s, repel.drying_s),
                *(repel.greatest_gradient, repel.entry_m),
            )
        )
    options = np.array(
        (
            *(limits.dt_min_s, limits.dt_max_s, limits.theta_tolerance, limits.water_tolerance_m),
            *(limits.max_iterations, limits.max_steps),
        ),
        dtype=float,
    )
    forcing = _forcing(column, surface, state)
    held = surface.head_m is not None
    head, ledger = state.head_m.copy(), state.water_m.copy()
    repelling, held_theta = state.repelling.copy(), state.held_theta.copy()
    if held:  # a held head is not a pond: no water stands on the ground but what the holder keeps there
        ledger[0] -= pond_m(state)
    link, uptake, totals = np.zeros(count - 1), np.zeros(count), np.zeros(8)
    # floats, not whole numbers: another type would make the compiler build the whole kernel a second time
    status, dt = kernels.advance(
        float(duration_s), float(state.dt_s), head, ledger, repelling, held_theta, _ground(column),
        (forcing, share, source), repellency, options, link, uptake, totals,
    )  # fmt: skip
    if status != kernels.CONVERGED:
        many = status == kernels.TOO_MANY_STEPS
        what = f"more than {limits.max_steps} steps" if many else f"a step under {limits.dt_min_s} s"
        raise ColumnError(
            f"column: needed {what} for {duration_s} s of {surface}; head {head.min():.3g} to {head.max():.3g} m. "
            "Look for a layer thinner than its neighbours by far, or raise stepping.theta_tolerance."
        )
    after = replace(state, head_m=head, water_m=ledger, repelling=repelling, held_theta=held_theta, dt_s=float(dt))
    gained = float(node_water_m(column, after).sum() - node_water_m(column, state).sum())
    if held:
        ledger[0] += max(float(head[0]), 0.0)
    else:
        gained += max(float(head[0]), 0.0) - pond_m(state)
    inflow = float(totals[kernels.INFLOW] + totals[kernels.BYPASSED])
    evaporation, runoff, drainage = totals[[kernels.EVAPORATED, kernels.RUNOFF, kernels.DRAINED]].tolist()
    lost = evaporation + runoff + drainage + float(uptake.sum())
    steps, rejected, iterations = totals[[kernels.STEPS, kernels.REJECTED, kernels.ITERATIONS]].astype(int).tolist()
    error = gained - (inflow - lost)
    flow = Flow(link, uptake, inflow, evaporation, runoff, drainage, error, steps, rejected, iterations)
    return after, flow
