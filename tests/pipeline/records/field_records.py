"""The open field records of the tests, each with the map by which it comes in, and a site made from the map itself."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.records.record_map import read_map
from pipeline.records.record_plan import description_texts, new_channels
from pipeline.service import load_settings
from pipeline.site.settings import SiteConfig

DATA = Path(__file__).parents[2] / "data"


@dataclass(frozen=True)
class FieldRecord:
    """One record: its file, its map, where it was taken, and how many readings were counted in it by other means."""

    name: str
    file: Path
    stations: tuple[str, ...]
    latitude_deg: float
    longitude_deg: float

    @property
    def map(self) -> Path:
        return DATA / "records" / f"{self.name}.toml"


RECORDS = {
    record.name: record
    for record in (
        FieldRecord("ithaca", DATA / "records" / "ithaca_2024.txt.gz", ("ithaca",), 42.44, -76.25),
        FieldRecord("dinosaur", DATA / "uscrn_dinosaur_2018" / "may_june_hourly.csv", ("dinosaur",), 40.24, -108.97),
        FieldRecord("attert", DATA / "attert_rwu_2017" / "soilmoisture.csv.gz", ("sand", "slate"), 49.708, 5.898),
        FieldRecord("fallon", DATA / "agrimet_fallon_et_2015" / "hourly_july.csv", ("fallon",), 39.4575, -118.774),
        FieldRecord("flags", DATA / "published_quality_flags" / "test_dataframe.csv", ("flags",), 48.0, 16.0),
    )
}


def site_of(record: FieldRecord, folder: Path) -> SiteConfig:
    """Settings for a record, with the probe descriptions that its own map asks for."""
    (folder / "models").mkdir(parents=True)
    place = f"latitude_deg = {record.latitude_deg}\nlongitude_deg = {record.longitude_deg}\n"
    text = f'[site]\nname = "ground"\n{place}[data]\ndir = "data"\nmodel_dir = "models"\n'
    text += '[pages]\nport = 8499\n[[surface]]\nname = "lawn"\nkind = "lawn"\n'
    air = '[[surface.station.probe]]\nname = "air"\nmodel = "air"\n'
    stations = {
        station: f'[[surface.station]]\nname = "{station}"\nsoil = "loam"\n{air}' for station in record.stations
    }
    bare = folder / "bare.toml"
    bare.write_text(text + "".join(stations.values()), encoding="utf-8")
    made = description_texts(new_channels(read_map(record.map), load_settings(bare)), load_settings(bare))
    for model, (description, lines) in made.items():
        (folder / "models" / f"{model}.toml").write_text(description, encoding="utf-8")
        stations[model.rsplit("_", 1)[0]] += lines
    settings = folder / "underturf.toml"
    settings.write_text(text + "".join(stations.values()), encoding="utf-8")
    return load_settings(settings)
