"""What one new quarter of an hour of one station costs, after a long history and at many stations.

    python tests/bench/bench_slot.py [SEED]

A real worker on real stores is sent one message a station and slot, as an agent sends them: 18 channels of moisture,
temperature, rain and weather of the made-up year of `bench_sums.py`. It keeps and receipts them, runs the stages, the
days and fortnights and the rules until all of it is quiet. Counted is the CPU time of the process over a whole day of
slots, so that what happens once a day counts as often as it comes. First one station after one year and after ten; the
nine years before are copies of the first, of which the journal holds rain alone. Then ten sites of one station, one of
10 and one of 100, all after five weeks, take the same hour by turns. What is stored of the year must be, row for row,
what a recompute from raw gives. Exits 1 when a limit is missed or a row differs.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[name] = "1"  # one core's work is what is told

import numpy as np  # noqa: E402

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from hardware.reading import Batch, Reading, Status, encode_batch, readings_topic  # noqa: E402
from pipeline.stages.catalogue import CATALOGUE  # noqa: E402
from pipeline.stages.recompute import recompute  # noqa: E402
from pipeline.units import DAY_MS  # noqa: E402
from pipeline.worker import WORKED_KEY  # noqa: E402
from tests.bench.bench_recompute import SLOT_MS, START_MS, dump, station_settings  # noqa: E402
from tests.bench.bench_sums import raw_year  # noqa: E402
from tests.bench.store import cpu_s, store_settings  # noqa: E402
from tests.bench.table import measured  # noqa: E402
from tests.pipeline.hand import Line, lines  # noqa: E402

LIMIT_MS = 60.0
GROWS = 1.2  # of a slot after ten years, or among a hundred stations, against the least of the others
BEFORE_MS = 520.0  # of the program at the beginning of this work, as its issue tells it
YEAR_MS = 364 * DAY_MS  # whole weeks and fortnights
SLOTS_A_DAY = DAY_MS // SLOT_MS
HISTORY_D, WEEKS_D = 365, 35
ALONE_D = 5  # of slots that came one by one: more than what a new one has worked on again
WARM = 2  # slots before those that are timed
AN_HOUR = 4  # slots
ALONE = 10  # sites of one station, so that one has as many slots as ten
END_MS = START_MS + HISTORY_D * DAY_MS
SITE = """
[site]
name = "meadow"
latitude_deg = 52.0
longitude_deg = 0.0
elevation_m = 50.0
"""
GROUND = """
[[surface]]
name = "{name}"
title = "{name}"
kind = "square"
"""
A_GROUND = 10  # stations
CORES = {"2014-02-20": 15}

Values = dict[str, np.ndarray]


def values_of(seed: int) -> Values:
    """Raw values of station s1 by channel, one a slot; NaN is silence."""
    table = raw_year(seed)
    return {str(name): rows["raw"].to_numpy() for name, rows in table.groupby("channel", observed=True)}


def batch(values: Values, station: str, slots: range, end_ms: int, seq: int) -> Batch:
    """Some slots of one station as a message; the slots of the year end before `end_ms`."""
    readings = []
    for slot in slots:
        at_ms = end_ms + (slot - HISTORY_D * SLOTS_A_DAY) * SLOT_MS
        for channel, series in values.items():
            raw = float(series[slot])
            silent = np.isnan(raw)
            readings.append(
                Reading(
                    "meadow", f"node-{station}", "0123456789abcdef", seq + len(readings),
                    channel.replace("s1/", f"{station}/", 1), str(at_ms // 1000), at_ms + 1500,
                    None if silent else raw, Status.SILENT if silent else Status.OK, 1, True,
                )
            )  # fmt: skip
    return Batch("meadow", f"node-{station}", "0123456789abcdef", 1, tuple(readings))


class Site:
    """A worker whose stations have a history, and what each outbox has sent."""

    def __init__(self, line: Line, values: Values, stations: Sequence[str]) -> None:
        self.line, self.values, self.stations = line, values, stations
        self.sent = dict.fromkeys(stations, 0)

    def keep(self, station: str, values: Values, first: int, last: int, end_ms: int) -> None:
        """Put slots into the journal as if they had come long ago: those of the last days one by one, as they come,
        those before them a day at a time."""
        alone = max(first, last - ALONE_D * SLOTS_A_DAY) if end_ms == END_MS else last
        days = [range(at, min(at + SLOTS_A_DAY, alone)) for at in range(first, alone, SLOTS_A_DAY)]
        with self.line.stores.database.transaction():
            for slots in (*days, *(range(slot, slot + 1) for slot in range(alone, last))):
                one = batch(values, station, slots, end_ms, self.sent[station] + 1)
                self.line.stores.journal.append(one, one.readings[-1].measured_at_ms)
                self.sent[station] += len(one.readings)

    def copy(self, station: str, since_ms: int, back_ms: int) -> None:
        """Copy what was worked out for s1 from a time on to another station, or so much further back."""
        store, contexts = self.line.stores.store, self.line.study._contexts
        rows = store.observations(contexts("s1").channel_ids, since_ms, END_MS)
        names = rows["channel"].str.replace("s1/", f"{station}/", n=1)
        times = {name: rows[name] - back_ms for name in ("measured_at_ms", "received_at_ms")}
        store.upsert_observations(rows.assign(channel=names, **times))
        for owner in ("s1", *contexts("s1").moisture):
            found = store.findings(owner, list(CATALOGUE), since_ms, END_MS)
            times = {name: found[name] - back_ms for name in ("start_ms", "end_ms")}
            store.upsert_findings(found.assign(station=owner.replace("s1", station, 1), **times))

    def slot_ms(self, first: int, last: int) -> list[float]:
        """CPU time of each slot of each station until everything about it is quiet. [ms]"""
        line, took = self.line, []
        for slot in range(first, last):
            line.clock.wall_ms = END_MS + (slot - HISTORY_D * SLOTS_A_DAY) * SLOT_MS + 5000
            sent = []
            for station in self.stations:
                one = batch(self.values, station, range(slot, slot + 1), END_MS, self.sent[station] + 1)
                self.sent[station] += len(one.readings)
                sent.append((encode_batch(one), readings_topic(one)))
            began = cpu_s()
            for payload, topic in sent:
                line.send(payload, topic)
            quiet(line)
            took.append(1000.0 * (cpu_s() - began) / len(self.stations))
        return took


def quiet(line: Line) -> None:
    """Steps until nothing waits, neither readings nor stages, periods or rules."""
    for _ in range(100_000):
        line.worker.step(line.stop)
        busy = line.source.messages or line.study.waiting or line.study.periods_waiting or line.worker.unjudged
        if not busy:
            return
    raise AssertionError("the worker never came to rest")


def grown(
    folder: Path, make: Callable[..., Line], values: Values, *, years: int, stations: int, days: int, copy: int = 0
) -> Site:
    """A site with a history of so many days, or years, at each of so many stations; `copy` tells one from its like."""
    names = [f"s{k + 1}" for k in range(stations)]
    settings = SITE
    for k, name in enumerate(names):
        settings += GROUND.format(name=f"square-{k // A_GROUND}") if k % A_GROUND == 0 else ""
        settings += station_settings(name, name, CORES)
    name = f"y{years}s{stations}d{days}c{copy}"
    line = make(settings + store_settings(folder, name), folder=name, now_ms=END_MS)
    line.source.said = []
    site = Site(line, values, names)
    end = HISTORY_D * SLOTS_A_DAY
    rain = {"s1/w1/rain": values["s1/w1/rain"]}
    for year in range(years - 1, 0, -1):
        site.keep("s1", rain, 0, YEAR_MS // SLOT_MS, END_MS - year * YEAR_MS)
    kept = end - SLOTS_A_DAY - WARM
    site.keep("s1", values, end - days * SLOTS_A_DAY, kept, END_MS)
    since_ms = END_MS - days * DAY_MS
    recompute(line.stores.store, line.study._contexts("s1"), start_ms=since_ms)
    for year in range(1, years):
        site.copy("s1", max(since_ms, END_MS - YEAR_MS), year * YEAR_MS)
    for name in names[1:]:
        site.keep(name, values, kept - ALONE_D * SLOTS_A_DAY, kept, END_MS)
        site.copy(name, since_ms, 0)
    worked = {f"{o.site}/{o.node}/{o.outbox_id}": o.received for o in line.stores.journal.outboxes()}
    line.stores.journal.keep_note(WORKED_KEY, worked)
    site.slot_ms(kept, kept + WARM)  # what comes once: limits are learned, rules walked up to now
    return site


def compared(sites: dict[int, list[Site]], first: int) -> dict[int, float]:
    """Mean CPU time of a slot of one station by the number of stations, over an hour; sites take each slot by turns.
    [ms]"""
    took: dict[int, list[float]] = {stations: [] for stations in sites}
    for slot in range(first, first + AN_HOUR):
        for stations, alike in sites.items():
            for site in alike:
                took[stations] += site.slot_ms(slot, slot + 1)
    for stations, each in took.items():
        print(f"{stations} stations: mean {np.mean(each):.1f} ms a station, n {len(each) * stations}")
    return {stations: float(np.mean(each)) for stations, each in took.items()}


def is_recomputed(site: Site) -> bool:
    """Whether all that is stored stays as it is when it is worked out from raw again."""
    context = site.line.study._contexts("s1")
    live = dump(site.line.stores, context)
    recompute(site.line.stores.store, context)
    return dump(site.line.stores, context) == live


def main() -> int:
    """0 when a slot keeps within its limits."""
    values, met = values_of(int(sys.argv[1]) if len(sys.argv) > 1 else 1), []
    end = HISTORY_D * SLOTS_A_DAY
    with tempfile.TemporaryDirectory() as made, lines(Path(made)) as make:
        folder = Path(made)
        by_years = {}
        for years in (1, 10):
            site = grown(folder, make, values, years=years, stations=1, days=HISTORY_D)
            took = site.slot_ms(end - SLOTS_A_DAY, end)
            by_years[years] = float(np.mean(took))
            middle, most = np.median(took), np.max(took)
            print(f"{years} years: mean {np.mean(took):.1f} ms, median {middle:.1f}, most {most:.1f}, n {len(took)}")
            if years == 1:
                met.append(is_recomputed(site))
                print(f"what is stored: {'the same as recomputed' if met[0] else 'DIFFERS from what is recomputed'}")
        sites = {1: [grown(folder, make, values, years=1, stations=1, days=WEEKS_D, copy=k) for k in range(ALONE)]}
        sites |= {n: [grown(folder, make, values, years=1, stations=n, days=WEEKS_D)] for n in (10, 100)}
        by_stations = compared(sites, end - SLOTS_A_DAY + 40)
    met += [
        measured("one new slot after a year, CPU", f"{by_years[1]:.1f} ms", by_years[1] / LIMIT_MS, 1.0,
                 of=f"{LIMIT_MS:g} ms", before=BEFORE_MS / LIMIT_MS),
        measured("the same after ten years", f"{by_years[10]:.1f} ms", by_years[10] / by_years[1], GROWS,
                 of="one year"),
        *(measured(f"the same at {stations} stations, each", f"{by_stations[stations]:.1f} ms",
                   by_stations[stations] / by_stations[1], GROWS, of="one station") for stations in (10, 100)),
    ]  # fmt: skip
    return int(not all(met))


if __name__ == "__main__":
    sys.exit(main())
