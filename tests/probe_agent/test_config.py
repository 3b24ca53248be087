"""The agent's configuration: what it takes, and every fault of a bad file in one run. Expected texts by hand."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

import pytest

from hardware.sdi12 import AdapterText
from probe_agent.config import AgentConfigFault, load


def faults_of(path) -> list[str]:
    with pytest.raises(AgentConfigFault) as caught:
        load(path)
    return caught.value.faults


def test_defaults_are_those_of_the_documentation(tmp_path):
    """A short file gives the documented defaults; paths are relative to it."""
    path = tmp_path / "agent.toml"
    path.write_text(
        '[agent]\nsite = "home"\nnode = "hut"\nstate_dir = "state"\n'
        '[[line]]\nname = "north"\nport = "/dev/ttyUSB0"\nprotocol = "sdi12"\n'
        '[[line]]\nname = "dock"\nport = "/dev/ttyUSB1"\nprotocol = "cone"\n'
        '[[probe]]\nname = "p1"\nstation = "square-1"\nmodel = "thatch"\nline = "north"\naddress = "1"\n'
        '[[probe]]\nname = "cone"\nstation = "square-1"\nmodel = "cone_hard"\nline = "dock"\n'
    )
    config = load(path)
    assert config.state_dir == tmp_path / "state"
    assert (config.broker.host, config.broker.port, config.broker.receipt_timeout_s) == ("127.0.0.1", 1883, 30.0)
    assert (config.outbox.max_mb, config.outbox.keep_days, config.outbox.batch) == (64.0, 14.0, 500)
    assert [(line.baud, line.frame) for line in config.lines] == [(1200, "7E1"), (9600, "8N1")]
    thatch, cone = config.probes
    assert (thatch.id, thatch.cadence.interval_s, thatch.cadence.rain_interval_s) == ("square-1/p1", 900, 300)
    assert thatch.cadence.rain_hold_s == 3600
    assert cone.cadence.interval_s == 60
    assert config.lockstep_backlog == 2000


EXAMPLE = Path(__file__).parents[2] / "hardware" / "docs" / "agent.toml"


def test_documented_example_loads_and_shows_the_defaults(tmp_path):
    """The example in the documentation has no fault, and a file without its optional keys means the same."""
    text = EXAMPLE.read_text()
    optional = (
        "trust_hardware lockstep_backlog host receipt_timeout_s batches_in_flight max_mb keep_days batch baud frame"
    )
    optional += " interval_s rain_interval_s rain_hold_s"
    short = [line for line in text.splitlines() if line.split(" ")[0] not in optional.split()]
    (tmp_path / "agent.toml").write_text(text)
    full = load(tmp_path / "agent.toml")
    (tmp_path / "agent.toml").write_text("\n".join(short))
    assert len(short) < len(text.splitlines()) - 12
    assert load(tmp_path / "agent.toml") == full


def test_every_key_is_in_the_documented_example(tmp_path):
    """A key the configuration knows and the example does not show is one that nobody finds."""
    tables = ("[agent]", "[clock]", "[broker]", "[schedule]", "[outbox]", "[supply]", "[[line]]", "[[probe]]")
    path = tmp_path / "agent.toml"
    path.write_text("\n".join(f"{table}\nqqq = 1" for table in tables))
    unknown = [fault for fault in faults_of(path) if "an unknown key" in fault]
    known = {key for fault in unknown for key in fault.split("expected one of ")[1].split(", ")}
    shown = set(re.findall(r"^(?:# )?([a-z_]+) = |^\[[a-z]+\.([a-z]+)\]", EXAMPLE.read_text(), re.MULTILINE))
    shown = {name for names in shown for name in names if name}
    assert len(unknown) == len(tables)
    assert known == shown


def test_every_fault_comes_in_one_run(tmp_path):
    """One look at a bad file names all of its faults, each with file, key, what was found and what was expected."""
    path = tmp_path / "agent.toml"
    path.write_text(
        '[agent]\nsite = "Home Ground"\nnod = "hut"\nstate_dir = 5\n'
        '[broker]\nport = 70000\npassword_file = "missing.txt"\ncert_file = "agent.toml"\n'
        "[schedule]\ninterval_s = 7\nrain_interval_s = true\n"
        "[outbox]\nmax_mb = 0\n"
        '[[line]]\nname = "north"\nport = "/dev/a"\nprotocol = "sdi12"\nbaud = 1201\n'
        '[[line]]\nname = "north"\nport = "/dev/a"\nprotocol = "sdi-12"\n'
        '[[probe]]\nname = "p1"\nstation = "s"\nmodel = "thatsh"\nline = "nort"\naddress = "12"\n'
    )
    faults = faults_of(path)
    expected = [
        "agent.nod: found 'an unknown key', expected one of site, node, state_dir, model_dir, nearest is 'node'",
        "agent.site: found 'Home Ground', expected small letters",
        "agent.node: found nothing, expected text",
        "agent.state_dir: found 5, expected text",
        "broker.port: found 70000, expected a whole number from 1 to 65535",
        "broker.username: found 'none', expected a user name beside password_file",
        "broker.cert_file, broker.key_file: found 'one of them', expected both or neither",
        "schedule.interval_s: found 7, expected whole seconds that divide the hour",
        "schedule.rain_interval_s: found True, expected whole seconds",
        "outbox.max_mb: found 0, expected a number from 4 to 4096",
        "line.north.baud: found 1201, expected one of 300, 600, 1200, 2400, 4800, 9600",
        "line.north.name: found 'north', expected a name not used by another line",
        "line.north.port: found '/dev/a', expected a port not used by another line",
        "line.north.protocol: found 'sdi-12', expected one of sdi12, modbus, cone, mqtt, nearest is 'sdi12'",
        "probe.p1.line: found 'nort', expected one of north, north, nearest is 'north'",
        "probe.p1.address: found '12', expected one of 0-9, A-Z, a-z",
    ]
    for text in expected:
        assert any(fault.startswith(f"{path}: {text}") for fault in faults), (text, faults)
    assert any("broker.password_file: found" in f and "missing.txt: No such file" in f for f in faults)
    assert any("probe.p1.model: probe model: found 'thatsh'" in f and "nearest 'thatch'" in f for f in faults)
    assert len(faults) == len(expected) + 2


def test_probe_on_a_line_of_another_protocol_is_refused(write_config):
    """A cone cannot hang on an SDI-12 line, and one address serves one probe of a line."""
    more = (
        '[[probe]]\nname = "cone"\nstation = "square-1"\nmodel = "cone_hard"\nline = "north"\naddress = "2"\n'
        '[[probe]]\nname = "p2"\nstation = "square-1"\nmodel = "thatch"\nline = "north"\naddress = "1"\n'
        '[[probe]]\nname = "p1"\nstation = "square-1"\nmodel = "thatch"\nline = "north"\naddress = "3"\n'
    )
    faults = faults_of(write_config(more=more))
    assert [fault.split(": ", 1)[1].split(",")[0] for fault in faults] == [
        "probe.cone.line: found 'north",
        "probe.p2.address: found '1'",
        "probe.p1.name: found 'square-1/p1'",
    ]


def test_secrets_are_held_by_path_only(write_config, tmp_path):
    """The configuration, printed, does not contain the password it can reach."""
    (tmp_path / "word.txt").write_text("open-sesame\n")
    path = write_config()
    text = path.read_text().replace("[broker]", '[broker]\nusername = "hut"\npassword_file = "word.txt"')
    path.write_text(text)
    config = load(path)
    assert config.broker.password_file == tmp_path / "word.txt"
    assert "open-sesame" not in repr(config)


@pytest.mark.parametrize("text", ["[agent\n", "\x00", ""])
def test_file_that_is_no_configuration_is_one_or_more_faults(tmp_path, text):
    """Text that is not TOML, or empty, is a fault with the file's name, not a crash."""
    path = tmp_path / "agent.toml"
    path.write_text(text)
    assert all(str(path) in fault for fault in faults_of(path))


OWN_PROBE = """
title = "One moisture channel"
protocol = "sdi12"
[[channel]]
name = "moisture"
heard = "water_content"
depth_mm = 70
position = 1
"""


def test_own_probe_models_are_read_from_the_folder_that_is_named(write_config, tmp_path):
    """A model of the folder is described by its file; a fault in it is told by file and key."""
    (tmp_path / "probes").mkdir()
    (tmp_path / "probes" / "single.toml").write_text(OWN_PROBE)
    path = write_config()
    text = path.read_text().replace('model = "thatch"', 'model = "single"')
    path.write_text(text.replace("[broker]", 'model_dir = "probes"\n[broker]'))
    assert [c.depth_m for c in load(path).probes[0].description.channels] == [0.07]
    (tmp_path / "probes" / "single.toml").write_text(OWN_PROBE.replace("70", "7000"))
    assert faults_of(path) == [
        f"{path}: probe.p1.model: {tmp_path / 'probes' / 'single.toml'}: channel[0].depth_mm: found 7000, "
        "expected a number from 0 to 3000"
    ]


def test_folder_of_own_probe_models_must_be_there(write_config, tmp_path):
    """A slip in the folder's name never passes for the model of the same name that comes with the project."""
    path = write_config()
    path.write_text(path.read_text().replace("[broker]", 'model_dir = "probs"\n[broker]'))
    assert faults_of(path) == [
        f"{path}: agent.model_dir: found '{tmp_path / 'probs'}', expected a folder that is there"
    ]


def test_missing_file_is_a_fault(tmp_path):
    """A path that leads nowhere is told as such."""
    assert "No such file" in faults_of(tmp_path / "none.toml")[0]


def test_adapter_keys_are_checked_and_kept(write_config):
    """What an adapter does is kept as told; a prompt that a reply could begin with, and a cone's break, are faults."""
    told = 'break = "adapter"\nsettle_s = 2\nreply_extra_s = 0.5\nprompt = "SDI> "\nline_end = "lf"\n'
    path = write_config()
    good = path.read_text()
    path.write_text(good.replace('protocol = "sdi12"\n', 'protocol = "sdi12"\n' + told))
    (line,) = load(path).lines
    assert (line.break_by, line.settle_s, line.reply_extra_s) == ("adapter", 2.0, 0.5)
    assert line.adapter == AdapterText(b"SDI>", b"\n")
    path.write_text(good.replace('protocol = "sdi12"\n', 'protocol = "sdi12"\nprompt = "1+2"\nbreak = "me"\n'))
    assert [fault.split(": ")[1] for fault in faults_of(path)] == ["line.north.break", "line.north.prompt"]
    path.write_text(good + '[[line]]\nname = "dock"\nport = "x"\nprotocol = "cone"\nbreak = "none"\n')
    assert faults_of(path) == [f"{path}: line.dock.break: found 'none', expected it on a line with sdi12 only"]


def test_missing_of_a_probe_stands_beside_that_of_its_model(write_config):
    """Numbers a probe is told of hold for each of its channels, after those of the description."""
    path = write_config()
    path.write_text(path.read_text().replace('model = "thatch"', 'model = "rain_total"') + "missing = [8888]\n")
    (probe,) = load(path).probes
    assert [channel.missing for channel in probe.description.channels] == [(-9999.0, 9999.0, 8888.0)]


def test_own_descriptions_are_found_without_being_told(write_config, tmp_path, monkeypatch):
    """Without model_dir the usual folder is looked at, if it is there; told of another, not."""
    usual = tmp_path / "etc"
    monkeypatch.setattr("probe_agent.config.OWN_MODELS", usual)
    path = write_config()
    assert load(path).probes[0].description.title.startswith("Thatch")
    usual.mkdir()
    (usual / "thatch.toml").write_text((resources.files("hardware") / "probes" / "air.toml").read_text())
    assert load(path).probes[0].description.title.startswith("Air")
    (tmp_path / "probes").mkdir()
    path.write_text(path.read_text().replace("[broker]", 'model_dir = "probes"\n[broker]'))
    assert load(path).probes[0].description.title.startswith("Thatch")


MODBUS_LINE = '[[line]]\nname = "field"\nport = "/dev/ttyUSB2"\nprotocol = "modbus"\n'
MODBUS_PROBE = (
    '[[probe]]\nname = "{name}"\nstation = "square-1"\nmodel = "register_point"\nline = "field"\naddress = {address}\n'
)


def test_modbus_probe_has_the_address_of_its_own_kind(write_config):
    """1 to 247 as text, "1" where it is left out; 9600 8N1; an SDI-12 address, 0, 248 and a bare number are faults."""
    path = write_config(more=MODBUS_LINE + MODBUS_PROBE.format(name="m", address='"247"'))
    config = load(path)
    assert (config.lines[1].baud, config.lines[1].frame, config.probes[1].address) == (9600, "8N1", "247")
    path = write_config(more=MODBUS_LINE + MODBUS_PROBE.format(name="m", address='"1"').replace('address = "1"', ""))
    assert load(path).probes[1].address == "1"
    for wrong in ('"a"', '"0"', '"248"', '"07"', "17"):
        with pytest.raises(AgentConfigFault) as caught:
            load(write_config(more=MODBUS_LINE + MODBUS_PROBE.format(name="m", address=wrong)))
        assert any("probe.m.address: found " in fault for fault in caught.value.faults), wrong
    with pytest.raises(AgentConfigFault, match=r"break: found 'none', expected it on a line with sdi12 only"):
        load(write_config(more=MODBUS_LINE + 'break = "none"\n'))
    assert load(write_config(more=MODBUS_LINE + "reply_extra_s = 1.0\n")).lines[1].reply_extra_s == 1.0
