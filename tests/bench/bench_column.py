"""Time of the water column: a profile-year, and against scipy's BDF on the same discretised equations at equal error.

Run this file with python. Prints tables; nothing is asserted but that all runs finish.
Both solvers use the same compiled fluxes and capacities; scipy's gets its tridiagonal Jacobian.
"""

import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp
from scipy.sparse import diags

sys.path.insert(0, str(Path(__file__).parents[2]))

from simulator import kernels
from simulator.climates import CLIMATES
from simulator.column import (
    BottomBoundary,
    Column,
    Interface,
    Layer,
    Stepping,
    TopBoundary,
    _forcing,
    _ground,
    advance,
    build,
    graded,
    node_volume_m,
    node_water_m,
    start,
)
from simulator.ground import TurfProfile
from simulator.history import run
from simulator.materials import MATERIALS, Material
from simulator.weather import generate

TOLERANCES = (1e-2, 3e-3, 1e-3, 3e-4, 1e-4, 3e-5, 1e-5)
RELATIVE = (1e-2, 1e-3, 1e-4, 1e-5, 1e-6, 1e-7)
REPEATS = 3


def celia(tolerance: float) -> tuple[Column, float, TopBoundary, float]:
    """Celia et al. 1990, van Genuchten case, 1 cm, a day."""
    made_of = Material("celia_2", "van_genuchten", 0.102, 0.368, 3.35, 9.22e-5, n=2.0)
    stepping = Stepping(theta_tolerance=tolerance, dt_max_s=1e9)
    column = build(
        (Layer(made_of, 1.0),), spacing=(graded(1.0, 0.01),), bottom=BottomBoundary("head", -10.0), stepping=stepping
    )
    return column, -10.0, TopBoundary(head_m=-0.75), 86400.0


def thatch_in_rain(tolerance: float) -> tuple[Column, float, TopBoundary, float]:
    """20 mm of decayed thatch over sandy loam, 4 mm/h on moist ground for two hours; nothing saturates."""
    layers = (Layer(MATERIALS["thatch_decayed"], 0.02), Layer(MATERIALS["sandy_loam"], 0.48))
    spacing = (graded(0.02, 0.0017), graded(0.48, 0.002, 1.2, 0.03))
    column = build(layers, spacing=spacing, stepping=Stepping(theta_tolerance=tolerance, dt_max_s=1e9))
    return column, -2.0, TopBoundary(supply_m_s=4e-3 / 3600.0), 7200.0


class Discretised:
    """dh/dt of the column's own equations, and its tridiagonal Jacobian."""

    def __init__(self, column: Column, head_m: float, surface: TopBoundary) -> None:
        self.column, count = column, column.depth_m.size
        state = start(column, head_m)
        self.demand = (_forcing(column, surface, state), np.zeros(count), np.zeros(count))
        self.ground, self.pores = _ground(column), np.zeros((kernels.PORE_ROWS, count))
        self.pores[kernels.FACTOR], self.pores[kernels.SHUT] = 1.0, -1.0
        self.work, self.edge, self.out = np.zeros((kernels.WORK_ROWS, count)), np.zeros(5), np.zeros(count)
        self.first = state.head_m.copy()
        self.fixed = np.zeros(count, dtype=bool)
        if surface.head_m is not None:
            self.first[0], self.fixed[0] = surface.head_m, True
        self.fixed[-1] = column.bottom.kind == "head"

    def net(self, head: np.ndarray) -> np.ndarray:
        kernels.evaluate(head, self.ground, self.pores, self.demand, self.work, self.edge)
        kernels.net_inflow(self.demand, self.work, self.edge, self.out)
        return self.out

    def slope(self, _: float, head: np.ndarray) -> np.ndarray:
        rate = self.net(head) / self.work[kernels.CAPACITY]
        rate[self.fixed] = 0.0
        return rate

    def jacobian(self, _: float, head: np.ndarray):
        small = 1e-7 * np.abs(head)
        self.net(head + small)
        above = self.work[kernels.CAPACITY].copy()
        net = self.net(head).copy()
        capacity = self.work[kernels.CAPACITY]
        up, down = self.work[kernels.FLUX_UP, :-1], self.work[kernels.FLUX_DOWN, :-1]
        middle = -net * (above - capacity) / small / capacity
        middle[:-1] -= up
        middle[1:] += down
        middle[0] -= self.edge[3]
        middle[-1] -= self.edge[4]
        free = np.where(self.fixed, 0.0, 1.0) / capacity
        return diags([free[1:] * up, free * middle, -free[:-1] * down], [-1, 0, 1], format="csc")


def ours(column: Column, head_m: float, surface: TopBoundary, duration: float):
    return advance(column, start(column, head_m), surface, duration)


def timed(call) -> tuple[float, object]:
    best, answer = np.inf, None
    for _ in range(REPEATS):
        begin = time.process_time()
        answer = call()
        best = min(best, time.process_time() - begin)
    return best, answer


def compare(problem) -> None:
    column, head_m, surface, duration = problem(1e-3)
    equations, volume = Discretised(column, head_m, surface), node_volume_m(column)

    def bdf(relative: float):
        return solve_ivp(
            equations.slope, (0.0, duration), equations.first, method="BDF", jac=equations.jacobian,
            rtol=relative, atol=1e-3 * relative,
        )  # fmt: skip

    exact = node_water_m(column, start(column, bdf(1e-11).y[:, -1])) / volume
    print(f"\n{problem.__doc__}\n{column.depth_m.size} nodes; error is the largest in water content at the end")
    rows = []
    for tolerance in TOLERANCES:
        column, head_m, surface, duration = problem(tolerance)
        seconds, (state, flow) = timed(lambda a=(column, head_m, surface, duration): ours(*a))
        rows.append(
            ("ours", tolerance, flow.steps, np.abs(node_water_m(column, state) / volume - exact).max(), seconds)
        )
    for relative in RELATIVE:
        seconds, found = timed(lambda r=relative: bdf(r))
        error = np.abs(node_water_m(column, start(column, found.y[:, -1])) / volume - exact).max()
        rows.append(("bdf", relative, found.t.size - 1, error, seconds))
    for name, tolerance, steps, error, seconds in rows:
        print(f"{name:5s} tolerance {tolerance:7.0e}  steps {steps:6d}  error {error:8.1e}  {1000 * seconds:9.2f} ms")
    for target in (1e-3, 1e-4, 1e-5):
        times = [time_at_error([r for r in rows if r[0] == name], target) for name in ("ours", "bdf")]
        if all(np.isfinite(times)):
            print(
                f"at error {target:.0e}: ours {1000 * times[0]:.2f} ms, BDF {1000 * times[1]:.2f} ms, "
                f"ratio {times[1] / times[0]:.1f}"
            )


def time_at_error(rows, target: float) -> float:
    """Time to reach an error, by straight lines in logarithms; NaN where no run is as good."""
    errors, times = np.log([row[3] for row in rows]), np.log([row[4] for row in rows])
    order = np.argsort(errors)
    errors, times = errors[order], np.minimum.accumulate(times[order])
    if np.log(target) < errors[0]:
        return float("nan")
    return float(np.exp(np.interp(np.log(target), errors, times)))


def profile_year() -> None:
    """A year of a thatchy square, hourly and by the quarter hour, compile time apart."""
    soils = (Layer(MATERIALS["clay_loam"], 0.3), Layer(MATERIALS["loam"], 0.5))
    place = TurfProfile(MATERIALS["thatch_decayed"], soils, 0.020, interface=Interface(), bypass_share=0.05)
    begin = datetime(2025, 1, 1, tzinfo=UTC)
    before = time.process_time()
    run(place, generate(CLIMATES["mild maritime"], begin, 1, seed=1))
    print(f"first day, compiling or loading what was compiled: {time.process_time() - before:.1f} s")
    for name in ("mild maritime", "warm humid"):
        for step_s in (3600, 900):
            weather = generate(CLIMATES[name], begin, 365, seed=1, step_s=step_s)
            before = time.process_time()
            history = run(place, weather)
            seconds = time.process_time() - before
            print(
                f"profile-year, {name}, {step_s} s: {seconds:.1f} s, balance error {history.balance_error_mm():.1e} mm"
            )


if __name__ == "__main__":
    kernels.compile_loops()
    profile_year()
    compare(celia)
    compare(thatch_in_rain)
