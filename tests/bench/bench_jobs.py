"""A recompute of many station-years as long jobs: spread over two workers against one, and the same bytes by both.

    python tests/bench/bench_jobs.py [--stations 20] [--sites 4] [--seed 1]

Real processes: `underturf work` once and then twice, PostgreSQL, mosquitto. Each station has a made-up year of
13 channels every 15 minutes (455,520 readings, see `bench_recompute`). Everything is worked out once by the command.
Then all of that but the limits learned is thrown away, one worker starts, holds all sites, and a recompute of every
site is asked for, as `underturf recompute --sites` does; the time runs from there to the end of the last job. The same
with two workers. After each, the rows of observations and findings must be the same to the last byte as at first.
Exits 1 when they are not, or when two workers take more than `MOST_SHARE` of the time of one.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from contextlib import ExitStack, closing
from multiprocessing import get_context
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from api.job_commands import recompute_sites  # noqa: E402
from pipeline.service import Pipeline, load_settings  # noqa: E402
from pipeline.site.settings import SiteConfig  # noqa: E402
from pipeline.store.opening import open_for_reading, open_stores  # noqa: E402
from pipeline.store.packed import STATUS_CODES  # noqa: E402
from pipeline.store.readings import RECORDED, RecordedOutbox  # noqa: E402
from tests.bench.bench_recompute import (  # noqa: E402
    CORES,
    FINDINGS,
    SLOT_MS,
    SLOTS,
    START_MS,
    station_settings,
    year,
)
from tests.bench.bench_recompute import SETTINGS as HEAD  # noqa: E402
from tests.bench.table import measured  # noqa: E402
from tests.pipeline.test_jobs import throw_away  # noqa: E402
from tests.ports import held, unused_port  # noqa: E402
from tests.postgres_server import PostgresServer, find_postgres  # noqa: E402

MOST_SHARE = 0.75
KEPT_AT_ONCE = 50_000
HOLDS_WITHIN_S = 120.0
BROKER = "listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
TAIL = '\n[broker]\nkind = "external"\nport = {port}\n[store]\nkind = "postgresql"\ndsn_file = "dsn"\n'
DAYS = "SELECT * FROM observation_day ORDER BY id"


def write_sites(folder: Path, server: PostgresServer, port: int, sites: int, stations: int) -> None:
    """Write the settings of so many sites, with so many stations each."""
    folder.mkdir()
    (folder / "dsn").write_text(server.dsn)
    (folder / "dsn").chmod(0o600)
    for site in range(sites):
        text = HEAD.replace('name = "meadow"', f'name = "ground-{site}"', 1)
        text = text.replace('dir = "data"', f'dir = "data-{site}"', 1)
        text += "".join(station_settings(f"s{n + 1}", f"number {n + 1}", CORES) for n in range(stations))
        (folder / f"ground-{site}.toml").write_text(text + TAIL.format(port=port))


def fill(file: Path, seed: int) -> None:
    """Keep a year of each station of a site, and work it out: as the command does."""
    config, values = load_settings(file), year(seed)
    names, of_slot = list(values), np.arange(SLOTS).repeat(len(values))
    rows = np.zeros(SLOTS * len(values), dtype=RECORDED)
    rows["place"] = np.tile(np.arange(len(values)), SLOTS)
    rows["measured_at_ms"] = START_MS + of_slot * SLOT_MS + 1500
    rows["raw"] = np.stack(list(values.values()), axis=1).ravel()
    rows["status"] = np.where(np.isnan(rows["raw"]), *(STATUS_CODES[one] for one in ("silent", "ok")))
    rows["received_at_ms"] = rows["measured_at_ms"]
    with closing(open_stores(config)) as stores:
        for station in config.stations():
            outbox = RecordedOutbox(config.site.name, "hut", hashlib.sha256(station.encode()).hexdigest()[:32])
            channels = [name.replace("s1/", f"{station}/", 1) for name in names]
            for first in range(0, len(rows), KEPT_AT_ONCE):
                part = rows[first : first + KEPT_AT_ONCE]
                stores.journal.keep_recorded(outbox, channels, first + 1, part, START_MS)
    pipeline = Pipeline(config)
    pipeline.catch_up()
    pipeline.stop()


def digest(config: SiteConfig) -> tuple[str, int]:
    """A short name of all that is worked out of a site, and how many rows that is."""
    made, number = hashlib.sha256(), 0
    with open_for_reading(config) as stores, stores.database.reading() as connection:
        for query in (DAYS, FINDINGS):
            for row in connection.execute(query).fetchall():
                made.update(repr(tuple(bytes(v) if isinstance(v, memoryview) else v for v in row)).encode())
                number += 1
    return made.hexdigest()[:16], number


def spread(folder: Path, configs: Sequence[SiteConfig], workers: int) -> float:
    """Return how long a recompute of all sites takes so many workers. [s]"""
    for config in configs:
        throw_away(config)
    with ExitStack() as running:
        ports = [unused_port() for _ in range(workers)]
        for n, port in enumerate(ports):
            own = folder / f"own-{workers}-{n}"
            command = [sys.executable, "-m", "api.command", "work", str(folder / "sites"), "--own", str(own)]
            log = running.enter_context(own.with_suffix(".log").open("wb"))
            process = subprocess.Popen([*command, "--port", str(port)], cwd=ROOT, stdout=log, stderr=log)
            running.callback(process.wait)
            running.callback(process.terminate)
        end_s = time.monotonic() + HOLDS_WITHIN_S
        while sorted(map(len, map(held, ports))) != shares(len(configs), workers):
            if time.monotonic() > end_s:
                raise RuntimeError(f"found the sites held {[held(port) for port in ports]}, expected an even share")
            threading.Event().wait(0.2)
        began_s = time.monotonic()
        if recompute_sites(list(configs), None, None, None, lambda line: None):
            raise RuntimeError("a job failed")
        return time.monotonic() - began_s


def shares(sites: int, workers: int) -> list[int]:
    """How many sites each worker has, the fewest first."""
    most = -(-sites // workers)
    return sorted(min(most, max(0, sites - n * most)) for n in range(workers))


def main() -> int:
    """0 when all is the same and two workers are quicker by enough."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--stations", type=int, default=20, help="in all, a year each")
    parser.add_argument("--sites", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    os.environ["PATH"] += ":/usr/sbin:/usr/local/sbin"  # Debian keeps mosquitto there
    mosquitto, programs = shutil.which("mosquitto"), find_postgres()
    if mosquitto is None or programs is None:
        print("found no mosquitto or no postgres, expected both (Debian: apt-get install mosquitto postgresql)")
        return 1
    with tempfile.TemporaryDirectory() as name, ExitStack() as running:
        folder, port = Path(name), unused_port()
        server = PostgresServer(programs, settings=("shared_buffers=256MB",))
        running.callback(server.remove)
        server.start()
        (folder / "broker.conf").write_text(BROKER.format(port=port))
        broker = subprocess.Popen([mosquitto, "-c", folder / "broker.conf"], stderr=subprocess.DEVNULL)
        running.callback(broker.wait)
        running.callback(broker.kill)
        write_sites(folder / "sites", server, port, given.sites, given.stations // given.sites)
        began_s = time.monotonic()
        with get_context("spawn").Pool(2) as pool:
            pool.starmap(fill, [(file, given.seed) for file in sorted((folder / "sites").glob("*.toml"))])
        configs = [load_settings(file) for file in sorted((folder / "sites").glob("*.toml"))]
        stations = sum(len(config.stations()) for config in configs)
        readings = stations * SLOTS * len(year(given.seed))
        print(f"seed {given.seed}: {stations} station-years in {given.sites} sites, {readings} readings; kept and")
        print(f"worked out by the command, two sites at a time, in {time.monotonic() - began_s:.0f} s")
        first = [digest(config) for config in configs]
        took_s, same = [], True
        for workers in (1, 2):
            took_s.append(spread(folder, configs, workers))
            found = [digest(config) for config in configs]
            same &= found == first
            each_s, told = took_s[-1] / stations, "the same" if found == first else "OTHERS"
            print(f"by {workers}: {took_s[-1]:.1f} s, {each_s:.2f} s a station-year, the rows are {told}", flush=True)
        print(f"{sum(rows for _, rows in first)} rows, {first[0][0]}: {'the same each time' if same else 'OTHERS'}")
    met = measured(
        f"recompute of {stations} station-years by 2 workers",
        f"{took_s[1]:.0f} s, {took_s[0] / took_s[1]:.2f} times as fast",
        took_s[1] / took_s[0], MOST_SHARE, of="1 worker",
    )  # fmt: skip
    return 0 if same and met else 1


if __name__ == "__main__":
    sys.exit(main())
