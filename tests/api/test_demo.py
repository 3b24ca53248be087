"""The demo: settings that both sides accept, and the whole of it as a user starts it."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import tomli_w

from api.demo import Demo, DemoFault, _free_port, _is_free
from api.demo_configs import configs
from pipeline.run.clock import SystemClock
from pipeline.service import load_settings as load_server
from probe_agent.config import load as load_agent
from tests.api.test_command import _children, _runs
from tests.pipeline.conftest import wait_until

ROOT = Path(__file__).parents[2]
ONCE_WITHIN_S = 90.0  # promised for a quiet machine with two processors; a busy one gets three times that
PATIENCE = 3.0
HIDES_MOSQUITTO = """
import shutil
found = shutil.which
shutil.which = lambda name, *rest, **named: None if name == "mosquitto" else found(name, *rest, **named)
"""
CORE = {"date": "2018-01-04", "thatch_mm": 14}  # JSON has no dates
READY: dict[str, Any] = {
    "site": {
        "name": "fernhollow", "title": "Fern Hollow", "timezone": "Etc/GMT+7", "latitude_deg": 40.0,
        "longitude_deg": -108.0, "elevation_m": 1850.0,
    },
    "node": "node-1",
    "interval_s": 3600,
    "rain_interval_s": 900,
    "clock": "/run/demo/clock.sock",
    "lines": [
        {"name": "turf", "port": "/run/demo/line-turf", "protocol": "sdi12", "baud": 1200},
        {"name": "dock", "port": "/run/demo/line-dock", "protocol": "cone", "baud": 9600},
    ],
    "surfaces": [
        {
            "name": "square", "title": "Square", "kind": "square",
            "stations": [
                {
                    "name": "square-1", "title": "north end",
                    "facts": {"soil": "clay_loam", "root_zone_mm": 200, "core": [CORE]},
                }
            ],
        }
    ],
    "probes": [
        {"name": "t1", "station": "square-1", "model": "thatch", "line": "turf", "address": "0", "interval_s": 1800,
         "rain_interval_s": 900},
        {"name": "w1", "station": "square-1", "model": "weather", "line": "turf", "address": "1", "interval_s": 3600,
         "rain_interval_s": 900},
        {"name": "cone", "station": "square-1", "model": "cone_hard", "line": "dock", "address": None,
         "interval_s": 3600, "rain_interval_s": 3600},
    ],
}  # fmt: skip


def written(folder: Path) -> tuple[Any, Any]:
    server, agent = configs(READY, broker_port=18831, pages_port=18420)
    paths = folder / "underturf.toml", folder / "agent.toml"
    for path, table in zip(paths, (server, agent), strict=True):
        path.write_text(tomli_w.dumps(table), encoding="utf-8")
    return load_server(paths[0]), load_agent(paths[1])


def test_both_sides_accept_what_the_demo_writes(tmp_path: Path) -> None:
    """Server and agent read their files without a fault, and agree on site, broker and clock."""
    server, agent = written(tmp_path)
    assert server.site.name == agent.site == "fernhollow"
    assert (server.broker.host, server.broker.port) == (agent.broker.host, agent.broker.port) == ("127.0.0.1", 18831)
    assert str(server.clock.follow) == str(agent.clock_follow) == "/run/demo/clock.sock"
    assert server.pages.port == 18420


def test_every_probe_of_the_agent_is_known_to_the_server(tmp_path: Path) -> None:
    """The channels the agent will name are those the server waits for: none would be unknown, none missing."""
    server, agent = written(tmp_path)
    told = {f"{p.station}/{p.name}/{c.name}" for p in agent.probes for c in p.description.channels}
    assert told == set(server.channels())


def test_each_probe_keeps_its_own_interval(tmp_path: Path) -> None:
    """What the simulator says of a probe's cadence is what the agent reads it by."""
    _, agent = written(tmp_path)
    cadences = {p.name: (p.cadence.interval_s, p.cadence.rain_interval_s) for p in agent.probes}
    assert cadences == {"t1": (1800, 900), "w1": (3600, 900), "cone": (3600, 3600)}


def test_a_demo_over_a_server_says_so_in_its_settings(tmp_path: Path) -> None:
    """The table of the store is taken as it is given; the agent's file does not know it."""
    store = {"kind": "influx", "url": "http://127.0.0.1:8086", "bucket": "demo"}
    server, agent = configs(READY, broker_port=18831, pages_port=18420, store=store)
    (tmp_path / "underturf.toml").write_text(tomli_w.dumps(server), encoding="utf-8")
    assert load_server(tmp_path / "underturf.toml").store.url == store["url"] and "store" not in agent


def test_a_machine_without_influxd_is_told_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked for a server store where there is none to start, the demo names the option and the package."""
    monkeypatch.setenv("PATH", str(tmp_path))
    asked = Demo(tmp_path, record=None, scenario="x", rate=1.0, port=0, once=True, store="influx", influx=None)
    with pytest.raises(DemoFault, match=r"^--store influx: found no influxd.*Debian: influxdb"):
        asked._start_influxd()


def test_a_busy_port_is_seen(free_port: int) -> None:
    """A port that somebody listens on is not free, and the one found instead is."""
    assert _is_free(free_port)
    with socket.create_server(("127.0.0.1", free_port)):
        assert not _is_free(free_port)
        assert _is_free(_free_port())


@contextmanager
def demo(folder: Path, *arguments: str, hidden: bool = False) -> Iterator[tuple[subprocess.Popen[str], Path]]:
    """The demo as a user starts it, with what it prints in a file; `hidden` hides the machine's mosquitto from it."""
    printed = folder / "printed.txt"
    environment = dict(os.environ)
    if hidden:
        # Debian's folder is looked into whatever PATH says, so the look itself is made to find nothing.
        (folder / "sitecustomize.py").write_text(HIDES_MOSQUITTO)
        environment["PYTHONPATH"] = str(folder)
    with printed.open("w") as out:
        program = subprocess.Popen(
            [sys.executable, "-m", "api.command", "demo", "--record", "dinosaur", "--dir", str(folder / "demo"),
             *arguments],
            cwd=ROOT, env=environment, stdout=out, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        try:
            yield program, printed
        finally:
            if program.poll() is None:
                program.terminate()
                program.wait(60)


def _begun(program: subprocess.Popen[str], printed: Path) -> bool:
    assert program.poll() is None, printed.read_text()
    return "History" in printed.read_text()


def family(pid: int) -> set[int]:
    """Every process below one."""
    found: set[int] = set()
    for child in _children(pid):
        found |= {child} | family(child)
    return found


@pytest.mark.soak
@pytest.mark.timeout(400)
@pytest.mark.parametrize("kind", ["mosquitto", "amqtt", "influxd"])
def test_once_prints_the_state_of_recorded_ground(
    tmp_path: Path, kind: str, need_program: Callable[[str], str]
) -> None:
    """`demo --once`, with a mosquitto, without, and over an influxd: exit 0 in time and the four facts: water by layer,
    the last wetting, open alerts (roots dry, in the dry summer of the record) and the age of the data."""
    if kind != "amqtt":
        need_program(kind)
    store = ("--store", "influx") if kind == "influxd" else ()
    clock = SystemClock()
    began = clock.monotonic()
    with demo(tmp_path, "--once", *store, hidden=kind == "amqtt") as (program, printed):
        code = program.wait(ONCE_WITHIN_S * PATIENCE)
        took_s = clock.monotonic() - began
        log = (tmp_path / "demo" / "server.log").read_text()
    said = printed.read_text()
    print(f"demo --once with {kind}: {took_s:.1f} s")
    assert code == 0, said
    assert kind == "influxd" or f"broker_started kind={kind}" in log
    assert re.search(r"^Root zone: \d+ mm of water, (nearly )?dry", said, re.M)
    assert re.search(r"^Last wetting: .* It was [\d.]+ mm of water, and ended ", said, re.M)
    assert re.search(r"^Last heard \d\d:\d\d today, ", said, re.M)
    assert re.search(r"^- Outfield, long side: roots have been dry", said, re.M)


@pytest.mark.soak
@pytest.mark.timeout(400)
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGKILL], ids=lambda n: n.name)
def test_nothing_is_left_when_the_demo_ends(tmp_path: Path, free_port: int, number: signal.Signals) -> None:
    """Ctrl-C in the midst of the history ends all of it with 0; a kill that it cannot see ends its parts too. A busy
    port is said and another taken."""
    with socket.create_server(("127.0.0.1", free_port)), demo(tmp_path, "--port", str(free_port)) as (program, printed):
        wait_until(lambda: _begun(program, printed), "the history begins", 120.0)
        everyone = family(program.pid)
        assert len(everyone) >= 3
        program.send_signal(number)
        code = program.wait(60)
        wait_until(lambda: not [pid for pid in everyone if _runs(pid)], "all of it has ended", 30.0)
    assert code == (0 if number == signal.SIGINT else -signal.SIGKILL)
    assert f"Port {free_port} is busy" in printed.read_text()
