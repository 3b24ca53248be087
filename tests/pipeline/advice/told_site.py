"""What the tests of the advisor share: constants, fixtures of a calendar, and files as the server reads them."""

import datetime
import math
from zoneinfo import ZoneInfo

import pandas as pd

from pipeline.advice.conditions import Verdict
from pipeline.advice.station_hours import hours_of
from pipeline.advice.station_inputs import stations_with_moisture, surface_views
from pipeline.diary.fixtures import Fixture, fixture_source
from pipeline.forecast.weather_file import weather_source
from pipeline.run.cached_fetch import Kept
from pipeline.soil.radiation import Location
from pipeline.store import FINDING_COLUMNS
from tests.pipeline.hand import HandClock
from tests.pipeline.kept_site import (
    HOUR_MS,
    NOW_MS,
    view_of,
)

OPEN, WAIT, CLOSED, UNKNOWN = Verdict
MONTHS_OF_15 = """
[climate]
rain_mm = [60, 45, 45, 45, 50, 50, 50, 60, 55, 70, 65, 65]
wet_days = [12, 10, 10, 10, 9, 9, 8, 9, 9, 11, 12, 12]
highest_degc = [15, 15, 15, 15, 15, 15, 15, 15, 15, 15, 15, 15]
lowest_degc = [15, 15, 15, 15, 15, 15, 15, 15, 15, 15, 15, 15]
"""
CORE = "[[surface.station.core]]\ndate = 2024-01-10\nthatch_mm = 20.0\n"
GROWTH_AT_15 = 5.5 / math.sqrt(5.5**2 + 2.5**2) * math.exp(-(5.0**2) / (2.0 * (5.5**2 + 2.5**2)))  # 0.646


def fixture(title: str, start_ms: int, hours: float = 6.0) -> Fixture:
    return Fixture(title, title, "", start_ms, start_ms + round(hours * HOUR_MS))


def calendar(*starts_ms: int, title: str = "match") -> Kept:
    return Kept(tuple(fixture(title, t) for t in starts_ms), NOW_MS)


def noon_ms(year: int, month: int, day: int, hour: int = 12) -> int:
    return round(datetime.datetime(year, month, day, hour, tzinfo=datetime.UTC).timestamp() * 1000)


def hours(site, now_ms: int = NOW_MS):
    """Hours of the first station, and the index of the hour that is on."""
    view = view_of(site, now_ms)
    stations = stations_with_moisture(view, site.config.surfaces[0].stations)
    one = surface_views(view, stations, {s.name: s.title for s in stations})[0]
    return hours_of(view, one), 168, one


def read_forecast(csv: bytes, site, folder: str = "forecast.csv", now_ms: int = NOW_MS) -> Kept:
    """A forecast as the server reads it, from a file."""
    path = site.config.data.dir / folder
    path.write_bytes(csv)
    place = Location(52.0, 0.0)
    return weather_source(str(path), site.config.data.dir / "kept", clock=HandClock(now_ms), place=place).refresh()


def read_fixtures(site, path) -> Kept:
    return fixture_source(
        str(path), site.config.data.dir / "kept", timezone=ZoneInfo("UTC"), clock=HandClock(NOW_MS)
    ).refresh()


def find(site, quantity: str, rows: list[tuple[int, int, float, str]], station_name: str = "s1") -> None:
    """Keep findings as the stages would: start, end, value, reason."""
    table = [(station_name, quantity, a, b, v, v, v, 1, why, 1) for a, b, v, why in rows]
    site.stores.store.upsert_findings(pd.DataFrame(table, columns=list(FINDING_COLUMNS)))
