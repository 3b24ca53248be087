"""The record of a ground: the same truth as the run it was made of, and the same ground after it."""

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from simulator import kernels
from simulator.__main__ import main
from simulator.ground_record import GROUND_VERSION, GroundRecordFault, grain, made_of, path_of, read, write
from simulator.scenario import load, parse
from simulator.scenario_run import turf_of
from simulator.scenario_site import played_site, recorded_stations
from simulator.site import with_register_probe
from simulator.units import DAY_MS, QUARTER_S
from tests.simulator.test_scenario_site import SCENARIO

SHIPPED = "thatch_bound_square"
# A record keeps half a grain; another processor or compiler rounds otherwise. Run by plain Python in place of compiled
# loops, every series of both stations stayed within that half over all 145 days. Grass that uses one part in 8,500 more
# water gives 4.3.
TOLERANCE_GRAINS = 3.0


def kept(scenario, path, *, days, fine_days):
    of = made_of(scenario, seed=scenario.seed, days=days, fine_days=fine_days)
    return read(path, of, {plan.name: turf_of(plan, seed=scenario.seed) for plan in scenario.stations})


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """A scenario of three days, one of them fine: run, and played from a record of it."""
    scenario, path = parse(SCENARIO, "small"), tmp_path_factory.mktemp("record") / "small.ground.npz"
    made = recorded_stations(scenario, seed=3, history_days=3, fine_days=1)
    write(path, made_of(scenario, seed=3, days=3, fine_days=1), made)
    stations = kept(scenario, path, days=3, fine_days=1)
    assert stations is not None
    return scenario, path, stations


def test_the_record_in_the_package_is_of_the_ground_as_it_is():
    """Made anew, the demo's ground is that of the record; where it is not, the command to make it is named."""
    pytest.importorskip("numba", reason="numba is not installed (extra `simulator`): the run would take minutes")
    scenario = load(SHIPPED)
    how = f"make it anew: python -m simulator record {SHIPPED}, and raise GROUND_VERSION where it was played before"
    shipped = kept(scenario, path_of(scenario), days=100, fine_days=10)
    assert shipped is not None, f"the record is of another scenario or version; {how}"
    anew = recorded_stations(scenario, seed=scenario.seed, history_days=100, fine_days=10)
    for name, station in anew.items():
        for was, now in zip(shipped[name].parts, station.parts, strict=True):
            assert list(was.asked) == list(now.asked), f"{name}: its probes ask for other series; {how}"
            for (quantity, depth_m), place in was.asked.items():
                off = np.nanmax(np.abs(was.values[place] - now.values[place])) / grain(quantity)
                assert off <= TOLERANCE_GRAINS, f"{name}: {quantity} at {depth_m} m is off by {off:.1f} grains; {how}"


def test_every_probe_hears_of_a_record_what_it_hears_of_the_run(small):
    """At and between the steps, in both lengths of step and at their joint, each channel hears the same to a grain."""
    scenario, _, stations = small
    run = with_register_probe(played_site(scenario, seed=3, history_days=3, fine_days=1))
    played = with_register_probe(played_site(scenario, seed=3, history_days=3, fine_days=1, recorded=stations))
    heard = 0
    for ours, theirs in zip(played.installed, run.installed, strict=True):
        channels = () if theirs.probe.description.protocol == "cone" else theirs.probe.description.channels
        for channel in channels:
            for at_ms in range(run.start_ms, run.history_end_ms + 1, 1_370_000):
                expected = theirs.probe.heard(channel, at_ms)
                assert ours.probe.heard(channel, at_ms) == pytest.approx(expected, abs=2 * grain(channel.heard))
                heard += 1
    assert heard > 1000


def test_strokes_of_a_record_are_those_of_the_run(small):
    """The penetrometer pushes into the same ground: forces agree to the grain of strength over the cone's base."""
    scenario, _, stations = small
    run = played_site(scenario, seed=3, history_days=3, fine_days=1)
    played = played_site(scenario, seed=3, history_days=3, fine_days=1, recorded=stations)
    cones = [(a.probe, b.probe) for a, b in zip(played.installed, run.installed, strict=True) if not a.address]
    for ours, theirs in cones:
        stroke, same = np.array(ours.stroke(0)), np.array(theirs.stroke(0))
        assert stroke[:, 0].tolist() == same[:, 0].tolist() and np.abs(stroke - same).max() < 1.0
    assert len(cones) == 2


def test_time_goes_on_from_a_record_as_from_the_run(small):
    """Two days after the history the ground is the same to the last bit, and the rain since the start to a grain."""
    scenario, _, stations = small
    run = played_site(scenario, seed=3, history_days=3, fine_days=1).installed[0].probe.truth
    played = played_site(scenario, seed=3, history_days=3, fine_days=1, recorded=stations).installed[0].probe.truth
    later_ms = run.history.end_ms + 2 * DAY_MS - 1000 * QUARTER_S
    for quantity, depth_m in (("water_content", 0.007), ("soil_temperature", 0.1), ("cone_resistance", 0.05)):
        assert played.value(quantity, depth_m, later_ms) == run.value(quantity, depth_m, later_ms)
    rain = grain("rain_total")
    assert played.value("rain_total", None, later_ms) == pytest.approx(
        run.value("rain_total", None, later_ms), abs=rain
    )


def test_cores_are_cut_from_the_recorded_thatch(small):
    """What the keeper writes of the thatch is the same to the whole millimetre."""
    scenario, _, stations = small
    run = played_site(scenario, seed=3, history_days=3, fine_days=1)
    played = played_site(scenario, seed=3, history_days=3, fine_days=1, recorded=stations)
    assert played.surfaces == run.surfaces


@pytest.mark.parametrize("other", [{"days": 4}, {"fine_days": 0}, {"seed": 4}, {"digest": "x"}, {"ground_version": 0}])
def test_a_record_of_something_else_is_not_played(small, other):
    """Another seed, length, scenario text or ground model: it is left alone, and the ground is run."""
    scenario, path, _ = small
    of = made_of(scenario, seed=3, days=3, fine_days=1)
    turfs = {plan.name: turf_of(plan, seed=3) for plan in scenario.stations}
    assert read(path, of, turfs) is not None and of["ground_version"] == GROUND_VERSION
    assert read(path, of | other, turfs) is None
    assert read(path.with_name("none.npz"), of, turfs) is None


def test_a_changed_scenario_has_another_digest():
    """One figure in the file is enough."""
    assert (
        parse(SCENARIO, "small").digest != parse(SCENARIO.replace("thatch_mm = 15", "thatch_mm = 16"), "small").digest
    )


def test_a_damaged_record_is_named(small, tmp_path: Path):
    """Cut short, or of another turf, it says which file and how to make it anew."""
    scenario, path, _ = small
    cut = tmp_path / "cut.ground.npz"
    cut.write_bytes(path.read_bytes()[:-2000])
    with pytest.raises(GroundRecordFault, match=r"cut\.ground\.npz: found .* expected a record\. Make it anew"):
        kept(scenario, cut, days=3, fine_days=1)
    turfs = {p.name: replace(turf_of(p, seed=3), thatch_m=0.03) for p in scenario.stations}
    with pytest.raises(GroundRecordFault, match="numbers where the turf has"):
        read(path, made_of(scenario, seed=3, days=3, fine_days=1), turfs)


def test_what_was_not_recorded_is_refused_by_name(small):
    """A depth that no probe asked for when the record was made gives no made-up value."""
    _, _, stations = small
    part = stations["green-1"].parts[0]
    with pytest.raises(GroundRecordFault, match=r"found water_content at 0\.123 m asked for"):
        part.value("water_content", 0.123, part.start_ms)


GOES_ON = """
import sys
from simulator.__main__ import _parser, _scenario_site
play = ["play", "--scenario", "thatch_bound_square", "--fine-days", "10", "--dir", "x"]
site = _scenario_site(_parser().parse_args(play))
truth = site.installed[0].probe.truth
print(truth.value("water_content", 0.008, site.history_end_ms + 7_200_000) is not None, "numba" in sys.modules)
"""


def test_a_played_record_goes_on_without_reading_the_compiler():
    """Where numba is installed too: to compile takes half a minute, the day after the record two seconds."""
    pytest.importorskip("numba", reason="numba is not installed (extra `simulator`): there is nothing to leave alone")
    done = subprocess.run([sys.executable, "-c", GOES_ON], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "False"]


def test_the_demo_ground_is_played_without_a_compiler(tmp_path: Path, monkeypatch, capsys):
    """With the record, no compiler is missed; with another length of history it says what to install."""
    monkeypatch.setattr(kernels, "HAS_NUMBA", False)
    monkeypatch.setattr("simulator.__main__.serve", lambda player, parent: player.close() or 0)
    play = ["play", "--scenario", SHIPPED, "--dir", str(tmp_path / "play"), "--fine-days", "10"]
    assert main([*play, "--modbus"]) == 0
    assert main([*play, "--history-days", "300"]) == 2
    assert "numba: not installed" in capsys.readouterr().err
