"""Each kind of broken file is found, named with line and cause, and nothing of it is taken."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest

from pipeline.records.exported import DIARY, kind_of_export, read_diary_export
from pipeline.records.hand_rows import read_entries
from pipeline.records.record_file import ImportFault, blocks_of
from pipeline.records.record_map import parse_map, read_map
from pipeline.site.settings import SiteConfig
from tests.pipeline.records.broken_files import BROKEN, GOOD, MAP, BrokenFile
from tests.pipeline.records.conftest import Check


def test_the_good_file_is_taken(check: Check) -> None:
    """The file that the broken ones are made of has nothing wrong in it."""
    assert check(GOOD.encode(), MAP).count == 3 * 72


@pytest.mark.parametrize("broken", BROKEN, ids=lambda one: one.what.replace(" ", "_"))
def test_what_is_wrong_is_named(broken: BrokenFile, check: Check) -> None:
    """The fault is told with its line, what was found, and what to do; there is nothing to keep."""
    with pytest.raises(ImportFault) as caught:
        check(broken.data, broken.map)
    told = "\n".join(caught.value.faults)
    assert [part for part in broken.told if part not in told] == [], told


def test_every_fault_of_a_file_is_told_at_once(check: Check) -> None:
    """Three faults on three lines are three lines, in their order."""
    lines = GOOD.splitlines()
    lines[10], lines[20], lines[30] = "2023-06-01 09:00,x,1,1", "2023-06-01 19:00,1,1", "yesterday,0.3,1,1"
    with pytest.raises(ImportFault) as caught:
        check("\n".join(lines).encode(), MAP)
    assert [line.split(":")[0].split(",")[0] for line in caught.value.faults] == ["line 21", "line 11", "line 31"]


def test_a_packed_file_that_breaks_off_is_told_by_whoever_reads_it(tmp_path: Path) -> None:
    """Without its last bytes (RFC 1952: length and checksum) it is no whole file."""
    (tmp_path / "half.csv.gz").write_bytes(gzip.compress(GOOD.encode())[:-9])
    with pytest.raises(ImportFault, match=r"line 1: found the gzipped text broken off"):
        list(blocks_of(tmp_path / "half.csv.gz", "utf-8"))


@pytest.mark.parametrize("data", [b"", GOOD.encode("utf-16"), GOOD.encode()], ids=["empty", "UTF-16", "another"])
def test_a_file_that_is_no_export_of_ours_is_none(tmp_path: Path, data: bytes) -> None:
    """Nor is one that cannot be read: who reads it says why."""
    (tmp_path / "file").write_bytes(data)
    assert kind_of_export(tmp_path / "file") == ""


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('{"underturf": "diary",\n"entries": [', "line 3: found text that is not JSON"),
        ('{"underturf": "diary"}', "found no entries of a diary ('entries')"),
        ('{"underturf": "diary", "entries": [{"kind": "note"}]}', "found no entries of a diary"),
        ('{"underturf": "diary", "entries": ' + "[" * 50_000, "found no entries of a diary"),
        ('{"underturf": "diary", "entries": ' + "9" * 5000 + "}", "found no entries of a diary"),
        (
            json.dumps({"underturf": "diary 2", "entries": [{"kind": "x", "surface": "a", "at_ms": 1}]}),
            "entry 1: kind:",
        ),
    ],
    ids=["cut off", "none", "not whole", "deep", "long", "unknown"],
)
def test_a_diary_that_does_not_read_is_refused(tmp_path: Path, text: str, told: str) -> None:
    """With what was found; no more of it is said than a line holds."""
    (tmp_path / "diary.json").write_text(text)
    assert kind_of_export(tmp_path / "diary.json") == DIARY
    with pytest.raises(ImportFault) as caught:
        read_diary_export(tmp_path / "diary.json")
    assert told in str(caught.value) and len(str(caught.value)) < 400


def test_a_map_that_is_not_there_or_no_text_is_named(tmp_path: Path) -> None:
    """The file, and what was expected."""
    with pytest.raises(ImportFault, match=r"gone\.toml: found no file to read"):
        read_map(tmp_path / "gone.toml")
    (tmp_path / "map.toml").write_bytes(b"a = '\xff'")
    with pytest.raises(ImportFault, match=r"map\.toml: found bytes that are not text"):
        read_map(tmp_path / "map.toml")


def test_a_unit_that_no_field_of_an_entry_has_is_named(site: SiteConfig, tmp_path: Path) -> None:
    """With the key of the map, beside a kind and a surface that there are none of."""
    words = (
        '[time]\ncolumns = ["day"]\nzone = "UTC"\n[entry]\nkind = "rains"\nsurface = "nowhere"\n'
        '[[entry.field]]\nname = "a"\nkey = "rain_mm"\nunit = "degF"\n'
    )
    (tmp_path / "rain.csv").write_text("day,a\n2023-06-01,1\n")
    with pytest.raises(ImportFault) as caught:
        read_entries(tmp_path / "rain.csv", parse_map(words, "map.toml"), site, now_ms=0)
    told = str(caught.value)
    assert "entry.kind: found 'rains'" in told and "entry.surface: found 'nowhere'" in told
    assert "entry.field 'a': unit: found 'degF', expected one of" in told


def test_times_of_which_some_say_their_zone_are_none(check: Check) -> None:
    """The rows without it are named, whatever the others say."""
    lines = [line.replace(",", "Z,", 1) if n else line for n, line in enumerate(GOOD.splitlines())]
    lines[7] = GOOD.splitlines()[7]
    with pytest.raises(ImportFault) as caught:
        check("\n".join(lines).encode(), MAP.replace('zone = "Europe/London"', 'zone = "stated"'))
    assert "line 8" in str(caught.value) and "Z or +01:00" in str(caught.value)


def test_a_cell_that_is_no_number_by_any_mark_is_told_as_it_is(check: Check) -> None:
    """A comma in it is no decimal mark: nothing is proposed."""
    with pytest.raises(ImportFault, match=r"line 3, column 'moisture 8 mm': found 'a,b', expected a number; write m"):
        check(GOOD.replace(GOOD.splitlines()[2].split(",")[1], '"a,b"', 1).encode(), MAP)
