"""The simulator runs without a compiler, more slowly, to the same answer."""

import subprocess
import sys
from pathlib import Path

import pytest

from simulator import kernels
from simulator.__main__ import main
from simulator.units import QUARTER_S

RUN = """
import sys
{block}
from simulator import kernels
from simulator.column import Layer, Repellency, TopBoundary, advance, build, graded, start
from simulator.materials import MATERIALS
kernels.compile_loops()
column = build((Layer(MATERIALS["thatch_decayed"], 0.02), Layer(MATERIALS["loam"], 0.2)),
               spacing=(graded(0.02, 0.004), graded(0.2, 0.02)),
               repellency=Repellency(critical_theta=0.5), repellent_depth_m=0.02)
state, flow = advance(column, start(column, -2.0), TopBoundary(supply_m_s=2e-6), 3600.0)
found = (float(state.head_m[0]), flow.drainage_m, float(state.water_m[0]))
print(sys.modules.get("numba") is not None, *map(repr, found))
"""


def answer(block: str) -> list[str]:
    done = subprocess.run([sys.executable, "-c", RUN.format(block=block)], capture_output=True, text=True, check=True)
    return done.stdout.split()


def test_plain_python_gives_the_compiled_answer():
    """With numba hidden the same hour of rain gives the same head to rounding, and it says which way it ran."""
    pytest.importorskip("numba", reason="numba is not installed (extra `simulator`): there is nothing to compare with")
    plain, compiled = answer("sys.modules['numba'] = None"), answer("")
    assert (plain[0], compiled[0]) == ("False", "True")
    # the compiler may order sums and powers otherwise: 1e-9 is far above that and far below anything seen in the ground
    assert [float(x) for x in plain[1:]] == pytest.approx([float(x) for x in compiled[1:]], rel=1e-9)


LIVE = """
import sys
sys.modules["numba"] = None
import time
from simulator import weather as sky
from simulator.scenario import load
from simulator.scenario_run import StationRun, turf_of, weather_of
from simulator.units import QUARTER_S
scenario = load("raw_thatch_lawn")
station = StationRun(scenario, scenario.stations[0], turf_of(scenario.stations[0], seed=1), 1)
weather = weather_of(scenario, seed=1, step_s=QUARTER_S)
began = time.process_time()
station.run(station.start(), sky.between(weather, 0, 1))
print((time.process_time() - began) / 96)
"""


def test_live_time_is_kept_without_the_compiler():
    """At 60 times real time a quarter hour lasts 15 s; plain Python needs a hundredth of that for a station."""
    done = subprocess.run([sys.executable, "-c", LIVE], capture_output=True, text=True, check=True)
    assert float(done.stdout) < 0.01 * QUARTER_S / 60.0


def test_run_too_long_for_plain_python_says_what_to_install(tmp_path: Path, monkeypatch, capsys):
    """Without numba twelve stations over forty days are refused before anything is written, a day of one is not."""
    monkeypatch.setattr(kernels, "HAS_NUMBA", False)
    assert main(["run", "twelve_stations", "--days", "40", "--out", str(tmp_path / "twelve")]) == 2
    said = capsys.readouterr().err
    assert "numba: not installed" in said and "pip install '.[simulator]'" in said
    assert not (tmp_path / "twelve").exists()
    assert main(["play", "--scenario", "twelve_stations", "--dir", str(tmp_path / "played")]) == 2
    assert "numba: not installed" in capsys.readouterr().err
    assert main(["run", "sand_green", "--days", "1", "--out", str(tmp_path / "green")]) == 0
