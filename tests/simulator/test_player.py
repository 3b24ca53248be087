"""A played site as a whole: files that tell of it, history in lock-step over a real line, then running time."""

import json
import os
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from hardware.probe import load_probe
from hardware.sdi12 import Done, Measurement, Send, measurement
from simulator.__main__ import main, parse_probe_fault
from simulator.playback import playback_site
from simulator.player import SitePlayer
from simulator.site import describe

HOUR_MS = 3_600_000
ROOT = Path(__file__).parent.parent.parent


class SmallAgent:
    """As little of an agent as can take part in the lock-step: it says hello, reads the line, and waits."""

    def __init__(self, ready: dict) -> None:
        self.clock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.clock.connect(ready["clock"])
        self.port = os.open(ready["lines"][0]["port"], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    def close(self) -> None:
        self.clock.close()
        os.close(self.port)


def served(player: SitePlayer, file: object) -> None:
    """Step until something has come to a socket or terminal."""
    for _ in range(1000):
        if select.select([file], [], [], 0.0)[0]:
            return
        player.step(0.05)
    pytest.fail("nothing came in 1,000 turns of the loop")


def ask_clock(player: SitePlayer, agent: SmallAgent, line: str) -> tuple[int, float]:
    agent.clock.sendall(line.encode() + b"\n")
    served(player, agent.clock)
    now_ms, rate = agent.clock.recv(100).split()
    return int(now_ms), float(rate)


def read_probe(player: SitePlayer, agent: SmallAgent, talk: Measurement) -> tuple[str, ...]:
    action = talk.start()
    while not isinstance(action, Done):
        assert isinstance(action, Send), action
        os.write(agent.port, action.wire)
        following = None
        while following is None:
            served(player, agent.port)
            following = talk.receive(os.read(agent.port, 4096))
        action = following
    return action.values


@pytest.fixture
def player(tmp_path: Path) -> Iterator[SitePlayer]:
    made = SitePlayer(playback_site("dinosaur", history_days=2), tmp_path, rate=36_000.0)
    yield made
    made.close()


def test_history_passes_in_lock_step_with_every_hour_read_once(player: SitePlayer, tmp_path: Path) -> None:
    """Two days of hours are stepped through, each read over the line as the record has it, and then time runs."""
    ready = json.loads((tmp_path / "ready.json").read_text())
    agent, truth = SmallAgent(ready), player.site.installed[0].probe.truth
    now_ms, rate = ask_clock(player, agent, f"hello {ready['node']}")
    assert (now_ms, rate) == (ready["start_ms"], 0.0)
    hours = []
    while rate == 0.0:
        values = read_probe(player, agent, Measurement(measurement("0", "M"), expected_count=5))
        assert [float(text) for text in values] == [
            truth.value("water_content", depth, now_ms) for depth in (0.05, 0.1, 0.2, 0.5, 1.0)
        ]
        hours.append((now_ms - ready["start_ms"]) / HOUR_MS)
        now_ms, rate = ask_clock(player, agent, f"until {now_ms + HOUR_MS}")
    assert hours == list(range(49))  # both ends of 48 hours
    assert now_ms >= ready["history_end_ms"] + HOUR_MS
    assert rate == ready["rate"]
    assert player.progress()["progress"] == 1.0
    agent.close()


def test_files_tell_where_everything_is(player: SitePlayer, tmp_path: Path) -> None:
    """`ready.json` has what an agent's and a server's configuration need, each line's port can be opened, and each
    probe's model is one that comes with the project."""
    ready = json.loads((tmp_path / "ready.json").read_text())
    assert ready == describe(player.site, tmp_path, rate=36_000.0)
    assert Path(ready["clock"]).is_socket()
    assert all(Path(line["port"]).is_char_device() for line in ready["lines"])
    stations = {station["name"] for surface in ready["surfaces"] for station in surface["stations"]}
    for probe in ready["probes"]:
        assert load_probe(probe["model"]).model == probe["model"]
        assert probe["station"] in stations
        assert probe["line"] in {line["name"] for line in ready["lines"]}
    addresses = [(probe["line"], probe["address"]) for probe in ready["probes"]]
    assert len(set(addresses)) == len(addresses)
    player.step(0.0)
    progress = json.loads((tmp_path / "progress.json").read_text())
    assert progress["progress"] == 0.0 and progress["rate"] == 0.0


def test_close_leaves_no_name_behind(tmp_path: Path) -> None:
    """Afterwards there is no line, no clock and no `ready.json`; only how far it came."""
    SitePlayer(playback_site("ithaca", history_days=1), tmp_path).close()
    assert [path.name for path in tmp_path.iterdir()] == ["progress.json"]


def test_adapter_goes_out_and_comes_back_as_the_history_passes(tmp_path: Path) -> None:
    """With half the time unplugged, the line's name comes and goes with the simulated hours, the same way each time."""
    seen = []
    for run in ("one", "two"):
        player = SitePlayer(
            playback_site("dinosaur", history_days=2), tmp_path / run, line_faults={"unplugged": 0.5}, seed=3
        )
        clock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        clock.connect(str(tmp_path / run / "clock.sock"))
        clock.sendall(b"hello agent\n")
        plugged = []
        for hour in range(1, 48):
            served(player, clock)
            clock.recv(100)
            player.step(0.0)
            plugged.append((tmp_path / run / "line-turf").exists())
            clock.sendall(f"until {player.site.start_ms + hour * HOUR_MS}\n".encode())
        clock.close()
        player.close()
        seen.append(plugged)
    assert seen[0] == seen[1]
    assert 8 < sum(seen[0]) < 40  # 24 spans of two hours, half of them: far from none and from all


def test_planted_probe_fault_reaches_the_probe() -> None:
    """A fault planted by name changes what that probe sends, from its date on."""
    probe, fault = parse_probe_fault("profile:air_gap:moisture_0050:2018-06-01:2018-07-01:0.5")
    assert (fault.kind, fault.channels, fault.size) == ("air_gap", ("moisture_0050",), 0.5)
    sound, hurt = playback_site("dinosaur"), playback_site("dinosaur", faults={probe: [fault]})
    at_ms = fault.start_ms + HOUR_MS
    whole = sound.installed[0].probe.answer("M", at_ms)
    half = hurt.installed[0].probe.answer("M", at_ms)
    assert float(half[0]) == pytest.approx(0.5 * float(whole[0]), abs=5.1e-5)  # half air holds half the water; 4 digits
    assert half[1:] == whole[1:]
    assert hurt.installed[0].probe.answer("M", fault.start_ms - 1) == sound.installed[0].probe.answer(
        "M", fault.start_ms - 1
    )


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--history-days", "9999"], "history days: found 9999"),
        (["--history-end", "someday"], "date: found 'someday'"),
        (["--faults", "noise"], "expected KIND=SHARE"),
        (["--probe-fault", "profile"], "expected PROBE:KIND"),
        (["--probe-fault", "other:stuck"], "expected profile or climate"),
        (["--rate", "0"], "rate: found 0"),
    ],
)
def test_wrong_arguments_are_told_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    """A wrong argument ends the command with code 2 and a line that says what was expected; nothing is left behind."""
    assert main(["play", "--dir", str(tmp_path), *arguments]) == 2
    assert said in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == []


def test_command_serves_until_it_is_told_to_stop(tmp_path: Path) -> None:
    """As a process it says when it is ready, stops on SIGTERM with code 0, and takes its names away."""
    command = [sys.executable, "-m", "simulator", "play", "--dir", str(tmp_path), "--history-days", "0.5"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert json.loads(process.stdout.readline())["event"] == "ready"
        assert (tmp_path / "ready.json").exists()
        process.send_signal(signal.SIGTERM)
        events = [json.loads(line)["event"] for line in process.stdout]
        assert process.wait(timeout=20) == 0
    assert events == ["stopped"]
    assert [path.name for path in tmp_path.iterdir()] == ["progress.json"]


@pytest.mark.parametrize(("rate", "answer"), [(60.0, b"00015\r\n"), (3600.0, b"00005\r\n")])
def test_sensors_take_their_time_once_time_runs_unless_it_runs_too_fast_for_them(
    tmp_path: Path, rate: float, answer: bytes
) -> None:
    """In running time a measurement is announced to take a second (`atttn`, SDI-12 Table 9), at a high rate none."""
    player = SitePlayer(playback_site("dinosaur", history_days=0), tmp_path, rate=rate)
    player.step(0.0)
    port = os.open(tmp_path / "line-turf", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    os.write(port, b"0M!")
    heard = b""
    while not heard.endswith(b"\n"):
        served(player, port)
        heard += os.read(port, 100)
    assert heard == answer
    os.close(port)
    player.close()
