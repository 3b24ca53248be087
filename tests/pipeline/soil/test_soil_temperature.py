"""Heat in the ground and frost on the leaf, held against algebra and a public network's July."""

import csv
from pathlib import Path

import numpy as np
import pytest

from pipeline.soil import humidity
from pipeline.soil import soil_temperature as st

JULY = Path(__file__).parents[2] / "data" / "uscrn_dinosaur_2018" / "july_soil_temperature_hourly.csv"


def test_damping_depths_by_day_and_year():
    """0.5e-6 m2/s damps the day over 0.1173 m and the year over 2.240 m (van Wijk & de Vries 1963, computed)."""
    assert st.damping_depth_m(0.5e-6) == pytest.approx(0.1173, abs=0.00005)
    assert st.damping_depth_m(0.5e-6, period_s=st.YEAR_S) == pytest.approx(2.240, abs=0.002)


def test_wave_shrinks_and_lags_with_depth():
    """Amplitude ratio and lag at 2 to 50 cm for 0.5e-6 m2/s, computed independently."""
    time = np.arange(0.0, 2 * st.DAY_S, 60.0)
    wave = {"mean_degc": 15.0, "amplitude_degc": 10.0, "diffusivity_m2_s": 0.5e-6}
    _, surface = st.daily_wave(time, st.damped_wave_degc(time, 0.0, **wave))
    expected = {0.02: (0.8432, 0.65), 0.05: (0.6529, 1.63), 0.10: (0.4262, 3.26), 0.20: (0.1817, 6.51)}
    for depth, (ratio, lag_h) in expected.items():
        amplitude, highest = st.daily_wave(time, st.damped_wave_degc(time, depth, **wave))
        assert amplitude / 10.0 == pytest.approx(ratio, abs=0.5001e-4)
        assert (highest - surface) / 3600.0 == pytest.approx(lag_h, abs=0.006)


def test_diffusivity_is_recovered_from_size_and_from_lag():
    """Both estimates return the diffusivity of a wave made with it (algebra)."""
    depth, d = 0.08, 3.1e-7
    relative = depth / np.sqrt(d * 86400.0 / np.pi)
    assert st.diffusivity_from_amplitude_m2_s(5.0, 5.0 * np.exp(-relative), depth) == pytest.approx(d)
    assert st.diffusivity_from_lag_m2_s(relative * 86400.0 / (2 * np.pi), depth) == pytest.approx(d)
    assert np.isnan(st.diffusivity_from_amplitude_m2_s([3.0, 3.0], [3.0, 4.0], depth)).all()
    assert np.isnan(st.diffusivity_from_lag_m2_s(-60.0, depth))


def test_july_in_a_real_soil():
    """USCRN Dinosaur, July 2018: amplitudes, lags and diffusivities computed independently from the record."""
    with JULY.open() as lines:
        rows = list(csv.DictReader(lines))
    stamp = np.array([row["hour_end_lst"] for row in rows], dtype="datetime64[m]")
    time = (stamp - stamp[0].astype("datetime64[D]")).astype("timedelta64[s]").astype(float)
    month = stamp.astype("datetime64[M]") == np.datetime64("2018-07")
    waves = []
    for depth in ("0050", "0100", "0200", "0500", "1000"):
        series = np.array([float(row[f"temperature_{depth}_degc"]) for row in rows])
        waves.append(st.daily_wave(time[month], st.less_running_day_mean(series, 24)[month]))
    amplitude, highest = np.array(waves).T
    # 1 %: the other computation took out the slow trend in its own way. The sensor reads to 0.1 degC.
    assert amplitude == pytest.approx([6.633, 3.377, 0.937, 0.129, 0.008], rel=0.01, abs=0.002)
    lag_h = (highest - highest[0]) / 3600.0
    assert lag_h[1:3] == pytest.approx([2.27, 6.67], abs=0.02)
    by_size = st.diffusivity_from_amplitude_m2_s(amplitude[0], amplitude[1:3], [0.05, 0.15])  # 5-10, 5-20 cm
    by_lag = st.diffusivity_from_lag_m2_s(highest[1:3] - highest[0], [0.05, 0.15])
    assert by_size == pytest.approx([2.00e-7, 2.14e-7], rel=0.02)
    assert by_lag == pytest.approx([2.57e-7, 2.69e-7], rel=0.02)


def test_daily_wave_needs_a_day():
    """Half a day of readings does not make a wave."""
    with pytest.raises(ValueError, match="expected 12 or more over 86400"):
        st.daily_wave(np.arange(20) * 1800.0, np.sin(np.arange(20)))


def test_running_day_mean_is_exact_on_a_trend_and_honest_on_a_gap():
    """A straight line leaves nothing (algebra); a missing hour hides the day about it."""
    rest = st.less_running_day_mean(np.arange(100.0), 24)
    assert np.isnan(rest[[0, 11, 88, 99]]).all()
    assert rest[12:88] == pytest.approx(np.zeros(76), abs=1e-9)
    broken = np.arange(100.0)
    broken[50] = np.nan
    assert np.isnan(st.less_running_day_mean(broken, 24)[38:63]).all()


def test_leaf_runs_below_the_air_on_a_clear_still_night():
    """Clear and still the leaf lies 3 to 6 degC under the air, in wind or cloud far less (common practice)."""
    ea = humidity.saturation_vapour_pressure_kpa(3.0) * 0.85
    clear_still, windy, cloudy = st.leaf_temperature_by_night_degc(3.0, ea, [0.5, 5.0, 0.5], [1.0, 1.0, 0.3])
    assert 3.0 <= 3.0 - clear_still <= 6.0
    assert 3.0 - windy < 1.5
    assert 3.0 - cloudy < 1.0


def test_frost_on_leaf_by_the_surface_not_the_air():
    """At half a degree or below the leaf is frozen; unknown stays unknown."""
    np.testing.assert_array_equal(st.frost_on_leaf([0.5, 0.51, -3.0, np.nan]), [1.0, 0.0, 1.0, np.nan])


def test_hoar_needs_cold_and_moisture():
    """White frost needs a surface below both freezing and the frost point."""
    vapour = humidity.saturation_vapour_pressure_kpa([-6.0, -6.0, 2.0, 2.0, np.nan])
    found = st.hoar_forms([-3.0, -6.0, -0.5, 0.5, -1.0], vapour)
    np.testing.assert_array_equal(found, [0.0, 1.0, 1.0, 0.0, np.nan])
