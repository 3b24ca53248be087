"""The share of courses in which a pass is open, counted by hand from courses made up here."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.advice.chances import courses_of
from pipeline.advice.conditions import Courses
from pipeline.forecast.weather_ahead import WeatherAhead, WeatherSource
from pipeline.forecast.wetness import WetnessForecast
from tests.pipeline.advice.window_series import AHEAD_H, NOW_MS, good_hours, ground, look, series, with_courses

BLANK = np.zeros((AHEAD_H, 4))


def four(**changed) -> Courses:
    """Four courses in which all is well, but for what is given by course."""
    given = {
        "thatch_wetness": [0.6] * 4, "root_wetness": [0.8] * 4, "rain_mm": [0.0] * 4, "leaf_mm": [0.0] * 4,
        "air_miss_k": [0.0] * 4, "soil_miss_k": [0.0] * 4, "dew_miss_k": [0.0] * 4, **changed,
    }  # fmt: skip
    return Courses(NOW_MS, **{name: BLANK + np.asarray(values) for name, values in given.items()})


def chance(kind: str = "scarifying", hours=None, **changed) -> np.ndarray:
    made = good_hours(kind) if hours is None else hours
    return look(kind, hours=replace(made, courses=four(**changed))).chance


def test_what_comes_together_counts_together():
    """One course too wet, one with 3 mm in twelve hours: a half; both in one course: three quarters."""
    assert chance(thatch_wetness=[0.6, 0.9, 0.6, 0.6], rain_mm=[0.0, 0.0, 0.25, 0.0])[0] == 0.5
    assert chance(thatch_wetness=[0.6, 0.9, 0.6, 0.6], rain_mm=[0.0, 0.25, 0.0, 0.0])[0] == 0.75


def test_drizzle_is_no_rain():
    """0.04 mm an hour are no rain, as for the middle course."""
    assert chance(rain_mm=[0.04] * 4)[0] == 1.0


def test_a_wet_leaf_counts_where_it_is_asked():
    """Water on the leaf or dew in one course of four keeps it from topdressing; scarifying does not ask."""
    assert chance("topdressing", leaf_mm=[0.2, 0.0, 0.0, 0.0])[0] == 0.75
    assert chance(leaf_mm=[0.2, 0.0, 0.0, 0.0])[0] == 1.0
    near_dew = good_hours("topdressing", dew_point_degc=series(11.0))  # a kelvin below the leaf
    assert chance("topdressing", near_dew, dew_miss_k=[-1.5, -0.5, 0.5, 1.5])[0] == 0.75


def test_temperatures_miss_course_by_course():
    """Soil of 15 degC, open from 10 to 21 for coring; leaf of 12, open without frost for a week from 0.5."""
    assert chance(soil_miss_k=[-9.0, 0.0, 1.0, 8.0])[0] == 0.5
    assert chance(air_miss_k=[-12.0, -11.0, 0.0, 5.0])[0] == 0.75


def test_hours_past_the_courses_are_not_known():
    """Where the next 48 hours of rain are not covered, no chance is told."""
    hours = good_hours()
    short = four()
    cut = replace(short, **{
        name: getattr(short, name)[:100] for name in (
            "thatch_wetness", "root_wetness", "rain_mm", "leaf_mm", "air_miss_k", "soil_miss_k", "dew_miss_k")
    })  # fmt: skip
    found = look(hours=replace(hours, courses=cut)).chance
    assert np.flatnonzero(np.isfinite(found))[-1] == 100 - 48
    assert (found[:53] == 1.0).all()


def test_thatch_felt_by_hand_does_not_count():
    """Where no probe reads it, what the thatch would be in the courses is not asked."""
    hours = with_courses(good_hours(thatch_wetness=None))
    assert look(hours=hours, ground=ground(thatch_by_eye=True)).chance[0] == 1.0


def test_shares_round_a_forecast_are_calibrated():
    """A half of the courses is ln 1 = 0 on the curve, so 1 / (1 + exp(-0.54)) = 0.632; none is none (algebra)."""
    made = good_hours()
    told = replace(four(thatch_wetness=[0.6, 0.9, 0.6, 0.9]), foretold_h=AHEAD_H)
    assert look(hours=replace(made, courses=told)).chance[0] == pytest.approx(0.6318, abs=1e-4)
    none = replace(four(thatch_wetness=[0.9] * 4), foretold_h=AHEAD_H)
    assert look(hours=replace(made, courses=none)).chance[0] == 0.0


def test_hours_past_the_forecast_are_told_as_the_shares_come():
    """A forecast of three days: a half is 0.632 up to its end (algebra as above), and a half from there on."""
    told = replace(four(thatch_wetness=[0.6, 0.9, 0.6, 0.9]), foretold_h=72)
    found = look(hours=replace(good_hours(), courses=told)).chance
    assert found[:72] == pytest.approx(np.full(72, 0.6318), abs=1e-4)
    assert (found[72:240] == 0.5).all()


def test_courses_come_from_the_forecast():
    """The air's miss grows by a third of a kelvin a day, and the soil follows it, behind and in part."""
    shape = (240, 60)
    weather = WeatherAhead(NOW_MS, np.zeros(shape), np.zeros(shape), WeatherSource.FORECAST, foretold_h=72)
    wet = WetnessForecast(NOW_MS, np.full((241, 60), 0.5), np.full((241, 60), 0.7), np.zeros(shape))
    found = courses_of(wet, weather)
    assert found is not None and found.leaf_mm.shape == shape and found.foretold_h == 72
    warm = int(np.argmax(found.air_miss_k[0]))
    assert found.air_miss_k[24, warm] / found.air_miss_k[0, warm] == pytest.approx(1.3)  # 0.3 K a day more than 1 K
    early = found.soil_miss_k[:, warm] - found.soil_miss_k[0, warm]
    assert (np.diff(early) > 0.0).all() and early[48] < found.air_miss_k[48, warm]
    assert courses_of(wet, None) is None
    none = WetnessForecast(NOW_MS, np.zeros((1, 0)), np.zeros((1, 0)), np.zeros((0, 0)), reason="no weather")
    assert courses_of(none, weather) is None
