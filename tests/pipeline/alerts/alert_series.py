"""Hand-made series for the alert tests: findings and observations a quarter hour apart, and one look at a rule."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from hardware.probe import load_probe
from pipeline.alerts.model import (
    Ahead,
    AlertEvent,
    AlertState,
    Findings,
    Readings,
    RuleBounds,
    RuleName,
    StationWatch,
)
from pipeline.alerts.runner import RULE_OF, facts_of, first_states, found_in, readings_in
from pipeline.alerts.walk import look_ahead, walk
from pipeline.diary.facts import (
    Dated,
    DiaryFacts,
)
from pipeline.diary.station import StationContext
from pipeline.stages.stage import findings_table
from pipeline.units import Flag
from tests.pipeline.contexts import station_context

START_MS = 1_714_521_600_000  # 2024-05-01 00:00 UTC
SLOT_MS = 900_000
H = 4  # slots in an hour
RAIN = "square-1/w1/rain"
THATCH = "square-1/t1/moisture"
LEAF = "square-1/w1/surface_temperature"
CHANNELS = {
    f"square-1/{probe}/{name}": load_probe(model).channel(name)
    for probe, model, names in (
        ("t1", "thatch", ("moisture", "temperature")),
        ("p1", "root_zone_profile", ("moisture_065", "moisture_110")),
        ("w1", "weather", ("rain",)),
    )
    for name in names
}
CONTEXT = station_context(
    "square-1", CHANNELS, cores=(Dated(0, 0.016),), rain_channel=RAIN, weather={"surface_temperature": LEAF}
)
BOUNDS: dict[str, RuleBounds] = {}  # what the site has set: nothing


def findings(*, thatch=None, air=None, roots=None, top=None) -> pd.DataFrame:
    """Findings a quarter hour apart; each argument is an array of values."""
    named = {"thatch_wetness": thatch, "thatch_air": air, "root_zone_wetness": roots, "top_layer_wetness": top}
    tables = [
        pd.DataFrame({"quantity": q, "start_ms": at, "end_ms": at, "value": v, "high": v})
        for q, v in named.items()
        if v is not None
        for at in (START_MS + np.arange(len(v)) * SLOT_MS,)
    ]
    if not tables:
        return findings_table((), "")
    return pd.concat(tables, ignore_index=True)


def heard(channel: str, value: np.ndarray, flag: int | np.ndarray = Flag.GOOD, shift_ms: int = 4000) -> pd.DataFrame:
    """Observations of a channel, one a quarter hour."""
    at = START_MS + np.arange(len(value)) * SLOT_MS + shift_ms
    return pd.DataFrame({"channel": channel, "measured_at_ms": at, "value": value, "flag": flag})


def dry_gauge(slots: int, rain_at: dict[int, float] | None = None) -> pd.DataFrame:
    """A gauge that works; rain in the slots named. [mm]"""
    rain = np.zeros(slots)
    for slot, mm in (rain_at or {}).items():
        rain[slot] = mm
    return heard(RAIN, rain)


def watch_of(
    found: pd.DataFrame,
    *observed: pd.DataFrame,
    context: StationContext = CONTEXT,
    zone: datetime.tzinfo | None = None,
) -> StationWatch:
    readings = readings_in(pd.concat(observed, ignore_index=True)) if observed else {}
    return StationWatch("club", "square", "Square, north end", context, found_in(found), readings, zone, "Square")


def between(watch: StationWatch, start_ms: int, end_ms: int) -> StationWatch:
    """The same with what begins in start <= t < end alone."""

    def cut(columns: tuple[np.ndarray, ...]) -> list[np.ndarray]:
        rows = (columns[0] >= start_ms) & (columns[0] < end_ms)
        return [column[rows] for column in columns]

    found = {quantity: Findings(*cut(one)) for quantity, one in watch.found.items()}
    return replace(watch, found=found, readings={i: Readings(*cut(one)) for i, one in watch.readings.items()})


def look(
    rule: str,
    state: AlertState,
    watch: StationWatch,
    diary: DiaryFacts,
    now_ms: int,
    bounds: Mapping[str, RuleBounds] = BOUNDS,
) -> tuple[AlertState, list[AlertEvent]]:
    """One walk of one rule."""
    return walk(state, facts_of(RULE_OF[RuleName(rule)], watch, diary, bounds), now_ms)


def foretell(
    rule: str,
    state: AlertState,
    watch: StationWatch,
    ahead: Ahead,
    diary: DiaryFacts,
    bounds: Mapping[str, RuleBounds] = BOUNDS,
) -> tuple[AlertState, list[AlertEvent]]:
    """One look of one rule at the forecast."""
    return look_ahead(state, facts_of(RULE_OF[RuleName(rule)], watch, diary, bounds), ahead)


def run(
    rule: str,
    watch: StationWatch,
    slots: int,
    *,
    probe: str = "",
    diary: DiaryFacts | None = None,
    bounds: Mapping[str, RuleBounds] = BOUNDS,
) -> list[AlertEvent]:
    """Events of one rule over the whole record, looked at once: of findings, late enough for every one to stand."""
    key = "/".join(p for p in ("square-1", rule, probe) if p)
    state = first_states(watch.context, START_MS)[key]
    now_ms = START_MS + (slots + (0 if rule in ("probe_fault", "frost_at_dawn") else 14)) * SLOT_MS
    return look(rule, state, watch, diary if diary is not None else DiaryFacts(), now_ms, bounds)[1]


def slot_of(at: AlertEvent) -> float:
    return (at.at_ms - START_MS) / SLOT_MS


def holding_series(hours: float = 60.0) -> tuple[np.ndarray, np.ndarray, dict[int, float]]:
    """Rain for an hour, then thatch above its drained limit for `hours` while the root zone falls, then 20 h dry."""
    wet = round(hours * H)
    thatch = np.concatenate([np.full(4, 0.6), np.linspace(1.3, 1.0, wet), np.full(20 * H, 0.7)])
    roots = 0.8 - 0.002 * np.arange(len(thatch))  # 0.19 in a day: a warm one, from 25 mm of easy water
    return thatch, roots, {3: 8.0}


def moving(slots: int, seed: int = 3) -> np.ndarray:
    return 0.4 + np.random.default_rng(seed).normal(0, 0.003, slots)


def thatch_probe(value: np.ndarray, flag: int | np.ndarray = Flag.GOOD) -> pd.DataFrame:
    """Both channels of the thatch probe, a second apart."""
    temperature = heard("square-1/t1/temperature", np.where(np.isnan(value), np.nan, 12.0), flag, shift_ms=5000)
    return pd.concat([heard(THATCH, value, flag), temperature], ignore_index=True)
