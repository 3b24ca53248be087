"""Reading a TOML table while collecting every fault in it, so that one run of a check shows them all.

Each fault is one line, `file: key: found X, expected Y`. A value that is at fault is replaced by a harmless one so that
reading can go on; the caller must refuse the whole file when any fault was found. It opens no file but those it is
asked to look at as secrets, and never reads what is in them.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from hardware.reading import is_slug

Table = Mapping[str, Any]


class Check:
    """The faults of one file, found while its values are read.

    Parameters
    ----------
    file : str
        How the file is called in the faults.
    folder : Path
        Relative paths in the file are counted from here.
    """

    def __init__(self, file: str, folder: Path) -> None:
        self.file = file
        self.folder = folder
        self.faults: list[str] = []

    def fault(self, key: str, found: object, expected: str) -> None:
        """Note one fault; `found` is shown as it would be written."""
        self.faults.append(f"{self.file}: {key}: found {found!r}, expected {expected}")

    def missing(self, key: str, expected: str) -> None:
        """Note that a key is not there."""
        self.faults.append(f"{self.file}: {key}: found nothing, expected {expected}")

    def keys(self, table: Table, at: str, known: Iterable[str]) -> None:
        """Note every key that is not known, with the nearest that is."""
        names = sorted(known)
        for key in table:
            if key not in names:
                near = difflib.get_close_matches(key, names, 1)
                expected = repr(near[0]) if near else f"one of {', '.join(names) if names else 'no keys at all'}"
                self.faults.append(f"{self.file}: {at}{key}: found an unknown key, expected {expected}")

    def table(self, table: Table, at: str, key: str) -> Table:
        """The table under `key`; an empty one when there is none."""
        value = table.get(key, {})
        if not isinstance(value, dict):
            self.fault(f"{at}{key}", value, f"a table [{at}{key}]")
            return {}
        return value

    def tables(self, table: Table, at: str, key: str, *, least: int, most: int) -> list[Table]:
        """The list of tables under `key`, `[[key]]` in the file."""
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            self.fault(f"{at}{key}", value, f"tables, each begun by [[{at}{key}]]")
            return []
        if not least <= len(value) <= most:
            self.fault(f"{at}{key}", len(value), f"{least} to {most} tables, each begun by [[{at}{key}]]")
        return list(value[:most])

    def text(self, table: Table, at: str, key: str, default: str | None) -> str:
        """A text of 1 to 200 characters (or the default, which may be empty)."""
        if key not in table and default is not None:
            return default
        value = table.get(key)
        if value is None:
            self.missing(f"{at}{key}", "text")
            return ""
        if not isinstance(value, str) or not 1 <= len(value) <= 200 or not value.isprintable():
            self.fault(f"{at}{key}", value, "1 to 200 printable characters")
            return default or ""
        return value

    def web_address(self, table: Table, at: str, key: str, default: str | None) -> str:
        """An address of the web (or the default, which may be empty)."""
        text = self.text(table, at, key, default)
        if text and not text.startswith(("http://", "https://")):
            self.fault(f"{at}{key}", text, "an address that begins with http:// or https://")
        return text

    def slug(self, table: Table, at: str, key: str) -> str:
        """A name: small letters, digits, `-` and `_`, at most 64."""
        value = table.get(key)
        if not isinstance(value, str) or not is_slug(value):
            expected = "a name of small letters, digits, - and _, at most 64 of them"
            if value is None:
                self.missing(f"{at}{key}", expected)
            else:
                self.fault(f"{at}{key}", value, expected)
            return ""
        return value

    def one_of(self, table: Table, at: str, key: str, allowed: Iterable[str], default: str | None) -> str:
        """One of a few words."""
        words = list(allowed)
        value = table.get(key, default)
        if value not in words:
            near = difflib.get_close_matches(value, words, 1) if isinstance(value, str) else []
            expected = f"one of {', '.join(words)}" + (f", nearest {near[0]!r}" if near else "")
            if value is None:
                self.missing(f"{at}{key}", expected)
            else:
                self.fault(f"{at}{key}", value, expected)
            return words[0]
        return str(value)

    def number(self, table: Table, at: str, key: str, default: float | None, lowest: float, highest: float) -> float:
        """A finite number within limits, both included."""
        value = table.get(key, default)
        expected = f"a number from {lowest:g} to {highest:g}"
        if value is None:
            self.missing(f"{at}{key}", expected)
            return lowest
        if isinstance(value, bool) or not isinstance(value, int | float) or not lowest <= value <= highest:
            self.fault(f"{at}{key}", value, expected)
            return lowest if default is None else default
        return float(value)

    def optional_number(self, table: Table, at: str, key: str, lowest: float, highest: float) -> float | None:
        """A finite number within limits, or None when the key is not there."""
        return self.number(table, at, key, lowest, lowest, highest) if key in table else None

    def port(self, table: Table, at: str, key: str, default: int) -> int:
        """A TCP port, a whole number from 1 to 65535."""
        value = table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 65535:
            self.fault(f"{at}{key}", value, "a whole number from 1 to 65535")
            return default
        return value

    def flag(self, table: Table, at: str, key: str, *, default: bool) -> bool:
        """True or false."""
        value = table.get(key, default)
        if not isinstance(value, bool):
            self.fault(f"{at}{key}", value, "true or false")
            return default
        return value

    def path(self, table: Table, at: str, key: str, default: str | None) -> Path | None:
        """A path, counted from the file's own folder when it is relative."""
        value = table.get(key, default)
        if value is None:
            return None
        if not isinstance(value, str) or not value or "\0" in value:
            self.fault(f"{at}{key}", value, "a path")
            return None
        return (self.folder / value).absolute()

    def directory(self, table: Table, at: str, key: str) -> Path | None:
        """A path to a folder that must be there; None when the key is not there, or at fault."""
        path = self.path(table, at, key, None)
        if path is not None and not path.is_dir():
            self.fault(f"{at}{key}", str(path), "a folder that is there")
            return None
        return path

    def secret(self, table: Table, at: str, key: str) -> Path | None:
        """A path to a file that holds a secret. The file must be there; the secret itself is not read here."""
        path = self.path(table, at, key, None)
        if path is not None and not path.is_file():
            self.fault(f"{at}{key}", str(path), "a file that is there and holds the secret alone")
        return path

    def only_with(self, table: Table, at: str, keys: Iterable[str], condition: str) -> None:
        """Note every one of `keys` that is written although it would have no effect."""
        for key in keys:
            if key in table:
                self.faults.append(f"{self.file}: {at}{key}: found a value, expected none unless {condition}")


def finite(value: object) -> bool:
    """Whether a TOML value is a finite number and not true or false."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
