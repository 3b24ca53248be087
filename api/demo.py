"""`underturf demo`: the whole of it on one machine, with no other set-up.

Starts three programs, each as its own process: the simulator with its virtual serial probes, the server, the agent.
The history arrives through the same serial line and broker as any reading would. Nothing here knows what is in the
simulator: it reads `ready.json` and writes the two configuration files a groundsman would have written.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import secrets
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any

import httpx
import tomli_w

from api.demo_configs import FIXTURES_FILE, configs, days_to_come, finer, fixtures, influxd_config

START_WITHIN_S = 60.0
GROUND_WITHIN_S = 180.0  # the first run on a machine compiles the simulator's loops
FINE_DAYS = 10  # last days of a scenario's history, read every quarter of an hour
PROGRAM_STOPS_WITHIN_S = 10.0
CATCH_UP_WITHIN_S = 300.0  # a server store takes two to three times as long as a file
PROGRAM_LOOK_S = 0.25
START_LOOK_S = 0.05  # before the first page and for the finer readings, which somebody waits for
BAR_WIDTH = 40
_SET_PDEATHSIG = 1  # prctl(2)


class DemoFault(OSError):
    """A part of the demo did not come up, or went away; the text says which and where its log is."""


class _Stopped(Exception):
    """It was told to stop while it waited."""


class Demo:
    """The three programs of the demo, stopped together.

    Parameters
    ----------
    folder : Path or None
        Where everything is kept. None for a temporary folder that is removed at the end.
    record : str or None
        Which field record is played.
    scenario : str
        Which scenario of the simulator is played where there is no record.
    modbus : bool
        Whether the first station has a probe over Modbus as well.
    rate : float
        How many times faster than real time, after the history.
    port : int
        Wanted port of the pages; another is taken when it is busy.
    once : bool
        Load the history, print the summary, stop.
    store : str
        `sqlite`, or `influx` for an InfluxDB server.
    influx : str or None
        Address of that server, of version 1 and without users. None starts the influxd of this machine.
    """

    def __init__(
        self,
        folder: Path | None,
        *,
        record: str | None,
        scenario: str,
        rate: float,
        port: int,
        once: bool,
        store: str,
        influx: str | None,
        modbus: bool = False,
    ) -> None:
        self._temporary = folder is None
        self._folder = Path(tempfile.mkdtemp(prefix="underturf-demo-")) if folder is None else folder.absolute()
        self._played = (
            ["--scenario", scenario, "--fine-days", str(FINE_DAYS)] if record is None else ["--record", record]
        ) + (["--modbus"] if modbus else [])
        self._rate, self._once = rate, once
        self._ready: dict[str, Any] = {}
        self._wanted_port = port
        self._pages_port = port if _is_free(port) else _free_port()
        self._broker_port = _free_port()
        self._store, self._influx = store, influx
        self._database = f"demo-{secrets.token_hex(4)}"
        self._programs: dict[str, subprocess.Popen[str]] = {}
        self._stop = threading.Event()
        # In the clear, to this machine: without the certificates of the machine, which take a while to read.
        self._http = httpx.Client(timeout=5.0, verify=ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT), trust_env=False)

    def __enter__(self) -> Demo:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, lambda *_: self._stop.set())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        for name in ("agent", "server", "influxd", "simulator"):
            _end(self._programs.get(name))
        self._http.close()
        if self._temporary:
            shutil.rmtree(self._folder, ignore_errors=True)

    @property
    def address(self) -> str:
        """Where the pages are."""
        return f"http://127.0.0.1:{self._pages_port}/"

    def run(self) -> int:
        """Start everything, show the history coming in, then stay until told to stop. Returns the exit code."""
        if self._pages_port != self._wanted_port:
            print(f"Port {self._wanted_port} is busy, so another is taken.", flush=True)
        try:
            self._begin()
            self._show_history()
            self._await("the pipeline to catch up", self._caught_up, within_s=CATCH_UP_WITHIN_S, look_s=PROGRAM_LOOK_S)
            self._await("advice", self._is_advised, within_s=CATCH_UP_WITHIN_S, look_s=PROGRAM_LOOK_S)
            if self._once:
                print(self._summary(), flush=True)
                return 0
            print(f"The history is in. Time goes on at {self._rate:g} times real time. Ctrl-C ends it.", flush=True)
            while not self._stop.wait(PROGRAM_LOOK_S):
                self._check_programs()
        except _Stopped:
            pass
        print("Stopping.", flush=True)
        return 0

    def _begin(self) -> None:
        self._folder.mkdir(parents=True, exist_ok=True)
        for old in ("ready.json", "progress.json"):
            (self._folder / old).unlink(missing_ok=True)
        print("Making the ground and its weather.", flush=True)
        self._start("simulator", sys.executable, "-m", "simulator", "play", *self._played, "--dir", str(self._folder),
                    "--rate", f"{self._rate:g}")  # fmt: skip
        settings = str(self._folder / "underturf.toml")
        server = self._start("server", sys.executable, "-m", "api.demo_server", settings, waits=True)
        self._ready = self._await("the simulator", self._read_ready, within_s=GROUND_WITHIN_S)
        if self._store == "influx" and self._influx is None:
            self._influx = self._start_influxd()
        self._write_configs()
        assert server.stdin is not None
        with contextlib.suppress(BrokenPipeError):  # it has ended, which is told as of every other program
            server.stdin.write("settings are written\n")
            server.stdin.close()
        self._start_agent()  # reads meanwhile: what it has heard waits in its outbox until the server is there
        self._await("the server", self._health)
        print(f"Pages: {self.address}tour", flush=True)

    def _start_agent(self) -> None:
        self._start("agent", sys.executable, "-m", "probe_agent", "run", "--config", str(self._folder / "agent.toml"))

    def _start_influxd(self) -> str:
        """Start an InfluxDB server of the demo's own and return its address."""
        program = shutil.which("influxd")
        if program is None:
            raise DemoFault(
                "--store influx: found no influxd on this machine, expected one (Debian: influxdb) or --influx"
            )
        port, folder = _free_port(), self._folder / "influxd"
        shutil.rmtree(folder, ignore_errors=True)
        self._write("influxd.toml", influxd_config(str(folder), port))
        self._start("influxd", program, "run", "-config", str(self._folder / "influxd.toml"))
        address = f"http://127.0.0.1:{port}"
        self._await("influxd", lambda: self._answers(f"{address}/ping"))
        return address

    def _read_finer(self) -> None:
        """Read the probes oftener from here on: other settings, and the agent started anew, as one would on a node."""
        _end(self._programs.pop("agent"))
        _, agent = self._configs()
        self._write("agent.toml", finer(agent, self._ready["fine_interval_s"]))
        self._start_agent()

    def _summary(self) -> str:
        try:
            return self._http.get(f"{self.address}api/v1/summary.txt", timeout=30.0).raise_for_status().text
        except httpx.HTTPError as err:
            raise DemoFault(f"the server did not give its summary ({err}), logs are in {self._folder}") from err

    def _start(self, name: str, *command: str, waits: bool = False) -> subprocess.Popen[str]:
        """Start a program; one that `waits` does so for a line on its input."""
        with open(self._folder / f"{name}.log", "w", encoding="utf-8") as log:
            # Its own session, so that Ctrl-C reaches only this program and the parts stop in order.
            self._programs[name] = subprocess.Popen(
                command, stdin=subprocess.PIPE if waits else subprocess.DEVNULL, stdout=log, stderr=log, text=True,
                start_new_session=True, preexec_fn=_die_with(os.getpid()),
            )  # fmt: skip
        return self._programs[name]

    def _check_programs(self) -> None:
        for name, program in self._programs.items():
            if program.poll() is not None:
                log = self._folder / f"{name}.log"
                tail = "\n".join(log.read_text(encoding="utf-8", errors="replace").splitlines()[-15:])
                raise DemoFault(f"the {name} stopped with code {program.returncode}. The end of its log:\n{tail}")

    def _await(
        self, what: str, look: Callable[[], Any], *, within_s: float = START_WITHIN_S, look_s: float = START_LOOK_S
    ) -> Any:
        deadline = time.monotonic() + within_s
        while not self._stop.is_set():
            self._check_programs()
            found = look()
            if found:
                return found
            if time.monotonic() > deadline:
                raise DemoFault(f"waited {within_s:g} s for {what}, logs are in {self._folder}")
            self._stop.wait(look_s)
        raise _Stopped

    def _read_ready(self) -> dict[str, Any] | None:
        try:
            return dict(json.loads((self._folder / "ready.json").read_text(encoding="utf-8")))
        except (FileNotFoundError, ValueError):
            return None

    def _health(self) -> dict[str, Any] | None:
        try:
            answer = self._http.get(f"{self.address}healthz")
            return dict(answer.json()) if answer.status_code == 200 else None
        except (httpx.HTTPError, ValueError):
            return None

    def _answers(self, address: str) -> bool:
        try:
            return self._http.get(address).is_success
        except httpx.HTTPError:
            return False

    def _caught_up(self) -> bool:
        health = self._health()
        return health is not None and bool(health.get("caught_up"))

    def _is_advised(self) -> bool:
        """Whether advice has been worked out since the end of the history."""
        try:
            at = self._http.get(f"{self.address}api/v1/advice").json()["at"]
        except (httpx.HTTPError, ValueError, KeyError):  # none yet, or a busy server
            return False
        return bool(datetime.fromisoformat(at).timestamp() * 1000 >= self._ready["history_end_ms"])

    def _show_history(self) -> None:
        lively = sys.stdout.isatty()
        shown = -1
        finer_now = False
        while not self._stop.is_set():
            self._check_programs()
            progress = _read_progress(self._folder / "progress.json")
            share = float(progress.get("progress", 0.0))
            if progress.get("paused") and not finer_now:
                finer_now = True
                self._read_finer()
            percent = int(share * 100)
            if lively and percent != shown:
                bar = "#" * round(share * BAR_WIDTH)
                print(f"\rHistory [{bar:<{BAR_WIDTH}}] {percent:3d} %", end="", flush=True)
            elif not lively and percent // 25 != shown // 25:
                print(f"History {percent} %", flush=True)
            shown = percent
            if share >= 1.0:
                break
            self._stop.wait(START_LOOK_S)
        if lively:
            print(flush=True)

    def _configs(self) -> tuple[dict[str, Any], dict[str, Any]]:
        store = None
        # A database of its own: what another demo left on the server is not of this ground.
        if self._influx is not None:
            store = {"kind": "influx", "url": self._influx, "bucket": self._database}
        return configs(self._ready, broker_port=self._broker_port, pages_port=self._pages_port, store=store)

    def _write(self, name: str, table: dict[str, Any]) -> None:
        (self._folder / name).write_text(tomli_w.dumps(table), encoding="utf-8")

    def _write_configs(self) -> None:
        server, agent = self._configs()
        (self._folder / FIXTURES_FILE).write_bytes(fixtures(self._ready))
        self._write("underturf.toml", days_to_come(server, self._ready))
        self._write("agent.toml", agent)
        shutil.rmtree(self._folder / "data", ignore_errors=True)
        shutil.rmtree(self._folder / "agent", ignore_errors=True)


def _die_with(parent: int) -> Callable[[], None]:
    """Linux: end a child when the demo itself is killed. Elsewhere it would have to be stopped by hand."""
    prctl = ctypes.CDLL(None).prctl if sys.platform == "linux" else None

    def tie() -> None:
        if prctl is not None:
            prctl(_SET_PDEATHSIG, signal.SIGTERM)
            if os.getppid() != parent:  # killed before the tie was made
                os._exit(1)

    return tie


def _read_progress(path: Path) -> dict[str, Any]:
    try:
        return dict(json.loads(path.read_text(encoding="utf-8")))
    except (FileNotFoundError, ValueError):
        return {}


def _end(program: subprocess.Popen[str] | None) -> None:
    if program is None or program.poll() is not None:
        return
    program.terminate()
    try:
        program.wait(PROGRAM_STOPS_WITHIN_S)
    except subprocess.TimeoutExpired:
        program.kill()
        program.wait()


def _is_free(port: int) -> bool:
    with socket.socket() as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True


def _free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])
