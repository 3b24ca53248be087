"""Virtual lines on real pseudo-terminals: a recorder is answered, bytes keep their pace, adapters come and go."""

import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest
import serial

from hardware.probe import load_probe
from hardware.reading import Status
from hardware.sdi12 import Done, Fail, Measurement, measurement
from simulator import pty
from simulator.bus import Sdi12Bus
from simulator.faults import PlantedFault, Sent
from simulator.playback import playback_site
from simulator.probes import VirtualProbe

NOON_MS = 1_717_243_200_000
HOUR_MS = 3_600_000


@pytest.fixture
def bus(truth) -> Sdi12Bus:
    """Two probes on one line: a thatch probe at 3, a weather sensor at 4."""
    return Sdi12Bus(
        {
            "3": VirtualProbe("p1", "square-1", load_probe("thatch"), truth),
            "4": VirtualProbe("w1", "square-1", load_probe("weather"), truth),
        },
        lambda: NOON_MS,
    )


def thatch(address: str = "3") -> Measurement:
    return Measurement(measurement(address, "M", crc=True), expected_count=2)


def weather() -> Measurement:
    return Measurement(measurement("4", "M", crc=True), expected_count=6)


def test_recorder_reads_two_probes_on_one_line(bus: Sdi12Bus, terminal: Callable) -> None:
    """Each address gives its own values over a terminal opened by the line's name."""
    line = terminal(bus)
    for _ in range(3):
        outcomes = [line.run(thatch()), line.run(weather())]
        assert all(isinstance(outcome, Done) and outcome.attempts == 1 for outcome in outcomes)
        assert [len(outcome.values) for outcome in outcomes] == [2, 6]


def test_address_nobody_has_is_silence(bus: Sdi12Bus, terminal: Callable) -> None:
    """A question to an address that is not there is never answered."""
    outcome = terminal(bus).run(thatch("7"), within_s=0.02)
    assert isinstance(outcome, Fail) and outcome.status is Status.SILENT and outcome.attempts == 3


def test_pyserial_opens_the_line_as_it_opens_an_adapter(bus: Sdi12Bus, terminal: Callable) -> None:
    """The name can be opened, alone, by the serial library the agent uses."""
    line = terminal(bus)
    with serial.Serial(str(line.line.path), 1200, timeout=0, exclusive=True) as port:
        port.write(b"3!")
        while not port.in_waiting:
            line.turn()
        assert port.read(16) == b"3\r\n"


def test_nothing_is_changed_on_the_way(bus: Sdi12Bus, terminal: Callable) -> None:
    """The line is raw: no echo, no change of line ends, every byte value passes both ways."""

    class Echo:
        def __init__(self) -> None:
            self.said = b""

        def receive(self, data: bytes, now_s: float) -> None:
            self.said += data

        def take_time(self) -> None:
            pass

        def due_s(self) -> float | None:
            return None

        def send(self, now_s: float) -> list:
            said, self.said = self.said, b""
            return [Sent(0.0, said)] if said else []

    line, every, heard = terminal(Echo()), bytes(range(256)), b""
    os.write(line.port, every)
    while len(heard) < 256 and (data := line.listen()):
        heard += data
    assert heard == every


def test_line_keeps_the_pace_of_1200_baud_when_time_runs(
    bus: Sdi12Bus, terminal: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reply of n characters is complete n x 10 bits / 1200 baud after it began, and not before."""
    now_s = [50.0]
    monkeypatch.setattr(pty, "steady_s", lambda: now_s[0])
    line = terminal(bus)
    line.line.take_time()
    bus.receive(b"3!", now_s[0])  # the reply is three characters: address, CR, LF
    starts_s = bus.due_s()
    assert starts_s is not None and 0.0 < starts_s - now_s[0] < 0.015  # SDI-12 section 7.0: within 15 ms
    arrived = []
    for tenth_of_ms in range(500):
        now_s[0] = 50.0 + tenth_of_ms * 1e-4
        written = []
        monkeypatch.setattr(line.line, "_write", written.append)
        line.line.work()
        arrived += [(now_s[0] - starts_s, byte) for byte in written]
    assert b"".join(byte for _, byte in arrived) == b"3\r\n"
    # 10 bits at 1200 baud are 8.333 ms; the test's own steps are 0.1 ms, and the start is seen one step late at most
    assert [round(after_s, 6) for after_s, _ in arrived] == pytest.approx([0.00833, 0.01667, 0.025], abs=2.1e-4)


def test_pulled_adapter_fails_and_comes_back(bus: Sdi12Bus, terminal: Callable) -> None:
    """While it is out the name is gone and the open end fails; back in, the same name serves again."""
    line = terminal(bus)
    line.line.unplug()
    line.line.unplug()  # out is out
    assert not line.line.plugged and not line.line.path.exists()
    with pytest.raises(OSError, match="Input/output error"):
        os.write(line.port, b"3!")
    os.close(line.port)
    line.line.plug_in()
    line.port = line.open()
    assert isinstance(line.run(thatch()), Done)


def test_agent_that_closes_and_opens_again_is_served(bus: Sdi12Bus, terminal: Callable) -> None:
    """The far end outlives each opening of the line, as a real sensor does."""
    line = terminal(bus)
    for _ in range(3):
        assert isinstance(line.run(thatch()), Done)
        os.close(line.port)
        line.turn()
        line.port = line.open()


def test_bytes_nobody_reads_are_lost_and_counted(terminal: Callable, bus: Sdi12Bus) -> None:
    """A line whose agent does not read neither blocks the simulator nor grows without end."""
    line = terminal(bus)
    for _ in range(3000):
        bus.receive(b"3I!", 0.0)
        line.line.work()
    assert line.line.dropped_bytes > 0


def test_sliced_probe_is_silent_and_the_other_is_not(truth, terminal: Callable) -> None:
    """From the moment a blade went through it a probe never answers; its neighbour on the line does."""
    now_ms = [NOON_MS]
    cut = VirtualProbe(
        "p1", "square-1", load_probe("thatch"), truth, faults=[PlantedFault("sliced", start_ms=NOON_MS + HOUR_MS)]
    )
    whole = VirtualProbe("w1", "square-1", load_probe("weather"), truth)
    line = terminal(Sdi12Bus({"3": cut, "4": whole}, lambda: now_ms[0]))
    assert isinstance(line.run(thatch()), Done)
    now_ms[0] += HOUR_MS
    assert isinstance(line.run(thatch(), within_s=0.02), Fail)
    assert isinstance(line.run(weather()), Done)


@pytest.mark.parametrize(
    ("hour", "profile", "climate"),
    [
        # Published for 2018-06-17 15:00 and 2018-08-24 18:00 UTC: see tests/data/uscrn/published_dinosaur.txt.
        (
            "2018-06-17T15",
            [0.065, 0.148, 0.177, 0.228, 0.249, 21.2, 22.0, 23.0, 22.3, 19.4],
            [19.4, 48.0, 323.0, 27.1],
        ),
        ("2018-08-24T18", [-9999.0] * 10, [-9999.0] * 4),
    ],
)
def test_recorded_hour_arrives_over_the_line(
    terminal: Callable, hour: str, profile: list[float], climate: list[float]
) -> None:
    """What the network published for an hour is what a recorder hears, digit for digit."""
    at_ms = round(datetime.fromisoformat(f"{hour}:00+00:00").timestamp() * 1000)
    site = playback_site("dinosaur")
    line = terminal(Sdi12Bus({each.address: each.probe for each in site.installed if each.address}, lambda: at_ms))
    heard = []
    for command in ("M", "M1"):
        outcome = line.run(Measurement(measurement("0", command), expected_count=5))
        assert isinstance(outcome, Done)
        heard += [float(text) for text in outcome.values]
    assert heard == profile
    outcome = line.run(Measurement(measurement("1", "M", crc=True), expected_count=5))
    assert isinstance(outcome, Done)
    assert [float(text) for text in outcome.values[1:]] == climate


def test_name_is_replaced_whole(bus: Sdi12Bus, terminal: Callable, tmp_path: Path) -> None:
    """A name left by a killed simulator is taken over, and no half-made one is left beside it."""
    (tmp_path / "line-bench").symlink_to("/dev/pts/99999")
    line = terminal(bus)
    assert isinstance(line.run(thatch()), Done)
    assert [path.name for path in tmp_path.iterdir()] == ["line-bench"]
