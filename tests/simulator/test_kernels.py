"""The simulator runs without a compiler, more slowly, to the same answer."""

import subprocess
import sys

import pytest

RUN = """
import sys
{block}
from simulator import kernels
from simulator.column import BottomBoundary, Layer, TopBoundary, advance, build, graded, start
from simulator.materials import MATERIALS
column = build((Layer(MATERIALS["thatch_decayed"], 0.02), Layer(MATERIALS["loam"], 0.2)),
               spacing=(graded(0.02, 0.004), graded(0.2, 0.02)))
state, flow = advance(column, start(column, -2.0), TopBoundary(supply_m_s=2e-6), 3600.0)
print(kernels.HAS_NUMBA, repr(float(state.head_m[0])), repr(flow.drainage_m))
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
    assert float(plain[1]) == pytest.approx(float(compiled[1]), rel=1e-9)
    assert float(plain[2]) == pytest.approx(float(compiled[2]), rel=1e-9)
