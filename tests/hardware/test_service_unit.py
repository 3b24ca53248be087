"""Installing a service: the steps that are printed, the units they write, and what stands in the way."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from api.command import main as server_command
from hardware.service_unit import DROP_IN, ONCE_TIMER, SECRET_UNITS, CannotInstall, install, install_steps, secret_file
from pipeline.service import Pipeline, load_settings
from probe_agent.__main__ import main as agent_command
from tests.api.site import SETTINGS
from tests.reference import ROOT

PYTHON = Path("/usr/bin/python3")
SCRIPT = ROOT / "hardware" / "install.sh"


@pytest.fixture
def readable_folder() -> Iterator[Path]:
    """Both programs by links, where a service may read them: this checkout may lie in somebody's home."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        for name in SECRET_UNITS:
            Path(folder, name).symlink_to(Path(sys.executable).parent / name)
        yield Path(folder)


@pytest.mark.parametrize("name", sorted(SECRET_UNITS))
def test_units_have_the_paths_of_this_machine_and_no_fault(
    name: str, tmp_path: Path, need_program: Callable[[str], str], readable_folder: Path
) -> None:
    """Each unit is written before the service manager is told, names the program that runs, and passes its check."""
    program = readable_folder / name
    place = (program, Path("/srv/turf/x.toml"), Path("/var/lib") / name)
    steps = install_steps(name, *place, python=PYTHON, unit_dir=tmp_path)
    files, commands = [s for s in steps if s.file is not None], [s for s in steps if s.command]
    assert steps == files + commands and str(commands[0]) == "systemctl daemon-reload"
    for step in files:
        step.do()
    for step in files:
        assert step.file is not None and "/opt/underturf" not in step.text
        done = subprocess.run([need_program("systemd-analyze"), "verify", "--man=no", str(step.file)],
                              capture_output=True, text=True, check=False)  # fmt: skip
        assert [line for line in done.stderr.splitlines() if step.file.name in line] == []
    started = [s.text for s in files if "ExecStart=" in s.text]
    assert all("--config /srv/turf/x.toml" in text and str(program) in text for text in started)


@pytest.mark.parametrize(
    ("program", "config", "kept_in", "told"),
    [
        ("/home/me/.venv/bin/underturf-agent", "/etc/x.toml", "/var/lib/underturf-agent", "program: found /home/me"),
        ("/opt/u/bin/underturf-agent", "/tmp/x.toml", "/var/lib/underturf-agent", "config: found /tmp/x.toml"),
        ("/opt/u/bin/underturf-agent", "/etc/x.toml", "/etc/state", "expected /var/lib/underturf-agent"),
    ],
)
def test_what_a_service_could_not_read_or_write_is_refused(program: str, config: str, kept_in: str, told: str) -> None:
    """By the hardening of the units (systemd.exec: ProtectHome, PrivateTmp, StateDirectory)."""
    with pytest.raises(CannotInstall, match=told):
        install_steps("underturf-agent", Path(program), Path(config), Path(kept_in), python=PYTHON)


def test_a_python_that_no_service_may_read_is_refused() -> None:
    """A link in the environment may lead into somebody's home (systemd.exec: ProtectHome), and nothing would start."""
    place = (Path("/opt/u/bin/underturf-agent"), Path("/etc/u/agent.toml"), Path("/var/lib/underturf-agent"))
    with pytest.raises(CannotInstall, match="python: found /root/versions/python3"):
        install_steps("underturf-agent", *place, python=Path("/root/versions/python3"))


@pytest.mark.parametrize("name", sorted(SECRET_UNITS))
def test_secrets_of_the_settings_are_given_to_the_service(name: str, tmp_path: Path) -> None:
    """A drop-in beside each unit that reads them names them, and is emptied where there are none any more; two files of
    one name are refused."""
    place = (Path("/opt/u/bin", name), Path("/etc/u/x.toml"), Path("/var/lib", name))
    secrets = [Path("/etc/u/password"), Path("/etc/u/node.key")]
    for step in install_steps(name, *place, python=PYTHON, secrets=secrets, unit_dir=tmp_path):
        if step.file is not None:
            step.do()
    drop_in = tmp_path / f"{name}.service.d" / DROP_IN
    lines = "[Service]\nLoadCredential=password:/etc/u/password\nLoadCredential=node.key:/etc/u/node.key\n"
    assert drop_in.read_text() == lines
    (emptied,) = (s for s in install_steps(name, *place, python=PYTHON, unit_dir=tmp_path) if s.file == drop_in)
    assert emptied.text == "[Service]\n"
    with pytest.raises(CannotInstall, match="several secrets in files called password"):
        install_steps(name, *place, python=PYTHON, secrets=[*secrets, Path("/etc/v/password")])


def test_a_secret_is_read_in_its_file_or_as_it_was_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file where this user may read it; else what the service manager gave by its name; else the file, and its
    fault. systemd itself does it in `tests/api/test_services.py`."""
    file, folder = tmp_path / "etc" / "password", tmp_path / "given"
    for one in (file, folder / "password"):
        one.parent.mkdir()
        one.write_text("x")
    assert secret_file(file, str(folder)) == secret_file(file, None) == file
    monkeypatch.setattr("hardware.service_unit.os.access", lambda path, _: path == folder / "password")
    assert secret_file(file, str(folder)) == folder / "password"
    assert secret_file(file, None) == secret_file(file, str(tmp_path)) == file


def test_steps_are_printed_and_not_done_unless_told_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """And what a command says that fails is passed on, with exit code 1."""
    steps = install_steps("underturf-agent", Path("/opt/u/bin/underturf-agent"), Path("/etc/u/agent.toml"),
                          Path("/var/lib/underturf-agent"), python=PYTHON, unit_dir=tmp_path)  # fmt: skip
    said: list[str] = []
    assert install(steps, said.append, do=False) == 0
    assert said[0] == "This would be done, by root, with --do:" and len(said) == 4 and not list(tmp_path.iterdir())
    failing = [steps[0], type(steps[0])(("sh", "-c", "echo not booted with it >&2; exit 3")), *steps[1:]]
    assert install(failing, said.append, do=True) == 1
    assert (tmp_path / "underturf-agent.service").read_text() == steps[0].text
    assert "ended with 3: not booted with it" in capsys.readouterr().err
    refused = install_steps("underturf-agent", Path("/opt/u/bin/underturf-agent"), Path("/etc/u/agent.toml"),
                            Path("/var/lib/underturf-agent"), python=PYTHON, unit_dir=tmp_path / "none")  # fmt: skip
    assert install(refused, said.append, do=True) == 1


def test_both_commands_refuse_settings_of_a_trial_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The examples keep their data beside them: each says where a service keeps it."""
    docs = ROOT / "hardware" / "docs"
    assert agent_command(["install-service", "--config", str(docs / "agent.toml")]) == 1
    assert "expected /var/lib/underturf-agent" in capsys.readouterr().err
    assert server_command(["install-service", "--config", str(docs / "underturf.toml")]) == 2
    assert "expected /var/lib/underturf:" in capsys.readouterr().err


def test_script_for_the_box_prints_what_it_would_do(tmp_path: Path) -> None:
    """Nothing is made; for a node less; a word it does not know is refused."""
    place = {
        **{f"UNDERTURF_{name}": str(tmp_path / name) for name in ("PLACE", "SETTINGS", "LINKS")},
        "PATH": f"{Path(sys.executable).parent}:/usr/bin:/bin",
    }

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(["sh", str(SCRIPT), *words], env=place, capture_output=True, text=True, check=False)

    box, node = run(), run("--node")
    assert box.returncode == node.returncode == 0 and not list(tmp_path.iterdir())
    assert f"pip install --quiet {ROOT}[server]" in box.stdout and f"pip install --quiet {ROOT}\n" in node.stdout
    assert (
        "bin/underturf-agent " in node.stdout and "bin/underturf " not in node.stdout and "bin/underturf " in box.stdout
    )
    assert "underturf install-service" in box.stdout and "underturf install-service" not in node.stdout
    odd = run("--yes")
    assert odd.returncode == 2 and "expected --do, --node, --upgrade or nothing" in odd.stderr


def test_an_upgrade_is_a_backup_then_the_new_version_then_a_check(tmp_path: Path) -> None:
    """In this order, printed and not done; without an installed one it is refused; a failing step leaves the settings
    as they are, names the way back and goes no further. Both commands and the backup are the real ones."""
    place, settings, backups = (tmp_path / name for name in ("place", "settings", "backups"))
    asked = {
        "UNDERTURF_PLACE": str(place), "UNDERTURF_SETTINGS": str(settings), "UNDERTURF_BACKUPS": str(backups),
        "PATH": f"{Path(sys.executable).parent}:/usr/bin:/bin",
    }  # fmt: skip

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        command = ["sh", str(SCRIPT), "--upgrade", *words]
        return subprocess.run(command, env=asked, capture_output=True, text=True, check=False)

    refused = run()
    assert refused.returncode == 1 and "found no Underturf to upgrade" in refused.stderr
    (place / "bin").mkdir(parents=True)
    for name in ("underturf", "underturf-agent"):
        (place / "bin" / name).symlink_to(Path(sys.executable).parent / name)
    settings.mkdir()
    told = run()
    assert told.returncode == 0 and " backup --to " not in told.stdout  # a node has no data of its own
    assert f"pip install --quiet {ROOT}\n" in told.stdout
    site = (ROOT / "hardware" / "docs" / "underturf.toml").read_text(encoding="utf-8")
    (settings / "underturf.toml").write_text(site, encoding="utf-8")
    told = run()
    steps = [told.stdout.index(word) for word in (" backup --to ", f"install --quiet {ROOT}[server]", " check ")]
    assert told.returncode == 0 and steps == sorted(steps) and not backups.exists()
    failed = run("--do")  # no site has run here, so there is nothing to back up; and there is no pip
    assert failed.returncode != 0 and "It goes on without a backup" in failed.stdout
    assert "expected the data of a site that has run here" in failed.stderr
    assert "Nothing more is done" in failed.stderr and "restore --replace" in failed.stderr
    assert (settings / "underturf.toml").read_text(encoding="utf-8") == site


SYSTEMCTL = """#!/bin/sh
[ "$1" != --quiet ] || shift
case $1 in
  is-active) [ -e "$STATE/$2" ] ;;
  stop) rm -f "$STATE/$2"; echo "stop $2" >>"$STATE/done" ;;
  start) touch "$STATE/$2"; echo "start $2" >>"$STATE/done" ;;
esac
"""
PIP = """#!/bin/sh
echo "pip after $(ls -d "$UNDERTURF_BACKUPS"/meadow-* 2>/dev/null | wc -l) backups" >>"$STATE/done"
[ ! -e "$STATE/pip-fails" ] || { rm "$STATE/pip-fails"; exit 1; }
for name in underturf underturf-agent; do ln -sf "$PROGRAMS/$name" "$UNDERTURF_PLACE/bin/$name"; done
"""
UNITS = ("underturf.service", "underturf-agent.service")


class Box:
    """A box with both services running: the real programs, and a service manager and a pip that note what is asked."""

    def __init__(self, folder: Path) -> None:
        self.bin, self.state, self.settings = folder / "place" / "bin", folder / "state", folder / "underturf.toml"
        self.backups, programs = folder / "backups", Path(sys.executable).parent
        for one in (self.bin, self.state, folder / "tools"):
            one.mkdir(parents=True)
        self.settings.write_text(SETTINGS, encoding="utf-8")
        for file, text in ((folder / "tools" / "systemctl", SYSTEMCTL), (self.bin / "pip", PIP)):
            self.program(file, text)
        for name in ("underturf", "underturf-agent"):
            (self.bin / name).symlink_to(programs / name)
            (self.state / f"{name}.service").touch()
        self._asked = {
            "UNDERTURF_PLACE": str(folder / "place"), "UNDERTURF_SETTINGS": str(folder), "STATE": str(self.state),
            "UNDERTURF_BACKUPS": str(self.backups), "PROGRAMS": str(programs),
            "PATH": f"{folder / 'tools'}:{programs}:/usr/bin:/bin",
        }  # fmt: skip

    def program(self, file: Path, text: str) -> None:
        file.unlink(missing_ok=True)
        file.write_text(text)
        file.chmod(0o755)

    def upgrade(self) -> subprocess.CompletedProcess[str]:
        command = ["sh", str(SCRIPT), "--upgrade", "--do"]
        return subprocess.run(command, env=self._asked, capture_output=True, text=True, check=False)

    @property
    def done(self) -> list[str]:
        return (self.state / "done").read_text().splitlines()

    @property
    def running(self) -> list[str]:
        return [unit for unit in UNITS if (self.state / unit).exists()]


STOPPED, STARTED = [f"stop {unit}" for unit in UNITS], [f"start {unit}" for unit in sorted(UNITS)]


def test_an_upgrade_that_was_broken_off_goes_on_when_it_is_run_again(tmp_path: Path) -> None:
    """The services are stopped before the backup. pip fails and leaves programs that do not run: run again, it does
    not ask them for another backup, and what the first run stopped is started."""
    box = Box(tmp_path)
    Pipeline(load_settings(box.settings), mosquitto=None).stop()
    (box.state / "pip-fails").touch()
    failed = box.upgrade()
    assert failed.returncode == 1 and "not started again: underturf underturf-agent." in failed.stderr
    assert box.done == [*STOPPED, "pip after 1 backups"] and box.running == []
    for name in ("underturf", "underturf-agent"):
        box.program(box.bin / name, "#!/bin/sh\necho no module of that name >&2\nexit 1\n")
    again = box.upgrade()
    assert again.returncode == 0, again.stderr
    assert "a backup was seen to when this was run before" in again.stdout
    assert sorted(box.done[3:]) == sorted(["pip after 1 backups", *STARTED]) and box.running == list(UNITS)
    whole = box.upgrade()  # nothing of the one before is left: it stops, saves and starts as the first did
    assert whole.returncode == 0 and box.done[-5:-2] == [*STOPPED, "pip after 2 backups"]


def test_an_upgrade_without_its_backup_installs_nothing_and_starts_the_services_again(tmp_path: Path) -> None:
    """Settings that the backup refuses: the box runs on as it was."""
    box = Box(tmp_path)
    box.settings.write_text("[site]\n", encoding="utf-8")
    failed = box.upgrade()
    assert failed.returncode == 2 and "Nothing is installed" in failed.stderr
    assert sorted(box.done) == sorted([*STOPPED, *STARTED]) and box.running == list(UNITS)


def test_a_box_with_nothing_to_back_up_is_upgraded(tmp_path: Path) -> None:
    """Its server has not run yet."""
    box = Box(tmp_path)
    done = box.upgrade()
    assert done.returncode == 0 and "It goes on without a backup" in done.stdout
    assert box.done[:3] == [*STOPPED, "pip after 0 backups"] and box.running == list(UNITS)


def test_a_node_that_a_timer_wakes_is_upgraded_with_its_timer_stopped(tmp_path: Path) -> None:
    """No agent starts from half an installation: the timer, and what it has started, stop before pip."""
    box = Box(tmp_path)
    box.settings.unlink()
    for unit in UNITS:
        (box.state / unit).unlink()
    (box.state / ONCE_TIMER).touch()
    done = box.upgrade()
    assert done.returncode == 0, done.stderr
    assert box.done == [
        f"stop {ONCE_TIMER}", "stop underturf-agent-once.service", "pip after 0 backups", f"start {ONCE_TIMER}"
    ]  # fmt: skip


def test_where_a_timer_wakes_the_node_its_unit_is_written_and_no_service_switched_on(tmp_path: Path) -> None:
    """The timer's own file, in which the interval is set, stays as it is."""
    place = (Path("/opt/u/bin/underturf-agent"), Path("/etc/u/x.toml"), Path("/var/lib/underturf-agent"))
    steps = install_steps("underturf-agent", *place, python=PYTHON, unit_dir=tmp_path, by_timer=True)
    assert [str(one) for one in steps] == [
        f"write {tmp_path / 'underturf-agent-once.service'}", "systemctl daemon-reload",
        f"systemctl enable --now {ONCE_TIMER}",
    ]  # fmt: skip
    assert "ExecStart=/opt/u/bin/underturf-agent once --config /etc/u/x.toml" in steps[0].text
