"""Spells of rain, of waterings, and those the probes alone tell of, held against algebra."""

import numpy as np
import pytest

from pipeline.soil.wetting import Watering, events
from pipeline.units import HOUR_MS

NAN = float("nan")


def hours(n: int) -> np.ndarray:
    return np.arange(n, dtype=np.int64) * HOUR_MS


def test_gap_of_more_than_six_hours_parts_two_events() -> None:
    """Six dry hours belong to a spell, seven end it (algebra)."""
    rain = np.zeros(30)
    rain[[2, 3, 9, 17]] = [1.0, 2.0, 0.5, 4.0]
    found = events(hours(30), rain)
    assert [(s.start_ms // HOUR_MS, s.end_ms // HOUR_MS, s.rain_mm) for s in found] == [(2, 9, 3.5), (17, 17, 4.0)]


def test_small_and_missing_rain_is_no_spell() -> None:
    """A shower under the least amount is left out, and a missing total adds nothing."""
    rain = np.array([0.0, 0.4, NAN, 0.5, 0.0])
    assert events(hours(5), rain) == []
    assert [s.rain_mm for s in events(hours(5), rain, least_mm=0.9)] == [pytest.approx(0.9)]
    assert events(hours(0), np.array([])) == []


# --- events from rain, the diary and the probes -------------------------------------------------------------------


def quarters(n: int) -> np.ndarray:
    return np.arange(n, dtype=np.int64) * (HOUR_MS // 4)


def test_watering_and_rain_within_six_hours_are_one_wetting() -> None:
    """2 mm of rain at 4 h and 5 mm of watering from 8 to 9 h: one wetting of 7 mm, told by both (algebra)."""
    rain = np.zeros(30)
    rain[4] = 2.0
    (found,) = events(hours(30), rain, waterings=[Watering(8 * HOUR_MS, 9 * HOUR_MS, 5.0)])
    assert (found.start_ms, found.end_ms) == (4 * HOUR_MS, 9 * HOUR_MS)
    assert (found.rain_mm, found.watering_mm, found.given_mm) == (2.0, 5.0, 7.0)


def test_watering_of_unknown_amount_is_a_wetting_of_unknown_amount() -> None:
    """Nobody wrote how much: it counts, however little it was, and what was given is not known."""
    (found,) = events(hours(5), np.zeros(5), waterings=[Watering(2 * HOUR_MS, 2 * HOUR_MS)])
    assert np.isnan(found.given_mm) and found.rain_mm == 0.0


def test_watering_that_takes_all_night_is_one_wetting() -> None:
    """Nine hours of watering, longer than the dry gap, are not parted."""
    (found,) = events(hours(24), np.zeros(24), waterings=[Watering(0, 9 * HOUR_MS + 5, 20.0)])
    assert (found.end_ms, found.watering_mm) == (9 * HOUR_MS + 5, 20.0)


def test_rise_without_known_water_is_a_wetting_of_its_own() -> None:
    """The top channel jumps from .20 to .30 at 5 h, no rain, no diary: a wetting from 5 h on, of unknown amount."""
    theta = np.full(96, 0.20)
    theta[20:] = 0.30
    (found,) = events(hours(24), np.zeros(24), probe=(quarters(96), theta))
    assert found.start_ms == 5 * HOUR_MS
    assert np.isnan(found.given_mm) and found.rain_mm == 0.0


def test_rise_after_known_rain_is_that_rain() -> None:
    """The same jump, two hours after 6 mm of rain: the rain's own wetting, and no other."""
    rain, theta = np.zeros(24), np.full(96, 0.20)
    rain[3] = 6.0
    theta[20:] = 0.30
    assert [s.given_mm > 0.0 for s in events(hours(24), rain, probe=(quarters(96), theta))] == [True]


def test_slow_rise_is_no_wetting() -> None:
    """0.10 over two days, as ground warms: no three hours of it rise by 0.03."""
    theta = np.linspace(0.20, 0.30, 192)
    assert events(hours(48), np.zeros(48), probe=(quarters(192), theta)) == []


def test_rain_that_goes_on_for_days_is_cut_at_midnights_a_day_from_both_ends() -> None:
    """100 hours of rain from 10:00: cut at the midnights that lie a day from both ends, pieces of 38, 24 and 38 h.

    Begin 10 h, end 109 h; midnights at 24, 48, 72, 96 h; those with 24 h on either side are 48 and 72 (algebra).
    """
    rain = np.zeros(130)
    rain[10:110] = 0.5
    found = events(hours(130), rain)
    assert [s.start_ms // HOUR_MS for s in found] == [10, 48, 72]
    assert [s.rain_mm for s in found] == [19.0, 12.0, 19.0]


def test_wettings_do_not_depend_on_where_the_record_begins() -> None:
    """Every spell that begins three days into a piece of the record is that of the whole record, to the last bit."""
    rng = np.random.default_rng(6)
    rain = np.where(rng.random(24 * 60) < 0.3, rng.exponential(1.0, 24 * 60), 0.0).round(2)
    whole = events(hours(rain.size), rain)
    assert max(s.end_ms - s.start_ms for s in whole) < 3 * 24 * HOUR_MS
    assert any(s.end_ms - s.start_ms > 24 * HOUR_MS for s in whole)
    for cut in range(0, 24 * 40, 31):
        part = events(hours(rain.size)[cut:], rain[cut:])
        since = (cut + 72) * HOUR_MS
        assert [s for s in part if s.start_ms >= since] == [s for s in whole if s.start_ms >= since]
