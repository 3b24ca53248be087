"""Sampling of one probe at one slot: the codec is driven over the line and gives one sample per channel, good or bad.

A value is good only if the codec accepted its frame and it lies within the physical limits of its quantity; where a
probe has no check characters it must also have been received twice alike, because one wrong bit can make a digit
another. Everything else is a status without a value. Decoding is scale and offset to the canonical unit; calibration
is the pipeline's.
"""

from __future__ import annotations

import contextlib
import math
import threading

from hardware.frame import BadFrame
from hardware.probe import Channel, ProbeDescription
from hardware.quantities import QUANTITIES
from hardware.reading import Sample, Status
from hardware.sdi12 import (
    QUIET_BEFORE_RETRY_S,
    TRIES,
    Done,
    Fail,
    Measurement,
    ReplyParser,
    Send,
    measurement,
    send_data,
)
from hardware.sdi12_frame import MAX_PAGES, Values
from probe_agent.clock import Clock
from probe_agent.config import ProbeConfig
from probe_agent.line import LineAway, SerialLine

ADAPTER_S = 0.15  # what a USB adapter and a busy machine add to a reply
LONGEST_WAIT_S = 120  # an announced time above this is taken for a wrong bit
SLICE_S = 0.5  # how soon a stop is noticed
LATE_REPLY_S = 0.5  # after trouble the line is left alone so long: a late answer fits the next question of its size


class Stopped(Exception):
    """The agent is to stop; the measurement was given up and is not recorded."""


def sample(
    probe: ProbeConfig, slot_s: int, line: SerialLine, clock: Clock, stop: threading.Event
) -> tuple[list[Sample], str | None]:
    """Read every channel of an SDI-12 probe.

    Parameters
    ----------
    slot_s : int
        The slot this is for. [s since 1970]

    Returns
    -------
    samples : list of Sample
        One for each channel of the description, in its order.
    reason : str or None
        The first thing that went wrong, in words, None if nothing did.

    Raises
    ------
    Stopped
        When `stop` was set meanwhile.
    """
    by_channel: dict[str, Sample] = {}
    reason = None
    for command in probe.description.commands:
        with line.held():
            outcome = _measure(probe, command, line, clock, stop)
            if isinstance(outcome, Fail) or outcome.attempts > 1:
                with contextlib.suppress(LineAway):
                    line.discard(LATE_REPLY_S)
        now_ms = clock.now_ms()
        for channel in probe.description.channels:
            if channel.command == command:
                raw, status = _value(channel, outcome)
                name = f"{probe.id}/{channel.name}"
                by_channel[channel.name] = Sample(name, str(slot_s), now_ms, raw, status, min(99, outcome.attempts))
        if reason is None and isinstance(outcome, Fail):
            reason = outcome.reason
    return [by_channel[channel.name] for channel in probe.description.channels], reason


def decode(channel: Channel, number: float) -> float | None:
    """Return a number as sent in the canonical unit of its quantity; None outside the physical limits."""
    raw = number * channel.scale + channel.offset
    quantity = QUANTITIES[channel.heard]
    if not math.isfinite(raw) or not quantity.lowest <= raw <= quantity.highest:
        return None
    return raw


def _value(channel: Channel, outcome: Done | Fail) -> tuple[float | None, Status]:
    if isinstance(outcome, Fail):
        return None, outcome.status
    if not outcome.values:
        return None, Status.NO_VALUE
    if len(outcome.values) < channel.position:
        return None, Status.SHORT
    raw = decode(channel, float(outcome.values[channel.position - 1]))
    return raw, Status.OK if raw is not None else Status.NO_VALUE


def _measure(probe: ProbeConfig, command: str, line: SerialLine, clock: Clock, stop: threading.Event) -> Done | Fail:
    """Take one measurement; begin again where the line goes away during it."""
    description: ProbeDescription = probe.description
    for attempt in range(1, TRIES + 1):
        talk = Measurement(measurement(probe.address, command, crc=description.crc), longest_wait_s=LONGEST_WAIT_S)
        try:
            outcome = _converse(talk, line, clock, stop)
            if isinstance(outcome, Done) and outcome.values and not description.crc:
                outcome = _confirm(outcome, probe.address, command, line, clock)
            return outcome
        except LineAway as away:
            failed = Fail(Status.LINE_AWAY, str(away), attempt)
    return failed


def _converse(talk: Measurement, line: SerialLine, clock: Clock, stop: threading.Event) -> Done | Fail:
    action = talk.start()
    while not isinstance(action, Done | Fail):
        if isinstance(action, Send):
            if action.quiet_s > 0:
                line.discard(action.quiet_s)
            deadline = line.send(action.wire, wake=action.needs_break) + action.reply_within_s + ADAPTER_S
        else:
            deadline = clock.monotonic() + action.seconds
        following = None
        while following is None:
            if stop.is_set():
                raise Stopped
            data = line.receive(min(deadline, clock.monotonic() + SLICE_S))
            if data:
                following = talk.receive(data)
            if following is None and clock.monotonic() >= deadline:
                following = talk.elapsed()
        action = following
    return action


def _confirm(first: Done, address: str, command: str, line: SerialLine, clock: Clock) -> Done | Fail:
    """Return values that were received twice alike. The sensor holds them until its next measurement."""
    versions = [first.values]
    status, reason = Status.BAD_CHECK, f"sensor {address}: values were never heard twice alike"
    for extra in range(TRIES):
        try:
            again = _fetch(len(first.values), address, command.startswith("C"), line, clock)
        except BadFrame as bad:
            status, reason = bad.status, bad.reason
            line.discard(QUIET_BEFORE_RETRY_S)
            continue
        if again in versions:
            return Done(again, first.attempts + extra)
        versions.append(again)
        status, reason = Status.BAD_CHECK, f"sensor {address}: values were never heard twice alike"
    return Fail(status, reason, first.attempts + TRIES)


def _fetch(count: int, address: str, concurrent: bool, line: SerialLine, clock: Clock) -> tuple[str, ...]:
    """Fetch the values of the last measurement once more. Raises BadFrame, LineAway."""
    texts: tuple[str, ...] = ()
    for page in range(MAX_PAGES):
        command = send_data(address, page, concurrent=concurrent)
        parser = ReplyParser(command)
        deadline = line.send(command.wire, wake=page == 0) + command.reply_within_s + ADAPTER_S
        reply = None
        while reply is None and clock.monotonic() < deadline:
            parser.receive(line.receive(deadline))
            reply = parser.next_reply()
        if reply is None:
            parser.finish()
        if not isinstance(reply, Values) or not reply.texts:
            break
        texts += reply.texts
        if len(texts) >= count:
            return texts
    raise BadFrame(f"sensor {address}: found {len(texts)} values when asked again, expected {count}", Status.SHORT)
