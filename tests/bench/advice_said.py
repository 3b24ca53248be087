"""What the advice says of the ground through a season, hour by hour, from what probes were heard to say.

Only the ground is put to the test here: weather, and growth to come, are taken as known, so that what is wrong is wrong
with probes, limits or bounds. Locks of season, diary and what eyes see are left out; a reading that is missing or
disbelieved is "cannot tell", as ever.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from pipeline.advice.conditions import Hours, Plans, Verdict
from pipeline.advice.locks import (
    SurfaceState,
)
from pipeline.advice.treatments import TreatmentTable
from pipeline.advice.windows import judge_conditions
from pipeline.diary.facts import (
    Intent,
)
from pipeline.forecast.climatology import Daily
from pipeline.stages.stage import Series
from tests.bench.advice_ground import DAY_MS, HOUR_MS, SOIL_DEPTH_M
from tests.bench.advice_heard import Known
from tests.bench.advice_kept import Kept
from tests.bench.advice_truth import Windows

Array = NDArray[np.float64]

VARIANTS = {
    "light_raking": ("standard", 0.0), "verticutting": ("standard", 0.0015), "scarifying": ("standard", 0.008),
    "heavy_dethatching": ("standard", 0.020), "hollow_coring": ("13mm", 0.080), "solid_tining": ("12mm", 0.100),
    "slitting": ("standard", 0.100), "topdressing": ("light", 0.0), "overseeding": ("rye", 0.004),
}  # fmt: skip


def intents(grass: str) -> list[Intent]:
    """One of each kind of pass."""
    return [
        Intent(kind, "warm" if kind == "overseeding" and grass == "warm" else variant, depth_m)
        for kind, (variant, depth_m) in VARIANTS.items()
    ]


def on_hours(series: Series | None, start_ms: int, hours: int) -> Array:
    """Values at the full hours; NaN where there is none."""
    found = np.full(hours, np.nan)
    if series is not None:
        at = (series[0] - start_ms) / HOUR_MS
        row = np.rint(at).astype(np.int64)
        good = (np.abs(at - row) < 0.25) & (row >= 0) & (row < hours)
        found[row[good]] = series[1][good]
    return found


def measured(known: Known, start_ms: int, hours: int) -> dict[str, Array]:
    """Wetness of both layers and temperatures of the ground, as the server has them."""
    record, context = known.record(), known.context
    by_depth = sorted((context.depth_m(i, start_ms), i) for i in context.temperatures)
    grid = {i: on_hours(record.channels.get(i), start_ms, hours) for _, i in by_depth}
    above = [p for p in by_depth if p[0] <= SOIL_DEPTH_M][-1]
    below = next(p for p in by_depth if p[0] > SOIL_DEPTH_M)
    share = (SOIL_DEPTH_M - above[0]) / (below[0] - above[0])
    to_cut = np.stack([grid[i] for depth, i in by_depth if depth <= 0.120])
    with np.errstate(invalid="ignore"):
        coldest = np.where(np.isnan(to_cut).all(axis=0), np.nan, np.fmin.reduce(to_cut))
    return {
        "thatch_wetness": on_hours(record.findings.get("thatch_wetness"), start_ms, hours),
        "root_zone_wetness": on_hours(record.findings.get("root_zone_wetness"), start_ms, hours),
        "soil_temperature_degc": (1.0 - share) * grid[above[1]] + share * grid[below[1]],
        "ground_top_temperature_degc": grid[by_depth[0][1]],
        "ground_depth_temperature_degc": coldest,
    }


def known_weather(kept: Kept, hours: int) -> dict[str, Array]:
    """Weather as it was and as it came."""
    truth = kept.truth
    series = {"surface_temperature_degc": truth.surface_degc, "air_temperature_degc": truth.air_degc,
              "dew_point_degc": truth.dew_degc, "rain_mm": truth.rain_mm}  # fmt: skip
    return {name: values[:hours] for name, values in series.items()}


BEYOND_H = 24 * 22  # so far the longest condition looks


def ground_only(kept: Kept, windows: Windows, known: Known) -> Hours:
    """The season as measured, its weather known."""
    whole = kept.truth.hours + BEYOND_H
    blank = np.full(BEYOND_H, np.nan)
    ground = measured(known, kept.truth.start_ms, kept.truth.hours)
    series = {name: np.concatenate([values, blank]) for name, values in ground.items()}
    at_ms = kept.truth.start_ms + HOUR_MS * np.arange(whole, dtype=np.int64)
    bed = Daily(kept.truth.start_ms, windows.soil_by_day)
    return Hours(
        at_ms, {**series, **known_weather(kept, whole)}, int(at_ms[-1]) + HOUR_MS, soil_temperature_by_day=bed
    )  # fmt: skip


def known_plans(kept: Kept, windows: Windows, day: int | None = None) -> Plans:
    """Growth as it was and came. `day` is that on which growth to come is asked for; None: of each hour its own."""
    first_ms = kept.truth.start_ms
    growth = Daily(first_ms, windows.growth)
    frosts = first_ms + round(float(windows.frost_in_days[0 if day is None else 24 * day]) * DAY_MS) + (
        0 if day is None else day * DAY_MS
    )  # fmt: skip
    end_day = int(windows.growth_end_day[0 if day is None else day])
    return Plans(potential=growth, recovery=growth, growth_end_ms=first_ms + end_day * DAY_MS, first_frost_ms=frosts)


def ground_of(kept: Kept) -> SurfaceState:
    """The surface, with no lock on it."""
    facts = kept.facts
    return SurfaceState(
        "ground", facts.kind, facts.grass, clay=facts.clay, newest_reading_ms=2**61, thatch_by_eye=facts.thatch_by_eye
    )


def said(
    intent: Intent, table: TreatmentTable, ground: SurfaceState, hours: Hours, plans: Plans
) -> Mapping[str, Array]:
    """Whether a pass is said to be open, and whether nobody can tell, in each hour. Shape (hour,)"""
    judged = judge_conditions(intent, table, ground, hours, plans)
    stack = np.stack([j.verdicts for j in judged])
    shut = (stack == Verdict.CLOSED).any(axis=0)
    unknown = (stack == Verdict.UNKNOWN).any(axis=0) & ~shut
    return {"open": (stack == Verdict.OPEN).all(axis=0), "unknown": unknown}
