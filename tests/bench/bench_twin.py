"""The twin test: seasons of simulated ground, heard by ordinary probes, and how well the roots in them are found.

    python tests/bench/bench_twin.py [--seasons 200] [--fortnights 2] [--first 0] [--processes 2]

Each season is drawn by its seed (climate, soil, thatch, shape and reach of the roots, weather, probes; see
`twin_seasons`). Prints the table that is to be read as it is: errors of D90 and D95 below the leaf base, share refused
with the reasons, coverage of the stated 90 % intervals, and the error of the best constant guess. Fortnights with fewer
than three dry days are no question the method can be asked; they are counted apart from those it refuses. Then, of the
same seasons, the share of each rain that passed the thatch, how long the thatch stayed wet, and the water in it and
below it (see `twin_water`).
"""

from __future__ import annotations

import argparse
import collections
import multiprocessing
import sys
import time
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.twin_seasons import Case, Score, fortnights_of, played, score
from tests.bench.twin_water import Water, water_of, water_rows


def one(seed: int, fortnights: int) -> tuple[list[Case], list[Water]]:
    """All fortnights of one season, and the figures of its water."""
    heard = played(seed, fortnights)
    waters = water_of(seed, heard.history, heard.record, heard.context, heard.first_ms)
    return list(fortnights_of(heard, fortnights)), list(waters)


def row(name: str, cases: list[Case]) -> str:
    """One line of the table."""
    found: Score = score(cases)
    return (
        f"| {name} | {found.asked} | {found.refused / max(found.asked, 1):.0%} | {found.at_least} | "
        f"{found.median90_mm:.0f} / {found.ninth90_mm:.0f} | {found.median95_mm:.0f} / {found.ninth95_mm:.0f} | "
        f"{found.bias90_mm:+.0f} | {found.covered90:.0%} / {found.covered95:.0%} | {found.constant90_mm:.0f} |"
    )


def main() -> None:
    """Run the seasons and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    for name, default in (("seasons", 200), ("fortnights", 2), ("first", 0), ("processes", 2)):
        parser.add_argument(f"--{name}", type=int, default=default)
    chosen = parser.parse_args()
    began = time.monotonic()
    seeds = range(chosen.first, chosen.first + chosen.seasons)
    with multiprocessing.Pool(chosen.processes) as pool:
        every: list[Case] = []
        waters: list[Water] = []
        for number, (cases, figures) in enumerate(
            pool.imap(partial(one, fortnights=chosen.fortnights), seeds), start=1
        ):
            every += cases
            waters += figures
            if number % 20 == 0:
                print(f"{number} seasons", row("so far", every), file=sys.stderr, flush=True)
    print(f"seeds {seeds.start} to {seeds.stop - 1}, {len(every)} fortnights, {time.monotonic() - began:.0f} s")
    report(every)
    print("\n" + "\n".join(water_rows(waters)))


def report(every: list[Case]) -> None:
    """Print the tables."""
    eligible = [c for c in every if "dry days of 3" not in c.reason]
    print(f"{len(every) - len(eligible)} of them with fewer than three dry days of 2 mm demand; the rest:\n")
    print("| fortnights | asked | refused | at least | D90 median / 90th percentile, mm | D95, mm | D90 bias, mm |"
          " interval holds D90 / D95 | best constant guess, median mm |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|---|")
    print(row("all", eligible))
    for word in ("shape", "soil", "climate"):
        for kind in sorted({getattr(c, word) for c in eligible}):
            print(row(f"{word}: {kind}", [c for c in eligible if getattr(c, word) == kind]))
    shallow = [c for c in eligible if c.truth90_m <= 0.140]
    print(row("D90 to 140 mm", shallow))
    print(row("D90 below 140 mm", [c for c in eligible if c.truth90_m > 0.140]))
    reasons = collections.Counter(c.reason.split(":")[0] for c in eligible if c.reason)
    print("\nrefused: " + "; ".join(f"{n} {reason}" for reason, n in reasons.most_common()))
    deep = [c for c in eligible if c.at_least]
    true = np.mean([c.truth90_m >= 0.160 - 0.010 for c in deep]) if deep else np.nan
    print(f"at least 160 mm: {len(deep)}, true to 10 mm of {true:.0%}")


if __name__ == "__main__":
    main()
