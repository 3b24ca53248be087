"""How the machine of the node is: supply, temperature, room on the disk, radio and time since it was switched on.

Read from what Linux shows as files, each of which may be missing: what cannot be read is not told.
"""

from __future__ import annotations

import contextlib
import math
import os
from collections.abc import Iterable
from pathlib import Path

MICRO, MILLI = 1e-6, 1e-3  # of a volt and of a degree, as the kernel's files count them


def node_health(
    state_dir: Path,
    uptime_ms: int,
    *,
    supply_v: Iterable[float] = (),
    supply_file: Path | None = None,
    supply_scale: float = 1.0,
    root: Path = Path("/"),
) -> dict[str, float]:
    """Return what can be told of the machine now.

    Parameters
    ----------
    state_dir : Path
        The folder whose disk is looked at.
    uptime_ms : int
        Since the machine started. [ms]
    supply_v : iterable of float
        What channels of the node last said of the supply; the lowest counts. [V]
    supply_file : Path, optional
        A file with the supply, before what channels say and what the kernel knows.
    supply_scale : float
        Volts for each unit of that file.
    root : Path
        Where `/sys` and `/proc` are.

    Returns
    -------
    dict of str to float
        `uptime_s`, and of the others those that are known: `supply_v`, `temperature_degc`, `disk_free_bytes`,
        `disk_total_bytes`, `signal_dbm`.
    """
    found: dict[str, float | None] = {
        "supply_v": _supply_v(list(supply_v), supply_file, supply_scale, root),
        "temperature_degc": max(_numbers(root.glob("sys/class/thermal/thermal_zone*/temp"), MILLI), default=None),
        "signal_dbm": _signal_dbm(root / "proc/net/wireless"),
        "uptime_s": float(uptime_ms // 1000),
    }
    with contextlib.suppress(OSError):
        disk = os.statvfs(state_dir)
        found["disk_free_bytes"] = float(disk.f_bavail * disk.f_frsize)
        found["disk_total_bytes"] = float(disk.f_blocks * disk.f_frsize)
    return {name: value for name, value in found.items() if value is not None}


def _supply_v(heard: list[float], file: Path | None, scale: float, root: Path) -> float | None:
    if file is not None:
        return next(iter(_numbers([file], scale)), None)
    if heard:
        return min(heard)
    return min(_numbers(root.glob("sys/class/power_supply/*/voltage_now"), MICRO), default=None)


def _numbers(files: Iterable[Path], scale: float) -> list[float]:
    """The numbers that files hold, each alone in its file; those that hold none are left out."""
    numbers = []
    for file in sorted(files):
        with contextlib.suppress(OSError, ValueError):
            number = float(file.read_text(encoding="ascii")) * scale
            if math.isfinite(number):
                numbers.append(round(number, 3))
    return numbers


def _signal_dbm(table: Path) -> float | None:
    """The strongest level of a wireless network in the kernel's table: the third number behind a name and its colon."""
    levels = []
    with contextlib.suppress(OSError, UnicodeDecodeError):
        for line in table.read_text(encoding="ascii").splitlines()[2:]:
            cells = line.partition(":")[2].split()
            with contextlib.suppress(ValueError, IndexError):
                level = float(cells[2])
                levels += [level] if -200.0 < level < 0.0 else []  # above nought it is a share, in no known unit
    return max(levels, default=None)
