"""Who is on a line, by emulated sensors over a real pseudo-terminal; expected texts by hand."""

from __future__ import annotations

import pytest

from probe_agent.__main__ import main
from tests.probe_agent.sdi12_emulator import EmulatedAdapter, EmulatedSensor


@pytest.fixture
def on_line(pty_plug, write_config):
    """Sensors on the line of a configuration; gives a way to run the command."""

    def make(*sensors: EmulatedSensor):
        pty_plug.plug_in(EmulatedAdapter(list(sensors)).serve)
        config = write_config(line="line-plug")
        return lambda *arguments: main(["scan", *arguments, "--config", str(config)])

    return make


class Other(EmulatedSensor):
    """One of another serial number."""

    def answer(self, command: str) -> list[tuple[float, str]]:
        return [(delay_s, text.replace("007", "008")) for delay_s, text in super().answer(command)]


def test_sensors_say_who_they_are_and_whose_probe(on_line, capsys, monkeypatch):
    """Each with its address and name, and whether the settings know it."""
    monkeypatch.setattr("probe_agent.scan.ADDRESSES", "0123")
    run = on_line(EmulatedSensor("1"), EmulatedSensor("3"))
    assert run("north") == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[1:] == [
        "  1  NEUTRAL SENSOR 1.0 007, SDI-12 1.4  (square-1/p1)",
        "  3  NEUTRAL SENSOR 1.0 007, SDI-12 1.4  (not in these settings)",
        "  2 answered",
    ]


def test_two_at_one_address_are_shown_and_one_is_moved(on_line, capsys, monkeypatch):
    """Their names collide: the way out is printed; with one of them alone it works, and is refused onto a taken one."""
    monkeypatch.setattr("probe_agent.scan.ADDRESSES", "01")
    one, other = EmulatedSensor("0"), Other("0")
    run = on_line(one, other)
    assert run("north") == 1
    assert "Two at one address? Unplug one, then: scan north --change 0 1" in capsys.readouterr().out
    other.address = "unplugged"
    assert run("north", "--change", "0", "1") == 0
    assert "the sensor at 0 is at 1 now" in capsys.readouterr().out
    other.address = "0"
    assert run("north") == 0
    assert run("north", "--change", "0", "1") == 1
    assert "address 1: found somebody there, expected it free" in capsys.readouterr().err
    assert run("north", "--change", "5", "6") == 1
    assert "address 5: found nobody there, expected a sensor" in capsys.readouterr().err
    assert run("south") == 1
    assert "found no such line with sdi12 or modbus, expected one of north" in capsys.readouterr().err
