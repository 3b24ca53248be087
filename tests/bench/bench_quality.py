"""The quality table: planted faults found, and false alarms of sound probes, rule by rule.

    python tests/bench/bench_quality.py [--seasons 60] [--first 0]

Each season of six weeks is drawn by its seed (climate, soil, thatch, roots, weather, probes; see `quality_seasons`) and
heard sound, then once with each fault planted for three weeks in one channel of the profile. A fault is found when the
stages flag anything in that channel and span that they did not flag without it. Intervals are the 90 % ones: Wilson's
of shares, the exact one of counts. Prints the tables as they stand on the page.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.units import Flag
from tests.bench.quality_seasons import DAYS, FAULTS, REFUSED, RULES, Season, alarms, bad, season, see, with_fault

EVERY = (REFUSED, *RULES)


@dataclass(frozen=True)
class Found:
    """One fault of one season: whether it was seen, how soon [h], by which rules, and the share of readings flagged."""

    kind: str
    found: bool
    after_h: float
    rules: tuple[str, ...]
    share: float


@dataclass(frozen=True)
class Sound:
    """One sound season: probe-years heard, readings, readings flagged, and alarms by rule and together."""

    probe_years: float
    readings: int
    flagged: int
    alarms: int
    by_rule: dict[str, int]


def sound_season(one: Season) -> tuple[Sound, dict[str, np.ndarray], dict[str, set[int]]]:
    """A season without any fault: what is false, the flags, and what each rule said."""
    seen = see(one)
    heard = {name: flags for name, flags in seen.flags.items() if flags.size}
    flagged = sum(int(bad(flags).sum()) for flags in heard.values())
    false = sum(alarms(seen.times[name][bad(flags)]) for name, flags in heard.items())
    by_rule = {rule: len({place // 100 for place in seen.said[rule]}) for rule in EVERY}
    probes = {name.rsplit("/", 1)[0] for name in heard}
    readings = sum(flags.size for flags in heard.values())
    return Sound(len(probes) * DAYS / 365.25, readings, flagged, false, by_rule), seen.flags, seen.said


def fault_of(one: Season, kind: str, flags: dict[str, np.ndarray], said: dict[str, set[int]]) -> Found:
    """One fault planted in a season, held against the same season sound."""
    faulty, channel = with_fault(one, kind)
    seen = see(faulty)
    times = seen.times[channel]
    inside = (times >= one.begin_ms) & (times < one.end_ms)
    now = bad(seen.flags[channel]) | (seen.flags[channel] == Flag.MISSING)
    new = inside & now & ~bad(flags[channel]) & (flags[channel] != Flag.MISSING)
    rules = tuple(rule for rule in EVERY if seen.said[rule] - said[rule])
    missing = (inside & (seen.flags[channel] == Flag.MISSING)).any()
    rules = ("no reply",) if missing else rules
    after_h = float((times[new][0] - one.begin_ms) / 3_600_000) if new.any() else np.nan
    return Found(kind, bool(new.any()), after_h, rules if new.any() else (), float(new[inside].mean()))


def share(found: int, of: int) -> str:
    """A share with its 90 % interval."""
    low, high = stats.binomtest(found, of).proportion_ci(0.9, method="wilson")
    return f"{found} of {of}: {found / of:.0%} ({low:.0%} to {high:.0%})"


def rate(count: int, years: float) -> str:
    """A count a year with its 90 % interval."""
    low = 0.0 if count == 0 else stats.chi2.ppf(0.05, 2 * count) / 2.0
    high = stats.chi2.ppf(0.95, 2 * count + 2) / 2.0
    return f"{count / years:.2f} ({low / years:.2f} to {high / years:.2f})"


def report(found: list[Found], sound: list[Sound]) -> str:
    """Both tables as text."""
    lines = ["| fault | found | first flag after, median | readings flagged, median | by |", "|---|---|---|---|---|"]
    for kind in FAULTS:
        of = [f for f in found if f.kind == kind]
        seen = [f for f in of if f.found]
        names = sorted({rule for f in seen for rule in f.rules}, key=lambda r: -sum(r in f.rules for f in seen))
        by = ", ".join(f"{name.replace('_', ' ')} {sum(name in f.rules for f in seen)}" for name in names) or "nothing"
        after = f"{np.median([f.after_h for f in seen]):.0f} h" if seen else ""
        told = f"{np.median([f.share for f in of]):.1%}"
        lines.append(f"| {kind.replace('_', ' ')} | {share(len(seen), len(of))} | {after} | {told} | {by} |")
    years = sum(s.probe_years for s in sound)
    readings, flagged = sum(s.readings for s in sound), sum(s.flagged for s in sound)
    lines += ["", f"Sound: {years:.1f} probe-years, {readings} readings, {flagged} flagged ({flagged / readings:.3%})."]
    lines += ["", "| rule | false alarms a probe-year |", "|---|---|"]
    for rule in EVERY:
        lines.append(f"| {rule.replace('_', ' ')} | {rate(sum(s.by_rule[rule] for s in sound), years)} |")
    lines.append(f"| all together | {rate(sum(s.alarms for s in sound), years)} |")
    return "\n".join(lines)


def main() -> None:
    """Run the seasons and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seasons", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    chosen = parser.parse_args()
    began, found, sound = time.monotonic(), [], []
    for seed in range(chosen.first, chosen.first + chosen.seasons):
        one = season(seed)
        quiet, flags, said = sound_season(one)
        sound.append(quiet)
        found += [fault_of(one, kind, flags, said) for kind in FAULTS]
    print(f"seeds {chosen.first} to {chosen.first + chosen.seasons - 1}, {time.monotonic() - began:.0f} s\n")
    print(report(found, sound))


if __name__ == "__main__":
    main()
