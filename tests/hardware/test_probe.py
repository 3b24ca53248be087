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
