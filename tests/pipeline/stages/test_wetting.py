"""What the wetting stage says of a station: hand-made storms, and the law that batches do not matter."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.soil.wetting import Watering
from pipeline.stages.stage import Record, find, find_each, findings_table, read_span
from pipeline.stages.wetting import DEPTH_QUANTITIES, DRYING_QUANTITIES, WETTING_QUANTITIES
from tests.pipeline.contexts import changed
from tests.pipeline.storms import (
    CONTEXT,
    DAY,
    HOUR_MS,
    SLOT_MS,
    SOIL,
    STAGES,
    START_MS,
    found,
    long_record,
    raw,
    record,
    storm,
)


@pytest.fixture(scope="module")
def one() -> pd.DataFrame:
    return found(storm())


def test_storm_by_hand(one):
    """8 mm given. Weights of 20, 50, 95 mm to 200 mm are 35, 37.5 and 47.5 mm: gain .05 x 35 + .04 x 37.5 + .03 x 47.5
    = 4.675 mm in the root zone; the thatch of 15 mm caught .30 x 15 = 4.5 mm (algebra; the probe's raw is exact)."""
    at = one.loc["green-1"]
    assert at.loc["wetting_given", "value"] == pytest.approx(8.0)
    assert at.loc["wetting_root_gain", "value"] == pytest.approx(4.675)
    assert at.loc["wetting_thatch_gain", "value"] == pytest.approx(4.5, abs=0.01)
    assert at.loc["capture_share", "value"] == pytest.approx(4.5 / 8.0, abs=0.002)
    assert at.loc["arrival_seen_share", "value"] == pytest.approx(4.675 / 8.0, abs=1e-6)
    assert 4.0 / 8.0 < at.loc["arrival_share", "value"] < 6.0 / 8.0 and at.loc["arrival_failed_chance", "value"] > 0.2
    assert at.loc["bypass_flow", "value"] == 0.0
    lines = sum(at.loc[q, "value"] for q in ("wetting_root_gain", "wetting_below_gain", "wetting_thatch_kept"))
    assert lines + at.loc["wetting_unaccounted", "value"] == pytest.approx(8.0)


def test_lags_and_gains_by_depth_stand_under_the_channels(one):
    """Arrivals 60, 180 and 480 min after the first rain; the station's lag is that of the first channel at 50 mm."""
    lags = [one.loc[(i, "arrival_lag"), "value"] for i in SOIL[:3]]
    assert lags == [60.0, 180.0, 480.0] and one.loc[("green-1", "arrival_lag"), "value"] == 180.0
    assert [one.loc[(i, "wetting_gain"), "value"] for i in SOIL[:3]] == pytest.approx([0.05, 0.04, 0.03])
    assert one.loc[(SOIL[4], "arrival_lag"), "reason"] == "no arrival within a day"


def test_findings_stand_at_the_first_water_and_end_with_the_last(one):
    """All of one wetting share its times: first and last reading of the gauge that has rain."""
    gauge = START_MS + 1000 + 100 * list(storm()).index("green-1/w1/rain")
    assert set(one["start_ms"]) == {gauge + 397 * SLOT_MS} and set(one["end_ms"]) == {gauge + 400 * SLOT_MS}


def test_evaporation_is_named_where_it_is_not_measured(one):
    """No sun in the record: evaporation is withheld with its reason, and the remainder says that it is in there."""
    assert "sun" in one.loc[("green-1", "wetting_evaporation"), "reason"]
    assert "evaporation" in one.loc[("green-1", "wetting_unaccounted"), "reason"]


def test_evaporation_by_sun_and_air_enters_the_account(one):
    """200 W/m2 at 20 degC: Makkink .65 x .682 x .408 x .72 MJ/h = .1303 mm an hour (FAO-56 tables, by hand)."""
    series = storm()
    series["green-1/w1/air_temperature"] = np.full(12 * DAY, 20.0)
    series["green-1/w1/sun"] = np.full(12 * DAY, 200.0)
    sunny = found(series)
    evaporation = sunny.loc[("green-1", "wetting_evaporation"), "value"]
    hours = evaporation / 0.1303
    assert 7.0 < hours < 27.0  # the account is struck between the last arrival and a day after the rain
    before, after = (t.loc[("green-1", "wetting_unaccounted"), "value"] for t in (one, sunny))
    assert before - after == pytest.approx(evaporation)


def test_watering_from_the_diary_counts(one):
    """A watering of 6 mm at slot 200 that wets the thatch is a wetting of 6 mm; without its amount, of none known."""
    series = storm()
    n = np.arange(12 * DAY)
    series["green-1/t1/moisture"] += np.where((n >= 200) & (n < 390), 0.1 * np.exp(-(n - 200) / 50.0), 0.0)
    at_ms = START_MS + 200 * SLOT_MS
    measured = changed(CONTEXT, waterings=(Watering(at_ms, at_ms + HOUR_MS, 6.0),))
    for context, amount in ((measured, 6.0), (changed(CONTEXT, waterings=(Watering(at_ms, at_ms + HOUR_MS),)), np.nan)):
        rows = found(series, context).loc[("green-1", "wetting_given")]
        np.testing.assert_allclose(rows["value"].to_numpy(), [amount, 8.0])
        assert rows["start_ms"].iloc[0] == at_ms


def test_rise_that_nobody_explains_is_a_wetting_of_unknown_amount():
    """The same storm with a dead gauge: gains and lags stand, what was given does not."""
    series = storm()
    series["green-1/w1/rain"] = np.full(12 * DAY, 5.0)
    blind = found(series).loc["green-1"]
    assert blind.loc["wetting_given", "reason"] == "nobody wrote down how much was given"
    assert np.isnan(blind.loc["arrival_share", "value"])
    assert blind.loc["wetting_root_gain", "value"] == pytest.approx(4.675)


def test_without_a_core_nothing_is_said_of_thatch():
    """No thickness: no thatch line, no capture."""
    bare = found(storm(), changed(CONTEXT, cores=())).loc["green-1"]
    assert not any("thatch" in q or q == "capture_share" for q in bare.index)


def test_dry_weather_finds_nothing():
    """No rain, no rise: no findings."""
    series = {i: np.full(4 * DAY, 0.25) for i in SOIL} | {"green-1/w1/rain": np.full(4 * DAY, 5.0)}
    assert len(found(series)) == 0


CAN_BE = {
    "wetting_given": (0, 1000), "wetting_thatch_kept": (-100, 100), "wetting_root_gain": (-200, 300),
    "wetting_below_gain": (-200, 600), "wetting_evaporation": (0, 100), "wetting_unaccounted": (-600, 1000),
    "arrival_share": (0, 1), "arrival_seen_share": (-10, 10), "arrival_failed_chance": (0, 1),
    "wetting_thatch_gain": (0, 100), "capture_share": (0, 10), "bypass_flow": (0, 1),
    "thatch_thickness_proxy": (0, 1), "arrival_lag": (0, 6000), "wetting_gain": (-1, 1), "hold_time": (0, 168),
    "flash_off": (-100, 100), "thatch_recession": (0, 1440), "root_zone_recession": (0, 6000),
}  # fmt: skip
"""Lowest and highest each may be, whatever the ground and the water: order of size, our own. [unit of the catalogue]"""


def test_every_finding_is_within_what_it_can_be(one):
    """Each finding is named by its stage, and its value is possible."""
    named = {*WETTING_QUANTITIES, *DRYING_QUANTITIES, *DEPTH_QUANTITIES}
    assert set(one.index.get_level_values("quantity")) <= named == set(CAN_BE)
    for (_, quantity), row in one.dropna(subset="value").iterrows():
        assert CAN_BE[quantity][0] <= row["value"] <= CAN_BE[quantity][1]


# --- the laws ---------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def heard() -> Record:
    return record(long_record())


def table_of(heard: Record, first_ms: int, last_ms: int) -> dict[tuple[str, str, int], tuple]:
    table = findings_table(find(STAGES, heard, CONTEXT, first_ms, last_ms + 1), CONTEXT.station)
    return {(r.station, r.quantity, r.start_ms): tuple(r) for r in table.itertuples(index=False)}


@pytest.fixture(scope="module")
def whole(heard) -> dict[tuple[str, str, int], tuple]:
    return table_of(heard, START_MS, START_MS + 45 * DAY * SLOT_MS)


def test_record_of_the_law_has_what_it_must(whole):
    """Rains of days that are cut, waterings found by the probes alone, withheld and given shares."""
    given_mm = [v[4] for k, v in whole.items() if k[1] == "wetting_given"]
    assert len(given_mm) >= 15 and sum(np.isnan(given_mm)) >= 2
    spans = [v[3] - v[2] for k, v in whole.items() if k[1] == "wetting_given"]
    assert max(spans) > 36 * HOUR_MS
    shares = [v[4] for k, v in whole.items() if k[1] == "arrival_share"]
    assert 0 < sum(np.isnan(shares)) < len(shares)


def merged(one: Record, other: Record) -> Record:
    """Two records of one station as one."""

    def both(a: dict, b: dict) -> dict:
        series = {}
        for name in {*a, *b}:
            parts = [m[name] for m in (a, b) if name in m]
            times = np.concatenate([p[0] for p in parts])
            order = np.argsort(times)
            series[name] = (times[order], np.concatenate([p[1] for p in parts])[order])
        return series

    return Record(both(one.channels, other.channels), both(one.findings, other.findings))


def in_batches(heard: Record, batches: list[tuple[int, int]]) -> dict[tuple[str, str, int], tuple]:
    """What is stored in the end when a record comes in these parts, each drawn within its reach alone."""
    kept, stored = Record({}, {}), {}
    for begin, end in batches:
        if begin == end:
            continue
        kept = merged(kept, heard.between(begin, end))
        within = kept.between(*read_span(STAGES, CONTEXT, begin, end))
        for stage, spans, _ in find_each(STAGES, within, CONTEXT, begin, end):
            named = {*stage.findings, *stage.channel_findings}
            for key in [k for k in stored if k[1] in named and any(a <= k[2] < b for a, b in spans)]:
                del stored[key]
        stored |= table_of(within, begin, end - 1)
    return stored


def assert_same(stored: dict[tuple[str, str, int], tuple], whole: dict[tuple[str, str, int], tuple]) -> None:
    assert sorted(stored) == sorted(whole)
    for key in whole:
        np.testing.assert_array_equal(stored[key][4:7], whole[key][4:7])
        assert stored[key][:4] == whole[key][:4] and stored[key][7:] == whole[key][7:]


@settings(max_examples=5, deadline=None)
@given(cuts=st.lists(st.floats(0.02, 0.98), min_size=1, max_size=5), order=st.randoms(use_true_random=False))
def test_any_batching_gives_identical_findings(heard, whole, cuts, order):
    """What the quarter-hour stages say may come in any number of batches, in any order: when the periods each batch
    touches are drawn anew from what lies within their reach, the findings end the same to the last bit."""
    edges = [START_MS + int(c * 45 * DAY) * SLOT_MS for c in (0.0, *sorted(cuts), 1.0)]
    batches = list(itertools.pairwise(edges))
    order.shuffle(batches)
    assert_same(in_batches(heard, batches), whole)


@pytest.mark.parametrize("late_first", [False, True])
def test_a_spell_known_by_its_last_reading_cuts_the_account_before_it_short(late_first):
    """Drizzle of 2.7 days comes to 1 mm with its last reading. Only then is it a wetting, and the account of the rain
    that ended 20 hours before it began, four and a half days ago, ends where it begins; the last reading may come first
    or last."""
    slots, drizzle, last = 12 * DAY, 5 * DAY + 2, 5 * DAY + 264
    n = np.arange(slots)
    rain = np.zeros(slots)
    rain[drizzle - 176 : drizzle - 80 : 16] = 1.0
    rain[drizzle - 80] = 1.0
    rain[drizzle : drizzle + 253 : 21] = 0.07
    rain[last] = 0.5
    rising = 0.10 * np.clip((n - (drizzle - 176)) / 272, 0.0, 1.0)  # the soil fills until a day after that rain
    series = {i: 0.15 + rising for i in (*SOIL, "green-1/t1/moisture")}
    heard = record(raw(series | {"green-1/w1/rain": 5.0 + np.cumsum(rain)}))
    begin, cut, end = (START_MS + slot * SLOT_MS for slot in (0, last, slots))
    whole = table_of(heard, begin, end)
    given_mm = [row[4] for key, row in whole.items() if key[1] == "wetting_given"]
    assert given_mm == pytest.approx([7.0, 1.41])
    batches = [(begin, cut), (cut, end)]
    assert_same(in_batches(heard, batches[::-1] if late_first else batches), whole)


def test_stages_bear_an_empty_record_and_one_of_failures():
    """Nothing heard, or nothing but silence: no findings and no error."""
    assert len(find(STAGES, Record({}, {}), CONTEXT, START_MS, START_MS + DAY * SLOT_MS)) == 0
    deaf = {i: np.full(DAY, np.nan) for i in (*SOIL, "green-1/t1/moisture", "green-1/w1/rain")}
    assert len(found(deaf)) == 0


def test_gap_about_a_storm_withholds_with_a_reason():
    """Soil silent for the day before the rain: gains are withheld and say so, the gauge's line stands."""
    series = storm()
    for i in SOIL:
        series[i][280:400] = np.nan
    gappy = found(series).loc["green-1"]
    assert gappy.loc["wetting_given", "value"] == pytest.approx(8.0)
    assert gappy.loc["wetting_root_gain", "reason"] == "no good reading before the water"
    assert np.isnan(gappy.loc["arrival_seen_share", "value"])
