"""A map drafted from a file: what its columns look like, for a person to read, correct and complete.

It guesses by what stands in the file and in its header, and leaves the zone open: nothing in a file tells it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from hardware.reading import is_slug
from pipeline.records.record_file import ImportFault, blocks_of

DRAFT_LINES = 500  # lines
_SEPARATORS = {"\t": "tab", ";": ";", ",": ",", "|": "|"}
_FORMS = (
    "iso", "%d/%m/%Y %H:%M", "%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M:%S", "%d.%m.%Y %H:%M",
    "%d.%m.%Y %H:%M:%S", "%d/%m/%y %H:%M", "%Y/%m/%d %H:%M", "%Y/%m/%d %H:%M:%S", "%Y%m%d %H%M", "%Y%m%d %H:%M",
    "%Y-%m-%d %H", "%d-%m-%Y %H:%M", "%d %b %Y %H:%M", "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%Y", "%Y%m%d",
)  # fmt: skip
_NUMBER = re.compile(r"[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?")
_MARKS = (
    "-9999",
    "-999",
    "-99",
    "-6999",
    "9999",
    "-99999",
    "-9999.0",
    "-99.0",
    "-99.000",
    "NA",
    "NAN",
    "NaN",
    "nan",
    "null",
    "--",
    "---",
)
_KINDS: tuple[tuple[str, str, str], ...] = (
    (r"permittiv|epsilon|\bka\b|dielec", "apparent_permittivity", "1"),
    (r"moist|vwc|theta|\bsm\b|_sm_|water|humedad", "water_content", "m3/m3"),
    (r"\bec\b|conduct|salin", "bulk_ec", "dS/m"),
    (r"rain|precip", "rain", "mm"),
    (r"\brh\b|humid", "relative_humidity", "%"),
    (r"wind", "wind_speed", "m/s"),
    (r"solar|radiat|\bsun\b|pyran", "solar_radiation", "W/m2"),
    (r"surface.*temp|temp.*surface", "surface_temperature", "degC"),
    (r"air.*temp|temp.*air|\bair\b", "air_temperature", "degC"),
    (r"temp", "soil_temperature", "degC"),
    (r"batt|volt", "supply_voltage", "V"),
)
_DEPTH = re.compile(r"(?<![\d.])(\d{1,4}(?:\.\d+)?)[ _]?(mm|cm|m|in)?(?![\d.])")
_IN_BRACKETS = re.compile(r"[\[(]([^\])]{1,12})[\])]\s*$")
_ABOVE_GROUND = ("rain", "relative_humidity", "wind_speed", "solar_radiation", "air_temperature", "surface_temperature",
                 "supply_voltage")  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Table:
    """The beginning of a file as a table: rows above the header, header, rows below that are no data, and data."""

    separator: str
    skip: int
    header: list[str]
    below: int
    rows: list[list[str]]


def draft_map(path: Path, station: str, *, encoding: str = "utf-8") -> str:
    """Return the text of a map for a file, its channels at a station. What must be filled in stands as `?`.

    Raises
    ------
    ImportFault
        The file cannot be read, or is no table with times.
    """
    lines = next(blocks_of(path, encoding)).text.decode().splitlines()[:DRAFT_LINES]
    table = _table(lines)
    times, form = _times(table)
    cells = [cell for row in table.rows for cell in row]
    decimal = "," if table.separator != "," and any(re.fullmatch(r"-?\d+,\d+", cell) for cell in cells) else "."
    marks = [mark for mark in _MARKS if mark in cells]
    text = [
        f"# Drafted from {path.name}: read it line by line. A column that is left out of this map is left out.",
        "[file]",
    ]
    text += [f"separator = {_quoted(_SEPARATORS[table.separator])}"] if table.separator != "," else []
    text += [f"decimal = {_quoted(decimal)}"] if decimal != "." else []
    text += [f"skip = {table.skip}  # lines above the header"] if table.skip else []
    text += [f"skip_below = {table.below}  # lines below the header that are no data"] if table.below else []
    text += [f"missing = [{', '.join(_mark(mark) for mark in marks)}]"] if marks else []
    text += ["", "[time]", f"columns = [{', '.join(map(_quoted, times))}]", f"form = {_quoted(form)}"]
    text += [
        'zone = "?"  # "UTC", "+00:00" for winter time all year, or "Europe/London" where the clock is put forward'
    ]
    for n, name in enumerate(table.header):
        values = [row[n] for row in table.rows if row[n] and row[n] not in marks]
        if name not in times and values and all(_NUMBER.fullmatch(value) for value in values):
            text += _column(name, [float(value.replace(",", ".")) for value in values], station)
    return "\n".join(text) + "\n"


def _table(lines: Sequence[str]) -> _Table:
    """The separator by which most lines have alike many cells, and where header and data begin."""
    filled = [line for line in lines if line.strip()]
    best = max(_SEPARATORS, key=lambda mark: _agreement([line.count(mark) for line in filled]))
    cells = [[cell.strip().strip('"') for cell in line.split(best)] for line in lines]
    width = max({len(row) for row in cells}, key=lambda n: sum(len(row) == n for row in cells))
    whole = [n for n, row in enumerate(cells) if len(row) == width and width > 1]
    data = [n for n in whole if sum(bool(_NUMBER.fullmatch(cell)) for cell in cells[n]) * 3 >= width - 1]
    if not data or not whole or data[0] == whole[0]:
        raise ImportFault(["found no table with a header and numbers below it, expected CSV; write the map by hand"])
    head = whole[0]
    return _Table(best, head, cells[head], data[0] - head - 1, [cells[n] for n in data])


def _agreement(counts: Sequence[int]) -> int:
    """How many lines have the count that is most frequent and not 0."""
    some = [count for count in counts if count]
    return max((some.count(count) for count in set(some)), default=0)


def _times(table: _Table) -> tuple[list[str], str]:
    """The column of times, or the two of date and time, and their form."""
    for width in (2, 1):
        for n in range(min(6, len(table.header) - width + 1)):
            texts = pd.Series([" ".join(row[n : n + width]) for row in table.rows])
            for form in _FORMS:
                if width == 2 and form == "iso" and not texts.str.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d.*").all():
                    continue
                if texts.str.fullmatch(r"[\d.]+").any() and form != "%Y%m%d":
                    continue
                read = pd.to_datetime(texts, format="ISO8601" if form == "iso" else form, errors="coerce")
                if read.notna().all():
                    return table.header[n : n + width], form
    raise ImportFault(["found no column of times of a form that is known, expected one; write the map by hand"])


def _column(name: str, values: Sequence[float], station: str) -> list[str]:
    words = re.sub(r"[^a-z0-9]+", " ", name.lower())
    quantity, unit = next(
        ((q, u) for pattern, q, u in _KINDS if re.search(pattern, words) or re.search(pattern, name.lower())),
        ("?", "?"),
    )
    if written := _IN_BRACKETS.search(name):
        unit = written[1]
    elif quantity == "water_content" and max(values) > 1.0:
        unit = "%"
    slug = "_".join(words.split()) or "column"
    slug = slug if is_slug(slug) else "column"
    lines = [
        "",
        "[[column]]",
        f"name = {_quoted(name)}",
        f'channel = "{station}/logger/{slug[:64]}"',
        f"unit = {_quoted(unit)}",
    ]
    lines.append(f'quantity = "{quantity}"  # found {min(values):g} to {max(values):g}')
    depth = _DEPTH.search(_IN_BRACKETS.sub("", name))
    if quantity not in _ABOVE_GROUND:
        if depth is None:
            lines.append("# depth_mm = ?")
        else:
            bare = "mm" if len(depth[1]) > 3 else "cm"
            factor = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}[depth[2] or bare]
            lines.append(f"depth_mm = {float(depth[1]) * factor:g}")
    return lines


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _mark(mark: str) -> str:
    return mark if _NUMBER.fullmatch(mark) else _quoted(mark)
