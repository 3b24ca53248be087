"""Limits learned through the real store: when, from what, and what they change."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from hardware.reading import Reading
from pipeline.diary.station import ChannelLimits, StationContext
from pipeline.soil.wetting import Watering
from pipeline.stages.field_limits import LIMIT_QUANTITIES, due_ms, learned_limits, limits_found
from pipeline.stages.recompute import process, recompute, station_context
from pipeline.stages.stage import Record, findings_table, series_of
from pipeline.units import DAY_MS
from tests.pipeline.contexts import changed
from tests.pipeline.hand import HOUR_MS, SETTINGS, START_MS, Line, batches, lines, reading, stored
from tests.pipeline.storms import CONTEXT, SOIL, raw, storm

CHANNEL = "s1/p1/moisture_0050"
SANDY = SETTINGS.replace('soil = "loam"', 'soil = "sandy_loam"\nroot_zone_mm = 60')


def three_hourly(days: int) -> list[Reading]:
    """A sandy loam watered by 12 mm every sixth day, that drains to .26 within hours and dries to .08 by the sixth."""
    readings: list[Reading] = []
    for hour in range(0, 24 * days, 3):
        since = hour % 144
        level = 0.26 + 0.12 * np.exp(-since / 8.0)
        level = level if since <= 90 else 0.26 - 0.18 * (since - 90) / 54.0
        at_ms = START_MS + hour * HOUR_MS + 1000
        for channel, value in (
            ("s1/p1/moisture_0050", round(float(level), 4)),
            ("s1/p1/moisture_0100", round(float(level), 4)),
            ("s1/w1/rain", 12.0 * (1 + hour // 144)),
        ):
            readings.append(reading(len(readings) + 1, channel, at_ms, value))
    return readings


def wetness_of(series: dict[str, np.ndarray], context: StationContext) -> np.ndarray:
    """Wetness of the thatch, slot by slot."""
    findings = process(series_of(raw(series)), context).findings
    return findings[findings["quantity"] == "thatch_wetness"]["value"].to_numpy()


def table_of(record: Record, context: StationContext, at_ms: int) -> pd.DataFrame:
    """What is learned of a record, as it is stored."""
    return findings_table(limits_found(record, context, at_ms), context.station)


@pytest.fixture(scope="module")
def history() -> list[Reading]:
    return three_hourly(100)


@pytest.fixture(scope="module")
def taught(tmp_path_factory: pytest.TempPathFactory, history) -> Iterator[Line]:
    """A worker that has had the whole history in one go."""
    with lines(tmp_path_factory.mktemp("taught")) as build:
        line = build(SANDY, now_ms=START_MS + 101 * DAY_MS)
        for batch in batches(history, 500):
            line.send_batch(batch)
        line.run_until_quiet()
        yield line


def test_moments_are_mondays_four_weeks_apart() -> None:
    """Of a hundred days from Friday 1 March 2024: moments 28 days apart, each a Monday (1970-01-05 was one)."""
    due = due_ms(START_MS, START_MS + 100 * DAY_MS)
    assert len(due) in (3, 4) and all(at % (7 * DAY_MS) == 4 * DAY_MS for at in due)
    assert np.diff(due).tolist() == [28 * DAY_MS] * (len(due) - 1)
    assert list(due_ms(due[0], due[1])) == [due[1]] and len(due_ms(due[0], due[1] - 1)) == 0


def test_history_teaches_the_limits_of_a_channel(taught: Line) -> None:
    """A hundred days: at the last moment that was due the drained limit is .26 (at most .12 e^-4.5 over it, 36 h
    after the water) and the dry one between .09 and .10, the two driest of 48 readings a cycle; neither is provisional.
    At the first moment, with days of history, they were. Wetness is by the limits of its own time."""
    line = taught
    table = line.stores.store.findings(CHANNEL, LIMIT_QUANTITIES, 0, 2**61).set_index(["quantity", "start_ms"])
    moments = list(due_ms(START_MS, START_MS + 100 * DAY_MS))
    assert sorted({at for _, at in table.index}) == moments
    drained, dry = table.loc[("drained_limit", moments[-1])], table.loc[("dry_limit", moments[-1])]
    assert drained["value"] == pytest.approx(0.26, abs=0.002) and not drained["reason"]
    assert 0.09 <= dry["value"] <= 0.10 and not dry["reason"]
    assert table.loc[("dry_limit", moments[0]), "reason"].startswith("provisional")
    wet = line.stores.store.findings("s1", ["root_zone_wetness"], moments[-1], 2**61)
    water = line.stores.store.findings("s1", ["root_zone_water"], moments[-1], 2**61)
    theta = water["value"].to_numpy() / 60.0
    expected = (theta - dry["value"]) / (drained["value"] - dry["value"])
    np.testing.assert_allclose(wet["value"].to_numpy(), expected, atol=1e-9)


def test_findings_do_not_depend_on_when_learning_ran(make: Callable[..., Line], taught: Line, history) -> None:
    """The history in one go and in two goes with rest between ends in the same limits and the same findings, and so
    does a recompute, which leaves the limits as they are."""
    one, other = taught, make(SANDY, now_ms=START_MS + 101 * DAY_MS)
    for part in batches(history, len(history) // 2 + 1):
        for batch in batches(part, 500):
            other.send_batch(batch)
        other.run_until_quiet()
    before = stored(one)
    for a, b in zip(before, stored(other), strict=True):
        pd.testing.assert_frame_equal(a, b, check_exact=True)
    limits = [x.stores.store.findings(CHANNEL, LIMIT_QUANTITIES, 0, 2**61) for x in (one, other)]
    pd.testing.assert_frame_equal(*limits, check_exact=True)
    recompute(one.stores.store, station_context(one.config, "s1", one.stores.diary, one.stores.store))
    for a, b in zip(before, stored(one), strict=True):
        pd.testing.assert_frame_equal(a, b, check_exact=True)
    assert len(learned_limits(one.stores.store, [CHANNEL])[CHANNEL]) == len(due_ms(START_MS, START_MS + 100 * DAY_MS))


def test_learned_limits_hold_from_their_moment_on() -> None:
    """Thatch limits of .20 and .40 from slot 500 on: wetness by the medium's .17 and .45 before, by those after; a
    site's own stand over both (algebra)."""
    from_ms = START_MS + 500 * 900_000
    shown = ChannelLimits(from_ms, 0.20, 0.40, (0.19, 0.21), (0.39, 0.41))
    learned = changed(CONTEXT, learned={"green-1/t1/moisture": (shown,)})
    series = {**storm(), "green-1/t1/moisture": np.full(1152, 0.30)}
    wet = wetness_of(series, learned)
    assert wet[499] == pytest.approx(0.13 / 0.28) and wet[500] == pytest.approx(0.5)
    own = wetness_of(series, changed(learned, thatch_drained=0.50))
    assert own[500] == pytest.approx(0.10 / 0.30)


def test_limits_of_another_medium_are_not_used() -> None:
    """A channel that lay in soil when its limits were learned (.25 drained) lies in thatch now: the thatch's stand."""
    shown = ChannelLimits(0, 0.12, 0.25, (0.11, 0.13), (0.24, 0.26))
    series = {**storm(), "green-1/t1/moisture": np.full(1152, 0.30)}
    wet = wetness_of(series, changed(CONTEXT, learned={"green-1/t1/moisture": (shown,)}))
    assert wet[10] == pytest.approx(0.13 / 0.28)


def test_channel_that_senses_two_layers_learns_nothing() -> None:
    """In 8 mm of thatch a probe that senses 12 mm is mixed: no limits for it; the soil's channels have theirs."""
    thin = changed(CONTEXT, cores=tuple(replace(c, length_m=0.008) for c in CONTEXT.facts.cores))
    times = np.arange(2000, dtype=np.int64) * HOUR_MS
    record = Record({i: (times, np.full(2000, 0.25)) for i in ("green-1/t1/moisture", SOIL[1])}, {})
    table = table_of(record, thin, 2000 * HOUR_MS)
    assert set(table["station"]) == {SOIL[1]} and set(table["quantity"]) == set(LIMIT_QUANTITIES)
    assert limits_found(Record({}, {}), thin, 0) == []


def test_water_written_as_too_little_to_soak_teaches_no_limit() -> None:
    """Soil that stands at .26 after waterings every sixth day, of which the diary says 12 mm, 2 mm, or not how much:
    2 mm do not soak it, whatever its channel did; the rest is learned from (made by hand)."""
    times = np.arange(24 * 120, dtype=np.int64) * HOUR_MS
    since = (times % (6 * DAY_MS)) / HOUR_MS
    theta = np.where(since > 100.0, 0.26 - 0.004 * (since - 100.0), 0.26 + 0.12 * np.exp(-since / 8.0))
    at_ms = [int(t) for t in times[:: 24 * 6]]
    for water_mm, provisional in ((12.0, False), (2.0, True), (float("nan"), False)):
        facts = tuple(Watering(at, at + HOUR_MS, water_mm) for at in at_ms)
        watered = changed(CONTEXT, soil="sandy_loam", cores=(), waterings=facts)
        record = Record({SOIL[1]: (times, theta)}, {})
        drained = table_of(record, watered, 120 * DAY_MS).set_index("quantity").loc["drained_limit"]
        assert drained["reason"].startswith("provisional") == provisional


def test_clay_learns_from_nights_after_days_of_little_demand() -> None:
    """Club clay that stands at .32 from the tenth day after each soaking: learned where the days asked less than 1 mm,
    provisional where every day asked 4 mm (made by hand)."""
    times = np.arange(24 * 120, dtype=np.int64) * HOUR_MS
    since = (times % (40 * DAY_MS)) / DAY_MS
    theta = np.where(since < 10.0, 0.32 + 0.005 * (10.0 - since), 0.32)
    rain = np.zeros(times.size)
    rain[:: 24 * 40] = 20.0
    days = np.arange(120, dtype=np.int64) * DAY_MS
    clay = changed(CONTEXT, soil="club_clay_loam", cores=())
    for demand, provisional in ((0.5, False), (4.0, True)):
        channels = {SOIL[1]: (times, theta), "green-1/w1/rain": (times, rain)}
        record = Record(channels, {"reference_et": (days, np.full(120, demand))})
        table = table_of(record, clay, 120 * DAY_MS).set_index("quantity")
        drained = table.loc["drained_limit"]
        assert drained["reason"].startswith("provisional") == provisional
        assert drained["value"] == pytest.approx(0.33 if provisional else 0.32, abs=1e-6)
