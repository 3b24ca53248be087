"""A ground whose north station has a notebook: a probe of three channels that no line asks."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from pipeline.records.record_intake import CheckedRecord, check_record
from pipeline.records.record_map import parse_map
from pipeline.records.record_plan import column_plans
from pipeline.service import load_settings
from pipeline.site.settings import SiteConfig

NOTEBOOK = """
title = "Notebook"
protocol = "file"
[[channel]]
name = "thatch"
heard = "water_content"
depth_mm = 8
[[channel]]
name = "soil"
heard = "soil_temperature"
depth_mm = 50
[[channel]]
name = "sun"
heard = "solar_radiation"
"""
SETTINGS = """
[site]
name = "meadow"
timezone = "Europe/London"
latitude_deg = 52.0
longitude_deg = 0.0
[data]
dir = "data"
model_dir = "models"
[[surface]]
name = "green"
kind = "green"
[[surface.station]]
name = "north"
soil = "loam"
[[surface.station.probe]]
name = "notebook"
model = "notebook"
"""
NOW_MS = 1_735_732_800_000  # 2025-01-01 12:00 UTC


def notebook_site(folder: Path) -> SiteConfig:
    """The settings of that ground, in a folder."""
    (folder / "models").mkdir(exist_ok=True, parents=True)
    (folder / "models" / "notebook.toml").write_text(NOTEBOOK, encoding="utf-8")
    (folder / "underturf.toml").write_text(SETTINGS, encoding="utf-8")
    return load_settings(folder / "underturf.toml")


Check = Callable[..., CheckedRecord]


@pytest.fixture
def site(tmp_path: Path) -> SiteConfig:
    return notebook_site(tmp_path)


@pytest.fixture
def check(site: SiteConfig, tmp_path: Path) -> Iterator[Check]:
    """Look through a file by a map; the spool is closed after the test."""
    opened = []

    def look(data: bytes, words: str, **more: object) -> CheckedRecord:
        file = tmp_path / "record.csv"
        file.write_bytes(data)
        record = parse_map(words, "map.toml")
        spool = (tmp_path / f"spool{len(opened)}").open("w+b")
        opened.append(spool)
        plans = column_plans(record, site, "map.toml")
        return check_record(file, record, plans, spool, location=site.site.location, now_ms=NOW_MS, **more)  # type: ignore[arg-type]

    yield look
    for one in opened:
        one.close()
