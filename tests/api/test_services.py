"""The services on a machine of their own: real systemd, real mosquitto as Debian starts it, the commands as printed."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import subprocess
import sys
import sysconfig
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

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
AGENT_COMMAND, SERVER_COMMAND = (str(Path(sys.executable).parent / name) for name in ("underturf-agent", "underturf"))
SERVER = """
[site]
name = "home"
title = "Home"
[data]
dir = "/var/lib/underturf"
[pages]
address = "https://turf.example.org"
[[surface]]
name = "square"
title = "Square"
kind = "square"
[[surface.station]]
name = "square-1"
title = "long side"
soil = "loam"
[[surface.station.probe]]
name = "p1"
model = "thatch"
"""


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


def received(agent: Callable[..., str]) -> int:
    """Readings of the agent that have their receipt, as its own command says."""
    return int(re.findall(r"receipted up to (\d+)", agent("show"))[0])


AUTHORITY = "/var/lib/underturf/certificate/authority.crt"


def openssl_takes(machine: PrivateMachine, *words: str, authority: str = AUTHORITY) -> bool:
    """Whether openssl's client, knowing an authority, shakes hands with the broker."""
    client = ["openssl", "s_client", "-connect", "localhost:8883", "-verify_return_error", "-CAfile", authority]
    told = machine.run("sh", "-c", f"{shlex.join([*client, *words])} 2>&1; echo ended $?", told="Q\n")
    return told.endswith("ended 0\n")


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


@pytest.mark.soak
@pytest.mark.timeout(600)
def test_a_field_broker_by_the_commands_as_printed(machine: PrivateMachine, agent_file: Path) -> None:
    """On a bare box with Debian's mosquitto: broker, server and node are set up by the commands and the block, readings
    arrive over TLS with their receipts, openssl finds the broker good, another password loses nothing, and the
    certificate is renewed under the connection."""
    settings = agent_file.with_name("underturf.toml")
    settings.write_text(SERVER)

    def server(*words: str, ends_with: int | None = 0) -> str:
        return machine.run(SERVER_COMMAND, *words, "--config", "/etc/underturf/underturf.toml", ends_with=ends_with)

    def agent(*words: str) -> str:
        return machine.run(AGENT_COMMAND, *words, "--config", "/etc/underturf/agent.toml")

    tables = server("broker", "--do").partition("\n\n")[2].partition("\n\n")[0]
    settings.write_text(f"{SERVER}{tables}\n")
    server("install-service", "--do")
    for words in (("localhost", "-tls1_2"), ("private", "-tls1_3")):
        assert openssl_takes(machine, "-verify_hostname", *words)
    assert not openssl_takes(machine, "-verify_hostname", "evil.example")
    assert not openssl_takes(machine, "-tls1_1", "-cipher", "DEFAULT@SECLEVEL=0")
    assert not openssl_takes(machine, authority="/etc/ssl/certs/ca-certificates.crt")
    block = server("node", "add", "hut", "--host", "localhost")
    machine.run("sh", "-eu", told=block)
    given = tables_of(block)
    text = tomllib.loads(agent_file.read_text())
    agent_file.write_text(tomli_w.dumps(text | {"agent": text["agent"] | given["agent"], "broker": given["broker"]}))
    agent("install-service", "--do")
    wait_until(lambda: received(agent) > 2, "readings have their receipts", 60)

    machine.run("sh", "-eu", told=server("node", "add", "hut", "--rotate", "--host", "localhost"))
    before = received(agent)
    wait_until(lambda: received(agent) > before + 2, "they have them with the other password", 60)
    assert "dropped without receipt 0" in agent("show")
    assert "nothing to do" in server("broker", "--renew")

    machine.run("ip", "address", "add", "10.9.8.7/24", "dev", "lo")
    machine.run("systemctl", "start", "underturf-broker.service")
    assert "made anew" in machine.log() and openssl_takes(machine, "-verify_ip", "10.9.8.7")
    before = received(agent)
    wait_until(lambda: received(agent) > before + 2, "they have them beside the other certificate", 60)

    server("node", "revoke", "hut")
    wait_until(lambda: "refused" in machine.log().rpartition("change what=broker")[2], "the node is out", 5)
    machine.run("sh", "-eu", told=server("node", "add", "hut", "--host", "localhost"))
    before = received(agent)
    wait_until(lambda: received(agent) > before + 2, "it is in again", 60)
    assert "dropped without receipt 0" in agent("show")


LATER = {
    "probe_agent/__init__.py": ('__version__ = "0.1.0"', '__version__ = "9.9.9"'),
    "pipeline/store/schema.py": (
        "def schema_of(",
        'MIGRATIONS = (*MIGRATIONS, Migration(99, "later", ("CREATE TABLE later (n INTEGER)",)))\n\n\ndef schema_of(',
    ),
}
"""What the next version has otherwise: its number, and a form of the database that the one before refuses."""
LIBRARIES = "/opt/libraries"  # where services may read them
PARTS = ("hardware", "probe_agent", "pipeline", "api", "simulator", "pyproject.toml", "README.md", "LICENSE")


class Clone:
    """The project in a folder, as one version or the next, and its installer run on the machine without the internet:
    the libraries are those of this environment."""

    def __init__(self, folder: Path, machine: PrivateMachine) -> None:
        self.folder, self.machine = folder / "clone", machine
        for part in PARTS:
            copied = shutil.copytree if (ROOT / part).is_dir() else shutil.copy
            self.folder.mkdir(exist_ok=True)
            copied(ROOT / part, self.folder / part)
        machine.path(LIBRARIES).mkdir()
        for library in Path(sysconfig.get_paths()["purelib"]).iterdir():
            if not re.match("(__editable__|underturf|pip)", library.name):
                machine.path(f"{LIBRARIES}/{library.name}").symlink_to(library)
        drop_in = machine.path("/etc/systemd/system/service.d/libraries.conf")
        drop_in.write_text(f"[Service]\nEnvironment=PYTHONPATH={LIBRARIES}\n")
        self._git("init", "--quiet", "--initial-branch=main")
        self.be("0.1.0")

    def be(self, version: str) -> str:
        """Check a version out; return its commit."""
        for file, texts in LATER.items():
            before, after = texts if version == "9.9.9" else reversed(texts)
            whole = (self.folder / file).read_text()
            if before in whole:
                (self.folder / file).write_text(whole.replace(before, after, 1))
        module = self.folder / "pipeline" / "later.py"
        module.write_text("") if version == "9.9.9" else module.unlink(missing_ok=True)
        self._git("add", "--all")
        who = ("-c", "user.name=x", "-c", "user.email=x@example.org")
        self._git(*who, "commit", "--quiet", "--allow-empty", "-m", version)
        return self._git("log", "-1", "--format=%h").strip()

    def _git(self, *words: str) -> str:
        return subprocess.run(["git", *words], cwd=self.folder, check=True, capture_output=True, text=True).stdout

    def install(self, *words: str, ends_with: int | None = 0) -> str:
        """Run the installer; return what it printed, faults too."""
        return self.machine.run("sh", "-c", f"{self.command(*words)} 2>&1", ends_with=ends_with)

    def command(self, *words: str) -> str:
        pip = "PIP_NO_DEPS=1 PIP_NO_INDEX=1 PIP_NO_BUILD_ISOLATION=0 PIP_DISABLE_PIP_VERSION_CHECK=1"
        path = f"PATH=/opt/python/bin:$PATH LD_LIBRARY_PATH=/opt/python/lib PYTHONPATH={LIBRARIES}"
        return f"{pip} {path} sh {self.folder}/hardware/install.sh {shlex.join(words)}"


@pytest.mark.soak
@pytest.mark.timeout(600)
def test_a_box_is_installed_upgraded_broken_off_and_put_back_by_the_script(
    machine: PrivateMachine, agent_file: Path, tmp_path: Path
) -> None:
    """As printed, under the real service manager: installed, readings arrive; an upgrade killed in the midst of pip
    goes on when it is run again; the version before refuses the later database and says the way back, which leads to
    running services, with nothing of the later version left and no reading dropped."""
    clone = Clone(tmp_path, machine)
    first, settings = clone.be("0.1.0"), agent_file.with_name("underturf.toml")
    settings.write_text(SERVER)
    clone.install("--do")
    own = f"LD_LIBRARY_PATH=/opt/python/lib PYTHONPATH={LIBRARIES} /opt/underturf/bin"

    def both(words: str) -> None:
        for name, file in (("underturf", settings), ("underturf-agent", agent_file)):
            machine.run("sh", "-c", f"{own}/{name} {words} --config /etc/underturf/{file.name}")

    def agent(*words: str) -> str:
        return machine.run("sh", "-c", f"{own}/underturf-agent {shlex.join(words)} --config /etc/underturf/agent.toml")

    def run_on(what: str) -> None:
        assert is_active(machine, "underturf") and is_active(machine, "underturf-agent"), machine.log()
        before = received(agent)
        wait_until(lambda: received(agent) > before + 2, what, 60)

    def version() -> str:
        return machine.run("sh", "-c", f"{own}/underturf-agent --version").split()[-1]

    both("install-service --do")
    wait_until(lambda: received(agent) > 2, "readings have their receipts", 60)
    clone.be("9.9.9")
    machine.run("sh", "-c", f"{clone.command('--upgrade', '--do')} >/tmp/said 2>&1 & echo begun")
    wait_until(lambda: "pip install" in machine.run("cat", "/tmp/said", ends_with=None), "pip has begun", 60)
    machine.run("pkill", "-KILL", "-f", "install.sh|bin/pip", ends_with=None)
    assert not is_active(machine, "underturf") and not is_active(machine, "underturf-agent")
    assert f"It was underturf-agent 0.1.0, commit {first} of " in clone.install("--upgrade", "--do")
    run_on("readings arrive after the upgrade")
    assert version() == "9.9.9"

    clone.be("0.1.0")
    said = clone.install("--upgrade", "--do", ends_with=1)
    assert "Back to underturf-agent 9.9.9" in said and not is_active(machine, "underturf")
    (way,) = re.findall(r"^  (/opt/underturf/bin/underturf restore .*)/BACKUP$", said, re.M)
    oldest = sorted(machine.run("ls", "/var/backups/underturf").split())[0]
    machine.run("sh", "-c", f"{own}{way.removeprefix('/opt/underturf/bin')}/{oldest}")
    clone.install("--upgrade", "--do")
    run_on("readings arrive after the way back")
    assert version() == "0.1.0" and "dropped without receipt 0" in agent("show")
    assert not list(machine.path("/opt/underturf/lib").rglob("pipeline/later.py"))


OWN = """
[water]   # as it is
restricted = false
"""
ASKED = """
import json, sys, urllib.request
method, path, *body = sys.argv[1:]
data = body[0].encode() if body else None
headers = {"Content-Type": "application/json"}
made = urllib.request.Request("http://127.0.0.1:8420" + path, data, headers, method=method)
try:
    print(urllib.request.urlopen(made, timeout=20).read().decode())
except OSError as err:
    print("{}" if not hasattr(err, "read") else err.read().decode())
"""


@pytest.mark.soak
@pytest.mark.timeout(300)
def test_settings_are_changed_from_a_page_by_the_service_alone(machine: PrivateMachine) -> None:
    """Under the unit as it is, whose user owns nothing but its data folder: written, taken up by another start in the
    same process, taken back byte for byte; the file in /etc is never touched. With a place in /etc, the control, it is
    refused with the place."""
    settings = machine.path("/etc/underturf/underturf.toml")
    settings.parent.mkdir()
    at = '[pages]\nsettings = "{}/settings.toml"\n'
    settings.write_text(SERVER.replace("[pages]\n", at.format("/var/lib/underturf")))
    machine.run(SERVER_COMMAND, "install-service", "--do", "--config", "/etc/underturf/underturf.toml")

    def asked(method: str, path: str, **body: str) -> dict[str, Any]:
        words = [] if method == "GET" else [json.dumps(body)]
        said = machine.run(sys.executable, "-c", ASKED, method, path, *words)
        return dict(json.loads(said or "{}") or {})

    def process() -> str:
        return machine.run("systemctl", "show", "-p", "MainPID", "--value", "underturf")

    wait_until(lambda: "digest" in asked("GET", "/api/v1/settings"), "it answers", 60)
    main, before, now = settings.read_bytes(), process(), asked("GET", "/api/v1/settings")
    written = asked("PUT", "/api/v1/settings", text=OWN, digest=now["digest"])
    assert written["start_needed"], (written, machine.log())
    assert machine.run("cat", "/var/lib/underturf/settings.toml") == OWN
    second = OWN.replace("false", "true")
    asked("PUT", "/api/v1/settings", text=second, digest=written["digest"])
    assert machine.run("cat", "/var/lib/underturf/settings.toml") == second
    asked("POST", "/api/v1/settings/start")
    wait_until(lambda: asked("GET", "/api/v1/settings").get("start_needed") is False, "it has started again", 60)
    asked("POST", "/api/v1/settings/undo", digest=asked("GET", "/api/v1/settings")["digest"])
    assert machine.run("cat", "/var/lib/underturf/settings.toml") == OWN and process() == before
    assert settings.read_bytes() == main and is_active(machine, "underturf")
    settings.write_text(SERVER.replace("[pages]\n", at.format("/etc/underturf")))
    machine.run("systemctl", "restart", "underturf")
    wait_until(lambda: "digest" in asked("GET", "/api/v1/settings"), "it answers", 60)
    now = asked("GET", "/api/v1/settings")
    assert "its data folder" in asked("PUT", "/api/v1/settings", text=OWN, digest=now["digest"])["detail"]
