"""The reading of one line: what is due on it, lost slots, and samples on their way to the outbox.

A line has a thread of its own, so that a slow sensor or a hung adapter costs no other line a slot. What it reads is
handed on to be committed before anything else is asked of the line.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from hardware.machine_clock import ClockNote
from hardware.reading import Sample, Status
from probe_agent.clock import PULSE_S, Clock
from probe_agent.config import MAX_SETTLE_S, ProbeConfig
from probe_agent.control import ReadRequest
from probe_agent.dock import QUIET_S, Dock
from probe_agent.faults import AgentFault
from probe_agent.line import BREAK_HOLD_S, MARK_HOLD_S, WRITE_WITHIN_S, SerialLine
from probe_agent.modbus_sampler import sample_registers
from probe_agent.outbox import Outbox
from probe_agent.sampler import LATE_REPLY_S, SLICE_S, AnswerTally, Stopped, sample, sample_together
from probe_agent.schedule import Rain, due, interval_now_s, lost_slots, next_due_ms, slot_at

FAULT_PAUSE_S = 1.0
LONGEST_CALL_S = (
    MAX_SETTLE_S
    + BREAK_HOLD_S
    + MARK_HOLD_S
    + WRITE_WITHIN_S
    + max(LATE_REPLY_S, SLICE_S, QUIET_S, PULSE_S, FAULT_PAUSE_S)
)
"""Longest that a line's thread is in one call: opening and settling, a break, a request, a wait. [s]"""
STUCK_S = 60.0  # a thread that has not moved for so long hangs in a driver: the watchdog is no longer fed

Change = Callable[[str, str, str | None], None]
"""Takes a subject, its state and the reason, for the log."""


@dataclass(frozen=True, slots=True)
class PendingCommit:
    """Samples of one probe at one slot that wait to be committed to the outbox."""

    samples: list[Sample]
    note: ClockNote
    probe: str
    slot_s: int
    grid_s: int


@dataclass(slots=True)
class ScheduledProbe:
    """One probe, the slot it was last read at [s since 1970], and when and at which interval in this run. [s]"""

    probe: ProbeConfig
    last_slot_s: int | None
    read_at_s: float | None = None
    interval_s: int = 0


@dataclass(slots=True)
class LineWorker:
    """Reads the probes of one line.

    Attributes
    ----------
    line : SerialLine
    scheduled : list of ScheduledProbe
        Of this line.
    clock : Clock
    keep : callable
        Takes what was read, from any thread.
    change : Change
    outbox : callable
        Gives the outbox of the moment, for strokes: they are acknowledged to the device once they are in it.
    rain : callable
        Gives the rain as the node knows it.
    """

    line: SerialLine
    scheduled: Sequence[ScheduledProbe]
    clock: Clock
    keep: Callable[[PendingCommit], None]
    change: Change
    outbox: Callable[[], Outbox]
    rain: Callable[[], Rain]
    docks: dict[str, Dock] = field(init=False)
    with_crc: set[str] = field(default_factory=set)  # probes that have answered with check characters
    tally: AnswerTally = field(default_factory=AnswerTally)
    began_at_s: float = float("-inf")
    requests: deque[ReadRequest] = field(default_factory=deque)

    def __post_init__(self) -> None:
        cones = (one.probe for one in self.scheduled if one.probe.description.protocol == "cone")
        self.docks = {probe.id: Dock(probe) for probe in cones}
        if self.line.protocol == "modbus":
            self.tally = AnswerTally(checked=True)
            self.with_crc.update(one.probe.id for one in self.scheduled)

    @property
    def state(self) -> str:
        """The state of the line in words: `ok`, why it is away, or that its answers come damaged."""
        return (self.tally.noise or "ok") if self.line.state == "ok" else self.line.state

    @property
    def moved_at_s(self) -> float:
        """When the thread last began a step or a call of its port, on the steady clock. [s]"""
        return max(self.began_at_s, self.line.touched_at_s)

    def run(self, stop: threading.Event) -> None:
        """Step until stopped."""
        while not stop.is_set():
            try:
                if not self.step(stop):
                    self.clock.wait_until(self.next_due_ms(), stop)
            except Stopped:
                return
            except AgentFault as fault:
                self.change(f"fault {self.line.name}", str(fault), None)
                self.clock.wait(FAULT_PAUSE_S, stop)
            else:
                self.change(f"fault {self.line.name}", "", None)

    def ask(self, request: ReadRequest) -> bool:
        """Take a request for a probe of this line; False for a dock, whose strokes are read by the agent alone."""
        if request.probe.id in self.docks:
            return False
        self.requests.append(request)
        return True

    def next_due_ms(self) -> int:
        """Return when the next probe of this line is due. [ms since 1970]"""
        now_ms = self.clock.now_ms()
        return min(next_due_ms(one.probe.cadence, self.rain(), one.last_slot_s, now_ms) for one in self.scheduled)

    def is_due(self) -> bool:
        """Return whether a step would read anything now."""
        return bool(self.requests) or self.next_due_ms() <= self.clock.now_ms()

    def step(self, stop: threading.Event) -> bool:
        """Read what is asked for or due: one probe, or with a concurrent one among them all; return whether any was.

        Raises
        ------
        Stopped
        AgentFault
            From the clock, or from the outbox while a stroke is kept.
        """
        self.began_at_s = self.clock.monotonic()
        note = self.clock.note()
        if self.requests:
            request = self.requests.popleft()
            try:
                at_s = slot_at(note.now_ms, 1)
                if self.line.protocol == "modbus":
                    request.samples, request.reason = sample_registers(request.probe, at_s, self.line, self.clock, stop)
                else:
                    request.samples, request.reason = sample(
                        request.probe, at_s, self.line, self.clock, stop, with_crc=self.with_crc
                    )
            finally:
                request.done.set()
            return True
        dues = [
            (one, slot_s)
            for one in self.scheduled
            if (slot_s := due(one.probe.cadence, self.rain(), one.last_slot_s, note.now_ms)) is not None
        ]
        if not dues:
            return False
        # longest unread first: where time is short the last of them would never be read
        dues.sort(key=lambda due_now: float("-inf") if due_now[0].read_at_s is None else due_now[0].read_at_s)
        concurrent = any(name.startswith("C") for one, _ in dues for name in one.probe.description.commands)
        dues = dues if concurrent else dues[:1]
        for one, slot_s in dues:
            self._report_lost(one, slot_s, note)
        if dues[0][0].probe.id in self.docks:
            self._collect(*dues[0], note, stop)
            return True
        if self.line.protocol == "modbus":
            one, slot_s = dues[0]
            samples, reason = sample_registers(one.probe, slot_s, self.line, self.clock, stop, tally=self.tally)
            self._take(one, slot_s, samples, reason, note)
            return True
        probes = [one.probe for one, _ in dues]
        slots = [slot_s for _, slot_s in dues]
        results = sample_together(probes, slots, self.line, self.clock, stop, with_crc=self.with_crc, tally=self.tally)
        for (one, slot_s), (samples, reason) in zip(dues, results, strict=True):
            self._take(one, slot_s, samples, reason, note)
        return True

    def _report_lost(self, one: ScheduledProbe, slot_s: int, note: ClockNote) -> None:
        """Keep a row for each slot there was no time for: the line was at something else."""
        now_s = self.clock.monotonic()
        interval_s = interval_now_s(one.probe.cadence, self.rain(), note.now_ms)
        interval_s = interval_s if interval_s == one.interval_s else one.probe.cadence.interval_s
        lost: list[int] = []
        if one.read_at_s is not None and one.last_slot_s is not None and one.probe.id not in self.docks:
            lost = lost_slots(one.last_slot_s, slot_s, interval_s, within_s=now_s - one.read_at_s + interval_s)
        one.read_at_s, one.interval_s = now_s, interval_s
        for missed_s in lost:
            samples = [
                Sample(f"{one.probe.id}/{channel.name}", str(missed_s), missed_s * 1000, None, Status.NOT_READ, 0)
                for channel in one.probe.description.channels
            ]
            self.keep(PendingCommit(samples, note, one.probe.id, missed_s, interval_s))
        if lost:
            reason = f"line {self.line.name} was busy from {lost[0]} to {slot_s}, {len(lost)} slots were not read"
            self.change(f"probe {one.probe.id}", Status.NOT_READ.value, reason)

    def _collect(self, one: ScheduledProbe, slot_s: int, note: ClockNote, stop: threading.Event) -> None:
        dock = self.docks[one.probe.id]
        one.last_slot_s = slot_s
        before = dock.kept
        state = dock.collect(self.line, self.outbox(), self.clock, note, stop)
        self.change(f"dock {one.probe.id}", state, None)
        if dock.kept > before:
            logging.getLogger("underturf.agent").info(
                "strokes_kept probe=%s strokes=%d", one.probe.id, dock.kept - before
            )

    def _take(
        self, one: ScheduledProbe, slot_s: int, samples: list[Sample], reason: str | None, note: ClockNote
    ) -> None:
        bad = next((sample.status.value for sample in samples if sample.status is not Status.OK), "ok")
        self.change(f"probe {one.probe.id}", reason if bad == "ok" and reason is not None else bad, reason)
        after = self.clock.note()
        if after.ok and not note.ok:  # the clock was set while the probe was asked: everything is of now
            slot_s = slot_at(after.now_ms, one.probe.cadence.interval_s)
            samples = [replace(sample, slot=str(slot_s), measured_at_ms=after.now_ms) for sample in samples]
            note = after
        one.last_slot_s = slot_s
        if self.tally.noise and one.probe.id not in self.with_crc:
            samples = [replace(sample, noisy=True) for sample in samples]
        self.keep(PendingCommit(samples, note, one.probe.id, slot_s, one.probe.cadence.interval_s))
