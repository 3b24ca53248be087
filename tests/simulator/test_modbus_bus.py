"""Virtual Modbus devices as another implementation sees them, and the probe that a site gets by a switch."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest
from pymodbus.client import ModbusSerialClient

from hardware.modbus import RegisterTable, decode_number
from hardware.probe import load_probe
from simulator.bus import ModbusBus
from simulator.playback import playback_site
from simulator.probes import VirtualProbe
from simulator.site import describe, with_register_probe

NOON_MS = 1_717_243_200_000


def test_client_of_the_other_implementation_reads_our_devices(truth, terminal: Callable) -> None:
    """pymodbus asks two devices of ours over a pseudo-terminal: all their registers, and one that is not there."""
    profile = VirtualProbe("p1", "square-1", load_probe("register_profile"), truth)
    point = VirtualProbe("p2", "square-1", load_probe("register_point"), truth)
    line = terminal(ModbusBus({"17": profile, "4": point}, lambda: NOON_MS), baud=9600)
    line.far_end_only()
    stop = threading.Event()

    def turn() -> None:
        while not stop.is_set():
            line.turn()
            stop.wait(0.001)

    loop = threading.Thread(target=turn, daemon=True)
    loop.start()
    client = ModbusSerialClient(str(line.line.path), baudrate=9600, timeout=2, retries=0)
    try:
        assert client.connect()
        read = client.read_input_registers(0, count=8, device_id=17)
        assert dict(enumerate(read.registers)) == profile.registers(RegisterTable.INPUT, NOON_MS)
        read = client.read_holding_registers(0, count=6, device_id=4)
        theirs = client.convert_from_registers(read.registers, client.DATATYPE.FLOAT32, word_order="little")
        assert theirs == [decode_number(read.registers[n : n + 2], "f32", "cdab") for n in (0, 2, 4)]
        assert theirs[1] == pytest.approx(truth.value("soil_temperature", 0.06, NOON_MS), rel=2.0**-24)
        refused = client.read_holding_registers(6, count=1, device_id=4)
        assert refused.isError() and refused.exception_code == 2
    finally:
        client.close()
        stop.set()
        loop.join(5)


def test_site_gets_a_register_probe_by_a_switch(tmp_path) -> None:
    """One line and one probe more, at the first station, in its ground; all else is as it was."""
    site = playback_site("dinosaur", history_days=2)
    more = with_register_probe(site)
    told = describe(more, tmp_path, rate=1.0)
    assert more.installed[:-1] == list(site.installed) and more.lines[:-1] == list(site.lines)
    (line,) = [one for one in told["lines"] if one["protocol"] == "modbus"]
    (probe,) = [one for one in told["probes"] if one["line"] == line["name"]]
    assert (line["baud"], probe["model"], probe["address"]) == (9600, "register_profile", "17")
    probe = more.installed[-1].probe
    assert probe.heard(probe.description.channels[0], more.start_ms) == pytest.approx(
        site.installed[0].probe.truth.value("water_content", 0.05, more.start_ms)
    )
