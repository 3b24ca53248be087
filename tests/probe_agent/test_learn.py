"""An unknown sensor, emulated over a real pseudo-terminal, held in air, water and salted water by the test."""

from __future__ import annotations

import pytest

from hardware.probe import load_probe
from probe_agent.__main__ import main
from probe_agent.learn import kinds_of
from tests.probe_agent.sdi12_emulator import EmulatedAdapter, EmulatedSensor

IN_AIR = "+1.02+18.5+0-2.4+0.01+12.4"
IN_WATER = "+80.1+14.0+0.55+98.5+612+12.4"
IN_SALTED = "+81.5+14.1+2.90+99.0+5200+12.3"


@pytest.fixture
def learn(pty_plug, write_config, tmp_path, monkeypatch):
    """Run the command on one sensor whose numbers change at each press of Enter."""

    def run(*states: str, crc: str = "yes") -> int:
        sensor = EmulatedSensor("1", count=6, crc=crc)
        pty_plug.plug_in(EmulatedAdapter([sensor]).serve)
        left = iter(states)

        def press_enter(_prompt: str) -> str:
            try:
                sensor.pages = [next(left)]
            except StopIteration:
                raise EOFError from None  # as where there is no terminal
            return ""

        monkeypatch.setattr("builtins.input", press_enter)
        config = str(write_config(line="line-plug"))
        return main(["learn", "north", "1", "--as", "mine", "--folder", str(tmp_path / "own"), "--config", config])

    return run


@pytest.mark.parametrize("crc", ["yes", "plain"])
def test_numbers_are_named_and_a_description_is_written(learn, tmp_path, capsys, crc):
    """Permittivity, temperature, conductivity in two units and water content in per cent (by hand); a supply
    voltage is left out, and the description loads."""
    assert learn(IN_AIR, IN_WATER, IN_SALTED, crc=crc) == 0
    out = capsys.readouterr().out
    known = load_probe("mine", tmp_path / "own")
    assert [(c.name, c.heard, c.position, c.scale) for c in known.channels] == [
        ("moisture_1", "apparent_permittivity", 1, 1.0),
        ("temperature_1", "soil_temperature", 2, 1.0),
        ("ec_1", "bulk_ec", 3, 1.0),
        ("moisture_2", "water_content", 4, 0.01),
        ("ec_2", "bulk_ec", 5, 0.001),
    ]
    assert known.crc is (crc == "yes")
    assert "M value 6: 12.4 in air, 12.4 in water, 12.3 salted: left out, not known" in out
    assert "M value 5: 0.01 in air, 612 in water, 5200 salted: bulk_ec, x 0.001" in out
    check = ["model", "check", "mine", "--folder", str(tmp_path / "own")]
    assert main(check) == 0
    names = "moisture_1, temperature_1, ec_1, moisture_2, ec_2"
    assert f"no depth_mm at {names}: nothing is worked out from them without it" in capsys.readouterr().out
    file = tmp_path / "own" / "mine.toml"
    file.write_text(file.read_text().replace("# depth_mm", "depth_mm"))  # as the line itself says
    assert main(check) == 0 and capsys.readouterr().out == "mine: good, 5 channels\n"


def test_sensor_that_never_changes_is_not_named(learn, tmp_path, capsys):
    """Numbers that fit nothing are left out; with none named nothing is written."""
    same = "+500+500+500+500+500+500"
    assert learn(same, same, same) == 1
    captured = capsys.readouterr()
    assert captured.out.count("left out, not known") == 6
    assert "no number could be named" in captured.err
    assert not (tmp_path / "own").exists()


def test_a_description_that_cannot_be_written_is_refused_before_the_first_glass(learn, tmp_path, capsys):
    """A file of that name, or a file in place of the folder; no prompt is shown, for there is no state to give."""
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "mine.toml").touch()
    assert learn() == 1
    assert "mine.toml: found File exists, expected a new file" in capsys.readouterr().err
    (tmp_path / "own" / "mine.toml").unlink()
    (tmp_path / "own").rmdir()
    (tmp_path / "own").touch()
    assert learn() == 1
    assert f"found no leave to write in {tmp_path / 'own'}" in capsys.readouterr().err


def test_what_was_measured_is_printed_where_writing_fails_at_last(learn, tmp_path, capsys, monkeypatch):
    """The file came into being meanwhile: the description is on the screen."""
    monkeypatch.setattr("probe_agent.model_command.check_target", lambda name, folder: None)
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "mine.toml").touch()
    assert learn(IN_AIR, IN_WATER, IN_SALTED) == 1
    told = capsys.readouterr()
    assert told.out.count("[[channel]]") == 5 and "found File exists" in told.err


def test_the_end_of_the_input_is_a_message(learn, capsys):
    """Without a terminal there is nobody to press Enter."""
    assert learn() == 1
    assert "found the end of the input, expected Enter" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("readings", "kinds"),
    [
        ((0.0, 0.55, 0.56), [("water_content", 1.0)]),
        ((0.0, 0.55, 2.9), [("bulk_ec", 1.0)]),
        ((1.1, 85.0, 86.0), [("apparent_permittivity", 1.0)]),
        ((-2.4, 85.0, 86.0), [("water_content", 0.01)]),
        ((30.0, 85.0, 86.0), []),
        ((0.0, 0.0, 0.0), []),
        ((20.0, 12.0, 12.5), [("soil_temperature", 1.0)]),
    ],
)
def test_what_a_number_can_be(readings, kinds):
    """By physics: salt tells conductivity from water content, air tells permittivity from per cent."""
    assert kinds_of(*readings) == kinds
