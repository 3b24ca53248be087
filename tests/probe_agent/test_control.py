"""Reading a probe through the agent that holds its line: real command, real pseudo-terminal, real socket."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from hardware.reading import Status
from probe_agent.__main__ import main
from probe_agent.clock import SystemClock
from probe_agent.config import load
from probe_agent.control import AgentAway, read_by_agent
from probe_agent.faults import AgentFault
from probe_agent.outbox import peek
from probe_agent.service import Agent
from tests.probe_agent.conftest import TRUSTED
from tests.probe_agent.test_publisher import FakePipeline

ROOT = Path(__file__).parents[2]


@pytest.fixture
def running(sensor_line, write_config, tmp_path, until) -> Iterator[Path]:
    """The real agent on one sensor; the path of its settings."""
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    config = write_config()
    command = [sys.executable, "-m", "probe_agent", "run", "--config", str(config)]
    with (tmp_path / "log").open("w") as log:
        agent = subprocess.Popen(command, cwd=ROOT, stderr=log)
    until(lambda: "INFO started" in (tmp_path / "log").read_text(), within_s=20)
    yield config
    agent.send_signal(signal.SIGTERM)
    assert agent.wait(15) == 0


def test_probe_is_read_while_the_service_runs(running, tmp_path, capsys, until):
    """`read` and `live` print what the agent reads for them; its own slots go on and keep nothing of it."""
    assert main(["read", "p1", "--config", str(running)]) == 0
    assert capsys.readouterr().out.splitlines()[1].split()[:3] == ["moisture", "12.5", "ok"]
    assert main(["live", "p1", "--count", "3", "--every", "0.01", "--config", str(running)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "square-1/p1: moisture, temperature"
    assert [line.split()[-2:] for line in lines[1:]] == [["12.5", "8.25"]] * 3
    kept = peek(tmp_path / "state").kept
    until(lambda: peek(tmp_path / "state").kept > kept, within_s=10)
    with pytest.raises(AgentFault, match="the running agent has none of that name"):
        read_by_agent(tmp_path / "state", "square-1/p9")


def test_request_that_is_none_is_refused_in_words(running, tmp_path):
    """Anything but a request is answered by what was expected, and the agent serves on."""
    os.chdir(tmp_path)
    for sent in (b"hello\n", b"[1]\n", b'{"read": 7}\n', b"x" * 5000 + b"\n", b"[" * 1023 + b"\n"):
        with socket.socket(socket.AF_UNIX) as connection:
            connection.connect("state/agent.sock")
            connection.sendall(sent)
            assert "fault" in json.loads(connection.makefile().readline())
    assert read_by_agent(tmp_path / "state", "square-1/p1")[0][0].raw == 12.5


def test_nobody_runs(write_config, tmp_path):
    """Without an agent the reader is told so, also by a socket that a dead one left."""
    folder = tmp_path / "state"
    folder.mkdir()
    with pytest.raises(AgentAway, match="no agent that answers"):
        read_by_agent(folder, "square-1/p1")
    agent = Agent(load(write_config()), SystemClock())
    agent.control._path = tmp_path / "elsewhere"  # so that closing leaves the file, as a kill does
    agent.close()
    with pytest.raises(AgentAway, match="no agent that answers"):
        read_by_agent(folder, "square-1/p1")
    Agent(load(write_config()), SystemClock()).close()  # and the next start takes its place


def test_gauge_that_would_lose_rain_is_not_read_beside_its_slots(write_config, tmp_path):
    """One that counts since it was last asked gives its rain once."""
    path = write_config()
    path.write_text(path.read_text().replace('"thatch"', '"rain_tips"'))
    agent, stop = Agent(load(path), SystemClock()), threading.Event()
    told: list[str] = []

    def read() -> None:
        try:
            read_by_agent(tmp_path / "state", "square-1/p1")
        except AgentFault as fault:
            told.append(str(fault))

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    for _ in range(1000):
        agent.control.step()
        stop.wait(0.005)
        if not reader.is_alive():
            break
    agent.close()
    assert told == [
        "probe 'square-1/p1': counts rain since it was last asked; read beside its slots it would lose rain"
    ]


def test_once_reads_all_sends_and_ends(start_broker, sensor_line, write_config, tmp_path, capsys):
    """No pipeline, no receipt: exit 1, and the readings of the slot are kept for the next time."""
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    path = write_config(port=start_broker().port)
    path.write_text(path.read_text().replace("interval_s = 1\n", "interval_s = 86400\n", 1))
    for kept in (2, 2):  # the slot is read once, however often the timer wakes
        assert main(["once", "--within", "0.5", "--config", str(path)]) == 1
        assert capsys.readouterr().out == "2 readings have no receipt yet and are kept\n"
        assert peek(tmp_path / "state").kept == kept
    assert [one.status for one in read_kept(tmp_path / "state")] == [Status.OK, Status.OK]


def test_a_node_that_woke_without_a_broker_sends_all_at_the_next_wake(
    start_broker, sensor_line, write_config, tmp_path, capsys, until
):
    """Nobody listens: it ends within its time and keeps the slot. Then a pipeline is there: all arrives, once, and the
    last status says that the node sleeps, so that its silence is no fault."""
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    path = write_config(port=1, more=TRUSTED)
    path.write_text(path.read_text().replace("interval_s = 1\n", "interval_s = 86400\n", 1))
    command = [sys.executable, "-m", "probe_agent", "once", "--config", str(path)]
    away = subprocess.run(
        [*command, "--within", "1"], capture_output=True, text=True, timeout=60, cwd=ROOT, check=False
    )
    assert (away.returncode, away.stdout) == (1, "2 readings have no receipt yet and are kept\n")
    broker = start_broker()
    pipeline = FakePipeline(broker.port)
    path.write_text(path.read_text().replace("port = 1\n", f"port = {broker.port}\n"))
    try:
        assert main(["once", "--within", "20", "--config", str(path)]) == 0
        assert capsys.readouterr().out == "all readings have their receipt\n"
        assert (pipeline.seqs, list(pipeline.values.values())) == ([1, 2], [12.5, 8.25])
        until(lambda: pipeline.status[-1]["state"] == "down")  # told by the broker after its own receipt
        last = pipeline.status[-1]
        assert (last["sleeps"], last["backlog"]) == (True, 0)
        assert "uptime_s" in last["health"]
    finally:
        pipeline.stop()


def test_once_reads_a_slow_sensor_once_though_it_is_due_again(sensor_line, write_config, tmp_path):
    """A sensor of 1.5 s on an interval of 1 s is always due: it is read one time, and the node goes back to sleep."""
    sensor_line.add("1", {0: ["+12.5", "+8.25"]}, ready_in_s=2, takes_s=1.5)
    assert main(["once", "--within", "0.2", "--config", str(write_config(port=1))]) == 1
    assert len(read_kept(tmp_path / "state")) == 2


def read_kept(folder: Path):
    from probe_agent.outbox import Outbox

    outbox = Outbox(folder, site="home", node="hut", max_bytes=4 << 20)
    batch = outbox.batch(0, 10)
    outbox.close()
    return batch.readings
