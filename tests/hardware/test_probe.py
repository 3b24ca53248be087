"""Probe descriptions: how one is found by its name, and that no file on disk raises anything but its faults."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hardware.probe import ProbeDescription, ProbeFault, load_probe, models, parse_probe

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
    assert told.startswith("probe model: found 'singel', expected one of air, climate_station, ")
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


def test_folder_that_is_called_as_a_description_is_none(tmp_path: Path) -> None:
    """Only files are descriptions."""
    (tmp_path / "single.toml").mkdir()
    assert "expected one of" in faults_of("single", tmp_path)[0]


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


def parse(text: str) -> ProbeDescription:
    return parse_probe(text, "own", file="own.toml")


def channel_text(**keys: object) -> str:
    """One SDI-12 channel of the keys given; a value is written as TOML."""
    return 'protocol = "sdi12"\n[[channel]]\n' + "".join(f"{key} = {value}\n" for key, value in keys.items())


SOIL = {"name": '"soil"', "heard": '"soil_temperature"', "depth_mm": 70, "position": 1}
WET = {**SOIL, "heard": '"apparent_permittivity"'}
TOPP = '{ curve = "topp_1980", source = "x" }'
LINE = '{ curve = "linear", slope = 2, offset = 1, source = "x" }'


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        (WET, "quantity: found nothing, expected 'water_content': apparent_permittivity is heard, and not observed"),
        ({**WET, "calibration": TOPP}, "quantity: found nothing, expected 'water_content'"),
        ({**SOIL, "heard": '"rain_total"'}, "quantity: found nothing, expected 'rain'"),
        ({**SOIL, "heard": '"cone_force"'}, "quantity: found nothing, expected 'cone_resistance'"),
        (
            {**WET, "quantity": '"water_content"'},
            "calibration.curve: found nothing, expected a curve that makes water_content of apparent_permittivity, one "
            "of linear, polynomial, table, topp_1980, ",
        ),
        (
            {**WET, "quantity": '"apparent_permittivity"', "calibration": TOPP},
            "calibration.curve: found 'topp_1980', expected a curve that makes apparent_permittivity of "
            "apparent_permittivity, one of identity, linear",
        ),
        (
            {**SOIL, "calibration": TOPP},
            "calibration.curve: found 'topp_1980', expected a curve that makes soil_temperature of soil_temperature, "
            "one of identity, linear",
        ),
        (
            {**SOIL, "quantity": '"air_temperature"'},
            "calibration.curve: found nothing, expected a curve that makes air_",
        ),
        ({**SOIL, "position": 10}, "position: found 10, expected a whole number from 1 to 9: SDI-12 has one digit"),
        ({**SOIL, "command": '"M9"', "position": 12}, "position: found 12, expected a whole number from 1 to 9"),
        ({**SOIL, "command": '"C"', "position": 100}, "position: found 100, expected a whole number from 1 to 99"),
        ({**SOIL, "position": 1.5}, "position: found 1.5, expected a whole number from 1 to 99"),
        (
            {k: v for k, v in SOIL.items() if k != "position"},
            "position: found nothing, expected a whole number from 1 to 99",
        ),
        ({**SOIL, "scale": 0}, "scale: found 0.0, expected a number other than 0"),
    ],
)
def test_channel_that_cannot_be_worked_out_is_refused(keys: dict[str, object], told: str) -> None:
    """What it observes, by which curve, where its value stands in the answer: one fault, by key, found, expected."""
    with pytest.raises(ProbeFault) as caught:
        parse(channel_text(**keys))
    (fault,) = caught.value.faults
    assert fault.startswith(f"own.toml: channel[0].{told}")


@pytest.mark.parametrize(
    "keys",
    [
        SOIL,
        {**SOIL, "calibration": LINE},
        {**WET, "quantity": '"water_content"', "calibration": TOPP},
        {**WET, "quantity": '"water_content"', "calibration": LINE},
        {**SOIL, "heard": '"rain_total"', "quantity": '"rain"'},
        {**SOIL, "heard": '"rain"'},
        {**SOIL, "position": 9},
        {**SOIL, "command": '"C3"', "position": 99},
    ],
)
def test_channel_that_can_be_worked_out_is_taken(keys: dict[str, object]) -> None:
    """Each kind of way from what is heard to what is observed, and the last place of each command."""
    (channel,) = parse(channel_text(**keys)).channels
    assert channel.position == keys["position"]


def test_twelve_values_to_one_measurement_are_refused_place_by_place() -> None:
    """SDI-12 gives the count of `M` one digit: the tenth to the twelfth are each told."""
    channels = [channel_text(**{**SOIL, "name": f'"t{n}"', "position": n}).partition("\n")[2] for n in range(1, 13)]
    with pytest.raises(ProbeFault) as caught:
        parse('protocol = "sdi12"\n' + "".join(channels))
    assert [fault.split(": ")[1] for fault in caught.value.faults] == [f"channel[{n}].position" for n in (9, 10, 11)]


def test_cone_hears_depth_and_force_and_no_more() -> None:
    """A stroke has nothing else: another quantity would be given the force."""
    text = 'protocol = "cone"\ncone = { base_mm2 = 130 }\n[[channel]]\nname = "x"\nheard = "soil_temperature"\n'
    with pytest.raises(ProbeFault, match="heard: found 'soil_temperature', expected one of cone_depth, cone_force"):
        parse(text)


def test_depths_of_a_list_are_a_channel_each() -> None:
    """Written once, three channels: named by depth, one place after the other, all else alike."""
    one = {**WET, "quantity": '"water_content"', "calibration": TOPP, "command": '"M2"', "position": 4}
    listed = {key: value for key, value in one.items() if key != "depth_mm"}
    (alone,) = parse(channel_text(**one)).channels
    channels = parse(channel_text(**listed, depths_mm=[35, 110, 1000])).channels
    assert [(c.name, c.depth_m, c.position) for c in channels] == [
        ("soil_035", 0.035, 4), ("soil_110", 0.11, 5), ("soil_1000", 1.0, 6),
    ]  # fmt: skip
    assert [replace(c, name=alone.name, depth_m=alone.depth_m, position=4) for c in channels] == [alone] * 3


@pytest.mark.parametrize("depths", [[], [50, 50], ["50"], 50, [-1, 50], [50, 3001], [True, 50]])
def test_list_that_is_no_depths_is_refused_once(depths: object) -> None:
    """Depths are different numbers from 0 to 3000 mm; one fault, whatever their number."""
    with pytest.raises(ProbeFault) as caught:
        parse(channel_text(name='"t"', heard='"soil_temperature"', position=1, depths_mm=json.dumps(depths)))
    (fault,) = caught.value.faults
    assert fault.startswith("own.toml: channel[0].depths_mm: found ")


def test_depth_and_depths_together_are_refused() -> None:
    """Which of them holds could not be told."""
    with pytest.raises(ProbeFault, match="depth_mm or depths_mm, not both"):
        parse(channel_text(**SOIL, depths_mm=[50, 100]))


def test_missing_is_a_list_of_numbers() -> None:
    """Kept as numbers sent; anything else is a fault of its key."""
    (channel,) = parse(channel_text(**SOIL, missing=[-9999, 9999.5])).channels
    assert channel.missing == (-9999.0, 9999.5)
    with pytest.raises(ProbeFault, match=r"channel\[0\]\.missing: found 9999, expected a list of 1 to 16 different"):
        parse(channel_text(**SOIL, missing=9999))


def test_missing_of_single_floats_is_the_number_that_they_can_hold() -> None:
    """-9999.9 is sent as the nearest number of IEEE 754 binary32; numpy says which."""
    text = MODBUS.format('register = 4\ntype = "f32"\nmissing = [-9999.9, 9999]')
    (channel,) = parse_probe(text, "own", file="own.toml").channels
    assert channel.missing == (float(np.float32(-9999.9)), 9999.0) and channel.missing[0] != -9999.9


MODBUS = 'protocol = "modbus"\n[[channel]]\nname = "a"\nheard = "soil_temperature"\n{}\n'


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ("", "channel[0].register: found nothing, expected a whole number from 0 to 65535"),
        ("register = 65536", "channel[0].register: found 65536, expected a whole number from 0 to 65535"),
        ('register = 65535\ntype = "f32"', "channel[0].register: found 65535, expected a whole number from 0 to 65534"),
        ('register = 1\ntype = "float"', "channel[0].type: found 'float', expected one of u16, i16, u32, i32, f32"),
        ('register = 1\ntable = "coil"', "channel[0].table: found 'coil', expected one of holding, input"),
        ('register = 1\ntype = "u32"\norder = "acbd"', "channel[0].order: found 'acbd', expected one of abcd, cdab"),
        ('register = 1\norder = "cdab"', "channel[0].order: found 'cdab', expected it with a type of two registers"),
        ("register = 1\nposition = 1", "channel[0].position: found 'an unknown key'"),
        ('register = 1\ncommand = "M"', "channel[0].command: found 'an unknown key'"),
        ("register = 1\nmissing = [-9999]", "channel[0].missing: found -9999.0, expected a number that u16 can hold"),
    ],
)
def test_fault_of_a_register_channel_is_named(keys: str, told: str) -> None:
    """Each key with what was found and what is expected."""
    with pytest.raises(ProbeFault) as caught:
        parse_probe(MODBUS.format(keys), "own", file="own.toml")
    assert any(told in fault for fault in caught.value.faults), caught.value.faults


def test_registers_that_overlap_and_a_crc_that_is_no_choice_are_faults() -> None:
    """The second half of one number cannot be another's first; Modbus has its CRC always."""
    text = "crc = false\n" + MODBUS.format('register = 4\ntype = "f32"')
    text += '[[channel]]\nname = "b"\nheard = "soil_temperature"\nregister = 5\n'
    with pytest.raises(ProbeFault) as caught:
        parse_probe(text, "own", file="own.toml")
    assert [fault.partition(": ")[2] for fault in caught.value.faults] == [
        "channel[1].register: found '5, which a has', expected registers of its own",
        "crc: found False, expected no such key with modbus, whose frames always have a CRC",
    ]


def test_depths_take_registers_one_after_the_other() -> None:
    """As many apart as the type is wide."""
    text = MODBUS.format('register = 10\ntype = "f32"\ndepths_mm = [50, 100, 150]')
    channels = parse_probe(text, "own", file="own.toml").channels
    assert [(c.name, c.place.register) for c in channels] == [("a_050", 10), ("a_100", 12), ("a_150", 14)]
