"""How the machine is, read from the kernel's files: a tree of such files made here, and this machine's own.

Forms: the ABI documents of the kernel, `sysfs-class-power` (microvolts) and `sysfs-class-thermal` (thousandths of a
degree), and /proc/net/wireless as the wireless extensions print it (from memory).
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from probe_agent.__main__ import main
from probe_agent.config import AgentConfigFault, load
from probe_agent.doctor import examined_supply
from probe_agent.health import node_health

WIRELESS = """Inter-| sta-|   Quality        |   Discarded packets               | Missed | WE
 face | tus | link level noise |  nwid  crypt   frag  retry   misc | beacon | 22
 wlan0: 0000   54.  -56.  -256        0      0      0      0      0        0
 wlan1: 0000   30.  -80.  -256        0      0      0      0      0        0
 wlan2: 0000   30.   40.     0        0      0      0      0      0        0
 wlan3: 0000
"""


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """Two thermal zones and one that cannot be read as a number, a battery, a charger without volts, three radios."""
    files = {
        "sys/class/thermal/thermal_zone0/temp": "41234\n",
        "sys/class/thermal/thermal_zone1/temp": "39000\n",
        "sys/class/thermal/thermal_zone2/temp": "none\n",
        "sys/class/power_supply/bat0/voltage_now": "12345678\n",
        "sys/class/power_supply/charger/type": "Mains\n",
        "proc/net/wireless": WIRELESS,
    }
    for name, text in files.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
    return tmp_path


def test_what_the_kernel_shows_is_told_in_plain_units(tree: Path) -> None:
    """Volts, degrees of the warmest zone, dBm of the strongest radio, whole seconds."""
    told = node_health(tree, 90_500, root=tree)
    assert (told["supply_v"], told["temperature_degc"], told["signal_dbm"], told["uptime_s"]) == (
        12.346,
        41.234,
        -56,
        90,
    )
    assert told["disk_total_bytes"] == pytest.approx(shutil.disk_usage(tree).total)
    assert 0 <= told["disk_free_bytes"] <= told["disk_total_bytes"]


def test_what_is_not_there_is_not_told(tmp_path: Path) -> None:
    """No zones, no battery, no radio: only the disk and the time since the start."""
    assert set(node_health(tmp_path, 0, root=tmp_path)) == {"disk_free_bytes", "disk_total_bytes", "uptime_s"}
    assert set(node_health(tmp_path / "gone", 0, root=tmp_path)) == {"uptime_s"}


def test_a_file_of_the_settings_comes_before_channels_and_they_before_the_kernel(tree: Path) -> None:
    """The lowest channel counts; a file that says nothing leaves the supply untold rather than taken from elsewhere."""
    file = tree / "in1_input"
    file.write_text("11890\n")
    assert node_health(tree, 0, supply_v=[12.9, 12.1], root=tree)["supply_v"] == 12.1
    assert node_health(tree, 0, supply_v=[12.9], supply_file=file, supply_scale=1e-3, root=tree)["supply_v"] == 11.89
    file.write_text("nan\n")
    assert "supply_v" not in node_health(tree, 0, supply_v=[12.9], supply_file=file, root=tree)


def test_this_machine_can_be_told_of() -> None:
    """Whatever this machine has, each figure is a finite number and the disk is that of the folder."""
    told = node_health(Path.cwd(), 1000)
    assert all(abs(value) < 1e18 for value in told.values())
    assert told["disk_total_bytes"] == os.statvfs(Path.cwd()).f_blocks * os.statvfs(Path.cwd()).f_frsize


def test_a_supply_file_that_is_not_there_is_told_and_keeps_no_reading_away(write_config, capsys) -> None:
    """`check` names it and ends well, for a sensor chip may come up after the agent; so do the words of `doctor`."""
    path = write_config(more='\n[supply]\nfile = "gone"\n')
    assert load(path).supply.file == path.parent / "gone"
    assert main(["check", "--config", str(path)]) == 0
    (found,) = examined_supply(load(path))
    assert found.good is False and "gone: No such file or directory" in found.text
    assert f"supply: {found.text}" in capsys.readouterr().err
    (path.parent / "gone").write_text("12000000")
    assert list(examined_supply(load(path))) == []


def test_a_scale_out_of_bounds_is_a_fault_of_the_settings(write_config) -> None:
    """Named with what was found."""
    with pytest.raises(AgentConfigFault, match=r"supply\.scale: found 0"):
        load(write_config(more="\n[supply]\nscale = 0\n"))
