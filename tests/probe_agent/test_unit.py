"""The agent as its service unit starts it, under the system calls that the unit allows."""

from __future__ import annotations

import contextlib
import signal
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from probe_agent.outbox import peek
from tests.probe_agent.conftest import TRUSTED
from tests.probe_agent.test_publisher import FakePipeline
from tests.under_unit import UNITS, started_by

UNIT = UNITS / "underturf-agent.service"
ROOT = Path(__file__).parents[2]
START_WITHIN_S = 30.0  # two interpreters start one after the other


@pytest.fixture
def start_agent(
    write_config, sensor_line, tmp_path: Path, need_program
) -> Iterator[Callable[[Path], subprocess.Popen]]:
    """Start the real agent with one sensor that it reads each second. It asks the kernel whether its clock is set."""
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    running: list[subprocess.Popen] = []

    def start(unit: Path) -> subprocess.Popen:
        command = started_by(unit, write_config(), need_program)
        with (tmp_path / "log").open("w") as log:
            running.append(subprocess.Popen(command, cwd=ROOT, stderr=log))
        return running[-1]

    yield start
    for agent in running:
        agent.kill()
        agent.wait(10)


def test_agent_reads_under_the_filter_of_its_unit(start_agent, tmp_path: Path, until) -> None:
    """Two slots of a real line are kept, and a stop is answered: no call on that way is refused."""
    agent = start_agent(UNIT)

    def two_slots_kept() -> bool:
        log = (tmp_path / "log").read_text()
        assert agent.poll() is None, f"ended with {agent.returncode}: {log}"
        return "INFO started" in log and peek(tmp_path / "state").kept >= 4

    until(two_slots_kept, within_s=START_WITHIN_S)
    agent.send_signal(signal.SIGTERM)
    assert agent.wait(10) == 0
    assert peek(tmp_path / "state").lines["north"][0] == "ok"


def test_agent_of_the_timer_reads_sends_and_ends_under_its_unit(
    write_config, sensor_line, start_broker, tmp_path: Path, need_program
) -> None:
    """Real line, real broker: all is receipted and the program ends by itself, with no call refused."""
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    broker = start_broker()
    pipeline = FakePipeline(broker.port)
    try:
        config = write_config(port=broker.port, more=TRUSTED)
        command = started_by(UNITS / "underturf-agent-once.service", config, need_program)
        ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=90, check=False)
    finally:
        pipeline.stop()
    assert (ended.returncode, ended.stdout) == (0, "all readings have their receipt\n"), ended.stderr
    assert pipeline.seqs == [1, 2] and peek(tmp_path / "state").received == 2


def test_filter_without_the_clock_calls_ends_the_agent(start_agent, tmp_path: Path) -> None:
    """The control: the unit less its line about the clock is a filter that ends the agent as soon as it asks for it."""
    lines = UNIT.read_text().splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith("SystemCallFilter=") or "clock_adjtime" not in line]
    assert len(kept) == len(lines) - 1
    unit = tmp_path / UNIT.name
    unit.write_text("".join(kept))
    agent = start_agent(unit)
    assert agent.wait(START_WITHIN_S) == -signal.SIGSYS
    with contextlib.suppress(FileNotFoundError):  # it may not have come to its outbox
        assert peek(tmp_path / "state").kept == 0
