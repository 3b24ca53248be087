"""The command line: what it prints and how it ends. Expected texts by hand."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from hardware.probe import models
from hardware.reading import Receipt, Sample, Status
from probe_agent.__main__ import main
from probe_agent.clock import ClockNote
from probe_agent.outbox import Outbox

ROOT = Path(__file__).parents[2]


def test_check_says_good_and_names_lines_and_probes(write_config, capsys):
    """A good file: exit 0, and what it makes of it."""
    path = write_config()
    assert main(["check", "--config", str(path)]) == 0
    out = capsys.readouterr().out
    assert "good. site home, node hut: 1 lines, 1 probes, 2 channels" in out
    assert "line north: sdi12 1200 7E1 at" in out
    assert "(no such port now)" in out
    assert "square-1/p1: Thatch probe" in out


@pytest.mark.parametrize("command", [["run"], ["check"], ["read", "p1"], ["show"]])
def test_every_command_names_all_faults_of_a_bad_file(write_config, capsys, command):
    """A bad file: exit 1 and each fault on a line of its own."""
    path = write_config()
    path.write_text(path.read_text().replace('site = "home"', 'sit = "home"').replace('"thatch"', '"thatsh"'))
    assert main([*command, "--config", str(path)]) == 1
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 3
    assert all(line.startswith(f"{path}: ") for line in lines)


def test_check_names_a_curve_that_does_not_exist(write_config, tmp_path, capsys):
    """A misspelt curve in a probe file ends the check with exit 1 and the nearest name, though only the server computes
    it."""
    (tmp_path / "probes").mkdir()
    shipped = (ROOT / "hardware" / "probes" / "root_zone_profile.toml").read_text()
    (tmp_path / "probes" / "thatch.toml").write_text(shipped.replace("topp_1980", "topp_1890", 1))
    path = write_config()
    path.write_text(path.read_text().replace("[broker]", 'model_dir = "probes"\n[broker]'))
    assert main(["check", "--config", str(path)]) == 1
    (told,) = capsys.readouterr().err.splitlines()
    place = f"{path}: probe.p1.model: {tmp_path / 'probes' / 'thatch.toml'}: channel[0].calibration.curve"
    assert told.startswith(f"{place}: found 'topp_1890', expected one of identity, ")
    assert told.endswith(", nearest 'topp_1980'")


def test_a_password_that_goes_far_as_plain_text_is_told_by_check_and_by_the_log(
    write_config, tmp_path, capsys, monkeypatch, caplog
):
    """Both name the host and what to give; check refuses it unless it is said twice, the agent runs all the same."""
    (tmp_path / "secret").write_text("green\n")
    path = write_config()
    far = '[broker]\nhost = "192.0.2.7"\nusername = "home/hut"\npassword_file = "secret"\n'
    path.write_text(path.read_text().replace("[broker]\n", far))
    told = "password: goes to 192.0.2.7 unencrypted: give its ca_file"
    assert main(["check", "--config", str(path)]) == 1 and told in capsys.readouterr().err
    monkeypatch.setattr("probe_agent.service.run", lambda config: None)
    assert main(["run", "--config", str(path)]) == 0 and told in caplog.text
    settings = path.read_text()
    path.write_text(settings.replace("[broker]\n", "[broker]\nplain_password = true\n"))
    assert main(["check", "--config", str(path)]) == 0 and "as plain_password has it" in capsys.readouterr().err
    path.write_text(settings.replace("192.0.2.7", "127.0.0.1"))
    assert main(["check", "--config", str(path)]) == 0 and "unencrypted" not in capsys.readouterr().err


def test_read_prints_values_with_units_and_status(write_config, sensor_line, capsys):
    """One probe now: name, value, unit, status, quantity and depth."""
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    assert main(["read", "p1", "--config", str(write_config())]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("square-1/p1: Thatch probe")
    assert lines[1].split() == ["moisture", "12.5", "ok", "(apparent_permittivity", "at", "8", "mm)"]
    assert lines[2].split() == ["temperature", "8.25", "degC", "ok", "(soil_temperature", "at", "8", "mm)"]


def test_read_of_a_silent_probe_says_why(write_config, sensor_line, capsys):
    """Silence: exit 1, a status for each channel, the reason on the error output."""
    assert main(["read", "square-1/p1", "--config", str(write_config())]) == 1
    captured = capsys.readouterr()
    assert captured.out.count("silent after 3 tries") == 2
    assert "Is the sensor powered" in captured.err


def test_read_of_an_unknown_probe_names_those_there_are(write_config, capsys):
    """A wrong name is answered with the right ones."""
    assert main(["read", "p9", "--config", str(write_config())]) == 1
    assert "found no such probe, expected one of square-1/p1" in capsys.readouterr().err


def test_show_prints_outbox_and_lines(write_config, tmp_path, capsys):
    """Counts and states as they are in the file of an agent that is running."""
    (tmp_path / "state").mkdir()
    outbox = Outbox(tmp_path / "state", site="home", node="hut", max_bytes=4 << 20)
    one = Sample("square-1/p1/moisture", "1772323200", 1_772_323_200_000, 1.5, Status.OK, 1)
    outbox.put([one] * 10, ClockNote(True, "b", 1, 1))
    outbox.receive(Receipt(outbox.outbox_id, 4))
    outbox.set_line("north", "away: unplugged", 1_772_323_200_000)
    assert main(["show", "--config", str(write_config())]) == 0
    out = capsys.readouterr().out
    assert f"outbox {outbox.outbox_id}" in out
    assert "kept 10 readings" in out
    assert "without receipt 6, receipted up to 4 of 10" in out
    assert "newest reading 2026-03-01 00:00:00 UTC" in out
    assert "line north: away: unplugged, since 2026-03-01 00:00:00 UTC" in out
    outbox.close()


def test_show_before_the_first_run_says_so(write_config, capsys):
    """No outbox yet: exit 1 and a plain sentence."""
    assert main(["show", "--config", str(write_config())]) == 1
    assert "expected the outbox of an agent that has run" in capsys.readouterr().err


def test_command_line_that_is_not_understood_ends_with_2(capsys):
    """argparse's own convention for a usage fault."""
    with pytest.raises(SystemExit) as ended:
        main(["dig"])
    assert ended.value.code == 2


def test_a_reader_that_has_enough_ends_a_command_without_a_word():
    """As `model list | head -1` does: no traceback."""
    command = [sys.executable, "-m", "probe_agent", "model", "list"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as listing:
        listing.stdout.close()
        assert (listing.stderr.read(), listing.wait(30)) == (b"", 1)


def test_agent_is_light():
    """All that `run` needs comes without the pipeline's libraries, in under 45 MB (the project's own limit)."""
    program = (
        "import sys, probe_agent.__main__, probe_agent.service\n"
        "heavy = {'pandas', 'numpy', 'scipy', 'fastapi', 'starlette', 'contourpy', 'asyncio'} & set(sys.modules)\n"
        "rows = open('/proc/self/status').read().splitlines()\n"
        "print(sorted(heavy), next(int(r.split()[1]) for r in rows if r.startswith('VmHWM')) // 1024)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True)
    heavy, _, used_mb = done.stdout.strip().rpartition(" ")
    assert heavy == "[]"
    assert int(used_mb) < 45


def test_model_is_listed_shown_copied_changed_and_checked(tmp_path, capsys):
    """The way to a model of one's own: a copy, a change, each fault named, then good; the copy is marked as own."""
    folder = tmp_path / "own"

    def run(*arguments: str) -> tuple[int, str, str]:
        code = main(["model", *arguments, "--folder", str(folder)])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    assert run("copy", "profile_4", "--as", "square")[0] == 0
    copy = folder / "square.toml"
    code, out, _ = run("show", "square")
    assert code == 0
    assert "moisture_050" in out and "M value 1: water_content [m3 m-3] at 50 mm, -9999 is no value" in out
    copy.write_text(copy.read_text().replace("[50, 100, 150, 200]", "[40, 40]", 1))
    code, out, _ = run("check")
    assert code == 1
    assert out == (
        f"{copy}: channel[0].depths_mm: found [40, 40], expected a list of 1 to 99 different numbers from 0 to 3000\n"
    )
    copy.write_text(copy.read_text().replace("[40, 40]", "[40, 80]"))
    assert run("check", "square") == (0, "square: good, 6 channels\n", "")
    _, out, _ = run("list")
    assert [line.split()[:2] for line in out.splitlines() if " own " in line] == [["square", "own"]]
    assert {line.split()[0] for line in out.splitlines()} == {*models(), "square"}


def test_model_that_cannot_be_copied_or_shown_says_why(tmp_path, capsys):
    """A file there already stays, a name that is none is refused, a misspelt model is answered with the nearest."""
    (tmp_path / "air.toml").write_text("mine")
    for arguments, told in (
        (["copy", "air", "--as", "Air 1"], "--as: found 'Air 1'"),
        (["copy", "wind", "--as", "air"], "air.toml: found File exists, expected a new file"),
        (["show", "aira"], "nearest 'air'"),
        (["check", "--folder", str(tmp_path / "none")], "found no description"),
    ):
        assert main(["model", "--folder", str(tmp_path), *arguments]) == 1
        assert told in capsys.readouterr().err
    assert main(["model", "show"]) == 2
    assert (tmp_path / "air.toml").read_text() == "mine"


def test_check_explains_a_register_written_as_a_manual_counts(write_config, tmp_path, capsys):
    """40003 is register 2 of the holding table; what is read is told in both ways of counting."""
    (tmp_path / "models").mkdir()
    (tmp_path / "models" / "own.toml").write_text(
        'protocol = "modbus"\n[[channel]]\nname = "t"\nheard = "soil_temperature"\nregister = 40003\n'
        '[[channel]]\nname = "m"\nheard = "water_content"\ntable = "input"\nregister = 7\n'
    )
    path = write_config(
        more='[[line]]\nname = "field"\nport = "/dev/ttyUSB2"\nprotocol = "modbus"\n'
        '[[probe]]\nname = "m"\nstation = "square-1"\nmodel = "own"\nline = "field"\naddress = "17"\n'
    )
    path.write_text(path.read_text().replace("[agent]", '[agent]\nmodel_dir = "models"'))
    assert main(["check", "--config", str(path)]) == 0
    told = capsys.readouterr().out
    assert (
        "t: found register 40003; 40003 of a manual is register 2 of the holding table. Is it that which is meant?"
        in told
    )
    assert "1 from register 7 of the input table (30008 where a manual counts so)" in told
    assert main(["model", "check", "own", "--folder", str(tmp_path / "models")]) == 0
    assert "40003 of a manual is register 2" in capsys.readouterr().out
    assert main(["scan", "field", "--change", "1", "2", "--config", str(path)]) == 1
    assert "nothing is written to it" in capsys.readouterr().err
