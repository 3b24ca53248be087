"""A penetrometer in its dock: strokes are taken over into the outbox, and only then acknowledged to the device.

The protocol is `hardware.cone_dock`. A stroke becomes two samples for each step, with the slot
`stroke:SERIAL-NUMBER:STEP`. A stroke that is not whole stays in the device and is asked for again.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from hardware.cone import Outcome, Step, Stroke, StrokeAssembler
from hardware.cone_dock import DockHost
from hardware.machine_clock import ClockNote
from hardware.probe import Channel
from hardware.reading import Sample, Status
from probe_agent.clock import Clock
from probe_agent.config import ProbeConfig
from probe_agent.line import LineAway, SerialLine
from probe_agent.outbox import Outbox
from probe_agent.sampler import Stopped, decode

QUIET_S = 0.4  # after so long without a byte the device has finished
HAND_OVER_S = 900.0  # longest hand-over: a dozen strokes of 2000 steps at 9600 baud
PARTIAL_ROUNDS = 5  # dockings after which a stroke that never comes whole is kept as far as it came
MOST_PARTIAL = 64  # strokes whose rounds are counted

Keep = Callable[[Stroke], bool]


class Dock:
    """The dock of one penetrometer.

    Parameters
    ----------
    probe : ProbeConfig

    Attributes
    ----------
    kept : int
        Strokes kept so far.
    """

    def __init__(self, probe: ProbeConfig) -> None:
        self.kept = 0
        self._probe = probe
        self._assembler = StrokeAssembler()
        self._partial_rounds: dict[str, int] = {}
        self._free_from_ms = 0

    def collect(self, line: SerialLine, outbox: Outbox, clock: Clock, note: ClockNote, stop: threading.Event) -> str:
        """Take over what the device offers; return in words what happened.

        Raises
        ------
        OutboxFull, OutboxDamaged
            Nothing that is not in the outbox was acknowledged; the device still has it.
        Stopped
        """
        left: list[str] = []

        def keep(stroke: Stroke) -> bool:
            if self._keep(stroke, outbox, clock, note):
                return True
            if stroke.outcome is not Outcome.RESTARTED:
                left.append(f"stroke {stroke.stroke_id} {stroke.outcome.value}")
            return False

        try:
            docked = _hand_over(DockHost(assembler=self._assembler), line, clock, stop, keep)
        except LineAway as away:
            return f"away: {away}"
        if not docked:
            return "undocked"
        return f"docked, left in the device: {', '.join(left[:8])}" if left else "docked"

    def _keep(self, stroke: Stroke, outbox: Outbox, clock: Clock, note: ClockNote) -> bool:
        """Store the stroke; return whether it is in custody now."""
        name = f"{stroke.probe}-{stroke.stroke_id}"
        if stroke.outcome is Outcome.REPEATED:
            return True
        if stroke.outcome is Outcome.PARTIAL:
            if stroke.count is None or not self._is_given_up(name):
                return False
        elif stroke.outcome is not Outcome.COMPLETE:
            return False
        self.kept += outbox.put(self._samples(stroke, name, clock.now_ms()), note, stroke=(self._probe.id, name)) > 0
        self._partial_rounds.pop(name, None)
        return True

    def _is_given_up(self, name: str) -> bool:
        while len(self._partial_rounds) >= MOST_PARTIAL and name not in self._partial_rounds:
            del self._partial_rounds[next(iter(self._partial_rounds))]
        self._partial_rounds[name] = self._partial_rounds.get(name, 0) + 1
        return self._partial_rounds[name] >= PARTIAL_ROUNDS

    def _samples(self, stroke: Stroke, name: str, now_ms: int) -> list[Sample]:
        """Return depth and force of each step, a millisecond apart. Missing ones are bad frames."""
        began_ms = now_ms - (stroke.age_s or 0) * 1000
        began_ms = max(began_ms, self._free_from_ms) if stroke.age_s is None else began_ms
        count = max(stroke.count or 0, stroke.steps[-1].number if stroke.steps else 0)
        if stroke.age_s is None:
            self._free_from_ms = began_ms + count
        steps = {step.number: step for step in stroke.steps}
        samples = []
        for number in range(1, count + 1):
            for channel in self._probe.description.channels:
                raw, status = _value(channel, steps.get(number))
                samples.append(
                    Sample(
                        f"{self._probe.id}/{channel.name}",
                        f"stroke:{name}:{number}",
                        began_ms + number - 1,
                        raw,
                        status,
                        1,
                    )
                )
        return samples


def describe_dock(probe: ProbeConfig, line: SerialLine, clock: Clock, stop: threading.Event) -> tuple[str, bool]:
    """Return in words what the device in the dock offers, and whether one answered; nothing is taken over."""
    offered: list[Stroke] = []

    def keep(stroke: Stroke) -> bool:
        offered.append(stroke)
        return False

    try:
        docked = _hand_over(DockHost(), line, clock, stop, keep)
    except LineAway as away:
        return str(away), False
    if not docked:
        return "nothing in the dock answered", False
    strokes = [f"{s.stroke_id} ({len(s.steps)} steps, {s.outcome.value})" for s in offered]
    return f"docked, offers {len(strokes)} strokes: {', '.join(strokes) or 'none'}", True


def _value(channel: Channel, step: Step | None) -> tuple[float | None, Status]:
    if step is None:
        return None, Status.BAD_FRAME
    raw = decode(channel, step.depth_m if channel.heard == "cone_depth" else step.force_n)
    return raw, Status.OK if raw is not None else Status.NO_VALUE


def _hand_over(host: DockHost, line: SerialLine, clock: Clock, stop: threading.Event, keep: Keep) -> bool:
    """Run one hand-over; return whether a device answered. Strokes that `keep` takes are acknowledged."""
    docked = False
    began = clock.monotonic()
    with line.held():
        line.send(host.data_to_send())
        while not host.finished and clock.monotonic() - began < HAND_OVER_S:
            if stop.is_set():
                raise Stopped
            data = line.receive(clock.monotonic() + QUIET_S)
            if not data and not docked:
                return False  # an empty dock is asked once, not three times
            docked = True
            for stroke in host.receive(data) if data else host.elapsed():
                if keep(stroke):
                    host.in_custody(stroke)
            line.send(host.data_to_send(), keep_input=True)
        line.send(host.data_to_send(), keep_input=True)
    return host.answered
