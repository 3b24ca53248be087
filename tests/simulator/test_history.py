"""A history answers for any moment and depth, and says what became of each rain."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from simulator.climates import CLIMATES
from simulator.column import Interface, Layer, Repellency
from simulator.ground import TurfProfile
from simulator.history import JoinedHistory, run
from simulator.materials import MATERIALS
from simulator.sward import PASSES
from simulator.weather import between, generate, with_storm, without_rain

START = datetime(2025, 6, 1, tzinfo=UTC)
PLACE = TurfProfile(
    MATERIALS["thatch_decayed"],
    (Layer(MATERIALS["loam"], 0.15), Layer(MATERIALS["sandy_loam"], 0.35)),
    0.015,
    interface=Interface(),
    bypass_share=0.1,
)


@pytest.fixture(scope="module")
def month():
    """Thirty June days: one storm of 12 mm on day 10, a watering of 6 mm on day 20, otherwise dry."""
    weather = without_rain(generate(CLIMATES["mild maritime"], START, 30, seed=8), 0, 30)
    weather = with_storm(weather, 10.0, 12.0, 3.0)
    watering = np.zeros(weather.count)
    watering[20 * 24 + 4] = 6.0
    return run(PLACE, weather, watering_mm=watering, passes=((25 * 24, PASSES["core"]),))


def at(history, quantity, depth_m, hour):
    return history.value(quantity, depth_m, history.start_ms + round(hour * 3_600_000))


def test_rain_total_counts_what_fell_so_far(month):
    """The gauge stands at 0 before the storm, half way at its middle, and at 12 mm from its end on."""
    assert at(month, "rain_total", None, 240.0) == 0.0
    assert at(month, "rain_total", None, 241.5) == pytest.approx(6.0)
    assert at(month, "rain_total", None, 700.0) == pytest.approx(12.0)


def test_water_content_steps_at_the_base_of_the_thatch(month):
    """At one head thatch and loam hold what their curves say: 0.45 and 0.29 at 1.02 m, here 1 m (their fits)."""
    assert at(month, "water_content", 0.0149, 0.0) == pytest.approx(0.45, abs=0.01)
    assert at(month, "water_content", 0.0151, 0.0) == pytest.approx(0.29, abs=0.01)


def test_water_content_of_every_snapshot_is_what_is_answered_one_by_one(month):
    """In thatch, at the break, below it, after a pass that moved the nodes, and where pores refuse water."""
    weather = with_storm(without_rain(generate(CLIMATES["semi-arid"], START, 4, seed=8), 0, 4), 3.0, 12.0, 3.0)
    shut = run(replace(PLACE, repellency=Repellency(critical_theta=0.5)), weather)
    assert shut.repelling.max() > 0.2
    for history, hours in ((month, range(0, 720, 37)), (shut, range(60, 90))):
        for depth_m in (0.004, 0.0149, 0.0151, 0.160):
            each = [at(history, "water_content", depth_m, hour) for hour in hours]
            assert history.water_content(depth_m)[list(hours)] == pytest.approx(each, abs=1e-12)


def test_storm_wets_the_thatch_first_and_the_soil_later(month):
    """After the storm the thatch has risen by the end of its first hour, the soil at 50 mm later."""
    thatch = [at(month, "water_content", 0.008, hour) for hour in range(240, 260)]
    soil = [at(month, "water_content", 0.05, hour) for hour in range(240, 260)]
    assert thatch[1] - thatch[0] > 0.02
    first = next(i for i, value in enumerate(soil) if value - soil[0] > 0.01)
    assert first > 1


def test_every_air_and_ground_quantity_has_a_value(month):
    """Every quantity a station's probes hear is answered with a possible number."""
    for quantity in ("air_temperature", "relative_humidity", "wind_speed", "solar_radiation", "surface_temperature"):
        assert np.isfinite(at(month, quantity, None, 60.25))
    assert 5.0 < at(month, "soil_temperature", 0.05, 60.25) < 30.0
    assert 0.0 < at(month, "bulk_ec", 0.05, 60.25) < 1.5
    assert 50.0 < at(month, "cone_resistance", 0.10, 60.25) < 5000.0


def test_no_value_outside_the_run_below_the_column_or_unknown(month):
    """Before, after, below, or asked for what it has not, the answer is None."""
    assert at(month, "water_content", 0.05, -1.0) is None
    assert at(month, "water_content", 0.05, 721.0) is None
    assert at(month, "water_content", 2.0, 10.0) is None
    assert at(month, "supply_voltage", 0.05, 10.0) is None
    assert at(month, "water_content", None, 10.0) is None


def test_between_two_hours_lies_the_straight_line(month):
    """At half past, the value is the mean of the full hours (definition)."""
    both = [at(month, "water_content", 0.03, hour) for hour in (243.0, 244.0)]
    assert at(month, "water_content", 0.03, 243.5) == pytest.approx(np.mean(both))


def test_each_rain_is_accounted_for(month):
    """Storm and watering are two rains; what passed, dried, ran off, was drunk or stayed is all of each."""
    storm, watering = list(month.rains())
    assert storm.fallen_mm == pytest.approx(12.0)
    assert watering.fallen_mm == pytest.approx(6.0)
    for rain in (storm, watering):
        explained = rain.past_thatch_mm + rain.canopy_mm + rain.runoff_mm + rain.evaporation_mm
        explained += rain.thatch_gain_mm + rain.thatch_uptake_mm + rain.pond_gain_mm
        # uptake of the node at the base is shared with the soil: a twentieth of a millimetre
        assert explained == pytest.approx(rain.fallen_mm, abs=0.15)


def test_uptake_depth_goes_down_as_the_top_dries(month):
    """Roots drink deeper in the tenth dry day than in the second."""
    early = month.uptake_depth_m(24, 48)
    late = month.uptake_depth_m(216, 240)
    assert 0.02 < early < late < 0.5


def test_no_uptake_has_no_depth(month):
    """Over a night without demand there is no depth of uptake, NaN rather than 0."""
    assert np.isnan(month.uptake_depth_m(0, 1))


def test_pass_is_in_the_record_from_its_hour(month):
    """The pass shows in thatch and cover from the hour it was made and its healing only climbs."""
    assert month.thatch_m[25 * 24 + 1] < month.thatch_m[25 * 24]
    healed = month.healed["1 core"][25 * 24 + 1 :]
    assert np.isfinite(healed).all()
    assert (np.diff(healed) >= 0.0).all()


def test_ledger_of_the_run_closes(month):
    """All water at the end less all at the start is what came less what went, to a millionth of it."""
    assert abs(month.balance_error_mm()) < 1e-6 * 18.0


def test_storage_between_depths_is_that_of_the_column(month):
    """Thatch and soil storages add up to all water, and the thatch's agrees with its own record."""
    whole = month.storage_mm(0.0, 1.0)
    assert whole == pytest.approx(month.ground_water_mm, abs=1e-9)
    first = month.storage_mm(0.0, 0.015)[0]
    assert first == pytest.approx(month.thatch_water_mm[0], rel=0.05)  # the node at its base is half soil
    assert month.storage_mm(0.0, 0.1)[5] + month.storage_mm(0.1, 1.0)[5] == pytest.approx(whole[5])


def test_a_run_goes_on_where_another_stopped():
    """Ten days in one run, or five hourly and then five more from the state left, are the same ground and rain."""
    weather = generate(CLIMATES["warm humid"], START, 10, seed=8)
    whole = run(PLACE, weather)
    first = run(PLACE, between(weather, 0, 5))
    second = run(PLACE, between(weather, 5, 10), first=first.last)
    assert np.array_equal(second.head_m[-1], whole.head_m[-1])
    joined = JoinedHistory((first, second))
    assert (joined.start_ms, joined.end_ms) == (whole.start_ms, whole.end_ms)
    for hour in (1.0, 119.5, 120.0, 120.5, 240.0):
        for quantity, depth_m in (("rain_total", None), ("water_content", 0.05), ("soil_temperature", 0.05)):
            assert at(joined, quantity, depth_m, hour) == pytest.approx(at(whole, quantity, depth_m, hour), abs=1e-9)
    assert at(joined, "rain_total", None, 241.0) is None
