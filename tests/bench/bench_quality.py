"""The quality table: planted faults found, and false alarms of sound probes, rule by rule.

    python tests/bench/bench_quality.py [--seasons 60] [--first 0] [--sites 20] [--first-site 100] [--processes 2]

Each season of six weeks is drawn by its seed (climate, soil, thatch, roots, weather, probes; see `quality_seasons`) and
heard sound, then once with each fault planted for three weeks in one channel of the profile. A fault is found when the
stages flag anything in that channel and span that they did not flag without it, or say of the whole channel what they
did not say without it. Swapped depths without temperature are told as a suspicion: how many seasons have changes more
out of order than any, or all but one, of the sound ones. Drift is planted in one channel of each of the three stations
of a site over two years, after half a year of history, and looked for each fourth Monday (see `drift_records`).
Intervals are the 90 % ones: Wilson's of shares, the exact one of counts. Prints the tables as they stand on the page.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.units import Flag
from tests.bench.drift_records import DRIFTS_A_YEAR, WAYS, DriftCourse, courses_of
from tests.bench.quality_seasons import (
    DAYS,
    FAULTS,
    REFUSED,
    RULES,
    SUSPICIONS,
    WHOLE,
    Season,
    Seen,
    alarms,
    bad,
    season,
    see,
    with_fault,
)

EVERY = (REFUSED, *RULES, *WHOLE)


@dataclass(frozen=True)
class Found:
    """One fault of one season: whether it was seen, how soon [h], by which rules, and the share of readings flagged."""

    kind: str
    found: bool
    after_h: float
    rules: tuple[str, ...]
    share: float
    change_order: float


@dataclass(frozen=True)
class Sound:
    """One sound season: probe-years heard, readings, readings flagged, and alarms by rule and together."""

    probe_years: float
    readings: int
    flagged: int
    alarms: int
    by_rule: dict[str, int]
    change_order: float


def sound_season(one: Season) -> tuple[Sound, Seen]:
    """A season without any fault: what is false, and what the stages made of it."""
    seen = see(one)
    heard = {name: flags for name, flags in seen.flags.items() if flags.size}
    flagged = sum(int(bad(flags).sum()) for flags in heard.values())
    false = sum(alarms(seen.times[name][bad(flags)]) for name, flags in heard.items())
    by_rule = {rule: len({place // 100 for place in seen.said[rule]}) for rule in (REFUSED, *RULES)}
    by_rule |= {kind: len({channel for channel, said, _ in seen.whole if said == kind}) for kind in WHOLE}
    false += sum(count for kind, count in by_rule.items() if kind in WHOLE and kind not in SUSPICIONS)
    probes = {name.rsplit("/", 1)[0] for name in heard}
    readings = sum(flags.size for flags in heard.values())
    return Sound(len(probes) * DAYS / 365.25, readings, flagged, false, by_rule, seen.change_order), seen


def fault_of(one: Season, kind: str, sound: Seen) -> Found:
    """One fault planted in a season, held against the same season sound."""
    faulty, channel = with_fault(one, kind)
    seen = see(faulty)
    times = seen.times[channel]
    inside = (times >= one.begin_ms) & (times < one.end_ms)
    now = bad(seen.flags[channel]) | (seen.flags[channel] == Flag.MISSING)
    new = inside & now & ~bad(sound.flags[channel]) & (sound.flags[channel] != Flag.MISSING)
    whole = {(said, start_ms) for at, said, start_ms in seen.whole - sound.whole if at == channel}
    of_whole = tuple(kind for kind in WHOLE if any(said == kind for said, _ in whole))
    rules = tuple(rule for rule in (REFUSED, *RULES) if seen.said[rule] - sound.said[rule])
    missing = (inside & (seen.flags[channel] == Flag.MISSING)).any()
    rules = ("no reply",) if missing else rules
    after_h = float((times[new][0] - one.begin_ms) / 3_600_000) if new.any() else np.nan
    found = (*(rules if new.any() else ()), *of_whole)
    alarm = bool(new.any()) or any(kind not in SUSPICIONS for kind in of_whole)
    return Found(kind, alarm, after_h, found, float(new[inside].mean()), seen.change_order)


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
        hours = [f.after_h for f in seen if np.isfinite(f.after_h)]
        after = f"{np.median(hours):.0f} h" if hours else ""
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


def suspicion(found: list[Found], sound: list[Sound]) -> str:
    """How many swapped seasons have changes more out of order than the sound ones: points of the ROC."""
    without = np.sort([s.change_order for s in sound])[::-1]
    swapped = np.array([f.change_order for f in found if f.kind == "swapped_depths"])
    points = [
        f"{(swapped > without[false]).sum()} at {false} false" for false in (0, 1, 2, 3, 6) if false < without.size
    ]
    area = float(np.mean(np.sign(swapped[:, np.newaxis] - without[np.newaxis, :])) * 0.5 + 0.5)
    return f"Swapped without temperature, of {swapped.size}: {', '.join(points)}; area under the curve {area:.2f}."


def drift_table(courses: list[DriftCourse]) -> str:
    """Drift found within a year of its beginning, and false alarms of the same channels sound."""
    years = sum(one.years for one in courses if one.per_year == 0.0) / len(WAYS)
    lines = ["| drift a year | " + " | ".join(WAYS) + " |", "|---" * (len(WAYS) + 1) + "|"]
    for per_year in DRIFTS_A_YEAR:
        cells = []
        for way in WAYS:
            of = [one for one in courses if one.per_year == per_year and one.way == way]
            cells.append(share(sum(one.within_a_year for one in of), len(of)))
        lines.append(f"| {per_year:g} | " + " | ".join(cells) + " |")
    false = [sum(one.told for one in courses if one.per_year == 0.0 and one.way == way) for way in WAYS]
    lines.append("| none: false alarms | " + " | ".join(f"{n} in {years:.0f} channel-years" for n in false) + " |")
    return "\n".join(lines)


def season_found(seed: int) -> tuple[Sound, list[Found]]:
    """A season sound, and once with each fault."""
    one = season(seed)
    quiet, seen = sound_season(one)
    return quiet, [fault_of(one, kind, seen) for kind in FAULTS]


def main() -> None:
    """Run the seasons and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seasons", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--sites", type=int, default=20)
    parser.add_argument("--first-site", type=int, default=100)
    parser.add_argument("--processes", type=int, default=2)
    chosen = parser.parse_args()
    began = time.monotonic()
    seeds = range(chosen.first, chosen.first + chosen.seasons)
    sites = range(chosen.first_site, chosen.first_site + chosen.sites)
    with multiprocessing.Pool(chosen.processes) as pool:
        seasons = pool.map(season_found, seeds, chunksize=1)
        if seasons:
            found, sound = [one for _, many in seasons for one in many], [quiet for quiet, _ in seasons]
            print(f"seeds {seeds.start} to {seeds.stop - 1}, {time.monotonic() - began:.0f} s\n")
            print(report(found, sound) + "\n\n" + suspicion(found, sound), flush=True)
        courses = [course for many in pool.imap(courses_of, sites) for course in many]
    if courses:
        print(f"\nsites {sites.start} to {sites.stop - 1}, {time.monotonic() - began:.0f} s\n\n{drift_table(courses)}")


if __name__ == "__main__":
    main()
