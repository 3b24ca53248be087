"""Why the advice of the ground is wrong where it is: which bound said no of open hours, which truly failed of others.

    python tests/bench/bench_why.py [--first 0] [--seeds 3] [--limits learned]

The same seasons and counts as the first table of `bench_advice.py`. Of every hour truly open and not said it prints
what was told not to be open, of every hour said open that truly was not what truly was not, each by side of its bound:
"low" of a value below it, "high" above, "not known". An hour counts for each such bound; in brackets those where it was
the only one. Below, by how much relative wetness as told lies over the true one, where that is 0.1 to 1.2.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.advice.conditions import Verdict
from pipeline.advice.windows import judge_conditions
from tests.bench.advice_ground import SCENARIOS
from tests.bench.advice_kept import default_folder
from tests.bench.advice_run import LIMITS, Run, run_of
from tests.bench.advice_said import ground_of, ground_only, known_plans

MOST = 4  # bounds printed of each
Open = NDArray[np.bool_]


@dataclass
class Whys:
    """Hours by what they are of (kind of pass, or ground), by bound and side; and those with that bound alone."""

    hours: Counter[str] = field(default_factory=Counter)
    any: Counter[tuple[str, str]] = field(default_factory=Counter)
    alone: Counter[tuple[str, str]] = field(default_factory=Counter)

    def count(self, keys: Iterable[str], wrong: Open, failed: dict[str, Open]) -> None:
        """Count hours that are wrong by the bounds that failed in them."""
        number = np.sum([f.astype(int) for f in failed.values()], axis=0)
        for key in keys:
            self.hours[key] += int(wrong.sum())
            for name, hit in failed.items():
                self.any[key, name] += int((wrong & hit).sum())
                self.alone[key, name] += int((wrong & hit & (number == 1)).sum())

    def lines(self) -> Iterable[str]:
        """The rows of a table."""
        for key, hours in sorted(self.hours.items()):
            names = [(n, name) for (k, name), n in self.any.items() if k == key and n]
            told = [f"{name} {n} ({self.alone[key, name]})" for n, name in sorted(names, reverse=True)[:MOST]]
            yield f"| {key} | {hours} | {', '.join(told)} |"


def by_side(name: str, values: NDArray[np.float64], shut: Open, low: float) -> dict[str, Open]:
    """A bound's failing hours by the side the value lies on."""
    unknown = np.isnan(values)
    sides = {"not known": unknown, "low": ~unknown & (values < low), "high": ~unknown & (values >= low)}
    return {f"{name} {side}": shut & where for side, where in sides.items()}


def of_season(run: Run, missed: Whys, wrong: Whys) -> None:
    """Count one season."""
    hours, ground = ground_only(run.kept, run.windows, run.known), ground_of(run.kept)
    whole, where = slice(0, run.hours), run.asked()
    ends = run.windows.growth_end_day.repeat(24)[whole]
    for intent in run.intents():
        rows = run.table.rows_of(intent.kind, intent.variant)
        shut: dict[str, Open] = defaultdict(lambda: np.zeros(run.hours, dtype=np.bool_))
        values: dict[str, NDArray[np.float64]] = defaultdict(lambda: np.full(run.hours, np.nan))
        for end in np.unique(ends):
            here, day = ends == end, int(np.flatnonzero(ends == end)[0]) // 24
            for each in judge_conditions(intent, run.table, ground, hours, known_plans(run.kept, run.windows, day)):
                name = each.condition.name
                shut[name][here] = (each.verdicts[whole] != Verdict.OPEN)[here]
                values[name][here] = each.values[whole][here]
        said = ~np.logical_or.reduce(list(shut.values()))
        truly = run.truly(intent)
        keys = (intent.kind, f"ground: {run.kept.truth.scenario}")
        told, failed = {}, {}
        for name, hit in shut.items():
            told |= by_side(name, values[name], hit, rows[name].bounds.open_lo)
        for name, asked in run.windows.asked(intent.kind, rows).items():
            outside = asked & ~run.windows.within(name, rows[name])
            failed |= by_side(name, run.windows.values(name, rows[name])[whole], outside, rows[name].bounds.open_lo)
        missed.count(keys, where & truly & ~said, told)
        wrong.count(keys, where & said & ~truly, failed)


def wetness_errors(run: Run) -> dict[str, NDArray[np.float64]]:
    """By how much each wetness as told is over the true one, in working hours. [1]"""
    told = ground_only(run.kept, run.windows, run.known).series
    found = {}
    for name in ("thatch_wetness", "root_zone_wetness"):
        true = getattr(run.kept.truth, name)
        error = told[name][: run.hours] - true
        found[name] = error[run.asked() & (true > 0.1) & (true < 1.2) & np.isfinite(error)]
    return found


def main() -> None:
    """Run the seasons and print the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--limits", choices=LIMITS, default=LIMITS[0])
    chosen = parser.parse_args()
    missed, wrong = Whys(), Whys()
    errors: dict[tuple[str, str], list[NDArray[np.float64]]] = defaultdict(list)
    for seed in range(chosen.first, chosen.first + chosen.seeds):
        for name in SCENARIOS:
            with tempfile.TemporaryDirectory() as work:
                run = run_of(name, seed, default_folder(), Path(work), which=chosen.limits)
            of_season(run, missed, wrong)
            for what, error in wetness_errors(run).items():
                errors[name, what].append(error)
    print(f"seeds {chosen.first} to {chosen.first + chosen.seeds - 1}, {chosen.seeds * len(SCENARIOS)} seasons")
    for words, counted in (("truly open and not said, by what was told", missed), ("said and not open", wrong)):
        print(f"\nHours {words}:\n\n| | hours | bounds, with the hours of each (alone) |\n|---|---|---|")
        print("\n".join(counted.lines()))
    print("\n| ground | wetness | hours | told over true, mean | standard deviation |\n|---|---|---|---|---|")
    for (name, what), parts in sorted(errors.items()):
        error = np.concatenate(parts)
        if error.size:
            print(f"| {name} | {what} | {error.size} | {error.mean():+.3f} | {error.std():.3f} |")


if __name__ == "__main__":
    main()
