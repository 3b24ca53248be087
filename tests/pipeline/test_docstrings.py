"""Public functions of forecast and advice say in plain words what they do, with the unit of each number."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

PIPELINE = Path(__file__).parents[2] / "pipeline"
FILES = [path for folder in ("forecast", "advice") for path in sorted((PIPELINE / folder).glob("*.py"))]
VERB = re.compile(r"(Return|Carry|Do|Fetch|Fill|Fit|Have|Interrupt|Judge|Note|Put|Read|Work) ")
NUMBER = re.compile(r"\b(float|FloatArray|ArrayLike)\b")
UNIT = re.compile(r"\[[^\]]+\]|in the unit of", re.I)


def functions() -> list[pytest.param]:
    """Public functions of modules, and public methods that are no properties."""
    found = []
    for path in FILES:
        for outer in ast.parse(path.read_text(encoding="utf-8")).body:
            inner = outer.body if isinstance(outer, ast.ClassDef) and not outer.name.startswith("_") else [outer]
            for node in inner:
                plain = isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
                if plain and "property" not in [getattr(one, "id", "") for one in node.decorator_list]:
                    found.append(pytest.param(node, id=f"{path.stem}.{node.name}"))
    return found


@pytest.mark.parametrize("node", functions())
def test_function_begins_with_a_verb_and_gives_its_units(node: ast.FunctionDef) -> None:
    """The first line is in the imperative, and one that takes or returns numbers says their unit."""
    words = ast.get_docstring(node) or ""
    assert VERB.match(words), words.partition("\n")[0]
    annotations = [one.annotation for one in (*node.args.args, *node.args.kwonlyargs)] + [node.returns]
    if any(NUMBER.search(ast.unparse(one)) for one in annotations if one is not None):
        assert UNIT.search(words), words.partition("\n")[0]


@pytest.mark.parametrize("path", [pytest.param(path, id=path.stem) for path in FILES])
def test_module_says_what_it_is_for_and_forbids_nothing(path: Path) -> None:
    """A paragraph of what must not be is held by a test, not by words."""
    words = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    assert words and "must not" not in words and "must never" not in words
