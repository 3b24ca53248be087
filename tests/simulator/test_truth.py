"""What a run writes down: whole, in agreement with what was lived, and the same to the last byte."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from simulator.__main__ import main
from simulator.scenario import load
from simulator.scenario_run import run_station, weather_of

DAYS, NAME = 5, "sand_green"


def table(path: Path) -> dict[str, list[str]]:
    with open(path, encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    return {name: [row[i] for row in rows[1:]] for i, name in enumerate(rows[0])}


def numbers(path: Path, *columns: str) -> np.ndarray:
    found = table(path)
    return np.array([[float(text) if text else np.nan for text in found[name]] for name in columns])


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A few days of a scenario, written by the command."""
    folder = tmp_path_factory.mktemp("run")
    assert main(["run", NAME, "--days", str(DAYS), "--out", str(folder)]) == 0
    return folder


@pytest.fixture(scope="module")
def history():
    """The same days, lived through once more."""
    scenario = load(NAME)
    return run_station(
        scenario, scenario.stations[0], weather_of(scenario, seed=scenario.seed), seed=scenario.seed, days=DAYS
    )


def test_same_seed_writes_the_same_bytes_and_another_does_not(run, tmp_path):
    """Every file of a second run is the first's to the last byte; another seed is another ground."""
    assert main(["run", NAME, "--days", str(DAYS), "--out", str(tmp_path / "again")]) == 0
    assert main(["run", NAME, "--days", "1", "--seed", "99", "--out", str(tmp_path / "other")]) == 0
    files = sorted(path.relative_to(run) for path in run.rglob("*") if path.is_file())
    assert len(files) == 9
    for path in files:
        assert (tmp_path / "again" / path).read_bytes() == (run / path).read_bytes(), path
    assert (tmp_path / "other" / "readings.csv").read_bytes()[:5000] != (run / "readings.csv").read_bytes()[:5000]


def test_ledger_of_the_steps_closes(run):
    """What came less what went is the change of ground, pond and canopy, from the columns as documented."""
    path = run / "truth" / "green-1" / "steps.csv"
    gained = numbers(path, "rain_mm", "watering_mm", "thatch_change_mm").sum(axis=0)
    lost = numbers(path, "canopy_evaporation_mm", "evaporation_mm", "uptake_mm", "drainage_mm", "runoff_mm").sum(axis=0)
    held = numbers(path, "ground_water_mm", "pond_mm", "canopy_mm").sum(axis=0)
    assert np.diff(held) == pytest.approx((gained - lost)[1:], abs=2e-4)  # seven digits of some 100 mm


def test_layers_add_up_to_all_water(run):
    """Thatch and soil layers together hold the water of the ground, but for half a node at the base of the thatch."""
    path = run / "truth" / "green-1" / "steps.csv"
    layers = [name for name in table(path) if name.startswith("layer_")]
    assert layers == ["layer_1_sand_root_zone_mm", "layer_2_sandy_loam_mm"]
    total = numbers(path, "thatch_water_mm", *layers).sum(axis=0)
    assert total == pytest.approx(numbers(path, "ground_water_mm")[0], abs=0.4)


def test_uptake_by_depth_adds_up_to_the_days(run):
    """The bands of a day are that day's uptake, and 95 % of it lies above the depth that is told."""
    folder = run / "truth" / "green-1"
    bands = [name for name in table(folder / "uptake.csv") if name.startswith("from_")]
    drunk = numbers(folder / "uptake.csv", *bands)
    uptake, depth_m = numbers(folder / "days.csv", "uptake_mm", "uptake_95_depth_m")
    assert drunk.sum(axis=0) == pytest.approx(uptake, abs=1e-5)
    lower = np.array([float(name.split("_")[3]) for name in bands]) / 1000.0
    for day in range(DAYS):
        above = drunk[lower <= depth_m[day] + 1e-9, day].sum()
        assert above <= 0.95 * uptake[day] + 1e-6
        assert np.interp(depth_m[day], np.r_[0.0, lower], np.r_[0.0, drunk[:, day].cumsum()]) == pytest.approx(
            0.95 * uptake[day], rel=0.03
        )


def test_rains_are_explained(run):
    """Where each rain went adds up to what fell; uptake of the base node is shared with the soil."""
    path = run / "truth" / "green-1" / "rains.csv"
    fallen = numbers(path, "fallen_mm")[0]
    names = ("past_thatch_mm", "canopy_mm", "runoff_mm", "evaporation_mm", "thatch_gain_mm", "thatch_uptake_mm")
    assert fallen.size >= 1
    assert numbers(path, *names, "pond_gain_mm").sum(axis=0) == pytest.approx(fallen, abs=0.2)


def test_days_are_those_that_were_lived(run, history):
    """Rain, thickness and strength in the files are the history's own."""
    folder = run / "truth" / "green-1"
    rain, thatch_m = numbers(folder / "days.csv", "rain_mm", "thatch_m")
    assert rain == pytest.approx(history.flux["rain_mm"].reshape(-1, 24).sum(axis=1), rel=1e-6, abs=1e-9)
    assert thatch_m == pytest.approx(history.thatch_m[24::24], rel=1e-6)
    noon = history.start_ms + 12 * 3_600_000
    assert numbers(folder / "strength.csv", "at_100_mm_kpa")[0, 0] == pytest.approx(
        history.value("cone_resistance", 0.1, noon), rel=1e-6
    )


def test_keeper_is_told_what_a_keeper_knows(run):
    """`scenario.json` has story, seed, faults, site and the core as a ruler told it, within 3 mm of the truth."""
    about = json.loads((run / "scenario.json").read_text(encoding="utf-8"))
    assert about["scenario"] == NAME and about["days"] == DAYS and about["story"]
    assert about["faults"]["green-1/profile"][0]["kind"] == "spikes"
    station = about["site"]["surfaces"][0]["stations"][0]
    (core,) = station["facts"]["core"]
    assert core["date"] == "2025-04-03"
    assert core["thatch_mm"] == pytest.approx(9.0, abs=3.0)


def test_mistakes_on_the_command_line_are_told(tmp_path, capsys):
    """An unknown scenario or number of days ends with a message and code 2, and nothing is written."""
    for arguments in (["no_such"], [NAME, "--days", "0"], [NAME, "--seed", "-1"]):
        assert main(["run", *arguments, "--out", str(tmp_path / "none")]) == 2
        assert "expected" in capsys.readouterr().err
    assert not (tmp_path / "none").exists()
