"""What passes between the parts of the agent: one outcome of asking one channel, and the faults of the surroundings.

Nothing here reads a clock, a port or a file.
"""

from __future__ import annotations

from dataclasses import dataclass

from hardware.reading import Status


class AgentFault(Exception):
    """Something around the agent is not as it should be (line, disk, broker, clock): back off and try again."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One channel at one slot, good or bad, before the outbox gives it a number.

    Attributes
    ----------
    channel : str
        `station/probe/channel`.
    slot : str
        Grid seconds since 1970 as text, or `stroke:ID:STEP`.
    measured_at_ms : int
        Wall time when it was heard. [ms since 1970, UTC]
    raw : float or None
        Number heard after the probe's decode; None unless status is ok.
    status : Status
    attempts : int
        Tries made, from 1.
    """

    channel: str
    slot: str
    measured_at_ms: int
    raw: float | None
    status: Status
    attempts: int


@dataclass(frozen=True, slots=True)
class ClockNote:
    """What is known of the node's clock when a reading is kept.

    Attributes
    ----------
    ok : bool
        Whether the wall clock has been set.
    boot_id : str
        Name of this start of the machine.
    uptime_ms : int
        Time since that start. [ms] With `boot_id` it dates a reading again once the clock is set.
    now_ms : int
        What the wall clock said at that moment, right or wrong. [ms since 1970]
    """

    ok: bool
    boot_id: str
    uptime_ms: int
    now_ms: int
