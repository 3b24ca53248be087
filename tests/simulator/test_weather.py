"""Drawn weather keeps its climate's means, its seed's bytes and the bounds of nature."""

from dataclasses import fields, replace
from datetime import UTC, datetime

import numpy as np
import pytest

from simulator.climates import CLIMATES
from simulator.reference_et import saturation_vapour_pressure_kpa
from simulator.weather import Weather, generate, recorded, warmer, with_storm, without_rain

START = datetime(2025, 1, 1, tzinfo=UTC)


def same(one: Weather, other: Weather) -> bool:
    """Whether two weathers are the same to the last bit."""
    return all(np.array_equal(getattr(one, field.name), getattr(other, field.name)) for field in fields(Weather))


@pytest.fixture(scope="module")
def ten_years():
    return {name: generate(CLIMATES[name], START, 3652, seed=11) for name in CLIMATES}


@pytest.mark.parametrize("name", sorted(CLIMATES))
def test_long_run_keeps_the_monthly_means(name, ten_years):
    """Over ten years rain, rain days and temperature come to the sums of the climate's own table.

    15 % in rain: gamma amounts of coefficient of variation near 1.2 over a thousand rain days give 4 %, times 3.
    """
    weather, wanted = ten_years[name], CLIMATES[name]
    daily = weather.rain_mm.reshape(-1, 24).sum(axis=1)
    assert daily.sum() / 10.0 == pytest.approx(sum(wanted.rain_mm), rel=0.15)
    # a storm over midnight makes two rain days of one, so a little more
    assert (daily >= 0.2).sum() / 10.0 == pytest.approx(sum(wanted.wet_days), rel=0.15)
    mean = (np.mean(wanted.highest_degc) + np.mean(wanted.lowest_degc)) / 2.0
    assert weather.temperature_degc.mean() == pytest.approx(mean, abs=0.8)


@pytest.mark.parametrize("name", sorted(CLIMATES))
def test_nothing_leaves_the_bounds_of_nature(name, ten_years):
    """No negative rain or sun, no air above saturation, no rate beyond a cloudburst, and sun only by day."""
    weather = ten_years[name]
    assert (weather.rain_mm >= 0.0).all()
    assert weather.rain_mm.max() < 120.0
    assert (weather.vapour_pressure_kpa <= saturation_vapour_pressure_kpa(weather.temperature_degc) + 1e-12).all()
    assert weather.solar_w_m2.min() == 0.0
    assert 600.0 < weather.solar_w_m2.max() < 1100.0
    midnight = weather.solar_w_m2.reshape(-1, 24)[:, 0]
    assert (midnight == 0.0).all()


def test_rain_comes_in_storms_of_realistic_intensity(ten_years):
    """Most wet hours are gentle and a few are not: median under 2 mm/h, the heaviest of ten years above 15 mm/h."""
    rain = ten_years["mild maritime"].rain_mm
    wet = rain[rain > 0.05]
    assert np.median(wet) < 2.0
    assert wet.max() > 15.0
    assert 0.03 < wet.size / rain.size < 0.20  # it rains in some 5-15 % of hours in such a climate: common knowledge


def test_wet_days_come_in_runs(ten_years):
    """Rain follows rain more often than it follows a dry day (Richardson 1981)."""
    wet = ten_years["mild maritime"].rain_mm.reshape(-1, 24).sum(axis=1) >= 0.2
    assert wet[1:][wet[:-1]].mean() > wet[1:][~wet[:-1]].mean() + 0.15


def test_reference_demand_has_the_size_of_its_climate(ten_years):
    """A year's reference evapotranspiration: mild maritime 500-750 mm, semi-arid 1200-1700 mm (common knowledge)."""
    assert 500.0 < ten_years["mild maritime"].reference_et_mm.sum() / 10.0 < 750.0
    assert 1200.0 < ten_years["semi-arid"].reference_et_mm.sum() / 10.0 < 1700.0


def test_same_seed_gives_the_same_bytes_and_another_seed_does_not():
    """Two draws from one seed are equal to the last bit."""
    one = generate(CLIMATES["continental"], START, 60, seed=5)
    assert same(one, generate(CLIMATES["continental"], START, 60, seed=5))
    assert one.rain_mm.tobytes() != generate(CLIMATES["continental"], START, 60, seed=6).rain_mm.tobytes()


def test_quarter_hours_add_up_to_the_same_hours():
    """A finer step shows the same storms: four quarters make the hour (rain exactly, by construction of its sums)."""
    coarse = generate(CLIMATES["warm humid"], START, 90, seed=2)
    fine = generate(CLIMATES["warm humid"], START, 90, seed=2, step_s=900)
    assert fine.rain_mm.reshape(-1, 4).sum(axis=1) == pytest.approx(coarse.rain_mm, abs=1e-9)
    assert 4.0 * fine.rain_mm.max() > coarse.rain_mm.max()


def test_edits_change_their_span_only():
    """A dry spell, a storm and a frost each change what they say and nothing outside."""
    weather = generate(CLIMATES["mild maritime"], START, 60, seed=1)
    dry = without_rain(weather, 10, 30)
    assert dry.rain_mm[240:720].sum() == 0.0
    assert np.array_equal(dry.rain_mm[720:], weather.rain_mm[720:])
    storm = with_storm(dry, 20.5, 12.0, 2.0)
    assert storm.rain_mm.sum() == pytest.approx(dry.rain_mm.sum() + 12.0)
    assert storm.rain_mm[492:494] == pytest.approx(6.0)
    cold = warmer(weather, 5, 6, -12.0)
    assert np.array_equal(cold.temperature_degc[:120], weather.temperature_degc[:120])
    assert cold.temperature_degc[120:144] == pytest.approx(weather.temperature_degc[120:144] - 12.0)
    assert cold.reference_et_mm[120:144].sum() < weather.reference_et_mm[120:144].sum()


def test_storm_outside_the_weather_is_refused():
    """A storm after the end names its day."""
    with pytest.raises(ValueError, match="storm on day 70"):
        with_storm(generate(CLIMATES["continental"], START, 60, seed=1), 70.0, 5.0, 1.0)


def test_record_with_a_gap_is_refused():
    """A recorded series must have no gaps: the series and the count of gaps are named."""
    weather = generate(CLIMATES["continental"], START, 2, seed=1)
    holed = weather.wind_m_s.copy()
    holed[3] = np.nan
    with pytest.raises(ValueError, match=r"wind_m_s: found shape .* with 1 gaps"):
        recorded(
            START, 3600, rain_mm=weather.rain_mm, temperature_degc=weather.temperature_degc, wind_m_s=holed,
            vapour_pressure_kpa=weather.vapour_pressure_kpa, solar_w_m2=weather.solar_w_m2,
            latitude_deg=45.0, elevation_m=0.0,
        )  # fmt: skip


def test_record_gives_back_what_it_was_given():
    """Handed over as a record, drawn weather is itself again, demand and all."""
    weather = generate(CLIMATES["semi-arid"], START, 30, seed=9)
    again = recorded(
        START, 3600, rain_mm=weather.rain_mm, temperature_degc=weather.temperature_degc, wind_m_s=weather.wind_m_s,
        vapour_pressure_kpa=weather.vapour_pressure_kpa, solar_w_m2=weather.solar_w_m2,
        latitude_deg=weather.latitude_deg, elevation_m=weather.elevation_m, longitude_deg=weather.longitude_deg,
    )  # fmt: skip
    assert same(weather, again)


def test_step_that_does_not_divide_an_hour_is_refused():
    """Seven minutes do not fill an hour."""
    with pytest.raises(ValueError, match="step_s: found 420"):
        generate(CLIMATES["continental"], START, 2, seed=1, step_s=420)


def test_start_must_be_a_midnight_in_utc():
    """A start at noon is refused with what was found."""
    with pytest.raises(ValueError, match="found 2025-01-01T12:00:00"):
        generate(CLIMATES["continental"], START.replace(hour=12), 2, seed=1)


def test_relative_humidity_is_vapour_over_saturation():
    """Humidity in percent never passes 100 and is 100 where vapour is at saturation (algebra)."""
    weather = generate(CLIMATES["mild maritime"], START, 5, seed=3)
    soaked = replace(weather, vapour_pressure_kpa=saturation_vapour_pressure_kpa(weather.temperature_degc))
    assert soaked.relative_humidity_percent == pytest.approx(100.0)
    assert weather.relative_humidity_percent.max() <= 100.0
