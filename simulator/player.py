"""A virtual site being played: its lines and its clock in one loop, and a record of its progress.

One thread, one `step` at a time: wait until something happens, answer it, advance time, unplug or plug in adapters. Two
files are written to its folder: `ready.json` once, when all can be opened, and `progress.json` as it goes.
"""

from __future__ import annotations

import contextlib
import json
import selectors
from collections.abc import Mapping
from pathlib import Path

from simulator.bus import FarEnd, ModbusBus, Sdi12Bus
from simulator.clock import SimulatedTime, steady_s
from simulator.clock_server import ClockServer
from simulator.faults import unplugged
from simulator.penetrometer import VirtualDock, VirtualPenetrometer
from simulator.probes import VirtualProbe
from simulator.pty import PtyLine
from simulator.site import CLOCK_SOCKET, VirtualLine, VirtualSite, describe

READY, PROGRESS = "ready.json", "progress.json"
PROGRESS_EVERY_S = 0.25
PACED_ROUND_S = (
    30.0  # a round of all probes takes so long on a real line: where that is no time between two, none is taken
)


class SitePlayer:
    """One site, served.

    Parameters
    ----------
    site : VirtualSite
    folder : Path
        For lines, clock and the two files; made if it is not there.
    rate : float
        Simulated seconds in a real second after the history. Sensors and bytes then keep their real pace if a round of
        all probes, `PACED_ROUND_S`, fits between two slots.
    line_faults : mapping of kind to share, optional
        On every line, see `simulator.faults`.
    seed : int
        Of the line faults.
    agents : int
        Lock-step begins when so many agents have said hello.
    """

    def __init__(
        self,
        site: VirtualSite,
        folder: Path,
        *,
        rate: float = 1.0,
        line_faults: Mapping[str, float] | None = None,
        seed: int = 0,
        agents: int = 1,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / READY).unlink(missing_ok=True)
        self.site = site
        self.folder = folder
        self.time = SimulatedTime(
            site.start_ms, site.history_end_ms, rate=rate, expected_agents=agents, pause_ms=site.fine_from_ms
        )
        self._shares = dict(line_faults or {})
        self._seed = seed
        self._selector = selectors.DefaultSelector()
        self._running = False
        self._progress_at_s, self._told_paused = 0.0, False
        self._open = contextlib.ExitStack()
        with contextlib.ExitStack() as undo:
            undo.callback(self._selector.close)
            self._clock = ClockServer(folder / CLOCK_SOCKET, self.time, self._selector, steps=site.clock_steps)
            undo.callback(self._clock.close)
            self._lines = []
            for line in site.lines:
                self._lines.append(self._serve(line))
                undo.callback(self._lines[-1].unplug)
            self._write(READY, describe(site, folder, rate=rate))
            self._open = undo.pop_all()
        self._plug()

    @property
    def now_ms(self) -> int:
        """Simulated time. [ms since 1970, UTC]"""
        return self.time.now_ms(steady_s())

    @property
    def over(self) -> bool:
        """Whether the last moment of truth has passed: from then on probes have no values."""
        return self.site.end_ms is not None and self.now_ms >= self.site.end_ms

    def step(self, longest_s: float = PROGRESS_EVERY_S) -> None:
        """Wait for something to do, at most so long, and do it."""
        waits = [longest_s, self._clock.timeout_s(), *(line.timeout_s() for line in self._lines)]
        for key, _ in self._selector.select(min(wait for wait in waits if wait is not None)):
            key.data()
        moved = self._clock.work()
        if self.time.live and not self._running:
            self._running = True
            for line in self._lines if self.time.rate * PACED_ROUND_S <= self._interval_s() else ():
                line.take_time()
        if moved or self._running:
            self._plug()
        for line in self._lines:
            if line.pending:
                line.work()
        if steady_s() >= self._progress_at_s or self.time.paused is not self._told_paused:
            self._progress_at_s = steady_s() + PROGRESS_EVERY_S
            self._told_paused = self.time.paused
            self._write(PROGRESS, self.progress())

    def progress(self) -> dict[str, object]:
        """Return how far it is: the form of `progress.json`."""
        return {
            "progress": round(self.time.progress, 4),
            "now_ms": self.now_ms,
            "rate": self.time.rate_now(),
            "steps": self.time.steps,
            "paused": self.time.paused,
            "waiting": self.time.waiting(),
            "unplugged": [line.name for line in self._lines if not line.plugged],
            "over": self.over,
        }

    def close(self) -> None:
        """Unplug all adapters, close the clock, and remove their names."""
        self._write(PROGRESS, self.progress())
        (self.folder / READY).unlink(missing_ok=True)
        self._open.close()

    def _serve(self, line: VirtualLine) -> PtyLine:
        here = [each for each in self.site.installed if each.line == line.name]
        seed = f"{self._seed}/{line.name}"
        docked = [each.probe for each in here if isinstance(each.probe, VirtualPenetrometer)]
        far_end: FarEnd
        if docked:
            far_end = VirtualDock(
                docked[0], lambda: self.now_ms, start_ms=self.site.start_ms, shares=self._shares, seed=seed
            )
        else:
            probes = {each.address: each.probe for each in here if isinstance(each.probe, VirtualProbe)}
            if line.protocol == "modbus":
                far_end = ModbusBus(probes, lambda: self.now_ms, baud=line.baud, shares=self._shares, seed=seed)
            else:
                far_end = Sdi12Bus(probes, lambda: self.now_ms, shares=self._shares, seed=seed)
        return PtyLine(line.name, self.folder, far_end, self._selector, baud=line.baud)

    def _interval_s(self) -> int:
        return self.site.interval_s if self.site.fine_interval_s is None else self.site.fine_interval_s

    def _plug(self) -> None:
        now_ms = self.now_ms
        for line in self._lines:
            if unplugged(self._shares, self._seed, line.name, now_ms):
                line.unplug()
            else:
                line.plug_in()

    def _write(self, name: str, content: dict[str, object]) -> None:
        """Whole or not at all: somebody may be reading."""
        fresh = self.folder / f"{name}.new"
        fresh.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
        fresh.replace(self.folder / name)
