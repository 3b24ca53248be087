"""Temperatures to come where no forecast says them; expected values by algebra and by the normal curve's tables."""

import datetime

import numpy as np
import pytest

from pipeline.forecast.climatology import air_ahead, by_hour_of_day, first_frost, frost_chances, soil_ahead

HOUR_MS = 3_600_000
FIRST_MS = 1_715_558_400_000  # 2024-05-13 00:00 UTC
WEEK = np.arange(168)
NAN = float("nan")


def daily_wave(hours, mean=12.0, size=4.0):
    return mean + size * np.sin(2 * np.pi * (np.asarray(hours) % 24) / 24)


def ahead_ms(hours):
    return FIRST_MS + HOUR_MS * (168 + np.arange(hours))


def test_hours_of_the_day_are_averaged_by_the_clock():
    """A wave comes back as itself, whatever hour the series begins at, and an hour never heard is not known."""
    values = daily_wave(WEEK + 5)
    values[WEEK % 24 == 3] = NAN  # at 8 o'clock, for the series begins at 5
    course = by_hour_of_day(values, FIRST_MS + 5 * HOUR_MS)
    known = np.arange(24) != 8
    assert course[known] == pytest.approx(daily_wave(np.arange(24))[known])
    assert np.isnan(course[8])


def test_air_goes_on_as_it_was_where_no_season_is_known():
    """Without a climate the last week's daily course goes on at the last days' level."""
    found = air_ahead(daily_wave(WEEK), FIRST_MS, ahead_ms(48), np.full(48, NAN))
    assert found == pytest.approx(daily_wave(np.arange(48)))


def test_air_goes_back_to_the_usual():
    """A departure of 6 K is 6/e after four days and gone after ten (6 exp(-2.5) = 0.49)."""
    found = air_ahead(daily_wave(WEEK, mean=18.0), FIRST_MS, ahead_ms(241), np.full(241, 12.0))
    departure = found - daily_wave(np.arange(241))
    assert departure[0] == pytest.approx(6.0)
    assert departure[96] == pytest.approx(6.0 / np.e)
    assert departure[240] == pytest.approx(0.4925, abs=1e-3)


def test_air_never_heard_is_not_known():
    """No air, no guess."""
    assert np.isnan(air_ahead(np.full(168, NAN), FIRST_MS, ahead_ms(24), np.full(24, 12.0))).all()


def test_soil_follows_a_change_of_the_air_slowly():
    """Two thirds of a step of the air's daily mean after about two days and the day of averaging; all of it later."""
    air = np.concatenate([np.full(168, 10.0), np.full(240, 16.0)])
    found = soil_ahead(np.full(168, 11.0), air, 240)  # soil 1 K above the air
    assert found[0] < 11.2
    # after h hours past the first day the rest of the step decays as exp(-h / 48)
    rest = 17.0 - found
    assert rest[100] / rest[52] == pytest.approx(np.exp(-1.0), rel=1e-6)
    assert found[-1] == pytest.approx(17.0, abs=0.1)


def test_soil_stays_unknown_without_a_thermometer_or_air():
    """Neither a soil never heard nor an air that ends is guessed at."""
    assert np.isnan(soil_ahead(np.full(168, NAN), np.full(200, 10.0), 32)).all()
    gone = np.concatenate([np.full(168, 10.0), np.full(100, NAN)])
    assert np.isnan(soil_ahead(np.full(168, 11.0), gone, 100)[30:]).all()


def test_frost_by_climate_is_read_off_the_normal_curve():
    """At a usual lowest air of 2.0 degC the leaf's mean is 0.5, so half the nights freeze; at 5.5 one in six."""
    days = [datetime.date(2024, 5, 1)] * 2
    found = frost_chances(days, [], [], [2.0, 5.5], 0.5)
    assert found == pytest.approx([0.5, 0.1587], abs=1e-3)  # Phi(0), Phi(-1)


def test_frost_by_the_sites_own_nights_is_counted():
    """With two years of nights near the date their share of frosts stands in place of the climate's."""
    past = [
        datetime.date(year, 5, 1) + datetime.timedelta(days=n) for year in (2021, 2022, 2023) for n in range(-10, 11)
    ]
    leaf = np.where(np.arange(len(past)) % 7 == 0, -1.0, 6.0)  # 9 of 63 nights
    found = frost_chances([datetime.date(2024, 5, 1), datetime.date(2024, 8, 1)], past, leaf, [NAN, NAN], 0.5)
    assert found[0] == pytest.approx(1.0 / 7.0)
    assert np.isnan(found[1])


def test_first_frost_is_when_one_is_as_likely_as_not():
    """With a chance of 1 in 10 a night half the autumns have had one after seven nights: 0.9^7 = 0.478."""
    days = [datetime.date(2024, 9, 1) + datetime.timedelta(days=n) for n in range(60)]
    assert first_frost(days, np.full(60, 0.1)) == days[6]
    assert first_frost(days, np.full(60, 0.001)) is None
    assert first_frost(days, np.full(60, NAN)) is None
