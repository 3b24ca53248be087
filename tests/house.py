"""The shape of the code in numbers: `python tests/house.py` prints them, tests/test_architecture.py holds them.

Everything is read from the text of the shipped packages; nothing of them is run.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parent.parent
PACKAGES = ("hardware", "probe_agent", "pipeline", "api", "simulator")
MAY_IMPORT: Mapping[str, set[str]] = {
    "hardware": set(),
    "probe_agent": {"hardware"},
    "pipeline": {"hardware"},
    "api": {"hardware", "pipeline"},
    "simulator": {"hardware"},
}
CONVENTIONAL = {"log", "router", "templates", "T", "__all__"}  # names that every module may have for itself
# One meaning, written twice because neither package may import the other.
SAME_MEANING = {"Clock", "SystemClock", "FollowClock", "ClockAway"}
# Called by whoever extends the program, not by the program: each with the document that says so.
EXTENSION_POINTS: Mapping[str, str] = {
    f"pipeline/locale/compile.py:{name}": "pyproject.toml" for name in ("compile_texts", "BuildWithTexts")
}


def modules(*packages: str) -> list[Path]:
    """The shipped modules, as paths below the root."""
    return [p.relative_to(ROOT) for package in packages or PACKAGES for p in sorted((ROOT / package).rglob("*.py"))]


def parsed(path: Path) -> ast.Module:
    """The syntax tree of one module."""
    return ast.parse((ROOT / path).read_text(encoding="utf-8"))


def code_lines(path: Path) -> int:
    """Lines that are neither blank, comment nor docstring."""
    text = (ROOT / path).read_text(encoding="utf-8")
    documented: set[int] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) and node.body:
            first = node.body[0]
            if (
                isinstance(first, ast.Expr)
                and isinstance(first.value, ast.Constant)
                and isinstance(first.value.value, str)
            ):
                documented |= set(range(first.lineno, (first.end_lineno or first.lineno) + 1))
    lines = enumerate(text.splitlines(), 1)
    return sum(1 for n, line in lines if line.strip() and not line.strip().startswith("#") and n not in documented)


def assigned(tree: ast.Module) -> Iterator[str]:
    """Names given a value at the top of a module."""
    for node in tree.body:
        targets = (
            node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
        )
        for target in targets:
            for one in target.elts if isinstance(target, ast.Tuple) else [target]:
                if isinstance(one, ast.Name):
                    yield one.id


def classes_with_two_meanings() -> dict[str, list[str]]:
    """Class names that more than one module defines, with the modules."""
    homes: dict[str, list[str]] = {}
    for path in modules():
        for node in parsed(path).body:
            if isinstance(node, ast.ClassDef) and node.name not in SAME_MEANING:
                homes.setdefault(node.name, []).append(path.as_posix())
    return {name: where for name, where in homes.items() if len(where) > 1}


def constants_defined_twice() -> dict[str, list[str]]:
    """Public names of constants that two modules define, one of which could import the other."""
    homes: dict[str, list[str]] = {}
    for path in modules():
        for name in dict.fromkeys(assigned(parsed(path))):
            if not name.startswith("_") and name not in CONVENTIONAL:
                homes.setdefault(name, []).append(path.as_posix())
    return {name: twice for name, where in homes.items() if (twice := _in_sight_of_each_other(where))}


def _in_sight_of_each_other(paths: list[str]) -> list[str]:
    seen = {p: {p.split("/")[0], *MAY_IMPORT[p.split("/")[0]]} for p in paths}
    return [
        p for p in paths if any(q != p and (q.split("/")[0] in seen[p] or p.split("/")[0] in seen[q]) for q in paths)
    ]


@dataclass
class _Definition:
    """A function, method or class, with the names it mentions."""

    name: str
    where: str
    mentions: set[str] = field(default_factory=set)
    always: bool = False


def functions_reached_by_tests_only() -> list[str]:
    """Functions, methods and classes that no shipped code, template or program entry leads to."""
    definitions: list[_Definition] = []
    reached: set[str] = {"main"}
    for path in modules():
        _collect(parsed(path), path.as_posix(), definitions, reached)
    for template in (ROOT / "api").rglob("*.html"):
        reached |= set(re.findall(r"\w+", template.read_text(encoding="utf-8")))
    waiting = definitions
    while True:
        found = [d for d in waiting if d.always or d.name in reached]
        if not found:
            break
        reached |= {name for d in found for name in d.mentions}
        waiting = [d for d in waiting if not (d.always or d.name in reached) or (d not in found and d.name in reached)]
        waiting = [d for d in waiting if d not in found]
    return sorted(f"{d.where}:{d.name}" for d in waiting if f"{d.where}:{d.name}" not in EXTENSION_POINTS)


def _collect(tree: ast.Module, where: str, definitions: list[_Definition], reached: set[str]) -> None:
    ours = {n.name for n in tree.body if isinstance(n, ast.ClassDef)}
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            definitions.append(
                _Definition(node.name, where, _names(node), bool(node.decorator_list) and _registers(node))
            )
        elif isinstance(node, ast.ClassDef):
            _collect_class(node, where, definitions, ours)
        elif isinstance(node, ast.Import | ast.ImportFrom):
            reached |= {alias.name for alias in node.names if alias.asname is not None}
        else:
            reached |= _names(node)


def _collect_class(node: ast.ClassDef, where: str, definitions: list[_Definition], ours: set[str]) -> None:
    foreign = any(ast.unparse(b).split(".")[-1].split("[")[0] not in ours for b in node.bases)
    methods = [n for n in node.body if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)]
    rest = [n for n in node.body if n not in methods]
    own = {name for n in (*rest, *node.bases, *node.decorator_list) for name in _names(n)}
    for method in methods:
        if method.name.startswith("__") or _registers(method):
            own |= _names(method)
        else:
            definitions.append(_Definition(method.name, where, _names(method), foreign and node.bases != []))
    definitions.append(_Definition(node.name, where, own))


def _registers(node: ast.FunctionDef | ast.AsyncFunctionDef) -> bool:
    """Whether a decorator hands the function to something that calls it."""
    plain = {"property", "cached_property", "cache", "lru_cache", "staticmethod", "classmethod", "contextmanager",
             "overload", "abstractmethod", "wraps"}  # fmt: skip
    return any(ast.unparse(d).split("(")[0].split(".")[-1] not in plain for d in node.decorator_list)


def _names(node: ast.AST) -> set[str]:
    found = set()
    for n in ast.walk(node):
        if isinstance(n, ast.Name):
            found.add(n.id)
        elif isinstance(n, ast.Attribute):
            found.add(n.attr)
        elif isinstance(n, ast.Constant) and isinstance(n.value, str) and n.value.isidentifier():
            found.add(n.value)
    return found - ({node.name} if hasattr(node, "name") else set())


def findings_nobody_shows() -> list[str]:
    """Quantities that a stage draws and the catalogue, whose every entry a test finds on its page, does not have."""
    sys.path.insert(0, str(ROOT))
    from pipeline.stages import STAGES
    from pipeline.stages.catalogue import CATALOGUE

    drawn = {quantity for stage in STAGES for quantity in (*stage.findings, *stage.channel_findings)}
    return sorted(drawn - CATALOGUE.keys())


def main() -> None:
    """Print every number, and what stands behind those that should be nought."""
    for package in PACKAGES:
        paths = modules(package)
        print(f"{package}: {sum(map(code_lines, paths))} lines of code in {len(paths)} files")
    for title, found in (
        ("class names with two meanings", [f"{n}: {', '.join(w)}" for n, w in classes_with_two_meanings().items()]),
        ("constants defined twice", [f"{n}: {', '.join(w)}" for n, w in constants_defined_twice().items()]),
        ("functions reached by tests only", functions_reached_by_tests_only()),
        ("findings nobody shows", findings_nobody_shows()),
    ):
        print(f"{title}: {len(found)}")
        if "-v" in sys.argv:
            print(*(f"  {line}" for line in found), sep="\n")


if __name__ == "__main__":
    main()
