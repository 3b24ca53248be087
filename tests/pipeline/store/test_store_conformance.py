"""What every series store must do, run over each of them.

Expected values are the rows put in and plain algebra over them (sorting, least, mean, greatest).
"""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from hardware.reading import Reading, Redated, Status
from pipeline.store import FINDING_COLUMNS, OBSERVATION_COLUMNS, RAW_COLUMNS, STEP_COLUMNS
from pipeline.store.series import SqlStore
from pipeline.units import DAY_MS, HOUR_MS, MINUTE_MS, Flag
from tests.pipeline.store.keeping import date_again, keep

T0_MS = 1_704_067_200_000  # midnight, 1 January 2024 UTC
FOREVER = (0, 7_000_000_000_000)
C0, C1 = "square-1/p1/c0", "square-1/p1/c1"


def reading(site, seq, channel=C0, minutes=0, **changes):
    at_ms = T0_MS + minutes * 60_000
    slot = str(at_ms // 1000)
    plain = Reading(site, "north", "0123456789abcdef", seq, channel, slot, at_ms, 0.25, Status.OK, 1, True)
    return dataclasses.replace(plain, **changes)


def observation_rows(channel, minutes, value, flag=Flag.GOOD, version=1):
    count = len(minutes)
    return pd.DataFrame(
        {
            "channel": [channel] * count,
            "measured_at_ms": [T0_MS + m * 60_000 for m in minutes],
            "raw": np.asarray(value, dtype=float) * 2,
            "value": np.asarray(value, dtype=float),
            "flag": [int(flag)] * count,
            "stage_version": [version] * count,
            "received_at_ms": [T0_MS + 7] * count,
        }
    )


def finding_rows(quantity, minutes, value, reason=None, version=1, station="square-1"):
    count = len(minutes)
    times = [T0_MS + m * 60_000 for m in minutes]
    return pd.DataFrame(
        {
            "station": [station] * count,
            "quantity": [quantity] * count,
            "start_ms": times,
            "end_ms": [t + 1000 for t in times],
            "value": np.asarray(value, dtype=float),
            "low": np.asarray(value, dtype=float) - 1,
            "high": [np.nan] * count,
            "n": [6] * count,
            "reason": [reason] * count,
            "stage_version": [version] * count,
        }
    )


def same(found, expected):
    """Assert two frames alike in values and columns, whatever their index."""
    pd.testing.assert_frame_equal(
        found.reset_index(drop=True), expected.reset_index(drop=True), check_dtype=False, check_exact=True
    )


def test_a_reading_sent_twice_is_kept_once(store, site):
    """The identity (site, node, outbox_id, seq) is kept once, whether it comes again alone or within a batch."""
    first = [reading(site, 1), reading(site, 2, minutes=15)]
    keep(store, first, 5)
    before = store.raw([C0], *FOREVER)
    keep(store, first, 6)
    keep(store, [*first, reading(site, 3, minutes=30), reading(site, 3, minutes=30)], 6)
    after = store.raw([C0], *FOREVER)
    assert len(before) == 2 and len(after) == 3
    assert after["measured_at_ms"].tolist() == [T0_MS, T0_MS + 900_000, T0_MS + 1_800_000]


def test_two_outboxes_may_use_the_same_seq(store, site):
    """Seq is counted by each outbox for itself: the same number from two of them is two readings."""
    keep(store, [reading(site, 1), reading(site, 1, outbox_id="f" * 16), reading(site, 1, node="south")], 5)
    assert len(store.raw([C0], *FOREVER)) == 3


def test_rows_come_by_channel_and_time_however_they_arrived(store, site):
    """Late and disordered readings stand in their place by channel and time (sorting)."""
    minutes = [45, 0, 30, 15]
    keep(store, [reading(site, i + 1, C1 if i % 2 else C0, m) for i, m in enumerate(minutes)], 5)
    keep(store, [reading(site, 9, C0, 20), reading(site, 10, C1, -15)], 6)
    found = store.raw([C1, C0], *FOREVER)
    times = ((found["measured_at_ms"] - T0_MS) // 60_000).tolist()
    assert list(zip(found["channel"], times, strict=True)) == [
        *((C0, 20), (C0, 30), (C0, 45)),
        *((C1, -15), (C1, 0), (C1, 15)),
    ]
    assert found["received_at_ms"].tolist() == [6, 5, 5, 6, 5, 5]


def test_a_reading_comes_back_as_it_was_heard(store, site):
    """Value, status, slot and clock come back as they were put in, whatever kind of reading it is."""
    keep(
        store,
        [
            reading(site, 1, raw=0.1 + 0.2),
            reading(site, 2, minutes=1, raw=None, status=Status.SILENT),
            reading(site, 3, minutes=2, slot="stroke:7:3", clock_ok=False),
            reading(site, 4, minutes=3, slot="0123", attempts=2, noisy=True),
            reading(site, 5, minutes=4, slot="9" * 19, raw=-0.0),
        ],
        5,
    )
    found = store.raw([C0], *FOREVER)
    assert list(found.columns) == list(RAW_COLUMNS)
    assert found["raw"].iloc[0] == 0.1 + 0.2 and np.isnan(found["raw"].iloc[1])
    assert found["status"].tolist() == ["ok", "silent", "ok", "ok", "ok"]
    assert found["slot"].tolist()[2:] == ["stroke:7:3", "0123", "9" * 19]
    assert found["clock_ok"].tolist() == [True, True, False, True, True]
    assert (found["noisy"].tolist(), found["attempts"].tolist()) == ([False] * 3 + [True, False], [1, 1, 1, 2, 1])
    types = {name: str(found[name].dtype) for name in ("measured_at_ms", "raw", "clock_ok", "noisy", "received_at_ms")}
    assert types == {"measured_at_ms": "int64", "raw": "float64", "clock_ok": "bool", "noisy": "bool",
                     "received_at_ms": "int64"}  # fmt: skip


def test_slots_that_are_texts_stay_with_their_readings(store, site):
    """Strokes of several arrivals, among grid slots and out of order, keep each its own name."""
    slots = ["stroke:7:1", "1704067200", "stroke:7:2", "stroke:8:1", "0123", "stroke:7:1"]
    sent = [reading(site, i + 1, minutes=i, slot=slot) for i, slot in enumerate(slots)]
    for some in (sent[4:6], sent[0:2], sent[2:4]):
        keep(store, some, 5)
    assert store.raw([C0], *FOREVER)["slot"].tolist() == slots
    assert store.raw([C0], T0_MS + 120_000, T0_MS + 240_000)["slot"].tolist() == slots[2:4]


@pytest.mark.parametrize("status", list(Status))
def test_every_status_comes_back(store, site, status):
    """Each way a reading can end is kept as that way."""
    keep(store, [reading(site, 1, raw=1.0 if status is Status.OK else None, status=status)], 5)
    assert store.raw([C0], *FOREVER)["status"].tolist() == [status.value]


def test_a_span_has_its_start_and_not_its_end(store, site):
    """start <= t < end to the millisecond, for readings, observations and findings."""
    keep(store, [reading(site, i + 1, minutes=m) for i, m in enumerate((0, 15, 30))], 5)
    store.upsert_observations(observation_rows(C0, [0, 15, 30], [1, 2, 3]))
    store.upsert_findings(finding_rows("thatch_water", [0, 15, 30], [1, 2, 3]))
    for start, end, expected in ((0, 1_800_000, 2), (1, 1_800_000, 1), (0, 1_800_001, 3), (900_000, 900_000, 0)):
        span = (T0_MS + start, T0_MS + end)
        assert len(store.raw([C0], *span)) == expected
        assert len(store.observations([C0], *span)) == expected
        assert len(store.findings("square-1", None, *span)) == expected


@pytest.mark.parametrize("page_ms", [900_000, 1_000_000, 5_000_000])
def test_pages_side_by_side_are_the_whole(store, site, page_ms):
    """Cut into pages of any length, a span gives each row once and in order."""
    minutes = list(range(0, 300, 15))
    keep(store, [reading(site, i + 1, minutes=m) for i, m in enumerate(minutes)], 5)
    store.upsert_observations(observation_rows(C0, minutes, np.arange(len(minutes))))
    end = T0_MS + 300 * 60_000
    pages = range(T0_MS, end, page_ms)
    for read in (store.raw, store.observations):
        cut = pd.concat([read([C0], start, min(start + page_ms, end)) for start in pages], ignore_index=True)
        same(cut, read([C0], T0_MS, end))
        assert len(cut) == len(minutes)


@pytest.mark.parametrize("limit", [1, 2, 5, 6, 7, 100])
def test_pages_of_a_limit_side_by_side_are_the_whole(store, limit):
    """Each page begins behind the last row of the one before, over the edges of channels, whatever order they are asked
    in; none is longer than the limit, and only the last is shorter."""
    for channel, minutes in ((C0, range(0, 90, 15)), (C1, range(-30, 75, 15))):
        store.upsert_observations(observation_rows(channel, list(minutes), np.arange(len(minutes))))
    asked, span = [C1, "square-1/p1/none", C0], (T0_MS - 900_000, T0_MS + 3_600_001)
    whole = store.observations(asked, *span)
    assert len(whole) == 5 + 6
    pages, after = [], None
    while not pages or len(pages[-1]) == limit:
        pages.append(store.observations(asked, *span, after=after, limit=limit))
        if not pages[-1].empty:
            after = (pages[-1]["channel"].iloc[-1], int(pages[-1]["measured_at_ms"].iloc[-1]))
    assert [len(page) for page in pages[:-1]] == [limit] * (11 // limit)
    same(pd.concat(pages, ignore_index=True), whole)


@pytest.mark.parametrize("limit", [1, 2, 4, 5, 9, 100])
@pytest.mark.parametrize("quantities", [None, ["thatch_water", "none", "root_zone_water"]], ids=["all", "named"])
def test_pages_of_findings_side_by_side_are_the_whole(store, limit, quantities):
    """Each page begins behind the last row of the one before, over the edges of quantities, with the reasons of its own
    rows and without findings that were removed; only the last is shorter than the limit."""
    for quantity, minutes in (("thatch_water", range(0, 75, 15)), ("root_zone_water", range(-30, 45, 15))):
        rows = finding_rows(quantity, list(minutes), np.arange(len(minutes)))
        store.upsert_findings(rows.assign(reason=["", "no probe", None, "why", ""]))
    store.delete_findings("square-1", ["thatch_water"], T0_MS + 15 * MINUTE_MS, T0_MS + 16 * MINUTE_MS)
    span = (T0_MS - 2 * 900_000, T0_MS + 3_600_001)
    whole = store.findings("square-1", quantities, *span)
    assert len(whole) == 9
    pages, after = [], None
    while not pages or len(pages[-1]) == limit:
        pages.append(store.findings("square-1", quantities, *span, after=after, limit=limit))
        if not pages[-1].empty:
            after = (pages[-1]["quantity"].iloc[-1], int(pages[-1]["start_ms"].iloc[-1]))
    assert [len(page) for page in pages[:-1]] == [limit] * (9 // limit)
    same(pd.concat([page for page in pages if len(page)], ignore_index=True), whole)
    beyond = store.findings("square-1", quantities, *span, after=("sand", 0))
    assert beyond["quantity"].unique().tolist() == ["thatch_water"]


def test_a_place_need_not_be_that_of_a_row(store):
    """What comes after a place is told by its order alone: between rows, before the span, at a channel without rows."""
    store.upsert_observations(pd.concat([observation_rows(C0, [0, 30], [1, 2]), observation_rows(C1, [0], [3])]))

    def values(place, **more):
        return store.observations([C0, C1], *more.pop("span", FOREVER), after=place, **more)["value"].tolist()

    assert values((C0, T0_MS + 900_000)) == [2, 3]
    assert values((C0, 0), span=(T0_MS + 1, FOREVER[1])) == [2]
    assert values(("square-1/p1/c00", 0), limit=1) == [3]
    assert values((C1, T0_MS)) == [] and values(("x/y/z", 0), limit=5) == []


def test_an_observation_is_replaced_by_a_later_one_of_its_identity(store):
    """Upserting (channel, measured_at_ms) again replaces every column, and touches no other row."""
    store.upsert_observations(observation_rows(C0, [0, 15, 30], [1, 2, 3]))
    store.upsert_observations(observation_rows(C1, [15], [9]))
    again = observation_rows(C0, [15], [5], flag=Flag.SUSPECT, version=2)
    store.upsert_observations(again)
    store.upsert_observations(again)
    found = store.observations([C0, C1], *FOREVER)
    assert found["value"].tolist() == [1, 5, 3, 9]
    assert found["flag"].tolist() == [1, 3, 1, 1]
    assert found["stage_version"].tolist() == [1, 2, 1, 1]


def test_a_write_names_what_it_changed(store):
    """Rows that were not kept just so are within the span told of their channel or quantity; a store that can tell
    says nothing of the others."""
    exact = isinstance(store, SqlStore)
    rows = observation_rows(C0, [0, 15, 30], [1, np.nan, 3])
    assert store.upsert_observations(rows) == {C0: (T0_MS, T0_MS + 30 * MINUTE_MS)}
    assert not exact or store.upsert_observations(rows) == {}
    told = store.upsert_observations(
        pd.concat([observation_rows(C0, [15, 30], [2, 3]), observation_rows(C1, [0], [1])])
    )
    assert told == {C0: (T0_MS + 15 * MINUTE_MS, T0_MS + (15 if exact else 30) * MINUTE_MS), C1: (T0_MS, T0_MS)}
    withheld = finding_rows("thatch_water", [0, 15], [1, np.nan]).assign(reason=["", "no probe"])
    assert store.upsert_findings(withheld) == {"thatch_water": (T0_MS, T0_MS + 15 * MINUTE_MS)}
    assert not exact or store.upsert_findings(withheld) == {}
    told = store.upsert_findings(withheld.assign(reason=["", "another"]))
    assert told == {"thatch_water": (T0_MS + (15 if exact else 0) * MINUTE_MS, T0_MS + 15 * MINUTE_MS)}


def test_series_are_the_believed_values_of_the_rows(store):
    """Times and values by name, NaN for what is refused or withheld, and no entry for a name without rows."""
    store.upsert_observations(observation_rows(C0, [0, 15, 30], [1, 2, np.nan]))
    store.upsert_observations(observation_rows(C1, [0], [4], flag=Flag.SUSPECT))
    found = store.channel_series([C1, C0, "s9/p1/x"], T0_MS, T0_MS + 30 * MINUTE_MS)
    assert list(found) == [C0, C1]
    np.testing.assert_array_equal(found[C0], ([T0_MS, T0_MS + 15 * MINUTE_MS], [1.0, 2.0]))
    np.testing.assert_array_equal(found[C1], ([T0_MS], [np.nan]))
    store.upsert_findings(finding_rows("thatch_water", [0, 15], [1, np.nan]))
    kept = store.finding_series("square-1", ["thatch_water", "thatch_air"], *FOREVER)
    assert list(kept) == ["thatch_water"]
    np.testing.assert_array_equal(kept["thatch_water"], ([T0_MS, T0_MS + 15 * MINUTE_MS], [1.0, np.nan]))


def test_observations_come_back_exactly(store):
    """What was put in comes back to the last bit, sorted, with the columns in their order."""
    rows = pd.concat([observation_rows(C1, [15, 0], [0.1, 0.7]), observation_rows(C0, [0], [1 / 3])])
    store.upsert_observations(rows)
    found = store.observations([C0, C1], *FOREVER)
    same(found, rows.sort_values(["channel", "measured_at_ms"])[list(OBSERVATION_COLUMNS)])
    assert str(found["flag"].dtype) == "int64" and str(found["value"].dtype) == "float64"


def test_a_missing_value_and_a_gap_stay_missing(store):
    """NaN comes back as NaN, a time without a row gives no row, and NaN replaces a value and is replaced by one."""
    store.upsert_observations(observation_rows(C0, [0, 15, 45], [1, np.nan, 2], flag=Flag.MISSING))
    assert np.isnan(store.observations([C0], *FOREVER)["value"].tolist()[1])
    store.upsert_observations(observation_rows(C0, [0, 15], [np.nan, 4]))
    found = store.observations([C0], *FOREVER)
    assert len(found) == 3
    assert np.isnan(found["value"].iloc[0]) and np.isnan(found["raw"].iloc[0])
    assert found["value"].tolist()[1:] == [4, 2]


@pytest.mark.parametrize("version", [3, "quality-2"])
def test_a_stage_version_comes_back_as_number_or_text(store, version):
    """A version is whatever the stages call it."""
    store.upsert_observations(observation_rows(C0, [0], [1], version=version))
    store.upsert_findings(finding_rows("thatch_water", [0], [1], version=version))
    assert store.observations([C0], *FOREVER)["stage_version"].tolist() == [version]
    assert store.findings("square-1", None, *FOREVER)["stage_version"].tolist() == [version]


def test_latest_is_the_last_by_time_of_measurement(store):
    """Not the last to arrive; missing ones count, rows dated ahead too; a channel without rows is left out."""
    store.upsert_observations(observation_rows(C0, [30], [3]))
    store.upsert_observations(observation_rows(C0, [15], [2]))
    store.upsert_observations(observation_rows(C1, [10**6], [np.nan], flag=Flag.MISSING))
    found = store.latest([C1, "square-1/p1/none", C0])
    assert found["channel"].tolist() == [C0, C1]
    assert found["measured_at_ms"].tolist() == [T0_MS + 30 * 60_000, T0_MS + 10**6 * 60_000]
    assert found["value"].tolist()[0] == 3 and np.isnan(found["value"].iloc[1])
    assert list(found.columns) == list(OBSERVATION_COLUMNS)


def test_a_missed_slot_hides_no_last_answer(store):
    """The last answer is the last that is not missing, believed or not, whatever was missed after it and whenever it
    arrived; a channel that never answered is left out."""
    store.upsert_observations(observation_rows(C0, [0, 15], [1, 2]))
    store.upsert_observations(observation_rows(C0, [30, 45, 60], [np.nan] * 3, flag=Flag.MISSING))
    store.upsert_observations(observation_rows(C1, [0], [7], flag=Flag.FAIL))
    store.upsert_observations(observation_rows("square-1/p1/mute", [0, 15], [np.nan] * 2, flag=Flag.MISSING))
    asked = [C1, "square-1/p1/none", "square-1/p1/mute", C0]
    found = store.last_answers(asked)
    assert found["channel"].tolist() == [C0, C1] and list(found.columns) == list(OBSERVATION_COLUMNS)
    assert found["measured_at_ms"].tolist() == [T0_MS + 15 * 60_000, T0_MS]
    assert found["value"].tolist() == [2, 7] and found["flag"].tolist() == [Flag.GOOD, Flag.FAIL]
    store.upsert_observations(observation_rows(C0, [40], [5], flag=Flag.SUSPECT))
    assert store.last_answers([C0])["value"].tolist() == [5]


def test_what_was_measured_after_a_moment_is_not_the_last_until_then(store):
    """However far ahead it is dated, and through days that hold nothing else."""
    far = 170 * 366 * 24 * 60  # minutes
    store.upsert_observations(observation_rows(C0, [0, 15, 30, far, far + 15], [1, 2, np.nan, 4, 5]))
    store.upsert_observations(observation_rows(C0, [30], [np.nan], flag=Flag.MISSING))
    store.upsert_observations(observation_rows(C1, [far], [7]))
    until_ms = T0_MS + 60 * 60_000
    assert store.last_answers([C0, C1], until_ms)["value"].tolist() == [2]
    assert store.latest([C0, C1], until_ms)["measured_at_ms"].tolist() == [T0_MS + 30 * 60_000]
    assert store.last_answers([C0], T0_MS + 15 * 60_000)["value"].tolist() == [2]
    assert store.latest([C0, C1], T0_MS - 1).empty
    assert store.last_answers([C0, C1])["value"].tolist() == [5, 7]


def test_steps_of_a_day_are_least_mean_and_greatest_of_what_may_be_believed(store):
    """Days are UTC; suspect, failed and missing values do not count; a later upsert redoes its day (algebra)."""
    store.upsert_observations(observation_rows(C0, [0, 60, 24 * 60 - 1], [1, 2, 6]))
    store.upsert_observations(observation_rows(C0, [30], [100], flag=Flag.SUSPECT))
    store.upsert_observations(observation_rows(C0, [45], [np.nan], flag=Flag.MISSING))
    store.upsert_observations(observation_rows(C0, [24 * 60], [8], flag=Flag.NOT_EVALUATED))
    store.upsert_observations(observation_rows(C0, [48 * 60], [9], flag=Flag.FAIL))
    found = store.steps([C0, C1], *FOREVER, DAY_MS)
    assert list(found.columns) == list(STEP_COLUMNS)
    assert found.values.tolist() == [[C0, T0_MS, 1, 3, 6, 3], [C0, T0_MS + DAY_MS, 8, 8, 8, 1]]
    store.upsert_observations(observation_rows(C0, [60], [5]))
    store.upsert_observations(observation_rows(C0, [24 * 60], [8], flag=Flag.FAIL))
    assert store.steps([C0], *FOREVER, DAY_MS).values.tolist() == [[C0, T0_MS, 1, 4, 6, 3]]
    assert store.steps([C0], T0_MS + 1, T0_MS + 2 * DAY_MS, DAY_MS).empty


@pytest.mark.parametrize("step_ms", [HOUR_MS, 2_700_000, DAY_MS, 7 * DAY_MS])
def test_steps_of_any_length_are_what_a_dictionary_of_them_says(store, step_ms):
    """Steps are counted from 1970, given whole when they begin within the span, and hold only what may be believed
    (plain Python over the rows put in; fractions of 8 are summed exactly)."""
    minutes, flags = [m * 15 for m in range(1200)], [Flag.GOOD, Flag.NOT_EVALUATED, Flag.FAIL, Flag.SUSPECT]
    rows = observation_rows(C0, minutes, [m % 97 / 8 for m in minutes]).assign(flag=[flags[m % 7 % 4] for m in minutes])
    rows = pd.concat([rows, observation_rows(C1, [1500, 1510], [3, 4])])
    store.upsert_observations(rows)
    span = (T0_MS + HOUR_MS, T0_MS + 10 * DAY_MS + 1)
    expected = {}
    for channel, at_ms, value, flag in rows[["channel", "measured_at_ms", "value", "flag"]].values.tolist():
        begins_ms = at_ms // step_ms * step_ms
        if flag in (Flag.GOOD, Flag.NOT_EVALUATED) and span[0] <= begins_ms < span[1]:
            expected.setdefault((channel, begins_ms), []).append(value)
    found = store.steps([C1, C0, "square-1/p1/none"], *span, step_ms)
    assert expected and found.values.tolist() == [
        [*place, min(v), sum(v) / len(v), max(v), len(v)] for place, v in sorted(expected.items())
    ]


def test_findings_are_replaced_and_chosen_by_quantity(store):
    """One of the same (station, quantity, start_ms) is replaced; stations and quantities are kept apart."""
    store.upsert_findings(
        pd.concat(
            [
                finding_rows("thatch_water", [15, 0], [2, 1]),
                finding_rows("root_zone_water", [0], [7]),
                finding_rows("thatch_water", [0], [99], station="square-2"),
            ]
        )
    )
    store.upsert_findings(finding_rows("thatch_water", [15], [5]))
    found = store.findings("square-1", None, *FOREVER)
    assert list(found.columns) == list(FINDING_COLUMNS)
    assert found["quantity"].tolist() == ["root_zone_water", "thatch_water", "thatch_water"]
    assert found["value"].tolist() == [7, 1, 5] and found["low"].tolist() == [6, 0, 4]
    assert found["high"].isna().all() and found["n"].tolist() == [6, 6, 6]
    assert len(store.findings("square-1", ["root_zone_water", "thatch_air"], *FOREVER)) == 1
    assert store.findings("square-1", [], *FOREVER).empty and store.findings("square-3", None, *FOREVER).empty


def test_a_withheld_finding_keeps_its_reason(store):
    """A finding without a value says why; replaced by one with a value, the reason is gone, and the other way round."""
    store.upsert_findings(finding_rows("thatch_water", [0], [np.nan], reason="no thatch thickness"))
    store.upsert_findings(finding_rows("thatch_water", [15], [2]))
    found = store.findings("square-1", None, *FOREVER)
    assert found["reason"].iloc[0] == "no thatch thickness" and pd.isna(found["reason"].iloc[1])
    assert np.isnan(found["value"].iloc[0])
    store.upsert_findings(finding_rows("thatch_air", [0], [1], reason=""))  # no words are not the same as none
    assert store.findings("square-1", ["thatch_air"], *FOREVER)["reason"].tolist() == [""]
    store.delete_findings("square-1", ["thatch_air"], *FOREVER)
    store.upsert_findings(finding_rows("thatch_water", [0], [3]))
    store.upsert_findings(finding_rows("thatch_water", [15], [np.nan], reason="gap"))
    found = store.findings("square-1", None, *FOREVER)
    assert pd.isna(found["reason"].iloc[0]) and found["value"].iloc[0] == 3
    assert found["reason"].iloc[1] == "gap" and np.isnan(found["value"].iloc[1])


def test_findings_of_a_span_can_be_removed(store):
    """Only the named quantities of the station go, with start <= start_ms < end."""
    for quantity in ("thatch_water", "thatch_air"):
        store.upsert_findings(finding_rows(quantity, [0, 15, 30], [1, 2, 3]))
    store.delete_findings("square-1", ["thatch_water", "unknown"], T0_MS + 900_000, T0_MS + 1_800_000)
    store.delete_findings("square-2", ["thatch_air"], *FOREVER)
    left = store.findings("square-1", None, *FOREVER)
    assert left.loc[left["quantity"] == "thatch_water", "value"].tolist() == [1, 3]
    assert (left["quantity"] == "thatch_air").sum() == 3


def test_span_is_first_and_last_reading_of_the_channels_asked(store, site):
    """The times of the outermost readings of just these channels; None when there is none."""
    assert store.span([C0, C1]) is None
    keep(store, [reading(site, 1, C0, 60), reading(site, 2, C1, 0), reading(site, 3, C0, 30)], 5)
    keep(store, [reading(site, 4, C1, 90), reading(site, 5, C0, 45)], 6)
    assert store.span([C0]) == (T0_MS + 30 * 60_000, T0_MS + 60 * 60_000)
    assert store.span([C0, C1]) == (T0_MS, T0_MS + 90 * 60_000)
    assert store.span([]) is None and store.span(["square-1/p1/none"]) is None


def test_an_empty_store_gives_empty_frames_with_their_columns(store):
    """Nothing stored, nothing asked, an empty span: a frame without rows, with the columns and types of a full one."""
    keep(store, [], 5)
    store.upsert_observations(observation_rows(C0, [], []))
    store.upsert_findings(finding_rows("thatch_water", [], []))
    frames = [
        (store.raw([C0], *FOREVER), RAW_COLUMNS),
        (store.raw([], *FOREVER), RAW_COLUMNS),
        (store.raw([C0], 5, 5), RAW_COLUMNS),
        (store.observations([C0], *FOREVER), OBSERVATION_COLUMNS),
        (store.latest([C0]), OBSERVATION_COLUMNS),
        (store.latest([]), OBSERVATION_COLUMNS),
        (store.last_answers([C0]), OBSERVATION_COLUMNS),
        (store.last_answers([]), OBSERVATION_COLUMNS),
        (store.findings("square-1", None, *FOREVER), FINDING_COLUMNS),
        (store.steps([C0], *FOREVER, DAY_MS), STEP_COLUMNS),
        (store.steps([], *FOREVER, HOUR_MS), STEP_COLUMNS),
    ]
    for frame, columns in frames:
        assert frame.empty and list(frame.columns) == list(columns)
        assert all(str(frame[name].dtype) == "int64" for name in columns if name.endswith("_ms"))


@pytest.mark.parametrize("lost", ["value", "flag", "channel"])
def test_a_frame_without_a_column_is_refused(store, lost):
    """A frame the caller built wrongly is a fault of the caller, named; nothing of it is kept."""
    with pytest.raises(ValueError, match=rf"^observations: found no column {lost}"):
        store.upsert_observations(observation_rows(C0, [0], [1]).drop(columns=lost))
    assert store.observations([C0], *FOREVER).empty


def test_what_was_kept_is_there_after_a_kill(place, site, killed_script, kill_while_appending):
    """A process killed while appending leaves every row it said it had kept, each once, and opens again."""
    said = kill_while_appending(*place, wanted=8)
    store = killed_script["open_store"](*place)
    try:
        found = store.raw([f"square-1/p1/c{i}" for i in range(4)], *FOREVER)
        values = (found["raw"] * 8).astype(int).tolist()
        assert len(values) == len(set(values))
        assert set(range(1, said + 1)) <= set(values)
        keep(store, killed_script["readings"](1, len(values), site=site), 9)
        assert len(store.raw([f"square-1/p1/c{i}" for i in range(4)], *FOREVER)) == len(values)
    finally:
        store.close()


def minutes_of(found, column="measured_at_ms"):
    return ((np.asarray(found[column]) - T0_MS) // MINUTE_MS).tolist()


def test_readings_of_an_unset_clock_are_given_at_the_time_they_were_taken(store, site):
    """Two channels, four slots without a clock and one with; an hour is added (algebra) to those without, however they
    are asked for, and the time they stood at is remembered. Told twice it is the same. The others stay."""
    rows = [reading(site, 1, minutes=-100)]
    rows += [reading(site, 2 + i, (C0, C1)[i % 2], 15 * (i // 2), clock_ok=False) for i in range(8)]
    rows += [reading(site, 10, minutes=120), reading(site, 11, C1, 120)]
    keep(store, rows[:-1], 5)
    assert minutes_of(store.raw([C0], *FOREVER)) == [-100, 0, 15, 30, 45, 120]
    for _ in range(2):
        date_again(store, rows, Redated(1, 9, HOUR_MS), 7)
    found = store.raw([C0, C1], *FOREVER)
    assert minutes_of(found) == [-100, 60, 75, 90, 105, 120, 60, 75, 90, 105, 120]
    assert found["clock_ok"].all() and list(found["slot"])[1] == str(T0_MS // 1000)
    assert minutes_of(store.raw([C0], T0_MS, T0_MS + 60 * MINUTE_MS)) == []
    assert minutes_of(store.raw([C1], T0_MS + 75 * MINUTE_MS, T0_MS + 105 * MINUTE_MS)) == [75, 90]
    times = store.moved([C0, "square-1/p9/c0"], *FOREVER)
    assert list(times) == [C0] and minutes_of({"measured_at_ms": times[C0]}) == [0, 15, 30, 45]
    assert store.moved([C0, C1], T0_MS + 46 * MINUTE_MS, FOREVER[1]) == {}
    assert store.span([C0]) == (T0_MS - 100 * MINUTE_MS, T0_MS + 120 * MINUTE_MS)
    assert store.span([C1]) == (T0_MS + 60 * MINUTE_MS, T0_MS + 120 * MINUTE_MS)


def test_a_clock_that_was_ahead_is_dated_back(store, site):
    """The newest stand before others then: first and last of the channel follow."""
    rows = [reading(site, 1, minutes=0, clock_ok=False), reading(site, 2, minutes=300, clock_ok=False)]
    rows += [reading(site, 3, minutes=30)]
    keep(store, rows[:-1], 5)
    date_again(store, rows, Redated(1, 2, -290 * MINUTE_MS), 7)
    assert minutes_of(store.raw([C0], *FOREVER)) == [-290, 10, 30]
    assert store.span([C0]) == (T0_MS - 290 * MINUTE_MS, T0_MS + 30 * MINUTE_MS)


def test_two_readings_of_one_time_are_both_given(store, site):
    """One was dated again to the very time of another: two slots, two readings."""
    rows = [reading(site, 1, minutes=0, clock_ok=False, raw=0.1), reading(site, 2, minutes=60, raw=0.2)]
    rows += [reading(site, 3, minutes=75)]
    keep(store, rows[:-1], 5)
    date_again(store, rows, Redated(1, 1, HOUR_MS), 7)
    found = store.raw([C0], *FOREVER)
    assert minutes_of(found) == [60, 60, 75] and sorted(found["raw"][:2]) == [0.1, 0.2]
    assert found["slot"].nunique() == 3


def test_removed_observations_are_gone_from_every_answer(store):
    """From rows, pages of them, series, days and the last; the others stay, and one written there again counts."""
    store.upsert_observations(observation_rows(C0, [0, 15, 30, 45], [1.0, 2.0, 3.0, 4.0]))
    store.upsert_observations(observation_rows(C1, [0, 15], [5.0, 6.0]))
    gone = {C0: np.array([T0_MS + 15 * MINUTE_MS, T0_MS + 45 * MINUTE_MS]), C1: np.array([T0_MS])}
    changed = store.remove_observations(gone)
    assert changed == {C0: (gone[C0][0], gone[C0][1]), C1: (T0_MS, T0_MS)}
    for found in (store.observations([C0, C1], *FOREVER), store.observations([C0, C1], *FOREVER, limit=9)):
        assert minutes_of(found) == [0, 30, 15]
    assert store.observations([C0, C1], *FOREVER, limit=2, after=(C0, T0_MS))["value"].tolist() == [3.0, 6.0]
    assert {name: values.tolist() for name, (_, values) in store.channel_series([C0, C1], *FOREVER).items()} == {
        C0: [1.0, 3.0], C1: [6.0],
    }  # fmt: skip
    assert store.latest([C0, C1])["value"].tolist() == store.last_answers([C0, C1])["value"].tolist() == [3.0, 6.0]
    days = store.steps([C0, C1], T0_MS, T0_MS + DAY_MS, DAY_MS)
    assert days[["low", "mean", "high", "n"]].to_numpy().tolist() == [[1.0, 2.0, 3.0, 2], [6.0, 6.0, 6.0, 1]]
    store.remove_observations({C1: np.array([T0_MS, T0_MS + 15 * MINUTE_MS])})
    assert store.latest([C1]).empty and store.channel_series([C1], *FOREVER) == {}
    store.upsert_observations(observation_rows(C1, [15], [7.0]))
    assert store.latest([C1])["value"].tolist() == [7.0]


@pytest.mark.parametrize("count", [2, 400])
def test_of_two_findings_of_one_place_the_later_row_stands(store, count):
    """However many come at once: the last of a station, quantity and start is kept, as with two calls."""
    minutes = [15 * (i // 2) for i in range(2 * count)]
    store.upsert_findings(finding_rows("a", minutes, [float(i) for i in range(2 * count)]))
    found = store.findings("square-1", None, *FOREVER)
    assert found["value"].tolist() == [float(2 * i + 1) for i in range(count)]
