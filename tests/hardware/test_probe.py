"""Probe descriptions: how one is found by its name, and that no file on disk raises anything but its faults."""

from pathlib import Path

import pytest

from hardware.probe import ProbeFault, load_probe, models

OWN = """
title = "One moisture channel at 70 mm"
protocol = "sdi12"
[[channel]]
name = "moisture"
heard = "water_content"
depth_mm = 70
position = 1
"""


def faults_of(model: str, folder: Path | None = None) -> list[str]:
    with pytest.raises(ProbeFault) as caught:
        load_probe(model, folder)
    return caught.value.faults


def test_own_description_is_taken_before_the_one_that_comes_with_the_project(tmp_path: Path) -> None:
    """A file of the folder stands for its name; every other name is still known."""
    (tmp_path / "thatch.toml").write_text(OWN)
    (tmp_path / "single.toml").write_text(OWN)
    assert [c.depth_m for c in load_probe("thatch", tmp_path).channels] == [0.07]
    assert load_probe("single", tmp_path).title == "One moisture channel at 70 mm"
    assert load_probe("weather", tmp_path) == load_probe("weather")
    assert load_probe("thatch").title != load_probe("thatch", tmp_path).title
    assert set(models(tmp_path)) == {*models(), "single"}


def test_unknown_name_is_told_with_the_nearest_one_s_own_among_them(tmp_path: Path) -> None:
    """Names of the folder are offered as those that come with the project are."""
    (tmp_path / "single.toml").write_text(OWN)
    (told,) = faults_of("singel", tmp_path)
    assert told.startswith("probe model: found 'singel', expected one of climate_station, ")
    assert told.endswith(", nearest 'single'")


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"[[channel]\n", "found text that is not TOML"),
        (b'title = "\xff"\n', "found bytes that are not text"),
        (b"", "channel: found 0, expected 1 to 96 [[channel]] tables"),
    ],
)
def test_file_that_is_no_description_is_a_fault_of_that_file(tmp_path: Path, content: bytes, told: str) -> None:
    """Broken TOML, foreign bytes and an empty file are faults, never a traceback."""
    (tmp_path / "single.toml").write_bytes(content)
    assert any(
        told in fault and fault.startswith(f"{tmp_path / 'single.toml'}: ") for fault in faults_of("single", tmp_path)
    )


def test_folder_that_is_gone_is_told_by_its_path(tmp_path: Path) -> None:
    """Never a traceback out of the listing."""
    (told,) = faults_of("thatch", tmp_path / "gone")
    assert f"{tmp_path / 'gone'}: No such file" in told


PERMITTIVITY = """
protocol = "sdi12"
[[channel]]
name = "moisture"
heard = "apparent_permittivity"
quantity = "water_content"
depth_mm = 70
position = 1
calibration = {}
"""


@pytest.mark.parametrize(
    ("calibration", "told"),
    [
        ('{ curve = "topp_1890", source = "x" }', ["curve: found 'topp_1890', expected one of identity, "]),
        ('{ source = "x" }', ["curve: found nothing, expected one of identity, "]),
        ('{ curve = "crim", source = "x" }', ["porosity: found nothing, expected a number from 0.2 to 0.97"]),
        (
            '{ curve = "crim", porosty = 0.5, source = "x" }',
            ["porosity: found nothing", "porosty: found 0.5, expected porosity, "],
        ),
        ('{ curve = "topp_1980", source = 3 }', ["source: found 3, expected text"]),
    ],
)
def test_calibration_in_a_description_is_held_against_its_curve(
    tmp_path: Path, calibration: str, told: list[str]
) -> None:
    """A curve that does not exist, and parameters that it does not have, are faults of the description's own file."""
    (tmp_path / "single.toml").write_text(PERMITTIVITY.replace("{}", calibration))
    found = faults_of("single", tmp_path)
    place = f"{tmp_path / 'single.toml'}: channel[0].calibration."
    assert len(found) == len(told)
    for fault, words in zip(found, told, strict=True):
        assert fault.startswith(f"{place}{words}")


def test_curve_that_does_not_exist_is_told_with_the_nearest_name(tmp_path: Path) -> None:
    """A slip of the pen is answered with the name that was meant."""
    (tmp_path / "single.toml").write_text(PERMITTIVITY.replace("{}", '{ curve = "topp_1890", source = "x" }'))
    (told,) = faults_of("single", tmp_path)
    assert told.endswith(", nearest 'topp_1980'")
