"""Every bench of speed and size, one after the other, and one table of what they measured.

    python tests/bench [--page] [NAME ...]

NAME is that of a bench without `bench_`; without any, all but the long ones about truth (`advice`, `by_hand`,
`forecast`, `plan`, `quality`, `records`, `twin`). What a bench prints is shown as it comes; the lines with a limit
(`tests/bench/table.py`) stand in the table at the end. With `--page` they are written into `pipeline/docs/speed.md`
too, in place of those before of the same benches.
Exits 1 when a bench misses a limit.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

FOLDER = Path(__file__).parent
ROOT = FOLDER.parents[1]
sys.path.insert(0, str(ROOT))

from tests.bench.table import BETWEEN, HEAD  # noqa: E402

PAGE = ROOT / "pipeline" / "docs" / "speed.md"
LONG = ("advice", "by_hand", "forecast", "plan", "quality", "records", "twin")
LAST_SAID = 12  # lines of the standard error of a bench that fails
Row = list[str]


def run(name: str) -> tuple[list[Row], int]:
    """Run one bench and show what it prints; its rows of the table, and its exit code."""
    began_s, rows = time.monotonic(), []
    print(f"--- {name}", flush=True)
    command = [sys.executable, str(FOLDER / f"bench_{name}.py")]
    with tempfile.TemporaryFile("w+") as said:
        with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=said, text=True) as bench:
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


def main() -> int:
    """0 when every bench keeps its limits."""
    names = [path.stem.removeprefix("bench_") for path in sorted(FOLDER.glob("bench_*.py"))]
    parser = argparse.ArgumentParser(prog="python tests/bench", description="benches of speed and size, and one table")
    parser.add_argument("--page", action="store_true", help=f"write the table into {PAGE.relative_to(ROOT)}")
    parser.add_argument("names", metavar="NAME", nargs="*", help=", ".join(names))
    asked = parser.parse_args()
    if unknown := set(asked.names) - set(names):
        parser.error(f"found {', '.join(sorted(unknown))}, expected some of {', '.join(names)}")
    rows, failed = [], []
    for name in asked.names or [name for name in names if name not in LONG]:
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
