"""A program as a service: its units with the paths of this machine, and the steps, printed before they are done.

A service has a user of its own, made at each start, that reads nothing of root's. Its secrets stay root's: the service
manager reads them and gives the service a copy, in a folder that the service alone can see (systemd.exec(5),
LoadCredential). Whoever starts the program by hand as root has the same settings, and reads the files themselves.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Protocol

UNIT_DIR = Path("/etc/systemd/system")
PRINTED_BIN, PRINTED_CONFIG = "/opt/underturf/bin", "/etc/underturf"
HIDDEN = ("/home", "/root", "/run/user", "/tmp", "/var/tmp")  # ProtectHome and PrivateTmp in the units
ONCE_TIMER = "underturf-agent-once.timer"
# Unit files of each program, and which of them is switched on.
UNITS = {
    "underturf-agent": (("underturf-agent.service",), ("underturf-agent.service",)),
    # of a node that a timer wakes; how often is set in the timer itself, so that it stays as it is
    "underturf-agent-once": (("underturf-agent-once.service",), (ONCE_TIMER,)),
    "underturf": (
        ("underturf.service", "underturf-backup.service", "underturf-backup.timer"),
        ("underturf.service", "underturf-backup.timer"),
    ),
    "underturf-broker": (("underturf-broker.service", "underturf-broker.timer"), ("underturf-broker.timer",)),
}
SETTINGS_FILES = ("agent.toml", "underturf.toml")
# The units that read the secrets of the settings, by which a drop-in beside each tells the service manager of them.
SECRET_UNITS = {
    "underturf-agent": ("underturf-agent.service", "underturf-agent-once.service"),
    "underturf": ("underturf.service",),
}
DROP_IN = "secrets.conf"
CREDENTIALS = "CREDENTIALS_DIRECTORY"  # the variable in which a service is told of the folder


class SaidStep(Protocol):
    """Something that is told before it is done."""

    def do(self) -> None:
        """Do it. Raises OSError, PipelineFault or CannotInstall."""


class CannotInstall(ValueError):
    """What stands in the way, one line each."""


@dataclass(frozen=True, slots=True)
class InstallStep:
    """One step: a file to write, or a command to run."""

    command: tuple[str, ...] = ()
    file: Path | None = None
    text: str = ""

    def __str__(self) -> str:
        return f"write {self.file}" if self.file is not None else " ".join(self.command)

    def do(self) -> None:
        """Do it. Raises OSError, or CannotInstall with what a command said."""
        if self.file is not None:
            if self.file.name == DROP_IN:
                self.file.parent.mkdir(exist_ok=True)
            self.file.write_text(self.text, encoding="utf-8")
            return
        done = subprocess.run(self.command, capture_output=True, text=True, check=False)
        if done.returncode != 0:
            raise CannotInstall(f"{self}: ended with {done.returncode}: {(done.stderr or done.stdout).strip()}")


def secret_file(path: Path, credentials: str | None) -> Path:
    """Return where a secret is read: in its file or, where this user may not, in what the service manager gave of it.

    Parameters
    ----------
    path : Path
        The file as the settings name it.
    credentials : str or None
        The folder of what was given, `CREDENTIALS` of the environment. In it the file has its own name.
    """
    given = None if credentials is None else Path(credentials) / path.name
    return path if given is None or os.access(path, os.R_OK) or not os.access(given, os.R_OK) else given


def secrets_drop_in(secrets: Sequence[Path]) -> str:
    """Return the drop-in that has the service manager give secrets to a service, each under the name of its file."""
    return "\n".join(["[Service]", *(f"LoadCredential={path.name}:{path}" for path in secrets), ""])


def install_steps(
    name: str,
    program: Path,
    config: Path,
    kept_in: Path,
    *,
    python: Path,
    secrets: Sequence[Path] = (),
    unit_dir: Path = UNIT_DIR,
    by_timer: bool = False,
) -> list[InstallStep]:
    """Return the steps that make a service of a program.

    Parameters
    ----------
    name : str
        `underturf` or `underturf-agent`.
    program : Path
        The command in the environment it is installed in.
    config : Path
        Its settings.
    kept_in : Path
        The folder in which these have it keep its data.
    python : Path
        The interpreter that runs the program, where its links lead.
    secrets : sequence of Path
        Files of theirs that only root may read.
    unit_dir : Path
        Where units go.
    by_timer : bool
        Whether a timer wakes the agent: its unit is written, and the service that would run beside it is not.

    Raises
    ------
    CannotInstall
        When the service could not read its program or settings, or not write where these say.
    """
    faults = _unreadable(program, python, config)
    expected = Path("/var/lib") / name
    if kept_in != expected:
        faults.append(f"{config}: found data kept in {kept_in}, expected {expected}: the service may write there alone")
    if twice := sorted({path.name for path in secrets if [one.name for one in secrets].count(path.name) > 1}):
        faults.append(
            f"{config}: found several secrets in files called {', '.join(twice)}, expected names of their own"
        )
    if faults:
        raise CannotInstall("\n".join(faults))
    drop_ins = [unit_dir / f"{unit}.d" / DROP_IN for unit in SECRET_UNITS[name]]
    text = secrets_drop_in(secrets)
    return [
        *(InstallStep(file=one, text=text) for one in drop_ins if secrets or one.exists()),
        *unit_steps(f"{name}-once" if by_timer else name, program, config, python=python, unit_dir=unit_dir),
    ]


def unit_steps(name: str, program: Path, config: Path, *, python: Path, unit_dir: Path = UNIT_DIR) -> list[InstallStep]:
    """Return the steps that write the units of a name in `UNITS` and switch them on, as of `install_steps`."""
    if faults := _unreadable(program, python, config):
        raise CannotInstall("\n".join(faults))
    there, on = UNITS[name]
    steps = []
    for unit in there:
        text = files("hardware").joinpath("systemd", unit).read_text(encoding="utf-8")
        text = text.replace(PRINTED_BIN, str(program.parent))
        for settings in SETTINGS_FILES:
            text = text.replace(f"{PRINTED_CONFIG}/{settings}", str(config))
        steps.append(InstallStep(file=unit_dir / unit, text=text))
    return [
        *steps,
        InstallStep(("systemctl", "daemon-reload")),
        *(InstallStep(("systemctl", "enable", "--now", unit)) for unit in on),
    ]


def _unreadable(program: Path, python: Path, config: Path) -> list[str]:
    return [
        f"{what}: found {path}, expected it where a service may read it: not below {', '.join(HIDDEN)}"
        for what, path in (("program", program), ("python", python), ("config", config))
        if any(path.is_relative_to(hidden) for hidden in HIDDEN)
    ]


def install(steps: Sequence[SaidStep], say: Callable[[str], None], *, do: bool) -> int:
    """Print the steps, and do them where told to; return the exit code."""
    say("This is done:" if do else "This would be done, by root, with --do:")
    for step in steps:
        say(f"  {step}")
        try:
            if do:
                step.do()
        except (OSError, CannotInstall) as fault:
            hint = " Try with sudo." if isinstance(fault, PermissionError) else ""
            print(f"{fault}{hint}", file=sys.stderr)
            return 1
    return 0
