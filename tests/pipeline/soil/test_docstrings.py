"""Every public function of the sums documents each parameter and what it returns, with its unit, and a source; every
public function of the stages says the units of its numbers."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

SOIL = Path(__file__).parents[3] / "pipeline" / "soil"
FUNCTIONS = [
    pytest.param(path, node, id=f"{path.stem}.{node.name}")
    for path in sorted(SOIL.glob("*.py"))
    for node in ast.parse(path.read_text(encoding="utf-8")).body
    if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
]
NUMBER = re.compile(r"\b(float|int|array_like|ndarray|integers?)\b")
COUNT = re.compile(r"seed|draws|fewest|least_count|\bn\b")  # whole numbers that count, or begin a random sequence
UNIT = re.compile(r"\[[^\]]+\]")
SOURCE = re.compile(
    r"\b(1[89]|20)\d\d\b|FAO-56|ASAE|common practice|from memory|algebra|definition|arithmetic|our own|own choice", re.I
)
FLAGS = re.compile(r"uint8|bool")  # neither has a unit


def sections(node: ast.FunctionDef) -> dict[str, str]:
    """Text of a docstring under each of its headings, the opening under "" ."""
    parts = re.split(r"^(\w+)\n-{3,}\n", ast.get_docstring(node) or "", flags=re.M)
    return {"": parts[0], **dict(zip(parts[1::2], parts[2::2], strict=True))}


def entries(text: str) -> dict[str, tuple[str, str]]:
    """Type and description of each name of a numpydoc section; names that share a line share both."""
    found: dict[str, tuple[str, str]] = {}
    for match in re.finditer(r"^(\S[^\n]*)\n?((?:[ ]{4}[^\n]*\n?|\n(?=[ ]{4}))*)", text, re.M):
        names, _, kind = match[1].partition(" : ")
        for name in names.split(", "):
            found[name.strip("* ")] = (kind or names, match[2])
    return found


def faults(node: ast.FunctionDef, module_words: str) -> list[str]:
    """What the docstring of a function leaves out."""
    parts = sections(node)
    described, told = entries(parts.get("Parameters", "")), []
    for one in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs):
        if one.arg not in described:
            told.append(f"{one.arg} is not described")
        elif NUMBER.search(kind := described[one.arg][0]) and not (COUNT.search(one.arg) or FLAGS.search(kind)):
            told += [] if UNIT.search(" ".join(described[one.arg])) else [f"{one.arg} has no unit in brackets"]
    returned = entries(parts.get("Returns", ""))
    if not returned:
        told.append("what it returns is not described")
    for name, (kind, words) in returned.items():
        number = re.search(r"\b(float|ndarray|Estimate)\b", f"{name} {kind}") and not FLAGS.search(kind)
        if number and not UNIT.search(f"{kind} {words}"):
            told.append(f"returned {name} has no unit in brackets")
    if not SOURCE.search(ast.get_docstring(node) or "") and not SOURCE.search(module_words):
        told.append("neither function nor module names a source")
    return told


@pytest.mark.parametrize(("path", "node"), FUNCTIONS)
def test_function_says_units_shapes_and_source(path: Path, node: ast.FunctionDef) -> None:
    """Each parameter that is a number and each number returned has its unit in brackets, and there is a source."""
    assert faults(node, ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "") == []


STAGES = SOIL.parent / "stages"
NUMERIC = re.compile(r"\b(int|float|FloatArray|TimeArray|Series)\b")
NUMBERED = [
    pytest.param(node, id=f"{path.stem}.{node.name}")
    for path in sorted(STAGES.glob("*.py"))
    for node in ast.parse(path.read_text(encoding="utf-8")).body
    if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
]


@pytest.mark.parametrize("node", NUMBERED)
def test_function_of_numbers_says_a_unit(node: ast.FunctionDef) -> None:
    """A public function that takes or gives numbers has a unit in brackets in its docstring."""
    kinds = [one.annotation for one in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)]
    written = " ".join(ast.unparse(kind) for kind in (*kinds, node.returns) if kind is not None)
    assert not NUMERIC.search(written) or UNIT.search(ast.get_docstring(node) or "")
