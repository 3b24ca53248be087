"""The ways the weather may go, from the years before in a real store; expected rain is that written into them."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.advice.station_inputs import PAST_H, AdviceCache, demand_mm, weather_of
from pipeline.diary.station import StationContext
from pipeline.forecast.balance import PastHours
from pipeline.store import OBSERVATION_COLUMNS
from pipeline.units import Flag
from tests.pipeline.contexts import station_context
from tests.pipeline.kept_site import DAY_MS, HOUR_MS, NOW_MS, SITE, SURFACE, readings, sites, station, view_of
from tests.pipeline.store.keeping import keep


@pytest.fixture
def site(tmp_path):
    with sites(tmp_path) as made:
        yield made(SITE, SURFACE, station())


def weather(site, first_ms: int, days: int, rain_mm: float) -> None:
    """Fair days with rain between five and six in the morning of each."""
    times = [first_ms + h * HOUR_MS for h in range(24 * days)]
    hour = np.array([(t // HOUR_MS) % 24 for t in times])
    wave = np.sin((hour - 9) / 12 * np.pi)
    series = {
        "air_temperature": 14.0 + 5.0 * wave, "humidity": np.full(hour.size, 70.0),
        "sun": np.maximum(600.0 * np.sin((hour - 6) / 12 * np.pi), 0.0),
        "rain": np.where(hour == 6, rain_mm, 0.0),  # a reading at six tells of the hour before it
    }  # fmt: skip
    for name, values in series.items():
        count = len(times)
        columns = [[f"s1/w1/{name}"] * count, times, values, values, [int(Flag.GOOD)] * count, [1] * count, times]
        site.stores.store.upsert_observations(pd.DataFrame(dict(zip(OBSERVATION_COLUMNS, columns, strict=True))))


def asked(site):
    """Weather to come at the site's one station."""
    first_ms = NOW_MS // HOUR_MS * HOUR_MS - PAST_H * HOUR_MS
    blank = np.full(PAST_H + 1, np.nan)
    return weather_of(view_of(site), StationContext.from_config(site.config, "s1"), PastHours(first_ms, *[blank] * 4))


def heard(site, middle_ms: int, days: int, rain_mm: float) -> None:
    """Fair days about a moment, in a store that was first read 400 days ago."""
    weather(site, (middle_ms - days // 2 * DAY_MS) // DAY_MS * DAY_MS, days, rain_mm)
    keep(site.stores.store, readings(lambda hour: {"w1/rain": 0.0}, 1, until_ms=NOW_MS - 400 * DAY_MS), NOW_MS)


def test_weather_of_this_season_in_years_before_may_come_again(site):
    """Seventy days about this date last year with 2.4 mm each morning: each way the weather may go has them."""
    heard(site, NOW_MS - 365 * DAY_MS, 70, 2.4)
    found, notes = asked(site)
    assert found is not None and found.source == "past" and notes == ()
    assert found.rain_within(24) == pytest.approx(2.4)
    assert found.rain_mm.sum(axis=0) == pytest.approx(24.0)
    fallen = np.flatnonzero(found.rain_mm[:24, 0])
    assert [(found.first_ms // HOUR_MS + int(h)) % 24 for h in fallen] == [5]
    assert (found.reference_et_mm.sum(axis=0) > 10.0).all()  # fair days of May ask for some 3 mm each


def test_other_seasons_do_not_speak(site):
    """Days of half a year ago are no weather of this season, and without a climate nothing is said."""
    heard(site, NOW_MS - 200 * DAY_MS, 70, 9.0)
    assert asked(site)[0] is None


def test_without_a_place_there_is_no_demand(site):
    """No latitude: neither the air's demand nor weather to come."""
    context = StationContext.from_config(site.config, "s1")
    bare = station_context(context.station, context.channels)
    assert np.isnan(demand_mm(bare, {}, NOW_MS // HOUR_MS * HOUR_MS, 24)).all()
    assert weather_of(view_of(site), bare, PastHours(0, *[np.full(3, np.nan)] * 4)) == (None, ())


def test_a_season_of_an_earlier_year_is_read_once_a_week(site, monkeypatch):
    """Over fourteen days last year's weather is read three times at most, with the members of a fresh look each day."""
    heard(site, NOW_MS - 365 * DAY_MS, 90, 2.4)
    store, old, cache = site.stores.store, [], AdviceCache()
    read = store.observations
    monkeypatch.setattr(
        store, "observations", lambda c, a, b: (old.append(a < NOW_MS - 300 * DAY_MS), read(c, a, b))[1]
    )
    context = StationContext.from_config(site.config, "s1")
    blank = np.full(PAST_H + 1, np.nan)
    for day in range(14):
        now_ms = NOW_MS + day * DAY_MS
        past = PastHours(now_ms // HOUR_MS * HOUR_MS - PAST_H * HOUR_MS, *[blank] * 4)
        stands, fresh = (
            weather_of(replace(view_of(site, now_ms), cache=one), context, past)[0] for one in (cache, AdviceCache())
        )
        assert stands.rain_mm.tobytes() == fresh.rain_mm.tobytes()
        assert stands.reference_et_mm.tobytes() == fresh.reference_et_mm.tobytes()
    assert sum(old) - 14 <= 3  # the fresh looks read it each day
