"""Thatch that no probe reads: how often "likely holds water: feel it" is right, without and with somebody who feels it.

    python tests/bench/bench_unread_thatch.py [--first 420] [--seeds 3]

Seasons of the simulator's eight scenarios whose thatch probe is taken away: the root zone, the weather and a core are
all that is known. Each morning at nine from the fourth week on the advice is asked. Told is right where the thatch is
truly wetter than the bound that the caution is about. Printed beside how often it is so on all mornings on which it may
be told (no rain for a day, roots dry or drying), and how many of the wet mornings were told. Then once more with a
keeper who feels the thatch whenever he is told to and writes down what he found. Seeds 410 and 411 were looked at while
it was made. Exits 1 when less than half of what is told is right.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the service sets it

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.advice import cautions
from pipeline.diary.entry import DiaryEntry
from tests.bench.advice_ahead import Asked
from tests.bench.advice_ground import DAY_MS, HOUR_MS, SCENARIOS
from tests.bench.advice_kept import Kept, default_folder, kept
from tests.bench.advice_run import Run, run_of_kept
from tests.bench.table import measured

MORNING_H, FIRST_DAY = 9, 24
MOIST, WET = 0.4, 0.9  # of drained: what a hand finds


@dataclass(frozen=True)
class Told:
    """One morning on which the caution may be told: its chance, whether it was told, and whether it was so."""

    season: str
    chance: float
    told: bool
    wet: bool


def without_thatch_probe(found: Kept) -> Kept:
    """The same season without the probe in the thatch."""
    gone = [p["name"] for p in found.ready["probes"] if p["model"] == "thatch"]
    found.ready["probes"] = [p for p in found.ready["probes"] if p["name"] not in gone]
    about = tuple(f"{found.station}/{name}/" for name in gone)
    return replace(found, raw=found.raw[~found.raw["channel"].str.startswith(about)].reset_index(drop=True))


def mornings(run: Run, name: str, work: Path, *, feels: bool) -> list[Told]:
    """Every morning of a season on which the caution may be told."""
    work.mkdir()
    truth, asked, found = run.kept.truth, Asked(run, work, fit_days=7), list[Told]()
    surface, chances = next(iter(run.config.surfaces)).name, list[float]()
    plain = cautions.with_felt

    def noted(chance: float, *more: object) -> float:
        chances.append(plain(chance, *more))  # type: ignore[arg-type]
        return chances[-1]

    cautions.with_felt = noted  # type: ignore[assignment]
    for day in range(FIRST_DAY, truth.hours // 24):
        now_ms = truth.start_ms // DAY_MS * DAY_MS + day * DAY_MS + MORNING_H * HOUR_MS
        hour = (now_ms - truth.start_ms) // HOUR_MS
        if hour >= truth.hours:
            break
        chances.clear()
        told = [c for c in asked.at(now_ms).surfaces[0].cautions if c.what == "thatch_may_hold"]
        wetness = float(truth.thatch_wetness[hour])
        if chances:
            found.append(Told(name, chances[-1], bool(told), wetness > WET))
        if told and feels:
            value = 2.0 if wetness > WET else 1.0 if wetness > MOIST else 0.0
            body = {"what": "thatch", "value": value}
            asked.diary.add(DiaryEntry("sight", surface, now_ms + HOUR_MS, body, run.kept.station, author="keeper"))
    cautions.with_felt = plain
    asked.close()
    return found


def main() -> int:
    """0 when at least half of what is told is right."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--first", type=int, default=420)
    parser.add_argument("--seeds", type=int, default=3)
    chosen = parser.parse_args()
    found: dict[bool, list[Told]] = {False: [], True: []}
    seasons = 0
    for seed in range(chosen.first, chosen.first + chosen.seeds):
        for name in SCENARIOS:
            with tempfile.TemporaryDirectory() as folder:
                run = run_of_kept(without_thatch_probe(kept(name, seed, default_folder())), Path(folder))
                for feels in found:
                    found[feels] += mornings(run, f"{name}-{seed}", Path(folder) / str(feels), feels=feels)
            seasons += 1
            own = [t for t in found[False] if t.season == f"{name}-{seed}"]
            print(f"{name} seed {seed}: {len(own)} mornings, wet {sum(t.wet for t in own)}, told "
                  f"{sum(t.told for t in own)}, right {sum(t.told and t.wet for t in own)}",
                  file=sys.stderr, flush=True)  # fmt: skip
    print(f"seeds {chosen.first} to {chosen.first + chosen.seeds - 1}, {seasons} seasons")
    right = {}
    for feels, each in found.items():
        told, wet = [t for t in each if t.told], [t for t in each if t.wet]
        right[feels] = float(np.mean([t.wet for t in told])) if told else float("nan")
        caught = float(np.mean([t.told for t in wet])) if wet else float("nan")
        brier = float(np.mean([(t.chance - t.wet) ** 2 for t in each]))
        usual = float(np.mean([t.wet for t in each]))
        how = "felt and written down" if feels else "by the balance alone"
        print(
            f"{how}: {len(each)} mornings, wet {usual:.2f}; told "
            f"{len(told)} on {len({t.season for t in told})} seasons, right {right[feels]:.2f}; of the wet told "
            f"{caught:.2f}; Brier {brier:.3f}, of the constant {usual * (1 - usual):.3f}"
        )
    kept_it = measured(
        "unread thatch: told and right", f"{right[False]:.2f}", 0.5 / max(right[False], 1e-9), 1.0, of="0.5"
    )
    return int(not kept_it)


if __name__ == "__main__":
    sys.exit(main())
