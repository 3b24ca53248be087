"""TOML read within bounds, and the check of its tables by hand: every fault of a file in one run, as `file: key: found
X, expected Y`.

The reading is shared by every TOML file of the project; the check by probe descriptions and the agent's settings, which
must do without the server's libraries.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from typing import Any

MAX_NESTING = 32  # levels of tables and lists; ours have eight at most
FOUND_CHARS = 200  # characters of what was found, in a fault


class NotToml(ValueError):
    """A text is no TOML, or its tables and lists lie too deep in one another to be looked through."""


def parse_toml(text: str) -> dict[str, Any]:
    """Return the tables of a text.

    Raises
    ------
    NotToml
    """
    try:
        table = tomllib.loads(text)
    except ValueError as err:  # a number of thousands of digits is no TOMLDecodeError
        raise NotToml(str(err)) from err
    except RecursionError as err:
        raise NotToml(_TOO_DEEP) from err
    level: list[Any] = [table]
    for _ in range(MAX_NESTING):
        inside = (one.values() if isinstance(one, dict) else one for one in level)
        level = [value for values in inside for value in values if isinstance(value, dict | list)]
        if not level:
            return table
    raise NotToml(_TOO_DEEP)


_TOO_DEEP = f"tables or lists in one another more than {MAX_NESTING} deep"


class TableCheck:
    """Collects the faults of one file while its values are read.

    Parameters
    ----------
    file : object
        What each fault begins with: a path or a name.
    """

    def __init__(self, file: object) -> None:
        self.faults: list[str] = []
        self.file = str(file)

    def fault(self, key: str, found: object, expected: str) -> None:
        """Note a fault of a key; None is told as nothing."""
        shown = "nothing" if found is None else repr(found)
        shown = shown if len(shown) <= FOUND_CHARS else f"{shown[:FOUND_CHARS]}..."
        self.faults.append(f"{self.file}: {key}: found {shown}, expected {expected}")

    def keys(self, table: Mapping[str, object], at: str, known: Iterable[str]) -> Mapping[str, object]:
        """Note each key of a table that is not known, with the nearest name; returns the table."""
        names = tuple(sorted(known)) if isinstance(known, set) else tuple(known)
        for key in table:
            if key not in names:
                self.fault(f"{at}{key}", "an unknown key", f"one of {', '.join(names)}{_nearest(key, names)}")
        return table

    def text(self, table: Mapping[str, object], at: str, key: str, default: str | None) -> str:
        """Return a text that is not empty; the default, or an empty one, in place of a fault."""
        value = table.get(key, default)
        if not isinstance(value, str) or (key in table and not value):
            self.fault(f"{at}{key}", value, "text")
            return default or ""
        return value

    def one_of(
        self, table: Mapping[str, object], at: str, key: str, allowed: tuple[str, ...], default: str | None = None
    ) -> str:
        """Return a text of a list."""
        value = self.text(table, at, key, default)
        if value and value not in allowed and key in table:
            expected = f"one of {', '.join(allowed) or '(none is given)'}{_nearest(value, allowed)}"
            self.fault(f"{at}{key}", value, expected)
        return value

    def number(
        self,
        table: Mapping[str, object],
        at: str,
        key: str,
        default: float | None,
        lowest: float,
        highest: float,
    ) -> float:
        """Return a number within bounds; the default, or the lowest where there is none, in place of a fault."""
        value = table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not lowest <= value <= highest:
            self.fault(f"{at}{key}", value, f"a number from {lowest:g} to {highest:g}")
            return lowest if default is None else default
        return float(value)

    def numbers(
        self, table: Mapping[str, object], at: str, key: str, lowest: float, highest: float, most: int
    ) -> tuple[float, ...]:
        """Return a list of 1 to `most` different numbers within bounds; none where there is none, or a fault."""
        value = table.get(key)
        if value is None:
            return ()
        good = isinstance(value, list) and all(
            isinstance(one, int | float) and not isinstance(one, bool) and lowest <= one <= highest for one in value
        )
        if not good or not isinstance(value, list) or not 1 <= len(set(value)) == len(value) <= most:
            self.fault(f"{at}{key}", value, f"a list of 1 to {most} different numbers from {lowest:g} to {highest:g}")
            return ()
        return tuple(float(one) for one in value)

    def whole(
        self, table: Mapping[str, object], at: str, key: str, default: int | None, lowest: int, highest: int
    ) -> int:
        """Return a whole number within bounds; the default, or the lowest where there is none, in place of a fault."""
        value = table.get(key, default)
        if type(value) is not int or not lowest <= value <= highest:
            self.fault(f"{at}{key}", value, f"a whole number from {lowest} to {highest}")
            return lowest if default is None else default
        return value

    def flag(self, table: Mapping[str, object], at: str, key: str, *, default: bool = False) -> bool:
        """Return true or false."""
        value = table.get(key, default)
        if not isinstance(value, bool):
            self.fault(f"{at}{key}", value, "true or false")
            return default
        return value


def _nearest(word: str, known: tuple[str, ...]) -> str:
    near = difflib.get_close_matches(word, known, 1)
    return f", nearest is {near[0]!r}" if near else ""
