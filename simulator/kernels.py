"""The numeric loops of the ground: Richards equation in the water column, heat conduction, and their compilation.

Arrays and scalars in SI units (metres, seconds), so that numba can compile them; `column` and `heat` are the parts with
names. They run as plain Python until `compile_loops` is called, and for good where numba is not installed: more slowly,
to the same answer. All kernels stand in this one file because the compiler's cache looks at the date of one file only.

Water: nodes at layer boundaries, so head is continuous and each link between two nodes has one material; lumped
storage; mixed form (Celia, Bouloutas & Zarba 1990, Water Resour. Res. 26(7), 1483-1496) with the water content as the
conserved quantity; two-stage L-stable singly diagonal Runge-Kutta in time (Alexander 1977, SIAM J. Numer. Anal. 14,
1006-1021), gamma = 1 - 1/sqrt(2); Newton iterations. Each node keeps a ledger of its water that moves by fluxes only
and is the starting point of the next step, so what an iteration leaves unsolved is put right in the next and never
adds up. A pond, run-off, evaporation and uptake are continuous functions of head: there is no switch of boundary.
"""

import importlib.util
import math
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from simulator.units import FloatArray

HAS_NUMBA = importlib.util.find_spec("numba") is not None  # of the simulator's extra

IntArray = NDArray[np.int64]
ColumnArrays = tuple[FloatArray, IntArray, FloatArray, FloatArray]
"""Length of the links [m], row of the material table of each or -1 at a break, that table, constants of a break."""
DemandArrays = tuple[FloatArray, FloatArray, FloatArray]
"""The forcing vector, the share of transpiration of each node [-], the source of each node [m s-1]."""

Kernel = TypeVar("Kernel", bound=Callable[..., Any])

GAMMA = 1.0 - 1.0 / math.sqrt(2.0)
VAN_GENUCHTEN, HAVERKAMP, HAVERKAMP_LOG, EXPONENTIAL = 0, 1, 2, 3
TOP_FLUX, TOP_HEAD = 0, 1
FREE_DRAINAGE, BOTTOM_HEAD, BOTTOM_FLUX, SEEPAGE_FACE = 0, 1, 2, 3
CONVERGED, TOO_MANY_STEPS, STEP_TOO_SMALL = 0, 1, 2

# columns of the material table
KIND, THETA_R, THETA_S, ALPHA, N, M, L, K_S, H_AIR, SE_AIR, T_AIR, STORAGE, A_PAR, B_PAR, G_PAR, SCALE = range(16)
MATERIAL_COLUMNS = 16
# entries of the forcing vector
TOP, TOP_VALUE, BOTTOM, BOTTOM_VALUE, EVAPORATION, H_EVAP_WET, H_EVAP_DRY, POND_MAX, RUNOFF_RATE = range(9)
TRANSPIRATION, FEDDES_1, FEDDES_2, FEDDES_3, FEDDES_4, H_LEAST = range(9, 15)
FORCING_ENTRIES = 15
# entries of the stepping options
DT_MIN, DT_MAX, THETA_TOLERANCE, WATER_TOLERANCE, MAX_ITERATIONS, MAX_STEPS = range(6)
# rows of the working array
WATER, CAPACITY, FLUX, FLUX_UP, FLUX_DOWN, SINK, SINK_SLOPE, RESIDUAL, DIAGONAL, UPPER, HEAD_BEFORE, MOVE = range(12)
WORK_ROWS = 12
# rows of what repellency does to pores, and entries of its parameters
FACTOR, PULL, SHUT, HELD = range(4)
PORE_ROWS = 4
CRITICAL, LEAST_SHARE, CONTACT_S, DRYING_S, GREATEST_GRADIENT, ENTRY = range(6)
# entries of the totals
INFLOW, EVAPORATED, RUNOFF, DRAINED, STEPS, REJECTED, ITERATIONS, BYPASSED = range(8)


_TO_COMPILE: list[Callable[..., Any]] = []


def compiled(kernel: Kernel) -> Kernel:
    """Note `kernel` for `compile_loops`, and return it unchanged.

    Parameters
    ----------
    kernel : callable
        A function of scalars and NumPy arrays only, with all its callees in this file.

    Returns
    -------
    callable
    """
    _TO_COMPILE.append(kernel)
    return kernel


def compile_loops() -> None:
    """Have the kernels of this module compiled from here on, where numba is installed; same answers to rounding.

    For a run of many steps: on a machine where they have not been compiled before it takes half a minute, and to read
    the compiler alone a second.
    """
    if not HAS_NUMBA or not _TO_COMPILE:
        return
    import numba

    for kernel in _TO_COMPILE:
        try:
            loop = numba.njit(cache=True, error_model="numpy")(kernel)
        except RuntimeError:  # no writable place for the cache (a wheel owned by root): compile each run instead
            loop = numba.njit(error_model="numpy")(kernel)
        globals()[kernel.__name__] = loop
    _TO_COMPILE.clear()


@compiled
def hydraulics(p: FloatArray, h: float) -> tuple[float, float, float, float]:
    """Return content, its slope, conductivity and its slope at head h [m] for one row of the material table."""
    kind = int(p[KIND])
    if kind == VAN_GENUCHTEN:
        if h >= p[H_AIR] or h > -1e-9:
            return p[THETA_S], 0.0, p[K_S], 0.0
        ah = -p[ALPHA] * h
        xn = ah ** p[N]
        base = 1.0 + xn
        se = base ** (-p[M])
        rest = math.exp(-p[M] * math.log1p(1.0 / xn))
        # written so that dry sand keeps its digits: 1 - rest is small and rest is near one
        t = -math.expm1(-p[M] * math.log1p(1.0 / xn))
        span = (p[THETA_S] - p[THETA_R]) / p[SE_AIR]
        slope = p[M] * p[N] * xn / (base * -h)
        capacity = span * se * slope
        k = p[K_S] * (se / p[SE_AIR]) ** p[L] * (t / p[T_AIR]) ** 2
        # the true slope is unbounded at h = 0 for n < 2; Newton wants a usable one, not the true one
        dk = k * (p[L] * slope + 2.0 * p[M] * p[N] * rest / (max(-h, 1e-4) * base * t))
        return p[THETA_R] + span * se, capacity, k, dk
    if h > -1e-12:
        return p[THETA_S], 0.0, p[K_S], 0.0
    span = p[THETA_S] - p[THETA_R]
    if kind == EXPONENTIAL:
        e = math.exp(p[ALPHA] * h)
        return p[THETA_R] + span * e, span * p[ALPHA] * e, p[K_S] * e, p[K_S] * p[ALPHA] * e
    x = -h * p[SCALE]
    xg = x ** p[G_PAR]
    k = p[K_S] * p[ALPHA] / (p[ALPHA] + xg)
    dk = k * p[G_PAR] * xg / ((p[ALPHA] + xg) * -h)
    if kind == HAVERKAMP:
        xb = x ** p[B_PAR]
        theta = p[THETA_R] + span * p[A_PAR] / (p[A_PAR] + xb)
        return theta, (theta - p[THETA_R]) * p[B_PAR] * xb / ((p[A_PAR] + xb) * -h), k, dk
    if x <= 1.0:
        return p[THETA_S], 0.0, k, dk
    lx = math.log(x)
    xb = lx ** p[B_PAR]
    theta = p[THETA_R] + span * p[A_PAR] / (p[A_PAR] + xb)
    return theta, (theta - p[THETA_R]) * p[B_PAR] * xb / ((p[A_PAR] + xb) * lx * -h), k, dk


@compiled
def contents(parameters: FloatArray, material: IntArray, head: FloatArray) -> FloatArray:
    """Return the content at each head [m], by the row of the material table that is named beside it."""
    found = np.empty(head.size)
    for k in range(head.size):
        found[k] = hydraulics(parameters[material[k]], head[k])[0]
    return found


@compiled
def feddes(h: float, f: FloatArray) -> tuple[float, float]:
    """Return the share of potential uptake at head h and its slope: 0 at h1, 1 from h2 to h3, 0 at h4 (Feddes 1978)."""
    if h >= f[FEDDES_1] or h <= f[FEDDES_4]:
        return 0.0, 0.0
    if h > f[FEDDES_2]:
        width = f[FEDDES_1] - f[FEDDES_2]
        return (f[FEDDES_1] - h) / width, -1.0 / width
    if h >= f[FEDDES_3]:
        return 1.0, 0.0
    width = f[FEDDES_3] - f[FEDDES_4]
    return (h - f[FEDDES_4]) / width, 1.0 / width


@compiled
def surface_loss(h: float, f: FloatArray) -> tuple[float, float, float]:
    """Return evaporation and run-off from the surface node at head h [m s-1], and the slope of their sum."""
    beta, slope = 1.0, 0.0
    if h <= f[H_EVAP_DRY]:
        beta = 0.0
    elif h < f[H_EVAP_WET]:
        width = math.log(f[H_EVAP_DRY] / f[H_EVAP_WET])
        beta = math.log(f[H_EVAP_DRY] / h) / width
        slope = 1.0 / (width * -h)
    runoff = 0.0
    slope *= f[EVAPORATION]
    if h > f[POND_MAX]:
        runoff = f[RUNOFF_RATE] * (h - f[POND_MAX])
        slope += f[RUNOFF_RATE]
    return f[EVAPORATION] * beta, runoff, slope


@compiled
def evaluate(
    h: FloatArray, ground: ColumnArrays, pores: FloatArray, demand: DemandArrays, work: FloatArray, edge: FloatArray
) -> None:
    """Fill in storage, link fluxes, sinks and boundary fluxes at heads h, with the slopes Newton needs.

    Parameters
    ----------
    h : ndarray, shape (node,)
        Heads. [m]
    ground : ColumnArrays
    pores : ndarray, shape (PORE_ROWS, node)
        Rows FACTOR and PULL are of the link above the node: the factor on conductivity [-] and the inverse of the
        greatest drop in head that pulls, 0 for no bound [m-1]. Rows SHUT and HELD are of the node: the share of its
        pores that refuses water, negative outside the ground that can, and the content of those pores [m3 m-3],
        which they may give off but not exceed.
    demand : DemandArrays
    work : ndarray, shape (WORK_ROWS, node)
        Rows by the names WATER ... UPPER; those up to SINK_SLOPE are filled.
    edge : ndarray, shape (5,)
        Filled with evaporation, run-off, drainage [m s-1], slope of the surface loss, slope of the drainage [s-1].
    """
    length, material, table, interface = ground
    forcing, share, _ = demand
    water, capacity, q, dq_up, dq_down = work[WATER], work[CAPACITY], work[FLUX], work[FLUX_UP], work[FLUX_DOWN]
    factor, pull, shut, held = pores[FACTOR], pores[PULL], pores[SHUT], pores[HELD]
    count = h.size
    k_below, dk_below = 0.0, 0.0
    last, asked = -1, 0.0
    for i in range(count):
        above = material[i - 1] if i > 0 else -1
        below = material[i] if i < count - 1 else -1
        water[i] = 0.0
        capacity[i] = 0.0
        k, dk = 0.0, 0.0
        theta, c = 0.0, 0.0
        if above >= 0:
            theta, c, k, dk = hydraulics(table[above], h[i])
            half, full = 0.5 * length[i - 1], h[i] - table[above, H_AIR]
            content, slope = theta, c
            if shut[i] > 0.0 and theta > held[i]:
                content, slope = theta - shut[i] * (theta - held[i]), (1.0 - shut[i]) * c
            water[i] += half * (content + table[above, STORAGE] * max(full, 0.0))
            capacity[i] += half * (slope + (table[above, STORAGE] if full >= 0.0 else 0.0))
            # repellent ground (pull > 0) conducts less and, its pores refusing water, pulls by a bounded gradient
            drop = h[i - 1] - h[i]
            bound = 1.0 + pull[i] * abs(drop)
            gradient = drop / (bound * length[i - 1]) + 1.0
            slope = 1.0 / (bound * bound * length[i - 1])
            k_mean = 0.5 * factor[i] * (k_below + k)
            q[i - 1] = k_mean * gradient
            dq_up[i - 1] = k_mean * slope + 0.5 * dk_below * factor[i] * gradient
            dq_down[i - 1] = -k_mean * slope + 0.5 * dk * factor[i] * gradient
        elif i > 0:
            # a break between layers: it conducts by the wetness of the side the water comes from, and however dry
            # the other side, it is drawn on through few points of contact: the drop in head counts up to a reach
            drop = h[i - 1] - h[i]
            wet = h[i - 1] if drop > 0.0 else h[i]
            e = interface[0] * math.exp(min(interface[1] * wet, 0.0))
            conductance = e + interface[2]
            bound = 1.0 + abs(drop) / interface[3]
            slope = e * interface[1] * drop / bound if wet < 0.0 else 0.0
            q[i - 1] = conductance * drop / bound
            dq_up[i - 1] = conductance / (bound * bound) + (slope if drop > 0.0 else 0.0)
            dq_down[i - 1] = -conductance / (bound * bound) + (slope if drop <= 0.0 else 0.0)
        if below >= 0:
            if below != above:
                theta, c, k, dk = hydraulics(table[below], h[i])
            half, full = 0.5 * length[i], h[i] - table[below, H_AIR]
            content, slope = theta, c
            if shut[i] > 0.0 and theta > held[i] and shut[i + 1] >= 0.0:
                content, slope = theta - shut[i] * (theta - held[i]), (1.0 - shut[i]) * c
            water[i] += half * (content + table[below, STORAGE] * max(full, 0.0))
            capacity[i] += half * (slope + (table[below, STORAGE] if full >= 0.0 else 0.0))
        k_below, dk_below = k, dk
        stress, slope = feddes(h[i], forcing)
        asked += share[i] * stress
        work[SINK, i] = forcing[TRANSPIRATION] * share[i] * stress
        work[SINK_SLOPE, i] = forcing[TRANSPIRATION] * share[i] * slope
        last = i
    if asked > 1.0:  # roots that make up for dry ones elsewhere never drink more than the grass asks
        for i in range(count):
            work[SINK, i] /= asked
            work[SINK_SLOPE, i] /= asked
    if h[0] > 0.0 and forcing[TOP] == TOP_FLUX:
        water[0] += h[0]
        capacity[0] += 1.0
    edge[0], edge[1], edge[3] = surface_loss(h[0], forcing)
    edge[2], edge[4] = 0.0, 0.0
    kind = int(forcing[BOTTOM])
    if kind == FREE_DRAINAGE:
        edge[2], edge[4] = k_below, dk_below
    elif kind == BOTTOM_FLUX:
        edge[2] = forcing[BOTTOM_VALUE]
    elif kind == SEEPAGE_FACE and h[last] > 0.0:
        # open to the air below: nothing leaves until the last node is saturated, then it leaves freely
        conductance = 10.0 * k_below / length[last - 1]
        edge[2], edge[4] = conductance * h[last], conductance


@compiled
def solve_stage(
    h: FloatArray, start: FloatArray, dt: float, ground: ColumnArrays, pores: FloatArray, demand: DemandArrays,
    options: FloatArray, work: FloatArray, edge: FloatArray,
) -> int:  # fmt: skip
    """Solve water(h) = start + dt * net inflow(h) by Newton. Returns iterations, negative if not converged."""
    count = h.size
    forcing, source = demand[0], demand[2]
    water, capacity, q, dq_up, dq_down = work[WATER], work[CAPACITY], work[FLUX], work[FLUX_UP], work[FLUX_DOWN]
    f, diagonal, upper = work[RESIDUAL], work[DIAGONAL], work[UPPER]
    limit = int(options[MAX_ITERATIONS])
    h_before, move = work[HEAD_BEFORE], work[MOVE]
    before, halvings = np.inf, 0
    for iteration in range(limit):
        evaluate(h, ground, pores, demand, work, edge)
        worst = 0.0
        for i in range(count):
            gain = source[i] - work[SINK, i]
            diagonal[i] = capacity[i] + dt * work[SINK_SLOPE, i]
            upper[i] = 0.0
            if i > 0:
                gain += q[i - 1]
                diagonal[i] -= dt * dq_down[i - 1]
            else:
                gain += (forcing[TOP_VALUE] if forcing[TOP] == TOP_FLUX else 0.0) - edge[0] - edge[1]
                diagonal[i] += dt * edge[3]
            if i < count - 1:
                gain -= q[i]
                diagonal[i] += dt * dq_up[i]
                upper[i] = dt * dq_down[i]
            else:
                gain -= edge[2]
                diagonal[i] += dt * edge[4]
            f[i] = start[i] + dt * gain - water[i]
        fixed_top = forcing[TOP] == TOP_HEAD
        fixed_bottom = forcing[BOTTOM] == BOTTOM_HEAD
        if fixed_top:
            f[0], diagonal[0], upper[0] = 0.0, 1.0, 0.0
        if fixed_bottom:
            f[count - 1], diagonal[count - 1] = 0.0, 1.0
        for i in range(count):
            if not abs(f[i]) < np.inf:  # max() would let a NaN slip by
                return -limit
            worst = max(worst, abs(f[i]))
        if worst < options[WATER_TOLERANCE]:
            return iteration
        if worst > (2.0 if iteration < 8 else 1.0) * before and halvings < 5:
            halvings += 1  # gone too far, as where a node fills or empties: try half the move
            for i in range(count):
                move[i] *= 0.5
                h[i] = h_before[i] + move[i]
            continue
        before, halvings = worst, 0
        # tridiagonal solve; the lower entry of row i is -dt * dq_up[i-1]
        for i in range(1, count):
            lower = -dt * dq_up[i - 1]
            if fixed_bottom and i == count - 1:
                lower = 0.0
            ratio = lower / diagonal[i - 1]
            diagonal[i] -= ratio * upper[i - 1]
            f[i] -= ratio * f[i - 1]
        for i in range(count - 1, -1, -1):
            if i < count - 1:
                f[i] -= upper[i] * f[i + 1]
            f[i] /= diagonal[i]
        for i in range(count):
            new = h[i] + f[i]
            # a dry node may not leap past saturation, nor fall more than tenfold, in one iteration; nearly full ones
            # move freely, as a layer that is full must move as one
            if h[i] < -0.02:
                new = min(max(new, 10.0 * h[i]), 0.05 * h[i])
            elif new < -0.2:
                new = -0.2
            new = max(new, forcing[H_LEAST])
            h_before[i], move[i] = h[i], new - h[i]
            h[i] = new
    return -limit


@compiled
def net_inflow(demand: DemandArrays, work: FloatArray, edge: FloatArray, out: FloatArray) -> None:
    """Fill `out` with the net inflow of each node [m s-1] from the fluxes of `evaluate`."""
    forcing, source = demand[0], demand[2]
    q, sink = work[FLUX], work[SINK]
    count = out.size
    for i in range(count):
        out[i] = source[i] - sink[i]
        if i > 0:
            out[i] += q[i - 1]
        if i < count - 1:
            out[i] -= q[i]
    if forcing[TOP] == TOP_FLUX:
        out[0] += forcing[TOP_VALUE] - edge[0] - edge[1]
    if forcing[BOTTOM] != BOTTOM_HEAD:
        out[count - 1] -= edge[2]


@compiled
def repellency_rates(
    h: FloatArray, ground: ColumnArrays, repellency: FloatArray, repelling: FloatArray, held: FloatArray,
    rates: FloatArray,
) -> float:  # fmt: skip
    """Fill `rates` with how fast nodes turn, and let refusing pores dry; return the longest step the change allows [s].

    Parameters
    ----------
    h, ground
        As in `evaluate`.
    repellency : ndarray, shape (6,)
        By the names CRITICAL ... ENTRY.
    repelling, held : ndarray, shape (node,)
        State, 0 wettable to 1 fully repellent, negative where the ground cannot turn so, and the content of the pores
        that refuse water [m3 m-3], which falls to that of the others where those are drier.
    rates : ndarray, shape (2, node)
        Row 0: above 0 the rate of recovery by contact, below 0 of turning repellent [s-1]. Row 1: content of the pores
        that take water.
    """
    limit = np.inf
    material, table = ground[1], ground[2]
    for i in range(h.size):
        if repelling[i] < 0.0:
            break
        row = table[material[i - 1] if i > 0 else material[0]]
        theta = hydraulics(row, h[i])[0]
        rates[1, i] = theta
        held[i] = min(held[i], theta)
        if theta > repellency[CRITICAL]:
            # wet pores touch those beside them; water that stands, or nearly, is pressed into all
            beside = repellency[LEAST_SHARE] ** repelling[i]
            pressed = min(max(1.0 + h[i] / repellency[ENTRY], 0.0), 1.0)
            touched = theta / row[THETA_S] * (beside + (1.0 - beside) * pressed)
            rates[0, i] = touched / repellency[CONTACT_S]
            if repelling[i] > 0.02:
                limit = min(limit, 0.25 / rates[0, i])
        else:
            rates[0, i] = -1.0 / repellency[DRYING_S]
    return limit


@compiled
def turn(
    dt: float, length: FloatArray, repellency: FloatArray, repelling: FloatArray, held: FloatArray, rates: FloatArray,
    turned: FloatArray, pores: FloatArray,
) -> None:  # fmt: skip
    """Fill `turned` with the state after dt [s] at the rates of `repellency_rates`, and `pores` with what comes of it.

    Pores that turn repellent keep the content they have; those that recover bring theirs to the pores that take water.
    """
    for i in range(repelling.size):
        if repelling[i] < 0.0:
            break
        turned[i] = repelling[i]
        if rates[0, i] > 0.0:
            turned[i] *= math.exp(-dt * rates[0, i])
        else:
            turned[i] = 1.0 - (1.0 - repelling[i]) * math.exp(dt * rates[0, i])
        before, after = 1.0 - repellency[LEAST_SHARE] ** repelling[i], 1.0 - repellency[LEAST_SHARE] ** turned[i]
        pores[SHUT, i], pores[HELD, i] = after, held[i]
        if after > before:
            pores[HELD, i] = (held[i] * before + rates[1, i] * (after - before)) / after
        if i > 0:
            mean = 0.5 * (turned[i - 1] + turned[i])
            pores[FACTOR, i] = repellency[LEAST_SHARE] ** mean
            pores[PULL, i] = mean / (repellency[GREATEST_GRADIENT] * length[i - 1])


@compiled
def advance(
    duration: float, dt: float, h: FloatArray, ledger: FloatArray, repelling: FloatArray, held: FloatArray,
    ground: ColumnArrays, demand: DemandArrays, repellency: FloatArray, options: FloatArray, link_total: FloatArray,
    uptake_total: FloatArray, totals: FloatArray,
) -> tuple[int, float]:  # fmt: skip
    """Step the column through `duration` seconds; h, ledger, repelling, held and the totals change in place.

    Returns a status and the step to try next. Totals are depths of water [m] since the caller zeroed them.
    """
    count = h.size
    length = ground[0]
    forcing, source = demand[0], demand[2]
    work, edge, edge_1 = np.zeros((WORK_ROWS, count)), np.zeros(5), np.zeros(5)
    h_new, start, rate_1, rate_2 = np.empty(count), np.empty(count), np.empty(count), np.empty(count)
    q_1, sink_1 = np.empty(count), np.empty(count)
    pores, turned, rates = np.zeros((PORE_ROWS, count)), repelling.copy(), np.zeros((2, count))
    pores[FACTOR], pores[SHUT] = 1.0, -1.0
    water, q, sink = work[WATER], work[FLUX], work[SINK]
    time = 0.0
    repels = repelling[0] >= 0.0
    limit = np.inf
    if repels:
        limit = repellency_rates(h, ground, repellency, repelling, held, rates)
    for _ in range(int(options[MAX_STEPS])):
        remaining = duration - time
        if remaining <= 1e-9 * duration:
            return CONVERGED, dt
        step = min(dt, options[DT_MAX], limit)
        if step >= remaining:
            step = remaining
        elif step > 0.5 * remaining:
            step = 0.5 * remaining
        if repels:
            turn(step, length, repellency, repelling, held, rates, turned, pores)
        h_new[:] = h
        if forcing[TOP] == TOP_HEAD:
            h_new[0] = forcing[TOP_VALUE]
        if forcing[BOTTOM] == BOTTOM_HEAD:
            h_new[count - 1] = forcing[BOTTOM_VALUE]
        done = solve_stage(h_new, ledger, GAMMA * step, ground, pores, demand, options, work, edge)
        totals[ITERATIONS] += abs(done)
        if done >= 0:
            net_inflow(demand, work, edge, rate_1)
            q_1[:] = q
            sink_1[:] = sink
            edge_1[:] = edge
            start[:] = ledger + (1.0 - GAMMA) * step * rate_1
            done = solve_stage(h_new, start, GAMMA * step, ground, pores, demand, options, work, edge)
            totals[ITERATIONS] += abs(done)
        if done < 0:
            totals[REJECTED] += 1.0
            dt = 0.3 * step
            if dt < options[DT_MIN]:
                return STEP_TOO_SMALL, dt
            continue
        net_inflow(demand, work, edge, rate_2)
        error = 0.0
        for i in range(count):
            fixed = (i == 0 and forcing[TOP] == TOP_HEAD) or (i == count - 1 and forcing[BOTTOM] == BOTTOM_HEAD)
            volume = 0.5 * ((length[i - 1] if i > 0 else 0.0) + (length[i] if i < count - 1 else 0.0))
            if i == 0 and h_new[0] > 0.0:
                volume += 0.01  # a pond is judged against a centimetre, not against a millimetre of thatch
            if not fixed:
                error = max(error, GAMMA * step * abs(rate_2[i] - rate_1[i]) / volume)
        error /= options[THETA_TOLERANCE]
        if error > 2.0 and step > 10.0 * options[DT_MIN]:
            totals[REJECTED] += 1.0
            dt = step * max(0.2, 0.8 / math.sqrt(error))
            continue
        dt = step * min(4.0, 0.8 / math.sqrt(max(error, 1e-4))) if step >= 0.999 * dt or error > 0.6 else dt
        dt = max(dt, options[DT_MIN])
        b_1, b_2 = (1.0 - GAMMA) * step, GAMMA * step
        for i in range(count - 1):
            link_total[i] += b_1 * q_1[i] + b_2 * q[i]
        for i in range(count):
            uptake_total[i] += b_1 * sink_1[i] + b_2 * sink[i]
        moved_top = b_1 * q_1[0] + b_2 * q[0] + b_1 * sink_1[0] + b_2 * sink[0] - source[0] * step
        last = count - 1
        moved_bottom = b_1 * (q_1[last - 1] - sink_1[last]) + b_2 * (q[last - 1] - sink[last]) + source[last] * step
        if forcing[TOP] == TOP_HEAD:
            totals[INFLOW] += water[0] - ledger[0] + moved_top
        else:
            totals[INFLOW] += forcing[TOP_VALUE] * step
            totals[EVAPORATED] += b_1 * edge_1[0] + b_2 * edge[0]
            totals[RUNOFF] += b_1 * edge_1[1] + b_2 * edge[1]
        if forcing[BOTTOM] == BOTTOM_HEAD:
            totals[DRAINED] += moved_bottom - (water[last] - ledger[last])
        else:
            totals[DRAINED] += b_1 * edge_1[2] + b_2 * edge[2]
        for i in range(count):
            totals[BYPASSED] += source[i] * step
            ledger[i] += b_1 * rate_1[i] + b_2 * rate_2[i]
        if forcing[TOP] == TOP_HEAD:
            ledger[0] = water[0]
        if forcing[BOTTOM] == BOTTOM_HEAD:
            ledger[last] = water[last]
        h[:] = h_new
        time += step
        totals[STEPS] += 1.0
        if repels:
            repelling[:] = turned
            held[:] = pores[HELD]
            limit = repellency_rates(h, ground, repellency, repelling, held, rates)
    return TOO_MANY_STEPS, dt


@compiled
def conduct_heat(
    temperature: FloatArray, depth: FloatArray, capacity: FloatArray, conductivity: FloatArray, surface_first: float,
    surface_last: float, duration: float, steps: int,
) -> FloatArray:  # fmt: skip
    """Return temperatures [degC] after `duration` seconds: two-stage L-stable steps (Alexander 1977).

    Depth [m], capacity [J m-3 K-1] and temperature are by level, conductivity [W m-1 K-1] by link; the surface goes in
    a straight line from the first to the last value, the last level is insulated below. `temperature` changes in place.
    """
    count = depth.size
    store, flow = np.zeros(count), np.zeros(count - 1)
    for i in range(count - 1):
        size = depth[i + 1] - depth[i]
        store[i] += 0.5 * size * capacity[i]
        store[i + 1] += 0.5 * size * capacity[i + 1]
        flow[i] = conductivity[i] / size
    dt = duration / steps
    diagonal, right, rate = np.empty(count), np.empty(count), np.zeros(count)
    start = temperature.copy()
    for step in range(steps):
        start[:] = temperature
        for stage in range(2):
            time = (step + (GAMMA if stage == 0 else 1.0)) / steps
            for i in range(count):
                right[i] = store[i] * (start[i] + (1.0 - GAMMA) * dt * rate[i] * stage)
                diagonal[i] = store[i]
                if i > 0:
                    diagonal[i] += GAMMA * dt * flow[i - 1]
                if i < count - 1:
                    diagonal[i] += GAMMA * dt * flow[i]
            diagonal[0], right[0] = 1.0, surface_first + (surface_last - surface_first) * time
            for i in range(1, count):
                ratio = -GAMMA * dt * flow[i - 1] / diagonal[i - 1]
                if i > 1:
                    diagonal[i] += ratio * GAMMA * dt * flow[i - 1]
                right[i] -= ratio * right[i - 1]
            temperature[count - 1] = right[count - 1] / diagonal[count - 1]
            for i in range(count - 2, 0, -1):
                temperature[i] = (right[i] + GAMMA * dt * flow[i] * temperature[i + 1]) / diagonal[i]
            temperature[0] = right[0]
            for i in range(count):
                rate[i] = (temperature[i] - start[i]) / (GAMMA * dt)
    return temperature
