"""Maps: what may stand in one, every fault named, units by name, and the page that tells of them."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from pydantic import BaseModel
from scipy import constants

from hardware.quantities import QUANTITIES
from pipeline.records.record_draft import draft_map
from pipeline.records.record_file import ImportFault
from pipeline.records.record_map import ColumnForm, EntryForm, FileForm, LongForm, StrokesForm, TimeForm, parse_map
from pipeline.records.unit_names import names_of_units, to_canonical
from tests.pipeline.records.conftest import Check
from tests.pipeline.records.field_records import RECORDS
from tests.reference import blocks, quoted, tables

PAGE = Path(__file__).parents[3] / "pipeline" / "docs" / "records.md"
TEXT = PAGE.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("written", "canonical", "number", "expected"),
    [
        ("degF", "degC", 68.0, 20.0),  # definition
        ("K", "degC", 300.0, 300.0 - constants.zero_Celsius),
        ("mph", "m s-1", 10.0, 10.0 * constants.mph),
        ("knots", "m s-1", 10.0, 10.0 * constants.knot),
        ("km/h", "m s-1", 10.0, 10.0 * constants.kmh),
        ("in", "mm", 1.5, 1.5 * constants.inch * 1000.0),
        ("psi", "kPa", 20.0, 20.0 * constants.psi / 1000.0),
        ("kgf/cm2", "kPa", 3.0, 3.0 * constants.kgf / 1e-4 / 1000.0),
        ("bar", "kPa", 2.0, 2.0 * constants.bar / 1000.0),
        ("lbf", "N", 7.0, 7.0 * constants.lbf),
        ("kgf", "N", 7.0, 7.0 * constants.kgf),
        ("MJ/m2/h", "W m-2", 1.8, 500.0),  # algebra
        ("ly/h", "W m-2", 30.0, 30.0 * 41_840.0 / 3600.0),  # a langley is a thermochemical calorie a square centimetre
        ("vol.-%", "m3 m-3", 35.0, 0.35),
        ("°C", "degC", 12.5, 12.5),
        ("µS/cm", "dS m-1", 800.0, 0.8),
        ("cmH2O", "kPa", 100.0, 100.0 * constants.g / 100.0),  # water of 1000 kg m-3
    ],
)
def test_units_are_those_of_the_constants(written: str, canonical: str, number: float, expected: float) -> None:
    """Conversions by name agree with the constants of scipy, or with algebra."""
    slope, offset = to_canonical(written, canonical)
    assert slope * number + offset == pytest.approx(expected, rel=1e-9)


def test_an_unknown_unit_names_the_nearest() -> None:
    """What is no unit of the quantity is told with those there are."""
    with pytest.raises(ValueError, match=r"found 'degf', expected one of degC, .*, nearest 'degF'"):
        to_canonical("degf", "degC")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ('[time]\ncolumns = ["t"]\nzone = "Mars"', "time.zone: found 'Mars', expected 'UTC'"),
        ('[time]\ncolumns = ["t"]\nzone = "UTC"\nform = "%H:%M"', "a form with a year"),
        ('[file]\nseparater = ";"\n[time]\ncolumns = ["t"]\nzone = "UTC"', "expected 'separator'"),
        ('[file]\ndecimal = ","\n[time]\ncolumns = ["t"]\nzone = "UTC"', "'.' where a comma separates"),
        ('[time]\ncolumns = ["t"]\nzone = "UTC"', "one of [[column]], [strokes] and [entry]"),
        ("nonsense", "text that is not TOML"),
    ],
)
def test_faults_of_a_map_are_named(words: str, told: str) -> None:
    """Each is told with its key and what was expected."""
    with pytest.raises(ImportFault) as caught:
        parse_map(words, "map.toml")
    assert told in str(caught.value)
    assert all(line.startswith("map.toml: ") for line in caught.value.faults)


AUTUMN = [
    "2023-10-29 00:30",
    "2023-10-29 01:00",
    "2023-10-29 01:30",
    "2023-10-29 01:00",
    "2023-10-29 01:30",
    "2023-10-29 02:00",
]
"""Half hours of a clock that was put back at 2 o'clock of Greenwich's summer time; from 23:30 UTC on, by arithmetic."""
ONE = '[[column]]\nname = "soil"\nchannel = "north/notebook/soil"\nunit = "degC"\n'


def test_the_hour_that_comes_twice_is_read_in_order(check: Check) -> None:
    """In the order of the rows both hours are there, each half an hour after the one before."""
    rows = "".join(f"{at},{n}\n" for n, at in enumerate(AUTUMN))
    time = '[time]\ncolumns = ["t"]\nzone = "Europe/London"\nrepeated_hour = "in_order"\n'
    checked = check(f"t,soil\n{rows}".encode(), time + ONE)
    assert checked.count == 6
    assert checked.summaries[0].last_ms - checked.summaries[0].first_ms == 5 * 1_800_000
    assert checked.summaries[0].first_ms == 1_698_535_800_000  # 2023-10-28 23:30 UTC


def test_the_hour_that_comes_twice_is_read_in_order_for_each_name_of_a_long_table(check: Check) -> None:
    """Two names a time, one row below the other: each is as one that has a table of its own."""
    rows = "".join(f"{at},{name},{n / 10}\n" for n, at in enumerate(AUTUMN) for name in ("soil", "thatch"))
    words = '[time]\ncolumns = ["t"]\nzone = "Europe/London"\nrepeated_hour = "in_order"\n'
    words += '[long]\nname = "what"\nvalue = "value"\n' + ONE
    words += '[[column]]\nname = "thatch"\nchannel = "north/notebook/thatch"\nunit = "m3/m3"\n'
    checked = check(f"t,what,value\n{rows}".encode(), words)
    spans = [(one.n, one.first_ms, one.last_ms) for one in checked.summaries if one.n]
    assert spans == [(6, 1_698_535_800_000, 1_698_535_800_000 + 5 * 1_800_000)] * 2


def test_a_carriage_return_alone_ends_no_line(check: Check) -> None:
    """Two lines of which one has it in a name are two rows, and a fault below has the number of its line."""
    time = '[time]\ncolumns = ["t"]\nzone = "UTC"\n'
    good = b't,note,soil\n2023-06-01 00:00,wet\rleaf,11\n\n2023-06-01 01:00,"dry\rleaf",12\n'
    assert check(good, time + ONE).count == 2
    with pytest.raises(ImportFault) as caught:
        check(good + b"2023-06-01 02:00,dry,x\n", time + ONE)
    assert [line.split(",")[0] for line in caught.value.faults] == ["line 5"]


def test_a_word_for_none_is_none_in_a_column_of_text_too(check: Check) -> None:
    """A name that is a word for none names no channel."""
    words = '[file]\nmissing = ["soil"]\n[time]\ncolumns = ["t"]\nzone = "UTC"\n'
    words += '[long]\nname = "what"\nvalue = "value"\n' + ONE
    words += '[[column]]\nname = "thatch"\nchannel = "north/notebook/thatch"\nunit = "m3/m3"\n'
    rows = "t,what,value\n2023-06-01 00:00,soil,11\n2023-06-01 00:00,thatch,0.3\n"
    with pytest.raises(ImportFault, match="found no row of 'soil'"):
        check(rows.encode(), words)


def test_a_count_of_days_states_no_zone() -> None:
    """A map that says so is refused by its key."""
    with pytest.raises(ImportFault, match=r"time\.zone: found 'stated', expected a zone: a count of days"):
        parse_map('[time]\ncolumns = ["t"]\nzone = "stated"\nform = "days_since_1900"\n' + ONE, "map.toml")


def test_a_long_table_is_sorted_out_by_name(check: Check) -> None:
    """One number a row, with the name of what it is of: each goes to its channel, others are told as left out."""
    told = ("00:00,soil,11", "00:00,thatch,0.3", "01:00,soil,12", "01:00,x,1")
    rows = "t,what,value\n" + "".join(f"2023-06-01 {row}\n" for row in told)
    words = '[time]\ncolumns = ["t"]\nzone = "UTC"\n[long]\nname = "what"\nvalue = "value"\n' + ONE
    words += '[[column]]\nname = "thatch"\nchannel = "north/notebook/thatch"\nunit = "m3/m3"\n'
    checked = check(rows.encode(), words)
    assert [(one.n, one.lowest, one.highest) for one in checked.summaries] == [(2, 11.0, 12.0), (1, 0.3, 0.3)]
    assert "left out: x" in checked.preview


@pytest.mark.parametrize("form", ["unix", "days_since_1900"])
def test_times_as_numbers(form: str, check: Check) -> None:
    """Seconds since 1970, and a spreadsheet's days: 2023-06-01 06:00 is 45078.25 (ISO/IEC 29500: day 1 is in 1900)."""
    number = {"unix": "1685599200", "days_since_1900": "45078.25"}[form]
    words = f'[time]\ncolumns = ["t"]\nzone = "UTC"\nform = "{form}"\n' + ONE
    assert check(f"t,soil\n{number},11\n".encode(), words).summaries[0].first_ms == 1_685_599_200_000


def test_a_hundred_blocks_keep_their_line_numbers(check: Check, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault far down has the number of its line, however the file was cut into blocks."""
    from pipeline.records import record_file

    monkeypatch.setattr(record_file, "BLOCK_BYTES", 97)
    rows = [f"2023-06-{1 + n // 24:02d} {n % 24:02d}:00,{n / 10}" for n in range(600)]
    rows[431] = rows[431].replace(",", ",x")
    data = ("# a line above\n\nt,soil\n" + "\n".join(rows) + "\n").encode()
    words = '[file]\ncomment = "#"\n[time]\ncolumns = ["t"]\nzone = "UTC"\n' + ONE
    with pytest.raises(ImportFault) as caught:
        check(data, words)
    assert [line.split(",")[0] for line in caught.value.faults] == ["line 435"]


@pytest.mark.parametrize("name", RECORDS)
def test_a_drafted_map_is_one_once_it_is_completed(name: str, tmp_path: Path) -> None:
    """With the zone said, and what is marked ? taken out, the draft of a field record names its times and columns."""
    record = RECORDS[name]
    if name == "ithaca":
        with pytest.raises(ImportFault, match="no table with a header"):
            draft_map(record.file, "north")
        return
    drafted = re.sub(
        r"\n\n\[\[column\]\]\n(?:(?!\n\n).)*\?(?:(?!\n\n).)*", "", draft_map(record.file, "north"), flags=re.S
    )
    found = parse_map(drafted.replace('zone = "?"', 'zone = "UTC"'), "draft")
    written = parse_map(record.map.read_text(encoding="utf-8"), "map")
    assert (found.time.columns, found.time.form) == (written.time.columns, written.time.form)
    assert {c.name for c in found.columns} & {c.name for c in written.columns}


# --- the page ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "model"),
    [
        ("`[file]`", FileForm), ("`[time]`", TimeForm), ("`[[column]]`", ColumnForm), ("`[long]`", LongForm),
        ("`[strokes]`", StrokesForm), ("`[entry]`", EntryForm),
    ],
)  # fmt: skip
def test_every_key_of_a_map_is_on_the_page(column: str, model: type[BaseModel]) -> None:
    """The tables have the very keys of the maps."""
    (table,) = (t for t in tables(TEXT) if t.columns[0] == f"key of {column}")
    keys = {key for cell in table.column(table.columns[0]) for key in cell.replace("`", "").split(", ")}
    assert keys == {field.alias or name for name, field in model.model_fields.items()}


def test_every_unit_is_on_the_page() -> None:
    """Each quantity stands with the names under which its numbers may come."""
    told = {
        q: quoted(row[1])
        for table in tables(TEXT)
        if tuple(table.columns) == ("of", "names")
        for row in table.rows
        for q in quoted(row[0])
    }
    assert told == {q.name: list(names_of_units(q.unit)) for q in QUANTITIES.values()}


def test_the_printed_map_is_one() -> None:
    """The example reads without a fault."""
    (printed,) = blocks(TEXT, "toml map")
    assert [c.unit for c in parse_map(printed, "map.toml").columns] == ["%", "degF"]
    assert tomllib.loads(printed)["time"]["zone"] == "Europe/London"
