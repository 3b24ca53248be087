"""What is told of the water of a simulated season beside what it did: share past the thatch, hold time, storage.

The readings are those `twin_seasons` hears; the layers, wettings and dry-downs are worked out by the real stages, with
the limits of the media and the core to the millimetre. The truth is the simulated column's own: what passed the base of
the thatch in the hours the account of a wetting is kept, hours until its thatch was below nine tenths of the way to
drained, millimetres in thatch and root zone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from pipeline.diary.station import StationContext
from pipeline.soil.arrival import SETTLE_H
from pipeline.soil.drying import DRY_DOWN_H, HELD, LONGER_THAN, ROOT_ZONE_TAU_H, THATCH_TAU_H, recession
from pipeline.soil.passage import FAILED
from pipeline.stages.layers import layers
from pipeline.stages.recompute import Drawn
from pipeline.stages.stage import Record, find, findings_table, series_of
from pipeline.stages.wetting import DRYING, WETTING
from pipeline.units import DAY_MS, Flag
from simulator import kernels, materials
from simulator.history import History
from tests.bench.twin_seasons import WILTING_HEAD_M
from tests.pipeline.contexts import changed

HOUR_MS = 3_600_000
LEAST_RAIN_MM = 5.0
KINDS = ("arrival share", "hold time", "thatch time constant", "root zone time constant", "thatch water",
         "root zone water")  # fmt: skip
FAILING = "chance that it failed to pass"  # its `true` is the share that passed, its `low` the rain [mm]
LONG_DRY_DOWN_H = 5 * 24.0  # time constants are asked of dry-downs at least so long
ROOT_ZONE_M = 0.160  # as deep as the deepest probe


@dataclass(frozen=True)
class Water:
    """One figure: truth, answer and its 90 % interval in the unit of the kind (share, h, mm); NaN where refused."""

    seed: int
    kind: str
    true: float
    found: float
    low: float
    high: float
    reason: str

    @property
    def at_least(self) -> bool:
        """Whether only a lower end is told."""
        return self.reason in ("at least", LONGER_THAN)


def water_of(seed: int, history: History, record: Record, context: StationContext, first_ms: int) -> Iterator[Water]:
    """Every figure of a season from a moment on: of each rain of 5 mm or more, and of each noon."""
    own = {i: c for i, c in context.channels.items() if i in record.channels}
    context = changed(context, channels=own, root_zone_mm=1000.0 * ROOT_ZONE_M)
    whole = _with_layers(record, context)
    hours = history.start_ms + HOUR_MS * np.arange(history.weather.count + 1, dtype=np.int64)
    table = findings_table(find((WETTING, DRYING), whole, context, first_ms, int(hours[-1])), "s1")
    told = {(row.quantity, row.start_ms): row for row in table[table["station"] == "s1"].itertuples()}
    exact = (history.thatch_water_mm / (1000.0 * history.thatch_m) - context.thatch.dry_prior) / (
        context.thatch.drained_prior - context.thatch.dry_prior
    )
    wettings = sorted(start for quantity, start in told if quantity == "wetting_given")
    for start_ms, next_ms in pairwise([*wettings, int(hours[-1])]):
        fallen = told["wetting_given", start_ms]
        if not fallen.value >= LEAST_RAIN_MM:
            continue
        share = _passed_share(history, start_ms, fallen.end_ms, next_ms)
        yield _figure(seed, "arrival share", share, told["arrival_share", start_ms])
        chance = told["arrival_failed_chance", start_ms].value
        yield Water(seed, FAILING, share, chance, fallen.value, np.nan, "")
        hold = told.get(("hold_time", start_ms))
        if hold is not None:
            yield _figure(seed, "hold time", _held_h(exact[int((hold.end_ms - hours[0]) // HOUR_MS) :]), hold)
    yield from _time_constants(seed, history, told, hours)
    noons = np.arange(first_ms // DAY_MS * DAY_MS + DAY_MS + DAY_MS // 2, int(hours[-1]), DAY_MS)
    for kind, true_mm in (
        ("thatch water", history.thatch_water_mm),
        ("root zone water", history.storage_below_thatch_mm(ROOT_ZONE_M)),
    ):
        times, values = whole.findings[kind.replace(" ", "_")]
        for noon in noons.tolist():
            value = float(values[np.searchsorted(times, noon)])
            yield Water(seed, kind, float(true_mm[(noon - int(hours[0])) // HOUR_MS]), value, np.nan, np.nan, "")


def _passed_share(history: History, start_ms: int, end_ms: int, next_ms: int) -> float:
    """What passed the base of the thatch, over what fell, in the hours an account of the wetting is kept: from the hour
    told first to a day after the last, or until the next wetting is told of."""
    first, rained, following = ((t - history.start_ms) // HOUR_MS for t in (start_ms, end_ms, next_ms))
    last = min(rained + round(SETTLE_H), following - 1 if next_ms < history.end_ms else following)
    fallen_mm = (history.flux["rain_mm"] + history.flux["watering_mm"])[first - 1 : rained].sum()
    return float(history.flux["past_thatch_mm"][first - 1 : last].sum() / fallen_mm)


def _time_constants(seed: int, history: History, told: dict, hours: np.ndarray) -> Iterator[Water]:
    """Of every dry-down of five days and more. The truth is the same fit of the exact water, hour by hour, towards what
    the simulated materials hold at 1500 kPa.
    """
    turf = history.turf
    layers = {
        "thatch": (history.thatch_water_mm, turf.thatch, turf.thatch_m, THATCH_TAU_H),
        "root_zone": (
            history.storage_below_thatch_mm(ROOT_ZONE_M), turf.soils[0].material, ROOT_ZONE_M, ROOT_ZONE_TAU_H
        ),
    }  # fmt: skip
    wettings = sorted(start for quantity, start in told if quantity == "wetting_given")
    for start_ms, next_ms in pairwise([*wettings, int(hours[-1])]):
        end_ms = told["wetting_given", start_ms].end_ms
        stop_ms = min(next_ms, end_ms + int(DRY_DOWN_H * HOUR_MS))
        if stop_ms - end_ms < LONG_DRY_DOWN_H * HOUR_MS:
            continue
        rows = slice(*np.searchsorted(hours, [end_ms + DAY_MS, stop_ms]).tolist())
        for name, (water_mm, made_of, thick_m, longest_h) in layers.items():
            parameters = materials.table((made_of,))[0]
            floor = 1000.0 * thick_m * float(kernels.hydraulics(parameters, WILTING_HEAD_M)[0])
            times = (hours[rows] - hours[rows][0]) / HOUR_MS
            exact = recession(
                times, water_mm[rows], noise=1e-4, floor=(floor, floor, floor), longest_h=10.0 * longest_h
            )
            true = exact.tau_h.value
            if np.isfinite(true) and (f"{name}_recession", start_ms) in told:
                kind = f"{name.replace('_', ' ')} time constant"
                yield _figure(seed, kind, true, told[f"{name}_recession", start_ms])


def _held_h(wetness: np.ndarray) -> float:
    """Hours until the exact wetness falls below the bound, by straight lines between the hours; at most a week."""
    below = np.flatnonzero(wetness[: 168 + 1] < HELD)
    if below.size == 0 or below[0] == 0:
        return 168.0 if below.size == 0 else 0.0
    before, after = wetness[below[0] - 1], wetness[below[0]]
    return float(below[0] - 1 + (before - HELD) / (before - after))


def _figure(seed: int, kind: str, true: float, row) -> Water:
    return Water(seed, kind, float(true), row.value, row.low, row.high, row.reason)


def _with_layers(record: Record, context: StationContext) -> Record:
    """The record with the findings of the layers stage, every reading taken for good."""
    names = [i for i in context.moisture if i in record.channels]
    times = [record.channels[i][0] for i in names]
    value = np.concatenate([record.channels[i][1] for i in names])
    raw = pd.DataFrame(
        {
            "channel": np.repeat(names, [t.size for t in times]), "measured_at_ms": np.concatenate(times), "raw": value,
            "status": "ok", "clock_ok": True, "received_at_ms": np.concatenate(times),
        }
    )  # fmt: skip
    series = {
        i: replace(one, value=one.raw, flag=np.full_like(one.flag, Flag.GOOD)) for i, one in series_of(raw).items()
    }
    return Record(record.channels, Drawn("s1", series, tuple(layers(series, context))).record.findings)


@dataclass(frozen=True)
class WaterScore:
    """How well one kind was told. Errors in its unit (h, mm) or as a share; shares 0 to 1."""

    kind: str
    asked: int
    refused: int
    at_least: int
    median: float
    ninth: float
    bias: float
    covered: float
    constant: float


def water_score(kind: str, waters: Sequence[Water]) -> WaterScore:
    """Errors of what was answered. "At least" is right when the truth is not below it; it has no error. The constant
    guess is the best one, the median of all truths, known beforehand."""
    of = [w for w in waters if w.kind == kind]
    told = [w for w in of if np.isfinite(w.found)]
    sure = [w for w in told if not w.at_least]
    error = np.array([w.found - w.true for w in sure])
    guess = float(np.median([w.true for w in sure])) if sure else np.nan
    ranged = [w for w in sure if np.isfinite(w.low)]
    return WaterScore(
        kind=kind,
        asked=len(of),
        refused=len(of) - len(told),
        at_least=len(told) - len(sure),
        median=float(np.median(np.abs(error))) if sure else np.nan,
        ninth=float(np.quantile(np.abs(error), 0.9)) if sure else np.nan,
        bias=float(np.median(error)) if sure else np.nan,
        covered=float(np.mean([w.low <= w.true and not w.true > w.high for w in ranged])) if ranged else np.nan,
        constant=float(np.median([abs(w.true - guess) for w in sure])) if sure else np.nan,
    )


def area_under(score: np.ndarray, happened: np.ndarray) -> float:
    """Chance that a score is higher where it happened than where it did not: the area under the ROC curve."""
    yes, no = score[happened], score[~happened]
    if not (yes.size and no.size):
        return np.nan
    apart = np.sign(yes[:, np.newaxis] - no[np.newaxis, :])
    return float(0.5 + 0.5 * apart.mean())


def skill_rows(waters: Sequence[Water]) -> list[str]:
    """How well the share that passed is told beside the best constant, and the chance that it failed beside rain."""
    every = [w for w in waters if w.kind == KINDS[0]]
    shares = [w for w in every if np.isfinite(w.found)]
    if not shares:
        return ["arrival share: no rain of 5 mm or more was told of"]
    true, found = np.array([w.true for w in shares]), np.array([w.found for w in shares])
    chances = [w for w in waters if w.kind == FAILING and np.isfinite(w.found)]
    failed = np.array([w.true < FAILED for w in chances])
    by_chance = area_under(np.array([w.found for w in chances]), failed)
    by_rain = area_under(-np.array([w.low for w in chances]), failed)
    return [
        f"arrival share: skill {1.0 - np.mean((found - true) ** 2) / np.var(true):+.2f} over the best constant, by mean"
        f" square, {len(shares)} rains; withheld of {1.0 - len(shares) / len(every):.1%} of {len(every)}",
        f"under {FAILED:g} passed: {failed.sum()} of {failed.size}; area under the curve {by_chance:.3f} by the chance"
        f" told, {by_rain:.3f} by the rain's amount",
    ]


UNITS = {
    "arrival share": "", "hold time": " h", "thatch time constant": " h", "root zone time constant": " h",
    "thatch water": " mm", "root zone water": " mm",
}  # fmt: skip


def water_rows(waters: Sequence[Water]) -> list[str]:
    """The table of all kinds as text."""
    lines = ["| figure | asked | refused | at least | error, median / 90th percentile | bias | interval holds |"
             " best constant guess, median |", "|---|---|---|---|---|---|---|---|"]  # fmt: skip
    for kind in KINDS:
        s, unit = water_score(kind, waters), UNITS[kind]
        digits = 2 if kind == "arrival share" else 1
        numbers = f"{s.median:.{digits}f} / {s.ninth:.{digits}f}{unit} | {s.bias:+.{digits}f}{unit}"
        covered = "" if np.isnan(s.covered) else f"{s.covered:.0%}"
        refused = f"{s.refused / max(s.asked, 1):.0%}"
        lines.append(
            f"| {kind} | {s.asked} | {refused} | {s.at_least} | {numbers} | {covered} | {s.constant:.{digits}f}{unit} |"
        )
    return lines
