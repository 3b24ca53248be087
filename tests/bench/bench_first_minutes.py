"""The first minutes of a newcomer: how soon the demo shows a page and has its history, and how much is installed.

Prints when the first page answers and when the history is in, from the start of `underturf demo`, with the processor
time of each of its programs; how long `demo --once` takes; and the size of what `pip install '.[server]'` brings, as
far as it is installed here. The limits are for two quiet processors: the load of the machine stands beside them. With
`--install` it prints how long pip and uv take to install the same into a fresh environment each, without a cache.

    python tests/bench/bench_first_minutes.py
    python tests/bench/bench_first_minutes.py --install
"""

from __future__ import annotations

import contextlib
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import httpx

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.table import measured  # noqa: E402

FIRST_PAGE_S, HISTORY_S, ONCE_S, INSTALLED_MB = 5.0, 30.0, 40.0, 440.0
GIVE_UP_S = 900.0
DEMO = (sys.executable, "-m", "api.command", "demo")
PROGRAMS = {"simulator": "simulator", "probe_agent": "agent", "api.demo_server": "server", "mosquitto": "broker"}


def children(pid: int) -> list[int]:
    """Every process below one."""
    with contextlib.suppress(FileNotFoundError):
        found = [int(child) for task in Path(f"/proc/{pid}/task").iterdir() for child in
                 (task / "children").read_text().split()]  # fmt: skip
        return [*found, *(grand for child in found for grand in children(child))]
    return []


def note_processor_s(pid: int, used: dict[int, tuple[str, float]]) -> None:
    """Note how much processor time each program below one has used so far. [s]"""
    for child in children(pid):
        with contextlib.suppress(OSError):
            command = Path(f"/proc/{child}/cmdline").read_bytes().replace(b"\0", b" ").decode()
            name = next((name for words, name in PROGRAMS.items() if words in command), "other")
            after_name = Path(f"/proc/{child}/stat").read_text().rpartition(")")[2].split()
            used[child] = name, (int(after_name[11]) + int(after_name[12])) / os.sysconf("SC_CLK_TCK")


def first_minutes() -> tuple[float, float, dict[str, float]]:
    """Seconds from the start of the demo to its first page and to the end of its history; processor time. [s]"""
    used: dict[int, tuple[str, float]] = {}
    with tempfile.TemporaryDirectory() as folder, open(Path(folder) / "printed.txt", "w+") as printed:
        began_s, page_s, address = time.monotonic(), None, ""
        command = [*DEMO, "--dir", str(Path(folder) / "demo"), "--port", "8431"]
        program = subprocess.Popen(command, cwd=ROOT, stdout=printed, stderr=subprocess.STDOUT)
        try:
            while "The history is in" not in (said := Path(printed.name).read_text()):
                if program.poll() is not None or time.monotonic() - began_s > GIVE_UP_S:
                    raise SystemExit(f"the demo did not come to the end of its history:\n{said}")
                if not address and "Pages: " in said:
                    address = said.partition("Pages: ")[2].split()[0]
                if page_s is None and address:
                    with contextlib.suppress(httpx.HTTPError):
                        if httpx.get(address, timeout=30.0).status_code == 200:
                            page_s = time.monotonic() - began_s
                note_processor_s(program.pid, used)
                time.sleep(0.1)
            history_s = time.monotonic() - began_s
            note_processor_s(program.pid, used)
        finally:
            program.send_signal(signal.SIGTERM)
            program.wait(60)
    by_name: dict[str, float] = {}
    for name, seconds in used.values():
        by_name[name] = by_name.get(name, 0.0) + seconds
    return history_s if page_s is None else page_s, history_s, by_name


def install_s(folder: Path, *command: str) -> tuple[float, float]:
    """Seconds and processor seconds that a command takes to install the server into a fresh environment. [s]"""
    subprocess.run([sys.executable, "-m", "venv", folder], check=True)
    python, before = str(folder / "bin" / "python"), resource.getrusage(resource.RUSAGE_CHILDREN)
    began_s = time.monotonic()
    subprocess.run([word.replace("PYTHON", python) for word in command], cwd=ROOT, check=True)
    took_s, used = time.monotonic() - began_s, resource.getrusage(resource.RUSAGE_CHILDREN)
    return took_s, used.ru_utime + used.ru_stime - before.ru_utime - before.ru_stime


def install() -> int:
    """Install with pip, then with uv, and print what each took."""
    with tempfile.TemporaryDirectory() as folder:
        tools = Path(folder) / "tools"
        subprocess.run([sys.executable, "-m", "venv", tools], check=True)
        subprocess.run([tools / "bin" / "pip", "install", "--quiet", "uv"], check=True)
        pip_s, pip_used_s = install_s(
            Path(folder) / "pip", "PYTHON", "-m", "pip", "install", "--quiet", "--no-cache-dir", ".[server]"
        )
        uv_s, uv_used_s = install_s(
            Path(folder) / "uv", str(tools / "bin" / "uv"), "pip", "install", "--quiet", "--no-cache", "--python",
            "PYTHON", ".[server]",
        )  # fmt: skip
    print(f"pip: {pip_s:.1f} s, {pip_used_s:.1f} s of processor; load {os.getloadavg()[0]:.1f}")
    print(f"uv: {uv_s:.1f} s, {uv_used_s:.1f} s of processor")
    return 0 if measured("install with uv", f"{uv_s:.1f} s", uv_s / pip_s, 1.0, of=f"pip, {pip_s:.1f} s") else 1


def main() -> int:
    """Measure, print, and say by the exit code whether all limits were kept."""
    if "--install" in sys.argv[1:]:
        return install()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors at the start")
    page_s, history_s, used = first_minutes()
    total_s = sum(used.values())
    for name, seconds in sorted(used.items(), key=lambda one: -one[1]):
        print(f"processor time of the {name}: {seconds:.1f} s")
    began_s = time.monotonic()
    subprocess.run([*DEMO, "--once"], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    once_s = time.monotonic() - began_s
    print(f"load {os.getloadavg()[0]:.1f} at the end")
    kept = [
        measured("first page of the demo", f"{page_s:.1f} s", page_s / FIRST_PAGE_S, 1.0, of=f"{FIRST_PAGE_S:g} s"),
        measured("history of the demo in", f"{history_s:.1f} s", history_s / HISTORY_S, 1.0, of=f"{HISTORY_S:g} s"),
        measured("processor time to there", f"{total_s:.1f} s", total_s / (2 * HISTORY_S), 1.0, of="two processors"),
        measured("demo --once", f"{once_s:.1f} s", once_s / ONCE_S, 1.0, of=f"{ONCE_S:g} s"),
    ]
    kept.append(installed())
    return 0 if all(kept) else 1


def installed() -> bool:
    """Print what the server takes on the disk; return whether the limit was kept, or nobody can tell here."""
    try:
        from tests.install_sizes import sizes_mb  # what reads requirements comes with the tests alone
    except ModuleNotFoundError as err:
        print(f"installed: not told, found no {err.name}, expected it: pip install '.[test]'")
        return True
    mb = sum(sizes_mb("server").values())
    return measured("installed", f"{mb:.0f} MB", mb / INSTALLED_MB, 1.0, of=f"{INSTALLED_MB:g} MB")


if __name__ == "__main__":
    sys.exit(main())
