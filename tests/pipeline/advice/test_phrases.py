"""Phrases that all texts share."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline.advice.phrases import lift_first, listed

ROOT = Path(__file__).parents[3]


@pytest.mark.parametrize(
    ("names", "said"),
    [((), ""), (("a",), "a"), (("a", "b"), "a and b"), (("a", "b", "c"), "a, b and c")],
)
def test_names_are_listed_as_a_sentence_has_them(names: tuple[str, ...], said: str) -> None:
    """Commas but for the last (plain English)."""
    assert listed(names) == said


def test_a_probe_called_thatch_does_not_read_as_the_thatch() -> None:
    """Nobody is told to lift the thatch and the profile of his square."""
    assert lift_first(("thatch", "profile")) == "Lift the thatch probe and the profile probe first"
    assert lift_first(("thatch",)) == "Lift the thatch probe first"
    assert lift_first(()) == ""


def test_no_other_text_tells_to_lift() -> None:
    """What is to be lifted is put into words in one place."""
    own = re.compile(r"""["'{ ]Lift \{|["' ]lift \{|Lift first""")
    sources = [p for room in ("pipeline", "api") for p in sorted((ROOT / room).rglob("*.py"))]
    found = [str(p.relative_to(ROOT)) for p in sources if own.search(p.read_text(encoding="utf-8"))]
    assert found == ["pipeline/advice/phrases.py"]
