"""The sun, radiation above the air and at the ground, held against the printed examples of FAO-56."""

from datetime import date

import numpy as np
import pytest

from pipeline.soil import radiation
from pipeline.soil.radiation import Location


def test_fao56_example_19_net_radiation_of_an_hour():
    """N'Diaye, 14 to 15 h: Rso 2.6581, Rnl 0.13728, Rn 1.74922 (recomputed independently)."""
    clear = radiation.clear_sky_shortwave(3.5434, 8.0)
    long = radiation.net_longwave_hourly(38.0, 3.4449, 2.450 / clear)
    assert clear == pytest.approx(2.6581, abs=1e-4)
    assert long == pytest.approx(0.13728, abs=2e-5)
    assert radiation.net_shortwave(2.450) - long == pytest.approx(1.74922, abs=2e-5)


def test_cloudiness_of_the_evening_serves_the_night():
    """Rs/Rso is carried from the last high sun, held to 0.3 to 1, and unknown before the first."""
    clear = [0.0, 2.0, 2.0, 1.0, 0.0, 0.0, 2.0]
    short = [0.0, 3.0, 0.1, 0.9, 0.0, 0.0, np.nan]
    height = [-0.2, 0.8, 0.7, 0.1, -0.3, -0.6, 0.5]
    found = radiation.relative_shortwave(short, clear, height)
    np.testing.assert_allclose(found, [np.nan, 1.0, 0.3, 0.3, 0.3, 0.3, np.nan])


def test_energy_of_a_mean_flux():
    """100 W/m2 for a day is 8.64 MJ/m2 (algebra)."""
    assert radiation.energy_mj_m2(100.0, 86400.0) == pytest.approx(8.64)


def test_fao56_example_8_steps_to_the_printed_digits():
    """3 September at 20 S: distance 0.985, declination 0.120, sunset angle 1.527, Ra 32.2 (FAO-56 example 8)."""
    day = 246
    assert radiation.inverse_relative_distance(day) == pytest.approx(0.985, abs=0.0005)
    assert radiation.solar_declination_rad(day) == pytest.approx(0.120, abs=0.0005)
    assert radiation.sunset_hour_angle_rad(-0.35, 0.120) == pytest.approx(1.527, abs=0.0005)
    assert radiation.extraterrestrial_radiation_daily(-20.0, day) == pytest.approx(32.2, abs=0.05)


@pytest.mark.parametrize(
    ("latitude_deg", "day", "above"),
    [
        (13 + 44 / 60, 105, 38.06),  # example 17, Bangkok, 15 April
        (50 + 48 / 60, 187, 41.0884),  # example 18, Uccle, 6 July
        (45 + 43 / 60, 196, 40.555),  # example 20, Lyon, 15 July
    ],
)
def test_extraterrestrial_radiation_of_the_examples(latitude_deg, day, above):
    """Ra of examples 17, 18 and 20, recomputed independently to more digits than FAO-56 prints."""
    # Two more digits depend on how the latitude was rounded: 0.01 is far below the printed 0.1.
    assert radiation.extraterrestrial_radiation_daily(latitude_deg, day) == pytest.approx(above, abs=0.01)


def test_fao56_example_19_hour():
    """N'Diaye, 1 October, 14 to 15 h: Sc 0.18894 h, angle 0.68215, Ra 3.5434 (recomputed independently)."""
    day, latitude = 274, 16 + 13 / 60
    assert radiation.seasonal_correction_h(day) == pytest.approx(0.18894, abs=1e-5)
    angle = radiation.solar_hour_angle_rad(15.5, -16.25, day)  # 14.5 h in a zone one hour west of Greenwich
    assert angle == pytest.approx(0.68215, abs=1e-5)
    assert radiation.extraterrestrial_radiation_hourly(angle, latitude, day) == pytest.approx(3.5434, abs=1e-4)


def test_hours_add_up_to_the_day():
    """The 24 hours of Ra sum to Ra of the day, sunrise and sunset hours cut (algebra)."""
    for latitude in (-50.0, 0.0, 16.2, 51.0):
        for day in (1, 80, 172, 300):
            angle = radiation.solar_hour_angle_rad(np.arange(24) + 0.5, 0.0, day)
            total = radiation.extraterrestrial_radiation_hourly(angle, latitude, day).sum()
            # The equation of time shifts hours off the symmetric grid; at 0.82/pi per rad the sum still closes.
            assert total == pytest.approx(radiation.extraterrestrial_radiation_daily(latitude, day), rel=1e-9)


def test_polar_day_and_night():
    """At 80 N the June sun never sets and the December sun never rises."""
    angle = radiation.sunset_hour_angle_rad(np.radians(80.0), radiation.solar_declination_rad([172, 355]))
    assert angle == pytest.approx([np.pi, 0.0])
    assert radiation.extraterrestrial_radiation_daily(80.0, 355) == pytest.approx(0.0, abs=1e-9)


def test_sun_stands_highest_at_noon():
    """At an equinox the noon sun stands at 90 deg less the latitude, within half a degree (FAO-56 rounds)."""
    elevation = radiation.solar_elevation_rad(0.0, 51.0, 81)
    assert np.degrees(elevation) == pytest.approx(39.0, abs=0.5)
    assert radiation.solar_elevation_rad(np.pi, 51.0, 81) < 0.0


def utc_ms(text):
    return np.datetime64(text, "ms").astype(np.int64)


def test_almanac_times_at_greenwich():
    """21 June 2024 at Greenwich: sunrise 03:43, sunset 20:21 UTC (almanac, to the minute)."""
    rise, fall = radiation.sunrise_sunset_ms(51.4779, 0.0, date(2024, 6, 21), 1)
    assert rise[0] == pytest.approx(utc_ms("2024-06-21T03:43"), abs=90_000)  # the almanac rounds to a minute
    assert fall[0] == pytest.approx(utc_ms("2024-06-21T20:21"), abs=90_000)


@pytest.mark.parametrize("longitude", [-175.0, -120.0, 0.0, 75.0, 150.0, 175.0])
def test_sunset_follows_its_sunrise_all_round_the_globe(longitude):
    """Near an equinox the sun is up some twelve hours, and days follow one another by twenty-four."""
    rise, fall = radiation.sunrise_sunset_ms(-33.0, longitude, date(2024, 3, 18), 5)
    assert (fall - rise) / 3_600_000.0 == pytest.approx(np.full(5, 12.15), abs=0.2)
    assert np.diff(rise) / 3_600_000.0 == pytest.approx(np.full(4, 24.0), abs=0.05)


def test_polar_day_has_no_sunset():
    """Where the sun does not set there is no time to give."""
    rise, fall = radiation.sunrise_sunset_ms(75.0, 20.0, date(2024, 6, 21), 2)
    assert np.isnan(rise).all()
    assert np.isnan(fall).all()


def test_day_of_year_counts_leap_days():
    """1 March is day 61 of a leap year and 60 of another (calendar)."""
    assert radiation.day_of_year([utc_ms("2032-03-01"), utc_ms("2031-03-01")]) == pytest.approx([61.0, 60.0])


def test_date_of_an_hour_is_that_of_the_sun():
    """At 150 E the first hour of 1 March by the sun, 14 h UTC of 29 February, has the sun of day 61 (calendar)."""
    day, above, elevation = radiation.sun_of_hours(int(utc_ms("2032-02-29T13:00")), 2, place=Location(-33.0, 150.0))
    assert day == pytest.approx([60.0, 61.0])
    assert (above == 0.0).all() and (elevation < 0.0).all()
