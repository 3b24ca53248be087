"""A line of radio nodes: messages of a network server, kept in the outbox and only then acknowledged to the broker.

What was not acknowledged comes again with the next connection, byte by byte alike, and is known by that: a kill of
either side at any moment costs a repetition and no reading. The slot of a reading is the device, the run of its counter
and the counter; the grid time where messages have no counter. Messages of which nothing can be kept are counted, named
and acknowledged: a retained one, one that is no JSON or of another shape, one of a device that nobody described.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from hardware.machine_clock import EARLIEST_SET_MS, ClockNote
from hardware.reading import Sample, Status
from hardware.uplink import (
    BadMessage,
    DeviceCount,
    MessageHead,
    MessageShape,
    counted,
    device_of,
    head_of,
    message_names,
    parse_message,
    value_at,
)
from probe_agent.clock import PULSE_S, Clock
from probe_agent.config import AgentConfig, ProbeConfig, UplinkLineConfig
from probe_agent.faults import AgentFault, BackOff
from probe_agent.line_worker import Change
from probe_agent.mqtt import CONNECT_WITHIN_S, InboxConnection, ReceivedMessage
from probe_agent.outbox import Outbox
from probe_agent.publisher import NOT_YET
from probe_agent.sampler import decode
from probe_agent.schedule import slot_at

AHEAD_MS = 86_400_000  # a time further in the future than this is no time of a message
TROUBLE_S = 86_400.0  # how long a message that could not be kept is told of
MOST_STRANGERS = 64
MOST_AT_ONCE = 200  # messages in one step
DIGEST_CHARS = 16
TOPIC_CHARS = 8


@dataclass(slots=True)
class DeviceHeard:
    """How a radio node was when it last sent: battery [V], signal [dBm], when [ms since 1970], messages missed."""

    at_ms: int
    missed: int
    battery_v: float | None = None
    signal_dbm: float | None = None

    def as_numbers(self) -> dict[str, float]:
        """Return it by name, without what is not known."""
        named = {"battery_v": self.battery_v, "signal_dbm": self.signal_dbm}
        known = {name: value for name, value in named.items() if value is not None}
        return {"at_ms": float(self.at_ms), "missed": float(self.missed), **known}


class UplinkLine:
    """Keeps what the radio nodes of one line send.

    Parameters
    ----------
    config : UplinkLineConfig
    session : str
        Under which the broker keeps what was not acknowledged; the same after every start.
    probes : sequence of ProbeConfig
        Of this line.
    clock : Clock
    outbox : callable
        Gives the outbox of the moment.
    change : Change
        Takes a subject, its state and the reason, for the log.
    kept : callable
        Is told of samples that were kept, for rain and supply.

    Attributes
    ----------
    devices : dict of str to DeviceHeard
        By `station/probe`.
    received, kept_messages, repeated, retained : int
        Messages since the start: all, those kept, those kept before, those retained and passed over.
    """

    def __init__(
        self,
        config: UplinkLineConfig,
        session: str,
        probes: Sequence[ProbeConfig],
        clock: Clock,
        outbox: Callable[[], Outbox],
        change: Change,
        kept: Callable[[Sequence[Sample]], None],
        *,
        chance: Callable[[], float],
    ) -> None:
        self.name = config.name
        self.devices: dict[str, DeviceHeard] = {}
        self.received = self.kept_messages = self.repeated = self.retained = 0
        self.touched_at_s = float("-inf")
        self._config, self._session, self._probes, self._clock = config, session, probes, clock
        self._outbox, self._change, self._kept = outbox, change, kept
        self._connection: InboxConnection | None = None
        self._since_s = self._not_before_s = float("-inf")
        self._back_off = BackOff(chance)
        self._away = NOT_YET
        self._counts: dict[str, DeviceCount] | None = None
        self._counts_of = ""
        self._trouble, self._trouble_at_s = "", float("-inf")
        self._strangers: dict[str, None] = {}  # in the order they came
        self._slot_digests: dict[str, tuple[str, set[str]]] = {}  # by probe: the slot last kept, and the messages in it
        self._crowded: dict[str, int] = {}  # by probe: messages not kept, as another had their slot

    @property
    def state(self) -> str:
        """The state of the line in words: `ok`, why it is away, or what came that could not be kept."""
        if self._away:
            return f"away: {self._away}"
        told = self._clock.monotonic() - self._trouble_at_s < TROUBLE_S
        return self._trouble if told and self._trouble else "ok"

    def run(self, stop: threading.Event) -> None:
        """Step until stopped."""
        while not stop.is_set():
            try:
                self.step()
            except AgentFault as fault:  # not kept and not acknowledged: it is tried again
                self._change(f"fault {self.name}", str(fault), None)
                self._clock.wait(1.0, stop)
            else:
                self._change(f"fault {self.name}", "", None)
                self._wait()

    def step(self) -> bool:
        """Keep what has come, at most MOST_AT_ONCE messages; return whether there was any.

        Raises
        ------
        OutboxFull, OutboxDamaged
            The message is not acknowledged, and taken again with the next step.
        """
        self.touched_at_s = now_s = self._clock.monotonic()
        connection = self._connected(now_s)
        if connection is None:
            return False
        for taken in range(MOST_AT_ONCE):
            if not connection.messages:
                return taken > 0
            message = connection.messages[0]
            self._take(message)
            connection.messages.popleft()
            self.received += 1
            connection.acknowledge(message)
        return True

    def close(self) -> None:
        """Leave the broker; what was not acknowledged stays there."""
        if self._connection is not None:
            self._connection.let_go()
            self._connection = None

    def _wait(self) -> None:
        connection = self._connection
        if connection is not None and not connection.messages:
            connection.came.wait(PULSE_S)
            connection.came.clear()
        elif connection is None:
            threading.Event().wait(PULSE_S)

    def _connected(self, now_s: float) -> InboxConnection | None:
        """Return the connection where it is open, or has ended with messages that can still be kept."""
        connection = self._connection
        if connection is None:
            if now_s < self._not_before_s:
                return None
            try:
                self._connection = InboxConnection(self._config.broker, self._session, self._config.topic)
            except (OSError, ValueError) as err:
                self._lost(str(err), now_s)
            self._since_s = now_s
            return None
        if connection.closed is None and not connection.is_open and now_s - self._since_s > CONNECT_WITHIN_S:
            self._lost("no answer to the connection request", now_s)
            return None
        if connection.closed is not None and not connection.messages:
            self._lost(connection.closed, now_s)
            return None
        if connection.is_open and self._away:
            self._away = ""
            self._back_off.succeeded()
        # what waited in a session comes before the answer to the subscription, and would keep it from being read
        return connection if connection.is_open or connection.messages else None

    def _lost(self, reason: str, now_s: float) -> None:
        if self._connection is not None:
            self._connection.let_go()
            self._connection = None
        self._not_before_s = now_s + self._back_off.failed()
        self._away = reason

    # --- messages ------------------------------------------------------------------------------------------------

    def _take(self, message: ReceivedMessage) -> None:
        """Keep one message, or name why there is nothing of it to keep. Raises OutboxFull, OutboxDamaged."""
        if message.retained:
            self.retained += 1
            self._change(f"retained {self.name}", f"{self.retained} passed over", "what a broker retains is not new")
            return
        try:
            parsed = parse_message(message.payload)
        except BadMessage as bad:
            self._refuse(str(bad))
            return
        found = self._probes_of(parsed)
        if not found:
            self._name_stranger(parsed)
        for probe, shape in found:
            try:
                self._keep(probe, shape, parsed, message.payload)
            except BadMessage as bad:
                self._refuse(f"{probe.address}: {bad}")

    def _probes_of(self, parsed: object) -> list[tuple[ProbeConfig, MessageShape]]:
        shapes = [(probe, probe.description.message) for probe in self._probes]
        return [(probe, shape) for probe, shape in shapes if shape and device_of(parsed, shape) == probe.address]

    def _name_stranger(self, parsed: object) -> None:
        shapes = _shapes(self._probes)
        device = next((device for shape in shapes if (device := device_of(parsed, shape)) is not None), None)
        if device is None:
            self._refuse(f"no device found in a message at {message_names(shapes)}: it has another shape")
            return
        if len(self._strangers) < MOST_STRANGERS:
            self._strangers.setdefault(device)
        self._refuse(f"no probe of these settings has the address of a device that sends: {', '.join(self._strangers)}")

    def _refuse(self, words: str) -> None:
        self._trouble, self._trouble_at_s = words, self._clock.monotonic()
        self._change(f"message {self.name}", words, None)

    def _keep(self, probe: ProbeConfig, shape: MessageShape, parsed: object, payload: bytes) -> None:
        """Commit the samples of one probe with its count. Raises BadMessage, OutboxFull, OutboxDamaged."""
        head, note = head_of(parsed, shape), self._clock.note()
        if head.at_ms is not None and head.at_ms < EARLIEST_SET_MS <= note.now_ms:
            raise BadMessage(f"time {shape.time}: found one before 2025, expected one of a clock that was set")
        if head.at_ms is not None and note.ok and head.at_ms > note.now_ms + AHEAD_MS:
            raise BadMessage(f"time {shape.time}: found one {(head.at_ms - note.now_ms) // 1000} s ahead, expected now")
        outbox = self._outbox()
        if self._counts is None or self._counts_of != outbox.outbox_id:
            self._counts, self._counts_of = outbox.device_counts(), outbox.outbox_id
        before = self._counts.get(probe.id)
        digest = hashlib.sha256(payload).hexdigest()[:DIGEST_CHARS]
        slot, name, after = _identity(probe, head, digest, before, note.now_ms)
        at_ms = note.now_ms if head.at_ms is None else head.at_ms
        samples, reasons = _samples(probe, parsed, slot, at_ms)
        # a time that the message brought does not hang on the clock of this machine
        dated = note if head.at_ms is None else replace(note, ok=True)
        device = None if after is None else (probe.id, after)
        grid_s = probe.cadence.interval_s if head.counter is None else None
        if not outbox.put(samples, dated, stroke=(probe.id, name), device=device, grid_s=grid_s):
            self.repeated += 1
            if head.counter is None:
                self._note_crowded(probe, slot, digest)
            return
        self._slot_digests[probe.id] = slot, {digest}
        self.kept_messages += 1
        self._note_device(probe, head, before, after, note)
        bad = next((one.status.value for one in samples if one.status is not Status.OK), "ok")
        self._change(f"probe {probe.id}", bad, next(iter(reasons), None))
        self._kept(samples)

    def _note_crowded(self, probe: ProbeConfig, slot: str, digest: str) -> None:
        """Count a message whose slot another one has. What had an earlier slot, or was kept before the start, may be a
        repetition and is not counted."""
        kept_slot, digests = self._slot_digests.get(probe.id, ("", set()))
        if slot != kept_slot or digest in digests:
            return
        digests.add(digest)
        count = self._crowded[probe.id] = self._crowded.get(probe.id, 0) + 1
        self._refuse(f"{probe.address}: {count} messages in one slot not kept: set counter or a shorter interval_s")

    def _note_device(
        self,
        probe: ProbeConfig,
        head: MessageHead,
        before: DeviceCount | None,
        after: DeviceCount | None,
        note: ClockNote,
    ) -> None:
        missed = 0 if after is None else after.missed
        self.devices[probe.id] = DeviceHeard(note.now_ms, missed, head.battery_v, head.signal_dbm)
        if after is None:
            return
        assert self._counts is not None
        self._counts[probe.id] = after
        if before is not None and after.run > before.run:
            reason = f"it was at {before.counter}, and is at {after.counter}"
            self._change(f"counter {probe.id}", f"started again, {after.run} times", reason)
        if missed:
            self._change(f"missed {probe.id}", str(missed), "messages that never came, by its counter")


def _identity(
    probe: ProbeConfig, head: MessageHead, digest: str, before: DeviceCount | None, now_ms: int
) -> tuple[str, str, DeviceCount | None]:
    """Return the slot of a message, the name by which a repetition is known, and the count after it."""
    if head.counter is None:
        at_ms = now_ms if head.at_ms is None else head.at_ms
        slot = str(slot_at(at_ms, probe.cadence.interval_s))
        return slot, slot, None
    after, run = counted(before, head.counter, head.at_ms, now_ms)
    return f"uplink:{probe.address}:{run}:{head.counter}", f"{head.counter}:{digest}", after


def _samples(probe: ProbeConfig, parsed: object, slot: str, at_ms: int) -> tuple[list[Sample], list[str]]:
    samples, reasons = [], []
    for channel in probe.description.channels:
        number, status, reason = value_at(parsed, channel.path)
        raw = None if number is None else decode(channel, number)
        if number is not None and raw is None:
            status = Status.NO_VALUE
            if number not in channel.missing:
                reason = f"{channel.name}: found {number * channel.scale + channel.offset:g}, beyond {channel.heard}"
        reasons += [reason] if reason else []
        samples.append(Sample(f"{probe.id}/{channel.name}", slot, at_ms, raw, status))
    return samples, reasons


def _shapes(probes: Sequence[ProbeConfig]) -> list[MessageShape]:
    return list(dict.fromkeys(probe.description.message for probe in probes if probe.description.message is not None))


def session_of(config: AgentConfig, line: UplinkLineConfig) -> str:
    """Return the name under which the broker keeps a line's messages, the same after every start."""
    topic = hashlib.sha256(line.topic.encode()).hexdigest()[:TOPIC_CHARS]  # of another topic the session is another
    return f"underturf-{config.site}-{config.node}-from-{line.name}-{topic}"


def listen(
    config: AgentConfig, line: UplinkLineConfig, shapes: Sequence[MessageShape], clock: Clock, *, for_s: float
) -> Iterator[tuple[str | None, str]]:
    """Yield each device heard once, None where a message names none, and what it looked like; nothing is kept.

    Raises
    ------
    AgentFault
        When the broker cannot be reached.
    """
    connection = InboxConnection(line.broker, f"{session_of(config, line)}-scan", line.topic, keeps_session=False)
    seen: set[str | None] = set()
    until_s = clock.monotonic() + for_s
    try:
        while (left_s := until_s - clock.monotonic()) > 0:
            connection.came.wait(min(left_s, PULSE_S))
            connection.came.clear()
            if connection.closed is not None:
                raise AgentFault(f"line {line.name}: {line.broker.host}:{line.broker.port}: {connection.closed}")
            while connection.messages:
                message = connection.messages.popleft()
                with suppress(BadMessage):
                    parsed = parse_message(message.payload)
                    device = next((one for shape in shapes if (one := device_of(parsed, shape)) is not None), None)
                    if device not in seen and not message.retained:
                        seen.add(device)
                        yield device, message.payload.decode("utf-8", "replace")
    finally:
        connection.let_go()
