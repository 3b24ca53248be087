"""Radiation at the ground, held against the printed examples of FAO-56."""

import numpy as np
import pytest

from pipeline.soil import humidity, radiation
from pipeline.soil import radiation as sun


def test_fao56_example_10_sunshine():
    """15 May at 22.9 S with 7.1 h of sun: 14.5 MJ/m2 (FAO-56 example 10)."""
    above, longest = sun.extraterrestrial_radiation_daily(-22.9, 135), sun.daylight_hours(-22.9, 135)
    assert radiation.shortwave_from_sunshine(7.1, longest, above) == pytest.approx(14.5, abs=0.05)


def test_fao56_example_11_longwave():
    """Rs 14.5, Rso 18.8, 25.1 and 19 degC, 2.1 kPa: 3.5 MJ/m2 lost (FAO-56 example 11)."""
    assert radiation.net_longwave_daily(25.1, 19.0, 2.1, 14.5 / 18.8) == pytest.approx(3.5, abs=0.05)


def test_fao56_example_17_shortwave():
    """Bangkok, April, 8.5 h of sun: N 12.31 h, Rs 22.65 MJ/m2 (FAO-56 example 17, recomputed)."""
    above, longest = sun.extraterrestrial_radiation_daily(13 + 44 / 60, 105), sun.daylight_hours(13 + 44 / 60, 105)
    assert longest == pytest.approx(12.31, abs=0.005)
    assert radiation.shortwave_from_sunshine(8.5, longest, above) == pytest.approx(22.65, abs=0.01)


def test_fao56_example_18_net_radiation():
    """Uccle, 6 July: Rso 30.8985, Rnl 3.71124, Rn 13.28266 (a public R package's test of the example)."""
    latitude, day = 50 + 48 / 60, 187
    above = sun.extraterrestrial_radiation_daily(latitude, day)
    clear = radiation.clear_sky_shortwave(above, 100.0)
    short = radiation.shortwave_from_sunshine(9.25, sun.daylight_hours(latitude, day), above)
    long = radiation.net_longwave_daily(21.5, 12.3, 1.408624, short / clear)
    assert clear == pytest.approx(30.8985, abs=0.002)  # the package turns degrees at fewer digits
    assert long == pytest.approx(3.71124, abs=0.002)  # and takes the zero of temperature as 273.15
    assert radiation.net_shortwave(short) - long == pytest.approx(13.28266, abs=0.003)


def test_fao56_example_19_net_radiation_of_an_hour():
    """N'Diaye, 14 to 15 h: Rso 2.6581, Rnl 0.13728, Rn 1.74922 (recomputed independently)."""
    clear = radiation.clear_sky_shortwave(3.5434, 8.0)
    long = radiation.net_longwave_hourly(38.0, 3.4449, 2.450 / clear)
    assert clear == pytest.approx(2.6581, abs=1e-4)
    assert long == pytest.approx(0.13728, abs=2e-5)
    assert radiation.net_shortwave(2.450) - long == pytest.approx(1.74922, abs=2e-5)


def test_fao56_example_20_shortwave_from_temperature():
    """Lyon, July: 0.16 sqrt(11.8) Ra = 22.290 (a public R package's help, example 20)."""
    above = sun.extraterrestrial_radiation_daily(45 + 43 / 60, 196)
    assert radiation.shortwave_from_temperature(26.6, 14.8, above) == pytest.approx(22.290, abs=0.006)
    assert np.isnan(radiation.shortwave_from_temperature(14.0, 15.0, above))
    assert radiation.shortwave_from_temperature(60.0, 0.0, above) <= above


def test_humid_clear_sky_of_the_check_day():
    """Fallon, 1 July 2015: 31.57 MJ/m2 under a clear sky (refet, RefET method, from a slightly larger Ra)."""
    pressure = humidity.air_pressure_kpa(1208.5)
    height = sun.midday_weighted_elevation_rad(39.4575, 182)
    found = radiation.clear_sky_shortwave_humid(41.67610845, 1.2206674, pressure, height)
    assert found == pytest.approx(31.56593944, abs=0.01)  # its air pressure is 0.012 kPa higher


def test_humid_clear_sky_is_finite_with_the_sun_down():
    """Below the horizon there is no radiation and no fault."""
    assert radiation.clear_sky_shortwave_humid(0.0, 1.0, 101.0, -0.5) == 0.0


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
