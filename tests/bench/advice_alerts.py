"""Alerts of a season held against the truth: which were right, how late the one about thatch came, and how many.

The server's own judge walks the season's findings and, where it is asked to, the advice of each morning. Right means
that the physical truth bears the alert out, with 0.05 of relative wetness to spare; of dry roots, that what they took
fell short of what was asked of them on a day from the one before to the second after. What the truth kept here cannot
tell (where single waters went, whether roots climbed) is left unjudged and counted apart.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import NDArray

from pipeline.alerts.model import CLOSED, OPENED, AlertEvent
from pipeline.alerts.runner import AlertRunner
from pipeline.run.metrics import Metrics
from pipeline.store import Store
from pipeline.store.journal import Journal
from simulator.scenario import load
from tests.bench.advice_ahead import Asked
from tests.bench.advice_ground import DAY_MS, HOUR_MS, Truth
from tests.bench.advice_run import WIDENED, Run
from tests.bench.advice_truth import Windows

Open = NDArray[np.bool_]

HELD_H, OFF_H = 48, 12
GROWING = range(3, 11)  # months in which the rule about thatch speaks
WARM_GROWING = range(4, 11)
NO_WATER_MM = 1.0
SHORT, LEAST_DEMAND_MM = 0.9, 0.5  # uptake of a day over demand, and the demand below which a day tells nothing
MORNING_H = 9  # work has begun: a window that is open is told as open


@dataclass(frozen=True)
class Told:
    """One alert opened: its rule, when, and whether it was right; None where the truth cannot tell."""

    rule: str
    at_ms: int
    right: bool | None


@dataclass(frozen=True)
class Delay:
    """A time in which thatch truly held water: hours from its begin until the alert stood; None when it never did."""

    hours: float | None


def judged(asked: Asked, mornings: Iterable[int] = ()) -> list[AlertEvent]:
    """Every event of a season: of the rules about findings, and with `mornings` (days) of those about advice too."""
    run = asked.run
    journal = Journal(asked.database)
    context = run.known.context
    judge = AlertRunner(run.config, cast(Store, asked.store), journal, Metrics(), lambda station: context, asked.diary)
    station, events = run.kept.station, []
    start_ms = run.kept.truth.start_ms
    for day in mornings:
        now_ms = start_ms + day * DAY_MS + MORNING_H * HOUR_MS
        asked.until(now_ms)
        events += _walked(judge, station, now_ms)
        events += judge.plan(asked.at(now_ms))
    end_ms = start_ms + run.hours * HOUR_MS
    asked.until(2**62)
    return events + ([] if events or list(mornings) else _walked(judge, station, end_ms))


def _walked(judge: AlertRunner, station: str, now_ms: int) -> list[AlertEvent]:
    events, more = judge.evaluate(station, now_ms)
    while more:
        said, more = judge.evaluate(station, now_ms)
        events += said
    return events


def holding(truth: Truth, *, wider: float = 0.0) -> Open:
    """In which hours thatch truly holds water that it should not.

    Its wetness has been above 0.9 for 48 hours without water while the roots lie under half or are drying, or it has
    had under a tenth of air for so long; until it has been below 0.75 for 12 hours. `wider` moves each bound.
    """
    water = truth.rain_mm[: truth.hours] + truth.watering_mm[: truth.hours]
    wet = airless = off = 0
    fallen = highest = 0.0
    is_on, found = False, np.zeros(truth.hours, dtype=np.bool_)
    for hour in range(truth.hours):
        thatch, root = truth.thatch_wetness[hour], truth.root_zone_wetness[hour]
        fallen = fallen + water[hour - 1] if hour else 0.0
        if thatch <= 0.9 - wider or fallen >= NO_WATER_MM:
            wet, fallen, highest = 0, 0.0, root
        else:
            wet, highest = wet + 1, max(highest, root)
        airless = airless + 1 if truth.thatch_air[hour] < 0.10 + wider else 0
        off = off + 1 if thatch < 0.75 - wider and not airless else 0
        drying = root < 0.5 + wider or highest - root >= 0.05 - wider
        recent = water[max(hour - HELD_H, 0) : hour].sum() >= NO_WATER_MM + (0.0 if wider == 0.0 else 1e9)
        is_on = (is_on and off < OFF_H) or (not recent and ((wet >= HELD_H and drying) or airless >= HELD_H))
        found[hour] = is_on
    return found


def delays(run: Run, events: Iterable[AlertEvent]) -> list[Delay]:
    """For every time in which thatch truly held water: how late the alert stood, early ones as 0."""
    truth = run.kept.truth
    months = WARM_GROWING if run.kept.facts.grass == "warm" else GROWING
    true = holding(truth) & np.isin(run.months(), list(months))
    stood = _standing(truth, events, "thatch_holding")
    edges = np.flatnonzero(np.diff(np.concatenate([[0], true.astype(np.int8), [0]])))
    found = []
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if begin == 0 or end - begin < 6:
            continue
        hours = np.flatnonzero(stood[begin:end])
        found.append(Delay(float(hours[0]) if hours.size else None))
    return found


def _standing(truth: Truth, events: Iterable[AlertEvent], rule: str) -> Open:
    """In which hours an alert of the rule was open."""
    found, since = np.zeros(truth.hours, dtype=np.bool_), None
    for event in events:
        hour = int(np.clip((event.at_ms - truth.start_ms) // HOUR_MS, 0, truth.hours))
        if event.rule == rule and event.kind == OPENED:
            since = hour
        elif event.rule == rule and event.kind == CLOSED and since is not None:
            found[since:hour] = True
            since = None
    if since is not None:
        found[since:] = True
    return found


def told(run: Run, events: Iterable[AlertEvent]) -> list[Told]:
    """Every alert that was opened, with whether it was right."""
    return [Told(e.rule, e.at_ms, right(run, e)) for e in events if e.kind == OPENED]


def right(run: Run, event: AlertEvent) -> bool | None:
    """Whether the truth bears an alert out."""
    truth = run.kept.truth
    hour = int(np.clip((event.at_ms - truth.start_ms) // HOUR_MS, 0, truth.hours - 1))
    ahead = slice(hour, min(hour + HELD_H, truth.hours))
    if event.rule == "thatch_holding":
        return bool(holding(truth, wider=WIDENED)[max(hour - OFF_H, 0) : hour + 1].any())
    if event.rule == "roots_dry":
        return uptake_short(truth, hour)
    if event.rule == "thatch_to_repel":
        return bool(truth.thatch_wetness[ahead].min() < 0.15 + WIDENED)
    if event.rule == "frost_at_dawn":
        return bool(truth.surface_degc[max(hour - OFF_H, 0) : hour + OFF_H].min() <= 1.0)
    if event.rule == "probe_fault":
        return _planted(run, event)
    if event.rule in ("window_opening", "window_closing"):
        return _opens(run, event, hour)
    if event.rule == "last_good_date":
        return None
    return None


def uptake_short(truth: Truth, hour: int) -> bool:
    """Whether on some day about an hour, from the one before to the second after, roots took less than was asked."""
    begins = range(max(hour - 24, 0), min(hour + 24, truth.hours - 24) + 1)
    days = [(truth.uptake_mm[b : b + 24].sum(), truth.demand_mm[b : b + 24].sum()) for b in begins]
    return any(asked >= LEAST_DEMAND_MM and taken < SHORT * asked for taken, asked in days)


def _planted(run: Run, event: AlertEvent) -> bool:
    """Whether a fault had been planted in the probe by then."""
    faults = load(run.kept.truth.scenario).faults.get(f"{event.station}/{event.probe}", ())
    return any(f.start_ms <= event.at_ms and event.since_ms <= f.end_ms + DAY_MS for f in faults)


def _opens(run: Run, event: AlertEvent, hour: int) -> bool:
    """Whether the pass that is spoken of could truly be made in some working hour of the five days after."""
    facts = run.table.facts
    intent = next((i for i in run.intents() if facts[i.kind].doing in event.text), None)
    if intent is None:
        return False
    truly = run.truly(intent, widened=WIDENED) & run.asked()
    return bool(truly[hour : hour + 5 * 24].any())


def planted_hours(windows: Windows, run: Run) -> Open:
    """Hours in which some probe of the station has a planted fault."""
    truth = windows.truth
    found = np.zeros(truth.hours, dtype=np.bool_)
    for probe, faults in load(truth.scenario).faults.items():
        if probe.split("/")[0] == truth.station:
            for fault in faults:
                found |= (truth.at_ms >= fault.start_ms) & (truth.at_ms < fault.end_ms)
    return found
