"""What must hold for any layered ground under any weather: contents in bounds, balance closed, an end to every run."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simulator.column import (
    BottomBoundary,
    Interface,
    Layer,
    Repellency,
    Stepping,
    TopBoundary,
    advance,
    build,
    graded,
    node_volume_m,
    start,
    theta,
)
from simulator.materials import MATERIALS, Material

MOST_STEPS = 20_000  # for one span of weather of at most 6 hours


def log_uniform(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(np.log(low), np.log(high)).map(lambda x: float(np.exp(x)))


@st.composite
def materials(draw):
    theta_r = draw(st.floats(0.0, 0.12))
    return Material(
        name="drawn",
        kind="van_genuchten",
        theta_r=theta_r,
        theta_s=theta_r + draw(st.floats(0.15, 0.75)),
        alpha=draw(log_uniform(0.5, 40.0)),
        n=draw(st.floats(1.08, 3.0)),
        l=draw(st.floats(-1.0, 1.0)),
        k_s_m_s=draw(log_uniform(0.1, 1000.0)) / 3.6e6,
        air_entry_m=draw(st.floats(0.002, 0.03)),
    )


@st.composite
def columns(draw):
    layers = tuple(Layer(draw(materials()), draw(st.floats(0.01, 0.3))) for _ in range(draw(st.integers(1, 4))))
    spacing = tuple(graded(layer.thickness_m, 0.002, 1.3, 0.04) for layer in layers)
    broken = len(layers) > 1 and draw(st.booleans())
    kind = draw(st.sampled_from(["free_drainage", "seepage_face", "head", "flux"]))
    return build(
        layers,
        spacing=spacing,
        break_below=0 if broken else None,
        interface=Interface(open_per_s=draw(log_uniform(1e-5, 1e-1))) if broken else None,
        bottom=BottomBoundary(kind, draw(st.floats(-3.0, 0.0)) if kind == "head" else 0.0),
        repellency=draw(
            st.none() | st.builds(Repellency, critical_theta=st.floats(0.05, 0.3), least_share=log_uniform(0.005, 0.5))
        ),
        repellent_depth_m=layers[0].thickness_m,
        stepping=Stepping(max_steps=MOST_STEPS),
    )


surfaces = st.builds(
    TopBoundary,
    supply_m_s=st.one_of(st.just(0.0), log_uniform(0.1, 90.0).map(lambda mm_h: mm_h / 3.6e6)),
    evaporation_m_s=st.floats(0.0, 1.0).map(lambda mm_h: mm_h / 3.6e6),
    transpiration_m_s=st.floats(0.0, 1.0).map(lambda mm_h: mm_h / 3.6e6),
    pond_limit_m=st.floats(0.0, 0.02),
    bypass_share=st.sampled_from([0.0, 0.0, 0.3]),
    bypass_depth_m=st.just(0.02),
)


@st.composite
def dry_repellent_turf(draw):
    """Thatch that has come to repel over a soil of turf, in the ranges of the trade, and its state."""
    thatch = MATERIALS[draw(st.sampled_from(["thatch_raw", "thatch_decayed"]))]
    thatch = replace(thatch, k_s_m_s=thatch.k_s_m_s * draw(log_uniform(0.3, 3.0)))
    soil = MATERIALS[draw(st.sampled_from(["sand_root_zone", "sandy_loam", "loam", "clay_loam", "clay_loam_rolled"]))]
    thick_m, broken = draw(st.floats(0.005, 0.04)), draw(st.booleans())
    column = build(
        (Layer(thatch, thick_m), Layer(soil, 0.3)),
        spacing=(graded(thick_m, 0.0017), graded(0.3, 0.002, 1.22, 0.04)),
        break_below=0 if broken else None,
        interface=Interface() if broken else None,
        repellency=Repellency(
            critical_theta=0.34,
            least_share=draw(log_uniform(0.0005, 0.05)),
            contact_s=draw(log_uniform(60.0, 36000.0)),
            entry_m=draw(log_uniform(0.005, 0.1)),
        ),
        repellent_depth_m=thick_m,
        stepping=Stepping(max_steps=MOST_STEPS),
    )
    suction_m = draw(log_uniform(20.0, 200.0))
    state = start(column, np.where(column.depth_m <= thick_m, -suction_m, -draw(log_uniform(0.5, 50.0))))
    repelling = np.where(state.repelling >= 0.0, draw(st.floats(0.3, 1.0)), -1.0)
    # pores that refuse hold at most what the others do, so 1 is no bound
    return column, replace(state, repelling=repelling, held_theta=np.ones(repelling.size))


def holds_for(column, state, weather):
    """Run the weather over the column and check every promise after each span; returns the solver's steps."""
    volume = node_volume_m(column)
    half = 0.5 * column.length_m
    least, most = np.zeros(volume.size), np.zeros(volume.size)
    for i, row in enumerate(column.link_material):
        for node in (i, i + 1):
            least[node] += half[i] * (column.materials[row].theta_r if row >= 0 else 0.0)
            most[node] += half[i] * (column.materials[row].theta_s if row >= 0 else 0.0)
    roots = np.exp(-column.depth_m / 0.1) * volume
    roots /= roots.sum()
    steps = 0
    for surface, hours in weather:
        state, flow = advance(column, state, surface, 3600.0 * hours, root_share=roots)
        content = theta(column, state)
        assert (content >= least / volume - 1e-12).all()
        assert (content <= most / volume + 1e-12).all()
        moved = flow.supply_m + flow.evaporation_m + flow.runoff_m + abs(flow.drainage_m) + flow.uptake_m.sum()
        # a millionth of what moved, or a hundred-thousandth of a millimetre where almost nothing did
        assert abs(flow.balance_error_m) <= 1e-6 * moved + 1e-8
        assert flow.steps <= MOST_STEPS
        steps += flow.steps + flow.rejected
    return steps


spans = st.lists(st.tuples(surfaces, st.floats(0.25, 6.0)), min_size=1, max_size=6)


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(column=columns(), head_m=log_uniform(0.05, 150.0).map(lambda suction: -suction), weather=spans)
def test_any_layered_ground_keeps_its_bounds_and_its_balance(column, head_m, weather):
    """Over random layers, breaks, repellency and storms no content leaves its bounds and no water is lost or made."""
    holds_for(column, start(column, head_m), weather)


@pytest.mark.soak
@settings(max_examples=1500, deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow])
@given(column=columns(), head_m=log_uniform(0.05, 150.0).map(lambda suction: -suction), weather=spans)
def test_any_layered_ground_keeps_its_bounds_for_long(column, head_m, weather):
    """The same over many more draws; hypothesis prints what to feed back to repeat a failure."""
    holds_for(column, start(column, head_m), weather)


@settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(turf=dry_repellent_turf(), weather=spans)
def test_dry_repellent_turf_keeps_its_bounds_and_its_balance(turf, weather):
    """The same where the thatch repels and water comes to it."""
    holds_for(*turf, weather)


@pytest.mark.soak
@settings(max_examples=500, deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow])
@given(turf=dry_repellent_turf(), weather=spans)
def test_dry_repellent_turf_keeps_its_bounds_for_long(turf, weather):
    """The same over many more draws; hypothesis prints what to feed back to repeat a failure."""
    holds_for(*turf, weather)
