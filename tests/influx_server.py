"""An `influxd` of the tests' own: on loopback, in its own folder, reporting nothing, killed at the end."""

from __future__ import annotations

import shutil
import socket
import subprocess
import threading
import urllib.request
from pathlib import Path

import tomli_w

from api.demo_configs import influxd_config

STARTS_WITHIN_S = 20.0


class InfluxServer:
    """One `influxd`, which can be killed and started again over what it kept."""

    def __init__(self, program: str, folder: Path, *, auth: bool = False) -> None:
        with socket.socket() as listener:
            listener.bind(("127.0.0.1", 0))
            self.port = int(listener.getsockname()[1])
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self._command = [program, "run", "-config", str(folder / "influxdb.conf")]
        config = influxd_config(str(folder), self.port)
        config["http"]["auth-enabled"] = auth
        (folder / "influxdb.conf").write_text(tomli_w.dumps(config))
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> InfluxServer:
        """Start it and wait until it answers."""
        with (self.folder / "influxd.log").open("ab") as log:
            self._process = subprocess.Popen(self._command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        pause = threading.Event()
        for _ in range(round(STARTS_WITHIN_S / 0.02)):
            try:
                urllib.request.urlopen(f"{self.url}/ping", timeout=1).close()
                return self
            except OSError:
                pause.wait(0.02)
        raise OSError(f"influxd: found no answer within {STARTS_WITHIN_S:g} s, expected one; see {self.folder}")

    def kill(self) -> None:
        """End it at once, as a power switch would; what it has not written is lost."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def keep_copy(self, folder: Path) -> None:
        """Copy all it keeps, while it does not run."""
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(self.folder, folder)

    def put_back(self, folder: Path) -> None:
        """Put back what was copied, in place of all that came after, while it does not run."""
        shutil.rmtree(self.folder)
        shutil.copytree(folder, self.folder)
