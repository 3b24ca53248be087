"""CPU time of an hour's advice of one surface, warm, against its limit.

    python tests/bench/bench_advice_hour.py [SCENARIO] [SEED]

A scenario's station lives a year by the hour and its readings go through a real store and all stages, as in
`bench_alert_log`. Then the advice of its surface is asked for every hour of four days, as the server asks for it. A
weather forecast is left out, for it costs nothing beside the rest; water is drawn for each member where the scenario's
diary has a habit of it (`climbing_roots`, where water is advised each night too). Printed: the median of the
hours within a day; of the hours in which the day turns, when the balance is fitted anew and the limits learned, the
season and the past weather are read again; and of the hours after an entry of the diary. Exits 1 over a limit.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the service sets it: more threads only wait for each other

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.advice.advisor import site_advice
from pipeline.advice.station_inputs import AdviceCache
from pipeline.units import DAY_MS, HOUR_MS
from tests.bench.bench_alert_log import DAYS, Worked, worked, year
from tests.bench.store import cpu_s
from tests.bench.table import measured

LIMITS_S = {"within a day": 0.15, "as the day turns": 0.20, "after a diary entry": 0.15}  # CPU of one core
BEFORE_S = {"within a day": 0.038, "as the day turns": 0.250, "after a diary entry": 0.081}
ASKED_DAYS = 4


def hours(known: Worked, first_ms: int) -> dict[str, list[float]]:
    """Return the CPU time of each asking, by what had to be worked out. [s]"""
    store, diary, cache = known.stores.store, known.stores.diary, AdviceCache()
    found: dict[str, list[float]] = {name: [] for name in LIMITS_S}
    for hour in range(ASKED_DAYS * 24):
        now_ms = first_ms + hour * HOUR_MS
        entry = hour % 24 in (8, 14, 20)
        if entry:
            cache.forget()
        begun = cpu_s()
        site_advice(known.config, store, diary, now_ms, cache=cache)
        took = cpu_s() - begun
        if hour > 0:
            found["after a diary entry" if entry else "within a day" if hour % 24 else "as the day turns"].append(took)
    return found


def main() -> int:
    """Return 0 when every kind of hour keeps its limit."""
    name = sys.argv[1] if len(sys.argv) > 1 else "thatch_bound_square"
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    lived = year(name, seed)
    with tempfile.TemporaryDirectory() as folder:
        known = worked(lived, Path(folder))
        middle_ms = (round(lived.scenario.start.timestamp() * 1000) // DAY_MS + DAYS // 2) * DAY_MS
        found = hours(known, middle_ms + HOUR_MS // 10)
        known.stores.close()
    kept = [
        measured(
            f"an hour's advice {kind}, CPU", f"{np.median(took):.3f} s (n {len(took)}, most {max(took):.3f})",
            float(np.median(took)) / LIMITS_S[kind], 1.0, of=f"{LIMITS_S[kind]:g} s",
            before=BEFORE_S[kind] / LIMITS_S[kind],
        )
        for kind, took in found.items()
    ]  # fmt: skip
    return int(not all(kept))


if __name__ == "__main__":
    sys.exit(main())
