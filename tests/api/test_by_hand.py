"""A ground without a probe: what a person reads by hand, from the form to the pages and the advice."""

from __future__ import annotations

import datetime
from zoneinfo import ZoneInfo

import pytest

from api.app import create_app
from pipeline.advice.advisor import site_advice
from pipeline.diary.entry import DiaryEntry
from tests.api.served import TestClient
from tests.api.site import NOW_MS, Ground, MakeGround
from tests.pipeline.hand import HOUR_MS

DAY_MS = 24 * HOUR_MS
SETTINGS = """
[site]
name = "meadow"
title = "Meadow Ground"
timezone = "Etc/GMT-2"
latitude_deg = 51.0
longitude_deg = 0.5
[data]
dir = "data"
[climate]
rain_mm = [60, 50, 50, 50, 50, 50, 50, 55, 55, 65, 65, 65]
wet_days = [12, 10, 10, 10, 9, 9, 9, 9, 9, 11, 12, 12]
highest_degc = [7, 8, 11, 14, 17, 20, 23, 22, 19, 15, 10, 8]
lowest_degc = [2, 2, 3, 5, 8, 11, 13, 13, 11, 8, 5, 3]
[[surface]]
name = "square"
title = "Square"
kind = "square"
[[surface.station]]
name = "s1"
title = "north end"
soil = "clay_loam"
[[surface.station.core]]
date = 2024-01-10
thatch_mm = 12
"""


def at(days_ago: float) -> int:
    return NOW_MS - round(days_ago * DAY_MS)


def ground_by_hand(make_ground: MakeGround, *percents: float) -> Ground:
    """A ground whose meter was read every three days, the last time two days ago, with rain of none since."""
    ground = make_ground(settings=SETTINGS)
    for n, percent in enumerate(percents):
        days_ago = 2.0 + 3.0 * (len(percents) - 1 - n)
        body = {"moisture_percent": percent, "rod_mm": 120, "points": 4, "spread_percent": 2.0}
        ground.pipeline.diary.add(
            DiaryEntry("moisture", "square", at(days_ago), body, "s1", written_at_ms=at(days_ago))
        )
    for day in range(10, 0, -1):
        ground.pipeline.diary.add(DiaryEntry("rain", "square", at(day - 0.9), {"rain_mm": 0.0}))
    ground.pipeline.recompute("s1")
    return ground


def advised(ground: Ground):
    pipeline = ground.pipeline
    advice = site_advice(pipeline.config, pipeline.store, pipeline.diary, NOW_MS)
    ground.advise(advice)
    return advice


PAGES = (
    *("/", "/work", "/stations/s1", "/season/square", "/sheet/square", "/nodes", "/api/v1/stations/s1", "/api/v1/site"),
    *("/api/v1/answers", "/api/v1/advice", "/api/v1/diary", "/healthz", "/api/v1/findings?station=s1"),
)


@pytest.mark.parametrize("percents", [(), (30.0, 27.0, 25.0)])
def test_every_page_of_a_ground_without_a_probe_answers(make_ground: MakeGround, percents: tuple[float, ...]) -> None:
    """Before the first reading and after it, with advice and without."""
    ground = ground_by_hand(make_ground, *percents)
    client = TestClient(create_app(ground.pipeline))
    for advice in (False, True):
        if advice:
            advised(ground)
        found = {path: client.get(path).status_code for path in PAGES}
        assert {path: status for path, status in found.items() if status not in (200, 503)} == {}
        assert found["/"] == found["/work"] == found["/stations/s1"] == 200


def test_pages_say_when_it_was_read_by_hand(make_ground: MakeGround) -> None:
    """Today, the station and the work page name the last reading, on a Tuesday; nothing is called silent."""
    ground = ground_by_hand(make_ground, 30.0, 27.0, 25.0)
    advised(ground)
    client = TestClient(create_app(ground.pipeline))
    for path in ("/", "/stations/s1", "/work"):
        told = client.get(path).text
        assert "last read" in told and "Tue" in told, path
        assert "probe is heard" not in told and "ot heard yet" not in told, path
    state = client.get("/api/v1/stations/s1").json()
    assert state["heard_at"] == "2024-03-19T00:00:00Z" and not state["is_old"] and state["rain_day_mm"] == 0.0


def test_advice_rests_on_the_last_reading_carried_on_and_is_coarser(make_ground: MakeGround) -> None:
    """Dry ground is watered and no pass is open on it; the note says by hand, and how far off it may be.

    By hand: 25 % over rods of 120 mm in clay loam is about a fifth of the way; two days of March take little from it.
    """
    advice = advised(ground_by_hand(make_ground, 30.0, 27.0, 25.0))
    (surface,) = advice.surfaces
    (station,) = surface.stations
    assert any("by hand, last read on 19 Mar" in note and "coarser than a probe" in note for note in advice.notes)
    assert station.water.mm is not None and station.water.mm > 0.0
    now = float(station.forecast.root_wetness[0].mean())
    assert 0.05 < now < 0.35
    assert float(station.forecast.root_wetness[0].std()) > 0.1


def test_nothing_is_advised_before_the_first_reading(make_ground: MakeGround) -> None:
    """It says what is lacking."""
    advice = advised(ground_by_hand(make_ground))
    assert advice.surfaces[0].stations == () and any("no reading by hand" in note for note in advice.notes)


@pytest.mark.parametrize("days_on", [12.5, 20.0])
def test_an_old_reading_says_nothing_of_now(make_ground: MakeGround, days_on: float) -> None:
    """After two weeks, or when rain since is not known, the state is withheld and the reason said."""
    ground = ground_by_hand(make_ground, 30.0)
    ground.clock.wall_ms += round(days_on * DAY_MS)
    pipeline = ground.pipeline
    advice = site_advice(pipeline.config, pipeline.store, pipeline.diary, ground.clock.now_ms())
    (station,) = advice.surfaces[0].stations
    assert station.forecast.root_wetness.shape[1] == 0 and "by hand" in station.forecast.reason


def test_months_of_the_season_are_those_of_a_gauge_read_by_hand(make_ground: MakeGround) -> None:
    """Three millimetres read each week are 3 x 29 / 7 in February, by hand; of January nothing is told."""
    ground = make_ground(settings=SETTINGS)
    first_ms = round(datetime.datetime(2024, 2, 1, tzinfo=ZoneInfo("Etc/GMT-2")).timestamp() * 1000)
    for week in range(6):
        read_ms = first_ms + 7 * week * DAY_MS
        ground.pipeline.diary.add(DiaryEntry("rain", "square", read_ms, {"rain_mm": 3.0 if week else 0.0}))
    months = TestClient(create_app(ground.pipeline)).get("/api/v1/surfaces/square/season").json()["months"]
    assert months[0]["rain_mm"] is None
    assert months[1]["rain_mm"] == pytest.approx(3.0 * 29 / 7)
