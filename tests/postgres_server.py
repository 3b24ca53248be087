"""A PostgreSQL server of the tests' own: in its own folder, on a socket there and no network, killed at the end."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Sequence
from pathlib import Path

STARTS_WITHIN_S = 30.0
PROGRAMS = "/usr/lib/postgresql"  # Debian keeps those of each version in a folder of its own
DATABASE = "underturf"


def find_postgres() -> Path | None:
    """Return the folder of the newest PostgreSQL's programs, None where there is none."""
    on_path = shutil.which("postgres")
    found = [Path(on_path)] if on_path else []
    found += sorted(Path(PROGRAMS).glob("*/bin/postgres"), key=lambda path: int(path.parts[-3]), reverse=True)
    return found[0].parent if found else None


class PostgresServer:
    """One cluster, which can be killed and started again over what it kept.

    It refuses to run as root: then it runs as `nobody`, in a folder of that one.
    """

    def __init__(self, programs: Path, settings: Sequence[str] = ("shared_buffers=32MB",)) -> None:
        self.programs, self._settings = programs, settings
        # A path of a socket has at most 107 bytes, and nobody has to reach it.
        self.folder = Path(tempfile.mkdtemp(prefix="pg", dir="/tmp"))
        self._user: dict[str, object] = {}
        if os.geteuid() == 0:
            self._user = {"user": "nobody", "group": "nogroup", "extra_groups": []}
            shutil.chown(self.folder, "nobody", "nogroup")
        self._process: subprocess.Popen[bytes] | None = None
        made = [programs / "initdb", "-D", self.folder / "data", "-U", "underturf", "-A", "trust", "-E", "UTF8"]
        made += ["--no-locale", "--no-sync"]
        subprocess.run(made, check=True, capture_output=True, cwd="/", **self._user)  # type: ignore[call-overload]

    @property
    def pid(self) -> int:
        """Of the process that holds the others."""
        assert self._process is not None
        return self._process.pid

    @property
    def dsn(self) -> str:
        """How our database there is named."""
        return f"dbname={DATABASE} host={self.folder} user=underturf"

    def start(self) -> PostgresServer:
        """Start it and wait until it answers. What was left of a killed one ends by itself, and may be in the way."""
        import psycopg

        pause = threading.Event()
        for _ in range(round(STARTS_WITHIN_S / 0.02)):
            if self._process is None or self._process.poll() is not None:
                self._process = self._launched()
            try:
                with psycopg.connect(self.dsn.replace(DATABASE, "postgres", 1), autocommit=True) as connection:
                    if not connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", (DATABASE,)).fetchone():
                        connection.execute(f"CREATE DATABASE {DATABASE}")
                return self
            except psycopg.OperationalError:
                pause.wait(0.02)
        raise OSError(f"postgres: found no answer within {STARTS_WITHIN_S:g} s, expected one; see {self.folder}/log")

    def _launched(self) -> subprocess.Popen[bytes]:
        command = [self.programs / "postgres", "-D", self.folder / "data", "-k", self.folder, "-h", ""]
        for setting in (*self._settings, "recovery_init_sync_method=syncfs"):
            command += ["-c", setting]
        with (self.folder / "log").open("ab") as log:
            return subprocess.Popen(  # type: ignore[call-overload, no-any-return]
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd="/", **self._user
            )

    def kill(self) -> None:
        """Kill the process that holds the others; those find it out and end, with nothing more written."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def remove(self) -> None:
        """End it and take its folder away."""
        self.kill()
        shutil.rmtree(self.folder, ignore_errors=True)
