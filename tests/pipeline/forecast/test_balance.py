"""The two-box balance loses no water, follows its equations, and is fitted only to history enough."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from pipeline.forecast.balance import (
    LEAST_DAYS,
    RANGES,
    Boxes,
    Parameters,
    PastHours,
    WaterStores,
    fit,
    run,
    state_now,
    stores_at,
)

PLAIN = Parameters(
    canopy_mm=0.0, crop_coefficient=1.0, flash_factor=1.0, thatch_share=0.0, thatch_capacity_mm=5.0,
    thatch_full_wetness=2.4, thatch_drained_wetness=1.0, tau_h=1.0, bypass_share=0.0, root_capacity_mm=30.0,
    root_full_wetness=2.0, root_drain_mm_h=1e-12, root_drain_power=8.0, stress_wetness=0.5,
)  # fmt: skip


def course(parameters, thatch, root, water, demand, canopy=0.0, **more):
    """A run of one member from relative wetness."""
    first = stores_at(parameters, [thatch], [root], canopy)
    return run(parameters, first, np.array(water, float)[:, None], np.array(demand, float)[:, None], **more)


def test_a_nights_water_ends_in_dry_thatch():
    """5 mm on 20 mm of thatch dry down to 0.15 pass nothing; of 8 mm the 3 mm above drained come through (algebra)."""
    assert course(PLAIN, 0.0, 0.5, [5.0] + [0.0] * 47, [0.0] * 48).past_thatch_mm.sum() == pytest.approx(0.0)
    # after 48 time constants the rest above the drained water is below 1e-20
    assert course(PLAIN, 0.0, 0.5, [8.0] + [0.0] * 47, [0.0] * 48).past_thatch_mm.sum() == pytest.approx(3.0)


def test_thatch_above_drained_falls_exponentially():
    """Wetness above the drained one falls to 1/e in each time constant (algebra)."""
    held = dataclasses.replace(PLAIN, tau_h=6.0)
    found = course(held, 2.0, 0.5, [0.0] * 12, [0.0] * 12).thatch_wetness[:, 0]
    assert found[[6, 12]] - 1.0 == pytest.approx([np.exp(-1.0), np.exp(-2.0)])


def test_holes_pass_their_share_and_full_thatch_the_rest():
    """Of 20 mm on empty thatch that holds 12, holes pass 2, thatch 6 at once and 7 drain later (algebra)."""
    holed = dataclasses.replace(PLAIN, bypass_share=0.1)
    found = course(holed, 0.0, 0.2, [20.0], [0.0])
    # 18 mm enter, 6 mm over the brim of 12, then 1 - 1/e of the 7 mm above drained
    assert found.past_thatch_mm[0, 0] == pytest.approx(2.0 + 6.0 + 7.0 * (1.0 - np.exp(-1.0)))


def test_root_zone_drains_as_its_equation():
    """An hour at a time gives what an integrator gives for dS/dt = -rate (S/capacity)^power (scipy)."""
    draining = dataclasses.replace(PLAIN, root_drain_mm_h=0.4, root_drain_power=6.0)
    found = course(draining, 1.0, 1.6, [0.0] * 48, [0.0] * 48).root_mm[:, 0]
    expected = solve_ivp(lambda _, s: -0.4 * (s / 30.0) ** 6, (0, 48), [48.0], t_eval=range(49), rtol=1e-10, atol=1e-10)
    assert found == pytest.approx(expected.y[0], rel=1e-7)


def test_canopy_pays_before_thatch_and_thatch_before_roots():
    """With 1 mm on the leaf and 0.4 mm asked an hour, leaves pay for two and a half hours (algebra)."""
    leafy = dataclasses.replace(PLAIN, canopy_mm=1.0, thatch_share=0.25)
    found = course(leafy, 1.0, 1.0, [0.0] * 4, [0.4] * 4, canopy=1.0)
    assert found.canopy_evaporation_mm[:, 0] == pytest.approx([0.4, 0.4, 0.2, 0.0])
    assert found.thatch_evaporation_mm[:, 0] == pytest.approx([0.0, 0.0, 0.05, 0.1])
    assert found.uptake_mm[:, 0] == pytest.approx([0.0, 0.0, 0.15, 0.3])


def test_first_day_after_wetting_asks_more():
    """The flash-off factor holds for the hour of wetting and 23 more, and no longer."""
    flashing = dataclasses.replace(PLAIN, flash_factor=2.0)
    found = course(flashing, 1.0, 1.0, [1.0] + [0.0] * 29, [0.1] * 30, dry_for_h=100.0).uptake_mm[:, 0]
    assert found[:24] == pytest.approx(0.2)
    assert found[24:] == pytest.approx(0.1)


def test_dry_roots_take_less():
    """At half the stress wetness roots take half of what is asked (FAO-56 eq. 84 with p = 0.5)."""
    assert course(PLAIN, 0.0, 0.25, [0.0], [0.2]).uptake_mm[0, 0] == pytest.approx(0.1)


def test_without_thatch_water_goes_to_the_roots():
    """With no thatch box its wetness is not known, and all water arrives."""
    bare = dataclasses.replace(PLAIN, thatch_capacity_mm=0.0)
    found = course(bare, np.nan, 0.5, [6.0], [0.0])
    assert np.isnan(found.thatch_wetness).all()
    assert found.root_wetness[:, 0] == pytest.approx([0.5, 0.7])


def test_unknown_weather_makes_the_rest_unknown():
    """From the hour without weather on nothing is known; before it all is."""
    found = course(PLAIN, 0.5, 0.5, [0.0, np.nan, 0.0], [0.1] * 3).root_wetness[:, 0]
    assert np.isfinite(found[:2]).all()
    assert np.isnan(found[2:]).all()


VALUES = {
    **{name: (r.low, r.high) for name, r in RANGES.items()},
    "thatch_capacity_mm": (0.0, 20.0), "thatch_full_wetness": (1.5, 5.0), "root_capacity_mm": (5.0, 60.0),
    "root_full_wetness": (1.4, 3.0),
}  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(
    st.fixed_dictionaries({name: st.floats(*limits) for name, limits in VALUES.items()}),
    st.tuples(st.floats(-0.2, 3.0), st.floats(-0.2, 3.0), st.floats(0.0, 2.0)),
    st.lists(st.tuples(st.sampled_from([0.0, 0.0, 0.3, 2.0, 25.0]), st.floats(-0.1, 1.0)), min_size=1, max_size=60),
)
def test_every_millimetre_is_in_a_store_or_a_flux(values, start, weather):
    """Stores at the end are those at the start plus water less what left, whatever the parameters (conservation)."""
    parameters = Parameters(**values)
    thatch, root, canopy = start
    found = course(parameters, thatch, root, [w for w, _ in weather], [e for _, e in weather], canopy=canopy)
    total = found.canopy_mm + found.thatch_mm + found.root_mm
    left = found.canopy_evaporation_mm + found.thatch_evaporation_mm + found.uptake_mm
    left = left + found.drained_mm + found.runoff_mm
    gained = sum(w for w, _ in weather)
    assert total[-1] - total[0] == pytest.approx(gained - left.sum(), abs=1e-9)  # rounding of 60 sums
    assert (left >= 0.0).all()
    assert (found.past_thatch_mm >= 0.0).all()


BOXES = Boxes(thatch_capacity_mm=5.0, thatch_full_wetness=2.4, root_capacity_mm=30.0, root_full_wetness=2.0)
TRUE = dataclasses.replace(
    PLAIN, canopy_mm=1.2, crop_coefficient=0.8, thatch_share=0.3, tau_h=12.0, bypass_share=0.25, root_capacity_mm=24.0,
    root_drain_mm_h=0.05, root_drain_power=9.0,
)  # fmt: skip


def twin(days=56, seed=3, noise=0.01):
    """A past made by the balance itself with `TRUE`, rain every few days, readings with noise."""
    rng = np.random.default_rng(seed)
    hours = 24 * days
    rain = np.where(rng.random(hours) < 0.02, rng.exponential(4.0, hours), 0.0)
    demand = np.tile(np.maximum(0.45 * np.sin(np.pi * (np.arange(24) - 6) / 12), 0.0), days)
    found = course(TRUE, 1.0, 1.0, rain, demand)
    noisy = [w[:-1, 0] + rng.normal(0, noise, hours) for w in (found.thatch_wetness, found.root_wetness)]
    return PastHours(0, noisy[0], noisy[1], rain, demand), found


def test_fit_finds_the_time_constant_that_made_the_readings():
    """Of a twin with tau 12 h, root box 24 mm and holes of 0.25 the fit comes back within a fifth (twin experiment)."""
    found = fit(twin()[0], BOXES)
    assert found.reason == ""
    assert found.parameters.tau_h == pytest.approx(12.0, rel=0.2)
    assert found.parameters.root_capacity_mm == pytest.approx(24.0, rel=0.2)
    # noise of 0.01 carried for five days: the start of each run is as noisy as a reading
    assert found.root_error[-1] < 0.04
    assert (np.diff(found.root_error) >= 0.0).all()


def test_fit_stays_within_ranges():
    """Readings that no balance explains (pure noise) still leave every parameter in its range."""
    rng = np.random.default_rng(1)
    past, _ = twin(days=20)
    odd = dataclasses.replace(past, thatch_wetness=rng.random(480) * 2, root_wetness=rng.random(480) * 2)
    found = fit(odd, BOXES).parameters
    for name, limits in RANGES.items():
        assert limits.low <= getattr(found, name) <= limits.high


def test_short_history_is_refused_with_its_length():
    """Nine days are not enough: no parameters, and the reason says nine and how many are needed."""
    found = fit(twin(days=9)[0], BOXES)
    assert found.parameters is None
    assert "9 days" in found.reason and str(LEAST_DAYS) in found.reason


def test_missing_rain_counts_as_no_history():
    """Readings alone do not make history: without rain figures the fit is refused."""
    past, _ = twin(days=30)
    assert fit(dataclasses.replace(past, water_mm=np.full(720, np.nan)), BOXES).parameters is None


def test_fit_bears_gaps():
    """A week without readings in the middle leaves the rest usable."""
    past, _ = twin()
    root = past.root_wetness.copy()
    root[500:668] = np.nan
    found = fit(dataclasses.replace(past, root_wetness=root), BOXES)
    assert found.parameters.root_capacity_mm == pytest.approx(24.0, rel=0.2)


def test_old_reading_is_carried_to_now():
    """With the last four hours unread the state now is that of the boxes run on, rain in them included."""
    past, truth = twin(noise=0.0)
    past.water_mm[-3] = 6.0
    thatch, root = past.thatch_wetness.copy(), past.root_wetness.copy()
    thatch[-4:], root[-4:] = np.nan, np.nan
    state, dry_h = state_now(dataclasses.replace(past, thatch_wetness=thatch, root_wetness=root), TRUE)
    again = course(TRUE, thatch[-5], root[-5], past.water_mm[-5:], past.reference_et_mm[-5:], canopy=0.0)
    assert isinstance(state, WaterStores)
    # the leaf may have held up to a canopy of water at the old reading
    assert state.root_mm[0] + state.thatch_mm[0] == pytest.approx(
        again.root_mm[-1, 0] + again.thatch_mm[-1, 0], abs=1.3
    )
    assert state.thatch_mm[0] > 1.0 + truth.thatch_mm[-6, 0]
    assert dry_h <= 3.0


def test_reading_too_old_gives_no_state():
    """Seven hours without a reading: nobody can tell how wet it is now."""
    past, _ = twin(days=20)
    root = past.root_wetness.copy()
    root[-7:] = np.nan
    assert state_now(dataclasses.replace(past, root_wetness=root), TRUE) is None
