"""What is written into PostgreSQL, beside a bare COPY of the same rows, and what is read there after ten years.

    python tests/bench/bench_postgres.py [READINGS]

Batches of 500 readings are appended to the journal, a commit each with its sync, by turns with COPY of the same
readings, a row each, into a table with their identity for its key, with the same commits. So with observations and with
findings, written by the store at once and copied at once. Then the first page of two sites that are alike but for their
history, the site of `bench_pages.py` after one year and after ten, is made by turns, each time anew as after a change;
the nine years before are copies of the first, of which the journal holds rain alone. The server is one of the bench's
own, and its processor time is counted with ours. Prints each ratio with
its limit; exits 1 when one is missed or a reading was not kept just once.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
import psycopg  # noqa: E402
from fastapi.testclient import TestClient  # noqa: E402

from api.app import create_app  # noqa: E402
from hardware.reading import Batch, Reading, Status  # noqa: E402
from pipeline.errors import StoreTaken  # noqa: E402
from pipeline.service import Pipeline, load_settings  # noqa: E402
from pipeline.site.settings import SiteConfig  # noqa: E402
from pipeline.stages.catalogue import CATALOGUE  # noqa: E402
from pipeline.stages.recompute import station_context  # noqa: E402
from pipeline.store.journal import Journal  # noqa: E402
from pipeline.store.opening import open_stores  # noqa: E402
from pipeline.store.packed import STATUS_CODES  # noqa: E402
from pipeline.store.postgres import PostgresDatabase  # noqa: E402
from pipeline.store.series import SqlStore  # noqa: E402
from pipeline.units import DAY_MS, EVER_MS  # noqa: E402
from pipeline.worker import WORKED_KEY  # noqa: E402
from tests.bench.bench_ingest import BATCH, CHANNELS, NODE, OUTBOX, SITE, T0_MS, TURN, make  # noqa: E402
from tests.bench.bench_pages import OUTBOX as SITE_OUTBOX  # noqa: E402
from tests.bench.bench_pages import build, free_port  # noqa: E402
from tests.bench.store import DSN, SERVER, cpu_s  # noqa: E402
from tests.bench.table import measured  # noqa: E402
from tests.postgres_server import PostgresServer, find_postgres  # noqa: E402

T = TypeVar("T")
LIMITS = {"append": 0.4, "observations": 0.4, "findings": 0.25}  # of the rate of COPY, at least
ROWS = 20_000  # observations and findings
YEARS, YEAR_MS, GROWS = 10, 364 * DAY_MS, 1.3
SHOWN, WARM = 60, 10  # times the first page is made, of which the first do not count
COLUMNS = {
    "reading": "outbox bigint, seq bigint, channel bigint, measured_at_ms bigint, slot bigint, raw float8, "
    "status bigint, attempts bigint, clock_ok bigint, PRIMARY KEY (outbox, seq)",
    "observed": "channel bigint, measured_at_ms bigint, raw float8, value float8, flag bigint, stage_version bigint, "
    "received_at_ms bigint, PRIMARY KEY (channel, measured_at_ms)",
    "found": "series bigint, start_ms bigint, end_ms bigint, value float8, low float8, high float8, n bigint, "
    "reason text, stage_version bigint, PRIMARY KEY (series, start_ms)",
}


def copy(connection: psycopg.Connection[Any], table: str, rows: Iterable[Sequence[object]]) -> None:
    """COPY rows into a table, in one commit."""
    with connection.transaction(), connection.cursor().copy(f"COPY {table} FROM STDIN") as into:
        for row in rows:
            into.write_row(row)


def timed(work: Callable[[], object]) -> float:
    began_s = time.perf_counter()
    work()
    return time.perf_counter() - began_s


def append(database: PostgresDatabase, peer: psycopg.Connection[Any], count: int) -> bool:
    """The journal against COPY, by turns of twenty batches."""
    batches, number = make(count), {name: i for i, name in enumerate(CHANNELS)}
    rows = [
        [
            (1, r.seq, number[r.channel], r.measured_at_ms, int(r.slot), r.raw, STATUS_CODES[r.status], r.attempts, 1)
            for r in batch.readings
        ]
        for batch in batches
    ]
    journal, ours_s, theirs_s = Journal(database), 0.0, 0.0
    for at in range(0, len(batches), TURN):
        ours_s += timed(lambda at=at: [journal.append(one, T0_MS) for one in batches[at : at + TURN]])  # type: ignore[misc]
        theirs_s += timed(lambda at=at: [copy(peer, "reading", some) for some in rows[at : at + TURN]])  # type: ignore[misc]
    n = len(batches) * BATCH
    kept = journal.receipt(SITE, NODE, OUTBOX).seq == len(SqlStore(database).raw(CHANNELS, 0, 2 * T0_MS)) == n
    value = f"{n / ours_s:.0f} readings/s (n {n}; {theirs_s / ours_s:.2f} of COPY's {n / theirs_s:.0f})"
    return measured("PostgreSQL: append", value, ours_s / theirs_s, 1 / LIMITS["append"], of="COPY") and kept


def results(database: PostgresDatabase, peer: psycopg.Connection[Any]) -> bool:
    """Observations and findings at once against COPY of the same rows at once."""
    store, place = SqlStore(database), np.arange(ROWS)
    times = T0_MS + place // 4 * 900_000
    values = np.sin(place / 97.0)
    observed = pd.DataFrame(
        {
            "channel": [CHANNELS[i % 4] for i in place], "measured_at_ms": times, "raw": values, "value": values,
            "flag": 1, "stage_version": 1, "received_at_ms": times + 900,
        }
    )  # fmt: skip
    found = pd.DataFrame(
        {
            "station": "nowhere", "quantity": [f"q{i % 4}" for i in place], "start_ms": times, "end_ms": times + 900,
            "value": values, "low": values - 1, "high": values + 1, "n": 6, "reason": None, "stage_version": 1,
        }
    )  # fmt: skip
    kept = True
    for name, table, frame, keep in (
        ("observations", "observed", observed, store.upsert_observations),
        ("findings", "found", found, store.upsert_findings),
    ):
        key = frame[frame.columns[0 if name == "observations" else 1]].factorize()[0]
        rest = frame.drop(columns=["channel"] if name == "observations" else ["station", "quantity"])
        rows = [(int(k), *row) for k, row in zip(key, rest.itertuples(index=False), strict=True)]
        ours_s, theirs_s = (
            timed(lambda keep=keep, frame=frame: keep(frame)),
            timed(lambda t=table, r=rows: copy(peer, t, r)),
        )  # type: ignore[misc]
        value = f"{ROWS / ours_s:.0f} rows/s (n {ROWS}; {theirs_s / ours_s:.2f} of COPY's {ROWS / theirs_s:.0f})"
        kept &= measured(f"PostgreSQL: {name}", value, ours_s / theirs_s, 1 / LIMITS[name], of="COPY")
    return kept


@dataclass
class Shown:
    """A site with its pages, and what each showing of the first one took: processor time and time. [s]"""

    pipeline: Pipeline
    client: TestClient
    cpu_s: list[float] = field(default_factory=list)
    took_s: list[float] = field(default_factory=list)

    def show(self) -> None:
        """Make the first page anew."""
        self.pipeline.changes.bump("findings")
        began_s, began_cpu_s = time.perf_counter(), cpu_s()
        answer = self.client.get("/", headers={"Accept": "text/html"})
        self.cpu_s.append(cpu_s() - began_cpu_s)
        self.took_s.append(time.perf_counter() - began_s)
        assert answer.status_code == 200, (answer.status_code, answer.text[:300])


def opened(open_it: Callable[[], T]) -> T:
    """Return what opens a site, once the server has seen that who had it before has closed it."""
    for _ in range(100):
        with suppress(StoreTaken):
            return open_it()
        time.sleep(0.1)
    return open_it()


def lengthen(config: SiteConfig, last_seq: int) -> None:
    """Give a site of one year nine more before it: what was found in it, and the rain in the journal."""
    with closing(opened(lambda: open_stores(config))) as stores:
        store, seq = stores.store, last_seq
        for station in config.stations():
            context = station_context(config, station, stores.diary, store)
            rows = store.observations(context.channel_ids, *EVER_MS)
            found = [store.findings(owner, list(CATALOGUE), *EVER_MS) for owner in (station, *context.moisture)]
            rain = rows[rows["channel"].str.endswith("/rain") & rows["raw"].notna()]
            for back_ms in range(YEAR_MS, YEARS * YEAR_MS, YEAR_MS):
                times = {name: rows[name] - back_ms for name in ("measured_at_ms", "received_at_ms")}
                store.upsert_observations(rows.assign(**times))
                for table in found:
                    times = {name: table[name] - back_ms for name in ("start_ms", "end_ms")}
                    store.upsert_findings(table.assign(**times))
                fallen = list(zip(rain["channel"], rain["measured_at_ms"] - back_ms, rain["raw"], strict=True))
                for some in (fallen[at : at + BATCH] for at in range(0, len(fallen), BATCH)):
                    readings = []
                    for channel, at_ms, raw in some:
                        seq, slot = seq + 1, str(at_ms // 1000)
                        one = Reading(*SITE_OUTBOX, seq, channel, slot, int(at_ms), float(raw), Status.OK, 1, True)
                        readings.append(one)
                    stores.journal.append(Batch(*SITE_OUTBOX, 1, tuple(readings)), int(some[-1][1]))
        worked = {f"{o.site}/{o.node}/{o.outbox_id}": o.received for o in stores.journal.outboxes()}
        stores.journal.keep_note(WORKED_KEY, worked)


def first_page(folder: Path) -> bool:
    """The first page after one year against that after ten."""
    by_years = {}
    for years in (1, YEARS):
        (folder / str(years)).mkdir()
        seq, _ = build(folder / str(years), free_port(), free_port(), 1)
        config = load_settings(folder / str(years) / "site.toml")
        if years > 1:
            lengthen(config, seq)
        pipeline = opened(lambda config=config: Pipeline(config))  # type: ignore[misc]
        while pipeline.advice() is None:
            pipeline._advisor.step(threading.Event())
        by_years[years] = Shown(
            pipeline, TestClient(create_app(pipeline), base_url="http://127.0.0.1", client=("127.0.0.1", 50000))
        )
    for _ in range(SHOWN):
        for one in by_years.values():
            one.show()
    kept, (few, many) = True, by_years.values()
    for name, before, now in (("CPU", few.cpu_s, many.cpu_s), ("median", few.took_s, many.took_s)):
        of = statistics.mean if name == "CPU" else statistics.median
        value = f"{1e3 * of(now[WARM:]):.1f} ms ({1e3 * of(before[WARM:]):.1f} after one; n {SHOWN - WARM} each)"
        ratio = of(now[WARM:]) / of(before[WARM:])
        kept &= measured(f"PostgreSQL: first page after ten years, {name}", value, ratio, GROWS, of="after one")
    for one in by_years.values():
        one.pipeline.stop()
    return kept


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    programs = find_postgres()
    if programs is None:
        raise SystemExit("found no postgres, expected Debian's `postgresql`")
    server = PostgresServer(programs).start()
    try:
        with (
            psycopg.connect(server.dsn, autocommit=True) as peer,
            closing(PostgresDatabase(server.dsn, SITE)) as database,
        ):
            for table, columns in COLUMNS.items():
                peer.execute(f"CREATE TABLE {table} ({columns})")
            kept = append(database, peer, count)
            kept &= results(database, peer)
        os.environ[DSN], os.environ[SERVER] = server.dsn, str(server.pid)
        with tempfile.TemporaryDirectory() as name:
            return int(not (first_page(Path(name)) and kept))
    finally:
        server.remove()


if __name__ == "__main__":
    sys.exit(main())
