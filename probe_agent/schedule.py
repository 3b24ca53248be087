"""Which slot of which probe is due: a grid aligned to the hour, finer while it rains.

A slot is the identity of a measurement: a whole second of the grid. After a long sleep only the newest slot is due, the
missed ones are gaps. Pure: the caller passes the time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

MOST_LOST = 100  # slots of one probe that are told lost at once


@dataclass(frozen=True, slots=True)
class Cadence:
    """How often a probe is read.

    Attributes
    ----------
    interval_s : int
        Between slots. [s] Divides the hour, or is whole hours that divide the day.
    rain_interval_s : int
        The same while it rains. [s]
    rain_hold_s : int
        How long after the last rain reported it still counts as raining. [s] 0 or more.
    """

    interval_s: int
    rain_interval_s: int
    rain_hold_s: int


@dataclass(frozen=True, slots=True)
class Rain:
    """Rain as the node knows it: the last running total by channel, and when a gauge last reported rain.

    `last_rain_ms` is wall time [ms since 1970], None while no rain has been reported.
    """

    totals_mm: tuple[tuple[str, float], ...] = ()
    last_rain_ms: int | None = None


def is_grid(interval_s: int) -> bool:
    """Return whether slots of this interval fall on the same places of every hour, or of every day."""
    return interval_s >= 1 and (3600 % interval_s == 0 or (interval_s % 3600 == 0 and 86400 % interval_s == 0))


def slot_at(now_ms: int, interval_s: int) -> int:
    """Return the newest slot that is not in the future. [s since 1970]"""
    return now_ms // 1000 // interval_s * interval_s


def interval_now_s(cadence: Cadence, rain: Rain, now_ms: int) -> int:
    """Return the interval that applies now. [s]"""
    if rain.last_rain_ms is None or not 0 <= now_ms - rain.last_rain_ms < cadence.rain_hold_s * 1000:
        return cadence.interval_s
    return cadence.rain_interval_s


def due(cadence: Cadence, rain: Rain, last_slot_s: int | None, now_ms: int) -> int | None:
    """Return the slot to read now, or None.

    Parameters
    ----------
    last_slot_s : int or None
        Slot last read. [s since 1970] None if there is none.
    now_ms : int
        Wall time. [ms since 1970]

    Returns
    -------
    int or None
        Always the newest slot: those missed stay missed. A clock set back by less than an interval repeats no slot;
        set back further, reading goes on from the new time instead of standing still until the old one comes again.
    """
    interval_s = interval_now_s(cadence, rain, now_ms)
    slot_s = slot_at(now_ms, interval_s)
    if last_slot_s is None or slot_s > last_slot_s or last_slot_s - slot_s > cadence.interval_s:
        return slot_s
    return None


def lost_slots(last_slot_s: int, slot_s: int, interval_s: int, *, within_s: float) -> list[int]:
    """Return the slots between two that were read, the newest MOST_LOST. [s since 1970]

    Parameters
    ----------
    last_slot_s, slot_s : int
        Slot read last, and slot due now. [s since 1970]
    interval_s : int
        Of the grid that held meanwhile. [s]
    within_s : float
        Steady time that has passed, with an interval to spare. [s] Slots further apart than that are no loss: the clock
        was set, or the machine slept.
    """
    if not 0 < slot_s - last_slot_s <= within_s:
        return []
    return list(range((last_slot_s // interval_s + 1) * interval_s, slot_s, interval_s))[-MOST_LOST:]


def next_due_ms(cadence: Cadence, rain: Rain, last_slot_s: int | None, now_ms: int) -> int:
    """Return when the next slot comes; `now_ms` if one is due already. [ms since 1970]"""
    if due(cadence, rain, last_slot_s, now_ms) is not None:
        return now_ms
    interval_s = interval_now_s(cadence, rain, now_ms)
    slot_s = slot_at(now_ms, interval_s) + interval_s
    while last_slot_s is not None and slot_s <= last_slot_s:
        slot_s += interval_s
    return slot_s * 1000


def rain_after_total(rain: Rain, channel: str, total_mm: float, now_ms: int) -> Rain:
    """Return the rain state after a running total was received. [mm]

    More than before is rain. Less is a sensor started again; what it shows has fallen since.
    """
    totals = dict(rain.totals_mm)
    before = totals.get(channel)
    totals[channel] = total_mm
    fell_mm = 0.0 if before is None else total_mm - before if total_mm >= before else total_mm
    after = replace(rain, totals_mm=tuple(totals.items()))
    return replace(after, last_rain_ms=now_ms) if fell_mm > 0 else after


def rain_after_amount(rain: Rain, amount_mm: float, now_ms: int) -> Rain:
    """Return the rain state after an amount since the last reading was received. [mm]"""
    return replace(rain, last_rain_ms=now_ms) if amount_mm > 0 else rain
