"""Simulated thatch is held to what is published of thatch and water, a test for each row of facts.

Sources: Taylor & Blake 1982, Soil Sci. Soc. Am. J. 46(3), 616-619; Liang, Su, Wang & Qiao 2017, J. Water Resour. Prot.
9(7), 799-810; Hurto, Turgeon & Spomer 1980, Agron. J. 72(1), 165-167 (abstracts); the squeeze test of a regional update
of a green section, 15 June 2018 (page).
"""

from __future__ import annotations

import numpy as np
import pytest

from simulator import kernels, materials
from simulator.column import (
    Column,
    ColumnState,
    Layer,
    Repellency,
    TopBoundary,
    advance,
    build,
    graded,
    start,
    storage_m,
)
from simulator.materials import MATERIALS

DAY_S = 86_400.0


def ground(thatch_m: float, soil: str, *, thatch: str = "thatch_raw", repels: bool = True) -> Column:
    """Soil of 300 mm under thatch, which may turn repellent as the default has it; bare where there is none."""
    below, spacing = Layer(MATERIALS[soil], 0.30), graded(0.30, 0.002, 1.2, 0.03)
    if thatch_m == 0.0:
        return build((below,), spacing=(spacing,))
    return build(
        (Layer(MATERIALS[thatch], thatch_m), below),
        spacing=(graded(thatch_m, 0.002), spacing),
        repellency=Repellency() if repels else None,
        repellent_depth_m=thatch_m,
    )


def dried(thatch_m: float, soil: str, *, repels: bool = True) -> tuple[Column, ColumnState]:
    """The same after a week without water: the thatch at 100 m of suction, the soil at 20 m."""
    column = ground(thatch_m, soil, repels=repels)
    state = start(column, np.where(column.depth_m <= thatch_m, -100.0, -20.0) if thatch_m else -20.0)
    return column, advance(column, state, TopBoundary(), 7 * DAY_S)[0]


def rates_mm_h(thatch_m: float, minutes: tuple[float, ...]) -> list[float]:
    """Mean rate at which a flooded ring on sand loses water up to each of these times since the one before."""
    column, state = dried(thatch_m, "sand_root_zone")
    before, since, found = storage_m(column, state), 0.0, []
    for until in minutes:
        state, flow = advance(column, state, TopBoundary(head_m=0.01), 60.0 * (until - since))
        now = storage_m(column, state)
        found.append((now - before + flow.drainage_m) * 60_000.0 / (until - since))
        before, since = now, until
    return found


def test_dry_thatch_lets_little_through_at_first_and_keeps_nothing_back_in_the_end():
    """On sand, the rate through dry thatch is very low at first and near the sustained one within ten minutes, which is
    no lower than on bare sand; bare sand starts far above it (Taylor & Blake 1982)."""
    thatch = rates_mm_h(0.02, (1.0, 10.0, 120.0, 180.0))
    bare = rates_mm_h(0.0, (1.0, 10.0, 120.0, 180.0))
    sustained = bare[-1]
    assert thatch[-1] == pytest.approx(sustained, rel=0.02)
    assert thatch[0] < 0.4 * sustained and bare[0] > 3.0 * sustained
    ten = rates_mm_h(0.02, (9.0, 11.0))[1]
    assert 0.75 * sustained < ten < 1.25 * sustained  # it goes beyond later, and falls to it within the hour


def test_thatch_delays_infiltration_lowers_runoff_and_evaporation():
    """The soil gets its first water later the thicker the thatch, a cloudburst on clay runs off less, and the ground
    evaporates less than bare soil (Liang et al. 2017)."""
    onset, runoff, lost = [], [], []
    for thatch_m in (0.0, 0.01, 0.02):
        column, state = dried(thatch_m, "clay_loam")
        link = int(np.flatnonzero(column.depth_m >= thatch_m - 1e-9)[0])
        minute, below_m, ran_m = 0, 0.0, 0.0
        while below_m < 2e-4:
            state, flow = advance(column, state, TopBoundary(supply_m_s=12e-3 / 3600.0), 60.0)
            minute, below_m = minute + 1, below_m + flow.link_m[link]
        onset.append(minute)
        _, state = dried(thatch_m, "clay_loam")
        for supply_mm_h, minutes in ((48.0, 15), (0.0, 360)):
            state, flow = advance(column, state, TopBoundary(supply_m_s=supply_mm_h / 3.6e6), 60.0 * minutes)
            ran_m += flow.runoff_m
        runoff.append(ran_m)
        column = ground(thatch_m, "sandy_loam")
        state = start(column, -0.6)
        wet = storage_m(column, state)
        state, flow = advance(column, state, TopBoundary(evaporation_m_s=5e-3 / DAY_S), 5 * DAY_S)
        lost.append(wet - storage_m(column, state) - flow.drainage_m)
    assert onset[0] < onset[1] < onset[2]
    assert runoff[0] > 1e-3 and max(runoff[1:]) < 0.3 * runoff[0]
    assert max(lost[1:]) < 0.75 * lost[0]


def test_thatch_has_more_pores_than_soil_and_keeps_less_at_low_potential():
    """Higher total porosity and lower bulk density than the soil, and less water kept at low potentials, most pores
    being large: raw thatch against a loam at 10 m and more of suction (Hurto et al. 1980)."""
    thatch, loam = MATERIALS["thatch_raw"], MATERIALS["loam"]
    assert thatch.theta_s > loam.theta_s and thatch.bulk_density_kg_m3 < 0.5 * loam.bulk_density_kg_m3
    for head_m in (-10.0, -30.0, -150.0):
        held = [float(kernels.hydraulics(materials.table((m,))[0], head_m)[0]) for m in (thatch, loam)]
        assert held[0] < held[1], head_m


def test_drained_overnight_after_25_mm_the_top_shows_no_free_water():
    """25 mm in the evening, twelve hours of drainage over sand: no node of the upper 50 mm is full, and the thatch
    holds more water than the drier root zone under it (the squeeze test)."""
    column, state = dried(0.02, "sand_root_zone", repels=False)
    state, _ = advance(column, state, TopBoundary(supply_m_s=25e-3 / 7200.0), 7200.0)
    state, _ = advance(column, state, TopBoundary(), 12 * 3600.0)
    assert (state.head_m[column.depth_m <= 0.05] < -0.005).all()  # above the air entry of both
    table = materials.table((MATERIALS["thatch_raw"], MATERIALS["sand_root_zone"]))
    top, below = (
        float(kernels.hydraulics(row, float(np.interp(depth, column.depth_m, state.head_m)))[0])
        for row, depth in zip(table, (0.010, 0.150), strict=True)
    )
    assert top > below


def test_repellent_thatch_passes_water_by_few_paths_or_sheds_it_and_stays_dry():
    """By the default, 6 of 12 mm in an hour go mostly through dry raw thatch while its body stays nearly as dry as it
    was, where wettable thatch fills and lets nothing through; of 12 mm in a quarter of an hour some runs off a bank of
    it and nothing off wettable thatch (common knowledge of soil physics; the sizes are ours)."""
    content, passed, ran = {}, {}, {}
    for repels in (False, True):
        column, dry = dried(0.02, "sand_root_zone", repels=repels)
        link = int(np.flatnonzero(column.depth_m >= 0.02 - 1e-9)[0])
        state, flow = advance(column, dry, TopBoundary(supply_m_s=12e-3 / 3600.0), 1800.0)
        content[repels] = storage_m(column, state, 0.0, 0.02) - storage_m(column, dry, 0.0, 0.02)
        passed[repels] = flow.link_m[link]
        ran[repels] = advance(column, dry, TopBoundary(supply_m_s=48e-3 / 3600.0, pond_limit_m=3e-4), 900.0)[1].runoff_m
    assert content[True] < 0.25 * content[False]
    assert passed[True] > 4e-3 and passed[False] < 0.1e-3
    assert ran[True] > 0.4e-3 and ran[False] < 1e-6


def test_repellent_thatch_is_wetted_through_by_contact():
    """Water that stands on it for ten times the contact time leaves no trace of repellency: the thatch holds what
    wettable thatch holds; gentle rain for as long leaves it half dry (the sizes are ours)."""
    wettable, dry = dried(0.02, "sand_root_zone", repels=False)
    full = storage_m(wettable, advance(wettable, dry, TopBoundary(head_m=0.01), 3000.0)[0], 0.0, 0.02)
    column, dry = dried(0.02, "sand_root_zone")
    flooded, _ = advance(column, dry, TopBoundary(head_m=0.01), 3000.0)
    assert storage_m(column, flooded, 0.0, 0.02) == pytest.approx(full, rel=0.01)
    assert flooded.repelling.max() < 0.01
    rained, _ = advance(column, dry, TopBoundary(supply_m_s=2e-3 / 3600.0), 3000.0)
    assert storage_m(column, rained, 0.0, 0.02) < 0.2 * full
    assert rained.repelling.max() > 0.5


def test_water_held_by_pores_that_refuse_is_neither_lost_nor_made():
    """Over drought, showers and a flood, with roots, every span's balance closes to a millionth, and pores that refuse
    water hold no more than they had when they came to (algebra)."""
    column, state = dried(0.02, "sandy_loam")
    roots = np.where(column.depth_m <= 0.05, 1.0, 0.0)
    most = float(state.held_theta.max())
    for surface, hours in (
        (TopBoundary(supply_m_s=2e-3 / 3600.0), 1.0),
        (TopBoundary(evaporation_m_s=2e-3 / DAY_S, transpiration_m_s=2e-3 / DAY_S), 72.0),
        (TopBoundary(supply_m_s=12e-3 / 3600.0), 0.2),
        (TopBoundary(evaporation_m_s=2e-3 / DAY_S, transpiration_m_s=2e-3 / DAY_S), 240.0),
        (TopBoundary(supply_m_s=60e-3 / 3600.0), 2.0),
    ):
        state, flow = advance(column, state, surface, 3600.0 * hours, root_share=roots / roots.sum())
        moved = flow.supply_m + flow.evaporation_m + flow.runoff_m + abs(flow.drainage_m) + flow.uptake_m.sum()
        assert abs(flow.balance_error_m) < 1e-6 * moved
        assert state.held_theta[state.repelling > 0.5].max(initial=0.0) <= max(most, 0.15) + 1e-9
