"""Samples that a node without faults would take from a site of virtual probes, with no line in between.

A node's clock may be stepped. Bytes on a wire, retries and the outbox are left out: for those the same site is played.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from hardware.probe import Channel
from hardware.quantities import QUANTITIES
from hardware.reading import Sample, Status
from simulator.clock import ClockSteps, offset_ms
from simulator.penetrometer import VirtualPenetrometer
from simulator.probes import VirtualProbe
from simulator.site import VirtualSite


def slots(start_ms: int, end_ms: int, interval_s: int, steps: ClockSteps) -> Iterator[tuple[int, int]]:
    """Yield every slot of a grid by the node's clock, with its true time: slot [s since 1970], true time [ms].

    A slot is read once, unless the clock went back by more than the interval: then reading goes on from the new time.
    """
    last_s: int | None = None
    edges = [start_ms, *sorted(at for at, _ in steps if start_ms < at < end_ms), end_ms]
    interval_ms = interval_s * 1000
    for first_ms, next_ms in pairwise(edges):
        ahead_ms = offset_ms(steps, first_ms)
        slot_ms = -(-(first_ms + ahead_ms) // interval_ms) * interval_ms
        while slot_ms - ahead_ms < next_ms:
            slot_s = slot_ms // 1000
            if last_s is None or slot_s > last_s or last_s - slot_s > interval_s:
                yield slot_s, slot_ms - ahead_ms
                last_s = slot_s
            slot_ms += interval_ms


def readings(site: VirtualSite) -> Iterator[Sample]:
    """Yield all samples of a site's history, slot by slot, then the strokes of its penetrometers."""
    clock_steps = site.clock_steps
    probes = [each.probe for each in site.installed if isinstance(each.probe, VirtualProbe)]
    for slot_s, true_ms in slots(site.start_ms, site.history_end_ms, site.interval_s, clock_steps):
        told_ms = true_ms + offset_ms(clock_steps, true_ms)
        for probe in probes:
            yield from _sampled(probe, str(slot_s), true_ms, told_ms)
    for each in site.installed:
        if isinstance(each.probe, VirtualPenetrometer):
            yield from _strokes(each.probe, site, clock_steps)


def _sampled(probe: VirtualProbe, slot: str, true_ms: int, told_ms: int) -> Iterator[Sample]:
    alive = probe.alive(true_ms)
    for channel in probe.description.channels:
        raw, status = _decoded(channel, probe.text(channel, true_ms)) if alive else (None, Status.SILENT)
        yield Sample(f"{probe.station}/{probe.name}/{channel.name}", slot, told_ms, raw, status)


def _decoded(channel: Channel, text: str) -> tuple[float | None, Status]:
    raw = float(text) * channel.scale + channel.offset
    quantity = QUANTITIES[channel.heard]
    return (raw, Status.OK) if quantity.lowest <= raw <= quantity.highest else (None, Status.NO_VALUE)


def _strokes(device: VirtualPenetrometer, site: VirtualSite, clock_steps: ClockSteps) -> Iterator[Sample]:
    """Depth and force of each step, a millisecond apart; a stroke is dated by its age, so by the clock at the dock."""
    number = 0
    while (at_ms := device.stroke_ms(number)) < site.history_end_ms:
        number += 1
        if at_ms < site.start_ms:
            continue
        told_ms = at_ms + offset_ms(clock_steps, at_ms)
        for step, (depth_m, force_n) in enumerate(device.stroke(number - 1), start=1):
            slot = f"stroke:{device.name}-{number}:{step}"
            for channel, value in zip(device.description.channels, (depth_m, force_n), strict=True):
                name = f"{device.station}/{device.name}/{channel.name}"
                yield Sample(name, slot, told_ms + step - 1, round(value, 4), Status.OK)
