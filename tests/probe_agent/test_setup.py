"""Setting a node up: adapters found by trying, over emulated ones on a real pseudo-terminal, and the surroundings."""

from __future__ import annotations

import getpass
import os
import shutil
import threading
import tomllib
from pathlib import Path

import pytest

from hardware.sdi12 import AdapterText
from hardware.service_unit import ONCE_TIMER
from pipeline.service import load_settings as load_server
from probe_agent.__main__ import main
from probe_agent.clock import ClockNote, SystemClock
from probe_agent.config import load
from probe_agent.doctor import _disk, _units, examine, examined_password, told_of_unit, unit_state
from probe_agent.line_setup import adapter_of, add_probes, new_settings
from probe_agent.mqtt import _secret
from probe_agent.service import Agent
from tests.probe_agent.sdi12_emulator import EmulatedAdapter, EmulatedSensor

PLAIN = {"name": "north", "protocol": "sdi12"}


@pytest.mark.parametrize(
    ("far", "keys"),
    [
        ({}, {}),
        ({"echo": " "}, {}),
        ({"before": b"> "}, {"prompt": ">"}),
        ({"before": b"SDI> ", "echo": "\r\n"}, {"prompt": "SDI>"}),
        ({"line_end": b"\n"}, {"line_end": "lf"}),
        ({"line_end": b"\r", "before": b"> "}, {"line_end": "cr", "prompt": ">"}),
    ],
)
def test_adapter_is_found_and_its_line_reads_a_probe(far, keys, pty_plug, tmp_path, capsys, write_config):
    """What the adapter does comes out as keys; the line written reads the sensor's values at once."""
    pty_plug.plug_in(EmulatedAdapter([EmulatedSensor("1")], **far).serve)
    written = tmp_path / "found.toml"
    assert main(["setup", "--port", str(pty_plug.link), "--write", str(written)]) == 0
    (line,) = tomllib.loads(written.read_text())["line"]
    assert line == {**PLAIN, "port": str(pty_plug.link), **keys}
    path = write_config(line="line-plug")
    text = path.read_text()
    begin, end = text.index("[[line]]"), text.index("[[probe]]")
    path.write_text(text[:begin] + written.read_text().partition("\n\n")[2] + text[end:])
    capsys.readouterr()
    assert main(["read", "p1", "--config", str(path)]) == 0
    assert "12.5" in capsys.readouterr().out


def test_first_reading_from_an_empty_folder(pty_plug, tmp_path, capsys, monkeypatch):
    """Five commands and one table written by hand: adapter found, sensor found, settings good, its values here."""
    monkeypatch.setattr("probe_agent.scan.ADDRESSES", "012")
    pty_plug.plug_in(EmulatedAdapter([EmulatedSensor("2")], before=b"> ", line_end=b"\n").serve)
    settings = tmp_path / "agent.toml"
    assert main(["setup", "--port", str(pty_plug.link), "--write", str(settings)]) == 0
    assert main(["scan", "north", "--config", str(settings)]) == 0
    assert "  2  NEUTRAL SENSOR 1.0 007, SDI-12 1.4  (not in these settings)" in capsys.readouterr().out
    with settings.open("a") as file:
        file.write('[[probe]]\nname = "p1"\nstation = "square-1"\nmodel = "thatch"\nline = "north"\naddress = "2"\n')
    assert main(["check", "--config", str(settings)]) == 0
    assert main(["read", "p1", "--config", str(settings)]) == 0
    assert main(["live", "p1", "--count", "2", "--every", "0", "--config", str(settings)]) == 0
    assert [line.split()[-2:] for line in capsys.readouterr().out.splitlines()[-2:]] == [["12.5", "8.25"]] * 2


def test_setup_adds_each_adapter_once_under_a_name_of_its_own(pty_plug, sensor_line, tmp_path, capsys):
    """The second line takes the next name; one that is there, by whatever name of its port, a name that is taken and a
    port that there is not are told, and the file is left as it was."""
    pty_plug.plug_in(EmulatedAdapter([EmulatedSensor("1")]).serve)
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    settings, alias = tmp_path / "agent.toml", tmp_path / "alias"
    alias.symlink_to(pty_plug.link)
    ports = [str(pty_plug.link), str(sensor_line.plug.link)]
    for port in ports:
        assert main(["setup", "--port", port, "--write", str(settings)]) == 0
    written = settings.read_text()
    lines = [(line["name"], line["port"]) for line in tomllib.loads(written)["line"]]
    assert lines == [("north", ports[0]), ("south", ports[1])]
    capsys.readouterr()
    for asked, told in (
        (["--port", str(alias)], f"{alias}: is line north of {settings} already"),
        (["--port", str(tmp_path / "none")], f"{tmp_path / 'none'}: no such port. Is the adapter plugged in?"),
        (["--port", ports[0], "--name", "south"], "--name: found 'south', expected a name not used by another line"),
    ):
        assert main(["setup", *asked, "--write", str(settings)]) == 1
        captured = capsys.readouterr()
        assert told in captured.out + captured.err and "not understood" not in captured.err
    assert settings.read_text() == written
    settings.write_text("[[line\n")
    assert main(["setup", "--port", ports[0], "--write", str(settings)]) == 1
    assert f"{settings}: found text that is not TOML" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("host", "node"), [("Hut.example", "hut-example"), ("", "node"), ("-_-", "node"), ("A" * 80, "a" * 64)]
)
def test_new_settings_name_the_machine(host, node):
    """A host name made into a slug; one of which nothing is left is `node`."""
    assert tomllib.loads(new_settings(host, Path("agent.toml")))["agent"]["node"] == node
    assert tomllib.loads(new_settings(host, Path("/etc/underturf/agent.toml")))["agent"]["state_dir"].startswith(
        "/var/lib"
    )


def test_found_sensors_are_added_to_both_files(write_config, tmp_path):
    """Named by address, beside those of that name already; below the last station, or below a new one; both files stay
    good."""
    path, server = write_config(), tmp_path / "underturf.toml"
    add_probes(load(path), path, server, "profile_4", "north", "square-1", ["3", "A"])
    add_probes(load(path), path, server, "pins_2", "north", "outfield-1", ["4"])
    told = add_probes(load(path), path, server, "pins_2", "north", "outfield-1", [])
    assert told == ["no sensor is new: nothing was added"]
    ids = [(probe.id, probe.address, probe.description.model) for probe in load(path).probes]
    assert ids[1:] == [
        ("square-1/p3", "3", "profile_4"), ("square-1/p-a", "A", "profile_4"), ("outfield-1/p4", "4", "pins_2")
    ]  # fmt: skip
    stations = load_server(server).stations()
    assert {n: [p.name for p in s.probes] for n, s in stations.items()} == {
        "square-1": ["p3", "p-a"],
        "outfield-1": ["p4"],
    }
    assert [surface.place(one) for surface in load_server(server).surfaces for one in surface.stations] == [
        "Turf, square 1", "Turf, outfield 1"
    ]  # fmt: skip
    named = add_probes(load(path), path, server, "single_point", "north", "outfield-1", ["4"])
    assert named[0].startswith("p4-2 added")


def test_sensors_found_together_are_given_names_of_their_own(write_config, tmp_path):
    """Two radio nodes whose names end alike."""
    radio = '\n[[line]]\nname = "radio"\nprotocol = "mqtt"\ntopic = "radio/+/up"\n'
    path = write_config(more=radio)
    devices = ["70B3D57ED005A1B2", "80B3D57ED005A1B2"]
    add_probes(load(path), path, None, "radio_flat", "radio", "square-1", devices)
    added = load(path).probes[1:]
    assert [one.address for one in added] == devices and len({one.name for one in added}) == 2


def test_sensors_of_a_model_of_ones_own_are_added_with_its_folder(write_config, tmp_path):
    """The folder that the agent's settings name is looked in, and named in the server's settings that are begun."""
    path, server = write_config(), tmp_path / "site" / "underturf.toml"
    server.parent.mkdir()
    path.write_text(path.read_text().replace("[agent]", '[agent]\nmodel_dir = "own"', 1))
    assert main(["model", "copy", "profile_4", "--as", "square", "--folder", str(tmp_path / "own")]) == 0
    add_probes(load(path), path, server, "square", "north", "outfield-1", ["3"])
    assert load(path).probes[-1].description.model == "square"
    (probe,) = load_server(server).stations()["outfield-1"].probes
    assert probe.description.model == "square"


@pytest.mark.parametrize(
    ("model", "station", "told"),
    [("profil_4", "square-1", "nearest 'profile_4'"), ("profile_4", "Square", "small letters"),
     ("profile_4", "square-1", "found station square-1 above others")],
)  # fmt: skip
def test_what_cannot_be_added_leaves_both_files_as_they_are(write_config, tmp_path, model, station, told):
    """A misspelt model, a name that is none, a station that does not stand last."""
    path, server = write_config(), tmp_path / "underturf.toml"
    for name in ("square-1", "outfield-1"):
        add_probes(load(path), path, server, "pins_2", "north", name, [name[0]])
    before = path.read_text(), server.read_text()
    with pytest.raises(ValueError, match=told):
        add_probes(load(path), path, server, model, "north", station, ["9"])
    assert (path.read_text(), server.read_text()) == before


def test_bytes_that_make_no_sense_are_shown(pty_plug, capsys, monkeypatch):
    """A line that garbles everything: each way is tried, what came is shown, and nothing is written."""
    monkeypatch.setattr("probe_agent.line_setup.WAYS", ((1200, "7E1", "host", 0.0), (9600, "8N1", "adapter", 0.0)))
    far = EmulatedAdapter([EmulatedSensor("1")], spoil=lambda reply, n: b"\x81\xfe~q")
    pty_plug.plug_in(far.serve)
    assert main(["setup", "--port", str(pty_plug.link)]) == 1
    captured = capsys.readouterr()
    assert captured.out.count("4 bytes came: '\\x81\\xfe~q'") >= 2
    assert "no sensor was understood" in captured.err


@pytest.mark.parametrize(
    ("came", "adapter"),
    [
        (b"1\r\n", AdapterText()),
        (b"?!1\r\n", AdapterText()),
        (b"\0> 1\n", AdapterText(b">", b"\n")),
        (b"?!\r\nOK:1\r\n", AdapterText(b"OK:")),
        (b"1", None),
        (b"hello\r\n", None),
        (b"", None),
    ],
)
def test_bytes_show_the_adapter(came, adapter):
    """Prompt and line ends out of what came to the address query (by hand); what is no reply shows nothing."""
    assert adapter_of(came) == adapter


class SetClock(SystemClock):
    """The machine's clock, set or not as the test says."""

    def __init__(self, note: ClockNote) -> None:
        super().__init__()
        self._note = note

    def note(self) -> ClockNote:
        return self._note


def told(path: Path, note: ClockNote) -> dict[str, tuple[bool | None, str]]:
    return {one.subject: (one.good, one.text) for one in examine(load(path), SetClock(note))}


def test_surroundings_in_order_are_good(start_broker, sensor_line, write_config, monkeypatch):
    """A port, a clock that is kept, a broker that takes the node, room on the disk; and whether the agent runs."""
    path = write_config(port=start_broker().port)
    good = ClockNote(True, "b", 1, 1_772_323_200_000)
    found = told(path, good)
    assert {subject for subject, (fine, _) in found.items() if fine} == {"line north", "clock", "broker", "disk"}
    assert not [subject for subject, (fine, _) in found.items() if fine is False]
    assert found["agent"][1] == "does not run"
    monkeypatch.setattr("probe_agent.control.TOLD_WITHIN_S", 0.2)  # this one runs and answers nothing
    agent = Agent(load(path), SystemClock())
    assert told(path, good)["agent"][1] == "runs"
    agent.close()


def test_each_fault_is_named_with_what_to_do(start_broker, write_config, tmp_path, monkeypatch):
    """No port, no time, no broker, a refused name, an open password, a full disk."""
    path = write_config()
    found = told(path, ClockNote(False, "b", 1, 0))
    assert found["line north"][0] is False and "Is the adapter plugged in?" in found["line north"][1]
    assert found["clock"][0] is False and "time never set: dates are wrong until it is given" in found["clock"][1]
    assert found["broker"][0] is False and "Is the broker running" in found["broker"][1]
    (tmp_path / "empty").touch()
    user = getpass.getuser()  # a broker started by root would read the file as another
    port = start_broker("allow_anonymous false", f"user {user}", f"password_file {tmp_path / 'empty'}").port
    (tmp_path / "password").write_text("wrong\n")
    secret = f'[broker]\nusername = "home/hut"\npassword_file = "{tmp_path / "password"}"'
    path = write_config(port=port)
    path.write_text(path.read_text().replace("[broker]", secret).replace("[outbox]", ""))
    found = told(path, ClockNote(False, "b", 1, 1_772_323_200_000))
    assert found["broker"][0] is False and "Look at username and password_file" in found["broker"][1]
    assert found["clock"][0] is False and "trust_hardware = true" in found["clock"][1]
    assert found["clock"][1].startswith("time not confirmed: it may be behind by the length of a power cut.")
    assert found["password"][0] is True
    nearly_full = shutil._ntuple_diskusage(2**30, 2**30 - 2**20, 2**20)
    monkeypatch.setattr("shutil.disk_usage", lambda folder: nearly_full)
    monkeypatch.setattr("probe_agent.doctor.try_broker", lambda config, within_s: None)
    path.write_text(path.read_text().replace("[broker]", '[broker]\nhost = "192.0.2.7"'))
    found = told(path, ClockNote(True, "b", 1, 1_772_323_200_000))
    assert found["password"][0] is False
    assert found["password"][1].startswith("goes to 192.0.2.7 unencrypted: give its ca_file")
    assert found["disk"][0] is False and "make [outbox] max_mb smaller" in found["disk"][1]


UNIT_TABLE = [
    # what `systemctl show` prints of a unit (systemctl(1)): NAME=VALUE lines; what is made of it
    ("loaded active running enabled", True, "active (running), enabled"),
    (
        "loaded failed failed enabled",
        False,
        "failed (failed), enabled; `journalctl -u underturf-agent.service` says why",
    ),
    ("loaded activating auto-restart enabled", False, "`journalctl -u underturf-agent.service` says why"),
    ("loaded inactive dead disabled", None, "`systemctl enable --now underturf-agent.service` starts it"),
    ("loaded active running disabled", None, "`systemctl enable --now underturf-agent.service` starts it"),
    ("bad-setting inactive dead ", False, "systemd says bad-setting; `systemd-analyze verify /etc/u.service` says why"),
]


@pytest.mark.parametrize(("state", "good", "text"), UNIT_TABLE)
def test_doctor_says_where_the_unit_is_and_whether_it_runs(tmp_path, monkeypatch, state, good, text):
    """By what systemd says of it, the path too; states after systemctl(1)."""
    names = ("LoadState", "ActiveState", "SubState", "UnitFileState")
    shown = [f"{name}={value}" for name, value in zip(names, state.split(" "), strict=True)]
    stand_in(tmp_path, monkeypatch, "printf '%s\\n' " + " ".join([*shown, "FragmentPath=/etc/u.service"]))
    found = unit_state("underturf-agent.service")
    told_good, told_text = told_of_unit("underturf-agent.service", found)
    assert told_good is good and told_text.startswith("/etc/u.service: ") and text in told_text


def test_doctor_finds_a_unit_where_systemd_does_not_answer(tmp_path, monkeypatch):
    """Its path is found in the folders of systemd.unit(5); whether it runs is not claimed. None there is said."""
    stand_in(tmp_path, monkeypatch, "exit 1")
    assert unit_state("underturf-agent.service", root=tmp_path) is None
    folder = tmp_path / "usr/lib/systemd/system"
    folder.mkdir(parents=True)
    (folder / "underturf-agent.service").touch()
    found = unit_state("underturf-agent.service", root=tmp_path)
    good, text = told_of_unit("underturf-agent.service", found)
    assert good is None and text.startswith(
        f"{folder}/underturf-agent.service is installed; whether it runs is not known"
    )
    stand_in(tmp_path, monkeypatch, "echo LoadState=not-found")
    assert unit_state("underturf-agent.service", root=tmp_path) is None


def stand_in(tmp_path, monkeypatch, script: str) -> None:
    """A `systemctl` that does what is given: systemd is the init of no machine that runs these tests."""
    (tmp_path / "bin").mkdir(exist_ok=True)
    (tmp_path / "bin/systemctl").write_text(f"#!/bin/sh\n{script}\n")
    (tmp_path / "bin/systemctl").chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}:{os.environ['PATH']}")


def test_doctor_asks_the_running_agent_what_the_server_knows(
    start_broker, sensor_line, write_config, monkeypatch, until
):
    """Nothing told yet, names that it lacks, all known; an agent of an earlier version does not say."""
    path, stop = write_config(port=start_broker().port), threading.Event()
    good = ClockNote(True, "b", 1, 1_772_323_200_000)
    agent = Agent(load(path), SystemClock())
    agent.start(stop)
    running = threading.Thread(target=lambda: [agent.step(stop) for _ in iter(stop.is_set, True)])
    running.start()
    try:
        until(lambda: agent.publisher.state == "up", within_s=30)
        assert (
            told(path, good)["channels"][0] is None and "told the agent nothing yet" in told(path, good)["channels"][1]
        )
        agent._unknown = ("square-1/p1/moisture",)
        assert told(path, good)["channels"][0] is False and "square-1/p1/moisture" in told(path, good)["channels"][1]
        agent._unknown = ()
        assert told(path, good)["channels"] == (True, "the server knows all that it has received")
        monkeypatch.setattr(agent.control, "_requested", lambda connection: {"fault": "request: expected a read"})
        assert told(path, good)["channels"][0] is None and "expected a read" in told(path, good)["channels"][1]
    finally:
        stop.set()
        running.join()
        agent.close()


def test_doctor_ends_with_1_where_there_is_a_fault(write_config, capsys, monkeypatch):
    """The command prints a line each and its exit code says whether all is well."""
    monkeypatch.setattr("probe_agent.doctor.try_broker", lambda config, within_s: "no connection")
    assert main(["doctor", "--config", str(write_config())]) == 1
    out = capsys.readouterr().out
    assert "FAULT  line north: " in out and "FAULT  broker: 127.0.0.1:1: no connection" in out
    assert out.startswith("-      agent: does not run")


def test_machine_without_ports_says_so(capsys, monkeypatch):
    """Nothing plugged in: exit 1 and what to do."""
    monkeypatch.setattr("probe_agent.doctor.PORTS", ())
    assert main(["setup"]) == 1
    assert "Plug the adapter in" in capsys.readouterr().err


def test_an_outbox_that_is_full_already_needs_no_room_for_itself(write_config, tmp_path, monkeypatch):
    """Of 80 MB (1.25 of max_mb, 64) 60 are held: 20 more are needed; what was set aside is told by its size."""
    path, state = write_config(), tmp_path / "state"
    state.mkdir()
    for name, megabytes in (("outbox.db", 50), ("outbox.db-wal", 10), ("outbox-damaged-1.db", 30)):
        with (state / name).open("wb") as file:
            file.truncate(megabytes << 20)
    monkeypatch.setattr("shutil.disk_usage", lambda folder: shutil._ntuple_diskusage(2**30, 2**30, 25 << 20))
    found = _disk(load(path))
    assert found.good is True and "25 MB free, a full outbox takes 20 MB more" in found.text
    assert "outbox-damaged-* take 30 MB" in found.text


def test_a_certificate_of_ones_own_encrypts_and_a_password_is_a_first_line(write_config, tmp_path):
    """As the connection is made: by cert_file alone too; what stands below the password is no part of it."""
    for name in ("password", "cert", "key"):
        (tmp_path / name).write_text("green\r\nof the hut\n")
    secret = '[broker]\nhost = "192.0.2.7"\nusername = "home/hut"\npassword_file = "password"\n'
    path = write_config()
    path.write_text(path.read_text().replace("[broker]\n", secret + 'cert_file = "cert"\nkey_file = "key"\n'))
    broker = load(path).broker
    assert examined_password(broker).good is True and _secret(broker) == "green"


def test_where_a_timer_wakes_the_node_its_service_is_not_advised(monkeypatch):
    """Both are installed and the timer is enabled: `enable --now` of the service would keep the timer from its work."""
    timer = dict(zip(UNIT_KEYS, ("loaded", "active", "waiting", "enabled", "/etc/t"), strict=True))
    service = dict(zip(UNIT_KEYS, ("loaded", "inactive", "dead", "disabled", "/etc/u"), strict=True))
    monkeypatch.setattr("probe_agent.doctor.unit_state", lambda unit: timer if unit == ONCE_TIMER else service)
    found = list(_units())
    assert [one.good for one in found] == [None, True]
    assert not any("systemctl enable" in one.text for one in found)


UNIT_KEYS = ("LoadState", "ActiveState", "SubState", "UnitFileState", "FragmentPath")
