"""The machine's clock: whether anything keeps it right, and the time taken in its place while nothing does.

A machine without internet and without a battery-backed clock wakes at the time at which it went off. A time it is given
is kept as the moment at which this run of the machine began. The system's own clock stays as it is: that needs no
privilege, and the next start of the machine forgets what was given. Once a time service or a battery-backed clock keeps
the system's clock, that one counts again.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from hardware.reading import EPOCH_2000_MS

EARLIEST_SET_MS = 1_735_689_600_000  # 2025-01-01: a clock before the first release of this program was never set
LATEST_SET_MS = 4_102_444_800_000  # 2100-01-01: nobody means a time after this
KEPT_FILE = "clock.json"
BY_SYSTEM = "the system"
_TIME_ERROR = 5  # adjtimex(2): the kernel's clock is not synchronised


@dataclass(frozen=True, slots=True)
class ClockNote:
    """What is known of the clock at one moment.

    Attributes
    ----------
    ok : bool
        Whether the time is confirmed.
    boot_id : str
        Name of this start of the machine.
    uptime_ms : int
        Time since that start. [ms] With `boot_id` it dates a reading again once the time is known.
    now_ms : int
        The time, right or wrong. [ms since 1970, UTC]
    by : str
        Who confirmed it: `the system`, or whoever gave it. Empty where nobody did.
    """

    ok: bool
    boot_id: str
    uptime_ms: int
    now_ms: int
    by: str = ""


TIME_IN_DOUBT = {
    ("never", True): "time of {whose} never set: dates are wrong until it is given",
    ("never", False): "time never set: dates are wrong until it is given",
    ("since", True): "time of {whose} not confirmed since {moment}: it may be behind by the length of a power cut",
    ("since", False): "time not confirmed since {moment}: it may be behind by the length of a power cut",
    ("", True): "time of {whose} not confirmed: it may be behind by the length of a power cut",
    ("", False): "time not confirmed: it may be behind by the length of a power cut",
}  # by how it is in doubt, and whether it is said whose it is


def unconfirmed_time(since_ms: int | None, moment: Callable[[int], str], *, whose: str = "") -> str:
    """Return what is said, everywhere in the same words, of a time that nobody has confirmed. No stop at its end.

    Parameters
    ----------
    since_ms : int or None
        Since when, None where that is not known. [ms since 1970, UTC] Before 2025 the clock was never set.
    moment : callable
        Puts a moment into words.
    whose : str
        What reads by that time; empty where it is plain.
    """
    said = "" if since_ms is None or since_ms < EARLIEST_SET_MS else moment(since_ms)
    return time_in_doubt(since_ms, whose=whose).format(whose=whose, moment=said)


def time_in_doubt(since_ms: int | None, *, whose: str) -> str:
    """Return the text of `unconfirmed_time` with its fields open, for whoever says it in another language."""
    how = "" if since_ms is None else "never" if since_ms < EARLIEST_SET_MS else "since"
    return TIME_IN_DOUBT[how, bool(whose)]


def shown_time(at_ms: int) -> str:
    """Return a time [ms since 1970, UTC] as the node's commands and log show it: `2026-05-01 06:15:00 UTC`."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


class MachineClock:
    """The time of this machine.

    Parameters
    ----------
    trust_hardware : bool
        Take the system's clock as right by its year alone: for a machine with a battery-backed clock and no time
        service.
    kept : Path, optional
        Folder in which a time that was given is kept, so that a restart of the program does not lose it.
    """

    def __init__(self, *, trust_hardware: bool = False, kept: Path | None = None) -> None:
        self._trust_hardware = trust_hardware
        self._boot_id = boot_id()
        self._file = None if kept is None else kept / KEPT_FILE
        self._started_ms, self._by = self._read()

    def now_ms(self) -> int:
        """Return the time. [ms since 1970, UTC]"""
        return self._wall_ms() if self._started_ms is None else self._started_ms + self.uptime_ms()

    def note(self) -> ClockNote:
        """Return the time with what is known of it. A time that was given is dropped once the system's is right."""
        system_ms = self.system_ms()
        if system_ms >= EARLIEST_SET_MS and (self._trust_hardware or self.is_kept()):
            self._keep(None, "")
            return ClockNote(True, self._boot_id, self.uptime_ms(), system_ms, BY_SYSTEM)
        uptime_ms = self.uptime_ms()
        now_ms = self._wall_ms() if self._started_ms is None else self._started_ms + uptime_ms
        return ClockNote(bool(self._by), self._boot_id, uptime_ms, now_ms, self._by)

    def take(self, now_ms: int, by: str) -> ClockNote:
        """Take a time from somebody; return the note after it. Where the system's own clock is right nothing changes.

        Parameters
        ----------
        now_ms : int
            [ms since 1970, UTC]
        by : str
            Who gave it.

        Raises
        ------
        ValueError
            When it is no time of our days.
        """
        if not EARLIEST_SET_MS <= now_ms <= LATEST_SET_MS:
            raise ValueError(f"time: found {now_ms} ms since 1970, expected one between 2025 and 2100")
        if self.note().by != BY_SYSTEM:
            self._keep(now_ms - self.uptime_ms(), by)
        return self.note()

    def not_before(self, at_ms: int) -> None:
        """Go on from a time that has been already, where the time is not confirmed and lies before it. [ms]

        It stays unconfirmed: it is behind by the length of the cut.
        """
        note = self.note()
        if not note.ok and note.now_ms < at_ms:
            self._keep(at_ms - note.uptime_ms, "")

    def system_ms(self) -> int:
        """Return what the system's clock says. [ms since 1970, UTC]"""
        return time.time_ns() // 1_000_000

    def _wall_ms(self) -> int:
        """The system's clock as readings and server count it: alike in both, and never before readings may be."""
        system_ms = self.system_ms()
        return system_ms + EPOCH_2000_MS if system_ms < EPOCH_2000_MS else system_ms

    def uptime_ms(self) -> int:
        """Return the time since the machine started, sleep included. [ms]"""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000

    def is_kept(self) -> bool:
        """Return whether a time service keeps the system's clock; true where the kernel does not say."""
        try:
            adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
        except (OSError, AttributeError):
            return True
        # struct timex is under 300 bytes; all zero asks for the state and changes nothing
        state: int = adjtimex(ctypes.create_string_buffer(512))
        return state != _TIME_ERROR

    def _read(self) -> tuple[int | None, str]:
        """Return when this run of the machine began by the time given in it, and by whom."""
        if self._file is not None:
            with contextlib.suppress(OSError, ValueError, TypeError, KeyError, OverflowError, RecursionError):
                said = json.loads(self._file.read_text(encoding="utf-8"))
                if said["boot_id"] == self._boot_id:
                    return int(said["started_ms"]), str(said["by"])
        return None, ""

    def _keep(self, started_ms: int | None, by: str) -> None:
        if (started_ms, by) == (self._started_ms, self._by):
            return
        self._started_ms, self._by = started_ms, by
        if self._file is None:
            return
        with contextlib.suppress(OSError):  # a full disk: then a restart of the program forgets it
            if started_ms is None:
                self._file.unlink(missing_ok=True)
            else:
                fresh = self._file.with_suffix(".new")
                said = {"boot_id": self._boot_id, "started_ms": started_ms, "by": by}
                fresh.write_text(json.dumps(said), encoding="utf-8")
                os.replace(fresh, self._file)


def boot_id() -> str:
    """Return the name of this start of the machine."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"
