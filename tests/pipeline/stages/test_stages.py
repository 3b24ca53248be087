"""The laws each stage and the chain of them keep: raw untouched, idempotent, safe on gaps, the same in any batches."""

from __future__ import annotations

import copy
import itertools
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware.probe import Calibration, Channel, load_probe
from pipeline.diary.facts import Dated
from pipeline.stages.calibrate import RAIN_GAP_MS, calibrate, calibrated, rain_from_total
from pipeline.stages.recompute import (
    LEAD_IN_MS,
    LOOK_AHEAD_MS,
    QUARTER_HOUR_STAGES,
    READING_STAGES,
    Drawn,
    affected,
    process,
)
from pipeline.stages.stage import ChannelSeries, Observed, observations_table, series_of
from pipeline.units import Flag
from tests.pipeline.contexts import changed, station_context

START_MS = 1_709_251_200_000  # 2024-03-01 00:00 UTC
SLOT_MS = 900_000
DAY = 96  # slots


CORRECTED = "square-1/p1/moisture_160"
BY_TEMPERATURE = Calibration("topp_1980", {"reading_per_degc": 0.1}, "made up for this test")


def station_channels() -> dict[str, Channel]:
    """Thatch probe, profile and rain of one station; the deepest moisture channel is corrected for temperature."""
    wanted = (("t1", "thatch", ""), ("p1", "root_zone_profile", ""), ("w1", "weather", "rain"))
    channels = {
        f"square-1/{probe}/{c.name}": c
        for probe, model, only in wanted
        for c in load_probe(model).channels
        if c.quantity in ("water_content", "soil_temperature", "rain") and only in ("", c.name)
    }
    channels[CORRECTED] = replace(channels[CORRECTED], calibration=BY_TEMPERATURE)
    return channels


CHANNELS = station_channels()
CONTEXT = station_context(
    "square-1",
    CHANNELS,
    cores=(Dated(START_MS - 90 * DAY * SLOT_MS, 0.016), Dated(START_MS + 3 * DAY * SLOT_MS + 1, 0.014)),
    dressings=(Dated(START_MS + 5 * DAY * SLOT_MS, 0.002),),
    rain_channel="square-1/w1/rain",
)


def raw_record(slots: int, seed: int = 7) -> pd.DataFrame:
    """A record with everything in it that a stage must bear: rain, spikes, flat lines, frost, silence, resets."""
    rng = np.random.default_rng(seed)
    tables = []
    n = np.arange(slots)
    rain = np.where(rng.random(slots) < 0.03, rng.uniform(0.2, 3.0, slots), 0.0).round(1)
    total = 5.0 + np.cumsum(rain)
    total[slots // 2 :] -= total[slots // 2] - 0.4  # the sensor was started again
    for k, (channel_id, channel) in enumerate(sorted(CHANNELS.items())):
        t = START_MS + n * SLOT_MS + 150 * k
        if channel.heard == "rain_total":
            value = total.round(2)
            value[slots // 4 : slots // 4 + 120] = np.nan  # thirty hours of silence
        elif channel.quantity == "soil_temperature":
            value = (4.0 + 4.0 * np.sin(2 * np.pi * n / DAY) + rng.normal(0, 0.05, slots)).round(2)
            if channel_id.endswith("_065"):
                value[slots // 2 : slots // 2 + 330] = 6.5  # stuck for three and a half days
        else:
            wet = np.convolve(rain, np.exp(-np.arange(60) / 20.0))[:slots] * (0.6 - 0.05 * k)
            value = (14.0 + wet + rng.normal(0, 0.02, slots)).round(3)
            value[rng.integers(0, slots, slots // 25)] *= 1.8
            value[slots // 3 : slots // 3 + 130] = value[slots // 3]
            value[rng.integers(0, slots, 2)] = 85.0  # outside every calibrated range
        status = np.where(rng.random(slots) < 0.02, rng.choice(["silent", "bad_check", "short"], slots), "ok")
        status[np.isnan(value)] = "silent"
        tables.append(
            pd.DataFrame(
                {
                    "channel": channel_id,
                    "slot": ((START_MS + n * SLOT_MS) // 1000).astype(str),
                    "measured_at_ms": t,
                    "raw": np.where(status == "ok", value, np.nan),
                    "status": status,
                    "clock_ok": rng.random(slots) > 0.005,
                    "received_at_ms": t + 3000,
                }
            )
        )
    table = pd.concat(tables, ignore_index=True)
    return table[rng.random(len(table)) > 0.01].reset_index(drop=True)


def same(a: pd.DataFrame, b: pd.DataFrame) -> None:
    """Tables equal to the last bit, NaN equal to NaN."""
    pd.testing.assert_frame_equal(a.reset_index(drop=True), b.reset_index(drop=True), check_exact=True)


@pytest.fixture(scope="module")
def record() -> pd.DataFrame:
    return raw_record(9 * DAY)


@pytest.fixture(scope="module")
def whole(record: pd.DataFrame) -> Drawn:
    return process(series_of(record), CONTEXT)


class Tables(NamedTuple):
    """Results put together from batches."""

    observations: pd.DataFrame
    findings: pd.DataFrame


def in_batches(record: pd.DataFrame, order: list[pd.DataFrame]) -> Tables:
    """Results after rows arrived in these batches, each worked out over the span it affects and laid over the last."""
    kept: pd.DataFrame = record.iloc[:0]
    observations: dict[tuple[str, int], object] = {}
    findings: dict[tuple[str, int], object] = {}
    for batch in order:
        if batch.empty:
            continue
        kept = pd.concat([kept, batch]).sort_values(["channel", "measured_at_ms"], kind="stable")
        span = affected(int(batch["measured_at_ms"].min()), int(batch["measured_at_ms"].max()))
        at_ms = kept["measured_at_ms"]
        near = kept[(at_ms >= span.start_ms - LEAD_IN_MS) & (at_ms < span.end_ms + LOOK_AHEAD_MS)]
        result = process(series_of(near), CONTEXT, start_ms=span.start_ms, end_ms=span.end_ms)
        for row in result.observations.itertuples(index=False):
            observations[(row.channel, row.measured_at_ms)] = row
        for row in result.findings.itertuples(index=False):
            findings[(row.quantity, row.start_ms)] = row
    return Tables(
        pd.DataFrame([observations[k] for k in sorted(observations)]),
        pd.DataFrame([findings[k] for k in sorted(findings)]),
    )


@settings(max_examples=6, deadline=None)
@given(st.lists(st.floats(0.05, 0.98), min_size=1, max_size=4), st.booleans())
def test_any_batching_gives_identical_results(record, whole, cuts, backwards):
    """Rows in any number of batches, in order or late, end in the same observations and findings to the last bit."""
    edges = [0.0, *sorted(cuts), 1.01]
    at = (record["measured_at_ms"] - START_MS) / (9 * DAY * SLOT_MS)
    batches = [record[(at >= a) & (at < b)] for a, b in itertools.pairwise(edges)]
    result = in_batches(record, batches[::-1] if backwards else batches)
    same(result.observations.astype(whole.observations.dtypes.to_dict()), whole.observations)
    same(result.findings.astype(whole.findings.dtypes.to_dict()), whole.findings)


def test_slot_by_slot_gives_identical_results(record, whole):
    """Live, a slot at a time over half a day, ends as the whole record does."""
    edge = START_MS + (8 * DAY) * SLOT_MS
    slot = record["measured_at_ms"] // SLOT_MS
    after = record["measured_at_ms"] >= edge + 48 * SLOT_MS
    late = (record["measured_at_ms"] >= edge) & ~after
    batches = [
        record[~late & ~after],
        *(record[late & (slot == s)] for s in sorted(slot[late].unique())),
        record[after],
    ]
    result = in_batches(record, batches)
    same(result.observations.astype(whole.observations.dtypes.to_dict()), whole.observations)
    same(result.findings.astype(whole.findings.dtypes.to_dict()), whole.findings)


@pytest.mark.parametrize("stage", (*READING_STAGES, *QUARTER_HOUR_STAGES), ids=lambda s: s.name)
def test_stage_leaves_raw_untouched(record, stage):
    """Raw values and times are the same after a stage, and what is handed in is not written to."""
    handed = observed_until(record, stage)
    before = copy.deepcopy(handed)
    after = stage.run(handed, CONTEXT)
    same_series(handed, before, ChannelSeries.__slots__)
    if stage in READING_STAGES:
        same_series(after, before, ("time_ms", "received_ms", "raw", "heard", "silent"))


@pytest.mark.parametrize("stage", READING_STAGES, ids=lambda s: s.name)
def test_stage_is_idempotent(record, stage):
    """A stage run twice gives what it gives once."""
    once = stage.run(observed_until(record, stage), CONTEXT)
    same_series(stage.run(once, CONTEXT), once, ChannelSeries.__slots__)


def same_series(found: Observed, expected: Observed, names: Sequence[str]) -> None:
    """Channels equal to the last bit in these arrays, NaN equal to NaN."""
    assert list(found) == list(expected)
    for channel, one in found.items():
        for name in names:
            np.testing.assert_array_equal(getattr(one, name), getattr(expected[channel], name))


def observed_until(record: pd.DataFrame, stage) -> Observed:
    """The channels as a stage is handed them."""
    handed = series_of(record)
    for earlier in (*READING_STAGES, *QUARTER_HOUR_STAGES):
        if earlier is stage:
            break
        handed = earlier.run(handed, CONTEXT)
    return handed


def heard_as(record: pd.DataFrame, result: pd.DataFrame) -> pd.DataFrame:
    """Observations with the status of their readings."""
    kept = record[["channel", "measured_at_ms", "status"]]
    return result.merge(kept, on=["channel", "measured_at_ms"], how="left", validate="1:1")


def test_stages_bear_an_empty_frame(record):
    """No rows in, no rows out, with all columns."""
    result = process(series_of(record.iloc[:0]), CONTEXT)
    full = process(series_of(record.iloc[:40]), CONTEXT)
    assert len(result.observations) == 0 and len(result.findings) == 0
    assert list(result.observations.columns) == list(full.observations.columns)
    assert list(result.findings.columns) == list(full.findings.columns)


def test_stages_bear_a_record_of_failures_only(record):
    """A record in which nothing was heard has only missing and failed flags, and findings that are withheld."""
    deaf = record.assign(raw=np.nan, status=np.where(record.index % 2 == 0, "silent", "bad_check"))
    result = process(series_of(deaf), CONTEXT)
    assert set(result.observations["flag"]) == {Flag.MISSING, Flag.FAIL}
    assert result.observations["value"].isna().all()
    assert result.findings["value"].isna().all() and (result.findings["reason"] != "").all()


def test_failed_readings_keep_their_kind(record, whole):
    """Silence and short answers are missing, garbled answers are failed."""
    told = heard_as(record, whole.observations)
    status, flag = told["status"], told["flag"]
    assert (flag[status.isin(["silent", "short"])] == Flag.MISSING).all()
    assert (flag[status == "bad_check"] == Flag.FAIL).all()


def test_a_time_that_is_not_confirmed_changes_nothing_that_is_drawn(record, whole):
    """How wet it is does not depend on who keeps the clock: all rows unconfirmed give what all confirmed do."""
    assert (~record["clock_ok"]).sum() > 20
    for known in (True, False):
        result = process(series_of(record.assign(clock_ok=known)), CONTEXT)
        same(result.observations, whole.observations)
        same(result.findings, whole.findings)


def test_refused_by_the_curve_is_failed(whole):
    """A permittivity of 85, beyond every calibrated range (Topp 1980 ends at 40), has no value and fails."""
    wild = whole.observations[(whole.observations["raw"] == 85.0)]
    assert len(wild) >= 10
    assert wild["value"].isna().all() and (wild["flag"] == Flag.FAIL).all()


def test_changed_calibration_changes_its_own_channel_only(record, whole):
    """A new line for one channel leaves the observations of all others as they were."""
    other = "square-1/p1/moisture_110"
    line = Calibration("linear", {"slope": 0.02, "offset": 0.0}, "made up for this test")
    channels = {**CHANNELS, other: replace(CHANNELS[other], calibration=line)}
    result = process(series_of(record), changed(CONTEXT, channels=channels))
    others = whole.observations["channel"] != other
    same(result.observations[others], whole.observations[others])
    assert not result.observations[~others]["value"].equals(whole.observations[~others]["value"])


def readings(**series: tuple[list[int], list[float]]) -> Observed:
    """Rows of channels of the profile, at minutes, all heard."""
    tables = [
        pd.DataFrame({
            "channel": f"square-1/p1/{name}", "slot": "1", "measured_at_ms": START_MS + 60_000 * np.array(minutes),
            "raw": numbers, "status": "ok", "clock_ok": True, "received_at_ms": START_MS + 60_000 * np.array(minutes),
        })
        for name, (minutes, numbers) in series.items()
    ]  # fmt: skip
    return series_of(pd.concat(tables, ignore_index=True))


def corrected(**series: tuple[list[int], list[float]]) -> pd.DataFrame:
    table = observations_table(calibrate(readings(**series), CONTEXT))
    return table[table["channel"] == CORRECTED]


def test_reading_is_corrected_by_the_thermometer_at_its_depth() -> None:
    """At 30 degC 11 reads 1.0 too high for 0.1 a degree over 20, at 20 degC 10 is 10: 0.1883 by Topp (his table)."""
    found = corrected(
        moisture_160=([0, 60], [11.0, 10.0]), temperature_160=([0, 60], [30.0, 20.0]),
        temperature_035=([0, 60], [5.0, 5.0]),
    )  # fmt: skip
    assert found["value"].to_numpy() == pytest.approx([0.1883, 0.1883], abs=5e-5)
    assert found["raw"].tolist() == [11.0, 10.0]


def test_reading_without_its_temperature_has_no_value() -> None:
    """An hour after the thermometer fell silent, or where it says 200 degC, nothing is made up: MISSING, not FAIL."""
    old = corrected(moisture_160=([0, 60, 61], [11.0] * 3), temperature_160=([0], [30.0]))
    assert old["value"].to_numpy() == pytest.approx([0.1883, 0.1883, np.nan], abs=5e-5, nan_ok=True)
    assert old["flag"].tolist() == [Flag.NOT_EVALUATED, Flag.NOT_EVALUATED, Flag.MISSING]
    wild = corrected(moisture_160=([0], [11.0]), temperature_160=([0], [200.0]))
    assert wild["value"].isna().all() and wild["flag"].tolist() == [Flag.MISSING]


def test_rows_of_unknown_channels_stay_unread(record):
    """A channel that no settings name keeps its raw, has no value and is not evaluated."""
    stray = record.iloc[:20].assign(channel="square-1/x9/moisture", raw=12.0, status="ok", clock_ok=True)
    stray["measured_at_ms"] = START_MS + np.arange(20)
    result = process(series_of(stray), CONTEXT)
    assert (result.observations["flag"] == Flag.NOT_EVALUATED).all() and result.observations["value"].isna().all()


def test_rain_measured_elsewhere_is_used_but_not_kept(record):
    """The rain of another station serves the tests of this one and stays that station's own."""
    away = record.assign(channel=record["channel"].replace("square-1/w1/rain", "outfield-1/w1/rain"))
    channels = {k: c for k, c in CHANNELS.items() if "/w1/" not in k}
    channels["outfield-1/w1/rain"] = CHANNELS["square-1/w1/rain"]
    result = process(series_of(away), changed(CONTEXT, channels=channels, rain_channel="outfield-1/w1/rain"))
    here = process(series_of(record), CONTEXT)
    own = here.observations["channel"] != "square-1/w1/rain"
    same(result.observations, here.observations[own])


def test_two_slots_heard_at_one_time_are_kept_apart():
    """Both are readings, so neither is dropped, in whatever order they come; a slot that comes twice is one, and a
    silent one gives way. A stroke's steps have their own times."""
    slots = ["900", "1800", "1800", "2700", "stroke:1:1", "stroke:2:1"]
    at_ms = [START_MS] * 4 + [START_MS + 500] * 2
    rows = pd.DataFrame({
        "channel": ["square-1/p1/moisture"] * 6, "slot": slots, "measured_at_ms": at_ms,
        "raw": [1.0, 2.0, 2.0, np.nan, 3.0, 4.0],
        "status": ["ok", "ok", "ok", "silent", "ok", "ok"], "clock_ok": True, "received_at_ms": [5, 6, 7, 4, 5, 6],
    })  # fmt: skip
    for order in (rows, rows.iloc[::-1]):
        (one,) = series_of(order).values()
        assert (one.time_ms - START_MS).tolist() == [0, 1, 500] and one.raw.tolist() == [1.0, 2.0, 3.0]


def test_of_two_rows_at_one_time_the_heard_one_stands():
    """A retry that was heard wins over the silence stored beside it, whatever the order."""
    base = {"channel": "square-1/t1/temperature", "measured_at_ms": START_MS, "clock_ok": True, "slot": "1"}
    silent = {**base, "raw": None, "status": "silent", "received_at_ms": 1}
    heard = {**base, "raw": 4.0, "status": "ok", "received_at_ms": 2}
    for rows in ([silent, heard], [heard, silent]):
        result = process(series_of(pd.DataFrame(rows)), CONTEXT)
        assert result.observations["value"].tolist() == [4.0]


# --- calibrate -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("total", "rain"),
    [
        ([0.0, 0.2, 0.2, 1.2], [np.nan, 0.2, 0.0, 1.0]),
        ([512.4, np.nan, np.nan, 513.0], [np.nan, np.nan, np.nan, 0.6]),  # a lost answer loses no rain
        ([512.4, 0.0, 0.6], [np.nan, 0.0, 0.6]),  # reset
        ([512.4, 0.0], [np.nan, np.nan]),  # reset or stray: the next will tell
        ([512.4, 0.0, 512.6], [np.nan, np.nan, 0.2]),  # stray: the next goes on from the one before it
        ([20.0, 9999.0, 20.2], [np.nan, np.nan, 0.2]),
        ([20.0, 9999.0, 9999.0, 26.8, 26.8], [np.nan, np.nan, 0.0, 6.8, 0.0]),  # a sentinel twice tells no rain
        ([20.0, 400.0, 400.2, 400.4], [np.nan, np.nan, 0.2, 0.2]),  # another gauge: it counts from there
        ([512.4, 0.4, 0.4], [np.nan, 0.4, 0.0]),  # reset with rain since
        ([9999.8, 0.4], [np.nan, 0.6]),  # rolls over at 10000
        ([9999.8, 5000.0, 5000.2], [np.nan, np.nan, 0.2]),  # not a rollover, and no rain of a reset
        ([10.01, 10.0, 10.2], [np.nan, 0.0, 0.2]),  # the last digit of a rounded total
    ],
)
def test_rain_is_the_difference_of_the_total(total, rain):
    """Rain by hand-made differences (algebra), through silence, resets and the end of the counter."""
    times = np.arange(len(total), dtype=np.int64) * SLOT_MS
    # tolerance: one part in 1e9 of the largest total, for the subtraction
    np.testing.assert_allclose(rain_from_total(times, np.array(total)), rain, atol=1e-8)


def test_rain_after_two_days_of_silence_is_not_dated():
    """Rain whose total was last heard more than two days ago fell at no known time, and is not given to one."""
    times = np.array([0, RAIN_GAP_MS, 2 * RAIN_GAP_MS + 1], dtype=np.int64)
    np.testing.assert_array_equal(rain_from_total(times, np.array([1.0, 3.0, 9.0])), [np.nan, 2.0, np.nan])


def test_cone_force_becomes_pressure_on_its_base():
    """1000 N on 129.28 mm2 is 7735.1 kPa (ASAE S313.3: cone index is force over base area; division)."""
    force = load_probe("cone_hard").channel("force")
    assert calibrated(force, np.array([1000.0]))[0] == pytest.approx(7735.149, abs=1e-3)


def test_water_content_by_topp_and_malicki():
    """Permittivity 20 is 0.3454 by Topp 1980 and 0.4769 by Malicki 1996 at 0.3 g/cm3 (computed independently)."""
    topp = calibrated(CHANNELS["square-1/p1/moisture_035"], np.array([20.0]))[0]
    malicki = calibrated(CHANNELS["square-1/t1/moisture"], np.array([20.0]))[0]
    assert (round(topp, 4), round(malicki, 4)) == (0.3454, 0.4769)


def test_affected_span_holds_what_may_change():
    """The span is of whole quarter hours and reaches back by the look-ahead."""
    span = affected(START_MS + 5, START_MS + 5)
    assert span.start_ms == START_MS - LOOK_AHEAD_MS
    assert all(edge % SLOT_MS == 0 for edge in (span.start_ms, span.end_ms))
