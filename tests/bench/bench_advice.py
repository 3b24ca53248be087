"""Advice held against the truth: on the simulator's eight scenarios, was a pass open when it was said to be?

    python tests/bench/bench_advice.py [--first 10] [--seeds 50] [--alerts 50] [--ahead 10] [--daily 2]
        [--limits learned] [--minutes 0]

Each season (scenario and seed) is seven weeks of simulated ground heard by its scenario's probes, with their failings
and planted faults, and taken through the server's own stages. The truth's window is worked out from the bounds of the
treatment table and the simulator's physical truth; locks, diary and what eyes see are left out. "Precision" is the
share of hours said open that truly were, by bounds widened by 0.05 of relative wetness; "recall" the share of truly
open hours (raw bounds) that were said; raw and widened figures stand beside. Working hours, 7 to 19, after a week.

Prints: what is said of the ground, its weather known, by pass and scenario; the same with limits measured on this
ground, and with the medium's alone; the whole advice now and 1, 3 and 5 days ahead, without a forecast and with one
that errs (see `advice_ahead`), on `--ahead` seeds; alerts, on `--alerts` seeds; first notices on `--daily` seeds; last
good dates. Choices were made looking at seeds 0 to 9; the table is of 10 and up. Ground is kept in a temporary folder,
so a broken run goes on; after `--minutes` no further seed is begun.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.notify.policy import INTERRUPTING
from tests.bench.advice_ahead import (
    LEADS_D,
    MOMENTS_D,
    Asked,
    Chance,
    LastGood,
    Notice,
    last_good_errors,
    leads,
    notices,
)
from tests.bench.advice_alerts import Delay, Told, delays, judged, told
from tests.bench.advice_ground import DAY_MS, HOUR_MS, SCENARIOS, TOLD_DAYS
from tests.bench.advice_kept import default_folder
from tests.bench.advice_run import LIMITS, Run, ground_hours, run_of
from tests.bench.advice_scores import HEADS, Hours, row
from tests.bench.advice_scores import told as share_told

CONTROL_SEEDS = 10
DAILY_D = range(10, 44)


@dataclass
class Found:
    """Everything that is counted."""

    ground: dict[str, Hours] = field(default_factory=lambda: defaultdict(Hours))
    control: dict[str, Hours] = field(default_factory=lambda: defaultdict(Hours))
    ahead: dict[tuple[bool, int], Hours] = field(default_factory=lambda: defaultdict(Hours))
    ahead_of: dict[str, Hours] = field(default_factory=lambda: defaultdict(Hours))
    chances: dict[bool, list[Chance]] = field(default_factory=lambda: defaultdict(list))
    alerts: list[Told] = field(default_factory=list)
    delays: list[Delay] = field(default_factory=list)
    weeks: float = 0.0
    probe_years: float = 0.0
    notices: list[Notice] = field(default_factory=list)
    planned: list[Told] = field(default_factory=list)
    planned_weeks: float = 0.0
    last_good: list[LastGood] = field(default_factory=list)


def one(found: Found, name: str, seed: int, chosen: argparse.Namespace, folder: Path | None) -> None:
    """Count one season."""
    number = seed - chosen.first
    with tempfile.TemporaryDirectory() as work:
        run = run_of(name, seed, folder, Path(work), which=chosen.limits)
        for kind, hours in ground_hours(run):
            for key in ("all", kind, f"scenario: {name}"):
                found.ground[key] += hours
        if number < CONTROL_SEEDS and chosen.limits == "learned":
            for which in LIMITS:
                other = run if which == "learned" else run_of(name, seed, folder, Path(work) / which, which=which)
                for _, hours in ground_hours(other):
                    found.control[which] += hours
        if number < chosen.alerts:
            _alerts(found, run, Path(work))
        if number < chosen.ahead:
            _ahead(found, run, Path(work), seed)
        if number < chosen.daily:
            _daily(found, run, Path(work))


def _alerts(found: Found, run: Run, work: Path) -> None:
    asked = Asked(run, _folder(work, "alerts"))
    events = judged(asked)
    found.alerts += told(run, events)
    found.delays += delays(run, events)
    found.weeks += TOLD_DAYS / 7.0
    probes = {i.split("/")[1] for i in run.known.context.channels if run.known.context.owns(i)}
    found.probe_years += len(probes) * TOLD_DAYS / 365.25
    asked.close()


def _ahead(found: Found, run: Run, work: Path, seed: int) -> None:
    for with_forecast in (False, True):
        asked = Asked(run, _folder(work, f"ahead-{with_forecast}"))
        counted, chances = leads(asked, with_forecast=with_forecast, seed=seed)
        found.chances[with_forecast] += chances
        for (kind, lead), hours in counted.items():
            found.ahead[with_forecast, lead] += hours
            if with_forecast and lead == 0:
                found.ahead_of[kind] += hours
        if not with_forecast:
            now_ms = run.kept.truth.start_ms + (MOMENTS_D[-1] + 1) * DAY_MS + 6 * HOUR_MS
            found.last_good += last_good_errors(run, asked.at(now_ms), now_ms)
        asked.close()


def _daily(found: Found, run: Run, work: Path) -> None:
    asked = Asked(run, _folder(work, "daily"))
    found.notices += notices(asked, DAILY_D)
    asked.close()
    asked = Asked(run, _folder(work, "planned"))
    found.planned += told(run, judged(asked, DAILY_D))
    found.planned_weeks += len(DAILY_D) / 7.0
    asked.close()


def _folder(work: Path, name: str) -> Path:
    (work / name).mkdir(parents=True, exist_ok=True)
    return work / name


def report(found: Found) -> Iterable[str]:
    """The tables."""
    head = ["| | " + " | ".join(HEADS) + " |", "|---" * (len(HEADS) + 1) + "|"]
    yield "\nWhat is said of the ground, its weather known:\n"
    yield from head
    yield from (row(name, hours) for name, hours in found.ground.items())
    yield from _grounds(found)
    if found.control:
        yield f"\nThe same with limits of wetness learned, measured here, or the medium's ({CONTROL_SEEDS} seeds):\n"
        yield from head
        yield from (row(name, hours) for name, hours in found.control.items())
    if found.ahead:
        yield "\nThe whole advice, open now and due then:\n"
        yield from head
        for with_forecast in (False, True):
            words = "a forecast that errs" if with_forecast else "no forecast"
            for lead in LEADS_D:
                name = f"{words}, {'now' if lead == 0 else f'{lead} d'}"
                yield row(name, found.ahead[with_forecast, lead])
        yield from (row(f"a forecast that errs, now: {kind}", hours) for kind, hours in found.ahead_of.items())
        yield from _chance_lines(found)
    yield from _alert_lines(found)
    yield from _date_lines(found)


def _grounds(found: Found) -> Iterable[str]:
    """Means over the scenarios, each counting as one."""
    each = [h for name, h in found.ground.items() if name.startswith("scenario: ")]
    said, true = [h for h in each if h.said], [h for h in each if h.raw]
    yield (
        f"\nmean of the grounds, each counting as one: precision {np.mean([h.said_wide / h.said for h in said]):.2f} "
        f"(raw {np.mean([h.said_raw / h.said for h in said]):.2f}), "
        f"recall {np.mean([h.said_raw / h.raw for h in true]):.2f}"
    )


def _chance_lines(found: Found) -> Iterable[str]:
    for with_forecast, chances in found.chances.items():
        words = "a forecast that errs" if with_forecast else "no forecast"
        yield f"\nChances of every pass in working hours ahead, open or not, {words}:\n"
        yield "| lead | hours | came | Brier | of the constant | reliability | came, widened | Brier, widened |"
        yield "|---" * 8 + "|"
        for lead in LEADS_D[1:]:
            here = [c for c in chances if c.lead_d == lead]
            told, raw, wide = (np.array([getattr(c, n) for c in here], dtype=float) for n in ("chance", "raw", "wide"))
            yield (
                f"| {lead} d | {told.size} | {raw.mean():.3f} | {np.mean((told - raw) ** 2):.3f} | "
                f"{raw.mean() * (1.0 - raw.mean()):.3f} | {_reliability(told, raw):.4f} | {wide.mean():.3f} | "
                f"{np.mean((told - wide) ** 2):.3f} |"
            )
        yield f"\nBy tenths of the chance told, {words}; intervals of 90 % with whole seasons drawn anew:\n"
        yield "| told | came | interval | came, widened | hours | separate days |"
        yield "|---" * 6 + "|"
        yield from _tenths(chances)


def _tenths(chances: list[Chance]) -> Iterable[str]:
    tenth = np.array([min(int(10.0 * c.chance), 9) for c in chances])
    for number in np.unique(tenth):
        here = [c for c, t in zip(chances, tenth.tolist(), strict=True) if t == number]
        told, raw, wide = (np.array([getattr(c, n) for c in here], dtype=float) for n in ("chance", "raw", "wide"))
        names, season = np.unique([c.season for c in here], return_inverse=True)
        hits, all_of = np.bincount(season, raw), np.bincount(season)
        pick = np.random.default_rng(7).integers(0, names.size, (1000, names.size))
        low, high = np.quantile(hits[pick].sum(axis=1) / all_of[pick].sum(axis=1), [0.05, 0.95])
        days = len({(c.season, c.day, c.lead_d) for c in here})
        yield (
            f"| {told.mean():.2f} | {raw.mean():.2f} | {low:.2f} to {high:.2f} | {wide.mean():.2f} | {len(here)} | "
            f"{days} |"
        )


def _reliability(told: NDArray[np.float64], came: NDArray[np.float64]) -> float:
    """Reliability term of the Brier score, by tenths of the chance told (Murphy 1973, J. Appl. Meteor. 12, 595)."""
    tenth = np.minimum((10.0 * told).astype(int), 9)
    each = [(told[tenth == n], came[tenth == n]) for n in np.unique(tenth)]
    return float(sum(t.size * (t.mean() - c.mean()) ** 2 for t, c in each) / told.size)


def _alert_lines(found: Found) -> Iterable[str]:
    if not found.weeks:
        return
    yield f"\nAlerts opened by the rules about findings, {found.weeks:.0f} surface-weeks:\n"
    yield from _told_table(found.alerts, found.weeks)
    late = [d.hours for d in found.delays if d.hours is not None]
    if late:
        whole = np.array([np.inf if d.hours is None else d.hours for d in found.delays])
        ninth = float(np.quantile(whole, 0.9, method="higher"))
        yield (
            f"\nthatch holding: {len(whole)} times it truly held, {len(whole) - len(late)} never told; delay of the "
            f"rest, h: median {np.median(late):.0f}, 90th percentile {np.quantile(late, 0.9):.0f}; of all "
            f"{np.median(whole):.0f} and {ninth:.0f}"
        )
    wrong = sum(a.rule == "probe_fault" and a.right is False for a in found.alerts)
    years = found.probe_years
    yield f"false alarms of probes: {wrong} in {years:.1f} probe-years, {wrong / years:.2f} a year"
    if found.planned:
        yield f"\nAlerts with the advice asked each morning, {found.planned_weeks:.0f} surface-weeks:\n"
        yield from _told_table(found.planned, found.planned_weeks)


def _told_table(alerts: list[Told], weeks: float) -> Iterable[str]:
    yield "| rule | opened | a week | right |"
    yield "|---|---|---|---|"
    for rule, number in sorted(Counter(a.rule for a in alerts).items()):
        known = [a.right for a in alerts if a.rule == rule and a.right is not None]
        yield f"| {rule} | {number} | {number / weeks:.2f} | {share_told(sum(known), len(known))} |"
    loud = sum(a.rule in INTERRUPTING for a in alerts)
    yield f"| all that may interrupt | {loud} | {loud / weeks:.2f} | |"


def _date_lines(found: Found) -> Iterable[str]:
    if found.notices:
        told_d = np.array([-1 if n.first_told_d is None else n.first_told_d for n in found.notices])
        median_d = np.median(told_d[told_d >= 0]) if (told_d >= 0).any() else np.nan
        shares = ", ".join(f"{d} d {np.mean(told_d >= d):.0%}" for d in (0, 1, 2, 3, 5))
        yield (
            f"\nfirst notice of {len(told_d)} windows (six working hours after three shut days), told at least so long "
            f"before: {shares}; median of those told {median_d:.0f} d"
        )
    sown, healed = ([d for d in found.last_good if (d.kind == "overseeding") is seed] for seed in (True, False))
    yield from _last_good_lines("of passes that heal", healed)
    yield from _last_good_lines("of seed", sown)


def _last_good_lines(words: str, dates: list[LastGood]) -> Iterable[str]:
    error = np.array([d.error_d for d in dates if d.error_d is not None])
    if error.size:
        low, middle, high = np.quantile(error, [0.1, 0.5, 0.9])
        safe = [d.safe_in_time for d in dates if d.safe_in_time is not None]
        yield (
            f"last good date {words}, likely less true, d: {error.size} dates, median {middle:+.0f}, 10th to 90th "
            f"percentile {low:+.0f} to {high:+.0f}, mean size {np.abs(error).mean():.1f}; the safe date was in time in "
            f"{share_told(sum(safe), len(safe))} of {len(safe)}; that it is too late was agreed on in "
            f"{share_told(sum(d.agreed for d in dates), len(dates))} of {len(dates)}"
        )


def chosen_of(words: list[str] | None = None) -> argparse.Namespace:
    """What is asked for on the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    for name, default in (("first", 10), ("seeds", 50), ("alerts", 50), ("ahead", 10), ("daily", 2), ("minutes", 0)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--limits", choices=LIMITS, default=LIMITS[0])
    return parser.parse_args(words)


def main() -> None:
    """Run the seasons and print the tables."""
    chosen = chosen_of()
    began, found = time.monotonic(), Found()
    seeds = range(chosen.first, chosen.first + chosen.seeds)
    for seed in seeds:
        if chosen.minutes and time.monotonic() - began > 60.0 * chosen.minutes:
            seeds = range(chosen.first, seed)
            break
        for name in SCENARIOS:
            one(found, name, seed, chosen, default_folder())
        print(
            f"seed {seed}, {time.monotonic() - began:.0f} s",
            row("so far", found.ground["all"]),
            file=sys.stderr,
            flush=True,
        )
    took_s = time.monotonic() - began
    print(f"seeds {seeds.start} to {seeds.stop - 1}, {len(seeds) * len(SCENARIOS)} seasons, {took_s:.0f} s")
    for line in report(found):
        print(line)


if __name__ == "__main__":
    main()
