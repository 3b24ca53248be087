"""SDI-12 on the wire: the command set, and what a caller gets wrong."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from hardware import sdi12
from hardware.frame import BadFrame
from hardware.sdi12 import Measurement
from hardware.sdi12_frame import (
    Command,
    CommandKind,
    decode_command,
)

COMMAND_BYTES = [
    (Command("0", CommandKind.ACKNOWLEDGE), b"0!"),
    (Command("?", CommandKind.ACKNOWLEDGE), b"?!"),
    (Command("a", CommandKind.IDENTIFY), b"aI!"),
    (Command("0", CommandKind.CHANGE_ADDRESS, new_address="Z"), b"0AZ!"),
    (Command("7", CommandKind.VERIFY), b"7V!"),
    (sdi12.measurement("0", "M"), b"0M!"),
    (sdi12.measurement("0", "M", crc=True), b"0MC!"),
    (sdi12.measurement("0", "C"), b"0C!"),
    (sdi12.measurement("0", "C", crc=True), b"0CC!"),
    *((sdi12.measurement("0", f"M{n}"), b"0M%d!" % n) for n in range(1, 10)),
    *((sdi12.measurement("0", f"M{n}", crc=True), b"0MC%d!" % n) for n in range(1, 10)),
    *((sdi12.measurement("0", f"C{n}"), b"0C%d!" % n) for n in range(1, 10)),
    *((sdi12.measurement("0", f"C{n}", crc=True), b"0CC%d!" % n) for n in range(1, 10)),
    *((sdi12.send_data("0", n), b"0D%d!" % n) for n in range(10)),
    *((Command("0", CommandKind.CONTINUOUS, n), b"0R%d!" % n) for n in range(10)),
    *((Command("0", CommandKind.CONTINUOUS, n, crc=True), b"0RC%d!" % n) for n in range(10)),
]


@pytest.mark.parametrize(("command", "data"), COMMAND_BYTES, ids=[d.decode() for _, d in COMMAND_BYTES])
def test_command_bytes_are_those_of_the_command_set(command: Command, data: bytes) -> None:
    """Each command of Table 5 is written as printed there, and the sensor reads it back."""
    assert command.wire == data
    assert decode_command(data) == command


@pytest.mark.parametrize("data", [b"", b"!", b"0", b"?M!", b"0M0!", b"0D!", b"0D10!", b"0X!", b"*M!", b"0m!", b"0A!"])
def test_what_is_no_command_is_refused(data: bytes) -> None:
    """The sensor takes nothing that is not in the command set."""
    with pytest.raises(BadFrame):
        decode_command(data)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Command("?0", CommandKind.ACKNOWLEDGE),
        lambda: Command("+", CommandKind.ACKNOWLEDGE),
        lambda: Command("é", CommandKind.ACKNOWLEDGE),
        lambda: Command("?", CommandKind.IDENTIFY),
        lambda: Command("0", CommandKind.CHANGE_ADDRESS, new_address="?"),
        lambda: sdi12.measurement("0", "M0"),
        lambda: sdi12.measurement("0", "MC"),
        lambda: sdi12.send_data("0", 10),
        lambda: Command("0", CommandKind.VERIFY, 1),
        lambda: Command("0", CommandKind.IDENTIFY, crc=True),
        lambda: Measurement(Command("0", CommandKind.IDENTIFY)),
        lambda: Measurement(Command("0", CommandKind.VERIFY), tries=0),
    ],
)
def test_misuse_by_the_caller_is_a_value_error(make: Callable[[], object]) -> None:
    """What the caller gets wrong is told as such, never as a bad frame."""
    with pytest.raises(ValueError, match="expected"):
        make()
