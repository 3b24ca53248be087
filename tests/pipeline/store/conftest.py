"""The stores the conformance suite runs over, and processes that are killed in the middle of their work."""

import json
import os
import runpy
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
ROOT = HERE.parents[2]
SCRIPT = HERE / "append_forever.py"


@pytest.fixture(scope="session")
def killed_script():
    """The names of append_forever.py: how stores are opened and what its readings are."""
    return runpy.run_path(str(SCRIPT))


@pytest.fixture(params=["sqlite", "postgresql", "influx"])
def place(request, tmp_path):
    """Kind and whereabouts of an empty store of each kind."""
    if request.param == "sqlite":
        return "sqlite", str(tmp_path / "series.db")
    if request.param == "postgresql":
        dsn = request.getfixturevalue("postgres").dsn
        return "postgresql", json.dumps({"dsn": dsn, "site": f"t{os.urandom(6).hex()}"})
    return "influx", json.dumps({**request.getfixturevalue("influx_place"), "site": f"t{os.urandom(6).hex()}"})


@pytest.fixture
def site(place):
    """The site whose readings the store keeps."""
    return "club" if place[0] == "sqlite" else json.loads(place[1])["site"]


@pytest.fixture
def store(place, killed_script):
    """An empty store."""
    opened = killed_script["open_store"](*place)
    yield opened
    opened.close()


@pytest.fixture
def kill_while_appending():
    """Run append_forever.py, kill it once it has said it kept `wanted` batches; returns the last seq it said."""

    def run(kind, where, wanted):
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        process = subprocess.Popen(
            [sys.executable, str(SCRIPT), kind, where], stdout=subprocess.PIPE, text=True, env=environment
        )
        said = 0
        for _ in range(wanted):
            said = int(process.stdout.readline())
        process.kill()
        rest, _ = process.communicate()
        return int((rest.split() or [said])[-1])

    return run
