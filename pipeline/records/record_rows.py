"""The rows of a table of text as numbers and instants, block by block, and every fault in them by line and column.

A block is read by the C parser of pandas. Only where it refuses one is the block looked through cell by cell, to say
which line is at fault and why.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pipeline.records.record_file import MOST_FAULTS, ImportFault, TextBlock, blocks_of
from pipeline.records.record_map import FileForm
from pipeline.site.fields import nearest
from pipeline.store.backup import Progress
from pipeline.units import FloatArray, TimeArray

SHOWN_ROWS = 10


@dataclass(frozen=True, slots=True)
class RowBlock:
    """Rows of some columns: texts of those asked for as texts, numbers of the others (NaN where there is none).

    `lines` are their numbers in the file; `texts` and `numbers` are by the name of the column.
    """

    lines: TimeArray
    texts: pd.DataFrame
    numbers: pd.DataFrame


@dataclass
class Faults:
    """What is wrong with a file, in the order in which it was found, up to `MOST_FAULTS`."""

    told: list[str] = field(default_factory=list)

    def add(self, line: int, words: str, column: str = "") -> None:
        """Note a fault of a line, or of a column of it. Raises ImportFault when there are too many."""
        where = f"line {line}" + (f", column {column!r}" if column else "")
        self.told.append(f"{where}: {words}")
        if len(self.told) >= MOST_FAULTS:
            self.told.append(f"reading stopped here: {MOST_FAULTS} faults are enough to begin with")
            raise ImportFault(self.told)

    def end(self) -> None:
        """Raise ImportFault if there are any."""
        if self.told:
            raise ImportFault(self.told)


class RecordRows:
    """The table in a file.

    Parameters
    ----------
    path : Path
    form : FileForm
    faults : Faults
        Those of the rows are added here.

    Attributes
    ----------
    header : tuple of str
        The names of its columns; "1", "2", .. where the file has none. Known once `open` was called.
    """

    def __init__(self, path: Path, form: FileForm, faults: Faults, *, progress: Progress = lambda *_: None) -> None:
        self._path, self._form, self._faults, self._progress = path, form, faults, progress
        self.header: tuple[str, ...] = ()
        self.header_line = 0
        self.head: list[str] = []
        self.tail: list[tuple[int, str]] = []
        self._blocks: Iterator[TextBlock] = iter(())
        self._first: tuple[TimeArray, bytes] = (np.empty(0, dtype=np.int64), b"")

    def open(self) -> None:
        """Read up to the header.

        Raises
        ------
        ImportFault
            The file has no header where one is expected, or a column twice.
        """
        self._blocks = blocks_of(self._path, self._form.encoding, progress=self._progress)
        for block in self._blocks:
            lines = np.arange(block.first, block.first + block.text.count(b"\n"), dtype=np.int64)
            if self._take_header(lines, _ended_alike(block.text)):
                return
        raise ImportFault([f"{self._path.name}: found no row of a table, expected a header and rows below it"])

    def _take_header(self, lines: TimeArray, text: bytes) -> bool:
        """Look for the header in the first block that may have it; a header further down than a block is none."""
        rows = text.splitlines(keepends=True)
        for place, row in enumerate(rows):
            words = row.decode().strip("\r\n")
            if lines[place] <= self._form.skip or self._is_comment(row) or not words.strip():
                self.head.append(words)
                continue
            cells = self._cells(words)
            self.header = tuple(cells) if self._form.header else tuple(str(n) for n in range(1, len(cells) + 1))
            self.header_line = int(lines[place])
            first = place + (1 if self._form.header else 0) + self._form.skip_below
            self._first = lines[first:], b"".join(rows[first:])
            self._check_header(words)
            return True
        return False

    def _cells(self, words: str) -> list[str]:
        if self._form.separator == "blanks":
            return words.split()
        return [cell.strip() for cell in next(csv.reader([words], delimiter=self._form.character))]

    def _is_comment(self, row: bytes) -> bool:
        return bool(self._form.comment) and row.lstrip().startswith(self._form.comment.encode())

    def _check_header(self, words: str) -> None:
        if len(self.header) == 1:
            others = {mark: words.count(mark) for mark in (",", ";", "\t", "|") if mark != self._form.character}
            mark, count = max(others.items(), key=lambda one: one[1])
            if count:
                name = "tab" if mark == "\t" else mark
                hint = f"found one column, and {count} x {name!r} in it: write separator = {name!r} under [file]"
                raise ImportFault([f"line {self.header_line}: {hint}"])
        named = [name for name in self.header if name]
        for name in dict.fromkeys(name for name in named if named.count(name) > 1):
            places = " and ".join(str(n) for n, one in enumerate(self.header, 1) if one == name)
            self._faults.add(
                self.header_line, f"found {name!r} as column {places}, expected each name once: which of them is meant?"
            )
        self._faults.end()

    def check_columns(self, names: Sequence[str]) -> None:
        """Note each column that is asked for and is not there.

        Raises
        ------
        ImportFault
        """
        for name in dict.fromkeys(names):
            if name not in self.header:
                words = nearest(name, [one for one in self.header if one])
                self._faults.add(self.header_line, f"found no column {name!r}, expected {words}")
        self._faults.end()

    def blocks(
        self, texts: Sequence[str], numbers: Sequence[str], missing: Sequence[str | float | int]
    ) -> Iterator[RowBlock]:
        """Yield the rows. Texts and numbers that mean none are `missing`; an empty cell is always one.

        Raises
        ------
        ImportFault
            The file cannot be read on. Faults of single lines are only noted.
        """
        self.check_columns([*texts, *numbers])
        lines, text = self._first
        if text:
            yield from self._read(lines, text, texts, numbers, missing)
        for block in self._blocks:
            lines = np.arange(block.first, block.first + block.text.count(b"\n"), dtype=np.int64)
            yield from self._read(lines, _ended_alike(block.text), texts, numbers, missing)

    def _read(
        self,
        lines: TimeArray,
        text: bytes,
        texts: Sequence[str],
        numbers: Sequence[str],
        missing: Sequence[str | float | int],
    ) -> Iterator[RowBlock]:
        lines, text = self._whole_rows(lines, text)
        if not lines.size:
            return
        words = [str(one) for one in missing if isinstance(one, str)]
        options: dict[str, Any] = {
            "header": None, "names": range(len(self.header)), "skip_blank_lines": False, "keep_default_na": False,
            "na_values": ["", *words], "index_col": False, "decimal": self._form.decimal,
            "skipinitialspace": True,
            **({"sep": r"\s+"} if self._form.separator == "blanks" else {"sep": self._form.character}),
        }  # fmt: skip
        place = {name: self.header.index(name) for name in (*texts, *numbers)}
        columns = [place[name] for name in dict.fromkeys((*texts, *numbers))]
        kinds: Any = {place[name]: np.float64 for name in numbers} | {place[name]: object for name in texts}
        na = {n: ["", *words] if kinds[n] is np.float64 else [] for n in columns}
        try:
            frame = pd.read_csv(io.BytesIO(text), usecols=columns, dtype=kinds, **{**options, "na_values": na})
            found = frame[[place[name] for name in numbers]]
        except (ValueError, pd.errors.ParserError, OverflowError):
            frame = pd.read_csv(io.BytesIO(text), usecols=columns, dtype=object, **{**options, "na_values": []})
            found = self._numbers_by_cell(frame, lines, {name: place[name] for name in numbers}, words)
        found = found.set_axis(list(numbers), axis=1)
        told = frame[[place[name] for name in texts]].set_axis(list(texts), axis=1)
        if words:
            told = told.mask(told.apply(lambda column: column.astype(str).str.strip().isin(words)), "")
        yield RowBlock(lines, told, self._finite(found, lines, missing))

    def _whole_rows(self, lines: TimeArray, text: bytes) -> tuple[TimeArray, bytes]:
        """Rows that have as many cells as the header, without comments and empty lines; others are faults."""
        if self._form.comment or b"\n\n" in text or b"\n\r\n" in text or text.startswith((b"\n", b"\r\n")):
            rows = text.splitlines(keepends=True)
            kept = [i for i, row in enumerate(rows) if row.strip() and not self._is_comment(row)]
            if self._form.comment:
                self.tail += [
                    (int(lines[i]), rows[i].decode().strip()) for i, row in enumerate(rows) if self._is_comment(row)
                ]
            lines, text = lines[kept], b"".join(rows[i] for i in kept)
        if not lines.size:
            return lines, text
        cells = self._cells_a_row(text)
        wrong = np.flatnonzero(cells != len(self.header))
        if wrong.size:
            rows = text.splitlines(keepends=True)
            for i in wrong:
                self._faults.add(int(lines[i]), self._wrong_count(int(cells[i]), rows[i].decode().strip("\r\n")))
            right = np.flatnonzero(cells == len(self.header))
            lines, text = lines[right], b"".join(rows[i] for i in right)
        return lines, text

    def _cells_a_row(self, text: bytes) -> np.ndarray:
        """How many cells each line has; 0 for one in which a quotation is not ended."""
        if self._form.separator == "blanks":
            return np.array([len(row.split()) for row in text.splitlines()], dtype=np.int64)
        if b'"' in text:
            return np.array(
                [_quoted_cells(row.decode(), self._form.character) for row in text.splitlines()], dtype=np.int64
            )
        bytes_of = np.frombuffer(text, dtype=np.uint8)
        ends = np.flatnonzero(bytes_of == 10)
        marks = np.flatnonzero(bytes_of == ord(self._form.character))
        return np.diff(np.searchsorted(marks, ends), prepend=0) + 1

    def _wrong_count(self, count: int, row: str) -> str:
        if count == 0:
            return 'found a quotation mark (") that the line does not end, expected each entry on one line'
        expected = f"expected {len(self.header)}, as in the header of line {self.header_line}"
        if count < len(self.header):
            return f"found {count} cells, {expected}: was the file cut off here, or written while it was copied?"
        if self._form.character == "," and count >= 2 * (len(self.header) - 1):
            return f"found {count} cells, {expected}: decimal commas as well? Write it with ';' between the columns"
        return f"found {count} cells, {expected}"

    def _numbers_by_cell(
        self, frame: pd.DataFrame, lines: TimeArray, place: dict[str, int], missing: Sequence[str]
    ) -> pd.DataFrame:
        """Read what the parser refused, cell by cell, and note each that is no number."""
        found: dict[int, FloatArray] = {}
        for name, n in place.items():
            cells = frame[n].fillna("").astype(str).str.strip()
            values = pd.to_numeric(
                cells.str.replace(self._form.decimal, ".", regex=False) if self._form.decimal == "," else cells,
                errors="coerce",
            ).to_numpy(dtype=np.float64)
            for row in np.flatnonzero(np.isnan(values) & ~cells.isin(["", *missing]).to_numpy()):
                self._faults.add(int(lines[row]), self._no_number(cells.iloc[row]), name)
            found[n] = values
        return pd.DataFrame(found)

    def _no_number(self, cell: str) -> str:
        other = "," if self._form.decimal == "." else "."
        if other in cell and _is_number(cell.replace(other, ".")):
            return (
                f"found {cell!r}, expected a number: write decimal = {other!r} under [file] if that is its decimal mark"
            )
        return f"found {cell!r}, expected a number; write missing = [{cell!r}] if it means that there is none"

    def _finite(self, found: pd.DataFrame, lines: TimeArray, missing: Sequence[str | float | int]) -> pd.DataFrame:
        """Numbers without those that mean none; what has no end is a fault."""
        values = found.to_numpy(dtype=np.float64)
        for row, column in np.argwhere(np.isinf(values)):
            self._faults.add(int(lines[row]), "found a number without end, expected one", str(found.columns[column]))
        none = [float(one) for one in missing if not isinstance(one, str)]
        if none:
            values = np.where(np.isin(values, none), np.nan, values)
        return pd.DataFrame(values, columns=found.columns)


def _ended_alike(text: bytes) -> bytes:
    """Return lines that end with a line feed alone; a carriage return within one is a blank, as no line ends there."""
    return text.replace(b"\r\n", b"\n").replace(b"\r", b" ") if b"\r" in text else text


def _quoted_cells(row: str, separator: str) -> int:
    if row.count('"') % 2:
        return 0
    return len(next(csv.reader([row], delimiter=separator), []))


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
