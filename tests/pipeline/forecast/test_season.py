"""What is usual at a site, from its own past in a real store and from its climate.

Expected values are read off made-up days, or come from the normal curve's tables.
"""

import datetime

import numpy as np
import pandas as pd
import pytest

from pipeline.forecast.climatology import HISTORY_DAYS, season
from pipeline.site.ground import MonthlyClimate
from pipeline.store import OBSERVATION_COLUMNS
from pipeline.store.database import Database
from pipeline.store.series import SqlStore
from pipeline.units import Flag

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
EPOCH = datetime.date(1970, 1, 1)
TODAY = datetime.date(2024, 10, 20)
NOW_MS = (TODAY - EPOCH).days * DAY_MS + 10 * HOUR_MS
AIR, LEAF = "s1/w1/air_temperature", "s1/w1/surface_temperature"
EVEN = MonthlyClimate(rain_mm=(50.0,) * 12, wet_days=(10.0,) * 12, highest_degc=(14.0,) * 12, lowest_degc=(6.0,) * 12)


@pytest.fixture
def store(tmp_path):
    database = Database(tmp_path / "a.db")
    opened = SqlStore(database)
    yield opened
    opened.close()
    database.close()


def observe(store, channel: str, days: list[datetime.date], lows: list[float], highs: list[float], hours: int = 24):
    """Half of each day at its low, half at its high; so many hours of it."""
    rows = [
        ((day - EPOCH).days * DAY_MS + h * HOUR_MS, low if h % 2 else high)
        for day, low, high in zip(days, lows, highs, strict=True)
        for h in range(hours)
    ]
    times, values = [t for t, _ in rows], [v for _, v in rows]
    count = len(rows)
    columns = [[channel] * count, times, values, values, [int(Flag.GOOD)] * count, [1] * count, times]
    store.upsert_observations(pd.DataFrame(dict(zip(OBSERVATION_COLUMNS, columns, strict=True))))


def last_days(count: int, until: datetime.date = TODAY) -> list[datetime.date]:
    return [until - datetime.timedelta(days=n) for n in range(count, 0, -1)]


def test_days_that_have_been_are_their_means(store):
    """Yesterday is the last; a day of which half was heard does not count, today is not over."""
    days = last_days(10)
    observe(store, AIR, days, [4.0] * 10, [10.0] * 10)
    observe(store, AIR, [TODAY], [0.0], [0.0], hours=10)
    observe(store, AIR, [TODAY - datetime.timedelta(days=11)], [0.0], [0.0], hours=12)
    found = season(store, NOW_MS, air=AIR, leaf=None, climate=EVEN, frost_degc=0.5)
    assert found.first_day + datetime.timedelta(days=HISTORY_DAYS) == TODAY
    assert found.daily_degc[-10:] == pytest.approx(7.0)
    assert np.isnan(found.daily_degc[:-10]).all()


def test_climate_of_the_settings_stands_where_the_past_is_short(store):
    """Ten days are no climate: the months' middle of 14 and 6 is usual all the year."""
    observe(store, AIR, last_days(10), [20.0] * 10, [30.0] * 10)
    found = season(store, NOW_MS, air=AIR, leaf=None, climate=EVEN, frost_degc=0.5)
    assert found.usual_degc(TODAY) == pytest.approx(10.0)
    # Phi((0.5 - (6 - 1.5)) / 3.5) = Phi(-1.143) = 0.127
    assert found.frost_chance.values == pytest.approx(0.127, abs=1e-3)
    assert found.frost_chance.first_day_ms == (TODAY - EPOCH).days * DAY_MS


def test_two_years_of_the_sites_own_past_stand_in_place_of_it(store):
    """Three autumns at a mean of 5 with every third leaf frozen: that is what is usual now."""
    days = [d for year in (2021, 2022, 2023) for d in last_days(21, datetime.date(year, 10, 31))]
    observe(store, AIR, days, [2.0] * len(days), [8.0] * len(days))
    leaf = [-2.0 if n % 3 == 0 else 3.0 for n in range(len(days))]
    observe(store, LEAF, days, leaf, [6.0] * len(days))
    found = season(store, NOW_MS, air=AIR, leaf=LEAF, climate=EVEN, frost_degc=0.5)
    assert found.usual_degc(TODAY) == pytest.approx(5.0)
    assert found.frost_chance.values[0] == pytest.approx(1.0 / 3.0)
    assert found.usual_degc(datetime.date(2024, 6, 1)) == pytest.approx(10.0)  # no June is known here


def test_leaf_is_taken_three_degrees_under_the_screen_where_none_is_measured(store):
    """Air down to 3 is a leaf at 0, a frost; air down to 4 a leaf at 1, none."""
    days = [d for year in (2021, 2022, 2023) for d in last_days(21, datetime.date(year, 10, 31))]
    observe(store, AIR, days, [3.0 if n % 2 else 4.0 for n in range(len(days))], [9.0] * len(days))
    found = season(store, NOW_MS, air=AIR, leaf=None, climate=None, frost_degc=0.5)
    assert found.frost_chance.values[0] == pytest.approx(31 / 63)  # odd ones of 63 nights


def test_nothing_is_usual_where_nobody_knows(store):
    """Neither past nor climate: not known, and no first frost."""
    found = season(store, NOW_MS, air=None, leaf=None, climate=None, frost_degc=0.5)
    assert np.isnan(found.climate.mean_degc).all() and np.isnan(found.frost_chance.values).all()
    assert np.isnan(found.daily_degc).all() and found.first_frost_ms is None


def test_first_frost_is_that_of_the_coming_autumn_or_of_the_winter_that_is_on(store):
    """Warm to October and frosty from November: in summer it lies ahead, at midwinter it has been."""
    months = (4.0, 4.0, 6.0, 10.0, 14.0, 18.0, 20.0, 20.0, 17.0, 13.0, 2.0, 1.0)
    year = EVEN.model_copy(
        update={"highest_degc": tuple(m + 4.0 for m in months), "lowest_degc": tuple(m - 1.0 for m in months)}
    )

    def frost(day: datetime.date) -> datetime.date:
        found = season(
            store, (day - EPOCH).days * DAY_MS, air=None, leaf=None, climate=year, frost_degc=0.5
        ).first_frost_ms
        assert found is not None
        return EPOCH + datetime.timedelta(days=found // DAY_MS)

    ahead = frost(datetime.date(2024, 7, 1))
    assert datetime.date(2024, 10, 10) < ahead < datetime.date(2024, 11, 15)
    assert frost(datetime.date(2024, 12, 31)) == ahead
    assert frost(datetime.date(2025, 1, 20)) == ahead
    assert frost(datetime.date(2025, 5, 1)).year == 2025
