"""The reading of one long record beside bare SQLite: a file of a million rows, looked through and kept.

    python tests/bench/bench_import.py [ROWS]

A logger's table, time and one number a row, goes through `check_record` and `keep_record`: every line read, its time
placed in its zone, its number converted and held against what can be, all of it set down, and then kept in the journal
under synced commits. Beside it `executemany` of the same readings, ready made in memory, into a table with the same
identity, under the same settings and in commits as large. Both in CPU seconds of this process. Then the memory that a
file four times as long takes beyond a shorter one. Prints each figure with its limit; exits 1 when one is missed or a
reading was not kept just once.
"""

from __future__ import annotations

import gc
import multiprocessing
import resource
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from pipeline.records.record_intake import KEPT_AT_ONCE, check_record, keep_record  # noqa: E402
from pipeline.records.record_map import parse_map  # noqa: E402
from pipeline.records.record_plan import column_plans  # noqa: E402
from pipeline.store.database import CACHE_KIB, Database  # noqa: E402
from pipeline.store.journal import Journal  # noqa: E402
from pipeline.store.series import SqlStore  # noqa: E402
from tests.bench.table import measured  # noqa: E402
from tests.pipeline.records.conftest import notebook_site  # noqa: E402

ROWS = 1_000_000
FIRST_MS, STEP_MS, NOW_MS = 1_672_531_200_000, 60_000, 1_767_225_600_000
MAP = """
[time]
columns = ["time"]
zone = "+00:00"
[[column]]
name = "soil"
channel = "north/notebook/soil"
unit = "degF"
"""
RATIO_MOST, MEMORY_MOST_MB = 2.5, 60.0
TABLE = (
    "CREATE TABLE reading (outbox INTEGER, seq INTEGER, channel INTEGER, measured_at_ms INTEGER, slot TEXT, raw REAL, "
    "status INTEGER, PRIMARY KEY (outbox, seq)) WITHOUT ROWID"
)


def written(folder: Path, rows: int) -> Path:
    """A record of so many rows, by the minute."""
    file = folder / f"record{rows}.csv"
    with file.open("w", encoding="utf-8") as out:
        out.write("time,soil\n")
        for n in range(rows):
            at = time.gmtime((FIRST_MS + n * STEP_MS) // 1000)
            out.write(f"{at[0]}-{at[1]:02d}-{at[2]:02d} {at[3]:02d}:{at[4]:02d},{50 + n % 397 / 100:.2f}\n")
    return file


def taken_in(folder: Path, file: Path) -> tuple[float, int]:
    """Take a record into an empty journal; CPU seconds, and how many readings lie there."""
    folder.mkdir()
    config, record = notebook_site(folder), parse_map(MAP, "map.toml")
    database = Database(folder / "journal.db")
    began = time.process_time()
    with tempfile.TemporaryFile(dir=folder) as spool:
        plans = column_plans(record, config, "map.toml")
        checked = check_record(file, record, plans, spool, location=config.site.location, now_ms=NOW_MS)
        keep_record(checked, Journal(database), config.site.name, now_ms=NOW_MS)
    took = time.process_time() - began
    with database.reading() as connection:
        (count,) = connection.execute("SELECT sum(last_seq - first_seq + 1) FROM span").fetchone()
    first = SqlStore(database).raw(["north/notebook/soil"], FIRST_MS, FIRST_MS + 3 * STEP_MS)
    assert [round(value, 9) for value in first["raw"]] == [round((t - 32) / 1.8, 9) for t in (50.0, 50.01, 50.02)]
    database.close()
    return took, int(count)


def bare(folder: Path, rows: int) -> float:
    """`executemany` of the same readings; CPU seconds."""
    ready = [
        (1, n + 1, 1, FIRST_MS + n * STEP_MS, str((FIRST_MS + n * STEP_MS) // 1000), (50 + n % 397 / 100 - 32) / 1.8, 0)
        for n in range(rows)
    ]
    connection = sqlite3.connect(folder / "bare.db", isolation_level=None)
    for words in ("journal_mode=WAL", "synchronous=FULL", f"cache_size=-{CACHE_KIB}"):
        connection.execute(f"PRAGMA {words}")
    connection.execute(TABLE)
    gc.collect()
    began = time.process_time()
    for first in range(0, rows, KEPT_AT_ONCE):
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?, ?)", ready[first : first + KEPT_AT_ONCE])
        connection.execute("COMMIT")
    took = time.process_time() - began
    connection.close()
    return took


def peak_mb(folder: Path, file: Path) -> float:
    """The most memory that a process of its own takes for a record. [MB]"""
    reader, writer = multiprocessing.get_context("spawn").Pipe(duplex=False)
    child = multiprocessing.get_context("spawn").Process(target=_peak, args=(folder, file, writer))
    child.start()
    found = float(reader.recv())
    child.join()
    return found


def _peak(folder: Path, file: Path, writer: multiprocessing.connection.Connection) -> None:
    taken_in(folder, file)
    writer.send(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def main(rows: int) -> int:
    """0 when both limits are kept."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        file = written(folder, rows)
        taken_in(folder / "warm", written(folder, 1000))
        took, kept = taken_in(folder / "site", file)
        peer = bare(folder, rows)
        whole = kept == rows
        print(
            f"{rows} rows of {file.stat().st_size / 1e6:.0f} MB, {kept} readings kept" + ("" if whole else ": NOT ALL")
        )
        good = measured(
            f"a record of {rows:,} rows read and kept, CPU", f"{took:.2f} s", took / peer, RATIO_MOST,
            of=f"executemany, {peer:.2f} s",
        )  # fmt: skip
        quarter = peak_mb(folder / "quarter", written(folder, rows // 4))
        more = peak_mb(folder / "whole", file) - quarter
        good &= measured(
            "memory for a record four times as long", f"{more:.0f} MB more", more / MEMORY_MOST_MB, 1.0,
            of=f"{MEMORY_MOST_MB:g} MB",
        )  # fmt: skip
    return 0 if good and whole else 1


if __name__ == "__main__":
    raise SystemExit(main(int(sys.argv[1]) if len(sys.argv) > 1 else ROWS))
