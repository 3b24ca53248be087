"""The open field records of the tests, each with the map by which it comes in, and a site made from the map itself."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from pipeline.records.record_map import read_map
from pipeline.records.record_plan import description_texts, new_channels
from pipeline.service import load_settings
from pipeline.site.settings import SiteConfig

DATA = Path(__file__).parents[2] / "data"


@dataclass(frozen=True)
class FieldRecord:
    """One record: its file and its map, where it was taken, on what soil, and whether faults were put in on purpose."""

    name: str
    file: Path
    map: Path
    stations: tuple[str, ...]
    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0
    soil: str = "loam"
    planted: bool = False


def read_records(folder: Path) -> dict[str, FieldRecord]:
    """The records that `records.toml` of a folder lists, each with its map NAME.toml beside it, by name."""
    found = {}
    for name, table in tomllib.loads((folder / "records.toml").read_text(encoding="utf-8")).items():
        file, stations = folder / table.pop("file"), tuple(table.pop("stations"))
        found[name] = FieldRecord(name, file, folder / f"{name}.toml", stations, **table)
    return found


RECORDS = read_records(DATA / "records")


def site_of(record: FieldRecord, folder: Path) -> SiteConfig:
    """Settings for a record, with the probe descriptions that its own map asks for."""
    (folder / "models").mkdir(parents=True)
    place = f"latitude_deg = {record.latitude_deg}\nlongitude_deg = {record.longitude_deg}\n"
    place += f"elevation_m = {record.elevation_m}\n"
    text = f'[site]\nname = "ground"\n{place}[data]\ndir = "data"\nmodel_dir = "models"\n'
    text += '[pages]\nport = 8499\n[[surface]]\nname = "lawn"\nkind = "lawn"\n'
    stations = {
        station: f'[[surface.station]]\nname = "{station}"\nsoil = "{record.soil}"\n' for station in record.stations
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
