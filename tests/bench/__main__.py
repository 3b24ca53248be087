"""Every bench of speed and size, one after the other, and one table of what they measured.

    python tests/bench [--page] [--against COMMIT] [NAME ...]
    python tests/bench --postgresql [--page] [NAME ...]

NAME is that of a bench without `bench_`; without any, all but the long ones (`advice`, `by_hand`, `forecast`, `jobs`,
`plan`, `quality`, `records`, `twin`, `unread_thatch`, `weeks`, `workers`). What a bench prints is shown as it comes;
the lines with a limit (`tests/bench/table.py`) stand in the table at the end. With `--page` they are written into
`pipeline/docs/speed.md` too, in place of those before of the same benches. Limits in seconds were set on one machine:
on another `--against` says what a change has cost. Each bench then runs in a worktree of that commit and here in turn,
`ROUNDS` times, and what each figure costs here stands over what it cost there.
With `--postgresql` benches of what is kept in a store run with a file and with a PostgreSQL server in turn, whose
processor time is counted too, and the table has what each figure costs there over what it costs with a file.
Exits 1 when a bench misses a limit, or costs more than `MOST_COST` of what it cost at the commit, or `SERVER_MOST` of
what it costs with a file.
"""

from __future__ import annotations

import argparse
import os
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from itertools import product
from pathlib import Path

FOLDER = Path(__file__).parent
ROOT = FOLDER.parents[1]
sys.path.insert(0, str(ROOT))

from tests.bench.store import DSN, SERVER  # noqa: E402
from tests.bench.table import BETWEEN, HEAD  # noqa: E402
from tests.postgres_server import PostgresServer, find_postgres  # noqa: E402

PAGE = ROOT / "pipeline" / "docs" / "speed.md"
LONG = (
    *("advice", "by_hand", "forecast", "jobs", "plan"),
    *("quality", "records", "twin", "unread_thatch", "weeks", "workers"),
)
LAST_SAID = 12  # lines of the standard error of a bench that fails
ROUNDS = 3
MOST_COST = 1.10
ON_SERVER = ("advice_hour", "idle", "ingest", "pages", "recompute", "slot")
SERVER_MOST = 2.0
Row = list[str]


def run(name: str, root: Path = ROOT, environment: Mapping[str, str] | None = None) -> tuple[list[Row], int]:
    """Run one bench of a checkout and show what it prints; its rows of the table, and its exit code."""
    began_s, rows = time.monotonic(), []
    print(f"--- {name}", flush=True)
    command = [sys.executable, str(root / FOLDER.relative_to(ROOT) / f"bench_{name}.py")]
    with tempfile.TemporaryFile("w+") as said:
        with subprocess.Popen(
            command, cwd=root, env={**os.environ, **(environment or {})}, stdout=subprocess.PIPE, stderr=said, text=True
        ) as bench:
            assert bench.stdout is not None
            for line in bench.stdout:
                print(line, end="", flush=True)
                cells = [cell.strip() for cell in line.split(BETWEEN)]
                if len(cells) == len(HEAD):
                    rows.append([name, *cells])
        if bench.returncode:
            said.seek(0)
            print(*said.readlines()[-LAST_SAID:], sep="", end="", flush=True)
    print(f"--- {name}: {time.monotonic() - began_s:.0f} s, exit code {bench.returncode}", flush=True)
    return rows, bench.returncode


def table(rows: list[Row]) -> str:
    """The rows below their head, as Markdown, each column as wide as its widest cell."""
    lines = [["bench", *HEAD], *rows]
    widths = [max(len(line[i]) for line in lines) for i in range(len(lines[0]))]
    lines.insert(1, ["-" * width for width in widths])
    return "\n".join(
        f"| {BETWEEN.join(cell.ljust(width) for cell, width in zip(line, widths, strict=True))} |" for line in lines
    )


def cost(row: Row) -> float | None:
    """What a row's figure costs: its value, or for a rate one over it; None where it tells none."""
    found = re.match(r"([\d.]+) ([^ ]*)", row[2])
    if found is None or float(found[1]) == 0.0:
        return None
    return 1.0 / float(found[1]) if found[2].endswith("/s") else float(found[1])


def against(commit: str, names: list[str]) -> int:
    """Run benches at a commit and here in turn, and print what each figure costs over what it cost; 1 over the most."""
    costs: dict[tuple[str, str], tuple[list[float], list[float]]] = {}
    with tempfile.TemporaryDirectory() as folder:
        then = Path(folder) / "then"
        subprocess.run(["git", "worktree", "add", "-q", "--detach", str(then), commit], cwd=ROOT, check=True)
        try:
            for _, name, (which, root) in product(range(ROUNDS), names, enumerate((then, ROOT))):
                for row in run(name, root)[0]:
                    if (each := cost(row)) is not None:
                        costs.setdefault((name, row[1]), ([], []))[which].append(each)
        finally:
            subprocess.run(["git", "worktree", "remove", "--force", str(then)], cwd=ROOT, check=True)
    dearer = 0
    for (name, measure), (before, now) in costs.items():
        if not before or not now:
            print(BETWEEN.join((name, measure, "new" if now else "gone")))
            continue
        over = statistics.median(now) / statistics.median(before)
        dearer += over > MOST_COST
        print(BETWEEN.join((name, measure, f"{over:.2f} of {commit}", f"n {len(before)} and {len(now)}")))
    return int(bool(dearer))


def on_server(names: list[str]) -> tuple[list[Row], list[str]]:
    """Run benches with a file and with a server in turn; return the rows of the server over the file, and the benches
    that cost too much there or failed."""
    programs = find_postgres()
    if programs is None:
        raise SystemExit("found no postgres, expected Debian's `postgresql`")
    rows, failed = [], []
    server = PostgresServer(programs, settings=("shared_buffers=256MB", "max_connections=300")).start()
    try:
        there = {DSN: server.dsn, SERVER: str(server.pid)}
        for name in names:
            in_file = {row[1]: cost(row) for row in run(name)[0]}
            found = run(name, environment=there)[0]
            failed += [name] * (not found)
            for row in found:
                now, before = cost(row), in_file.get(row[1])
                if now is None or before is None or row[1].startswith("bytes of"):
                    continue
                ratio = now / before
                failed += [name] * (ratio > SERVER_MOST)
                most = f"{SERVER_MOST:g} of a file's"
                rows.append([f"{name} on PostgreSQL", row[1], row[2], most, f"{ratio:.2f}", "-"])
    finally:
        server.remove()
    return rows, list(dict.fromkeys(failed))


def main() -> int:
    """0 when every bench keeps its limits, or costs no more than at the commit."""
    names = [path.stem.removeprefix("bench_") for path in sorted(FOLDER.glob("bench_*.py"))]
    parser = argparse.ArgumentParser(prog="python tests/bench", description="benches of speed and size, and one table")
    parser.add_argument("--page", action="store_true", help=f"write the table into {PAGE.relative_to(ROOT)}")
    parser.add_argument(
        "--postgresql", action="store_true", help="what each figure costs there over what it costs here"
    )
    parser.add_argument("--against", metavar="COMMIT", help="what each figure costs over what it cost there")
    parser.add_argument("names", metavar="NAME", nargs="*", help=", ".join(names))
    asked = parser.parse_args()
    if unknown := set(asked.names) - set(names):
        parser.error(f"found {', '.join(sorted(unknown))}, expected some of {', '.join(names)}")
    wanted = asked.names or [name for name in names if name not in LONG]
    if asked.against:
        return against(asked.against, wanted)
    rows: list[Row] = []
    failed: list[str] = []
    if asked.postgresql:
        rows, failed = on_server(asked.names or list(ON_SERVER))
    for name in [] if asked.postgresql else wanted:
        found, code = run(name)
        rows += found
        failed += [name] * bool(code)
    print(table(rows))
    print(f"missed a limit: {', '.join(failed) or 'none'}")
    if asked.page:
        head, _, old = PAGE.read_text(encoding="utf-8").partition("\n| bench")
        kept = [[cell.strip() for cell in line.strip("| ").split(BETWEEN)] for line in old.splitlines()[2:]]
        ran = {row[0] for row in rows}
        rows = sorted([*(row for row in kept if row[0] not in ran), *rows], key=lambda row: row[0])
        PAGE.write_text(f"{head.rstrip()}\n\n{table(rows)}\n", encoding="utf-8")
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
