"""Reading of scenario tables: typed values with limits, every fault of a file collected and said in one run.

It knows TOML tables and nothing of turf. Faults read `file: key: found X, expected Y`.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping
from datetime import UTC, date, datetime
from typing import Any

Table = Mapping[str, Any]


class Check:
    """Collects the faults of one file while its values are read."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.faults: list[str] = []

    def fault(self, key: str, found: object, expected: str) -> None:
        """Note one fault."""
        self.faults.append(f"{self.file}: {key}: found {found!r}, expected {expected}")

    def keys(self, table: Table, at: str, known: Collection[str]) -> None:
        """Unknown keys are faults, with the nearest known one."""
        for key in table:
            if key not in known:
                near = difflib.get_close_matches(key, known, 1)
                self.fault(
                    f"{at}{key}", "an unknown key", repr(near[0]) if near else f"one of {', '.join(sorted(known))}"
                )

    def table(self, table: Table, at: str, key: str) -> Table:
        """A table, empty where there is none."""
        value = table.get(key, {})
        if not isinstance(value, dict):
            self.fault(f"{at}{key}", value, "a table")
            return {}
        return value

    def tables(self, table: Table, at: str, key: str, *, least: int = 0) -> list[Table]:
        """A list of tables."""
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value) or len(value) < least:
            self.fault(f"{at}{key}", value, f"{least} or more tables")
            return []
        return value

    def text(self, table: Table, at: str, key: str, default: str | None = None) -> str:
        """A text that is not empty; required where there is no default."""
        value = table.get(key, default)
        if not isinstance(value, str) or (default is None and not value.strip()):
            self.fault(f"{at}{key}", value, "text")
            return ""
        return value

    def one_of(self, table: Table, at: str, key: str, allowed: Collection[str], default: str | None = None) -> str:
        """One of some words."""
        value = table.get(key, default)
        if value not in allowed:
            near = difflib.get_close_matches(str(value), allowed, 1)
            hint = f", nearest {near[0]!r}" if near else ""
            self.fault(f"{at}{key}", value, f"one of {', '.join(allowed)}{hint}")
            return next(iter(allowed))
        return str(value)

    def number(self, table: Table, at: str, key: str, default: float | None, lowest: float, highest: float) -> float:
        """A number within limits, both included; required where there is no default."""
        value = table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not lowest <= value <= highest:
            self.fault(f"{at}{key}", value, f"a number from {lowest:g} to {highest:g}")
            return lowest if default is None else default
        return float(value)

    def whole(self, table: Table, at: str, key: str, default: int | None, lowest: int, highest: int) -> int:
        """A whole number within limits."""
        value = table.get(key, default)
        if type(value) is not int or not lowest <= value <= highest:
            self.fault(f"{at}{key}", value, f"a whole number from {lowest} to {highest}")
            return lowest if default is None else default
        return value

    def words(self, table: Table, at: str, key: str) -> tuple[str, ...]:
        """A list of texts, empty where there is none."""
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(entry, str) for entry in value):
            self.fault(f"{at}{key}", value, "a list of texts")
            return ()
        return tuple(value)

    def day(self, table: Table, at: str, key: str, default: datetime | None = None) -> datetime:
        """Midnight UTC of a date, or a moment with its offset."""
        value = table.get(key)
        if value is None and default is not None:
            return default
        if isinstance(value, datetime):
            if value.tzinfo is not None:
                return value.astimezone(UTC)
        elif isinstance(value, date):
            return datetime(value.year, value.month, value.day, tzinfo=UTC)
        self.fault(f"{at}{key}", value, "a date as 2025-06-01, or a moment as 2025-06-01T05:00:00Z (no quotes)")
        return datetime(2000, 1, 1, tzinfo=UTC)
