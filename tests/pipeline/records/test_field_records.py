"""Open field records come in by their maps: whole, once, after a kill too, and mean what they mean by a line."""

from __future__ import annotations

import csv
import gzip
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from api.app import create_app
from api.records import ImportAsked, import_record
from hardware.reading import Reading, Status
from pipeline.alerts.probes import PROBE_FAULT
from pipeline.alerts.runner import first_states
from pipeline.service import Pipeline
from pipeline.site.settings import SiteConfig
from pipeline.stages.recompute import recompute, station_context
from pipeline.store.opening import Stores, open_stores
from pipeline.store.readings import IMPORTER
from pipeline.units import EVER_MS
from tests.api.served import TestClient
from tests.pipeline.records.field_records import RECORDS, FieldRecord, site_of
from tests.pipeline.store.keeping import keep

NOW_MS = 1_751_328_000_000  # 2025-07-01
KILLED = """
import os, signal, sys, tempfile
from pathlib import Path
from pipeline.records import record_intake
from api.app import create_app
from api.records import ImportAsked, import_record
from pipeline.service import load_settings
record_intake.KEPT_AT_ONCE = 500
def progress(what, done, whole):
    if what == "kept" and done > whole / 2:
        os.kill(os.getpid(), signal.SIGKILL)
import_record(load_settings(sys.argv[1]), ImportAsked(Path(sys.argv[2]), Path(sys.argv[3]), False), 1_751_328_000_000,
              print, progress)
"""


def take_in(config: SiteConfig, record: FieldRecord) -> list[str]:
    """Import a record; returns what was said."""
    said: list[str] = []
    import_record(config, ImportAsked(record.file, record.map, False), NOW_MS, said.append, lambda *_: None)
    return said


def kept(config: SiteConfig) -> dict[str, pd.DataFrame]:
    """Everything that a site holds of readings, observations and findings."""
    stores = open_stores(config)
    try:
        return tables(stores, config)
    finally:
        stores.close()


def tables(stores: Stores, config: SiteConfig) -> dict[str, pd.DataFrame]:
    channels = list(config.channels())
    found = {"raw": stores.store.raw(channels, *EVER_MS), "observations": stores.store.observations(channels, *EVER_MS)}
    for owner in (*config.stations(), *channels):
        found[f"findings of {owner}"] = stores.store.findings(owner, None, *EVER_MS)
    return found


def same(one: dict[str, pd.DataFrame], other: dict[str, pd.DataFrame], *, without: tuple[str, ...] = ()) -> None:
    assert one.keys() == other.keys()
    for name in one:
        pd.testing.assert_frame_equal(
            *(frame[name].drop(columns=list(without), errors="ignore") for frame in (one, other))
        )


@pytest.fixture(params=["ithaca", "dinosaur", "fallon", "flags"])
def record(request: pytest.FixtureRequest) -> Iterator[FieldRecord]:
    yield RECORDS[request.param]


def test_a_record_comes_in_whole_and_a_second_time_changes_nothing(record: FieldRecord, tmp_path: Path) -> None:
    """Each field record goes in by its map; the same file again, gzipped or not, is known by every number of it."""
    config = site_of(record, tmp_path / "site")
    said = take_in(config, record)
    first = kept(config)
    assert len(first["raw"]) == len(first["observations"]) > 500
    assert f"{len(first['raw'])} readings kept, 0 were there before" in said
    text = gzip.decompress(record.file.read_bytes()) if record.file.suffix == ".gz" else record.file.read_bytes()
    other = tmp_path / "again"
    other.write_bytes(text if record.file.suffix == ".gz" else gzip.compress(text))
    assert f"0 readings kept, {len(first['raw'])} were there before" in take_in(config, replace(record, file=other))
    same(first, kept(config))


def test_numbers_are_those_of_the_published_file(tmp_path: Path) -> None:
    """The Ithaca record holds the published figures: the hours and codes for none counted by the standard library."""
    record = RECORDS["ithaca"]
    config = site_of(record, tmp_path / "site")
    take_in(config, record)
    rows = [line.split() for line in gzip.decompress(record.file.read_bytes()).decode().splitlines()]
    raw = kept(config)["raw"]
    for channel, place, none in (("ithaca/station/air", 9, "-9999.0"), ("ithaca/soil/moisture_0100", 29, "-99.000")):
        own = raw[raw["channel"] == channel]
        published = [row for row in rows if row[place] != none]
        at = pd.to_datetime([f"{row[1]} {row[2]}" for row in published], format="%Y%m%d %H%M")
        assert own["raw"].tolist() == [float(row[place]) for row in published]
        assert own["measured_at_ms"].tolist() == (at.as_unit("ms").asi8).tolist()


def test_units_are_converted(tmp_path: Path) -> None:
    """The hours of Fallon, in degrees Fahrenheit, miles an hour and langleys, by the definitions of those units."""
    record = RECORDS["fallon"]
    config = site_of(record, tmp_path / "site")
    take_in(config, record)
    raw = kept(config)["raw"].set_index("channel")["raw"]
    with record.file.open() as file:
        row = list(csv.DictReader(file))[14]
    assert raw["fallon/station/air"].iloc[14] == pytest.approx((float(row["temperature_degf"]) - 32) / 1.8)
    assert raw["fallon/station/wind"].iloc[14] == pytest.approx(float(row["wind_3m_mph"]) * 1609.344 / 3600)
    assert raw["fallon/station/sun"].iloc[14] == pytest.approx(float(row["solar_langley_h"]) * 41840 / 3600)


def test_killed_half_way_and_run_again_it_is_complete(tmp_path: Path) -> None:
    """The process is killed while half of a record is kept; the same command again leaves what one run leaves."""
    record = RECORDS["dinosaur"]
    whole, cut = site_of(record, tmp_path / "whole"), site_of(record, tmp_path / "cut")
    take_in(whole, record)
    command = [
        sys.executable,
        "-c",
        KILLED,
        str(tmp_path / "cut" / "underturf.toml"),
        str(record.file),
        str(record.map),
    ]
    assert subprocess.run(command, capture_output=True, check=False).returncode == -signal.SIGKILL
    before = kept(cut)
    assert 0 < len(before["raw"]) < len(kept(whole)["raw"]) and before["observations"].empty
    said = take_in(cut, record)
    assert any(line.endswith(f"{len(before['raw'])} were there before") for line in said)
    same(kept(whole), kept(cut), without=("received_at_ms",))


def test_a_record_means_what_the_same_readings_mean_by_a_line(tmp_path: Path) -> None:
    """Readings of a node with the same numbers at the same times give the same observations and findings."""
    record = RECORDS["dinosaur"]
    by_file, by_line = site_of(record, tmp_path / "file"), site_of(record, tmp_path / "line")
    take_in(by_file, record)
    one = kept(by_file)
    stores = open_stores(by_line)
    rows = one["raw"].sort_values("measured_at_ms", kind="stable")
    readings = (
        Reading("ground", "north", "00112233445566778899aabbccddeeff", seq, row.channel, row.slot, row.measured_at_ms,
                row.raw, Status.OK, 1, True)
        for seq, row in enumerate(rows.itertuples(), 1)
    )  # fmt: skip
    keep(stores.store, readings, NOW_MS)
    recompute(stores.store, station_context(by_line, "dinosaur", stores.diary))
    other = tables(stores, by_line)
    stores.close()
    learned = ("limit", "learned")
    for name in one:
        drop = one[name].get("quantity", pd.Series(dtype=str)).astype(str).str.contains("|".join(learned))
        pd.testing.assert_frame_equal(
            one[name][~drop.to_numpy(dtype=bool)].drop(columns="received_at_ms", errors="ignore").reset_index(drop=True)
            if "quantity" in one[name]
            else one[name].drop(columns="received_at_ms"),
            other[name].drop(columns="received_at_ms", errors="ignore").reset_index(drop=True),
        )


def test_an_import_is_no_node(tmp_path: Path) -> None:
    """No receipt is published for a file, and custody has nothing to say of it."""
    record = RECORDS["fallon"]
    config = site_of(record, tmp_path / "site")
    take_in(config, record)
    stores = open_stores(config)
    assert [one.node for one in stores.journal.outboxes()] == [IMPORTER]
    assert stores.journal.receipts() == []
    stores.close()


def test_a_station_of_records_alone_is_not_called_silent(tmp_path: Path) -> None:
    """Years after its last reading: pages say up to when it was imported, and no rule watches for its silence."""
    record = RECORDS["dinosaur"]
    config = site_of(record, tmp_path / "site")
    take_in(config, record)
    pipeline = Pipeline(config)
    try:
        client = TestClient(create_app(pipeline))
        today, probes = client.get("/").text, client.get("/api/v1/probes/now").json()
        context = pipeline.context("dinosaur")
    finally:
        pipeline.stop()
    said = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", today))
    assert "By record, up to 12 Jun 2018" in said and "the box first" not in said
    assert {probe["state"] for probe in probes} == {"by record"}
    assert not any(PROBE_FAULT.name in key for key in first_states(context, NOW_MS, of_surface=True, of_site=True))
