"""Sampling of probes at their slots: the codec is driven over the line and gives one sample per channel, good or bad.

A value is good only if the codec accepted its frame and it lies within the physical limits of its quantity; where a
probe has no check characters it must also have been received twice alike, because one wrong bit can make a digit
another. Everything else is a status without a value. Decoding is scale and offset to the canonical unit; calibration
is the pipeline's.
"""

from __future__ import annotations

import contextlib
import math
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from hardware.frame import BadFrame
from hardware.probe import Channel
from hardware.quantities import QUANTITIES
from hardware.reading import MAX_TRIES, Sample, Status
from hardware.sdi12 import (
    QUIET_BEFORE_RETRY_S,
    TRIES,
    TURNED_BITS,
    Action,
    Done,
    Fail,
    Measurement,
    ReplyParser,
    Send,
    Wait,
    measurement,
    send_data,
)
from hardware.sdi12_frame import MAX_PAGES, Command, Reply, Values
from probe_agent.clock import Clock
from probe_agent.config import ProbeConfig
from probe_agent.line import LineAway, SerialLine

LATE_REPLY_S = 1.2
"""How long after its proper time a reply is still taken. [s]

Nothing else is asked meanwhile, so that a reply held up by adapter, system or bridge answers its own question and never
the next of its size, where check characters could not tell them apart. A line's `reply_extra_s` comes on top."""
LONGEST_WAIT_S = 120  # an announced time above this is taken for a wrong bit, until it is announced again
SLICE_S = 0.5  # how soon a stop is noticed
ALIKE_SHARE = 0.02  # two measurements of one moment differ by this share at most, or
ALIKE_LAST_DIGITS = 8  # by so many of the last digit, the most that one wrong bit there makes


NO_CRC = (
    "sensor {} gives no check characters to {}: each value was read twice. Set crc = false in a description of your own"
)


TALLY_ANSWERS, TALLY_LEAST = 500, 100  # the last answers that a line is known by, and how many say something
NOISY_FROM = 1 / 50  # of them came damaged, and more: then one in some thousands that fit may be wrong
NOISY = "noisy: more than 1 answer in 50 comes damaged{}. Look at its plugs, its earth and what runs beside it"
IN_DOUBT = ", and values without check characters are in doubt"


class AnswerTally:
    """How many of the last answers on a line came damaged. Where each is `checked` by a CRC no value is in doubt."""

    def __init__(self, *, checked: bool = False) -> None:
        self._damaged: deque[bool] = deque(maxlen=TALLY_ANSWERS)
        self._words = NOISY.format("" if checked else IN_DOUBT)

    def add(self, answers: int, damaged: int) -> None:
        """Count some answers, the damaged ones among them."""
        self._damaged.extend([True] * damaged + [False] * (answers - damaged))

    @property
    def noise(self) -> str:
        """What is wrong with the line, in words; empty while at most one answer in fifty came damaged."""
        answers = len(self._damaged)
        return self._words if answers >= TALLY_LEAST and sum(self._damaged) > NOISY_FROM * answers else ""


class Stopped(Exception):
    """The agent is to stop; the measurement was given up and is not recorded."""


def sample(
    probe: ProbeConfig,
    slot_s: int,
    line: SerialLine,
    clock: Clock,
    stop: threading.Event,
    *,
    with_crc: set[str] | None = None,
) -> tuple[list[Sample], str | None]:
    """Read every channel of an SDI-12 probe.

    Parameters
    ----------
    slot_s : int
        The slot this is for. [s since 1970]
    with_crc : set of str, optional
        Probes that have answered with check characters, kept from slot to slot and added to here: these are never read
        without. Of any other that its description gives check characters, silence or values without them are taken
        for a sensor that knows none; it is read without, each value twice.

    Returns
    -------
    samples : list of Sample
        One for each channel of the description, in its order.
    reason : str or None
        The first thing that went wrong, or that the probe knows no check characters, in words; None if nothing did.

    Raises
    ------
    Stopped
        When `stop` was set meanwhile.
    """
    (result,) = sample_together([probe], [slot_s], line, clock, stop, with_crc=with_crc)
    return result


@dataclass(slots=True)
class _ProbeTalk:
    """One probe at one slot: its commands one after the other, and what has come of them.

    `due_s` is when it goes on, later than now while its sensor measures and leaves the line to others. [s]
    """

    probe: ProbeConfig
    slot_s: int
    commands: deque[str]
    due_s: float
    talk: Measurement | None = None
    away: int = 0
    by_channel: dict[str, Sample] = field(default_factory=dict)
    reason: str | None = None
    answers: int = 0
    damaged: int = 0


def sample_together(
    probes: Sequence[ProbeConfig],
    slots_s: Sequence[int],
    line: SerialLine,
    clock: Clock,
    stop: threading.Event,
    *,
    with_crc: set[str] | None = None,
    tally: AnswerTally | None = None,
) -> list[tuple[list[Sample], str | None]]:
    """Read several probes of one line, each at its slot, and return for each what `sample` does.

    Concurrent measurements are started for all before the first is collected, and others are taken meanwhile, so that
    sensors that measure side by side take as long as the slowest. The answers are counted into `tally`; for the other
    parameters and what it raises see `sample`.
    """
    with_crc = set() if with_crc is None else with_crc
    now_s = clock.monotonic()
    talks = [
        _ProbeTalk(probe, slot_s, deque(probe.description.commands), now_s)
        for probe, slot_s in zip(probes, slots_s, strict=True)
    ]
    going_on = sorted(talks, key=lambda one: not one.commands[0].startswith("C"))
    with line.held():
        while going_on:
            one = next((one for one in going_on if one.due_s <= clock.monotonic()), None)
            if one is None:
                until_s = min(one.due_s for one in going_on)
                try:
                    receive(until_s, line, clock, stop)
                except LineAway:
                    clock.wait(min(SLICE_S, max(0.0, until_s - clock.monotonic())), stop)
            elif _go_on(one, line, clock, stop, with_crc):
                going_on.remove(one)
    if tally is not None:
        for one in talks:
            tally.add(one.answers, one.damaged)
    return [([one.by_channel[channel.name] for channel in one.probe.description.channels], one.reason) for one in talks]


def _go_on(one: _ProbeTalk, line: SerialLine, clock: Clock, stop: threading.Event, with_crc: set[str]) -> bool:
    """Go on with a probe until its sensor leaves the line to others; return whether all its commands are done."""
    while one.commands:
        outcome = _measure(one, line, clock, stop, crc_optional=one.probe.id not in with_crc)
        if outcome is None:
            return False
        if isinstance(outcome, Fail) or outcome.attempts > 1:
            with contextlib.suppress(LineAway):
                line.discard(LATE_REPLY_S)
        command = one.commands.popleft()
        one.talk, one.away = None, 0
        now_ms = clock.now_ms()
        for channel in one.probe.description.channels:
            if channel.command == command:
                raw, status = _value(channel, outcome)
                name, attempts = f"{one.probe.id}/{channel.name}", min(MAX_TRIES, outcome.attempts)
                one.by_channel[channel.name] = Sample(name, str(one.slot_s), now_ms, raw, status, attempts)
        if isinstance(outcome, Fail):
            one.reason = one.reason or outcome.reason
        elif outcome.no_crc:
            one.reason = one.reason or NO_CRC.format(one.probe.address, command)
        elif one.probe.description.crc and outcome.values:
            with_crc.add(one.probe.id)
    return True


def decode(channel: Channel, number: float) -> float | None:
    """Return a number as sent in the canonical unit of its quantity; None for no value or one beyond physics."""
    if number in channel.missing:
        return None
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


def _measure(
    one: _ProbeTalk, line: SerialLine, clock: Clock, stop: threading.Event, *, crc_optional: bool
) -> Done | Fail | None:
    """Go on with one measurement; None while the sensor leaves the line. It begins anew where the line goes away."""
    command, crc = one.commands[0], one.probe.description.crc
    while True:
        try:
            if one.talk is None:
                started = measurement(one.probe.address, command, crc=crc)
                one.talk = Measurement(
                    started, longest_wait_s=LONGEST_WAIT_S, adapter=line.adapter, crc_optional=crc_optional
                )
                action = one.talk.start()
            else:
                action = one.talk.elapsed()
            while not isinstance(action, Done | Fail):
                if isinstance(action, Wait) and not action.wake_on_service_request:
                    one.due_s = clock.monotonic() + action.seconds
                    return None
                action = _act(one.talk, action, line, clock, stop)
            one.answers, one.damaged = one.answers + one.talk.answers, one.damaged + one.talk.damaged
            if isinstance(action, Done) and action.values and (action.no_crc or not crc):
                return _confirm(action, one, command, line, clock, stop)
            return action
        except LineAway as away:
            one.talk = None
            one.away += 1
            if one.away >= TRIES:
                return Fail(Status.LINE_AWAY, str(away), one.away)


def take(command: Command, line: SerialLine, clock: Clock, stop: threading.Event) -> Done | Fail:
    """Take one measurement, without its check characters where the sensor knows none. Raises LineAway, Stopped."""
    talk = Measurement(command, longest_wait_s=LONGEST_WAIT_S, adapter=line.adapter, crc_optional=command.crc)
    action = talk.start()
    while not isinstance(action, Done | Fail):
        action = _act(talk, action, line, clock, stop)
    return action


def _act(talk: Measurement, action: Send | Wait, line: SerialLine, clock: Clock, stop: threading.Event) -> Action:
    """Do what an action says, and return the next."""
    if isinstance(action, Send):
        if action.quiet_s > 0:
            line.discard(action.quiet_s)
        deadline = line.send(action.wire, wake=action.needs_break) + action.reply_within_s
        deadline += line.reply_extra_s + LATE_REPLY_S
    else:
        deadline = clock.monotonic() + action.seconds
    while True:
        data = receive(deadline, line, clock, stop)
        following = talk.receive(data) if data else None
        if following is None and clock.monotonic() >= deadline:
            following = talk.elapsed()
        if following is not None:
            return following


def receive(deadline: float, line: SerialLine, clock: Clock, stop: threading.Event) -> bytes:
    """Return the next bytes of a line, none by the deadline or after SLICE_S. Raises LineAway, Stopped."""
    if stop.is_set():
        raise Stopped
    return line.receive(min(deadline, clock.monotonic() + SLICE_S))


def ask(
    command: Command,
    line: SerialLine,
    clock: Clock,
    stop: threading.Event,
    *,
    wake: bool = True,
    late_s: float = LATE_REPLY_S,
) -> Reply:
    """Send one command once and return its reply, waited for `late_s` past its time. [s]

    Raises BadFrame, LineAway, Stopped.
    """
    parser = ReplyParser(command, line.adapter)
    deadline = line.send(command.wire, wake=wake) + command.reply_within_s + line.reply_extra_s + late_s
    refused = None
    while clock.monotonic() < deadline:
        parser.receive(receive(deadline, line, clock, stop))
        try:
            reply = parser.next_reply()
        except BadFrame as bad:
            refused = bad  # and the rest is waited out
            continue
        if reply is not None:
            return reply
    if refused is not None:
        raise refused
    parser.finish()
    raise AssertionError("finish raises where no reply came")


def _confirm(
    first: Done, one: _ProbeTalk, command: str, line: SerialLine, clock: Clock, stop: threading.Event
) -> Done | Fail:
    """Return values that were received twice alike; what comes otherwise is counted as damaged.

    A sensor holds its values until its next measurement. One that clears them once they were fetched measures again,
    and then the first values are good if those of another measurement are near them. Two later ones alike prove
    nothing: rain since the last reading is 0 in each.
    """
    address, versions = one.probe.address, [first.values]
    unlike = Fail(Status.BAD_CHECK, f"sensor {address}: values were never received twice alike", 0)
    failed = unlike
    for extra in range(TRIES):
        attempts = first.attempts + extra
        again: tuple[str, ...] | None = None
        one.answers += 1
        try:
            again = _fetch(len(first.values), address, command.startswith("C"), line, clock, stop)
        except BadFrame as bad:
            failed = Fail(bad.status, bad.reason, 0)
            one.damaged += bad.status in TURNED_BITS
            line.discard(QUIET_BEFORE_RETRY_S)
        if again == ():
            anew = take(measurement(address, command), line, clock, stop)
            if isinstance(anew, Fail):
                return replace(anew, attempts=attempts + anew.attempts)
            if _near(first.values, anew.values):
                return replace(first, attempts=attempts)
            reason = f"sensor {address}: clears its values, and found {anew.values} after {first.values}"
            failed = Fail(Status.BAD_CHECK, reason, 0)
            continue
        if again in versions:
            return replace(first, values=again, attempts=attempts)
        if again is not None:
            versions.append(again)
            one.damaged += 1
            failed = unlike
    return replace(failed, attempts=first.attempts + TRIES)


def _near(one: tuple[str, ...], other: tuple[str, ...]) -> bool:
    """Return whether values of two measurements of one moment are as near as they should be."""
    return len(one) == len(other) and all(
        abs(float(a) - float(b)) <= max(ALIKE_SHARE * abs(float(a)), ALIKE_LAST_DIGITS * 10.0 ** -_decimals(a))
        for a, b in zip(one, other, strict=True)
    )


def _decimals(text: str) -> int:
    """Return the digits after the point of a value as sent."""
    return len(text.partition(".")[2])


def _fetch(
    count: int, address: str, concurrent: bool, line: SerialLine, clock: Clock, stop: threading.Event
) -> tuple[str, ...]:
    """Fetch the values of the last measurement once more; none where the sensor has cleared them.

    Raises BadFrame, LineAway, Stopped.
    """
    texts: tuple[str, ...] = ()
    for page in range(MAX_PAGES):
        reply = ask(send_data(address, page, concurrent=concurrent), line, clock, stop, wake=page == 0)
        if not isinstance(reply, Values) or not reply.texts:
            break
        texts += reply.texts
        if len(texts) >= count:
            break
    if len(texts) not in (0, count):
        raise BadFrame(f"sensor {address}: found {len(texts)} values when asked again, expected {count}", Status.SHORT)
    return texts
