"""Docstrings of soil, site, stages, forecast and advice: a verb first, the unit of each number, types that exist.

Those of the sums in soil describe each parameter and what is returned, with unit and source.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.house import ROOT, modules, parsed

FOLDERS = ("soil", "site", "stages", "forecast", "advice")
FILES = [path for path in modules("pipeline") if path.parts[1] in FOLDERS]
VERB = re.compile(
    r"(Account|Add|Bring|Carry|Count|Do|Draw|Estimate|Evaluate|Fetch|Fill|Fit|Flag|Have|Interrupt|Judge|Keep|Learn|List"
    r"|Mark|Note|Pass|Put|Read|Redo|Remove|Return|Run|Say|Take|Test|Turn|Work) "
)
NUMBER = re.compile(r"\b(int|float|FloatArray|TimeArray|Series|ArrayLike)\b")
DESCRIBED_NUMBER = re.compile(r"\b(float|int|array_like|ndarray|integers?)\b")
UNIT = re.compile(r"\[[^\]]+\]")
COUNT = re.compile(r"seed|draws|fewest|least_count|\bn\b")  # whole numbers that count, or begin a random sequence
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
        elif DESCRIBED_NUMBER.search(kind := described[one.arg][0]) and not (
            COUNT.search(one.arg) or FLAGS.search(kind)
        ):
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


def functions(paths: Sequence[Path], *, methods: bool = True) -> list[pytest.param]:
    """Public functions of modules, and public methods that are no properties."""
    found = []
    for path in paths:
        for outer in parsed(path).body:
            inner = [outer]
            if isinstance(outer, ast.ClassDef):
                inner = outer.body if methods and not outer.name.startswith("_") else []
            for node in inner:
                if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                    marks = {getattr(one, "id", "") for one in node.decorator_list}
                    if not marks & {"property", "cached_property"}:
                        found.append(pytest.param(path, node, id=f"{path.parts[1]}.{path.stem}.{node.name}"))
    return found


@pytest.mark.parametrize(("path", "node"), functions(FILES))
def test_function_begins_with_a_verb_and_gives_its_units(path: Path, node: ast.FunctionDef) -> None:
    """The first line is in the imperative, and one that takes or returns numbers says their unit."""
    words = ast.get_docstring(node) or ""
    assert VERB.match(words), words.partition("\n")[0]
    kinds = [one.annotation for one in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)]
    if any(NUMBER.search(ast.unparse(kind)) for kind in (*kinds, node.returns) if kind is not None):
        assert UNIT.search(words), words.partition("\n")[0]


@pytest.mark.parametrize(("path", "node"), functions([p for p in FILES if p.parts[1] == "soil"], methods=False))
def test_sum_says_units_shapes_and_source(path: Path, node: ast.FunctionDef) -> None:
    """Each parameter that is a number and each number returned has its unit in brackets, and there is a source."""
    assert faults(node, ast.get_docstring(parsed(path)) or "") == []


@pytest.mark.parametrize("path", FILES, ids=str)
def test_module_says_what_it_is_for_and_forbids_nothing(path: Path) -> None:
    """A paragraph of what must not be is held by a test, not by words."""
    words = ast.get_docstring(parsed(path)) or ""
    assert words and "must not" not in words and "must never" not in words


@pytest.mark.parametrize("path", FILES, ids=str)
def test_type_in_a_docstring_is_one_of_the_code(path: Path) -> None:
    """A class that is named as the type of a parameter or attribute is one that the module itself uses."""
    used = {"None"}
    for node in ast.walk(parsed(path)):
        used |= {getattr(node, field, None) for field in ("id", "attr", "name")}
    kinds = re.findall(r"^ +[a-z_][\w, ]* : ([^.:\n]+)", (ROOT / path).read_text(encoding="utf-8"), re.M)
    assert {name for kind in kinds for name in re.findall(r"\b[A-Z][a-z]\w+", kind)} <= used
