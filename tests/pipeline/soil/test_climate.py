"""Reference evapotranspiration, held against FAO-56, refet and a year of an independent program."""

import csv
from pathlib import Path

import numpy as np
import pytest
import refet

from pipeline.soil import climate, humidity, radiation
from pipeline.soil import radiation as sun

FALLON = Path(__file__).parents[2] / "data" / "agrimet_fallon_et_2015"
LATITUDE, LONGITUDE, ELEVATION = 39.4575, -118.77388, 1208.5
LANGLEY_MJ_M2 = 0.041868  # as used by refet


def celsius(fahrenheit):
    return (np.asarray(fahrenheit) - 32.0) / 1.8


def columns(name):
    with (FALLON / name).open() as lines:
        rows = list(csv.DictReader(lines))
    number = {key: np.array([float(row[key] or "nan") for row in rows]) for key in rows[0] if key != "date"}
    number["day_of_year"] = (
        np.array([row["date"] for row in rows], dtype="datetime64[D]") - np.datetime64("2015-01-01")
    ).astype(int) + 1
    return number


def test_fao56_example_17_month():
    """Bangkok, April: 5.72 mm/d (FAO-56 example 17)."""
    ra = sun.extraterrestrial_radiation_daily(13 + 44 / 60, 105)
    short = radiation.shortwave_from_sunshine(8.5, sun.daylight_hours(13 + 44 / 60, 105), ra)
    long = radiation.net_longwave_daily(34.8, 25.6, 2.85, short / radiation.clear_sky_shortwave(ra, 2.0))
    flux = climate.soil_heat_flux_monthly_mj_m2_d(30.2, 29.2)
    assert flux == pytest.approx(0.14)
    found = climate.penman_monteith_mm(
        30.2,
        humidity.mean_saturation_vapour_pressure_kpa(34.8, 25.6) - 2.85,
        radiation.net_shortwave(short) - long - flux,
        2.0,
        humidity.air_pressure_kpa(2.0),
    )
    assert found == pytest.approx(5.72, abs=0.005)


def test_fao56_example_18_day():
    """Uccle, 6 July: 3.9 mm/d, 3.88 to two digits (FAO-56 example 18, page 72)."""
    ea = humidity.vapour_pressure_kpa(21.5, 12.3, 84.0, 63.0)
    assert ea == pytest.approx(1.408624, abs=1e-5)  # a public R package's test of the example
    wind = climate.wind_at_2m_m_s(10.0 / 3.6, 10.0)
    assert wind == pytest.approx(2.078, abs=0.0015)  # printed; unrounded 2.0776 to 2.0793
    latitude, day = 50 + 48 / 60, 187
    above = sun.extraterrestrial_radiation_daily(latitude, day)
    short = radiation.shortwave_from_sunshine(9.25, sun.daylight_hours(latitude, day), above)
    found = climate.reference_et_daily_mm(
        21.5, 12.3, ea, short / 0.0864, wind, latitude_deg=latitude, elevation_m=100.0, day_of_year=day
    )
    assert found == pytest.approx(3.88, abs=0.005)
    assert found == pytest.approx(3.88058, abs=0.001)  # refet and another public program, computed independently


def test_fao56_example_19_hours():
    """N'Diaye, 1 October: 0.00 mm/h at night and 0.63 mm/h at 14 to 15 h (FAO-56 example 19)."""
    es = humidity.saturation_vapour_pressure_kpa([28.0, 38.0])
    ea = es * np.array([0.90, 0.52])
    assert (es[1], ea[1]) == pytest.approx((6.6248, 3.4449), abs=1e-4)  # recomputed independently
    ratio = np.array([0.8, 2.450 / 2.6581])
    solar = np.array([0.0, 2.450]) / 0.0036
    found = climate.reference_et_hourly_mm([28.0, 38.0], ea, solar, [1.9, 3.3], ratio, elevation_m=8.0)
    assert found == pytest.approx([0.00, 0.63], abs=0.005)
    assert found == pytest.approx([0.0043, 0.6269], abs=1e-4)  # recomputed independently


def test_asce_hour_is_another_sum():
    """The same hour by ASCE 2005 is 0.656 mm/h (refet 0.65605, independently 0.65601): not to be mixed."""
    ea = humidity.saturation_vapour_pressure_kpa(38.0) * 0.52
    found = climate.reference_et_hourly_asce_mm(38.0, ea, 2.450 / 0.0036, 3.3, 2.450 / 2.6581, elevation_m=8.0)
    assert found == pytest.approx(0.65601, abs=1e-4)


def test_fao56_example_20_temperature_only():
    """Lyon, July: 4.56 mm/d from temperature and wind, Hargreaves 5.0 (FAO-56 example 20)."""
    above = sun.extraterrestrial_radiation_daily(45 + 43 / 60, 196)
    short = radiation.shortwave_from_temperature(26.6, 14.8, above)
    ea = humidity.saturation_vapour_pressure_kpa(14.8)
    found = climate.reference_et_daily_mm(
        26.6, 14.8, ea, short / 0.0864, 2.0, latitude_deg=45 + 43 / 60, elevation_m=200.0, day_of_year=196
    )
    assert found == pytest.approx(4.56, abs=0.005)
    hargreaves = climate.hargreaves_et_daily_mm(26.6, 14.8, above)
    assert hargreaves == pytest.approx(5.0, abs=0.05)
    assert 5.031 <= hargreaves <= 5.035  # recomputed independently


def test_asce_check_day_short_and_tall():
    """Fallon, 1 July 2015: 7.942 mm short by the humid clear sky, 10.626 mm tall by the plain one (refet's tests)."""
    ea, pressure = 1.2206674, humidity.air_pressure_kpa(ELEVATION)
    wind = climate.wind_at_2m_m_s(4.80 * 0.44704, 3.0)
    assert wind == pytest.approx(1.976112, abs=1e-5)
    tmax, tmin, short = celsius(102.80), celsius(66.65), 674.07 * LANGLEY_MJ_M2
    above = sun.extraterrestrial_radiation_daily(LATITUDE, 182)
    humid = radiation.clear_sky_shortwave_humid(above, ea, pressure, sun.midday_weighted_elevation_rad(LATITUDE, 182))
    plain = radiation.clear_sky_shortwave(above, ELEVATION)
    lost = radiation.net_longwave_daily(tmax, tmin, ea, short / np.array([humid, plain]))
    energy = radiation.net_shortwave(short) - lost
    deficit = humidity.mean_saturation_vapour_pressure_kpa(tmax, tmin) - ea
    air = (0.5 * (tmax + tmin), deficit)
    grass = climate.penman_monteith_mm(*air, energy[0], wind, pressure)
    tall = climate.penman_monteith_mm(*air, energy[1], wind, pressure, numerator=1600.0, denominator=0.38)
    # refet takes unrounded sun constants and 273.15: 0.003 mm.
    assert (grass, tall) == pytest.approx((7.942232, 10.626088), abs=0.004)


def test_plain_clear_sky_agrees_with_refet():
    """The same day with the plain clear sky of FAO-56 eq. 37 agrees with refet run that way."""
    other = refet.Daily(
        tmin=celsius(66.65), tmax=celsius(102.80), ea=1.2206674, rs=674.07 * LANGLEY_MJ_M2, uz=4.80 * 0.44704,
        zw=3.0, elev=ELEVATION, lat=LATITUDE, doy=182, method="asce", rso_type="simple",
        input_units={"tmin": "C", "tmax": "C", "rs": "MJ m-2 d-1", "uz": "m s-1", "lat": "deg"},
    )  # fmt: skip
    found = climate.reference_et_daily_mm(
        celsius(102.80), celsius(66.65), 1.2206674, 674.07 * LANGLEY_MJ_M2 / 0.0864, 1.976112,
        latitude_deg=LATITUDE, elevation_m=ELEVATION, day_of_year=182,
    )  # fmt: skip
    assert found == pytest.approx(float(other.eto()[0]), abs=0.002)


def test_fallon_year_agrees_with_the_independent_program():
    """On 363 of 364 days of 2015 the printed figures differ by 0.01 mm/d at most; 22 April lacks wind."""
    data = columns("daily.csv")
    ea = humidity.saturation_vapour_pressure_kpa(celsius(data["dewpoint_degf"]))
    clear = radiation.clear_sky_shortwave_humid(
        sun.extraterrestrial_radiation_daily(LATITUDE, data["day_of_year"]),
        ea,
        humidity.air_pressure_kpa(ELEVATION),
        sun.midday_weighted_elevation_rad(LATITUDE, data["day_of_year"]),
    )
    found = climate.reference_et_daily_mm(
        celsius(data["temperature_max_degf"]),
        celsius(data["temperature_min_degf"]),
        ea,
        data["solar_langley"] * LANGLEY_MJ_M2 / 0.0864,
        climate.wind_at_2m_m_s(data["wind_3m_mph"] * 0.44704, 3.0),
        latitude_deg=LATITUDE,
        elevation_m=ELEVATION,
        day_of_year=data["day_of_year"],
        clear_sky_mj_m2=clear,
    )
    difference = found - data["eto_program_mm"]
    known = np.isfinite(difference)
    assert known.sum() == 364
    assert np.flatnonzero(~known).tolist() == [111]  # 22 April
    # The program prints two decimals, so ours are rounded before they are compared.
    printed = np.abs(np.round(found[known], 2) - data["eto_program_mm"][known])
    assert (printed < 0.0101).sum() >= 363
    assert np.abs(difference[known]).max() < 0.0115  # unrounded: 0.005 of it is the program's own rounding
    assert np.abs(difference[known].mean()) < 0.001


def test_fallon_july_hours_agree_with_the_independent_program():
    """Of 336 hours in July 2015, 9 in 10 are within 0.011 mm/h of the program's ASCE hours; the sum within 1 %."""
    data = columns("hourly_july.csv")
    ea = humidity.saturation_vapour_pressure_kpa(celsius(data["dewpoint_degf"]))
    angle = sun.solar_hour_angle_rad(data["hour"] + 7.5, LONGITUDE, data["day_of_year"])  # stamps end the hour
    height = sun.solar_elevation_rad(angle, LATITUDE, data["day_of_year"])
    above = sun.extraterrestrial_radiation_hourly(angle, LATITUDE, data["day_of_year"])
    clear = radiation.clear_sky_shortwave_humid(above, ea, humidity.air_pressure_kpa(ELEVATION), height)
    short = data["solar_langley_h"] * LANGLEY_MJ_M2
    found = climate.reference_et_hourly_asce_mm(
        celsius(data["temperature_degf"]),
        ea,
        short / 0.0036,
        climate.wind_at_2m_m_s(data["wind_3m_mph"] * 0.44704, 3.0),
        radiation.relative_shortwave(short, clear, height),
        elevation_m=ELEVATION,
    )
    known = np.isfinite(found)
    assert (~known).sum() <= 8  # the first night knows no cloud
    difference = np.abs(found - data["eto_program_mm_h"])[known]
    assert (difference < 0.011).mean() >= 0.9  # the program carries cloud through the night by a rule of its own
    total = data["eto_program_mm_h"][known].sum()
    assert found[known].sum() == pytest.approx(total, rel=0.01)


def test_asce_check_hour():
    """Fallon, 1 July 2015, 18 to 19 UTC: 0.6064 mm/h, Ra 4.308, Rnl 0.229 (refet's own tests)."""
    angle = sun.solar_hour_angle_rad(18.5, LONGITUDE, 182)
    above = sun.extraterrestrial_radiation_hourly(angle, LATITUDE, 182)
    assert above == pytest.approx(4.308247, abs=0.003)  # rounded sun constants
    height = sun.solar_elevation_rad(angle, LATITUDE, 182)
    clear = radiation.clear_sky_shortwave_humid(above, 1.199010, humidity.air_pressure_kpa(ELEVATION), height)
    short, t = 61.16 * LANGLEY_MJ_M2, celsius(91.80)
    assert radiation.net_longwave_hourly(t, 1.199010, short / clear) == pytest.approx(0.228979, abs=0.003)
    wind = climate.wind_at_2m_m_s(3.33 * 0.44704, 3.0)
    found = climate.reference_et_hourly_asce_mm(t, 1.199010, short / 0.0036, wind, short / clear, elevation_m=ELEVATION)
    assert found == pytest.approx(0.606352, abs=0.001)


def test_a_gap_in_the_weather_stays_a_gap():
    """No figure is made up where one input is missing."""
    good = [20.0, 10.0, 1.2, 200.0, 2.0]
    for missing in range(5):
        weather = [np.array([value, value]) for value in good]
        weather[missing][1] = np.nan
        found = climate.reference_et_daily_mm(*weather, latitude_deg=51.0, elevation_m=50.0, day_of_year=180)
        assert np.isfinite(found[0])
        assert np.isnan(found[1])


def test_wind_from_the_ground_is_refused():
    """An instrument at 5 cm has no log profile."""
    assert np.isnan(climate.wind_at_2m_m_s(3.0, 0.05))
    assert climate.wind_at_2m_m_s(3.0, 2.0) == pytest.approx(3.0, rel=0.001)  # FAO-56 Table 2.9: factor 1.000


def test_turf_coefficient_flashes_off_then_settles():
    """1.67 to 2.85 on the first day, 0.81 to 0.91 after (Aamlid et al. 2016)."""
    middle, low, high = climate.turf_coefficient([0.0, 1.0, 2.0, 9.0, np.nan])
    np.testing.assert_allclose(low, [1.67, 1.67, 0.81, 0.81, np.nan])
    np.testing.assert_allclose(high, [2.85, 2.85, 0.91, 0.91, np.nan])
    np.testing.assert_allclose(middle[2], 0.86)
    assert climate.turf_coefficient(5.0, kind="warm")[0] == pytest.approx(0.825)
    with pytest.raises(ValueError, match="expected 'cool' or 'warm'"):
        climate.turf_coefficient(5.0, kind="lawn")


def test_makkink_by_hand() -> None:
    """20 MJ/m2 at 20 degC at sea level: .65 x .1447 / (.1447 + .0674) x 20 x .408 = 3.62 mm.

    Slope .1447 and constant .0674 kPa/degC (101.3 kPa) are FAO-56 Tables 2.4 and 2.2, whose print is the tolerance.
    """
    assert climate.makkink_mm(20.0, 20.0, 0.0) == pytest.approx(3.62, abs=0.01)
    assert climate.makkink_mm(-0.1, 20.0, 0.0) == 0.0
