"""Contradictions in what is told of one ground on one morning, and whether it speaks when there is something to say.

    python tests/bench/bench_plan.py [--first 300] [--seeds 2] [--every 1] [--minutes 0] [--show]

Every morning (or one in `--every`) of seven weeks of the simulator's eight scenarios (see `plan_mornings`): all that
answers, advice and open alerts tell, each by itself, is held against the table of contradictions of `pipeline.plan`;
then the plan that is made of it, with what a keeper takes from its texts. It speaks: on mornings on which the truth
calls for water (see `plan_truth`) the plan has an evening for it, and on the morning on which a lawful window truly
opens, the pass is told. Spells of thatch that truly holds water are counted too, and those of which no alert and no
caution came. Choices were made looking at seeds 70 to 79 and 200 to 203. After `--minutes` no further season is begun.
Exits 1 when a plan contradicts itself.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.plan.contradictions import contradictions
from pipeline.plan.lines import Line
from pipeline.plan.surface_plan import plan_of
from tests.bench.advice_ground import SCENARIOS
from tests.bench.plan_heard import by_the_plan, each_by_itself
from tests.bench.plan_mornings import Morning, mornings
from tests.bench.plan_truth import Held, Spoken, held, spoken

HOUR_MS = 3_600_000


class Counted:
    """Mornings, those that contradict themselves, and which pairs they held."""

    def __init__(self, name: str) -> None:
        self.name, self.mornings, self.bad, self.pairs = name, 0, 0, Counter[str]()

    def add(self, lines: list[Line]) -> tuple[str, ...]:
        """Count one morning; return the pairs it holds."""
        found = contradictions(lines)
        self.mornings, self.bad = self.mornings + 1, self.bad + bool(found)
        self.pairs.update(found)
        return found

    def row(self) -> str:
        """The row of the table."""
        pairs = ", ".join(f"{name} {n}" for name, n in self.pairs.most_common())
        return f"| {self.name} | {self.mornings} | {self.bad} | {pairs or 'none'} |"


def _shown(name: str, one: Morning, found: tuple[str, ...], lines: list[Line]) -> None:
    print(name, one.day, found)
    for line in lines:
        span = f"{(line.span.start_ms - one.now_ms) / HOUR_MS:.0f}..{(line.span.end_ms - one.now_ms) / HOUR_MS:.0f} h"
        print("   ", line.says.name, line.about, line.mm, span, line.text)


def main() -> int:
    """0 when no plan contradicts itself."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--first", type=int, default=300)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=0.0)
    parser.add_argument("--show", action="store_true")
    chosen = parser.parse_args()
    began_s, seasons, heard, wet = time.monotonic(), 0, Spoken(), Held()
    apart, planned = Counted("each by itself"), Counted("the plan")
    for seed in range(chosen.first, chosen.first + chosen.seeds):
        for name in SCENARIOS:
            if chosen.minutes and time.monotonic() - began_s > 60.0 * chosen.minutes:
                break
            walked = list[Morning]()
            with tempfile.TemporaryDirectory() as work:
                for one in mornings(name, seed, Path(work), every=chosen.every):
                    plan = plan_of(one.surface, one.seen)
                    apart.add(each_by_itself(one))
                    lines = by_the_plan(one, plan)
                    if (found := planned.add(lines)) and chosen.show:
                        _shown(name, one, found, lines)
                    heard += spoken(one, plan)
                    walked.append(one)
            wet += held(walked)
            seasons += 1
            took = f"seed {seed}, {name}, {time.monotonic() - began_s:.0f} s"
            print(took, apart.row(), planned.row(), *heard.lines(), wet.line(), sep="\n", file=sys.stderr, flush=True)
    print(
        f"seeds {chosen.first} to {chosen.first + chosen.seeds - 1}, {seasons} seasons, one morning in {chosen.every}"
    )
    print("| told | mornings | with a contradiction | pairs |\n|---|---|---|---|")
    print(apart.row(), planned.row(), sep="\n")
    print(*heard.lines(), wet.line(), sep="\n")
    return int(planned.bad > 0)


if __name__ == "__main__":
    sys.exit(main())
