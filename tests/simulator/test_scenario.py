"""Scenario files are read whole, and every fault in one is said in one run."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from simulator.scenario import ScenarioFault, load, names, parse
from simulator.scenario_run import OpenEndedTruth, run_station, turf_of, weather_of

SMALL = """
title = "Small"
story = "A. B. C."
seed = 3
start = 2025-06-01
days = 4
lead_days = 2
climate = "mild maritime"
[site]
title = "Somewhere"
[[surface]]
name = "lawn"
title = "Lawn"
kind = "lawn"
[[surface.station]]
name = "lawn"
title = "Lawn, station"
count = 2
[surface.station.keeper]
soil = "loam"
[surface.station.ground]
thatch = "thatch_decayed"
thatch_mm = 12
soil = [{ material = "loam", thickness_mm = 300 }]
[surface.station.spread]
thatch_mm = 0.3
watering = 0.2
[[surface.station.probe]]
name = "thatch"
model = "thatch"
[[diary]]
kind = "watering"
first = 2025-06-02
last = 2025-06-04
every_days = 2
hour = 4.5
water_mm = 6.0
hours = 1.0
[[diary]]
kind = "pass"
name = "solid_tine"
first = 2025-06-03
stations = ["lawn-2"]
"""


def test_small_scenario_is_read_as_written():
    """Stations are counted out, the diary is dated and repeated, and defaults are there."""
    scenario = parse(SMALL, "small")
    assert [station.name for station in scenario.stations] == ["lawn-1", "lawn-2"]
    assert [entry.at for entry in scenario.diary if entry.kind == "watering"] == [
        datetime(2025, 6, 2, 4, 30, tzinfo=UTC),
        datetime(2025, 6, 4, 4, 30, tzinfo=UTC),
    ]
    tined = next(entry for entry in scenario.diary if entry.kind == "pass")
    assert tined.concerns("lawn-2") and not tined.concerns("lawn-1")
    assert scenario.stations[0].turf.thatch_m == 0.012


FAULTY = (
    ('climate = "mild maritime"', 'climate = "mild maritim"', "small.toml: climate: found 'mild maritim'"),
    ("seed = 3", "sede = 3", "small.toml: sede: found 'an unknown key', expected 'seed'"),
    ("start = 2025-06-01", 'start = "1 June"', "small.toml: start: found '1 June', expected a date"),
    ('thatch = "thatch_decayed"', 'thatch = "thatch_old"', "station[0].ground.thatch: found 'thatch_old'"),
    ("thatch_mm = 12", "thatch_mm = 0.2", "station[0].ground.thatch_mm: found 0.2, expected a number from 1 to 80"),
    ('model = "thatch"', 'model = "thatsh"', "nearest 'thatch'"),
    ('name = "solid_tine"', 'name = "harrow"', "diary[1].name: found 'harrow'"),
    ('stations = ["lawn-2"]', 'stations = ["lawn-7"]', "diary[1].stations: found 'lawn-7'"),
    ("water_mm = 6.0", "", "diary[0].water_mm: found None"),
    ('kind = "lawn"', 'kind = "meadow"', "surface[0].kind: found 'meadow'"),
)


@pytest.mark.parametrize(("there", "instead", "said"), FAULTY)
def test_fault_is_named_with_what_was_expected(there, instead, said):
    """Each kind of mistake is told by file and key, with what was found."""
    with pytest.raises(ScenarioFault) as told:
        parse(SMALL.replace(there, instead, 1), "small")
    assert any(said in fault for fault in told.value.faults), told.value.faults


def test_all_faults_are_told_at_once():
    """Ten mistakes in one file are ten faults or more in one run."""
    text = SMALL
    for there, instead, _ in FAULTY:
        text = text.replace(there, instead, 1)
    with pytest.raises(ScenarioFault) as told:
        parse(text, "small")
    for _, _, said in FAULTY:
        assert any(said in fault for fault in told.value.faults), said


def test_planted_fault_of_an_unknown_probe_or_channel_is_refused():
    """A fault must have a probe and channels that are there."""
    planted = '[[fault]]\nprobe = "lawn-1/thatch"\nkind = "stuck"\nchannels = ["moisture_99"]\nfirst = 2025-06-01\n'
    with pytest.raises(ScenarioFault, match="channels: found 'moisture_99', expected one of moisture, temperature"):
        parse(SMALL + planted, "small")
    with pytest.raises(ScenarioFault, match="probe: found 'lawn-9/thatch'"):
        parse(SMALL + planted.replace("lawn-1", "lawn-9"), "small")


def test_unknown_scenario_says_which_there_are():
    """A name that is not there is answered with those that are."""
    with pytest.raises(ScenarioFault, match="expected one of climbing_roots"):
        load("no_such_place")
    assert "thatch_bound_square" in names()


def test_spread_is_the_seeds_and_each_stations_own():
    """Two stations of one table differ, the same seed draws the same, another seed draws anew."""
    one, two = parse(SMALL, "small").stations
    drawn = [turf_of(one, seed=1).thatch_m, turf_of(two, seed=1).thatch_m, turf_of(one, seed=2).thatch_m]
    assert len(set(drawn)) == 3
    assert turf_of(one, seed=1).thatch_m == drawn[0]


@pytest.fixture(scope="module")
def ground():
    """The first station of the small scenario, lived through for its four days."""
    scenario = parse(SMALL, "small")
    plan = scenario.stations[0]
    weather = weather_of(scenario, seed=3)
    return scenario, plan, weather, run_station(scenario, plan, weather, seed=3, days=4)


def test_watering_falls_in_its_hours_and_in_its_amount(ground):
    """Half of a watering from 4:30 to 5:30 falls in each of the two hours, times the station's share (geometry)."""
    _, _, _, history = ground
    given = history.flux["watering_mm"]
    assert np.flatnonzero(given).tolist() == [28, 29, 76, 77]
    assert given[28] == pytest.approx(given[29])
    assert 2.0 < given[28] + given[29] < 18.0  # 6 mm times a lognormal factor of 0.2


def test_longer_run_begins_with_the_shorter_one(ground):
    """Two days of the scenario are the first two of its four, to the last bit."""
    scenario, plan, weather, history = ground
    shorter = run_station(scenario, plan, weather, seed=3, days=2)
    assert np.array_equal(shorter.head_m, history.head_m[:49])
    assert np.array_equal(shorter.flux["rain_mm"], history.flux["rain_mm"][:48])


def test_truth_unfolds_past_its_history_as_it_is_asked(ground):
    """Hours first, quarter hours after, and days nobody has lived yet when they are asked for; rain only ever grows."""
    scenario, plan, _, history = ground
    truth = OpenEndedTruth(scenario, plan, seed=3, fine_from_days=2, history_days=3)
    told_ms = truth.history.end_ms
    at = [truth.start_ms + 6 * 3_600_000 * i for i in range(25)]
    rain = [truth.value("rain_total", None, moment) for moment in at]
    assert told_ms < at[-1] <= truth.history.end_ms
    assert rain == sorted(rain)
    early = truth.value("water_content", 0.05, at[3])
    assert early == history.value("water_content", 0.05, at[3])
    # quarter hours cut storms finer than hours: the same ground, not the same bits
    late = truth.value("water_content", 0.05, at[14])
    assert late == pytest.approx(history.value("water_content", 0.05, at[14]), abs=0.03)
    assert truth.value("water_content", 0.05, truth.end_ms + 1) is None


def test_changes_to_the_weather_are_made():
    """A dry spell is dry, a storm brings what it is said to bring."""
    changed = parse(
        SMALL
        + '[[weather]]\nkind = "dry"\nfirst = 2025-06-01\nlast = 2025-06-05\n'
        + '[[weather]]\nkind = "storm"\nfirst = 2025-06-02T12:00:00Z\nlast = 2025-06-04T12:00:00Z\nevery_days = 2\n'
        + "rain_mm = 8.0\nhours = 2.0\n",
        "small",
    )
    weather = weather_of(replace(changed), seed=3)
    first = 2 * 24
    rain = weather.rain_mm[first : first + 96]
    assert np.flatnonzero(rain).tolist() == [36, 37, 84, 85]
    assert rain.sum() == pytest.approx(16.0)
