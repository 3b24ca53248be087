"""Sampling of Modbus probes at their slots: their registers asked for over the line, one sample per channel.

Every frame has a CRC, so that a value is taken at its first sound reply. A reply does not say which registers it holds:
whatever fails is waited out before anything else is asked, and a second answer to one question is refused. A number
beyond physics is no value; where another order of its words would make it one, none of that order is taken.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Sequence
from dataclasses import replace

from hardware.frame import BadFrame
from hardware.modbus import (
    ORDERS,
    PASSING_EXCEPTIONS,
    ExceptionAnswer,
    RegisterReplyParser,
    RegisterRequest,
    RegisterTable,
    decode_number,
    joined_spans,
)
from hardware.probe import Channel
from hardware.quantities import QUANTITIES
from hardware.reading import Sample, Status
from hardware.sdi12 import QUIET_BEFORE_RETRY_S, TRIES, TURNED_BITS
from probe_agent.clock import Clock
from probe_agent.config import ProbeConfig
from probe_agent.line import LineAway, SerialLine
from probe_agent.sampler import LATE_REPLY_S, AnswerTally, decode, receive

SECOND_ANSWER_S = 0.05  # within this of the first a second device at the address answers: a choice of ours
TINY = 1e-10  # of an `f32`: less is nothing that is measured, but what a number looks like in the wrong order

Span = tuple[RegisterTable, int, int]


def sample_registers(
    probe: ProbeConfig,
    slot_s: int,
    line: SerialLine,
    clock: Clock,
    stop: threading.Event,
    *,
    tally: AnswerTally | None = None,
) -> tuple[list[Sample], str | None]:
    """Read every channel of a Modbus probe, neighbouring registers in one request.

    Parameters
    ----------
    slot_s : int
        The slot this is for. [s since 1970]
    tally : AnswerTally, optional
        Counts the answers.

    Returns
    -------
    samples : list of Sample
        One for each channel of the description, in its order.
    reason : str or None
        The first thing that went wrong, in words; None if nothing did.

    Raises
    ------
    Stopped
        When `stop` was set meanwhile.
    """
    channels = probe.description.channels
    by_name: dict[str, Sample] = {}
    reasons: list[str] = []
    doubtful: set[str] = set()
    with line.held():
        for span in joined_spans(channel.place for channel in channels if channel.place is not None):
            registers, attempts = _read_span(probe, span, line, clock, stop, tally)
            if isinstance(registers, BadFrame):
                reasons.append(registers.reason)
            now_ms = clock.now_ms()
            for channel in channels:
                if _is_in(channel, span):
                    raw, status, reason, swapped = _value(channel, span, registers)
                    reasons += [reason] if reason else []
                    doubtful |= {_order(channel)} if swapped else set()
                    name = f"{probe.id}/{channel.name}"
                    by_name[channel.name] = Sample(name, str(slot_s), now_ms, raw, status, attempts)
    for channel in channels:
        if _order(channel) in doubtful and by_name[channel.name].status is Status.OK:
            by_name[channel.name] = replace(by_name[channel.name], raw=None, status=Status.NO_VALUE)
    return [by_name[channel.name] for channel in channels], next(iter(reasons), None)


def ask_registers(
    request: RegisterRequest, line: SerialLine, clock: Clock, stop: threading.Event, *, late_s: float
) -> tuple[int, ...]:
    """Ask once and return the registers, waited for `late_s` past their time. [s]

    Raises BadFrame, LineAway, Stopped.
    """
    parser = RegisterReplyParser(request)
    deadline = line.send(request.wire) + request.reply_within_s(line.baud) + line.reply_extra_s + late_s
    reply = None
    while reply is None and clock.monotonic() < deadline:
        parser.receive(receive(deadline, line, clock, stop))
        reply = parser.next_reply()
    if reply is None:
        reply = parser.finish()
    until_s = clock.monotonic() + SECOND_ANSWER_S
    while clock.monotonic() < until_s:
        parser.receive(receive(until_s, line, clock, stop))
        if parser.next_reply() is not None:
            raise BadFrame(
                f"device {request.address}: found two answers to one question, expected one. Two devices at this "
                "address, or an answer that came late"
            )
    return reply


def _read_span(
    probe: ProbeConfig, span: Span, line: SerialLine, clock: Clock, stop: threading.Event, tally: AnswerTally | None
) -> tuple[tuple[int, ...] | BadFrame, int]:
    """Return the registers of a span, or why there are none, and the tries it took."""
    request = RegisterRequest(int(probe.address), *span)
    failed = BadFrame("not asked")
    for attempt in range(1, TRIES + 1):
        try:
            registers = ask_registers(request, line, clock, stop, late_s=LATE_REPLY_S)
        except LineAway as away:
            failed = BadFrame(str(away), Status.LINE_AWAY)
            continue
        except BadFrame as bad:
            failed = bad
            _count(tally, damaged=bad.status in TURNED_BITS, came=bad.status is not Status.SILENT)
            _leave_alone(line, LATE_REPLY_S)
            final = isinstance(bad, ExceptionAnswer) and bad.code not in PASSING_EXCEPTIONS
            if final or bad.status is Status.SHORT:  # a sound frame: the same question has the same answer
                break
            continue
        _count(tally, damaged=False, came=True)
        return registers, attempt
    return failed, attempt


def _leave_alone(line: SerialLine, seconds: float) -> None:
    with contextlib.suppress(LineAway):
        line.discard(seconds + QUIET_BEFORE_RETRY_S)


def _count(tally: AnswerTally | None, *, damaged: bool, came: bool) -> None:
    if tally is not None and came:
        tally.add(1, int(damaged))


def _is_in(channel: Channel, span: Span) -> bool:
    table, first, count = span
    place = channel.place
    return place is not None and place.table is table and first <= place.register < first + count


def _order(channel: Channel) -> str:
    """Return the order of a channel's words; empty for a number of one register."""
    return channel.place.order if channel.place is not None and channel.place.words > 1 else ""


def _value(
    channel: Channel, span: Span, registers: Sequence[int] | BadFrame
) -> tuple[float | None, Status, str | None, bool]:
    """Return the value of a channel and its status; the reason where it is beyond physics, and whether words may be
    swapped."""
    if isinstance(registers, BadFrame):
        return None, registers.status, None, False
    place = channel.place
    assert place is not None
    words = registers[place.register - span[1] :][: place.words]
    number = decode_number(words, place.type, place.order)
    raw = _physical(channel, number)
    if raw is not None:
        return raw, Status.OK, None, False
    if number in channel.missing or number != number:
        return None, Status.NO_VALUE, None, False
    quantity = QUANTITIES[channel.heard]
    told = f"{channel.name}: found {number * channel.scale + channel.offset:g}, expected {channel.heard} from "
    told += f"{quantity.lowest:g} to {quantity.highest:g}"
    others = [
        f"{other} it is {read:g}"
        for other in ORDERS
        if place.words > 1 and (read := _physical(channel, decode_number(words, place.type, other))) is not None
    ]
    hint = f". As order {', as '.join(others)}: look at `order`" if others else ""
    return None, Status.NO_VALUE, told + hint, bool(others)


def _physical(channel: Channel, number: float) -> float | None:
    """Return a number in the unit of its quantity; None for no value, or one that nobody measures."""
    is_float = channel.place is not None and channel.place.type == "f32"
    return None if is_float and 0.0 < abs(number) < TINY else decode(channel, number)
