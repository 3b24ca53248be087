"""Files with one thing wrong in each, as loggers, spreadsheets and copies make them, and the words that must name it.

Each is the good file below with one change, so that what is told is of that change alone. The lines that must be named
were counted by hand.
"""

from __future__ import annotations

import gzip
from dataclasses import dataclass

MAP = """
[file]
[time]
columns = ["time"]
zone = "Europe/London"
[[column]]
name = "moisture 8 mm"
channel = "north/notebook/thatch"
unit = "m3/m3"
[[column]]
name = "soil"
channel = "north/notebook/soil"
unit = "degC"
[[column]]
name = "sun"
channel = "north/notebook/sun"
unit = "W/m2"
"""
HEADER = "time,moisture 8 mm,soil,sun"
ROWS = [
    f"2023-06-{day:02d} {hour:02d}:00,0.{300 + hour},{12 + hour / 10},{max(0, 700 - 120 * abs(hour - 13))}"
    for day in (1, 2, 3)
    for hour in range(24)
]
GOOD = "\n".join([HEADER, *ROWS]) + "\n"


@dataclass(frozen=True)
class BrokenFile:
    """One file: what is wrong, its bytes, the map where it is another, and what must be told."""

    what: str
    data: bytes
    told: tuple[str, ...]
    map: str = MAP


def _changed(line: int, row: str) -> bytes:
    """The good file with one line replaced; the header is line 1."""
    lines = GOOD.splitlines()
    lines[line - 1] = row
    return ("\n".join(lines) + "\n").encode()


def _each(change: object) -> bytes:
    return ("\n".join([HEADER, *map(change, ROWS)]) + "\n").encode()  # type: ignore[arg-type]


def _mapped(old: str, new: str) -> str:
    assert old in MAP
    return MAP.replace(old, new)


_PACKED = gzip.compress(GOOD.encode())
_AUTUMN = [HEADER] + [f"2023-10-29 {h}:{m:02d},0.31,11.0,0" for h in ("00", "01", "01", "02") for m in (0, 30)]
_SPRING = [HEADER, "2023-03-26 00:30,0.31,9,0", "2023-03-26 01:30,0.31,9,0", "2023-03-26 02:30,0.31,9,0"]

BROKEN = (
    BrokenFile("half a file", GOOD[: len(GOOD) // 2].rsplit("\n", 1)[0].encode() + b"\n2023-06-02 11:00,0.3",
               ("line 37", "2 cells", "expected 4", "cut off")),
    BrokenFile("half a gzipped file", _PACKED[: len(_PACKED) // 2], ("broken off", "copy")),
    BrokenFile("damaged gzipped file", _PACKED[:-8] + b"\0" * 8, ("broken off", "copy")),
    BrokenFile("a page of a spreadsheet program", b"PK\x03\x04" + b"\x14" * 60, ("line 1", "a workbook", "CSV")),
    BrokenFile("UTF-16", GOOD.encode("utf-16"), ("line 1", "UTF-16", "UTF-8")),
    BrokenFile("another encoding", _changed(5, "2023-06-01 03:00,0.303,12.3,0\u00b0").decode().encode("latin-1"),
               ("line 5", "0xb0", "latin-1")),
    BrokenFile("bytes of nought", _changed(9, "2023-06-01 07:00,0.307,\0\0\0,0"), ("line 9", "byte of 0")),
    BrokenFile("nothing", b"", ("no row of a table",)),
    BrokenFile("a header alone", f"{HEADER}\n".encode(), ("line 1", "no reading below the header")),
    BrokenFile("another zone, by the sun", _each(lambda row: row.replace("2023-06", "2023-07")),
               ("sun in", "deep night", "America/Los_Angeles"), _mapped("Europe/London", "America/Los_Angeles")),
    BrokenFile("times that say their zone", _each(lambda row: row.replace(":00,", ":00+02:00,", 1)),
               ("line 2", "distance from UTC", "stated")),
    BrokenFile("times that should say their zone", GOOD.encode(), ("line 2", "Z or +01:00"),
               _mapped("Europe/London", "stated")),
    BrokenFile("decimal commas between semicolons",
               GOOD.replace(",", ";").replace(".", ",").encode(), ("line 2", "'0,300'", "decimal = ','"),
               _mapped("[file]", '[file]\nseparator = ";"')),
    BrokenFile("decimal commas between commas", _each(lambda row: row.replace(".", ",")),
               ("line 2", "cells", "decimal commas")),
    BrokenFile("semicolons where commas are meant", GOOD.replace(",", ";").encode(), ("line 1", "separator = ';'")),
    BrokenFile("a column twice", GOOD.replace("soil,sun", "soil,soil", 1).encode(),
               ("line 1", "'soil'", "column 3 and 4", "which of them")),
    BrokenFile("a column that is not there", GOOD.replace("soil", "soil temp", 1).encode(),
               ("line 1", "no column 'soil'", "'soil temp'")),
    BrokenFile("mixed forms of dates", _changed(30, "02/06/2023 04:00,0.304,12.4,0"),
               ("line 30", "'02/06/2023 04:00'", "expected a time as")),
    BrokenFile("a clock that steps back", _changed(20, "2023-06-01 02:40,0.318,13.8,100"),
               ("line 20", "after", "line 19", "stepped back", "order = 'any'")),
    BrokenFile("a row twice", _changed(21, ROWS[18]), ("line 21", "a second time", "line 20")),
    BrokenFile("the hour that comes twice", "\n".join(_AUTUMN).encode(),
               ("line 4", "comes twice in Europe/London", "repeated_hour", "'+00:00'")),
    BrokenFile("the hour that is left out", "\n".join(_SPRING).encode(),
               ("line 3", "2023-03-26 01:30", "leaves out in spring", "'+00:00'")),
    BrokenFile("per cent where a fraction is meant", _changed(40, "2023-06-02 14:00,35,13.4,580"),
               ("line 40", "moisture 8 mm", "found 35", "expected 0 to 1", "unit = '%'")),
    BrokenFile("a fraction where per cent is meant", GOOD.encode(), ("moisture 8 mm", "0.323 %", "m3/m3?"),
               _mapped('"m3/m3"', '"%"')),
    BrokenFile("degrees Fahrenheit", _each(lambda row: row.replace(",12.", ",72.", 1)),
               ("line 2", "soil", "found 72", "Fahrenheit")),
    BrokenFile("a mark for none", _changed(12, "2023-06-01 10:00,-9999,13.0,340"),
               ("line 12", "found -9999", "missing = [-9999]")),
    BrokenFile("words for a number", _changed(12, "2023-06-01 10:00,NAN?,13.0,340"),
               ("line 12", "moisture 8 mm", "'NAN?'", "missing = ['NAN?']")),
    BrokenFile("no time", _changed(33, ",0.307,12.7,0"), ("line 33", "found no time")),
    BrokenFile("a time to come", _changed(73, "2033-06-03 23:00,0.323,14.3,0"), ("line 73", "still to come")),
    BrokenFile("a cell too many", _changed(44, f"{ROWS[42]},7"), ("line 44", "5 cells", "expected 4")),
    BrokenFile("an open quotation", _changed(44, '"2023-06-02 18:00,0.318,13.8,100'), ("line 44", "quotation mark")),
    BrokenFile("a unit of something else", GOOD.encode(), ("soil", "unit", "'kPa'", "degC"),
               _mapped('unit = "degC"', 'unit = "kPa"')),
    BrokenFile("a channel that is not there", GOOD.encode(), ("north/notebook/thatsch", "'north/notebook/thatch'"),
               _mapped('"north/notebook/thatch"', '"north/notebook/thatsch"')),
    BrokenFile("no zone", GOOD.encode(), ("time.zone", "found nothing"), _mapped('zone = "Europe/London"', "")),
)  # fmt: skip
