"""What is exported is what is imported: observations with all their fields, and the diary entry by entry."""

from __future__ import annotations

import csv
import gzip
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from api.command import main
from hardware.reading import Batch, Reading, Status
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import read_diary
from pipeline.service import load_settings
from pipeline.stages.recompute import in_order, recompute, station_context
from pipeline.store import OBSERVATION_COLUMNS
from pipeline.store.opening import open_stores
from pipeline.units import EVER_MS, utc_text
from tests.pipeline import kept_site
from tests.pipeline.kept_site import DAY_MS, HOUR_MS, NOW_MS

TWO = kept_site.station() + kept_site.station("s2", "south end", probe="p2", weather=False).replace("t2", "t1").replace(
    "p2", "p1"
)


def ground(folder: Path) -> Path:
    """Settings of a green with two stations, in a folder of its own."""
    folder.mkdir()
    path = folder / "underturf.toml"
    data = '[data]\ndir = "data"\n[pages]\nport = 8499\n'
    path.write_text(kept_site.SITE + data + kept_site.SURFACE + TWO, encoding="utf-8")
    return path


def sent(hours: int, seed: int) -> list[Reading]:
    """Hours of two stations as nodes send them: silence, garbled answers, gaps, values that cannot be."""
    rng = np.random.default_rng(seed)
    found: list[Reading] = []
    for station in ("s1", "s2"):
        for reading in kept_site.readings(kept_site.drying, hours, station=station):
            if (station == "s2" and "/w1/" in reading.channel) or rng.random() < 0.01:
                continue
            kind = rng.random()
            if kind < 0.01:
                reading = replace(reading, raw=None, status=Status.SILENT)
            elif kind < 0.02:
                reading = replace(reading, raw=None, status=Status.BAD_CHECK)
            elif kind < 0.025:
                reading = replace(reading, raw=float(rng.uniform(0.1, 90.0)))
            found.append(replace(reading, seq=len(found) + 1))
    return found


def filled(path: Path, hours: int, seed: int) -> pd.DataFrame:
    """Keep what was sent, in batches that arrive minutes to days late, write a diary, work it out; the observations."""
    config, rng = load_settings(path), np.random.default_rng(seed + 1)
    stores, readings = open_stores(config), sent(hours, seed)
    for entry in entries():
        stores.diary.add(entry)
    first = 0
    while first < len(readings):
        some = readings[first : first + int(rng.integers(1, 400))]
        late_ms = int(rng.integers(1_000, 3 * DAY_MS))
        batch = Batch("meadow", "node-1", kept_site.OUTBOX, 1, tuple(some))
        stores.journal.append(batch, max(r.measured_at_ms for r in some) + late_ms)
        first += len(some)
    for name in in_order(config, config.stations()):
        recompute(stores.store, station_context(config, name, stores.diary, stores.store))
    found = observed(stores, config)
    stores.close()
    return found


def observed(stores: object, config: object) -> pd.DataFrame:
    return stores.store.observations(list(config.channels()), *EVER_MS)  # type: ignore[attr-defined]


def entries() -> list[DiaryEntry]:
    """Entries that bear on observations and some that do not."""
    at_ms = NOW_MS - 5 * DAY_MS
    return [
        DiaryEntry("core", "green", at_ms, {"thatch_mm": 18.0}, "s1", None, "R. Fenn", at_ms + 1),
        DiaryEntry("depth", "green", at_ms, {"channel": "s1/p1/moisture_035", "depth_mm": 40.0}, "s1", None, "", at_ms),
        DiaryEntry("lift", "green", at_ms + HOUR_MS, {"probe": "t1"}, "s2", None, "R. Fenn", at_ms),
        DiaryEntry("return", "green", at_ms + DAY_MS, {"probe": "t1"}, "s2", None, "R. Fenn", at_ms),
        DiaryEntry(
            "note", "green", at_ms, {"text": 'moss, "red" thread\nand more'}, None, at_ms + 9, "R. Fenn", at_ms,
            sent_as="phone-1",
        ),
    ]  # fmt: skip


def round_trip(tmp_path: Path, hours: int, seed: int) -> None:
    one, other = ground(tmp_path / "one"), ground(tmp_path / "other")
    before = filled(one, hours, seed)
    observations, diary = tmp_path / "observations.csv.gz", tmp_path / "diary.json"
    assert main(["export", "observations", "--out", str(observations), "--config", str(one)]) == 0
    assert main(["export", "diary", "--out", str(diary), "--config", str(one)]) == 0
    for _ in range(2):  # the second changes nothing
        assert main(["import", str(diary), "--config", str(other)]) == 0
        assert main(["import", str(observations), "--config", str(other)]) == 0
        config = load_settings(other)
        stores = open_stores(config)
        after, written = observed(stores, config), stores.diary.entries(None, *EVER_MS)
        stores.close()
        assert list(after.columns) == list(OBSERVATION_COLUMNS)
        pd.testing.assert_frame_equal(before, after)
        kept = [replace(e, id=0, sent_as=e.sent_as * (not e.sent_as.startswith("export:"))) for e in written]
        assert kept == sorted(entries(), key=lambda entry: entry.at_ms)


def test_an_export_read_into_an_empty_site_gives_equal_observations(tmp_path: Path) -> None:
    """Forty days of two stations: raw, value, flag, version and time of receipt of every observation are the same."""
    round_trip(tmp_path, 960, 1)


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_a_year_of_two_stations_comes_back_equal(tmp_path: Path) -> None:
    """A year of hours of two stations."""
    print("seed 2")
    round_trip(tmp_path, 366 * 24, 2)


@pytest.fixture
def exported(tmp_path: Path) -> tuple[Path, str]:
    one = ground(tmp_path / "one")
    filled(one, 48, 3)
    out = tmp_path / "observations.csv"
    assert main(["export", "observations", "--out", str(out), "--config", str(one)]) == 0
    return one, out.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda text: text[: len(text) // 2].rsplit("\n", 1)[0] + "\n", "it is cut off"),
        (lambda text: text.replace("s1/p1/moisture_035", "s1/p1/moisture_36"), "found the channel 's1/p1/moisture_36'"),
        (lambda text: text.replace("hears soil_temperature", "hears water_content"), "that hears water_content"),
        (lambda text: text.replace(",good,", ",fine,", 1), "found the flag 'fine', expected one of good"),
    ],
)  # fmt: skip
def test_a_broken_export_is_refused(
    change: object, told: str, exported: tuple[Path, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half of one, channels of another ground, a flag that there is none of: named, and nothing is kept."""
    settings, text = exported
    broken = tmp_path / "broken.csv"
    broken.write_text(change(text), encoding="utf-8")  # type: ignore[operator]
    assert main(["import", str(broken), "--config", str(settings)]) == 2
    said = capsys.readouterr().err
    assert told in said and "nothing was kept" in said


def test_an_export_is_kept_once_when_the_site_has_another_probe_since(
    exported: tuple[Path, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Read into a site, and again after a probe was added there: all readings were there before."""
    _, text = exported
    other, file = ground(tmp_path / "other"), tmp_path / "observations.csv"
    file.write_text(text, encoding="utf-8")
    assert main(["import", str(file), "--config", str(other)]) == 0
    kept = capsys.readouterr().out
    more = kept_site.station("s3", "east end", probe="p3", weather=False).replace("t2", "t1").replace("p2", "p1")
    other.write_text(other.read_text(encoding="utf-8") + more, encoding="utf-8")
    assert main(["import", str(file), "--config", str(other)]) == 0
    again = capsys.readouterr().out
    assert ", 0 were there before" in kept and "0 readings kept, " in again


def test_an_export_explains_itself(exported: tuple[Path, str]) -> None:
    """Units, flags, versions and what raw is stand in the head or beside the number; spreadsheets read the rest."""
    _, text = exported
    head = [line for line in text.splitlines() if line.startswith("#")]
    assert head[0] == "# underturf observations 1" and "good 1" in head[2]
    assert "# channel s1/t1/moisture hears apparent_permittivity in 1, by the curve linear" in head
    rows = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    assert head[-1] == f"# end: {len(rows)} rows"
    assert {(row["unit"], row["stage_version"].isdigit()) for row in rows if row["quantity"] == "rain"} == {
        ("mm", True)
    }


def test_findings_and_the_diary_go_out_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Findings with their units and reasons; the diary as CSV; a long export without a name is gzipped."""
    one = ground(tmp_path / "one")
    filled(one, 240, 4)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("api.records.LONG_EXPORT", 20_000)
    for what in ("findings", "diary.csv", "diary"):
        assert main(["export", what, "--config", str(one)]) == 0
    text = gzip.decompress((tmp_path / "meadow-findings.csv.gz").read_bytes()).decode()
    rows = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    assert {row["place"] for row in rows} >= {"s1", "s2"} and text.endswith(f"# end: {len(rows)} rows\n")
    assert {row["unit"] for row in rows if row["quantity"] == "thatch_storage"} <= {"mm"}
    diary = (tmp_path / "meadow-diary.csv").read_text(encoding="utf-8")
    assert "# end: 5 rows" in diary and (tmp_path / "meadow-diary.json").exists()
    assert main(["import", "meadow-findings.csv.gz", "--config", str(one)]) == 2


def test_a_diary_of_a_program_that_asked_about_no_figure_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A core of 1 mm counted in it, and counts where it is imported, once; of this program it stays asked about, unless
    its writer has said that it is right. A diary of a program to come is refused by its version."""
    made = ground(tmp_path / "made")
    stores = open_stores(load_settings(made))
    for body in ({"thatch_mm": 1}, {"thatch_mm": 1.5, "confirmed": True}, {"thatch_mm": 12}):
        stores.diary.add(DiaryEntry("core", "green", NOW_MS, body, "s1"))
    stores.close()
    now = tmp_path / "now.json"
    assert main(["export", "diary", "--out", str(now), "--config", str(made)]) == 0
    text = now.read_text(encoding="utf-8")
    for version, counting in (("diary 2", [1.5, 12]), ("diary 1", [1, 1.5, 12])):
        diary, other = tmp_path / f"{version}.json", ground(tmp_path / version)
        diary.write_text(text.replace("diary 2", version), encoding="utf-8")
        for _ in range(2):
            assert main(["import", str(diary), "--config", str(other)]) == 0
        stores = open_stores(load_settings(other))
        facts = [entry.body["thatch_mm"] for entry in stores.diary.entries(None, *EVER_MS)]
        assert sorted(facts) == counting and len(stores.diary.entries(None, *EVER_MS, asked=True)) == 3
        stores.close()
    now.write_text(text.replace("diary 2", "diary 3"), encoding="utf-8")
    assert main(["import", str(now), "--config", str(made)]) == 2
    assert "found 'diary 3', expected diary 1 or diary 2" in capsys.readouterr().err


def _booked_and_done(path: Path) -> None:
    """A note struck out, so that numbers differ elsewhere; twice a pass booked and done three days later, and its
    healing; the last booking written anew."""
    stores = open_stores(load_settings(path))
    diary, at_ms = stores.diary, NOW_MS - 20 * DAY_MS
    diary.strike(diary.add(DiaryEntry("note", "green", at_ms, {"text": "wrong green"}, written_at_ms=1)).id, at_ms)
    for day in (0, 5):
        when_ms = at_ms + day * DAY_MS
        body: dict[str, object] = {"pass": "scarifying", "state": "booked"}
        booked = diary.add(DiaryEntry("pass", "green", when_ms, body, written_at_ms=2))
        body = {"pass": "scarifying", "state": "done", "follows": booked.id}
        done = diary.add(DiaryEntry("pass", "green", when_ms + 3 * DAY_MS, body, written_at_ms=3))
        diary.add(
            DiaryEntry(
                "healed", "green", when_ms + 9 * DAY_MS, {"pass": "scarifying", "entry": done.id}, written_at_ms=4
            )
        )
    diary.write_anew(booked.id, replace(booked, id=0, at_ms=booked.at_ms + HOUR_MS, written_at_ms=5), at_ms)
    stores.close()


def _links(path: Path) -> tuple[int, list[tuple[int, object]], tuple[object, ...]]:
    """How many entries there are, what each that names another names, and what is still booked."""
    config = load_settings(path)
    stores = open_stores(config)
    found = stores.diary.entries(None, *EVER_MS, asked=True)
    stores.close()
    at_ms = {entry.id: entry.at_ms for entry in found}
    named = [
        (e.at_ms, at_ms.get(e.body.get("follows") or e.body.get("entry")))
        for e in found
        if {"follows", "entry"} & {*e.body}
    ]
    facts = read_diary(found, "green", {})
    return len(found), named, facts.booked


def test_an_imported_diary_keeps_its_links(tmp_path: Path) -> None:
    """A pass done three days after it was booked goes on with its booking where it is imported, whatever number that
    has there, and healing with its pass; read in twice, or into its own site, nothing is written again."""
    own, other, out = ground(tmp_path / "own"), ground(tmp_path / "other"), tmp_path / "diary.json"
    _booked_and_done(own)
    before = _links(own)
    assert before[0] == 6 and before[2] == () and None not in dict(before[1]).values()
    assert main(["export", "diary", "--out", str(out), "--config", str(own)]) == 0
    for path in (other, other, own):
        assert main(["import", str(out), "--config", str(path)]) == 0
        assert _links(path) == before
    again = tmp_path / "again.json"  # and back again, from the one that has other numbers
    assert main(["export", "diary", "--out", str(again), "--config", str(other)]) == 0
    assert main(["import", str(again), "--config", str(own)]) == 0
    assert _links(own) == before


def test_a_link_to_what_was_not_exported_names_no_other_entry(tmp_path: Path) -> None:
    """Of an export that begins after the booking, the pass says nothing of an entry that it goes on with."""
    own, other, out = ground(tmp_path / "own"), ground(tmp_path / "other"), tmp_path / "diary.json"
    _booked_and_done(own)
    first = utc_text(NOW_MS - 18 * DAY_MS)[:10]
    assert main(["export", "diary", "--out", str(out), "--from", first, "--config", str(own)]) == 0
    assert main(["import", str(out), "--config", str(other)]) == 0
    stores = open_stores(load_settings(other))
    passes = stores.diary.entries(("pass",), *EVER_MS)
    stores.close()
    assert [("follows" in e.body, e.body["state"]) for e in passes] == [
        (False, "done"), (False, "booked"), (True, "done")
    ]  # fmt: skip


def test_a_span_and_a_channel_are_what_is_exported(exported: tuple[Path, str], tmp_path: Path) -> None:
    """Only the days and channels asked for go out; what names nothing is refused."""
    settings, _ = exported
    out = tmp_path / "part.csv"
    asked = ["--channel", "s1/w1/rain", "--from", "2024-05-12", "--to", "2024-05-12", "--config", str(settings)]
    assert main(["export", "observations", "--out", str(out), *asked]) == 0
    rows = [line for line in out.read_text(encoding="utf-8").splitlines() if not line.startswith("#")][1:]
    assert 0 < len(rows) <= 24 and all(row.startswith("s1/w1/rain,2024-05-12T") for row in rows)
    assert main(["export", "findings", "--station", "s9", "--config", str(settings)]) == 2
