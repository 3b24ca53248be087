"""A ground with hand readings alone: its advice and its root zone against the truth, beside probes and weather alone.

    python tests/bench/bench_by_hand.py [--first 10] [--seeds 2] [--scenarios NAME ..]

The seasons, the truth and the counting are `bench_advice`'s: what is said of the ground, its weather known. A simulated
person reads five points on Mondays and Thursdays at eight with rods of 120 mm: a meter off by N(0, 0.03) m3/m3 for the
season, points that scatter by 0.03 about the mean of thatch and soil. The readings go as entries of the diary through
the stages, and the balance carries them. He feels the thatch before a pass, has no thermometer, and the limits are the
medium's, as nothing can be learned. "Weather alone" is the same balance begun at 0.8 and never read again; "always
open" is in the last column. The root zone's error is over the working hours asked.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.advice.conditions import Hours as Conditions
from pipeline.advice.station_inputs import HAND_QUANTITIES, boxes_now, hand_readings
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.station import StationContext, is_by_hand
from pipeline.forecast.balance import PastHours
from pipeline.forecast.by_hand import HandWetness, carry
from pipeline.stages.recompute import process
from simulator.scenario import load
from tests.bench.advice_ground import HOUR_MS, SCENARIOS, TOLD_DAYS, limits
from tests.bench.advice_kept import default_folder
from tests.bench.advice_run import WIDENED, Run, run_of
from tests.bench.advice_said import ground_of, ground_only, known_plans, said
from tests.bench.advice_scores import HEADS, Hours, count, row
from tests.pipeline.contexts import changed

Array = NDArray[np.float64]

ROD_MM, POINTS, METER_OFF, SCATTER = 120.0, 5, 0.03, 0.03
READ_AT_H, MONDAY, THURSDAY = 8, 0, 3
BEGIN = HandWetness(0, 0.8, 0.3)


def entries(run: Run, seed: int) -> Iterator[DiaryEntry]:
    """What the person writes down."""
    truth, draw = run.kept.truth, np.random.default_rng([seed, 7])
    turf = next(s for s in load(truth.scenario).stations if s.name == run.kept.station).turf
    share = min(1000.0 * run.known.context.soil_top_m(truth.start_ms + truth.hours * HOUR_MS) / ROD_MM, 1.0)
    held = []
    for material, wetness in ((turf.thatch, truth.thatch_wetness), (turf.soils[0].material, truth.root_zone_wetness)):
        dry, drained = limits(material)
        held.append(dry + wetness * (drained - dry))
    theta = share * held[0] + (1.0 - share) * held[1]
    off = draw.normal(0.0, METER_OFF)
    surface = run.config.surfaces[0].name
    for hour in range(truth.hours):
        at_ms = int(truth.at_ms[hour])
        day, of_day = divmod(at_ms // HOUR_MS, 24)
        if of_day == READ_AT_H and (day + 3) % 7 in (MONDAY, THURSDAY):
            points = 100.0 * np.clip(theta[hour] + off + draw.normal(0.0, SCATTER, POINTS), 0.01, 0.95)
            body = {"moisture_percent": round(float(points.mean()), 1), "rod_mm": ROD_MM, "points": POINTS,
                    "spread_percent": round(float(points.std(ddof=1)), 1)}  # fmt: skip
            yield DiaryEntry("moisture", surface, at_ms, body, run.kept.station, written_at_ms=at_ms)


def root_zone(run: Run, seed: int, *, by_hand: bool) -> Array:
    """Wetness of the root zone by hour as it is carried from readings, or from the beginning by weather alone. [1]"""
    truth = run.kept.truth
    written = tuple(entries(run, seed)) if by_hand else ()
    context = StationContext.from_config(run.config, run.kept.station, written)
    context = changed(context, channels={i: c for i, c in context.channels.items() if is_by_hand(i)})
    blank = np.full(truth.hours, np.nan)
    water, demand = (truth.rain_mm + truth.watering_mm)[: truth.hours], truth.reference_et_mm[: truth.hours]
    past = PastHours(truth.start_ms, blank, blank, water, demand)
    boxes = boxes_now(context, past, truth.start_ms)
    readings = [BEGIN._replace(at_ms=truth.start_ms)]
    if by_hand:
        table = process({}, context).findings
        readings = hand_readings(table[table["quantity"].isin(HAND_QUANTITIES)], boxes.root_capacity_mm)
    # whatever the age of the last reading: each hour rests on readings before it alone
    return carry(past, readings, boxes, for_days=TOLD_DAYS + 1).past.root_wetness


def hours_by(run: Run, wetness: Array) -> Conditions:
    """The season as a person without probes knows it: no thatch, the soil as warm as the last week's air."""
    hours = ground_only(run.kept, run.windows, run.known)
    blank = np.full(hours.at_ms.shape, np.nan)
    root, soil = blank.copy(), blank.copy()
    root[: wetness.size] = wetness
    total = np.concatenate([[0.0], np.cumsum(run.kept.truth.air_degc)])
    week = np.arange(168, wetness.size)
    soil[week] = (total[week] - total[week - 168]) / 168.0
    ground = {"thatch_wetness": blank, "root_zone_wetness": root, "soil_temperature_degc": soil,
              "ground_top_temperature_degc": blank, "ground_depth_temperature_degc": blank}  # fmt: skip
    return replace(hours, series={**hours.series, **ground})


def told(run: Run, hours: Conditions, *, by_eye: bool) -> Hours:
    """Hours of all passes said open, against the truth."""
    ground, found, whole = ground_of(run.kept), Hours(), slice(0, run.hours)
    ground = replace(ground, thatch_by_eye=by_eye or ground.thatch_by_eye)
    ends = run.windows.growth_end_day.repeat(24)[whole]
    for intent in run.intents():
        is_open, unknown = np.zeros(run.hours, dtype=np.bool_), np.zeros(run.hours, dtype=np.bool_)
        for end in np.unique(ends):
            plans = known_plans(run.kept, run.windows, int(np.flatnonzero(ends == end)[0]) // 24)
            one, here = said(intent, run.table, ground, hours, plans), ends == end
            is_open[here], unknown[here] = one["open"][whole][here], one["unknown"][whole][here]
        raw, wide = run.truly(intent), run.truly(intent, widened=WIDENED)
        found += count(is_open, unknown, raw, wide, run.in_season(intent), run.asked())
    return found


def main() -> None:
    """Run the seasons and print both tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--first", type=int, default=10)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--scenarios", nargs="+", choices=SCENARIOS, default=SCENARIOS)
    chosen = parser.parse_args()
    counted: dict[str, Hours] = defaultdict(Hours)
    misses: dict[str, list[Array]] = defaultdict(list)
    for seed in range(chosen.first, chosen.first + chosen.seeds):
        for name in chosen.scenarios:
            with tempfile.TemporaryDirectory() as work:
                run = run_of(name, seed, default_folder(), Path(work))
                probes = ground_only(run.kept, run.windows, run.known)
                ways = {"probes": (probes, False)}
                bare = run_of(name, seed, default_folder(), Path(work) / "bare", which="medium")
                for way, by_hand in (("by hand, twice a week", True), ("weather alone", False)):
                    ways[way] = hours_by(run, root_zone(bare, seed, by_hand=by_hand)), True
                for way, (hours, by_eye) in ways.items():
                    counted[way] += told(run, hours, by_eye=by_eye)
                    miss = hours.of("root_zone_wetness")[: run.hours] - run.kept.truth.root_zone_wetness
                    misses[way].append(miss[run.asked()])
            print(f"{name}, seed {seed}", file=sys.stderr, flush=True)
    print(
        f"{chosen.seeds * len(chosen.scenarios)} seasons: {', '.join(chosen.scenarios)}\n\n| | "
        + " | ".join(HEADS)
        + " |"
    )
    print("|---" * (len(HEADS) + 1) + "|")
    for way, found in counted.items():
        print(row(way, found))
    print("\n| wetness of the root zone | hours known | RMS error | half within | nine in ten within |")
    print("|---|---|---|---|---|")
    for way, each in misses.items():
        every = np.concatenate(each)
        size = np.abs(every[np.isfinite(every)])
        middle, most = np.quantile(size, [0.5, 0.9])
        print(f"| {way} | {size.size} of {every.size} | {np.sqrt(np.mean(size**2)):.3f} | {middle:.3f} | {most:.3f} |")


if __name__ == "__main__":
    main()
