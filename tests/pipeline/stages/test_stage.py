"""Days and fortnights lie on a fixed calendar, hold the same observations however they came, and cost little."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from hardware.reading import Batch
from pipeline.stages.recompute import PERIOD_STAGES, in_order, recompute, station_context
from pipeline.stages.stage import FORTNIGHT_MS, FindPeriod, Grain, Stage, on_grid, over_short_gaps, read_span
from pipeline.units import DAY_MS
from tests.pipeline.contexts import changed
from tests.pipeline.hand import OUTBOX, SETTINGS, Line, batches, reading, stored
from tests.pipeline.store.keeping import keep
from tests.pipeline.turf_days import CONTEXT, HOUR_MS, MONDAY_MS

LOCATED = SETTINGS.replace('name = "meadow"', 'name = "meadow"\nlatitude_deg = 52.0\nlongitude_deg = 0.0', 1)


def stage(length_ms: int, lead_in_ms: int = 0, look_ahead_ms: int = 0) -> Stage[FindPeriod]:
    lengths = {"length_ms": length_ms, "lead_in_ms": lead_in_ms, "look_ahead_ms": look_ahead_ms}
    return Stage(name="x", grain=Grain.PERIOD, run=lambda *_: (), **lengths)


def test_fortnights_begin_on_mondays_and_days_at_the_suns_midnight():
    """2024-06-17 was a Monday (calendar); at 150 degrees west the sun's day begins ten hours after that of UTC."""
    (only,) = stage(FORTNIGHT_MS).touched(CONTEXT, MONDAY_MS, MONDAY_MS + 1)
    assert (MONDAY_MS - only[0]) % (7 * DAY_MS) == 0 and only[1] - only[0] == FORTNIGHT_MS
    west = changed(CONTEXT, longitude_deg=-150.0)
    (day,) = stage(DAY_MS).touched(west, MONDAY_MS + 10 * HOUR_MS, MONDAY_MS + 10 * HOUR_MS + 1)
    assert day[0] == MONDAY_MS + 10 * HOUR_MS


def test_what_leads_in_or_follows_touches_too():
    """A change an hour before midnight touches the day after it when that leans on two hours before, and not else."""
    late = (MONDAY_MS - HOUR_MS, MONDAY_MS - HOUR_MS + 1)
    assert [b for b, _ in stage(DAY_MS).touched(CONTEXT, *late)] == [MONDAY_MS - DAY_MS]
    assert [b for b, _ in stage(DAY_MS, 2 * HOUR_MS).touched(CONTEXT, *late)] == [MONDAY_MS - DAY_MS, MONDAY_MS]
    early = (MONDAY_MS + HOUR_MS, MONDAY_MS + HOUR_MS + 1)
    assert [b for b, _ in stage(DAY_MS, 0, 2 * HOUR_MS).touched(CONTEXT, *early)] == [MONDAY_MS - DAY_MS, MONDAY_MS]
    first, last = read_span([stage(DAY_MS, 2 * HOUR_MS, HOUR_MS)], CONTEXT, *late)
    assert (first, last) == (MONDAY_MS - DAY_MS - 2 * HOUR_MS, MONDAY_MS + DAY_MS + HOUR_MS)


def test_grid_takes_the_mean_of_what_is_near():
    """Readings of one step are averaged, one that failed counts for nothing, none leaves a gap (by hand)."""
    times = np.array([0, 400, 1000, 1100, 2600, 4000], dtype=np.int64)
    series = (times, np.array([1.0, 3.0, np.nan, 7.0, 5.0, np.nan]))
    np.testing.assert_array_equal(on_grid(series, 0, 1000, 5), [2.0, 7.0, np.nan, 5.0, np.nan])
    assert np.isnan(on_grid(None, 0, 1000, 2)).all()


def test_short_gaps_are_bridged_and_long_ones_and_ends_are_not():
    """Two steps are filled by a line, three are not, nor is what lies before the first value (by hand)."""
    nan = np.nan
    value = np.array([nan, 1.0, nan, nan, 4.0, nan, nan, nan, 8.0, nan])
    np.testing.assert_allclose(over_short_gaps(value, 2), [nan, 1.0, 2.0, 3.0, 4.0, nan, nan, nan, 8.0, nan])


def season(days: int) -> list:
    """Hourly readings of two moisture channels, a thermometer and the air over days from a Monday on."""
    rng, readings = np.random.default_rng(5), []
    for hour in range(24 * days):
        at = hour % 24
        drunk = 0.004 * (hour // 24) + 0.004 * np.clip((at - 5) / 14, 0, 1)
        table = {
            "p1/moisture_0050": 0.33 - drunk + 0.0003 * rng.standard_normal(),
            "p1/moisture_0100": 0.33 - 0.5 * drunk + 0.0003 * rng.standard_normal(),
            "p1/temperature_0050": 15.0 + np.sin(at / 3.8),
            "w1/rain": 0.0,
            "w1/air_temperature": 17.0 + 6.0 * np.sin((at - 9) / 24 * 2 * np.pi),
            "w1/humidity": 70.0,
            "w1/wind": 2.0,
            "w1/sun": 500.0 if 5 < at < 19 else 0.0,
            "w1/surface_temperature": 14.0,
        }
        for channel, value in table.items():
            at_ms = MONDAY_MS + hour * HOUR_MS + 1000
            readings.append(reading(len(readings) + 1, f"s1/{channel}", at_ms, round(float(value), 4)))
    return readings


@pytest.fixture(scope="module")
def readings() -> list:
    return season(9)


def test_any_batching_gives_the_same_bytes(make: Callable[..., Line], readings: list) -> None:
    """In order at once, or shuffled with pauses, or worked out anew: days and fortnights are the same to the bit."""
    later_ms = MONDAY_MS + 20 * DAY_MS
    ordered, mixed = make(LOCATED, "a", later_ms), make(LOCATED, "b", later_ms)
    for batch in batches(readings, 500):
        ordered.send_batch(batch)
    ordered.run_until_quiet()
    pieces = batches(readings, 160)
    random.Random(3).shuffle(pieces)
    for i, batch in enumerate(pieces):
        mixed.send_batch(batch)
        if i % 5 == 0:
            mixed.run_until_quiet()
    mixed.run_until_quiet()
    one, other = stored(ordered)[1], stored(mixed)[1]
    pd.testing.assert_frame_equal(one, other, check_exact=True)
    quantities = {q for stage in PERIOD_STAGES for q in stage.findings}
    found = one[one["quantity"].isin(quantities)]
    assert {"root_depth_90", "reference_et", "growth_potential", "leaf_frost"} <= set(found["quantity"])
    assert found[found["quantity"] == "reference_et"]["value"].notna().sum() >= 8
    recompute(mixed.stores.store, station_context(mixed.config, "s1", mixed.stores.diary))
    pd.testing.assert_frame_equal(one, stored(mixed)[1], check_exact=True)


def test_a_kill_before_the_days_are_worked_out_loses_none(make: Callable[..., Line], readings: list) -> None:
    """What the stages had seen but the days had not is found by the next worker and worked out."""
    line = make(LOCATED, now_ms=MONDAY_MS + 4 * DAY_MS)
    line.send_batch(readings[: 9 * 72])
    while line.source.messages or line.study.waiting or not line.study.periods_waiting:
        line.run(1)
    assert not (stored(line)[1]["quantity"] == "reference_et").any()
    again = make(LOCATED, now_ms=MONDAY_MS + 4 * DAY_MS)  # on the same folder; the first one is never closed
    again.run_until_quiet()
    again.run(40)
    assert (stored(again)[1]["quantity"] == "reference_et").sum() == 3
    third = make(LOCATED, now_ms=MONDAY_MS + 4 * DAY_MS)
    third.run_until_quiet()
    assert third.value("periods_seconds_count") == 0


OTHER = """
[[surface.station]]
name = "a0"
soil = "loam"
[[surface.station.probe]]
name = "p1"
model = "deep_soil_profile"
"""


def test_weather_of_another_station_counts_whichever_comes_first(make: Callable[..., Line], readings: list) -> None:
    """A station without weather uses its neighbour's: all at once, or its own readings long before or after them, the
    demand is the neighbour's, and working both out anew in order changes nothing."""
    later_ms = MONDAY_MS + 6 * DAY_MS
    moisture = [r for r in readings[: 9 * 96] if "/p1/" in r.channel]
    own = [replace(r, channel=r.channel.replace("s1/", "a0/"), seq=k + 9 * 96 + 1) for k, r in enumerate(moisture)]
    both = [*readings[: 9 * 96], *own]

    def found(folder: str, pieces: list, pause: bool) -> tuple[Line, pd.DataFrame]:
        line = make(LOCATED + OTHER, folder, later_ms)
        for piece in pieces:
            line.send_batch(piece)
            if pause:
                line.run_until_quiet()
        line.run_until_quiet()
        return line, line.stores.store.findings("a0", None, 0, 2**61)

    _, once = found("a", batches(both, 500), pause=False)
    _, before = found("b", [*batches(own, 300), *batches(readings[: 9 * 96], 300)], pause=True)
    line, after = found("c", [*batches(readings[: 9 * 96], 300), *batches(own, 300)], pause=True)
    pd.testing.assert_frame_equal(once, before, check_exact=True)
    pd.testing.assert_frame_equal(once, after, check_exact=True)
    demand = once[once["quantity"] == "reference_et"]["value"].to_numpy()
    neighbour = line.stores.store.findings("s1", ["reference_et"], 0, 2**61)["value"].to_numpy()
    np.testing.assert_array_equal(demand, neighbour)
    assert np.isfinite(demand[:4]).all() and in_order(line.config, ["a0", "s1"]) == ["s1", "a0"]
    for name in in_order(line.config, line.config.stations()):
        recompute(line.stores.store, station_context(line.config, name, line.stores.diary))
    again = line.stores.store.findings("a0", None, 0, 2**61)
    pd.testing.assert_frame_equal(once, again, check_exact=True)


def test_days_wait_until_the_stages_have_seen_every_station(make: Callable[..., Line], readings: list) -> None:
    """With one of two stations still to be seen no day is worked out, and with both seen both are."""
    line = make(LOCATED + OTHER, now_ms=MONDAY_MS + 6 * DAY_MS)
    keep(line.stores.store, readings[:900], MONDAY_MS)
    line.study.mark(Batch("meadow", "node-1", OUTBOX, 1, readings[:900]).columns, 0.0)  # the weather is both stations'
    assert line.study.step() is not None and line.study.waiting == 1
    assert line.study.step_periods() is None
    while line.study.waiting:
        line.study.step()
    assert {line.study.step_periods(), line.study.step_periods()} == {"s1", "a0"}
