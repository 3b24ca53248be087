"""Seeded seasons with one fault planted in a probe, and what the quality stage makes of them, rule by rule.

The ground, its weather and its probes are those of `twin_seasons`; readings are put back into permittivity, the faults
of `simulator.faults` are laid over them, and the real stages see the result. Which rule spoke is noted by listening in
on the tests of `pipeline.soil.quality`; what is said of whole channels are findings of fortnights.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd

from hardware.probe import load_probe
from pipeline.diary.station import StationContext
from pipeline.soil import quality
from pipeline.soil.probe_faults import change_order
from pipeline.stages.probe_faults import CHANNEL_CHECKS, STANDSTILL
from pipeline.stages.recompute import process
from pipeline.stages.stage import Record, find, on_grid, series_of
from pipeline.units import DAY_MS, HOUR_MS, Flag
from simulator.climates import CLIMATES
from simulator.faults import PROBE_FAULTS, PlantedFault, is_silent, planted
from simulator.history import run
from simulator.weather import generate
from tests.bench.twin_seasons import STEP_S, as_heard, context_of, heard, place_of, sprinkled

DAYS, BEGIN_DAY, LASTS_DAYS = 42, 14, 21
REFUSED = "outside_the_curve"  # no test's: calibration refuses what its curve was not made for
RULES = ("gross_range", "spike", "step", "flat_line", "frost", "rise_without_water", "air_gap", "disagrees", "dip")
WHOLE = ("stood_still", "failed_readings", "warmth_out_of_order", "changes_out_of_order")  # of whole channels
SUSPICIONS = ("changes_out_of_order",)  # told as such, and no alarm
FAULTS = (*PROBE_FAULTS, "swapped_thermometers")
FAULTY = "s1/p1/moisture_065"  # not the shallowest, which has nothing above it to bear witness, nor the deepest
SWAPPED = ("moisture_035", "moisture_160")
THATCH_DENSITY_G_CM3 = load_probe("thatch").channel("moisture").calibration.parameters["bulk_density_g_cm3"]
AIR = 1.0  # permittivity
CALL = 1_000_000  # places of one call of a rule are told from those of the next by so much


@dataclass(frozen=True)
class Season:
    """A season as heard: raw rows by channel [ms], [unit heard], and the station."""

    seed: int
    times: dict[str, np.ndarray]
    raw: dict[str, np.ndarray]
    context: StationContext
    start_ms: int

    @property
    def begin_ms(self) -> int:
        return self.start_ms + BEGIN_DAY * DAY_MS

    @property
    def end_ms(self) -> int:
        return self.begin_ms + LASTS_DAYS * DAY_MS


@dataclass
class Seen:
    """What the stages made of a season: flags by channel, and the times at which each rule spoke of the channel."""

    flags: dict[str, np.ndarray]
    times: dict[str, np.ndarray]
    said: dict[str, set[int]] = field(default_factory=dict)
    whole: set[tuple[str, str, int]] = field(default_factory=set)
    """Channel, quantity and fortnight of what was said of whole channels."""
    change_order: float = np.nan
    """Greatest slope of the changes with depth, of the fortnights."""


def season(seed: int) -> Season:
    """One season of a seed."""
    place = place_of(seed)
    begin = datetime(2025, 5, 5, tzinfo=UTC) + timedelta(days=7 * int(place.rng.integers(0, 14)))
    weather = generate(CLIMATES[place.climate], begin - timedelta(days=7), DAYS + 8, seed=seed, step_s=STEP_S)
    weather = sprinkled(weather, place.condition, seed)
    record = heard(run(place.turf, weather, first=place.ground), place.rng)
    context = context_of(weather, place)
    times, raw = {}, {}
    for name, (time_ms, value) in record.channels.items():
        channel = context.channels.get(name)
        if channel is None:
            continue
        times[name] = time_ms + 1000
        raw[name] = as_heard(channel, value)
    return Season(seed, times, raw, context, round(begin.timestamp() * 1000))


def with_fault(one: Season, kind: str) -> tuple[Season, str]:
    """A season with one fault planted, and the channel that bears it."""
    if kind in ("dropped_replies", "sliced"):
        fault = PlantedFault(kind, (), one.begin_ms, one.end_ms)
        changed = {}
        for name, times in one.times.items():
            if name.startswith("s1/p1/"):
                silent = np.array([is_silent(fault, int(t), str(one.seed)) for t in times])
                changed[name] = np.where(silent, np.nan, one.raw[name])
        return _changed(one, changed), FAULTY
    if kind == "swapped_thermometers":  # the whole sensors change places, as two addresses do
        water, channel = with_fault(one, "swapped_depths")
        upper, lower = (f"s1/p1/{name.replace('moisture', 'temperature')}" for name in SWAPPED)
        inside = (one.times[upper] >= one.begin_ms) & (one.times[upper] < one.end_ms)
        warm = {
            upper: np.where(inside, one.raw[lower], one.raw[upper]),
            lower: np.where(inside, one.raw[upper], one.raw[lower]),
        }
        return _changed(water, warm), channel
    named = SWAPPED if kind == "swapped_depths" else (FAULTY.rsplit("/", 1)[1],)
    fault = PlantedFault(kind, named, one.begin_ms, one.end_ms)

    def sound(channel: str, at_ms: int) -> float | None:
        name = f"s1/p1/{channel}"
        row = min(int(np.searchsorted(one.times[name], at_ms)), one.times[name].size - 1)
        return float(one.raw[name][row])

    changed = {}
    for channel in named:
        name = f"s1/p1/{channel}"
        raw = one.raw[name].copy()
        for row in np.flatnonzero((one.times[name] >= one.begin_ms) & (one.times[name] < one.end_ms)):
            told = planted([fault], channel, int(one.times[name][row]), sound, seed=one.seed, air=AIR)
            raw[row] = np.nan if told is None else round(told, 2)
        changed[name] = raw
    return _changed(one, changed), f"s1/p1/{named[0]}"


def _changed(one: Season, raw: dict[str, np.ndarray]) -> Season:
    return Season(one.seed, one.times, {**one.raw, **raw}, one.context, one.start_ms)


def see(one: Season) -> Seen:
    """Run the stages over a season and note which rule spoke when."""
    table = pd.concat(
        [
            pd.DataFrame(
                {
                    "channel": name, "measured_at_ms": one.times[name], "raw": raw, "clock_ok": True,
                    "received_at_ms": one.times[name], "status": np.where(np.isnan(raw), "silent", "ok"),
                }
            )
            for name, raw in one.raw.items()
        ],
        ignore_index=True,
    )  # fmt: skip
    with listening() as said:
        drawn = process(series_of(table), one.context)
    done = drawn.observations
    flags, times, refused = {}, {}, set()
    for number, name in enumerate(one.context.moisture):
        rows = done["channel"] == name
        outside = done.loc[rows, "raw"].notna() & done.loc[rows, "value"].isna()
        refused |= {number * CALL + int(row) for row in np.flatnonzero(outside)}
        flags[name] = done.loc[rows, "flag"].to_numpy()
        times[name] = done.loc[rows, "measured_at_ms"].to_numpy()
    # a test may speak of a channel that the stage then judges by another bound: only what was flagged counts
    flagged = {int(row) for found in flags.values() for row in np.flatnonzero(bad(found))}
    said = {rule: {place for place in places if place % CALL in flagged} for rule, places in said.items()}
    until_ms = one.start_ms + DAYS * DAY_MS
    found = find((STANDSTILL, CHANNEL_CHECKS), drawn.record, one.context, one.start_ms, until_ms)
    whole = {(each.channel, each.quantity, each.start_ms) for each in found}
    return Seen(flags, times, {REFUSED: refused, **said}, whole, _change_order(drawn.record, one, until_ms))


def _change_order(record: Record, one: Season, until_ms: int) -> float:
    """The greatest slope of the changes of the soil's moisture with depth, of the fortnights of a season."""
    soil = [i for i in one.context.moisture if i in record.channels and "/p1/" in i]
    slopes = []
    for start_ms, end_ms in CHANNEL_CHECKS.touched(one.context, one.start_ms, until_ms):
        hours = (end_ms - start_ms) // HOUR_MS
        grid = [on_grid(record.channels[i], start_ms + HOUR_MS // 2, HOUR_MS, hours) for i in soil]
        slopes.append(change_order(np.stack(grid, axis=1))[0])
    return float(np.nanmax(slopes))


@contextmanager
def listening() -> Iterator[dict[str, set[int]]]:
    """Note the places at which each rule flags, by the rule; a place is a row and the call in which it was found."""
    said: dict[str, set[int]] = {rule: set() for rule in RULES}
    sound = {rule: getattr(quality, rule) for rule in RULES}
    calls = 0

    def heard_of(rule: str):
        def rule_and_note(*args, **more):
            nonlocal calls
            found = sound[rule](*args, **more)
            calls += 1
            said[rule] |= {calls * CALL + int(row) for row in np.flatnonzero(bad(found))}
            return found

        return rule_and_note

    for rule in RULES:
        setattr(quality, rule, heard_of(rule))
    try:
        yield said
    finally:
        for rule in RULES:
            setattr(quality, rule, sound[rule])


def bad(flags: np.ndarray) -> np.ndarray:
    """Suspect or failed, of what was heard."""
    return (flags == Flag.SUSPECT) | (flags == Flag.FAIL)


def alarms(times_ms: np.ndarray) -> int:
    """How many alarms flagged readings make: those of one channel less than a day apart are one."""
    return 0 if times_ms.size == 0 else 1 + int((np.diff(np.sort(times_ms)) > DAY_MS).sum())
