"""Pushes by file mean what the dock's mean, and rows of a spreadsheet are entries of the diary, each once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from api.command import main
from hardware.reading import Reading, Status
from pipeline.service import load_settings
from pipeline.site.settings import SiteConfig
from pipeline.stages.recompute import recompute, station_context
from pipeline.store.opening import open_stores
from pipeline.units import EVER_MS
from tests.pipeline.records.conftest import NOTEBOOK, SETTINGS
from tests.pipeline.store.keeping import keep
from tests.reference import blocks

PAGE = Path(__file__).parents[3] / "pipeline" / "docs" / "records.md"
BASE_MM2 = 322.58  # of the larger cone of ASAE S313.3, 20.27 mm across; the settings have the smaller
DEPTHS_MM = tuple(range(0, 301, 25))
AT_MS = 1_686_650_400_000  # 2023-06-13 10:00 UTC, 11:00 by the clock of the site
STRENGTH = ("cone_resistance_050", "cone_resistance_100", "cone_resistance_200", "root_limit_depth")


def kpa(push: int, depth_mm: float) -> float:
    """The made-up ground: harder with depth, each push a little harder than the one before."""
    return round(300.0 + 8.0 * depth_mm + 25.0 * push, 1)


@pytest.fixture
def ground(tmp_path: Path) -> SiteConfig:
    """The notebook's green, with a penetrometer at its north station."""
    return a_ground(tmp_path / "site")


def a_ground(folder: Path) -> SiteConfig:
    (folder / "models").mkdir(parents=True)
    (folder / "models" / "notebook.toml").write_text(NOTEBOOK, encoding="utf-8")
    cone = '[[surface.station.probe]]\nname = "cone"\nmodel = "cone_hard"\n'
    (folder / "underturf.toml").write_text(SETTINGS + cone, encoding="utf-8")
    return load_settings(folder / "underturf.toml")


def findings(config: SiteConfig) -> pd.DataFrame:
    stores = open_stores(config)
    found = stores.store.findings("north", list(STRENGTH), *EVER_MS)
    stores.close()
    return found


def by_dock(folder: Path) -> pd.DataFrame:
    """Findings of the same six pushes as a node sends them from its dock: depth and force, a millisecond a step."""
    config, readings = a_ground(folder), []
    base = config.channels()["north/cone/force"].channel.calibration.parameters["base_mm2"]
    for push in range(6):
        for step, depth_mm in enumerate(DEPTHS_MM):
            at_ms = AT_MS + push * 60_000 + step
            for name, raw in (("depth", depth_mm / 1000.0), ("force", kpa(push, depth_mm) * base / 1000.0)):
                readings.append(
                    Reading("meadow", "n1", "00112233445566778899aabbccddeeff", len(readings) + 1, f"north/cone/{name}",
                            f"stroke:a-{push + 1}:{step + 1}", at_ms, raw, Status.OK, 1, True)
                )  # fmt: skip
    stores = open_stores(config)
    keep(stores.store, readings, AT_MS + 3_600_000)
    recompute(stores.store, station_context(config, "north", stores.diary))
    stores.close()
    return findings(config)


HEAD = '[time]\ncolumns = ["t"]\nzone = "Europe/London"\n[strokes]\nprobe = "cone"\n'
STEPS = 'push = "p"\ndepth = "z"\nvalue = "r"\n'
FORMS = {
    "kilopascals by the step, in millimetres": (
        HEAD + STEPS + 'station = "north"\n',
        ["t,p,z,r"] + [f"2023-06-13 11:0{p},{p},{z},{kpa(p, z)}" for p in range(6) for z in DEPTHS_MM],
    ),
    "megapascals by the step, in centimetres, at a strip": (
        HEAD + STEPS + 'unit = "MPa"\ndepth_unit = "cm"\nplace = "where"\nplaces = { "strip 4" = "north" }\n',
        ["t,p,z,r,where"]
        + [f"2023-06-13 11:0{p},{p},{z / 10},{kpa(p, z) / 1000:.6f},strip 4" for p in range(6) for z in DEPTHS_MM],
    ),
    "newtons on a cone of its own, by coordinates": (
        HEAD + STEPS + f'unit = "N"\ncone_mm2 = {BASE_MM2}\nlatitude = "la"\nlongitude = "lo"\n'
        '[[strokes.at]]\nstation = "north"\nlatitude_deg = 52.0\nlongitude_deg = 0.0\n',
        ["t,p,z,r,la,lo"]
        + [
            f"2023-06-13 11:0{p},{p},{z},{kpa(p, z) * BASE_MM2 / 1000!r},52.0001,0.0001"
            for p in range(6)
            for z in DEPTHS_MM
        ],
    ),
    "a row a push": (
        HEAD
        + 'station = "north"\n'
        + "".join(f'[[strokes.column]]\nname = "{z} mm"\ndepth_mm = {z}\n' for z in DEPTHS_MM),
        ["t," + ",".join(f"{z} mm" for z in DEPTHS_MM)]
        + [f"2023-06-13 11:0{p}," + ",".join(str(kpa(p, z)) for z in DEPTHS_MM) for p in range(6)],
    ),
}  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_pushes_by_file_give_the_cone_index_of_the_dock(form: str, ground: SiteConfig, tmp_path: Path) -> None:
    """However the file is written, resistance at each depth and the depth to the root limit are those of the dock."""
    words, rows = FORMS[form]
    (tmp_path / "map.toml").write_text(words, encoding="utf-8")
    (tmp_path / "pushes.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    settings = str(ground.data.dir.parent / "underturf.toml")
    command = ["import", str(tmp_path / "pushes.csv"), "--map", str(tmp_path / "map.toml"), "--config", settings]
    assert main(command) == 0
    found, docked = findings(ground), by_dock(tmp_path / "dock")
    assert len(found) == len(docked) >= 3
    pd.testing.assert_frame_equal(found, docked, rtol=1e-9)
    at_100 = found[found["quantity"] == "cone_resistance_100"].iloc[0]
    assert at_100["value"] == pytest.approx(np.median([kpa(p, 100) for p in range(6)]))  # algebra: median of six pushes
    assert main(command) == 0
    pd.testing.assert_frame_equal(found, findings(ground))


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('probe = "cone"', 'probe = "corn"', "strokes.probe: found no penetrometer 'corn'"),
        ("strip 4,", "strip 5,", "line 2: found the place 'strip 5', expected 'strip 4'?"),
        ('unit = "MPa"', 'unit = "N"', "strokes.cone_mm2: found nothing, expected the area"),
        ('unit = "MPa"', 'unit = "bushel"', "strokes.unit: found 'bushel'"),
        ('depth_unit = "cm"', 'depth_unit = "m"', "line 3: found a depth of 2500 mm, expected 0 to 1200"),
        ("11:00,0,5.0,", "11:00,0,0.0,", "line 2: found depths that do not increase"),
    ],
)
def test_what_is_wrong_with_pushes_is_named(
    old: str, new: str, told: str, ground: SiteConfig, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A penetrometer, a place, a unit or a depth that cannot be: named with its line, nothing kept."""
    words, rows = FORMS["megapascals by the step, in centimetres, at a strip"]
    text = "\n".join(rows).replace(",strip 4", ",strip 4,").replace("where", "where,") + "\n"
    (tmp_path / "map.toml").write_text(words.replace(old, new), encoding="utf-8")
    (tmp_path / "pushes.csv").write_text(text.replace(old, new).replace("strip 5,", "strip 5,"), encoding="utf-8")
    settings = str(ground.data.dir.parent / "underturf.toml")
    command = ["import", str(tmp_path / "pushes.csv"), "--map", str(tmp_path / "map.toml"), "--config", settings]
    assert main(command) == 2
    said = capsys.readouterr().err
    assert told in said and "nothing was kept" in said


RAIN = (
    '[time]\ncolumns = ["day"]\nform = "%d/%m/%Y"\nzone = "Europe/London"\n[entry]\nkind = "rain"\nsurface = "green"\n'
)
INCHES = '[[entry.field]]\nname = "inches"\nkey = "rain_mm"\nunit = "in"\n'


def test_rows_of_a_spreadsheet_are_entries_once(ground: SiteConfig, tmp_path: Path) -> None:
    """Inches of a gauge become millimetres of the diary; the same file again writes nothing, an empty cell no entry."""
    (tmp_path / "map.toml").write_text(RAIN + INCHES, encoding="utf-8")
    (tmp_path / "rain.csv").write_text("day,inches\n13/06/2023,0.5\n14/06/2023,\n15/06/2023,1\n", encoding="utf-8")
    settings = str(ground.data.dir.parent / "underturf.toml")
    for _ in range(2):
        command = ["import", str(tmp_path / "rain.csv"), "--map", str(tmp_path / "map.toml"), "--config", settings]
        assert main(command) == 0
        stores = open_stores(ground)
        written = stores.diary.entries(("rain",), *EVER_MS)
        stores.close()
        assert [(entry.at_ms, dict(entry.body)) for entry in written] == [
            (AT_MS - 11 * 3_600_000, {"rain_mm": 12.7}),
            (AT_MS - 11 * 3_600_000 + 2 * 86_400_000, {"rain_mm": 25.4}),
        ]


def test_a_fault_of_an_entry_has_its_line(
    ground: SiteConfig, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A figure that the diary refuses is told with the line of the spreadsheet, and no entry is written."""
    (tmp_path / "map.toml").write_text(RAIN + INCHES, encoding="utf-8")
    (tmp_path / "rain.csv").write_text("day,inches\n13/06/2023,0.5\n14/06/2023,300\n", encoding="utf-8")
    settings = str(ground.data.dir.parent / "underturf.toml")
    assert main(["import", str(tmp_path / "rain.csv"), "--map", str(tmp_path / "map.toml"), "--config", settings]) == 2
    assert "line 3: rain_mm: found 7620" in capsys.readouterr().err


@pytest.mark.parametrize("which", ["toml strokes", "toml entry"])
def test_the_printed_maps_are_maps(which: str) -> None:
    """The examples of the page read without a fault."""
    from pipeline.records.record_map import parse_map

    (printed,) = blocks(PAGE.read_text(encoding="utf-8"), which)
    assert parse_map(printed, "map.toml").columns == ()
