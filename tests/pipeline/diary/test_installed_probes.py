"""What lies in the ground, how deep its top is, and what the diary says of it.

Expected depths are worked out by hand from the probe descriptions: the depth of the shallowest channel less half its
sensing height.
"""

import pytest

from pipeline.advice.phrases import lift_first
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import Buried, probes_in_ground, read_diary
from pipeline.service import load_settings as load
from pipeline.site.ground import Surface

SITE = """
[site]
name = "club"
[data]
dir = "data"
[[surface]]
name = "square"
kind = "square"
[[surface.station]]
name = "north"
soil = "loam"
[[surface.station.probe]]
name = "t1"
model = "thatch"
[[surface.station.probe]]
name = "p1"
model = "root_zone_profile"
[surface.station.probe.depth_mm]
moisture_035 = 30
[[surface.station.probe]]
name = "cone"
model = "cone_hard"
[[surface.station]]
name = "south"
soil = "loam"
[[surface.station.probe]]
name = "t1"
model = "thatch"
[[surface.station.probe]]
name = "w1"
model = "weather"
"""


@pytest.fixture
def square(tmp_path):
    file = tmp_path / "underturf.toml"
    file.write_text(SITE, encoding="utf-8")
    return load(file).surfaces[0]


def in_ground(square: Surface, entries: list[DiaryEntry], at_ms: int, **more: str) -> tuple[Buried, ...]:
    return probes_in_ground(square, read_diary(entries, "square", {}), at_ms, **more)


def test_a_probe_is_called_by_its_place(square: Surface) -> None:
    """By its station, a thatch probe apart; never by its name in the settings, which two stations share here."""
    names = [one.name for one in in_ground(square, [], 0)]
    assert [one.called for one in in_ground(square, [], 0)] == [
        "the north thatch probe", "the north probe", "the south thatch probe",
    ]  # fmt: skip
    assert lift_first(names[:2], in_ground(square, [], 0)) == "Lift the north thatch probe and the north probe first"


def said(kind: str, at_ms: int, station: str = "north", surface: str = "square", **body: object) -> DiaryEntry:
    return DiaryEntry(kind, surface, at_ms, body, station=station)


def test_each_probe_in_the_ground_stands_with_its_top(square):
    """8 mm less half of 12; 30 mm, as set for this site, less half of 20; a cone and a mast are not buried."""
    found = in_ground(square, [], 100)
    assert [(b.name, round(b.depth_m * 1000, 6), b.lifted) for b in found] == [
        ("north/t1", 2.0, False), ("p1", 20.0, False), ("south/t1", 2.0, False),
    ]  # fmt: skip
    assert [b.name for b in in_ground(square, [], 100, station="south")] == ["south/t1"]


def test_what_is_lifted_is_so_until_it_is_put_back(square):
    """The latest word up to the moment counts, of that station alone."""
    entries = [
        said("return", 30, probe="t1"),
        said("lift", 20, probe="t1"),
        said("lift", 10, "gone", "lawn", probe="t1"),
    ]
    lifted = {at: [b.name for b in in_ground(square, entries, at) if b.lifted] for at in (19, 20, 29, 30)}
    assert lifted == {19: [], 20: ["north/t1"], 29: ["north/t1"], 30: []}


def test_a_depth_measured_anew_stands_from_then_on(square):
    """15 mm found by a ruler, less half of 12."""
    entries = [said("depth", 20, channel="north/t1/moisture", depth_mm=15)]
    tops = {at: round(in_ground(square, entries, at)[0].depth_m * 1000, 6) for at in (19, 20)}
    assert tops == {19: 2.0, 20: 8.0}  # where it senses temperature nobody has measured: 8 mm, as before
