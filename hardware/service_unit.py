"""A program as a service: its units with the paths of this machine, and the steps, printed before they are done."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

UNIT_DIR = Path("/etc/systemd/system")
PRINTED_BIN, PRINTED_CONFIG = "/opt/underturf/bin", "/etc/underturf"
HIDDEN = ("/home", "/root", "/run/user", "/tmp", "/var/tmp")  # ProtectHome and PrivateTmp in the units
# Unit files of each program, and which of them is switched on.
UNITS = {
    "underturf-agent": (("underturf-agent.service",), ("underturf-agent.service",)),
    "underturf": (
        ("underturf.service", "underturf-backup.service", "underturf-backup.timer"),
        ("underturf.service", "underturf-backup.timer"),
    ),
}
SETTINGS_FILE = {"underturf-agent": "agent.toml", "underturf": "underturf.toml"}


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
            self.file.write_text(self.text, encoding="utf-8")
            return
        done = subprocess.run(self.command, capture_output=True, text=True, check=False)
        if done.returncode != 0:
            raise CannotInstall(f"{self}: ended with {done.returncode}: {(done.stderr or done.stdout).strip()}")


def install_steps(
    name: str, program: Path, config: Path, kept_in: Path, *, unit_dir: Path = UNIT_DIR
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
    unit_dir : Path
        Where units go.

    Raises
    ------
    CannotInstall
        When the service could not read its program or settings, or not write where these say.
    """
    faults = [
        f"{what}: found {path}, expected it where a service may read it: not below {', '.join(HIDDEN)}"
        for what, path in (("program", program), ("config", config))
        if any(path.is_relative_to(hidden) for hidden in HIDDEN)
    ]
    expected = Path("/var/lib") / name
    if kept_in != expected:
        faults.append(f"{config}: found data kept in {kept_in}, expected {expected}: the service may write there alone")
    if faults:
        raise CannotInstall("\n".join(faults))
    there, on = UNITS[name]
    steps = []
    for unit in there:
        text = files("hardware").joinpath("systemd", unit).read_text(encoding="utf-8")
        text = text.replace(PRINTED_BIN, str(program.parent))
        text = text.replace(f"{PRINTED_CONFIG}/{SETTINGS_FILE[name]}", str(config))
        steps.append(InstallStep(file=unit_dir / unit, text=text))
    return [
        *steps,
        InstallStep(("systemctl", "daemon-reload")),
        *(InstallStep(("systemctl", "enable", "--now", unit)) for unit in on),
    ]


def install(steps: list[InstallStep], say: Callable[[str], None], *, do: bool) -> int:
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
