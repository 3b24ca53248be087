"""Battery and panel: the sums against worked examples, the command against the sums by hand.

Sources: Duffie and Beckman, Solar Engineering of Thermal Processes, example 2.19.1 (from memory; recomputed
by hand); the cold factors of battery worksheets after IEEE Std 485; ampere-hours by arithmetic.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from api.command import main
from pipeline.site.power import beam_ratio, mean_current_ma, power_plan, sun_hours
from tests.reference import ROOT, tables


def test_direct_sun_on_a_tilted_panel_is_that_of_the_textbook() -> None:
    """Madison, 43 degrees, tilted 60, January: Rb is 2.79 (declination -20.9, sunset at 69.1 degrees)."""
    assert beam_ratio(43.0, 60.0, 17) == pytest.approx(2.79, abs=0.02)
    d, w, leaned, level = (math.radians(v) for v in (-20.9, 69.1, 43 - 60, 43))
    above = [math.cos(x) * math.cos(d) * math.sin(w) + w * math.sin(x) * math.sin(d) for x in (leaned, level)]
    assert beam_ratio(43.0, 60.0, 17) == pytest.approx(above[0] / above[1], rel=0.01)


def test_a_level_panel_sees_what_the_level_ground_sees_and_hemispheres_mirror() -> None:
    """Rb of no tilt is 1 (algebra); June at 35 south is December at 35 north, but for how far the sun is."""
    assert beam_ratio(52.0, 0.0, 344) == pytest.approx(1.0)
    assert sun_hours(-35.0, 162) == pytest.approx(sun_hours(35.0, 344), rel=0.08)
    assert sun_hours(80.0, 344) == 0.0


def test_a_node_that_sleeps_takes_its_mean() -> None:
    """350 mA for 40 s of 900, else 5 mA: (350 x 40 + 5 x 860) / 900 (arithmetic)."""
    assert mean_current_ma(350, asleep_ma=5, awake_s=40, every_s=900) == pytest.approx((350 * 40 + 5 * 860) / 900)


def test_sizes_follow_from_the_ampere_hours() -> None:
    """80 mA, 5 days, half of a lead battery at 4.4 degC (factor 1.30), four fifths left of it when old; 18 V x 1.3."""
    plan = power_plan(80, latitude_deg=52, days=5, battery="lead", coldest_degc=4.4, known_sun_hours=1.0)
    assert plan.daily_ah == pytest.approx(1.92)
    assert plan.battery_ah == pytest.approx(1.92 * 5 * 1.30 / 0.5 / 0.8)
    assert plan.panel_w == pytest.approx(1.3 * 1.92 / 0.85 * 18)


def test_the_command_prints_sizes_and_refuses_by_name(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Battery and panel in one line each; a number out of range, no latitude and no sun are said."""
    assert main(["power", "--draws", "80", "--latitude", "52"]) == 0
    told = capsys.readouterr().out
    assert "battery: 34 Ah, lead" in told and "panel: 57 W" in told and "in Dec" in told
    assert main(["power", "--draws", "80", "--latitude", "72"]) == 0
    assert "panel: none will do" in capsys.readouterr().out
    assert main(["power", "--draws", "80", "--latitude", "52", "--awake", "60", "--every", "30"]) == 2
    assert "--awake: found 60 s" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main(["power", "--draws", "-3"])
    assert "found '-3', expected a number from 0.1 to 20000" in capsys.readouterr().err
    settings = tmp_path / "underturf.toml"
    settings.write_text(
        '[site]\nname = "home"\n[[surface]]\nname = "square"\nkind = "square"\n'
        '[[surface.station]]\nname = "s1"\nsoil = "loam"\n[[surface.station.probe]]\nname = "p1"\nmodel = "thatch"\n'
    )
    assert main(["power", "--draws", "80", "--config", str(settings)]) == 2
    assert "found no latitude" in capsys.readouterr().err


def test_the_table_of_the_parts_page_is_what_the_command_says() -> None:
    """Each row recomputed: sun of the darkest month, panel, and battery of lead at 0 degC for five days, for 80 mA."""
    page = (ROOT / "hardware" / "docs" / "parts-and-drawings.md").read_text(encoding="utf-8")
    (table,) = (table for table in tables(page) if table.columns[0] == "latitude")
    assert len(table.rows) >= 8
    for latitude, month, hours, watts, capacity in table.rows:
        plan = power_plan(80, latitude_deg=float(latitude), days=5, battery="lead", coldest_degc=0)
        assert (month, hours) == (plan.month, f"{plan.sun_hours:.1f}")
        assert (watts, capacity) == (str(math.ceil(plan.panel_w)), str(math.ceil(plan.battery_ah)))
