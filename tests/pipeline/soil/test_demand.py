"""Hourly demand follows ASCE-EWRI 2005 where all is known, Hargreaves by temperatures alone, else is unknown."""

from datetime import UTC, datetime

import numpy as np
import pytest

from pipeline.soil.climate import daylight_share, hourly_demand_mm, shared_over_days
from pipeline.soil.radiation import Location

HOUR_MS = 3_600_000


def ms(*moment):
    return round(datetime(*moment, tzinfo=UTC).timestamp() * 1000)


def test_hour_of_a_known_example():
    """N'Diaye, 1 October, 14 to 15 h: 38 degC, 52 %, 3.3 m/s, 2.450 MJ give 0.656 mm (FAO-56 Example 19 by refet)."""
    # local time is an hour behind UTC: the hour begins at 15 UTC, two others before it fill the series
    sun = np.full(3, 2.450e6 / 3600.0)
    found = hourly_demand_mm(
        ms(2030, 10, 1, 13), np.full(3, 38.0), np.full(3, 52.0), np.full(3, 3.3), sun,
        place=Location(16.22, -16.25, 8.0),
    )  # fmt: skip
    assert found[2] == pytest.approx(0.656, abs=0.01)  # Ra is of our own sun here


def test_temperatures_alone_give_hargreaves():
    """26.6 and 14.8 degC at 45.72 N on 15 July give 5.0 mm a day (FAO-56 Example 20)."""
    # straight up and down between the two, so that both are met
    day = np.interp(np.arange(24), [0, 12, 23], [14.8, 26.6, 14.8])
    blank = np.full(24, np.nan)
    found = hourly_demand_mm(ms(2030, 7, 15), day, blank, blank, blank, place=Location(45.72, 0.0, 200.0))
    assert found.sum() == pytest.approx(5.0, abs=0.1)  # as printed
    assert found[0] == 0.0 and found.argmax() in (11, 12)


def test_no_temperatures_no_demand():
    """Sun and wind alone say nothing."""
    blank = np.full(24, np.nan)
    found = hourly_demand_mm(
        ms(2030, 7, 15), blank, np.full(24, 60.0), np.full(24, 2.0), np.full(24, 200.0),
        place=Location(50.0, 0.0, 0.0),
    )  # fmt: skip
    assert np.isnan(found).all()


def test_shares_of_a_step_add_up_to_one():
    """Each step's demand goes whole into its hours, the nights of the far north evenly (conservation)."""
    for latitude in (52.0, 80.0):
        share = daylight_share(ms(2030, 12, 20), 48, 12, place=Location(latitude, 10.0))
        assert share.reshape(-1, 12).sum(axis=1) == pytest.approx(1.0)


def test_days_are_shared_over_their_light():
    """4 mm and 2 mm a day stay 4 and 2, and nothing is asked at midnight."""
    found = shared_over_days(ms(2030, 6, 1), [4.0, 2.0], place=Location(52.0, 0.0))
    assert found.reshape(2, 24).sum(axis=1) == pytest.approx([4.0, 2.0])
    assert found[0] == 0.0
