"""The water column against published set-ups and exact solutions.

Where a paper prints no numbers the profile was computed independently of this project (tests/data/richards_benchmarks,
SOURCE.txt). Each tolerance is the difference between two grids of that other program, or as stated.
"""

import csv
import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from simulator.column import (
    BottomBoundary,
    Column,
    ColumnError,
    ColumnState,
    Interface,
    Layer,
    Repellency,
    Stepping,
    TopBoundary,
    advance,
    build,
    graded,
    pond_m,
    start,
    storage_m,
    theta,
)
from simulator.materials import MATERIALS, Material

DATA = Path(__file__).parents[1] / "data" / "richards_benchmarks"
CM_PER_HOUR = 0.01 / 3600.0

# Celia, Bouloutas & Zarba 1990, eq. 10 (Haverkamp sand); heads of its constants in cm
CELIA_1 = Material("celia_1", "haverkamp", 0.075, 0.287, 1.175e6, 9.44e-5, a=1.611e6, b=3.96, g=4.74, head_scale=100.0)
# the same paper, the van Genuchten case (alpha and n from memory)
CELIA_2 = Material("celia_2", "van_genuchten", 0.102, 0.368, 3.35, 9.22e-5, n=2.0)
# Haverkamp et al. 1977 functions of Yolo light clay (Philip 1957); K and its constants read, the rest from memory
YOLO = Material("yolo", "haverkamp_log", 0.124, 0.495, 124.6, 1.23e-7, a=739.0, b=4.0, g=1.77, head_scale=100.0)
# Srivastava & Yeh 1991, homogeneous set (from memory)
GARDNER = Material("gardner", "exponential", 0.06, 0.40, 10.0, 1.0 * CM_PER_HOUR)


def profile(name: str) -> dict[str, np.ndarray]:
    """Columns of a stored profile, as written there (cm)."""
    with (DATA / name).open() as file:
        rows = list(csv.DictReader(file))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def single(
    made_of: Material, depth_m: float, spacing_m: float, bottom: BottomBoundary, tolerance: float = 1e-3
) -> Column:
    return build(
        (Layer(made_of, depth_m),),
        spacing=(graded(depth_m, spacing_m),),
        bottom=bottom,
        stepping=Stepping(theta_tolerance=tolerance),
    )


def depth_of_head_cm(column: Column, state: ColumnState, head_m: float) -> float:
    """Depth at which the profile first crosses a head, by straight lines between nodes."""
    above, below = state.head_m[:-1] - head_m, state.head_m[1:] - head_m
    i = int(np.flatnonzero(above * below <= 0.0)[0])
    share = above[i] / (above[i] - below[i])
    return 100.0 * float(column.depth_m[i] + share * column.length_m[i])


def test_celia_case_1_front_and_infiltration():
    """The front of the Haverkamp sand lies where another program's converged runs put it, and the balance closes."""
    column = single(CELIA_1, 0.40, 0.00125, BottomBoundary("head", -0.615))
    state, total, inflow, outflow = start(column, -0.615), 0.0, [], 0.0
    fronts = []
    for seconds in (60.0, 60.0, 120.0, 120.0):
        state, flow = advance(column, state, TopBoundary(head_m=-0.207), seconds)
        total += flow.supply_m
        outflow += flow.drainage_m
        inflow.append(flow.balance_error_m)
        fronts.append(depth_of_head_cm(column, state, -0.411))
    # computed independently, node spacing 0.125 cm; between its last two grids that program moved by 0.02 and 0.0022 cm
    assert fronts == pytest.approx([5.452, 8.068, 12.183, 15.707], abs=0.02)
    assert 100.0 * total == pytest.approx(2.3821, abs=0.0022)
    assert 100.0 * outflow == pytest.approx(0.0132, abs=2e-4)
    assert abs(sum(inflow)) < 1e-6 * total
    known = profile("celia1990_case1_haverkamp_sand.csv")
    assert theta(column, state)[::8] == pytest.approx(known["theta_360s"], abs=0.002)


@pytest.mark.parametrize(("spacing_cm", "within_cm"), [(1.0, 1.0), (0.125, 0.04)])
def test_celia_case_2_front_and_infiltration(spacing_cm, within_cm):
    """The van Genuchten front after a day: within 1 cm on a 1 cm grid, and closer on a finer one."""
    column = single(CELIA_2, 1.0, spacing_cm / 100.0, BottomBoundary("head", -10.0))
    state, total, error, fronts, infiltrated = start(column, -10.0), 0.0, 0.0, [], []
    for hours in (6.0, 6.0, 12.0):
        state, flow = advance(column, state, TopBoundary(head_m=-0.75), 3600.0 * hours)
        total += flow.supply_m
        error += flow.balance_error_m
        fronts.append(depth_of_head_cm(column, state, -5.0))
        infiltrated.append(100.0 * total)
    # computed independently, node spacing 0.125 cm
    assert fronts == pytest.approx([25.47, 37.53, 56.51], abs=within_cm)
    assert infiltrated[-1] == pytest.approx(4.114, rel=0.01)
    assert abs(error) < 1e-6 * total
    known = profile("celia1990_case2_vg.csv")
    step = round(1.0 / spacing_cm)
    away = np.abs(known["z_cm"] - 56.5) > 4.0  # near the front compare by position only, as above
    assert theta(column, state)[::step][away] == pytest.approx(known["theta_24h"][away], abs=0.003)


def srivastava_yeh_psi_cm(z_cm: np.ndarray, hours: float) -> np.ndarray:
    """Srivastava & Yeh 1991, eq. 12: exact head over a water table, flux at the top from 0.1 to 0.9 of Ks. [cm]"""
    alpha, theta_r, theta_s, q_a, q_b = 0.1, 0.06, 0.40, 0.1, 0.9
    length, z = alpha * 100.0, alpha * z_cm
    t = alpha * hours / (theta_s - theta_r)
    k = q_b - (q_b - 1.0) * np.exp(-z)
    for i in range(1, 400):
        low, high = (i - 0.5) * math.pi / length + 1e-12, i * math.pi / length - 1e-12
        root = brentq(lambda x: math.sin(x * length) + 2.0 * x * math.cos(x * length), low, high)
        weight = np.sin(root * z) * math.sin(root * length) / (1.0 + length / 2.0 + 2.0 * root**2 * length)
        k = k - 4.0 * (q_b - q_a) * np.exp((length - z) / 2.0) * math.exp(-t / 4.0) * weight * math.exp(-(root**2) * t)
    return np.log(k) / alpha


def run_srivastava_yeh(spacing_cm: float, hours: tuple[float, ...], tolerance: float) -> list[np.ndarray]:
    """Heads [cm] from the water table up, at the given hours, from the steady profile under the small flux."""
    column = single(GARDNER, 1.0, spacing_cm / 100.0, BottomBoundary("head", 0.0), tolerance)
    z = 1.0 - column.depth_m
    state = start(column, np.log(0.1 + 0.9 * np.exp(-10.0 * z)) / 10.0)  # Gardner 1958, steady
    heads, passed = [], 0.0
    for hour in hours:
        state, _ = advance(column, state, TopBoundary(supply_m_s=0.9 * CM_PER_HOUR), 3600.0 * (hour - passed))
        passed = hour
        heads.append(100.0 * state.head_m[::-1])
    return heads


def test_srivastava_yeh_transient():
    """Wetting over a water table follows the exact solution, at stored points and along the whole profile."""
    hours = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
    known = profile("srivastava_yeh1991_homog_wetting.csv")
    z = np.linspace(0.0, 100.0, 201)
    for hour, heads in zip(hours, run_srivastava_yeh(0.5, hours, 1e-4), strict=True):
        # 0.064 cm is what an independent program reached on this grid, first order at the flux boundary
        assert heads[::10] == pytest.approx(known[f"psi_cm_{hour:.0f}h"], abs=0.064)
        assert heads == pytest.approx(srivastava_yeh_psi_cm(z, hour), abs=0.064)


def test_error_against_srivastava_yeh_halves_with_the_grid():
    """Halving the grid at least halves the error against the exact solution; prints the table."""
    errors = []
    for spacing_cm in (4.0, 2.0, 1.0, 0.5):
        (heads,) = run_srivastava_yeh(spacing_cm, (5.0,), 2e-6)
        exact = srivastava_yeh_psi_cm(np.linspace(0.0, 100.0, heads.size), 5.0)
        errors.append(float(np.abs(heads - exact).max()))
        print(f"spacing {spacing_cm:4.1f} cm   largest error {errors[-1]:.5f} cm")
    assert all(fine <= 0.5 * coarse for coarse, fine in itertools.pairwise(errors))


@pytest.mark.parametrize(
    ("layers", "flux_cm_h", "interface_cm", "top_cm"),
    [
        # computed independently from Gardner's steady rule: thatch-like pair, upper 2 cm over 28 cm
        (((20.0, 0.30, 2.0), (5.0, 0.15, 28.0)), 0.1, -22.4076, -19.4578),
        (((20.0, 0.30, 2.0), (5.0, 0.15, 28.0)), 0.9, -10.9914, -10.6802),
        # equal alpha, 100 cm over 100 cm
        (((1.0, 0.10, 100.0), (10.0, 0.10, 100.0)), 0.1, -46.0069, -23.0263),
        (((1.0, 0.10, 100.0), (10.0, 0.10, 100.0)), 0.9, -24.0749, -1.0540),
    ],
)
def test_steady_flow_through_two_layers(layers, flux_cm_h, interface_cm, top_cm):
    """Steady downward flow through two exponential layers settles at the heads of Gardner's exact rule."""
    made = [
        Layer(Material(f"k{k}", "exponential", 0.05, 0.45, 100.0 * a, k * CM_PER_HOUR), d / 100.0) for k, a, d in layers
    ]
    spacing = tuple(graded(layer.thickness_m, min(0.0025, layer.thickness_m / 20.0)) for layer in made)
    column = build(tuple(made), spacing=spacing, bottom=BottomBoundary("head", 0.0), stepping=Stepping(dt_max_s=1e6))
    state, flow = advance(column, start(column, -0.2), TopBoundary(supply_m_s=flux_cm_h * CM_PER_HOUR), 3.6e6)
    middle = int(np.argmin(np.abs(column.depth_m - made[0].thickness_m)))
    # 0.02 cm: second order in a spacing of alpha * dz = 0.03
    assert 100.0 * state.head_m[[middle, 0]] == pytest.approx([interface_cm, top_cm], abs=0.02)
    assert abs(flow.balance_error_m) < 1e-6 * flow.supply_m


def test_yolo_clay_sorptivity_and_infiltration():
    """Flooded Yolo light clay takes water at the sorptivity and sums of an independent run."""
    depth, fine = 1.5, graded(1.5, 0.00005, 1.04, 0.01)
    column = build((Layer(YOLO, depth),), spacing=(fine,), bottom=BottomBoundary("free_drainage"))
    state, total, passed, taken = start(column, -6.0), 0.0, 0.0, {}
    for seconds in (1e2, 1e3, 1e4, 1e5, 1e6):
        state, flow = advance(column, state, TopBoundary(head_m=0.0), seconds - passed)
        total, passed = total + flow.supply_m, seconds
        taken[seconds] = 100.0 * total
    # computed independently (spacing 0.05-0.1 cm); 1 % is its own spread with the grid
    assert [taken[t] for t in (1e3, 1e4, 1e5, 1e6)] == pytest.approx([0.393, 1.272, 4.381, 18.69], rel=0.01)
    sorptivity = (taken[1e2] - 4.6e-6 * 1e2) / math.sqrt(1e2)
    assert sorptivity == pytest.approx(1.224e-2, rel=0.01)
    assert sorptivity == pytest.approx(1.254e-2, rel=0.05)  # Philip's own number for his tabulated soil, from memory


def test_free_drainage_settles_at_unit_gradient():
    """With free drainage a nearly full column under a steady supply settles where its conductivity is that supply."""
    column = single(GARDNER, 0.5, 0.01, BottomBoundary("free_drainage"))
    state, _ = advance(column, start(column, -0.02), TopBoundary(supply_m_s=0.5 * CM_PER_HOUR), 3.6e6)
    # unit gradient: K = q, so head = ln(0.5)/alpha (Gardner 1958), here -6.93 cm at every depth
    assert 100.0 * state.head_m == pytest.approx(100.0 * math.log(0.5) / 10.0, abs=1e-3)


def test_pond_fills_then_runs_off():
    """Rain above what clay can take stands to the pond's limit and the rest runs off; the ledger has all of it."""
    clay = MATERIALS["clay_loam_hard"]
    column = single(clay, 0.3, 0.005, BottomBoundary("free_drainage"))
    state, flow = advance(
        column, start(column, -1.0), TopBoundary(supply_m_s=20e-3 / 3600.0, pond_limit_m=0.003), 7200.0
    )
    # the pond stands above its limit by supply / rate = 5.6e-6 * 60 s = 0.3 mm (algebra)
    assert 0.003 < pond_m(state) < 0.0034
    assert flow.runoff_m > 0.030
    assert abs(flow.balance_error_m) < 1e-6 * flow.supply_m


def test_seepage_face_holds_water_until_the_base_is_full():
    """Over open gravel nothing drains while the base is unsaturated: a sand carpet keeps its perched water."""
    column = single(MATERIALS["sand_root_zone"], 0.3, 0.005, BottomBoundary("seepage_face"))
    state, flow = advance(column, start(column, -0.5), TopBoundary(supply_m_s=1e-3 / 3600.0), 3600.0)
    assert flow.drainage_m == 0.0
    state, flow = advance(column, state, TopBoundary(supply_m_s=30e-3 / 3600.0), 24 * 3600.0)
    assert flow.drainage_m > 0.6
    state, _ = advance(column, state, TopBoundary(), 20 * 86400.0)
    # hydrostatic over the face (algebra): head is minus the height above it
    assert state.head_m[-11:] == pytest.approx(column.depth_m[-11:] - 0.3, abs=0.01)


def thatch_over_clay(interface: Interface | None, repellency: Repellency | None = None) -> Column:
    return build(
        (Layer(MATERIALS["thatch_decayed"], 0.02), Layer(MATERIALS["clay_loam"], 0.28)),
        spacing=(graded(0.02, 0.002), graded(0.28, 0.002, 1.2, 0.03)),
        break_below=None if interface is None else 0,
        interface=interface,
        repellency=repellency,
        repellent_depth_m=0.02,
    )


def test_a_break_keeps_dry_soil_from_sucking_the_thatch_dry():
    """Two millimetres of rain on moist thatch pass into dry clay freely without a break, hardly with one."""
    passed = {}
    for name, interface in (("joined", None), ("broken", Interface())):
        column = thatch_over_clay(interface)
        state = start(column, np.where(column.depth_m <= 0.02, -1.0, -50.0))
        state, first = advance(column, state, TopBoundary(supply_m_s=2e-3 / 3600.0), 3600.0)
        state, then = advance(column, state, TopBoundary(), 86400.0)
        link = int(np.flatnonzero(column.depth_m >= 0.02 - 1e-9)[0])
        passed[name] = first.link_m[link] + then.link_m[link]
        assert abs(first.balance_error_m + then.balance_error_m) < 1e-6 * 2e-3
    assert passed["joined"] > 2e-3
    assert passed["broken"] < 0.3 * passed["joined"]


def test_dry_repellent_thatch_sheds_at_first_and_gives_way_under_water():
    """Dry repellent thatch sheds rain that wettable thatch takes in, and wets when water stands on it."""
    taken = {}
    for name, repellency in (
        ("wettable", None),
        ("repellent", Repellency(critical_theta=0.2, least_share=0.02, contact_s=2400.0)),
    ):
        column = thatch_over_clay(None, repellency)
        state = start(column, np.where(column.depth_m <= 0.02, -200.0, -5.0))
        state, _ = advance(column, state, TopBoundary(), 7 * 86400.0)
        rain = TopBoundary(supply_m_s=30e-3 / 3600.0, pond_limit_m=0.001)
        before = storage_m(column, state)
        state, flow = advance(column, state, rain, 600.0)
        taken[name] = storage_m(column, state) - before
        if repellency is not None:
            assert flow.runoff_m > 0.0
            assert state.repelling[0] == pytest.approx(
                math.exp(-600.0 / 2400.0), rel=0.01
            )  # the stated rate of recovery
            state, _ = advance(column, state, rain, 4 * 3600.0)
            assert state.repelling[0] < 0.01
    assert taken["repellent"] < 0.7 * taken["wettable"]


def test_only_one_material_may_repel():
    """Repellency reaching from thatch into the soil is refused: pores that refuse hold one content, of one material."""
    with pytest.raises(ValueError, match=r"repellent_depth_m: found 0\.1 through more than one material"):
        build(
            (Layer(MATERIALS["thatch_decayed"], 0.02), Layer(MATERIALS["clay_loam"], 0.28)),
            spacing=(graded(0.02, 0.002), graded(0.28, 0.02)),
            repellency=Repellency(),
            repellent_depth_m=0.1,
        )


def test_bypass_carries_its_share_below_the_thatch():
    """Holes carry their share of the rain under the thatch: what enters there never crosses the links above."""
    column = thatch_over_clay(None)
    state = start(column, -3.0)
    rain = 4e-3 / 3600.0
    _, flow = advance(column, state, TopBoundary(supply_m_s=rain, bypass_share=0.4, bypass_depth_m=0.03), 600.0)
    assert flow.supply_m == pytest.approx(rain * 600.0)
    gained = rain * 600.0 - flow.runoff_m - flow.drainage_m
    below = int(np.searchsorted(column.depth_m, 0.03))
    assert flow.link_m[below - 1] < 0.1 * gained
    assert abs(flow.balance_error_m) < 1e-6 * flow.supply_m


def test_step_limit_is_an_error_not_a_wait():
    """A run that would need more steps than its limit stops with the limit's name."""
    column = build(
        (Layer(CELIA_2, 1.0),),
        spacing=(graded(1.0, 0.01),),
        stepping=Stepping(max_steps=3),
        bottom=BottomBoundary("head", -10.0),
    )
    with pytest.raises(ColumnError, match="more than 3 steps"):
        advance(column, start(column, -10.0), TopBoundary(head_m=-0.75), 86400.0)


def test_spacing_that_does_not_fill_its_layer_is_refused():
    """A grid that does not add up to its layer names the layer and both sums."""
    with pytest.raises(ValueError, match=r"layer 0: spacing sums to 0\.5 m, expected 1 m"):
        build((Layer(CELIA_2, 1.0),), spacing=(graded(0.5, 0.01),))
