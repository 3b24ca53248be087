"""A process to be killed: opens a store or a journal, appends batches without end, and says which it has kept.

Run as `python append_forever.py KIND WHERE`; prints the last seq kept after each append. `open_store` is the one place
where the tests say how each store is opened.
"""

import json
import sys
from pathlib import Path

from hardware.reading import Batch, Reading, Status
from pipeline.site.server import StoreConfig
from pipeline.store.database import Database
from pipeline.store.journal import Journal
from pipeline.store.postgres import PostgresDatabase
from pipeline.store.series import SqlStore
from tests.pipeline.store.keeping import keep

OUTBOX = "0123456789abcdef"
T0_MS = 1_704_067_200_000
STEP_MS = 900_000
ROWS = 40


def open_store(kind, where):
    """A store: `sqlite` in the file named; `postgresql` or `influx` with settings, site and token in JSON."""
    if kind == "sqlite":
        return SqlStore(Database(Path(where)))
    told = json.loads(where)
    if kind == "postgresql":
        return SqlStore(PostgresDatabase(told["dsn"], told["site"]))
    from pipeline.store.influx import InfluxStore

    site, token = told.pop("site"), told.pop("token", None)
    return InfluxStore(StoreConfig(kind="influx", **told), site, token=token)


def readings(first, count=ROWS, *, site="club", channels=4):
    """Readings with consecutive seq over a few channels, every value told by its seq."""
    return tuple(
        Reading(
            site,
            "north",
            OUTBOX,
            seq,
            f"square-1/p1/c{seq % channels}",
            str(T0_MS // 1000 + seq // channels * 900),
            T0_MS + seq // channels * STEP_MS,
            seq / 8,
            Status.OK,
            1,
            True,
        )
        for seq in range(first, first + count)
    )


def main():
    kind, where = sys.argv[1:]
    if kind == "journal":
        journal = Journal(Database(Path(where)))

        def put(rows):
            journal.append(Batch("club", "north", OUTBOX, 1, rows), T0_MS)
    else:
        store = open_store(kind, where)
        site = "club" if kind == "sqlite" else json.loads(where)["site"]

        def put(rows):
            keep(store, [*rows], T0_MS)

    first = 1
    while True:
        put(readings(first, site="club" if kind == "journal" else site))
        first += ROWS
        print(first - 1, flush=True)


if __name__ == "__main__":
    main()
