"""The twin test: seasons of simulated ground, heard by ordinary probes, and how well the roots in them are found.

    python tests/bench/bench_twin.py [--seasons 200] [--fortnights 2] [--first 400] [--processes 2]
        [--variant-seasons 60]

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

from tests.bench.twin_seasons import (
    AS_DRAWN,
    CONDITIONS,
    VARIANTS,
    Case,
    Score,
    Season,
    Variant,
    fortnights_of,
    played,
    score,
    season_of,
)
from tests.bench.twin_water import Water, skill_rows, water_of, water_rows

HEAD = (
    "| fortnights | asked | refused | at least | D90 median / 90th percentile, mm | D95, mm | D90 bias, mm |"
    " interval holds D90 / D95 | best constant guess, median mm |\n|---|---|---|---|---|---|---|---|---|"
)


def one(seed: int, fortnights: int) -> tuple[list[Case], list[Water], Season]:
    """All fortnights of one season, the figures of its water, and what its rains met."""
    heard = played(seed, fortnights)
    waters = water_of(seed, heard.history, heard.record, heard.context, heard.first_ms)
    return list(fortnights_of(heard, fortnights)), list(waters), season_of(heard)


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
    for name, default in (
        ("seasons", 200),
        ("fortnights", 2),
        ("first", 400),
        ("processes", 2),
        ("variant-seasons", 60),
    ):
        parser.add_argument(f"--{name}", type=int, default=default)
    chosen = parser.parse_args()
    began = time.monotonic()
    seeds = range(chosen.first, chosen.first + chosen.seasons)
    with multiprocessing.Pool(chosen.processes) as pool:
        every: list[Case] = []
        waters: list[Water] = []
        seasons: list[Season] = []
        for number, (cases, figures, season) in enumerate(
            pool.imap(partial(one, fortnights=chosen.fortnights), seeds), start=1
        ):
            every += cases
            waters += figures
            seasons.append(season)
            if number % 20 == 0:
                print(f"{number} seasons", row("so far", every), file=sys.stderr, flush=True)
    print(f"seeds {seeds.start} to {seeds.stop - 1}, {len(every)} fortnights, {time.monotonic() - began:.0f} s")
    print(condition_words(seasons))
    report(every)
    print("\n" + "\n".join([*water_rows(waters), "", *skill_rows(waters)]))
    if chosen.variant_seasons > 0:
        report_variants(range(chosen.first, chosen.first + chosen.variant_seasons), chosen.fortnights, chosen.processes)


def condition_words(seasons: list[Season]) -> str:
    """How many seasons have each condition of thatch, and what rain met where it may repel."""
    shares = [f"{name} {sum(s.condition == name for s in seasons) / len(seasons):.0%}" for name in CONDITIONS]
    rains, met, dry = (
        sum(getattr(s, word) for s in seasons if s.condition == "repellent")
        for word in ("rains", "repelled", "stayed_dry")
    )
    return (
        f"thatch of the {len(seasons)} seasons: {', '.join(shares)}; of {rains} rains of 5 mm and more on repellent"
        f" thatch {met} found it more than half repellent and {dry} left it so"
    )


def fortnights_as(seed: int, fortnights: int, variant: Variant) -> list[Case]:
    """All fortnights of one season of a variant."""
    return list(fortnights_of(played(seed, fortnights, variant), fortnights))


def report_variants(seeds: range, fortnights: int, processes: int) -> None:
    """Print a row for each variant of ground or hearing, all over the same seeds."""
    print(f"\nseeds {seeds.start} to {seeds.stop - 1}, each changed in one thing:\n\n{HEAD}")
    with multiprocessing.Pool(processes) as pool:
        for variant in (AS_DRAWN, *VARIANTS):
            of = partial(fortnights_as, fortnights=fortnights, variant=variant)
            cases = [case for many in pool.imap(of, seeds) for case in many]
            print(row(variant.name, [c for c in cases if "dry days needed" not in c.reason]), flush=True)


def at_least_words(eligible: list[Case]) -> str:
    """How often "at least" was said and right, of all that was told."""
    told = [c for c in eligible if not c.reason]
    said = [c for c in told if c.at_least]
    there = [c for c in told if c.drank_there]
    if not (said and there):
        return f"said {len(said)} times, true {len(there)} times"
    right, beside = (sum(getattr(c, word) for c in said) for word in ("drank_there", "drank_beside"))
    held_back = sum(not c.at_least for c in there)
    return (
        f"{len(said)}, of which in {right / len(said):.0%} roots drank in the layer of the deepest probe or below it,"
        f" in {beside / len(said):.0%} within its own sensing height or below; not said in"
        f" {held_back / len(there):.0%} of the {len(there)} where the first is true"
    )


def bound_words(eligible: list[Case]) -> list[str]:
    """What the sums would tell of the same fortnights if they were given the true uptake: no probe can better that."""
    told = [c for c in eligible if not c.reason]
    sure = [c for c in told if not c.at_least]
    lines = []
    for word, given in (("by_layers90_m", "of every layer"), ("at_probes90_m", "at the probes' heights alone")):
        error = np.array([abs(getattr(c, word) - c.truth90_m) for c in sure]) * 1000.0
        if error.size:
            median, ninth = np.quantile(error, [0.5, 0.9])
            lines.append(f"D90 by the true uptake {given}: {median:.0f} / {ninth:.0f} mm")
    said, there = ([c for c in told if getattr(c, word)] for word in ("at_probes_there", "drank_there"))
    if said and there:
        right = sum(c.drank_there for c in said) / len(said)
        held_back = sum(not c.at_probes_there for c in there) / len(there)
        lines.append(
            f'"at least" by the true uptake at the probes\' heights: {len(said)}, right in {right:.0%}, not said in'
            f" {held_back:.0%} of {len(there)}"
        )
    return lines


def report(every: list[Case]) -> None:
    """Print the tables."""
    eligible = [c for c in every if "dry days needed" not in c.reason]
    print(f"{len(every) - len(eligible)} of them with fewer than three dry days of 2 mm demand; the rest:\n")
    print(HEAD)
    print(row("all", eligible))
    for word, title in (("shape", "shape"), ("soil", "soil"), ("climate", "climate"), ("condition", "thatch")):
        for kind in sorted({getattr(c, word) for c in eligible}):
            print(row(f"{title}: {kind}", [c for c in eligible if getattr(c, word) == kind]))
    shallow = [c for c in eligible if c.truth90_m <= 0.140]
    print(row("D90 to 140 mm", shallow))
    print(row("D90 below 140 mm", [c for c in eligible if c.truth90_m > 0.140]))
    reasons = collections.Counter(c.reason.split(":")[0] for c in eligible if c.reason)
    print("\nrefused: " + "; ".join(f"{n} {reason}" for reason, n in reasons.most_common()))
    print(f"at least: {at_least_words(eligible)}")
    print("\n".join(bound_words(eligible)))


if __name__ == "__main__":
    main()
