"""What the demo writes for a scenario: dated cores, own calibrations, and the agent's settings for reading oftener."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import tomli_w

from api.demo_configs import CARE, FIXTURES_FILE, configs, days_to_come, finer, fixtures
from api.ground import doubts_of_settings
from pipeline.diary.fixtures import of_surface, read_fixtures
from pipeline.service import load_settings as load_server
from probe_agent.config import load as load_agent

OWN = {"calibration": {"moisture": {"curve": "malicki_bulk_density", "bulk_density_g_cm3": 1.05, "source": "a core"}}}
READY: dict[str, Any] = {
    "site": {"name": "harbour", "title": "Harbour Green", "timezone": "UTC", "latitude_deg": 52.0,
             "longitude_deg": 0.0, "elevation_m": 60.0},
    "node": "node-1",
    "interval_s": 3600,
    "rain_interval_s": 3600,
    "clock": "/run/demo/clock.sock",
    "lines": [
        {"name": "turf", "port": "/run/demo/line-turf", "protocol": "sdi12", "baud": 1200},
        {"name": "dock", "port": "/run/demo/line-dock", "protocol": "cone", "baud": 9600},
    ],
    "surfaces": [
        {"name": "green", "title": "Green", "kind": "green", "stations": [
            {"name": "green-1", "title": "Green", "facts": {"soil": "sand", "thatch_medium": "mat", "core": [
                {"date": "2025-04-03", "thatch_mm": 9.0}]}},
        ]},
    ],
    "probes": [
        {"name": "thatch", "station": "green-1", "model": "thatch", "line": "turf", "address": "0",
         "interval_s": 3600, "rain_interval_s": 3600, "settings": OWN},
        {"name": "cone", "station": "green-1", "model": "cone_hard", "line": "dock", "address": None,
         "interval_s": 21600, "rain_interval_s": 21600, "settings": {}},
    ],
}  # fmt: skip


def test_server_takes_dated_cores_and_own_calibrations(tmp_path: Path) -> None:
    """The date of a core, text on the way, is a date again, and a probe's own calibration stands over the usual one."""
    server, _ = configs(READY, broker_port=18831, pages_port=18420)
    path = tmp_path / "underturf.toml"
    path.write_text(tomli_w.dumps(server), encoding="utf-8")
    station = load_server(path).surfaces[0].stations[0]
    assert [(core.midnight.date(), core.thatch_m) for core in station.cores] == [(date(2025, 4, 3), 0.009)]
    moisture = next(c for c in station.probes[0].channels if c.channel.name == "moisture")
    assert moisture.channel.calibration.parameters == {"bulk_density_g_cm3": 1.05}


def test_finer_settings_read_the_turf_oftener_and_the_dock_as_before(tmp_path: Path) -> None:
    """Probes of each round go to a quarter of an hour, rain or not; a dock asked four times a day stays so."""
    _, agent = configs(READY, broker_port=18831, pages_port=18420)
    path = tmp_path / "agent.toml"
    path.write_text(tomli_w.dumps(finer(agent, 900)), encoding="utf-8")
    cadences = {p.name: (p.cadence.interval_s, p.cadence.rain_interval_s) for p in load_agent(path).probes}
    assert cadences == {"thatch": (900, 900), "cone": (21600, 21600)}
    assert agent["probe"][0]["interval_s"] == 3600  # the settings it was made of are left alone


END_MS = 1_752_019_200_000  # 2025-07-09 00:00 UTC
DAY_MS = 86_400_000


def with_surfaces(*kinds: str) -> dict[str, Any]:
    """The ground as the simulator tells it, with surfaces of these kinds."""
    station = READY["surfaces"][0]["stations"][0]
    surfaces = [
        {"name": kind, "title": kind.title(), "kind": kind, "stations": [{**station, "name": f"{kind}-1"}]}
        for kind in kinds
    ]
    probes = [{**READY["probes"][0], "station": f"{kind}-1"} for kind in kinds]
    return {**READY, "history_end_ms": END_MS, "surfaces": surfaces, "probes": probes}


def test_server_is_told_of_days_to_come(tmp_path: Path) -> None:
    """Every kind of surface has an area, and the climate and the calendar are taken without a fault."""
    ready = with_surfaces(*CARE)
    server, _ = configs(ready, broker_port=18831, pages_port=18420)
    path = tmp_path / "underturf.toml"
    path.write_text(tomli_w.dumps(days_to_come(server, ready)), encoding="utf-8")
    config = load_server(path)
    assert config.climate is not None
    assert config.fixtures.source == str(tmp_path / FIXTURES_FILE)
    assert all(surface.area_m2 and surface.outline for surface in config.surfaces)
    assert all(station.at_m for station in config.stations().values())
    assert {s.name for s in config.surfaces if s.play is None} == {"lawn"}


def test_the_plan_of_the_demo_has_nothing_doubtful(tmp_path: Path) -> None:
    """On the usual ground, a square and the outfield about it, tapes meet well and each station is on its surface."""
    ready = with_surfaces("square", "outfield")
    server, _ = configs(ready, broker_port=18831, pages_port=18420)
    path = tmp_path / "underturf.toml"
    path.write_text(tomli_w.dumps(days_to_come(server, ready)), encoding="utf-8")
    assert doubts_of_settings(load_server(path)) == []


def test_calendar_has_play_before_and_after_the_history_ends() -> None:
    """The square is played on within a fortnight of the end, and has been; each fixture is of its own surface alone."""
    ready = with_surfaces("square", "outfield")
    found = read_fixtures(
        fixtures(ready), ZoneInfo("UTC"), start_ms=END_MS - 100 * DAY_MS, end_ms=END_MS + 100 * DAY_MS
    )
    words = {kind: CARE[kind]["fixture_words"] for kind in ("square", "outfield")}
    square, outfield = (of_surface(found, kind, words) for kind in words)
    assert len(square) + len(outfield) == len(found) and outfield
    assert any(END_MS < f.start_ms < END_MS + 14 * DAY_MS for f in square)
    assert any(f.start_ms < END_MS for f in square)
