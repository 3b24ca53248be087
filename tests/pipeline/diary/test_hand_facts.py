"""What people measure by hand, as facts; the expected figures are read off the entries by hand."""

from __future__ import annotations

import datetime
import math
from zoneinfo import ZoneInfo

from pipeline.diary.by_hand import Closed, Cost, HandMoisture, HandPush, HandRain
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import DiaryFacts, read_diary
from pipeline.units import DAY_MS, HOUR_MS

T0_MS = 1_715_594_400_000  # 2024-05-13, 10:00 UTC


def facts(*entries: tuple[str, float, dict[str, object]]) -> DiaryFacts:
    """Facts of entries given as kind, day and body."""
    written = [
        DiaryEntry(kind, "green", T0_MS + round(day * DAY_MS), body, "green-1", id=n, written_at_ms=7)
        for n, (kind, day, body) in enumerate(entries, 1)
    ]
    return read_diary(written, "green", {}, ZoneInfo("Europe/London"))


def test_a_meter_reading_is_a_share_over_the_length_of_its_rods() -> None:
    """35 % over 60 mm is 0.35 m3 m-3 over 0.06 m; one point and no spread where nothing is written of them."""
    body = {"moisture_percent": 35, "rod_mm": 60}
    found = facts(("moisture", 1, {**body, "points": 5, "spread_percent": 4}), ("moisture", 0, body)).moisture
    assert math.isnan(found[0].spread) and found[0].points == 1
    assert found[1] == HandMoisture("green-1", T0_MS + DAY_MS, 0.35, 0.06, 5, 0.04, 7, 1)


def test_a_push_has_a_resistance_at_each_depth() -> None:
    """25 and 50 mm with 600 and 1200 kPa."""
    found = facts(("push", 0, {"depth_mm": [25, 50], "resistance_kpa": [600, 1200]})).pushes
    assert found == (HandPush("green-1", T0_MS, (0.025, 0.05), (600.0, 1200.0), 7, 1),)


def test_rain_by_hand_fell_since_the_reading_before() -> None:
    """The first, and one after more than eight days, of the day before; others since the one before; a span as said."""
    found = facts(("rain", 0, {"rain_mm": 3}), ("rain", 3, {"rain_mm": 12}), ("rain", 20, {"rain_mm": 1})).hand_rain
    spans = [((one.start_ms - T0_MS) / DAY_MS, (one.end_ms - T0_MS) / DAY_MS, one.rain_mm) for one in found]
    assert spans == [(-1, 0, 3), (0, 3, 12), (19, 20, 1)]
    span = DiaryEntry("rain", "green", T0_MS, {"rain_mm": 4}, end_ms=T0_MS + HOUR_MS)
    assert read_diary([span], "green", {}).hand_rain == (HandRain(T0_MS, T0_MS + HOUR_MS, 4.0),)


def test_a_day_closed_ends_with_its_day_and_a_cost_has_its_sum() -> None:
    """A day is the site's: closed in London in May, the day ends at 23:00 UTC."""
    found = facts(
        ("closed", 0, {"reason": "standing water"}), ("cost", 0, {"amount": 640, "what": "a contractor", "hours": 6})
    )
    midnight = datetime.datetime(2024, 5, 13, 23, tzinfo=datetime.UTC)
    assert found.closed == (Closed(T0_MS, round(midnight.timestamp() * 1000) - 1, "standing water"),)
    assert found.costs == (Cost(T0_MS, 640.0, "a contractor", 6.0, None),)
