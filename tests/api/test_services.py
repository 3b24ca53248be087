"""The services on a machine of their own: real systemd, real mosquitto as Debian starts it, the commands as printed."""

from __future__ import annotations

import re
import shutil
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
import tomli_w

from api.broker_users import node_block
from hardware.service_unit import DROP_IN, UNIT_DIR
from pipeline.service import load_settings
from tests.api.test_broker_users import tables_of
from tests.pipeline.conftest import wait_until
from tests.private_machine import PrivateMachine, private_machine
from tests.probe_agent.conftest import sensor_line

__all__ = ["sensor_line"]

ROOT = Path(__file__).parents[2]
AGENT_COMMAND = str(Path(sys.executable).parent / "underturf-agent")


@pytest.fixture
def machine(tmp_path: Path) -> Iterator[PrivateMachine]:
    with private_machine(tmp_path) as made:
        yield made


AGENT = """
[agent]
site = "home"
node = "hut"
state_dir = "/var/lib/underturf-agent"
[schedule]
interval_s = 1
rain_interval_s = 1
[[line]]
name = "north"
port = "{port}"
protocol = "sdi12"
[[probe]]
name = "p1"
station = "square-1"
model = "thatch"
line = "north"
address = "1"
"""


@pytest.fixture
def agent_file(machine: PrivateMachine, sensor_line) -> Path:
    """Settings of an agent there, whose line is a pseudo-terminal here that the group of serial ports may open."""
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    port = sensor_line.plug.link.resolve()
    shutil.chown(port, group="dialout")
    port.chmod(0o660)
    file = machine.path("/etc/underturf/agent.toml")
    file.parent.mkdir()
    file.write_text(AGENT.format(port=port))
    return file


def kept(machine: PrivateMachine) -> int:
    """Readings in the agent's outbox, as its own command says."""
    shown = machine.run(AGENT_COMMAND, "show", "--config", "/etc/underturf/agent.toml", ends_with=None)
    return int((re.findall(r"kept (\d+) readings", shown) or ["0"])[0])


def is_active(machine: PrivateMachine, unit: str) -> bool:
    return machine.run("systemctl", "is-active", unit, ends_with=None) == "active\n"


@pytest.mark.parametrize("given", [True, False], ids=["as printed", "without the drop-in"])
def test_the_service_of_a_node_reads_the_password_that_only_root_may_read(
    machine: PrivateMachine, agent_file: Path, *, given: bool
) -> None:
    """The block is pasted as printed, and the service, whose user is made at its start, goes on reading its probe.
    Without the lines for the service manager, the control, it does not come up."""
    config = load_settings(ROOT / "hardware" / "docs" / "underturf.toml")
    block = node_block(config, "hut", "green", "no certificate", host="localhost")
    machine.run(AGENT_COMMAND, "install-service", "--do", "--config", "/etc/underturf/agent.toml")
    wait_until(lambda: kept(machine) > 0, "it reads its probe", 60)
    machine.run("sh", "-eu", told=block)
    agent, tables = tomllib.loads(agent_file.read_text()), tables_of(block)
    agent_file.write_text(
        tomli_w.dumps(agent | {"agent": agent["agent"] | tables["agent"], "broker": tables["broker"]})
    )
    if not given:
        for drop_in in machine.path(str(UNIT_DIR)).glob(f"*/{DROP_IN}"):
            drop_in.unlink()
        machine.run("systemctl", "daemon-reload")
    before = kept(machine)
    machine.run("systemctl", "restart", "underturf-agent", ends_with=None)
    assert machine.path("/etc/underturf/password").stat().st_mode & 0o777 == 0o600
    if not given:
        assert not is_active(machine, "underturf-agent")
        return
    assert is_active(machine, "underturf-agent"), machine.log()
    wait_until(lambda: kept(machine) > before, "it goes on", 60)
