"""The last weeks held in memory are those of the store, whenever and however they were read."""

import numpy as np
import pandas as pd
import pytest

from pipeline.advice.station_inputs import RecentSeries, newest_ms
from pipeline.store import FINDING_COLUMNS, OBSERVATION_COLUMNS
from pipeline.store.database import Database
from pipeline.store.series import SqlStore
from pipeline.units import Flag

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
NOW_MS = 1_715_558_400_000  # 2024-05-13 00:00 UTC
NAN = float("nan")


@pytest.fixture
def store(tmp_path):
    database = Database(tmp_path / "a.db")
    opened = SqlStore(database)
    yield opened
    opened.close()
    database.close()


def observe(store, times, values, flags=None, channel="s1/p1/moisture"):
    count = len(times)
    told = [int(Flag.GOOD)] * count if flags is None else flags
    columns = [[channel] * count, times, values, values, told, [1] * count, times]
    store.upsert_observations(pd.DataFrame(dict(zip(OBSERVATION_COLUMNS, columns, strict=True))))


def test_what_is_read_on_is_what_would_be_read_at_once(store):
    """Hour by hour through days, with late values and failed ones: the same as a fresh look."""
    times = [NOW_MS + h * HOUR_MS for h in range(24 * 5)]
    rng = np.random.default_rng(7)
    values = rng.normal(0.3, 0.1, len(times)).tolist()
    flags = [int(Flag.FAIL) if h % 17 == 0 else int(Flag.GOOD) for h in range(len(times))]
    kept = RecentSeries(store)
    late: list[int] = []
    for h in range(len(times)):
        if h % 11 == 5:
            late.append(h)  # comes a day and a half later
        else:
            observe(store, times[h : h + 1], values[h : h + 1], flags[h : h + 1])
        for old in [x for x in late if h - x >= 36]:
            late.remove(old)
            observe(store, times[old : old + 1], values[old : old + 1], flags[old : old + 1])
        if h % 7 == 0:
            kept.channels(["s1/p1/moisture"], times[h])
    on, fresh = (one.channels(["s1/p1/moisture"], times[-1])["s1/p1/moisture"] for one in (kept, RecentSeries(store)))
    assert on[0].tolist() == fresh[0].tolist()
    np.testing.assert_array_equal(on[1], fresh[1])
    assert np.isnan(on[1][0])  # failed its test


def test_only_the_last_nine_weeks_are_held(store):
    """What is older falls out."""
    times = [NOW_MS + d * DAY_MS for d in range(100)]
    observe(store, times, [0.3] * 100)
    kept = RecentSeries(store)
    for d in (70, 99):
        held = kept.channels(["s1/p1/moisture"], times[d])["s1/p1/moisture"][0]
        assert held[0] == times[d] - 63 * DAY_MS and held[-1] == times[d]


def test_findings_are_read_anew_when_what_they_rest_on_changes(store):
    """A core of weeks ago changes the wetness of weeks: another key, another look; the same key reads two days."""
    times = [NOW_MS + h * HOUR_MS for h in range(24 * 10)]

    def find(value):
        rows = [("s1", "thatch_wetness", t, t, value, NAN, NAN, 1, "", 1) for t in times]
        store.upsert_findings(pd.DataFrame(rows, columns=list(FINDING_COLUMNS)))

    find(0.5)
    kept = RecentSeries(store)
    kept.findings("s1", ["thatch_wetness"], times[-1], key=1)
    find(0.8)
    same = kept.findings("s1", ["thatch_wetness"], times[-1] + 1, key=1)["thatch_wetness"][1]
    assert (same[0], same[-1]) == (0.5, 0.8)
    other = kept.findings("s1", ["thatch_wetness"], times[-1] + 1, key=2)["thatch_wetness"][1]
    assert set(other.tolist()) == {0.8}


def test_forgetting_reads_everything_again(store):
    """After `forget` the past is as the store has it now."""
    times = [NOW_MS + h * HOUR_MS for h in range(24 * 10)]
    observe(store, times, [0.3] * len(times))
    kept = RecentSeries(store)
    kept.channels(["s1/p1/moisture"], times[-1])
    observe(store, times, [0.4] * len(times))
    kept.forget()
    assert set(kept.channels(["s1/p1/moisture"], times[-1])["s1/p1/moisture"][1].tolist()) == {0.4}


def test_newest_of_several():
    """The newest time of all; None without any."""
    one = (np.array([1, 5]), np.array([0.1, NAN]))
    assert newest_ms([one, (np.array([3]), np.array([0.2]))]) == 5
    assert newest_ms([]) is None
