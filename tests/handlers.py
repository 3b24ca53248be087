"""Which `except` of agent and pipeline no test has gone through: `python tests/handlers.py [.coverage]`.

It reads the data of a run of the tests under coverage (see the developers' guide) and prints each handler whose first
line never ran and that is not named below with the reason. Exit code 1 when there is one, and when one named has run.
"""

from __future__ import annotations

import ast
import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Set
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[1]
FOLDERS = ("probe_agent", "pipeline")
NAMED: dict[str, str] = {
    "pipeline/worker.py retry_quarantined: except PipelineFault": "hands a fault of the store on as it is",
}


class Handler(NamedTuple):
    """One `except`: its name (file, function, what it catches, which of several alike) and the first line it runs."""

    name: str
    file: str
    line: int


def handlers(source: str, file: str) -> Iterator[Handler]:
    """Yield every handler of a file. A line number is counted from 1."""
    seen = Counter[str]()

    def walk(node: ast.AST, place: str) -> Iterator[Handler]:
        for child in ast.iter_child_nodes(node):
            inner = place
            if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                inner = f"{place}.{child.name}".lstrip(".")
            if isinstance(child, ast.ExceptHandler):
                caught = "" if child.type is None else ast.unparse(child.type)
                name = f"{file} {place}: except {caught}"
                seen[name] += 1
                count = f" ({seen[name]})" if seen[name] > 1 else ""
                yield Handler(name + count, file, child.body[0].lineno)
            yield from walk(child, inner)

    yield from walk(ast.parse(source), "")


def every_handler(root: Path = ROOT) -> list[Handler]:
    """Return the handlers of agent and pipeline."""
    files = sorted(file for folder in FOLDERS for file in (root / folder).rglob("*.py"))
    return [one for file in files for one in handlers(file.read_text(), file.relative_to(root).as_posix())]


def judged(found: list[Handler], ran: Mapping[str, Set[int]], named: Mapping[str, str]) -> list[str]:
    """Return what is wrong: handlers that did not run and are not named, named ones that did run or are not there."""
    silent = {one.name for one in found if one.line not in ran.get(one.file, set())}
    wrong = [f"never ran: {one.name} (line {one.line})" for one in found if one.name in silent - set(named)]
    wrong += [f"named, and has run: {name}" for name in named if name in {one.name for one in found} - silent]
    return wrong + [f"named, and is not there: {name}" for name in named if name not in {one.name for one in found}]


def lines_run(data_file: str) -> dict[str, set[int]]:
    """Return the lines that ran, by file, of what coverage has written."""
    from coverage import Coverage

    run = Coverage(data_file)
    run.combine()  # each process has written a file of its own
    data = run.get_data()
    ran: dict[str, set[int]] = {}
    for file in data.measured_files():
        path = Path(file)
        if path.is_relative_to(ROOT):
            ran[path.relative_to(ROOT).as_posix()] = set(data.lines(file) or ())
    return ran


def main() -> int:
    found = every_handler()
    ran = lines_run(sys.argv[1] if len(sys.argv) > 1 else str(ROOT / ".coverage"))
    wrong = judged(found, ran, NAMED)
    print("\n".join(wrong))
    through = sum(one.line in ran.get(one.file, set()) for one in found)
    print(f"{len(found)} handlers: {through} gone through, {len(NAMED)} named with the reason, {len(wrong)} wrong")
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
