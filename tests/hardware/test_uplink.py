"""Messages of radio nodes: what each shape says, and every way in which it does not. Expected values by hand."""

from __future__ import annotations

import json

import pytest

from hardware.probe import ProbeFault, load_probe, parse_probe
from hardware.reading import Status
from hardware.uplink import (
    BadMessage,
    DeviceCount,
    MessageShape,
    counted,
    device_of,
    head_of,
    is_device,
    is_topic_pattern,
    parse_message,
    value_at,
)

NESTED = {
    "device": {"id": "a17"},
    "uplink": {"counter": 41, "received_at": "2026-03-01T10:00:00.25+01:00", "rssi_dbm": -104},
    "status": {"battery_mv": 3412},
    "decoded": {"upper": {"water_percent": 21.5, "temperature_c": 8.25}, "lower": {"water_percent": 30}},
}  # fmt: skip
FLAT = {"dev": 17, "n": 0, "ts": 1772355600, "bat_v": 3.4, "rssi": -90.5, "values": [12.5, -1.25]}
TEN_MS = 1_772_355_600_000  # 2026-03-01 09:00:00 UTC


def test_both_shapes_say_what_they_say() -> None:
    """Device, counter, time, battery and signal of the two example descriptions."""
    nested, flat = load_probe("radio_nested").message, load_probe("radio_flat").message
    assert nested is not None and flat is not None
    head = head_of(NESTED, nested)
    assert (device_of(NESTED, nested), head.counter, head.at_ms) == ("a17", 41, TEN_MS + 250)
    assert (head.battery_v, head.signal_dbm) == (pytest.approx(3.412), -104.0)
    head = head_of(FLAT, flat)
    assert (device_of(FLAT, flat), head.counter, head.at_ms, head.battery_v) == ("17", 0, TEN_MS, 3.4)
    assert [value_at(FLAT, f"values.{n}")[0] for n in range(2)] == [12.5, -1.25]
    assert value_at(NESTED, "decoded.upper.water_percent") == (21.5, Status.OK, "")


@pytest.mark.parametrize(
    ("found", "status", "words"),
    [
        ("21.5", Status.BAD_FRAME, "a.b: found the text '21.5', expected a number"),
        (True, Status.BAD_FRAME, "found bool True"),
        ([21.5], Status.BAD_FRAME, "found list [21.5]"),
        ({"value": 1}, Status.BAD_FRAME, "found dict"),
        (10**400, Status.BAD_FRAME, "found int 1000"),
        (float("nan"), Status.BAD_FRAME, "found float nan"),
        (None, Status.NO_VALUE, ""),
    ],
)
def test_what_is_no_number_is_never_one(found: object, status: Status, words: str) -> None:
    """A number as text, yes and no, a list, an object, one that no float holds, no number, null."""
    number, how, reason = value_at({"a": {"b": found}}, "a.b")
    assert (number, how) == (None, status) and words in reason


@pytest.mark.parametrize("message", [{}, {"a": 1}, {"a": {"c": 1}}, [1], "text", None, {"a": [5]}])
def test_message_of_another_shape_is_short(message: object) -> None:
    """Nothing at the path is told apart from null."""
    assert value_at(message, "a.b")[1] is Status.SHORT and "another shape" in value_at(message, "a.b")[2]


@pytest.mark.parametrize("payload", [b"", b"{", b"\xff", b"[" * 100_000, b" " * 70_000, b"12 13"])
def test_bytes_that_are_no_message_are_refused(payload: bytes) -> None:
    """No JSON, foreign bytes, nesting without end, more than 64 kB."""
    with pytest.raises(BadMessage, match="message: found "):
        parse_message(payload)


SHAPE = MessageShape("dev", "n", "ts", "s")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"n": "17"}, "counter n: found the text '17', expected a whole number"),
        ({"n": -1}, "counter n: found int -1"),
        ({"n": 1.5}, "counter n: found float 1.5"),
        ({"n": True}, "counter n: found bool True"),
        ({"n": 2**60}, "counter n: found int 115"),
        ({"ts": "1772355600"}, "time ts: found the text '1772355600', expected s since 1970"),
        ({"ts": 17}, "time ts: found int 17, expected s since 1970, of the years 2000 to 2199"),
        ({"ts": 1772355600000}, "time ts: found int 1772355600000, expected s since 1970"),
        ({"ts": None}, "time ts: found NoneType None"),
    ],
)
def test_counter_and_time_of_another_form_refuse_the_message(change: dict, words: str) -> None:
    """Without them a reading has no identity: numbers as text, milliseconds for seconds, none."""
    with pytest.raises(BadMessage) as caught:
        head_of(FLAT | change, SHAPE)
    assert words in str(caught.value)


@pytest.mark.parametrize("text", ["2026-03-01T10:00:00", "2026-03-01", "yesterday", "1999-12-31T23:59:59Z"])
def test_time_without_its_offset_is_refused(text: str) -> None:
    """A time whose zone nobody says could be any; one before 2000 is a clock that was never set."""
    with pytest.raises(BadMessage, match="RFC 3339 with its offset"):
        head_of({"t": text}, MessageShape("dev", time="t"))


def test_counter_goes_on_passes_over_comes_late_and_starts_again() -> None:
    """By the times of messages: 5, 6, 9 (two missed), 7 late, 9 again later in time (started again), 0 after it."""
    count, run = counted(None, 5, 1000, 0)
    assert (count, run) == (DeviceCount(0, 5, 1000, 0), 0)
    count, _ = counted(count, 6, 2000, 0)
    count, _ = counted(count, 9, 5000, 0)
    assert count == DeviceCount(0, 9, 5000, 2)
    count, run = counted(count, 7, 3000, 0)
    assert (count, run) == (DeviceCount(0, 9, 5000, 1), 0)
    count, run = counted(count, 9, 6000, 0)
    assert (count, run) == (DeviceCount(1, 9, 6000, 1), 1)
    assert counted(count, 0, 7000, 0) == (DeviceCount(2, 0, 7000, 1), 2)
    late = DeviceCount(1, 3, 6000, 2)
    assert counted(late, 4999, 5500, 0) == (late, 0)  # of the run before: neither missed nor started again
    assert counted(DeviceCount(0, 9, 0, 0), 3, None, 10) == (
        DeviceCount(1, 3, 10, 0),
        1,
    )


@pytest.mark.parametrize(
    ("text", "good"),
    [("a/b", True), ("a/+/b", True), ("#", True), ("a/#", True), ("+", True), ("", False), ("a/#/b", False),
     ("a+/b", False), ("a/b#", False), ("a\0", False)],
)  # fmt: skip
def test_topic_patterns_are_those_of_the_standard(text: str, good: bool) -> None:
    """MQTT 3.1.1, 4.7.1: `+` is a whole level, `#` the last one."""
    assert is_topic_pattern(text) is good


def test_devices_are_names() -> None:
    """Letters, digits and : . _ -, at most 36; nothing that a topic or a slot could not hold."""
    assert all(map(is_device, ("a17", "70B3D57ED0001234", "00:24:be:ff", "x" * 36)))
    assert not any(map(is_device, ("", "a b", "-a", "x" * 37, "a/b", "ä")))
    assert device_of({"d": True}, MessageShape("d")) is None and device_of({"d": 1.5}, MessageShape("d")) is None
    assert device_of(json.loads('{"d": [{"e": "q"}]}'), MessageShape("d.0.e")) == "q"


RADIO = 'protocol = "mqtt"\n{}\n[[channel]]\nname = "a"\nheard = "soil_temperature"\n{}\n'


@pytest.mark.parametrize(
    ("message", "channel", "told"),
    [
        ("", 'path = "a"', "message: found nothing, expected a table with device"),
        ("[message]", 'path = "a"', "message.device: found nothing, expected text"),
        ('[message]\ndevice = "a..b"', 'path = "a"', "message.device: found 'a..b', expected names joined"),
        (
            '[message]\ndevice = "a"\ntime_form = "unix"',
            'path = "a"',
            "message.time_form: found 'unix', expected one of",
        ),
        ('[message]\ndevice = "a"', "", "channel[0].path: found nothing, expected text"),
        ('[message]\ndevice = "a"', 'path = "a"\nposition = 1', "channel[0].position: found 'an unknown key'"),
        ('baud = 9600\n[message]\ndevice = "a"', 'path = "a"', "baud: found 9600, expected no such key with mqtt"),
        ('[message]\ndevice = "a"', 'path = "a"\ndepths_mm = [50]', "depths_mm: found [50], expected depth_mm"),
    ],
)
def test_fault_of_a_radio_description_is_named(message: str, channel: str, told: str) -> None:
    """Each key with what was found and what is expected."""
    with pytest.raises(ProbeFault) as caught:
        parse_probe(RADIO.format(message, channel), "own", file="own.toml")
    assert any(told in fault for fault in caught.value.faults), caught.value.faults
