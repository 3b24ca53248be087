"""Cautions: disease weather by the measured air, and thatch that no probe reads, which likely holds.

The index is that of Smith, Kerns et al. 2018 (see tests/pipeline/soil/test_disease.py): 90 % at 20 degC is 0.62, 55 %
at 15 degC 0.03.
"""

import datetime

import pytest

from pipeline.plan.digest import plan_news
from pipeline.plan.surface_plan import WorkPlan
from tests.pipeline.kept_site import (
    CLIMATE,
    HOUR_MS,
    NOW_MS,
    SITE,
    SOIL,
    SURFACE,
    WEATHER,
    drying,
    station,
    steady,
    surface_of,
)

UNREAD = station().partition('[[surface.station.probe]]\nname = "t1"')[0] + WEATHER


@pytest.fixture
def muggy(build):
    """Nine days at 20 degC and 90 %."""
    site = build()
    site.keep(steady(w1__humidity=90.0, w1__air_temperature=20.0), 24 * 9)
    return site


def test_humid_warm_days_are_a_reason_to_look_and_not_to_spray(muggy):
    """Six in ten, of the surface, told once a month in the digest."""
    found = surface_of(muggy.advice())
    (caution,) = found.cautions
    assert (caution.what, caution.station, caution.place) == ("disease_weather", "", "Green")
    assert caution.chance == pytest.approx(0.6239, abs=0.002)
    assert "6 in 10" in caution.words and "not to spray" in caution.words
    (news,) = plan_news(WorkPlan(found), NOW_MS, datetime.UTC)
    assert news.key == "disease_weather/green/=2024-05" and news.text.startswith("Green: Weather for dollar spot")


def test_air_of_another_station_tells_where_the_first_has_none(build):
    """The first station's own weather station is silent; the second's has the nine muggy days."""
    other = station("s2", "south end", weather=False, probe="p2") + WEATHER.replace("w1", "w2")
    site = build(SITE, CLIMATE, SURFACE, station(), other)
    fair_day = steady()(0)
    site.keep(lambda hour: {k: v for k, v in fair_day.items() if k[0] != "w"}, 24 * 9)
    roots = {f"p2/{c}": fair_day[f"p1/{c}"] for c in SOIL}
    site.keep(lambda hour: {"w2/air_temperature": 20.0, "w2/humidity": 90.0, **roots}, 24 * 9, station="s2")
    (caution,) = [c for c in surface_of(site.advice()).cautions if c.what == "disease_weather"]
    assert "6 in 10" in caution.words


def test_drier_air_is_no_reason_and_unknown_air_none_either(fair, muggy):
    """55 % at 15 degC is under one in five; a week without a reading tells nothing."""
    assert surface_of(fair.advice()).cautions == ()
    assert surface_of(muggy.advice(NOW_MS + 7 * 24 * HOUR_MS)).cautions == ()


def test_thatch_that_no_probe_reads_is_to_be_felt_while_the_roots_dry(build):
    """Told on a dry day of falling roots by its chance; not in rain, and not where a probe reads the thatch."""
    site = build(SITE, CLIMATE, SURFACE, UNREAD)
    site.keep(
        lambda hour: {k: v for k, v in drying(hour).items() if not k.startswith("t1/")}, 24 * 27
    )  # three days after rain
    site.write("sight", NOW_MS - 2 * HOUR_MS, {"what": "thatch", "value": 2}, station="s1")
    (caution,) = [c for c in surface_of(site.advice()).cautions if c.what == "thatch_may_hold"]
    assert (caution.station, caution.place) == ("s1", "Green, north end") and caution.words.endswith("feel it.")
    assert 0.5 <= caution.chance < 1.0
    site.write("sight", NOW_MS - HOUR_MS, {"what": "thatch", "value": 0}, station="s1")
    assert [c for c in surface_of(site.advice()).cautions if c.what == "thatch_may_hold"] == []
