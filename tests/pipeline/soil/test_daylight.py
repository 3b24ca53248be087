"""Sunrise and sunset as numbers."""

from datetime import date

import numpy as np
import pytest

from pipeline.soil import radiation as daylight

HOUR_MS = 3_600_000.0


def utc_ms(text):
    return np.datetime64(text, "ms").astype(np.int64)


def test_almanac_times_at_greenwich():
    """21 June 2024 at Greenwich: sunrise 03:43, sunset 20:21 UTC (almanac, to the minute)."""
    rise, fall = daylight.sunrise_sunset_ms(51.4779, 0.0, date(2024, 6, 21), 1)
    assert rise[0] == pytest.approx(utc_ms("2024-06-21T03:43"), abs=90_000)  # the almanac rounds to a minute
    assert fall[0] == pytest.approx(utc_ms("2024-06-21T20:21"), abs=90_000)


@pytest.mark.parametrize("longitude", [-175.0, -120.0, 0.0, 75.0, 150.0, 175.0])
def test_sunset_follows_its_sunrise_all_round_the_globe(longitude):
    """Near an equinox the sun is up some twelve hours, and days follow one another by twenty-four."""
    rise, fall = daylight.sunrise_sunset_ms(-33.0, longitude, date(2024, 3, 18), 5)
    assert (fall - rise) / HOUR_MS == pytest.approx(np.full(5, 12.15), abs=0.2)
    assert np.diff(rise) / HOUR_MS == pytest.approx(np.full(4, 24.0), abs=0.05)


def test_polar_day_has_no_sunset():
    """Where the sun does not set there is no time to give."""
    rise, fall = daylight.sunrise_sunset_ms(75.0, 20.0, date(2024, 6, 21), 2)
    assert np.isnan(rise).all()
    assert np.isnan(fall).all()
