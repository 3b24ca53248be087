"""The list of error handlers that no test goes through finds them, and what is named with a reason has to be true."""

from __future__ import annotations

from tests.handlers import NAMED, Handler, every_handler, handlers, judged

SOURCE = """
def one():
    try:
        ...
    except (OSError, ValueError) as err:
        raise
    try:
        ...
    except (OSError, ValueError):
        x = 1
class Two:
    def three(self):
        try:
            ...
        except:
            pass
"""


def test_a_handler_is_named_by_its_place_and_what_it_catches() -> None:
    """File, function, what is caught; of several alike, which. The line is the first that runs in it."""
    assert list(handlers(SOURCE, "a.py")) == [
        Handler("a.py one: except (OSError, ValueError)", "a.py", 6),
        Handler("a.py one: except (OSError, ValueError) (2)", "a.py", 10),
        Handler("a.py Two.three: except ", "a.py", 16),
    ]


def test_a_handler_that_never_ran_is_told_unless_it_is_named() -> None:
    """Neither a silent handler goes by, nor a reason for one that has run or is gone."""
    found = list(handlers(SOURCE, "a.py"))
    ran = {"a.py": {3, 4, 6, 15}}
    silent = [one.name for one in found[1:]]
    assert judged(found, ran, {}) == [f"never ran: {one.name} (line {one.line})" for one in found[1:]]
    assert judged(found, ran, dict.fromkeys(silent, "why")) == []
    assert judged(found, ran, dict.fromkeys([*silent, found[0].name, "gone"], "why")) == [
        f"named, and has run: {found[0].name}", "named, and is not there: gone",
    ]  # fmt: skip


def test_every_handler_that_is_named_is_there() -> None:
    """A reason goes with its handler."""
    assert set(NAMED) <= {one.name for one in every_handler()}
