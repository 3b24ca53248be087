"""The running agent: reads what is due, keeps it, sends it, one bounded `step` after the other.

It wires the parts together, catches the faults of the surroundings (counted, and logged once on change), and starts and
stops the process.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import logging
import os
import signal
import socket
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO

from hardware.reading import Sample, Status
from probe_agent.clock import Clock, ClockNote, FollowClock, SystemClock, environment
from probe_agent.config import AgentConfig, ProbeConfig
from probe_agent.dock import Dock
from probe_agent.faults import AgentFault
from probe_agent.line import SerialLine
from probe_agent.outbox import Outbox, OutboxDamaged, OutboxFull, open_outbox
from probe_agent.publisher import NOT_CONNECTED, Publisher
from probe_agent.sampler import Stopped, sample
from probe_agent.schedule import Rain, due, next_due_ms, rain_after_amount, rain_after_total, slot_at

CLOCK_HOLD_S = 600  # uptime until which readings of an unset clock are held back: a time service takes minutes
HOUSEKEEPING_S = 60.0
FAULT_PAUSE_S = 1.0
WAITING_READINGS = 5000  # kept in memory while the disk refuses them
WATCHDOG_S = 10.0
LOCK_FILE = "agent.lock"

_log = logging.getLogger("underturf.agent")


class StateInUse(AgentFault):
    """Another agent works on the state folder."""


def lock_folder(folder: Path) -> IO[bytes]:
    """Lock the state folder, made if there is none, for this process until the file is closed or the process ends.

    Raises
    ------
    StateInUse
        When another process has it.
    """
    folder.mkdir(parents=True, exist_ok=True)
    file = (folder / LOCK_FILE).open("a+b", buffering=0)
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as err:
        file.seek(0)
        owner = file.read(20).decode(errors="replace").strip()
        file.close()
        raise StateInUse(
            f"state_dir {folder}: found it in use by process {owner or 'unknown'}, expected it free. "
            "Stop the other agent first, or give this one a folder of its own."
        ) from err
    with contextlib.suppress(OSError):  # the number is for that message alone: a full disk does not keep the agent away
        file.truncate(0)
        file.write(f"{os.getpid()}\n".encode())
    return file


@dataclass(slots=True)
class _ScheduledProbe:
    """One probe and the slot it was last read at. [s since 1970]"""

    probe: ProbeConfig
    last_slot_s: int | None


@dataclass(frozen=True, slots=True)
class _PendingCommit:
    """Samples of one probe at one slot that wait to be committed to the outbox."""

    samples: list[Sample]
    note: ClockNote
    probe: str
    slot_s: int
    grid_s: int


class Agent:
    """All of one node.

    Parameters
    ----------
    config : AgentConfig
    clock : Clock
    publisher_type : callable
        Makes the publisher; for a bench that wants another one.

    Raises
    ------
    StateInUse
        When another agent works on the state folder.
    OutboxFull
        When the outbox cannot be opened.
    """

    def __init__(
        self, config: AgentConfig, clock: Clock, *, publisher_type: Callable[..., Publisher] = Publisher
    ) -> None:
        self.config = config
        self.lines = {
            line.name: SerialLine(line, monotonic=clock.monotonic, back_off=not clock.follows) for line in config.lines
        }
        self.unkept = 0  # readings lost because neither disk nor memory had room
        self._clock = clock
        self._states = {"broker": NOT_CONNECTED}
        self._lock_file = lock_folder(config.state_dir)
        try:
            self.outbox = self._open_outbox()
        except BaseException:
            self._lock_file.close()
            raise
        self.publisher = publisher_type(config, self.outbox, monotonic=clock.monotonic)
        last = self.outbox.last_slots()
        self._scheduled = [_ScheduledProbe(probe, last.get(probe.id)) for probe in config.probes]
        self._docks = {p.id: Dock(p) for p in config.probes if p.description.protocol == "cone"}
        self._with_crc: set[str] = set()  # probes that have answered with check characters
        self._rain = Rain()
        self._waiting: deque[_PendingCommit] = deque()
        self._clock_ok = False
        self._housekept_at = float("-inf")

    def step(self, stop: threading.Event) -> None:
        """Read at most one probe that is due, keep, send, and if nothing is due wait a moment."""
        try:
            if not self._work(stop):
                self._idle(stop)
        except Stopped:
            return
        except OutboxDamaged as fault:
            self._change("outbox", f"damaged: {fault}")
            self._replace_outbox()
        except AgentFault as fault:
            self._change("fault", str(fault))
            self._clock.wait(FAULT_PAUSE_S, stop)
        else:
            self._change("fault", "")

    def close(self) -> None:
        """Disconnect from the broker and release lines, outbox and folder."""
        self.publisher.stop(lines=self._line_states())
        self.outbox.close()
        for line in self.lines.values():
            line.close()
        self._lock_file.close()

    # --- the work of one step ------------------------------------------------------------------------------------

    def _work(self, stop: threading.Event) -> bool:
        """Do the work of one step; return whether a probe was read."""
        note = self._clock.note()
        now_ms = note.now_ms
        self._update_clock(note)
        self._commit_waiting()
        scheduled, slot_s = self._next_due(now_ms)
        if scheduled is not None and slot_s is not None:
            self._read(scheduled, slot_s, note, stop)
            self._commit_waiting()
        self._update_lines(now_ms)
        hold = note if not note.ok and note.uptime_ms < CLOCK_HOLD_S * 1000 else None
        self.publisher.step(hold=hold, lines=self._line_states())
        self._change("broker", self.publisher.state)
        self._change("dropped", str(self.outbox.dropped))
        if self._clock.monotonic() - self._housekept_at >= HOUSEKEEPING_S:
            self._housekept_at = self._clock.monotonic()
            if note.ok:
                self.outbox.prune(now_ms - round(self.config.outbox.keep_days * 86_400_000))
        return scheduled is not None

    def _update_clock(self, note: ClockNote) -> None:
        if note.ok and not self._clock_ok:
            dated = self.outbox.redate(note)
            if dated:
                _log_event("clock_set", dated_again=dated)
        self._clock_ok = note.ok
        self._change("clock", "set" if note.ok else "not set")

    def _next_due(self, now_ms: int) -> tuple[_ScheduledProbe | None, int | None]:
        for scheduled in self._scheduled:
            slot_s = due(scheduled.probe.cadence, self._rain, scheduled.last_slot_s, now_ms)
            if slot_s is not None:
                return scheduled, slot_s
        return None, None

    def _read(self, scheduled: _ScheduledProbe, slot_s: int, note: ClockNote, stop: threading.Event) -> None:
        probe = scheduled.probe
        line = self.lines[probe.line]
        dock = self._docks.get(probe.id)
        if dock is not None:
            scheduled.last_slot_s = slot_s
            before = dock.kept
            self._change(f"dock {probe.id}", dock.collect(line, self.outbox, self._clock, note, stop))
            if dock.kept > before:
                _log_event("strokes_kept", probe=probe.id, strokes=dock.kept - before)
            return
        samples, reason = sample(probe, slot_s, line, self._clock, stop, with_crc=self._with_crc)
        scheduled.last_slot_s = slot_s
        bad = next((one.status.value for one in samples if one.status is not Status.OK), "ok")
        self._change(f"probe {probe.id}", reason if bad == "ok" and reason is not None else bad, reason=reason)
        self._track_rain(probe, samples)
        after = self._clock.note()
        if after.ok and not note.ok:  # the clock was set while the probe was asked: everything is of now
            slot_s = slot_at(after.now_ms, probe.cadence.interval_s)
            samples = [replace(one, slot=str(slot_s), measured_at_ms=after.now_ms) for one in samples]
            scheduled.last_slot_s, note = slot_s, after
        self._waiting.append(_PendingCommit(samples, note, probe.id, slot_s, probe.cadence.interval_s))

    def _track_rain(self, probe: ProbeConfig, samples: list[Sample]) -> None:
        for channel, one in zip(probe.description.channels, samples, strict=True):
            if one.status is not Status.OK or one.raw is None:
                continue
            if channel.heard == "rain_total":
                self._rain = rain_after_total(self._rain, one.channel, one.raw, one.measured_at_ms)
            elif channel.heard == "rain":
                self._rain = rain_after_amount(self._rain, one.raw, one.measured_at_ms)

    def _commit_waiting(self) -> None:
        """Commit waiting samples, oldest first; those the disk refuses wait on, up to WAITING_READINGS."""
        try:
            while self._waiting:
                pending = self._waiting[0]
                self.outbox.put(
                    pending.samples, pending.note, last_slot=(pending.probe, pending.slot_s), grid_s=pending.grid_s
                )
                self._waiting.popleft()
        except OutboxFull as full:
            while sum(len(pending.samples) for pending in self._waiting) > WAITING_READINGS:
                self.unkept += len(self._waiting.popleft().samples)
            self._change("disk", str(full))
            self._change("unkept", str(self.unkept))
        else:
            self._change("disk", "ok")

    def _update_lines(self, now_ms: int) -> None:
        for name, line in self.lines.items():
            if self._states.get(f"line {name}") != line.state:
                self.outbox.set_line(name, line.state, now_ms)
                self._change(f"line {name}", line.state)

    def _line_states(self) -> dict[str, str]:
        return {name: line.state for name, line in self.lines.items()}

    def _idle(self, stop: threading.Event) -> None:
        if self._clock.follows and (self._waiting or self.outbox.backlog > self.config.lockstep_backlog):
            self._clock.wait(0.02, stop)  # time stands until the pipeline has caught up
            return
        now_ms = self._clock.now_ms()
        due_ms = min(next_due_ms(t.probe.cadence, self._rain, t.last_slot_s, now_ms) for t in self._scheduled)
        self._clock.wait_until(due_ms, stop)

    # --- outbox --------------------------------------------------------------------------------------------------

    def _open_outbox(self) -> Outbox:
        config = self.config
        outbox, aside = open_outbox(
            config.state_dir, site=config.site, node=config.node, max_bytes=round(config.outbox.max_mb * 1024 * 1024)
        )
        if aside is not None:
            _log_event("outbox_set_aside", level=logging.ERROR, file=aside, new_outbox_id=outbox.outbox_id)
        outbox.forget_lines(json.dumps(list(self.lines)))
        return outbox

    def _replace_outbox(self) -> None:
        self.outbox.close()
        self.outbox = self._open_outbox()
        self.publisher.use(self.outbox)

    # --- log -----------------------------------------------------------------------------------------------------

    def _change(self, what: str, state: str, *, reason: str | None = None) -> None:
        """Log a state, and its reason, when the state is another than before."""
        before = self._states.get(what)
        if before == state:
            return
        self._states[what] = state
        if before is None and state in ("", "0", "ok"):
            return
        bad = state not in ("", "0", "ok", "up", "set", "docked", "undocked")
        fields = {"what": what, "now": state or "over"} | ({} if reason is None else {"reason": reason})
        _log_event("change", level=logging.WARNING if bad else logging.INFO, **fields)


def make_clock(config: AgentConfig) -> Clock:
    """Return the clock that the configuration asks for."""
    if config.clock_follow is None:
        return SystemClock(trust_hardware=config.trust_hardware_clock)
    return FollowClock(config.clock_follow, config.node)


def run(config: AgentConfig, *, publisher_type: Callable[..., Publisher] = Publisher) -> None:
    """Run until SIGTERM or SIGINT. Raises what Agent raises."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    agent = Agent(config, make_clock(config), publisher_type=publisher_type)
    service_manager = ServiceManager()
    _log_event(
        "started", site=config.site, node=config.node, outbox_id=agent.outbox.outbox_id, backlog=agent.outbox.backlog
    )
    service_manager.tell("READY=1")
    clock, fed_at = SystemClock(), float("-inf")
    try:
        while not stop.is_set():
            agent.step(stop)
            if clock.monotonic() - fed_at >= WATCHDOG_S:
                fed_at = clock.monotonic()
                service_manager.tell("WATCHDOG=1")
    finally:
        service_manager.tell("STOPPING=1")
        agent.close()
        _log_event("stopped", backlog=agent.outbox.backlog)


class ServiceManager:
    """systemd's notification socket; silent where there is none."""

    def __init__(self) -> None:
        self._address = environment("NOTIFY_SOCKET")

    def tell(self, state: str) -> None:
        """Send one state, such as `READY=1`."""
        if self._address is None:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
            sender.sendto(state.encode(), address)


def _log_event(event: str, *, level: int = logging.INFO, **fields: object) -> None:
    """Log one line: the event and its fields, quoted where they have blanks."""
    shown = (f"{key}={json.dumps(str(v)) if ' ' in str(v) or not str(v) else v}" for key, v in fields.items())
    _log.log(level, " ".join((event, *shown)))
