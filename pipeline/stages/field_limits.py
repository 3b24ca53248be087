"""Learning the limits of each channel, and its drift, every four weeks, from its history up to then.

What is learned holds from that moment on and is kept as a finding under the channel's id; it is never worked out again
by itself, so neither old findings nor old alerts change when more is known. Because the stages are handed the limits
with their dates, what they say does not depend on when learning ran. The sums are in `pipeline.soil.limits` and
`pipeline.soil.drift`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

import numpy as np

from pipeline.diary.station import ChannelLimits, StationContext
from pipeline.soil import drift
from pipeline.soil.layers import Medium, Place
from pipeline.soil.limits import learn_limits, plateaus
from pipeline.soil.wetting import Spell, events
from pipeline.stages.stage import (
    FIRST_MONDAY_MS,
    NO_SERIES,
    Finding,
    Grain,
    Record,
    Series,
    Stage,
    findings_table,
)
from pipeline.store import Store
from pipeline.texts import later, say
from pipeline.units import DAY_MS, EVER_MS, HOUR_MS, FloatArray, TimeArray

LIMIT_QUANTITIES = ("drained_limit", "dry_limit")
DRIFT_QUANTITY = "sensor_drift"
DRIFTING = later("it drifts: {least:g} m3/m3 a year and more, whatever the doubt")
EVERY_MS = 28 * DAY_MS
HISTORY_MS = 2 * 365 * DAY_MS  # at most so much, so that a site that has changed is not held to what it was
STILL_DEMAND_MM = 1.0  # of a day whose following night counts as still; common practice, no source
NIGHT_H = (20, 30)  # from the sun's midnight before: 20 to 6 h


def due_ms(first_ms: int, last_ms: int) -> range:
    """Return when limits are learned, first < t <= last: Mondays, four weeks apart. [ms since 1970, UTC]"""
    begin = (first_ms - FIRST_MONDAY_MS) // EVERY_MS + 1
    end = (last_ms - FIRST_MONDAY_MS) // EVERY_MS + 1
    return range(FIRST_MONDAY_MS + begin * EVERY_MS, FIRST_MONDAY_MS + end * EVERY_MS, EVERY_MS)


def learned_limits(store: Store, channels: Iterable[str]) -> dict[str, tuple[ChannelLimits, ...]]:
    """Return the limits of channels as kept, in order of time; a channel without any is left out."""
    found = {}
    for channel in channels:
        table = store.findings(channel, LIMIT_QUANTITIES, *EVER_MS)
        times = table["start_ms"].to_numpy(dtype=np.int64).tolist()
        numbers = table[["value", "low", "high"]].to_numpy(dtype=np.float64).tolist()
        rows = dict(zip(zip(table["quantity"], times, strict=True), numbers, strict=True))
        limits = []
        for at_ms in sorted(set(times)):
            if ("dry_limit", at_ms) in rows and ("drained_limit", at_ms) in rows:
                dry, dry_low, dry_high = rows["dry_limit", at_ms]
                drained, drained_low, drained_high = rows["drained_limit", at_ms]
                limits.append(ChannelLimits(at_ms, dry, drained, (dry_low, dry_high), (drained_low, drained_high)))
        if limits:
            found[channel] = tuple(limits)
    return found


def learn(store: Store, context: StationContext, at_ms: int) -> int:
    """Learn the limits of every channel of a station from what was known before a moment, and keep them from it on.

    Parameters
    ----------
    store : Store
    context : StationContext
    at_ms : int
        [ms since 1970, UTC]

    Returns
    -------
    int
        How many findings were kept.

    Raises
    ------
    StoreAway, StoreFull
    """
    first_ms = at_ms - HISTORY_MS
    wanted = [*context.moisture, *([] if context.rain_channel is None else [context.rain_channel])]
    observed = store.channel_series(wanted, first_ms, at_ms)
    demand = store.finding_series(context.station, FIELD_LIMITS.reads, first_ms, at_ms)
    record = Record(observed, demand)
    found = [
        *limits_found(record, context, at_ms),
        *drift_found(record, _by_day(store, context, at_ms), context, at_ms),
    ]
    if found:
        store.upsert_findings(findings_table(found, context.station))
    return len(found)


def limits_found(record: Record, context: StationContext, at_ms: int) -> list[Finding]:
    """Return the limits learned from a record that ends at a moment, as findings. [ms since 1970, UTC], [m3 m-3]

    Mixed and silent channels have none.
    """
    heard = [i for i in context.moisture if i in record.channels]
    spells = _spells(record, context, at_ms, heard[0]) if heard else []
    nights = _still_nights(record.findings.get("reference_et", NO_SERIES))
    found: list[Finding] = []
    for channel in heard:
        if context.place(channel, at_ms) is Place.MIXED:
            continue
        limits = learn_limits(*_shown(record, context, channel, at_ms), spells, nights_ms=nights)
        for quantity, what in (("drained_limit", limits.drained), ("dry_limit", limits.dry)):
            said = replace(what, reason=say("provisional: {reason}", reason=what.reason)) if what.provisional else what
            found.append(Finding.of(quantity, at_ms, at_ms, said, channel))
    return found


def _shown(record: Record, context: StationContext, channel: str, at_ms: int) -> tuple[TimeArray, FloatArray, Medium]:
    """Readings of a channel since its probe was set, for what came before was other ground, and what it lies in."""
    times, values = record.channels[channel]
    shown = int(np.searchsorted(times, context.restarted_ms(channel, at_ms)))
    medium = context.thatch if context.place(channel, at_ms) is Place.THATCH else context.soil_at(channel)
    return times[shown:], values[shown:], medium


def _spells(record: Record, context: StationContext, at_ms: int, channel: str) -> list[Spell]:
    """Wettings that rain and diary tell of, with the amounts written, and rises of a channel that neither explains."""
    rain = NO_SERIES if context.rain_channel is None else record.channels.get(context.rain_channel, NO_SERIES)
    waterings = [w for w in context.facts.waterings if w.end_ms < at_ms]
    return events(*rain, waterings=waterings, probe=record.channels[channel])


def _by_day(store: Store, context: StationContext, at_ms: int) -> dict[str, FloatArray]:
    """Daily means of the moisture of the station and of its neighbours, over the days that drift is judged by."""
    last = at_ms // DAY_MS
    first = last - drift.WINDOW_DAYS
    table = store.steps((*context.moisture, *context.neighbours), first * DAY_MS, last * DAY_MS, DAY_MS)
    found = {}
    for channel, rows in table.groupby("channel", sort=False):
        means = np.full(drift.WINDOW_DAYS, np.nan)
        means[rows["start_ms"].to_numpy(dtype=np.int64) // DAY_MS - first] = rows["mean"].to_numpy(dtype=np.float64)
        found[str(channel)] = means
    return found


def drift_found(record: Record, by_day: Mapping[str, FloatArray], context: StationContext, at_ms: int) -> list[Finding]:
    """Return how each channel of a station drifts, as findings.

    Parameters
    ----------
    record : Record
        Of the station, up to `at_ms`: the plateaus of channels without neighbours.
    by_day : mapping of str to ndarray, shape (day,)
        Daily means of its channels and of others, over the `drift.WINDOW_DAYS` days before. [m3 m-3]
    context : StationContext
    at_ms : int
        [ms since 1970, UTC]
    """
    found: list[Finding] = []
    for channel in (i for i in context.moisture if i in by_day):
        own = by_day[channel].copy()
        begun = max(drift.WINDOW_DAYS - (at_ms - context.restarted_ms(channel, at_ms)) // DAY_MS, 0)
        own[:begun] = np.nan  # the probe stood in other ground
        what = drift.drift_by_neighbours(own, [one for i, one in by_day.items() if i != channel])
        if not np.isfinite(what.value):
            what = drift.drift_by_plateaus(*_plateaus(record, context, channel, at_ms))
        if np.isfinite(what.value):
            reason = say(DRIFTING, least=drift.DRIFTS) if drift.drifts(what.value, what.low, what.high) else ""
            found.append(Finding.of(DRIFT_QUANTITY, at_ms, at_ms, replace(what, reason=reason), channel))
    return found


def _plateaus(record: Record, context: StationContext, channel: str, at_ms: int) -> Series:
    """Drained plateaus of a channel since its probe was set. [ms since 1970, UTC], [m3 m-3]"""
    if context.place(channel, at_ms) is Place.MIXED or channel not in record.channels:
        return NO_SERIES
    spells = _spells(record, context, at_ms, channel)
    nights = _still_nights(record.findings.get("reference_et", NO_SERIES))
    return plateaus(*_shown(record, context, channel, at_ms), spells, nights_ms=nights)


def _still_nights(demand: Series) -> np.ndarray:
    day_ms, value_mm = demand
    still = day_ms[np.nan_to_num(value_mm, nan=np.inf) <= STILL_DEMAND_MM]
    return np.stack([still + hour * HOUR_MS for hour in NIGHT_H], axis=1)


FIELD_LIMITS = Stage[Callable[[Store, StationContext, int], int]](
    name="limits",
    grain=Grain.ONCE,
    run=learn,
    channel_findings=(*LIMIT_QUANTITIES, DRIFT_QUANTITY),
    reads=("reference_et",),
    length_ms=EVERY_MS,
    lead_in_ms=HISTORY_MS,
)
